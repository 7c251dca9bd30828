"""Read the pulls of a whole trace: the same definition as of a stream, and the same result."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchapp.pulls._extremes import Extremes
from benchapp.pulls._levels import middle
from benchapp.pulls.events import PullClosed
from benchapp.pulls.pull import Mode, Pull
from benchapp.pulls.settings import DETECTOR, Settings
from benchapp.pulls.stream import PullReader
from drivers.samples import FloatArray

_N_INTERVALS = 5001  # that tell the rate of a whole trace: sorting them all would take longer than reading the pulls


@dataclass(frozen=True, slots=True)
class Report:
    """What was read out of a whole trace.

    Attributes:
        rate_hz: Median of what the times say; 0 with fewer than two samples.
        noise: Standard deviation at rest; 0 when there was no rest.
        pulls: Oldest first.
        detector: Name and version of the reader.
        settings: What was used.
    """

    rate_hz: float
    noise: float
    pulls: tuple[Pull, ...]
    detector: str
    settings: Settings


def read_pulls(
    t_s: FloatArray,
    torque: FloatArray,
    *,
    mode: Mode,
    settings: Settings | None = None,
    capacity: float | None = None,
    target: float | None = None,
    tool_max: float | None = None,
) -> Report:
    """Read the pulls of a whole trace.

    Args:
        t_s: Shape (n,), seconds, strictly rising.
        torque: Shape (n,), one unit, finite, clockwise positive.
        mode: Which torque counts as the reading.
        settings: Limits; the defaults without.
        capacity: Of the reference, same unit, > 0.
        target: Only adds flags that need one.
        tool_max: The tool's maximum.

    Raises:
        ValueError: Shapes differ, or a limit is not greater than 0.
    """
    t, v = np.asarray(t_s, dtype=np.float64), np.asarray(torque, dtype=np.float64)
    if len(t) != len(v):
        raise ValueError(f"{len(t)} times for {len(v)} samples")
    extremes = Extremes.of(v)
    greatest = max(float(extremes.top.max()), -float(extremes.least.min())) if capacity is None and len(v) else None
    reader = PullReader(
        mode=mode,
        capacity=capacity,
        target=target,
        tool_max=tool_max,
        greatest=greatest or None,
        settings=settings,
        announce=False,
    )
    pulls = tuple(event.pull for event in reader.read_whole(t, v, extremes) if isinstance(event, PullClosed))
    return Report(_rate_of(t), reader.noise, pulls, DETECTOR, reader.settings)


def _rate_of(t_s: FloatArray) -> float:
    """Median rate; of a long trace the median over some thousand intervals spread evenly over it."""
    n = len(t_s) - 1
    if n < 1:
        return 0.0
    if n <= _N_INTERVALS:
        return 1.0 / middle(t_s[1:] - t_s[:-1])
    at = (np.arange(_N_INTERVALS) * ((n - 1) / (_N_INTERVALS - 1))).astype(np.int64)
    at[-1] = n - 1
    steps = t_s.take(at + 1) - t_s.take(at)
    steps.partition(_N_INTERVALS // 2)  # an odd number of them: the median is one
    return 1.0 / float(steps[_N_INTERVALS // 2])
