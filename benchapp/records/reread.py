"""Read every stored trace again and say what comes out differently. Nothing is written."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator

from benchapp.pulls.pull import Pull
from benchapp.records.model import RereadDifference
from benchapp.records.store import Store
from benchapp.runs.model import CapturedPull, Run
from benchapp.torque.trace import Trace

Read = Callable[[Run, CapturedPull, Trace], Pull | None]
"""(run, pull as stored, its trace) -> the pull as it is read now, N·m, clockwise positive; None: none is found."""


class ReaderMissingError(RuntimeError):
    """This build has no pull reader."""


def differences(
    store: Store, read: Read | None = None, *, detector: str = "", tolerance_nm: float = 0.0
) -> Iterator[RereadDifference]:
    """Yield every reading that comes out differently, runs newest first.

    Args:
        store: Any store.
        read: How to read; None: the program's own reader with the settings of each run.
        detector: Its name and version, for the list.
        tolerance_nm: Readings that differ by no more are the same.

    Raises:
        ReaderMissingError: `read` is None and this build has no reader.
    """
    if read is None:
        read, detector = _own_reader()
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


def _own_reader() -> tuple[Read, str]:
    try:
        module = importlib.import_module("benchapp.pulls.reread")
    except ModuleNotFoundError:
        raise ReaderMissingError("this build has no pull reader yet, so stored traces cannot be read again") from None
    return module.reread, str(module.DETECTOR)
