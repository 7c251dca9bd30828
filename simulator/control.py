"""The hand's way into a running simulator: what a control panel or a test may ask for.

Over TCP, UTF-8, one JSON object a line, both ways; any number of clients at once. Nothing here reaches the data line
except through the physics: what a client changes shows up in the torque that the transducer sends, as on a bench.

A request carries `do` and, if the client likes, an `id` that comes back with the answer:

    {"id": 7, "do": "pull", "manner": "steady"}
    {"id": 7, "ok": true}
    {"id": 8, "do": "pull", "manner": "gently"}
    {"id": 8, "ok": false, "error": "manner: 'gently' is not one of steady, jerky, …"}

Answers come in the order of the requests. In between, the simulator pushes `{"state": {…}}` on connecting, whenever
something changed, and ten times a second while torque stands on the tool. A client that does not read loses pushed
states, never answers; one that sends a line longer than 64 kB is dropped.

Torque is in N·m whatever the data line sends; times in seconds since the simulator started.

`{"do": "state"}`
    Answers `{"ok": true, "state": {…}}`.
`{"do": "key", "down": true}`
    The hand begins to pull, steadily, for as long as the key is down; `"down": false` eases off. With a setting tool
    the arm does not stop at the click by itself: that is the person's task. `"rate"`: percent of the target per
    second, default 20.
`{"do": "pull", "manner": M}`
    One whole pull by itself. M: `steady`, `jerky`, `snatched`, `past-click`, `short`, `twice`, `shaky`, `reach` (for
    indicating tools: goes to the target and holds). Options: `target` (N·m; default the tool's setting), `hold_s`
    (for `reach`, default 2.0), `rate` (percent of the target per second near the end; for `steady` and `shaky`),
    `delay_s` (default 0.3). Refused while a pull is under way. An indicating tool never lets go: `steady` goes on
    for a second past the target unless released; use `reach`.
`{"do": "release"}`
    The hand lets off now, whatever it was doing.
`{"do": "knock"}`
    A short knock against the drive, as when seating the tool. `torque`: N·m, default 3 % of the capacity.
`{"do": "tool", "kind": K, "max": 200}`
    K: `click-wrench`, `dial-wrench`, `electronic-wrench`, `click-screwdriver`, `slipping-screwdriver`. `max` in N·m.
    The setting becomes the maximum (indicating tools: 60 % of it), the true error stays. `"weak": true`: a worn
    mechanism whose torque falls by 3 to 7 % only. Refused while a pull is under way.
`{"do": "set", "torque": 40.0}`
    Sets the tool (setting tools), or the torque that `reach` and `key` aim at (indicating tools).
`{"do": "error", "percent": 3.0}`
    The tool's true error: it delivers that much more than it says. A setting tool lets go at
    setting × (1 + percent/100); an indicating tool shows torque / (1 + percent/100). `"spread"`: standard deviation
    from pull to pull in percent, default unchanged (0.3 at the start).
`{"do": "direction", "direction": "anticlockwise"}`
    Or `clockwise`. Refused while a pull is under way.
`{"do": "mount", "on": true}`
    Puts the tool on the drive: a small torque hangs on it by the tool's weight, `"hanging"` in N·m to choose it
    (default 0.2 % of the capacity). `"on": false` takes it off. A pull does not need it.
`{"do": "offset", "torque": 0.05, "drift": 0.0}`
    Zero offset of the transducer in N·m, and its drift in N·m/s; a zero command on the data line takes the offset
    and the drift so far back to 0.
`{"do": "transducer", "percent": 1.4}`
    It shows so many percent more than is applied, as a certificate would state of it. The tool does not know.
`{"do": "fault", "fault": F}`
    F, with options in brackets: `cut-line` [`count` 1], `garbage` [`seconds` 0.2: unreadable bytes in place of
    lines], `burst` [`seconds` 0.3: lines held back, then sent at once], `stall` [`seconds` 3: nothing is sent, what
    was measured meanwhile is lost], `unplug` [`seconds` 4: the port is gone], `wrong-unit` [`seconds` 1, `unit`
    "lbf·ft"], `gap` [`seconds` 0.08: samples missing], `wrong-sample` [`count` 1, `factor` 2.0: isolated samples at
    `factor` × torque, but at least at `factor` × a tenth of the capacity].
`{"do": "quit"}`
    Ends the simulator.

The state:

    {"state": {
      "time_s": 12.31, "torque": 0.012, "unit": "N·m",
      "phase": "rest",                      # rest, pulling, let-go, easing, holding
      "manner": null,                       # of the pull under way, "key" for the key
      "mounted": false, "direction": "clockwise",
      "tool": {"kind": "click-wrench", "max": 200.0, "setting": 120.0, "error_percent": 3.0, "spread_percent": 0.3,
               "indicating": false, "weak": false},
      "shown": null,                        # what an indicating tool shows now, N·m; null for setting tools
      "shown_peak": null,                   # its memory or slave pointer: greatest of the last pull, N·m
      "clicks": 3,                          # how often a tool has let go since the start
      "pulls": 3,                           # how many were begun
      "last_pull": {"first_peak": 123.4, "peak": 131.0, "manner": "steady"},   # null before the first; first_peak null
      "line": {"shape": "signed-value-unit", "rate_hz": 1000.0, "unit": "N·m", "connected": true, "plugged": true,
               "lines": 12310, "lost": 0},  # lost: made, but nobody took them
      "capacity": 250.0, "faults": []       # names of faults under way
    }}
"""

from __future__ import annotations

import contextlib
import json
import selectors
import socket
from typing import Final

from simulator.simulation import Answer, Simulation

_LONGEST_REQUEST: Final = 65_536
_MOST_UNREAD: Final = 262_144  # bytes a client may leave unread before pushed states are skipped


def listen(port: int) -> socket.socket:
    """Return a listening socket on this machine, not blocking; 0: any free port.

    Raises:
        OSError: It cannot be had, or there is no such port.
    """
    if not 0 <= port <= 65_535:  # the library would raise OverflowError and leave the socket open
        raise OSError(f"{port} is not a port number from 0 to 65535")
    listener = socket.create_server(("127.0.0.1", port), backlog=4)
    listener.setblocking(False)
    return listener


class _Client:
    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.incoming = b""
        self.outgoing = b""


class ControlServer:
    """Serves the control channel out of somebody else's loop; never blocks.

    Args:
        simulation: What the requests are for.
        port: 0: any that is free.
        selector: The loop's; entries carry a function to call with the events as `data`.

    Raises:
        OSError: The port cannot be had.
    """

    def __init__(self, simulation: Simulation, port: int, selector: selectors.BaseSelector) -> None:
        self._simulation = simulation
        self._selector = selector
        self._clients: list[_Client] = []
        self.line: Answer = {}  # what the data server adds to the state's `line`
        self._listener = listen(port)
        selector.register(self._listener, selectors.EVENT_READ, self._accept)

    @property
    def address(self) -> str:
        """As "127.0.0.1:PORT"."""
        return f"127.0.0.1:{self._listener.getsockname()[1]}"

    def close(self) -> None:
        """Drop all clients and stop listening."""
        for client in list(self._clients):
            self._drop(client)
        with contextlib.suppress(KeyError):
            self._selector.unregister(self._listener)
        self._listener.close()

    def push(self) -> None:
        """Send the state to every client that keeps up."""
        if not self._clients:
            return
        line = self._line({"state": self._state()})
        for client in list(self._clients):
            if len(client.outgoing) + len(line) <= _MOST_UNREAD:
                self._send(client, line)

    def _state(self) -> Answer:
        return self._with_line(self._simulation.state())

    def _with_line(self, state: Answer) -> Answer:
        """Add what only the server knows; a port about to be taken away counts as gone."""
        state["line"] |= self.line
        if self._simulation.unplug_s:
            state["line"] |= {"connected": False, "plugged": False}
        return state

    @staticmethod
    def _line(message: Answer) -> bytes:
        return json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"

    def _accept(self, events: int) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client = _Client(connection)
        self._clients.append(client)
        self._selector.register(connection, selectors.EVENT_READ, lambda events: self._ready(client, events))
        self._send(client, self._line({"state": self._state()}))

    def _ready(self, client: _Client, events: int) -> None:
        if events & selectors.EVENT_READ:
            try:
                data = client.connection.recv(65_536)
            except BlockingIOError:
                data = None
            except OSError:
                data = b""
            if data == b"":
                self._drop(client)
                return
            client.incoming += data or b""
            *lines, client.incoming = client.incoming.split(b"\n")
            for line in lines:
                if line.strip():
                    self._send(client, self._line(self._answer(line)))
            if len(client.incoming) > _LONGEST_REQUEST:
                self._drop(client)
                return
        if events & selectors.EVENT_WRITE and client in self._clients:
            self._send(client, b"")

    def _answer(self, line: bytes) -> Answer:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError) as error:
            return {"ok": False, "error": f"not a JSON object: {error}"}
        if not isinstance(request, dict):
            return {"ok": False, "error": "not a JSON object"}
        answer = self._simulation.ask(request)
        if "state" in answer:
            self._with_line(answer["state"])
        return answer

    def _send(self, client: _Client, data: bytes) -> None:
        if client not in self._clients:
            return
        client.outgoing += data
        try:
            while client.outgoing:
                client.outgoing = client.outgoing[client.connection.send(client.outgoing) :]
        except BlockingIOError:
            pass
        except OSError:
            self._drop(client)
            return
        events = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.outgoing else 0)
        key = self._selector.get_key(client.connection)
        if key.events != events:
            self._selector.modify(client.connection, events, key.data)

    def _drop(self, client: _Client) -> None:
        if client in self._clients:
            self._clients.remove(client)
            self._selector.unregister(client.connection)
            client.connection.close()
