"""What one line means: the slow, obvious definition. `drivers.layouts` is a faster way to the same."""

from __future__ import annotations

import math
import re
from enum import IntEnum
from typing import Final, NamedTuple

from drivers.checksums import CHECKSUMS
from drivers.profile import Profile

MOST_DIGITS: Final = 18
"""Digits of a number that surely fit into 64 bits with a sign."""


class Kind(IntEnum):
    """What a line turned out to be. Non-negative values are free for kinds of samples (see `drivers.layouts`)."""

    OVERLOAD = -1
    NO_MATCH = -2
    CHECKSUM = -3
    EMPTY = -4
    IDENTITY = -5
    SAMPLE = 0


class Number(NamedTuple):
    """A decimal number as it was written: ``digits / 10**decimals``."""

    digits: int
    decimals: int


class Line(NamedTuple):
    """One line, understood or refused.

    Attributes:
        kind: See `Kind`; the rest counts for SAMPLE and OVERLOAD only, `identity` for IDENTITY.
        torque: As the device wrote it.
        unit: Our name.
        ticks: Number of the `time_s` group; NaN when the line has none.
        sequence: Number of the `sequence` group; −1 when the line has none.
        identity: What the device calls itself.
        spans: Where the numbers stand in the stripped text: (torque, time_s, sequence), (−1, −1) where there is none.
    """

    kind: Kind
    torque: Number = Number(0, 0)
    unit: str = ""
    ticks: float = math.nan
    sequence: int = -1
    identity: str = ""
    spans: tuple[tuple[int, int], ...] = ()


NO_MATCH: Final = Line(Kind.NO_MATCH)
CHECKSUM: Final = Line(Kind.CHECKSUM)
EMPTY: Final = Line(Kind.EMPTY)
BARE_OVERLOAD: Final = Line(Kind.OVERLOAD)

_NUMBER: Final = {
    sign: re.compile(rf"([+-]?)\s*([0-9]*)(?:{re.escape(sign)}([0-9]*))?(?:[eE]([+-]?[0-9]{{1,3}}))?") for sign in ".,"
}


def read_number(text: str, decimal: str) -> Number | None:
    """Read a number with `decimal` ("." or ",") as its only separator; None when it is none or has too many digits.

    White space may stand between sign and digits. A second separator is refused, never misread.

    >>> read_number("- 12,50", ",")
    Number(digits=-1250, decimals=2)
    >>> read_number("1.234,5", ",") is None
    True
    >>> read_number("-1.5e-3", ".")
    Number(digits=-15, decimals=4)
    """
    match = _NUMBER[decimal].fullmatch(text)
    if match is None:
        return None
    sign, whole, fraction, exponent = match.groups(default="")
    if not whole and not fraction:
        return None
    digits, decimals = int(whole + fraction), len(fraction) - int(exponent or 0)
    if decimals < 0:
        if decimals < -MOST_DIGITS:
            return None
        digits, decimals = digits * 10**-decimals, 0
    if decimals > MOST_DIGITS or digits >= 10**MOST_DIGITS:
        return None
    return Number(-digits if sign == "-" else digits, decimals)


class LineDefinition:
    """The meaning of lines by one profile. Immutable; any thread."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self._checksum = CHECKSUMS.get(profile.checksum)
        self._has_unit = profile.has("unit")
        self._has_time = profile.has("time_s")
        self._has_sequence = profile.has("sequence")
        self._has_identity = profile.has("identity")
        self._has_status = profile.has("status")

    def read(self, raw: bytes) -> Line:
        """Return what `raw`, a line with or without its terminator, means. Never raises, whatever the bytes."""
        profile = self._profile
        text = raw.decode("latin-1").strip()
        if not text:
            return EMPTY
        if text in profile.overload:
            return BARE_OVERLOAD
        match = profile.pattern.fullmatch(text)
        if match is None:
            return NO_MATCH
        if self._has_identity and match["identity"] is not None:
            return Line(Kind.IDENTITY, identity=match["identity"].strip())
        if self._checksum is not None and not self._sum_agrees(text, match):
            return CHECKSUM
        ticks, sequence = math.nan, -1
        if self._has_time:
            number = read_number((match["time_s"] or "").strip(), profile.decimal)
            if number is None:
                return NO_MATCH
            ticks = number.digits / 10**number.decimals
        if self._has_sequence:
            number = read_number((match["sequence"] or "").strip(), profile.decimal)
            if number is None or number.decimals or number.digits < 0:
                return NO_MATCH
            sequence = number.digits
        torque_text = (match["torque"] or "").strip()
        status = match["status"].strip() if self._has_status and match["status"] is not None else ""
        if status in profile.overload or torque_text in profile.overload:
            return Line(Kind.OVERLOAD, ticks=ticks, sequence=sequence, spans=self._spans(match))
        if self._has_status and profile.ok and status not in profile.ok:
            return NO_MATCH
        torque = read_number(torque_text, profile.decimal)
        if torque is None:
            return NO_MATCH
        unit: str | None = profile.unit
        if self._has_unit and match["unit"] is not None:
            unit = profile.unit_of(match["unit"].strip())
        if unit is None:
            return NO_MATCH
        return Line(Kind.SAMPLE, torque, unit, ticks, sequence, "", self._spans(match))

    def _sum_agrees(self, text: str, match: re.Match[str]) -> bool:
        told, begin = match["checksum"], match.start("checksum")
        if told is None or self._checksum is None:
            return False
        try:
            return self._checksum(text[:begin].encode("latin-1")) == int(told, 16)
        except ValueError:
            return False

    def _spans(self, match: re.Match[str]) -> tuple[tuple[int, int], ...]:
        return (
            match.span("torque"),
            match.span("time_s") if self._has_time else (-1, -1),
            match.span("sequence") if self._has_sequence else (-1, -1),
        )
