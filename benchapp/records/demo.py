"""Demonstration records: the workshop of the Ombrey Chain Ferry, an invented river ferry with two boats.

Twenty-one tools, three references with calibrations, people as roles, years of runs, what the tools were used on, a
check standard pulled each morning of the last weeks, and a work list begun after a tool was found out. Everything goes
into a demo store and is marked as simulated. Curves and readings come from simple drawings of pulls, so that a reading
is what the reader finds on its curve; they are examples to look at, not measurements.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls import DETECTOR, read_pulls
from benchapp.pulls.pull import Mode, Pull
from benchapp.pulls.settings import Settings
from benchapp.records import check_standard, demo_practice, impact, worklist
from benchapp.records.joblist import import_jobs
from benchapp.records.model import JobEntry, Outcome, Person, ToolRecord, ToolState
from benchapp.records.store import Store
from benchapp.runs.model import CapturedPull, Checkpoint, PullKind, Run, RunPlan, RunState, ZeroTaken
from benchapp.runs.planning import plan_run
from benchapp.runs.procedure import Procedure, shipped_procedures
from benchapp.runs.standing import judged, reader_settings
from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from drivers.samples import FloatArray, IntArray, Source

RATE_HZ: Final = 1000.0
BOTH: Final = (Direction.CLOCKWISE, Direction.ANTICLOCKWISE)
_II, _I = ToolType.SETTING, ToolType.INDICATING

PEOPLE: Final = (
    Person("custodian", code="B-01", is_custodian=True),
    Person("fitter 1", code="B-11"),
    Person("fitter 2", code="B-12"),
    Person("fitter 3", code="B-13"),
    Person("deck hand", code="P-21", active=False),
)


def tools() -> list[tuple[ToolRecord, float, float]]:
    """Return (record, true error when new in percent, drift in percent a year) for every tool of the workshop."""

    def wrench(number: int, low: float, high: float, unit: str = "N·m", step: float = 1.0, **more: object) -> Tool:
        return Tool(f"OCF-{number:03d}", _II, "A", unit, low, high, resolution=step, **more)  # type: ignore[arg-type]

    def record(tool: Tool, place: str, keeper: str = "", **more: object) -> ToolRecord:
        return ToolRecord(tool, place=place, keeper=keeper, code=f"{tool.number}", **more)  # type: ignore[arg-type]

    bench = "electrical bench"
    shop, north, south, store = "workshop wall", "ferry north, engine room", "ferry south, engine room", "tool store"
    first = dt.date(2021, 4, 12)
    return [
        (record(wrench(1, 2, 10, step=0.1, drive="1/4 in"), shop, "fitter 1", first_use=first), 1.2, 0.3),
        (record(wrench(2, 5, 25, step=0.25, drive="1/4 in"), shop, "fitter 1", first_use=first), -0.8, 0.5),
        (record(wrench(3, 10, 50, step=0.5, drive="3/8 in"), shop, "fitter 2", first_use=first), 0.4, -0.4),
        (record(wrench(4, 20, 100, drive="1/2 in"), north, "fitter 2", first_use=first), -1.5, 1.2),
        (record(wrench(5, 20, 100, drive="1/2 in"), south, "fitter 3", first_use=first), 2.1, 0.1),
        (record(wrench(7, 40, 200, step=2, drive="1/2 in"), north, "fitter 2", first_use=first), 0.2, -0.7),
        (record(wrench(8, 40, 200, step=2, drive="1/2 in"), south, "fitter 3", first_use=first), -0.3, 0.4),
        (record(wrench(9, 80, 400, step=5, drive="3/4 in"), north, "fitter 2", first_use=first), 2.4, 0.7),
        (record(wrench(12, 10, 75, "lbf·ft", 1, drive="3/8 in"), store, "custodian", first_use=first), -0.6, 0.1),
        (record(wrench(14, 30, 150, drive="1/2 in"), shop, "fitter 2", interval_months=6, first_use=first), 0.5, -0.9),
        (record(wrench(15, 60, 340, step=2, drive="1/2 in"), shop, "fitter 1", first_use=first), -1.1, 4.6),
        (
            record(
                Tool("OCF-016", _II, "B", "N·m", 90, 90, fixed=True, drive="1/2 in"),
                north,
                "fitter 2",
                remark="wheel bolts",
            ),
            0.6,
            0.3,
        ),
        (record(Tool("OCF-017", _II, "C", "N·m", 16, 80, drive="3/8 in"), store, "custodian"), 0.1, 0.0),
        (
            record(
                Tool(
                    "OCF-020", _I, "B", "N·m", 20, 100, resolution=1, directions=BOTH, has_memory=True, drive="1/2 in"
                ),
                shop,
                "fitter 1",
            ),
            0.7,
            0.2,
        ),
        (
            record(
                Tool("OCF-021", _I, "C", "N·m", 10, 200, resolution=0.1, directions=BOTH, drive="1/2 in"),
                shop,
                "custodian",
            ),
            -0.4,
            0.1,
        ),
        (record(Tool("OCF-022", _I, "A", "kgf·m", 2, 20, resolution=0.5, drive="3/4 in"), south, "fitter 3"), 2.1, 0.4),
        (
            record(Tool("OCF-030", _II, "D", "cN·m", 100, 500, True, 5, drive="1/4 in hex"), bench, "fitter 3"),
            -1.9,
            0.8,
        ),
        (record(Tool("OCF-031", _II, "D", "cN·m", 40, 200, True, 2, drive="1/4 in hex"), bench, "fitter 3"), 5.0, 0.5),
        (
            record(
                Tool("OCF-032", _II, "E", "cN·m", 120, 120, True, fixed=True, drive="1/4 in hex"), bench, "fitter 3"
            ),
            0.3,
            0.2,
        ),
        (
            record(
                wrench(90, 20, 100, drive="1/2 in"),
                "case beside the bench",
                "custodian",
                remark="check standard of REF-1, used for nothing else",
            ),
            0.35,
            0.0,
        ),
        (record(wrench(40, 20, 120, drive="1/2 in"), store, "custodian", remark="spare"), 0.0, 0.1),
    ]


def references(today: dt.date) -> list[Reference]:
    """Return the three references: one that had moved at its third calibration, one due soon, one without."""

    def points(upto: float, error: float, curve: float, expanded: float) -> tuple[CalibrationPoint, ...]:
        found = []
        for direction in BOTH:
            for share in (0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0):
                applied = upto * share
                wobble = 0.04 * np.sin(9 * share + (1 if direction is Direction.CLOCKWISE else 2))
                shown = applied * (1 + (error + curve * share + float(wobble)) / 100)
                stated = expanded * (1.5 if share < 0.1 else 1.0)
                found.append(CalibrationPoint(applied, float(f"{shown:.6g}"), stated, direction))
        return tuple(found)

    def calibration(
        name: str, day: dt.date, upto: float, error: float, curve: float, stated: str = "0.5", degree: int = 2
    ) -> Calibration:
        return Calibration(
            certificate=name,
            laboratory="torque laboratory of the river authority",
            calibrated=day,
            due=day.replace(year=day.year + 2),
            usable_from_nm=upto * 0.02,
            usable_to_nm=upto,
            coverage_factor=2.0,
            points=points(upto, error, curve, 0.2),
            degree=degree,
            reference_class=stated,
            temperature_c=22.5,
        )

    year = today.year
    early = dt.date(year - 3, 2, 10)
    late = dt.date(year - 1, 3, 3) if today >= dt.date(year, 3, 3) else dt.date(year - 2, 3, 3)
    soon = today - dt.timedelta(days=2 * 365 - 20)
    return [
        Reference(
            "REF-1",
            200.0,
            "signed value with unit",
            "",
            (
                calibration("RA-0512", early.replace(year=early.year - 2), 200.0, 0.11, -0.12),
                calibration("RA-1187", early, 200.0, 0.18, -0.12),
                calibration("RA-2041", late, 200.0, 1.42, -0.10, "2"),
            ),
            serial="0417",
        ),
        Reference(
            "REF-2",
            15.0,
            "status word, value, unit and checksum",
            "XD-15 0093",
            (calibration("RA-2042", soon, 15.0, -0.21, 0.16),),
            serial="0093",
        ),
        Reference("REF-3", 1000.0, "bare value", serial="0560"),
    ]


def draw_pull(
    rng: np.random.Generator,
    torque_nm: float,
    capacity_nm: float,
    sign: int,
    decimals: int,
    *,
    target_nm: float,
    tool_max_nm: float,
    settings: Settings,
    indicating: bool = False,
    fault: str = "",
) -> tuple[FloatArray, IntArray, Pull]:
    """Draw one pull as samples (time in s, digits in N·m, clockwise positive) and read it as the session does.

    Args:
        rng: Makes each one a little different.
        torque_nm: Where it lets go (or is held), N·m.
        capacity_nm: Of the reference; sets the noise.
        sign: +1 clockwise.
        decimals: Decimal places of the digits.
        target_nm: Which the tool was set to.
        tool_max_nm: The tool's maximum.
        settings: Of the reader.
        indicating: Held instead of letting go.
        fault: "jerky", "too-fast", "past-click" or "".
    """
    start, rise = 0.4, float(rng.uniform(0.45, 0.8) if fault == "too-fast" else rng.uniform(2.6, 4.2))
    click = start + rise
    shape_t, shape_y = [0.0, start, start + 0.25 * rise, click], [0.0, 0.0, 0.22 * torque_nm, torque_nm]
    dip_at = start + 0.72 * rise
    past = 1.3 if fault == "past-click" else float(rng.uniform(1.02, 1.12))
    if indicating:
        end = click + 1.4
        shape_t += [click + 1.0, end]
        shape_y += [torque_nm * 1.001, 0.0]
    else:
        falls = float(rng.uniform(0.6, 0.8))
        end = click + 0.62
        shape_t += [click + 0.008, click + 0.2, end]
        shape_y += [torque_nm * falls, torque_nm * past, 0.0]
    t = np.arange(round((end + 0.4) * RATE_HZ)) / RATE_HZ
    y = np.interp(t, shape_t, shape_y)
    if fault == "jerky":
        y -= 0.14 * torque_nm * np.exp(-(((t - dip_at) / 0.07) ** 2))
    tremor = np.interp(t, [start, start + 0.1, click - 0.15, click - 0.03, end], [0, 1, 1, 0, 0])
    y += tremor * 0.003 * torque_nm * np.sin(2 * np.pi * 9.0 * t + float(rng.uniform(0, 6)))
    y += rng.normal(0.0, 2e-5 * capacity_nm, len(t))
    digits = np.round(y * sign * 10**decimals).astype(np.int64)
    found = read_pulls(
        t,
        digits / 10.0**decimals,
        mode=Mode.HOLD if indicating else Mode.FIRST_PEAK,
        capacity=capacity_nm,
        target=target_nm,
        tool_max=tool_max_nm,
        settings=settings,
    ).pulls
    if len(found) != 1:
        raise ValueError(f"a drawn pull to {torque_nm} N·m was read as {len(found)} pulls")
    return t, digits, found[0]


class _Clock:
    """Wall time of the demonstration: put to a day, then a minute on with every look."""

    def __init__(self, now: dt.datetime) -> None:
        self.now = now

    def __call__(self) -> dt.datetime:
        self.now += dt.timedelta(seconds=20)
        return self.now


def make(path: Path | str, *, today: dt.date, years: int = 4, seed: int = 7) -> None:
    """Write the demonstration store; a file that holds tools already is left as it is.

    Args:
        path: Of the demo store.
        today: The demonstration ends a few days before.
        years: How far its history goes back, 0 for tools and references without runs.
        seed: Same seed, same records.
    """
    rng = np.random.default_rng(seed)
    begin = dt.datetime(today.year - max(1, years), 1, 20, 8, 0, tzinfo=dt.UTC)
    clock = _Clock(begin)
    store = Store.open(path, demo=True, clock=clock)
    try:
        if store.tools(limit=1):
            return
        for person in PEOPLE:
            store.save_person(person, who="custodian")
        shop = references(today)
        coming = [(c.calibrated, r.number, c) for r in shop for c in r.calibrations if c.calibrated > begin.date()]
        late = {calibration.certificate for _, _, calibration in coming}
        shop = [
            replace(r, calibrations=tuple(c for c in r.calibrations if not years or c.certificate not in late))
            for r in shop
        ]
        for reference in shop:
            store.save_reference(reference, who="custodian", details={})
        stock = tools()
        for record, _, _ in stock:
            store.save_tool(record, who="custodian")
        full = next(p for p in shipped_procedures() if "full" in p.name.lower() or "2003" in p.name)
        spot = next(p for p in shipped_procedures() if p.is_spot_check)
        days: list[tuple[dt.datetime, int]] = _calendar(len(stock), begin, today, years, rng)
        if years:
            days += [(dt.datetime.combine(day, dt.time(9), dt.UTC), -1 - i) for i, (day, _, _) in enumerate(coming)]
            days += [(morning, CHECK) for morning in _mornings(today)]
        for when, index in sorted(days):
            if when > clock.now:
                clock.now = when
            if index == CHECK:
                _check(store, clock, rng, shop, stock, spot)
                continue
            if index < 0:
                _, number, calibration = coming[-1 - index]
                store.add_calibration(number, calibration, who="custodian")
                shop = store.references()
                continue
            record, error, drift = stock[index]
            standing = store.tool(record.number)
            if standing is not None and standing.state is not ToolState.IN_SERVICE:
                continue  # it is not there to be pulled
            age = (clock.now.date() - begin.date()).days / 365.25
            _run(store, clock, rng, record.tool, _reference_for(record.tool, shop), full, error + drift * age)
            stored = store.tool(record.number)
            if stored is not None and stored.state is ToolState.QUARANTINED:
                store.change_state(
                    record.number, ToolState.AT_LABORATORY, who="custodian", why="out of limits; sent to the laboratory"
                )
                _repaired(store, clock, rng, record, shop, full, back=index % 3 != 0)
                stock[index] = (record, float(rng.normal(0, 0.4)) - drift * age, drift)
        _leave_as_it_is(store, clock, today)
        if years:
            gone = {record.number: _gone_since(store, record.number) for record, _, _ in stock}
            jobs = [job for job in _jobs(stock, begin, today, rng) if job.at < (gone[job.tool] or "9")]
            import_jobs(store, jobs, who="custodian", origin="job cards")
            _begin_work_list(store)
            demo_practice.make(store, today=today)
    finally:
        store.close()


CHECK: Final = 10_000
"""Stands in the calendar for a morning's check."""
STANDARD: Final = "OCF-090"


def _mornings(today: dt.date) -> list[dt.datetime]:
    """Working days of the last eight weeks, without today."""
    days = [today - dt.timedelta(days=back) for back in range(56, 0, -1)]
    return [dt.datetime.combine(day, dt.time(6, 50), dt.UTC) for day in days if day.weekday() < 5]


def _check(
    store: Store,
    clock: _Clock,
    rng: np.random.Generator,
    shop: list[Reference],
    stock: list[tuple[ToolRecord, float, float]],
    spot: Procedure,
) -> None:
    """One morning's check; one of them was pulled badly, and the custodian said so."""
    reference = next(each for each in shop if each.number == "REF-1")
    standard, error, _ = next(each for each in stock if each[0].number == STANDARD)
    if check_standard.setup_of(store, reference.number) is None:
        check_standard.set_standard(
            store,
            *(reference.number, STANDARD, 60.0, Direction.CLOCKWISE),
            who="custodian",
            why="new, from one batch with OCF-040, kept in its case and used for nothing else",
        )
    before = check_standard.standing(store, reference.number)
    wrong = before is not None and len(before.points) == 24
    # From morning to morning the mean of a stable tool still varies: another hand, another temperature.
    moved = float(rng.normal(0, 0.12)) + (1.9 if wrong else 0.0)
    _run(store, clock, rng, standard.tool, reference, spot, error + moved, clean=True, target=60.0)
    now = check_standard.standing(store, reference.number)
    stop = now.stopped_by if now is not None else None
    if stop is not None:
        why = (
            "drive was not seated fully; seated, pulled again"
            if wrong
            else "looked at transducer and drive: nothing found"
        )
        check_standard.look_at(store, stop.value.key, who="custodian", why=why)
        if wrong:
            _run(store, clock, rng, standard.tool, reference, spot, error, clean=True, target=60.0)


_WORK: Final = (
    "chain wheel, bolts 1 to 12",
    "gear case, cover bolts",
    "anchor winch, foot",
    "ramp hinge, north side",
    "engine mount, port",
    "engine mount, starboard",
    "guide roller, cage",
    "steering quadrant",
)


def _jobs(
    stock: list[tuple[ToolRecord, float, float]], begin: dt.datetime, today: dt.date, rng: np.random.Generator
) -> list[JobEntry]:
    """What the tools were used on: every few weeks, on a boat or in the shop, at a torque of the tool."""
    found = []
    for record, _, _ in stock:
        tool = record.tool
        if record.number == STANDARD or "spare" in record.remark:
            continue
        day = begin + dt.timedelta(days=int(rng.integers(5, 40)))
        while day.date() < today - dt.timedelta(days=1):
            boat = ("ferry north", "ferry south")[int(rng.integers(0, 2))]
            share = float(rng.choice([0.4, 0.6, 0.8, 1.0]))
            found.append(
                JobEntry(
                    tool.number,
                    f"{boat}, {_WORK[int(rng.integers(0, len(_WORK)))]}",
                    f"fitter {int(rng.integers(1, 4))}",
                    (day + dt.timedelta(minutes=int(rng.integers(0, 480)))).isoformat(timespec="seconds"),
                    int(rng.integers(1, 7)) * 4,
                    round(max(tool.lowest_nm, tool.highest_nm * share), 6),
                )
            )
            day += dt.timedelta(days=int(rng.integers(12, 60)))
    return sorted(found, key=lambda job: job.at)


def _gone_since(store: Store, number: str) -> str:
    """When a tool left service for good so far, ISO 8601; "" it is there."""
    changes = store.state_changes(number)
    if not changes or changes[-1].new is ToolState.IN_SERVICE:
        return ""
    left = [change.at for change in changes if change.old is ToolState.IN_SERVICE]
    return left[-1]


def _begin_work_list(store: Store) -> None:
    """The last tool that was found out: its jobs on the list, two of them done."""
    lines = [line for line in store.runs(limit=1000) if line.outcome is Outcome.OUT]
    if not lines:
        return
    listed = worklist.open_tasks(store, impact.tool_impact(store, lines[0].run_id), who="custodian")
    for task, reason in zip(listed, ("bolts tightened again with OCF-005", "part was replaced since"), strict=False):
        worklist.close_task(store, task.key, reason, who="fitter 2")


def _calendar(
    n_tools: int, begin: dt.datetime, today: dt.date, years: int, rng: np.random.Generator
) -> list[tuple[dt.datetime, int]]:
    """Days on which tools are verified; the last two tools never, two not lately."""
    found = []
    for index in range(n_tools - 2):
        day = begin + dt.timedelta(days=int(rng.integers(0, 150)))
        step = 183 if index == 9 else 365
        while years and day.date() < today - dt.timedelta(days=3):
            late = index in (4, 16) and (today - day.date()).days < 380
            if not late:
                found.append((day + dt.timedelta(minutes=int(rng.integers(0, 400))), index))
            day += dt.timedelta(days=step + int(rng.integers(-20, 12)))
    return sorted(found)


def _reference_for(tool: Tool, shop: list[Reference]) -> Reference:
    """The smallest reference with room above the tool's maximum: a pull that overloads it is not to be kept."""
    fitting = [reference for reference in shop if reference.capacity_nm >= 1.08 * tool.highest_nm]
    return min(fitting or shop, key=lambda reference: (not fitting, reference.capacity_nm))


def _run(
    store: Store,
    clock: _Clock,
    rng: np.random.Generator,
    tool: Tool,
    reference: Reference,
    procedure: Procedure,
    error_percent: float,
    *,
    clean: bool = False,
    target: float | None = None,
) -> None:
    operator = ("fitter 1", "fitter 2", "fitter 3")[int(rng.integers(0, 3))]
    plan = plan_run(tool, reference, procedure, operator, Source.SIMULATED, target=target, detector=DETECTOR)
    if not isinstance(plan, RunPlan):
        return
    standing = check_standard.standing(store, reference.number)
    if standing is not None:
        plan = replace(plan, reference_check=standing.sentence(clock.now.date()))
    run = Run(
        run_id=str(uuid.UUID(bytes=rng.bytes(16), version=4)),
        plan=plan,
        state=RunState.PULL,
        started=clock().isoformat(timespec="seconds"),
        zeros=(ZeroTaken(0.002, 0.0015, 0.0003, 1.0, clock().isoformat(timespec="seconds")),),
        reference_confirmed=f"confirmed by {operator}",
        ambient={"start_c": 21.5, "humidity_percent": 48.0},
    )
    store.begin_run(run)
    number = 0
    indicating = tool.tool_type is ToolType.INDICATING
    for index, checkpoint in enumerate(plan.checkpoints):
        done, tries = 0, 0
        while done < checkpoint.n_readings:
            number += 1
            tries += 1
            if tries > 10 * checkpoint.n_readings:
                raise ValueError(
                    f"{tool.number}: no pull to {checkpoint.target} {tool.unit} can be drawn without a flag"
                )
            fault = (
                ""
                if clean or indicating
                else str(rng.choice(["", "jerky", "too-fast", "past-click"], p=[0.93, 0.03, 0.02, 0.02]))
            )
            spread = float(rng.normal(0, 0.45))
            nonlinear = 0.5 * (checkpoint.target_nm / tool.highest_nm - 0.6)
            reading = checkpoint.target_nm / (1 + (error_percent + nonlinear + spread) / 100)
            run = _pull(store, clock, rng, run, number, index, checkpoint, reading, fault, indicating=indicating)
            done += run.pulls[-1].set_aside is None
    run = replace(run, state=RunState.VERDICT, checkpoint_index=len(plan.checkpoints))
    store.save_run(run)
    store.seal(run)


def _pull(
    store: Store,
    clock: _Clock,
    rng: np.random.Generator,
    run: Run,
    number: int,
    index: int,
    checkpoint: Checkpoint,
    reading_nm: float,
    fault: str,
    *,
    indicating: bool,
) -> Run:
    capacity = run.plan.reference.capacity_nm
    decimals = max(2, 4 - len(str(int(capacity))) + 1)
    t, digits, pull = draw_pull(
        rng,
        reading_nm,
        capacity,
        checkpoint.direction.sign,
        decimals,
        target_nm=checkpoint.target_nm,
        tool_max_nm=run.plan.tool.highest_nm,
        settings=reader_settings(run.plan),
        indicating=indicating,
        fault=fault,
    )
    fault = pull.flags[0].value if pull.flags else ""
    captured = CapturedPull(
        number=number,
        kind=PullKind.READING,
        checkpoint_index=index,
        pull=pull,
        set_aside=fault or None,
        set_aside_by=run.plan.operator if fault else "",
    )
    captured = judged(run, captured, checkpoint.target_nm)
    run = replace(run, pulls=(*run.pulls, captured))
    trace = Trace(
        t,
        digits / 10.0**decimals,
        "N·m",
        Source.SIMULATED,
        digits=digits,
        decimals=decimals,
        capacity=capacity,
        nominal_rate_hz=RATE_HZ,
        recorded=clock().isoformat(timespec="seconds"),
    )
    store.store_pull(run, captured, trace)
    return run


def _repaired(
    store: Store,
    clock: _Clock,
    rng: np.random.Generator,
    record: ToolRecord,
    shop: list[Reference],
    procedure: Procedure,
    *,
    back: bool,
) -> None:
    if not back:
        return
    clock.now += dt.timedelta(days=12)
    _run(store, clock, rng, record.tool, _reference_for(record.tool, shop), procedure, 0.0, clean=True)
    if store.tool(record.number) is not None:
        store.change_state(
            record.number, ToolState.IN_SERVICE, who="custodian", why="back from the laboratory, verified"
        )


def _leave_as_it_is(store: Store, clock: _Clock, today: dt.date) -> None:
    """The last days: one retired, one kept aside, one run left half-way."""
    clock.now = max(clock.now, dt.datetime(today.year, today.month, today.day, 7, tzinfo=dt.UTC) - dt.timedelta(days=2))
    for number, state, why in (
        ("OCF-022", ToolState.RETIRED, "scale cannot be read any more"),
        ("OCF-009", ToolState.QUARANTINED, "fell from the ladder, to be looked at"),
    ):
        record = store.tool(number)
        if record is not None and record.state is ToolState.IN_SERVICE:
            store.change_state(number, state, who="custodian", why=why)
