"""Runs, tools and traces of the Ombrey Chain Ferry, and a store to put them in."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls.pull import Flag, Mark, Mode, Noticed, Pull
from benchapp.records import Person, Store, ToolRecord
from benchapp.runs.model import Band, CapturedPull, Checkpoint, PullKind, Run, RunPlan, RunState, ZeroTaken
from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from drivers.samples import Gap, Source

START = dt.datetime(2026, 3, 4, 9, 12, 31, tzinfo=dt.timezone(dt.timedelta(hours=1)))


class Clock:
    """Wall time that moves a second a look, or as it is set."""

    def __init__(self, now: dt.datetime = START) -> None:
        self.now = now

    def __call__(self) -> dt.datetime:
        self.now += dt.timedelta(seconds=1)
        return self.now


def make_tool(number: str = "OCF-014", **fields: object) -> Tool:
    values: dict[str, object] = {
        "number": number,
        "tool_type": ToolType.SETTING,
        "tool_class": "A",
        "unit": "N·m",
        "lowest": 8.0,
        "highest": 40.0,
        "resolution": 0.2,
        "serial": f"S-{number}",
        "drive": "3/8 in",
    }
    return Tool(**{**values, **fields})  # type: ignore[arg-type]


def make_calibration(certificate: str = "C-1", **fields: object) -> Calibration:
    values: dict[str, object] = {
        "certificate": certificate,
        "laboratory": "a laboratory",
        "calibrated": dt.date(2025, 11, 3),
        "due": dt.date(2026, 11, 3),
        "usable_from_nm": 2.0,
        "usable_to_nm": 100.0,
        "coverage_factor": 2.0,
        "points": tuple(CalibrationPoint(nm, nm * 1.0003, 0.12) for nm in (2.0, 10.0, 50.0, 100.0)),
    }
    return Calibration(**{**values, **fields})  # type: ignore[arg-type]


def make_reference(number: str = "REF-1", *certificates: str) -> Reference:
    return Reference(
        number, 100.0, identity=f"{number} 100 Nm", calibrations=tuple(map(make_calibration, certificates or ("C-1",)))
    )


def make_run(
    run_id: str = "run-1",
    *,
    tool: Tool | None = None,
    reference: Reference | None = None,
    source: Source = Source.LIVE,
    operator: str = "fitter 2",
    started: str = "2026-03-04T09:00:00+01:00",
) -> Run:
    tool = tool or make_tool()
    points = tuple(
        Checkpoint(
            tool.highest * share,
            tool.highest * share,
            Direction.CLOCKWISE,
            3,
            4.0,
            share * 100,
            tool.highest * share / 1.04,
            tool.highest * share / 0.96,
        )
        for share in (0.2, 0.6, 1.0)
    )
    plan = RunPlan(
        tool=tool,
        reference=reference or make_reference(),
        procedure={"name": "three readings", "limit_percent": {"value": 4, "source": "ISO 6789-1:2017", "mark": "C"}},
        procedure_name="ISO 6789:2017, three readings",
        mode=Mode.FIRST_PEAK,
        checkpoints=points,
        preloads=((Direction.CLOCKWISE, 1, tool.highest),),
        operator=operator,
        source=source,
        detector="kilter 1",
    )
    return Run(run_id, plan, RunState.PRELOAD, started, zeros=(ZeroTaken(0.011, 0.004, 0.001, 3.2, started),))


def make_pull(number: int, checkpoint: int | None, target: float, *, off_percent: float = 1.0) -> CapturedPull:
    reading = target * (1 + off_percent / 100)
    deviation = (target - reading) / reading * 100
    low, high = target / 1.04, target / 0.96
    band = Band.LOW if reading < low else Band.HIGH if reading > high else Band.IN
    return CapturedPull(
        number,
        PullKind.PRELOAD if checkpoint is None else PullKind.READING,
        checkpoint,
        Pull(
            start_s=0.41 + number,
            end_s=2.93 + number,
            direction=Direction.CLOCKWISE,
            mode=Mode.FIRST_PEAK,
            reading=reading,
            reading_time_s=2.51 + number,
            peak=reading * 1.12,
            first_peak=reading,
            rest=0.01,
            rest_after=0.012,
            time_80_to_100_s=0.9,
            loading_rate_per_s=6.4,
            flags=(Flag.SPIKE,),
            noticed=(Noticed(Flag.SPIKE, 2.0, 0.0, "samples", 1.0, 1.002),),
            marks=(Mark("80", 1.61 + number, reading * 0.8), Mark("click", 2.51 + number, reading)),
            sampling_hides_percent=0.003,
        ),
        indication_nm=None if checkpoint is None else target,
        deviation_percent=None if checkpoint is None else deviation,
        band=None if checkpoint is None else band,
    )


def make_trace(n: int = 5000, *, seed: int = 1, source: Source = Source.LIVE, top: float = 40.0) -> Trace:
    """A ramp in hundredths with noise of 0.02 N·m at 1 kHz, a click near the end."""
    rng = np.random.default_rng(seed)
    torque = np.concatenate([np.linspace(0.0, top, n - n // 10), np.linspace(top * 0.7, 0.0, n // 10)])
    digits = np.round((torque + rng.normal(0.0, 0.02, n)) * 100).astype(np.int64)
    return Trace(
        t_s=np.arange(n) / 1000.0 + 0.125,
        torque=digits / 100.0,
        unit="N·m",
        source=source,
        digits=digits,
        decimals=2,
        capacity=100.0,
        nominal_rate_hz=1000.0,
        recorded="2026-03-04T09:12:31+01:00",
        gaps=(Gap(1.0, 0.003, 2),),
    )


def pull_all(
    store: Store, run: Run, *, off_percent: float = 1.0, n_samples: int = 400, source: Source | None = None
) -> Run:
    """Begin a run, store one preload and three readings a checkpoint, and bring it to its verdict."""
    source = source or run.plan.source
    store.begin_run(run)
    number = 0
    for index in (None, *range(len(run.plan.checkpoints))):
        target = run.plan.tool.highest_nm if index is None else run.plan.checkpoints[index].target_nm
        for _ in range(1 if index is None else run.plan.checkpoints[index].n_readings):
            number += 1
            pull = make_pull(number, index, target, off_percent=off_percent)
            run = dataclasses.replace(run, pulls=(*run.pulls, pull), checkpoint_index=index or 0, state=RunState.PULL)
            store.store_pull(run, pull, make_trace(n_samples, seed=number, source=source, top=target))
    run = dataclasses.replace(run, state=RunState.VERDICT, finished="2026-03-04T09:20:00+01:00")
    store.save_run(run)
    return run


def sealed_run(store: Store, run_id: str = "run-1", **fields: object) -> Run:
    off = fields.pop("off_percent", 1.0)
    run = pull_all(store, make_run(run_id, **fields), off_percent=off)  # type: ignore[arg-type]
    store.seal(run)
    sealed = store.run(run_id)
    assert sealed is not None
    return sealed


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "records.sqlite"


@pytest.fixture
def open_store(path: Path, clock: Clock) -> Iterator[Callable[..., Store]]:
    opened: list[Store] = []

    def open_one(where: Path = path, *, demo: bool = False) -> Store:
        opened.append(Store.open(where, demo=demo, clock=clock))
        return opened[-1]

    yield open_one
    for store in opened:
        store.close()


@pytest.fixture
def store(open_store: Callable[..., Store]) -> Store:
    """A live store with a tool, a reference and three people."""
    store = open_store()
    furnish(store)
    return store


def furnish(store: Store) -> None:
    store.save_tool(ToolRecord(make_tool(), place="ferry 1", keeper="fitter 2"))
    store.save_reference(make_reference(), who="custodian")
    for person in (Person("fitter 2", code="P2"), Person("fitter 3"), Person("custodian", is_custodian=True)):
        store.save_person(person)
