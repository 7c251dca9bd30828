"""The workshop's own procedures: copies of those that come with the program, changed figure by figure.

A procedure is withdrawn, and offered again, by a further version that says so: nothing is taken out of the records.
Every version is kept, with who made it, when and why; each is an entry of the chain, under the custodian's lock. A run
keeps the figures that were in force, so that a later version changes nothing of what was judged before.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from benchapp.records._followed import PROCEDURE_KEPT, procedure_subject
from benchapp.records.errors import NotAllowedError
from benchapp.records.model import Seal
from benchapp.records.store import Store
from benchapp.runs.procedure import Procedure, procedure_from_text, procedure_to_toml, shipped_procedures

LONGEST_KEY: Final = 60


@dataclass(frozen=True, slots=True)
class OwnVersion:
    """One version of an own procedure.

    Attributes:
        procedure: As it was kept.
        who: The custodian.
        at: When, ISO 8601 with offset.
        why: The reason given.
    """

    procedure: Procedure
    who: str
    at: str
    why: str


def own_procedures(store: Store) -> list[Procedure]:
    """Return the newest version of each own procedure, by name.

    Raises:
        ProcedureError: A row cannot be read as a procedure; the check of the records names it too.
    """
    with store._db.reading_raw() as raw:
        rows = raw.execute(
            "SELECT name, data FROM procedures AS newest WHERE version = "
            "(SELECT max(version) FROM procedures WHERE name = newest.name)"
        ).fetchall()
    return sorted((procedure_from_text(data, key) for key, data in rows), key=lambda p: p.name.casefold())


def offered_procedures(store: Store) -> list[Procedure]:
    """Return the own procedures that are offered for runs: those that were not withdrawn.

    Raises:
        ProcedureError: As `own_procedures`.
    """
    return [procedure for procedure in own_procedures(store) if not procedure.withdrawn]


def versions(store: Store, key: str) -> list[OwnVersion]:
    """Return every version of one own procedure, oldest first."""
    with store._db.reading_raw() as raw:
        rows = raw.execute(
            "SELECT data, who, at, why FROM procedures WHERE name = ? ORDER BY version", (key,)
        ).fetchall()
    return [OwnVersion(procedure_from_text(data, key), who, at, why) for data, who, at, why in rows]


def keep_procedure(store: Store, procedure: Procedure, *, who: str, why: str) -> Seal:
    """Keep the next version of an own procedure; the row's `name` is the procedure's key, which never changes.

    Args:
        store: The records.
        procedure: Version 1 of a new one, or the version after the newest.
        who: The custodian.
        why: The reason; not empty.

    Raises:
        NotAllowedError: `who` is no custodian, no reason, a name or key that is taken, or not the next version.
    """
    if not why.strip():
        raise NotAllowedError(store.path, "A procedure is kept with a reason.")
    shipped = shipped_procedures()
    if procedure.key in {each.key for each in shipped}:
        raise NotAllowedError(store.path, f"{procedure.name} comes with the program. Change a copy of it.")
    name = procedure.name.strip().casefold()
    others = [*shipped, *(each for each in own_procedures(store) if each.key != procedure.key)]
    if not name or any(each.name.casefold() == name for each in others):
        raise NotAllowedError(
            store.path, f"{procedure.name or 'Without a name'}: every procedure needs a name of its own."
        )
    data = procedure_to_toml(procedure)
    procedure_from_text(data, procedure.key)  # what is kept can be read back
    at = store.now().isoformat(timespec="seconds")
    with store._db.writing_raw() as raw:
        if not store._is_custodian(who):
            raise NotAllowedError(store.path, f"{who or 'Nobody'} is no custodian; only a custodian keeps procedures.")
        (newest,) = raw.execute("SELECT max(version) FROM procedures WHERE name = ?", (procedure.key,)).fetchone()
        if procedure.version != (newest or 0) + 1:
            raise NotAllowedError(
                store.path,
                f"{procedure.name} is at version {newest or 0} meanwhile. Look at it again; nothing was kept.",
            )
        details = {
            "key": procedure.key,
            "version": procedure.version,
            "data": data,
            "at": at,
            "why": why.strip(),
        }
        subject = procedure_subject(procedure.key)
        seal = store.note_act_within(raw, PROCEDURE_KEPT, who=who, subject=subject, details=details)
        take_act(raw, who, seal.sequence, {"act": PROCEDURE_KEPT, "details": details})
    return seal


def take_act(raw: sqlite3.Connection, who: str, sequence: int, content: Mapping[str, Any]) -> None:
    """Write the row that an entry of the chain tells of; other acts are left alone. Used for an import too."""
    if content.get("act") != PROCEDURE_KEPT:
        return
    told = content["details"]
    raw.execute(
        "INSERT INTO procedures (name, version, data, who, at, why, sequence) VALUES (?,?,?,?,?,?,?)",
        (told["key"], told["version"], told["data"], who, told["at"], told["why"], sequence),
    )


def own_key(store: Store, name: str) -> str:
    """Return a key for a new own procedure of this name that nothing has yet, e.g. "own-ferry-tools-2".

    >>> own_stem("Ferry tools, 5 readings")
    'own-ferry-tools-5-readings'
    """
    taken = {each.key for each in (*shipped_procedures(), *own_procedures(store))}
    stem = own_stem(name)
    return next(key for key in (stem, *(f"{stem}-{n}" for n in range(2, len(taken) + 3))) if key not in taken)


def own_stem(name: str) -> str:
    """Return the name as a key of small letters, digits and hyphens."""
    plain = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")
    return f"own-{plain}"[:LONGEST_KEY].rstrip("-")
