"""A tool's history as a picture: deviation of every reading over time, against its limits."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QMouseEvent, QPainter, QPen
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from benchapp.ui import theme
from benchapp.ui.format import MINUS, percent
from benchapp.ui.rack.model import Dot
from benchapp.ui.ticks import ticks

DAY_S = 86_400.0


class HistoryPicture(QWidget):
    """Dots over time; a click on one asks for its run."""

    run_wanted = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.setMinimumHeight(150)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMouseTracking(True)
        self.setAccessibleName("deviation over time")
        self.dots: tuple[Dot, ...] = ()
        self.names: tuple[str, ...] = ()
        self.limit_percent: float | None = None
        self.empty = "Not verified yet."

    def sizeHint(self) -> QSize:
        """Ask for enough room."""
        return QSize(380, 220)

    def show_dots(self, dots: Sequence[Dot], names: Sequence[str], limit_percent: float | None) -> None:
        """Show a history; `names` are the checkpoints' targets in words, lowest first."""
        self.dots, self.names, self.limit_percent = tuple(dots), tuple(names), limit_percent
        self.update()

    def _area(self) -> QRectF:
        metrics = QFontMetricsF(self.font())
        left = metrics.horizontalAdvance("−00.0 %") + 8
        top = metrics.height() * (1.6 if len(self.names) > 1 else 0.6)
        return QRectF(left, top, self.width() - left - 10, self.height() - top - metrics.height() * 1.5)

    def _scales(self) -> tuple[float, float, float]:
        first, last = self.dots[0].when, self.dots[-1].when
        air = max((last - first) * 0.06, 20 * DAY_S)
        reach = max(abs(dot.deviation_percent) for dot in self.dots)
        reach = max(reach, (self.limit_percent or 0.0)) * 1.25 or 1.0
        return first - air, last + air, reach

    def _place(self, area: QRectF, dot: Dot, scales: tuple[float, float, float]) -> QPointF:
        first, last, reach = scales
        x = area.left() + (dot.when - first) / (last - first) * area.width()
        # readings of one run share a moment: checkpoints stand side by side
        x += (dot.checkpoint - (len(self.names) - 1) / 2) * 5
        return QPointF(x, area.center().y() - dot.deviation_percent / reach * area.height() / 2)

    def paintEvent(self, _event: object) -> None:
        """Draw it."""
        c = theme.palette()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        metrics = QFontMetricsF(self.font())
        if not self.dots:
            painter.setPen(QColor(c.soft))
            painter.drawText(QRectF(self.rect()), Qt.AlignmentFlag.AlignCenter, self.empty)
            return
        area, scales = self._area(), self._scales()
        first, last, reach = scales

        def y_of(value: float) -> float:
            return area.center().y() - value / reach * area.height() / 2

        if self.limit_percent is not None:
            # a deviation above zero says that the tool delivers less than it says
            for sign, hatch in ((1, theme.outside("low")), (-1, theme.outside("high"))):
                edge = y_of(sign * self.limit_percent)
                far = area.top() if sign > 0 else area.bottom()
                painter.fillRect(QRectF(area.left(), min(edge, far), area.width(), abs(far - edge)), hatch)
                painter.setPen(QPen(QColor(c.ink), 1.2))
                painter.drawLine(QPointF(area.left(), edge), QPointF(area.right(), edge))
        places, decimals = ticks(-reach, reach, max(3, int(area.height() / (metrics.height() * 2))))
        for value in places:
            y = y_of(value)
            painter.setPen(QPen(QColor(c.rail if value == 0 else c.line), 1))
            painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
            painter.setPen(QColor(c.soft))
            text = f"{value:+.{decimals}f} %" if value else "0 %"
            painter.drawText(
                QRectF(0, y - metrics.height(), area.left() - 6, 2 * metrics.height()),
                Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
                text.replace("-", MINUS),
            )
        self._draw_days(painter, area, first, last)
        self._draw_dots(painter, area, scales)
        self._draw_legend(painter, area)
        painter.end()

    def _draw_days(self, painter: QPainter, area: QRectF, first: float, last: float) -> None:
        c = theme.palette()
        metrics = QFontMetricsF(self.font())
        painter.setPen(QColor(c.soft))
        start, end = dt.datetime.fromtimestamp(first), dt.datetime.fromtimestamp(last)
        months = (end.year - start.year) * 12 + end.month - start.month
        step = next(s for s in (1, 2, 3, 6, 12, 24, 60, 1200) if months / s <= max(2.0, area.width() / 90))
        index = (start.year * 12 + start.month - 1) // step * step + step
        while index <= end.year * 12 + end.month - 1:
            day = dt.datetime(index // 12, index % 12 + 1, 1)
            x = area.left() + (day.timestamp() - first) / (last - first) * area.width()
            painter.drawLine(QPointF(x, area.bottom()), QPointF(x, area.bottom() + 3))
            text = f"{day:%Y}" if step >= 12 else f"{day:%Y-%m}"
            rect = QRectF(x - 50, area.bottom() + 4, 100, metrics.height())
            if rect.center().x() + metrics.horizontalAdvance(text) / 2 < self.width():
                painter.drawText(rect, Qt.AlignmentFlag.AlignHCenter, text)
            index += step

    def _draw_dots(self, painter: QPainter, area: QRectF, scales: tuple[float, float, float]) -> None:
        counted = None
        for dot in self.dots:
            if dot.counts is not counted:
                counted = dot.counts
                _take_ink(painter, counts=counted)
            _draw_shape(painter, self._place(area, dot, scales), dot.checkpoint)

    def _draw_legend(self, painter: QPainter, area: QRectF) -> None:
        if len(self.names) < 2:
            return
        metrics = QFontMetricsF(self.font())
        x = area.left()
        for index, name in enumerate(self.names):
            _take_ink(painter, counts=True)
            _draw_shape(painter, QPointF(x + 4, metrics.height() * 0.65), index)
            painter.setPen(QColor(theme.palette().soft))
            painter.drawText(QPointF(x + 12, metrics.ascent() + metrics.height() * 0.12), name)
            x += 12 + metrics.horizontalAdvance(name) + 16

    def _near(self, place: QPointF) -> Dot | None:
        if not self.dots:
            return None
        area, scales = self._area(), self._scales()
        best = min(self.dots, key=lambda dot: (self._place(area, dot, scales) - place).manhattanLength())
        return best if (self._place(area, best, scales) - place).manhattanLength() < 12 else None

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Move what is dragged, or the cursor."""
        dot = self._near(event.position())
        self.setCursor(Qt.CursorShape.PointingHandCursor if dot else Qt.CursorShape.ArrowCursor)
        if dot is not None:
            day = dt.datetime.fromtimestamp(dot.when)
            aside = "" if dot.counts else ", set aside"
            QToolTip.showText(
                event.globalPosition().toPoint(),
                f"{day:%Y-%m-%d}: {percent(dot.deviation_percent, 2)} at {self.names[dot.checkpoint]}{aside}",
                self,
            )

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Choose what was clicked."""
        dot = self._near(event.position())
        if dot is not None:
            self.run_wanted.emit(dot.run_id)


def _take_ink(painter: QPainter, *, counts: bool) -> None:
    """Take pen and brush of a reading: full where it counts, an outline where it was set aside."""
    c = theme.palette()
    ink = QColor(c.ink if counts else c.soft)
    painter.setPen(QPen(ink, 1.2))
    painter.setBrush(ink if counts else Qt.BrushStyle.NoBrush)


def _draw_shape(painter: QPainter, place: QPointF, checkpoint: int) -> None:
    """Draw a disc, a square or a diamond, by the checkpoint."""
    r = 3.2
    if checkpoint % 3 == 0:
        painter.drawEllipse(place, r, r)
        return
    x, y = place.x(), place.y()
    if checkpoint % 3 == 1:
        painter.drawRect(QRectF(x - r * 0.9, y - r * 0.9, r * 1.8, r * 1.8))
    else:
        far = r * 1.4
        painter.drawConvexPolygon([QPointF(x, y - far), QPointF(x + far, y), QPointF(x, y + far), QPointF(x - far, y)])
