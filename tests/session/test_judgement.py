"""At the verdict the run is judged with its uncertainty; the record gets it; what goes wrong there stops nothing."""

import dataclasses

import pytest

from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import Verdict
from benchapp.records.model import Outcome
from benchapp.runs.judging import judge_run, run_judgement_to_data
from benchapp.runs.procedure import edited, procedure_to_data, shipped_procedure
from drivers.status import LinkState


def sealed(bench, store):
    bench.walk("verdict")
    bench.go()
    view = bench.until(lambda v: v.state.value == "sealed" and store.seals)
    return view, *store.judgements[-1]


def test_the_verdict_carries_the_judgement_and_the_record_gets_it_as_data(bench, store, plan_of):
    bench.status(LinkState.STREAMING, filter_hz=250.0)
    bench.session.start_run(plan_of())
    view = bench.walk("verdict")
    assert view.verdict.within
    assert view.verdict.judgement.verdict is Verdict.IN_SERVICE
    assert view.verdict.judgement_problem == ""
    assert view.run.stream == {"rate_hz": 1000.0, "filter_hz": 250.0}
    found = {c.symbol for c in view.verdict.judgement.checkpoints[0].budget.contributions}
    assert {"w_md", "w_r", "w_re", "w_sampling", "w_filter", "w_zero"} <= found
    view, data, outcome = sealed(bench, store)
    assert data == run_judgement_to_data(view.run, judge_run(view.run))
    assert data["verdict"] == "in-service"
    assert outcome is None  # the bands of the readings say it


def test_the_slowest_rate_and_the_lowest_filter_stand(bench, store, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.natural()
    bench.status(LinkState.STREAMING, rate_hz=480.0, filter_hz=90.0)
    bench.natural()
    bench.status(LinkState.STREAMING, rate_hz=0.0, filter_hz=0.0)  # not known for a moment: no better for it
    bench.natural()
    assert bench.view.run.stream == {"rate_hz": 480.0, "filter_hz": 90.0}


def refuse(run):
    raise RefusedError("checkpoints[0].reference", None, "an uncertainty", "the reference's uncertainty")


def fail(run):
    raise ZeroDivisionError("division by zero")


@pytest.mark.parametrize(("judge", "word"), [(refuse, "checkpoints[0].reference"), (fail, "judging failed")])
def test_a_judgement_that_cannot_be_leaves_the_plain_verdict_and_is_told(another_bench, store, plan_of, judge, word):
    bench = another_bench(store, judge=judge)
    bench.session.start_run(plan_of())
    view = bench.walk("verdict")
    assert view.verdict.within
    assert view.verdict.judgement is None
    assert word in view.verdict.judgement_problem
    _, data, outcome = sealed(bench, store)
    assert word in data["refused"]
    assert outcome is None


def test_a_rule_that_does_not_accept_a_mean_within_limits_leaves_the_run_undecided(bench, store, plan_of, reference):
    procedure = edited(
        shipped_procedure("workshop-full"), "decision.rule", "guard-band", source="workshop practice", mark="P"
    )
    plan = dataclasses.replace(plan_of(), procedure=procedure_to_data(procedure))
    bench.session.start_run(plan)
    for _ in range(60):
        if bench.view.state.value == "verdict":
            break
        bench.natural(1.0385 if bench.view.state.value == "pull" else 1.0)  # -3.7 %: inside 4 %, not by U
    view, data, outcome = sealed(bench, store)
    assert view.verdict.within
    assert view.verdict.judgement.verdict is Verdict.DOUBTFUL
    assert data["verdict"] == "doubtful"
    assert outcome is Outcome.UNDECIDED


def test_a_run_that_was_left_is_not_judged(bench, store, plan_of):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    bench.session.leave_run("no time")
    bench.until(lambda v: v.state.value == "left" and store.seals)
    assert store.judgements[-1] == (None, None)
