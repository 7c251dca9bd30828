"""Colours that everybody can tell apart, and text that stands out from its ground."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor, QImage, QPainter
from PySide6.QtWidgets import QMenu, QScrollArea, QWidget

import benchapp.ui
from benchapp.ui.painted import hatch
from benchapp.ui.theme import DARK, LIGHT, outside, style_sheet

# Simulation of colour-blind sight at full severity, linear RGB: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes,
# IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, table of matrices (values from memory; each row sums to 1).
SIGHT = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def linear(colour: str) -> np.ndarray:
    v = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIELAB under D65 (IEC 61966-2-1 primaries)."""
    m = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = m @ np.clip(rgb, 0, 1) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(a: str, b: str) -> float:
    """WCAG 2.1 contrast ratio."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    one, two = sorted((float(weights @ linear(a)), float(weights @ linear(b))), reverse=True)
    return (one + 0.05) / (two + 0.05)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=lambda p: p.name)
@pytest.mark.parametrize("sight", SIGHT)
def test_low_in_and_high_stay_apart_for_every_kind_of_sight(palette, sight):
    """A difference of 10 in CIELAB is seen at a glance; 2.3 is the least that is seen at all."""
    seen = [lab(SIGHT[sight] @ linear(c)) for c in (palette.low, palette.ink, palette.high)]
    for a, b in itertools.combinations(seen, 2):
        assert np.linalg.norm(a - b) >= 12


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=lambda p: p.name)
def test_text_stands_out(palette):
    for ground in (palette.ground, palette.panel, palette.panel_soft):
        assert contrast(palette.ink, ground) >= 10
        for text in (palette.soft, palette.accent, palette.low, palette.high):
            assert contrast(text, ground) >= 4.5, (text, ground)
        assert 3 <= contrast(palette.faint, ground) <= contrast(palette.soft, ground) / 1.4
    assert contrast(palette.edge, palette.panel) >= 3
    assert contrast(palette.alarm_ink, palette.alarm) >= 7
    assert contrast(palette.sim_ink, palette.sim) >= 4.5
    assert contrast(palette.ground, palette.accent) >= 4.5


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=lambda p: p.name)
def test_no_traffic_light(palette):
    """Neither red, amber nor green (hue 345…70° and 80…170° of the colour circle) carries a meaning."""
    import colorsys

    for colour in (palette.low, palette.high, palette.accent, palette.alarm, palette.sim_ink):
        hue = colorsys.rgb_to_hsv(*(int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)))[0] * 360
        assert 170 < hue < 345, (colour, hue)


def test_where_two_scroll_bars_meet_nothing_is_drawn(qapp):
    qapp.setStyleSheet(style_sheet(LIGHT))
    area, inside = QScrollArea(), QWidget()
    inside.resize(900, 900)
    area.setWidget(inside)
    area.resize(300, 300)
    area.setFrameShape(QScrollArea.Shape.NoFrame)
    area.show()
    picture = area.grab().toImage()
    corner = {picture.pixel(x, y) for x in range(288, 300) for y in range(288, 300)}
    assert len(corner) == 1


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=lambda p: p.name)
def test_what_a_menu_does_not_offer_now_looks_so(qapp, palette):
    qapp.setStyleSheet(style_sheet(palette))
    menu = QMenu()
    for text in ("Take zero now", "Take zero now"):
        action = menu.addAction(text)
    action.setEnabled(False)
    picture = menu.grab().toImage()
    rows = [menu.actionGeometry(action) for action in menu.actions()]
    inks = [max((contrast_of(picture, row, palette.panel)), default=0) for row in rows]
    assert inks[0] > 2 * inks[1]
    assert inks[1] >= 3  # and still to be read


def contrast_of(picture, row, ground: str) -> list[float]:
    seen = {
        picture.pixelColor(x, y).name()
        for x in range(row.left() + 24, row.right())
        for y in range(row.top() + 2, row.bottom() - 2)
    }
    return [contrast(colour, ground) for colour in seen]


def is_rising(paint) -> bool:
    """Whether the slanted lines that `paint(painter, box)` draws go up to the right."""
    picture = QImage(80, 80, QImage.Format.Format_Grayscale8)
    picture.fill(QColor("white"))
    painter = QPainter(picture)
    paint(painter, QRectF(0, 0, 80, 80))
    painter.end()
    bits = np.frombuffer(picture.constBits(), np.uint8).reshape(80, picture.bytesPerLine())[:, :80] < 200
    assert bits.any()
    rising, falling = (bits[1:, :-1] & bits[:-1, 1:]).sum(), (bits[:-1, :-1] & bits[1:, 1:]).sum()
    return bool(rising > falling)


@pytest.mark.parametrize("side", ["low", "high"])
def test_low_and_high_are_hatched_alike_everywhere(qapp, side):
    """What is said by slant without the hue must be said the same way on the Bench and in every other picture."""
    usual = is_rising(lambda painter, box: hatch(painter, box, "#000000", 12, falling=side == "high"))
    assert usual is (side == "low")
    assert is_rising(lambda painter, box: painter.fillRect(box, outside(side, 255))) is usual
    folder = Path(benchapp.ui.__file__).parent
    own = [file.name for file in folder.rglob("*.py") if "DiagPattern" in file.read_text(encoding="utf-8")]
    assert own == ["theme.py"]
