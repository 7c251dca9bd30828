"""The plan takes targets on marks the tool has, and a reference that cannot tell is refused with numbers."""

import dataclasses
import datetime as dt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.metrology.tool import ToolType
from benchapp.pulls.pull import Mode
from benchapp.runs.model import RunPlan
from benchapp.runs.planning import Refusal, on_mark
from benchapp.torque.direction import Direction

BOTH = (Direction.CLOCKWISE, Direction.ANTICLOCKWISE)


def targets(plan):
    return [checkpoint.target for checkpoint in plan.checkpoints]


@pytest.mark.parametrize(
    ("low", "high", "step", "procedure", "expected"),
    [
        (8.0, 40.0, 0.5, "workshop-full", [8.0, 24.0, 40.0]),
        (10.0, 100.0, 1.0, "iso-6789-2003", [20.0, 60.0, 100.0]),
        (10.0, 100.0, 1.0, "iso-6789-1-2017", [10.0, 60.0, 100.0]),  # the editions differ here
        (10.0, 60.0, 5.0, "iso-6789-2003", [10.0, 35.0, 60.0]),  # 12 and 36 are not marked: next below
        (20.0, 80.0, 5.0, "iso-6789-2003", [20.0, 45.0, 80.0]),  # 16 lies below the lowest mark
        (5.0, 25.0, None, "iso-6789-2003", [5.0, 15.0, 25.0]),
        (0.1, 0.6, 0.02, "iso-6789-2003", [0.12, 0.36, 0.6]),  # 0.12 / 0.02 in binary would fall one mark short
    ],
)
def test_targets_are_marks_that_the_tool_has(make, low, high, step, procedure, expected):
    tool = make.tool(lowest=low, highest=high, resolution=step)
    plan = make.plan(tool, procedure, reference=make.reference(low=0.05, high=200.0))
    assert targets(plan) == expected


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 400), st.integers(1, 50), st.integers(1, 60), st.integers(0, 3), st.floats(0.1, 1000))
def test_a_mark_is_never_above_the_target_nor_a_whole_step_below(low, step, n, decimals, target):
    from benchapp.metrology.tool import Tool

    scale = 10**decimals
    tool = Tool("OCF-1", ToolType.SETTING, "A", "N·m", low / scale, (low + n * step) / scale, resolution=step / scale)
    mark = on_mark(tool, target)
    steps = round((mark * scale - low) / step)
    assert mark == (low + steps * step) / scale  # a mark, to the last bit
    if tool.lowest <= target <= tool.highest:
        assert mark <= target
        assert target - mark < step / scale * (1 + 1e-9)


def test_a_fixed_tool_has_one_checkpoint_in_each_direction(make):
    plan = make.plan(make.tool(fixed=True, lowest=40.0, tool_class="B", directions=BOTH), "iso-6789-2003")
    assert [(c.target, c.direction, c.n_readings) for c in plan.checkpoints] == [(40.0, d, 5) for d in BOTH]
    assert plan.preloads == tuple((d, 5, 40.0) for d in BOTH)


def test_both_directions_are_planned_with_a_preload_each(make):
    plan = make.plan(make.tool(directions=BOTH))
    assert targets(plan) == [8.0, 24.0, 40.0] * 2
    assert [c.direction for c in plan.checkpoints] == [BOTH[0]] * 3 + [BOTH[1]] * 3


@pytest.mark.parametrize(
    ("changes", "mode"),
    [
        ({}, Mode.FIRST_PEAK),
        ({"tool_type": ToolType.INDICATING, "tool_class": "B"}, Mode.HOLD),
        ({"tool_type": ToolType.INDICATING, "tool_class": "B", "has_memory": True}, Mode.PEAK),
    ],
)
def test_how_a_reading_is_taken_follows_the_tool(make, changes, mode):
    assert make.plan(make.tool(**changes)).mode is mode


def test_the_corridor_is_that_of_the_convention(make):
    # X_a = 100, limits ±4 %: ISO 96.15385 to 104.16667, applied against preset 96 to 104 (worked from the formulas)
    tool, reference = make.tool(lowest=20.0, highest=100.0), make.reference(high=200.0)
    iso = make.plan(tool, "iso-6789-2003", reference=reference).checkpoints[-1]
    assert (iso.low_nm, iso.high_nm) == (pytest.approx(96.153846), pytest.approx(104.166667))
    preset = make.plan(tool, "asme-b107-300", reference=reference).checkpoints[-1]
    assert (preset.low_nm, preset.high_nm) == (pytest.approx(96.0), pytest.approx(104.0))


def test_a_spot_check_takes_a_typed_target_and_count(make):
    plan = make.plan(None, "workshop-spot", target=17.5, n_readings=5)
    assert [(c.target, c.n_readings) for c in plan.checkpoints] == [(17.5, 5)]
    assert plan.preloads == ((Direction.CLOCKWISE, 1, 17.5),)
    off_mark = make.plan(None, "workshop-spot", target=17.3)
    assert "17.3 N·m is not marked on OCF-014" in " ".join(off_mark.warnings)


@pytest.mark.parametrize(
    ("changes", "options", "key"),
    [
        ({"lowest": 0.0}, {}, "range-not-positive"),
        ({"lowest": -5.0}, {}, "range-not-positive"),
        ({"highest": 0.0}, {}, "range-not-positive"),
        ({"highest": float("nan")}, {}, "range-not-positive"),
        ({"lowest": 50.0}, {}, "range-reversed"),
        ({"directions": ()}, {}, "no-direction"),
        ({}, {"procedure": "workshop-spot"}, "target-missing"),
        ({}, {"procedure": "workshop-spot", "target": 0.0}, "target-not-positive"),
        ({}, {"procedure": "workshop-spot", "target": float("inf")}, "target-not-positive"),
        ({}, {"procedure": "workshop-spot", "target": 41.0}, "target-outside-tool"),
        ({}, {"n_readings": 0}, "count"),
        ({}, {"limit_percent": 0.0}, "limit"),
        ({}, {"limit_percent": 100.0}, "limit"),
    ],
)
def test_what_cannot_be_planned_is_refused_with_a_sentence(make, changes, options, key):
    refusal = make.plan(make.tool(**changes), **options)
    assert isinstance(refusal, Refusal)
    assert refusal.key == key
    assert refusal.sentence().endswith(".")
    assert "?" not in refusal.sentence()


def test_a_reference_without_calibration_is_proposed_only_where_no_other_covers(make):
    small, bare = make.reference("REF-2", low=2.0, high=100.0), make.reference("REF-3", high=1000.0, calibrations=())
    for others, named in (([bare, small], ["REF-2"]), ([bare], ["REF-3"])):
        refusal = make.plan(reference=make.reference(low=10.0), others=others)
        assert [c.number for c in refusal.would_do] == named


def test_a_target_below_the_reference_names_those_that_would_do(make):
    others = [make.reference("REF-1", 10.0, 200.0), make.reference("REF-2", 2.0, 100.0), make.reference("REF-3", 9, 30)]
    refusal = make.plan(reference=others[0], others=others)
    assert (refusal.key, [c.number for c in refusal.would_do]) == ("below-reference", ["REF-2"])
    assert refusal.sentence() == (
        "20 % of OCF-014 is 8 N·m, below REF-1, which starts at 10 N·m. REF-2 (2 to 100 N·m) covers it."
    )


def test_a_target_above_the_reference_is_refused_in_the_tools_own_unit(make):
    tool = make.tool(unit="lbf·ft", lowest=10.0, highest=100.0, resolution=1.0)
    refusal = make.plan(tool, reference=make.reference(low=2.0, high=100.0))
    assert refusal.key == "above-reference"
    assert refusal.sentence() == (
        "100 % of OCF-014 is 100 lbf·ft, above REF-1, which ends at 73.7562 lbf·ft. "
        "No other reference covers the whole run."
    )


def test_room_alone_that_is_missing_is_a_warning(make):
    plan = make.plan(reference=make.reference(low=2.0, high=41.0))
    assert isinstance(plan, RunPlan)
    assert [w for w in plan.warnings if "no room above 40 N·m" in w and "41.6667 N·m" in w]


def test_a_maximum_that_equals_the_references_end_in_another_unit_is_covered(make):
    tool = make.tool(unit="lbf·ft", lowest=10.0, highest=73.75621492772654, resolution=None)
    assert isinstance(make.plan(tool, reference=make.reference(low=2.0, high=100.0)), RunPlan)


def test_what_speaks_against_the_reference_is_told_with_numbers(make):
    good = make.reference()
    assert make.plan(reference=good, today=dt.date(2026, 3, 4)).warnings == ()
    overdue = make.plan(reference=good, today=dt.date(2027, 3, 4)).warnings
    assert "due on 2027-01-05" in overdue[0]
    calibration = good.calibrations[0]
    poor = dataclasses.replace(calibration, interval_percent=1.2)
    warned = make.plan(reference=dataclasses.replace(good, calibrations=(poor,))).warnings
    assert "known to 1.2 %" in warned[0]
    assert "wants 1 % or better" in warned[0]
    none = make.plan(reference=dataclasses.replace(good, calibrations=())).warnings
    assert "no calibration entered" in none[0]
    unfit = dataclasses.replace(calibration, degree=3, points=calibration.points[:1])
    assert "cannot correct" in make.plan(reference=dataclasses.replace(good, calibrations=(unfit,))).warnings[0]


def test_the_plan_freezes_the_whole_procedure_with_its_sources(make):
    frozen = make.plan().procedure
    assert frozen["readings"]["II"] == {
        "value": 3,
        "unit": "",
        "source": "workshop practice",
        "clause": "",
        "mark": "P",
    }
