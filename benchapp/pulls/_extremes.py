"""Greatest and least of pieces of an array: from them most questions about torque are answered without its samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from drivers.samples import FloatArray

PIECE: Final = 140
"""Samples in a piece: shorter ones cost more to make (64: twice as much), longer ones tell less.

A dip of 30 ms at 10 kHz holds a whole one."""

BoolArray = npt.NDArray[np.bool_]

_TOGETHER: Final = 256 * PIECE  # reckoned together: read from memory once, from a near cache the second time
_BEGINS: Final = np.arange(0, _TOGETHER, PIECE)


@dataclass(frozen=True, slots=True)
class Extremes:
    """Greatest and least of the pieces of a stretch of samples.

    The first and the last piece may hold samples outside of the stretch, so what is told from pieces is a bound:
    enough to say that nothing is there, never enough to say what is.

    Attributes:
        top: Shape (pieces,), greatest of each.
        least: Shape (pieces,), least of each.
        lead: Samples of the first piece that lie before the stretch.
    """

    top: FloatArray
    least: FloatArray
    lead: int = 0

    @classmethod
    def of(cls, values: FloatArray) -> Extremes:
        """Look at all samples once."""
        top, least = np.empty(-(-len(values) // PIECE)), np.empty(-(-len(values) // PIECE))
        for low in range(0, len(values), _TOGETHER):
            part = values[low : low + _TOGETHER]
            begins, k = _BEGINS[: -(-len(part) // PIECE)], low // PIECE
            # reduceat: 15 to 20 us for 100,000 samples; reshape and max(axis=1) take 43
            np.maximum.reduceat(part, begins, out=top[k : k + len(begins)])
            np.minimum.reduceat(part, begins, out=least[k : k + len(begins)])
        return cls(top, least)

    def part(self, begin: int, end: int, sign: int) -> Extremes:
        """Of samples `begin` to `end` (excluded), times `sign`."""
        first, stop = begin // PIECE, (end - 1) // PIECE + 1
        top, least = self.top[first:stop], self.least[first:stop]
        return Extremes(top, least, begin % PIECE) if sign > 0 else Extremes(-least, -top, begin % PIECE)

    def renew(self, values: FloatArray, first: int, stop: int) -> None:
        """Look again at the samples of pieces `first` to `stop` (excluded): `values` changed there."""
        again = Extremes.of(values[first * PIECE : stop * PIECE])
        self.top[first:stop], self.least[first:stop] = again.top, again.least

    def room(self, n: int) -> FloatArray:
        """Shape (pieces,): no fall from a piece to the `n` samples after it is deeper, but for rounding of means.

        Of a mean that touches two pieces it is told by the one with the greater samples.
        """
        below = self.least.copy()
        for further in range(1, -(-n // PIECE) + 1):
            np.minimum(below[:-further], self.least[further:], out=below[:-further])
        room: FloatArray = self.top - below
        return room

    def piece(self, index: int) -> int:
        """Piece that holds sample `index`."""
        return (index + self.lead) // PIECE

    def begin(self, piece: int) -> int:
        """First sample of a piece inside the stretch."""
        return max(piece * PIECE - self.lead, 0)


def grouped(may: BoolArray, apart: int) -> list[tuple[int, int]]:
    """Pieces marked, as (first, last); groups that lie `apart` pieces from each other or less are one."""
    marked = may.nonzero()[0]
    if not len(marked):
        return []
    ends = (marked[1:] - marked[:-1] > apart).nonzero()[0]
    if not len(ends):
        return [(int(marked[0]), int(marked[-1]))]
    firsts, lasts = [marked[0], *marked[ends + 1]], [*marked[ends], marked[-1]]
    return [(int(first), int(last)) for first, last in zip(firsts, lasts, strict=True)]
