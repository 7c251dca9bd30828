"""Typesetting for paper: pieces that never break inside, tables whose rows stay whole, pages numbered n of m, as PDF.

Everything is measured before anything is drawn, so that the number of pages is known on the first one. The PDF is made
in memory and written afterwards under another name that then takes the file's place: a disk that fills up leaves no
half document behind.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Final

from PySide6.QtCore import QBuffer, QByteArray, QIODevice, QLocale, QMarginsF, QPointF, QRectF
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontDatabase,
    QFontMetricsF,
    QPageLayout,
    QPageSize,
    QPainter,
    QPdfWriter,
    QPen,
)

PT: Final = 20.0
"""Units to the point: everything is drawn at 1440 to the inch."""
PAPERS: Final = {"A4": QPageSize.PageSizeId.A4, "Letter": QPageSize.PageSizeId.Letter}
LETTER_COUNTRIES: Final = (
    QLocale.Country.UnitedStates,
    QLocale.Country.Canada,
    QLocale.Country.Mexico,
    QLocale.Country.Philippines,
)
"""Where paper is Letter by habit; both sizes are offered everywhere."""
FAMILIES: Final = ("Noto Sans", "Segoe UI", "Helvetica Neue", "DejaVu Sans Condensed")
"""The first of these that is installed; else the application's own font."""
LEFT, RIGHT, TOP, BOTTOM = 54 * PT, 40 * PT, 38 * PT, 56 * PT
MOST_LINES: Final = 36
"""Lines of one table row; a longer cell goes on in the next row."""
BLACK, SOFT, HAIR = QColor(0, 0, 0), QColor(80, 80, 80), QColor(150, 150, 150)


class PaperError(ValueError):
    """A document that cannot be made; the message is a sentence for people."""


def usual_paper() -> str:
    """Return the size of the country, a key of `PAPERS`."""
    return "Letter" if QLocale().territory() in LETTER_COUNTRIES else "A4"


@lru_cache(maxsize=1)
def _family() -> str:
    known = set(QFontDatabase.families())
    return next((name for name in FAMILIES if name in known), QFont().family())


@lru_cache(maxsize=64)
def face(points: float, *, bold: bool = False, mono: bool = False) -> QFont:
    """Return a font by its size in points.

    Args:
        points: Size.
        bold: Bold.
        mono: Every character equally wide.
    """
    font = QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont) if mono else QFont(_family())
    font.setPixelSize(round(points * PT))
    font.setBold(bold)
    font.setFeature(QFont.Tag("liga"), 0)  # a word stays findable in the file: "fi" is two letters
    font.setHintingPreference(QFont.HintingPreference.PreferNoHinting)
    return font


def lines_of(text: str, font: QFont, width: float) -> list[str]:
    """Break a text into lines no wider than `width`; a word that is wider alone is broken, if it can after a hyphen."""
    metrics = QFontMetricsF(font)
    found: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for whole in paragraph.split(" "):
            word = whole
            longer = f"{line} {word}" if line else word
            if metrics.horizontalAdvance(longer) <= width:
                line = longer
                continue
            if line:
                found.append(line)
            while len(word) > 1 and metrics.horizontalAdvance(word) > width:
                n = _longest(word, metrics, width)
                found.append(word[:n])
                word = word[n:]
            line = word
        found.append(line)
    return found


def _longest(word: str, metrics: QFontMetricsF, width: float) -> int:
    """Return how many characters of a word fit, at least one; found by halving, however long the word is."""
    fits, beyond = 1, len(word)
    while beyond - fits > 1:
        middle = (fits + beyond) // 2
        if metrics.horizontalAdvance(word[:middle]) <= width:
            fits = middle
        else:
            beyond = middle
    sign = max(word.rfind(each, 0, fits) for each in "-/_")
    return sign + 1 if sign >= fits // 2 else fits  # never half a line for it


def line_height(font: QFont) -> float:
    """Return the distance of two lines of text."""
    return font.pixelSize() * 1.28


def draw_lines(
    painter: QPainter, lines: Sequence[str], font: QFont, box: QRectF, *, align: str = "left", ink: QColor = BLACK
) -> None:
    """Draw lines from the top of `box`; `align` is "left", "right" or "centre"."""
    painter.setFont(font)
    painter.setPen(ink)
    metrics, step = QFontMetricsF(font), line_height(font)
    for index, line in enumerate(lines):
        room = box.width() - metrics.horizontalAdvance(line)
        x = box.left() + (0 if align == "left" else room if align == "right" else room / 2)
        painter.drawText(QPointF(x, box.top() + index * step + font.pixelSize() * 0.98), line)


def _nothing(_painter: QPainter, _x: float, _y: float) -> None:
    """Draw nothing: empty room."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Something that is never cut by the end of a page.

    Attributes:
        height: Its height.
        draw: Draws it: painter, left, top.
        keep: Stays on one page with the piece after it.
        again: Drawn once more above it where it comes first on a page (the head of a table).
    """

    height: float
    draw: Callable[[QPainter, float, float], None] = _nothing
    keep: bool = False
    again: Piece | None = None


@dataclass(frozen=True, slots=True)
class Col:
    """A column of a table: its title, its share of the width, and where its text stands.

    `whole`: no text of it is broken, whatever font the machine has: the others make room, down to half the width.
    """

    title: str
    share: float
    align: str = "left"
    bold: bool = False
    whole: bool = False


@dataclass(slots=True)
class Sheet:
    """A document under way.

    Attributes:
        paper: "A4" or "Letter".
        title: Of the document, also in the file's own data.
        running: What stands on top of the second page and those after it.
        foot: Left at the foot of each page, in type of equal width: the seal.
        limits: Under it on each page: what this document is not.
        stamp: Stands large on each page: "SIMULATED", "VOID"; "" for none.
        closing: Index of the piece with which the closing part begins: where it would be cut by the end of a page and
            has room on one, it begins a new page; -1 for none.
    """

    paper: str
    title: str
    running: str = ""
    foot: str = ""
    limits: str = ""
    stamp: str = ""
    closing: int = -1
    pieces: list[Piece] = field(default_factory=list)

    def _size(self) -> tuple[float, float]:
        if self.paper not in PAPERS:
            raise PaperError(f"{self.paper} is none of {', '.join(PAPERS)}.")
        points = QPageSize(PAPERS[self.paper]).sizePoints()
        return points.width() * PT, points.height() * PT

    @property
    def width(self) -> float:
        """Room between the margins."""
        return self._size()[0] - LEFT - RIGHT

    # ------------------------------------------------------------------------------------------------------- setting

    def add(self, *pieces: Piece) -> None:
        """Add pieces."""
        self.pieces += pieces

    def space(self, points: float) -> None:
        """Leave room."""
        self.add(Piece(points * PT))

    def text(
        self,
        text: str,
        points: float = 8.6,
        *,
        bold: bool = False,
        ink: QColor = BLACK,
        width: float = 0.0,
        keep: bool = False,
    ) -> None:
        """Add a paragraph, a piece a line."""
        font = face(points, bold=bold)
        lines = lines_of(text, font, width or self.width)
        for index, line in enumerate(lines):

            def draw(painter: QPainter, x: float, y: float, line: str = line) -> None:
                draw_lines(painter, [line], font, QRectF(x, y, self.width, 0), ink=ink)

            # the last line but one keeps the last with it, the first the second: no line stands alone
            tied = keep or (len(lines) > 1 and index in (0, len(lines) - 2))
            self.add(Piece(line_height(font), draw, keep=tied))
        self.add(Piece(2 * PT, keep=keep))

    def heading(self, text: str, note: str = "") -> None:
        """Add a heading that stays with what follows it."""
        font, small = face(10.2, bold=True), face(7.6)
        height = 26 * PT

        def draw(painter: QPainter, x: float, y: float) -> None:
            painter.setPen(QPen(BLACK, 0.9 * PT))
            painter.drawLine(QPointF(x, y + 8 * PT), QPointF(x + self.width, y + 8 * PT))
            draw_lines(painter, [text], font, QRectF(x, y + 10.5 * PT, self.width, 0))
            draw_lines(painter, [note], small, QRectF(x, y + 12.4 * PT, self.width, 0), align="right", ink=SOFT)

        self.add(Piece(height, draw, keep=True))

    def table(self, columns: Sequence[Col], rows: Iterable[Sequence[str]], *, points: float = 7.7) -> None:
        """Add a table: its head stands again on each page, no row is cut."""
        told = list(rows)
        gap, pad = 8 * PT, 2.1 * PT
        widths = self._widths(columns, told, points, gap)
        lefts = [sum(widths[:index]) for index in range(len(widths))]
        small, rule = face(points - 0.9), self.width

        def boxes(x: float, y: float) -> list[QRectF]:
            return [
                QRectF(x + left, y, width - (gap if index < len(widths) - 1 else 0), 0)
                for index, (left, width) in enumerate(zip(lefts, widths, strict=True))
            ]

        room = [box.width() for box in boxes(0, 0)]
        heads = [lines_of(column.title, small, wide) for column, wide in zip(columns, room, strict=True)]
        n_head = max(len(lines) for lines in heads)
        head_height = n_head * line_height(small) + 2 * pad

        def draw_head(painter: QPainter, x: float, y: float) -> None:
            for column, lines, box in zip(columns, heads, boxes(x, y + pad), strict=True):
                low = box.translated(0, (n_head - len(lines)) * line_height(small))
                draw_lines(painter, lines, small, low, align=column.align, ink=SOFT)
            painter.setPen(QPen(BLACK, 0.6 * PT))
            painter.drawLine(QPointF(x, y + head_height), QPointF(x + rule, y + head_height))

        head = Piece(head_height, draw_head, keep=True)
        first = True
        for row in told:
            cells = [
                lines_of(cell, face(points, bold=column.bold), wide)
                for column, cell, wide in zip(columns, row, room, strict=True)
            ]
            n_lines = max(len(lines) for lines in cells)
            for start in range(0, n_lines, MOST_LINES):
                part = [lines[start : start + MOST_LINES] for lines in cells]
                last = start + MOST_LINES >= n_lines
                height = max(len(lines) for lines in part) * line_height(face(points)) + 2 * pad

                def draw(
                    painter: QPainter,
                    x: float,
                    y: float,
                    part: list[list[str]] = part,
                    last: bool = last,
                    height: float = height,
                ) -> None:
                    for column, lines, box in zip(columns, part, boxes(x, y + pad), strict=True):
                        draw_lines(painter, lines, face(points, bold=column.bold), box, align=column.align)
                    if last:
                        painter.setPen(QPen(HAIR, 0.3 * PT))
                        painter.drawLine(QPointF(x, y + height), QPointF(x + rule, y + height))

                if first:
                    self.add(head)
                # the first row keeps the second with it, so that a table never begins with one row at the foot
                self.add(Piece(height, draw, keep=first and len(told) > 1, again=head))
                first = False
        self.space(4)

    def _widths(self, columns: Sequence[Col], rows: list[Sequence[str]], points: float, gap: float) -> list[float]:
        shares = sum(column.share for column in columns)
        least = {
            index: max(QFontMetricsF(face(points, bold=column.bold)).horizontalAdvance(row[index]) for row in rows)
            + gap
            for index, column in enumerate(columns)
            if column.whole and rows
        }
        wide = {index: need for index, need in least.items() if need > self.width * columns[index].share / shares}
        if sum(wide.values()) > self.width / 2:
            wide = {}
        left = self.width - sum(wide.values())
        shares -= sum(columns[index].share for index in wide)
        return [wide.get(index, left * column.share / shares) for index, column in enumerate(columns)]

    def facts(self, facts: Sequence[tuple[str, str]], *, points: float = 8.0, n_columns: int = 2) -> None:
        """Add names with their values, in columns that are read down; those without a value are left out."""
        told = [fact for fact in facts if fact[1]]
        gap = 16 * PT
        wide = (self.width - gap * (n_columns - 1)) / n_columns
        name_wide = min(wide * 0.3, 82 * PT)
        name_font, font = face(points - 0.5), face(points)
        laid = [
            (lines_of(name, name_font, name_wide - 4 * PT), lines_of(value, font, wide - name_wide))
            for name, value in told
        ]
        n_rows = -(-len(laid) // n_columns)
        for row in range(n_rows):
            cells = [laid[i] for i in range(row, len(laid), n_rows)]
            height = max(max(len(a), len(b)) for a, b in cells) * line_height(font) + 1.6 * PT

            def draw(painter: QPainter, x: float, y: float, cells: list[tuple[list[str], list[str]]] = cells) -> None:
                for index, (names, values) in enumerate(cells):
                    left = x + index * (wide + gap)
                    draw_lines(painter, names, name_font, QRectF(left, y + 0.4 * PT, name_wide, 0), ink=SOFT)
                    draw_lines(painter, values, font, QRectF(left + name_wide, y, wide - name_wide, 0))

            self.add(Piece(height, draw))
        self.space(3)

    # ------------------------------------------------------------------------------------------------------- breaking

    def pages(self) -> list[list[tuple[float, Piece]]]:
        """Return what stands on each page, with its place from the top; raises PaperError for a piece too high."""
        pages = self._broken()
        if self.closing >= 0:
            closing = {id(piece) for piece in self.pieces[self.closing :]}
            begun = sum(any(id(piece) in closing for _, piece in page) for page in pages)
            again = self._broken(self.closing)
            if begun > 1 and len(again) == len(pages):
                return again
        return pages

    def _broken(self, at: int = -1) -> list[list[tuple[float, Piece]]]:
        """Break into pages; the piece with index `at` begins one."""
        _, high = self._size()
        room = high - TOP - BOTTOM - 24 * PT
        pages: list[list[tuple[float, Piece]]] = [[]]
        y = 0.0
        for index, piece in enumerate(self.pieces):
            wanted, n = piece.height, index
            while self.pieces[n].keep and n + 1 < len(self.pieces):
                n += 1
                wanted += self.pieces[n].height
            if piece.height > room:
                raise PaperError(f"Something of {piece.height / PT:.0f} points does not fit on {self.paper}.")
            start = 0.0 if len(pages) == 1 else 24 * PT
            full = room + 24 * PT if len(pages) == 1 else room
            over = bool(pages[-1]) and (y - start + wanted > full or index == at)
            if piece.draw is _nothing and (over or not pages[-1]):
                continue  # no empty room at the foot or on top of a page
            if over and (wanted <= room or y - start + piece.height > full or index == at):
                pages.append([])
                y = 24 * PT
                if piece.again is not None:
                    pages[-1].append((y, piece.again))
                    y += piece.again.height
            pages[-1].append((y, piece))
            y += piece.height
        return pages

    # -------------------------------------------------------------------------------------------------------- drawing

    def pdf(self, attachments: Sequence[tuple[str, bytes, str]] = ()) -> bytes:
        """Return the document.

        Args:
            attachments: (file name, bytes, media type) of what lies inside it.
        """
        pages = self.pages()
        wide, high = self._size()
        held = QByteArray()
        buffer = QBuffer(held)
        buffer.open(QIODevice.OpenModeFlag.WriteOnly)
        writer = QPdfWriter(buffer)
        writer.setResolution(round(72 * PT))
        writer.setPdfVersion(QPdfWriter.PdfVersion.PdfVersion_1_6)
        writer.setColorModel(QPdfWriter.ColorModel.Grayscale)
        writer.setTitle(self.title)
        writer.setCreator("Kilter")
        page_size = QPageSize(PAPERS[self.paper])
        writer.setPageLayout(QPageLayout(page_size, QPageLayout.Orientation.Portrait, QMarginsF(0, 0, 0, 0)))
        for name, data, kind in attachments:
            writer.addFileAttachment(name, QByteArray(data), kind)
        painter = QPainter()
        if not painter.begin(writer):  # pragma: no cover (a buffer in memory)
            raise PaperError("The document could not be begun.")
        try:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            for number, page in enumerate(pages, start=1):
                if number > 1:
                    writer.newPage()
                self._frame(painter, number, len(pages), wide, high)
                for y, piece in page:
                    painter.save()
                    piece.draw(painter, LEFT, TOP + y)
                    painter.restore()
        finally:
            painter.end()
        buffer.close()
        return bytes(held.data())

    def _frame(self, painter: QPainter, number: int, n_pages: int, wide: float, high: float) -> None:
        if number > 1:
            draw_lines(painter, [self.running], face(7.6), QRectF(LEFT, TOP - 4 * PT, self.width, 0), ink=SOFT)
            if self.stamp:
                draw_lines(
                    painter,
                    [self.stamp],
                    face(12.5, bold=True),
                    QRectF(LEFT, TOP - 9 * PT, self.width, 0),
                    align="right",
                )
            painter.setPen(QPen(HAIR, 0.4 * PT))
            painter.drawLine(QPointF(LEFT, TOP + 10 * PT), QPointF(LEFT + self.width, TOP + 10 * PT))
        y = high - BOTTOM + 16 * PT
        painter.setPen(QPen(BLACK, 0.5 * PT))
        painter.drawLine(QPointF(LEFT, y), QPointF(LEFT + self.width, y))
        box = QRectF(LEFT, y + 4 * PT, self.width, 0)
        draw_lines(painter, [self.foot], face(6.4, mono=True), box)
        draw_lines(painter, [f"page {number} of {n_pages}"], face(7.6), box.translated(0, -0.6 * PT), align="right")
        draw_lines(painter, [self.limits], face(6.8), box.translated(0, 10 * PT), ink=SOFT)


def draw_code(painter: QPainter, text: str, right: float, top: float, side: float) -> None:
    """Draw a QR code whose right upper corner is given, at most `side` wide; its modules meet exactly."""
    import segno  # only wanted here

    matrix = [bytes(row) for row in segno.make(text, error="m", micro=False).matrix]
    module = int(side / len(matrix))
    x0, y0 = round(right) - module * len(matrix), round(top)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, on=False)
    for row, modules in enumerate(matrix):
        start = 0
        while start < len(modules):
            end = start
            while end < len(modules) and modules[end]:
                end += 1
            if end > start:
                painter.fillRect(x0 + start * module, y0 + row * module, (end - start) * module, module, BLACK)
            start = end + 1
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)


def write_file(path: Path, data: bytes) -> None:
    """Put a finished document in its place: whole or not at all.

    Raises:
        PaperError: It cannot be written; one sentence that says why and what to do. What stood there stays.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink()
        raise PaperError(unwritable(path, error)) from error


def unwritable(path: Path, error: OSError) -> str:
    """Return why a file could not be written, and what helps, as a sentence."""
    what = f"{path.name} could not be written"
    if error.errno == errno.ENOSPC:
        return f"{what}: the disk is full. Make room, or choose another place. Nothing was left behind."
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"{what}: {path.parent} lets nobody write here. Choose another folder."
    if error.errno == errno.ENOENT:
        return f"{what}: there is no folder {path.parent}."
    return f"{what} in {path.parent}: {(error.strerror or str(error)).lower()}."
