"""Fields under one another, checked together."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QEvent, Qt, Signal
from PySide6.QtGui import QKeyEvent, QShowEvent
from PySide6.QtWidgets import QGridLayout, QLabel, QVBoxLayout, QWidget

from benchapp.ui.fields import Field


class Form(QWidget):
    """Fields under one another: the question, the entry, and the sentence beside it.

    Tab follows the order in which fields were added. `values()` checks all of them, shows every sentence, and puts the
    cursor into the first field that is wrong.

    Args:
        parent: Of the widget.
        narrow: The sentence stands under the field, for a form that has half a page.
    """

    submitted = Signal()

    def __init__(self, parent: QWidget | None = None, *, narrow: bool = False) -> None:
        super().__init__(parent)
        self.narrow = narrow
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setHorizontalSpacing(16)
        self._grid.setVerticalSpacing(8)
        self._grid.setColumnMinimumWidth(0, 150)
        self._grid.setColumnStretch(1 if narrow else 2, 1)
        self._row = 0
        self.fields: dict[str, Field] = {}
        self._headings: list[QLabel] = []
        self._rows: dict[str, tuple[QWidget, ...]] = {}

    def add(self, key: str, field: Field) -> Any:
        """Add a field and return it."""
        self.fields[key] = field
        self._grid.addWidget(field.caption, self._row, 0, Qt.AlignmentFlag.AlignTop)
        if self.narrow:
            both = QWidget()
            column = QVBoxLayout(both)
            column.setContentsMargins(0, 0, 0, 0)
            column.setSpacing(2)
            column.addWidget(field)
            column.addWidget(field.note)
            field.fold_note = True
            field.note.setVisible(bool(field.hint))
            self._grid.addWidget(both, self._row, 1)
        else:
            self._grid.addWidget(field, self._row, 1, Qt.AlignmentFlag.AlignTop)
            self._grid.addWidget(field.note, self._row, 2)
        self._rows[key] = (field.caption, field, field.note)
        self._row += 1
        return field

    def heading(self, text: str) -> None:
        """Add a heading for what follows."""
        label = QLabel(text)
        label.setProperty("kind", "heading")
        self._grid.addWidget(label, self._row, 0, 1, 3)
        self._headings.append(label)
        self._row += 1

    def widget(self, widget: QWidget) -> None:
        """Add anything over the whole width."""
        self._grid.addWidget(widget, self._row, 0, 1, 3)
        self._row += 1

    def show_field(self, key: str, *, shown: bool) -> None:
        """Show or hide a field with its question; a hidden one is not asked and not checked."""
        for part in self._rows[key]:
            part.setVisible(shown)

    def is_asked(self, key: str) -> bool:
        """Return True while the field is shown (whether or not the form itself is on the screen)."""
        return not self._rows[key][1].isHidden()

    def values(self) -> dict[str, Any] | None:
        """Return the entries of all shown fields by key, or None when one of them is wrong."""
        entered: dict[str, Any] = {}
        first: Field | None = None
        for key, field in self.fields.items():
            if not self.is_asked(key):
                continue
            if field.check():
                entered[key] = field.value()
            elif first is None:
                first = field
        if first is not None:
            first.setFocus(Qt.FocusReason.OtherFocusReason)
            return None
        return entered

    def refuse(self, key: str, sentence: str) -> None:
        """Show a sentence beside a field and put the cursor there."""
        self.fields[key].refuse(sentence)
        self.fields[key].setFocus(Qt.FocusReason.OtherFocusReason)

    def changeEvent(self, event: QEvent) -> None:
        """Notice another font."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.FontChange:
            self._fit_words()

    def showEvent(self, event: QShowEvent) -> None:
        """Take the sizes of the look in force."""
        super().showEvent(event)
        self._fit_words()

    def _fit_words(self) -> None:
        """Let the question and the sentence stand on a line with the entry, however high that is."""
        for field in self.fields.values():
            field.ensurePolished()
            height = field.sizeHint().height()
            field.caption.setMinimumHeight(height)
            if not self.narrow:
                field.note.setMinimumHeight(height)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter in any field asks to save."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.submitted.emit()
            return
        super().keyPressEvent(event)
