"""The picture of pulls laid over each other: drawn by hand, so that ten pulls at 10 kHz stay quick under the mouse.

Torque above, its rate of change below, one cursor through both. Mouse: wheel zooms around the pointer (Shift: torque
only), dragging moves, a double click shows everything again. Keys: + and − zoom, arrows move the cursor, C goes near
the click, 0 shows everything, Page up and down choose the pull.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from PySide6.QtCore import QByteArray, QPointF, QRect, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QImage,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from benchapp.ui import theme
from benchapp.ui.curves.drawing import Corridor, Drawing, Reading, Shown
from benchapp.ui.curves.overlay import Align, Curve, span

NEAR_CLICK_S = 0.03
"""Half the width of the view of one click from near."""

LEAST_SHARE = 1e-5
"""Least height of a view, as a share of everything: about what a double figure of a sample still tells."""

PAPER = theme.LIGHT
"""Colours of what is saved: it goes into letters and onto paper, whatever the window looks like."""


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
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self._standing: tuple[Drawing, float, QPixmap] | None = None
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

    # ---------------------------------------------------------------------------------------------------------- drawing

    def drawing(self, colours: theme.Palette | None = None) -> Drawing:
        """Return the picture as it stands, in the window's colours or others."""
        shown = Shown(self.curves, self.chosen, self.align, self.corridor, self.unit, self.show_rate, self._view)
        return Drawing(shown, self.size(), self.font(), colours or theme.palette())

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Draw what has changed: while only the cursor moves, the rest stands as it was drawn."""
        painter = QPainter(self)
        drawing = self.drawing()
        painter.drawPixmap(0, 0, self._drawn(drawing))
        drawing.paint_cursor(painter, self.reading())
        if self.hasFocus():
            painter.setPen(QPen(QColor(drawing.colours.accent), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(drawing.areas[0])
        painter.end()

    def _drawn(self, drawing: Drawing) -> QPixmap:
        ratio = self.devicePixelRatioF()
        if self._standing is None or self._standing[:2] != (drawing, ratio):
            pixmap = QPixmap(math.ceil(self.width() * ratio), math.ceil(self.height() * ratio))
            pixmap.setDevicePixelRatio(ratio)
            painter = QPainter(pixmap)
            drawing.paint(painter)
            painter.end()
            self._standing = (drawing, ratio, pixmap)
        return self._standing[2]

    # ----------------------------------------------------------------------------------------------------------- cursor

    def reading(self) -> Reading | None:
        """Return what the cursor reads on the chosen pull."""
        curve = self.chosen_curve()
        if self.cursor_s is None or curve is None:
            return None
        shift = curve.shift_s(self.align)
        at = curve.at(self.cursor_s + shift)
        return None if at is None else Reading(at[0] - shift, at[1], at[2], curve.number)

    def _set_cursor(self, time_s: float | None) -> None:
        before = self.reading()
        self.cursor_s = time_s
        self._tell()
        drawing = self.drawing()
        for reading in (before, self.reading()):
            if reading is not None:  # its line and its words; nothing else is drawn again
                self.update(QRect(round(drawing.x(reading.time_s)) - 6, 0, 13, self.height()))
                self.update(QRect(0, 0, self.width(), math.ceil(drawing.areas[0].top())))

    def _tell(self) -> None:
        self.cursor_moved.emit(self.reading())

    # ----------------------------------------------------------------------------------------------- mouse and keyboard

    def zoom(self, factor: float, time_s: float | None = None, *, torque_only: bool = False) -> None:
        """Zoom by `factor` (> 1 comes nearer) around `time_s` (default: middle)."""
        start, end, low, high = self._view
        if torque_only:
            everything = self._full[3] - self._full[2]
            centre = (low + high) / 2
            half = min(max((high - low) / factor, LEAST_SHARE * everything), 4 * everything) / 2
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
        self.zoom(1.25**steps, self.drawing().time_at(event.position().x()), torque_only=shift)
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
        drawing = self.drawing()
        if self._drag is not None and event.buttons() & Qt.MouseButton.LeftButton:
            origin, (start, end, low, high) = self._drag
            moved = event.position() - origin
            dt = -moved.x() / drawing.areas[0].width() * (end - start)
            dy = moved.y() / drawing.areas[0].height() * (high - low)
            self._view = (start + dt, end + dt, low + dy, high + dy)
            self.update()
        else:
            self._set_cursor(drawing.time_at(event.position().x()))

    def leaveEvent(self, _event: object) -> None:
        """Forget the pointer."""
        self._set_cursor(None)

    def _pick(self, place: QPointF) -> None:
        """Choose the pull whose curve passes nearest to `place`."""
        drawing = self.drawing()
        time_s = drawing.time_at(place.x())
        best, best_distance = None, 24.0
        for curve in self.curves:
            index = curve.index_at(time_s + curve.shift_s(self.align))
            if index is None:
                continue
            distance = abs(drawing.y(float(curve.torque_nm[index])) - place.y())
            if distance < best_distance:
                best, best_distance = curve.number, distance
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
            step = (end - start) / max(1.0, self.drawing().areas[0].width())
            curve = self.chosen_curve()
            if curve is not None and len(curve.t_s) > 1:
                step = max(step, float(np.median(np.diff(curve.t_s))))
            fast = 10 if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 1
            here = self.cursor_s
            if here is None or not start <= here <= end:  # a cursor nobody sees begins anew where it is seen
                here = 0.0 if start <= 0.0 <= end else (start + end) / 2
            self._set_cursor(here + (step if key == Qt.Key.Key_Right else -step) * fast)
        elif key in (Qt.Key.Key_PageUp, Qt.Key.Key_PageDown) and numbers:
            index = numbers.index(self.chosen) if self.chosen in numbers else 0
            self.choose(numbers[(index + (1 if key == Qt.Key.Key_PageDown else -1)) % len(numbers)])
        else:
            super().keyPressEvent(event)

    # ----------------------------------------------------------------------------------------------------------- export

    def image(self, scale: float = 2.0, *, heading: Sequence[str] = ()) -> QImage:
        """Return the picture as it stands, on paper, `scale` times finer than the screen, under lines of `heading`."""
        size = self._size_with(heading)
        image = QImage(QSize(round(size.width() * scale), round(size.height() * scale)), QImage.Format.Format_RGB32)
        image.setText("Description", " ".join(heading))
        painter = QPainter(image)
        painter.scale(scale, scale)
        self._draw_under(painter, heading)
        painter.end()
        return image

    def save_svg(self, path: str, heading: Sequence[str] = ()) -> None:
        """Write the picture as it stands, on paper, as SVG under the lines of `heading`.

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
        painter.fillRect(QRectF(0, 0, size.width(), size.height()), QColor(PAPER.panel))
        painter.setPen(QColor(PAPER.ink))
        for index, (font, text) in enumerate(self._heading_rows(heading)):
            painter.setFont(font)
            painter.drawText(QPointF(12, 10 + index * line + QFontMetricsF(font).ascent()), text)
        painter.translate(0, size.height() - self.height())
        drawing = self.drawing(PAPER)
        drawing.paint(painter)
        drawing.paint_cursor(painter, self.reading())
