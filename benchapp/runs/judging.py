"""From a run to what metrology judges: readings, reference, procedure and conditions in one input. Pure."""

from __future__ import annotations

from typing import Any

from benchapp.metrology.budget import GivenBy
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
from benchapp.runs.model import CapturedPull, Checkpoint, PullKind, Run
from benchapp.runs.procedure import Procedure
from benchapp.runs.standing import BY_PROGRAM, convention_of, procedure_of
from benchapp.torque.units import to_nm


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
        geometric=_geometric(tool),
        rule=_rule(procedure),
        ambient=_ambient(run, procedure),
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
        dynamic=_dynamic(run, pulls),
    )


def _reading(captured: CapturedPull) -> ReadingInput:
    return ReadingInput(
        reading_nm=float(captured.pull.reading or 0.0),
        indication_nm=captured.indication_nm,
        set_aside=captured.set_aside,
        flags=tuple(flag.value for flag in captured.pull.flags),
        set_aside_by=captured.set_aside_by,
    )


def _dynamic(run: Run, pulls: list[CapturedPull]) -> Dynamic:
    drift = run.zeros[-1].zero_nm - run.zeros[0].zero_nm if len(run.zeros) > 1 else None
    rates = [
        p.pull.loading_rate_per_s / p.pull.reading * 100
        for p in pulls
        if p.set_aside is None and p.pull.reading and p.pull.loading_rate_per_s is not None
    ]
    return Dynamic(rate_percent_per_s=max(rates) if rates else None, zero_drift_nm=drift)


def _geometric(tool: Tool) -> dict[str, Geometric]:
    if not tool.is_screwdriver:
        return {}
    return {"w_l": Geometric(0.0, GivenBy.NOT_APPLICABLE, "a screwdriver has no loading point")}


def _rule(procedure: Procedure) -> Rule:
    return Rule(RuleKind(str(procedure.value("decision.rule", "simple"))), float(procedure.value("decision.r", 1.0)))


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
