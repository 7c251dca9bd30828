"""Recording the bytes of the port for a fault report: begun and ended here, and plain to see while it runs."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

from PySide6.QtCore import QObject, QTimer
from PySide6.QtWidgets import QPushButton

from benchapp.ui import theme

if TYPE_CHECKING:
    from benchapp.ui.context import AppContext
    from drivers.status import CaptureStatus

LOOK_MS: Final = 250
STARTING_S: Final = 5.0  # a port that is gone is tried again every two seconds, and tells no sooner

BEGIN: Final = "Record the port's bytes for a fault report"
END: Final = "Stop recording the port"
STOP_TIP: Final = "Every byte of the port goes to a file. Press to stop."
NO_PORT: Final = "No port is open, so there is nothing to record. Open one on the Bench, card The reference."
NOT_STARTED: Final = "Nothing could be recorded: the link does not answer. Open the port again, then record."


def running(capture: CaptureStatus) -> str:
    """What the foot bar says while it runs."""
    return f"●  recording  {capture.n_bytes / 1e6:.1f} of {capture.limit_bytes / 1e6:.0f} MB"


def recorded(path: str) -> str:
    """Where it lies, and what to send."""
    return f"Recorded in {path}. Send it with the file beside it that ends in .raw.toml."


class PortCapture(QObject):
    """The recording, as the window has it.

    Args:
        context: Whose bench has the port.
        folder: Where recordings go; made when the first one begins.
        button: In the foot bar: shown while one runs, a press stops it.
    """

    def __init__(self, context: AppContext, folder: Path, button: QPushButton, parent: QObject) -> None:
        super().__init__(parent)
        self.context = context
        self.folder = folder
        self.button = button
        self.path = ""
        self._seen = False
        self._asked_s = 0.0
        button.hide()
        button.setToolTip(STOP_TIP)
        button.clicked.connect(self.toggle)
        self._timer = QTimer(self)
        self._timer.setInterval(LOOK_MS)
        self._timer.timeout.connect(self.look)

    @property
    def is_running(self) -> bool:
        """One was begun and has not ended."""
        return bool(self.path)

    def toggle(self) -> None:
        """Begin one, or end the one that runs."""
        if self.path:
            self.context.bench.stop_capture()
            self._over("note", recorded(self.path))
            return
        if self.context.bench.view().link.state == "closed":
            self.context.message.emit("problem", NO_PORT)
            return
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            why = f"{self.folder}: nothing can be recorded there ({error.strerror}). Have writing there allowed."
            self.context.message.emit("problem", why)
            return
        self.path = str(self.folder / time.strftime("port-%Y%m%d-%H%M%S.raw"))
        self._seen, self._asked_s = False, time.monotonic()
        self.context.bench.start_capture(self.path)
        self.context.message.emit("note", f"Every byte of the port goes to {self.path}")
        self._timer.start()

    def look(self) -> None:
        """Show how far it is; say so when it has ended without having been asked to."""
        capture = self.context.bench.view().link.capture
        if capture is not None and capture.path == self.path:
            self._seen = True
            if capture.ended:
                self._over("problem", f"The recording has ended: {capture.ended} {recorded(self.path)}")
                return
            self.button.setText(running(capture))
            self.button.setAccessibleName(f"{running(capture)}. {STOP_TIP}")
            self.button.show()
        elif self._seen:
            self._over("problem", f"The recording has ended with its port. {recorded(self.path)}")
        elif time.monotonic() - self._asked_s > STARTING_S:
            self.context.bench.stop_capture()
            self._over("problem", NOT_STARTED)

    def restyle(self) -> None:
        """The colours of what must be seen."""
        c = theme.palette()
        self.button.setStyleSheet(
            f"background: {c.accent}; color: {c.ground}; border-radius: 4px; padding: 4px 8px; font-weight: 700;"
        )

    def _over(self, kind: str, text: str) -> None:
        self.path = ""
        self._timer.stop()
        self.button.hide()
        self.context.message.emit(kind, text)
