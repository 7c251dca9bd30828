"""Where a mechanism let go. Torque in one unit, rising torque positive, wrong samples mended."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from benchapp.pulls._extremes import PIECE, Extremes
from benchapp.pulls._means import Means
from benchapp.pulls.settings import Settings
from drivers.samples import FloatArray

SLOW_HZ: Final = 300.0
"""Below this rate the stream's own filter spreads a fall over three samples."""


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


@dataclass(frozen=True, slots=True)
class _Scale:
    """Lengths in means, levels in torque."""

    every_s: float
    corner_n: int
    fall_n: int
    arm_n: int
    ahead_n: int
    noise: float


def releases(
    torque: FloatArray,
    extremes: Extremes,
    rate_hz: float,
    noise: float,
    settings: Settings,
    *,
    finished: bool = True,
) -> list[Release]:
    """Find where a mechanism let go, earliest first.

    A mechanism's torque falls within `fall_s` and then no further, from a corner; an arm's falls on. Both are looked
    at on means over 1 ms (single samples below 1.5 kHz), and only where the extremes leave room for such a fall.

    Args:
        torque: Shape (n,), from the start of the pull on, wrong samples mended.
        extremes: Of `torque`.
        rate_hz: Of the samples.
        noise: Standard deviation at rest.
        settings: Limits.
        finished: The pull is over; else a fall counts only when what follows up to 39 ms or `arm_s` later is known.
    """
    per_block = max(1, round(rate_hz / 1000.0)) if rate_hz >= 1500.0 else 1
    x = Means(torque, per_block, extremes)
    every_s = per_block / rate_hz
    slow_stream = rate_hz < SLOW_HZ
    fall_n = max(3 if slow_stream else 1, round(settings.fall_s / every_s))
    arm_n = max(2 * fall_n, round(settings.arm_s / every_s))
    scale = _Scale(
        every_s,
        max(1, round(0.005 / every_s)),
        fall_n,
        arm_n,
        arm_n if finished else max(fall_n, min(arm_n, int(0.039 / every_s))),
        float(noise / np.sqrt(per_block)),
    )
    if x.n < scale.corner_n * 2 + 2:
        return []
    highest, highest_index = x.greatest(0, x.n)
    room = _room(x, fall_n)
    found: list[tuple[Release, float]] = []  # with the level that it fell from
    done = -1
    for places, bends in _places(x, room, scale, settings, highest, finished=finished):
        for number, place in enumerate(places):
            if place <= done:
                continue
            # a list of some eighty numbers: quicker than an array of them
            begin = max(place - scale.corner_n, 0)
            near = x(begin, place + fall_n + scale.corner_n + scale.ahead_n + 1).tolist()
            # the corner is the sharpest bend of its cluster; past the trough begins another
            trough = place + _least_of(near[place - begin : place - begin + fall_n + 1])
            cluster = bends[number : bisect_right(places, trough)]
            top = k = places[number + cluster.index(max(cluster))]
            if k >= scale.corner_n:
                around = near[k - scale.corner_n - begin : k + scale.corner_n + 1 - begin]
                top = k - scale.corner_n + around.index(max(around))
            if top + scale.ahead_n >= x.n and not finished:
                break
            after = near[top - begin : top - begin + scale.ahead_n + 1]
            level, in_time = after[0], after[: fall_n + 1]
            lowest = min(in_time)
            fell = level - lowest
            least = max(settings.fall_share * level, settings.fall_noise * scale.noise * 1.3)
            if fell < least or fell < settings.fall_ratio * (level - min(after)):
                done = place
                continue
            clear = _stands_out(x, room, scale, top, fell, level)
            if finished and clear and highest > 1.02 * level:
                clear = not _goes_on(x, scale, top, fell, level, highest_index)
            bottom = top + in_time.index(lowest)
            release = Release(top * per_block, fell, min((bottom + 1) * per_block, len(torque) - 1), clear)
            found.append((release, level))
            done = bottom
            if clear and not finished:
                break
        else:
            continue
        break
    return [
        _sharpened(torque, one, rate_hz, per_block)
        for one in _of_the_mechanism(found, x, fall_n, (highest_index + fall_n) * per_block, slow_stream=slow_stream)
    ]


def _of_the_mechanism(
    found: list[tuple[Release, float]], x: Means, fall_n: int, last: int, *, slow_stream: bool
) -> list[Release]:
    """Leave out what the hand did.

    A mechanism lets go by much the same share each time: far smaller falls below it were the hand, unless they are
    deeper than any hand's in so short a time; past the crest (sample `last`) the hand may come off faster than any
    click, and where it rose just as fast before, the tool came to its stop: that is no letting-go, it follows one.
    """
    by_crest = [one for one, _ in found if one.index <= last and not _comes_to_stop(x, one, fall_n)]
    greatest = max((one.fall for one in by_crest), default=0.0)
    found = [(one, level) for one, level in found if one.fall >= 0.35 * greatest or one.fall > 0.1 * level]
    if slow_stream:
        # a swing of the hand is a few samples: it may look like a click until one as clear and twice as deep comes
        deepest = max((one.fall for one in by_crest if one.clear), default=0.0)
        # a fall by a fifth and more is no swing; what is deeper after it is the blow of the tool coming to its stop
        found = [(one, level) for one, level in found if one.fall >= min(0.55 * deepest, 0.2 * level)]
    return [one for one, _ in found]


def _least_of(values: list[float]) -> int:
    return values.index(min(values))


def _room(x: Means, fall_n: int) -> FloatArray:
    """Shape (pieces,): no fall from a mean to one of the `fall_n` after it is deeper, but for rounding.

    Of a mean that touches two pieces it is told by the one with the greater samples.
    """
    below = x.extremes.least.copy()
    for further in range(1, -(-(fall_n + 1) * x.per_block // PIECE) + 1):
        np.minimum(below[:-further], x.extremes.least[further:], out=below[:-further])
    room: FloatArray = x.extremes.top - below
    return room


def _stretches(x: Means, room: FloatArray, scale: _Scale, settings: Settings, highest: float) -> list[tuple[int, int]]:
    """Stretches (first, end) of means outside of which no corner can be followed by a fall deep enough."""
    if 2 * x.per_block > PIECE or highest <= 0:
        return [(0, x.n)]
    top = x.extremes.top + 1e-9 * highest  # sums round
    may = (room >= settings.fall_share * top - 2e-9 * highest) & (top > 0.05 * highest)
    # every mean of a whole piece lies above its least; the first piece may hold none
    may[2:] &= top[2:] > 0.9 * np.maximum.accumulate(x.extremes.least[1:-1])
    before, after = scale.fall_n + scale.corner_n + 1, scale.corner_n + 1
    # or stretches would overlap; and one more stretch takes longer than some hundred means
    apart = max((before + after + scale.fall_n + 1) * x.per_block // PIECE + 2, 10)
    found = []
    for first, last in x.extremes.grouped(may, apart):
        begin = x.extremes.begin(first) // x.per_block - before if first > apart else 0
        found.append((begin, min(x.extremes.begin(last + 1) // x.per_block + after, x.n)))
    return found


def _places(
    x: Means, room: FloatArray, scale: _Scale, settings: Settings, highest: float, *, finished: bool
) -> Iterator[tuple[list[int], list[float]]]:
    """Yield, stretch by stretch, where the torque bends down sharply near the highest so far, and how sharply."""
    n, corner_n = x.n, scale.corner_n
    for first, end in _stretches(x, room, scale, settings, highest) if finished else [(0, n)]:
        # a cluster may go on past the end
        low, high = max(first, corner_n), min(end + scale.fall_n + 1, n - corner_n)
        if high <= low:
            continue
        around = x(low - corner_n, high + corner_n)
        here = around[corner_n:-corner_n]
        bend = 2 * here - around[: -2 * corner_n] - around[2 * corner_n :]
        # against what is reached here before what was reached so far, which takes ten times as long to reckon
        floor, share = settings.fall_noise * scale.noise, 0.7 * settings.fall_share
        sharp = (bend > np.maximum(share * here, floor)).nonzero()[0]
        if not len(sharp):
            continue
        reached = _reached(x, low - corner_n, around, sharp + corner_n, highest)
        bend, here = bend[sharp], here[sharp]
        good = (
            (bend > np.maximum(share * reached, floor)) & (here > np.maximum(0.9 * reached, 0.05 * highest))
        ).nonzero()[0]
        if len(good):
            yield (sharp[good] + low).tolist(), bend[good].tolist()


def _reached(x: Means, low: int, here: FloatArray, at: npt.NDArray[np.intp], highest: float) -> FloatArray:
    """Greatest mean up to each of `at`, which count from mean `low` on, as `here` does."""
    begins = np.zeros(len(at), dtype=np.intp)
    begins[1:] = at[:-1] + 1
    reached: FloatArray = np.maximum.accumulate(np.maximum.reduceat(here[: at[-1] + 1], begins))
    # what came before `low` lies mostly below what is reached at once
    if low and x.bound(0, low) > reached[0] - 1e-9 * highest:
        np.maximum(reached, x.greatest(0, low)[0], out=reached)
    return reached


def _stands_out(x: Means, room: FloatArray, scale: _Scale, top: int, fell: float, level: float) -> bool:
    """True when a fall is deeper than what the same arm did in the 0.6 s before it."""
    begin, end = max(top - round(0.6 / scale.every_s), 0), max(top - scale.fall_n - 1, 0)
    # with little to compare with, only a fall beyond any tremor is clear
    known = (end - begin) * scale.every_s > 0.25
    if not known and not fell > 0.08 * level:
        return False
    times = 1.6 if known else 2.5
    if 2 * x.per_block <= PIECE:
        # what the last pieces bound reaches into the fall itself
        first, last = x.extremes.piece(begin * x.per_block), x.extremes.piece(end * x.per_block - 1)
        last -= scale.fall_n * x.per_block // PIECE + 2
        if last > first and 0.999 * fell > times * float(room[first:last].max()):
            begin = x.extremes.begin(last) // x.per_block - 1
    return end <= begin or bool(fell > times * float(_falls(x, scale, begin, end).max()))


def _goes_on(x: Means, scale: _Scale, top: int, fell: float, level: float, highest_index: int) -> bool:
    """True for a hand that trembles and goes on trembling: what it does higher up, before it eases off, is as deep."""
    begin = top + scale.arm_n
    higher = np.flatnonzero(x(begin, highest_index + 1) > 1.02 * level)
    if not len(higher):
        return False
    later = _falls(x, scale, begin + int(higher[0]), max(highest_index - scale.fall_n, 0))
    # falls that come again and again are the hand's; one or two may be further lettings-go
    return not fell > 1.1 * _third_event(later, round(0.04 / scale.every_s))


def _falls(x: Means, scale: _Scale, begin: int, end: int) -> FloatArray:
    """From each mean to the least of the `fall_n` after it."""
    near = x(begin, end + scale.fall_n)
    n = max(end - begin, 0)
    falls: FloatArray = near[:n] - _least_ahead(near, scale.fall_n)[:n]
    return falls


def _least_ahead(torque: FloatArray, n: int) -> FloatArray:
    """Least of each sample and the `n` after it (fewer at the end)."""
    least = np.concatenate([torque, np.full(n, np.inf)])
    wide = 1  # samples that each element covers; doubled until the next doubling would be too wide
    while 2 * wide <= n + 1:
        least = np.minimum(least[:-wide], least[wide:])
        wide *= 2
    further = n + 1 - wide
    return np.minimum(least[: len(least) - further], least[further:]) if further else least


def _comes_to_stop(x: Means, release: Release, n: int) -> bool:
    """True when the `n` means up to a fall rise as no arm can: by half the fall and more."""
    top = release.index // x.per_block
    before = x(max(top - n, 0), top + 1).tolist()
    return bool(before[-1] - min(before) > 0.5 * release.fall)


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
    half = float(torque[release.index : release.index + per_block].mean()) - 0.5 * release.fall
    below = torque[release.index : high] < half
    first_below = int(below.argmax())
    middle = release.index + first_below if below[first_below] else high - 1
    # below 300 Hz the filter spreads the fall: its first half may take three samples
    back = max(round(0.008 * rate_hz), 2) if rate_hz >= SLOW_HZ else max(round(0.016 * rate_hz), 3)
    first = max(middle - back, low, 0)
    stretch = torque[first : max(middle, first + 1)]
    return Release(first + int(stretch.argmax()), release.fall, release.end_index, release.clear)
