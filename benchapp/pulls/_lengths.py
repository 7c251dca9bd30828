"""The lengths that a fall of torque is told by, counted in means over 1 ms (single samples below 1.5 kHz)."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, NamedTuple

from benchapp.pulls.settings import Settings

SLOW_HZ: Final = 300.0
"""Below this rate the stream's own filter spreads a fall over three samples."""

_SUDDEN_S: Final = 0.008
"""What falls from a corner within this time may be told from it alone, see `_arm.is_sudden`."""

_BEFORE_S: Final = 0.6
"""How much of the arm before a fall is looked at."""

_AHEAD_S: Final = 0.039
"""What follows a fall is known so much later at the most while the pull goes on: it is told within 60 ms."""


class Lengths(NamedTuple):
    """All in means but the first two.

    Attributes:
        per_block: Samples in a mean.
        every_s: From one mean to the next, s.
        corner_n: From a corner to where it is seen how sharply the torque bends there.
        fall_n: The fast part of a letting-go.
        arm_n: See `Settings.arm_s`; twice `fall_n` at least.
        ahead_n: How far ahead of a corner has to be known.
        slow_n: A letting-go without a corner, `Settings.arm_s`.
        ended_n: When it is seen that it went no further.
        sudden_n: What is told as sudden.
        before_n: How much of the arm before a fall is looked at.
    """

    per_block: int
    every_s: float
    corner_n: int
    fall_n: int
    arm_n: int
    ahead_n: int
    slow_n: int
    ended_n: int
    sudden_n: int
    before_n: int

    def before(self, top: int, n: int) -> tuple[int, int]:
        """Means from 0.6 s before a fall to those from which `n` do not reach into it."""
        return max(top - self.before_n, 0), max(top - n - 1, 0)

    def noise(self, noise: float) -> float:
        """Standard deviation of means of samples with this one."""
        return noise / math.sqrt(self.per_block)

    @property
    def is_sudden_seen(self) -> bool:
        """Sampled often enough to see what falls suddenly."""
        return self.sudden_n * self.every_s <= 1.5 * _SUDDEN_S


def lengths_at(rate_hz: float, settings: Settings, *, finished: bool) -> Lengths:
    """Lengths at a rate; `finished`: all that follows a fall is known, else only what comes within 39 ms."""
    return _lengths(rate_hz, settings.fall_s, settings.arm_s, finished)


@lru_cache(maxsize=8)  # a stream asks every 10 ms
def _lengths(rate_hz: float, fall_s: float, arm_s: float, finished: bool) -> Lengths:
    per_block = max(1, round(rate_hz / 1000.0)) if rate_hz >= 1500.0 else 1
    every_s = per_block / rate_hz
    fall_n = max(3 if rate_hz < SLOW_HZ else 1, round(fall_s / every_s))
    arm_n = max(2 * fall_n, round(arm_s / every_s))
    slow_n = max(3, round(arm_s / every_s))
    ahead_n = int(_AHEAD_S / every_s)
    return Lengths(
        per_block=per_block,
        every_s=every_s,
        corner_n=max(1, round(0.005 / every_s)),
        fall_n=fall_n,
        arm_n=arm_n,
        ahead_n=arm_n if finished else max(fall_n, min(arm_n, ahead_n)),
        slow_n=slow_n,
        ended_n=2 * slow_n if finished else max(slow_n, ahead_n),
        sudden_n=max(2, round(_SUDDEN_S / every_s)),
        before_n=round(_BEFORE_S / every_s),
    )
