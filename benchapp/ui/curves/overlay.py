"""Pulls laid over each other, as numbers: alignment, pixel columns at any zoom, local slope, the cursor. No Qt.

The Bench draws a growing curve and keeps finished columns (`benchapp.ui.bench.columns`); here a finished curve is
looked at under any zoom, so each curve carries a small pyramid of lowest and highest values and a redraw costs what is
on the screen, not what was sampled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import numpy as np

from benchapp.pulls.pull import Pull
from benchapp.torque.trace import Trace
from benchapp.torque.units import to_nm
from drivers.samples import FloatArray, IntArray

STEP: Final = 8
"""Samples in one bucket of the next level of a pyramid."""


AT_REST: Final = 0.02
"""Share of a pull's peak below which it is taken to rest, for what is shown of it."""
REST_S: Final = 0.3
"""Rest shown beside a pull."""


class Align(StrEnum):
    """Where the curves meet."""

    CLICK = "click"  # where the tool let go (indicating tools: at the reading)
    EIGHTY = "80"  # last rise through 80 % of the reading
    START = "start"  # where the pull began


@dataclass(frozen=True, slots=True)
class Level:
    """Lowest and highest of buckets of samples; `t_s` is the time of each bucket's first sample."""

    t_s: FloatArray
    low: FloatArray
    high: FloatArray


def pyramid(t_s: FloatArray, values: FloatArray) -> tuple[Level, ...]:
    """Return levels of `STEP` times fewer buckets each, the samples themselves first.

    Args:
        t_s: Shape (n,), seconds, strictly rising, n >= 1.
        values: Shape (n,), any unit. NaN never hides a value beside it.

    Returns:
        At least one level; the last one has fewer than ``STEP * 64`` buckets.
    """
    levels = [Level(t_s, values, values)]
    while len(levels[-1].t_s) >= STEP * 64:
        finer = levels[-1]
        starts = np.arange(0, len(finer.t_s), STEP)
        levels.append(
            Level(finer.t_s[::STEP], np.fmin.reduceat(finer.low, starts), np.fmax.reduceat(finer.high, starts))
        )
    return tuple(levels)


def columns(
    levels: Sequence[Level], shift_s: float, start_s: float, end_s: float, n_columns: int
) -> tuple[FloatArray, FloatArray]:
    """Reduce a curve to what `n_columns` pixel columns can show between two times.

    Where more than two samples fall on a column, its lowest and its highest value are returned (in this order, at the
    column's left edge); otherwise the samples themselves, so that a click seen from near is drawn through its samples.
    A bucket that straddles two columns counts to the one in which it begins: a peak is never lost, and stands at most
    1/4 column from its place.

    Args:
        levels: Of `pyramid`.
        shift_s: Subtracted from the curve's times (where it is aligned).
        start_s: Left edge on the shifted axis.
        end_s: Right edge, > start_s.
        n_columns: Pixel columns, >= 1.

    Returns:
        (times on the shifted axis, values), both shape (m,), in drawing order; one sample beyond each edge is included
        so that lines run out of the picture.
    """
    begin, end = start_s + shift_s, end_s + shift_s
    finest = levels[0]
    first = max(0, int(np.searchsorted(finest.t_s, begin)) - 1)
    last = min(len(finest.t_s), int(np.searchsorted(finest.t_s, end, side="right")) + 1)
    if last - first <= 2 * n_columns:
        return finest.t_s[first:last] - shift_s, finest.low[first:last]
    level = finest
    for coarser in levels[1:]:
        shown = int(np.searchsorted(coarser.t_s, end)) - int(np.searchsorted(coarser.t_s, begin))
        if shown < 4 * n_columns:
            break
        level = coarser
    edges = np.linspace(begin, end, n_columns + 1)
    places = np.searchsorted(level.t_s, edges)
    starts = places[:-1]
    held = places[1:] > starts
    starts = starts[held]
    if len(starts) == 0:
        return finest.t_s[first:last] - shift_s, finest.low[first:last]
    stop = int(places[-1])
    low = np.fmin.reduceat(level.low[:stop], starts)
    high = np.fmax.reduceat(level.high[:stop], starts)
    at = edges[:-1][held] - shift_s
    times = np.repeat(at, 2)
    values = np.empty(2 * len(at))
    values[0::2] = low
    values[1::2] = high
    return times, values


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


@dataclass(frozen=True, slots=True)
class Curve:
    """One pull as it is looked at; torques in N·m, positive in the direction of the pull.

    Attributes:
        number: Of the pull in its run, from 1.
        t_s: Shape (n,), seconds on the trace's own axis.
        torque_nm: Shape (n,).
        pull: As read; None when nothing was read.
        counts: It counts for the verdict (not a preload, not set aside).
        remark: What a person should know of it: reason for setting aside, "preload".
        levels: Pyramid of the torque.
        rate_levels: Pyramid of its local slope, N·m/s.
        rate_nm_s: Local slope at each sample, N·m/s.
    """

    number: int
    t_s: FloatArray
    torque_nm: FloatArray
    pull: Pull | None
    counts: bool = True
    remark: str = ""
    levels: tuple[Level, ...] = field(default=(), repr=False)
    rate_levels: tuple[Level, ...] = field(default=(), repr=False)
    rate_nm_s: FloatArray = field(default_factory=lambda: np.empty(0), repr=False)

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

    def at(self, time_s: float) -> tuple[float, float, float] | None:
        """Return (time, torque in N·m, rate in N·m/s) of the sample nearest to `time_s`; None outside the curve."""
        if not len(self.t_s) or not self.t_s[0] <= time_s <= self.t_s[-1]:
            return None
        right = int(np.searchsorted(self.t_s, time_s))
        left = max(0, right - 1)
        index = left if right >= len(self.t_s) or time_s - self.t_s[left] < self.t_s[right] - time_s else right
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
    torque = np.ascontiguousarray(torque_nm * sign)
    slope = local_slope(t_s, torque, slope_window_s(t_s))
    if len(t_s) == 0:
        return Curve(number, t_s, torque, pull, counts, remark)
    return Curve(
        number,
        t_s,
        torque,
        pull,
        counts,
        remark,
        pyramid(t_s, torque),
        pyramid(t_s, slope),
        slope,
    )


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
    start = min(_ends(curve)[0] - curve.shift_s(align) for curve in full)
    end = max(_ends(curve)[1] - curve.shift_s(align) for curve in full)
    low = min(float(np.nanmin(curve.levels[-1].low)) for curve in full)
    high = max(float(np.nanmax(curve.levels[-1].high)) for curve in full)
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


def _ends(curve: Curve) -> tuple[float, float]:
    if curve.pull is None:
        return float(curve.t_s[0]), float(curve.t_s[-1])
    return whole_pull(curve.t_s, curve.torque_nm, curve.pull)


def nice_step(length: float, n_wanted: int) -> float:
    """Return the step of 1, 2 or 5 times a power of ten that puts about `n_wanted` marks on `length`.

    >>> nice_step(40.0, 5), nice_step(0.06, 6)
    (10.0, 0.01)
    """
    raw = length / max(1, n_wanted)
    if not raw > 0:
        return 1.0
    decade = float(10.0 ** np.floor(np.log10(raw)))
    for factor in (1.0, 2.0, 5.0):
        if raw <= factor * decade * 1.0001:
            return factor * decade
    return 10.0 * decade


def ticks(low: float, high: float, n_wanted: int) -> tuple[list[float], int]:
    """Return (places of marks inside, decimals their labels need)."""
    step = nice_step(high - low, n_wanted)
    first = int(np.ceil(low / step - 1e-9))
    last = int(np.floor(high / step + 1e-9))
    decimals = max(0, -int(np.floor(np.log10(step) + 1e-9)))
    return [index * step for index in range(first, last + 1)], decimals
