"""The curve that grows column by column looks as if it had been drawn at once, and stays while it is held."""

from __future__ import annotations

import math

import numpy as np
import pytest
from PySide6.QtCore import QPoint
from PySide6.QtGui import QImage, QRegion
from PySide6.QtWidgets import QWidget

from benchapp.ui import theme
from benchapp.ui.bench._strip import Strip
from benchapp.ui.bench.plot import PullPlot, Scene

SIZE = (520, 300)


def plot_of(qtbot, rate_hz: float, ratio: float = 1.0, sign: int = 1) -> PullPlot:
    """A plot without the axis of a pull; `ratio` device pixels a logical pixel."""

    class Scaled(PullPlot):
        def devicePixelRatioF(self) -> float:
            return ratio

    theme.use("dark")
    plot = Scaled()
    qtbot.addWidget(plot)
    plot.resize(*SIZE)
    plot.restyle()  # a size that is not shown yet
    plot.show_scene(Scene(44.0, sign=sign))
    plot.rate_hz = rate_hz
    return plot


def picture(plot: PullPlot, ratio: float) -> np.ndarray:
    """The plot as it stands, pixel by pixel."""
    image = QImage(round(SIZE[0] * ratio), round(SIZE[1] * ratio), QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(ratio)
    image.fill(0)
    plot.render(image)
    return np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.width(), 4).astype(int)


def pull(rate_hz: float, seed: int, seconds: float = 14.0) -> tuple[np.ndarray, np.ndarray]:
    """A pull with a letting-go, noise, a wild stretch and two gaps."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    v = np.interp(t, [0, 1, 7, 7.01, 7.3, 7.6, 14], [0, 0, 30, 20, 34, 0, 0]) + rng.normal(0, 0.3, len(t))
    wild = (t > 9) & (t < 9.2)
    v[wild] = rng.uniform(0, 40, np.count_nonzero(wild))
    kept = ~(((t > 4) & (t < 4.6)) | ((t > 10.31) & (t < 10.9)))
    return t[kept], v[kept]


@pytest.mark.parametrize(
    ("rate_hz", "sign", "ratio"),
    [(10_000.0, 1, 1.0), (1_000.0, -1, 1.25), (1_000.0, 1, 2.0), (50.0, -1, 1.0), (7.0, 1, 1.5)],
)
def test_drawn_bit_by_bit_as_at_once(qtbot, rate_hz, sign, ratio):
    t, v = pull(rate_hz, seed=round(rate_hz))
    v = sign * v
    growing = plot_of(qtbot, rate_hz, ratio, sign)
    rng = np.random.default_rng(5)
    at, n_frames = 0, 0
    while at < len(t):
        end = min(len(t), at + max(1, round(rng.exponential(0.07) * rate_hz)))
        growing.feed(t[at:end], v[at:end])
        growing.advance(float(t[end - 1]), float(v[end - 1]))
        seen = picture(growing, ratio)
        at, n_frames = end, n_frames + 1
        if n_frames % 40 == 0 or at == len(t):
            once = plot_of(qtbot, rate_hz, ratio, sign)
            once.feed(t[:end], v[:end])
            once.advance(float(t[end - 1]), float(v[end - 1]))
            expected = picture(once, ratio)
            assert not once.is_broken
            differ = np.abs(seen - expected).max(axis=2) > 2
            assert np.count_nonzero(differ) <= 20  # where Qt rounds the edge of a line another way
    ink = np.abs(expected - picture(plot_of(qtbot, rate_hz, ratio, sign), ratio)).max(axis=2) > 60
    assert np.count_nonzero(ink) > 100 * ratio  # there is a curve


def test_a_held_pull_stays_however_long_the_rest_takes(qtbot):
    t, v = pull(1_000.0, seed=2, seconds=9.0)
    plot = plot_of(qtbot, 1_000.0)
    plot.feed(t, v)
    plot.advance(float(t[-1]), 0.0)
    plot.hold(0.5)
    before = picture(plot, 1.0)
    for second in range(9, 60):
        rest = second + np.arange(1000) / 1000
        plot.feed(rest, np.zeros(1000))
        plot.advance(float(rest[-1]), 0.0)
        seen = picture(plot, 1.0)
    area = plot.area
    left_half = seen[:, round(area.left()) : round(area.left() + area.width() * 0.8)]
    assert np.array_equal(left_half, before[:, round(area.left()) : round(area.left() + area.width() * 0.8)])
    plot.restyle()  # and when the palette changes meanwhile it can be drawn again
    assert np.array_equal(picture(plot, 1.0), seen)


def test_another_scale_and_another_curve_leave_nothing_of_the_old_one(qtbot):
    t, v = pull(1_000.0, seed=3, seconds=9.0)
    plot, other = plot_of(qtbot, 1_000.0), plot_of(qtbot, 1_000.0)
    plot.feed(t, v)
    plot.advance(float(t[-1]), 0.0)
    picture(plot, 1.0)
    plot.columns.clear()
    for one in (plot, other):
        one.show_scene(Scene(80.0))
        one.feed(t, 2 * v)
        one.advance(float(t[-1]), 0.0)
    assert np.array_equal(picture(plot, 1.0), picture(other, 1.0))


def test_only_what_is_new_is_drawn():
    strip = Strip(100, 10, 2)
    assert strip.stretch(0, 50) == (0, 50)
    strip.draw(0, 50, lambda painter, origin: None, before=49, is_final=False)
    assert strip.stretch(1, 50) == (47, 50)
    assert strip.stretch(2, 53) == (47, 53)
    strip.draw(47, 53, lambda painter, origin: None, before=52, is_final=True)
    assert strip.stretch(3, 53) is None
    assert strip.stretch(3, 40) is None
    assert strip.stretch(140, 150) == (140, 150)  # the ring has gone round
    strip.forget()
    assert strip.stretch(3, 53) == (3, 53)


@pytest.mark.parametrize("ratio", [1.0, 1.25, 1.5, 1.75, 2.0])
def test_every_pixel_of_the_plot_is_painted_at_any_scaling(qtbot, ratio):
    """Beneath it nothing is painted: a letter of the cautions stood at its edge for a whole run at 150 %."""
    for size in ((401, 301), (402, 302), (403, 303)):
        plot = plot_of(qtbot, 1_000.0, ratio)
        plot.resize(*size)
        plot.restyle()
        image = QImage(
            math.ceil(size[0] * ratio), math.ceil(size[1] * ratio), QImage.Format.Format_ARGB32_Premultiplied
        )
        image.setDevicePixelRatio(ratio)
        image.fill(0)
        plot.render(image, QPoint(), QRegion(), QWidget.RenderFlag.DrawChildren)
        drawn = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.width(), 4)
        width, height = (math.floor(length * ratio + 0.5) for length in size)  # as Qt rounds what is the plot's
        assert drawn[:height, :width, 3].min() > 0, size
