"""Curves laid over each other, painted: into the window, an image or an SVG, in whatever colours are asked for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import pyqtgraph.functions as pgf
from PySide6.QtCore import QLineF, QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen, QPolygonF, QStaticText

from benchapp.pulls.pull import Flag
from benchapp.torque.units import factor_nm
from benchapp.ui import words
from benchapp.ui.curves.overlay import Align, Curve, Level, points, slope_window_s
from benchapp.ui.format import MINUS, significant
from benchapp.ui.theme import Palette, outside
from benchapp.ui.ticks import ticks
from drivers.samples import FloatArray

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

    def text(self, unit: str) -> str:
        """Return it in words: time, torque, rate."""
        factor = factor_nm(unit)
        when = f"{self.time_s * 1000:+.1f} ms" if abs(self.time_s) < 1 else f"{self.time_s:+.3f} s"
        return (
            f"{when.replace('-', MINUS)}   {significant(self.torque_nm / factor, 5)} {unit}   "
            f"{significant(self.rate_nm_s / factor, 3)} {unit}/s"
        )


@dataclass(frozen=True, slots=True)
class Shown:
    """What a picture shows.

    Attributes:
        curves: In drawing order.
        chosen: Number of the pull that stands out.
        align: Where the curves meet.
        corridor: Around the target; None: there is none.
        unit: Of torque.
        rate: The rate of change is shown below.
        view: (first time, last time, lowest, highest torque), seconds on the aligned axis and N·m.
    """

    curves: tuple[Curve, ...] = ()
    chosen: int = 0
    align: Align = Align.CLICK
    corridor: Corridor | None = None
    unit: str = "N·m"
    rate: bool = True
    view: tuple[float, float, float, float] = (-1.0, 1.0, 0.0, 1.0)

    def chosen_curve(self) -> Curve | None:
        """Return the curve that stands out."""
        return next((curve for curve in self.curves if curve.number == self.chosen), None)


@dataclass(frozen=True)
class Drawing:
    """What is shown at a size, in a font and in colours. Two that are equal look alike."""

    shown: Shown
    size: QSize
    font: QFont
    colours: Palette

    # ---------------------------------------------------------------------------------------------------------- places

    @cached_property
    def metrics(self) -> QFontMetricsF:
        """Of the font."""
        return QFontMetricsF(self.font)

    @cached_property
    def areas(self) -> tuple[QRectF, QRectF | None]:
        """Where torque stands, and the rate below it if there is room."""
        line = self.metrics.height()
        left = self.metrics.horizontalAdvance("−0000.00") + 10
        above, foot = line * 1.45, line * 2.0 + 6  # the cursor's words; marks of the time and from where they count
        whole = QRectF(left, above, self.size.width() - left - 12, self.size.height() - above - foot)
        if not self.shown.rate or whole.height() < 200:
            return whole, None
        below = max(70.0, whole.height() * 0.26)
        gap = line * 1.5
        top = QRectF(whole.left(), whole.top(), whole.width(), whole.height() - below - gap)
        return top, QRectF(whole.left(), whole.bottom() - below, whole.width(), below)

    def x(self, time_s: float) -> float:
        """Return where a time of the aligned axis stands."""
        area, (start, end) = self.areas[0], self.shown.view[:2]
        return area.left() + (time_s - start) / (end - start) * area.width()

    def y(self, torque_nm: float) -> float:
        """Return where a torque stands."""
        area, (low, high) = self.areas[0], self.shown.view[2:]
        return area.bottom() - (torque_nm - low) / (high - low) * area.height()

    def time_at(self, x: float) -> float:
        """Return the time of the aligned axis that stands at `x`."""
        area, (start, end) = self.areas[0], self.shown.view[:2]
        return start + (x - area.left()) / area.width() * (end - start)

    # --------------------------------------------------------------------------------------------------------- painting

    def paint(self, painter: QPainter) -> None:
        """Draw everything but the cursor."""
        area, below = self.areas
        whole = QRectF(0, 0, self.size.width(), self.size.height())
        painter.setFont(self.font)
        painter.setClipRect(whole)  # cuts nothing; Qt draws lines two to three times as fast inside a rectangle
        painter.fillRect(whole, QColor(self.colours.panel))
        self._flag_spans(painter)
        self._corridor(painter)
        self._axes(painter)
        painter.save()
        painter.setClipRect(area)
        self._curves(painter)
        painter.restore()
        self._marks(painter)
        if below is not None:
            self._rate(painter, below)
        if not self.shown.curves:
            painter.setPen(QColor(self.colours.soft))
            painter.drawText(area, Qt.AlignmentFlag.AlignCenter, "No pull to show")

    def paint_cursor(self, painter: QPainter, reading: Reading | None) -> None:
        """Draw the cursor over it."""
        area, below = self.areas
        if reading is None or not area.left() <= (x := self.x(reading.time_s)) <= area.right():
            return
        ink = QColor(self.colours.ink)
        painter.setFont(self.font)
        painter.setPen(QPen(ink, 1, Qt.PenStyle.DotLine))
        painter.drawLine(QPointF(x, area.top()), QPointF(x, (below or area).bottom()))
        y = self.y(reading.torque_nm)
        if area.top() <= y <= area.bottom():
            painter.setBrush(ink)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.drawEllipse(QPointF(x, y), 3.5, 3.5)
        above = QRectF(area.left(), 0, area.width(), area.top() - 3)  # never over a curve
        painter.setPen(ink)
        right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        painter.drawText(above, right, reading.text(self.shown.unit))

    def _corridor(self, painter: QPainter) -> None:
        band, area, c = self.shown.corridor, self.areas[0], self.colours
        if band is None:
            return
        painter.save()
        painter.setClipRect(area)
        reach = (band.high_nm - band.low_nm) * 1.2
        cap = self.metrics.capHeight()
        for edge, far, colour, hatch, word in (
            (band.high_nm, band.high_nm + reach, c.high, outside("high", colours=c), "HIGH"),
            (band.low_nm, band.low_nm - reach, c.low, outside("low", colours=c), "LOW"),
        ):
            y1, y2 = self.y(edge), self.y(far)
            strip = QRectF(area.left(), min(y1, y2), area.width(), abs(y2 - y1))
            painter.fillRect(strip, hatch)
            painter.setPen(QPen(QColor(c.ink), 1.4))
            painter.drawLine(QPointF(area.left(), y1), QPointF(area.right(), y1))
            if strip.height() > cap + 4:
                at = QPointF(area.left() + 6, y1 - 4 if word == "HIGH" else y1 + cap + 6)
                painter.setPen(QColor(colour))
                self._plate(painter, at, word, bold=True)
        painter.setPen(QPen(QColor(c.soft), 1, Qt.PenStyle.DashLine))
        y = self.y(band.target_nm)
        painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
        painter.restore()

    @cached_property
    def _bold(self) -> QFont:
        bold = QFont(self.font)
        bold.setBold(True)
        return bold

    def _axes(self, painter: QPainter) -> None:
        (area, below), c, line_height = self.areas, self.colours, self.metrics.height()
        start, end, low, high = self.shown.view
        factor = factor_nm(self.shown.unit)
        line, soft, rail = QPen(QColor(c.line), 1), QPen(QColor(c.soft)), QPen(QColor(c.rail), 1)
        n_wanted = max(2, int(area.height() / (line_height * 2.8)))
        figures, decimals = ticks(low / factor, high / factor, n_wanted)
        in_ms = end - start < 0.5
        scale = 1000.0 if in_ms else 1.0
        n_wanted = max(3, int(area.width() / (self.metrics.averageCharWidth() * 14)))
        times, time_decimals = ticks(start * scale, end * scale, n_wanted)
        across = [(self.y(value * factor), f"{value:.{decimals}f}") for value in figures]
        along = [(self.x(value / scale), value) for value in times]
        foot = below if below is not None else area
        lines = [QLineF(area.left(), y, area.right(), y) for y, _ in across]
        for each in (area, below):
            if each is not None:
                lines += [QLineF(x, each.top(), x, each.bottom()) for x, _ in along]
        if end - start < MS_MARKED_S:
            painter.setPen(rail)
            each_ms = [self.x(ms / 1000) for ms in range(math.ceil(start * 1000), math.floor(end * 1000) + 1)]
            painter.drawLines([QLineF(x, foot.bottom() - 4, x, foot.bottom()) for x in each_ms])
        painter.setPen(line)
        painter.drawLines(lines)
        painter.setPen(soft)
        for y, figure in across:
            self._beside(painter, y, figure)
        unit, width, _ = self._laid_out(self.shown.unit)
        painter.drawStaticText(QPointF(area.left() - 8 - width, area.top() - line_height * 0.95), unit)
        for x, value in along:
            sign = "+" if value > 0 and self.shown.align is not Align.START else ""
            suffix = (" ms" if in_ms else " s") if abs(value) < 1e-12 or value == times[-1] else ""
            text, width, _ = self._laid_out(f"{sign}{value:.{time_decimals}f}{suffix}")
            left = min(max(x - width / 2, 0.0), area.right() + 11 - width)
            painter.drawStaticText(QPointF(left, foot.bottom() + 3), text)
        text, width, _ = self._laid_out(ALIGN_WORDS[self.shown.align])
        painter.drawStaticText(QPointF(area.center().x() - width / 2, foot.bottom() + 2 + line_height), text)
        painter.setPen(rail)
        painter.drawRect(area)

    def _beside(self, painter: QPainter, y: float, figure: str) -> None:
        """A figure left of the area, in the middle of `y`."""
        text, width, height = self._laid_out(figure)
        painter.drawStaticText(QPointF(self.areas[0].left() - 8 - width, y - height / 2), text)

    def _laid_out(self, text: str, *, bold: bool = False) -> tuple[QStaticText, float, float]:
        return _laid_out(text.replace("-", MINUS), self._keys[bold])

    @cached_property
    def _keys(self) -> tuple[str, str]:
        return self.font.toString(), self._bold.toString()

    def _curves(self, painter: QPainter) -> None:
        c, limits = self.colours, self.shown.view[2:]
        quiet, aside = _between(c.soft, c.panel, 0.45), _between(c.accent, c.panel, 0.5)
        for curve in self.shown.curves:
            if curve.number != self.shown.chosen:
                line = self._line(self.areas[0], curve, curve.levels, limits)
                _stroke(painter, quiet if curve.counts else aside, line)
        chosen = self.shown.chosen_curve()
        if chosen is None:
            return
        line = self._line(self.areas[0], chosen, chosen.levels, limits)
        _stroke(painter, QColor(c.ink), line)
        if line.size() < self.areas[0].width() / 5:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(c.ink))
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            for point in line.toList():
                painter.drawEllipse(point, 2.2, 2.2)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, on=False)

    def _line(self, area: QRectF, curve: Curve, levels: tuple[Level, ...], limits: tuple[float, ...]) -> QPolygonF:
        """The part of a curve that is in view, as it lies in `area` between two values."""
        return self._laid(area, curve, self._part(area, curve, levels), limits)

    def _part(self, area: QRectF, curve: Curve, levels: tuple[Level, ...]) -> tuple[FloatArray, FloatArray]:
        shift = curve.shift_s(self.shown.align)
        start, end = self.shown.view[:2]
        return points(levels, start + shift, end + shift, max(1, int(area.width())))

    def _laid(
        self, area: QRectF, curve: Curve, part: tuple[FloatArray, FloatArray], limits: tuple[float, ...]
    ) -> QPolygonF:
        (start, end), (low, high) = self.shown.view[:2], limits
        x_scale, y_scale = area.width() / (end - start), -area.height() / (high - low)
        x_at_0 = area.left() - (start + curve.shift_s(self.shown.align)) * x_scale
        return polygon(*part, (x_scale, x_at_0), (y_scale, area.bottom() - low * y_scale))

    def _rate(self, painter: QPainter, area: QRectF) -> None:
        c, curve, line_height = self.colours, self.shown.chosen_curve(), self.metrics.height()
        rail = QPen(QColor(c.rail), 1)
        painter.setPen(rail)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(area)
        unit = self.shown.unit
        factor = factor_nm(unit)
        painter.setPen(QColor(c.soft))
        painter.drawText(
            QRectF(area.left() + 6, area.top() - line_height * 1.15, area.width(), line_height),
            Qt.AlignmentFlag.AlignLeft,
            f"rate of change, {unit} per second" + (f", pull {curve.number}, {rate_words(curve)}" if curve else ""),
        )
        if curve is None:
            return
        part = self._part(area, curve, curve.rate_levels)
        values = part[1]
        if not len(values):
            return
        low, high = min(0.0, float(values.min())), max(0.0, float(values.max()))
        if high - low < 1e-9:
            high = low + 1.0
        air = (high - low) * 0.08
        low, high = low - air, high + air
        places, decimals = ticks(low / factor, high / factor, max(2, int(area.height() / (line_height * 1.7))))
        across = [(area.bottom() - (value * factor - low) / (high - low) * area.height(), value) for value in places]
        for zero, pen in ((False, QPen(QColor(c.line), 1)), (True, rail)):
            painter.setPen(pen)
            painter.drawLines([QLineF(area.left(), y, area.right(), y) for y, value in across if (value == 0) == zero])
        painter.setPen(QColor(c.soft))
        for y, value in across:
            self._beside(painter, y, f"{value:.{decimals}f}")
        painter.save()
        painter.setClipRect(area)
        _stroke(painter, QColor(c.accent), self._laid(area, curve, part, (low, high)))
        painter.restore()

    def _flag_spans(self, painter: QPainter) -> None:
        curve, area = self.shown.chosen_curve(), self.areas[0]
        if curve is None or curve.pull is None:
            return
        accent = QColor(self.colours.accent)
        shift = curve.shift_s(self.shown.align)
        taken: list[tuple[float, float, int]] = []
        for noticed in curve.pull.noticed:
            if noticed.start_s is None or noticed.flag is Flag.ZERO_OFF:
                continue
            end = noticed.end_s if noticed.end_s is not None else noticed.start_s
            left, right = self.x(noticed.start_s - shift), self.x(end - shift)
            if right < area.left() or left > area.right():
                continue
            left, right = max(area.left(), left - 1), min(area.right(), right + 1)
            ground = QColor(accent)
            ground.setAlpha(38)
            painter.fillRect(QRectF(left, area.top(), right - left, area.height()), ground)
            painter.setPen(QPen(accent, 2))
            painter.drawLine(QPointF(left, area.top() + 1), QPointF(right, area.top() + 1))
            text = words.FLAG_NAMES[noticed.flag]
            width = self.metrics.horizontalAdvance(text)
            at = min(left + 3, area.right() - width - 4)
            row = 0
            while any(r == row and at < b and at + width > a for a, b, r in taken):
                row += 1
            taken.append((at, at + width + 8, row))
            painter.setPen(accent)
            self._plate(painter, QPointF(at, area.top() + self.metrics.height() * (row + 1)), text)

    def _marks(self, painter: QPainter) -> None:
        area, c = self.areas[0], self.colours
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        ground, quiet = QColor(c.panel), QPen(QColor(c.soft), 1.2)
        reach = area.adjusted(-1, -1, 1, 1)
        painter.setBrush(ground)
        painter.setPen(quiet)
        for curve in self.shown.curves:
            pull = curve.pull
            if pull is None or pull.reading is None or pull.reading_time_s is None:
                continue
            place = QPointF(self.x(pull.reading_time_s - curve.shift_s(self.shown.align)), self.y(pull.reading))
            if not reach.contains(place):
                continue
            if curve.number != self.shown.chosen:
                painter.drawEllipse(place, 3.5, 3.5)
                continue
            painter.setPen(QPen(QColor(c.accent), 2.2))
            painter.drawEllipse(place, 5.5, 5.5)
            text = words.MARK_NAMES["click" if pull.first_peak is not None else "reading"]
            x = place.x() - self._laid_out(text, bold=True)[1] - 12
            y = max(area.top() + self.metrics.height() * 2, place.y() - 8)
            is_near = self.shown.view[1] - self.shown.view[0] < MS_MARKED_S
            if x < area.left() + 4 or is_near:  # what comes before the click is looked at
                x = place.x() + 12
            painter.setPen(QColor(c.accent))
            self._plate(painter, QPointF(x, y), text, bold=True)
            painter.setPen(quiet)
        self._other_marks(painter)
        painter.restore()

    def _other_marks(self, painter: QPainter) -> None:
        chosen = self.shown.chosen_curve()
        if chosen is None or chosen.pull is None:
            return
        shift = chosen.shift_s(self.shown.align)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(QColor(self.colours.soft), 1.4))
        for mark in chosen.pull.marks:
            name = words.MARK_NAMES.get(mark.name)
            place = QPointF(self.x(mark.time_s - shift), self.y(mark.torque))
            if name is None or mark.name in ("click", "reading") or not self.areas[0].contains(place):
                continue
            painter.drawRect(QRectF(place.x() - 3, place.y() - 3, 6, 6))
            self._plate(painter, QPointF(place.x() + 9, place.y() + self.metrics.capHeight() + 5), name)

    def _plate(self, painter: QPainter, at: QPointF, text: str, *, bold: bool = False) -> None:
        """Words on a plate of their own, so that no line of the picture goes through them."""
        words, width, _ = self._laid_out(text, bold=bold)
        metrics = QFontMetricsF(self._bold) if bold else self.metrics
        cap = metrics.capHeight()
        ground = QColor(self.colours.panel)
        ground.setAlpha(225)
        painter.fillRect(QRectF(at.x() - 2, at.y() - cap - 3, width + 4, cap + 6), ground)
        painter.setFont(self._bold if bold else self.font)
        painter.drawStaticText(QPointF(at.x(), at.y() - metrics.ascent()), words)
        painter.setFont(self.font)


def rate_words(curve: Curve) -> str:
    """Return how the rate of a curve is told: "over 5 ms"."""
    return f"over {slope_window_s(curve.t_s) * 1000:.3g} ms"


def _stroke(painter: QPainter, colour: QColor, line: QPolygonF) -> None:
    """Draw a curve a pixel wide, several on a finer device.

    A pen wider than a pixel of the device makes Qt outline every segment and fill that: ten curves took ten times as
    long on a screen scaled to 150 %, thirty times with noise. So the line of one pixel is drawn again beneath itself.
    """
    ratio = painter.device().devicePixelRatio() * painter.transform().m11()
    pen = QPen(colour, 1)
    pen.setCosmetic(ratio != 1)
    painter.setPen(pen)
    painter.drawPolyline(line)
    for _ in range(1, round(ratio)):
        painter.translate(0, 1 / ratio)
        painter.drawPolyline(line)
    painter.translate(0, -max(0, round(ratio) - 1) / ratio)


@lru_cache(maxsize=512)
def _laid_out(text: str, font: str) -> tuple[QStaticText, float, float]:
    """Words with their width and height: the same few are drawn again and again, laying them out is half the cost."""
    made, wanted = QStaticText(text), QFont()
    made.setTextFormat(Qt.TextFormat.PlainText)
    wanted.fromString(font)
    made.prepare(font=wanted)
    return made, made.size().width(), made.size().height()


@lru_cache(maxsize=16)
def _between(one: str, other: str, share: float) -> QColor:
    """Return an opaque colour, `share` of the way from `one` to `other`."""
    a, b = QColor(one), QColor(other)
    pairs = ((a.red(), b.red()), (a.green(), b.green()), (a.blue(), b.blue()))
    return QColor(*(round(x + (y - x) * share) for x, y in pairs))


def polygon(
    x: FloatArray, y: FloatArray, x_line: tuple[float, float] = (1.0, 0.0), y_line: tuple[float, float] = (1.0, 0.0)
) -> QPolygonF:
    """Return a Qt polygon of the points (a·x + b, c·y + d) without a Python object for each; (a, b), (c, d) lines."""
    made = pgf.create_qpolygonf(len(x))
    if len(x):
        memory = pgf.ndarray_from_qpolygonf(made)
        for column, values, (factor, offset) in ((memory[:, 0], x, x_line), (memory[:, 1], y, y_line)):
            np.multiply(values, factor, out=column)
            column += offset
    return made
