"""The records as a whole: do they hold, the newest seal to be kept elsewhere, and the copies."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QFontDatabase
from PySide6.QtWidgets import (
    QDialog,
    QFrame,
    QHBoxLayout,
    QListWidget,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from benchapp.ui import carewords, theme
from benchapp.ui.controls import label, main_button, plain_button
from benchapp.ui.files import ask_folder, ask_open, ask_save
from benchapp.ui.paper.sheet import PaperError, write_file
from benchapp.ui.theme import Sizes, font_of_cap

if TYPE_CHECKING:
    from PySide6.QtWidgets import QLabel, QPushButton

    from benchapp.records.backup import Copy


class KeepingDialog(QDialog):
    """Shows and asks; what is asked for is done by whoever listens.

    Args:
        path: The file with the records.
        head: Newest ``sequence:digest``; "" without any.
        parent: The window.
    """

    explain_wanted = Signal()  # why the clock went back
    check_wanted = Signal(str)  # the head to compare with; "" for none
    copy_wanted = Signal()
    restore_wanted = Signal(object)  # the copy's Path
    export_wanted = Signal(str, object)  # format, Path of the file or folder
    import_wanted = Signal(object)  # Path of a JSON export

    def __init__(self, path: Path, head: str, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle(carewords.KEEPING)
        self._sizes = Sizes.of(parent.height())
        column = QVBoxLayout(self)
        column.setContentsMargins(*(round(self._sizes.pad),) * 4)
        column.setSpacing(round(self._sizes.gap * 0.8))
        column.addWidget(self._text(carewords.KEEPING, "title"))
        self.checked = self._text("", "")
        self.check = self._button(carewords.CHECK_NOW)
        self.check.clicked.connect(lambda: self._ask_check(""))
        self.explain = self._button(carewords.EXPLAIN_CLOCK)
        self.explain.clicked.connect(self.explain_wanted)
        column.addLayout(self._row(self._text(str(path), "soft"), self.explain, self.check))
        column.addWidget(self.checked)  # as wide as there is room: what does not hold is told to the letter
        column.addWidget(self._rule())

        column.addWidget(self._text(carewords.HEAD, "heading"))
        self.shown_head = self._text("", "")
        mono = QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont)
        mono.setPixelSize(self.shown_head.font().pixelSize())
        self.shown_head.setFont(mono)
        self.shown_head.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        column.addWidget(self.shown_head)
        column.addWidget(self._text(carewords.HEAD_WHY, "soft"))
        self.keep = self._button(carewords.KEEP_HEAD)
        self.keep.clicked.connect(self._ask_keep)
        self.compare = self._button(carewords.COMPARE_HEAD)
        self.compare.clicked.connect(self._ask_compare)
        self.kept = self._text("", "soft")
        self.show_head(head)
        column.addLayout(self._row(self.kept, self.keep, self.compare))
        column.addWidget(self._rule())

        column.addWidget(self._text(carewords.TAKE_OUT, "heading"))
        self.exported = self._text(carewords.TAKE_OUT_WHY, "soft")
        column.addWidget(self.exported)
        self.exports: dict[str, QPushButton] = {}
        for form, words, name, kinds in carewords.EXPORTS:
            self.exports[form] = self._button(words)
            self.exports[form].clicked.connect(partial(self._ask_export, form, name, kinds))
        self.take_in = self._button(carewords.IMPORT)
        self.take_in.clicked.connect(self._ask_import)
        column.addLayout(self._row(None, *self.exports.values(), self.take_in))
        column.addWidget(self._rule())

        column.addWidget(self._text(carewords.COPIES, "heading"))
        self.intro = self._text("", "soft")
        column.addWidget(self.intro)
        self.list = QListWidget(self)
        self.list.setFont(font_of_cap(self._sizes.small))
        pad = f"{round(self._sizes.gap * 0.4)}px {round(self._sizes.gap)}px"
        self.list.setStyleSheet(f"QListWidget::item {{ padding: {pad}; }}")
        self.list.itemSelectionChanged.connect(self._look)
        column.addWidget(self.list, 1)
        self.copy = self._button(carewords.COPY_NOW)
        self.copy.clicked.connect(self._ask_copy)
        self.take = self._button(carewords.PUT_IN_PLACE)
        self.take.clicked.connect(self._take)
        leave = main_button(carewords.CLOSE)
        leave.setFont(font_of_cap(self._sizes.small))
        leave.clicked.connect(self.reject)
        column.addLayout(self._row(None, self.copy, self.take, leave))
        self.resize(round(min(parent.width() * 0.8, self._sizes.small * 84)), round(parent.height() * 0.86))

    def _text(self, text: str, kind: str) -> QLabel:
        made = label(text, "" if kind == "title" else kind, wrap=True)  # a title's style sheet fixes its size
        cap = self._sizes.small * {"title": 1.5, "heading": 1.1}.get(kind, 1.0)
        made.setFont(font_of_cap(cap, bold=kind in ("title", "heading")))
        return made

    def _button(self, text: str) -> QPushButton:
        button = plain_button(text)
        button.setFont(font_of_cap(self._sizes.small))
        return button

    def _row(self, text: QLabel | None, *buttons: QPushButton) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(round(self._sizes.gap * 0.6))
        if text is not None:
            row.addWidget(text, 1)
        else:
            row.addStretch(1)
        for button in buttons:
            row.addWidget(button)
        return row

    def _rule(self) -> QFrame:
        line = QFrame(self)
        line.setFrameShape(QFrame.Shape.HLine)
        line.setStyleSheet(f"color: {theme.palette().line};")
        return line

    @staticmethod
    def _say(where: QLabel, text: str, kind: str) -> None:
        where.setText(text)
        where.setProperty("kind", kind)
        where.style().unpolish(where)
        where.style().polish(where)

    # --- shown

    def show_head(self, head: str) -> None:
        """Show the newest seal; "" without any."""
        self.head = head
        self.shown_head.setText(head or carewords.NO_HEAD)
        self.keep.setEnabled(bool(head))

    def show_checked(self, text: str, *, problem: bool = False, busy: bool = False, clock: bool = False) -> None:
        """Show what the check came to, or that it is under way; `clock`: it went back, and nobody said why yet."""
        self.explain.setVisible(clock)
        self._say(self.checked, text, "problem" if problem else "")
        self.check.setEnabled(not busy)
        self.compare.setEnabled(not busy)

    def show_moved(self, text: str, *, problem: bool = False, busy: bool = False) -> None:
        """Show what became of an export or import, or that it is under way."""
        self._say(self.exported, text, "problem" if problem else "soft")
        for button in self.exports.values():
            button.setEnabled(not busy and bool(self.head))
        self.take_in.setEnabled(not busy and not self.head)

    def show_copied(self, text: str, *, problem: bool = False, busy: bool = False) -> None:
        """Show what became of a copy asked for, or that it is being made."""
        self._say(self.intro, text, "problem" if problem else "soft")
        self.copy.setEnabled(not busy)

    def show_copies(self, copies: Sequence[Copy]) -> None:
        """List copies, newest first."""
        self.list.clear()
        for copy in copies:
            item = QListWidgetItem(sentence(copy))
            item.setData(Qt.ItemDataRole.UserRole, str(copy.path))
            item.setToolTip(str(copy.path))
            if copy.n_entries is None:
                item.setFlags(item.flags() & ~Qt.ItemFlag.ItemIsEnabled)
            self.list.addItem(item)
        self.list.setVisible(bool(copies))
        self.intro.setText(carewords.COPIES_INTRO if copies else carewords.NO_COPIES)
        self._look()

    # --- asked

    def _ask_check(self, head: str) -> None:
        self.show_checked(carewords.CHECKING, busy=True)
        self.check_wanted.emit(head)

    def _ask_copy(self) -> None:
        self.show_copied(carewords.COPYING, busy=True)
        self.copy_wanted.emit()

    def _ask_keep(self) -> None:
        path = ask_save(self, carewords.KEEP_HEAD, "records-head.txt", carewords.HEAD_FILTER)
        if path is not None:
            self.keep_head(path)

    def keep_head(self, path: Path) -> None:
        """Write the newest seal to a file, alone in its first line; one that stood there is not lost to a full disk."""
        try:
            write_file(path, f"{self.head}\n".encode())
        except PaperError as error:
            self._say(self.kept, str(error), "problem")
        else:
            self._say(self.kept, carewords.head_kept(path), "soft")

    def _ask_compare(self) -> None:
        path = ask_open(self, carewords.COMPARE_HEAD, carewords.HEAD_FILTER)
        if path is not None:
            self.compare_with(path)

    def compare_with(self, path: Path) -> None:
        """Have the chain checked against the seal in a file."""
        try:
            with path.open(encoding="utf-8", errors="replace") as file:
                kept = file.readline(200).replace("\0", " ").strip()
        except OSError as error:
            self._say(self.kept, carewords.head_not_read(path, error.strerror or str(error)), "problem")
            return
        self._say(self.kept, path.name, "soft")
        self._ask_check(kept or "-")

    def _ask_export(self, form: str, name: str, kinds: str, _checked: bool = False) -> None:
        path = ask_save(self, carewords.TAKE_OUT, name, kinds) if name else ask_folder(self, carewords.TAKE_OUT)
        if path is not None:
            self.export(form, path)

    def export(self, form: str, path: Path) -> None:
        """Have the records written to a file or into a folder."""
        self.show_moved(carewords.WRITING, busy=True)
        self.export_wanted.emit(form, path)

    def _ask_import(self) -> None:
        path = ask_open(self, carewords.IMPORT, carewords.IMPORT_FILTER)
        if path is not None:
            self.import_from(path)

    def import_from(self, path: Path) -> None:
        """Have a JSON export read into these records, which are empty."""
        self.show_moved(carewords.READING_IN, busy=True)
        self.import_wanted.emit(path)

    def _look(self) -> None:
        self.take.setEnabled(bool(self.list.selectedItems()))

    def _take(self) -> None:
        chosen = self.list.selectedItems()
        if chosen:
            path = Path(chosen[0].data(Qt.ItemDataRole.UserRole))
            self.accept()
            self.restore_wanted.emit(path)


def sentence(copy: Copy) -> str:
    """One line of the list."""
    made = carewords.when(copy.made)
    if copy.n_entries is None:
        return f"{made}: cannot be read"
    newest = f", the newest of {carewords.when(copy.newest)}" if copy.newest else ""
    return f"{made}: {carewords.count(copy.n_entries, 'entry', 'entries')}{newest}; {copy.n_bytes / 1e6:,.1f} MB"
