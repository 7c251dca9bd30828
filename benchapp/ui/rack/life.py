"""A tool over the years: each checkpoint as found and as left, repairs, where it drifts to, and its next interval."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QStackedWidget, QVBoxLayout, QWidget

from benchapp.records import history as life
from benchapp.records import intervals
from benchapp.records.errors import StoreError
from benchapp.records.model import DEFAULT_INTERVAL_MONTHS, StateChange, ToolState
from benchapp.torque.direction import Direction
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Choices, Panel, in_row, label, main_button, plain_button
from benchapp.ui.driftwords import last_day, leaving_text
from benchapp.ui.fields import TextField
from benchapp.ui.files import ask_save
from benchapp.ui.form import Form
from benchapp.ui.format import glued, percent, plural, short, torque_text, wall_text
from benchapp.ui.page import EmptyNote, Facts, beside, scrolled
from benchapp.ui.timechart import DAY_S, SHAPES, Drawn, Mark, Moment, TimeChart, Trail, moment_of

MONTH_S: Final = life.DAYS_PER_MONTH * DAY_S
STAGE_WORDS: Final = {
    life.Stage.AS_FOUND: "as found",
    life.Stage.AS_LEFT: "as left",
    life.Stage.BETWEEN: "while out of service",
    life.Stage.SPOT: "spot check",
}
METHOD_WORDS: Final = {"a3": "by share in tolerance", "staircase": "stepwise", "drift": "by drift"}
METHOD_SOURCES: Final = {
    "a3": "Method A3 of the NCSL practice on interval analysis (second-hand): how often it was found within limits.",
    "staircase": "Stepwise: a little longer after a good result, shorter after a bad one (common practice).",
    "drift": "NASA-HDBK-8739.19-5, variables data, order 1 (second-hand): when a limit can no longer be excluded.",
}
STATE_MOMENTS: Final = {
    ToolState.QUARANTINED: "kept aside",
    ToolState.AT_LABORATORY: "to laboratory",
    ToolState.IN_SERVICE: "back in service",
    ToolState.RETIRED: "retired",
}
MOST_SPOTS: Final = 120
"""Spot checks shown, the newest: judging one takes about 2 ms, and a check standard has one a morning."""
Point = tuple[float, Direction]


class LifeView(QWidget):
    """Chart on the left; drift, suggestions and the custodian's decision on the right."""

    heading_changed = Signal()
    left = Signal()

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self._number = ""
        self._history: list[life.RunResult] = []
        self._drifts: list[life.DriftAt] = []
        self._changes: list[StateChange] = []
        self._suggestions: dict[str, intervals.Suggestion] = {}
        self.views = QStackedWidget()
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(self.views)
        self.empty = EmptyNote(
            "Not verified yet",
            "With each full run this tool's deviation at each checkpoint is drawn here, as found and as left. From the "
            "third on its drift is fitted, and says when it will leave its limits.",
            "Verify this tool",
        )
        self._build_main()
        self.views.addWidget(self.empty)
        self.views.addWidget(self.main)
        self.empty.wanted.connect(lambda: context.tool_wanted.emit(self._number))

    def _build_main(self) -> None:
        self.main, row = beside()
        panel = Panel(margin=16)
        self.which = Choices()
        self.which.setAccessibleName("checkpoint shown")
        self.which.currentIndexChanged.connect(self._draw)
        back = plain_button("Back")
        back.clicked.connect(self.left)
        self.save = plain_button("Save report …")
        self.save.setToolTip("This tool's whole life as PDF")
        self.save.clicked.connect(self.ask_report)
        panel.body.addLayout(in_row(label("deviation at", "soft"), self.which, right=(self.save, back)))
        self.chart = TimeChart("No reading at this checkpoint.", "deviation over the years")
        self.chart.wanted.connect(lambda run_id: self.context.page_wanted.emit("logbook", run_id))
        panel.body.addWidget(self.chart, 1)
        self.legend = label("", "soft", wrap=True)
        panel.body.addWidget(self.legend)
        row.addWidget(panel, 13)
        right = Panel(margin=18)
        right.setMinimumWidth(300)
        right.setMaximumWidth(560)
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(0, 0, 6, 0)
        column.setSpacing(6)
        self.drift_head = label("Where it drifts to", "section")
        self.drift_says = label("", wrap=True)
        self.drift_facts = Facts()
        self.next_head = label("Its next interval", "section")
        self.now = label("", wrap=True)
        self.method = ChoiceField("Method", list(METHOD_WORDS.items()), on_change=lambda _key: self._show_method())
        self.months = label("", "figure")
        self.reason = label("", wrap=True)
        self.source = label("", "soft", wrap=True)
        self.form = Form(narrow=True)
        self.why = self.form.add("why", TextField("Why", width=220, hint="It stands in the record, either way."))
        self.problem = label("", "problem", wrap=True)
        self.take = main_button("Take it")
        self.leave = plain_button("Do not take it")
        self.decided = label("", "soft", wrap=True)
        self.happened_head = label("What happened", "section")
        self.happened = Facts()
        drift: tuple[QWidget, ...] = (self.drift_head, self.drift_says, self.drift_facts)
        following: tuple[QWidget, ...] = (self.next_head, self.now, self.method, self.months, self.reason, self.source)
        for widget in drift:
            column.addWidget(widget)
        column.addSpacing(10)
        for widget in (*following, self.form):
            column.addWidget(widget)
        column.addWidget(self.problem)
        column.addLayout(in_row(self.take, self.leave))
        column.addWidget(self.decided)
        column.addSpacing(10)
        column.addWidget(self.happened_head)
        column.addWidget(self.happened)
        column.addStretch(1)
        right.body.addWidget(scrolled(inside), 1)
        row.addWidget(right, 8)
        self.take.clicked.connect(lambda: self._decide(accepted=True))
        self.leave.clicked.connect(lambda: self._decide(accepted=False))

    # ---------------------------------------------------------------------------------------------------------- reading

    def heading(self) -> tuple[str, str]:
        """Return what stands above the view."""
        full = [run for run in self._history if run.stage is not life.Stage.SPOT]
        found = [run for run in full if run.stage is life.Stage.AS_FOUND]
        within = sum(run.outcome.value == "within" for run in found)
        parts = [plural(len(full), "full run")] if full else []
        if found:
            parts.append(f"{within} of {len(found)} times found within limits")
        return f"{self._number} over the years", "  ·  ".join(parts)

    def open(self, number: str) -> None:
        """Show the life of this tool."""
        if number != self._number:
            self.which.blockSignals(True)
            self.which.clear()
            self.which.blockSignals(False)
            self.why.put("")
            self.why.accept()
        self._number = number
        self.refresh()

    def refresh(self) -> None:
        """Read the store again."""
        store = self.context.store
        if store is None or not self._number:
            return
        try:
            whole = life.tool_history(store, self._number, most_spots=MOST_SPOTS)
            self._history = [run for run in whole if run.points]
            self._changes = store.state_changes(self._number)
            self._suggestions = {each.method: each for each in intervals.suggest(store, self._number, history=whole)}
            self._drifts = life.drifts(self._history)
        except StoreError as problem:
            self.context.message.emit("problem", str(problem))
            return
        self.views.setCurrentWidget(self.main if self._history else self.empty)
        if not self._history:
            self.heading_changed.emit()
            return
        chosen = self.which.currentData()
        self.which.blockSignals(True)
        self.which.clear()
        points = self._points()
        if len(points) > 1:
            self.which.addItem("all checkpoints", None)
        for index, point in enumerate(points):
            self.which.addItem(self._name(point, both=len({way for _, way in points}) > 1), index)
        self.which.setCurrentIndex(max(0, self.which.findData(chosen)))
        self.which.blockSignals(False)
        self._draw()
        self._show_drift()
        self._show_suggestions()
        self.happened.show_facts(
            [(c.at[:10], f"{STATE_MOMENTS.get(c.new, c.new.value)}, {c.who}: {c.why}") for c in reversed(self._changes)]
        )
        self.happened_head.setVisible(bool(self._changes))
        self.heading_changed.emit()

    def ask_report(self) -> None:
        """Ask where to, and save what the records hold of this tool as PDF."""
        path = ask_save(self, "Save the report", f"{self._number}-life.pdf", "PDF (*.pdf)")
        if path is not None:
            self.save_report(path)

    def save_report(self, path: Path) -> bool:
        """Write the report on the paper of the country; False after a problem was told."""
        from benchapp.ui.paper.overviews import tool_life_pdf  # not before it is asked for
        from benchapp.ui.paper.sheet import PaperError, usual_paper, write_file

        store = self.context.store
        if store is None:
            return False
        try:
            write_file(path, tool_life_pdf(store, self._number, usual_paper()))
        except (PaperError, StoreError) as problem:
            self.context.message.emit("problem", str(problem))
            return False
        self.context.message.emit("note", f"The report is in {path}.")
        return True

    def _points(self) -> list[Point]:
        """Checkpoints of all full runs, lowest first; of spot checks where there is no full run."""
        full = [run for run in self._history if run.stage is not life.Stage.SPOT] or self._history
        found: list[Point] = []
        for run in full:
            for point in run.points:
                key = (point.target_nm, point.direction)
                if not any(way is key[1] and math.isclose(nm, key[0], rel_tol=1e-3) for nm, way in found):
                    found.append(key)
        return sorted(found, key=lambda each: (each[1].value, each[0]))

    def _name(self, point: Point, *, both: bool = False) -> str:
        torque = torque_text(point[0], self.context.unit)
        return f"{torque}, {point[1].value}" if both else torque

    # ---------------------------------------------------------------------------------------------------------- drawing

    def _draw(self, *_: object) -> None:
        points = self._points()
        chosen = self.which.currentData()
        shown = points if chosen is None else [points[chosen]]
        marks: list[Mark] = []
        trails: list[Trail] = []
        limits: list[tuple[float, float, float]] = []
        whens = [moment_of(run.finished) for run in self._history]
        step = max((max(whens) - min(whens)) / 150, 2 * DAY_S)
        for index, key in enumerate(shown):
            aside = (index - (len(shown) - 1) / 2) * step
            path: list[tuple[float, float]] = []
            for run in self._history:
                point = next((p for p in run.points if _is_at(p, key)), None)
                if point is None:
                    continue
                when = moment_of(run.finished) + aside
                marks.append(self._mark(run, point, when, SHAPES[index % len(SHAPES)], one=len(shown) == 1))
                limits.append((moment_of(run.finished), -point.limit_percent, point.limit_percent))
                if run.stage is not life.Stage.SPOT:
                    path.append((when, point.mean_percent))
            if len(shown) == 1 and len(path) > 1:
                trails.append(Trail(tuple(path)))
        moments = tuple(Moment(moment_of(c.at), STATE_MOMENTS.get(c.new, c.new.value)) for c in self._changes)
        band: tuple[tuple[float, float, float], ...] = ()
        drift = self._drift_of(shown[0]) if len(shown) == 1 else None
        if drift is not None and drift.band:
            start = self._last_full()
            band = tuple((start + t * MONTH_S, low, high) for t, low, high in drift.band)
            end = drift.band[-1]
            trails.append(
                Trail(((start, drift.value_percent), (band[-1][0], (end[1] + end[2]) / 2)), dashed=True, accent=True)
            )
            moments = (*moments, *self._leaving(drift, start))
        names = [("disc", True, "as found")]
        if any(not mark.filled and mark.shape != "cross" for mark in marks):
            names.append(("disc", False, "as left, or out of service"))
        if any(mark.shape == "cross" for mark in marks):
            names.append(("cross", True, f"spot check (newest {MOST_SPOTS})"))
        if len(shown) > 1:
            names = [*((SHAPES[i % len(SHAPES)], True, self._name(key)) for i, key in enumerate(shown)), *names]
        said = ["Bars: expanded uncertainty."] if any(mark.reach is not None for mark in marks) else []
        said += ["A ring: mean outside the limits."] if any(mark.ringed for mark in marks) else []
        self.legend.setText(" ".join([*said, "Click a mark to open its run."]))
        steps = _limit_steps(limits)
        self.chart.show_drawn(
            Drawn(tuple(marks), tuple(trails), steps=steps, reach=band, moments=moments, names=tuple(names))
        )

    def _mark(self, run: life.RunResult, point: life.PointResult, when: float, shape: str, *, one: bool) -> Mark:
        u = "" if point.expanded_percent is None else f" ± {short(float(f'{point.expanded_percent:.2g}'))} %"
        where = self._name((point.target_nm, point.direction))
        return Mark(
            when,
            point.mean_percent,
            "cross" if run.stage is life.Stage.SPOT else shape,
            filled=run.stage is life.Stage.AS_FOUND,
            reach=point.expanded_percent if one else None,
            ringed=abs(point.mean_percent) > point.limit_percent,
            tip=f"{wall_text(run.finished)}, {STAGE_WORDS[run.stage]}\n{where}: {percent(point.mean_percent, 2)}{u}, "
            f"limit ±{short(point.limit_percent)} %, {plural(point.n, 'reading')}",
            key=run.run_id,
        )

    def _leaving(self, drift: life.DriftAt, start: float) -> tuple[Moment, ...]:
        if drift.leaves_months is None:
            return ()
        when = start + drift.leaves_months * MONTH_S
        return (Moment(when, "leaves its limits"),)

    def _drift_of(self, key: Point) -> life.DriftAt | None:
        return next((drift for drift in self._drifts if _is_at(drift, key)), None)

    def _last_full(self) -> float:
        return moment_of([run for run in self._history if run.stage is not life.Stage.SPOT][-1].finished)

    # ------------------------------------------------------------------------------------------------------------ words

    def _show_drift(self) -> None:
        if not self._drifts:
            self.drift_says.setText(
                "No drift can be fitted yet: two intervals between full runs are needed, in which it was not adjusted."
            )
            self.drift_facts.show_facts([])
            return
        start = last_day(self._history)
        first = min(self._drifts, key=lambda d: math.inf if d.earliest_months is None else d.earliest_months)
        n = plural(first.n, "interval")
        self.drift_says.setText(
            f"From {n} without adjustment, from {start.isoformat()} on. In brackets the "
            f"{first.probability * 100:.0f} % interval of the date at which it leaves its limits."
        )
        both = len({drift.direction for drift in self._drifts}) > 1
        facts = []
        for drift in self._drifts:
            name = self._name((drift.target_nm, drift.direction), both=both)
            slope = f"{percent(drift.percent_per_month * 12, 2)} a year"
            facts.append((name, glued(f"{slope}, {leaving_text(drift, start)}")))
        self.drift_facts.show_facts(facts)

    def _show_suggestions(self) -> None:
        store = self.context.store
        some = bool(self._suggestions)
        for widget in (self.method, self.months, self.reason, self.source, self.form, self.take, self.leave):
            widget.setVisible(some)
        record = store.tool(self._number) if store is not None else None
        if record is None or store is None:
            return
        now = record.interval_months if record.interval_months is not None else DEFAULT_INTERVAL_MONTHS
        said = f"It is verified every {plural(now, 'month')} now."
        self.now.setText(
            said if some else f"{said} A suggestion comes with the first full run that finds it in service."
        )
        for key, button in self.method._buttons.items():
            button.setVisible(key in self._suggestions)
        if some and self.method.value() not in self._suggestions:
            self.method.put(next(iter(self._suggestions)))
        if some:
            self._show_method()
        decisions = intervals.decisions(store, self._number)
        self.decided.setText(_decision(decisions[-1]) if decisions else "")
        self.decided.setVisible(bool(decisions))

    def _show_method(self) -> None:
        chosen = self._suggestions.get(self.method.value())
        if chosen is None:
            return
        some = chosen.months is not None
        self.months.setText(plural(chosen.months, "month") if chosen.months is not None else "no suggestion")
        for widget in (self.form, self.take, self.leave):
            widget.setVisible(some)
        if chosen.months is not None:
            same = chosen.months == chosen.now_months
            self.take.setText(f"Stay at {plural(chosen.months, 'month')}" if same else f"Take {self.months.text()}")
            self.leave.setText("Do not follow it" if same else f"Stay at {plural(chosen.now_months, 'month')}")
        self.reason.setText(chosen.reason)
        self.source.setText(METHOD_SOURCES[chosen.method])
        self.problem.setText("")

    def _decide(self, *, accepted: bool) -> None:
        chosen = self._suggestions.get(self.method.value())
        entered = self.form.values()
        if chosen is None or entered is None:
            return
        why = entered["why"]

        def do(who: str) -> None:
            store = self.context.store
            if store is None:
                return
            try:
                intervals.decide_interval(store, chosen, accepted=accepted, who=who, why=why)
            except StoreError as problem:
                self.problem.setText(str(problem))
                return
            self.why.put("")
            self.context.store_changed.emit("tools")
            months = chosen.months or 0
            done = f"is verified every {plural(months, 'month')}" if accepted else "keeps its interval"
            self.context.message.emit("note", f"{chosen.tool} {done} from now on.")

        self.context.as_custodian(f"to decide on the interval of {chosen.tool}", do)

    def showEvent(self, event: object) -> None:
        """Put the keyboard on the choice of checkpoint."""
        super().showEvent(event)  # type: ignore[arg-type]
        self.which.setFocus(Qt.FocusReason.OtherFocusReason)


def _limit_steps(limits: list[tuple[float, float, float]]) -> tuple[tuple[float, float, float], ...]:
    found: list[tuple[float, float, float]] = []
    for each in sorted(limits):
        if not found or found[-1][1:] != each[1:]:
            found.append(each)
    if found:
        found[0] = (0.0, *found[0][1:])
    return tuple(found)


def _decision(decided: intervals.Decision) -> str:
    what = f"{plural(decided.months, 'month')} {METHOD_WORDS[decided.method]}"
    taken = "taken" if decided.accepted else "not taken"
    return f"Last decision, {wall_text(decided.at)[:10]}: {what} {taken} by {decided.who}: {decided.why}"


def _is_at(point: life.PointResult | life.DriftAt, key: Point) -> bool:
    return point.direction is key[1] and math.isclose(point.target_nm, key[0], rel_tol=1e-3)
