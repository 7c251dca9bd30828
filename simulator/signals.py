"""Linear systems and random processes that run in blocks: the arithmetic under hand, tool and transducer.

NumPy has no recursive filter, and a Python loop a sample is too slow for 10 kHz live. `LinearSystem` therefore steps
its state once per 64 samples and lets matrix products do the rest.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_LENGTH: Final = 64  # samples a matrix product covers; 32 to 128 are within 20 % of each other in time


class LinearSystem:
    """A discrete linear system with one input, one output and a small state, fed in blocks of any length.

    State x, input u, output y: ``y = C x + D u``, then ``x = A x + B u``. Cutting the input elsewhere changes the
    output by rounding only.

    Args:
        a: Shape (s, s).
        b: Shape (s,).
        c: Shape (s,).
        d: Direct share of the input in the output.
    """

    def __init__(self, a: FloatArray, b: FloatArray, c: FloatArray, d: float) -> None:
        size = len(b)
        self.state: FloatArray = np.zeros(size)
        powers = [np.eye(size)]
        for _ in range(_LENGTH):
            powers.append(powers[-1] @ a)
        self._observe: FloatArray = np.array([c @ p for p in powers])  # (L + 1, s)
        self._advance = powers
        response = np.array([d, *(c @ powers[k] @ b for k in range(_LENGTH - 1))])
        index = np.subtract.outer(np.arange(_LENGTH), np.arange(_LENGTH))
        self._forced: FloatArray = np.where(index >= 0, response[np.maximum(index, 0)], 0.0)  # (L, L)
        self._reach: FloatArray = np.array([powers[k] @ b for k in range(_LENGTH)])  # (L, s): newest input first
        self._reach_oldest_first: FloatArray = np.ascontiguousarray(self._reach[::-1])

    def feed(self, u: FloatArray) -> FloatArray:
        """Return the output for `u`, shape (n,) to (n,); n = 0 is allowed."""
        n = len(u)
        y = np.empty(n)
        whole = n // _LENGTH
        if whole:
            blocks = u[: whole * _LENGTH].reshape(whole, _LENGTH)
            kicks = blocks @ self._reach_oldest_first
            states = np.empty((whole, len(self.state)))
            advance, state = self._advance[_LENGTH], self.state
            for k in range(whole):
                states[k] = state
                state = advance @ state + kicks[k]
            self.state = state
            y[: whole * _LENGTH] = (blocks @ self._forced.T + states @ self._observe[:_LENGTH].T).ravel()
        rest = n - whole * _LENGTH
        if rest:
            tail = u[whole * _LENGTH :]
            y[whole * _LENGTH :] = self._forced[:rest, :rest] @ tail + self._observe[:rest] @ self.state
            self.state = self._advance[rest] @ self.state + tail @ self._reach[:rest][::-1]
        return y

    def output_rms(self) -> float:
        """RMS of the output for white input of variance 1, from the impulse response's energy."""
        a, size = self._advance[1], len(self.state)
        b, c, d = self._reach[0], self._observe[0], float(self._forced[0, 0])
        # covariance of the state: P = A P A' + b b', solved as a linear equation
        covariance = np.linalg.solve(np.eye(size * size) - np.kron(a, a), np.outer(b, b).ravel()).reshape(size, size)
        return math.sqrt(float(c @ covariance @ c) + d * d)


def _tustin(a: FloatArray, b: FloatArray, c: FloatArray, d: float, rate_hz: float) -> LinearSystem:
    """Continuous to discrete by the trapezoidal rule; its lag on a ramp is the continuous one exactly."""
    step = 0.5 / rate_hz
    inverse = np.linalg.inv(np.eye(len(b)) - step * a)
    return LinearSystem(
        inverse @ (np.eye(len(b)) + step * a), inverse @ b / rate_hz, c @ inverse, d + float(c @ inverse @ b) * step
    )


def low_pass(cutoff_hz: float, rate_hz: float, order: int = 1) -> LinearSystem:
    """Return a first-order low-pass or a second-order Butterworth, −3 dB at `cutoff_hz`.

    >>> filter_ = low_pass(100.0, 10_000.0)
    >>> ramp = np.arange(5000) * 40.0 / 10_000.0
    >>> round(float(ramp[-1] - filter_.feed(ramp)[-1]), 4)  # rate / (2 π f_c)
    0.0637
    """
    w = 2.0 * math.pi * cutoff_hz
    if order == 1:
        return _tustin(np.array([[-w]]), np.array([1.0]), np.array([w]), 0.0, rate_hz)
    if order == 2:
        a = np.array([[0.0, 1.0], [-w * w, -math.sqrt(2.0) * w]])
        return _tustin(a, np.array([0.0, 1.0]), np.array([w * w, 0.0]), 0.0, rate_hz)
    raise ValueError(f"order {order}: 1 or 2 can be had")


def band_pass(centre_hz: float, quality: float, rate_hz: float) -> LinearSystem:
    """Return a resonance with gain 1 at `centre_hz` and half-power width `centre_hz / quality`."""
    w = 2.0 * math.pi * centre_hz
    a = np.array([[0.0, 1.0], [-w * w, -w / quality]])
    return _tustin(a, np.array([0.0, 1.0]), np.array([0.0, w / quality]), 0.0, rate_hz)


def spring_and_mass(natural_hz: float, damping: float, rate_hz: float) -> LinearSystem:
    """Return position of a damped mass on a spring over force, static gain 1.

    The state is (position, velocity) in units of the static deflection and stays meaningful, so that it can be set:
    the force is held over a sample (exact for that).
    """
    w = 2.0 * math.pi * natural_hz
    a = np.array([[0.0, 1.0], [-w * w, -2.0 * damping * w]])
    joint = np.zeros((3, 3))
    joint[:2, :2] = a / rate_hz
    joint[1, 2] = w * w / rate_hz
    exponential, term = np.eye(3), np.eye(3)
    for k in range(1, 20):
        term = term @ joint / k
        exponential = exponential + term
    return LinearSystem(exponential[:2, :2], exponential[:2, 2], np.array([1.0, 0.0]), 0.0)


class Process:
    """A stationary random process of RMS 1, made as it is asked for.

    `peek` may look further than `take` takes: what was looked at and not taken comes again, so the process does not
    depend on how often somebody had to look.

    Args:
        shape: White noise goes through this; None leaves it white.
        random: Own generator of this process.
    """

    _CHUNK: Final = 2048

    def __init__(self, shape: LinearSystem | None, random: np.random.Generator) -> None:
        self._shape = shape
        self._random = random
        self._gain = 1.0 / shape.output_rms() if shape is not None else 1.0
        self._ready: FloatArray = np.empty(0)

    def peek(self, n: int) -> FloatArray:
        """Return the next n values without taking them; shape (n,)."""
        if len(self._ready) < n:
            parts = [self._ready]
            have = len(self._ready)
            while have < n:
                white = self._random.standard_normal(self._CHUNK)
                parts.append(white if self._shape is None else self._shape.feed(white) * self._gain)
                have += self._CHUNK
            self._ready = np.concatenate(parts)
        return self._ready[:n]

    def take(self, n: int) -> FloatArray:
        """Return the next n values and move on; shape (n,)."""
        values = self.peek(n)
        self._ready = self._ready[n:]
        return values


class Course:
    """A smooth course through points in time that never overshoots between them.

    Piecewise cubic, slopes by the weighted harmonic mean of the neighbouring secants.

    Args:
        t_s: Shape (n,), n >= 2, strictly rising.
        values: Shape (n,).
        end_slope: Slope at the last point and beyond, per second.

    Source:
        F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300 (from memory).
    """

    def __init__(self, t_s: FloatArray, values: FloatArray, end_slope: float) -> None:
        self._t, self._v = np.asarray(t_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
        step = np.diff(self._t)
        secant = np.diff(self._v) / step
        slope = np.zeros(len(self._t))
        for k in range(1, len(self._t) - 1):
            if secant[k - 1] * secant[k] > 0.0:
                before, after = 2 * step[k] + step[k - 1], step[k] + 2 * step[k - 1]
                slope[k] = (before + after) / (before / secant[k - 1] + after / secant[k])
        slope[-1] = end_slope
        self._slope, self._step = slope, step

    def at(self, t_s: FloatArray) -> FloatArray:
        """Return the values at `t_s`, shape (n,) to (n,): the first value before, the last slope after the points."""
        k = np.clip(np.searchsorted(self._t, t_s, side="right") - 1, 0, len(self._step) - 1)
        h = self._step[k]
        x = np.clip((t_s - self._t[k]) / h, 0.0, 1.0)
        v0, v1, s0, s1 = self._v[k], self._v[k + 1], self._slope[k] * h, self._slope[k + 1] * h
        y: FloatArray = v0 + x * (s0 + x * (3 * (v1 - v0) - 2 * s0 - s1 + x * (s0 + s1 - 2 * (v1 - v0))))
        y += self._slope[-1] * np.maximum(t_s - self._t[-1], 0.0)
        return y
