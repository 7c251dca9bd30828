"""A run is judged as `kilter judge` judges the same numbers; what is missing is named, what counts is what counted.

The seven components and which of them are missing follow ISO 6789-2:2017 (formulas from memory, see metrology.budget).
"""

import dataclasses
import datetime as dt
import json
import math

import pytest
from scipy import stats

from benchapp.cli._judge_input import input_from_data
from benchapp.metrology.budget import GivenBy
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import Geometric, Verdict, judge
from benchapp.metrology.reference import Calibration, CalibrationPoint
from benchapp.metrology.rules import Rule, RuleKind
from benchapp.metrology.suitability import use_at
from benchapp.metrology.tool import ToolType
from benchapp.pulls.pull import Mode
from benchapp.runs import events as e
from benchapp.runs.codec import run_from_data, run_to_data
from benchapp.runs.judging import (
    judge_checkpoint,
    judge_input,
    judge_run,
    judgement_to_data,
    rule_of,
    run_judgement_to_data,
)
from benchapp.runs.model import PullKind, RunState
from benchapp.runs.outcome import outcome
from benchapp.runs.procedure import ProcedureError
from benchapp.torque.units import from_nm

SHARES = (1.004, 0.996, 1.011, 0.991, 1.0, 1.007)


def finished(make, plan=None, shares=SHARES, zeros=(0.01, 0.03), hides=None, **changes):
    """Return a run at its verdict, pulled with these shares of each target in turn, rate of loading 50 % per second."""
    walker = make.walker(plan)
    n = z = 0
    while walker.run.state is not RunState.VERDICT:
        state = walker.run.state
        if state in (RunState.ZERO, RunState.FINAL_ZERO):
            walker(e.GoOn(), e.ZeroMeasured(make.zero(zeros[min(z, len(zeros) - 1)])))
            z += 1
        elif state is RunState.PULL:
            point = walker.run.plan.checkpoints[walker.run.checkpoint_index]
            reading = point.target_nm * shares[n % len(shares)]
            mode = walker.run.plan.mode
            pull = make.pull(reading, direction=point.direction, mode=mode)
            walker(e.PullRead(dataclasses.replace(pull, loading_rate_per_s=reading / 2, sampling_hides_percent=hides)))
            n += 1
        else:
            walker.natural()
    return dataclasses.replace(walker.run, **changes)


def symbols(judged):
    return {c.symbol: c for c in judged.budget.contributions}


@pytest.fixture
def run(make):
    return finished(
        make,
        stream={"rate_hz": 500.0, "filter_hz": 80.0},
        ambient={"start_c": 21.0, "end_c": 21.5, "humidity_percent": 40.0},
    )


def test_a_run_is_judged_as_the_command_judges_the_same_numbers(make, run):
    unit = run.plan.tool.unit
    checkpoints = []
    for index, point in enumerate(run.plan.checkpoints):
        use = use_at(run.plan.reference, point.direction, point.target_nm)
        pulls = [p for p in run.pulls if p.checkpoint_index == index]
        checkpoints.append(
            {
                "target": point.target,
                "direction": point.direction.value,
                "limit_percent": point.limit_percent,
                "n_required": point.n_readings,
                "reference": {
                    "expanded_percent": use.expanded_percent,
                    "k": 2,
                    "residual_percent": use.residual_percent,
                },
                "readings": [p.pull.reading for p in pulls],
                "dynamic": {
                    "rate_percent_per_s": 50.0,
                    "interval_s": 1 / 500,
                    "filter_hz": 80.0,
                    "zero_drift": 0.02,
                },
            }
        )
    data = {
        "unit": unit,
        "procedure": "workshop-full",
        "tool": {"type": "II", "class": "A", "lowest": 8.0, "highest": 40.0, "resolution": 0.5},
        "ambient": {"start_c": 21.0, "end_c": 21.5, "humidity_percent": 40.0},
        "checkpoints": checkpoints,
    }
    given, read_unit = input_from_data(json.loads(json.dumps(data)))
    theirs = judgement_to_data(judge(given), read_unit, given)
    ours = run_judgement_to_data(run, judge_run(run))
    ours_flat, theirs_flat = flat(ours), flat(theirs)
    assert list(ours_flat) == list(theirs_flat)
    for path, leaf in ours_flat.items():
        expected = pytest.approx(theirs_flat[path], rel=1e-9) if isinstance(leaf, float) else theirs_flat[path]
        assert leaf == expected, path
    assert [len(c["readings"]) for c in ours["checkpoints"]] == [3, 3, 3]
    assert ours["checkpoints"][0]["mean_deviation_percent"] == pytest.approx(
        sum((1 / share - 1) * 100 for share in SHARES[:3]) / 3, rel=1e-9
    )


def flat(data, at=""):
    """Return path -> leaf, words and numbers alike."""
    if isinstance(data, dict):
        return {path: leaf for key, value in data.items() for path, leaf in flat(value, f"{at}.{key}").items()}
    if isinstance(data, list):
        return {path: leaf for i, value in enumerate(data) for path, leaf in flat(value, f"{at}[{i}]").items()}
    return {at: data}


def test_what_nobody_measured_is_named_as_missing_and_never_zero(make, run):
    first = judge_run(run).checkpoints[0]
    # one calibration tells of no drift, its certificate of no temperature; the zeros and the stream are known
    assert first.budget.missing == ("w_rep", "w_od", "w_int", "w_l", "w_drift", "w_temp")
    typed = {"w_rep": Geometric(0.05, GivenBy.TYPED, "from ten wrenches of this kind")}
    told = judge_run(finished(make, make.plan(geometric=typed))).checkpoints[0]
    # this one was made without a stream
    assert told.budget.missing == ("w_od", "w_int", "w_l", "w_drift", "w_sampling", "w_filter", "w_temp")
    # b/√12 of the mean, recomputed
    assert symbols(told)["w_rep"].percent == pytest.approx(0.05 / math.sqrt(12) / told.mean_reading_nm * 100)
    assert symbols(told)["w_rep"].reason == "from ten wrenches of this kind"


def test_a_screwdriver_has_no_loading_point_and_the_budget_says_why(make):
    plan = make.plan(make.tool(tool_class="D", is_screwdriver=True))
    first = judge_run(finished(make, plan)).checkpoints[0]
    assert "w_l" not in first.budget.missing
    assert symbols(first)["w_l"].given_by is GivenBy.NOT_APPLICABLE
    assert symbols(first)["w_l"].reason


def test_stream_profile_and_zeros_become_terms_of_the_budget(run):
    first = judge_run(run).checkpoints[0]
    found = symbols(first)
    assert found["w_sampling"].percent == pytest.approx(50 / 500 / math.sqrt(3))
    assert found["w_filter"].percent == pytest.approx(50 / (2 * math.pi * 80) / math.sqrt(3))
    assert found["w_zero"].percent == pytest.approx(0.02 / math.sqrt(3) / first.mean_reading_nm * 100)
    assert found["w_r"].percent == pytest.approx(0.5 / math.sqrt(12) / 8.0 * 100)


def test_the_samples_of_the_pulls_say_the_interval_better_than_the_links_average(make):
    run = finished(make, hides=50 / 400, stream={"rate_hz": 3.0})  # just after a break
    found = symbols(judge_run(run).checkpoints[0])
    assert found["w_sampling"].percent == pytest.approx(50 / 400 / math.sqrt(3))
    assert "w_filter" not in found  # the profile said nothing
    assert "w_filter" in judge_run(run).checkpoints[0].budget.missing


def test_a_held_reading_hides_nothing_behind_its_rate_of_loading(make):
    plan = make.plan(make.tool(tool_type=ToolType.INDICATING, tool_class="B"), mode=Mode.HOLD)
    walker = make.walker(plan).to_pull()
    for share in SHARES[: plan.checkpoints[0].n_readings]:
        target = plan.checkpoints[0].target_nm
        one = dataclasses.replace(make.pull(target * share, mode=Mode.HOLD), loading_rate_per_s=10.0)
        walker(e.PullRead(one))
        walker(e.IndicationTyped(target * 1.002)) if walker.run.state is RunState.INDICATION else None
        if walker.run.checkpoint_index == 0 and walker.run.state is not RunState.PULL:
            walker.to_pull()
    run = dataclasses.replace(walker.run, stream={"rate_hz": 10.0, "filter_hz": 5.0})
    judged = judge_checkpoint(run, 0)
    assert not isinstance(judged, RefusedError)
    assert not {"w_sampling", "w_filter"} & (set(symbols(judged)) | set(judged.budget.missing))


def test_the_references_temperature_counts_where_its_certificate_gives_a_coefficient(make, run):
    calibration = run.plan.reference.calibration
    warm = dataclasses.replace(calibration, temperature_c=20.0, temperature_percent_per_k=0.02)
    reference = dataclasses.replace(run.plan.reference, calibrations=(warm,))
    changed = dataclasses.replace(run, plan=dataclasses.replace(run.plan, reference=reference))
    assert symbols(judge_run(changed).checkpoints[0])["w_temp"].percent == pytest.approx(0.02 * 1.5 / math.sqrt(3))
    assert "w_temp" not in symbols(judge_run(run).checkpoints[0])


def test_what_was_set_aside_stays_in_sight_and_does_not_count(make, run):
    outside = run.plan.checkpoints[0].target_nm * 1.2
    flagged = dataclasses.replace(
        run.pulls[-1], number=len(run.pulls) + 1, checkpoint_index=0, set_aside="knocked", set_aside_by="fitter 2",
        pull=make.pull(outside, make.Flag.JERKY), band=None, deviation_percent=None, indication_nm=None,
    )  # fmt: skip
    with_flagged = judge_run(dataclasses.replace(run, pulls=(*run.pulls, flagged)))
    plain = judge_run(run)
    assert with_flagged.verdict is plain.verdict is Verdict.IN_SERVICE
    assert with_flagged.checkpoints[0].n == 3
    assert with_flagged.checkpoints[0].readings[-1].set_aside == "knocked"
    assert with_flagged.checkpoints[0].readings[-1].flags == ("jerky",)
    assert with_flagged.checkpoints[0].mean_deviation_percent == plain.checkpoints[0].mean_deviation_percent
    unflagged = dataclasses.replace(flagged, pull=make.pull(outside))
    doubtful = dataclasses.replace(run, pulls=(*run.pulls, unflagged))
    assert judge_run(doubtful).verdict is Verdict.DOUBTFUL
    assert not outcome(doubtful).within_with_set_aside  # the plain verdict says the same
    by_program = dataclasses.replace(unflagged, set_aside_by="Kilter")
    assert len(judge_run(dataclasses.replace(run, pulls=(*run.pulls, by_program))).checkpoints[0].readings) == 3


def test_preloads_never_count(make, run):
    assert any(p.kind is PullKind.PRELOAD for p in run.pulls)
    assert sum(len(c.readings) for c in judge_input(run).checkpoints) == sum(
        p.kind is PullKind.READING for p in run.pulls
    )


@pytest.mark.parametrize("share", [1.06, 0.94])
def test_a_tool_out_of_limits_is_out_here_and_in_the_plain_verdict(make, share):
    run = finished(make, shares=(share,))
    assert judge_run(run).verdict is Verdict.OUT
    assert not outcome(run).within


def guarded(make, rule="guard-band", r=None):
    procedure = make.edited(
        make.procedure("workshop-full"), "decision.rule", rule, source="workshop practice", mark="P"
    )
    if r is not None:
        procedure = make.edited(procedure, "decision.r", r, source="ILAC-G8:09/2019", mark="C")
    return procedure


def test_rule_and_guard_band_come_from_the_procedure_as_it_was_frozen(make):
    for rule, r, expected in (
        ("simple", None, Rule()),
        ("guard-band", None, Rule(RuleKind.GUARD_BAND, 1.0)),
        ("guard-band", 0.83, Rule(RuleKind.GUARD_BAND, 0.83)),
        ("four-way", 1.0, Rule(RuleKind.FOUR_WAY, 1.0)),
    ):
        procedure = guarded(make, rule, r)
        assert rule_of(procedure) == expected
        plan = make.plan(procedure=procedure)
        assert judge_input(finished(make, plan)).rule == expected
    judged = judge_run(finished(make, make.plan(procedure=guarded(make, "guard-band", 0.83)))).checkpoints[0]
    assert judged.guard_band_percent == pytest.approx(0.83 * judged.budget.expanded)
    assert plan.procedure["decision"]["r"]["source"] == "ILAC-G8:09/2019"


def test_k_is_two_unless_the_procedure_says_another_or_takes_it_from_t(make):
    base = make.procedure("workshop-full")
    wide = make.edited(base, "coverage.factor", 3.0, source="workshop practice", mark="P")
    assert judge_run(finished(make, make.plan(procedure=wide))).checkpoints[0].budget.factor == 3.0
    assert judge_run(finished(make)).checkpoints[0].budget.factor == 2.0
    by_t = make.edited(base, "coverage.probability", 0.95, source="JCGM 100:2008", clause="G.4.1", mark="M")
    budget = judge_run(finished(make, make.plan(procedure=by_t))).checkpoints[0].budget
    # ν_eff cut to a whole number, then t as SciPy has it
    assert budget.factor == pytest.approx(stats.t.ppf(0.975, math.floor(budget.dof)), rel=1e-9)
    with pytest.raises(ProcedureError, match="both factor and probability"):
        make.edited(wide, "coverage.probability", 0.95, source="workshop practice", mark="P")


def test_a_rule_that_needs_an_uncertainty_refuses_a_reference_without_one(make):
    bare = make.reference(calibrations=())
    run = finished(make, make.plan(reference=bare, procedure=guarded(make)))
    with pytest.raises(RefusedError, match="reference"):
        judge_run(run)
    plain = judge_run(finished(make, make.plan(reference=bare)))  # the plain limits need none
    assert "w_md" in plain.checkpoints[0].budget.missing


def test_a_run_left_half_way_is_refused_as_a_whole_and_its_checkpoints_one_by_one(make):
    walker = make.walker().to_pull()
    while walker.run.checkpoint_index == 0:
        walker.natural()
    with pytest.raises(RefusedError, match="readings"):
        judge_run(walker.run)
    assert not isinstance(judge_checkpoint(walker.run, 0), RefusedError)
    assert isinstance(judge_checkpoint(walker.run, 1), RefusedError)


def test_a_tool_without_scale_has_no_term_of_resolution_and_it_is_named(make):
    judged = judge_run(finished(make, make.plan(make.tool(resolution=None)))).checkpoints[0]
    assert "w_r" in judged.budget.missing


def test_the_drift_between_two_calibrations_is_a_term(make):
    points = tuple(CalibrationPoint(x, x * 1.001, 0.2) for x in (2.0, 50.0, 100.0))
    older = Calibration("C-0", "laboratory 1", dt.date(2025, 1, 5), dt.date(2026, 1, 5), 2.0, 100.0, 2.0, points)
    reference = make.reference()
    reference = dataclasses.replace(reference, calibrations=(older, *reference.calibrations))
    found = symbols(judge_run(finished(make, make.plan(reference=reference))).checkpoints[0])
    # applied over indicated was 1/1.001, now it is 1
    assert found["w_drift"].percent == pytest.approx((1 - 1 / 1.001) * 100 / 2 / math.sqrt(3), rel=1e-9)


def test_air_and_its_limits_are_noted(make, run):
    assert judge_run(run).ambient_notes == ()
    bare = judge_run(dataclasses.replace(run, ambient={}))
    assert {note.key for note in bare.ambient_notes} == {"temperature-missing", "humidity-missing"}
    cold = judge_run(dataclasses.replace(run, ambient={**run.ambient, "start_c": 2.0}))
    assert "too-cold" in {note.key for note in cold.ambient_notes}


def test_a_run_read_back_is_judged_the_same(make, run):
    typed = {"w_od": Geometric(0.02, GivenBy.MODEL)}
    run = dataclasses.replace(run, plan=dataclasses.replace(run.plan, geometric=typed))
    again = run_from_data(json.loads(json.dumps(run_to_data(run))))
    assert again == run
    assert judge_run(again) == judge_run(run)


def test_the_data_are_json_in_the_tools_unit(make):
    tool = make.tool(unit="lbf·ft", lowest=10.0, highest=50.0)
    run = finished(make, make.plan(tool))
    told = run_judgement_to_data(run, judge_run(run))
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert told["unit"] == "lbf·ft"
    assert told["checkpoints"][-1]["target"] == pytest.approx(50.0, rel=1e-12)
    assert told["checkpoints"][-1]["mean_reading"] == pytest.approx(
        from_nm(judge_run(run).checkpoints[-1].mean_reading_nm, "lbf·ft")
    )
