"""Which run this process works on: a lock on one byte of a file beside the store, gone when the process dies."""

from __future__ import annotations

import os
import struct
import sys
import threading
from pathlib import Path

from benchapp.records.errors import StoreNotWritableError


class Claims:
    """Locks by number, from any thread. The operating system drops them with the process, kill -9 included."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._handle: int | None = None
        self._held: set[int] = set()
        self._guard = threading.Lock()

    def take(self, number: int) -> bool:
        """Take `number` (> 0); False when another process (or another store in this one) holds it."""
        with self._guard:
            if number in self._held:
                return True
            if self._handle is None:
                self._handle = self._open()
            if not _lock(self._handle, number):
                return False
            self._held.add(number)
            return True

    def _open(self) -> int:
        try:
            return os.open(self._path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o666)
        except OSError as error:
            raise StoreNotWritableError(self._path, error.strerror or str(error)) from error

    def drop(self, number: int) -> None:
        """Give it back; nothing happens when it is not held."""
        with self._guard:
            if self._handle is not None and number in self._held:
                _unlock(self._handle, number)
            self._held.discard(number)

    def close(self) -> None:
        """Give all back."""
        with self._guard:
            if self._handle is not None:
                os.close(self._handle)
            self._handle = None
            self._held.clear()


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int, number: int) -> bool:
        os.lseek(handle, number, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def _unlock(handle: int, number: int) -> None:
        os.lseek(handle, number, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    # Locks of the open file (Linux), not of the process: those of POSIX vanish when any handle on the file closes.
    _SET_LOCK = getattr(fcntl, "F_OFD_SETLK", fcntl.F_SETLK)

    def _ask(handle: int, kind: int, number: int) -> None:
        fcntl.fcntl(handle, _SET_LOCK, struct.pack("hhqqi4x", kind, os.SEEK_SET, number, 1, 0))

    def _lock(handle: int, number: int) -> bool:
        try:
            _ask(handle, fcntl.F_WRLCK, number)
        except OSError:
            return False
        return True

    def _unlock(handle: int, number: int) -> None:
        _ask(handle, fcntl.F_UNLCK, number)
