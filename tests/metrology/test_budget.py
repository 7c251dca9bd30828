"""Budgets: constructed rows T1–T3, published GUM examples, and live against GTC."""

import math

import GTC
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.metrology import budget as b
from benchapp.metrology.budget import Contribution, Coverage, combine
from benchapp.metrology.distributions import t_quantile
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import CheckpointInput, Geometric, JudgeInput, ReadingInput, judge
from benchapp.metrology.suitability import ReferenceUse

T_ROWS = {
    "T1": (
        (100, (99.0, 99.4, 98.8, 99.2, 99.1), 1.0, (0.30, 0.40, 0.20, 0.50), 0.5, 0),
        (0.90858, 0.22769, 0.25, 0.288675, 0.087389, 0.116519, 0.058259, 0.145648, 0.101826),
        (0.449470, 0.898939, 1.807524),
    ),
    "T2": (
        (20, (20.10, 20.05, 20.20, 20.15, 20.00), 0.5, (0.10, 0.08, 0.06, 0.12), 1.0, 0.1),
        (-0.49628, 0.39137, 0.5, 0.721688, 0.143619, 0.114896, 0.086172, 0.172343, 0.175027),
        (0.934036, 1.868072, 2.464353),
    ),
    "T3": (
        (2.0, (2.05, 2.02, 2.06, 2.03, 2.04), 0.01, (0.02, 0.015, 0.01, 0.0), 1.0, 0),
        (-1.95607, 0.75995, 0.5, 0.144338, 0.283015, 0.212261, 0.141507, 0, 0.339858),
        (0.729050, 1.458099, 3.414171),
    ),
}


@pytest.mark.parametrize("row", T_ROWS)
def test_constructed_rows_t1_to_t3(row):
    """Constructed with the formulas of ISO 6789-2 as remembered; they test arithmetic, not conformity."""
    (target, readings, r, geometric, w_md, error), (centre, s, *parts), (w, expanded, interval) = T_ROWS[row]
    names = ("w_rep", "w_od", "w_int", "w_l")
    run = JudgeInput(
        (
            CheckpointInput(
                target, 6.0, tuple(map(ReadingInput, readings)), reference=ReferenceUse(w_md, error_percent=error)
            ),
        ),
        resolution_nm=r,
        geometric={n: Geometric(v) for n, v in zip(names, geometric, strict=True)},
    )
    found = judge(run).checkpoints[0]
    percent = {c.symbol: c.percent for c in found.budget.contributions}
    assert found.mean_deviation_percent == pytest.approx(centre, abs=6e-6)
    assert found.s_percent == pytest.approx(s, abs=6e-6)
    assert [percent[n] for n in ("w_md", "w_r", *names, "w_re")] == pytest.approx(parts, abs=6e-7)
    assert found.budget.standard == pytest.approx(w, abs=6e-7)
    assert found.budget.expanded == pytest.approx(expanded, abs=6e-7)
    assert found.interval_percent == pytest.approx(interval, abs=6e-7)
    assert found.budget.missing == ()


def test_gum_g_4_1():
    """G1: JCGM 100:2008, example in G.4.1 (inputs from memory): u_c 1.03 %, ν_eff 19.0, t95 2.09, U95 2.2 %."""
    lines = [Contribution("w_md", u, nu) for u, nu in ((0.25, 9), (0.57, 4), (0.82, 14))]
    found = combine(lines, Coverage(None, 0.95))
    assert found.standard == pytest.approx(1.029466, abs=1e-6)
    assert found.dof == pytest.approx(18.9987, abs=1e-4)
    assert t_quantile(0.975, 19) == pytest.approx(2.09, abs=0.005)
    assert found.standard * t_quantile(0.975, 19) == pytest.approx(2.1547, abs=1e-4)
    assert found.factor == pytest.approx(t_quantile(0.975, 18))  # 18.9987 is cut to 18: the rule has no mercy


GUM_H1 = [(25, 18), (16.59902706, 2), (6.7, 8), (5.8, 24), (3.9, 5), (2.88678731, 50)]


@pytest.mark.parametrize(
    ("probability", "truncate", "k", "expanded"),
    [
        (0.99, False, 2.903547630, 91.93758116),
        (0.99, True, 2.920781622, 92.48327620),
        (0.95, False, 2.112198794, 66.88040728),
        (0.95, True, 2.119905299, 67.12442512),
        (0.9545, False, 2.160785686, 68.41885674),
        (0.9545, True, 2.168942996, 68.67714881),
    ],
)
def test_gum_h_1(probability, truncate, k, expanded):
    """JCGM 100:2008 H.1, end gauge in nm; digits agreed by GTC and two other libraries (the guide prints 93 nm)."""
    found = combine([Contribution("w_md", u, nu) for u, nu in GUM_H1], Coverage(None, probability, truncate))
    assert found.standard == pytest.approx(31.6638791110086, rel=1e-9)
    assert found.dof == pytest.approx(16.751855737627, rel=1e-8)
    assert found.factor == pytest.approx(k, rel=2e-9)
    assert found.expanded == pytest.approx(expanded, rel=2e-9)


lines = st.lists(
    st.tuples(st.floats(1e-3, 10), st.one_of(st.just(math.inf), st.floats(1, 200))), min_size=1, max_size=9
)


@given(lines, st.sampled_from([0.9, 0.95, 0.9545, 0.99]))
@settings(max_examples=80, deadline=None)
def test_random_budgets_agree_with_gtc(given_lines, probability):
    """GTC 1.5.1, live: same u, ν_eff and U to 1e-12 relative."""
    total = sum(GTC.ureal(0, u, nu) for u, nu in given_lines)
    found = combine([Contribution("w_md", u, nu) for u, nu in given_lines], Coverage(None, probability, False))
    assert found.standard == pytest.approx(total.u, rel=1e-12)
    theirs = total.df
    if found.dof > GTC.inf_dof * 0.999:
        assert theirs > GTC.inf_dof * 0.99  # GTC calls degrees of freedom above 1e5 infinite; we do not
        return
    assert found.dof == pytest.approx(theirs, rel=1e-12)
    k = GTC.reporting.k_factor(theirs, p=100 * probability)
    # above ν = 5000 the last digits of a t quantile are SciPy's and ours alike to lose
    assert found.expanded == pytest.approx(k * total.u, rel=1e-12 if theirs < 5000 else 1e-10)


def test_missing_contributions_are_named():
    found = combine([Contribution("w_md", 0.25)])
    assert found.missing == ("w_r", "w_rep", "w_od", "w_int", "w_l", "w_re")


def test_shares_add_up_and_the_largest_is_first():
    found = combine([Contribution("w_md", 3.0), Contribution("w_r", 4.0)])
    assert found.shares == (("w_r", 0.64), ("w_md", 0.36))
    assert found.largest == ("w_r", 0.64)


def test_every_function_has_its_formula_with_source_and_mark():
    for symbol, formula in b.FORMULAS.items():
        assert formula.source
        assert formula.mark in ("C", "C2", "R", "M", "P", "D")
        if symbol.startswith("w_"):
            assert callable(getattr(b, symbol))
    assert set(b.EXPECTED) <= set(b.FORMULAS)


def test_filter_and_sampling_rows_f1_f2():
    """F1, F2 (derived): 40 %/s at 1 kHz lies within 0.040 % of the peak; 100 Hz low-pass lags 0.0637 %."""
    assert b.filter_lag_percent(40, 100) == pytest.approx(0.0637, abs=5e-5)
    assert b.w_sampling(40, 0.001) * math.sqrt(3) == pytest.approx(0.040)


@pytest.mark.parametrize(
    "call",
    [
        lambda: b.w_md(0.5, 0.9),
        lambda: b.w_md(0.0, 2),
        lambda: b.w_r(-1, 10),
        lambda: b.w_r(1, 0),
        lambda: combine([Contribution("w_r", math.nan)]),
        lambda: combine([], Coverage(0.5)),
        lambda: combine([Contribution("w_r", 1, 4)], Coverage(None, 1.0)),
    ],
)
def test_bad_values_are_refused(call):
    with pytest.raises(RefusedError):
        call()
