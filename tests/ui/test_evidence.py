"""The Rack's views of evidence and the daily check of a reference: jobs, work list, impact, life, fleet, photo."""

from __future__ import annotations

import csv
import datetime as dt
import re
import threading
import time
import unicodedata
from dataclasses import replace

import openpyxl
import pypdf
import pytest
from PySide6.QtCore import QCoreApplication, Qt
from PySide6.QtGui import QColor, QImage
from PySide6.QtTest import QTest

from benchapp.records import NotAllowedError, Store, demo, worklist
from benchapp.records import check_standard as cs
from benchapp.records import fleet as found
from benchapp.records import history as life
from benchapp.records import impact as found_out
from benchapp.records.labels import Label, label_text
from benchapp.records.model import MOST_PHOTO_BYTES, Outcome, ToolState
from benchapp.ui import page as pages
from benchapp.ui.context import AppContext
from benchapp.ui.rack import page as rack_page
from benchapp.ui.rack.photo import LONGEST_SIDE, PhotoError, jpeg_of, shrunk
from benchapp.ui.references import checks
from benchapp.ui.references import page as references_page
from benchapp.ui.timechart import Drawn, Mark, TimeChart, day_marks
from drivers.samples import Source

from .conftest import TODAY

DEMO_YEARS = None  # of the demonstration workshop (see conftest)


class OpenLock:
    """The custodian has given the passphrase."""

    def custodian(self) -> str:
        return "custodian"


class Bench:
    """As much of the live bench as the daily check asks."""

    def __init__(self) -> None:
        self.started = []

    def view(self):
        class View:
            source = Source.SIMULATED

        return View

    def start_run(self, plan) -> None:
        self.started.append(plan)


@pytest.fixture
def empty(tmp_path):
    with Store.open(tmp_path / "empty.kilter", demo=True) as opened:
        yield opened


@pytest.fixture
def shop(qtbot, monkeypatch):
    """Return what makes a page on a store: (page, context, [(page wanted, key)])."""
    for module in (rack_page, references_page, checks, pages):
        monkeypatch.setattr(module, "today", lambda: TODAY)
    shown = []

    def build(store, what=rack_page.RackPage):
        context = AppContext(Bench(), is_demo=True)
        context.operator = "fitter 2"
        context.give_store(store)  # which comes with a closed lock
        context.lock = OpenLock()
        page = what(context)
        qtbot.addWidget(page)
        page.resize(1366, 720)
        page.show()
        shown.append(page)
        wanted = []
        context.page_wanted.connect(lambda name, key: wanted.append((name, key)))
        return page, context, wanted

    yield build
    for page in shown:
        if hasattr(page, "stop"):
            page.stop()


def view(page, name: str, key: str = ""):
    page.show_view(name, key)
    return page._built[name]


def in_doubt(page, key: str):
    """What a reference found out puts in doubt, once the runs have been judged again beside the window."""
    shown = view(page, "impact", key)
    judged_again(shown)
    return shown


def judged_again(shown) -> None:
    end = time.monotonic() + 60
    while shown.errand.is_busy and time.monotonic() < end:
        QCoreApplication.processEvents()
        time.sleep(0.005)
    assert not shown.errand.is_busy


def found_out_run(store, tool: str = "OCF-004") -> str:
    return next(line.run_id for line in store.runs(tool=tool, limit=100) if line.outcome is Outcome.OUT)


# --------------------------------------------------------------------------------------------------------- the switch


def test_the_switch_goes_to_each_view_and_back_to_the_tools(shop, store):
    page, _, _ = shop(store)
    assert not page._built
    for name, title in (("jobs", "Jobs"), ("work", "Work list"), ("fleet", "Fleet")):
        page.switch.choose(name)
        assert page.views.currentWidget() is page._built[name]
        assert page.title.text() == title
        assert page.add.isHidden()
    page.switch.choose("tools")
    assert page.views.currentWidget() is page.main
    assert page.title.text() == "Rack"


def test_the_switch_keeps_its_place_and_says_how_much_is_open(shop, store):
    page, context, _ = shop(store)
    QTest.qWait(1)  # laid out
    place = page.switch.mapTo(page, page.switch.rect().topLeft())
    n = store.n_open_tasks()
    assert page.switch._buttons["work"].text() == (f"Work list · {n}" if n else "Work list")
    for name in ("due", "jobs", "work", "fleet", "tools"):
        page.switch.choose(name)
        QTest.qWait(1)
        assert page.switch.mapTo(page, page.switch.rect().topLeft()) == place, name
    assert n > 1
    first = worklist.tasks(store, include_closed=False)[0]
    worklist.close_task(store, first.key, "joint looked at", who="fitter 2")
    context.store_changed.emit("tasks")
    assert page.switch._buttons["work"].text() == f"Work list · {n - 1}"


def test_each_view_of_an_empty_store_says_what_to_do_first(shop, empty):
    page, _, wanted = shop(empty)
    for name, part in (("work", "empty"), ("fleet", "empty")):
        shown = view(page, name)
        assert shown.views.currentWidget() is getattr(shown, part)
        assert getattr(shown, part).button.text()
    jobs = view(page, "jobs")
    assert not jobs.empty.isHidden()
    assert jobs.list.isHidden()
    view(page, "fleet").empty.button.click()
    assert wanted == [("bench", "")]
    none = view(page, "impact", "run:nothing")
    assert none.views.currentWidget() is none.refused
    assert "no sealed run" in none.refused.sentence.text()


def test_a_view_asked_for_before_the_records_are_open_is_shown_when_they_are(qtbot, store):
    context = AppContext(None, is_demo=True)
    page = rack_page.RackPage(context)
    qtbot.addWidget(page)
    page.open("view:jobs")
    assert page.views.currentWidget() is page.waiting
    context.give_store(store)
    assert page.views.currentWidget() is page._built["jobs"]
    page.stop()


# ----------------------------------------------------------------------------------------------------------------- jobs


def scan(jobs, *codes: str) -> None:
    for code in codes:
        QTest.keyClicks(jobs.scan, code)
        QTest.keyClick(jobs.scan, Qt.Key.Key_Return)


def test_scans_one_after_another_log_uses_and_count_cycles(shop, store):
    page, context, _ = shop(store)
    context.operator = ""
    before = {number: store.tool(number).cycles for number in ("OCF-003", "OCF-005")}
    n_before = len(store.all_jobs())
    jobs = view(page, "jobs")
    assert "who works" in jobs.wanted.text()
    scan(jobs, "B-11")
    assert "job" in jobs.wanted.text()
    scan(jobs, "ramp hinge, north side")
    assert "tools" in jobs.wanted.text()
    jobs.cycles.put(8)
    jobs.torque.edit.setText("30")
    scan(jobs, "OCF-003", label_text(Label("OCF-005")))
    logged = store.all_jobs()[n_before:]
    assert [(job.tool, job.person, job.job, job.cycles) for job in logged] == [
        ("OCF-003", "fitter 1", "ramp hinge, north side", 8),
        ("OCF-005", "fitter 1", "ramp hinge, north side", 8),
    ]
    assert logged[0].torque_nm == pytest.approx(30.0)
    assert store.tool("OCF-003").cycles == before["OCF-003"] + 8
    assert jobs.list.rows[0].tool == "OCF-005"


def test_a_use_scanned_by_mistake_is_taken_back_with_a_reason_only(shop, store):
    page, _, _ = shop(store)
    jobs = view(page, "jobs")
    n = len(store.all_jobs())
    scan(jobs, "slip hook", "OCF-003")  # who pulls is known already
    jobs.take_back.click()
    jobs.take_out.click()
    assert len(store.all_jobs()) == n + 1
    assert "who and why" in jobs.problem.text()
    jobs.why.put("wrong tool scanned")
    jobs.take_out.click()
    assert len(store.all_jobs()) == n


def test_a_torque_that_cannot_be_read_logs_nothing_and_says_so(shop, store):
    page, _, _ = shop(store)
    jobs = view(page, "jobs")
    n = len(store.all_jobs())
    jobs.torque.edit.setText("tight")
    scan(jobs, "slip hook", "OCF-003")
    assert len(store.all_jobs()) == n
    assert "not logged" in jobs.problem.text()


def test_a_tool_that_should_not_be_used_is_logged_and_said_so(shop, store):
    page, _, _ = shop(store)
    jobs = view(page, "jobs")
    n = len(store.all_jobs())
    store.change_state("OCF-003", ToolState.QUARANTINED, who="custodian", why="dropped")
    scan(jobs, "fitter 1", "slip hook", "OCF-003")
    assert len(store.all_jobs()) == n + 1
    assert jobs.problem.text() == "Do not use OCF-003: it is quarantined."
    scan(jobs, "OCF-005")
    assert jobs.problem.text().startswith("Do not use OCF-005: it is overdue by")
    for button in (jobs.take_back, jobs.again):
        assert button.width() >= button.sizeHint().width(), button.text()
    scan(jobs, "OCF-002")
    assert jobs.problem.text() == ""
    scan(jobs, "OCF-998")
    assert jobs.done.text() == ""
    assert "No tool in the Rack is OCF-998" in jobs.problem.text()
    assert jobs.scanned.job == "slip hook"


def test_a_scan_while_no_field_has_the_keyboard_is_taken_too(shop, store):
    page, _, _ = shop(store)
    assert not page.take_scan("anything")
    jobs = view(page, "jobs")
    assert page.take_scan("gear case")
    assert jobs.scanned.job == "gear case"


def test_a_list_of_jobs_is_looked_at_and_comes_in_when_it_is_said(shop, store, tmp_path):
    page, _, _ = shop(store)
    jobs = view(page, "jobs")
    file = tmp_path / "jobs.csv"
    file.write_text("Tool;Work order;Who;Date;Pulls\nOCF-003;hinge;fitter 1;2026-11-20;4\nOCF-999;x;y;2026-11-20;1\n")
    n = len(store.all_jobs())
    jobs.preview_import(str(file))
    assert page.title.text() == "Import a list of jobs"
    assert [job.tool for job in jobs.importing.good.rows] == ["OCF-003"]
    assert "no tool OCF-999" in jobs.importing.bad.rows[0].why
    assert "noon" in jobs.importing.notes.text()
    assert len(store.all_jobs()) == n
    jobs.importing.go.click()
    assert len(store.all_jobs()) == n + 1
    assert jobs.views.currentWidget() is jobs.main
    jobs.preview_import(str(tmp_path / "none.csv"))
    assert "none.csv" in jobs.problem.text()


def test_the_jobs_of_a_tool_are_opened_from_its_card(shop, store):
    page, _, _ = shop(store)
    page.open("OCF-007")
    page.card.jobs.click()
    jobs = page._built["jobs"]
    assert page.switch.value() == "jobs"
    assert {job.tool for job in jobs.list.rows} == {"OCF-007"}


def test_the_log_is_searched_as_one_types(shop, store, qtbot):
    page, _, _ = shop(store)
    jobs = view(page, "jobs")
    QTest.keyClicks(jobs.search, "winch OCF-007")
    qtbot.waitUntil(lambda: all("winch" in j.job and j.tool == "OCF-007" for j in jobs.list.rows), timeout=60_000)
    assert jobs.list.rows


# --------------------------------------------------------------------------------------------------------------- impact


def test_a_tool_found_out_shows_period_errors_and_jobs_and_puts_them_on_the_list(shop, store):
    page, _, wanted = shop(store)
    run_id = found_out_run(store, "OCF-007")
    shown = view(page, "impact", f"run:{run_id}")
    known = found_out.tool_impact(store, run_id)
    assert page.title.text() == "OCF-007 was found out"
    assert shown.of_tool.errors.rows == list(known.errors)
    assert shown.of_tool.jobs.rows == list(known.jobs)
    assert known.jobs
    assert "more torque" in shown.of_tool.says.text() or "less torque" in shown.of_tool.says.text()
    assert shown.of_tool.put.text().startswith(f"Put {len(known.jobs)} job")
    n_open = store.n_open_tasks()
    shown.of_tool.put.click()
    assert store.n_open_tasks() == n_open + len(known.jobs)
    assert wanted[-1] == ("rack", f"view:work:{run_id}")
    assert shown.of_tool.put.text() == "Go to the work list"


def test_a_reference_found_out_shows_changed_verdicts_first_and_can_begin_later(shop, store):
    page, _, _ = shop(store)
    shown = in_doubt(page, "reference:REF-1")
    runs = shown.of_reference.runs.rows
    changed = [run.changes for run in runs]
    assert changed[0]
    assert changed == sorted(changed, reverse=True)
    assert "would be judged otherwise" in shown.of_reference.says.text()
    shown.of_reference.since.put(dt.date(2024, 5, 10))
    shown.of_reference.use_since.click()
    judged_again(shown)
    assert 0 < len(shown.of_reference.runs.rows) < len(runs)
    shown.of_reference.since.edit.setText("yesterday")
    shown.of_reference.use_since.click()
    assert shown.of_reference.since.problem


def test_tools_in_service_by_a_verdict_that_changes_are_taken_out_of_service_from_there(shop, store):
    newest = store.reference("REF-1").calibration
    points = tuple(replace(point, indicated_nm=point.indicated_nm * 1.03) for point in newest.points)
    later = replace(newest, certificate="RA-9", calibrated=TODAY, due=TODAY.replace(year=2028), points=points)
    store.add_calibration("REF-1", later, who="custodian")
    page, _, _ = shop(store)
    shown = in_doubt(page, "reference:REF-1:RA-9")
    stopping = shown._to_stop
    assert stopping
    assert not shown.of_reference.stop_tools.isHidden()
    for run in shown.of_reference.runs.rows:  # a verdict that a newer run has replaced stops nothing
        if run.tool in stopping and run.changes:
            assert store.tool(run.tool).state is ToolState.IN_SERVICE
    shown.of_reference.stop_tools.click()
    judged_again(shown)
    for number in stopping:
        change = store.state_changes(number)[-1]
        assert (change.new, change.who) == (ToolState.QUARANTINED, "fitter 2")
        assert "RA-9" in change.why
    assert shown.of_reference.stop_tools.isHidden()  # nothing is left to stop


def test_runs_are_judged_again_beside_the_window_which_says_how_far_it_is(shop, store, monkeypatch):
    page, _, _ = shop(store)
    goes_on, threads, really = threading.Event(), [], found_out._rejudged

    def slowly(*given):
        threads.append(threading.current_thread())
        assert goes_on.wait(60)
        return really(*given)

    monkeypatch.setattr(found_out, "_rejudged", slowly)
    shown = view(page, "impact", "reference:REF-1")  # comes back although nothing is judged yet
    assert shown.views.currentWidget() is shown.working
    assert page.title.text() == "In doubt"
    end = time.monotonic() + 60
    while not shown.working.sentence.text() and time.monotonic() < end:
        QCoreApplication.processEvents()
        time.sleep(0.005)
    assert re.match(r"Run \d+ of \d+ by the corrected calibration", shown.working.sentence.text())
    goes_on.set()
    judged_again(shown)
    assert shown.views.currentWidget() is shown.of_reference
    assert page.title.text() == "REF-1 was found out"
    assert threading.main_thread() not in threads
    before, shown._key = len(threads), ""
    goes_on.clear()
    shown.open("reference:REF-1")
    shown.open(f"run:{found_out_run(store)}")  # somebody looks at something else meanwhile
    goes_on.set()
    for thread in threads[before:]:
        thread.join(60)
    QCoreApplication.processEvents()
    assert shown.views.currentWidget() is shown.of_tool


def test_the_last_good_daily_check_shortens_what_is_in_doubt(shop, store):
    newest = store.reference("REF-1").calibration
    store.add_calibration(
        "REF-1", replace(newest, certificate="RA-9", calibrated=TODAY, due=TODAY.replace(year=2028)), who="custodian"
    )
    page, _, _ = shop(store)
    shown = in_doubt(page, "reference:REF-1:RA-9")
    everything = len(shown.of_reference.runs.rows)
    assert not shown.of_reference.use_check.isHidden()
    shown.of_reference.use_check.click()
    judged_again(shown)
    assert shown._impact.since.isoformat() == store.check_standing("REF-1").points[-1].value.at[:10]
    assert len(shown.of_reference.runs.rows) < everything


def test_the_way_to_what_is_in_doubt_lies_on_the_card_and_only_for_a_tool_found_out(shop, store):
    page, _, _ = shop(store)
    page.open("OCF-004")
    assert not page.card.doubt.isHidden()
    page.card.doubt.click()
    assert page.title.text() == "OCF-004 was found out"
    page.open("OCF-001")
    assert page.card.doubt.isHidden()


# ------------------------------------------------------------------------------------------------------------ work list


def test_items_are_closed_one_after_another_with_who_and_why(shop, store):
    page, _, _ = shop(store)
    work = view(page, "work")
    n = store.n_open_tasks()
    assert len(work.list.rows) == n > 1
    assert page.subtitle.text().startswith(f"{n} open")
    first = work.list.current()
    work.close_it.click()  # no reason yet
    assert store.n_open_tasks() == n
    work.reason.put("bolts looked at, torque right")
    work.close_it.click()
    assert store.n_open_tasks() == n - 1
    assert work.list.current().key != first.key
    closed = next(task for task in worklist.tasks(store) if task.key == first.key)
    assert (closed.closed_by, closed.reason) == ("fitter 2", "bolts looked at, torque right")
    work.which.choose("all")
    assert len(work.list.rows) > n - 1


def test_when_everything_is_closed_the_list_says_so(shop, store):
    for task in worklist.tasks(store, include_closed=False):
        worklist.close_task(store, task.key, "looked at", who="fitter 1")
    page, _, _ = shop(store)
    work = view(page, "work")
    assert work.list.rows == []
    assert "Everything here is closed" in work.none_left.text()


# ----------------------------------------------------------------------------------------------------------------- life


def test_a_tools_life_shows_found_and_left_limits_uncertainty_and_where_it_drifts_to(shop, store):
    page, _, wanted = shop(store)
    page.open("OCF-014")
    page.card.years.click()
    shown = page._built["life"]
    assert page.title.text() == "OCF-014 over the years"
    full = [run for run in life.tool_history(store, "OCF-014") if run.stage is not life.Stage.SPOT]
    assert len(shown.chart.drawn.marks) == sum(len(run.points) for run in full)
    assert shown.which.count() == 4  # all, and three checkpoints
    assert "Bars" not in shown.legend.text()  # of all checkpoints at once none are drawn
    shown.which.setCurrentIndex(1)
    drawn = shown.chart.drawn
    assert len(drawn.marks) == len(full)
    assert all(mark.reach for mark in drawn.marks)
    assert shown.legend.text().startswith("Bars: expanded uncertainty.")
    assert drawn.steps[0][1:] == (-4.0, 4.0)
    assert len(drawn.reach) == 13
    assert {moment.word for moment in drawn.moments} >= {"kept aside"}
    assert [mark.filled for mark in drawn.marks] == [run.stage is life.Stage.AS_FOUND for run in full]
    shown.chart.wanted.emit(drawn.marks[0].key)
    assert wanted[-1] == ("logbook", full[0].run_id)
    shown.left.emit()
    assert page.views.currentWidget() is page.main


def test_the_band_of_the_drift_reaches_the_limit_when_it_can_no_longer_be_excluded(store):
    for drift in life.drifts(life.tool_history(store, "OCF-014")):
        at = [t for t, low, high in drift.band if low <= -drift.limit_percent or high >= drift.limit_percent]
        if drift.earliest_months is None:  # none within 20 years
            assert not at
            continue
        before = [t for t, _, _ in drift.band if t <= drift.earliest_months]
        assert not at or min(at) >= max(before)


def test_the_custodian_takes_a_suggestion_or_does_not(shop, store):
    page, context, _ = shop(store)
    shown = view(page, "life", "OCF-004")
    assert shown.method.value() == "a3"
    months = shown._suggestions["a3"].months
    assert (shown.take.text(), shown.leave.text()) == (f"Take {months} months", "Stay at 12 months")
    shown.take.click()  # without a reason
    assert store.tool("OCF-004").interval_months is None
    shown.why.put("too early to lengthen")
    shown.leave.click()
    assert store.tool("OCF-004").interval_months is None
    assert "not taken by custodian" in shown.decided.text()
    shown.why.put("found out")
    shown.take.click()
    assert store.tool("OCF-004").interval_months == months
    assert "taken by custodian" in shown.decided.text()
    assert shown.months.text() == f"{months} months"  # and no step further until there is a new result
    assert (shown.take.text(), shown.leave.text()) == (f"Stay at {months} months", "Do not follow it")
    context.lock = None
    asked = []
    context.custodian_wanted.connect(lambda what, do: asked.append(what))
    shown.why.put("again")
    shown.take.click()
    assert "interval of OCF-004" in asked[0]


def test_a_tool_of_spot_checks_only_is_shown_as_such(shop, store):
    page, _, _ = shop(store)
    shown = view(page, "life", "OCF-090")
    assert {mark.shape for mark in shown.chart.drawn.marks} == {"cross"}
    assert any(shape == "cross" and "spot check" in words for shape, _, words in shown.chart.drawn.names)
    newest = life.tool_history(store, "OCF-090", most_spots=5)
    assert newest == life.tool_history(store, "OCF-090")[-5:]
    assert shown._suggestions == {}


def test_a_tool_never_verified_says_what_to_do(shop, store):
    page, context, _ = shop(store)
    wanted = []
    context.tool_wanted.connect(wanted.append)
    shown = view(page, "life", "OCF-040")
    assert shown.views.currentWidget() is shown.empty
    shown.empty.button.click()
    assert wanted == ["OCF-040"]


# ---------------------------------------------------------------------------------------------------------------- fleet


def test_the_fleet_is_told_apart_by_each_of_the_five_and_names_what_to_replace(shop, store):
    page, _, wanted = shop(store)
    fleet = view(page, "fleet")
    total = fleet._n
    for by in ("age", "place", "keeper", "user"):
        fleet.by.choose(by)
        assert fleet.bars.shares == tuple(found.fleet(store, found.GroupBy(by)))
        assert fleet._n == total
    assert [each.number for each in fleet.replace.rows] == ["OCF-015"]
    fleet.since.choose("1")
    assert fleet._n[0] < total[0]
    fleet.replace.opened.emit(fleet.replace.rows[0])
    assert wanted[-1] == ("rack", "view:life:OCF-015")
    fleet.grab()


# ---------------------------------------------------------------------------------------------------------------- photo


def picture(path, width: int, height: int) -> str:
    image = QImage(width, height, QImage.Format.Format_RGB32)
    image.fill(QColor("#406080"))
    for x in range(0, width, 3):
        image.setPixelColor(x, x % height, QColor("#ffffff"))
    image.save(str(path))
    return str(path)


def test_a_photo_is_made_small_kept_shown_and_taken_away(shop, store, tmp_path):
    page, _, _ = shop(store)
    page.open("OCF-003")
    assert page.card.photo.isHidden()
    assert not page.card.add_photo.isHidden()
    page.take_photo(picture(tmp_path / "big.png", 3000, 2000))
    kept = store.tool("OCF-003").photo
    assert len(kept) <= MOST_PHOTO_BYTES
    image = QImage.fromData(kept)
    assert max(image.width(), image.height()) == LONGEST_SIDE
    assert not page.card.photo.isHidden()
    page.card.photo.clicked.emit()
    assert page.views.currentWidget() is page.photo
    page.photo.remove.click()
    assert store.tool("OCF-003").photo is None
    assert page.card.photo.isHidden()


def test_what_is_no_picture_is_refused_with_a_sentence(shop, store, tmp_path):
    page, context, _ = shop(store)
    said = []
    context.message.connect(lambda kind, text: said.append((kind, text)))
    (tmp_path / "no.jpg").write_bytes(b"not a picture")
    page.take_photo(str(tmp_path / "no.jpg"))
    assert said[-1][0] == "problem"
    assert "no picture" in said[-1][1]
    with pytest.raises(PhotoError, match="Choose another file"):
        shrunk(str(tmp_path / "none.jpg"))


def test_the_store_keeps_no_photo_that_is_too_large_or_something_else(store):
    record = store.tool("OCF-003")
    with pytest.raises(NotAllowedError, match="at most 1 MB"):
        store.save_tool(replace(record, photo=b"\xff\xd8" + bytes(MOST_PHOTO_BYTES)))
    with pytest.raises(NotAllowedError, match="JPEG or PNG"):
        store.save_tool(replace(record, photo=b"GIF89a"))


def test_a_noisy_picture_is_packed_until_it_fits(tmp_path):
    import numpy as np

    noise = np.random.default_rng(0).integers(0, 256, (1280, 1280, 4), dtype=np.uint8)
    image = QImage(noise.tobytes(), 1280, 1280, QImage.Format.Format_RGB32)
    assert len(jpeg_of(image)) <= MOST_PHOTO_BYTES


# ---------------------------------------------------------------------------------------------------------- daily check


def references(shop, store):
    page, context, wanted = shop(store, references_page.ReferencesPage)
    page.open("REF-1:check")
    return page, context, wanted


def move_reference(store, percent: float = 3.0) -> None:
    """A morning on which the check standard reads otherwise."""
    import numpy as np

    reference = store.reference("REF-1")
    tool = store.tool("OCF-090").tool
    spot = next(p for p in demo.shipped_procedures() if p.is_spot_check)
    clock = demo._Clock(store.now())
    demo._run(store, clock, np.random.default_rng(3), tool, reference, spot, percent, clean=True, target=60.0)


def test_the_daily_check_shows_both_charts_with_limits_and_their_source(shop, store):
    page, _, wanted = references(shop, store)
    check = page.check
    standing = store.check_standing("REF-1")
    assert len(check.values.drawn.marks) == len(standing.points)
    assert check.values.drawn.steps[-1][1:] == standing.limits
    assert check.averages.drawn.steps[-1][1:] == standing.average_limits
    assert sum(mark.ringed for mark in check.values.drawn.marks) == 1
    assert "NIST/SEMATECH" in check.source.text()
    assert "Not pulled today" in check.says.text()
    assert check.look.isHidden()
    check.values.wanted.emit(check.values.drawn.marks[0].key)
    assert wanted[-1] == ("logbook", standing.points[0].value.run_id)


def test_the_check_is_pulled_from_there_as_a_run_of_the_standard(shop, store):
    page, context, wanted = references(shop, store)
    context.operator = ""
    page.check.pull.click()
    assert context.bench.started == []
    context.operator = "fitter 1"
    page.check.pull.click()
    (plan,) = context.bench.started
    assert (plan.tool.number, plan.reference.number, plan.operator) == ("OCF-090", "REF-1", "fitter 1")
    assert [point.target for point in plan.checkpoints] == [60.0]
    assert wanted[-1] == ("bench", "")


def test_out_of_limits_is_said_and_the_custodian_lets_the_work_go_on_with_a_reason(shop, store):
    move_reference(store)
    page, _, _ = references(shop, store)
    check = page.check
    assert "REF-1 is stopped" in check.says.text()
    assert "No run starts with it" in page.sentence.text()
    assert "1 stopped by the daily check" in page.subtitle.text()
    assert not check.look.isHidden()
    check.look.click()
    check.looked.click()  # without a reason
    assert cs.refusal(store, "REF-1", "OCF-003")
    check.look_form.fields["why"].put("drive not seated")
    check.looked.click()
    assert cs.refusal(store, "REF-1", "OCF-003") == ""
    assert check.views.currentWidget() is check.charts
    assert "drive not seated" in check.says.text() or "Not pulled today" in check.says.text()


def test_a_reference_without_check_standard_gets_one_from_there(shop, store):
    page, _, _ = references(shop, store)
    page.open("REF-2:check")
    check = page.check
    assert check.views.currentWidget() is check.none
    check.choose.click()
    numbers = [check.tool.box.itemData(i) for i in range(check.tool.box.count())]
    assert "OCF-001" in numbers
    assert "OCF-015" not in numbers  # begins above what the reference can
    check.tool.put("OCF-001")
    check.target.put(6.0)
    check.form.fields["why"].put("stable for five years")
    check.agree.click()
    setup = cs.setup_of(store, "REF-2")
    assert (setup.standard, setup.target, setup.who) == ("OCF-001", 6.0, "custodian")
    assert check.views.currentWidget() is check.charts
    check.change.click()
    check.target.put(60.0)
    check.form.fields["why"].put("too high")
    check.agree.click()
    assert "outside" in check.setting_problem.text()
    check.form.fields["why"].put("not needed")
    check.end.click()
    assert cs.setup_of(store, "REF-2") is None


def test_a_reference_over_its_calibrations_shows_what_moved_and_leads_to_what_is_in_doubt(shop, store):
    page, _, wanted = references(shop, store)
    page.open("REF-1:years")
    years = page.years
    assert len(years.chart.drawn.marks) == 9  # three torques, three certificates
    assert sum(mark.ringed for mark in years.chart.drawn.marks) == 3
    assert "it has moved" in years.says.text()
    assert "on 2027-03-03 it may read" in years.says.text()
    years.impact.click()
    assert wanted[-1] == ("rack", "view:impact:reference:REF-1")
    page.open("REF-3:years")
    assert years.chart.drawn == Drawn()
    assert years.impact.isHidden()


# ---------------------------------------------------------------------------------------------------------------- chart


def test_a_mark_is_found_under_the_pointer_and_opens_what_it_stands_for(qtbot):
    chart = TimeChart("nothing", "chart")
    qtbot.addWidget(chart)
    chart.resize(500, 240)
    chart.grab()  # empty
    chart.show_drawn(Drawn((Mark(0.0, 0.0, key="a"), Mark(86400.0 * 100, 1.0, "diamond", key="b")), limits=(-2.0, 2.0)))
    chart.grab()
    place = chart._place(chart._area(), 86400.0 * 100, 1.0, chart._scales())
    with qtbot.waitSignal(chart.wanted, timeout=60_000) as told:
        QTest.mouseClick(chart, Qt.MouseButton.LeftButton, pos=place.toPoint())
    assert told.args == ["b"]


@pytest.mark.parametrize("days", [1, 10, 100, 1000, 10000, 40000])
def test_an_axis_names_some_moments_and_not_too_many(days):
    first = dt.datetime(2001, 5, 17).timestamp()
    marks = day_marks(first, first + days * 86400.0, 6.0)
    assert len(marks) <= 8
    assert all(first <= moment <= first + days * 86400.0 + 86400.0 for moment, _ in marks)


def test_states_are_changed_with_who_and_why_and_only_as_allowed(shop, store):
    page, _, _ = shop(store)
    page.open("OCF-003")
    page.ask_state()
    offered = [page.stating.state.box.itemData(i) for i in range(page.stating.state.box.count())]
    assert ToolState.IN_SERVICE.value not in offered
    page.stating.save.click()  # without a reason
    assert store.tool("OCF-003").state is ToolState.IN_SERVICE
    page.stating.state.put(ToolState.AT_LABORATORY.value)
    page.stating.why.put("to be calibrated")
    page.stating.save.click()
    change = store.state_changes("OCF-003")[-1]
    assert (change.new, change.who, change.why) == (ToolState.AT_LABORATORY, "fitter 2", "to be calibrated")


def test_back_in_service_without_a_good_run_only_by_the_custodians_word_and_the_record_says_so(shop, store):
    page, _, _ = shop(store)
    page.open("OCF-009")
    page.ask_state()
    assert page.stating.override.isHidden()
    page.stating.state.put(ToolState.IN_SERVICE.value)
    page.stating.why.put("looked at, nothing bent")
    page.stating.save.click()
    assert store.tool("OCF-009").state is ToolState.QUARANTINED
    assert "no full run within limits" in page.stating.problem.text()
    assert not page.stating.override.isHidden()
    page.stating.override.click()
    assert store.tool("OCF-009").state is ToolState.IN_SERVICE
    change = store.state_changes("OCF-009")[-1]
    assert (change.who, change.why) == ("custodian", "looked at, nothing bent")
    assert b'"override":true' in store.entries("OCF-009")[-1].body


def test_the_list_of_tools_is_narrowed_by_place_and_opening_one_widens_it_again(shop, store):
    page, _, _ = shop(store)
    everything = len(page.list.rows)
    page.place.setCurrentText("ferry north, engine room")
    assert 0 < len(page.list.rows) < everything
    assert {row.record.place for row in page.list.rows} == {"ferry north, engine room"}
    page.refresh()
    assert page.place.currentText() == "ferry north, engine room"
    page.open("OCF-001")
    assert page.list.current().number == "OCF-001"


# ------------------------------------------------------------------------------------------- many runs, paper and table


def test_runs_in_doubt_are_narrowed_to_what_changes_and_told_tool_by_tool(shop, store):
    page, _, _ = shop(store)
    shown = in_doubt(page, "reference:REF-1")
    every = list(shown.of_reference.runs.rows)
    assert shown.of_reference.counted.text().startswith(f"{len(every)} runs, ")
    shown.of_reference.which.choose("changed")
    changed = list(shown.of_reference.runs.rows)
    assert changed == [run for run in every if run.changes]
    assert 0 < len(changed) < len(every)
    assert f"{len(changed)} judged otherwise" in shown.of_reference.counted.text()
    shown.of_reference.which.choose("tools")
    assert shown.of_reference.runs.isHidden()
    tools = list(shown.of_reference.of_tools.rows)
    assert sum(tool.n_runs for tool in tools) == len(every)
    assert [tool.n_changed for tool in tools] == sorted((tool.n_changed for tool in tools), reverse=True)
    shown.of_reference.of_tools.opened.emit(tools[0])
    assert [run.tool for run in shown.of_reference.runs.rows] == [tools[0].tool] * tools[0].n_runs
    assert not shown.of_reference.runs.isHidden()
    assert tools[0].tool in shown.of_reference.counted.text()
    shown.of_reference.which.choose("tools")
    assert not shown.of_reference.of_tools.isHidden()


def test_the_work_list_is_narrowed_to_what_changes_and_closed_tool_by_tool(shop, store):
    worklist.open_tasks(store, found_out.reference_impact(store, "REF-1"), who="custodian")
    page, _, _ = shop(store)
    work = view(page, "work")
    n = store.n_open_tasks()
    assert work.said.text().startswith(f"{n} items, ")
    work.which.choose("changes")
    weighing = list(work.list.rows)
    assert weighing
    assert all(task.weighs for task in weighing)
    work.which.choose("open")
    from_reference = [task for task in work.list.rows if task.cause.startswith("reference:")]
    count = {task.tool: sum(other.tool == task.tool for other in from_reference) for task in from_reference}
    tool = max(count, key=lambda each: count[each])
    assert count[tool] > 1
    work.list.selectRow(
        next(i for i, task in enumerate(work.list.rows) if task in from_reference and task.tool == tool)
    )
    assert work.close_same.text() == f"Close all {count[tool]} of {tool}"
    work.close_same.click()  # no reason yet
    assert store.n_open_tasks() == n
    work.reason.put("verified again on REF-2, within limits")
    work.close_same.click()
    assert store.n_open_tasks() == n - count[tool]
    closed = [task for task in worklist.tasks(store) if task.tool == tool and task.closed]
    assert {task.reason for task in closed} >= {"verified again on REF-2, within limits"}
    assert store.check().holds


def test_the_work_list_goes_out_on_paper_and_as_a_table(shop, store, tmp_path):
    worklist.open_tasks(store, found_out.reference_impact(store, "REF-1"), who="custodian")
    first = worklist.tasks(store, include_closed=False)[0]
    worklist.close_task(store, first.key, "looked at, nothing to be done", who="fitter 2")
    page, context, _ = shop(store)
    work = view(page, "work")
    work.which.choose("all")
    work.save_pdf(tmp_path / "work.pdf")
    text = " ".join(sheet.extract_text() for sheet in pypdf.PdfReader(tmp_path / "work.pdf").pages)
    text = " ".join(unicodedata.normalize("NFKC", text).split())
    for said in ("what changes", "what stays as it was", "looked at, nothing to be done", "SIMULATED", "fitter 2"):
        assert said in text, said
    plain = text.replace(" ", "")
    for task in work.list.rows:
        run, _, _ = task.text.partition(":")
        assert run.replace(" ", "") in plain
    for ending in ("xlsx", "csv"):
        work.save_table(tmp_path / f"work.{ending}")
    with (tmp_path / "work.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    assert [line["text"] for line in lines] == [task.text for task in work.list.rows]
    assert [line["reason"] for line in lines] == [task.reason for task in work.list.rows]
    sheet = openpyxl.load_workbook(tmp_path / "work.xlsx")["tasks"]
    assert sheet.max_row == len(lines) + 1
    told = []
    context.message.connect(lambda kind, text: told.append((kind, text)))
    for save, name in ((work.save_pdf, "a.pdf"), (work.save_table, "a.csv")):
        save(tmp_path / "nowhere" / name)
        assert told[-1][0] == "problem"


def test_nothing_of_the_rack_goes_on_record_without_a_name(shop, store, tmp_path):
    page, context, _ = shop(store)
    said = []
    context.message.connect(lambda kind, text: said.append((kind, text)))
    context.operator = ""
    n_entries = len(store.entries(""))
    head, n_open = store.head(), store.n_open_tasks()
    shown = in_doubt(page, "reference:REF-1")
    shown.put_on_list()
    tool = view(page, "impact", f"run:{found_out_run(store)}")
    tool.put_on_list()
    page.open("OCF-001")
    picture = QImage(40, 30, QImage.Format.Format_RGB32)
    picture.fill(QColor("grey"))
    picture.save(str(tmp_path / "a.png"))
    page.take_photo(str(tmp_path / "a.png"))
    page._import([replace(store.tool("OCF-001"), tool=replace(store.tool("OCF-001").tool, number="OCF-999"))])
    page.edit_tool(store.tool("OCF-001"))
    page._keep(replace(store.tool("OCF-001"), place="elsewhere"))
    assert "Who are you?" in page.editor.problem.text()
    assert (store.head(), store.n_open_tasks(), len(store.entries(""))) == (head, n_open, n_entries)
    assert store.tool("OCF-999") is None
    assert store.tool("OCF-001").photo is None
    assert len(said) >= 4
    assert {kind for kind, _ in said} == {"problem"}
    context.operator = "fitter 1"
    page._keep(replace(store.tool("OCF-001"), place="elsewhere"))
    assert store.tool("OCF-001").place == "elsewhere"
    assert store.entries("OCF-001")[-1].who == "fitter 1"
