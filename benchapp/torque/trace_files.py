"""Trace files: text that any spreadsheet opens, one recorded stretch of torque.

UTF-8 (byte order mark, CRLF and blank lines allowed). Lines that begin with ``#`` may stand anywhere and carry
``key: value``; then a header row that names the columns, `time_s` and `torque` among them; then rows of numbers
separated by commas, with a point as decimal sign (``1e-3`` allowed; no NaN, no infinity). Times rise strictly.
Keys: `unit`, `nominal_rate_hz`, `capacity` (in the file's unit), `polarity`, `source`, `recorded`; others are kept.
"""

from __future__ import annotations

import datetime as dt
import io
import os
import re
from collections.abc import Iterator
from pathlib import Path
from types import MappingProxyType
from typing import IO, Final, NoReturn

import numpy as np
import numpy.typing as npt

from benchapp.torque.direction import Direction
from benchapp.torque.text import parse_unit
from benchapp.torque.trace import Trace
from benchapp.torque.units import NM, UnknownUnitError
from drivers.samples import FloatArray, IntArray, Source

TIME: Final = "time_s"
TORQUE: Final = "torque"
NO_UNIT: Final = f"the file names no unit; {NM} was taken"

_KNOWN: Final = ("unit", "nominal_rate_hz", "capacity", "polarity", "source", "recorded")
_BLOCK: Final = 1 << 22  # bytes read at a time: small beside the arrays, large beside a call
_FEW: Final = 64  # lines below which the walk line by line is the faster one
_MOST_DIGITS: Final = 15  # up to here a decimal is an int64 over a power of ten, and the division rounds correctly
_BOM: Final = b"\xef\xbb\xbf"
_NUMBER: Final = re.compile(rb"([+-]?)([0-9]*)(?:\.([0-9]*))?(?:[eE]([+-]?[0-9]{1,4}))?")
_NOT_FINITE: Final = re.compile(rb"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)
_TENS: Final = 10.0 ** np.arange(_MOST_DIGITS + 1)
_INT_TENS: Final = 10 ** np.arange(_MOST_DIGITS + 1, dtype=np.int64)

Fixed = tuple[IntArray, IntArray]
"""Digits and decimal places, one of each a number."""


class TraceFileError(ValueError):
    """A file that is no trace file.

    Attributes:
        file: Its path as given.
        line: Where, counted from 1; None when it is the file as a whole.
        reason: What is wrong there and what would be right.
    """

    def __init__(self, file: str, line: int | None, reason: str) -> None:
        super().__init__(f"{file}, line {line}: {reason}" if line is not None else f"{file}: {reason}")
        self.file = file
        self.line = line
        self.reason = reason


def read_trace(path: str | os.PathLike[str]) -> Trace:
    """Read a trace file.

    Every number is correctly rounded. Where all torques are plain decimals of up to 15 digits, the trace keeps their
    digits too. Ten million rows take some seconds and, at most, about 100 bytes of memory each.

    Raises:
        TraceFileError: The file cannot be read, or breaks the rules above; it says file, line and reason.
    """
    name = os.fspath(path)
    try:
        with open(path, "rb") as stream:
            return _Reading(name).read(stream)
    except OSError as error:
        raise TraceFileError(name, None, f"cannot be read: {error.strerror or error}; {_what_to_do(error)}") from error


def parse_trace(raw: bytes, name: str) -> Trace:
    r"""Read the bytes of a trace file; `name` stands in the refusal.

    Raises:
        TraceFileError: They break the rules.

    >>> trace = parse_trace(b"# unit: lbf-ft\ntime_s,torque\n0.000,1.50\n0.001,1.75\n", "a.csv")
    >>> trace.unit, trace.torque.tolist(), trace.digits.tolist(), trace.decimals
    ('lbf·ft', [1.5, 1.75], [150, 175], 2)
    """
    return _Reading(name).read(io.BytesIO(raw))


def write_trace(path: str | os.PathLike[str], trace: Trace) -> None:
    """Write a trace file that `read_trace` reads back to the last bit; notes become `note` lines.

    The file appears whole or not at all: it is written beside its place and then put there. A device or a pipe is
    written as it is.

    Raises:
        ValueError: No samples, a number that is not finite, times that do not rise; or a key, value or column name
            that the format cannot hold (a line break, a comma, …).
        OSError: The place cannot be written to.
    """
    target = Path(path)
    lines = trace_lines(trace)
    if target.exists() and not target.is_file():
        with open(target, "w", encoding="utf-8", newline="\n") as stream:
            stream.writelines(lines)
        return
    partial = target.with_name(target.name + ".part")
    try:
        with open(partial, "w", encoding="utf-8", newline="\n") as stream:
            stream.writelines(lines)
        os.replace(partial, target)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def trace_lines(trace: Trace) -> Iterator[str]:
    """Return the lines of the trace file of `trace`, each with its line break.

    Raises:
        ValueError: As `write_trace`; raised before the first line.
    """
    if not len(trace):
        raise ValueError("a trace without samples has no file")
    if not (np.isfinite(trace.t_s).all() and np.isfinite(trace.torque).all() and (np.diff(trace.t_s) > 0).all()):
        raise ValueError("a trace with time running back, or a number that is not finite, has no file")
    keys: list[tuple[str, str]] = [("unit", trace.unit)]
    if trace.nominal_rate_hz is not None:
        keys.append(("nominal_rate_hz", _shortest(trace.nominal_rate_hz)))
    if trace.capacity is not None:
        keys.append(("capacity", _shortest(trace.capacity)))
    keys += [("polarity", trace.polarity.value), ("source", trace.source.value)]
    if trace.recorded is not None:
        keys.append(("recorded", trace.recorded))
    for key, value in trace.extra.items():
        keys += [(key, part) for part in value.split("\n")]
    keys += [("note", note) for note in trace.notes if note != NO_UNIT]
    for key, value in keys:
        if ":" in key or "\n" in key or "\r" in key or key != key.strip() or "\n" in value or "\r" in value:
            raise ValueError(f"key {key!r} with value {value!r} does not fit a line '# key: value'")
    for name in trace.columns:
        if re.search(r"[,\n\r]", name) or name.startswith("#") or name.strip() in ("", TIME, TORQUE):
            raise ValueError(f"column name {name!r} does not fit a header row")
    return _lines(trace, keys)


def _lines(trace: Trace, keys: list[tuple[str, str]]) -> Iterator[str]:
    for key, value in keys:
        yield f"# {key}: {value}\n" if key else f"# {value}\n"  # words for people have no key
    yield ",".join([TIME, TORQUE, *trace.columns]) + "\n"
    n, step = len(trace), 50_000
    for low in range(0, n, step):
        rows = [
            map(repr, trace.t_s[low : low + step].tolist()),
            _torque_texts(trace, low, low + step),
            *(column[low : low + step] for column in trace.columns.values()),
        ]
        yield "\n".join(map(",".join, zip(*rows, strict=True))) + "\n"


def _torque_texts(trace: Trace, low: int, high: int) -> list[str]:
    if trace.digits is None:
        return list(map(repr, trace.torque[low:high].tolist()))
    digits, decimals = trace.digits[low:high].tolist(), trace.decimals
    if not decimals:
        return list(map(str, digits))
    texts = []
    for digit in digits:
        text = str(abs(digit)).rjust(decimals + 1, "0")
        texts.append(f"{'-' if digit < 0 else ''}{text[:-decimals]}.{text[-decimals:]}")
    return texts


def _shortest(value: float) -> str:
    return repr(int(value)) if float(value).is_integer() and abs(value) < 1e15 else repr(float(value))


class _Reading:
    """The state of reading one file."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.line = 0  # number of the last line handled
        self.known: dict[str, str] = {}  # as given
        self.checked: dict[str, str] = {}  # as used
        self.notes: list[str] = []
        self.extra: dict[str, str] = {}
        self.names: list[str] = []
        self.at_time = self.at_torque = -1
        self.others: list[int] = []
        self.last_s = -np.inf
        self.t_parts: list[FloatArray] = []
        self.v_parts: list[FloatArray | Fixed] = []
        self.columns: list[list[str]] = []
        self.fixed = True

    def refuse(self, line: int | None, reason: str) -> NoReturn:
        raise TraceFileError(self.file, line, reason)

    def read(self, stream: IO[bytes]) -> Trace:
        rest = stream.read(3)
        if rest == _BOM:
            rest = b""
        while block := stream.read(_BLOCK):
            block = rest + block
            cut = block.rfind(b"\n") + 1
            rest = block[cut:]
            if len(rest) > 1 << 20:
                self.refuse(
                    self.line + block.count(b"\n") + 1,
                    "a line of more than a million characters; give each sample a line",
                )
            if cut:
                self._block(block[:cut])
        if rest:
            self._block(rest + b"\n")
        if not self.names:
            self.refuse(None, f"no header row; give it the line '{TIME},{TORQUE}' and a row of numbers a sample")
        if not self.t_parts:
            self.refuse(self.line, "no rows of numbers after the header row; give it one a sample")
        return self._trace()

    def _block(self, block: bytes) -> None:
        """Whole lines."""
        if b"\r\n" in block:
            block = block.replace(b"\r\n", b"\n")
        if not block.isascii():
            self._check_utf8(block)
        at, end = 0, len(block)
        while at < end:
            if not self.names or block[at] in b"#\n":
                stop = block.index(b"\n", at) + 1
                self._one_line(block[at : stop - 1])
                at = stop
                continue
            comment, blank = block.find(b"\n#", at), block.find(b"\n\n", at)
            stop = min(comment + 1 or end, blank + 1 or end)
            self._rows(block[at:stop])
            at = stop

    def _check_utf8(self, block: bytes) -> None:
        try:
            block.decode()
        except UnicodeDecodeError as error:
            self.refuse(
                self.line + block.count(b"\n", 0, error.start) + 1, "bytes that are not UTF-8; save it as UTF-8 text"
            )

    def _one_line(self, line: bytes) -> None:
        self.line += 1
        if line.startswith(b"#"):
            self._comment(line[1:].decode())
        elif line.strip():
            self._header(line.decode())

    def _comment(self, text: str) -> None:
        key, colon, value = text.partition(":")
        key, value = key.strip(), value.strip()
        name = key.lower()
        if not colon:
            key, value = "", text.strip()  # words for people
        if not colon or name not in _KNOWN:
            self.extra[key] = f"{self.extra[key]}\n{value}" if key in self.extra else value
            return
        if self.known.get(name, value) != value:
            self.refuse(
                self.line,
                f"{name} is given twice, as {_shown(self.known[name])} and as {_shown(value)}; keep one of the two",
            )
        self.known[name] = value
        value = self._check_known(name, value)
        if value:
            self.checked[name] = value

    def _check_known(self, name: str, value: str) -> str:
        """The value as it will be used."""
        if name == "unit":
            try:
                return parse_unit(value)
            except UnknownUnitError as error:
                self.refuse(self.line, f"unit: {error}")
        if name in ("nominal_rate_hz", "capacity"):
            number = self._number(value.encode(), name, "line")
            if name == "nominal_rate_hz" and number == 0:
                return ""  # as in a profile: 0 is unknown
            if number <= 0:
                self.refuse(self.line, f"{name} is {value}; it must be greater than 0")
        elif name in ("polarity", "source"):
            allowed = [each.value for each in (Direction if name == "polarity" else Source)]
            if value.lower() not in allowed:
                self.refuse(self.line, f"{name}: {_shown(value)} is none of {', '.join(allowed)}")
            return value.lower()
        else:
            try:
                dt.datetime.fromisoformat(value)
            except ValueError:
                self.notes.append(f"recorded: {_shown(value)} is no ISO 8601 date and time")
        return value

    def _header(self, text: str) -> None:
        names = [name.strip() for name in text.split(",")]
        if TIME not in names or TORQUE not in names:
            kind = "a row of numbers" if all(_NUMBER.fullmatch(name.encode()) for name in names) else _shown(text)
            self.refuse(self.line, f"the header row must name '{TIME},{TORQUE}', it is {kind}")
        twice = next((name for name in names if names.count(name) > 1 or not name), None)
        if twice is not None:
            self.refuse(
                self.line,
                f"the header row names {_shown(twice)} twice; keep one of the two"
                if twice
                else "a column has no name; give it one",
            )
        self.names = names
        self.at_time, self.at_torque = names.index(TIME), names.index(TORQUE)
        self.others = [k for k, name in enumerate(names) if name not in (TIME, TORQUE)]
        self.columns = [[] for _ in self.others]

    # ---- rows: all at once where they are plain, else one by one

    def _rows(self, lines: bytes) -> None:
        n = lines.count(b"\n")
        if n < _FEW or self.others or not self._plain(lines, n):
            self._row_by_row(lines)

    def _plain(self, lines: bytes, n: int) -> bool:
        """Take rows of nothing but plain decimals; False, and nothing taken, when a row is anything else."""
        text = np.frombuffer(lines, dtype=np.uint8)
        ends = np.flatnonzero((text == 44) | (text == 10))
        if len(ends) != 2 * n or not ((text[ends[::2]] == 44).all() and (text[ends[1::2]] == 10).all()):
            return False
        begins = np.empty_like(ends)
        begins[0], begins[1:] = 0, ends[:-1] + 1
        time = _decimals(text, begins[self.at_time :: 2], ends[self.at_time :: 2])
        torque = _decimals(text, begins[self.at_torque :: 2], ends[self.at_torque :: 2]) if time else None
        if time is None or torque is None:
            return False
        t_s = time[0] / _TENS[time[1]]
        if t_s[0] <= self.last_s or not bool((t_s[1:] > t_s[:-1]).all()):
            return False
        self._take(t_s, torque)
        self.line += n
        return True

    def _row_by_row(self, lines: bytes) -> None:
        times, torques, digits, places = [], [], [], []
        fixed = True
        last = self.last_s
        for line in lines[:-1].split(b"\n"):
            self.line += 1
            if not line.strip():
                continue
            cells = line.split(b",")
            if len(cells) != len(self.names):
                self.refuse(self.line, self._uneven(line, len(cells)))
            time_s = self._number(cells[self.at_time], TIME)
            if time_s <= last:
                went = "stands still at" if time_s == last else f"runs back from {last:g} to"
                self.refuse(self.line, f"{TIME} {went} {time_s:g}; it must rise from row to row: leave the row out")
            last = time_s
            times.append(time_s)
            torque = cells[self.at_torque].strip()
            torques.append(self._number(torque, TORQUE))
            if fixed:
                plain = _NUMBER.fullmatch(torque)
                if plain is None or plain[4] or len(plain[2]) + len(plain[3] or b"") > _MOST_DIGITS:
                    fixed = False
                else:
                    digits.append(int(plain[1] + plain[2] + (plain[3] or b"")))
                    places.append(len(plain[3] or b""))
            for column, k in zip(self.columns, self.others, strict=True):
                cell = cells[k].strip()
                self._number(cell, self.names[k])
                column.append(cell.decode())
        if times:
            v: FloatArray | Fixed = np.array(torques)
            if fixed:
                v = np.array(digits, dtype=np.int64), np.array(places, dtype=np.int64)
            self._take(np.array(times), v)

    def _take(self, t_s: FloatArray, torque: FloatArray | Fixed) -> None:
        self.last_s = float(t_s[-1])
        self.t_parts.append(t_s)
        if self.fixed and isinstance(torque, tuple):
            digits, places = torque
            most = int(places.max())
            # one number of places a part keeps two numbers a sample out of memory
            scaled = digits * _INT_TENS[most - places] if int(places.min()) < most else digits
            if most > int(places.min()) and _too_long(digits, most - places):
                self.fixed = False
                self.v_parts.append(digits / _TENS[places])
            else:
                self.v_parts.append((scaled, np.array([most])))
            return
        self.fixed = False
        self.v_parts.append(torque if not isinstance(torque, tuple) else torque[0] / _TENS[torque[1]])

    def _uneven(self, line: bytes, n: int) -> str:
        told = f"{n} {'value' if n == 1 else 'values'} where the header row names {len(self.names)}"
        if n == 2 * len(self.names):
            return f"{told}; the decimal sign must be a point"
        return f"{told}: {_shown(line.decode())}; give each column a value, or leave the row out"

    def _number(self, cell: bytes, what: str, place: str = "row") -> float:
        trimmed = cell.strip()
        what = what if len(what) <= 40 else f"{what[:37]}..."  # a column's name is the file's
        if not trimmed:
            self.refuse(self.line, f"{what}: no value; give a number, or leave the {place} out")
        matched = _NUMBER.fullmatch(trimmed)
        number = float(trimmed) if matched is not None and (matched[2] or matched[3]) else None
        if number in (np.inf, -np.inf) or _NOT_FINITE.fullmatch(trimmed):
            self.refuse(self.line, f"{what}: {_shown(trimmed.decode())} is not finite; leave the {place} out")
        if number is None:
            hint = f"give the number alone, or leave the {place} out"
            if b"," in trimmed:
                hint = "the decimal sign must be a point"
            self.refuse(self.line, f"{what}: {_shown(trimmed.decode())} is no number; {hint}")
        return number

    def _trace(self) -> Trace:
        digits, decimals, torque = self._torque()
        self.v_parts.clear()
        t_s = np.concatenate(self.t_parts)
        self.t_parts.clear()
        columns = {self.names[k]: tuple(column) for k, column in zip(self.others, self.columns, strict=True)}
        given = self.checked
        rate, capacity = given.get("nominal_rate_hz"), given.get("capacity")
        return Trace(
            t_s=t_s,
            torque=torque,
            unit=given.get("unit", NM),
            source=Source(given.get("source", Source.IMPORTED)),
            digits=digits,
            decimals=decimals,
            capacity=None if capacity is None else float(capacity),
            polarity=Direction(given.get("polarity", Direction.CLOCKWISE)),
            nominal_rate_hz=None if rate is None else float(rate),
            recorded=given.get("recorded"),
            notes=(*(() if "unit" in given else (NO_UNIT,)), *self.notes),
            extra=MappingProxyType(self.extra),
            columns=MappingProxyType(columns),
        )

    def _torque(self) -> tuple[IntArray | None, int, FloatArray]:
        places = [int(part[1][0]) for part in self.v_parts if isinstance(part, tuple)]
        most = max(places, default=0)
        whole = self.fixed and not any(
            _too_long(part[0], most - int(part[1][0])) for part in self.v_parts if isinstance(part, tuple)
        )
        if not whole:
            floats = [
                part[0] / _TENS[part[1]] if isinstance(part, tuple) else np.asarray(part, dtype=np.float64)
                for part in self.v_parts
            ]
            return None, 0, np.concatenate(floats)
        digits = np.concatenate(
            [part[0] * _INT_TENS[most - int(part[1][0])] for part in self.v_parts if isinstance(part, tuple)]
        )
        return digits, most, digits / 10.0**most


def _what_to_do(error: OSError) -> str:
    if isinstance(error, PermissionError):
        return "have this account allowed to read it, or copy it"
    return "give a file, not a folder" if isinstance(error, IsADirectoryError) else "look at its name and its folder"


def _too_long(digits: IntArray, further: int | IntArray) -> bool:
    """True when `further` more decimal places would give more than 15 digits."""
    return bool((np.abs(digits) >= _INT_TENS[_MOST_DIGITS - further]).any())


def _decimals(text: npt.NDArray[np.uint8], begins: npt.NDArray[np.intp], ends: npt.NDArray[np.intp]) -> Fixed | None:
    """Read the numbers between `begins` and `ends`; None unless all are plain decimals of up to 15 digits."""
    first = text[begins]
    signed = (first == 45) | (first == 43)
    begins = begins + signed
    longest = int((ends - begins).max())
    if longest > _MOST_DIGITS + 1:
        return None
    digits = np.zeros(len(begins), dtype=np.int64)
    point = np.full(len(begins), -1, dtype=np.int64)  # where the point stands; -1 without
    n_points = np.zeros(len(begins), dtype=np.int8)
    at = begins.copy()
    shortest = int((ends - begins).min())
    if shortest < 1:
        return None
    for k in range(longest):
        char = text[at]
        inside = None if k < shortest else at < ends
        digit = char - np.uint8(48)  # wraps around for what is no digit
        is_digit = digit < 10
        is_point = char == 46
        if inside is not None:
            is_digit &= inside
            is_point &= inside
        known = is_digit | is_point
        if not bool((known if inside is None else known | ~inside).all()):
            return None
        if bool(is_digit.all()):
            digits *= 10
            digits += digit
        else:
            np.multiply(digits, 10, out=digits, where=is_digit)
            np.add(digits, digit, out=digits, where=is_digit)
        if bool(is_point.any()):
            point[is_point] = k
            n_points += is_point
        at += 1
        if k + 1 >= shortest:
            np.minimum(at, ends, out=at)
    if int(n_points.max()) > 1:
        return None
    length = ends - begins
    places = np.where(point >= 0, length - 1 - point, 0)
    n_digits = length - n_points
    if int(n_digits.max()) > _MOST_DIGITS or int(n_digits.min()) < 1:
        return None
    digits[first == 45] *= -1
    return digits, places


def _shown(text: str) -> str:
    """A piece of a file for a message: short, on one line."""
    return repr(text if len(text) <= 40 else text[:37] + "...")
