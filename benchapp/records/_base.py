"""What every part of the store stands on: the file, the clock, the chain's end, who is custodian."""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, Self

import sqlalchemy as sa

from benchapp.records import chain
from benchapp.records._claims import Claims
from benchapp.records._database import Database
from benchapp.records._under_way import UnderWay
from benchapp.records.model import Entry, EntryKind, Seal
from benchapp.records.schema import entries
from benchapp.runs.codec import to_data

_ENCODER: Final = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def as_json(value: object) -> str:
    """Return data as compact JSON; raises ValueError for a number that is not finite."""
    return _ENCODER.encode(value)


def words_of(search: str) -> list[str]:
    """Return the words that are looked for."""
    return search.casefold().split()[:8]  # more narrow nothing down that a person would type


class StoreBase:
    """The open file. Any thread may call any method of a store; one writer at a time."""

    def __init__(self, database: Database, clock: Callable[[], dt.datetime]) -> None:
        self._db = database
        self._clock = clock
        self._claims = Claims(database.path.with_name(f"{database.path.name}-claims"))
        self._known: dict[str, UnderWay] = {}

    @classmethod
    def open(cls, path: Path | str, *, demo: bool, clock: Callable[[], dt.datetime] | None = None) -> Self:
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

    def __enter__(self) -> Self:
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

    def now(self) -> dt.datetime:
        """Wall time of this store's clock, with its offset."""
        return self._clock()

    def head(self) -> str:
        """Newest ``sequence:digest``, to be kept elsewhere; "" for an empty chain."""
        with self._db.reading() as connection:
            row = connection.execute(
                sa.select(entries.c.sequence, entries.c.digest).order_by(entries.c.sequence.desc()).limit(1)
            ).first()
        return f"{row[0]}:{row[1]}" if row is not None else ""

    def sealed_after_now(self) -> dt.datetime | None:
        """When the newest entry was sealed, where that is later than it is now; None where the clock goes on from it.

        What is sealed with such a clock is found by the check: an entry before the one it follows.
        """
        with self._db.reading() as connection:
            last = connection.execute(sa.select(entries.c.sealed).order_by(entries.c.sequence.desc()).limit(1)).scalar()
        if last is None:
            return None
        moment = dt.datetime.fromisoformat(last)
        return moment if (moment - self._clock()).total_seconds() > chain.CLOCK_SLACK_S else None

    def entries(self, subject: str) -> list[Entry]:
        """Entries about a run, tool, reference or person, oldest first."""
        with self._db.reading() as connection:
            return [
                _entry(row)
                for row in connection.execute(
                    sa.select(entries).where(entries.c.subject == subject).order_by(entries.c.sequence)
                ).all()
            ]

    def _append(self, kind: EntryKind, subject: str, who: str, content: Mapping[str, Any]) -> Seal:
        return chain.append(self._db.raw, kind=kind, subject=subject, who=who, content=content, now=self._clock())

    def _is_custodian(self, name: str) -> bool:
        row = self._db.raw.execute("SELECT is_custodian AND active FROM people WHERE name = ?", (name,)).fetchone()
        return bool(row and row[0])

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


def _wall() -> dt.datetime:
    return dt.datetime.now().astimezone()


def _entry(row: sa.Row[Any]) -> Entry:
    seal = Seal(row.sequence, row.digest, row.sealed, row.previous)
    return Entry(seal, EntryKind(row.kind), row.subject, row.who, bytes(row.body))
