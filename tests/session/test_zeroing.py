"""Zero is measured over half a second of stillness, and refused with numbers."""

import numpy as np
import pytest

from benchapp.session._zeroing import Level, Zeroing, ZeroRefused


def fed(zeroing, torque, rate=1000, cut=37):
    t_s = 5.0 + np.arange(len(torque)) / rate
    for first in range(0, len(torque), cut):
        outcome = zeroing.feed(t_s[first : first + cut], torque[first : first + cut])
        if outcome is not None:
            return outcome, t_s[min(first + cut, len(t_s)) - 1] - t_s[0]
    return None, t_s[-1] - t_s[0]


def test_level_noise_and_drift_are_those_that_were_put_in():
    rng = np.random.default_rng(20260304)
    n = 600
    torque = 0.2 + 0.02 * np.arange(n) / 1000 + 0.005 * rng.standard_normal(n)
    outcome, after_s = fed(Zeroing(100.0), torque)
    assert isinstance(outcome, Level)
    assert 0.5 <= after_s < 0.6
    assert outcome.mean_nm == pytest.approx(0.205, abs=0.002)
    assert outcome.noise_nm == pytest.approx(0.005, rel=0.1)
    assert outcome.drift_nm == pytest.approx(0.01, abs=0.002)


def test_movement_is_waited_out_and_after_five_seconds_refused():
    torque = np.concatenate([3 * np.sin(np.arange(2000) / 50), np.zeros(600)])
    outcome, after_s = fed(Zeroing(100.0), torque)
    assert isinstance(outcome, Level)
    assert after_s > 2.4
    outcome, after_s = fed(Zeroing(100.0), 3 * np.sin(np.arange(9000) / 50))
    assert isinstance(outcome, ZeroRefused)
    assert outcome.key == "not-still"
    assert 5 < after_s < 5.2


def test_a_level_beyond_one_percent_of_capacity_is_no_zero_but_may_be_looked_at():
    outcome, _ = fed(Zeroing(100.0), np.full(600, -1.2))
    assert outcome == ZeroRefused("too-far", pytest.approx(-1.2), 1.0)
    outcome, _ = fed(Zeroing(100.0, anywhere=True), np.full(600, -1.2))
    assert outcome.mean_nm == pytest.approx(-1.2)


def test_without_a_known_capacity_drift_is_judged_against_the_noise():
    rng = np.random.default_rng(1)
    still = 0.01 * rng.standard_normal(600)
    assert isinstance(fed(Zeroing(None), still)[0], Level)
    outcome, _ = fed(Zeroing(None), 0.01 * rng.standard_normal(6000) + np.linspace(0, 3, 6000))
    assert isinstance(outcome, ZeroRefused)


def test_a_slow_transducer_gets_the_time_it_needs():
    outcome, after_s = fed(Zeroing(100.0), np.zeros(40), rate=10, cut=1)
    assert isinstance(outcome, Level)
    assert after_s == pytest.approx(0.5)
