"""A reference over its calibrations: its error at a few torques, with uncertainty, and where it may stand when due."""

from __future__ import annotations

from PySide6.QtWidgets import QVBoxLayout, QWidget

from benchapp.metrology.reference import Reference
from benchapp.metrology.reference_drift import ErrorSeries, Outlook, error_series, outlook
from benchapp.torque.direction import Direction
from benchapp.ui.choices import ChoiceField
from benchapp.ui.controls import in_row, label, plain_button
from benchapp.ui.format import percent, plural, short, significant, torque_text
from benchapp.ui.timechart import SHAPES, Drawn, Mark, TimeChart, Trail, moment_of

SOURCE = (
    "Where it may stand: a line fitted through zero to the steps from one calibration to the next "
    "(NASA-HDBK-8739.19-5, variables data, order 1, second-hand), with U of the newest, 95 %."
)


class YearsView(QWidget):
    """Chart and sentences; `impact` is the button that asks what the newest calibration puts in doubt."""

    def __init__(self) -> None:
        super().__init__()
        self._reference: Reference | None = None
        self._unit = "N·m"
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 4, 0, 0)
        box.setSpacing(6)
        self.way = ChoiceField(
            "Direction", [(way.value, way.value) for way in Direction], on_change=lambda _key: self._show()
        )
        self.impact = plain_button("What the newest one puts in doubt")
        box.addLayout(in_row(self.way, right=(self.impact,)))
        self.chart = TimeChart(
            "No calibration yet. Enter its certificate; with the second one its error can be followed.",
            "error of the reference over its calibrations",
        )
        box.addWidget(self.chart, 1)
        self.says = label("", wrap=True)
        self.source = label(SOURCE, "soft", wrap=True)
        box.addWidget(self.says)
        box.addWidget(self.source)

    def show_reference(self, reference: Reference | None, unit: str) -> None:
        """Show this reference."""
        self._reference, self._unit = reference, unit
        series = error_series(reference) if reference is not None else []
        ways = {each.direction for each in series}
        self.way.setVisible(len(ways) > 1)
        if ways and Direction(self.way.value()) not in ways:
            self.way.put(next(iter(ways)).value)
        self._show()

    def _name(self, series: ErrorSeries) -> str:
        return torque_text(series.torque_nm, self._unit)

    def _show(self) -> None:
        reference = self._reference
        found = [] if reference is None else error_series(reference)
        shown = [series for series in found if series.direction.value == self.way.value()]
        newest = reference.calibration if reference is not None else None
        self.impact.setVisible(reference is not None and len(reference.calibrations) > 1)
        if newest is None or not shown:
            self.chart.show_drawn(Drawn())
            self.says.setText("")
            self.source.setVisible(False)
            return
        marks: list[Mark] = []
        trails: list[Trail] = []
        reach: tuple[tuple[float, float, float], ...] = ()
        ahead = [outlook(series, newest.due) for series in shown]
        # Marks of one certificate share its day: torques stand side by side.
        end = moment_of(newest.due.isoformat())
        step = max((end - moment_of(shown[0].errors[0].calibrated.isoformat())) / 110, 1.0)
        for index, series in enumerate(shown):
            aside = (index - (len(shown) - 1) / 2) * step
            places = []
            for error in series.errors:
                when = moment_of(error.calibrated.isoformat()) + aside
                places.append((when, error.error_percent))
                u = "" if error.expanded_percent is None else f" ± {short(error.expanded_percent)} %"
                marks.append(
                    Mark(
                        when,
                        error.error_percent,
                        SHAPES[index % len(SHAPES)],
                        reach=error.expanded_percent,
                        ringed=error is series.errors[-1] and series.last_step_is_seen,
                        tip=f"{error.certificate}, {error.calibrated.isoformat()}, {self._name(series)}: "
                        f"{percent(error.error_percent, 2)}{u}",
                    )
                )
            trails.append(Trail(tuple(places)))
        said = [(each, series) for each, series in zip(ahead, shown, strict=True) if each is not None]
        if said:
            expected, followed = max(said, key=lambda pair: pair[0].reach_percent)
            last, value = marks[-1].when, followed.errors[-1].error_percent
            trails.append(Trail(((last, value), (end, expected.expected_percent)), dashed=True, accent=True))
            middle, half = expected.expected_percent, expected.reach_percent
            reach = ((last, value, value), (end, middle - half, middle + half))
        names = tuple((SHAPES[i % len(SHAPES)], True, self._name(series)) for i, series in enumerate(shown))
        self.chart.show_drawn(Drawn(tuple(marks), tuple(trails), reach=reach, names=names))
        self.says.setText(self._sentence(shown, ahead, newest.due.isoformat()))
        self.source.setVisible(bool(said))

    def _sentence(self, shown: list[ErrorSeries], ahead: list[Outlook | None], due: str) -> str:
        steps = [series for series in shown if series.last_step_percent is not None]
        if not steps:
            return "One calibration so far. With the next one it is seen whether the reference moves."
        moved = max(steps, key=lambda series: abs(series.last_step_percent or 0.0))
        seen = (
            "more than both uncertainties explain: it has moved. See what that puts in doubt."
            if moved.last_step_is_seen
            else "no more than both uncertainties explain."
        )
        said = [f"Last step at {self._name(moved)}: {percent(moved.last_step_percent or 0.0, 2)}, {seen}"]
        at = ahead[shown.index(moved)]
        if at is None:
            said.append("Where it may stand when due is said from the third calibration on.")
        else:
            said.append(
                f"From {plural(at.n, 'step')}: {percent(at.percent_per_year, 2)} a year; on {due} it may read "
                f"{percent(at.expected_percent, 2)} ± {significant(at.reach_percent, 2)} % at {self._name(moved)}."
            )
        return " ".join(said)
