"""What is stored reads back; live and demo stay apart; every change is allowed or refused by rule."""

from __future__ import annotations

import dataclasses
import datetime as dt
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from benchapp.records import (
    ChangedMeanwhileError,
    JobEntry,
    NotAllowedError,
    Outcome,
    Person,
    RunTakenError,
    SealedError,
    ToolRecord,
    ToolState,
    WrongStoreError,
)
from benchapp.runs.model import RunState
from drivers.samples import Source

from .conftest import make_calibration, make_pull, make_reference, make_run, make_tool, make_trace, pull_all, sealed_run


def test_importing_records_brings_no_sqlalchemy():
    code = "import sys, benchapp.records; print('sqlalchemy' in sys.modules, 'alembic' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.split() == ["False", "False"]


def test_opening_a_store_that_is_up_to_date_brings_no_alembic(store, path):
    store.close()
    code = (
        "import sys; from benchapp.records import Store; "
        f"Store.open({str(path)!r}, demo=False).close(); print('alembic' in sys.modules)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.split() == ["False"]


def test_a_run_and_its_traces_read_back_equal_while_open_and_when_sealed(store, open_store):
    run = pull_all(store, make_run())
    assert store.run("run-1") == run
    store.seal(run)
    assert store.run("run-1") == dataclasses.replace(run, state=RunState.SEALED)
    other = open_store()
    assert other.run("run-1") == dataclasses.replace(run, state=RunState.SEALED)
    for pull in run.pulls:
        top = run.plan.tool.highest_nm if pull.checkpoint_index is None else pull.indication_nm
        expected = make_trace(400, seed=pull.number, top=top)
        trace = other.trace("run-1", pull.number)
        for field in dataclasses.fields(expected):
            got, wanted = getattr(trace, field.name), getattr(expected, field.name)
            if isinstance(wanted, np.ndarray):
                np.testing.assert_array_equal(got, wanted)
                assert got.dtype == wanted.dtype
            else:
                assert got == wanted, field.name
    assert other.trace("run-1", 99) is None
    assert other.run("none") is None


def test_what_was_pulled_before_a_restart_goes_on_at_the_same_pull(store, open_store):
    run = make_run()
    store.begin_run(run)
    pull = make_pull(1, None, 40.0)
    run = dataclasses.replace(run, pulls=(pull,), n_preloads_done=1, holds=frozenset())
    store.store_pull(run, pull, make_trace())
    store.close()
    again = open_store()
    assert again.open_run() == run


def test_a_pull_set_aside_later_is_written_again_and_stays(store):
    run = pull_all(store, make_run())
    aside = dataclasses.replace(run.pulls[3], set_aside="jerky", set_aside_by="fitter 2")
    run = dataclasses.replace(run, pulls=(*run.pulls[:3], aside, *run.pulls[4:]))
    store.save_run(run)
    assert store.run("run-1") == run
    row = next(row for row in store.history("OCF-014") if row.number == 4)
    assert row.set_aside == "jerky"
    store.seal(run)
    assert store.summary("run-1").n_set_aside == 1
    assert store.summary("run-1").outcome is Outcome.UNDECIDED  # two of three readings are left at a checkpoint


def test_a_sealed_run_is_never_changed(store):
    run = sealed_run(store)
    pull = make_pull(11, 0, 8.0)
    with pytest.raises(SealedError) as caught:
        store.save_run(run)
    assert caught.value.run_id == "run-1"
    with pytest.raises(SealedError):
        store.store_pull(run, pull, make_trace())
    assert store.trace("run-1", 11) is None
    assert store.check().holds


def test_sealing_twice_gives_the_same_seal(store):
    run = pull_all(store, make_run())
    assert store.seal(run) == store.seal(run)


def test_a_run_that_is_not_finished_cannot_be_sealed(store):
    run = make_run()
    store.begin_run(run)
    with pytest.raises(ValueError, match="preload"):
        store.seal(run)


def test_the_plan_is_fixed_before_the_first_pull(store):
    run = make_run()
    store.begin_run(run)
    with pytest.raises(NotAllowedError, match="plan"):
        store.save_run(dataclasses.replace(run, plan=dataclasses.replace(run.plan, operator="fitter 3")))


def test_a_pull_is_not_replaced_by_another_trace(store):
    run = pull_all(store, make_run())
    store.store_pull(run, run.pulls[0], make_trace(400, seed=1, top=40.0))  # the same again: nothing happens
    with pytest.raises(NotAllowedError, match="another trace"):
        store.store_pull(run, run.pulls[0], make_trace(400, seed=99))


@pytest.mark.parametrize("source", [Source.SIMULATED, Source.REPLAYED])
def test_the_live_store_refuses_what_is_not_live(store, source):
    with pytest.raises(WrongStoreError, match="demo store"):
        store.begin_run(make_run(source=source))
    run = make_run()
    store.begin_run(run)
    pull = make_pull(1, None, 40.0)
    with pytest.raises(WrongStoreError):
        store.store_pull(dataclasses.replace(run, pulls=(pull,)), pull, make_trace(source=source))
    assert store.run("run-1").pulls == ()


def test_the_demo_store_refuses_live_runs_and_neither_opens_as_the_other(store, open_store, path, tmp_path):
    demo = open_store(tmp_path / "demo.sqlite", demo=True)
    demo.begin_run(make_run(source=Source.SIMULATED))
    with pytest.raises(WrongStoreError, match="Use the live store"):
        demo.begin_run(make_run("run-2"))
    before = (tmp_path / "demo.sqlite").read_bytes()
    with pytest.raises(WrongStoreError):
        open_store(tmp_path / "demo.sqlite")
    with pytest.raises(WrongStoreError):
        open_store(path, demo=True)
    assert (tmp_path / "demo.sqlite").read_bytes() == before


def test_two_windows_on_one_store_do_not_take_each_others_run(store, open_store):
    run = make_run()
    store.begin_run(run)
    other = open_store()
    assert other.open_run() is None
    with pytest.raises(RunTakenError):
        other.save_run(run)
    other.begin_run(make_run("run-2"))
    store.save_run(dataclasses.replace(run, state=RunState.PULL))
    store.close()
    assert other.run("run-2").state is RunState.PRELOAD
    assert other.open_run().run_id in ("run-1", "run-2")
    other.save_run(run)  # the first window is gone, so this one may go on


def test_the_session_writes_while_the_window_reads(store):
    run = make_run()
    store.begin_run(run)
    done = threading.Event()

    def look() -> int:
        n_looks = 0
        while not done.is_set():
            seen = store.run("run-1")
            assert [pull.number for pull in seen.pulls] == list(range(1, len(seen.pulls) + 1))
            assert len(store.history("OCF-014")) >= len(seen.pulls)
            for pull in seen.pulls[-3:]:
                assert store.trace("run-1", pull.number) is not None
            n_looks += 1
        return n_looks

    with ThreadPoolExecutor(3) as window:
        looks = [window.submit(look) for _ in range(3)]
        for number in range(1, 41):
            pull = make_pull(number, 0, 8.0)
            run = dataclasses.replace(run, pulls=(*run.pulls, pull))
            store.store_pull(run, pull, make_trace(200, seed=number))
        done.set()
        assert all(look.result() > 0 for look in looks)
    assert len(store.run("run-1").pulls) == 40


def test_logbook_pages_by_key_and_finds_words(store):
    for index in range(7):
        run = make_run(f"run-{index}", operator="fitter 2" if index % 2 else "custodian")
        store.begin_run(run)
    first = store.runs(limit=3)
    second = store.runs(limit=3, before=first[-1].key)
    third = store.runs(limit=3, before=second[-1].key)
    assert [line.run_id for line in first + second + third] == [f"run-{index}" for index in reversed(range(7))]
    assert {line.operator for line in store.runs(search="Custodian three")} == {"custodian"}
    assert store.runs(search="100%_") == []
    assert store.runs(tool="none") == []


def test_runs_are_listed_by_how_they_ended_and_where_they_came_from_together_with_all_else(store):
    for index in range(40):
        run = make_run(f"run-{index:02}", operator="fitter 2" if index % 2 else "custodian")
        run = dataclasses.replace(run, state=RunState.VERDICT)
        store.begin_run(run)
        if index % 3:
            store.seal(run, outcome=Outcome.OUT if index % 5 == 0 else Outcome.WITHIN)
    lines = store.runs(limit=100)
    kept = (Outcome.OUT, Outcome.OPEN)
    for words in ("", "fitter"):
        for before in (None, lines[15].key):
            wanted = [
                line
                for line in lines
                if line.outcome in kept and words in line.operator and (before is None or line.key < before)
            ]
            found = store.runs(outcomes=kept, source=Source.LIVE, search=words, before=before, limit=6)
            assert found == wanted[:6]
            assert found
    assert store.runs(outcomes=kept, source=Source.IMPORTED) == []
    assert store.runs(outcomes=(Outcome.LEFT,)) == []


def test_words_are_looked_for_in_everything_a_line_shows_and_paged(store):
    for index in range(30):
        run = make_run(
            f"run-{index}",
            tool=make_tool(f"OCF-{index % 7:03}"),
            reference=make_reference(f"REF-{index % 4}"),
            operator=("fitter 2", "Custodian", "50%_off!")[index % 3],
            started=f"2026-03-{index % 28 + 1:02}T09:00:00+01:00",
        )
        store.begin_run(run)
        if index % 5 == 0:
            store.seal(dataclasses.replace(run, state=RunState.LEFT, left_reason="tried"))
    lines = store.runs()
    assert len(lines) == 30
    for search in (
        "OCF-003",
        "ref-2 fitter",
        "custodian 03-1",
        "left",
        "THREE READINGS",
        "%_o",
        "!",
        "zzz",
        "ocf\nref",
    ):
        words = search.casefold().split()
        wanted = [
            line.run_id
            for line in lines
            if all(any(word in shown.lower() for shown in (*vars_of(line), line.outcome.value)) for word in words)
        ]
        assert [line.run_id for line in store.runs(search=search)] == wanted, search
        paged, before = [], None
        while page := store.runs(search=search, before=before, limit=4):
            paged += [line.run_id for line in page]
            before = page[-1].key
        assert paged == wanted, search
        of_tool = [line.run_id for line in lines if line.run_id in wanted and line.tool == "OCF-003"]
        assert [line.run_id for line in store.runs(tool="OCF-003", search=search)] == of_tool, search
        left = [line.run_id for line in lines if line.run_id in wanted and line.outcome is Outcome.LEFT]
        found = store.runs(search=search, outcomes=(Outcome.LEFT, Outcome.OUT), source=Source.LIVE)
        assert [line.run_id for line in found] == left, search
        assert store.runs(search=search, source=Source.IMPORTED) == []


def vars_of(line) -> tuple[str, ...]:
    return line.tool, line.reference, line.operator, line.procedure, line.started


def test_tools_are_found_as_one_types_and_paged_by_number(store):
    store.save_tools(
        ToolRecord(make_tool(f"OCF-{n:03}", maker="Schlüssel & Sohn"), place="slipway", photo=b"\x89PNG", code=f"X{n}")
        for n in range(20, 40)
    )
    assert [record.number for record in store.tools("schlÜssel slip", limit=2)] == ["OCF-020", "OCF-021"]
    assert store.tools("schlüssel", after="OCF-038")[0].number == "OCF-039"
    assert store.tool("X25").number == "OCF-025"
    assert store.tool("OCF-025").photo == b"\x89PNG"
    assert store.tools("OCF-025")[0].photo is None
    assert store.tool("") is None
    assert store.tool("none") is None


def test_a_tool_without_number_is_refused_and_nothing_of_the_list_comes_in(store):
    with pytest.raises(ValueError, match="number"):
        store.save_tools([ToolRecord(make_tool("OCF-500")), ToolRecord(make_tool(" "))])
    assert store.tool("OCF-500") is None


def test_interval_begins_anew_with_a_full_run_and_counts_cycles_from_then(store):
    assert store.tool("OCF-014").shown_state(dt.date(2026, 3, 1)) is ToolState.OVERDUE
    store.save_tool(dataclasses.replace(store.tool("OCF-014"), first_use=dt.date(2025, 6, 30), interval_months=8))
    assert store.tool("OCF-014").due == dt.date(2026, 2, 28)
    store.log_job(JobEntry("OCF-014", "chain wheel", "fitter 2", "2026-03-04T08:00:00+01:00", cycles=120))
    assert store.tool("OCF-014").cycles == 120
    sealed_run(store)
    record = store.tool("OCF-014")
    assert (record.due, record.cycles, record.last_outcome) == (dt.date(2026, 11, 4), 0, Outcome.WITHIN)
    store.log_job(JobEntry("OCF-014", "chain wheel", "fitter 2", "2026-03-04T09:00:00+00:00", cycles=4900))
    assert store.tool("OCF-014").cycles == 4900
    assert store.tool("OCF-014").shown_state(dt.date(2026, 3, 5)) is ToolState.DUE_SOON


def test_a_spot_check_does_not_move_the_due_date(store):
    run = make_run()
    point = dataclasses.replace(run.plan.checkpoints[1], percent_of_highest=None)
    run = dataclasses.replace(run, plan=dataclasses.replace(run.plan, checkpoints=(point,)))
    store.seal(pull_all(store, run))
    assert store.summary("run-1").outcome is Outcome.WITHIN
    assert store.tool("OCF-014").last_verified is None


def test_a_tool_found_out_is_quarantined_and_returns_only_after_a_good_run(store):
    sealed_run(store, "bad", off_percent=6.0)
    assert store.tool("OCF-014").state is ToolState.QUARANTINED
    with pytest.raises(NotAllowedError, match="no full run within limits"):
        store.change_state("OCF-014", ToolState.IN_SERVICE, who="fitter 2", why="looks fine")
    with pytest.raises(NotAllowedError, match="no custodian"):
        store.change_state("OCF-014", ToolState.IN_SERVICE, who="fitter 2", why="looks fine", override=True)
    store.change_state("OCF-014", ToolState.AT_LABORATORY, who="fitter 2", why="to be adjusted")
    sealed_run(store, "good")
    store.change_state("OCF-014", ToolState.IN_SERVICE, who="fitter 3", why="as left within limits")
    changes = store.state_changes("OCF-014")
    assert [(change.old, change.new, change.who) for change in changes] == [
        (ToolState.IN_SERVICE, ToolState.QUARANTINED, "fitter 2"),
        (ToolState.QUARANTINED, ToolState.AT_LABORATORY, "fitter 2"),
        (ToolState.AT_LABORATORY, ToolState.IN_SERVICE, "fitter 3"),
    ]
    assert "bad" in changes[0].why
    assert store.check().holds


STATES = [ToolState.IN_SERVICE, ToolState.QUARANTINED, ToolState.AT_LABORATORY, ToolState.RETIRED]
WAYS = {
    (ToolState.IN_SERVICE, ToolState.QUARANTINED),
    (ToolState.IN_SERVICE, ToolState.AT_LABORATORY),
    (ToolState.IN_SERVICE, ToolState.RETIRED),
    (ToolState.QUARANTINED, ToolState.IN_SERVICE),
    (ToolState.QUARANTINED, ToolState.AT_LABORATORY),
    (ToolState.QUARANTINED, ToolState.RETIRED),
    (ToolState.AT_LABORATORY, ToolState.IN_SERVICE),
    (ToolState.AT_LABORATORY, ToolState.QUARANTINED),
    (ToolState.AT_LABORATORY, ToolState.RETIRED),
    (ToolState.RETIRED, ToolState.QUARANTINED),
}


@pytest.mark.parametrize("old", STATES)
@pytest.mark.parametrize("new", [*STATES, ToolState.DUE_SOON, ToolState.OVERDUE])
def test_every_change_of_state_is_allowed_or_refused_by_the_table(store, old, new):
    store.save_tool(ToolRecord(make_tool("OCF-1"), state=old), who="custodian")
    if (old, new) in WAYS:
        store.change_state("OCF-1", new, who="custodian", why="tried", override=True)
        assert store.tool("OCF-1").state is new
    else:
        with pytest.raises(NotAllowedError):
            store.change_state("OCF-1", new, who="custodian", why="tried", override=True)
        assert store.tool("OCF-1").state is old
    with pytest.raises(NotAllowedError, match="who and why"):
        store.change_state("OCF-1", ToolState.QUARANTINED, who="", why="")
    assert store.check().holds


def test_a_form_opened_before_a_quarantine_does_not_undo_it(store):
    record = store.tool("OCF-014")
    store.change_state("OCF-014", ToolState.QUARANTINED, who="fitter 2", why="dropped")
    with pytest.raises(ChangedMeanwhileError):
        store.save_tool(dataclasses.replace(record, place="slipway"))
    assert store.tool("OCF-014").state is ToolState.QUARANTINED


def test_due_list_puts_the_most_urgent_first(store):
    def tool(number: str, first_use: dt.date | None, **fields: object) -> ToolRecord:
        return ToolRecord(make_tool(number), first_use=first_use, **fields)

    store.save_tools(
        [
            tool("OCF-A", dt.date(2025, 3, 10)),  # due 2026-03-10
            tool("OCF-B", dt.date(2025, 2, 1), place="slipway"),  # overdue
            tool("OCF-C", dt.date(2025, 9, 1)),  # due in September
            tool("OCF-D", dt.date(2026, 1, 1), interval_cycles=100),
        ]
    )
    store.log_job(JobEntry("OCF-D", "deck", "fitter 2", "2026-03-01T08:00:00+01:00", cycles=95))
    items = store.due_list(dt.date(2026, 3, 4))
    assert [item.number for item in items] == ["OCF-014", "OCF-B", "OCF-A", "OCF-D"]
    assert [item.days_left for item in items] == [None, -31, 6, 303]
    assert items[3].state is ToolState.DUE_SOON
    assert items[2].needs_nm == (8.0, 40.0)
    assert [item.number for item in store.due_list(dt.date(2026, 3, 4), place="slipway")] == ["OCF-B"]


def test_calibrations_are_added_never_changed(store):
    store.add_calibration("REF-1", make_calibration("C-2", due=dt.date(2027, 1, 1)), who="custodian")
    assert [c.certificate for c in store.reference("REF-1").calibrations] == ["C-1", "C-2"]
    with pytest.raises(NotAllowedError, match="entered before"):
        store.add_calibration("REF-1", make_calibration("C-2"), who="custodian")
    changed = dataclasses.replace(make_reference(), calibrations=(make_calibration(coverage_factor=2.1),))
    with pytest.raises(NotAllowedError, match="never changed"):
        store.save_reference(changed)
    with pytest.raises(NotAllowedError, match="would be lost"):
        store.save_reference(make_reference())
    assert store.reference("REF-1").calibrations[0] == make_calibration()
    assert store.reference("none") is None
    with pytest.raises(NotAllowedError, match="no reference"):
        store.add_calibration("REF-9", make_calibration())


def test_people_are_found_by_name_or_badge(store):
    assert store.person("P2").name == "fitter 2"
    assert store.person("") is None
    store.save_person(Person("fitter 3", active=False))
    assert [person.name for person in store.people()] == ["custodian", "fitter 2"]
    assert len(store.people(include_inactive=True)) == 3


def test_release_needs_a_second_person_and_void_a_custodian(store):
    sealed_run(store)
    with pytest.raises(NotAllowedError, match="somebody else"):
        store.release("run-1", who="fitter 2")
    with pytest.raises(NotAllowedError, match="not among the people"):
        store.release("run-1", who="a stranger")
    store.release("run-1", who="fitter 3", remark="looked through")
    assert store.summary("run-1").released_by == "fitter 3"
    with pytest.raises(NotAllowedError, match="released by fitter 3"):
        store.release("run-1", who="custodian")
    store.add_remark("run-1", "the bench had been moved", who="fitter 2")
    with pytest.raises(NotAllowedError, match="no custodian"):
        store.void("run-1", "wrong tool", who="fitter 3")
    assert store.tool("OCF-014").last_verified is not None
    store.void("run-1", "wrong tool on the bench", who="custodian")
    assert store.summary("run-1").voided == "wrong tool on the bench"
    assert store.tool("OCF-014").last_verified is None
    assert store.history("OCF-014") == []
    assert [entry.kind for entry in store.entries("run-1")] == ["run", "release", "remark", "void"]
    assert store.check().holds
