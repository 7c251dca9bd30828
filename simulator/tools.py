"""Torque tools as mechanisms: what the drive carries when a hand works on the handle.

A setting tool is a spring that holds a latch. Below its release torque the drive carries what the hand gives. At the
release torque the latch lets go: the torque falls within milliseconds to what friction still holds, the hand, no
longer opposed, runs the handle through a small free angle, strikes the stop, and the torque bears up again, first as
a short impact. A slipping screwdriver has a cam instead: as long as the hand turns, it climbs and falls off again.

Figures: marks [P] plausible (picked, no source gives them), [D] derived. Fall by 10 to 60 % [P], weak mechanisms 3
to 7 % [P]; first half of the fall within 1 to 5 ms, the whole within 5 to 30 ms [P]; handle movement at the signal
below 5° (ASME B107.300).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from simulator.signals import FloatArray, LinearSystem, spring_and_mass


class Kind(StrEnum):
    """Kinds of tools the bench knows."""

    CLICK_WRENCH = "click-wrench"
    DIAL_WRENCH = "dial-wrench"
    ELECTRONIC_WRENCH = "electronic-wrench"
    CLICK_SCREWDRIVER = "click-screwdriver"
    SLIPPING_SCREWDRIVER = "slipping-screwdriver"

    @property
    def indicating(self) -> bool:
        """True for tools that show the torque and never let go."""
        return self in (Kind.DIAL_WRENCH, Kind.ELECTRONIC_WRENCH)


@dataclass(frozen=True, slots=True)
class Mechanism:
    """How a setting tool lets go.

    Attributes:
        depth: By what share of the release torque it falls, 0.1 to 0.6, weak ones 0.03 to 0.07 [P].
        half_s: First half of the fall, 0.001 to 0.005 s [P].
        free_angle_rad: Handle movement until the stop, below 5° (ASME B107.300) [P within it].
        inertia: Hand and handle seen from the drive, kg·m² [D: 2 to 4 kg at the lever that needs 150 to 300 N].
        impact_share: Share of that inertia which strikes the stop with the handle; the arm behind gives way [P].
        stop_hz: Natural frequency of handle and hand against the stop, 12 to 40 Hz [P].
        stop_damping: Of critical, 0.25 to 0.6: flesh damps well [P].
        reset: Share of the release torque below which the latch falls back in [P].
        ring_hz: What rattles in the housing after the latch has struck, 45 to 140 Hz [P].
        ring: Its share of the fall, 0.03 to 0.2 [P]; gone within some 20 ms.
        creep: Change of the friction that still holds while the handle runs free, share of the fall a second [P].
        slips_per_s: Cams a second under a turning hand; 0 for tools that let go once [P: 3 to 10].
    """

    depth: float = 0.3
    half_s: float = 0.002
    free_angle_rad: float = math.radians(3.0)
    inertia: float = 0.5
    impact_share: float = 0.25
    stop_hz: float = 22.0
    stop_damping: float = 0.4
    reset: float = 0.35
    ring_hz: float = 80.0
    ring: float = 0.1
    creep: float = 0.0
    slips_per_s: float = 0.0


def draw_mechanism(kind: Kind, maximum_nm: float, weak: bool, random: np.random.Generator) -> Mechanism:
    """Return a mechanism as one would meet it on a tool of this kind and size; ranges as in `Mechanism`."""
    driver = kind in (Kind.CLICK_SCREWDRIVER, Kind.SLIPPING_SCREWDRIVER)
    lever_m = 0.02 if driver else min(max(maximum_nm / random.uniform(150.0, 300.0), 0.15), 1.4)
    mass_kg = random.uniform(2.0, 4.0)
    # a wrist turns about its own axis: hand and forearm together 1 to 3 g·m² [P]
    inertia = random.uniform(1e-3, 3e-3) if driver else mass_kg * lever_m**2
    depth = random.uniform(0.03, 0.07) if weak else random.uniform(0.10, 0.60)
    return Mechanism(
        depth=depth,
        half_s=random.uniform(0.001, 0.0044),  # what rattles adds up to a tenth
        free_angle_rad=math.radians(random.uniform(0.8, 2.0) if weak else random.uniform(1.5, 4.8)),
        inertia=inertia,
        impact_share=random.uniform(0.03, 0.15),
        stop_hz=random.uniform(12.0, 40.0),
        stop_damping=random.uniform(0.25, 0.6),
        reset=random.uniform(0.25, 0.5),
        ring_hz=random.uniform(45.0, 140.0),
        ring=random.uniform(0.03, 0.2),
        creep=random.uniform(-2.0, 2.0),
        slips_per_s=random.uniform(3.0, 10.0) if kind is Kind.SLIPPING_SCREWDRIVER else 0.0,
    )


@dataclass(slots=True)
class ToolSettings:
    """What a person can change on a tool while it lies on the bench.

    Attributes:
        kind: What it is.
        maximum_nm: Top of its scale.
        setting_nm: Where it is set; for indicating tools the torque aimed at.
        error_percent: It delivers that much more than it says.
        spread_percent: Standard deviation of that from pull to pull [P: 0.3 for a decent click wrench].
        weak: A worn mechanism.
    """

    kind: Kind = Kind.CLICK_WRENCH
    maximum_nm: float = 200.0
    setting_nm: float = 120.0
    error_percent: float = 0.0
    spread_percent: float = 0.3
    weak: bool = False

    def shown_nm(self, torque_nm: float) -> float:
        """What an indicating tool shows at `torque_nm`."""
        return torque_nm / (1.0 + self.error_percent / 100.0)


class _Stage(StrEnum):
    LATCHED = "latched"
    FREE = "free"
    STOP = "stop"
    SLIPPING = "slipping"


class ToolOnDrive:
    """One tool under a hand. Times are samples of the inner clock.

    Args:
        settings: Read at each pull; may change in between.
        mechanism: How it lets go; ignored for indicating tools.
        rate_hz: Of the inner clock, 5 kHz or more: a fall of 1 ms must be seen.
        random: Own generator.
    """

    _BLEND_S: Final = 0.004  # the latch falling back in is a small click of its own

    def __init__(
        self, settings: ToolSettings, mechanism: Mechanism, rate_hz: float, random: np.random.Generator
    ) -> None:
        self.settings = settings
        self.mechanism = mechanism
        self._rate = rate_hz
        self._random = random
        self._stage = _Stage.LATCHED
        self._release_nm = math.inf
        self.released_nm: float | None = None  # torque at which it last let go
        self._since = 0  # samples since the stage began
        self._angle = 0.0
        self._speed = 0.0
        self._base_nm = 0.0
        self._stop: LinearSystem = spring_and_mass(mechanism.stop_hz, mechanism.stop_damping, rate_hz)
        self._step_nm = 0.0  # what blends out after the latch fell back in
        self._slip_peaks: FloatArray = np.empty(0)
        self._phase = 0.0
        self.arm()

    @property
    def let_go(self) -> bool:
        """True from the click until the latch falls back in."""
        return self._stage is not _Stage.LATCHED

    def arm(self) -> None:
        """Draw the torque of the next release."""
        s = self.settings
        if s.kind.indicating:
            self._release_nm = math.inf
            return
        scatter = float(np.clip(self._random.standard_normal(), -3.0, 3.0)) * s.spread_percent
        self._release_nm = max(s.setting_nm * (1.0 + (s.error_percent + scatter) / 100.0), 1e-9)

    def respond(self, effort_nm: FloatArray) -> tuple[FloatArray, bool]:
        """Return the drive's torque under `effort_nm`, and whether the tool lets go right after it.

        The result is shorter than the effort when something changed on the way (feed the rest again); never empty
        for an effort that is not. Shape (n,) to (m,), 1 <= m <= n, N·m.
        """
        if self._stage is _Stage.LATCHED:
            return self._latched(effort_nm)
        if self._stage is _Stage.SLIPPING:
            return self._slipping(effort_nm)
        if self._stage is _Stage.FREE:
            return self._free(effort_nm)
        return self._against_stop(effort_nm)

    def _latched(self, effort: FloatArray) -> tuple[FloatArray, bool]:
        over = effort >= self._release_nm
        n = int(np.argmax(over)) + 1 if over.any() else len(effort)
        torque = effort[:n].copy()
        if self._step_nm:
            torque += self._step_nm * np.exp(-(self._since + np.arange(n)) / (self._BLEND_S * self._rate))
            if self._since > 10 * self._BLEND_S * self._rate:
                self._step_nm = 0.0
        self._since += n
        if not over.any():
            return torque, False
        self.released_nm = float(torque[-1])
        self._stage = _Stage.SLIPPING if self.mechanism.slips_per_s else _Stage.FREE
        self._since, self._angle, self._speed, self._phase = 0, 0.0, 0.0, 0.0
        self._slip_peaks = self._release_nm * (1.0 + 0.006 * self._random.standard_normal(64))
        self._slip_peaks[0] = self._release_nm
        self._step_nm = 0.0
        return torque, True

    def _fall(self, n: int) -> FloatArray:
        """Share of the release torque that still holds, n samples on; smooth at its beginning, half after half_s."""
        # 1 - (1 + x) e^-x reaches one half at x = 1.678 and 95 % at x = 4.74: 2.8 times the first half
        m = self.mechanism
        t_s = (self._since + 1 + np.arange(n)) / self._rate
        x = t_s * (1.678 / m.half_s)
        gone = 1.0 - (1.0 + x) * np.exp(-x)
        texture = m.ring * np.sin(2 * math.pi * m.ring_hz * t_s) * np.exp(-t_s / 0.009) + m.creep * t_s * gone
        held: FloatArray = 1.0 - m.depth * (gone + texture)
        return held

    def _free(self, effort: FloatArray) -> tuple[FloatArray, bool]:
        n = len(effort)
        torque = np.minimum(self._release_nm * self._fall(n), np.maximum(effort, 0.0))
        speed = self._speed + np.cumsum((effort - torque) / self.mechanism.inertia) / self._rate
        np.maximum(speed, 0.0, out=speed)
        angle = self._angle + np.cumsum(speed) / self._rate
        arrived = angle >= self.mechanism.free_angle_rad
        if arrived.any():
            n = int(np.argmax(arrived)) + 1
        low = effort[:n] < self.mechanism.reset * self._release_nm
        if low.any():  # the hand gave way before the stop
            n = int(np.argmax(low)) + 1
            self._fall_back(float(torque[n - 1] - effort[n - 1]))
            return torque[:n], False
        self._since += n
        self._angle, self._speed = float(angle[n - 1]), float(speed[n - 1])
        if arrived.any():
            self._stage = _Stage.STOP
            self._base_nm = float(torque[n - 1])
            # stiffness k = I ω² of what strikes; a speed v loads it like a static torque of k v
            stiffness = (
                self.mechanism.impact_share * self.mechanism.inertia * (2 * math.pi * self.mechanism.stop_hz) ** 2
            )
            self._stop.state = np.array([0.0, stiffness * self._speed])
        return torque[:n], False

    def _against_stop(self, effort: FloatArray) -> tuple[FloatArray, bool]:
        low = effort < self.mechanism.reset * self._release_nm
        n = int(np.argmax(low)) + 1 if low.any() else len(effort)
        torque = self._base_nm + self._stop.feed(effort[:n] - self._base_nm)
        # bouncing off the stop leaves what friction holds
        np.maximum(torque, np.minimum(self._base_nm, effort[:n]) * 0.9, out=torque)
        self._since += n
        if low.any():
            self._fall_back(float(torque[n - 1] - effort[n - 1]))
        return torque, False

    def _slipping(self, effort: FloatArray) -> tuple[FloatArray, bool]:
        m, n = self.mechanism, len(effort)
        low = effort < m.reset * self._release_nm
        if low.any():
            n = int(np.argmax(low)) + 1
        effort = effort[:n]
        # the cam turns as fast as the hand has torque to spare, up to its own pace
        held = self._release_nm * (1.0 - m.depth)
        spare = np.clip((effort - held) / max(self._release_nm * m.depth, 1e-12), 0.0, 1.5)
        phase = self._phase + np.cumsum(spare) * (m.slips_per_s / self._rate)
        k = np.minimum(phase.astype(np.int64), len(self._slip_peaks) - 2)
        within = phase - k
        climb = np.clip((within - 0.15) / 0.85, 0.0, 1.0) ** 1.3
        since_drop_s = within / m.slips_per_s
        x = 1.678 * since_drop_s / m.half_s
        drop = (1.0 + x) * np.exp(-x)
        before, after = self._slip_peaks[k], self._slip_peaks[k + 1]
        cam = held + (before - held) * drop + (after - held) * climb
        torque = np.minimum(cam, np.maximum(effort, 0.0))
        self._phase = float(phase[-1])
        self._since += n
        if low.any():
            self._fall_back(float(torque[n - 1] - effort[n - 1]))
        return torque, False

    def _fall_back(self, step_nm: float) -> None:
        self._stage = _Stage.LATCHED
        self._since = 0
        self._step_nm = step_nm
        self.arm()
