"""The foot of the start panel: what comes of the answers, and the one key that starts."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import QRect, Qt
from PySide6.QtGui import QFontMetrics, QResizeEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QWidget

from benchapp.ui.theme import Sizes, font_of_cap

LONG_SENTENCE: Final = 110  # letters
SMALLER: Final = (0.78, 0.66, 0.56)  # of the cap height of what stands in the foot


class Foot(QFrame):
    """A sentence, the way to the daily check where one is wanted, and Start."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setProperty("kind", "panel")
        self.says = QLabel("", self)
        self.says.setWordWrap(True)
        self.says.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.to_check = QPushButton("Daily check", self)
        self.to_check.setToolTip("To the reference's check standard: pull it, or have the custodian look")
        self.to_check.hide()
        self.go = QPushButton("Start", self)
        self.go.setProperty("kind", "main")
        self.go.setEnabled(False)
        self.go.setToolTip("Enter starts too, from any field")
        self._row = QHBoxLayout(self)
        self._row.addWidget(self.says, 1)
        self._row.addWidget(self.to_check)
        self._row.addWidget(self.go)

    def restyle(self, s: Sizes) -> None:
        """Type and margins."""
        self.to_check.setFont(font_of_cap(s.small))
        self.go.setFont(font_of_cap(s.lead * 1.35, bold=True))
        self.go.setMinimumSize(round(s.lead * 13), round(s.lead * 4.2))
        self._row.setContentsMargins(*(round(s.pad * 0.8),) * 4)
        self._row.setSpacing(round(s.pad))
        self.setFixedHeight(round(s.lead * 4.2 + s.pad * 1.8))
        self._fit()

    def say(self, text: str, *, problem: bool) -> None:
        """Say this from now on."""
        self.says.setText(text)
        self.says.setProperty("kind", "problem" if problem else "")
        self.says.style().unpolish(self.says)
        self.says.style().polish(self.says)
        self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Another width: what is said may need another size."""
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        """Everything that is said stands here: in smaller type where it is long, never cut."""
        lead, text, room = Sizes.of(self.window().height()).lead, self.says.text(), self._room()
        sizes = (1.0, *SMALLER) if len(text) <= LONG_SENTENCE else SMALLER
        for share in sizes:
            font = font_of_cap(lead * share)
            wanted = QFontMetrics(font).boundingRect(room, Qt.TextFlag.TextWordWrap, text)
            if share == sizes[-1] or (wanted.height() <= room.height() and wanted.width() <= room.width()):
                self.says.setFont(font)
                return

    def _room(self) -> QRect:
        """What is left beside the buttons, as the layout will share it out."""
        inner = self.contentsRect().marginsRemoved(self._row.contentsMargins())
        for button in (self.to_check, self.go):
            if not button.isHidden():
                inner.setWidth(inner.width() - button.sizeHint().expandedTo(button.minimumSize()).width())
                inner.setWidth(inner.width() - self._row.spacing())
        return QRect(0, 0, max(1, inner.width()), max(1, inner.height()))
