"""A workshop's own procedures: every version kept, in the chain, compared with it, and brought along by an export."""

from __future__ import annotations

import contextlib
import io

import pytest

from benchapp.records import NotAllowedError, Person, exchange
from benchapp.records.canonical import parse
from benchapp.records.procedures import keep_procedure, own_key, own_procedures, own_stem, versions
from benchapp.runs.procedure import copied, edited, shipped_procedure

from .test_chain import unguarded


def own(key: str = "own-ferry-tools", name: str = "Ferry tools"):
    return copied(shipped_procedure("workshop-full"), key, name)


@pytest.fixture
def kept(store):
    first = own()
    keep_procedure(store, first, who="custodian", why="our own order of work")
    second = edited(first, "readings.II", 5, source="workshop practice", mark="P")
    keep_procedure(store, second, who="custodian", why="a worn pawl shows in five")
    return store


def test_every_version_is_kept_and_the_newest_is_the_one(kept):
    (newest,) = own_procedures(kept)
    assert (newest.name, newest.version, newest.value("readings.II")) == ("Ferry tools", 2, 5)
    old, new = versions(kept, "own-ferry-tools")
    assert (old.procedure.value("readings.II"), old.why) == (3, "our own order of work")
    assert (new.who, new.why) == ("custodian", "a worn pawl shows in five")
    assert old.procedure == own()
    acts = [parse(entry.body)["content"] for entry in kept.entries("procedure:own-ferry-tools")]
    assert [(act["act"], act["details"]["version"]) for act in acts] == [("procedure kept", 1), ("procedure kept", 2)]
    assert kept.check().holds


@pytest.mark.parametrize(
    ("procedure", "who", "why", "said"),
    [
        (own(), "fitter 2", "because", "no custodian"),
        (own(), "", "because", "no custodian"),
        (own(), "custodian", " ", "with a reason"),
        (shipped_procedure("workshop-full"), "custodian", "because", "comes with the program"),
        (own(name="workshop FULL run"), "custodian", "because", "name of its own"),
        (own(name="  "), "custodian", "because", "name"),
        (edited(own(), "readings.II", 5, source="s", mark="P"), "custodian", "because", "at version 0"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_kept(store, procedure, who, why, said):
    head = store.head()
    with pytest.raises(NotAllowedError, match=said):
        keep_procedure(store, procedure, who=who, why=why)
    assert own_procedures(store) == []
    assert store.head() == head


def test_two_who_change_the_same_version_do_not_overwrite_each_other(kept):
    (newest,) = own_procedures(kept)
    keep_procedure(kept, edited(newest, "readings.I", 4, source="s", mark="P"), who="custodian", why="one")
    with pytest.raises(NotAllowedError, match="at version 3 meanwhile"):
        keep_procedure(kept, edited(newest, "readings.I", 5, source="s", mark="P"), who="custodian", why="other")


@pytest.mark.parametrize(
    ("statement", "what"),
    [
        ("UPDATE procedures SET data = replace(data, 'value = 5', 'value = 1') WHERE version = 2", "figures"),
        ("UPDATE procedures SET why = 'x' WHERE version = 1", "why"),
        ("UPDATE procedures SET who = 'fitter 2' WHERE version = 1", "who"),
        ("UPDATE procedures SET at = '2020' WHERE version = 1", "when"),
        ("UPDATE procedures SET sequence = 1 WHERE version = 1", "entry"),
        ("UPDATE procedures SET version = 9 WHERE version = 2", ""),
        ("UPDATE procedures SET name = 'own-other' WHERE version = 2", ""),
        ("DELETE FROM procedures WHERE version = 1", "gone"),
        (
            "INSERT INTO procedures (name, version, data, who, at, why, sequence) "
            "SELECT name, 3, data, who, at, why, sequence FROM procedures WHERE version = 2",
            "not in the chain",
        ),
    ],
)
def test_a_row_that_is_not_what_the_chain_says_is_found_and_named(kept, statement, what):
    with contextlib.closing(unguarded(kept.path)) as raw:
        raw.execute(statement)
    findings = kept.check().findings
    assert findings
    assert all("procedure own-" in finding.subject for finding in findings)
    assert what in findings[0].detail


def test_own_procedures_come_along_with_an_export(kept, open_store, tmp_path):
    out = io.StringIO()
    head = exchange.to_json(kept, out)
    other = open_store(tmp_path / "other.sqlite")
    assert exchange.from_json(other, out.getvalue().encode()) == head
    assert versions(other, "own-ferry-tools") == versions(kept, "own-ferry-tools")
    assert other.check().holds


def test_keys_follow_from_the_name_and_are_never_taken_twice(kept):
    assert own_stem("Ferry tools, 5 readings") == "own-ferry-tools-5-readings"
    assert own_key(kept, "Ferry tools") == "own-ferry-tools-2"
    assert own_key(kept, "Größe") == "own-gr-sse"


def test_people_told_of_in_the_chain_come_along_too(store, open_store, tmp_path):
    store.save_person(Person("fitter 4", code="P4"), who="custodian")
    store.save_person(Person("fitter 4", code="P4", active=False))
    out = io.StringIO()
    exchange.to_json(store, out)
    other = open_store(tmp_path / "other.sqlite")
    exchange.from_json(other, out.getvalue().encode())
    assert other.person("fitter 4") == Person("fitter 4", code="P4", active=False)
    assert other.check().holds
