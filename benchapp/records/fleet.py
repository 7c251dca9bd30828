"""How the whole shop's tools were found, and which are found out again and again."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from benchapp.metrology.intervals import a3
from benchapp.records.dates import seconds
from benchapp.records.history import TARGET, Stage, stages_of, state_changes
from benchapp.records.store import Store


class GroupBy(StrEnum):
    """By what the fleet is told apart."""

    TYPE = "type"  # type and class
    AGE = "age"  # years since first use, at the run
    PLACE = "place"
    KEEPER = "keeper"
    USER = "user"  # who had it most often since the run before, by the log of jobs


@dataclass(frozen=True, slots=True)
class Share:
    """How often a group of tools was found in tolerance.

    Attributes:
        group: Its name; "" where nothing is set.
        n: Full runs as found.
        n_within: Those within limits.
        low: Lower end of the true share's 95 % interval (Clopper and Pearson).
        high: Upper end.
    """

    group: str
    n: int
    n_within: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """Observed share."""
        return self.n_within / self.n


@dataclass(frozen=True, slots=True)
class Replace:
    """A tool that was found out again and again: as found, newest last, True within limits."""

    number: str
    found: tuple[bool, ...]


def fleet(store: Store, by: GroupBy, *, since: str = "") -> list[Share]:
    """Share found in tolerance by group, worst first. `since`: ISO date from which runs count; "" all."""
    with store._db.reading_raw() as raw:
        facts = {
            row[0]: row[1:]
            for row in raw.execute("SELECT number, data, place, keeper, first_use FROM tools").fetchall()
        }
        uses: dict[str, list[tuple[float, str]]] = {}
        if by is GroupBy.USER:
            for number, at_s, person in raw.execute("SELECT tool, at_s, person FROM jobs ORDER BY at_s"):
                uses.setdefault(number, []).append((at_s, person))
    counts: dict[str, list[int]] = {}
    for tool, runs in _as_found(store).items():
        data, place, keeper, first_use = facts.get(tool, ("", "", "", None))
        before = -math.inf
        for finished, within in runs:
            begin, before = before, seconds(finished)
            if since and finished < since:
                continue
            if by is GroupBy.TYPE:
                group = _type_of(data)
            elif by is GroupBy.AGE:
                group = _age_of(first_use, finished)
            elif by is GroupBy.USER:
                group = _user_of(uses.get(tool, ()), begin, before)
            else:
                group = place if by is GroupBy.PLACE else keeper
            count = counts.setdefault(group, [0, 0])
            count[0] += 1
            count[1] += within
    shares = []
    for group, (n, good) in counts.items():
        reach = a3(good, n, 1.0, TARGET, 0.95)
        shares.append(Share(group, n, good, reach.low, reach.high))
    return sorted(shares, key=lambda each: (each.share, each.group))


def to_replace(store: Store, *, last: int = 3, n_out: int = 2) -> list[Replace]:
    """Tools that were found out at least `n_out` times of their last `last` (our own rule); most often out first."""
    chosen = []
    with store._db.reading_raw() as raw:
        kept = {row[0] for row in raw.execute("SELECT number FROM tools WHERE state <> 'retired'").fetchall()}
    for tool, runs in _as_found(store).items():
        found = tuple(within for _, within in runs[-last:])
        if tool in kept and len(found) - sum(found) >= n_out:
            chosen.append(Replace(tool, found))
    return sorted(chosen, key=lambda each: (sum(each.found) - len(each.found), each.number))


def _as_found(store: Store) -> dict[str, list[tuple[str, bool]]]:
    """(finished, within) of every full run as found, by tool, oldest first."""
    with store._db.reading_raw() as raw:
        rows = raw.execute(
            "SELECT run_id, finished, outcome, is_full, sequence, tool FROM runs WHERE seal <> '' AND voided = '' "
            "AND is_full AND outcome IN ('within', 'out') ORDER BY tool, sequence"
        ).fetchall()
        states = state_changes(raw)
    by_tool: dict[str, list[Any]] = {}
    for row in rows:
        by_tool.setdefault(row[5], []).append(row)
    return {
        tool: [
            (row[1], row[2] == "within")
            for row, stage in zip(mine, stages_of(mine, states), strict=True)
            if stage is Stage.AS_FOUND
        ]
        for tool, mine in by_tool.items()
    }


def _user_of(uses: Sequence[tuple[float, str]], begin_s: float, end_s: float) -> str:
    """Who is named most often between two moments, the first by name among equals; "" nobody."""
    times: dict[str, int] = {}
    for at_s, person in uses:
        if begin_s < at_s <= end_s:
            times[person] = times.get(person, 0) + 1
    return min(times, key=lambda person: (-times[person], person), default="")


def _type_of(data: str) -> str:
    if not data:
        return ""
    tool = json.loads(data)
    return f"{tool['tool_type']} {tool['tool_class']}"


def _age_of(first_use: str | None, finished: str) -> str:
    if not first_use:
        return ""
    years = (dt.date.fromisoformat(finished[:10]) - dt.date.fromisoformat(first_use)).days / 365.25
    return next(
        (name for end, name in ((1, "under 1 year"), (2, "1 to 2"), (5, "2 to 5")) if years < end), "5 and more"
    )
