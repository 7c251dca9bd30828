"""Plans, pulls and a person with two keys, for the tests of this folder."""

import datetime as dt
from types import SimpleNamespace

import pytest

from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls.pull import Flag, Mode, Noticed, Pull
from benchapp.runs import events as e
from benchapp.runs import machine
from benchapp.runs.model import RunState, ZeroTaken
from benchapp.runs.planning import plan_run
from benchapp.runs.procedure import edited, shipped_procedure
from benchapp.torque.direction import Direction
from drivers.samples import Source

WALL = "2026-03-04T09:12:31+00:00"


def tool(**changes):
    given = {
        "number": "OCF-014",
        "tool_type": ToolType.SETTING,
        "tool_class": "A",
        "unit": "N·m",
        "lowest": 8.0,
        "highest": 40.0,
        "resolution": 0.5,
    }
    return Tool(**(given | changes))


def reference(number="REF-1", low=2.0, high=100.0, **changes):
    points = tuple(CalibrationPoint(x, x, 0.2) for x in (low, high / 2, high))
    calibration = Calibration("C-1", "laboratory 1", dt.date(2026, 1, 5), dt.date(2027, 1, 5), low, high, 2.0, points)
    given = {"number": number, "capacity_nm": high, "calibrations": (calibration,)}
    return Reference(**(given | changes))


def plan(the_tool=None, procedure="workshop-full", **options):
    return plan_run(
        the_tool or tool(),
        options.pop("reference", None) or reference(),
        shipped_procedure(procedure) if isinstance(procedure, str) else procedure,
        "fitter 2",
        options.pop("source", Source.SIMULATED),
        **options,
    )


def pull(reading, *flags, direction=Direction.CLOCKWISE, peak=None, mode=Mode.FIRST_PEAK):
    return Pull(
        0.0, 2.0, direction, mode, reading, None if reading is None else 1.5,
        peak if peak is not None else (reading or 0.0) * 1.1, reading, 0.0, 0.0, 0.9, 5.0,
        tuple(flags), tuple(Noticed(flag) for flag in flags),
    )  # fmt: skip


def zero(level=0.01):
    return ZeroTaken(level, 0.001, 0.0, 1.0, WALL)


class Walker:
    """A run and what the last steps wanted done."""

    def __init__(self, the_plan=None):
        self.run = machine.begin("run-1", the_plan or plan(), WALL)
        self.effects = ()

    def __call__(self, *events, wall=WALL):
        for event in events:
            self.run, self.effects = machine.step(self.run, event, wall)
        return self.run.state

    @property
    def told(self):
        return next((effect.key for effect in self.effects if isinstance(effect, e.Tell)), "")

    @property
    def choices(self):
        return [choice.key for choice in self.run.choices]

    def to_pull(self):
        """Walk as the person does until the run waits for a reading."""
        for _ in range(40):
            if self.run.state is RunState.PULL:
                return self
            self.natural()
        raise AssertionError(f"stuck in {self.run.state}")

    def natural(self, share=1.0):
        """Do the one thing that is asked for."""
        state = self.run.state
        if state in (RunState.ZERO, RunState.FINAL_ZERO):
            self(e.GoOn(), e.ZeroMeasured(zero()))
        elif state is RunState.PRELOAD:
            direction, _, target = self.run.plan.preloads[self.run.preload_index]
            self(e.PullRead(pull(target * share, direction=direction)))
        elif state is RunState.PULL:
            point = self.run.plan.checkpoints[self.run.checkpoint_index]
            self(e.PullRead(pull(point.target_nm * share, direction=point.direction)))
        else:
            self(e.GoOn())

    def to_end(self, share=1.0):
        for _ in range(300):
            if self.run.state is RunState.SEALED:
                return self
            self.natural(share)
        raise AssertionError(f"stuck in {self.run.state}")


@pytest.fixture
def make():
    return SimpleNamespace(
        tool=tool, reference=reference, plan=plan, pull=pull, zero=zero, walker=Walker, wall=WALL, Flag=Flag,
        procedure=shipped_procedure, edited=edited,
    )  # fmt: skip
