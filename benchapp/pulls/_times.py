"""What the times of samples say about a pull: where samples are missing, how long the pieces of its extremes last."""

from __future__ import annotations

from bisect import bisect_left

import numpy as np

from benchapp.pulls._extremes import PIECE
from benchapp.pulls.settings import Settings
from drivers.samples import FloatArray


class Times:
    """Times of samples; the pieces are counted from the first of them."""

    def __init__(self, t_s: FloatArray, rate_hz: float, settings: Settings) -> None:
        """Shape (n,), strictly rising, n > 0; looked at once, for all pulls in them."""
        self._missing = gaps(t_s, rate_hz, settings)
        self._begins = [a for a, _ in self._missing]
        edges = t_s[::PIECE]
        self._pieces_s = np.append(edges[1:] - edges[:-1], t_s[-1] - edges[-1])

    def gaps(self, begin: int, end: int) -> list[tuple[int, int]]:
        """Gaps between samples `begin` to `end` (excluded), counted from `begin`."""
        if not self._missing:
            return []
        inside = self._missing[bisect_left(self._begins, begin) : bisect_left(self._begins, end - 1)]
        return [(a - begin, b - begin) for a, b in inside]

    def longest_piece_s(self, begin: int, end: int) -> float:
        """No piece of samples `begin` to `end` (excluded) lasts longer, up to the first sample of the next."""
        return float(self._pieces_s[begin // PIECE : (end - 1) // PIECE + 1].max())


def gaps(t: FloatArray, rate: float, settings: Settings) -> list[tuple[int, int]]:
    """Neighbours with samples missing between them: (index before, index after)."""
    least = max(settings.gap_samples / rate, settings.gap_s) + 0.5 / rate
    # times rise, so where as many samples as fit into `least` take no longer than that, no two of them lie further
    # apart: looking at one in fifty instead of all saves 20 us of a pull of 30,000
    every = max(int(least * rate) - 1, 1)
    coarse = t[::every]
    far = (coarse[1:] - coarse[:-1] > least).nonzero()[0].tolist()
    places = [(k * every, min((k + 1) * every, len(t) - 1)) for k in far]
    places.append(((len(coarse) - 1) * every, len(t) - 1))
    found: list[tuple[int, int]] = []
    for low, high in places:
        if float(t[high] - t[low]) > least:
            near = t[low : high + 1]
            found += [(low + k, low + k + 1) for k in np.flatnonzero(near[1:] - near[:-1] > least).tolist()]
    return found
