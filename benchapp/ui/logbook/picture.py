"""The verdict as a picture: every reading as a dot against its limits, the mean with W' against the guard band.

Everything lies by what the tool delivered against what it says, so that right is above, as on the Bench.
"""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from benchapp.ui import theme
from benchapp.ui.format import MINUS
from benchapp.ui.logbook.model import CheckpointLine
from benchapp.ui.ticks import ticks
from benchapp.ui.verdict import figure_with, probability_text


class VerdictPicture(QWidget):
    """One stripe a checkpoint, the largest torque at the top as on the ladder."""

    def __init__(self) -> None:
        super().__init__()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumHeight(180)
        self.setAccessibleName("readings against their limits")
        self.lines: list[CheckpointLine] = []
        self.with_aside = True
        self.least_reach = 0.0

    def sizeHint(self) -> QSize:
        """Ask for room for the stripes."""
        return QSize(640, 120 + 90 * max(1, len(self.lines)))

    def show_lines(self, lines: Sequence[CheckpointLine]) -> None:
        """Show the checkpoints of a run."""
        self.lines = list(lines)
        self.setMinimumHeight(70 + 58 * max(1, len(self.lines)))
        self.updateGeometry()
        self.update()

    def set_with_aside(self, shown: bool) -> None:
        """Show or hide what was set aside."""
        self.with_aside = shown
        self.update()

    def paintEvent(self, _event: object) -> None:
        """Draw the stripes, the axis below, and the words beside."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        c = theme.palette()
        metrics = QFontMetricsF(self.font())
        if not self.lines:
            painter.setPen(QColor(c.soft))
            painter.drawText(QRectF(self.rect()), Qt.AlignmentFlag.AlignCenter, "No checkpoint was planned.")
            return
        line = metrics.height()
        left = max(metrics.horizontalAdvance(each.title) for each in self.lines) * 1.12 + 22
        right = metrics.horizontalAdvance("within limits with > 99.9 %  ") + 8
        foot = line * 2.6
        tall = min(self.height() - foot, line * 11 * len(self.lines))  # a lone checkpoint need not fill the page
        area = QRectF(left, 4, self.width() - left - right, tall)
        reach = self.reach()
        places, decimals = ticks(-reach, reach, max(4, int(area.width() / (metrics.averageCharWidth() * 11))))
        for value in places:
            x = self._x(area, value, reach)
            painter.setPen(QPen(QColor(c.rail if value == 0 else c.line), 1))
            painter.drawLine(QPointF(x, area.top()), QPointF(x, area.bottom()))
            painter.setPen(QColor(c.soft))
            text = f"{value:+.{decimals}f} %" if abs(value) > 1e-9 else "0 %"
            painter.drawText(
                QRectF(x - 50, area.bottom() + 3, 100, line), Qt.AlignmentFlag.AlignHCenter, text.replace("-", MINUS)
            )
        painter.drawText(
            QRectF(0, area.bottom() + 3 + line, self.width(), line),
            Qt.AlignmentFlag.AlignHCenter,
            self._legend(self.width()),
        )
        height = area.height() / len(self.lines)
        for index, each in enumerate(reversed(self.lines)):
            stripe = QRectF(area.left(), area.top() + index * height, area.width(), height)
            self._stripe(painter, stripe.adjusted(0, 5, 0, -5), each, reach, left, right)

    def _legend(self, room: float) -> str:
        """Return what the signs mean; the short form where the long one would be cut."""
        judged = [line.judgement for line in self.lines if line.judgement is not None]
        aside = self.with_aside and any(line.aside for line in self.lines)
        guarded = any(j.guard_band_percent > 0 for j in judged)
        parts = ["● reading", "× set aside" if aside else "", "", "┆ guard band" if guarded else ""]
        long = [*parts]
        parts[2] = "◇ mean, to W'" if judged else ""
        long[2] = "◇ mean with its uncertainty, ending at W'" if judged else ""
        said = "   ".join(["delivered against what it says", *filter(None, long)])
        if QFontMetricsF(self.font()).horizontalAdvance(said) <= room:
            return said
        return "   ".join(filter(None, parts))

    def reach(self) -> float:
        """Return how far the axis goes to either side, percent; `least_reach` makes two pictures agree."""
        reach = self.least_reach
        for line in self.lines:
            values = [line.delivered(v) for v in (*line.counted, *(line.aside if self.with_aside else ()))]
            reach = max([reach, line.limit_percent * 1.3, *(abs(value) * 1.1 for value in values)])
            if line.judgement is not None:
                reach = max(reach, min(line.judgement.interval_percent * 1.05, line.limit_percent * 2.5))
        return reach or 1.0

    def _x(self, area: QRectF, value: float, reach: float) -> float:
        return area.center().x() + value / reach * area.width() / 2

    def _stripe(
        self, painter: QPainter, area: QRectF, line: CheckpointLine, reach: float, left: float, right: float
    ) -> None:
        c = theme.palette()
        metrics = QFontMetricsF(self.font())
        limits = sorted(line.delivered(sign * line.limit_percent) for sign in (-1, 1))
        for limit, far, hatch in (
            (limits[0], area.left(), theme.outside("low")),
            (limits[1], area.right(), theme.outside("high")),
        ):
            edge = self._x(area, limit, reach)
            painter.fillRect(QRectF(min(edge, far), area.top(), abs(far - edge), area.height()), hatch)
            painter.setPen(QPen(QColor(c.ink), 1.6))
            painter.drawLine(QPointF(edge, area.top()), QPointF(edge, area.bottom()))
        judged = line.judgement
        if judged is not None and judged.guard_band_percent > 0:
            painter.setPen(QPen(QColor(c.ink), 1.2, Qt.PenStyle.DashLine))
            for sign in (1, -1):
                x = self._x(area, line.delivered(sign * (line.limit_percent - judged.guard_band_percent)), reach)
                painter.drawLine(QPointF(x, area.top()), QPointF(x, area.bottom()))
        upper, lower = area.top() + area.height() * 0.32, area.top() + area.height() * 0.7
        self._dots(painter, area, line, reach, upper)
        if judged is not None:
            mean = judged.mean_deviation_percent
            half = judged.interval_percent - abs(mean)
            x = self._x(area, line.delivered(mean), reach)
            a, b = sorted(self._x(area, line.delivered(mean + sign * half), reach) for sign in (-1, 1))
            a, b = max(area.left(), a), min(area.right(), b)
            painter.setPen(QPen(QColor(c.accent), 3))
            painter.drawLine(QPointF(a, lower), QPointF(b, lower))
            for end in (a, b):
                painter.drawLine(QPointF(end, lower - 4), QPointF(end, lower + 4))
            painter.setBrush(QColor(c.panel))
            painter.setPen(QPen(QColor(c.accent), 2))
            painter.save()
            painter.translate(x, lower)
            painter.rotate(45)
            painter.drawRect(QRectF(-4.5, -4.5, 9, 9))
            painter.restore()
        painter.setPen(QColor(c.ink))
        bold = QFont(self.font())
        bold.setBold(True)
        painter.setFont(bold)
        painter.drawText(
            QRectF(0, area.top(), left - 14, area.height()),
            Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
            line.title,
        )
        painter.setFont(self.font())
        box = QRectF(area.right() + 12, area.center().y() - metrics.height(), right - 12, metrics.height() * 2)
        if judged is None:
            painter.setPen(QColor(c.soft))
            painter.drawText(
                box.adjusted(0, -8, 0, 8),
                int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter) | int(Qt.TextFlag.TextWordWrap),
                line.refused or f"{len(line.counted)} of {line.wanted} readings",
            )
            return
        said = figure_with(judged.mean_deviation_percent, judged.budget.expanded, signed=True)
        painter.drawText(box, Qt.AlignmentFlag.AlignTop, f"mean deviation {said}")
        painter.setPen(QColor(c.soft))
        chance = "probability not stated"
        if judged.probability is not None:
            chance = f"within limits with {probability_text(judged.probability)}"
        painter.drawText(box, Qt.AlignmentFlag.AlignBottom, chance)

    def _dots(self, painter: QPainter, area: QRectF, line: CheckpointLine, reach: float, y: float) -> None:
        c = theme.palette()
        taken: list[float] = []

        def place(value: float) -> QPointF:
            x = self._x(area, line.delivered(value), reach)
            x = min(max(x, area.left() + 5), area.right() - 5)
            rows = sum(abs(x - other) < 10 for other in taken)
            taken.append(x)
            return QPointF(x, y - (rows % 3) * 8 + 4)

        for value in line.counted:
            at = place(value)
            outside = abs(value) > line.limit_percent
            above = line.delivered(value) > 0
            painter.setPen(QPen(QColor(c.ink), 1.4))
            painter.setBrush(QColor((c.high if above else c.low) if outside else c.ink))
            painter.drawEllipse(at, 4.6, 4.6)
        if self.with_aside:
            for value in line.aside:
                at = place(value)
                painter.setPen(QPen(QColor(c.soft), 1.6))
                painter.drawLine(at + QPointF(-4, -4), at + QPointF(4, 4))
                painter.drawLine(at + QPointF(-4, 4), at + QPointF(4, -4))
