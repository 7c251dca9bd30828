"""What is printed says what was sealed, whole and readable by other programs; a disk that refuses is told."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import time
import unicodedata

import pypdf
import pytest

from benchapp.records import history, intervals
from benchapp.records.canonical import canonical
from benchapp.records.errors import StoreDamagedError
from benchapp.records.model import EntryKind
from benchapp.ui.context import AppContext
from benchapp.ui.driftwords import last_day, leaving_text
from benchapp.ui.logbook.page import LogbookPage
from benchapp.ui.paper.overviews import period_pdf, tool_life_pdf
from benchapp.ui.paper.record import record_pdf
from benchapp.ui.paper.sheet import Col, PaperError, Sheet

DEMO_YEARS = 1  # of the demonstration workshop (see conftest)


@pytest.fixture
def page(qtbot, store):
    context = AppContext(None, is_demo=True)
    context.give_store(store)
    shown = LogbookPage(context)
    qtbot.addWidget(shown)
    shown.resize(1366, 720)
    shown.show()
    yield shown
    shown.stop()


def sealed(store):
    return next(r for r in store.runs(limit=500) if r.seal and r.n_readings >= 9)


def plain(text):
    """Read joined letters as two (the typesetter may join f and i), any room as one space."""
    return " ".join(unicodedata.normalize("NFKC", text).split())


def pages_of(data):
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages]


def text_of(data):
    return plain("\n".join(pages_of(data)))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_attached_bytes_recompute_to_the_printed_seal(store, paper):
    line = sealed(store)
    data = record_pdf(store, line.run_id, paper)
    reader = pypdf.PdfReader(io.BytesIO(data))
    (attached,) = reader.attachments["record.json"]
    digest = hashlib.sha256(attached).hexdigest()
    assert digest == line.seal
    assert canonical(json.loads(attached)) == attached
    pages = [plain(page.extract_text()) for page in reader.pages]
    for n, page in enumerate(pages, 1):
        assert f":{digest}" in page
        assert f"page {n} of {len(pages)}" in page
        assert "SIMULATED" in page.replace(" ", "")
    width, height = (float(v) for v in reader.pages[0].mediabox[2:])
    assert (round(width), round(height)) == ((595, 842) if paper == "A4" else (612, 792))


def test_every_pull_the_reference_the_head_and_the_cautions_are_printed(store):
    line = sealed(store)
    run = store.run(line.run_id)
    text = text_of(record_pdf(store, line.run_id, "A4"))
    flat = " ".join(text.split())
    calibration = run.plan.reference.calibration
    for wanted in (
        run.plan.tool.number,
        run.plan.reference.number,
        calibration.certificate,
        run.plan.operator,
        "A verification in the workshop; not a calibration certificate",
        "nobody yet",
        store.head(),
    ):
        assert wanted in flat
    for captured in run.pulls:
        if captured.deviation_percent is not None:
            assert f"{captured.deviation_percent:+.2f}".replace("-", "\N{MINUS SIGN}") in flat


def test_fonts_are_embedded(store, tmp_path):
    path = tmp_path / "r.pdf"
    path.write_bytes(record_pdf(store, sealed(store).run_id, "A4"))
    reader = pypdf.PdfReader(path)
    fonts = [f for page in reader.pages for f in page["/Resources"]["/Font"].get_object().values()]
    assert fonts
    for font in fonts:
        (inner,) = font.get_object()["/DescendantFonts"]
        assert "/FontFile2" in inner.get_object()["/FontDescriptor"] or "/FontFile3" in inner["/FontDescriptor"]


def test_a_record_is_drawn_quickly(store):
    line = max(store.runs(limit=500), key=lambda r: r.n_readings)
    record_pdf(store, line.run_id, "A4")
    begun = time.process_time()
    record_pdf(store, line.run_id, "A4")
    assert time.process_time() - begun < 1.5


def test_a_run_that_is_not_sealed_is_refused(store):
    with pytest.raises(PaperError, match="not in these records"):
        record_pdf(store, "no such run", "A4")


def test_no_row_is_cut_and_the_head_of_a_table_is_on_each_page(qapp):
    rows = [[f"row {i}", "words " * (i % 9 * 6 + 1)] for i in range(120)]

    sheet = Sheet("A4", "Test", foot="foot")
    sheet.table([Col("first caption", 1), Col("second", 3)], rows)
    data = sheet.pdf()
    pages = [plain(p.extract_text()) for p in pypdf.PdfReader(io.BytesIO(data)).pages]
    assert len(pages) > 2
    assert all("first caption" in page for page in pages)
    where = [[n for n, page in enumerate(pages) if f"row {i} words" in page] for i in range(120)]
    assert all(len(found) == 1 for found in where)


def test_a_place_that_refuses_is_told_and_the_old_document_stays(page, store, tmp_path, monkeypatch):
    said = []
    page.context.message.connect(lambda kind, text: said.append((kind, text)))
    page.open_run(sealed(store).run_id)
    path = tmp_path / "there.pdf"
    path.write_bytes(b"old")
    assert not page.actions_of_run.save_record(tmp_path / "no folder" / "r.pdf", "A4")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("benchapp.ui.paper.sheet.os.fsync", full)
    assert not page.actions_of_run.save_record(path, "A4")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.glob(".*.part")] == []
    assert [kind for kind, _ in said] == ["problem", "problem"]
    assert "the disk is full" in said[1][1]


def test_release_remark_and_void_are_added_shown_and_printed(page, store):
    line = sealed(store)
    page.open_run(line.run_id)
    actions = page.actions_of_run
    assert line.operator not in [person.name for person in actions.others()]
    other = next(person.name for person in actions.others() if not person.is_custodian)
    actions.release(other, "looked at the curves")
    page.open_run(line.run_id)
    assert not actions.release_action.isEnabled()
    actions.remark(other, "the grip was worn")
    custodian = next(p.name for p in store.people() if p.is_custodian)
    actions.void(custodian, "wrong adapter was on")
    page.open_run(line.run_id)
    assert not actions.void_action.isEnabled()
    for section in ("result", "pulls", "curves", "uncertainty", "record"):  # whichever page of it is looked at
        page.run_view.sections.choose(section)
        assert page.run_view.void.isVisible()
        assert page.run_view.void.text().startswith("Void: wrong adapter was on. It stays in the records")
    assert page.run_view.headline.text().startswith("VOID: ")
    assert "service" not in page.run_view.advice.text()
    kinds = [e.kind for e in store.entries(line.run_id)]
    assert kinds == [EntryKind.RUN, EntryKind.RELEASE, EntryKind.REMARK, EntryKind.VOID]
    shown = page.run_view.entries.text()
    printed = " ".join(text_of(record_pdf(store, line.run_id, "A4")).split())
    for text in ("looked at the curves", "the grip was worn", "wrong adapter was on"):
        assert text in shown
        assert text in printed
    assert "VOID" in printed.replace(" ", "")
    assert store.head() in page.run_view.seal.text()


def test_the_one_who_pulled_cannot_release(page, store):
    said = []
    page.context.message.connect(lambda kind, text: said.append((kind, text)))
    line = sealed(store)
    page.open_run(line.run_id)
    page.actions_of_run.release(line.operator)
    assert said[-1][0] == "problem"
    assert store.summary(line.run_id).released_by == ""


def test_a_tools_life_and_a_periods_runs_name_every_run(page, store, tmp_path):
    line = sealed(store)
    life, year = tmp_path / "life.pdf", tmp_path / "year.pdf"
    actions = page.actions_of_run
    assert actions.save_report(life, lambda s, paper: tool_life_pdf(s, line.tool, paper))
    first, last = dt.date(2026, 1, 1), dt.date(2026, 12, 31)
    assert actions.save_report(year, lambda s, paper: period_pdf(s, first, last, paper))
    all_runs = store.runs(limit=500)
    for path, runs in (
        (life, [r for r in all_runs if r.tool == line.tool]),
        (year, [r for r in all_runs if r.started[:4] == "2026"]),
    ):
        pages = pages_of(path.read_bytes())
        text = plain("\n".join(pages))
        assert runs
        assert all(r.seal[:10] in text for r in runs)
        assert store.head() in text
        assert all("SIMULATED" in page for page in pages)
    assert not actions.save_report(life, lambda s, paper: tool_life_pdf(s, "no such tool", paper))
    with pytest.raises(PaperError, match="before it begins"):
        period_pdf(store, last, first)


def test_a_tools_life_says_where_it_drifts_to_what_was_decided_and_each_flag_once(store):
    rows = store.history("OCF-014", limit=10**6)
    assert any(row.set_aside in row.flags for row in rows if row.set_aside)  # a reading was set aside for its flag
    text = text_of(tool_life_pdf(store, "OCF-014"))
    for word in {flag for row in rows for flag in row.flags}:
        assert f"{word}; {word}" not in text
    runs = [run for run in history.tool_history(store, "OCF-014") if run.points]
    drifts = history.drifts(runs)
    assert drifts
    for drift in drifts:
        assert leaving_text(drift, last_day(runs)) in text
    assert "Decisions on its interval" not in text
    chosen = next(each for each in intervals.suggest(store, "OCF-014") if each.months is not None)
    intervals.decide_interval(store, chosen, accepted=False, who="custodian", why="wait for the laboratory")
    text = text_of(tool_life_pdf(store, "OCF-014"))
    assert "Decisions on its interval" in text
    assert "wait for the laboratory" in text
    assert f"kept at {chosen.now_months} months" in text


def test_a_tools_life_is_in_the_tools_own_unit(store):
    text = text_of(tool_life_pdf(store, "OCF-012"))
    assert "Target lbf·ft" in text
    assert "Target N·m" not in text


def test_inside_a_life_and_a_period_lie_the_sealed_records_they_show(store):
    """Read out by a PDF library and a JSON reader; every line hashes to a seal, every seal printed is there."""
    line = sealed(store)
    other = next(r for r in store.runs(limit=500) if r.seal and r.tool != line.tool and r.started[:4] == "2026")
    store.add_remark(other.run_id, "looked at again", who="fitter 1")
    all_runs = store.runs(limit=500)
    for data, runs, about_the_tool in (
        (tool_life_pdf(store, line.tool), [r for r in all_runs if r.tool == line.tool], True),
        (
            period_pdf(store, dt.date(2026, 1, 1), dt.date(2026, 12, 31), "Letter"),
            [r for r in all_runs if r.started[:4] == "2026"],
            False,
        ),
    ):
        reader = pypdf.PdfReader(io.BytesIO(data))
        (held,) = reader.attachments["records.json"]
        entries = json.loads(held)
        lines = [each.rstrip(b",") for each in held.split(b"\n")[1:-2]]
        assert [canonical(entry) for entry in entries] == lines
        seals = {
            entry["sequence"]: hashlib.sha256(each).hexdigest() for entry, each in zip(entries, lines, strict=True)
        }
        assert list(seals) == sorted(seals)
        subjects = {r.run_id for r in runs if r.seal} | ({line.tool} if about_the_tool else set())
        known = {e.seal.sequence: e.seal.digest for subject in subjects for e in store.entries(subject)}
        assert seals == known
        assert {r.seal for r in runs if r.seal} <= set(seals.values())
        assert {entry["subject"] for entry in entries} <= subjects
        assert "records.json" in text_of(data)
        assert ("remark" in {entry["kind"] for entry in entries}) is any(r.run_id == other.run_id for r in runs)


def test_sealed_bytes_and_curves_leave_with_the_seal_they_had(page, store, tmp_path):
    line = sealed(store)
    page.open_run(line.run_id)
    page.actions_of_run.save_sealed(tmp_path / "run.json")
    assert hashlib.sha256((tmp_path / "run.json").read_bytes()).hexdigest() == line.seal
    page.actions_of_run.save_curves(tmp_path / "curves")
    assert len([p for p in (tmp_path / "curves").rglob("*") if p.is_file()]) == len(store.run(line.run_id).pulls)


def test_a_table_of_readings_says_by_itself_whose_they_are(page, store, tmp_path):
    line = sealed(store)
    store.void(line.run_id, "wrong adapter was on", who="custodian")
    page.open_run(line.run_id)
    run = store.run(line.run_id)
    assert page.actions_of_run.save_readings(tmp_path / "readings.csv")
    rows = list(csv.DictReader((tmp_path / "readings.csv").read_text(encoding="utf-8").splitlines()))
    assert [int(row["pull"]) for row in rows] == [pull.number for pull in run.pulls]
    for row in rows:
        told = [row[name] for name in ("tool", "started", "operator", "source", "reference", "certificate", "void")]
        certificate = run.plan.reference.calibration.certificate
        assert told[:4] == [line.tool, run.started, line.operator, "simulated"]
        assert told[4:] == [line.reference, certificate, "wrong adapter was on"]
        assert row["procedure"].startswith(f"{run.plan.procedure_name}, ")
        assert row["procedure"].endswith(f"version {run.plan.procedure['version']}")
        assert dt.datetime.fromisoformat(row["started"]).tzinfo is not None


def test_what_cannot_be_read_from_the_records_is_told_and_no_half_file_stays(page, store, tmp_path, monkeypatch):
    line = sealed(store)
    page.open_run(line.run_id)
    said = []
    page.context.message.connect(lambda kind, text: said.append((kind, text)))

    def damaged(*_args, **_like):
        raise StoreDamagedError(store.path, "the page of a table cannot be read")

    (tmp_path / "run.json").write_text("what stood there", encoding="utf-8")
    monkeypatch.setattr(type(store), "entries", damaged)
    monkeypatch.setattr(type(store), "trace_bytes", damaged)
    monkeypatch.setattr(type(store), "trace", damaged)
    page.actions_of_run.save_sealed(tmp_path / "run.json")
    assert said[-1][0] == "problem"
    page.actions_of_run.save_curves(tmp_path / "curves")
    assert said[-1][0] == "problem"
    assert "Not all curves were written" in said[-1][1]
    assert (tmp_path / "run.json").read_text(encoding="utf-8") == "what stood there"
