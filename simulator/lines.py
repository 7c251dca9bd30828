"""Lines as transducers send them, and the commands they answer. Written from the format of profiles, not from a reader.

Four shapes:

| shape | a line |
| --- | --- |
| `signed-value-unit` | `+0123.45 Nm` |
| `bare-value` | `123.45` |
| `time-sequence-value` | `12.345000,12345,-012.34,Nm`: seconds of its own clock, a counter modulo 65536 |
| `status-value-unit-checksum` | `OK,+012.345,Nm,3F`: exclusive or of all bytes before the last two characters |

Lines end with CR LF and are Latin-1.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final

import numpy as np

from simulator.signals import FloatArray

# N·m in one of each. lbf = 0.45359237 kg × 9.80665 m/s², ft = 0.3048 m, in = 0.0254 m: all exact by definition
# (NIST SP 811 appendix B lists the products rounded to seven digits).
_LBF: Final = 0.45359237 * 9.80665
NEWTON_METRES: Final = {
    "N·m": 1.0,
    "cN·m": 0.01,
    "lbf·ft": _LBF * 0.3048,
    "lbf·in": _LBF * 0.0254,
    "ozf·in": _LBF / 16.0 * 0.0254,
    "kgf·m": 9.80665,
    "kgf·cm": 0.0980665,
}
_PLAIN: Final = {
    "N·m": b"Nm",
    "cN·m": b"cNm",
    "lbf·ft": b"lbft",
    "lbf·in": b"lbin",
    "ozf·in": b"ozin",
    "kgf·m": b"kgm",
    "kgf·cm": b"kgcm",
}
_CAPITAL: Final = {**_PLAIN, "lbf·ft": b"FTLB", "lbf·in": b"INLB", "ozf·in": b"INOZ"}

Encoder = Callable[[Sequence[float], Sequence[int], "Format"], list[bytes]]


@dataclass(slots=True)
class Format:
    """What stays the same from line to line.

    Attributes:
        unit: Of the numbers, one of `NEWTON_METRES`.
        decimals: Places sent.
        rate_hz: For the clock in the line.
        overload_nm: From this magnitude the line says overload.
    """

    unit: str = "N·m"
    decimals: int = 2
    rate_hz: float = 1000.0
    overload_nm: float = float("inf")


def _signed_value_unit(values: Sequence[float], numbers: Sequence[int], form: Format) -> list[bytes]:
    pattern = b"%%+0%d.%df %s\r\n" % (form.decimals + 6, form.decimals, _PLAIN[form.unit])
    return [pattern % v for v in values]


def _bare_value(values: Sequence[float], numbers: Sequence[int], form: Format) -> list[bytes]:
    pattern = b"%%.%df\r\n" % form.decimals
    return [pattern % v for v in values]


def _time_sequence_value(values: Sequence[float], numbers: Sequence[int], form: Format) -> list[bytes]:
    pattern = b"%%.6f,%%05d,%%+0%d.%df,%s\r\n" % (form.decimals + 5, form.decimals, _PLAIN[form.unit])
    rate = form.rate_hz
    return [pattern % (k / rate, k & 0xFFFF, v) for k, v in zip(numbers, values, strict=True)]


def _status_value_unit_checksum(values: Sequence[float], numbers: Sequence[int], form: Format) -> list[bytes]:
    pattern = b"OK,%%+0%d.%df,%s," % (form.decimals + 5, form.decimals, _CAPITAL[form.unit])
    return [body + b"%02X\r\n" % xor8(body) for body in [pattern % v for v in values]]


def xor8(data: bytes) -> int:
    """Exclusive or of all bytes, by halving: six whole-number operations in place of one a byte.

    >>> xor8(b"OK,+012.345,Nm,") == reduce(xor, b"OK,+012.345,Nm,")
    True
    """
    if len(data) > 32:
        return reduce(xor, data, 0)
    folded = int.from_bytes(data, "little")
    folded ^= folded >> 128
    folded ^= folded >> 64
    folded ^= folded >> 32
    folded ^= folded >> 16
    folded ^= folded >> 8
    return folded & 0xFF


SHAPES: Final[dict[str, Encoder]] = {
    "signed-value-unit": _signed_value_unit,
    "bare-value": _bare_value,
    "time-sequence-value": _time_sequence_value,
    "status-value-unit-checksum": _status_value_unit_checksum,
}
IDENTIFY: Final = b"ID?"
ZERO: Final = b"Z"
_IDENTITY: Final = {
    "signed-value-unit": b"ID %s\r\n",
    "time-sequence-value": b"ID,%s\r\n",
    "status-value-unit-checksum": b"ID,%s\r\n",
}
_ZEROES: Final = ("signed-value-unit", "status-value-unit-checksum")


def _overload(shape: str, number: int, form: Format) -> bytes:
    """What the shape sends in place of a value above its range: the shape with a clock keeps its fields."""
    if shape == "time-sequence-value":
        return b"%.6f,%05d,OL,%s\r\n" % (number / form.rate_hz, number & 0xFFFF, _PLAIN[form.unit])
    return b"OL\r\n"


def encode(shape: str, torque_nm: FloatArray, first_number: int, form: Format) -> list[bytes]:
    r"""Return one line, terminator included, for each torque.

    Args:
        shape: One of `SHAPES`.
        torque_nm: Shape (n,), N·m.
        first_number: Running number of the first since the start; clock and counter follow from it.
        form: Unit, decimals, rate, overload.

    >>> encode("status-value-unit-checksum", np.array([12.345]), 0, Format(decimals=3))
    [b'OK,+012.345,Nm,0F\r\n']
    >>> encode("time-sequence-value", np.array([-12.34]), 65537, Format())
    [b'65.537000,00001,-012.34,Nm\r\n']
    """
    values = np.round(torque_nm / NEWTON_METRES[form.unit], form.decimals) + 0.0  # no minus before a zero
    lines = SHAPES[shape](values.tolist(), range(first_number, first_number + len(values)), form)
    if np.isfinite(form.overload_nm):
        for k in np.flatnonzero(np.abs(torque_nm) >= form.overload_nm).tolist():
            lines[k] = _overload(shape, first_number + k, form)
    return lines


class Commands:
    """Cuts commands out of what comes in and answers them.

    Args:
        shape: One of `SHAPES`; the bare one answers nothing.
        identity: Sent when asked who it is.
        zero: Called on a zero command.
    """

    _LONGEST: Final = 256

    def __init__(self, shape: str, identity: str, zero: Callable[[], None]) -> None:
        self._shape, self._identity, self._zero = shape, identity.encode("latin-1", "replace"), zero
        self._held = b""

    def feed(self, data: bytes) -> Iterable[bytes]:
        """Return the answers to the commands that end in `data`; unknown ones are passed over."""
        self._held += data.replace(b"\r", b"\n")
        *whole, self._held = self._held.split(b"\n")
        self._held = self._held[-self._LONGEST :]
        answers = []
        for command in whole:
            if command == IDENTIFY and self._shape in _IDENTITY:
                answers.append(_IDENTITY[self._shape] % self._identity)
            elif command == ZERO and self._shape in _ZEROES:
                self._zero()
        return answers
