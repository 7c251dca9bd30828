"""Normal, Student t, beta, chi-squared and binomial distributions without SciPy (which checks them in the tests).

Incomplete beta: continued fraction of the NIST Digital Library of Mathematical Functions, 8.17(v), evaluated by the
modified Lentz method; incomplete gamma: DLMF 8.11.4 (series) and 8.9.2 (continued fraction).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from statistics import NormalDist
from typing import Final

from benchapp.metrology.errors import RefusedError, positive

_NORMAL: Final = NormalDist()
_TINY: Final = 1e-300
_EPSILON: Final = 1e-16


def normal_cdf(z: float) -> float:
    """Return Φ(z), accurate in both tails."""
    return 0.5 * math.erfc(-z / math.sqrt(2))


def normal_quantile(p: float) -> float:
    """Return z with Φ(z) = p, 0 < p < 1."""
    return _NORMAL.inv_cdf(_probability(p))


def beta_cdf(x: float, a: float, b: float) -> float:
    """Return the regularised incomplete beta function I_x(a, b), 0 <= x <= 1, a and b > 0."""
    return _beta_both(x, 1 - x, a, b)


def _beta_both(x: float, y: float, a: float, b: float) -> float:
    """Return I_x(a, b); y = 1 − x is handed over too, so that digits near an end are not lost."""
    if x <= 0 or y <= 0:
        return 0.0 if x <= 0 else 1.0
    log_x = math.log1p(-y) if y < 0.5 else math.log(x)
    log_y = math.log1p(-x) if x < 0.5 else math.log(y)
    front = math.exp(a * log_x + b * log_y - _log_beta(a, b))
    if x < (a + 1) / (a + b + 2):
        return front * _beta_fraction(x, a, b) / a
    return 1 - front * _beta_fraction(y, b, a) / b


def _log_beta(a: float, b: float) -> float:
    small, large = sorted((a, b))
    if small == 0.5 and large > 200:  # the difference of two lgamma would lose digits; series DLMF 5.11.13
        inverse = 1 / large
        series = 1 - inverse / 8 + inverse**2 / 128 + 5 * inverse**3 / 1024 - 21 * inverse**4 / 32768
        return 0.5 * math.log(math.pi) - 0.5 * math.log(large) - math.log(series)
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


def _beta_fraction(x: float, a: float, b: float) -> float:
    c, d = 1.0, 1 / _away(1 - (a + b) * x / (a + 1))
    fraction = d
    for m in range(1, 10_000):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1 / _away(1 + numerator * d)
            c = _away(1 + numerator / c)
            fraction *= c * d
        if abs(c * d - 1) < _EPSILON * 4:
            break
    return fraction


def _away(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def beta_quantile(p: float, a: float, b: float) -> float:
    """Return x with I_x(a, b) = p."""
    return _root(lambda x: beta_cdf(x, a, b) - _probability(p), 0.0, 1.0)


def t_tail(t: float, dof: float) -> float:
    """Return P(T > t) for t >= 0, accurate far out."""
    return 0.5 * _beta_both(dof / (dof + t * t), t * t / (dof + t * t), dof / 2, 0.5)


def t_quantile(p: float, dof: float) -> float:
    """Return t with P(T <= t) = p, 0 < p < 1; any real degrees of freedom > 0, infinity included.

    The last 1024 (p, dof) are kept: with ν_eff cut to a whole number the same few come again and again.
    """
    return _t_quantile(p, dof)


@lru_cache(maxsize=1024)
def _t_quantile(p: float, dof: float) -> float:
    _probability(p)
    if math.isinf(positive_dof(dof)):
        return normal_quantile(p)
    if p < 0.5:
        return -t_quantile(1 - p, dof)
    if p == 0.5:
        return 0.0
    t = _t_start(p, dof)
    log_norm = -_log_beta(dof / 2, 0.5) - 0.5 * math.log(dof)
    for _ in range(60):
        density = math.exp(log_norm - (dof + 1) / 2 * math.log1p(t * t / dof))
        newton = (t_tail(t, dof) - (1 - p)) / density
        # Halley: f''/f' of the distribution function is −(ν + 1)·t/(ν + t²)
        step = newton / max(0.5, 1 - newton * (dof + 1) * t / (dof + t * t) / 2)
        t = t + step if t + step > 0 else t / 2
        if abs(step) <= 1e-15 * t or abs(newton) < 4e-6 * t:
            return t  # convergence is cubic: a step below 4e-6 leaves less than 1e-16
    high = 2.0
    while t_tail(high, dof) > 1 - p:
        high *= 2
    return _root(lambda x: (1 - p) - t_tail(x, dof), 0.0, high)


def _t_start(p: float, dof: float) -> float:
    """Return a t near the quantile, p > ½: closed forms for ν = 1 and 2, else the Cornish–Fisher expansion.

    Source:
        Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.5.
    """
    if dof < 1.5:
        return math.tan(math.pi * (p - 0.5))
    if dof < 3:
        return (2 * p - 1) * math.sqrt(2 / (4 * p * (1 - p)))
    z = _NORMAL.inv_cdf(p)
    z2 = z * z
    g1 = (z2 + 1) / 4
    g2 = ((5 * z2 + 16) * z2 + 3) / 96
    g3 = (((3 * z2 + 19) * z2 + 17) * z2 - 15) / 384
    g4 = ((((79 * z2 + 776) * z2 + 1482) * z2 - 1920) * z2 - 945) / 92160
    return z * (1 + (g1 + (g2 + (g3 + g4 / dof) / dof) / dof) / dof)


def chi2_cdf(x: float, dof: float) -> float:
    """Return P(χ² <= x)."""
    if x <= 0:
        return 0.0
    a, x = dof / 2, x / 2
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1:
        term = total = 1 / a
        n = a
        while abs(term) > abs(total) * _EPSILON:
            n += 1
            term *= x / n
            total += term
        return front * total
    b = x + 1 - a
    c, d = 1 / _TINY, 1 / _away(b)
    fraction = d
    for i in range(1, 10_000):
        numerator = -i * (i - a)
        b += 2
        d = 1 / _away(numerator * d + b)
        c = _away(b + numerator / c)
        fraction *= d * c
        if abs(d * c - 1) < _EPSILON * 4:
            break
    return 1 - front * fraction


def chi2_quantile(p: float, dof: float) -> float:
    """Return x with P(χ² <= x) = p.

    The last 1024 (p, dof) are kept: the intervals of one study ask for the same four or six 30 times.
    """
    return _chi2_quantile(p, dof)


@lru_cache(maxsize=1024)
def _chi2_quantile(p: float, dof: float) -> float:
    _probability(p)
    high = positive_dof(dof) + 10
    while chi2_cdf(high, dof) < p:
        high *= 2
    return _root(lambda x: chi2_cdf(x, dof) - p, 0.0, high)


def f_tail(f: float, dof1: float, dof2: float) -> float:
    """Return P(F > f)."""
    return beta_cdf(dof2 / (dof2 + dof1 * f), dof2 / 2, dof1 / 2)


_MOST_SUMMED: Final = 500


def binomial_cdf(successes: int, n: int, p: float) -> float:
    """Return P(X <= successes) of n trials with chance p each.

    Small n as the sum it is; else as I_(1−p)(n − k, k + 1), since the sum's terms leave the range of a float.

    Source:
        NIST Digital Library of Mathematical Functions 8.17.5 (from memory), with the symmetry of 8.17.4.
    """
    if successes >= n:
        return 1.0
    if n > _MOST_SUMMED:
        return beta_cdf(1 - p, n - successes, successes + 1) if successes >= 0 else 0.0
    return math.fsum(math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(successes + 1))


def positive_dof(dof: float) -> float:
    """Return degrees of freedom > 0 (infinity allowed) or refuse."""
    if not dof > 0:
        raise RefusedError("dof", dof, "> 0", "degrees of freedom above zero, or infinity")
    return dof


def _probability(p: float) -> float:
    if not 0 < p < 1:
        raise RefusedError("probability", p, "between 0 and 1, both excluded", "a probability such as 0.95")
    return p


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Return the root of a rising function between low and high, by bisection to the last digit."""
    positive("high", high)
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if function(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
