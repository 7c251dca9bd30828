"""A list of things on a page: two lines a cell, a shape in front, everything by keyboard, nothing cut needlessly."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QLineF,
    QModelIndex,
    QPersistentModelIndex,
    QPointF,
    QRect,
    QRectF,
    QSize,
    Qt,
    Signal,
)
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetrics,
    QHelpEvent,
    QKeyEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPolygonF,
    QResizeEvent,
)
from PySide6.QtWidgets import (
    QAbstractItemView,
    QFrame,
    QHBoxLayout,
    QHeaderView,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
    QToolTip,
)

from benchapp.ui import theme
from benchapp.ui.controls import Panel, draw_arrow, label
from benchapp.ui.format import BREAK

Index = QModelIndex | QPersistentModelIndex

PADDING = 12  # of a cell of a list, left and right
MARK_GAP = 9
MOST_FOR_FIRST = 0.45  # of the width, for the columns that are shown whole before others
MOST_MEASURED = 40  # rows that say how wide the columns must be
_NUMBER = re.compile(r"[+−-]?\d+")  # what of a number stands before its decimal point
MOST_KEPT = 4000  # texts of a column that stay measured
_LEFT = int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
_RIGHT = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a list.

    Attributes:
        title: Heading.
        text: What a row says here.
        second: Quieter second line; None without.
        width: Share of the width.
        right: Numbers stand right.
        point: Numbers of different fineness stand with their decimal points under one another.
        strong: Bold.
        mark: Shape in front of the text: a key of `MARKS`; None without.
        sort: What the column sorts by; the text when None.
    """

    title: str
    text: Callable[[Any], str]
    second: Callable[[Any], str] | None = None
    width: float = 1.0
    right: bool = False
    point: bool = False
    strong: bool = False
    mark: Callable[[Any], str] | None = None
    sort: Callable[[Any], Any] | None = None


class _Rows(QAbstractTableModel):
    def __init__(self, columns: Sequence[Column]) -> None:
        super().__init__()
        self.columns = list(columns)
        self.rows: list[Any] = []

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008 (Qt's own default)
        return 0 if parent.isValid() else len(self.rows)

    def columnCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self.columns)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if not index.isValid():
            return None
        column = self.columns[index.column()]
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.AccessibleTextRole):
            return column.text(self.rows[index.row()])
        if role == Qt.ItemDataRole.TextAlignmentRole and column.right:
            return _RIGHT
        return None

    def headerData(self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if orientation is Qt.Orientation.Horizontal:
            if role == Qt.ItemDataRole.DisplayRole:
                return self.columns[section].title
            if role == Qt.ItemDataRole.TextAlignmentRole:
                return _RIGHT if self.columns[section].right else _LEFT
        return None

    def sort(self, column: int, order: Qt.SortOrder = Qt.SortOrder.AscendingOrder) -> None:
        if column < 0:
            return
        chosen = self.columns[column]
        key = chosen.sort or chosen.text
        self.layoutAboutToBeChanged.emit()
        self.rows.sort(key=lambda row: key(row), reverse=order is Qt.SortOrder.DescendingOrder)
        self.layoutChanged.emit()

    def replace(self, rows: Sequence[Any]) -> None:
        self.beginResetModel()
        self.rows = list(rows)
        self.endResetModel()

    def extend(self, rows: Sequence[Any]) -> None:
        if not rows:
            return
        self.beginInsertRows(QModelIndex(), len(self.rows), len(self.rows) + len(rows) - 1)
        self.rows.extend(rows)
        self.endInsertRows()


def draw_mark(painter: QPainter, rect: QRectF, name: str) -> None:
    """Draw a small shape that says a state without relying on its hue.

    "full" disc, "ring", "up" and "down" triangles, "bar" (stopped), "half", "dash"; anything else draws nothing.
    """
    c = theme.palette()
    ink, soft = QColor(c.ink), QColor(c.soft)
    centre, r = rect.center(), min(rect.width(), rect.height()) / 2 - 1
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(Qt.PenStyle.NoPen)
    if name == "full":
        painter.setBrush(ink)
        painter.drawEllipse(centre, r * 0.8, r * 0.8)
    elif name == "ring":
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(soft, 1.6))
        painter.drawEllipse(centre, r * 0.75, r * 0.75)
    elif name == "half":
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(ink, 1.6))
        painter.drawEllipse(centre, r * 0.75, r * 0.75)
        painter.setBrush(ink)
        painter.drawPie(QRectF(centre.x() - r * 0.75, centre.y() - r * 0.75, r * 1.5, r * 1.5), 90 * 16, 180 * 16)
    elif name in ("up", "down"):
        painter.setBrush(QColor(c.high if name == "up" else c.low))
        sign = -1 if name == "up" else 1
        x, y = centre.x(), centre.y()
        points = [(x - r, y - sign * r * 0.75), (x + r, y - sign * r * 0.75), (x, y + sign * r * 0.95)]
        painter.drawPolygon(QPolygonF([QPointF(*point) for point in points]))
    elif name == "bar":
        painter.setBrush(QColor(c.high))
        painter.drawRect(QRectF(centre.x() - r, centre.y() - r * 0.4, r * 2, r * 0.8))
    elif name == "dash":
        painter.setBrush(soft)
        painter.drawRect(QRectF(centre.x() - r * 0.7, centre.y() - 1, r * 1.4, 2))
    painter.restore()


class _Type:
    """The fonts of a column's two lines; what a text needs in them is measured once, however often it is painted."""

    def __init__(self, font: QFont, column: Column) -> None:
        self.first, self.second = cell_fonts(font, column)
        self.before_point = 0  # the widest that stands before a decimal point, of the rows measured
        self._metrics = (QFontMetrics(self.first), QFontMetrics(self.second))
        self.heights = (self._metrics[0].height(), self._metrics[1].height())
        self._fitted: dict[tuple[str, int, int, bool], list[str]] = {}
        self._widths: dict[tuple[str, bool], tuple[int, int]] = {}

    def lines(self, text: str, width: int, *, most: int, below: bool = False) -> list[str]:
        """Return `fitted_lines`; `below`: in the font of the second line."""
        key = (text, width, most, below)
        if key not in self._fitted:
            if len(self._fitted) >= MOST_KEPT:
                self._fitted.clear()
            self._fitted[key] = fitted_lines(text, self._metrics[below], width, most=most)
        return self._fitted[key]

    def to_point(self, text: str) -> int:
        """Return the width of what stands before the decimal point of a number; -1 for other texts."""
        number = _NUMBER.match(text)
        return self._metrics[0].horizontalAdvance(number[0]) if number else -1

    def indent(self, text: str) -> int:
        """Return how far `text` stands in, so that its decimal point is under the others."""
        before = self.to_point(text)
        return max(0, self.before_point - before) if before >= 0 else 0

    def widths(self, text: str, *, below: bool = False) -> tuple[int, int]:
        """Return the width of `text` on one line, and where it is broken between words."""
        key = (text, below)
        if key not in self._widths:
            if len(self._widths) >= MOST_KEPT:
                self._widths.clear()
            metrics = self._metrics[below]
            self._widths[key] = (metrics.horizontalAdvance(text), broken_width(text, metrics))
        return self._widths[key]


class _RowPainter(QStyledItemDelegate):
    """Paints a cell: one or two lines, a shape, the hairline below; a chosen row has a bar at its left."""

    def __init__(self, view: Listing) -> None:
        super().__init__(view)
        self._view = view

    def sizeHint(self, option: QStyleOptionViewItem, index: Index) -> QSize:
        return QSize(40, row_height(option.fontMetrics))

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        c, view = theme.palette(), self._view
        at, n = index.row(), index.column()
        row, column, types = view.rows[at], view.columns[n], view.types[n]
        rect = QRectF(option.rect)
        left, upper, width, height = rect.x(), rect.y(), rect.width(), rect.height()
        chosen = bool(option.state & QStyle.StateFlag.State_Selected)
        painter.save()
        if chosen or view.hovered == at:
            painter.fillRect(rect, QColor(c.panel_soft))
        painter.setPen(QPen(QColor(c.line), 1))
        foot = upper + height - 0.5
        painter.drawLine(QPointF(left, foot), QPointF(left + width, foot))
        if chosen and n == 0:
            is_elsewhere = view.isActiveWindow() and not view.hasFocus()  # where the arrow keys go is to be seen
            bar = QColor(c.edge if is_elsewhere else c.accent)
            painter.fillRect(QRectF(left, upper + 3, 4, height - 7), bar)
        left, width = left + PADDING, view.text_width(n, width)
        middle = upper + height / 2
        name = column.mark(row) if column.mark is not None else ""
        if name:
            side = mark_side(option.fontMetrics)
            draw_mark(painter, QRectF(left, middle - side / 2, side, side), name)
            left, width = left + side + MARK_GAP, width - side - MARK_GAP
        flags = _RIGHT if column.right else _LEFT
        if column.point:
            aside = types.indent(column.text(row))
            left, width = left + aside, width - aside
        painter.setPen(QColor(c.ink))
        painter.setFont(types.first)
        text, below = column.text(row), column.second(row) if column.second is not None else ""
        lines = types.lines(text, int(width), most=1 if below else 2)
        first, second = types.heights[0], types.heights[1 if below else 0]
        top = middle - (first + second) / 2
        upper_line, lower_line = QRectF(left, top, width, first), QRectF(left, top + first, width, second)
        if below:
            painter.drawText(upper_line, flags, lines[0])
            painter.setFont(types.second)
            painter.setPen(QColor(c.soft))
            painter.drawText(lower_line, flags, types.lines(below, int(width), most=1, below=True)[0])
        elif len(lines) > 1:
            painter.drawText(upper_line, flags, lines[0])
            painter.drawText(lower_line, flags, lines[1])
        else:
            painter.drawText(QRectF(left, upper, width, height), flags, lines[0])
        painter.restore()

    def helpEvent(self, event: QHelpEvent, view: QAbstractItemView, option: QStyleOptionViewItem, index: Index) -> bool:
        """Show in full what is cut in the cell under the pointer."""
        model = index.model()
        if not isinstance(model, _Rows) or not index.isValid():
            return False
        row, column = model.rows[index.row()], model.columns[index.column()]
        types = self._view.types[index.column()]
        width = int(self._view.text_width(index.column(), option.rect.width()))
        width -= mark_width(option.fontMetrics, column, row)
        width -= types.indent(column.text(row)) if column.point else 0
        text, below = column.text(row), column.second(row) if column.second is not None else ""
        lines = types.lines(text, width, most=1 if below else 2)
        is_cut = " ".join(lines) != text or (below and types.lines(below, width, most=1, below=True)[0] != below)
        QToolTip.showText(event.globalPos(), "\n".join(part for part in (text, below) if part) if is_cut else "", view)
        return True


def cell_fonts(font: QFont, column: Column) -> tuple[QFont, QFont]:
    """Return the fonts of a cell's first line and of its quieter second one."""
    first, second = QFont(font), QFont(font)
    first.setBold(column.strong)
    second.setBold(False)
    second.setPixelSize(max(11, round(font.pixelSize() * 0.87)))
    return first, second


def mark_side(metrics: QFontMetrics) -> float:
    """Return the size of the shape in front of a text."""
    return metrics.height() * 0.72


def mark_width(metrics: QFontMetrics, column: Column, row: Any) -> int:
    """Return the room that the shape in front of a text takes; 0 without one."""
    has_mark = column.mark is not None and column.mark(row)
    return round(mark_side(metrics) + MARK_GAP) if has_mark else 0


def fitted_lines(text: str, metrics: QFontMetrics, width: int, *, most: int) -> list[str]:
    """Return `text` on one line, or broken between words on up to `most`; what is still too long ends with "…".

    A text that fits is returned as it is; no line begins with the unit of the number before.
    """

    def shown(part: str) -> str:  # Qt elides some texts whose advance is just the width: only this tells what is whole
        return metrics.elidedText(part, Qt.TextElideMode.ElideRight, width)

    if most == 1 or shown(text) == text:
        return [shown(text)]
    words = BREAK.split(text)
    n = 1
    while n < len(words) and shown(" ".join(words[: n + 1])) == " ".join(words[: n + 1]):
        n += 1
    first, rest = " ".join(words[:n]), " ".join(words[n:])
    if not rest:  # one long word
        return [shown(text)]
    return [shown(first), *fitted_lines(rest, metrics, width, most=most - 1)]


def broken_width(text: str, metrics: QFontMetrics) -> int:
    """Return the width at which `text` stands whole on two lines, at most its own; see `fitted_lines`."""
    words = BREAK.split(text)
    widths = [
        max(metrics.horizontalAdvance(" ".join(words[:n])), metrics.horizontalAdvance(" ".join(words[n:])))
        for n in range(1, len(words))
    ]
    return min([metrics.horizontalAdvance(text), *widths])


def shared_widths(
    space: int, shares: Sequence[float], needs: Sequence[int], *, first: Mapping[int, int] | None = None
) -> list[int]:
    """Return the columns' widths, together `space`: each its share, unless it needs more and others have some to spare.

    Args:
        space: To be divided, pixels.
        shares: Of the columns.
        needs: What would show each column whole, pixels.
        first: Columns that have at least so many pixels before all others, where there is not enough for all.

    >>> shared_widths(300, [1, 1, 1], [50, 90, 100])
    [100, 100, 100]
    >>> shared_widths(300, [1, 1, 1], [60, 80, 130])
    [80, 90, 130]
    >>> shared_widths(300, [1, 1, 1], [120, 150, 130], first={0: 120})
    [120, 90, 90]
    """
    total = sum(shares)
    widths = [space * share / total for share in shares]
    lacks = [max(0.0, need - width) for need, width in zip(needs, widths, strict=True)]
    spares = [max(0.0, width - need) for need, width in zip(needs, widths, strict=True)]
    moved = min(sum(lacks), sum(spares))
    if moved > 0:
        widths = [
            width + moved * (lack / sum(lacks) - spare / sum(spares))
            for width, lack, spare in zip(widths, lacks, spares, strict=True)
        ]
    wanted = {index: max(widths[index], least) for index, least in (first or {}).items()}
    if moved < sum(lacks) and sum(wanted.values()) <= space * MOST_FOR_FIRST:
        rest = sum(width for index, width in enumerate(widths) if index not in wanted)
        scale = (space - sum(wanted.values())) / rest if rest else 1.0
        widths = [wanted.get(index, width * scale) for index, width in enumerate(widths)]
    edges = [round(sum(widths[: i + 1])) for i in range(len(widths))]
    return [right - left for left, right in zip([0, *edges], edges, strict=False)]


def row_height(metrics: QFontMetrics) -> int:
    """Return the height of a row of two lines."""
    return round(metrics.height() * 2.35)


class _Head(QHeaderView):
    """Headings that stand over what they name: over the text, not over the shape in front of it."""

    def __init__(self, view: Listing) -> None:
        super().__init__(Qt.Orientation.Horizontal, view)
        self._view = view

    def sizeHint(self) -> QSize:
        """As high as the type asks for, with air above and below."""
        return QSize(super().sizeHint().width(), round(self.fontMetrics().height() * 2.1))

    def paintSection(self, painter: QPainter, rect: QRect, index: int) -> None:
        """The heading, the hairline, and which way the list is sorted; the panel behind has round corners."""
        c, view, metrics = theme.palette(), self._view, self.fontMetrics()
        painter.save()
        painter.setPen(QPen(QColor(c.line), 1))
        painter.drawLine(QLineF(rect.left(), rect.bottom() + 0.5, rect.right() + 1, rect.bottom() + 0.5))
        indent = view.indent(index)
        left, width = rect.left() + PADDING + indent, view.text_width(index, rect.width()) - indent
        is_sorted = view.isSortingEnabled() and self.sortIndicatorSection() == index
        column = view.columns[index]
        text = metrics.elidedText(column.title, Qt.TextElideMode.ElideRight, int(width))
        painter.setPen(QColor(c.ink if is_sorted else c.soft))
        painter.drawText(QRectF(left, rect.top(), width, rect.height()), _RIGHT if column.right else _LEFT, text)
        if is_sorted:
            used = metrics.horizontalAdvance(text)
            at = left - 9 if column.right and width - used < 14 else left + width - used - 9 if column.right else 0
            up = self.sortIndicatorOrder() is Qt.SortOrder.AscendingOrder
            draw_arrow(painter, QPointF(at or left + used + 9, rect.center().y() + 1.0), c.ink, up=up)
        painter.restore()


class Listing(QTableView):
    """A list of things; Enter or a double click opens one.

    `opened` carries the row's object, `chosen` the one under the cursor.
    """

    opened = Signal(object)
    chosen = Signal(object)
    end_near = Signal()  # scrolled to the last rows: more can be read

    def __init__(self, columns: Sequence[Column], *, sortable: bool = True, name: str = "") -> None:
        super().__init__()
        self.setObjectName("listing")
        self.setAccessibleName(name)
        self.hovered = -1
        self._needs = [0] * len(columns)  # to show each column whole, on one line
        self._least = [0] * len(columns)  # the same, with texts broken where they may be
        self._names: dict[int, int] = {}
        self._indents = [0] * len(columns)  # of the texts, where shapes stand in front of them
        self.types: list[_Type] = []  # of each column, in the font in force
        self._types_font = ""
        self._model = _Rows(columns)
        self.setModel(self._model)
        self.setItemDelegate(_RowPainter(self))
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setShowGrid(False)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setWordWrap(False)
        self.setTabKeyNavigation(False)
        self.setMouseTracking(True)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.verticalHeader().hide()
        self.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        header = _Head(self)
        self.setHorizontalHeader(header)
        header.setHighlightSections(False)
        header.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        header.setMinimumSectionSize(30)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        if sortable:
            header.setSectionsClickable(True)
            self.setSortingEnabled(True)
            header.setSortIndicator(-1, Qt.SortOrder.AscendingOrder)
        self.doubleClicked.connect(lambda index: self._open(index.row()))
        self.selectionModel().currentRowChanged.connect(self._moved)
        self.entered.connect(self._hover)
        self.verticalScrollBar().valueChanged.connect(self._scrolled)
        self.set_row_height()

    def set_row_height(self) -> None:
        """Take the row height that the font asks for."""
        self.verticalHeader().setDefaultSectionSize(row_height(self.fontMetrics()))

    @property
    def rows(self) -> list[Any]:
        """The objects shown, in order."""
        return self._model.rows

    @property
    def columns(self) -> list[Column]:
        """As they were given."""
        return self._model.columns

    def indent(self, column: int) -> int:
        """Return how far the texts of a column stand behind its edge, pixels."""
        return self._indents[column]

    def text_width(self, column: int, width: float) -> float:
        """Return how wide the texts of a column are that is `width` wide.

        Numbers end together under their heading, near its beginning: at the far edge of a wide column they would seem
        to belong to the next one. The last column ends with the list.
        """
        room = width - 2 * PADDING
        if not self.columns[column].right or column == len(self.columns) - 1:
            return room
        return min(room, max(self._needs[column] - 2 * PADDING, 0) or room)

    def _look_at_font(self) -> None:
        """With another font, what the columns need is measured anew."""
        font = self.font()
        if font.key() != self._types_font:
            n = len(self.columns)
            self._needs, self._least, self._names, self._indents = [0] * n, [0] * n, {}, [0] * n
            self.types = [_Type(font, column) for column in self.columns]
            self._types_font = font.key()

    def show_rows(self, rows: Sequence[Any]) -> None:
        """Show other rows; the cursor stays on the same place in the list."""
        here = self.currentIndex().row()
        header = self.horizontalHeader()
        self._model.replace(rows)
        if self.isSortingEnabled() and header.sortIndicatorSection() >= 0:
            self._model.sort(header.sortIndicatorSection(), header.sortIndicatorOrder())
        if rows:
            self.selectRow(max(0, min(here, len(rows) - 1)))
        self._share_width()

    def add_rows(self, rows: Sequence[Any]) -> None:
        """Append rows; the view does not move."""
        self._model.extend(rows)

    def current(self) -> Any:
        """Return the object under the cursor, or None."""
        row = self.currentIndex().row()
        return self._model.rows[row] if 0 <= row < len(self._model.rows) else None

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Take the sizes of the new height."""
        super().resizeEvent(event)
        self._share_width()
        self.set_row_height()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the rows that are seen."""
        self._look_at_font()
        super().paintEvent(event)

    def _share_width(self) -> None:
        """Give each column its share, and one whose texts would be cut what others can spare.

        What a column needs only grows while the font stays: filtering a list does not move its columns.
        """
        self._look_at_font()
        columns, types = self.columns, self.types
        metrics = self.fontMetrics()
        seen = min(MOST_MEASURED, self.viewport().height() // row_height(metrics) + 1)
        for index, (column, fonts) in enumerate(zip(columns, types, strict=True)):
            need = least = metrics.horizontalAdvance(column.title) + 2 * PADDING + 1
            if column.point:
                before = (fonts.to_point(column.text(row)) for row in self._model.rows[:seen])
                fonts.before_point = max(fonts.before_point, *before, 0)
            for row in self._model.rows[:seen]:
                below, _ = fonts.widths(column.second(row), below=True) if column.second is not None else (0, 0)
                shape = mark_width(metrics, column, row)
                self._indents[index] = max(self._indents[index], shape)
                edges = shape + 2 * PADDING + 1
                text, broken = fonts.widths(column.text(row))
                if column.point:
                    aside = fonts.indent(column.text(row))
                    text, broken = text + aside, broken + aside
                broken = text if below else broken
                need = max(need, max(text, below) + edges)
                least = max(least, max(broken, below) + edges)
                if column.strong:  # what the rows are known by
                    self._names[index] = max(self._names.get(index, 0), broken + edges)
            self._needs[index] = max(self._needs[index], need)
            self._least[index] = max(self._least[index], least)
        bar = self.verticalScrollBar()
        kept = 0 if bar.isVisible() else bar.sizeHint().width()  # its room: no column moves when it comes or goes
        space, shares = self.viewport().width() - kept, [column.width for column in columns]
        needs = self._needs if sum(self._needs) <= space else self._least
        widths = shared_widths(space, shares, needs, first=self._names)
        widths[-1] += kept
        for index, width in enumerate(widths):
            self.setColumnWidth(index, width)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Do everything by keyboard too."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self._open(self.currentIndex().row())
            return
        super().keyPressEvent(event)

    def leaveEvent(self, event: Any) -> None:
        """Forget the pointer."""
        self._hover(QModelIndex())
        super().leaveEvent(event)

    def _hover(self, index: QModelIndex) -> None:
        before, self.hovered = self.hovered, index.row()
        for row in {before, self.hovered}:
            if 0 <= row < len(self.rows):
                self.viewport().update(0, self.rowViewportPosition(row), self.viewport().width(), self.rowHeight(row))

    def _open(self, row: int) -> None:
        if 0 <= row < len(self._model.rows):
            self.opened.emit(self._model.rows[row])

    def _moved(self, now: QModelIndex, _before: QModelIndex) -> None:
        if 0 <= now.row() < len(self._model.rows):
            self.chosen.emit(self._model.rows[now.row()])

    def _scrolled(self, value: int) -> None:
        if value >= self.verticalScrollBar().maximum() - 4 * row_height(self.fontMetrics()):
            self.end_near.emit()


class ListPanel(Panel):
    """A list in a panel: above it what filters it, below it what is said when it shows nothing.

    Attributes:
        head: The row above the list.
        nothing: The sentence below it.
    """

    def __init__(self) -> None:
        super().__init__(margin=0)
        self.body.setSpacing(0)
        self.head = QHBoxLayout()
        self.head.setContentsMargins(PADDING, 12, PADDING, 6)
        self.head.setSpacing(12)
        self.body.addLayout(self.head)
        self.nothing = label("", "soft", wrap=True)
        self.nothing.setContentsMargins(16, 10, 16, 14)

    def hold(self, listing: Listing) -> None:
        """Put the list in; what is added to `body` afterwards stands below it."""
        self.body.addWidget(listing, 1)
        self.body.addWidget(self.nothing)
