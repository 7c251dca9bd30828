"""What stands over a page inside the window: a question, and the panel that learns the key of a pedal."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QKeyEvent, QPainter
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QVBoxLayout, QWidget

from benchapp.ui import theme
from benchapp.ui.painted import Painted
from benchapp.ui.theme import draw_fitted, font_of_cap


class Question(Painted):
    """A question inside the window, answered by keys or a click: nothing pops up over an instruction elsewhere."""

    answered = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.head = ""
        self.detail = ""
        self.row = QHBoxLayout()
        outer = self.outer = QVBoxLayout(self)
        outer.addStretch(1)
        outer.addLayout(self.row)
        self.buttons: list[QPushButton] = []
        self.hide()

    def ask(self, head: str, detail: str, answers: Sequence[tuple[str, str]]) -> None:
        """Ask; `answers` are (key, words), the first one is the default and Escape's."""
        self.head, self.detail = head, detail
        while self.row.count():
            self.row.takeAt(0)
        for button in self.buttons:
            button.deleteLater()
        self.buttons = []
        s = self.sizes
        for i, (key, label) in enumerate(answers):
            button = QPushButton(label, self)
            button.setObjectName(key)
            button.setProperty("kind", "main" if i == 0 else "")
            button.setFont(font_of_cap(s.lead, bold=i == 0))
            button.setAutoDefault(True)
            button.clicked.connect(self._answered)
            self.row.addWidget(button)
            self.buttons.append(button)
        self.row.addStretch(1)
        self.outer.setContentsMargins(*(round(s.pad * 1.4),) * 4)
        self.setAccessibleName(head)
        self.setAccessibleDescription(detail)
        self.show()
        self.raise_()
        self.buttons[0].setFocus()

    def walk(self, *, go: bool, aside: bool) -> bool:
        """Answer with the two keys of the Bench: one takes the answer in focus, one moves on; True when it was one."""
        here = next((i for i, button in enumerate(self.buttons) if button.hasFocus()), 0)
        if aside:
            self.buttons[(here + 1) % len(self.buttons)].setFocus()
        elif go:
            self.buttons[here].click()
        return go or aside

    def _answered(self) -> None:
        key = self.sender().objectName()
        self.hide()
        self.answered.emit(key)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Escape takes the first answer, the arrows move between them."""
        if event.key() == Qt.Key.Key_Escape and self.buttons:
            self.buttons[0].click()
            return
        if event.key() in (Qt.Key.Key_Left, Qt.Key.Key_Right):
            self.focusNextPrevChild(event.key() == Qt.Key.Key_Right)
            return
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            for button in self.buttons:
                if button.hasFocus():
                    button.click()
                    return
        super().keyPressEvent(event)

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Large question, smaller line, buttons."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius * 1.5, frame=colours.accent)
        painter.setPen(QColor(colours.ink))
        head = QRectF(s.pad * 1.5, s.pad * 0.8, box.width() - 3 * s.pad, s.instruction * 1.3)
        draw_fitted(painter, head, self.head, font_within(head.width(), self.head, s.instruction * 0.72))
        painter.setPen(QColor(colours.soft))
        top = head.bottom() + s.pad * 0.4
        bottom = self.buttons[0].geometry().top() - s.pad * 0.5 if self.buttons else box.bottom() - s.pad
        draw_wrapped(painter, QRectF(head.left(), top, head.width(), bottom - top), self.detail, s.lead)


def draw_wrapped(painter: QPainter, box: QRectF, text: str, cap_px: float) -> None:
    """Draw a text on as many lines as it needs, in smaller type when they would not fit into `box`."""
    flags = Qt.TextFlag.TextWordWrap | Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop
    for share in (1.0, 0.9, 0.8, 0.72, 0.65):
        painter.setFont(font_of_cap(cap_px * share))
        if painter.boundingRect(box, int(flags), text).height() <= box.height():
            break
    painter.drawText(box, int(flags), text)


def font_within(width: float, text: str, cap_px: float) -> QFont:
    """Return a bold font with capitals of `cap_px`, or down to six tenths of that where `text` would be condensed."""
    for share in (1.0, 0.9, 0.8, 0.7, 0.6):
        font = font_of_cap(cap_px * share, bold=True)
        if QFontMetricsF(font).horizontalAdvance(text) <= width:
            break
    return font


class KeyTeacher(Painted):
    """Learns the key that a pedal or presenter sends."""

    learned = Signal(str, str)  # (which: "go" or "aside", key name)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.which = ""
        self.hide()

    def learn(self, which: str) -> None:
        """Wait for the next key."""
        self.which = which
        self.show()
        self.raise_()
        self.setFocus()
        self.update()

    def take(self, name: str) -> None:
        """This key was pressed; Escape changes nothing."""
        which, self.which = self.which, ""
        self.hide()
        if name and name != "Esc":
            self.learned.emit(which, name)

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """What to do."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius * 1.5, frame=colours.accent)
        painter.setPen(QColor(colours.ink))
        what = "go on" if self.which == "go" else "set aside"
        head = QRectF(s.pad * 1.5, s.pad, box.width() - 3 * s.pad, s.instruction * 1.3)
        draw_fitted(painter, head, f"Press the pedal for “{what}”", font_of_cap(s.instruction * 0.72, bold=True))
        painter.setPen(QColor(colours.soft))
        row = QRectF(head.left(), head.bottom() + s.pad * 0.4, head.width(), s.lead * 2.6)
        draw_fitted(painter, row, "Or the presenter's button, or any key. Esc changes nothing.", font_of_cap(s.lead))
