"""A tool over the years, when it should be looked at again, and how the whole shop's tools were found.

As found: a full run that came while the tool was in service. As left: the last full run within limits before it came
back to service. What is counted as found in or out of tolerance is as found only; a tool that was just set right says
nothing about its interval.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from typing import Any, Final

from benchapp.metrology import figures
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.intervals import Drift, a3, fit_drift, reach_at, staircase, time_within_limits
from benchapp.metrology.judgement import judge
from benchapp.metrology.tool import Tool
from benchapp.records._followed import INTERVAL_TAKEN
from benchapp.records.canonical import parse, parse_sealed
from benchapp.records.dates import seconds
from benchapp.records.errors import ChangedMeanwhileError, NotAllowedError
from benchapp.records.model import DEFAULT_INTERVAL_MONTHS, EntryKind, Outcome, Seal
from benchapp.records.shown import counted
from benchapp.records.store import Store
from benchapp.runs.codec import run_from_data
from benchapp.runs.judging import judge_input
from benchapp.runs.model import Run
from benchapp.runs.procedure import ProcedureError
from benchapp.torque.direction import Direction
from benchapp.torque.units import from_nm

DAYS_PER_MONTH: Final = 365.25 / 12
TARGET: Final = figures.number("interval.in_tolerance")
"""Share of tools that should be found in tolerance."""
SHORTEST_MONTHS: Final = figures.count("interval.shortest")
LONGEST_MONTHS: Final = figures.count("interval.longest")
"""Ends between which an interval is suggested."""
ACCEPTED: Final = INTERVAL_TAKEN
DECLINED: Final = "interval not accepted"
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
        rows = raw.execute(
            "SELECT run_id, finished, outcome, is_full, sequence, tool FROM runs WHERE tool = ? AND seal <> '' "
            "AND voided = '' AND outcome IN ('within', 'out', 'undecided') ORDER BY sequence",
            (number,),
        ).fetchall()
        states = _state_changes(raw, number)
        stages = _stages(rows, states)
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
        rows = raw.execute(
            "SELECT run_id, finished, outcome, is_full, sequence, tool FROM runs WHERE tool = ? AND seal <> '' "
            "AND voided = '' AND outcome IN ('within', 'out', 'undecided') ORDER BY sequence",
            (number,),
        ).fetchall()
        states = _state_changes(raw, number)
    found = ""
    for (each, *_), stage in zip(rows, _stages(rows, states), strict=True):
        if stage is Stage.AS_FOUND:
            found = each
        elif stage is Stage.AS_LEFT and found:
            if run_id in (found, each):
                return found, each
            found = ""
    return None


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


def _state_changes(raw: Any, number: str = "") -> dict[str, list[tuple[int, str]]]:
    changes: dict[str, list[tuple[int, str]]] = {}
    wanted = "SELECT sequence, subject, body FROM entries WHERE kind = 'tool-state' {} ORDER BY sequence"
    rows = (
        raw.execute(wanted.format("AND subject = ?"), (number,)) if number else raw.execute(wanted.format(""))
    ).fetchall()
    for sequence, subject, body in rows:
        changes.setdefault(subject, []).append((sequence, parse(body)["content"]["new"]))
    return changes


def _stages(rows: Sequence[Sequence[Any]], states: Mapping[str, Sequence[tuple[int, str]]]) -> list[Stage]:
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


# --- the next interval


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A next interval.

    Attributes:
        tool: Number.
        method: "a3", "staircase" or "drift".
        months: Whole months, between `SHORTEST_MONTHS` and `LONGEST_MONTHS`; None: the method can tell nothing.
        now_months: The interval in force.
        reason: One sentence with its figures.
    """

    tool: str
    method: str
    months: int | None
    now_months: int
    reason: str


def suggest(
    store: Store, number: str, *, target: float = TARGET, history: Sequence[RunResult] | None = None
) -> list[Suggestion]:
    """What each method makes of a tool's history; a method that has too little to go by says nothing.

    Args:
        store: Where the tool is.
        number: Of the tool.
        target: Share that should be found in tolerance.
        history: Of `tool_history`, where it is known already; None: it is read.

    Raises:
        NotAllowedError: No such tool.
    """
    record = store.tool(number)
    if record is None:
        raise NotAllowedError(store.path, f"There is no tool {number}.")
    now = DEFAULT_INTERVAL_MONTHS if record.interval_months is None else record.interval_months
    history = tool_history(store, number) if history is None else history
    found = [run for run in history if run.stage is Stage.AS_FOUND and run.outcome is not Outcome.UNDECIDED]
    # Results tell of the interval they were found with: a suggestion taken since is no new result to go by.
    taken = [
        each.before
        for each in decisions(store, number)
        if each.accepted and found and seconds(each.at) > seconds(found[-1].finished)
    ]
    held = taken[0] if taken else now
    made: list[Suggestion] = []
    if not found:
        return made
    good = sum(run.outcome is Outcome.WITHIN for run in found)
    by_share = a3(good, len(found), float(held), target)
    wrong = f"that the interval is wrong is known with {_sure(by_share.rejection)} confidence"
    if by_share.rejection < 0.005:
        wrong = "nothing says that the interval is wrong"
    reason = f"{good} of {len(found)} times found within limits, wanted is {target * 100:.0f} %; {wrong}."
    made.append(Suggestion(number, "a3", _whole(by_share.interval), now, reason))
    within = found[-1].outcome is Outcome.WITHIN
    step = staircase(float(held), within, SHORTEST_MONTHS, LONGEST_MONTHS)
    how = "within" if within else "out of"
    made.append(
        Suggestion(number, "staircase", _whole(step), now, f"Last found {how} limits, {found[-1].finished[:10]}.")
    )
    at = drifts(history, probability=target)
    if at:
        made.append(_by_drift(record.tool, now, at))
    return made


def _by_drift(tool: Tool, now: int, at: Sequence[DriftAt]) -> Suggestion:
    """The checkpoint that may leave its limits first decides."""
    first = min(at, key=lambda each: math.inf if each.earliest_months is None else each.earliest_months)
    months = first.earliest_months
    if months is None:
        reason = f"From {first.n} intervals no checkpoint is seen to reach its limit within 20 years."
        return Suggestion(tool.number, "drift", LONGEST_MONTHS, now, reason)
    where = f"at {from_nm(first.target_nm, tool.unit):.6g} {tool.unit}"
    value, limit = _signed(first.value_percent, 2), f"its limit of {first.limit_percent:g} %"
    sure = f"{first.probability * 100:.0f} %"
    if months > 0:
        reason = (
            f"From {first.n} intervals: {where} it moves {_signed(first.percent_per_month, 3)} a month from {value}, "
            f"and may reach {limit} after {months:.1f} months ({sure})."
        )
        return Suggestion(tool.number, "drift", _whole(months), now, reason)
    if abs(first.value_percent) >= first.limit_percent:
        reason = f"The last full run found it outside {limit} {where} ({value}): drift tells nothing of an interval."
    else:
        _, low, high = first.band[0]
        reason = (
            f"From {first.n} intervals this method can tell nothing: {where} it stood at {value}, which is known to "
            f"±{(high - low) / 2:.2g} % only ({sure}); that reaches {limit} on the day of the last run."
        )
    return Suggestion(tool.number, "drift", None, now, reason)


def _signed(value: float, decimals: int) -> str:
    return f"{value:+.{decimals}f} %".replace("-", "\u2212")


def _sure(confidence: float) -> str:
    """Return a confidence in percent; one short of certainty never reads as certain."""
    return "more than 99.9 %" if 0.9995 <= confidence < 1 else f"{confidence * 100:.{1 if confidence > 0.99 else 0}f} %"


def _whole(months: float) -> int:
    return int(min(max(months, SHORTEST_MONTHS), LONGEST_MONTHS))  # rounded down: rather a little too early


def decide_interval(store: Store, suggestion: Suggestion, *, accepted: bool, who: str, why: str) -> Seal:
    """The custodian accepts a suggestion, which sets the tool's interval, or does not; both become an entry.

    Raises:
        NotAllowedError: No custodian or no reason.
        ChangedMeanwhileError: The interval is another one than the suggestion started from.
    """
    if not why.strip():
        raise NotAllowedError(store.path, "Deciding on an interval needs a reason. Nothing was changed.")
    if suggestion.months is None:
        raise NotAllowedError(store.path, "This method suggests no interval. Nothing was changed.")
    with store._db.writing_raw() as raw:
        if not store._is_custodian(who):
            raise NotAllowedError(store.path, f"{who or 'Nobody'} is no custodian; only a custodian sets an interval.")
        row = raw.execute("SELECT interval_months FROM tools WHERE number = ?", (suggestion.tool,)).fetchone()
        if row is None:
            raise NotAllowedError(store.path, f"There is no tool {suggestion.tool}.")
        if (DEFAULT_INTERVAL_MONTHS if row[0] is None else row[0]) != suggestion.now_months:
            raise ChangedMeanwhileError(store.path, f"The interval of tool {suggestion.tool}")
        content = {
            "act": ACCEPTED if accepted else DECLINED,
            "details": {
                "method": suggestion.method,
                "months": suggestion.months,
                "before": suggestion.now_months,
                "reason": suggestion.reason,
                "why": why,
            },
        }
        seal = store._append(EntryKind.ACT, suggestion.tool, who, content)
        if accepted:
            raw.execute("UPDATE tools SET interval_months = ? WHERE number = ?", (suggestion.months, suggestion.tool))
            store._refresh_tool(suggestion.tool)
    return seal


@dataclass(frozen=True, slots=True)
class Decision:
    """What the custodian made of a suggestion.

    Attributes:
        at: Wall time, ISO 8601.
        who: The custodian.
        accepted: The suggestion was taken.
        method: "a3", "staircase" or "drift".
        months: That it suggested.
        before: Months in force before.
        reason: What the method went by.
        why: The custodian's own reason.
        sequence: Of its entry in the chain.
    """

    at: str
    who: str
    accepted: bool
    method: str
    months: int
    before: int
    reason: str
    why: str
    sequence: int


def decisions(store: Store, number: str) -> list[Decision]:
    """Return what was decided on a tool's interval, oldest first."""
    found = []
    for entry in store.entries(number):
        if entry.kind is not EntryKind.ACT:
            continue
        content = parse(entry.body)["content"]
        if content.get("act") in (ACCEPTED, DECLINED):
            told = content["details"]
            found.append(
                Decision(
                    entry.seal.sealed,
                    entry.who,
                    content["act"] == ACCEPTED,
                    told["method"],
                    told["months"],
                    told["before"],
                    told["reason"],
                    told["why"],
                    entry.seal.sequence,
                )
            )
    return found


# --- the fleet


class GroupBy(StrEnum):
    """By what the fleet is told apart."""

    TYPE = "type"  # type and class
    AGE = "age"  # years since first use, at the run
    PLACE = "place"
    KEEPER = "keeper"
    USER = "user"  # who had it most often since the run before, by the log of jobs


@dataclass(frozen=True, slots=True)
class Share:
    """How often a group of tools was found in tolerance.

    Attributes:
        group: Its name; "" where nothing is set.
        n: Full runs as found.
        n_within: Those within limits.
        low: Lower end of the true share's 95 % interval (Clopper and Pearson).
        high: Upper end.
    """

    group: str
    n: int
    n_within: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """Observed share."""
        return self.n_within / self.n


@dataclass(frozen=True, slots=True)
class Replace:
    """A tool that was found out again and again: as found, newest last, True within limits."""

    number: str
    found: tuple[bool, ...]


def fleet(store: Store, by: GroupBy, *, since: str = "") -> list[Share]:
    """Share found in tolerance by group, worst first. `since`: ISO date from which runs count; "" all."""
    with store._db.reading_raw() as raw:
        facts = {
            row[0]: row[1:]
            for row in raw.execute("SELECT number, data, place, keeper, first_use FROM tools").fetchall()
        }
        uses: dict[str, list[tuple[float, str]]] = {}
        if by is GroupBy.USER:
            for number, at_s, person in raw.execute("SELECT tool, at_s, person FROM jobs ORDER BY at_s"):
                uses.setdefault(number, []).append((at_s, person))
    counts: dict[str, list[int]] = {}
    for tool, runs in _as_found(store).items():
        data, place, keeper, first_use = facts.get(tool, ("", "", "", None))
        before = -math.inf
        for finished, within in runs:
            begin, before = before, seconds(finished)
            if since and finished < since:
                continue
            if by is GroupBy.TYPE:
                group = _type_of(data)
            elif by is GroupBy.AGE:
                group = _age_of(first_use, finished)
            elif by is GroupBy.USER:
                group = _user_of(uses.get(tool, ()), begin, before)
            else:
                group = place if by is GroupBy.PLACE else keeper
            count = counts.setdefault(group, [0, 0])
            count[0] += 1
            count[1] += within
    shares = []
    for group, (n, good) in counts.items():
        reach = a3(good, n, 1.0, TARGET, 0.95)
        shares.append(Share(group, n, good, reach.low, reach.high))
    return sorted(shares, key=lambda each: (each.share, each.group))


def to_replace(store: Store, *, last: int = 3, n_out: int = 2) -> list[Replace]:
    """Tools that were found out at least `n_out` times of their last `last` (our own rule); most often out first."""
    chosen = []
    with store._db.reading_raw() as raw:
        kept = {row[0] for row in raw.execute("SELECT number FROM tools WHERE state <> 'retired'").fetchall()}
    for tool, runs in _as_found(store).items():
        found = tuple(within for _, within in runs[-last:])
        if tool in kept and len(found) - sum(found) >= n_out:
            chosen.append(Replace(tool, found))
    return sorted(chosen, key=lambda each: (sum(each.found) - len(each.found), each.number))


def _as_found(store: Store) -> dict[str, list[tuple[str, bool]]]:
    """(finished, within) of every full run as found, by tool, oldest first."""
    with store._db.reading_raw() as raw:
        rows = raw.execute(
            "SELECT run_id, finished, outcome, is_full, sequence, tool FROM runs WHERE seal <> '' AND voided = '' "
            "AND is_full AND outcome IN ('within', 'out') ORDER BY tool, sequence"
        ).fetchall()
        states = _state_changes(raw)
    by_tool: dict[str, list[Any]] = {}
    for row in rows:
        by_tool.setdefault(row[5], []).append(row)
    return {
        tool: [
            (row[1], row[2] == "within")
            for row, stage in zip(mine, _stages(mine, states), strict=True)
            if stage is Stage.AS_FOUND
        ]
        for tool, mine in by_tool.items()
    }


def _user_of(uses: Sequence[tuple[float, str]], begin_s: float, end_s: float) -> str:
    """Who is named most often between two moments, the first by name among equals; "" nobody."""
    times: dict[str, int] = {}
    for at_s, person in uses:
        if begin_s < at_s <= end_s:
            times[person] = times.get(person, 0) + 1
    return min(times, key=lambda person: (-times[person], person), default="")


def _type_of(data: str) -> str:
    if not data:
        return ""
    tool = json.loads(data)
    return f"{tool['tool_type']} {tool['tool_class']}"


def _age_of(first_use: str | None, finished: str) -> str:
    if not first_use:
        return ""
    years = (dt.date.fromisoformat(finished[:10]) - dt.date.fromisoformat(first_use)).days / 365.25
    return next(
        (name for end, name in ((1, "under 1 year"), (2, "1 to 2"), (5, "2 to 5")) if years < end), "5 and more"
    )
