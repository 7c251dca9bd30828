"""The Rack: a tool by three answers, found as you type, put up for verification, moved with who and why."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.metrology.classes import ToolKind
from benchapp.metrology.tool import ToolType
from benchapp.records import Store
from benchapp.records.model import Person, ToolRecord, ToolState
from benchapp.records.toollist import ListFileError, match_columns, records_of, table_of_csv
from benchapp.torque.direction import Direction
from benchapp.ui.context import AppContext
from benchapp.ui.format import natural_key
from benchapp.ui.meanwhile import tool_merged
from benchapp.ui.rack import page as rack_page
from benchapp.ui.rack.model import (
    Answers,
    Show,
    ToolEntryError,
    answers_of,
    count_line,
    dots_of,
    find,
    kind_of,
    rows_of,
    tool_of,
)

TODAY = dt.date(2026, 3, 4)


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "r.kilter", demo=True) as opened:
        yield opened


@pytest.fixture
def context(store):
    made = AppContext(None, is_demo=True)
    made.give_store(store)
    made.operator = "fitter 2"
    return made


@pytest.fixture
def page(qtbot, context, monkeypatch):
    monkeypatch.setattr(rack_page, "today", lambda: TODAY)
    made = rack_page.RackPage(context)
    qtbot.addWidget(made)
    made.resize(1366, 720)
    made.show()
    made.activateWindow()
    qtbot.waitUntil(made.isActiveWindow, timeout=60_000)
    return made


def tool(number: str, highest: float = 100.0, **more) -> ToolRecord:
    return ToolRecord(tool_of(Answers(number, True, highest, "N·m")), **more)


# ------------------------------------------------------------------------------------------------------------ questions


def test_every_combination_of_answers_leads_to_a_kind():
    for lets_go, screwdriver in itertools.product((True, False), repeat=2):
        for how in ("", "scale", "bending", "plain", "fixed") if lets_go else ("", "dial", "display", "beam"):
            kind = kind_of(Answers("x", lets_go, 1.0, "N·m", screwdriver=screwdriver, how=how))
            assert isinstance(kind, ToolKind)
            assert kind.is_screwdriver is screwdriver
            assert (kind.tool_type is ToolType.SETTING) is lets_go
            assert kind.fixed is (how == "fixed")


def test_a_stored_tool_is_shown_by_the_answers_that_made_it():
    for answers in (
        Answers("A", True, 100.0, "N·m", 20.0, how="scale"),
        Answers("B", True, 100.0, "N·m", 20.0, how="bending"),
        Answers("C", True, 90.0, "lbf·ft", None, how="fixed"),
        Answers(
            "D", False, 20.0, "kgf·m", 2.0, how="beam", resolution=0.5, directions=tuple(Direction), has_memory=True
        ),
        Answers("E", True, 20.0, "N·m", 2.0, how="scale", directions=(Direction.ANTICLOCKWISE,)),
        Answers("E", True, 500.0, "cN·m", 100.0, True, "plain"),
    ):
        assert answers_of(tool_of(answers)) == answers


def test_without_a_lowest_mark_a_fifth_of_the_highest_is_taken():
    made = tool_of(Answers("OCF-014", True, 100.0, "N·m"))
    assert (made.lowest, made.highest, made.tool_class) == (20.0, 100.0, "A")


@pytest.mark.parametrize(
    ("answers", "field", "said"),
    [
        (Answers("", True, 100.0, "N·m"), "number", "needs a number"),
        (Answers("A", True, 0.0, "N·m"), "highest", "above 0"),
        (Answers("A", True, 100.0, "N·m", -1.0), "lowest", "above 0, up to 100"),
        (Answers("A", True, 100.0, "N·m", 200.0), "lowest", "exchanged"),
        (Answers("A", True, 100.0, "N·m", 100.0), "lowest", "one value only"),
        (Answers("A", True, 100.0, "N·m", 20.0, resolution=0.0), "resolution", "above 0"),
        (Answers("A", True, 100.0, "N·m", 20.0, declared_percent=40.0), "declared", "0.1 to 20"),
    ],
)
def test_a_range_that_cannot_be_is_refused_with_field_value_and_what_is_accepted(answers, field, said):
    with pytest.raises(ToolEntryError, match=said) as refused:
        tool_of(answers)
    assert refused.value.field == field


# ------------------------------------------------------------------------------------------------------------ searching


def test_search_finds_every_word_anywhere_and_numbers_sort_as_numbers():
    rows = rows_of([tool("OCF-10", place="Ferry North"), tool("OCF-9", place="ferry south"), tool("OCF-100")], TODAY)
    assert [row.number for row in rows] == ["OCF-9", "OCF-10", "OCF-100"]
    assert [row.number for row in find(rows, "ferry")] == ["OCF-9", "OCF-10"]
    assert [row.number for row in find(rows, "NORTH ocf")] == ["OCF-10"]
    assert find(rows, "lathe") == []


def test_retired_tools_are_listed_on_demand_and_found_after_the_others():
    retired, kept = tool("OCF-1", state=ToolState.RETIRED), tool("OCF-2")
    rows = rows_of([retired, kept], TODAY)
    assert [row.number for row in find(rows, "")] == ["OCF-2"]
    assert [row.number for row in find(rows, "ocf")] == ["OCF-2", "OCF-1"]
    assert [row.number for row in find(rows, "", Show.RETIRED)] == ["OCF-1"]


# ------------------------------------------------------------------------------------------------------------- the page


def keys(text: str) -> None:
    QTest.keyClicks(QApplication.focusWidget(), text)


def press(key: Qt.Key) -> None:
    QTest.keyClick(QApplication.focusWidget(), key)


def test_from_the_empty_rack_a_tool_is_on_its_way_to_the_bench_with_few_keys(qtbot, page, context, store):
    assert page.views.currentWidget() is page.empty
    assert QApplication.focusWidget() is page.empty.button
    wanted = []
    context.tool_wanted.connect(wanted.append)
    press(Qt.Key.Key_Space)  # 1: add the first tool
    keys("OCF-014")  # 2: its number
    press(Qt.Key.Key_Tab)
    press(Qt.Key.Key_Tab)  # "lets go" stands already
    keys("150")  # 3: its highest value
    press(Qt.Key.Key_Return)  # 4: keep it
    assert store.tool("OCF-014").tool.highest == 150.0
    assert QApplication.focusWidget() is page.card.verify
    press(Qt.Key.Key_Space)  # 5: verify it
    assert wanted == ["OCF-014"]


def test_a_number_that_stands_already_is_refused_beside_its_field(page, store):
    store.save_tool(tool("OCF-014"))
    page.refresh()
    page.edit_tool(None)
    page.editor.number.edit.setText("OCF-014")
    page.editor.highest.edit.setText("100")
    page.editor.submit()
    assert "in the rack already" in page.editor.number.problem
    assert page.views.currentWidget() is page.editor


def test_a_reversed_range_opens_the_field_and_says_so(page, store):
    page.edit_tool(None)
    page.editor.number.edit.setText("OCF-014")
    page.editor.highest.edit.setText("20")
    page.editor.more.setChecked(True)
    page.editor.lowest.edit.setText("100")
    page.editor.submit()
    assert "exchanged" in page.editor.lowest.problem
    assert store.tools() == []


def test_changing_a_tool_keeps_what_was_not_asked(page, store):
    store.save_tool(tool("OCF-014", place="wall", remark="old", photo=b"\xff\xd8x"))
    page.refresh()
    page.open("OCF-014")
    page.edit_tool(page._current())
    page.editor.form.fields["place"].edit.setText("tool store")
    page.editor.submit()
    record = store.tool("OCF-014")
    assert (record.place, record.remark, record.photo) == ("tool store", "old", b"\xff\xd8x")


def test_typing_narrows_the_list_and_says_when_nothing_is_left(page, store):
    for number in ("OCF-001", "OCF-002", "OCF-012"):
        store.save_tool(tool(number))
    page.refresh()
    page.search.setText("2")  # their ranges hold it too: numbers come first
    assert [row.number for row in page.list.rows] == ["OCF-002", "OCF-012", "OCF-001"]
    page.search.setText("012")
    assert [row.number for row in page.list.rows] == ["OCF-012"]
    page.search.setText("zzz")
    assert page.list.rows == []
    assert "zzz" in page.none_found.text()


def test_a_key_shows_the_card_once_and_not_at_all_where_the_tool_under_the_cursor_stays(page, store, monkeypatch):
    for number in range(1, 40):
        store.save_tool(tool(f"OCF-{number:03}"))
    page.refresh()
    read = []
    history = store.history
    monkeypatch.setattr(store, "history", lambda number, **more: (read.append(number), history(number, **more))[1])
    page.search.setText("ocf")
    assert read == []
    page.search.setText("ocf-02")
    assert read == ["OCF-020"] == [page.card.number.text()]
    page.search.setText("ocf-020")
    assert read == ["OCF-020"]
    store.save_tool(tool("OCF-020", 80.0))
    page.refresh()  # what another window changed is shown
    assert len(read) == 2
    assert page.list.current().record.tool.highest == 80.0


def test_a_search_that_finds_nothing_for_a_moment_moves_no_column(page, store):
    for number in range(1, 40):
        store.save_tool(tool(f"OCF-{number:03}"))
    page.refresh()

    def places():
        return [page.list.columnViewportPosition(n) for n in range(4)], page.search.width()

    before = places()
    page.search.setText("zz")
    assert page.card.isHidden()
    page.layout().activate()
    assert places() == before
    page.search.setText("")
    assert places() == before


def test_large_counts_are_read_in_threes_everywhere():
    rows = rows_of([tool(f"OCF-{number:04}") for number in range(2000)], TODAY)
    assert count_line(rows, 1500) == "2\u202f000 tools  ·  2\u202f000 overdue  ·  1\u202f500 shown"


def test_numbers_inside_a_number_count_as_numbers_whatever_stands_around_them():
    mixed = ["7", "OCF-10b", "ocf-9", "OCF-", "", "OCF-10", "A1-2", "A1-10", "A", "10"]
    assert sorted(mixed, key=natural_key) == ["", "7", "10", "A", "A1-2", "A1-10", "OCF-", "ocf-9", "OCF-10", "OCF-10b"]


def test_a_change_of_state_needs_who_and_why_and_only_allowed_ways_are_offered(page, store):
    store.save_person(Person("custodian", is_custodian=True))
    store.save_tool(tool("OCF-014"))
    page.refresh()
    page.open("OCF-014")
    page.ask_state()
    offered = [page.stating.state.box.itemData(i) for i in range(page.stating.state.box.count())]
    assert offered == ["quarantined", "at-laboratory", "retired"]
    page._change_state()
    assert page.stating.why.problem
    assert store.tool("OCF-014").state is ToolState.IN_SERVICE
    page.stating.why.edit.setText("it fell")
    page._change_state()
    assert store.tool("OCF-014").state is ToolState.QUARANTINED
    change = store.state_changes("OCF-014")[-1]
    assert (change.who, change.why) == ("fitter 2", "it fell")


def test_back_to_service_without_a_run_is_refused_with_the_stores_sentence(page, store):
    store.save_tool(tool("OCF-014"))
    store.change_state("OCF-014", ToolState.QUARANTINED, who="custodian", why="fell")
    page.refresh()
    page.open("OCF-014")
    page.ask_state()
    page.stating.why.edit.setText("looks fine")
    page._change_state()
    assert "no full run within limits" in page.stating.problem.text()
    assert store.tool("OCF-014").state is ToolState.QUARANTINED


def test_the_unit_shown_changes_nothing_that_is_stored(page, context, store):
    store.save_tool(tool("OCF-014"))
    page.refresh()
    before = store.tool("OCF-014")
    context.show_unit("lbf·ft")
    assert page.list.rows[0].record.tool.unit == "N·m"
    assert store.tool("OCF-014") == before


def test_history_dots_leave_out_preloads_and_know_their_checkpoints(tmp_path):
    from benchapp.records.model import ReadingRow

    def row(target, deviation, kind="reading", aside=""):
        return ReadingRow(
            "r", 1, kind, "2026-03-04T09:00:00+00:00", "clockwise", target, 30.0, deviation, "IN", aside, ()
        )

    dots, targets = dots_of([row(30.0, 1.0), row(90.0, 2.0), row(30.0, 3.0, aside="jerky"), row(None, None, "preload")])
    assert targets == [30.0, 90.0]
    assert [(d.checkpoint, d.counts) for d in dots] == [(0, True), (1, True), (0, False)]


# --------------------------------------------------------------------------------------------------------------- import

LIST = """Tool No;Type;Range;Unit;Location;Interval (months)
OCF-1;click wrench;20 - 100;Nm;wall;12
OCF-2;dial wrench;10,5 to 50;N·m;store;
OCF-3;torque screwdriver;40 - 200;cNm;;
OCF-1;click wrench;20 - 100;Nm;;
OCF-4;click wrench;100 - 20;Nm;;
OCF-5;click wrench;1.000,0;Nm;;
;click wrench;20 - 100;Nm;;
OCF-6;click wrench;5 - 25;furlong;;
OCF-9;click wrench;5 - 25;Nm;;
""".encode()


def test_a_list_is_matched_and_every_bad_row_is_named_with_its_line():
    table = table_of_csv(LIST)
    good, bad = records_of(table, match_columns(table.header), {"OCF-9"})
    assert [(r.number, r.tool.lowest, r.tool.highest, r.tool.unit) for r in good] == [
        ("OCF-1", 20.0, 100.0, "N·m"),
        ("OCF-2", 10.5, 50.0, "N·m"),
        ("OCF-3", 40.0, 200.0, "cN·m"),
    ]
    assert [r.tool.tool_type for r in good] == [ToolType.SETTING, ToolType.INDICATING, ToolType.SETTING]
    assert good[2].tool.is_screwdriver
    assert good[0].interval_months == 12
    assert [row.line for row in bad] == [5, 6, 7, 8, 9, 10]
    assert all(row.why for row in bad)


def test_an_old_encoding_is_read_and_noted_and_nonsense_is_refused():
    table = table_of_csv("Number,Highest,Place\nA,10,Fähre\n".encode("cp1252"))
    assert table.rows[0][2] == "Fähre"
    assert "Western European" in table.notes[0]
    for data in (b"", b"\x00\x01\x02", b"Number\nA\n", b"Number,Highest\n"):
        with pytest.raises(ListFileError):
            table_of_csv(data)


def test_nothing_is_imported_before_the_person_says_so(page, store, tmp_path):
    path = tmp_path / "ö list.csv"
    path.write_bytes(LIST)
    page.preview_import(str(path))
    assert page.views.currentWidget() is page.importing
    assert store.tools() == []
    page.importing.go.click()
    assert [record.number for record in store.tools()] == ["OCF-1", "OCF-2", "OCF-3", "OCF-9"]


def test_what_is_not_taken_from_a_list_is_said(page, tmp_path):
    # a column of earlier verifications, say: every tool would be overdue, and nobody knew why
    path = tmp_path / "list.csv"
    path.write_text("Number,Highest,Unit,Last verified\nOCF-1,100,N·m,2026-03-01\n", encoding="utf-8")
    page.preview_import(str(path))
    assert "Not taken from this list: “Last verified”." in page.importing.notes.text()
    assert not page.importing.notes.isHidden()
    assert page.add.isHidden()
    page.importing.left.emit()
    assert not page.add.isHidden()


def test_a_workbook_is_read_like_a_list(tmp_path):
    import openpyxl

    from benchapp.records.toollist import read_table

    book = openpyxl.Workbook()
    book.active.append(["Number", "Lowest", "Highest", "Unit"])
    book.active.append(["OCF-1", 20, 100.5, "lbf·ft"])
    book.save(tmp_path / "l.xlsx")
    table = read_table(tmp_path / "l.xlsx")
    good, bad = records_of(table, match_columns(table.header), set())
    assert bad == []
    assert (good[0].tool.lowest, good[0].tool.highest, good[0].tool.unit) == (20.0, 100.5, "lbf·ft")


# ---------------------------------------------------------------------------------------------------------- two windows


def test_what_another_window_changed_meanwhile_is_not_put_back(page, store):
    store.save_tool(tool("OCF-014", place="boat shed"))
    page.refresh()
    page.edit_tool(store.tool("OCF-014"))
    there = store.tool("OCF-014")
    store.save_tool(replace(there, place="ferry north", interval_months=6, photo=b"\x89PNG" + bytes(40)))
    page.editor.more.setChecked(True)
    page.editor.form.fields["keeper"].put("fitter 1")
    page.editor.submit()
    kept = store.tool("OCF-014")
    assert (kept.keeper, kept.place, kept.interval_months) == ("fitter 1", "ferry north", 6)
    assert kept.photo is not None
    assert page.views.currentWidget() is page.main


def test_what_both_windows_changed_is_asked_about_and_kept_the_second_time(page, store):
    store.save_tool(tool("OCF-014", place="boat shed"))
    page.refresh()
    page.edit_tool(store.tool("OCF-014"))
    store.save_tool(replace(store.tool("OCF-014"), place="ferry north", keeper="fitter 3"))
    page.editor.more.setChecked(True)
    page.editor.form.fields["place"].put("ferry south")
    page.editor.submit()
    assert page.editor.problem.text() == (
        "OCF-014 was changed in another window meanwhile: its place. Yours is not kept yet; keep it once more to put "
        "it over the other one, or go back."
    )
    assert store.tool("OCF-014").place == "ferry north"
    page.editor.submit()
    kept = store.tool("OCF-014")
    assert (kept.place, kept.keeper) == ("ferry south", "fitter 3")


def test_a_scale_is_one_thing_of_a_tool(store):
    opened = tool("OCF-014")
    mine, theirs = (
        replace(opened, tool=replace(opened.tool, **each)) for each in ({"lowest": 30.0}, {"highest": 90.0})
    )
    _, seen, both = tool_merged(opened, mine, theirs)
    assert both == "what it is and its scale"
    assert seen.tool.highest == 90.0
    assert tool_merged(seen, mine, theirs) == (mine, seen, "")
