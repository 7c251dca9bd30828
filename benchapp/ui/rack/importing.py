"""A list before it is imported: which column is what, what would come in, what would not and why."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from benchapp.records.joblist import FIELDS as JOB_FIELDS
from benchapp.records.joblist import jobs_of, match
from benchapp.records.model import JobEntry
from benchapp.records.toollist import FIELDS, BadRow, ListFileError, Table, match_columns, read_table, records_of
from benchapp.torque.units import FACTORS, NM
from benchapp.ui.controls import Choices, Panel, in_row, label, main_button, plain_button
from benchapp.ui.format import grouped, kind_text, plural, range_text, wall_text
from benchapp.ui.listing import Column, Listing
from benchapp.ui.page import scrolled

NOT_IN_LIST = "not in this list"


class ListImportView(QWidget):
    """Whatever comes in as a list; `accepted` carries what is to be stored, nothing is stored before."""

    accepted = Signal(object)
    left = Signal()

    fields: Mapping[str, str] = {}
    """Key of each thing a column can hold, and what it is called."""
    columns_shown: Sequence[Column] = ()
    """Of the list of what would come in."""
    noun = "row"
    where = "the list"

    def match(self, header: Sequence[str]) -> dict[str, int]:
        """Return which column most likely holds what."""
        raise NotImplementedError

    def judge(self, table: Table, unit: str) -> tuple[list[Any], list[BadRow], list[str]]:
        """Return (what would come in, rows that stay out, what is to be said beside)."""
        raise NotImplementedError

    def __init__(self) -> None:
        super().__init__()
        self._table: Table | None = None
        self._good: list[Any] = []
        outer = QHBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.setSpacing(12)
        side = Panel("Which column is what", margin=18)
        side.setMaximumWidth(450)
        inside = QWidget()
        grid = QGridLayout(inside)
        grid.setContentsMargins(0, 0, 6, 0)
        grid.setVerticalSpacing(5)
        self._boxes: dict[str, Choices] = {}
        for row, (key, name) in enumerate(self.fields.items()):
            box = Choices()
            box.setMinimumWidth(140)
            box.setAccessibleName(name)
            box.currentIndexChanged.connect(self._look)
            self._boxes[key] = box
            grid.addWidget(QLabel(name), row, 0)
            grid.addWidget(box, row, 1)
        self.unit = Choices(list(FACTORS))
        self.unit.setAccessibleName("unit where a row names none")
        self.unit.currentIndexChanged.connect(self._look)
        grid.addWidget(QLabel("Unit where a row names none"), len(self.fields), 0)
        grid.addWidget(self.unit, len(self.fields), 1)
        side.body.addWidget(scrolled(inside), 1)
        outer.addWidget(side, 10)
        right = QVBoxLayout()
        right.setSpacing(10)
        self.good_head = label("", "heading")
        self.good = Listing(self.columns_shown, sortable=False, name="what would be added")
        self.bad_head = label("", "heading")
        self.bad = Listing(
            [
                Column("Line", lambda b: str(b.line), width=0.3, right=True),
                Column(next(iter(self.fields.values())), lambda b: b.number or "(none)", width=0.7, strong=True),
                Column("Why it stays out", lambda b: b.why, width=3.0),
            ],
            sortable=False,
            name="rows that stay out",
        )
        self.notes = label("", "soft", wrap=True)
        for head, listing, share in ((self.good_head, self.good, 3), (self.bad_head, self.bad, 2)):
            panel = Panel(margin=0)
            head.setContentsMargins(12, 4, 12, 4)
            panel.body.addWidget(head)
            panel.body.addWidget(listing, 1)
            right.addWidget(panel, share)
        right.addWidget(self.notes)
        self.go = main_button(f"Add them to {self.where}")
        self.cancel = plain_button("Back, import nothing")
        right.addLayout(in_row(self.go, self.cancel))
        outer.addLayout(right, 19)
        self.go.clicked.connect(lambda: self.accepted.emit(list(self._good)))
        self.cancel.clicked.connect(self.left)

    def read_file(self, path: str, unit: str = NM) -> str:
        """Read the file and show what it holds; returns a sentence when it cannot be read, else ""."""
        try:
            table = read_table(Path(path))
        except ListFileError as problem:
            return str(problem)
        self._table = table
        matched = self.match(table.header)
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
        QGuiApplication.setOverrideCursor(Qt.CursorShape.WaitCursor)  # 100,000 rows take seconds
        try:
            self._good, bad, notes = self.judge(self._table, self.unit.currentText())
        finally:
            QGuiApplication.restoreOverrideCursor()
        self.good.show_rows(self._good)
        self.bad.show_rows(bad)
        n = len(self._good)
        self.good_head.setText(f"{plural(n, self.noun)} would be added")
        self.bad_head.setText(f"{grouped(len(bad))} {'row stays' if len(bad) == 1 else 'rows stay'} out")
        taken = set(self.columns().values())
        left = [f"“{name}”" for index, name in enumerate(self._table.header) if name and index not in taken]
        said = [*self._table.notes, *notes]
        if left:
            said.append(f"Not taken from this list: {', '.join(left)}.")
        self.notes.setText(" ".join(said))
        self.notes.setVisible(bool(said))
        self.go.setEnabled(n > 0)
        self.go.setText(f"Add {grouped(n)} to {self.where}" if n else "Nothing to add")


class ImportView(ListImportView):
    """A list of tools."""

    fields = FIELDS
    columns_shown = (
        Column("Number", lambda r: r.number, strong=True),
        Column("What it is", lambda r: kind_text(r.tool), width=1.4),
        Column("Range", lambda r: range_text(r.tool), width=1.2),
        Column("Where it hangs", lambda r: r.place),
    )
    noun = "tool"
    where = "the rack"

    def __init__(self) -> None:
        super().__init__()
        self._known: set[str] = set()

    def read(self, path: str, known: set[str], unit: str = NM) -> str:
        """Read the file; `known` are the numbers in the rack. Returns a sentence when it cannot be read, else ""."""
        self._known = known
        return self.read_file(path, unit)

    def match(self, header: Sequence[str]) -> dict[str, int]:
        """Return which column most likely holds what."""
        return match_columns(header)

    def judge(self, table: Table, unit: str) -> tuple[list[Any], list[BadRow], list[str]]:
        """Return (what would come in, rows that stay out, what is to be said beside)."""
        good, bad = records_of(table, self.columns(), self._known, unit)
        return list(good), bad, []


class JobImportView(ListImportView):
    """A list of what tools were used on."""

    fields = JOB_FIELDS
    columns_shown = (
        Column("Tool", lambda job: job.tool, strong=True, width=0.8),
        Column("Job", lambda job: job.job, width=1.6),
        Column("Person", lambda job: job.person),
        Column("When", lambda job: wall_text(job.at), width=1.1),
        Column("Cycles", lambda job: grouped(job.cycles) if job.cycles else "", width=0.6, right=True),
    )
    noun = "use"
    where = "the log"

    def __init__(self) -> None:
        super().__init__()
        self._tools: dict[str, str] = {}
        self._logged: Sequence[JobEntry] = ()
        self._now = dt.datetime.now(dt.UTC)

    def read(
        self, path: str, tools: dict[str, str], logged: Sequence[JobEntry], now: dt.datetime, unit: str = NM
    ) -> str:
        """Read the file; returns a sentence when it cannot be read, else "". The rest as `joblist.jobs_of`."""
        self._tools, self._logged, self._now = tools, logged, now
        return self.read_file(path, unit)

    def match(self, header: Sequence[str]) -> dict[str, int]:
        """Return which column most likely holds what."""
        return match(header)

    def judge(self, table: Table, unit: str) -> tuple[list[Any], list[BadRow], list[str]]:
        """Return (what would come in, rows that stay out, what is to be said beside)."""
        found = jobs_of(table, self.columns(), self._tools, self._logged, now=self._now, default_unit=unit)
        noon = f"{plural(found.n_noon, 'use')} without a time of day: noon is taken." if found.n_noon else ""
        return list(found.good), list(found.bad), [noon] if noon else []
