"""From a run to what metrology judges: readings, reference, procedure and conditions in one input. Pure.

`kilter judge` writes its result with the same `judgement_to_data`: one definition for both.
"""

from __future__ import annotations

import dataclasses
import math
from enum import Enum
from itertools import pairwise
from typing import Any, Final

from benchapp.metrology.budget import FORMULAS, Coverage, GivenBy
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import (
    Ambient,
    CheckpointInput,
    CheckpointJudgement,
    Dynamic,
    Geometric,
    JudgeInput,
    Judgement,
    ReadingInput,
    judge,
)
from benchapp.metrology.rules import Rule, RuleKind
from benchapp.metrology.suitability import use_at
from benchapp.metrology.tool import Tool
from benchapp.pulls.pull import Mode
from benchapp.runs.model import CapturedPull, Checkpoint, PullKind, Run
from benchapp.runs.procedure import Procedure
from benchapp.runs.standing import BY_PROGRAM, convention_of, counts, procedure_of
from benchapp.torque.units import from_nm, to_nm

NO_LOADING_POINT: Final = "a screwdriver has no loading point"


def judge_run(run: Run) -> Judgement:
    """Judge a finished run with the uncertainty that its reference, its readings and its zeros give.

    Raises:
        RefusedError: A checkpoint has fewer readings than its procedure asks for, or the rule needs an uncertainty that
            the reference does not state. Nothing is half-judged.
    """
    return judge(judge_input(run))


def judge_checkpoint(run: Run, index: int) -> CheckpointJudgement | RefusedError:
    """Judge one checkpoint of a run that may not be finished; the refusal says what is missing."""
    given = judge_input(run)
    try:
        alone = JudgeInput(
            (given.checkpoints[index],),
            given.convention,
            given.resolution_nm,
            given.geometric,
            given.rule,
            given.coverage,
            given.ambient,
            given.prior,
        )
        return judge(alone).checkpoints[0]
    except RefusedError as refused:
        return refused


def judge_input(run: Run) -> JudgeInput:
    """Return what is judged. Geometric contributions nobody gave stay missing; they are named in the budget."""
    tool, procedure = run.plan.tool, procedure_of(run)
    checkpoints = tuple(_checkpoint(run, index, each) for index, each in enumerate(run.plan.checkpoints))
    return JudgeInput(
        checkpoints=checkpoints,
        convention=convention_of(run),
        resolution_nm=None if tool.resolution is None else to_nm(tool.resolution, tool.unit),
        geometric=_geometric(tool) | run.plan.geometric,
        rule=rule_of(procedure),
        coverage=coverage_of(procedure),
        ambient=_ambient(run, procedure),
        prior=None if run.plan.history is None else run.plan.history.prior,
    )


def _checkpoint(run: Run, index: int, checkpoint: Checkpoint) -> CheckpointInput:
    pulls = [
        pull
        for pull in run.pulls
        if pull.checkpoint_index == index
        and pull.kind is PullKind.READING
        and pull.pull.reading is not None
        and pull.set_aside_by != BY_PROGRAM
    ]
    return CheckpointInput(
        target_nm=checkpoint.target_nm,
        limit_percent=checkpoint.limit_percent,
        readings=tuple(_reading(pull) for pull in pulls),
        direction=checkpoint.direction,
        n_required=checkpoint.n_readings,
        reference=use_at(run.plan.reference, checkpoint.direction, checkpoint.target_nm),
        dynamic=_dynamic(run, checkpoint, pulls),
    )


def _reading(captured: CapturedPull) -> ReadingInput:
    return ReadingInput(
        reading_nm=float(captured.pull.reading or 0.0),
        indication_nm=captured.indication_nm,
        set_aside=captured.set_aside,
        flags=tuple(flag.value for flag in captured.pull.flags),
        set_aside_by=captured.set_aside_names,
    )


def _dynamic(run: Run, checkpoint: Checkpoint, pulls: list[CapturedPull]) -> Dynamic:
    """Return what stream, profile and zeros say, each at its worst over the pulls that count.

    A held reading is taken where torque stands still: how fast it got there hides nothing of it.
    """
    rates, intervals_s = [], []
    for pull in pulls:
        slope, reading = pull.pull.loading_rate_per_s, pull.pull.reading
        if counts(pull) and pull.pull.mode is not Mode.HOLD and slope is not None and reading:
            rate = abs(slope) / reading * 100
            rates.append(rate)
            if pull.pull.sampling_hides_percent and rate > 0:
                intervals_s.append(pull.pull.sampling_hides_percent / rate)
    rate_hz = run.stream.get("rate_hz", 0.0)
    if not intervals_s and rate_hz > 0:  # the pulls' own samples say it better than the link's average
        intervals_s = [1 / rate_hz]
    calibration = run.plan.reference.calibration
    return Dynamic(
        rate_percent_per_s=max(rates, default=None),
        interval_s=max(intervals_s, default=None),
        filter_hz=run.stream.get("filter_hz") or None,
        zero_drift_nm=max((abs(b.zero_nm - a.zero_nm) for a, b in pairwise(run.zeros)), default=None),
        temperature_percent_per_k=None if calibration is None else calibration.temperature_percent_per_k,
        temperature_difference_k=_from_calibration_k(run),
        stands_still=all(pull.pull.mode is Mode.HOLD for pull in pulls),
    )


def _from_calibration_k(run: Run) -> float | None:
    calibration = run.plan.reference.calibration
    noted = [run.ambient[key] for key in ("start_c", "end_c") if key in run.ambient]
    if calibration is None or calibration.temperature_c is None or not noted:
        return None
    return max((t - calibration.temperature_c for t in noted), key=abs)


def _geometric(tool: Tool) -> dict[str, Geometric]:
    if not tool.is_screwdriver:
        return {}
    return {"w_l": Geometric(0.0, GivenBy.NOT_APPLICABLE, NO_LOADING_POINT)}


def rule_of(procedure: Procedure) -> Rule:
    """Return the decision rule that a procedure fixes; r is 1 where it names none (ILAC-G8:09/2019, w = U)."""
    return Rule(RuleKind(str(procedure.value("decision.rule"))), float(procedure.value("decision.r", 1.0)))


def coverage_of(procedure: Procedure) -> Coverage:
    """Return how k is found: fixed (2 where the procedure says nothing), or from t at its probability and ν_eff."""
    probability = procedure.value("coverage.probability")
    if probability is not None:
        return Coverage(None, float(probability))
    return Coverage(float(procedure.value("coverage.factor", 2.0)))


def _ambient(run: Run, procedure: Procedure) -> Ambient:
    def figure(name: str) -> float | None:
        value: Any = procedure.value(name)
        return None if value is None else float(value)

    noted = run.ambient
    return Ambient(
        noted.get("start_c"),
        noted.get("end_c"),
        noted.get("humidity_percent"),
        figure("ambient.lowest"),
        figure("ambient.highest"),
        figure("ambient.change"),
        figure("ambient.humidity"),
    )


def judgement_to_data(judgement: Judgement, unit: str, run_input: JudgeInput) -> dict[str, Any]:
    """Return the judgement as JSON-able data: torques in `unit`, shares largest first, every formula with its source.

    Infinite degrees of freedom are null.
    """
    told: dict[str, Any] = {
        "verdict": judgement.verdict.value,
        "unit": unit,
        "convention": run_input.convention.value,
        "rule": _plain(run_input.rule, unit),
        "checkpoints": [],
        "ambient_notes": _plain(judgement.ambient_notes, unit),
    }
    used: set[str] = {"W", "W'", "ν_eff"}
    for checkpoint in judgement.checkpoints:
        data = _plain(checkpoint, unit)
        data["budget"]["shares"] = [{"symbol": s, "share": share} for s, share in checkpoint.budget.shares]
        told["checkpoints"].append(data)
        used |= {c.symbol for c in checkpoint.budget.contributions} | set(checkpoint.budget.missing)
    told["formulas"] = [_plain(FORMULAS[symbol], unit) for symbol in FORMULAS if symbol in used]
    return told


def run_judgement_to_data(run: Run, judgement: Judgement) -> dict[str, Any]:
    """Return the judgement of a run as data for its record, torques in the tool's own unit."""
    return judgement_to_data(judgement, run.plan.tool.unit, judge_input(run))


def _plain(value: Any, unit: str) -> Any:
    if isinstance(value, Enum):
        return value.value
    if dataclasses.is_dataclass(value):
        found: dict[str, Any] = {}
        for field in dataclasses.fields(value):
            inner = getattr(value, field.name)
            if field.name.endswith("_nm") and inner is not None:
                found[field.name.removesuffix("_nm")] = from_nm(inner, unit)
            else:
                found[field.name] = _plain(inner, unit)
        return found
    if isinstance(value, tuple | list):
        return [_plain(v, unit) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
