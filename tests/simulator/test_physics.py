"""Hand, tool and transducer against figures collected on hand pulls ([P] plausible, [D] derived, [C] cited)."""

import math

import numpy as np
import pytest

from simulator import hand
from simulator.bench import Bench, whole_pull
from simulator.hand import Arm, Intention
from simulator.signals import Course
from simulator.tools import Kind, Mechanism, ToolSettings, draw_mechanism
from simulator.transducer import TransducerSettings

STILL = Arm(wander=0.0, tremor=0.0)


def bench(
    *, arm=STILL, kind=Kind.CLICK_WRENCH, mechanism=None, weak=False, seed=1, spread=0.0, inner_hz=20_000.0, **more
):
    random = np.random.default_rng(seed)
    tool = ToolSettings(kind, 200.0, 100.0, 0.0, spread, weak)
    chosen = draw_mechanism(kind, 200.0, weak, random) if mechanism is None else mechanism
    figures = {"capacity_nm": 250.0, "rate_hz": 1000.0, "filter_hz": 0.0, "noise": 0.0, "resolution_nm": 1e-6}
    return Bench(arm, tool, chosen, TransducerSettings(**{**figures, **more}), seed, inner_hz)


def ramp(rate_percent_per_s, target=100.0):
    rise = 0.7 * target / (rate_percent_per_s / 100 * target)
    course = Course(np.array([0.0, rise]), np.array([0.0, 0.7 * target]), rate_percent_per_s / 100 * target)
    return Intention(course, target, ends_s=60.0, reaction_s=0.1, ease_s=0.2)


@pytest.mark.parametrize("weak", [False, True])
def test_the_fall_is_as_deep_and_as_fast_as_collected(weak):
    depths = []
    for seed in range(40):
        pull = whole_pull(bench(weak=weak, seed=seed), ramp(20.0))
        click = int(np.argmin(np.abs(pull.true_t_s - pull.click_s[0])))
        near = pull.drive_nm[click : click + int(0.03 * 20_000)]
        held = near[: int(np.argmax(np.diff(near) > 0.5)) or None]
        level = float(np.median(held[int(0.6 * len(held)) :]))
        depth = near[0] - level
        depths.append(depth / near[0])
        half_s = int(np.argmax(near < near[0] - 0.5 * depth)) / 20_000
        whole_s = int(np.argmax(near < near[0] - 0.95 * depth)) / 20_000
        assert 0.0007 <= half_s <= 0.0051  # [P] 1 to 5 ms, to within two inner samples; what rattles may hasten it
        assert 0.0015 <= whole_s <= 0.030  # [P] at most 30 ms
    low, high = (0.028, 0.078) if weak else (0.095, 0.66)  # [P] 3 to 7 %, 10 to 60 %, and the creep of friction
    assert low <= min(depths)
    assert max(depths) <= high


def test_torque_bears_up_again_once_the_free_angle_is_run_through():
    mechanism = Mechanism(depth=0.3, half_s=0.002, free_angle_rad=math.radians(3.0), inertia=0.5, creep=0.0, ring=0.0)
    pull = whole_pull(bench(mechanism=mechanism), ramp(20.0))
    after = pull.true_t_s - pull.click_s[0]
    # uniform acceleration through θ under the torque no longer opposed: t = sqrt(2 θ I / M) [D]
    free_s = math.sqrt(2 * math.radians(3.0) * 0.5 / 30.0)
    quiet = pull.drive_nm[(after > 0.012) & (after < free_s)]
    assert np.ptp(quiet) < 0.05 * 30.0
    borne = float(after[(after > 0.012) & (pull.drive_nm > 85.0)][0])
    assert free_s < borne < free_s + 0.025


def test_nothing_is_put_in_that_the_hand_does_not_give():
    pull = whole_pull(bench(kind=Kind.DIAL_WRENCH), hand.reach(100.0, np.random.default_rng(2), overshoot=0.0))
    assert pull.click_s == ()
    assert pull.true_nm.max() == pytest.approx(100.0, rel=0.006)
    assert pull.true_nm.min() >= 0.0


def test_tremor_lies_in_its_band_and_has_its_size():
    # a peak between 6 and 12 Hz [C, Lakie 2015]; size as set
    arm = Arm(wander=0.0, tremor=0.02, tremor_hz=9.0, tremor_quality=5.0)
    hold = Intention(Course(np.array([0.0, 2.0, 90.0]), np.array([0.0, 100.0, 100.0]), 0.0), 100.0, ends_s=80.0)
    pull = whole_pull(bench(arm=arm, kind=Kind.DIAL_WRENCH, inner_hz=5000.0), hold, longest_s=90.0)
    steady = pull.torque_nm[5000:70_000] - 100.0
    power = np.abs(np.fft.rfft(steady * np.hanning(len(steady)))) ** 2
    frequency = np.fft.rfftfreq(len(steady), 1e-3)
    smooth = np.convolve(power, np.ones(40) / 40, "same")
    assert 8.0 < frequency[np.argmax(smooth)] < 10.0
    band = (frequency > 6.0) & (frequency < 12.0)
    # a resonance of 1.8 Hz half-power width has (2/π) atan(2 × 3 Hz / 1.8 Hz) = 81 % of its power within ± 3 Hz
    assert power[band].sum() / power.sum() == pytest.approx(0.81, abs=0.04)
    assert np.sqrt(np.mean(steady**2)) == pytest.approx(2.0, rel=0.15)


def test_wander_lies_below_four_hertz():
    # most power of force fluctuation below 4 Hz [C, Vaillancourt 2002 as cited]
    arm = Arm(wander=0.01, tremor=0.0)
    hold = Intention(Course(np.array([0.0, 2.0, 90.0]), np.array([0.0, 100.0, 100.0]), 0.0), 100.0, ends_s=80.0)
    pull = whole_pull(bench(arm=arm, kind=Kind.DIAL_WRENCH, inner_hz=5000.0), hold, longest_s=90.0)
    steady = pull.torque_nm[5000:70_000]
    power = np.abs(np.fft.rfft((steady - steady.mean()) * np.hanning(len(steady)))) ** 2
    assert power[np.fft.rfftfreq(len(steady), 1e-3) < 4.0].sum() / power.sum() > 0.9
    assert steady.std() == pytest.approx(1.0, rel=0.25)


def test_sampling_misses_half_a_samples_rise_on_average():
    # signal capture, row F1: 40 %/s at 1 kHz, captured between −0.040 % and 0, mean −0.020 % [D]
    errors = []
    for seed in range(80):
        made = bench(seed=seed, spread=0.5, mechanism=Mechanism(depth=0.5, half_s=0.0002, ring=0.0), inner_hz=50_000.0)
        pull = whole_pull(made, ramp(40.0))
        near = np.abs(pull.t_s - pull.click_s[0]) < 0.005
        true = pull.true_nm[np.abs(pull.true_t_s - pull.click_s[0]) < 0.005].max()
        errors.append(100.0 * (pull.torque_nm[near].max() / true - 1.0))
    assert min(errors) >= -0.0401
    assert max(errors) <= 1e-6
    assert np.mean(errors) == pytest.approx(-0.020, abs=0.004)  # 80 draws, uniform: standard error 0.0013


def test_a_filtered_peak_is_low_by_the_lag():
    # row F2: 40 %/s through a first-order low-pass of 100 Hz, low by 0.0637 % when the drop follows at once [D]
    made = bench(mechanism=Mechanism(depth=0.6, half_s=2e-5, ring=0.0), filter_hz=100.0, inner_hz=100_000.0)
    pull = whole_pull(made, ramp(40.0))
    near = np.abs(pull.true_t_s - pull.click_s[0]) < 0.02
    # the drop takes 0.1 ms here, which lets the filtered peak rise a little on
    low = 100.0 * (1 - pull.true_nm[near].max() / pull.drive_nm[near].max())
    assert low == pytest.approx(0.0637, abs=0.002)


def test_the_hand_eases_off_after_its_reaction_time():
    made = bench(mechanism=Mechanism(depth=0.1, ring=0.0))
    plan = ramp(30.0)
    pull = whole_pull(made, plan)
    end = float(pull.true_t_s[np.flatnonzero(pull.drive_nm > 0.5)[-1]])
    assert end - pull.click_s[0] == pytest.approx(plan.reaction_s + plan.ease_s, abs=0.03)


def test_dips_of_a_jerky_pull_are_an_arms_not_a_mechanisms():
    for seed in range(10):
        plan = hand.jerky(100.0, np.random.default_rng(seed))
        assert 1 <= len(plan.dips) <= 3
        assert all(0.08 <= dip.depth <= 0.35 and dip.fall_s >= 0.1 and dip.back_s >= 0.1 for dip in plan.dips)


def test_a_slipping_screwdriver_lets_go_again_and_again_at_about_the_same_torque():
    made = bench(kind=Kind.SLIPPING_SCREWDRIVER, seed=5)
    plan = ramp(20.0)
    pull = whole_pull(made, Intention(plan.course, 100.0, ends_s=60.0, reaction_s=1.0, ease_s=0.3, most_nm=130.0))
    after = pull.drive_nm[(pull.true_t_s > pull.click_s[0] - 0.01) & (pull.true_t_s < pull.click_s[0] + 0.95)]
    drops = np.flatnonzero((after[1:-1] > after[:-2]) & (after[1:-1] >= after[2:]) & (after[1:-1] > 95.0))
    assert len(drops) >= 3
    assert np.abs(after[drops + 1] - 100.0).max() < 3.0


@pytest.mark.parametrize("kind", list(Kind))
def test_same_seed_same_pull(kind):
    first, second, other = (
        whole_pull(bench(kind=kind, seed=s, noise=1e-4, arm=Arm()), hand.jerky(100.0, np.random.default_rng(s)))
        for s in (3, 3, 4)
    )
    np.testing.assert_array_equal(first.torque_nm, second.torque_nm)
    assert len(first.torque_nm) != len(other.torque_nm) or not np.array_equal(first.torque_nm, other.torque_nm)


def test_the_true_error_of_a_setting_tool_is_where_it_lets_go():
    made = bench(seed=2)
    made.tool.settings.error_percent = 5.0
    made.tool.arm()
    pull = whole_pull(made, ramp(20.0))
    at_click = pull.drive_nm[np.argmin(np.abs(pull.true_t_s - pull.click_s[0]))]
    assert at_click == pytest.approx(105.0, rel=1e-4)


def test_hum_noise_offset_and_drift_are_what_was_set():
    made = bench(noise=2e-4, hum=4e-3, offset_nm=0.5, drift_nm_per_s=0.01)
    rest = whole_pull(made, None, before_s=20.0)
    fit = np.polyfit(rest.t_s, rest.torque_nm, 1)
    assert fit[1] == pytest.approx(0.5, abs=0.01)
    assert fit[0] == pytest.approx(0.01, abs=0.001)
    left = rest.torque_nm - np.polyval(fit, rest.t_s)
    waves = np.column_stack([f(2 * math.pi * k * 49.98 * rest.t_s) for k in (1, 3) for f in (np.sin, np.cos)])
    found, *_ = np.linalg.lstsq(waves, left, rcond=None)
    assert math.hypot(found[0], found[1]) == pytest.approx(1.0, abs=0.005)  # 0.4 % of 250 N·m
    left = left - waves @ found
    assert left.std() == pytest.approx(0.05, rel=0.02)  # 2e-4 of 250 N·m, white: nothing else is left
