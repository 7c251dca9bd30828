"""What a pull is, once it has been read."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from benchapp.torque.direction import Direction


class Mode(StrEnum):
    """Which torque of a pull counts as its reading."""

    FIRST_PEAK = "first-peak"
    PEAK = "peak"
    HOLD = "hold"


class Flag(StrEnum):
    """What was noticed about a pull; definitions and defaults in DEVELOPERS.md, "Pull faults"."""

    JERKY = "jerky"
    TOO_FAST = "too-fast"
    TOO_SLOW = "too-slow"
    PAST_CLICK = "past-click"
    NO_CLICK = "no-click"
    UNCLEAR = "unclear"
    DOUBLE = "double"
    SHORT = "short"
    ZERO_OFF = "zero-off"
    OVERLOAD = "overload"
    TOOL_OVERLOAD = "tool-overload"
    GAP = "gap"
    SPIKE = "spike"
    CUT = "cut"


@dataclass(frozen=True, slots=True)
class Mark:
    """A place on the curve: `name` says which (start, 80, click, fall-end, dip, end …), torque in the trace's unit."""

    name: str
    time_s: float
    torque: float


@dataclass(frozen=True, slots=True)
class Noticed:
    """Why a flag was raised: the measured value, its limit, and where on the curve.

    Attributes:
        flag: Which.
        value: What was measured; its unit is in `unit`.
        limit: What it was compared with, same unit.
        unit: "s", "%", "1/s", "samples", or "" for the trace's own torque unit.
        start_s: Where it begins on the curve; None when it has no place.
        end_s: Where it ends.
    """

    flag: Flag
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    start_s: float | None = None
    end_s: float | None = None


@dataclass(frozen=True, slots=True)
class Pull:
    """One application of torque, from rest back to rest.

    All torques are magnitudes in the unit that was fed in (N·m inside the program), all times on the fed axis.

    Attributes:
        start_s: Last sample at rest before.
        end_s: First sample at rest after (of the stay at rest that closed the pull).
        direction: Carries the sign.
        mode: How `reading` was taken.
        reading: None when there is none (no click, release in a gap, nothing held).
        reading_time_s: When; None with the reading.
        peak: Greatest torque.
        first_peak: Torque at which the tool let go; given in every mode; None when it never did.
        rest: Rest level before, signed in the direction of the pull.
        rest_after: Rest level after; None when cut, or when torque was still on its way back after 150 ms.
        time_80_to_100_s: From the last rise through 80 % of the reading to the reading; None with it, and when the
            recording begins above 80 %.
        loading_rate_per_s: Slope of the straight line over that stretch, torque per second; None with it.
        flags: In the order of `Flag`.
        noticed: One entry a flag, same order.
        marks: Places on the curve, oldest first.
        sampling_hides_percent: How much of the reading the sampling interval may hide at this rate of loading.
    """

    start_s: float
    end_s: float
    direction: Direction
    mode: Mode
    reading: float | None
    reading_time_s: float | None
    peak: float
    first_peak: float | None
    rest: float
    rest_after: float | None
    time_80_to_100_s: float | None
    loading_rate_per_s: float | None
    flags: tuple[Flag, ...] = ()
    noticed: tuple[Noticed, ...] = ()
    marks: tuple[Mark, ...] = ()
    sampling_hides_percent: float | None = None
