"""The Rack's due list and its labels: what is due when, what each tool needs, and what goes out."""

from __future__ import annotations

import csv
import datetime as dt
import unicodedata

import icalendar
import openpyxl
import pypdf
import pytest
import zxingcpp
from PySide6.QtCore import QPoint, Qt, QTimer
from PySide6.QtTest import QTest

from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.records import Store, exchange
from benchapp.records.labels import number_of_scan
from benchapp.records.model import DueItem, Outcome, ToolRecord, ToolState
from benchapp.records.toollist import import_tools
from benchapp.ui import page as pages
from benchapp.ui import slices
from benchapp.ui.context import AppContext
from benchapp.ui.logbook.page import LogbookPage
from benchapp.ui.paper.duelist import DueLine, DueSection, write_due_list
from benchapp.ui.paper.labels import Standing, label_sizes
from benchapp.ui.rack import page as rack_page
from benchapp.ui.rack.duerows import DueRow, When, due_text, when_of

from .conftest import TODAY
from .rendered import pages_of

DEMO_YEARS = 2  # of the demonstration workshop (see conftest)


@pytest.fixture
def shop(qtbot, monkeypatch):
    """Return what makes the Rack on a store: (page, context, tools wanted, pages wanted)."""
    for module in (rack_page, pages):
        monkeypatch.setattr(module, "today", lambda: TODAY)
    shown = []

    def build(store):
        context = AppContext(None, is_demo=store.is_demo)
        context.give_store(store)
        page = rack_page.RackPage(context)
        qtbot.addWidget(page)
        page.resize(1366, 720)
        page.show()
        shown.append(page)
        tools, wanted = [], []
        context.tool_wanted.connect(tools.append)
        context.page_wanted.connect(lambda name, key: wanted.append((name, key)))
        return page, context, tools, wanted

    yield build
    for page in shown:
        page.stop()


def texts_of(path) -> list[str]:
    """What the pages of a PDF say; ligatures and white space as one types them."""
    texts = [sheet.extract_text() for sheet in pypdf.PdfReader(path).pages]
    return [" ".join(unicodedata.normalize("NFKC", text).split()) for text in texts]


def due_view(page):
    page.switch.choose("due")
    return page._built["due"]


def tools_of(view) -> list[DueRow]:
    return [row for row in view.list.rows if isinstance(row, DueRow)]


def item(days: int | None, state: ToolState = ToolState.IN_SERVICE, cycles: int = 0) -> DueItem:
    due = None if days is None else TODAY + dt.timedelta(days=days)
    return DueItem("OCF-1", "wall", "", state, due, days, cycles, (10.0, 50.0))


@pytest.mark.parametrize(
    ("given", "when"),
    [
        (item(None, ToolState.OVERDUE), When.OVERDUE),
        (item(-1, ToolState.OVERDUE), When.OVERDUE),
        (item(200, ToolState.OVERDUE, 5000), When.OVERDUE),  # by its cycles
        (item(0, ToolState.DUE_SOON), When.WEEK),
        (item(4, ToolState.DUE_SOON), When.WEEK),  # Sunday
        (item(5, ToolState.DUE_SOON), When.MONTH),  # Monday, the 30th
        (item(6, ToolState.DUE_SOON), When.NEXT),  # 1 December
        (item(36), When.NEXT),
        (item(37), When.LATER),  # 1 January
        (item(200, ToolState.DUE_SOON, 4600), When.MONTH),  # 90 % of its cycles
    ],
)
def test_a_tool_is_due_this_week_this_month_next_month_or_later_by_the_calendar(given, when):
    assert when_of(given, TODAY) is when


def test_what_makes_a_tool_due_is_said_in_words():
    assert due_text(item(None, ToolState.OVERDUE), TODAY) == "never verified"
    assert due_text(item(-3, ToolState.OVERDUE), TODAY) == "overdue by 3 days"
    assert "limit" in due_text(item(200, ToolState.OVERDUE, 5000), TODAY)
    assert "near its limit" in due_text(item(200, ToolState.DUE_SOON, 4600), TODAY)


def test_the_list_holds_every_tool_in_service_once_most_urgent_first(shop, store):
    page, _, _, _ = shop(store)
    view = due_view(page)
    assert page.title.text() == "Due"
    assert "overdue" in page.subtitle.text()
    rows = tools_of(view)
    in_service = [record for record in store.tools(limit=1000) if record.state is ToolState.IN_SERVICE]
    assert sorted(row.number for row in rows) == sorted(record.number for record in in_service)
    order = [list(When).index(row.when) for row in rows]
    assert order == sorted(order)
    view.which.choose("overdue")
    assert {row.number for row in tools_of(view)} == {
        record.number for record in in_service if record.shown_state(TODAY) is ToolState.OVERDUE
    }
    view.which.choose("")
    view.place.setCurrentIndex(view.place.findText("electrical bench"))
    assert {row.item.place for row in view.list.rows} == {"electrical bench"}
    view.place.setCurrentIndex(0)
    view.order.choose("place")
    places = [row.item.place for row in tools_of(view)]
    assert places == sorted(places, key=str.casefold)


def test_what_a_tool_needs_is_what_the_plan_of_its_run_asks_for(shop, store):
    from benchapp.runs.planning import Refusal, RunPlan, plan_run
    from benchapp.runs.procedure import shipped_procedure
    from drivers.samples import Source

    page, _, _, _ = shop(store)
    view = due_view(page)
    references, procedure = store.references(), shipped_procedure("workshop-full")
    n_suiting = 0
    for row in tools_of(view):
        tool, needs = store.tool(row.number).tool, view.needs(row.number)
        suiting = {covering.number for covering in needs.would_do}
        assert suiting | {number for number, _ in needs.why_not} == {reference.number for reference in references}
        for reference in references:
            planned = plan_run(tool, reference, procedure, "fitter 1", Source.LIVE, today=TODAY, must_be_suitable=True)
            if isinstance(planned, RunPlan):
                assert planned.checkpoints == needs.checkpoints
            if reference.number in suiting:
                assert not isinstance(planned, Refusal), f"{reference.number} for {row.number}"
                n_suiting += 1
            elif isinstance(planned, RunPlan):
                # a run may begin, with a warning, against one that nobody should be sent to fetch
                assert reference.calibration is None or planned.warnings
    assert n_suiting
    ours = next(row for row in view.list.rows if row.number == "OCF-012")
    assert view._checkpoints_of(ours) == "15, 45, 75 lbf·ft"


def test_verify_now_puts_the_tool_up_on_the_bench(shop, store):
    page, _, tools, wanted = shop(store)
    view = due_view(page)
    view.list.selectRow(len(view.list.rows) - len(tools_of(view)))  # below the references
    first = view.list.current().number
    assert view.number.text() == first
    view.verify_it.click()
    QTest.keyClick(view.list, Qt.Key.Key_Return)
    assert tools == [first, first]
    view.to_rack.click()
    assert wanted[-1] == ("rack", first)


def test_an_empty_rack_says_what_makes_a_tool_due(shop, tmp_path):
    with Store.open(tmp_path / "e.kilter", demo=False) as empty:
        page, _, _, wanted = shop(empty)
        view = due_view(page)
        assert view.views.currentWidget() is view.empty
        view.empty.button.click()
        assert wanted == [("rack", "view:tools")]
        page.stop()


def test_the_printed_list_holds_every_tool_with_its_checkpoints(shop, store, tmp_path):
    page, _, _, _ = shop(store)
    view = due_view(page)
    for order in ("date", "place"):
        view.order.choose(order)
        view.save_pdf(tmp_path / "due.pdf")
        texts = texts_of(tmp_path / "due.pdf")
        for text in texts:
            assert "SIMULATED DATA" in text
        text = " ".join(texts)
        for row in tools_of(view):
            assert text.count(row.number) == 1
            assert view._checkpoints_of(row) in text
        assert ("workshop wall (" if order == "place" else "Overdue (") in text


def test_a_long_printed_list_repeats_its_headings_and_loses_no_line(qapp, tmp_path):
    lines = tuple(
        DueLine(f"OCF-{n:04}\nlets go, wrench", f"{'wall ' * (n % 9)}\nfitter", "2026-12-01", "10, 30 N·m", "REF-1")
        for n in range(300)
    )
    sections = [DueSection("Overdue", lines[:140]), DueSection("This week", ()), DueSection("Later", lines[140:])]
    n = write_due_list(tmp_path / "due.pdf", sections, day=TODAY, letter=True)
    read = pypdf.PdfReader(tmp_path / "due.pdf")
    assert n == len(read.pages) > 5
    assert (float(read.pages[0].mediabox.width), float(read.pages[0].mediabox.height)) == pytest.approx(
        (612, 792), abs=1
    )
    texts = texts_of(tmp_path / "due.pdf")
    assert sum(text.count("OCF-") for text in texts) == 300
    assert "This week" not in "".join(texts)
    for index, text in enumerate(texts):
        assert f"page {index + 1} of {n}" in text
        assert "Checkpoints" in text
        assert "SIMULATED" not in text
        assert index == 0 or "continued" in text or "Later (160)" in text


def test_the_calendar_file_is_read_by_a_general_calendar_library(shop, store, tmp_path):
    page, _, _, _ = shop(store)
    view = due_view(page)
    view.which.choose("later")
    rows = tools_of(view)
    view.save_calendar(tmp_path / "due.ics")
    raw = (tmp_path / "due.ics").read_bytes()
    assert raw.count(b"\r\n") == raw.count(b"\n")
    events = icalendar.Calendar.from_ical(raw).walk("VEVENT")
    assert len({str(e["uid"]) for e in events}) == len(events)
    events = [e for e in events if str(e["summary"]).startswith("Verify")]
    said = {(str(e["summary"]), e.decoded("dtstart"), str(e["location"])) for e in events}
    assert said == {(f"Verify {r.number}, {r.item.place}", r.item.due, r.item.place) for r in rows}
    needed = {str(e["summary"]).split()[1].rstrip(","): str(e["description"]) for e in events}
    for row in rows:
        references = view._reference_of(row)
        told = "None of our references will do." if references == "none of ours" else f"Reference {references}."
        assert told in needed[row.number]
        assert f"readings at {view._checkpoints_of(row)}." in needed[row.number]


def test_the_table_holds_the_lines_that_are_shown(shop, store, tmp_path):
    page, _, _, _ = shop(store)
    view = due_view(page)
    view.which.choose("overdue")
    shown = [row.number for row in tools_of(view)]
    assert shown
    view.save_table(tmp_path / "due.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "due.xlsx")["due"]
    references = [row.number for row in view._to_calibrate()]
    assert [row[0].value for row in sheet.iter_rows(min_row=2)] == [*shown, *references]
    view.save_table(tmp_path / "due.csv")
    with (tmp_path / "due.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    assert [line["number"] for line in lines] == [*shown, *references]
    lines = [line for line in lines if line["kind"] == "tool"]
    assert any(line["references"] for line in lines)
    for line, row in zip(lines, tools_of(view), strict=True):
        needs = view.needs(row.number)
        assert line["references"].split(";") == ([c.number for c in needs.would_do] or [""])
        assert {float(text) for text in line["checkpoints"].split(";")} == {c.target for c in needs.checkpoints}
        assert int(line["readings"]) == sum(c.n_readings for c in needs.checkpoints)
    assert (lines[0]["unit"], line["needs_nm"] != "") == (store.tool(shown[0]).tool.unit, True)


def test_the_due_table_of_the_records_says_what_the_page_says(shop, store):
    page, _, _, _ = shop(store)
    view = due_view(page)
    header, rows = exchange.table(store, "due", TODAY)
    at = header.index("references")
    assert {row[0] for row in rows} <= {row.number for row in (*view._rows, *view._due_references)}
    assert rows
    for row in rows:
        if row[header.index("kind")] == "reference":
            continue
        assert row[at] == ";".join(c.number for c in view.needs(row[0]).would_do)


@pytest.fixture
def calibrated(open_shop):
    """A shop whose references are overdue, due in nine days, due in a year, and without any calibration."""
    for number, days in (("REF-1", -3), ("REF-2", 9), ("REF-3", 365), ("REF-4", None)):
        points = tuple(CalibrationPoint(nm, nm * 1.001, 0.2) for nm in (20.0, 100.0, 200.0))
        due = TODAY + dt.timedelta(days=days or 0)
        calibration = Calibration(
            f"RA-{number[-1]}", "a laboratory", due - dt.timedelta(days=400), due, 20.0, 200.0, 2.0, points
        )
        known = () if days is None else (calibration,)
        open_shop.save_reference(Reference(number, 250.0, calibrations=known), who="custodian")
    open_shop.save_tool(
        ToolRecord(Tool("OCF-014", ToolType.SETTING, "A", "N·m", 20.0, 100.0, resolution=0.5), first_use=TODAY),
        who="fitter 2",
    )
    return open_shop


@pytest.fixture
def open_shop(tmp_path):
    with Store.open(tmp_path / "shop.sqlite", demo=False) as store:
        yield store


def test_references_to_be_calibrated_stand_first_in_each_period_and_in_a_section_of_their_own(shop, calibrated):
    page, _, _, wanted = shop(calibrated)
    view = due_view(page)
    assert [row.number for row in view.list.rows] == ["REF-4", "REF-1", "REF-2", "REF-3", "OCF-014"]
    assert "2 references to calibrate" in page.subtitle.text()
    view.which.choose("overdue")
    assert [row.number for row in view.list.rows] == ["REF-4", "REF-1"]
    assert view.number.text() == "REF-4"
    assert view.due.text() == "Never calibrated"
    view.which.choose("references")
    assert [row.number for row in view.list.rows] == ["REF-4", "REF-1", "REF-2", "REF-3"]
    assert not view.labels.isEnabled()
    view.list.selectRow(1)
    assert view.due.text() == "Overdue by 3 days"
    assert not view.verify_it.isVisible()
    QTest.mouseClick(view.to_reference, Qt.MouseButton.LeftButton)
    assert wanted[-1] == ("references", "REF-1")
    view.which.choose("")
    view.list.selectRow(4)
    assert view.verify_it.isVisible()
    assert not view.to_reference.isVisible()


def test_references_to_be_calibrated_go_out_on_paper_as_calendar_and_as_table(shop, calibrated, tmp_path):
    page, _, _, _ = shop(calibrated)
    view = due_view(page)
    view.save_pdf(tmp_path / "due.pdf")
    text = " ".join(texts_of(tmp_path / "due.pdf"))
    assert "References to calibrate (4)" in text
    for said in ("calibration RA-1", "overdue by 3 days", "no calibration yet", "1 tool and 4 references"):
        assert said in text, said
    view.save_calendar(tmp_path / "due.ics")
    calendar = icalendar.Calendar.from_ical((tmp_path / "due.ics").read_bytes())
    events = {str(e["summary"]): e for e in calendar.walk("VEVENT")}
    assert len(events) == 5
    assert events["Calibrate reference REF-2"].decoded("dtstart") == TODAY + dt.timedelta(days=9)
    assert "RA-2" in str(events["Calibrate reference REF-2"]["description"])
    assert "has no calibration" in str(events["Calibrate reference REF-4"]["description"])
    view.save_table(tmp_path / "due.csv")
    with (tmp_path / "due.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    assert [(line["number"], line["kind"]) for line in lines] == [
        ("OCF-014", "tool"),
        *((f"REF-{n}", "reference") for n in (4, 1, 2, 3)),
    ]
    assert (lines[2]["due"], lines[2]["state"], lines[2]["needs_nm"]) == (
        (TODAY - dt.timedelta(days=3)).isoformat(),
        "overdue",
        "20.0;200.0",
    )
    header, rows = exchange.table(calibrated, "due", TODAY)
    assert {row[0] for row in rows if row[header.index("kind")] == "reference"} == {"REF-1", "REF-2", "REF-4"}


def test_a_folder_that_is_not_there_is_told_and_nothing_is_written(shop, store, tmp_path):
    page, context, _, _ = shop(store)
    told = []
    context.message.connect(lambda kind, text: told.append((kind, text)))
    view = due_view(page)
    for save, name in ((view.save_pdf, "a.pdf"), (view.save_calendar, "a.ics"), (view.save_table, "a.xlsx")):
        save(tmp_path / "nowhere" / name)
        assert told[-1][0] == "problem"
        assert "Nothing was written" in told[-1][1]
    page.show_list()
    page.export_tools(tmp_path / "nowhere" / "a.xlsx")
    assert told[-1][0] == "problem"


# --------------------------------------------------------------------------------------------------------------- labels


def test_the_label_of_a_tool_is_opened_from_its_card_and_scanned_leads_back_to_it(shop, store, tmp_path, qtbot):
    page, _, _, _ = shop(store)
    page.open("OCF-003")
    page.card.label.click()
    view = page._built["labels"]
    assert page.title.text() == "Label of OCF-003"
    assert [face.standing for face in view.faces] == [Standing.SIMULATED]  # the demonstration workshop
    view.choose_size("roll-62")
    assert view.start.isHidden()
    view.save_pdf(tmp_path / "label.pdf")
    qtbot.waitUntil(lambda: not view.work.is_busy)
    (code,) = zxingcpp.read_barcodes(pages_of(tmp_path / "label.pdf")[0])
    view.back.click()
    assert page.views.currentWidget() is page.main
    page.open(number_of_scan(code.text))
    assert page.list.current().number == "OCF-003"


def test_labels_of_the_list_begin_where_the_sheet_is_clicked(shop, store, tmp_path, qtbot):
    page, _, _, _ = shop(store)
    page.search.setText("electrical")
    listed = [row.number for row in page.list.rows]
    assert 1 < len(listed) < 20
    page.want_labels()
    view = page._built["labels"]
    qtbot.waitUntil(lambda: not view.work.is_busy, timeout=60_000)  # read in slices, in one on a machine that is free
    assert [face.number for face in view.faces] == listed
    view.choose_size("a4-24")
    scale, corner = view.picture._scale()
    middle = corner + label_sizes()[0].place(7).center() * scale
    QTest.mouseClick(view.picture, Qt.MouseButton.LeftButton, pos=QPoint(round(middle.x()), round(middle.y())))
    assert view.start.value() == 8
    view.start.selectAll()
    QTest.keyClicks(view.start, "99")  # no such place
    QTest.keyClick(view.start, Qt.Key.Key_Return)
    assert (view.start.value(), view.start.text()) == (9, "9")
    QTest.keyClick(view.start, Qt.Key.Key_Down)
    assert (view.start.value(), view.start.text()) == (8, "8")
    view.save_pdf(tmp_path / "labels.pdf")
    qtbot.waitUntil(lambda: not view.work.is_busy)
    codes = zxingcpp.read_barcodes(pages_of(tmp_path / "labels.pdf")[0])
    assert sorted(number_of_scan(code.text) for code in codes) == sorted(listed)
    view.what.choose("good")  # the demonstration workshop has none
    assert not view.faces
    assert not view.save.isEnabled()
    assert "within limits" in view.problem.text()
    view.back.click()
    assert page.views.currentWidget() is page.main


def many(tmp_path, n):
    store = Store.open(tmp_path / "many.kilter", demo=False)
    tools = [Tool(f"OCF-{k:04}", ToolType.SETTING, "A", "N·m", 20.0, 100.0, resolution=1.0) for k in range(n)]
    import_tools(store, [ToolRecord(tool) for tool in tools], who="custodian", origin="a list")
    return store


def test_two_thousand_labels_leave_the_window_alive_and_can_be_stopped(shop, tmp_path, qtbot, monkeypatch):
    """While they are read and laid out a timer of the window goes on, and no slice of the work is long."""
    # 2,000 tools are read in some 100 ms: shorter slices, or a machine that is free would have them all in the first
    monkeypatch.setattr(slices, "FIRST_S", 0.01)
    monkeypatch.setattr(slices, "SLICE_S", 0.003)
    with many(tmp_path, 2000) as store:
        page, context, _, _ = shop(store)
        said = []
        context.message.connect(lambda kind, text: said.append((kind, text)))
        steps, words = [], []
        beat = QTimer()
        beat.setInterval(0)
        beat.timeout.connect(lambda: steps.append(view.work.is_busy))
        page.want_labels()
        view = page._built["labels"]
        assert view.work.is_busy
        assert not view.save.isEnabled()
        view.work.moved.connect(lambda _: words.append(view.says.text()))
        beat.start()
        qtbot.waitUntil(lambda: not view.work.is_busy, timeout=120_000)
        assert len(view.faces) == 2000
        assert sum(steps) > 5  # the window had its turn again and again
        assert any("of 2\u202f000 tools read" in text for text in words)
        target = tmp_path / "labels.pdf"
        view.save_pdf(target)
        qtbot.waitUntil(lambda: view._n_laid > 20, timeout=120_000)
        assert "labels laid out" in view.says.text()
        assert view.work.is_busy
        view.refresh()  # as after any change in the store: what is being written goes on
        assert view.work.is_busy
        QTest.mouseClick(view.halt, Qt.MouseButton.LeftButton)
        assert not view.work.is_busy
        assert said[-1] == ("note", "Stopped: nothing was written.")
        assert not list(tmp_path.glob("labels.pdf*"))
        assert view.save.isEnabled()
        beat.stop()


def test_a_sheet_under_way_ends_with_the_page_and_leaves_nothing(shop, tmp_path, qtbot):
    with many(tmp_path, 300) as store:
        page, _, _, _ = shop(store)
        page.want_labels()
        view = page._built["labels"]
        qtbot.waitUntil(lambda: not view.work.is_busy, timeout=60_000)
        view.save_pdf(tmp_path / "labels.pdf")
        if view.work.is_busy:  # else it was quick enough to be there
            page.stop()
            assert not list(tmp_path.glob("labels.pdf*"))
        view.save_pdf(tmp_path / "again.pdf")
        qtbot.waitUntil(lambda: not view.work.is_busy, timeout=60_000)
        assert len(pypdf.PdfReader(tmp_path / "again.pdf").pages) == 13  # 24 on a sheet
        assert not list(tmp_path.glob("*.part"))


def test_a_label_is_true_when_it_is_printed_not_when_the_page_was_opened(shop, tmp_path, qtbot):
    with Store.open(tmp_path / "s.kilter", demo=False) as store:
        tool = Tool("OCF-1", ToolType.SETTING, "A", "N·m", 10, 50, resolution=0.5)
        store.save_tool(ToolRecord(tool, first_use=TODAY))
        page, _, _, _ = shop(store)
        page.show_view("labels", "OCF-1")
        view = page._built["labels"]
        assert view.faces[0].standing is Standing.NEVER
        store.change_state("OCF-1", ToolState.QUARANTINED, who="fitter 1", why="fell")
        view.save_pdf(tmp_path / "l.pdf")
        qtbot.waitUntil(lambda: not view.work.is_busy)
        assert view.faces[0].standing is Standing.STOPPED
        page.stop()


def test_the_listed_tools_go_out_as_a_table(shop, store, tmp_path):
    page, _, _, _ = shop(store)
    page.search.setText("electrical")
    listed = [row.number for row in page.list.rows]
    page.export_tools(tmp_path / "tools.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "tools.xlsx")["tools"]
    header = [cell.value for cell in sheet[1]]
    assert [row[header.index("number")].value for row in sheet.iter_rows(min_row=2)] == listed
    page.export_tools(tmp_path / "tools.csv")
    with (tmp_path / "tools.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["number"] for row in rows] == listed
    assert {row["last_outcome"] for row in rows} <= {outcome.value for outcome in Outcome}


def test_every_listed_run_goes_out_as_a_table_also_those_not_scrolled_to(qtbot, store, tmp_path):
    context = AppContext(None, is_demo=True)
    context.give_store(store)
    page = LogbookPage(context)
    qtbot.addWidget(page)
    lines = store.runs(limit=100_000)
    assert len(lines) > len(page.list.rows) > 0
    page.export_runs(tmp_path / "runs.csv")
    with (tmp_path / "runs.csv").open(encoding="utf-8", newline="") as file:
        assert [row["run_id"] for row in csv.DictReader(file)] == [line.run_id for line in lines]
    page.verdict.choose("out")
    page.export_runs(tmp_path / "runs.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "runs.xlsx")["runs"]
    header = [cell.value for cell in sheet[1]]
    written = [row[header.index("run_id")].value for row in sheet.iter_rows(min_row=2)]
    assert written == [line.run_id for line in lines if line.outcome in (Outcome.OUT, Outcome.UNDECIDED)]
    assert written
    page.stop()
