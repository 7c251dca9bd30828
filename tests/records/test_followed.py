"""Rows that follow from entries of the chain: the check compares each column that a screen shows, both ways."""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.metrology.reference import Reference
from benchapp.records import (
    JobEntry,
    NotAllowedError,
    Person,
    Store,
    ToolRecord,
    chain,
    check_standard,
    custodian,
    exchange,
    impact,
    joblist,
    schema,
    toollist,
    worklist,
)
from benchapp.records._rows import HELD, HELD_SUBJECT, flat
from benchapp.records.canonical import CanonicalError, canonical, parse
from benchapp.records.references import keep_reference
from benchapp.torque.direction import Direction

from .conftest import START, Clock, furnish, make_tool
from .test_chain import unguarded
from .test_impact import verified


@pytest.fixture(scope="module")
def shop_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("shop") / "records.sqlite"
    make_shop(path)
    return path


def make_shop(path: Path) -> None:
    """A work list of two items, one closed; a check standard with two values, one looked at; a passphrase."""
    with Store.open(path, demo=False, clock=Clock()) as store:
        furnish(store)
        verified(store, "run-0", "2026-01-10")
        for n in (1, 2):
            at = f"2026-02-0{n}T10:00:00+01:00"
            store.log_job(JobEntry("OCF-014", f"ferry {n}, chain wheel", "fitter 3", at, cycles=12, torque_nm=24.0))
        verified(store, "run-1", "2026-03-10", off_percent=8.0)
        first, _ = worklist.open_tasks(store, impact.tool_impact(store, "run-1"), who="custodian")
        worklist.close_task(store, first.key, "checked with another tool, within limits", who="fitter 3")
        store.log_job(JobEntry("OCF-014", "ferry 1", "fitter 3", "2026-03-11T10:00:00+01:00", cycles=3))
        custodian.set_passphrase(store, "right and long", who="custodian")
        store.save_tool(ToolRecord(make_tool("OCF-090"), place="bench"))
        check_standard.set_standard(
            store, "REF-1", "OCF-090", 24.0, Direction.CLOCKWISE, who="custodian", why="pulled each morning"
        )
        for n in range(2):
            verified(store, f"check-{n}", f"2026-03-1{n + 4}", tool=make_tool("OCF-090"))
        key = store._db.raw.execute("SELECT min(key) FROM check_standard").fetchone()[0]
        check_standard.look_at(store, key, who="custodian", why="a draught from the door")
        store.save_person(Person("fitter 3", is_custodian=True), who="custodian")
        store.save_person(Person("fitter 3"), who="custodian")
        keep_reference(store, Reference("REF-7", 200.0), who="custodian")
        told = ToolRecord(make_tool("OCF-077", serial="OCF-077-A"), first_use=dt.date(2026, 3, 1))
        for months in (None, 6, 12):
            store.save_tool(replace(told, interval_months=months), who="fitter 3")
        store.save_tool(replace(told, interval_months=12, place="bench", keeper="fitter 3"), who="fitter 3")
        listed = [JobEntry("OCF-077", f"deck plate {n}", "fitter 3", f"2026-03-2{n}T08:00:00+01:00") for n in range(3)]
        joblist.import_jobs(store, listed, who="custodian", origin="jobs.csv")
        by_mistake = store.log_job(JobEntry("OCF-077", "winch", "fitter 3", "2026-03-24T08:00:00+01:00"))
        joblist.remove_job(store, by_mistake.key, "wrong tool", who="fitter 3")
        listed_tools = [ToolRecord(make_tool(f"OCF-20{n}"), place="store", remark="old list") for n in range(2)]
        toollist.import_tools(store, listed_tools, who="custodian", origin="tools.csv")


@pytest.fixture
def shop(shop_file: Path, open_store: Callable[..., Store], path: Path, clock: Clock) -> Store:
    path.write_bytes(shop_file.read_bytes())
    clock.now += dt.timedelta(days=1)  # the shop was made by another clock
    return open_store()


def test_all_of_it_holds_as_it_was_written(shop):
    assert shop.check().findings == ()


def test_what_is_entered_of_a_tool_is_told_once_for_each_change_with_who_did_it(shop):
    acts = [(entry.who, parse(entry.body)["content"]) for entry in shop.entries("OCF-077")]
    assert [(who, told["act"], told["details"]["interval_months"]) for who, told in acts] == [
        ("fitter 3", "tool entered", None),
        ("fitter 3", "tool changed", 6),
        ("fitter 3", "tool changed", 12),
        ("fitter 3", "tool changed", 12),  # its place and keeper
    ]


FORGED = [
    ("UPDATE tasks SET text = text || '!' WHERE closed = ''", "column", "work list run-1, job:"),
    ("UPDATE tasks SET created = '2020-01-01T00:00:00+00:00' WHERE closed = ''", "column", "work list run-1, job:"),
    ("UPDATE tasks SET subject = 'job:99' WHERE closed = ''", "missing", "work list run-1, job:"),
    ("UPDATE tasks SET cause = 'run-0' WHERE closed = ''", "missing", "work list run-"),
    ("UPDATE tasks SET closed = '', closed_by = '', reason = ''", "column", "work list run-1, job:"),
    ("UPDATE tasks SET closed = 'x' WHERE closed <> ''", "column", "work list run-1, job:"),
    ("UPDATE tasks SET closed_by = 'custodian' WHERE closed <> ''", "column", "work list run-1, job:"),
    ("UPDATE tasks SET reason = 'all good' WHERE closed <> ''", "column", "work list run-1, job:"),
    ("UPDATE tasks SET closed = '2026', closed_by = 'x', reason = 'y' WHERE closed = ''", "column", "work list run-1"),
    ("DELETE FROM tasks WHERE closed = ''", "missing", "work list run-1, job:"),
    ("DELETE FROM tasks WHERE closed <> ''", "missing", "work list run-1, job:"),
    (
        "INSERT INTO tasks (cause, subject, text, created) VALUES ('run-7', 'job:1', 't', '2026')",
        "missing",
        "work list run-7",
    ),
    ("UPDATE check_standard SET value_percent = value_percent + 0.01 WHERE key = 1", "column", "check-0"),
    ("UPDATE check_standard SET at = '2026-01-01T00:00:00+00:00' WHERE key = 1", "column", "check-0"),
    ("UPDATE check_standard SET who = 'fitter 9' WHERE key = 1", "column", "check-0"),
    ("UPDATE check_standard SET reference = 'REF-2' WHERE key = 1", "column", "check-0"),
    ("UPDATE check_standard SET standard = 'OCF-091' WHERE key = 1", "column", "check-0"),
    ("UPDATE check_standard SET run_id = 'check-9' WHERE key = 1", "missing", "check-"),
    ("UPDATE check_standard SET looked_at_by = '', looked_at_why = '' WHERE key = 1", "column", "check-0"),
    ("UPDATE check_standard SET looked_at_by = 'custodian', looked_at_why = 'w' WHERE key = 2", "column", "check-1"),
    ("DELETE FROM check_standard WHERE key = 2", "missing", "check-1"),
    ("UPDATE people SET is_custodian = 1 WHERE name = 'fitter 2'", "column", "fitter 2"),
    ("UPDATE people SET is_custodian = 1 WHERE name = 'fitter 3'", "column", "fitter 3"),
    ("UPDATE people SET is_custodian = 0 WHERE name = 'custodian'", "column", "custodian"),
    ("DELETE FROM people WHERE name = 'custodian'", "missing", "custodian"),
    ("UPDATE custodian SET digest = zeroblob(32)", "column", "custodian"),
    ("UPDATE custodian SET salt = zeroblob(16)", "column", "custodian"),
    (
        "UPDATE refs SET data = replace(data, '\"capacity_nm\":200', '\"capacity_nm\":250') WHERE number = 'REF-7'",
        "column",
        "REF-7",
    ),
    ("UPDATE refs SET data = '' WHERE number = 'REF-7'", "column", "REF-7"),
    ("DELETE FROM refs WHERE number = 'REF-7'", "missing", "REF-7"),
    ("UPDATE tools SET interval_months = 60 WHERE number = 'OCF-077'", "column", "OCF-077"),
    ("UPDATE tools SET first_use = '2026-01-01' WHERE number = 'OCF-077'", "column", "OCF-077"),
    ("UPDATE tools SET data = replace(data, 'OCF-077-A', 'OCF-077-B') WHERE number = 'OCF-077'", "column", "OCF-077"),
    ("DELETE FROM tools WHERE number = 'OCF-077'", "missing", "OCF-077"),
    ("UPDATE tools SET place = 'elsewhere' WHERE number = 'OCF-077'", "column", "OCF-077"),
    ("UPDATE tools SET keeper = 'fitter 2' WHERE number = 'OCF-077'", "column", "OCF-077"),
    ("UPDATE tools SET remark = 'good' WHERE number = 'OCF-077'", "column", "OCF-077"),
    ("UPDATE tools SET remark = 'good' WHERE number = 'OCF-201'", "column", "OCF-201"),
    ("UPDATE tools SET search = 'ocf-078' WHERE number = 'OCF-077'", "column", "OCF-077"),
    ("UPDATE tools SET data = data || ' ' WHERE number = 'OCF-077'", "column", "OCF-077"),
    ("UPDATE tools SET number = 'OCF-202' WHERE number = 'OCF-201'", "missing", "OCF-202"),
    ("DELETE FROM tools WHERE number = 'OCF-201'", "missing", "OCF-201"),
    ("INSERT INTO tools (number, data, search) SELECT 'OCF-9', data, search FROM tools LIMIT 1", "missing", "OCF-9"),
    ("INSERT INTO refs SELECT 'REF-9', data FROM refs LIMIT 1", "missing", "REF-9"),
    ("UPDATE refs SET data = replace(data, ':200', ': 200') WHERE number = 'REF-7'", "column", "REF-7"),
    ("INSERT INTO people (name) VALUES ('fitter 9')", "missing", "fitter 9"),
    ("UPDATE people SET code = 'P-9' WHERE name = 'fitter 2'", "column", "fitter 2"),
    ("UPDATE people SET active = 0 WHERE name = 'fitter 2'", "column", "fitter 2"),
    ("DELETE FROM people WHERE name = 'fitter 2'", "missing", "fitter 2"),
    ("DELETE FROM custodian", "missing", "custodian"),
    ("UPDATE custodian SET key = 2", "missing", "custodian"),
    ("UPDATE custodian SET n = 2", "column", "custodian"),
    ("UPDATE custodian SET changed = '2020-01-01T00:00:00+00:00'", "column", "custodian"),
    ("UPDATE jobs SET tool = 'OCF-077' WHERE key = 1", "column", "job:1"),
    ("UPDATE jobs SET job = 'ferry 9' WHERE key = 1", "column", "job:1"),
    ("UPDATE jobs SET person = 'fitter 2' WHERE key = 1", "column", "job:1"),
    ("UPDATE jobs SET at = '2020-01-01T00:00:00+00:00' WHERE key = 1", "column", "job:1"),
    ("UPDATE jobs SET at_s = at_s - 86400 WHERE key = 1", "column", "job:1"),
    ("UPDATE jobs SET cycles = 1 WHERE key = 1", "column", "job:1"),
    ("UPDATE jobs SET torque_nm = NULL WHERE key = 1", "column", "job:1"),
    ("UPDATE jobs SET job = x'00ff' WHERE key = 1", "column", "job:1"),
    ("UPDATE jobs SET key = 99 WHERE key = 1", "missing", "job:1"),
    ("DELETE FROM jobs WHERE key = 2", "missing", "job:2"),
    ("UPDATE jobs SET person = 'fitter 2' WHERE job = 'deck plate 1'", "column", "job:5"),
    ("DELETE FROM jobs WHERE job = 'deck plate 1'", "missing", "job:5"),
    (
        "INSERT INTO jobs SELECT 99, tool, job, person, at, at_s, cycles, torque_nm FROM jobs LIMIT 1",
        "missing",
        "job:99",
    ),
    ("UPDATE tools SET last_verified = '2026-03-05' WHERE number = 'OCF-014'", "column", "OCF-014"),
    ("UPDATE tools SET last_outcome = 'within' WHERE number = 'OCF-014'", "column", "OCF-014"),
    ("UPDATE tools SET due = '2031-01-01' WHERE number = 'OCF-014'", "column", "OCF-014"),
    ("UPDATE tools SET cycles = 0 WHERE number = 'OCF-090'", "", ""),  # as it is: nothing to find
    ("UPDATE tools SET cycles = 4999 WHERE number = 'OCF-014'", "column", "OCF-014"),
]


def copied(shop: Store, folder: Path) -> Path:
    copy = folder / "forged.sqlite"
    with sqlite3.connect(copy) as target:
        shop._db.raw.backup(target)
    target.close()
    return copy


@pytest.mark.parametrize(("statement", "what", "subject"), FORGED)
def test_a_row_that_is_not_what_the_chain_says_is_named(shop, tmp_path, statement, what, subject):
    copy = copied(shop, tmp_path)
    raw = unguarded(copy)
    raw.execute(statement)
    raw.close()
    with Store.open(copy, demo=False) as store:
        findings = store.check().findings
    if not what:
        assert findings == ()
        return
    assert any(each.what == what and each.subject.startswith(subject) for each in findings), findings
    assert all(each.detail for each in findings)


def test_every_column_of_these_tables_is_held_against_something(shop, tmp_path):
    """One value of each turned; what is not found is shown nowhere or is no evidence, and says so here."""
    working_data = {
        "tasks.key",
        "check_standard.key",
        "custodian.key",
        *(f"custodian.{name}" for name in ("n_failed", "failed_s")),
        "jobs.key",
    }
    unseen = set()
    for table in ("tasks", "check_standard", "people", "custodian", "tools", "refs", "jobs"):
        names = [row[1] for row in shop._db.raw.execute(f"PRAGMA table_info({table})")]
        for name in names:
            copy = copied(shop, tmp_path)
            raw = unguarded(copy)
            raw.execute("PRAGMA foreign_keys = OFF")
            new = "1 - is_custodian" if name == "is_custodian" else "'other'"
            if name not in ("key",):
                raw.execute(f"UPDATE {table} SET {name} = {new} WHERE rowid = (SELECT max(rowid) FROM {table})")
            raw.close()
            with Store.open(copy, demo=False) as store:
                if store.check().holds:
                    unseen.add(f"{table}.{name}")
            for left in tmp_path.glob("forged.sqlite*"):
                left.unlink()
    assert unseen <= working_data, unseen - working_data


def test_a_work_list_of_an_early_version_that_names_no_items_still_holds(store):
    raw = store._db.raw
    raw.execute("INSERT INTO tasks (cause, subject, text, created) VALUES ('run-1', 'job:1', 'a bolt', '2026-03-04')")
    store.note_act("impact listed", who="custodian", details={"cause": "run-1", "items": 1})
    assert store.check().holds
    task = worklist.tasks(store)[0]
    worklist.close_task(store, task.key, "looked at", who="fitter 2")
    assert store.check().holds
    raw.execute("UPDATE tasks SET reason = 'other'")
    assert [each.what for each in store.check().findings] == ["column"]


def test_an_import_brings_the_work_list_and_the_keys_of_the_jobs_back(shop, open_store, tmp_path):
    with (tmp_path / "out.json").open("w", encoding="utf-8") as file:
        exchange.to_json(shop, file)
    other = open_store(tmp_path / "other.sqlite")
    assert exchange.from_json(other, (tmp_path / "out.json").read_bytes()) == shop.head()
    assert [(t.cause, t.subject, t.text, t.created, t.closed_by, t.reason) for t in worklist.tasks(other)] == [
        (t.cause, t.subject, t.text, t.created, t.closed_by, t.reason) for t in worklist.tasks(shop)
    ]
    assert other.all_jobs() == shop.all_jobs()
    assert other.tool("OCF-014") == shop.tool("OCF-014")
    assert other.check(against=shop.head()).holds


SCALARS = st.one_of(
    st.none(), st.booleans(), st.text(), st.integers(-(2**60), 2**60), st.floats(), st.sampled_from([1e15, -0.0, 1e-4])
)


@given(st.lists(SCALARS))
@settings(max_examples=500, deadline=None)
def test_the_short_way_to_canonical_bytes_gives_what_the_long_one_does(values):
    def outcome(way):
        try:
            return way(values)
        except CanonicalError:
            return "refused"

    assert outcome(flat) == outcome(canonical)


def as_before(store: Store) -> None:
    """Take out of the store what early programs did not write: the chain is what their entries made it."""
    raw = store._db.raw
    for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {name}")
    raw.execute("DELETE FROM entries")


def test_rows_of_an_early_store_hold_until_one_is_changed_here_and_are_held_from_then_on(store):
    store.log_job(JobEntry("OCF-014", "winch", "fitter 2", "2026-03-01T08:00:00+01:00", 5))
    store.save_tool(ToolRecord(make_tool("OCF-015"), place="ferry 1"))
    as_before(store)
    raw = store._db.raw
    raw.execute("UPDATE people SET is_custodian = 0")
    raw.execute("UPDATE tools SET remark = 'as good as new' WHERE number = 'OCF-015'")
    raw.execute("DELETE FROM calibrations")
    assert store.check().findings == ()  # nothing is told of them
    store.save_tool(ToolRecord(make_tool("OCF-016")), who="fitter 2")
    assert store.check().findings == ()
    held = [parse(entry.body)["content"]["act"] for entry in store.entries(HELD_SUBJECT)]
    assert held == [HELD]
    told = {
        "UPDATE tools SET remark = '' WHERE number = 'OCF-015'": "OCF-015",
        "UPDATE jobs SET person = 'fitter 3'": "job:1",
        "UPDATE people SET code = 'X' WHERE name = 'fitter 2'": "fitter 2",
        "UPDATE refs SET data = replace(data, '100', '200')": "REF-1",
        "DELETE FROM jobs": "job:1",
    }
    for statement, subject in told.items():
        raw.execute("SAVEPOINT forged")
        raw.execute(statement)
        assert chain.check(raw).findings[0].subject == subject, statement
        raw.execute("ROLLBACK TO forged")
        raw.execute("RELEASE forged")
    assert store.check().findings == ()


def test_the_first_use_that_does_not_hold_is_named_first_with_both_values(shop):
    raw = shop._db.raw
    raw.execute("UPDATE jobs SET cycles = 1 WHERE key IN (2, 3)")
    first, *_ = shop.check().findings
    assert (first.what, first.subject) == ("column", "job:2")
    assert "cycles shows 1, sealed 12" in first.detail
    assert "OCF-014" in first.detail


def test_a_use_taken_out_may_give_its_key_to_the_next(shop):
    job = shop.log_job(JobEntry("OCF-077", "winch", "fitter 3", "2026-03-25T08:00:00+01:00"))
    joblist.remove_job(shop, job.key, "wrong tool", who="fitter 3")
    assert shop.log_job(JobEntry("OCF-090", "winch", "fitter 3", "2026-03-25T08:00:00+01:00")).key == job.key
    assert shop.check().findings == ()


def test_a_passphrase_that_was_taken_away_is_missed_and_cannot_be_set_as_a_first_one(shop):
    shop._db.raw.execute("DELETE FROM custodian")
    assert any(each.subject == "custodian" for each in shop.check().findings)
    assert custodian.has_passphrase(shop)
    with pytest.raises(NotAllowedError, match="not in these records any more"):
        custodian.set_passphrase(shop, "another one", who="custodian")
    custodian.replace_lost(shop, "another one", who="custodian", witness="fitter 2", why="its row is gone")
    assert custodian.check(shop, "another one")
    assert shop.check().findings == ()


def test_after_an_import_the_lock_opens_by_the_way_back_only(shop, open_store, tmp_path):
    with (tmp_path / "out.json").open("w", encoding="utf-8") as file:
        exchange.to_json(shop, file)
    assert "salt" not in (tmp_path / "out.json").read_text()
    other = open_store(tmp_path / "other.sqlite")
    exchange.from_json(other, (tmp_path / "out.json").read_bytes())
    for attempt in (custodian.check, lambda s, old: custodian.set_passphrase(s, "new and long", who="custodian")):
        with pytest.raises(NotAllowedError, match="did not come with the import"):
            attempt(other, "right and long")
    custodian.replace_lost(other, "new and long", who="custodian", witness="fitter 2", why="imported")
    assert custodian.check(other, "new and long")
    assert other.check().findings == ()


def test_a_long_list_is_told_in_entries_of_some_hundred_kilobytes_at_most(store):
    entries = [
        JobEntry("OCF-014", f"bolt {n}", f"fitter {n % 7}", f"2026-02-01T08:00:{n % 60:02}+01:00", n % 9, n / 8)
        for n in range(5000)
    ]
    joblist.import_jobs(store, entries, who="custodian", origin="jobs.csv")
    sizes = [len(entry.body) for entry in store.entries("list:jobs")]
    assert len(sizes) == 3
    assert max(sizes) < 100_000
    assert store.check().findings == ()
    store._db.raw.execute("UPDATE jobs SET torque_nm = 24 WHERE key = 4321")
    first, *_ = store.check().findings
    assert (first.subject, first.what) == ("job:4321", "column")


@pytest.mark.parametrize("version", range(1, schema.VERSION + 1))
def test_a_store_of_every_version_holds_and_is_held_from_its_first_change_on(tmp_path, version):
    file = tmp_path / "records.sqlite"
    file.write_bytes((Path(__file__).parents[1] / "data" / f"store_v{version}.sqlite").read_bytes())
    with Store.open(file, demo=False, clock=Clock(START + dt.timedelta(days=1))) as store:
        raw, head = store._db.raw, store.head()
        assert store.check(against=head).findings == ()
        store.log_job(JobEntry("OCF-014", "winch", "fitter 2", "2026-03-05T08:00:00+01:00", 2))
        assert store.check(against=head).findings == ()
        for statement, subject in (
            ("UPDATE tools SET keeper = 'nobody'", "OCF-014"),
            ("UPDATE jobs SET person = 'nobody' WHERE key = 1", "job:1"),
            ("INSERT INTO people (name) VALUES ('fitter 9')", "fitter 9"),
        ):
            raw.execute("SAVEPOINT forged")
            raw.execute(statement)
            assert chain.check(raw).findings[0].subject == subject, statement
            raw.execute("ROLLBACK TO forged")
            raw.execute("RELEASE forged")
        with (tmp_path / "out.json").open("w", encoding="utf-8") as out:
            exchange.to_json(store, out)
        with Store.open(tmp_path / "other.sqlite", demo=False) as other:
            assert exchange.from_json(other, (tmp_path / "out.json").read_bytes()) == store.head()
            assert other.check(against=head).findings == ()
