"""From samples to a stored verdict without a window, by pulls and two keys; and whatever goes wrong on the way."""

import dataclasses
import datetime as dt
import math
import threading
import time

import numpy as np
import pytest

from benchapp.metrology.reference import Calibration, CalibrationPoint
from benchapp.metrology.tool import ToolType
from benchapp.pulls import Flag, Mode, Settings, read_pulls
from benchapp.runs.model import Band, Hold, PullKind, RunState
from benchapp.runs.standing import reader_settings, settings_for
from benchapp.session.view import Phase, asked_of
from benchapp.torque.direction import Direction
from benchapp.torque.units import factor_nm
from drivers.samples import SampleBlock, Source
from drivers.status import LinkState


def test_a_full_run_ends_in_a_sealed_verdict_with_every_pull_stored(bench, store, plan_of):
    bench.session.start_run(plan_of())
    view = bench.walk("verdict")
    assert view.verdict.within
    assert [len(c.readings_nm) for c in view.verdict.checkpoints] == [3, 3, 3]
    bench.go()
    view = bench.until(lambda v: v.state.value == "sealed" and store.seals)
    run = store.seals[-1]
    assert run == view.run
    assert set(store.pulls) == {(run.run_id, n) for n in range(1, 13)}
    for pull, trace in store.pulls.values():
        assert trace.t_s[0] <= pull.pull.start_s < pull.pull.end_s <= trace.t_s[-1]
    bench.session.dismiss()
    assert bench.view.run is None


def test_a_reading_is_in_low_or_high_on_the_card_and_the_ladder(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.natural(1.06)
    view = bench.until(lambda v: v.card.stored)
    assert (view.card.band, view.card.limit_percent) == (Band.HIGH, 4.0)
    assert view.card.delivered_percent == pytest.approx(6.0, abs=0.3)
    assert view.card.deviation_percent == pytest.approx(100 / 1.06 - 100, abs=0.3)
    assert [dot.band for dot in view.rungs[0].dots] == [Band.HIGH, None, None]
    assert (view.pull_index, view.n_pulls) == (2, 3)


def test_click_heard_comes_at_once_and_the_rest_later(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.session.take_sounds()
    bench.send(np.linspace(0, 5.0, 300))
    assert bench.view.phase is Phase.RISING
    assert bench.view.eighty_s is None
    start = bench.t
    bench.send(np.linspace(5.0, 8.0, 300))
    assert bench.view.eighty_s == pytest.approx(start + (6.4 - 5.0) / 3.0 * 0.3, abs=0.003)
    bench.send(np.linspace(8.0, 5.0, 5))
    bench.send(np.linspace(5.0, 4.8, 55))  # a click is told at most 60 ms after it
    view = bench.view
    assert (view.phase, view.card.provisional, view.card.torque_nm) == (
        Phase.RELEASED,
        True,
        pytest.approx(8.0, abs=0.02),
    )
    assert view.card.heard_s == pytest.approx(start + 0.3, abs=0.003)  # on the samples' clock, where it is marked
    assert bench.session.take_sounds() == ["click"]
    bench.send(np.zeros(300))
    view = bench.view
    assert (view.phase, view.card.provisional, view.card.torque_nm) == (Phase.REST, False, pytest.approx(8.0, abs=0.02))
    assert bench.session.take_sounds() == ["flagged"]  # from 80 % to the click in 0.2 s: too fast


def test_a_flagged_pull_is_repeated_with_one_key(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.natural(0.7)
    assert bench.view.state.value == "decide"
    bench.go()
    view = bench.view
    assert (view.state.value, view.card.set_aside, view.pull_index) == ("pull", "short", 1)


def test_the_card_shows_the_reading_that_is_asked_about(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.natural()
    bench.natural(0.7)
    bench.go()  # pulled again: the card shows the one that was set aside
    assert bench.view.card.set_aside == "short"
    bench.session.set_aside()
    view = bench.view
    assert (view.state.value, view.run.asked_about) == ("decide", len(view.run.pulls) - 1)
    assert view.card.set_aside is None
    assert view.card.torque_nm == pytest.approx(8.0, abs=0.02)


@pytest.mark.parametrize(("procedure", "told"), [("workshop-full", True), ("iso-6789-1-2017", False)])
def test_a_pull_is_too_slow_only_where_the_procedure_knows_a_longest_time(procedure, told, plan_of):
    settings = reader_settings(plan_of(procedure=procedure))
    t_s = np.arange(9000) / 1000.0
    torque_nm = np.interp(t_s, [0, 0.5, 1.5, 7.5, 7.51, 7.7, 9], [0, 0, 30, 40, 30, 0, 0])
    (pull,) = read_pulls(t_s, torque_nm, mode=Mode.FIRST_PEAK, capacity=100.0, settings=settings).pulls
    assert (Flag.TOO_SLOW in pull.flags) is told


def test_the_procedures_time_window_reaches_the_reader_of_the_bench(bench, plan_of):
    plan = plan_of(procedure="iso-6789-1-2017")
    bench.session.start_run(plan)
    bench.until(lambda v: v.run is not None)
    bench.rest(0.2)
    assert bench.session._reader.settings == reader_settings(plan)
    assert math.isinf(bench.session._reader.settings.slow_s)


@pytest.mark.parametrize(
    ("mode", "by_itself"), [(Mode.PEAK, (Flag.JERKY, Flag.TOO_FAST)), (Mode.HOLD, (Flag.JERKY,))], ids=["peak", "hold"]
)
def test_nobody_asks_how_long_it_takes_to_bring_an_indicating_tool_to_its_mark(mode, by_itself):
    """ISO 6789:2003, type I: the load grows gradually, no time is given (second-hand)."""
    t_s = np.arange(9000) / 1000.0
    corners_s, corners_nm = [0, 0.5, 1.2, 1.3, 1.5, 1.6, 1.7, 6.0, 7.7, 9], [0, 0, 23, 20, 24, 33, 30, 30, 0, 0]
    torque_nm = np.interp(t_s, corners_s, corners_nm)

    def flags(settings: Settings) -> tuple[Flag, ...]:
        (pull,) = read_pulls(t_s, torque_nm, mode=mode, capacity=100.0, settings=settings).pulls
        return pull.flags

    assert flags(Settings()) == by_itself
    assert flags(settings_for(mode, None)) == ((Flag.JERKY,) if mode is Mode.PEAK else ())


def test_a_pull_the_wrong_way_is_told(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.session.take_sounds()
    bench.pull(8.0, sign=-1)
    assert bench.view.notice == "wrong-direction"
    assert bench.session.take_sounds() == ["wrong"]
    assert bench.view.pull_index == 1


def test_both_directions_are_walked(bench, plan_of, tool):
    both = dataclasses.replace(tool, directions=(Direction.CLOCKWISE, Direction.ANTICLOCKWISE))
    bench.session.start_run(plan_of(both))
    view = bench.walk("verdict")
    assert [c.checkpoint.direction.sign for c in view.verdict.checkpoints] == [1, 1, 1, -1, -1, -1]
    assert view.verdict.within


def test_a_dial_wrench_in_peak_mode_asks_what_it_showed(bench, plan_of, tool):
    dial = dataclasses.replace(tool, tool_type=ToolType.INDICATING, tool_class="B", has_memory=True)
    bench.session.start_run(plan_of(dial, n_readings=1))
    bench.walk("pull")
    bench.natural()
    assert bench.view.state.value == "indication"
    bench.session.enter_indication(8.2)
    view = bench.view
    assert view.card.deviation_percent == pytest.approx(2.5, abs=0.2)
    assert bench.walk("verdict").verdict.within


def test_a_foot_switch_takes_the_hold(bench, plan_of, tool):
    beam = dataclasses.replace(tool, tool_type=ToolType.INDICATING, tool_class="B", directions=(Direction.CLOCKWISE,))
    bench.session.start_run(plan_of(beam, n_readings=1))
    bench.walk("preload")
    for target in (40.0, 8.0):
        bench.send(np.linspace(0, target, 300))
        bench.send(target * (1 + 0.03 * np.sin(np.arange(800) / 40)))  # held, but never steady enough by itself
        assert bench.view.phase is Phase.RISING
        bench.session.go_on()
        assert bench.view.phase is Phase.HELD
        taken_s = bench.t
        bench.send(np.concatenate([np.linspace(target, 0, 100), np.zeros(400)]))
    pull = bench.view.run.pulls[-1].pull
    assert (pull.reading, pull.reading_time_s) == (pytest.approx(8.0, rel=0.01), taken_s)
    assert "taken" in [mark.name for mark in pull.marks]


# ---------------------------------------------------------------------------------------------------------------- zero


def test_zero_is_taken_only_when_still_and_recorded(bench, store, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("zero")
    bench.go()
    assert bench.view.is_zeroing
    rng = np.random.default_rng(1)
    bench.send(0.3 * np.sin(np.arange(3000) / 60))  # somebody touches it: ±0.3 N·m of 100
    assert bench.view.state.value == "zero"
    bench.send(0.25 + 0.004 * rng.standard_normal(700))
    view = bench.view
    assert view.state.value == "preload"
    zero = view.run.zeros[-1]
    assert zero.zero_nm == pytest.approx(0.25, abs=0.01)
    assert max(zero.noise_nm, abs(zero.drift_nm)) <= 0.1  # 0.1 % of capacity counts as still
    assert view.zero_nm == zero.zero_nm
    bench.rest(0.1, 0.25)
    assert bench.session.live()[1] == pytest.approx(0.25 - zero.zero_nm)


def test_the_zero_of_one_transducer_is_taken_from_nothing_else(bench):
    """A recording that is replayed has no zero of this bench; the same port opened anew keeps its own."""
    bench.session.zero()
    bench.settle()
    bench.send(0.25 + 0.004 * bench.rng.standard_normal(1500))
    assert bench.view.zero_wall
    bench.session.open_link("hand://", "plain")
    bench.settle()
    assert bench.view.zero_nm == pytest.approx(0.25, abs=0.01)
    bench.session.open_link("replay:pull.csv?speed=2", "")
    bench.settle()
    bench.status(LinkState.STREAMING)
    bench.rest(0.1, 0.25)
    assert (bench.view.zero_nm, bench.view.zero_wall) == (0.0, "")
    assert bench.session.live()[1] == pytest.approx(0.25)


def test_zero_is_refused_with_numbers_when_it_never_gets_still_or_lies_too_far(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("zero")
    bench.go()
    bench.send(0.5 * np.sin(np.arange(6000) / 60))
    view = bench.view
    assert view.zero_problem.startswith("Not still")
    assert "0.1 N·m" in view.zero_problem
    bench.go()
    bench.rest(0.8, 1.4)
    view = bench.view
    assert "1.4 N·m" in view.zero_problem
    assert "1 N·m" in view.zero_problem
    assert (view.state.value, view.run.zeros) == ("zero", ())
    bench.go()
    bench.rest(0.8, 0.4)
    assert (bench.view.zero_problem, bench.view.state.value) == ("", "preload")


def test_the_last_look_at_zero_changes_nothing_that_was_read(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("final-zero")
    bench.go()
    bench.rest(0.8, 2.0)  # far off: seen, recorded, not refused
    view = bench.view
    assert view.state.value == "reset-tool"
    assert view.zero_nm == 0.0
    assert view.run.zeros[-1].zero_nm == pytest.approx(2.0)


# --------------------------------------------------------------------------------------------- unit, sign, calibration


@pytest.mark.parametrize(("unit", "decimals"), [("N·m", 3), ("lbf·ft", 4), ("cN·m", 1)])
def test_units_polarity_and_digits_come_through_and_the_trace_keeps_what_the_device_wrote(
    bench, store, plan_of, unit, decimals
):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.decimals = decimals
    bench.unit, bench.sign = unit, -1 / factor_nm(unit)
    bench.status(LinkState.STREAMING, clockwise_positive=False)
    first = bench.t
    bench.rest(0.6)
    bench.pull(8.0)
    view = bench.until(lambda v: v.card is not None and v.card.stored)
    assert view.card.torque_nm == pytest.approx(8.0, abs=0.01)
    _, trace = store.pulls[view.run.run_id, len(view.run.pulls)]
    assert (trace.unit, trace.decimals, trace.polarity) == (unit, decimals, Direction.ANTICLOCKWISE)
    assert trace.t_s[0] > first
    assert np.array_equal(trace.torque, trace.digits / 10.0**decimals)
    assert trace.digits.tolist() == [bench.sent[t] for t in trace.t_s.tolist()]
    assert trace.digits.min() == pytest.approx(-8.0 / factor_nm(unit) * 10**decimals, rel=0.002)
    assert trace.extra["zero_nm"] == repr(view.zero_nm)


def test_the_references_calibration_is_applied_by_direction(bench, plan_of, reference, tool):
    def points(share, direction):
        return tuple(CalibrationPoint(x, x * share, 0.2, direction) for x in (10.0, 50.0, 100.0))

    calibration = Calibration(
        "C-2", "laboratory 1", dt.date(2026, 1, 5), dt.date(2027, 1, 5), 2.0, 100.0, 2.0,
        (*points(1.01, Direction.CLOCKWISE), *points(0.98, Direction.ANTICLOCKWISE)),
    )  # fmt: skip
    bench.session.start_run(plan_of(the_reference=dataclasses.replace(reference, calibrations=(calibration,))))
    bench.walk("preload")
    bench.send([20.2, -19.6, 10.1])
    _, _, torque = bench.session.samples_since(0)
    assert torque[-3:] == pytest.approx([20.0, -20.0, 10.0])


# ----------------------------------------------------------------------------------------------------- what goes wrong


def test_an_overload_warns_then_holds_until_it_is_seen(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.session.take_sounds()
    bench.send(np.full(10, 96.2))
    assert bench.view.overload_percent == 96.0
    bench.send(np.full(1, 180.0))  # one wrong sample is no load
    bench.send(np.full(10, 50.0))
    assert Hold.OVERLOAD not in bench.view.holds
    bench.send(np.full(10, 103.0))
    bench.send(np.full(10, 50.0))
    view = bench.view
    assert Hold.OVERLOAD in view.holds
    assert view.overload_percent == 103.0
    assert "overload" in bench.session.take_sounds()
    bench.go()
    view = bench.view
    assert (view.holds, view.overload_percent) == (frozenset(), 0.0)
    assert any("103" in text for _, text in view.run.remarks)
    assert not any("117" in text for _, text in view.run.remarks)
    bench.send(np.full(10, 100.4))
    bench.send(np.full(10, 117.6))
    bench.send(np.full(10, 50.0))
    bench.go()
    told = [text for _, text in bench.view.run.remarks]
    assert told[-3].endswith("overload of REF-1: 100.4 % of its capacity")
    assert told[-2:] == ["the overload of REF-1 reached 117.0 % of its capacity", "overload seen by fitter 2"]


@pytest.mark.parametrize("apart_s", [1e-4, 1e-7])
def test_a_run_that_begins_with_samples_that_came_late_all_at_once_still_hears_its_clicks(bench, plan_of, apart_s):
    """A machine too busy to read the port dates what waited there as it came, not as it was taken."""
    bench.session.start_run(plan_of())
    bench.walk("zero")
    bench.go()
    while bench.view.state is RunState.ZERO:  # what comes after zero is read anew
        bench.send(np.zeros(10))
    t_s = bench.t + apart_s * np.arange(1, 301)
    bench.t = float(t_s[-1])
    bench.link.on_block(SampleBlock(bench.n, t_s, np.zeros(300, np.int64), 3, "N·m", Source.SIMULATED))
    bench.n += 300
    bench.rest(1.0)
    for _ in range(3):  # the link tells how it is four times a second
        bench.status(LinkState.STREAMING)
        bench.rest(0.25)
    bench.walk("pull")
    bench.natural()
    pull = bench.view.run.pulls[-1].pull
    assert pull.reading == pytest.approx(8.0, rel=0.01)
    assert pull.flags == ()


def test_a_device_whose_samples_come_in_twos_is_read_as_it_is(bench):
    starts = []
    reset = bench.session._reader.reset
    bench.session._reader.reset = lambda: (starts.append(1), reset())
    bench.rest(1.0)
    for _ in range(20):  # by its samples 1,000 a second, by their count 200
        bench.status(LinkState.STREAMING, rate_hz=200.0)
        bench.rest(0.25)
    assert len(starts) == 3


def test_a_rate_that_is_measured_a_little_off_takes_no_pull_away(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.send(np.linspace(0, 5.0, 400))
    for rate_hz in (700.0, 1300.0, 0.0, 400.0, 2500.0):  # a stall, and what follows it
        bench.status(LinkState.STREAMING, rate_hz=rate_hz)
    assert bench.view.phase is Phase.RISING


def test_an_overload_token_counts_without_a_number_and_outside_a_run_too(bench):
    bench.send([1.0], overload=1)
    assert (bench.view.holds, bench.view.overload_percent) == ({Hold.OVERLOAD}, math.inf)
    bench.go()
    assert bench.view.holds == frozenset()


def test_unplugged_in_the_middle_of_a_pull_the_run_goes_on_at_the_same_pull(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.natural()
    n = len(bench.view.run.pulls)
    bench.send(np.linspace(0, 7.0, 400))
    bench.status(LinkState.LOST, reason="unplugged")
    view = bench.view
    assert (view.holds, view.phase, view.eighty_s) == ({Hold.LINK}, Phase.REST, None)
    assert view.notice == "pull-lost"
    assert "link lost in the middle of a pull, which is not counted: unplugged" in str(view.run.remarks[-1])
    bench.wall += dt.timedelta(seconds=20)
    bench.status(LinkState.STREAMING, n_reconnects=1)
    view = bench.view
    assert (view.state.value, view.holds) == ("reference", frozenset())
    bench.go()
    bench.natural()
    view = bench.view
    assert (view.state.value, view.pull_index, len(view.run.pulls)) == ("pull", 2, n)
    assert bench.walk("verdict").verdict.within


def test_another_transducer_that_comes_back_is_told(bench, plan_of, reference):
    bench.identity = "SN-1"
    bench.status(LinkState.STREAMING)
    bench.session.start_run(plan_of(the_reference=dataclasses.replace(reference, identity="SN-1")))
    bench.walk("pull")
    assert bench.view.run.reference_confirmed == "identified as SN-1"
    bench.status(LinkState.LOST)
    bench.identity = "SN-2"
    bench.status(LinkState.STREAMING, n_reconnects=1)
    view = bench.view
    assert view.holds == {Hold.IDENTITY}
    assert view.identity_problem == "SN-2 answered; REF-1 is SN-1."
    bench.status(LinkState.LOST)
    bench.identity = "SN-1"
    bench.status(LinkState.STREAMING, n_reconnects=2)
    view = bench.view
    assert (view.holds, view.state.value) == (frozenset(), "zero")


def test_nothing_is_lost_while_the_store_cannot_write(bench, store, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.until(lambda v: v.card.stored)
    store.trouble = OSError("no space left for the records")
    for _ in range(2):
        bench.natural()
    view = bench.until(lambda v: v.store_problem)
    assert view.store_problem == "no space left for the records"
    assert (view.pull_index, view.card.stored) == (3, False)  # the run goes on, but never says stored
    assert view.n_unstored >= 2  # two pulls, and what the run says of them
    store.trouble = None
    view = bench.until(lambda v: v.card.stored and not v.store_problem)
    assert view.n_unstored == 0
    assert len([key for key in store.pulls if key[0] == view.run.run_id]) == len(view.run.pulls)
    assert store.runs[view.run.run_id] == view.run


def test_stored_is_said_only_after_the_store_has_returned(bench, store, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.until(lambda v: v.card.stored)
    entered, let_go = threading.Event(), threading.Event()
    plain = store.store_pull

    def slow(run, pull, trace):
        entered.set()
        assert let_go.wait(60)
        plain(run, pull, trace)

    store.store_pull = slow
    bench.natural()
    assert entered.wait(60)
    bench.rest(0.5)  # the bench goes on while the disk takes its time
    assert not bench.view.card.stored
    let_go.set()
    bench.until(lambda v: v.card.stored)


@pytest.mark.parametrize("stop_at", [0, 1, 2, 4, 6, 8, 11, 15, 16, 17])
def test_taken_up_again_anywhere_the_run_ends_as_it_would_have(another_bench, store, plan_of, stop_at):
    first = another_bench(store)
    first.session.start_run(plan_of(n_readings=2))
    for _ in range(stop_at):
        first.natural()
    before = first.view.run
    first.session.close()
    assert store.runs[before.run_id] == before
    store.found = before

    second = another_bench(store)
    second.wall += dt.timedelta(minutes=5)
    second.session.take_up()
    view = second.until(lambda v: v.run is not None and v.run.run_id == before.run_id)
    assert view.run.pulls == before.pulls
    view = second.walk("verdict")
    assert view.verdict.within
    assert [p.kind for p in view.run.pulls].count(PullKind.READING) == 6
    assert [p.kind for p in view.run.pulls].count(PullKind.PRELOAD) == 3


def test_a_run_is_not_taken_up_with_samples_of_another_kind(another_bench, store, plan_of):
    """A broken-off simulated run went on with a recording that was put on the bench to be looked at."""
    first = another_bench(store)
    first.session.start_run(plan_of())
    run = store.found = first.walk("pull").run
    first.session.close()
    second = another_bench(store)
    second.session.open_link("replay:pull.csv", "")
    second.settle()
    second.session.take_up()
    second.until(lambda _v: store.calls.count("open") == 1)
    second.rest(0.1)
    assert second.view.run is None
    store.found = dataclasses.replace(run, plan=dataclasses.replace(run.plan, source=Source.REPLAYED))
    second.session.take_up()
    second.until(lambda v: v.run is not None and v.run.run_id == run.run_id)


@pytest.mark.parametrize(("later", "void"), [(dt.timedelta(hours=-9), True), (dt.timedelta(seconds=-2), False)])
def test_after_a_break_by_a_clock_that_was_set_back_preload_is_done_again(another_bench, store, plan_of, later, void):
    first = another_bench(store)
    first.session.start_run(plan_of())
    store.found = first.walk("pull").run
    first.session.close()

    second = another_bench(store)
    second.wall = first.wall + later
    second.session.take_up()
    view = second.until(lambda v: v.run is not None and v.run.resume)
    assert ("preload" in view.run.resume) is void
    told = "taken up again after a break that no clock tells" if void else "taken up again after 0 s"
    assert told in [sentence for _, sentence in view.run.remarks]


def test_waiting_for_longer_than_the_procedure_allows_asks_for_zero_and_preload(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.wall += dt.timedelta(minutes=31)
    view = bench.until(lambda v: v.state.value == "zero")
    assert view.run.resume == ("zero", "preload")
    bench.natural()
    assert bench.view.state.value == "preload"


def test_so_it_does_while_samples_stream_in_all_the_time(bench, plan_of):
    """A link is never silent: looking at the clock must not wait until the queue is empty."""
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.wall += dt.timedelta(minutes=31)
    deadline = time.monotonic() + 60
    while bench.view.state.value != "zero":
        assert time.monotonic() < deadline, bench.view.state
        bench.rest(0.02)


def test_a_second_run_is_refused_while_one_is_under_way(bench, plan_of):
    bench.session.start_run(plan_of())
    with pytest.raises(ValueError, match="another run"):
        bench.session.start_run(plan_of())
    bench.session.leave_run("trying things out")
    assert bench.view.state.value == "left"
    bench.session.start_run(plan_of())
    assert bench.view.state.value == "cautions"


def test_a_link_that_cannot_be_opened_is_told_as_refused(store):
    from benchapp.session.session import BenchSession

    def refuse(url, profile, on_block, on_status):
        raise ValueError("no profile is called nonsense")

    session = BenchSession(refuse, lambda capacity: None, store)
    try:
        session.open_link("x", "nonsense")
        for _ in range(1000):
            if session.view().link.state == "refused":
                break
            threading.Event().wait(0.005)
        assert session.view().link.reason == "no profile is called nonsense"
    finally:
        session.close()


def test_close_stops_every_thread_and_may_be_called_again(another_bench, store):
    before = set(threading.enumerate())
    bench = another_bench(store)
    bench.session.close()
    bench.session.close()
    bench.session.go_on()
    assert bench.link.stopped
    assert set(threading.enumerate()) == before


def test_equal_serials_mean_equal_views_and_samples_alone_make_no_new_view(bench):
    bench.rest(0.2)
    serial = bench.view.serial
    bench.rest(1.0)
    assert bench.view.serial == serial
    assert not math.isnan(bench.session.live()[0])


# --------------------------------------------------------------------------------------- what an answer was meant for


def test_an_answer_to_what_the_run_no_longer_asks_is_let_go(bench, plan_of):
    bench.session.start_run(plan_of())
    seen = asked_of(bench.walk("reset-tool").run)
    for _ in range(3):  # a foot switch that bounces, before the screen has drawn again
        bench.session.go_on(seen=seen)
    assert bench.view.state is RunState.VERDICT
    bench.session.set_aside(seen=seen)
    bench.session.choose("back", seen=seen)
    assert bench.view.state is RunState.VERDICT
    bench.session.go_on(seen=asked_of(bench.view.run))
    assert bench.view.state is RunState.SEALED


def test_a_choice_is_taken_only_while_it_is_the_one_proposed_and_walked_on_in_any_case(bench, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.pull(bench.view.target_nm * 0.5)  # short: a question
    shown = bench.view.run
    assert shown.state is RunState.DECIDE
    for _ in range(2):  # both pressed on the first choice's picture
        bench.session.set_aside(seen=asked_of(shown))
    assert bench.view.run.choice_index == 2 % len(shown.choices)
    bench.session.set_aside(seen=asked_of(bench.view.run))
    moved = bench.view.run
    bench.session.set_aside()
    bench.session.go_on(seen=asked_of(moved))
    assert bench.view.state is RunState.DECIDE
    bench.session.choose("repeat", seen=asked_of(moved))  # pointed at: whichever was proposed
    assert bench.view.state is RunState.PULL


def test_a_heavy_tool_hung_on_the_drive_is_no_pull_and_the_next_one_is_judged_by_its_own_target(bench, plan_of):
    """It looks like a pull for a second; then its weight is the rest level, and nobody pulls."""
    bench.session.start_run(plan_of())
    bench.walk("pull")
    while bench.view.state.value == "pull":
        bench.natural()
    assert bench.view.state is RunState.SET_TOOL

    def send(torque_nm):
        bench.send(torque_nm + 0.004 * bench.rng.standard_normal(len(torque_nm)))

    send(np.concatenate([np.linspace(0.0, 2.5, 200), np.full(2500, 2.5)]))
    assert bench.view.phase is Phase.REST
    bench.go()
    assert bench.view.target_nm == pytest.approx(24.0)
    send(np.concatenate([np.linspace(2.5, 9.0, 1500), np.linspace(9.0, 6.0, 8), np.linspace(6.0, 2.5, 200)]))
    send(np.full(600, 2.5))
    assert Flag.SHORT in bench.view.run.pulls[-1].pull.flags
