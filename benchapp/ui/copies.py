"""The copies of the records, one of which the custodian may put in place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QHBoxLayout, QListWidget, QListWidgetItem, QVBoxLayout, QWidget

from benchapp.ui import carewords
from benchapp.ui.fields import label, main_button, plain_button
from benchapp.ui.theme import Sizes, font_of_cap

if TYPE_CHECKING:
    from benchapp.records.backup import Copy


class CopiesDialog(QDialog):
    """Lists copies, newest first; closes when one was chosen.

    Args:
        copies: What there is.
        chosen: Called with the file of the one that shall be put in place.
        parent: The window.
    """

    def __init__(self, copies: Sequence[Copy], chosen: Callable[[Path], object], parent: QWidget) -> None:
        super().__init__(parent)
        self._chosen = chosen
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle(carewords.COPIES_TITLE)
        sizes = Sizes.of(parent.height())
        column = QVBoxLayout(self)
        column.setContentsMargins(*(round(sizes.pad),) * 4)
        column.setSpacing(round(sizes.gap))
        intro = label(carewords.COPIES_INTRO if copies else carewords.NO_COPIES, "soft", wrap=True)
        intro.setFont(font_of_cap(sizes.small))
        column.addWidget(intro)
        self.list = QListWidget(self)
        self.list.setFont(font_of_cap(sizes.small))
        self.list.setStyleSheet(f"QListWidget::item {{ padding: {round(sizes.gap * 0.5)}px {round(sizes.gap)}px; }}")
        for copy in copies:
            item = QListWidgetItem(sentence(copy))
            item.setData(Qt.ItemDataRole.UserRole, str(copy.path))
            item.setToolTip(str(copy.path))
            if copy.n_entries is None:
                item.setFlags(item.flags() & ~Qt.ItemFlag.ItemIsEnabled)
            self.list.addItem(item)
        self.list.setVisible(bool(copies))
        self.list.itemSelectionChanged.connect(self._look)
        self.list.itemActivated.connect(self._take)
        column.addWidget(self.list, 1)
        row = QHBoxLayout()
        row.addStretch(1)
        self.leave = plain_button(carewords.CLOSE)
        self.leave.clicked.connect(self.reject)
        self.take = main_button(carewords.PUT_IN_PLACE)
        self.take.clicked.connect(self._take)
        self.take.setVisible(bool(copies))
        for button in (self.leave, self.take):
            button.setFont(font_of_cap(sizes.small))
            row.addWidget(button)
        column.addLayout(row)
        self.resize(
            round(min(parent.width() * 0.7, sizes.small * 76)), round(parent.height() * (0.6 if copies else 0.3))
        )
        self._look()

    def _look(self) -> None:
        self.take.setEnabled(bool(self.list.selectedItems()))

    def _take(self) -> None:
        chosen = self.list.selectedItems()
        if chosen:
            path = Path(chosen[0].data(Qt.ItemDataRole.UserRole))
            self.accept()
            self._chosen(path)


def sentence(copy: Copy) -> str:
    """One line of the list."""
    made = carewords.when(copy.made)
    if copy.n_entries is None:
        return f"{made}: cannot be read"
    newest = f", the newest of {carewords.when(copy.newest)}" if copy.newest else ""
    return f"{made}: {carewords.count(copy.n_entries, 'entry', 'entries')}{newest}; {copy.n_bytes / 1e6:,.1f} MB"
