"""The file on disk: versions, places, other programs, other versions, damage, and what 'stored' means."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from benchapp.records import (
    NotAllowedError,
    Store,
    StoreDamagedError,
    StoreError,
    StoreFullError,
    StoreLockedError,
    StoreNewerError,
    StoreNotWritableError,
    _database,
    backup,
    schema,
)
from benchapp.records.migrations import STEPS, upgrade
from benchapp.records.packing import text_of
from benchapp.runs.model import RunState
from benchapp.torque import trace_codec

from .conftest import START, Clock, furnish, make_pull, make_run, make_trace, pull_all, sealed_run
from .faults import small_disk, unmount

DATA = Path(__file__).parents[1] / "data"
HEADS = {
    1: "7:c23a4a4c528d553b62056e9026fbd3c1c28ac71c5f714092e11ee7d00ec5e30e",
    2: "7:c23a4a4c528d553b62056e9026fbd3c1c28ac71c5f714092e11ee7d00ec5e30e",
    3: "7:ffeb705b11cfeef6cc192062ef598810b39b103ff8d60f52fe7e5e76b94c6909",
    4: "14:aaf53d00bb79d0d2b13d19570d754391195ba69339747973546ad256e6a1d3b8",
}
"""Newest seal of each file, as it was when the file was made."""


def contents(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir() if p.is_file()}


# --- versions


@pytest.mark.parametrize("version", range(1, schema.VERSION + 1))
def test_a_store_of_every_version_opens_with_its_seals_and_a_copy_is_kept(tmp_path, version):
    old = tmp_path / "records.sqlite"
    shutil.copy(DATA / f"store_v{version}.sqlite", old)
    with Store.open(old, demo=False, clock=Clock()) as store:
        assert store.head() == HEADS[version]
        assert store.check(against=HEADS[version]).findings == ()
        assert len(store.run("run-good").pulls) == 10
        assert store.summary("run-good").released_by == "fitter 3"
        assert store.summary("run-bad").voided == "wrong tool on the bench"
        assert store.trace("run-good", 5).unit == "N·m"
        run = store.open_run()
        assert run.run_id == "run-open"
        pull = make_pull(1, None, 40.0)
        store.store_pull(dataclasses.replace(run, pulls=(pull,)), pull, make_trace())
    copies = list(backup.folder_of(old).glob("before-upgrade-from-*.sqlite"))
    if version < schema.VERSION:
        (copy,) = copies
        raw = sqlite3.connect(copy)
        assert raw.execute("PRAGMA user_version").fetchone() == (version,)
        assert raw.execute("SELECT count(*) FROM runs").fetchone() == (3,)
        raw.close()
    else:
        assert not copies


def test_a_run_under_way_goes_on_after_the_store_was_brought_to_version_4(tmp_path):
    """Its pulls lay in the tables of what is sealed, one without a trace, one set aside after it was stored."""
    path = tmp_path / "records.sqlite"
    shutil.copy(DATA / "store_v3.sqlite", path)
    pulls = [make_pull(number, 0, 8.0) for number in (1, 2, 3)]
    pulls[0] = dataclasses.replace(pulls[0], set_aside="slipped", set_aside_by="fitter 2")
    trace = make_trace(200)
    blob = trace_codec.encode(trace)
    raw = sqlite3.connect(path)
    (key,) = raw.execute("SELECT key FROM runs WHERE run_id = 'run-open'").fetchone()
    for pull in pulls:
        raw.execute(
            "INSERT INTO pulls (run_key, number, kind, direction, data) VALUES (?, ?, 'reading', 'clockwise', ?)",
            (key, pull.number, text_of(pull)),
        )
        if pull.number != 2:
            values = (key, pull.number, len(trace), hashlib.sha256(blob).hexdigest(), blob)
            raw.execute("INSERT INTO traces (run_key, number, n_samples, sha256, blob) VALUES (?,?,?,?,?)", values)
    raw.commit()
    sealed = raw.execute("SELECT * FROM traces WHERE run_key <> ? ORDER BY run_key, number", (key,)).fetchall()
    raw.close()
    with Store.open(path, demo=False, clock=Clock()) as store:
        run = store.open_run()
        assert run.pulls == tuple(pulls)
        assert [store.trace_bytes("run-open", pull.number) for pull in pulls] == [blob, None, blob]
        for number in (4, 5):
            pull = make_pull(number, 0, 8.0)
            run = dataclasses.replace(run, pulls=(*run.pulls, pull), choice_index=number)
            store.store_pull(run, pull, trace)
            assert store.run("run-open") == run
        assert store._db.raw.execute("SELECT * FROM traces ORDER BY run_key, number").fetchall() == sealed
        store.seal(dataclasses.replace(run, state=RunState.LEFT, left_reason="tried"))
        assert [each.what for each in store.check().findings] == ["clock"]  # this test's clock is behind the file's
        assert [store.trace_bytes("run-open", number) for number in range(1, 6)] == [blob, None, blob, blob, blob]


def test_migrations_lead_to_the_schema_of_today(tmp_path):
    engine = _database._engine(tmp_path / "new.sqlite", writes=True)
    with engine.connect() as connection:
        assert upgrade(connection) == list(range(1, len(STEPS) + 1))
        assert len(STEPS) == schema.VERSION
        assert compare_metadata(MigrationContext.configure(connection), schema.metadata) == []
        connection.rollback()
    engine.dispose()


def test_a_step_that_fails_leaves_the_version_before(tmp_path, monkeypatch):
    old = tmp_path / "records.sqlite"
    shutil.copy(DATA / "store_v1.sqlite", old)

    whole_step = STEPS[1].upgrade

    def failing(op: object) -> None:
        whole_step(op)
        raise StoreError(old, "the power went")

    monkeypatch.setattr(STEPS[1], "upgrade", failing)
    with pytest.raises(StoreError, match="power"):
        Store.open(old, demo=False)
    raw = sqlite3.connect(old)
    assert raw.execute("PRAGMA user_version").fetchone() == (1,)
    assert raw.execute("SELECT count(*) FROM sqlite_master WHERE name = 'jobs'").fetchone() == (0,)
    raw.close()
    monkeypatch.undo()
    with Store.open(old, demo=False) as store:
        assert store.check().holds


@pytest.mark.parametrize("in_wal", [False, True])
def test_a_newer_file_is_refused_untouched(tmp_path, in_wal):
    path = tmp_path / "records.sqlite"
    Store.open(path, demo=False, clock=Clock()).close()
    raw = sqlite3.connect(path, isolation_level=None)
    raw.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    if in_wal:  # the newer program was killed: its version number stands in the WAL only
        shutil.copy(path, tmp_path / "killed.sqlite")
        shutil.copy(f"{path}-wal", tmp_path / "killed.sqlite-wal")
        raw.close()
        path = tmp_path / "killed.sqlite"
        assert _database.version_of(path) == schema.VERSION
    else:
        raw.close()
    before = {name: digest for name, digest in contents(tmp_path).items() if not name.endswith("-shm")}
    with pytest.raises(StoreNewerError, match=f"version {schema.VERSION + 1}, this program knows up to") as caught:
        Store.open(path, demo=False)
    assert (caught.value.found, caught.value.known) == (schema.VERSION + 1, schema.VERSION)
    after = {name: digest for name, digest in contents(tmp_path).items() if not name.endswith("-shm")}
    assert after == before


# --- places


def test_a_path_with_spaces_and_umlauts_works(tmp_path):
    path = tmp_path / "Prüfstand Fähre 1" / "Belege & Ähnliches?#%41.sqlite"
    with Store.open(path, demo=False, clock=Clock()) as store:
        furnish(store)
        sealed_run(store)
        assert store.check().holds
        backup.make(path, now=START)
    with Store.open(path, demo=False) as store:
        assert len(store.runs()) == 1
    assert backup.newest_good(path) is not None


def test_a_folder_that_cannot_be_made_or_written_is_told(tmp_path):
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(StoreNotWritableError, match="write permission") as caught:
        Store.open(tmp_path / "file" / "records.sqlite", demo=False)
    assert caught.value.path == tmp_path / "file" / "records.sqlite"
    with pytest.raises(StoreNotWritableError):
        Store.open(tmp_path, demo=False)  # a folder where a file belongs


def read_only(folder: Path) -> str:
    """Make everything in `folder` read-only for us; returns how, "" when this machine cannot."""
    if os.geteuid() != 0:
        for item in (*folder.iterdir(), folder):
            item.chmod(item.stat().st_mode & ~0o222)
        return "mode"
    if shutil.which("mount") and subprocess.run(["mount", "--bind", folder, folder], check=False).returncode == 0:
        if subprocess.run(["mount", "-o", "remount,ro,bind", folder], check=False).returncode == 0:
            return "mount"
        subprocess.run(["umount", folder], check=True)
    return ""


def test_a_read_only_store_is_told_and_left_alone(tmp_path):
    folder = tmp_path / "shared"
    path = folder / "records.sqlite"
    with Store.open(path, demo=False, clock=Clock()) as store:
        furnish(store)
    before = contents(folder)
    how = read_only(folder)
    print(f"read-only by: {how or 'nothing; root without leave to mount, so only the error itself is checked'}")
    try:
        if how:
            with pytest.raises(StoreNotWritableError, match="Nothing was changed"):
                Store.open(path, demo=False)
            assert contents(folder) == before
        else:
            error = sqlite3.OperationalError("attempt to write a readonly database")
            error.sqlite_errorcode = sqlite3.SQLITE_READONLY
            with Store.open(path, demo=False) as store:
                assert isinstance(store._db.error_of(error), StoreNotWritableError)
    finally:
        if how == "mount":
            subprocess.run(["umount", folder], check=True)
        elif how:
            folder.chmod(0o755)


def test_a_locked_store_is_told_and_goes_on_afterwards(store, path, monkeypatch):
    run = make_run()
    store.begin_run(run)
    store._db.raw.execute("PRAGMA busy_timeout = 50")
    raw = sqlite3.connect(path, isolation_level=None)
    raw.execute("BEGIN IMMEDIATE")
    pull = make_pull(1, None, 40.0)
    after = dataclasses.replace(run, pulls=(pull,))
    with pytest.raises(StoreLockedError, match="locked by another program"):
        store.store_pull(after, pull, make_trace())
    assert store.run("run-1") == run  # reading goes on meanwhile
    raw.execute("ROLLBACK")
    raw.close()
    store.store_pull(after, pull, make_trace())
    assert store.run("run-1") == after


def test_a_file_of_something_else_is_refused_untouched(tmp_path):
    other = tmp_path / "other.sqlite"
    raw = sqlite3.connect(other)
    raw.execute("CREATE TABLE t (x)")
    raw.execute("PRAGMA user_version = 5")
    raw.close()
    text = tmp_path / "text.sqlite"
    text.write_text("not a database " * 100)
    before = contents(tmp_path)
    with pytest.raises(StoreDamagedError, match="another program"):
        Store.open(other, demo=False)
    with pytest.raises(StoreDamagedError, match="does not begin like a database"):
        Store.open(text, demo=False)
    assert contents(tmp_path) == before


def test_a_closed_store_says_so(store):
    store.close()
    store.close()
    with pytest.raises(StoreError, match="closed"):
        store.runs()


# --- damage and backup


def damage(path: Path) -> None:
    """Overwrite a page in the middle, as a failing disk would."""
    data = bytearray(path.read_bytes())
    for page in range(len(data) // 4096 // 3, 2 * len(data) // 4096 // 3):
        data[page * 4096 : page * 4096 + 200] = b"\xa5" * 200
    path.write_bytes(data)


def test_damage_is_noticed_at_start_and_the_newest_good_backup_offered(store, path):
    sealed_run(store)
    head = store.head()
    good = backup.make(path, now=START)
    sealed_run(store, "run-2")
    store.close()
    bad = backup.folder_of(path) / "auto-29990101T000000.sqlite"
    shutil.copy(path, bad)
    damage(path)
    damage(bad)
    before = path.read_bytes()
    with pytest.raises(StoreDamagedError) as caught:
        Store.open(path, demo=False)
    assert caught.value.newest_backup == good
    assert str(good) in str(caught.value)
    assert path.read_bytes() == before
    with pytest.raises(StoreDamagedError):
        backup.restore(bad, path, now=START)
    assert path.read_bytes() == before
    kept = backup.restore(good, path, now=START)
    assert kept.read_bytes() == before
    with Store.open(path, demo=False) as again:
        assert again.check(against=head).holds
        assert again.run("run-1") is not None


def test_a_backup_is_whole_while_another_window_writes(store, path):
    pull_all(store, make_run())
    copy = backup.make(path, now=START)
    assert backup.problem_of(copy) == ""
    with Store.open(copy, demo=False) as other:
        assert len(other.run("run-1").pulls) == 10


def test_a_store_in_use_is_not_replaced(store, path):
    copy = backup.make(path, now=START)
    with pytest.raises(NotAllowedError, match="in use"):
        backup.restore(copy, path, now=START)
    assert store.tool("OCF-014") is not None


def test_only_so_many_automatic_backups_are_kept(store, path):
    for minute in range(backup.KEPT + 3):
        backup.make(path, now=START + dt.timedelta(minutes=minute))
    names = sorted(copy.name for copy in backup.folder_of(path).iterdir())
    assert len(names) == backup.KEPT
    assert names[0] == f"auto-{START + dt.timedelta(minutes=3):%Y%m%dT%H%M%S}.sqlite"


# --- room for the log


def pull_many(store: Store, path: Path, n: int = 60) -> set[int]:
    """Store n pulls; returns the lengths that the log had meanwhile."""
    run = make_run()
    store.begin_run(run)
    lengths = set()
    for number in range(1, n + 1):
        pull = make_pull(number, 0, 8.0)
        run = dataclasses.replace(run, pulls=(*run.pulls, pull))
        store.store_pull(run, pull, make_trace(1500, seed=number))
        lengths.add(Path(f"{path}-wal").stat().st_size)
    assert store.run("run-1") == run
    return lengths


def test_who_is_about_to_write_runs_has_room_in_the_log_so_that_it_does_not_grow(store, path):
    sealed_run(store, "run-0")
    head, asked = store.head(), ("SELECT count(*) FROM sqlite_master", "PRAGMA cache_size")
    before = [store._db.raw.execute(each).fetchone() for each in asked]
    assert store.open_run() is None
    (length,) = pull_many(store, path)
    assert length >= _database.LOG_ROOM_BYTES
    assert [store._db.raw.execute(each).fetchone() for each in asked] == before
    assert store.check(against=head).holds
    store.close()
    assert backup.problem_of(path) == ""
    assert path.stat().st_size < _database.LOG_ROOM_BYTES  # nothing of it came into the file
    with Store.open(path, demo=False) as again:
        assert len(again.run("run-1").pulls) == 60


def test_no_room_is_taken_where_space_is_short(store, path, monkeypatch):
    monkeypatch.setattr(_database, "_free_bytes", lambda _: _database._LEAST_FREE_BYTES - 1)
    store.open_run()
    assert len(pull_many(store, path)) > 1


def test_a_store_that_may_not_take_room_works_without(store, path):
    store._db.raw.execute("PRAGMA max_page_count = 600")
    assert store.open_run() is None
    pull_many(store, path)
    assert store.check().holds


def test_room_is_not_taken_while_another_program_writes(store, path):
    store._db.raw.execute("PRAGMA busy_timeout = 50")
    raw = sqlite3.connect(path, isolation_level=None)
    raw.execute("BEGIN IMMEDIATE")
    assert store.open_run() is None
    raw.execute("ROLLBACK")
    raw.close()
    pull_many(store, path, 5)


# --- what "stored" means

CHILD = """
import os, sys
sys.path.insert(0, {tests!r})
from conftest import *
store = Store.open({path!r}, demo=False)
furnish(store)
run = make_run()
store.begin_run(run)
for number in range(1, 6):
    pull = make_pull(number, 0, 8.0)
    trace = make_trace(300, seed=number)
    run = dataclasses.replace(run, pulls=(*run.pulls, pull))
    os.write(1, b"storing %d\\n" % number)
    store.store_pull(run, pull, trace)
    os.write(1, b"stored %d\\n" % number)
"""


@pytest.mark.skipif(shutil.which("strace") is None, reason="no strace here: the order of sync and answer is not shown")
def test_sync_of_the_log_has_returned_before_a_pull_is_called_stored(tmp_path):
    path = tmp_path / "records.sqlite"
    log = tmp_path / "trace.txt"
    command = ["strace", "-f", "-y", "-s", "40", "-e", "trace=write,pwrite64,fdatasync,fsync", "-o", str(log)]
    code = CHILD.format(path=str(path), tests=str(Path(__file__).parent))
    done = subprocess.run([*command, sys.executable, "-c", code], capture_output=True, text=True, check=False)
    if done.returncode and "ptrace" in done.stderr:
        pytest.skip("strace may not trace here: the order of sync and answer is not shown")
    assert done.returncode == 0, done.stderr
    lines = log.read_text(errors="replace").splitlines()
    n_shown = 0
    start = 0
    for index, line in enumerate(lines):
        if '"storing ' in line:
            start = index
        elif '"stored ' in line:
            stretch = lines[start:index]
            writes = [i for i, each in enumerate(stretch) if "pwrite64" in each and "records.sqlite-wal>" in each]
            syncs = [
                i
                for i, each in enumerate(stretch)
                if re.search(r"f(data)?sync\(\d+<[^>]*records\.sqlite-wal>\)\s*= 0", each)
            ]
            assert writes, "nothing was written to the log"
            assert syncs, "the log was not synced"
            assert syncs[-1] > writes[-1], "something was written after the last sync"
            n_shown += 1
    assert n_shown == 5


def test_wal_full_and_foreign_keys_are_in_force_on_every_connection(store):
    assert store._db.raw.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert store._db.raw.execute("PRAGMA synchronous").fetchone() == (2,)
    assert store._db.raw.execute("PRAGMA foreign_keys").fetchone() == (1,)
    with store._db.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar_one() == 1
        with pytest.raises(sa.exc.OperationalError, match="readonly"):
            connection.exec_driver_sql("DELETE FROM people")


def test_an_empty_file_where_copies_are_is_damaged_and_the_newest_is_offered(path):
    with Store.open(path, demo=False, clock=Clock()) as store:
        furnish(store)
        copy = backup.make(path, now=START)
        head = store.head()
    path.write_bytes(b"")
    with pytest.raises(StoreDamagedError, match="the file is empty") as error:
        Store.open(path, demo=False)
    assert error.value.newest_backup == copy
    assert path.read_bytes() == b""
    backup.restore(copy, path, now=START, kind="live")
    with Store.open(path, demo=False) as store:
        assert store.head() == head


def test_an_empty_file_without_copies_is_a_first_start_that_was_broken_off(path):
    path.write_bytes(b"")
    with Store.open(path, demo=False) as store:
        assert store.check().holds


@pytest.mark.parametrize("room_kb", [-40, 8, 16, 24])  # full while it is copied, or while SQLite sets it right
def test_a_copy_that_meets_a_full_disk_leaves_nothing(tmp_path, room_kb):
    disk = tmp_path / "disk"
    disk.mkdir()
    path = tmp_path / "records.sqlite"
    with Store.open(path, demo=False, clock=Clock()) as store:
        furnish(store)
        sealed_run(store)
    size_kb = backup.make(path, now=START).stat().st_size // 1024
    if not small_disk(disk, size_kb + room_kb):
        pytest.skip("no leave to mount a small tmpfs")
    try:
        with pytest.raises(StoreFullError):
            backup.make(path, now=START, target=disk / "copy.sqlite")
        assert list(disk.iterdir()) == []
    finally:
        unmount(disk)


def test_a_restore_that_is_broken_off_at_the_last_moment_leaves_the_store_under_its_name(path, monkeypatch):
    with Store.open(path, demo=False, clock=Clock()) as store:
        furnish(store)
        copy = backup.make(path, now=START)
        sealed_run(store)
        head = store.head()

    def plug_pulled(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "replace", plug_pulled)
    fresh = path.with_name("ready.sqlite")
    shutil.copy(copy, fresh)
    with pytest.raises(KeyboardInterrupt):
        backup.put_in_place(fresh, path, now=START)
    monkeypatch.undo()
    with Store.open(path, demo=False) as store:
        assert store.check(against=head).holds
        assert store.head() == head
