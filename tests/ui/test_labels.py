"""Label sheets: every QR code is read back from the rendered page, no text is cut, no label says more than is so."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace

import numpy as np
import pytest
import zxingcpp
from PySide6.QtCore import QRectF

from benchapp.metrology.tool import Tool, ToolType
from benchapp.records.labels import number_of_scan, read_scan
from benchapp.records.model import Outcome, RunSummary, ToolRecord, ToolState
from benchapp.ui.paper.labels import (
    Face,
    LabelError,
    Standing,
    face_of,
    label_sizes,
    n_pages,
    text_boxes,
    write_labels,
)
from drivers.samples import Source

from .rendered import pages_of

TODAY = dt.date(2026, 11, 25)
DAY, DUE = dt.date(2026, 3, 4), dt.date(2027, 3, 4)
SIZES = {size.key: size for size in label_sizes()}


def faces(n: int) -> list[Face]:
    """All standings in turn, the good ones with both dates."""
    made = []
    for index in range(n):
        standing = list(Standing)[index % len(Standing)]
        dated = standing not in (Standing.STOPPED, Standing.NEVER)
        due = DUE if standing in (Standing.GOOD, Standing.OVERDUE) else None
        made.append(Face(f"OCF-{index:03}", standing, DAY if dated else None, due))
    return made


def cut_out(page: np.ndarray, place: QRectF, dpi: int = 300) -> np.ndarray:
    dots = dpi / 25.4
    return page[
        round(place.top() * dots) : round(place.bottom() * dots),
        round(place.left() * dots) : round(place.right() * dots),
    ]


@pytest.mark.parametrize("key", SIZES)
def test_a_general_reader_reads_every_label_of_a_rendered_sheet(qapp, tmp_path, key):
    size = SIZES[key]
    start = min(3, size.per_page)
    n = size.per_page + 2 if size.per_page > 1 else 3  # onto the next sheet
    printed = faces(n)
    n_sheets = write_labels(tmp_path / "labels.pdf", printed, size, start=start)
    pages = pages_of(tmp_path / "labels.pdf")
    assert len(pages) == n_sheets == n_pages(n, size, start)
    for place in range(n_sheets * size.per_page):
        sheet, index = divmod(place, size.per_page)
        seen = cut_out(pages[sheet], size.place(index))
        face = printed[place - start + 1] if 0 <= place - start + 1 < n else None
        if face is None:
            assert seen.min() == 255, f"place {place + 1} is used up or beyond the last label and must stay white"
            continue
        codes = [each.text for each in zxingcpp.read_barcodes(np.ascontiguousarray(seen))]
        assert codes == [face.text], f"place {place + 1} of {size.name}"
        assert number_of_scan(codes[0]) == face.number


@pytest.mark.parametrize("key", SIZES)
def test_no_text_is_cut_and_none_touches_the_code_or_the_edge(qapp, key):
    size = SIZES[key]
    for face in faces(len(Standing)):
        room = QRectF(0.5, 0.5, size.label[0] - 1.0, size.label[1] - 1.0)
        boxes = text_boxes(face, size)
        said = " ".join(text for text, _ in boxes)
        for part in (face.number, face.standing.value, *(str(day) for day in (face.verified, face.due) if day)):
            assert part in said
        for text, ink in boxes:
            assert room.contains(ink), f"{text!r} of {size.name}"
            assert ink.left() > size.label[1] * 0.3, "beside the code, not on it"
        for (above, first), (below, second) in itertools.pairwise(boxes):
            assert first.bottom() <= second.top() + 0.05, f"{above!r} runs into {below!r}"


def test_a_number_too_long_for_a_label_is_refused_and_nothing_is_written(qapp, tmp_path):
    long = Face("Lange Halle Süd, Schrank 17, Fach 0123/7", Standing.GOOD, DAY, DUE)
    with pytest.raises(LabelError, match="larger size"):
        write_labels(tmp_path / "no.pdf", [long], SIZES["a4-65"])
    assert not (tmp_path / "no.pdf").exists()
    write_labels(tmp_path / "yes.pdf", [long], SIZES["a4-8"])
    (code,) = zxingcpp.read_barcodes(pages_of(tmp_path / "yes.pdf")[0])
    assert number_of_scan(code.text) == long.number


def test_nothing_to_print_and_a_place_that_is_not_there_are_refused(qapp, tmp_path):
    with pytest.raises(LabelError, match="no tool"):
        write_labels(tmp_path / "no.pdf", [], SIZES["a4-24"])
    with pytest.raises(LabelError, match="1 to 24"):
        write_labels(tmp_path / "no.pdf", faces(1), SIZES["a4-24"], start=25)
    with pytest.raises(OSError, match=r"no\.pdf"):
        write_labels(tmp_path / "nowhere" / "no.pdf", faces(1), SIZES["a4-24"])


def test_every_size_says_where_its_figures_come_from(qapp):
    assert {size.mark for size in SIZES.values()} == {"P"}
    assert len(SIZES) == len(label_sizes())


# ------------------------------------------------------------------------------------------------ what a label may say

GOOD = ToolRecord(
    Tool("OCF-014", ToolType.SETTING, "A", "N·m", 10, 60, resolution=0.5),
    last_verified=DAY,
    last_outcome=Outcome.WITHIN,
    due=DUE,
)


def run(outcome: Outcome = Outcome.WITHIN, day: dt.date = DAY, source: Source = Source.LIVE, **other) -> RunSummary:
    made = RunSummary(
        1,
        "r",
        "OCF-014",
        "REF-1",
        "fitter 2",
        source,
        "full",
        f"{day}T10:00:00Z",
        f"{day}T10:05:00Z",
        outcome,
        15,
        0,
        1.0,
    )
    return made._replace(seal="ab" * 32, **other)


def test_a_good_label_is_made_of_a_real_verdict_within_limits_only():
    face = face_of(GOOD, [run()], is_demo=False, today=TODAY)
    assert face == Face("OCF-014", Standing.GOOD, DAY, DUE)
    said = read_scan(face.text)
    assert (said.outcome, said.verified, said.due) == (Outcome.WITHIN, DAY, DUE)


LATER = dt.date(2026, 6, 1)


@pytest.mark.parametrize(
    ("record", "runs", "is_demo", "standing"),
    [
        (GOOD, [run()], True, Standing.SIMULATED),
        (GOOD, [run(source=Source.SIMULATED)], False, Standing.SIMULATED),
        (GOOD, [run(source=Source.REPLAYED)], False, Standing.SIMULATED),
        (replace(GOOD, last_outcome=Outcome.OUT), [run(Outcome.OUT)], False, Standing.OUT),
        (replace(GOOD, last_outcome=Outcome.OUT), [], False, Standing.OUT),
        # a spot check or a run without a verdict after the last full one
        (GOOD, [run(Outcome.OUT, LATER), run()], False, Standing.OUT),
        (GOOD, [run(Outcome.UNDECIDED, LATER), run()], False, Standing.UNDECIDED),
        (replace(GOOD, state=ToolState.QUARANTINED), [run()], False, Standing.STOPPED),
        (replace(GOOD, state=ToolState.AT_LABORATORY), [run()], False, Standing.STOPPED),
        (replace(GOOD, state=ToolState.RETIRED), [run()], False, Standing.STOPPED),
        (replace(GOOD, due=dt.date(2026, 11, 24)), [run()], False, Standing.OVERDUE),
        (replace(GOOD, cycles=5000), [run()], False, Standing.OVERDUE),
        (replace(GOOD, last_verified=None, last_outcome=Outcome.OPEN), [], False, Standing.NEVER),
        (replace(GOOD, last_verified=None, last_outcome=Outcome.OPEN), [], True, Standing.NEVER),
    ],
)
def test_any_other_label_says_what_is_the_matter_and_its_code_tells_of_no_good_verdict(record, runs, is_demo, standing):
    face = face_of(record, runs, is_demo=is_demo, today=TODAY)
    assert face.standing is standing
    assert not face.is_good
    said = read_scan(face.text)
    assert said.number == "OCF-014"
    if standing is not Standing.OVERDUE:
        assert said.outcome is not Outcome.WITHIN
        assert said.due is None
    if standing is Standing.OUT:
        assert said.outcome is Outcome.OUT


def test_runs_that_are_void_open_or_left_do_not_count():
    others = [run(Outcome.OUT, LATER, voided="wrong tool"), run(Outcome.LEFT, LATER), run(source=Source.LIVE)]
    assert face_of(GOOD, others, is_demo=False, today=TODAY).is_good
