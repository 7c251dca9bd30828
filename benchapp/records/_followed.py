"""Rows that are shown and follow from the chain: work list, daily checks, people, procedures, tools, references.

`take` hears every entry in order and keeps what the tables must say by it; `compare` then holds them against that. An
entry made before its kind told everything (a work list of an early version names no items) holds only what it tells.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Mapping
from typing import Any, Final

from benchapp.records import check_standard
from benchapp.records._rows import COST_COLUMNS, HELD, TOOL_COLUMNS, Rows, is_written_so, parsed, search_of
from benchapp.records.canonical import CanonicalError, canonical
from benchapp.records.model import EntryKind
from benchapp.runs.codec import run_from_data

LISTED: Final = "impact listed"
CLOSED: Final = "impact item closed"
MADE_CUSTODIAN: Final = "made custodian"
NO_CUSTODIAN: Final = "custodian no longer"
PERSON_ADDED: Final = "person added"
PERSON_CHANGED: Final = "person changed"
PROCEDURE_KEPT: Final = "procedure kept"
REFERENCE_ENTERED: Final = "reference entered"
REFERENCE_CHANGED: Final = "reference changed"
TOOL_ENTERED: Final = "tool entered"
TOOL_CHANGED: Final = "tool changed"
INTERVAL_TAKEN: Final = "interval accepted"
TOOLS_IMPORTED: Final = "tools imported"
PROVED_OF_TOOL: Final = ("data", "code", "interval_months", "interval_cycles", "first_use")
"""Columns of a tool that the proof of an early import covers."""
PASSPHRASES: Final = ("passphrase set", "lost passphrase replaced")
LEFT_OUT: Final = (b"", b"")
"""Salt and digest where a passphrase did not come along with an import; the lock opens by the way back only."""

Find = Callable[[str, int, str, str], None]


def proof_of(salt: bytes, digest: bytes) -> str:
    """What an entry says of a passphrase's row: enough to see that the row is another one, nothing to guess from."""
    return hashlib.sha256(bytes(salt) + bytes(digest)).hexdigest()


def proof_of_tool(row: Mapping[str, object]) -> str:
    """What the entry of an early import says of one tool: SHA-256 of the canonical JSON of what its own entry told.

    Its interval is told in the open beside it, since a decision on that alone is an entry too.

    Args:
        row: The columns `PROVED_OF_TOOL` as they stand in the table; what is null is left out.
    """
    data = parsed(row["data"])
    if isinstance(data, dict):
        data = {name: value for name, value in data.items() if value is not None}
    told = {name: row[name] for name in PROVED_OF_TOOL if row[name] is not None and name != "interval_months"}
    told["data"] = data
    return hashlib.sha256(canonical(told)).hexdigest()


def procedure_subject(key: str) -> str:
    """What the entries of an own procedure are about."""
    return f"procedure:{key}"


class Followed:
    """What the tables must say, gathered from the chain."""

    def __init__(self) -> None:
        self.items: dict[tuple[str, str], tuple[int, str, str]] = {}  # (cause, subject): sequence, text, created
        self.untold: set[str] = set()  # causes whose items an early entry did not name
        self.closed: dict[tuple[str, str], tuple[int, str, str, str | None]] = {}  # sequence, who, reason, when
        self.custodians: dict[str, tuple[int, bool]] = {}
        self.people: dict[str, tuple[int, str, bool]] = {}  # those the chain tells of: sequence, code, active
        self.procedures: dict[tuple[str, int], tuple[Any, ...]] = {}  # (key, version): the row
        self.references: dict[str, tuple[int, Any]] = {}  # sequence, data
        self.tools: dict[str, tuple[int, dict[str, Any]]] = {}  # sequence, columns or their proof
        self.setups: dict[str, check_standard.Setup | None] = {}
        self.values: dict[str, tuple[int, tuple[Any, ...]]] = {}
        self.looked: dict[str, tuple[str, str]] = {}
        self.passphrase: tuple[int, dict[str, Any]] | None = None  # what its entry tells, an early one nothing
        self.rows = Rows()

    @property
    def reads_runs(self) -> bool:
        """True when a run must be told whole: it may be a daily check."""
        return bool(self.setups)

    def take(
        self, kind: EntryKind, sequence: int, subject: str, who: str, sealed: str, content: Mapping[str, Any]
    ) -> None:
        """Hear one entry."""
        if kind is EntryKind.RUN:
            self._run(sequence, subject, content)
        elif kind is EntryKind.ACT:
            self._act(sequence, subject, who, sealed, content)

    def _act(self, sequence: int, subject: str, who: str, sealed: str, content: Mapping[str, Any]) -> None:
        act, told = content["act"], content.get("details") or {}
        self.rows.take(act, sequence, told)
        if act == LISTED:
            if "list" not in told:
                self.untold.add(told["cause"])
            for item in told.get("list", ()):
                self.items[told["cause"], item["subject"]] = (sequence, item["text"], told["created"])
        elif act == CLOSED:
            self.closed[told["cause"], told["subject"]] = (sequence, who, told["reason"], told.get("closed"))
        elif act in (MADE_CUSTODIAN, NO_CUSTODIAN):
            self.custodians[subject] = (sequence, act == MADE_CUSTODIAN)
        elif act == HELD:
            self._hold(sequence, told)
        elif act in (PERSON_ADDED, PERSON_CHANGED):
            self.people[subject] = (sequence, told["code"], told["active"])
        elif act == PROCEDURE_KEPT:
            row = (told["data"], who, told["at"], told["why"], sequence)
            self.procedures[told["key"], told["version"]] = row
        elif act in (REFERENCE_ENTERED, REFERENCE_CHANGED):
            self.references[subject] = (sequence, told["reference"])
        elif act in (TOOL_ENTERED, TOOL_CHANGED):
            self.tools[subject] = (sequence, told)
            self.rows.tools.pop(subject, None)
        elif act == TOOLS_IMPORTED:
            for number, (proof, months) in told.get("proofs", {}).items():
                self.tools[number] = (sequence, {"proof": proof, "interval_months": months})
        elif act == INTERVAL_TAKEN:
            if subject in self.tools:
                self.tools[subject] = (sequence, {**self.tools[subject][1], "interval_months": told["months"]})
            if subject in self.rows.tools:
                self.rows.tools[subject] = (*self.rows.tools[subject][:2], told["months"])
        elif act in PASSPHRASES:
            self.passphrase = (sequence, told)
        elif subject.startswith(check_standard.subject_of("")):
            reference = subject.removeprefix(check_standard.subject_of(""))
            if act == check_standard.LOOKED:
                self.looked[told["run"]] = (who, told["why"])
            elif act in check_standard.AGREED:
                self.setups[reference] = check_standard.setup_from(reference, who, sealed, content)

    def _hold(self, sequence: int, told: Mapping[str, Any]) -> None:
        """What stood in the tables when the chain began to hold them; what it told before stays as it was told."""
        for name, code, active in told["people"]:
            self.people.setdefault(name, (sequence, code, bool(active)))
        for number, data in told["references"].items():
            self.references.setdefault(number, (sequence, data))
        before = self.passphrase[1] if self.passphrase is not None else {}
        there = told["passphrase"]
        self.passphrase = None if there is None else (sequence, {**there, **before})

    def _run(self, sequence: int, run_id: str, content: Mapping[str, Any]) -> None:
        if not self.reads_runs:
            return
        plan = content["run"]["plan"]
        setup = self.setups.get(plan["reference"]["number"])
        if setup is None or setup.standard != plan["tool"]["number"]:
            return
        row = check_standard.row_of(setup, run_from_data(content["run"]))
        if row is not None:
            self.values[run_id] = (sequence, row)

    # --- held against the tables

    def compare(self, raw: sqlite3.Connection, find: Find) -> None:
        """Name every row that is not what the chain says, is missing, or stands there without an entry."""
        self._compare_items(raw, find)
        self._compare_values(raw, find)
        self._compare_people(raw, find)
        self._compare_passphrase(raw, find)
        self._compare_procedures(raw, find)
        self._compare_references(raw, find)
        self._compare_tools(raw, find)
        self.rows.compare_jobs(raw, find)

    def _compare_references(self, raw: sqlite3.Connection, find: Find) -> None:
        shown = dict(raw.execute("SELECT number, data FROM refs").fetchall())
        for number, (sequence, told) in self.references.items():
            if number not in shown:
                find("missing", sequence, number, f"the reference {number} is gone")
            elif other := [name for name in _other_keys(parsed(shown[number]), told) if name != "calibrations"]:
                find("column", sequence, number, f"of the reference {', '.join(other)} shows another value than sealed")
        if not self.rows.held:
            return
        for number, data in shown.items():
            if number not in self.references:
                find("missing", 0, number, f"the reference {number} is in the table but not in the chain")
            elif not is_written_so(data, parsed(data)):
                find("column", self.references[number][0], number, f"the data of {number} are not as they were written")

    def _compare_tools(self, raw: sqlite3.Connection, find: Find) -> None:
        left = {number: told[0] for number, told in (self.rows.tools | self.tools).items()}
        for number, search, *values in raw.execute(f"SELECT number, search, {', '.join(TOOL_COLUMNS)} FROM tools"):
            row = dict(zip(TOOL_COLUMNS, values, strict=True))
            data, sequence = parsed(row["data"]), left.pop(number, None)
            if self.rows.held and sequence is None:
                find("missing", 0, number, f"the tool {number} is in the table but not in the chain")
            elif self.rows.held and search != search_of(number, row, data):
                find(
                    "column", sequence or 0, number, f"a search for {number} looks in {search!r}, which is not its own"
                )
            self.rows.compare_tool(number, row, find)
            if number in self.tools:
                self._compare_tool(number, row, data, find)
        for number, sequence in left.items():
            find("missing", sequence, number, f"the tool {number} is gone")

    def _compare_tool(self, number: str, row: dict[str, Any], data: object, find: Find) -> None:
        sequence, told = self.tools[number]
        if "proof" in told and _proof_or_none(row) != told["proof"]:
            find("column", sequence, number, f"the tool {number} is not as it was when it was imported")
        if "data" in told and self.rows.held and not is_written_so(row["data"], data):
            find("column", sequence, number, f"the data of {number} are not as they were written")
        row.pop("data")
        other = _other_keys(data, told["data"]) if "data" in told else []
        other += [name for name, value in row.items() if name in told and value != told[name]]
        if other:
            find("column", sequence, number, f"of the tool {', '.join(other)} shows another value than sealed")

    def _compare_items(self, raw: sqlite3.Connection, find: Find) -> None:
        left = dict(self.items)
        closed_left = dict(self.closed)
        for cause, subject, text, created, closed, closed_by, reason in raw.execute(
            "SELECT cause, subject, text, created, closed, closed_by, reason FROM tasks"
        ):
            key, name = (cause, subject), f"work list {cause}, {subject}"
            wanted = left.pop(key, None)
            if wanted is not None:
                sequence, sealed_text, sealed_created = wanted
                if (text, created) != (sealed_text, sealed_created):
                    shown, sealed = f"{text!r} of {created!r}", f"{sealed_text!r} of {sealed_created!r}"
                    find("column", sequence, name, f"the item shows {shown}, sealed {sealed}")
            elif cause not in self.untold:
                find("missing", 0, name, "the item is on the work list but not in the chain")
            ended = closed_left.pop(key, None)
            if ended is None:
                if closed or closed_by or reason:
                    find("column", 0, name, f"the item is shown as closed by {closed_by!r}, the chain says open")
                continue
            sequence, who, why, when = ended
            if (closed_by, reason) != (who, why) or (when is not None and closed != when):
                find(
                    "column",
                    sequence,
                    name,
                    f"closed shows {closed!r}, {closed_by!r}, {reason!r}; sealed {when!r}, {who!r}, {why!r}",
                )
        for (cause, subject), (sequence, text, _) in left.items():
            find("missing", sequence, f"work list {cause}, {subject}", f"the item {text!r} is gone")
        for cause, subject in closed_left.keys() - left.keys():
            find("missing", closed_left[cause, subject][0], f"work list {cause}, {subject}", "the closed item is gone")

    def _compare_values(self, raw: sqlite3.Connection, find: Find) -> None:
        left = dict(self.values)
        for *row, run_id, by, why in raw.execute(
            "SELECT reference, standard, at, value_percent, who, run_id, looked_at_by, looked_at_why "
            "FROM check_standard"
        ):
            sequence, wanted = left.pop(run_id, (0, None))
            if wanted is None:
                find("missing", 0, run_id, "a daily check is shown that the chain does not have")
                continue
            if tuple(row) != wanted:
                find("column", sequence, run_id, f"the daily check shows {tuple(row)}, the sealed run gives {wanted}")
            if (by, why) != self.looked.get(run_id, ("", "")):
                find(
                    "column",
                    sequence,
                    run_id,
                    f"the daily check shows {by!r}, {why!r}; the chain says {self.looked.get(run_id, ('', ''))}",
                )
        for run_id, (sequence, wanted) in left.items():
            find("missing", sequence, run_id, f"the daily check {wanted} is gone")

    def _compare_people(self, raw: sqlite3.Connection, find: Find) -> None:
        left = dict(self.custodians)
        told = dict(self.people)
        for name, code, is_custodian, active in raw.execute("SELECT name, code, is_custodian, active FROM people"):
            if self.rows.held and name not in told:
                find("missing", 0, name, f"{name} is among the people but not in the chain")
            at, *entered = told.pop(name, (0, code, active))
            if [code, active] != entered:  # what is neither 0 nor 1 was not written by a program
                find("column", at, name, f"{name} shows {code!r}, {active}; sealed {entered[0]!r}, {entered[1]}")
            sequence, wanted = left.pop(name, (0, False))
            if is_custodian != wanted:
                shown = "custodian" if is_custodian else "no custodian"
                find("column", sequence, name, f"{name} is shown as {shown}, the chain says otherwise")
        for name, (sequence, was) in left.items():
            if was:
                find("missing", sequence, name, f"the custodian {name} is not among the people any more")
        for name, (sequence, *_) in told.items():
            if not left.get(name, (0, False))[1]:
                find("missing", sequence, name, f"{name} is not among the people any more")

    def _compare_procedures(self, raw: sqlite3.Connection, find: Find) -> None:
        left = dict(self.procedures)
        for key, version, *row in raw.execute("SELECT name, version, data, who, at, why, sequence FROM procedures"):
            wanted, name = left.pop((key, version), None), f"procedure {key}, version {version}"
            if wanted is None:
                find("missing", 0, name, "the procedure is shown but not in the chain")
            elif tuple(row) != wanted:
                names = ("figures", "who", "when", "why", "entry")
                other = [what for what, is_, was in zip(names, row, wanted, strict=True) if is_ != was]
                find("column", wanted[-1], name, f"{', '.join(other)} of it are not as sealed")
        for (key, version), (*_, sequence) in left.items():
            find("missing", sequence, f"procedure {key}, version {version}", "the procedure is gone")

    def _compare_passphrase(self, raw: sqlite3.Connection, find: Find) -> None:
        sequence, told = self.passphrase or (0, {})
        is_there = False
        for key, salt, digest, *cost in raw.execute(
            f"SELECT key, salt, digest, {', '.join(COST_COLUMNS)} FROM custodian"
        ):
            if self.passphrase is None or key != 1:
                find("missing", 0, "custodian", "there is a passphrase, but the chain knows of none")
                continue
            is_there = True
            if (salt, digest) == LEFT_OUT:
                continue
            if told.get("proof") not in (None, proof_of(_bytes(salt), _bytes(digest))):
                find("column", sequence, "custodian", "the passphrase is not the one that was set last")
            elif told.get("cost") not in (None, cost):
                find("column", sequence, "custodian", f"the passphrase's row shows {cost}, sealed {told['cost']}")
        if self.rows.held and self.passphrase is not None and not is_there:
            find(
                "missing", sequence, "custodian", "the passphrase is gone: whoever opens the records could set another"
            )


def _proof_or_none(row: Mapping[str, object]) -> str | None:
    try:
        return proof_of_tool(row)
    except CanonicalError:
        return None


def _other_keys(shown: object, told: Any) -> list[str]:
    """Names under which two tables differ."""
    if not isinstance(shown, dict) or not isinstance(told, dict):
        return [] if shown == told else ["all of it"]
    return sorted(key for key in shown.keys() | told.keys() if shown.get(key) != told.get(key))


def _bytes(value: object) -> bytes:
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "replace")
