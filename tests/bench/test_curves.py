"""Ten pulls at 10 kHz laid over each other: CPU a redraw, against handing every sample to the same painter.

Goal: at most 4 ms CPU a redraw, whatever has changed. Checked, picture against picture: to within the column beside it
and one pixel of height each column of pixels reaches as high and as low as with every sample, and no further.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pyqtgraph as pg
import pytest
from PySide6.QtCore import QCoreApplication
from PySide6.QtGui import QColor, QImage, QPainter, QPen

from benchapp.pulls import Mode, read_pulls
from benchapp.ui.curves.drawing import Corridor, Drawing, polygon
from benchapp.ui.curves.overlay import Align, curve_of, points
from benchapp.ui.curves.picture import CurvePicture

RATE = 10_000
N_PULLS = 10
SIZE = (1000, 560)


def _curves(noise=0.01):
    made = []
    for number in range(N_PULLS):
        rng = np.random.default_rng(number)
        rise = rng.uniform(2.5, 3.5)
        t = np.arange(round((rise + 1.6) * RATE)) / RATE
        y = np.interp(t, [0, 0.4, 0.4 + rise, 0.41 + rise, 0.6 + rise, 1.1 + rise], [0, 0, 50, 32, 54, 0])
        y += rng.normal(0, noise, len(t))
        (pull,) = read_pulls(t, y, mode=Mode.FIRST_PEAK, capacity=100.0).pulls
        made.append(curve_of(number + 1, t, y, pull))
    return made


@pytest.fixture
def picture(qtbot):
    made = CurvePicture()
    qtbot.addWidget(made)
    made.resize(*SIZE)
    made.show_curves(_curves(), corridor=Corridor(50.0, 48.0, 52.0))
    made.cursor_s = -0.2
    return made


def _cpu_ms(work, n):
    work()
    begin = time.process_time()
    for _ in range(n):
        work()
    return (time.process_time() - begin) / n * 1e3


def _plain(painter, drawing):
    """Every sample of every curve, nothing else."""
    start, end, low, high = drawing.shown.view
    area = drawing.areas[0]
    painter.setClipRect(area)
    for curve in drawing.shown.curves:
        x = area.left() + (curve.t_s - curve.shift_s(Align.CLICK) - start) * (area.width() / (end - start))
        y = area.bottom() - (curve.torque_nm - low) * (area.height() / (high - low))
        painter.drawPolyline(polygon(x, y))


def test_ten_pulls_at_ten_kilohertz_redraw_in_four_milliseconds(picture, qtbot):
    image = QImage(*SIZE, QImage.Format.Format_RGB32)
    state = {"n": 0}

    def painted(paint):
        painter = QPainter(image)
        paint(painter)
        painter.end()

    def moved():
        """The view another one each time, so that nothing kept from before can serve."""
        state["n"] += 1
        drawing = picture.drawing()
        start, end, low, high = drawing.shown.view
        by = (end - start) * 1e-3 * (state["n"] % 7)
        drawing = Drawing(
            replace(drawing.shown, view=(start + by, end + by, low, high)), drawing.size, drawing.font, drawing.colours
        )

        def paint(painter):
            drawing.paint(painter)
            drawing.paint_cursor(painter, picture.reading())

        painted(paint)

    drawing = picture.drawing()
    empty = pg.PlotWidget()
    qtbot.addWidget(empty)
    empty.resize(*SIZE)
    empty.show()
    qtbot.waitExposed(empty)

    def emptied():
        empty.viewport().update()
        QCoreApplication.processEvents()

    far = picture.view
    picture.show_click()
    near = picture.view
    took = {"whole": [], "near": [], "empty": []}
    for _ in range(30):  # in turn, in short rounds: others take caches and clock away meanwhile
        picture._view = far
        took["whole"].append(_cpu_ms(moved, 3))
        picture._view = near
        took["near"].append(_cpu_ms(moved, 3))
        took["empty"].append(_cpu_ms(emptied, 3))
    whole_ms, near_ms, empty_ms = (min(each) for each in took.values())
    plain_ms = min(_cpu_ms(lambda: painted(lambda painter: _plain(painter, drawing)), 3) for _ in range(3))
    n_samples = sum(len(curve.t_s) for curve in picture.curves)
    print(
        f"\nten pulls, {n_samples} samples at 10 kHz, whole picture with corridor, marks, rate and cursor, each time "
        f"another view: {whole_ms:.2f} ms CPU; the click from near: {near_ms:.2f}; the bare curves with every sample: "
        f"{plain_ms:.1f}; an empty PlotWidget: {empty_ms:.2f}"
    )
    limit_ms = max(4.0, plain_ms / 6)  # on a machine that others keep busy everything takes longer
    assert plain_ms / whole_ms >= 4.0
    assert whole_ms <= limit_ms
    assert near_ms <= limit_ms


def test_where_only_the_cursor_moves_the_curves_are_not_drawn_again(picture, qtbot, monkeypatch):
    picture.show()
    qtbot.waitExposed(picture)
    state, drawn = {"n": 0}, []
    paint = Drawing.paint
    monkeypatch.setattr(Drawing, "paint", lambda self, painter: (drawn.append(self), paint(self, painter)))

    def step():
        state["n"] += 1
        picture._set_cursor(-1.0 + 0.01 * (state["n"] % 100))
        QCoreApplication.processEvents()  # paints what is to be painted

    step()
    drawn.clear()
    cursor_ms = min(_cpu_ms(step, 50) for _ in range(4))
    print(f"\nthe cursor moved: {cursor_ms:.2f} ms CPU")
    assert not drawn
    assert cursor_ms <= 2.0


@pytest.mark.parametrize("noise", [0.01, 1.0])
def test_what_is_thinned_away_could_not_be_seen(picture, noise):
    picture.show_curves(_curves(noise)[:1])
    drawing = picture.drawing()
    area, curve = drawing.areas[0], picture.curves[0]
    shift, (start, end) = curve.shift_s(Align.CLICK), drawing.shown.view[:2]
    times, values = points(curve.levels, start + shift, end + shift, int(area.width()))
    assert len(times) <= 2 * area.width() + 4
    assert np.all(np.diff(times) >= 0)
    assert values.max() == curve.torque_nm.max()
    assert np.all(np.isin(values, curve.torque_nm))

    def reach(paint):
        image = QImage(*SIZE, QImage.Format.Format_RGB32)
        image.fill(QColor("white"))
        painter = QPainter(image)
        painter.setPen(QPen(QColor("black"), 1))
        paint(painter)
        painter.end()
        inked = np.frombuffer(image.constBits(), np.uint32).reshape(SIZE[1], SIZE[0]) != 0xFFFFFFFF
        columns = np.flatnonzero(inked.any(axis=0))
        inked = inked[:, columns]
        return columns, -inked.argmax(axis=0), SIZE[1] - inked[::-1].argmax(axis=0)

    def ours(painter):
        painter.setClipRect(area)
        painter.drawPolyline(drawing._line(area, curve, curve.levels, drawing.shown.view[2:]))

    columns, *drawn = reach(ours)
    wanted, *whole = reach(lambda painter: _plain(painter, drawing))
    assert np.array_equal(columns, wanted)
    for mine, full in zip(drawn, whole, strict=True):  # up, then down
        assert np.all(mine <= np.maximum.reduce([full[:-2], full[1:-1], full[2:]])[[0, *range(len(full) - 2), -1]] + 1)
        assert np.all(np.maximum.reduce([mine[:-2], mine[1:-1], mine[2:]]) >= full[1:-1] - 1)
        assert np.mean(np.abs(mine - full) <= 1) > (0.97 if noise < 0.1 else 0.5)


@pytest.mark.parametrize("noise", [0.01, 1.0])
def test_a_finer_screen_costs_no_more_than_its_pixels(picture, noise):
    """At 150 % a pen of one logical pixel is wider than one of the device: every segment was outlined and filled."""
    picture.show_curves(_curves(noise), corridor=Corridor(50.0, 48.0, 52.0))
    drawing = picture.drawing()
    took = {}
    for ratio in (1.0, 1.5, 2.0):
        image = QImage(round(SIZE[0] * ratio), round(SIZE[1] * ratio), QImage.Format.Format_RGB32)
        image.setDevicePixelRatio(ratio)

        def work(image=image):
            painter = QPainter(image)
            drawing.paint(painter)
            painter.end()

        took[ratio] = min(_cpu_ms(work, 3) for _ in range(10))
    print(f"\nnoise {noise} N·m: " + ", ".join(f"{ms:.1f} ms CPU at {ratio:.0%}" for ratio, ms in took.items()))
    assert took[1.5] <= 3.5 * took[1.0]
    assert took[2.0] <= 6.0 * took[1.0]
