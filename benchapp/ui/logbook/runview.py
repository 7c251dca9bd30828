"""One run: its result, its pulls with their curves, the figures it was judged by, and its record."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from benchapp.records.model import Entry, RunSummary
from benchapp.records.store import Store
from benchapp.runs.model import CapturedPull, PullKind, Run
from benchapp.torque.trace import Trace
from benchapp.ui import words
from benchapp.ui.choices import ChoiceField
from benchapp.ui.controls import Choices, Panel, label, plain_button
from benchapp.ui.curves.drawing import Corridor
from benchapp.ui.curves.origin import Origin, origin_of_run
from benchapp.ui.curves.overlay import Curve, curve_of_trace
from benchapp.ui.curves.panel import CurvePanel
from benchapp.ui.format import moment_text, significant, wall_text
from benchapp.ui.listing import Column, Listing
from benchapp.ui.logbook.judged import JudgedPanel, figure_listing
from benchapp.ui.logbook.model import (
    COUNTS_FOR_NOTHING,
    CheckpointLine,
    advice,
    checkpoint_lines,
    convention_sentence,
    entry_text,
    figure_lines,
    headline,
    pull_lines,
    run_facts,
)
from benchapp.ui.logbook.picture import VerdictPicture
from benchapp.ui.page import Facts, scrolled
from benchapp.ui.verdict import budget_sentence, figure_with
from drivers.samples import Source

SECTIONS = (
    ("result", "Result"),
    ("pulls", "Pulls"),
    ("curves", "Curves"),
    ("uncertainty", "Uncertainty"),
    ("figures", "Procedure"),
    ("record", "Record"),
)
PRELOADS, ALL = -1, -2


class RunView(QWidget):
    """Shows one run. `message` carries (kind, sentence)."""

    message = Signal(str, str)
    replay_wanted = Signal(object, str)  # (traces, name): to be replayed on the Bench, one after the other

    def __init__(self) -> None:
        super().__init__()
        self.run: Run | None = None
        self.summary: RunSummary | None = None
        self._store: Store | None = None
        self._unit = "N·m"
        self._traces: dict[int, Trace | None] = {}
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.setSpacing(10)
        self.sections = ChoiceField("Show", list(SECTIONS), on_change=self._show_section)
        outer.addWidget(self.sections)
        self.void = label("", "problem", wrap=True)
        outer.addWidget(self.void)
        self.stack = QStackedWidget()
        outer.addWidget(self.stack, 1)
        self._build_result()
        self._build_pulls()
        self._build_curves()
        self._build_uncertainty()
        self._build_figures()
        self._build_record()
        self.setFocusProxy(self.sections)

    def _build_result(self) -> None:
        panel = Panel(margin=20)
        self.headline = label("", "title")
        self.advice = label("", wrap=True)
        self.verdict = VerdictPicture()
        self.aside = plain_button("With what was set aside")
        self.aside.setCheckable(True)
        self.aside.setChecked(True)
        self.budget = label("", wrap=True)
        self.formula = label("", "soft", wrap=True)
        panel.body.addWidget(self.headline)
        panel.body.addWidget(self.advice)
        self.other = VerdictPicture()
        self.captions = (label("", "soft"), label("", "soft"))
        self.beside = beside = QGridLayout()
        beside.setHorizontalSpacing(18)
        for column, (caption, picture) in enumerate(zip(self.captions, (self.verdict, self.other), strict=True)):
            beside.addWidget(caption, 0, column)
            beside.addWidget(picture, 1, column)
            beside.setColumnStretch(column, 1)
        beside.setRowStretch(1, 1)
        panel.body.addLayout(beside, 1)
        row = QHBoxLayout()
        row.addWidget(self.formula, 1)
        row.addWidget(self.aside)
        panel.body.addLayout(row)
        panel.body.addWidget(self.budget)
        self.stack.addWidget(panel)
        self.aside.toggled.connect(self.verdict.set_with_aside)
        self.aside.toggled.connect(self.other.set_with_aside)

    def _build_pulls(self) -> None:
        panel = Panel(margin=0)
        self.pulls = Listing(
            [
                Column("Pull", lambda p: str(p.number), width=0.35, right=True),
                Column("Checkpoint", lambda p: p.where, second=lambda p: p.where_in, width=0.9),
                Column("Reading", lambda p: p.reading, width=0.85, right=True, strong=True),
                Column("Deviation", lambda p: p.deviation, width=0.7, right=True),
                Column(
                    "", lambda p: p.band if p.counts else "does not count" if p.where != "preload" else "", width=0.8
                ),
                Column("What was noticed", lambda p: p.said, second=lambda p: p.more, width=3.4),
            ],
            sortable=False,
            name="pulls of the run",
        )
        panel.body.addWidget(self.pulls)
        self.stack.addWidget(panel)
        self.pulls.opened.connect(lambda line: self.show_pull(line.number))

    def _build_curves(self) -> None:
        self.which = Choices()
        self.which.setAccessibleName("checkpoint shown")
        self.curves = CurvePanel(self._origin, data_wanted=self._trace)
        self.curves.tools.insertWidget(0, self.which)
        self.replay = plain_button("Replay on the Bench")
        self.replay.setToolTip("The pulls shown here run through the Bench once more, as if they came from the port")
        self.replay.clicked.connect(self._replay)
        self.curves.tools.insertWidget(1, self.replay)
        self.stack.addWidget(self.curves)
        self.which.currentIndexChanged.connect(self._show_curves)
        self.curves.saved.connect(lambda text: self.message.emit("note", text))
        self.curves.failed.connect(lambda text: self.message.emit("problem", text))

    def _build_uncertainty(self) -> None:
        self.judged = JudgedPanel()
        self.stack.addWidget(self.judged)

    def _build_figures(self) -> None:
        panel = Panel(margin=0)
        self.figures_head = label("", "soft", wrap=True)
        self.figures_head.setContentsMargins(16, 12, 16, 6)
        panel.body.addWidget(self.figures_head)
        self.figures = figure_listing(1.7, 1.1, 1.9, 1.4)
        panel.body.addWidget(self.figures, 1)
        self.stack.addWidget(panel)

    def _build_record(self) -> None:
        panel = Panel(margin=20)
        self.facts = Facts()
        self.seal = label("", wrap=True)
        self.seal.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.entries = label("", "soft", wrap=True)
        inside = QWidget()
        box = QVBoxLayout(inside)
        box.setContentsMargins(0, 0, 8, 0)
        box.addWidget(self.facts)
        box.addSpacing(14)
        box.addWidget(self.seal)
        box.addWidget(self.entries)
        box.addStretch(1)
        panel.body.addWidget(scrolled(inside), 1)
        caution = label(
            "A verification in the workshop; not a calibration certificate. Local rules and the tool maker's "
            "instructions come first.",
            "soft",
            wrap=True,
        )
        panel.body.addWidget(caution)
        self.stack.addWidget(panel)

    # ---------------------------------------------------------------------------------------------------------- showing

    def show_run(self, store: Store, run: Run, summary: RunSummary, unit: str) -> None:
        """Show a run read from the store."""
        again = self.run is not None and self.run.run_id == run.run_id
        self.run, self.summary, self._store, self._unit = run, summary, store, unit
        self._traces = {} if not again else self._traces
        lines = checkpoint_lines(run)
        reason = summary.voided.strip().rstrip(".")
        self.void.setText(f"Void: {reason}. {COUNTS_FOR_NOTHING}")
        self.void.setVisible(bool(reason))  # whatever of the run is looked at
        self.headline.setText(f"{'VOID: ' if summary.voided else ''}{headline(run, lines)}")
        self.advice.setText(COUNTS_FOR_NOTHING if summary.voided else advice(run, lines))
        self._show_stages(store, run, lines)
        self.aside.setVisible(any(line.aside for line in lines))
        self.formula.setText(convention_sentence(run))
        self.budget.setText(self._budget_text(lines))
        self.judged.show_judged(run, lines)
        self.pulls.show_rows(pull_lines(run, unit))
        self.figures_head.setText(
            f"{run.plan.procedure_name}, as it stood when the run began. A figure marked M or P is to be checked "
            "against the standard before anyone relies on it."
        )
        self.figures.show_rows(figure_lines(run.plan.procedure, run.plan.tool))
        self._show_record(store.entries(run.run_id))
        here = self.which.currentData() if again else None
        self.which.blockSignals(True)
        self.which.clear()
        for index, line in enumerate(lines):
            if any(p.checkpoint_index == index for p in run.pulls):
                self.which.addItem(line.title, index)
        if any(p.kind is PullKind.PRELOAD for p in run.pulls):
            self.which.addItem("preload", PRELOADS)
        if self.which.count() > 1:
            self.which.addItem("all pulls", ALL)
        if here is not None:
            self.which.setCurrentIndex(max(0, self.which.findData(here)))
        self.which.blockSignals(False)
        if not again:
            self.sections.choose("result")
        self._show_section(self.sections.value())

    def _show_stages(self, store: Store, run: Run, lines: list[CheckpointLine]) -> None:
        """The run alone, or as found on the left and as left on the right when both exist."""
        from benchapp.records.history import as_found_as_left

        pair = as_found_as_left(store, run.plan.tool.number, run.run_id)
        other = store.run(pair[1] if pair[0] == run.run_id else pair[0]) if pair is not None else None
        for widget in (*self.captions, self.other):
            widget.setVisible(other is not None)
        self.beside.setColumnStretch(1, int(other is not None))
        self.verdict.least_reach = self.other.least_reach = 0.0
        if pair is None or other is None:
            self.verdict.show_lines(lines)
            return
        others = checkpoint_lines(other)
        both = ((run, lines), (other, others)) if pair[0] == run.run_id else ((other, others), (run, lines))
        for picture, caption, (each, drawn), name in zip(
            (self.verdict, self.other), self.captions, both, ("as found", "as left"), strict=True
        ):
            caption.setText(f"{name}, {wall_text(each.finished)[:10]}" + (" (this run)" if each is run else ""))
            picture.show_lines(drawn)
        self.verdict.least_reach = self.other.least_reach = max(self.verdict.reach(), self.other.reach())

    def _budget_text(self, lines: list[CheckpointLine]) -> str:
        judged = [line for line in lines if line.judgement is not None]
        if not judged:
            return ""
        worst = max(judged, key=lambda line: line.judgement.budget.expanded if line.judgement else 0.0)
        if worst.judgement is None:  # pragma: no cover (filtered above)
            return ""
        budget = worst.judgement.budget
        tur = "" if worst.judgement.tur is None else f", test uncertainty ratio {significant(worst.judgement.tur, 2)}"
        return (
            f"At {worst.title}: W = {significant(budget.expanded, 2)} % (k = {significant(budget.factor, 2)}), "
            f"W' = {figure_with(worst.judgement.interval_percent, budget.expanded)}{tur}.  "
            f"{budget_sentence(worst.judgement)}"
        )

    def _show_record(self, entries: list[Entry]) -> None:
        run, summary = self.run, self.summary
        if run is None or summary is None:
            return
        self.facts.show_facts(run_facts(run, self._unit))
        head = f"\nNewest of the chain  {self._store.head()}" if self._store is not None else ""
        self.seal.setText(f"Seal  {summary.seal}{head}" if summary.seal else "Not sealed yet.")
        self.entries.setText(
            "\n".join(
                f"{moment_text(entry.seal.sealed)}   no. {entry.seal.sequence}   {entry_text(entry)}"
                for entry in entries
            )
        )

    def _show_section(self, key: str) -> None:
        index = [name for name, _ in SECTIONS].index(key)
        self.stack.setCurrentIndex(index)
        if key == "curves":
            self._show_curves()

    def show_pull(self, number: int) -> None:
        """Show the curve of one pull among those of its checkpoint."""
        if self.run is None:
            return
        captured = next((p for p in self.run.pulls if p.number == number), None)
        if captured is None:
            return
        wanted = PRELOADS if captured.kind is PullKind.PRELOAD else captured.checkpoint_index
        self.which.setCurrentIndex(max(0, self.which.findData(wanted)))
        self.sections.choose("curves")
        self.curves.picture.choose(number)

    def _trace(self, number: int) -> Trace | None:
        if number not in self._traces and self._store is not None and self.run is not None:
            self._traces[number] = self._store.trace(self.run.run_id, number)
        return self._traces.get(number)

    def _replay(self) -> None:
        """Hand out the traces of the pulls that are shown."""
        traces = [self._trace(p.number) for p in self._shown()]
        kept = [trace for trace in traces if trace is not None]
        if kept:
            self.replay_wanted.emit(kept, self._origin().file_name())

    def _shown(self) -> list[CapturedPull]:
        wanted = self.which.currentData()
        pulls = self.run.pulls if self.run is not None else ()
        return [p for p in pulls if wanted in (ALL, PRELOADS if p.kind is PullKind.PRELOAD else p.checkpoint_index)]

    def _origin(self) -> Origin:
        if self.run is None or self.summary is None:
            return Origin(Source.LIVE)
        return origin_of_run(self.run, self.which.currentText(), void=self.summary.voided)

    def _show_curves(self, *_: object) -> None:
        run, wanted = self.run, self.which.currentData()
        if run is None or self.sections.value() != "curves":
            return
        curves: list[Curve] = []
        for captured in self._shown():
            trace = self._trace(captured.number)
            if trace is None:
                continue
            remark = ""
            if captured.set_aside is not None:
                remark = f"set aside: {words.lower_first(words.reason(captured.set_aside))}"
            elif captured.kind is PullKind.PRELOAD:
                remark = "preload"
            curves.append(
                curve_of_trace(captured.number, trace, captured.pull, counts=captured.set_aside is None, remark=remark)
            )
        corridor = None
        if wanted is not None and wanted >= 0:
            checkpoint = run.plan.checkpoints[wanted]
            corridor = Corridor(checkpoint.target_nm, checkpoint.low_nm, checkpoint.high_nm)
        self.curves.show_curves(curves, corridor=corridor, unit=self._unit)
