"""Correction of a reference: polynomial through zero, its residuals and refusals; suitability for a tool."""

import datetime as dt
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.metrology import correction as c
from benchapp.metrology import suitability as s
from benchapp.metrology.correction import Correction, check_calibration, fit_through_zero, polynomial
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.torque.direction import Direction

CW, ACW = Direction.CLOCKWISE, Direction.ANTICLOCKWISE
TODAY = dt.date(2026, 3, 4)


def _calibration(points, degree=3, **changes):
    made = Calibration(
        "OCF-C-1", "laboratory", dt.date(2025, 9, 1), dt.date(2026, 9, 1), points[0][0], points[-1][0], 2.0,
        tuple(CalibrationPoint(*p) for p in points), degree,
    )  # fmt: skip
    return replace(made, **changes)


POINTS = [(20.0, 20.02, 0.2), (40.0, 40.03, 0.2), (60.0, 60.05, 0.15), (80.0, 80.09, 0.15), (100.0, 100.12, 0.1)]


def test_cubic_through_zero_row_c2():
    """C2, constructed: torque and signal of a transducer, cubic without constant term."""
    torque = np.array([20.0, 40, 60, 80, 100])
    signal = np.array([0.40012, 0.80031, 1.20039, 1.60030, 2.00001])
    found = fit_through_zero(torque, signal, 3)
    assert found == pytest.approx((2.00050407e-2, 1.30600649e-7, -1.80526860e-9), rel=5e-9)
    f_a = (signal - polynomial(found, torque)) / polynomial(found, torque) * 100
    assert f_a == pytest.approx([-0.004652, 0.001868, 0.000611, -0.000925, 0.000259], abs=6e-7)


def test_quadratic_of_nist_strd_pontius_row_c1():
    """C1: NIST StRD Pontius (load cell) has a constant term; it is handed over as a further column would be.

    Subtracting the certified constant leaves a fit through zero whose minimum is at the certified B1 and B2.
    """
    runs = """.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146 1.20001 1.30822 1.41599 1.52399
    1.63194 1.73947 1.84646 1.95392 2.06128 2.16844 .11052 .22018 .32939 .43886 .54798 .65739 .76596 .87474 .98300
    1.09150 1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829"""
    y = np.array([float(v) for v in runs.split()])
    x = np.tile(150000.0 * np.arange(1, 21), 2)
    found = fit_through_zero(x, y - 0.673565789473684e-3, 2)
    assert found == pytest.approx((0.732059160401003e-6, -0.316081871345029e-14), rel=1e-9)
    assert np.sum((y - 0.673565789473684e-3 - polynomial(found, x)) ** 2) == pytest.approx(
        0.155761768796992e-5, rel=1e-9
    )


@given(st.lists(st.floats(1, 500), min_size=4, max_size=10, unique=True), st.integers(1, 3))
@settings(max_examples=50, deadline=None)
def test_residuals_are_orthogonal_to_every_power(x, degree):
    """The normal equations of least squares: Σ residual·x^k = 0."""
    x = np.array(sorted(x))
    y = x * (1 + 0.002 * np.sin(x))
    residual = y - polynomial(fit_through_zero(x, y, degree), x)
    for k in range(1, degree + 1):
        assert abs(np.sum(residual * (x / x.max()) ** k)) <= 1e-9 * np.sum(np.abs(y))


@given(st.integers(1, 3), st.lists(st.floats(0.5, 1e3), min_size=3, max_size=8, unique=True))
@settings(max_examples=50, deadline=None)
def test_perfect_calibration_is_the_identity(degree, torques):
    torques = sorted(torques)
    if min(b / a for a, b in pairwise(torques)) < 1.05:
        return
    correction = Correction.from_calibration(_calibration([(t, t, 0.1) for t in torques], degree), CW)
    x = np.linspace(0, torques[-1], 50)
    assert correction.true_torque(x) == pytest.approx(x, rel=1e-9, abs=1e-9)


def test_degree_zero_corrects_nothing_and_leaves_the_error_known():
    calibration = _calibration(POINTS, 0)
    x = np.array([0.0, 33.3])
    assert np.array_equal(Correction.from_calibration(calibration, CW).true_torque(x), x)
    assert c.error_percent_at(calibration, CW, 20) == pytest.approx(0.1)
    assert c.error_percent_at(_calibration(POINTS, 1), CW, 20) == 0


def test_live_correction_is_cheap_and_keeps_its_input():
    import time

    correction = Correction.from_calibration(_calibration(POINTS), CW)
    x = np.linspace(0, 100, 10_000)
    kept = x.copy()
    started = time.process_time()
    for _ in range(20):
        correction.true_torque(x)
    assert (time.process_time() - started) / 20 < 0.02  # ten thousand samples are one second of the fastest stream
    assert np.array_equal(x, kept)


def test_directions_are_fitted_for_themselves():
    points = (*_calibration(POINTS).points, *(CalibrationPoint(p[0], p[0] * 0.99, 0.2, ACW) for p in POINTS))
    calibration = replace(_calibration(POINTS, 1), points=points)
    x = np.array([50.0])
    assert Correction.from_calibration(calibration, ACW).true_torque(x)[0] == pytest.approx(50 / 0.99)
    assert Correction.from_calibration(calibration, CW).true_torque(x)[0] < 50


def test_reading_outside_the_usable_range_is_refused():
    correction = Correction.from_calibration(_calibration(POINTS), CW)
    assert correction.reading(100.12) == pytest.approx(100, rel=1e-3)
    for torque in (15.0, 101.0):
        with pytest.raises(RefusedError, match="20 to 100 N·m"):
            correction.reading(torque)


def test_uncertainty_between_points_is_the_larger_neighbours():
    calibration = _calibration(POINTS)
    assert [c.expanded_percent_at(calibration, CW, t) for t in (20, 50, 60, 90, 100)] == [0.2, 0.2, 0.15, 0.15, 0.1]
    assert c.expanded_percent_at(_calibration([(20.0, 20.0, None)], 1), CW, 20) is None


def test_drift_is_the_change_between_the_last_two_calibrations():
    older = _calibration([(t, t, 0.2) for t, _, _ in POINTS], 1)
    newer = _calibration([(t, t / 1.001, 0.2) for t, _, _ in POINTS], 1)
    assert c.drift_percent(Reference("REF-1", 100, calibrations=(older, newer)), CW, 50) == pytest.approx(0.1)
    assert c.drift_percent(Reference("REF-1", 100, calibrations=(newer,)), CW, 50) is None


@pytest.mark.parametrize("degrees", [(0, 0), (0, 1), (1, 0), (2, 0)])
def test_a_reference_that_is_not_corrected_drifts_all_the_same(degrees):
    """It was told as zero: two identities are no distance apart, whatever the certificates say."""
    older = _calibration([(t, t, 0.2) for t, _, _ in POINTS], degrees[0])
    newer = _calibration([(t, t * 1.005, 0.2) for t, _, _ in POINTS], degrees[1])
    moved = c.drift_percent(Reference("REF-1", 100, calibrations=(older, newer)), CW, 50)
    assert moved == pytest.approx(-0.5)  # it shows 0.5 % more: the same indication is 0.5 % less torque


def test_a_calibration_that_did_not_reach_a_torque_tells_no_drift_there():
    older = _calibration([(t, t, 0.2) for t, _, _ in POINTS[:3]], 1, usable_to_nm=POINTS[2][0])
    newer = _calibration([(t, t / 1.001, 0.2) for t, _, _ in POINTS], 1)
    reference = Reference("REF-1", 100, calibrations=(older, newer))
    assert c.drift_percent(reference, CW, POINTS[2][0]) == pytest.approx(0.1)
    assert c.drift_percent(reference, CW, POINTS[-1][0]) is None


@pytest.mark.parametrize(
    ("field", "calibration"),
    [
        ("due", _calibration(POINTS, due=dt.date(2025, 9, 1))),
        ("coverage_factor", _calibration(POINTS, coverage_factor=0.99)),
        ("coverage_factor", _calibration(POINTS, coverage_factor=float("nan"))),
        ("usable_to_nm", _calibration(POINTS, usable_to_nm=120.0)),
        ("usable_from_nm", _calibration(POINTS, usable_from_nm=10.0)),
        ("usable_to_nm", _calibration(POINTS, usable_from_nm=60.0, usable_to_nm=40.0)),
        ("degree", _calibration(POINTS, 4)),
        ("points", _calibration(POINTS[:2], 3)),
        ("points", replace(_calibration(POINTS), points=())),
        ("points[1].indicated_nm", _calibration([(20.0, 20.0, 0.1), (40.0, 19.0, 0.1), (60.0, 60.0, 0.1)], 1)),
        ("points[0].applied_nm", _calibration([(-1.0, 20.0, 0.1), (40.0, 41.0, 0.1)], 1, usable_from_nm=20.0)),
        ("points[0].expanded_percent", _calibration([(20.0, 20.0, 0.0), (40.0, 41.0, 0.1)], 1)),
    ],
)
def test_calibration_that_cannot_be_is_refused(field, calibration):
    with pytest.raises(RefusedError) as refusal:
        check_calibration(calibration)
    assert refusal.value.field == field
    assert refusal.value.limit
    assert refusal.value.accepted


def test_good_calibration_is_taken():
    check_calibration(_calibration(POINTS))


# As the editions make their demand; the figures in force stand in the procedures' files.
ISO_2017 = s.Demand(s.Quantity.INTERVAL, share_of_limit=0.25)
ISO_2003 = s.Demand(s.Quantity.UNCERTAINTY, percent=1.0)
ASME = s.Demand(s.Quantity.ACCURACY, share_of_limit=0.25)
NEEDS = [s.Need(20, CW, 4.0), s.Need(100, CW, 4.0)]


@pytest.mark.parametrize("demand", [ISO_2017, ISO_2003, ASME])
def test_reference_that_fulfils_every_edition(demand):
    assert s.failings(Reference("REF-1", 100, calibrations=(_calibration(POINTS),)), NEEDS, demand, TODAY) == ()


@pytest.mark.parametrize(
    ("demand", "expanded", "interval", "fails"),
    [
        (ISO_2017, 0.9, 1.0, False),  # the certificate's own W'_md, on the edge of a quarter of 4 %
        (ISO_2017, 0.9, 1.01, True),
        (ISO_2003, 1.0, 5.0, False),  # the 2003 edition looks at U only
        (ISO_2003, 1.01, 0.5, True),
        (ASME, 1.0, 5.0, False),
        (ASME, 1.01, 0.5, True),
    ],
)
def test_each_edition_demands_by_its_own_quantity(demand, expanded, interval, fails):
    calibration = _calibration([(t, t, expanded) for t, _, _ in POINTS], 0, interval_percent=interval)
    found = s.failings(Reference("REF-1", 100, calibrations=(calibration,)), NEEDS, demand, TODAY)
    assert bool(found) is fails
    for failing in found:
        assert failing.key == demand.quantity.value
        assert failing.value > failing.limit == 1.0


def test_each_failing_carries_its_numbers_and_who_would_do():
    small = Reference("REF-1", 50, calibrations=(_calibration(POINTS, due=dt.date(2026, 1, 1)),))
    found = {f.key: f for f in s.failings(small, [*NEEDS, s.Need(10, CW, 4), s.Need(40, ACW, 4)], ISO_2003, TODAY)}
    assert set(found) == {"overdue", "above-range", "below-range", "direction"}
    assert found["overdue"].value == 62
    assert (found["above-range"].value, found["above-range"].limit) == (100, 50)
    assert (found["below-range"].value, found["below-range"].limit) == (10, 20)
    good = Reference("REF-2", 100, calibrations=(_calibration(POINTS),))
    bare = Reference("REF-3", 100)
    assert s.failings(bare, NEEDS, None, TODAY)[0].key == "no-calibration"
    assert s.would_do([small, bare, good], NEEDS, ISO_2003, TODAY) == ("REF-2",)
    silent = Reference("REF-4", 100, calibrations=(_calibration([(20.0, 20, None), (100.0, 100, None)], 1),))
    assert {f.key for f in s.failings(silent, NEEDS, ISO_2003, TODAY)} == {"no-uncertainty"}


@pytest.mark.parametrize(
    ("n", "degree", "known"), [(3, 3, False), (3, 2, True), (1, 1, False), (2, 1, True), (3, 0, True)]
)
def test_a_curve_through_all_its_points_says_nothing_of_how_it_lies_between_them(n, degree, known):
    points = [(t, t * 1.001 if i % 2 else t, 0.2) for i, (t, _, _) in enumerate(POINTS[:n])]
    calibration = _calibration(points, degree, usable_from_nm=points[0][0], usable_to_nm=points[-1][0])
    use = s.use_at(Reference("REF-1", 100, calibrations=(calibration,)), CW, points[0][0])
    assert (use.residual_percent is not None) is known
