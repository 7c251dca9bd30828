"""The row at the foot of the Bench that says what each key does now."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QColor, QPaintEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QPushButton,
    QSizePolicy,
    QStyle,
    QStyleOptionButton,
    QStylePainter,
    QWidget,
)

from benchapp.ui import theme
from benchapp.ui.painted import CENTRE
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap

SHARES: Final = {"go": 11, "aside": 9, "leave": 8}
"""How the keys share their row."""


class FittedButton(QPushButton):
    """A button whose words are condensed rather than cut when they are too wide."""

    def paintEvent(self, event: QPaintEvent) -> None:
        """The style's frame, our text."""
        option = QStyleOptionButton()
        self.initStyleOption(option)
        text, option.text = option.text, ""
        painter = QStylePainter(self)
        painter.drawControl(QStyle.ControlElement.CE_PushButton, option)
        colours = theme.palette()
        ink = {"main": colours.ground, "quiet": colours.ink if self.underMouse() else colours.soft}
        painter.setPen(QColor(ink.get(self.property("kind"), colours.ink)))
        draw_fitted(painter, QRectF(self.rect()).adjusted(6, 0, -6, 0), text, self.font(), align=CENTRE)
        painter.end()


class KeyBar(QWidget):
    """What the keys do now, each also a button; it never takes the keyboard."""

    pressed = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        row = self._row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(6)
        self.buttons: dict[str, QPushButton] = {}
        for action in ("go", "aside", "leave"):
            button = FittedButton(self)
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
            self._keep_place(button, kept=True)
            button.setProperty("kind", "main" if action == "go" else "")
            button.setMinimumWidth(1)
            button.clicked.connect(self._clicked)
            button.setObjectName(action)
            row.addWidget(button, SHARES[action])
            self.buttons[action] = button

    @staticmethod
    def _keep_place(button: QPushButton, *, kept: bool) -> None:
        policy = button.sizePolicy()
        if policy.retainSizeWhenHidden() is not kept:
            policy.setRetainSizeWhenHidden(kept)
            button.setSizePolicy(policy)

    def _clicked(self) -> None:
        self.pressed.emit(self.sender().objectName())

    def restyle(self) -> None:
        """The window's size has changed."""
        sizes = Sizes.of(self.window().height())
        self.setStyleSheet("QPushButton { padding: 2px 4px; }")
        for button in self.buttons.values():
            button.setFont(font_of_cap(sizes.small, bold=button.objectName() == "go"))

    def show_actions(self, actions: Sequence[tuple[str, str, str]]) -> None:
        """Show (action, word, key name) for each; others keep their place, greyed."""
        given = {action: (word, key) for action, word, key in actions}
        leaves = "leave" in given  # when there is nothing to leave any more, the other key has its room
        self._keep_place(self.buttons["leave"], kept=leaves)
        self._row.setStretch(1, SHARES["aside"] + (0 if leaves else SHARES["leave"]))
        for action, button in self.buttons.items():
            word, key = given.get(action, ("", ""))
            text = f"{word}  [{key}]" if word and key else word
            if button.text() != text:
                button.setText(text)
            button.setVisible(bool(word))
