"""When a tool or reference should be looked at again: from results in or out (A3), stepwise, or from measured drift."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchapp.metrology import figures
from benchapp.metrology.distributions import beta_quantile, binomial_cdf, t_quantile
from benchapp.metrology.errors import RefusedError, positive
from drivers.samples import FloatArray


@dataclass(frozen=True, slots=True)
class A3Result:
    """What the A3 test says.

    Attributes:
        interval: New interval, unit of the old one.
        observed: Share in tolerance.
        rejection: Confidence with which the old interval is rejected, 0 to 1.
        low, high: Clopper–Pearson range of the true share at `confidence`.
        confidence: Of that range.
    """

    interval: float
    observed: float
    rejection: float
    low: float
    high: float
    confidence: float


def a3(in_tolerance: int, n: int, interval: float, target: float, confidence: float = 0.5) -> A3Result:
    """Return a new interval from how often an interval ended in tolerance.

    I·10^((R_obs − R_target)·Q), kept within half and double; Q = rejection confidence. Where the target lies inside the
    test's reach (Q small) the interval hardly moves. Better than the target lengthens by the
    mirrored test (our own completion, mark D: the source's tests do not cover it).

    Source:
        NCSL interval-analysis practice, method A3 (second-hand, through an open library's tests and its 2019 tutorial).
    """
    if not 0 <= in_tolerance <= n or n < 1:
        raise RefusedError("in_tolerance", in_tolerance, f"0 to n ({n}), n >= 1", "counts of ended intervals")
    positive("interval", interval)
    for field, p in (("target", target), ("confidence", confidence)):
        if not 0 < p < 1:
            raise RefusedError(field, p, "between 0 and 1", "a share such as 0.95")
    observed = in_tolerance / n
    if observed <= target:
        q = 1 - 2 * binomial_cdf(in_tolerance, n, target)
    else:
        q = 1 - 2 * (1 - binomial_cdf(in_tolerance - 1, n, target)) if in_tolerance else 0.0
    q = max(q, 0.0)
    new = interval * 10 ** ((observed - target) * q)
    tail = (1 - confidence) / 2
    low = beta_quantile(tail, in_tolerance, n - in_tolerance + 1) if in_tolerance else 0.0
    high = beta_quantile(1 - tail, in_tolerance + 1, n - in_tolerance) if in_tolerance < n else 1.0
    return A3Result(min(max(new, interval / 2), interval * 2), observed, q, low, high, confidence)


SHORTER: Final = figures.number("interval.step_shorter")
LONGER: Final = figures.number("interval.step_longer")
"""Steps of the staircase."""


def staircase(interval: float, in_tolerance: bool, shortest: float, longest: float) -> float:
    """Return the next interval: longer after a result in tolerance, shorter after one out, within the two ends."""
    positive("interval", interval)
    return min(max(interval * (LONGER if in_tolerance else SHORTER), shortest), longest)


@dataclass(frozen=True, slots=True)
class Drift:
    """Polynomial drift through zero at the time of calibration.

    Attributes:
        coefficients: Of t, t², …
        covariance: Shape (m, m).
        s: Residual standard deviation.
        dof: Values minus coefficients.
    """

    coefficients: FloatArray
    covariance: FloatArray
    s: float
    dof: int

    def drift(self, t: float) -> float:
        """Return the drift expected at t."""
        return float(self._powers(t) @ self.coefficients)

    def variance(self, t: float) -> float:
        """Return the variance of a new value at t: fit and scatter."""
        powers = self._powers(t)
        return float(powers @ self.covariance @ powers) + self.s**2

    def _powers(self, t: float) -> FloatArray:
        return np.asarray(t ** np.arange(1.0, len(self.coefficients) + 1))


def fit_drift(t: Sequence[float], drift: Sequence[float], order: int = 2) -> Drift:
    """Fit drift over time since calibration.

    Raises:
        RefusedError: Not more values than coefficients, or times that are not above zero.

    Source:
        NASA-HDBK-8739.19-5, variables data, tables 7-2 to 7-7 (second-hand).
    """
    if len(t) != len(drift) or len(t) <= order:
        raise RefusedError("drift", len(drift), f"more than {order} values, one for each time", "more calibrations")
    times, values = np.array(t, dtype=np.float64), np.array(drift, dtype=np.float64)
    if not np.all(times > 0):
        raise RefusedError("t", float(times.min()), "> 0", "time since the calibration before")
    scale = float(times.max())
    powers = (times / scale)[:, None] ** np.arange(1, order + 1)
    solved, *_ = np.linalg.lstsq(powers, values, rcond=None)
    variance = float(np.sum((values - powers @ solved) ** 2)) / (len(times) - order)
    back = scale ** -np.arange(1.0, order + 1)
    covariance = variance * np.linalg.inv(powers.T @ powers) * np.outer(back, back)
    return Drift(solved * back, covariance, math.sqrt(variance), len(times) - order)


def time_to_uncertainty(drift: Drift, u0: float, target: float, longest: float = 1e5) -> float | None:
    """Return when √(u0² + variance of drift) reaches `target`; None: not before `longest`."""
    return _first(lambda t: u0**2 + drift.variance(t) >= target**2, longest)


MOST_DOF: Final = 200
"""More degrees of freedom count as so many: t is then 0.6 % above the normal distribution's."""


def reach_at(drift: Drift, t: float, u0: float, p: float, u0_dof: float | None) -> float:
    """Return t_p·√(u0² + variance of drift at t), the reach of what is expected at `t` above or below its middle.

    The value it starts from and the fit have degrees of freedom of their own: a factor for the few of the fit on both
    makes a well known value badly known. ν_eff is cut to a whole number, as JCGM 100:2008, G.4.1 has it.

    Args:
        drift: The fit.
        t: Time since the last value.
        u0: Standard uncertainty of the last value.
        p: Of the quantile, e.g. 0.975 for 95 % in the middle.
        u0_dof: Degrees of freedom of u0, infinity allowed; None: it shares the fit's, as the handbook's tables do.
    """
    fitted = drift.variance(t)
    if u0_dof is None:
        return t_quantile(p, drift.dof) * math.sqrt(u0**2 + fitted)
    below = u0**4 / u0_dof + fitted**2 / drift.dof
    dof = max(1, min(math.floor((u0**2 + fitted) ** 2 / below), MOST_DOF)) if below > 0 else MOST_DOF
    return t_quantile(p, dof) * math.sqrt(u0**2 + fitted)


def time_within_limits(
    drift: Drift,
    u0: float,
    value0: float,
    limits: tuple[float, float],
    probability: float,
    longest: float = 1e5,
    u0_dof: float | None = None,
) -> float | None:
    """Return when value0 + drift ± t·√(u0² + variance of drift) reaches a limit; None: not before `longest`.

    t has the fit's degrees of freedom, or with `u0_dof` those of `reach_at`; two-sided when both limits are finite,
    one-sided when one is infinite.

    Source:
        NASA-HDBK-8739.19-5, tables 7-4 to 7-6 (second-hand; which t is used was found by reproducing them).
    """
    both = all(map(math.isfinite, limits))
    p = (1 + probability) / 2 if both else probability

    def reached(t: float) -> bool:
        y, reach = value0 + drift.drift(t), reach_at(drift, t, u0, p, u0_dof)
        return y + reach >= limits[1] or y - reach <= limits[0]

    return _first(reached, longest)


def _first(reached: Callable[[float], bool], longest: float) -> float | None:
    steps = np.geomspace(1e-3, longest, 2000)
    low = 0.0
    for t in steps:
        if reached(float(t)):
            break
        low = float(t)
    else:
        return None
    high = float(t)
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high
