"""The reference transducer and its electronics: what becomes of a torque before it is a number.

In this order: the analogue low-pass filter (which every later stage and the truth see), zero offset and drift, mains
hum, sampling, white noise, quantisation, overload. Figures are adjustable; the defaults are [P].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator.signals import FloatArray, LinearSystem, Process, low_pass


@dataclass(slots=True)
class TransducerSettings:
    """One transducer.

    Attributes:
        capacity_nm: Full scale.
        rate_hz: Samples a second.
        filter_hz: −3 dB of the low-pass; 0 none.
        filter_order: 1, or 2 for Butterworth.
        noise: Standard deviation of white noise, share of capacity.
        hum: Amplitude of mains hum, share of capacity.
        hum_hz: 50 or 60, never exactly.
        resolution_nm: Step of the numbers sent.
        error_percent: So much more than is applied it shows, as a certificate would state of it.
        offset_nm: Zero error.
        drift_nm_per_s: Of the zero.
        overload: Share of capacity from which the electronics only say "overload".
    """

    capacity_nm: float = 250.0
    rate_hz: float = 1000.0
    filter_hz: float = 300.0
    filter_order: int = 1
    noise: float = 5e-5
    hum: float = 0.0
    hum_hz: float = 49.98
    resolution_nm: float = 0.01
    error_percent: float = 0.0
    offset_nm: float = 0.0
    drift_nm_per_s: float = 0.0
    overload: float = 1.2


class Transducer:
    """From torque on the drive to numbers. `settings` may be changed between blocks, but for rates and filter.

    Args:
        settings: What it is.
        oversampling: Inner samples for each sample sent.
        random: Own generator.
    """

    def __init__(self, settings: TransducerSettings, oversampling: int, random: np.random.Generator) -> None:
        self.settings = settings
        self._every = oversampling
        self._inner_hz = settings.rate_hz * oversampling
        self._filter: LinearSystem | None = (
            low_pass(settings.filter_hz, self._inner_hz, settings.filter_order) if settings.filter_hz else None
        )
        self._noise = Process(None, random.spawn(1)[0])
        self._hum_phase = float(random.uniform(0.0, 2.0 * math.pi))
        self._harmonic = float(random.uniform(0.1, 0.4))
        self._sent = 0
        self._drifted_nm = 0.0

    def passed(self, torque_nm: FloatArray) -> FloatArray:
        """What the filter passes of a torque at the inner rate; shape (n,) to (n,)."""
        return self._filter.feed(torque_nm) if self._filter is not None else torque_nm

    def sample(self, passed_nm: FloatArray) -> FloatArray:
        """Samples for `passed_nm`, whose length is a multiple of the oversampling; N·m, before quantisation."""
        s = self.settings
        torque = passed_nm[self._every - 1 :: self._every] * (1.0 + s.error_percent / 100.0)
        n = len(torque)
        t_s = (self._sent + np.arange(n)) / s.rate_hz
        self._sent += n
        torque += s.offset_nm + self._drifted_nm
        if s.drift_nm_per_s:
            torque += s.drift_nm_per_s * np.arange(1, n + 1) / s.rate_hz
            self._drifted_nm += s.drift_nm_per_s * n / s.rate_hz
        if s.hum:
            # a third harmonic: rectifiers and transformers leave one
            angle = 2.0 * math.pi * s.hum_hz * t_s + self._hum_phase
            torque += s.hum * s.capacity_nm * (np.sin(angle) + self._harmonic * np.sin(3.0 * angle + 1.0))
        if s.noise:
            torque += s.noise * s.capacity_nm * self._noise.take(n)
        return torque

    def rounded(self, torque_nm: FloatArray) -> FloatArray:
        """Torque in whole steps of the resolution, N·m."""
        steps: FloatArray = np.rint(torque_nm / self.settings.resolution_nm)
        return steps * self.settings.resolution_nm

    def digits(self, torque_nm: FloatArray) -> npt.NDArray[np.int64]:
        """Whole steps of the resolution, half to even."""
        return np.rint(torque_nm / self.settings.resolution_nm).astype(np.int64)

    def zero(self) -> None:
        """Take offset and drift so far off, as the device's own zero command does."""
        self.settings.offset_nm = 0.0
        self._drifted_nm = 0.0
