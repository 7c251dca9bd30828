"""Looking at torque as a signal: wrong samples, lettings-go, peaks. Arrays in one unit, rising torque positive."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from benchapp.pulls.settings import Settings
from drivers.samples import FloatArray

PIECE: Final = 64
"""Samples of which only the greatest and the least are looked at first."""
SLOW_HZ: Final = 300.0
"""Below this rate the stream's own filter spreads a fall over three samples."""

BoolArray = npt.NDArray[np.bool_]


def jumps(torque: FloatArray, begin: int, end: int, jump: float) -> bool:
    """True when two neighbours, the second of them in `begin` to `end`, differ by more than `jump`."""
    near = torque[max(begin - 1, 0) : end]
    if not len(near) or float(near.max()) - float(near.min()) <= jump:
        return False  # no two of them do, neighbours or not
    step = np.diff(near)
    return len(step) > 0 and bool(step.max() > jump or step.min() < -jump)


def mend(
    t_s: FloatArray, torque: FloatArray, wrong: BoolArray, begin: int, end: int, jump: float, rate_hz: float
) -> None:
    """Find single wrong samples and draw straight across them, both in place.

    A wrong sample rises and falls (or falls and rises) by more than `jump` within two samples. What is decided about
    sample k hangs on the mended sample before it and the two after it only, so a stretch may be done in pieces.
    Below 1 kHz only single samples count, since there the trough of a click may last two.

    Args:
        t_s: Shape (n,), seconds.
        torque: Shape (n,); wrong samples before `begin` are drawn across already.
        wrong: Shape (n,); set where a sample was wrong.
        begin: First sample to decide about; the first two and last two of a stream are never wrong.
        end: One past the last.
        jump: See above.
        rate_hz: Of the samples.
    """
    begin, end = max(begin, 2), min(end, len(torque) - 2)
    if end <= begin:
        return
    step = np.diff(torque[begin - 1 : end])
    widths = (1, 2) if rate_hz >= 1000.0 else (1,)
    for place in np.flatnonzero(np.abs(step) > jump) + begin:
        k = int(place)
        while k < end and not wrong[k]:  # after a wrong sample the next one is looked at from the mended level
            width = next((w for w in widths if _sticks_out(torque, k, w, jump)), 0)
            if not width:
                break
            last = k + width
            wrong[k:last] = True
            torque[k:last] = np.interp(t_s[k:last], t_s[[k - 1, last]], torque[[k - 1, last]])
            k = last


def _sticks_out(torque: FloatArray, k: int, width: int, jump: float) -> bool:
    before, after, inside = torque[k - 1], torque[k + width], torque[k : k + width]
    up, down = float(inside.min() - max(before, after)), float(min(before, after) - inside.max())
    # downwards more is asked: the trough of a click at a low rate must not pass for a wrong sample
    return max(up, down) > jump and abs(float(after - before)) < max(0.6 * up, 0.35 * down)


@dataclass(frozen=True, slots=True)
class Release:
    """A letting-go.

    Attributes:
        index: Of the last sample before the fall.
        fall: How far it fell.
        end_index: Where the fall ended.
        clear: It can be told from what the arm does.
    """

    index: int
    fall: float
    end_index: int
    clear: bool


def _reduced(torque: FloatArray, per_block: int) -> FloatArray:
    """Means of blocks of `per_block` samples; a rest of less than a block is left out."""
    if per_block == 1:
        return torque
    n = len(torque) // per_block
    # einsum: much faster than mean(axis=1) on rows this short
    means: FloatArray = np.einsum("ij->i", torque[: n * per_block].reshape(n, per_block)) / per_block
    return means


def _least_ahead(torque: FloatArray, n: int) -> FloatArray:
    """Least of each sample and the `n` after it (fewer at the end)."""
    least = np.concatenate([torque, np.full(n, np.inf)])
    wide = 1  # samples that each element covers; doubled until the next doubling would be too wide
    while 2 * wide <= n + 1:
        least = np.minimum(least[:-wide], least[wide:])
        wide *= 2
    further = n + 1 - wide
    return np.minimum(least[: len(least) - further], least[further:]) if further else least


def releases(
    torque: FloatArray,
    rate_hz: float,
    noise: float,
    settings: Settings,
    *,
    finished: bool = True,
) -> list[Release]:
    """Find where a mechanism let go, earliest first.

    A mechanism's torque falls within `fall_s` and then no further, from a corner; an arm's falls on. Both are looked
    at on means over 1 ms (single samples below 1.5 kHz).

    Args:
        torque: Shape (n,), from the start of the pull on, wrong samples mended.
        rate_hz: Of the samples.
        noise: Standard deviation at rest.
        settings: Limits.
        finished: The pull is over; else a fall counts only when what follows up to 39 ms or `arm_s` later is known.
    """
    per_block = max(1, round(rate_hz / 1000.0)) if rate_hz >= 1500.0 else 1
    x = _reduced(torque, per_block)
    every_s = per_block / rate_hz
    corner_n = max(1, round(0.005 / every_s))
    slow_stream = rate_hz < SLOW_HZ
    fall_n = max(3 if slow_stream else 1, round(settings.fall_s / every_s))
    arm_n = max(2 * fall_n, round(settings.arm_s / every_s))
    ahead_n = arm_n if finished else max(fall_n, min(arm_n, int(0.039 / every_s)))
    n = len(x)
    if n < corner_n * 2 + 2:
        return []
    noise_here = noise / np.sqrt(per_block)
    bend = np.zeros(n)
    bend[corner_n : n - corner_n] = 2 * x[corner_n : n - corner_n] - x[: n - 2 * corner_n] - x[2 * corner_n :]
    highest = np.maximum.accumulate(x)
    floor = np.maximum(0.7 * settings.fall_share * highest, settings.fall_noise * noise_here)
    places = np.flatnonzero((bend > floor) & (x > 0.9 * highest) & (x > 0.05 * highest[-1]))
    if not len(places):
        return []
    fast = x - _least_ahead(x, fall_n)
    highest_index = int(np.argmax(x))
    found: list[Release] = []
    done = -1
    for place in places:
        if place <= done:
            continue
        # the corner is the sharpest bend of its cluster; past the trough begins another
        trough = int(place) + int(np.argmin(x[place : place + fall_n + 1]))
        cluster = places[(places >= place) & (places <= trough)]
        k = int(cluster[np.argmax(bend[cluster])])
        top = k - corner_n + int(np.argmax(x[max(k - corner_n, 0) : k + corner_n + 1])) if k >= corner_n else k
        if top + ahead_n >= n and not finished:
            break
        slow = float(x[top] - x[top : top + ahead_n + 1].min())
        fell = float(fast[top])
        least = max(settings.fall_share * x[top], settings.fall_noise * noise_here * 1.3)
        if fell < least or fell < settings.fall_ratio * slow:
            done = int(place)
            continue
        before = fast[max(top - round(0.6 / every_s), 0) : max(top - fall_n - 1, 0)]
        arm = float(before.max()) if len(before) else 0.0
        # with little to compare with, only a fall beyond any tremor is clear
        known = len(before) * every_s > 0.25
        clear = fell > (1.6 if known else 2.5) * arm and (known or fell > 0.08 * x[top])
        if finished and clear:
            # a hand that trembles goes on trembling: what it does higher up, before it eases off, counts as well
            higher = np.flatnonzero(x[top + arm_n : highest_index + 1] > 1.02 * x[top])
            if len(higher):
                later = fast[top + arm_n + int(higher[0]) : max(highest_index - fall_n, 0)]
                # falls that come again and again are the hand's; one or two may be further lettings-go
                clear = fell > 1.1 * _third_event(later, round(0.04 / every_s))
        bottom = top + int(np.argmin(x[top : top + fall_n + 1]))
        found.append(Release(top * per_block, fell, min((bottom + 1) * per_block, len(torque) - 1), clear))
        done = bottom
        if clear and not finished:
            break
    # a mechanism lets go by much the same share each time: far smaller falls below it were the hand, unless they
    # are deeper than any hand's in so short a time; past the crest the hand may come off faster than any click
    # and where it rose just as fast before, the tool came to its stop: that is no letting-go, it follows one
    last = (highest_index + fall_n) * per_block
    by_crest = [one for one in found if one.index <= last and not _comes_to_stop(x, one, per_block, fall_n)]
    greatest = max((one.fall for one in by_crest), default=0.0)
    found = [one for one in found if one.fall >= 0.35 * greatest or one.fall > 0.1 * x[one.index // per_block]]
    if slow_stream:
        # a swing of the hand is a few samples: it may look like a click until one as clear and twice as deep comes
        deepest = max((one.fall for one in by_crest if one.clear), default=0.0)
        # a fall by a fifth and more is no swing; what is deeper after it is the blow of the tool coming to its stop
        found = [one for one in found if one.fall >= min(0.55 * deepest, 0.2 * x[one.index // per_block])]
    return [_sharpened(torque, release, rate_hz, per_block) for release in found]


def _comes_to_stop(x: FloatArray, release: Release, per_block: int, n: int) -> bool:
    """True when the `n` samples up to a fall rise as no arm can: by half the fall and more."""
    top = release.index // per_block
    return float(x[top] - x[max(top - n, 0) : top + 1].min()) > 0.5 * release.fall


def _third_event(fall: FloatArray, apart: int) -> float:
    """The third greatest of `fall`, maxima `apart` samples or more from each other; 0 without a third."""
    left = fall.copy()
    for _ in range(2):
        if not len(left):
            return 0.0
        k = int(np.argmax(left))
        left[max(k - apart, 0) : k + apart + 1] = 0.0
    return float(left.max()) if len(left) else 0.0


def _sharpened(torque: FloatArray, release: Release, rate_hz: float, per_block: int) -> Release:
    """The same with `index` on the very sample before the fall."""
    low = max(release.index - 2 * per_block - 1, 0)
    high = min(release.end_index + 1, len(torque))
    half = torque[release.index : release.index + per_block].mean() - 0.5 * release.fall
    below = np.flatnonzero(torque[release.index : high] < half)
    middle = release.index + int(below[0]) if len(below) else high - 1
    # below 300 Hz the filter spreads the fall: its first half may take three samples
    back = max(round(0.008 * rate_hz), 2) if rate_hz >= 300.0 else max(round(0.016 * rate_hz), 3)
    first = max(middle - back, low, 0)
    stretch = torque[first : max(middle, first + 1)]
    return replace(release, index=first + int(np.argmax(stretch)))


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


def crest(t_s: FloatArray, torque: FloatArray, rate_hz: float, seconds: float, tops: FloatArray) -> tuple[float, int]:
    """Estimate the greatest torque of a smooth curve: (value, index), by a parabola `seconds` to either side.

    `tops`: greatest of each `PIECE` samples.
    """
    n = max(1, round(seconds * rate_hz))
    index = _middle_of_greatest_mean(torque, n, tops) if len(torque) > 2 * n and n > 1 else int(np.argmax(torque))
    low, high = max(index - n, 0), min(index + n + 1, len(torque))
    if high - low < 6:
        return float(torque[low:high].max()), low + int(np.argmax(torque[low:high]))
    c0, c1, c2 = _fitted(_powers((t_s[low:high] - t_s[index]) * rate_hz / n, 2), torque[low:high])
    if c2 >= 0:
        return float(torque[index]), index
    top = float(np.clip(-c1 / (2 * c2), -1.0, 1.0))
    return float(c0 + c1 * top + c2 * top * top), min(max(index + round(top * n), 0), len(torque) - 1)


def _middle_of_greatest_mean(torque: FloatArray, n: int, tops: FloatArray) -> int:
    """Middle of the `n` consecutive samples whose mean is greatest.

    No mean exceeds the greatest sample in it, so only what lies near samples above the greatest mean of the blocks
    0…n−1, n…2n−1 and so on need be looked at.
    """
    n_blocks = len(torque) // n
    blocks = torque[: n_blocks * n].reshape(n_blocks, n)
    least = float(np.einsum("ij->i", blocks).max()) / n
    high = np.flatnonzero(tops >= least - 1e-9 * abs(least))  # the sums below round differently
    begin, end = max(int(high[0]) * PIECE - n, 0), min((int(high[-1]) + 1) * PIECE + n, len(torque))
    near = torque[begin:end]
    total = np.concatenate([[0.0], np.cumsum(near - near[0])])
    return begin + int(np.argmax(total[n:] - total[:-n])) + n // 2


def last_below(torque: FloatArray, level: float) -> int:
    """Index of the last sample below `level`; -1 without one."""
    end, width = len(torque), 1024
    while end:
        begin = max(end - width, 0)
        below = torque[begin:end] < level
        if below.any():
            return end - 1 - int(np.argmax(below[::-1]))
        end, width = begin, 2 * width
    return -1


def longest_run_s(t_s: FloatArray, true: BoolArray) -> tuple[float, int, int]:
    """Longest stretch of True: (seconds, first index, last index); (0, 0, 0) without one."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true.astype(np.int8), [0]])))
    if not len(edges):
        return 0.0, 0, 0
    begins, ends = edges[::2], edges[1::2]
    spans = t_s[np.minimum(ends, len(t_s) - 1)] - t_s[begins]
    k = int(np.argmax(spans))
    return float(spans[k]), int(begins[k]), int(ends[k] - 1)
