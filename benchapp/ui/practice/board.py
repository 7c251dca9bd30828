"""The painted panels of a drill: the big sentence, the pair of figures, aims and dots, and how it should look.

Each is painted inside a rectangle that depends on the window's size alone, as on the Bench. The sentence after a pull
has capitals of 1/15 of the window's height, the two figures of 1/10: readable with both hands on the wrench.
"""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QWidget

from benchapp.practice.drills import Drawing, Measured
from benchapp.ui import theme
from benchapp.ui.painted import CENTRE, RIGHT, Painted, wrap
from benchapp.ui.practice import texts
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap


def broken(text: str, metrics: QFontMetricsF, width: float) -> list[str]:
    """Break `text` over two lines at most, between its sentences where both halves fit, else where the line is full."""
    if metrics.horizontalAdvance(text) <= width:
        return [text]
    ends = [i + 2 for i in range(len(text) - 2) if text[i : i + 2] in (". ", ": ")]
    for end in sorted(ends, key=lambda end: text[end - 2] != "."):
        halves = [text[:end].strip(), text[end:].strip()]
        if all(metrics.horizontalAdvance(half) <= width for half in halves):
            return halves
    return wrap(text, metrics, width, 2)


class BigSentence(Painted):
    """One sentence over at most two lines, and a quieter line beneath with the link at its right."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.sentence = ""
        self.detail = ""
        self.link = ""
        self.link_is_fine = True

    def say(self, sentence: str, detail: str, link: str = "", *, fine: bool = True) -> None:
        """Say this from now on."""
        new = (sentence, detail, link, fine)
        if new != (self.sentence, self.detail, self.link, self.link_is_fine):
            self.sentence, self.detail, self.link, self.link_is_fine = new
            self.setAccessibleName(sentence)
            self.setAccessibleDescription(detail)
            self.update()

    @staticmethod
    def height_for(sizes: Sizes, n_lines: int = 2) -> float:
        """Height that so many lines and the detail take."""
        return sizes.instruction * 1.5 * n_lines + sizes.body * 2.9

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Two lines at the height an eye reads from afar; a short sentence stands in the middle of them."""
        s, colours = self.sizes, theme.palette()
        tall = QRectF(box.left(), box.top(), box.width(), box.height() - s.body * 2.9)
        font = font_of_cap(s.instruction, bold=True)
        lines = broken(self.sentence, QFontMetricsF(font), tall.width() / 0.76)
        pitch = s.instruction * 1.5
        top = tall.center().y() - pitch * len(lines) / 2
        painter.setPen(QColor(colours.ink))
        for i, line in enumerate(lines):
            draw_fitted(painter, QRectF(tall.left(), top + i * pitch, tall.width(), pitch), line, font, least=0.7)
        row = QRectF(box.left(), tall.bottom(), box.width(), s.body * 2.6)
        used = 0.0
        if self.link:
            painter.setPen(QColor(colours.soft if self.link_is_fine else colours.high))
            corner = QRectF(row.right() - row.width() * 0.34, row.top(), row.width() * 0.34, row.height())
            used = draw_fitted(painter, corner, self.link, font_of_cap(s.body), align=RIGHT) + 2 * s.pad
        painter.setPen(QColor(colours.soft))
        left = QRectF(row.left(), row.top(), row.width() - used, row.height())
        draw_fitted(painter, left, self.detail, font_of_cap(s.body * 1.08), least=0.7)


class Pair(Painted):
    """First peak and peak of the last pull, one under the other: what the wrench did, what the hand did."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.titles = ("", "")
        self.figures = ("–", "–")
        self.note = ""
        self.template = "888.88"

    def show_pair(self, titles: tuple[str, str], figures: tuple[str, str], unit: str, note: str, template: str) -> None:
        """Show these from now on."""
        new = (titles, figures, unit, note, template)
        if new != (self.titles, self.figures, self.unit, self.note, self.template):
            self.titles, self.figures, self.unit, self.note, self.template = new
            told = ", ".join(f"{t} {f} {unit}" for t, f in zip(titles, figures, strict=True))
            self.setAccessibleName(f"{told}; {note}")
            self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Two figures of 1/10 of the window's height, each under its name, and what the one made of the other."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius)
        inner = box.adjusted(s.pad, s.pad * 0.3, -s.pad, -s.pad * 0.3)
        note_h = s.lead * 2.2
        each = (inner.height() - note_h) / 2
        label_h = min(s.body * 2.0, each * 0.3)
        for i, (title, figure) in enumerate(zip(self.titles, self.figures, strict=True)):
            top = inner.top() + i * each
            label = QRectF(inner.left(), top, inner.width(), label_h)
            painter.setPen(QColor(colours.soft))
            draw_fitted(painter, label, self.unit, font_of_cap(s.lead), align=RIGHT)
            draw_fitted(painter, label.adjusted(0, 0, -s.lead * 5, 0), title, font_of_cap(s.body))
            painter.setPen(QColor(colours.ink))
            place = QRectF(inner.left(), label.bottom(), inner.width(), each - label_h)
            cap = min(s.figure, place.height() * 0.95)
            draw_fitted(
                painter, place, figure, font_of_cap(cap, bold=True), align=RIGHT, template=self.template, least=0.45
            )
        painter.setPen(QColor(colours.ink))
        foot = QRectF(inner.left(), inner.bottom() - note_h, inner.width(), note_h)
        draw_fitted(painter, foot, self.note, font_of_cap(s.lead), least=0.6)


AIM_WIDTH = 1.85
"""Width of an aim as a share of that of another mark: it has a word beside its value."""


class Aims(Painted):
    """The level's aims with what the last pull came to, and a dot a pull: nothing else decides."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.rows: tuple[tuple[str, str, str, str], ...] = ()  # (name, value, limit, "met", "not yet" or "")
        self.dots: tuple[str, ...] = ()  # "good", "poor", "aside", "spoilt"
        self.n_dots = 5
        self.standing = ""
        self.spread = ""
        self.besides: tuple[tuple[str, str], ...] = ()  # (name, value) of marks that no aim asks for

    def show_aims(
        self,
        measured: Sequence[Measured],
        dots: Sequence[str],
        n_dots: int,
        standing: str,
        spread: str = "",
        besides: Sequence[tuple[str, str]] = (),
    ) -> None:
        """Show each aim with its value, the other marks, the last pulls, and the two spreads beside them."""
        new = (tuple(texts.rows(measured)), tuple(dots)[-n_dots:], n_dots, standing, spread, tuple(besides))
        if new != (self.rows, self.dots, self.n_dots, self.standing, self.spread, self.besides):
            self.rows, self.dots, self.n_dots, self.standing, self.spread, self.besides = new
            told = "; ".join(f"{name} {value} ({limit}) {word}" for name, value, limit, word in self.rows)
            beside = "; ".join(f"{name} {value}" for name, value in self.besides)
            self.setAccessibleName(f"{told}. {standing} {spread} {beside}".strip())
            self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """A column an aim, then the other marks, quieter; beneath, the dots and the count that decides."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius)
        inner = box.adjusted(s.pad * 0.8, s.pad * 0.35, -s.pad * 0.8, -s.pad * 0.35)
        dots_h = s.body * 2.5
        high = inner.height() - dots_h
        wide = max(1, len(self.rows)) * AIM_WIDTH + len(self.besides)
        width = inner.width() / wide * AIM_WIDTH
        self._draw_besides(
            painter, QRectF(inner.left() + width * len(self.rows), inner.top(), inner.width() / wide, high)
        )
        for i, (name, value, limit, word) in enumerate(self.rows):
            cell = QRectF(inner.left() + i * width, inner.top(), width - s.pad * 0.6, high)
            if i:
                painter.setPen(QPen(QColor(colours.line), 1))
                x = cell.left() - s.pad * 0.35
                painter.drawLine(QPointF(x, cell.top() + 4), QPointF(x, cell.bottom() - 4))
            third = high / 3
            painter.setPen(QColor(colours.soft))
            top = QRectF(cell.left(), cell.top(), cell.width(), third)
            draw_fitted(painter, top, name, font_of_cap(s.small), least=0.6)
            middle = QRectF(cell.left(), top.bottom(), cell.width(), third)
            painter.setPen(QColor(colours.ink))
            used = draw_fitted(painter, middle, value, font_of_cap(s.lead * 1.25, bold=True), least=0.6)
            if word:
                mark = QRectF(middle.left() + used + s.pad * 0.5, middle.top(), s.lead * 1.2, middle.height())
                draw_result(painter, mark.center(), s.lead * 0.55, "good" if word == "met" else "poor")
                text = QRectF(mark.right() + s.pad * 0.2, middle.top(), 0, third)
                text.setRight(cell.right())
                painter.setPen(QColor(colours.ink))
                font = font_of_cap(s.small, bold=word != "met")
                if QFontMetricsF(font).horizontalAdvance(word) * 0.6 <= text.width():  # the sign says it too
                    draw_fitted(painter, text, word, font, least=0.6)
            painter.setPen(QColor(colours.soft))
            draw_fitted(painter, QRectF(cell.left(), middle.bottom(), cell.width(), third), limit, font_of_cap(s.small))
        row = QRectF(inner.left(), inner.bottom() - dots_h, inner.width(), dots_h)
        painter.setPen(QPen(QColor(colours.line), 1))
        painter.drawLine(row.topLeft(), row.topRight())
        radius = s.body * 0.6
        for i in range(self.n_dots):
            at = QPointF(row.left() + radius * (1.4 + 3.0 * i), row.center().y())
            draw_result(painter, at, radius, self.dots[i] if i < len(self.dots) else "")
        painter.setPen(QColor(colours.ink))
        text = QRectF(row.left() + radius * 3.0 * self.n_dots + s.pad, row.top(), 0, row.height())
        text.setRight(row.right())
        used = draw_fitted(painter, text, self.standing, font_of_cap(s.body), least=0.6)
        painter.setPen(QColor(colours.soft))
        rest = text.adjusted(used + s.pad, 0, 0, 0)
        draw_fitted(painter, rest, self.spread, font_of_cap(s.body), align=RIGHT, least=0.6)

    def _draw_besides(self, painter: QPainter, cell: QRectF) -> None:
        s, colours = self.sizes, theme.palette()
        third = cell.height() / 3
        for name, value in self.besides:
            painter.setPen(QColor(colours.soft))
            box = QRectF(cell.left(), cell.top(), cell.width() - s.pad * 0.6, third)
            draw_fitted(painter, box, name, font_of_cap(s.small), least=0.6)
            draw_fitted(painter, box.translated(0, third), value, font_of_cap(s.lead), least=0.6)
            cell.translate(cell.width(), 0)


def draw_result(painter: QPainter, at: QPointF, radius: float, result: str) -> None:
    """Draw what became of a pull: a disc: aims met; crossed ring: not; dash: set aside; ring: to come."""
    colours = theme.palette()
    pen = QPen(QColor(colours.ink), max(1.6, radius / 4))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    if result == "good":
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(colours.ink))
        painter.drawEllipse(at, radius, radius)
    elif result == "poor":
        painter.setPen(pen)
        painter.drawEllipse(at, radius * 0.9, radius * 0.9)
        r = radius * 0.45
        painter.drawLine(QPointF(at.x() - r, at.y() - r), QPointF(at.x() + r, at.y() + r))
        painter.drawLine(QPointF(at.x() - r, at.y() + r), QPointF(at.x() + r, at.y() - r))
    elif result in ("aside", "spoilt"):
        pen.setColor(QColor(colours.soft))
        painter.setPen(pen)
        painter.drawLine(QPointF(at.x() - radius * 0.7, at.y()), QPointF(at.x() + radius * 0.7, at.y()))
    else:
        pen.setColor(QColor(colours.rail))
        painter.setPen(pen)
        painter.drawEllipse(at, radius * 0.9, radius * 0.9)


class HowItLooks(Painted):
    """How the curve should look, and how not."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.drawing: Drawing | None = None
        self.head = ""

    def show_drawing(self, drawing: Drawing, head: str = "") -> None:
        """Show this one; `head` is a line above it."""
        if (drawing, head) != (self.drawing, self.head):
            self.drawing, self.head = drawing, head
            self.setAccessibleName(f"{head} {drawing.says}".strip())
            self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Two small plots side by side: so, and not so; the sentence beneath."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius)
        if self.drawing is None:
            return
        inner = box.adjusted(s.pad, s.pad * 0.5, -s.pad, -s.pad * 0.5)
        if self.head:
            painter.setPen(QColor(colours.ink))
            head = QRectF(inner.left(), inner.top(), inner.width(), s.lead * 2.6)
            draw_fitted(painter, head, self.head, font_of_cap(s.lead * 1.3, bold=True), align=CENTRE)
            inner.setTop(head.bottom())
        foot = QRectF(inner.left(), inner.bottom() - s.lead * 2.4, inner.width(), s.lead * 2.4)
        painter.setPen(QColor(colours.ink))
        draw_fitted(painter, foot, self.drawing.says, font_of_cap(s.lead), align=CENTRE, least=0.6)
        room = QRectF(inner.left(), inner.top(), inner.width(), foot.top() - inner.top())
        half = (room.width() - s.pad) / 2
        highest = max(y for _, y in (*self.drawing.good, *self.drawing.poor)) * 1.08
        for i, (word, points, good) in enumerate(
            (("like this", self.drawing.good, True), ("not like this", self.drawing.poor, False))
        ):
            cell = QRectF(room.left() + i * (half + s.pad), room.top(), half, room.height())
            draw_curve(painter, cell, points, highest, word, s, good=good)


def draw_curve(
    painter: QPainter,
    cell: QRectF,
    points: Sequence[tuple[float, float]],
    highest: float,
    word: str,
    s: Sizes,
    *,
    good: bool,
) -> None:
    """Draw one small plot: the set torque as a dashed line, the curve, a word above."""
    colours = theme.palette()
    label = QRectF(cell.left(), cell.top(), cell.width(), s.body * 2.4)
    mark = QPointF(label.left() + s.body * 0.8, label.center().y())
    draw_result(painter, mark, s.body * 0.55, "good" if good else "poor")
    painter.setPen(QColor(colours.ink if good else colours.soft))
    draw_fitted(painter, label.adjusted(s.body * 1.9, 0, 0, 0), word, font_of_cap(s.body, bold=good))
    plot = QRectF(cell.left(), label.bottom(), cell.width(), cell.bottom() - label.bottom() - s.body * 0.4)
    if plot.height() < 20:
        return
    longest = max(x for x, _ in points)

    def at(x: float, y: float) -> QPointF:
        return QPointF(plot.left() + x / longest * plot.width(), plot.bottom() - y / highest * plot.height())

    painter.setPen(QPen(QColor(colours.line), 1))
    painter.drawLine(plot.bottomLeft(), plot.bottomRight())
    dashed = QPen(QColor(colours.soft), 1)
    dashed.setDashPattern([4.0, 3.0])
    painter.setPen(dashed)
    painter.drawLine(at(0, 1), at(longest, 1))
    pen = QPen(QColor(colours.accent if good else colours.soft), max(2.0, s.body / 4))
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    painter.setPen(pen)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawPolyline(QPolygonF([at(x, y) for x, y in points]))


class Curtain(Painted):
    """Stands before the plot while a curve is hidden, or says what the plot will show."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.text = ""

    def say(self, text: str) -> None:
        """Show this sentence."""
        if text != self.text:
            self.text = text
            self.setAccessibleName(text)
            self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """A plain panel with one sentence."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius, fill=colours.panel_soft)
        painter.setPen(QColor(colours.soft))
        area = box.adjusted(s.pad * 2, 0, -s.pad * 2, 0)
        draw_fitted(painter, area, self.text, font_of_cap(s.lead * 1.4), align=CENTRE)
