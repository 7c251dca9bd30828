"""The store's runs: under way, sealed, looked up."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, Final

import sqlalchemy as sa

from benchapp.records import _blob, chain, check_standard, shown
from benchapp.records._base import words_of
from benchapp.records._database import Hot
from benchapp.records._tools import ToolPart
from benchapp.records._under_way import UnderWay
from benchapp.records.canonical import parse_sealed
from benchapp.records.errors import NotAllowedError, RunTakenError, SealedError, StoreError, WrongStoreError
from benchapp.records.model import EntryKind, Outcome, ReadingRow, RunSummary, Seal, ToolState
from benchapp.records.packing import PackedPull, packed
from benchapp.records.schema import entries, pulls, run_plans, run_states, runs, traces
from benchapp.runs.codec import captured_from_data, run_from_data, run_to_data, to_data
from benchapp.runs.model import CapturedPull, Run, RunState
from benchapp.torque.trace import Trace
from drivers.samples import Source

_BELONGS: Final = {
    "live": (Source.LIVE, Source.IMPORTED),
    "demo": (Source.SIMULATED, Source.REPLAYED),
}
_SUMMARY_COLUMNS: Final = (
    runs.c.key,
    runs.c.run_id,
    runs.c.tool,
    runs.c.reference,
    runs.c.operator,
    runs.c.source,
    runs.c.procedure,
    runs.c.started,
    runs.c.finished,
    runs.c.outcome,
    runs.c.n_readings,
    runs.c.n_set_aside,
    runs.c.worst_percent,
    runs.c.seal,
    runs.c.released_by,
    runs.c.voided,
)


class RunPart(ToolPart):
    """Runs of a store; a sealed one changes what follows for its tool."""

    # --- under way

    def begin_run(self, run: Run) -> None:
        """Store a new run; durable on return.

        Raises:
            WrongStoreError: Its source belongs to the other store.
            NotAllowedError: It is stored already, or its reference is stopped by its check standard.
        """
        self._must_belong(run.plan.source)
        values = {**shown.run_columns(run), "run_id": run.run_id}
        with self._db.writing_raw() as raw:
            if stopped := check_standard.refusal_of(raw, run.plan.reference.number, run.plan.tool.number):
                raise NotAllowedError(self.path, stopped)
            names = ", ".join(values)
            cursor = raw.execute(
                f"INSERT INTO runs ({names}) VALUES ({', '.join('?' * len(values))})", list(values.values())
            )
            key = int(cursor.lastrowid or 0)
            known = UnderWay(self.path, key, (), run.plan)
            known.begin(raw, run)
            self._claims.take(key)
        known.keep()
        self._known[run.run_id] = known

    def save_run(self, run: Run) -> None:
        """Store where a run stands, pulls that changed included; durable on return.

        Raises:
            SealedError: It is sealed.
            RunTakenError: Another window works on it.
        """
        self._write(run)

    def store_pull(self, run: Run, pull: CapturedPull, trace: Trace | PackedPull) -> None:
        """Store a pull, its trace and the run's state in one transaction; durable on return.

        Args:
            run: As it stands with the pull in it.
            pull: The pull; kept with `run` even where `run.pulls` does not name it yet.
            trace: Its stretch of the stream, as the device said it; or the pull packed already.

        Raises:
            SealedError, RunTakenError: As `save_run`.
            WrongStoreError: The trace's source belongs to the other store.
            NotAllowedError: The pull was stored before with another trace.
        """
        self._must_belong(trace.source)
        ready = trace if isinstance(trace, PackedPull) else packed(run, pull, trace)
        if not (run.pulls and run.pulls[-1] is pull) and all(each.number != pull.number for each in run.pulls):
            run = dataclasses.replace(run, pulls=(*run.pulls, pull))
        self._write(run, ready)

    def open_run(self) -> Run | None:
        """The newest unfinished run that no other window works on; from now on this store works on it.

        Who asks is about to write runs: what makes that quick is seen to first.
        """
        self._db.take_log_room()
        with self._db.reading() as connection:
            unfinished = connection.execute(
                sa.select(runs.c.key, runs.c.run_id)
                .where(runs.c.seal == "")
                .where(runs.c.state.not_in((RunState.SEALED.value, RunState.LEFT.value)))
                .order_by(runs.c.key.desc())
            ).all()
        for key, run_id in unfinished:
            if self._claims.take(key):
                run = self.run(run_id)
                if run is not None and run.state not in (RunState.SEALED, RunState.LEFT):
                    self._known[run_id] = UnderWay(self.path, key, run.pulls, run.plan)
                    return run
                self._claims.drop(key)
        return None

    def _write(self, run: Run, ready: PackedPull | None = None) -> None:
        with self._db.writing_raw() as raw:
            known = self._working_on(raw, run)
            known.write(raw, run, ready)
            if ready is not None:
                known.write_trace(raw, run, ready)
        known.keep()
        self._known[run.run_id] = known

    def _working_on(self, raw: sqlite3.Connection, run: Run) -> UnderWay:
        known = self._known.get(run.run_id) or self._look_up(raw, run.run_id)
        if not self._claims.take(known.key):
            raise RunTakenError(self.path, run.run_id)
        return known

    def _look_up(self, raw: sqlite3.Connection, run_id: str) -> UnderWay:
        row = raw.execute("SELECT key, seal FROM runs WHERE run_id = ?", (run_id,)).fetchone()
        if row is None:
            raise NotAllowedError(self.path, f"Run {run_id} was never begun.")
        if row[1]:
            raise SealedError(self.path, run_id, "changing it")
        written = tuple(
            captured_from_data(json.loads(data))
            for (data,) in raw.execute("SELECT data FROM pulls WHERE run_key = ?", (row[0],))
        )
        plan = raw.execute("SELECT data FROM run_plans WHERE run_key = ?", (row[0],)).fetchone()
        return UnderWay(self.path, row[0], written, json.loads(plan[0]))

    def _must_belong(self, source: Source) -> None:
        if source not in _BELONGS[self._db.kind]:
            raise WrongStoreError(self.path, self._db.kind, source.value)

    # --- finished

    def seal(
        self,
        run: Run,
        *,
        outcome: Outcome | None = None,
        judgement: Mapping[str, object] | None = None,
        selftest: Mapping[str, object] | None = None,
    ) -> Seal:
        """Seal a finished or left run; durable on return. Sealing it again returns the seal it has.

        A live tool that is found out of limits while in service is quarantined in the same transaction; a full run
        begins the tool's interval anew.

        Args:
            run: At VERDICT, SEALED or LEFT.
            outcome: What the decision rule came to; None: the first verdict by the bands of the readings.
            judgement: The whole judgement, JSON-able; kept in the record.
            selftest: Result of the installation's self-test; kept in the record.

        Raises:
            ValueError: The run is not finished.
            RunTakenError: Another window works on it.
        """
        if run.state not in (RunState.VERDICT, RunState.SEALED, RunState.LEFT):
            raise ValueError(f"run {run.run_id} is at {run.state}; only a finished or left run can be sealed")
        before = self._seal_of(run.run_id)
        if before is not None:
            return before
        now = self._clock()
        if run.state is RunState.VERDICT:
            run = dataclasses.replace(run, state=RunState.SEALED)
        if not run.finished:
            run = dataclasses.replace(run, finished=now.isoformat(timespec="milliseconds"))
        with self._db.writing_raw() as raw:
            known = self._working_on(raw, run)
            known.write(raw, run)
            run = dataclasses.replace(run, pulls=known.pulls_with(run))
            key = known.key
            columns = shown.run_columns(run, outcome)
            content: dict[str, Any] = {
                "run": run_to_data(run),
                "columns": {"run": columns, "pulls": [shown.pull_columns(run, pull) for pull in run.pulls]},
                "traces": {
                    str(number): {"sha256": digest, "samples": n_samples}
                    for number, digest, n_samples in raw.execute(
                        "SELECT number, sha256, n_samples FROM traces WHERE run_key = ?", (key,)
                    )
                },
            }
            if judgement is not None:
                content["judgement"] = to_data(judgement)
            if selftest is not None:
                content["selftest"] = to_data(selftest)
            seal = self._append(EntryKind.RUN, run.run_id, run.plan.operator, content)
            self._close_run(raw, key, columns, seal)
            self._after_run(raw, run, Outcome(columns["outcome"]))
            check_standard.take_value(raw, run)
        self._known.pop(run.run_id, None)
        self._claims.drop(key)
        return seal

    def _seal_of(self, run_id: str) -> Seal | None:
        with self._db.reading() as connection:
            row = connection.execute(
                sa.select(entries.c.sequence, entries.c.digest, entries.c.sealed, entries.c.previous)
                .join(runs, runs.c.sequence == entries.c.sequence)
                .where(runs.c.run_id == run_id)
            ).first()
        return Seal(*row) if row is not None else None

    def _close_run(self, raw: sqlite3.Connection, key: int, columns: dict[str, Any], seal: Seal) -> None:
        """Leave nothing beside the sealed bytes but the columns that are compared with them."""
        raw.execute("UPDATE pulls SET data = NULL WHERE run_key = ?", (key,))
        raw.execute("DELETE FROM run_states WHERE run_key = ?", (key,))
        raw.execute("DELETE FROM run_plans WHERE run_key = ?", (key,))
        raw.execute(
            f"UPDATE runs SET {', '.join(f'{name} = ?' for name in columns)}, seal = ?, sequence = ? WHERE key = ?",
            [*columns.values(), seal.digest, seal.sequence, key],
        )

    def _after_run(self, raw: sqlite3.Connection, run: Run, outcome: Outcome) -> None:
        number = run.plan.tool.number
        row = raw.execute("SELECT state FROM tools WHERE number = ?", (number,)).fetchone()
        if row is None:
            return
        if outcome is Outcome.OUT and row[0] == ToolState.IN_SERVICE.value:
            self._put_state(
                number,
                ToolState.IN_SERVICE,
                ToolState.QUARANTINED,
                run.plan.operator,
                f"found out of limits in run {run.run_id}",
            )
        self._refresh_tool(number)

    def run(self, run_id: str) -> Run | None:
        """A run; a sealed one is read from the bytes that were hashed. None when there is none."""
        with self._db.reading() as connection:
            row = connection.execute(sa.select(runs.c.key, runs.c.sequence).where(runs.c.run_id == run_id)).first()
            if row is None:
                return None
            key, sequence = row
            if sequence is not None:
                body, digest = connection.execute(
                    sa.select(entries.c.body, entries.c.digest).where(entries.c.sequence == sequence)
                ).one()
                return run_from_data(parse_sealed(body, digest)["content"]["run"])
            head = json.loads(
                connection.execute(sa.select(run_states.c.data).where(run_states.c.run_key == key)).scalar_one()
            )
            head["plan"] = json.loads(
                connection.execute(sa.select(run_plans.c.data).where(run_plans.c.run_key == key)).scalar_one()
            )
            head["pulls"] = [
                json.loads(data)
                for (data,) in connection.execute(
                    sa.select(pulls.c.data).where(pulls.c.run_key == key).order_by(pulls.c.number)
                ).all()
            ]
        return run_from_data(head)

    def summary(self, run_id: str) -> RunSummary | None:
        """Its line of the logbook; None when there is none."""
        with self._db.reading() as connection:
            row = connection.execute(sa.select(*_SUMMARY_COLUMNS).where(runs.c.run_id == run_id)).first()
        return _summary(row) if row is not None else None

    def runs(self, *, tool: str = "", before: int | None = None, limit: int = 50, search: str = "") -> list[RunSummary]:
        """Runs, newest first.

        Args:
            tool: Only those of this tool.
            before: Key of the last line of the page before; None for the first page.
            limit: Greatest number of lines.
            search: Words that must all occur in tool, reference, operator, procedure, outcome or start.
        """
        words = words_of(search)
        values: dict[str, Any] = {
            f"word_{index}": f"%{word.replace('!', '!!').replace('%', '!%').replace('_', '!_')}%"
            for index, word in enumerate(words)
        }
        values |= {"tool": tool, "before": before, "limit": limit}
        with self._db.reading_raw() as raw:
            return [_summary(row) for row in _runs_query(bool(tool), before is not None, len(words)).run(raw, values)]

    def history(self, tool: str, *, limit: int = 1000) -> list[ReadingRow]:
        """Pulls of a tool's runs that are not void, newest run first, in the order they were pulled inside it."""
        with self._db.reading_raw() as raw:
            return [
                ReadingRow(*(*row[:10], tuple(row[10].split(",")) if row[10] else ()))
                for row in _history_query().run(raw, {"tool": tool, "limit": limit})
            ]

    def trace(self, run_id: str, number: int) -> Trace | None:
        """The trace of a pull; None when there is none.

        Raises:
            StoreDamagedError: Its bytes are no longer those that were stored.
        """
        blob = self.trace_bytes(run_id, number)
        return _blob.decode(blob) if blob is not None else None

    def trace_bytes(self, run_id: str, number: int) -> bytes | None:
        """The bytes of a trace as stored, which is what the seal's SHA-256 is taken of."""
        with self._db.reading() as connection:
            row = connection.execute(
                sa.select(traces.c.blob, traces.c.sha256)
                .join(runs, runs.c.key == traces.c.run_key)
                .where(runs.c.run_id == run_id, traces.c.number == number)
            ).first()
        if row is None:
            return None
        if chain.digest_of(row.blob) != row.sha256:
            raise StoreError(
                self.path,
                f"Trace {number} of run {run_id} is not what was stored (its SHA-256 differs). Check the records and "
                "look it up in a backup.",
            )
        return bytes(row.blob)


@lru_cache(maxsize=64)
def _runs_query(of_tool: bool, has_before: bool, n_words: int) -> Hot:
    wanted = sa.select(*_SUMMARY_COLUMNS).order_by(runs.c.key.desc()).limit(sa.bindparam("limit"))
    if has_before:
        wanted = wanted.where(runs.c.key < sa.bindparam("before"))
    if of_tool:
        wanted = wanted.where(runs.c.tool == sa.bindparam("tool"))
    seen = (runs.c.tool, runs.c.reference, runs.c.operator, runs.c.procedure, runs.c.outcome, runs.c.started)
    for index in range(n_words):
        word: sa.BindParameter[str] = sa.bindparam(f"word_{index}")
        wanted = wanted.where(sa.or_(*(column.like(word, escape="!") for column in seen)))
    return Hot(wanted, [])


@lru_cache(maxsize=1)
def _history_query() -> Hot:
    return Hot(
        sa.select(
            runs.c.run_id,
            pulls.c.number,
            pulls.c.kind,
            runs.c.started,
            pulls.c.direction,
            pulls.c.target_nm,
            pulls.c.reading_nm,
            pulls.c.deviation_percent,
            pulls.c.band,
            pulls.c.set_aside,
            pulls.c.flags,
        )
        .join(pulls, pulls.c.run_key == runs.c.key)
        .where(runs.c.tool == sa.bindparam("tool"), runs.c.voided == sa.literal_column("''"))
        .order_by(runs.c.key.desc(), pulls.c.number)
        .limit(sa.bindparam("limit")),
        [],
    )


_SOURCES: Final = {source.value: source for source in Source}
_OUTCOMES: Final = {outcome.value: outcome for outcome in Outcome}


def _summary(row: Sequence[Any]) -> RunSummary:
    return RunSummary(*(*row[:5], _SOURCES[row[5]], *row[6:9], _OUTCOMES[row[9]], *row[10:]))
