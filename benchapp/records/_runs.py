"""The store's runs: under way, sealed, looked up."""

from __future__ import annotations

import dataclasses
import sqlite3
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, Final

import sqlalchemy as sa

from benchapp.records import _blob, chain, check_standard, shown
from benchapp.records._base import words_of
from benchapp.records._tools import ToolPart
from benchapp.records._under_way import UnderWay, read_run, trace_of
from benchapp.records.canonical import parse_sealed
from benchapp.records.errors import NotAllowedError, RunTakenError, SealedError, StoreError, WrongStoreError
from benchapp.records.model import EntryKind, Outcome, ReadingRow, RunSummary, Seal, ToolState
from benchapp.records.packing import PackedPull, packed
from benchapp.records.schema import entries, runs
from benchapp.runs.codec import captured_from_data, run_from_data, run_to_data, to_data
from benchapp.runs.model import CapturedPull, Run, RunState
from benchapp.torque.trace import Trace
from drivers.samples import Source

_BELONGS: Final = {
    "live": (Source.LIVE, Source.IMPORTED),
    "demo": (Source.SIMULATED, Source.REPLAYED),
}
_SUMMARY_COLUMNS: Final = (
    "key, run_id, tool, reference, operator, source, procedure, started, finished, outcome, n_readings, n_set_aside, "
    "worst_percent, seal, released_by, voided"
)
"""In the order of `RunSummary`."""


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
        with self._db.at_once() as raw:
            known = self._known.get(run.run_id)
            if known is not None and known.goes_on(run, ready) and self._claims.take(known.key):
                known.put(raw, ready)
                return
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
        data = read_run(raw, row[0])
        if data is None:
            raise NotAllowedError(self.path, f"Where run {run_id} stood is no longer in the records; begin a new one.")
        return UnderWay(self.path, row[0], tuple(captured_from_data(pull) for pull in data["pulls"]), data["plan"])

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
            columns = shown.run_columns(run, outcome)
            pull_columns = [shown.pull_columns(run, pull) for pull in run.pulls]
            content: dict[str, Any] = {
                "run": run_to_data(run),
                "columns": {"run": columns, "pulls": pull_columns},
                "traces": known.traces(raw),
            }
            if judgement is not None:
                content["judgement"] = to_data(judgement)
            if selftest is not None:
                content["selftest"] = to_data(selftest)
            seal = self._append(EntryKind.RUN, run.run_id, run.plan.operator, content)
            known.close(raw, pull_columns)
            raw.execute(
                f"UPDATE runs SET {', '.join(f'{name} = ?' for name in columns)}, seal = ?, sequence = ? WHERE key = ?",
                [*columns.values(), seal.digest, seal.sequence, known.key],
            )
            self._after_run(raw, run, Outcome(columns["outcome"]))
            check_standard.take_value(raw, run)
        self._known.pop(run.run_id, None)
        self._claims.drop(known.key)
        return seal

    def _seal_of(self, run_id: str) -> Seal | None:
        with self._db.reading() as connection:
            row = connection.execute(
                sa.select(entries.c.sequence, entries.c.digest, entries.c.sealed, entries.c.previous)
                .join(runs, runs.c.sequence == entries.c.sequence)
                .where(runs.c.run_id == run_id)
            ).first()
        return Seal(*row) if row is not None else None

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
        with self._db.reading_moment() as raw:
            row = raw.execute("SELECT key, sequence FROM runs WHERE run_id = ?", (run_id,)).fetchone()
            if row is None:
                return None
            key, sequence = row
            if sequence is None:
                data = read_run(raw, key)
                return run_from_data(data) if data is not None else None
            body, digest = raw.execute("SELECT body, digest FROM entries WHERE sequence = ?", (sequence,)).fetchone()
        return run_from_data(parse_sealed(body, digest)["content"]["run"])

    def summary(self, run_id: str) -> RunSummary | None:
        """Its line of the logbook; None when there is none."""
        with self._db.reading_raw() as raw:
            row = raw.execute(f"SELECT {_SUMMARY_COLUMNS} FROM runs WHERE run_id = ?", (run_id,)).fetchone()
        return _summary(row) if row is not None else None

    def runs(
        self,
        *,
        tool: str = "",
        before: int | None = None,
        limit: int = 50,
        search: str = "",
        outcomes: Sequence[Outcome] = (),
        source: Source | None = None,
    ) -> list[RunSummary]:
        """Runs, newest first.

        Args:
            tool: Only those of this tool.
            before: Key of the last line of the page before; None for the first page.
            limit: Greatest number of lines.
            search: Words that must all occur in tool, reference, operator, procedure, outcome or start.
            outcomes: Only those that ended so; () all.
            source: Only those from there; None all.
        """
        words = words_of(search)
        values: list[str | int] = [] if before is None else [before]
        values += [tool] if tool else []
        values += [outcome.value for outcome in outcomes] + ([source.value] if source else [])
        values += [f"%{word.replace('!', '!!').replace('%', '!%').replace('_', '!_')}%" for word in words]
        query = _runs_query(bool(tool), before is not None, len(words), len(outcomes), source is not None)
        with self._db.reading_raw() as raw:
            found = raw.execute(query, (*values, limit))
            return [_summary(row) for row in found]

    def history(self, tool: str, *, limit: int = 1000, include_void: bool = False) -> list[ReadingRow]:
        """Pulls of a tool's runs, newest run first, in the order they were pulled inside it; of void ones if asked."""
        found: list[ReadingRow] = []
        new = tuple.__new__  # a named tuple's own takes three times as long
        with self._db.reading_moment() as raw:
            for key, run_id, started, sequence in raw.execute(_RUNS_OF_TOOL, (tool, include_void)):
                left = limit - len(found)
                if left <= 0:
                    break
                if sequence is None:
                    data = read_run(raw, key)
                    found += _rows_under_way(run_from_data(data))[:left] if data is not None else []
                    continue
                found += [  # what all pulls of a run have in common is read once
                    new(ReadingRow, (run_id, n, kind, started, way, at, read, off, band, aside, _flags(flags)))
                    for n, kind, way, at, read, off, band, aside, flags in raw.execute(_PULLS_OF_RUN, (key, left))
                ]
        return found

    def trace(self, run_id: str, number: int) -> Trace | None:
        """The trace of a pull; None when there is none.

        Raises:
            StoreDamagedError: Its bytes are no longer those that were stored.
        """
        blob = self.trace_bytes(run_id, number)
        return _blob.decode(blob) if blob is not None else None

    def trace_bytes(self, run_id: str, number: int) -> bytes | None:
        """The bytes of a trace as stored, which is what the seal's SHA-256 is taken of."""
        with self._db.reading_moment() as raw:
            row = raw.execute("SELECT key, sequence FROM runs WHERE run_id = ?", (run_id,)).fetchone()
            if row is None:
                return None
            key, sequence = row
            found = trace_of(raw, key, number) if sequence is None else raw.execute(_TRACE, (key, number)).fetchone()
        if found is None:
            return None
        blob, sha256 = found
        if chain.digest_of(blob) != sha256:
            raise StoreError(
                self.path,
                f"Trace {number} of run {run_id} is not what was stored (its SHA-256 differs). Check the records and "
                "look it up in a backup.",
            )
        return bytes(blob)


_TRACE: Final = "SELECT blob, sha256 FROM traces WHERE run_key = ? AND number = ?"
_RUNS_OF_TOOL: Final = (
    "SELECT key, run_id, started, sequence FROM runs WHERE tool = ? AND (voided = '' OR ?) ORDER BY key DESC"
)
_PULLS_OF_RUN: Final = (
    "SELECT number, kind, direction, target_nm, reading_nm, deviation_percent, band, set_aside, flags FROM pulls "
    "WHERE run_key = ? ORDER BY number LIMIT ?"
)


def _flags(text: str) -> tuple[str, ...]:
    return tuple(text.split(",")) if text else ()


def _rows_under_way(run: Run) -> list[ReadingRow]:
    """What table `pulls` will say of a run once it is sealed."""
    rows = []
    for pull in run.pulls:
        told = shown.pull_columns(run, pull) | {"run_id": run.run_id, "started": run.started}
        told["flags"] = _flags(told["flags"])
        rows.append(ReadingRow(**{name: told[name] for name in ReadingRow._fields}))
    return rows


@lru_cache(maxsize=64)
def _runs_query(of_tool: bool, has_before: bool, n_words: int, n_outcomes: int, of_source: bool) -> str:
    wanted = ["key < ?"] * has_before + ["tool = ?"] * of_tool
    wanted += [f"outcome IN ({', '.join('?' * n_outcomes)})"] * bool(n_outcomes) + ["source = ?"] * of_source
    wanted += ["search LIKE ? ESCAPE '!'"] * n_words
    where = f"WHERE {' AND '.join(wanted)} " if wanted else ""
    # Of one tool there are few: they are looked through in the table, all others in an index a fifth as long.
    index = "INDEXED BY ix_runs_search " if not of_tool and (n_words or n_outcomes or of_source) else ""
    return f"SELECT {_SUMMARY_COLUMNS} FROM runs {index}{where}ORDER BY key DESC LIMIT ?"


_SOURCES: Final = {source.value: source for source in Source}
_OUTCOMES: Final = {outcome.value: outcome for outcome in Outcome}


def _summary(row: Sequence[Any]) -> RunSummary:
    return tuple.__new__(RunSummary, (*row[:5], _SOURCES[row[5]], *row[6:9], _OUTCOMES[row[9]], *row[10:]))
