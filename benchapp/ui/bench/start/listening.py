"""Listening to a port in a thread of its own, to find out how the transducer talks."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Final

from PySide6.QtCore import QObject, Signal

from benchapp.session.port import BenchPort

RELEASED_S: Final = 5.0
"""So long the link may take to give its port away."""

Finder = Callable[[str], str]
"""Listens to a URL and gives the name of the profile that fits; ValueError or OSError with a sentence."""


class Listening(QObject):
    """Closes the link, listens, tells; the link is opened again by whoever asked.

    Args:
        bench: Whose link is closed.
        finder: Listens.
        parent: Owner.
    """

    found = Signal(str, str)  # URL, name of the profile
    failed = Signal(str, str)  # URL, why

    def __init__(self, bench: BenchPort, finder: Finder, parent: QObject) -> None:
        super().__init__(parent)
        self._bench, self._finder = bench, finder
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()

    @property
    def is_busy(self) -> bool:
        """Listening just now."""
        return self._thread is not None and self._thread.is_alive()

    def start(self, url: str) -> None:
        """Listen to `url`; nothing happens while it already does."""
        if self.is_busy:
            return
        self._bench.close_link()
        self._thread = threading.Thread(target=self._listen, args=(url,), name=f"listening to {url}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Wait until it is over, and tell nobody; may be called again."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join()

    def _listen(self, url: str) -> None:
        deadline_s = time.monotonic() + RELEASED_S
        while self._bench.view().link.state != "closed" and time.monotonic() < deadline_s:
            if self._stopping.wait(0.02):
                return
        try:
            name, why = self._finder(url), ""
        except (ValueError, OSError) as error:
            name, why = "", str(error)
        if self._stopping.is_set():
            return
        if why:
            self.failed.emit(url, why)
        else:
            self.found.emit(url, name)
