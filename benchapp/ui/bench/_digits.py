"""Large figures set from characters that are drawn once.

Characters this high are outlines to Qt, filled anew each time: a figure that changes twelve times a second took more
of a core than the intake of 10,000 lines a second.
"""

from __future__ import annotations

import math
from typing import Final

from PySide6.QtCore import QPoint, QRectF, Qt
from PySide6.QtGui import QFont, QFontMetricsF, QPainter, QPixmap, QTransform

from benchapp.ui.theme import draw_fitted

_OVER: Final = 4  # device pixels that a character's ink may reach over its width


class Digits:
    """Characters as pictures, of one font, colour, width and scaling of the desktop at a time."""

    def __init__(self) -> None:
        self._look: object = None
        self._kept: dict[str, QPixmap] = {}

    def draw(self, painter: QPainter, box: QRectF, text: str, font: QFont, template: str, least: float) -> None:
        """Draw `text` in the painter's pen at the right end of `box`: looks like `draw_fitted`, to half a pixel."""
        metrics = QFontMetricsF(font)
        advances = [metrics.horizontalAdvance(character) for character in text]
        scale = min(1.0, box.width() / max(sum(advances), metrics.horizontalAdvance(template)))
        if scale < least:
            draw_fitted(painter, box, text, font, align=Qt.AlignmentFlag.AlignRight, template=template, least=least)
            return
        ratio = painter.device().devicePixelRatioF()
        look = (font.key(), painter.pen().color().rgba(), scale, ratio)
        if look != self._look:
            self._look = look
            self._kept.clear()
        x = box.right() - sum(advances) * scale
        top = round((box.center().y() + metrics.capHeight() / 2) * ratio) - math.ceil(metrics.ascent() * ratio)
        painter.save()
        painter.setWorldTransform(QTransform.fromScale(1 / ratio, 1 / ratio))  # pictures are copied, not resampled
        for character, advance in zip(text, advances, strict=True):
            picture = self._kept.get(character)
            if picture is None:
                picture = self._kept[character] = _picture(painter, character, font, metrics, advance, scale, ratio)
            painter.drawPixmap(QPoint(round(x * ratio) - _OVER, top), picture)
            x += advance * scale
        painter.restore()


def _picture(
    painter: QPainter,
    character: str,
    font: QFont,
    metrics: QFontMetricsF,
    advance: float,
    scale: float,
    ratio: float,
) -> QPixmap:
    picture = QPixmap(math.ceil(advance * scale * ratio) + 2 * _OVER, math.ceil(metrics.height() * ratio) + 2)
    picture.fill(Qt.GlobalColor.transparent)
    on_picture = QPainter(picture)
    on_picture.setRenderHint(QPainter.RenderHint.Antialiasing)
    on_picture.setPen(painter.pen())
    on_picture.setFont(font)
    on_picture.translate(_OVER, math.ceil(metrics.ascent() * ratio))
    on_picture.scale(scale * ratio, ratio)
    on_picture.drawText(0, 0, character)
    on_picture.end()
    return picture
