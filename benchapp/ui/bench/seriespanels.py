"""The painted panels of a guided series: its positions with their pulls and means, and the last pull."""

from __future__ import annotations

import math

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen
from PySide6.QtWidgets import QWidget

from benchapp.runs.influences import Series, contribution_percent
from benchapp.ui import theme, words
from benchapp.ui.format import significant
from benchapp.ui.painted import Painted
from benchapp.ui.theme import draw_fitted, font_of_cap


class SeriesTable(Painted):
    """A row for each position: its name, a dot for each pull that counts, the mean."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.series: Series | None = None
        self.capacity_nm: float | None = None

    def show_series(self, series: Series, capacity_nm: float | None) -> None:
        """Show it as it stands, to the digits that a reference of this capacity resolves."""
        self.series, self.capacity_nm = series, capacity_nm
        done = [f"{name}, {len(series.readings(i))} of {series.kind.n_readings}" for i, name in self._rows(series)]
        self.setAccessibleName("; ".join(done))
        self.update()

    @staticmethod
    def _rows(series: Series) -> list[tuple[int, str]]:
        return list(enumerate(series.kind.positions))

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Rows of equal height; the one under way has a bar at its left."""
        s, colours, series = self.sizes, theme.palette(), self.series
        theme.draw_panel(painter, box, s.radius)
        if series is None:
            return
        inner = box.adjusted(s.pad, s.pad * 0.6, -s.pad, -s.pad * 0.6)
        foot_h = s.lead * 3.4
        row_h = min((inner.height() - foot_h) / len(series.kind.positions), s.lead * 6.5)
        for i, name in self._rows(series):
            self._row(painter, QRectF(inner.left(), inner.top() + i * row_h, inner.width(), row_h), series, i, name)
        foot = QRectF(inner.left(), inner.bottom() - foot_h, inner.width(), foot_h)
        painter.setPen(QPen(QColor(colours.line), 1))
        painter.drawLine(foot.topLeft(), foot.topRight())
        painter.setPen(QColor(colours.ink))
        draw_fitted(painter, foot, self.foot(series), font_of_cap(s.lead), least=0.6)

    def foot(self, series: Series) -> str:
        """What the positions say so far."""
        means = series.means()
        if len(means) < 2:
            return "How far the means lie apart shows after the second position."
        spread, at = series.spread_nm, math.fsum(means) / len(means)
        percent = contribution_percent(series.symbol, spread, at)
        apart = f"{self.text(spread, is_mean=True)} {series.unit}"
        so_far = "" if series.is_done else " so far"
        return f"The means lie {apart} apart: {series.symbol} = {significant(percent, 2)} %{so_far}"

    def text(self, torque_nm: float, *, is_mean: bool = False) -> str:
        """Return a reading as the reference resolves it; a mean or a spread of means gets a digit more."""
        assert self.series is not None
        step = words.steps_of(self.capacity_nm)[1]
        return words.number(torque_nm, self.series.unit, step / 10 if is_mean else step)

    def _row(self, painter: QPainter, box: QRectF, series: Series, index: int, name: str) -> None:
        s, colours = self.sizes, theme.palette()
        here = index == series.position
        if here:
            bar = QRectF(box.left() - s.pad * 0.6, box.top() + box.height() * 0.18, 4, box.height() * 0.64)
            painter.fillRect(bar, QColor(colours.accent))
        readings = series.readings(index)
        name_w, mean_w = box.width() * 0.30, box.width() * 0.26
        painter.setPen(QColor(colours.ink if here or readings else colours.soft))
        title = QRectF(box.left(), box.top(), name_w, box.height())
        draw_fitted(painter, title, name, font_of_cap(s.lead, bold=here), least=0.6)
        n = series.kind.n_readings
        room = box.width() - name_w - mean_w - s.pad * 2
        pitch = min(room / n, s.lead * 2.6)
        radius = min(s.lead * 0.62, pitch * 0.36)
        for i in range(n):
            x = box.left() + name_w + s.pad + (i + 0.5) * pitch
            painter.setPen(QPen(QColor(colours.ink if i < len(readings) else colours.soft), 1.6))
            painter.setBrush(QColor(colours.ink) if i < len(readings) else Qt.BrushStyle.NoBrush)
            painter.drawEllipse(QRectF(x - radius, box.center().y() - radius, 2 * radius, 2 * radius))
        if readings:
            full = len(readings) >= n
            mean = self.text(math.fsum(readings) / len(readings), is_mean=True)
            painter.setPen(QColor(colours.ink if full else colours.soft))
            place = QRectF(box.right() - mean_w, box.top(), mean_w, box.height())
            text = f"{mean} {series.unit}"
            draw_fitted(painter, place, text, font_of_cap(s.lead, bold=full), align=Qt.AlignmentFlag.AlignRight)


class LastPull(Painted):
    """The last pull: its reading in large figures, whether it counts, and why not."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.figure = "–"
        self.state = ""
        self.sentence = ""

    def show_pull(self, figure: str, unit: str, state: str, sentence: str) -> None:
        """Show these from now on."""
        new = (figure, unit, state, sentence)
        if new != (self.figure, self.unit, self.state, self.sentence):
            self.figure, self.unit, self.state, self.sentence = new
            self.setAccessibleName(f"last pull {figure} {unit}, {state}. {sentence}")
            self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Label, figure, state, sentence, from the top."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius)
        inner = box.adjusted(s.pad, s.pad * 0.5, -s.pad, -s.pad * 0.5)
        painter.setPen(QColor(colours.soft))
        head = QRectF(inner.left(), inner.top(), inner.width(), s.body * 2.4)
        draw_fitted(painter, head, self.unit, font_of_cap(s.lead), align=Qt.AlignmentFlag.AlignRight)
        draw_fitted(painter, head.adjusted(0, 0, -s.lead * 6, 0), "last pull", font_of_cap(s.body))
        painter.setPen(QColor(colours.ink))
        figure = QRectF(inner.left(), head.bottom(), inner.width(), min(s.figure * 1.2, inner.height() * 0.45))
        font = font_of_cap(min(s.figure, figure.height() * 0.86), bold=True)
        draw_fitted(
            painter, figure, self.figure, font, align=Qt.AlignmentFlag.AlignRight, template="888.88", least=0.45
        )
        row = QRectF(inner.left(), figure.bottom(), inner.width(), s.lead * 2.6)
        draw_fitted(painter, row, self.state, font_of_cap(s.lead * 1.1, bold=True), least=0.6)
        painter.setPen(QColor(colours.soft))
        draw_fitted(painter, row.translated(0, row.height()), self.sentence, font_of_cap(s.body), least=0.55)
