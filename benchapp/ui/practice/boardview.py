"""A view of the Practice page that gives way to a board while something is under way."""

from __future__ import annotations

import datetime as dt

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QStackedWidget, QVBoxLayout, QWidget

from benchapp.ui.practice.pullboard import PullBoard


def wall_now() -> dt.datetime:
    """Return the time on this machine's clock with its offset."""
    return dt.datetime.now().astimezone()


class BoardView(QWidget):
    """What is chosen first, the board, and what else a view has, one at a time.

    Args:
        first: Shown while nothing is under way.
        board: Shown while something is.
        others: More that can be shown.
    """

    under_way = Signal(bool)

    def __init__(self, first: QWidget, board: PullBoard, *others: QWidget) -> None:
        super().__init__()
        self.board = board
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        self.stack = QStackedWidget()
        box.addWidget(self.stack)
        for widget in (first, board, *others):
            self.stack.addWidget(widget)
        self.setFocusProxy(self.stack)

    def _show(self, widget: QWidget) -> None:
        self.stack.setCurrentWidget(widget)
        widget.setFocus(Qt.FocusReason.OtherFocusReason)

    def _begun(self) -> None:
        self.under_way.emit(True)
        self._show(self.board)

    @property
    def takes_keys(self) -> bool:
        """The two keys act here."""
        return self.board.is_under_way

    def act(self, action: str) -> None:
        """Do what a key means now."""
        self.board.act(action)

    def stop(self) -> None:
        """Give the bench back."""
        self.board.stop()
