"""Due dates."""

from __future__ import annotations

import calendar
import datetime as dt


def add_months(day: dt.date, months: int) -> dt.date:
    """The same day `months` later, or that month's last day where it has no such day.

    >>> add_months(dt.date(2024, 1, 31), 1), add_months(dt.date(2023, 12, 15), 12)
    (datetime.date(2024, 2, 29), datetime.date(2024, 12, 15))
    """
    years, month = divmod(day.month - 1 + months, 12)
    year = day.year + years
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def seconds(iso: str) -> float:
    """Seconds since 1970 of an ISO 8601 time; one without offset is taken as UTC. Raises ValueError."""
    moment = dt.datetime.fromisoformat(iso)
    return (moment if moment.tzinfo else moment.replace(tzinfo=dt.UTC)).timestamp()
