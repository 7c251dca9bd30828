"""Uncertainty of a checkpoint's mean deviation after ISO 6789-2:2017, as a budget that can be read.

Every contribution is one named function that returns a relative standard uncertainty in percent; a custodian who owns
the standard corrects one line. `FORMULAS` says for each what it is, where it is from and how sure we are of it:
that there are seven components is seen second-hand, their formulas are from memory (mark M).

The geometric terms are rectangular distributions of full width b: (b/2)/√3 = b/√12 (recomputed).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from benchapp.metrology.distributions import t_quantile
from benchapp.metrology.errors import RefusedError, not_negative, positive

_STANDARD: Final = "ISO 6789-2:2017"


class GivenBy(StrEnum):
    """How a contribution became known."""

    CERTIFICATE = "certificate"
    READINGS = "readings"
    MEASURED = "measured"  # by a guided series on this tool
    MODEL = "model"  # value of the model, from ten tools or more
    TYPED = "typed"  # with a reason
    STREAM = "stream"  # from the samples or the profile
    NOT_APPLICABLE = "not-applicable"  # e.g. loading point of a screwdriver


@dataclass(frozen=True, slots=True)
class Formula:
    """What a symbol stands for, its formula in text, source, clause and mark of confidence."""

    symbol: str
    about: str
    text: str
    source: str
    clause: str
    mark: str


FORMULAS: Final = {
    f.symbol: f
    for f in (
        Formula("w_md", "reference device", "W_md / k", _STANDARD, "6.2", "M"),
        Formula("w_r", "resolution of the tool", "(r/2)/√3 · 100/X_a", _STANDARD, "6.2", "M"),
        Formula("w_rep", "reproducibility: taken off and put back", "(b_rep/2)/√3 · 100/X̄_r", _STANDARD, "6.2", "M"),
        Formula("w_od", "output drive turned", "(b_od/2)/√3 · 100/X̄_r", _STANDARD, "6.2", "M"),
        Formula("w_int", "drive adapter turned", "(b_int/2)/√3 · 100/X̄_r", _STANDARD, "6.2", "M"),
        Formula("w_l", "loading point ±10 mm", "(b_l/2)/√3 · 100/X̄_r", _STANDARD, "6.2", "M"),
        Formula("w_re", "repeatability of the mean", "b_re/√n, b_re = s of the deviations", _STANDARD, "6.2", "M"),
        Formula("w_drift", "reference between calibrations", "(|drift|/2)/√3", "common practice", "", "P"),
        Formula(
            "w_interp", "correction curve of the reference", "max|residual|/√6", "DKD guidance before 2017", "", "C2"
        ),
        Formula(
            "w_sampling", "sampling interval", "loading rate · Δt/√3", "derived: highest sample of a ramp", "", "D"
        ),
        Formula("w_filter", "filter of the reference", "loading rate/(2π·f_c)/√3", "derived: first-order lag", "", "D"),
        Formula("w_zero", "zero drift over the run", "|drift of zero|/√3 · 100/X̄_r", "common practice", "", "P"),
        Formula("w_temp", "temperature since calibration", "|coefficient · ΔT|/√3", "common practice", "", "P"),
        Formula("W", "expanded uncertainty", "k · w, k = 2 unless by degrees of freedom", _STANDARD, "6", "M"),
        Formula("W'", "interval", "|ā_s| + W + |b_ep|", _STANDARD, "6", "M"),
        Formula("ν_eff", "effective degrees of freedom", "w⁴ / Σ(w_i⁴/ν_i)", "JCGM 100:2008", "G.4.1", "M"),
    )
}
"""Symbol -> formula. The functions below bear the same names."""

EXPECTED: Final = ("w_md", "w_r", "w_rep", "w_od", "w_int", "w_l", "w_re")
"""The seven components; one that is not given is named as missing."""


def w_md(expanded_percent: float, coverage_factor: float) -> float:
    """Return W_md / k."""
    if not coverage_factor >= 1:
        raise RefusedError("coverage_factor", coverage_factor, ">= 1", "k as on the certificate, mostly 2")
    return positive("expanded_percent", expanded_percent) / coverage_factor


def _rectangular(full_width: float, of: float) -> float:
    return (not_negative("b", full_width) / 2) / math.sqrt(3) * 100 / positive("torque", of)


def w_r(resolution: float, indication: float) -> float:
    """Return the resolution's part; denominator X_a; counted once for both types (a doubt to settle in a real copy)."""
    return _rectangular(resolution, indication)


def w_rep(b_rep: float, mean_reading: float) -> float:
    """Return the part of remounting the tool: b_rep = max − min of four means at the lowest value."""
    return _rectangular(b_rep, mean_reading)


def w_od(b_od: float, mean_reading: float) -> float:
    """Return the part of the square turned by quarters: b_od = max − min of four means at the lowest value."""
    return _rectangular(b_od, mean_reading)


def w_int(b_int: float, mean_reading: float) -> float:
    """Return the part of the adapter turned by quarters: b_int = max − min of four means at the lowest value."""
    return _rectangular(b_int, mean_reading)


def w_l(b_l: float, mean_reading: float) -> float:
    """Return the part of the loading point: b_l = difference of two means, 10 mm either side of the mark."""
    return _rectangular(b_l, mean_reading)


def w_re(s_percent: float, n: int) -> float:
    """Return the part of repeatability for the mean of n deviations whose standard deviation is `s_percent`."""
    return not_negative("s_percent", s_percent) / math.sqrt(n)


def w_drift(drift_percent: float) -> float:
    """Return the part of the reference's change between its last two calibrations."""
    return abs(drift_percent) / 2 / math.sqrt(3)


def w_interp(worst_residual_percent: float) -> float:
    """Return the part of the correction curve between its points: triangular, half width = worst residual."""
    return not_negative("worst_residual_percent", worst_residual_percent) / math.sqrt(6)


def w_sampling(rate_percent_per_s: float, interval_s: float) -> float:
    """Return the part of the sampling interval: the highest sample lies up to rate · Δt below the peak."""
    return not_negative("rate_percent_per_s", rate_percent_per_s) * positive("interval_s", interval_s) / math.sqrt(3)


def filter_lag_percent(rate_percent_per_s: float, cutoff_hz: float) -> float:
    """Return how far a first-order low-pass lags behind a ramp, percent.

    >>> round(filter_lag_percent(40, 100), 4)
    0.0637
    """
    return not_negative("rate_percent_per_s", rate_percent_per_s) / (2 * math.pi * positive("cutoff_hz", cutoff_hz))


def w_filter(rate_percent_per_s: float, cutoff_hz: float) -> float:
    """Return the part of the filter's lag, which is not corrected."""
    return filter_lag_percent(rate_percent_per_s, cutoff_hz) / math.sqrt(3)


def w_zero(zero_drift: float, mean_reading: float) -> float:
    """Return the part of a zero that moved during the run."""
    return abs(zero_drift) / math.sqrt(3) * 100 / positive("torque", mean_reading)


def w_temp(percent_per_kelvin: float, difference_k: float) -> float:
    """Return the part of the temperature's distance from that of the calibration."""
    return abs(percent_per_kelvin * difference_k) / math.sqrt(3)


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget.

    Attributes:
        symbol: A key of `FORMULAS`.
        percent: Relative standard uncertainty, percent, >= 0.
        dof: Degrees of freedom, > 0; infinite where nothing says otherwise.
        given_by: How it became known.
        reason: For a typed or not applicable one: why.
    """

    symbol: str
    percent: float
    dof: float = math.inf
    given_by: GivenBy = GivenBy.CERTIFICATE
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Coverage:
    """How k is found.

    Attributes:
        factor: Fixed k; None: from t at `probability` and ν_eff.
        probability: Two-sided, for t.
        truncate: Cut ν_eff to a whole number first (JCGM 100 G.4.1: gives the larger k); False: as it is.
    """

    factor: float | None = 2.0
    probability: float = 0.9545
    truncate: bool = True


@dataclass(frozen=True, slots=True)
class Budget:
    """A combined budget. All in percent of the reading.

    Attributes:
        contributions: As given.
        missing: Symbols of what belongs here and nobody gave; they are not zero, they are unknown.
        standard: w.
        dof: ν_eff; infinite when every contribution's is, or when w = 0.
        factor: k.
        expanded: W.
        coverage: How k was found.
    """

    contributions: tuple[Contribution, ...]
    missing: tuple[str, ...]
    standard: float
    dof: float
    factor: float
    expanded: float
    coverage: Coverage

    @property
    def shares(self) -> tuple[tuple[str, float], ...]:
        """(symbol, share of w² from 0 to 1), largest first; empty when w = 0."""
        total = self.standard**2
        if total == 0:
            return ()
        return tuple(sorted(((c.symbol, c.percent**2 / total) for c in self.contributions), key=lambda s: -s[1]))

    @property
    def largest(self) -> tuple[str, float] | None:
        """The contribution that matters and its share; the sentence is written where it is shown."""
        return self.shares[0] if self.shares else None


def combine(
    contributions: Iterable[Contribution], coverage: Coverage = Coverage(), expected: Sequence[str] = EXPECTED
) -> Budget:
    """Combine independent contributions.

    Args:
        contributions: What is known.
        coverage: How k is found.
        expected: What belongs into the budget; what nobody gave of it is named as missing.

    Raises:
        RefusedError: k < 1, a probability outside 0 to 1, a contribution that is negative or not finite.

    Source:
        Root sum of squares and Welch–Satterthwaite: JCGM 100:2008, 5.1.2 and G.4.1.
    """
    lines = tuple(contributions)
    for line in lines:
        not_negative(line.symbol, line.percent)
    standard = math.sqrt(math.fsum(c.percent**2 for c in lines))
    dof = effective_dof(lines, standard)
    factor = coverage_factor(coverage, dof)
    given = {c.symbol for c in lines}
    missing = tuple(symbol for symbol in expected if symbol not in given)
    return Budget(lines, missing, standard, dof, factor, factor * standard, coverage)


def effective_dof(lines: Iterable[Contribution], standard: float) -> float:
    """Return ν_eff by Welch–Satterthwaite (JCGM 100:2008, G.4.1); infinite when no contribution has a finite ν."""
    below = math.fsum((c.percent / standard) ** 4 / c.dof for c in lines) if standard > 0 else 0.0
    return 1 / below if below > 0 else math.inf


def coverage_factor(coverage: Coverage, dof: float) -> float:
    """Return k: fixed, or t with ν_eff, cut to a whole number (not below 1) where the option says so."""
    if coverage.factor is not None:
        if not (math.isfinite(coverage.factor) and coverage.factor >= 1):
            raise RefusedError("coverage.factor", coverage.factor, ">= 1", "k, mostly 2, or none for t")
        return coverage.factor
    used = max(1.0, float(math.floor(dof))) if coverage.truncate and math.isfinite(dof) else dof
    return t_quantile((1 + coverage.probability) / 2, used)


def interval_percent(mean_deviation: float, expanded: float, error_percent: float = 0.0) -> float:
    """Return W' = |ā_s| + W + |b_ep|; b_ep is the reference's known error, 0 when it is corrected."""
    return abs(mean_deviation) + expanded + abs(error_percent)
