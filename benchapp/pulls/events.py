"""What a streaming reader tells while torque comes in."""

from __future__ import annotations

from dataclasses import dataclass

from benchapp.pulls.pull import Pull
from benchapp.torque.direction import Direction


@dataclass(frozen=True, slots=True)
class PullStarted:
    """Torque has left the rest level for long enough to be a pull."""

    start_s: float
    direction: Direction


@dataclass(frozen=True, slots=True)
class ClickHeard:
    """The tool has let go. Told at most 60 ms of trace time after `time_s`; the pull is not over yet."""

    time_s: float
    torque: float
    direction: Direction


@dataclass(frozen=True, slots=True)
class HoldSteady:
    """Mode hold: torque has been steady above half the peak for the required time; told while it is still held."""

    start_s: float
    torque: float
    direction: Direction


@dataclass(frozen=True, slots=True)
class PullClosed:
    """Torque is back at rest: the reading, its flags, and the span of the trace that belongs to it."""

    pull: Pull


ReaderEvent = PullStarted | ClickHeard | HoldSteady | PullClosed
