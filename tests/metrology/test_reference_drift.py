"""The error of a reference over its calibrations, and where it may stand at the next one."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math

import numpy as np
import pytest
from scipy import stats

from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.metrology.reference_drift import error_series, outlook
from benchapp.torque.direction import Direction

APPLIED = (10.0, 20.0, 60.0, 100.0)


def calibration(year: int, error: float, expanded: float | None = 0.1, applied=APPLIED, **more) -> Calibration:
    points = tuple(CalibrationPoint(nm, nm * (1 + error / 100), expanded, **more) for nm in applied)
    day = dt.date(year, 3, 1)
    return Calibration(f"C-{year}", "lab", day, day.replace(year=year + 2), applied[0], applied[-1], 2.0, points)


def reference(*calibrations: Calibration) -> Reference:
    return Reference("REF-1", 100.0, calibrations=calibrations)


def test_the_error_at_each_torque_is_that_of_the_certificates():
    series = error_series(reference(calibration(2020, 0.1), calibration(2022, 0.3)))
    assert [each.torque_nm for each in series] == [20.0, 60.0, 100.0]
    assert [e.error_percent for e in series[0].errors] == pytest.approx([0.1, 0.3])
    assert series[0].last_step_percent == pytest.approx(0.2)


def test_between_points_of_an_older_certificate_a_straight_line_is_taken_and_the_greater_uncertainty():
    points = (CalibrationPoint(10.0, 10.0, 0.1), CalibrationPoint(30.0, 30.0 * 1.004, 0.3))
    old = Calibration("C-old", "lab", dt.date(2020, 3, 1), dt.date(2022, 3, 1), 10.0, 30.0, 2.0, points)
    at_20, *others = error_series(reference(old, calibration(2022, 0.3)))
    assert at_20.errors[0].error_percent == pytest.approx(0.2)
    assert at_20.errors[0].expanded_percent == 0.3
    assert all(len(each.errors) == 1 for each in others)  # the old one does not reach them


def test_an_uncertainty_of_another_k_is_brought_to_two():
    wide = dataclasses.replace(calibration(2022, 0.3), coverage_factor=3.0)
    at_20, *_ = error_series(reference(wide))
    assert at_20.errors[0].expanded_percent == pytest.approx(0.1 * 2 / 3)


def test_a_step_counts_as_seen_only_beyond_both_uncertainties():
    assert not error_series(reference(calibration(2020, 0.1), calibration(2022, 0.24)))[0].last_step_is_seen
    assert error_series(reference(calibration(2020, 0.1), calibration(2022, 0.25)))[0].last_step_is_seen
    assert not error_series(reference(calibration(2020, 0.1, None), calibration(2022, 9.0)))[0].last_step_is_seen
    assert not error_series(reference(calibration(2020, 0.1)))[0].last_step_is_seen


def test_each_direction_has_its_own_series_and_none_is_made_up():
    both = calibration(2022, 0.1)
    assert {each.direction for each in error_series(reference(both))} == {Direction.CLOCKWISE}
    assert error_series(Reference("REF-3", 100.0)) == []


def test_the_outlook_is_the_line_that_a_general_library_fits():
    errors = (0.10, 0.22, 0.27, 0.42)
    years = (2016, 2018, 2020, 2022)
    series = error_series(reference(*(calibration(y, e) for y, e in zip(years, errors, strict=True))))[0]
    day = dt.date(2024, 3, 1)
    found = outlook(series, day)
    t = (
        np.array([(dt.date(b, 3, 1) - dt.date(a, 3, 1)).days for a, b in ((2016, 2018), (2018, 2020), (2020, 2022))])
        / 365.25
    )
    d = np.diff(errors)
    (slope,), *_ = np.linalg.lstsq(t[:, None], d, rcond=None)
    s2 = np.sum((d - slope * t) ** 2) / 2
    ahead = (day - dt.date(2022, 3, 1)).days / 365.25
    spread = math.sqrt(0.05**2 + s2 + ahead**2 * s2 / np.sum(t**2))
    assert found.percent_per_year == pytest.approx(slope)
    assert found.expected_percent == pytest.approx(0.42 + slope * ahead)
    # the certificate's u has no few degrees of freedom: Welch-Satterthwaite (JCGM 100:2008, G.4.1) with the fit's two
    fitted = spread**2 - 0.05**2
    effective = min(math.floor(spread**4 / (fitted**2 / 2)), 200)
    assert found.reach_percent == pytest.approx(stats.t.ppf(0.975, effective) * spread)
    assert found.n == 3


def test_without_three_calibrations_or_for_a_day_gone_by_there_is_no_outlook():
    two = error_series(reference(calibration(2020, 0.1), calibration(2022, 0.3)))[0]
    assert outlook(two, dt.date(2024, 1, 1)) is None
    three = error_series(reference(calibration(2018, 0.0), calibration(2020, 0.1), calibration(2022, 0.3)))[0]
    assert outlook(three, dt.date(2022, 3, 1)) is None
    assert outlook(three, dt.date(2024, 3, 1)) is not None
