"""False accepts and false rejects over all tools of a kind (global risk), and guard bands that limit them.

JCGM 106:2012, clause 9: integrals of prior times acceptance probability, by Gauss–Legendre quadrature in panels.

The factors at the end are what the published methods say. No procedure offers them yet; they stand here because the
published figures check them, and through them the quadrature.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchapp.metrology import figures
from benchapp.metrology.distributions import normal_cdf
from benchapp.metrology.errors import RefusedError, positive
from benchapp.metrology.statistics import mean, standard_deviation
from drivers.samples import FloatArray

SHORTEST_HISTORY: Final = figures.count("history.fewest_verifications")
"""Verifications of such tools below which no prior is made of them."""

FEWEST_TOOLS: Final = figures.count("history.fewest_tools")
"""Tools below which their verifications, however many, say nothing of tools in general."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)


@dataclass(frozen=True, slots=True)
class Risk:
    """Global risks.

    Attributes:
        false_accept: Probability that a tool is outside its limits and accepted.
        false_reject: Probability that a tool is within its limits and rejected.
        accept: Probability that a tool is accepted.
    """

    false_accept: float
    false_reject: float
    accept: float

    @property
    def conditional_false_accept(self) -> float:
        """Probability that an accepted tool is outside its limits; NaN when none is ever accepted."""
        return self.false_accept / self.accept if self.accept > 0 else math.nan


@dataclass(frozen=True, slots=True)
class Prior:
    """How true deviations of such tools are spread: normal, percent; n verifications behind it."""

    centre: float
    spread: float
    n: int


@dataclass(frozen=True, slots=True)
class ShopHistory:
    """How earlier verifications of such tools in this shop came out, for the global risks.

    Attributes:
        n: Verifications looked at.
        n_tools: On how many tools.
        since: Date of the oldest, ISO 8601; "" none.
        until: Of the newest.
        prior: Made of them, each tool counting alike; None: fewer than `SHORTEST_HISTORY` verifications or
            `FEWEST_TOOLS` tools, or no spread left beside the measurement's own.
    """

    n: int = 0
    n_tools: int = 0
    since: str = ""
    until: str = ""
    prior: Prior | None = None


def prior_from_history(deviations: Sequence[float], measurement_u: float = 0.0) -> Prior | None:
    """Return a prior from mean deviations (percent) of earlier verifications; None: fewer than `SHORTEST_HISTORY`.

    The measurement's own variance is taken off. None also when nothing is left of the spread.
    """
    if len(deviations) < SHORTEST_HISTORY:
        return None
    variance = standard_deviation(deviations) ** 2 - measurement_u**2
    return Prior(mean(deviations), math.sqrt(variance), len(deviations)) if variance > 0 else None


def prior_of_tools(by_tool: Sequence[Sequence[float]], measurement_u: float = 0.0) -> Prior | None:
    """Return a prior about such tools from the deviations (percent) of each; None: fewer than `FEWEST_TOOLS`.

    Each tool counts alike, however often it was verified: the runs of one tool resemble each other, and a tool that is
    pulled every month must not stand for all. Where all have as many, it is mean and standard deviation of them all.
    The measurement's own variance is taken off; None also when nothing is left.

    Args:
        by_tool: Of each tool its deviations; an empty one counts for nothing.
        measurement_u: Standard uncertainty of one of them, percent.

    Source:
        Mean and variance with weights w = 1 / (tools · deviations of the tool), the variance divided by 1 − Σw² so
        that it is unbiased for independent values (derived here, mark D).

    >>> prior = prior_of_tools([[0.0] * 9 + [1.0], [1.0], [-1.0], [2.0], [-2.0]])
    >>> round(prior.centre, 9), round(prior.spread, 4), prior.n
    (0.02, 1.5543, 14)
    """
    tools = [list(each) for each in by_tool if each]
    if len(tools) < FEWEST_TOOLS:
        return None
    centre = math.fsum(mean(each) for each in tools) / len(tools)
    squares = math.fsum(math.fsum((x - centre) ** 2 for x in each) / len(each) for each in tools) / len(tools)
    weights_squared = math.fsum(1 / len(each) for each in tools) / len(tools) ** 2
    variance = squares / (1 - weights_squared) - measurement_u**2
    return Prior(centre, math.sqrt(variance), sum(map(len, tools))) if variance > 0 else None


def normal_density(centre: float, spread: float) -> Callable[[FloatArray], FloatArray]:
    """Return the density of N(centre, spread)."""
    return lambda x: np.exp(-0.5 * ((x - centre) / spread) ** 2) / (spread * math.sqrt(2 * math.pi))


def global_risk(
    density: Callable[[FloatArray], FloatArray],
    support: tuple[float, float],
    u_m: float,
    tolerance: tuple[float, float],
    acceptance: tuple[float, float] | None = None,
    n_panels: int = 400,
) -> Risk:
    """Return the global risks of measuring once with normal error u_m and comparing with acceptance limits.

    Args:
        density: Prior of the true value.
        support: Where it lives; beyond it counts for nothing.
        u_m: Standard uncertainty of the measurement, > 0.
        tolerance: (low, high); infinite for none.
        acceptance: (low, high); None: the tolerance itself.
        n_panels: Over the support, split at the limits as well.

    Source:
        JCGM 106:2012, clause 9.
    """
    positive("u_m", u_m)
    low, high = support
    limits = tolerance if acceptance is None else acceptance
    cuts = {x for x in (*tolerance, *limits) if low < x < high}
    edges = np.array(sorted({*np.linspace(low, high, n_panels + 1).tolist(), *cuts}))
    half = np.diff(edges) / 2
    x = (edges[:-1] + half)[:, None] + half[:, None] * _NODES
    weight = density(x) * (half[:, None] * _WEIGHTS)
    accepted = _phi((limits[1] - x) / u_m) - _phi((limits[0] - x) / u_m)
    inside = (x > tolerance[0]) & (x < tolerance[1])
    return Risk(
        float(np.sum(weight * accepted * ~inside)),
        float(np.sum(weight * (1 - accepted) * inside)),
        float(np.sum(weight * accepted)),
    )


def _phi(z: FloatArray) -> FloatArray:
    flat = np.clip(z, -40.0, 40.0).ravel()
    return np.fromiter(map(normal_cdf, flat.tolist()), dtype=np.float64, count=flat.size).reshape(z.shape)


def normal_risk(
    centre: float,
    spread: float,
    u_m: float,
    tolerance: tuple[float, float],
    acceptance: tuple[float, float] | None = None,
) -> Risk:
    """Return the global risks for a normal prior (bivariate normal by quadrature)."""
    positive("spread", spread)
    reach = 9 * spread
    return global_risk(
        normal_density(centre, spread), (centre - reach, centre + reach), u_m, tolerance, acceptance, n_panels=60
    )


def guard_band_for(risk_at: Callable[[float], Risk], target: float, widest: float) -> float:
    """Return the guard band g (0 to `widest`) at which the false-accept risk is `target`; 0 when it is met without.

    Args:
        risk_at: Risk as a function of g.
        target: False-accept probability wanted, > 0.
        widest: Largest g to try.

    Raises:
        RefusedError: Not reachable with the widest.
    """
    if risk_at(0.0).false_accept <= positive("target", target):
        return 0.0
    if risk_at(widest).false_accept > target:
        raise RefusedError("target", target, f">= {risk_at(widest).false_accept:.3g}", "a larger risk")
    low, high = 0.0, widest
    while high - low > 1e-13 * widest:
        middle = (low + high) / 2
        low, high = (middle, high) if risk_at(middle).false_accept > target else (low, middle)
    return (low + high) / 2


def factor_rss(ratio: float) -> float:
    """Return A/T = √(1 − 1/TUR²), TUR >= 1 (Z540.3 handbook method 5, second-hand)."""
    return math.sqrt(1 - 1 / _ratio(ratio) ** 2)


def factor_two_percent(ratio: float) -> float:
    """Return A/T = 1 − M/TUR, M = 1.04 − e^(0.38·ln TUR − 0.54), at most 1 (Dobbert; method 6, second-hand)."""
    m = 1.04 - math.exp(0.38 * math.log(_ratio(ratio)) - 0.54)
    return min(1.0, 1 - m / ratio)


def factor_subtract_u(ratio: float) -> float:
    """Return A/T = 1 − 1/TUR (guard band w = U; second-hand)."""
    return 1 - 1 / _ratio(ratio)


def _ratio(ratio: float) -> float:
    if not ratio >= 1:
        raise RefusedError("tur", ratio, ">= 1", "a ratio of tolerance to uncertainty of one or more")
    return ratio
