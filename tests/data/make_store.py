"""Make tests/data/store_vN.sqlite: `python tests/data/make_store.py N`, from the root of the project.

One file for every version of the schema that went out, made once by the program of that time and never again; the
file of a new version is added when its migration is written. Version 1 has the tables of step 1 only: the contents
are stored by the program and copied into a file that was migrated to step 1.
"""

from __future__ import annotations

import importlib.util
import sqlite3
import sys
import tempfile
from pathlib import Path

import sqlalchemy as sa

from benchapp.records import JobEntry, Store, schema
from benchapp.records._database import _engine
from benchapp.records.migrations import upgrade

HERE = Path(__file__).parent


def main(version: int) -> None:
    """Write the file of `version`; refuses to overwrite one."""
    target = HERE / f"store_v{version}.sqlite"
    if target.exists():
        sys.exit(f"{target} exists and is not made again")
    spec = importlib.util.spec_from_file_location("samples", HERE.parent / "records" / "conftest.py")
    samples = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(samples)
    with tempfile.TemporaryDirectory() as folder:
        whole = Path(folder) / "whole.sqlite"
        with Store.open(whole, demo=False, clock=samples.Clock()) as store:
            samples.furnish(store)
            samples.sealed_run(store, "run-good")
            samples.sealed_run(store, "run-bad", off_percent=6.0)
            store.release("run-good", who="fitter 3", remark="looked through")
            store.void("run-bad", "wrong tool on the bench", who="custodian")
            store.begin_run(samples.make_run("run-open"))
            if version >= 2:
                store.log_job(JobEntry("OCF-014", "chain wheel", "fitter 2", "2026-03-04T10:00:00+01:00", cycles=12))
        engine = _engine(target, writes=True)
        with engine.connect() as connection:
            upgrade(connection, to=version)
        engine.dispose()
        raw = sqlite3.connect(target, isolation_level=None)
        raw.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        raw.execute("PRAGMA foreign_keys = OFF")
        raw.execute("ATTACH ? AS whole", (str(whole),))
        for (table,) in raw.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'").fetchall():
            written = raw.execute(f"PRAGMA main.table_info({table})").fetchall()  # leaves out what SQLite works out
            names = ", ".join(f'"{name}"' for _, name, *_ in written)
            raw.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM whole.{table}")
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        raw.execute("VACUUM")
        raw.close()
    for tail in ("-wal", "-shm"):
        Path(f"{target}{tail}").unlink(missing_ok=True)
    print(target, sa.__version__, target.stat().st_size)


if __name__ == "__main__":
    main(int(sys.argv[1]))
