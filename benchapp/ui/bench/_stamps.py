"""Small pictures that move over the plot as they are: drawn once, then copied to whole device pixels."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QPoint, QPointF, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QPainter, QPixmap


class Stamps:
    """Keeps one picture for each name, until it has to look different.

    Args:
        ratio: Device pixels a logical pixel.
    """

    def __init__(self, ratio: float) -> None:
        self._ratio = ratio
        self._kept: dict[str, tuple[object, QPixmap]] = {}

    def show(
        self, painter: QPainter, name: str, look: object, box: QRectF, at: QPointF, draw: Callable[[QPainter], None]
    ) -> None:
        """Lay the picture `name` on `painter`, whose world is device pixels.

        Args:
            painter: Draws on the widget.
            name: Of the picture.
            look: All that decides how it looks; drawn anew when it is not equal to the last one's.
            box: What the picture covers, in logical pixels around its own origin.
            at: Where the origin lies on the widget, in logical pixels.
            draw: Draws it around the origin, in logical pixels.
        """
        ratio = self._ratio
        left, top = round(box.left() * ratio) - 1, round(box.top() * ratio) - 1
        width, height = round(box.width() * ratio) + 3, round(box.height() * ratio) + 3
        look = (look, left, top, width, height)
        kept = self._kept.get(name)
        if kept is None or kept[0] != look:
            pixmap = kept[1] if kept is not None else QPixmap()
            size = QSize(width, height)
            if not QRect(QPoint(), pixmap.size()).contains(QRect(QPoint(), size)):
                # drawn on again and again: new ones cost PySide references
                pixmap = QPixmap(size.expandedTo(pixmap.size()))
            pixmap.fill(Qt.GlobalColor.transparent)
            on_stamp = QPainter(pixmap)
            on_stamp.setRenderHint(QPainter.RenderHint.Antialiasing)
            on_stamp.translate(-left, -top)
            on_stamp.scale(ratio, ratio)
            draw(on_stamp)
            on_stamp.end()
            kept = self._kept[name] = (look, pixmap)
        painter.drawPixmap(round(at.x() * ratio) + left, round(at.y() * ratio) + top, kept[1], 0, 0, width, height)
