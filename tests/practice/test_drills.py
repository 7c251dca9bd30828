"""Drills are data with sources; a level is passed by their numbers and by nothing else."""

from __future__ import annotations

import datetime as dt
import inspect
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.metrology.tool import ToolType
from benchapp.practice import drills as module
from benchapp.practice.drills import (
    Aim,
    DrillError,
    Figure,
    advise,
    is_good,
    measure,
    quantity,
    read_drills,
    rest_due,
    shipped_drills,
    standing,
)
from benchapp.practice.marks import PullMarks
from benchapp.pulls.pull import Flag, Mode

DRILLS = shipped_drills()
NOW = dt.datetime(2026, 11, 25, 12, 0, tzinfo=dt.UTC)


def pull(**more) -> PullMarks:
    values = {
        "reading_nm": 40.0,
        "first_peak_nm": 40.0,
        "peak_nm": 42.0,
        "follow_percent": 5.0,
        "follow_s": 0.1,
        "rise_s": 1.0,
        "uneven_percent": 0.5,
        "tremor_percent": 0.3,
        "dip_percent": 0.4,
        "error_percent": 0.5,
        "overshoot_percent": 1.0,
    }
    return PullMarks(**{**values, **more})


def test_a_pull_that_meets_the_aim_badly_is_not_told_to_be_repeated_as_it_was() -> None:
    stop = DRILLS.get("stop")
    assert stop is not None
    level = stop.level(1)
    jerky = advise(stop, level, [pull(dip_percent=31.0, flags=(Flag.JERKY, Flag.TOO_FAST))])
    assert (jerky.of, jerky.is_good) == ("jerky", True)
    assert jerky.sentence == "Aim met. Next, keep it rising: it fell back by 31 %."
    fast = advise(stop, level, [pull(rise_s=0.043, flags=(Flag.TOO_FAST,))])
    assert fast.sentence == "Aim met. Next, slower at the end: the last fifth took 0.04 s."
    assert (
        "same again" in advise(stop, level, [pull(flags=(Flag.PAST_CLICK,))]).sentence
    )  # the level's own limit counts
    even = DRILLS.get("even")
    assert even is not None
    past = advise(even, even.level(1), [pull(follow_percent=87.0, flags=(Flag.PAST_CLICK,))])
    assert past.sentence == "Aim met. Next, stop sooner: 87 % past the click."
    # what is missed comes first, one thing at a time
    assert advise(stop, level, [pull(follow_percent=51.0, flags=(Flag.TOO_FAST,))]).of == "follow_percent"


@pytest.mark.parametrize("flag", [Flag.OVERLOAD, Flag.TOOL_OVERLOAD, Flag.DOUBLE, Flag.NO_CLICK])
def test_what_makes_a_pull_useless_makes_it_no_good_one(flag) -> None:
    """What is said and what is counted agree, whatever the marks are."""
    for drill in DRILLS.all:
        for level in drill.levels:
            spoilt = pull(flags=(flag,))
            assert advise(drill, level, [spoilt]).is_good is is_good(level, spoilt) is False


@pytest.mark.parametrize(("drill", "number"), [("same", 1), ("same", 2), ("blind", 3)])
def test_a_spread_is_not_passed_with_a_useless_pull_among_its_own(drill, number) -> None:
    """Ten peaks alike, one of them from an overload or a second pull: not passed until it is out of the last ones."""
    level = DRILLS.get(drill).level(number)  # type: ignore[union-attr]
    alike = [pull(peak_nm=42.0 + 0.1 * (k % 3)) for k in range(level.n_last)]
    assert standing(level, alike).is_passed
    for flag in (Flag.TOOL_OVERLOAD, Flag.DOUBLE):
        spoilt = [*alike[:-1], pull(peak_nm=42.0, flags=(flag,))]
        assert not standing(level, spoilt).is_passed
        assert not standing(level, [*spoilt, *alike[:-1]]).is_passed
        assert standing(level, [*spoilt, *alike]).is_passed


def test_the_five_drills_are_there_each_with_levels_picture_and_sentences() -> None:
    assert [drill.key for drill in DRILLS.all] == ["stop", "even", "same", "blind", "eye"]
    for drill in DRILLS.all:
        assert len(drill.levels) >= 2
        assert drill.drawing.says
        assert drill.drawing.good != drill.drawing.poor
    assert [d.key for d in DRILLS.all if d.hidden] == ["blind", "eye"]
    eye = DRILLS.get("eye")
    assert eye is not None
    assert eye.tool_type is ToolType.INDICATING
    assert eye.mode is Mode.HOLD


def test_every_figure_carries_source_and_mark() -> None:
    n = 0
    for drill in DRILLS.all:
        for level in drill.levels:
            for figure in (level.last, *(aim.figure for aim in (*level.aims, *level.spreads))):
                assert figure.source
                assert figure.mark in ("P", "D", "C2")
            for aim in (*level.aims, *level.spreads):
                assert module.DEFINITIONS[aim.of]
                n += 1
    assert n > 30


def test_levels_get_harder_never_easier() -> None:
    for drill in DRILLS.all:
        for before, after in zip(drill.levels, drill.levels[1:], strict=False):
            limits = {(a.of, a.kind): a.figure.value for a in (*before.aims, *before.spreads)}
            for aim in (*after.aims, *after.spreads):
                old = limits.get((aim.of, aim.kind))
                if old is not None:
                    assert aim.figure.value >= old if aim.kind == "least" else aim.figure.value <= old


@pytest.mark.parametrize("missing", ["source", "mark"])
def test_a_figure_without_source_or_mark_is_refused_with_its_place(missing: str) -> None:
    text = inspect.getsource(module)  # only to be sure that the file is found beside the module
    assert text
    path = module.__file__.replace("drills.py", "drills.toml")
    with open(path, encoding="utf-8") as file:
        shipped = file.read()
    broken = re.sub(rf', {missing} = "[^"]*"', "", shipped, count=1)
    assert broken != shipped
    with pytest.raises(DrillError, match=r"broken\.toml: rest\.every_pulls"):
        read_drills(broken, "broken.toml")


def test_an_aim_at_nothing_known_is_refused() -> None:
    path = module.__file__.replace("drills.py", "drills.toml")
    with open(path, encoding="utf-8") as file:
        shipped = file.read()
    with pytest.raises(DrillError, match="drill stop, level 1"):
        read_drills(shipped.replace('of = "follow_percent"', 'of = "style"', 1), "x")


def test_four_of_five_pass_and_three_do_not() -> None:
    level = DRILLS.get("stop").level(1)
    good, bad = pull(), pull(follow_percent=25.1)
    assert standing(level, [good] * 3).is_passed is False
    assert standing(level, [good] * 4).is_passed is True
    assert standing(level, [bad, good, good, good]).is_passed is False
    assert standing(level, [bad, good, good, good, good]).is_passed is True
    assert standing(level, [good, good, bad, good, bad, good]).is_passed is False  # only the last five are looked at
    assert standing(level, [good, good, bad, good, bad, good]).n_good == 3


def test_exactly_at_the_limit_is_met_and_a_missing_mark_is_not() -> None:
    level = DRILLS.get("stop").level(1)
    assert is_good(level, pull(follow_percent=25.0))
    assert not is_good(level, pull(follow_percent=None))
    assert not is_good(level, pull(flags=(Flag.DOUBLE,)))


def test_a_pull_spoilt_by_the_recording_counts_neither_way() -> None:
    level = DRILLS.get("stop").level(1)
    spoilt = pull(follow_percent=90.0, flags=(Flag.GAP,))
    assert standing(level, [*[pull()] * 3, spoilt, pull()]).is_passed
    assert standing(level, [spoilt] * 9).n_pulls == 0


def test_the_spread_needs_all_its_pulls_and_only_theirs() -> None:
    level = DRILLS.get("same").level(1)
    even = [pull(peak_nm=40.0), pull(peak_nm=41.0)] * 2
    assert not standing(level, even).is_passed
    assert standing(level, [*even, pull(peak_nm=40.5)]).is_passed
    assert not standing(level, [*even, pull(peak_nm=60.0)]).is_passed
    assert standing(level, [pull(peak_nm=90.0), *even, pull(peak_nm=40.5)]).is_passed
    without = pull(peak_nm=40.0, reading_nm=None, first_peak_nm=None)
    assert not standing(level, [*even, without]).is_passed


@given(st.lists(st.floats(0.0, 60.0), min_size=1, max_size=30))
@settings(max_examples=60, deadline=None)
def test_passing_is_the_count_of_the_last_ten_done_again_by_hand(follows: list[float]) -> None:
    level = DRILLS.get("stop").level(2)
    last = follows[-10:]
    n_good = sum(follow <= 15.0 for follow in last)
    now = standing(level, [pull(follow_percent=follow) for follow in follows])
    assert (now.n_pulls, now.n_good, now.is_passed) == (len(last), n_good, n_good >= 8)


def test_one_sentence_names_one_thing_the_first_that_is_missed() -> None:
    drill = DRILLS.get("blind")
    said = advise(drill, drill.level(1), [pull(dip_percent=9.0, rise_s=0.2, follow_percent=80.0)])
    assert said.of == "dip_percent"
    assert "9 %" in said.sentence
    assert advise(drill, drill.level(1), [pull(rise_s=0.2, follow_percent=80.0)]).of == "rise_s"
    last = advise(drill, drill.level(1), [pull(follow_percent=80.0)])
    assert last.of == "follow_percent"
    assert last.sentence == "Stop sooner: 80 % past the click. Aim below 25 %."
    good = advise(drill, drill.level(1), [pull()])
    assert good.is_good
    assert good.sentence.endswith("The same again.")


def test_what_makes_a_pull_useless_is_said_before_any_aim() -> None:
    drill = DRILLS.get("stop")
    level = drill.level(1)
    click = advise(drill, level, [pull(reading_nm=None, first_peak_nm=None, flags=(Flag.NO_CLICK,))])
    assert click.of == "no-click"
    assert advise(drill, level, [pull(flags=(Flag.OVERLOAD, Flag.NO_CLICK))]).of == "overload"
    twice = advise(drill, level, [pull(follow_percent=40.0, flags=(Flag.DOUBLE,))])
    assert twice.of == "double"
    assert not twice.is_good


def test_above_and_below_the_mark_are_told_apart() -> None:
    drill = DRILLS.get("eye")
    assert "7 % above" in advise(drill, drill.level(1), [pull(error_percent=7.0)]).sentence
    assert "7 % below" in advise(drill, drill.level(1), [pull(error_percent=-7.0)]).sentence
    assert not measure(drill.level(1), pull(error_percent=-7.0))[0].is_met


def test_every_sentence_that_can_come_is_short_enough_to_be_read_from_afar() -> None:
    worst = pull(
        follow_percent=187.6,
        follow_s=1.23,
        rise_s=0.12,
        dip_percent=38.4,
        uneven_percent=12.3,
        tremor_percent=4.56,
        error_percent=-12.3,
        overshoot_percent=12.34,
    )
    for drill in DRILLS.all:
        for level in drill.levels:
            for aim in level.aims:
                value = getattr(worst, aim.of)
                bad = pull(**{aim.of: 9.9 if aim.kind == "most" and aim.of == "rise_s" else value})
                assert len(advise(drill, level, [bad]).sentence) <= 72


@given(st.floats(0.01, 100.0), st.sampled_from([0.25, 0.6, 1.5, 6.0, 25.0]))
@settings(max_examples=200, deadline=None)
def test_a_value_is_never_written_so_that_it_looks_met_when_it_is_not(value: float, limit: float) -> None:
    aim = Aim("dip_percent", "most", Figure(limit, "%", "x", "P"))
    shown = float(quantity(value, aim).split()[0])
    if abs(value - limit) > 0.001:
        assert (shown <= limit) == (value <= limit)


def at(minutes: float) -> str:
    return (NOW - dt.timedelta(minutes=minutes)).isoformat()


def test_rest_after_ten_pulls_and_not_after_a_pause() -> None:
    nine = [(at(20 - i), pull()) for i in range(9)]
    ten = [(at(9 - i), pull()) for i in range(10)]
    rules = DRILLS.rest
    assert rest_due(rules, nine, NOW - dt.timedelta(minutes=11.9)) is None
    rest = rest_due(rules, ten, NOW)
    assert rest is not None
    assert "10 pulls" in rest.sentence
    assert dt.datetime.fromisoformat(rest.until) == NOW + dt.timedelta(minutes=2)
    assert rest_due(rules, ten, NOW + dt.timedelta(minutes=2)) is None
    assert rest_due(rules, [], NOW) is None


def test_an_arm_that_trembles_more_and_more_is_sent_to_rest() -> None:
    fresh = [(at(7 - i), pull(tremor_percent=0.4)) for i in range(5)]
    tired = [(at(2 - i * 0.5), pull(tremor_percent=0.9)) for i in range(3)]
    rest = rest_due(DRILLS.rest, [*fresh, *tired], NOW)
    assert rest is not None
    assert "0.4 to 0.9 %" in rest.sentence
    steady = [(at(2 - i * 0.5), pull(tremor_percent=0.45)) for i in range(3)]
    assert rest_due(DRILLS.rest, [*fresh, *steady], NOW) is None


def test_after_sixty_pulls_it_is_enough_for_the_day_and_tomorrow_begins_anew() -> None:
    many = [(at(300 - i * 5), pull()) for i in range(60)]
    rest = rest_due(DRILLS.rest, many, NOW)
    assert rest is not None
    assert rest.until == ""
    assert rest_due(DRILLS.rest, many, NOW + dt.timedelta(days=1)) is None
