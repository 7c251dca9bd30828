"""Person or tool: repeatability and reproducibility by analysis of variance, two factors crossed, with interaction.

Random-effects model of AIAG, Measurement Systems Analysis, 4th edition (from memory; the published example is a test).
Intervals: modified large-sample method (F. A. Graybill, C.-M. Wang, JASA 75 (1980) 869; for such studies R. K. Burdick,
C. M. Borror, D. C. Montgomery, J. Qual. Technol. 35 (2003) 342; from memory; cross terms left out). For a single mean
square it is the exact χ² interval. Coverage is checked by simulation in the tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchapp.metrology.distributions import chi2_quantile, f_tail
from benchapp.metrology.errors import RefusedError
from drivers.samples import FloatArray

POOL_ABOVE = 0.25
"""An interaction whose p-value is above this is pooled into repeatability (MSA habit, from memory)."""


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
    v_inter = 0.0 if pooled else max((interaction.mean_square - v_error) / r, 0.0)
    v_person = max((person.mean_square - below.mean_square) / (t * r), 0.0)
    v_tool = max((tool.mean_square - below.mean_square) / (p * r), 0.0)

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
    )


def one_way(groups: list[FloatArray]) -> tuple[Source, Source]:
    """Return (between, within) of a one-way analysis; each group shape (n,), two groups or more."""
    if len(groups) < 2 or sum(len(g) for g in groups) <= len(groups):
        raise RefusedError("groups", len(groups), ">= 2 and more values than groups", "two groups or more")
    shift = float(groups[0][0])
    shifted = [g - shift for g in groups]  # takes the common leading digits away before squaring
    n = sum(len(g) for g in groups)
    grand = math.fsum(float(v) for g in shifted for v in g) / n
    means = [math.fsum(g.tolist()) / len(g) for g in shifted]
    between = math.fsum(len(g) * (m - grand) ** 2 for g, m in zip(shifted, means, strict=True))
    inside = math.fsum((v - m) ** 2 for g, m in zip(shifted, means, strict=True) for v in g.tolist())
    within = Source(inside, n - len(groups))
    return _line(between, len(groups) - 1, within), within


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
