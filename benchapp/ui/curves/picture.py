"""The picture of pulls laid over each other: drawn by hand, so that ten pulls at 10 kHz stay quick under the mouse.

Torque above, its rate of change below, one cursor through both. Mouse: wheel zooms around the pointer (Shift: torque
only), dragging moves, a double click shows everything again. Keys: + and − zoom, arrows move the cursor, C goes near
the click, 0 shows everything, Page up and down choose the pull.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyqtgraph.functions as pgf
from PySide6.QtCore import QByteArray, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QBrush,
    QColor,
    QFont,
    QFontMetricsF,
    QImage,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPen,
    QPolygonF,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from benchapp.pulls.pull import Flag
from benchapp.torque.units import factor_nm
from benchapp.ui import theme, words
from benchapp.ui.curves.overlay import Align, Curve, Level, columns, span, ticks
from benchapp.ui.format import MINUS, significant
from drivers.samples import FloatArray

NEAR_CLICK_S = 0.03
"""Half the width of the view of one click from near."""

MS_MARKED_S = 0.12
"""Below this width each millisecond has a mark at the foot."""

ALIGN_WORDS = {
    Align.CLICK: "from the click",
    Align.EIGHTY: "from 80 % of the reading",
    Align.START: "from the start of the pull",
}


@dataclass(frozen=True, slots=True)
class Corridor:
    """The band around a target, N·m."""

    target_nm: float
    low_nm: float
    high_nm: float


@dataclass(frozen=True, slots=True)
class Reading:
    """What the cursor reads: time on the aligned axis, torque and rate of the chosen pull."""

    time_s: float
    torque_nm: float
    rate_nm_s: float
    number: int


class CurvePicture(QWidget):
    """Shows curves; `cursor_moved` carries a `Reading` or None, `picked` the number of a pull."""

    cursor_moved = Signal(object)
    picked = Signal(int)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(320, 240)
        self.setAccessibleName("curves of the pulls")
        self.curves: tuple[Curve, ...] = ()
        self.chosen = 0
        self.align = Align.CLICK
        self.corridor: Corridor | None = None
        self.unit = "N·m"
        self.show_rate = True
        self.cursor_s: float | None = None
        self._view = (-1.0, 1.0, 0.0, 1.0)
        self._full = self._view
        self._drag: tuple[QPointF, tuple[float, float, float, float]] | None = None

    # ------------------------------------------------------------------------------------------------------- what shows

    def show_curves(
        self, curves: Sequence[Curve], *, corridor: Corridor | None = None, chosen: int | None = None
    ) -> None:
        """Lay `curves` over each other; `chosen` is the number of the pull that stands out (default: the last)."""
        self.curves = tuple(curves)
        self.corridor = corridor
        numbers = [curve.number for curve in self.curves]
        self.chosen = chosen if chosen in numbers else (numbers[-1] if numbers else 0)
        self._set_cursor(None)
        self.show_all()

    def choose(self, number: int) -> None:
        """Let another pull stand out."""
        if number != self.chosen and any(curve.number == number for curve in self.curves):
            self.chosen = number
            self.picked.emit(number)
            self._tell()
            self.update()

    def set_align(self, align: Align) -> None:
        """Lay the curves over each other at another place."""
        self.align = align
        self.show_all()

    def set_unit(self, unit: str) -> None:
        """Show torque in `unit`."""
        self.unit = unit
        self._tell()
        self.update()

    def set_rate_shown(self, shown: bool) -> None:
        """Show or hide the rate of change."""
        self.show_rate = shown
        self.update()

    def show_all(self) -> None:
        """Show everything."""
        self._full = self._view = span(self.curves, self.align)
        self.update()

    def show_click(self) -> None:
        """Show the chosen pull's click from near: 60 ms, a mark every few milliseconds, each sample a dot."""
        curve = self.chosen_curve()
        if curve is None or curve.pull is None or curve.pull.reading_time_s is None:
            return
        centre = curve.pull.reading_time_s - curve.shift_s(self.align)
        self.show_span(centre - NEAR_CLICK_S, centre + NEAR_CLICK_S)

    def show_span(self, start_s: float, end_s: float) -> None:
        """Show a stretch of time (aligned axis), torque fitted to what the chosen pull does there."""
        low, high = math.inf, -math.inf
        for curve in self.curves:
            if curve.number != self.chosen:
                continue
            shift = curve.shift_s(self.align)
            first, last = np.searchsorted(curve.t_s, [start_s + shift, end_s + shift])
            part = curve.torque_nm[first:last]
            if len(part):
                low, high = min(low, float(part.min())), max(high, float(part.max()))
        if not low < high:
            low, high = self._full[2], self._full[3]
        air = (high - low) * 0.12
        self._view = (start_s, end_s, low - air, high + air)
        self.update()

    def chosen_curve(self) -> Curve | None:
        """Return the curve that stands out."""
        return next((curve for curve in self.curves if curve.number == self.chosen), None)

    @property
    def view(self) -> tuple[float, float, float, float]:
        """(first time, last time, lowest, highest torque) shown, seconds on the aligned axis and N·m."""
        return self._view

    # ---------------------------------------------------------------------------------------------------------- places

    def _areas(self, size: QSize) -> tuple[QRectF, QRectF | None]:
        metrics = QFontMetricsF(self.font())
        line = metrics.height()
        left = metrics.horizontalAdvance("−0000.00") + 10
        above, foot = line * 1.45, line * 2.0 + 6  # the cursor's words; marks of the time and from where they count
        whole = QRectF(left, above, size.width() - left - 12, size.height() - above - foot)
        if not self.show_rate or whole.height() < 200:
            return whole, None
        below = max(70.0, whole.height() * 0.26)
        gap = line * 1.5
        top = QRectF(whole.left(), whole.top(), whole.width(), whole.height() - below - gap)
        return top, QRectF(whole.left(), whole.bottom() - below, whole.width(), below)

    def _x(self, area: QRectF, time_s: float) -> float:
        start, end = self._view[:2]
        return area.left() + (time_s - start) / (end - start) * area.width()

    def _y(self, area: QRectF, torque_nm: float) -> float:
        low, high = self._view[2:]
        return area.bottom() - (torque_nm - low) / (high - low) * area.height()

    def _time_at(self, x: float) -> float:
        area = self._areas(self.size())[0]
        start, end = self._view[:2]
        return start + (x - area.left()) / area.width() * (end - start)

    # ---------------------------------------------------------------------------------------------------------- drawing

    def paintEvent(self, _event: object) -> None:
        """Draw it."""
        painter = QPainter(self)
        self.draw(painter, self.size(), background=False)
        painter.end()

    def draw(self, painter: QPainter, size: QSize, *, background: bool = True) -> None:
        """Draw the picture into `painter` (screen, image or SVG)."""
        c = theme.palette()
        painter.setFont(self.font())
        if background:
            painter.fillRect(QRectF(0, 0, size.width(), size.height()), QColor(c.panel))
        area, below = self._areas(size)
        self._draw_flag_spans(painter, area)
        self._draw_corridor(painter, area)
        self._draw_axes(painter, area, below)
        painter.save()
        painter.setClipRect(area)
        self._draw_curves(painter, area)
        painter.restore()
        self._draw_marks(painter, area)
        if below is not None:
            self._draw_rate(painter, below)
        self._draw_cursor(painter, area, below)
        if not self.curves:
            painter.setPen(QColor(c.soft))
            painter.drawText(area, Qt.AlignmentFlag.AlignCenter, "No pull to show")

    def _draw_corridor(self, painter: QPainter, area: QRectF) -> None:
        band = self.corridor
        if band is None:
            return
        c = theme.palette()
        painter.save()
        painter.setClipRect(area)
        reach = (band.high_nm - band.low_nm) * 1.2
        for edge, far, colour, style, word in (
            (band.high_nm, band.high_nm + reach, c.high, Qt.BrushStyle.BDiagPattern, "HIGH"),
            (band.low_nm, band.low_nm - reach, c.low, Qt.BrushStyle.FDiagPattern, "LOW"),
        ):
            y1, y2 = self._y(area, edge), self._y(area, far)
            strip = QRectF(area.left(), min(y1, y2), area.width(), abs(y2 - y1))
            hatch = QColor(colour)
            hatch.setAlpha(110)
            painter.fillRect(strip, QBrush(hatch, style))
            painter.setPen(QPen(QColor(c.ink), 1.4))
            painter.drawLine(QPointF(area.left(), y1), QPointF(area.right(), y1))
            metrics = QFontMetricsF(self.font())
            if strip.height() > metrics.capHeight() + 4:
                bold = QFont(self.font())
                bold.setBold(True)
                painter.setFont(bold)
                painter.setPen(QColor(colour))
                inside = y1 - 4 if word == "HIGH" else y1 + metrics.capHeight() + 6
                _draw_on_plate(painter, QPointF(area.left() + 6, inside), word)
                painter.setFont(self.font())
        painter.setPen(QPen(QColor(c.soft), 1, Qt.PenStyle.DashLine))
        y = self._y(area, band.target_nm)
        painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
        painter.restore()

    def _draw_axes(self, painter: QPainter, area: QRectF, below: QRectF | None) -> None:
        c = theme.palette()
        metrics = QFontMetricsF(self.font())
        start, end, low, high = self._view
        factor = factor_nm(self.unit)
        places, decimals = ticks(low / factor, high / factor, max(2, int(area.height() / (metrics.height() * 2.8))))
        line, soft = QPen(QColor(c.line), 1), QPen(QColor(c.soft))
        for value in places:
            y = self._y(area, value * factor)
            painter.setPen(line)
            painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
            painter.setPen(soft)
            text = f"{value:.{decimals}f}".replace("-", MINUS)
            painter.drawText(
                QRectF(0, y - metrics.height(), area.left() - 8, metrics.height() * 2),
                Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
                text,
            )
        painter.drawText(
            QRectF(0, area.top() - metrics.height() * 0.95, area.left() - 8, metrics.height()),
            Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignTop,
            self.unit,
        )
        in_ms = end - start < 0.5
        scale = 1000.0 if in_ms else 1.0
        places, decimals = ticks(
            start * scale, end * scale, max(3, int(area.width() / (metrics.averageCharWidth() * 14)))
        )
        foot = below if below is not None else area
        suffix = " ms" if in_ms else " s"
        if end - start < MS_MARKED_S:
            painter.setPen(QPen(QColor(c.rail), 1))
            for ms in range(math.ceil(start * 1000), math.floor(end * 1000) + 1):
                x = self._x(area, ms / 1000)
                painter.drawLine(QPointF(x, foot.bottom() - 4), QPointF(x, foot.bottom()))
        for value in places:
            x = self._x(area, value / scale)
            painter.setPen(line)
            painter.drawLine(QPointF(x, area.top()), QPointF(x, area.bottom()))
            if below is not None:
                painter.drawLine(QPointF(x, below.top()), QPointF(x, below.bottom()))
            painter.setPen(soft)
            sign = "+" if value > 0 and self.align is not Align.START else ""
            text = f"{sign}{value:.{decimals}f}".replace("-", MINUS)
            text += suffix if abs(value) < 1e-12 or value == places[-1] else ""
            width = metrics.horizontalAdvance(text)
            left = min(max(x - width / 2, 0.0), area.right() + 11 - width)
            painter.drawText(QPointF(left, foot.bottom() + 3 + metrics.ascent()), text)
        painter.drawText(
            QRectF(area.left(), foot.bottom() + 2 + metrics.height(), area.width(), metrics.height()),
            Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignTop,
            ALIGN_WORDS[self.align],
        )
        painter.setPen(QPen(QColor(c.rail), 1))
        painter.drawRect(area)

    def _draw_curves(self, painter: QPainter, area: QRectF) -> None:
        c = theme.palette()
        quiet, aside = QPen(_between(c.soft, c.panel, 0.45), 1), QPen(_between(c.accent, c.panel, 0.5), 1)
        for curve in self.curves:
            if curve.number != self.chosen:
                self._line(painter, area, curve, curve.levels, quiet if curve.counts else aside, self._view[2:])
        curve_chosen = self.chosen_curve()
        if curve_chosen is not None:
            self._line(
                painter, area, curve_chosen, curve_chosen.levels, QPen(QColor(c.ink), 1), self._view[2:], dots=True
            )

    def _line(
        self,
        painter: QPainter,
        area: QRectF,
        curve: Curve,
        levels: Sequence[Level],
        pen: QPen,
        limits: tuple[float, ...],
        *,
        dots: bool = False,
    ) -> None:
        if not levels:
            return
        start, end = self._view[:2]
        times, values = columns(levels, curve.shift_s(self.align), start, end, max(1, int(area.width())))
        if len(times) < 2:
            return
        low, high = limits
        x = area.left() + (times - start) * (area.width() / (end - start))
        y = area.bottom() - (values - low) * (area.height() / (high - low))
        np.clip(y, area.top() - 4000, area.bottom() + 4000, out=y)
        np.clip(x, area.left() - 4000, area.right() + 4000, out=x)
        painter.setPen(pen)
        painter.drawPolyline(polygon(x, y))
        if dots and len(times) < area.width() / 5:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(theme.palette().ink))
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            for px, py in zip(x, y, strict=True):
                painter.drawEllipse(QPointF(px, py), 2.2, 2.2)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, on=False)

    def _draw_rate(self, painter: QPainter, area: QRectF) -> None:
        c = theme.palette()
        curve = self.chosen_curve()
        metrics = QFontMetricsF(self.font())
        painter.setPen(QPen(QColor(c.rail), 1))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(area)
        factor = factor_nm(self.unit)
        painter.setPen(QColor(c.soft))
        painter.drawText(
            QRectF(area.left() + 6, area.top() - metrics.height() * 1.15, area.width(), metrics.height()),
            Qt.AlignmentFlag.AlignLeft,
            f"rate of change, {self.unit} per second" + (f", pull {curve.number}" if curve else ""),
        )
        if curve is None or not curve.rate_levels:
            return
        start, end = self._view[:2]
        _, values = columns(curve.rate_levels, curve.shift_s(self.align), start, end, max(1, int(area.width())))
        if not len(values):
            return
        low, high = min(0.0, float(values.min())), max(0.0, float(values.max()))
        if high - low < 1e-9:
            high = low + 1.0
        air = (high - low) * 0.08
        low, high = low - air, high + air
        places, decimals = ticks(low / factor, high / factor, max(2, int(area.height() / (metrics.height() * 1.7))))
        for value in places:
            y = area.bottom() - (value * factor - low) / (high - low) * area.height()
            painter.setPen(QPen(QColor(c.rail if value == 0 else c.line), 1))
            painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
            painter.setPen(QColor(c.soft))
            painter.drawText(
                QRectF(0, y - metrics.height(), area.left() - 8, metrics.height() * 2),
                Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
                f"{value:.{decimals}f}".replace("-", MINUS),
            )
        painter.save()
        painter.setClipRect(area)
        self._line(painter, area, curve, curve.rate_levels, QPen(QColor(c.accent), 1), (low, high))
        painter.restore()

    def _draw_flag_spans(self, painter: QPainter, area: QRectF) -> None:
        curve = self.chosen_curve()
        if curve is None or curve.pull is None:
            return
        c = theme.palette()
        metrics = QFontMetricsF(self.font())
        shift = curve.shift_s(self.align)
        taken: list[tuple[float, float, int]] = []
        for noticed in curve.pull.noticed:
            if noticed.start_s is None or noticed.flag is Flag.ZERO_OFF:
                continue
            end = noticed.end_s if noticed.end_s is not None else noticed.start_s
            left, right = self._x(area, noticed.start_s - shift), self._x(area, end - shift)
            if right < area.left() or left > area.right():
                continue
            left, right = max(area.left(), left - 1), min(area.right(), right + 1)
            ground = QColor(c.accent)
            ground.setAlpha(38)
            painter.fillRect(QRectF(left, area.top(), right - left, area.height()), ground)
            painter.setPen(QPen(QColor(c.accent), 2))
            painter.drawLine(QPointF(left, area.top() + 1), QPointF(right, area.top() + 1))
            text = words.FLAG_NAMES[noticed.flag]
            width = metrics.horizontalAdvance(text)
            at = min(left + 3, area.right() - width - 4)
            row = 0
            while any(r == row and at < b and at + width > a for a, b, r in taken):
                row += 1
            taken.append((at, at + width + 8, row))
            painter.setPen(QColor(c.accent))
            _draw_on_plate(painter, QPointF(at, area.top() + metrics.height() * (row + 1)), text)

    def _draw_marks(self, painter: QPainter, area: QRectF) -> None:
        c = theme.palette()
        metrics = QFontMetricsF(self.font())
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        for curve in self.curves:
            pull = curve.pull
            if pull is None or pull.reading is None or pull.reading_time_s is None:
                continue
            place = QPointF(self._x(area, pull.reading_time_s - curve.shift_s(self.align)), self._y(area, pull.reading))
            if not area.adjusted(-1, -1, 1, 1).contains(place):
                continue
            first = curve.number == self.chosen
            painter.setBrush(QColor(c.panel))
            painter.setPen(QPen(QColor(c.accent if first else c.soft), 2.2 if first else 1.2))
            painter.drawEllipse(place, 5.5 if first else 3.5, 5.5 if first else 3.5)
            if first:
                text = words.MARK_NAMES["click" if pull.first_peak is not None else "reading"]
                bold = QFont(self.font())
                bold.setBold(True)
                painter.setFont(bold)
                painter.setPen(QColor(c.accent))
                width = QFontMetricsF(bold).horizontalAdvance(text)
                x = place.x() - width - 12
                if x < area.left() + 4:
                    x = place.x() + 12
                _draw_on_plate(painter, QPointF(x, max(area.top() + metrics.height() * 2, place.y() - 8)), text)
                painter.setFont(self.font())
        chosen = self.chosen_curve()
        if chosen is not None and chosen.pull is not None:
            shift = chosen.shift_s(self.align)
            for mark in chosen.pull.marks:
                name = words.MARK_NAMES.get(mark.name)
                if name is None or mark.name in ("click", "reading"):
                    continue
                place = QPointF(self._x(area, mark.time_s - shift), self._y(area, mark.torque))
                if not area.contains(place):
                    continue
                painter.setPen(QPen(QColor(c.soft), 1.4))
                painter.setBrush(Qt.BrushStyle.NoBrush)
                painter.drawRect(QRectF(place.x() - 3, place.y() - 3, 6, 6))
                _draw_on_plate(painter, QPointF(place.x() + 9, place.y() + metrics.capHeight() + 5), name)
        painter.restore()

    def _draw_cursor(self, painter: QPainter, area: QRectF, below: QRectF | None) -> None:
        reading = self.reading()
        if reading is None:
            return
        c = theme.palette()
        x = self._x(area, reading.time_s)
        if not area.left() <= x <= area.right():
            return
        painter.setPen(QPen(QColor(c.ink), 1, Qt.PenStyle.DotLine))
        painter.drawLine(QPointF(x, area.top()), QPointF(x, (below or area).bottom()))
        y = self._y(area, reading.torque_nm)
        if area.top() <= y <= area.bottom():
            painter.setBrush(QColor(c.ink))
            painter.setPen(Qt.PenStyle.NoPen)
            painter.drawEllipse(QPointF(x, y), 3.5, 3.5)
        above = QRectF(area.left(), 0, area.width(), area.top() - 3)  # never over a curve
        painter.setPen(QColor(c.ink))
        painter.drawText(above, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, self.reading_text(reading))

    # ----------------------------------------------------------------------------------------------------------- cursor

    def reading(self) -> Reading | None:
        """Return what the cursor reads on the chosen pull."""
        curve = self.chosen_curve()
        if self.cursor_s is None or curve is None:
            return None
        shift = curve.shift_s(self.align)
        at = curve.at(self.cursor_s + shift)
        return None if at is None else Reading(at[0] - shift, at[1], at[2], curve.number)

    def reading_text(self, reading: Reading) -> str:
        """Return the cursor's reading in words: time, torque, rate."""
        factor = factor_nm(self.unit)
        when = f"{reading.time_s * 1000:+.1f} ms" if abs(reading.time_s) < 1 else f"{reading.time_s:+.3f} s"
        return (
            f"{when.replace('-', MINUS)}   {significant(reading.torque_nm / factor, 5)} {self.unit}   "
            f"{significant(reading.rate_nm_s / factor, 3)} {self.unit}/s"
        )

    def _set_cursor(self, time_s: float | None) -> None:
        self.cursor_s = time_s
        self._tell()

    def _tell(self) -> None:
        self.cursor_moved.emit(self.reading())

    # ----------------------------------------------------------------------------------------------- mouse and keyboard

    def zoom(self, factor: float, time_s: float | None = None, *, torque_only: bool = False) -> None:
        """Zoom by `factor` (> 1 comes nearer) around `time_s` (default: middle)."""
        start, end, low, high = self._view
        if torque_only:
            centre = (low + high) / 2
            half = (high - low) / 2 / factor
            self._view = (start, end, centre - half, centre + half)
        else:
            at = (start + end) / 2 if time_s is None else time_s
            width = max(0.002, min((end - start) / factor, 4 * (self._full[1] - self._full[0])))
            share = (at - start) / (end - start)
            self._view = (at - share * width, at + (1 - share) * width, low, high)
        self.update()

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Zoom around the pointer."""
        steps = (event.angleDelta().y() or event.angleDelta().x()) / 120
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        self.zoom(1.25**steps, self._time_at(event.position().x()), torque_only=shift)
        event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Begin to drag."""
        self._drag = (event.position(), self._view)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Choose what was clicked."""
        if self._drag is not None and (event.position() - self._drag[0]).manhattanLength() < 4:
            self._pick(event.position())
        self._drag = None

    def mouseDoubleClickEvent(self, _event: QMouseEvent) -> None:
        """Show everything again."""
        self.show_all()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Move what is dragged, or the cursor."""
        area = self._areas(self.size())[0]
        if self._drag is not None and event.buttons() & Qt.MouseButton.LeftButton:
            origin, (start, end, low, high) = self._drag
            moved = event.position() - origin
            dt = -moved.x() / area.width() * (end - start)
            dy = moved.y() / area.height() * (high - low)
            self._view = (start + dt, end + dt, low + dy, high + dy)
        else:
            self._set_cursor(self._time_at(event.position().x()))
        self.update()

    def leaveEvent(self, _event: object) -> None:
        """Forget the pointer."""
        self._set_cursor(None)
        self.update()

    def _pick(self, place: QPointF) -> None:
        """Choose the pull whose curve passes nearest to `place`."""
        area = self._areas(self.size())[0]
        time_s = self._time_at(place.x())
        best, best_distance = None, 24.0
        for curve in self.curves:
            at = curve.at(time_s + curve.shift_s(self.align))
            if at is not None and abs(self._y(area, at[1]) - place.y()) < best_distance:
                best, best_distance = curve.number, abs(self._y(area, at[1]) - place.y())
        if best is not None:
            self.choose(best)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Do everything by keyboard too."""
        key = event.key()
        start, end = self._view[:2]
        numbers = [curve.number for curve in self.curves]
        if key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self.zoom(1.5, self.cursor_s)
        elif key == Qt.Key.Key_Minus:
            self.zoom(1 / 1.5, self.cursor_s)
        elif key == Qt.Key.Key_0:
            self.show_all()
        elif key == Qt.Key.Key_C:
            self.show_click()
        elif key in (Qt.Key.Key_Left, Qt.Key.Key_Right):
            step = (end - start) / max(1.0, self._areas(self.size())[0].width())
            curve = self.chosen_curve()
            if curve is not None and len(curve.t_s) > 1:
                step = max(step, float(np.median(np.diff(curve.t_s))))
            fast = 10 if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 1
            here = 0.0 if self.cursor_s is None else self.cursor_s
            self._set_cursor(here + (step if key == Qt.Key.Key_Right else -step) * fast)
            self.update()
        elif key in (Qt.Key.Key_PageUp, Qt.Key.Key_PageDown) and numbers:
            index = numbers.index(self.chosen) if self.chosen in numbers else 0
            self.choose(numbers[(index + (1 if key == Qt.Key.Key_PageDown else -1)) % len(numbers)])
        else:
            super().keyPressEvent(event)

    # ----------------------------------------------------------------------------------------------------------- export

    def image(self, scale: float = 2.0, *, heading: Sequence[str] = ()) -> QImage:
        """Return the picture as it stands, `scale` times finer than the screen, under the lines of `heading`."""
        size = self._size_with(heading)
        image = QImage(QSize(round(size.width() * scale), round(size.height() * scale)), QImage.Format.Format_RGB32)
        image.fill(QColor(theme.palette().panel))
        image.setText("Description", " ".join(heading))
        painter = QPainter(image)
        painter.scale(scale, scale)
        self._draw_under(painter, heading)
        painter.end()
        return image

    def save_svg(self, path: str, heading: Sequence[str] = ()) -> None:
        """Write the picture as SVG under the lines of `heading`.

        Raises:
            OSError: The file cannot be written.
        """
        from PySide6.QtCore import QBuffer
        from PySide6.QtSvg import QSvgGenerator

        data = QByteArray()
        buffer = QBuffer(data)
        buffer.open(QBuffer.OpenModeFlag.WriteOnly)
        size = self._size_with(heading)
        generator = QSvgGenerator()
        generator.setOutputDevice(buffer)
        generator.setSize(size)
        generator.setViewBox(QRectF(0, 0, size.width(), size.height()))
        generator.setTitle(heading[0] if heading else "Pulls laid over each other")
        generator.setDescription(" ".join(heading[1:]))
        painter = QPainter(generator)
        self._draw_under(painter, heading)
        painter.end()
        with open(path, "wb") as file:
            file.write(bytes(data.data()))

    def _heading_rows(self, heading: Sequence[str]) -> list[tuple[QFont, str]]:
        """The lines of a heading, the first in bold, folded to the width of the picture."""
        rows: list[tuple[QFont, str]] = []
        for index, text in enumerate(heading):
            font = QFont(self.font())
            font.setBold(index == 0)
            metrics, row = QFontMetricsF(font), ""
            for word in text.split():
                longer = f"{row} {word}".strip()
                if row and metrics.horizontalAdvance(longer) > self.width() - 24:
                    rows.append((font, row))
                    longer = word
                row = longer
            if row:
                rows.append((font, row))
        return rows

    def _size_with(self, heading: Sequence[str]) -> QSize:
        rows = len(self._heading_rows(heading))
        above = math.ceil(rows * QFontMetricsF(self.font()).lineSpacing()) + 16 if rows else 0
        return QSize(self.width(), self.height() + above)

    def _draw_under(self, painter: QPainter, heading: Sequence[str]) -> None:
        size, line = self._size_with(heading), QFontMetricsF(self.font()).lineSpacing()
        painter.fillRect(QRectF(0, 0, size.width(), size.height()), QColor(theme.palette().panel))
        painter.setPen(QColor(theme.palette().ink))
        for index, (font, text) in enumerate(self._heading_rows(heading)):
            painter.setFont(font)
            painter.drawText(QPointF(12, 10 + index * line + QFontMetricsF(font).ascent()), text)
        painter.translate(0, size.height() - self.height())
        self.draw(painter, self.size())


def _between(one: str, other: str, share: float) -> QColor:
    """Return an opaque colour, `share` of the way from `one` to `other`."""
    a, b = QColor(one), QColor(other)
    pairs = ((a.red(), b.red()), (a.green(), b.green()), (a.blue(), b.blue()))
    return QColor(*(round(x + (y - x) * share) for x, y in pairs))


def polygon(x: FloatArray, y: FloatArray) -> QPolygonF:
    """Return a Qt polygon of the points without a Python object for each."""
    points = pgf.create_qpolygonf(len(x))
    memory = pgf.ndarray_from_qpolygonf(points)
    memory[:, 0] = x
    memory[:, 1] = y
    return points


def _draw_on_plate(painter: QPainter, at: QPointF, text: str) -> None:
    """Draw words on a plate of their own, so that no line of the picture goes through them."""
    metrics = QFontMetricsF(painter.font())
    plate = QRectF(
        at.x() - 2, at.y() - metrics.capHeight() - 3, metrics.horizontalAdvance(text) + 4, metrics.capHeight() + 6
    )
    ground = QColor(theme.palette().panel)
    ground.setAlpha(225)
    painter.fillRect(plate, ground)
    painter.drawText(at, text)
