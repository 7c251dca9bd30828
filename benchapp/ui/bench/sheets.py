"""What takes the place of ladder, plot and card where there is no curve to look at; and the notices."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import QPointF, QRect, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QMouseEvent, QPainter, QPainterPath, QPen, QResizeEvent
from PySide6.QtWidgets import QLineEdit, QWidget

from benchapp.metrology.deviation import Convention
from benchapp.metrology.judgement import CheckpointJudgement, Verdict
from benchapp.metrology.tool import Tool, ToolType
from benchapp.runs.model import Band, RunState
from benchapp.runs.standing import convention_of
from benchapp.session.view import BenchView, CheckpointResult
from benchapp.torque.direction import Direction
from benchapp.torque.text import parse_number
from benchapp.torque.units import from_nm
from benchapp.ui import theme, words
from benchapp.ui import verdict as told
from benchapp.ui.bench.panels import band_colour, draw_dot
from benchapp.ui.format import percent, plural
from benchapp.ui.painted import CENTRE, RIGHT, Painted, draw_lines, hatch, wrap
from benchapp.ui.theme import draw_fitted, font_of_cap

MOST_ROWS: Final = 10
AIR: Final = {
    "end_c": ("temperature now", "°C", -20.0, 60.0),
    "humidity_percent": ("humidity", "%", 0.0, 100.0),
}
"""Key of `Run.ambient` -> (name, unit, least, greatest) of what may be typed at the end of a run."""
AIR_STYLE: Final = "QLineEdit { min-height: 0; padding: 0 6px; } QLineEdit:focus { padding: 0 5px; }"
"""As high as the row has room for: the form's least height reached into the keys beneath at 200 %."""


Row = tuple[CheckpointResult, CheckpointJudgement | None]


class CautionsSheet(Painted):
    """The cautions, once a run, each with a picture."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.limits = ""
        self.warnings: tuple[str, ...] = ()
        self.tool: Tool | None = None

    def show_for(self, view: BenchView) -> None:
        """Fill in the limits of this tool and reference, both in the tool's unit."""
        run = view.run
        if run is None:
            return
        tool = self.tool = run.plan.tool
        capacity = words.plain(float(f"{from_nm(run.plan.reference.capacity_nm, tool.unit):.4g}"))
        self.limits = f"{words.plain(tool.highest)} and {capacity} {tool.unit}"
        self.warnings = run.plan.warnings
        self.setAccessibleName("Cautions")
        self.setAccessibleDescription(" ".join(f"{head}: {why}" for _, head, why in self.rows()))
        self.update()

    def rows(self) -> list[tuple[str, str, str]]:
        """Return (picture, what, why) with the limits filled in."""
        return [] if self.tool is None else words.cautions(self.tool, self.limits)

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """One row a caution; warnings about the reference and the foot beneath."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius)
        rows = self.rows()
        if not rows:
            return
        width = box.width() - 2 * s.pad
        cap, warned = self._warned(width)
        foot_height = s.small * 5.2 + cap * 2.05 * len(warned)
        pitch = (box.height() - foot_height - s.pad * 1.4) / len(rows)
        line = min(s.lead, pitch / 5.6)  # the sentence stays nearer to its own head than to the next one
        for i, (picture, head, why) in enumerate(rows):
            row = QRectF(box.left() + s.pad, box.top() + s.pad * 0.8 + i * pitch, width, pitch)
            side = min(pitch * 0.78, s.lead * 5)
            icon = QRectF(row.left(), row.center().y() - side / 2, side, side)
            draw_picture(painter, icon, picture)
            text = QRectF(icon.right() + s.pad, row.top(), row.right() - icon.right() - s.pad, pitch)
            painter.setPen(QColor(colours.ink))
            upper = QRectF(text.left(), text.center().y() - line * 2.6, text.width(), line * 2.6)
            draw_fitted(painter, upper, head, font_of_cap(line * 1.6, bold=True))
            painter.setPen(QColor(colours.soft))
            lower = QRectF(text.left(), text.center().y() + line * 0.1, text.width(), line * 2.0)
            draw_fitted(painter, lower, why, font_of_cap(line * 1.05))
        y = box.bottom() - foot_height
        painter.setPen(QColor(colours.high))
        font = font_of_cap(cap, bold=True)
        for said in warned:
            draw_fitted(painter, QRectF(box.left() + s.pad, y, width, cap * 2.05), said, font)
            y += cap * 2.05
        painter.setPen(QColor(colours.soft))
        foot = QRectF(box.left() + s.pad, y, box.width() * 0.66, s.small * 5)
        draw_lines(painter, foot, words.CAUTIONS_FOOT, s.small, 2)

    def _warned(self, width: float) -> tuple[float, list[str]]:
        """Return (cap, lines) of every warning of the plan; more of them are smaller, none is left out."""
        s = self.sizes
        for cap in (s.body, s.body * 0.9, s.small):
            metrics = QFontMetricsF(font_of_cap(cap, bold=True))
            lines = [line for warning in self.warnings for line in wrap(warning, metrics, width, 99)]
            if len(lines) * cap * 2.05 <= self.height() * 0.2:
                break
        return cap, lines


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


class VerdictSheet(Painted):
    """Every reading as a dot against its limits, the big word, what to do with the tool and what would settle a doubt.

    Dots lie by what the tool delivered against what it says; the standard's deviation stands beneath with its name.
    """

    ambient_entered = Signal(str, float)  # key of `Run.ambient`, value

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.view: BenchView | None = None
        self.key_room = 0.0
        self.air = {key: QLineEdit(self) for key in AIR}
        for key, field in self.air.items():
            field.setAccessibleName(AIR[key][0])
            field.setAlignment(RIGHT)
            field.setStyleSheet(AIR_STYLE)
            field.editingFinished.connect(self._take_air)
            field.hide()
        self.air_problem = ""
        self._given: dict[tuple[str, str], float] = {}  # (run, key) -> what was handed over

    def show_verdict(self, view: BenchView, unit: str) -> None:
        """Show the view's verdict."""
        self.view, self.unit = view, unit
        if view.verdict is not None:
            self.setAccessibleName(words.verdict_word(view))
            said = (words.verdict_action(view) + ".", *self.notes())
            self.setAccessibleDescription(" ".join(part for part in said if part))
        open_run = view.run is not None and view.state is RunState.VERDICT
        for key, field in self.air.items():
            field.setVisible(open_run)
            if not field.hasFocus() and view.run is not None:
                value = view.run.ambient.get(key)
                field.setText("" if value is None else words.plain(value))
        self.update()

    def notes(self) -> tuple[str, ...]:
        """Return what is said beneath the action: settling, what was set aside, conditions."""
        view = self.view
        if view is None:
            return ()
        n_more = 0 if view.verdict is None else max(0, len(view.verdict.checkpoints) - MOST_ROWS)
        more = f"{plural(n_more, 'more checkpoint')} in the Logbook." if n_more else ""
        return words.verdict_settle(view), words.verdict_aside(view), more, words.verdict_conditions(view)

    def _take_air(self) -> None:
        """Hand over what was typed; what cannot be is said and left standing."""
        self.air_problem = ""
        view = self.view
        for key, field in self.air.items():
            text = field.text().strip()
            if not text or view is None or view.run is None or view.state is not RunState.VERDICT:
                continue
            shown = view.run.ambient.get(key)
            if shown is not None and text == words.plain(shown):
                continue  # what a thermometer put there is not typed by walking through the field
            name, unit, low, high = AIR[key]
            try:
                value = parse_number(text.removesuffix(unit).strip())
            except ValueError as error:
                self.air_problem = str(error)
                continue
            if not low <= value <= high:
                self.air_problem = f"{name}: {low:g} to {high:g} {unit} is taken"
                continue
            known = self._given.get((view.run.run_id, key), view.run.ambient.get(key))
            if known != value:  # Return and the loss of the keyboard both end the typing
                self._given[view.run.run_id, key] = value
                self.ambient_entered.emit(key, value)
        if not self.air_problem and any(field.hasFocus() for field in self.air.values()):
            page = self.parentWidget()
            if page is not None:
                page.setFocus()  # the two keys go on acting
        self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Left the checkpoints, highest on top like the ladder; right the word and the next action."""
        view = self.view
        if view is None or view.verdict is None or view.run is None:
            return
        s, colours = self.sizes, theme.palette()
        right_width = max(box.width() * 0.37, s.state * 7.6)
        right = QRectF(box.right() - right_width, box.top(), right_width, box.height())
        left = QRectF(box.left(), box.top(), box.width() - right_width - s.gap, box.height())
        theme.draw_panel(painter, left, s.radius)
        results = list(view.verdict.checkpoints)
        judgement = view.verdict.judgement
        judged = list(judgement.checkpoints) if judgement is not None else [None] * len(results)
        shown = self._rows_of(list(zip(results, judged, strict=False)))
        head = QRectF(left.left() + s.pad, left.top() + s.pad * 0.5, left.width() - 2 * s.pad, s.body * 2.6)
        painter.setPen(QColor(colours.soft))
        setting = view.run.plan.tool.tool_type is ToolType.SETTING
        title = "what the tool delivered against " + ("its setting" if setting else "what it showed")
        used = draw_fitted(painter, head, title, font_of_cap(s.body))
        beside = head.adjusted(used + s.pad, 0, 0, 0)
        draw_fitted(painter, beside, words.VERDICT_FOOT, font_of_cap(s.small), align=RIGHT, least=0.7)
        foot = QRectF(head.left(), left.bottom() - s.small * 3.2, head.width(), s.small * 2.6)
        foot.setRight(self.room_for_origin().left() - s.pad * 0.5)
        draw_fitted(painter, foot, self._legend(), font_of_cap(s.small), least=0.7)
        if shown:
            pitch = min((foot.top() - head.bottom() - s.pad * 0.5) / len(shown), s.lead * 11)
            for i, (result, known) in enumerate(reversed(shown)):
                row = QRectF(head.left(), head.bottom() + s.pad * 0.4 + i * pitch, head.width(), pitch - s.pad * 0.4)
                self._draw_row(painter, row, result, known)
        self._draw_word(painter, right)

    @staticmethod
    def _rows_of(rows: list[Row]) -> list[Row]:
        """As many as there is room for, in their order; what is out of limits is never among those left out."""
        first = sorted(range(len(rows)), key=lambda i: rows[i][0].within)[:MOST_ROWS]
        return [rows[i] for i in sorted(first)]

    def room_for_origin(self) -> QRect:
        """Return where the way to the origin of the numbers stands: right at the foot, beside the legend."""
        s = self.sizes
        left_width = self.width() - max(self.width() * 0.37, s.state * 7.6) - s.gap
        width, height = s.small * 24, s.small * 3.2
        return QRectF(left_width - s.pad * 0.5 - width, self.height() - height - s.small * 0.4, width, height).toRect()

    def _legend(self) -> str:
        verdict = self.view.verdict if self.view is not None else None
        if verdict is None:
            return ""
        said = ["● reading"]
        known = verdict.judgement.checkpoints if verdict.judgement is not None else ()
        if any(not r.counts for c in known for r in c.readings):
            said.append("× set aside")
        if any(c.budget.expanded > 0 for c in known):
            said.append("◇ mean, its bar out to W\u2032")
        if any(c.guard_band_percent > 0 for c in known):
            said.append("┆ guard band")
        if any(result.checkpoint.direction is not Direction.CLOCKWISE for result in verdict.checkpoints):
            said.append("↺ anticlockwise")
        return "    ".join(said)

    def _draw_row(
        self, painter: QPainter, row: QRectF, result: CheckpointResult, known: CheckpointJudgement | None
    ) -> None:
        view, s, colours = self.view, self.sizes, theme.palette()
        if view is None or view.run is None:
            return
        convention = convention_of(view.run)
        name_width, word_width = s.lead * 10.5, s.lead * 7.4
        centre = row.center().y()
        n_lines = 3 if row.height() > s.lead * 3.9 else 2
        step = min(s.lead * 2.2, row.height() / n_lines)
        name = QRectF(row.left(), centre - step * n_lines / 2, name_width, step)
        painter.setPen(QColor(colours.ink))
        arrow = "" if result.checkpoint.direction is Direction.CLOCKWISE else "↺ "
        title = f"{arrow}{words.plain(result.checkpoint.target)} {view.run.plan.tool.unit}"
        draw_fitted(painter, name, title, font_of_cap(min(s.lead * 1.1, step * 0.5), bold=True))
        mean = known.mean_deviation_percent if known is not None else result.mean_percent
        if mean is not None:
            draw_fitted(
                painter,
                name.translated(0, step),
                f"mean {told.delivered_short(mean, convention)}",
                font_of_cap(min(s.body * 0.95, step * 0.42)),
                least=0.7,
            )
            painter.setPen(QColor(colours.soft))
        if mean is not None and n_lines == 3:
            draw_fitted(painter, name.translated(0, step * 2), f"deviation {percent(mean)}", font_of_cap(s.small))
        strip = QRectF(name.right() + s.pad * 0.5, 0, 0, min(s.lead * 5.2, row.height() * 0.76))
        strip.moveTop(centre - strip.height() / 2)
        strip.setRight(row.right() - word_width - s.pad * 0.5)
        self._draw_strip(painter, strip, result, known, convention)
        line = min(s.lead * 2.2, row.height() / 2)
        word = QRectF(strip.right() + s.pad * 0.4, centre - line * 0.92, word_width, line)
        painter.setPen(QColor(colours.ink if result.within else self._side(result)))
        word_font = font_of_cap(min(s.lead * 1.35, line * 0.6), bold=True)
        draw_fitted(painter, word, self._row_word(result), word_font, align=RIGHT)
        if known is not None and known.budget.expanded > 0:
            painter.setPen(QColor(colours.soft))
            under = QRectF(word.left(), word.bottom(), word.width(), line * 0.92)
            chance = f"within: {told.probability_text(known.probability)}"
            draw_fitted(painter, under, chance, font_of_cap(min(s.small, line * 0.45)), align=RIGHT)

    def _draw_strip(
        self,
        painter: QPainter,
        strip: QRectF,
        result: CheckpointResult,
        known: CheckpointJudgement | None,
        convention: Convention,
    ) -> None:
        """Limits, guard band, dots above, the mean with its uncertainty beneath."""
        s, colours = self.sizes, theme.palette()
        checkpoint = result.checkpoint
        target, limit = checkpoint.target_nm, checkpoint.limit_percent
        low, high = (checkpoint.low_nm / target - 1) * 100, (checkpoint.high_nm / target - 1) * 100
        readings: list[tuple[float, bool]]
        if known is not None:
            readings = [(told.delivered_percent(r.deviation_percent, convention), r.counts) for r in known.readings]
        else:
            readings = [((reading / target - 1) * 100, True) for reading in result.readings_nm]
        reach = max([high * 1.9, -low * 1.9, *(abs(share) * 1.12 for share, _ in readings)])

        def x_of(share: float) -> float:
            at = strip.center().x() + share / reach * strip.width() / 2
            return min(max(at, strip.left()), strip.right())

        painter.fillRect(strip, QColor(colours.panel_soft))
        below = QRectF(strip.left(), strip.top(), x_of(low) - strip.left(), strip.height())
        above = QRectF(x_of(high), strip.top(), strip.right() - x_of(high), strip.height())
        hatch(painter, below, colours.low, s.body, falling=False, alpha=140)
        hatch(painter, above, colours.high, s.body, falling=True, alpha=140)
        painter.setPen(QPen(QColor(colours.ink), max(2.0, s.body / 6)))
        for edge in (low, high):
            painter.drawLine(QPointF(x_of(edge), strip.top()), QPointF(x_of(edge), strip.bottom()))
        dashed = QPen(QColor(colours.soft), 1)
        dashed.setDashPattern([4.0, 3.0])
        painter.setPen(dashed)
        painter.drawLine(QPointF(x_of(0), strip.top()), QPointF(x_of(0), strip.bottom()))
        if known is not None and 0 < known.guard_band_percent < limit:
            guard = QPen(QColor(colours.ink), max(1.4, s.body / 9))
            guard.setDashPattern([2.0, 2.0])
            painter.setPen(guard)
            for sign in (-1, 1):
                x = x_of(told.delivered_percent(sign * (limit - known.guard_band_percent), convention))
                painter.drawLine(QPointF(x, strip.top()), QPointF(x, strip.bottom()))
        has_mean = known is not None and known.budget.expanded > 0
        middle = strip.top() + strip.height() * (0.36 if has_mean else 0.5)
        n = len(readings)
        radius = min(s.body * 0.66, strip.height() * 0.115)
        for i, (share, counts) in enumerate(readings):
            offset = ((i % 3) - 1) * strip.height() * 0.19 if n > 1 else 0.0
            at = QPointF(x_of(share), middle + offset)
            if counts:
                band = Band.LOW if share < low else Band.HIGH if share > high else Band.IN
                draw_dot(painter, at, radius, band)
            else:
                arm = radius * 0.8
                painter.setPen(QPen(QColor(colours.soft), max(1.6, s.body / 7)))
                painter.drawLine(at + QPointF(-arm, -arm), at + QPointF(arm, arm))
                painter.drawLine(at + QPointF(-arm, arm), at + QPointF(arm, -arm))
        if known is None or not has_mean:
            return
        y = strip.top() + strip.height() * 0.82
        mean, half = known.mean_deviation_percent, known.budget.expanded + abs(known.error_percent)
        ends = [x_of(told.delivered_percent(mean + sign * half, convention)) for sign in (-1, 1)]
        pen = QPen(QColor(colours.accent), max(2.5, s.body / 5))
        painter.setPen(pen)
        painter.drawLine(QPointF(ends[0], y), QPointF(ends[1], y))
        for end in ends:
            painter.drawLine(QPointF(end, y - s.body * 0.3), QPointF(end, y + s.body * 0.3))
        side, x = radius * 0.92, x_of(told.delivered_percent(mean, convention))
        painter.setBrush(QColor(colours.panel))
        painter.drawPolygon([QPointF(x - side, y), QPointF(x, y - side), QPointF(x + side, y), QPointF(x, y + side)])

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
        standing = words.verdict_standing(view)
        is_out, is_open = standing is Verdict.OUT, standing is Verdict.DOUBTFUL
        ink = QColor(colours.ink)
        theme.draw_panel(painter, box, s.radius)
        big = QRectF(box.left() + s.pad * 0.7, box.top() + s.pad * 0.6, box.width() - s.pad * 1.4, 0)
        big.setHeight(s.state * (2.2 if is_open else 3.7))
        frame = QPen(ink, max(3.0, s.body / 4))
        if is_open:
            frame.setStyle(Qt.PenStyle.DashLine)
        painter.setPen(frame)
        painter.setBrush(QColor(colours.ink if is_out else colours.panel_soft))
        painter.drawRoundedRect(big, s.radius, s.radius)
        if is_out:
            edge = QRectF(big.left() + 5, big.bottom() - s.body * 1.3, big.width() - 10, s.body)
            hatch(painter, edge, colours.panel, s.body, falling=True)
        first, second = words.verdict_word(view).rsplit(" ", 1)
        painter.setPen(QColor(colours.panel) if is_out else ink)
        font = font_of_cap(s.state, bold=True)
        half = QRectF(big.left() + s.pad * 0.5, big.top() + s.state * 0.2, big.width() - s.pad, s.state * 1.6)
        if is_open:
            draw_fitted(painter, half, f"{first} {second}", font, align=CENTRE, least=0.5)
        else:
            draw_fitted(painter, half, first, font, align=CENTRE, least=0.5)
            draw_fitted(painter, half.translated(0, s.state * 1.5), second, font, align=CENTRE, least=0.5)
        painter.setPen(ink)
        metrics = QFontMetricsF(font_of_cap(s.lead * 1.1, bold=True))
        y = big.bottom() + s.pad * 0.6
        action = words.verdict_action(view) + "."
        n = len(wrap(action, metrics, big.width(), 3))
        draw_lines(painter, QRectF(big.left(), y, big.width(), s.lead * 7), action, s.lead * 1.1, 3, bold=True)
        y += n * s.lead * 2.3 + s.pad * 0.4
        foot = self._air_top() if self.air["end_c"].isVisible() else box.bottom() - self.key_room
        notes = [note for note in self.notes() if note]
        for cap in (
            s.body,
            s.body * 0.92,
            s.body * 0.84,
            s.small,
            s.small * 0.85,
        ):  # smaller, not less
            metrics, pitch = QFontMetricsF(font_of_cap(cap)), cap * 2.05
            lines = [len(wrap(note, metrics, big.width(), 99)) for note in notes]
            if y + sum(lines) * pitch + len(lines) * cap * 0.5 <= foot:
                break
        for i, (note, n) in enumerate(zip(notes, lines, strict=True)):
            painter.setPen(QColor(colours.ink if i == 0 and is_open else colours.soft))
            draw_lines(painter, QRectF(big.left(), y, big.width(), n * pitch), note, cap, max(1, n))
            y += n * pitch + cap * 0.5
        if self.air["end_c"].isVisible():
            self._draw_air(painter, big)

    def _air_top(self) -> float:
        s = self.sizes
        return self.height() - self.key_room - s.body * 3.6

    def _draw_air(self, painter: QPainter, inner: QRectF) -> None:
        """Names and units of the fields that may be filled in; no key waits for them."""
        s, colours = self.sizes, theme.palette()
        left = inner.left()
        for key, field in self.air.items():
            name, unit, *_ = AIR[key]
            box = QRectF(field.geometry())
            wrong = bool(self.air_problem) and field.hasFocus()
            painter.setPen(QColor(colours.high if wrong else colours.soft))
            before = QRectF(left, box.top(), box.left() - left - s.body * 0.4, box.height())
            said = self.air_problem if wrong else name
            draw_fitted(painter, before, said, font_of_cap(s.small), align=RIGHT, least=0.5)
            after = QRectF(box.right() + s.body * 0.4, box.top(), s.body * 2.2, box.height())
            draw_fitted(painter, after, unit, font_of_cap(s.small))
            left = after.right()

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        super().restyle()
        self._place()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """The fields stand above the keys on the right."""
        super().resizeEvent(event)
        self._place()

    def _place(self) -> None:
        s = self.sizes
        right = self.width() - s.pad * 0.7
        width, height = s.body * 5.8, s.body * 2.9  # wide enough for "−12.34"
        y = self._air_top() + s.body * 0.4
        for field, from_right in zip(self.air.values(), (s.body * 16.2, s.body * 2.4), strict=True):
            field.setFont(font_of_cap(s.small))
            field.setGeometry(round(right - from_right - width), round(y), round(width), round(height))


class Notice(Painted):
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
