"""Means of blocks of samples, reckoned at once where these are few, else only where they are asked for; their falls."""

from __future__ import annotations

import numpy as np

from benchapp.pulls._extremes import Extremes
from drivers.samples import FloatArray


class Means:
    """Means of blocks of `per_block` samples from the first on; a rest of less than a block is left out."""

    def __init__(self, torque: FloatArray, per_block: int, extremes: Extremes, *, at_once: bool = False) -> None:
        """`extremes` are those of `torque`; `at_once`: reckon all now."""
        self._torque = torque
        self.per_block = per_block
        self.extremes = extremes
        self.n, self.n_samples = len(torque) // per_block, len(torque)
        self.all = means_of(torque, per_block) if at_once else None
        self._greatest: tuple[float, int] | None = None
        self._falls: FloatArray | None = None
        self._falls_n = 0

    def __call__(self, begin: int, end: int) -> FloatArray:
        """Means `begin` to `end` (excluded), as far as there are any."""
        begin, end = max(begin, 0), max(min(end, self.n), 0)
        if self.all is not None:
            return self.all[begin:end]
        return means_of(self._torque[begin * self.per_block : max(end, begin) * self.per_block], self.per_block)

    @property
    def highest(self) -> tuple[float, int]:
        """Greatest of all means and the first place of it; reckoned once, at the first question."""
        if self._greatest is None:
            self._greatest = self.greatest(0, self.n)
        return self._greatest

    def greatest(self, begin: int, end: int) -> tuple[float, int]:
        """Greatest of means `begin` to `end` (excluded, at least one) and the first place of it.

        No mean exceeds the greatest sample in it, so only those that touch a piece with a sample as great are looked
        at: 5 us where all means of 30,000 samples take 20.
        """
        if self.all is not None:
            k = begin + int(self.all[begin:end].argmax())
            return float(self.all[k]), k
        extremes, per_block = self.extremes, self.per_block
        first, last = extremes.piece(begin * per_block), extremes.piece(end * per_block - 1)
        top = extremes.top[first : last + 1]
        low = high = first + int(top.argmax())
        found = self._greatest_of_pieces(low, high, begin, end)
        if found is not None:
            may = (top >= found[0] - 1e-9 * abs(found[0])).nonzero()[0]  # sums round
            if len(may) == 1:
                return found
            first, last = first + int(may[0]), first + int(may[-1])
        # else none of the means asked for touches the piece with the greatest sample
        found = self._greatest_of_pieces(first, last, begin, end)
        assert found is not None
        return found

    def _greatest_of_pieces(self, low: int, high: int, begin: int, end: int) -> tuple[float, int] | None:
        """The same of the means that touch pieces `low` to `high`; None without any."""
        begin = max(self.extremes.begin(low) // self.per_block, begin)
        end = min(-(-self.extremes.begin(high + 1) // self.per_block), end)
        if end <= begin:
            return None
        near = self(begin, end)
        k = int(near.argmax())
        return float(near[k]), begin + k

    def falls(self, begin: int, end: int, n: int) -> FloatArray:
        """From each mean to the least of the `n` after it, which there must be."""
        if n == self._falls_n and self._falls is not None:
            return self._falls[begin : max(end, begin)]
        return falls_within(self(begin, max(begin, end) + n), n)

    def all_falls(self, n: int) -> FloatArray:
        """The same of all means but the last `n`, kept for further questions; for means reckoned at once."""
        assert self.all is not None
        self._falls, self._falls_n = falls_within(self.all, n), n
        return self._falls


def means_of(torque: FloatArray, per_block: int) -> FloatArray:
    """Means of blocks of samples; what is over is left out."""
    if per_block == 1:
        return torque
    n = len(torque) // per_block
    # einsum: much faster than mean(axis=1) on rows this short
    means: FloatArray = np.einsum("ij->i", torque[: n * per_block].reshape(n, per_block))
    means /= per_block
    return means


def falls_within(means: FloatArray, n: int) -> FloatArray:
    """From each but the last `n` to the least of the `n` after it."""
    least, wide = means, 1  # means that each element covers; doubled until the next doubling would be too wide
    while 2 * wide <= n + 1:
        least = np.minimum(least[:-wide], least[wide:])
        wide *= 2
    if further := n + 1 - wide:
        least = np.minimum(least[:-further], least[further:])
    falls: FloatArray = means[: len(least)] - least
    return falls
