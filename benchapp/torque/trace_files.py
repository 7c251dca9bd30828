"""Trace files: read and write one recorded stretch of torque as text.

UTF-8; lines that begin with ``#`` carry ``key: value`` and may stand anywhere; a header row that names ``time_s`` and
``torque``; rows of comma-separated numbers with a decimal point. What breaks these rules is refused with file, line
and reason. A file without a fault is read by numpy as a whole; at the first doubt it is read again row by row, which
decides and finds the line.
"""

from __future__ import annotations

import datetime as dt
import re
import warnings
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

import numpy as np

from benchapp.torque.direction import Direction
from benchapp.torque.text import parse_unit
from benchapp.torque.trace import Trace
from benchapp.torque.units import NM, UnknownUnitError
from drivers.samples import FloatArray, IntArray, Source

TIME: Final = "time_s"
TORQUE: Final = "torque"
NO_UNIT: Final = f"the file names no unit; {NM} was taken"

_KNOWN: Final = ("unit", "nominal_rate_hz", "capacity", "polarity", "source", "recorded")
_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_NOT_FINITE: Final = re.compile(r"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)
_PLAIN: Final = b"0123456789+-.eE,\n \t"
_MOST_DIGITS: Final = 10**15  # float64 holds every decimal number of 15 digits apart


class TraceFileError(ValueError):
    """A trace file that breaks the rules.

    Attributes:
        file: As it was named.
        line: Counted from 1; None when the fault has no line of its own.
        reason: What is wrong, and what was expected.
    """

    def __init__(self, file: str, line: int | None, reason: str) -> None:
        super().__init__(f"{file}: line {line}: {reason}" if line is not None else f"{file}: {reason}")
        self.file = file
        self.line = line
        self.reason = reason


@dataclass(frozen=True, slots=True)
class _Rows:
    """What the rows hold; `decimals` is None where the rows differ."""

    t_s: FloatArray
    torque: FloatArray
    decimals: int | None
    columns: Mapping[str, tuple[str, ...]]


def read_trace(path: str | Path) -> Trace:
    """Read a trace file.

    Raises:
        TraceFileError: It cannot be read, or breaks the rules.
    """
    try:
        raw = Path(path).read_bytes()
    except OSError as error:
        raise TraceFileError(str(path), None, f"cannot be read: {error.strerror or error}") from error
    return parse_trace(raw, str(path))


def parse_trace(raw: bytes, name: str) -> Trace:
    r"""Read the bytes of a trace file; `name` stands in the refusal.

    Raises:
        TraceFileError: They break the rules.

    >>> trace = parse_trace(b"# unit: lbf-ft\ntime_s,torque\n0.000,1.50\n0.001,1.75\n", "a.csv")
    >>> trace.unit, trace.torque.tolist(), trace.digits.tolist(), trace.decimals
    ('lbf·ft', [1.5, 1.75], [150, 175], 2)
    """
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        at_line = raw.count(b"\n", 0, error.start) + 1
        raise TraceFileError(
            name, at_line, f"byte 0x{raw[error.start]:02x} is not UTF-8; save the file as UTF-8"
        ) from None
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    keys = _Keys(name)
    at, number = 0, 0
    names: list[str] | None = None
    while at < len(text):
        end = text.find("\n", at)
        end = len(text) if end < 0 else end
        line = text[at:end].strip()
        at, number = end + 1, number + 1
        if not line:
            continue
        if not line.startswith("#"):
            names = _header(line, name, number)
            break
        keys.take(line, number)
    if names is None:
        raise TraceFileError(name, None, f"no header row; '{TIME},{TORQUE}' and rows of numbers were expected")
    rows = _all_at_once(text[at:], names)
    if rows is None:
        rows = _row_by_row(text[at:].split("\n"), names, name, number, keys)
    digits, decimals = _digits(rows)
    given = keys.values
    return Trace(
        t_s=rows.t_s,
        torque=rows.torque,
        unit=given.get("unit", NM),
        source=given.get("source", Source.IMPORTED),
        digits=digits,
        decimals=decimals,
        capacity=given.get("capacity"),
        polarity=given.get("polarity", Direction.CLOCKWISE),
        nominal_rate_hz=given.get("nominal_rate_hz"),
        recorded=given.get("recorded"),
        notes=(*(() if "unit" in given else (NO_UNIT,)), *keys.notes),
        extra=keys.extra,
        columns=rows.columns,
    )


class _Keys:
    """The `key: value` lines of a file, as they come."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.values: dict[str, Any] = {}
        self.extra: dict[str, str] = {}
        self.notes: list[str] = []

    def take(self, line: str, number: int) -> None:
        key, colon, value = line.lstrip("#").partition(":")
        key, value = key.strip(), value.strip()
        known = key.lower()
        if not colon:
            key, value = "", line.lstrip("#").strip()
        if not colon or known not in _KNOWN:
            self.extra[key] = f"{self.extra[key]}\n{value}" if key in self.extra else value
            return
        try:
            taken = self._value(known, value)
        except (ValueError, OverflowError) as error:
            raise TraceFileError(self.name, number, f"{known}: {error}") from None
        if known in self.values and self.values[known] != taken:
            raise TraceFileError(self.name, number, f"{known} is given twice, and not the same; keep one of the two")
        self.values[known] = taken

    def _value(self, key: str, value: str) -> Any:
        if key == "unit":
            try:
                return parse_unit(value)
            except UnknownUnitError as error:
                raise ValueError(str(error)) from None
        if key in ("capacity", "nominal_rate_hz"):
            number = float(value) if _NUMBER.fullmatch(value) else float("nan")
            if key == "nominal_rate_hz" and number == 0:
                return None  # as in a profile: 0 is unknown
            if not 0 < number < float("inf"):
                raise ValueError(f"{value!r} is no number greater than 0 with a decimal point")
            return number
        if key == "polarity":
            return _one_of(Direction, value)
        if key == "source":
            return _one_of(Source, value)
        try:
            dt.datetime.fromisoformat(value)
        except ValueError:
            self.notes.append(f"recorded: {value!r} is no ISO 8601 date and time")
        return value


def _one_of(kind: type[Direction] | type[Source], value: str) -> Direction | Source:
    try:
        return kind(value.lower())
    except ValueError:
        raise ValueError(f"{value!r} is none of {', '.join(kind)}") from None


def _header(line: str, name: str, number: int) -> list[str]:
    names = [each.strip() for each in line.split(",")]
    if TIME not in names or TORQUE not in names:
        kind = "numbers" if all(_NUMBER.fullmatch(each) for each in names) else f"{line[:60]!r}"
        raise TraceFileError(name, number, f"the header row must name '{TIME},{TORQUE}', it is {kind}")
    twice = next((each for each in names if names.count(each) > 1), None)
    if twice is not None:
        raise TraceFileError(name, number, f"the header row names {twice!r} twice")
    return names


def _all_at_once(body: str, names: list[str]) -> _Rows | None:
    """Read rows that hold two plain numbers each; None leaves the decision to `_row_by_row`."""
    if names != [TIME, TORQUE] or not body.isascii():
        return None
    body = body.rstrip("\n") + "\n"
    plain = body.encode("ascii")
    if len(plain) < 4 or plain.translate(None, _PLAIN):
        return None
    raw = np.frombuffer(plain, dtype=np.uint8)
    ends = np.flatnonzero(raw == 10)
    commas = np.flatnonzero(raw == 44)
    n = len(ends)
    if len(commas) != n or not (commas < ends).all() or not (commas[1:] > ends[:-1] + 1).all() or commas[0] == 0:
        return None
    if not (ends > commas + 1).all():
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("error", DeprecationWarning)  # numpy's word for text that it cannot read to its end
        try:
            numbers = np.fromstring(body.replace("\n", ","), sep=",", dtype=np.float64)
        except (ValueError, DeprecationWarning):
            return None
    if len(numbers) != 2 * n or not np.isfinite(numbers).all():
        return None
    t_s, torque = numbers[0::2].copy(), numbers[1::2].copy()
    if not (np.diff(t_s) > 0).all():
        return None
    return _Rows(t_s, torque, None if any(each in plain for each in b"eE \t") else _decimals(raw, commas, ends), {})


def _decimals(raw: np.ndarray[Any, np.dtype[np.uint8]], commas: IntArray, ends: IntArray) -> int | None:
    """Decimal places of the torque, where all rows have the same and none an exponent."""
    dots = np.flatnonzero(raw == 46)
    last = np.searchsorted(dots, ends) - 1  # the last dot before the end of each row
    if not len(dots):
        return 0
    at = np.where(last >= 0, dots[last], -1)
    has = at > commas
    if not has.any():
        return 0
    places = (ends - at - 1)[has]
    return int(places[0]) if has.all() and (places == places[0]).all() else None


def _row_by_row(lines: list[str], names: list[str], name: str, number: int, keys: _Keys) -> _Rows:
    """Read row by row: comments between rows, further columns, and the exact place of a fault."""
    i_time, i_torque = names.index(TIME), names.index(TORQUE)
    times: list[float] = []
    torques: list[str] = []
    others: dict[str, list[str]] = {each: [] for each in names if each not in (TIME, TORQUE)}
    for line in lines:
        number += 1
        stripped = line.strip()
        if not stripped:
            continue
        if stripped.startswith("#"):
            keys.take(stripped, number)
            continue
        fields = [each.strip() for each in stripped.split(",")]
        if len(fields) != len(names):
            raise TraceFileError(name, number, _uneven(fields, names))
        for column, text in ((TIME, fields[i_time]), (TORQUE, fields[i_torque])):
            if not _NUMBER.fullmatch(text) or abs(float(text)) == float("inf"):
                raise TraceFileError(name, number, f"{column}: {_no_number(text)}")
        time_s = float(fields[i_time])
        if times and time_s <= times[-1]:
            went = "stands still at" if time_s == times[-1] else f"runs back from {times[-1]:g} to"
            raise TraceFileError(name, number, f"{TIME} {went} {time_s:g}; it must rise from row to row")
        times.append(time_s)
        torques.append(fields[i_torque])
        for column, values in others.items():
            values.append(fields[names.index(column)])
    if not times:
        raise TraceFileError(name, number, "no rows of numbers after the header row")
    places = {_places(text) for text in torques}
    return _Rows(
        np.array(times),
        np.array([float(text) for text in torques]),
        places.pop() if len(places) == 1 else None,
        {column: tuple(values) for column, values in others.items()},
    )


def _uneven(fields: list[str], names: list[str]) -> str:
    told = f"{len(fields)} values where the header row names {len(names)}"
    if len(fields) == 1:
        return f"{told}: {fields[0][:40]!r}"
    if len(fields) == 2 * len(names):
        return f"{told}; the decimal sign must be a point"
    return told


def _no_number(text: str) -> str:
    if not text:
        return "no value"
    if _NOT_FINITE.fullmatch(text) or _NUMBER.fullmatch(text):
        return f"{text!r} is not finite"
    return f"{text[:40]!r} is no number"


def _places(text: str) -> int | None:
    if "e" in text or "E" in text:
        return None
    return len(text.partition(".")[2])


def _digits(rows: _Rows) -> tuple[IntArray | None, int]:
    """(digits, decimals) with ``torque == digits / 10**decimals`` to the last bit, or (None, 0)."""
    if rows.decimals is None or rows.decimals > 15:
        return None, 0
    scaled = np.rint(rows.torque * 10.0**rows.decimals)
    if not (np.abs(scaled) < _MOST_DIGITS).all():
        return None, 0
    digits = scaled.astype(np.int64)
    return (digits, rows.decimals) if (digits / 10.0**rows.decimals == rows.torque).all() else (None, 0)


def write_trace(path: str | Path, trace: Trace) -> None:
    """Write a trace file that `read_trace` reads back to the last bit; notes become `note` lines.

    Raises:
        OSError: The file cannot be written.
        ValueError: The trace holds no sample, or is none that a file may hold (not finite, time running back).
    """
    if not len(trace):
        raise ValueError("a trace without samples has no file")
    if not (np.isfinite(trace.t_s).all() and np.isfinite(trace.torque).all() and (np.diff(trace.t_s) > 0).all()):
        raise ValueError("a trace with time running back, or a number that is not finite, has no file")
    with Path(path).open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(_lines(trace))


def _lines(trace: Trace) -> Iterator[str]:
    for key, value in _head(trace):
        for line in value.splitlines() or [""]:
            yield f"# {key}: {line}\n" if key else f"# {line}\n"
    yield ",".join((TIME, TORQUE, *trace.columns)) + "\n"
    further = tuple(trace.columns.values())
    for low in range(0, len(trace), 65536):
        part = slice(low, low + 65536)
        columns: list[Iterable[str]] = [map(repr, trace.t_s[part].tolist()), _torques(trace, part)]
        columns += [values[part] for values in further]
        yield "\n".join(map(",".join, zip(*columns, strict=True))) + "\n"


def _head(trace: Trace) -> Iterator[tuple[str, str]]:
    yield "unit", trace.unit
    if trace.nominal_rate_hz is not None:
        yield "nominal_rate_hz", _short(trace.nominal_rate_hz)
    if trace.capacity is not None:
        yield "capacity", _short(trace.capacity)
    yield "polarity", trace.polarity.value
    yield "source", trace.source.value
    if trace.recorded is not None:
        yield "recorded", trace.recorded
    yield from trace.extra.items()
    for note in trace.notes:
        yield "note", note


def _short(number: float) -> str:
    return repr(float(number)).removesuffix(".0")


def _torques(trace: Trace, part: slice) -> Iterable[str]:
    if trace.digits is None:
        return map(repr, trace.torque[part].tolist())
    digits = trace.digits[part]
    if len(digits) and int(np.abs(digits).max()) < _MOST_DIGITS:
        form = f"%.{trace.decimals}f"
        return [form % each for each in (digits / 10.0**trace.decimals).tolist()]
    return [f"{Decimal(each).scaleb(-trace.decimals):f}" for each in digits.tolist()]
