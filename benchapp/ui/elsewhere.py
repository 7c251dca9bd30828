"""Other windows on the same records: what they sealed or changed is seen here too."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Final

from PySide6.QtCore import QObject, QTimer

from benchapp.records.errors import StoreError
from benchapp.ui.context import AppContext

log = logging.getLogger(__name__)

LOOK_MS: Final = 5000
KINDS: Final = ("tools", "references", "people", "procedures", "runs")


class Elsewhere(QObject):
    """Looks whether the newest seal is another one than after this window's own last change, and tells every page.

    It looks when somebody comes back to the window or turns to a page, and now and then while they are elsewhere; never
    under the hands of somebody who works in it, and never during a run.

    Args:
        context: Has the store.
        may_look: Whether pages may be read again now.
    """

    def __init__(self, context: AppContext, may_look: Callable[[], bool], parent: QObject) -> None:
        super().__init__(parent)
        self._context = context
        self._may_look = may_look
        self._is_here = True
        self._head: str | None = None
        self._timer = QTimer(self)
        self._timer.setInterval(LOOK_MS)
        self._timer.timeout.connect(self.look)
        context.store_ready.connect(self._known)
        context.store_changed.connect(self._known)

    def stop(self) -> None:
        """The window closes."""
        self._timer.stop()

    def set_here(self, *, here: bool) -> None:
        """Somebody came back to this window, or went to another one."""
        if here == self._is_here:
            return
        self._is_here = here
        if here:
            self._timer.stop()
            self.look()
        else:
            self._timer.start()

    def look(self) -> None:
        """Read every page again where another window has sealed or changed something."""
        if self._head is None or not self._may_look():
            return
        head = self._read()
        if head not in (None, self._head):
            for what in KINDS:
                self._context.store_changed.emit(what)

    def _known(self, *_: object) -> None:
        self._head = self._read()

    def _read(self) -> str | None:
        store = self._context.store
        try:
            return None if store is None else store.head()
        except StoreError as error:
            log.info("the newest seal could not be looked at: %s", error)
            return self._head
