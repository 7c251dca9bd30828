"""Studies of person or tool in the store: kept pull by pull, taken up again, apart from every verification record.

Nothing here touches runs, tools or the chain. Simulated and replayed pulls go to the demo store, live ones to the live
one, as with runs.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any, Final

import sqlalchemy as sa

from benchapp.practice.study import StudyPlan, StudyPull
from benchapp.records.errors import StoreError, WrongStoreError
from benchapp.records.schema import studies, study_pulls
from benchapp.records.store import Store
from benchapp.runs.codec import from_data, to_data
from drivers.samples import Source

_DEMO: Final = frozenset({Source.SIMULATED, Source.REPLAYED})


@dataclass(frozen=True, slots=True)
class StoredStudy:
    """A study as stored.

    Attributes:
        key: Row key.
        name: What people call it.
        started: ISO 8601.
        finished: ISO 8601; "" while it is under way.
        plan: What is to be pulled.
        n_counted: Pulls that count so far.
    """

    key: int
    name: str
    started: str
    finished: str
    plan: StudyPlan
    n_counted: int

    @property
    def is_open(self) -> bool:
        """Under way: it can be gone on with."""
        return not self.finished


def begin(store: Store, plan: StudyPlan, *, name: str, started: str) -> StoredStudy:
    """Store a new study; durable on return."""
    source = "simulated" if store.is_demo else "live"
    with store._db.writing() as connection:
        result = connection.execute(
            sa.insert(studies).values(name=name, started=started, finished="", source=source, data=_json(plan))
        )
        key = result.inserted_primary_key
        assert key is not None
        return StoredStudy(int(key[0]), name, started, "", plan, 0)


def add_pull(store: Store, key: int, pull: StudyPull) -> None:
    """Store a pull of a study; durable on return.

    Raises:
        WrongStoreError: Its source does not belong into this store.
        StoreError: The study was deleted or ended meanwhile, or its pull of this number is stored already.
    """
    if (pull.source in _DEMO) is not store.is_demo:
        raise WrongStoreError(store.path, "demo" if store.is_demo else "live", pull.source.value)
    with store._db.writing() as connection:
        row = connection.execute(sa.select(studies.c.finished).where(studies.c.key == key)).first()
        if row is None or row.finished:
            raise StoreError(store.path, "The study was ended or deleted meanwhile. The pull was not stored.")
        here = (study_pulls.c.study == key) & (study_pulls.c.number == pull.number)
        if connection.execute(sa.select(study_pulls.c.number).where(here)).first() is not None:
            raise StoreError(store.path, f"Pull {pull.number} was stored by another window. Open the study again.")
        connection.execute(sa.insert(study_pulls).values(study=key, number=pull.number, at=pull.at, data=_json(pull)))


def set_aside(store: Store, key: int, pull: StudyPull) -> StudyPull:
    """Let a stored pull count no more, and return it so: its step is pulled again.

    Raises:
        StoreError: The study was ended or deleted meanwhile.
    """
    changed = replace(pull, counts=False)
    here = (study_pulls.c.study == key) & (study_pulls.c.number == pull.number)
    with store._db.writing() as connection:
        row = connection.execute(sa.select(studies.c.finished).where(studies.c.key == key)).first()
        if row is None or row.finished:
            raise StoreError(store.path, "The study was ended or deleted meanwhile. Nothing was changed.")
        connection.execute(sa.update(study_pulls).where(here).values(data=_json(changed)))
    return changed


def pulls(store: Store, key: int) -> list[StudyPull]:
    """Return the pulls of a study, oldest first."""
    wanted = sa.select(study_pulls.c.data).where(study_pulls.c.study == key).order_by(study_pulls.c.number)
    with store._db.reading() as connection:
        return [from_data(StudyPull, json.loads(text)) for text in connection.execute(wanted).scalars()]


def change_plan(store: Store, key: int, plan: StudyPlan) -> None:
    """Keep another plan of a study that is under way: somebody left it.

    Raises:
        StoreError: It was ended or deleted meanwhile.
    """
    here = (studies.c.key == key) & (studies.c.finished == "")
    with store._db.writing() as connection:
        if not connection.execute(sa.update(studies).where(here).values(data=_json(plan))).rowcount:
            raise StoreError(store.path, "The study was ended or deleted meanwhile. Nothing was changed.")


def finish(store: Store, key: int, at: str) -> None:
    """End a study; it takes no more pulls."""
    with store._db.writing() as connection:
        connection.execute(sa.update(studies).where(studies.c.key == key, studies.c.finished == "").values(finished=at))


def delete(store: Store, key: int) -> bool:
    """Delete a study with its pulls for good; False when there is none. Verification records are not touched.

    The bytes are overwritten in the file. Copies of the file made before keep what they hold.
    """
    with store._db.erasing() as connection:
        connection.execute(sa.delete(study_pulls).where(study_pulls.c.study == key))
        return connection.execute(sa.delete(studies).where(studies.c.key == key)).rowcount == 1


def study(store: Store, key: int) -> StoredStudy | None:
    """Return one study; None when there is none."""
    found = _studies(store, studies.c.key == key)
    return found[0] if found else None


def all_studies(store: Store) -> list[StoredStudy]:
    """Return all studies, newest first."""
    return _studies(store, sa.true())


def _studies(store: Store, condition: Any) -> list[StoredStudy]:
    with store._db.reading() as connection:
        rows = connection.execute(sa.select(studies).where(condition).order_by(studies.c.key.desc())).all()
        counted = sa.func.sum(sa.func.json_extract(study_pulls.c.data, "$.counts"))
        grouped = sa.select(study_pulls.c.study, counted).group_by(study_pulls.c.study)
        n_of = {int(key): int(n or 0) for key, n in connection.execute(grouped).all()}
    return [
        StoredStudy(
            row.key,
            row.name,
            row.started,
            row.finished,
            from_data(StudyPlan, json.loads(row.data)),
            n_of.get(row.key, 0),
        )
        for row in rows
    ]


def _json(value: object) -> str:
    return json.dumps(to_data(value), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
