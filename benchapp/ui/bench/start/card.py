"""A card of the start panel: a numbered heading, questions beneath one another, and what is said of the answers."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QComboBox, QFrame, QLabel, QLineEdit, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from benchapp.ui.controls import Choices
from benchapp.ui.theme import Sizes, font_of_cap


class Card(QFrame):
    """A numbered panel; what belongs to one card looks alike and tells the panel through it."""

    changed = Signal()  # something was typed or picked: what comes of it is to be worked out again
    entered = Signal()  # Enter in a field
    problem = Signal(str)  # a sentence to be shown at once

    def __init__(self, number: int, heading: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("kind", "panel")
        self.column = QVBoxLayout(self)
        self.head = QLabel(f"{number}   {heading}", self)
        self.column.addWidget(self.head)
        self._notes: list[QLabel] = []
        self._captions: list[QLabel] = []

    def note(self, text: str = "") -> QLabel:
        """Return a quiet label, to be put wherever it belongs."""
        label = QLabel(text, self)
        label.setProperty("kind", "soft")
        label.setWordWrap(True)
        self._notes.append(label)
        return label

    def caption(self, text: str) -> QLabel:
        """Return the question of a field, a little apart from what stands above it."""
        label = self.note(text)
        self._captions.append(label)
        return label

    def line(self, name: str, hint: str = "", *, entered: Callable[[], None] | None = None) -> QLineEdit:
        """Return a field of one line; the card tells what is typed, and Enter in it unless `entered` takes it."""
        field = QLineEdit(self)
        field.setPlaceholderText(hint)
        field.setAccessibleName(name)
        field.textEdited.connect(self.changed)
        field.returnPressed.connect(entered or self.entered)
        return field

    def choices(self, name: str) -> Choices:
        """Return a list to pick from that is as wide as the card."""
        box = Choices(parent=self)
        box.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        box.setAccessibleName(name)
        return box

    def quiet(self, text: str, tip: str = "") -> QPushButton:
        """Return a button that looks like a line of text."""
        button = QPushButton(text, self)
        button.setProperty("kind", "quiet")
        button.setStyleSheet("QPushButton { padding: 2px 0; text-align: left; }")
        button.setToolTip(tip)
        return button

    def group(self) -> tuple[QWidget, QVBoxLayout]:
        """Add a place for what comes and goes together; return it and its column."""
        box = QWidget(self)
        column = QVBoxLayout(box)
        column.setContentsMargins(0, 0, 0, 0)
        self.column.addWidget(box)
        return box, column

    def restyle(self, s: Sizes) -> None:
        """Type and margins."""
        pad = round(s.pad)
        self.column.setContentsMargins(pad, round(pad * 0.7), pad, round(pad * 0.7))
        self.column.setSpacing(round(s.gap * 0.45))
        self.head.setFont(font_of_cap(s.lead * 1.12, bold=True))
        for label in self._notes:
            label.setFont(font_of_cap(s.small))
        for label in self._captions:
            label.setContentsMargins(0, round(s.gap * 0.4), 0, 0)
        for field in self.findChildren(QLineEdit):
            field.setFont(font_of_cap(s.body * 1.1))
        for box in self.findChildren(QComboBox):
            box.setFont(font_of_cap(s.body))
        for button in self.findChildren(QPushButton):
            button.setFont(font_of_cap(s.small))


def first_empty(*fields: QLineEdit) -> QLineEdit | None:
    """Return the first of the fields that is shown and has nothing in it."""
    return next((field for field in fields if field.isVisible() and not field.text().strip()), None)
