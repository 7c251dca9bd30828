"""A recorded stretch of torque."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from benchapp.torque.direction import Direction
from drivers.samples import FloatArray, Gap, IntArray, Source

_NOTHING: Final[Mapping[str, str]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Trace:
    """Torque over time as the device or the file said it; arrays are read-only.

    Attributes:
        t_s: Shape (n,), seconds, strictly rising; need not begin at 0, may have gaps.
        torque: Shape (n,), in `unit`, finite, sign as recorded (see `polarity`).
        unit: A key of `benchapp.torque.units.FACTORS`.
        source: Where the samples came from.
        digits: Shape (n,), int64, with ``torque == digits / 10**decimals``, where the decimals are known; else None.
        decimals: Decimal places of `digits`.
        capacity: Of the reference, in `unit`; None unknown.
        polarity: What positive means.
        nominal_rate_hz: What the device claims; None unknown.
        recorded: ISO 8601 date and time with offset; None unknown.
        gaps: Gaps the link knew of.
        notes: What the reader of the file had to assume or convert, as sentences.
        extra: Further `key: value` lines of the file, kept as they were.
        columns: Further columns of the file by name, kept as text.
    """

    t_s: FloatArray
    torque: FloatArray
    unit: str
    source: Source
    digits: IntArray | None = None
    decimals: int = 0
    capacity: float | None = None
    polarity: Direction = Direction.CLOCKWISE
    nominal_rate_hz: float | None = None
    recorded: str | None = None
    gaps: tuple[Gap, ...] = ()
    notes: tuple[str, ...] = ()
    extra: Mapping[str, str] = field(default_factory=lambda: _NOTHING)
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        for array in (self.t_s, self.torque, self.digits):
            if array is not None:
                array.flags.writeable = False

    def __len__(self) -> int:
        return len(self.t_s)
