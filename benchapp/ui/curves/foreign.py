"""Recordings from elsewhere: a CSV in which time and torque are found, shown before it is taken, and read. No Qt.

Nothing is guessed in silence: what was assumed of a column (its unit, seconds or milliseconds, decimal comma) is
offered as a matching that a person can change, and stands as a note on the trace.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
from platformdirs import user_cache_dir

from benchapp.torque.direction import Direction
from benchapp.torque.text import parse_unit
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import write_trace
from benchapp.torque.units import NM, UnknownUnitError
from drivers.samples import FloatArray, Source

MOST_BYTES: Final = 400_000_000
TIME_SCALES: Final = {"s": 1.0, "ms": 1e-3, "µs": 1e-6, "min": 60.0}
_TIME: Final = re.compile(r"\b(time|zeit|t|sec|seconds?|elapsed|timestamp)\b", re.IGNORECASE)
_TORQUE: Final = re.compile(r"torque|moment|drehmoment|\bm\b|\bnm\b|value|reading", re.IGNORECASE)
_BRACKETS: Final = re.compile(r"[\[(/]\s*([^\])]+?)\s*[\])]?\s*$")


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
    """

    file: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    first_line: int
    decimal: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Matching:
    """Which column is what.

    Attributes:
        time: Column of the time; None: there is none, samples follow one another at `rate_hz`.
        time_unit: A key of `TIME_SCALES`.
        torque: Column of the torque.
        unit: A key of `benchapp.torque.units.FACTORS`.
        rate_hz: Where there is no time column, > 0.
        clockwise: Positive is clockwise.
        capacity: Of the reference in `unit`; None unknown.
    """

    time: int | None
    torque: int
    time_unit: str = "s"
    unit: str = NM
    rate_hz: float = 1000.0
    clockwise: bool = True
    capacity: float | None = None


def read_sheet(path: Path) -> Sheet:
    """Read a foreign CSV file.

    Raises:
        ForeignFileError: Not readable, too large, no text, or no columns of numbers.
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
    return sheet_of(data, path.name)


def sheet_of(data: bytes, name: str = "recording") -> Sheet:
    r"""Read CSV bytes; lines before the table (titles, settings) are skipped and noted.

    Raises:
        ForeignFileError: No text, or nowhere two lines of numbers after one another.

    >>> sheet = sheet_of(b"bench 4\nTime (ms);Torque (Nm)\n0;0,1\n1;0,3\n")
    >>> sheet.header, sheet.decimal, sheet.first_line
    (('Time (ms)', 'Torque (Nm)'), ',', 3)
    """
    notes: list[str] = []
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = data.decode("utf-16", errors="replace")
    elif b"\x00" in data[:100_000]:
        raise ForeignFileError(f"{name} holds no text. Save the recording as CSV, then open that file.")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("cp1252", errors="replace")
            notes.append("The file is not UTF-8; it was read as Western European.")
    lines = text.splitlines()
    found = _table_at(lines)
    if found is None:
        raise ForeignFileError(
            f"{name}: no rows of numbers were found. Wanted are columns of numbers, one row a sample, told apart by "
            "commas, semicolons, tabs or spaces."
        )
    at, mark, decimal = found
    width = len(_cells(lines[at], mark))
    rows = [tuple(cells) for line in lines[at:] if line.strip() and len(cells := _cells(line, mark)) == width]
    left = sum(1 for line in lines[at:] if line.strip()) - len(rows)
    if left:
        notes.append(f"{left} lines with another number of columns were left out.")
    above = _cells(lines[at - 1], mark) if at else []
    if len(above) == width and any(not _is_number(cell, decimal) for cell in above):
        header = tuple(cell.strip() or f"column {i + 1}" for i, cell in enumerate(above))
        skipped = at - 1
    else:
        header, skipped = tuple(f"column {i + 1}" for i in range(width)), at
    if skipped:
        notes.append(f"{skipped} lines before the table were skipped.")
    return Sheet(name, header, tuple(rows), at + 1, decimal, tuple(notes))


def _cells(line: str, mark: str) -> list[str]:
    if mark == " ":
        return line.split()
    return next(csv.reader(io.StringIO(line), delimiter=mark), [])


def _is_number(text: str, decimal: str) -> bool:
    text = text.strip()
    if decimal == ",":
        if "." in text:
            return False
        text = text.replace(",", ".")
    elif "," in text:
        return False
    try:
        float(text)
    except ValueError:
        return False
    return bool(text)


def _table_at(lines: Sequence[str]) -> tuple[int, str, str] | None:
    """(line, separator, decimal sign) where two lines of numbers with the same number of columns follow one another."""
    for at in range(min(len(lines) - 1, 200)):
        for mark, decimal in ((";", ","), (";", "."), ("\t", ","), ("\t", "."), (",", "."), (" ", ","), (" ", ".")):
            one, two = _cells(lines[at], mark), _cells(lines[at + 1], mark)
            if len(one) < 2 or len(one) != len(two):
                continue
            numbers = [i for i, cell in enumerate(one) if _is_number(cell, decimal) and _is_number(two[i], decimal)]
            if len(numbers) < 2 or (decimal == "," and not any("," in line for line in lines[at : at + 50])):
                continue
            return at, mark, decimal
        if "," not in lines[at] and ";" not in lines[at] and "\t" not in lines[at]:
            one, two = lines[at].split(), lines[at + 1].split()
            if len(one) == len(two) == 1 and _is_number(one[0], ".") and _is_number(two[0], "."):
                return at, ";", "."
    return None


def guess(sheet: Sheet) -> Matching:
    """Return the likeliest matching, to be looked at by a person."""
    numeric = [
        i for i in range(len(sheet.header)) if all(_is_number(row[i], sheet.decimal) for row in sheet.rows[:20])
    ] or [0]

    def rises(column: int) -> bool:
        values = [float(row[column].replace(",", ".")) for row in sheet.rows[:200]]
        return len(values) > 1 and all(b > a for a, b in pairwise(values))

    named = [i for i in numeric if _TIME.search(sheet.header[i]) and rises(i)]
    time = named[0] if named else next((i for i in numeric if rises(i)), None)
    if time is not None and not named and len(numeric) == 1:
        time = None
    rest = [i for i in numeric if i != time] or numeric
    torque = next((i for i in rest if _TORQUE.search(sheet.header[i]) or _unit_in(sheet.header[i])), rest[0])
    scale = "s"
    if time is not None:
        bracket = _BRACKETS.search(sheet.header[time])
        word = (bracket[1] if bracket else "").strip().casefold().replace("us", "µs")
        scale = {"sec": "s", "seconds": "s", "msec": "ms"}.get(word, word if word in TIME_SCALES else "s")
        if not bracket and re.search(r"[_ ]ms$", sheet.header[time], re.IGNORECASE):
            scale = "ms"
    return Matching(time, torque, scale, _unit_in(sheet.header[torque]) or NM)


def _unit_in(header: str) -> str:
    bracket = _BRACKETS.search(header)
    for text in ([bracket[1]] if bracket else []) + [header, header.rsplit("_", 1)[-1], header.rsplit(" ", 1)[-1]]:
        try:
            return parse_unit(text)
        except UnknownUnitError:
            continue
    return ""


def trace_of(sheet: Sheet, matching: Matching) -> Trace:
    """Return the trace that a matching makes of a sheet, marked as imported.

    Raises:
        ForeignFileError: A cell that is no number, or time that does not rise; says line and text.
    """
    torque = _numbers(sheet, matching.torque)
    notes = list(sheet.notes)
    if matching.time is None:
        if not matching.rate_hz > 0:
            raise ForeignFileError(f"{sheet.file}: no time column, so samples per second above 0 are wanted.")
        t = np.arange(len(torque)) / matching.rate_hz
        notes.append(f"No time column; {matching.rate_hz:g} samples per second were assumed.")
    else:
        t = _numbers(sheet, matching.time) * TIME_SCALES[matching.time_unit]
        back = np.flatnonzero(np.diff(t) <= 0)
        if len(back):
            line = sheet.first_line + int(back[0]) + 1
            raise ForeignFileError(
                f"{sheet.file}, about line {line}: time does not rise. Is “{sheet.header[matching.time]}” the time?"
            )
    if len(torque) < 2:
        raise ForeignFileError(f"{sheet.file}: at least two samples are wanted.")
    notes.append(
        f"Torque from “{sheet.header[matching.torque]}” in {matching.unit}"
        + (
            f", time from “{sheet.header[matching.time]}” in {matching.time_unit}."
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


def _numbers(sheet: Sheet, column: int) -> FloatArray:
    texts = [row[column] for row in sheet.rows]
    if sheet.decimal == ",":
        texts = [text.replace(",", ".") for text in texts]
    try:
        values = np.array(texts, dtype=np.float64)
    except ValueError:
        index = next(i for i, row in enumerate(sheet.rows) if not _is_number(row[column], sheet.decimal))
        raise ForeignFileError(
            f"{sheet.file}, about line {sheet.first_line + index}: “{sheet.rows[index][column]}” in column "
            f"“{sheet.header[column]}” is no number."
        ) from None
    bad = np.flatnonzero(~np.isfinite(values))
    if len(bad):
        raise ForeignFileError(
            f"{sheet.file}, about line {sheet.first_line + int(bad[0])}: "
            f"“{sheet.rows[int(bad[0])][column]}” is no torque."
        )
    return values


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
