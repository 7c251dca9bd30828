"""A picture of percentages over the years: marks with their uncertainty, limits, moments, a drift and its reach.

What a mark says is said by its shape and by words; hues come last, as everywhere in this window.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QMouseEvent, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from benchapp.ui import theme
from benchapp.ui.format import MINUS
from benchapp.ui.ticks import ticks

DAY_S: Final = 86_400.0
SHAPES: Final = ("disc", "square", "diamond", "triangle")
"""Shapes of series, in this order; "cross" marks what does not count."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One value.

    Attributes:
        when: Seconds since 1970.
        value: Percent.
        shape: One of `SHAPES` or "cross".
        filled: False: a hollow shape.
        reach: Half length of its uncertainty bar, percent; None: no bar.
        ringed: A ring around it: it is out of limits.
        tip: Said when the pointer is on it.
        key: Handed out when it is clicked; "" nothing happens.
    """

    when: float
    value: float
    shape: str = "disc"
    filled: bool = True
    reach: float | None = None
    ringed: bool = False
    tip: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Trail:
    """A line through (when, percent); `dashed` for what is expected and not measured."""

    points: tuple[tuple[float, float], ...]
    dashed: bool = False
    accent: bool = False


@dataclass(frozen=True, slots=True)
class Moment:
    """A thin line over the whole height, with a word at its top."""

    when: float
    word: str


@dataclass(frozen=True, slots=True)
class Drawn:
    """Everything that a chart shows.

    Attributes:
        marks: Values.
        trails: Lines, under the marks.
        limits: (lower, upper), percent; beyond them it is hatched. None: no limits.
        steps: Limits that change, (when, lower, upper), oldest first, each in force until the next; instead of
            `limits`.
        centre: A quiet line; None without.
        reach: A region (when, lower, upper), drawn quietly: where a value is to be expected.
        moments: Repairs, new calibrations and the like.
        names: (shape, filled, words) of the legend.
        span: (first, last) moment of the axis where several charts stand under one another; None: of its own values.
    """

    marks: tuple[Mark, ...] = ()
    trails: tuple[Trail, ...] = ()
    limits: tuple[float, float] | None = None
    steps: tuple[tuple[float, float, float], ...] = ()
    centre: float | None = None
    reach: tuple[tuple[float, float, float], ...] = ()
    moments: tuple[Moment, ...] = ()
    names: tuple[tuple[str, bool, str], ...] = ()
    span: tuple[float, float] | None = None


class TimeChart(QWidget):
    """Draws a `Drawn`; a click on a mark hands out its key."""

    wanted = Signal(str)

    def __init__(self, empty: str, name: str) -> None:
        super().__init__()
        self.setMinimumHeight(120)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMouseTracking(True)
        self.setAccessibleName(name)
        self.empty = empty
        self.drawn = Drawn()

    def sizeHint(self) -> QSize:
        """Ask for enough room."""
        return QSize(420, 220)

    def show_drawn(self, drawn: Drawn) -> None:
        """Show other values."""
        self.drawn = drawn
        said = "; ".join(mark.tip for mark in drawn.marks[-3:] if mark.tip)
        self.setAccessibleDescription(said)
        self.update()

    # ---------------------------------------------------------------------------------------------------------- scales

    def _area(self) -> QRectF:
        metrics = QFontMetricsF(self.font())
        left = metrics.horizontalAdvance("−00.00 %") + 8
        top = metrics.height() * (1.7 if self.drawn.names else 0.6)
        if self.drawn.moments:
            top += metrics.height() * 1.1
        return QRectF(left, top, self.width() - left - 12, self.height() - top - metrics.height() * 1.5)

    def _scales(self) -> tuple[float, float, float, float]:
        """(first moment, last moment, lowest, highest percent) of what is drawn, with air around it."""
        d = self.drawn
        whens = [mark.when for mark in d.marks] + [when for trail in d.trails for when, _ in trail.points]
        whens += [when for when, _, _ in d.reach]
        first, last = d.span or (min(whens), max(whens))
        air = max((last - first) * 0.04, 2 * DAY_S)
        values = [mark.value + side * (mark.reach or 0.0) for mark in d.marks for side in (-1, 1)]
        values += [value for trail in d.trails for _, value in trail.points]
        if d.limits is not None:
            values += d.limits
        values += [end for _, low, high in d.steps for end in (low, high)]
        low, high = min(values), max(values)
        for _, under, over in d.reach:
            low, high = min(low, max(under, 2 * low)), max(high, min(over, 2 * high))
        rim = 0.12 * (high - low) or 0.1
        return first - air, last + air, low - rim, high + rim

    @staticmethod
    def _place(area: QRectF, when: float, value: float, scales: tuple[float, float, float, float]) -> QPointF:
        first, last, low, high = scales
        return QPointF(
            area.left() + (when - first) / (last - first) * area.width(),
            area.bottom() - (value - low) / (high - low) * area.height(),
        )

    # ---------------------------------------------------------------------------------------------------------- drawing

    def paintEvent(self, _event: object) -> None:
        """Draw it."""
        c = theme.palette()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        if not self.drawn.marks:
            painter.setPen(QColor(c.soft))
            box = QRectF(self.rect()).adjusted(20, 10, -20, -10)
            painter.drawText(box, int(Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap), self.empty)
            painter.end()
            return
        area, scales = self._area(), self._scales()
        self._draw_limits(painter, area, scales)
        self._draw_grid(painter, area, scales)
        self._draw_reach(painter, area, scales)
        self._draw_moments(painter, area, scales)
        painter.save()
        painter.setClipRect(area.adjusted(-6, -6, 6, 6))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        for trail in self.drawn.trails:
            style = Qt.PenStyle.DashLine if trail.dashed else Qt.PenStyle.SolidLine
            painter.setPen(QPen(QColor(c.accent if trail.accent else c.soft), 1.6, style))
            painter.drawPolyline(QPolygonF([self._place(area, *point, scales) for point in trail.points]))
        for mark in self.drawn.marks:
            self._draw_mark(painter, area, mark, scales)
        painter.restore()
        self._draw_legend(painter, area)
        painter.end()

    def _draw_limits(self, painter: QPainter, area: QRectF, scales: tuple[float, float, float, float]) -> None:
        d = self.drawn
        steps = list(d.steps) or ([(scales[0], *d.limits)] if d.limits is not None else [])
        for index, (when, low, high) in enumerate(steps):
            until = steps[index + 1][0] if index + 1 < len(steps) else scales[1]
            left = max(area.left(), self._place(area, when, 0, scales).x())
            right = min(area.right(), self._place(area, until, 0, scales).x())
            for edge, far, above in ((high, area.top(), True), (low, area.bottom(), False)):
                y = min(max(self._place(area, when, edge, scales).y(), area.top()), area.bottom())
                # a deviation above zero says that the tool delivers less than it says
                hatch = theme.outside("low" if above else "high", 90)
                painter.fillRect(QRectF(left, min(y, far), right - left, abs(far - y)), hatch)
                painter.setPen(QPen(QColor(theme.palette().ink), 1.2))
                painter.drawLine(QPointF(left, y), QPointF(right, y))

    def _draw_grid(self, painter: QPainter, area: QRectF, scales: tuple[float, float, float, float]) -> None:
        c = theme.palette()
        pitch = QFontMetricsF(self.font()).height() * 2.2
        places, decimals = ticks(scales[2], scales[3], max(3, int(area.height() / pitch)))
        for value in places:
            y = self._place(area, scales[0], value, scales).y()
            draw_percent_line(painter, area, y, value, decimals)
        if self.drawn.centre is not None:
            y = self._place(area, scales[0], self.drawn.centre, scales).y()
            painter.setPen(QPen(QColor(c.soft), 1.2, Qt.PenStyle.DotLine))
            painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
        self._draw_days(painter, area, scales)

    def _draw_days(self, painter: QPainter, area: QRectF, scales: tuple[float, float, float, float]) -> None:
        metrics = QFontMetricsF(self.font())
        painter.setPen(QColor(theme.palette().soft))
        apart = metrics.horizontalAdvance("2026-12-28") + 2 * metrics.averageCharWidth()
        for moment, text in day_marks(scales[0], scales[1], max(2.0, area.width() / apart)):
            x = self._place(area, moment, scales[2], scales).x()
            painter.drawLine(QPointF(x, area.bottom()), QPointF(x, area.bottom() + 3))
            half = metrics.horizontalAdvance(text) / 2
            if x + half < self.width() and x - half > area.left() - 40:
                painter.drawText(
                    QRectF(x - 60, area.bottom() + 4, 120, metrics.height()), Qt.AlignmentFlag.AlignHCenter, text
                )

    def _draw_reach(self, painter: QPainter, area: QRectF, scales: tuple[float, float, float, float]) -> None:
        reach = self.drawn.reach
        if len(reach) < 2:
            return
        upper = [self._place(area, when, high, scales) for when, _, high in reach]
        lower = [self._place(area, when, low, scales) for when, low, _ in reach]
        colour = QColor(theme.palette().accent)
        colour.setAlpha(45)
        painter.save()
        painter.setClipRect(area)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(colour)
        painter.drawPolygon(QPolygonF([*upper, *reversed(lower)]))
        painter.restore()

    def _draw_moments(self, painter: QPainter, area: QRectF, scales: tuple[float, float, float, float]) -> None:
        c = theme.palette()
        metrics = QFontMetricsF(self.font())
        free_from = area.left() - 30
        for moment in sorted(self.drawn.moments, key=lambda each: each.when):
            if not scales[0] <= moment.when <= scales[1]:
                continue
            x = self._place(area, moment.when, scales[2], scales).x()
            painter.setPen(QPen(QColor(c.soft), 1, Qt.PenStyle.DashLine))
            painter.drawLine(QPointF(x, area.top()), QPointF(x, area.bottom()))
            width = metrics.horizontalAdvance(moment.word)
            left = min(x - width / 2, self.width() - width - 2)
            if left > free_from:
                painter.setPen(QColor(c.soft))
                painter.drawText(QPointF(left, area.top() - metrics.height() * 0.35), moment.word)
                free_from = left + width + 8

    def _draw_mark(
        self, painter: QPainter, area: QRectF, mark: Mark, scales: tuple[float, float, float, float]
    ) -> None:
        c = theme.palette()
        place = self._place(area, mark.when, mark.value, scales)
        if mark.reach is not None:
            painter.setPen(QPen(QColor(c.soft), 1.2))
            ends = [self._place(area, mark.when, mark.value + side * mark.reach, scales) for side in (-1, 1)]
            painter.drawLine(*ends)
            for end in ends:
                painter.drawLine(end - QPointF(3, 0), end + QPointF(3, 0))
        if mark.ringed:
            painter.setPen(QPen(QColor(c.high), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawEllipse(place, 8.5, 8.5)
        draw_shape(painter, place, mark.shape, filled=mark.filled)

    def _draw_legend(self, painter: QPainter, area: QRectF) -> None:
        metrics = QFontMetricsF(self.font())
        x = area.left()
        for shape, filled, words in self.drawn.names:
            width = metrics.horizontalAdvance(words)
            if x + 14 + width > self.width():
                break
            if shape:
                draw_shape(painter, QPointF(x + 5, metrics.height() * 0.65), shape, filled=filled)
                x += 14
            painter.setPen(QColor(theme.palette().soft))
            painter.drawText(QPointF(x, metrics.ascent() + metrics.height() * 0.12), words)
            x += width + 18

    # ---------------------------------------------------------------------------------------------------------- pointer

    def _near(self, place: QPointF) -> Mark | None:
        if not self.drawn.marks:
            return None
        area, scales = self._area(), self._scales()

        def far(mark: Mark) -> float:
            return (self._place(area, mark.when, mark.value, scales) - place).manhattanLength()

        best = min(self.drawn.marks, key=far)
        return best if far(best) < 14 else None

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Say what is under the pointer."""
        mark = self._near(event.position())
        has_key = mark is not None and bool(mark.key)
        self.setCursor(Qt.CursorShape.PointingHandCursor if has_key else Qt.CursorShape.ArrowCursor)
        if mark is not None and mark.tip:
            QToolTip.showText(event.globalPosition().toPoint(), mark.tip, self)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Open what was clicked."""
        mark = self._near(event.position())
        if mark is not None and mark.key:
            self.wanted.emit(mark.key)


def draw_shape(painter: QPainter, place: QPointF, shape: str, *, filled: bool, radius: float = 4.0) -> None:
    """Draw the shape of a mark."""
    c = theme.palette()
    ink = QColor(c.ink)
    painter.setPen(QPen(ink, 1.4))
    painter.setBrush(ink if filled else QColor(c.panel))
    x, y, r = place.x(), place.y(), radius
    if shape == "disc":
        painter.drawEllipse(place, r * 0.9, r * 0.9)
    elif shape == "square":
        painter.drawRect(QRectF(x - r * 0.85, y - r * 0.85, r * 1.7, r * 1.7))
    elif shape == "cross":
        painter.setPen(QPen(QColor(c.soft), 1.6))
        painter.drawLine(QPointF(x - r, y - r), QPointF(x + r, y + r))
        painter.drawLine(QPointF(x - r, y + r), QPointF(x + r, y - r))
    else:
        places = (
            [(x, y - r * 1.3), (x + r * 1.3, y), (x, y + r * 1.3), (x - r * 1.3, y)]
            if shape == "diamond"
            else [(x, y - r * 1.25), (x + r * 1.2, y + r), (x - r * 1.2, y + r)]
        )
        painter.drawPolygon(QPolygonF([QPointF(*each) for each in places]))


def day_marks(first: float, last: float, n_wanted: float) -> list[tuple[float, str]]:
    """Return (seconds since 1970, words) of the days, months or years that an axis names.

    >>> [words for _, words in day_marks(1768000000.0, 1768000000.0 + 730 * 86400, 3)]
    ['2027', '2028']
    """
    start, end = dt.datetime.fromtimestamp(first), dt.datetime.fromtimestamp(last)
    days = (last - first) / DAY_S
    if days / 14 <= n_wanted:
        step_days = next(step for step in (1, 2, 7, 14) if days / step <= n_wanted)
        day = dt.datetime(start.year, start.month, start.day) + dt.timedelta(days=1)
        found = []
        while day <= end:
            if day.toordinal() % step_days == 0:
                found.append((day.timestamp(), f"{day:%Y-%m-%d}"))
            day += dt.timedelta(days=1)
        return found
    months = (end.year - start.year) * 12 + end.month - start.month
    step = next(s for s in (1, 2, 3, 6, 12, 24, 60, 1200) if months / s <= n_wanted)
    index = (start.year * 12 + start.month - 1) // step * step + step
    marks = []
    while index <= end.year * 12 + end.month - 1:
        day = dt.datetime(index // 12, index % 12 + 1, 1)
        marks.append((day.timestamp(), f"{day:%Y}" if step >= 12 else f"{day:%Y-%m}"))
        index += step
    return marks


def moment_of(iso: str) -> float:
    """Return seconds since 1970 of an ISO 8601 time or day."""
    moment = dt.datetime.fromisoformat(iso)
    return moment.timestamp()


def draw_percent_line(painter: QPainter, area: QRectF, y: float, percent: float, decimals: int) -> None:
    """Draw a line of the grid at `y` and its label to the left of `area`; the one at zero stands out."""
    c = theme.palette()
    height = QFontMetricsF(painter.font()).height()
    is_zero = abs(percent) < 1e-12
    painter.setPen(QPen(QColor(c.rail if is_zero else c.line), 1))
    painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
    painter.setPen(QColor(c.soft))
    text = "0 %" if is_zero else f"{percent:+.{decimals}f} %".replace("-", MINUS)
    painter.drawText(
        QRectF(0, y - height, area.left() - 6, 2 * height),
        Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
        text,
    )
