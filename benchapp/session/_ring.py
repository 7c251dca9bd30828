"""The last minute of torque for the plot, in arrays that are allocated once."""

from __future__ import annotations

import threading
from typing import Final

import numpy as np

from drivers.samples import FloatArray

HELD: Final = 1 << 20
"""Samples held: 60 s at 10 kHz are 600 000; a power of two keeps the place of a sample a bit mask."""


class SampleRing:
    """One thread writes, others take copies; a sample is named by its running number from 0.

    Reading takes a lock for as long as a copy takes (under 2 ms for a whole minute), so the writer never waits longer.
    """

    def __init__(self, held: int = HELD) -> None:
        if held < 2 or held & (held - 1):
            raise ValueError(f"{held} is no power of two")
        self._t_s = np.empty(held)
        self._torque_nm = np.empty(held)
        self._held = held
        self._n = 0
        self._lock = threading.Lock()

    def append(self, t_s: FloatArray, torque_nm: FloatArray) -> None:
        """Add samples; of more than the ring holds only the newest are kept."""
        n = len(t_s)
        if n == 0:
            return
        with self._lock:
            skip = max(0, n - self._held)
            start = (self._n + skip) & (self._held - 1)
            head = min(n - skip, self._held - start)
            for ring, new in ((self._t_s, t_s), (self._torque_nm, torque_nm)):
                ring[start : start + head] = new[skip : skip + head]
                if skip + head < n:
                    ring[: n - skip - head] = new[skip + head :]
            self._n += n

    def since(self, index: int) -> tuple[int, FloatArray, FloatArray]:
        """Return (index to ask for next, t_s, torque_nm) from sample `index` on, as far as still held; copies."""
        with self._lock:
            first = max(index, self._n - self._held, 0)
            n = max(0, self._n - first)
            start = first & (self._held - 1)
            head = min(n, self._held - start)
            rings = (self._t_s, self._torque_nm)
            if head == n:
                t_s, torque_nm = (ring[start : start + n].copy() for ring in rings)
            else:
                t_s, torque_nm = (np.concatenate((ring[start:], ring[: n - head])) for ring in rings)
            return self._n, t_s, torque_nm
