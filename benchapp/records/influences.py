"""What is known of a tool's geometric influences: entries of the chain, the newest of each kind is in force.

Every value and every position of a series that is full is an entry; nothing is overwritten. A series that was broken
off is gone on with from its last full position.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import sqlalchemy as sa

from benchapp.metrology.tool import Tool
from benchapp.records.canonical import parse
from benchapp.records.model import Seal
from benchapp.records.schema import entries
from benchapp.records.store import Store
from benchapp.runs.codec import from_data, to_data
from benchapp.runs.influences import Influence, Series

KEPT: Final = "influence kept"
UNDER_WAY: Final = "influence series under way"


def subject_of(tool: str) -> str:
    """Subject of the entries about a tool's geometric influences."""
    return f"influence:{tool}"


def keep(store: Store, influence: Influence) -> Seal:
    """Keep a value; it is in force from now on. Durable on return."""
    return store.note_act(KEPT, who=influence.who, subject=subject_of(influence.tool), details=_details(influence))


def keep_series(store: Store, series: Series) -> Seal:
    """Keep a series that is under way, so that a break costs one position at most."""
    return store.note_act(UNDER_WAY, who=series.who, subject=subject_of(series.tool), details=_details(series))


def known(store: Store, tool: str) -> dict[str, Influence]:
    """Return what is in force for a tool, by symbol."""
    found: dict[str, Influence] = {}
    for act, details in _acts(store, tool):
        if act == KEPT:
            influence = from_data(Influence, details)
            found[influence.symbol] = influence
    return found


def under_way(store: Store, tool: str) -> dict[str, Series]:
    """Return the series of a tool that were begun and not ended, by symbol."""
    found: dict[str, Series] = {}
    for act, details in _acts(store, tool):
        if act == KEPT:
            found.pop(str(details["symbol"]), None)
        else:
            series = from_data(Series, details)
            found[series.symbol] = series
    return found


def of_model(store: Store, tool: Tool, symbol: str) -> list[Influence]:
    """Return one influence as known of every tool of the same maker and model; none when the model is not entered."""
    if not tool.model.strip():
        return []
    with store._db.reading() as connection:
        subjects = connection.execute(
            sa.select(entries.c.subject)
            .where(entries.c.subject >= subject_of(""), entries.c.subject < subject_of("") + "\U0010ffff")
            .distinct()
        ).scalars()
        numbers = [subject.removeprefix(subject_of("")) for subject in subjects]
    found = []
    for number in numbers:
        record = store.tool(number)
        if record is None or (record.tool.maker.strip(), record.tool.model.strip()) != (
            tool.maker.strip(),
            tool.model.strip(),
        ):
            continue
        influence = known(store, number).get(symbol)
        if influence is not None:
            found.append(influence)
    return found


def _details(value: Influence | Series) -> dict[str, Any]:
    data: dict[str, Any] = to_data(value)
    return data


def _acts(store: Store, tool: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for entry in store.entries(subject_of(tool)):
        content = parse(entry.body)["content"]
        yield content["act"], content["details"]
