"""A calibration as a picture: error of the reference with its uncertainty, the correction, and what it leaves."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from benchapp.metrology.reference import Calibration
from benchapp.torque.units import factor_nm
from benchapp.ui import theme
from benchapp.ui.references.model import ErrorCurve, error_curves
from benchapp.ui.ticks import ticks
from benchapp.ui.timechart import draw_percent_line

LEAST_LINES: Final = 0.95
"""From one label to the next, in lines of text."""


def percent_marks(reach: float, n_lines: float) -> list[tuple[float, int]]:
    """Return (mark, decimals of its label) from −reach to +reach percent, on a height of `n_lines` lines of text.

    Zero is one of them and so is one on each side; no two labels touch.

    >>> [mark for mark, _ in percent_marks(0.115, 3.2)]
    [-0.1, 0.0, 0.1]
    >>> [round(mark, 2) for mark, _ in percent_marks(0.19, 3.2)]
    [-0.15, 0.0, 0.15]
    """
    places, decimals = ticks(-reach, reach, max(2, int(n_lines / 1.6)))
    if len(places) < 3 or n_lines * (places[1] - places[0]) / (2 * reach) < LEAST_LINES:
        places, decimals = ticks(-reach, reach, 10)
        places = [places[0], 0.0, places[-1]]
    return [(place, decimals) for place in places]


class CalibrationPicture(QWidget):
    """Above: error in percent against torque, points with their U, the correction as a line. Below: residuals."""

    def __init__(self) -> None:
        super().__init__()
        self.setMinimumHeight(200)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName("error of the reference, its correction, and what the correction leaves")
        self.curves: list[ErrorCurve] = []
        self.unit = "N·m"
        self.empty = "No calibration points yet."

    def sizeHint(self) -> QSize:
        """Ask for room for two stripes."""
        return QSize(420, 280)

    def show_calibration(self, calibration: Calibration | None, unit: str) -> None:
        """Show a calibration (None: the picture says that there is none)."""
        self.curves = error_curves(calibration) if calibration is not None and calibration.points else []
        self.unit = unit
        self.update()

    def paintEvent(self, _event: object) -> None:
        """Draw both stripes."""
        c = theme.palette()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        metrics = QFontMetricsF(self.font())
        if not self.curves:
            painter.setPen(QColor(c.soft))
            painter.drawText(QRectF(self.rect()), Qt.AlignmentFlag.AlignCenter, self.empty)
            return
        line = metrics.height()
        left = metrics.horizontalAdvance("−0.000 %") + 8
        height = self.height() - line * (6.4 if len(self.curves) > 1 else 5.0)
        top = QRectF(left, line * 1.4, self.width() - left - 14, height * 0.62)
        below = QRectF(left, top.bottom() + line * 1.9, top.width(), height * 0.38)
        most = max(point[0] for curve in self.curves for point in curve.points) * 1.04
        reach = max(abs(e) + (u or 0.0) for curve in self.curves for _, e, u in (*curve.points, *curve.falling))
        rest = max((abs(r) for curve in self.curves for _, r in curve.residuals), default=0.0)
        painter.setPen(QColor(c.soft))
        painter.drawText(QPointF(left, line * 0.85), "error of the reference, points with their U, and the correction")
        painter.drawText(QPointF(left, below.top() - line * 0.45), "what the correction leaves")
        self._axes(painter, top, max(reach * 1.15, 0.01), most)
        self._axes(painter, below, max(rest * 1.4, 0.005), most, last=True)
        for index, curve in enumerate(self.curves):
            self._errors(painter, top, curve, max(reach * 1.15, 0.01), most, filled=index == 0)
            self._residuals(painter, below, curve, max(rest * 1.4, 0.005), most, filled=index == 0)
        self._legend(painter, line)

    def _place(self, area: QRectF, torque_nm: float, value: float, reach: float, most: float) -> QPointF:
        return QPointF(
            area.left() + torque_nm / most * area.width(), area.center().y() - value / reach * area.height() / 2
        )

    def _axes(self, painter: QPainter, area: QRectF, reach: float, most: float, *, last: bool = False) -> None:
        c = theme.palette()
        metrics = QFontMetricsF(self.font())
        for value, decimals in percent_marks(reach, area.height() / metrics.height()):
            y = self._place(area, 0, value, reach, most).y()
            draw_percent_line(painter, area, y, value, decimals)
        factor = factor_nm(self.unit)
        places, decimals = ticks(0, most / factor, max(2, int(area.width() / 90)))
        for value in places:
            x = area.left() + value * factor / most * area.width()
            painter.setPen(QPen(QColor(c.line), 1))
            painter.drawLine(QPointF(x, area.top()), QPointF(x, area.bottom()))
            if last:
                painter.setPen(QColor(c.soft))
                text = f"{value:.{decimals}f}" + (f" {self.unit}" if value == places[-1] else "")
                width = metrics.horizontalAdvance(text)
                at = min(x - width / 2, self.width() - width - 2)
                painter.drawText(QPointF(at, area.bottom() + metrics.height() * 1.05), text)

    def _shape(self, painter: QPainter, place: QPointF, *, filled: bool) -> None:
        c = theme.palette()
        painter.setPen(QPen(QColor(c.ink), 1.3))
        painter.setBrush(QColor(c.ink if filled else c.panel))
        painter.drawEllipse(place, 3.0, 3.0)

    def _errors(
        self, painter: QPainter, area: QRectF, curve: ErrorCurve, reach: float, most: float, *, filled: bool
    ) -> None:
        c = theme.palette()
        if curve.fitted:
            style = Qt.PenStyle.SolidLine if filled else Qt.PenStyle.DashLine
            painter.setPen(QPen(QColor(c.accent), 1.4, style))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawPolyline(QPolygonF([self._place(area, t, e, reach, most) for t, e in curve.fitted]))
        for torque, error, expanded in curve.points:
            if expanded is not None:
                painter.setPen(QPen(QColor(c.soft), 1))
                painter.drawLine(
                    self._place(area, torque, error - expanded, reach, most),
                    self._place(area, torque, error + expanded, reach, most),
                )
            self._shape(painter, self._place(area, torque, error, reach, most), filled=filled)
        for torque, error, _ in curve.falling:
            place = self._place(area, torque, error, reach, most)
            painter.setPen(QPen(QColor(c.soft), 1.2))
            painter.drawLine(place + QPointF(-3, -3), place + QPointF(3, 3))
            painter.drawLine(place + QPointF(-3, 3), place + QPointF(3, -3))

    def _residuals(
        self, painter: QPainter, area: QRectF, curve: ErrorCurve, reach: float, most: float, *, filled: bool
    ) -> None:
        for torque, rest in curve.residuals:
            place = self._place(area, torque, rest, reach, most)
            painter.setPen(QPen(QColor(theme.palette().soft), 1))
            painter.drawLine(self._place(area, torque, 0, reach, most), place)
            self._shape(painter, place, filled=filled)

    def _legend(self, painter: QPainter, line: float) -> None:
        if len(self.curves) < 2:
            return
        metrics = QFontMetricsF(self.font())
        x = float(self.width()) - 14
        for index in range(len(self.curves) - 1, -1, -1):
            name = self.curves[index].direction.value
            x -= metrics.horizontalAdvance(name)
            painter.setPen(QColor(theme.palette().soft))
            y = self.height() - line * 0.35
            painter.drawText(QPointF(x, y), name)
            self._shape(painter, QPointF(x - 9, y - metrics.capHeight() / 2), filled=index == 0)
            x -= 28
