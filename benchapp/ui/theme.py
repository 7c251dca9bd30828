"""How the window looks: two palettes, type that grows with the window, and one style sheet for ordinary widgets.

Hues come last here: everything they say is said by position, hatching and a word first. The two hues of the corridor
are a blue and a purple that stay apart for every common kind of colour blindness (tested by simulation in
`tests/ui/test_shell_theme.py`); none of the colours of a traffic light carries a meaning anywhere.

Type: the instruction and the state word have capitals at least 1/15 of the window's height, the two figures 1/10
(16 minutes of arc at 2.5 m on the smallest screen we support). `Sizes` holds those rules, `font_of_cap` measures them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QFont, QFontMetricsF, QPainter, QPalette, QPen
from PySide6.QtWidgets import QApplication


@dataclass(frozen=True, slots=True)
class Palette:
    """One set of colours, as ``#rrggbb``.

    Attributes:
        name: "light" or "dark".
        ground: Behind everything.
        panel: A panel on the ground.
        panel_soft: A quieter part of a panel (the time ahead on the plot, a field).
        line: Hairlines and frames.
        rail: The ladder's rails and rungs.
        edge: Frame of what can be typed into; at least 3:1 on `panel`, as WCAG 2.1 (1.4.11) asks.
        ink: Text and curve.
        soft: Text of second rank; still at least 4.5:1 on `panel` and `ground`.
        faint: What cannot be chosen now; at least 3:1, because it is still to be read.
        accent: The one thing to look at: current rung, click, time window, focus.
        low: Below the corridor.
        high: Above it.
        alarm: Ground of the overload notice.
        alarm_ink: Text on it.
        sim: Ground of the strip that marks simulated and replayed data.
        sim_ink: Text on it.
    """

    name: str
    ground: str
    panel: str
    panel_soft: str
    line: str
    rail: str
    edge: str
    ink: str
    soft: str
    faint: str
    accent: str
    low: str
    high: str
    alarm: str
    alarm_ink: str
    sim: str
    sim_ink: str


LIGHT: Final = Palette(
    name="light",
    ground="#f3f1ec",
    panel="#fffefb",
    panel_soft="#f7f5f0",
    line="#d9d4c8",
    rail="#d9d3c5",
    edge="#928e84",
    ink="#1b2130",
    soft="#5b6172",
    faint="#7d8291",
    accent="#3b47a8",
    low="#1f6cab",
    high="#8f2a6b",
    alarm="#4b1248",
    alarm_ink="#fff7fb",
    sim="#e4e1f5",
    sim_ink="#39346e",
)

DARK: Final = Palette(
    name="dark",
    ground="#10141a",
    panel="#1a1e28",
    panel_soft="#161a22",
    line="#2d3340",
    rail="#363d4d",
    edge="#666d7d",
    ink="#efece4",
    soft="#a7abb8",
    faint="#757a88",
    accent="#9ea8ff",
    low="#6fb4ee",
    high="#e58cc4",
    alarm="#f2b8e0",
    alarm_ink="#2a0826",
    sim="#2b2850",
    sim_ink="#d5d1ff",
)

PALETTES: Final = {LIGHT.name: LIGHT, DARK.name: DARK}

_current: list[Palette] = [LIGHT]


def palette() -> Palette:
    """Return the palette in force."""
    return _current[0]


def use(name: str, app: QApplication | None = None) -> Palette:
    """Put the palette "light" or "dark" in force; with `app`, dress its ordinary widgets too."""
    chosen = PALETTES[name]
    _current[0] = chosen
    if app is not None:
        app.setPalette(qt_palette(chosen))
        app.setStyleSheet(style_sheet(chosen))
    return chosen


def system_prefers_dark() -> bool:
    """Return True when the desktop asks for dark windows."""
    app = QApplication.instance()
    if not isinstance(app, QApplication):
        return False
    return app.styleHints().colorScheme() == Qt.ColorScheme.Dark


# --------------------------------------------------------------------------------------------------------------- type

INSTRUCTION_SHARE: Final = 1 / 15
"""Least cap height of the instruction and of the state word, as a share of the window's height."""

FIGURE_SHARE: Final = 1 / 10
"""Least cap height of the live torque and of the last reading."""


@dataclass(frozen=True, slots=True)
class Sizes:
    """Cap heights and distances for one window height, all in logical pixels.

    Attributes:
        instruction: Cap height of the instruction.
        state: Cap height of LOW, IN, HIGH.
        figure: Cap height of the two large figures.
        lead: Cap height of the sentence under a state.
        body: Cap height of ordinary text that is read at the bench.
        small: Cap height of what is only read close by.
        gap: Distance between panels.
        pad: Distance from a panel's edge to its text.
        radius: Of a panel's corners.
    """

    instruction: float
    state: float
    figure: float
    lead: float
    body: float
    small: float
    gap: float
    pad: float
    radius: float

    @classmethod
    def of(cls, window_height: float) -> Sizes:
        """Return the sizes for a window `window_height` logical pixels high."""
        h = max(360.0, float(window_height))
        return cls(
            instruction=h * INSTRUCTION_SHARE,
            state=h * INSTRUCTION_SHARE,
            figure=h * FIGURE_SHARE,
            lead=h / 46,
            body=h / 54,
            small=h / 68,
            gap=h / 64,
            pad=h / 48,
            radius=h / 96,
        )


@lru_cache(maxsize=256)
def _pixel_size(cap_px: float, weight: int, family: str) -> int:
    size = max(6, int(cap_px / 0.74))
    font = QFont(family) if family else QFont()
    font.setWeight(QFont.Weight(weight))
    while size < 2000:
        font.setPixelSize(size)
        if QFontMetricsF(font).capHeight() >= cap_px:
            return size
        size += 1
    return size


def font_of_cap(cap_px: float, *, bold: bool = False) -> QFont:
    """Return the application's font, in the smallest size whose measured cap height is at least `cap_px`."""
    font = QFont()
    weight = QFont.Weight.Bold if bold else QFont.Weight.Normal
    font.setWeight(weight)
    font.setPixelSize(_pixel_size(round(cap_px, 2), int(weight.value), font.family()))
    return font


def draw_fitted(
    painter: QPainter,
    rect: QRectF,
    text: str,
    font: QFont,
    *,
    align: Qt.AlignmentFlag = Qt.AlignmentFlag.AlignLeft,
    template: str | None = None,
    least: float = 0.62,
) -> float:
    """Draw `text` on one line inside `rect`, its capitals centred in the height, and return its width.

    A text wider than the rectangle is condensed, never made lower: height is what the eye reads from afar. With
    `template` the condensing is that of the template's width, so that a changing figure keeps its shape.
    Below `least` the text is cut with an ellipsis.
    """
    metrics = QFontMetricsF(font)
    natural = metrics.horizontalAdvance(text)
    widest = max(natural, metrics.horizontalAdvance(template)) if template else natural
    scale = min(1.0, rect.width() / widest) if widest > 0 else 1.0
    if scale < least:
        scale = least
        text = metrics.elidedText(text, Qt.TextElideMode.ElideRight, rect.width() / scale)
        natural = metrics.horizontalAdvance(text)
    width = natural * scale
    if align & Qt.AlignmentFlag.AlignRight:
        x = rect.right() - width
    elif align & Qt.AlignmentFlag.AlignHCenter:
        x = rect.center().x() - width / 2
    else:
        x = rect.left()
    baseline = rect.center().y() + metrics.capHeight() / 2
    painter.save()
    painter.setFont(font)
    painter.translate(x, baseline)
    painter.scale(scale, 1.0)
    painter.drawText(0, 0, text)
    painter.restore()
    return width


def draw_panel(painter: QPainter, rect: QRectF, radius: float, *, fill: str = "", frame: str = "") -> None:
    """Draw a panel: fill and hairline frame in the palette's colours unless others are given."""
    colours = palette()
    painter.setPen(QPen(QColor(frame or colours.line), 1))
    painter.setBrush(QColor(fill or colours.panel))
    painter.drawRoundedRect(rect.adjusted(0.5, 0.5, -0.5, -0.5), radius, radius)


def outside(side: Literal["low", "high"], alpha: int = 110, colours: Palette | None = None) -> QBrush:
    """Return the hatching of what lies below or above the limits: rising lines are LOW, falling ones HIGH.

    The slant says it without the hue, so it is one place's: the Bench's own (`panels.hatch`) goes the same way.
    """
    colours = colours or _current[0]
    colour = QColor(colours.low if side == "low" else colours.high)
    colour.setAlpha(alpha)
    return QBrush(colour, Qt.BrushStyle.BDiagPattern if side == "low" else Qt.BrushStyle.FDiagPattern)


# --------------------------------------------------------------------------------------------------- ordinary widgets


def qt_palette(colours: Palette) -> QPalette:
    """Return Qt's palette for `colours`."""
    result = QPalette()
    role = QPalette.ColorRole
    for target, colour in (
        (role.Window, colours.ground),
        (role.WindowText, colours.ink),
        (role.Base, colours.panel),
        (role.AlternateBase, colours.panel_soft),
        (role.Text, colours.ink),
        (role.Button, colours.panel),
        (role.ButtonText, colours.ink),
        (role.ToolTipBase, colours.panel),
        (role.ToolTipText, colours.ink),
        (role.PlaceholderText, colours.soft),
        (role.Highlight, colours.accent),
        (role.HighlightedText, colours.ground),
        (role.Link, colours.accent),
    ):
        result.setColor(target, QColor(colour))
    for target in (role.WindowText, role.Text, role.ButtonText):
        result.setColor(QPalette.ColorGroup.Disabled, target, QColor(colours.soft))
    return result


def style_sheet(colours: Palette) -> str:
    """Return the style sheet for ordinary widgets.

    Properties that pages may set:

    `QPushButton[kind="main"]` the one thing to do; `[kind="quiet"]` a button without frame; `QFrame[kind="panel"]` a
    panel; `QLabel[kind="title"]`, `[kind="soft"]`, `[kind="problem"]`.
    """
    c = colours
    return f"""
    * {{ selection-background-color: {c.accent}; selection-color: {c.ground}; }}
    QMainWindow, QDialog, QStackedWidget, QScrollArea, QScrollArea > QWidget > QWidget {{ background: {c.ground}; }}
    QWidget {{ color: {c.ink}; }}
    QToolTip {{ background: {c.panel}; color: {c.ink}; border: 1px solid {c.line}; padding: 4px; }}
    QFrame[kind="panel"] {{ background: {c.panel}; border: 1px solid {c.line}; border-radius: 8px; }}
    QLabel {{ background: transparent; }}
    QLabel[kind="title"] {{ font-size: 22px; font-weight: 700; }}
    QLabel[kind="soft"] {{ color: {c.soft}; }}
    QLabel[kind="problem"] {{ color: {c.high}; font-weight: 600; }}
    QLineEdit, QPlainTextEdit, QTextEdit, QSpinBox, QDoubleSpinBox, QComboBox, QDateEdit {{
        background: {c.panel}; color: {c.ink}; border: 1px solid {c.edge}; border-radius: 6px;
        padding: 6px 10px; min-height: 22px; }}
    QLineEdit:disabled, QPlainTextEdit:disabled, QTextEdit:disabled, QComboBox:disabled {{
        background: {c.panel_soft}; border-color: {c.line}; }}
    QLineEdit:focus, QPlainTextEdit:focus, QTextEdit:focus, QSpinBox:focus, QDoubleSpinBox:focus, QComboBox:focus,
    QDateEdit:focus {{ border: 2px solid {c.accent}; padding: 5px 9px; }}
    QLineEdit[wrong="true"] {{ border: 2px solid {c.high}; padding: 5px 9px; }}
    QComboBox::drop-down {{ border: none; width: 26px; }}
    QComboBox QAbstractItemView {{ background: {c.panel}; color: {c.ink}; border: 1px solid {c.line};
        selection-background-color: {c.accent}; selection-color: {c.ground}; outline: none; }}
    QPushButton {{ background: {c.panel}; color: {c.ink}; border: 1px solid {c.rail}; border-radius: 6px;
        padding: 7px 16px; outline: none; }}
    QPushButton:hover {{ border-color: {c.accent}; }}
    QPushButton:focus {{ border: 2px solid {c.accent}; padding: 6px 15px; }}
    QPushButton:disabled {{ color: {c.soft}; border-color: {c.line}; background: {c.panel_soft}; }}
    QPushButton:checked {{ background: {c.ink}; color: {c.ground}; border-color: {c.ink}; }}
    QPushButton[kind="main"] {{ background: {c.accent}; color: {c.ground}; border: 2px solid {c.accent};
        font-weight: 700; }}
    QPushButton[kind="main"]:focus {{ border: 2px solid {c.ink}; padding: 7px 16px; }}
    QPushButton[kind="main"]:disabled {{ background: {c.rail}; border-color: {c.rail}; color: {c.soft}; }}
    QPushButton[kind="quiet"] {{ background: transparent; border: none; color: {c.soft}; padding: 6px 10px; }}
    QPushButton[kind="quiet"]:hover {{ color: {c.ink}; }}
    QPushButton[kind="quiet"]:focus {{ color: {c.ink}; border-bottom: 2px solid {c.accent}; }}
    QCheckBox, QRadioButton {{ background: transparent; spacing: 8px; }}
    QTableView, QTableWidget, QListView, QListWidget, QTreeView {{ background: {c.panel}; color: {c.ink};
        alternate-background-color: {c.panel_soft}; border: 1px solid {c.line}; border-radius: 8px;
        gridline-color: {c.line}; outline: none; }}
    QTableView::item:selected, QListView::item:selected, QListWidget::item:selected, QTableWidget::item:selected {{
        background: {c.accent}; color: {c.ground}; }}
    QListWidget::item:disabled {{ color: {c.faint}; }}
    QListWidget::indicator {{ width: 16px; height: 16px; }}
    QTableWidget::item {{ padding: 0 8px; }}
    QHeaderView::section {{ background: {c.panel_soft}; color: {c.soft}; border: none;
        border-bottom: 1px solid {c.line}; padding: 6px 8px; }}
    QMenu {{ background: {c.panel}; color: {c.ink}; border: 1px solid {c.line}; padding: 6px; }}
    QMenu::item {{ padding: 7px 22px; border-radius: 4px; }}
    QMenu::item:selected {{ background: {c.accent}; color: {c.ground}; }}
    QMenu::item:disabled {{ color: {c.faint}; }}
    QMenu::separator {{ height: 1px; background: {c.line}; margin: 5px 8px; }}
    QAbstractScrollArea::corner {{ background: transparent; border: none; }}
    QScrollBar:vertical {{ background: transparent; width: 12px; margin: 0; }}
    QScrollBar:horizontal {{ background: transparent; height: 12px; margin: 0; }}
    QScrollBar::handle {{ background: {c.rail}; border-radius: 5px; min-height: 32px; min-width: 32px; }}
    QScrollBar::handle:hover {{ background: {c.soft}; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ height: 0; width: 0; }}
    QScrollBar::add-page, QScrollBar::sub-page {{ background: transparent; }}
    QSplitter::handle {{ background: {c.line}; }}
    """
