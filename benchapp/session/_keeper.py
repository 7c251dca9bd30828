"""One thread that writes records, in order, and never forgets one: what cannot be stored now is tried again."""

from __future__ import annotations

import contextlib
import logging
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final, Protocol

from benchapp.records.model import Outcome
from benchapp.records.packing import PackedPull, packed
from benchapp.runs.model import CapturedPull, Run
from benchapp.session._memory import give_back
from benchapp.torque.trace import Trace

log = logging.getLogger(__name__)

RETRY_S: Final = 1.0


class RunStore(Protocol):
    """What the session needs of the store. Every method is durable on return or raises."""

    def begin_run(self, run: Run) -> None:
        """Store a new run."""
        ...

    def save_run(self, run: Run) -> None:
        """Store where a run stands."""
        ...

    def store_pull(self, run: Run, pull: CapturedPull, trace: PackedPull) -> None:
        """Store a pull, its trace and the run's state in one transaction."""
        ...

    def seal(
        self,
        run: Run,
        *,
        outcome: Outcome | None = None,
        judgement: Mapping[str, object] | None = None,
        selftest: Mapping[str, object] | None = None,
    ) -> object:
        """Seal a finished or left run."""
        ...

    def open_run(self) -> Run | None:
        """The newest unfinished run."""
        ...


@dataclass(frozen=True, slots=True)
class Job:
    """One thing to write: `kind` is "begin", "save", "pull", "seal" or "open"."""

    kind: str
    run: Run | None = None
    pull: CapturedPull | None = None
    trace: Trace | PackedPull | None = None
    judgement: Mapping[str, object] | None = None
    outcome: Outcome | None = None


class Keeper:
    """Writes jobs in order on a thread of its own.

    Args:
        on_done: Called on the keeper's thread with each job that is durable, and the run found by "open".
        on_problem: Called on the keeper's thread with one sentence, "" when all is well again.
    """

    def __init__(
        self, on_done: Callable[[Job, Run | None], None], on_problem: Callable[[str], None], *, retry_s: float = RETRY_S
    ) -> None:
        self._on_done = on_done
        self._on_problem = on_problem
        self._retry_s = retry_s
        self._store: RunStore | None = None
        self._selftest: Mapping[str, object] | None = None
        self._jobs: deque[Job] = deque()
        self._wake = threading.Condition()
        self._stopping = False
        self._problem = ""
        self._thread = threading.Thread(target=self._work, name="record keeper", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def give_store(self, store: RunStore) -> None:
        """Hand in the store; jobs wait until it is there."""
        with self._wake:
            self._store = store
            self._wake.notify_all()

    def give_selftest(self, result: Mapping[str, object]) -> None:
        """Put this result of the installation's self-test into every seal from now on."""
        with self._wake:
            self._selftest = result

    def add(self, job: Job) -> None:
        """Queue a job; any thread, does not wait for the disk.

        A pull is packed here, on the thread that brings it: so that it happens while the disk takes its time for the
        one before, and so that pulls which have to wait take little room.
        """
        if job.run is not None and job.pull is not None and isinstance(job.trace, Trace):
            with contextlib.suppress(Exception):  # what is wrong with it is told when it is its turn to be written
                job = replace(job, trace=packed(job.run, job.pull, job.trace))
        with self._wake:
            last = self._jobs[-1] if len(self._jobs) > 1 else None  # never the one being written
            if job.kind == "save" and last is not None and last.kind == "save" and _same(last, job):
                self._jobs[-1] = job  # the newer state holds everything that the older one said
            else:
                self._jobs.append(job)
            self._wake.notify_all()

    def retry_now(self) -> None:
        """Try again at once what failed."""
        with self._wake:
            self._wake.notify_all()

    @property
    def n_waiting(self) -> int:
        """Jobs not yet durable."""
        with self._wake:
            return len(self._jobs)

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Write what waits, then end; return whether everything was written."""
        with self._wake:
            self._stopping = True
            self._wake.notify_all()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        left = self.n_waiting
        if left:
            log.error("%d steps of the run could not be stored before the end: %s", left, self._problem)
        return left == 0

    def _work(self) -> None:
        while True:
            with self._wake:
                while not (self._jobs and self._store is not None):
                    if self._stopping:
                        return
                    self._wake.wait()
                job, store, selftest = self._jobs[0], self._store, self._selftest
            try:
                found = _write(store, job, selftest)
            except Exception as error:  # noqa: BLE001  (whatever the store has, the job is kept and tried again)
                if not self._failed(job, error):
                    return
                continue
            with self._wake:
                self._jobs.popleft()
            if self._problem:
                self._problem = ""
                self._on_problem("")
            self._on_done(job, found)
            if job.kind == "seal":  # the hand puts the tool down: nobody waits for the keeper
                give_back()

    def _failed(self, job: Job, error: Exception) -> bool:
        sentence = str(error) or type(error).__name__
        if sentence != self._problem:
            log.warning("could not %s: %s", job.kind, sentence)
            self._problem = sentence
            self._on_problem(sentence)
        with self._wake:
            if self._stopping:
                return False
            self._wake.wait(self._retry_s)
            return True


def _same(one: Job, other: Job) -> bool:
    return one.run is not None and other.run is not None and one.run.run_id == other.run.run_id


def _write(store: RunStore, job: Job, selftest: Mapping[str, object] | None) -> Run | None:
    if job.kind == "open":
        return store.open_run()
    if job.run is None:
        raise ValueError(f"a {job.kind} needs a run")
    if job.kind == "begin":
        store.begin_run(job.run)
    elif job.kind == "save":
        store.save_run(job.run)
    elif job.kind == "pull":
        if job.pull is None or job.trace is None:
            raise ValueError("a pull needs its trace")
        trace = job.trace if isinstance(job.trace, PackedPull) else packed(job.run, job.pull, job.trace)
        store.store_pull(job.run, job.pull, trace)
    else:
        store.seal(job.run, outcome=job.outcome, judgement=job.judgement, selftest=selftest)
    return None
