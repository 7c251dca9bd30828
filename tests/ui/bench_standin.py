"""A bench that is not there: plays views and samples that a test wrote, and remembers what it was asked to do.

Shared by the tests of the window, by the drawing benchmark and by `bench_pictures.py`.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from benchapp.metrology.judgement import Ambient, CheckpointInput, JudgeInput, Judgement, ReadingInput, judge
from benchapp.metrology.reference import Reference
from benchapp.metrology.rules import Rule, RuleKind
from benchapp.metrology.suitability import ReferenceUse
from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls.pull import Flag, Mark, Mode, Noticed, Pull
from benchapp.runs.model import Band, CapturedPull, Checkpoint, Choice, PullKind, Run, RunPlan, RunState
from benchapp.runs.procedure import procedure_to_data, shipped_procedure
from benchapp.session.view import (
    Asked,
    BenchView,
    Card,
    CheckpointResult,
    Dot,
    LinkView,
    Phase,
    PracticeAim,
    PracticePull,
    Rung,
    VerdictView,
)
from benchapp.torque.direction import Direction
from drivers.samples import Source

CW = Direction.CLOCKWISE

TOOL = Tool(
    number="OCF-014",
    tool_type=ToolType.SETTING,
    tool_class="A",
    unit="N·m",
    lowest=30.0,
    highest=150.0,
    resolution=1.0,
)
REFERENCE = Reference(number="REF-1", capacity_nm=200.0, profile="signed value with unit")


def checkpoint(target: float, direction: Direction = CW, n: int = 3, limit: float = 4.0) -> Checkpoint:
    """A checkpoint with the corridor of (Xa − Xr)/Xr."""
    return Checkpoint(
        target=target,
        target_nm=target,
        direction=direction,
        n_readings=n,
        limit_percent=limit,
        percent_of_highest=None,
        low_nm=target / (1 + limit / 100),
        high_nm=target / (1 - limit / 100),
    )


CHECKPOINTS = (checkpoint(30.0), checkpoint(90.0), checkpoint(150.0))


def plan(tool: Tool = TOOL, checkpoints: tuple[Checkpoint, ...] = CHECKPOINTS, mode: Mode = Mode.FIRST_PEAK) -> RunPlan:
    """A plan of three checkpoints."""
    return RunPlan(
        tool=tool,
        reference=REFERENCE,
        procedure=procedure_to_data(shipped_procedure("workshop-full")),
        procedure_name="Workshop, three readings",
        mode=mode,
        checkpoints=checkpoints,
        preloads=((CW, 5, tool.highest_nm),),
        operator="fitter 2",
        source=Source.SIMULATED,
    )


def run(state: RunState, **more: Any) -> Run:
    """A run that stands in `state`."""
    given: dict[str, Any] = {"plan": plan(), "ambient": {"start_c": 21.5}}
    given.update(more)
    return Run(run_id="0b7e", state=state, started="2026-03-04T09:10:00+00:00", **given)


AIR = Ambient(21.5, None, None, 18.0, 28.0, 1.0, 90.0)

LINK = LinkView("streaming", "socket://127.0.0.1:5001", "", 1000.0, 48_211, 3, 0)


def rungs(
    current: int = 0, done: tuple[Dot, ...] = (), checkpoints: tuple[Checkpoint, ...] = CHECKPOINTS
) -> tuple[Rung, ...]:
    """The ladder with `done` readings on the current rung; the rungs below are finished and IN."""
    result = []
    for i, each in enumerate(checkpoints):
        if i < current:
            dots = tuple(Dot(Band.IN) for _ in range(each.n_readings))
        elif i == current:
            dots = done + tuple(Dot(None) for _ in range(each.n_readings - len(done)))
        else:
            dots = tuple(Dot(None) for _ in range(each.n_readings))
        result.append(Rung(each, dots, i == current))
    return tuple(result)


def pull_of(
    reading: float | None, *flags: Noticed, click_s: float = 4.6, start_s: float = 0.4, peak: float | None = None
) -> Pull:
    """A pull that let go at `reading`."""
    marks = () if reading is None else (Mark("start", start_s, 0.0), Mark("click", click_s, reading))
    return Pull(
        start_s=start_s,
        end_s=click_s + 0.6,
        direction=CW,
        mode=Mode.FIRST_PEAK,
        reading=reading,
        reading_time_s=None if reading is None else click_s,
        peak=peak if peak is not None else (reading or 21.0) * 1.15,
        first_peak=reading,
        rest=0.0,
        rest_after=0.0,
        time_80_to_100_s=None if reading is None else 0.9,
        loading_rate_per_s=None if reading is None else 6.4,
        flags=tuple(f.flag for f in flags),
        noticed=flags,
        marks=marks,
    )


def card(reading: float | None, number: int = 2, target: float = 30.0, pull: Pull | None = None, **more: Any) -> Card:
    """A capture card by the ISO formula."""
    at = checkpoint(target)
    band = None
    if reading is not None:
        band = Band.LOW if reading < at.low_nm else Band.HIGH if reading > at.high_nm else Band.IN
    given: dict[str, Any] = {
        "pull_number": number,
        "kind": PullKind.READING,
        "torque_nm": reading,
        "provisional": False,
        "stored": True,
        "band": band,
        "deviation_percent": None if reading is None else (target - reading) / reading * 100,
        "delivered_percent": None if reading is None else (reading - target) / target * 100,
        "limit_percent": 4.0,
        "formula": "ISO 6789",
        "pull": pull or pull_of(reading),
    }
    given.update(more)
    return Card(**given)


def view(state: RunState | None, **more: Any) -> BenchView:
    """A view of a run in `state` at the first checkpoint."""
    given: dict[str, Any] = {
        "serial": 1,
        "source": Source.SIMULATED,
        "link": LINK,
        "capacity_nm": 200.0,
        "zero_wall": "09:12",
        "time_window_s": (0.5, 4.0),
    }
    if state is not None:
        given |= {
            "run": run(state),
            "state": state,
            "target_nm": 30.0,
            "target": 30.0,
            "checkpoint": CHECKPOINTS[0],
            "pull_index": 2,
            "n_pulls": 3,
            "rungs": rungs(0, (Dot(Band.IN),)),
        }
    given.update(more)
    return BenchView(**given)


def judgement(
    factors: tuple[float, ...],
    checkpoints: tuple[Checkpoint, ...],
    expanded: float,
    aside: float | None = None,
    ambient: Ambient = AIR,
) -> Judgement:
    """The judgement of those readings under a guard band w = U, by the program's own rules."""
    spread = (-0.004, 0.0, 0.005, 0.002, -0.002)
    inputs = []
    for each, factor in zip(checkpoints, factors, strict=True):
        readings = [ReadingInput(each.target_nm * (factor + spread[i % 5])) for i in range(each.n_readings)]
        if aside is not None:
            readings.append(ReadingInput(each.target_nm * aside, set_aside="the arm slipped", set_aside_by="fitter 2"))
        inputs.append(
            CheckpointInput(
                each.target_nm,
                each.limit_percent,
                tuple(readings),
                reference=ReferenceUse(expanded, drift_percent=0.1, residual_percent=0.05),
            )
        )
    return judge(JudgeInput(tuple(inputs), resolution_nm=0.2, rule=Rule(RuleKind.GUARD_BAND), ambient=ambient))


def verdict(
    factors: tuple[float, ...] = (0.99, 1.004, 0.985),
    checkpoints: tuple[Checkpoint, ...] = CHECKPOINTS,
    expanded: float = 0.5,
    aside: float | None = None,
) -> VerdictView:
    """A verdict over readings of target × factor (± a little)."""
    results = []
    for each, factor in zip(checkpoints, factors, strict=True):
        spread = (-0.004, 0.0, 0.005, 0.002, -0.002)
        readings = tuple(each.target_nm * (factor + spread[i % 5]) for i in range(each.n_readings))
        deviations = tuple((each.target_nm - r) / r * 100 for r in readings)
        within = all(each.low_nm <= r <= each.high_nm for r in readings)
        results.append(CheckpointResult(each, readings, deviations, sum(deviations) / len(deviations), within, within))
    fine = all(r.within for r in results)
    judged = judgement(factors, checkpoints, expanded, aside)
    return VerdictView(fine, fine, tuple(results), 0 if aside is None else len(results), judged)


def curve(
    kind: str, target: float = 30.0, rate: float = 1000.0, seconds: float = 6.0, factor: float = 0.97
) -> tuple[np.ndarray, np.ndarray]:
    """A pull by hand: "rise" (up to 90 %), "click", "jerky", "rest"."""
    rng = np.random.default_rng(7)
    t = np.arange(int(seconds * rate)) / rate
    v = np.zeros_like(t)
    top = target * factor
    if kind != "rest":
        begin, click = 0.4, 4.6
        share = np.clip((t - begin) / (click - begin), 0, 1)
        v = top * share**1.12
        if kind == "jerky":
            for at, depth in ((2.6, 0.22), (3.5, 0.14)):
                v *= 1 - depth * np.exp(-(((t - at) / 0.08) ** 2))
        if kind != "rise":
            after = t - click
            fall = np.clip(after / 0.008, 0, 1)
            bump = np.where(
                (after > 0.008) & (after < 0.34), 0.50 * np.sin(np.clip((after - 0.008) / 0.22, 0, 1) * math.pi / 2), 0
            )
            gone = np.clip((after - 0.2) / 0.25, 0, 1)
            v = np.where(after > 0, top * (1 - 0.34 * fall + bump) * (1 - gone), v)
    return t, v + rng.normal(0, 0.03, t.shape)


class StandIn:
    """The `BenchPort` of the tests."""

    def __init__(self, first: BenchView | None = None) -> None:
        self.shown = first if first is not None else view(None, link=LinkView("closed"), source=None, zero_wall="")
        self.t = np.empty(0)
        self.v = np.empty(0)
        self.asked: list[tuple[Any, ...]] = []
        self.seen: Asked | None = None  # what the screen asked at the last answer
        self.sounds: list[str] = []

    def show(self, new: BenchView) -> None:
        """Show this from now on."""
        self.shown = replace(new, serial=self.shown.serial + 1)

    def bring(self, t: np.ndarray, v: np.ndarray) -> None:
        """Samples that have come in."""
        self.t, self.v = np.concatenate((self.t, t)), np.concatenate((self.v, v))

    def view(self) -> BenchView:
        return self.shown

    def live(self) -> tuple[float, float]:
        return (float(self.t[-1]), float(self.v[-1])) if len(self.t) else (math.nan, math.nan)

    def samples_since(self, index: int) -> tuple[int, np.ndarray, np.ndarray]:
        return len(self.t), self.t[index:].copy(), self.v[index:].copy()

    def take_sounds(self) -> list[str]:
        sounds, self.sounds = self.sounds, []
        return sounds

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)

        def remember(*arguments: Any, seen: Asked | None = None, **more: Any) -> None:
            self.asked.append((name, *arguments, *more.values()))
            self.seen = seen

        return remember


class PracticeStandIn(StandIn):
    """The stand-in, with pulls outside of a run that a test closed.

    Attributes:
        closed: Pulls nobody has taken yet.
        aims: What was aimed at, oldest first.
        is_practising: Whether the bench reads for somebody else than a run.
        refuses: Why it would not; "" it does.
    """

    def __init__(self, first: BenchView | None = None) -> None:
        super().__init__(first or view(None))
        self.closed: list[PracticePull] = []
        self.aims: list[PracticeAim] = []
        self.is_practising = False
        self.refuses = ""

    @property
    def aim(self) -> PracticeAim | None:
        return self.aims[-1] if self.is_practising else None

    def start_practice(self, aim: PracticeAim) -> None:
        if self.refuses:
            raise ValueError(self.refuses)
        self.is_practising = True
        self.aims.append(aim)
        self.asked.append(("start_practice", aim))

    def stop_practice(self) -> None:
        self.is_practising = False
        self.asked.append(("stop_practice",))

    def take_practice_pulls(self) -> list[PracticePull]:
        taken, self.closed = self.closed, []
        return taken

    def zero(self) -> None:
        self.show(replace(self.shown, is_zeroing=True))


JERKY = Noticed(Flag.JERKY, 22.0, 3.0, "%", 2.45, 2.75)


def scenes() -> dict[str, tuple[BenchView, tuple[np.ndarray, np.ndarray], float]]:
    """Every state that is worth a look: name → (view, samples, time at which to look)."""
    from benchapp.runs.model import Hold

    rest, rise, click, jerky = (curve(k) for k in ("rest", "rise", "click", "jerky"))
    high = curve("click", factor=1.063)
    choices = tuple(Choice(k) for k in ("repeat", "keep", "set-aside"))
    jerked = CapturedPull(1, PullKind.READING, 0, pull_of(29.1, JERKY))
    reasons = tuple(
        Choice(k)
        for k in ("poor-pull", "drive-slipped", "wrong-setting", "disturbed", "knock", "reference", "other", "back")
    )
    first = rungs(0, ())
    two = rungs(0, (Dot(Band.IN), Dot(Band.IN)))
    dial = replace(TOOL, tool_type=ToolType.INDICATING, tool_class="B", has_memory=True, number="OCF-031")
    dial_plan = plan(dial, mode=Mode.PEAK)
    return {
        "empty": (view(None, link=LinkView("closed"), source=None, zero_wall="", capacity_nm=None), rest, 0.0),
        "cautions": (view(RunState.CAUTIONS, rungs=first, pull_index=0), rest, 3.0),
        "zero": (
            view(RunState.ZERO, rungs=first, zero_wall="", target_nm=None, target=None, checkpoint=None),
            rest,
            3.0,
        ),
        "zero-problem": (
            view(
                RunState.ZERO,
                rungs=first,
                zero_wall="",
                target_nm=None,
                target=None,
                checkpoint=None,
                zero_problem="Not still: it drifted by 0.42 N·m in 0.5 s; 0.05 N·m is allowed. Hands off, then again.",
            ),
            rest,
            3.0,
        ),
        "preload": (
            view(
                RunState.PRELOAD, rungs=first, target_nm=150.0, target=150.0, checkpoint=None, pull_index=2, n_pulls=5
            ),
            curve("rest"),
            3.0,
        ),
        "set-tool": (view(RunState.SET_TOOL, rungs=first, pull_index=1), rest, 3.0),
        "rising": (
            view(
                RunState.PULL,
                phase=Phase.RISING,
                eighty_s=3.9,
                card=card(29.31, 1, pull=pull_of(29.31, click_s=-5, start_s=-9)),
            ),
            rise,
            4.25,
        ),
        "click": (
            view(
                RunState.PULL,
                phase=Phase.RELEASED,
                card=Card(2, PullKind.READING, 29.1, provisional=True, stored=False, heard_s=4.6),
                rungs=two,
            ),
            click,
            4.95,
        ),
        "closed": (view(RunState.PULL, pull_index=3, card=card(29.10), rungs=two), click, 5.9),
        "flagged": (
            view(
                RunState.DECIDE,
                run=run(RunState.DECIDE, choices=choices, pending=(Flag.JERKY,), asked_about=1, pulls=(jerked,)),
                card=card(29.1, pull=pull_of(29.1, JERKY)),
                rungs=two,
            ),
            jerky,
            5.9,
        ),
        "reason": (
            view(
                RunState.REASON, run=run(RunState.REASON, choices=reasons, choice_index=1), card=card(29.1), rungs=two
            ),
            click,
            5.9,
        ),
        "high": (
            view(RunState.PULL, pull_index=3, card=card(31.9), rungs=rungs(0, (Dot(Band.IN), Dot(Band.HIGH)))),
            high,
            5.9,
        ),
        "indication": (
            view(
                RunState.INDICATION,
                run=run(RunState.INDICATION, plan=dial_plan),
                mode=Mode.PEAK,
                card=card(29.9, band=None, deviation_percent=None, delivered_percent=None),
            ),
            click,
            5.9,
        ),
        "final-zero": (
            view(RunState.FINAL_ZERO, rungs=rungs(3), target_nm=None, target=None, checkpoint=None),
            rest,
            3.0,
        ),
        "reset-tool": (view(RunState.RESET_TOOL, rungs=rungs(3), card=card(29.1)), rest, 3.0),
        "verdict-in": (view(RunState.VERDICT, rungs=rungs(3), verdict=verdict(), card=card(29.1)), rest, 3.0),
        "verdict-doubt": (
            view(
                RunState.VERDICT,
                rungs=rungs(3),
                source=Source.LIVE,
                run=run(RunState.VERDICT, ambient={"start_c": 21.5}),
                verdict=verdict((0.972, 1.004, 0.985), expanded=1.6, aside=1.035),
                card=card(29.1),
            ),
            rest,
            3.0,
        ),
        "verdict-out": (
            view(
                RunState.VERDICT,
                rungs=rungs(3),
                source=Source.LIVE,
                verdict=replace(verdict((1.01, 1.044, 1.061)), n_set_aside=1, within_with_set_aside=False),
                card=card(29.1),
            ),
            rest,
            3.0,
        ),
        "warn": (
            view(
                RunState.PULL,
                phase=Phase.RISING,
                overload_percent=97.0,
                target_nm=150.0,
                target=150.0,
                checkpoint=CHECKPOINTS[2],
                rungs=rungs(2),
            ),
            curve("rise", 194.0),
            4.6,
        ),
        "overload": (
            view(RunState.PULL, phase=Phase.RISING, overload_percent=104.0, holds=frozenset({Hold.OVERLOAD})),
            curve("rise", 208.0),
            4.6,
        ),
        "link-lost": (
            view(
                RunState.PULL,
                holds=frozenset({Hold.LINK}),
                link=LinkView(
                    "lost", "/dev/ttyUSB0", "/dev/ttyUSB0 went away; trying again every second.", 0.0, 48_211, 3, 1
                ),
            ),
            rise,
            3.2,
        ),
        "keyboard": (view(RunState.PULL, rungs=two, card=card(29.1)), click, 5.9),
        "anticlockwise": (
            view(
                RunState.PULL,
                phase=Phase.RISING,
                direction=Direction.ANTICLOCKWISE,
                eighty_s=3.9,
                rungs=rungs(0, (), tuple(checkpoint(x, Direction.ANTICLOCKWISE, 5) for x in (30.0, 90.0, 150.0))),
            ),
            (rise[0], -rise[1]),
            4.25,
        ),
    }


__all__ = ["CapturedPull", "StandIn", "scenes"]
