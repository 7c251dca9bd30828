"""The arithmetic under the simulator, against SciPy and closed forms."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import interpolate, signal

from simulator.signals import Course, Process, band_pass, low_pass, spring_and_mass


@pytest.mark.parametrize(("cutoff", "order"), [(5.0, 1), (100.0, 1), (1500.0, 1), (20.0, 2), (400.0, 2)])
def test_low_pass_is_the_trapezoidal_rule_of_the_analogue_one(cutoff, order):
    # reference: scipy.signal.butter (analogue), bilinear, lfilter
    rate = 20_000.0
    numerator, denominator = signal.bilinear(*signal.butter(order, 2 * math.pi * cutoff, analog=True), rate)
    x = np.random.default_rng(3).standard_normal(5000)
    np.testing.assert_allclose(
        low_pass(cutoff, rate, order).feed(x), signal.lfilter(numerator, denominator, x), atol=1e-9
    )


def test_band_pass_agrees_with_scipy():
    rate, centre, quality = 10_000.0, 9.0, 5.0
    w = 2 * math.pi * centre
    numerator, denominator = signal.bilinear([w / quality, 0.0], [1.0, w / quality, w * w], rate)
    x = np.random.default_rng(4).standard_normal(20_000)
    np.testing.assert_allclose(
        band_pass(centre, quality, rate).feed(x), signal.lfilter(numerator, denominator, x), atol=1e-9
    )


@pytest.mark.parametrize(("cutoff", "percent"), [(10.0, 0.64), (50.0, 0.127), (100.0, 0.064), (500.0, 0.013)])
def test_lag_on_a_ramp_is_rate_over_two_pi_cutoff(cutoff, percent):
    # closed form rate / (2 π f_c); at 40 %/s the four values are those of the collection on signal capture [D]
    rate = 10_000.0
    ramp = 40.0 * np.arange(20_000) / rate
    lag = ramp[-1] - low_pass(cutoff, rate).feed(ramp)[-1]
    assert lag == pytest.approx(40.0 / (2 * math.pi * cutoff), rel=1e-6)
    assert lag == pytest.approx(percent, abs=0.0051 if percent > 0.5 else 0.00051)


def test_spring_and_mass_follows_the_textbook_step_response():
    # under-damped second order step response, any textbook on vibrations
    rate, f, zeta = 10_000.0, 22.0, 0.4
    t = np.arange(1, 3001) / rate  # the first output is still the state at the beginning
    w, root = 2 * math.pi * f, math.sqrt(1 - zeta**2)
    expected = 1 - np.exp(-zeta * w * t) * (np.cos(w * root * t) + zeta / root * np.sin(w * root * t))
    got = spring_and_mass(f, zeta, rate).feed(np.ones(3001))[1:]
    np.testing.assert_allclose(got, expected, atol=1e-9)


@given(cuts=st.lists(st.integers(0, 700), max_size=8), order=st.sampled_from([1, 2]))
@settings(max_examples=30, deadline=None)
def test_cutting_the_input_changes_nothing_but_rounding(cuts, order):
    x = np.random.default_rng(5).standard_normal(700)
    whole = low_pass(50.0, 5000.0, order).feed(x)
    system = low_pass(50.0, 5000.0, order)
    edges = [0, *sorted(cuts), 700]
    parts = [system.feed(x[a:b]) for a, b in pairwise(edges)]
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=1e-12)


def test_process_has_rms_one_and_looking_ahead_takes_nothing():
    seed = np.random.SeedSequence(8)
    eager = Process(band_pass(9.0, 5.0, 1000.0), np.random.default_rng(seed))
    calm = Process(band_pass(9.0, 5.0, 1000.0), np.random.default_rng(seed))
    eager.peek(5000)
    got = np.concatenate([eager.take(333) for _ in range(900)])
    np.testing.assert_array_equal(got, calm.take(len(got)))
    assert np.sqrt(np.mean(got[2000:] ** 2)) == pytest.approx(1.0, abs=0.06)  # 300 s × 1.8 Hz: 4 % standard error


def test_course_is_the_monotone_cubic():
    # reference: scipy.interpolate.PchipInterpolator, whose first and last segment end otherwise
    t, v = np.array([0.0, 0.3, 1.0, 1.2, 2.0, 2.5]), np.array([0.0, 0.1, 0.7, 0.8, 0.8, 1.4])
    inside = np.linspace(0.3, 2.0, 500)
    np.testing.assert_allclose(Course(t, v, 1.0).at(inside), interpolate.PchipInterpolator(t, v)(inside), atol=1e-12)
    assert Course(t, v, 3.0).at(np.array([2.7]))[0] == pytest.approx(1.4 + 0.2 * 3.0)
