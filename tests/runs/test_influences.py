"""Geometric influences: guided series, model values and typed ones; what is not known is named, never zero.

Counts of readings and positions: ISO 6789-2:2017, 6.2, from memory. Budgets T1 and T3: constructed with the formulas
of ISO 6789-2 and recomputed by hand (b/√12 · 100/X̄_r).
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.metrology.budget import GivenBy
from benchapp.metrology.judgement import ReadingInput, judge
from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls.pull import Flag, Mode, Pull
from benchapp.runs import machine
from benchapp.runs.codec import from_data, to_data
from benchapp.runs.influences import (
    KINDS,
    LEAST_TOOLS,
    Influence,
    InfluenceError,
    Series,
    begin_series,
    contribution_percent,
    entered,
    geometric_of,
    kinds_of,
    measured,
    model_value,
    of_model,
)
from benchapp.runs.judging import judge_input
from benchapp.torque.direction import Direction

AT = "2026-03-04T09:10:00+00:00"
TOOL = Tool("OCF-014", ToolType.SETTING, "A", "N·m", 20.0, 100.0, resolution=1.0, maker="m", model="x")


def pull(reading: float | None, *flags: Flag, peak: float | None = None, direction=Direction.CLOCKWISE) -> Pull:
    return Pull(
        start_s=0.0,
        end_s=2.0,
        direction=direction,
        mode=Mode.FIRST_PEAK,
        reading=reading,
        reading_time_s=1.0,
        peak=peak if peak is not None else (reading or 20.0) * 1.1,
        first_peak=reading,
        rest=0.0,
        rest_after=0.0,
        time_80_to_100_s=0.9,
        loading_rate_per_s=5.0,
        flags=flags,
    )


def series_of(make, symbol: str = "w_rep", tool: Tool = TOOL) -> Series:
    return begin_series(tool, symbol, make.reference(), "fitter 2")


def pulled(series: Series, by_position) -> Series:
    for position, value in enumerate(by_position):
        for _ in range(series.kind.n_readings):
            assert series.position == position
            series, why = series.take(pull(value))
            assert why == ""
    return series


def test_each_series_has_the_standards_positions_and_readings() -> None:
    found = {kind.symbol: (len(kind.positions), kind.n_readings) for kind in KINDS.values()}
    assert found == {"w_rep": (4, 5), "w_od": (4, 10), "w_int": (4, 10), "w_l": (2, 10)}
    for kind in KINDS.values():
        assert len(kind.change) == len(kind.positions)
        assert kind.mark == "M"


def test_the_means_of_the_positions_give_the_contribution(make) -> None:
    series = series_of(make)
    assert series.target == 20.0
    assert series.is_at_a_start
    series = pulled(series, (20.0, 20.1, 20.3, 20.2))
    assert series.is_done
    found = measured(series, AT)
    assert found.spread_nm == pytest.approx(0.3, abs=1e-12)
    assert found.at_nm == pytest.approx(20.15)
    assert found.percent == pytest.approx(0.3 / math.sqrt(12) / 20.15 * 100, rel=1e-12)
    assert found.geometric().given_by is GivenBy.MEASURED
    assert "against REF-1, 20 pulls" in found.geometric().reason


@pytest.mark.parametrize(
    ("symbol", "b", "mean", "percent"),
    [
        ("w_rep", 0.30, 99.10, 0.087389),  # T1
        ("w_od", 0.40, 99.10, 0.116519),
        ("w_int", 0.20, 99.10, 0.058259),
        ("w_l", 0.50, 99.10, 0.145648),
        ("w_rep", 0.02, 2.04, 0.283015),  # T3
        ("w_od", 0.015, 2.04, 0.212261),
        ("w_int", 0.01, 2.04, 0.141507),
    ],
)
def test_contributions_of_the_constructed_budgets(symbol, b, mean, percent) -> None:
    assert contribution_percent(symbol, b, mean) == pytest.approx(percent, abs=6e-7)


def test_what_was_pulled_badly_is_pulled_again_and_stays_in_the_series(make) -> None:
    series = series_of(make)
    series, why = series.take(pull(20.0, Flag.TOO_FAST))
    assert why == "too-fast"
    assert series.readings(0) == ()
    assert len(series.pulls) == 1
    series, why = series.take(pull(20.0, Flag.PAST_CLICK))
    assert why == ""
    assert series.readings(0) == (20.0,)
    assert series.take(pull(None))[1] == "no-reading"
    assert series.take(pull(1.0, peak=2.0)) == (series, "knock")
    assert series.take(pull(20.0, direction=Direction.ANTICLOCKWISE)) == (series, "wrong-direction")


def test_the_last_pull_can_be_set_aside_and_a_flagged_one_counted(make) -> None:
    series, _ = series_of(make).take(pull(20.0))
    series = series.turn_last()
    assert series.readings(0) == ()
    assert series.turn_last().readings(0) == (20.0,)
    flagged, _ = series.take(pull(20.4, Flag.TOO_SLOW))
    assert flagged.turn_last().readings(0) == (20.4,)
    nothing, _ = series.take(pull(None))
    assert nothing.turn_last().readings(0) == ()


def test_a_series_that_is_not_done_gives_nothing(make) -> None:
    series, _ = series_of(make).take(pull(20.0))
    with pytest.raises(InfluenceError, match="19 of 20 pulls are still wanted"):
        measured(series, AT)


def test_a_screwdriver_has_no_loading_point(make) -> None:
    driver = replace(TOOL, is_screwdriver=True)
    assert [kind.symbol for kind in kinds_of(driver)] == ["w_rep", "w_od", "w_int"]
    with pytest.raises(InfluenceError, match="no loading point"):
        series_of(make, "w_l", driver)


def test_a_reference_that_does_not_reach_the_lowest_value_is_refused_with_numbers(make) -> None:
    low = replace(TOOL, lowest=0.5)
    with pytest.raises(InfluenceError, match=r"lowest value, 0\.5 N·m; REF-1 goes from"):
        series_of(make, tool=low)
    with pytest.raises(InfluenceError, match="Who pulls"):
        begin_series(TOOL, "w_rep", make.reference(), " ")


@pytest.mark.parametrize(
    ("spread", "reason", "who", "said"),
    [
        (-0.1, "from its maker", "fitter 2", "accepted is 0 N·m or more"),
        (math.nan, "from its maker", "fitter 2", "accepted is"),
        (4.1, "from its maker", "fitter 2", r"20.5 % of the lowest value 20 N·m; accepted is up to 20 %"),
        (0.1, " ", "fitter 2", "Why does this value hold"),
        (0.1, "from its maker", "", "Who enters it"),
    ],
)
def test_typed_values_that_cannot_stand(spread, reason, who, said) -> None:
    with pytest.raises(InfluenceError, match=said):
        entered(TOOL, "w_od", spread, GivenBy.TYPED, reason, who, AT)


def test_zero_may_be_typed_with_its_reason() -> None:
    found = entered(TOOL, "w_int", 0.0, GivenBy.TYPED, "no adapter is used", "fitter 2", AT)
    assert found.percent == 0
    assert found.geometric().reason == "no adapter is used"


def of_tools(n: int, widest: float = 0.4) -> list[Influence]:
    return [
        Influence(f"OCF-{i:03d}", "w_od", widest * (i + 1) / n, 20.0, GivenBy.MEASURED, "", "fitter 2", AT)
        for i in range(n)
    ]


def test_a_model_value_needs_ten_other_tools_and_takes_the_greatest() -> None:
    assert model_value(of_tools(LEAST_TOOLS - 1), TOOL) is None
    typed = [replace(each, given_by=GivenBy.TYPED) for each in of_tools(LEAST_TOOLS)]
    assert model_value(typed, TOOL) is None
    value = model_value(of_tools(LEAST_TOOLS), TOOL)
    assert value is not None
    assert value.relative == pytest.approx(0.02)
    larger = replace(TOOL, lowest=40.0)
    found = of_model(larger, "w_od", value, "fitter 2", AT)
    assert (found.spread_nm, found.at_nm) == pytest.approx((0.8, 40.0))
    assert found.given_by is GivenBy.MODEL
    assert "greatest of 10 measured tools" in found.reason


def test_what_is_known_is_used_by_the_run_and_the_rest_is_named(make) -> None:
    """One measured, one typed: both stand in the budget as such, the two others are missing by name."""
    known = {
        "w_rep": measured(pulled(series_of(make), (20.0, 20.1, 20.3, 20.2)), AT),
        "w_od": entered(TOOL, "w_od", 0.1, GivenBy.TYPED, "from its data sheet", "fitter 2", AT),
    }
    plan = make.plan(TOOL, geometric=geometric_of(known, TOOL))
    given = judge_input(machine.begin("0b7e", plan, AT))
    assert set(given.geometric) == {"w_rep", "w_od"}
    point = replace(given.checkpoints[-1], readings=tuple(ReadingInput(99.0 + i / 10) for i in range(5)))
    judged = judge(replace(given, checkpoints=(point,)))
    budget = judged.checkpoints[0].budget
    found = {c.symbol: c for c in budget.contributions if c.symbol in given.geometric}
    assert {symbol: c.given_by for symbol, c in found.items()} == {"w_rep": GivenBy.MEASURED, "w_od": GivenBy.TYPED}
    assert found["w_rep"].percent == pytest.approx(known["w_rep"].percent)  # the share at the lowest value holds
    assert {"w_int", "w_l"} <= set(budget.missing)


def test_everything_can_be_written_and_read_again(make) -> None:
    series = pulled(series_of(make), (20.0, 20.1, 20.3, 20.2))
    found = measured(series, AT)
    assert from_data(Influence, to_data(found)) == found
    assert from_data(Series, to_data(series)) == series


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(19, 21), min_size=4, max_size=4), st.floats(0.1, 10))
def test_a_scale_changes_the_spread_but_not_the_percentage(values, scale) -> None:
    def found(factor: float) -> Influence:
        series = Series("OCF-014", "w_rep", "N·m", 20.0 * factor, Direction.CLOCKWISE, "REF-1", "C-1", "fitter 2")
        return measured(pulled(series, [value * factor for value in values]), AT)

    one, other = found(1.0), found(scale)
    assert other.percent == pytest.approx(one.percent, rel=1e-9, abs=1e-12)
    assert one.percent <= contribution_percent("w_rep", 2.0, 19.0)
