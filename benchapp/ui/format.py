"""How the pages write dates, torques, ranges and percentages, and how they put numbers of tools in order. Pure.

No Qt, no clock: today is an argument.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from functools import lru_cache
from typing import Any, Final

from benchapp.metrology.rounding import rounded
from benchapp.metrology.tool import Tool, ToolType
from benchapp.torque.direction import Direction
from benchapp.torque.units import FACTORS, factor_nm, from_nm

MINUS: Final = "−"
NARROW: Final = "\u202f"
HARD: Final = "\u00a0"  # a space that no line is broken at
_UNITS: Final = "|".join(re.escape(unit) for unit in sorted((*FACTORS, "%"), key=len, reverse=True))
BREAK: Final = re.compile(rf" (?!(?:{_UNITS})(?![\w/·]))")
"""Where a text may be broken into lines: at a space, unless a unit follows."""

_ISO: Final = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})")
_NUMBERS: Final = re.compile(r"(\d+)")
_POINTS: Final = re.compile(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4})")


class DateTextError(ValueError):
    """A text that is no date we can read without guessing; the message is a sentence for people."""


@lru_cache(maxsize=1 << 14)
def natural_key(text: str) -> tuple[Any, ...]:
    """Return a sort key in which numbers inside the text count as numbers.

    >>> sorted(["OCF-10", "OCF-9", "A"], key=natural_key)
    ['A', 'OCF-9', 'OCF-10']
    """
    parts = _NUMBERS.split(text.casefold())  # by turns a text, which may be empty, and a number
    return tuple(int(part) if index % 2 else part for index, part in enumerate(parts))


def parse_date(text: str) -> dt.date:
    """Read a date: ``2026-03-04`` or ``4.3.2026``; slashes are refused because they mean two different days.

    >>> parse_date("2026-03-04") == parse_date(" 4.3.2026 ")
    True
    >>> parse_date("03/04/2026")
    Traceback (most recent call last):
    ...
    benchapp.ui.format.DateTextError: “03/04/2026” is read as two different days; write year-month-day, like 2026-03-04.
    """
    stripped = text.strip()
    if not stripped:
        raise DateTextError("A date is wanted, like 2026-03-04.")
    if "/" in stripped:
        raise DateTextError(f"“{stripped}” is read as two different days; write year-month-day, like 2026-03-04.")
    if found := _ISO.fullmatch(stripped):
        year, month, day = (int(part) for part in found.groups())
    elif found := _POINTS.fullmatch(stripped):
        day, month, year = (int(part) for part in found.groups())
    else:
        raise DateTextError(f"“{stripped}” is no date; write year-month-day, like 2026-03-04.")
    try:
        return dt.date(year, month, day)
    except ValueError:
        raise DateTextError(f"“{stripped}” is no day of the calendar.") from None


def glued(text: str) -> str:
    r"""Return `text` with its units held to their numbers wherever a line is broken.

    >>> glued("error at 90 N·m: +3.5 %").split(" ")
    ['error', 'at', '90\xa0N·m:', '+3.5\xa0%']
    """
    return " ".join(part.replace(" ", HARD) for part in BREAK.split(text))


def add_months(day: dt.date, months: int) -> dt.date:
    """Return the same day `months` later, the last of the month where that one is shorter.

    >>> add_months(dt.date(2026, 1, 31), 1)
    datetime.date(2026, 2, 28)
    """
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    following = dt.date(year + (month == 11), (month + 1) % 12 + 1, 1)
    last = (following - dt.timedelta(days=1)).day
    return dt.date(year, month + 1, min(day.day, last))


def due_words(due: dt.date | None, today: dt.date) -> str:
    """Return when something is due, as people say it.

    >>> today = dt.date(2026, 3, 4)
    >>> [due_words(d, today) for d in (None, today, dt.date(2026, 3, 1), dt.date(2026, 3, 13), dt.date(2027, 3, 4))]
    ['', 'due today', 'overdue by 3 days', 'due in 9 days', 'due 2027-03-04']
    """
    if due is None:
        return ""
    days = (due - today).days
    if days < 0:
        return f"overdue by {plural(-days, 'day')}"
    if days == 0:
        return "due today"
    if days <= 45:
        return f"due in {plural(days, 'day')}"
    return f"due {due.isoformat()}"


def plural(n: int, noun: str) -> str:
    r"""Return the number with its noun.

    >>> plural(1, "pull"), plural(12000, "sample")
    ('1 pull', '12\u202f000 samples')
    """
    return f"{grouped(n)} {noun}{'' if n == 1 else 's'}"


def grouped(n: int) -> str:
    """Return a count with narrow spaces every three digits."""
    return f"{n:,}".replace(",", NARROW)


def short(value: float) -> str:
    """Return a number as short as it is, with a true minus sign, never in exponents for what stands on a tool.

    >>> short(30.0), short(-2.5), short(0.04), short(1250.0)
    ('30', '−2.5', '0.04', '1250')
    """
    text = f"{value:.6f}".rstrip("0").rstrip(".") if abs(value) < 1e6 else f"{value:.6g}"
    return text.replace("-", MINUS)


def significant(value: float, digits: int = 4) -> str:
    """Return `value` to so many significant digits without exponent.

    >>> significant(29.0718), significant(0.012345), significant(-152.88, 3)
    ('29.07', '0.01235', '−153')
    """
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - _decade(value))
    return f"{value:.{decimals}f}".replace("-", MINUS)


def _decade(value: float) -> int:
    return int(f"{value:e}".rsplit("e", 1)[1])


def share_text(share: float) -> str:
    """Return a share of one as a whole percentage; one that is neither nothing nor all never reads so.

    >>> share_text(0.25), share_text(0.002), share_text(0.998), share_text(1.0), share_text(0.0)
    ('25 %', '< 1 %', '> 99 %', '100 %', '0 %')
    """
    if 0 < share < 0.005:
        return "< 1 %"
    return "> 99 %" if 0.995 <= share < 1 else f"{share * 100:.0f} %"


def percent(value: float, decimals: int = 1, *, signed: bool = True) -> str:
    """Return a percentage, rounded half-even on its decimal text, so that every page says the same of one value.

    >>> percent(-6.04), percent(0.0), percent(3.149, 2), percent(3.45), percent(3.0, signed=False)
    ('−6.0 %', '0.0 %', '+3.15 %', '+3.4 %', '3.0 %')
    """
    text = f"{rounded(abs(value), -decimals):f}" if math.isfinite(value) else f"{abs(value)}"
    if float(text) == 0:
        return f"{text} %"
    sign = MINUS if value < 0 else "+"
    return f"{sign if signed else ''}{text} %"


def in_unit(value: float, unit: str, shown: str) -> str:
    """Return a torque that is given in `unit` in the unit `shown`, exact where they are the same, else four digits."""
    if unit == shown:
        return short(value)
    return short(float(significant(value * factor_nm(unit) / factor_nm(shown), 4).replace(MINUS, "-")))


def torque_text(torque_nm: float, shown: str) -> str:
    """Return a torque that is kept in N·m in the unit `shown`, to four digits, with its unit.

    >>> torque_text(30.0, "N·m"), torque_text(135.582, "lbf·ft")
    ('30 N·m', '100 lbf·ft')
    """
    return f"{short(float(f'{from_nm(torque_nm, shown):.4g}'))} {shown}"


def range_text(tool: Tool) -> str:
    """Return the tool's range in its own unit: ``20 to 100 N·m``, or its one value."""
    if tool.fixed or tool.lowest == tool.highest:
        return f"{short(tool.highest)} {tool.unit}"
    return f"{short(tool.lowest)} to {short(tool.highest)} {tool.unit}"


def range_in(tool: Tool, shown: str) -> str:
    """Return the tool's range in the unit that is shown; "" when that is its own (it is written already)."""
    if shown == tool.unit:
        return ""
    low, high = in_unit(tool.lowest, tool.unit, shown), in_unit(tool.highest, tool.unit, shown)
    return f"{high} {shown}" if tool.fixed or tool.lowest == tool.highest else f"{low} to {high} {shown}"


def kind_text(tool: Tool) -> str:
    """Return what the tool is, in words."""
    body = "screwdriver" if tool.is_screwdriver else "wrench"
    if tool.tool_type is ToolType.INDICATING:
        return f"shows torque, {body}"
    if tool.fixed:
        return f"lets go at one value, {body}"
    return f"lets go, {body}"


def direction_text(directions: tuple[Direction, ...]) -> str:
    """Return the directions a tool works in."""
    return "both directions" if len(directions) > 1 else directions[0].value if directions else ""


def wall_text(iso: str) -> str:
    """Return an ISO 8601 wall time as ``2026-03-04 09:12``; what cannot be read is returned as it stands."""
    try:
        return dt.datetime.fromisoformat(iso).strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return iso


def moment_text(iso: str) -> str:
    """Return an ISO 8601 time as somebody needs it who was not there: as `wall_text`, and its distance from UTC.

    >>> moment_text("2026-03-04T09:12:30+01:00"), moment_text("2026-03-04T08:12:30Z"), moment_text("2026-03-04T09:12")
    ('2026-03-04 09:12 UTC+01:00', '2026-03-04 08:12 UTC', '2026-03-04 09:12')
    """
    try:
        zone = dt.datetime.fromisoformat(iso).tzname()
    except ValueError:
        return iso
    return f"{wall_text(iso)} {zone or ''}".rstrip()
