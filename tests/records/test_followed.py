"""Rows that follow from entries of the chain: the check compares each column that a screen shows, both ways."""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from benchapp.metrology.reference import Reference
from benchapp.records import JobEntry, Person, Store, ToolRecord, check_standard, custodian, exchange, impact
from benchapp.records.canonical import parse
from benchapp.records.references import keep_reference
from benchapp.torque.direction import Direction

from .conftest import Clock, furnish, make_tool
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
        first, _ = impact.open_tasks(store, impact.tool_impact(store, "run-1"), who="custodian")
        impact.close_task(store, first.key, "checked with another tool, within limits", who="fitter 3")
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
            store.save_tool(replace(told, interval_months=months), who="fitter 3", tells=True)
        store.save_tool(replace(told, interval_months=12, place="bench"), who="fitter 3")  # nobody's evidence


@pytest.fixture
def shop(shop_file: Path, open_store: Callable[..., Store], path: Path) -> Store:
    path.write_bytes(shop_file.read_bytes())
    return open_store()


def test_all_of_it_holds_as_it_was_written(shop):
    assert shop.check().findings == ()


def test_what_is_entered_of_a_tool_is_told_once_for_each_change_with_who_did_it(shop):
    acts = [(entry.who, parse(entry.body)["content"]) for entry in shop.entries("OCF-077")]
    assert [(who, told["act"], told["details"]["interval_months"]) for who, told in acts] == [
        ("fitter 3", "tool entered", None),
        ("fitter 3", "tool changed", 6),
        ("fitter 3", "tool changed", 12),
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
    ("UPDATE tools SET place = 'elsewhere' WHERE number = 'OCF-077'", "", ""),  # nobody's evidence
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
        *(f"custodian.{name}" for name in ("n", "r", "p", "n_failed", "failed_s", "changed")),
        *(f"people.{name}" for name in ("code", "active")),
    }
    unseen = set()
    for table in ("tasks", "check_standard", "people", "custodian"):
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
    task = impact.tasks(store)[0]
    impact.close_task(store, task.key, "looked at", who="fitter 2")
    assert store.check().holds
    raw.execute("UPDATE tasks SET reason = 'other'")
    assert [each.what for each in store.check().findings] == ["column"]


def test_an_import_brings_the_work_list_and_the_keys_of_the_jobs_back(shop, open_store, tmp_path):
    with (tmp_path / "out.json").open("w", encoding="utf-8") as file:
        exchange.to_json(shop, file)
    other = open_store(tmp_path / "other.sqlite")
    assert exchange.from_json(other, (tmp_path / "out.json").read_bytes()) == shop.head()
    assert [(t.cause, t.subject, t.text, t.created, t.closed_by, t.reason) for t in impact.tasks(other)] == [
        (t.cause, t.subject, t.text, t.created, t.closed_by, t.reason) for t in impact.tasks(shop)
    ]
    assert other.all_jobs() == shop.all_jobs()
    assert other.tool("OCF-014") == shop.tool("OCF-014")
    assert other.check(against=shop.head()).holds
