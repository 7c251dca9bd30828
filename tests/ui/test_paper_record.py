"""The verification record on paper: what it says, its seal recomputed from the file alone, pages, faults in writing."""

from __future__ import annotations

import datetime as dt
import errno
import hashlib
import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest
import zxingcpp

from benchapp.records import Person, Store
from benchapp.records.model import Outcome
from benchapp.runs.model import RunState
from benchapp.ui.logbook.model import advice, checkpoint_lines
from benchapp.ui.paper import record, sheet
from benchapp.ui.paper.overviews import period_pdf, tool_life_pdf
from benchapp.ui.paper.pictures import columns_of
from benchapp.ui.paper.sheet import PaperError, Piece, Sheet, lines_of, write_file

from . import rendered

DEMO_YEARS = 1  # of the demonstration workshop (see conftest)


def read(data: bytes) -> tuple[pypdf.PdfReader, list[str]]:
    """The file, and the text of each page: taken out once, for that is what takes time."""
    reader = pypdf.PdfReader(io.BytesIO(data))
    return reader, [page.extract_text() for page in reader.pages]


def flat(text: str) -> str:
    return " ".join(text.split())


def a_run(store, **like):
    return next(r for r in store.runs(limit=500) if r.seal and all(getattr(r, k) == v for k, v in like.items()))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_seal_can_be_recomputed_from_the_paper_file_alone(store, paper):
    line = a_run(store, tool="OCF-005")
    reader, pages = read(record.record_pdf(store, line.run_id, paper))
    (held,) = reader.attachments["record.json"]
    digest = hashlib.sha256(held).hexdigest()  # as chain.py says: SHA-256 of exactly these bytes
    body = json.loads(held)
    # the printed seal is "sequence:digest" and stands on every page
    for page in pages:
        assert f"seal {body['sequence']}:{digest}" in flat(page)
    assert digest == line.seal
    assert body["subject"] == line.run_id
    size = {"A4": (595, 842), "Letter": (612, 792)}[paper]
    assert tuple(round(float(v)) for v in reader.pages[0].mediabox[2:]) == size
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in flat(page)
        assert "not a calibration certificate" in flat(page)
    assert "/OutputIntents" not in reader.trailer["/Root"]  # no PDF/A level is claimed
    text = flat("\n".join(pages))
    assert store.head() in text.replace(" ", "") or store.head()[:40] in text


def test_every_reading_the_reference_and_the_procedure_stand_in_it(store):
    line = next(r for r in store.runs(limit=500) if r.seal and r.reference == "REF-1")
    run = store.run(line.run_id)
    _, pages = read(record.record_pdf(store, line.run_id))
    text = flat("\n".join(pages))
    calibration = run.plan.reference.calibration
    for wanted in (
        run.plan.tool.number,
        calibration.certificate,
        calibration.laboratory,
        run.plan.operator,
        run.plan.procedure_name,
        "SIMULATED",
        "Decision rule, fixed before the first pull",
        "Where the uncertainty comes from",
        "Limits of this document",
    ):
        assert wanted in text, wanted
    from benchapp.ui.logbook.model import pull_lines

    for pull in pull_lines(run, run.plan.tool.unit):
        assert pull.reading in text
    assert all("SIMULATED" in page for page in pages)


def test_release_remark_and_void_are_printed_and_lie_inside(store):
    line = a_run(store, tool="OCF-005")
    store.save_person(Person("fitter 9"))
    store.save_person(Person("custodian 2", is_custodian=True))
    store.release(line.run_id, who="fitter 9")
    store.add_remark(line.run_id, "the scale was hard to read", who="fitter 9")
    store.void(line.run_id, "pulled with the wrong square drive", who="custodian 2")
    reader, pages = read(record.record_pdf(store, line.run_id))
    text = flat("\n".join(pages))
    for wanted in ("VOID", "pulled with the wrong square drive", "the scale was hard to read", "fitter 9"):
        assert wanted in text
    for entry in store.entries(line.run_id)[1:]:
        (held,) = reader.attachments[f"entry-{entry.seal.sequence}-{entry.kind.value}.json"]
        assert hashlib.sha256(held).hexdigest() == entry.seal.digest
    assert all("VOID" in page for page in pages)


def test_an_unsealed_or_unknown_run_is_refused_in_a_sentence(store):
    with pytest.raises(PaperError, match="not in these records"):
        record.record_pdf(store, "nothing")
    with pytest.raises(PaperError, match="A4"):
        record.record_pdf(store, a_run(store).run_id, "A3")


# ------------------------------------------------------------------------------------------------------------- setting


def test_a_heading_never_stands_alone_at_the_foot(qapp):
    for n in range(30, 75):
        made = Sheet("Letter", "headings")
        for _ in range(n):
            made.add(Piece(10 * sheet.PT))
        made.add(*[Piece(10 * sheet.PT, lambda *_: None) for _ in range(n)])
        made.heading("A heading")
        made.text("One line of text.")
        for page in made.pages():
            assert not page[-1][1].keep


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_seal_limits_and_names_stand_together_on_the_last_page(store, paper):
    # the last page often held nothing but the limits and the lines for the names
    for tool in ("OCF-004", "OCF-020", "OCF-016"):
        line = next(line for line in store.runs(tool=tool) if line.seal)
        _, pages = read(record.record_pdf(store, line.run_id, paper))
        last = flat(pages[-1])
        assert "Seal and what was added since" in last, (tool, paper)
        assert "Limits of this document" in last
        assert "reviewed" in last
        assert "Not known, so not in W:" in flat("\n".join(pages))


@pytest.mark.parametrize("text", ["x" * 3000, "OCF-" + "0" * 90 + " " + "ä" * 60, "", "a\nb", "one two"])
def test_lines_are_never_wider_than_their_room_and_lose_nothing(qapp, text):
    from PySide6.QtGui import QFontMetricsF

    font = sheet.face(8)
    lines = lines_of(text, font, 900)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "").replace("\n", "")
    assert all(QFontMetricsF(font).horizontalAdvance(line) <= 900 for line in lines)


def test_a_long_number_is_broken_at_its_hyphens(qapp):
    from PySide6.QtGui import QFontMetricsF

    font = sheet.face(8)
    width = QFontMetricsF(font).horizontalAdvance("OCF-014-OF-THE-SHO")
    assert lines_of("OCF-014-OF-THE-SHOP-0017", font, width) == ["OCF-014-OF-THE-", "SHOP-0017"]


@pytest.mark.parametrize("families", [sheet.FAMILIES, ("DejaVu Sans Mono",)])
def test_a_checkpoint_stands_on_one_line(store, monkeypatch, families):
    """Also with a wider font: a new machine has one only, a ninth wider than the one here."""

    def forget_fonts() -> None:
        sheet._family.cache_clear()
        sheet.face.cache_clear()

    monkeypatch.setattr(sheet, "FAMILIES", families)
    forget_fonts()
    line = next(line for line in store.runs(tool="OCF-020") if line.seal)
    run = store.run(line.run_id)
    assert len({checkpoint.direction for checkpoint in run.plan.checkpoints}) == 2
    _, pages = read(record.record_pdf(store, line.run_id, "A4"))
    forget_fonts()
    assert "anticlockwise" not in "\n".join(pages).split("\n")  # alone on a line: in three places before


def test_columns_keep_the_least_and_greatest_of_every_sample():
    rng = np.random.default_rng(5)
    t = np.sort(rng.uniform(0, 3, 20_000))
    v = rng.normal(size=20_000)
    columns = columns_of(t, v, 0.0, 3.0, 150)
    assert len(columns) <= 150
    place = np.minimum((t / 3 * 150).astype(int), 149)
    wanted = [(v[place == c].min(), v[place == c].max()) for c in range(150) if (place == c).any()]
    assert [(a, b) for _, a, b in columns] == wanted


# -------------------------------------------------------------------------------------------------------------- writing


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(PaperError, match="there is no folder"):
        write_file(tmp_path / "gone" / "a.pdf", b"%PDF")


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.ENOSPC, "disk is full"), (errno.EROFS, "lets nobody write"), (errno.EACCES, "lets nobody write")],
)
def test_a_full_disk_or_a_read_only_folder_leaves_what_was_there(tmp_path, monkeypatch, number, words):
    path = tmp_path / "record.pdf"
    path.write_bytes(b"older")

    def full(_fd):
        raise OSError(number, "no")

    monkeypatch.setattr(sheet.os, "fsync", full)
    with pytest.raises(PaperError, match=words):
        write_file(path, b"newer" * 1000)
    assert path.read_bytes() == b"older"
    assert [p.name for p in tmp_path.iterdir()] == ["record.pdf"]


def test_a_really_full_disk_is_told(store):
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this machine has no /dev/full")
    with pytest.raises(OSError, match="No space left") as caught:
        full.write_bytes(b"x" * 100_000)
    assert "disk is full" in sheet.unwritable(full, caught.value)


def test_a_self_test_that_failed_is_printed_as_that(store, monkeypatch):
    line = a_run(store, tool="OCF-005")
    plain = record._read(store, line.run_id)
    for passed, words in ((True, "self-test: it gave the right answers (python 3)"), (False, "self-test: NOT passed")):
        content = dict(plain.body["content"]) | {"selftest": {"passed": passed, "python": "python 3"}}
        told = replace(plain, body=dict(plain.body) | {"content": content})
        monkeypatch.setattr(record, "_read", lambda *_, told=told: told)
        _, pages = read(record.record_pdf(store, line.run_id))
        assert words in flat("\n".join(pages))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_general_barcode_reader_reads_run_and_seal_off_the_first_page(store, tmp_path, paper):
    line = a_run(store, tool="OCF-005")
    write_file(tmp_path / "r.pdf", record.record_pdf(store, line.run_id, paper))
    page = rendered.pages_of(tmp_path / "r.pdf", dpi=200)[0]
    (code,) = zxingcpp.read_barcodes(page)
    sequence = store.entries(line.run_id)[0].seal.sequence
    assert code.text == f"{line.run_id} {sequence}:{line.seal}"
    assert page.min() == 0  # black
    dark = np.argwhere(page < 128)
    assert dark[:, 1].max() < page.shape[1] - 20, "nothing runs over the edge of the paper"


# ------------------------------------------------------------------------------------- for somebody who was not there


@pytest.fixture
def abroad(made, tmp_path, qapp):
    """The demonstration store at a bench whose clock is two hours ahead of UTC."""
    path = tmp_path / "abroad.kilter"
    path.write_bytes(made.read_bytes())
    zone = dt.timezone(dt.timedelta(hours=2))
    with Store.open(path, demo=True, clock=lambda: dt.datetime(2026, 7, 1, 0, 30, tzinfo=zone)) as opened:
        yield opened


def test_every_time_on_paper_has_its_time_zone(abroad):
    line = a_run(abroad, tool="OCF-005")
    abroad.save_person(Person("fitter 9"))
    abroad.release(line.run_id, who="fitter 9")
    text = flat("\n".join(read(record.record_pdf(abroad, line.run_id))[1]))
    begun = dt.datetime.fromisoformat(line.started)
    assert text.count(f"{begun:%Y-%m-%d %H:%M} UTC") >= 2  # at the head, and where the conduct is told
    assert "fitter 9, 2026-07-01 00:30 UTC+02:00" in text  # released
    assert "when this document was made, 2026-07-01 00:30 UTC+02:00" in text
    for data in (tool_life_pdf(abroad, line.tool), period_pdf(abroad, begun.date(), begun.date())):
        text = flat("\n".join(read(data)[1]))
        assert "begun at wall time, UTC" in text
        assert "Made 2026-07-01 00:30 UTC+02:00." in text


def test_a_run_begun_in_another_time_zone_than_most_says_so(abroad):
    run = abroad.run(a_run(abroad, tool="OCF-005").run_id)
    again = replace(
        run, run_id="again", started="2026-07-01T00:10:00+02:00", finished="", state=RunState.LEFT, pulls=()
    )
    abroad.begin_run(replace(again, state=RunState.PULL))
    abroad.seal(again)
    text = flat("\n".join(read(period_pdf(abroad, dt.date(2026, 1, 1), dt.date(2026, 12, 31)))[1]))
    assert "begun at wall time, UTC where no other is told" in text
    assert "2026-07-01 00:10 UTC+02:00" in text


def test_a_void_record_does_not_say_that_its_tool_may_be_used(store):
    line = a_run(store, tool="OCF-005", outcome=Outcome.WITHIN)
    run = store.run(line.run_id)
    said = flat(advice(run, checkpoint_lines(run)))
    assert said in flat("\n".join(read(record.record_pdf(store, line.run_id))[1]))
    store.void(line.run_id, "pulled with the wrong square drive", who="custodian")
    text = flat("\n".join(read(record.record_pdf(store, line.run_id))[1]))
    assert said not in text
    assert "counts for nothing" in text
    assert "VOID: WITHIN LIMITS" in text


def test_a_long_reason_for_a_void_run_stands_below_the_table_once(store):
    line = a_run(store, tool="OCF-005")
    reason = "the drive was not seated, which the curves show, " * 4
    store.void(line.run_id, reason, who="custodian")
    for data in (tool_life_pdf(store, line.tool), period_pdf(store, dt.date(2020, 1, 1), dt.date(2027, 1, 1))):
        text = flat("\n".join(read(data)[1]))
        assert text.count(flat(reason)) == 1
        assert f"Void: {line.tool}, " in text


def test_the_certificates_uncertainty_and_the_procedures_version_stand_in_it(store):
    line = a_run(store, reference="REF-1")
    run = store.run(line.run_id)
    text = flat("\n".join(read(record.record_pdf(store, line.run_id))[1]))
    calibration = run.plan.reference.calibration
    usable = (calibration.usable_from_nm, calibration.usable_to_nm)
    worst = max(p.expanded_percent for p in calibration.points if usable[0] <= p.applied_nm <= usable[1])
    assert f"at most U = {worst:.2f} % (k = {calibration.coverage_factor:g})" in text
    assert f"{run.plan.procedure_name}, version {run.plan.procedure['version']}" in text


def typed_run(store, **typed):
    """A run of OCF-005 whose limit or count of readings was typed, left before the first pull."""
    run = store.run(a_run(store, tool="OCF-005").run_id)
    points = tuple(replace(point, **typed) for point in run.plan.checkpoints)
    begun = replace(run, run_id="typed", finished="", state=RunState.PULL, pulls=())
    begun = replace(begun, plan=replace(run.plan, checkpoints=points))
    store.begin_run(begun)
    store.seal(replace(begun, state=RunState.LEFT))
    return run.plan.checkpoints[0]


def test_what_was_typed_in_place_of_the_procedures_figures_is_told(store):
    as_said = flat("\n".join(read(record.record_pdf(store, a_run(store).run_id))[1]))
    assert "instead of" not in as_said
    its = typed_run(store, limit_percent=2.5, n_readings=7)
    text = flat("\n".join(read(record.record_pdf(store, "typed"))[1]))
    assert f"limit ±2.5 % instead of ±{its.limit_percent:g} %" in text
    assert f"7 readings at each checkpoint instead of {its.n_readings}" in text
    assert "±2.5 %" in text.split("Decision rule", 1)[1].split("Tool number", 1)[0]  # in one line of its column


def test_a_long_name_of_who_pulled_does_not_run_into_the_code(abroad):
    who = "the fitter of the third shift who also looks after the northern ferry on Sundays and holidays"
    run = abroad.run(a_run(abroad, tool="OCF-005").run_id)
    begun = replace(run, run_id="long", finished="", state=RunState.PULL, pulls=())
    begun = replace(begun, plan=replace(run.plan, operator=who))
    abroad.begin_run(begun)
    abroad.seal(replace(begun, state=RunState.LEFT))
    _, pages = read(record.record_pdf(abroad, "long"))
    head = pages[0].replace("\t", " ").split("NOT FINISHED", 1)[0].splitlines()
    (first,) = [line for line in head if "pulled by" in line]
    assert "holidays" not in first  # as wide as the room beside the code, then on the next line
    assert any("holidays" in line for line in head)
