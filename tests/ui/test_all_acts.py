"""Everything that is done in a shop, one after another, leaves records that hold, and go out and come in again."""

from __future__ import annotations

import io
from dataclasses import replace

from benchapp.metrology.reference import Reference
from benchapp.records import Person, Store, custodian, exchange, impact, intervals, worklist
from benchapp.records import check_standard as cs
from benchapp.records.joblist import remove_job
from benchapp.records.model import JobEntry, Outcome, ToolState
from benchapp.records.people import keep_person
from benchapp.records.procedures import keep_procedure, own_key
from benchapp.runs.procedure import shipped_procedure
from benchapp.torque.direction import Direction

from .conftest import TODAY

DEMO_YEARS = None  # all of the demonstration workshop


def acts(store: Store):
    """(what is done, the act) of everything that the pages offer beside runs."""
    who = {"who": "custodian"}
    run = next(line for line in store.runs(tool="OCF-005", limit=20) if line.seal)
    out = next(line for line in store.runs(tool="OCF-007", limit=50) if line.outcome is Outcome.OUT)
    older = [line for line in store.runs(tool="OCF-005", limit=20) if line.seal][1]

    def take(accepted: bool):
        chosen = next(each for each in intervals.suggest(store, "OCF-015") if each.months)
        intervals.decide_interval(store, chosen, accepted=accepted, who="custodian", why="seen in the workshop")

    def tool(**changed):
        store.save_tool(replace(store.tool("OCF-015"), **changed), who="custodian")

    def calibrate():
        newest = store.reference("REF-1").calibration
        later = replace(newest, certificate="RA-9", calibrated=TODAY, due=TODAY.replace(year=2028))
        store.add_calibration("REF-1", later, **who)

    def own():
        shipped = shipped_procedure("workshop-full")
        key = own_key(store, "ours")
        keep_procedure(store, replace(shipped, key=key, name="ours", version=1), who="custodian", why="our own limits")

    def job():
        logged = store.log_job(JobEntry("OCF-005", "winch", "fitter 1", store.now().isoformat(), 4))
        remove_job(store, logged.key, "wrong tool", who="fitter 1")

    def close():
        first = worklist.tasks(store, include_closed=False)[0]
        worklist.close_task(store, first.key, "joint looked at", who="fitter 2")

    return [
        ("suggested interval taken", lambda: take(True)),
        ("suggested interval not taken", lambda: take(False)),
        ("interval typed", lambda: tool(interval_months=8)),
        ("interval back to the usual", lambda: tool(interval_months=None)),
        ("taken once more", lambda: take(True)),
        ("place changed", lambda: tool(place="ferry north")),
        ("kept aside", lambda: store.change_state("OCF-015", ToolState.QUARANTINED, why="dropped", **who)),
        ("retired", lambda: store.change_state("OCF-031", ToolState.RETIRED, why="worn", **who)),
        ("released", lambda: store.release(run.run_id, who="custodian", remark="seen")),
        ("remark", lambda: store.add_remark(run.run_id, "warm day", who="fitter 1")),
        ("void", lambda: store.void(older.run_id, "wrong adapter", **who)),
        ("work list", lambda: worklist.open_tasks(store, impact.tool_impact(store, out.run_id), **who)),
        ("item closed", close),
        ("job logged and taken back", job),
        ("reference added", lambda: store.save_reference(Reference("REF-9", 50.0, "bare-value"), **who)),
        ("calibration", calibrate),
        ("standard ended", lambda: cs.end_standard(store, "REF-1", why="worn", **who)),
        (
            "standard agreed",
            lambda: cs.set_standard(store, "REF-1", "OCF-040", 60.0, Direction.CLOCKWISE, why="a new one", **who),
        ),
        ("person added", lambda: keep_person(store, Person("fitter 9", code="B-19"), **who)),
        ("passphrase", lambda: custodian.set_passphrase(store, "right and long", **who)),
        (
            "passphrase lost",
            lambda: custodian.replace_lost(store, "another and long", witness="fitter 1", why="note lost", **who),
        ),
        ("procedure of our own", own),
    ]


def test_after_each_thing_that_is_done_the_records_hold_and_the_last_of_it_comes_in_again(store, tmp_path):
    # A suggested interval that was taken did not hold, and the next start said that the records were damaged.
    for what, act in acts(store):
        act()
        checked = store.check()
        assert checked.holds, (what, checked.findings)
    out = io.StringIO()
    exchange.to_json(store, out)
    with Store.open(tmp_path / "other.sqlite", demo=True) as other:
        assert exchange.from_json(other, out.getvalue().encode()) == store.head()
        checked = other.check()
        assert checked.holds, checked.findings
        assert other.tool("OCF-015").interval_months == store.tool("OCF-015").interval_months
