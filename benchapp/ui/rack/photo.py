"""The photo of a tool: small on its card, large when clicked, made small enough to keep, taken away again."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from PySide6.QtCore import QBuffer, QByteArray, QIODevice, QSize, Qt, Signal
from PySide6.QtGui import QImage, QImageReader, QImageWriter, QKeyEvent, QMouseEvent, QPixmap, QResizeEvent
from PySide6.QtWidgets import QLabel, QVBoxLayout, QWidget

from benchapp.records.model import MOST_PHOTO_BYTES
from benchapp.ui.controls import Panel, in_row, plain_button

LONGEST_SIDE: Final = 1280
"""A photo is kept with at most so many pixels on its longer side (our own choice)."""
MOST_FILE_BYTES: Final = 60_000_000
QUALITIES: Final = (85, 70, 50, 30)


class PhotoError(ValueError):
    """A file that cannot become a photo; the message is a sentence."""


def shrunk(path: str) -> bytes:
    """Return a picture file as JPEG bytes, turned upright and small enough to keep.

    Raises:
        PhotoError: Too large, or no picture.
    """
    file = Path(path)
    try:
        size = file.stat().st_size
    except OSError as problem:
        raise PhotoError(f"{path}: {problem.strerror or problem}. Choose another file.") from problem
    if size > MOST_FILE_BYTES:
        most = MOST_FILE_BYTES / 1e6
        raise PhotoError(f"{file.name} has {size / 1e6:.0f} MB; accepted are pictures up to {most:.0f} MB.")
    reader = QImageReader(path)
    reader.setAutoTransform(True)
    reader.setDecideFormatFromContent(True)
    whole = reader.size()
    if whole.isValid() and max(whole.width(), whole.height()) > LONGEST_SIDE:
        reader.setScaledSize(whole.scaled(LONGEST_SIDE, LONGEST_SIDE, Qt.AspectRatioMode.KeepAspectRatio))
    image = reader.read()
    if image.isNull():
        raise PhotoError(f"{file.name} is no picture that can be read ({reader.errorString()}). JPEG and PNG can.")
    return jpeg_of(image)


def jpeg_of(image: QImage) -> bytes:
    """Return an image as JPEG bytes of at most `MOST_PHOTO_BYTES`."""
    if max(image.width(), image.height()) > LONGEST_SIDE:
        side = QSize(LONGEST_SIDE, LONGEST_SIDE)
        how = Qt.TransformationMode.SmoothTransformation
        image = image.scaled(side, Qt.AspectRatioMode.KeepAspectRatio, how)
    for quality in QUALITIES:
        held = QByteArray()
        buffer = QBuffer(held)
        buffer.open(QIODevice.OpenModeFlag.WriteOnly)
        writer = QImageWriter(buffer, QByteArray(b"jpeg"))
        writer.setQuality(quality)
        writer.write(image)
        data = bytes(held.data())
        if len(data) <= MOST_PHOTO_BYTES:
            return data
    raise PhotoError(f"The picture stays above {MOST_PHOTO_BYTES / 1e6:.0f} MB however it is packed. Choose another.")


class Picture(QLabel):
    """A photo as large as there is room, never larger than it is; a click is told."""

    clicked = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.setMinimumSize(40, 40)
        self._whole = QPixmap()

    @property
    def has_photo(self) -> bool:
        """True when something is shown."""
        return not self._whole.isNull()

    def show_photo(self, data: bytes | None) -> None:
        """Show JPEG or PNG bytes; None shows nothing."""
        self._whole = QPixmap()
        if data:
            self._whole.loadFromData(data)
        self._fit()

    def _fit(self) -> None:
        if self._whole.isNull():
            self.clear()
            return
        ratio = self.devicePixelRatioF()
        room = self.size() * ratio
        how = Qt.TransformationMode.SmoothTransformation
        shown = self._whole
        if shown.width() > room.width() or shown.height() > room.height():
            shown = shown.scaled(room, Qt.AspectRatioMode.KeepAspectRatio, how)
        shown.setDevicePixelRatio(ratio)
        self.setPixmap(shown)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Fit again."""
        super().resizeEvent(event)
        self._fit()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Tell."""
        if event.button() is Qt.MouseButton.LeftButton:
            self.clicked.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter and Space are a click."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Space):
            self.clicked.emit()
            return
        super().keyPressEvent(event)


class PhotoView(QWidget):
    """The photo over the whole page; `another`, `removed` and `left` say what is wanted."""

    another = Signal()
    removed = Signal()
    left = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.number = ""
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        panel = Panel(margin=18)
        self.picture = Picture()
        panel.body.addWidget(self.picture, 1)
        self.back = plain_button("Back")
        self.change = plain_button("Another photo …")
        self.remove = plain_button("Take it away")
        panel.body.addLayout(in_row(self.back, self.change, self.remove))
        outer.addWidget(panel)
        self.back.clicked.connect(self.left)
        self.change.clicked.connect(self.another)
        self.remove.clicked.connect(self.removed)
        self.setFocusProxy(self.back)
