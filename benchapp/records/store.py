"""The store: one SQLite file, live or demo. Signatures first; the body follows in the next commits."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path

from benchapp.metrology.reference import Calibration, Reference
from benchapp.records.model import (
    CheckResult,
    DueItem,
    Entry,
    JobEntry,
    Person,
    ReadingRow,
    RunSummary,
    Seal,
    StateChange,
    ToolRecord,
    ToolState,
)
from benchapp.runs.model import CapturedPull, Run
from benchapp.torque.trace import Trace


class Store:
    """Records on disk. Any thread may call any method; one writer at a time."""

    path: Path
    is_demo: bool

    @classmethod
    def open(cls, path: Path | str, *, demo: bool) -> Store:
        """Open, create or migrate the file. Raises a `StoreError`; a file that is refused is left untouched."""
        raise NotImplementedError

    def close(self) -> None:
        """Close; may be called again."""
        raise NotImplementedError

    # --- tools
    def tools(
        self, search: str = "", *, after: str = "", limit: int = 200, include_retired: bool = False
    ) -> list[ToolRecord]:
        """Tools by number, without photo; `search` looks in number, code, maker, model, serial, place, keeper.

        `after` is the last number of the page before.
        """
        raise NotImplementedError

    def tool(self, number: str) -> ToolRecord | None:
        """One tool by its number, or by its barcode."""
        raise NotImplementedError

    def save_tool(self, record: ToolRecord, *, who: str = "") -> None:
        """Add a tool or change its data. Its state is changed by `change_state` only."""
        raise NotImplementedError

    def change_state(self, number: str, state: ToolState, *, who: str, why: str) -> StateChange:
        """Move a tool to another state; refused with `NotAllowedError` when there is no such way."""
        raise NotImplementedError

    def state_changes(self, number: str) -> list[StateChange]:
        """Every change of state of a tool, oldest first."""
        raise NotImplementedError

    def due_list(self, today: dt.date, *, within_days: int = 31, place: str = "") -> list[DueItem]:
        """What is overdue or due within so many days, most urgent first."""
        raise NotImplementedError

    # --- references and people
    def references(self) -> list[Reference]:
        """All references by number, with their calibrations."""
        raise NotImplementedError

    def reference(self, number: str) -> Reference | None:
        """One reference."""
        raise NotImplementedError

    def save_reference(self, reference: Reference, *, who: str = "") -> None:
        """Add a reference or change its data; calibrations that are new are added, entered ones never change."""
        raise NotImplementedError

    def add_calibration(self, number: str, calibration: Calibration, *, who: str = "") -> Seal:
        """Add a calibration; it becomes an entry of the chain."""
        raise NotImplementedError

    def people(self, *, include_inactive: bool = False) -> list[Person]:
        """People by name."""
        raise NotImplementedError

    def person(self, name_or_code: str) -> Person | None:
        """One person by name or scanned code."""
        raise NotImplementedError

    def save_person(self, person: Person, *, who: str = "") -> None:
        """Add or change a person."""
        raise NotImplementedError

    # --- runs
    def begin_run(self, run: Run) -> None:
        """Store a new run; durable on return."""
        raise NotImplementedError

    def save_run(self, run: Run) -> None:
        """Store where a run stands (pulls that changed included); durable on return."""
        raise NotImplementedError

    def store_pull(self, run: Run, pull: CapturedPull, trace: Trace) -> None:
        """Store a pull, its trace and the run's state in one transaction; durable on return."""
        raise NotImplementedError

    def open_run(self) -> Run | None:
        """The newest unfinished run that no other window works on; it is taken by this store."""
        raise NotImplementedError

    def seal(self, run: Run, *, judgement: Mapping[str, object] | None = None) -> Seal:
        """Seal a finished or left run; durable on return. Sealing it again returns the same seal."""
        raise NotImplementedError

    def run(self, run_id: str) -> Run | None:
        """A run; a sealed one is read from the bytes that were hashed."""
        raise NotImplementedError

    def summary(self, run_id: str) -> RunSummary | None:
        """Its line of the logbook."""
        raise NotImplementedError

    def runs(self, *, tool: str = "", before: int | None = None, limit: int = 50, search: str = "") -> list[RunSummary]:
        """Runs, newest first; `before` is the key of the last line of the page before."""
        raise NotImplementedError

    def history(self, tool: str, *, limit: int = 1000) -> list[ReadingRow]:
        """Pulls of a tool, newest first."""
        raise NotImplementedError

    def trace(self, run_id: str, number: int) -> Trace | None:
        """The trace of a pull."""
        raise NotImplementedError

    # --- the chain
    def head(self) -> str:
        """Newest ``sequence:digest``; "" for an empty chain."""
        raise NotImplementedError

    def entries(self, subject: str) -> list[Entry]:
        """Entries about a run, tool or reference, oldest first."""
        raise NotImplementedError

    def release(self, run_id: str, *, who: str, remark: str = "") -> Seal:
        """A second person reviewed and releases the run; refused for the one who pulled."""
        raise NotImplementedError

    def add_remark(self, run_id: str, text: str, *, who: str) -> Seal:
        """Add a remark to a sealed run."""
        raise NotImplementedError

    def void(self, run_id: str, reason: str, *, who: str) -> Seal:
        """The custodian voids a sealed run."""
        raise NotImplementedError

    def check(self, against: str = "") -> CheckResult:
        """Walk chain, traces and columns."""
        raise NotImplementedError

    # --- jobs
    def log_job(self, job: JobEntry) -> JobEntry:
        """Add a use of a tool; its cycles are counted."""
        raise NotImplementedError

    def jobs(self, tool: str, *, since: str = "", until: str = "") -> Sequence[JobEntry]:
        """Uses of a tool in a period, oldest first."""
        raise NotImplementedError
