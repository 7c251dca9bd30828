"""The one sample type of the program.

A link hands over `SampleBlock`s; whoever reads torque anywhere in Kilter reads it from one of these. The module is
pure (numpy only), so the layers above may import it without knowing that a serial port exists.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class Source(StrEnum):
    """Where samples came from. It follows them into every record."""

    LIVE = "live"
    SIMULATED = "simulated"
    REPLAYED = "replayed"
    IMPORTED = "imported"


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch in which samples are missing.

    Attributes:
        start_s: Time of the last sample before the gap, on the block's axis, seconds.
        duration_s: From that sample to the first one after, seconds.
        missing: Samples that should have been there; 0 when it cannot be known.
    """

    start_s: float
    duration_s: float
    missing: int


NO_TIMES: Final[FloatArray] = np.empty(0, dtype=np.float64)
NO_TIMES.flags.writeable = False


@dataclass(slots=True, eq=False)
class SampleBlock:
    """Consecutive samples of one link, uniform in unit and decimal places.

    A decoder starts a new block where the device changes its unit or the number of decimals, so that `digits` and
    `decimals` keep every sample exactly as the device wrote it.

    Nothing of it is changed once it is made: arrays are read-only, fields final to the type checker. It is not frozen
    while the program runs, because a thousand times a second that would cost as much as reading the line.

    Attributes:
        first_index: Running number of the first sample since the link was first opened.
        t_s: Shape (n,), seconds, strictly rising, on the link's own axis (0 at its first sample; goes on over a
            reconnect). n = 0 is allowed when only gaps or overloads are told.
        digits: Shape (n,), int64; the torque is `digits / 10**decimals` in `unit`.
        decimals: Decimal places that the device sent, >= 0.
        unit: Our name of the device's unit (`benchapp.torque.units`), e.g. ``"N·m"``.
        source: Where the samples came from.
        gaps: Gaps that end at a sample of this block, oldest first.
        overload_t_s: Shape (m,), seconds; moments at which the device said "overload" instead of a number.
        arrival_s: ``time.monotonic()`` at which the last byte of the block was read.

    >>> block = SampleBlock(0, np.array([0.0, 0.001]), np.array([1250, -3]), 2, "N·m", Source.LIVE)
    >>> block.torque
    array([12.5 , -0.03])
    """

    first_index: Final[int]
    t_s: Final[FloatArray]
    digits: Final[IntArray]
    decimals: Final[int]
    unit: Final[str]
    source: Final[Source]
    gaps: Final[tuple[Gap, ...]] = ()
    overload_t_s: Final[FloatArray] = field(default_factory=lambda: NO_TIMES)
    arrival_s: Final[float] = 0.0

    def __post_init__(self) -> None:
        self.t_s.setflags(write=False)  # through `flags` it takes three times as long
        self.digits.setflags(write=False)
        if self.overload_t_s is not NO_TIMES:
            self.overload_t_s.setflags(write=False)

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def torque(self) -> FloatArray:
        """Shape (n,), float64, in `unit`; correctly rounded as long as the device sends at most 15 digits."""
        torque: FloatArray = self.digits / 10.0**self.decimals
        return torque


def joined(blocks: Sequence[SampleBlock]) -> list[SampleBlock]:
    """Join neighbours that are written alike and follow each other; their arrays are copied."""
    if len(blocks) < 2:
        return list(blocks)
    result: list[SampleBlock] = []
    alike: list[SampleBlock] = []
    for block in blocks:
        if alike and not _continues(alike[-1], block):
            result.append(_one(alike))
            alike = []
        alike.append(block)
    result.append(_one(alike))
    return result


def _continues(before: SampleBlock, block: SampleBlock) -> bool:
    return block.first_index == before.first_index + len(before) and (block.decimals, block.unit, block.source) == (
        before.decimals,
        before.unit,
        before.source,
    )


def _one(blocks: list[SampleBlock]) -> SampleBlock:
    first, last = blocks[0], blocks[-1]
    if first is last:
        return first
    has_overloads = any(len(block.overload_t_s) for block in blocks)
    return SampleBlock(
        first.first_index,
        np.concatenate([block.t_s for block in blocks]),
        np.concatenate([block.digits for block in blocks]),
        first.decimals,
        first.unit,
        first.source,
        tuple(gap for block in blocks for gap in block.gaps),
        np.concatenate([block.overload_t_s for block in blocks]) if has_overloads else NO_TIMES,
        last.arrival_s,
    )
