"""Profiles: TOML files that describe how one family of transducers talks over a serial line.

The file is the contract; `load` refuses whatever it does not understand, because a key that is silently ignored is a
device silently misread. Built-in profiles lie in `drivers/profiles/`; a user's own folder is passed in.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from drivers.checksums import CHECKSUMS
from drivers.errors import ProfileError

UNIT_NAMES: Final = frozenset(
    ("N·m", "cN·m", "mN·m", "kN·m", "lbf·ft", "lbf·in", "ozf·in", "kgf·m", "kgf·cm", "gf·cm", "dyn·cm")
)
"""Our names of torque units. `benchapp.torque.units` holds their factors; a test keeps the two lists equal."""

GROUPS: Final = frozenset(("torque", "unit", "time_s", "sequence", "status", "checksum", "identity"))
"""Named groups a pattern may have."""

BUILT_IN: Final = Path(__file__).parent / "profiles"

_PARITIES: Final[Mapping[str, str]] = {
    "none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S",
    "N": "N", "E": "E", "O": "O", "M": "M", "S": "S",
}  # fmt: skip
_HANDSHAKES: Final = ("none", "rts/cts", "dsr/dtr", "xon/xoff")
_NONE: Final[Mapping[str, str]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """What a serial port is set to; meaningless for sockets and recordings.

    Attributes:
        baud: Bits per second, > 0.
        bytesize: 5 to 8.
        parity: "N", "E", "O", "M" or "S".
        stopbits: 1, 1.5 or 2.
        handshake: "none", "rts/cts", "dsr/dtr" or "xon/xoff".
        dtr: Level of DTR on opening.
        rts: Level of RTS on opening.
    """

    baud: int = 115200
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1
    handshake: str = "none"
    dtr: bool = True
    rts: bool = True


@dataclass(frozen=True, slots=True)
class Profile:
    """How one family of transducers talks. Immutable; any thread.

    Attributes:
        name: Shown to people, and how a profile is asked for.
        pattern: Matched with `fullmatch` against a line decoded as Latin-1, outer white space removed.
        terminator: Bytes that end a line; no end of it is also its beginning.
        capacity: Of the reference, in `unit`; None unknown.
        clockwise_positive: What positive means.
        filter_hz: The device's own low-pass; 0 unknown.
        serial: Port settings.
        decimal: "." or ",".
        unit: One of `UNIT_NAMES`, when the line names none.
        rate_hz: Nominal samples per second; 0 unknown.
        sequence_modulus: The `sequence` group counts 0 … modulus − 1 and wraps; 0 never wraps.
        time_scale: Seconds in one tick of the `time_s` group.
        time_modulus: In ticks; 0 never wraps.
        checksum: "none" or a key of `drivers.checksums.CHECKSUMS`.
        units: The device's tokens → one of `UNIT_NAMES`.
        ok: Tokens of the `status` group that mean a good sample; empty: any.
        overload: Tokens of the `status` group, or standing in place of a value, that mean overload.
        commands: Name → bytes to send.
        file: Where it was read from.
    """

    name: str
    pattern: re.Pattern[str]
    terminator: bytes = b"\r\n"
    capacity: float | None = None
    clockwise_positive: bool = True
    filter_hz: float = 0.0
    serial: SerialSettings = field(default_factory=SerialSettings)
    decimal: str = "."
    unit: str = "N·m"
    rate_hz: float = 0.0
    sequence_modulus: int = 0
    time_scale: float = 1.0
    time_modulus: float = 0.0
    checksum: str = "none"
    units: Mapping[str, str] = field(default_factory=lambda: _NONE)
    ok: frozenset[str] = frozenset()
    overload: frozenset[str] = frozenset()
    commands: Mapping[str, bytes] = field(default_factory=lambda: MappingProxyType({}))
    file: str = ""

    def has(self, group: str) -> bool:
        """True when the pattern has the named group."""
        return group in self.pattern.groupindex

    def unit_of(self, token: str) -> str | None:
        """Our name for the device's `token`; None when it names no unit we know."""
        name = self.units.get(token)
        if name is None and token in UNIT_NAMES:
            return token
        return name


class Profiles:
    """The built-in profiles and those of one user.

    A user's profile takes the place of a built-in one of the same name. A faulty file is left out and told in
    `problems`; asking for it by its path raises its error.

    Args:
        folder: The user's own folder; None or one that does not exist: built-in ones only.
    """

    def __init__(self, folder: Path | str | None = None) -> None:
        self._profiles: dict[str, Profile] = {}
        self._user: set[str] = set()
        self.problems: tuple[ProfileError, ...] = ()
        problems: list[ProfileError] = []
        for path in sorted(BUILT_IN.glob("*.toml")):
            profile = load(path)
            self._profiles[profile.name] = profile
        for path in sorted(Path(folder).glob("*.toml")) if folder is not None else ():
            try:
                profile = load(path)
                if profile.name in self._user:
                    first = self._profiles[profile.name].file
                    problems.append(ProfileError(str(path), "name", f"{profile.name!r} is also the name of {first}"))
                    continue
            except ProfileError as error:
                problems.append(error)
            else:
                self._profiles[profile.name] = profile
                self._user.add(profile.name)
        self.problems = tuple(problems)

    @property
    def names(self) -> tuple[str, ...]:
        """All names, the user's own first, each part in alphabetical order."""
        return tuple(sorted(self._profiles, key=lambda name: (name not in self._user, name)))

    def get(self, name: str) -> Profile:
        """Return the profile called `name`, by its name, the name of its file without ``.toml``, or the file's path.

        Raises:
            ProfileError: No profile has that name, or the file is faulty.
        """
        profile = self._profiles.get(name)
        if profile is not None:
            return profile
        if name.endswith(".toml"):
            return load(Path(name))
        for profile in self._profiles.values():
            if Path(profile.file).stem == name:
                return profile
        for problem in self.problems:  # its own file is there, and says more than that no profile has its name
            if Path(problem.file).stem == name:
                raise problem
        known = ", ".join(f'"{known}"' for known in self.names)
        refused = ", ".join(Path(problem.file).name for problem in self.problems)
        more = f"; refused, so not among them: {refused}" if refused else ""
        raise ProfileError(name, "", f"no profile has this name; there are {known}{more}")


def load(path: Path | str) -> Profile:
    """Read one profile.

    Raises:
        ProfileError: With file, key and reason.
    """
    return parse(read_text(Path(path)), str(path))


def read_text(path: Path) -> str:
    """Return the text of a profile's file. Raises `ProfileError`."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ProfileError(str(path), "", f"cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise ProfileError(str(path), "", f"is not UTF-8 text (byte {error.start})") from error


def parse(text: str, file: str = "profile") -> Profile:
    r"""Read a profile from its text; `file` goes into errors.

    Raises:
        ProfileError: With file, key and reason.

    >>> parse('name = "x"\n[line]\npattern = "(?P<torque>.*)"\ndecimal = ";"', "x.toml")
    Traceback (most recent call last):
    drivers.errors.ProfileError: x.toml: line.decimal: must be "." or ",", not ";"
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(file, "", f"is not TOML: {error}") from error
    top = Table(file, "", data)
    serial = top.table("serial")
    line = top.table("line")
    units = top.table("units")
    status = top.table("status")
    commands = top.table("commands")

    name = top.text("name")
    pattern = _pattern(line)
    unit_map = {token: units.choice(token, sorted(UNIT_NAMES)) for token in list(units.data)}
    ok, overload = status.texts("ok"), status.texts("overload")
    for token in sorted(ok & overload):
        raise status.error("overload", f"{token!r} is also in status.ok")
    checksum = line.choice("checksum", ("none", *CHECKSUMS), "none")
    if checksum != "none" and "checksum" not in pattern.groupindex:
        raise line.error("checksum", f"is {checksum}, but line.pattern has no group (?P<checksum>…) to compare with")
    if "checksum" not in line.data and "checksum" in pattern.groupindex:  # "none" in so many words: not compared
        raise line.error("checksum", "is missing, but line.pattern has a group (?P<checksum>…): name the kind")
    profile = Profile(
        name=name,
        pattern=pattern,
        terminator=read_terminator(line),
        capacity=top.number("capacity", above=0) if top.has("capacity") else None,
        clockwise_positive=top.choice("polarity", ("clockwise", "anticlockwise"), "clockwise") == "clockwise",
        filter_hz=top.number("filter_hz", 0.0),
        serial=read_serial(serial),
        decimal=line.choice("decimal", (".", ","), "."),
        unit=line.choice("unit", sorted(UNIT_NAMES), "N·m"),
        rate_hz=line.number("rate_hz", 0.0),
        sequence_modulus=line.whole("sequence_modulus", 0, least=0),
        time_scale=line.number("time_scale", 1.0, above=0),
        time_modulus=line.number("time_modulus", 0.0),
        checksum=checksum,
        units=MappingProxyType(unit_map),
        ok=ok,
        overload=overload,
        commands=MappingProxyType({key: commands.bytes_of(key) for key in list(commands.data)}),
        file=file,
    )
    for table in (top, serial, line, units, status, commands):
        table.refuse_the_rest()
    return profile


def read_serial(serial: Table, *, baud: int = 115200) -> SerialSettings:
    """Return a port's settings, `baud` where the file says none. Raises `ProfileError`."""
    return SerialSettings(
        baud=serial.whole("baud", baud, least=1),
        bytesize=serial.whole("bytesize", 8, least=5, most=8),
        parity=_PARITIES[serial.choice("parity", tuple(_PARITIES), "none")],
        stopbits=serial.one_of_numbers("stopbits", (1, 1.5, 2), 1),
        handshake=serial.choice("handshake", _HANDSHAKES, "none"),
        dtr=serial.flag("dtr", True),
        rts=serial.flag("rts", True),
    )


def _pattern(line: Table) -> re.Pattern[str]:
    text = line.text("pattern")
    try:
        pattern = re.compile(text)
    except re.error as error:
        raise line.error("pattern", f"is no regular expression: {error}") from error
    unknown = sorted(set(pattern.groupindex) - GROUPS)
    if unknown:
        raise line.error("pattern", f"has a group {unknown[0]!r}; known groups are {', '.join(sorted(GROUPS))}")
    if "torque" not in pattern.groupindex:
        raise line.error("pattern", "has no group (?P<torque>…)")
    return pattern


def read_terminator(line: Table) -> bytes:
    """Return what ends a line. Raises `ProfileError`."""
    terminator = line.bytes_of("terminator", b"\r\n")
    if not terminator:
        raise line.error("terminator", "is empty")
    if any(terminator.startswith(terminator[cut:]) for cut in range(1, len(terminator))):
        raise line.error("terminator", f"{terminator!r} overlaps itself; empty lines are skipped, so once is enough")
    return terminator


class Table:
    """One table of the file; every read is checked, and what nobody has read is refused at the end."""

    def __init__(self, file: str, name: str, data: Mapping[str, Any]) -> None:
        self.file = file
        self.name = name
        self.data = data
        self._read: set[str] = set()

    def error(self, key: str, reason: str) -> ProfileError:
        """Return the error of `key`."""
        return ProfileError(self.file, f"{self.name}.{key}" if self.name else key, reason)

    def has(self, key: str) -> bool:
        """True when the file gives it; told among the known keys either way."""
        self._read.add(key)
        return key in self.data

    def _get(self, key: str, default: Any) -> Any:
        self._read.add(key)
        value = self.data.get(key, default)
        if value is None:
            raise self.error(key, "is missing")
        return value

    def table(self, key: str) -> Table:
        """Return a table inside, empty if missing."""
        value = self._get(key, {})
        if not isinstance(value, dict):
            raise self.error(key, f"must be a table [{key}], not {value!r}")
        return Table(self.file, key, value)

    def text(self, key: str, default: str | None = None) -> str:
        """Return a text that is not empty."""
        value = self._get(key, default)
        if not isinstance(value, str):
            raise self.error(key, f"must be text in quotes, not {value!r}")
        if not value:
            raise self.error(key, "is empty")
        return value

    def bytes_of(self, key: str, default: bytes | None = None) -> bytes:
        """Return a text as Latin-1 bytes."""
        if key not in self.data and default is not None:
            return default
        value = self.text(key)
        try:
            return value.encode("latin-1")
        except UnicodeEncodeError as error:
            raise self.error(key, f"{value[error.start]!r} is not in Latin-1, so it cannot be one byte") from error

    def texts(self, key: str) -> frozenset[str]:
        """Return a list of texts, empty if missing."""
        value = self._get(key, [])
        if not isinstance(value, list) or not all(isinstance(token, str) and token for token in value):
            raise self.error(key, f"must be a list of texts, not {value!r}")
        return frozenset(value)

    def choice(self, key: str, choices: tuple[str, ...] | list[str], default: str | None = None) -> str:
        """Return one of `choices`."""
        value = self._get(key, default)
        if value not in choices:
            *most, last = (f'"{choice}"' for choice in choices)
            shown = f'"{value}"' if isinstance(value, str) else repr(value)
            raise self.error(key, f"must be {', '.join(most)} or {last}, not {shown}")
        return str(value)

    def number(self, key: str, default: float | None = None, *, above: float | None = None) -> float:
        """Return a finite number, 0 or more."""
        value = self._get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise self.error(key, f"must be a number, not {value!r}")
        if above is not None and value <= above:
            raise self.error(key, f"must be greater than {above:g}, not {value:g}")
        if value < 0:
            raise self.error(key, f"must not be negative, but is {value:g}")
        return float(value)

    def whole(self, key: str, default: int, *, least: int, most: int | None = None) -> int:
        """Return a whole number within limits."""
        value = self._get(key, default)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.error(key, f"must be a whole number, not {value!r}")
        if value < least or (most is not None and value > most):
            limits = f"{least} to {most}" if most is not None else f"at least {least}"
            raise self.error(key, f"must be {limits}, not {value}")
        return value

    def one_of_numbers(self, key: str, choices: tuple[float, ...], default: float) -> float:
        """Return one of `choices`."""
        value = self._get(key, default)
        if isinstance(value, bool) or value not in choices:
            raise self.error(key, f"must be one of {', '.join(f'{choice:g}' for choice in choices)}, not {value!r}")
        return float(value)

    def flag(self, key: str, default: bool) -> bool:
        """Return true or false."""
        value = self._get(key, default)
        if not isinstance(value, bool):
            raise self.error(key, f"must be true or false, not {value!r}")
        return value

    def refuse_the_rest(self) -> None:
        """Refuse the first key that nobody has read."""
        for key in self.data:
            if key not in self._read:
                known = ", ".join(sorted(self._read))
                raise self.error(key, f"is no key that a profile has here; known: {known or 'none'}")
