"""A run under way as the store wrote it last: only what changed since then is written again.

As a rule a pull is all that is new. It then goes into table `captured` by one statement: a row with the pull, its trace
and where the run stands after it, beside which no other table is touched. What comes of it otherwise (where the run
stands between pulls, a pull set aside later) is written row by row. Sealing takes the pulls over into `pulls` and
`traces`, which hold nothing else.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from benchapp.records import shown
from benchapp.records.errors import NotAllowedError, SealedError
from benchapp.records.packing import PackedPull, state_of, text_of
from benchapp.records.schema import CAPTURED_BITS
from benchapp.runs.codec import plan_to_data
from benchapp.runs.model import CapturedPull, Run

# A sealed run has no row in `run_states` any more, so nothing can be put beside its sealed bytes.
_PUT: Final = (
    "INSERT INTO captured (key, state, data, n_samples, sha256, blob) SELECT ?, ?, ?, ?, ?, ? "
    "FROM run_states WHERE run_key = ?"
)
_PUT_STATE: Final = "UPDATE run_states SET data = ?, newest_pull = ? WHERE run_key = ?"
_PUT_PULL: Final = "INSERT INTO captured (key, data) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET data = excluded.data"
_PUT_TRACE: Final = "UPDATE captured SET n_samples = ?, sha256 = ?, blob = ? WHERE key = ?"
_NUMBER: Final = f"key & {(1 << CAPTURED_BITS) - 1}"
_TAKE_TRACE: Final = (
    f"INSERT INTO traces (run_key, number, n_samples, sha256, blob) SELECT ?, {_NUMBER}, n_samples, sha256, blob "
    "FROM captured WHERE key = ? AND blob IS NOT NULL"
)
_OF_RUN: Final = "FROM captured WHERE key BETWEEN ? AND ?"


def _keys(run_key: int) -> tuple[int, int]:
    """First and last key that pulls of a run may have in table `captured`."""
    first = run_key << CAPTURED_BITS
    return first, first + (1 << CAPTURED_BITS) - 1


def read_run(raw: sqlite3.Connection, run_key: int) -> dict[str, Any] | None:
    """Return a run under way as `run_from_data` takes it, None when there is none.

    The caller sees to it that all is of one moment.
    """
    row = raw.execute(
        "SELECT run_states.data, newest_pull, run_plans.data FROM run_states JOIN run_plans USING (run_key) "
        "WHERE run_key = ?",
        (run_key,),
    ).fetchone()
    if row is None:
        return None
    text, newest, plan = row
    pulls = []
    for number, state, data in raw.execute(f"SELECT {_NUMBER}, state, data {_OF_RUN} ORDER BY key", _keys(run_key)):
        pulls.append(json.loads(data))
        if number > newest:
            text = state
    return {**json.loads(text), "plan": json.loads(plan), "pulls": pulls}


def trace_of(raw: sqlite3.Connection, run_key: int, number: int) -> tuple[bytes, str] | None:
    """Return bytes and SHA-256 of a trace of a run under way; None when there is none."""
    row = raw.execute("SELECT blob, sha256 FROM captured WHERE key = ?", (_keys(run_key)[0] | number,)).fetchone()
    return row if row is not None and row[0] is not None else None


class UnderWay:
    """What stands in the store of one run.

    Args:
        path: The store's file, for what is said in errors.
        key: Of the run in table `runs`.
        pulls: Those stored already.
        plan: As a plan or as its data.
    """

    def __init__(self, path: Path, key: int, pulls: tuple[CapturedPull, ...], plan: object) -> None:
        self.key = key
        self._path = path
        self._plan = plan
        self._pulls = {pull.number: pull for pull in pulls}
        self._newest = max(self._pulls, default=0)
        self._written = pulls  # those of the run as it was written last
        self._ended: tuple[str, str] | None = None  # finished and outcome in table `runs`; None: not known
        self._changes: tuple[Run, list[CapturedPull]] | None = None

    def pulls_with(self, run: Run) -> tuple[CapturedPull, ...]:
        """Return every pull stored or in `run`, as it stands there, in order."""
        kept = self._pulls | {pull.number: pull for pull in run.pulls}
        return tuple(kept[number] for number in sorted(kept))

    def begin(self, raw: sqlite3.Connection, run: Run) -> None:
        """Write what `write` will bring up to date, inside the caller's transaction."""
        raw.execute("INSERT INTO run_plans (run_key, data) VALUES (?, ?)", (self.key, text_of(run.plan)))
        raw.execute("INSERT INTO run_states (run_key, data) VALUES (?, '')", (self.key,))
        self.write(raw, run)

    # --- a pull and nothing else

    def goes_on(self, run: Run, ready: PackedPull) -> bool:
        """True when a pull is all that is new in a run, so that `put` may write it."""
        pulls = run.pulls
        return (
            ready.run is run
            and run.plan is self._plan
            and bool(pulls)
            and pulls[-1] is ready.pull
            and ready.pull.number > self._newest
            and pulls[:-1] == self._written
            and _ended(run) == self._ended
        )

    def put(self, raw: sqlite3.Connection, ready: PackedPull) -> None:
        """Write a pull for which `goes_on` says so; one statement, outside a transaction durable on return.

        Raises:
            SealedError: The run is sealed.
        """
        pull = ready.pull
        number = pull.number
        key = self.key << CAPTURED_BITS | number
        values = (key, ready.state, ready.data, ready.n_samples, ready.sha256, ready.blob, self.key)
        if raw.execute(_PUT, values).rowcount != 1:
            raise SealedError(self._path, ready.run.run_id, "changing it")
        self._pulls[number] = pull
        self._newest = number
        self._written = ready.run.pulls

    # --- whatever changed

    def write(self, raw: sqlite3.Connection, run: Run, ready: PackedPull | None = None) -> None:
        """Write what changed and the trace of `ready`, inside the caller's transaction; `keep` once that is durable.

        Raises:
            SealedError: It is sealed.
            NotAllowedError: Its plan is another one, or the pull was stored before with another trace.
        """
        if self._plan is not run.plan and self._plan != run.plan and self._plan != plan_to_data(run.plan):
            raise NotAllowedError(self._path, f"The plan of run {run.run_id} was fixed before its first pull.")
        self._plan = run.plan
        changed = [pull for pull in run.pulls if self._pulls.get(pull.number) != pull]
        newest = max((self._newest, *(pull.number for pull in changed)))
        if raw.execute(_PUT_STATE, (state_of(run), newest, self.key)).rowcount != 1:
            raise SealedError(self._path, run.run_id, "changing it")
        ended = _ended(run)
        if ended != self._ended:  # where it stands until then is told by its state
            raw.execute(
                "UPDATE runs SET state = ?, finished = ?, outcome = ? WHERE key = ?",
                (run.state.value, *ended, self.key),
            )
        first, _ = _keys(self.key)
        for pull in changed:
            raw.execute(_PUT_PULL, (first | pull.number, text_of(pull)))
        if ready is not None:
            self._put_trace(raw, run, ready)
        self._changes = run, changed

    def _put_trace(self, raw: sqlite3.Connection, run: Run, ready: PackedPull) -> None:
        number = ready.pull.number
        before = trace_of(raw, self.key, number)
        if before is None:
            raw.execute(_PUT_TRACE, (ready.n_samples, ready.sha256, ready.blob, _keys(self.key)[0] | number))
        elif before[1] != ready.sha256:
            raise NotAllowedError(
                self._path, f"Pull {number} of run {run.run_id} was stored before with another trace."
            )

    def keep(self) -> None:
        """What was written is durable."""
        if self._changes is not None:
            run, changed = self._changes
            self._pulls.update((pull.number, pull) for pull in changed)
            self._newest = max(self._pulls, default=0)
            self._written = run.pulls
            self._ended = _ended(run)
            self._changes = None

    # --- sealing

    def traces(self, raw: sqlite3.Connection) -> dict[str, dict[str, Any]]:
        """Return SHA-256 and number of samples of every trace, by the pull's number as text."""
        return {
            str(number): {"sha256": sha256, "samples": n_samples}
            for number, sha256, n_samples in raw.execute(
                f"SELECT {_NUMBER}, sha256, n_samples {_OF_RUN} AND blob IS NOT NULL ORDER BY key", _keys(self.key)
            )
        }

    def close(self, raw: sqlite3.Connection, pulls: Sequence[Mapping[str, Any]]) -> None:
        """Leave nothing of the run but its columns that are shown and its traces, inside the caller's transaction.

        Args:
            raw: The connection.
            pulls: `shown.pull_columns` of every pull.
        """
        keys = _keys(self.key)
        raw.executemany(
            f"INSERT INTO pulls (run_key, {', '.join(shown.PULL_COLUMNS)}) VALUES (?{', ?' * len(shown.PULL_COLUMNS)})",
            ((self.key, *pull.values()) for pull in pulls),
        )
        for key in [key for (key,) in raw.execute(f"SELECT key {_OF_RUN} ORDER BY key", keys)]:
            raw.execute(_TAKE_TRACE, (self.key, key))
            raw.execute("DELETE FROM captured WHERE key = ?", (key,))  # one by one: the next takes the room of this
        raw.execute("DELETE FROM run_states WHERE run_key = ?", (self.key,))
        raw.execute("DELETE FROM run_plans WHERE run_key = ?", (self.key,))


def _ended(run: Run) -> tuple[str, str]:
    return run.finished, shown.outcome_of(run).value
