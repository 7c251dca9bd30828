"""The field for what the tool shows: one number, with a unit, comma and point both understood."""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QLineEdit, QWidget

from benchapp.torque.text import parse_torque
from benchapp.torque.units import NM, to_nm
from benchapp.ui import theme
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap


class IndicationEntry(QWidget):
    """Asks once per pull; says in the same place what it could not read."""

    entered = Signal(float)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.unit = NM
        self.problem = ""
        self._about: object = None
        self.field = QLineEdit(self)
        self.field.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.field.setAccessibleName("What the tool shows")
        self.field.returnPressed.connect(self.submit)
        self.field.textEdited.connect(self._clear_problem)
        self.hide()

    @property
    def has_text(self) -> bool:
        """Something has been typed."""
        return bool(self.field.text().strip())

    def ask(self, unit: str, about: object) -> None:
        """Ask for a value in `unit`; one under way `about` the same pull is kept, whatever window has the keyboard."""
        self.unit = unit
        if about != self._about:
            self._about = about
            self.field.clear()
            self.problem = ""
        if not self.field.hasFocus():
            self.field.setFocus()
        self.update()

    def _clear_problem(self) -> None:
        self.problem = ""
        self.update()

    def submit(self) -> None:
        """Hand over what was typed, or say why not."""
        if not self.has_text:
            return
        try:
            value, unit = parse_torque(self.field.text(), self.unit)
        except ValueError as error:
            self.problem = str(error)
            self.update()
            return
        if not value > 0:
            self.problem = "It must be above zero; no sign, whichever the direction."
            self.update()
            return
        self.field.clear()
        self.entered.emit(to_nm(value, unit))

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        s = Sizes.of(self.window().height())
        self.field.setFont(font_of_cap(s.instruction * 0.8, bold=True))
        self._place()
        self.update()

    def _place(self) -> None:
        s = Sizes.of(self.window().height())
        height = round(self.height() - s.body * 3.6)
        self.field.setGeometry(round(s.pad), round(s.pad * 0.6), round(self.width() * 0.62), height)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Field on the left, its unit on the right, words beneath."""
        super().resizeEvent(event)
        self._place()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Frame, unit, and the problem if there is one."""
        s, colours = Sizes.of(self.window().height()), theme.palette()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        theme.draw_panel(painter, QRectF(self.rect()), s.radius, frame=colours.accent)
        painter.setPen(QColor(colours.soft))
        field = QRectF(self.field.geometry())
        unit = QRectF(field.right() + s.pad, field.top(), self.width() - field.right() - 1.5 * s.pad, field.height())
        draw_fitted(painter, unit, self.unit, font_of_cap(s.instruction * 0.6))
        painter.setPen(QColor(colours.high if self.problem else colours.soft))
        words = self.problem or "Type the number, then Enter. Comma and point are both understood."
        row = QRectF(s.pad, field.bottom() + s.body * 0.4, self.width() - 2 * s.pad, s.body * 2.4)
        draw_fitted(painter, row, words, font_of_cap(s.body, bold=bool(self.problem)))
        painter.end()
