"""A faster way to what `drivers.lines` defines: lines of the same shape are read together.

Why it gives the same: a regular expression looks at characters only through the literals and sets it is written with.
If none of these tells one decimal digit from another, two lines that differ in digits only are matched alike, with the
same groups in the same places. So the slow definition reads one line, and what it says of the places of numbers holds
for every line that has the same bytes everywhere else. `digits_are_alike` looks through the parsed pattern; a pattern
that does tell digits apart (``[0-4]``, a literal 7, a back reference) is always read line by line. The same holds for
``+`` and ``-``.

Three ways, by the size of what is to be read; numpy's calls cost as much as reading some 100 lines:

- a few lines of one shape: check the shape and strip it with `bytes.translate`, let numpy read the numbers;
- many lines of one shape: as a matrix, eight characters at a time in 64-bit words, every byte checked;
- many lines of several shapes: the same, shape by shape; what has no shape goes to the slow definition.
"""

from __future__ import annotations

import importlib
import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from drivers.lines import MOST_DIGITS, Kind, Line, LineDefinition
from drivers.profile import Profile
from drivers.samples import FloatArray, IntArray

CodeArray = npt.NDArray[np.int16]
_Words = npt.NDArray[np.uint64]

_FEW_BYTES: Final = 4096  # below (some 300 lines), matrices cost more than they save: tests/bench/test_intake.py
_KNOWN_LINES: Final = 64  # shapes of so many lines in a row are kept at hand: 27 kB for lines of 13 bytes
_ROWS: Final = 4096  # rows a pass: the words of a block stay in the cache
_PIECE: Final = 1 << 18  # bytes of mixed lines a pass: 64 kB took 1.8 times as long, 1 MB is no better
_MOST_LAYOUTS: Final = 24  # layouts kept for one length of line; noise must not fill the memory
_DIGITS: Final = b"0123456789"
_SHAPE: Final = bytes.maketrans(b"123456789-", b"000000000+")


def digits_are_alike(pattern: re.Pattern[str]) -> bool:
    """True when nothing in `pattern` tells one of 0…9 from another, nor ``+`` from ``-``."""
    try:
        parser = importlib.import_module("re._parser")  # private: without it everything is read line by line
        tree = parser.parse(pattern.pattern, pattern.flags)
        return all(_is_blind(str(kind), value) for kind, value in _nodes(tree))
    except (ImportError, AttributeError, TypeError, ValueError):
        return False


def _nodes(tree: Any) -> Iterator[tuple[Any, Any]]:
    """Every (kind, value) of a parsed pattern, sets as a whole, what they contain as nodes of their own."""
    for kind, value in tree:
        yield kind, value
        if str(kind) != "IN":
            yield from _inner(value)


def _inner(value: Any) -> Iterator[tuple[Any, Any]]:
    if hasattr(value, "data") and not isinstance(value, str | bytes):
        yield from _nodes(value)
    elif isinstance(value, list | tuple):
        for part in value:
            yield from _inner(part)


def _is_blind(kind: str, value: Any) -> bool:
    if kind in ("GROUPREF", "GROUPREF_EXISTS", "GROUPREF_IGNORE"):
        return kind == "GROUPREF_EXISTS"
    if kind in ("LITERAL", "NOT_LITERAL"):
        return value not in b"0123456789+-"
    if kind == "IN":
        members = [_members(str(part), content) for part, content in value]
        for alike in (frozenset(_DIGITS), frozenset(b"+-")):
            found = frozenset().union(*members) & alike
            if found and found != alike:
                return False
    return True


def _members(kind: str, value: Any) -> frozenset[int]:
    """Those of ``0123456789+-`` that one part of a set holds (a negated set holds the others: as alike as these)."""
    watched = frozenset(b"0123456789+-")
    if kind == "LITERAL":
        return watched & {value}
    if kind == "RANGE":
        return frozenset(byte for byte in watched if value[0] <= byte <= value[1])
    if kind == "CATEGORY":
        name = str(value)
        digits = frozenset(_DIGITS)
        signs = frozenset(b"+-")
        return {
            "CATEGORY_DIGIT": digits, "CATEGORY_NOT_DIGIT": signs, "CATEGORY_WORD": digits,
            "CATEGORY_NOT_WORD": signs, "CATEGORY_SPACE": frozenset(), "CATEGORY_NOT_SPACE": watched,
        }[name.removeprefix("UNI_")]  # fmt: skip
    if kind == "NEGATE":
        return frozenset()
    raise ValueError(kind)


class _Group(NamedTuple):
    """Up to eight digits that lie in one word: how they become a number that counts 10**`power`.

    `runs`: (mask, shift) of the digits that move together, to the left where positive; `steps`: see `_STEPS`.
    """

    at: int
    runs: tuple[tuple[int, int], ...]
    steps: tuple[tuple[np.uint64, np.uint64, np.uint64], ...]
    power: int


class _Word(NamedTuple):
    """What eight bytes from `at` on have to be: see `Layout._word`. `signs`: (bit of a minus, what it flips)."""

    at: int
    template: np.uint64
    add: np.uint64
    signs: tuple[tuple[np.uint64, np.uint64], ...]


@dataclass(frozen=True, slots=True)
class _Field:
    """Where the digits of one number stand in a line, and how to gather them from 64-bit words, last digits first."""

    places: tuple[int, ...]
    decimals: int
    sign_at: int
    groups: tuple[_Group, ...]


class Layout:
    """One shape of line: the bytes that stay the same, the places of the digits, and what the line means.

    Attributes:
        width: Bytes of the line, terminator included.
        code: As in `Columns`, the same for every line of this shape.
        codes: `code`, as often as a few lines can ask for.
        is_few: Numbers can be told apart by deleting what stands between them: `read_few` and `read_one` may be asked.
        read_few: Reads lines of this very shape, given one after the other: their numbers as they stand there, line
            after line, shape (n lines × numbers a line,); None when one of them is of another shape.
        is_plain: The torque is the only number.
    """

    def __init__(self, raw: bytes, line: Line, text_at: int, code: int) -> None:
        self.code = code
        self.codes = np.full(_FEW_BYTES // len(raw) + 1, code, np.int16)
        self.width = len(raw)
        sample = line.kind is Kind.SAMPLE
        self._torque = _field(raw, line.spans[0], text_at, self.width) if sample else None
        self._time = _field(raw, line.spans[1], text_at, self.width)
        self._sequence = _field(raw, line.spans[2], text_at, self.width)
        fields = [field for field in (self._torque, self._time, self._sequence) if field is not None]
        digits = {place for field in fields for place in field.places}
        signs = {field.sign_at for field in fields if field.sign_at >= 0}
        self.is_few = self._prepare_few(raw, fields, digits, signs)
        self.read_few = self._few_reader()
        self.is_plain = sample and len(fields) == 1
        self._template = bytes(
            ord("0") if place in digits else ord("+") if place in signs else byte for place, byte in enumerate(raw)
        )
        self._words = tuple(self._word(at, digits, signs) for at in _word_offsets(self.width, fields))
        n_beyond = max(0, 8 - self.width)  # bytes of the next line, when this one is short
        self._top_bits = np.uint64(_TOP_BITS >> (8 * n_beyond))

    def _prepare_few(self, raw: bytes, fields: list[_Field], digits: set[int], signs: set[int]) -> bool:
        """Set up the way for a few lines: shape repeated, what to delete, in which column which number stands."""
        self._order = sorted(fields, key=lambda field: field.places[0])
        taken = digits | signs
        numbers = [bytes(raw[place] for place in (field.sign_at, *field.places) if place >= 0) for field in self._order]
        inside = {
            raw[place]
            for field in fields
            for place in range(field.places[0] if field.sign_at < 0 else field.sign_at, field.places[-1])
            if place not in taken
        }
        rest = {byte for place, byte in enumerate(raw) if place not in taken}
        self._delete = bytes(sorted(inside))  # the decimal sign, a blank after the sign
        self._to_space = bytes(32 if byte in rest else byte for byte in range(256))
        self._glue = bytes(ord("_") if byte in self._delete else to for byte, to in enumerate(self._to_space))
        try:  # Python reads 0123_45 as one number: for a line by itself that costs half of deleting and `fromstring`
            int(raw.translate(self._glue))
        except ValueError:
            self._glue = b""
        self._shape = raw.translate(_SHAPE)
        self._known: dict[int, tuple[int, bytes | None]] = {}
        if not fields or rest & set(b"0123456789+-"):
            return False
        two = (raw + raw).translate(self._to_space, self._delete).split()
        return two == numbers + numbers  # a line that begins with a digit must not run into the one before

    def _few_reader(self) -> Callable[[bytes], IntArray | None]:
        """Return `read_few`: what it needs lies in local names, because for one line every look-up counts."""
        get_known, expect, new_number, int64 = self._known.get, self._expect, _ONE_NUMBER.copy, np.int64
        to_space, delete, glue = self._to_space, self._delete, self._glue
        alone = 1 if glue else -1

        def read_few(body: bytes) -> IntArray | None:
            n, shape = get_known(len(body)) or expect(len(body))
            if shape != body.translate(_SHAPE):
                return None
            if n == alone:
                one = new_number()
                one[0] = int(body.translate(glue))
                return one
            return _from_text(body.translate(to_space, delete), int64, n, " ")

        return read_few

    def _expect(self, n_bytes: int) -> tuple[int, bytes | None]:
        """How many numbers stand in `n_bytes` of such lines, and their shape; None: they can't be a few of them."""
        n, odd = divmod(n_bytes, self.width)
        if odd or not 0 < n_bytes <= _FEW_BYTES:
            return 0, None
        expected = n * len(self._order), self._shape * n
        if n <= _KNOWN_LINES:
            self._known[n_bytes] = expected
        return expected

    def read_one(self, raw: bytes) -> tuple[int, float, int]:
        """Read one line of this very shape: (digits of the torque, ticks or NaN, sequence or −1)."""
        digits, ticks, sequence = 0, math.nan, -1
        for field, text in zip(self._order, raw.translate(self._to_space, self._delete).split(), strict=True):
            if field is self._torque:
                digits = int(text)
            elif field is self._time:
                ticks = int(text) / 10**field.decimals
            else:
                sequence = int(text)
        return digits, ticks, sequence

    def columns_few(self, numbers: IntArray) -> tuple[IntArray, FloatArray | None, IntArray | None]:
        """Tell apart what `read_few` returned: digits of the torque, ticks, sequence."""
        n = len(self._order)
        found = {id(field): numbers[i::n].copy() for i, field in enumerate(self._order)}
        torque: IntArray = found[id(self._torque)] if self._torque else np.zeros(len(numbers) // n, np.int64)
        ticks = found[id(self._time)] / 10.0**self._time.decimals if self._time else None
        return torque, ticks, found[id(self._sequence)] if self._sequence else None

    def _word(self, at: int, digits: set[int], signs: set[int]) -> _Word:
        """What the word at `at` has to be.

        After an exclusive or with the template a byte must be 0, or 0…9 where a digit stands. Adding 0x7F, or 0x76 for
        a digit, lifts exactly the others to 0x80 or more. A sum that carries has its own top bit set before. "+" and
        "-" differ in the bits 0x06: where the lower of them is set, both are taken away first.
        """
        add = 0
        held = range(at, min(at + 8, self.width))
        for place in held:
            add |= (0x76 if place in digits else 0x7F) << (8 * (place - at))
        template = int.from_bytes(self._template[at : at + 8].ljust(8, b"\0"), "little")
        of_signs = tuple(
            (np.uint64(8 * (place - at) + 1), np.uint64(0x06 << (8 * (place - at)))) for place in held if place in signs
        )
        return _Word(at, np.uint64(template), np.uint64(add), of_signs)

    def read_rows(self, buffer: bytes, offset: int, n: int, stride: int, out: _Rows) -> npt.NDArray[np.bool_] | None:
        """Read `n` rows of `stride` bytes from `offset` on into `out`.

        Every row must have 8 bytes in `buffer`. Returns None when every row has this layout, else a mask of those that
        have it; `out` holds nonsense for the others.
        """
        bad = out.scratch[0, :n]
        bad.fill(0)
        x, y = out.scratch[1, :n], out.scratch[2, :n]
        words: dict[int, _Words] = {}
        for slot, (at, template, add, signs) in enumerate(self._words):
            word = np.ndarray((n,), "<u8", buffer, offset + at, (stride,))
            kept = out.scratch[3 + slot, :n]
            np.bitwise_xor(word, template, out=kept)
            words[at] = kept
            rest = kept
            for bit, of_minus in signs:
                np.right_shift(kept, bit, out=x)
                np.bitwise_and(x, _ONE, out=x)
                np.multiply(x, of_minus, out=x)
                rest = np.bitwise_xor(rest, x, out=y)
            np.add(rest, add, out=x)
            np.bitwise_or(bad, rest, out=bad)
            np.bitwise_or(bad, x, out=bad)
        np.bitwise_and(bad, self._top_bits, out=bad)
        wrong = bool(bad.any())
        for field, place in ((self._torque, out.digits), (self._sequence, out.sequence)):
            if field is not None and place is not None:
                self._gather(field, words, x, y, place[:n])
            elif place is not None:
                place[:n] = 0 if place is out.digits else -1
        if out.ticks is not None:
            if self._time is None:
                out.ticks[:n] = np.nan
            else:
                whole = np.empty(n, np.int64)
                self._gather(self._time, words, x, y, whole)
                np.divide(whole, 10.0**self._time.decimals, out=out.ticks[:n])
        return bad == 0 if wrong else None

    @staticmethod
    def _gather(field: _Field, words: dict[int, _Words], x: _Words, y: _Words, into: IntArray) -> None:
        """Digits of `field` → numbers, three multiplications for eight digits, fewer for fewer."""
        total = into.view(np.uint64)
        for number, (at, runs, steps, power) in enumerate(field.groups):
            word = words[at]
            for run, (mask, shift) in enumerate(runs):
                target = x if run == 0 else y
                np.bitwise_and(word, np.uint64(mask), out=target)
                if shift > 0:
                    np.left_shift(target, np.uint64(shift), out=target)
                elif shift:
                    np.right_shift(target, np.uint64(-shift), out=target)
                if run:
                    np.bitwise_or(x, y, out=x)
            for factor, shift_by, keep in steps:
                np.multiply(x, factor, out=x)
                np.right_shift(x, shift_by, out=x)
                np.bitwise_and(x, keep, out=x)
            if number == 0:
                total[:] = x
            else:
                np.multiply(x, np.uint64(10**power), out=x)
                np.add(total, x, out=total)
        if field.sign_at >= 0:
            at = max(at for at in words if at <= field.sign_at < at + 8)
            np.right_shift(words[at], np.uint64(8 * (field.sign_at - at) + 1), out=x)
            np.bitwise_and(x, _ONE, out=x)  # "+" xor "-" is 0x06
            np.negative(x, out=x)
            np.bitwise_xor(total, x, out=total)
            np.subtract(total, x, out=total)


_ONE_NUMBER: Final = np.zeros(1, np.int64)
_from_text: Callable[[bytes, type[np.int64], int, str], IntArray] = np.fromstring  # type: ignore[assignment]  # by keyword it costs a fifth more
_ONE: Final = np.uint64(1)
_NUMBERED: Final = np.uint64(0x0001020304050607)  # times a 1 in byte n, the last byte is n
_TO_LAST_BYTE: Final = np.uint64(56)
_TOP_BITS: Final = 0x8080808080808080
_STEPS: Final = tuple(
    (np.uint64(10**digits << bits | 1), np.uint64(bits), np.uint64(keep))
    for digits, bits, keep in ((1, 8, 0x00FF00FF00FF00FF), (2, 16, 0x0000FFFF0000FFFF), (4, 32, 0x00000000FFFFFFFF))
)
"""Neighbours become one number, twice as wide: (factor, shift, mask). The first of them stands in the lower bits and
counts 10, 100, 10,000 times; the factor's lowest bit adds the second."""


def _field(raw: bytes, span: tuple[int, int], text_at: int, width: int) -> _Field | None:
    """Find the digits of the number at `span` of the text that begins at `text_at` of `raw`."""
    if span[0] < 0:
        return None
    begin, end = span[0] + text_at, span[1] + text_at
    places = tuple(place for place in range(begin, end) if raw[place] in _DIGITS)
    points = [place for place in range(begin, end) if raw[place] in b".,"]
    decimals = sum(place > points[0] for place in places) if points else 0
    sign_at = next((place for place in range(begin, end) if raw[place] in b"+-"), -1)
    groups: list[_Group] = []
    left = list(places)
    power = 0
    while left:
        last = left[-1]
        group = [place for place in left[-8:] if place > last - 8]
        at = max(0, last - 7)
        n_steps = (len(group) - 1).bit_length()
        by_shift: dict[int, int] = {}
        for from_right, place in enumerate(reversed(group)):
            source, target = place - at, (1 << n_steps) - 1 - from_right
            by_shift[8 * (target - source)] = by_shift.get(8 * (target - source), 0) | (0x0F << (8 * source))
        runs = tuple((mask, shift) for shift, mask in by_shift.items())
        groups.append(_Group(at, runs, _STEPS[:n_steps], power))
        power += len(group)
        del left[-len(group) :]
    return _Field(places, decimals, sign_at, tuple(groups))


def _word_offsets(width: int, fields: list[_Field]) -> list[int]:
    """Offsets of 64-bit words: those the numbers are gathered from, and more until every byte of a row is looked at."""
    offsets = sorted({at for field in fields for at, *_ in field.groups})
    looked_at = {at + i for at in offsets for i in range(8)}
    for place in range(width):
        if place not in looked_at:
            at = max(0, min(place, width - 8))
            offsets.append(at)
            looked_at.update(range(at, at + 8))
    return sorted(set(offsets))


class _Rows:
    """Where a pass over rows writes to."""

    def __init__(self, n: int, has_time: bool, has_sequence: bool, scratch: _Words) -> None:
        self.digits: IntArray = np.empty(n, np.int64)
        self.ticks: FloatArray | None = np.empty(n, np.float64) if has_time else None
        self.sequence: IntArray | None = np.empty(n, np.int64) if has_sequence else None
        self.scratch = scratch

    def part(self, begin: int) -> _Rows:
        part = _Rows.__new__(_Rows)
        part.digits = self.digits[begin:]
        part.ticks = None if self.ticks is None else self.ticks[begin:]
        part.sequence = None if self.sequence is None else self.sequence[begin:]
        part.scratch = self.scratch
        return part


@dataclass(slots=True)
class Columns:
    """Lines that were read together, one row a line, in order.

    Attributes:
        code: Shape (n,); >= 0: index into `LineReader.formats`; < 0: a `Kind` that is no sample.
        digits: Shape (n,); of the torque, where `code` >= 0.
        ticks: Shape (n,); of the `time_s` group, NaN where there is none; None: the pattern has no such group.
        sequence: Shape (n,); −1 where there is none; None: the pattern has no such group.
        uniform: The code, when all rows have the same; else None.
    """

    code: CodeArray
    digits: IntArray
    ticks: FloatArray | None = None
    sequence: IntArray | None = None
    uniform: int | None = None

    def __len__(self) -> int:
        return len(self.digits)


class LineReader:
    """Reads complete lines by one profile, fast. One thread.

    Attributes:
        formats: (unit, decimals) that samples have come in.
        identity: What the device last called itself.
        refused: The first few refused lines, as (kind, bytes), for the log.
        read_plain: The shortest way for a few lines that are as the ones before and hold no number but the torque: its
            digits, shape (n,); None: ask `read`, which says the same of such lines.
        plain_code: Index into `formats` of what `read_plain` returns.
    """

    def __init__(self, profile: Profile) -> None:
        self.formats: list[tuple[str, int]] = []
        self.identity = ""
        self.refused: list[tuple[Kind, bytes]] = []
        self._definition = LineDefinition(profile)
        self._terminator = profile.terminator
        self._has_time = profile.has("time_s")
        self._has_sequence = profile.has("sequence")
        tokens = "".join(profile.overload | profile.ok)
        self._may_learn = (
            profile.checksum == "none"
            and digits_are_alike(profile.pattern)
            and not any(sign in tokens for sign in "0123456789")
            and not any(sign.encode() in profile.terminator for sign in "0123456789+-")
        )
        self._codes: dict[tuple[str, int], int] = {}
        self._layouts: dict[int, list[Layout]] = {}
        self._expected: Layout | None = None
        self.read_plain: Callable[[bytes], IntArray | None] = _unknown
        self.plain_code = -1
        self._mixed_ahead = self._mixed_next = 0
        self._scratch = np.empty((0, _ROWS), np.uint64)
        self._by_shape: dict[bytes, Layout] = {}

    def read(self, body: bytes) -> Columns:
        """Read `body`, complete lines each with its terminator. Never raises, whatever the bytes."""
        if len(body) <= _FEW_BYTES:
            return self._read_few(body)
        parts: list[Columns] = []
        at, end = 0, len(body)
        while at < end:
            layout = None if self._mixed_ahead else self._layout_at(body, at)
            if layout is not None and (end - at) // layout.width >= 64:
                columns, at, complete = self._read_uniform(layout, body, at)
                if len(columns):
                    parts.append(columns)
                if complete:
                    self._mixed_next = 0
                else:
                    self._mixed_next = min(64, max(1, 2 * self._mixed_next))
                    self._mixed_ahead = self._mixed_next
                continue
            self._mixed_ahead = max(0, self._mixed_ahead - 1)
            cut = end if end - at <= _PIECE else body.rfind(self._terminator, at, at + _PIECE) + len(self._terminator)
            if cut <= at:
                cut = body.find(self._terminator, at) + len(self._terminator)
            parts.append(self._read_mixed(body[at:cut]))
            at = cut
        return _joined(parts, self._has_time, self._has_sequence)

    def _code(self, unit: str, decimals: int) -> int:
        code = self._codes.get((unit, decimals))
        if code is None:
            code = self._codes[unit, decimals] = len(self.formats)
            self.formats.append((unit, decimals))
        return code

    # --- one line ---------------------------------------------------------------------------------------------------

    def _read_line(self, raw: bytes) -> Line:
        """Read one line with its terminator by the definition, and learn its layout."""
        line = self._definition.read(raw[: -len(self._terminator)])
        if line.kind in (Kind.SAMPLE, Kind.OVERLOAD):
            if self._may_learn and line.spans:
                self._learn(raw, line)
        elif line.kind is Kind.IDENTITY:
            self.identity = line.identity
        elif line.kind is not Kind.EMPTY and len(self.refused) < 5:
            self.refused.append((line.kind, raw[:200]))
        return line

    def _learn(self, raw: bytes, line: Line) -> None:
        text = raw[: -len(self._terminator)].decode("latin-1")
        text_at = len(text) - len(text.lstrip())
        for number, span in enumerate(line.spans):
            part = text[text_at + span[0] : text_at + span[1]] if span[0] >= 0 else ""
            if number and span[0] >= 0 and not part:
                return
            if "e" in part.lower() or sum(sign.isdigit() for sign in part) > MOST_DIGITS:
                return
            if number and ("+" in part or "-" in part):
                return
            if number == 1 and sum(sign.isdigit() for sign in part) > 15:
                return  # the quotient of two doubles would not be rounded once only
        layouts = self._layouts.setdefault(len(raw), [])
        if len(layouts) < _MOST_LAYOUTS:
            code = self._code(line.unit, line.torque.decimals) if line.kind is Kind.SAMPLE else int(line.kind)
            layout = Layout(raw, line, text_at, code)
            if layout.is_few:
                self._by_shape[raw[: -len(self._terminator)].translate(_SHAPE)] = layout
                self._expect(layout)
            layouts.append(layout)
            n_words = 3 + len(layout._words)
            if n_words > len(self._scratch):
                self._scratch = np.empty((n_words, _ROWS), np.uint64)

    def _expect(self, layout: Layout) -> None:
        """Take `layout` for that of the next few lines."""
        self._expected = layout
        self.read_plain = layout.read_few if layout.is_plain else _unknown
        self.plain_code = layout.code

    # --- a few lines ------------------------------------------------------------------------------------------------

    def _read_few(self, body: bytes) -> Columns:
        layout = self._expected
        numbers = None if layout is None else layout.read_few(body)
        if layout is None or numbers is None:
            return self._read_each(body)
        digits, ticks, sequence = layout.columns_few(numbers)
        if ticks is None and self._has_time:
            ticks = np.full(len(digits), np.nan)
        if sequence is None and self._has_sequence:
            sequence = np.full(len(digits), -1, np.int64)
        return Columns(layout.codes[: len(digits)], digits, ticks, sequence, layout.code)

    def _read_each(self, body: bytes) -> Columns:
        raws = body.split(self._terminator)
        del raws[-1]
        n = len(raws)
        code = np.empty(n, np.int16)
        digits = np.zeros(n, np.int64)
        ticks = np.full(n, np.nan) if self._has_time else None
        sequence = np.full(n, -1, np.int64) if self._has_sequence else None
        for row, (raw, shape) in enumerate(zip(raws, body.translate(_SHAPE).split(self._terminator), strict=False)):
            layout = self._by_shape.get(shape)
            if layout is None:
                self._put(row, self._read_line(raw + self._terminator), code, digits, ticks, sequence)
                continue
            code[row] = layout.code
            digits[row], tick, number = layout.read_one(raw)
            if ticks is not None:
                ticks[row] = tick
            if sequence is not None:
                sequence[row] = number
        if layout is not None and layout is not self._expected:
            self._expect(layout)  # what comes next looks most like what came last
        return Columns(code, digits, ticks, sequence)

    def _put(
        self,
        row: int,
        line: Line,
        code: CodeArray,
        digits: IntArray,
        ticks: FloatArray | None,
        sequence: IntArray | None,
    ) -> None:
        code[row] = self._code(line.unit, line.torque.decimals) if line.kind is Kind.SAMPLE else line.kind
        digits[row] = line.torque.digits
        if ticks is not None:
            ticks[row] = line.ticks
        if sequence is not None:
            sequence[row] = line.sequence

    # --- many lines of one shape ------------------------------------------------------------------------------------

    def _layout_at(self, body: bytes, at: int) -> Layout | None:
        """The layout of the line that begins at `at`, learned if it is new; None when it has none."""
        end = body.find(self._terminator, at) + len(self._terminator)
        known = self._layouts.get(end - at, ())
        if not known:
            self._read_line(body[at:end])
            known = self._layouts.get(end - at, ())
        for layout in known:
            if layout.width >= 8 and layout.read_rows(body, at, 1, layout.width, self._rows(1)) is None:
                return layout
        return None

    def _rows(self, n: int) -> _Rows:
        return _Rows(n, self._has_time, self._has_sequence, self._scratch)

    def _read_uniform(self, layout: Layout, body: bytes, at: int) -> tuple[Columns, int, bool]:
        """Read rows of `layout` from `at` on: (what was read, where the first other line begins, none was other)."""
        n = (len(body) - at) // layout.width
        rows = self._rows(n)
        done, complete = 0, True
        while done < n and complete:
            now = min(_ROWS, n - done) if done else min(64, n)  # a short look first: it may be the only such row
            good = layout.read_rows(body, at + done * layout.width, now, layout.width, rows.part(done))
            if good is not None:
                now = int(np.argmin(good))
                complete = False
            done += now
        code = layout.code
        columns = Columns(
            np.full(done, code, np.int16),
            rows.digits[:done],
            None if rows.ticks is None else rows.ticks[:done],
            None if rows.sequence is None else rows.sequence[:done],
            code,
        )
        return columns, at + done * layout.width, complete

    # --- many lines of several shapes ------------------------------------------------------------------------------

    def _read_mixed(self, body: bytes) -> Columns:
        ends = self._line_ends(body)
        begins = np.concatenate(([0], ends[:-1]))
        widths = ends - begins
        n = len(ends)
        narrow = widths.astype(np.uint8 if int(widths.max()) < 256 else np.uint32)  # compared once for every width
        code = np.full(n, Kind.EMPTY, np.int16)
        rows = self._rows(n)
        padded = body + bytes(8)
        for width in np.flatnonzero(np.bincount(widths)).tolist():
            wanted = np.flatnonzero(narrow == width)
            for layout in self._layouts.get(width, ()):
                if len(wanted) >= 16:
                    wanted = self._read_gathered(layout, padded, begins, wanted, code, rows)
            tried = len(self._layouts.get(width, ()))
            while len(wanted):
                first = int(wanted[0])
                line = self._read_line(body[begins[first] : ends[first]])
                self._put(first, line, code, rows.digits, rows.ticks, rows.sequence)
                wanted = wanted[1:]
                layouts = self._layouts.get(width, [])
                if len(layouts) > tried and len(wanted) >= 16:
                    wanted = self._read_gathered(layouts[-1], padded, begins, wanted, code, rows)
                tried = len(layouts)
        return Columns(code, rows.digits, rows.ticks, rows.sequence)

    def _line_ends(self, body: bytes) -> npt.NDArray[np.intp]:
        """Where each line of `body` ends, terminator included."""
        terminator = self._terminator
        data = np.frombuffer(body, np.uint8)
        ends = _places(body, terminator[-1])
        for back in range(1, len(terminator)):
            ends = ends[np.searchsorted(ends, back) :]
            same = data[ends - back] == terminator[-1 - back]
            if not same.all():
                ends = ends[same]
        return ends + 1

    def _read_gathered(
        self,
        layout: Layout,
        padded: bytes,
        begins: npt.NDArray[np.intp],
        wanted: npt.NDArray[np.intp],
        code: CodeArray,
        rows: _Rows,
    ) -> npt.NDArray[np.intp]:
        """Read those of the lines `wanted` that have `layout`; return the others."""
        stride = max(8, layout.width)
        windows = np.ndarray((len(padded) - stride + 1,), f"V{stride}", padded, 0, (1,))
        left = []
        for begin in range(0, len(wanted), _ROWS):
            part = wanted[begin : begin + _ROWS]
            gathered = windows[begins[part]].tobytes()
            out = self._rows(len(part))
            good = layout.read_rows(gathered, 0, len(part), stride, out)
            if good is None:
                taken, chosen = part, slice(None)
            else:
                taken, chosen = part[good], good  # type: ignore[assignment]
                left.append(part[~good])
            code[taken] = layout.code
            rows.digits[taken] = out.digits[chosen]
            if rows.ticks is not None and out.ticks is not None:
                rows.ticks[taken] = out.ticks[chosen]
            if rows.sequence is not None and out.sequence is not None:
                rows.sequence[taken] = out.sequence[chosen]
        return np.concatenate(left) if left else wanted[:0]


def _places(body: bytes, byte: int) -> npt.NDArray[np.intp]:
    """Where `byte` stands in `body`, in order. Eight bytes at a time: numpy asks each element for itself."""
    same = np.zeros(-(-len(body) // 8) * 8, np.bool_)
    np.equal(np.frombuffer(body, np.uint8), byte, out=same[: len(body)])
    words = same.view("<u8")
    held = np.flatnonzero(words)
    bits = words[held]
    if np.bitwise_and(bits, bits - _ONE).any():  # two in one word
        return np.flatnonzero(same)
    np.multiply(bits, _NUMBERED, out=bits)
    np.right_shift(bits, _TO_LAST_BYTE, out=bits)
    held *= 8
    held += bits.view(np.intp)
    return held


def _unknown(_body: bytes) -> None:
    """Stands for `Layout.read_few` until there is one."""


def _joined(parts: list[Columns], has_time: bool, has_sequence: bool) -> Columns:
    if len(parts) == 1:
        return parts[0]
    codes = {part.uniform for part in parts}
    return Columns(
        np.concatenate([part.code for part in parts]) if parts else np.empty(0, np.int16),
        np.concatenate([part.digits for part in parts]) if parts else np.empty(0, np.int64),
        np.concatenate([part.ticks for part in parts if part.ticks is not None]) if has_time and parts else None,
        np.concatenate([part.sequence for part in parts if part.sequence is not None])
        if has_sequence and parts
        else None,
        codes.pop() if len(codes) == 1 else None,
    )
