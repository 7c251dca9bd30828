"""Entry of numbers, torques, dates and choices: one look, one way of refusing, one keyboard order.

A field never misreads and never clips: what it cannot take it refuses with a sentence beside it (field, value, limit,
what is accepted). The sentence appears when the person leaves the field or asks to save, not while typing.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QEvent, QObject, QPointF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QKeyEvent, QPainter, QPen, QResizeEvent
from PySide6.QtWidgets import (
    QButtonGroup,
    QComboBox,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from benchapp.torque.text import parse_number, parse_torque
from benchapp.torque.units import SHOWN_UNITS
from benchapp.ui import theme
from benchapp.ui.format import DateTextError, parse_date, short

LEAST_LINE = 90  # pixels
LIST_EDGES = 62  # what a list to pick from needs beside its text, pixels


class FieldError(ValueError):
    """What a field cannot take; the message is the sentence that is shown beside it."""


@dataclass(frozen=True, slots=True)
class Torque:
    """A torque as it was typed: nothing converted, nothing rounded."""

    value: float
    unit: str


class Field(QWidget):
    """A labelled entry with a place for its sentence; `value()` returns what was entered or raises `FieldError`.

    Args:
        label: What is asked, in words.
        hint: Quiet sentence that stands beside the field until something is wrong.
        required: An empty field is refused; else its value is None (texts: "").
    """

    changed = Signal()

    def __init__(self, label: str, *, hint: str = "", required: bool = True) -> None:
        super().__init__()
        self.label = label
        self.hint = hint
        self.required = required
        self.fold_note = False  # the sentence takes no room while there is none
        self.row = QHBoxLayout(self)
        self.row.setContentsMargins(0, 0, 0, 0)
        self.row.setSpacing(6)
        self.caption = QLabel(label)
        self.caption.setWordWrap(True)
        self.note = QLabel(hint)
        self.note.setWordWrap(True)
        self.note.setProperty("kind", "soft")
        self.problem = ""

    def value(self) -> Any:
        """Return what was entered."""
        raise NotImplementedError

    def put(self, value: Any) -> None:
        """Show `value` in the field."""
        raise NotImplementedError

    def check(self) -> bool:
        """Show what is wrong beside the field, or take the sentence away; True when the entry can be taken."""
        try:
            self.value()
        except FieldError as problem:
            self.refuse(str(problem))
            return False
        self.accept()
        return True

    def refuse(self, sentence: str) -> None:
        """Show `sentence` beside the field."""
        self.problem = sentence
        self._say(sentence, "problem")
        self._mark(wrong=True)

    def accept(self) -> None:
        """Take the sentence away."""
        if self.problem:
            self.problem = ""
            self._mark(wrong=False)
        self._say(self.hint, "soft")

    def set_hint(self, hint: str) -> None:
        """Change the quiet sentence."""
        self.hint = hint
        if not self.problem:
            self._say(hint, "soft")

    def _say(self, text: str, kind: str) -> None:
        if self.note.property("kind") != kind:
            self.note.setProperty("kind", kind)
            _restyle(self.note)
        self.note.setText(text)
        if self.fold_note:
            self.note.setVisible(bool(text))

    def _mark(self, *, wrong: bool) -> None:
        """Mark the editor; overridden where there is one."""

    def _left(self) -> None:
        self.check()

    def _edited(self) -> None:
        if self.problem:
            self.check()
        self.changed.emit()


class _Line(QLineEdit):
    """A line that is `width` wide where there is room for it, and narrower where there is not."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self._wanted = width
        self.setMaximumWidth(width)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)

    def sizeHint(self) -> QSize:
        """As wide as is wanted."""
        return QSize(self._wanted, super().sizeHint().height())

    def minimumSizeHint(self) -> QSize:
        """Wide enough for a number."""
        return QSize(min(self._wanted, LEAST_LINE), super().minimumSizeHint().height())


class TextField(Field):
    """One line of free text."""

    def __init__(
        self, label: str, *, hint: str = "", required: bool = True, placeholder: str = "", width: int = 260
    ) -> None:
        super().__init__(label, hint=hint, required=required)
        self.edit = _Line(width)
        self.edit.setPlaceholderText(placeholder)
        self.edit.setAccessibleName(label)
        self.caption.setBuddy(self.edit)
        self.setFocusProxy(self.edit)
        self.row.addWidget(self.edit)
        self.row.addStretch(1)
        self.edit.textEdited.connect(self._edited)
        self.edit.editingFinished.connect(self._finished)

    def text(self) -> str:
        """Return the text as typed, without outer space."""
        return self.edit.text().strip()

    def value(self) -> Any:
        """Return what was entered; `FieldError` when it cannot be taken."""
        if not self.text() and self.required:
            raise FieldError(f"{self.label} is wanted.")
        return self.text()

    def put(self, value: Any) -> None:
        """Show `value`."""
        self.edit.setText("" if value is None else str(value))
        self.edit.setCursorPosition(0)

    def _finished(self) -> None:
        if self.edit.isModified() or self.problem:
            self._left()

    def _mark(self, *, wrong: bool) -> None:
        self.edit.setProperty("wrong", "true" if wrong else "false")
        _restyle(self.edit)


class NumberField(TextField):
    """A number; decimal comma and point are both understood, a thousands separator is refused.

    Args:
        unit: Shown after the field, e.g. "%".
        above: The value must be greater than this.
        lowest: The value must be at least this.
        highest: The value must be at most this.
    """

    def __init__(
        self,
        label: str,
        *,
        unit: str = "",
        hint: str = "",
        required: bool = True,
        above: float | None = None,
        lowest: float | None = None,
        highest: float | None = None,
        whole: bool = False,
        width: int = 120,
    ) -> None:
        super().__init__(label, hint=hint, required=required, width=width)
        self.edit.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.above, self.lowest, self.highest, self.whole = above, lowest, highest, whole
        if unit:
            suffix = QLabel(unit)
            suffix.setProperty("kind", "soft")
            self.row.insertWidget(1, suffix)

    def value(self) -> float | None:
        """Return what was entered; `FieldError` when it cannot be taken."""
        text = self.text()
        if not text:
            if self.required:
                raise FieldError(f"{self.label} is wanted: {self._accepted()}.")
            return None
        return self.within(read_number(self.label, text), text)

    def within(self, value: float, text: str) -> float:
        """Return `value` if it lies in the limits."""
        if (
            (self.above is not None and not value > self.above)
            or (self.lowest is not None and value < self.lowest)
            or (self.highest is not None and value > self.highest)
            or (self.whole and value != int(value))
        ):
            raise FieldError(f"{self.label} is {text}; accepted is {self._accepted()}.")
        return value

    def put(self, value: Any) -> None:
        """Show `value`."""
        self.edit.setText("" if value is None else short(float(value)))

    def _accepted(self) -> str:
        what = "a whole number" if self.whole else "a number"
        limits = []
        if self.above is not None:
            limits.append(f"above {short(self.above)}")
        if self.lowest is not None and self.highest is not None:
            limits.append(f"from {short(self.lowest)} to {short(self.highest)}")
        elif self.lowest is not None:
            limits.append(f"from {short(self.lowest)} up")
        elif self.highest is not None:
            limits.append(f"up to {short(self.highest)}")
        return " ".join([what, *limits])


class TorqueField(Field):
    """A torque with its unit: the unit can be picked, or typed behind the number ("75 lbf ft")."""

    def __init__(
        self,
        label: str,
        *,
        unit: str,
        hint: str = "",
        required: bool = True,
        above: float | None = 0.0,
        units: Sequence[str] = SHOWN_UNITS,
    ) -> None:
        super().__init__(label, hint=hint, required=required)
        self.above = above
        self.edit = _Line(120)
        self.edit.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.edit.setAccessibleName(label)
        self.caption.setBuddy(self.edit)
        self.setFocusProxy(self.edit)
        self.units = Choices(list(dict.fromkeys([*units, unit])))
        self.units.setAccessibleName(f"{label}, unit")
        self.units.setCurrentText(unit)
        self.row.addWidget(self.edit)
        self.row.addWidget(self.units)
        self.row.addStretch(1)
        self.edit.textEdited.connect(self._edited)
        self.edit.editingFinished.connect(self._finished)
        self.units.currentTextChanged.connect(self._edited)

    @property
    def unit(self) -> str:
        """The unit that is picked."""
        return self.units.currentText()

    def set_unit(self, unit: str) -> None:
        """Pick `unit`; the number stays as typed."""
        if self.units.findText(unit) < 0:
            self.units.addItem(unit)
        self.units.setCurrentText(unit)

    def value(self) -> Torque | None:
        """Return what was entered; `FieldError` when it cannot be taken."""
        text = self.edit.text().strip()
        if not text:
            if self.required:
                raise FieldError(f"{self.label} is wanted: a torque{self._limit()}, like 100 {self.unit}.")
            return None
        value, unit = read_torque(self.label, text, self.unit)
        if self.above is not None and not value > self.above:
            raise FieldError(f"{self.label} is {text}; accepted is a torque{self._limit()}.")
        return Torque(value, unit)

    def _limit(self) -> str:
        return f" above {short(self.above)}" if self.above is not None else ""

    def put(self, value: Any) -> None:
        """Show `value`."""
        if value is None:
            self.edit.clear()
            return
        self.set_unit(value.unit)
        self.edit.setText(short(value.value))

    def _finished(self) -> None:
        with contextlib.suppress(FieldError):
            if entered := self.value():
                if entered.unit != self.unit:
                    self.set_unit(entered.unit)
                self.edit.setText(_number_part(self.edit.text()))
        if self.edit.text() or self.problem:
            self._left()

    def _mark(self, *, wrong: bool) -> None:
        self.edit.setProperty("wrong", "true" if wrong else "false")
        _restyle(self.edit)


class DateField(TextField):
    """A day, typed as 2026-03-04 or 4.3.2026."""

    def __init__(self, label: str, *, hint: str = "", required: bool = True) -> None:
        super().__init__(label, hint=hint, required=required, placeholder="2026-03-04", width=140)

    def value(self) -> dt.date | None:
        """Return what was entered; `FieldError` when it cannot be taken."""
        if not self.text() and not self.required:
            return None
        try:
            return parse_date(self.text())
        except DateTextError as problem:
            raise FieldError(f"{self.label}: {problem}") from None

    def put(self, value: Any) -> None:
        """Show `value`."""
        self.edit.setText("" if value is None else value.isoformat())

    def _finished(self) -> None:
        super()._finished()
        if not self.problem and self.text():
            with contextlib.suppress(FieldError):
                self.put(self.value())


class ChoiceField(Field):
    """A row of buttons of which one is down; arrow keys move, Tab leaves the row.

    Where there is no room for the row, a list to pick from stands in its place.

    Args:
        options: (key, words) in order; the first is chosen unless `value` says otherwise.
    """

    def __init__(
        self,
        label: str,
        options: Sequence[tuple[str, str]],
        *,
        value: str | None = None,
        hint: str = "",
        on_change: Callable[[str], None] | None = None,
    ) -> None:
        super().__init__(label, hint=hint)
        self._buttons: dict[str, QPushButton] = {}
        self._group = QButtonGroup(self)
        self._group.setExclusive(True)
        self.row.setSpacing(0)
        self._strip = QWidget()
        strip = QHBoxLayout(self._strip)
        strip.setContentsMargins(0, 0, 0, 0)
        strip.setSpacing(0)
        self._list = Choices()
        self._list.setAccessibleName(label)
        self._list.hide()
        for index, (key, words) in enumerate(options):
            button = QPushButton(words)
            button.setCheckable(True)
            button.setProperty("kind", "choice")
            place = "only" if len(options) == 1 else {0: "first", len(options) - 1: "last"}.get(index, "middle")
            button.setProperty("place", place)
            button.setSizePolicy(QSizePolicy.Policy.Maximum, QSizePolicy.Policy.Fixed)
            button.setAutoDefault(False)
            button.installEventFilter(self)
            self._group.addButton(button)
            self._buttons[key] = button
            strip.addWidget(button)
        self.row.addWidget(self._strip)
        self.row.addWidget(self._list)
        self.row.addStretch(1)
        self.put(options[0][0] if value is None else value)
        self._group.buttonClicked.connect(self._clicked)
        self._list.activated.connect(lambda _index: self.choose(str(self._list.currentData())))
        if on_change is not None:
            self.changed.connect(lambda: on_change(self.value()))

    def value(self) -> str:
        """Return what was entered; `FieldError` when it cannot be taken."""
        return next(key for key, button in self._buttons.items() if button.isChecked())

    def put(self, value: Any) -> None:
        """Show `value`."""
        self._buttons[value].setChecked(True)
        self._one_tab_stop()

    def choose(self, key: str) -> None:
        """Take `key` as if it had been clicked."""
        if key != self.value():
            had_keyboard = any(button.hasFocus() for button in self._buttons.values())
            self.put(key)
            if had_keyboard:
                self._buttons[key].setFocus(Qt.FocusReason.OtherFocusReason)
            self._edited()

    def _clicked(self) -> None:
        self._one_tab_stop()
        self._edited()

    def sizeHint(self) -> QSize:
        """All the buttons beside one another."""
        for button in self._buttons.values():
            button.ensurePolished()
        return self._strip.sizeHint()

    def minimumSizeHint(self) -> QSize:
        """Room for the list that stands in for the buttons."""
        whole = self.sizeHint()
        widest = max(self.fontMetrics().horizontalAdvance(button.text()) for button in self._buttons.values())
        return QSize(min(whole.width(), widest + LIST_EDGES), whole.height())

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Show the buttons, or the list where they have no room."""
        super().resizeEvent(event)
        folded = self.width() < self.sizeHint().width()
        if folded == self._list.isHidden():
            self._list.setVisible(folded)
            self._strip.setVisible(not folded)
            self._one_tab_stop()

    def _fill_list(self) -> None:
        self._list.clear()
        for key, button in self._buttons.items():
            if not button.isHidden() or button.isChecked():
                self._list.addItem(button.text(), key)
        self._list.setCurrentIndex(self._list.findData(self.value()))

    def _one_tab_stop(self) -> None:
        self._fill_list()
        if not self._list.isHidden():
            self.setFocusProxy(self._list)
            return
        for button in self._buttons.values():
            chosen = button.isChecked()
            button.setFocusPolicy(Qt.FocusPolicy.StrongFocus if chosen else Qt.FocusPolicy.ClickFocus)
            if chosen:
                self.setFocusProxy(button)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Walk the row with the arrow keys."""
        if event.type() == QEvent.Type.KeyPress and isinstance(event, QKeyEvent):
            keys = list(self._buttons)
            here = keys.index(self.value())
            step = {Qt.Key.Key_Left: -1, Qt.Key.Key_Up: -1, Qt.Key.Key_Right: 1, Qt.Key.Key_Down: 1}.get(
                Qt.Key(event.key())
            )
            if step is not None:
                key = keys[(here + step) % len(keys)]
                self.choose(key)
                self._buttons[key].setFocus(Qt.FocusReason.TabFocusReason)
                return True
        return super().eventFilter(watched, event)


class Choices(QComboBox):
    """A list to pick one from; the wheel changes it only while it has the keyboard."""

    def __init__(self, texts: Sequence[str] = (), parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.addItems(list(texts))
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToContents)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Maximum, QSizePolicy.Policy.Fixed)

    def narrow(self, n_characters: int) -> None:
        """No wider than so many characters, however long the words to pick from; it grows with the type."""
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(n_characters)

    def minimumSizeHint(self) -> QSize:
        """What is picked is always to be read."""
        return self.sizeHint()

    def showPopup(self) -> None:
        """Open the list as high as its rows are: Qt forgets the frame, and half of the last row lay under a scroller."""
        super().showPopup()
        view, popup = self.view(), self.view().window()
        rows = sum(view.sizeHintForRow(row) for row in range(min(self.count(), self.maxVisibleItems())))
        wanted = popup.height() + rows - view.viewport().height()
        room = self.screen().availableGeometry().bottom() - popup.y()
        if popup.height() < wanted <= room:
            popup.resize(popup.width(), wanted)

    def paintEvent(self, event: Any) -> None:
        """Draw the box, and an arrow that says there is more to pick from."""
        super().paintEvent(event)
        c = theme.palette()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(c.ink if self.isEnabled() else c.soft), 1.6))
        x, y = self.width() - 17.0, self.height() / 2 - 2
        painter.drawPolyline([QPointF(x - 4, y), QPointF(x, y + 4), QPointF(x + 4, y)])
        painter.end()

    def wheelEvent(self, event: Any) -> None:
        """Change only what has the keyboard: a page that scrolls under the pointer changes nothing."""
        if self.hasFocus():
            super().wheelEvent(event)
        else:
            event.ignore()


class PickField(Field):
    """One of a list that may be long; `options` are (key, words)."""

    def __init__(
        self, label: str, options: Sequence[tuple[str, str]], *, value: str | None = None, hint: str = ""
    ) -> None:
        super().__init__(label, hint=hint)
        self.box = Choices()
        self.box.setMinimumWidth(160)
        for key, words in options:
            self.box.addItem(words, key)
        self.caption.setBuddy(self.box)
        self.setFocusProxy(self.box)
        self.row.addWidget(self.box)
        self.row.addStretch(1)
        if value is not None:
            self.put(value)
        self.box.currentIndexChanged.connect(self._edited)

    def value(self) -> str:
        """Return what was entered; `FieldError` when it cannot be taken."""
        return str(self.box.currentData() or "")

    def put(self, value: Any) -> None:
        """Show `value`."""
        index = self.box.findData(value)
        if index < 0 and value:
            self.box.addItem(str(value), value)
            index = self.box.count() - 1
        self.box.setCurrentIndex(max(0, index))


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
        field.caption.setMinimumHeight(34)
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
            field.note.setMinimumHeight(34)
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

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter in any field asks to save."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.submitted.emit()
            return
        super().keyPressEvent(event)


class Panel(QFrame):
    """A panel on the ground with an optional heading; put things into `body`."""

    def __init__(self, heading: str = "", parent: QWidget | None = None, *, margin: int = 16) -> None:
        super().__init__(parent)
        self.setProperty("kind", "panel")
        self.body = QVBoxLayout(self)
        self.body.setContentsMargins(margin, margin - 4, margin, margin - 2)
        self.body.setSpacing(8)
        if heading:
            label = QLabel(heading)
            label.setProperty("kind", "soft")
            self.body.addWidget(label)


def main_button(text: str) -> QPushButton:
    """Return the button for the one thing to do."""
    button = QPushButton(text)
    button.setProperty("kind", "main")
    button.setAutoDefault(False)
    return button


def quiet_button(text: str) -> QPushButton:
    """Return a button without a frame."""
    button = QPushButton(text)
    button.setProperty("kind", "quiet")
    button.setAutoDefault(False)
    return button


def plain_button(text: str) -> QPushButton:
    """Return an ordinary button."""
    button = QPushButton(text)
    button.setAutoDefault(False)
    return button


def label(text: str = "", kind: str = "", *, wrap: bool = False) -> QLabel:
    """Return a label of a kind: "title", "heading", "soft", "problem" or plain."""
    widget = QLabel(text)
    widget.setIndent(0)  # one with padding by the style sheet would be moved in by half a letter
    if kind:
        widget.setProperty("kind", kind)
    widget.setWordWrap(wrap)
    return widget


def read_number(name: str, text: str) -> float:
    """Return the number in `text`; FieldError with a sentence when it is none."""
    try:
        return parse_number(text)
    except ValueError as problem:
        raise FieldError(_sentence(name, problem)) from None


def read_torque(name: str, text: str, default_unit: str) -> tuple[float, str]:
    """Return (value, unit) of a typed torque; FieldError with a sentence when it is none."""
    try:
        return parse_torque(text, default_unit)
    except ValueError as problem:
        raise FieldError(_sentence(name, problem)) from None


def _sentence(name: str, problem: ValueError) -> str:
    text = str(problem)
    if not text.endswith((".", "!", "?")):
        text += "."
    return f"{name}: {text}"


def _number_part(text: str) -> str:
    """Leave the number of a torque text as it was typed and drop its unit."""
    text = text.strip()
    for end, letter in enumerate(text):
        if not (letter.isdigit() or letter in "+-−., '\u202f\u00a0" or (letter in "eE" and text[end + 1 : end + 2])):
            return text[:end].strip()
    return text


def _restyle(widget: QWidget) -> None:
    """Let the style sheet look at a changed property."""
    widget.style().unpolish(widget)
    widget.style().polish(widget)
