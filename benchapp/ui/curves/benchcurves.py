"""The pulls of the run under way, laid over each other, from the Bench: the same panel as in the Logbook."""

from __future__ import annotations

from functools import partial

from PySide6.QtWidgets import QDialog, QVBoxLayout, QWidget

from benchapp.records import Store
from benchapp.runs.model import CapturedPull, PullKind, Run
from benchapp.torque.trace import Trace
from benchapp.ui import words
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Choices
from benchapp.ui.curves.drawing import Corridor
from benchapp.ui.curves.origin import origin_of_run
from benchapp.ui.curves.overlay import Curve, curve_of_trace
from benchapp.ui.curves.panel import CurvePanel
from benchapp.ui.page import page_style
from benchapp.ui.theme import palette

PRELOAD = -1


class BenchCurves(QDialog):
    """Curves of one checkpoint at a time; the last one pulled stands first. Esc closes; the run waits meanwhile."""

    def __init__(self, context: AppContext, run: Run, store: Store, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.context, self.run, self.store = context, run, store
        self.setWindowTitle(f"Curves of {run.plan.tool.number}, run under way")
        self.setStyleSheet(page_style(palette(), 15))
        box = QVBoxLayout(self)
        self.which = Choices()
        self.which.setAccessibleName("checkpoint shown")
        self.panel = CurvePanel(lambda: origin_of_run(run, self.which.currentText()), data_wanted=self._trace)
        self.panel.tools.insertWidget(0, self.which)
        self.panel.saved.connect(partial(context.message.emit, "note"))
        self.panel.failed.connect(partial(context.message.emit, "problem"))
        box.addWidget(self.panel)
        unit = run.plan.tool.unit
        for index, checkpoint in enumerate(run.plan.checkpoints):
            if any(pull.checkpoint_index == index and pull.kind is not PullKind.PRELOAD for pull in run.pulls):
                self.which.addItem(f"{words.plain(checkpoint.target)} {unit} {checkpoint.direction.value}", index)
        if any(pull.kind is PullKind.PRELOAD for pull in run.pulls):
            self.which.addItem("preload", PRELOAD)
        last = run.pulls[-1]
        place = self.which.findData(PRELOAD if last.kind is PullKind.PRELOAD else last.checkpoint_index)
        self.which.setCurrentIndex(max(0, place))
        self.which.currentIndexChanged.connect(self._show)
        self._show()

    def _trace(self, number: int) -> Trace | None:
        return self.store.trace(self.run.run_id, number)

    def _shown(self) -> list[CapturedPull]:
        index = self.which.currentData()
        if index == PRELOAD:
            return [pull for pull in self.run.pulls if pull.kind is PullKind.PRELOAD]
        return [p for p in self.run.pulls if p.checkpoint_index == index and p.kind is not PullKind.PRELOAD]

    def _show(self, *_: object) -> None:
        curves: list[Curve] = []
        for captured in self._shown():
            trace = self._trace(captured.number)
            if trace is None:
                continue  # still on its way to the disk
            remark = f"set aside: {words.lower_first(words.reason(captured.set_aside))}" if captured.set_aside else ""
            counts = captured.set_aside is None and captured.kind is not PullKind.PRELOAD
            curves.append(curve_of_trace(captured.number, trace, captured.pull, counts=counts, remark=remark))
        index, corridor = self.which.currentData(), None
        if index is not None and index != PRELOAD:
            checkpoint = self.run.plan.checkpoints[index]
            corridor = Corridor(checkpoint.target_nm, checkpoint.low_nm, checkpoint.high_nm)
        self.panel.show_curves(curves, corridor=corridor, unit=self.context.unit)
