"""What the tools of a due list need, in short: for tables and calendars that leave the program."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchapp.metrology.tool import Tool
from benchapp.records.model import DueItem
from benchapp.runs.planning import Needs, Refusal, needs_of
from benchapp.runs.procedure import shipped_procedure

if TYPE_CHECKING:
    from benchapp.records.store import Store

PROCEDURE: Final = "workshop-full"
"""The run that makes a tool not due."""


@dataclass(frozen=True, slots=True)
class DueNeeds:
    """What a full run of one tool asks for.

    Attributes:
        checkpoints: In the tool's own unit, lowest first; none where no run can be planned.
        unit: Of the checkpoints.
        readings: How many, in all directions.
        references: Numbers of those that would do.
    """

    checkpoints: tuple[float, ...]
    unit: str
    readings: int
    references: tuple[str, ...]


def in_short(tool: Tool, needs: Needs | Refusal) -> DueNeeds:
    """Return `needs` without the reasons."""
    if isinstance(needs, Refusal):
        return DueNeeds((), tool.unit, 0, ())
    targets = sorted({float(f"{checkpoint.target:.6g}") for checkpoint in needs.checkpoints})
    n = sum(checkpoint.n_readings for checkpoint in needs.checkpoints)
    return DueNeeds(tuple(targets), tool.unit, n, tuple(covering.number for covering in needs.would_do))


def due_needs(store: Store, items: Iterable[DueItem], today: dt.date) -> dict[str, DueNeeds]:
    """Return what each tool of the list needs, by its number; the references are those fit for use on `today`."""
    procedure, references = shipped_procedure(PROCEDURE), store.references()
    found = {}
    for item in items:
        record = store.tool(item.number)
        if record is not None:
            found[item.number] = in_short(record.tool, needs_of(record.tool, procedure, references, today))
    return found
