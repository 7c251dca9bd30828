"""Where a run stands and where it goes on, derived from what has been done. Pure."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from benchapp.metrology.deviation import Convention, corridor, deviation_percent
from benchapp.metrology.tool import ToolType
from benchapp.pulls.pull import Mode
from benchapp.pulls.settings import Settings
from benchapp.runs.model import Band, CapturedPull, Checkpoint, PullKind, Run, RunPlan, RunState
from benchapp.runs.procedure import Procedure, procedure_from_data
from benchapp.torque.direction import Direction

BY_PROGRAM: Final = "Kilter"
"""Stands for who set a pull aside that could not be a reading at all."""
PRELOAD_SHARE: Final = 0.8
"""A preload has to reach this share of its target to have exercised the mechanism (practice)."""
_MOST_KEPT: Final = 64
_LOOKED_THROUGH: Final[dict[tuple[str, str], Procedure]] = {}


def onwards(run: Run) -> Run:
    """Return the run in the state that comes next, derived from what has been done and what a break made void."""
    index = next((i for i, c in enumerate(run.plan.checkpoints) if n_counted(run, i) < c.n_readings), None)
    run = replace(run, choices=(), choice_index=0, pending=(), asked_about=0, allowed_by="")
    unread = next((p.number for p in reversed(run.pulls) if counts(p) and p.indication_nm is None), None)
    if unread is not None:
        return replace(run, state=RunState.INDICATION, asked_about=unread)
    if index is None:
        return _close(replace(run, checkpoint_index=len(run.plan.checkpoints)))
    run = replace(run, checkpoint_index=index, closing=())
    if not run.reference_confirmed or "reference" in run.resume:
        return replace(run, state=RunState.REFERENCE)
    if not run.zeros or "zero" in run.resume:
        return replace(run, state=RunState.ZERO)
    direction = run.plan.checkpoints[index].direction
    entry = next((i for i, (d, _, _) in enumerate(run.plan.preloads) if d is direction), None)
    if entry is not None:
        if entry != run.preload_index:  # the direction has changed: preload again
            run = replace(run, preload_index=entry, n_preloads_done=0)
        if run.n_preloads_done < run.plan.preloads[entry][1]:
            return replace(run, state=RunState.PRELOAD, tool_set_index=-1)
    run = replace(run, resume=())
    if is_set_by_hand(run) and run.tool_set_index != index:
        return replace(run, state=RunState.SET_TOOL)
    return replace(run, state=RunState.PULL)


def _close(run: Run) -> Run:
    if "zero" not in run.closing:
        return replace(run, state=RunState.FINAL_ZERO)
    if is_set_by_hand(run) and "reset" not in run.closing:
        return replace(run, state=RunState.RESET_TOOL)
    return replace(run, state=RunState.VERDICT)


def is_set_by_hand(run: Run) -> bool:
    """Return whether the person sets the tool to each target."""
    return run.plan.tool.tool_type is ToolType.SETTING and not run.plan.tool.fixed


def counts(pull: CapturedPull) -> bool:
    """Return whether a pull is a reading that counts (or will, once its indication is typed)."""
    return pull.kind is PullKind.READING and pull.set_aside is None and pull.pull.reading is not None


def n_counted(run: Run, checkpoint_index: int) -> int:
    """Return how many readings of a checkpoint count."""
    return sum(counts(p) and p.checkpoint_index == checkpoint_index for p in run.pulls)


def preload_number(run: Run, number: int) -> int:
    """Return as which preload pull `number` was made, from 1: of one direction, and since the last reading."""
    direction = run.pulls[number - 1].pull.direction
    target_nm = next((target for d, _, target in run.plan.preloads if d is direction), 0.0)
    n = 1
    for pull in reversed(run.pulls[: number - 1]):
        if pull.kind is not PullKind.PRELOAD or pull.pull.direction is not direction:
            break
        n += pull.set_aside is None and pull.pull.peak >= PRELOAD_SHARE * target_nm
    return n


def procedure_of(run: Run) -> Procedure:
    """Return the procedure as it was when the run was planned."""
    return procedure_in(run.plan)


def procedure_in(plan: RunPlan) -> Procedure:
    """Return the procedure of a plan; the runs of a shop share a few, and each is looked through once."""
    said = (repr(plan.procedure), plan.procedure_name)
    found = _LOOKED_THROUGH.get(said)
    if found is None:
        found = procedure_from_data(plan.procedure, plan.procedure_name)
        if len(_LOOKED_THROUGH) >= _MOST_KEPT:
            _LOOKED_THROUGH.clear()
        _LOOKED_THROUGH[said] = found
    return found


def reader_settings(plan: RunPlan) -> Settings:
    """Return the limits a pull of the run is read with; see `settings_for`."""
    return settings_for(plan.mode, procedure_in(plan).time_window_s(plan.tool))


def settings_for(mode: Mode, window_s: tuple[float, float] | None) -> Settings:
    """Return the limits that pulls on the bench are read with.

    An indicating tool is led to its mark and held there: nobody asks how long that takes (ISO 6789:2003, type I:
    "gradually", second-hand), nor, where a hold is read, whether the hand went back a little on its way.

    Args:
        mode: What is read.
        window_s: (shortest, longest) time for the last fifth as the procedure has it; a longest of infinity raises no
            `too-slow`. None leaves the reader's own.
    """
    if mode is Mode.FIRST_PEAK:
        return Settings() if window_s is None else Settings(fast_s=window_s[0], slow_s=window_s[1])
    unhurried = Settings(fast_s=0.0, slow_s=math.inf)
    return unhurried if mode is Mode.PEAK else replace(unhurried, jerky_share=1.0)


def expected(run: Run) -> tuple[Direction, float] | None:
    """Return (direction, target in N·m) of the pull that the run waits for; None when it waits for none."""
    if run.state is RunState.PRELOAD:
        direction, _, target_nm = run.plan.preloads[run.preload_index]
        return direction, target_nm
    if run.state is RunState.PULL:
        checkpoint = run.plan.checkpoints[run.checkpoint_index]
        return checkpoint.direction, checkpoint.target_nm
    return None


def judged(run: Run, captured: CapturedPull, indication_nm: float) -> CapturedPull:
    """Return the pull with its indication, deviation and band."""
    reading = captured.pull.reading
    if reading is None or reading <= 0 or captured.checkpoint_index is None:
        return replace(captured, indication_nm=indication_nm)
    checkpoint = run.plan.checkpoints[captured.checkpoint_index]
    convention = convention_of(run)
    low_nm, high_nm = _corridor(checkpoint, indication_nm, convention)
    band = Band.LOW if reading < low_nm else Band.HIGH if reading > high_nm else Band.IN
    deviation = deviation_percent(indication_nm, reading, convention)
    return replace(captured, indication_nm=indication_nm, deviation_percent=deviation, band=band)


def convention_of(run: Run) -> Convention:
    """Return the convention of the run's procedure."""
    figure = run.plan.procedure["deviation"]
    return Convention[figure["convention"]["value"]]  # type: ignore[index]  # nested data, checked when it was planned


def _corridor(checkpoint: Checkpoint, indication_nm: float, convention: Convention) -> tuple[float, float]:
    if indication_nm == checkpoint.target_nm:
        return checkpoint.low_nm, checkpoint.high_nm
    return corridor(indication_nm, checkpoint.limit_percent, convention)
