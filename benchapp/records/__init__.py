"""Records: the store, its schema and migrations, seals, import and export, reports.

`Store` comes on first use, because SQLAlchemy is slow to import and must not be on the way to the first paint.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchapp.records.errors import (
    ChangedMeanwhileError,
    NotAllowedError,
    RunTakenError,
    SealedError,
    StoreDamagedError,
    StoreError,
    StoreFullError,
    StoreLockedError,
    StoreNewerError,
    StoreNotWritableError,
    WrongStoreError,
)
from benchapp.records.model import (
    CheckResult,
    DueItem,
    Entry,
    EntryKind,
    Finding,
    JobEntry,
    Outcome,
    Person,
    ReadingRow,
    RereadDifference,
    RunSummary,
    Seal,
    StateChange,
    ToolRecord,
    ToolState,
)

if TYPE_CHECKING:
    from benchapp.records.store import Store

__all__ = [
    "ChangedMeanwhileError",
    "CheckResult",
    "DueItem",
    "Entry",
    "EntryKind",
    "Finding",
    "JobEntry",
    "NotAllowedError",
    "Outcome",
    "Person",
    "ReadingRow",
    "RereadDifference",
    "RunSummary",
    "RunTakenError",
    "Seal",
    "SealedError",
    "StateChange",
    "Store",
    "StoreDamagedError",
    "StoreError",
    "StoreFullError",
    "StoreLockedError",
    "StoreNewerError",
    "StoreNotWritableError",
    "ToolRecord",
    "ToolState",
    "WrongStoreError",
]


def __getattr__(name: str) -> Any:
    if name == "Store":
        from benchapp.records.store import Store

        return Store
    raise AttributeError(name)
