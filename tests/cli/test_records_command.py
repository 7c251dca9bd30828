"""`kilter records`: copies and what is put back, and for every wrong request one line that says what to do."""

from __future__ import annotations

import datetime as dt
import importlib.util
import json
import os
import sqlite3
import sys
from pathlib import Path

import pytest

from benchapp.cli.main import main
from benchapp.records import Store, backup, demo, schema

SPEC = importlib.util.spec_from_file_location("records_samples", Path(__file__).parents[1] / "records" / "conftest.py")
samples = importlib.util.module_from_spec(SPEC)
sys.modules["records_samples"] = samples
SPEC.loader.exec_module(samples)


@pytest.fixture(scope="module")
def one_run(tmp_path_factory) -> bytes:
    path = tmp_path_factory.mktemp("one") / "records.sqlite"
    with Store.open(path, demo=False, clock=samples.Clock()) as store:
        samples.furnish(store)
        samples.sealed_run(store, "run-0")
    return path.read_bytes()


@pytest.fixture
def path(one_run, tmp_path):
    """Live records with one sealed run, on a path with a space and umlauts."""
    path = tmp_path / "Prüf stelle" / "records.sqlite"
    path.parent.mkdir()
    path.write_bytes(one_run)
    return path


def run(capsys, *arguments) -> tuple[int, str, str]:
    capsys.readouterr()
    try:
        status = main(["records", *map(str, arguments)])
    except SystemExit as left:
        status = int(left.code or 0)
    out, err = capsys.readouterr()
    return status, out, err


def test_a_copy_is_made_listed_and_put_back(path, capsys, tmp_path):
    status, out, _ = run(capsys, "--store", path, "backup")
    assert status == 0
    assert "9 entries" in out
    (copy,) = [each.path for each in backup.copies(path)]
    assert copy.name.startswith("by-hand-")
    with Store.open(path, demo=False) as store:
        head = store.head()
        store.add_remark("run-0", "after the copy", who="fitter 2")
    status, out, _ = run(capsys, "--store", path, "backup", "--list", "--json")
    told = json.loads(out)
    assert (status, told["copy"], told["entries"]) == (0, str(copy), 9)
    assert told["bytes"] == copy.stat().st_size
    status, out, _ = run(capsys, "--store", path, "restore", copy)
    assert status == 0
    (kept,) = [each for each in path.parent.glob("records.sqlite.replaced-*") if each.suffix not in ("-wal", "-shm")]
    assert str(kept) in out
    with Store.open(path, demo=False) as store:
        assert store.check(against=head).holds
        acts = [json.loads(each.body)["content"] for each in store.entries("")]
        assert acts[-1] == {"act": "records put back from a copy", "details": {"copy": copy.name}}
    with Store.open(kept, demo=False) as store:
        assert store.check().n_entries == 10  # what came after the copy is in the file that was kept


def test_the_days_copy_is_made_once(path, capsys):
    status, out, _ = run(capsys, "--store", path, "backup", "--daily", "--json")
    first = json.loads(out)["copy"]
    assert (status, Path(first).name[:5]) == (0, "auto-")
    assert json.loads(run(capsys, "--store", path, "backup", "--daily", "--json")[1]) == {"copy": None}
    assert run(capsys, "--store", path, "backup", "--daily")[1] == "Today has a good copy already.\n"


def test_a_copy_goes_where_it_is_wanted(path, capsys, tmp_path):
    target = tmp_path / "stick" / "copy.sqlite"
    assert run(capsys, "--store", path, "backup", "-o", target)[0] == 0
    assert backup.problem_of(target) == ""


def test_the_demonstration_workshop_is_made_whole_or_not_at_all(tmp_path, capsys, monkeypatch):
    path, made = tmp_path / "demo.sqlite", demo.make
    left = path.with_name("demo.sqlite.making-7")
    left.write_bytes(b"left by one that was ended half-way")
    os.utime(left, (1.7e9, 1.7e9))

    def make(path, today):
        made(path, today=today, years=0)
        path.with_name(f"{path.name}-claims").touch()  # left by its runs

    monkeypatch.setattr(demo, "make", make)
    assert run(capsys, "--store", path, "demo")[0] == 0
    assert [each.name for each in tmp_path.glob("demo*")] == ["demo.sqlite"]
    with Store.open(path, demo=True) as store:
        assert store.tools()
        assert store.check().holds


def test_two_windows_that_make_the_demonstration_at_once_leave_one_whole_store(tmp_path, capsys, monkeypatch):
    """The second takes nothing from under the first one's pen; the first one's end nothing from the store in use."""
    path, made = tmp_path / "demo.sqlite", demo.make
    n = 0

    def make(making, today):
        nonlocal n
        n += 1
        if n == 1:  # in the middle of it, another window makes one from beginning to end
            monkeypatch.setattr("os.getpid", lambda: 99999)
            assert run(capsys, "--store", path, "demo")[0] == 0
        made(making, today=today, years=0)

    monkeypatch.setattr(demo, "make", make)
    assert run(capsys, "--store", path, "demo")[0] == 0
    assert n == 2
    assert [each.name for each in tmp_path.glob("demo*")] == ["demo.sqlite"]
    with Store.open(path, demo=True) as store:
        assert store.check().holds


def test_the_demonstration_was_read_as_the_bench_reads(tmp_path, capsys):
    """A shop's first reread of what ships lists nothing, past the click and over the tool's maximum included."""
    path = tmp_path / "demo.sqlite"
    demo.make(path, today=dt.date(2026, 11, 25), years=1)
    with Store.open(path, demo=True) as store:
        runs = [store.run(line.run_id) for line in store.runs(limit=500)]
    flags = {flag.value for each in runs for pull in each.pulls for flag in pull.pull.flags}
    assert {"past-click", "tool-overload"} <= flags  # else this could not fail
    assert run(capsys, "--demo", "--store", path, "reread", "--dry-run", "--json")[:2] == (0, "")


def test_what_comes_out_differently_is_told_of_how_many_and_no_record_is_changed(tmp_path, capsys):
    path = tmp_path / "old.sqlite"  # its traces hold a few samples only, so that none of its pulls is found again
    path.write_bytes((Path(__file__).parent.parent / "data" / "store_v4.sqlite").read_bytes())
    before = path.read_bytes()
    code, out, _ = run(capsys, "--store", path, "reread", "--dry-run")
    lines = out.splitlines()
    assert code == 1
    assert lines[-1] == f"{len(lines) - 1} of {len(lines) - 1} pulls come out differently; no record was changed."
    assert len(lines) > 1
    assert path.read_bytes() == before


def newer(path: Path) -> None:
    with sqlite3.connect(path) as raw:
        raw.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    raw.close()


def turned(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[4096:8192] = b"\x5a" * 4096
    path.write_bytes(data)


WRONG = [
    (["--store", "{none}", "check"], "there are no records at"),
    (["--store", "{none}", "backup"], "there are no records at"),
    (["--store", "{none}", "export", "--format", "csv"], "there are no records at"),
    (["--store", "{none}", "reread", "--dry-run"], "there are no records at"),
    (["--store", "{folder}", "check"], "there are no records at"),
    (["--store", "{text}", "check"], "does not begin like a database"),
    (["--store", "{text}", "backup"], "are damaged"),
    (["--store", "{damaged}", "check"], "are damaged"),
    (["--store", "{damaged}", "backup"], "damaged"),
    (["--store", "{newer}", "check"], "Install the newer program"),
    (["--demo", "--store", "{path}", "check"], "leave --demo away"),
    (["--store", "{demo}", "check"], "say --demo"),
    (["--store", "{demo}", "export", "--format", "csv"], "say --demo"),
    (["--store", "{path}", "check", "--against", "12:abc"], "--against: '12:abc' is no head, and no file either; give"),
    (["--store", "{path}", "check", "--against", "nosuch.txt"], "'nosuch.txt' is no head, and no file either; give"),
    (["--store", "{path}", "check", "--against", ""], "'' is no head, and no file either"),  # an empty shell variable
    (["--store", "{path}", "check", "--against", "{folder}"], "is no head, and no file either"),
    (["--store", "{path}", "check", "--against", "{text}"], "its first line is no head; give"),
    (["--store", "{path}", "check", "--against", "x" * 5000], "is no head"),
    (["--store", "{path}", "check", "--against", "{path}"], "its first line is no head"),
    (["--store", "{path}", "export"], "--format"),
    (["--store", "{path}", "export", "--format", "pdf"], "--format"),
    (["--store", "{path}", "export", "--format", "xlsx"], "needs -o PATH"),
    (["--store", "{path}", "export", "--format", "csv", "-o", "{none}/out.csv"], "export to "),
    (["--store", "{path}", "export", "--format", "json", "-o", "{none}/out.json"], "export to "),
    (["--store", "{path}", "export", "--format", "xlsx", "-o", "{none}/out.xlsx"], "export to "),
    (["--store", "{path}", "export", "--format", "traces", "-o", "{text}"], "export to "),
    (
        ["--store", "{path}", "export", "--format", "traces", "-o", "{folder}", "--run", "run-9"],
        "there is no run run-9",
    ),
    (["--store", "{path}", "import", "{none}"], "; look at its name and its folder; nothing was imported"),
    (["--store", "{path}", "import", "{text}"], "nothing was imported"),
    (["--store", "{path}", "import", "{export}"], "import into a new store"),
    (["--store", "{path}", "reread"], "--dry-run"),
    (["--store", "{path}", "backup", "-o", "{text}"], "is there already"),
    (["--store", "{path}", "backup", "-o", "{text}/copy.sqlite"], "cannot be written"),
    (["--store", "{path}", "backup", "--daily", "-o", "{none}"], "exclude each other"),
    (["--store", "{path}", "restore", "{none}"], "there is no copy at"),
    (["--store", "{path}", "restore", "{text}"], "damaged"),
    (["--store", "{path}", "restore", "{newer}"], "Install the newer program"),
    (["--store", "{path}", "restore", "{demo}"], "demo store"),
    (["--store", "{path}", "demo"], "is there already"),
    (["--store", "{text}/demo.sqlite", "demo"], "cannot be written"),
    (["--store", "{path}"], "WHAT"),
    (["--store", "{path}", "mend"], "mend"),
]


def test_the_schema_of_an_export_is_printed_without_records(capsys):
    status, out, _ = run(capsys, "export", "--schema")
    assert status == 0
    assert json.loads(out)["$schema"]


@pytest.mark.parametrize(("arguments", "said"), WRONG, ids=[" ".join(each[0][2:])[:60] for each in WRONG])
def test_a_wrong_request_is_one_line_with_status_2_and_changes_nothing(path, tmp_path, capsys, arguments, said):
    copy = backup.make(path, now=samples.Clock()(), target=tmp_path / "copy.sqlite")
    places = {name: tmp_path / name for name in ("none", "folder", "text", "damaged", "newer", "export", "demo")}
    places["folder"].mkdir()
    places["text"].write_text("no records, but a text\n" * 500)
    for name, change in (("damaged", turned), ("newer", newer)):
        places[name].write_bytes(copy.read_bytes())
        change(places[name])
    with Store.open(places["demo"], demo=True):
        pass
    assert run(capsys, "--store", path, "export", "--format", "json", "-o", places["export"])[0] == 0
    before = {name: place.read_bytes() for name, place in (*places.items(), ("path", path)) if place.is_file()}
    given = [each.format(path=path, **places) for each in arguments]
    status, out, err = run(capsys, *given)
    assert (status, out) == (2, ""), err
    assert said in err
    assert err.count("\n") == 1
    assert "Traceback" not in err
    after = {name: place.read_bytes() for name, place in (*places.items(), ("path", path)) if place.is_file()}
    assert after == before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is full")
@pytest.mark.parametrize("kind", ["csv", "json", "xlsx"])
def test_an_export_to_a_device_is_written_to_it_and_never_takes_its_place(path, tmp_path, capsys, kind):
    device = tmp_path / "full"
    device.symlink_to("/dev/full")
    status, out, err = run(capsys, "--store", path, "export", "--format", kind, "-o", device)
    assert (status, out) == (2, "")
    assert err.endswith("cannot be written: No space left on device; make room there, or name another place\n")
    assert device.is_symlink()
