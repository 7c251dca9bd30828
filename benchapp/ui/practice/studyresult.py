"""What a study found, as a picture: shares of variance with their intervals, and every pull by person and tool."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QHBoxLayout, QMessageBox, QVBoxLayout, QWidget

from benchapp.metrology.anova import Component, Source, Study
from benchapp.practice.finding import ALIKE, POOLED, SOME_MORE, TOOL, WHO, WITHIN, Row, rows
from benchapp.practice.study import Quantity, Result, StudyPull, StudyRefusedError, csv_text, evaluate
from benchapp.records.studies import StoredStudy
from benchapp.ui import theme
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Panel, in_row, label, main_button, plain_button, quiet_button
from benchapp.ui.files import ask_save
from benchapp.ui.format import glued, percent, plural, wall_text
from benchapp.ui.page import Facts, scrolled
from benchapp.ui.painted import CENTRE, RIGHT, Painted
from benchapp.ui.theme import draw_fitted, font_of_cap
from benchapp.ui.ticks import ticks

QUANTITIES: Final = ((Quantity.READING.value, "where it let go"), (Quantity.PEAK.value, "where the hand went"))
SHAPES: Final = 6
"""So many shapes tell people apart; from the seventh on they come again, filled."""


def draw_shape(painter: QPainter, at: QPointF, r: float, index: int) -> None:
    """Draw the shape of a person: disc, square, triangle, diamond, triangle down, cross; rings from the seventh on."""
    ink = QColor(theme.palette().ink)
    painter.setPen(QPen(ink, 1.5))
    painter.setBrush(ink if index < SHAPES else Qt.BrushStyle.NoBrush)
    x, y = at.x(), at.y()
    kind = index % SHAPES
    if kind == 0:
        painter.drawEllipse(at, r, r)
    elif kind == 1:
        painter.drawRect(QRectF(x - r * 0.88, y - r * 0.88, r * 1.76, r * 1.76))
    elif kind == 5:
        painter.drawLine(QPointF(x - r, y - r), QPointF(x + r, y + r))
        painter.drawLine(QPointF(x - r, y + r), QPointF(x + r, y - r))
    else:
        corners = {
            2: ((-1.1, 0.9), (1.1, 0.9), (0, -1.1)),
            3: ((0, -1.25), (1.25, 0), (0, 1.25), (-1.25, 0)),
            4: ((-1.1, -0.9), (1.1, -0.9), (0, 1.1)),
        }[kind]
        painter.drawPolygon(QPolygonF([QPointF(x + dx * r, y + dy * r) for dx, dy in corners]))


class SharesPicture(Painted):
    """A bar for each share of the variance, with its interval."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.rows: tuple[Row, ...] = ()

    def show_result(self, result: Result) -> None:
        """Show these shares."""
        self.rows = rows(result.analysis)
        self.setAccessibleName("; ".join(f"{row.name}: {row.text}" for row in self.rows) + " of the variance")
        self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Names at the left, bars from 0 to 100 %, figures at the right."""
        if not self.rows:
            return
        s, c = self.sizes, theme.palette()
        foot = s.small * 2.4
        pitch = (box.height() - foot) / len(self.rows)
        cap = min(s.body, pitch * 0.5)
        font, part_font, indent = font_of_cap(cap), font_of_cap(cap * 0.86), cap * 2
        metrics = QFontMetricsF(font)
        name_w = max(metrics.horizontalAdvance(row.name) + (indent if row.is_part else 0) for row in self.rows) + s.pad
        figure_w = max(metrics.horizontalAdvance(row.text) for row in self.rows) + s.pad
        left, right = box.left() + name_w, box.right() - figure_w

        def x_of(percent: float) -> float:
            return left + (right - left) * percent / 100

        painter.setPen(QPen(QColor(c.line), 1))
        for tick in (0, 25, 50, 75, 100):
            painter.drawLine(QPointF(x_of(tick), box.top()), QPointF(x_of(tick), box.bottom() - foot))
        painter.setPen(QColor(c.soft))
        for tick in (0, 25, 50, 75, 100):
            wide = QRectF(x_of(tick) - 40, box.bottom() - foot, 80, foot * 0.8)
            draw_fitted(painter, wide, f"{tick} %", font_of_cap(s.small), align=CENTRE)
        for i, row in enumerate(self.rows):
            line = QRectF(box.left(), box.top() + i * pitch, box.width(), pitch)
            middle, half = line.center().y(), min(pitch * 0.26, s.body * 1.1) * (0.6 if row.is_part else 1.0)
            named = part_font if row.is_part else font
            painter.setPen(QColor(c.soft if row.is_part else c.ink))
            place = QRectF(line.left(), line.top(), name_w - s.pad * 0.6, pitch)
            draw_fitted(painter, place.adjusted(indent if row.is_part else 0, 0, 0, 0), row.name, named)
            figure = QRectF(right + s.pad * 0.7, line.top(), figure_w - s.pad * 0.7, pitch)
            draw_fitted(painter, figure, row.text, named)
            if row.share is None:
                continue
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(c.accent))
            painter.drawRect(QRectF(left, middle - half, x_of(row.share.percent) - left, 2 * half))
            painter.setPen(QPen(QColor(c.ink), 2))
            low, high = QPointF(x_of(row.share.low), middle), QPointF(x_of(row.share.high), middle)
            painter.drawLine(low, high)
            for end in (low, high):
                painter.drawLine(QPointF(end.x(), middle - half * 0.7), QPointF(end.x(), middle + half * 0.7))


class DotsPicture(Painted):
    """Every pull: a column for each tool, a shape for each person, height the deviation in percent of the target."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.result: Result | None = None

    def show_result(self, result: Result) -> None:
        """Show these pulls."""
        self.result = result
        self.setAccessibleName(f"{result.n_counted} pulls by person and tool")
        self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Grid, dots with the mean of each person and tool, legend."""
        if self.result is None:
            return
        s, c, values = self.sizes, theme.palette(), self.result.values
        plan = self.result.plan
        small = font_of_cap(s.small)
        metrics = QFontMetricsF(small)
        legend_h, foot = s.small * 3.0, s.small * 3.2
        left = box.left() + metrics.horizontalAdvance("+88.88 %") + s.pad * 0.7
        area = QRectF(left, box.top() + legend_h, box.right() - left, box.height() - legend_h - foot)
        low, high = min(float(values.min()), 0.0), max(float(values.max()), 0.0)
        margin = 0.08 * (high - low)
        low, high = low - margin, high + margin
        places, decimals = ticks(low, high, 5)

        def y_of(percent: float) -> float:
            return area.bottom() - area.height() * (percent - low) / (high - low)

        for tick in places:
            is_zero = tick == 0
            painter.setPen(QPen(QColor(c.rail if is_zero else c.line), 2 if is_zero else 1))
            painter.drawLine(QPointF(area.left(), y_of(tick)), QPointF(area.right(), y_of(tick)))
            painter.setPen(QColor(c.soft))
            text = percent(0.0 if is_zero else tick, decimals=decimals)
            wide = QRectF(box.left(), y_of(tick) - s.small, left - box.left() - s.pad * 0.6, 2 * s.small)
            draw_fitted(painter, wide, text, small, align=RIGHT)
        n_people, n_tools, n_rounds = values.shape
        column = area.width() / n_tools
        r = min(s.small * 0.55, column / n_people / 3)
        for j, one in enumerate(plan.tools):
            x0 = area.left() + j * column
            if j:
                painter.setPen(QPen(QColor(c.line), 1, Qt.PenStyle.DotLine))
                painter.drawLine(QPointF(x0, area.top()), QPointF(x0, area.bottom()))
            painter.setPen(QColor(c.ink))
            wide = QRectF(x0 + 2, area.bottom() + s.small * 0.4, column - 4, foot - s.small * 0.4)
            draw_fitted(painter, wide, one.tool.number, small, align=CENTRE)
            for i in range(n_people):
                x = x0 + column * (i + 0.75) / (n_people + 0.5)
                cell = values[i, j]
                half = column / n_people * 0.3
                y = y_of(float(cell.mean()))
                painter.setPen(QPen(QColor(c.accent), 3))
                painter.drawLine(QPointF(x - half, y), QPointF(x + half, y))
                for k in range(n_rounds):
                    shift = (k - (n_rounds - 1) / 2) * min(r * 0.9, column / n_people / (n_rounds + 1))
                    draw_shape(painter, QPointF(x + shift, y_of(float(cell[k]))), r, i)
        self._draw_legend(painter, QRectF(area.left(), box.top(), area.width(), legend_h))

    def _draw_legend(self, painter: QPainter, box: QRectF) -> None:
        assert self.result is not None
        s, c, people = self.sizes, theme.palette(), self.result.plan.staying
        small = font_of_cap(s.small)
        each = box.width() / len(people)
        r = s.small * 0.55
        for i, name in enumerate(people):
            x = box.left() + i * each
            draw_shape(painter, QPointF(x + r * 2, box.center().y()), r, i)
            painter.setPen(QColor(c.ink))
            draw_fitted(painter, QRectF(x + r * 4.4, box.top(), each - r * 5.5, box.height()), name, small)


class StudyResult(QWidget):
    """The sentence, the pictures, what must be known with them, and the export."""

    back = Signal()
    go_on = Signal(object)  # StoredStudy

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self.study: StoredStudy | None = None
        self.pulls: list[StudyPull] = []
        self.result: Result | None = None
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.setSpacing(10)

        head = Panel()
        row = QHBoxLayout()
        row.setSpacing(12)
        texts = QVBoxLayout()
        self.sentence = label("", "figure", wrap=True)
        self.about = label("", "soft", wrap=True)
        texts.addWidget(self.sentence)
        texts.addWidget(self.about)
        row.addLayout(texts, 1)
        head.body.addLayout(row)
        outer.addWidget(head)

        middle = QHBoxLayout()
        middle.setSpacing(12)
        outer.addLayout(middle, 1)
        pictures = QVBoxLayout()
        pictures.setSpacing(10)
        middle.addLayout(pictures, 7)
        first = Panel("Shares of the spread (variance), with 95 % intervals")
        self.shares = SharesPicture()
        self.shares.setMinimumHeight(110)
        first.body.addWidget(self.shares, 1)
        pictures.addWidget(first, 6)
        second = Panel("Every pull: (torque − target) / target in percent of the target; bars are means")
        self.dots = DotsPicture()
        self.dots.setMinimumHeight(120)
        second.body.addWidget(self.dots, 1)
        pictures.addWidget(second, 6)

        side = Panel("Standard deviations, in percent of the target")
        self.facts = Facts()
        self.remarks = label("", wrap=True)
        holder = QWidget()
        inside = QVBoxLayout(holder)
        inside.setContentsMargins(0, 0, 6, 0)
        inside.setSpacing(8)
        inside.addWidget(self.facts)
        inside.addWidget(label("To be known with it", "heading"))
        inside.addWidget(self.remarks)
        inside.addStretch(1)
        side.body.addWidget(scrolled(holder), 1)
        middle.addWidget(side, 4)

        self.quantity = ChoiceField("Of each pull", QUANTITIES, on_change=lambda _: self._show())
        self.delete = quiet_button("Delete this study")
        self.delete.clicked.connect(self._delete)
        self.export = plain_button("Export CSV …")
        self.export.clicked.connect(self._export)
        self.more = plain_button("Go on pulling")
        self.more.clicked.connect(lambda: self.go_on.emit(self.study))
        self.close_button = main_button("Back to the studies")
        self.close_button.clicked.connect(self.back)
        outer.addLayout(
            in_row(
                label("Of each pull", "soft"),
                self.quantity,
                right=(self.delete, self.export, self.more, self.close_button),
            )
        )
        self.setFocusProxy(self.close_button)

    def show_study(self, study: StoredStudy, pulls: list[StudyPull]) -> None:
        """Show what a study found."""
        self.study, self.pulls = study, pulls
        self.more.setVisible(study.is_open)
        self._show()

    def _show(self) -> None:
        study = self.study
        if study is None:
            return
        plan = study.plan
        left = f" ({', '.join(plan.gone)} left)" if plan.gone else ""
        size = f"{len(plan.staying)} people{left}, {len(plan.tools)} tools, {plural(plan.n_repeats, 'round')}"
        self.about.setText(f"{size}  ·  begun {wall_text(study.started)}  ·  order from seed {plan.seed}")
        try:
            self.result = evaluate(plan, self.pulls, Quantity(self.quantity.value()))
        except StudyRefusedError as refused:
            self.result = None
            self.sentence.setText(str(refused))
        for widget in (self.shares, self.dots, self.remarks, self.facts):
            widget.setVisible(self.result is not None)
        if self.result is None:
            return
        found, a = self.result, self.result.analysis
        self.sentence.setText(glued(found.sentence))
        self.shares.show_result(found)
        self.dots.show_result(found)

        self.facts.show_facts(
            [
                (WITHIN, sd(a.repeatability, with_interval=True)),
                (WHO, sd(a.reproducibility)),
                (f"   {ALIKE}", sd(a.persons)),
                (f"   {SOME_MORE}", POOLED if a.pooled else sd(a.together)),
                (f"{WHO} and {WITHIN}", sd(a.both, with_interval=True)),
                (TOOL, sd(a.tools)),
                ("all", sd(a.all, with_interval=True)),
                (f"p, {ALIKE}", p(a.person)),
                (f"p, {SOME_MORE}", p(a.interaction)),
                (f"p, {TOOL}", p(a.tool)),
                ("pulls evaluated", f"{found.n_counted}; {found.n_repeated} pulled again"),
            ]
        )
        self.remarks.setText(glued("\n\n".join([*found.remarks, method(a)])))

    def _export(self) -> None:
        if self.study is None:
            return
        name = f"study-{self.study.started[:10]}-{self.study.key}.csv"
        path = ask_save(self, "Export the study", name, "CSV (*.csv)")
        if path is not None:
            self.save(path)

    def save(self, path: Path) -> None:
        """Write all pulls to a CSV file."""
        assert self.study is not None
        try:
            path.write_text(csv_text(self.study.plan, self.pulls), encoding="utf-8", newline="")
        except OSError as error:
            self.context.message.emit("problem", f"{path}: {error.strerror}. Nothing was written.")
            return
        self.context.message.emit("note", f"{plural(len(self.pulls), 'pull')} written to {path}.")

    def _delete(self) -> None:
        study, store = self.study, self.context.store
        if study is None or store is None:
            return
        says = f"The study “{study.name}” and its {plural(len(self.pulls), 'pull')} will be deleted for good."
        if confirmed(self, "Delete this study", says):
            from benchapp.records import studies

            studies.delete(store, study.key)
            self.study = None
            self.back.emit()

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        self.shares.restyle()
        self.dots.restyle()


def sd(part: Component, *, with_interval: bool = False) -> str:
    """Return a standard deviation in percent of the target."""
    ends = f"  ({part.low:.2f} to {part.high:.2f})" if with_interval and not math.isnan(part.low) else ""
    return f"{part.sd:.2f} %{ends}"


def p(line: Source) -> str:
    """Return the p of a line; "" where there is nothing to compare with."""
    return "" if math.isnan(line.p) else ("below 0.001" if line.p < 0.001 else f"{line.p:.3f}")


def method(analysis: Study) -> str:
    """Return how the figures were got and what the trade calls them."""
    return (
        "Standard deviations from an analysis of variance of two crossed factors with interaction "
        f"(“{SOME_MORE}”), of readings as deviations in percent of what each tool was set to, so that tools of "
        f"different torque compare. “{WITHIN}” is repeatability, “{WHO}” reproducibility, the two together R&R. In "
        f"brackets stand {100 * analysis.probability:.0f} % intervals; those of the rest stand in the picture. p: how "
        "often chance alone gives such a difference or a greater one; below "
        f"{(1 - analysis.probability) / 2:g} the interval of its share leaves zero out. A study is no evidence: it "
        "never touches a verification record."
    )


def confirmed(parent: QWidget, title: str, says: str) -> bool:
    """Ask before what cannot be taken back; Enter alone changes nothing."""
    both = QMessageBox.StandardButton.Yes | QMessageBox.StandardButton.No
    answer = QMessageBox.question(parent, title, says, both, QMessageBox.StandardButton.No)
    return answer == QMessageBox.StandardButton.Yes
