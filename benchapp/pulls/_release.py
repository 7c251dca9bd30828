"""Where a mechanism let go. Torque in one unit, rising torque positive, wrong samples mended."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from benchapp.pulls._extremes import PIECE, Extremes, grouped
from benchapp.pulls._means import Means
from benchapp.pulls.settings import Settings
from drivers.samples import FloatArray

SLOW_HZ: Final = 300.0
"""Below this rate the stream's own filter spreads a fall over three samples."""

_ROUND_S: Final = 0.03
"""How far before the middle of a fall its crest may lie: a letting-go is through in 30 ms."""

_SUDDEN_S: Final = 0.008
"""What falls from a corner within this time, and many times faster than the arm moved before, was no arm …"""
_SUDDEN_SHARE: Final = 0.35
"""… when it is this share of what falls within `arm_s`: straight on it would be 0.27, begun as an arm begins 0.1."""
_SUDDEN_TIMES: Final = 5.0

_ENDED: Final = 0.9
"""What falls within `arm_s` over what falls within twice as long, when the fall has ended; an arm's dip: 0.75."""
_SLOW_TIMES: Final = 3.0
"""A fall that is through within `arm_s` only, over what the arm fell in such a time in the 0.6 s before …"""
_SLOW_RISES: Final = 2.0
"""… and over what it rose: who snatches may let off as fast as he pulled."""

_FEW_SAMPLES_S: Final = 0.02
"""Three samples that take longer than this are as long as half a tremor: more is asked of a fall told from them, …"""
_LIKE_ARM: Final = 0.6  # … how much it is like an arm's, see `_is_like_arm`: nearly all clicks less, arms more …
_NO_ARM_SHARE: Final = 0.2  # … unless it is this share of the torque

_KNOCK_S: Final = 0.006
"""What fell within the fall's first part, and rose as steeply within this time before, is a blow on the tool; …"""
_KNOCK_SHARE: Final = 0.5  # … by this share of the fall: 0.26 was the most of 1,800 clicks; and no click …
_BACK_S: Final = 0.008  # … was back above half of its fall in less than 10 ms

_BETWEEN_S: Final = (0.045, 0.06)
"""Within such times a mechanism has long let go, and no dip of an arm has ended (a tenth of a second and more)."""
_LEFT_SHARE: Final = 0.3  # of the torque is left after a letting-go; with less the hand has let off

_BEFORE_S: Final = 0.6
_KNOWN_S: Final = 0.25  # with less of the arm before a fall there is little to compare it with

_HIGHER: Final = 1.5
"""A fall of which it is not known whose it was is the hand's when the hand goes on to so many times its torque."""

_RECENT_S: Final = 0.15  # what is told while the pull goes on is younger than 0.06 s, and a fall takes 0.03 s
_NO_EXTREMES: Final = Extremes(np.empty(0), np.empty(0))

_FEW: Final = 1 << 14  # means: looked at all of them, which takes as long as finding out where to look


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


class _Scale(NamedTuple):
    """Lengths in means, levels in torque."""

    per_block: int
    every_s: float
    corner_n: int
    fall_n: int
    arm_n: int
    ahead_n: int
    slow_n: int
    ended_n: int
    sudden_n: int
    noise: float

    @classmethod
    def of(cls, rate_hz: float, noise: float, settings: Settings, *, finished: bool) -> _Scale:
        scale = _lengths(rate_hz, settings.fall_s, settings.arm_s, finished)
        return scale._replace(noise=noise / math.sqrt(scale.per_block))

    def before(self, top: int, n: int) -> tuple[int, int]:
        """Means from 0.6 s before a fall to those from which `n` do not reach into it."""
        return max(top - round(_BEFORE_S / self.every_s), 0), max(top - n - 1, 0)


@lru_cache(maxsize=8)  # a stream asks every 10 ms
def _lengths(rate_hz: float, fall_s: float, longer_s: float, finished: bool) -> _Scale:
    per_block = max(1, round(rate_hz / 1000.0)) if rate_hz >= 1500.0 else 1
    every_s = per_block / rate_hz
    fall_n = max(3 if rate_hz < SLOW_HZ else 1, round(fall_s / every_s))
    arm_n = max(2 * fall_n, round(longer_s / every_s))
    slow_n = max(3, round(longer_s / every_s))
    return _Scale(
        per_block=per_block,
        every_s=every_s,
        corner_n=max(1, round(0.005 / every_s)),
        fall_n=fall_n,
        arm_n=arm_n,
        ahead_n=arm_n if finished else max(fall_n, min(arm_n, int(0.039 / every_s))),
        slow_n=slow_n,
        ended_n=2 * slow_n if finished else max(slow_n, int(0.039 / every_s)),
        sudden_n=max(2, round(_SUDDEN_S / every_s)),
        noise=0.0,
    )


def room_for_release(torque: FloatArray, rate_hz: float, settings: Settings) -> bool:
    """False when no letting-go can begin in samples, as far as their extremes tell."""
    extremes = Extremes.of(torque)
    top, least = extremes.top.tolist(), extremes.least.tolist()
    reach = int((settings.fall_s + 0.004) * rate_hz) // PIECE + 2  # pieces; means of 1 ms and rounding in it
    return any(high - min(least[k : k + reach]) >= 0.999 * settings.fall_share * high for k, high in enumerate(top))


def nothing_recent(torque: FloatArray, rate_hz: float, noise: float, settings: Settings) -> bool:
    """True when surely none of the `releases` of a pull under way began in the last 0.1 s; False: look at all of it.

    On the same means, what the falls of these begin with: a corner, or a fall that has ended. A trembling arm has
    neither most of the time, though its extremes leave room for a fall.
    """
    scale = _Scale.of(rate_hz, noise, settings, finished=False)
    first = max(len(torque) // scale.per_block - 2 * round(_RECENT_S / scale.every_s), 0)
    x = Means(torque[first * scale.per_block :], scale.per_block, _NO_EXTREMES, at_once=True)
    corner_n, n = scale.corner_n, scale.slow_n
    if x.n < 8 * n:
        return False
    means = x(0, x.n)
    if float(means.min()) <= 0.06 * float(torque.max()):
        return False  # near what is too low for a letting-go
    near = means[x.n // 2 :]
    here = near[corner_n:-corner_n]
    bend = 2 * here - near[: -2 * corner_n] - near[2 * corner_n :]
    if (bend > np.maximum(0.7 * settings.fall_share * here, settings.fall_noise * scale.noise)).any():
        return False
    if scale.ended_n <= n:
        return True
    for top, _, fell, _ in _ended_falls(x, scale, settings, x.n - 3 * n, x.n - scale.ended_n, 0.0):
        fall, rise = _swings(x, 0, top - n - 1, n)
        if fell > max(_SLOW_TIMES * fall, _SLOW_RISES * rise):
            return False  # than the arm's of so short a time; releases() compares it with more
    return True


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

    A mechanism's torque falls within `fall_s` and then no further, from a corner; an arm's falls on. What falls within
    `arm_s`, or falls on, has to be many times faster than the arm was before. All is looked at on means over 1 ms
    (single samples below 1.5 kHz), and only where the extremes leave room for such a fall.

    Args:
        torque: Shape (n,), from the start of the pull on, wrong samples mended.
        extremes: Of `torque`.
        rate_hz: Of the samples.
        noise: Standard deviation at rest.
        settings: Limits.
        finished: The pull is over; else a fall counts only when what follows up to 39 ms or `arm_s` later is known.
    """
    scale = _Scale.of(rate_hz, noise, settings, finished=finished)
    per_block, fall_n = scale.per_block, scale.fall_n
    x = Means(torque, per_block, extremes, at_once=len(torque) <= _FEW * per_block)
    if x.n < scale.corner_n * 2 + 2:
        return []
    found: list[tuple[Release, float]] = []  # with the level that it fell from
    done = -1
    for places, bends in _places(x, scale, settings):
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
            if fell < least:
                done = place
                continue
            if fell < settings.fall_ratio * (level - min(after)):
                lowest = min(after[: scale.sudden_n + 1])
                fell = level - lowest
                if fell < least or not _is_sudden(x, scale, top, fell, level - min(after)):
                    done = place
                    continue
                clear = not _is_knock(x, scale, top, fell)
            else:
                clear = _stands_out(x, scale, top, after, fell) and not (
                    _is_knock(x, scale, top, fell) or _is_like_arm(x, scale, top, fell)
                )
                if finished and clear:
                    clear = not _goes_on(x, scale, top, fell, level, fall_n)
            bottom = top + in_time.index(lowest)
            release = Release(top * per_block, fell, min((bottom + 1) * per_block, len(torque) - 1), clear)
            found.append((release, level))
            done = bottom
            if clear and not finished:
                break
        else:
            continue
        break
    found = _with_slow(found, x, scale, settings, finished=finished)
    if finished:
        found = [(one, level) for one, level in found if one.clear or not _is_far_below(x, scale, one, level)]
    return [
        _sharpened(torque, one, rate_hz, per_block, noise)
        for one in _of_the_mechanism(found, x, fall_n, slow_stream=rate_hz < SLOW_HZ)
    ]


def between(
    torque: FloatArray, extremes: Extremes, rate_hz: float, noise: float, settings: Settings
) -> tuple[int, int] | None:
    """Find the first fall too slow for a mechanism and too quick for an arm: (index before it, where it ended).

    So does a letting-go look through a device that averages over more than some 30 ms. Told by what tells a fall
    within `arm_s`; arguments as of `releases`.
    """
    scale = _Scale.of(rate_hz, noise, settings, finished=True)
    x = Means(torque, scale.per_block, extremes, at_once=True)
    floor = 1.3 * settings.fall_noise * scale.noise
    for seconds in _BETWEEN_S:
        n = max(4, round(seconds / scale.every_s))
        falls = _falls(x, 0, x.n - 2 * n, n)
        here = x(0, len(falls))
        deep = (falls > 2.0 * settings.fall_share * here) & (falls > floor) & (here > 0.05 * x.highest[0])
        for low, high in grouped(deep, 1):
            top = low + int(here[low : high + 1].argmax())
            after = x(top, top + 2 * n + 1)
            level, lowest = float(after[0]), float(after[: n + 1].min())
            fell = level - lowest
            if fell < _ENDED * (level - float(after.min())) or lowest < _LEFT_SHARE * level:
                continue
            if _is_no_arm(x, scale, top, fell, level, n) and not _goes_on(x, scale, top, fell, level, n):
                through = int((after <= level - _ENDED * fell).argmax())
                return top * x.per_block, min((top + through + 1) * x.per_block, len(torque) - 1)
    return None


def _of_the_mechanism(found: list[tuple[Release, float]], x: Means, fall_n: int, *, slow_stream: bool) -> list[Release]:
    """Leave out what the hand did.

    A mechanism lets go by much the same share each time: far smaller falls below it were the hand, unless they are
    deeper than any hand's in so short a time; past the crest the hand may come off faster than any
    click, and where it rose just as fast before, the tool came to its stop: that is no letting-go, it follows one.
    """
    if len(found) < 2:
        return [one for one, _ in found]
    last = (x.highest[1] + fall_n) * x.per_block
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


def _room(extremes: Extremes, scale: _Scale) -> FloatArray:
    """Shape (pieces,): no fall from a mean to one of the `fall_n` after it is deeper, but for rounding.

    Of a mean that touches two pieces it is told by the one with the greater samples.
    """
    top, least = extremes.top, extremes.least
    below = least.copy()
    for further in range(1, -(-(scale.fall_n + 1) * scale.per_block // PIECE) + 1):
        np.minimum(below[:-further], least[further:], out=below[:-further])
    room: FloatArray = top - below
    return room


def _stretches(x: Means, scale: _Scale, settings: Settings) -> list[tuple[int, int]]:
    """Stretches (first, end) of means outside of which no corner can be followed by a fall deep enough."""
    if x.n <= _FEW:
        return [(0, x.n)]
    top, least = x.extremes.top, x.extremes.least
    # every mean of a whole piece lies above its least; the first piece and the last may hold none
    at_least = float(least[1:-1].max()) if len(least) > 2 and 2 * x.per_block <= PIECE else 0.0
    if at_least <= 0.0:
        return [(0, x.n)]
    may = (_room(x.extremes, scale) >= 0.999 * settings.fall_share * top) & (top > 0.0499 * at_least)
    may[2:] &= top[2:] > 0.899 * np.maximum.accumulate(least[1:-1])
    before, after = scale.fall_n + scale.corner_n + 1, scale.corner_n + 1
    # or stretches would overlap; and one more of them takes as long as thousands of samples
    apart = max((before + after + scale.fall_n + 1) * x.per_block // PIECE + 2, 30)
    found = []
    for first, last in grouped(may, apart):
        begin = x.extremes.begin(first) // x.per_block - before if first > apart else 0
        found.append((begin, min(x.extremes.begin(last + 1) // x.per_block + after, x.n)))
    return found


def _places(x: Means, scale: _Scale, settings: Settings) -> Iterator[tuple[list[int], list[float]]]:
    """Yield, stretch by stretch, where the torque bends down sharply near the highest so far, and how sharply."""
    n, corner_n = x.n, scale.corner_n
    floor, share = settings.fall_noise * scale.noise, 0.7 * settings.fall_share
    high_enough = 0.05 * x.highest[0]
    for first, end in _stretches(x, scale, settings):
        # a cluster may go on past the end
        low, high = max(first, corner_n), min(end + scale.fall_n + 1, n - corner_n)
        if high <= low:
            continue
        around = x(low - corner_n, high + corner_n)
        here = around[corner_n:-corner_n]
        bend = 2 * here - around[: -2 * corner_n] - around[2 * corner_n :]
        # against what is reached here before what was reached so far, which takes ten times as long to reckon
        sharp = ((bend > np.maximum(share * here, floor)) & (here > high_enough)).nonzero()[0]
        if not len(sharp):
            continue
        at = sharp.tolist()
        # greatest from one of these places to the next; before the first, what came before `low` counts as well
        between = np.maximum.reduceat(
            around[: at[-1] + corner_n + 1], [0, *(k + corner_n + 1 for k in at[:-1])]
        ).tolist()
        places, bends, reached = [], [], between[0]
        if low > corner_n:
            reached = max(reached, x.greatest(0, low - corner_n)[0])
        for k, sharpness, level, top in zip(at, bend[sharp].tolist(), here[sharp].tolist(), between, strict=True):
            if top > reached:
                reached = top
            if sharpness > share * reached and sharpness > floor and level > 0.9 * reached:
                places.append(low + k)
                bends.append(sharpness)
        if places:
            yield places, bends


def _stands_out(x: Means, scale: _Scale, top: int, after: list[float], fell: float) -> bool:
    """True when a fall is deeper than what the same arm did in the 0.6 s before it, within the same time."""
    level = after[0]
    begin, end = scale.before(top, scale.fall_n)
    # with little to compare with, only a fall beyond any tremor is clear
    known = (end - begin) * scale.every_s > _KNOWN_S
    if not known and not fell > 0.08 * level:
        return False
    if end <= begin or fell > (1.6 if known else 2.5) * float(_falls(x, begin, end, scale.fall_n).max()):
        return True
    # a dip of the arm is deeper in the time that the quickest of falls leaves over
    quick = max(next(k for k, value in enumerate(after) if value <= level - 0.9 * fell), 2)
    return known and 2 * quick <= scale.fall_n and fell > 2.5 * float(_falls(x, begin, end, quick).max())


def _is_like_arm(x: Means, scale: _Scale, top: int, fell: float) -> bool:
    """True when a fall told from three slow samples is as smooth as an arm moves.

    An arm rises to the crest much as it falls from it (or had come down from a higher one), falls on, bends as sharply
    elsewhere, and no step of its fall is far steeper than the others: shares of the fall, weighed on a few hundred
    pulls each that did and did not click.
    """
    n = scale.fall_n
    if n * scale.every_s <= _FEW_SAMPLES_S:
        return False
    begin, _ = scale.before(top, 0)
    values = x(begin, top + 2 * n + 1).tolist()
    k = top - begin
    level, fall = values[k], values[k + 1 : k + n + 1]
    if fell > _NO_ARM_SHARE * level or k < n or len(fall) < 2:
        return False
    lowest = fall.index(min(fall))
    rose = abs(level - values[k - n])
    falls_on = fall[lowest] - min(values[k + 1 + lowest : k + 2 + lowest + n])
    steepest = max(level - fall[0], fall[0] - fall[1])
    low = next((j for j in range(k - 1, -1, -1) if values[j] < 0.3 * level), -1) + 1
    bends = (abs(values[j] - 2.0 * values[j + 1] + values[j + 2]) for j in range(low, k - 2))
    like = rose + 2.0 * falls_on + 2.0 * max(bends, default=0.0) - steepest
    return bool(like > _LIKE_ARM * fell)


def _is_knock(x: Means, scale: _Scale, top: int, fell: float) -> bool:
    """True when the torque had risen to a fall, or rises from it, as fast as it falls: no mechanism does that."""
    n, wide = round(_KNOCK_S / scale.every_s), round(_BACK_S / scale.every_s)
    if n < 3:
        return False  # sampled too seldom to see
    begin = max(top - n, 0)
    values = x(begin, top + 3 * wide + 1).tolist()
    k = top - begin
    level = values[k]
    if level - values[0] > _KNOCK_SHARE * fell:
        return True
    half = level - 0.5 * fell
    below = next((j for j in range(k, len(values)) if values[j] < half), len(values))
    return any(value > half for value in values[below : below + wide])


def _is_sudden(x: Means, scale: _Scale, top: int, fell: float, falls_on: float) -> bool:
    """True when the fall of the first few milliseconds can't be the arm's, whatever the arm does after it."""
    begin, end = scale.before(top, scale.sudden_n)
    if scale.sudden_n * scale.every_s > 1.5 * _SUDDEN_S or (end - begin) * scale.every_s <= _KNOWN_S:
        return False  # sampled too seldom, or too little to compare with
    if fell < _SUDDEN_SHARE * falls_on:
        return False
    return fell > _SUDDEN_TIMES * max(_swings(x, begin, end, scale.sudden_n))


def _with_slow(
    found: list[tuple[Release, float]], x: Means, scale: _Scale, settings: Settings, *, finished: bool
) -> list[tuple[Release, float]]:
    """Add what falls within `arm_s` and has ended then, up to the first that is clear anyway."""
    n = scale.slow_n
    if scale.ended_n <= n:
        return found  # so early and sampled so seldom nobody knows whether a fall has ended
    until = next((one.index // x.per_block - n for one, _ in found if one.clear), x.n - scale.ended_n)
    more: list[tuple[Release, float]] = []
    # what is told while the pull goes on is younger than twice `arm_s`
    oldest = 0 if finished else x.n - 3 * n
    high_enough = 0.05 * x.highest[0]
    for first, stop in _stretches(x, scale, settings):
        begin, end = max(first - n, oldest, 0), min(stop, until)
        for top, bottom, fell, level in _ended_falls(x, scale, settings, begin, end, high_enough):
            if not _is_no_arm(x, scale, top, fell, level, n) or _is_knock(x, scale, top, fell):
                continue
            if finished and _goes_on(x, scale, top, fell, level, scale.fall_n):
                continue
            more.append((Release(top * x.per_block, fell, (bottom + 1) * x.per_block, True), level))
    if not more:
        return found
    apart = n * x.per_block
    kept = [pair for pair in found if pair[0].clear or all(abs(pair[0].index - one.index) > apart for one, _ in more)]
    return sorted([*kept, *more], key=lambda pair: pair[0].index)


def _ended_falls(
    x: Means, scale: _Scale, settings: Settings, begin: int, end: int, high_enough: float
) -> Iterator[tuple[int, int, float, float]]:
    """Yield what falls within `arm_s` from means `begin` to `end` and has ended then: (top, bottom, fall, level)."""
    if end <= begin:
        return
    n = scale.slow_n
    share, floor = 2.0 * settings.fall_share, 1.3 * settings.fall_noise * scale.noise
    falls = _falls(x, begin, end, n)
    here = x(begin, begin + len(falls))
    deep = falls > share * here
    if not deep.any():
        return
    for low, high in grouped(deep & (falls > floor) & (here > high_enough), 1):
        top = begin + low + int(here[low : high + 1].argmax())
        after = x(top, top + scale.ended_n + 1)
        level, lowest = float(after[0]), float(after[: n + 1].min())
        fell = level - lowest
        if fell >= _ENDED * (level - float(after.min())):
            yield top, top + int(after[: n + 1].argmin()), fell, level


def _is_no_arm(x: Means, scale: _Scale, top: int, fell: float, level: float, n: int) -> bool:
    """True when a fall within `n` means is many times any that the arm did before, from the highest so far."""
    begin, end = scale.before(top, n)
    if (end - begin) * scale.every_s <= _KNOWN_S or level <= 0.9 * x.greatest(0, top + 1)[0]:
        return False
    fall, rise = _swings(x, begin, end, n)
    return fell > max(_SLOW_TIMES * fall, _SLOW_RISES * rise)


def _swings(x: Means, begin: int, end: int, n: int) -> tuple[float, float]:
    """The deepest fall and the greatest rise within `n` means from `begin` to `end`."""
    near = x(begin, end + n)
    return float(_falls(x, begin, end, n).max()), float((near[n:] - near[:-n]).max())


def _is_far_below(x: Means, scale: _Scale, release: Release, level: float) -> bool:
    """True when the hand goes on far beyond a fall with others as deep: it was one of the hand's."""
    highest, highest_index = x.highest
    begin = release.index // x.per_block + scale.arm_n
    if highest <= _HIGHER * level or highest_index <= begin:
        return False
    return float(_falls(x, begin, highest_index, scale.fall_n).max(initial=0.0)) >= release.fall


def _goes_on(x: Means, scale: _Scale, top: int, fell: float, level: float, n: int) -> bool:
    """True for a hand that trembles and goes on trembling: what it does higher up, before it eases off, is as deep."""
    begin = top + scale.arm_n
    highest, highest_index = x.highest
    if highest <= 1.02 * level:
        return False
    higher = np.flatnonzero(x(begin, highest_index + 1) > 1.02 * level)
    if not len(higher):
        return False
    later = _falls(x, begin + int(higher[0]), max(highest_index - n, 0), n)
    # falls that come again and again are the hand's; one or two may be further lettings-go
    return not fell > 1.1 * _third_event(later, round(0.04 / scale.every_s))


def _falls(x: Means, begin: int, end: int, n: int) -> FloatArray:
    """From each mean to the least of the `n` after it, which there must be."""
    near = x(begin, max(begin, end) + n)
    least, wide = near, 1  # means that each element covers; doubled until the next doubling would be too wide
    while 2 * wide <= n + 1:
        least = np.minimum(least[:-wide], least[wide:])
        wide *= 2
    if further := n + 1 - wide:
        least = np.minimum(least[:-further], least[further:])
    falls: FloatArray = near[: len(least)] - least
    return falls


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


def _sharpened(torque: FloatArray, release: Release, rate_hz: float, per_block: int, noise: float) -> Release:
    """The same with `index` on the very sample before the fall."""
    low = max(release.index - 2 * per_block - 1, 0)
    high = min(release.end_index + 1, len(torque))
    half = float(np.add.reduce(torque[release.index : release.index + per_block])) / per_block - 0.5 * release.fall
    below = torque[release.index : high] < half
    first_below = int(below.argmax())
    middle = release.index + first_below if below[first_below] else high - 1
    # below 300 Hz the filter spreads the fall: its first half may take three samples
    back = max(round(0.008 * rate_hz), 2) if rate_hz >= SLOW_HZ else max(round(0.016 * rate_hz), 3)
    first = max(middle - back, low, 0)
    at = first + int(torque[first : max(middle, first + 1)].argmax())
    # a device that averages its samples, or a fall that begins slowly, rounds the corner: the crest may lie before
    # by as much as the rest of the fall is longer than a sharp one's; a tremor's crest lies further back
    nearly_all = torque[middle:high] < half - 0.4 * release.fall
    rest = int(nearly_all.argmax()) if nearly_all.any() else high - middle
    lowest = max(middle - max(min(back + 2 * rest, round(_ROUND_S * rate_hz)), 3), 0)
    while first > lowest:
        begin = max(first - back, lowest)
        before = begin + int(torque[begin:first].argmax())
        if torque[before] <= torque[at] + (0.0 if at == first else 2.0 * noise):
            break
        first, at = begin, before
    return Release(at, release.fall, release.end_index, release.clear)
