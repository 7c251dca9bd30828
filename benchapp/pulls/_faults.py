"""What a pull is blamed for that takes looking at many samples: dips, missing samples, a second rise, pulling on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from benchapp.pulls._extremes import Extremes
from benchapp.pulls._release import Release
from benchapp.pulls._wrong import BoolArray
from benchapp.pulls.settings import Settings
from drivers.samples import FloatArray

_CORNER_S: Final = 0.005  # a gap that ends later than this before a letting-go may hold its beginning
_SEEN: Final = 0.8  # of a fall before a gap: what is missing was no part of it


@dataclass(frozen=True, slots=True)
class Dip:
    """The longest stay below what had been reached: how long, its samples, how deep at the worst."""

    seconds: float
    begin: int
    end: int
    percent: float


def longest_dip(
    t: FloatArray,
    v: FloatArray,
    extremes: Extremes,
    piece_s: float,
    until: int,
    scale: float,
    noise: float,
    settings: Settings,
) -> Dip | None:
    """The dip of the flag jerky, up to sample `until`, told only when it is longer than `jerky_s`; None without one.

    No piece of `extremes` lasts longer than `piece_s`.
    """
    final = extremes.piece(until)
    # what had been reached by the samples of a piece is no more than by its end
    top = extremes.top[: final + 1]
    reached = np.maximum.accumulate(top)
    least = max(settings.jerky_noise * noise, 0.999 * settings.jerky_share * settings.jerky_from * scale)
    deep = np.maximum(settings.jerky_share * reached, least)
    # where two pieces are no longer than `jerky_s`, the whole of some piece must lie in the dip; else a steep rise
    # makes samples be looked at
    if 2.0 * piece_s <= settings.jerky_s and not (reached - top > deep).any():
        return None
    lowest = extremes.least[: final + 1].copy()
    lowest[final] = v[extremes.begin(final) : until + 1].min()
    may = (reached - lowest > deep).nonzero()[0]
    if not len(may):
        return None
    begin, end = extremes.begin(int(may[0])), min(extremes.begin(int(may[-1]) + 1), until) + 1
    before = float(v[:begin].max()) if begin else -np.inf
    rest = v[begin:end]
    running = np.maximum(np.maximum.accumulate(rest), before)
    fallen = running - rest
    dips = (
        (running > settings.jerky_from * scale)
        & (fallen > settings.jerky_share * running)
        & (fallen > settings.jerky_noise * noise)
    )
    seconds, a, b = _longest_run_s(t[begin:end], dips)
    if not seconds > settings.jerky_s:
        return None
    worst = a + int(fallen[a : b + 1].argmax())
    return Dip(seconds, begin + a, begin + b, float(fallen[worst] / running[worst] * 100))


def _longest_run_s(t_s: FloatArray, true: BoolArray) -> tuple[float, int, int]:
    """Longest stretch of True: (seconds, first index, last index); (0, 0, 0) without one."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true.astype(np.int8), [0]])))
    if not len(edges):
        return 0.0, 0, 0
    begins, ends = edges[::2], edges[1::2]
    spans = t_s[np.minimum(ends, len(t_s) - 1)] - t_s[begins]
    k = int(np.argmax(spans))
    return float(spans[k]), int(begins[k]), int(ends[k] - 1)


def gaps_in_fall(v: FloatArray, release: Release, missing: list[tuple[int, int]], rate: float) -> list[tuple[int, int]]:
    """Those of `missing` that hide where the torque fell from, or whether a mechanism let it fall."""
    corner, seen = max(1, round(_CORNER_S * rate)), v[release.index] - _SEEN * release.fall
    return [
        (a, b)
        for a, b in missing
        if b > release.index - corner and a < release.end_index and not (a > release.index and v[a] <= seen)
    ]


def may_hide_click(t: FloatArray, v: FloatArray, gap: tuple[int, int], settings: Settings) -> bool:
    """True when a letting-go may lie in a gap: it is lower after it, or there was time to fall and rise again."""
    a, b = gap
    return bool(t[b] - t[a] > settings.arm_s or v[a] - v[b] > settings.fall_share * v[a])


def again(
    t: FloatArray, v: FloatArray, extremes: Extremes, until: int, scale: float, settings: Settings
) -> tuple[int, int] | None:
    """(index of the low, index of the rise) of a second application before rest, after sample `until`."""
    first = extremes.piece(until)
    low_pieces = extremes.least[first:] < settings.double_low * scale
    begin = int(low_pieces.argmax())
    if not low_pieces[begin] or not float(extremes.top[first + begin :].max()) > settings.double_high * scale:
        return None
    begin = max(extremes.begin(first + begin), until)
    low = np.flatnonzero(v[begin:] < settings.double_low * scale)
    if not len(low):
        return None
    begin += int(low[0])
    rise = np.flatnonzero((v[begin:] > settings.double_high * scale) & (t[begin:] - t[until] > settings.double_s))
    return (begin, begin + int(rise[0])) if len(rise) else None


def above(t: FloatArray, v: FloatArray, extremes: Extremes, begin: int, level: float) -> tuple[float, int]:
    """Time above `level` from sample `begin` on: (seconds, index of the last sample above); (0, begin) without any.

    Each sample counts for half the way to its neighbours: rates change, and samples go missing.
    """
    first = extremes.piece(begin)
    high = (extremes.top[first:] > level).nonzero()[0]
    if begin >= len(v) or not len(high):
        return 0.0, begin
    end = min(extremes.begin(first + int(high[-1]) + 1) + 1, len(v))
    over = v[begin:end] > level
    places = over.nonzero()[0]
    if not len(places):
        return 0.0, begin
    last = begin + int(places[-1])
    steps = t[begin + 1 : end] - t[begin : end - 1]
    return 0.5 * float(steps[over[:-1]].sum() + steps[over[1:]].sum()), last
