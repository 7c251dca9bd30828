"""The daily check of a reference: its check standard's values on two charts, pulled from here, looked at from here."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QLabel, QStackedWidget, QVBoxLayout, QWidget

from benchapp.metrology.reference import Reference
from benchapp.records import check_standard as cs
from benchapp.records.errors import StoreError
from benchapp.records.model import ToolRecord, ToolState
from benchapp.runs.model import RunPlan
from benchapp.torque.direction import Direction
from benchapp.ui.choices import ChoiceField, PickField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import in_row, label, main_button, plain_button, quiet_button
from benchapp.ui.fields import NumberField, TextField
from benchapp.ui.form import Form
from benchapp.ui.format import percent, range_text, short, wall_text
from benchapp.ui.page import scrolled, today
from benchapp.ui.timechart import Drawn, Mark, TimeChart, Trail, moment_of
from drivers.samples import Source

if TYPE_CHECKING:
    from benchapp.records import Store

MOST_TOOLS: Final = 1_000_000
FIRST: Final = (
    "A check standard is one stable tool, kept for this and used for nothing else. Pulled each morning against the "
    "reference, it shows a reference that has moved before anything is judged with it: a value outside its limits "
    "stops every run with the reference until the custodian has looked."
)


class CheckView(QWidget):
    """How one reference stands by its check standard; `changed` says that the store was written to."""

    changed = Signal()

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self.reference: Reference | None = None
        self.standing: cs.Standing | None = None
        self._tools: dict[str, ToolRecord] = {}
        self.views = QStackedWidget()
        self.views.setObjectName("clear")
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 4, 0, 0)
        outer.addWidget(self.views)
        self._build_none()
        self._build_charts()
        self._build_setting()
        self._build_looking()
        for view in (self.none, self.charts, self.setting, self.looking):
            self.views.addWidget(view)

    def _build_none(self) -> None:
        self.none = QWidget()
        box = QVBoxLayout(self.none)
        box.setContentsMargins(0, 0, 0, 0)
        box.addStretch(1)
        box.addWidget(label("No check standard yet", "heading"))
        box.addWidget(label(FIRST, "soft", wrap=True))
        self.choose = main_button("Choose a check standard")
        box.addSpacing(8)
        box.addLayout(in_row(self.choose))
        box.addStretch(2)
        self.choose.clicked.connect(self.ask_setup)

    def _build_charts(self) -> None:
        self.charts = QWidget()
        box = QVBoxLayout(self.charts)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(4)
        self.agreed = label("", "soft", wrap=True)
        self.says = label("", wrap=True)
        self.pull = main_button("Pull it now")
        self.pull.setToolTip("Begins a run of the check standard on the Bench")
        self.look = plain_button("The custodian looks at it")
        self.change = quiet_button("Change")
        empty = "The first value comes with the first pull."
        self.values = TimeChart(empty, "deviation of the check standard, each value")
        self.averages = TimeChart(f"The moving average begins after {cs.LEAST} values.", "moving average")
        self.values.setMinimumHeight(96)
        self.averages.setMinimumHeight(76)
        self.source = label(cs.SOURCE, "soft", wrap=True)
        box.addWidget(self.says)
        box.addWidget(self.agreed)
        box.addLayout(in_row(self.pull, self.look, right=(self.change,)))
        box.addWidget(label("Each value, with its limits", "section"))
        box.addWidget(self.values, 3)
        box.addWidget(label("Moving average: a slow creep shows here first", "section"))
        box.addWidget(self.averages, 2)
        box.addWidget(self.source)
        self.pull.clicked.connect(self.pull_now)
        self.look.clicked.connect(self.ask_look)
        self.change.clicked.connect(self.ask_setup)
        for chart in (self.values, self.averages):
            chart.wanted.connect(lambda run_id: self.context.page_wanted.emit("logbook", run_id))

    def _build_setting(self) -> None:
        self.setting = QWidget()
        box = QVBoxLayout(self.setting)
        box.setContentsMargins(0, 0, 0, 0)
        form = self.form = Form(narrow=True)
        self.tool = form.add(
            "tool", PickField("The tool", [], hint="Stable, of good resolution, used for nothing else.")
        )
        self.target = form.add("target", NumberField("Set to", above=0, hint="The torque that is pulled each morning."))
        self.direction = form.add("direction", ChoiceField("Direction", [(way.value, way.value) for way in Direction]))
        form.add("why", TextField("Why this one", hint="One sentence; it stands in the record.", width=330))
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(0, 0, 8, 0)
        column.addWidget(label(FIRST, "soft", wrap=True))
        column.addWidget(form)
        column.addStretch(1)
        box.addWidget(scrolled(inside), 1)
        self.setting_problem = label("", "problem", wrap=True)
        box.addWidget(self.setting_problem)
        self.agree = main_button("Agree on it")
        self.end = plain_button("Do without one")
        back = plain_button("Back")
        box.addLayout(in_row(self.agree, self.end, back))
        self.agree.clicked.connect(self._agree)
        self.end.clicked.connect(self._end)
        form.submitted.connect(self._agree)
        back.clicked.connect(self._show_standing)
        self.tool.changed.connect(self._tool_picked)

    def _build_looking(self) -> None:
        self.looking = QWidget()
        box = QVBoxLayout(self.looking)
        box.setContentsMargins(0, 0, 0, 0)
        self.found = label("", wrap=True)
        box.addWidget(self.found)
        what = (
            "Look at the drive and its seat, the fixture, the cable, the tool, the temperature. Pull the check "
            "standard again. Only when the cause is known, or nothing is found and it reads as before, does the work "
            "go on; else the reference goes to a laboratory."
        )
        box.addWidget(label(what, "soft", wrap=True))
        self.look_form = Form(narrow=True)
        self.look_form.add("why", TextField("What was found", hint="It stands in the record.", width=360))
        box.addWidget(self.look_form)
        self.look_problem = label("", "problem", wrap=True)
        box.addWidget(self.look_problem)
        self.looked = main_button("The work may go on")
        back = plain_button("Back, it stays stopped")
        box.addLayout(in_row(self.looked, back))
        box.addStretch(1)
        self.looked.clicked.connect(self._look_at)
        self.look_form.submitted.connect(self._look_at)
        back.clicked.connect(self._show_standing)

    # ---------------------------------------------------------------------------------------------------------- showing

    def show_reference(self, reference: Reference | None) -> None:
        """Show how this reference stands."""
        asking = self.views.currentWidget() in (self.setting, self.looking)
        same = reference is not None and self.reference is not None and reference.number == self.reference.number
        self.reference = reference
        store = self.context.store
        if reference is None or store is None:
            return
        try:
            self.standing = store.check_standing(reference.number)
        except StoreError as problem:
            self.context.message.emit("problem", str(problem))
            return
        if not (asking and same):
            self._show_standing()

    def _show_standing(self) -> None:
        standing = self.standing
        self.views.setCurrentWidget(self.none if standing is None else self.charts)
        if standing is None:
            return
        setup = standing.setup
        stopped = standing.refusal()
        self.says.setText(_found(stopped) if stopped else _said(standing))
        self.says.setProperty("kind", "problem" if stopped else "")
        self.says.style().unpolish(self.says)
        self.says.style().polish(self.says)
        self.agreed.setText(
            f"{setup.standard} at {short(setup.target)} {setup.unit}, {setup.direction.value}, "
            f"since {setup.since[:10]} ({setup.who}: {setup.why})"
        )
        self.look.setVisible(bool(stopped))
        self.values.show_drawn(drawn_values(standing))
        self.averages.show_drawn(drawn_averages(standing))

    # ----------------------------------------------------------------------------------------------------------- acting

    def pull_now(self) -> None:
        """Begin a run of the check standard on the Bench."""
        standing, store = self.standing, self.context.store
        if standing is None or store is None or self.reference is None:
            return
        if not self.context.operator:
            self.context.message.emit("problem", "Who pulls? Choose it at the foot of the window first.")
            return
        setup = standing.setup
        record = store.tool(setup.standard)
        if record is None:
            self.context.message.emit("problem", f"{setup.standard} is no longer in the rack. Choose another one.")
            return
        source = self.context.bench.view().source
        if source is None:
            source = Source.SIMULATED if self.context.is_demo else Source.LIVE
        planned = plan_check(record, self.reference, setup, self.context.operator, source, today())
        if not isinstance(planned, RunPlan):
            self.context.message.emit("problem", planned)
            return
        try:
            self.context.bench.start_run(planned)
        except ValueError as problem:
            self.context.message.emit("problem", str(problem))
            return
        self.context.page_wanted.emit("bench", "")

    def ask_setup(self) -> None:
        """Ask for the tool that is pulled each morning."""
        store, reference = self.context.store, self.reference
        if store is None or reference is None:
            return
        calibration = reference.calibration
        low = calibration.usable_from_nm if calibration else 0.0
        high = min(calibration.usable_to_nm, reference.capacity_nm) if calibration else reference.capacity_nm
        fitting = [
            record
            for record in store.tools(limit=MOST_TOOLS)
            if record.state is ToolState.IN_SERVICE and record.tool.highest_nm >= low and record.tool.lowest_nm <= high
        ]
        self._tools = {record.number: record for record in fitting}
        box = self.tool.box
        box.blockSignals(True)
        box.clear()
        for record in fitting:
            box.addItem(f"{record.number}   {range_text(record.tool)}", record.number)
        box.blockSignals(False)
        self.setting_problem.setText("" if fitting else "No tool in service fits this reference; add one in the Rack.")
        self.agree.setEnabled(bool(fitting))
        setup = self.standing.setup if self.standing else None
        if setup is not None and setup.standard in self._tools:
            self.tool.put(setup.standard)
            self.direction.put(setup.direction.value)
        self.form.fields["why"].put("")
        for field in self.form.fields.values():
            field.accept()
        self.end.setVisible(setup is not None)
        self._tool_picked()
        if setup is not None and self.tool.value() == setup.standard:
            self.target.put(setup.target)
        self.views.setCurrentWidget(self.setting)
        self.tool.setFocus(Qt.FocusReason.OtherFocusReason)

    def _tool_picked(self) -> None:
        record = self._tools.get(self.tool.value())
        if record is None:
            return
        tool = record.tool
        self.target.set_hint(f"In {tool.unit}, from {range_text(tool)}.")
        self.target.put(float(f"{tool.lowest + 0.6 * (tool.highest - tool.lowest):.2g}"))
        self.form.show_field("direction", shown=len(tool.directions) > 1)
        if len(tool.directions) == 1:
            self.direction.put(tool.directions[0].value)

    def _agree(self) -> None:
        entered = self.form.values()
        if entered is None or self.reference is None:
            return
        number, why = self.reference.number, entered["why"]
        tool, target, way = entered["tool"], entered["target"], Direction(self.direction.value())

        def do(who: str) -> None:
            self._write(
                lambda store: cs.set_standard(store, number, tool, target, way, who=who, why=why),
                f"{tool} is the check standard of {number}; its chart begins now.",
                self.setting_problem,
            )

        self.context.as_custodian(f"to agree on the check standard of {number}", do)

    def _end(self) -> None:
        entered = self.form.values()
        if entered is None or self.reference is None:
            return
        number, why = self.reference.number, entered["why"]

        def do(who: str) -> None:
            self._write(
                lambda store: cs.end_standard(store, number, who=who, why=why),
                f"{number} has no check standard any more.",
                self.setting_problem,
            )

        self.context.as_custodian(f"to end the daily check of {number}", do)

    def ask_look(self) -> None:
        """Ask the custodian what was found."""
        standing = self.standing
        if standing is None or standing.stopped_by is None:
            return
        self.found.setText(_found(standing.refusal()))
        self.look_form.fields["why"].put("")
        self.look_form.fields["why"].accept()
        self.look_problem.setText("")
        self.views.setCurrentWidget(self.looking)
        self.look_form.fields["why"].setFocus(Qt.FocusReason.OtherFocusReason)

    def _look_at(self) -> None:
        entered = self.look_form.values()
        point = self.standing.stopped_by if self.standing else None
        if entered is None or point is None or self.reference is None:
            return
        key, why, number = point.value.key, entered["why"], self.reference.number

        def do(who: str) -> None:
            self._write(
                lambda store: cs.look_at(store, key, who=who, why=why),
                f"{number}: the work may go on.",
                self.look_problem,
            )

        self.context.as_custodian(f"to let the work with {number} go on", do)

    def _write(self, act: Callable[[Store], object], done: str, problem_line: QLabel) -> None:
        store = self.context.store
        if store is None:
            return
        try:
            act(store)
        except StoreError as problem:
            problem_line.setText(str(problem))
            return
        self.views.setCurrentWidget(self.charts)
        self.show_reference(self.reference)
        self.context.message.emit("note", done)
        self.changed.emit()


def plan_check(
    record: ToolRecord, reference: Reference, setup: cs.Setup, operator: str, source: Source, day: dt.date
) -> RunPlan | str:
    """Return the plan of a check, or why there is none."""
    from benchapp.pulls import DETECTOR
    from benchapp.runs.planning import plan_run
    from benchapp.runs.procedure import shipped_procedures

    spot = next(procedure for procedure in shipped_procedures() if procedure.is_spot_check)
    target = None if record.tool.fixed else setup.target
    planned = plan_run(record.tool, reference, spot, operator, source, target=target, today=day, detector=DETECTOR)
    return planned if isinstance(planned, RunPlan) else planned.sentence()


def _found(refusal: str) -> str:
    """Return what was found, without what to do: that stands below it."""
    return f"{refusal.partition('. Have the custodian')[0]}."


def _said(standing: cs.Standing) -> str:
    last = standing.points[-1] if standing.points else None
    if last is None:
        return "Not pulled yet. Pull it now, and each morning before the first run."
    value = f"{percent(last.value.value_percent, 2)} on {wall_text(last.value.at)}"
    if standing.last_on(today()) is None:
        return f"Not pulled today. Last: {value}."
    if last.limits is None:
        return f"{value}. Limits come with {cs.LEAST} values; this is number {len(standing.points)}."
    if last.is_out or last.average_is_out:
        return f"{value}: out of limits; {last.value.looked_at_by}: {last.value.looked_at_why}"
    return f"{value}, within {percent(last.limits[0], 2)} to {percent(last.limits[1], 2)}."


def _tip(point: cs.Point, value: float, is_out: bool) -> str:
    said = f"{wall_text(point.value.at)}, {point.value.who}: {percent(value, 2)}"
    if is_out:
        by, why = point.value.looked_at_by, point.value.looked_at_why
        said += f"\nout of limits; {f'{by}: {why}' if by else 'nobody looked yet'}"
    return said


def _steps(ends: list[tuple[float, tuple[float, float] | None]]) -> tuple[tuple[float, float, float], ...]:
    """Limits where they change."""
    found: list[tuple[float, float, float]] = []
    for when, limits in ends:
        if limits is not None and (not found or found[-1][1:] != limits):
            found.append((when, *limits))
    return tuple(found)


def drawn_values(standing: cs.Standing) -> Drawn:
    """Return the chart of single values."""
    marks = tuple(
        Mark(
            moment_of(point.value.at),
            point.value.value_percent,
            filled=point.limits is not None,
            ringed=point.is_out,
            tip=_tip(point, point.value.value_percent, point.is_out),
            key=point.value.run_id,
        )
        for point in standing.points
    )
    trail = Trail(tuple((mark.when, mark.value) for mark in marks))
    steps = _steps([(moment_of(point.value.at), point.limits) for point in standing.points])
    names: tuple[tuple[str, bool, str], ...] = (("disc", True, "value"),)
    if any(point.limits is None for point in standing.points):
        names = (*names, ("disc", False, "before there were limits"))
    return Drawn(marks, (trail,), steps=steps, centre=standing.centre_percent, names=names)


def drawn_averages(standing: cs.Standing) -> Drawn:
    """Return the chart of the moving average."""
    known = [point for point in standing.points if point.average_percent is not None]
    marks = tuple(
        Mark(
            moment_of(point.value.at),
            point.average_percent or 0.0,
            "diamond",
            ringed=point.average_is_out,
            tip=_tip(point, point.average_percent or 0.0, point.average_is_out),
            key=point.value.run_id,
        )
        for point in known
    )
    trail = Trail(tuple((mark.when, mark.value) for mark in marks))
    steps = _steps([(moment_of(point.value.at), point.average_limits) for point in known])
    whens = [moment_of(point.value.at) for point in standing.points]
    span = (min(whens), max(whens)) if whens else None
    return Drawn(marks, (trail,), steps=steps, centre=standing.centre_percent, span=span)
