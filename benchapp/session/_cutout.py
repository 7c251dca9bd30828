"""Keeping the device's own digits for as long as a pull may need them, and cutting a pull's trace out of them."""

from __future__ import annotations

from collections import deque
from types import MappingProxyType
from typing import Final

import numpy as np

from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from benchapp.torque.units import factor_nm
from drivers.samples import IntArray, SampleBlock

MARGIN_S: Final = 0.5
"""Rest before (and as much as there is after) a pull, so that its rest level can be read again from the trace."""
KEPT_S: Final = 300.0
"""A pull longer than this loses its beginning; at 10 kHz that is 48 MB."""
_MAX_DIGITS: Final = 2**62


class Cutout:
    """Sample blocks of the last while."""

    def __init__(self) -> None:
        self._blocks: deque[SampleBlock] = deque()

    def feed(self, block: SampleBlock, open_since_s: float | None) -> None:
        """Keep a block; forget what neither the pull open since then nor its margin can need."""
        if len(block) == 0:
            return
        self._blocks.append(block)
        now_s = float(block.t_s[-1])
        needed_s = max(now_s - KEPT_S, (now_s if open_since_s is None else open_since_s) - 4 * MARGIN_S)
        while len(self._blocks) > 1 and float(self._blocks[0].t_s[-1]) < needed_s:
            self._blocks.popleft()

    def clear(self) -> None:
        """Forget everything."""
        self._blocks.clear()

    def cut(
        self,
        start_s: float,
        end_s: float,
        *,
        clockwise_positive: bool,
        capacity_nm: float | None,
        rate_hz: float,
        recorded: str,
        extra: dict[str, str],
    ) -> Trace:
        """Return the trace from `start_s` to `end_s` with its margins, digit for digit as the device sent it.

        Where the device changed its unit inside the pull, everything is converted to the unit of the first sample; then
        there are no digits, and a note says so.
        """
        low_s, high_s = start_s - MARGIN_S, end_s + MARGIN_S
        parts = []
        for block in self._blocks:
            first = int(np.searchsorted(block.t_s, low_s, side="left"))
            last = int(np.searchsorted(block.t_s, high_s, side="right"))
            if last > first:
                parts.append((block, slice(first, last)))
        if not parts:
            raise ValueError(f"no samples are held between {low_s:.3f} s and {high_s:.3f} s")
        unit = parts[0][0].unit
        t_s = np.concatenate([block.t_s[part] for block, part in parts])
        gaps = tuple(
            gap
            for block, _ in parts
            for gap in block.gaps
            if gap.start_s < high_s and gap.start_s + gap.duration_s > low_s
        )
        digits, decimals, notes = _joined(parts, unit)
        if digits is None:
            torque = np.concatenate(
                [block.torque[part] * (factor_nm(block.unit) / factor_nm(unit)) for block, part in parts]
            )
        else:
            torque = digits / 10.0**decimals
        return Trace(
            t_s=t_s,
            torque=torque,
            unit=unit,
            source=parts[0][0].source,
            digits=digits,
            decimals=decimals,
            capacity=None if capacity_nm is None else capacity_nm / factor_nm(unit),
            polarity=Direction.CLOCKWISE if clockwise_positive else Direction.ANTICLOCKWISE,
            nominal_rate_hz=rate_hz or None,
            recorded=recorded,
            gaps=gaps,
            notes=notes,
            extra=MappingProxyType(extra),
        )


def _joined(parts: list[tuple[SampleBlock, slice]], unit: str) -> tuple[IntArray | None, int, tuple[str, ...]]:
    others = {block.unit for block, _ in parts} - {unit}
    if others:
        return None, 0, (f"the device changed its unit: {', '.join(sorted(others))} was converted to {unit}",)
    decimals = max(block.decimals for block, _ in parts)
    greatest = max(int(np.abs(block.digits[part]).max()) * 10 ** (decimals - block.decimals) for block, part in parts)
    if greatest > _MAX_DIGITS:
        return None, 0, ("the device changed its decimals by more digits than a number holds: floating point is kept",)
    digits = np.concatenate([block.digits[part] * 10 ** (decimals - block.decimals) for block, part in parts])
    return digits.astype(np.int64, copy=False), decimals, ()
