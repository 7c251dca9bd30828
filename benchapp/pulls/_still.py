"""What a stretch of samples at rest says: its level, whether it moves, its noise; and where a state lasts."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from benchapp.pulls._extremes import BoolArray
from drivers.samples import FloatArray


class Stillness(NamedTuple):
    """One stretch.

    Attributes:
        level: Mean.
        moved: Mean of the last third less that of the first.
        noise: Standard deviation about a straight line: a drifting zero is not noise.
    """

    level: float
    moved: float
    noise: float


def stillness(rows: FloatArray) -> list[Stillness]:
    """Look at stretches of the same length together, shape (stretches, n), n at least 3.

    What is said of each hangs on its own samples only, to the last bit: a stream asks for them one by one. Sums are
    taken of what lies off the first sample, so that little is lost in the difference of squares.
    """
    n = rows.shape[1]
    third = n // 3
    pivots, off = rows[:, 0].tolist(), rows - rows[:, :1]
    # three sums: half the time of reduceat
    firsts, lasts = np.add.reduce(off[:, :third], axis=1).tolist(), np.add.reduce(off[:, n - third :], axis=1).tolist()
    middles = np.add.reduce(off[:, third : n - third], axis=1).tolist()
    square, along = np.einsum("ij,ij->i", off, off).tolist(), np.einsum("ij,j->i", off, _centred(n)).tolist()
    spread, free = n * (n * n - 1.0) / 12.0, max(n - 2, 1)
    found = []
    for pivot, first, middle, last, squared, slant in zip(pivots, firsts, middles, lasts, square, along, strict=True):
        mean = (first + middle + last) / n
        # about the mean, less what the line explains
        left = squared - n * mean * mean - slant * slant / spread
        noise = math.sqrt(left / free) if left > 0.0 else 0.0
        found.append(Stillness(pivot + mean, (last - first) / third, noise))
    return found


@lru_cache(maxsize=8)
def _centred(n: int) -> FloatArray:
    """… −1, 0, 1 …, `n` of them."""
    at: FloatArray = np.arange(n, dtype=np.float64) - (n - 1) / 2.0
    at.flags.writeable = False
    return at


def lasting(values: FloatArray, n: int, holds: Callable[[FloatArray], BoolArray]) -> int | None:
    """Where the first stay begins of `n` or more values in a row for which `holds`; None without one.

    Of any `n` in a row one is among every n-th, so mostly these few alone are looked at.
    """
    for number in holds(values[n - 1 :: n]).nonzero()[0].tolist():
        low, high = number * n, (number + 1) * n
        backwards = holds(values[low:high])[::-1]
        back = int(backwards.argmin())
        begin = low if backwards[back] else high - back
        if begin + n <= len(values) and holds(values[high : begin + n]).all():
            return begin
    return None
