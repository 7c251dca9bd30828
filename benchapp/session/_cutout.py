"""Keeping the device's own digits for as long as a pull may need them, and cutting a pull's trace out of them."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from types import MappingProxyType
from typing import Final, NamedTuple

import numpy as np

from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from benchapp.torque.units import factor_nm
from drivers.samples import Gap, IntArray, SampleBlock, Source

MARGIN_S: Final = 0.5
"""Rest before (and as much as there is after) a pull, so that its rest level can be read again from the trace."""
KEPT_S: Final = 300.0
"""A pull longer than this loses its beginning; at 10 kHz that is 48 MB."""
_MAX_DIGITS: Final = 2**62
_LEAST_ROOM: Final = 1024


class _Format(NamedTuple):
    """How the samples from running number `first` on are written."""

    first: int
    decimals: int
    unit: str
    source: Source


class Cutout:
    """Samples of the last while, in arrays that stay.

    The blocks are copied, not kept: memory that one thread asks for in small pieces two hundred times a second and that
    is held for seconds falls to pieces, and the program would grow by it.
    """

    def __init__(self) -> None:
        self._t_s = np.empty(_LEAST_ROOM)
        self._digits = np.empty(_LEAST_ROOM, dtype=np.int64)
        self._begin = self._end = 0  # what is held of the arrays
        self._n_forgotten = 0  # running number of the sample at `_begin`
        self._formats: deque[_Format] = deque()
        self._gaps: deque[Gap] = deque()

    def feed(self, block: SampleBlock, open_since_s: float | None) -> None:
        """Keep a block; forget what neither the pull open since then nor its margin can need."""
        n = len(block)
        if n == 0:
            return
        if self._end > self._begin and block.t_s[0] <= self._t_s[self._end - 1]:
            self._forget(self._end)  # another link, with a clock of its own
        self._make_room(n)
        self._t_s[self._end : self._end + n] = block.t_s
        self._digits[self._end : self._end + n] = block.digits
        first = self._n_forgotten + self._end - self._begin
        if not self._formats or self._formats[-1][1:] != (block.decimals, block.unit, block.source):
            self._formats.append(_Format(first, block.decimals, block.unit, block.source))
        self._gaps.extend(block.gaps)
        self._end += n
        now_s = float(block.t_s[-1])
        needed_s = max(now_s - KEPT_S, (now_s if open_since_s is None else open_since_s) - 4 * MARGIN_S)
        # NumPy's search lets the interpreter go, and then waits for the window's thread to give it back
        self._forget(bisect_left(self._t_s, needed_s, self._begin, self._end))

    def _forget(self, begin: int) -> None:
        self._n_forgotten += begin - self._begin
        self._begin = begin
        if begin == self._end:
            self._formats.clear()
            self._gaps.clear()
            return
        while len(self._formats) > 1 and self._formats[1].first <= self._n_forgotten:
            self._formats.popleft()
        while self._gaps and self._gaps[0].start_s + self._gaps[0].duration_s < self._t_s[begin]:
            self._gaps.popleft()

    def _make_room(self, n: int) -> None:
        """Move what is held to the front, into other arrays where these are too short or far too long."""
        held = slice(self._begin, self._end)
        kept, room = self._end - self._begin, len(self._t_s)
        is_far_too_long = room > 16 * (kept + n) + _LEAST_ROOM
        if self._end + n <= room and not is_far_too_long:
            return
        t_s, digits = self._t_s, self._digits
        if room < 2 * (kept + n) or is_far_too_long:
            room = max(4 * (kept + n), _LEAST_ROOM)
            t_s, digits = np.empty(room), np.empty(room, dtype=np.int64)
        # else more than half of them is free: nothing lies over itself
        t_s[:kept], digits[:kept] = self._t_s[held], self._digits[held]
        self._t_s, self._digits, self._begin, self._end = t_s, digits, 0, kept

    def cut(
        self,
        start_s: float,
        end_s: float,
        *,
        clockwise_positive: bool,
        capacity_nm: float | None,
        rate_hz: float,
        recorded: str,
        extra: dict[str, str],
    ) -> Trace:
        """Return the trace from `start_s` to `end_s` with its margins, digit for digit as the device sent it.

        Where the device changed its unit inside the pull, everything is converted to the unit of the first sample; then
        there are no digits, and a note says so.
        """
        low_s, high_s = start_s - MARGIN_S, end_s + MARGIN_S
        first = bisect_left(self._t_s, low_s, self._begin, self._end)
        last = bisect_right(self._t_s, high_s, self._begin, self._end)
        if last <= first:
            raise ValueError(f"no samples are held between {low_s:.3f} s and {high_s:.3f} s")
        parts = self._parts(first, last)
        unit = parts[0][0].unit
        digits, decimals, notes = _joined(parts, unit)
        if digits is None:
            torque = np.concatenate(
                [part / 10.0**how.decimals * (factor_nm(how.unit) / factor_nm(unit)) for how, part in parts]
            )
        else:
            torque = digits / 10.0**decimals
        return Trace(
            t_s=self._t_s[first:last].copy(),
            torque=torque,
            unit=unit,
            source=parts[0][0].source,
            digits=digits,
            decimals=decimals,
            capacity=None if capacity_nm is None else capacity_nm / factor_nm(unit),
            polarity=Direction.CLOCKWISE if clockwise_positive else Direction.ANTICLOCKWISE,
            nominal_rate_hz=rate_hz or None,
            recorded=recorded,
            gaps=tuple(gap for gap in self._gaps if gap.start_s < high_s and gap.start_s + gap.duration_s > low_s),
            notes=notes,
            extra=MappingProxyType(extra),
        )

    def _parts(self, first: int, last: int) -> list[tuple[_Format, IntArray]]:
        """Digits of the samples from `first` to before `last`, each stretch of one format with it."""
        parts = []
        starts = [how.first - self._n_forgotten + self._begin for how in self._formats]
        for how, begin, end in zip(self._formats, starts, [*starts[1:], self._end], strict=True):
            part = self._digits[max(begin, first) : min(end, last)]
            if len(part):
                parts.append((how, part))
        return parts


def _joined(parts: list[tuple[_Format, IntArray]], unit: str) -> tuple[IntArray | None, int, tuple[str, ...]]:
    others = {how.unit for how, _ in parts} - {unit}
    if others:
        return None, 0, (f"the device changed its unit: {', '.join(sorted(others))} was converted to {unit}",)
    decimals = max(how.decimals for how, _ in parts)
    greatest = max(int(np.abs(part).max()) * 10 ** (decimals - how.decimals) for how, part in parts)
    if greatest > _MAX_DIGITS:
        return None, 0, ("the device changed its decimals by more digits than a number holds: floating point is kept",)
    digits = np.concatenate([part * 10 ** (decimals - how.decimals) for how, part in parts])
    return digits, decimals, ()
