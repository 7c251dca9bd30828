"""Marks of a pull: what a curve says about the arm that made it, as public functions with units.

Nothing here is a score. Each function has one definition that can be redone with paper and ruler; what counts as good
stands in `drills.toml`, with where it comes from. Torques are magnitudes in N·m, rising torque positive, times in
seconds on any axis. Curves are looked at as means over 10 ms, so that noise of the electronics does not count as the
arm's: a mean over 10 ms leaves 98 to 99 % of a tremor of 6 to 12 Hz and a tenth of the noise power at 1 kHz.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from benchapp.pulls.pull import Flag, Mode, Pull
from drivers.samples import FloatArray

MEAN_S: Final = 0.01
"""Curves are looked at as means over this long, s."""
TREMOR_S: Final = 0.25
"""Tremor is what is left when the mean over this long is taken away, s: two periods of 8 Hz."""
DIP_S: Final = 0.03
"""A dip counts as deep as it stayed for this long, s; the reader's flag `jerky` asks the same."""
DIP_FROM: Final = 0.1
"""Dips are looked for from this share of the reading on, as by the flag `jerky`."""
DIP_PERCENT: Final = 3.0
"""From this depth on a dip is counted, percent of the torque reached before; as by the flag `jerky`."""
LAST: Final = 10
"""How many pulls a spread is taken over."""


@dataclass(frozen=True, slots=True)
class Dip:
    """A stretch in which the torque fell back on the way up.

    Attributes:
        start_s: Where the torque went below what had been reached, by more than the limit.
        end_s: Where it was back within it.
        percent: Greatest depth, percent of what had been reached.
    """

    start_s: float
    end_s: float
    percent: float


@dataclass(frozen=True, slots=True)
class PullMarks:
    """The marks of one pull; None where the curve does not tell.

    Attributes:
        reading_nm: What counts: the first peak (setting tool), the held torque (indicating tool).
        first_peak_nm: Where the tool let go; None when it never did.
        peak_nm: Greatest torque: what the joint would have got.
        target_nm: Set on the tool or aimed at; None without.
        follow_percent: Peak over first peak (`follow_through_percent`).
        follow_s: Time above the first peak after the click (`follow_through_s`).
        rise_s: Time from 80 to 100 % of the reading (`rise_time_s`).
        uneven_percent: Greatest distance from an even rise (`rise_deviation_percent`).
        tremor_percent: Trembling on the way up (`tremor_percent`).
        dip_percent: Deepest dip on the way up (`deepest_dip_percent`).
        n_dips: Dips deeper than `DIP_PERCENT` (`dips`).
        rest_s: Time from the reading back to rest (`return_to_rest_s`).
        rest_off_percent: Rest level after against before (`rest_change_percent`).
        error_percent: Indicating tools: held torque against what it is at the mark (`hit_error_percent`).
        overshoot_percent: Indicating tools: peak over the held torque.
        flags: What the reader noticed.
    """

    reading_nm: float | None
    first_peak_nm: float | None
    peak_nm: float
    target_nm: float | None = None
    follow_percent: float | None = None
    follow_s: float | None = None
    rise_s: float | None = None
    uneven_percent: float | None = None
    tremor_percent: float | None = None
    dip_percent: float | None = None
    n_dips: int = 0
    rest_s: float | None = None
    rest_off_percent: float | None = None
    error_percent: float | None = None
    overshoot_percent: float | None = None
    flags: tuple[Flag, ...] = ()


def follow_through_percent(first_peak_nm: float, peak_nm: float) -> float:
    """Return how far the hand carried the torque above the point at which the tool let go.

    100 · (peak / first peak − 1), percent; 0 when the first peak is the greatest torque of the pull.

    Args:
        first_peak_nm: Torque at which the tool let go, N·m, > 0.
        peak_nm: Greatest torque of the pull, N·m.

    >>> follow_through_percent(40.0, 50.0)
    25.0
    """
    if first_peak_nm <= 0:
        raise ValueError(f"a first peak is above zero, not {first_peak_nm}")
    return max(0.0, 100.0 * (peak_nm / first_peak_nm - 1.0))


def follow_through_s(t_s: FloatArray, torque_nm: FloatArray, click_s: float, first_peak_nm: float) -> float:
    """Return for how long the torque stood above the first peak after the click, in all, seconds.

    The sum of the sampling intervals that end in a sample above the first peak.

    Args:
        t_s: Shape (n,), seconds, rising.
        torque_nm: Shape (n,), N·m, positive.
        click_s: When the tool let go.
        first_peak_nm: At which torque.
    """
    after = (t_s[1:] > click_s) & (torque_nm[1:] > first_peak_nm)
    return float(np.diff(t_s)[after].sum())


def last_rise_s(t_s: FloatArray, torque_nm: FloatArray, level_nm: float, before_s: float) -> float | None:
    """Return when the torque last rose through `level_nm` up to `before_s`; None when it never was below.

    Interpolated between the last sample below the level and the one after it.
    """
    inside = np.flatnonzero((t_s <= before_s) & (torque_nm < level_nm))
    if not len(inside):
        return None
    k = int(inside[-1])
    if k + 1 >= len(t_s) or torque_nm[k + 1] <= torque_nm[k]:
        return None
    share = (level_nm - torque_nm[k]) / (torque_nm[k + 1] - torque_nm[k])
    return float(t_s[k] + share * (t_s[k + 1] - t_s[k]))


def rise_time_s(t_s: FloatArray, torque_nm: FloatArray, reading_nm: float, reading_s: float) -> float | None:
    """Return the time from the last rise through 80 % of the reading to the reading, seconds; None without a rise.

    Args:
        t_s: Shape (n,), seconds, rising.
        torque_nm: Shape (n,), N·m, positive.
        reading_nm: The reading (100 %).
        reading_s: When it was reached.

    Source:
        ISO 6789:2003 asks for this time (0.5 to 4 s for setting tools, seen second-hand).
    """
    begin = last_rise_s(t_s, torque_nm, 0.8 * reading_nm, reading_s)
    return None if begin is None else reading_s - begin


def rise_deviation_percent(t_s: FloatArray, torque_nm: FloatArray, reading_nm: float, reading_s: float) -> float | None:
    """Return how far the last fifth of the load is from an even rise, percent of the reading.

    The greatest distance, up or down, of the means over 10 ms from the straight line fitted to them (least squares)
    between the last rise through 80 % and the reading. None when that stretch holds fewer than five means.
    """
    begin = last_rise_s(t_s, torque_nm, 0.8 * reading_nm, reading_s)
    if begin is None:
        return None
    t, v = means(t_s, torque_nm, begin, reading_s)
    if len(t) < 5:
        return None
    at = t - t.mean()
    slope = float(at @ v / (at @ at))
    return float(np.abs(v - v.mean() - slope * at).max() / reading_nm * 100.0)


def tremor_percent(t_s: FloatArray, torque_nm: FloatArray, reading_nm: float, reading_s: float) -> float | None:
    """Return how much the arm trembled on the way up, percent of the reading.

    What is left of the torque (means over 10 ms) when its moving mean over 0.25 s is taken away, from the last rise
    through half the reading to the reading; of that the median size. For a sine this is its root mean square, and a
    dip or two, which are counted elsewhere, change little of it. A steady rise leaves nothing. A sine of 6 to 12 Hz,
    where an arm's tremor lies, counts with 0.85 to 1.21 of its own. None when the stretch is shorter than 0.5 s.

    Source:
        Tremor between 6 and 12 Hz: Lakie et al., J Physiol 593 (2015) 4411.
    """
    begin = last_rise_s(t_s, torque_nm, 0.5 * reading_nm, reading_s)
    if begin is None or reading_s - begin < 0.5:
        return None
    t, v = means(t_s, torque_nm, begin, reading_s)
    n = round(TREMOR_S / MEAN_S)
    even = np.arange(t[0], t[-1] + 1e-9, MEAN_S)
    if len(t) < 5 or len(even) <= n:
        return None
    v = np.interp(even, t, v)  # slower streams leave some means without a sample
    total = np.concatenate([[0.0], np.cumsum(v)])
    half = n // 2
    left = v[half : half + len(total) - n] - (total[n:] - total[:-n]) / n
    return float(np.median(np.abs(left)) / reading_nm * 100.0)


def deepest_dip_percent(t_s: FloatArray, torque_nm: FloatArray, reading_nm: float, reading_s: float) -> float:
    """Return the deepest dip on the way up, percent of the torque reached before it; 0 without one.

    As deep as the torque (means over 10 ms) stayed below what had been reached for 30 ms on end, from a tenth of the
    reading on.
    """
    _, depth = _depths(t_s, torque_nm, reading_nm, reading_s)
    n = round(DIP_S / MEAN_S)
    if len(depth) < n:
        return 0.0
    stayed = np.lib.stride_tricks.sliding_window_view(depth, n).min(axis=1)
    return float(stayed.max())


def dips(
    t_s: FloatArray, torque_nm: FloatArray, reading_nm: float, reading_s: float, *, deeper_percent: float = DIP_PERCENT
) -> tuple[Dip, ...]:
    """Return the dips on the way up that were deeper than `deeper_percent` for 30 ms and more, oldest first."""
    t, depth = _depths(t_s, torque_nm, reading_nm, reading_s)
    deep = np.concatenate([[False], depth > deeper_percent, [False]])
    edges = np.flatnonzero(np.diff(deep.astype(np.int8)))
    found = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if (b - a) * MEAN_S >= DIP_S - 1e-9:
            found.append(Dip(float(t[a]), float(t[min(b, len(t) - 1)]), float(depth[a:b].max())))
    return tuple(found)


def _depths(
    t_s: FloatArray, torque_nm: FloatArray, reading_nm: float, reading_s: float
) -> tuple[FloatArray, FloatArray]:
    """(times, depth below what had been reached in percent of it) of the means on the way up, from a tenth on."""
    t, v = means(t_s, torque_nm, -math.inf, reading_s)
    reached = np.maximum.accumulate(v)
    on = reached > DIP_FROM * reading_nm
    t, v, reached = t[on], v[on], reached[on]
    return t, (reached - v) / reached * 100.0 if len(v) else v


def return_to_rest_s(pull: Pull) -> float | None:
    """Return the time from the reading back to rest, seconds: the click, or the end of the hold, to the pull's end.

    None without a reading, or when the recording ended before the rest.
    """
    if pull.reading_time_s is None or Flag.CUT in pull.flags:
        return None
    begin = next((mark.time_s for mark in pull.marks if mark.name == "hold-end"), pull.reading_time_s)
    return pull.end_s - begin


def rest_change_percent(pull: Pull) -> float | None:
    """Return how far the rest level after is from the one before, percent of the reading (or of the peak)."""
    if pull.rest_after is None:
        return None
    return abs(pull.rest_after - pull.rest) / (pull.reading or pull.peak) * 100.0


def hit_error_percent(held_nm: float, target_nm: float, tool_deviation_percent: float = 0.0) -> float:
    """Return how far the person missed the mark of an indicating tool, percent.

    The tool's own deviation d = 100 · (indication − reading) / reading is known from its verification: at the mark the
    reference reads target / (1 + d/100). What is left is the person's.

    >>> round(hit_error_percent(51.0, 50.0), 3), round(hit_error_percent(51.0, 50.0, -1.0), 3)
    (2.0, 0.98)
    """
    return 100.0 * (held_nm / (target_nm / (1.0 + tool_deviation_percent / 100.0)) - 1.0)


def spread_percent(values: Sequence[float], last: int = LAST) -> float | None:
    """Return the spread of the last values: their standard deviation (n − 1) in percent of their mean.

    Args:
        values: Oldest first, > 0, any one unit.
        last: How many at most.

    Returns:
        None with fewer than two.

    >>> round(spread_percent([10.0, 11.0, 12.0]), 4)
    9.0909
    """
    kept = np.asarray(values[-last:], dtype=np.float64)
    if len(kept) < 2:
        return None
    return float(np.std(kept, ddof=1) / np.mean(kept) * 100.0)


def means(t_s: FloatArray, torque_nm: FloatArray, from_s: float, to_s: float) -> tuple[FloatArray, FloatArray]:
    """Return (mean times, mean torques) over stretches of 10 ms from `from_s` to `to_s`, both included.

    Stretches without a sample are left out; a last one that holds less than half as many samples as usual too.
    """
    inside = (t_s >= from_s) & (t_s <= to_s)
    t, v = t_s[inside], torque_nm[inside]
    if not len(t):
        return t, v
    place = np.floor((t - t[0]) / MEAN_S + 1e-6).astype(np.int64)
    count = np.bincount(place)
    kept = count > 0
    kept[-1] = kept[-1] and count[-1] * 2 >= np.median(count[kept])
    total = np.maximum(count, 1)
    return (np.bincount(place, t) / total)[kept], (np.bincount(place, v) / total)[kept]


def marks_of(
    pull: Pull,
    t_s: FloatArray,
    torque_nm: FloatArray,
    *,
    target_nm: float | None = None,
    tool_deviation_percent: float = 0.0,
) -> PullMarks:
    """Return all marks of a pull.

    Args:
        pull: As read, N·m.
        t_s: Shape (n,), seconds, on the pull's axis; more than the pull may be given.
        torque_nm: Shape (n,), N·m, clockwise positive.
        target_nm: Set or aimed at, magnitude; None without.
        tool_deviation_percent: Of an indicating tool at the target, from its verification.
    """
    torque = torque_nm * pull.direction.sign - pull.rest
    inside = (t_s >= pull.start_s) & (t_s <= pull.end_s)
    t, v = t_s[inside], torque[inside]
    level, at = pull.reading, pull.reading_time_s
    if pull.mode is Mode.HOLD and level is not None:
        # the rise to a held torque ends where the torque first comes to it
        first = np.flatnonzero(v >= level - pull.rest)
        at = float(t[first[0]]) if len(first) else at
    if level is None or at is None:
        peak = next((mark for mark in pull.marks if mark.name == "peak"), None)
        level, at = pull.peak, peak.time_s if peak is not None else pull.end_s
    level = max(level - pull.rest, 1e-12)

    def on_curve(function: Callable[[FloatArray, FloatArray, float, float], float | None]) -> float | None:
        return function(t, v, level, at) if len(t) else None

    found = PullMarks(
        reading_nm=pull.reading,
        first_peak_nm=pull.first_peak,
        peak_nm=pull.peak,
        target_nm=target_nm,
        rise_s=on_curve(rise_time_s),
        uneven_percent=on_curve(rise_deviation_percent),
        tremor_percent=on_curve(tremor_percent),
        dip_percent=on_curve(deepest_dip_percent),
        n_dips=len(dips(t, v, level, at)) if len(t) else 0,
        rest_s=return_to_rest_s(pull),
        rest_off_percent=rest_change_percent(pull),
        flags=pull.flags,
    )
    if pull.mode is Mode.FIRST_PEAK:
        if pull.first_peak is not None and pull.reading_time_s is not None:
            found = replace(
                found,
                follow_percent=follow_through_percent(pull.first_peak, pull.peak),
                follow_s=follow_through_s(t, v, pull.reading_time_s, pull.first_peak - pull.rest),
            )
        else:
            found = replace(found, rise_s=None, uneven_percent=None)  # there is no reading to rise to
    elif pull.reading is not None:
        found = replace(found, overshoot_percent=follow_through_percent(pull.reading, pull.peak))
        if target_nm is not None:
            found = replace(found, error_percent=hit_error_percent(pull.reading, target_nm, tool_deviation_percent))
    return found
