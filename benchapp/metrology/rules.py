"""Decision rules: what turns a deviation and its uncertainty into a statement. Fixed before the first pull."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from benchapp.metrology.distributions import normal_cdf
from benchapp.metrology.errors import not_negative, positive
from benchapp.metrology.rounding import for_decision


class RuleKind(StrEnum):
    """Which rule. Definitions: ILAC-G8:09/2019 (guard band and four-way statement seen)."""

    SIMPLE = "simple"
    GUARD_BAND = "guard-band"
    FOUR_WAY = "four-way"


class Outcome(StrEnum):
    """What a rule says about one checkpoint's mean."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional-pass"
    CONDITIONAL_FAIL = "conditional-fail"
    FAIL = "fail"


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule and its guard band w = r·U (r = 1: less than 2.5 % false accepts at worst; 0.83: less than 5 %)."""

    kind: RuleKind = RuleKind.SIMPLE
    r: float = 1.0


def within(deviation: float, limit: float) -> bool:
    """Return whether a deviation lies within ± limit, edges inclusive, both percent, decided on decimal text."""
    return abs(for_decision(deviation)) <= for_decision(limit)


def guard_band(rule: Rule, expanded: float) -> float:
    """Return w in percent; 0 under simple acceptance.

    Source:
        ILAC-G8:09/2019, w = TL − AL.
    """
    if rule.kind is RuleKind.SIMPLE:
        return 0.0
    return not_negative("rule.r", rule.r) * not_negative("expanded", expanded)


def decide(rule: Rule, deviation: float, limit: float, expanded: float = 0.0) -> Outcome:
    """Return what the rule says. All in percent; edges belong to the better side.

    Under a guard band that is not four-way, anything beyond the acceptance limit is a fail: not accepted.
    """
    positive("limit", limit)
    y, tolerance = abs(for_decision(deviation)), for_decision(limit)
    w = for_decision(guard_band(rule, expanded))
    if y <= tolerance - w:
        return Outcome.PASS
    if rule.kind is not RuleKind.FOUR_WAY:
        return Outcome.FAIL
    if y <= tolerance:
        return Outcome.CONDITIONAL_PASS
    return Outcome.CONDITIONAL_FAIL if y <= tolerance + w else Outcome.FAIL


def conformance_probability(y: float, u: float, low: float = -math.inf, high: float = math.inf) -> float:
    """Return p_c, the probability that the true value lies between the limits, for a normal distribution.

    u = 0 gives 1 or 0.

    Source:
        JCGM 106:2012, clause 7: Φ((T_U − y)/u) − Φ((T_L − y)/u).
    """
    if u == 0:
        return 1.0 if low <= y <= high else 0.0
    positive("u", u)
    upper, lower = (high - y) / u, (low - y) / u
    if lower > 0:  # subtract in the tail where digits are
        return normal_cdf(-lower) - normal_cdf(-upper)
    return normal_cdf(upper) - normal_cdf(lower)


def tur(limit: float, expanded: float) -> float:
    """Return the test uncertainty ratio: half-width of the tolerance over expanded uncertainty with k = 2.

    (Some tables call σ of the process over σ of the measurement by the same name: about a factor of two.)
    """
    return positive("limit", limit) / positive("expanded", expanded)
