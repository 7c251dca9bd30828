"""A tool, a hand and a transducer put together, on one inner clock.

`Bench.step` makes the next samples and is what the server calls every few milliseconds; `whole_pull` makes one pull
at once, with what is true about it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from simulator.hand import Arm, Hand, Intention
from simulator.signals import FloatArray
from simulator.tools import Mechanism, ToolOnDrive, ToolSettings
from simulator.transducer import Transducer, TransducerSettings


def oversampling(rate_hz: float, inner_hz: float = 10_000.0) -> int:
    """Inner samples for each sample, so that the inner clock runs at `inner_hz` or more.

    >>> oversampling(1000.0), oversampling(10_000.0), oversampling(100.0)
    (10, 1, 100)
    """
    return max(1, math.ceil(inner_hz / rate_hz - 1e-9))


class Bench:
    """Everything between the hand's intention and the transducer's numbers.

    Args:
        arm: Whose hand.
        tool: The tool in it.
        mechanism: How that tool lets go.
        transducer: What it is put on.
        seed: Same seed and same calls: same samples.
        inner_hz: Least rate of the inner clock.
    """

    def __init__(
        self,
        arm: Arm,
        tool: ToolSettings,
        mechanism: Mechanism,
        transducer: TransducerSettings,
        seed: int | np.random.SeedSequence,
        inner_hz: float = 10_000.0,
    ) -> None:
        self.every = oversampling(transducer.rate_hz, inner_hz)
        self.inner_hz = transducer.rate_hz * self.every
        hand_random, tool_random, transducer_random = np.random.default_rng(seed).spawn(3)
        self._tool_random = tool_random
        self.hand = Hand(arm, self.inner_hz, hand_random)
        self.tool = ToolOnDrive(tool, mechanism, self.inner_hz, tool_random)
        self.transducer = Transducer(transducer, self.every, transducer_random)
        self.sign = 1.0
        self.clicks: list[int] = []  # inner samples since the start
        self.hanging_nm = 0.0  # level that an unattended tool hangs on the drive with, signed
        self._hangs = 0.0
        self._knock: FloatArray = np.empty(0)
        self._at = 0
        self.now_nm = 0.0  # torque on the drive at the newest inner sample, signed
        self.greatest_nm = 0.0  # magnitude within the newest block

    def change_tool(self, tool: ToolSettings, mechanism: Mechanism) -> None:
        """Put another tool into the hand."""
        self.tool = ToolOnDrive(tool, mechanism, self.inner_hz, self._tool_random)

    def knock(self, torque_nm: float) -> None:
        """A short blow on the drive, as when a tool is seated: a damped ringing of some 10 ms, either way."""
        t = np.arange(int(0.06 * self.inner_hz)) / self.inner_hz
        self._knock = torque_nm * np.sin(2 * np.pi * 90.0 * t) * np.exp(-t / 0.008)

    def _pull(self, n: int) -> FloatArray:
        torque = np.empty(n)
        done = 0
        while done < n:
            effort = self.hand.effort(n - done)
            part, clicked = self.tool.respond(effort)
            self.hand.take(len(part))
            torque[done : done + len(part)] = part
            done += len(part)
            if clicked:
                self.clicks.append(self._at + done - 1)
                self.hand.felt_click()
        return torque

    def inner(self, n: int) -> FloatArray:
        """Torque on the drive at the inner rate, signed, shape (n,): no filter, no noise, no zero error."""
        torque = self.sign * self._pull(n) if self.hand.phase != "rest" else np.zeros(n)
        # a tool hangs by its own weight unless the hand carries it
        level = self.hanging_nm if self.hand.phase == "rest" else 0.0
        if level or self._hangs:
            decay = np.exp(-np.arange(1, n + 1) / (0.05 * self.inner_hz))
            course = level + (self._hangs - level) * decay
            self._hangs = float(course[-1]) if abs(float(course[-1])) > 1e-9 else 0.0
            torque = torque + course
        if len(self._knock):
            m = min(n, len(self._knock))
            torque[:m] += self._knock[:m]
            self._knock = self._knock[m:]
        self._at += n
        self.now_nm = float(torque[-1])
        self.greatest_nm = float(np.abs(torque).max())
        return torque

    def step(self, n: int) -> FloatArray:
        """The next n samples as the transducer measures them, N·m, signed, before quantisation."""
        return self.transducer.sample(self.transducer.passed(self.inner(n * self.every)))


@dataclass(frozen=True, slots=True)
class WholePull:
    """One stretch with the truth about it.

    Attributes:
        t_s: Shape (n,), sample times.
        torque_nm: Shape (n,), as measured, quantised.
        true_t_s: Shape (m,), inner times.
        true_nm: Shape (m,), what the filter passes, without noise, hum, offset; signed.
        drive_nm: Shape (m,), before the filter.
        click_s: Times at which the tool let go.
    """

    t_s: FloatArray
    torque_nm: FloatArray
    true_t_s: FloatArray
    true_nm: FloatArray
    drive_nm: FloatArray
    click_s: tuple[float, ...]


def whole_pull(
    bench: Bench, plan: Intention | None, *, before_s: float = 0.6, after_s: float = 0.6, longest_s: float = 60.0
) -> WholePull:
    """Let `bench` make one pull from rest to rest; without a plan only rest."""
    per = int(0.1 * bench.transducer.settings.rate_hz) * bench.every
    drive = [bench.inner(_whole(before_s, bench))]
    if plan is not None:
        bench.hand.start(plan)
        pulled = 0
        while bench.hand.phase != "rest" and pulled < longest_s * bench.inner_hz:
            # in large parts: the hand itself cuts where something happens
            drive.append(bench.inner(10 * per))
            pulled += 10 * per
        ended = np.concatenate(drive)
        last = int(np.flatnonzero(ended)[-1]) if ended.any() else 0
        have = (len(ended) - last) / bench.inner_hz
        if have < after_s:
            drive.append(bench.inner(_whole(after_s - have, bench)))
    torque = np.concatenate(drive)
    passed = bench.transducer.passed(torque)
    measured = bench.transducer.rounded(bench.transducer.sample(passed))
    true_t_s: FloatArray = (np.arange(len(passed)) + 1 - bench.every) / bench.inner_hz
    return WholePull(
        np.arange(len(measured), dtype=np.float64) / bench.transducer.settings.rate_hz,
        measured,
        true_t_s,
        passed,
        torque,
        tuple(float(true_t_s[k]) for k in bench.clicks),
    )


def _whole(seconds: float, bench: Bench) -> int:
    return max(round(seconds * bench.transducer.settings.rate_hz), 1) * bench.every
