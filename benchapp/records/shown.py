"""Columns that screens and reports show, taken from a run in one place: for the tables, the sealed bytes, the check."""

from __future__ import annotations

from typing import Any, Final

from benchapp.records.model import Outcome
from benchapp.runs.model import CapturedPull, PullKind, Run, RunState

PULL_COLUMNS: Final = (
    "number",
    "kind",
    "checkpoint_index",
    "direction",
    "target_nm",
    "reading_nm",
    "peak_nm",
    "deviation_percent",
    "band",
    "set_aside",
    "flags",
)
"""Columns of table `pulls` that are shown."""


def counted(run: Run) -> list[CapturedPull]:
    """Readings that count, in order."""
    return [pull for pull in run.pulls if pull.kind is PullKind.READING and pull.set_aside is None]


def outcome_of(run: Run) -> Outcome:
    """First verdict: left, out as soon as one counted reading is not in its band, within when all asked for are in."""
    if run.state is RunState.LEFT:
        return Outcome.LEFT
    if run.state not in (RunState.VERDICT, RunState.SEALED):
        return Outcome.OPEN
    readings = counted(run)
    if any(pull.band is not None and pull.band != "IN" for pull in readings):
        return Outcome.OUT
    for index, checkpoint in enumerate(run.plan.checkpoints):
        here = [pull for pull in readings if pull.checkpoint_index == index and pull.band is not None]
        if len(here) < checkpoint.n_readings:
            return Outcome.UNDECIDED
    return Outcome.WITHIN if run.plan.checkpoints else Outcome.UNDECIDED


def is_full(run: Run) -> bool:
    """True when the run covers what the procedure asks for, so that the tool's interval begins anew.

    A lowest marked value among the checkpoints has no percentage; a typed target is the only one of its run.
    """
    return run.plan.tool.fixed or any(point.percent_of_highest is not None for point in run.plan.checkpoints)


def run_columns(run: Run, outcome: Outcome | None = None) -> dict[str, Any]:
    """Columns of table `runs` that are shown."""
    readings = counted(run)
    deviations = [pull.deviation_percent for pull in readings if pull.deviation_percent is not None]
    return {
        "tool": run.plan.tool.number,
        "reference": run.plan.reference.number,
        "operator": run.plan.operator,
        "source": run.plan.source.value,
        "procedure": run.plan.procedure_name,
        "started": run.started,
        "finished": run.finished,
        "state": run.state.value,
        "outcome": (outcome_of(run) if outcome is None else outcome).value,
        "n_readings": len(readings),
        "n_set_aside": sum(pull.set_aside is not None for pull in run.pulls),
        "worst_percent": max(deviations, key=abs) if deviations else None,
        "is_full": int(is_full(run)),
    }


def pull_columns(run: Run, pull: CapturedPull) -> dict[str, Any]:
    """Columns of table `pulls` that are shown, in the order of `PULL_COLUMNS`."""
    index = pull.checkpoint_index
    points = run.plan.checkpoints
    read = pull.pull
    return {
        "number": pull.number,
        "kind": pull.kind.value,
        "checkpoint_index": index,
        "direction": read.direction.value,
        "target_nm": points[index].target_nm if index is not None and index < len(points) else None,
        "reading_nm": read.reading,
        "peak_nm": read.peak,
        "deviation_percent": pull.deviation_percent,
        "band": pull.band.value if pull.band is not None else "",
        "set_aside": pull.set_aside or "",
        "flags": ",".join(flag.value for flag in read.flags),
    }
