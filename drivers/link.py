"""A link: one device, one thread, sample blocks out. It survives whatever the line does and says how it is doing."""

from __future__ import annotations

import logging
import math
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from drivers.clock import STALL_S, held_up
from drivers.decoding import Decoder
from drivers.errors import RecordingError
from drivers.framing import PRINTABLE
from drivers.profile import Profile, Profiles
from drivers.recording import CAPTURE_BYTES, CaptureWriter, Recording, read_recording
from drivers.samples import SampleBlock, Source
from drivers.status import CaptureStatus, LinkState, LinkStatus
from drivers.transport import (
    EndOfRecording,
    LinkUrl,
    OpenError,
    ReplayTransport,
    Transport,
    open_transport,
    parse_url,
)

_log = logging.getLogger(__name__)

QUICK_S: Final = 0.0005
"""Between two reads in the mean: 10,000 lines that come singly cost no core, and a value is known at once."""
_AHEAD_S: Final = 0.002  # reads may be so far ahead of the pace: the pieces of a line, the lines of a lump
_FAST_S: Final = 0.0004  # lines that come further apart than this are read at once: they cost little
_FULL_BYTES: Final = 1024  # so much in one read means that the sender is ahead: no pace
_SETTLE_S: Final = 0.004
_N_SETTLES: Final = 8
_SILENT_S: Final = 1.0
_NONSENSE_S: Final = 2.0
_STATUS_S: Final = 0.25
# After opening: the first answer may be the line that is not trusted, or the device be still starting up and not hear.
_ASK_S: Final = (0.0, 0.5, 1.5, 4.0)
_BACK_OFF_S: Final = (0.2, 0.5, 1.0, 2.0)
_ZERO_COMMAND: Final = "zero"
_IDENTIFY_COMMAND: Final = "identify"


class Link:
    """An open way to a device or a recording. Its callbacks come from its own thread; its methods are for any thread.

    Args:
        url: Port name, ``socket://HOST:PORT`` or ``replay:FILE?speed=2``; ``?source=simulated`` marks a port or socket
            behind which no real tool is pulled.
        profile: How the device talks. None: a recording says it itself.
        on_block: Is given every sample block.
        on_status: Is given the status at every change of state, and four times a second while it counts.
        profiles: Where the profile named beside a recording is looked up; built-in ones if None.
        source: Wins over what the URL says (not over a replay).
        pace_s: Between two reads in the mean, at the least, of lines that come faster than 2,500 a second. Each wake-up
            costs about 50 µs of a core, however few lines it finds.

    Raises:
        UrlError: The URL cannot be understood.
        RecordingError: The recording cannot be replayed.
        ValueError: A port without a profile.
    """

    def __init__(
        self,
        url: str,
        profile: Profile | None,
        on_block: Callable[[SampleBlock], None],
        on_status: Callable[[LinkStatus], None],
        *,
        profiles: Profiles | None = None,
        source: Source | None = None,
        pace_s: float = QUICK_S,
    ) -> None:
        self._pace_s = pace_s
        self._url: LinkUrl = parse_url(url)
        self._recording: Recording | None = None
        if self._url.kind == "replay":
            self._recording = read_recording(self._url.place, profiles or Profiles(), profile)
            profile = self._recording.profile
            source = Source.REPLAYED
        if profile is None:
            raise ValueError(f"{url}: a port needs a profile")
        self._profile = profile
        self._on_block, self._on_status = on_block, on_status
        self._replay = ReplayTransport(self._recording, self._url.speed) if self._recording else None
        self._decoder = Decoder(
            profile,
            source or self._url.source,
            drop_first=self._recording.cut_start if self._recording else True,
            live=self._recording is None,
        )
        self._status = LinkStatus(
            LinkState.CLOSED,
            url,
            profile.name,
            source=self._decoder.source,
            capacity=profile.capacity,
            capacity_unit=profile.unit,
            clockwise_positive=profile.clockwise_positive,
            filter_hz=profile.filter_hz,
            has_zero_command=_ZERO_COMMAND in profile.commands,
        )
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._transport: Transport | None = None
        self._to_send: deque[bytes] = deque()
        self._capture: CaptureWriter | None = None
        self._capture_over: CaptureStatus | None = None
        self._rate = _Rate()
        self._identity = ("", "")
        self._n_replies = 0
        self._last_bytes_s = 0.0
        self._failed_callbacks: set[str] = set()

    # --- for any thread ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the thread; may be called once."""
        if self._thread is not None:
            raise RuntimeError("a link is started once")
        self._thread = threading.Thread(target=self._run, name=f"link {self._url.text}", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """Stop and join; may be called again, and from a callback (then without joining)."""
        self._stopping.set()
        transport = self._transport
        if transport is not None:
            transport.wake()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(timeout_s)
            if self._thread.is_alive():
                _log.error("%s: the link's thread did not end within %.1f s", self._url.text, timeout_s)
        self.stop_capture()

    def status(self) -> LinkStatus:
        """Newest status."""
        return self._status

    def send(self, command: str) -> bool:
        """Send the profile's command of that name; False when it has none or the link is not open."""
        data = self._profile.commands.get(command)
        transport = self._transport
        if data is None or transport is None or self._recording is not None:
            return False
        self._to_send.append(data)
        transport.wake()
        return True

    def start_capture(self, path: str) -> None:
        """Write raw bytes to `path` from now on (``.raw`` is added if missing), `CAPTURE_BYTES` at the most.

        The status tells how many there are, and why it ended where it did by itself; nothing is raised.
        """
        self.stop_capture()
        try:
            self._capture = CaptureWriter(path, self._profile.name, self._decoder.source)
        except OSError as error:
            self._capture_over = CaptureStatus(path, 0, CAPTURE_BYTES, f"{error.strerror or error}.")

    def stop_capture(self) -> None:
        """End it and complete the sidecar; may be called again."""
        self._end_capture("")

    def _end_capture(self, why: str) -> None:
        capture, self._capture = self._capture, None
        self._capture_over = None
        if capture is None:
            return
        try:
            capture.close()
        except OSError as error:
            why = why or f"{error.strerror or error}."
        if why:
            self._capture_over = CaptureStatus(str(capture.path), capture.n_bytes, CAPTURE_BYTES, why)

    def _capture_status(self) -> CaptureStatus | None:
        capture = self._capture
        if capture is None:
            return self._capture_over
        return CaptureStatus(str(capture.path), capture.n_bytes, CAPTURE_BYTES)

    def pause(self) -> bool:
        """Hold a replay still; False when this is none. So do the next three."""
        if self._replay:
            self._replay.pause()
        return self._replay is not None

    def resume(self) -> bool:
        """Let a replay go on."""
        if self._replay:
            self._replay.resume()
        return self._replay is not None

    def step(self) -> bool:
        """Give out one more chunk of a replay that is held still."""
        if self._replay:
            self._replay.step()
        return self._replay is not None

    def set_speed(self, speed: float) -> bool:
        """Replay at `speed`, 0.1 to 20. Raises ValueError."""
        if self._replay:
            self._replay.set_speed(speed)
        return self._replay is not None

    # --- the link's own thread --------------------------------------------------------------------------------------

    def _run(self) -> None:
        attempt = 0
        was_streaming = False
        try:
            while not self._stopping.is_set():
                if attempt == 0 and not was_streaming:
                    self._tell(LinkState.OPENING)
                try:
                    transport: Transport = self._replay or open_transport(self._url, self._profile)
                except OpenError as error:
                    self._tell(LinkState.LOST if was_streaming else LinkState.REFUSED, str(error.args[0]))
                else:
                    n_lines = self._decoder.counts.n_lines
                    over = self._converse(transport, again=was_streaming)
                    if over:
                        return
                    if self._decoder.counts.n_lines > n_lines:
                        was_streaming, attempt = True, 0
                self._stopping.wait(_BACK_OFF_S[min(attempt, len(_BACK_OFF_S) - 1)])
                attempt += 1
            self._tell(LinkState.CLOSED)
        except Exception:  # noqa: BLE001  a thread that dies in silence is worse
            _log.exception("%s: the link ended by a fault of the program", self._url.text)
            self._tell(LinkState.CLOSED, "The link ended by a fault of the program; the log says more. Open it again.")

    def _converse(self, transport: Transport, *, again: bool) -> bool:
        """Read until the other end is gone; True when there is nothing to come back to."""
        self._transport = transport
        opened_s = time.monotonic()
        if again:
            self._decoder.reopen(opened_s - self._last_bytes_s)
            self._rate.clear()
        self._identity = (transport.usb_serial, "usb" if transport.usb_serial else "")
        if again:  # told before the first sample: whoever takes it must know that it may be another transducer's
            self._status = replace(self._status, n_reconnects=self._status.n_reconnects + 1)
            self._tell(LinkState.OPENING)
        try:
            self._stream(transport, opened_s)
        except EndOfRecording:
            self._decoder.finish()
            self._tell(LinkState.CLOSED, "The recording has come to its end.")
            return True
        except OSError as error:
            self._to_send.clear()
            reason = error.strerror or str(error)
            self._tell(
                LinkState.LOST,
                f"{self._url.place}: the connection was lost ({reason}). Plug it in; it comes back by itself.",
            )
        finally:
            self._transport = None
            transport.close()
        return False

    def _stream(self, transport: Transport, opened_s: float) -> None:
        watch = _Watch(opened_s)
        next_status_s = pace_s = 0.0
        asks = deque(opened_s + after_s for after_s in _ASK_S if _IDENTIFY_COMMAND in self._profile.commands)
        n_replies, now_s = self._n_replies, opened_s
        while not self._stopping.is_set():
            if asks and now_s >= asks[0]:
                asks.popleft()
                if self._n_replies == n_replies:
                    transport.write(self._profile.commands[_IDENTIFY_COMMAND])
            while self._to_send:
                transport.write(self._to_send.popleft())
            data, at_s = transport.read(_STATUS_S)
            if self._replay is not None:
                now_s = time.monotonic()
            else:
                if data and at_s - self._last_bytes_s > STALL_S:
                    data, at_s = self._with_what_follows(transport, data, at_s)
                now_s = at_s
            if data:
                self._take(data, at_s, now_s, watch)
                if self._replay is None and len(data) < _FULL_BYTES:
                    is_fast = 0 < self._decoder.interval_s < _FAST_S
                    pace_s = max(pace_s + (self._pace_s if is_fast else QUICK_S), now_s - _AHEAD_S)
                    if pace_s > now_s:
                        time.sleep(pace_s - now_s)
            if now_s >= next_status_s or watch.has_news:
                self._tell(*self._state(watch, now_s))
                watch.has_news = False
                next_status_s = now_s + _STATUS_S

    def _with_what_follows(self, transport: Transport, data: bytes, at_s: float) -> tuple[bytes, float]:
        """After a silence: what was held up comes in pieces, and the clock must see at once whether any is missing."""
        silence_s, period_s = at_s - self._last_bytes_s, self._decoder.interval_s
        enough = held_up(silence_s, period_s) if period_s else math.inf
        for _ in range(_N_SETTLES if period_s else 1):
            if data.count(self._profile.terminator) >= enough:
                break
            time.sleep(_SETTLE_S)
            more, later_s = transport.read(0.0)
            if more:
                data, at_s = data + more, later_s
        return data, at_s

    def _take(self, data: bytes, at_s: float, now_s: float, watch: _Watch) -> None:
        capture = self._capture
        if capture is not None:
            try:
                capture.write(data, now_s)
            except OSError as error:
                _log.error("%s: the capture ends: %s", self._url.text, error)
                self._end_capture(f"{error.strerror or error}.")
            else:
                if capture.n_bytes >= CAPTURE_BYTES and self._capture is capture:
                    self._end_capture(f"The limit of {CAPTURE_BYTES // 1_000_000} MB is reached.")
        blocks = self._decoder.feed(data, at_s)
        self._last_bytes_s = now_s
        n_replies = self._decoder.counts.n_replies
        if n_replies != self._n_replies:
            self._n_replies, self._identity = n_replies, (self._decoder.identity, "reply")
            watch.has_news = True
            watch.understood(now_s)
        elif not blocks:
            watch.saw(data, now_s)
        for block in blocks:
            watch.understood(now_s)
            if self._replay is not None:
                block = replace(block, arrival_s=now_s)
            self._rate.newest = block
            if block.gaps:
                self._rate.forget()
            try:
                self._on_block(block)
            except Exception:  # noqa: BLE001  a listener that fails must not stop the samples
                self._listener_failed("block")

    def _listener_failed(self, what: str) -> None:
        """Say once what a listener raised; to be called where it is handled."""
        if what not in self._failed_callbacks:
            self._failed_callbacks.add(what)
            _log.exception("%s: whoever takes the %s failed", self._url.text, what)

    def _state(self, watch: _Watch, now_s: float) -> tuple[LinkState, str]:
        place, since_s = self._url.place, now_s - watch.understood_s
        limit_s = max(_SILENT_S, 5 * self._decoder.interval_s)
        if self._replay is not None:
            return LinkState.STREAMING, ""
        if watch.n_bytes > 20 and since_s >= _NONSENSE_S:
            return LinkState.REFUSED, watch.nonsense(place, self._profile)
        if since_s >= limit_s and not watch.n_bytes:
            before = "no line yet" if not watch.has_understood else "no more lines"
            return LinkState.SILENT, (
                f"{place}: {before} (limit {limit_s:.1f} s). The port is open; switch the transducer on "
                "or let it send continuously."
            )
        if not watch.has_understood:
            return LinkState.OPENING, ""
        return LinkState.STREAMING, ""

    def _tell(self, state: LinkState, reason: str = "") -> None:
        old, counts = self._status, self._decoder.counts
        new = replace(
            old,
            state=state,
            reason=reason,
            rate_hz=self._rate.rate_hz() if state is LinkState.STREAMING else 0.0,
            n_lines=counts.n_understood,
            n_refused=counts.n_refused,
            n_gaps=counts.n_gaps,
            n_overloads=counts.n_overloads,
            identity=self._identity[0],
            identity_from=self._identity[1],
            capture=self._capture_status(),
        )
        if new == old:
            return
        self._status = new
        if (old.state, old.reason) != (state, reason):
            _log.info("%s: %s → %s %s", self._url.text, old.state, state, reason)
        try:
            self._on_status(new)
        except Exception:  # noqa: BLE001  as above
            self._listener_failed("status")


@dataclass(slots=True)
class _Seen:
    """Bytes of a while that no line came out of: how many, how many of them are no text, and how they begin."""

    n_bytes: int = 0
    n_odd: int = 0
    sample: bytes = b""

    def take(self, data: bytes) -> None:
        if self.n_bytes < 65536:
            self.n_bytes += len(data)
            self.n_odd += len(data.translate(None, PRINTABLE))
            self.sample = (self.sample + data)[:200]


class _Watch:
    """What has come since a line was last understood."""

    def __init__(self, opened_s: float) -> None:
        self.understood_s = opened_s
        self.has_understood = False
        self.has_news = True
        self.n_bytes = 0
        self._since_s = opened_s
        self._seen = self._judged = _Seen()

    def saw(self, data: bytes, now_s: float) -> None:
        if not self.n_bytes and self.has_understood and now_s - self.understood_s > _SILENT_S:
            self.understood_s = now_s  # silence ends: judge what comes from now on
        if now_s - self._since_s > _NONSENSE_S:  # what comes may have become something else
            self._since_s, self._judged, self._seen = now_s, self._seen, _Seen()
        self.n_bytes += len(data)
        self._seen.take(data)

    def understood(self, now_s: float) -> None:
        if not self.has_understood or now_s - self.understood_s > _SILENT_S:
            self.has_news = self.has_understood = True
        self.understood_s = now_s
        if self.n_bytes:
            self.n_bytes = 0
            self._seen = self._judged = _Seen()

    def nonsense(self, place: str, profile: Profile) -> str:
        seen = self._judged if self._judged.n_bytes else self._seen
        if seen.n_odd > 0.1 * seen.n_bytes:
            return (
                f"{place}: what comes is no text, as with a wrong baud rate (now {profile.serial.baud}). "
                "Set the transducer's rate, or let the profile be found by listening."
            )
        lines = seen.sample.split(profile.terminator)
        if len(lines) == 1:
            return (
                f"{place}: text comes, but no line ends as the profile {profile.name!r} says. "
                "Choose another profile, or let it be found by listening."
            )
        shown = lines[1 if len(lines) > 2 else 0][:40].decode("latin-1")
        return (
            f"{place}: lines come that the profile {profile.name!r} does not describe, such as {shown!r}. "
            "Choose another profile, or let it be found by listening."
        )


class _Rate:
    """Samples per second over the last two seconds of the link's axis, looked at whenever a status is told."""

    _SPAN_S: Final = 2.0

    def __init__(self) -> None:
        self.newest: SampleBlock | None = None
        self._ends: deque[tuple[float, int]] = deque()

    def forget(self) -> None:
        """What lies before a gap tells no rate."""
        self._ends.clear()

    def clear(self) -> None:
        self.newest = None
        self._ends.clear()

    def rate_hz(self) -> float:
        block, ends = self.newest, self._ends
        if block is not None and len(block):
            end = (float(block.t_s[-1]), block.first_index + len(block))
            if not ends or ends[-1] != end:
                ends.append(end)
        while len(ends) > 2 and ends[-1][0] - ends[0][0] > self._SPAN_S:
            ends.popleft()
        if len(ends) < 2:
            return 0.0
        (first_s, first), (last_s, last) = ends[0], ends[-1]
        return (last - first) / (last_s - first_s) if last_s > first_s else 0.0


__all__ = ["Link", "RecordingError"]
