"""What pages are made of: panels, buttons, labels, rows of them, lists to pick from; one look for all."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import QPointF, QSize, Qt, QTimer
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import (
    QComboBox,
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QStyle,
    QStyleOptionButton,
    QStylePainter,
    QVBoxLayout,
    QWidget,
)

from benchapp.ui import theme

ARROW = 16  # pixels that the arrow of a button with a menu takes


def draw_arrow(painter: QPainter, middle: QPointF, colour: str, *, up: bool = False) -> None:
    """Draw the small arrow that says that there is more to pick from, or which way a list is sorted."""
    tip, foot = (-2.0, 2.0) if up else (2.0, -2.0)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(QPen(QColor(colour), 1.6))
    x, y = middle.x(), middle.y()
    painter.drawPolyline([QPointF(x - 4, y + foot), QPointF(x, y + tip), QPointF(x + 4, y + foot)])


class Panel(QFrame):
    """A panel on the ground with an optional heading; put things into `body`."""

    def __init__(self, heading: str = "", parent: QWidget | None = None, *, margin: int = 16) -> None:
        super().__init__(parent)
        self.setProperty("kind", "panel")
        self.body = QVBoxLayout(self)
        # below zero Qt would take the style's own; a list ends a line's breadth before the frame
        self.body.setContentsMargins(margin, max(0, margin - 4), margin, max(2, margin - 2))
        self.body.setSpacing(8)
        if heading:
            self.body.addWidget(label(heading, "section"))


class _Button(QPushButton):
    """A button; one that opens a menu has the same arrow as a list to pick from."""

    def sizeHint(self) -> QSize:
        """With room for the arrow, whatever the style keeps for its own."""
        hint = super().sizeHint()
        if self.menu() is None:
            return hint
        kept = self.style().pixelMetric(QStyle.PixelMetric.PM_MenuButtonIndicator, None, self)
        return QSize(hint.width() + ARROW - kept, hint.height())

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw the button, its words left of the arrow."""
        if self.menu() is None:
            super().paintEvent(event)
            return
        option = QStyleOptionButton()
        self.initStyleOption(option)
        option.features &= ~QStyleOptionButton.ButtonFeature.HasMenu
        painter = QStylePainter(self)
        painter.drawControl(QStyle.ControlElement.CE_PushButtonBevel, option)
        option.rect.setRight(option.rect.right() - ARROW)
        painter.drawControl(QStyle.ControlElement.CE_PushButtonLabel, option)
        c = theme.palette()
        is_quiet = self.property("kind") == "quiet" or not self.isEnabled()
        draw_arrow(painter, QPointF(self.width() - 1.1 * ARROW, self.height() / 2), c.soft if is_quiet else c.ink)
        painter.end()


def main_button(text: str) -> QPushButton:
    """Return the button for the one thing to do."""
    button = QPushButton(text)
    button.setProperty("kind", "main")
    button.setAutoDefault(False)
    return button


def quiet_button(text: str) -> QPushButton:
    """Return a button without a frame."""
    button = _Button(text)
    button.setProperty("kind", "quiet")
    button.setAutoDefault(False)
    return button


def plain_button(text: str) -> QPushButton:
    """Return an ordinary button."""
    button = _Button(text)
    button.setAutoDefault(False)
    return button


def strip_button(strip: QWidget, text: str, tip: str) -> QPushButton:
    """Return a button for a strip along the window, as high as that; the keyboard stays where it is."""
    button = QPushButton(text, strip)
    button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    button.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
    button.setToolTip(tip)
    button.setAccessibleName(tip)
    return button


def label(text: str = "", kind: str = "", *, wrap: bool = False) -> QLabel:
    """Return a label of a kind: "title", "heading", "section", "soft", "problem" or plain."""
    widget = QLabel(text)
    widget.setIndent(0)  # one with padding by the style sheet would be moved in by half a letter
    if kind:
        widget.setProperty("kind", kind)
    widget.setWordWrap(wrap)
    return widget


def in_row(*left: QWidget, right: Sequence[QWidget] = ()) -> QHBoxLayout:
    """Return a row that begins with some widgets and ends with others; the room that is left lies between them."""
    row = QHBoxLayout()
    for widget in left:
        row.addWidget(widget)
    row.addStretch(1)
    for widget in right:
        row.addWidget(widget)
    return row


class Choices(QComboBox):
    """A list to pick one from; the wheel changes it only while it has the keyboard."""

    def __init__(self, texts: Sequence[str] = (), parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.addItems(list(texts))
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToContents)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Maximum, QSizePolicy.Policy.Fixed)

    def offer(self, texts: Sequence[str]) -> None:
        """Offer these from now on; what is picked stays picked where it is among them, and nobody is told."""
        here = self.currentText()
        self.blockSignals(True)
        self.clear()
        self.addItems(list(texts))
        self.setCurrentIndex(max(0, self.findText(here)))
        self.blockSignals(False)

    def narrow(self, n_characters: int) -> None:
        """No wider than so many characters, however long the words to pick from; it grows with the type."""
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(n_characters)

    def minimumSizeHint(self) -> QSize:
        """What is picked is always to be read."""
        return self.sizeHint()

    def showPopup(self) -> None:
        """Open the list as high as its rows are: Qt forgets the frame, and half a row lay under a scroller."""
        super().showPopup()
        self._open_whole()
        QTimer.singleShot(0, self, self._open_whole)  # rows get their height, and Qt its scrollers, a moment later

    def _open_whole(self) -> None:
        view, popup = self.view(), self.view().window()
        if not popup.isVisible():
            return
        beside = [w for w in popup.children() if isinstance(w, QWidget) and w is not view and w.isVisible()]
        rows = sum(view.sizeHintForRow(row) for row in range(min(self.count(), self.maxVisibleItems())))
        frame = popup.height() - view.viewport().height() - sum(scroller.height() for scroller in beside)
        room = self.screen().availableGeometry().bottom() - popup.y()
        if rows + frame <= room and self.count() <= self.maxVisibleItems():
            for scroller in beside:
                scroller.hide()
            popup.resize(popup.width(), max(popup.height(), rows + frame))

    def paintEvent(self, event: Any) -> None:
        """Draw the box, and an arrow that says there is more to pick from."""
        super().paintEvent(event)
        c = theme.palette()
        painter = QPainter(self)
        draw_arrow(painter, QPointF(self.width() - 17.0, self.height() / 2), c.ink if self.isEnabled() else c.soft)
        painter.end()

    def wheelEvent(self, event: Any) -> None:
        """Change only what has the keyboard: a page that scrolls under the pointer changes nothing."""
        if self.hasFocus():
            super().wheelEvent(event)
        else:
            event.ignore()
