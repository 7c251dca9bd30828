"""A document that is filled from top to bottom: text, facts, tables and boxes on A4 or Letter, in millimetres.

Rows and boxes are never cut by a page's end. Each page has a head and a foot with "page n of m", so a document is laid
out twice: once to count the pages, once for good. The PDF comes as bytes; `write_file` puts them on the disk.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

import segno
from PySide6.QtCore import QBuffer, QByteArray, QIODevice, QMarginsF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPageLayout, QPageSize, QPainter, QPdfWriter, QPen

RESOLUTION = 1200
MM = RESOLUTION / 25.4
INK, SOFT, HAIR, TINT = QColor("#000000"), QColor("#4a4a4a"), QColor("#b4b4b4"), QColor("#eeeeee")
LEFT, RIGHT, TOP, BOTTOM = 18.0, 16.0, 26.0, 20.0
"""Margins in mm; head and foot stand in the upper and lower one. The left one leaves room for a binder."""


class Paper(Enum):
    """Sizes that are offered."""

    A4 = QPageSize.PageSizeId.A4
    LETTER = QPageSize.PageSizeId.Letter


@dataclass(frozen=True, slots=True)
class TableColumn:
    """One column: caption, share of the width, and whether figures are set to the right."""

    caption: str
    width: float
    right: bool = False
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Running:
    """What stands on every page.

    Attributes:
        title: At the head, left.
        about: At the head, right.
        foot: At the foot, left: the seal, or when it was printed.
        mark: Large across the head where a reader must not mistake the document: "SIMULATED", "VOID".
        attachments: (file name, bytes, MIME type).
    """

    title: str
    about: str
    foot: str
    mark: str = ""
    attachments: tuple[tuple[str, bytes, str], ...] = field(default=(), repr=False)


class Sheet:
    """Pages under a painter; all places and sizes in mm, type in points."""

    def __init__(self, writer: QPdfWriter, running: Running, n_pages: int) -> None:
        self._writer, self._running, self._n_pages = writer, running, n_pages
        self.painter = QPainter(writer)
        self.painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self._fonts: dict[tuple[float, bool], tuple[QFont, QFontMetricsF]] = {}
        size = writer.pageLayout().fullRect(QPageLayout.Unit.Millimeter)
        self.width, self.height = size.width() - LEFT - RIGHT, size.height()
        self.bottom = self.height - BOTTOM
        self.n = 1
        self.y = TOP
        self._edge()

    def font(self, points: float, *, bold: bool = False) -> tuple[QFont, QFontMetricsF]:
        """Return a font and its measures on this paper."""
        key = (points, bold)
        if key not in self._fonts:
            font = QFont()
            font.setPointSizeF(points)
            font.setBold(bold)
            font.setFeature(QFont.Tag("liga"), 0)  # a seal copied out of the document must not hold a joined "ff"
            self._fonts[key] = (font, QFontMetricsF(font, self._writer))
        return self._fonts[key]

    def new_page(self) -> None:
        """Go on at the top of a new page."""
        self._writer.newPage()
        self.n += 1
        self.y = TOP
        self._edge()

    def need(self, height: float) -> bool:
        """Begin a new page unless `height` mm are left on this one; True when it did."""
        if self.y + height <= self.bottom or self.y == TOP:
            return False
        self.new_page()
        return True

    def space(self, height: float) -> None:
        """Leave room, but none at the top of a page."""
        if self.y > TOP:
            self.y += height

    def _edge(self) -> None:
        r = self._running
        x, w = LEFT, self.width
        self.text(x, 10, w * 0.6, r.title, 9, bold=True)
        self.text(x + w * 0.4, 10, w * 0.6, r.about, 9, right=True)
        self.line(x, 15.2, x + w, 15.2, 0.35)
        if r.mark:
            self.text(x, 16.2, w, r.mark, 15, bold=True, centre=True)
        foot = self.height - BOTTOM + 4
        self.line(x, foot, x + w, foot, 0.2)
        self.text(x, foot + 1.4, w - 26, r.foot, 6.6, colour=SOFT)
        self.text(x + w - 26, foot + 1.4, 26, f"page {self.n} of {self._n_pages}", 8, right=True)

    # ------------------------------------------------------------------------------------------------------- drawing

    def line(self, x1: float, y1: float, x2: float, y2: float, width: float = 0.2, colour: QColor = INK) -> None:
        """Draw a line."""
        self.painter.setPen(QPen(colour, width * MM))
        self.painter.drawLine(QPointF(x1 * MM, y1 * MM), QPointF(x2 * MM, y2 * MM))

    def box(self, x: float, y: float, w: float, h: float, *, fill: QColor | None = None, width: float = 0.2) -> None:
        """Draw a frame, or a filled area when `fill` is given."""
        area = QRectF(x * MM, y * MM, w * MM, h * MM)
        if fill is not None:
            self.painter.fillRect(area, fill)
            return
        self.painter.setBrush(Qt.BrushStyle.NoBrush)
        self.painter.setPen(QPen(INK, width * MM))
        self.painter.drawRect(area)

    def text_height(self, w: float, text: str, points: float, *, bold: bool = False) -> float:
        """Return how high a text is when it is broken into lines of `w` mm."""
        if not text:
            return 0.0
        room = QRectF(0, 0, w * MM, 1e7)
        return float(self.font(points, bold=bold)[1].boundingRect(room, _breaking(text), text).height() / MM)

    def text(
        self,
        x: float,
        y: float,
        w: float,
        text: str,
        points: float = 8.5,
        *,
        bold: bool = False,
        right: bool = False,
        centre: bool = False,
        colour: QColor = INK,
    ) -> float:
        """Write a text broken into lines of `w` mm; return its height."""
        if not text:
            return 0.0
        font, _ = self.font(points, bold=bold)
        self.painter.setFont(font)
        self.painter.setPen(colour)
        side = Qt.AlignmentFlag.AlignLeft
        if right or centre:
            side = Qt.AlignmentFlag.AlignRight if right else Qt.AlignmentFlag.AlignHCenter
        height = self.text_height(w, text, points, bold=bold)
        self.painter.drawText(
            QRectF(x * MM, y * MM, w * MM, (height + 1) * MM), _breaking(text) | int(side.value), text
        )
        return height

    def qr(self, x: float, y: float, side: float, text: str) -> None:
        """Draw a QR code with its quiet zone inside a square of `side` mm."""
        code = segno.make_qr(text, error="m")
        rows = [bytes(row) for row in code.matrix]
        border = 4
        module = side / (len(rows) + 2 * border)
        self.box(x, y, side, side, fill=QColor("#ffffff"))
        for i, row in enumerate(rows):
            j = 0
            while j < len(row):
                if not row[j]:
                    j += 1
                    continue
                end = j
                while end < len(row) and row[end]:
                    end += 1
                self.box(
                    x + (border + j) * module, y + (border + i) * module, (end - j) * module, module * 1.02, fill=INK
                )
                j = end

    # ----------------------------------------------------------------------------------------- blocks that move `y`

    def heading(self, text: str, *, keep: float = 18.0) -> None:
        """Write a heading that stays with the `keep` mm that follow it."""
        self.space(4.5)
        self.need(keep + 6)
        self.y += self.text(LEFT, self.y, self.width, text, 11, bold=True) + 0.6
        self.line(LEFT, self.y, LEFT + self.width, self.y, 0.25)
        self.y += 1.6

    def paragraph(self, text: str, points: float = 8.5, *, bold: bool = False, colour: QColor = INK) -> None:
        """Write a paragraph, whole on one page."""
        if text:
            self.need(self.text_height(self.width, text, points, bold=bold))
            self.y += self.text(LEFT, self.y, self.width, text, points, bold=bold, colour=colour) + 1.2

    def facts(self, facts: Sequence[tuple[str, str]], *, caption: float = 36.0) -> None:
        """Write names and values in two columns; what has no value is left out."""
        w = self.width - caption
        for name, value in facts:
            if not value:
                continue
            height = max(self.text_height(w, value, 8.5), self.text_height(caption - 2, name, 8.5))
            self.need(height)
            self.text(LEFT, self.y, caption - 2, name, 8.5, colour=SOFT)
            self.text(LEFT + caption, self.y, w, value, 8.5)
            self.y += height + 0.7

    def table(self, columns: Sequence[TableColumn], rows: Sequence[Sequence[str]], points: float = 8.0) -> None:
        """Write a table; its head is repeated on each page and no row is cut."""
        total, gap = sum(c.width for c in columns), 1.6
        widths = [c.width / total * self.width for c in columns]

        def head() -> None:
            height = max(
                self.text_height(w - gap, c.caption, points - 0.8) for c, w in zip(columns, widths, strict=True)
            )
            x = LEFT
            for column, width in zip(columns, widths, strict=True):
                self.text(x, self.y, width - gap, column.caption, points - 0.8, right=column.right, colour=SOFT)
                x += width
            self.y += height + 0.5
            self.line(LEFT, self.y, LEFT + self.width, self.y, 0.25)
            self.y += 0.7

        self.need(16)
        head()
        for row in rows:
            height = max(
                self.text_height(w - gap, text, points, bold=c.bold)
                for c, w, text in zip(columns, widths, row, strict=True)
            )
            if self.need(height + 1.2):
                head()
            x = LEFT
            for column, width, text in zip(columns, widths, row, strict=True):
                self.text(x, self.y, width - gap, text, points, right=column.right, bold=column.bold)
                x += width
            self.y += height + 0.5
            self.line(LEFT, self.y, LEFT + self.width, self.y, 0.1, HAIR)
            self.y += 0.6


def _breaking(text: str) -> int:
    """Flags that break a text between words; one with a long run of signs, a seal for example, anywhere."""
    long = any(len(word) > 40 for word in text.split())
    return int((Qt.TextFlag.TextWrapAnywhere if long else Qt.TextFlag.TextWordWrap).value)


def document(draw: Callable[[Sheet], None], running: Running, paper: Paper) -> bytes:
    """Return a PDF that `draw` fills; it is called twice and must do the same both times."""
    pages, _ = _once(draw, running, paper, 1)
    return _once(draw, running, paper, pages)[1]


def _once(draw: Callable[[Sheet], None], running: Running, paper: Paper, n_pages: int) -> tuple[int, bytes]:
    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QPdfWriter(buffer)
    writer.setResolution(RESOLUTION)
    writer.setPageSize(QPageSize(paper.value))
    writer.setPageMargins(QMarginsF(0, 0, 0, 0))
    writer.setTitle(running.title)
    writer.setCreator("Kilter")
    for name, content, kind in running.attachments:
        writer.addFileAttachment(name, QByteArray(content), kind)
    sheet = Sheet(writer, running, n_pages)
    try:
        draw(sheet)
    finally:
        sheet.painter.end()
    buffer.close()
    return sheet.n, bytes(data.data())


def write_file(path: Path, data: bytes) -> None:
    """Write a document whole or not at all: beside the place first, then put there.

    Raises:
        OSError: Full, read-only, or the old document is open elsewhere; an older document at the place is untouched.
    """
    beside = path.with_name(f".{path.name}.part")
    try:
        with beside.open("wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise


def refusal(path: Path, error: OSError) -> str:
    """Return what to tell a person whose document could not be written."""
    why = error.strerror or str(error)
    return (
        f"{path} could not be written: {why}. Nothing was changed. Choose another place, make room, or close the "
        "document where it is open."
    )
