"""Recordings from elsewhere: a CSV in which time and torque are found, shown before it is taken, and read. No Qt.

Nothing is guessed in silence: what was assumed of a column (its unit, seconds or milliseconds, decimal comma) is
offered as a matching that a person can change, and stands as a note on the trace.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain, pairwise
from pathlib import Path
from typing import Final

import numpy as np
from platformdirs import user_cache_dir

from benchapp.torque.direction import Direction
from benchapp.torque.text import parse_unit
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import write_trace
from benchapp.torque.units import NM, UnknownUnitError
from benchapp.ui.calloff import CalledOff, never
from benchapp.ui.curves.cells import SAMPLES, TIME_WORDS, Kind, clock_s, kind_of, measure, number
from benchapp.ui.format import plural, significant
from drivers.samples import FloatArray, Source

MOST_BYTES: Final = 100_000_000
"""Read as texts, a file takes about twenty times its size in memory."""
ROWS_AT_ONCE: Final = 20_000
"""Rows between two looks whether somebody has called it off."""
TIME_SCALES: Final = {"s": 1.0, "ms": 1e-3, "µs": 1e-6, "ns": 1e-9, "min": 60.0}
COUNTED: Final = SAMPLES
CLOCK: Final = "time of day"
"""Unit of a time column of clock times, with or without a date."""
TIME_UNITS: Final = (*TIME_SCALES, COUNTED, CLOCK)

_LOOK: Final = 10  # rows by which a column is told
_TIME: Final = re.compile(r"time|zeit|\bt\b|\bt_|\b(secs?|seconds?)\b|elapsed|uhr|temps|tiempo", re.IGNORECASE)
_COUNTER: Final = re.compile(r"sampl|index|\bno\.?\b|\bnr\.?\b|\bn\b|count|point|\brow\b|^#$|messpunkt", re.IGNORECASE)
_TORQUE: Final = re.compile(r"torque|moment|\bm\b|\bmd\b|value|reading|wert", re.IGNORECASE)
_BRACKETS: Final = re.compile(r"[\[({]\s*([^\])}]+?)\s*[\])}]")
_EPOCHS: Final = ((1e17, "ns"), (1e14, "µs"), (1e11, "ms"))
"""From so large a number on, a time without a unit counts from 1970 in this one (1e11 s is the year 5138)."""
_SINCE_1970_S: Final = 1e8
"""A time that begins so late is one since 1970 (1e8 s is March 1973)."""
_RATE: Final = re.compile(
    r"(?:rate|frequen|abtast|sampl)[^\d]*?(\d+(?:[.,]\d+)?)\s*(k?)(?:hz|/s|sps|s/s|samples per second)", re.IGNORECASE
)


class ForeignFileError(ValueError):
    """A file that holds no torque over time as far as we can see; the message says what, where, what to do."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A CSV file as columns of texts.

    Attributes:
        file: Its name.
        header: Names of the columns, made up where the file has none.
        rows: Texts, rows of equal length.
        first_line: Line of the first row in the file, from 1.
        decimal: "." or ",".
        notes: What had to be assumed so far.
        above: Lines before the table.
        kinds: What each column holds, told by its first rows.
    """

    file: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    first_line: int
    decimal: str
    notes: tuple[str, ...] = ()
    above: tuple[str, ...] = ()
    kinds: tuple[Kind, ...] = ()
    _read: dict[tuple[int, bool], FloatArray] = field(default_factory=dict, repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class Matching:
    """Which column is what.

    Attributes:
        time: Column of the time; None: there is none, samples follow one another at `rate_hz`.
        time_unit: One of `TIME_UNITS`.
        torque: Column of the torque.
        unit: A key of `benchapp.torque.units.FACTORS`.
        rate_hz: Where there is no time column, or one that counts samples, > 0; None: it is to be asked.
        clockwise: Positive is clockwise.
        capacity: Of the reference in `unit`; None unknown.
    """

    time: int | None
    torque: int
    time_unit: str = "s"
    unit: str = NM
    rate_hz: float | None = None
    clockwise: bool = True
    capacity: float | None = None


def read_sheet(path: Path, is_called_off: Callable[[], bool] = never) -> Sheet:
    """Read a foreign CSV file.

    Raises:
        ForeignFileError: Not readable, too large, no text, or no columns of numbers.
        CalledOff: `is_called_off` returned True.
    """
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise ForeignFileError(
                f"{path.name} has {size // 1_000_000} MB; at most {MOST_BYTES // 1_000_000} MB are opened here. "
                "Write it as a trace file, which may be larger."
            )
        data = path.read_bytes()
    except OSError as problem:
        raise ForeignFileError(f"{path}: {problem.strerror or problem}. Choose another file.") from problem
    return sheet_of(data, path.name, is_called_off)


def sheet_of(data: bytes, name: str = "recording", is_called_off: Callable[[], bool] = never) -> Sheet:
    r"""Read CSV bytes; lines before the table (titles, settings) are skipped and noted.

    Raises:
        ForeignFileError: No text, or nowhere two lines of numbers after one another.
        CalledOff: `is_called_off` returned True.

    >>> sheet = sheet_of(b"bench 4\nTime (ms);Torque (Nm)\n0;0,1\n1;0,3\n")
    >>> sheet.header, sheet.decimal, sheet.first_line
    (('Time (ms)', 'Torque (Nm)'), ',', 3)
    """
    text, notes = _text(data, name)
    blocks = _blocks(text)
    lines = next(blocks, [])  # holds all that stands above the table
    found = _table_at(lines)
    if found is None:
        raise ForeignFileError(
            f"{name}: no rows of numbers were found. Wanted are columns of numbers, one row a sample, told apart by "
            "commas, semicolons, tabs, spaces or bars."
        )
    at, mark, decimal, kinds = found
    rows: list[tuple[str, ...]] = []
    left = 0
    for block in chain([lines[at:]], blocks):
        if is_called_off():
            raise CalledOff
        split = _split(block, mark)
        taken = [tuple(cells) for cells in split if len(cells) == len(kinds)]
        left += len(split) - len(taken)
        rows += taken
    if left:
        notes.append(f"{plural(left, 'line')} with another number of columns left out.")
    if text[-1] not in "\r\n" and len(rows) > 2 and sum(map(len, rows[-1])) < sum(map(len, rows[-2])):
        rows.pop()  # "5" in place of "59.98" is a tool that let go
        notes.append("The last line has no end and is shorter than the one before it: it may be cut, and was left out.")
    kinds = tuple(
        next((k for row in rows if (k := kind_of(row[i], decimal)) is not Kind.NOTHING), kind)
        if kind is Kind.NOTHING
        else kind
        for i, kind in enumerate(kinds)
    )
    if len(kinds) > 1 and kinds[-1] is Kind.NOTHING:  # a separator at the end of each line
        kinds, rows = kinds[:-1], [row[:-1] for row in rows]
    header, skipped = _header(lines, at, mark, kinds)
    if _is_cut_clock(kinds, rows):
        rows = [(f"{row[0]}.{row[1]}", *row[2:]) for row in rows]
        kinds = (kinds[0], *kinds[2:])
        header, skipped = _header(lines, at, mark, kinds)
    header, kinds, rows = _without_units(header, kinds, rows)
    if skipped:
        notes.append(f"{plural(skipped, 'line')} before the table skipped.")
    return Sheet(name, header, tuple(rows), at + 1, decimal, tuple(notes), tuple(lines[:at]), kinds)


def _without_units(
    header: tuple[str, ...], kinds: tuple[Kind, ...], rows: list[tuple[str, ...]]
) -> tuple[tuple[str, ...], tuple[Kind, ...], list[tuple[str, ...]]]:
    """The same table with the units of its cells in the names of their columns: "12.5 Nm" under "torque [Nm]"."""
    for column, kind in enumerate(kinds):
        if kind is not Kind.MEASURE:
            continue
        cells = [(measure(row[column]) or (row[column], "")) for row in rows]
        units = {unit for _, unit in cells if unit}
        if len(units) != 1:
            continue  # cells in several units stay as they are, and are refused as no numbers
        rows = [(*row[:column], cell, *row[column + 1 :]) for row, (cell, _) in zip(rows, cells, strict=True)]
        header = (*header[:column], f"{header[column]} [{units.pop()}]", *header[column + 1 :])
        kinds = (*kinds[:column], Kind.NUMBER, *kinds[column + 1 :])
    return header, kinds, rows


def _text(data: bytes, name: str) -> tuple[str, list[str]]:
    """The text of a file, and what was assumed of its encoding."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace"), []
    begin = data[:100_000]
    if b"\x00" in begin:
        even, odd = begin[::2].count(0), begin[1::2].count(0)
        if max(even, odd) < 0.4 * len(begin) / 2 or min(even, odd) > 0.05 * len(begin) / 2:
            raise ForeignFileError(f"{name} holds no text. Save the recording as CSV, then open that file.")
        return data.decode("utf-16-le" if odd > even else "utf-16-be", errors="replace"), ["It was read as UTF-16."]
    try:
        return data.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), ["The file is not UTF-8; it was read as Western European."]


def _blocks(text: str) -> Iterator[list[str]]:
    """The lines of a text, a megabyte at a time: other threads run meanwhile, and they are not all held twice."""
    at = 0
    while at < len(text):
        end = text.find("\n", at + 1_000_000) + 1 or len(text)
        yield text[at:end].splitlines()
        at = end


def _split(lines: Sequence[str], mark: str) -> list[list[str]]:
    """The cells of lines that hold anything."""
    filled = [line for line in lines if line.strip()]
    if mark == " ":
        return [line.split() for line in filled]
    if not any('"' in line for line in filled):
        return [line.split(mark) for line in filled]
    return [next(csv.reader(io.StringIO(line), delimiter=mark), []) for line in filled]


_MARKS: Final = (
    *((";", ","), (";", "."), ("\t", ","), ("\t", "."), (",", "."), (",", ",")),
    *((" ", ","), (" ", "."), ("|", ","), ("|", ".")),
)
"""(separator, decimal sign), the likelier first where two say the same."""
_QUOTED: Final = re.compile(r'"[^",]*\d,\d[^",]*"')
"""A decimal comma where commas tell the columns apart."""


def _table_at(lines: Sequence[str]) -> tuple[int, str, str, tuple[Kind, ...]] | None:
    """(line, separator, decimal sign, kinds of the columns) of the first row of a table."""
    for at in range(min(len(lines) - 1, 200)):
        if not lines[at].strip():
            continue
        best: tuple[int, str, str, tuple[Kind, ...]] | None = None
        near = lines[at : at + 50]
        for mark, decimal in _MARKS:
            if decimal == "," and not any(_QUOTED.search(line) if mark == "," else "," in line for line in near):
                continue
            kinds = _kinds_from(lines, at, mark, decimal)
            if kinds and (best is None or _worth(kinds) > _worth(best[3])):
                best = at, mark, decimal, kinds
        if best is not None:
            return best
    return None


def _worth(kinds: Sequence[Kind]) -> int:
    """How well a table is understood: words tell of a wrong separator."""
    return sum(kind in (Kind.NUMBER, Kind.MEASURE, Kind.TIME) for kind in kinds) - 2 * kinds.count(Kind.WORDS)


def _kinds_from(lines: Sequence[str], at: int, mark: str, decimal: str) -> tuple[Kind, ...]:
    """What the columns hold if a table begins at line `at`; empty: none begins there."""
    rows = _split(lines[at : at + _LOOK], mark)
    alike = [row for row in rows if len(row) == len(rows[0])]
    if len(alike) < 2 or len(alike) < 0.6 * len(rows):
        return ()
    if all(kind_of(cell, decimal) in (Kind.WORDS, Kind.NOTHING) for cell in rows[0]):
        return ()  # names, units, or nothing yet
    kinds = []
    for column in zip(*alike, strict=True):
        told = [kind for kind in (kind_of(cell, decimal) for cell in column) if kind is not Kind.NOTHING]
        most = Kind(max(told, key=told.count)) if told else Kind.NOTHING
        if most is not Kind.WORDS and kind_of(column[0], decimal) is Kind.WORDS:
            return ()  # names of columns, or words above the table
        kinds.append(most)
    values = sum(kind in (Kind.NUMBER, Kind.MEASURE, Kind.THOUSANDS) for kind in kinds)
    sure = values >= 2 or (values == 1 and (Kind.TIME in kinds or len(kinds) == 1 or len(alike) >= 5))
    return tuple(kinds) if sure else ()


def _header(lines: Sequence[str], at: int, mark: str, kinds: Sequence[Kind]) -> tuple[tuple[str, ...], int]:
    """(names of the columns, lines above that are none of it); a row of units under the names is joined to them."""
    rows = [(i, _split([lines[i]], mark)[0]) for i in range(at) if lines[i].strip()][-2:]
    width = len(kinds)
    names = [[cell.strip().lstrip("#").strip() for cell in row] for _, row in rows]
    names = [row[:-1] if len(row) == width + 1 and not row[-1] else row for row in names]
    if not names or len(names[-1]) != width or all(kind_of(cell, ".") is not Kind.WORDS for cell in names[-1]):
        return tuple(f"column {i + 1}" for i in range(width)), sum(1 for line in lines[:at] if line.strip())
    used, header = 1, names[-1]
    if len(names) == 2 and len(names[0]) == width and any(header) and all(_is_unit(cell) for cell in header):
        used, header = 2, [f"{n} [{u}]" if u else n for n, u in zip(names[0], header, strict=True)]
    skipped = sum(1 for line in lines[:at] if line.strip()) - used
    return tuple(cell or f"column {i + 1}" for i, cell in enumerate(header)), skipped


def _is_unit(text: str) -> bool:
    bare = text.strip("[]() ")
    return bare.casefold() in TIME_WORDS or bare in ("", "-", "°", "deg", "%", "V", "mV", "°C") or bool(_unit(bare))


def _is_cut_clock(kinds: Sequence[Kind], rows: Sequence[tuple[str, ...]]) -> bool:
    """A decimal comma of a clock in a file whose columns are told apart by commas: 08:15:03,120,30.5."""
    return (
        len(kinds) > 2
        and kinds[0] is Kind.TIME
        and all(re.fullmatch(r":\d\d", row[0].strip()[-3:]) for row in rows[:200])
        and all(re.fullmatch(r"\d{3}|\d{6}", row[1].strip()) for row in rows[:200])
        and any(one[0] == two[0] for one, two in pairwise(rows[:200]))
    )


def guess(sheet: Sheet) -> Matching:
    """Return the likeliest matching, to be looked at by a person."""
    numeric = [i for i, kind in enumerate(sheet.kinds) if kind in (Kind.NUMBER, Kind.THOUSANDS)] or [0]
    begin = {i: _first_values(sheet, i) for i in numeric}

    def rises(column: int) -> bool:
        values = begin[column]
        return len(values) > 1 and bool(np.all(np.diff(values) > 0))

    clocks = [i for i, kind in enumerate(sheet.kinds) if kind is Kind.TIME]
    named = [i for i in numeric if rises(i) and _TIME.search(sheet.header[i]) and not _unit(sheet.header[i])]
    named.sort(key=lambda i: bool(_COUNTER.search(sheet.header[i])))
    time: int | None = None
    if len(numeric) > 1:
        rising = [i for i in numeric if rises(i) and not _unit_in(sheet.header[i])]
        time = next(iter(named), None)
        if time is None and not clocks:
            # one that falls is offered to be refused: without it the pulls would be read backwards
            falling = [i for i in numeric if _TIME.search(sheet.header[i]) and np.all(np.diff(begin[i]) < 0)]
            time = next(iter(rising + falling), None)
    if time is None and clocks:
        time = clocks[0]
    rest = [i for i in numeric if i != time] or numeric
    moving = [i for i in rest if len(begin[i]) and np.ptp(begin[i]) > 0 and not np.all(np.diff(begin[i]) == 1)]
    rest = [i for i in rest if i in moving] + [i for i in rest if i not in moving]
    torque = next((i for i in rest if _unit_in(sheet.header[i])), None)
    if torque is None:
        torque = next((i for i in rest if _TORQUE.search(sheet.header[i])), rest[0])
    scale = "s"
    if time is not None and time in clocks:
        scale = CLOCK
    elif time is not None:
        scale = _time_unit(sheet.header[time]) or _scale_of(begin[time])
    return Matching(time, torque, scale, unit_of(sheet, torque) or NM, _rate_above(sheet))


def _scale_of(values: FloatArray) -> str:
    """The unit of a time that does not say it."""
    epoch = next((unit for least, unit in _EPOCHS if len(values) and values[0] >= least), "")
    return epoch or (COUNTED if np.all(np.diff(values) == 1) else "s")


def _first_values(sheet: Sheet, column: int) -> FloatArray:
    cells = [row[column] for row in sheet.rows[:2000]]
    values = (number(cell, sheet.decimal) for cell in cells)
    return np.array([value for value in values if value is not None and math.isfinite(value)])


def _rate_above(sheet: Sheet) -> float | None:
    for line in sheet.above:
        found = _RATE.search(line)
        if found:
            return float(found[1].replace(",", ".")) * (1000.0 if found[2] else 1.0)
    return None


def _time_unit(header: str) -> str:
    for text in _unit_texts(header):
        word = text.strip(" .").casefold().replace("μ", "µ")
        if word in TIME_WORDS:
            return TIME_WORDS[word]
    return ""


def unit_of(sheet: Sheet, column: int) -> str:
    """Return the unit of torque that the file tells for a column; "" when it tells none."""
    told = _unit_in(sheet.header[column])
    if told:
        return told
    for i, kind in enumerate(sheet.kinds):
        cells = {row[i].strip() for row in sheet.rows[:200]} if kind is Kind.WORDS else set()
        if len(cells) == 1 and _unit(next(iter(cells))):
            return _unit(next(iter(cells)))
    for line in sheet.above:
        found = re.search(r"(?:unit|einheit|unité)\w*\W+(\S.*)", line, re.IGNORECASE)
        if found and _unit(found[1].strip(' ;,\t"')):
            return _unit(found[1].strip(' ;,\t"'))
    return ""


def _unit_texts(header: str) -> list[str]:
    """Parts of a column's name that may be its unit, the likeliest first."""
    ends = [re.split(mark, header)[-1] for mark in (r"/", r",", r"_", r"\s", r"\bin\s")]
    return [*_BRACKETS.findall(header), header, *ends]


def _unit_in(header: str) -> str:
    return next((unit for unit in (_unit(text.strip()) for text in _unit_texts(header)) if unit), "")


def _unit(text: str) -> str:
    try:
        return parse_unit(text)
    except UnknownUnitError:
        return ""


def trace_of(sheet: Sheet, matching: Matching, is_called_off: Callable[[], bool] = never) -> Trace:
    """Return the trace that a matching makes of a sheet, marked as imported; rows without a torque become gaps.

    Raises:
        ForeignFileError: A cell that is no number, or time that does not rise; says line and text.
        CalledOff: `is_called_off` returned True.
    """
    torque = _numbers(sheet, matching.torque, is_called_off)
    notes = list(sheet.notes)
    t = _times(sheet, matching, len(torque), notes, is_called_off)
    missing = np.isnan(torque)
    if missing.any():
        notes.append(f"{int(missing.sum())} rows without a torque were left out; they are gaps.")
        t, torque = t[~missing], torque[~missing]
    if len(torque) < 2:
        raise ForeignFileError(f"{sheet.file}: at least two samples are wanted.")
    notes.append(
        f"Torque from “{sheet.header[matching.torque]}” in {matching.unit}"
        + (
            f", time from “{sheet.header[matching.time]}” in {matching.time_unit}."
            if matching.time is not None and matching.time_unit in TIME_SCALES
            else f", time from “{sheet.header[matching.time]}”."
            if matching.time is not None
            else "."
        )
    )
    return Trace(
        t,
        torque,
        matching.unit,
        Source.IMPORTED,
        capacity=matching.capacity,
        polarity=Direction.CLOCKWISE if matching.clockwise else Direction.ANTICLOCKWISE,
        notes=tuple(notes),
    )


def _times(sheet: Sheet, matching: Matching, n: int, notes: list[str], is_called_off: Callable[[], bool]) -> FloatArray:
    """Times in seconds, strictly rising; what had to be assumed goes to `notes`."""
    column, unit = matching.time, matching.time_unit
    if column is None or unit == COUNTED:
        if matching.rate_hz is None or not matching.rate_hz > 0:
            raise ForeignFileError(f"{sheet.file}: no time in it, so samples per second above 0 are wanted.")
        notes.append(f"No time in it; {matching.rate_hz:g} samples per second were assumed.")
        if column is None:
            return np.arange(n) / matching.rate_hz
        counts = _numbers(sheet, column, is_called_off)
        t = (counts - counts[0]) / matching.rate_hz
    elif unit == CLOCK:
        t = _numbers(sheet, column, is_called_off, clock=True)
        t = t - t[0]
        turns = np.diff(t, prepend=t[:1]) < -43200  # midnight, where there is no date
        t = t + 86400.0 * np.cumsum(turns)
        t = np.round(t, 8)  # a date in the sum leaves 4 ns
        notes.append(f"It begins at {sheet.rows[0][column].strip()}.")
    else:
        t = _numbers(sheet, column, is_called_off)
        if t[0] * TIME_SCALES[unit] >= _SINCE_1970_S:
            notes.append(f"It begins {sheet.rows[0][column].strip()} {unit} after the year 1970 began.")
            t = _since_first(sheet, column, t)
        t = t * TIME_SCALES[unit]
    name, off = sheet.header[column], np.flatnonzero(~(np.diff(t) > 0))
    if len(off):
        at = int(off[0]) + 1
        line = sheet.first_line + at
        if np.isnan(t[at]) or np.isnan(t[at - 1]):
            raise ForeignFileError(f"{sheet.file}, about line {line}: there is no time in column “{name}”.")
        if t[at] == t[at - 1]:
            raise ForeignFileError(
                f"{sheet.file}, about line {line}: two samples bear the same time, so time does not rise. If "
                f"“{name}” is too coarse, choose “no time in it” and type the samples per second."
            )
        raise ForeignFileError(f"{sheet.file}, about line {line}: time does not rise. Is “{name}” the time?")
    return t


def _since_first(sheet: Sheet, column: int, values: FloatArray) -> FloatArray:
    """Values less the first; of whole numbers that float64 has no room for, told from their texts."""
    if values[0] > 2**53:
        cells = [row[column].strip() for row in sheet.rows]
        if all(cell.isdecimal() for cell in cells):
            first = int(cells[0])
            return np.array([float(int(cell) - first) for cell in cells])
    return values - values[0]


def _numbers(sheet: Sheet, column: int, is_called_off: Callable[[], bool], *, clock: bool = False) -> FloatArray:
    """A column as numbers (seconds of a clock), NaN where a cell holds nothing; kept, as a matching is tried often."""
    if (column, clock) in sheet._read:
        return sheet._read[column, clock]
    values = np.empty(len(sheet.rows))
    for begin in range(0, len(sheet.rows), ROWS_AT_ONCE):
        if is_called_off():
            raise CalledOff
        cells = [row[column] for row in sheet.rows[begin : begin + ROWS_AT_ONCE]]
        plain = None if clock else _plain_numbers(cells, sheet.decimal)
        if plain is not None:
            values[begin : begin + len(cells)] = plain
            continue
        for index, cell in enumerate(cells, start=begin):
            value = clock_s(cell) if clock else number(cell, sheet.decimal)
            if value is None or math.isinf(value):
                raise ForeignFileError(_refusal(sheet, column, index, clock=clock))
            values[index] = value
    _refuse_thousands(sheet, column, clock=clock)
    values.flags.writeable = False
    sheet._read[column, clock] = values
    return values


def _plain_numbers(cells: Sequence[str], decimal: str) -> list[float] | None:
    """Cells that are all plain finite numbers, ten times as fast as one by one; None: some may be something else."""
    if not set("".join(cells)) <= set(f"0123456789+-eE {decimal}"):
        return None
    try:
        plain = [float(cell.replace(",", ".")) for cell in cells] if decimal == "," else [float(cell) for cell in cells]
    except ValueError:
        return None
    return plain if all(map(math.isfinite, plain)) else None


def _refusal(sheet: Sheet, column: int, index: int, *, clock: bool) -> str:
    cell, name = sheet.rows[index][column].strip(), sheet.header[column]
    where = f"{sheet.file}, about line {sheet.first_line + index}: “{cell}” in column “{name}”"
    if clock:
        return f"{where} is no time of the clock. Choose what time is in."
    kind = kind_of(cell, sheet.decimal)
    if kind is Kind.THOUSANDS:
        return f"{where} has a separator of thousands. Save the file without them, e.g. 1234{sheet.decimal}5."
    if kind is Kind.TIME:
        return f"{where} is a time of the clock. Choose “{CLOCK}” where it is the time, else another column."
    return f"{where} is no number. Choose another column, or take that line out of a copy of the file."


def _refuse_thousands(sheet: Sheet, column: int, *, clock: bool) -> None:
    """A column in which the comma only ever stands before three digits, beside numbers of three digits without one."""
    if clock or sheet.decimal != ",":
        return
    cells = [row[column].strip() for row in sheet.rows]
    comma = [index for index, cell in enumerate(cells) if "," in cell]
    if comma and len(comma) < len(cells) and all(re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", cells[i]) for i in comma):
        cell = cells[comma[0]]
        raise ForeignFileError(
            f"{sheet.file}, about line {sheet.first_line + comma[0]}: “{cell}” in column “{sheet.header[column]}” "
            f"could mean {cell.replace(',', '')} or {cell.replace(',', '.')}. Save the file without separators of "
            "thousands."
        )


def outlook(sheet: Sheet, matching: Matching, is_called_off: Callable[[], bool] = never) -> str:
    """Return what a matching makes of the sheet: samples, length, rate, range of torque. Raises like `trace_of`."""
    trace = trace_of(sheet, matching, is_called_off)
    length_s = float(trace.t_s[-1] - trace.t_s[0])
    every_s = float(np.median(np.diff(trace.t_s)))
    lowest, highest = float(trace.torque.min()), float(trace.torque.max())
    gaps = int((np.diff(trace.t_s) > 3 * every_s).sum())
    said = (
        f"{plural(len(trace), 'sample')} in {length_s:.4g} s, {rate_text(1 / every_s)} samples per second, torque from "
        f"{significant(lowest, 4)} to {significant(highest, 4)} {trace.unit}."
    )
    return said + (f" {plural(gaps, 'gap')} in it." if gaps else "")


def rate_text(rate_hz: float) -> str:
    """Return samples per second in words, never as a power of ten.

    >>> rate_text(10000.0), rate_text(99.98)
    ('10000', '99.98')
    """
    return f"{rate_hz:.0f}" if rate_hz >= 1000 else f"{rate_hz:.4g}"


def without_notes(trace: Trace) -> Trace:
    """Return the trace as it goes into a trace file: notes become keys, so that nothing assumed is lost."""
    extra = dict(trace.extra)
    if trace.notes:
        extra["note"] = "\n".join(trace.notes)
    return replace(trace, extra=extra)


def replay_file(trace: Trace, name: str) -> Path:
    """Write a trace into the cache to be replayed; return where. Raises OSError."""
    plain = re.sub(r"[^\w.-]+", "-", name) or "recording"
    path = Path(user_cache_dir("kilter", appauthor=False)) / "replay" / f"{plain}.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    write_trace(path, trace)
    return path
