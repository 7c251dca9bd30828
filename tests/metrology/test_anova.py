"""Analysis of variance: NIST sets through the function that studies use; shares and their intervals; below zero."""

from __future__ import annotations

import math
from importlib import resources

import numpy as np
import pytest
import scipy.stats

from benchapp.metrology.anova import POOL_ABOVE, Study, study


def _nist(name: str) -> tuple[list[np.ndarray], list[float]]:
    """Groups and certified values (SS between, SS within, F, residual sd) of a NIST StRD set."""
    path = resources.files("scipy.stats.tests") / "data" / "nist_anova" / f"{name}.dat"
    lines = path.read_text(encoding="ascii").splitlines()
    between = next(line for line in lines if line.startswith("Between ")).split()
    within = next(line for line in lines if line.startswith("Within ")).split()
    sd = next(line for line in lines if line.strip().startswith("Standard Deviation") and line[-1].isdigit())
    rows = [line.split() for line in lines[60:] if len(line.split()) == 2]
    groups = [np.array([float(v) for g, v in rows if g == key]) for key in sorted({g for g, _ in rows}, key=int)]
    return groups, [float(between[-3]), float(within[-2]), float(between[-1]), float(sd.split()[-1])]


def _one_way(found: Study) -> tuple[float, float, float, float]:
    """What a one-way analysis over the first factor says, from the lines of a crossed one: all else is within."""
    rest = [found.tool, found.interaction, found.within]
    squares, dof = math.fsum(line.squares for line in rest), sum(line.dof for line in rest)
    return found.person.squares, squares, found.person.mean_square / (squares / dof), math.sqrt(squares / dof)


@pytest.mark.parametrize(
    ("name", "n_tools", "digits"),
    [
        ("AtmWtAg", 4, 9),
        ("SmLs01", 3, 12),
        ("SmLs02", 3, 12),
        ("SmLs03", 3, 12),
        ("SmLs04", 3, 9),
        ("SmLs05", 3, 9),
        ("SmLs06", 3, 9),
        ("SmLs07", 3, 3),
        ("SmLs08", 3, 3),
        ("SmLs09", 3, 3),
    ],
)
def test_nist_strd_sets_through_the_analysis_that_studies_use(name, n_tools, digits):
    """NIST StRD, analysis of variance, certified values as SciPy ships them; digits a double input can carry.

    A set's groups stand for people, its values in each group are dealt out to tools and trials: what people differ by
    is the certified sum between, and all the rest together the certified sum within, however they are dealt out. The
    sets 04 to 09 have 7 and 13 leading digits in common: what the decimal text loses as a double limits them.
    """
    groups, certified = _nist(name)
    found = study(np.array(groups).reshape(len(groups), n_tools, -1))
    assert _one_way(found) == pytest.approx(tuple(certified), rel=10.0**-digits)
    assert found.total.squares == pytest.approx(certified[0] + certified[1], rel=10.0**-digits)


def test_nist_strd_sirstv_through_the_analysis_that_studies_use():
    """Five groups of five, each value taken twice: sums of squares double, and the certified F stays.

    The certified values stand here too, as NIST prints them.
    """
    groups, certified = _nist("SiRstv")
    assert certified == [5.11462616e-2, 2.1663656e-1, 1.18046237440255, 1.04076068334656e-1]
    found = study(np.repeat(np.array(groups)[:, :, None], 2, axis=2))
    assert found.within.squares == pytest.approx(0.0, abs=1e-25)
    between, within = found.person.squares / 2, (found.tool.squares + found.interaction.squares) / 2
    dof = found.tool.dof + found.interaction.dof
    assert (found.person.dof, dof) == (4, 20)
    f = between / found.person.dof / (within / dof)
    assert [between, within, f, math.sqrt(within / dof)] == pytest.approx(certified, rel=1e-11)


def _crossed(random, sds, shape):
    p, t, r = shape
    person, tool, both, within = sds
    return (
        random.normal(0, person, (p, 1, 1))
        + random.normal(0, tool, (1, t, 1))
        + random.normal(0, both, (p, t, 1))
        + random.normal(0, within, (p, t, r))
    )


def test_shares_add_up_and_lie_in_their_intervals():
    found = study(_crossed(np.random.default_rng(3), (1, 2, 1, 0.5), (4, 6, 3)))
    s = found.shares
    assert not found.pooled
    assert s.person.percent + s.interaction.percent + s.tool.percent + s.within.percent == pytest.approx(100)
    assert s.reproducibility.percent == pytest.approx(s.person.percent + s.interaction.percent)
    for share in (s.person, s.interaction, s.tool, s.within, s.reproducibility):
        assert 0 <= share.low <= share.percent <= share.high <= 100
    total = found.all.sd**2
    parts = ((found.persons, s.person), (found.together, s.interaction), (found.tools, s.tool))
    for component, share in parts:
        assert 100 * component.sd**2 / total == pytest.approx(share.percent)


def test_lines_agree_with_a_general_library_where_it_has_them():
    """SciPy's one-way analysis over people and over tools has the same sums of squares between."""
    values = _crossed(np.random.default_rng(4), (1, 2, 1, 0.5), (3, 5, 4))
    found = study(values)
    f, p = scipy.stats.f_oneway(*(values[i].ravel() for i in range(3)))
    ours = _one_way(found)
    assert ours[2] == pytest.approx(f, rel=1e-9)
    assert scipy.stats.f.sf(ours[2], 2, 57) == pytest.approx(p, rel=1e-9)
    f, _ = scipy.stats.f_oneway(*(values[:, j].ravel() for j in range(5)))
    rest = found.total.squares - found.tool.squares
    assert found.tool.mean_square / (rest / (59 - 4)) == pytest.approx(f, rel=1e-9)
    for line, against in ((found.person, found.interaction), (found.interaction, found.within)):
        assert line.p == pytest.approx(scipy.stats.f.sf(line.mean_square / against.mean_square, line.dof, against.dof))
    squares = [line.squares for line in (found.person, found.tool, found.interaction, found.within)]
    assert math.fsum(squares) == pytest.approx(found.total.squares)


def test_share_of_people_against_pull_to_pull_has_the_exact_f_ends():
    """Where only two mean squares are in play the generalized interval is the exact one from the F distribution.

    With tools alike and the interaction pooled: person/(person + within) is a monotone function of MSp/MSe.
    """
    random = np.random.default_rng(11)
    while True:
        values = random.normal(0, 2.0, (6, 1, 1)) + random.normal(0, 1.0, (6, 5, 3))
        found = study(values)
        if found.pooled and any(name == "tool" for name, _ in found.negative):
            break
    p, t, r = values.shape
    error = found.within.squares + found.interaction.squares
    dof = found.within.dof + found.interaction.dof
    ratio = found.person.mean_square / (error / dof)
    exact = []
    for q in (0.975, 0.025):
        theta = max((ratio / scipy.stats.f.ppf(q, p - 1, dof) - 1) / (t * r), 0.0)
        exact.append(100 * theta / (1 + theta))
    shares = found.shares
    # tools take a little of it in those draws in which their component is above zero: to within three points
    assert (shares.person.low, shares.person.high) == pytest.approx(exact, abs=3.0)


@pytest.mark.parametrize("sds", [(1.0, 1.0, 0.5, 1.0), (0.5, 2.0, 0.0, 1.0), (2.0, 1.0, 1.0, 0.5)])
def test_intervals_of_shares_cover_as_often_as_they_say(sds):
    """Known spreads, fixed seed: the 95 % interval holds the true share in at least 90 % of 150 studies."""
    random = np.random.default_rng(20260305)
    variances = np.square(sds)
    true = 100 * (variances[0] + variances[2]) / variances.sum()
    true_tool = 100 * variances[1] / variances.sum()
    n, person, tool = 150, 0, 0
    for _ in range(n):
        s = study(_crossed(random, sds, (4, 6, 3))).shares
        person += s.reproducibility.low <= true <= s.reproducibility.high
        tool += s.tool.low <= true_tool <= s.tool.high
    assert person >= 0.90 * n
    assert tool >= 0.90 * n


def test_a_component_below_zero_is_set_to_zero_and_said():
    """People who differ less than chance: their means are brought nearly together by construction."""
    values = np.random.default_rng(5).normal(0, 1, (3, 4, 3))
    values -= 0.7 * values.mean(axis=(1, 2), keepdims=True)
    found = study(values)
    names = dict(found.negative)
    assert names["person"] < 0
    assert found.persons.sd == 0
    assert math.isnan(found.persons.low)
    assert found.shares.person.percent == 0
    assert found.shares.person.high > 0


def test_interaction_is_pooled_above_the_stated_p_only():
    random = np.random.default_rng(6)
    seen = set()
    for both in (0.0, 1.0):
        for _ in range(10):
            found = study(_crossed(random, (1, 1, both, 1), (3, 4, 3)))
            assert found.pooled is (found.interaction.p > POOL_ABOVE)
            assert found.pooled is (found.shares.interaction.percent == 0 and found.shares.interaction.high == 0)
            seen.add(found.pooled)
    assert seen == {True, False}


def test_the_same_study_gives_the_same_interval():
    values = np.random.default_rng(7).normal(0, 1, (3, 4, 3))
    assert study(values).shares == study(values).shares
