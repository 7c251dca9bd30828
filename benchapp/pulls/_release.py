"""Where a mechanism let go. Torque in one unit, rising torque positive, wrong samples mended."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from benchapp.pulls._arm import goes_on, is_knock, is_like_arm, is_no_arm, is_sudden, stands_out
from benchapp.pulls._extremes import PIECE, Extremes, grouped
from benchapp.pulls._lengths import SLOW_HZ, Lengths, lengths_at
from benchapp.pulls._means import Means
from benchapp.pulls.settings import Settings
from drivers.samples import FloatArray

_ROUND_S: Final = 0.03
"""How far before the middle of a fall its crest may lie: a letting-go is through in 30 ms."""

_ENDED: Final = 0.9
"""What falls within `arm_s` over what falls within twice as long, when the fall has ended; an arm's dip: 0.75."""

_BETWEEN_S: Final = (0.045, 0.06)
"""Within such times a mechanism has long let go, and no dip of an arm has ended (a tenth of a second and more)."""
_LEFT_SHARE: Final = 0.3  # of the torque is left after a letting-go; with less the hand has let off

_HIGHER: Final = 1.5
"""A fall of which it is not known whose it was is the hand's when the hand goes on to so many times its torque."""

_LEAST_LEVEL: Final = 0.05  # of the highest mean: nothing lower is looked at

_FEW: Final = 1 << 14  # means: all of them are reckoned, which takes as long as finding out where to look
_FEW_STRETCHES: Final = 6  # each costs as much as some thousand means: with more all is looked at in one go


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


def releases(
    torque: FloatArray,
    extremes: Extremes,
    rate_hz: float,
    noise: float,
    settings: Settings,
    *,
    finished: bool = True,
    beyond_crest: bool = True,
) -> list[Release]:
    """Find where a mechanism let go, earliest first.

    A mechanism's torque falls within `fall_s` and then no further, from a corner; an arm's falls on. What falls within
    `arm_s`, or falls on, has to be many times faster than the arm was before. All is looked at on means over 1 ms
    (single samples below 1.5 kHz), and only where there is such a fall, or the extremes leave room for one.

    Args:
        torque: Shape (n,), from the start of the pull on, wrong samples mended.
        extremes: Of `torque`.
        rate_hz: Of the samples.
        noise: Standard deviation at rest.
        settings: Limits.
        finished: The pull is over; else a fall counts only when what follows up to 39 ms or `arm_s` later is known.
        beyond_crest: Tell those after the greatest torque too when one before it is clear.
    """
    lengths = lengths_at(rate_hz, settings, finished=finished)
    per_block, fall_n = lengths.per_block, lengths.fall_n
    x = Means(torque, per_block, extremes, at_once=len(torque) <= _FEW * per_block)
    if x.n < lengths.corner_n * 2 + 2:
        return []
    least_fall = settings.fall_noise * lengths.noise(noise)
    stretches = _stretches(x, lengths, settings) if finished or x.n > _FEW else [Stretch(0, x.n, 0, x.n)]
    until = x.n if beyond_crest else x.highest[1] + fall_n
    found = _from_corners(x, lengths, settings, least_fall, stretches, until, finished=finished)
    found = _with_slow(found, x, lengths, settings, least_fall, stretches, finished=finished)
    if finished:
        found = [(one, level) for one, level in found if one.clear or not _is_far_below(x, lengths, one, level)]
    told = _of_the_mechanism(found, x, fall_n, slow_stream=rate_hz < SLOW_HZ)
    if not beyond_crest and any(one.clear for one, _ in found) and not any(one.clear for one in told):
        return releases(torque, extremes, rate_hz, noise, settings, finished=finished)  # that one was the hand's
    return [_sharpened(torque, one, rate_hz, per_block, noise) for one in told]


def between(
    torque: FloatArray, extremes: Extremes, rate_hz: float, noise: float, settings: Settings
) -> tuple[int, int] | None:
    """Find the first fall too slow for a mechanism and too quick for an arm: (index before it, where it ended).

    So does a letting-go look through a device that averages over more than some 30 ms. Told by what tells a fall
    within `arm_s`; arguments as of `releases`.
    """
    lengths = lengths_at(rate_hz, settings, finished=True)
    x = Means(torque, lengths.per_block, extremes, at_once=True)
    floor = 1.3 * settings.fall_noise * lengths.noise(noise)
    for seconds in _BETWEEN_S:
        n = max(4, round(seconds / lengths.every_s))
        falls = x.falls(0, x.n - 2 * n, n)
        here = x(0, len(falls))
        deep = (falls > 2.0 * settings.fall_share * here) & (falls > floor) & (here > _LEAST_LEVEL * x.highest[0])
        for low, high in grouped(deep, 1):
            top = low + int(here[low : high + 1].argmax())
            after = x(top, top + 2 * n + 1)
            level, lowest = float(after[0]), float(after[: n + 1].min())
            fell = level - lowest
            if fell < _ENDED * (level - float(after.min())) or lowest < _LEFT_SHARE * level:
                continue
            if is_no_arm(x, lengths, top, fell, level, n) and not goes_on(x, lengths, top, fell, level, n):
                through = int((after <= level - _ENDED * fell).argmax())
                return top * x.per_block, min((top + through + 1) * x.per_block, len(torque) - 1)
    return None


# ---- where to look


class Stretch(NamedTuple):
    """Means `begin` to `end` (excluded) between which a corner may be; slow falls begin at `slow` to `slow_end`."""

    begin: int
    end: int
    slow: int
    slow_end: int


def _stretches(x: Means, lengths: Lengths, settings: Settings) -> list[Stretch]:
    """Stretches outside of which no corner is followed by a fall deep enough, and no slow fall begins."""
    found = _stretches_of_falls(x, lengths, settings) if x.n <= _FEW else _stretches_of_pieces(x, lengths, settings)
    return [Stretch(0, x.n, 0, x.n)] if found is None else found


def _stretches_of_falls(x: Means, lengths: Lengths, settings: Settings) -> list[Stretch] | None:
    """The same from the falls of all means; None: everywhere.

    A corner's fall is deep enough within `fall_n`; so is, within that time, one half of a slow fall, which has to be
    twice as deep within no more than twice the time.
    """
    fall_n, corner_n, highest = lengths.fall_n, lengths.corner_n, x.highest[0]
    if not fall_n <= lengths.slow_n <= 2 * fall_n or x.n < 8 * fall_n:
        return None
    falls = x.all_falls(fall_n)
    if not float(x(len(falls), x.n).max()) < 0.89 * highest:
        return None  # the recording ends high, or nothing is: who knows what follows
    here = x(0, len(falls))
    deep = (falls >= 0.999 * settings.fall_share * here) & (here > 0.5 * _LEAST_LEVEL * highest)
    # or stretches, and the clusters that go on past their ends, would overlap
    groups = grouped(deep, 3 * fall_n + lengths.slow_n + 2 * corner_n + 4)
    if len(groups) > _FEW_STRETCHES:
        return None
    before, after = fall_n + corner_n + 1, corner_n + 2
    return [
        Stretch(max(first - before, 0), min(last + after, x.n), max(first - fall_n, 0), last + 1)
        for first, last in groups
    ]


def _stretches_of_pieces(x: Means, lengths: Lengths, settings: Settings) -> list[Stretch] | None:
    """The same from the extremes of pieces, of a pull so long that its means are not reckoned."""
    top, least = x.extremes.top, x.extremes.least
    # every mean of a whole piece lies above its least; the first piece and the last may hold none
    at_least = float(least[1:-1].max()) if len(least) > 2 and 2 * x.per_block <= PIECE else 0.0
    if at_least <= 0.0:
        return None
    room = x.extremes.room((lengths.fall_n + 1) * x.per_block)
    may = (room >= 0.999 * settings.fall_share * top) & (top > 0.998 * _LEAST_LEVEL * at_least)
    may[2:] &= top[2:] > 0.899 * np.maximum.accumulate(least[1:-1])
    before, after = lengths.fall_n + lengths.corner_n + 1, lengths.corner_n + 1
    # or stretches would overlap; and one more of them takes as long as thousands of samples
    apart = max((before + after + lengths.fall_n + 1) * x.per_block // PIECE + 2, 30)
    stretches = []
    for first, last in grouped(may, apart):
        begin = x.extremes.begin(first) // x.per_block - before if first > apart else 0
        end = min(x.extremes.begin(last + 1) // x.per_block + after, x.n)
        stretches.append(Stretch(begin, end, max(begin - lengths.slow_n, 0), end))
    return stretches


# ---- falls from corners


def _from_corners(
    x: Means,
    lengths: Lengths,
    settings: Settings,
    least_fall: float,
    stretches: list[Stretch],
    until: int,
    *,
    finished: bool,
) -> list[tuple[Release, float]]:
    """What falls within `fall_s` from a corner, with the level that it fell from; after a clear one `until` a mean."""
    corner_n, fall_n, ahead_n, per_block = lengths.corner_n, lengths.fall_n, lengths.ahead_n, lengths.per_block
    found: list[tuple[Release, float]] = []
    done, last_place = -1, x.n
    for stretch in stretches:
        if stretch.begin > last_place:
            break
        places, bends = _places(x, lengths, settings, least_fall, stretch)
        for number, place in enumerate(places):
            if place <= done:
                continue
            if place > last_place:
                return found
            # a list of some eighty numbers: quicker than an array of them
            begin = max(place - corner_n, 0)
            near = x(begin, place + fall_n + corner_n + ahead_n + 1).tolist()
            # the corner is the sharpest bend of its cluster; past the trough begins another
            in_reach = near[place - begin : place - begin + fall_n + 1]
            cluster = bends[number : bisect_right(places, place + in_reach.index(min(in_reach)))]
            top = k = places[number + cluster.index(max(cluster))]
            if k >= corner_n:
                around = near[k - corner_n - begin : k + corner_n + 1 - begin]
                top = k - corner_n + around.index(max(around))
            if top + ahead_n >= x.n and not finished:
                return found
            after = near[top - begin : top - begin + ahead_n + 1]
            level, in_time = after[0], after[: fall_n + 1]
            lowest = min(in_time)
            fell = level - lowest
            least = max(settings.fall_share * level, 1.3 * least_fall)
            if fell < least:
                done = place
                continue
            if fell < settings.fall_ratio * (level - min(after)):
                lowest = min(after[: lengths.sudden_n + 1])
                fell = level - lowest
                if fell < least or not is_sudden(x, lengths, top, fell, level - min(after)):
                    done = place
                    continue
                clear = not is_knock(x, lengths, top, fell)
            else:
                clear = stands_out(x, lengths, top, after, fell) and not (
                    is_knock(x, lengths, top, fell) or is_like_arm(x, lengths, top, fell)
                )
                if finished and clear:
                    clear = not goes_on(x, lengths, top, fell, level, fall_n)
            bottom = top + in_time.index(lowest)
            release = Release(top * per_block, fell, min((bottom + 1) * per_block, x.n_samples - 1), clear)
            found.append((release, level))
            done = bottom
            if clear and not finished:
                return found
            if clear:
                last_place = until + corner_n  # a corner lies so far before its place at the most
    return found


def _places(
    x: Means, lengths: Lengths, settings: Settings, floor: float, stretch: Stretch
) -> tuple[list[int], list[float]]:
    """Where in a stretch the torque bends down sharply near the highest so far, and how sharply."""
    corner_n, share = lengths.corner_n, 0.7 * settings.fall_share
    # a cluster may go on past the end
    low, high = max(stretch.begin, corner_n), min(stretch.end + lengths.fall_n + 1, x.n - corner_n)
    if high <= low:
        return [], []
    around = x(low - corner_n, high + corner_n)
    here = around[corner_n:-corner_n]
    bend = 2 * here - around[: -2 * corner_n] - around[2 * corner_n :]
    # against what was reached before, or is reached here, before what was reached so far, which takes longer to reckon
    before = x.greatest(0, low - corner_n)[0] if low > corner_n else -np.inf
    sharp = (bend > np.maximum(share * np.maximum(here, before), floor)).nonzero()[0]
    if not len(sharp):
        return [], []
    # greatest from one of these places to the next, each of them included, and so far
    begins = np.concatenate([[0], sharp[:-1] + (corner_n + 1)])
    reached = np.maximum.accumulate(np.maximum.reduceat(around[: int(sharp[-1]) + corner_n + 1], begins))
    reached = np.maximum(reached, before)
    bends, levels = bend[sharp], here[sharp]
    near = (bends > share * reached) & (levels > 0.9 * reached) & (levels > _LEAST_LEVEL * x.highest[0])
    return (sharp[near] + low).tolist(), bends[near].tolist()


# ---- falls without a corner


def _with_slow(
    found: list[tuple[Release, float]],
    x: Means,
    lengths: Lengths,
    settings: Settings,
    least_fall: float,
    stretches: list[Stretch],
    *,
    finished: bool,
) -> list[tuple[Release, float]]:
    """Add what falls within `arm_s` and has ended then, up to the first that is clear anyway."""
    n = lengths.slow_n
    if lengths.ended_n <= n:
        return found  # so early and sampled so seldom nobody knows whether a fall has ended
    until = next((one.index // x.per_block - n for one, _ in found if one.clear), x.n - lengths.ended_n)
    more: list[tuple[Release, float]] = []
    # what is told while the pull goes on is younger than twice `arm_s`
    oldest = 0 if finished else x.n - 3 * n
    high_enough = _LEAST_LEVEL * x.highest[0]
    for stretch in stretches:
        begin, end = max(stretch.slow, oldest, 0), min(stretch.slow_end, until)
        for top, bottom, fell, level in ended_falls(x, lengths, settings, least_fall, begin, end, high_enough):
            if not is_no_arm(x, lengths, top, fell, level, n) or is_knock(x, lengths, top, fell):
                continue
            if finished and goes_on(x, lengths, top, fell, level, lengths.fall_n):
                continue
            more.append((Release(top * x.per_block, fell, (bottom + 1) * x.per_block, True), level))
    if not more:
        return found
    apart = n * x.per_block
    kept = [pair for pair in found if pair[0].clear or all(abs(pair[0].index - one.index) > apart for one, _ in more)]
    return sorted([*kept, *more], key=lambda pair: pair[0].index)


def ended_falls(
    x: Means, lengths: Lengths, settings: Settings, least_fall: float, begin: int, end: int, high_enough: float
) -> Iterator[tuple[int, int, float, float]]:
    """Yield what falls within `arm_s` from means `begin` to `end` and has ended then: (top, bottom, fall, level)."""
    if end <= begin:
        return
    n = lengths.slow_n
    falls = x.falls(begin, end, n)
    here = x(begin, begin + len(falls))
    deep = falls > 2.0 * settings.fall_share * here
    if not deep.any():
        return
    for low, high in grouped(deep & (falls > 1.3 * least_fall) & (here > high_enough), 1):
        top = begin + low + int(here[low : high + 1].argmax())
        after = x(top, top + lengths.ended_n + 1)
        level, lowest = float(after[0]), float(after[: n + 1].min())
        fell = level - lowest
        if fell >= _ENDED * (level - float(after.min())):
            yield top, top + int(after[: n + 1].argmin()), fell, level


# ---- which of them were the mechanism's


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


def _is_far_below(x: Means, lengths: Lengths, release: Release, level: float) -> bool:
    """True when the hand goes on far beyond a fall with others as deep: it was one of the hand's."""
    highest, highest_index = x.highest
    begin = release.index // x.per_block + lengths.arm_n
    if highest <= _HIGHER * level or highest_index <= begin:
        return False
    return float(x.falls(begin, highest_index, lengths.fall_n).max(initial=0.0)) >= release.fall


def _comes_to_stop(x: Means, release: Release, n: int) -> bool:
    """True when the `n` means up to a fall rise as no arm can: by half the fall and more."""
    top = release.index // x.per_block
    before = x(max(top - n, 0), top + 1).tolist()
    return bool(before[-1] - min(before) > 0.5 * release.fall)


# ---- the very sample


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
    rest = int(nearly_all.argmax())
    if not nearly_all[rest]:
        rest = high - middle
    lowest = max(middle - max(min(back + 2 * rest, round(_ROUND_S * rate_hz)), 3), 0)
    while first > lowest:
        begin = max(first - back, lowest)
        before = begin + int(torque[begin:first].argmax())
        if torque[before] <= torque[at] + (0.0 if at == first else 2.0 * noise):
            break
        first, at = begin, before
    return Release(at, release.fall, release.end_index, release.clear)
