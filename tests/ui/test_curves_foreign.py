"""Recordings from elsewhere: columns and units matched before a person's eye, then read and replayed like any."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QObject

from benchapp.records import Store
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import read_trace, write_trace
from benchapp.ui.context import AppContext
from benchapp.ui.curves.foreign import ForeignFileError, Matching, guess, sheet_of, trace_of
from benchapp.ui.logbook.page import LogbookPage
from drivers.samples import Source


def pull(torque=30.0, n=5000, rate=1000.0):
    t = np.arange(n) / rate
    y = np.interp(t, [0, 0.5, 3.5, 3.51, 3.7, 4.1], [0, 0, torque, 0.7 * torque, 1.05 * torque, 0])
    return t, y + np.random.default_rng(1).normal(0, 0.003, n)


GERMAN = "Prüfstand;4\nDatum;2026\nZeit [ms];Winkel;Drehmoment [Nm]\n" + "\n".join(
    f"{round(t * 1000)};{i};{y:.4f}".replace(".", ",") for i, (t, y) in enumerate(zip(*pull(), strict=True))
)


def test_separator_decimal_comma_preamble_and_units_are_found():
    sheet = sheet_of(GERMAN.encode("cp1252"), "a.csv")
    matching = guess(sheet)
    assert (matching.time, matching.torque, matching.time_unit, matching.unit) == (0, 2, "ms", "N·m")
    trace = trace_of(sheet, matching)
    assert trace.source is Source.IMPORTED
    assert trace.t_s[-1] == pytest.approx(4.999)
    assert trace.torque.max() == pytest.approx(pull()[1].max(), abs=1e-4)
    assert any("2 lines before" in note for note in trace.notes)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("time_s,torque\n0,1\n0.1,2\n0.2,1\n", (0, 1, "s", "N·m")),
        ("t (ms)\tM (lbf·ft)\n0\t1\n1\t2\n2\t1\n", (0, 1, "ms", "lbf·ft")),
        ("torque_cNm;elapsed\n1,5;0,0\n2,5;0,1\n2,0;0,2\n", (1, 0, "s", "cN·m")),
        ("0.1 5\n0.2 6\n0.3 5\n", (0, 1, "s", "N·m")),
        ("5\n6\n5\n", (None, 0, "s", "N·m")),
    ],
)
def test_the_likeliest_matching_is_offered(text, expected):
    matching = guess(sheet_of(text.encode()))
    assert (matching.time, matching.torque, matching.time_unit, matching.unit) == expected


@pytest.mark.parametrize("data", [b"", b"hello\nworld\n", b"\x00\x01\x02\x03", b"a,b\n1\n"])
def test_what_is_no_recording_is_refused_in_a_sentence(data):
    with pytest.raises(ForeignFileError, match=r"\."):
        sheet_of(data, "a.csv")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("t,m\n0,1\n1,2\n2,x\n", "line 4"),
        ("t,m\n0,1\n1,2\n1,3\n", "time does not rise"),
        ("t,m\n0,1\n1,2\n2,nan\n", "no torque"),
    ],
)
def test_a_cell_that_cannot_be_is_named_with_its_line(text, said):
    with pytest.raises(ForeignFileError, match=said):
        trace_of(sheet_of(text.encode(), "a.csv"), Matching(0, 1))


def test_without_time_the_rate_is_asked_and_noted():
    trace = trace_of(sheet_of(b"1\n2\n3\n"), Matching(None, 0, rate_hz=10.0))
    assert trace.t_s.tolist() == [0.0, 0.1, 0.2]
    assert "10 samples per second" in trace.notes[0]


class Bench(QObject):
    def __init__(self):
        super().__init__()
        self.opened = []

    def open_link(self, url, profile):
        self.opened.append((url, profile))


@pytest.fixture
def page(qtbot, tmp_path):
    with Store.open(tmp_path / "s.kilter", demo=True) as store:
        context = AppContext(Bench(), is_demo=True)
        context.give_store(store)
        made = LogbookPage(context)
        qtbot.addWidget(made)
        made.resize(1366, 720)
        made.show()
        yield made
        made.stop()


def test_a_foreign_file_is_previewed_read_and_replayed(page, tmp_path):
    path = tmp_path / "bench ö.csv"
    path.write_bytes(GERMAN.encode("cp1252"))
    page.open_recording(str(path))
    view = page.recording
    assert view.stack.currentIndex() == 0
    assert view.preview.item(0, 2).text()
    view.take.click()
    (curve,) = view.curves.picture.curves
    assert curve.pull.reading == pytest.approx(30.0, rel=0.0025)
    view.speed.setCurrentIndex(3)
    view.replay.click()
    ((url, profile),) = page.context.bench.opened
    assert url.endswith("?speed=2")
    assert profile == ""
    again = read_trace(url.removeprefix("replay:").removesuffix("?speed=2"))
    assert again.source is Source.IMPORTED
    assert np.array_equal(again.torque, view.trace.torque)
    assert path.read_bytes() == GERMAN.encode("cp1252"), "the file from elsewhere is not touched"


def test_a_trace_file_opens_without_questions_and_other_modes_read_it_again(page, tmp_path):
    t, y = pull()
    write_trace(tmp_path / "a.csv", Trace(t, np.round(y, 3), "N·m", Source.LIVE, capacity=200.0))
    page.open_recording(str(tmp_path / "a.csv"))
    view = page.recording
    assert view.stack.currentIndex() == 1
    first = view.curves.picture.curves[0].pull.reading
    view.mode.choose("peak")
    assert view.curves.picture.curves[0].pull.reading == pytest.approx(1.05 * first, rel=0.01)


def test_a_file_without_a_pull_is_shown_all_the_same(page, tmp_path):
    write_trace(tmp_path / "a.csv", Trace(np.arange(500) / 1000, np.zeros(500), "N·m", Source.LIVE))
    page.open_recording(str(tmp_path / "a.csv"))
    assert page.recording.curves.picture.curves[0].remark == "no pull was found"


def test_a_file_that_is_none_is_said_and_the_list_stays(page, tmp_path):
    said = []
    page.context.message.connect(lambda kind, text: said.append(text))
    (tmp_path / "a.csv").write_bytes(b"\x00\x01")
    page.open_recording(str(tmp_path / "a.csv"))
    page.open_recording(str(tmp_path / "missing.csv"))
    assert len(said) == 2
    assert page.views.currentWidget() is not page.recording
