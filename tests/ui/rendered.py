"""Pages of a PDF as pictures, by Qt's own reader of PDF files."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QSize
from PySide6.QtGui import QImage, QPainter
from PySide6.QtPdf import QPdfDocument


def pages_of(path, dpi: int = 300) -> list[np.ndarray]:
    """Grey pages of a PDF, white where nothing is printed."""
    document = QPdfDocument()
    assert document.load(str(path)) is QPdfDocument.Error.None_
    pages = []
    for index in range(document.pageCount()):
        points = document.pagePointSize(index)
        drawn = document.render(index, QSize(round(points.width() * dpi / 72), round(points.height() * dpi / 72)))
        page = QImage(drawn.size(), QImage.Format.Format_RGB32)
        page.fill("white")
        painter = QPainter(page)
        painter.drawImage(0, 0, drawn)
        painter.end()
        grey = page.convertToFormat(QImage.Format.Format_Grayscale8)
        lines = np.frombuffer(grey.constBits(), np.uint8).reshape(grey.height(), grey.bytesPerLine())
        pages.append(lines[:, : grey.width()].copy())
    document.close()
    return pages
