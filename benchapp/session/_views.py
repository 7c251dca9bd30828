"""From a run to what the Bench shows of it. Pure."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import replace
from math import isfinite
from typing import Any

from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import Judgement, Verdict
from benchapp.metrology.rules import Outcome as RuleOutcome
from benchapp.pulls.pull import Flag, Mark, Pull
from benchapp.records.model import Outcome
from benchapp.runs import standing as runs
from benchapp.runs.judging import run_judgement_to_data
from benchapp.runs.model import CapturedPull, PullKind, Run, RunState
from benchapp.runs.outcome import outcome
from benchapp.session.view import Card, Dot, LinkView, Rung, VerdictView
from drivers.status import LinkStatus

log = logging.getLogger(__name__)

FORMULAS = {"ISO": "ISO 6789", "PRESET": "applied against preset"}
_ASKS = (RunState.DECIDE, RunState.REASON, RunState.INDICATION)


def link_view(status: LinkStatus) -> LinkView:
    """Return the link as people see it."""
    return LinkView(
        state=status.state.value,
        url=status.url,
        reason=status.reason,
        rate_hz=status.rate_hz,
        n_lines=status.n_lines,
        n_refused=status.n_refused,
        n_gaps=status.n_gaps,
        identity=status.identity,
        capture=status.capture,
    )


def figures_of(run: Run) -> tuple[float, tuple[float, float] | None]:
    """Return (pause limit in seconds, time window of the last fifth) of the run's procedure.

    The window is None where there is none or where it has no longest time: an open end cannot be drawn.
    """
    procedure = runs.procedure_of(run)
    window = procedure.time_window_s(run.plan.tool)
    return procedure.pause_limit_s, window if window is not None and isfinite(window[1]) else None


def run_fields(run: Run, window_s: tuple[float, float] | None) -> dict[str, Any]:
    """Return the fields of `BenchView` that follow from the run alone."""
    fields: dict[str, Any] = {
        "run": run,
        "state": run.state,
        "holds": run.holds,
        "mode": run.plan.mode,
        "rungs": rungs(run),
        "time_window_s": window_s,
    }
    if run.state is RunState.PRELOAD:
        direction, n_pulls, target_nm = run.plan.preloads[run.preload_index]
        tool = run.plan.tool
        is_maximum = abs(target_nm - tool.highest_nm) <= 1e-9 * target_nm
        target = (
            tool.highest
            if is_maximum
            else next((c.target for c in run.plan.checkpoints if c.target_nm == target_nm), None)
        )
        fields |= {
            "direction": direction,
            "target_nm": target_nm,
            "target": target,
            "pull_index": min(run.n_preloads_done + 1, n_pulls),
            "n_pulls": n_pulls,
        }
    elif run.plan.checkpoints:
        index = min(run.checkpoint_index, len(run.plan.checkpoints) - 1)
        if run.state in _ASKS and run.asked_about:
            asked = run.pulls[run.asked_about - 1].checkpoint_index
            index = index if asked is None else asked
        checkpoint = run.plan.checkpoints[index]
        n = runs.n_counted(run, index)
        asking = run.state in _ASKS and run.pulls and runs.counts(run.pulls[run.asked_about - 1])
        fields |= {
            "direction": checkpoint.direction,
            "target_nm": checkpoint.target_nm,
            "target": checkpoint.target,
            "checkpoint": checkpoint,
            "pull_index": min(max(1, n if asking else n + 1), checkpoint.n_readings),
            "n_pulls": checkpoint.n_readings,
        }
    return fields


def rungs(run: Run) -> tuple[Rung, ...]:
    """Return the ladder, lowest torque first."""
    found = []
    for index, checkpoint in enumerate(run.plan.checkpoints):
        dots = [
            Dot(pull.band, flagged=bool(pull.pull.flags))
            for pull in run.pulls
            if runs.counts(pull) and pull.checkpoint_index == index
        ]
        dots += [Dot(None)] * (checkpoint.n_readings - len(dots))
        found.append(Rung(checkpoint, tuple(dots), index == run.checkpoint_index))
    return tuple(sorted(found, key=lambda rung: (rung.checkpoint.direction.sign < 0, rung.checkpoint.target_nm)))


def taken_by_switch(pull: Pull, time_s: float, torque_nm: float, target_nm: float | None) -> Pull:
    """Return a held pull with the reading that the foot switch took, and a mark "taken" where it did.

    The mark lets the reading be derived again from the trace: the mean of the half second before it.
    """
    flags = pull.flags
    if Flag.SHORT in flags and (target_nm is None or torque_nm >= 0.8 * target_nm):
        flags = tuple(flag for flag in flags if flag is not Flag.SHORT)
    marks = (*pull.marks, Mark("taken", time_s, torque_nm))
    return replace(
        pull,
        reading=torque_nm,
        reading_time_s=time_s,
        flags=flags,
        noticed=tuple(noticed for noticed in pull.noticed if noticed.flag in flags),
        marks=tuple(sorted(marks, key=lambda mark: mark.time_s)),
    )


def provisional_card(run: Run, torque_nm: float, heard_s: float) -> Card:
    """Return the card at the moment when the click was heard or the hold was steady."""
    if run.state is RunState.PRELOAD:
        number, kind = run.n_preloads_done + 1, PullKind.PRELOAD
    else:
        number, kind = runs.n_counted(run, run.checkpoint_index) + 1, PullKind.READING
    return Card(number, kind, torque_nm, provisional=True, stored=False, heard_s=heard_s)


def card_of(run: Run, captured: CapturedPull, *, stored: bool) -> Card:
    """Return the card of a pull that is over."""
    reading = captured.pull.reading
    if captured.kind is PullKind.PRELOAD or captured.checkpoint_index is None:
        shown = reading if reading is not None else captured.pull.peak
        number = runs.preload_number(run, captured.number)
        return Card(number, captured.kind, shown, False, stored, pull=captured.pull, set_aside=captured.set_aside)
    same = [
        pull
        for pull in run.pulls[: captured.number - 1]
        if pull.checkpoint_index == captured.checkpoint_index and runs.counts(pull)
    ]
    checkpoint = run.plan.checkpoints[captured.checkpoint_index]
    against = captured.indication_nm or checkpoint.target_nm
    return Card(
        pull_number=len(same) + 1,
        kind=captured.kind,
        torque_nm=reading,
        provisional=False,
        stored=stored,
        band=captured.band,
        deviation_percent=captured.deviation_percent,
        delivered_percent=None if captured.band is None or reading is None else (reading - against) / against * 100,
        limit_percent=checkpoint.limit_percent,
        formula=FORMULAS[runs.convention_of(run).name],
        pull=captured.pull,
        set_aside=captured.set_aside,
        kept=captured.kept_despite,
    )


def judgement_of(run: Run, judge: Callable[[Run], Judgement] | None) -> tuple[Judgement | None, str]:
    """Return (judgement, why there is none); nothing that goes wrong in it stops a run."""
    if judge is None:
        return None, ""
    try:
        return judge(run), ""
    except RefusedError as refused:
        return None, f"No uncertainty is stated: {refused}"
    except Exception as error:  # the verdict by the limits stands, the log has the rest
        log.exception("run %s could not be judged", run.run_id)
        return None, f"No uncertainty is stated, judging failed: {error or type(error).__name__}"


def sealed_judgement(
    run: Run, judge: Callable[[Run], Judgement] | None
) -> tuple[Mapping[str, object] | None, Outcome | None]:
    """Return (what the record says of the judgement, the outcome where the decision rule leaves it open).

    The outcome is None where the readings' bands decide: under simple acceptance, and for what is out of limits.
    """
    if run.state is RunState.LEFT:
        return None, None
    judgement, problem = judgement_of(run, judge)
    if judgement is None:
        return ({"refused": problem}, None) if problem else (None, None)
    is_open = judgement.verdict is Verdict.DOUBTFUL and any(
        checkpoint.outcome is not RuleOutcome.PASS for checkpoint in judgement.checkpoints
    )
    return run_judgement_to_data(run, judgement), Outcome.UNDECIDED if is_open else None


def worst_stream(run: Run, status: LinkStatus) -> dict[str, float]:
    """Return the run's `stream` after a pull over this link: the slowest rate and the lowest filter met so far."""
    now = {"rate_hz": status.rate_hz, "filter_hz": status.filter_hz}
    return {
        key: min(known for known in (value, run.stream.get(key, value)) if known > 0)
        for key, value in now.items()
        if value > 0 or key in run.stream
    }


def verdict_view(run: Run, judge: Callable[[Run], Judgement] | None) -> VerdictView:
    """Return the first verdict, with the judgement or why there is none."""
    first = outcome(run)
    judgement, problem = judgement_of(run, judge)
    return VerdictView(
        within=first.within,
        within_with_set_aside=first.within_with_set_aside,
        checkpoints=first.checkpoints,
        n_set_aside=first.n_set_aside,
        n_noticed=first.n_noticed,
        judgement=judgement,
        judgement_problem=problem,
    )
