"""Places on the curve that have a word: where it let go, what was noticed."""

from __future__ import annotations

from dataclasses import dataclass, replace

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen

from benchapp.ui import theme
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap


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

    @property
    def look(self) -> tuple[object, ...]:
        """Equal for two that are drawn alike."""
        ring, word, end = self.ring, self.word, self.end_x
        places = (ring.x(), ring.y(), word.left(), word.top(), word.width(), end or 0.0)
        return (self.text, self.is_click, *(round(place, 2) for place in places))

    def moved(self, dx: float) -> PlacedMark:
        """The same, `dx` to the right."""
        end_x = None if self.end_x is None else self.end_x + dx
        return replace(self, ring=self.ring + QPointF(dx, 0.0), word=self.word.translated(dx, 0.0), end_x=end_x)

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
