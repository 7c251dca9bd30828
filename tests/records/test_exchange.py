"""What goes out can come in again with the same seals, and other programs read it."""

from __future__ import annotations

import argparse
import base64
import csv
import dataclasses
import datetime as dt
import hashlib
import io
import json
import os
import sys
from pathlib import Path
from unittest.mock import Mock

import jsonschema
import numpy as np
import openpyxl
import pytest
import rfc8785

from benchapp.cli import records as command
from benchapp.cli.errors import CommandError
from benchapp.records import EntryKind, JobEntry, Store, ToolRecord, ToolState, exchange
from benchapp.records.canonical import parse
from benchapp.records.reread import differences, keep
from benchapp.runs.model import RunState
from drivers.samples import Source

from .conftest import START, Clock, make_calibration, make_run, make_tool, make_trace, sealed_run


@pytest.fixture
def full(store: Store) -> Store:
    sealed_run(store, "run-1")
    sealed_run(store, "run-2", off_percent=6.0)
    left = make_run("run-3")
    store.begin_run(left)
    store.seal(dataclasses.replace(left, state=RunState.LEFT, left_reason="the drive was worn"))
    store.release("run-1", who="fitter 3")
    store.void("run-3", "wrong tool", who="custodian")
    store.add_calibration("REF-1", make_calibration("C-2"), who="custodian")
    store.save_tool(ToolRecord(make_tool("OCF-015", maker="=1+1"), state=ToolState.RETIRED), who="custodian")
    store.log_job(JobEntry("OCF-014", "chain wheel", "fitter 2", "2026-03-04T12:00:00+01:00", 12, 30.0))
    return store


def exported(store: Store) -> str:
    out = io.StringIO()
    exchange.to_json(store, out)
    return out.getvalue()


def test_json_export_into_an_empty_store_gives_the_same_seals_and_the_same_records(full, open_store, tmp_path):
    text = exported(full)
    fresh = open_store(tmp_path / "fresh.sqlite")
    assert exchange.from_json(fresh, text.encode()) == full.head()
    assert fresh.check(against=full.head()).findings == ()
    for line in full.runs():
        assert fresh.run(line.run_id) == full.run(line.run_id)
        assert fresh.summary(line.run_id)._replace(key=0) == line._replace(key=0)
        for pull in full.run(line.run_id).pulls:
            assert fresh.trace_bytes(line.run_id, pull.number) == full.trace_bytes(line.run_id, pull.number)
    assert fresh.tools(include_retired=True) == full.tools(include_retired=True)
    assert fresh.references() == full.references()
    assert fresh.people() == full.people()
    assert [dataclasses.replace(job, key=0) for job in fresh.all_jobs()] == [
        dataclasses.replace(job, key=0) for job in full.all_jobs()
    ]
    again, first = json.loads(exported(fresh)), json.loads(text)
    for whole in (again, first):
        for job in whole["jobs"]:
            del job["key"]
    assert again == first


def test_seals_can_be_recomputed_from_the_exported_json_alone(full):
    whole = json.loads(exported(full))
    jsonschema.validate(whole, exchange.SCHEMA)
    previous = "0" * 64
    for entry in whole["entries"]:
        assert hashlib.sha256(rfc8785.dumps(entry["body"])).hexdigest() == entry["digest"]
        assert entry["body"]["previous"] == previous
        previous = entry["digest"]
        if entry["body"]["kind"] == "run":
            for number, sealed in entry["body"]["content"]["traces"].items():
                blob = base64.b64decode(whole["traces"][entry["body"]["subject"]][number])
                assert hashlib.sha256(blob).hexdigest() == sealed["sha256"]
    assert whole["head"].partition(":")[2] == previous


def change_reading(whole: dict) -> None:
    run = next(each["body"] for each in whole["entries"] if each["body"]["kind"] == "run")
    run["content"]["run"]["operator"] = "x"


def change_trace(whole: dict) -> None:
    whole["traces"]["run-1"]["1"] = base64.b64encode(b"another trace").decode()


def leave_out_a_trace(whole: dict) -> None:
    del whole["traces"]["run-1"]["1"]


def cut_off(whole: dict) -> None:
    del whole["entries"][-1]


def other_format(whole: dict) -> None:
    whole["format"] = "kilter-records/99"


def no_tools(whole: dict) -> None:
    del whole["tools"]


@pytest.mark.parametrize("change", [change_reading, change_trace, leave_out_a_trace, cut_off, other_format, no_tools])
def test_an_export_that_does_not_hold_is_refused_and_nothing_kept(full, open_store, tmp_path, change):
    whole = json.loads(exported(full))
    change(whole)
    fresh = open_store(tmp_path / "fresh.sqlite")
    with pytest.raises(exchange.ImportRefusedError):
        exchange.from_json(fresh, json.dumps(whole).encode())
    assert fresh.head() == ""
    assert fresh.runs() == []
    assert fresh.people() == []


def test_import_into_a_store_that_is_not_empty_or_of_the_other_kind_is_refused(full, open_store, tmp_path):
    with pytest.raises(exchange.ImportRefusedError, match="not empty"):
        exchange.from_json(full, exported(full).encode())
    with pytest.raises(exchange.ImportRefusedError, match="this one is demo"):
        exchange.from_json(open_store(tmp_path / "demo.sqlite", demo=True), exported(full).encode())
    with pytest.raises(exchange.ImportRefusedError, match="no JSON"):
        exchange.from_json(full, b"\xff")


@pytest.mark.parametrize("name", exchange.TABLES)
def test_csv_and_xlsx_hold_the_same_table(full, tmp_path, name):
    header, rows = exchange.table(full, name, dt.date(2026, 3, 5))
    read = list(csv.reader(io.StringIO(exchange.to_csv(header, rows))))
    assert tuple(read[0]) == tuple(header)
    assert len(read) == len(rows) + 1
    exchange.to_xlsx(tmp_path / "out.xlsx", {name: (header, rows)})
    sheet = openpyxl.load_workbook(tmp_path / "out.xlsx")[name]
    for shown, wanted in zip(list(sheet.values)[1:], rows, strict=True):
        for got, value in zip(shown, wanted, strict=True):
            if isinstance(value, float):
                assert got == pytest.approx(value, rel=1e-15)  # spreadsheets keep 16 digits (xlsxwriter writes %.16G)
            else:
                assert (got if got is not None else "") == (value if value is not None else "")
    assert rows or name in ("due", "tasks")


def test_the_readings_of_void_runs_go_out_too_and_say_why_they_do_not_count(full):
    store = full
    store.void("run-1", "wrong adapter was on", who="custodian")
    columns, rows = exchange.table(store, "readings", dt.date(2026, 6, 1))
    told = [dict(zip(columns, row, strict=True)) for row in rows]
    pulls = {
        (run.run_id, pull.number)
        for run in map(store.run, {r.run_id for r in store.runs(limit=100)})
        for pull in run.pulls
    }
    assert {(row["run_id"], row["number"]) for row in told} == pulls  # nothing is left away without a word
    for row in told:
        summary = store.summary(row["run_id"])
        assert (row["tool"], row["source"], row["void"]) == (summary.tool, summary.source.value, summary.voided)
    assert {row["void"] for row in told if row["run_id"] == "run-1"} == {"wrong adapter was on"}
    assert "run-1" not in {row.run_id for row in store.history("OCF-014", limit=10**6)}


def test_no_cell_is_run_as_a_formula(full, tmp_path):
    header, rows = exchange.table(full, "tools", dt.date(2026, 3, 5))
    assert "'=1+1" in exchange.to_csv(header, rows)
    exchange.to_xlsx(tmp_path / "out.xlsx", {"tools": (header, rows)})
    cells = [cell for row in openpyxl.load_workbook(tmp_path / "out.xlsx")["tools"].rows for cell in row]
    assert all(cell.data_type != "f" for cell in cells)
    assert "=1+1" in [cell.value for cell in cells]


def test_a_trace_file_keeps_the_devices_digits_and_every_time(full):
    trace = full.trace("run-1", 2)
    lines = exchange.to_trace_file(trace, run_id="run-1", number=2).splitlines()
    assert "# unit: N·m" in lines
    assert "# source: live" in lines
    rows = [line.split(",") for line in lines if not line.startswith("#")]
    assert rows[0] == ["time_s", "torque"]
    np.testing.assert_array_equal([float(row[0]) for row in rows[1:]], trace.t_s)
    np.testing.assert_array_equal([float(row[1]) for row in rows[1:]], trace.torque)
    assert {len(row[1].partition(".")[2]) for row in rows[1:]} == {2}
    small = dataclasses.replace(make_trace(3), digits=np.array([-5, 0, 123]), torque=np.array([-0.05, 0.0, 1.23]))
    assert exchange._torque_texts(small) == ["-0.05", "0.00", "1.23"]


def test_reread_lists_what_comes_out_differently_and_writes_nothing(full, path):
    before = full.head()
    assert list(differences(full, lambda run, pull, trace: pull.pull, detector="same")) == []

    def other(run, pull, trace):
        return dataclasses.replace(pull.pull, reading=pull.pull.reading + 0.5, flags=())

    found = list(differences(full, other, detector="kilter 2"))
    assert len(found) == 20
    assert found[0].reread_nm == found[0].stored_nm + 0.5
    assert found[0].stored_flags == ("spike",)
    gone = list(differences(full, lambda run, pull, trace: None))
    assert len(gone) == 20
    assert full.head() == before


def test_a_reread_is_kept_beside_the_first_once_and_changes_no_record(full):
    def other(run, pull, trace):
        return dataclasses.replace(pull.pull, reading=pull.pull.reading + 0.5, flags=())

    found = list(differences(full, other, detector="kilter 2"))
    run_id = found[0].run_id
    sealed = full.run(run_id)
    n_runs = len({each.run_id for each in found})
    assert keep(full, found, who="fitter 2") == n_runs
    head = full.head()
    assert keep(full, found, who="fitter 3") == 0  # it stands there already
    assert full.head() == head
    entry = full.entries(run_id)[-1]
    assert (entry.kind, entry.who) == (EntryKind.REREAD, "fitter 2")
    told = parse(entry.body)["content"]
    assert told["detector"] == "kilter 2"
    assert told["readings"][0]["reread_nm"] == pytest.approx(told["readings"][0]["stored_nm"] + 0.5)
    assert full.run(run_id) == sealed
    assert full.check().holds


# --- the command


def main(argv: list[str]) -> int:
    """The command alone, as `kilter` runs it: other commands need not be there."""
    top = argparse.ArgumentParser()
    command.add(top.add_subparsers())
    args = top.parse_args(argv)
    try:
        return args.run(args)
    except CommandError as error:
        print(f"kilter: {error}", file=sys.stderr)
        return 2


def test_check_says_holds_or_names_the_first_thing_that_does_not(full, path, capsys, tmp_path):
    head = full.head()
    full.close()
    assert main(["records", "--store", str(path), "check"]) == 0
    out = capsys.readouterr().out
    assert head in out
    assert "--against" in out
    kept = tmp_path / "head.txt"
    kept.write_text(f"{head}\n")
    assert main(["records", "--store", str(path), "check", "--against", str(kept), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["holds"] is True
    assert told["head"] == head
    assert main(["records", "--store", str(path), "check", "--against", f"3:{'0' * 64}", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["findings"][0]["what"] == "head"
    assert main(["records", "--store", str(path), "check", "--against", "rubbish"]) == 2
    assert "is no head" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("turned", "part"),
    [
        (lambda whole: whole | {"head": "x"}, "the export's own head cannot be compared with: 'x' is no head"),
        (lambda whole: {k: v for k, v in whole.items() if k != "tools"}, "'tools' is missing in it"),
    ],
)
def test_an_export_that_is_none_leaves_no_records_behind_and_is_refused_in_one_line(
    full, capsys, tmp_path, turned, part
):
    with (tmp_path / "out.json").open("w", encoding="utf-8") as file:
        exchange.to_json(full, file)
    whole = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    (tmp_path / "bad.json").write_text(json.dumps(turned(whole)), encoding="utf-8")
    assert main(["records", "--store", str(tmp_path / "new.sqlite"), "import", str(tmp_path / "bad.json")]) == 2
    said = capsys.readouterr().err
    assert part in said
    assert said.count("\n") == 1
    assert not list(tmp_path.glob("new.sqlite*"))


def test_records_that_cannot_be_written_are_checked_and_exported_all_the_same(
    full, path, capsys, tmp_path, monkeypatch
):
    head, before = full.head(), full.path
    full.close()
    real = os.access
    monkeypatch.setattr(os, "access", lambda place, how: Path(place) != path and real(place, how))
    monkeypatch.setattr(Store, "open", opened := Mock(side_effect=Store.open))
    assert main(["records", "--store", str(path), "check", "--against", head]) == 0
    assert main(["records", "--store", str(path), "export", "--format", "json", "-o", str(tmp_path / "all.json")]) == 0
    assert "a copy of it is read" in capsys.readouterr().err
    assert opened.call_args_list
    assert all(call.args[0] != before for call in opened.call_args_list)
    assert json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))["head"] == head


def test_an_export_that_breaks_off_leaves_nothing_that_looks_like_one(full, path, tmp_path, monkeypatch):
    full.close()

    def breaks(_store, out):
        out.write("{")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(exchange, "to_json", breaks)
    assert main(["records", "--store", str(path), "export", "--format", "json", "-o", str(tmp_path / "all.json")]) == 2
    assert not list(tmp_path.glob("all.json*"))


def test_export_and_import_by_command(full, path, capsys, tmp_path):
    head = full.head()
    full.close()
    base = ["records", "--store", str(path)]
    assert main([*base, "export", "--format", "json", "-o", str(tmp_path / "all.json")]) == 0
    capsys.readouterr()
    assert main(["records", "--store", str(tmp_path / "new.sqlite"), "import", str(tmp_path / "all.json")]) == 0
    assert head in capsys.readouterr().out
    assert main([*base, "export", "--format", "csv", "--table", "readings"]) == 0
    assert capsys.readouterr().out.startswith("run_id,number")
    assert main([*base, "export", "--format", "traces", "-o", str(tmp_path / "traces"), "--run", "run-1"]) == 0
    assert len(list((tmp_path / "traces" / "run-1").glob("*.csv"))) == 10
    assert main([*base, "export", "--format", "xlsx", "-o", str(tmp_path / "all.xlsx")]) == 0
    assert main([*base, "export", "--format", "xlsx"]) == 2
    assert main([*base, "export", "--format", "traces", "-o", str(tmp_path / "x"), "--run", "none"]) == 2
    assert "there is no run none" in capsys.readouterr().err


def test_the_command_tells_what_is_wrong_in_one_line(tmp_path, capsys):
    assert main(["records", "--store", str(tmp_path / "none.sqlite"), "check"]) == 2
    assert "there are no records at" in capsys.readouterr().err
    assert not (tmp_path / "none.sqlite").exists()
    (tmp_path / "text.sqlite").write_text("x" * 200)
    assert main(["records", "--store", str(tmp_path / "text.sqlite"), "check", "--json"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1


def test_a_demo_store_is_checked_as_such(tmp_path, capsys):
    with Store.open(tmp_path / "demo.sqlite", demo=True, clock=Clock(START)) as store:
        sealed_run(store, "run-1", source=Source.SIMULATED)
    assert main(["records", "--store", str(tmp_path / "demo.sqlite"), "--demo", "check"]) == 0
    assert main(["records", "--store", str(tmp_path / "demo.sqlite"), "check"]) == 2
