"""Places on the curve that have a word: where it let go, what was noticed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen

from benchapp.ui import theme
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap

_EDGE_PX: Final = 6.0  # a word keeps four pixels from the area's edge


@dataclass(frozen=True, slots=True)
class PlacedMark:
    """A mark with its place on the plot, in pixels.

    Attributes:
        text: The word; "" for a bare ring.
        ring: The place itself.
        word: Where the word stands.
        end_x: Where a stretch ends; None for a place.
        is_click: As in `CurveMark`.
    """

    text: str
    ring: QPointF
    word: QRectF
    end_x: float | None
    is_click: bool

    def look_from(self, x: float) -> tuple[object, ...]:
        """Equal for two that are drawn alike, seen from `x`."""
        ring, word, end = self.ring, self.word, self.end_x
        places = (ring.x() - x, ring.y(), word.left() - x, word.top(), word.width(), end and end - x)
        return (self.text, self.is_click, *(place and round(place, 2) for place in places))

    def bounds(self, s: Sizes) -> QRectF:
        """All that `draw` covers."""
        reach = 2.0 * s.body
        x, y = self.ring.x(), self.ring.y()
        place = QRectF(x - reach, y - reach, max(2 * reach, (self.end_x or x) - x + reach + 2), 2 * reach)
        return place.united(self.word.adjusted(-6, -2, 6, 2))

    def draw(self, painter: QPainter, s: Sizes) -> None:
        """Ring and thread, or bracket, or tick; and the word on a plate."""
        colours = theme.palette()
        accent = QColor(colours.accent)
        x, y, box = self.ring.x(), self.ring.y(), self.word
        if self.is_click:
            r = s.body * 0.72
            painter.setPen(QPen(accent, max(2.5, s.body / 5)))
            painter.setBrush(QColor(colours.panel))
            painter.drawEllipse(self.ring, r, r)
            painter.setPen(QPen(accent, 1))
            painter.drawLine(QPointF(box.right() - 2, box.bottom()), QPointF(x - s.body * 0.5, y - s.body * 0.5))
        else:
            painter.setPen(QPen(accent, max(2.0, s.body / 6)))
            if self.end_x is not None:
                foot = y + 1.4 * s.body
                painter.drawLine(QPointF(x, foot), QPointF(self.end_x, foot))
                painter.drawLine(QPointF(x, foot - 5), QPointF(x, foot))
                painter.drawLine(QPointF(self.end_x, foot - 5), QPointF(self.end_x, foot))
            else:
                painter.drawLine(QPointF(x, y + 0.5 * s.body), QPointF(x, y + 1.6 * s.body))
        if self.text:
            back = QColor(colours.panel)
            back.setAlpha(225)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(back)
            painter.drawRoundedRect(box.adjusted(-4, 0, 4, 0), 4, 4)
            painter.setPen(accent)
            draw_fitted(painter, box, self.text, font_of_cap(s.body, bold=True))


class MarkGroup:
    """All marks of a pull as they were placed: they move together with the curve until one comes to the area's edge.

    Args:
        key: What their places hang on, besides the time.
        x: Pixel of the first mark when they were placed, whether it is in view or not.
        marks: Those in view.
        area: Of the curve, in pixels.
        sizes: Of the window.

    Attributes:
        box: All that they cover, in pixels.
        look: Equal for two that are drawn alike.
    """

    def __init__(self, key: object, x: float, marks: tuple[PlacedMark, ...], area: QRectF, sizes: Sizes) -> None:
        self.key = key
        self.x = x
        self.marks = marks
        self.box = QRectF()
        for mark in marks:
            self.box = self.box.united(mark.bounds(sizes))
        first = marks[0].ring.x() if marks else 0.0
        self.look = tuple(mark.look_from(first) for mark in marks)
        # Words stop at the edge while their curve goes on: from there on they are placed anew.
        self._left = (
            min((min(mark.word.left(), mark.ring.x()) for mark in marks), default=area.left()) - area.left()
        )  # 0 without marks
        self._right = area.right() - max((mark.word.right() for mark in marks), default=area.right())

    def holds_at(self, shift: float) -> bool:
        """Whether the marks look the same, moved `shift` pixels to the right."""
        if shift == 0.0:
            return True
        return self._left > _EDGE_PX < self._right and _EDGE_PX - self._left < shift < self._right - _EDGE_PX
