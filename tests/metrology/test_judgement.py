"""Judging a whole run: verdict, what it does not depend on, what it refuses."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchapp.metrology.budget import Coverage, GivenBy
from benchapp.metrology.deviation import Convention
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import (
    Ambient,
    CheckpointInput,
    Dynamic,
    Geometric,
    JudgeInput,
    ReadingInput,
    Verdict,
    ambient_notes,
    judge,
)
from benchapp.metrology.risk import Prior
from benchapp.metrology.rounding import rounded_pair
from benchapp.metrology.rules import Outcome, Rule, RuleKind
from benchapp.metrology.suitability import ReferenceUse

GUARDED = Rule(RuleKind.GUARD_BAND, 1.0)


def _run(readings=(99.0, 99.4, 98.8, 99.2, 99.1), target=100.0, rule=GUARDED, w_md=0.5, scale=1.0, **changes):
    checkpoint = CheckpointInput(
        target * scale,
        4.0,
        tuple(r if isinstance(r, ReadingInput) else ReadingInput(r * scale) for r in readings),
        reference=ReferenceUse(w_md),
    )
    geometric = {n: Geometric(b * scale) for n, b in (("w_rep", 0.3), ("w_od", 0.4), ("w_int", 0.2), ("w_l", 0.5))}
    return JudgeInput((checkpoint,), resolution_nm=1.0 * scale, geometric=geometric, rule=rule, **changes)


def test_good_tool_is_in_service():
    found = judge(_run())
    assert found.verdict is Verdict.IN_SERVICE
    assert found.checkpoints[0].outcome is Outcome.PASS
    assert found.checkpoints[0].probability > 0.999


def test_one_reading_outside_puts_the_tool_out_whatever_the_mean():
    found = judge(_run((99, 99, 99, 95, 99)))
    assert found.verdict is Verdict.OUT
    assert [r.within for r in found.checkpoints[0].readings] == [True, True, True, False, True]
    assert found.checkpoints[0].outcome is Outcome.PASS  # the mean alone would pass


def test_single_readings_are_judged_by_plain_limits_without_guard_band():
    found = judge(_run((96.3, 96.3, 96.3, 96.3, 96.3)))
    assert all(r.within for r in found.checkpoints[0].readings)
    assert found.checkpoints[0].outcome is Outcome.FAIL
    assert found.verdict is Verdict.DOUBTFUL


def test_doubt_says_what_would_settle_it_and_that_settles_it():
    doubtful = judge(_run((96.9, 97.3, 97.1), w_md=0.8))
    assert doubtful.verdict is Verdict.DOUBTFUL
    settle = {u.key: u.value for u in doubtful.checkpoints[0].settle}
    room = 4.0 - doubtful.checkpoints[0].mean_deviation_percent
    assert settle["budget"] == pytest.approx(room)
    assert judge(_run((96.9, 97.3, 97.1), w_md=settle["better-reference"] * 0.999)).verdict is Verdict.IN_SERVICE
    assert judge(_run((96.9, 97.3, 97.1), w_md=settle["better-reference"] * 1.01)).verdict is Verdict.DOUBTFUL


def test_more_readings_settle_a_doubt_that_comes_from_scatter():
    run = _run((96.4, 98.0, 97.2), w_md=0.2)
    found = judge(run)
    more = next(u.value for u in found.checkpoints[0].settle if u.key == "more-readings")
    assert 4 <= more <= 30
    budget = found.checkpoints[0].budget
    square = {c.symbol: c.percent**2 for c in budget.contributions}
    w = math.sqrt(budget.standard**2 - square["w_re"] + square["w_re"] * 3 / more)
    assert found.checkpoints[0].mean_deviation_percent + 2 * w <= 4.0


def test_set_aside_readings_are_kept_told_and_not_counted():
    slipped = ReadingInput(90.0, set_aside="slipped off", flags=("jerky",))
    found = judge(_run((99.0, 99.4, slipped, 98.8, 99.2, 99.1)))
    checkpoint = found.checkpoints[0]
    assert found.verdict is Verdict.IN_SERVICE
    assert checkpoint.n == 5
    assert len(checkpoint.readings) == 6
    assert not checkpoint.all_within_with_set_aside
    assert checkpoint.mean_with_set_aside_percent > checkpoint.mean_deviation_percent
    assert checkpoint.mean_deviation_percent == judge(_run()).checkpoints[0].mean_deviation_percent


def test_outside_reading_set_aside_without_a_flag_leaves_doubt():
    found = judge(_run((99.0, 99.4, ReadingInput(90.0, set_aside="did not like it"), 98.8)))
    assert found.verdict is Verdict.DOUBTFUL
    assert found.checkpoints[0].settle[0].key == "repeat"


def test_spread_of_a_reading_and_of_the_mean_are_two_quantities():
    found = judge(_run()).checkpoints[0]
    w_re = next(c.percent for c in found.budget.contributions if c.symbol == "w_re")
    assert w_re == pytest.approx(found.s_percent / math.sqrt(5))


def test_dynamic_terms_and_drift_join_the_budget():
    checkpoint = replace(
        _run().checkpoints[0],
        reference=ReferenceUse(0.5, drift_percent=0.1, residual_percent=0.05),
        dynamic=Dynamic(40.0, 0.001, 100.0, 0.05, 0.01, 3.0),
    )
    found = judge(replace(_run(), checkpoints=(checkpoint,))).checkpoints[0].budget
    symbols = {c.symbol for c in found.contributions}
    assert {"w_drift", "w_interp", "w_sampling", "w_filter", "w_zero", "w_temp"} <= symbols
    assert found.standard > judge(_run()).checkpoints[0].budget.standard


def test_risk_is_told_only_with_a_prior():
    assert judge(_run()).checkpoints[0].risk is None
    found = judge(_run(prior=Prior(0.2, 1.5, 60))).checkpoints[0].risk
    assert 0 < found.false_accept < found.false_reject < 1


readings_lists = st.lists(st.floats(90, 110), min_size=2, max_size=7)


@given(readings_lists, st.floats(1e-3, 1e3), st.sampled_from(RuleKind), st.sampled_from(Convention))
@settings(max_examples=60, deadline=None)
def test_scaling_all_torques_changes_nothing(readings, scale, kind, convention):
    """So the verdict does not depend on the unit shown either: another unit is another factor."""
    one = judge(_run(readings, rule=Rule(kind), convention=convention))
    two = judge(_run(readings, rule=Rule(kind), convention=convention, scale=scale))
    assert one.verdict is two.verdict
    a, b = one.checkpoints[0], two.checkpoints[0]
    assert b.interval_percent == pytest.approx(a.interval_percent, rel=1e-9)
    assert [r.within for r in a.readings] == [r.within for r in b.readings]


@given(readings_lists, st.randoms())
@settings(max_examples=40, deadline=None)
def test_order_of_readings_does_not_matter(readings, random):
    shuffled = list(readings)
    random.shuffle(shuffled)
    one, two = judge(_run(readings)).checkpoints[0], judge(_run(shuffled)).checkpoints[0]
    assert (one.mean_deviation_percent, one.interval_percent, one.outcome) == (
        two.mean_deviation_percent,
        two.interval_percent,
        two.outcome,
    )


_ORDER = [Verdict.IN_SERVICE, Verdict.DOUBTFUL, Verdict.OUT]


@given(readings_lists, st.floats(0.1, 3), st.floats(1.0, 3.0))
@settings(max_examples=60, deadline=None)
def test_adding_uncertainty_never_makes_a_verdict_better(readings, w_md, factor):
    before, after = judge(_run(readings, w_md=w_md)), judge(_run(readings, w_md=w_md * factor))
    assert _ORDER.index(after.verdict) >= _ORDER.index(before.verdict)


def _with(**changes):
    return replace(_run(), checkpoints=(replace(_run().checkpoints[0], **changes),))


@pytest.mark.parametrize(
    ("field", "run"),
    [
        ("checkpoints", replace(_run(), checkpoints=())),
        ("checkpoints[0].target", _with(target_nm=0.0)),
        ("checkpoints[0].target", _with(target_nm=-5.0)),
        ("checkpoints[0].limit_percent", _with(limit_percent=math.nan)),
        ("checkpoints[0].readings[1]", _with(readings=(ReadingInput(1.0), ReadingInput(math.nan)))),
        ("checkpoints[0].readings[0]", _with(readings=(ReadingInput(0.0), ReadingInput(1.0)))),
        ("checkpoints[0].readings[0].indication", _with(readings=(ReadingInput(1.0, -1.0), ReadingInput(1.0)))),
        ("checkpoints[0].readings", _with(readings=(ReadingInput(99.0),))),
        ("checkpoints[0].readings", _with(n_required=6)),
        ("checkpoints[0].reference", _with(reference=None)),
        ("resolution", replace(_run(), resolution_nm=0.0)),
        ("resolution", replace(_run(), resolution_nm=-1.0)),
        ("coverage_factor", _with(reference=ReferenceUse(0.5, 0.5))),
        ("coverage.factor", _run(coverage=Coverage(0.5))),
        ("geometric.w_rep", replace(_run(), geometric={"w_rep": Geometric(-1.0)})),
        ("geometric.w_l.reason", replace(_run(), geometric={"w_l": Geometric(0.1, GivenBy.TYPED)})),
        ("geometric.b", replace(_run(), geometric={"b": Geometric(0.1)})),
    ],
)
def test_bad_input_is_refused_with_field_value_limit_and_way_out(field, run):
    with pytest.raises(RefusedError) as refusal:
        judge(run)
    assert refusal.value.field == field
    assert refusal.value.limit
    assert refusal.value.accepted


def test_simple_acceptance_needs_no_uncertainty_but_names_what_is_missing():
    checkpoint = CheckpointInput(100.0, 4.0, (ReadingInput(99.0),))
    found = judge(JudgeInput((checkpoint,)))
    assert found.verdict is Verdict.IN_SERVICE
    assert len(found.checkpoints[0].budget.missing) == 7
    assert found.checkpoints[0].tur is None


def test_conditions_outside_or_missing_are_told():
    limits = {"lowest_c": 18.0, "highest_c": 28.0, "change_c": 1.0, "greatest_humidity_percent": 90.0}
    assert [n.key for n in ambient_notes(Ambient(**limits))] == ["temperature-missing", "humidity-missing"]
    assert ambient_notes(Ambient(20.0, 20.9, 50.0, **limits)) == ()
    keys = [n.key for n in ambient_notes(Ambient(17.0, 29.0, 95.0, **limits))]
    assert keys == ["too-cold", "too-warm", "temperature-changed", "too-humid"]


@pytest.mark.parametrize(
    ("value", "expanded", "shown"),
    [
        (0.908580, 0.898939, ("0.91", "0.90")),
        (10.0, 0.95, ("10.00", "0.95")),  # a library rounding in binary prints 0.9 for one digit
        (0.125, 0.25, ("0.12", "0.25")),  # half goes to the even digit
        (0.135, 0.25, ("0.14", "0.25")),
        (123.4, 37.0, ("123", "37")),
        (-0.0004, 0.0996, ("0.000", "0.100")),
    ],
)
def test_two_significant_digits_half_even_on_decimal_text(value, expanded, shown):
    """Two significant digits: JCGM 100:2008, 7.2.6. (0.0996 rounds to 0.100: one digit more, never one less.)"""
    assert rounded_pair(value, expanded) == shown


@pytest.mark.parametrize("convention", Convention)
@pytest.mark.parametrize("error", [-1.5, 0.7, 1.5])
def test_a_known_error_of_the_reference_is_taken_out_before_a_probability_is_stated(convention, error):
    """JCGM 106 asks for the best estimate: the readings as applied, recomputed by hand, with SciPy's normal."""
    run = _run((97.3, 97.4, 97.2, 97.3, 97.3), convention=convention)
    checkpoint = replace(run.checkpoints[0], reference=ReferenceUse(0.5, error_percent=error))
    found = judge(replace(run, checkpoints=(checkpoint,))).checkpoints[0]
    applied = found.mean_reading_nm / (1 + error / 100)
    best = (100 - applied) / applied * 100 if convention is Convention.ISO else applied - 100
    normal = stats.norm(best, found.budget.standard)
    assert found.probability == pytest.approx(
        normal.cdf(4) - normal.cdf(-4), rel=2e-3
    )  # mean of quotients, not of torques
    assert found.error_percent == error


def test_a_correction_curve_without_residuals_is_named_as_missing_not_zero():
    run = _run()
    checkpoint = replace(run.checkpoints[0], reference=ReferenceUse(0.5, residual_percent=None))
    found = judge(replace(run, checkpoints=(checkpoint,))).checkpoints[0].budget
    assert found.missing == ("w_interp",)
