"""A tool over the years: its full runs as found and as left, and how far each checkpoint drifts.

As found: a full run that came while the tool was in service. As left: the last full run within limits before it came
back to service. What is counted as found in or out of tolerance is as found only; a tool that was just set right says
nothing about its interval.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from typing import Any, Final

from benchapp.metrology import figures
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.intervals import Drift, fit_drift, reach_at, time_within_limits
from benchapp.metrology.judgement import judge
from benchapp.records.canonical import parse, parse_sealed
from benchapp.records.dates import seconds
from benchapp.records.model import Outcome
from benchapp.records.shown import counted
from benchapp.records.store import Store
from benchapp.runs.codec import run_from_data
from benchapp.runs.judging import judge_input
from benchapp.runs.model import Run
from benchapp.runs.procedure import ProcedureError
from benchapp.torque.direction import Direction

DAYS_PER_MONTH: Final = 365.25 / 12
TARGET: Final = figures.number("interval.in_tolerance")
"""Share of tools that should be found in tolerance."""
_LOOK_AHEAD_MONTHS: Final = 240.0
_BAND_MONTHS: Final = 60.0


class Stage(StrEnum):
    """In which condition a full run met the tool."""

    AS_FOUND = "as-found"
    AS_LEFT = "as-left"
    BETWEEN = "between"  # out of service, and not the run that sent it back
    SPOT = "spot"  # not a full run


@dataclass(frozen=True, slots=True)
class PointResult:
    """One checkpoint of one run; percent. The uncertainties are None where the record gives none.

    Attributes:
        target_nm: Checkpoint.
        direction: Direction.
        limit_percent: Limits, ± percent.
        mean_percent: Mean deviation.
        n: Readings that count.
        expanded_percent: W, with the k of its procedure.
        standard_percent: w, without k.
        dof: Effective degrees of freedom of w.
    """

    target_nm: float
    direction: Direction
    limit_percent: float
    mean_percent: float
    n: int
    expanded_percent: float | None
    standard_percent: float | None = None
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class RunResult:
    """One run in a tool's history."""

    run_id: str
    finished: str
    outcome: Outcome
    stage: Stage
    points: tuple[PointResult, ...]


def tool_history(store: Store, number: str, *, most_spots: int | None = None) -> list[RunResult]:
    """Every sealed run of a tool that is not void, oldest first, with its deviation at each checkpoint.

    Args:
        store: Where the runs are.
        number: Of the tool.
        most_spots: Only so many spot checks, the newest (a check standard has one a morning); None: all.
    """
    with store._db.reading_raw() as raw:
        rows, stages = _judged_runs(raw, number)
        left_out = stages.count(Stage.SPOT) - (len(stages) if most_spots is None else most_spots)
        results = []
        for (run_id, finished, outcome, _, sequence, _), stage in zip(rows, stages, strict=True):
            if stage is Stage.SPOT and left_out > 0:
                left_out -= 1
                continue
            body, digest = raw.execute("SELECT body, digest FROM entries WHERE sequence = ?", (sequence,)).fetchone()
            run = run_from_data(parse_sealed(body, digest)["content"]["run"])
            results.append(RunResult(run_id, finished, Outcome(outcome), stage, point_results(run)))
    return results


def as_found_as_left(store: Store, number: str, run_id: str) -> tuple[str, str] | None:
    """Return the ids of the run that found the tool and the one that left it, of the repair that `run_id` belongs to.

    None: the run is neither, or the other one does not exist (yet).
    """
    with store._db.reading_raw() as raw:
        rows, stages = _judged_runs(raw, number)
    found = ""
    for (each, *_), stage in zip(rows, stages, strict=True):
        if stage is Stage.AS_FOUND:
            found = each
        elif stage is Stage.AS_LEFT and found:
            if run_id in (found, each):
                return found, each
            found = ""
    return None


def _judged_runs(raw: Any, number: str) -> tuple[list[Any], list[Stage]]:
    """Return every run of a tool that counts, oldest first, as `stages_of` takes them; and what each is."""
    rows = raw.execute(
        "SELECT run_id, finished, outcome, is_full, sequence, tool FROM runs WHERE tool = ? AND seal <> '' "
        "AND voided = '' AND outcome IN ('within', 'out', 'undecided') ORDER BY sequence",
        (number,),
    ).fetchall()
    return rows, stages_of(rows, state_changes(raw, number))


def point_results(run: Run) -> tuple[PointResult, ...]:
    """Mean deviation at each checkpoint that has readings that count."""
    try:
        budgets = [point.budget for point in judge(judge_input(run)).checkpoints]
    except (RefusedError, ProcedureError):
        budgets = []
    found = []
    for index, point in enumerate(run.plan.checkpoints):
        values = [
            pull.deviation_percent
            for pull in counted(run)
            if pull.checkpoint_index == index and pull.deviation_percent is not None
        ]
        if values:
            mean = math.fsum(values) / len(values)
            at = PointResult(point.target_nm, point.direction, point.limit_percent, mean, len(values), None)
            if budgets:
                known = budgets[index]
                at = replace(at, expanded_percent=known.expanded, standard_percent=known.standard, dof=known.dof)
            found.append(at)
    return tuple(found)


def state_changes(raw: Any, number: str = "") -> dict[str, list[tuple[int, str]]]:
    """Return (sequence of its entry, new state) of every change of a tool's state, by tool, oldest first."""
    changes: dict[str, list[tuple[int, str]]] = {}
    wanted = "SELECT sequence, subject, body FROM entries WHERE kind = 'tool-state' {} ORDER BY sequence"
    rows = (
        raw.execute(wanted.format("AND subject = ?"), (number,)) if number else raw.execute(wanted.format(""))
    ).fetchall()
    for sequence, subject, body in rows:
        changes.setdefault(subject, []).append((sequence, parse(body)["content"]["new"]))
    return changes


def stages_of(rows: Sequence[Sequence[Any]], states: Mapping[str, Sequence[tuple[int, str]]]) -> list[Stage]:
    """Stage of each (run_id, finished, outcome, is_full, sequence, tool), in the order of the chain, of one tool."""
    stages = []
    for index, (_, _, outcome, is_full, sequence, tool) in enumerate(rows):
        changes = states.get(tool, ())
        now = next((state for at, state in reversed(changes) if at < sequence), "in-service")
        if not is_full:
            stages.append(Stage.SPOT)
        elif now == "in-service":
            stages.append(Stage.AS_FOUND)
        else:
            back = next((at for at, state in changes if at > sequence and state == "in-service"), math.inf)
            later = any(row[3] and sequence < row[4] < back for row in rows[index + 1 :])
            is_last = outcome == "within" and not later
            stages.append(Stage.AS_LEFT if is_last else Stage.BETWEEN)
    return stages


# --- drift


@dataclass(frozen=True, slots=True)
class DriftAt:
    """Drift of one checkpoint and when it leaves its limits.

    Attributes:
        target_nm: Checkpoint.
        direction: Direction.
        limit_percent: Limits, ± percent.
        value_percent: Deviation at the last full run, from which it goes on.
        percent_per_month: Fitted slope.
        n: Intervals it was fitted to.
        leaves_months: From the last run until the expected deviation reaches a limit; None: not within 20 years.
        earliest_months: Until a limit can no longer be excluded with `probability`; 0: it could not on the day of the
            last run, so that nothing can be told; None: not within 20 years.
        latest_months: Until it is outside with `probability`; None: not within 20 years.
        probability: Of both ends.
        band: (months from the last run, lower, upper): between which a value is to be expected with `probability`.
    """

    target_nm: float
    direction: Direction
    limit_percent: float
    value_percent: float
    percent_per_month: float
    n: int
    leaves_months: float | None
    earliest_months: float | None
    latest_months: float | None
    probability: float
    band: tuple[tuple[float, float, float], ...] = ()


def drifts(history: Sequence[RunResult], *, probability: float = TARGET) -> list[DriftAt]:
    """Fit a line through zero to how far each checkpoint moved from one full run to the next found; [] too few.

    Intervals over which the tool was adjusted do not count: each begins with a run as found or as left and ends with
    the next run, when that is as found. Two of them at least are needed.

    Source:
        NASA-HDBK-8739.19-5, variables data (second-hand), of order 1; see `benchapp.metrology.intervals`.
    """
    full = [run for run in history if run.stage is not Stage.SPOT and run.points]
    if not full:
        return []
    found = []
    for last in full[-1].points:
        key = (last.target_nm, last.direction)
        months, moved = [], []
        for before, after in pairwise(full):
            one, two = _at(before, key), _at(after, key)
            apart = (seconds(after.finished) - seconds(before.finished)) / 86400 / DAYS_PER_MONTH
            if after.stage is Stage.AS_FOUND and one is not None and two is not None and apart > 0:
                months.append(apart)
                moved.append(two.mean_percent - one.mean_percent)
        try:
            drift = fit_drift(months, moved, order=1)
        except RefusedError:
            continue
        found.append(_drift_at(last, drift, len(months), probability))
    return found


def _drift_at(last: PointResult, drift: Drift, n: int, probability: float) -> DriftAt:
    u0, u0_dof = last.standard_percent or 0.0, last.dof
    value, limit = last.mean_percent, last.limit_percent
    ends = (-limit, limit)

    def reach(t: float) -> float:
        return reach_at(drift, t, u0, (1 + probability) / 2, u0_dof)

    def outside(t: float) -> bool:
        return abs(value + drift.drift(t)) - reach(t) >= limit

    steps = int(_LOOK_AHEAD_MONTHS * 10)
    leaves = time_within_limits(drift, 0.0, value, ends, 0.0, _LOOK_AHEAD_MONTHS)
    earliest = time_within_limits(drift, u0, value, ends, probability, _LOOK_AHEAD_MONTHS, u0_dof)
    if abs(value) + reach(0.0) >= limit:
        earliest = 0.0
    latest = next((step / 10 for step in range(steps + 1) if outside(step / 10)), None)
    shown = max((each for each in (leaves, earliest, latest) if each is not None), default=0.0)
    until = min(max(1.15 * shown, 12.0), _BAND_MONTHS)
    return DriftAt(
        last.target_nm,
        last.direction,
        limit,
        value,
        float(drift.coefficients[0]),
        n,
        leaves,
        earliest,
        latest,
        probability,
        tuple(
            (t, value + drift.drift(t) - reach(t), value + drift.drift(t) + reach(t))
            for t in (until * step / 12 for step in range(13))
        ),
    )


def _at(run: RunResult, key: tuple[float, Direction]) -> PointResult | None:
    target, direction = key
    return next(
        (p for p in run.points if p.direction is direction and math.isclose(p.target_nm, target, rel_tol=1e-6)), None
    )
