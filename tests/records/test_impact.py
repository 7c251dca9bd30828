"""A tool or a reference found out: what is in doubt is named, judged again and worked off."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pytest

from benchapp.metrology.correction import Correction
from benchapp.metrology.reference import Calibration, CalibrationPoint
from benchapp.records import JobEntry, NotAllowedError, Store, ToolRecord, worklist
from benchapp.records import impact as im
from benchapp.runs.model import Run
from benchapp.runs.planning import plan_run
from benchapp.runs.procedure import shipped_procedures
from benchapp.torque.direction import Direction
from drivers.samples import Source

from .conftest import make_calibration, make_reference, make_run, make_tool, pull_all

FULL = next(p for p in shipped_procedures() if "2003" in p.name)


def planned(run_id: str, started: str, **fields: object) -> Run:
    """A run with a procedure that can be judged."""
    run = make_run(run_id, started=started, **fields)  # type: ignore[arg-type]
    plan = plan_run(run.plan.tool, run.plan.reference, FULL, "fitter 2", Source.LIVE)
    assert not hasattr(plan, "sentence"), plan
    return dataclasses.replace(run, plan=plan)


def verified(store: Store, run_id: str, day: str, *, off_percent: float = 1.0, **fields: object) -> Run:
    run = planned(run_id, f"{day}T09:00:00+01:00", **fields)
    run = pull_all(store, run, off_percent=off_percent, n_samples=20)
    store.seal(dataclasses.replace(run, finished=f"{day}T09:20:00+01:00"))
    sealed = store.run(run_id)
    assert sealed is not None
    return sealed


def skewed(certificate: str, percent: float, day: dt.date, **fields: object) -> Calibration:
    """A certificate by which the reference shows so many percent too much."""
    points = tuple(CalibrationPoint(nm, nm * (1 + percent / 100), 0.12) for nm in (2.0, 10.0, 50.0, 100.0))
    return make_calibration(certificate, calibrated=day, due=day.replace(year=day.year + 1), points=points, **fields)


def test_the_suspect_period_runs_from_the_last_good_full_run_to_the_finding(store):
    verified(store, "good", "2026-01-10")
    verified(store, "bad", "2026-03-10", off_percent=8.0)
    for day, torque in (("2026-01-09", 20.0), ("2026-01-11", 20.0), ("2026-02-01", None), ("2026-03-11", 20.0)):
        store.log_job(JobEntry("OCF-014", f"bolts of {day}", "fitter 3", f"{day}T10:00:00+01:00", 4, torque))
    impact = im.tool_impact(store, "bad")
    assert (impact.last_good_run, impact.since) == ("good", "2026-01-10T09:20:00+01:00")
    assert impact.until == "2026-03-10T09:20:00+01:00"
    assert [each.job.job for each in impact.jobs] == ["bolts of 2026-01-11", "bolts of 2026-02-01"]
    # pulled 8 % over what it was set to, so joints got 8 % more
    assert [each.mean_error_percent for each in impact.errors] == pytest.approx([8.0, 8.0, 8.0])
    assert all(each.is_out and each.expanded_percent for each in impact.errors)
    assert impact.jobs[0].error_percent == pytest.approx((8.0, 8.0))


def test_without_a_good_run_the_period_begins_with_first_use_or_is_open(store):
    verified(store, "bad", "2026-03-10", off_percent=-8.0)
    store.log_job(JobEntry("OCF-014", "old", "fitter 3", "2020-01-01T10:00:00+01:00", 1, 20.0))
    impact = im.tool_impact(store, "bad")
    assert impact.since == ""
    assert len(impact.jobs) == 1
    assert impact.errors[0].worst_error_percent == pytest.approx(-8.0)
    record = store.tool("OCF-014")
    store.save_tool(dataclasses.replace(record, first_use=dt.date(2021, 1, 1)))
    assert im.tool_impact(store, "bad").jobs == ()


def test_a_job_is_near_the_checkpoints_around_its_torque():
    def at(target: float, error: float, out: bool) -> im.CheckpointError:
        return im.CheckpointError(target, Direction.CLOCKWISE, 4.0, error, error, out)

    errors = (at(8.0, 0.5, False), at(24.0, 1.0, False), at(40.0, -6.0, True))

    def job(torque: float | None) -> im.SuspectJob:
        return im._suspect(JobEntry("OCF-014", "j", "p", "2026-01-01", torque_nm=torque), errors)

    assert job(10.0) == im.SuspectJob(job(10.0).job, (0.5, 1.0), False)
    assert job(30.0).near_out
    assert job(30.0).error_percent == (-6.0, 1.0)
    assert job(24.0).error_percent == (1.0, 1.0)
    assert not job(24.0).near_out
    assert job(None).near_out
    assert job(60.0).near_out


def test_only_a_run_that_found_its_tool_out_has_an_impact(store):
    verified(store, "good", "2026-01-10")
    with pytest.raises(NotAllowedError, match="within"):
        im.tool_impact(store, "good")
    with pytest.raises(NotAllowedError, match="no sealed run"):
        im.tool_impact(store, "none")
    verified(store, "bad", "2026-03-10", off_percent=8.0)
    store.void("bad", "wrong tool mounted", who="custodian")
    with pytest.raises(NotAllowedError, match="void"):
        im.tool_impact(store, "bad")


def test_a_reference_found_out_puts_verdicts_that_change_first(store):
    for number in ("OCF-020", "OCF-021"):
        store.save_tool(dataclasses.replace(store.tool("OCF-014"), tool=make_tool(number)))
    verified(store, "before-the-last-good-check", "2025-10-01")
    verified(store, "unchanged", "2026-01-10", off_percent=1.0)  # 1 % over: with 2 % less still within 4 %
    verified(store, "changed", "2026-01-11", off_percent=-2.5, tool=make_tool("OCF-021"))  # 4.5 % under: out
    verified(store, "void", "2026-01-12", off_percent=-2.5, tool=make_tool("OCF-020"))
    store.void("void", "wrong tool mounted", who="custodian")
    found = skewed("C-2", 2.0, dt.date(2026, 2, 1))
    store.add_calibration("REF-1", found, who="custodian")
    with_new = dataclasses.replace(make_reference(), calibrations=(make_calibration(), found))
    verified(store, "with-the-new-one", "2026-02-03", reference=with_new)
    impact = im.reference_impact(store, "REF-1")
    assert impact.since == make_calibration().calibrated
    assert [(r.run_id, r.before, r.after) for r in impact.runs] == [
        ("changed", "in-service", "out"),
        ("unchanged", "in-service", "in-service"),
    ]
    assert impact.tools == ("OCF-021", "OCF-014")
    # by hand: true/indicated was 1/1.0003 and is 1/1.02
    assert impact.runs[0].shift_percent == pytest.approx(((1.0003 / 1.02 - 1) * 100,) * 2, abs=1e-9)
    every = im.reference_impact(store, "REF-1", since=dt.date(2020, 1, 1))
    assert "before-the-last-good-check" in {r.run_id for r in every.runs}
    with pytest.raises(NotAllowedError, match="C-9"):
        im.reference_impact(store, "REF-1", certificate="C-9")


def test_runs_by_a_newer_calibration_are_not_put_in_doubt_by_an_older_one(store):
    first, second, third = (
        skewed("C-1", 0.0, dt.date(2025, 1, 10)),
        skewed("C-2", 3.0, dt.date(2026, 1, 10)),
        skewed("C-3", 0.5, dt.date(2026, 9, 10)),
    )
    store.save_reference(
        dataclasses.replace(make_reference(), number="REF-7", calibrations=(first, second, third)),
        who="custodian",
        details={},
    )
    for run_id, day, calibration in (
        ("r1", "2025-06-01", first),
        ("r2", "2026-06-01", second),
        ("r3", "2026-10-01", third),
    ):
        verified(
            store,
            run_id,
            day,
            reference=dataclasses.replace(make_reference(), number="REF-7", calibrations=(calibration,)),
        )
    assert [run.run_id for run in im.reference_impact(store, "REF-7", certificate="C-2").runs] == ["r1"]
    looked_at = []
    found = im.reference_impact(store, "REF-7", certificate="C-3", progress=lambda *far: looked_at.append(far))
    assert [run.run_id for run in found.runs] == ["r2"]
    assert looked_at == [(0, 2), (1, 2)]

    def enough(done: int, _of_all: int) -> None:
        if done:
            raise InterruptedError

    with pytest.raises(InterruptedError):
        im.reference_impact(store, "REF-7", certificate="C-3", progress=enough)


def test_a_certificate_without_correction_still_moves_the_readings(store):
    run = verified(store, "run", "2026-01-10")
    moved = im.with_calibration(run, skewed("C-2", 2.0, dt.date(2026, 2, 1), degree=0))
    for old, new in zip(run.pulls, moved.pulls, strict=True):
        assert new.pull.reading == pytest.approx(old.pull.reading * 1.0003 / 1.02, rel=1e-12)


def test_the_correction_is_turned_round_for_every_degree():
    rng = np.random.default_rng(3)
    for degree in (0, 1, 2, 3):
        points = tuple(
            CalibrationPoint(nm, nm * (1 + 0.01 * rng.standard_normal()), 0.1) for nm in (5.0, 20.0, 50.0, 80.0, 100.0)
        )
        correction = Correction.from_calibration(make_calibration(points=points, degree=degree), Direction.CLOCKWISE)
        for indicated in (2.0, 33.3, 100.0):
            torque = float(correction.true_torque(np.array([indicated]))[0])
            assert im.indicated_nm(correction, np.array([torque])) == pytest.approx([indicated], rel=1e-12)


def test_the_list_is_worked_off_with_reasons_and_the_chain_tells(store):
    verified(store, "bad", "2026-03-10", off_percent=8.0)
    for n in range(3):
        store.log_job(JobEntry("OCF-014", f"bolt {n}", "fitter 3", f"2026-02-0{n + 1}T10:00:00+01:00", 1, 20.0))
    impact = im.tool_impact(store, "bad")
    listed = worklist.open_tasks(store, impact, who="custodian")
    assert len(listed) == 3
    assert "+8.0 %" in listed[0].text
    with pytest.raises(NotAllowedError, match="reason"):
        worklist.close_task(store, listed[0].key, " ", who="custodian")
    done = worklist.close_task(store, listed[0].key, "re-tightened", who="custodian")
    assert done.reason == "re-tightened"
    assert done.closed
    with pytest.raises(NotAllowedError, match="re-tightened"):
        worklist.close_task(store, listed[0].key, "again", who="custodian")
    again = worklist.open_tasks(store, impact, who="custodian")  # opening twice doubles nothing and opens nothing again
    assert [t.key for t in again] == [t.key for t in listed]
    assert again[0] == done
    assert len(worklist.tasks(store, cause="bad", include_closed=False)) == 2
    acts = [entry.body.decode() for entry in store.entries("")]
    assert sum("impact listed" in body for body in acts) == 1
    assert sum("impact item closed" in body and "re-tightened" in body for body in acts) == 1
    assert store.check().holds


def test_runs_of_a_reference_are_told_tool_by_tool_and_the_list_knows_what_weighs(store):
    for n, off in enumerate((1.0, 3.5, 3.5, 1.0)):
        tool = make_tool(f"OCF-{n // 2 + 20}")
        store.save_tool(ToolRecord(tool), who="fitter 2")
        verified(store, f"run-{n}", f"2026-02-0{n + 1}", off_percent=off, tool=tool)
    store.add_calibration("REF-1", skewed("C-2", 1.5, dt.date(2026, 3, 1)), who="custodian")
    impact = im.reference_impact(store, "REF-1")
    told = {each.tool: each for each in im.by_tool(impact.runs)}
    assert {tool: (each.n_runs, each.newest.run_id) for tool, each in told.items()} == {
        "OCF-20": (2, "run-1"),
        "OCF-21": (2, "run-3"),
    }
    assert sum(each.n_changed for each in told.values()) == sum(run.changes for run in impact.runs)
    counts = [each.n_changed for each in im.by_tool(impact.runs)]
    assert counts == sorted(counts, reverse=True)
    tasks = worklist.open_tasks(store, impact, who="custodian")
    assert [task.tool for task in tasks] == [run.tool for run in impact.runs]
    assert [task.weighs for task in tasks] == [run.changes for run in impact.runs]


def test_several_items_are_closed_with_one_reason_an_entry_each_or_none(store):
    verified(store, "good", "2026-01-10")
    for n in range(3):
        store.log_job(JobEntry("OCF-014", f"bolt {n}", "fitter 3", f"2026-02-0{n + 1}T10:00:00+01:00", 1, 20.0))
    verified(store, "bad", "2026-03-10", off_percent=8.0)
    tasks = worklist.open_tasks(store, im.tool_impact(store, "bad"), who="custodian")
    assert {task.tool for task in tasks} == {"OCF-014"}
    keys = [task.key for task in tasks]
    with pytest.raises(NotAllowedError, match="no item"):
        worklist.close_tasks(store, [*keys, 999], "bolts drawn again", who="fitter 3")
    assert store.n_open_tasks() == 3
    before = int(store.head().partition(":")[0])
    worklist.close_tasks(store, keys, "bolts drawn again", who="fitter 3")
    assert store.n_open_tasks() == 0
    assert int(store.head().partition(":")[0]) == before + 3
    assert {(task.closed_by, task.reason) for task in worklist.tasks(store)} == {("fitter 3", "bolts drawn again")}
    assert store.check().findings == ()
