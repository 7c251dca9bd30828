"""The custodian's lock in the window: asks for the passphrase, shows while it is open, closes it again.

Hashing a passphrase takes a tenth of a second or more by intent; it is done in a thread, the window stays alive.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from PySide6.QtCore import QObject, QPointF, QRectF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QColor, QIcon, QPainter, QPen, QPixmap
from PySide6.QtWidgets import QPushButton, QWidget

from benchapp.ui import lockwords as words
from benchapp.ui import theme

if TYPE_CHECKING:
    from benchapp.records.custodian import Lock
    from benchapp.ui.context import AppContext
    from benchapp.ui.lockdialog import LockDialog

LOOK_MS: Final = 1000
"""How often it is looked whether the lock has closed by itself."""


class Worker(QObject):
    """Does one thing at a time in a thread and tells what came of it on the window's thread."""

    _done = Signal(object, object, object)

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self.is_busy = False
        self._done.connect(self._tell)

    def run(self, work: Callable[[], Any], then: Callable[[Any, Exception | None], object]) -> None:
        """Run `work()` in a thread, then `then(result, None)` or `then(None, what it raised)` here."""
        self.is_busy = True

        def body() -> None:
            result, problem = None, None
            try:
                result = work()
            except Exception as error:  # noqa: BLE001 (told in the window, whatever it is)
                problem = error
            try:
                self._done.emit(then, result, problem)
            except RuntimeError:
                return  # the window has gone meanwhile

        threading.Thread(target=body, name="passphrase", daemon=True).start()

    def _tell(self, then: Callable[[Any, Exception | None], object], result: Any, problem: Exception | None) -> None:
        self.is_busy = False
        then(result, problem)


class Custody(QObject):
    """Answers `AppContext.custodian_wanted` and keeps the button in the foot bar true.

    Args:
        context: Its `lock` is what is opened and closed.
        window: The dialogs' parent.
        button: In the foot bar; shown while the lock is open, a click closes it.
    """

    def __init__(self, context: AppContext, window: QWidget, button: QPushButton) -> None:
        super().__init__(window)
        self.context = context
        self.window = window
        self.button = button
        self.worker = Worker(self)
        self.dialog: LockDialog | None = None
        self._shown = ""
        button.hide()
        button.clicked.connect(self.lock_now)
        self._timer = QTimer(self)
        self._timer.setInterval(LOOK_MS)
        self._timer.timeout.connect(self.look)
        context.custodian_wanted.connect(self.ask)
        context.passphrase_wanted.connect(self.ask_change)
        context.store_ready.connect(self.look)
        context.theme_changed.connect(self._paint)

    def ask(self, what_for: str, do: Callable[[str], object]) -> None:
        """Ask for the passphrase; `do(name)` once it was right."""
        self._open("", what_for, do)

    def ask_change(self) -> None:
        """Ask for another passphrase: the old one and the new one."""
        self._open("change", "", lambda _who: self.context.message.emit("note", "The passphrase is another one now."))

    def _open(self, mode: str, what_for: str, do: Callable[[str], object]) -> None:
        store, lock = self.context.store, self.context.lock
        if store is None or lock is None:
            self.context.message.emit("problem", words.NO_RECORDS)
            return
        if self.dialog is not None:
            self.dialog.raise_()
            return
        from benchapp.ui.lockdialog import LockDialog

        self.dialog = LockDialog(store, lock, self.worker, what_for, self.window, mode=mode)

        def unlocked(who: str) -> None:
            self.look()
            self.context.store_changed.emit("people")
            do(who)

        self.dialog.unlocked.connect(unlocked)
        self.dialog.finished.connect(self._closed)
        self.dialog.open()

    def _closed(self, _result: int) -> None:
        self.dialog = None

    def lock_now(self) -> None:
        """Close it at once."""
        if self.context.lock is not None:
            self.context.lock.close()
        self.look()
        self.context.message.emit("note", words.LOCKED)

    def look(self) -> None:
        """Show whether it is open; say so when it has closed by itself."""
        lock: Lock | None = self.context.lock
        left_s = lock.left_s() if lock is not None else 0.0
        who = lock.who if lock is not None and left_s > 0 else ""
        if who:
            self.button.setToolTip(words.unlocked_tip(who, max(1.0, left_s / 60)))
            if not self._timer.isActive():
                self._timer.start()
        else:
            self._timer.stop()
        if who == self._shown:
            return
        was, self._shown = self._shown, who
        if was and not who and lock is not None and not lock.was_closed:
            self.context.message.emit("note", words.LOCKED_IDLE)
        self.button.setText(words.UNLOCKED if who else "")
        self.button.setAccessibleName(self.button.toolTip() if who else "")
        self.button.setVisible(bool(who))
        self._paint()
        self.context.custodian_changed.emit(who)

    def _paint(self) -> None:
        if self._shown:
            side = max(12, round(self.button.fontMetrics().height() * 0.8))
            self.button.setIcon(QIcon(open_padlock(side, theme.palette().accent, self.button.devicePixelRatioF())))
            self.button.setIconSize(QSize(side, side))

    def stop(self) -> None:
        """Stop looking."""
        self._timer.stop()


def open_padlock(side: int, colour: str, ratio: float = 1.0) -> QPixmap:
    """Draw a padlock whose shackle stands open."""
    made = QPixmap(QSize(side, side) * ratio)
    made.setDevicePixelRatio(ratio)
    made.fill(Qt.GlobalColor.transparent)
    painter = QPainter(made)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    ink = QColor(colour)
    painter.setPen(QPen(ink, side * 0.11))
    bow = QRectF(side * 0.46, side * 0.1, side * 0.4, side * 0.5)
    painter.drawArc(bow, 0, 180 * 16)
    painter.drawLine(QPointF(bow.left(), bow.center().y()), QPointF(bow.left(), side * 0.52))
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(ink)
    painter.drawRoundedRect(QRectF(side * 0.08, side * 0.48, side * 0.6, side * 0.46), side * 0.07, side * 0.07)
    painter.end()
    return made
