"""Own distributions against SciPy and printed tables."""

import math

import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.metrology import distributions as d

probabilities = st.floats(1e-6, 1 - 1e-6)


@pytest.mark.parametrize(("p", "z"), [(0.8, 0.84), (0.9, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_normal_quantiles_row_j1(p, z):
    """JCGM 106 table 1 (from memory)."""
    assert d.normal_quantile(p) == pytest.approx(z, abs=0.0051)


@pytest.mark.parametrize(
    ("p", "dof", "t"),
    [
        *[(0.975, n, t) for n, t in ((1, 12.7062), (2, 4.3027), (4, 2.7764), (10, 2.2281), (16, 2.1199), (50, 2.0086))],
        *[(0.97725, n, t) for n, t in ((1, 13.968), (4, 2.869), (16, 2.169), (50, 2.051))],
        *[(0.995, n, t) for n, t in ((5, 4.032), (10, 3.169), (16, 2.921), (50, 2.678))],
    ],
)
def test_t_quantiles_of_gum_table_g2(p, dof, t):
    """JCGM 100 table G.2 and t tables."""
    p = (1 + 0.9545) / 2 if p == 0.97725 else p
    assert d.t_quantile(p, dof) == pytest.approx(t, abs=0.0011)


@given(probabilities, st.floats(1, 5000))
@settings(max_examples=60, deadline=None)
def test_t_agrees_with_scipy(p, dof):
    assert d.t_quantile(p, dof) == pytest.approx(scipy.stats.t.ppf(p, dof), rel=1e-9, abs=1e-9)


@given(st.floats(1e-3, 40), st.floats(1, 5000))  # below, SciPy 1.17 returns 0.5
@settings(max_examples=60, deadline=None)
def test_the_tail_of_t_agrees_with_scipy(t, dof):
    assert d.t_tail(t, dof) == pytest.approx(scipy.stats.t.sf(t, dof), rel=1e-9, abs=1e-300)


@given(st.floats(-8, 8))
def test_normal_agrees_with_scipy(z):
    assert d.normal_cdf(z) == pytest.approx(scipy.stats.norm.cdf(z), rel=1e-13)


@given(probabilities, st.floats(0.5, 300), st.floats(0.5, 300))
@settings(max_examples=40, deadline=None)
def test_beta_f_and_chi2_agree_with_scipy(p, a, b):
    assert d.beta_quantile(p, a, b) == pytest.approx(scipy.stats.beta.ppf(p, a, b), rel=1e-9)
    assert d.f_tail(1.7, a, b) == pytest.approx(scipy.stats.f.sf(1.7, a, b), rel=1e-9, abs=1e-14)
    assert d.chi2_quantile(p, a) == pytest.approx(scipy.stats.chi2.ppf(p, a), rel=1e-9)


@given(st.integers(0, 30), st.floats(0.01, 0.99))
@settings(deadline=None)
def test_binomial_agrees_with_scipy(k, p):
    assert d.binomial_cdf(k, 30, p) == pytest.approx(scipy.stats.binom.cdf(k, 30, p), rel=1e-11)


@given(st.integers(501, 100_000), st.floats(0.0, 1.0), st.floats(0.5, 0.99))
@settings(max_examples=60, deadline=None)
def test_binomial_of_many_trials_agrees_with_scipy(n, share, p):
    k = int(share * n)
    assert d.binomial_cdf(k, n, p) == pytest.approx(scipy.stats.binom.cdf(k, n, p), rel=1e-8, abs=1e-12)
    assert d.binomial_cdf(n, n, p) == 1.0


def test_infinite_degrees_of_freedom_are_normal():
    assert d.t_quantile(0.975, math.inf) == pytest.approx(1.959963985, abs=1e-9)
    assert d.t_quantile(0.975, 1e9) == pytest.approx(1.959963985, abs=1e-7)


@given(st.floats(0, 1e3))
def test_one_degree_of_freedom_has_its_closed_form(t):
    """Cauchy: 1 − F(t) = arctan(1/t)/π; holds near 0 too, where SciPy loses t."""
    assert d.t_tail(t, 1) == pytest.approx(math.atan2(1, t) / math.pi, rel=1e-12)
