"""How tools like this one came out in this shop before: the prior for the global risks, with what it rests on.

Like it: the same type and class, wrench or screwdriver, the same declared deviation, the same side of 10 N·m. Counted
are full runs that met the tool in service (as found), sealed and not void; of each the mean deviation at every
checkpoint, since it is a checkpoint's mean that is judged. How many verifications there must be counts runs, not means,
and each tool counts alike, however many runs it has: the prior is about such tools, not about the one pulled most.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Final

from benchapp.metrology.risk import SHORTEST_HISTORY, ShopHistory, prior_of_tools
from benchapp.metrology.suitability import use_at
from benchapp.metrology.tool import Tool
from benchapp.records.history import Stage, stages_of, state_changes
from benchapp.records.shown import counted
from benchapp.records.store import Store
from benchapp.runs.codec import CodecError, tool_from_data
from benchapp.runs.model import Run

MOST_RUNS: Final = 60
"""The newest so many are read: enough for a spread known to 9 %, and short enough to wait for."""


def shop_history(store: Store, tool: Tool, *, before: str = "", most: int = MOST_RUNS) -> ShopHistory:
    """Return what earlier verifications of tools like `tool` tell, and the prior made of them.

    Args:
        store: Where the runs are. Any thread.
        tool: The one to be judged; its own earlier runs count too.
        before: Only runs finished before this time (ISO 8601); "" all.
        most: Greatest number of runs read, the newest.
    """
    with store._db.reading_raw() as raw:
        alike = {number for number, data in raw.execute("SELECT number, data FROM tools") if _is_like(tool, data)}
        states = state_changes(raw)
        rows: dict[str, list[tuple[object, ...]]] = {}
        for row in raw.execute(
            "SELECT run_id, finished, outcome, is_full, sequence, tool FROM runs WHERE seal <> '' AND voided = '' "
            "AND is_full = 1 AND outcome IN ('within', 'out', 'undecided') ORDER BY sequence"
        ):
            if row[5] in alike and (not before or row[1] < before):
                rows.setdefault(row[5], []).append(tuple(row))
    found = [
        (str(row[1]), str(row[0]))
        for mine in rows.values()
        for row, stage in zip(mine, stages_of(mine, states), strict=True)
        if stage is Stage.AS_FOUND
    ]
    by_tool: dict[str, list[float]] = {}
    dates, uncertainties = [], []
    for finished, run_id in sorted(found)[-most:]:
        run = store.run(run_id)
        found_here = [] if run is None else _means(run)
        if run is None or not found_here:
            continue
        by_tool.setdefault(run.plan.tool.number, []).extend(found_here)
        dates.append(finished[:10])
        uncertainties.append(_measurement_u(run))
    known = [u for u in uncertainties if u is not None]
    u = math.sqrt(math.fsum(v * v for v in known) / len(known)) if known else 0.0
    prior = prior_of_tools(list(by_tool.values()), u) if len(dates) >= SHORTEST_HISTORY else None
    return ShopHistory(
        len(dates),
        len(by_tool),
        dates[0] if dates else "",
        dates[-1] if dates else "",
        None if prior is None else replace(prior, n=len(dates)),
    )


def _is_like(tool: Tool, data: str) -> bool:
    try:
        other = tool_from_data(json.loads(data))
    except (CodecError, ValueError):
        return False
    same = (other.tool_type, other.tool_class, other.is_screwdriver, other.declared_percent) == (
        tool.tool_type,
        tool.tool_class,
        tool.is_screwdriver,
        tool.declared_percent,
    )
    return same and (other.highest_nm > 10) is (tool.highest_nm > 10)


def _means(run: Run) -> list[float]:
    readings = counted(run)
    found = []
    for index in range(len(run.plan.checkpoints)):
        here = [
            p.deviation_percent for p in readings if p.checkpoint_index == index and p.deviation_percent is not None
        ]
        if here:
            found.append(math.fsum(here) / len(here))
    return found


def _measurement_u(run: Run) -> float | None:
    """Return the reference's standard uncertainty at the first checkpoint, percent; None: not stated.

    It is taken off the spread; what else a measurement adds stays in, which makes the prior rather too wide.
    """
    first = run.plan.checkpoints[0]
    use = use_at(run.plan.reference, first.direction, first.target_nm)
    return None if use is None else use.expanded_percent / use.coverage_factor
