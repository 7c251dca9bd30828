"""Samples are dated by the best clock there is; lumps of arrival do not bend the curve."""

from __future__ import annotations

import random
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.clock import ArrivalClock, Clock, CountClock, DeviceClock, Marks
from drivers.samples import FloatArray, Gap


def _dated(clock: Clock, ticks: list[float], cuts: list[int] = []) -> tuple[list[float], list[Gap]]:  # noqa: B006
    edges = [0, *sorted(min(cut, len(ticks)) for cut in cuts), len(ticks)]
    t_s: list[float] = []
    gaps: list[Gap] = []
    for begin, end in pairwise(edges):
        part, found = clock.date(Marks(np.arange(begin, end), np.array(ticks[begin:end], float)))
        t_s += part.tolist()
        gaps += [gap for _, gap in found]
    return t_s, gaps


# --- the device's clock -----------------------------------------------------------------------------------------------


def test_the_device_clock_begins_at_zero_and_keeps_its_own_steps() -> None:
    t_s, gaps = _dated(DeviceClock(0.001, 0, 1000), [5000.0, 5001.0, 5002.0, 5006.0, 5007.0])
    assert t_s == pytest.approx([0, 0.001, 0.002, 0.006, 0.007], abs=1e-12)
    assert len(gaps) == 1
    assert (gaps[0].start_s, gaps[0].missing) == (pytest.approx(0.002), 3)


def test_the_device_clock_wraps() -> None:
    t_s, gaps = _dated(DeviceClock(0.001, 65536, 1000), [65534.0, 65535.0, 0.0, 1.0])
    assert t_s == pytest.approx([0, 0.001, 0.002, 0.003], abs=1e-9)
    assert gaps == []


def test_a_device_clock_that_starts_again_goes_on_by_one_interval() -> None:
    clock = DeviceClock(1.0, 0, 100)
    t_s, gaps = _dated(clock, [7.00, 7.01, 0.00, 0.01])
    assert t_s == pytest.approx([0, 0.01, 0.02, 0.03])
    assert gaps == []
    assert clock.notes == {"time": 1}


def test_many_samples_with_one_tick_are_spread_and_keep_rising() -> None:
    ticks = [tick for tick in range(200) for _ in range(4)]  # 4 kHz with a clock of 1 ms
    t_s, gaps = _dated(DeviceClock(0.001, 0, 4000), ticks)
    assert (np.diff(t_s) > 0).all()
    assert np.abs(np.array(t_s) - np.arange(800) / 4000).max() < 0.001
    assert gaps == []


def test_a_nominal_rate_that_is_wrong_is_noticed_by_the_devices_own_clock() -> None:
    ticks = (np.arange(1000) * 0.002).tolist()
    _, gaps = _dated(DeviceClock(1.0, 0, 1000), ticks)
    assert len(gaps) <= 64
    assert max(gap.start_s for gap in gaps) < 0.14


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.sampled_from([1, 1, 1, 1, 1, 0, 3, -50, 40000, float("nan")]), min_size=1, max_size=300),
    st.lists(st.integers(0, 300), max_size=6),
    st.sampled_from([0, 1000]),
)
def test_device_times_rise_and_do_not_depend_on_the_cut(steps: list[float], cuts: list[int], rate_hz: int) -> None:
    ticks, tick = [], 100.0
    for step in steps:
        tick = tick if step != step else (tick + step) % 65536
        ticks.append(tick if step == step else step)
    whole = _dated(DeviceClock(0.001, 65536, rate_hz), ticks)
    assert whole == _dated(DeviceClock(0.001, 65536, rate_hz), ticks, cuts)
    assert whole == _dated(DeviceClock(0.001, 65536, rate_hz), ticks, list(range(len(ticks))))
    assert (np.diff(whole[0]) > 0).all()


# --- counts over the rate ---------------------------------------------------------------------------------------------


def test_sequence_numbers_wrap_and_tell_gaps() -> None:
    clock = CountClock(1000, 256)
    t_s, gaps = clock.date(Marks(np.arange(5), None, np.array([254, 255, 0, 4, 5])))
    assert t_s.tolist() == pytest.approx([0, 0.001, 0.002, 0.006, 0.007])
    assert gaps == [(3, Gap(pytest.approx(0.002), pytest.approx(0.004), 3))]


def test_refused_lines_leave_gaps_when_lines_are_counted() -> None:
    t_s, gaps = CountClock(100).date(Marks(np.array([3, 4, 7])))
    assert t_s.tolist() == pytest.approx([0, 0.01, 0.04])
    assert [(row, gap.missing) for row, gap in gaps] == [(2, 2)]


def test_a_counter_that_starts_again_or_is_missing_goes_on_by_one() -> None:
    clock = CountClock(1000)
    t_s, gaps = clock.date(Marks(np.arange(6), None, np.array([90, 91, 0, 1, -1, 3])))
    assert t_s.tolist() == pytest.approx([0, 0.001, 0.002, 0.003, 0.004, 0.005])
    assert (gaps, clock.notes) == ([], {"sequence": 1})


@pytest.mark.parametrize("clock", [CountClock(1000, 256), DeviceClock(1.0, 0, 1000), ArrivalClock(1000)])
def test_the_axis_goes_on_over_a_reconnect(clock: Clock) -> None:
    def marks(arrival_s: float) -> Marks:
        return Marks(np.arange(3), np.array([0.0, 0.001, 0.002]), np.array([7, 8, 9]), arrival_s)

    before, _ = clock.date(marks(50.0))
    clock.resume(2.5)
    after, gaps = clock.date(marks(52.5))
    assert after[0] > before[-1]
    assert after[-1] - before[-1] == pytest.approx(2.5, abs=0.003)
    assert len(gaps) == 1
    assert gaps[0][1].missing == pytest.approx(2499, abs=3)


# --- arrivals ---------------------------------------------------------------------------------------------------------


def _lumped(rate_hz: float, seconds: float, lump_s: float, rng: random.Random) -> list[tuple[int, float]]:
    """(lines, arrival) of a device whose bytes a bridge hands over every `lump_s`, read up to 2 ms later."""
    lumps: dict[int, int] = {}
    for i in range(int(rate_hz * seconds)):
        lumps[int(i / rate_hz / lump_s) + 1] = lumps.get(int(i / rate_hz / lump_s) + 1, 0) + 1
    return [(n, number * lump_s + rng.uniform(0, 0.002)) for number, n in sorted(lumps.items())]


def _rebuilt(clock: ArrivalClock, lumps: list[tuple[int, float]]) -> tuple[FloatArray, list[Gap]]:
    parts, gaps, line = [], [], 0
    for n, arrival_s in lumps:
        t_s, found = clock.date(Marks(np.arange(line, line + n), arrival_s=arrival_s))
        parts.append(t_s)
        gaps += [gap for _, gap in found]
        line += n
    return np.concatenate(parts), gaps


@pytest.mark.parametrize("off", [0.0, 0.001, -0.001, 0.01])
@pytest.mark.parametrize("rate_hz", [100, 1000, 10000])
def test_lumps_of_16_ms_do_not_bend_the_curve(rate_hz: int, off: float) -> None:
    true_rate_hz = rate_hz * (1 + off)
    t_s, gaps = _rebuilt(ArrivalClock(rate_hz), _lumped(true_rate_hz, 20, 0.016, random.Random(rate_hz)))
    true_s = np.arange(len(t_s)) / true_rate_hz
    assert gaps == []
    assert (np.diff(t_s) > 0).all()
    # what bends a pull of two seconds: the error after its own mean is taken off, the axis once settled
    settled = t_s >= (4 if abs(off) < 0.005 else 8)
    worst = 0.0
    for begin_s in np.arange(t_s[settled][0], t_s[-1] - 2, 0.5):
        window = (t_s >= begin_s) & (t_s < begin_s + 2)
        error_s = t_s[window] - true_s[window]
        worst = max(worst, float(np.abs(error_s - error_s.mean()).max()))
    steps = np.diff(t_s[settled]) * true_rate_hz
    print(f"{rate_hz} Hz off by {off:+.1%}: bent by {worst * 1e3:.2f} ms, steps {steps.min():.4f} to {steps.max():.4f}")
    assert worst < 0.002
    assert 0.98 < steps.min() <= steps.max() < 1.02


@pytest.mark.parametrize(("nominal_hz", "rate_hz"), [(50, 1000), (1000, 100), (1000, 880)])
def test_a_nominal_rate_that_is_plainly_wrong_is_replaced_within_a_second(nominal_hz: int, rate_hz: int) -> None:
    clock = ArrivalClock(nominal_hz)
    t_s, _ = _rebuilt(clock, _lumped(rate_hz, 12, 0.016, random.Random(8)))
    settled = np.arange(len(t_s)) > 6 * rate_hz
    error_s = (t_s - np.arange(len(t_s)) / rate_hz)[settled]
    assert (np.diff(t_s) > 0).all()
    assert np.abs(error_s - error_s.mean()).max() < 0.005
    assert clock.notes == {"rate": 1}


def test_an_unknown_rate_is_learned_from_arrivals() -> None:
    clock = ArrivalClock(0)
    t_s, gaps = _rebuilt(clock, _lumped(250, 12, 0.016, random.Random(3)))
    assert (np.diff(t_s) > 0).all()
    assert gaps == []
    assert 1 / clock.interval_s == pytest.approx(250, rel=0.01)


def test_a_stall_whose_lines_are_lost_is_a_gap_and_one_whose_lines_come_late_is_none() -> None:
    rng = random.Random(4)
    lumps = _lumped(1000, 10, 0.016, rng)
    lost = [lump for lump in lumps if not 6.0 < lump[1] < 6.5]
    t_s, gaps = _rebuilt(ArrivalClock(1000), lost)
    assert len(gaps) == 1
    assert gaps[0].duration_s == pytest.approx(0.5, abs=0.04)
    assert t_s[-1] == pytest.approx(10, abs=0.04)
    late = [lump for lump in lumps if not 6.0 < lump[1] < 6.5]
    n_late = sum(n for n, arrival_s in lumps if 6.0 < arrival_s < 6.5)
    at = next(i for i, (_, arrival_s) in enumerate(late) if arrival_s >= 6.5)
    late[at] = (late[at][0] + n_late, late[at][1])
    t_s, gaps = _rebuilt(ArrivalClock(1000), late)
    assert gaps == []
    assert np.abs(t_s - np.arange(len(t_s)) / 1000).max() < 0.02


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from([0.0, 1000.0]),
    st.floats(0.0003, 0.03),
    st.lists(
        st.tuples(
            st.integers(1, 40),
            st.sampled_from([0.0, 0.0, 0.0, 0.001, 0.015, 0.07, -0.0002]),
            st.sampled_from([0] * 20 + [1, 5]),
        ),
        min_size=1,
        max_size=400,
    ),
    st.booleans(),
)
def test_the_short_way_dates_as_the_long_one(
    rate_hz: float, period_s: float, lumps: list[tuple[int, float, int]], goes_away: bool
) -> None:
    short, long = ArrivalClock(rate_hz), ArrivalClock(rate_hz)
    line, arrival_s, n_short = 0, 100.0, 0
    for number, (n, late_s, refused) in enumerate(lumps):
        line += refused
        arrival_s += n * period_s + late_s
        if goes_away and number == len(lumps) // 2:
            short.resume(0.3)
            long.resume(0.3)
        marks = Marks(range(line, line + n), arrival_s=arrival_s)
        expected, gaps = long.date(marks)
        t_s = short.go_on(line, n, arrival_s)
        if t_s is None:
            t_s, told = short.date(marks)
            assert told == gaps
        else:
            n_short += 1
            assert gaps == []
        assert np.array_equal(t_s, expected)
        line += n
    assert short.interval_s == long.interval_s


def test_an_axis_that_is_ahead_waits_without_laying_samples_on_one_another() -> None:
    """What comes in pieces after a stall is told as missing, and then comes: the axis is ahead by as much."""
    clock = ArrivalClock(1000)
    line, dated = 0, []

    def take(n: int, arrival_s: float) -> None:
        nonlocal line
        dated.append(clock.date(Marks(range(line, line + n), arrival_s=arrival_s))[0])
        line += n

    for i in range(3000):
        take(1, 10.0 + i / 1000)
    for n, after_s in ((20, 0.3), (280, 0.31)):
        take(n, 13.0 + after_s)
    for i in range(2000):
        take(1, 13.311 + i / 1000)
    steps = np.diff(np.concatenate(dated))
    assert steps.min() >= 0.0004
    assert dated[-1][-1] == pytest.approx(13.311 + 1.999 - 10.0, abs=0.03)


def test_a_steady_stream_goes_the_short_way() -> None:
    clock = ArrivalClock(1000)
    missed = 0
    for line in range(6000):
        arrival_s = 50 + line / 1000
        if clock.go_on(line, 1, arrival_s) is None:
            clock.date(Marks(range(line, line + 1), arrival_s=arrival_s))
            missed += line > 3000
    assert missed == 0
