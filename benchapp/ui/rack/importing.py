"""A list of tools before it is imported: which column is what, what would come in, what would not and why."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from benchapp.records.model import ToolRecord
from benchapp.records.toollist import FIELDS, BadRow, ListFileError, Table, match_columns, read_table, records_of
from benchapp.torque.units import FACTORS, NM
from benchapp.ui.fields import Choices, Panel, label, main_button, plain_button
from benchapp.ui.format import grouped, kind_text, range_text
from benchapp.ui.page import Column, Listing, scrolled

NOT_IN_LIST = "not in this list"


class ImportView(QWidget):
    """`accepted` carries the records to be stored; nothing is stored before."""

    accepted = Signal(object)
    left = Signal()

    def __init__(self) -> None:
        super().__init__()
        self._table: Table | None = None
        self._known: set[str] = set()
        self._good: list[ToolRecord] = []
        outer = QHBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.setSpacing(12)
        side = Panel("which column is what", margin=18)
        side.setFixedWidth(400)
        inside = QWidget()
        grid = QGridLayout(inside)
        grid.setContentsMargins(0, 0, 6, 0)
        grid.setVerticalSpacing(5)
        self._boxes: dict[str, Choices] = {}
        for row, (key, name) in enumerate(FIELDS.items()):
            box = Choices()
            box.setMinimumWidth(170)
            box.setAccessibleName(name)
            box.currentIndexChanged.connect(self._look)
            self._boxes[key] = box
            grid.addWidget(QLabel(name), row, 0)
            grid.addWidget(box, row, 1)
        self.unit = Choices(list(FACTORS))
        self.unit.setAccessibleName("unit where a row names none")
        self.unit.currentIndexChanged.connect(self._look)
        grid.addWidget(QLabel("Unit where a row names none"), len(FIELDS), 0)
        grid.addWidget(self.unit, len(FIELDS), 1)
        side.body.addWidget(scrolled(inside), 1)
        outer.addWidget(side)
        right = QVBoxLayout()
        right.setSpacing(10)
        self.good_head = label("", "heading")
        self.good = Listing(
            [
                Column("Number", lambda r: r.number, strong=True),
                Column("What it is", lambda r: kind_text(r.tool), width=1.4),
                Column("Range", lambda r: range_text(r.tool), width=1.2),
                Column("Where it hangs", lambda r: r.place),
            ],
            sortable=False,
            name="tools that would be added",
        )
        self.bad_head = label("", "heading")
        self.bad = Listing(
            [
                Column("Line", lambda b: str(b.line), width=0.3, right=True),
                Column("Number", lambda b: b.number or "(none)", width=0.7, strong=True),
                Column("Why it stays out", lambda b: b.why, width=3.0),
            ],
            sortable=False,
            name="rows that stay out",
        )
        self.notes = label("", "soft", wrap=True)
        for head, listing, share in ((self.good_head, self.good, 3), (self.bad_head, self.bad, 2)):
            panel = Panel(margin=0)
            head.setContentsMargins(16, 4, 16, 4)
            panel.body.addWidget(head)
            panel.body.addWidget(listing, 1)
            right.addWidget(panel, share)
        right.addWidget(self.notes)
        buttons = QHBoxLayout()
        self.go = main_button("Add them to the rack")
        self.cancel = plain_button("Back, import nothing")
        buttons.addWidget(self.go)
        buttons.addWidget(self.cancel)
        buttons.addStretch(1)
        right.addLayout(buttons)
        outer.addLayout(right, 1)
        self.go.clicked.connect(lambda: self.accepted.emit(list(self._good)))
        self.cancel.clicked.connect(self.left)

    def read(self, path: str, known: set[str], unit: str = NM) -> str:
        """Read the file and show what it holds; returns a sentence when it cannot be read, else ""."""
        try:
            table = read_table(Path(path))
        except ListFileError as problem:
            return str(problem)
        self._table, self._known = table, known
        matched = match_columns(table.header)
        for key, box in self._boxes.items():
            box.blockSignals(True)
            box.clear()
            box.addItem(NOT_IN_LIST, -1)
            for index, name in enumerate(table.header):
                box.addItem(name or f"column {index + 1}", index)
            box.setCurrentIndex(matched.get(key, -1) + 1)
            box.blockSignals(False)
        self.unit.blockSignals(True)
        self.unit.setCurrentText(unit)
        self.unit.blockSignals(False)
        self._look()
        self.go.setFocus(Qt.FocusReason.OtherFocusReason)
        return ""

    def columns(self) -> dict[str, int]:
        """Return which column is what, as chosen now."""
        return {key: int(box.currentData()) for key, box in self._boxes.items() if (box.currentData() or 0) >= 0}

    def _look(self, *_: object) -> None:
        if self._table is None:
            return
        bad: list[BadRow]
        self._good, bad = records_of(self._table, self.columns(), self._known, self.unit.currentText())
        self.good.show_rows(self._good)
        self.bad.show_rows(bad)
        n = len(self._good)
        self.good_head.setText(f"{grouped(n)} {'tool' if n == 1 else 'tools'} would be added")
        self.bad_head.setText(f"{grouped(len(bad))} {'row stays' if len(bad) == 1 else 'rows stay'} out")
        self.notes.setText(" ".join(self._table.notes))
        self.notes.setVisible(bool(self._table.notes))
        self.go.setEnabled(n > 0)
        self.go.setText(f"Add {grouped(n)} to the rack" if n else "Nothing to add")
