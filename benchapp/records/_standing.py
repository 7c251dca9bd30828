"""What a tool shows that follows from its runs and its jobs: last verification, uses since, next due date."""

from __future__ import annotations

import datetime as dt
import sqlite3
from dataclasses import dataclass

from benchapp.records.dates import add_months, seconds
from benchapp.records.model import DEFAULT_INTERVAL_MONTHS


@dataclass(frozen=True, slots=True)
class ToolStanding:
    """Columns of table `tools` that nobody enters.

    Attributes:
        last_verified: Day of the newest full run with a verdict that is not void, ISO; None without one.
        last_outcome: What it came to; "" without one.
        cycles: Cycles logged since that run was finished.
        due: Day on which its interval ends, ISO; None where nothing says when it began.
    """

    last_verified: str | None
    last_outcome: str
    cycles: int
    due: str | None


def standing_of(raw: sqlite3.Connection, number: str, first_use: str | None, months: int | None) -> ToolStanding:
    """Return what follows for one tool from the tables as `raw` sees them.

    Args:
        raw: A connection.
        number: The tool.
        first_use: Day of its first use, ISO; the interval begins there until it is verified.
        months: Its interval; None: the usual one.
    """
    run = raw.execute(
        "SELECT finished, outcome FROM runs WHERE tool = ? AND seal <> '' AND voided = '' AND is_full "
        "AND outcome IN ('within', 'out') ORDER BY key DESC LIMIT 1",
        (number,),
    ).fetchone()
    last, outcome = (run[0][:10], run[1]) if run else (None, "")
    since = seconds(run[0]) if run else float("-inf")
    cycles = raw.execute(
        "SELECT coalesce(sum(cycles), 0) FROM jobs WHERE tool = ? AND at_s > ?", (number, since)
    ).fetchone()[0]
    base = last or first_use
    interval = DEFAULT_INTERVAL_MONTHS if months is None else months
    due = add_months(dt.date.fromisoformat(base), interval).isoformat() if base else None
    return ToolStanding(last, outcome, cycles, due)
