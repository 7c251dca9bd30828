"""The store: one SQLite file, live or demo.

Every write is one transaction in WAL mode with `synchronous = FULL`: when a method that stores returns, SQLite has
had the answer of fdatasync for it. The session's thread writes, the window's thread reads, other windows may use the
same file; a run is worked on by one of them at a time.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from benchapp.records import chain, check_standard
from benchapp.records._references import PeoplePart, ReferencePart
from benchapp.records._runs import RunPart
from benchapp.records.errors import NotAllowedError
from benchapp.records.model import CheckResult, EntryKind, Seal
from benchapp.records.schema import people, runs
from benchapp.runs.codec import to_data
from benchapp.runs.procedure import Procedure


class Store(RunPart, ReferencePart, PeoplePart):
    """Records on disk. Any thread may call any method; one writer at a time."""

    # --- the chain, and what may be added to a sealed run

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
