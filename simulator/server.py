"""The simulated transducer on a real port: a pty or a TCP server, in real time or as fast as it is read.

One thread, one loop. The samples' clock begins when somebody first opens the port, so that the first byte a program
reads is the first one the seed gives; from then on it runs like a device's: what nobody takes is lost.
"""

from __future__ import annotations

import contextlib
import os
import select
import selectors
import socket
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final, Protocol

from simulator.control import ControlServer, listen
from simulator.simulation import Simulation

BLOCK_S: Final = 0.004
_MOST_UNSENT: Final = 1_048_576  # bytes; more is lost, as in a device's own buffer
_FAST_AHEAD: Final = 65_536  # bytes made ahead of the reader when not in real time
_PUSH_S: Final = 0.1
_MOST_LATE_S: Final = 2.0  # a machine that slept does not get the samples of the night


class DataPort(Protocol):
    """A port the lines go out of."""

    address: str

    @property
    def opened(self) -> bool:
        """Whether anybody is at the other end."""
        ...

    def read(self) -> bytes:
        """What came in; empty when nothing did."""
        ...

    def write(self, data: bytes) -> int:
        """Send what fits and return how much that was."""
        ...

    def wait_for_room(self, timeout_s: float) -> None:
        """Return when more can be written, or after the time."""
        ...

    def unplug(self) -> None:
        """Make the port go away."""
        ...

    def plug(self) -> None:
        """Bring it back at the same address."""
        ...

    def close(self) -> None:
        """End it for good."""
        ...


class TcpPort:
    """One client at a time; a second one is refused, as a serial port would.

    Args:
        port: 0: any that is free.

    Raises:
        OSError: The port cannot be had.
    """

    def __init__(self, port: int) -> None:
        self._listener: socket.socket | None = listen(port)
        self._port = int(self._listener.getsockname()[1])
        self.address = f"socket://127.0.0.1:{self._port}"
        self._client: socket.socket | None = None

    @property
    def opened(self) -> bool:
        """Whether a client is connected; takes one that waits."""
        if self._listener is not None:
            try:
                client, _ = self._listener.accept()
            except OSError:
                pass
            else:
                if self._client is not None:
                    client.close()
                else:
                    client.setblocking(False)
                    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    self._client = client
        return self._client is not None

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    def read(self) -> bytes:
        """What came in; a client that went is dropped."""
        if self._client is None:
            return b""
        try:
            data = self._client.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._drop()
        return data

    def write(self, data: bytes) -> int:
        """Send what fits."""
        if self._client is None:
            return 0
        try:
            return self._client.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self._drop()
            return 0

    def wait_for_room(self, timeout_s: float) -> None:
        """Wait on the client's socket."""
        if self._client is not None:
            select.select([], [self._client], [], timeout_s)

    def unplug(self) -> None:
        """Drop the client and refuse others."""
        self._drop()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def plug(self) -> None:
        """Listen again on the same port."""
        self._listener = listen(self._port)

    def close(self) -> None:
        """Like unplugging, for good."""
        self.unplug()


class PtyPort:
    """A pseudo-terminal behind a symbolic link that outlives being unplugged.

    Args:
        link: Path of the link; None: in a new folder for temporary files.

    Raises:
        OSError: No pty to be had, or something else lies at `link`.
    """

    def __init__(self, link: Path | None = None) -> None:
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        if link is None:
            self._folder = tempfile.TemporaryDirectory(prefix="kilter-simulated-")
            link = Path(self._folder.name) / "port"
        self._link = link
        self.address = str(link)
        self._master = -1
        self.plug()

    def plug(self) -> None:
        """Make a pty and point the link at it."""
        import tty  # not on Windows

        self._master, slave = os.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        # with no slave held here, the master tells whether anybody has the port open
        os.close(slave)
        os.set_blocking(self._master, False)
        try:
            if self._link.is_symlink():
                self._link.unlink()
            self._link.symlink_to(name)
        except OSError:
            os.close(self._master)
            self._master = -1
            raise

    @property
    def opened(self) -> bool:
        """Whether a program has the port open."""
        if self._master < 0:
            return False
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        return not any(events & select.POLLHUP for _, events in poll.poll(0))

    def read(self) -> bytes:
        """What came in."""
        try:
            return os.read(self._master, 4096) if self._master >= 0 else b""
        except OSError:  # nothing there, or nobody at the other end
            return b""

    def write(self, data: bytes) -> int:
        """Send what fits into the terminal's own buffer."""
        try:
            return os.write(self._master, data) if self._master >= 0 else 0
        except OSError:
            return 0

    def wait_for_room(self, timeout_s: float) -> None:
        """Wait on the master."""
        if self._master >= 0:
            select.select([], [self._master], [], timeout_s)

    def unplug(self) -> None:
        """Take the link away and hang up, in this order: who notices the hang-up finds no port."""
        if self._link.is_symlink():
            self._link.unlink()
        if self._master >= 0:
            os.close(self._master)
            self._master = -1

    def close(self) -> None:
        """Like unplugging, and the folder goes too."""
        self.unplug()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None


class Server:
    """Runs a simulation on a port until told to stop.

    Args:
        simulation: What is measured.
        port: Where it goes.
        control_port: Of the control channel; 0: any that is free.
        fast: As fast as the reader takes it.
        stdin: Stop when this descriptor ends (the parent is gone); None: do not look.
        tell: Called with each step of the script that could not be done; the others go on.
    """

    def __init__(
        self,
        simulation: Simulation,
        port: DataPort,
        control_port: int = 0,
        *,
        fast: bool = False,
        stdin: int | None = None,
        tell: Callable[[str], None] = lambda text: None,
    ) -> None:
        self._simulation = simulation
        self._tell = tell
        self._port = port
        self._fast = fast
        self._selector = selectors.DefaultSelector()
        try:
            self.control = ControlServer(simulation, control_port, self._selector)
        except OSError:
            self._selector.close()
            raise
        self._wake_out, self._wake_in = os.pipe()
        self._selector.register(self._wake_out, selectors.EVENT_READ, lambda events: None)
        self._stdin = stdin
        if stdin is not None:
            try:
                self._selector.register(stdin, selectors.EVENT_READ, self._stdin_ready)
            except (ValueError, PermissionError):  # a regular file cannot be waited on
                self._stdin = None
        self._stopping = False
        self._out = bytearray()
        self._lost = 0

    def stop(self) -> None:
        """End `run` soon. Any thread, or a signal handler."""
        self._stopping = True
        with contextlib.suppress(OSError):
            os.write(self._wake_in, b"x")

    def _stdin_ready(self, events: int) -> None:
        assert self._stdin is not None
        if not os.read(self._stdin, 4096):
            self._selector.unregister(self._stdin)
            self.stop()

    def run(self) -> None:
        """Serve until `stop`, a quit request or the end of stdin; closes everything it opened."""
        try:
            self._loop()
        finally:
            self._port.close()
            self.control.close()
            self._selector.close()
            os.close(self._wake_out)
            os.close(self._wake_in)

    def _loop(self) -> None:
        simulation = self._simulation
        n_block = max(1, round(BLOCK_S * simulation.rate_hz))
        block_s = n_block / simulation.rate_hz
        began: float | None = None  # when sample 0 was due
        plugged_at: float | None = None
        next_push = 0.0
        while not (self._stopping or simulation.quit):
            now = time.monotonic()
            if plugged_at is not None and now >= plugged_at:
                try:
                    self._port.plug()
                    plugged_at = None
                except OSError:  # somebody took the port meanwhile: try again
                    plugged_at = now + 0.5
                simulation.changed = True
            opened = plugged_at is None and self._port.opened
            if opened and began is None:
                began = now - simulation.sample / simulation.rate_hz
            busy = False
            if began is not None:
                busy = self._produce(n_block, block_s, began, now, opened)
                due_s = simulation.sample / simulation.rate_hz + block_s
                if not self._fast and now - began - due_s > _MOST_LATE_S:
                    began = now - due_s
                while simulation.script_errors:
                    self._tell(simulation.script_errors.pop(0))
            if opened:
                for answer in simulation.commands.feed(self._port.read()):
                    self._out += answer
                if self._out:
                    del self._out[: self._port.write(bytes(self._out[:_FAST_AHEAD]))]
            else:
                self._lost += self._out.count(b"\n")
                self._out.clear()
            if simulation.unplug_s:
                plugged_at = now + simulation.unplug_s
                simulation.unplug_s = 0.0
                self._port.unplug()
                self._out.clear()
                simulation.changed = True
            opened = opened and plugged_at is None
            line = {"connected": opened, "plugged": plugged_at is None, "lost": self._lost}
            simulation.changed |= line != self.control.line
            self.control.line = line
            moving = simulation.bench.hand.phase != "rest" or simulation.bench.now_nm != 0.0
            if now >= next_push and (simulation.changed or moving):
                simulation.changed = False
                self.control.push()
                next_push = now + _PUSH_S
            self._wait(began, block_s, busy, opened)

    def _produce(self, n_block: int, block_s: float, began: float, now: float, opened: bool) -> bool:
        """Make what is due; True when there is more to do at once."""
        simulation = self._simulation
        if self._fast:
            if opened and len(self._out) < _FAST_AHEAD:
                self._out += simulation.produce(n_block)
            return opened
        n_done = 0
        while began + simulation.sample / simulation.rate_hz + block_s <= now and n_done < 50:
            data = simulation.produce(n_block)
            n_done += 1
            if len(self._out) + len(data) > _MOST_UNSENT:
                self._lost += data.count(b"\n")
            else:
                self._out += data
            if simulation.unplug_s:
                break
        return n_done == 50

    def _wait(self, began: float | None, block_s: float, busy: bool, opened: bool) -> None:
        if busy and self._fast and len(self._out) >= _FAST_AHEAD:
            self._port.wait_for_room(0.02)
        if busy:
            timeout = 0.0
        elif began is None or self._fast:
            timeout = 0.01
        else:
            due = began + self._simulation.sample / self._simulation.rate_hz + block_s
            timeout = min(max(due - time.monotonic(), 0.0), 0.05)
            if self._out and opened:
                timeout = min(timeout, 0.001)
        for key, events in self._selector.select(timeout):
            key.data(events)


def announce(server: Server, port: DataPort) -> str:
    """The one line that a parent reads: where data and control are."""
    return f'{{"data": "{port.address}", "control": "{server.control.address}"}}'


def end_of_parent() -> int | None:
    """Descriptor of stdin, if there is one."""
    try:
        return sys.stdin.fileno()
    except (AttributeError, OSError, ValueError):
        return None
