"""Whether the mounted reference is good enough is told before the run, with numbers, and overridden only by name.

Demands: ISO 6789-1:2017 interval of the reference at most a quarter of the permissible deviation (second-hand);
ISO 6789:2003 uncertainty at most 1 % (second-hand); ASME B107.300-2021, 6.3(a) at most 25 % (seen).
"""

import dataclasses
import datetime as dt

import pytest

from benchapp.metrology.reference import Calibration, CalibrationPoint
from benchapp.metrology.suitability import Demand, Quantity
from benchapp.metrology.tool import ToolType
from benchapp.runs.codec import plan_from_data, plan_to_data
from benchapp.runs.model import RunPlan
from benchapp.runs.planning import Override, Refusal
from benchapp.runs.procedure import copied, without
from benchapp.torque.direction import Direction
from drivers.samples import Source

TODAY = dt.date(2026, 3, 4)


def known_to(make, percent, number="REF-1", **changes):
    """Return a reference whose certificate states this expanded uncertainty at 2, 50 and 100 N·m (k = 2)."""
    if not isinstance(percent, tuple):
        percent = (percent,) * 3
    points = tuple(CalibrationPoint(x, x, u) for x, u in zip((2.0, 50.0, 100.0), percent, strict=True))
    given = {"degree": 1, "coverage_factor": 2.0} | changes
    calibration = Calibration(
        "C-1", "laboratory 1", dt.date(2026, 1, 5), dt.date(2027, 1, 5), 2.0, 100.0, points=points, **given
    )
    return make.reference(number, calibrations=(calibration,))


@pytest.mark.parametrize(
    ("key", "demand"),
    [
        ("iso-6789-1-2017", Demand(Quantity.INTERVAL, share_of_limit=0.25)),
        ("iso-6789-2003", Demand(Quantity.UNCERTAINTY, percent=1.0)),
        ("asme-b107-300", Demand(Quantity.ACCURACY, share_of_limit=0.25)),
    ],
)
def test_each_edition_makes_its_demand_by_its_own_quantity(make, key, demand):
    assert make.procedure(key).demand == demand


@pytest.mark.parametrize(
    ("procedure", "good", "poor", "words"),
    [
        ("iso-6789-1-2017", 1.0, 1.01, ("1.01 % at 8 N·m", "interval W'", "limit of ±4 %", "wants 1 % or better")),
        ("iso-6789-2003", 1.0, 1.01, ("1.01 % at 8 N·m", "U, k = 2", "wants 1 % or better")),
        ("workshop-full", 1.0, 1.01, ("wants 1 % or better",)),
    ],
)
def test_the_demand_is_met_at_its_edge_and_missed_beyond_it(make, procedure, good, poor, words):
    options = {"procedure": procedure, "today": TODAY, "must_be_suitable": True}
    assert isinstance(make.plan(reference=known_to(make, good), **options), RunPlan)
    refused = make.plan(reference=known_to(make, poor), **options)
    assert isinstance(refused, Refusal)
    assert refused.key == "unsuitable"
    for word in words:
        assert word in refused.sentence()
    assert "custodian may override" in refused.sentence()


def test_the_certificates_k_is_brought_to_two_for_an_uncertainty(make):
    options = {"procedure": "iso-6789-2003", "today": TODAY, "must_be_suitable": True}
    assert isinstance(make.plan(reference=known_to(make, 1.2, coverage_factor=3.0), **options), RunPlan)
    assert isinstance(make.plan(reference=known_to(make, 1.2), **options), Refusal)


def test_only_the_checkpoints_count_and_each_that_fails_is_named(make):
    bad_at_the_top = known_to(make, (0.2, 0.2, 3.0))
    tool = make.tool(highest=45.0)  # between 2 and 50 N·m
    assert isinstance(make.plan(tool, reference=bad_at_the_top, today=TODAY, must_be_suitable=True), RunPlan)
    tool = make.tool(lowest=20.0, highest=95.0)
    refused = make.plan(tool, reference=bad_at_the_top, today=TODAY, must_be_suitable=True)
    assert "3 % at 57 N·m, 3 % at 95 N·m" in refused.sentence()
    assert "at 20 N·m" not in refused.sentence()


def test_those_that_would_do_are_named_and_only_those(make):
    poor = known_to(make, 2.0)
    others = (
        poor,
        known_to(make, 1.9, "REF-2"),
        known_to(make, 0.5, "REF-3"),
        make.reference("REF-4", calibrations=()),
        make.reference("REF-5", low=2.0, high=20.0),
    )
    refused = make.plan(reference=poor, others=others, today=TODAY, must_be_suitable=True)
    assert [each.number for each in refused.would_do] == ["REF-3"]
    assert "REF-3 would do." in refused.sentence()
    none = make.plan(reference=poor, others=others[:2], today=TODAY, must_be_suitable=True)
    assert "No other reference would do." in none.sentence()


def test_overdue_and_dated_in_the_future_are_told(make):
    late = make.plan(today=dt.date(2027, 1, 6), must_be_suitable=True)
    assert "was due on 2027-01-05" in late.sentence()
    assert isinstance(make.plan(today=dt.date(2027, 1, 5), must_be_suitable=True), RunPlan)
    early = make.plan(today=dt.date(2026, 1, 4), must_be_suitable=True)
    assert "dated 2026-01-05" in early.sentence()


def test_a_direction_without_calibration_is_told(make):
    both = make.tool(directions=(Direction.CLOCKWISE, Direction.ANTICLOCKWISE))
    refused = make.plan(both, today=TODAY, must_be_suitable=True)
    assert "was not calibrated anticlockwise" in refused.sentence()
    assert isinstance(make.plan(today=TODAY, must_be_suitable=True), RunPlan)


def live(**more):
    return {"today": TODAY, "must_be_suitable": True, "source": Source.LIVE} | more


@pytest.mark.parametrize(
    ("procedure", "wanted"),
    [
        ("workshop-full", "for a limit of ±4 % the procedure wants 1 % or better (interval W')"),
        ("iso-6789-2003", "for a limit of ±4 % the procedure wants 1 % or better (U, k = 2)"),
        ("iso-6789-1-2017", "for a limit of ±4 % the procedure wants 1 % or better (interval W')"),
        ("asme-b107-300", "for a limit of ±4 % the procedure wants 1 % or better (error and U, k = 2)"),
    ],
)
def test_a_demand_is_not_met_by_what_nobody_knows(make, procedure, wanted):
    """A reference that is 0.1 % too uncertain is refused; one of which nothing is known was not."""
    others = (known_to(make, 0.5, "REF-3"),)
    bare = make.plan(reference=make.reference(calibrations=()), others=others, **live(procedure=procedure))
    assert isinstance(bare, Refusal)
    assert bare.key == "unsuitable"
    assert f"REF-1 has no calibration entered; {wanted}" in bare.sentence()
    assert "REF-3 would do." in bare.sentence()
    assert "custodian may override" in bare.sentence()
    unstated = make.plan(reference=known_to(make, None), others=others, **live(procedure=procedure))
    assert isinstance(unstated, Refusal)
    assert "REF-1: its certificate states no uncertainty at 8 N·m, 24 N·m, 40 N·m; " + wanted in unstated.sentence()
    assert isinstance(make.plan(reference=known_to(make, 0.5), **live(procedure=procedure)), RunPlan)


def test_where_only_some_checkpoints_are_stated_the_others_are_named(make):
    partly = known_to(make, (0.2, 0.2, None))
    tool = make.tool(lowest=20.0, highest=95.0)
    refused = make.plan(tool, reference=partly, **live())
    assert "no uncertainty at 57 N·m, 95 N·m; " in refused.sentence()


def test_the_custodian_may_start_without_calibration_and_it_stands_in_the_plan(make):
    bare = make.reference(calibrations=())
    plan = make.plan(reference=bare, override=Override("custodian", "REF-2 is at the laboratory"), **live())
    assert isinstance(plan, RunPlan)
    assert any("has no calibration entered; for a limit" in each for each in plan.warnings)
    assert any("no guard band and no probability can be stated." in each for each in plan.warnings)
    assert plan.warnings[-1] == "Overridden by custodian: REF-2 is at the laboratory"


def test_a_spot_check_and_the_demonstration_tell_what_cannot_be_said_and_start(make):
    for options in (
        live(source=Source.SIMULATED),
        live(source=Source.REPLAYED),
        live(procedure="workshop-spot", target=24.0),
    ):
        plan = make.plan(reference=make.reference(calibrations=()), **options)
        assert isinstance(plan, RunPlan)
        assert "no guard band and no probability can be stated." in plan.warnings[0]
        unstated = make.plan(reference=known_to(make, None), **options)
        assert "states no uncertainty at " in unstated.warnings[0]
    # what is known to be too poor is refused in a spot check too
    poor = make.plan(reference=known_to(make, 2.0), **live(procedure="workshop-spot", target=24.0))
    assert poor.key == "unsuitable"


def test_an_own_procedure_refuses_unless_it_says_otherwise(make):
    bare = make.reference(calibrations=())
    own = copied(make.procedure("workshop-full"), "own-full", "Ferry, full run")
    assert isinstance(make.plan(reference=bare, **live(procedure=own)), Refusal)
    told = make.edited(own, "reference.unknown", "told", source="custodian", mark="P")
    assert isinstance(make.plan(reference=bare, **live(procedure=told)), RunPlan)
    free = without(without(own, "reference.share_of_limit"), "reference.quantity")
    assert free.demand is None
    assert isinstance(make.plan(reference=bare, **live(procedure=free)), RunPlan)


def test_an_override_needs_custodian_and_reason_and_stands_in_the_plan(make):
    options = {"reference": known_to(make, 2.0), "today": TODAY, "must_be_suitable": True}
    for nobody in (Override("", "urgent"), Override("custodian", "  ")):
        refused = make.plan(override=nobody, **options)
        assert refused.key == "override"
        assert "custodian and the reason" in refused.sentence()
    plan = make.plan(override=Override("custodian", "REF-2 is at the laboratory"), **options)
    assert isinstance(plan, RunPlan)
    assert "wants 1 % or better" in plan.warnings[0]
    assert plan.warnings[-1] == "Overridden by custodian: REF-2 is at the laboratory"
    assert plan_from_data(plan_to_data(plan)) == plan
    needless = make.plan(override=Override("custodian", "to be sure"), today=TODAY, must_be_suitable=True)
    assert needless.warnings == ()


def test_a_calibration_that_cannot_be_computed_with_is_told_not_raised(make):
    good = known_to(make, 0.2)
    unfit = dataclasses.replace(good.calibrations[0], degree=3, points=good.calibrations[0].points[:1])
    for calibrations in ((unfit,), (unfit, good.calibrations[0])):
        reference = dataclasses.replace(good, calibrations=calibrations)
        refused = make.plan(reference=reference, today=TODAY, must_be_suitable=True)
        assert "cannot correct readings" in refused.sentence()


def test_an_indicating_tool_with_a_tighter_declared_limit_asks_more_of_the_reference(make):
    tool = make.tool(tool_type=ToolType.INDICATING, tool_class="B", declared_percent=1.0)
    refused = make.plan(tool, reference=known_to(make, 0.3), today=TODAY, must_be_suitable=True)
    assert "limit of ±1 %" in refused.sentence()
    assert "wants 0.25 % or better" in refused.sentence()
