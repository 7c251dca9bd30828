"""Entry of texts, numbers, torques and dates: one look, one way of refusing, one keyboard order.

A field never misreads and never clips: what it cannot take it refuses with a sentence beside it (field, value, limit,
what is accepted). The sentence appears when the person leaves the field or asks to save, not while typing.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QSizePolicy,
    QWidget,
)

from benchapp.torque.text import parse_number, parse_torque
from benchapp.torque.units import SHOWN_UNITS
from benchapp.ui.controls import Choices
from benchapp.ui.format import DateTextError, parse_date, short

LEAST_LINE = 90  # pixels


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


class ScanField(TextField):
    """One line that a scanner may type: its Enter goes on to the next field, and does not save the form half filled."""

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Take the Enter that ends a code."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.focusNextChild()
            return
        super().keyPressEvent(event)


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
