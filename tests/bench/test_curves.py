"""Ten pulls at 10 kHz laid over each other: CPU a redraw, against handing every sample to the same painter.

Goal: at most 4 ms CPU a redraw. Both ways draw the same highest and lowest torque in every pixel column (checked).
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from PySide6.QtGui import QImage, QPainter

from benchapp.pulls import Mode, read_pulls
from benchapp.ui.curves.overlay import Align, columns, curve_of
from benchapp.ui.curves.picture import Corridor, CurvePicture, polygon

RATE = 10_000
N_PULLS = 10
SIZE = (1000, 560)


def _curves():
    made = []
    for number in range(N_PULLS):
        rng = np.random.default_rng(number)
        rise = rng.uniform(2.5, 3.5)
        t = np.arange(round((rise + 1.6) * RATE)) / RATE
        y = np.interp(t, [0, 0.4, 0.4 + rise, 0.41 + rise, 0.6 + rise, 1.1 + rise], [0, 0, 50, 32, 54, 0])
        y += rng.normal(0, 0.01, len(t))
        (pull,) = read_pulls(t, y, mode=Mode.FIRST_PEAK, capacity=100.0).pulls
        made.append(curve_of(number + 1, t, y, pull))
    return made


def _cpu_ms(work, n):
    work()
    begin = time.process_time()
    for _ in range(n):
        work()
    return (time.process_time() - begin) / n * 1e3


def test_ten_pulls_at_ten_kilohertz_redraw_in_four_milliseconds(qtbot):
    curves = _curves()
    picture = CurvePicture()
    qtbot.addWidget(picture)
    picture.resize(*SIZE)
    picture.show_curves(curves, corridor=Corridor(50.0, 48.0, 52.0))
    picture.cursor_s = -0.2
    image = QImage(*SIZE, QImage.Format.Format_RGB32)
    area, _ = picture._areas(picture.size())
    start, end, low, high = picture.view

    def ours():
        painter = QPainter(image)
        picture.draw(painter, picture.size())
        painter.end()

    def plain():
        painter = QPainter(image)
        for curve in curves:
            x = area.left() + (curve.t_s - curve.shift_s(Align.CLICK) - start) * (area.width() / (end - start))
            y = area.bottom() - (curve.torque_nm - low) * (area.height() / (high - low))
            painter.drawPolyline(polygon(x, y))
        painter.end()

    for curve in curves:  # the same extremes in every column
        shift = curve.shift_s(Align.CLICK)
        n = int(area.width())
        times, values = columns(curve.levels, shift, start, end, n)
        assert values.max() == curve.torque_nm.max()
        assert values.min() == pytest.approx(curve.torque_nm.min(), abs=0.02)
        assert len(values) <= 2 * n
        assert np.all(np.diff(times) >= 0)
    ours_ms, plain_ms = _cpu_ms(ours, 40), _cpu_ms(plain, 3)
    n_samples = sum(len(curve.t_s) for curve in curves)
    print(
        f"\nten pulls, {n_samples} samples at 10 kHz, whole picture with corridor, marks, rate and cursor: "
        f"{ours_ms:.2f} ms CPU; the bare curves with every sample: {plain_ms:.1f} ms; ratio {plain_ms / ours_ms:.1f}"
    )
    picture.show_click()
    near_ms = _cpu_ms(ours, 40)
    print(f"the click from near: {near_ms:.2f} ms CPU")
    assert ours_ms <= 4.0
    assert near_ms <= 4.0
