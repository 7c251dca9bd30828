"""The store's tools: their data and states, when they are due, and the jobs done with them."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.dialects.sqlite import insert as upsert

from benchapp.metrology.tool import Tool
from benchapp.records._base import StoreBase, as_json, words_of
from benchapp.records._database import Hot
from benchapp.records._followed import TOOL_CHANGED, TOOL_ENTERED
from benchapp.records._held import hold_rows
from benchapp.records._rows import JOB_LOGGED, TOOL_COLUMNS
from benchapp.records._standing import standing_of
from benchapp.records.canonical import parse
from benchapp.records.dates import seconds
from benchapp.records.errors import ChangedMeanwhileError, NotAllowedError
from benchapp.records.model import (
    DEFAULT_INTERVAL_CYCLES,
    MOST_PHOTO_BYTES,
    DueItem,
    EntryKind,
    JobEntry,
    Outcome,
    StateChange,
    ToolRecord,
    ToolState,
    state_in_service,
)
from benchapp.records.schema import jobs, tool_photos, tools
from benchapp.runs.codec import from_data, to_data

ALLOWED: Final[Mapping[ToolState, frozenset[ToolState]]] = {
    ToolState.IN_SERVICE: frozenset({ToolState.QUARANTINED, ToolState.AT_LABORATORY, ToolState.RETIRED}),
    ToolState.QUARANTINED: frozenset({ToolState.IN_SERVICE, ToolState.AT_LABORATORY, ToolState.RETIRED}),
    ToolState.AT_LABORATORY: frozenset({ToolState.IN_SERVICE, ToolState.QUARANTINED, ToolState.RETIRED}),
    ToolState.RETIRED: frozenset({ToolState.QUARANTINED}),
}
"""Which stored state may follow which."""

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


class ToolPart(StoreBase):
    """Tools and jobs of a store."""

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
        words = words_of(search)
        values = {f"word_{index}": word for index, word in enumerate(words)}
        with self._db.reading_raw() as raw:
            rows = _tools_query(len(words), include_retired).run(raw, {**values, "after": after, "limit": limit})
            return [_listed(row) for row in rows]

    def tool(self, number: str) -> ToolRecord | None:
        """One tool with its photo, by its number or else by what its barcode says; None when there is none."""
        with self._db.reading_raw() as raw:
            for column in ("number", "code"):
                row = _tool_query(column).run(raw, {"wanted": number}).fetchone() if number else None
                if row is not None:
                    return _tool_record(row[:-1], row[-1])
        return None

    def save_tool(self, record: ToolRecord, *, who: str = "") -> None:
        """Add a tool or change its data; its state is changed by `change_state`.

        An entry of the chain says what is entered of it and who did; the check holds the row against it.

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
            hold_rows(self)
            for record in records:
                before = self._told_of(record.number)
                self._save_tool(connection, record, who)
                now = self._told_of(record.number)
                if now != before:
                    act = TOOL_ENTERED if before is None else TOOL_CHANGED
                    self._append(EntryKind.ACT, record.number, who, {"act": act, "details": now})

    def _told_of(self, number: str) -> dict[str, Any] | None:
        """What an entry tells of a tool, as the table has it; None when there is no such tool."""
        columns = ", ".join(TOOL_COLUMNS)
        row = self._db.raw.execute(f"SELECT {columns} FROM tools WHERE number = ?", (number,)).fetchone()
        if row is None:
            return None
        told = dict(zip(TOOL_COLUMNS, row, strict=True))
        return {**told, "data": json.loads(told["data"])}

    def _save_tool(self, connection: sa.Connection, record: ToolRecord, who: str) -> None:
        if not record.number.strip():
            raise ValueError("a tool needs a number")
        stored = connection.execute(sa.select(tools.c.state).where(tools.c.number == record.number)).scalar()
        if stored is not None and stored != record.state.value:
            raise ChangedMeanwhileError(self.path, f"The state of tool {record.number}")
        values = tool_values(record)
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

    # --- jobs

    def log_job(self, job: JobEntry) -> JobEntry:
        """Add one use of a tool; returns it with its key. Raises ValueError for a time that is none."""
        return self.log_jobs([job])[0]

    def log_jobs(self, entered: Iterable[JobEntry]) -> list[JobEntry]:
        """Add several in one transaction, an entry of the chain each."""
        stored = []
        with self._db.writing() as connection:
            hold_rows(self)
            for job in entered:
                values = dataclasses.asdict(job)
                values.pop("key")
                result = connection.execute(sa.insert(jobs).values(**values, at_s=seconds(job.at)))
                (key,) = result.inserted_primary_key or (0,)
                stored.append(dataclasses.replace(job, key=int(key)))
                details = {**values, "key": int(key)}
                self._append(EntryKind.ACT, f"job:{key}", job.person, {"act": JOB_LOGGED, "details": details})
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


@lru_cache(maxsize=8192)
def _tool_of(text: str) -> Tool:
    return from_data(Tool, json.loads(text))


@lru_cache(maxsize=64)
def _tools_query(n_words: int, include_retired: bool) -> Hot:
    wanted = sa.select(*_TOOL_COLUMNS).where(tools.c.number > sa.bindparam("after"))
    for index in range(n_words):
        wanted = wanted.where(sa.func.instr(tools.c.search, sa.bindparam(f"word_{index}")) > 0)
    if not include_retired:
        wanted = wanted.where(tools.c.state != sa.literal_column("'retired'"))
    return Hot(wanted.order_by(tools.c.number).limit(sa.bindparam("limit")), [])


def _day(text: str | None) -> dt.date | None:
    return dt.date.fromisoformat(text) if text else None


_STATES: Final = {state.value: state for state in ToolState}
_OUTCOMES: Final = {outcome.value: outcome for outcome in Outcome}


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


@lru_cache(maxsize=2048)
def _listed(row: tuple[Any, ...]) -> ToolRecord:
    """A tool of a list: with every key that is typed most of the same rows come again, read anew each time."""
    return _tool_record(row)


def all_tools(raw: sqlite3.Connection) -> Iterator[tuple[str, ToolRecord]]:
    """Every tool by number as this connection sees them, without photo: (its data as stored, the record)."""
    names = [column.name for column in _TOOL_COLUMNS]
    for row in raw.execute(f"SELECT {', '.join(names)} FROM tools ORDER BY number"):
        yield row[names.index("data")], _tool_record(row)


def tool_values(record: ToolRecord) -> dict[str, Any]:
    tool = record.tool
    words = (tool.number, record.code, tool.maker, tool.model, tool.serial, record.place, record.keeper, tool.drive)
    return {
        "number": tool.number,
        "data": as_json(to_data(tool)),
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
def _tool_query(column: str) -> Hot:
    wanted = sa.select(*_TOOL_COLUMNS, tool_photos.c.photo).outerjoin(
        tool_photos, tool_photos.c.number == tools.c.number
    )
    return Hot(wanted.where(tools.c[column] == sa.bindparam("wanted")).order_by(tools.c.number).limit(1), [])


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
