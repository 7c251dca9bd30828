"""Marks of a pull on curves drawn by hand, so that every answer is known by construction."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.practice import marks
from benchapp.pulls.pull import Flag, Mode
from benchapp.pulls.reader import read_pulls
from benchapp.torque.direction import Direction
from drivers.samples import FloatArray

RATE_HZ = 1000.0


def curve(*corners: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Straight lines between (seconds, N·m)."""
    t = np.arange(0.0, corners[-1][0] + 0.5 / RATE_HZ, 1.0 / RATE_HZ)
    return t, np.interp(t, [c[0] for c in corners], [c[1] for c in corners])


# 0 to 40 N·m at 20 N·m/s, lets go at 3 s to 30, the hand goes on to 50 and is back at rest at 4 s
CLICK = ((0.0, 0.0), (1.0, 0.0), (3.0, 40.0), (3.01, 30.0), (3.21, 50.0), (3.5, 0.0), (4.0, 0.0))


def test_a_quarter_past_the_click_is_25_percent_follow_through() -> None:
    assert marks.follow_through_percent(40.0, 50.0) == pytest.approx(25.0)
    assert marks.follow_through_percent(40.0, 40.0) == 0.0
    assert marks.follow_through_percent(40.0, 39.9) == 0.0
    with pytest.raises(ValueError, match="above zero"):
        marks.follow_through_percent(0.0, 1.0)


def test_time_above_the_first_peak_is_what_the_lines_say() -> None:
    t, v = curve(*CLICK)
    # up: above 40 for the second half of 0.2 s; down: 50 to 40 of 50 in 0.29 s
    assert marks.follow_through_s(t, v, 3.0, 40.0) == pytest.approx(0.1 + 0.29 / 5, abs=0.003)


def test_eighty_to_hundred_percent_of_a_straight_rise_takes_a_fifth_of_it() -> None:
    t, v = curve(*CLICK)
    assert marks.rise_time_s(t, v, 40.0, 3.0) == pytest.approx(0.4, abs=1e-6)
    assert marks.rise_deviation_percent(t, v, 40.0, 3.0) == pytest.approx(0.0, abs=0.05)


def test_the_last_rise_counts_when_the_torque_went_through_eighty_percent_before() -> None:
    t, v = curve((0, 0), (1, 35), (1.5, 25), (2.5, 40), (3, 0))
    # from 25 to 40 in 1 s: 32 is reached 7/15 s after 1.5
    assert marks.rise_time_s(t, v, 40.0, 2.5) == pytest.approx(1.0 - 7 / 15, abs=1e-3)


def test_a_bent_rise_is_as_far_from_even_as_geometry_says() -> None:
    t, v = curve((0, 0), (1, 32), (2, 34), (3, 40), (3.2, 0))
    # three points (0, 0), (1, 2), (2, 8) joined by lines; least squares over a dense sampling, done here by hand:
    at = np.linspace(0.0, 2.0, 20001)
    rise = np.interp(at, [0, 1, 2], [0, 2, 8])
    slope, cut = np.polyfit(at, rise, 1)
    worst = float(np.abs(rise - slope * at - cut).max())
    assert marks.rise_deviation_percent(t, v, 40.0, 3.0) == pytest.approx(100 * worst / 40.0, rel=0.03)
    assert worst > 1.0


@pytest.mark.parametrize("hertz", [6.0, 8.0, 10.0, 12.0])
def test_a_sine_of_known_size_comes_out_as_the_definition_says(hertz: float) -> None:
    t = np.arange(0.0, 6.0, 1 / RATE_HZ)
    v = 10.0 * t + 0.6 * np.sin(2 * np.pi * hertz * t)
    gain = np.sinc(hertz * marks.MEAN_S) * abs(1.0 - np.sinc(hertz * marks.TREMOR_S))
    reading = 55.0
    found = marks.tremor_percent(t, v, reading, 5.5)
    assert found == pytest.approx(gain * 0.6 / np.sqrt(2) / reading * 100, rel=0.06)
    assert 0.8 < gain < 1.25


def test_a_straight_rise_does_not_tremble_and_noise_counts_for_little() -> None:
    t, v = curve((0, 0), (4, 40), (4.1, 0))
    assert marks.tremor_percent(t, v, 40.0, 4.0) == pytest.approx(0.0, abs=0.02)
    noisy = v + np.random.default_rng(5).normal(0.0, 0.1, len(v))
    assert marks.tremor_percent(t, noisy, 40.0, 4.0) == pytest.approx(0.6745 * 100 * 0.1 / np.sqrt(10) / 40.0, rel=0.2)


def test_a_dip_is_no_tremor() -> None:
    t, v = curve((0, 0), (2.4, 24), (2.6, 20), (4.6, 40), (4.7, 0))
    assert marks.deepest_dip_percent(t, v, 40.0, 4.6) > 10.0
    assert marks.tremor_percent(t, v, 40.0, 4.6) < 0.15


def test_a_snatched_pull_is_too_short_to_tell_its_tremor() -> None:
    t, v = curve((0, 0), (0.2, 40), (0.3, 0))
    assert marks.tremor_percent(t, v, 40.0, 0.2) is None
    assert marks.rise_deviation_percent(t, v, 40.0, 0.2) is None


def test_a_dip_is_as_deep_as_it_stayed_for_thirty_milliseconds() -> None:
    # 30 down to 24 (20 %), flat for 0.1 s
    t, v = curve((0, 0), (1.5, 30), (1.6, 24), (1.7, 24), (2.5, 40), (2.6, 0))
    assert marks.deepest_dip_percent(t, v, 40.0, 2.5) == pytest.approx(20.0, abs=0.4)
    (dip,) = marks.dips(t, v, 40.0, 2.5)
    assert dip.percent == pytest.approx(20.0, abs=0.4)
    assert dip.start_s == pytest.approx(1.515, abs=0.02)
    assert dip.end_s == pytest.approx(1.955, abs=0.03)


def test_what_lasts_less_than_thirty_milliseconds_is_no_dip() -> None:
    t, v = curve((0, 0), (1.5, 30), (1.505, 20), (1.51, 30), (2.0, 40), (2.1, 0))
    assert marks.deepest_dip_percent(t, v, 40.0, 2.0) < 1.0
    assert marks.dips(t, v, 40.0, 2.0) == ()


def test_two_dips_are_two_and_below_a_tenth_nothing_counts() -> None:
    t, v = curve((0, 0), (0.1, 3), (0.2, 1), (1, 20), (1.2, 15), (2, 30), (2.2, 27), (3, 40), (3.1, 0))
    assert len(marks.dips(t, v, 40.0, 3.0)) == 2
    # its foot is 25 % deep and 30 ms wide where it is shallower by 30 ms / (1/125 + 1/94 s per %)
    assert marks.deepest_dip_percent(t, v, 40.0, 3.0) == pytest.approx(25.0 - 0.03 / (1 / 125 + 1 / 93.75), abs=0.4)


def test_spread_is_the_standard_deviation_of_the_last_ten_in_percent() -> None:
    assert marks.spread_percent([40.0]) is None
    values = [1.0, 1000.0, *[39.0, 41.0] * 5]  # what was before the last ten does not count
    assert marks.spread_percent(values) == pytest.approx(100 * np.sqrt(10 / 9) / 40.0)


def test_the_tools_own_deviation_is_not_the_persons_miss() -> None:
    # the tool shows 50 when the reference reads 51: deviation (50 - 51)/51
    deviation = 100 * (50.0 - 51.0) / 51.0
    assert marks.hit_error_percent(51.0, 50.0, deviation) == pytest.approx(0.0, abs=1e-9)
    assert marks.hit_error_percent(51.0, 50.0) == pytest.approx(2.0)


def _read(t: FloatArray, v: FloatArray, mode: Mode = Mode.FIRST_PEAK):
    (pull,) = read_pulls(t, v, mode=mode, capacity=100.0).pulls
    return pull


@pytest.mark.parametrize("direction", list(Direction))
def test_a_read_pull_gets_all_its_marks_in_both_directions(direction: Direction) -> None:
    t, v = curve((0, 0), (1, 0), (3, 40), (3.01, 30), (3.21, 50), (3.5, 0), (4.5, 0))
    v = v * direction.sign
    found = marks.marks_of(_read(t, v), t, v, target_nm=40.0)
    assert found.first_peak_nm == pytest.approx(40.0, rel=2e-3)
    assert found.peak_nm == pytest.approx(50.0, rel=3e-3)
    assert found.follow_percent == pytest.approx(25.0, abs=0.5)
    assert found.follow_s == pytest.approx(0.158, abs=0.005)
    assert found.rise_s == pytest.approx(0.4, abs=0.003)
    assert found.uneven_percent == pytest.approx(0.0, abs=0.1)
    assert found.dip_percent == pytest.approx(0.0, abs=0.1)
    assert found.tremor_percent == pytest.approx(0.0, abs=0.1)
    assert found.n_dips == 0
    assert found.rest_s == pytest.approx(0.5, abs=0.02)
    assert found.rest_off_percent == pytest.approx(0.0, abs=0.1)
    assert found.error_percent is None
    assert Flag.TOO_FAST in found.flags


def test_without_a_click_the_marks_that_need_one_are_missing() -> None:
    t, v = curve((0, 0), (1, 0), (3, 40), (4, 0), (5, 0))
    found = marks.marks_of(_read(t, v), t, v, target_nm=40.0)
    assert found.reading_nm is None
    assert found.follow_percent is None
    assert found.rise_s is None
    assert found.peak_nm == pytest.approx(40.0, rel=1e-2)
    assert found.dip_percent == pytest.approx(0.0, abs=0.1)


def test_a_held_torque_has_a_miss_and_an_overshoot() -> None:
    t, v = curve((0, 0), (1, 0), (3, 52.5), (3.5, 50), (5.5, 50), (6, 0), (7, 0))
    found = marks.marks_of(_read(t, v, Mode.HOLD), t, v, target_nm=49.0)
    assert found.reading_nm == pytest.approx(50.0, rel=1e-3)
    assert found.overshoot_percent == pytest.approx(5.0, abs=0.4)
    assert found.error_percent == pytest.approx(100 / 49.0, abs=0.1)
    assert found.follow_percent is None
    assert found.rest_s is not None
    assert found.rest_s < 2.6


corner_lists = st.lists(st.tuples(st.floats(0.05, 0.8), st.floats(0.05, 1.0)), min_size=1, max_size=6)


@pytest.mark.parametrize("rate_hz", [100.0, 250.0, 500.0, 2000.0, 10000.0])
def test_the_same_pull_has_the_same_marks_at_any_rate(rate_hz: float) -> None:
    def marked(rate: float) -> list[float | None]:
        t = np.arange(0.0, 5.0, 1.0 / rate)
        v = np.interp(t, [0.0, 1.5, 1.65, 1.8, 3.5, 3.8], [0.0, 30.0, 25.0, 25.0, 40.0, 0.0])
        v += np.where(t < 3.5, 0.3 * np.sin(2 * np.pi * 9.0 * t) * np.clip(t, 0, 1), 0.0)
        return [
            marks.rise_time_s(t, v, 40.0, 3.5),
            marks.rise_deviation_percent(t, v, 40.0, 3.5),
            marks.tremor_percent(t, v, 40.0, 3.5),
            marks.deepest_dip_percent(t, v, 40.0, 3.5),
        ]

    assert marked(rate_hz) == pytest.approx(marked(1000.0), rel=0.08, abs=0.1)


@given(corner_lists, st.floats(1.0, 1000.0), st.floats(-50.0, 5000.0))
@settings(max_examples=60, deadline=None)
def test_marks_depend_neither_on_the_unit_nor_on_the_axis(
    corners: list[tuple[float, float]], factor: float, shift: float
) -> None:
    at, points = 0.5, [(0.0, 0.0), (0.5, 0.0)]
    for length, share in corners:
        at += length
        points.append((at, share))
    points += [(at + 1.0, 1.0), (at + 1.3, 0.0)]
    reading_s = at + 1.0

    def all_marks(factor: float, shift: float) -> list[float]:
        t = np.arange(0.0, reading_s + 0.2, 1.0 / RATE_HZ)
        v = factor * np.interp(t, [p[0] for p in points], [p[1] for p in points])
        found = [
            function(t + shift, v, factor, reading_s + shift)
            for function in (
                marks.rise_time_s,
                marks.rise_deviation_percent,
                marks.tremor_percent,
                marks.deepest_dip_percent,
            )
        ]
        return [math.nan if value is None else value for value in found]

    plain = all_marks(1.0, 0.0)
    # the clock's shift moves a sample across the edge of a mean at most
    assert all_marks(factor, 0.0) == pytest.approx(plain, rel=1e-6, abs=1e-6, nan_ok=True)
    assert all_marks(1.0, shift) == pytest.approx(plain, rel=0.05, abs=0.1, nan_ok=True)


@given(corner_lists)
@settings(max_examples=60, deadline=None)
def test_the_deepest_dip_is_that_of_a_slow_obvious_search(corners: list[tuple[float, float]]) -> None:
    at, points = 0.0, [(0.0, 0.0)]
    for length, share in corners:
        at += length
        points.append((at, share))
    points.append((at + 0.5, 1.0))
    t = np.arange(0.0, at + 0.5, 1.0 / RATE_HZ)
    v = np.interp(t, [p[0] for p in points], [p[1] for p in points])
    found = marks.deepest_dip_percent(t, v, 1.0, at + 0.5)
    _, means = marks.means(t, v, -math.inf, at + 0.5)
    deepest = 0.0
    for i in range(len(means) - 2):
        depths = []
        for k in (i, i + 1, i + 2):
            reached = max(means[: k + 1])
            depths.append((reached - means[k]) / reached * 100 if reached > 0.1 else -1.0)
        deepest = max(deepest, min(depths))
    assert found == pytest.approx(deepest, abs=1e-9)
