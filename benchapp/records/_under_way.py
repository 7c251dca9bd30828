"""A run under way as the store wrote it last: only what changed since then is written again."""

from __future__ import annotations

import dataclasses
import sqlite3
from operator import attrgetter
from pathlib import Path
from typing import Final

from benchapp.records import shown
from benchapp.records.errors import NotAllowedError, SealedError
from benchapp.records.packing import PackedPull, row_of, text_of
from benchapp.runs.codec import plan_to_data
from benchapp.runs.model import CapturedPull, Run

_HEAD_FIELDS: Final = tuple(f.name for f in dataclasses.fields(Run) if f.name not in ("plan", "pulls"))
_HEAD_VALUES: Final = attrgetter(*_HEAD_FIELDS)

_PULL_COLUMNS: Final = (*shown.PULL_COLUMNS, "data")
_PUT_PULL: Final = (
    f"INSERT INTO pulls (run_key, {', '.join(_PULL_COLUMNS)}) VALUES (?{', ?' * len(_PULL_COLUMNS)}) ON CONFLICT "
    f"(run_key, number) DO UPDATE SET {', '.join(f'{name} = excluded.{name}' for name in _PULL_COLUMNS[1:])}"
)
_PUT_TRACE: Final = "INSERT INTO traces (run_key, number, n_samples, sha256, blob) VALUES (?, ?, ?, ?, ?)"
_PUT_STATE: Final = "UPDATE run_states SET data = ? WHERE run_key = ?"  # a sealed run has no such row any more


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
        self._columns: tuple[str, str, str] | None = None
        self._written: tuple[tuple[str, str, str], list[CapturedPull]] | None = None
        self._values: list[object] = [None] * len(_HEAD_FIELDS)
        self._texts = [f'"{name}":null' for name in _HEAD_FIELDS]

    def pulls_with(self, run: Run) -> tuple[CapturedPull, ...]:
        """Return every pull stored or in `run`, as it stands there, in order."""
        kept = self._pulls | {pull.number: pull for pull in run.pulls}
        return tuple(kept[number] for number in sorted(kept))

    def begin(self, raw: sqlite3.Connection, run: Run) -> None:
        """Write what `write` will bring up to date, inside the caller's transaction."""
        raw.execute("INSERT INTO run_plans (run_key, data) VALUES (?, ?)", (self.key, text_of(run.plan)))
        raw.execute("INSERT INTO run_states (run_key, data) VALUES (?, '')", (self.key,))
        self.write(raw, run)

    def write(self, raw: sqlite3.Connection, run: Run, ready: PackedPull | None = None) -> None:
        """Write what changed, inside the caller's transaction; `keep` once that is durable.

        Raises:
            SealedError: It is sealed.
            NotAllowedError: Its plan is another one.
        """
        if self._plan is not run.plan and self._plan != run.plan and self._plan != plan_to_data(run.plan):
            raise NotAllowedError(self._path, f"The plan of run {run.run_id} was fixed before its first pull.")
        self._plan = run.plan
        if raw.execute(_PUT_STATE, (self._head_of(run), self.key)).rowcount != 1:
            raise SealedError(self._path, run.run_id, "changing it")
        columns = (run.state.value, run.finished, shown.outcome_of(run).value)
        if columns != self._columns:  # every page less is a page less to sync
            raw.execute("UPDATE runs SET state = ?, finished = ?, outcome = ? WHERE key = ?", (*columns, self.key))
        changed = []
        for pull in run.pulls:
            before = self._pulls.get(pull.number)
            if before is not pull and before != pull:
                row = ready.row if ready is not None and ready.pull is pull else row_of(run, pull)
                raw.execute(_PUT_PULL, (self.key, *row))
                changed.append(pull)
        self._written = columns, changed

    def write_trace(self, raw: sqlite3.Connection, run: Run, ready: PackedPull) -> None:
        """Write the trace of a pull that `write` has written.

        Raises:
            NotAllowedError: The pull was stored before with another trace.
        """
        number = ready.pull.number
        if number in self._pulls:
            stored = raw.execute("SELECT sha256 FROM traces WHERE run_key = ? AND number = ?", (self.key, number))
            before = stored.fetchone()
            if before is not None:
                if before[0] != ready.sha256:
                    raise NotAllowedError(
                        self._path, f"Pull {number} of run {run.run_id} was stored before with another trace."
                    )
                return
        raw.execute(_PUT_TRACE, (self.key, number, ready.n_samples, ready.sha256, ready.blob))

    def keep(self) -> None:
        """What was written is durable."""
        if self._written is not None:
            self._columns, changed = self._written
            self._pulls.update((pull.number, pull) for pull in changed)
            self._written = None

    def _head_of(self, run: Run) -> str:
        """The run without plan and pulls as JSON; what did not change since last time is not written out again."""
        values = self._values
        for index, value in enumerate(_HEAD_VALUES(run)):
            if value is values[index]:
                continue  # all but dicts are immutable, and of those a copy is kept
            if type(value) is dict:
                if value == values[index]:
                    continue
                value = dict(value)
            self._texts[index] = f'"{_HEAD_FIELDS[index]}":{text_of(value)}'
            values[index] = value
        return "{" + ",".join(self._texts) + "}"
