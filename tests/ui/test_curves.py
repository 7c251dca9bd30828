"""Looking at curves: nothing is lost by reduction, slopes are those of a straight line, pictures and data go out."""

from __future__ import annotations

import csv
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QImage, QWheelEvent
from PySide6.QtTest import QTest

from benchapp.pulls import Mode, read_pulls
from benchapp.pulls.pull import Flag
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import read_trace
from benchapp.ui import theme
from benchapp.ui.curves.drawing import ALIGN_WORDS, Corridor, Drawing
from benchapp.ui.curves.origin import Origin
from benchapp.ui.curves.overlay import Align, curve_of, curve_of_trace, local_slope, points, span, thinned
from benchapp.ui.curves.panel import CurvePanel, explain
from benchapp.ui.curves.picture import CurvePicture
from benchapp.ui.ticks import ticks
from drivers.samples import Source


def pull_samples(torque=30.0, rate=1000, rise=3.0, dip=False, seed=3):
    t = np.arange(round(5 * rate)) / rate
    y = np.interp(
        t, [0, 0.5, 0.5 + rise, 0.51 + rise, 0.7 + rise, 1.1 + rise], [0, 0, torque, 0.7 * torque, torque * 1.05, 0]
    )
    if dip:
        y -= 0.15 * torque * np.exp(-(((t - 0.5 - 0.7 * rise) / 0.07) ** 2))
    return t, y + np.random.default_rng(seed).normal(0, 0.002, len(t))


def curve(number=1, sign=1, **more):
    t, y = pull_samples(**more)
    (pull,) = read_pulls(t, y * sign, mode=Mode.FIRST_PEAK, capacity=200.0).pulls
    return curve_of(number, t, y * sign, pull)


@given(
    st.integers(200, 6000),
    st.integers(20, 400),
    st.floats(0, 0.8),
    st.floats(0.05, 1.0),
    st.integers(0, 2**32 - 1),
)
@example(2766, 20, 0.0, 0.51171875, 8839930)  # the greatest of a stretch that the edge cuts lies outside
@settings(max_examples=60, deadline=None)
def test_no_extreme_is_lost_and_none_is_invented(n, n_columns, begin, width, seed):
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.5, 1.5, n)) * 1e-3
    y = rng.normal(0, 1, n)
    y[rng.integers(n)] = 50.0
    levels = thinned(t, y)
    start = t[0] + begin * (t[-1] - t[0])
    end = start + max(width * (t[-1] - t[0]), 1e-3)
    times, values = points(levels, start, end, n_columns)
    assert np.all(np.diff(times) >= 0)
    assert len(times) <= max(2.2 * n_columns + 4, 192)  # times are uneven by up to a half
    at = np.searchsorted(t, times)
    assert np.array_equal(t[at], times)
    assert np.array_equal(y[at], values), "every point drawn is a sample at its place"
    inside = (t >= start) & (t <= end)
    column = (end - start) / n_columns
    stretches = np.flatnonzero(inside)
    for some in np.array_split(stretches, max(1, len(stretches) // 40)):
        if len(some) == 0:
            continue
        for extreme, wins in ((y[some].max(), np.greater_equal), (y[some].min(), np.less_equal)):
            where = t[some][np.argmax(y[some] == extreme)]
            reach = column * 2.4  # stretches are as wide as 1.5 columns, more where samples are further apart
            if min(where - start, end - where) < reach and abs(extreme) < 50.0:
                continue  # the stretch goes on outside the view, its own extremes may lie there
            near = np.abs(times - where) <= reach
            assert np.any(wins(values[near], extreme))


def test_few_samples_are_drawn_as_they_are():
    t, y = np.arange(50) / 1000.0, np.sin(np.arange(50.0))
    times, values = points(thinned(t, y), 0.0, 0.05, 400)
    assert np.array_equal(times, t)
    assert np.array_equal(values, y)


@given(st.integers(3, 120), st.floats(0.002, 0.05), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_local_slope_is_the_least_squares_line_of_its_window(n, window, seed):
    """Second implementation: numpy.polyfit over the samples of the window, one by one."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.0005, 0.002, n))
    y = rng.normal(0, 1, n).cumsum()
    slope = local_slope(t, y, window)
    for i in range(n):
        inside = np.abs(t - t[i]) <= window / 2 * (1 + 1e-9)
        inside[max(0, i - 1) : i + 2] = True
        if inside.sum() >= 2:
            assert slope[i] == pytest.approx(np.polyfit(t[inside] - t[i], y[inside], 1)[0], rel=1e-6, abs=1e-5)


def test_a_long_trace_far_from_zero_time_keeps_its_slope():
    t = 1e6 + np.arange(200_000) / 1000.0
    assert local_slope(t, 7.5 * (t - t[0]), 0.005) == pytest.approx(7.5, rel=1e-5)


def test_anticlockwise_pulls_are_laid_over_clockwise_ones():
    one, other = curve(1), curve(2, sign=-1)
    assert np.allclose(one.torque_nm, other.torque_nm)
    assert one.shift_s(Align.CLICK) == pytest.approx(other.shift_s(Align.CLICK), abs=0.002)


def test_the_three_ways_of_laying_curves_over_each_other():
    made = curve()
    pull = made.pull
    assert made.shift_s(Align.CLICK) == pull.reading_time_s
    assert made.shift_s(Align.EIGHTY) == pytest.approx(pull.reading_time_s - pull.time_80_to_100_s)
    assert made.shift_s(Align.START) == pull.start_s
    assert made.at(made.shift_s(Align.EIGHTY))[1] == pytest.approx(0.8 * pull.reading, rel=0.01)


def test_the_cursor_reads_the_nearest_sample_with_its_rate():
    made = curve()
    time_s, torque, rate = made.at(2.00041)
    assert time_s == pytest.approx(2.0)
    assert torque == made.torque_nm[2000]
    assert rate == pytest.approx(10.0, rel=0.1)
    assert made.at(-1.0) is None


def test_the_view_holds_all_curves_and_marks_stand_on_round_numbers():
    start, end, low, high = span([curve(1), curve(2, torque=40.0)], Align.CLICK)
    assert start < -3.0
    assert end > 0.6
    assert low <= 0.0
    assert high > 42.0
    assert ticks(-4.2, 4.2, 5) == ([-4.0, -2.0, 0.0, 2.0, 4.0], 0)


@pytest.mark.parametrize("align", list(Align))
def test_everything_is_a_pull_from_rest_to_rest_though_the_reader_begins_it_later(align):
    t, y = pull_samples()
    (pull,) = read_pulls(t, y, mode=Mode.FIRST_PEAK, capacity=1000.0).pulls
    late = replace(pull, start_s=2.0, end_s=3.9)  # as on a reference whose noise hides the beginning
    start, end, *_ = span([curve_of(1, t, y, late)], align)
    shift = curve_of(1, t, y, late).shift_s(align)
    assert start + shift <= 0.5 - 0.2
    assert start + shift >= 0.0 - 0.1
    assert end + shift == pytest.approx(4.1 + 0.3, abs=0.15)


@pytest.fixture
def picture(qtbot):
    made = CurvePicture()
    qtbot.addWidget(made)
    made.resize(900, 560)
    made.show()
    made.show_curves([curve(1), curve(2, dip=True), curve(3, seed=9)], corridor=Corridor(30.0, 28.85, 31.25))
    return made


def test_everything_is_reached_by_keyboard(picture):
    full = picture.view
    QTest.keyClick(picture, Qt.Key.Key_C)
    start, end, *_ = picture.view
    assert end - start == pytest.approx(0.06)
    assert start < 0 < end
    QTest.keyClick(picture, Qt.Key.Key_0)
    assert picture.view == full
    QTest.keyClick(picture, Qt.Key.Key_Plus)
    assert picture.view[1] - picture.view[0] == pytest.approx((full[1] - full[0]) / 1.5)
    QTest.keyClick(picture, Qt.Key.Key_Right)
    assert picture.reading().time_s > 0
    QTest.keyClick(picture, Qt.Key.Key_PageUp)
    assert picture.chosen == 2


def drawn_words(picture, tmp_path):
    picture.save_svg(str(tmp_path / "drawn.svg"))
    words = {}
    for group in ET.parse(tmp_path / "drawn.svg").getroot().iter():
        matrix = group.get("transform", "")
        for node in group:
            if node.tag.endswith("}text"):
                moved = [float(part) for part in matrix.removeprefix("matrix(").rstrip(")").split(",")]
                words["".join(node.itertext()).strip()] = moved[5] + moved[3] * float(node.get("y", "0"))
    return words


@pytest.mark.parametrize("height", [240, 420, 700])
@pytest.mark.parametrize("align", list(Align))
def test_no_words_are_cut_at_the_foot_and_the_cursor_covers_no_curve(picture, tmp_path, height, align):
    picture.resize(640, height)
    picture.set_align(align)
    picture._set_cursor(0.0 if align is Align.CLICK else 0.5)
    words = drawn_words(picture, tmp_path)
    metrics = picture.fontMetrics()
    (foot,) = [y for text, y in words.items() if text in ALIGN_WORDS.values()]
    assert foot + metrics.descent() <= height
    told = picture.reading().text(picture.unit)
    (above,) = [y for text, y in words.items() if text.split() == told.split()]
    assert above + metrics.descent() <= picture.drawing().areas[0].top() + 1


def test_a_pull_set_aside_is_no_fainter_than_the_grid(qtbot):
    shown = CurvePicture()
    qtbot.addWidget(shown)
    shown.resize(900, 560)
    shown.show_rate = False
    shown.show_curves([replace(curve(1, rise=4.0), counts=False), curve(2, rise=2.0)])
    image = shown.grab().toImage()
    x, torque = round(shown.drawing().x(-3.0)), 30.0 * (1 - 3.0 / 4.0)
    middle = round(shown.drawing().y(torque))
    ground = QColor(theme.palette().panel)
    column = [QColor(image.pixel(x + dx, middle + dy)) for dx in (2, 3) for dy in range(-6, 7)]
    assert max(abs(c.lightness() - ground.lightness()) for c in column) > abs(
        QColor(theme.palette().rail).lightness() - ground.lightness()
    )


def test_the_wheel_zooms_around_the_pointer(picture):
    place = QPointF(500, 200)
    before = picture.drawing().time_at(place.x())
    picture.wheelEvent(
        QWheelEvent(
            place,
            place,
            place.toPoint() * 0,
            place.toPoint() * 0 + QPointF(0, 120).toPoint(),
            Qt.MouseButton.NoButton,
            Qt.KeyboardModifier.NoModifier,
            Qt.ScrollPhase.NoScrollPhase,
            False,
        )
    )
    assert picture.drawing().time_at(place.x()) == pytest.approx(before, abs=1e-6)
    assert picture.view[1] - picture.view[0] < picture._full[1] - picture._full[0]


def test_a_click_on_a_curve_chooses_its_pull(picture):
    picture.show_curves([curve(1), curve(2, torque=40.0), curve(3, torque=50.0)], chosen=1)
    picked = []
    picture.picked.connect(picked.append)
    other = picture.curves[1]
    shift = other.shift_s(Align.CLICK)
    at = picture.drawing().x(other.pull.start_s + 0.7 * 3.0 - shift)
    torque = other.at(other.pull.start_s + 0.7 * 3.0)[1]
    QTest.mouseClick(picture, Qt.MouseButton.LeftButton, pos=QPointF(at, picture.drawing().y(torque)).toPoint())
    assert picked == [2]


def test_what_was_flagged_is_said_in_a_sentence(picture):
    dipped = picture.curves[1].pull
    assert Flag.JERKY in dipped.flags
    said = explain(dipped, "N·m")
    assert any(sentence.startswith("Jerky: torque fell back") for sentence in said)
    assert explain(picture.curves[0].pull, "N·m")[-1] == "Nothing was wrong with this pull."


ORIGIN = Origin(
    Source.SIMULATED, "OCF-014", "0c5f1f9e-run", "2026-11-30 08:15", "30 N·m clockwise", "REF-1", void="wrong tool"
)


@pytest.fixture
def panel(qtbot):
    t, y = pull_samples()
    trace = Trace(t, np.round(y, 3), "N·m", Source.SIMULATED, capacity=200.0, nominal_rate_hz=1000.0)
    made = CurvePanel(lambda: ORIGIN, data_wanted=lambda number: trace if number == 1 else None)
    qtbot.addWidget(made)
    made.resize(1200, 600)
    made.show()
    made.show_curves([curve_of_trace(1, trace, curve().pull), curve(2)])
    made.trace = trace
    return made


def test_picture_and_samples_go_out_as_png_svg_and_trace_file(panel, tmp_path):
    for kind in ("png", "svg", "csv"):
        panel.picture.choose(1)
        assert panel.save_as(str(tmp_path / f"ä b.{kind}"), kind)
    assert QImage(str(tmp_path / "ä b.png")).width() == panel.picture.width() * 2
    root = ET.parse(tmp_path / "ä b.svg").getroot()
    drawn = " ".join(" ".join("".join(node.itertext()).split()) for node in root.iter() if node.tag.endswith("}text"))
    for wanted in ("OCF-014", "0c5f1f9e-run", "2026-11-30 08:15", "30 N·m clockwise", "REF-1", "SIMULATED", "VOID"):
        assert wanted in drawn
    again = read_trace(tmp_path / "ä b.csv")
    assert np.array_equal(again.torque, panel.trace.torque)
    assert np.array_equal(again.t_s, panel.trace.t_s)
    assert (again.extra["tool"], again.extra["run"], again.extra["pull"]) == ("OCF-014", "0c5f1f9e-run", "1")
    assert again.source is Source.SIMULATED


@pytest.mark.parametrize("source", list(Source))
def test_whatever_is_saved_says_where_it_is_from(source):
    one = replace(ORIGIN, source=source, void="")
    said = " ".join((*one.heading(), one.file_name()))
    assert all(wanted in said for wanted in ("OCF-014", "0c5f1f9e", "2026-11-30", "30 N·m clockwise", "REF-1"))
    assert (source is Source.LIVE) == ("no tool was pulled" not in said and "read from a file" not in said)
    assert (source.value in one.file_name()) == (source is not Source.LIVE)


def test_a_heading_is_folded_so_that_none_of_it_is_cut(panel):
    panel.picture.resize(360, 300)
    rows = [text for _, text in panel.picture._heading_rows(ORIGIN.heading())]
    assert " ".join(rows) == " ".join(ORIGIN.heading())
    assert len(rows) > 3
    high = panel.picture.image(1.0, heading=ORIGIN.heading()).height()
    assert high >= panel.picture.height() + len(rows) * panel.picture.fontMetrics().height()


def test_all_pulls_go_out_as_they_lie_over_each_other(panel, tmp_path):
    panel.align.choose(Align.EIGHTY)
    panel.picture.set_unit("lbf·in")
    assert panel.save_as(str(tmp_path / "all.csv"), "all")
    lines = (tmp_path / "all.csv").read_text(encoding="utf-8").splitlines()
    head = dict(line[2:].split(": ", 1) for line in lines if line.startswith("#"))
    assert (head["tool"], head["run"], head["reference"]) == ("OCF-014", "0c5f1f9e-run", "REF-1")
    assert (head["date"], head["checkpoint"], head["void"]) == ("2026-11-30 08:15", "30 N·m clockwise", "wrong tool")
    assert (head["source"], head["unit"], head["time_s"]) == ("simulated", "lbf·in", "from 80 % of the reading")
    assert "no tool was pulled" in head["origin"]
    assert head["rate of pull 1"] == "slope of a straight line over 5 ms"
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert {row["pull"] for row in rows} == {"1", "2"}
    for made in panel.picture.curves:
        mine = [row for row in rows if row["pull"] == str(made.number)]
        assert len(mine) == len(made.t_s)
        at = min(mine, key=lambda row: abs(float(row["time_s"])))
        # 1 lbf·in is 0.1129848290276167 N·m exactly (NIST SP 811); at zero stands 80 % of the reading
        assert float(at["torque_lbf·in"]) * 0.1129848290276167 == pytest.approx(0.8 * made.pull.reading, rel=0.01)
        assert "rate_lbf·in_per_s" in at


def test_a_click_from_near_tells_a_millisecond_from_the_next(picture):
    QTest.keyClick(picture, Qt.Key.Key_C)
    start, end, *_ = picture.view
    area = picture.drawing().areas[0]
    assert area.width() / ((end - start) * 1000) > 5  # pixels for one millisecond
    seen = set()
    for k in range(10):
        picture._set_cursor(0.001 * k)
        seen.add(round(picture.reading().time_s, 6))
    assert len(seen) == 10


def test_from_near_no_words_hide_what_comes_before_the_click(picture, monkeypatch):
    plates = {}

    def plate(_self, _painter, at, text, **_more):
        plates[text] = at.x()

    monkeypatch.setattr(Drawing, "_plate", plate)
    for key, is_behind in ((Qt.Key.Key_C, True), (Qt.Key.Key_0, False)):
        QTest.keyClick(picture, key)
        picture.grab()
        assert (plates["let go here"] > picture.drawing().x(0.0)) is is_behind, key


def test_a_place_that_cannot_be_written_is_said_with_its_reason(panel, tmp_path):
    failed = []
    panel.failed.connect(failed.append)
    for kind in ("png", "svg", "csv"):
        assert not panel.save_as(str(tmp_path / "no such folder" / f"a.{kind}"), kind)
    panel.picture.choose(2)
    assert not panel.save_as(str(tmp_path / "a.csv"), "csv")
    assert len(failed) == 4
    assert all("Nothing was saved" in sentence for sentence in failed)
    assert list(tmp_path.iterdir()) == []


def test_an_empty_picture_says_so_and_draws(panel):
    panel.show_curves([])
    panel.picture.grab()
    assert panel.picture.reading() is None


@pytest.fixture
def dark():
    theme.use("dark")
    yield theme.DARK
    theme.use("light")


def test_what_is_saved_is_for_paper_though_the_window_is_dark(panel, tmp_path, dark):
    assert panel.picture.drawing().colours == dark
    assert panel.save_as(str(tmp_path / "a.png"), "png")
    assert panel.save_as(str(tmp_path / "a.svg"), "svg")
    image = QImage(str(tmp_path / "a.png"))
    seen = {image.pixelColor(x, y).name() for x in range(0, image.width(), 3) for y in range(0, image.height(), 3)}
    assert image.pixelColor(2, 2).name() == theme.LIGHT.panel
    assert theme.LIGHT.ink in seen
    assert not {dark.panel, dark.ink, dark.ground} & seen
    drawn = (tmp_path / "a.svg").read_text(encoding="utf-8")
    assert theme.LIGHT.panel in drawn
    assert dark.panel not in drawn
    assert dark.ink not in drawn


def test_a_moved_cursor_leaves_nothing_of_itself_behind(picture, qtbot):
    """Only where the cursor was and is gets painted again: it must look as if everything were."""
    qtbot.waitExposed(picture)
    for at in (-2.0, -1.0, 0.3, 0.301):
        picture._set_cursor(at)
        qtbot.wait(30)
    on_screen = picture.screen().grabWindow(picture.winId()).toImage()
    picture.update()
    qtbot.wait(30)
    assert picture.screen().grabWindow(picture.winId()).toImage() == on_screen
    assert len({on_screen.pixelColor(x, 300).name() for x in range(on_screen.width())}) > 2


def test_zooming_torque_ends_where_nothing_more_is_told(picture):
    for _ in range(300):
        picture.zoom(1.5, torque_only=True)
    low, high = picture.view[2:]
    assert 0 < high - low < 1e-3 * (picture._full[3] - picture._full[2])
    picture.grab()
    for _ in range(300):
        picture.zoom(1 / 1.5, torque_only=True)
    assert picture.view[3] - picture.view[2] <= 4 * (picture._full[3] - picture._full[2])


def test_arrows_walk_a_cursor_that_is_seen(picture):
    """Near the click the cursor stood where the pointer had left it, seconds away, and walked there unseen."""
    picture._set_cursor(-2.0)
    QTest.keyClick(picture, Qt.Key.Key_C)
    QTest.keyClick(picture, Qt.Key.Key_Right)
    start, end, *_ = picture.view
    assert start <= picture.reading().time_s <= end
    picture._view = (0.2, 0.3, *picture.view[2:])
    QTest.keyClick(picture, Qt.Key.Key_Left)
    assert 0.2 <= picture.reading().time_s <= 0.3
