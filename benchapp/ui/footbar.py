"""What the main window shows on every page: the strip on top that marks data that is not live, and the foot bar."""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QColor, QPainter, QPaintEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QWidget

from benchapp.ui import theme
from benchapp.ui.bench.panels import Panel, hatch
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap


class SourceMark(Panel):
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


class FootBar(QWidget):
    """Pages on the left; unit, operator, sound and light on the right. It never takes the keyboard."""

    page_chosen = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.row = QHBoxLayout(self)
        self.tabs: dict[str, QPushButton] = {}
        self.titles: dict[str, str] = {}
        self.message = QLabel(self)
        self.message.setProperty("kind", "soft")
        self.message.setTextInteractionFlags(Qt.TextInteractionFlag.NoTextInteraction)
        self.message.setWordWrap(True)
        self.message.setMinimumWidth(1)
        self.recording = self._button("recording", "")  # shown while the port's bytes are recorded
        self.custodian = self._button("custodian", "")  # shown while the custodian's lock is open
        self.operator = self._button("operator", "Who pulls")
        self.unit = self._button("unit", "The unit in which torque is shown")
        self.sound = self._button("sound", "Sounds on or off (Ctrl+M)")
        self.light = self._button("light", "Light or dark (Ctrl+L)")
        self.more = self._button("more", "Keys, full screen, port")
        self.row.addSpacing(14)
        self.row.addWidget(self.message, 1)
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
        self.setFixedHeight(round(s.small * 4.3))
        self.setStyleSheet(
            f"FootBar {{ background: {c.ground}; }}"
            f'QPushButton[kind="tab"] {{ background: transparent; color: {c.soft}; border: none;'
            f" border-bottom: 3px solid transparent; border-radius: 0; padding: 4px {round(s.gap)}px; }}"
            f'QPushButton[kind="tab"]:hover {{ color: {c.ink}; }}'
            f'QPushButton[kind="tab"]:checked {{ color: {c.ink}; background: transparent; font-weight: 700;'
            f" border-bottom: 3px solid {c.accent}; }}"
            f'QPushButton[kind="tab"]:disabled {{ color: {c.rail}; }}'
            f'QPushButton[kind="quiet"] {{ padding: 4px {round(s.gap * 0.7)}px; border: none; }}'
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
