"""The arm that pulls: an intention, a reaction time, dips, wander and tremor.

The hand's effort is the torque it would put on a handle that holds. It does not know about the tool but through
`felt_click`, and then only after its reaction time.

Figures, with marks as in `simulator.tools`: ramp of 8 to 40 %/s near the target, to 500 %/s when snatched [P]; force
noise of 0.3 to 1 % RMS below 4 Hz [P; that most power lies there: Vaillancourt 2002 as cited]; a band at 8 to 12 Hz
of 0.05 to 0.4 % RMS for a steady arm, 1 to 3 % for a shaky one [P; a peak between 6 and 12 Hz: Lakie et al., J
Physiol 593 (2015) 4411]; not proportional to force down to nothing (Sutton and Sykes, J Physiol 1967); the hand goes
on for 0.08 to 0.5 s after the click [P]; a dip of an arm takes a tenth of a second and more [P].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from simulator.signals import Course, FloatArray, Process, band_pass, low_pass


class Manner(StrEnum):
    """How a pull is made."""

    STEADY = "steady"
    JERKY = "jerky"
    SNATCHED = "snatched"
    PAST_CLICK = "past-click"
    SHORT = "short"
    TWICE = "twice"
    SHAKY = "shaky"
    REACH = "reach"
    KEY = "key"


@dataclass(frozen=True, slots=True)
class Arm:
    """What stays the same with one person for a while.

    Attributes:
        wander: RMS share of force below 4 Hz.
        tremor: RMS share of force around `tremor_hz`.
        tremor_hz: 6 to 12.
        tremor_quality: Centre over half-power width; 4 to 8 makes bursts of half a second as seen on arms [P].
    """

    wander: float = 0.005
    tremor: float = 0.002
    tremor_hz: float = 9.0
    tremor_quality: float = 5.0


def draw_arm(random: np.random.Generator, *, shaky: bool = False) -> Arm:
    """Return an arm within the ranges above."""
    tremor = random.uniform(0.01, 0.03) if shaky else math.exp(random.uniform(math.log(0.0005), math.log(0.004)))
    return Arm(
        wander=random.uniform(0.003, 0.010),
        tremor=tremor,
        tremor_hz=random.uniform(7.0, 12.0),
        tremor_quality=random.uniform(4.0, 8.0),
    )


@dataclass(frozen=True, slots=True)
class Dip:
    """The arm gives way for a moment and takes up again.

    Attributes:
        at_s: Beginning, since the beginning of the pull.
        depth: Share of the torque.
        fall_s: Until the bottom, 0.10 to 0.28 [P].
        back_s: Until it has gone, 0.1 to 0.45 [P].
    """

    at_s: float
    depth: float
    fall_s: float
    back_s: float


@dataclass(frozen=True, slots=True)
class Intention:
    """One application of force, as intended.

    Attributes:
        course: Torque over time since the beginning, N·m.
        scale_nm: The torque it is about; noise near zero is taken from it.
        ends_s: Time at which the hand eases off even without a click; infinite for a held key.
        reaction_s: From the click until the hand begins to ease off; infinite for a held key.
        ease_s: Time of easing off.
        surge_nm: What the hand adds within `surge_s` after the click before it notices.
        surge_s: Time of that.
        most_nm: All the strength there is.
        dips: Moments of giving way.
        ease_to_nm: Eases off to this only, when `then` follows.
        then: The next application, without rest between.
    """

    course: Course
    scale_nm: float
    ends_s: float
    reaction_s: float = 0.2
    ease_s: float = 0.3
    surge_nm: float = 0.0
    surge_s: float = 0.15
    most_nm: float = math.inf
    dips: Sequence[Dip] = field(default_factory=tuple)
    ease_to_nm: float = 0.0
    then: Intention | None = None

    def at(self, t_s: FloatArray, click_s: float) -> FloatArray:
        """Intended torque at times since the beginning; `click_s` is infinite before one; shape (n,), N·m, >= 0."""
        torque = self.course.at(t_s)
        if self.surge_nm and math.isfinite(click_s):
            x = np.clip((t_s - click_s) / self.surge_s, 0.0, 1.0)
            torque = torque + self.surge_nm * x * x * (3.0 - 2.0 * x)
        for dip in self.dips:
            x = t_s - dip.at_s
            down = 0.5 - 0.5 * np.cos(np.pi * np.clip(x / dip.fall_s, 0.0, 1.0))
            up = 0.5 + 0.5 * np.cos(np.pi * np.clip((x - dip.fall_s) / dip.back_s, 0.0, 1.0))
            torque = torque * (1.0 - dip.depth * np.minimum(down, up))
        if math.isfinite(self.most_nm):  # strength gives out softly over its last fifth
            knee = 0.8 * self.most_nm
            room = self.most_nm - knee
            torque = np.where(torque > knee, knee + room * (1.0 - np.exp(-np.maximum(torque - knee, 0) / room)), torque)
        positive: FloatArray = np.maximum(torque, 0.0)
        return positive


def steady(
    target_nm: float,
    random: np.random.Generator,
    *,
    rate_percent_per_s: float | None = None,
    take_up_s: float | None = None,
) -> Intention:
    """A rise taken up quickly to about two thirds, then even through the last fifth, until the click is felt."""
    rate = (random.uniform(8.0, 36.0) if rate_percent_per_s is None else rate_percent_per_s) / 100.0 * target_nm
    take_up = random.uniform(0.5, 1.4) if take_up_s is None else take_up_s
    knee = random.uniform(0.5, 0.72) * target_nm
    lead = (0.80 * target_nm - knee) / max(rate * random.uniform(1.0, 1.6), 1e-12)
    course = Course(
        np.array([0.0, 0.25 * take_up, take_up, take_up + lead]),
        np.array([0.0, random.uniform(0.03, 0.12) * target_nm, knee, 0.80 * target_nm]),
        rate,
    )
    until_target = take_up + lead + 0.2 * target_nm / rate
    return Intention(
        course,
        target_nm,
        ends_s=until_target * 1.3 + 1.0,
        reaction_s=random.uniform(0.08, 0.30),
        ease_s=random.uniform(0.12, 0.5),
        surge_nm=target_nm * random.uniform(-0.14, 0.03),  # the running handle takes some of the force away
        surge_s=random.uniform(0.06, 0.2),
        most_nm=1.9 * target_nm,
    )


def jerky(target_nm: float, random: np.random.Generator, n_dips: int | None = None) -> Intention:
    """A rise with one to three dips of 8 to 35 % before the click."""
    base = steady(target_nm, random, rate_percent_per_s=random.uniform(12.0, 38.0))
    count = int(random.integers(1, 4)) if n_dips is None else n_dips
    # where the undisturbed rise goes from a quarter to 96 %: dips begin there, apart from each other
    t = np.linspace(0.0, base.ends_s, 4000)
    rise = base.course.at(t) / target_nm
    first, last = float(t[np.argmax(rise > 0.25)]), float(t[np.argmax(rise > 0.96)])
    dips = []
    edges = np.linspace(first, last, count + 1)
    for k in range(count):
        fall, back = random.uniform(0.10, 0.28), random.uniform(0.10, 0.40)
        span = edges[k + 1] - edges[k]
        dips.append(
            Dip(float(edges[k] + random.uniform(0.0, 0.6) * span), random.uniform(0.08, 0.35), float(fall), float(back))
        )
    return replace(base, dips=tuple(dips), ends_s=base.ends_s + 1.0)


def snatched(target_nm: float, random: np.random.Generator) -> Intention:
    """The whole rise in about 0.2 s, 250 to 500 %/s near the target."""
    rise = random.uniform(0.15, 0.28)
    rate = random.uniform(2.5, 5.0) * target_nm
    course = Course(
        np.array([0.0, 0.3 * rise, rise]),
        np.array([0.0, random.uniform(0.08, 0.2) * target_nm, random.uniform(0.75, 0.9) * target_nm]),
        rate,
    )
    return Intention(
        course,
        target_nm,
        ends_s=rise + 0.25,
        reaction_s=random.uniform(0.08, 0.25),
        ease_s=random.uniform(0.1, 0.3),
        most_nm=target_nm * random.uniform(1.25, 1.9),
    )


def past_click(target_nm: float, random: np.random.Generator) -> Intention:
    """The click does not stop the hand: 0.5 to 1.1 s on, and 25 to 90 % above."""
    base = steady(target_nm, random)
    return replace(
        base,
        reaction_s=random.uniform(0.5, 1.1),
        surge_nm=target_nm * random.uniform(0.3, 0.9),
        surge_s=random.uniform(0.25, 0.5),
        most_nm=3.0 * target_nm,
        ends_s=base.ends_s + 2.0,
    )


def short(target_nm: float, random: np.random.Generator) -> Intention:
    """Stops at 35 to 92 % of the target, waits a moment, and eases off without a click."""
    top = random.uniform(0.35, 0.92) * target_nm
    rise = random.uniform(0.8, 3.0)
    stay = random.uniform(0.05, 0.8)
    course = Course(
        np.array([0.0, 0.25 * rise, 0.7 * rise, rise, rise + stay + 0.6]),
        np.array([0.0, 0.1 * top, 0.75 * top, top, top * random.uniform(0.94, 1.005)]),
        0.0,
    )
    return Intention(course, target_nm, ends_s=rise + stay, ease_s=random.uniform(0.25, 0.9), most_nm=3 * target_nm)


def twice(target_nm: float, random: np.random.Generator) -> Intention:
    """Two applications without rest between: eases off to 6 to 22 % and pulls again."""
    again = steady(target_nm, random, rate_percent_per_s=random.uniform(15.0, 38.0))
    base = steady(target_nm, random)
    return replace(
        base, ease_to_nm=target_nm * random.uniform(0.06, 0.22), ease_s=random.uniform(0.25, 0.5), then=again
    )


def reach(target_nm: float, random: np.random.Generator, *, hold_s: float = 2.0, overshoot: float = 0.0) -> Intention:
    """Comes up to the target by eye, corrects itself, holds, and eases off.

    Args:
        target_nm: N·m.
        random: Source of variation.
        hold_s: Time on the target.
        overshoot: Share of the target by which the hand runs over first; negative stops short first.
    """
    rise, settle = random.uniform(1.2, 3.0), random.uniform(0.4, 0.9)
    top = target_nm * (1.0 + overshoot)
    end = target_nm * random.uniform(0.995, 1.005)
    course = Course(
        np.array([0.0, 0.2 * rise, 0.7 * rise, rise, rise + settle, rise + settle + hold_s]),
        np.array([0.0, 0.1 * target_nm, 0.8 * target_nm, top, target_nm, end]),
        0.0,
    )
    return Intention(
        course, target_nm, ends_s=rise + settle + hold_s, ease_s=random.uniform(0.25, 0.7), most_nm=3 * target_nm
    )


def held_key(target_nm: float, rate_percent_per_s: float) -> Intention:
    """A pull for as long as a key is down; the arm tires out at 1.6 times the target."""
    rate = rate_percent_per_s / 100.0 * target_nm
    knee_s = min(0.6, 0.3 * target_nm / rate)
    quick = 0.7 * target_nm / 1.5  # the way to the last third is quicker than the rest, as with the other manners
    course = Course(
        np.array([0.0, knee_s, knee_s + 1.0]),
        np.array([0.0, 0.25 * quick, min(0.7 * target_nm, 0.25 * quick + max(quick, rate))]),
        rate,
    )
    return Intention(course, target_nm, ends_s=math.inf, reaction_s=math.inf, ease_s=0.3, most_nm=1.6 * target_nm)


class Hand:
    """One arm, at rest or pulling. Times are samples of the inner clock.

    Args:
        arm: Whose.
        rate_hz: Of the inner clock.
        random: Own generator; wander and tremor take generators of their own from it.
    """

    def __init__(self, arm: Arm, rate_hz: float, random: np.random.Generator) -> None:
        self._rate = rate_hz
        wander_random, tremor_random = random.spawn(2)
        self.arm = arm
        self._wander = Process(low_pass(2.0, rate_hz, 2), wander_random)
        self._tremor = Process(band_pass(arm.tremor_hz, arm.tremor_quality, rate_hz), tremor_random)
        self._shake = arm.tremor
        self._plan: Intention | None = None
        self._began = 0
        self._click = math.inf  # sample since `_began`
        self._ease_at = math.inf  # sample since `_began`
        self._easing_from: float | None = None
        self._floor = 0.0
        self._last = 0.0
        self._base: FloatArray = np.empty(0)

    @property
    def phase(self) -> str:
        """One of rest, pulling, let-go (felt or not), easing."""
        if self._plan is None:
            return "rest"
        if self._easing_from is not None:
            return "easing"
        return "let-go" if math.isfinite(self._click) else "pulling"

    def start(self, plan: Intention) -> None:
        """Begin an application; one under way is dropped where it is (never jumps: the new one starts from there)."""
        self._floor = self._last if self._plan is not None else 0.0
        self._plan = plan
        self._began, self._click, self._easing_from = 0, math.inf, None
        self._ease_at = plan.ends_s * self._rate

    def shaky(self, tremor: float | None) -> None:
        """Tremble with this RMS share from now on; None: as the arm does."""
        self._shake = self.arm.tremor if tremor is None else tremor

    def felt_click(self) -> None:
        """The tool let go at the sample that comes next."""
        if self._plan is None or self._easing_from is not None or math.isfinite(self._click):
            return
        self._click = float(self._began)
        self._ease_at = min(self._ease_at, self._click + self._plan.reaction_s * self._rate)

    def release(self) -> None:
        """Ease off now, and do not pull again."""
        if self._plan is not None and self._easing_from is None:
            self._plan = replace(self._plan, then=None, ease_to_nm=0.0)
            self._ease_at = float(self._began)

    def effort(self, n: int) -> FloatArray:
        """Look at the next samples: shape (m,), 1 <= m <= n, N·m; shorter when the phase changes. Takes nothing."""
        plan = self._plan
        if plan is None:
            return np.zeros(n)
        if self._easing_from is None and self._began >= self._ease_at:
            self._easing_from = self._last
            self._click, self._ease_at = math.inf, math.inf
            self._began = 0
        index = self._began + np.arange(n)
        if self._easing_from is None:
            left = self._ease_at - self._began  # infinite for a held key
            t_s = index[: n if left >= n else max(math.ceil(left), 1)] / self._rate
            base = np.maximum(plan.at(t_s, self._click / self._rate), self._floor)
        else:
            n_ease = max(int(plan.ease_s * self._rate), 1)
            x = (index[: max(min(n, n_ease - self._began), 1)] + 1) / n_ease
            share = 0.5 + 0.5 * np.cos(np.pi * np.minimum(x, 1.0))
            base = plan.ease_to_nm + (self._easing_from - plan.ease_to_nm) * share
        m = len(base)
        moved = base + (0.85 * base + 0.15 * np.minimum(5.0 * base, plan.scale_nm)) * (
            self.arm.wander * self._wander.peek(m) + self._shake * self._tremor.peek(m)
        )
        self._base = base
        effort: FloatArray = np.maximum(moved, 0.0)
        return effort

    def take(self, n: int) -> None:
        """Go on by n samples of what `effort` last showed; n <= its length."""
        if self._plan is None:
            return
        self._wander.take(n)
        self._tremor.take(n)
        self._last = float(self._base[n - 1])
        self._began += n
        if self._easing_from is not None and self._began >= max(int(self._plan.ease_s * self._rate), 1):
            following = self._plan.then
            if following is not None:
                self.start(following)
                self._floor = self._last
            else:
                self._plan, self._easing_from, self._last, self._floor = None, None, 0.0, 0.0
