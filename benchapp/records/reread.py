"""Read every stored trace again and say what comes out differently; what was sealed stays as it is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np

from benchapp.metrology.correction import Correction
from benchapp.pulls import DETECTOR, read_pulls
from benchapp.pulls.pull import Pull
from benchapp.pulls.settings import Settings
from benchapp.records.canonical import parse
from benchapp.records.model import EntryKind, RereadDifference
from benchapp.records.store import Store
from benchapp.runs.model import CapturedPull, Run, RunPlan
from benchapp.runs.procedure import ProcedureError
from benchapp.runs.standing import reader_settings
from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from benchapp.torque.units import to_nm
from drivers.samples import FloatArray

Read = Callable[[Run, CapturedPull, Trace], Pull | None]
"""(run, pull as stored, its trace) -> the pull as it is read now, N·m, clockwise positive; None: none is found."""


def differences(
    store: Store, read: Read | None = None, *, detector: str = "", tolerance_nm: float = 0.0
) -> Iterator[RereadDifference]:
    """Yield every reading that comes out differently, runs newest first.

    Args:
        store: Any store.
        read: How to read; None: `read_again`.
        detector: Its name and version, for the list.
        tolerance_nm: Readings that differ by no more are the same.

    Raises:
        ValueError: As `read_again`.
    """
    if read is None:
        read, detector = read_again, DETECTOR
    before: int | None = None
    while page := store.runs(before=before, limit=100):
        before = page[-1].key
        for line in page:
            run = store.run(line.run_id)
            for pull in run.pulls if run is not None else ():
                trace = store.trace(line.run_id, pull.number)
                if run is None or trace is None:
                    continue
                now = read(run, pull, trace)
                difference = _difference(line.run_id, pull, now, detector, tolerance_nm)
                if difference is not None:
                    yield difference


def keep(store: Store, found: Iterable[RereadDifference], *, who: str) -> int:
    """Put what came out differently beside each sealed run, as an entry of the chain; return how many runs got one.

    A run that is not sealed gets none, nor one beside which the same stands already.
    """
    of_run: dict[tuple[str, str], list[dict[str, object]]] = {}
    for each in found:
        told: dict[str, object] = {
            "number": each.number,
            "stored_nm": each.stored_nm,
            "reread_nm": each.reread_nm,
            "stored_flags": list(each.stored_flags),
            "reread_flags": list(each.reread_flags),
        }
        of_run.setdefault((each.run_id, each.detector), []).append(told)
    n_kept = 0
    for (run_id, detector), readings in of_run.items():
        entries = list(store.entries(run_id))
        stands = [parse(entry.body)["content"] for entry in entries if entry.kind is EntryKind.REREAD]
        is_sealed = any(entry.kind is EntryKind.RUN for entry in entries)
        if is_sealed and {"run": run_id, "detector": detector, "readings": readings} not in stands:
            store.add_reread(run_id, readings, who=who, detector=detector)
            n_kept += 1
    return n_kept


def _difference(
    run_id: str, pull: CapturedPull, now: Pull | None, detector: str, tolerance_nm: float
) -> RereadDifference | None:
    old_flags = tuple(flag.value for flag in pull.pull.flags)
    new_flags = tuple(flag.value for flag in now.flags) if now is not None else ()
    old, new = pull.pull.reading, now.reading if now is not None else None
    same = old == new or (old is not None and new is not None and abs(old - new) <= tolerance_nm)
    if same and old_flags == new_flags and now is not None:
        return None
    return RereadDifference(run_id, pull.number, old, new, old_flags, new_flags, detector)


def read_again(run: Run, captured: CapturedPull, trace: Trace) -> Pull | None:
    """Read a stored pull again with the program's own reader: zero and correction as they were when it was pulled.

    A stored trace holds the device's own numbers. Its keys say what became torque of them: `zero_nm` was subtracted,
    and `correction` names the certificate that was applied, or "none".

    Returns:
        The pull as it is read now, N·m, clockwise positive; None: no pull is found where the stored one lies.

    Raises:
        ValueError: The trace names a certificate that the run's reference does not hold.
    """
    plan = run.plan
    indicated_nm = to_nm(trace.torque, trace.unit) * trace.polarity.sign
    zeroed_nm = indicated_nm - float(trace.extra.get("zero_nm", "0"))
    target_nm = None
    if captured.checkpoint_index is not None:
        target_nm = plan.checkpoints[captured.checkpoint_index].target_nm
    else:
        directions = [target for direction, _, target in plan.preloads if direction is captured.pull.direction]
        target_nm = directions[0] if len(set(directions)) == 1 else None
    report = read_pulls(
        trace.t_s,
        _corrected(zeroed_nm, run, trace.extra.get("correction", "none")),
        mode=captured.pull.mode,
        capacity=plan.reference.capacity_nm,
        target=target_nm,
        tool_max=plan.tool.highest_nm,
        settings=_settings_of(plan),
    )
    stored = captured.pull
    nearest = max(report.pulls, key=lambda pull: _overlap_s(pull, stored), default=None)
    return nearest if nearest is not None and _overlap_s(nearest, stored) > 0 else None


def _settings_of(plan: RunPlan) -> Settings:
    """The limits of the plan's procedure; the reader's own where an old record holds no procedure that can be read."""
    try:
        return reader_settings(plan)
    except ProcedureError:
        return Settings()


def _overlap_s(one: Pull, other: Pull) -> float:
    return min(one.end_s, other.end_s) - max(one.start_s, other.start_s)


def _corrected(zeroed_nm: FloatArray, run: Run, certificate: str) -> FloatArray:
    if certificate in ("none", ""):
        return zeroed_nm
    calibration = next((each for each in run.plan.reference.calibrations if each.certificate == certificate), None)
    if calibration is None:
        raise ValueError(f"{run.run_id}: {run.plan.reference.number} holds no certificate {certificate!r}")
    magnitude = np.abs(zeroed_nm)
    clockwise = Correction.from_calibration(calibration, Direction.CLOCKWISE).true_torque(magnitude)
    anticlockwise = Correction.from_calibration(calibration, Direction.ANTICLOCKWISE).true_torque(magnitude)
    return np.where(zeroed_nm >= 0, clockwise, -anticlockwise)
