"""Labels for tools, on sheets and rolls: what each may say, and the sheet as PDF.

A label that a passer-by takes for good is made for one case only: the last verdict was within limits, a real pull
decided it, the tool is in service and not overdue. Every other label says in white on black what is the matter.
"""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from PySide6.QtCore import QMarginsF, QPointF, QRectF, QSizeF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPageLayout, QPageSize, QPainter, QPdfWriter

from benchapp.records.labels import Label, label_text
from benchapp.records.model import Outcome, RunSummary, ToolRecord, ToolState
from drivers.samples import Source

if TYPE_CHECKING:
    from benchapp.records import Store

DOTS_PER_MM: Final = 48
"""Everything is drawn in whole dots of this size, 1219.2 to the inch, so that the modules of a QR code meet exactly."""

EDGE_MM: Final = 2.0  # kept free at each edge of a label: printers shift a sheet by about a millimetre
LEAST_TEXT_MM: Final = 1.25  # smallest cap height, about 5 points
LEAST_MODULE_MM: Final = 0.25  # smallest module a plain camera or hand scanner reads from print (our own choice)
QUIET: Final = 4  # modules kept white around a QR code (ISO/IEC 18004, from memory)
RUNS_LOOKED_AT: Final = 50


class LabelError(ValueError):
    """A label that cannot be made; the message says what to do."""


@dataclass(frozen=True, slots=True)
class LabelSize:
    """A sheet of labels, or one label of a roll. All lengths in mm; what it consists of stands in `label_sizes.toml`.

    Attributes:
        key: Short name, kept in the settings.
        name: As offered.
        mark: Where the figures come from: "P" common practice.
        page: Width and height.
        columns: Labels in a row.
        rows: Rows.
        label: Width and height of one.
        left: Of the first label.
        top: Of the first label.
        step_x: From one to the next in a row.
        step_y: From row to row.
    """

    key: str
    name: str
    mark: str
    page: tuple[float, float]
    columns: int
    rows: int
    label: tuple[float, float]
    left: float
    top: float
    step_x: float
    step_y: float

    @property
    def per_page(self) -> int:
        """Labels on a sheet."""
        return self.columns * self.rows

    def place(self, index: int) -> QRectF:
        """Return where label `index` (from 0, row by row) of a sheet is, mm."""
        row, column = divmod(index, self.columns)
        return QRectF(self.left + column * self.step_x, self.top + row * self.step_y, *self.label)


@lru_cache(maxsize=1)
def label_sizes() -> tuple[LabelSize, ...]:
    """Return the sizes on offer; raises ValueError for one that does not fit its page."""
    with Path(__file__).with_name("label_sizes.toml").open("rb") as file:
        listed = tomllib.load(file)["size"]
    return tuple(_size(each) for each in listed)


def _size(data: dict[str, Any]) -> LabelSize:
    size = LabelSize(**{**data, "page": tuple(data["page"]), "label": tuple(data["label"])})
    last = size.place(size.per_page - 1)
    slack = 0.01
    if size.left < 0 or size.top < 0 or last.right() > size.page[0] + slack or last.bottom() > size.page[1] + slack:
        raise ValueError(f"label size {size.key}: its labels reach beyond the page")
    if (size.columns > 1 and size.step_x < size.label[0]) or (size.rows > 1 and size.step_y < size.label[1]):
        raise ValueError(f"label size {size.key}: its labels overlap")
    return size


# ------------------------------------------------------------------------------------------------------- what it says


class Standing(StrEnum):
    """What a label says of its tool, in words."""

    GOOD = "WITHIN LIMITS"
    OUT = "OUT OF LIMITS"
    SIMULATED = "SIMULATED"
    UNDECIDED = "UNDECIDED"
    OVERDUE = "OVERDUE"
    STOPPED = "OUT OF SERVICE"
    NEVER = "NOT VERIFIED"


UNDER: Final = {
    Standing.GOOD: "verified in the workshop, no calibration certificate",
    Standing.OUT: "do not use",
    Standing.SIMULATED: "no verification of a real tool",
    Standing.UNDECIDED: "do not use before it is verified again",
    Standing.OVERDUE: "do not use before it is verified again",
    Standing.STOPPED: "do not use",
    Standing.NEVER: "do not use before it is verified",
}


@dataclass(frozen=True, slots=True)
class Face:
    """What is printed on one label.

    Attributes:
        number: Of the tool.
        standing: The word.
        verified: Date of the verdict it speaks of; None without one.
        due: Date of the next verification; only where `standing` is GOOD or OVERDUE.
    """

    number: str
    standing: Standing
    verified: dt.date | None = None
    due: dt.date | None = None

    @property
    def is_good(self) -> bool:
        """True for the one label that lets a tool be used."""
        return self.standing is Standing.GOOD

    @property
    def text(self) -> str:
        """What its QR code says. A simulated verdict is none: the code tells of no outcome."""
        match self.standing:
            case Standing.GOOD | Standing.OVERDUE:
                label = Label(self.number, Outcome.WITHIN if self.verified else Outcome.OPEN, self.verified, self.due)
            case Standing.OUT:
                label = Label(self.number, Outcome.OUT, self.verified)
            case Standing.UNDECIDED:
                label = Label(self.number, Outcome.UNDECIDED, self.verified)
            case _:
                label = Label(self.number)
        return label_text(label)

    def lines(self, *, brief: bool = False) -> tuple[str, ...]:
        """Return the lines of dates; `brief` with the shortest words, for the smallest labels."""
        said = []
        if self.verified is not None:
            word = {Standing.SIMULATED: "simulated", Standing.OUT: "found", Standing.UNDECIDED: "pulled"}
            said.append(f"{'on' if brief else word.get(self.standing, 'verified')} {self.verified.isoformat()}")
        if self.due is not None:
            was = self.standing is Standing.OVERDUE
            said.append(f"{'due' if brief else 'was due' if was else 'next due'} {self.due.isoformat()}")
        return tuple(said)


def face_of(record: ToolRecord, runs: Sequence[RunSummary], *, is_demo: bool, today: dt.date) -> Face:
    """Return what a tool's label may say.

    Args:
        record: The tool as it stands.
        runs: Its newest runs, newest first.
        is_demo: The records hold simulated or replayed pulls.
        today: Decides what is overdue.
    """
    judged = (Outcome.WITHIN, Outcome.OUT, Outcome.UNDECIDED)
    newest = next((r for r in runs if r.seal and not r.voided and r.outcome in judged), None)
    number = record.number
    day = record.last_verified
    if newest is not None and newest.outcome is not Outcome.WITHIN:
        day = dt.date.fromisoformat(newest.finished[:10])
    not_live = is_demo or any(
        r.source is not Source.LIVE and (r is newest or r.finished[:10] == str(record.last_verified))
        for r in runs
        if r.seal and not r.voided and r.outcome in judged
    )
    if not_live and day is not None:
        out = record.last_outcome is Outcome.OUT or (newest is not None and newest.outcome is Outcome.OUT)
        return Face(number, Standing.OUT if out and not is_demo else Standing.SIMULATED, day)
    if record.last_outcome is Outcome.OUT or (newest is not None and newest.outcome is Outcome.OUT):
        return Face(number, Standing.OUT, day)
    if newest is not None and newest.outcome is Outcome.UNDECIDED:
        return Face(number, Standing.UNDECIDED, day)
    if record.state is not ToolState.IN_SERVICE:
        return Face(number, Standing.STOPPED)
    if record.last_verified is None or record.last_outcome is not Outcome.WITHIN:
        return Face(number, Standing.NEVER)
    if record.due is None or record.shown_state(today) is ToolState.OVERDUE:
        return Face(number, Standing.OVERDUE, day, record.due)
    return Face(number, Standing.GOOD, day, record.due)


def faces_read(store: Store, numbers: Sequence[str], today: dt.date) -> Iterator[Face | None]:
    """Yield the label of each of these tools as the store knows it now; None for a number it does not know."""
    for number in numbers:
        record = store.tool(number)
        if record is None:
            yield None
            continue
        runs = store.runs(tool=record.number, limit=RUNS_LOOKED_AT)
        yield face_of(record, runs, is_demo=store.is_demo, today=today)


# ------------------------------------------------------------------------------------------------------------ drawing


def n_pages(n_labels: int, size: LabelSize, start: int = 1) -> int:
    """Return how many sheets so many labels take when the first is put at place `start` of its sheet."""
    return -(-(n_labels + start - 1) // size.per_page)


def check_fit(face: Face, size: LabelSize) -> None:
    """Raise LabelError when a label cannot hold its text or its code."""
    _layout(face, size)


def write_labels(path: Path, faces: Sequence[Face], size: LabelSize, *, start: int = 1) -> int:
    """Write the sheets as one PDF and return how many there are.

    Args:
        path: Of the file.
        faces: In the order of their places.
        size: Of sheet and labels.
        start: Place of the first label on the first sheet, from 1; those before are used up already.

    Raises:
        LabelError: Nothing to print, no such place, or a number too long for the size. Nothing is written.
        OSError: The file cannot be written.
    """
    for _ in labels_written(path, faces, size, start=start):
        pass
    return n_pages(len(faces), size, start)


def labels_written(path: Path, faces: Sequence[Face], size: LabelSize, *, start: int = 1) -> Iterator[int]:
    """Do what `write_labels` does bit by bit: yields how many labels are laid out, then 0 for each that is drawn.

    A code takes some milliseconds, so that two thousand would hold up a window. The file is there when all of it is
    written; one that is closed before leaves nothing behind.
    """
    if not faces:
        raise LabelError("There is no tool to print a label for.")
    if not 1 <= start <= size.per_page:
        raise LabelError(f"The sheet has places 1 to {size.per_page}; {start} is none of them.")
    for n, face in enumerate(faces, start=1):
        check_fit(face, size)  # refuses before the file is touched
        yield n
    part = path.with_name(f"{path.name}.part")
    part.touch()  # QPdfWriter says nothing of a folder that is not there
    try:
        yield from _drawn(part, faces, size, start)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _drawn(path: Path, faces: Sequence[Face], size: LabelSize, start: int) -> Iterator[int]:
    """Draw the sheets into the file, a label at a time."""
    writer = QPdfWriter(str(path))
    writer.setTitle("Labels")
    writer.setCreator("Kilter")
    writer.setResolution(round(DOTS_PER_MM * 25.4))
    page = QPageSize(QSizeF(*size.page), QPageSize.Unit.Millimeter, size.name, QPageSize.SizeMatchPolicy.ExactMatch)
    writer.setPageLayout(QPageLayout(page, QPageLayout.Orientation.Portrait, QMarginsF(0, 0, 0, 0)))
    painter = QPainter()
    if not painter.begin(writer):
        raise OSError(f"{path} cannot be written")
    try:
        scale = writer.resolution() / 25.4 / DOTS_PER_MM  # 1 but for rounding
        painter.scale(scale, scale)
        for page_index in range(n_pages(len(faces), size, start)):
            if page_index:
                writer.newPage()
            for face, place in on_page(faces, size, start=start, page=page_index):
                draw_label(painter, face, size, place)
                yield 0
    finally:
        painter.end()


def draw_page(painter: QPainter, faces: Sequence[Face], size: LabelSize, *, start: int = 1, page: int = 0) -> None:
    """Draw one sheet, in dots of `DOTS_PER_MM`; raises LabelError."""
    for face, place in on_page(faces, size, start=start, page=page):
        draw_label(painter, face, size, place)


def on_page(faces: Sequence[Face], size: LabelSize, *, start: int = 1, page: int = 0) -> Iterator[tuple[Face, QRectF]]:
    """Yield the labels of one sheet with their places, mm."""
    for place in range(size.per_page):
        index = page * size.per_page + place - (start - 1)
        if 0 <= index < len(faces):
            yield faces[index], size.place(place)


@dataclass(frozen=True, slots=True)
class _Line:
    text: str
    font: QFont
    box: QRectF  # dots, from the label's corner
    inverted: bool = False


@dataclass(frozen=True, slots=True)
class _Laid:
    matrix: tuple[bytes, ...]
    module: int
    corner: QPointF
    lines: tuple[_Line, ...]


@lru_cache(maxsize=4096)
def _matrix(text: str) -> tuple[bytes, ...]:
    import segno  # only wanted here

    return tuple(bytes(row) for row in segno.make(text, error="m", micro=False).matrix)


@lru_cache(maxsize=4096)
def _layout(face: Face, size: LabelSize) -> _Laid:
    """Return where everything of a label stands, in dots from its corner; raises LabelError."""
    edge = EDGE_MM * DOTS_PER_MM
    width, height = size.label[0] * DOTS_PER_MM, size.label[1] * DOTS_PER_MM
    matrix = _matrix(face.text)
    n = len(matrix) + 2 * QUIET - 2  # the label's own white edge serves for part of the quiet zone
    side = min(height - edge, width * 0.43)
    module = int(side / n)
    if module < LEAST_MODULE_MM * DOTS_PER_MM:
        raise _too_long(face, size)
    code = module * len(matrix)
    corner = QPointF(edge / 2 + QUIET * module - module, (height - code) / 2)
    left = corner.x() + code + QUIET * module
    room = QRectF(left, edge, width - edge - left, height - 2 * edge)
    return _Laid(matrix, module, corner, tuple(_lines(face, size, room)))


def _lines(face: Face, size: LabelSize, room: QRectF) -> list[_Line]:
    """Lay the lines into `room`: heights by rank, each as large as its width lets it be."""
    # (text, share of the height, bold, white on black)
    head = [(face.number, 3.0, True, False), (face.standing.value, 2.4, True, not face.is_good)]
    dates, brief = ([(line, 1.9, "due" in line, False) for line in face.lines(brief=brief)] for brief in (False, True))
    under = [(part, 1.3, False, False) for part in _broken(UNDER[face.standing], room.width())]
    for lines in ([*head, *dates, *under], [*head, *brief, *under], [*head, *dates], [*head, *brief]):
        laid = _fit(lines, room)
        if laid is not None:
            return laid
    raise _too_long(face, size)


def _fit(wanted: Sequence[tuple[str, float, bool, bool]], room: QRectF) -> list[_Line] | None:
    unit = min(room.height() / sum(share for _, share, _, _ in wanted), 3.4 * DOTS_PER_MM)
    top = room.top() + (room.height() - unit * sum(share for _, share, _, _ in wanted)) / 2
    laid = []
    for text, share, bold, inverted in wanted:
        box = QRectF(room.left(), top, room.width(), share * unit)
        pad = 0.8 * DOTS_PER_MM if inverted else 0.0
        cap = box.height() * (0.5 if inverted else 0.62)
        font = _font(text, cap, box.width() - 2 * pad, bold=bold)
        if QFontMetricsF(font).capHeight() < LEAST_TEXT_MM * DOTS_PER_MM:
            return None
        laid.append(_Line(text, font, box, inverted))
        top += share * unit
    return laid


def _font(text: str, cap: float, width: float, *, bold: bool) -> QFont:
    """Return the largest font whose capitals are at most `cap` high and whose line is at most `width` wide, in dots."""
    font = QFont()
    font.setBold(bold)
    font.setHintingPreference(QFont.HintingPreference.PreferNoHinting)
    font.setPixelSize(1000)
    metrics = QFontMetricsF(font)
    pixels = min(cap / metrics.capHeight(), width / max(1.0, metrics.horizontalAdvance(text))) * 1000
    font.setPixelSize(max(1, int(pixels * 0.99)))
    while font.pixelSize() > 1 and QFontMetricsF(font).horizontalAdvance(text) > width:
        font.setPixelSize(font.pixelSize() - 1)
    return font


def _broken(text: str, width: float) -> list[str]:
    """Break a sentence into two lines where it would become too small on one."""
    font = QFont()
    font.setPixelSize(1000)
    metrics = QFontMetricsF(font)
    if LEAST_TEXT_MM * DOTS_PER_MM / metrics.capHeight() * metrics.horizontalAdvance(text) <= width * 0.95:
        return [text]
    words = text.split()
    at = min(range(1, len(words)), key=lambda i: abs(len(" ".join(words[:i])) - len(text) / 2))
    return [" ".join(words[:at]), " ".join(words[at:])]


def _too_long(face: Face, size: LabelSize) -> LabelError:
    return LabelError(f"{face.number} does not fit on a label of {size.name.split(' of ')[-1]}. Take a larger size.")


def draw_label(painter: QPainter, face: Face, size: LabelSize, place: QRectF) -> None:
    """Draw one label into `place` (mm), in dots of `DOTS_PER_MM`; raises LabelError."""
    laid = _layout(face, size)
    painter.save()
    # whole dots, so that no module is a hair wider than the next
    painter.translate(round(place.x() * DOTS_PER_MM), round(place.y() * DOTS_PER_MM))
    painter.setPen(Qt.PenStyle.NoPen)
    black = QColor(0, 0, 0)
    x, y = round(laid.corner.x()), round(laid.corner.y())
    for row, modules in enumerate(laid.matrix):
        column = 0
        while column < len(modules):
            end = column
            while end < len(modules) and modules[end]:
                end += 1
            if end > column:
                painter.fillRect(
                    x + column * laid.module, y + row * laid.module, (end - column) * laid.module, laid.module, black
                )
            column = end + 1
    for line in laid.lines:
        pad = 0.0
        if line.inverted:
            painter.fillRect(line.box.adjusted(0, line.box.height() * 0.06, 0, -line.box.height() * 0.06), black)
            pad = 0.8 * DOTS_PER_MM
        painter.setPen(QColor(255, 255, 255) if line.inverted else black)
        painter.setFont(line.font)
        baseline = line.box.center().y() + QFontMetricsF(line.font).capHeight() / 2
        painter.drawText(QPointF(line.box.left() + pad, baseline), line.text)
        painter.setPen(Qt.PenStyle.NoPen)
    painter.restore()


def text_boxes(face: Face, size: LabelSize) -> list[tuple[str, QRectF]]:
    """Return (text, ink it takes) of every line, mm from the label's corner: what a test of cut text looks at."""
    boxes = []
    for line in _layout(face, size).lines:
        metrics = QFontMetricsF(line.font)
        baseline = line.box.center().y() + metrics.capHeight() / 2
        pad = 0.8 * DOTS_PER_MM if line.inverted else 0.0
        ink = metrics.tightBoundingRect(line.text).translated(line.box.left() + pad, baseline)
        boxes.append(
            (
                line.text,
                QRectF(
                    ink.x() / DOTS_PER_MM,
                    ink.y() / DOTS_PER_MM,
                    ink.width() / DOTS_PER_MM,
                    ink.height() / DOTS_PER_MM,
                ),
            )
        )
    return boxes
