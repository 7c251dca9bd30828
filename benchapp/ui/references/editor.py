"""A reference and its calibrations, entered from the certificate: identity, dates, range, and the table of points."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QGuiApplication, QKeyEvent, QKeySequence
from PySide6.QtWidgets import (
    QHBoxLayout,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from benchapp.metrology.errors import RefusedError
from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.torque.units import NM, from_nm, to_nm
from benchapp.ui import page as pages
from benchapp.ui.choices import ChoiceField, PickField
from benchapp.ui.controls import Panel, in_row, label, main_button, plain_button, quiet_button
from benchapp.ui.fields import DateField, NumberField, TextField, Torque, TorqueField
from benchapp.ui.form import Form
from benchapp.ui.format import add_months, short
from benchapp.ui.page import scrolled
from benchapp.ui.references.model import (
    PointError,
    checked,
    point_of,
    refusal_of,
    rows_of_text,
)
from benchapp.ui.references.picture import CalibrationPicture

COLUMNS = ("applied", "indicated", "U in %", "direction", "rising or falling")
LEAST_ROWS = 8


class ReferenceEditor(QWidget):
    """Asks about one reference; `saved` carries it."""

    saved = Signal(object)
    left = Signal()

    def __init__(self, profiles: Sequence[tuple[str, str]] = ()) -> None:
        super().__init__()
        self.reference: Reference | None = None
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        panel = Panel(margin=22)
        form = self.form = Form()
        self.number = form.add("number", TextField("Its number", placeholder="REF-1", width=180))
        self.capacity = form.add(
            "capacity",
            TorqueField(
                "Its capacity", unit=NM, hint="The greatest torque it may carry. From there on the Bench warns."
            ),
        )
        form.add(
            "profile",
            PickField(
                "It talks like",
                [("", "not known yet"), *profiles],
                hint="The profile of its serial line; the Bench can find it by listening.",
            ),
        )
        form.add(
            "identity",
            TextField(
                "It answers with",
                required=False,
                hint="Its reply when asked who it is, or its USB serial number; empty if it cannot tell. Then a person "
                "confirms it before a run.",
            ),
        )
        form.add("maker", TextField("Maker", required=False))
        form.add("model", TextField("Model", required=False))
        form.add("serial", TextField("Serial number", required=False))
        panel.body.addWidget(form)
        outer.addWidget(panel)
        outer.addStretch(1)
        row = QHBoxLayout()
        self.save = main_button("Keep this reference")
        self.cancel = plain_button("Back, change nothing")
        self.problem = label("", "problem", wrap=True)
        row.addWidget(self.save)
        row.addWidget(self.cancel)
        row.addWidget(self.problem, 1)
        outer.addLayout(row)
        self.save.clicked.connect(self.submit)
        form.submitted.connect(self.submit)
        self.cancel.clicked.connect(self.left)

    def ask(self, reference: Reference | None, unit: str = NM) -> None:
        """Ask about a new reference (None) or show one."""
        self.reference = reference
        self.problem.setText("")
        for field in self.form.fields.values():
            field.accept()
        self.number.put(reference.number if reference else "")
        self.number.edit.setReadOnly(reference is not None)
        if reference is None:
            self.capacity.set_unit(unit)
            self.capacity.put(None)
        else:
            self.capacity.put(Torque(float(f"{from_nm(reference.capacity_nm, unit):.8g}"), unit))
        for key in ("profile", "identity", "maker", "model", "serial"):
            self.form.fields[key].put(getattr(reference, key) if reference else "")
        (self.capacity if reference else self.number).setFocus(Qt.FocusReason.OtherFocusReason)

    def submit(self) -> None:
        """Keep what was entered, or say what cannot stand."""
        entered = self.form.values()
        if entered is None:
            return
        capacity_nm = to_nm(entered["capacity"].value, entered["capacity"].unit)
        base = self.reference
        calibration = base.calibration if base else None
        if calibration is not None and calibration.usable_to_nm > capacity_nm * (1 + 1e-9):
            unit = entered["capacity"].unit
            self.form.refuse(
                "capacity",
                f"Its calibration {calibration.certificate} goes up to "
                f"{short(float(f'{from_nm(calibration.usable_to_nm, unit):.6g}'))} {unit}; the capacity is no less.",
            )
            return
        self.saved.emit(
            Reference(
                number=entered["number"],
                capacity_nm=capacity_nm,
                profile=entered["profile"],
                identity=entered["identity"],
                calibrations=base.calibrations if base else (),
                maker=entered["maker"],
                model=entered["model"],
                serial=entered["serial"],
            )
        )


class PointTable(QTableWidget):
    """Points of a certificate; Ctrl+V takes rows copied from a spreadsheet."""

    edited = Signal()

    def __init__(self) -> None:
        super().__init__(LEAST_ROWS, len(COLUMNS))
        self.setAccessibleName("calibration points")
        self.verticalHeader().hide()
        self.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        self.verticalHeader().setDefaultSectionSize(30)
        self.setMinimumHeight(250)
        self.setTabKeyNavigation(True)
        self.setAlternatingRowColors(True)
        self.set_unit(NM)
        self.itemChanged.connect(self._changed)

    def set_unit(self, unit: str) -> None:
        """Say the unit in the headings; typed numbers stay as they are."""
        self.setHorizontalHeaderLabels([f"{COLUMNS[0]}, {unit}", f"{COLUMNS[1]}, {unit}", *COLUMNS[2:]])

    def rows(self) -> list[list[str]]:
        """Return the texts of all rows."""
        return [
            [item.text() if (item := self.item(row, column)) else "" for column in range(self.columnCount())]
            for row in range(self.rowCount())
        ]

    def put(self, rows: Sequence[Sequence[str]]) -> None:
        """Show rows."""
        self.blockSignals(True)
        self.clearContents()
        self.setRowCount(max(LEAST_ROWS, len(rows) + 1))
        for row, cells in enumerate(rows):
            for column, text in enumerate(cells[: self.columnCount()]):
                self.setItem(row, column, _cell(text, right=column < 3))
        self.blockSignals(False)
        self.edited.emit()

    def paste(self, text: str) -> None:
        """Put copied rows at the cursor."""
        rows = rows_of_text(text)
        top, left = max(0, self.currentRow()), max(0, self.currentColumn())
        self.blockSignals(True)
        self.setRowCount(max(self.rowCount(), top + len(rows) + 1))
        for down, cells in enumerate(rows):
            for across, cell in enumerate(cells):
                if left + across < self.columnCount():
                    self.setItem(top + down, left + across, _cell(cell, right=left + across < 3))
        self.blockSignals(False)
        self.edited.emit()

    def _changed(self, item: QTableWidgetItem) -> None:
        if item.row() == self.rowCount() - 1 and item.text().strip():
            self.setRowCount(self.rowCount() + 1)
        if item.column() < 3:
            item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.edited.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Paste, clear, and Enter that goes down."""
        if event.matches(QKeySequence.StandardKey.Paste):
            self.paste(QGuiApplication.clipboard().text())
        elif event.key() == Qt.Key.Key_Delete:
            for item in self.selectedItems():
                item.setText("")
        elif event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.setCurrentCell(min(self.currentRow() + 1, self.rowCount() - 1), self.currentColumn())
        else:
            super().keyPressEvent(event)


def _cell(text: str, *, right: bool) -> QTableWidgetItem:
    item = QTableWidgetItem(text)
    if right:
        item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
    return item


class CalibrationEditor(QWidget):
    """Asks for a new certificate; `saved` carries the calibration. Entered ones are never changed."""

    saved = Signal(object)
    left = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.reference: Reference | None = None
        self._asked_about: Calibration | None = None
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        columns = QHBoxLayout()
        columns.setSpacing(12)
        outer.addLayout(columns, 1)
        self.form = Form(narrow=True)
        self._build_form()
        facts = Panel(margin=20)
        inside = QWidget()
        box = QVBoxLayout(inside)
        box.setContentsMargins(0, 0, 8, 0)
        box.addWidget(self.form)
        box.addStretch(1)
        facts.body.addWidget(scrolled(inside), 1)
        columns.addWidget(facts, 9)
        right = Panel(margin=16)
        self.paste = quiet_button("Paste rows")
        right.body.addLayout(in_row(label("Points, as on the certificate", "section"), right=(self.paste,)))
        self.table = PointTable()
        right.body.addWidget(self.table, 3)
        self.table_problem = label("", "problem", wrap=True)
        right.body.addWidget(self.table_problem)
        self.picture = CalibrationPicture()
        right.body.addWidget(self.picture, 3)
        columns.addWidget(right, 10)
        row = QHBoxLayout()
        self.save = main_button("Enter this calibration")
        self.cancel = plain_button("Back, change nothing")
        self.problem = label("It cannot be changed afterwards; a correction is a new entry.", "soft", wrap=True)
        row.addWidget(self.save)
        row.addWidget(self.cancel)
        row.addWidget(self.problem, 1)
        outer.addLayout(row)
        self.save.clicked.connect(self.submit)
        self.cancel.clicked.connect(self.left)
        self.paste.clicked.connect(lambda: self.table.paste(QGuiApplication.clipboard().text()))
        self.table.edited.connect(self._look)

    def _build_form(self) -> None:
        form = self.form
        form.add("certificate", TextField("Certificate number", width=200))
        form.add("laboratory", TextField("Laboratory", width=330))
        form.add("calibrated", DateField("Calibrated on"))
        form.add("due", DateField("Next one due", hint="Empty: two years later.", required=False))
        self.unit = form.add(
            "unit", PickField("Unit of its figures", [(u, u) for u in ("N·m", "cN·m", "lbf·ft", "lbf·in", "kgf·m")])
        )
        form.add("from", NumberField("Usable from", above=0, required=False, hint="Empty: its lowest point."))
        form.add("to", NumberField("Usable to", above=0, required=False, hint="Empty: its highest point."))
        form.add("k", NumberField("Coverage factor k", lowest=1, highest=5, hint="Of the U stated; mostly 2."))
        self.degree = form.add(
            "degree",
            ChoiceField("Correction", [("0", "None"), ("1", "Line"), ("2", "Degree 2"), ("3", "Degree 3")], value="1"),
        )
        form.add("class", TextField("Class, if stated", required=False, width=120, placeholder="0.5"))
        form.add(
            "interval",
            NumberField(
                "W' in %, if stated", required=False, above=0, highest=100, hint="Empty: taken from U and error."
            ),
        )
        form.add(
            "temperature",
            NumberField("Temperature", unit="°C", required=False, lowest=-10, highest=60, hint="At its calibration."),
        )
        form.add(
            "coefficient",
            NumberField(
                "Change with temperature",
                unit="% per K",
                required=False,
                lowest=-1,
                highest=1,
                hint="From its data sheet, e.g. 0.02; with the temperature of a run it is part of the uncertainty.",
            ),
        )
        self.unit.changed.connect(self._unit_changed)
        self.degree.changed.connect(self._look)

    def ask(self, reference: Reference, unit: str) -> None:
        """Ask for a new certificate of `reference`."""
        self.reference, self._asked_about = reference, None
        for key, field in self.form.fields.items():
            field.accept()
            if key not in ("degree", "unit"):
                field.put(
                    "" if isinstance(field, TextField) and not isinstance(field, (NumberField, DateField)) else None
                )
        self.form.fields["k"].put(2.0)
        self.unit.put(unit)
        last = reference.calibration
        if last is not None:
            self.form.fields["laboratory"].put(last.laboratory)
            self.degree.put(str(last.degree))
        self.table.set_unit(self.unit.value())
        self.table.put([])
        self.table_problem.setText("")
        self.form.fields["certificate"].setFocus(Qt.FocusReason.OtherFocusReason)

    def _unit_changed(self) -> None:
        self.table.set_unit(self.unit.value())
        self._look()

    def points(self) -> tuple[CalibrationPoint, ...]:
        """Return the points of the table; raises `PointError`."""
        found = (point_of(cells, row, self.unit.value()) for row, cells in enumerate(self.table.rows()))
        return tuple(point for point in found if point is not None)

    def _look(self) -> None:
        """Draw what was typed so far; rows that are not full yet are left out of the picture."""
        points = []
        for row, cells in enumerate(self.table.rows()):
            try:
                point = point_of(cells, row, self.unit.value())
            except PointError:
                continue
            if point is not None:
                points.append(point)
        day = dt.date(2000, 1, 1)
        draft = Calibration("", "", day, day, 0.0, 0.0, 2.0, tuple(points), int(self.degree.value()))
        self.picture.show_calibration(draft if points else None, self.unit.value())
        if self.table_problem.text():
            self.table_problem.setText("")

    def submit(self) -> None:
        """Enter the calibration, or say beside the field what cannot stand."""
        entered = self.form.values()
        try:
            points = self.points()
        except PointError as problem:
            self.table_problem.setText(str(problem))
            self.table.setCurrentCell(problem.row, problem.column)
            return
        if not points:
            self.table_problem.setText("The points of the certificate are wanted: applied and indicated, a row each.")
            return
        if entered is None:
            return
        if entered["coefficient"] is not None and entered["temperature"] is None:
            self.form.refuse("temperature", "With a change per kelvin, the temperature of the calibration is wanted.")
            return
        calibration = self._calibration(entered, points)
        if self.reference is not None and calibration.usable_to_nm > self.reference.capacity_nm * (1 + 1e-9):
            unit = self.unit.value()
            self.form.refuse(
                "to",
                f"Above the capacity of {self.reference.number}, "
                f"{short(float(f'{from_nm(self.reference.capacity_nm, unit):.6g}'))} {unit}.",
            )
            return
        try:
            checked(calibration)
        except RefusedError as problem:
            key, sentence = refusal_of(problem, self.unit.value())
            if key == "points":
                self.table_problem.setText(sentence)
                self.table.setFocus(Qt.FocusReason.OtherFocusReason)
            else:
                self.form.refuse(key, sentence)
            return
        if self._is_of_a_wrong_day(calibration):
            return
        self.saved.emit(calibration)

    def _is_of_a_wrong_day(self, calibration: Calibration) -> bool:
        """Refuse a day to come; of one older than the calibration in force, whose place it takes, be sure first."""
        day, now = calibration.calibrated, self.reference.calibration if self.reference is not None else None
        if day > pages.today():
            self.form.refuse(
                "calibrated", f"That is after today, {pages.today().isoformat()} by this computer's clock."
            )
            return True
        if now is not None and day < now.calibrated and self._asked_about != calibration:
            self._asked_about = calibration
            self.form.refuse(
                "calibrated",
                f"{now.certificate}, in force now, is of {now.calibrated.isoformat()}; this older one would take its "
                "place. Enter it once more if it is to, as after a wrong entry.",
            )
            return True
        return False

    def _calibration(self, entered: dict[str, Any], points: tuple[CalibrationPoint, ...]) -> Calibration:
        unit = self.unit.value()
        rising = [point.applied_nm for point in points if not point.falling] or [points[0].applied_nm]
        calibrated: dt.date = entered["calibrated"]
        return Calibration(
            certificate=entered["certificate"],
            laboratory=entered["laboratory"],
            calibrated=calibrated,
            due=entered["due"] or add_months(calibrated, 24),
            usable_from_nm=min(rising) if entered["from"] is None else to_nm(entered["from"], unit),
            usable_to_nm=max(rising) if entered["to"] is None else to_nm(entered["to"], unit),
            coverage_factor=entered["k"],
            points=points,
            degree=int(entered["degree"]),
            reference_class=entered["class"],
            interval_percent=entered["interval"],
            temperature_c=entered["temperature"],
            temperature_percent_per_k=entered["coefficient"],
        )
