"""The card of the reference: its port, which one is mounted, whether it may be used."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Final

from PySide6.QtCore import QTimer
from PySide6.QtGui import QHideEvent, QShowEvent
from PySide6.QtWidgets import QGridLayout, QLineEdit, QWidget

from benchapp.metrology.reference import Reference
from benchapp.torque.text import parse_torque
from benchapp.torque.units import from_nm, to_nm
from benchapp.ui import words
from benchapp.ui.bench.start.card import Card, first_empty
from benchapp.ui.bench.start.listening import Finder
from benchapp.ui.bench.start.override import OverrideBox
from benchapp.ui.bench.start.port import Offered, PortChoice
from benchapp.ui.context import AppContext
from benchapp.ui.settings import Settings

LINK_MS: Final = 400


class ReferenceCard(Card):
    """Against which reference is pulled.

    Attributes:
        references: Those known, by number.
    """

    def __init__(
        self,
        context: AppContext,
        settings: Settings,
        today: Callable[[], dt.date],
        ports: Offered | None,
        profiles: Offered | None,
        finder: Finder | None,
        parent: QWidget,
    ) -> None:
        super().__init__(2, "The reference", parent)
        self.context, self.settings, self.today = context, settings, today
        self.references: dict[str, Reference] = {}
        self.port = PortChoice(context, settings, self, ports, profiles, finder)
        self.reference = self.choices("Reference")
        self.reference.activated.connect(self._picked)
        self.column.addWidget(self.caption("Which one is mounted"))
        self.column.addWidget(self.reference)
        self.new_reference, column = self.group()
        self.new_reference.hide()
        self.number = self.line("Number of the new reference")
        self.number.setText("REF-1")
        self.capacity = self.line("Capacity of the new reference", "200 N·m")
        both = QGridLayout()  # side by side: with an override beneath there is no room for four rows
        for place, widget in enumerate((self.note("It is new: its number"), self.note("and its capacity"))):
            both.addWidget(widget, 0, place)
        both.addWidget(self.number, 1, 0)
        both.addWidget(self.capacity, 1, 1)
        both.setHorizontalSpacing(6)
        both.setVerticalSpacing(3)
        column.addLayout(both)
        self._chosen = ""
        self.override = OverrideBox(context, self, lambda: str(self.reference.currentData() or self.number.text()))
        self.column.addWidget(self.override)
        self.column.addStretch(1)
        self.says = self.note()
        self.column.addWidget(self.says)
        self.link_timer = QTimer(self)
        self.link_timer.setInterval(LINK_MS)
        self.link_timer.timeout.connect(self.look)

    def showEvent(self, event: QShowEvent) -> None:
        """Look at the link while the card is shown."""
        super().showEvent(event)
        self.link_timer.start()

    def hideEvent(self, event: QHideEvent) -> None:
        """And only then."""
        super().hideEvent(event)
        self.link_timer.stop()

    # ---------------------------------------------------------------------------------------------------------- choices

    def offer(self, references: Mapping[str, Reference]) -> None:
        """Offer these, by number; the one that is chosen, or was the last time, stays chosen."""
        is_typed = self.number.isModified() or self.capacity.isModified()
        is_described = is_typed and not self.new_reference.isHidden()
        self.references = dict(references)
        chosen = self.reference.currentData() or self.settings.get("reference")
        self.reference.clear()
        for number, reference in self.references.items():
            capacity = words.plain(float(f"{from_nm(reference.capacity_nm, self.context.unit):.4g}"))
            self.reference.addItem(f"{number}   to {capacity} {self.context.unit}", number)
        self.reference.addItem("another one, new here …", "")
        index = self.reference.findData(chosen) if chosen else 0
        if is_described:  # the records came while a new one was being typed
            index = self.reference.findData("")
        self.reference.setCurrentIndex(max(0, index))
        self._picked()

    def taken(self) -> None:
        """What was typed is being entered: from then on the reference stands in the list."""
        self.number.setModified(False)
        self.capacity.setModified(False)

    def _picked(self) -> None:
        chosen = str(self.reference.currentData() or "")
        if chosen != self._chosen:  # not when the records were only read again: what is being typed stays
            self._chosen = chosen
            self.override.forget()
            self.override.hide()
        is_new = not self.reference.currentData()  # as far as is known: nothing is while the records are being opened
        self.new_reference.setVisible(is_new and self.context.store is not None)
        if self.number.text() in self.references:  # proposed while the records were not open yet
            self.number.clear()
        self.says.setText(self._describe())
        self.reference.setVisible(bool(self.references))
        self.changed.emit()

    def look(self) -> None:
        """Say how the link stands; a capacity that the transducer tells need not be typed."""
        view = self.context.bench.view()
        known = self.known()
        self.port.show_link(view, view.capacity_nm or (known.capacity_nm if known is not None else None))
        if view.capacity_nm and not self.capacity.isModified() and not self.capacity.text():
            amount = words.plain(float(f"{from_nm(view.capacity_nm, self.context.unit):.4g}"))
            self.capacity.setText(f"{amount} {self.context.unit}")
            self.changed.emit()

    # ----------------------------------------------------------------------------------------------------------- answer

    def known(self) -> Reference | None:
        """Return the one that is chosen; None: it is new."""
        return self.references.get(str(self.reference.currentData() or ""))

    def mounted(self) -> Reference:
        """Return the reference, known or new; ValueError says what is missing."""
        known = self.known()
        if known is not None:
            return known
        number = self.number.text().strip()
        if not number:
            raise ValueError("Type the number of the reference, as it is marked.")
        if number in self.references:
            raise ValueError(f"{number} is known already: choose it in the list.")
        if not self.capacity.text().strip():
            raise ValueError("Type the reference's capacity with its unit, for instance 200 N·m.")
        capacity, unit = parse_torque(self.capacity.text(), self.context.unit)
        if not capacity > 0:
            raise ValueError("The reference's capacity must be above zero.")
        return Reference(number=number, capacity_nm=to_nm(capacity, unit), profile=self.port.profile)

    def missing(self) -> QLineEdit | None:
        """Return the field that is still to be filled."""
        return first_empty(self.number, self.capacity)

    def _describe(self) -> str:
        known = self.known()
        if known is None:
            return ""
        calibration = known.calibration
        if calibration is None:
            return "No calibration is entered: its readings are taken as they come. Enter it in References."
        unit = self.context.unit
        low, high = (
            words.plain(float(f"{from_nm(x, unit):.4g}"))
            for x in (calibration.usable_from_nm, calibration.usable_to_nm)
        )
        late = " It is overdue." if calibration.due < self.today() else ""
        return (
            f"{low} to {high} {unit}, certificate {calibration.certificate}, due {calibration.due.isoformat()}.{late}"
        )
