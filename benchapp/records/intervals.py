"""When a tool should be verified next: what each method suggests, and what the custodian made of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchapp.metrology import figures
from benchapp.metrology.intervals import a3, staircase
from benchapp.metrology.tool import Tool
from benchapp.records._followed import INTERVAL_TAKEN
from benchapp.records.canonical import parse
from benchapp.records.dates import seconds
from benchapp.records.errors import ChangedMeanwhileError, NotAllowedError
from benchapp.records.history import TARGET, DriftAt, RunResult, Stage, drifts, tool_history
from benchapp.records.model import DEFAULT_INTERVAL_MONTHS, EntryKind, Outcome, Seal
from benchapp.records.store import Store
from benchapp.torque.units import from_nm

SHORTEST_MONTHS: Final = figures.count("interval.shortest")
LONGEST_MONTHS: Final = figures.count("interval.longest")
"""Ends between which an interval is suggested."""
ACCEPTED: Final = INTERVAL_TAKEN
DECLINED: Final = "interval not accepted"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A next interval.

    Attributes:
        tool: Number.
        method: "a3", "staircase" or "drift".
        months: Whole months, between `SHORTEST_MONTHS` and `LONGEST_MONTHS`; None: the method can tell nothing.
        now_months: The interval in force.
        reason: One sentence with its figures.
    """

    tool: str
    method: str
    months: int | None
    now_months: int
    reason: str


def suggest(
    store: Store, number: str, *, target: float = TARGET, history: Sequence[RunResult] | None = None
) -> list[Suggestion]:
    """What each method makes of a tool's history; a method that has too little to go by says nothing.

    Args:
        store: Where the tool is.
        number: Of the tool.
        target: Share that should be found in tolerance.
        history: Of `tool_history`, where it is known already; None: it is read.

    Raises:
        NotAllowedError: No such tool.
    """
    record = store.tool(number)
    if record is None:
        raise NotAllowedError(store.path, f"There is no tool {number}.")
    now = DEFAULT_INTERVAL_MONTHS if record.interval_months is None else record.interval_months
    history = tool_history(store, number) if history is None else history
    found = [run for run in history if run.stage is Stage.AS_FOUND and run.outcome is not Outcome.UNDECIDED]
    # Results tell of the interval they were found with: a suggestion taken since is no new result to go by.
    taken = [
        each.before
        for each in decisions(store, number)
        if each.accepted and found and seconds(each.at) > seconds(found[-1].finished)
    ]
    held = taken[0] if taken else now
    made: list[Suggestion] = []
    if not found:
        return made
    good = sum(run.outcome is Outcome.WITHIN for run in found)
    by_share = a3(good, len(found), float(held), target)
    wrong = f"that the interval is wrong is known with {_sure(by_share.rejection)} confidence"
    if by_share.rejection < 0.005:
        wrong = "nothing says that the interval is wrong"
    reason = f"{good} of {len(found)} times found within limits, wanted is {target * 100:.0f} %; {wrong}."
    made.append(Suggestion(number, "a3", _whole(by_share.interval), now, reason))
    within = found[-1].outcome is Outcome.WITHIN
    step = staircase(float(held), within, SHORTEST_MONTHS, LONGEST_MONTHS)
    how = "within" if within else "out of"
    made.append(
        Suggestion(number, "staircase", _whole(step), now, f"Last found {how} limits, {found[-1].finished[:10]}.")
    )
    at = drifts(history, probability=target)
    if at:
        made.append(_by_drift(record.tool, now, at))
    return made


def _by_drift(tool: Tool, now: int, at: Sequence[DriftAt]) -> Suggestion:
    """The checkpoint that may leave its limits first decides."""
    first = min(at, key=lambda each: math.inf if each.earliest_months is None else each.earliest_months)
    months = first.earliest_months
    if months is None:
        reason = f"From {first.n} intervals no checkpoint is seen to reach its limit within 20 years."
        return Suggestion(tool.number, "drift", LONGEST_MONTHS, now, reason)
    where = f"at {from_nm(first.target_nm, tool.unit):.6g} {tool.unit}"
    value, limit = _signed(first.value_percent, 2), f"its limit of {first.limit_percent:g} %"
    sure = f"{first.probability * 100:.0f} %"
    if months > 0:
        reason = (
            f"From {first.n} intervals: {where} it moves {_signed(first.percent_per_month, 3)} a month from {value}, "
            f"and may reach {limit} after {months:.1f} months ({sure})."
        )
        return Suggestion(tool.number, "drift", _whole(months), now, reason)
    if abs(first.value_percent) >= first.limit_percent:
        reason = f"The last full run found it outside {limit} {where} ({value}): drift tells nothing of an interval."
    else:
        _, low, high = first.band[0]
        reason = (
            f"From {first.n} intervals this method can tell nothing: {where} it stood at {value}, which is known to "
            f"±{(high - low) / 2:.2g} % only ({sure}); that reaches {limit} on the day of the last run."
        )
    return Suggestion(tool.number, "drift", None, now, reason)


def _signed(value: float, decimals: int) -> str:
    return f"{value:+.{decimals}f} %".replace("-", "\u2212")


def _sure(confidence: float) -> str:
    """Return a confidence in percent; one short of certainty never reads as certain."""
    return "more than 99.9 %" if 0.9995 <= confidence < 1 else f"{confidence * 100:.{1 if confidence > 0.99 else 0}f} %"


def _whole(months: float) -> int:
    return int(min(max(months, SHORTEST_MONTHS), LONGEST_MONTHS))  # rounded down: rather a little too early


def decide_interval(store: Store, suggestion: Suggestion, *, accepted: bool, who: str, why: str) -> Seal:
    """The custodian accepts a suggestion, which sets the tool's interval, or does not; both become an entry.

    Raises:
        NotAllowedError: No custodian or no reason.
        ChangedMeanwhileError: The interval is another one than the suggestion started from.
    """
    if not why.strip():
        raise NotAllowedError(store.path, "Deciding on an interval needs a reason. Nothing was changed.")
    if suggestion.months is None:
        raise NotAllowedError(store.path, "This method suggests no interval. Nothing was changed.")
    with store._db.writing_raw() as raw:
        if not store._is_custodian(who):
            raise NotAllowedError(store.path, f"{who or 'Nobody'} is no custodian; only a custodian sets an interval.")
        row = raw.execute("SELECT interval_months FROM tools WHERE number = ?", (suggestion.tool,)).fetchone()
        if row is None:
            raise NotAllowedError(store.path, f"There is no tool {suggestion.tool}.")
        if (DEFAULT_INTERVAL_MONTHS if row[0] is None else row[0]) != suggestion.now_months:
            raise ChangedMeanwhileError(store.path, f"The interval of tool {suggestion.tool}")
        content = {
            "act": ACCEPTED if accepted else DECLINED,
            "details": {
                "method": suggestion.method,
                "months": suggestion.months,
                "before": suggestion.now_months,
                "reason": suggestion.reason,
                "why": why,
            },
        }
        seal = store._append(EntryKind.ACT, suggestion.tool, who, content)
        if accepted:
            raw.execute("UPDATE tools SET interval_months = ? WHERE number = ?", (suggestion.months, suggestion.tool))
            store._refresh_tool(suggestion.tool)
    return seal


@dataclass(frozen=True, slots=True)
class Decision:
    """What the custodian made of a suggestion.

    Attributes:
        at: Wall time, ISO 8601.
        who: The custodian.
        accepted: The suggestion was taken.
        method: "a3", "staircase" or "drift".
        months: That it suggested.
        before: Months in force before.
        reason: What the method went by.
        why: The custodian's own reason.
        sequence: Of its entry in the chain.
    """

    at: str
    who: str
    accepted: bool
    method: str
    months: int
    before: int
    reason: str
    why: str
    sequence: int


def decisions(store: Store, number: str) -> list[Decision]:
    """Return what was decided on a tool's interval, oldest first."""
    found = []
    for entry in store.entries(number):
        if entry.kind is not EntryKind.ACT:
            continue
        content = parse(entry.body)["content"]
        if content.get("act") in (ACCEPTED, DECLINED):
            told = content["details"]
            found.append(
                Decision(
                    entry.seal.sealed,
                    entry.who,
                    content["act"] == ACCEPTED,
                    told["method"],
                    told["months"],
                    told["before"],
                    told["reason"],
                    told["why"],
                    entry.seal.sequence,
                )
            )
    return found
