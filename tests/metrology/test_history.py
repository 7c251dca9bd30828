"""Person or tool, control charts and intervals against published examples."""

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.metrology import charts, intervals
from benchapp.metrology.anova import study
from benchapp.metrology.distributions import normal_cdf
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.rules import conformance_probability

MSA = """ 0.29 -0.56 1.34 0.47 -0.80  0.02 0.59 -0.31 2.26 -1.36
 0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
 0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
 0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
 0.25 -1.22 0.94 1.03 -1.20  0.22 0.55  0.08 2.12 -1.62
 0.07 -0.68 1.34 0.20 -1.28  0.06 0.83 -0.34 2.19 -1.50
 0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16"""
VALUES = np.array([float(x) for x in MSA.split()]).reshape(3, 3, 10).transpose(0, 2, 1)


def test_published_crossed_study():
    """AIAG, Measurement Systems Analysis, 4th ed.: 10 parts, 3 appraisers, 3 trials (data from memory, reproduced)."""
    found = study(VALUES)
    squares = [x.squares for x in (found.person, found.tool, found.interaction, found.within, found.total)]
    assert squares == pytest.approx([3.1673, 88.3619, 0.3590, 2.7589, 94.6471], abs=5.1e-5)
    assert found.interaction.f == pytest.approx(0.434, abs=5e-4)
    assert found.pooled
    sds = [x.sd for x in (found.repeatability, found.reproducibility, found.both, found.tools, found.all)]
    assert sds == pytest.approx([0.199933, 0.226838, 0.302372, 1.042327, 1.085300], abs=6e-7)
    assert found.share_percent == pytest.approx(27.86, abs=0.005)
    assert found.categories == pytest.approx(4.86, abs=0.005)
    for part in (found.repeatability, found.reproducibility, found.both, found.tools, found.all):
        assert part.low < part.sd < part.high


def test_repeatability_interval_is_the_chi_squared_one():
    found = study(VALUES)
    ss, dof = found.within.squares + found.interaction.squares, 78
    exact = [math.sqrt(ss / scipy.stats.chi2.ppf(q, dof)) for q in (0.975, 0.025)]
    assert [found.repeatability.low, found.repeatability.high] == pytest.approx(exact, rel=1e-10)


def test_intervals_cover_as_often_as_they_say():
    """Simulated tools with known spreads, fixed seed: the interval of R&R covers the truth."""
    random = np.random.default_rng(20260304)
    covered = 0
    n = 200
    for _ in range(n):
        values = random.normal(0, 1.0, (5, 1, 1)) + random.normal(0, 3.0, (1, 8, 1)) + random.normal(0, 1.0, (5, 8, 3))
        both = study(values).both
        covered += both.low <= math.sqrt(2.0) <= both.high
    assert 0.90 * n <= covered <= 0.99 * n


@given(st.floats(0.1, 100), st.floats(-1e3, 1e3))
@settings(max_examples=20, deadline=None)
def test_study_is_scale_and_shift_invariant(scale, shift):
    one, two = study(VALUES), study(VALUES * scale + shift)
    assert two.share_percent == pytest.approx(one.share_percent, rel=1e-8)
    assert two.both.sd == pytest.approx(one.both.sd * scale, rel=1e-8)


def test_study_with_holes_is_refused():
    with pytest.raises(RefusedError):
        study(np.zeros((1, 3, 3)))
    with pytest.raises(RefusedError):
        study(np.full((2, 2, 2), np.nan))


INDIVIDUALS = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
EWMA_IN = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *INDIVIDUALS]
EWMA_OUT = [50.6, 49.52, 50.564, 50.1848, 50.1594, 49.2116, 49.7481, 49.8537, 50.2576, 50.3303, 50.1112, 49.3578,
            49.5205,
            50.0543, 49.378, 49.9246, 50.7272, 51.2291, 51.9403, 51.9882]  # fmt: skip


def test_individuals_row_s1():
    """NIST/SEMATECH e-Handbook 6.3.2.2, with d2 = 1.128 as printed."""
    chart = charts.individuals(INDIVIDUALS)
    assert (chart.centre, chart.upper, chart.lower) == pytest.approx((50.81, 55.8041, 45.8159), abs=5.1e-5)
    assert chart.outside == ()


def test_ewma_row_s2():
    """NIST/SEMATECH e-Handbook 6.3.2.4."""
    chart = charts.ewma(EWMA_IN, 50, 2.0539)
    assert chart.values == pytest.approx(EWMA_OUT, abs=6e-5)
    assert (chart.upper, chart.lower) == pytest.approx((52.588431738, 47.411568262), abs=1e-9)
    assert chart.outside == ()
    assert charts.ewma([60.0] * 9, 50, 2.0539).outside


def test_capability_row_s3():
    """NIST/SEMATECH e-Handbook 6.1.6."""
    assert charts.capability(16, 2, 8, 20) == pytest.approx((1.0, 2 / 3))
    assert charts.capability(10, 0.4, 9, 11)[1] == pytest.approx(0.833333, abs=5e-7)


def test_share_outside_of_row_p7():
    """An open uncertainty library's tests (second-hand): N(10, 0.4) in 9 … 11, 0.621 % beyond each limit."""
    beyond = (normal_cdf((9 - 10) / 0.4), 1 - normal_cdf((11 - 10) / 0.4))
    assert beyond == pytest.approx((0.00621, 0.00621), abs=5e-6)
    assert 1 - conformance_probability(10, 0.4, 9, 11) == pytest.approx(0.01242, abs=5e-6)
    assert 1 - conformance_probability(10, 0.4, 9, 11) == pytest.approx(sum(beyond), rel=1e-12)


def test_cusum_row_s4():
    """NIST/SEMATECH e-Handbook 6.3.2.3 (data from memory)."""
    x = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
         328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]  # fmt: skip
    upper, lower = charts.cusum(x, 325, 0.3175)
    assert upper[4] == pytest.approx(0.0325)
    assert upper[12:] == pytest.approx([3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035])
    assert next(i for i, v in enumerate(upper, 1) if v > 4.1959) == 14
    assert max(lower) == pytest.approx(0.715)


@pytest.mark.parametrize(
    ("x", "n", "old", "target", "confidence", "new", "rejection", "low", "high"),
    [
        (15, 20, 365, 0.95, 0.5, 230.84604619, 0.994852119, 0.65155974, 0.82856965),  # I1
        (14, 20, 365, 0.95, 0.5, 205.332, 0.9993, 0.6000, 0.7843),  # I2
        (16, 20, 730, 0.95, 0.5, 522.508, 0.9682, 0.7041, 0.8716),  # I3
        (42, 50, 365, 0.90, 0.3, 328.81398043, 0.755709833, 0.806706, 0.866392),  # I4
        (15, 20, 365, 0.90, 0.5, 266.22277929, None, None, None),
        (15, 20, 365, 0.85, 0.5, 313.56205007, None, None, None),
    ],
)
def test_a3_rows_i1_to_i4(x, n, old, target, confidence, new, rejection, low, high):
    """2019 NCSLI interval tutorial and an open uncertainty library's tests (second-hand)."""
    found = intervals.a3(x, n, old, target, confidence)
    assert found.interval == pytest.approx(new, abs=6e-4)
    if rejection is not None:
        assert (found.rejection, found.low, found.high) == pytest.approx((rejection, low, high), abs=6e-5)
    exact = scipy.stats.binomtest(x, n).proportion_ci(confidence, "exact")
    assert (found.low, found.high) == pytest.approx((exact.low, exact.high), rel=1e-9)


@given(st.integers(1, 40), st.floats(0.5, 0.99), st.data())
@settings(max_examples=60, deadline=None)
def test_a3_never_leaves_half_to_double_and_goes_the_right_way(n, target, data):
    x = data.draw(st.integers(0, n))
    found = intervals.a3(x, n, 100.0, target)
    assert 50 <= found.interval <= 200
    assert (found.interval - 100) * (found.observed - target) >= 0


DAYS = [70, 86, 104, 135, 167, 173]
DRIFT = [0.10, 0.11, 0.251, 0.299, 0.403, 0.615]


def test_variables_interval_rows_i5_i6():
    """NASA-HDBK-8739.19-5, tables 7-2 to 7-7 (second-hand)."""
    drift = intervals.fit_drift(DAYS, DRIFT)
    assert drift.coefficients == pytest.approx([1.5740675e-4, 1.6737925e-5], rel=5e-8)
    assert drift.s == pytest.approx(0.070828657, abs=1e-9)
    assert drift.covariance[0, 0] == pytest.approx(1.010051e-6, rel=1e-6)
    assert drift.covariance[0, 1] == pytest.approx(-6.60683e-9, rel=1e-6)
    assert drift.covariance[1, 1] == pytest.approx(4.54947e-11, rel=1e-6)
    assert intervals.time_to_uncertainty(drift, 0.28, 0.5) == pytest.approx(327.153340, abs=1e-5)
    assert intervals.time_within_limits(drift, 0.28, 10.03, (9, 11), 0.9) == pytest.approx(140.090982, abs=1e-5)
    assert intervals.time_within_limits(drift, 0.28, 10.03, (-math.inf, 11), 0.9) == pytest.approx(171.747997, abs=1e-5)


def test_the_value_and_the_fit_have_degrees_of_freedom_of_their_own():
    """Welch-Satterthwaite, JCGM 100:2008, G.4.1, cut to a whole number; t of SciPy."""
    drift = intervals.fit_drift(DAYS, DRIFT)
    for t, u0, dof in ((0.0, 0.28, math.inf), (100.0, 0.28, 9.0), (300.0, 0.05, math.inf)):
        fitted = drift.variance(t)
        effective = math.floor((u0**2 + fitted) ** 2 / (u0**4 / dof + fitted**2 / 4))
        wanted = scipy.stats.t.ppf(0.975, min(effective, 200)) * math.sqrt(u0**2 + fitted)
        assert intervals.reach_at(drift, t, u0, 0.975, dof) == pytest.approx(wanted, rel=1e-12)
        shared = scipy.stats.t.ppf(0.975, 4) * math.sqrt(u0**2 + fitted)
        assert intervals.reach_at(drift, t, u0, 0.975, None) == pytest.approx(shared, rel=1e-12)
    still = intervals.fit_drift([10, 20, 30], [0.0, 0.0, 0.0], order=1)
    assert intervals.reach_at(still, 5.0, 0.0, 0.975, math.inf) == 0.0


def test_what_is_expected_covers_as_often_as_it_says():
    """Simulated drifts with a known truth, fixed seed: with the few degrees of the fit for all it covers too much."""
    random, ahead, u0, s = np.random.default_rng(20260304), 12.0, 0.7, 0.15
    own = shared = 0
    n = 1500
    for _ in range(n):
        drift = intervals.fit_drift([12.0] * 4, 0.05 * 12 + random.normal(0, s, 4), order=1)
        off = abs(random.normal(0, u0) + random.normal(0, s) + 0.05 * ahead - drift.drift(ahead))
        own += off <= intervals.reach_at(drift, ahead, u0, 0.975, math.inf)
        shared += off <= intervals.reach_at(drift, ahead, u0, 0.975, None)
    assert 0.935 * n <= own <= 0.965 * n
    assert shared > 0.99 * n


def test_too_few_calibrations_for_a_drift_are_refused():
    with pytest.raises(RefusedError, match="more than 2"):
        intervals.fit_drift([100, 200], [0.1, 0.2])


def test_staircase_goes_up_slowly_down_fast_within_its_ends():
    assert intervals.staircase(100, True, 10, 1000) == pytest.approx(110)
    assert intervals.staircase(100, False, 10, 1000) == pytest.approx(80)
    assert intervals.staircase(11, False, 10, 1000) == 10
    assert intervals.staircase(950, True, 10, 1000) == 1000
