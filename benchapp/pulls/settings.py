"""The limits a reader works with; procedures may set others, records keep the ones used."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

DETECTOR: Final = "kilter pull reader 7"
"""Name and version of the definition in this package; goes up whenever a reading could change."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Defaults of the pull faults (DEVELOPERS.md, "Pull faults") and of what a pull is.

    Attributes:
        start_noise: A pull leaves rest by more than this many standard deviations of the noise, and …
        start_capacity: … than this share of the capacity, or …
        start_greatest: … without a capacity, of the greatest torque of the trace,
        start_s: … for at least this long, s.
        rest_s: … until it has been back for this long, s.
        jerky_share: Dip below the running maximum, share of it, and …
        jerky_noise: … in standard deviations, and …
        jerky_s: … for longer than this, s, and …
        jerky_from: … from above this share of the reading.
        fast_s: Shortest time from 80 to 100 % of the reading, s.
        slow_s: Longest, s.
        past_s: Longest time above the first peak after the click, s.
        past_share: Greatest peak over first peak.
        double_low: Share of the reading below which torque fell and …
        double_high: … above which it rose again before rest, …
        double_s: … later than this after the reading, s.
        short_share: Least share of the target.
        zero_share: Rest level from zero, share of the reading, and …
        zero_noise: … in standard deviations.
        tool_share: Greatest share of the tool's maximum.
        gap_samples: Least missing samples and …
        gap_s: … seconds that count as a gap.
        fall_share: Least fall of a letting-go within `fall_s`, share of the torque before it.
        fall_noise: … and in standard deviations.
        fall_s: The fast part of a letting-go, s: a mechanism is through in 5 to 30 ms, an arm needs 100 ms and more.
        fall_ratio: What falls within `fall_s` over what falls within `arm_s`; an arm's dip or tremor stays below.
        arm_s: See `fall_ratio`, s.
        hold_s: Length of a hold, s.
    """

    start_noise: float = 5.0
    start_capacity: float = 0.01
    start_greatest: float = 0.02
    start_s: float = 0.05
    rest_s: float = 0.15
    jerky_share: float = 0.03
    jerky_noise: float = 8.0
    jerky_s: float = 0.03
    jerky_from: float = 0.1
    fast_s: float = 0.5
    slow_s: float = 4.0
    past_s: float = 0.25
    past_share: float = 1.25
    double_low: float = 0.3
    double_high: float = 0.6
    double_s: float = 0.5
    short_share: float = 0.8
    zero_share: float = 0.005
    zero_noise: float = 3.0
    tool_share: float = 1.25
    gap_samples: float = 3.0
    gap_s: float = 0.005
    fall_share: float = 0.012
    fall_noise: float = 5.0
    fall_s: float = 0.015
    fall_ratio: float = 0.7
    arm_s: float = 0.03
    hold_s: float = 0.5
