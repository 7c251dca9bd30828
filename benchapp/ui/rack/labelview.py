"""Labels for chosen tools: the size, where to begin on a part-used sheet, and how the sheet will look."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

from PySide6.QtCore import QLocale, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QHBoxLayout, QLineEdit, QWidget

from benchapp.records.errors import StoreError
from benchapp.ui import page as pages
from benchapp.ui import theme
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Choices, Panel, in_row, label, main_button, plain_button
from benchapp.ui.files import ask_save
from benchapp.ui.format import grouped, plural
from benchapp.ui.page import Facts
from benchapp.ui.paper.labels import (
    DOTS_PER_MM,
    Face,
    LabelError,
    LabelSize,
    Standing,
    check_fit,
    draw_page,
    faces_read,
    label_sizes,
    labels_written,
    n_pages,
)
from benchapp.ui.slices import Slices

if TYPE_CHECKING:
    from benchapp.records import Store

MAY_FAIL: Final = (StoreError, LabelError, OSError)
ALL: Final = "all"
ONLY_GOOD: Final = "good"
SAID_BESIDE: Final = (
    "A label says “within limits” only where the last verdict was so by real pulls, and the tool is in service and "
    "not overdue. Every other label says what is the matter, white on black. Print at 100 %, without fitting to the "
    "page."
)


class SheetPicture(QWidget):
    """The sheet as it will be printed, paper white in either palette; a click chooses where to begin."""

    place_chosen = Signal(int)

    def __init__(self) -> None:
        super().__init__()
        self.setMinimumSize(260, 260)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.setAccessibleName("the sheet; a click chooses the first place")
        self._faces: list[Face] = []
        self._size: LabelSize = label_sizes()[0]
        self._start, self._page = 1, 0
        self.problem = ""

    def show_sheet(self, faces: list[Face], size: LabelSize, start: int, page: int) -> None:
        """Show one sheet of these labels."""
        self._faces, self._size, self._start, self._page = faces, size, start, page
        self.update()

    def _scale(self) -> tuple[float, QPointF]:
        """Pixels a mm, and where the page's corner is."""
        width, height = self._size.page
        scale = min((self.width() - 8) / width, (self.height() - 8) / height)
        return scale, QPointF((self.width() - scale * width) / 2, (self.height() - scale * height) / 2)

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Draw it with the very code that prints it."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        scale, corner = self._scale()
        painter.translate(corner)
        painter.scale(scale, scale)
        colours = theme.palette()
        painter.setPen(QPen(QColor(colours.rail), 1.0 / scale))
        painter.setBrush(QColor("white"))
        painter.drawRect(QRectF(0, 0, *self._size.page))
        for index in range(self._size.per_page):
            used = self._page == 0 and index < self._start - 1
            painter.setBrush(QColor("#e6e3dd") if used else Qt.BrushStyle.NoBrush)
            painter.setPen(QPen(QColor("#b9b4a8"), 0.8 / scale, Qt.PenStyle.DotLine))
            painter.drawRoundedRect(self._size.place(index), 1.5, 1.5)
        painter.scale(1 / DOTS_PER_MM, 1 / DOTS_PER_MM)
        with contextlib.suppress(LabelError):  # told beside the sheet
            draw_page(painter, self._faces, self._size, start=self._start, page=self._page)
        painter.end()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Begin where the click was."""
        scale, corner = self._scale()
        at = (event.position() - corner) / scale
        for index in range(self._size.per_page):
            if self._size.place(index).contains(at) and self._page == 0:
                self.place_chosen.emit(index + 1)
                return


class PlaceField(QLineEdit):
    """A place on the sheet, from 1; arrow up and down count on and back."""

    place_changed = Signal(int)

    def __init__(self) -> None:
        super().__init__("1")
        self._place, self._highest = 1, 1
        self.setMaximumWidth(90)
        self.setToolTip("Arrow up and down count on and back")
        self.textEdited.connect(self._typed)
        self.editingFinished.connect(lambda: self.put(self._place))

    def value(self) -> int:
        """Return the place."""
        return self._place

    def set_highest(self, highest: int) -> None:
        """Let places go from 1 to `highest`."""
        self._highest = highest
        self.put(self._place)

    def put(self, place: int) -> None:
        """Show a place; one beyond the sheet becomes its last."""
        before, self._place = self._place, max(1, min(self._highest, place))
        self.setText(str(self._place))
        if self._place != before:
            self.place_changed.emit(self._place)

    def _typed(self, text: str) -> None:
        if text.isdecimal() and 1 <= int(text) <= self._highest:
            self._place = int(text)
            self.place_changed.emit(self._place)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Count with the arrow keys."""
        step = {Qt.Key.Key_Up: 1, Qt.Key.Key_Down: -1}.get(Qt.Key(event.key()), 0)
        if step:
            self.put(self._place + step)
            return
        super().keyPressEvent(event)


class LabelView(QWidget):
    """The sheet on the left, what is printed and how on the right. Its key: the tools' numbers, one a line."""

    heading_changed = Signal()
    left = Signal()

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self._numbers: list[str] = []
        self._all: list[Face] = []
        self._n_read, self._n_laid = 0, 0
        self._file: Path | None = None  # that is asked for, and not written yet
        self.work = Slices(self)
        self.faces: list[Face] = []
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(12)
        sheet = Panel(margin=10)
        self.picture = SheetPicture()
        sheet.body.addWidget(self.picture, 1)
        self.before = plain_button("Sheet before")
        self.after = plain_button("Next sheet")
        self.which_sheet = label("", "soft")
        sheet.body.addLayout(in_row(self.before, self.after, self.which_sheet))
        row.addWidget(sheet, 12)
        side = Panel(margin=20)
        side.setMinimumWidth(280)
        side.setMaximumWidth(560)
        body = side.body
        self.sheet_size = Choices([each.name for each in label_sizes()])
        self.sheet_size.setAccessibleName("label size")
        if QLocale().measurementSystem() is QLocale.MeasurementSystem.ImperialUSSystem:
            self.choose_size("letter-30")
        self.start = PlaceField()
        self.start.setAccessibleName("first place on the sheet")
        self.what = ChoiceField(
            "Print", [(ALL, "All of them"), (ONLY_GOOD, "Only “within limits”")], on_change=self._changed
        )
        self.facts = Facts()
        self.problem = label("", "problem", wrap=True)
        self.save = main_button("Save the sheet (PDF) …")
        self.back = plain_button("Back")
        self.begin_word = label("Begin at place (or click on the sheet)", "soft")
        for widget in (label("Size", "soft"), self.sheet_size, self.begin_word, self.start, self.what):
            body.addWidget(widget)
        body.addSpacing(6)
        body.addWidget(self.facts)
        body.addWidget(self.problem)
        body.addSpacing(4)
        self.says = label("", "soft", wrap=True)
        self.halt = plain_button("Stop")
        under_way = QHBoxLayout()
        under_way.addWidget(self.says, 1)
        under_way.addWidget(self.halt)
        body.addLayout(under_way)
        body.addLayout(in_row(self.save, self.back))
        body.addStretch(1)
        body.addWidget(label(SAID_BESIDE, "soft", wrap=True))
        row.addWidget(side, 8)
        self._page = 0
        self.sheet_size.currentIndexChanged.connect(self._size_changed)
        self.start.place_changed.connect(self._changed)
        self.picture.place_chosen.connect(self.start.put)
        self.before.clicked.connect(lambda: self._turn(-1))
        self.after.clicked.connect(lambda: self._turn(1))
        self.save.clicked.connect(self._ask)
        self.halt.clicked.connect(self.stop)
        self.work.moved.connect(self._show_work)
        self.work.ended.connect(self._show_work)
        self.back.clicked.connect(self.left)
        self.setFocusProxy(self.sheet_size)

    # ---------------------------------------------------------------------------------------------------------- reading

    def heading(self) -> tuple[str, str]:
        """Return what stands above the view."""
        if len(self._numbers) == 1:
            return f"Label of {self._numbers[0]}", ""
        return "Labels", plural(len(self._numbers), "tool")

    def open(self, key: str) -> None:
        """Make labels for these tools: their numbers, one a line."""
        self._numbers = [number for number in key.split("\n") if number]
        self._page = 0
        self._all, self.faces = [], []
        self.picture.show_sheet([], self.chosen_size(), self.start.value(), 0)
        self.refresh()

    def refresh(self) -> None:
        """Read the store again: what a label says is true when it is printed."""
        store = self.context.store
        if store is None or self._file is not None:
            return
        self._read(store, self._show_all)

    def _read(self, store: Store, then: Callable[[], object]) -> None:
        """Read what the labels say, in slices; `then` when all is read."""
        found: list[Face] = []

        def reading() -> Iterator[object]:
            for face in faces_read(store, self._numbers, pages.today()):
                self._n_read += 1
                if face is not None:
                    found.append(face)
                yield None

        def read() -> None:
            self._all = found
            then()

        self._n_read, self._n_laid = 0, 0
        self.work.begin(reading(), read, self._failed, MAY_FAIL)

    def stop(self) -> None:
        """Stop reading or writing; nothing half-written stays."""
        was_writing, self._file = self._file is not None, None
        self.work.stop()
        if was_writing:
            self.context.message.emit("note", "Stopped: nothing was written.")

    def _failed(self, problem: Exception) -> None:
        was_writing, self._file = self._file is not None, None
        self.context.message.emit("problem", f"Nothing was written: {problem}" if was_writing else str(problem))
        self._changed()

    def _show_work(self, *_: object) -> None:
        busy, n = self.work.is_busy, len(self._numbers)
        laid = f"{grouped(self._n_laid)} of {grouped(len(self.faces))} labels laid out"
        self.says.setText(
            (laid if self._n_laid else f"{grouped(self._n_read)} of {grouped(n)} tools read") if busy else ""
        )
        self.halt.setVisible(busy)
        self.says.setVisible(busy)
        for part in (self.sheet_size, self.start, self.what):
            part.setEnabled(not busy)
        self.save.setEnabled(not busy and bool(self.faces) and not self.problem.text())

    def _show_all(self) -> None:
        several = len(self._all) > 1
        self.what.setVisible(several)
        if not several:
            self.what.put(ALL)
        self._size_changed()
        self.heading_changed.emit()

    def chosen_size(self) -> LabelSize:
        """Return the size in force."""
        return label_sizes()[max(0, self.sheet_size.currentIndex())]

    def choose_size(self, key: str) -> None:
        """Take the size of that key."""
        self.sheet_size.setCurrentIndex([each.key for each in label_sizes()].index(key))

    def _size_changed(self, *_: object) -> None:
        size = self.chosen_size()
        self.start.set_highest(size.per_page)
        self.start.setVisible(size.per_page > 1)
        self.begin_word.setVisible(size.per_page > 1)
        self._changed()

    def _changed(self, *_: object) -> None:
        size = self.chosen_size()
        only_good = self.what.value() == ONLY_GOOD
        self.faces = [face for face in self._all if face.is_good or not only_good]
        total = n_pages(len(self.faces), size, self.start.value()) if self.faces else 0
        self._page = max(0, min(self._page, total - 1))
        counted = [(standing, sum(face.standing is standing for face in self.faces)) for standing in Standing]
        self.facts.show_facts(
            [(standing.value.lower(), str(n)) for standing, n in counted if n]
            + [("sheets" if size.per_page > 1 else "pieces", str(total))]
        )
        self.problem.setText(_refused(self.faces, size) if self._all else "There is no tool to print a label for.")
        self._show_work()
        for button, possible in ((self.before, self._page > 0), (self.after, self._page < total - 1)):
            button.setEnabled(possible)
            button.setVisible(total > 1)
        self.which_sheet.setText(f"{self._page + 1} of {total}" if total > 1 else "")
        self.picture.show_sheet(self.faces, size, self.start.value(), self._page)

    def _turn(self, by: int) -> None:
        self._page += by
        self._changed()

    # ----------------------------------------------------------------------------------------------------------- acting

    def _ask(self) -> None:
        name = f"label-{self.faces[0].number}.pdf" if len(self.faces) == 1 else "labels.pdf"
        path = ask_save(self, "The sheet of labels", name, "PDF (*.pdf)")
        if path is not None:
            self.save_pdf(path)

    def save_pdf(self, path: Path) -> None:
        """Write the sheets, in slices; what the labels say is read again first."""
        if self.context.store is not None and self._file is None:
            self._file = path
            self._read(self.context.store, self._write)

    def _write(self) -> None:
        self._show_all()
        path, size, start = self._file, self.chosen_size(), self.start.value()
        if path is None:
            return

        def writing() -> Iterator[object]:
            for n in labels_written(path, self.faces, size, start=start):
                self._n_laid = n or self._n_laid
                yield None

        def written() -> None:
            self._file = None
            what, n = plural(len(self.faces), "label"), n_pages(len(self.faces), size, start)
            self.context.message.emit("note", f"{what} on {plural(n, 'page')} in {path.name}. Print at 100 %.")

        self.work.begin(writing(), written, self._failed, MAY_FAIL)


def _refused(faces: list[Face], size: LabelSize) -> str:
    """Return why these cannot be printed. The longest number of each kind is tried here, every one when they are."""
    longest: dict[Standing, Face] = {}
    for face in faces:
        if face.standing not in longest or len(face.number) > len(longest[face.standing].number):
            longest[face.standing] = face
    try:
        for face in longest.values():
            check_fit(face, size)
    except LabelError as problem:
        return str(problem)
    return "" if faces else "No label of these would say “within limits”."
