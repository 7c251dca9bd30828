"""When a drifting tool leaves its limits, in words: the same on the screen and on paper."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Final

from benchapp.records import history as life
from benchapp.ui.format import short

YEARS: Final = 20
"""How far ahead `life.drifts` looks."""


def last_day(runs: Sequence[life.RunResult]) -> dt.date:
    """Return the day of the newest full run, from which drift is reckoned on; there is one where there is a drift."""
    full = [run for run in runs if run.stage is not life.Stage.SPOT]
    return dt.datetime.fromisoformat(full[-1].finished).astimezone().date()


def leaving_text(drift: life.DriftAt, start: dt.date) -> str:
    """Return when a checkpoint leaves its limits, with the interval of that date, as "leaves ±4 % in 2027-04 (…)".

    Args:
        drift: Of one checkpoint.
        start: Day of the newest full run.
    """
    limit = f"±{short(drift.limit_percent)} %"
    if drift.earliest_months == 0:
        return f"known too badly to say when it leaves {limit}"
    first, middle, last = (
        _month(start, months) for months in (drift.earliest_months, drift.leaves_months, drift.latest_months)
    )
    if not first:
        return f"stays within {limit} for {YEARS} years at least"
    span = f"{first} to {last}" if last else f"not before {first}"
    if not middle:
        return f"leaves {limit} not before {first}"
    return f"leaves {limit} in {middle} ({span})"


def _month(start: dt.date, months: float | None) -> str:
    return "" if months is None else f"{start + dt.timedelta(days=months * life.DAYS_PER_MONTH):%Y-%m}"
