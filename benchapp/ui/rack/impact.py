"""What an error found now puts in doubt: the jobs done with a tool, the verifications made with a reference."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Final

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QPushButton, QStackedWidget, QVBoxLayout, QWidget

from benchapp.records import impact as found_out
from benchapp.records.errors import StoreError
from benchapp.records.model import ToolState
from benchapp.torque.units import from_nm
from benchapp.ui.calloff import CalledOff
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Panel, in_row, label, main_button, plain_button
from benchapp.ui.errand import Errand
from benchapp.ui.fields import DateField
from benchapp.ui.format import grouped, percent, plural, short, significant, wall_text
from benchapp.ui.listing import Column, Listing, ListPanel
from benchapp.ui.page import EmptyNote, Facts, beside
from benchapp.ui.rack.model import natural_key

ALL, CHANGED, BY_TOOL = "all", "changed", "tools"
VERDICT_WORDS: Final = {"in-service": "within limits", "out": "out of limits", "doubtful": "doubtful", "": "not judged"}


class ImpactView(QWidget):
    """Opened from a run or a reference; `left` goes back to where the Rack was."""

    heading_changed = Signal()
    left = Signal()
    _looked_at = Signal(int, int)  # from the thread that judges again

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self._key = ""
        self._impact: found_out.ToolImpact | found_out.ReferenceImpact | None = None
        self._since: dt.date | None = None
        self._to_stop: tuple[str, ...] = ()
        self.errand = Errand(self)
        self.views = QStackedWidget()
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(self.views)
        self.refused = EmptyNote("", "", "Back")
        self.working = EmptyNote("Judging again …", "", "Back")
        self._looked_at.connect(self._say_how_far)
        self.working.wanted.connect(self.left)
        self._build_tool()
        self._build_reference()
        for view in (self.refused, self.working, self.of_tool, self.of_reference):
            self.views.addWidget(view)
        self.refused.wanted.connect(self.left)

    def _buttons(self, panel: Panel) -> tuple[QPushButton, QPushButton]:
        """Put the buttons at the foot of a panel: onto the list, see what it came from, back."""
        listed = main_button("")
        see = plain_button("Open the run")
        back = plain_button("Back")
        panel.body.addLayout(in_row(listed, see, back))
        listed.clicked.connect(self.put_on_list)
        back.clicked.connect(self.left)
        return listed, see

    def _build_tool(self) -> None:
        self.of_tool, row = beside()
        panel = Panel(margin=18)
        self.tool_says = label("", wrap=True)
        self.tool_facts = Facts()
        self.errors = Listing(
            [
                Column(
                    "Checkpoint",
                    lambda e: self._torque(e.target_nm),
                    second=lambda e: e.direction.value,
                    width=1.2,
                    mark=_error_mark,
                    strong=True,
                ),
                Column("Joints got", _error_words, second=_error_spread, width=1.9),
                Column("Farthest", lambda e: percent(e.worst_error_percent), width=0.8, right=True),
                Column("Limit", lambda e: f"±{short(e.limit_percent)} %", width=0.7, right=True),
            ],
            sortable=False,
            name="error at each checkpoint",
        )
        panel.body.addWidget(self.tool_says)
        panel.body.addWidget(self.tool_facts)
        panel.body.addSpacing(4)
        panel.body.addWidget(label("What it did when it was found out", "section"))
        panel.body.addWidget(self.errors, 1)
        self.list_jobs, self.see_run = self._buttons(panel)
        self.see_run.clicked.connect(lambda: self.context.page_wanted.emit("logbook", self._key.removeprefix("run:")))
        row.addWidget(panel, 10)
        right = Panel(margin=0)
        self.jobs_head = label("", "heading", wrap=True)
        self.jobs_head.setContentsMargins(12, 4, 12, 4)
        self.jobs = Listing(
            [
                Column("When", lambda s: wall_text(s.job.at), width=1.35, sort=lambda s: s.job.at),
                Column(
                    "Job",
                    lambda s: s.job.job,
                    second=lambda s: s.job.person,
                    width=1.8,
                    mark=lambda s: "full" if s.near_out else "ring",
                    sort=lambda s: s.job.job,
                ),
                Column(
                    "Torque",
                    lambda s: "unknown" if s.job.torque_nm is None else self._torque(s.job.torque_nm),
                    width=0.8,
                    right=True,
                    sort=lambda s: s.job.torque_nm or 0.0,
                ),
                Column("Joints got", _job_error, width=1.2, right=True, sort=lambda s: max(s.error_percent, key=abs)),
            ],
            name="jobs done with it in that time",
        )
        self.no_jobs = EmptyNote(
            "No job is known",
            "No use of this tool is logged in that time. That does not mean that there was none: ask who had it. Uses "
            "are logged, or imported from a list, under Jobs.",
            "Go to the jobs",
        )
        self.no_jobs.wanted.connect(lambda: self.context.page_wanted.emit("rack", "view:jobs"))
        right.body.setSpacing(0)
        right.body.addWidget(self.jobs_head)
        right.body.addWidget(self.jobs, 1)
        right.body.addWidget(self.no_jobs, 1)
        row.addWidget(right, 12)

    def _build_reference(self) -> None:
        self.of_reference, row = beside()
        panel = Panel(margin=18)
        self.reference_says = label("", wrap=True)
        self.reference_facts = Facts()
        self.since = DateField(
            "Suspect since", hint="The last day on which it was known to be right, e.g. by its check standard."
        )
        self.since.note.setWordWrap(True)
        self.use_since = plain_button("From that day")
        self.use_check = plain_button("")
        self.use_check.setToolTip("The last value of its check standard within limits, before that calibration")
        self.since.caption.setWordWrap(False)
        how = (
            "Each run was judged again with the corrected calibration, as if the error had been there all the time: "
            "nothing tells when it came. Tools whose verdict changes come first: take them out of service until they "
            "are verified again."
        )
        panel.body.addWidget(self.reference_says)
        panel.body.addWidget(self.reference_facts)
        panel.body.addSpacing(6)
        panel.body.addLayout(in_row(self.since.caption, self.since, self.use_since))
        panel.body.addWidget(self.since.note)
        panel.body.addLayout(in_row(self.use_check))
        panel.body.addSpacing(6)
        panel.body.addWidget(label(how, "soft", wrap=True))
        panel.body.addStretch(1)
        self.stop_tools = plain_button("")
        panel.body.addLayout(in_row(self.stop_tools))
        self.stop_tools.clicked.connect(self._stop_tools)
        self.list_runs, self.see_reference = self._buttons(panel)
        self.see_reference.setText("Open the reference")
        self.see_reference.clicked.connect(self._see_reference)
        self.use_since.clicked.connect(self._from_that_day)
        self.use_check.clicked.connect(self._from_last_check)
        self.since.edit.returnPressed.connect(self._from_that_day)
        row.addWidget(panel, 9)
        right = ListPanel()
        self.which = ChoiceField(
            "Show",
            [(ALL, "Every run"), (CHANGED, "What changes"), (BY_TOOL, "By tool")],
            on_change=lambda _key: self._show_runs(),
        )
        self.counted = label("", "soft")
        right.head.addWidget(self.which)
        right.head.addStretch(1)
        right.head.addWidget(self.counted)
        self.runs = Listing(
            [
                Column(
                    "Tool",
                    lambda r: r.tool,
                    second=lambda r: wall_text(r.finished),
                    width=1.35,
                    strong=True,
                    mark=lambda r: "full" if r.changes else "ring",
                    sort=lambda r: (natural_key(r.tool), r.finished),
                ),
                Column("Judged then", lambda r: VERDICT_WORDS.get(r.before, r.before), width=1.0),
                Column(
                    "Judged again",
                    lambda r: "cannot be judged again" if r.why_not else VERDICT_WORDS.get(r.after, r.after),
                    second=lambda r: r.why_not,
                    width=1.4,
                ),
                _shift_column(),
            ],
            name="verifications judged again, changed verdicts first",
        )
        self.of_tools = Listing(
            [
                Column(
                    "Tool",
                    lambda t: t.tool,
                    width=1.2,
                    strong=True,
                    mark=lambda t: "full" if t.n_changed else "ring",
                    sort=lambda t: natural_key(t.tool),
                ),
                Column(
                    "Runs",
                    lambda t: plural(t.n_runs, "run"),
                    second=lambda t: f"{t.n_changed or 'none'} judged otherwise",
                    width=1.2,
                    sort=lambda t: t.n_changed,
                ),
                Column(
                    "Newest",
                    lambda t: _then_and_now(t.newest),
                    second=lambda t: wall_text(t.newest.finished),
                    width=1.6,
                    sort=lambda t: t.newest.finished,
                ),
                _shift_column(),
            ],
            name="tools whose verifications were judged again, most changed verdicts first",
        )
        self.no_runs = EmptyNote(
            "No run is in doubt", "No tool was verified with it in that time by the calibration before."
        )
        right.hold(self.runs)
        right.body.addWidget(self.of_tools, 1)
        right.body.addWidget(self.no_runs, 1)
        self.none_changes = right.nothing
        row.addWidget(right, 12)
        self.of_tools.opened.connect(lambda tool: self._show_tools_runs(tool.tool))
        self.runs.opened.connect(lambda run: self.context.page_wanted.emit("logbook", run.run_id))

    def _torque(self, torque_nm: float) -> str:
        return f"{short(float(f'{from_nm(torque_nm, self.context.unit):.4g}'))} {self.context.unit}"

    # ---------------------------------------------------------------------------------------------------------- showing

    def heading(self) -> tuple[str, str]:
        """Return what stands above the view."""
        known = self._impact
        if isinstance(known, found_out.ToolImpact):
            return f"{known.tool} was found out", f"what was done with it since {wall_text(known.since)[:10] or 'ever'}"
        if isinstance(known, found_out.ReferenceImpact):
            return f"{known.reference} was found out", f"by calibration {known.certificate}"
        return "In doubt", ""

    def open(self, key: str) -> None:
        """Show what is in doubt: ``run:RUN``, ``reference:NUMBER`` or ``reference:NUMBER:CERTIFICATE``."""
        if key != self._key:
            self._since = self._impact = None
        self._key = key
        self.refresh()

    def stop(self) -> None:
        """Want nothing more of what is being judged."""
        self.errand.call_off()

    def refresh(self) -> None:
        """Work it out again: what a tool puts in doubt at once, runs of a reference beside the window."""
        store = self.context.store
        if store is None or not self._key:
            return
        self.errand.call_off()
        kind, _, name = self._key.partition(":")
        if kind == "run":
            try:
                self._impact = found_out.tool_impact(store, name)
                self._show_tool(self._impact)
            except StoreError as problem:
                self._refuse(problem)
            self.heading_changed.emit()
            return
        number, _, certificate = name.partition(":")
        since = self._since

        def judge_again(is_called_off: Callable[[], bool]) -> tuple[found_out.ReferenceImpact, tuple[str, ...]]:
            def look(done: int, of_all: int) -> None:
                if is_called_off():
                    raise CalledOff
                self._looked_at.emit(done, of_all)

            known = found_out.reference_impact(store, number, certificate=certificate, since=since, progress=look)
            return known, found_out.still_in_service(store, known)

        if self._impact is None:  # else what is known stays in sight until it is known anew
            self.working.sentence.setText("")
            self.views.setCurrentWidget(self.working)
            self.heading_changed.emit()
        self.errand.run(judge_again, self._judged_again)

    def _say_how_far(self, done: int, of_all: int) -> None:
        self.working.sentence.setText(f"Run {grouped(done + 1)} of {grouped(of_all)} by the corrected calibration.")

    def _judged_again(
        self, result: tuple[found_out.ReferenceImpact, tuple[str, ...]] | None, problem: Exception | None
    ) -> None:
        if result is not None:
            self._impact, self._to_stop = result
            self._show_reference(self._impact)
        elif isinstance(problem, StoreError):
            self._refuse(problem)
        elif problem is not None:
            raise problem
        self.heading_changed.emit()

    def _refuse(self, problem: StoreError) -> None:
        self._impact = None
        self.refused.tell("Nothing is in doubt from here", str(problem))
        self.views.setCurrentWidget(self.refused)

    def _listed(self) -> set[str]:
        store = self.context.store
        cause = self._cause()
        return {task.subject for task in found_out.tasks(store, cause=cause)} if store is not None and cause else set()

    def _cause(self) -> str:
        known = self._impact
        if isinstance(known, found_out.ToolImpact):
            return known.run_id
        return f"reference:{known.reference}:{known.certificate}" if known is not None else ""

    def _show_tool(self, known: found_out.ToolImpact) -> None:
        self.views.setCurrentWidget(self.of_tool)
        self.errors.show_rows(known.errors)
        self.jobs.show_rows(known.jobs)
        near = sum(job.near_out for job in known.jobs)
        self.tool_says.setText(_direction(known.errors))
        last = f"{wall_text(known.since)}, full run within limits" if known.last_good_run else ""
        self.tool_facts.show_facts(
            [
                ("found out", wall_text(known.until)),
                ("last known good", last or (f"{known.since} (first used)" if known.since else "never")),
                ("suspect for", _days(known.since, known.until)),
            ]
        )
        n = len(known.jobs)
        at_all = f", {near or 'none'} near a checkpoint that is out" if n else ""
        self.jobs_head.setText(f"{plural(n, 'job')} in that time{at_all}")
        self.jobs_head.setVisible(n > 0)
        self.jobs.setVisible(n > 0)
        self.no_jobs.setVisible(n == 0)
        self._offer(self.list_jobs, {f"job:{each.job.key}" for each in known.jobs}, "job")

    def _show_reference(self, known: found_out.ReferenceImpact) -> None:
        self.views.setCurrentWidget(self.of_reference)
        self.runs.show_rows(known.runs)
        changed = [run for run in known.runs if run.changes]
        n, tools = len(known.runs), len(known.tools)
        shifts = [end for run in known.runs for end in run.shift_percent]
        ends = f"{percent(min(shifts), 2)} to {percent(max(shifts), 2)}" if shifts else ""
        said = f"Its error moved: readings change by {ends}. " if shifts else ""
        many = f"{len({run.tool for run in changed})} of {plural(tools, 'tool')} would be judged otherwise."
        self.reference_says.setText(said + (many if n else ""))
        self.reference_facts.show_facts(
            [
                ("found out by", f"calibration {known.certificate}"),
                ("suspect since", known.since.isoformat() if known.since else "ever: it has no good check before"),
                ("runs in that time", grouped(n)),
                ("tools", ", ".join(known.tools[:12]) + (" …" if tools > 12 else "")),
            ]
        )
        self.since.put(known.since)
        self.since.accept()
        good = self._last_good_check(known)
        self.use_check.setText(f"From the last good daily check, {good}")
        self.use_check.setVisible(bool(good))
        self.no_runs.setVisible(n == 0)
        self._show_runs()
        n_stop = len(self._to_stop)
        self.stop_tools.setText(f"Take {', '.join(self._to_stop[:4])}{' …' if n_stop > 4 else ''} out of service")
        self.stop_tools.setToolTip("In service by a verdict that changes")
        self.stop_tools.setVisible(n_stop > 0)
        self._offer(self.list_runs, {run.run_id for run in known.runs}, "run")

    def _show_runs(self, tool: str = "") -> None:
        """Show the runs as they are asked for; with `tool` all of that tool's."""
        known = self._impact
        if not isinstance(known, found_out.ReferenceImpact):
            return
        which = self.which.value()
        by_tool = which == BY_TOOL and not tool
        runs = [run for run in known.runs if (run.changes or which != CHANGED) and tool in ("", run.tool)]
        self.runs.show_rows(runs)
        tools = found_out.by_tool(known.runs) if by_tool else []
        self.of_tools.show_rows(tools)
        self.runs.setVisible(bool(runs) and not by_tool)
        self.of_tools.setVisible(bool(tools))
        self.which.setVisible(bool(known.runs))
        self.none_changes.setText("" if runs or not known.runs else "By the corrected calibration no verdict changes.")
        self.none_changes.setVisible(bool(self.none_changes.text()))
        n_changed = sum(run.changes for run in runs)
        of_tools = tool or plural(len({run.tool for run in runs}), "tool")
        self.counted.setText(f"{plural(len(runs), 'run')}, {of_tools}; {n_changed} judged otherwise" if runs else "")

    def _show_tools_runs(self, tool: str) -> None:
        self.which.choose(ALL)
        self._show_runs(tool)

    def _offer(self, button: QPushButton, subjects: set[str], noun: str) -> None:
        new = len(subjects - self._listed())
        button.setText(f"Put {plural(new, noun)} on the work list" if new else "Go to the work list")
        button.setEnabled(bool(subjects))

    # ----------------------------------------------------------------------------------------------------------- acting

    def put_on_list(self) -> None:
        """Put everything on the work list that is not there yet, and go there."""
        store, known = self.context.store, self._impact
        if store is None or known is None:
            return
        try:
            found_out.open_tasks(store, known, who=self.context.operator or "somebody at the bench")
        except StoreError as problem:
            self.context.message.emit("problem", str(problem))
            return
        self.context.store_changed.emit("tasks")
        self.context.page_wanted.emit("rack", f"view:work:{self._cause()}")

    def _stop_tools(self) -> None:
        store, known = self.context.store, self._impact
        if store is None or not isinstance(known, found_out.ReferenceImpact):
            return
        why = f"its verdict changes with calibration {known.certificate} of {known.reference}"
        who = self.context.operator or "somebody at the bench"
        try:
            for number in self._to_stop:
                store.change_state(number, ToolState.QUARANTINED, who=who, why=why)
        except StoreError as problem:
            self.context.message.emit("problem", str(problem))
        self.context.store_changed.emit("tools")

    def _last_good_check(self, known: found_out.ReferenceImpact) -> str:
        """Return the day of the last value of its check standard within limits before that calibration; "" none."""
        store = self.context.store
        reference = store.reference(known.reference) if store is not None else None
        standing = store.check_standing(known.reference) if store is not None else None
        if reference is None or standing is None:
            return ""
        calibrated = next(c.calibrated for c in reference.calibrations if c.certificate == known.certificate)
        days = [
            point.value.at[:10]
            for point in standing.points
            if point.limits is not None and not (point.is_out or point.average_is_out)
        ]
        return max((day for day in days if day <= calibrated.isoformat()), default="")

    def _from_last_check(self) -> None:
        if isinstance(self._impact, found_out.ReferenceImpact):
            self._begin_at(dt.date.fromisoformat(self._last_good_check(self._impact)))

    def _from_that_day(self) -> None:
        if self.since.check():
            self._begin_at(self.since.value())

    def _begin_at(self, day: dt.date | None) -> None:
        self._since, self._impact = day, None
        self.refresh()

    def _see_reference(self) -> None:
        if isinstance(self._impact, found_out.ReferenceImpact):
            self.context.page_wanted.emit("references", f"{self._impact.reference}:years")


def _error_mark(error: found_out.CheckpointError) -> str:
    if not error.is_out:
        return "ring"
    return "up" if error.worst_error_percent > 0 else "down"


def _error_words(error: found_out.CheckpointError) -> str:
    size = percent(abs(error.mean_error_percent)).lstrip("+")
    if abs(error.mean_error_percent) < 0.05:
        return "what was meant"
    return f"{size} too {'much' if error.mean_error_percent > 0 else 'little'}"


def _error_spread(error: found_out.CheckpointError) -> str:
    u = error.expanded_percent
    return "" if u is None else f"mean {percent(error.mean_error_percent)} ± {significant(u, 2)} %"


def _job_error(suspect: found_out.SuspectJob) -> str:
    low, high = suspect.error_percent
    return percent(low) if percent(low) == percent(high) else f"{percent(low)} to {percent(high)}"


def _then_and_now(run: found_out.Rejudged) -> str:
    if run.why_not:
        return "cannot be judged again"
    before, after = (VERDICT_WORDS.get(word, word) for word in (run.before, run.after))
    return f"was {before}, is {after}" if run.changes else f"stays {after}"


def _shift_column() -> Column:
    return Column(
        "Readings change by", _shift, width=1.3, right=True, sort=lambda each: max(each.shift_percent, key=abs)
    )


def _shift(run: found_out.Rejudged | found_out.ToolRejudged) -> str:
    low, high = run.shift_percent
    return percent(low, 2) if percent(low, 2) == percent(high, 2) else f"{percent(low, 2)} to {percent(high, 2)}"


def _direction(errors: tuple[found_out.CheckpointError, ...]) -> str:
    out = [error for error in errors if error.is_out]
    if not out:
        return "No single checkpoint stands out; the run as a whole was judged out of limits."
    worst = max(out, key=lambda error: abs(error.worst_error_percent))
    ways = {error.worst_error_percent > 0 for error in out}
    way = "more torque than was meant" if ways == {True} else "less torque than was meant"
    if len(ways) > 1:
        way = "more torque at some checkpoints and less at others"
    return f"Joints may have got {way}: up to {percent(worst.worst_error_percent)}. Nothing tells when it began."


def _days(since: str, until: str) -> str:
    if not since:
        return "unknown: every job logged with it is listed"
    try:
        days = (dt.date.fromisoformat(until[:10]) - dt.date.fromisoformat(since[:10])).days
    except ValueError:
        return ""
    return plural(days, "day")
