"""Steps from an empty file to the schema of today, oldest first.

Each step is a module in `versions` with `upgrade(op)`, written with Alembic's operations. `upgrade` here runs the
missing ones, each in a transaction of its own that also writes `PRAGMA user_version`: a crash leaves the file at a
whole version. (Alembic's own runner finds scripts by path, which a frozen bundle does not have, and lets Python's
sqlite3 commit DDL as it likes; both are done explicitly here.)
"""

from __future__ import annotations

import logging
from types import ModuleType
from typing import Final

import sqlalchemy as sa
from alembic.migration import MigrationContext
from alembic.operations import Operations

from benchapp.records.migrations.versions import v0001_store, v0002_evidence, v0003_practice, v0004_captured

_log = logging.getLogger(__name__)

STEPS: Final[tuple[ModuleType, ...]] = (v0001_store, v0002_evidence, v0003_practice, v0004_captured)


def upgrade(connection: sa.Connection, *, to: int = len(STEPS)) -> list[int]:
    """Run the missing steps up to version `to`; returns the versions reached, oldest first.

    The connection must not be in a transaction; it opens one a step (its engine says BEGIN IMMEDIATE).
    """
    reached: list[int] = []
    while True:
        with connection.begin():
            version = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
            if version >= to:
                return reached
            STEPS[version].upgrade(Operations(MigrationContext.configure(connection)))
            connection.exec_driver_sql(f"PRAGMA user_version = {version + 1}")
        reached.append(version + 1)
        _log.info("store schema: %d -> %d", version, version + 1)
