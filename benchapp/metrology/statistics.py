"""Mean and sample standard deviation that keep their digits (NIST StRD sets are the test)."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchapp.metrology.errors import RefusedError


def mean(values: Sequence[float]) -> float:
    """Return the arithmetic mean: correctly rounded sum, so the order does not matter.

    Raises:
        RefusedError: No values.
    """
    if not values:
        raise RefusedError("values", 0, "at least 1", "one value or more")
    return math.fsum(values) / len(values)


def standard_deviation(values: Sequence[float]) -> float:
    """Return the sample standard deviation s (n − 1), two passes with a correction of the mean.

    Raises:
        RefusedError: Fewer than two values.

    Source:
        T. F. Chan, G. H. Golub, R. J. LeVeque, The American Statistician 37 (1983) 242: corrected two-pass algorithm.
    """
    n = len(values)
    if n < 2:
        raise RefusedError("values", n, "at least 2", "two values or more")
    centre = mean(values)
    differences = [v - centre for v in values]
    squares = math.fsum(d * d for d in differences) - math.fsum(differences) ** 2 / n
    return math.sqrt(max(squares, 0.0) / (n - 1))
