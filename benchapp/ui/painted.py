"""Widgets that are painted, not laid out: their common class, and how text and hatching are put into a rectangle."""

from __future__ import annotations

import re
from typing import Final

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QWidget

from benchapp.torque.units import NM
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap

RIGHT: Final = Qt.AlignmentFlag.AlignRight
CENTRE: Final = Qt.AlignmentFlag.AlignHCenter
UNIT_APART: Final = re.compile(r"(?<=\d) (?=(?:s|%|°C|\w*·\w+)(?!\w))")
"""Between a number and its unit: no line is broken there."""


def hatch(painter: QPainter, box: QRectF, colour: str, gap: float, *, falling: bool, alpha: int = 255) -> None:
    """Fill `box` with slanted lines: falling for what is high, rising for what is low."""
    painter.save()
    painter.setClipRect(box)
    line = QColor(colour)
    line.setAlpha(alpha)
    painter.setPen(QPen(line, max(1.4, gap / 7)))
    h = box.height()
    x = box.left() - h
    while x < box.right() + h:
        if falling:
            painter.drawLine(QPointF(x, box.top()), QPointF(x + h, box.bottom()))
        else:
            painter.drawLine(QPointF(x, box.bottom()), QPointF(x + h, box.top()))
        x += gap
    painter.restore()


def wrap(text: str, font_metrics: QFontMetricsF, width: float, most: int) -> list[str]:
    """Break `text` into at most `most` lines of `width` pixels; what does not fit is cut with an ellipsis."""
    lines: list[str] = []
    line = ""
    words_left = [word for word in re.split(r"[ \n]", UNIT_APART.sub("\u00a0", text)) if word]
    while words_left:
        word = words_left[0]
        longer = f"{line} {word}" if line else word
        if font_metrics.horizontalAdvance(longer) <= width or not line:
            line = longer
            words_left.pop(0)
            continue
        if len(lines) == most - 1:
            line = font_metrics.elidedText(" ".join([line, *words_left]), Qt.TextElideMode.ElideRight, width)
            words_left = []
            break
        lines.append(line)
        line = ""
    if line:
        lines.append(line)
    return [line.replace("\u00a0", " ") for line in lines]


def draw_lines(painter: QPainter, box: QRectF, text: str, cap: float, most: int, *, bold: bool = False) -> None:
    """Draw `text` over at most `most` lines from the top of `box`.

    It shrinks by up to a third before it is cut, and small lines are as many as have room in the height of `most`.
    """
    for shrink in (1.0, 0.9, 0.8, 0.72, 0.66):
        font = font_of_cap(cap * shrink, bold=bold)
        metrics = QFontMetricsF(font)
        pitch = cap * (2.05 if shrink > 0.7 else 1.36)  # at two thirds three lines stand where two did
        lines = wrap(text, metrics, box.width(), int(most * 2.05 * cap / pitch + 0.01))
        if not lines or not lines[-1].endswith("…") or text.endswith("…"):
            break
    for i, line in enumerate(lines):
        draw_fitted(painter, QRectF(box.left(), box.top() + i * pitch, box.width(), pitch), line, font)


class Painted(QWidget):
    """A widget that paints one thing and knows the sizes of its window."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.sizes = Sizes.of(768)
        self.unit = NM
        self.stale = QRectF()  # what is to be painted now

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        self.sizes = Sizes.of(self.window().height())
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint with anti-aliasing on."""
        self.stale = QRectF(event.rect())
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self.draw(painter, QRectF(self.rect()))
        painter.end()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Paint into `box`."""
        raise NotImplementedError
