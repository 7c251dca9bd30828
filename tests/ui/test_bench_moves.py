"""The Bench paints only what has moved: on the screen it must look as if everything had been painted anew."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QApplication, QWidget

from benchapp.ui.bench.panels import Headline, LiveFigure
from benchapp.ui.bench.plot import CurveMark, PullPlot, Scene

RATE = 1000
T_S = np.arange(0, 30, 1 / RATE)
CYCLE_S, CYCLE_NM = (0, 1, 2.5, 2.51, 2.8, 5), (0, 48, 60, 40, 0, 0)
TORQUE_NM = np.interp(T_S % 5, CYCLE_S, CYCLE_NM) + np.random.default_rng(5).normal(0, 0.05, len(T_S))


@pytest.fixture
def plot(qapp: QApplication) -> Iterator[PullPlot]:
    plot = PullPlot()
    plot.resize(640, 360)
    plot.show_scene(Scene(90.0, target_nm=60.0, low_nm=57.6, high_nm=62.4, capacity_nm=80.0, reference="REF-1"))
    plot.rate_hz = RATE
    plot.show()
    qapp.processEvents()
    yield plot
    plot.close()


def on_screen(plot: PullPlot) -> QImage:
    """What the window holds: painted piece by piece."""
    return plot.screen().grabWindow(plot.winId()).toImage().convertToFormat(QImage.Format.Format_RGB32)


def painted_anew(plot: PullPlot) -> QImage:
    """The same moment, all of it painted at once."""
    return plot.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)


def move_to(qapp: QApplication, plot: PullPlot, begin: int, end: int) -> None:
    plot.feed(T_S[begin:end], TORQUE_NM[begin:end])
    plot.advance(float(T_S[end - 1]), float(TORQUE_NM[end - 1]))
    qapp.processEvents()


def test_what_is_painted_by_pieces_looks_like_the_whole(qapp: QApplication, plot: PullPlot) -> None:
    rng = np.random.default_rng(11)
    at = 0
    for i in range(160):
        end = at + int(rng.integers(5, 60))
        phase_s = T_S[end] % 5
        plot.is_rising = 0.8 < phase_s < 2.5
        begin_s = float(T_S[end] - phase_s)
        plot.window_from = (begin_s + 1.0, 0.5, 2.0) if plot.is_rising else None
        if phase_s > 2.9:
            plot.marks = (
                CurveMark(begin_s + 2.5, 60.0, "60.02", is_click=True),
                CurveMark(begin_s + 1.2, 50.0, "dip", end_s=begin_s + 1.4),
                CurveMark(begin_s + 2.85, 10.0, "a word that reaches over now"),
            )
        if i % 40 == 39:
            plot.hold(begin_s - 1.0)
        elif i % 40 == 20:
            plot.hold(None)
        move_to(qapp, plot, at, end)
        at = end
        assert on_screen(plot) == painted_anew(plot), f"step {i}, {T_S[end]:.2f} s"


def test_a_pull_that_is_held_still_costs_no_frame(
    qapp: QApplication, plot: PullPlot, monkeypatch: pytest.MonkeyPatch
) -> None:
    painted: list[int] = []
    draw = PullPlot._draw
    monkeypatch.setattr(PullPlot, "_draw", lambda self, painter: (painted.append(1), draw(self, painter))[1])
    move_to(qapp, plot, 0, 4000)
    plot.hold(1.0)
    for begin in range(4000, 12_000, 500):
        move_to(qapp, plot, begin, begin + 500)
    n_full = len(painted)  # up to the right edge at 11 s the curve goes on
    assert n_full >= 14
    for begin in range(12_000, 16_000, 500):
        move_to(qapp, plot, begin, begin + 500)
    assert len(painted) == n_full
    plot.marks = (CurveMark(2.5, 60.0, "60.02", is_click=True),)
    move_to(qapp, plot, 16_000, 16_100)
    assert len(painted) == n_full + 1
    plot.hold(None)
    move_to(qapp, plot, 16_100, 16_200)
    assert len(painted) == n_full + 2


def test_a_figure_and_counters_that_change_leave_the_rest_as_it_is(qapp: QApplication) -> None:
    board = QWidget()
    board.resize(900, 300)
    head, live = Headline(board), LiveFigure(board)
    head.setGeometry(0, 0, 900, 110)
    live.setGeometry(0, 120, 300, 170)
    board.show()
    for panel in (head, live):
        panel.restyle()
    for i in range(30):
        warning = "97 % of REF-1" if i % 10 == 9 else ""
        live.show_torque(f"{i * 7.77 - 30:.1f}".replace("-", "−"), "N·m", "888.8", warning)
        counts = f"{[9, 120, 4500][i % 3]} lines  ·  0 skipped  ·  {i % 2} gaps"
        head.show_words("Pull clockwise until it lets go", "OCF-014, 60 N·m", "REF-1 streaming", counts, fine=i != 20)
        qapp.processEvents()
        shown = board.screen().grabWindow(board.winId()).toImage().convertToFormat(QImage.Format.Format_RGB32)
        assert shown == board.grab().toImage().convertToFormat(QImage.Format.Format_RGB32), f"step {i}"
    board.close()
