"""Hold off sleep and screen lock while a run is under way: both hands are on the wrench, nobody moves the mouse."""

from __future__ import annotations

import logging
import os
from typing import Any, Final

log = logging.getLogger(__name__)

_SERVICE: Final = "org.freedesktop.ScreenSaver"
_PATHS: Final = ("/org/freedesktop/ScreenSaver", "/ScreenSaver")
_WAIT_MS: Final = 300
_ON_WINDOWS: Final[bool] = os.name == "nt"
_ES_CONTINUOUS: Final = 0x80000000
_ES_SYSTEM_REQUIRED: Final = 0x00000001
_ES_DISPLAY_REQUIRED: Final = 0x00000002


def _kernel32() -> Any:
    import ctypes

    return getattr(ctypes, "windll").kernel32  # noqa: B009 (only there on Windows)


class KeepAwake:
    """Ask the desktop to stay awake. Window's thread only."""

    def __init__(self) -> None:
        self._cookie: int | None = None
        self._path = ""
        self.is_held = False

    def hold(self, reason: str) -> bool:
        """Hold off sleep and lock; True when the desktop agreed. May be called again."""
        if self.is_held:
            return True
        try:
            self.is_held = self._hold_windows() if _ON_WINDOWS else self._hold_bus(reason)
        except Exception:
            log.warning("could not ask the desktop to stay awake", exc_info=True)
            self.is_held = False
        return self.is_held

    def release(self) -> None:
        """Let the desktop sleep again; may be called again."""
        if not self.is_held:
            return
        self.is_held = False
        try:
            if _ON_WINDOWS:
                _kernel32().SetThreadExecutionState(_ES_CONTINUOUS)
            elif self._cookie is not None:
                self._call("UnInhibit", self._cookie)
        except Exception:
            log.warning("could not let the desktop sleep again", exc_info=True)
        self._cookie = None

    @staticmethod
    def _hold_windows() -> bool:
        flags = _ES_CONTINUOUS | _ES_SYSTEM_REQUIRED | _ES_DISPLAY_REQUIRED
        return bool(_kernel32().SetThreadExecutionState(flags))

    def _hold_bus(self, reason: str) -> bool:
        for path in _PATHS:
            self._path = path
            answer = self._call("Inhibit", "Kilter", reason)
            if isinstance(answer, int):
                self._cookie = answer
                return True
        return False

    def _call(self, method: str, *arguments: object) -> object | None:
        from PySide6.QtDBus import QDBus, QDBusConnection, QDBusInterface, QDBusMessage

        bus = QDBusConnection.sessionBus()
        if not bus.isConnected():
            return None
        service = QDBusInterface(_SERVICE, self._path, _SERVICE, bus)
        service.setTimeout(_WAIT_MS)
        reply = service.callWithArgumentList(QDBus.CallMode.Block, method, list(arguments))
        if reply.type() != QDBusMessage.MessageType.ReplyMessage:
            return None
        values = reply.arguments()
        return values[0] if values else 0
