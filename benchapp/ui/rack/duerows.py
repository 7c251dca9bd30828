"""Lines of the due list: how soon each is due, and what is said of it. No Qt."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

from benchapp.records.due_references import DueReference
from benchapp.records.model import DUE_SOON_DAYS, DueItem, ToolState
from benchapp.ui.format import direction_text, due_words, natural_key, plural, short

if TYPE_CHECKING:
    from benchapp.runs.planning import Needs, Refusal


class When(StrEnum):
    """How soon a tool is due."""

    OVERDUE = "overdue"
    WEEK = "week"
    MONTH = "month"
    NEXT = "next"
    LATER = "later"


WHEN_WORDS: Final = {
    When.OVERDUE: "Overdue",
    When.WEEK: "This week",
    When.MONTH: "This month",
    When.NEXT: "Next month",
    When.LATER: "Later",
}
WHEN_MARKS: Final = {When.OVERDUE: "ring", When.WEEK: "half", When.MONTH: "half", When.NEXT: "full", When.LATER: "full"}
RANK: Final = {when: rank for rank, when in enumerate(When)}


def when_of(item: DueItem | DueReference, today: dt.date) -> When:
    """Return how soon: this week ends on Sunday (ISO 8601 weeks), a month with its last day.

    A tool that is soon due by its cycles, not by its date, counts to this month.
    """
    if item.state is ToolState.OVERDUE or item.due is None or item.days_left is None:
        return When.OVERDUE
    if item.days_left <= 7 - today.isoweekday():
        return When.WEEK
    if (item.due.year, item.due.month) == (today.year, today.month):
        return When.MONTH
    by_cycles = item.state is ToolState.DUE_SOON and item.days_left > DUE_SOON_DAYS
    if by_cycles:
        return When.MONTH
    months_on = (item.due.year - today.year) * 12 + item.due.month - today.month
    return When.NEXT if months_on == 1 else When.LATER


@dataclass(frozen=True, slots=True)
class DueRow:
    """A line of the list."""

    item: DueItem
    when: When

    @property
    def number(self) -> str:
        """Of the tool."""
        return self.item.number


@dataclass(frozen=True, slots=True)
class ReferenceRow:
    """A line of the list that is a reference to be calibrated."""

    item: DueReference
    when: When

    @property
    def number(self) -> str:
        """Of the reference."""
        return self.item.number


def needs_nm(row: DueRow | ReferenceRow) -> tuple[float, float]:
    """Return the torques, N·m, between which a tool needs a reference, or a reference may be used."""
    return row.item.needs_nm if isinstance(row, DueRow) else row.item.usable_nm or (0.0, 0.0)


def date_key(row: DueRow | ReferenceRow) -> tuple[Any, ...]:
    """Return a sort key: the most urgent first, then by date and number."""
    item = row.item
    return RANK[row.when], item.due.toordinal() if item.due is not None else 0, natural_key(item.number)


def due_text(item: DueItem | DueReference, today: dt.date, *, dated: bool = True) -> str:
    """Return when a tool or reference is due in words, and what makes it so where that is not its date."""
    if item.due is None:
        return "never verified" if isinstance(item, DueItem) else "never calibrated"
    words = due_words(item.due, today)
    if not dated and words.startswith("due 2"):
        words = f"in {plural((item.due - today).days, 'day')}"
    if isinstance(item, DueReference):
        return words
    if item.state is ToolState.OVERDUE and item.due >= today:
        return f"{plural(item.cycles, 'cycle')}: its limit"
    if item.state is ToolState.DUE_SOON and (item.due - today).days > DUE_SOON_DAYS:
        return f"{plural(item.cycles, 'cycle')}: near its limit"
    return words


def checkpoints_text(needs: Needs | Refusal | None, unit: str) -> str:
    """Return the checkpoints in the tool's own unit, as "10, 36, 60 N·m"."""
    checkpoints = getattr(needs, "checkpoints", ())
    targets = sorted({checkpoint.target for checkpoint in checkpoints})
    return (
        f"{', '.join(short(float(f'{target:.6g}')) for target in targets)} {unit}" if targets else "none can be planned"
    )


def readings_text(needs: Needs | Refusal | None) -> str:
    """Return how many readings in which directions."""
    checkpoints = getattr(needs, "checkpoints", ())
    if not checkpoints:
        return ""
    directions = tuple(dict.fromkeys(checkpoint.direction for checkpoint in checkpoints))
    n = sum(checkpoint.n_readings for checkpoint in checkpoints)
    return f"{plural(n, 'reading')}, {direction_text(directions)}"


def references_text(needs: Needs | Refusal | None) -> str:
    """Return the references that would do."""
    would_do = getattr(needs, "would_do", ())
    return " or ".join(covering.number for covering in would_do) if would_do else "none of ours"
