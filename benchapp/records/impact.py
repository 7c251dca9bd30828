"""What an error found now means for what was done before: jobs of a tool, verifications of a reference.

Nothing here says that a job is bad; it says which ones somebody has to look at (`benchapp.records.worklist`).
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchapp.metrology.correction import Correction
from benchapp.metrology.deviation import deviation_percent
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import Judgement, judge
from benchapp.metrology.reference import Calibration
from benchapp.records import check_standard
from benchapp.records.errors import NotAllowedError
from benchapp.records.model import JobEntry, Outcome, ToolState
from benchapp.records.shown import counted
from benchapp.records.store import Store
from benchapp.runs.judging import judge_input
from benchapp.runs.model import Run
from benchapp.runs.procedure import ProcedureError
from benchapp.runs.standing import convention_of
from benchapp.torque.direction import Direction
from drivers.samples import FloatArray

_INVERSE_STEPS: Final = 60


@dataclass(frozen=True, slots=True)
class CheckpointError:
    """What the tool did at one checkpoint when it was found out.

    Attributes:
        target_nm: Target.
        direction: Direction of torque.
        limit_percent: Permissible deviation, ± percent.
        mean_error_percent: Mean of (torque delivered − torque indicated) / indicated, percent; above 0: joints got
            more than was meant.
        worst_error_percent: The one farthest from zero.
        is_out: A reading that counts lay outside its limits.
        expanded_percent: Expanded uncertainty of the mean; None where the record does not give one.
    """

    target_nm: float
    direction: Direction
    limit_percent: float
    mean_error_percent: float
    worst_error_percent: float
    is_out: bool
    expanded_percent: float | None = None


@dataclass(frozen=True, slots=True)
class SuspectJob:
    """A use of the tool in the suspect period.

    Attributes:
        job: As logged.
        error_percent: Lowest and highest error of the readings at the checkpoints around its torque; over all
            checkpoints where its torque is unknown or outside of them.
        near_out: One of those checkpoints is out.
    """

    job: JobEntry
    error_percent: tuple[float, float]
    near_out: bool


@dataclass(frozen=True, slots=True)
class ToolImpact:
    """What has to be looked at because a tool was found out.

    Attributes:
        run_id: Run that found it out.
        tool: Its number.
        since: End of the last full run within limits before it, or the date of first use, ISO 8601; "" unknown: from
            the first job on. A spot check does not end the period, it says nothing of the other checkpoints.
        last_good_run: "" when there is none.
        until: When it was found, ISO 8601.
        errors: Per checkpoint, in the order of the run.
        jobs: Those near a checkpoint that is out first, then by time.
    """

    run_id: str
    tool: str
    since: str
    last_good_run: str
    until: str
    errors: tuple[CheckpointError, ...]
    jobs: tuple[SuspectJob, ...]


def tool_impact(store: Store, run_id: str) -> ToolImpact:
    """Return what the run that found a tool out puts in doubt.

    Raises:
        NotAllowedError: No sealed run, or one that did not find the tool out, or a void one.
    """
    run, summary = store.run(run_id), store.summary(run_id)
    if run is None or summary is None or not summary.seal:
        raise NotAllowedError(store.path, f"There is no sealed run {run_id}.")
    if summary.outcome is not Outcome.OUT or summary.voided:
        state = "void" if summary.voided else f"“{summary.outcome.value}”"
        raise NotAllowedError(store.path, f"Run {run_id} is {state}; only a run that found its tool out has an impact.")
    with store._db.reading_raw() as raw:
        good = raw.execute(
            "SELECT run_id, finished FROM runs WHERE tool = ? AND key < ? AND seal <> '' AND voided = '' AND is_full "
            "AND outcome = 'within' ORDER BY key DESC LIMIT 1",
            (summary.tool, summary.key),
        ).fetchone()
    since = good[1] if good else ""
    if not since:
        record = store.tool(summary.tool)
        since = record.first_use.isoformat() if record is not None and record.first_use else ""
    errors = checkpoint_errors(run)
    jobs = [_suspect(job, errors) for job in store.jobs(summary.tool, since=since, until=summary.finished)]
    jobs.sort(key=lambda each: not each.near_out)  # stable: by time inside both
    return ToolImpact(run_id, summary.tool, since, good[0] if good else "", summary.finished, errors, tuple(jobs))


def checkpoint_errors(run: Run) -> tuple[CheckpointError, ...]:
    """Direction and size of the error at each checkpoint that has readings that count."""
    judgement = _judged(run)
    found = []
    for index, point in enumerate(run.plan.checkpoints):
        here = [pull for pull in counted(run) if pull.checkpoint_index == index and pull.pull.reading]
        errors = []
        for pull in here:
            indicated = point.target_nm if pull.indication_nm is None else pull.indication_nm
            errors.append((float(pull.pull.reading or 0.0) - indicated) / indicated * 100)
        if errors:
            found.append(
                CheckpointError(
                    point.target_nm,
                    point.direction,
                    point.limit_percent,
                    sum(errors) / len(errors),
                    max(errors, key=abs),
                    any(pull.band is not None and pull.band != "IN" for pull in here),
                    None if isinstance(judgement, str) else judgement.checkpoints[index].budget.expanded,
                )
            )
    return tuple(found)


def _suspect(job: JobEntry, errors: Sequence[CheckpointError]) -> SuspectJob:
    around = list(errors)
    torque = job.torque_nm
    if torque is not None and errors:
        targets = [each.target_nm for each in errors]
        if min(targets) <= torque <= max(targets):
            low = max(target for target in targets if target <= torque)
            high = min(target for target in targets if target >= torque)
            around = [each for each in errors if each.target_nm in (low, high)]
    sizes = [size for each in around for size in (each.mean_error_percent, each.worst_error_percent)]
    return SuspectJob(job, (min(sizes, default=0.0), max(sizes, default=0.0)), any(each.is_out for each in around))


# --- a reference


@dataclass(frozen=True, slots=True)
class Rejudged:
    """A verification judged anew with the corrected calibration.

    Attributes:
        run_id: Which.
        tool: Whose.
        finished: ISO 8601.
        before: Verdict by the calibration that was in force: "in-service", "out", "doubtful"; "" could not be judged.
        after: Verdict by the corrected one; the same words.
        shift_percent: Lowest and highest change of a reading that counts, percent.
        why_not: Why it could not be judged again; "" when it could.
    """

    run_id: str
    tool: str
    finished: str
    before: str
    after: str
    shift_percent: tuple[float, float]
    why_not: str = ""

    @property
    def changes(self) -> bool:
        """The verdict is another one, or nobody can say."""
        return bool(self.why_not) or self.before != self.after


@dataclass(frozen=True, slots=True)
class ReferenceImpact:
    """What has to be looked at because a reference was found out.

    Attributes:
        reference: Number.
        certificate: Of the calibration that found it out.
        since: Date of its last good check; None: it has none, so every run counts.
        runs: Those whose verdict changes first, then by tool, newest first.
    """

    reference: str
    certificate: str
    since: dt.date | None
    runs: tuple[Rejudged, ...]

    @property
    def tools(self) -> tuple[str, ...]:
        """Every tool verified in that time, those with a verdict that changes first."""
        return tuple(dict.fromkeys(run.tool for run in self.runs))


@dataclass(frozen=True, slots=True)
class ToolRejudged:
    """All of one tool's verifications that were judged anew.

    Attributes:
        tool: Which.
        n_runs: How many.
        n_changed: How many have another verdict, or cannot be judged.
        newest: The newest of them.
        shift_percent: Lowest and highest change of a reading that counts, percent.
    """

    tool: str
    n_runs: int
    n_changed: int
    newest: Rejudged
    shift_percent: tuple[float, float]


def by_tool(runs: Sequence[Rejudged]) -> list[ToolRejudged]:
    """Runs tool by tool: those with most verdicts that change first."""
    of_tool: dict[str, list[Rejudged]] = {}
    for run in runs:
        of_tool.setdefault(run.tool, []).append(run)
    found = []
    for tool, mine in of_tool.items():
        ends = [end for run in mine for end in run.shift_percent]
        newest = max(mine, key=lambda run: run.finished)
        found.append(ToolRejudged(tool, len(mine), sum(r.changes for r in mine), newest, (min(ends), max(ends))))
    return sorted(found, key=lambda each: (-each.n_changed, each.tool))


def reference_impact(
    store: Store,
    number: str,
    *,
    certificate: str = "",
    since: dt.date | None = None,
    progress: Callable[[int, int], object] = lambda _done, _all: None,
) -> ReferenceImpact:
    """Judge anew every run that was pulled on a reference since its last good check, with the corrected calibration.

    The error found is taken to have been there all the time, which is the worst that is known; nothing tells when it
    came. Runs that were judged by the corrected calibration itself or a newer one are left out, and those of its check
    standard, which tell of the reference and not of a tool. A run takes some milliseconds, and there may be hundreds.

    Args:
        store: Where the runs are.
        number: Of the reference.
        certificate: Of the corrected calibration; "" the newest.
        since: Date of the last good check, e.g. of a check standard; None: of the calibration before.
        progress: Told (how many were looked at, how many there are) before each run; what it raises ends the work.

    Raises:
        NotAllowedError: No such reference or certificate.
    """
    reference = store.reference(number)
    known = reference.calibrations if reference is not None else ()
    index = next((i for i, c in enumerate(known) if c.certificate == certificate), None) if certificate else -1
    if not known or index is None:
        wanted = f"calibration {certificate}" if certificate else "calibration"
        raise NotAllowedError(store.path, f"There is no {wanted} of a reference {number}.")
    corrected = known[index]
    earlier = [c.calibrated for c in known if c.calibrated < corrected.calibrated]
    if since is None and earlier:
        since = max(earlier)
    with store._db.reading_raw() as raw:
        rows = raw.execute(
            "SELECT run_id, tool, started, finished FROM runs WHERE reference = ? AND started >= ? AND seal <> '' "
            "AND voided = '' AND outcome IN ('within', 'out', 'undecided') ORDER BY key DESC",
            (number, since.isoformat() if since else ""),
        ).fetchall()
    found = []
    setup = check_standard.setup_of(store, number)
    for done, (run_id, tool, _, finished) in enumerate(rows):
        progress(done, len(rows))
        if setup is not None and tool == setup.standard:
            continue
        run = store.run(run_id)
        used = run.plan.reference.calibration if run is not None else None
        if run is None or (used is not None and _is_as_good(used, corrected)):
            continue
        found.append(_rejudged(run, tool, finished, used, corrected))
    found.sort(key=lambda each: each.tool)
    found.sort(key=lambda each: not each.changes)
    return ReferenceImpact(number, corrected.certificate, since, tuple(found))


def _is_as_good(used: Calibration, corrected: Calibration) -> bool:
    return used.certificate == corrected.certificate or used.calibrated > corrected.calibrated


def still_in_service(store: Store, impact: ReferenceImpact) -> tuple[str, ...]:
    """Tools that are in service by a verdict that changes: nothing newer was found of them since."""
    changed = {run.run_id: run.tool for run in impact.runs if run.changes}
    found = []
    for number in dict.fromkeys(changed.values()):
        record = store.tool(number)
        if record is None or record.state is not ToolState.IN_SERVICE:
            continue
        judged = (line for line in store.runs(tool=number, limit=50) if line.seal and not line.voided)
        newest = next((line for line in judged if line.outcome in (Outcome.WITHIN, Outcome.OUT)), None)
        if newest is not None and newest.run_id in changed:
            found.append(number)
    return tuple(found)


def _rejudged(run: Run, tool: str, finished: str, used: Calibration | None, corrected: Calibration) -> Rejudged:
    if used is None:
        return Rejudged(run.run_id, tool, finished, "", "", (0.0, 0.0), "the run names no calibration of its reference")
    try:
        after_run = with_calibration(run, corrected)
    except (RefusedError, ProcedureError) as refused:
        return Rejudged(run.run_id, tool, finished, "", "", (0.0, 0.0), str(refused))
    shifts = [
        (float(new.pull.reading) / float(old.pull.reading) - 1) * 100
        for old, new in zip(counted(run), counted(after_run), strict=True)
        if old.pull.reading and new.pull.reading
    ]
    before, after = _judged(run), _judged(after_run)
    return Rejudged(
        run.run_id,
        tool,
        finished,
        "" if isinstance(before, str) else before.verdict.value,
        "" if isinstance(after, str) else after.verdict.value,
        (min(shifts, default=0.0), max(shifts, default=0.0)),
        after if isinstance(after, str) else before if isinstance(before, str) else "",
    )


def _judged(run: Run) -> Judgement | str:
    try:
        return judge(judge_input(run))
    except (RefusedError, ProcedureError) as refused:
        return str(refused)


def with_calibration(run: Run, corrected: Calibration) -> Run:
    """Return the run as it would read had `corrected` been in force: readings, deviations and reference.

    Each reading is taken back to what the reference indicated, then corrected anew. A certificate to which no
    correction is applied (degree 0) still says what was applied; its line through zero is used, so that the error is
    in the readings and its remainder in the uncertainty. Bands of the pulls are left as they were recorded.

    Raises:
        RefusedError: A calibration cannot be fitted, or a reading could not have come from the old one.
        ProcedureError: The procedure in the record cannot be read.
    """
    used = run.plan.reference.calibration
    if used is None:
        raise RefusedError("calibration", None, "the one it was pulled with", "a run with a calibration")
    corrected = dataclasses.replace(corrected, degree=max(1, corrected.degree))
    old = {way: Correction.from_calibration(used, way) for way in Direction}
    new = {way: Correction.from_calibration(corrected, way) for way in Direction}
    convention = convention_of(run)
    with_reading = [each.pull for each in run.pulls if each.pull.reading is not None and each.pull.reading > 0]
    corrected_nm: dict[tuple[Direction, float], float] = {}
    for way in {pull.direction for pull in with_reading}:
        readings = np.array([float(pull.reading or 0.0) for pull in with_reading if pull.direction is way])
        applied_nm = new[way].true_torque(indicated_nm(old[way], readings))
        corrected_nm |= {(way, then): now for then, now in zip(readings.tolist(), applied_nm.tolist(), strict=True)}
    pulls = []
    for captured in run.pulls:
        reading = captured.pull.reading
        if reading is not None and reading > 0:
            applied = corrected_nm[captured.pull.direction, float(reading)]
            captured = dataclasses.replace(captured, pull=dataclasses.replace(captured.pull, reading=applied))
            if captured.deviation_percent is not None and captured.indication_nm is not None:
                value = deviation_percent(captured.indication_nm, applied, convention)
                captured = dataclasses.replace(captured, deviation_percent=value)
        pulls.append(captured)
    reference = dataclasses.replace(run.plan.reference, calibrations=(corrected,))
    return dataclasses.replace(run, pulls=tuple(pulls), plan=dataclasses.replace(run.plan, reference=reference))


def indicated_nm(correction: Correction, torques_nm: FloatArray) -> FloatArray:
    """Return what the reference indicated when the corrected readings were `torques_nm` (each > 0), N·m.

    Raises:
        RefusedError: No indication gives one of them.
    """
    low, high = np.zeros_like(torques_nm), torques_nm * 2
    beyond = ~(correction.true_torque(high) >= torques_nm)
    if beyond.any():
        worst = float(torques_nm[beyond][0])
        raise RefusedError("reading", worst, "what the calibration can give", "a reading of this calibration")
    for _ in range(_INVERSE_STEPS):
        middle = (low + high) / 2
        is_below = correction.true_torque(middle) < torques_nm
        low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
    return (low + high) / 2
