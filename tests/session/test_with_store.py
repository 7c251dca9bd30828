"""The session and the real store together: what the bench calls stored is read back by a second opening of the file."""

import contextlib
import dataclasses
import importlib.util
import json
from pathlib import Path

import pytest

from benchapp.pulls import read_pulls
from benchapp.records import Store
from benchapp.records.model import Outcome
from benchapp.records.shown import is_full
from benchapp.runs import machine
from benchapp.runs.model import PullKind
from benchapp.runs.procedure import edited, procedure_to_data, shipped_procedure
from benchapp.torque.units import to_nm


@pytest.fixture
def real_store(tmp_path):
    store = Store.open(tmp_path / "records.sqlite", demo=True)
    yield store
    store.close()


def test_a_full_run_is_sealed_in_the_real_store_and_its_readings_come_out_of_the_traces_again(
    another_bench, real_store, plan_of, tmp_path
):
    bench = another_bench(real_store)
    bench.session.start_run(plan_of(n_readings=2))
    bench.walk("verdict")
    bench.go()
    run = bench.view.run
    bench.session.close()
    assert bench.session.view().store_problem == ""
    real_store.close()

    again = Store.open(tmp_path / "records.sqlite", demo=True)
    try:
        stored = again.run(run.run_id)
        assert stored == run
        assert again.open_run() is None
        for captured in stored.pulls:
            trace = again.trace(run.run_id, captured.number)
            zero_nm = float(trace.extra["zero_nm"])
            target = None if captured.kind is PullKind.PRELOAD else 8.0
            report = read_pulls(
                trace.t_s, to_nm(trace.torque, trace.unit) - zero_nm, mode=captured.pull.mode,
                capacity=100.0, target=target, tool_max=40.0,
            )  # fmt: skip
            assert [p.reading for p in report.pulls] == [pytest.approx(captured.pull.reading, rel=1e-4)]
    finally:
        again.close()


def test_a_run_that_was_broken_off_is_found_again_by_the_next_start(another_bench, real_store, plan_of, tmp_path):
    bench = another_bench(real_store)
    bench.session.start_run(plan_of(n_readings=1))
    bench.walk("pull")
    bench.natural()
    before = bench.view.run
    bench.session.close()
    real_store.close()

    again = Store.open(tmp_path / "records.sqlite", demo=True)
    try:
        second = another_bench(again)
        second.session.take_up()
        view = second.until(lambda v: v.run is not None)
        assert view.run.pulls == before.pulls
        assert second.walk("verdict").verdict.within
        second.session.close()
    finally:
        again.close()


def test_judgement_and_outcome_are_part_of_what_is_sealed(another_bench, real_store, plan_of):
    guarded = edited(
        shipped_procedure("iso-6789-1-2017"), "decision.rule", "guard-band", source="workshop practice", mark="P"
    )
    plan = dataclasses.replace(plan_of(n_readings=2), procedure=procedure_to_data(guarded))
    bench = another_bench(real_store)
    bench.session.start_run(plan)
    for _ in range(60):
        if bench.view.state.value == "verdict":
            break
        bench.natural(1.0385 if bench.view.state.value == "pull" else 1.0)  # -3.7 %: inside 4 %, not by U
    bench.go()
    run = bench.view.run
    bench.session.close()
    assert bench.session.view().store_problem == ""
    sealed = json.loads(real_store.entries(run.run_id)[0].body)["content"]
    assert sealed["judgement"]["verdict"] == "doubtful"
    assert sealed["judgement"]["rule"] == {"kind": "guard-band", "r": 1.0}
    assert real_store.summary(run.run_id).outcome is Outcome.UNDECIDED
    assert real_store.check().findings == ()


def test_a_run_of_the_edition_with_the_lowest_mark_is_a_full_run_and_a_spot_check_is_not(plan_of):
    for procedure, target, expected in (("iso-6789-1-2017", None, True), ("workshop-spot", 20.0, False)):
        plan = plan_of(procedure=procedure, target=target)
        assert is_full(machine.begin("run-1", plan, "2026-03-04T09:12:31+00:00")) is expected


def test_the_result_of_the_self_test_is_part_of_every_seal_after_it(another_bench, real_store, plan_of):
    told = {"passed": True, "program": "kilter 1", "seal": "ab" * 32}
    bench = another_bench(real_store)
    for n_sealed in (1, 2):
        bench.session.start_run(plan_of(n_readings=1))
        bench.walk("verdict")
        bench.go()
        bench.until(lambda v, n=n_sealed: v.state.value == "sealed" and real_store.head().startswith(f"{n}:"))
        bench.session.dismiss()
        bench.until(lambda v: v.run is None)
        bench.session.give_selftest(told)
    first, second = (
        json.loads(real_store.entries(summary.run_id)[0].body)["content"] for summary in reversed(real_store.runs())
    )
    assert "selftest" not in first  # nothing was known yet, and nothing is said
    assert second["selftest"] == told
    assert real_store.check().holds
    bench.session.close()


def test_a_disk_that_fills_up_in_the_middle_of_a_run_is_told_and_nothing_is_lost(another_bench, plan_of, tmp_path):
    faults = _faults()
    disk = tmp_path / "disk"
    disk.mkdir()
    if not faults.small_disk(disk, 2000):
        pytest.skip("no leave to mount a small tmpfs; a store that fails is played in test_session.py")
    try:
        store = Store.open(disk / "records.sqlite", demo=True)
        bench = another_bench(store)
        bench.session.start_run(plan_of(n_readings=3))
        bench.walk("pull")
        bench.natural()
        bench.until(lambda v: v.card is not None and v.card.stored)
        before = [pull.number for pull in bench.view.run.pulls]
        ballast = disk / "ballast"
        _fill(ballast)
        for _ in range(40):
            bench.natural()
            if bench.session.view().store_problem:
                break
        view = bench.until(lambda v: v.store_problem)
        assert view.store_problem.startswith("No space left for the records at ")
        assert "Make space there, then go on." in view.store_problem
        with Store.open(disk / "records.sqlite", demo=True) as other:  # what was told as stored is there
            kept = [pull.number for pull in other.run(view.run.run_id).pulls]
        assert kept[: len(before)] == before
        ballast.unlink()
        bench.until(lambda v: not v.store_problem)
        bench.walk("verdict")
        bench.go()
        bench.until(lambda v: v.state.value == "sealed" and store.head())
        run = bench.view.run
        bench.session.close()
        store.close()
        with Store.open(disk / "records.sqlite", demo=True) as again:
            assert again.run(run.run_id) == run
            assert again.check().holds
            assert all(again.trace(run.run_id, pull.number) is not None for pull in run.pulls)
    finally:
        faults.unmount(disk)


def _fill(ballast):
    with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while file.write(b"x" * 4096):
            pass


def _faults():
    place = Path(__file__).parents[1] / "records" / "faults.py"
    spec = importlib.util.spec_from_file_location("records_faults", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
