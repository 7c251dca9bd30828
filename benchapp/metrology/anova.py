"""Person or tool: repeatability and reproducibility by analysis of variance, two factors crossed, with interaction.

Random-effects model of AIAG, Measurement Systems Analysis, 4th edition (from memory; the published example is a test).
Intervals: modified large-sample method (F. A. Graybill, C.-M. Wang, JASA 75 (1980) 869; for such studies R. K. Burdick,
C. M. Borror, D. C. Montgomery, J. Qual. Technol. 35 (2003) 342; from memory; cross terms left out). For a single mean
square it is the exact χ² interval.

Shares of variance: generalized intervals (S. Weerahandi, JASA 88 (1993) 899; for such studies M. Hamada, S. Weerahandi,
J. Qual. Technol. 32 (2000) 241; from memory): each mean square is divided by draws of χ²/ν, the components are solved
for in each draw, and the quantiles of their shares are the ends. The draws have a fixed seed, so the same study gives
the same interval. Coverage of both is checked by simulation in the tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from benchapp.metrology import figures
from benchapp.metrology.distributions import chi2_quantile, f_tail
from benchapp.metrology.errors import RefusedError
from drivers.samples import FloatArray

Values = TypeVar("Values", float, FloatArray)

POOL_ABOVE = figures.number("study.pool_above")
"""An interaction whose p-value is above this is pooled into repeatability."""
N_DRAWS = 20_000
"""Draws for an interval of a share: its ends then repeat to a few tenths of a percent."""
_SEED = 20260304


@dataclass(frozen=True, slots=True)
class Source:
    """One line of the table; F and p are NaN where there is nothing to compare with."""

    squares: float
    dof: float
    f: float = math.nan
    p: float = math.nan

    @property
    def mean_square(self) -> float:
        """Mean square; NaN without degrees of freedom."""
        return self.squares / self.dof if self.dof > 0 else math.nan


@dataclass(frozen=True, slots=True)
class Component:
    """A standard deviation with its interval (NaN ends where the variance estimate is zero)."""

    sd: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Share:
    """Part of the total variance that a source has.

    Attributes:
        percent: Of the total variance; 0 where the component came out below zero; NaN without any variance.
        low, high: Ends of its interval, percent.
    """

    percent: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Shares:
    """Shares of the total variance; `person`, `interaction`, `tool` and `within` add up to 100 %.

    Attributes:
        person: Who pulls, over all tools alike.
        interaction: Who pulls with which tool; 0 with no interval when it was pooled.
        tool: Which tool.
        within: Pull to pull of one person with one tool.
        reproducibility: `person` and `interaction` together.
    """

    person: Share
    interaction: Share
    tool: Share
    within: Share
    reproducibility: Share


@dataclass(frozen=True, slots=True)
class Study:
    """Result of a crossed study.

    Attributes:
        person, tool, interaction, within, total: Lines of the table.
        pooled: The interaction was pooled into repeatability.
        repeatability: EV.
        reproducibility: AV (interaction included when it was not pooled).
        both: R&R.
        tools: Variation between tools.
        all: Total variation.
        share_percent: R&R of total variation, percent.
        categories: Distinct categories, 1.41·PV/R&R, not cut.
        persons: Who pulls, without the interaction.
        together: Interaction alone; 0 when it was pooled.
        shares: Of the total variance.
        negative: (name, variance as estimated) of each component that came out below zero and was set to zero:
            "person", "interaction", "tool".
        probability: Of the intervals.
    """

    person: Source
    tool: Source
    interaction: Source
    within: Source
    total: Source
    pooled: bool
    repeatability: Component
    reproducibility: Component
    both: Component
    tools: Component
    all: Component
    share_percent: float
    categories: float
    persons: Component
    together: Component
    shares: Shares
    negative: tuple[tuple[str, float], ...]
    probability: float


def study(values: FloatArray, probability: float = 0.95) -> Study:
    """Analyse a crossed study.

    Args:
        values: Shape (persons >= 2, tools >= 2, trials >= 2), finite.
        probability: Of the intervals.

    Raises:
        RefusedError: Another shape, or values that are not finite.
    """
    if values.ndim != 3 or min(values.shape) < 2:
        raise RefusedError("values", values.shape, "persons, tools, trials >= 2 each", "every person, tool and trial")
    if not np.all(np.isfinite(values)):
        raise RefusedError("values", "NaN or infinity", "finite", "a reading in every cell")
    p, t, r = values.shape
    centred = values - values.mean()
    persons, tools, cells = centred.mean(axis=(1, 2)), centred.mean(axis=(0, 2)), centred.mean(axis=2)
    ss_person = t * r * float(np.sum(persons**2))
    ss_tool = p * r * float(np.sum(tools**2))
    ss_both = r * float(np.sum((cells - persons[:, None] - tools[None, :]) ** 2))
    ss_within = float(np.sum((centred - cells[:, :, None]) ** 2))
    within = Source(ss_within, p * t * (r - 1))
    interaction = _line(ss_both, (p - 1) * (t - 1), within)
    pooled = bool(interaction.p > POOL_ABOVE)
    error = Source(within.squares + ss_both, within.dof + interaction.dof) if pooled else within
    below = error if pooled else interaction
    person, tool = _line(ss_person, p - 1, below), _line(ss_tool, t - 1, below)
    v_error = error.mean_square
    found = _solve(person.mean_square, tool.mean_square, below.mean_square, v_error, (p, t, r), pooled=pooled)
    alone = (interaction.mean_square - within.mean_square) / r  # told also when it is pooled afterwards
    raw = (found[0], alone, found[2])
    negative = tuple((name, float(v)) for name, v in zip(_NAMES, raw, strict=True) if v < 0)
    v_person, v_inter, v_tool = (max(float(v), 0.0) for v in found)

    ms_p, ms_t, ms_b = (person.mean_square, person.dof), (tool.mean_square, tool.dof), (below.mean_square, below.dof)
    ms_e = (error.mean_square, error.dof)
    if pooled:
        av = [(1 / (t * r), ms_p), (-1 / (t * r), ms_b)]
        ev = [(1.0, ms_e)]
    else:
        av = [(1 / (t * r), ms_p), (1 / r - 1 / (t * r), ms_b), (-1 / r, ms_e)]
        ev = [(1.0, ms_e)]
    pv = [(1 / (p * r), ms_t), (-1 / (p * r), ms_b)]
    v_av, v_grr = v_person + v_inter, v_person + v_inter + v_error
    v_all = v_grr + v_tool
    return Study(
        person=person,
        tool=tool,
        interaction=interaction,
        within=within,
        total=Source(float(np.sum(centred**2)), p * t * r - 1),
        pooled=pooled,
        repeatability=_component(v_error, ev, probability),
        reproducibility=_component(v_av, av, probability),
        both=_component(v_grr, av + ev, probability),
        tools=_component(v_tool, pv, probability),
        all=_component(v_all, av + ev + pv, probability),
        share_percent=100 * math.sqrt(v_grr / v_all) if v_all > 0 else math.nan,
        categories=1.41 * math.sqrt(v_tool / v_grr) if v_grr > 0 else math.inf,
        persons=_component(v_person, [(1 / (t * r), ms_p), (-1 / (t * r), ms_b)], probability),
        together=_component(v_inter, [] if pooled else [(1 / r, ms_b), (-1 / r, ms_e)], probability),
        shares=_shares((person, tool, below, error), (p, t, r), pooled=pooled, probability=probability),
        negative=negative,
        probability=probability,
    )


_NAMES = ("person", "interaction", "tool")


def _solve(
    ms_person: Values, ms_tool: Values, ms_below: Values, ms_error: Values, shape: tuple[int, int, int], *, pooled: bool
) -> tuple[Values, Values, Values]:
    """Return the variances (person, interaction, tool) that expected mean squares give; they may be below zero."""
    p, t, r = shape
    inter = ms_below * 0.0 if pooled else (ms_below - ms_error) / r
    return (ms_person - ms_below) / (t * r), inter, (ms_tool - ms_below) / (p * r)


def _shares(
    lines: tuple[Source, Source, Source, Source], shape: tuple[int, int, int], *, pooled: bool, probability: float
) -> Shares:
    """Shares with generalized intervals; `lines` are person, tool, what they are tested against, and error."""
    random = np.random.default_rng(_SEED)
    draws = [line.mean_square * line.dof / random.chisquare(line.dof, N_DRAWS) for line in lines]
    if pooled:
        draws[2] = draws[3]  # one and the same mean square
    estimates = [np.array([line.mean_square]) for line in lines]
    ends = []
    for ms_person, ms_tool, ms_below, ms_error in (estimates, draws):
        parts = [np.maximum(v, 0.0) for v in _solve(ms_person, ms_tool, ms_below, ms_error, shape, pooled=pooled)]
        person, inter, tool = parts
        total = person + inter + tool + ms_error
        with np.errstate(invalid="ignore", divide="ignore"):
            ends.append([100 * part / total for part in (person, inter, tool, ms_error, person + inter)])
    tail = (1 - probability) / 2
    found = []
    for estimate, drawn in zip(ends[0], ends[1], strict=True):
        low, high = (float(q) for q in np.quantile(drawn, (tail, 1 - tail)))
        found.append(Share(*(min(v, 100.0) for v in (float(estimate[0]), low, high))))  # 100 + rounding
    return Shares(*found)


def _line(squares: float, dof: float, against: Source) -> Source:
    if not against.mean_square > 0:
        return Source(squares, dof)
    f = squares / dof / against.mean_square
    return Source(squares, dof, f, f_tail(f, dof, against.dof))


def _component(variance: float, terms: list[tuple[float, tuple[float, float]]], probability: float) -> Component:
    if variance <= 0:
        return Component(0.0, math.nan, math.nan)
    weights: dict[tuple[float, float], float] = {}
    for weight, square in terms:  # the same mean square may stand in several parts
        weights[square] = weights.get(square, 0.0) + weight
    tail = (1 - probability) / 2
    down = up = 0.0
    for (mean_square, dof), weight in weights.items():
        if not dof > 0:
            continue
        shrink = (1 - dof / chi2_quantile(1 - tail, dof)) * weight * mean_square
        grow = (dof / chi2_quantile(tail, dof) - 1) * weight * mean_square
        down += (shrink if weight > 0 else grow) ** 2
        up += (grow if weight > 0 else shrink) ** 2
    low = max(variance - math.sqrt(down), 0.0)
    return Component(math.sqrt(variance), math.sqrt(low), math.sqrt(variance + math.sqrt(up)))
