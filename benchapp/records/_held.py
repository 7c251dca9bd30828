"""The entries by which rows of tools, references, people and jobs are held; see `benchapp.records._rows`."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from benchapp.records._followed import proof_of
from benchapp.records._rows import (
    COST_COLUMNS,
    HELD,
    HELD_SUBJECT,
    JOB_COLUMNS,
    TOLD,
    TOOL_COLUMNS,
    mark_of,
    parsed,
    runs_of,
    tool_mark,
)
from benchapp.records.model import EntryKind

if TYPE_CHECKING:
    from benchapp.records._base import StoreBase

AT_ONCE: Final = 2000
"""So many rows are told by one entry (our own choice): some 50 to 100 kB, whatever comes in."""


def hold_rows(store: StoreBase) -> None:
    """Have the chain hold every row from now on, unless it does already; inside the caller's writing transaction.

    To be called before a row is changed: what stands there at this moment is told, so that nothing can be put in or
    changed afterwards without being found.
    """
    raw = store._db.raw
    if raw.execute("SELECT 1 FROM entries WHERE subject = ? LIMIT 1", (HELD_SUBJECT,)).fetchone() is not None:
        return
    details = {
        "people": [list(row) for row in raw.execute("SELECT name, code, active <> 0 FROM people ORDER BY name")],
        "references": {number: parsed(data) for number, data in raw.execute("SELECT number, data FROM refs")},
        "passphrase": _passphrase(raw),
    }
    store._append(EntryKind.ACT, HELD_SUBJECT, "", {"act": HELD, "details": details})
    tell_tools(store, [number for (number,) in raw.execute("SELECT number FROM tools ORDER BY number")])
    tell_jobs(store, 0)


def tell_tools(store: StoreBase, numbers: Sequence[str], *, who: str = "") -> None:
    """Tell of these tools as they stand in the table, a mark each."""
    raw = store._db.raw
    for begin in range(0, len(numbers), AT_ONCE):
        months, marks = [], []
        for number in numbers[begin : begin + AT_ONCE]:
            found = raw.execute(f"SELECT {', '.join(TOOL_COLUMNS)} FROM tools WHERE number = ?", (number,)).fetchone()
            row = dict(zip(TOOL_COLUMNS, found, strict=True))
            months.append(row["interval_months"])
            marks.append(tool_mark(row))
        told = {"table": "tools", "numbers": numbers[begin : begin + AT_ONCE], "months": months}
        _tell(store, {**told, "marks": "".join(marks)}, who)


def tell_jobs(store: StoreBase, after: int, *, who: str = "") -> None:
    """Tell of every use with a key above `after` as it stands in the table, a mark each."""
    rows = store._db.raw.execute(
        f"SELECT key, {', '.join(JOB_COLUMNS)} FROM jobs WHERE key > ? ORDER BY key", (after,)
    ).fetchall()
    for begin in range(0, len(rows), AT_ONCE):
        some = rows[begin : begin + AT_ONCE]
        keys = runs_of(row[0] for row in some)
        _tell(store, {"table": "jobs", "keys": keys, "marks": "".join(mark_of(row[1:]) for row in some)}, who)


def _tell(store: StoreBase, told: dict[str, Any], who: str) -> None:
    store._append(EntryKind.ACT, f"list:{told['table']}", who, {"act": TOLD, "details": told})


def _passphrase(raw: sqlite3.Connection) -> dict[str, object] | None:
    row = raw.execute(f"SELECT salt, digest, {', '.join(COST_COLUMNS)} FROM custodian WHERE key = 1").fetchone()
    return passphrase_told(*row) if row is not None else None


def passphrase_told(salt: bytes, digest: bytes, *cost: object) -> dict[str, object]:
    """What an entry says of the passphrase's row; `cost` are its `COST_COLUMNS`."""
    return {"proof": proof_of(salt, digest), "cost": list(cost)}
