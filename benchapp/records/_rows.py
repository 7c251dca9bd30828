"""Rows that pages show and nobody seals one by one: tools, references, people, uses of tools, the passphrase.

Early programs wrote them without a word in the chain. So a chain holds them from its entry `HELD` on, which is written
before the first of them is changed by a program that knows it (`benchapp.records._held`): it tells what stands there at
that moment, and from then on each change is an entry. A row that is another one, is gone, or stands there without an
entry is named; a chain without `HELD` is held to what its own entries tell.

Where rows come in by the thousand, entries `TOLD` hold a mark of each: half of a SHA-256 (128 bits, nobody finds
another row with the same), as 22 letters. So the row that does not hold has a name, for a tenth of its size.
"""

from __future__ import annotations

import base64
import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

import orjson

from benchapp.records.canonical import CanonicalError, canonical, parse_written
from benchapp.records.dates import seconds

HELD: Final = "rows held from here"
TOLD: Final = "rows told"
JOB_LOGGED: Final = "job logged"
JOB_TAKEN_OUT: Final = "job taken out"
HELD_SUBJECT: Final = "list:held"

TOOL_COLUMNS: Final = (
    "data",
    "code",
    "place",
    "keeper",
    "interval_months",
    "interval_cycles",
    "first_use",
    "remark",
)
"""Columns of a tool that are entered, so that its entries tell them; the others follow from these, runs and jobs."""
JOB_COLUMNS: Final = ("tool", "job", "person", "at", "cycles", "torque_nm")
COST_COLUMNS: Final = ("n", "r", "p", "changed")
"""What an entry tells of the passphrase's row in the open; attempts that failed are counted there and no evidence."""
_COMPACT: Final = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"))
_PLAIN_UP_TO: Final = 1e15
_MARK: Final = 22  # letters of base64 for 16 bytes, without the two that fill up

Find = Callable[[str, int, str, str], None]


def mark_of(values: Sequence[object]) -> str:
    """Return the mark of a row: half of the SHA-256 of the canonical JSON of its values, in base64.

    Raises:
        CanonicalError: A value that has no place in JSON.
    """
    return base64.b64encode(hashlib.sha256(flat(values)).digest()[:16])[:_MARK].decode()


def flat(values: Sequence[object]) -> bytes:
    """Return what `canonical` does, for a list of texts and numbers in a seventh of the time.

    What orjson writes otherwise than RFC 8785 asks for (very small or great doubles) goes the long way, and so does
    whatever else is in the list.
    """
    plain = []
    for value in values:
        if isinstance(value, float):
            if value.is_integer() and abs(value) < _PLAIN_UP_TO:
                value = int(value)
            elif not 1e-4 <= abs(value) < _PLAIN_UP_TO:
                return canonical(values)
        elif not (value is None or isinstance(value, (str, int))):
            return canonical(values)
        plain.append(value)
    try:
        return orjson.dumps(plain, option=orjson.OPT_STRICT_INTEGER)
    except TypeError:
        return canonical(values)


def tool_mark(row: Mapping[str, object]) -> str:
    """Return the mark of a tool's row, without its interval: a decision on that alone is an entry too.

    Args:
        row: `TOOL_COLUMNS` as they stand in the table, `data` as its text.
    """
    return mark_of([row[name] for name in TOOL_COLUMNS if name != "interval_months"])


def marks_in(text: str) -> Iterator[str]:
    """The marks of a list, in order."""
    return (text[begin : begin + _MARK] for begin in range(0, len(text), _MARK))


def runs_of(keys: Iterable[int]) -> list[list[int]]:
    """Rising keys as [first, last] of each stretch without a gap.

    >>> runs_of([1, 2, 3, 7, 9, 10])
    [[1, 3], [7, 7], [9, 10]]
    """
    found: list[list[int]] = []
    for key in keys:
        if found and key == found[-1][1] + 1:
            found[-1][1] = key
        else:
            found.append([key, key])
    return found


def parsed(text: object) -> object:
    """The value of stored JSON; None where it is none any more."""
    try:
        return orjson.loads(str(text))
    except ValueError:
        return None


class Rows:
    """What the rows of tools and jobs must be, gathered from the chain; `held` is its entry `HELD`, 0 without one."""

    def __init__(self) -> None:
        self.held = 0
        self.tools: dict[str, tuple[int, str, int | None]] = {}  # those told by a mark: sequence, mark, months
        self.jobs: dict[int, tuple[int, str]] = {}  # sequence, mark

    def take(self, act: str, sequence: int, told: Mapping[str, Any]) -> None:
        """Hear an entry of one of these acts; of others nothing is taken."""
        if act == HELD:
            self.held = sequence
        elif act == TOLD and told["table"] == "jobs":
            keys = (key for first, last in told["keys"] for key in range(first, last + 1))
            for key, mark in zip(keys, marks_in(told["marks"]), strict=True):
                self.jobs[key] = (sequence, mark)
        elif act == TOLD:
            for number, months, mark in zip(told["numbers"], told["months"], marks_in(told["marks"]), strict=True):
                self.tools[number] = (sequence, mark, months)
        elif act == JOB_LOGGED:
            self.jobs[told["key"]] = (sequence, mark_of([told[name] for name in JOB_COLUMNS]))
        elif act == JOB_TAKEN_OUT:
            self.jobs.pop(told.get("key", 0), None)  # an early entry names no key, and no early job was told

    # --- held against the tables

    def compare_jobs(self, raw: sqlite3.Connection, find: Find) -> None:
        """Name every use that is not what was entered, is gone, or was never entered; the first one first."""
        if not self.held:
            return
        left, found = dict(self.jobs), []
        for key, *values, at_s in raw.execute(f"SELECT key, {', '.join(JOB_COLUMNS)}, at_s FROM jobs ORDER BY key"):
            sequence, mark = left.pop(key, (0, ""))
            if not mark:
                found.append((key, "missing", 0, f"the use {_use(values)} stands in the log but not in the chain"))
            elif _mark_or_none(values) != mark:
                was = self._sealed_job(raw, sequence)
                other = "is not what was entered" if was is None else _others(values, was)
                found.append((key, "column", sequence, f"the use {_use(values)} {other}"))
            elif at_s != seconds(values[3]):
                found.append((key, "column", sequence, f"the use {_use(values)} counts at another moment, {at_s!r}"))
        for key, (sequence, _) in left.items():
            was = self._sealed_job(raw, sequence)
            said = f"the use {_use(was)} is gone" if was is not None else "a use that came from a list is gone"
            found.append((key, "missing", sequence, said))
        for key, what, sequence, detail in sorted(found):
            find(what, sequence, f"job:{key}", detail)

    @staticmethod
    def _sealed_job(raw: sqlite3.Connection, sequence: int) -> list[Any] | None:
        """What an entry says of a use; None for a list, which has only marks, and for bytes that do not hold."""
        body = raw.execute("SELECT body FROM entries WHERE sequence = ?", (sequence,)).fetchone()[0]
        try:
            content = parse_written(body)["content"]
            return [content["details"][name] for name in JOB_COLUMNS] if content["act"] == JOB_LOGGED else None
        except (CanonicalError, KeyError, TypeError):
            return None

    def compare_tool(self, number: str, row: Mapping[str, object], find: Find) -> None:
        """Hold one tool against its mark; `row` are its `TOOL_COLUMNS`."""
        if number not in self.tools:
            return
        sequence, mark, months = self.tools[number]
        try:
            holds = tool_mark(row) == mark
        except CanonicalError:
            holds = False
        if not holds:
            find("column", sequence, number, f"the tool {number} is not as it was told in a list")
        if row["interval_months"] != months:
            find("column", sequence, number, f"interval_months shows {row['interval_months']!r}, told was {months!r}")


def search_of(number: object, row: Mapping[str, object], data: object) -> str | None:
    """What "search as you type" must look in for a tool, by its other columns; None where they are no texts."""
    if not isinstance(data, dict):
        return None
    of_tool = [data.get(name, "") for name in ("maker", "model", "serial")]
    words = [number, row["code"], *of_tool, row["place"], row["keeper"], data.get("drive", "")]
    return "\n".join(words).casefold() if all(isinstance(word, str) for word in words) else None


def is_written_so(text: object, value: object) -> bool:
    """True when stored JSON is written as this program writes `value`, letter for letter."""
    if text == _COMPACT.encode(value):
        return True
    return text == json.dumps(value, ensure_ascii=False)  # a reference that came by an import of an early program


def _mark_or_none(values: Sequence[object]) -> str | None:
    try:
        return mark_of(values)
    except CanonicalError:
        return None


def _use(values: Sequence[object]) -> str:
    tool, job, person, at, *_ = values
    return f"of {tool} on {job!r} by {person!r} at {at}"


def _others(values: Sequence[object], was: Sequence[object]) -> str:
    each = zip(JOB_COLUMNS, values, was, strict=True)
    return "; ".join(f"{name} shows {is_!r}, sealed {sealed!r}" for name, is_, sealed in each if is_ != sealed)
