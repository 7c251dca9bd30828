"""Taking zero: only when it is still, and only where zero can be."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np

from benchapp.torque.units import NM
from drivers.samples import FloatArray

MEASURE_S: Final = 0.5
"""Several periods of hand tremor (8 to 12 Hz) and of mains hum fit into it (derived)."""
GIVE_UP_S: Final = 5.0
MIN_SAMPLES: Final = 5
STILL_SHARE: Final = 0.001
"""Noise and drift up to this share of capacity count as still (practice)."""
REACH_SHARE: Final = 0.01
"""Zero is taken within this share of capacity."""


@dataclass(frozen=True, slots=True)
class ZeroRefused:
    """Why zero was not taken: `key` "not-still", "too-far" or "no-data"; torques in N·m."""

    key: str
    value_nm: float = 0.0
    limit_nm: float = 0.0

    def sentence(self) -> str:
        """Return it as one sentence with numbers."""
        value, limit = f"{abs(self.value_nm):.3g} {NM}", f"{self.limit_nm:.3g} {NM}"
        if self.key == "not-still":
            return (
                f"Not still: torque moves by {value}, up to {limit} is still. Take the tool off, hands off, try again."
            )
        if self.key == "too-far":
            return (
                f"Rest is {value} from the transducer's own zero; up to {limit} (1 % of capacity) can be zero. "
                "Take the tool off; if nothing hangs on it, the transducer needs a look."
            )
        return "No samples came in while zero was measured. Look at the cable, then try again."


@dataclass(frozen=True, slots=True)
class Level:
    """A rest level that was measured: mean, standard deviation and drift over the time, N·m."""

    mean_nm: float
    noise_nm: float
    drift_nm: float
    t_s: float


class Zeroing:
    """Collects samples until the last half second was still. Pure: time is the samples' own.

    Args:
        capacity_nm: Of the reference, N·m; None unknown: stillness is then judged against the noise alone.
        anywhere: The level may lie anywhere (a look at zero after the last pull).
    """

    def __init__(self, capacity_nm: float | None, *, anywhere: bool = False) -> None:
        self._capacity_nm = capacity_nm
        self._anywhere = anywhere
        self._parts: deque[tuple[FloatArray, FloatArray]] = deque()
        self._start_s: float | None = None
        self._judged_s = 0.0

    def feed(self, t_s: FloatArray, torque_nm: FloatArray) -> Level | ZeroRefused | None:
        """Add samples (indicated, before any zero); return the outcome, or None: more are needed."""
        if len(t_s) == 0:
            return None
        if self._start_s is None:
            self._start_s = float(t_s[0])
        self._parts.append((t_s, torque_nm))
        now_s = float(t_s[-1])
        if now_s - self._start_s < MEASURE_S or now_s - self._judged_s < 0.02:
            return None
        self._judged_s = now_s
        while len(self._parts) > 1 and self._parts[1][0][0] <= now_s - MEASURE_S:
            self._parts.popleft()
        times = np.concatenate([part[0] for part in self._parts])
        values = np.concatenate([part[1] for part in self._parts])
        first = max(0, int(np.searchsorted(times, now_s - MEASURE_S, side="right")) - 1)
        times, values = times[first:], values[first:]
        if len(times) < MIN_SAMPLES:
            return ZeroRefused("no-data") if now_s - self._start_s > GIVE_UP_S else None
        return self._judge(times, values)

    def _judge(self, times: FloatArray, values: FloatArray) -> Level | ZeroRefused | None:
        centred = times - times.mean()
        slope = float(centred @ values / (centred @ centred))
        duration = float(times[-1] - times[0])
        mean, drift = float(values.mean()), slope * duration
        noise = float(np.std(values - mean - slope * centred))
        limit = self._still_limit_nm(noise, len(values))
        moves = max(noise if self._capacity_nm else 0.0, abs(drift))
        if moves > limit:
            waited_s = float(times[-1]) - (self._start_s or 0.0)
            return ZeroRefused("not-still", moves, limit) if waited_s > GIVE_UP_S else None
        if self._capacity_nm and not self._anywhere and abs(mean) > REACH_SHARE * self._capacity_nm:
            return ZeroRefused("too-far", mean, REACH_SHARE * self._capacity_nm)
        return Level(mean, noise, drift, float(times[-1]))

    def _still_limit_nm(self, noise_nm: float, n: int) -> float:
        if self._capacity_nm:
            return STILL_SHARE * self._capacity_nm
        return 6 * noise_nm * sqrt(12 / n)  # six standard errors of a fitted drift (white noise)
