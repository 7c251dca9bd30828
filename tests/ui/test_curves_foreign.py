"""Recordings from elsewhere: columns and units matched before a person's eye, then read and replayed like any."""

from __future__ import annotations

import os
import threading
import time
from dataclasses import replace

import numpy as np
import pytest
from PySide6.QtCore import QEventLoop, QObject, QTimer
from PySide6.QtTest import QTest

from benchapp.pulls import Mode, read_pulls
from benchapp.pulls.pull import Flag
from benchapp.records import Store
from benchapp.runs.model import RunState
from benchapp.session.view import BenchView, LinkView
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import read_trace, write_trace
from benchapp.torque.units import to_nm
from benchapp.ui.context import AppContext
from benchapp.ui.curves.cells import number
from benchapp.ui.curves.foreign import (
    CLOCK,
    COUNTED,
    ForeignFileError,
    Matching,
    _plain_numbers,
    guess,
    outlook,
    sheet_of,
    trace_of,
)
from benchapp.ui.curves.foreignview import BUSY
from benchapp.ui.curves.recording import opened
from benchapp.ui.logbook.page import LogbookPage
from drivers.samples import Source
from drivers.transport import parse_url

from . import bench_standin as stand


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


def test_whole_numbers_in_quotes_are_told_apart_by_their_commas():
    rows = "".join(f'"{i}","{i % 3}"\n' for i in range(20)) + '"20","1.5"\n'
    sheet = sheet_of(f'"Time (ms)","M"\n{rows}'.encode())
    assert sheet.decimal == "."
    assert trace_of(sheet, guess(sheet)).torque[-1] == 1.5


def test_a_time_that_falls_is_offered_so_that_no_pull_is_read_backwards():
    sheet = sheet_of(b"time,torque\n3,1\n2,2\n1,3\n0,1\n", "a.csv")
    matching = guess(sheet)
    assert matching.time == 0
    with pytest.raises(ForeignFileError, match="time does not rise"):
        outlook(sheet, matching)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_what_is_no_file_is_refused_before_it_is_read(tmp_path):
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    with pytest.raises(ForeignFileError, match="a pipe or a device, not a file"):
        opened(pipe, Mode.FIRST_PEAK)  # nobody writes into it: reading would never end
    with pytest.raises(ForeignFileError, match="a folder, not a file"):
        opened(tmp_path, Mode.FIRST_PEAK)


@pytest.mark.parametrize("data", [b"", b"hello\nworld\n", b"\x00\x01\x02\x03", b"a,b\n1\n"])
def test_what_is_no_recording_is_refused_in_a_sentence(data):
    with pytest.raises(ForeignFileError, match=r"\."):
        sheet_of(data, "a.csv")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("t,m\n0,1\n1,2\n2,x\n", "line 4"),
        ("t,m\n0,1\n1,2\n1,3\n", "time does not rise"),
        ("t,m\n0,1\n1,2\n2,inf\n", "no number"),
        ("t,m\n0,1\n1,2\n2,1e999\n", "no number"),
        ("t,m\n0,1\n,2\n2,2\n", "no time"),
        ("t,m\n0,1\n1,2\n1,3\n", "two samples bear the same time"),
        ('t,m\n0,1\n1,2\n2,"1,234.5"\n', "separator of thousands"),
        ("t;m\n0,1;1.234,5\n0,2;1.235,5\n0,3;1.236,5\n", "separator of thousands"),
        ("t;m\n0,1;998\n0,2;999\n0,3;1,000\n", "could mean 1000 or 1.000"),
    ],
)
def test_a_cell_that_cannot_be_is_named_with_its_line(text, said):
    with pytest.raises(ForeignFileError, match=said):
        trace_of(sheet_of(text.encode(), "a.csv"), Matching(0, 1))


OWN = np.round(pull()[1], 4)
"""The pull as it stands in a trace file of our own; every foreign file below holds this pull."""


def table(head, row, *, end="\n"):
    return head + "".join(row(i, t, y) + end for i, (t, y) in enumerate(zip(pull()[0], OWN, strict=True)))


def clock(t, comma="."):
    ms = round(t * 1000) + 3120
    return f"08:15:{ms // 1000:02d}{comma}{ms % 1000:03d}"


def german(value, decimals=4):
    return f"{value:.{decimals}f}".replace(".", ",")


LBF_FT = 1.3558179483314004  # N·m in one lbf·ft, NIST SP 811 appendix B.8, to the digits of its factors

FOREIGN = {  # name: (file, time column, its unit, torque column, unit, samples per second that the file tells)
    "decimal comma in quotes": (
        table('"Zeit (s)","Drehmoment (Nm)"\n', lambda i, t, y: f'"{german(t)}","{german(y)}"'),
        0, "s", 1, "N·m",
    ),
    "units in the cells": (table("time,torque\n", lambda i, t, y: f"{t:.3f} s,{y} Nm"), 0, "s", 1, "N·m"),
    "units in the cells, decimal comma": (
        table("Zeit;Moment\n", lambda i, t, y: f"{t * 1000:.0f}ms;{german(y * 100, 2)} cNm"), 0, "ms", 1, "cN·m"
    ),
    "bars": (table("time|M / Nm\n", lambda i, t, y: f"{t:.3f}|{y}"), 0, "s", 1, "N·m"),
    "milliseconds from 1970": (
        table("timestamp,Nm\n", lambda i, t, y: f"{1764500000000 + i},{y}"), 0, "ms", 1, "N·m"
    ),
    "microseconds from 1970": (
        table("ts,Nm\n", lambda i, t, y: f"{(1764500000000 + i) * 1000},{y}"), 0, "µs", 1, "N·m"
    ),
    "nanoseconds from 1970": (
        table("timestamp,Nm\n", lambda i, t, y: f"{(1764500000000 + i) * 1000000},{y}"), 0, "ns", 1, "N·m"
    ),
    "ISO date and time": (
        table("Time,Torque [Nm]\n", lambda i, t, y: f"2026-11-30 {clock(t)},{y}"),
        0, CLOCK, 1, "N·m",
    ),
    "ISO with T and zone": (table("when,M\n", lambda i, t, y: f"2026-11-30T{clock(t)}+01:00,{y}"), 0, CLOCK, 1, "N·m"),
    "clock with comma": (table("Uhrzeit;Moment\n", lambda i, t, y: f"{clock(t, ',')};{german(y)}"), 0, CLOCK, 1, "N·m"),
    "clock cut by its comma": (table("time,Nm\n", lambda i, t, y: f"{clock(t, ',')},{y}"), 0, CLOCK, 1, "N·m"),
    "German date": (table("", lambda i, t, y: f"30.11.2026 {clock(t)}\t{german(y)}"), 0, CLOCK, 1, "N·m"),
    "date and time apart": (
        table("Date,Time,Torque (Nm)\n", lambda i, t, y: f"11/30/2026,{clock(t)},{y}"), 1, CLOCK, 2, "N·m"
    ),
    "half days": (table("t,M / Nm\n", lambda i, t, y: f"{clock(t)} PM,{y}"), 0, CLOCK, 1, "N·m"),
    "minutes and seconds": (table("t,Nm\n", lambda i, t, y: f"15:{clock(t)[6:]},{y}"), 0, CLOCK, 1, "N·m"),
    "milliseconds": (table("Time [ms],Torque [N.m]\n", lambda i, t, y: f"{t * 1000:.0f},{y}"), 0, "ms", 1, "N·m"),
    "microseconds": (table("t/us;M / Nm\n", lambda i, t, y: f"{t * 1e6:.0f};{y}"), 0, "µs", 1, "N·m"),
    "Greek mu": (table("Zeit in μs\tMd in Nm\n", lambda i, t, y: f"{t * 1e6:.0f}\t{y}"), 0, "µs", 1, "N·m"),
    "seconds by an ending": (table("time_s;torque_Nm\n", lambda i, t, y: f"{t:.3f};{y}"), 0, "s", 1, "N·m"),
    "decimal comma": (
        table("Zeit (s);Drehmoment (Nm)\n", lambda i, t, y: f"{german(t)};{german(y)}"),
        0, "s", 1, "N·m",
    ),
    "centinewton metres": (table("t;Drehmoment (cNm)\n", lambda i, t, y: f"{t:.3f};{y * 100:.2f}"), 0, "s", 1, "cN·m"),
    "pound-force feet": (
        table("t,Torque [lbf.ft]\n", lambda i, t, y: f"{t:.3f},{y / LBF_FT:.6f}"),
        0, "s", 1, "lbf·ft",
    ),
    "row of units": (
        table("Time\tAngle\tTorque\nms\tdeg\tNm\n", lambda i, t, y: f"{i}\t{i % 7}\t{y}"),
        0, "ms", 2, "N·m",
    ),
    "several columns": (
        table("t,force N,angle deg,torque Nm,ok\n", lambda i, t, y: f"{t:.3f},{y * 2:.2f},{i % 9},{y},yes"),
        0, "s", 3, "N·m",
    ),
    "aim beside what was": (
        table("t;target [Nm];actual [Nm]\n", lambda i, t, y: f"{t:.3f};30.0;{y}"), 0, "s", 2, "N·m"
    ),
    "unit in its column": (table("t,value,unit\n", lambda i, t, y: f"{t:.3f},{y},Nm"), 0, "s", 1, "N·m"),
    "words before": (
        table("Bench 4;\nOperator;fitter 2\nUnit: cNm\n\nt;value\n", lambda i, t, y: f"{t:.3f};{y * 100:.2f}"),
        0, "s", 1, "cN·m",
    ),
    "separator at the end": (table("t;Nm;\n", lambda i, t, y: f"{t:.3f};{y};"), 0, "s", 1, "N·m"),
    "spaces": (table("# t Nm\n", lambda i, t, y: f"  {t:.3f}   {y:.4f}"), 0, "s", 1, "N·m"),
    "quotes and CRLF": (
        table('"t [s]","M [Nm]"\r\n', lambda i, t, y: f'"{t:.3f}","{y}"', end="\r\n"),
        0, "s", 1, "N·m",
    ),
    "counter, clock, force, units with blanks": (
        table(
            "Kanal;Wert\nDatum;30.11.2026\n\nNr.;Zeit;Kraft;Moment\n;;N;Nm\n",
            lambda i, t, y: f"{i};{clock(t, ',')};{i % 7},5;{german(y)}",
        ),
        1, CLOCK, 3, "N·m",
    ),
    "counter": (table("No.,Torque Nm\n", lambda i, t, y: f"{i},{y}"), 0, COUNTED, 1, "N·m"),
    "counter and a rate": (
        table("Sample rate: 1 kHz\nn;Nm\n", lambda i, t, y: f"{i};{y}"),
        0, COUNTED, 1, "N·m", 1000.0,
    ),
    "torque alone": (table("Abtastrate 1000 Hz\nNm\n", lambda i, t, y: f"{y}"), None, "s", 0, "N·m", 1000.0),
}  # fmt: skip


def plain(text):
    return text.replace("\u202f", "")


def read(trace):
    (found,) = read_pulls(trace.t_s, to_nm(trace.torque, trace.unit), mode=Mode.FIRST_PEAK, capacity=200.0).pulls
    return found


@pytest.fixture(scope="module")
def own(tmp_path_factory):
    path = tmp_path_factory.mktemp("own") / "own.csv"
    write_trace(path, Trace(pull()[0], OWN, "N·m", Source.LIVE, capacity=200.0))
    return read(read_trace(path))


ENCODED = [
    (name, encoding)
    for name in ("milliseconds", "decimal comma", "clock with comma")
    for encoding in ("utf-8-sig", "utf-16", "utf-16-le", "cp1252")
]


@pytest.mark.parametrize(("name", "encoding"), [*((name, "utf-8") for name in FOREIGN), *ENCODED])
def test_a_foreign_file_reads_as_the_same_pull_in_a_file_of_our_own(name, encoding, own):
    text, time, time_unit, torque, unit, *rate = FOREIGN[name]
    sheet = sheet_of(text.encode(encoding), "a.csv")
    matching = guess(sheet)
    assert (matching.time, matching.time_unit, matching.torque, matching.unit) == (time, time_unit, torque, unit)
    assert matching.rate_hz == (rate[0] if rate else None)
    if time is None or time_unit == COUNTED:
        if not rate:
            with pytest.raises(ForeignFileError, match="samples per second above 0 are wanted"):
                trace_of(sheet, matching)
        matching = replace(matching, rate_hz=1000.0)
    trace = trace_of(sheet, matching)
    found = read(trace)
    exact = dict(rel=1e-12) if unit == "N·m" else dict(rel=1e-6)  # other units were written with a few digits
    assert found.reading == pytest.approx(own.reading, **exact)
    assert found.flags == own.flags
    assert found.reading_time_s - found.start_s == pytest.approx(own.reading_time_s - own.start_s, abs=1.1e-3)
    assert "5000 samples in 4.999 s, 1000 samples per second" in plain(outlook(sheet, matching))


def test_rows_without_a_torque_are_gaps_and_said_so():
    rows = [f"{i},{'' if 100 <= i < 140 else 'NaN' if i == 300 else i % 5}" for i in range(500)]
    sheet = sheet_of(("t [ms],Nm\n" + "\n".join(rows)).encode())
    trace = trace_of(sheet, guess(sheet))
    assert len(trace) == 500 - 41
    assert float(np.diff(trace.t_s).max()) == pytest.approx(0.041)
    assert any("41 rows without a torque" in plain(note) for note in trace.notes)
    assert "1 gap in it" in plain(outlook(sheet, guess(sheet)))


@pytest.mark.parametrize("n_cut", range(1, 12))
def test_a_file_that_breaks_off_in_a_number_shows_no_click(n_cut):
    """Still being written, or copied in part: a last sample of 5 in place of 29.98 was read as a tool that let go."""
    rows = [f"{german(t, 3)};{german(y, 2)}" for t, y in zip(*pull(n=3400), strict=True)]
    text = ("Zeit [s];Moment [Nm]\n" + "\n".join(rows))[:-n_cut]
    sheet = sheet_of(text.encode())
    found = read(trace_of(sheet, guess(sheet)))
    assert found.reading is None
    assert Flag.CUT in found.flags


def test_cells_in_several_units_are_refused():
    sheet = sheet_of(b"time,torque\n0,1 Nm\n1,2 Nm\n2,30 cNm\n3,2 Nm\n", "a.csv")
    with pytest.raises(ForeignFileError, match="no number"):
        trace_of(sheet, Matching(0, 1))


def test_midnight_is_passed():
    text = "time,Nm\n" + "".join(f"{'23:59:59' if i < 5 else '00:00:00'}.{(5 + i) % 10}00,{i}\n" for i in range(10))
    sheet = sheet_of(text.encode())
    assert np.diff(trace_of(sheet, guess(sheet)).t_s) == pytest.approx(0.1)


def test_an_unnamed_counter_is_not_taken_for_seconds():
    matching = guess(sheet_of(b"0,0.1\n1,0.2\n2,0.1\n3,0.0\n"))
    assert (matching.time, matching.time_unit, matching.rate_hz) == (0, COUNTED, None)


def test_without_time_the_rate_is_asked_and_noted():
    trace = trace_of(sheet_of(b"1\n2\n3\n"), Matching(None, 0, rate_hz=10.0))
    assert trace.t_s.tolist() == [0.0, 0.1, 0.2]
    assert "10 samples per second" in trace.notes[0]


class Bench(QObject):
    def __init__(self):
        super().__init__()
        self.opened = []

        self.shown = BenchView(serial=0, source=None, link=LinkView("closed"))

    def open_link(self, url, profile):
        self.opened.append((url, profile))

    def view(self):
        return self.shown


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


def done(view):
    """Wait for what is done in a thread."""
    deadline = time.monotonic() + 60
    while view.errand.is_busy:
        assert time.monotonic() < deadline
        QTest.qWait(5)


def test_a_foreign_file_is_previewed_read_and_replayed(page, tmp_path):
    path = tmp_path / "bench ö.csv"
    path.write_bytes(GERMAN.encode("cp1252"))
    page.open_recording(str(path))
    view = page.recording
    done(view)
    assert view.stack.currentIndex() == 0
    assert view.preview.item(0, 2).text()
    view.take.click()
    done(view)
    (curve,) = view.curves.picture.curves
    assert curve.pull.reading == pytest.approx(30.0, rel=0.0025)
    view.speed.setCurrentIndex(3)
    view.replay.click()
    done(view)
    ((url, profile),) = page.context.bench.opened
    assert url.endswith("?speed=2")
    assert profile == ""
    again = read_trace(url.removeprefix("replay:").removesuffix("?speed=2"))
    assert again.source is Source.IMPORTED
    assert np.array_equal(again.torque, view.trace.torque)
    assert path.read_bytes() == GERMAN.encode("cp1252"), "the file from elsewhere is not touched"


def test_what_comes_of_the_columns_is_said_at_once_and_they_can_be_chosen_again(page, tmp_path):
    path = tmp_path / "counted.csv"
    path.write_text(FOREIGN["counter"][0].replace("Torque Nm", "value"), encoding="utf-8")
    page.open_recording(str(path))
    view = page.recording
    done(view)
    assert view.form.is_asked("rate")
    assert "samples per second above 0 are wanted" in view.outlook.text()
    assert "does not say the unit" in view.outlook.text()
    view.take.click()
    done(view)
    assert view.stack.currentIndex() == 0, "a rate is nothing to be assumed"
    QTest.keyClicks(view.rate.edit, "1000")
    done(view)
    assert "5000 samples in 4.999 s, 1000 samples per second" in plain(view.outlook.text())
    view.take.click()
    done(view)
    first = view.curves.picture.curves[0].pull.reading
    view.columns.click()
    assert view.stack.currentIndex() == 0
    view.torque_unit.put("lbf·ft")
    view.take.click()
    done(view)
    assert view.curves.picture.curves[0].pull.reading == pytest.approx(first * 1.3558179483314004, rel=1e-6)


def test_a_trace_file_opens_without_questions_and_other_modes_read_it_again(page, tmp_path):
    t, y = pull()
    write_trace(tmp_path / "a.csv", Trace(t, np.round(y, 3), "N·m", Source.LIVE, capacity=200.0))
    page.open_recording(str(tmp_path / "a.csv"))
    view = page.recording
    done(view)
    assert view.stack.currentIndex() == 1
    first = view.curves.picture.curves[0].pull.reading
    view.mode.choose("peak")
    done(view)
    assert view.curves.picture.curves[0].pull.reading == pytest.approx(1.05 * first, rel=0.01)


def test_a_file_without_a_pull_is_shown_all_the_same(page, tmp_path):
    write_trace(tmp_path / "a.csv", Trace(np.arange(500) / 1000, np.zeros(500), "N·m", Source.LIVE))
    page.open_recording(str(tmp_path / "a.csv"))
    done(page.recording)
    assert page.recording.curves.picture.curves[0].remark == "no pull was found"


def test_a_file_that_is_none_is_said_and_the_list_stays(page, tmp_path):
    said = []
    page.context.message.connect(lambda kind, text: said.append((kind, text)))
    (tmp_path / "a.csv").write_bytes(b"\x00\x01")
    page.open_recording(str(tmp_path / "a.csv"))
    done(page.recording)
    page.open_recording(str(tmp_path / "missing.csv"))
    done(page.recording)
    first, second = (text for kind, text in said if kind == "problem")
    assert said[2] == ("over", first)  # what was wrong with one file does not stand over the next one
    assert "missing.csv" in second
    assert page.views.currentWidget() is not page.recording


def test_nothing_is_replayed_into_a_run_under_way(page, tmp_path):
    """Its pulls were captured as the run's: live records refused them for ever, and what came after with them."""
    t, y = pull()
    write_trace(tmp_path / "a.csv", Trace(t, np.round(y, 3), "N·m", Source.LIVE, capacity=200.0))
    said, bench = [], page.context.bench
    page.context.message.connect(lambda kind, text: said.append((kind, text)))
    page.open_recording(str(tmp_path / "a.csv"))
    done(page.recording)
    bench.shown = stand.view(RunState.PULL)
    page.recording.replay.click()
    done(page.recording)
    assert bench.opened == []
    assert said[-1][0] == "problem"
    assert "under way" in said[-1][1]
    bench.shown = stand.view(RunState.SEALED)
    page.recording.replay.click()
    done(page.recording)
    assert len(bench.opened) == 1


def test_a_trace_file_whose_name_holds_a_question_mark_is_replayed(page, tmp_path):
    t, y = pull()
    path = tmp_path / "pull? 2.csv"
    write_trace(path, Trace(t, np.round(y, 3), "N·m", Source.LIVE, capacity=200.0))
    page.open_recording(str(path))
    done(page.recording)
    page.recording.replay.click()
    done(page.recording)
    ((url, _profile),) = page.context.bench.opened
    again = read_trace(parse_url(url).place)
    assert np.array_equal(again.torque, np.round(y, 3))


@pytest.fixture
def large(tmp_path):
    """300,000 rows with sixty pulls."""
    torque = np.tile(pull()[1], 60)
    rows = (f"{i / 1000:.3f};{v:.4f}" for i, v in enumerate(torque))
    path = tmp_path / "large.csv"
    path.write_text("Time [s];Torque [Nm]\n" + "\n".join(rows), encoding="utf-8")
    return path


def test_the_window_lives_while_a_large_file_is_read(page, qtbot, large):
    ticks, view = [], page.recording
    timer = QTimer(interval=10)
    timer.timeout.connect(lambda: ticks.append(time.monotonic()))
    busy = []
    view.shown.connect(lambda: busy.append(view.stack.currentIndex()))
    view._patience.setInterval(0)
    timer.start()
    begin = time.monotonic()
    page.open_recording(str(large))
    called_s = time.monotonic() - begin
    until(lambda: not view.errand.is_busy and view.outlook.text() != "…")
    took_s = time.monotonic() - begin
    timer.stop()
    gaps = np.diff([begin, *ticks, begin + took_s])
    assert called_s < took_s / 4
    assert len(ticks) >= 5
    assert gaps.max() < took_s / 2, f"no tick for {gaps.max():.2f} s of {took_s:.2f} s"
    assert busy[0] == BUSY
    assert busy[-1] == view.stack.currentIndex() == 0
    assert "300000 samples in 300 s" in plain(view.outlook.text())
    view.take.click()
    done(view)
    assert len(view.curves.picture.curves) == 60


def until(condition):
    """As in a window at work: no `qWait`, which keeps other threads out while it sleeps."""
    loop, timer = QEventLoop(), QTimer(interval=5)
    deadline = time.monotonic() + 120
    timer.timeout.connect(lambda: loop.quit() if condition() or time.monotonic() > deadline else None)
    timer.start()
    loop.exec()
    assert condition()


def test_reading_is_stopped_and_nothing_of_it_comes_up_later(page, qtbot, large):
    view = page.recording
    view._patience.setInterval(0)
    page.open_recording(str(large))
    until(lambda: view.stack.currentIndex() == BUSY)
    assert page.views.currentWidget() is view
    assert "large.csv" in view.busy.text()
    threads = [each for each in threading.enumerate() if each.name == "errand"]
    view.stop_reading.click()
    assert page.views.currentWidget() is not view
    for each in threads:
        each.join(timeout=30)
    assert not any(each.is_alive() for each in threads)
    until(lambda: True)
    assert page.views.currentWidget() is not view
    assert view.sheet is None


def test_who_goes_back_while_a_file_is_read_is_not_fetched_by_it(page, qtbot, large):
    page.open_recording(str(large))
    page.show_list()
    for each in [each for each in threading.enumerate() if each.name == "errand"]:
        each.join(timeout=30)
    until(lambda: True)
    assert page.views.currentWidget() is not page.recording


def test_plain_numbers_read_together_are_those_read_one_by_one():
    """A column of only plain numbers takes a short way: it must take them like `cells.number` and leave the rest."""
    cells = [".5", "5.", "+1e3", "-2.5E-4", " 7 ", "0012", "1e999", "1_0", "1 2", "nan", "inf", "", "1,5", "−3", "--1"]
    for decimal in ".,":
        for cell in cells:
            text = cell.replace(".", decimal) if decimal == "," else cell
            plain_way = _plain_numbers([text], decimal)
            if plain_way is not None:
                assert plain_way == [number(text, decimal)]
        alone = [text for text in cells[:6] if decimal == "."]
        assert _plain_numbers(alone, ".") == [number(cell, ".") for cell in alone]
