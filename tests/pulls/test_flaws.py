"""What the recording itself does to a pull: samples wrong or missing, rates that change, a missing beginning."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
import scipy.signal

from benchapp.pulls import Flag, Mode, PullReader, read_pulls
from benchapp.pulls.events import ClickHeard, HoldSteady, PullClosed

_spec = importlib.util.spec_from_file_location("traces", Path(__file__).with_name("traces.py"))
traces = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(traces)
CAPACITY, click_pull, line = traces.CAPACITY, traces.click_pull, traces.line


def read(t, v, mode=Mode.FIRST_PEAK):
    (pull,) = read_pulls(t, v, mode=mode, capacity=CAPACITY).pulls
    reader = PullReader(mode=mode, capacity=CAPACITY)
    events = [event for k in range(0, len(t), 7) for event in reader.feed(t[k : k + 7], v[k : k + 7])]
    events += reader.finish()
    assert [event.pull for event in events if isinstance(event, PullClosed)] == [pull]
    return pull


def without(t, v, begin, end):
    keep = (t < begin) | (t > end)
    return t[keep], v[keep]


def eased(level, begin, seconds, t):
    """From `level` to 0 as an arm lets off: half a cosine."""
    return level * (1 + np.cos(np.pi * np.clip((t - begin) / seconds, 0, 1))) / 2


# ---- a gap where the tool let go, or may have


@pytest.mark.parametrize("rate_hz", [100.0, 1000.0])
@pytest.mark.parametrize("missing", [0.03, 0.06, 0.12])
@pytest.mark.parametrize("at", [4.55, 4.65, 4.7, 4.8])
def test_an_arm_that_lets_off_into_a_gap_is_no_click(rate_hz, missing, at):
    t, v = line([(0, 0), (0.5, 0), (3.5, 60), (5.0, 60), (6.0, 60)], rate_hz)
    v = np.where(t > 4.5, eased(60.0, 4.5, 0.5, t) + v - 60.0, v)
    pull = read(*without(t, v, at, at + missing))
    assert pull.reading is None
    assert {Flag.GAP, Flag.NO_CLICK} & set(pull.flags)


@pytest.mark.parametrize("missing", [0.02, 0.03])
@pytest.mark.parametrize("at", [4.52, 4.54])
def test_no_click_is_announced_whose_fall_lies_in_a_gap(missing, at):
    t, v = line([(0, 0), (0.5, 0), (3.5, 60), (5.0, 60), (6.0, 60)])
    v = np.where(t > 4.5, eased(60.0, 4.5, 0.5, t) + v - 60.0, v)
    t, v = without(t, v, at, at + missing)
    reader = PullReader(mode=Mode.FIRST_PEAK, capacity=CAPACITY)
    events = [event for k in range(0, len(t), 10) for event in reader.feed(t[k : k + 10], v[k : k + 10])]
    assert not any(isinstance(event, ClickHeard) for event in events)


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 150.0, 200.0, 250.0, 300.0, 1000.0, 2000.0])
@pytest.mark.parametrize("off_s", [0.25, 0.3, 0.5])
def test_an_arm_that_lets_off_is_announced_as_no_click(rate_hz, off_s):
    for begin in np.linspace(4.5, 4.52, 5):
        t, v = line([(0, 0), (0.5, 0), (3.5, 60), (5.0, 60), (6.0, 60)], rate_hz)
        v = np.where(t > begin, eased(60.0, begin, off_s, t) + v - 60.0, v)
        reader = PullReader(mode=Mode.FIRST_PEAK, capacity=CAPACITY)
        events = [event for k in range(0, len(t), 10) for event in reader.feed(t[k : k + 10], v[k : k + 10])]
        assert not any(isinstance(event, ClickHeard) for event in events)


@pytest.mark.parametrize("missing", [0.04, 0.08, 0.12])
@pytest.mark.parametrize("late", [0.0, 0.03, 0.06])
def test_an_arm_that_dips_into_a_gap_has_not_clicked_and_the_click_after_it_is_read(missing, late):
    t, v = line(
        [(0, 0), (0.5, 0), (2.9, 36), (3.1, 36), (4.7, 60), (4.706, 48), (4.74, 48), (4.9, 60), (5.1, 0), (6, 0)]
    )
    at = np.clip((t - 2.9) / 0.2, 0, 1)
    v -= 0.2 * 36 * (1 - np.cos(2 * np.pi * at)) / 2
    pull = read(*without(t, v, 2.9 + late, 2.9 + late + missing))
    assert pull.reading == pytest.approx(60.0, rel=0.0025)
    assert Flag.PAST_CLICK not in pull.flags


def test_a_click_in_a_gap_is_not_read_and_the_reason_is_told():
    t, v = line(click_pull(30.0))
    for begin, end in ((3.46, 3.503), (3.497, 3.53), (3.503, 3.53), (3.48, 3.6)):
        pull = read(*without(t, v, begin, end))
        assert pull.reading is None
        assert Flag.GAP in pull.flags
        assert Flag.NO_CLICK not in pull.flags


def test_a_gap_after_the_fall_takes_nothing_away():
    t, v = line(click_pull(30.0))
    assert read(*without(t, v, 3.53, 3.56)).reading == pytest.approx(30.0, rel=0.0025)


def test_a_gap_in_which_the_tool_may_have_clicked_is_told_instead_of_no_click():
    t, v = line([*click_pull(60.0, rise_s=4.0, again=63.0)])
    gone = read(*without(t, v, 4.3, 4.7 - 0.085))
    assert gone.reading is None
    assert Flag.GAP in gone.flags
    assert Flag.NO_CLICK not in gone.flags
    # no arm falls and rises again within 10 ms
    t, v = line([(0, 0), (0.5, 0), (2.5, 30), (2.7, 30), (3.2, 0), (4.4, 0)])
    assert {Flag.GAP, Flag.NO_CLICK} <= set(read(*without(t, v, 2.0, 2.01)).flags)


@pytest.mark.parametrize("begin", [4.2, 4.35, 4.45])
def test_the_greatest_torque_is_one_that_was_seen(begin):
    t, v = line([(0, 0), (0.5, 0), (4.5, 60), (4.506, 48), (4.54, 48), (4.7, 63), (5.1, 0), (6, 0)])
    t, v = without(t, v, begin, begin + 0.4)
    pull = read(t, v, Mode.PEAK)
    assert pull.reading <= v.max() + 0.02
    assert pull.reading == pytest.approx(v.max(), abs=0.05)
    assert abs(v[np.searchsorted(t, pull.reading_time_s)] - pull.reading) < 0.3
    assert Flag.GAP in pull.flags


# ---- wrong samples


@pytest.mark.parametrize(
    ("rate_hz", "wrong"),
    [
        *((500, 1), (500, 2), (999, 2), (1000, 1), (1000, 2), (2000, 3), (2000, 4), (10_000, 3), (10_000, 10)),
        *((10_000, 20), (1000, 3), (1000, 5), (1000, 6), (2000, 12), (5000, 30), (10_000, 30), (10_000, 60)),
    ],
)
@pytest.mark.parametrize("value", [90.0, -60.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_wrong_samples_of_up_to_six_milliseconds_are_mended(rate_hz, wrong, value, sign):
    t, v = line(click_pull(30.0), float(rate_hz))
    k = int(2.2 * rate_hz)
    v[k : k + wrong] = value
    pull = read(t, sign * v)
    assert Flag.SPIKE in pull.flags
    assert pull.reading == pytest.approx(30.0, rel=0.0025)
    assert pull.peak == pytest.approx(30.0, rel=0.005)
    assert next(one.value for one in pull.noticed if one.flag is Flag.SPIKE) == wrong


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 320.0, 400.0, 500.0, 1000.0, 2000.0])
@pytest.mark.parametrize("off", [1.2, -1.2, 3.5, -3.5])
@pytest.mark.parametrize("at", [1.5, 2.2, 3.1])
def test_a_small_wrong_sample_is_no_click(rate_hz, off, at):
    # below 4 % of the capacity, yet far from what came before and after it: it was read as the click below 500 Hz
    t, v = line(click_pull(30.0), rate_hz)
    k = int(at * rate_hz)
    v[k] += off
    pull = read(t, v)
    assert Flag.SPIKE in pull.flags
    assert not {Flag.UNCLEAR, Flag.PAST_CLICK, Flag.JERKY} & set(pull.flags)
    assert pull.reading == pytest.approx(30.0, rel=0.0125 if rate_hz < 300 else 0.0025)


@pytest.mark.parametrize("rate_hz", [100.0, 250.0, 500.0, 1000.0])
@pytest.mark.parametrize("step", [0.1, 0.3])
def test_what_is_shown_in_few_digits_steps_and_is_right(rate_hz, step):
    t, v = line(click_pull(30.0), rate_hz, noise=0.3 * step)
    assert Flag.SPIKE not in read(t, step * np.round(v / step)).flags


@pytest.mark.parametrize("rate_hz", [250.0, 500.0, 1000.0])
@pytest.mark.parametrize("share", [0.2, 1 / 3, 0.45])
def test_a_bench_that_rings_after_the_click_is_torque(rate_hz, share):
    # at a third of the rate each trough is a single sample between two that agree
    per_sample = 20
    t, v = line(click_pull(30.0), per_sample * rate_hz, noise=0.0)
    x = scipy.signal.TransferFunction([1.0], [1.0 / (w := 2 * np.pi * share * rate_hz) ** 2, 0.06 / w, 1.0])
    _, rung, _ = scipy.signal.lsim(x, v, t)
    t, v = t[::per_sample], rung[::per_sample] + np.random.default_rng(1).normal(0.0, 0.01, len(t[::per_sample]))
    assert Flag.SPIKE not in read(t, v).flags


@pytest.mark.parametrize("rate_hz", [1000.0, 2000.0, 10_000.0])
@pytest.mark.parametrize("seconds", [0.004, 0.006, 0.008])
@pytest.mark.parametrize("height", [25.0, -15.0])
@pytest.mark.parametrize("at", [1.5, 2.2, 3.2])
def test_what_comes_and_goes_within_milliseconds_is_not_plainly_the_click(rate_hz, seconds, height, at):
    # half a sine: too smooth to be surely wrong samples, too quick for a mechanism or an arm
    t, v = line(click_pull(30.0), rate_hz)
    v += height * np.sin(np.pi * np.clip((t - at) / seconds, 0.0, 1.0))
    pull = read(t, v)
    assert pull.reading == pytest.approx(30.0, rel=0.0025) or Flag.UNCLEAR in pull.flags


@pytest.mark.parametrize("rate_hz", [100.0, 300.0, 500.0, 1000.0, 2000.0, 10_000.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_tip_of_a_snatch_and_the_trough_of_a_click_are_torque(rate_hz, sign):
    snatch = [(0, 0), (0.5, 0), (0.7, 60), (0.705, 45), (0.712, 45), (0.74, 50), (0.78, 20), (0.9, 0), (1.5, 0)]
    blow = [(0, 0), (0.5, 0), (3.0, 30), (3.01, 28.5), (3.2, 28.4), (3.205, 34), (3.212, 27.5), (3.4, 0), (4, 0)]
    # at 100 Hz the whole blow is one sample: by the definition of a wrong one, it is one
    for corners in (snatch, blow) if rate_hz > 100.0 else (snatch,):
        for shift in np.linspace(0.0, 1.0 / rate_hz, 5):
            t, v = line([(s + shift if s else s, torque) for s, torque in corners], rate_hz)
            assert Flag.SPIKE not in read(t, sign * v).flags


# ---- times


@pytest.mark.parametrize("slow_first", [True, False])
def test_time_past_the_click_is_time_whatever_the_rate(slow_first):
    for push_s, past in ((0.15, False), (0.6, True)):
        end = 3.6 + push_s
        corners = [(0, 0), (0.5, 0), (3.5, 30), (3.504, 24), (3.53, 24), (3.6, 33), (end, 33)]
        t, v = line([*corners, (end + 0.12, 0), (end + 1.2, 0)])
        keep = ((t > 2.5) if slow_first else (t < 3.52)) | (np.arange(len(t)) % 4 == 0)
        assert (Flag.PAST_CLICK in read(t[keep], v[keep]).flags) == past


def test_time_past_the_click_goes_on_in_a_gap():
    t, v = line([(0, 0), (0.5, 0), (3.5, 30), (3.51, 24), (3.6, 33), (3.95, 33), (4.1, 0), (5, 0)])
    t, v = without(t, v, 3.65, 3.9)
    assert Flag.PAST_CLICK in read(t, v).flags


def test_a_rise_that_is_not_in_the_recording_took_nobody_knows_how_long():
    t, v = line(click_pull(30.0))
    late = read(t[t > 3.3], v[t > 3.3])
    assert late.reading == pytest.approx(30.0, rel=0.0025)
    assert late.time_80_to_100_s is late.loading_rate_per_s is None
    assert set(late.flags) == {Flag.CUT}
    early = read(t[t > 2.0], v[t > 2.0])
    assert early.time_80_to_100_s == pytest.approx(0.6, abs=0.01)


@pytest.mark.parametrize("rate_hz", [300.0, 1000.0, 10_000.0])
def test_a_recording_that_begins_with_a_moment_of_rest_is_not_cut(rate_hz):
    corners = [(0, 0.2), (0.03, 0.2), (0.2, 60), (0.206, 48), (0.24, 48), (0.4, 50), (0.6, 0.2), (1.6, 0.2)]
    t, v = line(corners, rate_hz)
    pull = read(t, v)
    assert pull.flags == (Flag.TOO_FAST,)
    assert pull.start_s == pytest.approx(0.03, abs=0.01)
    assert pull.rest == pytest.approx(0.2, abs=0.03)
    for begin in (0.05, 0.1):
        assert Flag.CUT in read(t[t > begin], v[t > begin]).flags


# ---- what is held


def test_what_is_not_held_steadily_has_no_reading_and_is_not_announced():
    ramp = [(0, 0), (0.5, 0), (3.5, 60), (4.0, 0), (5.0, 0)]
    held = [(0, 0), (0.5, 0), (1.5, 22), (1.8, 20), (3.0, 20.1), (3.3, 0), (4.0, 0)]
    for corners, steady in ((ramp, False), (held, True)):
        t, v = line(corners)
        reader = PullReader(mode=Mode.HOLD, capacity=CAPACITY)
        events = reader.feed(t, v) + reader.finish()
        assert any(isinstance(event, HoldSteady) for event in events) == steady
        assert (read(t, v, Mode.HOLD).reading is not None) == steady


def test_a_gap_in_what_is_held_is_told():
    t, v = line([(0, 0), (0.5, 0), (1.5, 21), (1.7, 20), (3.0, 20), (3.3, 0), (4.0, 0)])
    for begin, told in ((0.8, False), (1.2, True), (2.0, True), (2.7, True), (3.22, False)):
        assert (Flag.GAP in read(*without(t, v, begin, begin + 0.05), Mode.HOLD).flags) == told


@pytest.mark.parametrize("missing_s", [0.02, 0.06])
def test_a_hold_is_half_a_second_of_time_where_samples_are_missing(missing_s):
    # steady for 0.58 s only; samples go missing all along
    t, v = line([(0, 0), (0.5, 0), (1.5, 20), (2.08, 20), (2.6, 30), (2.9, 0), (4.0, 0)])
    for begin in (1.6, 1.75, 1.9):
        t, v = without(t, v, begin, begin + missing_s / 3)
    pull = read(t, v, Mode.HOLD)
    assert pull.reading == pytest.approx(20.0, abs=0.01)
    begin, end = (next(mark.time_s for mark in pull.marks if mark.name == name) for name in ("hold-start", "hold-end"))
    assert end - begin == pytest.approx(0.5, abs=0.003)


def test_what_was_held_while_most_samples_were_missing_is_not_known():
    t, v = line([(0, 0), (0.5, 0), (1.5, 20), (2.1, 20), (2.6, 30), (2.9, 0), (4.0, 0)])
    assert read(*without(t, v, 1.62, 1.95), Mode.HOLD).reading is None


def test_a_hold_is_announced_after_half_a_second_of_time():
    t, v = line([(0, 0), (0.5, 0), (1.5, 20), (3.0, 20), (3.3, 0), (4.0, 0)])
    t, v = without(t, v, 1.7, 1.78)
    reader = PullReader(mode=Mode.HOLD, capacity=CAPACITY, target=20.0)
    told = [(t[k], event) for k in range(len(t)) for event in reader.feed(t[k : k + 1], v[k : k + 1])]
    ((at, held),) = [(at, event) for at, event in told if isinstance(event, HoldSteady)]
    assert at - held.start_s == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("step_s", [0.0, 1e-9, 1e-5])
@pytest.mark.parametrize("n", [3, 7, 11, 30])
@pytest.mark.parametrize("before", [0, 1, 4])
@pytest.mark.parametrize("mode", [Mode.FIRST_PEAK, Mode.PEAK])
def test_samples_dated_upon_one_another_make_no_torque_that_was_not_there(step_s, n, before, mode):
    """After a stall a busy machine dated a lump within nanoseconds; a parabola through it said 923,562 N·m of 60."""
    t, v = line(click_pull(60.0))
    click = int(np.argmax(v[: int(4.7 * 1000)]))
    begin = click - before - n
    steps = np.diff(t, prepend=0.0)
    steps[begin : begin + n] = step_s + 1e-12
    pull = read(np.cumsum(steps), v, mode)
    assert pull.reading == pytest.approx(60.0, rel=0.004)
    assert pull.peak <= v.max() + 0.1


@pytest.mark.parametrize("last", [3.39, 45.0])
def test_a_fall_that_is_the_last_sample_of_a_recording_is_no_clear_click(last):
    """A file that breaks off in a number, or just there: whether it went on nobody knows."""
    t, v = line([(0, 0), (0.5, 0), (3.0, 60)])
    v[-1] = last
    pull = read(t, v)
    assert Flag.CUT in pull.flags
    assert Flag.UNCLEAR in pull.flags or pull.reading is None


@pytest.mark.parametrize("rate_hz", [0.4, 0.1, 1e-3])
def test_a_sample_every_few_seconds_is_read_as_well(rate_hz):
    """A second of stillness holds no sample then: nothing is told of a tool hung on the drive."""
    v = np.array([0.0] * 40 + [float(k) for k in range(1, 80)])
    (pull,) = read_pulls(np.arange(len(v)) / rate_hz, v, mode=Mode.PEAK, capacity=100.0).pulls
    assert pull.peak == pytest.approx(79.0, rel=0.05)
    assert Flag.CUT in pull.flags


def test_a_magnitude_is_never_below_zero():
    rng = np.random.default_rng(5)
    t_s = np.arange(4000) / 1000.0
    noise = rng.normal(0.0, 0.01, len(t_s))
    # a tool whose weight pulls backwards is lifted off the drive, not pulled
    lifted = np.interp(t_s, [0.0, 1.0, 1.2, 1.6, 1.8, 4.0], [-6.0, -6.0, -1.0, -1.0, -6.0, -6.0]) + noise
    for mode in Mode:
        assert read_pulls(t_s, lifted, mode=mode, capacity=100.0).pulls == ()
        # a capacity far below the noise makes pulls of it
        for seed in range(20):
            noise = np.random.default_rng(seed).normal(0.0, 0.01, 500)
            pulls = read_pulls(t_s[:500], noise, mode=mode, capacity=1e-20).pulls
            assert all(min(pull.peak, pull.reading or 0.0) >= 0 for pull in pulls)


@pytest.mark.parametrize("rate_hz", [1000, 3000, 10_000])
@pytest.mark.parametrize("mode", [Mode.FIRST_PEAK, Mode.PEAK])
def test_the_greatest_torque_of_a_pull_that_ends_at_its_click_is_where_the_tool_let_go(rate_hz, mode):
    """A corner of 60 N·m: a parabola around it told 60.4 at 10 kHz, and a follow-through of 0.6 % that was none."""
    t_s = np.arange(3 * rate_hz) / rate_hz
    torque = np.interp(t_s, [0, 0.5, 1.0, 2.0, 2.005, 2.25, 3.0], [0, 0, 48.0, 60.0, 42.0, 0, 0])
    torque += np.random.default_rng(3).normal(0, 0.01, len(t_s))
    (pull,) = read_pulls(t_s, torque, mode=mode, capacity=250.0).pulls
    # 0.25 % would be allowed; what is known is noise and half a sample's rise
    assert pull.peak == pytest.approx(60.0, abs=0.03 + 0.5 * 12.0 / rate_hz)
    assert pull.reading == pull.peak == pull.first_peak
