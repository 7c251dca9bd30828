"""A recorded stretch of torque."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

import numpy as np

from benchapp.torque.direction import Direction
from benchapp.torque.units import factor_nm
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


def joined(traces: Sequence[Trace]) -> Trace:
    """Return one trace of several, each set down right after the one before; digits kept where they can be.

    What was recorded hours apart stands close together: for looking at and for replay, never as a record.

    Args:
        traces: One or more; unit, polarity, source and capacity are those of the first, others are converted to them.

    Raises:
        ValueError: None at all, or one without samples.

    >>> import numpy as np
    >>> one = Trace(np.array([5.0, 5.1]), np.array([1.0, 2.0]), "N·m", Source.LIVE)
    >>> both = joined([one, one])
    >>> [float(round(t, 6)) for t in both.t_s], both.torque.tolist()
    ([0.0, 0.1, 0.2, 0.3], [1.0, 2.0, 1.0, 2.0])
    """
    if not traces or any(len(trace) == 0 for trace in traces):
        raise ValueError("there are no samples to join")
    first = traces[0]
    times, torques, at_s = [], [], 0.0
    for trace in traces:
        every_s = float(np.median(np.diff(trace.t_s))) if len(trace) > 1 else 0.01
        times.append(trace.t_s - trace.t_s[0] + at_s)
        at_s = float(times[-1][-1]) + every_s
        sign = trace.polarity.sign * first.polarity.sign
        torques.append(trace.torque * (sign * factor_nm(trace.unit) / factor_nm(first.unit)))
    digits, decimals = None, 0
    alike = all(t.digits is not None and t.unit == first.unit and t.polarity is first.polarity for t in traces)
    if alike:
        decimals = max(trace.decimals for trace in traces)
        parts = [t.digits * 10 ** (decimals - t.decimals) for t in traces if t.digits is not None]
        digits = np.concatenate(parts)
    return Trace(
        t_s=np.concatenate(times),
        torque=np.concatenate(torques),
        unit=first.unit,
        source=first.source,
        digits=digits,
        decimals=decimals,
        capacity=first.capacity,
        polarity=first.polarity,
        nominal_rate_hz=first.nominal_rate_hz,
        recorded=first.recorded,
    )
