"""Talks to a running simulator through its control channel: one JSON object a line over TCP, on the window's thread."""

from __future__ import annotations

import json
import logging
from typing import Any, Final

from PySide6.QtCore import QObject, QTimer, Signal
from PySide6.QtNetwork import QAbstractSocket, QTcpSocket

log = logging.getLogger(__name__)

AGAIN_MS: Final = 1000
MOST_BYTES: Final = 1 << 20


class ControlChannel(QObject):
    """Sends requests, hands on states and refusals; connects again by itself until it is closed."""

    state_came = Signal(dict)
    refused = Signal(str)
    granted = Signal()
    connected_changed = Signal(bool)

    def __init__(self, address: str, parent: QObject | None = None) -> None:
        super().__init__(parent)
        host, _, port = address.rpartition(":")
        if not host or not port.isdigit():
            raise ValueError(f"{address!r} is no control address; HOST:PORT is wanted")
        self._host, self._port = host, int(port)
        self._buffer = bytearray()
        self._next_id = 1
        self._quiet: set[int] = set()  # requests whose grant is not told
        self._closed = False
        self.is_connected = False
        self._socket = QTcpSocket(self)
        self._socket.readyRead.connect(self._read)
        self._socket.connected.connect(self._up)
        self._socket.disconnected.connect(self._down)
        self._socket.errorOccurred.connect(self._failed)
        self._again = QTimer(self)
        self._again.setSingleShot(True)
        self._again.setInterval(AGAIN_MS)
        self._again.timeout.connect(self.open)

    def open(self) -> None:
        """Connect; returns at once."""
        if not self._closed and self._socket.state() == QAbstractSocket.SocketState.UnconnectedState:
            self._socket.connectToHost(self._host, self._port)

    def close(self) -> None:
        """Hang up for good; may be called again."""
        self._closed = True
        self._again.stop()
        self._socket.abort()

    def ask(self, do: str, *, is_news: bool = True, **more: Any) -> None:
        """Send one request; without a connection it is dropped, since an old wish is not what the hand wants later.

        Args:
            do: What.
            is_news: It is told when it was granted; easing off is always granted and says nothing of what was refused.
            more: The rest of the request.
        """
        if not self.is_connected:
            return
        if not is_news:
            self._quiet.add(self._next_id)
        line = json.dumps({"id": self._next_id, "do": do, **more})
        self._next_id += 1
        self._socket.write(line.encode() + b"\n")
        self._socket.flush()

    def _up(self) -> None:
        self.is_connected = True
        self._buffer.clear()
        self._quiet.clear()
        self.connected_changed.emit(True)

    def _down(self) -> None:
        if self.is_connected:
            self.is_connected = False
            self.connected_changed.emit(False)
        self._retry()

    def _failed(self, _error: QAbstractSocket.SocketError) -> None:
        self._retry()

    def _retry(self) -> None:
        if not self._closed and not self._again.isActive():
            self._again.start()

    def _read(self) -> None:
        self._buffer += self._socket.readAll().data()
        if len(self._buffer) > MOST_BYTES:
            log.warning("control channel sent %d bytes without an end of line; dropped", len(self._buffer))
            self._buffer.clear()
            return
        *lines, rest = bytes(self._buffer).split(b"\n")
        self._buffer[:] = rest
        for line in lines:
            self._take(line)

    def _take(self, line: bytes) -> None:
        try:
            said = json.loads(line)
        except ValueError:
            log.warning("control channel sent a line that is no JSON: %r", line[:80])
            return
        if not isinstance(said, dict):
            return
        if isinstance(said.get("state"), dict):
            self.state_came.emit(said["state"])
        is_quiet = said.get("id") in self._quiet
        self._quiet.discard(said.get("id", 0))
        if said.get("ok") is True and not is_quiet:
            self.granted.emit()
        if said.get("ok") is False:
            self.refused.emit(str(said.get("error", "refused")))
