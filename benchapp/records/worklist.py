"""The work list: what somebody has to look at because a tool or a reference was found out, and what they decided."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from benchapp.records._followed import CLOSED, LISTED
from benchapp.records.errors import NotAllowedError
from benchapp.records.impact import ReferenceImpact, Rejudged, SuspectJob, ToolImpact
from benchapp.records.store import Store

_STAYS: Final = ": stays "
_NEAR_GOOD: Final = "near checkpoints within limits"


@dataclass(frozen=True, slots=True)
class Task:
    """One item somebody has to look at.

    Attributes:
        key: Row key.
        cause: Run id, or ``reference:NUMBER:CERTIFICATE``.
        subject: Run id or ``job:KEY``.
        text: One sentence.
        created: ISO 8601.
        closed: ISO 8601; "" while it is open.
        closed_by: Who closed it.
        reason: Why.
        tool: Whose run, or the tool that the job was done with; "" neither is known.
    """

    key: int
    cause: str
    subject: str
    text: str
    created: str
    closed: str = ""
    closed_by: str = ""
    reason: str = ""
    tool: str = ""

    @property
    def weighs(self) -> bool:
        """False where the sentence says that the verdict stays, or that all near a use was within limits."""
        return _STAYS not in self.text and not self.text.endswith(f"{_NEAR_GOOD}.")


def open_tasks(store: Store, impact: ToolImpact | ReferenceImpact, *, who: str) -> list[Task]:
    """Put an item on the list for everything the impact names; what is on it already stays as it is.

    That the list was opened becomes an entry of the chain. Returns the whole list of this cause.
    """
    if not who.strip():
        raise NotAllowedError(store.path, "A list of what is in doubt needs who opens it.")
    if isinstance(impact, ToolImpact):
        cause, items = impact.run_id, [(f"job:{each.job.key}", _job_text(each)) for each in impact.jobs]
    else:
        cause = f"reference:{impact.reference}:{impact.certificate}"
        items = [(each.run_id, _run_text(each)) for each in impact.runs]
    created = store.now().isoformat(timespec="seconds")
    with store._db.writing_raw() as raw:
        there = {subject for (subject,) in raw.execute("SELECT subject FROM tasks WHERE cause = ?", (cause,))}
        new = [(subject, text) for subject, text in items if subject not in there]
        if new:
            told = [{"subject": subject, "text": text} for subject, text in new]
            details = {"cause": cause, "items": len(new), "created": created, "list": told}
            store.note_act_within(raw, LISTED, who=who, details=details)
            _put_items(raw, details)
    return tasks(store, cause=cause)


def tasks(store: Store, *, cause: str = "", include_closed: bool = True) -> list[Task]:
    """Items in the order they were put on the list: those whose verdict changes come first."""
    with store._db.reading_raw() as raw:
        rows = raw.execute(
            "SELECT tasks.key, cause, subject, text, created, closed, closed_by, reason, "
            "coalesce(of_subject.tool, of_cause.tool, '') FROM tasks "
            "LEFT JOIN runs AS of_subject ON of_subject.run_id = subject "
            "LEFT JOIN runs AS of_cause ON of_cause.run_id = cause "
            "WHERE (? = '' OR cause = ?) AND (? OR closed = '') ORDER BY tasks.key",
            (cause, cause, include_closed),
        ).fetchall()
    return [Task(*row) for row in rows]


def close_task(store: Store, key: int, reason: str, *, who: str) -> Task:
    """Close an item with a reason; it becomes an entry of the chain and stays closed. Raises as `close_tasks`."""
    close_tasks(store, [key], reason, who=who)
    return next(task for task in tasks(store) if task.key == key)


def close_tasks(store: Store, keys: Sequence[int], reason: str, *, who: str) -> None:
    """Close several items with the same reason, all or none; each is an entry of the chain.

    Raises:
        NotAllowedError: One is no item or was closed before, or nobody or no reason is named.
    """
    if not who.strip() or not reason.strip():
        raise NotAllowedError(store.path, "Closing an item needs who and a reason. Nothing was changed.")
    with store._db.writing_raw() as raw:
        for key in keys:
            row = raw.execute(
                "SELECT cause, subject, closed, closed_by, reason FROM tasks WHERE key = ?", (key,)
            ).fetchone()
            if row is None:
                raise NotAllowedError(store.path, f"There is no item {key}.")
            cause, subject, before, by, why = row
            if before:
                raise NotAllowedError(store.path, f"Item {key} was closed by {by}: {why}")
            closed = store.now().isoformat(timespec="seconds")
            details = {"cause": cause, "subject": subject, "reason": reason, "closed": closed}
            store.note_act_within(raw, CLOSED, who=who, details=details)
            _close_item(raw, who, details)


def take_act(raw: sqlite3.Connection, who: str, sealed: str, content: Mapping[str, Any]) -> None:
    """Bring the work list to what an imported entry says; one of an early version names no items and adds none."""
    if content["act"] == LISTED:
        _put_items(raw, content["details"])
    elif content["act"] == CLOSED:
        _close_item(raw, who, {"closed": sealed, **content["details"]})


def _put_items(raw: sqlite3.Connection, told: Mapping[str, Any]) -> None:
    raw.executemany(
        "INSERT INTO tasks (cause, subject, text, created) VALUES (?, ?, ?, ?)",
        [(told["cause"], item["subject"], item["text"], told["created"]) for item in told.get("list", ())],
    )


def _close_item(raw: sqlite3.Connection, who: str, told: Mapping[str, Any]) -> None:
    raw.execute(
        "UPDATE tasks SET closed = ?, closed_by = ?, reason = ? WHERE cause = ? AND subject = ?",
        (told["closed"], who, told["reason"], told["cause"], told["subject"]),
    )


def _job_text(each: SuspectJob) -> str:
    at = "torque unknown" if each.job.torque_nm is None else f"{each.job.torque_nm:g} N·m"
    where = "near a checkpoint that is out" if each.near_out else _NEAR_GOOD
    who = f"{each.job.person}, {_wall(each.job.at)}"
    return f"{each.job.job} ({who}), {at}: error {_span(each.error_percent, 1)}, {where}."


def _run_text(each: Rejudged) -> str:
    run = f"{each.tool}, {_wall(each.finished)}"
    if each.why_not:
        return f"{run}: cannot be judged again: {each.why_not}"
    before, after = (_WORDS.get(word, word) for word in (each.before, each.after))
    verdict = f": was {before}, is {after}" if each.changes else f"{_STAYS}{after}"
    return f"{run}{verdict}; readings change by {_span(each.shift_percent, 2)}."


_WORDS: Final = {"in-service": "within limits", "out": "out of limits"}


def _wall(iso: str) -> str:
    return iso[:16].replace("T", " ")


def _span(ends: tuple[float, float], decimals: int) -> str:
    low, high = (f"{end:+.{decimals}f} %".replace("-", "\u2212") for end in ends)
    return low if low == high else f"{low} to {high}"
