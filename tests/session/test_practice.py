"""Practice on the live bench: pulls outside of a run are handed on with their curve, and never become a record."""

import dataclasses
import math

import numpy as np
import pytest

from benchapp.pulls.pull import Mode
from benchapp.session.view import Phase, PracticeAim
from benchapp.torque.direction import Direction
from drivers.samples import Source


def closed(bench, n=1):
    taken = []

    def there(_view):
        taken.extend(bench.session.take_practice_pulls())
        return len(taken) >= n

    bench.until(there)
    return taken


def test_a_closed_pull_comes_with_its_curve_corrected_and_with_its_source(bench, reference):
    bench.rest()
    bench.session.start_practice(PracticeAim(reference, target_nm=30.0, time_window_s=(0.5, 4.0)))
    bench.rest()
    assert bench.view.time_window_s == (0.5, 4.0)
    assert bench.view.capacity_nm == reference.capacity_nm
    bench.pull(30.0)
    (one,) = closed(bench)
    assert one.pull.first_peak == pytest.approx(30.0, rel=5e-3)
    assert one.pull.peak >= one.pull.first_peak
    assert one.source is Source.SIMULATED
    assert len(one.t_s) == len(one.torque_nm)
    assert one.t_s[0] <= one.pull.start_s
    assert one.t_s[-1] >= one.pull.end_s - 0.002
    assert one.torque_nm.max() == pytest.approx(one.pull.peak, rel=0.02)
    assert np.all(np.diff(one.t_s) > 0)
    assert bench.session.take_practice_pulls() == []


def test_nothing_of_practice_reaches_the_store(bench, store, reference):
    bench.rest()
    bench.session.start_practice(PracticeAim(reference, target_nm=30.0))
    bench.rest()
    for _ in range(3):
        bench.pull(30.0)
    closed(bench, 3)
    assert store.pulls == {}
    assert store.seals == []


def test_anticlockwise_pulls_carry_their_sign(bench, reference):
    bench.rest()
    bench.session.start_practice(PracticeAim(reference, direction=Direction.ANTICLOCKWISE, target_nm=30.0))
    bench.rest()
    bench.pull(30.0, sign=-1)
    (one,) = closed(bench)
    assert one.pull.direction is Direction.ANTICLOCKWISE
    assert one.torque_nm.min() < -29.0


def test_the_hand_is_told_by_phase_and_click_as_in_a_run(bench, reference):
    bench.rest()
    bench.session.start_practice(PracticeAim(reference, target_nm=8.0))
    bench.rest()
    bench.session.take_sounds()
    bench.send(np.linspace(0, 8.0, 900))
    assert bench.view.phase is Phase.RISING
    assert bench.view.eighty_s is not None
    bench.send(np.linspace(8.0, 5.0, 5))
    bench.send(np.linspace(5.0, 4.8, 55))
    assert bench.view.phase is Phase.RELEASED
    assert bench.session.take_sounds() == ["click"]
    bench.send(np.linspace(4.8, 0.0, 200))
    bench.rest()
    assert bench.view.phase is Phase.REST
    assert bench.view.eighty_s is None


def test_a_held_torque_is_read_for_a_tool_that_shows(bench, reference):
    bench.rest()
    bench.session.start_practice(PracticeAim(reference, mode=Mode.HOLD, target_nm=30.0))
    bench.rest()
    bench.send(np.concatenate([np.linspace(0, 30.5, 1500), np.full(1500, 30.0), np.linspace(30.0, 0, 400)]))
    bench.rest()
    (one,) = closed(bench)
    assert one.pull.mode is Mode.HOLD
    assert one.pull.reading == pytest.approx(30.0, rel=2e-3)


def test_practice_is_refused_while_a_run_is_under_way_and_ends_when_one_begins(bench, plan_of, reference):
    bench.rest()
    bench.session.start_practice(PracticeAim(reference, target_nm=30.0))
    bench.rest()
    bench.session.start_run(plan_of())
    bench.walk("preload")
    bench.natural()
    assert bench.session.take_practice_pulls() == []
    with pytest.raises(ValueError, match="run is under way"):
        bench.session.start_practice(PracticeAim(reference))


def test_after_a_sealed_run_practice_takes_the_bench(bench, store, plan_of, reference):
    bench.session.start_run(plan_of())
    bench.walk("verdict")
    bench.go()
    bench.until(lambda v: v.state.value == "sealed" and store.seals)
    bench.session.start_practice(PracticeAim(reference, target_nm=30.0))
    bench.rest()
    assert bench.view.run is None
    n = len(store.pulls)
    bench.pull(30.0)
    closed(bench)
    assert len(store.pulls) == n


def test_stopped_in_the_middle_a_pull_is_forgotten(bench, reference):
    bench.rest()
    bench.session.start_practice(PracticeAim(reference, target_nm=30.0))
    bench.rest()
    bench.send(np.linspace(0, 20.0, 900))
    bench.session.stop_practice()
    bench.settle()
    assert bench.view.phase is Phase.REST
    assert bench.view.time_window_s is None
    bench.send(np.linspace(20.0, 0.0, 300))
    bench.rest()
    bench.pull(30.0)
    assert bench.session.take_practice_pulls() == []


def test_begun_again_what_was_not_taken_is_gone(bench, reference):
    bench.rest()
    bench.session.start_practice(PracticeAim(reference, target_nm=30.0))
    bench.rest()
    bench.pull(30.0)
    bench.session.start_practice(PracticeAim(reference, target_nm=20.0))
    assert bench.session.take_practice_pulls() == []
    bench.rest()
    bench.pull(20.0)
    (one,) = closed(bench)
    assert one.pull.first_peak == pytest.approx(20.0, rel=5e-3)


def test_without_a_reference_samples_are_taken_as_they_come(bench):
    bench.rest()
    bench.session.start_practice(PracticeAim(None))
    bench.rest()
    bench.pull(30.0)
    bench.rest(2.0)
    (one,) = closed(bench)
    assert one.pull.first_peak == pytest.approx(30.0, rel=5e-3)
    assert dataclasses.is_dataclass(one)
    assert not math.isnan(one.torque_nm.max())
