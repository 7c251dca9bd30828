"""The store: one SQLite file, live or demo.

Every write is one transaction in WAL mode with `synchronous = FULL`: when a method that stores returns, SQLite has
had the answer of fdatasync for it. The session's thread writes, the window's thread reads, other windows may use the
same file; a run is worked on by one of them at a time.
"""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.dialects.sqlite import insert as upsert

from benchapp.metrology.reference import Calibration, Reference
from benchapp.metrology.tool import Tool
from benchapp.records import _blob, chain, check_standard, shown
from benchapp.records._claims import Claims
from benchapp.records._database import Database, Hot
from benchapp.records._followed import MADE_CUSTODIAN, NO_CUSTODIAN, PERSON_ADDED, PERSON_CHANGED
from benchapp.records._standing import standing_of
from benchapp.records._under_way import UnderWay
from benchapp.records.canonical import canonical, parse
from benchapp.records.dates import seconds
from benchapp.records.errors import (
    ChangedMeanwhileError,
    NotAllowedError,
    RunTakenError,
    SealedError,
    StoreError,
    WrongStoreError,
)
from benchapp.records.model import (
    DEFAULT_INTERVAL_CYCLES,
    MOST_PHOTO_BYTES,
    CheckResult,
    DueItem,
    Entry,
    EntryKind,
    JobEntry,
    Outcome,
    Person,
    ReadingRow,
    RunSummary,
    Seal,
    StateChange,
    ToolRecord,
    ToolState,
    state_in_service,
)
from benchapp.records.packing import PackedPull, packed
from benchapp.records.schema import (
    calibrations,
    entries,
    jobs,
    people,
    pulls,
    refs,
    run_plans,
    run_states,
    runs,
    tool_photos,
    tools,
    traces,
)
from benchapp.runs.codec import captured_from_data, from_data, plan_to_data, run_from_data, run_to_data, to_data
from benchapp.runs.model import CapturedPull, Run, RunState
from benchapp.runs.procedure import Procedure
from benchapp.torque.trace import Trace
from drivers.samples import Source

_BELONGS: Final = {
    "live": frozenset({Source.LIVE, Source.IMPORTED}),
    "demo": frozenset({Source.SIMULATED, Source.REPLAYED}),
}

ALLOWED: Final[Mapping[ToolState, frozenset[ToolState]]] = {
    ToolState.IN_SERVICE: frozenset({ToolState.QUARANTINED, ToolState.AT_LABORATORY, ToolState.RETIRED}),
    ToolState.QUARANTINED: frozenset({ToolState.IN_SERVICE, ToolState.AT_LABORATORY, ToolState.RETIRED}),
    ToolState.AT_LABORATORY: frozenset({ToolState.IN_SERVICE, ToolState.QUARANTINED, ToolState.RETIRED}),
    ToolState.RETIRED: frozenset({ToolState.QUARANTINED}),
}
"""Which stored state may follow which."""


def _words(search: str) -> list[str]:
    return search.casefold().split()[:8]  # more narrow nothing down that a person would type


_ENCODER: Final = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def _json(value: object) -> str:
    return _ENCODER.encode(value)


@lru_cache(maxsize=8192)
def _tool_of(text: str) -> Tool:
    return from_data(Tool, json.loads(text))


class Store:
    """Records on disk. Any thread may call any method; one writer at a time."""

    def __init__(self, database: Database, clock: Callable[[], dt.datetime]) -> None:
        self._db = database
        self._clock = clock
        self._claims = Claims(database.path.with_name(f"{database.path.name}-claims"))
        self._known: dict[str, UnderWay] = {}

    @classmethod
    def open(cls, path: Path | str, *, demo: bool, clock: Callable[[], dt.datetime] | None = None) -> Store:
        """Open, create or migrate the file.

        Args:
            path: The file; its folder is made when it is missing.
            demo: True for the demo store, which takes simulated and replayed runs only; the live one takes neither.
            clock: Gives the wall time with its offset; None: the computer's.

        Raises:
            StoreError: One of its kinds; a file that is refused is left untouched.
        """
        return cls(Database(Path(path).expanduser().absolute(), demo=demo), clock or _wall)

    def close(self) -> None:
        """Close; may be called again."""
        self._claims.close()
        self._db.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """The file."""
        return self._db.path

    @property
    def is_demo(self) -> bool:
        """True for the demo store."""
        return self._db.kind == "demo"

    # --- tools

    def tools(
        self, search: str = "", *, after: str = "", limit: int = 200, include_retired: bool = False
    ) -> list[ToolRecord]:
        """Tools by number, without photo.

        Args:
            search: Words that must all occur in number, code, maker, model, serial, place, keeper or drive.
            after: Last number of the page before; "" for the first page.
            limit: Greatest number of tools.
            include_retired: Retired ones too.
        """
        words = _words(search)
        values = {f"word_{index}": word for index, word in enumerate(words)}
        with self._db.reading_raw() as raw:
            rows = _tools_query(len(words), include_retired).run(raw, {**values, "after": after, "limit": limit})
            return [_tool_record(row) for row in rows]

    def tool(self, number: str) -> ToolRecord | None:
        """One tool with its photo, by its number or else by what its barcode says; None when there is none."""
        with self._db.reading() as connection:
            for column in (tools.c.number, tools.c.code):
                row = connection.execute(sa.select(*_TOOL_COLUMNS).where(column == number)).first() if number else None
                if row is not None:
                    photo = connection.execute(
                        sa.select(tool_photos.c.photo).where(tool_photos.c.number == row.number)
                    ).scalar()
                    return _tool_record(row, photo)
        return None

    def save_tool(self, record: ToolRecord, *, who: str = "") -> None:
        """Add a tool or change its data; its state is changed by `change_state`.

        `cycles`, `last_verified`, `last_outcome` and `due` follow from jobs and runs; what `record` says of them is
        not taken over.

        Raises:
            ChangedMeanwhileError: Its state is another one than in `record`.
            NotAllowedError: Its photo is too large, or neither JPEG nor PNG.
            ValueError: No number.
        """
        self.save_tools([record], who=who)

    def save_tools(self, records: Iterable[ToolRecord], *, who: str = "") -> None:
        """Add or change several in one transaction: all or, when one is refused, none."""
        with self._db.writing() as connection:
            for record in records:
                self._save_tool(connection, record, who)

    def _save_tool(self, connection: sa.Connection, record: ToolRecord, who: str) -> None:
        if not record.number.strip():
            raise ValueError("a tool needs a number")
        stored = connection.execute(sa.select(tools.c.state).where(tools.c.number == record.number)).scalar()
        if stored is not None and stored != record.state.value:
            raise ChangedMeanwhileError(self.path, f"The state of tool {record.number}")
        values = _tool_values(record)
        connection.execute(
            upsert(tools)
            .values(**values)
            .on_conflict_do_update(index_elements=["number"], set_={k: v for k, v in values.items() if k != "number"})
        )
        connection.execute(sa.delete(tool_photos).where(tool_photos.c.number == record.number))
        if record.photo is not None:
            self._must_be_photo(record.number, record.photo)
            connection.execute(sa.insert(tool_photos).values(number=record.number, photo=record.photo))
        if stored is None and record.state is not ToolState.IN_SERVICE:
            self._put_state(record.number, ToolState.IN_SERVICE, record.state, who, "entered with this state")
        self._refresh_tool(record.number)

    def _must_be_photo(self, number: str, photo: bytes) -> None:
        if len(photo) > MOST_PHOTO_BYTES:
            raise NotAllowedError(
                self.path,
                f"{number}: its photo has {len(photo) / 1e6:.1f} MB; at most {MOST_PHOTO_BYTES / 1e6:.0f} MB are kept.",
            )
        if not photo.startswith((b"\xff\xd8", b"\x89PNG")):
            raise NotAllowedError(self.path, f"{number}: a photo is kept as JPEG or PNG; this is neither.")

    def change_state(self, number: str, state: ToolState, *, who: str, why: str, override: bool = False) -> StateChange:
        """Move a tool to another state; the change becomes an entry of the chain.

        Back to service it goes only after a full run within limits that was finished since it left service; the
        custodian may decide otherwise (`override`), and the entry says so.

        Raises:
            NotAllowedError: No such way, nobody or no reason named, or no run to go by.
        """
        if not who.strip() or not why.strip():
            raise NotAllowedError(self.path, f"{number}: a change of state needs who and why. Nothing was changed.")
        with self._db.writing() as connection:
            row = connection.execute(sa.select(tools.c.state).where(tools.c.number == number)).first()
            if row is None:
                raise NotAllowedError(self.path, f"There is no tool {number}.")
            old = ToolState(row.state)
            if state not in ALLOWED[old]:
                ways = ", ".join(sorted(ALLOWED[old]))
                raise NotAllowedError(self.path, f"{number} is {old} and cannot become {state}; it can become {ways}.")
            if override and not self._is_custodian(who):
                raise NotAllowedError(self.path, f"{who} is no custodian; only a custodian may override.")
            if state is ToolState.IN_SERVICE and not override and not self._good_since_left(number):
                raise NotAllowedError(
                    self.path,
                    f"{number} is {old} and no full run within limits was finished since. Verify it, or have the "
                    "custodian decide otherwise.",
                )
            return self._put_state(number, old, state, who, why, override=override)

    def _put_state(
        self, number: str, old: ToolState, new: ToolState, who: str, why: str, *, override: bool = False
    ) -> StateChange:
        content: dict[str, Any] = {"tool": number, "old": old.value, "new": new.value, "why": why}
        if override:
            content["override"] = True
        seal = self._append(EntryKind.STATE, number, who, content)
        self._db.raw.execute("UPDATE tools SET state = ? WHERE number = ?", (new.value, number))
        return StateChange(number, old, new, who, seal.sealed, why)

    def _good_since_left(self, number: str) -> bool:
        left = 0
        for sequence, body in self._db.raw.execute(
            "SELECT sequence, body FROM entries WHERE kind = 'tool-state' AND subject = ? ORDER BY sequence", (number,)
        ):
            if parse(body)["content"]["old"] == ToolState.IN_SERVICE.value:
                left = sequence
        return (
            self._db.raw.execute(
                "SELECT 1 FROM runs WHERE tool = ? AND sequence > ? AND outcome = 'within' AND is_full AND voided = '' "
                "AND NOT EXISTS (SELECT 1 FROM runs AS later WHERE later.tool = runs.tool AND later.outcome = 'out' "
                "AND later.voided = '' AND later.sequence > runs.sequence)",
                (number, left),
            ).fetchone()
            is not None
        )

    def state_changes(self, number: str) -> list[StateChange]:
        """Every change of state of a tool, oldest first, from the chain."""
        changes = []
        for entry in self.entries(number):
            if entry.kind is EntryKind.STATE:
                content = parse(entry.body)["content"]
                changes.append(
                    StateChange(
                        number,
                        ToolState(content["old"]),
                        ToolState(content["new"]),
                        entry.who,
                        entry.seal.sealed,
                        content["why"],
                    )
                )
        return changes

    def due_list(self, today: dt.date, *, within_days: int = 31, place: str = "") -> list[DueItem]:
        """Tools in service that are overdue or due within so many days or by their cycles; most urgent first."""
        until = (today + dt.timedelta(days=within_days)).isoformat()
        with self._db.reading_raw() as raw:
            rows = _due_query(bool(place)).run(raw, {"until": until, "place": place}).fetchall()
        begin = today.toordinal()
        return [_due_item(row, begin) for row in rows]

    def _refresh_tool(self, number: str) -> None:
        """Bring the columns that follow from runs and jobs up to date, inside the caller's transaction."""
        raw = self._db.raw
        tool = raw.execute("SELECT first_use, interval_months FROM tools WHERE number = ?", (number,)).fetchone()
        if tool is None:
            return
        follows = standing_of(raw, number, *tool)
        raw.execute(
            "UPDATE tools SET last_verified = ?, last_outcome = ?, cycles = ?, due = ? WHERE number = ?",
            (follows.last_verified, follows.last_outcome, follows.cycles, follows.due, number),
        )

    # --- references

    def references(self) -> list[Reference]:
        """All references by number, with their calibrations."""
        with self._db.reading() as connection:
            certificates: dict[str, list[Calibration]] = {}
            for number, data in connection.execute(
                sa.select(calibrations.c.reference, calibrations.c.data).order_by(calibrations.c.sequence)
            ).all():
                certificates.setdefault(number, []).append(from_data(Calibration, json.loads(data)))
            return [
                dataclasses.replace(
                    from_data(Reference, json.loads(data)), calibrations=tuple(certificates.get(number, ()))
                )
                for number, data in connection.execute(sa.select(refs).order_by(refs.c.number)).all()
            ]

    def reference(self, number: str) -> Reference | None:
        """One reference; None when there is none."""
        return next((reference for reference in self.references() if reference.number == number), None)

    def save_reference(self, reference: Reference, *, who: str = "") -> None:
        """Add a reference or change its data. Calibrations that are new are added; entered ones never change.

        Raises:
            NotAllowedError: A calibration was entered before with other contents, or is left out.
        """
        if not reference.number.strip():
            raise ValueError("a reference needs a number")
        data = _json(to_data(dataclasses.replace(reference, calibrations=())))
        with self._db.writing() as connection:
            connection.execute(
                upsert(refs)
                .values(number=reference.number, data=data)
                .on_conflict_do_update(index_elements=["number"], set_={"data": data})
            )
            known = {
                certificate: text
                for certificate, text in connection.execute(
                    sa.select(calibrations.c.certificate, calibrations.c.data).where(
                        calibrations.c.reference == reference.number
                    )
                ).all()
            }
            for calibration in reference.calibrations:
                text = known.pop(calibration.certificate, None)
                if text is None:
                    self._put_calibration(reference.number, calibration, who)
                elif from_data(Calibration, json.loads(text)) != calibration:
                    raise NotAllowedError(
                        self.path,
                        f"Calibration {calibration.certificate} of {reference.number} was entered with other contents; "
                        "entered calibrations are never changed. Enter a new one.",
                    )
            if known and reference.calibrations:
                raise NotAllowedError(
                    self.path,
                    f"Calibration {', '.join(known)} of {reference.number} would be lost. Nothing was changed.",
                )

    def add_calibration(self, number: str, calibration: Calibration, *, who: str = "") -> Seal:
        """Add a calibration; it becomes an entry of the chain and, being the newest, is in force.

        Raises:
            NotAllowedError: No such reference, or its certificate was entered before.
        """
        with self._db.writing():
            return self._put_calibration(number, calibration, who)

    def _put_calibration(self, number: str, calibration: Calibration, who: str) -> Seal:
        raw = self._db.raw
        data = to_data(calibration)
        if raw.execute("SELECT 1 FROM refs WHERE number = ?", (number,)).fetchone() is None:
            raise NotAllowedError(self.path, f"There is no reference {number}.")
        if raw.execute(
            "SELECT 1 FROM calibrations WHERE reference = ? AND certificate = ?", (number, calibration.certificate)
        ).fetchone():
            raise NotAllowedError(self.path, f"Certificate {calibration.certificate} of {number} was entered before.")
        seal = self._append(EntryKind.CALIBRATION, number, who, {"reference": number, "calibration": data})
        raw.execute(
            "INSERT INTO calibrations (reference, certificate, calibrated, due, data, sequence) VALUES (?,?,?,?,?,?)",
            (number, data["certificate"], data["calibrated"], data["due"], canonical(data).decode(), seal.sequence),
        )
        return seal

    # --- people

    def people(self, *, include_inactive: bool = False) -> list[Person]:
        """People by name."""
        wanted = sa.select(people).order_by(people.c.name)
        if not include_inactive:
            wanted = wanted.where(people.c.active)
        with self._db.reading() as connection:
            return [Person(*row) for row in connection.execute(wanted).all()]

    def person(self, name_or_code: str) -> Person | None:
        """One person by name, or else by scanned code."""
        with self._db.reading() as connection:
            for column in (people.c.name, people.c.code):
                row = connection.execute(sa.select(people).where(column == name_or_code)).first()
                if row is not None and name_or_code:
                    return Person(*row)
        return None

    def save_person(self, person: Person, *, who: str = "") -> None:
        """Add or change a person.

        Who becomes or stops being custodian is an entry of the chain. So is what `who` adds or changes, and from then
        on every change of that person.
        """
        if not person.name.strip():
            raise ValueError("a person needs a name")
        values = dataclasses.asdict(person)
        with self._db.writing() as connection:
            before = connection.execute(sa.select(people).where(people.c.name == person.name)).first()
            connection.execute(
                upsert(people)
                .values(**values)
                .on_conflict_do_update(index_elements=["name"], set_={k: v for k, v in values.items() if k != "name"})
            )
            is_other = before is None or (before.code, bool(before.active)) != (person.code, person.active)
            if is_other and (who or self._is_told(person.name)):
                act = PERSON_ADDED if before is None else PERSON_CHANGED
                details = {"code": person.code, "active": person.active}
                self._append(EntryKind.ACT, person.name, who, {"act": act, "details": details})
            if bool(before is not None and before.is_custodian) != person.is_custodian:
                act = MADE_CUSTODIAN if person.is_custodian else NO_CUSTODIAN
                self._append(EntryKind.ACT, person.name, who, {"act": act})

    def _is_told(self, name: str) -> bool:
        """True when the chain tells of this person's code already."""
        rows = self._db.raw.execute("SELECT body FROM entries WHERE subject = ? AND kind = ?", (name, EntryKind.ACT))
        return any(json.loads(body)["content"]["act"] in (PERSON_ADDED, PERSON_CHANGED) for (body,) in rows)

    def _is_custodian(self, name: str) -> bool:
        row = self._db.raw.execute("SELECT is_custodian AND active FROM people WHERE name = ?", (name,)).fetchone()
        return bool(row and row[0])

    # --- a run under way

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
            raw.execute("INSERT INTO run_plans VALUES (?, ?)", (key, _json(plan_to_data(run.plan))))
            known = UnderWay(self.path, key, (), run.plan)
            known.write(raw, run)
            self._claims.take(key)
        known.keep()
        self._known[run.run_id] = known

    def save_run(self, run: Run) -> None:
        """Store where a run stands, pulls that changed included; durable on return.

        Raises:
            SealedError: It is sealed.
            RunTakenError: Another window works on it.
        """
        with self._working_on(run) as (raw, known):
            known.write(raw, run)

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
        if all(each.number != pull.number for each in run.pulls):
            run = dataclasses.replace(run, pulls=(*run.pulls, pull))
        with self._working_on(run) as (raw, known):
            known.write(raw, run, ready)
            known.write_trace(raw, run, ready)

    def open_run(self) -> Run | None:
        """The newest unfinished run that no other window works on; from now on this store works on it."""
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

    @contextlib.contextmanager
    def _working_on(self, run: Run) -> Iterator[tuple[sqlite3.Connection, UnderWay]]:
        with self._db.writing_raw() as raw:
            known = self._known.get(run.run_id) or self._look_up(raw, run.run_id)
            if not self._claims.take(known.key):
                raise RunTakenError(self.path, run.run_id)
            yield raw, known
        known.keep()
        self._known[run.run_id] = known

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

    # --- finished runs

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
        with self._working_on(run) as (raw, known):
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
                body = connection.execute(sa.select(entries.c.body).where(entries.c.sequence == sequence)).scalar_one()
                return run_from_data(parse(body)["content"]["run"])
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
        words = _words(search)
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

    # --- the chain

    def _append(self, kind: EntryKind, subject: str, who: str, content: Mapping[str, Any]) -> Seal:
        return chain.append(self._db.raw, kind=kind, subject=subject, who=who, content=content, now=self._clock())

    def head(self) -> str:
        """Newest ``sequence:digest``, to be kept elsewhere; "" for an empty chain."""
        with self._db.reading() as connection:
            row = connection.execute(
                sa.select(entries.c.sequence, entries.c.digest).order_by(entries.c.sequence.desc()).limit(1)
            ).first()
        return f"{row[0]}:{row[1]}" if row is not None else ""

    def entries(self, subject: str) -> list[Entry]:
        """Entries about a run, tool, reference or person, oldest first."""
        with self._db.reading() as connection:
            return [
                _entry(row)
                for row in connection.execute(
                    sa.select(entries).where(entries.c.subject == subject).order_by(entries.c.sequence)
                ).all()
            ]

    def release(self, run_id: str, *, who: str, remark: str = "") -> Seal:
        """A second person reviewed and releases the run.

        Raises:
            NotAllowedError: The one who pulled it, a stranger, a void run, or one released before.
        """
        with self._db.writing() as connection:
            row = self._sealed_run(connection, run_id)
            person = connection.execute(sa.select(people).where(people.c.name == who)).first()
            if person is None or not person.active:
                raise NotAllowedError(self.path, f"{who or 'Nobody'} is not among the people; add them first.")
            if who == row.operator:
                raise NotAllowedError(self.path, f"{who} pulled run {run_id}; somebody else has to release it.")
            if row.voided or row.released_by:
                state = "void" if row.voided else f"released by {row.released_by}"
                raise NotAllowedError(self.path, f"Run {run_id} is {state} already.")
            seal = self._append(EntryKind.RELEASE, run_id, who, {"run": run_id, "by": who, "remark": remark})
            self._db.raw.execute("UPDATE runs SET released_by = ? WHERE run_id = ?", (who, run_id))
            return seal

    def add_remark(self, run_id: str, text: str, *, who: str) -> Seal:
        """Add a remark to a sealed run."""
        if not text.strip() or not who.strip():
            raise NotAllowedError(self.path, "A remark needs a text and who makes it.")
        with self._db.writing() as connection:
            self._sealed_run(connection, run_id)
            return self._append(EntryKind.REMARK, run_id, who, {"run": run_id, "text": text})

    def void(self, run_id: str, reason: str, *, who: str) -> Seal:
        """The custodian voids a sealed run: it stays, no longer counts, and the tool's dates follow from the others.

        Raises:
            NotAllowedError: No custodian, no reason, or void already.
        """
        if not reason.strip():
            raise NotAllowedError(self.path, "Voiding a run needs a reason.")
        with self._db.writing() as connection:
            row = self._sealed_run(connection, run_id)
            if not self._is_custodian(who):
                raise NotAllowedError(self.path, f"{who or 'Nobody'} is no custodian; only a custodian voids a run.")
            if row.voided:
                raise NotAllowedError(self.path, f"Run {run_id} is void already: {row.voided}")
            seal = self._append(EntryKind.VOID, run_id, who, {"run": run_id, "reason": reason})
            self._db.raw.execute("UPDATE runs SET voided = ? WHERE run_id = ?", (reason, run_id))
            self._refresh_tool(row.tool)
            return seal

    def add_reread(self, run_id: str, readings: Sequence[Mapping[str, object]], *, who: str, detector: str) -> Seal:
        """Put a re-read with other settings or a newer detector beside a sealed run; the first reading stays."""
        with self._db.writing() as connection:
            self._sealed_run(connection, run_id)
            content = {"run": run_id, "detector": detector, "readings": to_data(list(readings))}
            return self._append(EntryKind.REREAD, run_id, who, content)

    def explain_clock(self, sequence: int, why: str, *, who: str) -> Seal:
        """The custodian explains why the clock went back before entry `sequence`; the check lists it as explained."""
        if not why.strip():
            raise NotAllowedError(self.path, "An explanation needs a text.")
        with self._db.writing():
            if not self._is_custodian(who):
                raise NotAllowedError(
                    self.path, f"{who or 'Nobody'} is no custodian; only a custodian explains the clock."
                )
            return self._append(EntryKind.CLOCK, "", who, {"about": sequence, "why": why})

    def note_act(self, act: str, *, who: str, subject: str = "", details: Mapping[str, object] | None = None) -> Seal:
        """Put something done under the custodian's lock on record."""
        with self._db.writing():
            content: dict[str, Any] = {"act": act}
            if details is not None:
                content["details"] = to_data(details)
            return self._append(EntryKind.ACT, subject, who, content)

    def note_act_within(
        self,
        raw: sqlite3.Connection,
        act: str,
        *,
        who: str,
        subject: str = "",
        details: Mapping[str, object] | None = None,
    ) -> Seal:
        """The same inside a transaction that the caller has begun."""
        content: dict[str, Any] = {"act": act} if details is None else {"act": act, "details": to_data(details)}
        return chain.append(raw, kind=EntryKind.ACT, subject=subject, who=who, content=content, now=self._clock())

    def now(self) -> dt.datetime:
        """Wall time of this store's clock, with its offset."""
        return self._clock()

    def _sealed_run(self, connection: sa.Connection, run_id: str) -> sa.Row[Any]:
        row = connection.execute(sa.select(runs).where(runs.c.run_id == run_id)).first()
        if row is None or row.sequence is None:
            raise NotAllowedError(self.path, f"There is no sealed run {run_id}.")
        return row

    def check(self, against: str = "", *, progress: Callable[[int], None] | None = None) -> CheckResult:
        """Walk the chain, every trace and every shown column of what is sealed; see `benchapp.records.chain.check`.

        Takes its own connection, so it may run in a thread beside everything else.

        Raises:
            ValueError: `against` is no head.
            StoreDamagedError: The file itself cannot be read through.
        """
        with self._db.translated():
            raw = sqlite3.connect(f"{self.path.as_uri()}?mode=ro", uri=True, isolation_level=None)
            try:
                raw.execute("BEGIN")
                try:
                    return chain.check(raw, against=against, progress=progress)
                except sqlite3.OperationalError as error:
                    if "decode" not in str(error):
                        raise
                # A turned byte made a text that is no UTF-8: once more, and it is shown as what it can be read as.
                raw.text_factory = lambda data: data.decode("utf-8", "replace")
                return chain.check(raw, against=against, progress=progress)
            finally:
                raw.close()

    def check_standing(self, reference: str) -> check_standard.Standing | None:
        """How a reference stands by its check standard; None: it has none. See `benchapp.records.check_standard`."""
        return check_standard.standing(self, reference)

    def own_procedures(self) -> list[Procedure]:
        """The newest version of each procedure made here and not withdrawn; see `benchapp.records.procedures`."""
        from benchapp.records.procedures import offered_procedures  # which needs this module

        return offered_procedures(self)

    def n_open_tasks(self) -> int:
        """How many items of the work list are open; see `benchapp.records.impact`."""
        with self._db.reading_raw() as raw:
            return int(raw.execute("SELECT count(*) FROM tasks WHERE closed = ''").fetchone()[0])

    # --- jobs

    def log_job(self, job: JobEntry) -> JobEntry:
        """Add one use of a tool; returns it with its key. Raises ValueError for a time that is none."""
        return self.log_jobs([job])[0]

    def log_jobs(self, entered: Iterable[JobEntry]) -> list[JobEntry]:
        """Add several in one transaction."""
        stored = []
        with self._db.writing() as connection:
            for job in entered:
                values = dataclasses.asdict(job)
                values.pop("key")
                result = connection.execute(sa.insert(jobs).values(**values, at_s=seconds(job.at)))
                (key,) = result.inserted_primary_key or (0,)
                stored.append(dataclasses.replace(job, key=int(key)))
            for number in {job.tool for job in stored}:
                self._refresh_tool(number)
        return stored

    def jobs(self, tool: str, *, since: str = "", until: str = "") -> list[JobEntry]:
        """Uses of a tool from `since` to `until` (ISO 8601, both included; "" open), oldest first."""
        wanted = sa.select(*_JOB_COLUMNS).where(jobs.c.tool == tool)
        if since:
            wanted = wanted.where(jobs.c.at_s >= seconds(since))
        if until:
            wanted = wanted.where(jobs.c.at_s <= seconds(until))
        with self._db.reading() as connection:
            return [JobEntry(*row) for row in connection.execute(wanted.order_by(jobs.c.at_s, jobs.c.key)).all()]

    def all_jobs(self) -> list[JobEntry]:
        """Every use of every tool, oldest first."""
        wanted = sa.select(*_JOB_COLUMNS).order_by(jobs.c.at_s, jobs.c.key)
        with self._db.reading() as connection:
            return [JobEntry(*row) for row in connection.execute(wanted).all()]

    def refresh_tools(self) -> None:
        """Work out anew what follows from runs and jobs, for every tool."""
        with self._db.writing() as connection:
            for number in connection.execute(sa.select(tools.c.number)).scalars().all():
                self._refresh_tool(number)


def _wall() -> dt.datetime:
    return dt.datetime.now().astimezone()


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
_JOB_COLUMNS: Final = (
    jobs.c.tool,
    jobs.c.job,
    jobs.c.person,
    jobs.c.at,
    jobs.c.cycles,
    jobs.c.torque_nm,
    jobs.c.key,
)
_TOOL_COLUMNS: Final = tuple(column for column in tools.columns if column.name != "search")


@lru_cache(maxsize=64)
def _tools_query(n_words: int, include_retired: bool) -> Hot:
    wanted = sa.select(*_TOOL_COLUMNS).where(tools.c.number > sa.bindparam("after"))
    for index in range(n_words):
        wanted = wanted.where(sa.func.instr(tools.c.search, sa.bindparam(f"word_{index}")) > 0)
    if not include_retired:
        wanted = wanted.where(tools.c.state != sa.literal_column("'retired'"))
    return Hot(wanted.order_by(tools.c.number).limit(sa.bindparam("limit")), [])


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


def _entry(row: sa.Row[Any]) -> Entry:
    seal = Seal(row.sequence, row.digest, row.sealed, row.previous)
    return Entry(seal, EntryKind(row.kind), row.subject, row.who, bytes(row.body))


def _day(text: str | None) -> dt.date | None:
    return dt.date.fromisoformat(text) if text else None


_STATES: Final = {state.value: state for state in ToolState}


def _tool_record(row: Sequence[Any], photo: bytes | None = None) -> ToolRecord:
    """A row of `_TOOL_COLUMNS`, in their order."""
    _, data, code, place, keeper, state, months, cycles_limit, first, cycles, last, outcome, due, remark = row
    return ToolRecord(
        tool=_tool_of(data),
        place=place,
        keeper=keeper,
        interval_months=months,
        interval_cycles=cycles_limit,
        state=_STATES[state],
        first_use=_day(first),
        cycles=cycles,
        last_verified=_day(last),
        last_outcome=_OUTCOMES[outcome],
        due=_day(due),
        photo=photo,
        code=code,
        remark=remark,
    )


def _tool_values(record: ToolRecord) -> dict[str, Any]:
    tool = record.tool
    words = (tool.number, record.code, tool.maker, tool.model, tool.serial, record.place, record.keeper, tool.drive)
    return {
        "number": tool.number,
        "data": _json(to_data(tool)),
        "code": record.code,
        "place": record.place,
        "keeper": record.keeper,
        "interval_months": record.interval_months,
        "interval_cycles": record.interval_cycles,
        "first_use": record.first_use.isoformat() if record.first_use else None,
        "remark": record.remark,
        "search": "\n".join(words).casefold(),
    }


@lru_cache(maxsize=2)
def _due_query(of_place: bool) -> Hot:
    limit = sa.func.coalesce(tools.c.interval_cycles, sa.literal_column(str(DEFAULT_INTERVAL_CYCLES)))
    wanted = (
        sa.select(*(tools.c[name] for name in ("data", "place", "keeper", "interval_cycles", "cycles", "due")))
        .where(tools.c.state == sa.literal_column("'in-service'"))
        .where(
            tools.c.due.is_(None)
            | (tools.c.due <= sa.bindparam("until"))
            | (tools.c.cycles >= sa.literal_column("0.9") * limit)
        )
        .order_by(tools.c.due.is_not(None), tools.c.due, tools.c.number)
    )
    if of_place:
        wanted = wanted.where(tools.c.place == sa.bindparam("place"))
    return Hot(wanted, [])


@lru_cache(maxsize=8192)
def _needs_of(text: str) -> tuple[str, tuple[float, float]]:
    """(number, lowest and highest torque in N·m) of a tool as it is stored."""
    tool = _tool_of(text)
    return tool.number, (tool.lowest_nm, tool.highest_nm)


def _due_item(row: Sequence[Any], today: int) -> DueItem:
    """A row of `_due_query`; `today` as an ordinal."""
    data, place, keeper, interval_cycles, cycles, text = row
    number, needs_nm = _needs_of(data)
    due = dt.date.fromisoformat(text) if text else None
    days_left = due.toordinal() - today if due is not None else None
    state = state_in_service(days_left, cycles, interval_cycles)
    return DueItem(number, place, keeper, state, due, days_left, cycles, needs_nm)
