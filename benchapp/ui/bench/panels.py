"""The still panels of the Bench: headline, ladder, live figure, capture card, choices.

Each is painted by itself inside a rectangle that depends on the window's size alone, so nothing moves when a text
changes. None of them knows more than a `BenchView` tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from PySide6.QtCore import QPointF, QRect, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QMouseEvent, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import (
    QWidget,
)

from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls.pull import Mode
from benchapp.runs.model import Band, RunState
from benchapp.session.view import BenchView, Card, Rung
from benchapp.torque.direction import Direction
from benchapp.ui import theme, words
from benchapp.ui.bench._digits import Digits
from benchapp.ui.painted import CENTRE, RIGHT, Painted, draw_lines, hatch
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap

LEAST_WIDTH: Final = 0.72
"""So far the headline's detail is condensed before it takes two lines."""


def band_colour(band: Band | None) -> str:
    """Return the hue of a band; the word and the place have said it before."""
    colours = theme.palette()
    return {Band.HIGH: colours.high, Band.LOW: colours.low}.get(band, colours.ink) if band else colours.ink


class Headline(Painted):
    """The one instruction, where we are, and how the link is."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.instruction = ""
        self.detail = ""
        self.link = ""
        self.link_counts = ""
        self.link_is_fine = True
        self.is_trouble = False
        self._reach = 0.0  # how far to the right the instruction or the detail goes

    def show_words(
        self, instruction: str, detail: str, link: str, counts: str, *, fine: bool, trouble: bool = False
    ) -> None:
        """Say this from now on; `trouble`: the detail says that something is wrong with the records."""
        old = (self.instruction, self.detail, self.link_is_fine, self.is_trouble)
        n_old, lines_old = (len(self.link), len(self.link_counts)), (self.link, self.link_counts)
        new = (instruction, detail, fine, trouble)
        if new == old and (link, counts) == lines_old:
            return
        self.instruction, self.detail, self.link_is_fine, self.is_trouble = new
        self.link, self.link_counts = link, counts
        if new == old and n_old == (len(link), len(counts)):
            # Four times a second: setting the large instruction anew for that took longer than a frame of the curve.
            self.update(self._of_link().toAlignedRect())
            return
        self.setAccessibleName(instruction)
        self.setAccessibleDescription(detail)
        self.update()

    def _of_link(self) -> QRectF:
        """The two lines of the link, its state and its counters: beneath the instruction, right of the detail."""
        s, width = self.sizes, self.width() * 0.34
        top = s.instruction * 1.62 - s.body * 0.3
        return QRectF(self.width() - width, top, width, s.body * 1.9 + s.small * 2.0)

    @staticmethod
    def height_for(sizes: Sizes) -> float:
        """Height that the headline takes."""
        return sizes.instruction * 1.62 + sizes.body * 3.4

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Instruction on its own line; below it the place on the left, the link on the right."""
        beneath = self._of_link().toAlignedRect()
        if not beneath.contains(self.stale.toAlignedRect()):
            self._reach = self._draw_around(painter, box)
        elif self._reach > beneath.left():  # its end lies beneath the link's figures, which change four times a second
            self._draw_around(painter, box)
        if self.link:
            lines, colours = self._of_link(), theme.palette()
            height = self.sizes.body * 1.9
            painter.setPen(QColor(colours.soft if self.link_is_fine else colours.high))
            state = QRectF(lines.left(), lines.top(), lines.width(), height)
            draw_fitted(painter, state, self.link, self._link_font(), align=RIGHT)
            painter.setPen(QColor(colours.soft))
            counters = lines.adjusted(0, height, 0, 0)
            draw_fitted(painter, counters, self.link_counts, font_of_cap(self.sizes.small), align=RIGHT)

    def _link_font(self) -> QFont:
        return font_of_cap(self.sizes.body, bold=not self.link_is_fine)

    def _draw_around(self, painter: QPainter, box: QRectF) -> float:
        """Draw everything but the link's two lines, and return how far to the right it reaches."""
        s, colours = self.sizes, theme.palette()
        tall = QRectF(box.left(), box.top(), box.width(), s.instruction * 1.62)
        painter.setPen(QColor(colours.ink))
        reach = draw_fitted(painter, tall, self.instruction, font_of_cap(s.instruction, bold=True))
        # the link has two lines of its own beneath the instruction, however long that is; the detail has the rest
        used = 0.0
        if self.link:
            counters = QFontMetricsF(font_of_cap(s.small)).horizontalAdvance(self.link_counts)
            state = QFontMetricsF(self._link_font()).horizontalAdvance(self.link)
            used = min(max(counters, state), self._of_link().width()) + 2 * s.pad
        painter.setPen(QColor(colours.high if self.is_trouble else colours.soft))
        left = QRectF(box.left(), tall.bottom(), box.width() - used, s.body * 2.6)
        font = font_of_cap(s.body * 1.08)
        if QFontMetricsF(font).horizontalAdvance(self.detail) * LEAST_WIDTH <= left.width():
            reach = max(reach, draw_fitted(painter, left, self.detail, font, least=LEAST_WIDTH))
        else:  # what went wrong comes first, what to do last: neither may be cut
            two = QRectF(left.left(), tall.bottom() - s.small * 0.5, left.width(), s.small * 4.4)
            draw_lines(painter, two, self.detail, s.small * 1.02, 2)
            reach = box.right()
        return box.left() + reach + s.pad  # a letter may hang over its width


class Ladder(Painted):
    """The checkpoints of the run, lowest at the foot, a dot for each reading."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.rungs: tuple[Rung, ...] = ()
        self.setAccessibleName("Checkpoints")

    def show_rungs(self, rungs: tuple[Rung, ...], unit: str) -> None:
        """Show these, lowest first; `unit` is the tool's, in which they are marked on it."""
        if (rungs, unit) != (self.rungs, self.unit):
            self.rungs, self.unit = rungs, unit
            self.setAccessibleDescription(
                "; ".join(
                    f"{words.plain(r.checkpoint.target)}: "
                    + ", ".join("to come" if d.band is None else d.band.value for d in r.dots)
                    for r in rungs
                )
            )
            self.update()

    def _measures(self) -> tuple[float, float, int, int, list[float]]:
        """Return (cap of a name, radius of a dot, dots a row, rows, height of each rung), lowest rung first."""
        s, n = self.sizes, len(self.rungs)
        top, foot = s.pad * 1.6, self.height() - s.pad * 1.4
        most = max(len(r.dots) for r in self.rungs)
        per_row = 3 if most <= 3 else 5
        rows = max(1, math.ceil(most / per_row))
        radius = min((self.width() - s.pad * 2.1 - self._rail()) / per_row * 0.42, s.body * 0.72)
        lead = s.lead
        block = lead * 2.5 + self._rail() + rows * radius * 2.9
        if n * block > foot - top:  # many checkpoints: everything smaller, nothing over anything else
            shrink = ((foot - top) / n - self._rail()) / (block - self._rail())
            lead, radius = lead * shrink, radius * shrink
            block = (foot - top) / n
        pitch = min((foot - top - block) / (n - 1), block * 3.4) if n > 1 else 0.0
        first = foot - rows * radius * 2.9
        return lead, radius, per_row, rows, [first - i * pitch for i in range(n)]

    def _rail(self) -> float:
        return max(5.0, self.sizes.body / 2.6)

    def places(self) -> list[tuple[float, float]]:
        """Return (top of its name, foot of its dots) of each rung, lowest first."""
        if not self.rungs:
            return []
        lead, radius, _, rows, bases = self._measures()
        return [(base - lead * 2.5, base + self._rail() + rows * radius * 2.7) for base in bases]

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Two rails, a rung a checkpoint, the current one in the accent."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius)
        left, right = box.left() + s.pad * 1.05, box.right() - s.pad * 1.05
        rail = self._rail()
        painter.setPen(QPen(QColor(colours.rail), rail, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))
        top, foot = box.top() + s.pad * 1.6, box.bottom() - s.pad * 1.4
        painter.drawLine(QPointF(left, top), QPointF(left, foot))
        painter.drawLine(QPointF(right, top), QPointF(right, foot))
        if not self.rungs:
            return
        painter.setPen(QColor(colours.soft))
        head = QRectF(left + rail, box.top() + s.pad * 0.3, right - left - 2 * rail, s.pad * 1.5)
        draw_fitted(painter, head, self.unit, font_of_cap(s.small), align=CENTRE)
        lead, radius, per_row, _, bases = self._measures()
        dot_pitch = (right - left - rail) / per_row
        for base, rung in zip(bases, self.rungs, strict=True):
            colour = colours.accent if rung.is_current else colours.rail
            painter.setPen(QPen(QColor(colour), rail, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))
            painter.drawLine(QPointF(left, base), QPointF(right, base))
            painter.setPen(QColor(colours.ink if rung.is_current else colours.soft))
            arrow = "" if rung.checkpoint.direction is Direction.CLOCKWISE else "↺ "
            label = QRectF(left + rail, base - lead * 2.5, right - left - 2 * rail, lead * 2.3)
            draw_fitted(
                painter,
                label,
                arrow + words.plain(rung.checkpoint.target),
                font_of_cap(lead * (1.12 if rung.is_current else 1.0), bold=rung.is_current),
                align=CENTRE,
            )
            for j, dot in enumerate(rung.dots):
                row, column = divmod(j, per_row)
                in_row = min(per_row, len(rung.dots) - row * per_row)
                x = (left + right) / 2 + (column - (in_row - 1) / 2) * dot_pitch
                y = base + rail + radius * (1.5 + 2.7 * row)
                draw_dot(painter, QPointF(x, y), radius, dot.band, flagged=dot.flagged, strong=rung.is_current)


def draw_dot(
    painter: QPainter, at: QPointF, radius: float, band: Band | None, *, flagged: bool = False, strong: bool = True
) -> None:
    """Draw a reading: a ring is still to come, a disc lies IN, a triangle points to the side on which it lies out."""
    colours = theme.palette()
    if band is None:
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(QColor(colours.ink if strong else colours.soft), max(1.6, radius / 5)))
        painter.drawEllipse(at, radius * 0.9, radius * 0.9)
        return
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(band_colour(band)))
    if band is Band.IN:
        painter.drawEllipse(at, radius, radius)
    else:
        up = -1.0 if band is Band.HIGH else 1.0
        r = radius * 1.15
        painter.drawPolygon(
            QPolygonF(
                [
                    QPointF(at.x(), at.y() + up * r),
                    QPointF(at.x() - r, at.y() - up * r * 0.8),
                    QPointF(at.x() + r, at.y() - up * r * 0.8),
                ]
            )
        )
    if flagged:
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(QColor(colours.soft), 1.4))
        painter.drawEllipse(at, radius * 1.45, radius * 1.45)


class LiveFigure(Painted):
    """Torque now, and a warning from 95 % of the reference's capacity on."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.text = "–"
        self.template = "888.8"
        self.warning = ""
        self._digits = Digits()

    def show_torque(self, text: str, unit: str, template: str, warning: str) -> None:
        """Show the figure `text`; `template` is the widest that may come, so that the shape stays."""
        around = (unit, template, warning)
        stays = around == (self.unit, self.template, self.warning)
        if stays and text == self.text:
            return
        self.text = text
        self.unit, self.template, self.warning = around
        self.setAccessibleName(f"torque now {text} {unit} {warning}".strip())
        if stays and not warning:
            self.update(self._figure().toAlignedRect())  # ten times a second: only what has changed
        else:
            self.update()

    def _figure(self) -> QRectF:
        """Where the figure stands: beneath the label, inside the frame."""
        s = self.sizes
        top = s.pad * 0.4 + s.body * 2.5
        return QRectF(s.pad, top, self.width() - 2 * s.pad, s.figure * 1.24)

    @staticmethod
    def height_for(sizes: Sizes) -> float:
        """Height that the panel takes."""
        return sizes.figure * 1.24 + sizes.body * 2.5 + sizes.pad * 1.2

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Label and unit on top, the figure beneath, everything turned round when it warns."""
        s, colours = self.sizes, theme.palette()
        warns, figure = bool(self.warning), self._figure()
        ink = QColor(colours.alarm_ink if warns else colours.ink)
        if not warns and figure.toAlignedRect().contains(self.stale.toAlignedRect()):
            painter.fillRect(self.stale, QColor(colours.panel))
        else:
            theme.draw_panel(
                painter, box, s.radius, fill=colours.alarm if warns else "", frame=colours.alarm if warns else ""
            )
            if warns:
                edge = QRectF(box.left() + 3, box.bottom() - s.body * 1.1, box.width() - 6, s.body * 0.8)
                hatch(painter, edge, colours.alarm_ink, s.body, falling=True, alpha=200)
            label = QRectF(figure.left(), box.top() + s.pad * 0.4, figure.width(), s.body * 2.5)
            painter.setPen(QColor(colours.alarm_ink if warns else colours.soft))
            draw_fitted(painter, label, self.unit, font_of_cap(s.lead * 1.15), align=RIGHT)
            name = label.adjusted(0, 0, -s.lead * 6, 0)
            draw_fitted(painter, name, self.warning or "torque now", font_of_cap(s.body, bold=warns))
        painter.setPen(ink)
        self._digits.draw(painter, figure, self.text, font_of_cap(s.figure, bold=True), self.template, least=0.5)


class CaptureCard(Painted):
    """The last reading, its state in a word, one plain sentence, and the standard's deviation beneath."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.card: Card | None = None
        self.tool: Tool | None = None
        self.mode = Mode.FIRST_PEAK
        self.step_nm = 0.01
        self.note = ""
        self.note_title = ""
        self.template = "888.88"
        self.key_height = 0.0
        self._shown: object = None

    def show_card(self, view: BenchView, unit: str, template: str, note: tuple[str, str]) -> None:
        """Show the view's card; without one, `note` (title, sentence) says what comes."""
        tool = view.run.plan.tool if view.run is not None else None
        new = (view.card, tool, view.mode, words.steps_of(view.capacity_nm)[1], unit, template, note)
        if new != self._shown:  # most views bring nothing but another count of the link's lines
            self._shown = new
            self.card, self.tool, self.mode, self.step_nm, self.unit, self.template, note = new
            self.note_title, self.note = note
            self.setAccessibleName(self.spoken())
            self.update()

    def _tool(self) -> tuple[ToolType | None, str]:
        if self.tool is None:
            return None, "tool"
        return self.tool.tool_type, words.tool_word(self.tool)

    def spoken(self) -> str:
        """Return the card as one sentence, for a screen reader and the tests."""
        card = self.card
        if card is None:
            return self.note
        kind, tool = self._tool()
        amount = self._amount()
        return (
            f"{self._title()} {amount} {self.unit}. "
            f"{words.card_state(card, self.mode)} {' '.join(words.delivered(card, kind))}. "
            f"{words.card_sentence(card, kind, tool, self.unit)} "
            f"{words.deviation_line(card)} {words.stored_line(card, self.mode)}"
        )

    def _title(self) -> str:
        return "" if self.card is None else words.card_title(self.card, self.mode, self._tool()[0])

    def _amount(self) -> str:
        card = self.card
        if card is None or card.torque_nm is None:
            return "–"
        return words.number(abs(card.torque_nm), self.unit, self.step_nm)

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """From the top: what it is, the figure, the state box, the sentence, the deviation."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius)
        inner = box.adjusted(s.pad, s.pad * 0.4, -s.pad, -self.key_height - s.pad * 0.4)
        card = self.card
        label = QRectF(inner.left(), inner.top(), inner.width(), s.body * 2.5)
        if card is None:
            painter.setPen(QColor(colours.soft))
            draw_fitted(painter, label, self.note_title, font_of_cap(s.body))
            painter.setPen(QColor(colours.ink))
            under = QRectF(inner.left(), label.bottom() + s.pad * 0.4, inner.width(), inner.height() - label.height())
            draw_lines(painter, under, self.note, s.lead * 1.1, 8)
            return
        kind, tool = self._tool()
        painter.setPen(QColor(colours.soft))
        draw_fitted(painter, label, self.unit, font_of_cap(s.lead * 1.15), align=RIGHT)
        draw_fitted(painter, label.adjusted(0, 0, -s.lead * 6, 0), self._title(), font_of_cap(s.body))
        figure = QRectF(inner.left(), label.bottom(), inner.width(), s.figure * 1.22)
        painter.setPen(QColor(colours.ink))
        draw_fitted(
            painter,
            figure,
            self._amount(),
            font_of_cap(s.figure, bold=True),
            align=RIGHT,
            template=self.template,
            least=0.5,
        )
        state = QRectF(inner.left() - s.pad * 0.3, figure.bottom() + s.pad * 0.25, 0, s.state * 1.56)
        state.setRight(inner.right() + s.pad * 0.3)
        self._draw_state(painter, state, card, kind)
        rest = QRectF(inner.left(), state.bottom() + s.pad * 0.15, inner.width(), inner.bottom() - state.bottom())
        painter.setPen(QColor(colours.ink))
        sentence = words.card_sentence(card, kind, tool, self.unit)
        lines = max(2, min(4, int((rest.height() - s.small * 2.6) / (s.lead * 2.05))))
        draw_lines(painter, rest, sentence, s.lead, lines)
        foot = QRectF(inner.left(), inner.bottom() - s.small * 1.7, inner.width(), s.small * 1.7)
        painter.setPen(QColor(colours.soft))
        draw_fitted(painter, foot, words.stored_line(card, self.mode), font_of_cap(s.small), align=RIGHT)
        draw_fitted(
            painter, foot.adjusted(0, 0, -s.small * 9.5, 0), words.deviation_line(card), font_of_cap(s.small), least=0.7
        )

    def _draw_state(self, painter: QPainter, box: QRectF, card: Card, kind: ToolType | None) -> None:
        s, colours = self.sizes, theme.palette()
        counts = card.set_aside is None and card.band is not None
        colour = band_colour(card.band) if counts else colours.soft
        pen = QPen(QColor(colour), max(3.0, s.body / 4.5))
        if card.provisional:
            pen.setStyle(Qt.PenStyle.DashLine)
        painter.setPen(pen)
        painter.setBrush(QColor(colours.panel_soft))
        painter.drawRoundedRect(box, s.radius, s.radius)
        stripe = s.body * 0.55
        inside = box.adjusted(4, 4, -4, -4)
        if counts and card.band is Band.HIGH:
            hatch(painter, QRectF(inside.left(), inside.top(), inside.width(), stripe), colour, s.body, falling=True)
        elif counts and card.band is Band.LOW:
            hatch(
                painter,
                QRectF(inside.left(), inside.bottom() - stripe, inside.width(), stripe),
                colour,
                s.body,
                falling=False,
            )
        painter.setPen(QColor(colour if counts else colours.ink))
        word = words.card_state(card, self.mode)
        first, second = words.delivered(card, kind)
        left = box.adjusted(s.pad * 0.6, 0, 0, 0)
        room = 0.60 if first else 0.95
        left.setWidth(box.width() * room)
        used = draw_fitted(painter, left, word, font_of_cap(s.state, bold=True), least=0.5)
        text = QRectF(left.left() + used + s.pad * 0.7, box.top(), 0, box.height())
        text.setRight(box.right() - s.pad * 0.6)
        half = QRectF(text.left(), box.center().y() - s.lead * 2.1, text.width(), s.lead * 2.1)
        font = font_of_cap(s.lead)
        draw_fitted(painter, half, first, font, align=RIGHT, least=0.5)
        draw_fitted(painter, half.translated(0, s.lead * 2.1), second, font, align=RIGHT, least=0.5)


class ChoicePanel(Painted):
    """The branches at a decision, walked with two keys or clicked."""

    chosen = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.choices: tuple[tuple[str, str], ...] = ()
        self.proposed = 0
        self.title = ""
        self.room = QRect(0, 0, 300, 300)
        self.setCursor(Qt.CursorShape.PointingHandCursor)

    def show_choices(self, view: BenchView) -> None:
        """Show the run's choices, or hide."""
        run = view.run
        asks = run is not None and view.state in (RunState.DECIDE, RunState.REASON) and bool(run.choices)
        self.setVisible(asks)
        if run is None or not asks:
            return
        if view.state is RunState.REASON:
            title = "Why does it not count?"
        else:
            asked = next((pull.pull for pull in run.pulls if pull.number == run.asked_about), None)
            noticed = words.told_of(asked) if asked is not None and run.pending else ()
            title = f"Noticed: {', '.join(map(words.flag_name, noticed))}" if noticed else "The last reading"
        self.show_list(title, [(c.key, words.choice(c.key)) for c in run.choices], run.choice_index)

    def show_list(self, title: str, rows: Sequence[tuple[str, str]], proposed: int) -> None:
        """Show (key, words) for each row."""
        self.title, self.choices, self.proposed = title, tuple(rows), proposed
        self.settle()
        self.setAccessibleName(f"{title}: " + ", ".join(label for _, label in rows))
        self.update()

    def settle(self) -> None:
        """Stand on the foot of the room given, as high as the rows need: the corridor above stays in sight."""
        s = self.sizes
        need = min(float(self.room.height()), s.body * 3.2 + len(self.choices) * s.lead * 3.7 + s.pad * 0.6)
        box = QRectF(self.room)
        box.setTop(box.bottom() - need)
        self.setGeometry(box.toRect())

    def _row(self, i: int) -> QRectF:
        s = self.sizes
        top = s.body * 3.2
        n = max(1, len(self.choices))
        pitch = min(s.lead * 3.7, (self.height() - top - s.pad * 0.5) / n)
        return QRectF(s.pad * 0.5, top + i * pitch, self.width() - s.pad, pitch - s.pad * 0.35)

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Title and one row a choice; the proposed one is filled and has an arrow."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius, frame=colours.accent)
        painter.setPen(QColor(colours.soft))
        head = QRectF(s.pad * 0.8, s.body * 0.5, box.width() - 1.6 * s.pad, s.body * 2.6)
        draw_fitted(painter, head, self.title, font_of_cap(s.body))
        for i, (_, label) in enumerate(self.choices):
            row = self._row(i)
            here = i == self.proposed
            painter.setPen(QPen(QColor(colours.accent if here else colours.line), 1.5))
            painter.setBrush(QColor(colours.accent if here else colours.panel))
            painter.drawRoundedRect(row, s.radius, s.radius)
            painter.setPen(QColor(colours.ground if here else colours.ink))
            text = row.adjusted(s.pad * 0.6, 0, -s.pad * 0.4, 0)
            if here:
                arrow = QPolygonF(
                    [
                        QPointF(text.left(), row.center().y() - s.lead * 0.6),
                        QPointF(text.left(), row.center().y() + s.lead * 0.6),
                        QPointF(text.left() + s.lead * 0.9, row.center().y()),
                    ]
                )
                painter.setBrush(QColor(colours.ground))
                painter.drawPolygon(arrow)
            text.adjust(s.lead * 1.5, 0, 0, 0)
            draw_fitted(painter, text, label, font_of_cap(s.lead * 1.1, bold=here))

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """A click takes a choice directly."""
        for i, (key, _) in enumerate(self.choices):
            if self._row(i).contains(event.position()):
                self.chosen.emit(key)
                return
