"""The due list on paper: what to verify, where it hangs, what it needs, with a box to tick."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from PySide6.QtCore import QMarginsF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPageLayout, QPageSize, QPainter, QPdfWriter, QPen

DOTS_PER_MM: Final = 48
MARGIN_MM: Final = 14.0
TEXT_MM: Final = 3.1  # font height of the lines, about 9 points
COLUMNS: Final = (
    ("", 0.05),
    ("Tool", 0.24),
    ("Hangs, keeper", 0.17),
    ("Due", 0.17),
    ("Checkpoints", 0.22),
    ("Reference", 0.15),
)
SIMULATED: Final = "SIMULATED DATA: no list of real tools"


@dataclass(frozen=True, slots=True)
class DueLine:
    """A tool on the list; each field may be of several lines.

    Attributes:
        tool: Number, then what it is.
        where: Place, then keeper.
        when: Due date, then how far off.
        checkpoints: In the tool's own unit.
        reference: Which of the shop's would do.
    """

    tool: str
    where: str
    when: str
    checkpoints: str
    reference: str


@dataclass(frozen=True, slots=True)
class DueSection:
    """Lines under one heading: "Overdue", or a place."""

    title: str
    lines: tuple[DueLine, ...] = field(default=())


def write_due_list(
    path: Path,
    sections: Sequence[DueSection],
    *,
    day: dt.date,
    subtitle: str = "",
    is_demo: bool = False,
    letter: bool = False,
) -> int:
    """Write the list as PDF and return its number of pages.

    Args:
        path: Of the file.
        sections: In order; empty ones are left out.
        day: Of the list.
        subtitle: Which tools it lists, one line.
        is_demo: Simulated data; every page says so.
        letter: Letter paper instead of A4.

    Raises:
        OSError: The file cannot be written.
    """
    path.touch()  # QPdfWriter says nothing of a folder that is not there
    writer = QPdfWriter(str(path))
    writer.setTitle(f"Due list of {day.isoformat()}")
    writer.setCreator("Kilter")
    writer.setResolution(round(DOTS_PER_MM * 25.4))
    page = QPageSize(QPageSize.PageSizeId.Letter if letter else QPageSize.PageSizeId.A4)
    writer.setPageLayout(QPageLayout(page, QPageLayout.Orientation.Portrait, QMarginsF(0, 0, 0, 0)))
    size = page.size(QPageSize.Unit.Millimeter)
    painter = QPainter()
    if not painter.begin(writer):
        raise OSError(f"{path} cannot be written")
    try:
        sheet = _Sheet(painter, size.width(), size.height())
        pages = _pages(sheet, [section for section in sections if section.lines])
        for number, parts in enumerate(pages, start=1):
            if number > 1:
                writer.newPage()
            sheet.head(f"Due list, {day.isoformat()}", subtitle, is_demo=is_demo)
            for part in parts:
                sheet.draw(part)
            sheet.foot(f"page {number} of {len(pages)}")
    finally:
        painter.end()
    return len(pages)


_Part = tuple[str, DueSection | DueLine]  # "title", "again" (its continuation) or "line"


class _Sheet:
    """One page under the pen; lengths in dots."""

    def __init__(self, painter: QPainter, width_mm: float, height_mm: float) -> None:
        self.painter = painter
        margin = MARGIN_MM * DOTS_PER_MM
        self.area = QRectF(margin, margin, width_mm * DOTS_PER_MM - 2 * margin, height_mm * DOTS_PER_MM - 2 * margin)
        self.plain = _font(TEXT_MM)
        self.bold = _font(TEXT_MM, bold=True)
        self.small = _font(TEXT_MM * 0.86)
        self.title = _font(TEXT_MM * 1.9, bold=True)
        self.section = _font(TEXT_MM * 1.25, bold=True)
        self.top = self.area.top() + 17 * DOTS_PER_MM  # below the heading
        self.room = self.area.bottom() - 6 * DOTS_PER_MM - self.top
        self.y = self.top

    def head(self, title: str, subtitle: str, *, is_demo: bool) -> None:
        p = self.painter
        p.setPen(QColor("black"))
        p.setFont(self.title)
        p.drawText(self.area, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop, title)
        p.setFont(self.plain)
        under = self.area.adjusted(0, 7.2 * DOTS_PER_MM, 0, 0)
        metrics = QFontMetricsF(self.plain)
        text = metrics.elidedText(subtitle, Qt.TextElideMode.ElideRight, under.width())
        p.drawText(under, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop, text)
        if is_demo:
            p.setFont(self.bold)
            p.drawText(self.area, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignTop, SIMULATED)
        p.setFont(self.small)
        p.setPen(QColor("#444444"))
        at = self.area.top() + 12.2 * DOTS_PER_MM
        for (name, _), box in zip(COLUMNS, self._boxes(at, 4 * DOTS_PER_MM), strict=True):
            p.drawText(box, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, name)
        p.setPen(QPen(QColor("black"), 0.35 * DOTS_PER_MM))
        line = at + 4.4 * DOTS_PER_MM
        p.drawLine(round(self.area.left()), round(line), round(self.area.right()), round(line))
        self.y = self.top

    def foot(self, text: str) -> None:
        p = self.painter
        p.setFont(self.small)
        p.setPen(QColor("#444444"))
        p.drawText(self.area, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignBottom, "Kilter")
        p.drawText(self.area, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignBottom, text)

    def _boxes(self, top: float, height: float) -> list[QRectF]:
        boxes, at = [], self.area.left()
        for _, share in COLUMNS:
            width = share * self.area.width()
            boxes.append(QRectF(at, top, width - 2 * DOTS_PER_MM, height))
            at += width
        return boxes

    def _cells(self, line: DueLine) -> list[str]:
        return ["", line.tool, line.where, line.when, line.checkpoints, line.reference]

    def height_of(self, part: _Part) -> float:
        _, what = part
        if isinstance(what, DueSection):
            return 10.0 * DOTS_PER_MM
        tallest = 0.0
        for index, (text, box) in enumerate(zip(self._cells(what), self._boxes(0, 1e6), strict=True)):
            first, _, rest = text.partition("\n")
            font = self.bold if index == 1 else self.plain
            flags = int(Qt.TextFlag.TextWrapAnywhere) if _long_word(text, box.width(), font) else 0
            height = QFontMetricsF(font).boundingRect(box, flags | int(Qt.TextFlag.TextWordWrap), first).height()
            if rest:
                height += QFontMetricsF(self.small).boundingRect(box, int(Qt.TextFlag.TextWordWrap), rest).height()
            tallest = max(tallest, height)
        return tallest + 2.6 * DOTS_PER_MM

    def draw(self, part: _Part) -> None:
        kind, what = part
        p, height = self.painter, self.height_of(part)
        if isinstance(what, DueSection):
            p.setFont(self.section)
            p.setPen(QColor("black"))
            text = f"{what.title}, continued" if kind == "again" else f"{what.title}  ({len(what.lines)})"
            box = QRectF(self.area.left(), self.y, self.area.width(), height - 1.5 * DOTS_PER_MM)
            p.drawText(box, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignBottom, text)
            self.y += height
            return
        inner = self._boxes(self.y + 1.2 * DOTS_PER_MM, height)
        side = 3.4 * DOTS_PER_MM
        p.setPen(QPen(QColor("black"), 0.3 * DOTS_PER_MM))
        p.setBrush(Qt.BrushStyle.NoBrush)
        p.drawRect(QRectF(inner[0].left(), inner[0].top() + 0.3 * DOTS_PER_MM, side, side))
        for index, (text, box) in enumerate(zip(self._cells(what), inner, strict=True)):
            first, _, rest = text.partition("\n")
            font = self.bold if index == 1 else self.plain
            flags = int(Qt.TextFlag.TextWordWrap)
            if _long_word(text, box.width(), font):
                flags |= int(Qt.TextFlag.TextWrapAnywhere)
            p.setFont(font)
            p.setPen(QColor("black"))
            p.drawText(box, flags, first)
            if rest:
                box = box.adjusted(0, QFontMetricsF(font).boundingRect(box, flags, first).height(), 0, 0)
                p.setFont(self.small)
                p.drawText(box, int(Qt.TextFlag.TextWordWrap), rest)
        self.y += height
        p.setPen(QPen(QColor("#999999"), 0.12 * DOTS_PER_MM))
        p.drawLine(round(self.area.left()), round(self.y), round(self.area.right()), round(self.y))


def _pages(sheet: _Sheet, sections: Sequence[DueSection]) -> list[list[_Part]]:
    """Break the list into pages: no heading stands alone at the foot, a section that goes on says so."""
    pages: list[list[_Part]] = [[]]
    left = sheet.room
    for section in sections:
        title: _Part = ("title", section)
        first: _Part = ("line", section.lines[0])
        if sheet.height_of(title) + sheet.height_of(first) > left and pages[-1]:
            pages.append([])
            left = sheet.room
        pages[-1].append(title)
        left -= sheet.height_of(title)
        for line in section.lines:
            part: _Part = ("line", line)
            height = sheet.height_of(part)
            if height > left:
                again: _Part = ("again", section)
                pages.append([again])
                left = sheet.room - sheet.height_of(again)
            pages[-1].append(part)
            left -= height
    return pages


def _long_word(text: str, width: float, font: QFont) -> bool:
    metrics = QFontMetricsF(font)
    return any(metrics.horizontalAdvance(word) > width for word in text.split())


def _font(height_mm: float, *, bold: bool = False) -> QFont:
    font = QFont()
    font.setPixelSize(round(height_mm * DOTS_PER_MM))
    font.setBold(bold)
    font.setHintingPreference(QFont.HintingPreference.PreferNoHinting)
    return font
