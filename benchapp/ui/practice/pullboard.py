"""What the boards of a drill and of a study have in common: the bench is lent to them; cautions, zero, then pulls.

Pulls are captured by themselves. While the page is not shown, or a run begins on the Bench, the bench is given back.
"""

from __future__ import annotations

import logging
from typing import ClassVar, Final

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QHideEvent, QPainter, QPaintEvent, QResizeEvent, QShowEvent
from PySide6.QtWidgets import QWidget

from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool
from benchapp.runs.model import RunState
from benchapp.session.view import BenchView, PracticeAim
from benchapp.ui import keys, theme, words
from benchapp.ui.bench.keybar import KeyBar
from benchapp.ui.bench.sheets import CautionsSheet
from benchapp.ui.bench.zero import ZeroTaker
from benchapp.ui.context import AppContext
from benchapp.ui.painted import Painted
from benchapp.ui.practice.board import BigSentence

log = logging.getLogger(__name__)

CAUTIONS: Final = "cautions"
ZERO: Final = "zero"
BROKEN: Final = ("lost", "closed", "refused")
"""States of a link after which it may be another transducer's."""


class PullBoard(QWidget):
    """Sentence, cautions, keys; what stands between them and what comes after the zero is the board's own.

    Attributes:
        what: Is under way, for sentences.
        frame_ms: From one look at the bench to the next.
        state: `CAUTIONS`, `ZERO`, or one of the board's own.
        reference: Pulled against; None: samples are taken as they come.

    Args:
        context: Shared by all pages.
        parent: The view.
    """

    left = Signal(str)  # it is over, or put down for now; why, "" when the person left it
    what: ClassVar[str]
    frame_ms: ClassVar[int]

    def __init__(self, context: AppContext, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.context = context
        self.state = self._placed_for = CAUTIONS
        self.reference: Reference | None = None
        self._lent: tuple[Tool, PracticeAim] | None = None
        self._zero = ZeroTaker(context.bench)
        self._failed = ""
        self._was_broken = False
        self.sentence = BigSentence(self)
        self.cautions = CautionsSheet(self)
        self.panels: tuple[Painted, ...] = (self.sentence, self.cautions)
        self.key_bar = KeyBar(self)
        self.key_bar.pressed.connect(self.act)
        self.timer = QTimer(self)
        self.timer.setTimerType(Qt.TimerType.PreciseTimer)
        self.timer.setInterval(self.frame_ms)
        self.timer.timeout.connect(self.tick)
        context.theme_changed.connect(self.restyle)

    def _caution(self, tool: Tool, limits: str) -> None:
        """Have the cautions fit this tool; `limits` are those of the tool and the reference."""
        self.cautions.tool, self.cautions.limits = tool, limits
        self.cautions.setAccessibleName("Cautions")
        self.cautions.setAccessibleDescription(" ".join(f"{head}: {why}" for _, head, why in self.cautions.rows()))
        self.cautions.update()

    # ----------------------------------------------------------------------------------------------- of the board's own

    @property
    def is_under_way(self) -> bool:
        """Something is shown: the two keys are its own."""
        raise NotImplementedError

    def _aim(self) -> None:
        """Lend the bench for what is under way."""
        raise NotImplementedError

    def _put_down(self) -> None:
        """Nothing is under way any more."""
        raise NotImplementedError

    def _go(self) -> None:
        """Do what the go-on key means after the zero."""
        raise NotImplementedError

    def _aside(self) -> None:
        """Do what the set-aside key means."""

    def _cautions_read(self) -> None:
        """They were read."""

    def _zeroed(self) -> None:
        """Zero is taken."""
        raise NotImplementedError

    @property
    def _counts_on_zero(self) -> bool:
        """Pulls are made, or about to be, above the zero that was taken."""
        raise NotImplementedError

    def _follow(self, view: BenchView) -> None:
        """Take in what is new, show it."""
        raise NotImplementedError

    def _place(self) -> None:
        """Put everything in its place for the state."""
        raise NotImplementedError

    # -------------------------------------------------------------------------------------------------------- the bench

    def _lend(self, tool: Tool, aim: PracticeAim, target_nm: float) -> None:
        """Have the bench read for `aim`; raises ValueError while a run is under way."""
        if self._lent == (tool, aim):
            return
        self.context.bench.start_practice(aim)
        self.context.bench.take_practice_pulls()  # what somebody else left there is not ours
        self.context.practising = (tool, target_nm, aim.direction, aim.reference)
        self._lent = (tool, aim)

    def stop(self) -> None:
        """Give the bench back; may be called again."""
        self.timer.stop()
        if self._lent is not None:
            self._lent = None
            self.context.practising = None
            self.context.bench.stop_practice()

    def leave(self, why: str = "") -> None:
        """Put down what is under way; what was pulled is kept."""
        self.stop()
        self._put_down()
        self.left.emit(why)

    # ------------------------------------------------------------------------------------------------------------- keys

    @property
    def key_names(self) -> tuple[str, str]:
        """The go-on and the set-aside key, as printed on the keyboard."""
        bench = getattr(self.window(), "bench", None)
        names = getattr(bench, "key_names", None)
        return names or (keys.shown(keys.GO_KEYS[0]), keys.shown(keys.ASIDE_KEYS[0]))

    def act(self, action: str) -> None:
        """Do what a key means now: "go", "aside" or "leave"."""
        if not self.is_under_way:
            return
        if action == "leave":
            self.leave()
            return
        if action == "aside":
            self._aside()
        elif self.state == CAUTIONS:
            self.state = ZERO
            self._cautions_read()
        elif self.state == ZERO:
            self._zero.take()
        else:
            self._go()
        self.tick()

    # ----------------------------------------------------------------------------------------------------------- frames

    def tick(self) -> None:
        """One frame; a failing one is logged once and the next one is tried."""
        try:
            self._frame()
        except Exception as error:  # showing must not stop what is under way
            if str(error) != self._failed:
                self._failed = str(error)
                log.exception("a frame of the %s failed", self.what)

    def _frame(self) -> None:
        if not self.is_under_way:
            return
        view = self.context.bench.view()
        if view.run is not None and view.state not in (RunState.SEALED, RunState.LEFT, None):
            self.leave(f"A run is under way on the Bench: {self.what} waits until it is over.")
            return
        if view.link.state in BROKEN and self._counts_on_zero:
            self.state, self._was_broken = ZERO, True
        if self.state == ZERO and self._zero.is_taken(view):
            self._was_broken = False
            self._zeroed()
        self._follow(view)

    @staticmethod
    def _can_zero(view: BenchView) -> bool:
        return view.link.state == "streaming" and not view.is_zeroing

    # ------------------------------------------------------------------------------------------------------------ words

    def _reference_name(self, otherwise: str) -> str:
        return self.reference.number if self.reference is not None else otherwise

    def _say(self, view: BenchView, sentence: str, detail: str, *more: str) -> None:
        """Say what to do, beside it how the link stands, with what `more` there is to say of one that is fine."""
        fine = view.link.state == "streaming"
        link = f"{self._reference_name('Link')} {words.LINK_STATES.get(view.link.state, view.link.state)}"
        self.sentence.say(sentence, detail, "  ·  ".join((link, *more)) if fine else link, fine=fine)

    def _before_pulls(self, view: BenchView, meanwhile: str = "") -> tuple[str, str] | None:
        """Return the big sentence and the line beneath until the zero is taken; None when pulls are next."""
        go = self.key_names[0]
        if self.state == CAUTIONS:
            return "Before you pull", f"Read them once; then {go}"
        if view.link.state != "streaming":
            return "Wait: no data", f"{view.link.reason or 'The link brings no samples.'} It goes on by itself."
        if view.is_zeroing:
            return "Hands off: measuring", meanwhile
        if self.state == ZERO:
            why = "The link was broken off, and with it the pull under way. " if self._was_broken else ""
            return "Tool off, hands off", view.zero_problem or f"{why}{go} takes zero as soon as it is still"
        return None

    # --------------------------------------------------------------------------------------------------------------- Qt

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        for panel in self.panels:
            panel.restyle()
        self.key_bar.restyle()
        self._place()
        self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """New sizes for everything."""
        super().resizeEvent(event)
        self.restyle()

    def showEvent(self, event: QShowEvent) -> None:
        """Take the bench up again."""
        super().showEvent(event)
        if not self.is_under_way:
            return
        try:
            self._aim()
        except ValueError as refused:
            self.leave(str(refused))
            return
        self.timer.start()
        self.tick()

    def hideEvent(self, event: QHideEvent) -> None:
        """Give the bench back while another page is shown."""
        super().hideEvent(event)
        self.stop()

    def paintEvent(self, event: QPaintEvent) -> None:
        """The ground."""
        painter = QPainter(self)
        painter.fillRect(event.rect(), theme.palette().ground)
        painter.end()


def clock_text(seconds: int) -> str:
    """Return a rest as it is counted down: 1:05."""
    return f"{seconds // 60}:{seconds % 60:02d}"
