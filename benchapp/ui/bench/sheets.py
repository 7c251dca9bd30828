"""What takes the place of ladder, plot and card where there is no curve to look at; and the notices."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QMouseEvent, QPainter, QPainterPath, QPen
from PySide6.QtWidgets import QWidget

from benchapp.runs.model import Band
from benchapp.session.view import BenchView, CheckpointResult
from benchapp.torque.units import from_nm
from benchapp.ui import theme, words
from benchapp.ui.bench.panels import CENTRE, RIGHT, Panel, band_colour, draw_dot, draw_lines, hatch
from benchapp.ui.theme import draw_fitted, font_of_cap

MOST_ROWS: Final = 6


class CautionsSheet(Panel):
    """The cautions, once a run, each with a picture."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.limits = ""
        self.warnings: tuple[str, ...] = ()

    def show_for(self, view: BenchView, unit: str) -> None:
        """Fill in the limits of this tool and reference."""
        run = view.run
        if run is None:
            return
        tool = run.plan.tool
        capacity = words.plain(float(f"{from_nm(run.plan.reference.capacity_nm, unit):.4g}"))
        self.limits = f"{words.plain(tool.highest)} {tool.unit} and {capacity} {unit}"
        self.warnings = run.plan.warnings
        self.setAccessibleName("Cautions")
        self.setAccessibleDescription(" ".join(f"{head}: {why}" for _, head, why in self.rows()))
        self.update()

    def rows(self) -> list[tuple[str, str, str]]:
        """Return (picture, what, why) with the limits filled in."""
        return [(picture, head, why.format(limits=self.limits)) for picture, head, why in words.CAUTIONS]

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """One row a caution; warnings about the reference and the foot beneath."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius)
        rows = self.rows()
        foot_height = s.small * 5.2 + (s.lead * 2.4 * len(self.warnings[:2]))
        pitch = (box.height() - foot_height - s.pad * 1.4) / len(rows)
        for i, (picture, head, why) in enumerate(rows):
            row = QRectF(box.left() + s.pad, box.top() + s.pad * 0.8 + i * pitch, box.width() - 2 * s.pad, pitch)
            side = min(pitch * 0.78, s.lead * 5)
            icon = QRectF(row.left(), row.center().y() - side / 2, side, side)
            draw_picture(painter, icon, picture)
            text = QRectF(icon.right() + s.pad, row.top(), row.right() - icon.right() - s.pad, pitch)
            painter.setPen(QColor(colours.ink))
            upper = QRectF(text.left(), text.center().y() - s.lead * 2.9, text.width(), s.lead * 2.9)
            draw_fitted(painter, upper, head, font_of_cap(s.lead * 1.6, bold=True))
            painter.setPen(QColor(colours.soft))
            lower = QRectF(text.left(), text.center().y() + s.lead * 0.25, text.width(), s.lead * 2.2)
            draw_fitted(painter, lower, why, font_of_cap(s.lead * 1.05))
        y = box.bottom() - foot_height
        for warning in self.warnings[:2]:
            painter.setPen(QColor(colours.high))
            line = QRectF(box.left() + s.pad, y, box.width() - 2 * s.pad, s.lead * 2.2)
            draw_fitted(painter, line, warning, font_of_cap(s.body, bold=True))
            y += s.lead * 2.4
        painter.setPen(QColor(colours.soft))
        foot = QRectF(box.left() + s.pad, y, box.width() * 0.66, s.small * 5)
        draw_lines(painter, foot, words.CAUTIONS_FOOT, s.small, 2)


def draw_picture(painter: QPainter, box: QRectF, name: str) -> None:
    """Draw one of the small pictures: a ring with a plain figure inside, in ink."""
    colours = theme.palette()
    painter.save()
    painter.translate(box.topLeft())
    painter.scale(box.width() / 48, box.height() / 48)
    pen = QPen(QColor(colours.accent), 2.6, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin)
    painter.setPen(pen)
    painter.setBrush(QColor(colours.panel_soft))
    painter.drawEllipse(QRectF(2, 2, 44, 44))
    pen.setColor(QColor(colours.ink))
    painter.setPen(pen)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    if name == "drive":
        painter.drawRect(QRectF(18, 11, 12, 12))
        painter.drawPolyline([QPointF(12, 27), QPointF(12, 37), QPointF(36, 37), QPointF(36, 27)])
        painter.drawLine(QPointF(24, 25), QPointF(24, 32))
        painter.drawPolyline([QPointF(20.5, 29), QPointF(24, 32.5), QPointF(27.5, 29)])
    elif name == "grip":
        painter.drawRoundedRect(QRectF(8, 20, 32, 9), 4.5, 4.5)
        painter.drawLine(QPointF(24, 12), QPointF(24, 37))
        painter.drawPolyline([QPointF(20, 15), QPointF(24, 19), QPointF(28, 15)])
    elif name == "smooth":
        path = QPainterPath(QPointF(10, 36))
        path.cubicTo(20, 35, 27, 26, 32, 13)
        path.lineTo(33, 22)
        painter.drawPath(path)
        painter.drawLine(QPointF(38, 12), QPointF(38, 36))
    elif name == "capacity":
        painter.drawLine(QPointF(11, 15), QPointF(37, 15))
        painter.drawLine(QPointF(24, 37), QPointF(24, 21))
        painter.drawPolyline([QPointF(18, 26), QPointF(24, 20.5), QPointF(30, 26)])
    else:
        painter.drawEllipse(QRectF(9, 18, 13, 12))
        painter.drawEllipse(QRectF(26, 18, 13, 12))
        painter.drawLine(QPointF(22, 22), QPointF(26, 22))
    painter.restore()


class VerdictSheet(Panel):
    """Every reading as a dot against its limits, the big word, and what to do with the tool."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.view: BenchView | None = None

    def show_verdict(self, view: BenchView, unit: str) -> None:
        """Show the view's verdict."""
        self.view, self.unit = view, unit
        if view.verdict is not None:
            self.setAccessibleName(words.verdict_word(view.verdict.within))
            self.setAccessibleDescription(f"{words.verdict_action(view)}. {words.verdict_aside(view)}")
        self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Left the checkpoints, highest on top like the ladder; right the word and the next action."""
        view = self.view
        if view is None or view.verdict is None or view.run is None:
            return
        s, colours = self.sizes, theme.palette()
        right_width = max(box.width() * 0.33, s.state * 7.6)
        right = QRectF(box.right() - right_width, box.top(), right_width, box.height())
        left = QRectF(box.left(), box.top(), box.width() - right_width - s.gap, box.height())
        theme.draw_panel(painter, left, s.radius)
        results = list(view.verdict.checkpoints)
        shown = results[:MOST_ROWS]
        head = QRectF(left.left() + s.pad, left.top() + s.pad * 0.5, left.width() - 2 * s.pad, s.body * 2.6)
        painter.setPen(QColor(colours.soft))
        draw_fitted(
            painter, head, "every reading that counts: what the tool delivered, against its limits", font_of_cap(s.body)
        )
        if shown:
            pitch = min((left.height() - head.height() - 2 * s.pad) / len(shown), s.lead * 11)
            for i, result in enumerate(reversed(shown)):
                row = QRectF(head.left(), head.bottom() + s.pad * 0.4 + i * pitch, head.width(), pitch - s.pad * 0.5)
                self._draw_row(painter, row, result)
        self._draw_word(painter, right)

    def _draw_row(self, painter: QPainter, row: QRectF, result: CheckpointResult) -> None:
        view, s, colours = self.view, self.sizes, theme.palette()
        if view is None or view.run is None:
            return
        checkpoint = result.checkpoint
        name_width = s.lead * 8.4
        word_width = s.lead * 8.6
        centre = row.center().y()
        name = QRectF(row.left(), centre - s.lead * 2.3, name_width, s.lead * 2.4)
        painter.setPen(QColor(colours.ink))
        draw_fitted(
            painter, name, words.checkpoint_sentence(result, view.run.plan.tool), font_of_cap(s.lead * 1.15, bold=True)
        )
        painter.setPen(QColor(colours.soft))
        mean = "" if result.mean_percent is None else f"mean {words.percent(result.mean_percent)}"
        draw_fitted(painter, name.translated(0, s.lead * 2.3), mean, font_of_cap(s.body))
        strip = QRectF(name.right() + s.pad * 0.5, centre - s.lead * 1.9, 0, s.lead * 3.8)
        strip.setRight(row.right() - word_width - s.pad * 0.5)
        target = checkpoint.target_nm
        low, high = checkpoint.low_nm / target - 1, checkpoint.high_nm / target - 1
        delivered = [reading / target - 1 for reading in result.readings_nm]
        reach = max([high * 1.9, -low * 1.9, *(abs(d) * 1.12 for d in delivered)])

        def x_of(share: float) -> float:
            return strip.center().x() + share / reach * strip.width() / 2

        painter.fillRect(strip, QColor(colours.panel_soft))
        hatch(
            painter,
            QRectF(strip.left(), strip.top(), x_of(low) - strip.left(), strip.height()),
            colours.low,
            s.body,
            falling=False,
            alpha=140,
        )
        hatch(
            painter,
            QRectF(x_of(high), strip.top(), strip.right() - x_of(high), strip.height()),
            colours.high,
            s.body,
            falling=True,
            alpha=140,
        )
        painter.setPen(QPen(QColor(colours.ink), max(2.0, s.body / 6)))
        for edge in (low, high):
            painter.drawLine(QPointF(x_of(edge), strip.top()), QPointF(x_of(edge), strip.bottom()))
        dashed = QPen(QColor(colours.soft), 1)
        dashed.setDashPattern([4.0, 3.0])
        painter.setPen(dashed)
        painter.drawLine(QPointF(x_of(0), strip.top()), QPointF(x_of(0), strip.bottom()))
        for i, (share, reading) in enumerate(zip(delivered, result.readings_nm, strict=True)):
            band = Band.LOW if reading < checkpoint.low_nm else Band.HIGH if reading > checkpoint.high_nm else Band.IN
            offset = ((i % 3) - 1) * s.lead * 0.95 if len(delivered) > 1 else 0.0
            draw_dot(painter, QPointF(x_of(share), strip.center().y() + offset), s.body * 0.56, band)
        word = QRectF(strip.right() + s.pad * 0.6, centre - s.lead * 1.6, word_width, s.lead * 3.2)
        painter.setPen(QColor(colours.ink if result.within else self._side(result)))
        draw_fitted(painter, word, self._row_word(result), font_of_cap(s.lead * 1.35, bold=True), align=RIGHT)

    @staticmethod
    def _row_word(result: CheckpointResult) -> str:
        checkpoint = result.checkpoint
        n_low = sum(r < checkpoint.low_nm for r in result.readings_nm)
        n_high = sum(r > checkpoint.high_nm for r in result.readings_nm)
        if n_low and n_high:
            return "LOW + HIGH"
        if n_low or n_high:
            return f"{n_low or n_high} {'LOW' if n_low else 'HIGH'}"
        return "IN" if result.within else "OUT"

    @staticmethod
    def _side(result: CheckpointResult) -> str:
        low = any(r < result.checkpoint.low_nm for r in result.readings_nm)
        return band_colour(Band.LOW if low else Band.HIGH)

    def _draw_word(self, painter: QPainter, box: QRectF) -> None:
        view, s, colours = self.view, self.sizes, theme.palette()
        if view is None or view.verdict is None:
            return
        within = view.verdict.within
        ink = QColor(colours.ink)
        theme.draw_panel(painter, box, s.radius)
        big = QRectF(box.left() + s.pad * 0.7, box.top() + s.pad * 0.8, box.width() - s.pad * 1.4, s.state * 4.2)
        painter.setPen(QPen(ink, max(3.0, s.body / 4)))
        painter.setBrush(QColor(colours.panel_soft if within else colours.ink))
        painter.drawRoundedRect(big, s.radius, s.radius)
        if not within:
            edge = QRectF(big.left() + 5, big.bottom() - s.body * 1.3, big.width() - 10, s.body)
            hatch(painter, edge, colours.panel, s.body, falling=True)
        first, second = words.verdict_word(within).rsplit(" ", 1)
        painter.setPen(ink if within else QColor(colours.panel))
        font = font_of_cap(s.state, bold=True)
        half = QRectF(big.left() + s.pad * 0.5, big.top() + s.state * 0.35, big.width() - s.pad, s.state * 1.7)
        draw_fitted(painter, half, first, font, align=CENTRE, least=0.5)
        draw_fitted(painter, half.translated(0, s.state * 1.6), second, font, align=CENTRE, least=0.5)
        text = QRectF(big.left(), big.bottom() + s.pad * 0.9, big.width(), s.lead * 9)
        painter.setPen(ink)
        draw_lines(painter, text, words.verdict_action(view) + ".", s.lead * 1.15, 3, bold=True)
        painter.setPen(QColor(colours.soft))
        aside = QRectF(big.left(), text.top() + s.lead * 7.6, big.width(), s.body * 9)
        more = words.verdict_aside(view)
        note = f"{more} {words.VERDICT_FOOT}".strip()
        draw_lines(painter, aside, note, s.body, 6)


class Notice(Panel):
    """A band or a whole window that says one large thing until it is seen to."""

    clicked = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.head = ""
        self.lines: tuple[str, ...] = ()
        self.is_alarm = False
        self.hide()

    def say(self, head: str, *lines: str, alarm: bool = False) -> None:
        """Show this."""
        self.head, self.lines, self.is_alarm = head, lines, alarm
        self.setAccessibleName(head)
        self.setAccessibleDescription(" ".join(lines))
        self.show()
        self.raise_()
        self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Head as large as the instruction, lines beneath, a hatched edge all round."""
        s, colours = self.sizes, theme.palette()
        fill = colours.alarm if self.is_alarm else colours.accent
        ink = colours.alarm_ink if self.is_alarm else colours.ground
        if self.is_alarm:
            painter.fillRect(box, QColor(fill))
            rim = s.pad * 1.1
            for edge in (
                QRectF(box.left(), box.top(), box.width(), rim),
                QRectF(box.left(), box.bottom() - rim, box.width(), rim),
                QRectF(box.left(), box.top(), rim, box.height()),
                QRectF(box.right() - rim, box.top(), rim, box.height()),
            ):
                hatch(painter, edge, ink, s.body * 1.4, falling=True)
        else:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(fill))
            painter.drawRoundedRect(box.adjusted(2, 2, -2, -2), s.radius, s.radius)
        painter.setPen(QColor(ink))
        cap = s.instruction * (1.6 if self.is_alarm else 1.0)
        block = cap * 1.8 + len(self.lines) * s.lead * 3.4
        y = box.center().y() - block / 2
        inner = box.adjusted(s.pad * 2.2, 0, -s.pad * 2.2, 0)
        draw_fitted(
            painter,
            QRectF(inner.left(), y, inner.width(), cap * 1.8),
            self.head,
            font_of_cap(cap, bold=True),
            align=CENTRE,
        )
        y += cap * 1.9
        for i, line in enumerate(self.lines):
            used = s.instruction * 0.72 if self.is_alarm and i == 0 else s.lead * 1.15
            height = used * 2.2
            draw_fitted(
                painter,
                QRectF(inner.left(), y, inner.width(), height),
                line,
                font_of_cap(used, bold=i == 0 and self.is_alarm),
                align=CENTRE,
            )
            y += height

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """A click anywhere counts as seen."""
        self.clicked.emit()
