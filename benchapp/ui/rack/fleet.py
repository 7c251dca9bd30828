"""The shop's tools as a whole: how often they are found within limits, by what, and which ones to replace."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Final

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QHBoxLayout, QSizePolicy, QStackedWidget, QVBoxLayout, QWidget

from benchapp.records import fleet as found
from benchapp.records.errors import StoreError
from benchapp.records.history import TARGET
from benchapp.ui import theme
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Panel, label
from benchapp.ui.format import grouped, plural
from benchapp.ui.listing import Column, Listing
from benchapp.ui.page import EmptyNote, beside, scrolled, today

BY_WORDS: Final = {
    found.GroupBy.TYPE: "Type and class",
    found.GroupBy.AGE: "Age",
    found.GroupBy.PLACE: "Place",
    found.GroupBy.KEEPER: "Keeper",
    found.GroupBy.USER: "User",
}
SINCE_WORDS: Final = {"1": "Last year", "3": "Last three years", "0": "All"}
UNNAMED: Final = "nothing entered"


class ShareBars(QWidget):
    """A line a group: its share as a bar, the interval of the true share across it, the wanted share as a rule."""

    def __init__(self) -> None:
        super().__init__()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Minimum)
        self.shares: tuple[found.Share, ...] = ()
        self.by = found.GroupBy.TYPE

    def show_shares(self, shares: Sequence[found.Share], by: found.GroupBy) -> None:
        """Show other shares, in the order given."""
        self.shares, self.by = tuple(shares), by
        said = (f"{group_words(each.group, by)}: {_count(each)}" for each in self.shares)
        self.setAccessibleName("share found within limits")
        self.setAccessibleDescription("; ".join(said))
        self.setMinimumHeight(self.sizeHint().height())
        self.update()

    def sizeHint(self) -> QSize:
        """A line each, and the scale."""
        line = self.fontMetrics().height() * 2.1
        return QSize(420, round(line * len(self.shares) + line * 1.2))

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Draw the lines."""
        c = theme.palette()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        metrics = QFontMetricsF(self.font())
        line = metrics.height() * 2.1
        names = [group_words(each.group, self.by) for each in self.shares]
        counts = [_count(each) for each in self.shares]
        left = min(max((metrics.horizontalAdvance(name) for name in names), default=0) + 16, self.width() * 0.4)
        right = max((metrics.horizontalAdvance(count) for count in counts), default=0) + 16
        area = QRectF(left, 0, self.width() - left - right, line * len(self.shares))

        def x_of(share: float) -> float:
            return area.left() + share * area.width()

        for percent in (0, 25, 50, 75, 100):
            x = x_of(percent / 100)
            painter.setPen(QPen(QColor(c.line), 1))
            painter.drawLine(QPointF(x, area.top()), QPointF(x, area.bottom()))
            painter.setPen(QColor(c.soft))
            box = QRectF(x - 40, area.bottom() + 4, 80, metrics.height())
            painter.drawText(box, Qt.AlignmentFlag.AlignHCenter, f"{percent} %")
        for index, (share, name, count) in enumerate(zip(self.shares, names, counts, strict=True)):
            middle = line * (index + 0.5)
            painter.setPen(QColor(c.ink))
            text = painter.fontMetrics().elidedText(name, Qt.TextElideMode.ElideRight, int(left - 12))
            painter.drawText(QRectF(0, middle - line / 2, left - 10, line), int(Qt.AlignmentFlag.AlignVCenter), text)
            painter.drawText(
                QRectF(area.right() + 14, middle - line / 2, right, line), int(Qt.AlignmentFlag.AlignVCenter), count
            )
            high = line * 0.36
            painter.fillRect(QRectF(area.left(), middle - high / 2, area.width(), high), QColor(c.panel_soft))
            bar = QColor(c.accent)
            painter.fillRect(QRectF(area.left(), middle - high / 2, share.share * area.width(), high), bar)
            painter.setPen(QPen(QColor(c.ink), 1.4))
            low_x, high_x = x_of(share.low), x_of(share.high)
            y = middle + high / 2 + 4
            painter.drawLine(QPointF(low_x, y), QPointF(high_x, y))
            for x in (low_x, high_x):
                painter.drawLine(QPointF(x, y - 3), QPointF(x, y + 3))
        x = x_of(TARGET)
        painter.setPen(QPen(QColor(c.ink), 1.4, Qt.PenStyle.DashLine))
        painter.drawLine(QPointF(x, area.top()), QPointF(x, area.bottom()))
        painter.end()


class FleetView(QWidget):
    """Shares on the left, tools to replace on the right."""

    heading_changed = Signal()

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self._n = (0, 0)
        self.views = QStackedWidget()
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(self.views)
        self.empty = EmptyNote(
            "No full run yet",
            "How often tools are found within limits is counted from full runs that meet them in service. With the "
            "first ones it stands here by type, age, place and keeper.",
            "Go to the Bench",
        )
        self.main, row = beside()
        left = Panel(margin=18)
        head = QHBoxLayout()
        head.setSpacing(12)
        self.by = ChoiceField("By", list(BY_WORDS.items()), on_change=lambda _key: self.refresh())
        self.since = ChoiceField("Since", list(SINCE_WORDS.items()), value="0", on_change=lambda _key: self.refresh())
        head.addWidget(self.by)
        head.addStretch(1)
        head.addWidget(self.since)
        self.bars = ShareBars()
        self.none = label("No full run in that time.", "soft")
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(0, 8, 8, 0)
        column.addWidget(self.bars)
        column.addStretch(1)
        how = (
            "Counted: full runs that met the tool in service (as found). Under each bar the 95 % interval of the true "
            f"share (Clopper and Pearson): few runs say little. Dashed: {TARGET * 100:.0f} %, common practice."
        )
        left.body.addLayout(head)
        left.body.addWidget(self.none)
        left.body.addWidget(scrolled(inside), 1)
        left.body.addWidget(label(how, "soft", wrap=True))
        row.addWidget(left, 13)
        right = Panel(margin=0)
        title = label("To be replaced", "heading")
        title.setContentsMargins(12, 4, 12, 0)
        rule = label("Found out at least twice in the last three times (our own rule).", "soft", wrap=True)
        rule.setContentsMargins(12, 0, 12, 6)
        self.replace = Listing(
            [
                Column("Tool", lambda r: r.number, width=1.0, strong=True),
                Column("As found, newest last", _found_words, width=2.0),
            ],
            name="tools to be replaced",
        )
        self.none_to_replace = label("None: no tool was found out again and again.", "", wrap=True)
        self.none_to_replace.setContentsMargins(12, 6, 12, 16)
        right.body.addWidget(title)
        right.body.addWidget(rule)
        right.body.addWidget(self.none_to_replace)
        right.body.addWidget(self.replace, 1)
        right.body.addStretch(0)
        row.addWidget(right, 8)
        self.views.addWidget(self.empty)
        self.views.addWidget(self.main)
        self.empty.wanted.connect(lambda: context.page_wanted.emit("bench", ""))
        self.replace.opened.connect(lambda r: context.page_wanted.emit("rack", f"view:life:{r.number}"))

    def heading(self) -> tuple[str, str]:
        """Return what stands above the view."""
        n, within = self._n
        return "Fleet", f"{grouped(within)} of {plural(n, 'run')} as found within limits" if n else ""

    def refresh(self) -> None:
        """Count again."""
        store = self.context.store
        if store is None:
            return
        years = int(self.since.value())
        since = (today() - dt.timedelta(days=round(365.25 * years))).isoformat() if years else ""
        try:
            shares = found.fleet(store, found.GroupBy(self.by.value()), since=since)
            worn = found.to_replace(store)
            some = bool(shares) or (bool(since) and bool(found.fleet(store, found.GroupBy.TYPE)))
        except StoreError as problem:
            self.context.message.emit("problem", str(problem))
            return
        self._n = (sum(each.n for each in shares), sum(each.n_within for each in shares))
        self.bars.show_shares(shares, found.GroupBy(self.by.value()))
        self.none.setVisible(not shares)
        self.replace.show_rows(worn)
        self.replace.setVisible(bool(worn))
        self.none_to_replace.setVisible(not worn)
        self.views.setCurrentWidget(self.main if some else self.empty)
        self.setFocusProxy(self.by if some else self.empty.button)
        self.heading_changed.emit()


def group_words(group: str, by: found.GroupBy) -> str:
    """Return the name of a group as people say it.

    >>> group_words("II A", found.GroupBy.TYPE), group_words("", found.GroupBy.USER)
    ('type II, class A', 'nobody logged')
    """
    if by is found.GroupBy.TYPE and " " in group:
        kind, letter = group.split(" ", 1)
        return f"type {kind}, class {letter}"
    if by is found.GroupBy.AGE and group and not group.endswith("year"):
        return f"{group} years"
    return group or ("nobody logged" if by is found.GroupBy.USER else UNNAMED)


def _count(share: found.Share) -> str:
    return f"{grouped(share.n_within)} of {grouped(share.n)}"


def _found_words(replace: found.Replace) -> str:
    return ", ".join("within" if within else "out" for within in replace.found)
