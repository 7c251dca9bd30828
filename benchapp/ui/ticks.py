"""Where the marks of an axis stand."""

from __future__ import annotations

import math


def nice_step(length: float, n_wanted: int) -> float:
    """Return the step of 1, 2 or 5 times a power of ten that puts about `n_wanted` marks on `length`.

    >>> nice_step(40.0, 5), nice_step(0.06, 6)
    (10.0, 0.01)
    """
    raw = length / max(1, n_wanted)
    if not raw > 0:
        return 1.0
    decade = 10.0 ** math.floor(math.log10(raw))
    for factor in (1.0, 2.0, 5.0):
        if raw <= factor * decade * 1.0001:
            return factor * decade
    return 10.0 * decade


def decimals_of(step: float) -> int:
    """Return how many decimals the labels of marks so far apart need.

    >>> decimals_of(10.0), decimals_of(0.2)
    (0, 1)
    """
    return max(0, -math.floor(math.log10(step) + 1e-9))


def ticks(low: float, high: float, n_wanted: int) -> tuple[list[float], int]:
    """Return (places of about `n_wanted` marks from `low` to `high`, both included; decimals their labels need)."""
    step = nice_step(high - low, n_wanted)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [index * step for index in range(first, last + 1)], decimals_of(step)
