"""The custodian's word that a reference is used although it does not meet what the procedure demands."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QPushButton, QVBoxLayout, QWidget

from benchapp.runs.model import RunPlan
from benchapp.ui.bench.start.card import Card
from benchapp.ui.context import AppContext

if TYPE_CHECKING:
    from benchapp.runs.planning import Override, Refusal


class OverrideBox(QWidget):
    """A reason and a button; shown where an override is what is missing.

    Args:
        context: Has the custodian's lock.
        card: On which it stands.
        reference: Gives the number of the reference that is chosen.
    """

    given = Signal()  # the custodian has decided

    def __init__(self, context: AppContext, card: Card, reference: Callable[[], str]) -> None:
        super().__init__(card)
        self.context, self.card = context, card
        self._reference = reference
        self.custodian = ""  # who decided it, under the lock
        self.reason = card.line("Why this reference is used", "REF-2 is at the laboratory", entered=self._ask)
        self.reason.textEdited.connect(self._reason_edited)
        self.decide = QPushButton("The custodian decides …", self)
        self.decide.setToolTip("Asks for the custodian's passphrase; name and reason stand in the record")
        self.decide.clicked.connect(self._ask)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(card.note("Use it all the same: why, and the custodian's word"))
        column.addWidget(self.reason)
        column.addWidget(self.decide)
        self.hide()

    def word(self) -> Override | None:
        """Return what the custodian decided; None while nothing is decided."""
        from benchapp.runs.planning import Override

        return Override(self.custodian, self.reason.text().strip()) if self.custodian else None

    def offer(self, planned: RunPlan | Refusal) -> None:
        """Show the fields where an override is what is missing; what was typed is for this reference."""
        if isinstance(planned, RunPlan):
            needed = any(warning.startswith("Overridden by ") for warning in planned.warnings)
        else:
            needed = planned.key in ("unsuitable", "override")
        self.setVisible(needed)
        if not needed:
            self.forget()

    def forget(self) -> None:
        """Neither word nor reason holds any more."""
        self.custodian = ""
        self.reason.clear()

    def _reason_edited(self) -> None:
        """The custodian's word was for the reason as it stood."""
        self.custodian = ""

    def _ask(self) -> None:
        """Have the custodian's word, under the lock, that this reference is used for this reason."""
        if not self.reason.text().strip():
            self.card.problem.emit("The custodian's word needs a reason; it stands in the record.")
            self.reason.setFocus()
            return
        number = self._reference()

        def decided(who: str) -> None:
            if number == self._reference():
                self.custodian = who
                self.given.emit()

        self.context.as_custodian(f"to use {number} all the same", decided)
