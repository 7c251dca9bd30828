"""Progress: a person's own weeks, or a group's without names; and the way out, deleting one's own practice."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from benchapp.practice.drills import NAMES, TOLD, UNITS, Aim, Drill, shipped_drills
from benchapp.practice.progress import (
    LEAST_GROUP,
    SPREAD,
    HiddenWeek,
    Line,
    PracticedPull,
    Week,
    group_weeks,
    reached,
    weeks,
)
from benchapp.ui import theme
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Choices, Panel, label, plain_button
from benchapp.ui.files import ask_save
from benchapp.ui.format import plural
from benchapp.ui.listing import Column, Listing
from benchapp.ui.page import today
from benchapp.ui.painted import Painted
from benchapp.ui.practice import texts
from benchapp.ui.theme import draw_fitted, font_of_cap
from benchapp.ui.ticks import nice_step

GROUP: Final = "\0group"
MOST_WEEKS: Final = 26


class WeeksChart(Painted):
    """One mark over weeks: a dot a week, the limits of the levels as lines, hidden weeks as gaps that say so."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.weeks: tuple[Week | HiddenWeek, ...] = ()
        self.mark = ""
        self.title = ""
        self.empty = ""
        self.limits: tuple[tuple[str, float], ...] = ()
        self.setMinimumHeight(180)

    def show_weeks(
        self,
        shown: Sequence[Week | HiddenWeek],
        mark: str,
        limits: Sequence[tuple[str, float]],
        title: str,
        empty: str = "",
    ) -> None:
        """Show these weeks; `empty` is said when there is nothing to see."""
        self.weeks, self.mark, self.limits = tuple(shown)[-MOST_WEEKS:], mark, tuple(limits)
        self.title, self.empty = title, empty
        self.setAccessibleName(title)
        self.setAccessibleDescription(self.spoken())
        self.update()

    def spoken(self) -> str:
        """Return the chart as text."""
        parts = []
        for week in self.weeks:
            if isinstance(week, HiddenWeek):
                parts.append(f"week of {week.monday}: not shown, fewer than {LEAST_GROUP} people")
            elif self.mark in week.values:
                parts.append(f"week of {week.monday}: {self._text(week.values[self.mark])}")
        return "; ".join(parts) or self.empty

    @property
    def has_values(self) -> bool:
        """There is a figure to see, not only weeks that are hidden or do not tell."""
        return any(isinstance(week, Week) and self.mark in week.values for week in self.weeks)

    def _unit(self) -> str:
        return UNITS[self.mark]

    def _text(self, value: float) -> str:
        return f"{value:.3g} {self._unit()}"

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Title, axis, limits, dots with their values."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius)
        inner = box.adjusted(s.pad, s.pad * 0.5, -s.pad, -s.pad * 0.5)
        painter.setPen(QColor(colours.ink))
        head = QRectF(inner.left(), inner.top(), inner.width(), s.lead * 2.4)
        draw_fitted(painter, head, self.title, font_of_cap(s.lead, bold=True))
        values = [w.values[self.mark] for w in self.weeks if isinstance(w, Week) and self.mark in w.values]
        if not values:
            painter.setPen(QColor(colours.soft))
            area = QRectF(inner.left(), head.bottom(), inner.width(), inner.bottom() - head.bottom())
            draw_fitted(painter, area, self.empty, font_of_cap(s.lead), align=Qt.AlignmentFlag.AlignHCenter)
            return
        font = font_of_cap(s.small)
        metrics = QFontMetricsF(font)
        limits_w = max((metrics.horizontalAdvance(name) for name, _ in self.limits), default=0.0) + s.pad
        axis_w = metrics.horizontalAdvance("88.88 %") + s.pad * 0.5
        plot = QRectF(inner.left() + axis_w, head.bottom() + s.lead, 0, 0)
        plot.setRight(inner.right() - limits_w)
        plot.setBottom(inner.bottom() - s.small * 3.2)
        top = max([*values, *(limit for _, limit in self.limits)], default=1.0) * 1.18
        step = nice_step(top, 4)

        def y_of(value: float) -> float:
            return plot.bottom() - value / top * plot.height()

        for i in range(int(top / step) + 1):
            y = y_of(i * step)
            painter.setPen(QPen(QColor(colours.line), 1))
            painter.drawLine(QPointF(plot.left(), y), QPointF(plot.right(), y))
            painter.setPen(QColor(colours.soft))
            place = QRectF(inner.left(), y - s.small, axis_w - s.pad * 0.4, s.small * 2)
            draw_fitted(painter, place, self._text(i * step), font, align=Qt.AlignmentFlag.AlignRight)
        for name, limit in self.limits:
            pen = QPen(QColor(colours.ink), 1)
            pen.setDashPattern([4.0, 3.0])
            painter.setPen(pen)
            painter.drawLine(QPointF(plot.left(), y_of(limit)), QPointF(plot.right(), y_of(limit)))
            painter.setPen(QColor(colours.ink))
            place = QRectF(plot.right() + s.pad * 0.4, y_of(limit) - s.small, limits_w, s.small * 2)
            draw_fitted(painter, place, name, font)
        first, last = self.weeks[0].monday, self.weeks[-1].monday
        n = max(1, (last - first).days // 7)

        def x_of(monday: dt.date) -> float:
            if first == last:
                return plot.center().x()
            return plot.left() + 2 * s.pad + (monday - first).days / 7 / n * (plot.width() - 4 * s.pad)

        self._draw_weeks(painter, plot, x_of, y_of)

    def _draw_weeks(
        self, painter: QPainter, plot: QRectF, x_of: Callable[[dt.date], float], y_of: Callable[[float], float]
    ) -> None:
        s, colours = self.sizes, theme.palette()
        font, radius = font_of_cap(s.small), s.body * 0.55
        points = [
            QPointF(x_of(week.monday), y_of(week.values[self.mark]))
            for week in self.weeks
            if isinstance(week, Week) and self.mark in week.values
        ]
        painter.setPen(QPen(QColor(colours.accent), 1.6))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawPolyline(QPolygonF(points))
        label_right = -1e9
        value_right = -1e9
        for week in self.weeks:
            x = x_of(week.monday)
            text = week.monday.strftime("%d %b").lstrip("0")
            width = QFontMetricsF(font).horizontalAdvance(text)
            if x - width / 2 > label_right + s.small:
                painter.setPen(QColor(colours.soft))
                place = QRectF(x - width / 2, plot.bottom() + s.small * 0.6, width + 1, s.small * 2)
                draw_fitted(painter, place, text, font)
                label_right = x + width / 2
            if isinstance(week, HiddenWeek) or self.mark not in week.values:
                painter.setPen(QPen(QColor(colours.soft), 1.4))
                painter.setBrush(Qt.BrushStyle.NoBrush)
                painter.drawEllipse(QPointF(x, plot.bottom() - radius), radius * 0.8, radius * 0.8)
                continue
            value = week.values[self.mark]
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(colours.accent))
            painter.drawEllipse(QPointF(x, y_of(value)), radius, radius)
            said = self._text(value)
            width = QFontMetricsF(font).horizontalAdvance(said)
            if x - width / 2 > value_right + s.small:
                painter.setPen(QColor(colours.ink))
                place = QRectF(x - width / 2, y_of(value) - radius - s.small * 2.3, width + 1, s.small * 2)
                painter.fillRect(place.adjusted(-2, 1, 2, -1), QColor(colours.panel))  # no line through the figures
                draw_fitted(painter, place, said, font)
                value_right = x + width / 2


class ProgressView(QWidget):
    """Whose progress, in which drill, by which mark."""

    deleted = Signal(str)

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self.drills = shipped_drills()
        self._pulls: list[PracticedPull] = []
        self._lines: list[Line] = []
        self._n_kept = 0
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.setSpacing(10)
        pick = QHBoxLayout()
        pick.setSpacing(8)
        self.who = Choices()
        self.who.setAccessibleName("Whose progress")
        self.drill = Choices()
        self.drill.setAccessibleName("Drill")
        self.mark = Choices()
        self.mark.setAccessibleName("What is shown")
        for drill in self.drills.all:
            self.drill.addItem(drill.name, drill.key)
        for text, box in (("Of", self.who), ("in", self.drill), ("by", self.mark)):
            pick.addWidget(label(text, "soft"))
            pick.addWidget(box)
        pick.addStretch(1)
        self.save = plain_button("Save for the notice board …")
        self.save.clicked.connect(self._save)
        pick.addWidget(self.save)
        outer.addLayout(pick)
        self.chart = WeeksChart()
        outer.addWidget(self.chart, 3)
        self.rule = label("", "soft", wrap=True)
        outer.addWidget(self.rule)
        self.list = Listing(
            [
                Column("Drill", lambda row: row[0], width=2, strong=True),
                Column("Passed", lambda row: row[1], width=2),
                Column("Pulls that count", lambda row: row[2], right=True),
                Column("Next", lambda row: row[3], width=3),
            ],
            sortable=False,
            name="Levels",
        )
        self.levels = Panel()
        self.levels.body.addWidget(self.list)
        outer.addWidget(self.levels, 2)
        self.foot = Panel()
        row = QHBoxLayout()
        self.says = label("", wrap=True)
        self.delete = plain_button("Delete my practice …")
        self.keep = plain_button("Keep it")
        self.really = plain_button("Delete it for good")
        self.delete.clicked.connect(self._ask)
        self.keep.clicked.connect(self._kept)
        self.really.clicked.connect(self._deleted)
        row.addWidget(self.says, 1)
        for button in (self.delete, self.keep, self.really):
            row.addWidget(button)
        self.foot.body.addLayout(row)
        outer.addWidget(self.foot)
        self.who.currentIndexChanged.connect(self._who_changed)
        self.drill.currentIndexChanged.connect(self._drill_changed)
        self.mark.currentIndexChanged.connect(self._show)
        self._fill_marks()
        self.setFocusProxy(self.who)
        context.operator_changed.connect(self._operator_changed)

    # ------------------------------------------------------------------------------------------------------------ fill

    def refresh(self) -> None:
        """Read the store again."""
        store = self.context.store
        if store is None:
            return
        from benchapp.records import practice

        here = self.who.currentData()
        me = self.context.operator
        names = practice.people(store)
        self.who.blockSignals(True)
        self.who.clear()
        for name in sorted(names, key=lambda name: (name != me, name)):
            self.who.addItem(name, name)
        self.who.addItem("the group, without names", GROUP)
        wanted = (here, me, GROUP)  # nobody else's, unless it was asked for
        self.who.setCurrentIndex(next(k for name in wanted if (k := self.who.findData(name)) >= 0))
        self.who.blockSignals(False)
        self._who_changed()

    def _person(self) -> str:
        return str(self.who.currentData() or GROUP)

    def _drill(self) -> Drill:
        drill = self.drills.get(str(self.drill.currentData()))
        return drill if drill is not None else self.drills.all[0]

    def _fill_marks(self) -> None:
        drill = self._drill()
        aims = {aim.of for level in drill.levels for aim in (*level.aims, *level.spreads)}
        here = self.mark.currentData()
        self.mark.blockSignals(True)
        self.mark.clear()
        # what the drill is about comes first
        told = (*TOLD[drill.mode], *((SPREAD,) if SPREAD in aims else ()))
        for of in sorted(told, key=lambda of: of not in aims):
            self.mark.addItem(NAMES[of], of)
        self.mark.setCurrentIndex(max(self.mark.findData(here) if here in aims else 0, 0))
        self.mark.blockSignals(False)

    def _who_changed(self, *_: object) -> None:
        store = self.context.store
        if store is None:
            return
        from benchapp.records import practice

        person = self._person()
        since = (today() - dt.timedelta(days=7 * MOST_WEEKS)).isoformat()
        is_group = person == GROUP
        self._pulls = (
            practice.pulls_of_all(store, since=since) if is_group else practice.pulls_of(store, person, since=since)
        )
        self._n_kept = 0 if is_group else practice.count_of(store, person)
        self._lines = [] if is_group else practice.lines_of(store, person)
        self._kept()
        self._show()

    def _drill_changed(self, *_: object) -> None:
        self._fill_marks()
        self._show()

    def _show(self, *_: object) -> None:
        person, drill = self._person(), self._drill()
        mark = str(self.mark.currentData() or TOLD[drill.mode][0])
        own = [pull for pull in self._pulls if pull.drill == drill.key]
        limits = [
            (f"level {level.number}", aim.figure.value)
            for level in drill.levels
            for aim in (*level.aims, *level.spreads)
            if aim.of == mark and (aim.kind != "least" or not _has(drill, mark, "most"))
        ]
        # one name a limit, however many levels share it
        merged: dict[float, str] = {}
        for name, limit in limits:
            merged[limit] = f"{merged[limit]}, {name[6:]}" if limit in merged else name
        is_group = person == GROUP
        whose = "The group" if is_group else person
        shown: list[Week | HiddenWeek] = list(group_weeks(own) if is_group else weeks(own))
        what = "spread of the last ten" if mark == SPREAD else "middle of each week"
        self.chart.show_weeks(
            shown,
            mark,
            [(name, limit) for limit, name in merged.items()],
            f"{whose}, {drill.name.lower()}: {NAMES[mark]}, {what}",
            _empty(shown, mark, is_group=is_group),
        )
        rule = texts.GROUP_RULE if is_group else texts.NOT_EVIDENCE
        # the picture for the notice board bears it: the strip on top does not go with it
        self.rule.setText(f"{texts.SIMULATED} {rule}" if self.context.is_demo else rule)
        self.save.setVisible(is_group and self.chart.has_values)
        self.levels.setVisible(not is_group)
        self.foot.setVisible(not is_group)
        if not is_group:
            self._show_levels()

    def _show_levels(self) -> None:
        rows = []
        for one in reached(self.drills, self._lines):
            drill = self.drills.get(one.drill)
            assert drill is not None
            passed = f"level {one.level} of {len(drill.levels)}, {one.at[:10]}" if one.level else "no level yet"
            following = ""
            if one.level < len(drill.levels):
                level = drill.level(one.level + 1)
                following = "; ".join(texts.aims_text((*level.aims, *level.spreads)))
            rows.append((drill.name, passed, str(one.n_pulls), following or "all levels passed"))
        self.list.show_rows(rows)

    # ---------------------------------------------------------------------------------------------------------- delete

    def _kept(self) -> None:
        person = self._person()
        mine = person == self.context.operator
        for button, shown in ((self.delete, mine), (self.keep, False), (self.really, False)):
            button.setVisible(shown)
        n = plural(self._n_kept, "practice pull")
        if not self._n_kept:
            self.says.setText("Nothing is kept.")
            self.delete.setVisible(False)
        elif mine:
            self.says.setText(f"{n} of yours are kept.")
        else:
            self.says.setText(
                f"{n} are kept. {person} may delete them: choose that name under “Who pulls” at the foot."
            )

    def _operator_changed(self, name: str) -> None:
        """Somebody else stands here: whose practice may be deleted changes with it."""
        if self.isVisible() and self.who.findData(name) >= 0:
            self.who.setCurrentIndex(self.who.findData(name))
        self._kept()

    def _ask(self) -> None:
        n = plural(self._n_kept, "practice pull")
        self.says.setText(texts.DELETE_SAYS.format(n=n, person=self._person()))
        self.delete.setVisible(False)
        self.keep.setVisible(True)
        self.really.setVisible(True)
        self.keep.setFocus(Qt.FocusReason.OtherFocusReason)

    def _deleted(self) -> None:
        store, person = self.context.store, self._person()
        if store is None or person != self.context.operator:
            return
        from benchapp.records import StoreError, practice

        try:
            n = practice.delete_person(store, person)
        except StoreError as error:
            self.context.message.emit("problem", str(error))
            return
        self.context.message.emit("note", f"{plural(n, 'practice pull')} of {person} deleted.")
        self.deleted.emit(person)
        self.refresh()

    # ------------------------------------------------------------------------------------------------------------ save

    def _save(self) -> None:
        path = ask_save(self, "Save for the notice board", "practice.png", "Picture (*.png)")
        if path is not None:
            self.save_picture(path)

    def save_picture(self, path: Path) -> bool:
        """Save the group's chart with its rule as a picture; only a group's, never a person's, and never empty."""
        if self._person() != GROUP or not self.chart.has_values:
            return False
        image = self.grab(self.chart.geometry().united(self.rule.geometry())).toImage()
        saved = bool(image.save(str(path)))
        kind, text = ("note", f"Saved as {path}") if saved else ("problem", f"{path}: could not be written.")
        self.context.message.emit(kind, text)
        return saved

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        self.chart.restyle()


def _empty(shown: Sequence[Week | HiddenWeek], mark: str, *, is_group: bool) -> str:
    """Return why there is nothing to see, when there is."""
    if not shown:
        return "Nobody has practised this drill yet." if is_group else "No practice of this drill yet."
    if all(isinstance(week, HiddenWeek) for week in shown):
        return f"No week yet in which {LEAST_GROUP} people practised this drill."
    return f"No pull yet that tells “{NAMES[mark]}”" + (f" of {LEAST_GROUP} people in a week." if is_group else ".")


def _has(drill: Drill, mark: str, kind: str) -> bool:
    return any(_is(aim, mark, kind) for level in drill.levels for aim in level.aims)


def _is(aim: Aim, mark: str, kind: str) -> bool:
    return aim.of == mark and aim.kind == kind
