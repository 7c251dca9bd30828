"""The first verdict: in or out of limits, by reading, checkpoint and tool, with and without what was set aside."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from benchapp.runs.model import Band, CapturedPull, Checkpoint, PullKind, Run, RunPlan
from benchapp.runs.standing import BY_PROGRAM, counts, judged, reader_settings

_STAYS_OUT: Final = "a verdict within limits leaves it out of service until somebody puts it back in the Rack."


@dataclass(frozen=True, slots=True)
class CheckpointResult:
    """A checkpoint, judged.

    Attributes:
        checkpoint: Which.
        readings_nm: Those that count, in order.
        deviations_percent: Theirs.
        mean_percent: Mean deviation; None without a reading.
        within: Enough readings, and every one of them within limits.
        within_with_set_aside: The same when readings that were set aside without a flag count too.
    """

    checkpoint: Checkpoint
    readings_nm: tuple[float, ...]
    deviations_percent: tuple[float, ...]
    mean_percent: float | None
    within: bool
    within_with_set_aside: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """A run, judged by its procedure's limits without uncertainty.

    Attributes:
        within: Every checkpoint is.
        within_with_set_aside: The same when readings that were set aside without a flag count too.
        checkpoints: Each judged.
        n_set_aside: Pulls for a reading that a person set aside.
        n_noticed: How many of them had a flag or no reading; `within_with_set_aside` does not look at these.
    """

    within: bool
    within_with_set_aside: bool
    checkpoints: tuple[CheckpointResult, ...]
    n_set_aside: int
    n_noticed: int


def outcome(run: Run) -> Outcome:
    """Return the first verdict of a run; one that was left half-way is never within."""
    results = tuple(_result(run, index) for index in range(len(run.plan.checkpoints)))
    aside = [p for p in run.pulls if p.kind is PullKind.READING and p.set_aside and p.set_aside_by != BY_PROGRAM]
    return Outcome(
        within=all(r.within for r in results),
        within_with_set_aside=all(r.within_with_set_aside for r in results),
        checkpoints=results,
        n_set_aside=len(aside),
        n_noticed=sum(not _set_aside_without_flag(pull) for pull in aside),
    )


def _result(run: Run, index: int) -> CheckpointResult:
    checkpoint = run.plan.checkpoints[index]
    pulls = [p for p in run.pulls if p.checkpoint_index == index]
    counted = [p for p in pulls if counts(p) and p.deviation_percent is not None and p.pull.reading is not None]
    deviations = tuple(p.deviation_percent for p in counted if p.deviation_percent is not None)
    within = len(counted) >= checkpoint.n_readings and all(p.band is Band.IN for p in counted)
    unflagged = [p for p in pulls if _set_aside_without_flag(p)]
    return CheckpointResult(
        checkpoint=checkpoint,
        readings_nm=tuple(p.pull.reading for p in counted if p.pull.reading is not None),
        deviations_percent=deviations,
        mean_percent=sum(deviations) / len(deviations) if deviations else None,
        within=within,
        within_with_set_aside=within and all(_band(run, p, checkpoint) is Band.IN for p in unflagged),
    )


def _set_aside_without_flag(pull: CapturedPull) -> bool:
    return (
        pull.kind is PullKind.READING
        and pull.set_aside is not None
        and pull.set_aside_by != BY_PROGRAM
        and not pull.pull.flags
        and pull.pull.reading is not None
    )


def _band(run: Run, pull: CapturedPull, checkpoint: Checkpoint) -> Band | None:
    """Return the band; a pull set aside before its indication was typed is taken at the target."""
    return pull.band or judged(run, pull, checkpoint.target_nm).band


def zero_moved(run: Run) -> tuple[float, float] | None:
    """Return how far zero had moved when it was looked at again at the end.

    Returns:
        (N·m with sign, percent of the lowest checkpoint). None: not looked at yet, or within what a pull may rest off
        zero, 0.5 % of the reading and three standard deviations of the noise.
    """
    if "zero" not in run.closing or len(run.zeros) < 2 or not run.plan.checkpoints:
        return None
    before, after = run.zeros[-2:]
    moved_nm = after.zero_nm - before.zero_nm
    lowest_nm = min(checkpoint.target_nm for checkpoint in run.plan.checkpoints)
    allowed = reader_settings(run.plan)
    if abs(moved_nm) <= allowed.zero_share * lowest_nm + allowed.zero_noise * after.noise_nm:
        return None
    return moved_nm, abs(moved_nm) / lowest_nm * 100


def not_in_service(plan: RunPlan, state: str) -> RunPlan:
    """Return the plan of a run with a tool that is not in service; `state` in words."""
    return replace(plan, warnings=(*plan.warnings, f"{plan.tool.number} is {state}: {_STAYS_OUT}"))


def is_not_in_service(plan: RunPlan) -> bool:
    """Return whether the tool was out of service when the run began, so that no verdict puts it back."""
    return any(warning.endswith(_STAYS_OUT) for warning in plan.warnings)
