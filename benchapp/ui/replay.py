"""The bar that steers a replayed recording, in the strip that marks it: pause, step, speed, again, back to the port.

Nothing here takes the keyboard: the Bench keeps it.
"""

from __future__ import annotations

from functools import partial
from typing import Final

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QMenu, QWidget

from benchapp.session.port import ReplayAct
from benchapp.session.view import ReplayView
from benchapp.ui import theme
from benchapp.ui.context import AppContext
from benchapp.ui.controls import strip_button
from benchapp.ui.theme import Sizes, font_of_cap

SPEEDS: Final = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)


class ReplayBar(QWidget):
    """Shows one `ReplayView` after another."""

    run_wanted = Signal()

    def __init__(self, context: AppContext, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.context = context
        self.shown: ReplayView | None = None
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(4)
        self.pause = strip_button(self, "pause", "Hold the recording still, or let it go on")
        self.step = strip_button(self, "step", "A little further, then still again")
        self.speed = strip_button(self, "1 × ▾", "How fast it runs")
        self.again = strip_button(self, "again", "From its beginning")
        self.back = strip_button(self, "back to the port", "Close the recording and open the port that was open before")
        self.run = strip_button(
            self,
            "take a run" if context.is_demo else "take a run …",
            "Choose a tool and a procedure: the pulls of the recording count for it"
            + ("" if context.is_demo else ". In the demonstration and its own records; a second window opens"),
        )
        for button in (self.pause, self.step, self.speed, self.again, self.run, self.back):
            row.addWidget(button)
        self.step.setAutoRepeat(True)
        self.pause.clicked.connect(self.toggle)
        self.step.clicked.connect(partial(self._steer, ReplayAct.STEP))
        self.speed.clicked.connect(self._speeds)
        self.again.clicked.connect(partial(self._steer, ReplayAct.AGAIN))
        self.run.clicked.connect(self._take_run)
        self.back.clicked.connect(partial(self._steer, ReplayAct.BACK))
        self.hide()

    def show_replay(self, replay: ReplayView | None) -> None:
        """Mirror the view; None hides the bar."""
        if replay == self.shown:
            return
        self.shown = replay
        self.setVisible(replay is not None)
        if replay is None:
            return
        self.pause.setText("play" if replay.is_paused or replay.is_over else "pause")
        self.step.setEnabled(not replay.is_over)
        self.speed.setText(f"{replay.speed:g} × ▾")
        self.back.setText("back to the port" if replay.back_to else "close it")

    def toggle(self) -> None:
        """Pause, or go on; a recording that is over begins again."""
        if self.shown is not None:
            still = self.shown.is_paused or self.shown.is_over
            self._steer(ReplayAct.GO if still else ReplayAct.PAUSE)

    def set_speed(self, speed: float) -> None:
        """Go on at another speed."""
        self.context.bench.steer_replay(ReplayAct.SPEED, speed)

    def _steer(self, act: ReplayAct, *_: object) -> None:
        self.context.bench.steer_replay(act)

    def _take_run(self) -> None:
        """A run of a recording belongs to the demonstration records: there at once, else in a Kilter of its own."""
        if self.context.is_demo:
            self.run_wanted.emit()
        else:
            self.context.demonstration_wanted.emit(self.context.bench.view().link.url)

    def _speeds(self) -> None:
        menu = QMenu(self)
        for speed in SPEEDS:
            action = menu.addAction(f"{speed:g} ×")
            action.setCheckable(True)
            action.setChecked(self.shown is not None and self.shown.speed == speed)
            action.triggered.connect(partial(self._picked, speed))
        menu.popup(self.speed.mapToGlobal(self.speed.rect().bottomLeft()))

    def _picked(self, speed: float, *_: object) -> None:
        self.set_speed(speed)

    def restyle(self) -> None:
        """The window's height has changed."""
        s, c = Sizes.of(self.window().height()), theme.palette()
        self.setStyleSheet(
            f"ReplayBar {{ background: {c.sim}; }}"
            f"QPushButton {{ background: {c.panel}; color: {c.ink}; border: 1px solid {c.sim_ink};"
            f" border-radius: 5px; padding: 0 9px; }}"
            f"QPushButton:hover {{ border: 2px solid {c.accent}; padding: 0 8px; }}"
            f"QPushButton:disabled {{ color: {c.soft}; }}"
        )
        for button in (self.pause, self.step, self.speed, self.again, self.run, self.back):
            button.setFont(font_of_cap(s.small * 0.9))
