"""A thermometer on a serial line, beside the transducer: its newest value, with its age.

Its profiles are a small kind of their own: TOML files in `drivers/thermometers/` and in a folder of the user's. A value
is never older than it says, and nothing that was not understood becomes one: the first line after opening may have been
cut ("1.5" of "21.5") and is dropped, a line that does not match is counted and skipped, and so is a value that the air
of a workshop cannot have.
"""

from __future__ import annotations

import logging
import re
import threading
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from drivers.errors import ProfileError, UrlError
from drivers.framing import LineFramer
from drivers.profile import SerialSettings, Table, read_serial, read_terminator, read_text
from drivers.status import LinkState
from drivers.transport import OpenError, Transport, open_transport, parse_url

_log = logging.getLogger(__name__)

BUILT_IN: Final = Path(__file__).parent / "thermometers"
GROUPS: Final = frozenset(("temperature", "humidity", "unit"))
"""Named groups a pattern may have."""
UNITS: Final = ("°C", "°F")
STALE_S: Final = 30.0
"""A value older than this is not the air of now. Common practice, no standard: thermometers send every 1 s to 10 s, and
the air of a room changes by less than 0.1 °C in half a minute."""
PLAUSIBLE_C: Final = (-40.0, 60.0)
"""Lowest and highest air temperature that is believed; beyond, a sensor says that it is broken. The same span as a
procedure may name for its limits."""

_BACK_OFF_S: Final = (0.2, 0.5, 1.0, 2.0)
_WAIT_S: Final = 0.5


def celsius_of(value: float, unit: str) -> float:
    """Return a temperature in °C.

    Source: NIST SP 811 (2008), B.8: t/°C = (t/°F − 32)/1.8.

    Args:
        value: In `unit`.
        unit: One of `UNITS`.

    >>> celsius_of(212.0, "°F")
    100.0
    """
    return (value - 32) / 1.8 if unit == "°F" else value


@dataclass(frozen=True, slots=True)
class ThermometerProfile:
    """How one family of thermometers talks. Immutable; any thread.

    Attributes:
        name: Shown to people, and how it is asked for.
        pattern: Matched with `fullmatch` against a line decoded as Latin-1, outer white space removed.
        terminator: Bytes that end a line.
        serial: Port settings.
        decimal: "." or ",".
        unit: One of `UNITS`, where the line names none.
        file: Where it was read from.
    """

    name: str
    pattern: re.Pattern[str]
    terminator: bytes = b"\r\n"
    serial: SerialSettings = field(default_factory=SerialSettings)
    decimal: str = "."
    unit: str = "°C"
    file: str = ""


class ThermometerProfiles:
    """The built-in thermometers and those of one user; a user's takes the place of a built-in one of the same name.

    Args:
        folder: The user's own folder; None or one that does not exist: built-in ones only.

    Attributes:
        problems: Faulty files of the user's, which are left out.
    """

    def __init__(self, folder: Path | str | None = None) -> None:
        self._profiles = {profile.name: profile for profile in map(load, sorted(BUILT_IN.glob("*.toml")))}
        problems: list[ProfileError] = []
        own: set[str] = set()
        for path in sorted(Path(folder).glob("*.toml")) if folder is not None else ():
            try:
                profile = load(path)
            except ProfileError as error:
                problems.append(error)
                continue
            if profile.name in own:
                first = self._profiles[profile.name].file
                problems.append(ProfileError(str(path), "name", f"{profile.name!r} is also the name of {first}"))
                continue
            own.add(profile.name)
            self._profiles[profile.name] = profile
        self.problems = tuple(problems)

    @property
    def names(self) -> tuple[str, ...]:
        """All names in alphabetical order."""
        return tuple(sorted(self._profiles))

    def get(self, name: str) -> ThermometerProfile:
        """Return the profile called `name`. Raises `ProfileError`."""
        profile = self._profiles.get(name)
        if profile is None:
            known = ", ".join(f'"{known}"' for known in self.names)
            raise ProfileError(name, "", f"no thermometer has this name; there are {known}")
        return profile


def load(path: Path | str) -> ThermometerProfile:
    """Read one profile. Raises `ProfileError` with file, key and reason."""
    return parse(read_text(Path(path)), str(path))


def parse(text: str, file: str = "thermometer") -> ThermometerProfile:
    r"""Read a profile from its text; `file` goes into errors.

    Raises:
        ProfileError: With file, key and reason.

    >>> parse('name = "x"\n[line]\npattern = "(?P<humidity>.*)"', "x.toml")
    Traceback (most recent call last):
    drivers.errors.ProfileError: x.toml: line.pattern: has no group (?P<temperature>…)
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(file, "", f"is not TOML: {error}") from error
    top = Table(file, "", data)
    serial, line = top.table("serial"), top.table("line")
    profile = ThermometerProfile(
        name=top.text("name"),
        pattern=_pattern(line),
        terminator=read_terminator(line),
        serial=read_serial(serial, baud=9600),
        decimal=line.choice("decimal", (".", ","), "."),
        unit=line.choice("unit", UNITS, "°C"),
        file=file,
    )
    for table in (top, serial, line):
        table.refuse_the_rest()
    return profile


def _pattern(line: Table) -> re.Pattern[str]:
    try:
        pattern = re.compile(line.text("pattern"))
    except re.error as error:
        raise line.error("pattern", f"is no regular expression: {error}") from error
    unknown = sorted(set(pattern.groupindex) - GROUPS)
    if unknown:
        raise line.error("pattern", f"has a group {unknown[0]!r}; known groups are {', '.join(sorted(GROUPS))}")
    if "temperature" not in pattern.groupindex:
        raise line.error("pattern", "has no group (?P<temperature>…)")
    return pattern


@dataclass(frozen=True, slots=True)
class Air:
    """What one line said.

    Attributes:
        celsius: Temperature, °C.
        humidity_percent: Relative humidity, %; None where the device sends none.
    """

    celsius: float
    humidity_percent: float | None = None


def read_line(profile: ThermometerProfile, line: bytes) -> Air | None:
    """Return what a line says; None for one that is not understood or says what air cannot have.

    Args:
        profile: How the device talks.
        line: Without its terminator; white space around it does not matter.
    """
    match = profile.pattern.fullmatch(line.decode("latin-1").strip())
    if match is None:
        return None
    told = match.groupdict()
    value = _number(told["temperature"], profile.decimal)
    unit = _unit(told.get("unit"), profile.unit)
    if value is None or unit is None:
        return None
    celsius = celsius_of(value, unit)
    if not PLAUSIBLE_C[0] <= celsius <= PLAUSIBLE_C[1]:
        return None
    text = told.get("humidity")
    humidity = None if text is None else _number(text, profile.decimal)
    if text is not None and (humidity is None or not 0 <= humidity <= 100):
        return None
    return Air(celsius, humidity)


def _number(text: str | None, decimal: str) -> float | None:
    text = (text or "").strip()
    return (
        float(text.replace(decimal, "."))
        if re.fullmatch(rf"[+-]?[0-9]+(?:{re.escape(decimal)}[0-9]+)?", text)
        else None
    )


def _unit(token: str | None, default: str) -> str | None:
    """The unit that the line names: "C", "°C", "deg C" and so on; the degree sign may be Latin-1 or UTF-8."""
    if token is None or not token.strip():
        return default
    letter = re.fullmatch(r"(?:Â?°|deg)?\s*([CF])", token.strip(), re.IGNORECASE)
    return None if letter is None else f"°{letter[1].upper()}"


@dataclass(frozen=True, slots=True)
class ThermometerStatus:
    """One moment of a thermometer.

    Attributes:
        state: See `LinkState`; STREAMING while the newest value is fresh, SILENT once it is stale.
        reason: One sentence, what happened and what to do; empty while streaming.
        air: Newest value, however old; None before the first.
        age_s: Of it; infinite before the first.
        n_lines: Lines understood.
        n_refused: Lines skipped.
        n_reconnects: How often it came back.
    """

    state: LinkState
    reason: str = ""
    air: Air | None = None
    age_s: float = float("inf")
    n_lines: int = 0
    n_refused: int = 0
    n_reconnects: int = 0


class Thermometer:
    """An open thermometer with a thread of its own. It comes back by itself; methods are for any thread.

    Args:
        url: Port name or ``socket://HOST:PORT``.
        profile: How the device talks.
        stale_s: From this age on a value is not used.
        clock: Seconds of a clock that never goes back.

    Raises:
        UrlError: The URL cannot be understood, or is a recording.
    """

    def __init__(
        self,
        url: str,
        profile: ThermometerProfile,
        *,
        stale_s: float = STALE_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._url = parse_url(url)
        if self._url.kind == "replay":
            raise UrlError(f"{url}: a thermometer is read from a port or socket://HOST:PORT, not from a recording")
        self._profile, self._stale_s, self._clock = profile, stale_s, clock
        self._status = ThermometerStatus(LinkState.CLOSED)  # replaced as a whole, by the thread only
        self._newest: tuple[Air, float] | None = None  # and when it came
        self._opened_s = clock()
        self._stopping = threading.Event()
        self._transport: Transport | None = None
        self._thread = threading.Thread(target=self._run, name=f"thermometer {self._url.text}", daemon=True)

    def start(self) -> None:
        """Start the thread; may be called once."""
        self._thread.start()

    def stop(self, timeout_s: float = 3.0) -> None:
        """Stop and join; may be called again."""
        self._stopping.set()
        transport = self._transport
        if transport is not None:
            transport.wake()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def air(self) -> Air | None:
        """Newest value if it is fresh; None: there is none that may be used."""
        newest = self._newest
        return newest[0] if newest is not None and self._clock() - newest[1] < self._stale_s else None

    def status(self) -> ThermometerStatus:
        """How it is doing now."""
        status, newest, now_s = self._status, self._newest, self._clock()
        age_s = float("inf") if newest is None else now_s - newest[1]
        status = replace(status, air=None if newest is None else newest[0], age_s=age_s)
        since_s = min(age_s, now_s - self._opened_s)
        if status.state in (LinkState.STREAMING, LinkState.OPENING) and since_s >= self._stale_s:
            what = "nothing that the profile describes came" if status.n_refused else "no line came"
            reason = (
                f"{self._url.place}: {what} for {since_s:.0f} s. Switch the thermometer on, or choose another profile."
            )
            return replace(status, state=LinkState.SILENT, reason=reason)
        return status

    # --- the thread

    def _run(self) -> None:
        attempt = 0
        self._status = replace(self._status, state=LinkState.OPENING)
        try:
            while not self._stopping.is_set():
                try:
                    transport = open_transport(self._url, self._profile)
                except OpenError as error:
                    state = LinkState.LOST if self._status.n_lines else LinkState.REFUSED
                    self._tell(state, str(error.args[0]))
                else:
                    n_lines = self._status.n_lines
                    self._converse(transport)
                    if self._status.n_lines > n_lines:
                        attempt = 0
                self._stopping.wait(_BACK_OFF_S[min(attempt, len(_BACK_OFF_S) - 1)])
                attempt += 1
        except Exception:  # noqa: BLE001  a thread that dies in silence is worse
            _log.exception("%s: the thermometer ended by a fault of the program", self._url.text)
            self._tell(LinkState.REFUSED, "The thermometer ended by a fault of the program; choose it again.")
            return
        self._tell(LinkState.CLOSED)

    def _converse(self, transport: Transport) -> None:
        """Read until the other end is gone."""
        self._transport = transport
        again = self._status.n_lines > 0
        self._status = replace(
            self._status, state=LinkState.OPENING, reason="", n_reconnects=self._status.n_reconnects + again
        )
        self._opened_s = self._clock()
        framer, is_first = LineFramer(self._profile.terminator), True
        try:
            while not self._stopping.is_set():
                data, _ = transport.read(_WAIT_S)
                for stretch in framer.feed(data) if data else ():
                    for line in stretch.split(self._profile.terminator)[:-1]:
                        if not is_first and line.strip():
                            self._take(line)
                        is_first = False
        except OSError as error:
            reason = error.strerror or str(error)
            self._tell(
                LinkState.LOST,
                f"{self._url.place}: the thermometer was lost ({reason}). Plug it in; it comes back by itself.",
            )
        finally:
            self._transport = None
            transport.close()

    def _take(self, line: bytes) -> None:
        air = read_line(self._profile, line)
        if air is None:
            self._status = replace(self._status, n_refused=self._status.n_refused + 1)
            return
        self._newest = (air, self._clock())
        self._status = replace(self._status, state=LinkState.STREAMING, reason="", n_lines=self._status.n_lines + 1)

    def _tell(self, state: LinkState, reason: str = "") -> None:
        if (self._status.state, self._status.reason) != (state, reason):
            _log.info("%s: thermometer %s %s", self._url.text, state, reason)
        self._status = replace(self._status, state=state, reason=reason)
