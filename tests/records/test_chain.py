"""Seals: what was sealed cannot change unseen, and the check names what does not hold."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
import random
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import rfc8785

from benchapp.records import JobEntry, NotAllowedError, Store, StoreError, custodian, schema
from benchapp.records import chain as chain_module
from benchapp.runs.model import Run, RunState

from .conftest import START, Clock, furnish, make_calibration, make_run, make_tool, pull_all, sealed_run


@pytest.fixture
def evidence(store: Store) -> Store:
    """Three sealed runs (one out, one left), a release, a remark, a void, uses, a passphrase, a second calibration."""
    sealed_run(store, "run-1")
    sealed_run(store, "run-2", off_percent=6.0)
    left = make_run("run-3")
    store.begin_run(left)
    store.seal(dataclasses.replace(left, state=RunState.LEFT, left_reason="the drive was worn"))
    store.release("run-1", who="fitter 3")
    store.add_remark("run-2", "repeated after cleaning", who="fitter 2")
    store.void("run-3", "wrong tool", who="custodian")
    for n in range(2):
        store.log_job(JobEntry("OCF-014", f"wheel {n}", "fitter 2", f"2026-03-0{n + 1}T08:00:00+01:00", 12, 24.5))
    custodian.set_passphrase(store, "right and long", who="custodian")
    store.add_calibration("REF-1", make_calibration("C-2"), who="custodian")
    return store


def unguarded(path: Path) -> sqlite3.Connection:
    """What someone has who can write the file and has thrown our triggers away."""
    raw = sqlite3.connect(path, isolation_level=None)
    for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {name}")
    return raw


def test_everything_holds_and_the_head_is_the_newest_seal(evidence):
    result = evidence.check(against=evidence.head())
    assert result.findings == ()
    assert result.holds
    assert result.head == evidence.head()
    assert (result.n_entries, result.n_traces) == (19, 20)  # six tell what `furnish` enters
    assert result.n_bytes > 20_000


def test_a_seal_is_sha256_of_rfc8785_bytes_and_names_the_one_before(evidence, path):
    raw = sqlite3.connect(path)
    previous = "0" * 64
    for sequence, digest, body in raw.execute("SELECT sequence, digest, body FROM entries ORDER BY sequence"):
        data = json.loads(body)
        assert rfc8785.dumps(data) == body
        assert hashlib.sha256(body).hexdigest() == digest
        assert (data["sequence"], data["previous"]) == (sequence, previous)
        previous = digest
    blob = raw.execute("SELECT blob FROM traces WHERE run_key = 1 AND number = 4").fetchone()[0]
    run = json.loads(raw.execute("SELECT body FROM entries WHERE subject = 'run-1' AND kind = 'run'").fetchone()[0])
    assert run["content"]["traces"]["4"]["sha256"] == hashlib.sha256(blob).hexdigest()
    raw.close()


@pytest.mark.parametrize(
    "text", ["fitter 2", 'a "],"run":{" b', "x}},", '}},"run":{', '","traces":{"1":{}},"', "\\", "Zoë\n"]
)
def test_what_is_taken_from_a_sealed_run_for_comparison_is_what_the_whole_says(store, path, text):
    run = make_run("run-1", operator=text, tool=make_tool(maker=text))
    run = dataclasses.replace(pull_all(store, run, n_samples=50), state=RunState.LEFT, left_reason=text)
    store.seal(run, judgement={"text": text, "traces": {"run": [{"columns": text}]}}, selftest={"traces": {"run": {}}})
    store.seal(begun(store, "run-2"))  # without pulls and traces
    raw = sqlite3.connect(path)
    bodies = [body for (body,) in raw.execute("SELECT body FROM entries WHERE kind = 'run' ORDER BY sequence")]
    raw.close()
    assert len(bodies) == 2
    n_short = 0
    for body in bodies:
        part, whole = chain_module._compared_part(body), json.loads(body)
        if part is None:  # then the whole is read
            continue
        n_short += 1
        assert part["content"]["columns"] == whole["content"]["columns"]
        assert part["content"]["traces"] == whole["content"]["traces"]
        assert {k: v for k, v in part.items() if k != "content"} == {k: v for k, v in whole.items() if k != "content"}
    assert n_short == (1 if text == "x}}," else 2)
    assert store.check().holds


def begun(store: Store, run_id: str) -> Run:
    run = make_run(run_id)
    store.begin_run(run)
    return dataclasses.replace(run, state=RunState.LEFT, left_reason="the drive was worn")


@pytest.mark.parametrize("body", [b"{}", b'{"content":{"columns":{', b'{"content":{"columns":{"pulls":[],"run":{}},"'])
def test_bytes_of_another_form_are_read_whole(body):
    assert chain_module._compared_part(body) is None


def test_the_triggers_stop_our_own_mistakes(evidence, path):
    raw = sqlite3.connect(path, isolation_level=None)
    for statement in (
        "UPDATE entries SET who = 'x'",
        "DELETE FROM entries",
        "UPDATE calibrations SET due = 'x'",
        "UPDATE pulls SET band = 'IN'",
        "DELETE FROM traces",
    ):
        with pytest.raises(sqlite3.IntegrityError):
            raw.execute(statement)
    raw.close()


# --- one byte


KEYED = ("runs", "calibrations", "tasks", "check_standard")
KEYS = {"entries": "sequence", "pulls": "run_key * 1000 + number", "traces": "run_key * 1000 + number"}
KEYS |= {"tools": "rowid", "refs": "rowid", "people": "rowid", "jobs": "key", "custodian": "key"}
NO_EVIDENCE = {("custodian", "n_failed"), ("custodian", "failed_s")}
"""How often a wrong passphrase was typed is counted, and no record."""


def key_of(table: str) -> str:
    return KEYS.get(table, "key")


def stored_values(raw: sqlite3.Connection) -> Iterator[tuple[str, str, int, object]]:
    """(table, column, rowid or key expression, value) of every stored or shown value of something sealed."""
    for table in (*KEYED, *KEYS):
        names = [row[1] for row in raw.execute(f"PRAGMA table_info({table})")]
        for row in raw.execute(f"SELECT {key_of(table)}, {', '.join(names)} FROM {table}"):
            for name, value in zip(names, row[1:], strict=True):
                is_row_key = name == "key" and table in KEYED  # shown nowhere
                if value is not None and not is_row_key and (table, name) not in NO_EVIDENCE:
                    yield table, name, row[0], value


def flipped(value: object, rng: random.Random) -> object:
    """The value with one bit of one byte turned; numbers as SQLite stores them."""
    if isinstance(value, float):
        value = value.hex()  # turn the text of the double, then read it back
        return float.fromhex(value[:-1] + ("1" if value[-1] != "1" else "2")) if "p" not in value[-2:] else 1.5
    if isinstance(value, int):
        return value ^ (1 << rng.randrange(8))
    data = bytearray(value if isinstance(value, bytes) else value.encode())
    if not data:
        return "x"
    index = rng.randrange(len(data))
    data[index] ^= 1 << rng.randrange(8)
    return bytes(data)


def flip_one(path: Path, rng: random.Random) -> str:
    """Turn one byte of one random value; returns where."""
    raw = unguarded(path)
    raw.execute("PRAGMA foreign_keys = OFF")
    values = list(stored_values(raw))
    while True:
        table, name, key, value = rng.choice(values)
        new = flipped(value, rng)
        where = key_of(table)
        is_text = isinstance(value, str)
        try:
            if is_text and isinstance(new, bytes):
                raw.execute(f"UPDATE {table} SET {name} = CAST(? AS TEXT) WHERE {where} = ?", (new, key))
            else:
                raw.execute(f"UPDATE {table} SET {name} = ? WHERE {where} = ?", (new, key))
        except sqlite3.IntegrityError:
            continue  # such a row cannot stand in the file (a key that is there already)
        break
    raw.close()
    return f"{table}.{name} of {key}: {str(value)[:40]!r} -> {str(new)[:40]!r}"


def check_flips(source: Path, folder: Path, n: int, seed: int) -> None:
    rng = random.Random(seed)
    for index in range(n):
        path = folder / f"flip-{index}.sqlite"
        path.write_bytes(source.read_bytes())
        what = flip_one(path, rng)
        with Store.open(path, demo=False) as store:
            result = store.check()
            assert not result.holds, f"seed {seed}, flip {index} was not found: {what}"
            assert all(finding.detail for finding in result.findings)
        for left in folder.glob(f"flip-{index}.sqlite*"):
            left.unlink()


def test_one_byte_turned_in_any_stored_value_is_found(evidence, path, tmp_path):
    evidence.close()
    check_flips(path, tmp_path, 50, seed=20260304)


def test_every_column_of_every_table_is_covered(evidence, path, tmp_path):
    """One value of every column, so that none is left to the luck of the draw."""
    evidence.close()
    raw = sqlite3.connect(path)
    first: dict[tuple[str, str], tuple[int, object]] = {}
    for table, name, key, value in stored_values(raw):
        first.setdefault((table, name), (key, value))
    raw.close()
    assert len(first) > 80
    unseen = []
    for (table, name), (key, value) in first.items():
        copy = tmp_path / "copy.sqlite"
        copy.write_bytes(path.read_bytes())
        raw = unguarded(copy)
        raw.execute("PRAGMA foreign_keys = OFF")
        new = flipped(value, random.Random(1))
        where = key_of(table)
        try:
            raw.execute(f"UPDATE {table} SET {name} = ? WHERE {where} = ?", (new, key))
        except sqlite3.IntegrityError:
            raw.execute(f"UPDATE {table} SET {name} = ? WHERE {where} = ?", (99, key))
        raw.close()
        with Store.open(copy, demo=False) as store:
            if store.check().holds:
                unseen.append(f"{table}.{name}")
        for left in tmp_path.glob("copy.sqlite*"):
            left.unlink()
    assert unseen == []


# --- more than a byte


def doctored(evidence: Store, path: Path, *statements: str) -> Store:
    evidence.close()
    raw = unguarded(path)
    raw.execute("PRAGMA foreign_keys = OFF")
    for statement in statements:
        raw.execute(statement)
    raw.close()
    return Store.open(path, demo=False)


@pytest.mark.parametrize(
    ("statement", "what", "subject"),
    [
        ("DELETE FROM traces WHERE run_key = 1 AND number = 3", "trace", "run-1"),
        ("INSERT INTO traces SELECT 3, 1, n_samples, sha256, blob FROM traces LIMIT 1", "trace", "run-3"),
        ("DELETE FROM pulls WHERE run_key = 1 AND number = 3", "missing", "run-1"),
        (f"INSERT INTO captured (key, data) VALUES ({1 << schema.CAPTURED_BITS | 3}, '{{}}')", "column", "run-1"),
        ("DELETE FROM runs WHERE run_id = 'run-2'", "missing", "run-2"),
        ("UPDATE runs SET outcome = 'within' WHERE run_id = 'run-2'", "column", "run-2"),
        ("UPDATE runs SET released_by = 'fitter 9' WHERE run_id = 'run-2'", "column", "run-2"),
        ("UPDATE runs SET voided = '' WHERE run_id = 'run-3'", "column", "run-3"),
        ("DELETE FROM entries WHERE sequence = 5", "order", ""),
        ("UPDATE calibrations SET due = '2031-01-01' WHERE certificate = 'C-2'", "column", "REF-1"),
        ("DELETE FROM calibrations WHERE certificate = 'C-2'", "missing", "REF-1"),
        ("UPDATE tools SET state = 'in-service'", "column", "OCF-014"),
        (
            "INSERT INTO runs (run_id, tool, reference, operator, source, procedure, started, state, seal, sequence) "
            "VALUES ('forged', 'OCF-014', 'REF-1', 'fitter 2', 'live', 'p', '2026', 'sealed', 'abc', 99)",
            "missing",
            "forged",
        ),
    ],
)
def test_what_was_taken_away_or_put_in_is_named(evidence, path, statement, what, subject):
    with doctored(evidence, path, statement) as store:
        findings = store.check().findings
        assert any(finding.what == what and finding.subject.startswith(subject) for finding in findings), findings


def test_entries_out_of_order_are_found(evidence, path):
    swap = (
        "UPDATE entries SET sequence = -1 WHERE sequence = 4",
        "UPDATE entries SET sequence = 4 WHERE sequence = 6",
        "UPDATE entries SET sequence = 6 WHERE sequence = -1",
    )
    with doctored(evidence, path, *swap) as store:
        assert {finding.sequence for finding in store.check().findings if finding.what in ("link", "column")} >= {4, 6}


def test_a_cut_off_end_is_found_only_with_the_head_kept_elsewhere(evidence, path):
    head = evidence.head()
    with doctored(
        evidence,
        path,
        "DELETE FROM calibrations WHERE sequence = 19",
        "DELETE FROM entries WHERE sequence = 19",
    ) as store:
        assert store.check().holds  # said plainly: a chain alone does not show this
        (finding,) = store.check(against=head).findings
        assert finding.what == "head"
        assert "the chain ends at 18" in finding.detail
        assert store.check(against=head.partition(":")[2]).findings[0].what == "head"


def rebuild(path: Path, change: Callable[[dict], None]) -> None:
    """Change a record and compute the whole chain anew, as someone can who writes the file."""
    raw = unguarded(path)
    previous = "0" * 64
    for sequence, body in raw.execute("SELECT sequence, body FROM entries ORDER BY sequence").fetchall():
        data = json.loads(body)
        change(data)
        data["previous"] = previous
        body = rfc8785.dumps(data)
        digest = hashlib.sha256(body).hexdigest()
        raw.execute(
            "UPDATE entries SET body = ?, digest = ?, previous = ?, who = ? WHERE sequence = ?",
            (body, digest, previous, data["who"], sequence),
        )
        raw.execute("UPDATE runs SET seal = ? WHERE sequence = ?", (digest, sequence))
        previous = digest
    raw.close()


def test_a_rebuilt_chain_is_found_with_any_head_kept_elsewhere(evidence, path):
    heads = [evidence.head()]
    raw = sqlite3.connect(path)
    heads += [f"{s}:{d}" for s, d in raw.execute("SELECT sequence, digest FROM entries WHERE sequence > 5")]
    raw.close()
    evidence.close()

    def change(data: dict) -> None:
        if data["sequence"] == 5:
            data["who"] = "somebody else"

    rebuild(path, change)
    with Store.open(path, demo=False) as store:
        assert store.check().holds
        for head in heads:
            assert [finding.what for finding in store.check(against=head).findings] == ["head"], head


@pytest.mark.parametrize("head", ["nonsense", "3:abc", "x:" + "0" * 64, "0" * 63])
def test_a_head_that_is_none_is_refused(evidence, head):
    with pytest.raises(ValueError, match="is no head"):
        evidence.check(against=head)


# --- the clock


def test_a_clock_set_back_a_year_loses_nothing_is_found_and_can_be_explained(store, clock):
    sealed_run(store, "run-1")
    clock.now -= dt.timedelta(days=365)
    sealed_run(store, "run-2")
    assert store.run("run-2") is not None
    (finding,) = store.check().findings
    assert finding.what == "clock"
    assert finding.subject == "run-2"
    assert "the clock went back" in finding.detail
    with pytest.raises(NotAllowedError):
        store.explain_clock(finding.sequence, "battery of the bench computer", who="fitter 2")
    store.explain_clock(finding.sequence, "battery of the bench computer", who="custodian")
    result = store.check()
    assert result.holds
    assert [each.sequence for each in result.explained] == [finding.sequence]


def test_a_time_server_that_sets_the_clock_back_a_moment_is_no_finding(store, clock):
    sealed_run(store, "run-1")
    clock.now -= dt.timedelta(seconds=chain_module.CLOCK_SLACK_S)
    sealed_run(store, "run-2")
    assert store.check().holds


# --- two programs


def test_two_windows_that_seal_at_once_make_one_chain(store, open_store):
    from concurrent.futures import ThreadPoolExecutor

    others = [open_store() for _ in range(3)]

    def work(index: int) -> None:
        for n in range(5):
            run = pull_all(others[index], make_run(f"run-{index}-{n}"), n_samples=50)
            others[index].seal(run)

    with ThreadPoolExecutor(3) as pool:
        list(pool.map(work, range(3)))
    result = store.check()
    assert result.findings == ()
    assert len(store.runs(limit=100)) == 15


def test_a_flip_in_the_file_itself_is_found_or_changes_nothing(tmp_path):
    """Bytes that hold no value (free space in a page) may turn; then everything stored reads back the same."""
    path = tmp_path / "records.sqlite"
    with Store.open(path, demo=False, clock=Clock(START)) as store:
        furnish(store)
        # so many samples that most of the file is what was stored, and not the empty pages of a new file
        store.seal(pull_all(store, make_run(tool=make_tool()), n_samples=20_000))
        kinds = ("entries", "runs", "pulls", "traces", "calibrations", "people", "tools", "refs", "meta")
    original = path.read_bytes()
    raw = sqlite3.connect(path)
    values = {kind: raw.execute(f"SELECT * FROM {kind}").fetchall() for kind in kinds}
    raw.close()
    rng = random.Random(4)
    copy = tmp_path / "copy.sqlite"
    n_found = 0
    for _ in range(50):
        data = bytearray(original)
        index = rng.randrange(100, len(data))
        data[index] ^= 1 << rng.randrange(8)
        copy.write_bytes(data)
        try:
            with Store.open(copy, demo=False) as store:
                found = not store.check().holds
        except StoreError:
            found = True
        n_found += found
        if not found:
            raw = sqlite3.connect(copy)
            raw.text_factory = lambda text: text.decode("utf-8", "replace")  # the turned byte may lie in working data
            now = {kind: raw.execute(f"SELECT * FROM {kind}").fetchall() for kind in kinds}
            raw.close()
            sealed = ("entries", "runs", "pulls", "traces", "calibrations")
            assert {k: now[k] for k in sealed} == {k: values[k] for k in sealed}, index
        for left in tmp_path.glob("copy.sqlite*"):
            left.unlink()
    assert n_found > 10
