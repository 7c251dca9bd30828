"""Work that takes longer than a frame: done in a thread while the window stays alive, and called off on a word."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from PySide6.QtCore import QObject, Signal

from benchapp.ui.calloff import CalledOff


class Errand(QObject):
    """One piece of work at a time; what comes of one that was called off, or followed by another, is never told."""

    _done = Signal(object, object, object)

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._stop: threading.Event | None = None
        self._done.connect(self._tell)

    @property
    def is_busy(self) -> bool:
        """Something is being done whose result is still wanted."""
        return self._stop is not None

    def run(self, work: Callable[[Callable[[], bool]], Any], then: Callable[[Any, Exception | None], object]) -> None:
        """Call off what is being done; do `work(is_called_off)` in a thread, then `then(result, problem)` here."""
        self.call_off()
        stop = self._stop = threading.Event()

        def body() -> None:
            result, problem = None, None
            try:
                result = work(stop.is_set)
            except CalledOff:
                return
            except Exception as error:  # noqa: BLE001 (told in the window, whatever it is)
                problem = error
            try:
                self._done.emit(stop, lambda: then(result, problem), None)
            except RuntimeError:
                return  # the window has gone meanwhile

        threading.Thread(target=body, name="errand", daemon=True).start()

    def call_off(self) -> None:
        """Want nothing more of what is being done; it ends soon."""
        if self._stop is not None:
            self._stop.set()
            self._stop = None

    def _tell(self, stop: threading.Event, then: Callable[[], object], _none: object) -> None:
        if stop is self._stop:
            self._stop = None
            then()
