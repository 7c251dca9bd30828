"""References entered and changed from the window, each on record with who did it and whether a custodian was named."""

from __future__ import annotations

import dataclasses
from typing import Final

from benchapp.metrology.reference import Reference
from benchapp.records.people import custodians
from benchapp.records.store import Store
from benchapp.runs.codec import to_data

ENTERED: Final = "reference entered"
CHANGED: Final = "reference changed"


def keep_reference(store: Store, reference: Reference, *, who: str) -> None:
    """Keep a reference and put it on record.

    A new shop may begin with a reference before anybody is custodian; the entry then says so.

    Raises:
        NotAllowedError: As `Store.save_reference`.
    """
    act = CHANGED if store.reference(reference.number) is not None else ENTERED
    store.save_reference(reference, who=who)
    details: dict[str, object] = {"reference": to_data(dataclasses.replace(reference, calibrations=()))}
    if not custodians(store):
        details["custodian"] = "none named yet"
    store.note_act(act, who=who, subject=reference.number, details=details)
