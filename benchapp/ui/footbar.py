"""What the main window shows on every page: the strip on top that marks data that is not live, and the foot bar."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import QRectF, Qt, QTimer, Signal
from PySide6.QtGui import QColor, QFontMetrics, QMouseEvent, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QWidget

from benchapp.ui import theme, words
from benchapp.ui.painted import Painted, hatch
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap

IN_FULL_MS: Final = 30_000
"""Four times what reading three lines takes; a problem's beginning stays in the foot."""


class SourceMark(Painted):
    """The strip that marks simulated and replayed data on every page."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.text = ""
        self.hand: QWidget | None = None
        self.bar: QWidget | None = None
        self.row = QHBoxLayout(self)
        self.row.setContentsMargins(0, 0, 0, 0)
        self.row.addStretch(1)
        self.hide()

    def take_hand(self, hand: QWidget) -> None:
        """Hold the simulated hand's buttons on the right."""
        self.hand = hand
        self.row.addWidget(hand)
        self.restyle()

    def take_bar(self, bar: QWidget) -> None:
        """Hold the buttons that steer a replay; they stand where the hand's do, one of the two at a time."""
        self.bar = bar
        self.row.addWidget(bar)
        self.restyle()

    def say(self, text: str) -> None:
        """Show this mark; "" hides the strip."""
        if text != self.text:
            self.text = text
            self.setVisible(bool(text))
            self.setAccessibleName(text)
            self.update()

    def restyle(self) -> None:
        """As high as its type needs."""
        super().restyle()
        holds = self.hand is not None or self.bar is not None
        rim = 3 if holds else 0
        self.setFixedHeight(round(self.sizes.small * (3.2 if holds else 2.5)))
        self.row.setContentsMargins(rim, rim, round(self.sizes.gap), rim)
        for part in (self.hand, self.bar):
            again = getattr(part, "restyle", None)
            if callable(again):
                again()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Hatched from edge to edge, the words on a plain field in the middle."""
        s, colours = self.sizes, theme.palette()
        painter.fillRect(box, QColor(colours.sim))
        hatch(painter, box, colours.sim_ink, s.body * 1.3, falling=False, alpha=70)
        font = font_of_cap(s.small, bold=True)
        painter.setFont(font)
        width = painter.fontMetrics().horizontalAdvance(self.text) + 3 * s.pad
        middle = box.center().x() if self.hand is None and self.bar is None else s.gap * 2 + width / 2
        plate = QRectF(middle - width / 2, box.top(), width, box.height())
        painter.fillRect(plate, QColor(colours.sim))
        painter.setPen(QColor(colours.sim_ink))
        draw_fitted(painter, plate, self.text, font, align=Qt.AlignmentFlag.AlignHCenter)


class Message(QLabel):
    """One sentence in the foot bar, its end cut where it has too little room: then `changed` asks for `InFull`."""

    changed = Signal()
    pressed = Signal()

    def fits(self) -> bool:
        """True when all of the text can be read here."""
        return not self.text() or self.heightForWidth(self.width()) <= self.height()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """More or less room than before."""
        super().resizeEvent(event)
        self.changed.emit()

    def mousePressEvent(self, _event: QMouseEvent) -> None:
        """Asks for all of it again."""
        self.pressed.emit()

    def paintEvent(self, event: QPaintEvent) -> None:
        """As a label does, or as many whole lines as there is room for, the last one with an ellipsis."""
        if self.fits():
            super().paintEvent(event)
            return
        painter = QPainter(self)
        painter.setPen(self.palette().color(self.foregroundRole()))
        lines, metrics = int(self.height() / self.fontMetrics().lineSpacing()), self.fontMetrics()
        words, top = self.text(), (self.height() - lines * metrics.lineSpacing()) / 2
        for n in range(lines):
            row = QRectF(0, top + n * metrics.lineSpacing(), self.width(), metrics.lineSpacing())
            taken = words if n == lines - 1 else _line_of(words, metrics, self.width())
            painter.drawText(
                row,
                Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter,
                metrics.elidedText(taken, Qt.TextElideMode.ElideRight, self.width()),
            )
            words = words[len(taken) :].lstrip()
        painter.end()


def _line_of(words: str, metrics: QFontMetrics, width: int) -> str:
    """What of `words` goes on one line, whole words as far as there are any."""
    end = len(words)
    while end > 1 and metrics.horizontalAdvance(words[:end]) > width:
        gap = words.rfind(" ", 0, end - 1)
        end = gap + 1 if gap > 0 else end - 1
        if gap > 0 and metrics.horizontalAdvance(words[:gap]) <= width:
            break
    return words[:end]


class InFull(QLabel):
    """What the foot bar says and has no room for, over the page above it, for a while or until it is pressed."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWordWrap(True)
        self.setTextInteractionFlags(Qt.TextInteractionFlag.NoTextInteraction)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self._seen = ""
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(IN_FULL_MS)
        self._timer.timeout.connect(self.put_away)
        self.hide()

    def place(self, message: Message, foot: QWidget, width: int, *, again: bool = False) -> None:
        """Show all of `message` over what lies above `foot`, on a page of this width; nothing where it fits below.

        What was put away is shown once more only where it is asked for `again`.
        """
        if again or message.text() != self._seen:
            self._seen = ""
        if message.fits() or self._seen:
            self.hide()
            return
        if self.isHidden() or self.text() != message.text():
            self._timer.start()
        self.show()
        s, c = Sizes.of(self.window().height()), theme.palette()
        is_problem = message.property("kind") == "problem"
        self.setFont(font_of_cap(s.small, bold=is_problem))
        self.setStyleSheet(
            f"background: {c.panel}; color: {c.high if is_problem else c.ink};"
            f" border: 1px solid {c.high if is_problem else c.line}; padding: {round(s.gap * 0.7)}px {round(s.gap)}px;"
        )
        self.setText(message.text())
        left, wide = round(width * 0.12), round(width * 0.55)  # on the Bench: over the plot, not over its buttons
        height = self.heightForWidth(wide)
        self.setGeometry(left, foot.y() - height, wide, height)
        self.raise_()

    def put_away(self) -> None:
        """It was seen, or stood there long enough; the foot says its beginning, and all of it when it is pressed."""
        self._seen = self.text()
        self.hide()

    def mousePressEvent(self, _event: QMouseEvent) -> None:
        """Seen."""
        self.put_away()


class FootBar(QWidget):
    """Pages on the left; unit, operator, sound and light on the right. It never takes the keyboard."""

    page_chosen = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.row = QHBoxLayout(self)
        self.tabs: dict[str, QPushButton] = {}
        self.titles: dict[str, str] = {}
        self.message = Message(self)
        self.message.setProperty("kind", "soft")
        self.message.setTextInteractionFlags(Qt.TextInteractionFlag.NoTextInteraction)
        self.message.setWordWrap(True)
        self.message.setMinimumWidth(1)
        self.recording = self._button("recording", "")  # shown while the port's bytes are recorded
        self.custodian = self._button("custodian", "")  # shown while the custodian's lock is open
        self.operator = self._button("operator", "Who pulls")
        self.unit = self._button("unit", "The unit in which torque is shown")
        self.sound = self._button("sound", words.SOUND_TIP)
        self.light = self._button("light", "Light or dark (Ctrl+L)")
        self.more = self._button("more", "Keys, full screen, port")
        self.row.addSpacing(14)
        self.row.addWidget(self.message, 1)
        self.row.addSpacing(14)
        for button in (self.recording, *self._buttons()):
            self.row.addWidget(button)

    def _buttons(self) -> tuple[QPushButton, ...]:
        return self.custodian, self.operator, self.unit, self.sound, self.light, self.more

    def _button(self, name: str, tip: str) -> QPushButton:
        button = QPushButton(self)
        button.setObjectName(name)
        button.setProperty("kind", "quiet")
        button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        button.setToolTip(tip)
        button.setAccessibleName(tip)
        return button

    def add_tab(self, name: str, title: str, number: int) -> None:
        """Add a page's tab; Ctrl+number opens it."""
        tab = QPushButton(title, self)
        tab.setObjectName(name)
        tab.setProperty("kind", "tab")
        tab.setCheckable(True)
        tab.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        tab.setToolTip(f"{title} (Ctrl+{number})")
        tab.clicked.connect(self._chosen)
        self.row.insertWidget(len(self.tabs), tab)
        self.tabs[name] = tab
        self.titles[name] = title

    def show_count(self, name: str, n: int, what: str) -> None:
        """Show beside a tab's title how many things wait on its page; `what` is said when the pointer is on it."""
        tab = self.tabs.get(name)
        if tab is None:
            return
        title = self.titles[name]
        text = f"{title} · {n}" if n else title
        if text != tab.text():
            tab.setText(text)
            tab.setToolTip(what if n else title)
            tab.setAccessibleName(f"{title}, {what}" if n else title)
            self.restyle()

    def _chosen(self) -> None:
        name = self.sender().objectName()
        self.show_page(name)
        self.repaint()  # before the page is made, which may take a moment: never two tabs are seen marked
        self.page_chosen.emit(name)

    def show_page(self, name: str) -> None:
        """Mark the tab of the page shown."""
        for key, tab in self.tabs.items():
            tab.setChecked(key == name)

    def restyle(self) -> None:
        """Type and colours."""
        s, c = Sizes.of(self.window().height()), theme.palette()
        self.row.setContentsMargins(round(s.gap), 0, round(s.gap), round(s.gap * 0.35))
        self.row.setSpacing(round(s.gap * 0.35))
        self.setFixedHeight(round(s.small * 4.6))  # three lines of a message
        self.setStyleSheet(
            f"FootBar {{ background: {c.ground}; }}"
            f'QPushButton[kind="tab"] {{ background: transparent; color: {c.soft}; border: none;'
            f" border-bottom: 3px solid transparent; border-radius: 0; padding: 4px {round(s.gap)}px; }}"
            f'QPushButton[kind="tab"]:hover {{ color: {c.ink}; }}'
            f'QPushButton[kind="tab"]:checked {{ color: {c.ink}; background: transparent; font-weight: 700;'
            f" border-bottom: 3px solid {c.accent}; }}"
            f'QPushButton[kind="tab"]:disabled {{ color: {c.faint}; }}'
            f'QPushButton[kind="quiet"] {{ padding: 4px {round(s.gap * 0.7)}px; border: none;'
            " border-bottom: 3px solid transparent; }"  # its words on one line with those of the tabs
        )
        for widget in (*self.tabs.values(), self.recording, *self._buttons(), self.message):
            widget.setFont(font_of_cap(s.small))
        self.custodian.setStyleSheet(f"color: {c.accent};")
        self.message.setFont(font_of_cap(s.small * 0.8))
        widest = 0
        for tab in self.tabs.values():
            bold = font_of_cap(s.small, bold=True)
            tab.setFont(bold)
            widest = max(widest, tab.sizeHint().width())
            tab.setFont(font_of_cap(s.small))
        for tab in self.tabs.values():
            tab.setFixedWidth(widest)

    def paintEvent(self, event: QPaintEvent) -> None:
        """The ground."""
        painter = QPainter(self)
        painter.fillRect(event.rect(), QColor(theme.palette().ground))
        painter.end()
