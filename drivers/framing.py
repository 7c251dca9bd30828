"""From bytes to complete lines, over a bounded buffer.

However the bytes are cut into chunks, the lines and the counts are the same.
"""

from __future__ import annotations

from typing import Final

LONGEST_LINE: Final = 4096
"""Bytes of a line without its terminator. Lines of transducers have 5 to 100; more is noise or a wrong terminator."""

PRINTABLE: Final = bytes([9, 10, 13, *range(32, 127), 0xB7])
"""What lines of text are made of; the last one is the dot of N·m in Latin-1."""


class LineFramer:
    """Cuts a stream of bytes at its line ends; holds back at most one unfinished line of `LONGEST_LINE` bytes.

    Args:
        terminator: What ends a line; no end of it is also its beginning.
    """

    def __init__(self, terminator: bytes) -> None:
        self._terminator = terminator
        self._window = LONGEST_LINE + len(terminator)
        self._rest = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next bytes and return the complete lines among them, each with its terminator.

        Returns:
            Stretches of lines, oldest first, possibly empty, at least one. Between two neighbours there was a line of
            more than `LONGEST_LINE` bytes; it is told as soon as that is certain, and what follows of it is skipped.
        """
        terminator = self._terminator
        if not self._rest and not self._skipping and data.endswith(terminator) and len(data) <= self._window:
            return [data]  # a line or a few, as they mostly come
        width, buffer = len(terminator), self._rest + data
        if self._skipping:
            end = buffer.find(terminator)
            if end < 0:
                self._rest = buffer[max(0, len(buffer) - width + 1) :]
                return [b""]
            self._skipping = False
            buffer = buffer[end + width :]
        end = buffer.rfind(terminator) + width
        if end < width:
            end = 0
        self._rest = buffer[end:]
        stretches = self._without_long_lines(buffer, end) if end > self._window else [buffer[:end]]
        if len(self._rest) >= self._window:  # no terminator can begin within the longest line any more
            self._skipping = True
            self._rest = self._rest[len(self._rest) - width + 1 :]
            stretches.append(b"")
        return stretches

    def _without_long_lines(self, buffer: bytes, end: int) -> list[bytes]:
        """Stride from terminator to terminator, each time to the last one that the longest line allows."""
        terminator, width = self._terminator, len(self._terminator)
        stretches: list[bytes] = []
        begin = at = 0
        while at < end:
            found = buffer.rfind(terminator, at, min(at + self._window, end))
            if found >= 0:
                at = found + width
                continue
            stretches.append(buffer[begin:at])
            begin = at = buffer.find(terminator, at) + width
        stretches.append(buffer[begin:end])
        return stretches

    def finish(self) -> int:
        """End of the stream: drop an unfinished line and return how many there were (0 or 1).

        White space alone is no line, and a line that was too long has been counted as that.
        """
        left = bool(self._rest.decode("latin-1").strip()) and not self._skipping
        self.reset()
        return int(left)

    def reset(self) -> None:
        """Forget the unfinished line."""
        self._rest = b""
        self._skipping = False
