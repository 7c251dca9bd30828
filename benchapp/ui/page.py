"""What the pages beside the Bench have in common: heading, facts, what an empty page says, one style."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence

from PySide6.QtCore import QEvent, QObject, QSize, Qt, Signal
from PySide6.QtGui import QKeySequence, QResizeEvent, QShortcut
from PySide6.QtWidgets import (
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QScrollArea,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from benchapp.ui import theme
from benchapp.ui.context import AppContext
from benchapp.ui.controls import label, main_button, plain_button
from benchapp.ui.format import glued

USUAL_PX = 14
LEAST_VIEW = (860, 500)  # pixels
MOST_PX = 24
LEAST_PX = 12  # in a window lower than 600 pixels, as a small screen at 150 % is


def today() -> dt.date:
    """Return the day on this machine's calendar; pages ask here so that tests can say another."""
    return dt.date.today()


def page_style(colours: theme.Palette, font_px: int) -> str:
    """Return what the pages add to the theme's style sheet."""
    c = colours
    big, heading = round(font_px * 1.9), round(font_px * 1.12)
    pad = 14 if font_px >= USUAL_PX else 8  # of a button, left and right
    return f"""
    QWidget {{ font-size: {font_px}px; }}
    QWidget#page {{ background: {c.ground}; }}
    QStackedWidget#clear {{ background: transparent; }}
    QScrollBar:vertical {{ width: 10px; }}
    QScrollBar:horizontal {{ height: 10px; }}
    QScrollBar::handle:vertical {{ margin: 2px; border-radius: 3px; }}
    QLabel[kind="title"] {{ font-size: {big}px; font-weight: 700; }}
    QLabel[kind="heading"] {{ font-size: {heading}px; font-weight: 700; padding-top: 8px; }}
    QLabel[kind="section"] {{ font-weight: 700; }}
    QLabel[kind="figure"] {{ font-size: {round(font_px * 1.5)}px; font-weight: 700; }}
    QLabel[kind="soft"] {{ color: {c.soft}; }}
    QLabel[kind="problem"] {{ color: {c.high}; font-weight: 600; }}
    QPushButton[kind="choice"] {{ border-radius: 0; border-left-width: 0; padding: 6px {pad}px; min-height: 20px;
        font-weight: 400; }}
    QPushButton[kind="choice"][place="first"] {{ border-left-width: 1px; border-top-left-radius: 6px;
        border-bottom-left-radius: 6px; }}
    QPushButton[kind="choice"][place="last"] {{ border-top-right-radius: 6px; border-bottom-right-radius: 6px; }}
    QPushButton[kind="choice"][place="only"] {{ border-left-width: 1px; border-radius: 6px; }}
    QPushButton[kind="choice"]:checked {{ background: {c.ink}; color: {c.ground}; border-color: {c.ink}; }}
    QPushButton[kind="choice"]:focus {{ border: 2px solid {c.accent}; padding: 5px {pad - 1}px; }}
    QPushButton {{ padding: 7px {pad + 2}px; }}
    QPushButton:focus {{ padding: 6px {pad + 1}px; }}
    QPushButton[kind="quiet"] {{ padding: 6px {pad - 4}px; }}
    QTableView#listing {{ border: none; background: transparent; }}
    QTableView#listing QHeaderView {{ background: transparent; border: none; }}
    QTableView#listing QTableCornerButton::section {{ background: {c.panel}; border: none; }}
    QHeaderView {{ background: {c.panel}; border: none; }}
    QScrollArea {{ border: none; background: transparent; }}
    QScrollArea > QWidget > QWidget#scrolled {{ background: transparent; }}
    QTableWidget {{ border-radius: 6px; }}
    QComboBox {{ padding-right: 26px; }}
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
        self._has_margins = True
        self._layout = QVBoxLayout(self)
        self._layout.setSpacing(10)
        head = QHBoxLayout()
        head.setSpacing(10)
        texts = QVBoxLayout()
        texts.setSpacing(0)
        self.title = label(title, "title")
        self.subtitle = label("", "soft", wrap=True)
        texts.addWidget(self.title)
        texts.addWidget(self.subtitle)
        head.addLayout(texts, 1)
        self.action_row = QHBoxLayout()
        self.action_row.setSpacing(8)
        head.addLayout(self.action_row)
        self._layout.addLayout(head)
        self.views = QStackedWidget()
        self._room = _Room(self.views)
        self._layout.addWidget(self._room, 1)
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

    def keep_room(self, *, yes: bool) -> None:
        """Let the views never become smaller than they can be read: in a smaller window they are scrolled.

        Args:
            yes: False for a view that grows and shrinks with the window by itself.
        """
        self._room.least = QSize(*LEAST_VIEW) if yes else QSize()
        self._layout.activate()  # at once: nothing is seen in a size that does not last
        self._room.fit()

    def keep_margins(self, *, yes: bool) -> None:
        """Stand where the Bench's panels stand; or (not `yes`) have the whole window above the foot bar."""
        self._has_margins = yes
        gap = round(theme.Sizes.of(self.window().height()).gap)
        self._layout.setContentsMargins(*((gap, 14, gap, gap) if yes else (0, 0, 0, 0)))

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
        self.keep_margins(yes=self._has_margins)
        self.update()

    def font_px(self) -> int:
        """Size of ordinary text for the height the page has, and in a large window for its width."""
        most = max(18, min(MOST_PX, round(self.width() / 97)))
        return max(LEAST_PX, min(most, round((self.height() + 110) / 56)))

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


class _Room(QScrollArea):
    """Shows its widget as large as the room is; one smaller than `least` is scrolled."""

    def __init__(self, widget: QWidget) -> None:
        super().__init__()
        self.least = QSize(*LEAST_VIEW)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._widget = widget
        self.setWidget(widget)

    def fit(self) -> None:
        """Take the sizes in force."""
        room = self.maximumViewportSize()
        if self.least.height() > room.height():
            room.setWidth(room.width() - self.verticalScrollBar().sizeHint().width())
        if self.least.width() > room.width():
            room.setHeight(room.height() - self.horizontalScrollBar().sizeHint().height())
        self._widget.resize(room.expandedTo(self.least))

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Take the sizes of the new room."""
        super().resizeEvent(event)
        self.fit()


class EmptyNote(QWidget):
    """What an empty page says: what belongs here, what to do first, the button that does it, and another way."""

    wanted = Signal()
    other_wanted = Signal()

    def __init__(self, headline: str, sentence: str, action: str = "", other: str = "") -> None:
        super().__init__()
        box = QVBoxLayout(self)
        box.addStretch(2)
        self.headline = label(headline, "title")
        self.sentence = label(sentence, "soft", wrap=True)
        self.sentence.setMaximumWidth(620)
        self.button = main_button(action)
        self.button.setVisible(bool(action))
        self.button.clicked.connect(self.wanted)
        self.other = plain_button(other)
        self.other.setVisible(bool(other))
        self.other.clicked.connect(self.other_wanted)
        for widget in (self.headline, self.sentence, self.button, self.other):
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


def beside() -> tuple[QWidget, QHBoxLayout]:
    """Return a widget for panels beside one another, and its row: `row.addWidget(panel, share)` for each."""
    widget = QWidget()
    row = QHBoxLayout(widget)
    row.setContentsMargins(0, 0, 0, 0)
    row.setSpacing(12)
    return widget, row


def keep_place(widget: QWidget) -> None:
    """Let the room of `widget` stay empty while it is hidden: nothing beside it moves."""
    policy = widget.sizePolicy()
    policy.setRetainSizeWhenHidden(True)
    widget.setSizePolicy(policy)


def scrolled(widget: QWidget, *, as_high: bool = False) -> QScrollArea:
    """Return `widget` inside a scroll area that grows with the page and never scrolls sideways.

    Args:
        widget: What is scrolled.
        as_high: It takes the height that the widget needs, where there is that much, and no more.
    """
    widget.setObjectName("scrolled")
    area = _AsHigh() if as_high else QScrollArea()
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    area.setWidget(widget)
    return area


class _AsHigh(QScrollArea):
    """Asks for the height that its widget needs, so that what is below gives way before anything has to be scrolled."""

    def sizeHint(self) -> QSize:
        """As high as the words need at this width."""
        widget, hint = self.widget(), super().sizeHint()
        if widget is not None and widget.hasHeightForWidth():
            return QSize(hint.width(), widget.heightForWidth(self.viewport().width()))
        return hint

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Another width wants another height."""
        super().resizeEvent(event)
        if event.size().width() != event.oldSize().width():
            self.updateGeometry()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Other words want another height too."""
        if event.type() == QEvent.Type.LayoutRequest:
            self.updateGeometry()
        return super().eventFilter(watched, event)


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
        self._kept: list[tuple[str, str]] = []
        self._widest = 0  # of the names so far

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
        self._kept = kept
        for index, (name, value) in enumerate(self._rows):
            shown = index < len(kept)
            name.setVisible(shown)
            value.setVisible(shown)
            if shown:
                name.setText(kept[index][0])
                value.setText(glued(kept[index][1]))
                # a last one that stands alone in its row has all of it
                row, column = divmod(index, self._columns)
                alone = index == len(kept) - 1 and column == 0
                self._box.addWidget(value, row, 2 * column + 1, 1, 2 * self._columns - 1 if alone else 1)
        self._fit_names()

    def _fit_names(self) -> None:
        """Make the names' column as wide as the longest so far: from one thing to the next no value moves sideways."""
        width = max((self.fontMetrics().horizontalAdvance(name) for name, _ in self._kept), default=0) + 14
        self._widest = width = max(width, self._widest)
        for name, _ in self._rows:
            name.setFixedWidth(width)

    def changeEvent(self, event: QEvent) -> None:
        """Notice another font."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.FontChange:
            self._widest = 0
            self._fit_names()
