"""Control charts of one tool's or one reference's history: individuals and exponentially weighted moving average.

`cusum` and `capability` are on no page yet; they stay with the published figures that check them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from benchapp.metrology.errors import RefusedError, positive
from benchapp.metrology.statistics import mean

D2: Final = 1.128
"""Mean range of two values over σ, as the e-Handbook prints it (exactly 2/√π = 1.12838)."""


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart: plotted values in the order given, centre, limits, and which values lie outside (0-based)."""

    values: tuple[float, ...]
    centre: float
    lower: float
    upper: float

    @property
    def outside(self) -> tuple[int, ...]:
        """Indices of the plotted values beyond a limit."""
        return tuple(i for i, v in enumerate(self.values) if not self.lower <= v <= self.upper)


def individuals(values: Sequence[float]) -> Chart:
    """Return the individuals chart: mean ± 3·(mean moving range)/d2.

    Raises:
        RefusedError: Fewer than two values.

    Source:
        NIST/SEMATECH e-Handbook 6.3.2.2.
    """
    if len(values) < 2:
        raise RefusedError("values", len(values), "at least 2", "two values or more")
    centre = mean(values)
    reach = 3 * mean([abs(b - a) for a, b in pairwise(values)]) / D2
    return Chart(tuple(values), centre, centre - reach, centre + reach)


def ewma(values: Sequence[float], centre: float, spread: float, weight: float = 0.3, width: float = 3.0) -> Chart:
    """Return the chart of z_i = λ·x_i + (1 − λ)·z_(i−1), z_0 = centre, with its limits for many values.

    Args:
        values: Oldest first.
        centre: Target or long-term mean.
        spread: Standard deviation of single values, > 0.
        weight: λ, above 0, up to 1.
        width: Limits in standard deviations of z.

    Source:
        NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    positive("spread", spread)
    if not 0 < weight <= 1:
        raise RefusedError("weight", weight, "above 0, up to 1", "0.2 to 0.3")
    z, plotted = centre, []
    for x in values:
        z = weight * x + (1 - weight) * z
        plotted.append(z)
    reach = width * spread * math.sqrt(weight / (2 - weight))
    return Chart(tuple(plotted), centre, centre - reach, centre + reach)


def cusum(values: Sequence[float], target: float, slack: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return (upper, lower) cumulative sums, both >= 0 (e-Handbook 6.3.2.3); a signal is a sum above the limit h."""
    high = low = 0.0
    upper, lower = [], []
    for x in values:
        high = max(0.0, high + x - target - slack)
        low = max(0.0, low + target - slack - x)
        upper.append(high)
        lower.append(low)
    return tuple(upper), tuple(lower)


def capability(centre: float, spread: float, low: float, high: float) -> tuple[float, float]:
    """Return (Cp, Cpk) (e-Handbook 6.1.6)."""
    positive("spread", spread)
    return (high - low) / (6 * spread), min(high - centre, centre - low) / (3 * spread)
