"""What is shown of a tool or reference that was found out: its error on the left, what is in doubt on the right."""

from __future__ import annotations

import datetime as dt
from collections.abc import Set as AbstractSet
from typing import Final

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QWidget

from benchapp.records import impact as found_out
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Panel, in_row, label, main_button, plain_button
from benchapp.ui.fields import DateField
from benchapp.ui.format import grouped, natural_key, percent, plural, short, significant, torque_text, wall_text
from benchapp.ui.listing import Column, Listing, ListPanel
from benchapp.ui.page import EmptyNote, Facts

ALL, CHANGED, BY_TOOL = "all", "changed", "tools"
VERDICT_WORDS: Final = {"in-service": "within limits", "out": "out of limits", "doubtful": "doubtful", "": "not judged"}


class _ImpactPanels(QWidget):
    """What both have: a sentence and facts at the head of the left panel, at its foot onto the list, see, back."""

    list_wanted = Signal()
    left = Signal()

    def __init__(self, context: AppContext, see: str) -> None:
        super().__init__()
        self.context = context
        self.row = QHBoxLayout(self)
        self.row.setContentsMargins(0, 0, 0, 0)
        self.row.setSpacing(12)
        self.found = Panel(margin=18)
        self.says = label("", wrap=True)
        self.facts = Facts()
        self.found.body.addWidget(self.says)
        self.found.body.addWidget(self.facts)
        self.put = main_button("")
        self.see = plain_button(see)
        back = plain_button("Back")
        self.foot = in_row(self.put, self.see, back)
        self.put.clicked.connect(self.list_wanted)
        self.see.clicked.connect(self._see)
        back.clicked.connect(self.left)

    def _see(self) -> None:
        raise NotImplementedError

    def _offer(self, subjects: AbstractSet[str], listed: AbstractSet[str], noun: str) -> None:
        new = len(subjects - listed)
        self.put.setText(f"Put {plural(new, noun)} on the work list" if new else "Go to the work list")
        self.put.setEnabled(bool(subjects))


class ToolImpactPanels(_ImpactPanels):
    """A tool that a run found out: its error at each checkpoint, and the jobs done with it since it was good."""

    def __init__(self, context: AppContext) -> None:
        super().__init__(context, "Open the run")
        self._run_id = ""
        self._build_errors()
        self._build_jobs()

    def _build_errors(self) -> None:
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
        body = self.found.body
        body.addSpacing(4)
        body.addWidget(label("What it did when it was found out", "section"))
        body.addWidget(self.errors, 1)
        body.addLayout(self.foot)
        self.row.addWidget(self.found, 10)

    def _build_jobs(self) -> None:
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
        self.row.addWidget(right, 12)

    def _torque(self, torque_nm: float) -> str:
        return torque_text(torque_nm, self.context.unit)

    def _see(self) -> None:
        self.context.page_wanted.emit("logbook", self._run_id)

    def show_impact(self, known: found_out.ToolImpact, listed: AbstractSet[str]) -> None:
        """Show what is in doubt; `listed` are the subjects that the work list has already."""
        self._run_id = known.run_id
        self.errors.show_rows(known.errors)
        self.jobs.show_rows(known.jobs)
        near = sum(job.near_out for job in known.jobs)
        self.says.setText(_direction(known.errors))
        last = f"{wall_text(known.since)}, full run within limits" if known.last_good_run else ""
        self.facts.show_facts(
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
        self._offer({f"job:{each.job.key}" for each in known.jobs}, listed, "job")


class ReferenceImpactPanels(_ImpactPanels):
    """A reference that a calibration found out: since when it is suspect, and each run with it judged again."""

    since_wanted = Signal(object)  # dt.date, or None: as long as can be told
    stop_wanted = Signal()

    def __init__(self, context: AppContext) -> None:
        super().__init__(context, "Open the reference")
        self._known: found_out.ReferenceImpact | None = None
        self._last_good = ""
        self._build_since()
        self._build_runs()

    def _build_since(self) -> None:
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
        self.stop_tools = plain_button("")
        body = self.found.body
        body.addSpacing(6)
        body.addLayout(in_row(self.since.caption, self.since, self.use_since))
        body.addWidget(self.since.note)
        body.addLayout(in_row(self.use_check))
        body.addSpacing(6)
        body.addWidget(label(how, "soft", wrap=True))
        body.addStretch(1)
        body.addLayout(in_row(self.stop_tools))
        body.addLayout(self.foot)
        self.row.addWidget(self.found, 9)
        self.stop_tools.clicked.connect(self.stop_wanted)
        self.use_since.clicked.connect(self._from_that_day)
        self.use_check.clicked.connect(self._from_last_check)
        self.since.edit.returnPressed.connect(self._from_that_day)

    def _build_runs(self) -> None:
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
        self.runs, self.of_tools = _run_list(), _tool_list()
        self.no_runs = EmptyNote(
            "No run is in doubt", "No tool was verified with it in that time by the calibration before."
        )
        right.hold(self.runs)
        right.body.addWidget(self.of_tools, 1)
        right.body.addWidget(self.no_runs, 1)
        self.none_changes = right.nothing
        self.row.addWidget(right, 12)
        self.of_tools.opened.connect(lambda tool: self._show_tools_runs(tool.tool))
        self.runs.opened.connect(lambda run: self.context.page_wanted.emit("logbook", run.run_id))

    def _see(self) -> None:
        if self._known is not None:
            self.context.page_wanted.emit("references", f"{self._known.reference}:years")

    def show_impact(
        self, known: found_out.ReferenceImpact, listed: AbstractSet[str], to_stop: tuple[str, ...], last_good: str
    ) -> None:
        """Show what is in doubt.

        Args:
            known: What came of judging again.
            listed: Subjects that the work list has already.
            to_stop: Tools in service by a verdict that changes.
            last_good: Day of the last good daily check before that calibration, ISO 8601; "" none.
        """
        self._known, self._last_good = known, last_good
        changed = [run for run in known.runs if run.changes]
        n, tools = len(known.runs), len(known.tools)
        shifts = [end for run in known.runs for end in run.shift_percent]
        ends = f"{percent(min(shifts), 2)} to {percent(max(shifts), 2)}" if shifts else ""
        said = f"Its error moved: readings change by {ends}. " if shifts else ""
        many = f"{len({run.tool for run in changed})} of {plural(tools, 'tool')} would be judged otherwise."
        self.says.setText(said + (many if n else ""))
        self.facts.show_facts(
            [
                ("found out by", f"calibration {known.certificate}"),
                ("suspect since", known.since.isoformat() if known.since else "ever: it has no good check before"),
                ("runs in that time", grouped(n)),
                ("tools", ", ".join(known.tools[:12]) + (" …" if tools > 12 else "")),
            ]
        )
        self.since.put(known.since)
        self.since.accept()
        self.use_check.setText(f"From the last good daily check, {last_good}")
        self.use_check.setVisible(bool(last_good))
        self.no_runs.setVisible(n == 0)
        self._show_runs()
        self.stop_tools.setText(f"Take {', '.join(to_stop[:4])}{' …' if len(to_stop) > 4 else ''} out of service")
        self.stop_tools.setToolTip("In service by a verdict that changes")
        self.stop_tools.setVisible(bool(to_stop))
        self._offer({run.run_id for run in known.runs}, listed, "run")

    def _show_runs(self, tool: str = "") -> None:
        """Show the runs as they are asked for; with `tool` all of that tool's."""
        known = self._known
        if known is None:
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

    def _from_last_check(self) -> None:
        self.since_wanted.emit(dt.date.fromisoformat(self._last_good))

    def _from_that_day(self) -> None:
        if self.since.check():
            self.since_wanted.emit(self.since.value())


def _run_list() -> Listing:
    return Listing(
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


def _tool_list() -> Listing:
    return Listing(
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
