"""Cells of foreign tables: what is a number, a time of the clock, nothing, or words. No Qt."""

from __future__ import annotations

import datetime as dt
import re
from enum import StrEnum
from typing import Final

from benchapp.torque.text import parse_unit
from benchapp.torque.units import UnknownUnitError

NOTHING: Final = frozenset({"", "nan", "n/a", "na", "null", "none", "#n/a", "-", "--", "---"})
"""What files write, in small letters, where there is no value."""

_DATE: Final = r"(?:(?P<y>\d{4})[-/.](?P<m>\d{1,2})[-/.](?P<d>\d{1,2})|(?P<d2>\d{1,2})\.(?P<m2>\d{1,2})\.(?P<y2>\d{4})"
_CLOCK: Final = re.compile(
    _DATE + r"|\d{1,2}/\d{1,2}/\d{2,4})?[T ,]*"
    r"(?P<h>\d{1,2}):(?P<min>\d{2})(?::(?P<s>\d{2}))?(?:[.,:](?P<f>\d{1,9}))?\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
    r"\s*(?P<zone>Z|[+-]\d{2}:?\d{2})?"
)
_MEASURE: Final = re.compile(r"([+-]?[\d.,]*\d[.,]?)\s*([^\W\d_]\D*?)")
_POINT: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_COMMA: Final = re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?")
_THOUSANDS: Final = {
    ".": re.compile(r"[+-]?[1-9]\d{0,2}(?:(?:,\d{3})+|(?:['’\s]\d{3})+)(?:\.\d*)?"),
    ",": re.compile(r"[+-]?[1-9]\d{0,2}(?:(?:\.\d{3})+|(?:['’\s]\d{3})+)(?:,\d*)?"),
}


SAMPLES: Final = "samples"
"""Unit of a time column that only counts samples; how many a second is to be said."""
TIME_WORDS: Final = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sek", "sekunden"), "s"),
    **dict.fromkeys(("ms", "msec", "msecs", "millisecond", "milliseconds", "millisekunden"), "ms"),
    **dict.fromkeys(("µs", "us", "usec", "microsecond", "microseconds"), "µs"),
    **dict.fromkeys(("ns", "nsec", "nanoseconds"), "ns"),
    **dict.fromkeys(("min", "mins", "minutes"), "min"),
    **dict.fromkeys(("sample", "samples"), SAMPLES),
}
"""Words for units of time, in small letters -> ours."""


class Kind(StrEnum):
    """What a cell holds."""

    NUMBER = "number"
    THOUSANDS = "thousands"  # a number with a separator of thousands: never taken, told apart to say so
    TIME = "time"
    MEASURE = "measure"  # a number with its unit behind it
    NOTHING = "nothing"
    WORDS = "words"


def kind_of(text: str, decimal: str) -> Kind:
    """Return what a cell holds.

    >>> [kind_of(cell, ",").value for cell in ("12,5", "1.234,5", "08:15:03,120", "NaN", "over")]
    ['number', 'thousands', 'time', 'nothing', 'words']
    """
    text = text.strip().replace("\u2212", "-")
    if text.casefold() in NOTHING:
        return Kind.NOTHING
    if (_COMMA if decimal == "," else _POINT).fullmatch(text):
        return Kind.NUMBER
    if _THOUSANDS[decimal].fullmatch(text):
        return Kind.THOUSANDS
    if clock_s(text) is not None:
        return Kind.TIME
    measured = measure(text)
    return Kind.MEASURE if measured is not None and kind_of(measured[0], decimal) is Kind.NUMBER else Kind.WORDS


def measure(text: str) -> tuple[str, str] | None:
    """Return (number, unit) of a cell that holds both; None: what stands behind is no unit of torque or time.

    >>> measure("12,5 Nm"), measure("0.001s"), measure("3 bar")
    (('12,5', 'Nm'), ('0.001', 's'), None)
    """
    found = _MEASURE.fullmatch(text.strip().replace("\u2212", "-"))
    if found is None:
        return None
    unit = found[2].strip()
    if unit.casefold() not in TIME_WORDS:
        try:
            parse_unit(unit)
        except UnknownUnitError:
            return None
    return found[1], unit


def number(text: str, decimal: str) -> float | None:
    """Return the number of a cell, NaN for one that holds nothing, None for anything else."""
    kind = kind_of(text, decimal)
    if kind is Kind.NOTHING:
        return float("nan")
    if kind is not Kind.NUMBER:
        return None
    return float(text.strip().replace("\u2212", "-").replace(",", "."))


def clock_s(text: str) -> float | None:
    """Return seconds since midnight, or since a fixed day where the cell bears a date; None: no time of the clock.

    A date with slashes and the year last is not counted (day and month cannot be told apart). Without seconds a time
    must be minutes and seconds with a fraction, as ``03:12.5``: hours and minutes tell no samples apart.

    >>> clock_s("08:15:03,120"), clock_s("03:12.5"), clock_s("08:15"), clock_s("12:00:00 AM")
    (29703.12, 192.5, None, 0.0)
    >>> clock_s("2026-11-30T09:15:03.250+01:00") - clock_s("30.11.2026 08:15:03")
    0.25
    """
    found = _CLOCK.fullmatch(text.strip())
    if found is None:
        return None
    hours, minutes, seconds = int(found["h"]), int(found["min"]), found["s"]
    fraction = float(f"0.{found['f']}") if found["f"] else 0.0
    if seconds is None:
        if not found["f"] or found["half"]:
            return None
        whole = hours * 60 + minutes
    else:
        if found["half"]:
            hours = hours % 12 + (12 if found["half"][0] in "pP" else 0)
        whole = hours * 3600 + minutes * 60 + int(seconds)
    days = _day(found["y"] or found["y2"], found["m"] or found["m2"], found["d"] or found["d2"])
    zone = found["zone"]
    if zone and zone != "Z":
        off = int(zone[1:3]) * 60 + int(zone[-2:])
        whole -= (off if zone[0] == "+" else -off) * 60
    return days * 86400 + whole + fraction


def _day(year: str | None, month: str | None, day: str | None) -> int:
    if year is None or month is None or day is None:
        return 0
    try:
        return dt.date(int(year), int(month), int(day)).toordinal() - _SOME_DAY
    except ValueError:
        return 0


_SOME_DAY: Final = dt.date(2026, 1, 1).toordinal()
