"""Samples to pixel columns: what a curve needs and no more, kept up to date as samples come in. Pure.

A column is a fixed slice of time on the link's own axis (column k holds t with ``floor(t / width) == k``): one that is
finished never changes, and a frame costs what came in since the last one, not what is on the screen. NaN never hides a
peak (`np.fmin`, `np.fmax`).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from drivers.samples import FloatArray, IntArray

_FEW: Final = 5  # columns: up to so many one by one are quicker than all at once


class Columns:
    """Ring of (lowest, highest) torque a column, addressed by absolute column number.

    One thread only.

    Args:
        width_s: Seconds a column, > 0.
        n_columns: How many of the newest columns are kept.
    """

    def __init__(self, width_s: float, n_columns: int) -> None:
        if not width_s > 0 or n_columns < 2:
            raise ValueError(f"a column of {width_s} s and {n_columns} columns make no picture")
        self.width_s = width_s
        self.n_columns = n_columns
        self._low = np.full(n_columns, np.nan)
        self._high = np.full(n_columns, np.nan)
        self._last = np.full(n_columns, np.nan)
        self.newest: int | None = None
        self.n_cleared = 0  # what was drawn before the last one is void

    def clear(self) -> None:
        """Forget everything."""
        self.n_cleared += 1
        for array in (self._low, self._high, self._last):
            array.fill(np.nan)
        self.newest = None

    def number(self, time_s: float) -> int:
        """Column that holds `time_s`; divided and floored like the arrays are (``//`` may differ by one)."""
        return math.floor(time_s / self.width_s)

    def feed(self, t_s: FloatArray, torque_nm: FloatArray) -> None:
        """Take in samples, oldest first; `t_s` rises and does not go back behind the newest column."""
        if len(t_s) == 0:
            return
        first, last = self.number(float(t_s[0])), self.number(float(t_s[-1]))
        if last - first >= self.n_columns:
            start = int(np.searchsorted(t_s, (last - self.n_columns + 1) * self.width_s))
            t_s, torque_nm = t_s[start:], torque_nm[start:]
            first = self.number(float(t_s[0]))
        if last - first < _FEW:
            self._empty_upto(first - 1)
            self._feed_few(t_s, torque_nm, first, last)
        else:
            self._empty_upto(last)
            self._feed_many(t_s, torque_nm)
        self.newest = last

    def _feed_few(self, t_s: FloatArray, torque_nm: FloatArray, first: int, last: int) -> None:
        """One column after another: a frame brings one or two, and each call to NumPy costs more than its samples."""
        begin, edges = 0, [len(t_s)]
        if last > first:
            edges = [*(t_s / self.width_s).searchsorted(range(first + 1, last + 1)).tolist(), *edges]
        for number, end in zip(range(first, last + 1), edges, strict=True):
            place = number % self.n_columns
            low = high = newest = np.nan
            if end > begin:
                part = torque_nm[begin:end]
                low, high, newest = np.fmin.reduce(part), np.fmax.reduce(part), part[-1]
                if number == self.newest:
                    low, high = np.fmin(low, self._low[place]), np.fmax(high, self._high[place])
            self._low[place], self._high[place], self._last[place] = low, high, newest
            begin = end

    def _feed_many(self, t_s: FloatArray, torque_nm: FloatArray) -> None:
        column = np.floor(t_s / self.width_s).astype(np.int64)
        starts = np.concatenate(([0], np.flatnonzero(column[1:] != column[:-1]) + 1))
        low = np.fmin.reduceat(torque_nm, starts)
        high = np.fmax.reduceat(torque_nm, starts)
        ends = np.append(starts[1:], len(torque_nm)) - 1
        numbers = column[starts]
        place = numbers % self.n_columns
        if self.newest is not None and numbers[0] == self.newest:
            low[0] = np.fmin(low[0], self._low[place[0]])
            high[0] = np.fmax(high[0], self._high[place[0]])
        self._low[place] = low
        self._high[place] = high
        self._last[place] = torque_nm[ends]

    def _empty_upto(self, last: int) -> None:
        """Columns passed over since the newest one hold what stood there a ring ago: empty them."""
        if self.newest is None or last <= self.newest:
            return
        begin = max(self.newest + 1, last - self.n_columns + 1)
        places: slice | IntArray = slice(None)
        if last - begin + 1 < self.n_columns:
            places = np.arange(begin, last + 1) % self.n_columns
        for array in (self._low, self._high, self._last):
            array[places] = np.nan

    def span(self, first: int, last: int) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
        """Return (column numbers, lowest, highest, last value) of the columns from `first` to `last` that hold samples.

        `last` is included; columns that are no longer kept, or not yet there, are left out.
        """
        if self.newest is None:
            nothing = np.empty(0)
            return np.empty(0, dtype=np.int64), nothing, nothing, nothing
        first = max(first, self.newest - self.n_columns + 1)
        last = min(last, self.newest)
        numbers = np.arange(first, last + 1, dtype=np.int64)
        start = first % self.n_columns
        closes = start + len(numbers) > self.n_columns  # the ring, within this span
        place: slice | IntArray = numbers % self.n_columns if closes else slice(start, start + len(numbers))
        low, high, ends = self._low[place], self._high[place], self._last[place]
        missing = np.isnan(low)
        if missing.any():
            kept = ~missing
            return numbers[kept], low[kept], high[kept], ends[kept]
        return numbers, low, high, ends

    def low_between(self, start_s: float, end_s: float, sign: int = 1) -> float:
        """Return the lowest torque (times `sign`) from `start_s` to `end_s`; 0 when nothing is held there."""
        _, low, high, _ = self.span(self.number(start_s), self.number(end_s))
        if len(low) == 0:
            return 0.0
        return float(np.min(low) if sign > 0 else np.min(-high))

    def high_between(self, start_s: float, end_s: float, sign: int = 1) -> float:
        """Return the highest torque (times `sign`) from `start_s` to `end_s`; 0 when nothing is held there."""
        return -self.low_between(start_s, end_s, -sign)
