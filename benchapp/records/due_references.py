"""Which references are to be calibrated when: beside the tools of the due list."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from benchapp.metrology.reference import Reference
from benchapp.records.model import DUE_SOON_DAYS, ToolState


@dataclass(frozen=True, slots=True)
class DueReference:
    """A reference and its next calibration.

    Attributes:
        number: The shop's number.
        capacity_nm: Greatest torque it may carry, N·m.
        certificate: Of the calibration in force; "" it has none.
        calibrated: Its date; None without one.
        due: Day by which the next calibration is due; None: it has none yet, so it is due at once.
        days_left: Days to that day, below 0 once it has passed; None without one.
        usable_nm: Lower and upper end of what the calibration covers, N·m; None without one.
    """

    number: str
    capacity_nm: float
    certificate: str = ""
    calibrated: dt.date | None = None
    due: dt.date | None = None
    days_left: int | None = None
    usable_nm: tuple[float, float] | None = None

    @property
    def state(self) -> ToolState:
        """As of a tool in service: overdue, due soon or in service."""
        if self.days_left is None or self.days_left < 0:
            return ToolState.OVERDUE
        return ToolState.DUE_SOON if self.days_left <= DUE_SOON_DAYS else ToolState.IN_SERVICE


def due_references(references: Iterable[Reference], today: dt.date, *, within_days: int = 31) -> list[DueReference]:
    """References whose calibration has ended or ends within so many days, or that have none; most urgent first."""
    found = []
    for reference in references:
        calibration = reference.calibration
        if calibration is None:
            found.append(DueReference(reference.number, reference.capacity_nm))
            continue
        days_left = (calibration.due - today).days
        if days_left <= within_days:
            found.append(
                DueReference(
                    reference.number,
                    reference.capacity_nm,
                    calibration.certificate,
                    calibration.calibrated,
                    calibration.due,
                    days_left,
                    (calibration.usable_from_nm, calibration.usable_to_nm),
                )
            )
    return sorted(found, key=lambda each: (each.due or dt.date.min, each.number))
