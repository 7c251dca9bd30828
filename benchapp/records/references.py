"""References entered and changed from the window, each on record with who did it and whether a custodian was named."""

from __future__ import annotations

from benchapp.metrology.reference import Reference
from benchapp.records.people import custodians
from benchapp.records.store import Store


def keep_reference(store: Store, reference: Reference, *, who: str) -> None:
    """Keep a reference and put it on record.

    A new shop may begin with a reference before anybody is custodian; the entry then says so.

    Raises:
        NotAllowedError: As `Store.save_reference`.
    """
    nobody_yet = {"custodian": "none named yet"}
    store.save_reference(reference, who=who, details={} if custodians(store) else nobody_yet)
