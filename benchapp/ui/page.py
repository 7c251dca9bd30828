"""What the pages beside the Bench have in common: heading, lists, what an empty page says, one style."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QModelIndex,
    QPersistentModelIndex,
    QPointF,
    QRectF,
    QSize,
    Qt,
    Signal,
)
from PySide6.QtGui import (
    QColor,
    QFontMetrics,
    QKeyEvent,
    QKeySequence,
    QPainter,
    QPen,
    QPolygonF,
    QResizeEvent,
    QShortcut,
)
from PySide6.QtWidgets import (
    QAbstractItemView,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QScrollArea,
    QStackedWidget,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
    QVBoxLayout,
    QWidget,
)

from benchapp.ui import theme
from benchapp.ui.context import AppContext
from benchapp.ui.fields import label, main_button

Index = QModelIndex | QPersistentModelIndex


def today() -> dt.date:
    """Return the day on this machine's calendar; pages ask here so that tests can say another."""
    return dt.date.today()


def page_style(colours: theme.Palette, font_px: int) -> str:
    """Return what the pages add to the theme's style sheet."""
    c = colours
    big, heading = round(font_px * 1.9), round(font_px * 1.12)
    return f"""
    QWidget {{ font-size: {font_px}px; }}
    QWidget#page {{ background: {c.ground}; }}
    QStackedWidget#clear {{ background: transparent; }}
    QScrollBar:vertical {{ width: 10px; }}
    QScrollBar::handle:vertical {{ margin: 2px; border-radius: 3px; }}
    QLabel[kind="title"] {{ font-size: {big}px; font-weight: 700; }}
    QLabel[kind="heading"] {{ font-size: {heading}px; font-weight: 700; padding-top: 8px; }}
    QLabel[kind="figure"] {{ font-size: {round(font_px * 1.5)}px; font-weight: 700; }}
    QLabel[kind="soft"] {{ color: {c.soft}; }}
    QLabel[kind="problem"] {{ color: {c.high}; font-weight: 600; }}
    QPushButton[kind="choice"] {{ border-radius: 0; border-left-width: 0; padding: 6px 14px; min-height: 20px;
        font-weight: 400; }}
    QPushButton[kind="choice"][place="first"] {{ border-left-width: 1px; border-top-left-radius: 6px;
        border-bottom-left-radius: 6px; }}
    QPushButton[kind="choice"][place="last"] {{ border-top-right-radius: 6px; border-bottom-right-radius: 6px; }}
    QPushButton[kind="choice"][place="only"] {{ border-left-width: 1px; border-radius: 6px; }}
    QPushButton[kind="choice"]:checked {{ background: {c.ink}; color: {c.ground}; border-color: {c.ink}; }}
    QPushButton[kind="choice"]:focus {{ border: 2px solid {c.accent}; padding: 5px 13px; }}
    QTableView#listing {{ border: none; background: transparent; }}
    QTableView#listing QHeaderView::section {{ background: {c.panel}; border: none;
        border-bottom: 1px solid {c.line}; padding: 8px 12px; color: {c.soft}; font-weight: 400; }}
    QTableView#listing QTableCornerButton::section {{ background: {c.panel}; border: none; }}
    QHeaderView {{ background: {c.panel}; border: none; }}
    QScrollArea {{ border: none; background: transparent; }}
    QScrollArea > QWidget > QWidget#scrolled {{ background: transparent; }}
    QTableWidget {{ border-radius: 6px; }}
    QComboBox {{ min-width: 60px; padding-right: 26px; }}
    QMenu::item {{ font-size: {font_px}px; }}
    """


class Page(QWidget):
    """A page beside the Bench: a heading line with its actions, and views of which one is shown.

    Args:
        context: Shared by all pages.
        title: Name of the page.
    """

    def __init__(self, context: AppContext, title: str) -> None:
        super().__init__()
        self.setObjectName("page")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        self.context = context
        self._font_px = 0
        self._layout = QVBoxLayout(self)
        self._layout.setContentsMargins(20, 14, 20, 16)
        self._layout.setSpacing(10)
        head = QHBoxLayout()
        head.setSpacing(10)
        texts = QVBoxLayout()
        texts.setSpacing(0)
        self.title = label(title, "title")
        self.subtitle = label("", "soft")
        texts.addWidget(self.title)
        texts.addWidget(self.subtitle)
        head.addLayout(texts, 1)
        self.action_row = QHBoxLayout()
        self.action_row.setSpacing(8)
        head.addLayout(self.action_row)
        self._layout.addLayout(head)
        self.views = QStackedWidget()
        self._layout.addWidget(self.views, 1)
        context.theme_changed.connect(self.restyle)
        context.unit_changed.connect(self._unit_changed)
        context.store_ready.connect(self.refresh)
        context.store_changed.connect(self._store_changed)
        self.restyle()

    concerns: tuple[str, ...] = ()
    """What of the store the page shows: a change of it refreshes the page."""

    def refresh(self) -> None:
        """Read the store again; overridden."""

    def open(self, key: str) -> None:
        """Show what `key` names; overridden where the page has such things."""

    def heading(self, title: str, subtitle: str = "") -> None:
        """Change the heading line."""
        self.title.setText(title)
        self.subtitle.setText(subtitle)

    def on_keys(self, keys: str, action: Callable[[], object]) -> None:
        """Let `keys` do something while the page has the keyboard."""
        shortcut = QShortcut(QKeySequence(keys), self)
        shortcut.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        shortcut.activated.connect(action)

    def say(self, sentence: str, *, problem: bool = False) -> None:
        """Say one sentence in the strip at the foot of the window."""
        self.context.message.emit("problem" if problem else "note", sentence)

    def restyle(self) -> None:
        """Take the palette and the size in force."""
        font = self.font()
        font.setPixelSize(self.font_px())
        self.setFont(font)
        self.setStyleSheet(page_style(theme.palette(), self.font_px()))
        self.update()

    def font_px(self) -> int:
        """Size of ordinary text for the height the page has."""
        return max(14, min(18, round((self.height() + 110) / 56)))

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Take the sizes of the new height."""
        super().resizeEvent(event)
        if self.font_px() != self._font_px:
            self._font_px = self.font_px()
            self.restyle()

    def _unit_changed(self, _unit: str) -> None:
        self.refresh()

    def _store_changed(self, what: str) -> None:
        if what in self.concerns:
            self.refresh()


class EmptyNote(QWidget):
    """What an empty page says: what belongs here, what to do first, and the button that does it."""

    wanted = Signal()

    def __init__(self, headline: str, sentence: str, action: str = "") -> None:
        super().__init__()
        box = QVBoxLayout(self)
        box.addStretch(2)
        self.headline = label(headline, "title")
        self.sentence = label(sentence, "soft", wrap=True)
        self.sentence.setMaximumWidth(620)
        self.button = main_button(action)
        self.button.setVisible(bool(action))
        self.button.clicked.connect(self.wanted)
        for widget in (self.headline, self.sentence, self.button):
            row = QHBoxLayout()
            row.addStretch(1)
            row.addWidget(widget)
            row.addStretch(1)
            box.addLayout(row)
            box.addSpacing(6)
        self.sentence.setAlignment(Qt.AlignmentFlag.AlignHCenter)
        self.sentence.setMinimumWidth(420)
        box.addStretch(3)
        self.setFocusProxy(self.button)

    def tell(self, headline: str, sentence: str) -> None:
        """Change what is said."""
        self.headline.setText(headline)
        self.sentence.setText(sentence)


# -------------------------------------------------------------------------------------------------------------- lists


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a list.

    Attributes:
        title: Heading.
        text: What a row says here.
        second: Quieter second line; None without.
        width: Share of the width.
        right: Numbers stand right.
        strong: Bold.
        mark: Shape in front of the text: a key of `MARKS`; None without.
        sort: What the column sorts by; the text when None.
    """

    title: str
    text: Callable[[Any], str]
    second: Callable[[Any], str] | None = None
    width: float = 1.0
    right: bool = False
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
            return int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        return None

    def headerData(self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if orientation is Qt.Orientation.Horizontal:
            if role == Qt.ItemDataRole.DisplayRole:
                return self.columns[section].title
            if role == Qt.ItemDataRole.TextAlignmentRole:
                side = Qt.AlignmentFlag.AlignRight if self.columns[section].right else Qt.AlignmentFlag.AlignLeft
                return int(side | Qt.AlignmentFlag.AlignVCenter)
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


class _RowPainter(QStyledItemDelegate):
    """Paints a cell: one or two lines, a shape, the hairline below; a chosen row has a bar at its left."""

    def sizeHint(self, option: QStyleOptionViewItem, index: Index) -> QSize:
        return QSize(40, row_height(option.fontMetrics))

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        c = theme.palette()
        view = self.parent()
        model = index.model()
        assert isinstance(view, Listing)
        assert isinstance(model, _Rows)
        row, column = model.rows[index.row()], model.columns[index.column()]
        rect = QRectF(option.rect)
        state = option.state
        chosen = bool(state & QStyle.StateFlag.State_Selected)
        painter.save()
        if chosen or view.hovered == index.row():
            painter.fillRect(rect, QColor(c.panel_soft))
        painter.setPen(QPen(QColor(c.line), 1))
        painter.drawLine(QPointF(rect.left(), rect.bottom() - 0.5), QPointF(rect.right(), rect.bottom() - 0.5))
        if chosen and index.column() == 0:
            painter.fillRect(QRectF(rect.left(), rect.top() + 3, 4, rect.height() - 7), QColor(c.accent))
        inner = rect.adjusted(12, 0, -12, 0)
        metrics = option.fontMetrics
        if column.mark is not None:
            name = column.mark(row)
            if name:
                side = metrics.height() * 0.72
                draw_mark(painter, QRectF(inner.left(), inner.center().y() - side / 2, side, side), name)
                inner.setLeft(inner.left() + side + 9)
        flags = Qt.AlignmentFlag.AlignRight if column.right else Qt.AlignmentFlag.AlignLeft
        second = column.second(row) if column.second is not None else ""
        font = option.font
        font.setBold(column.strong)
        painter.setFont(font)
        painter.setPen(QColor(c.ink))
        bold = QFontMetrics(font)
        text = bold.elidedText(column.text(row), Qt.TextElideMode.ElideRight, int(inner.width()))
        if second:
            half = inner.height() / 2
            top = QRectF(inner.left(), inner.top() + 3, inner.width(), half)
            painter.drawText(top, flags | Qt.AlignmentFlag.AlignVCenter, text)
            font.setBold(False)
            font.setPixelSize(max(11, round(option.font.pixelSize() * 0.87)))
            painter.setFont(font)
            painter.setPen(QColor(c.soft))
            below = QRectF(inner.left(), inner.center().y() - 2, inner.width(), half - 2)
            text = QFontMetrics(font).elidedText(second, Qt.TextElideMode.ElideRight, int(inner.width()))
            painter.drawText(below, flags | Qt.AlignmentFlag.AlignVCenter, text)
        else:
            painter.drawText(inner, flags | Qt.AlignmentFlag.AlignVCenter, text)
        painter.restore()


def row_height(metrics: QFontMetrics) -> int:
    """Return the height of a row of two lines."""
    return round(metrics.height() * 2.35)


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
        header = self.horizontalHeader()
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

    def show_rows(self, rows: Sequence[Any]) -> None:
        """Show other rows; the cursor stays on the same place in the list."""
        here = self.currentIndex().row()
        header = self.horizontalHeader()
        self._model.replace(rows)
        if self.isSortingEnabled() and header.sortIndicatorSection() >= 0:
            self._model.sort(header.sortIndicatorSection(), header.sortIndicatorOrder())
        if rows:
            self.selectRow(max(0, min(here, len(rows) - 1)))

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
        columns = self._model.columns
        total = sum(column.width for column in columns)
        space, at, edge = self.viewport().width(), 0.0, 0
        for index, column in enumerate(columns):
            at += column.width
            right = round(space * at / total)
            self.setColumnWidth(index, right - edge)
            edge = right
        self.set_row_height()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Do everything by keyboard too."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self._open(self.currentIndex().row())
            return
        super().keyPressEvent(event)

    def leaveEvent(self, event: Any) -> None:
        """Forget the pointer."""
        self.hovered = -1
        self.viewport().update()
        super().leaveEvent(event)

    def _hover(self, index: QModelIndex) -> None:
        self.hovered = index.row()
        self.viewport().update()

    def _open(self, row: int) -> None:
        if 0 <= row < len(self._model.rows):
            self.opened.emit(self._model.rows[row])

    def _moved(self, now: QModelIndex, _before: QModelIndex) -> None:
        if 0 <= now.row() < len(self._model.rows):
            self.chosen.emit(self._model.rows[now.row()])

    def _scrolled(self, value: int) -> None:
        if value >= self.verticalScrollBar().maximum() - 4 * row_height(self.fontMetrics()):
            self.end_near.emit()


def scrolled(widget: QWidget) -> QScrollArea:
    """Return `widget` inside a scroll area that grows with the page and never scrolls sideways."""
    widget.setObjectName("scrolled")
    area = QScrollArea()
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    area.setWidget(widget)
    return area


class Facts(QWidget):
    """Name and value pairs under one another, for what is known of a thing.

    Args:
        columns: In how many columns the pairs stand, filled row by row.
    """

    def __init__(self, columns: int = 1) -> None:
        super().__init__()
        self._columns = columns
        self._box = QGridLayout(self)
        self._box.setContentsMargins(0, 0, 0, 0)
        self._box.setVerticalSpacing(4)
        self._box.setHorizontalSpacing(6)
        for column in range(columns):
            self._box.setColumnStretch(2 * column + 1, 1)
        self._rows: list[tuple[QLabel, QLabel]] = []

    def show_facts(self, facts: Sequence[tuple[str, str]]) -> None:
        """Show (name, value) pairs; empty values are left out."""
        kept = [(name, value) for name, value in facts if value]
        while len(self._rows) < len(kept):
            name, value = label("", "soft", wrap=True), label("", wrap=True)
            value.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
            name.setAlignment(Qt.AlignmentFlag.AlignTop)
            value.setAlignment(Qt.AlignmentFlag.AlignTop)
            row, column = divmod(len(self._rows), self._columns)
            self._box.addWidget(name, row, 2 * column)
            self._box.addWidget(value, row, 2 * column + 1)
            self._rows.append((name, value))
        self.ensurePolished()
        width = max((self.fontMetrics().horizontalAdvance(name) for name, _ in kept), default=0) + 14
        for index, (name, value) in enumerate(self._rows):
            name.setFixedWidth(width)
            shown = index < len(kept)
            name.setVisible(shown)
            value.setVisible(shown)
            if shown:
                name.setText(kept[index][0])
                value.setText(kept[index][1])
                # a last one that stands alone in its row has all of it
                row, column = divmod(index, self._columns)
                alone = index == len(kept) - 1 and column == 0
                self._box.addWidget(value, row, 2 * column + 1, 1, 2 * self._columns - 1 if alone else 1)
