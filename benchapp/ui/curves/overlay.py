"""Pulls laid over each other, as numbers: alignment, what a zoom can show, local slope, the cursor. No Qt.

The Bench draws a growing curve and keeps finished columns (`benchapp.ui.bench.columns`); here a finished curve is
looked at under any zoom, so each curve carries itself with ever fewer of its samples: a redraw costs what is on the
screen, not what was sampled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import Final

import numpy as np

from benchapp.pulls.pull import Pull
from benchapp.torque.trace import Trace
from benchapp.torque.units import to_nm
from drivers.samples import FloatArray, IntArray

MOST_A_COLUMN: Final = 2
"""Points that a pixel column is given at the most: two of a stretch of samples as wide as 1 to 1.5 columns."""

FEWEST: Final = 128
"""Points below which a curve is thinned no further."""

AT_REST: Final = 0.02
"""Share of a pull's peak below which it is taken to rest, for what is shown of it."""
REST_S: Final = 0.3
"""Rest shown beside a pull."""


class Align(StrEnum):
    """Where the curves meet."""

    CLICK = "click"  # where the tool let go (indicating tools: at the reading)
    EIGHTY = "80"  # last rise through 80 % of the reading
    START = "start"  # where the pull began


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """Some of a curve's samples: of each stretch of them the lowest and the highest, in the order of time."""

    t_s: FloatArray
    values: FloatArray


def thinned(t_s: FloatArray, values: FloatArray) -> tuple[Level, ...]:
    """Return a curve with ever fewer of its samples, all of them first; from one to the next at most 2/3 as many.

    Lowest and highest of a stretch stand where they were sampled, so no extreme is lost at any level, none is moved.

    Args:
        t_s: Shape (n,), seconds, rising.
        values: Shape (n,), any unit, finite.

    >>> thinned(np.arange(2000.0), np.arange(2000.0))[1].values[:6]  # of three samples the first and the last
    array([0., 2., 3., 5., 6., 8.])
    """
    levels = [Level(t_s, values)]
    by_thirds, by_fourths = _extremes(levels[0], 3), _extremes(levels[0], 4)
    while len(by_thirds.t_s) >= FEWEST:
        levels += [by_thirds, by_fourths]
        by_thirds, by_fourths = _extremes(by_thirds, 4), _extremes(by_fourths, 4)
    return tuple(levels)


def _extremes(level: Level, n: int) -> Level:
    """Lowest and highest of each `n` points; what is left at the end, fewer than `n`, stays as it is."""
    t_s, values = level.t_s, level.values
    whole = len(values) // n * n
    stretches = values[:whole].reshape(-1, n)
    low, high = stretches.argmin(axis=1), stretches.argmax(axis=1)
    begins = np.arange(0, whole, n)
    index = np.empty(2 * len(begins), dtype=np.intp)
    np.add(begins, np.minimum(low, high), out=index[0::2])
    np.add(begins, np.maximum(low, high), out=index[1::2])
    index = np.concatenate((index, np.arange(whole, len(values))))
    return Level(t_s[index], values[index])


def points(levels: Sequence[Level], start_s: float, end_s: float, n_columns: int) -> tuple[FloatArray, FloatArray]:
    """Return as many of a curve's samples as `n_columns` pixel columns can show between two times.

    Of each stretch of samples as wide as one column to one and a half its lowest and its highest, at their places;
    where few enough samples are between the two times, all of them.

    Args:
        levels: Of `thinned`.
        start_s: Left edge on the curve's own axis.
        end_s: Right edge, > start_s.
        n_columns: Pixel columns, >= 1.

    Returns:
        (times, values), both shape (m,), in drawing order; where samples are even in time, m <= `MOST_A_COLUMN` *
        n_columns + 4 unless the whole curve is short. One point beyond each edge is included so that lines run out of
        the picture. Views: not to be written to.
    """
    whole = levels[0].t_s
    if not len(whole):
        return whole, levels[0].values
    columns = n_columns * float(whole[-1] - whole[0]) / (end_s - start_s)  # under the whole curve
    level = next((each for each in levels if len(each.t_s) <= MOST_A_COLUMN * columns), levels[-1])
    first, last = int(level.t_s.searchsorted(start_s)), int(level.t_s.searchsorted(end_s, side="right"))
    shown = slice(max(0, first - 1), last + 1)
    return level.t_s[shown], level.values[shown]


def local_slope(t_s: FloatArray, values: FloatArray, window_s: float) -> FloatArray:
    """Return the slope of the straight line fitted around each sample.

    Ordinary least squares over the samples within ``window_s / 2`` on either side, at least the neighbours; the first
    and the last sample have one side only. Gaps in time need no special care because the real times are used.

    Args:
        t_s: Shape (n,), seconds, strictly rising.
        values: Shape (n,), finite.
        window_s: Seconds, > 0.

    Returns:
        Shape (n,), value per second; all zero for n < 2.

    Source:
        Least-squares slope, sum((t - tm)(y - ym)) / sum((t - tm)^2); any text on regression.

    >>> local_slope(np.array([0.0, 0.1, 0.2, 0.3]), np.array([0.0, 1.0, 2.0, 3.0]), 0.2).round(9)
    array([10., 10., 10., 10.])
    """
    if not window_s > 0:
        raise ValueError(f"a window of {window_s} s holds no line")
    n = len(t_s)
    slope = np.zeros(n)
    if n < 2:
        return slope
    index = np.arange(n)
    half = window_s / 2 * (1 + 1e-9)
    first = np.minimum(np.searchsorted(t_s, t_s - half), np.maximum(index - 1, 0))
    last = np.maximum(np.searchsorted(t_s, t_s + half, side="right"), np.minimum(index + 2, n))
    for begin in range(0, n, _PART):
        end = min(begin + _PART, n)
        low, high = int(first[begin]), int(last[end - 1])
        slope[begin:end] = _slopes(
            t_s[low:high],
            values[low:high],
            first[begin:end] - low,
            last[begin:end] - low,
            slice(begin - low, end - low),
        )
    return slope


_PART: Final = 2048
"""Samples that share an origin: sums over a longer stretch would lose the digits that a short window needs."""


def _slopes(t_s: FloatArray, values: FloatArray, first: IntArray, last: IntArray, middle: slice) -> FloatArray:
    """Slopes of the windows [first, last), each around its own sample, from running sums."""
    t, y = t_s - t_s[middle][0], values - values[middle][0]
    at = t[middle]
    count = (last - first).astype(np.float64)

    def over(series: FloatArray) -> FloatArray:
        total = np.concatenate(([0.0], np.cumsum(series)))
        part: FloatArray = total[last] - total[first]
        return part

    sum_t, sum_y = over(t), over(y)
    st, stt = sum_t - count * at, over(t * t) - 2 * at * sum_t + count * at * at
    sty = over(t * y) - at * sum_y
    spread = stt - st * st / count
    slope = np.zeros(len(at))
    np.divide(sty - st * sum_y / count, spread, out=slope, where=spread > 0)
    return slope


@dataclass(frozen=True, eq=False)
class Curve:
    """One pull as it is looked at; torques in N·m, positive in the direction of the pull.

    What is worked out of the samples is worked out when it is first wanted, and kept.

    Attributes:
        number: Of the pull in its run, from 1.
        t_s: Shape (n,), seconds on the trace's own axis.
        torque_nm: Shape (n,).
        pull: As read; None when nothing was read.
        counts: It counts for the verdict (not a preload, not set aside).
        remark: What a person should know of it: reason for setting aside, "preload".
    """

    number: int
    t_s: FloatArray
    torque_nm: FloatArray
    pull: Pull | None
    counts: bool = True
    remark: str = ""

    @cached_property
    def levels(self) -> tuple[Level, ...]:
        """The torque, N·m, with ever fewer samples."""
        return thinned(self.t_s, self.torque_nm)

    @cached_property
    def rate_nm_s(self) -> FloatArray:
        """Local slope at each sample, N·m/s."""
        return local_slope(self.t_s, self.torque_nm, slope_window_s(self.t_s))

    @cached_property
    def rate_levels(self) -> tuple[Level, ...]:
        """The local slope, N·m/s, with ever fewer samples."""
        return thinned(self.t_s, self.rate_nm_s)

    @cached_property
    def ends_s(self) -> tuple[float, float]:
        """First and last time of what is shown of it when everything is."""
        if self.pull is None:
            return float(self.t_s[0]), float(self.t_s[-1])
        return whole_pull(self.t_s, self.torque_nm, self.pull)

    def shift_s(self, align: Align) -> float:
        """Return the time of the curve that stands at 0 when aligned so; its start where the wanted mark is missing."""
        pull = self.pull
        if pull is None:
            return float(self.t_s[0]) if len(self.t_s) else 0.0
        if align is Align.CLICK and pull.reading_time_s is not None:
            return pull.reading_time_s
        if align is Align.EIGHTY and pull.reading_time_s is not None and pull.time_80_to_100_s is not None:
            return pull.reading_time_s - pull.time_80_to_100_s
        if align is Align.START or not len(self.t_s):
            return pull.start_s
        return float(self.t_s[int(np.argmax(self.torque_nm))])

    def index_at(self, time_s: float) -> int | None:
        """Return the index of the sample nearest to `time_s`; None outside the curve."""
        if not len(self.t_s) or not self.t_s[0] <= time_s <= self.t_s[-1]:
            return None
        right = int(np.searchsorted(self.t_s, time_s))
        left = max(0, right - 1)
        return left if right >= len(self.t_s) or time_s - self.t_s[left] < self.t_s[right] - time_s else right

    def at(self, time_s: float) -> tuple[float, float, float] | None:
        """Return (time, torque in N·m, rate in N·m/s) of the sample nearest to `time_s`; None outside the curve."""
        index = self.index_at(time_s)
        if index is None:
            return None
        return float(self.t_s[index]), float(self.torque_nm[index]), float(self.rate_nm_s[index])


def slope_window_s(t_s: FloatArray) -> float:
    """Return the window for the drawn slope: 5 ms, or two intervals where samples are further apart."""
    if len(t_s) < 2:
        return 0.005
    return max(0.005, 2.0 * float(np.median(np.diff(t_s))))


def curve_of(
    number: int,
    t_s: FloatArray,
    torque_nm: FloatArray,
    pull: Pull | None,
    *,
    counts: bool = True,
    remark: str = "",
) -> Curve:
    """Return a curve ready to be looked at; anticlockwise pulls are turned so that they rise.

    Args:
        number: Of the pull.
        t_s: Shape (n,), seconds, strictly rising.
        torque_nm: Shape (n,), N·m, clockwise positive.
        pull: As read, times on the same axis, torques in N·m; None when nothing was read.
        counts: It counts for the verdict.
        remark: For people.
    """
    sign = pull.direction.sign if pull is not None else (1 if _leans_up(torque_nm) else -1)
    return Curve(number, t_s, np.ascontiguousarray(torque_nm * sign), pull, counts, remark)


def curve_of_trace(number: int, trace: Trace, pull: Pull | None, *, counts: bool = True, remark: str = "") -> Curve:
    """Return the curve of a stored or read trace (its polarity is applied here)."""
    torque_nm = to_nm(trace.torque, trace.unit) * trace.polarity.sign
    return curve_of(number, trace.t_s, torque_nm, pull, counts=counts, remark=remark)


def _leans_up(torque: FloatArray) -> bool:
    return len(torque) == 0 or abs(float(torque.max())) >= abs(float(torque.min()))


def span(curves: Sequence[Curve], align: Align) -> tuple[float, float, float, float]:
    """Return (first time, last time, lowest, highest torque) that shows all curves, with a little air."""
    if not any(len(curve.t_s) for curve in curves):
        return -1.0, 1.0, 0.0, 1.0
    full = [curve for curve in curves if len(curve.t_s)]
    start = min(curve.ends_s[0] - curve.shift_s(align) for curve in full)
    end = max(curve.ends_s[1] - curve.shift_s(align) for curve in full)
    low = min(float(curve.levels[-1].values.min()) for curve in full)
    high = max(float(curve.levels[-1].values.max()) for curve in full)
    air_t, air_y = max((end - start) * 0.02, 1e-4), max((high - low) * 0.08, 1e-9)
    return start - air_t, end + air_t, min(low - air_y / 2, 0.0), high + air_y


def whole_pull(t_s: FloatArray, torque_nm: FloatArray, pull: Pull) -> tuple[float, float]:
    """Return (first, last time) of all that belongs to a pull with some rest beside it, within what was recorded.

    Where the reader says that a pull begins, a slow one on a large reference has long left its rest: the rest is
    looked for on both sides, where torque is below 2 % of the peak.

    Args:
        t_s: Shape (n,), seconds, strictly rising, n >= 1.
        torque_nm: Shape (n,), N·m, positive in the direction of the pull.
        pull: Read from it.
    """
    at_rest = torque_nm <= AT_REST * pull.peak
    first, last = np.searchsorted(t_s, [pull.start_s, pull.end_s])
    before = np.flatnonzero(at_rest[:first])
    after = np.flatnonzero(at_rest[last:])
    begin = float(t_s[before[-1]]) - REST_S if len(before) else float(t_s[0])
    end = float(t_s[last + after[0]]) + REST_S if len(after) else float(t_s[-1])
    return max(begin, float(t_s[0])), min(end, float(t_s[-1]))
