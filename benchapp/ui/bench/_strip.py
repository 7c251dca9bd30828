"""The drawn curve as a ring of pixel columns: a frame draws the columns that are new and shows the rest again.

Column k of time lies in pixel column ``k % n_columns``, in device pixels, so that what was drawn once stays as sharp as
it was at any scaling of the desktop. Whoever draws says which columns; the strip only knows which of them it holds.
"""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QPoint, QRect, Qt
from PySide6.QtGui import QPainter, QPixmap


class Strip:
    """Ring of pixel columns with what was drawn on them.

    Args:
        n_columns: Device pixels wide: what is seen at once and `margin` on both sides.
        height: Device pixels high.
        margin: So far, in device pixels, a column's ink reaches over its neighbours.
    """

    def __init__(self, n_columns: int, height: int, margin: int) -> None:
        self.n_columns = n_columns
        self.margin = margin
        self.pixmap = QPixmap(n_columns, height)
        self.pixmap.fill(Qt.GlobalColor.transparent)
        self.forget()

    def forget(self) -> None:
        """What was drawn is void."""
        self._first: int | None = None  # oldest column held
        self._upto = 0  # newest column drawn
        self._again_from = 0  # what is drawn from here on may change with the next samples
        self._is_final = False

    def stretch(self, first: int, upto: int) -> tuple[int, int] | None:
        """Return (first, last) column to draw so that `first` to `upto` can be shown; None: they are all there."""
        if self._first is None or first < self._first:
            return first, upto
        if upto < self._upto or (upto == self._upto and self._is_final):
            return None
        if upto + self.margin - self._again_from >= self.n_columns:
            return first, upto
        return self._again_from, upto

    def draw(
        self, begin: int, upto: int, draw: Callable[[QPainter, int], None], *, before: int, is_final: bool
    ) -> None:
        """Clear the columns from `begin` to a margin behind `upto` and draw them.

        Args:
            begin: As `stretch` said.
            upto: The same.
            draw: Is given a painter in device pixels and the column that lies at x = 0; called a second time where the
                ring closes.
            before: The newest column with samples before `upto`: from there on the line may still move.
            is_final: No more samples will come into `upto`.
        """
        n, end, height = self.n_columns, upto + self.margin, self.pixmap.height()
        painter = QPainter(self.pixmap)
        for lap in range(begin // n, end // n + 1):
            left, right = max(begin - lap * n, 0), min(end - lap * n, n - 1)
            place = QRect(left, 0, right - left + 1, height)
            painter.save()
            painter.setClipRect(place)
            painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_Source)
            painter.fillRect(place, Qt.GlobalColor.transparent)
            painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_SourceOver)
            draw(painter, lap * n)
            painter.restore()
        painter.end()
        if self._first is None or begin < self._first or begin != self._again_from:
            self._first = begin
        self._first = max(self._first, upto + self.margin - n + 1)
        self._upto, self._again_from, self._is_final = upto, before - self.margin, is_final

    def show(self, painter: QPainter, at: QPoint, first: int, last: int) -> None:
        """Lay the columns from `first` to `last` on `painter` (device pixels), `first` at `at`."""
        last = min(last, self._upto + self.margin)
        while first <= last:
            x = first % self.n_columns
            width = min(last - first + 1, self.n_columns - x)
            painter.drawPixmap(at, self.pixmap, QRect(x, 0, width, self.pixmap.height()))
            at = QPoint(at.x() + width, at.y())
            first += width
