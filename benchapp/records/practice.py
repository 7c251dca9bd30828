"""Practice pulls in the store: by person, with the source mark, deletable, apart from every verification record.

Nothing here touches runs, tools or the chain. Simulated and replayed practice goes to the demo store, live practice to
the live one, as with runs.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import sqlalchemy as sa

from benchapp.practice.drills import UNREADABLE
from benchapp.practice.marks import PullMarks
from benchapp.practice.progress import Line, PracticedPull
from benchapp.records.errors import StoreError, WrongStoreError
from benchapp.records.schema import practice_pulls as table
from benchapp.records.store import Store
from benchapp.runs.codec import from_data, to_data
from drivers.samples import Source

_DEMO: Final = frozenset({Source.SIMULATED, Source.REPLAYED})


def add_pull(store: Store, pull: PracticedPull) -> PracticedPull:
    """Store a pull; durable on return. Returns it with its row key.

    Raises:
        WrongStoreError: Its source does not belong into this store.
        ValueError: Nobody is named.
    """
    return add_pulls(store, [pull])[0]


def add_pulls(store: Store, pulls: Sequence[PracticedPull]) -> list[PracticedPull]:
    """Store several in one transaction; see `add_pull`."""
    for pull in pulls:
        if not pull.person.strip():
            raise ValueError("a practice pull needs a person")
        if (pull.source in _DEMO) is not store.is_demo:
            raise WrongStoreError(store.path, "demo" if store.is_demo else "live", pull.source.value)
    kept = []
    with store._db.writing() as connection:
        for pull in pulls:
            person = pull.person.strip()
            result = connection.execute(
                sa.insert(table).values(
                    person=person,
                    at=pull.at,
                    drill=pull.drill,
                    level=pull.level,
                    tool=pull.tool,
                    source=pull.source.value,
                    data=_data(pull),
                )
            )
            key = result.inserted_primary_key
            assert key is not None
            kept.append(replace(pull, person=person, key=int(key[0])))
    return kept


def pulls_of(store: Store, person: str, *, drill: str = "", since: str = "") -> list[PracticedPull]:
    """Return a person's pulls, oldest first.

    Args:
        store: Any.
        person: As written at the pull.
        drill: Only of this drill; "" of all.
        since: Only from this ISO 8601 date on (of the time as written); "" all.
    """
    wanted = sa.select(table).where(table.c.person == person).order_by(table.c.key)
    return _rows(store, wanted, drill, since)


def lines_of(store: Store, person: str) -> list[Line]:
    """Return of all of a person's pulls, oldest first, what tells how far they are (`progress.reached`).

    A hundred thousand pulls take a moment, where reading each with all its marks would take seconds.
    """
    told = ("passed", "aside", "marks.flags")
    wanted = (
        sa.select(
            table.c.drill, table.c.level, table.c.at, *(sa.func.json_extract(table.c.data, f"$.{n}") for n in told)
        )
        .where(table.c.person == person)
        .order_by(table.c.key)
    )
    with store._db.reading() as connection:
        rows = connection.execute(wanted).all()
    spoilt = [f'"{flag.value}"' for flag in UNREADABLE]
    return [
        Line(drill, level, at, bool(passed), not aside and not any(flag in (flags or "") for flag in spoilt))
        for drill, level, at, passed, aside, flags in rows
    ]


def pulls_of_all(store: Store, *, drill: str = "", since: str = "") -> list[PracticedPull]:
    """Return everybody's pulls, oldest first: only for figures of a group without names (`progress.group_weeks`)."""
    return _rows(store, sa.select(table).order_by(table.c.key), drill, since)


def people(store: Store) -> list[str]:
    """Return who has practised, by name."""
    with store._db.reading() as connection:
        return list(connection.execute(sa.select(table.c.person).distinct().order_by(table.c.person)).scalars())


def change(store: Store, pull: PracticedPull) -> None:
    """Write what the person decided about a stored pull: set aside or not, and so passed or not.

    Raises:
        StoreError: It was deleted meanwhile.
        ValueError: A pull set aside cannot have passed a level.
    """
    if pull.set_aside and pull.passed:
        raise ValueError("a pull that is set aside passes no level")
    with store._db.writing() as connection:
        result = connection.execute(sa.update(table).where(table.c.key == pull.key).values(data=_data(pull)))
        if result.rowcount != 1:
            raise StoreError(store.path, "This practice pull was deleted meanwhile. Nothing was changed.")


def count_of(store: Store, person: str) -> int:
    """Return how many pulls are kept of a person."""
    with store._db.reading() as connection:
        found = connection.execute(sa.select(sa.func.count()).where(table.c.person == person)).scalar()
    return int(found or 0)


def delete_person(store: Store, person: str) -> int:
    """Delete all practice of a person for good; returns how many pulls. Verification records are not touched.

    The bytes are overwritten in the file. Copies of the file made before keep what they hold.
    """
    with store._db.erasing() as connection:
        return int(connection.execute(sa.delete(table).where(table.c.person == person)).rowcount)


def _data(pull: PracticedPull) -> str:
    data = {
        "marks": to_data(pull.marks),
        "aims": [list(aim) for aim in pull.aims],
        "good": pull.is_good,
        "passed": pull.passed,
        "aside": pull.set_aside,
    }
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def _rows(store: Store, wanted: sa.Select[Any], drill: str, since: str) -> list[PracticedPull]:
    if drill:
        wanted = wanted.where(table.c.drill == drill)
    if since:
        wanted = wanted.where(table.c.at >= since)
    with store._db.reading() as connection:
        rows: Sequence[Any] = connection.execute(wanted).all()
    return [_pull(row) for row in rows]


def _pull(row: Any) -> PracticedPull:
    data = json.loads(row.data)
    return PracticedPull(
        person=row.person,
        at=row.at,
        drill=row.drill,
        level=row.level,
        tool=row.tool,
        source=Source(row.source),
        marks=from_data(PullMarks, data["marks"]),
        aims=tuple((str(of), str(kind), float(limit)) for of, kind, limit in data["aims"]),
        is_good=bool(data["good"]),
        passed=bool(data["passed"]),
        set_aside=bool(data["aside"]),
        key=row.key,
    )
