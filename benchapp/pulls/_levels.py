"""Levels of torque out of many samples: a peak, the end of a rise, a median; places where a level is crossed."""

from __future__ import annotations

import numpy as np

from benchapp.pulls._extremes import Extremes
from benchapp.pulls._means import Means
from drivers.samples import FloatArray

_GRID = 64  # samples; see `_middle_of_greatest_mean`
_TOGETHER = 1 << 15  # samples looked at together: they stay in a near cache


def level_before(t_s: FloatArray, torque: FloatArray, index: int, rate_hz: float, noise: float) -> float:
    """Estimate the torque at sample `index`, the last of a rise, from the rise itself and not from its noise.

    A parabola over the last 10 ms, 12 samples at least (a line over 5 samples below 800 Hz), is taken a quarter of a
    sample past the last one: the true peak lies between this sample and the next. Longer would cut off the crest of a
    tremor of 12 Hz; where the rise bends more sharply than the parabola, which shows in what is left over, it is
    taken over half as long, and in the end the sample itself.
    """
    n, degree = (max(12, round(0.01 * rate_hz)), 2) if rate_hz >= 800.0 else (5, 1)
    if index + 1 < n or rate_hz < 300.0:
        return float(torque[index])
    while n > degree + 2:
        t, v = t_s[index - n + 1 : index + 1], torque[index - n + 1 : index + 1]
        powers = _powers((t - t[-1]) * rate_hz / n, degree)
        fitted = _fitted(powers, v)
        left = v - powers @ fitted
        if float(left @ left) / (n - degree - 1) <= (1.5 * noise) ** 2 + 1e-18 * float(v @ v):
            return float(_powers(np.array([0.25 / n]), degree)[0] @ fitted)
        n //= 2
    return float(torque[index])


def _powers(at: FloatArray, degree: int) -> FloatArray:
    """Columns 1, `at`, `at`² …; `at` lies within about ±1, so that the normal equations are well conditioned."""
    powers: FloatArray = at[:, None] ** np.arange(degree + 1)
    return powers


def _fitted(powers: FloatArray, v: FloatArray) -> FloatArray:
    """Coefficients of the least squares; a tenth of the time of NumPy's general way."""
    level = float(v[0])
    coefficients = np.asarray(np.linalg.solve(powers.T @ powers, powers.T @ (v - level)), dtype=np.float64)
    coefficients[0] += level
    return coefficients


def middle(values: FloatArray) -> float:
    """Median of one sample or more, finite all; quicker than `np.median` on short arrays."""
    ordered = np.sort(values)
    n = len(ordered)
    return 0.5 * float(ordered[(n - 1) // 2] + ordered[n // 2])


def quantile(ordered: FloatArray, share: float) -> float:
    """Of samples in order, straight between two of them; `np.percentile` takes ten times as long on short arrays."""
    at = share * (len(ordered) - 1)
    k = min(int(at), len(ordered) - 2) if len(ordered) > 1 else 0
    low, high = ordered[k : k + 2].tolist() if len(ordered) > 1 else (float(ordered[0]),) * 2
    part = at - k
    # from the nearer of the two, as NumPy does
    return low + (high - low) * part if part < 0.5 else high - (high - low) * (1.0 - part)


def crest(t_s: FloatArray, torque: FloatArray, extremes: Extremes, rate_hz: float, seconds: float) -> tuple[float, int]:
    """Estimate the greatest torque of a smooth curve: (value, index), by a parabola `seconds` to either side."""
    n = max(1, round(seconds * rate_hz))
    index = _middle_of_greatest_mean(torque, extremes, n) if len(torque) > 2 * n > 2 else int(torque.argmax())
    low, high = max(index - n, 0), min(index + n + 1, len(torque))
    if high - low < 6:
        near = torque[low:high]
        return float(near.max()), low + int(near.argmax())
    c0, c1, c2 = _fitted(_powers((t_s[low:high] - t_s[index]) * rate_hz / n, 2), torque[low:high]).tolist()
    if c2 >= 0:
        return float(torque[index]), index
    top = min(max(-c1 / (2 * c2), -1.0), 1.0)
    return c0 + c1 * top + c2 * top * top, min(max(index + round(top * n), 0), len(torque) - 1)


def _middle_of_greatest_mean(torque: FloatArray, extremes: Extremes, n: int) -> int:
    """Middle of the `n` consecutive samples whose mean is greatest.

    No mean exceeds the greatest sample in it, so only what lies near samples above the greatest mean of the blocks
    0…n−1, n…2n−1 and so on need be looked at; from a multiple of `_GRID` to one, for among means that are equal but
    for rounding it is the place where summing begins that decides.
    """
    least = Means(torque, n, extremes).greatest(0, len(torque) // n)[0]
    least -= 1e-9 * abs(least)  # the sums below round differently
    first, last = _first_and_last_from(torque, extremes, least)
    begin, end = max(first // _GRID * _GRID - n, 0), min((last // _GRID + 1) * _GRID + n, len(torque))
    near = torque[begin:end]
    total = np.zeros(len(near) + 1)
    np.cumsum(near - near[0], out=total[1:])
    return begin + int((total[n:] - total[:-n]).argmax()) + n // 2


def _first_and_last_from(torque: FloatArray, extremes: Extremes, level: float) -> tuple[int, int]:
    """First and last sample of `level` or above; there is one."""
    pieces = np.flatnonzero(extremes.top >= level).tolist()
    first = last = -1
    for piece in pieces:
        begin = extremes.begin(piece)
        high = torque[begin : extremes.begin(piece + 1)] >= level
        first = begin + int(high.argmax())
        if high[first - begin]:
            break
    for piece in reversed(pieces):
        begin = extremes.begin(piece)
        high = torque[begin : extremes.begin(piece + 1)][::-1] >= level
        from_end = int(high.argmax())
        last = begin + len(high) - 1 - from_end
        if high[from_end]:
            break
    return first, last


def last_below(torque: FloatArray, extremes: Extremes, end: int, level: float) -> int:
    """Index of the last of the first `end` samples that is below `level`; -1 without one."""
    if end < 1:
        return -1
    for piece in np.flatnonzero(extremes.least[: extremes.piece(end - 1) + 1] < level)[::-1].tolist():
        begin = extremes.begin(piece)
        below = torque[begin : min(extremes.begin(piece + 1), end)][::-1] < level
        from_end = int(below.argmax())
        if below[from_end]:
            return begin + len(below) - 1 - from_end
    return -1


def slope(t: FloatArray, v: FloatArray) -> float:
    """Slope of the straight line through samples, in pieces that stay in a near cache, by one thread."""
    n = len(t)
    t0, v0 = 0.5 * float(t[0] + t[-1]), 0.5 * float(v[0] + v[-1])
    sums = np.zeros(4)
    for low in range(0, n, _TOGETHER):
        at, off = t[low : low + _TOGETHER] - t0, v[low : low + _TOGETHER] - v0
        sums += at.sum(), off.sum(), np.einsum("i,i", at, at), np.einsum("i,i", at, off)
    return float((sums[3] - sums[0] * sums[1] / n) / (sums[2] - sums[0] * sums[0] / n))
