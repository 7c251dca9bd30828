"""Levels of torque out of many samples: a peak, the end of a rise, a median; places where a level is crossed."""

from __future__ import annotations

import itertools

import numpy as np

from benchapp.pulls._extremes import Extremes
from benchapp.pulls._means import means_of
from drivers.samples import FloatArray

_GRID = 64  # samples; see `_middle_of_greatest_mean`
_TOGETHER = 1 << 13  # samples looked at together: they stay in a near cache; dots of 10,000 and more take all threads


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
        v = torque[index - n + 1 : index + 1]
        fit = Fit(_apart(t_s[index - n + 1 : index + 1], rate_hz), v, n - 1, rate_hz / n, degree)
        if fit.left() / (n - degree - 1) <= (1.5 * noise) ** 2 + 1e-18 * float(v @ v):
            return fit(0.25 / n)
        n //= 2
    return float(torque[index])


def _apart(t_s: FloatArray, rate_hz: float) -> FloatArray:
    """Times that a curve may be laid through: even ones where the link dated samples closer than half an interval.

    They came in a lump after the link had not been read. Through torques at one and the same time a curve goes
    anywhere: 923,562 N·m was read of a pull of 60.
    """
    if (t_s[1:] - t_s[:-1]).min() * rate_hz >= 0.5:
        return t_s
    return np.arange(len(t_s)) / rate_hz


class Fit:
    """A line or parabola through samples by least squares, of (t − t[origin]) · `per_s`, which should stay within ±1.

    By the normal equations, well conditioned for such arguments: 12 us where `np.linalg.lstsq` takes 200, and a
    general solver for powers in a matrix 25.
    """

    def __init__(self, t_s: FloatArray, v: FloatArray, origin: int, per_s: float, degree: int) -> None:
        """Shapes (n,), n > `degree`."""
        self._level = float(v[origin])
        self._rows = rows = np.empty((degree + 2, len(v)))
        rows[0] = 1.0
        np.multiply(t_s - t_s[origin], per_s, out=rows[1])
        if degree > 1:
            np.multiply(rows[1], rows[1], out=rows[2])
        np.subtract(v, self._level, out=rows[degree + 1])
        equations = (rows[: degree + 1] @ rows.T).tolist()
        self.coefficients = _parabola(equations) if degree > 1 else _line(equations)

    def left(self) -> float:
        """Sum of the squares of what the curve leaves over."""
        left = self._rows[-1] - self.coefficients @ self._rows[:-1]
        return float(left @ left)

    def __call__(self, at: float) -> float:
        """Value at an argument."""
        value = 0.0
        for coefficient in reversed(self.coefficients):
            value = value * at + coefficient
        return self._level + value


def _line(rows: list[list[float]]) -> list[float]:
    """Solution of two linear equations, positive definite, the right-hand side in the last column."""
    (a, b, r0), (c, d, r1) = rows
    times = c / a
    at_1 = (r1 - times * r0) / (d - times * b)
    return [(r0 - b * at_1) / a, at_1]


def _parabola(rows: list[list[float]]) -> list[float]:
    """The same of three."""
    (a, b, c, r0), (d, e, f, r1), (g, h, i, r2) = rows
    times = d / a
    e, f, r1 = e - times * b, f - times * c, r1 - times * r0
    times = g / a
    h, i, r2 = h - times * b, i - times * c, r2 - times * r0
    times = h / e
    at_2 = (r2 - times * r1) / (i - times * f)
    at_1 = (r1 - f * at_2) / e
    return [(r0 - b * at_1 - c * at_2) / a, at_1, at_2]


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


def crest(
    t_s: FloatArray,
    torque: FloatArray,
    extremes: Extremes,
    rate_hz: float,
    seconds: float,
    missing: list[tuple[int, int]],
) -> tuple[float, int]:
    """Estimate the greatest torque of a smooth curve: (value, index), by a parabola `seconds` to either side.

    No parabola goes across `missing`, neighbours with a gap between them: what was reached inside nobody knows.
    """
    n = max(1, round(seconds * rate_hz))
    index = _middle_of_greatest_mean(torque, extremes, n) if len(torque) > 2 * n > 2 else int(torque.argmax())
    low, high = max(index - n, 0), min(index + n + 1, len(torque))
    edges = [low, *(b for _, b in missing if low < b < high), high]
    if len(edges) > 2:
        index = low + int(torque[low:high].argmax())
        low, high = next((a, b) for a, b in itertools.pairwise(edges) if a <= index < b)
    if high - low < 6:
        near = torque[low:high]
        return float(near.max()), low + int(near.argmax())
    near_s = _apart(t_s[low:high], rate_hz)
    fit = Fit(near_s, torque[low:high], index - low, rate_hz / n, 2)
    _, c1, c2 = fit.coefficients
    if c2 >= 0:
        return float(torque[index]), index
    first, last = (float(near_s[k] - near_s[index - low]) * rate_hz / n for k in (0, -1))
    top = min(max(-c1 / (2 * c2), -1.0, first), 1.0, last)
    return fit(top), min(max(index + round(top * n), low), high - 1)


def _middle_of_greatest_mean(torque: FloatArray, extremes: Extremes, n: int) -> int:
    """Middle of the `n` consecutive samples whose mean is greatest.

    No mean exceeds the greatest sample in it, so only what lies near samples above the greatest mean of the blocks
    0…n−1, n…2n−1 and so on need be looked at; from a multiple of `_GRID` to one, for among means that are equal but
    for rounding it is the place where summing begins that decides.
    """
    least, low, last = _greatest_of_blocks(torque, extremes, n)
    least -= 1e-9 * abs(least)  # the sums below round differently
    first = extremes.begin(low)
    high = (torque[first : extremes.begin(last + 1)] >= least).nonzero()[0]
    begin = max((first + int(high[0])) // _GRID * _GRID - n, 0)
    end = min(((first + int(high[-1])) // _GRID + 1) * _GRID + n, len(torque))
    near = torque[begin:end]
    total = np.zeros(len(near) + 1)
    np.cumsum(near - near[0], out=total[1:])
    return begin + int((total[n:] - total[:-n]).argmax()) + n // 2


def _greatest_of_blocks(torque: FloatArray, extremes: Extremes, n: int) -> tuple[float, int, int]:
    """Greatest mean of whole blocks of `n` samples (there is one); first and last piece where samples are as great."""
    top, n_blocks = extremes.top, len(torque) // n
    low = high = int(top.argmax())
    while True:
        # those that touch pieces `low` to `high`
        begin, end = extremes.begin(low) // n, min(-(-extremes.begin(high + 1) // n), n_blocks)
        if end <= begin:
            low, high = 0, len(top) - 1  # the greatest sample lies in what is left over
            continue
        greatest = float(means_of(torque[begin * n : end * n], n).max())
        pieces = (top >= greatest - 1e-9 * abs(greatest)).nonzero()[0]  # sums round
        first, last = int(pieces[0]), int(pieces[-1])
        if low <= first and last <= high:
            return greatest, first, last
        low, high = min(first, low), max(last, high)


def last_below(torque: FloatArray, extremes: Extremes, end: int, level: float) -> int:
    """Index of the last of the first `end` samples that is below `level`; -1 without one."""
    if end < 1:
        return -1
    # all but the first and the last hold such a sample for certain
    for piece in (extremes.least[: extremes.piece(end - 1) + 1] < level).nonzero()[0][:-4:-1].tolist():
        begin = extremes.begin(piece)
        below = torque[begin : min(extremes.begin(piece + 1), end)][::-1] < level
        from_end = int(below.argmax())
        if below[from_end]:
            return begin + len(below) - 1 - from_end
    return -1


def slope(t: FloatArray, v: FloatArray) -> float:
    """Slope of the straight line through samples, in pieces that stay in a near cache and that one thread sums."""
    n = len(t)
    t0, v0 = 0.5 * float(t[0] + t[-1]), 0.5 * float(v[0] + v[-1])
    sum_at = sum_off = square = product = 0.0
    for low in range(0, n, _TOGETHER):
        at, off = t[low : low + _TOGETHER] - t0, v[low : low + _TOGETHER] - v0
        sum_at += float(np.add.reduce(at))
        sum_off += float(np.add.reduce(off))
        square += float(at @ at)
        product += float(at @ off)
    return (product - sum_at * sum_off / n) / (square - sum_at * sum_at / n)
