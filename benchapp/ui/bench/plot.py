"""The Bench's plot: a curve that runs towards a corridor.

Drawn with QPainter on a widget of its own, not with a plotting library: what stands still (corridor, hatching, axis,
words) is a pixmap made once per scale, the curve is reduced to one (lowest, highest) pair a pixel column as the
samples come in and drawn once, on a ring of pixels (`_strip.py`), and the time axis is relative to *now*, so nothing is
laid out again per frame. What that costs against pyqtgraph is measured in `tests/bench/test_drawing.py`. Curves that
are examined (Logbook) are painted in `benchapp/ui/curves/drawing.py`.
"""

from __future__ import annotations

import logging
import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any, Final

import numpy as np
from PySide6.QtCore import QPoint, QPointF, QRect, QRectF, Qt
from PySide6.QtGui import (
    QBrush,
    QColor,
    QFontMetricsF,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QPolygonF,
    QResizeEvent,
    QTransform,
)
from PySide6.QtWidgets import QWidget
from shiboken6 import VoidPtr

from benchapp.torque.units import NM, factor_nm
from benchapp.ui import theme, words
from benchapp.ui.bench._marks import MarkGroup, PlacedMark
from benchapp.ui.bench._stamps import Stamps
from benchapp.ui.bench._strip import Strip
from benchapp.ui.bench.columns import Columns
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap
from benchapp.ui.ticks import decimals_of, nice_step
from drivers.samples import FloatArray, IntArray

log = logging.getLogger(__name__)

PAST_S: Final = 6.0
AHEAD_S: Final = 4.0
KEPT_VIEWS: Final = 12  # a pull that is held still stays, however the widget's size changes, for so many views' time
HEADROOM: Final = (
    1.47  # top of the plot over the target: the corridor stands at two thirds, a carried-on pull still fits
)
MANY: Final = 400  # points that are drawn together only when the whole curve is drawn anew
STEPS: Final = (1.0, 1.3, 1.7, 2.2, 3.0, 4.0, 6.0, 9.0)  # when a pull goes higher all the same


@dataclass(frozen=True, slots=True)
class Scene:
    """What stands still on the plot while a pull runs.

    Attributes:
        top_nm: Torque at the upper edge, > 0.
        unit: Of the axis.
        sign: −1 when anticlockwise pulls are drawn upwards.
        target_nm: None without one.
        low_nm: Lower edge of the corridor; None without one (a preload has a target, but no corridor).
        high_nm: Upper edge.
        capacity_nm: Of the reference; None unknown.
        reference: Its number.
        target_name: The target as the tool has it.
        line_word: What the target's line is called where there is no corridor.
    """

    top_nm: float = 100.0
    unit: str = NM
    sign: int = 1
    target_nm: float | None = None
    low_nm: float | None = None
    high_nm: float | None = None
    capacity_nm: float | None = None
    reference: str = ""
    target_name: str = ""
    line_word: str = "maximum"


@dataclass(frozen=True, slots=True)
class CurveMark:
    """A place on the curve that has a word.

    Attributes:
        time_s: On the link's axis.
        torque_nm: Positive upwards.
        text: The word; "" for a bare ring.
        is_click: Drawn as the ring of the reading rather than as a tick.
        end_s: Where a stretch ends; None for a place.
    """

    time_s: float
    torque_nm: float
    text: str
    is_click: bool = False
    end_s: float | None = None


def polygon_of(x: FloatArray, y: FloatArray) -> QPolygonF:
    """Return the points as a polygon without a Python object each."""
    polygon = QPolygonF()
    n = len(x)
    polygon.resize(n)
    if n:
        memory: Any = VoidPtr(polygon.data(), n * 16, True)  # type: ignore[call-arg, arg-type]  # stubs know addresses only
        points = np.frombuffer(memory, dtype=np.float64).reshape(n, 2)
        points[:, 0] = x
        points[:, 1] = y
    return polygon


@lru_cache(maxsize=8)
def hairlines(ratio: float) -> tuple[tuple[float, float], ...]:
    """Return where hairlines lie that look like a pen of two logical pixels, and cost a twelfth of one.

    They fill a disc whose width is the pen's: side by side whichever way the line runs.

    >>> hairlines(1.0)
    ((0.0, -0.6), (-0.5, 0.4), (0.5, 0.4))
    """
    if ratio == 1.0:
        return ((0.0, -0.6), (-0.5, 0.4), (0.5, 0.4))
    found = []
    radius = ratio - 0.5
    while radius > 0.3:
        n = max(3, math.ceil(2 * math.pi * radius / 1.05))
        found += [(radius * math.sin(2 * math.pi * i / n), -radius * math.cos(2 * math.pi * i / n)) for i in range(n)]
        radius -= 0.9
    return (*found, (0.0, 0.0))


class PullPlot(QWidget):
    """Curve, corridor, time window, marks, capacity.

    Give it samples with `feed`, the still parts with `show_scene`, and call `advance` once a frame.
    """

    def __init__(self, parent: QWidget | None = None, *, past_s: float = PAST_S, ahead_s: float = AHEAD_S) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setAccessibleName("Torque over time")
        self.past_s = past_s
        self.ahead_s = ahead_s
        self.scene = Scene()
        self.marks: tuple[CurveMark, ...] = ()
        self.window_from: tuple[float, float, float] | None = None  # (80 % at, shortest, longest)
        self.rate_hz = 0.0
        self.held_from: float | None = None
        self.is_rising = False
        self.n_scales = 0  # how often the still parts were made, for the tests
        self.columns = Columns(0.01, 2)
        self.needs_samples = True
        self.is_broken = False
        self._now_s = math.nan
        self._now_nm = math.nan
        self._background: QPixmap | None = None
        self._strip: Strip | None = None
        self._strip_key: object = None
        self._stamps = Stamps(1.0)
        self._widths: dict[tuple[str, float, bool], float] = {}
        self._area = QRectF()
        self._ratio = 1.0
        self._n_seen = 1
        self._drawn_look: object = None
        self._mark_group: MarkGroup | None = None
        self._marks_right = 0.0  # so far did the marks reach when they were last drawn
        self._sizes = Sizes.of(768)
        self._step = 0

    # -------------------------------------------------------------------------------------------------- what is shown

    def feed(self, t_s: FloatArray, torque_nm: FloatArray) -> None:
        """Take in samples, oldest first."""
        if len(t_s) == 0:
            return
        newest = self.columns.newest
        if newest is not None and t_s[-1] < (newest - 2) * self.columns.width_s:
            # Another link with a clock of its own: what was drawn belongs to the old one.
            self.columns.clear()
            self.hold(None)
            newest = None
        if newest is not None and t_s[0] < newest * self.columns.width_s:
            kept = int(np.searchsorted(t_s, newest * self.columns.width_s))
            t_s, torque_nm = t_s[kept:], torque_nm[kept:]
            if len(t_s) == 0:
                return
        self.columns.feed(t_s, torque_nm)

    def show_scene(self, scene: Scene) -> None:
        """Draw around this target from now on."""
        if scene != self.scene:
            if scene.target_nm != self.scene.target_nm or scene.top_nm != self.scene.top_nm:
                self._step = 0
            self.scene = scene
            self._background = None
            self.update()

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        self._sizes = Sizes.of(self.window().height())
        self._background = self._strip = None
        self._lay_out()
        self._stamps = Stamps(self._ratio)
        self._widths.clear()
        self.update()

    def rest_scale(self) -> None:
        """Go back to the scale that fits the target (at the start of a pull)."""
        if self._step:
            self._step = 0
            self._background = None

    def advance(self, now_s: float, now_nm: float) -> None:
        """Move on to `now_s`; draws only what looks different from the last time."""
        same = now_s == self._now_s or math.isnan(now_s)
        self._now_s, self._now_nm = now_s, now_nm
        # a snatched pull is over between two frames: its marks say how far it went; last, as *now* may be unknown
        high = max([*(mark.torque_nm for mark in self.marks), now_nm * self.scene.sign])
        while high > self.top_nm * 0.97 and self._step < len(STEPS) - 1:
            self._step += 1
            self._background = None
        if self._background is None or self._look != self._drawn_look:
            self.update()
        elif not same:
            self._update_moved()

    @property
    def _look(self) -> tuple[object, ...]:
        """All that is told from outside and is not a sample or the time."""
        return (self.marks, self.is_rising, self.window_from if self.is_rising else None)

    def _update_moved(self) -> None:
        """What has moved with the time lies to the left of *now*, but for the wedge and what the marks say."""
        area = self._area.toAlignedRect()
        reach = math.ceil(self._sizes.body)  # the dot may reach over the area's edge
        if self.held_from is not None:
            strip, newest = self._strip, self.columns.newest
            if strip is None or newest is None:
                self.update(area)
                return
            first, last = self._seen()
            stretch = strip.stretch(first, min(newest, last))
            if stretch is None:
                return
            left = area.left() + math.floor((stretch[0] - first) / self._ratio)
            self.update(QRect(QPoint(left, area.top() - reach), QPoint(area.right(), area.bottom() + reach)))
            return
        right = self.x_of(self._now_s) if not self.is_rising or self.window_from is None else area.right()
        right = min(max(right, self._marks_right), area.right()) + reach
        self.update(
            QRect(QPoint(area.left() - reach, area.top() - reach), QPoint(math.ceil(right), area.bottom() + reach))
        )

    @property
    def top_nm(self) -> float:
        """Torque at the upper edge now."""
        return self.scene.top_nm * STEPS[self._step]

    @property
    def area(self) -> QRectF:
        """Where curves are drawn, inside the axis."""
        return self._area

    @property
    def left_s(self) -> float:
        """Time at the left edge."""
        return self.held_from if self.held_from is not None else self._now_s - self.past_s

    def x_of(self, time_s: float) -> float:
        """Pixel of a time."""
        return self._area.left() + (time_s - self.left_s) * self._area.width() / (self.past_s + self.ahead_s)

    def _column_x(self, time_s: float) -> float:
        """Middle of the pixel column of a time: what moves with the curve moves as it does."""
        width_s = self.columns.width_s
        n = math.floor(time_s / width_s) - math.floor(self.left_s / width_s)
        return self._area.left() + (n + 0.5) / self._ratio

    def y_of(self, torque_nm: float) -> float:
        """Pixel of a torque (positive upwards)."""
        return self._area.bottom() - torque_nm * self._area.height() / self.top_nm

    # ------------------------------------------------------------------------------------------------------------- Qt

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Make columns for the new width; the samples are asked for again."""
        super().resizeEvent(event)
        self.restyle()

    def _lay_out(self) -> None:
        s = self._sizes
        metrics = QFontMetricsF(font_of_cap(s.body))
        left = metrics.horizontalAdvance("8888") + 2.2 * s.pad
        bottom = s.body * 3.4
        top = s.pad * 1.1
        self._ratio = self.devicePixelRatioF()

        def whole(length: float) -> float:
            return round(length * self._ratio) / self._ratio  # a column of the curve is a column of the screen

        width, height = max(10.0, self.width() - left - s.pad), max(10.0, self.height() - top - bottom)
        self._area = QRectF(whole(left), whole(top), whole(width), whole(height))
        self._n_seen = round(self._area.width() * self._ratio)
        width_s = (self.past_s + self.ahead_s) / self._n_seen
        n_columns = KEPT_VIEWS * self._n_seen
        if not math.isclose(width_s, self.columns.width_s) or n_columns != self.columns.n_columns:
            self.columns = Columns(width_s, n_columns)
            self.needs_samples = True

    def paintEvent(self, event: QPaintEvent) -> None:
        """Background, time window, curve, marks, now. What cannot be drawn is logged once and left out from then on."""
        painter = QPainter(self)
        try:
            if self.is_broken:
                self._draw_broken(painter)
            else:
                self._draw(painter)
        except Exception:  # drawing must not stop a run
            log.exception("the curve cannot be drawn; it is switched off")
            self.is_broken = True
        painter.end()

    def _draw_broken(self, painter: QPainter) -> None:
        painter.fillRect(self.rect(), QColor(theme.palette().panel))
        painter.setPen(QColor(theme.palette().high))
        text = "The curve cannot be drawn; the log says why. The run goes on."
        draw_fitted(painter, QRectF(self.rect()).adjusted(20, 0, -20, 0), text, font_of_cap(self._sizes.lead))

    def _draw(self, painter: QPainter) -> None:
        if self._ratio != self.devicePixelRatioF():  # moved to another screen
            self.restyle()
        if self._background is None:
            self._background = self._draw_background()
        # In device pixels: pixmaps are then copied, at any scaling of the desktop, not resampled.
        painter.setWorldTransform(QTransform.fromScale(1 / self._ratio, 1 / self._ratio))
        painter.drawPixmap(0, 0, self._background)
        self._drawn_look = self._look
        if not math.isnan(self._now_s):
            left, top = round(self._area.left() * self._ratio), round(self._area.top() * self._ratio) - 1
            painter.setClipRect(left, top, self._n_seen + 1, round(self._area.height() * self._ratio) + 2)
            if self.is_rising and self.window_from is not None:
                self._draw_window(painter)
            self._draw_curve(painter, QPoint(left, top))
            painter.setClipping(False)
            self._draw_marks(painter)
            self._draw_now(painter)

    # --------------------------------------------------------------------------------------------------------- moving

    def _seen(self) -> tuple[int, int]:
        """First and last column in view. A column's place is its number's: a curve at rest does not shiver."""
        first = math.floor(self.left_s / self.columns.width_s)
        return first, first + self._n_seen

    @property
    def _missing_s(self) -> float:
        """With no sample for so long the curve is broken off."""
        return max(0.03, 6.0 / self.rate_hz) if self.rate_hz > 0 else 0.25

    def curve_points(self, first: int | None = None, last: int | None = None) -> list[tuple[IntArray, FloatArray]]:
        """Return the curve as pieces of (column number, y in pixels); a piece ends where samples are missing.

        Args:
            first: First column; what is in view without.
            last: Last column.
        """
        if first is None or last is None:
            first, last = self._seen()
        numbers, low, high, ends = self.columns.span(first, last)
        if len(numbers) == 0:
            return []
        if self.scene.sign < 0:
            low, high, ends = -high, -low, -ends
        # Few and plain operations: a frame has a dozen columns, and each call costs more than their arithmetic.
        ys = np.empty((len(numbers), 2))
        ys[:, 0], ys[:, 1] = low, high
        falling = ends[1:] < ends[:-1]
        ys[1:, 0][falling], ys[1:, 1][falling] = high[1:][falling], low[1:][falling]
        ys *= -self._area.height() / self.top_nm
        ys += self._area.bottom()
        np.maximum(ys, self._area.top() - 20.0, out=ys)
        np.minimum(ys, self._area.bottom() + 200.0, out=ys)
        flat, twice = ys.ravel(), numbers.repeat(2)
        is_break = (numbers[1:] - numbers[:-1]) * self.columns.width_s > self._missing_s
        if not is_break.any():
            return [(twice, flat)]
        edges = [0, *(2 * (is_break.nonzero()[0] + 1)).tolist(), len(flat)]
        return [(twice[a:b], flat[a:b]) for a, b in pairwise(edges)]

    def _draw_curve(self, painter: QPainter, at: QPoint) -> None:
        first, last = self._seen()
        if self.columns.newest is None:
            return
        key = (self.columns, self.columns.n_cleared, self.top_nm, self.scene.sign)
        if self._strip is None:
            margin = math.ceil(1.5 * self._ratio) + 1
            height = round(self._area.height() * self._ratio) + 2
            self._strip = Strip(last - first + 1 + 4 * margin, height, margin)
        if key != self._strip_key:
            self._strip.forget()
            self._strip_key = key
        stretch = self._strip.stretch(first, min(self.columns.newest, last))
        if stretch is not None:
            self._draw_new(self._strip, *stretch)
        self._strip.show(painter, at, first, last)

    def _draw_new(self, strip: Strip, begin: int, upto: int) -> None:
        """Draw the columns from `begin` to `upto`, joined to what comes before them."""
        reach = strip.margin + 2 * math.ceil(self._missing_s / self.columns.width_s)
        pieces = self.curve_points(begin - reach, upto)
        numbers = pieces[-1][0][::2] if pieces else np.empty(0, dtype=np.int64)
        before = int(numbers[-2]) if len(numbers) > 1 else begin + strip.margin

        def draw(painter: QPainter, origin: int) -> None:
            for columns, y in pieces:
                self._draw_piece(
                    painter, (columns - origin).astype(np.float64), (y - self._area.top()) * self._ratio + 1.0
                )

        strip.draw(begin, upto, draw, before=before, is_final=upto != self.columns.newest)

    def _draw_piece(self, painter: QPainter, x: FloatArray, y: FloatArray) -> None:
        """Draw a line of two logical pixels through points in device pixels."""
        painter.setPen(QPen(QColor(theme.palette().ink), 1))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        if len(x) == 2:
            painter.drawEllipse(QPointF(x[0], y[0]), 1.2 * self._ratio, 1.2 * self._ratio)
            return
        polygon = polygon_of(x, y)
        if len(y) > MANY and float(np.sum(np.abs(np.diff(y)))) > 50.0 * self._ratio * len(y):
            # Noise over half the height, all of it at once: an area, whose edges nobody looks at.
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
            painter.drawPolyline(polygon)
            return
        for dx, dy in hairlines(self._ratio):
            painter.translate(dx, dy)
            painter.drawPolyline(polygon)
            painter.translate(-dx, -dy)

    def _draw_window(self, painter: QPainter) -> None:
        """The wedge in which the last fifth should be climbed."""
        scene, s, colours = self.scene, self._sizes, theme.palette()
        if scene.target_nm is None or self.window_from is None:
            return
        at, shortest, longest = self.window_from
        target = abs(scene.target_nm)
        per_s = self._area.width() / (self.past_s + self.ahead_s)
        start = QPointF(self._column_x(at), self.y_of(0.8 * target))
        is_open = math.isinf(longest)
        height = self.y_of(0.8 * target) - self.y_of(target)
        early = QPointF(shortest * per_s, -height)
        late = QPointF(self._area.width(), 0.0) if is_open else QPointF(longest * per_s, -height)
        corners = [QPointF(), early, QPointF(late.x(), -height), late]

        def wedge(on: QPainter) -> None:
            fill = QColor(colours.accent)
            fill.setAlpha(66)
            # Filled without anti-aliasing: the hairlines hide the steps.
            on.setRenderHint(QPainter.RenderHint.Antialiasing, False)
            on.setPen(Qt.PenStyle.NoPen)
            on.setBrush(fill)
            on.drawPolygon(QPolygonF(corners))
            on.setRenderHint(QPainter.RenderHint.Antialiasing, True)
            on.setPen(QPen(QColor(colours.accent), 1))
            on.drawLine(QPointF(), early)
            on.drawLine(QPointF(), late)

        box = QRectF(0.0, -height, late.x(), height)
        self._stamps.show(painter, "window", (shortest, longest, height), box, start, wedge)

        head = f"reach {words.plain(float(f'{target / factor_nm(scene.unit):.4g}'))} in here"
        detail = f"at least {shortest:g} s from 80 %" if is_open else f"{shortest:g} to {longest:g} s from 80 %"
        width = self._width_of(head, s.lead, bold=True)

        def told(on: QPainter) -> None:
            on.setPen(QColor(colours.accent))
            on.setFont(font_of_cap(s.lead, bold=True))
            on.drawText(QPointF(), head)
            on.setPen(QColor(colours.soft))
            on.setFont(font_of_cap(s.small))
            on.drawText(QPointF(0.0, 2.2 * s.lead), detail)

        x = min(max(start.x() + s.pad, self.x_of(self._now_s) + s.pad), self._area.right() - width - s.pad)
        widest = max(width, self._width_of(detail, s.small))
        box = QRectF(-2.0, -2.0 * s.lead, widest + 4.0, 5.0 * s.lead)
        place = QPointF(x, start.y() + 3.2 * s.lead)
        self._stamps.show(painter, "window's words", (head, detail), box, place, told)

    def _width_of(self, text: str, cap_px: float, *, bold: bool = False) -> float:
        """Width of a word that is placed anew in every frame: asking a font takes longer than drawing the word."""
        key = (text, cap_px, bold)
        width = self._widths.get(key)
        if width is None:
            width = self._widths[key] = QFontMetricsF(font_of_cap(cap_px, bold=bold)).horizontalAdvance(text)
        return width

    def _draw_marks(self, painter: QPainter) -> None:
        self._marks_right = 0.0
        if not self.marks:
            return
        group = self._mark_group
        shift = 0.0 if group is None else self._column_x(self.marks[0].time_s) - group.x
        key = (self.marks, self.scene, self._step, self._area, self._ratio)
        if group is None or group.key != key or not group.holds_at(shift):
            placed = self._placed_marks()
            group = self._mark_group = MarkGroup(
                key, self._column_x(self.marks[0].time_s), tuple(placed), self._area, self._sizes
            )
            shift = 0.0
        if not group.marks:
            return
        origin = group.marks[0].ring.x()

        def draw(on: QPainter) -> None:
            on.translate(-origin, 0.0)
            for mark in group.marks:
                mark.draw(on, self._sizes)

        self._marks_right = group.box.right() + shift
        self._stamps.show(
            painter, "marks", group.look, group.box.translated(-origin, 0.0), QPointF(origin + shift, 0.0), draw
        )

    def _placed_marks(self) -> list[PlacedMark]:
        """Where the marks in view stand, and their words: inside the area, none over another."""
        s, area = self._sizes, self._area
        placed: list[PlacedMark] = []
        for mark in self.marks:
            x, y = self._column_x(mark.time_s), self.y_of(mark.torque_nm)
            if x < area.left() - 2 or x > area.right() + 2 or mark.torque_nm > self.top_nm:
                continue
            y = min(max(y, area.top()), area.bottom())
            width = self._width_of(mark.text, s.body, bold=True)
            if mark.is_click:
                box = QRectF(x - width - 1.2 * s.pad, y - 4.6 * s.body, width, 2.2 * s.body)
                high = self.scene.high_nm
                if high is not None:
                    # The word goes above the corridor's hatching, where it can be read; a thread leads to the ring.
                    over = self.y_of(high + (high - (self.scene.low_nm or high)) * 1.75) - 2.4 * s.body
                    box.moveTop(min(box.top(), over))
            else:
                box = QRectF(x + 0.4 * s.pad, y + 1.8 * s.body, width, 2.2 * s.body)
            box.moveLeft(min(max(box.left(), area.left() + 4), area.right() - box.width() - 4))
            box.moveTop(min(max(box.top(), area.top() + 2.4 * s.body), area.bottom() - box.height()))
            for other in placed:
                if other.word.intersects(box):
                    box.moveTop(other.word.bottom() + 1)
            end_x = None if mark.end_s is None else max(self._column_x(mark.end_s), x + 3)
            placed.append(PlacedMark(mark.text, QPointF(x, y), box, end_x, mark.is_click))
        return placed

    def _draw_now(self, painter: QPainter) -> None:
        s, colours = self._sizes, theme.palette()
        if self.held_from is not None or math.isnan(self._now_nm):
            return
        x = self.x_of(self._now_s)
        y = min(max(self.y_of(self._now_nm * self.scene.sign), self._area.top()), self._area.bottom())
        r = s.body * (0.62 if self.is_rising else 0.36)

        def dot(on: QPainter) -> None:
            on.setPen(Qt.PenStyle.NoPen)
            on.setBrush(QColor(colours.accent))
            on.drawEllipse(QPointF(), r, r)

        self._stamps.show(painter, "now", r, QRectF(-r, -r, 2 * r, 2 * r), QPointF(x, y), dot)

    # ---------------------------------------------------------------------------------------------------------- still

    def _draw_background(self) -> QPixmap:
        self.n_scales += 1
        colours, s, scene, area = theme.palette(), self._sizes, self.scene, self._area
        # up to the last pixel that is partly the plot's: what stood there before would stay
        pixmap = QPixmap(max(1, math.ceil(self.width() * self._ratio)), max(1, math.ceil(self.height() * self._ratio)))
        pixmap.fill(QColor(colours.ground))
        painter = QPainter(pixmap)
        painter.scale(self._ratio, self._ratio)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        theme.draw_panel(painter, QRectF(0, 0, self.width(), self.height()), s.radius)
        now_x = area.left() + area.width() * self.past_s / (self.past_s + self.ahead_s)
        if self.held_from is None:
            painter.fillRect(QRectF(now_x, area.top(), area.right() - now_x, area.height()), QColor(colours.panel_soft))
        self._draw_torque_axis(painter)
        if scene.target_nm is not None:
            self._draw_corridor(painter)
        self._draw_time_axis(painter, now_x)
        self._draw_capacity(painter)
        painter.end()
        return pixmap

    def _draw_torque_axis(self, painter: QPainter) -> None:
        colours, s, area = theme.palette(), self._sizes, self._area
        one = factor_nm(self.scene.unit)
        top = self.top_nm / one
        step = nice_step(top, 7)
        decimals = decimals_of(step)
        font = font_of_cap(s.body)
        for i in range(int(top / step * 0.985) + 1):
            y = self.y_of(i * step * one)
            painter.setPen(QPen(QColor(colours.line), 1))
            painter.drawLine(QPointF(area.left(), round(y) + 0.5), QPointF(area.right(), round(y) + 0.5))
            painter.setPen(QColor(colours.soft))
            box = QRectF(s.pad * 0.5, y - s.body * 1.5, area.left() - s.pad * 1.1, s.body * 3)
            draw_fitted(painter, box, f"{i * step:.{decimals}f}", font, align=Qt.AlignmentFlag.AlignRight)

    def _draw_time_axis(self, painter: QPainter, now_x: float) -> None:
        colours, s, area = theme.palette(), self._sizes, self._area
        span = self.past_s + self.ahead_s
        baseline = area.bottom() + s.body * 1.9
        painter.setPen(QColor(colours.soft))
        font, bold = font_of_cap(s.body), font_of_cap(s.body, bold=True)

        def label(x: float, text: str, *, strong: bool = False) -> None:
            used = bold if strong else font
            width = QFontMetricsF(used).horizontalAdvance(text)
            left = min(max(x - width / 2, area.left() - s.pad), area.right() - width)
            draw_fitted(painter, QRectF(left, baseline - s.body, width + 1, s.body * 2), text, used)

        if self.held_from is not None:
            for i in range(0, int(span) + 1, 2):
                label(area.left() + area.width() * i / span, f"{i} s")
            return
        painter.setPen(QPen(QColor(colours.soft), 1))
        painter.drawLine(QPointF(now_x, area.top()), QPointF(now_x, area.bottom()))
        for i in range(-int(self.past_s), int(self.ahead_s) + 1, 2):
            painter.setPen(QColor(colours.ink if i == 0 else colours.soft))
            x = area.left() + area.width() * (self.past_s + i) / span
            label(x, "now" if i == 0 else f"{'+' if i > 0 else words.MINUS}{abs(i)} s", strong=i == 0)

    def _draw_corridor(self, painter: QPainter) -> None:
        colours, s, scene, area = theme.palette(), self._sizes, self.scene, self._area
        target = abs(scene.target_nm or 0.0)
        y_target = self.y_of(target)
        label_x = area.left() + 0.6 * s.pad
        if scene.low_nm is None or scene.high_nm is None:
            painter.setPen(QPen(QColor(colours.ink), 2.5))
            painter.drawLine(QPointF(area.left(), y_target), QPointF(area.right(), y_target))
            font = font_of_cap(s.lead, bold=True)
            text = f"{scene.line_word}, {scene.target_name}" if scene.target_name else scene.line_word
            # at the right, where the curve has not come yet and no mark's word stands
            box = QRectF(area.center().x(), y_target - 3.0 * s.lead, area.width() / 2 - 0.6 * s.pad, 3.0 * s.lead)
            draw_fitted(painter, box, text, font, align=Qt.AlignmentFlag.AlignRight)
            return
        y_low, y_high = self.y_of(scene.low_nm), self.y_of(scene.high_nm)
        depth = max((y_low - y_high) * 1.45, s.lead * 3.0)
        above = QRectF(area.left(), y_high - depth, area.width(), depth)
        below = QRectF(area.left(), y_low, area.width(), depth)
        self._hatch(painter, above, colours.high, falling=True)
        self._hatch(painter, below, colours.low, falling=False)
        painter.fillRect(QRectF(area.left(), y_high, area.width(), y_low - y_high), QColor(colours.panel))
        painter.setPen(QPen(QColor(colours.ink), max(2.5, s.body / 5)))
        for y in (y_low, y_high):
            painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
        dashed = QPen(QColor(colours.ink), 1)
        dashed.setDashPattern([4.0, 3.0])
        painter.setPen(dashed)
        painter.drawLine(QPointF(area.left(), y_target), QPointF(area.right(), y_target))
        font = font_of_cap(s.lead * 1.12, bold=True)
        inside = font_of_cap(min(s.lead * 1.12, max(s.small * 0.8, (y_low - y_high) * 0.62)), bold=True)
        for box, text, colour, used in (
            (above, "HIGH", colours.high, font),
            (QRectF(area.left(), y_high, area.width(), y_low - y_high), "IN", colours.ink, inside),
            (below, "LOW", colours.low, font),
        ):
            place = QRectF(label_x, box.top(), area.width() / 3, box.height())
            width = QFontMetricsF(used).horizontalAdvance(text)
            cap = QFontMetricsF(used).capHeight()
            plate = QRectF(label_x - 5, place.center().y() - cap * 0.9, width + 10, cap * 1.8)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(colours.panel))
            painter.drawRoundedRect(plate.intersected(box), 3, 3)
            painter.setPen(QColor(colour))
            draw_fitted(painter, place, text, used)

    def _hatch(self, painter: QPainter, box: QRectF, colour: str, *, falling: bool) -> None:
        painter.save()
        painter.setClipRect(box)
        line = QColor(colour)
        line.setAlpha(150)
        painter.setPen(QPen(line, 1.4))
        gap = max(11.0, self._sizes.body * 0.95)
        x = box.left() - box.height()
        while x < box.right():
            if falling:
                painter.drawLine(QPointF(x, box.top()), QPointF(x + box.height(), box.bottom()))
            else:
                painter.drawLine(QPointF(x, box.bottom()), QPointF(x + box.height(), box.top()))
            x += gap
        painter.restore()

    def _draw_capacity(self, painter: QPainter) -> None:
        colours, s, scene, area = theme.palette(), self._sizes, self.scene, self._area
        if scene.capacity_nm is None:
            return
        size = s.body * 0.75
        one = factor_nm(scene.unit)
        amount = words.plain(float(f"{scene.capacity_nm / one:.4g}"))
        font = font_of_cap(s.small)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QBrush(QColor(colours.high)))
        inside = scene.capacity_nm <= self.top_nm
        y = self.y_of(scene.capacity_nm) if inside else area.top() + size
        notch = [QPointF(area.left(), y - size), QPointF(area.left(), y + size), QPointF(area.left() - 1.2 * size, y)]
        if not inside:
            # An arrow that points out of the view, inside the area: on the axis it may meet the topmost number.
            x = area.left() + 0.8 * s.pad + size
            notch = [QPointF(x - size, y + size * 0.6), QPointF(x + size, y + size * 0.6), QPointF(x, y - size)]
        painter.drawPolygon(QPolygonF(notch))
        if inside:
            painter.setPen(QPen(QColor(colours.high), 1.5, Qt.PenStyle.DashLine))
            painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
        who = scene.reference or "The reference"
        text = f"{who} ends at {amount} {scene.unit}" + ("" if inside else ", above this view")
        painter.setPen(QColor(colours.soft))
        down = 0.4 * s.body if inside else -s.small * 1.2
        # beside the corridor's words, never over them: it may end within the corridor
        words_width = QFontMetricsF(font_of_cap(s.lead * 1.12, bold=True)).horizontalAdvance("HIGH")
        beside = inside and scene.low_nm is not None
        left = area.left() + 0.8 * s.pad
        if beside:
            left += words_width + s.pad
        elif not inside:
            left += 2.6 * size  # behind the arrow
        box = QRectF(left, y + down, area.right() - left - s.pad, s.small * 2.4)
        if beside:
            width = min(QFontMetricsF(font).horizontalAdvance(text), box.width())
            painter.fillRect(QRectF(left - 4, box.top(), width + 8, box.height()), QColor(colours.panel))
        draw_fitted(painter, box, text, font)

    def hold(self, left_s: float | None) -> None:
        """Stop the time axis with `left_s` at its left edge, or let it run again with None."""
        if left_s != self.held_from:
            self.held_from = left_s
            self._background = None
            self.update()
