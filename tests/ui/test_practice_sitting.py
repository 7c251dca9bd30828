"""A sitting without a window: pulls in, advice and standing out, everything kept, nothing of a record touched."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchapp.metrology.tool import Tool, ToolType
from benchapp.practice.drills import shipped_drills
from benchapp.practice.progress import counted
from benchapp.pulls.pull import Flag, Mode
from benchapp.pulls.reader import read_pulls
from benchapp.records import Outcome, ReadingRow, Store, ToolRecord, ToolState, demo, practice
from benchapp.session.view import PracticePull
from benchapp.torque.direction import Direction
from benchapp.ui.practice import texts
from benchapp.ui.practice.sitting import (
    Choice,
    Sitting,
    checked_target,
    deviation_near,
    fitting,
    usual_target,
    why_not,
)
from drivers.samples import Source

DRILLS = shipped_drills()
WRENCH = Tool("OCF-005", ToolType.SETTING, "A", "N·m", 20.0, 100.0, resolution=1.0)
START = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)


class Hand:
    """Draws pulls by hand and closes them half a minute apart."""

    def __init__(self) -> None:
        self.now = START

    def clock(self) -> dt.datetime:
        return self.now

    def pull(self, peak: float, *, first: float = 60.0, rise_s: float = 3.0, sign: int = 1) -> PracticePull:
        self.now += dt.timedelta(seconds=30)
        t = np.arange(0.0, 1.0 + rise_s + 2.0, 0.001)
        click = 1.0 + rise_s
        v = np.interp(
            t,
            [1.0, click, click + 0.01, click + 0.15, click + 0.5],
            [0.0, first, 0.75 * first, max(peak, 0.8 * first), 0.0],
        )
        (pull,) = read_pulls(t, v * sign, mode=Mode.FIRST_PEAK, capacity=200.0, target=60.0).pulls
        return PracticePull(pull, t, v * sign, Source.SIMULATED, self.now.isoformat())


@pytest.fixture
def hand() -> Hand:
    return Hand()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "demo.sqlite", demo=True) as opened:
        yield opened


def sitting(store: Store | None, hand: Hand, drill: str = "stop", level: int = 1) -> Sitting:
    chosen = DRILLS.get(drill)
    assert chosen is not None
    made = Sitting(store, DRILLS, Choice("fitter 2", WRENCH, chosen, level, 60.0, None), hand.clock)
    made.begin()
    return made


def test_a_level_is_passed_with_the_fourth_good_pull_and_only_then(store: Store, hand: Hand) -> None:
    here = sitting(store, hand)
    passed = []
    for peak in (62.0, 90.0, 61.0, 63.0, 60.5, 61.0):
        told = here.take(hand.pull(peak))
        assert told is not None
        passed.append(told.is_passed_now)
    assert passed == [False, False, False, False, True, False]
    kept = practice.pulls_of(store, "fitter 2")
    assert [pull.passed for pull in kept] == passed
    assert [pull.is_good for pull in kept] == [True, False, True, True, True, True]
    assert {pull.source for pull in kept} == {Source.SIMULATED}
    assert kept[0].aims == (("follow_percent", "most", 25.0),)


def test_each_pull_tells_the_wrench_from_the_person(store: Store, hand: Hand) -> None:
    here = sitting(store, hand)
    for peak in (66.0, 72.0, 60.0, 75.0):
        told = here.take(hand.pull(peak))
    assert told is not None
    marks = told.pull.marks
    assert marks.first_peak_nm == pytest.approx(60.0, rel=2e-3)
    assert marks.peak_nm == pytest.approx(75.0, rel=5e-3)
    assert told.first_peak_spread_percent == pytest.approx(0.0, abs=0.1)
    assert told.peak_spread_percent is not None
    assert told.peak_spread_percent > 5.0
    assert "past the click" in texts.pair_note(told, here.choice.drill)
    assert "wrench 0.0 %" in texts.spread_note(told)


def test_one_sentence_with_the_numbers_of_this_very_pull(store: Store, hand: Hand) -> None:
    here = sitting(store, hand)
    told = here.take(hand.pull(90.0))
    assert told is not None
    assert told.advice.sentence == "Stop sooner: 50 % past the click. Aim below 25 %."


def test_a_pull_set_aside_counts_neither_way_and_can_count_again(store: Store, hand: Hand) -> None:
    here = sitting(store, hand)
    for peak in (62.0, 62.0, 62.0, 62.0):
        here.take(hand.pull(peak))
    assert here.told is not None
    assert here.told.is_passed_now
    assert here.set_aside()
    assert not here.standing.is_passed
    assert practice.pulls_of(store, "fitter 2")[-1].set_aside
    assert not any(pull.passed for pull in practice.pulls_of(store, "fitter 2"))
    assert here.set_aside()
    assert here.standing.is_passed
    assert practice.pulls_of(store, "fitter 2")[-1].passed


def test_nobody_passes_by_setting_aside_what_missed(store: Store, hand: Hand) -> None:
    """One that is set aside keeps its place among the last so many, as one that missed."""
    here = sitting(store, hand)
    for _ in range(4):
        here.take(hand.pull(62.0))
        here.take(hand.pull(90.0))
        assert here.set_aside()
        assert not here.standing.is_passed
    assert here.standing.n_good == 2
    assert texts.standing_text(here.choice.the_level, here.standing) == "2 of 5 good; 4 of 5 needed"
    alike = sitting(store, hand, "same")
    for peak in (62.0, 62.0, 90.0, 62.0, 62.0, 62.0):
        alike.take(hand.pull(peak))
        if peak == 90.0:
            assert alike.set_aside()
    assert not alike.standing.is_passed  # five alike, but not the last five
    for _ in range(2):
        alike.take(hand.pull(62.0))
    assert alike.standing.is_passed
    assert "keeps its place" in texts.passes_text(here.choice.the_level)
    assert "none set aside" in texts.passes_text(alike.choice.the_level)


def test_a_level_stays_passed_whatever_is_pulled_after_it(store: Store, hand: Hand) -> None:
    here = sitting(store, hand)
    for peak in (62.0, 62.0, 62.0, 62.0, 90.0, 90.0):
        here.take(hand.pull(peak))
    assert not here.standing.is_passed
    assert here.is_passed
    here.go_to(2)
    assert not here.is_passed


@pytest.mark.parametrize(("first", "said"), [(30.0, "50 % below"), (90.0, "50 % above")])
def test_another_tool_or_setting_is_told_and_counts_neither_way(
    store: Store, hand: Hand, first: float, said: str
) -> None:
    here = sitting(store, hand)
    told = here.take(hand.pull(1.1 * first, first=first))
    assert told is not None
    assert told.advice.sentence == f"It let go {said} its setting. Right tool, set right?"
    assert not told.advice.is_good
    assert here.standing.n_pulls == 0
    assert counted(practice.pulls_of(store, "fitter 2")) == []
    assert here.set_aside()
    assert here.told is not None
    assert here.told.advice.sentence == "Set aside: it does not count. Pull again."  # it has no place to keep
    assert here.set_aside()
    assert "lets go over 20 %" in texts.measured_text(here.choice.drill, here.choice.the_level.aims)
    here.take(hand.pull(62.0))
    assert here.standing.n_good == 1


def test_a_click_that_samples_are_missing_of_is_not_called_none(store: Store, hand: Hand) -> None:
    here = sitting(store, hand)
    whole = hand.pull(62.0)
    kept = (whole.t_s < 3.95) | (whole.t_s > 4.1)  # the tool lets go at 4.0 s
    t, v = whole.t_s[kept], whole.torque_nm[kept]
    (pull,) = read_pulls(t, v, mode=Mode.FIRST_PEAK, capacity=200.0, target=60.0).pulls
    told = here.take(replace(whole, pull=pull, t_s=t, torque_nm=v))
    assert told is not None
    assert Flag.GAP in told.pull.marks.flags
    assert Flag.NO_CLICK not in told.pull.marks.flags
    assert told.advice.sentence == "Samples are missing in that one. Pull once more."
    assert texts.pair_note(told, here.choice.drill) == "where it let go cannot be read"


def test_a_knock_and_the_other_way_round_are_no_pulls(store: Store, hand: Hand) -> None:
    here = sitting(store, hand)
    assert here.take(hand.pull(5.0, first=6.0)) is None
    assert here.notice == "knock"
    assert here.take(hand.pull(62.0, sign=-1)) is None
    assert here.notice == "wrong-direction"
    assert practice.count_of(store, "fitter 2") == 0


def test_the_next_level_begins_with_no_pull(store: Store, hand: Hand) -> None:
    here = sitting(store, hand)
    for _ in range(4):
        here.take(hand.pull(61.0))
    here.go_to(2)
    assert here.choice.level == 2
    assert here.standing.n_pulls == 0
    told = here.take(hand.pull(61.0))
    assert told is not None
    assert told.pull.level == 2
    here.go_to(9)
    assert here.choice.level == 3
    assert not here.has_next_level


def test_after_ten_pulls_it_is_time_to_rest_over_drills_and_sittings(store: Store, hand: Hand) -> None:
    first = sitting(store, hand)
    for _ in range(6):
        first.take(hand.pull(80.0))
    second = sitting(store, hand, "even")
    rests = []
    for _ in range(4):
        told = second.take(hand.pull(61.0))
        assert told is not None
        rests.append(second.rest is not None)
    assert rests == [False, False, False, True]
    second.go_to(2)
    assert second.rest is not None  # another level rests no arm
    third = sitting(store, hand, "same")
    assert third.rest is not None  # nor does beginning anew
    assert third.rest.sentence == "10 pulls: rest your arm for 2 minutes."


def test_a_store_that_cannot_write_is_said_and_practice_goes_on(store: Store, hand: Hand) -> None:
    here = sitting(store, hand)
    here.take(replace(hand.pull(61.0), source=Source.LIVE))
    assert "demo store" in here.problem
    told = here.take(hand.pull(61.0))
    assert told is not None
    assert here.problem == ""
    assert practice.count_of(store, "fitter 2") == 1


def test_only_a_tool_with_a_good_last_result_and_what_to_do_otherwise() -> None:
    good = ToolRecord(WRENCH, last_verified=dt.date(2026, 5, 1), last_outcome=Outcome.WITHIN)
    assert why_not(good) == ""
    assert "full run on the Bench" in why_not(replace(good, last_verified=None, last_outcome=Outcome.OPEN))
    assert "2026-05-01" in why_not(replace(good, last_outcome=Outcome.OUT))
    assert "verify it again" in why_not(replace(good, last_outcome=Outcome.UNDECIDED))
    for state in (ToolState.QUARANTINED, ToolState.AT_LABORATORY, ToolState.RETIRED):
        assert "Take a tool that is in service" in why_not(replace(good, state=state))


def test_what_is_set_lies_on_the_tools_scale_and_is_refused_with_numbers_otherwise() -> None:
    assert usual_target(WRENCH) == 60.0
    assert usual_target(replace(WRENCH, resolution=None, highest=90.0)) == 54.0
    assert usual_target(replace(WRENCH, fixed=True)) == 100.0
    assert checked_target(WRENCH, 100.0, "N·m") == (100.0, "")
    assert checked_target(WRENCH, 15.0, "N·m") == (0.0, "OCF-005 goes from 20 to 100 N·m, not to 15.")
    target, why = checked_target(WRENCH, 50.0, "lbf·ft")
    assert why == ""
    assert target == pytest.approx(67.79, abs=0.01)


def test_a_reference_must_carry_a_hand_that_goes_past_the_click() -> None:
    references = demo.references(dt.date(2026, 11, 25))
    for target in (6.0, 60.0, 150.0):
        for one in fitting(references, target, Direction.CLOCKWISE):
            assert one.capacity_nm >= 1.3 * target
            assert one.calibration is not None
    assert fitting(references, 1e4, Direction.CLOCKWISE) == []


def test_an_indicating_tools_deviation_is_that_of_its_newest_run_nearest_to_the_mark() -> None:
    def row(run: str, started: str, target: float, deviation: float, **more) -> ReadingRow:
        values = ("clockwise", target, target, deviation, "IN", more.get("aside", ""), ())
        return ReadingRow(run, 1, more.get("kind", "reading"), started, *values)

    rows = [
        row("new", "2026-11-01", 60.0, 1.0),
        row("new", "2026-11-01", 60.0, 2.0),
        row("new", "2026-11-01", 60.0, 50.0, aside="disturbed"),
        row("new", "2026-11-01", 60.0, 50.0, kind="preload"),
        row("new", "2026-11-01", 70.0, 9.0),
        row("old", "2026-01-01", 60.0, -8.0),
    ]
    assert deviation_near(rows, 61.0, Direction.CLOCKWISE) == pytest.approx(1.5)
    assert deviation_near(rows, 61.0, Direction.ANTICLOCKWISE) == 0.0
    assert deviation_near(rows, 20.0, Direction.CLOCKWISE) == 0.0


def test_every_text_of_every_level_can_be_written(hand: Hand) -> None:
    for drill in DRILLS.all:
        for level in drill.levels:
            assert texts.passes_text(level).endswith(".")
            for aim in (*level.aims, *level.spreads):
                assert texts.source_text(aim).endswith(").")
                assert ": " in texts.aim_text(aim)
    assert "ten" not in texts.rest_text(DRILLS.rest)
