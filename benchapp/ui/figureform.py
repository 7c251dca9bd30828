"""One figure of an own procedure: changed, added, or taken away, with source, mark and the reason."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from functools import partial
from typing import Any, Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QLineEdit, QPushButton, QVBoxLayout, QWidget

from benchapp.runs.procedure import FIGURES, LOWEST, MARKS, Figure, Procedure, ProcedureError, addable
from benchapp.ui import figures
from benchapp.ui.choices import PickField
from benchapp.ui.controls import Choices, in_row, label, main_button, plain_button, quiet_button
from benchapp.ui.fields import FieldError, TextField
from benchapp.ui.form import Form

CHECKPOINTS: Final = "points.at"


class PointsRow(QWidget):
    """The checkpoints one by one, each to be taken away by a click; another one is typed."""

    changed = Signal(list)

    def __init__(self) -> None:
        super().__init__()
        self._row = QHBoxLayout(self)
        self._row.setContentsMargins(0, 0, 0, 0)
        self._row.setSpacing(6)
        self.points: list[Any] = []
        self.buttons: list[QPushButton] = []
        self.another = QLineEdit()
        self.another.setPlaceholderText("another, %")
        self.another.setAccessibleName("another checkpoint, percent of the maximum, or lowest")
        self.another.setMaximumWidth(120)
        self.add = plain_button("Add")
        self._row.addWidget(self.another)
        self._row.addWidget(self.add)
        self._row.addStretch(1)
        self.another.returnPressed.connect(self._add)
        self.add.clicked.connect(self._add)

    def show_points(self, points: Sequence[Any]) -> None:
        """Show these."""
        self.points = list(points)
        for button in self.buttons:
            self._row.removeWidget(button)
            button.deleteLater()
        self.buttons = []
        for i, point in enumerate(self.points):
            button = plain_button(f"{figures.value_text(point)}{'' if point == LOWEST else ' %'}   ×")
            button.setToolTip("Take this checkpoint away")
            button.clicked.connect(partial(self._take_away, i))
            self._row.insertWidget(i, button)
            self.buttons.append(button)

    def _take_away(self, index: int, *_: object) -> None:
        self.changed.emit([point for i, point in enumerate(self.points) if i != index])

    def _add(self) -> None:
        text = self.another.text().strip().removesuffix("%").strip()
        if not text:
            return
        try:
            (point,) = figures.read_value(text, [0.0])
        except (FieldError, ValueError):
            point = text  # what it is not is said where the whole is read
        numbers = [each for each in self.points if isinstance(each, int | float)]
        rest = [each for each in self.points if each not in numbers]
        if isinstance(point, int | float):
            numbers = sorted({*numbers, point})
        else:
            rest = [*rest, *([] if point in rest else [point])]
        self.another.clear()
        self.changed.emit([*rest, *numbers])


class FigureForm(QWidget):
    """Value and mark on the left, source and reason on the right; above them which figure it is.

    Signals:
        kept: name, value, {"source", "mark", "clause", "why"}.
        taken_away: name, why.
        adding_ended: Back to the figure chosen in the list.
    """

    kept = Signal(str, object, dict)
    taken_away = Signal(str, str)
    adding_ended = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.name = ""
        self.is_adding = False
        self._free: dict[str, list[str]] = {}
        self._procedure: Procedure | None = None
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 4, 0, 0)
        column.setSpacing(6)
        self.title = label("", "heading")
        self.pattern, self.kind = Choices(), Choices()
        self.pattern.setAccessibleName("figure to add")
        self.kind.setAccessibleName("for which tools")
        self.add = plain_button("Add a figure …")
        self.add.clicked.connect(self._add_clicked)
        column.addLayout(in_row(self.title, self.pattern, self.kind, right=(self.add,)))
        self.points = PointsRow()
        column.addWidget(self.points)
        forms = QHBoxLayout()
        forms.setSpacing(18)
        self.form, self.reasons = Form(narrow=True), Form(narrow=True)
        self.form.add("value", TextField("Value", width=230))
        mark = self.form.add("mark", PickField("Mark", [(mark, figures.mark_words(mark)) for mark in MARKS]))
        mark.box.setMinimumWidth(290)
        self.reasons.add("source", TextField("Source", width=240))
        self.reasons.add("clause", TextField("Clause", required=False, width=240))
        self.reasons.add("why", TextField("Why", width=240, placeholder="read in the standard itself"))
        forms.addWidget(self.form, 1, Qt.AlignmentFlag.AlignTop)
        forms.addWidget(self.reasons, 0, Qt.AlignmentFlag.AlignTop)
        column.addLayout(forms)
        row = QHBoxLayout()
        self.problem = label("", "problem", wrap=True)
        self.take_away = quiet_button("Take it away")
        self.take_away.setToolTip("The next version of the procedure goes without this figure; needs a reason")
        self.keep = main_button("Keep")
        row.addWidget(self.problem, 1)
        row.addWidget(self.take_away)
        row.addWidget(self.keep)
        column.addLayout(row)
        self.keep.clicked.connect(self._keep)
        self.take_away.clicked.connect(self._take_away)
        self.points.changed.connect(self._points_changed)
        self.form.fields["value"].changed.connect(self._value_changed)
        self.pattern.currentIndexChanged.connect(self._pattern_picked)
        self.kind.currentIndexChanged.connect(self._kind_picked)
        for form in (self.form, self.reasons):
            form.submitted.connect(self._keep)

    # --- showing

    def show_figure(self, name: str, figure: Figure, procedure: Procedure) -> None:
        """Put a figure of the procedure in, to be changed or taken away."""
        self.is_adding, self._procedure = False, procedure
        for box in (self.pattern, self.kind):
            box.hide()
        self.title.setText(f"Change: {figures.figure_title(name)}{_unit_words(figure.unit)}")
        self.add.setText("Add a figure …")
        self.add.setVisible(bool(addable(procedure)))
        self.take_away.show()
        self.keep.setText(f"Keep as version {procedure.version + 1}")
        self._fill(name, figures.value_text(figure.value), figure.mark, figure.source, figure.clause)

    def begin_adding(self) -> None:
        """Offer what the procedure has not."""
        procedure = self._procedure
        if procedure is None:
            return
        self.is_adding = True
        self._free = figures.patterns(addable(procedure))
        self.title.setText("Add:")
        self.add.setText("Back")
        self.take_away.hide()
        self.pattern.blockSignals(True)
        self.pattern.clear()
        for pattern in self._free:
            self.pattern.addItem(figures.pattern_title(pattern), pattern)
        self.pattern.blockSignals(False)
        self.pattern.show()
        self._pattern_picked()
        self.pattern.setFocus(Qt.FocusReason.OtherFocusReason)

    def _pattern_picked(self, *_: object) -> None:
        kinds = self._free.get(str(self.pattern.currentData()), [""])
        self.kind.blockSignals(True)
        self.kind.clear()
        for kind in kinds:
            self.kind.addItem(figures.KIND_WORDS.get(kind, ""), kind)
        self.kind.blockSignals(False)
        self.kind.setVisible(bool(kinds[0]))
        self._kind_picked()

    def _kind_picked(self, *_: object) -> None:
        pattern, kind = str(self.pattern.currentData()), str(self.kind.currentData() or "")
        name = pattern.replace(figures.EVERY, kind)
        if self.is_adding and name in FIGURES:
            self._fill(name, "", "P", "workshop practice", "")

    def _fill(self, name: str, text: str, mark: str, source: str, clause: str) -> None:
        self.name = name
        value = self.form.fields["value"]
        value.put(text)
        self.form.fields["mark"].put(mark)
        self.reasons.fields["source"].put(source)
        self.reasons.fields["clause"].put(clause)
        self.reasons.fields["why"].put("")
        for field in (*self.form.fields.values(), *self.reasons.fields.values()):
            field.accept()
        value.set_hint(figures.wanted_text(name))
        self.problem.setText("")
        self.points.setVisible(name == CHECKPOINTS)
        self._value_changed()

    # --- the checkpoints

    def _points_changed(self, points: list[Any]) -> None:
        value = self.form.fields["value"]
        value.put(figures.value_text(points))
        value.accept()
        self._value_changed()

    def _value_changed(self) -> None:
        if self.name != CHECKPOINTS:
            return
        with contextlib.suppress(FieldError):  # it is said when it is to be kept
            self.points.show_points(figures.read_value(self._text(), [0.0]))

    def _text(self) -> str:
        field = self.form.fields["value"]
        return field.text() if isinstance(field, TextField) else ""

    # --- keeping

    def _keep(self) -> None:
        self.form.fields["value"].required = self.name != CHECKPOINTS  # no checkpoint: typed at the start
        entered, reasons = self.form.values(), self.reasons.values()
        if entered is None or reasons is None:
            return
        try:
            value = figures.read_value(entered["value"], FIGURES[self.name].example)
        except FieldError as problem:
            self.form.refuse("value", f"{problem} {figures.wanted_text(self.name)}")
            return
        given = {key: reasons[key] for key in ("source", "clause", "why")} | {"mark": entered["mark"]}
        self.kept.emit(self.name, value, given)

    def _take_away(self) -> None:
        why = self.reasons.fields["why"]
        if not why.check():
            return
        self.taken_away.emit(self.name, why.value())

    def _add_clicked(self) -> None:
        if self.is_adding:
            self.adding_ended.emit()
        else:
            self.begin_adding()

    def refuse(self, problem: ProcedureError) -> None:
        """Say what cannot be: at the value where it is about this figure, else beneath the whole."""
        said = figures.refusal_text(problem)
        if problem.key == self.name:
            self.form.refuse("value", said)
        else:
            self.problem.setText(said)


def _unit_words(unit: str) -> str:
    return f", {unit}" if unit else ""
