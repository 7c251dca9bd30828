"""Where bytes come from: serial ports, sockets, recordings. Foreign exceptions end here."""

from __future__ import annotations

import errno
import logging
import os
import re
import select
import socket
import stat
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol
from urllib.parse import parse_qsl

import serial

from drivers.errors import UrlError
from drivers.profile import SerialSettings
from drivers.recording import Recording
from drivers.samples import Source

_log = logging.getLogger(__name__)

_CHUNK_BYTES: Final = 1 << 16
"""Read at once. Into a buffer of one's own that stays: memory asked for 64 kB at a time and given back but for a few
hundred bytes falls to pieces between the samples that are kept for seconds (20 MB in three minutes at 10 kHz)."""
SPEEDS: Final = (0.1, 20.0)
"""Slowest and fastest replay."""


class OpenError(OSError):
    """A port that cannot be opened; `args[0]` is a sentence for people."""


class EndOfRecording(Exception):  # noqa: N818  it is an end, not an error
    """Everything recorded has been read."""


@dataclass(frozen=True, slots=True)
class LinkUrl:
    """A link's URL taken apart.

    Attributes:
        text: As given.
        kind: "port", "socket" or "replay".
        place: Port name, ``host:port``, or path of the recording.
        speed: Of a replay, 0.1 to 20.
        source: What the URL says of the samples; a port or socket is live unless it says otherwise.
    """

    text: str
    kind: str
    place: str
    speed: float = 1.0
    source: Source = Source.LIVE


def parse_url(url: str) -> LinkUrl:
    """Take a link's URL apart.

    Raises:
        UrlError: With what is wrong and what would work.

    >>> parse_url("replay:pull.csv?speed=2").speed
    2.0
    """
    place, _, query = url.partition("?")
    options = dict(parse_qsl(query, keep_blank_values=True))
    kind = "port"
    if place.startswith("socket://"):
        kind, place = "socket", place.removeprefix("socket://").rstrip("/")
        host, _, port = place.rpartition(":")
        if not host or not re.fullmatch(r"[0-9]{1,5}", port) or not 0 < int(port) < 65536:
            raise UrlError(f"{url}: a socket is given as socket://HOST:PORT, e.g. socket://127.0.0.1:5025")
    elif place.startswith("replay:"):
        kind, place = "replay", place.removeprefix("replay:")
    elif "://" in place:
        raise UrlError(f"{url}: a link is a port name, socket://HOST:PORT or replay:FILE?speed=2")
    if not place:
        raise UrlError(f"{url!r}: names no {'file' if kind == 'replay' else 'port'}")
    speed = 1.0
    if "speed" in options:
        try:
            speed = checked_speed(float(options.pop("speed")))
        except ValueError:
            raise UrlError(f"{url}: speed is a number from {SPEEDS[0]:g} to {SPEEDS[1]:g}") from None
    source = Source.REPLAYED if kind == "replay" else Source.LIVE
    if "source" in options:
        told = options.pop("source")
        if told not in (Source.LIVE, Source.SIMULATED, Source.REPLAYED):
            raise UrlError(f"{url}: source is live, simulated or replayed")
        if kind != "replay":  # a replay never passes for something else
            source = Source(told)
    if options:
        raise UrlError(f"{url}: {next(iter(options))!r} is no option of a link; there are speed and source")
    return LinkUrl(url, kind, place, speed, source)


def checked_speed(speed: float) -> float:
    """Return `speed` if a replay can have it.

    Raises:
        ValueError: Outside 0.1 to 20.
    """
    if not SPEEDS[0] <= speed <= SPEEDS[1]:
        raise ValueError(f"a replay runs at {SPEEDS[0]:g} to {SPEEDS[1]:g} times the speed, not {speed:g}")
    return speed


class HasSerial(Protocol):
    """A profile, of whatever kind of device, as far as opening a port goes."""

    @property
    def serial(self) -> SerialSettings:
        """What the port is set to."""
        ...


class Transport(Protocol):
    """An open source of bytes. `read` and `write` belong to the link's thread, `wake` to any."""

    usb_serial: str

    def read(self, timeout_s: float) -> tuple[bytes, float]:
        """Wait for bytes: (bytes, when they arrived); no bytes after `timeout_s` or `wake`.

        Raises:
            OSError: The other end is gone.
            EndOfRecording: Nothing more will come.
        """
        ...

    def write(self, data: bytes) -> None:
        """Send `data`. Raises OSError."""
        ...

    def wake(self) -> None:
        """Let a waiting `read` return."""
        ...

    def close(self) -> None:
        """Close; may be called again; never raises."""
        ...


class _Waker:
    """A pipe that lets another thread end a wait for `fd`. POSIX only."""

    def __init__(self, fd: int) -> None:
        self._out, self._in = os.pipe()
        os.set_blocking(self._in, False)
        self._fd = fd
        self._poll = select.poll()  # told once what to look at; `select` is told each time
        self._poll.register(fd, select.POLLIN)
        self._poll.register(self._out, select.POLLIN)

    def wait(self, timeout_s: float) -> bool:
        """True: `fd` can be read, or its other end is gone."""
        is_ready = False
        for end, _ in self._poll.poll(1000 * timeout_s):
            if end == self._fd:
                is_ready = True
            else:
                os.read(self._out, 4096)
        return is_ready

    def wake(self) -> None:
        with suppress(OSError):  # full: it will wake anyway; closed: nobody waits
            os.write(self._in, b"!")

    def close(self) -> None:
        os.close(self._out)
        os.close(self._in)


class PosixSerialTransport:
    """A serial port or pty on POSIX: opened and set by pyserial, read by `poll` and `readv`.

    pyserial's own `read` asks the system twice per byte; this one once per chunk.
    """

    def __init__(self, name: str, profile: HasSerial) -> None:
        import fcntl
        import termios

        self._port = open_serial(name, profile)
        self._closing = threading.Lock()
        self._no_exclusive = termios.TIOCNXCL
        self._fcntl = fcntl
        with suppress(OSError):  # not every driver can
            fcntl.ioctl(self._port.fd, termios.TIOCEXCL)  # pyserial's flock only stops programs that also ask for it
        self.usb_serial = usb_serial_of(name)
        self._buffer = memoryview(bytearray(_CHUNK_BYTES))
        self._waker: _Waker | None = _Waker(self._port.fd)

    def read(self, timeout_s: float) -> tuple[bytes, float]:
        """See `Transport`."""
        waker = self._waker
        if waker is None:
            raise OSError(errno.EBADF, "closed")
        if not waker.wait(timeout_s):
            return b"", time.monotonic()
        n = os.readv(self._port.fd, [self._buffer])
        if not n:
            raise OSError(errno.EIO, "the port gives no more bytes")
        return bytes(self._buffer[:n]), time.monotonic()

    def write(self, data: bytes) -> None:
        """See `Transport`."""
        _write(self._port, data)

    def wake(self) -> None:
        """See `Transport`."""
        with self._closing:
            if self._waker is not None:
                self._waker.wake()

    def close(self) -> None:
        """See `Transport`."""
        with self._closing:
            if self._waker is None:
                return
            self._waker.close()
            self._waker = None
            with suppress(OSError):  # unplugged
                self._fcntl.ioctl(self._port.fd, self._no_exclusive)
            with suppress(OSError):  # unplugged
                self._port.close()


class PlainSerialTransport:
    """A serial port where ports cannot be selected on (Windows)."""

    _POLL_S: Final = 0.05

    def __init__(self, name: str, profile: HasSerial) -> None:
        self._port = open_serial(name, profile)
        self.usb_serial = usb_serial_of(name)

    def read(self, timeout_s: float) -> tuple[bytes, float]:
        """See `Transport`."""
        timeout_s = min(timeout_s, self._POLL_S)
        if self._port.timeout != timeout_s:
            self._port.timeout = timeout_s
        data = self._port.read(1)
        if data:
            data += self._port.read(self._port.in_waiting)
        return data, time.monotonic()

    def write(self, data: bytes) -> None:
        """See `Transport`."""
        _write(self._port, data)

    def wake(self) -> None:
        """See `Transport`; the wait is short anyway."""

    def close(self) -> None:
        """See `Transport`."""
        with suppress(OSError):  # unplugged
            self._port.close()


def open_serial(name: str, profile: HasSerial) -> serial.Serial:
    """Open and set a serial port, exclusively.

    Raises:
        OpenError: With a sentence for people.
    """
    settings = profile.serial
    port = serial.Serial()
    try:
        port.port = name
        port.baudrate = settings.baud
        port.bytesize = settings.bytesize
        port.parity = settings.parity
        port.stopbits = settings.stopbits
        port.rtscts = settings.handshake == "rts/cts"
        port.dsrdtr = settings.handshake == "dsr/dtr"
        port.xonxoff = settings.handshake == "xon/xoff"
        port.dtr, port.rts = settings.dtr, settings.rts
        port.exclusive = True
        port.timeout = 0
        port.write_timeout = 0.5
        port.open()
    except (OSError, ValueError) as error:
        raise OpenError(why_not(name, error)) from error
    return port


def _write(port: serial.Serial, data: bytes) -> None:
    try:
        port.write(data)
    except serial.SerialTimeoutException:  # it may still talk without listening (no CTS, nobody reads)
        _log.warning("%s: %r could not be sent: the device does not take it", port.port, data)


def why_not(name: str, error: Exception) -> str:
    """Say in one sentence why the port called `name` could not be opened, and what to do."""
    text = str(error)
    number = getattr(error, "errno", None)
    inner = re.search(r"\((\d+), '", text)  # pyserial hides the number of what `tcgetattr` said in its text
    if number is None and inner is not None and os.name == "posix":
        number = int(inner[1])
    if isinstance(error, ValueError):
        return f"{name}: the port does not take the profile's settings ({text}). Choose another profile."
    if number == errno.ENOENT or "FileNotFoundError" in text:
        return f"{name}: there is no such port. Plug the device in, or choose another port; it is tried again."
    if number in (errno.EBUSY, errno.EAGAIN) or "PermissionError" in text or "exclusively lock" in text:
        return f"{name}: another program has the port open. Close it there; it is tried again."
    if number in (errno.EACCES, errno.EPERM):
        return f"{name}: no permission to open the port. {_group_advice(name)}"
    if number in (errno.ENOTTY, errno.EINVAL, errno.ENODEV, errno.ENXIO, errno.EISDIR):
        return f"{name}: this is not a serial port that answers. Choose another port."
    return f"{name}: the port cannot be opened ({text}); it is tried again."


def _group_advice(name: str) -> str:
    try:
        import grp

        facts = os.stat(name)
        if facts.st_mode & stat.S_IRGRP and facts.st_mode & stat.S_IWGRP:
            group = grp.getgrgid(facts.st_gid).gr_name
            return f"Join the group {group!r} (sudo usermod -aG {group} $USER), log out and in again."
    except (ImportError, OSError, KeyError):
        pass
    return "Ask whoever looks after this computer for read and write access to it."


def usb_serial_of(name: str) -> str:
    """Serial number of the USB device behind a port; empty when it is none or cannot tell."""
    from serial.tools import list_ports

    if name.startswith("/dev/pts/"):
        return ""
    real = os.path.realpath(name)
    return next((port.serial_number or "" for port in list_ports.comports() if port.device in (name, real)), "")


class SocketTransport:
    """A TCP connection."""

    usb_serial = ""

    def __init__(self, place: str) -> None:
        host, _, port = place.rpartition(":")
        try:
            self._socket = socket.create_connection((host.strip("[]"), int(port)), timeout=2.0)
        except TimeoutError as error:
            raise OpenError(f"{place}: no answer within 2 s. Is it switched on? It is tried again.") from error
        except OSError as error:
            reason = error.strerror or str(error)
            raise OpenError(
                f"{place}: no connection ({reason}). Start what listens there; it is tried again."
            ) from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._ours, self._others = socket.socketpair()
        self._others.setblocking(False)
        self._buffer = memoryview(bytearray(_CHUNK_BYTES))
        self._closing = threading.Lock()
        self._closed = False

    def read(self, timeout_s: float) -> tuple[bytes, float]:
        """See `Transport`."""
        ready, _, _ = select.select([self._socket, self._ours], [], [], timeout_s)
        if self._ours in ready:
            self._ours.recv(4096)
        if self._socket not in ready:
            return b"", time.monotonic()
        n = self._socket.recv_into(self._buffer)
        if not n:
            raise OSError(errno.EPIPE, "the other end closed the connection")
        return bytes(self._buffer[:n]), time.monotonic()

    def write(self, data: bytes) -> None:
        """See `Transport`."""
        self._socket.sendall(data)

    def wake(self) -> None:
        """See `Transport`."""
        with self._closing:
            if not self._closed:
                with suppress(OSError):  # full: it will wake anyway
                    self._others.send(b"!")

    def close(self) -> None:
        """See `Transport`."""
        with self._closing:
            self._closed = True
            for end in (self._socket, self._ours, self._others):
                end.close()


class ReplayTransport:
    """A recording, given out at its own pace, faster, slower, or chunk by chunk."""

    usb_serial = ""

    def __init__(self, recording: Recording, speed: float = 1.0) -> None:
        self._chunks = recording.chunks
        self._next = 0
        self._speed = checked_speed(speed)
        self._lock = threading.Condition()
        self._paused = False
        self._n_steps = 0
        self._woken = False
        self._base_s = time.monotonic()
        self._base_at_s = 0.0

    @property
    def position_s(self) -> float:
        """Seconds of the recording that have been given out."""
        return self._chunks[self._next - 1][0] if self._next else 0.0

    def read(self, timeout_s: float) -> tuple[bytes, float]:
        """See `Transport`; the time is that of the recording."""
        until_s = time.monotonic() + timeout_s
        with self._lock:
            while True:
                if self._next >= len(self._chunks):
                    raise EndOfRecording
                now_s = time.monotonic()
                at_s, data = self._chunks[self._next]
                due_s = self._base_s + (at_s - self._base_at_s) / self._speed
                if self._n_steps or (not self._paused and due_s <= now_s):
                    self._n_steps = max(0, self._n_steps - 1)
                    self._next += 1
                    return data, at_s
                if self._woken or now_s >= until_s:
                    self._woken = False
                    return b"", self.position_s
                self._lock.wait((until_s if self._paused else min(until_s, due_s)) - now_s)

    def pause(self) -> None:
        """Hold still."""
        with self._lock:
            self._paused = True
            self._lock.notify()

    def resume(self) -> None:
        """Go on."""
        with self._lock:
            self._rebase()
            self._paused = False
            self._lock.notify()

    def step(self) -> None:
        """Give out one more chunk while held still."""
        with self._lock:
            self._n_steps += 1
            self._lock.notify()

    def set_speed(self, speed: float) -> None:
        """Go on at `speed`, 0.1 to 20. Raises ValueError."""
        with self._lock:
            speed = checked_speed(speed)
            self._rebase()
            self._speed = speed
            self._lock.notify()

    def _rebase(self) -> None:
        now_s = time.monotonic()
        if self._paused:
            self._base_at_s = self.position_s
        else:
            self._base_at_s += (now_s - self._base_s) * self._speed
        self._base_s = now_s

    def write(self, data: bytes) -> None:
        """See `Transport`; a recording hears nothing."""

    def wake(self) -> None:
        """See `Transport`."""
        with self._lock:
            self._woken = True
            self._lock.notify()

    def close(self) -> None:
        """See `Transport`."""


def open_transport(url: LinkUrl, profile: HasSerial) -> Transport:
    """Open a port or socket.

    Raises:
        OpenError: With a sentence for people.
    """
    if url.kind == "socket":
        return SocketTransport(url.place)
    if sys.platform == "win32":
        return PlainSerialTransport(url.place, profile)
    if not Path(url.place).exists():  # pyserial would say the same in its own words
        raise OpenError(why_not(url.place, FileNotFoundError(errno.ENOENT, "missing")))
    return PosixSerialTransport(url.place, profile)
