"""A list of tools comes in as it is meant, or stays out row by row with its reason; nothing before a person says so."""

from __future__ import annotations

import dataclasses
import datetime as dt
import sqlite3
import time

import openpyxl
import pytest

from benchapp.metrology.tool import ToolType
from benchapp.records import ChangedMeanwhileError, NotAllowedError
from benchapp.records import toollist as tl

HEADER = "Tool No;Description;Range;Unit;Serial number;Location;Interval (months);First used"


def looked_at(text: str | bytes, known: set[str] = frozenset()):
    data = text if isinstance(text, bytes) else text.encode()
    table = tl.table_of_csv(data)
    return tl.records_of(table, tl.match_columns(table.header), known)


def test_a_list_as_shops_keep_it_is_read(store):
    good, bad = looked_at(
        f"{HEADER}\n"
        "OCF-101;click wrench;20 to 100;N·m;S1;ferry 1;6;2025-05-31\n"
        "\n"
        "OCF-102;electronic wrench;10-50 lbf·ft;;S2;ferry 2;;4.3.2026\n"
        "OCF-103;screwdriver, fixed;2,5;N·m;S3;;;\n"
    )
    assert bad == []
    one, two, three = (record.tool for record in good)
    assert (one.lowest, one.highest, one.unit, one.tool_class, one.serial) == (20.0, 100.0, "N·m", "A", "S1")
    assert (two.tool_type, two.unit, two.highest) == (ToolType.INDICATING, "lbf·ft", 50.0)
    assert (three.fixed, three.lowest, three.is_screwdriver) == (True, 2.5, True)
    assert (good[0].interval_months, good[0].first_use) == (6, dt.date(2025, 5, 31))
    assert [r.number for r in store.tools()] == ["OCF-014"]  # looking stores nothing
    assert tl.import_tools(store, good, who="custodian", origin="list.csv") == 3
    assert [r.number for r in store.tools()] == ["OCF-014", "OCF-101", "OCF-102", "OCF-103"]
    assert store.tool("OCF-101").due == dt.date(2025, 11, 30)
    stored = store.tool("OCF-102")
    assert stored.tool == two
    store.save_tool(stored)  # the slow way keeps what the quick one stored
    assert store.tool("OCF-102") == stored
    assert any(b"tools imported" in entry.body for entry in store.entries(""))
    assert store.check().holds


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (";wrench;20 to 100;N·m;;;;", "Number is missing"),
        ("OCF-014;wrench;20 to 100;N·m;;;;", "stands in the rack already"),
        ("OCF-1;wrench;20 to 100;N·m;;;;", "stands in line 2 of this list already"),
        ("X;wrench;;N·m;;;;", "Highest value is missing"),
        ("X;wrench;100 to 20;N·m;;;;", "Lowest value is 100"),
        ("X;wrench;0 to 20;N·m;;;;", "Lowest value is 0"),
        ("X;wrench;many;N·m;;;;", "Highest value"),
        ("X;wrench;1 to 2 to 3;N·m;;;;", "accepted is lowest to highest"),
        ("X;wrench;20 to 1,234;N·m;;;;", "could mean"),
        ("X;wrench;20 to 100;bananas;;;;", "Unit"),
        ("X;wrench;20 to 100;N·m;;;half a year;", "Interval, months"),
        ("X;wrench;20 to 100;N·m;;;0;", "whole number from 1"),
        ("X;wrench;20 to 100;N·m;;;;03/04/2026", "slashes"),
        ("X;wrench;20 to 100;N·m;;;;2026-02-30", "no day of the calendar"),
        ("X;dial wrench;50 to 50;N·m;;;;", "the same"),
        ("X;wrench\ufffd;20 to 100;N·m;;;;", "lost"),
    ],
)
def test_a_bad_row_stays_out_with_its_line_and_reason_and_the_others_come_in(row, why):
    good, bad = looked_at(
        f"{HEADER}\nOCF-1;wrench;20 to 100;N·m;;;;\n\n{row}\nOCF-2;wrench;5-25;N·m;;;;\n", {"OCF-014"}
    )
    assert [record.number for record in good] == ["OCF-1", "OCF-2"]
    assert [each.line for each in bad] == [4]  # the empty line counts, as the person sees it in the file
    assert why in bad[0].why


def test_lines_are_those_of_the_file_even_after_a_cell_of_several_lines():
    _, bad = looked_at('number,max,remark\nA,10,"one\ntwo\nthree"\nB,nothing,\n')
    assert [(each.line, each.number) for each in bad] == [(5, "B")]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_marks_and_encodings(mark, encoding):
    text = "\r\n".join(mark.join(row) for row in (("number", "max", "place"), ("A", "10", "Fährhaus")))
    table = tl.table_of_csv(text.encode(encoding))
    assert table.rows == (("A", "10", "Fährhaus"),)
    assert bool(table.notes) == (encoding == "cp1252")  # what was assumed is told


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "is empty"),
        (b"\n\n", "is empty"),
        (b"number,max\n", "no rows"),
        (b"number\nA\n", "one column"),
        (b"PK\x03\x04\x00\x00", "no text"),
        (b"\xff\xfea", "no text"),
        (b"number,max\nA\x81\x8d,3\n", "no text"),  # neither UTF-8 nor Western European
    ],
)
def test_what_is_no_list_is_refused_with_a_sentence(data, why):
    with pytest.raises(tl.ListFileError, match=why):
        tl.table_of_csv(data)


def test_a_file_that_cannot_be_opened_is_refused(tmp_path):
    (tmp_path / "broken.xlsx").write_bytes(b"nothing of the kind")
    with pytest.raises(tl.ListFileError, match="cannot be opened as XLSX"):
        tl.read_table(tmp_path / "broken.xlsx")
    with pytest.raises(tl.ListFileError, match="Choose another file"):
        tl.read_table(tmp_path / "none.csv")


def test_a_column_that_is_missing_is_named():
    good, bad = looked_at("place,maker\nferry 1,x\n")
    assert good == []
    assert "Number and Highest value or Range" in bad[0].why


def test_a_workbook_is_read_with_its_numbers_and_dates(tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Number", "Min", "Max", "Unit", "First used"])
    sheet.append([101, 20, 100.0, "Nm", dt.datetime(2025, 3, 4)])
    sheet.append([])
    sheet.append(["OCF-2", 2.5, "?", "Nm", None])
    book.create_sheet("other")
    book.save(tmp_path / "list.xlsx")
    table = tl.read_table(tmp_path / "list.xlsx")
    good, bad = tl.records_of(table, tl.match_columns(table.header), set())
    assert [(r.number, r.tool.lowest, r.tool.highest, r.first_use) for r in good] == [
        ("101", 20.0, 100.0, dt.date(2025, 3, 4))
    ]
    assert [each.line for each in bad] == [4]
    assert "2 sheets" in table.notes[0]


def test_a_title_and_merged_cells_above_the_names_are_left_out_and_told(tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Tools of the ferry, state of March"])
    sheet.append([])
    sheet.append(["what it is", None, None, "where it hangs"])
    for row in (["Number", "Min", "Max", "Place"], ["OCF-1", 20, 100, "wall"], ["OCF-2", 30, 0, None]):
        sheet.append(row)
    for merged in ("A1:D1", "A3:C3"):
        sheet.merge_cells(merged)
    book.save(tmp_path / "list.xlsx")
    lines = ["Tools of the ferry, state of March", "", "what it is;;;where it hangs", "Number;Min;Max;Place"]
    lines += ["OCF-1;20,0;100,0;wall", "OCF-2;30,0;0;"]
    (tmp_path / "list.csv").write_text("\n".join(lines), encoding="utf-8")
    for name in ("list.xlsx", "list.csv"):
        table = tl.read_table(tmp_path / name)
        assert table.header == ("Number", "Min", "Max", "Place"), name
        assert table.notes == ("Line 4 names the columns; what stands above it was left out.",)
        good, bad = tl.records_of(table, tl.match_columns(table.header), set())
        assert [(r.number, r.tool.highest, r.place) for r in good] == [("OCF-1", 100.0, "wall")]
        assert [each.line for each in bad] == [6]


def test_a_row_that_holds_more_than_the_names_do_is_not_taken_for_them():
    table = tl.table_of_csv(b"number;max;;\nA;10;x;y\nB;20;x;y\n")
    assert table.header[:2] == ("number", "max")
    assert (len(table.rows), table.notes) == (2, ())


def test_an_import_is_all_or_nothing(store):
    good, _ = looked_at("number,max\nOCF-200,10\nOCF-014,10\n")
    with pytest.raises(ChangedMeanwhileError):
        tl.import_tools(store, good, who="custodian")
    with pytest.raises(NotAllowedError, match="who"):
        tl.import_tools(store, good[:1], who=" ")
    assert [r.number for r in store.tools()] == ["OCF-014"]


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("code", "4711"),
        ("interval_months", 6),
        ("interval_cycles", None),
        ("first_use", "2026-01-01"),
        ("place", "elsewhere"),
        ("keeper", "nobody"),
        ("remark", "as good as new"),
        ("data", "not JSON"),
        ("data", 0),
    ],
)
def test_an_imported_tool_that_is_changed_past_the_program_is_found(store, path, column, value):
    good, _ = looked_at("number,max,serial\nOCF-200,10,A\nOCF-201,20,B\n")
    good = [dataclasses.replace(record, interval_cycles=100) for record in good]
    tl.import_tools(store, good, who="custodian", origin="list.csv")
    assert store.check().holds
    raw = sqlite3.connect(path, isolation_level=None)
    if value == 0:
        raw.execute("UPDATE tools SET data = replace(data, '\"A\"', '\"C\"') WHERE number = 'OCF-200'")
    else:
        raw.execute(f"UPDATE tools SET {column} = ? WHERE number = 'OCF-200'", (value,))
    raw.close()
    findings = [each for each in store.check().findings if each.subject == "OCF-200"]
    told = "interval_months" if column == "interval_months" else "as it was told in a list"
    assert any(told in each.detail for each in findings)
    assert {each.subject for each in store.check().findings} == {"OCF-200"}


def test_an_imported_tool_that_is_gone_is_missed_and_one_that_is_changed_here_is_told(store, path):
    good, _ = looked_at("number,max\nOCF-200,10\nOCF-201,20\n")
    tl.import_tools(store, good, who="custodian", origin="list.csv")
    store.save_tool(dataclasses.replace(store.tool("OCF-200"), interval_months=6), who="fitter 2")
    assert [each.who for each in store.entries("OCF-200")] == ["fitter 2"]
    assert store.check().holds
    with store._db.writing() as _:  # as the custodian's decision on its interval does
        store._db.raw.execute("UPDATE tools SET interval_months = 9 WHERE number = 'OCF-201'")
        store._refresh_tool("OCF-201")
        store.note_act_within(
            store._db.raw, "interval accepted", who="custodian", subject="OCF-201", details={"months": 9}
        )
    assert store.check().holds
    raw = sqlite3.connect(path, isolation_level=None)
    raw.execute("DELETE FROM tools WHERE number = 'OCF-201'")
    raw.close()
    (finding,) = store.check().findings
    assert (finding.what, finding.subject) == ("missing", "OCF-201")


def test_a_hundred_thousand_rows_are_quick(store):
    rows = "".join(
        f"BIG-{n:06d};click wrench;{n % 50 + 5} to {n % 50 + 205};N·m;S{n};ferry;12;\n" for n in range(99_998)
    )
    begun = time.process_time()
    good, bad = looked_at(f"{HEADER}\n{rows}BIG-000007;wrench;1 to 2;N·m;;;;\nBIG-X;wrench;x;N·m;;;;\n")
    looked_s = time.process_time() - begun
    assert (len(good), [each.line for each in bad]) == (99_998, [100_000, 100_001])
    tl.import_tools(store, good, who="custodian")
    stored_s = time.process_time() - begun - looked_s
    print(f"100,000 rows: looked at in {looked_s:.2f} s, stored in {stored_s:.2f} s of CPU")
    assert looked_s < 20  # far above what it takes; a way that grows with the square would take hours
    assert stored_s < 20
    with pytest.raises(tl.ListFileError, match="more than 100000"):
        tl.table_of_csv(b"number,max\n" + b"A,1\n" * 100_001)
