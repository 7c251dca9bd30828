"""The chain of sealed entries: how one is made, and how all are checked.

An entry's body is the canonical JSON (RFC 8785) of

    {"content": …, "format": "kilter-entry/1", "kind": …, "previous": DIGEST, "program": {…},
     "sealed": TIME, "sequence": N, "subject": …, "who": …}

and its digest is SHA-256 of exactly these bytes, kept beside them. `previous` is the digest of the entry before (64
zeros for the first), so an entry fixes everything before it. A run's content holds the whole run, the columns that
screens show, and the SHA-256 of every trace as stored.

A chain alone does not stop someone who can write the file: they can cut its end off or compute it anew. Only a head
(``sequence:digest``) kept elsewhere shows that; `check(..., against=head)` compares.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import lru_cache
from operator import itemgetter
from typing import Any, Final

from benchapp import __version__
from benchapp.records import schema
from benchapp.records._followed import Followed
from benchapp.records._standing import standing_of
from benchapp.records.backup import one_line
from benchapp.records.canonical import CanonicalError, canonical, parse, parse_written
from benchapp.records.model import CheckResult, EntryKind, Finding, Seal

FORMAT: Final = "kilter-entry/1"
NOTHING_BEFORE: Final = "0" * 64
_OUR_COLUMNS: Final = frozenset(column.name for table in (schema.runs, schema.pulls) for column in table.columns)
_COLUMNS_BEGIN: Final = b'{"content":{"columns":'
CLOCK_SLACK_S: Final = 2.0
"""A clock may be set back by so much without a word (time servers do; our own choice)."""


def body_of(
    *,
    kind: EntryKind,
    subject: str,
    who: str,
    content: Mapping[str, Any],
    sequence: int,
    previous: str,
    sealed: str,
) -> bytes:
    """Return the canonical bytes of one entry; raises `CanonicalError`."""
    return canonical(
        {
            "format": FORMAT,
            "kind": kind.value,
            "subject": subject,
            "who": who,
            "content": content,
            "sequence": sequence,
            "previous": previous,
            "sealed": sealed,
            "program": {"kilter": __version__, "schema": schema.VERSION},
        }
    )


def digest_of(body: bytes) -> str:
    """SHA-256 (FIPS 180-4) as 64 hex digits."""
    return hashlib.sha256(body).hexdigest()


def append(
    raw: sqlite3.Connection,
    *,
    kind: EntryKind,
    subject: str,
    who: str,
    content: Mapping[str, Any],
    now: dt.datetime,
) -> Seal:
    """Add an entry inside the caller's transaction, which must have begun with IMMEDIATE."""
    row = raw.execute("SELECT sequence, digest FROM entries ORDER BY sequence DESC LIMIT 1").fetchone()
    sequence, previous = (row[0] + 1, row[1]) if row else (1, NOTHING_BEFORE)
    sealed = now.isoformat(timespec="milliseconds")
    body = body_of(
        kind=kind, subject=subject, who=who, content=content, sequence=sequence, previous=previous, sealed=sealed
    )
    digest = digest_of(body)
    insert(raw, kind, subject, who, Seal(sequence, digest, sealed, previous), body)
    return Seal(sequence, digest, sealed, previous)


def insert(raw: sqlite3.Connection, kind: str, subject: str, who: str, seal: Seal, body: bytes) -> None:
    """Write an entry that was made already."""
    raw.execute(
        "INSERT INTO entries (sequence, kind, subject, sealed, who, digest, previous, body) VALUES (?,?,?,?,?,?,?,?)",
        (seal.sequence, str(kind), subject, seal.sealed, who, seal.digest, seal.previous, body),
    )


class _Walk:
    """One walk over the whole store in one read transaction."""

    def __init__(self, raw: sqlite3.Connection, progress: Callable[[int], None] | None) -> None:
        self.raw = raw
        self.progress = progress
        self.findings: list[Finding] = []
        self.explained: list[Finding] = []
        self.n_entries = self.n_traces = self.n_bytes = 0
        self.digests: dict[int, str] = {}
        self.voided: dict[str, str] = {}
        self.released: dict[str, str] = {}
        self.states: dict[str, str] = {}
        self.sealed_runs: dict[str, int] = {}
        self.keys: dict[int, tuple[int, str]] = {}  # of table runs: sequence, run id
        self.calibrations: dict[int, dict[str, Any]] = {}
        self.followed = Followed()

    def find(self, what: str, sequence: int, subject: str, detail: str) -> None:
        self.findings.append(Finding(what, sequence, subject, detail))

    # --- entries

    def walk(self) -> None:
        previous, expected, clock, clock_text = NOTHING_BEFORE, 1, float("-inf"), ""
        late: dict[int, Finding] = {}
        rows = self.raw.execute(
            "SELECT sequence, kind, subject, sealed, who, digest, previous, body FROM entries ORDER BY sequence"
        )
        for sequence, kind, subject, sealed, who, digest, said_previous, body in rows:
            self.n_entries += 1
            self.digests[sequence] = digest
            if sequence != expected:
                self.find("order", sequence, subject, f"entry {sequence} stands where {expected} belongs")
            expected = sequence + 1
            if not isinstance(body, bytes):
                self.find("form", sequence, subject, "its bytes are no bytes any more")
                previous = digest
                continue
            self.n_bytes += len(body)
            found = digest_of(body)
            if found != digest:
                self.find("hash", sequence, subject, f"its bytes hash to {found}, its seal says {digest}")
            if said_previous != previous:
                self.find("link", sequence, subject, f"it follows {said_previous}, the entry before is {previous}")
            previous = digest
            try:
                data = self.told(kind, body) if found == digest else parse(body)
                columns = (data["sequence"], data["kind"], data["subject"], data["sealed"], data["who"])
                sealed_previous, content = data["previous"], data["content"]
                moment = dt.datetime.fromisoformat(sealed).timestamp()
            except (CanonicalError, KeyError, TypeError, ValueError, AttributeError) as error:
                self.find("form", sequence, subject, f"its bytes cannot be read: {error}")
                continue
            shown = (sequence, kind, subject, sealed, who)
            if columns != shown:
                self.find("column", sequence, subject, f"the table says {shown}, the sealed bytes {columns}")
            if sealed_previous != said_previous:
                self.find(
                    "column",
                    sequence,
                    subject,
                    f"the table says it follows {said_previous}, the bytes {sealed_previous}",
                )
            if moment < clock - CLOCK_SLACK_S:
                late[sequence] = Finding(
                    "clock",
                    sequence,
                    subject,
                    f"sealed {sealed}, but the entry before it {clock_text}: the clock went back",
                )
                self.findings.append(late[sequence])
            clock, clock_text = moment, sealed
            try:
                self.one(EntryKind(kind), sequence, subject, digest, content, late)
                self.followed.take(EntryKind(kind), sequence, subject, who, sealed, content)
            except (KeyError, TypeError, ValueError, AttributeError) as error:
                self.find("form", sequence, subject, f"its content cannot be read: {error!r}")
            if self.progress is not None and not self.n_entries % 256:
                self.progress(self.n_entries)

    def told(self, kind: str, body: bytes) -> Any:
        """What an entry says whose bytes are those that were sealed; of a run only what is compared with tables."""
        if kind == EntryKind.RUN.value and not self.followed.reads_runs:
            data = _compared_part(body)
            if data is not None:
                return data
        return parse_written(body)

    def one(
        self,
        kind: EntryKind,
        sequence: int,
        subject: str,
        digest: str,
        content: dict[str, Any],
        late: dict[int, Finding],
    ) -> None:
        if kind is EntryKind.RUN:
            if subject in self.sealed_runs:
                self.find(
                    "order", sequence, subject, f"the run was sealed before, as entry {self.sealed_runs[subject]}"
                )
            self.sealed_runs[subject] = sequence
            self.run(sequence, subject, digest, content)
        elif kind is EntryKind.VOID:
            self.voided[subject] = content["reason"]
        elif kind is EntryKind.RELEASE:
            self.released[subject] = content["by"]
        elif kind is EntryKind.STATE:
            self.states[subject] = content["new"]
        elif kind is EntryKind.CALIBRATION:
            self.calibrations[sequence] = content
        elif kind is EntryKind.CLOCK:
            finding = late.get(content["about"])
            if finding is not None and finding in self.findings:
                self.findings.remove(finding)
                self.explained.append(finding)

    # --- one run

    def run(self, sequence: int, run_id: str, digest: str, content: dict[str, Any]) -> None:
        wanted = content["columns"]["run"]
        names = tuple(wanted)
        row = self.raw.execute(_run_query(names), (run_id,)).fetchone()
        if row is None:
            self.find("missing", sequence, run_id, "the run is sealed but no longer in the table of runs")
            return
        key, seal, shown_sequence, *values = row
        if seal != digest or shown_sequence != sequence:
            self.find(
                "column",
                sequence,
                run_id,
                f"the run's seal shows {shown_sequence}:{seal}, the chain says {sequence}:{digest}",
            )
        for name, value, sealed in zip(names, values, wanted.values(), strict=True):
            if value != sealed:
                self.find("column", sequence, run_id, f"{name} shows {value!r}, the sealed bytes say {sealed!r}")
        self.pulls(sequence, run_id, key, content["columns"]["pulls"])
        self.traces(sequence, run_id, key, content["traces"])
        self.keys[key] = (sequence, run_id)

    def pulls(self, sequence: int, run_id: str, key: int, wanted: list[dict[str, Any]]) -> None:
        names = tuple(wanted[0]) if wanted else ("number",)
        values_of = itemgetter("number", *names)
        right = [values_of(pull) for pull in wanted]
        rows = self.raw.execute(_pulls_query(names), (key,)).fetchall()
        if rows == right:
            return
        if len(rows) != len(right):
            self.find("missing", sequence, run_id, f"{len(rows)} pulls are in the table, {len(right)} were sealed")
        for (_, *shown), (number, *sealed) in zip(rows, right, strict=False):
            for name, value, was in zip(names, shown, sealed, strict=True):
                if value != was:
                    self.find("column", sequence, run_id, f"pull {number}: {name} shows {value!r}, sealed {was!r}")

    def traces(self, sequence: int, run_id: str, key: int, wanted: dict[str, Any]) -> None:
        left = dict(wanted)
        for number, n_samples, said, blob in self.raw.execute(
            "SELECT number, n_samples, sha256, blob FROM traces WHERE run_key = ? ORDER BY number", (key,)
        ):
            sealed = left.pop(str(number), None)
            if sealed is None:
                self.find("trace", sequence, run_id, f"trace {number} was not there when the run was sealed")
                continue
            self.n_traces += 1
            if not isinstance(blob, bytes):
                self.find("trace", sequence, run_id, f"the bytes of trace {number} are no bytes any more")
                continue
            self.n_bytes += len(blob)
            found, right = digest_of(blob), sealed["sha256"]
            if found != right:
                self.find("trace", sequence, run_id, f"trace {number} hashes to {found}, sealed was {right}")
            if said != right or n_samples != sealed["samples"]:
                self.find(
                    "column",
                    sequence,
                    run_id,
                    f"trace {number} shows {n_samples} samples, {said}; sealed {sealed['samples']}, {right}",
                )
        for missing in left:
            self.find("trace", sequence, run_id, f"trace {missing} is missing")

    # --- what must not be there without an entry

    def rest(self) -> None:
        for (key,) in self.raw.execute(
            "SELECT run_key FROM run_states UNION SELECT run_key FROM run_plans "
            f"UNION SELECT key >> {schema.CAPTURED_BITS} FROM captured"
        ):
            if key in self.keys:
                self.find("column", *self.keys[key], "beside the sealed bytes there is an unsealed state, plan or pull")
        for run_id, sequence, seal, released_by, voided in self.raw.execute(
            "SELECT run_id, sequence, seal, released_by, voided FROM runs"
        ):
            at = self.sealed_runs.get(run_id)
            if at is None:
                if seal or sequence is not None:
                    self.find(
                        "missing", sequence or 0, run_id, f"the run shows seal {sequence}:{seal}, the chain has none"
                    )
                elif released_by or voided:
                    self.find("column", 0, run_id, "the run is shown as released or void but was never sealed")
                continue
            if voided != self.voided.get(run_id, ""):
                self.find(
                    "column", at, run_id, f"voided shows {voided!r}, the chain says {self.voided.get(run_id, '')!r}"
                )
            if released_by != self.released.get(run_id, ""):
                self.find(
                    "column",
                    at,
                    run_id,
                    f"released_by shows {released_by!r}, the chain says {self.released.get(run_id, '')!r}",
                )
        known = {}
        for sequence, reference, certificate, calibrated, due, data in self.raw.execute(
            "SELECT sequence, reference, certificate, calibrated, due, data FROM calibrations"
        ):
            known[sequence] = (reference, certificate, calibrated, due, data)
        for sequence, content in self.calibrations.items():
            sealed = content["calibration"]
            shown = known.pop(sequence, None)
            wanted = (
                content["reference"],
                sealed["certificate"],
                sealed["calibrated"],
                sealed["due"],
                canonical(sealed).decode(),
            )
            if shown is None:
                self.find("missing", sequence, content["reference"], f"calibration {sealed['certificate']} is gone")
            elif shown != wanted:
                names = ("reference", "certificate", "calibrated", "due", "data")
                other = [
                    f"{name} shows {is_!r}, sealed {was!r}" if name != "data" else "its points are not as sealed"
                    for name, is_, was in zip(names, shown, wanted, strict=True)
                    if is_ != was
                ]
                self.find("column", sequence, content["reference"], f"calibration {wanted[1]}: {'; '.join(other)}")
        for sequence, shown in known.items():
            self.find("missing", sequence, shown[0], f"calibration {shown[1]} is in the table but not in the chain")
        for number, state in self.raw.execute("SELECT number, state FROM tools"):
            wanted_state = self.states.get(number, "in-service")
            if state != wanted_state:
                self.find("column", 0, number, f"state shows {state!r}, the chain says {wanted_state!r}")
        self.followed.compare(self.raw, self.find)
        self.tools()  # after what they follow from, so that the use or the run that is another one is named first

    def tools(self) -> None:
        """What a tool shows must follow from its runs, which were compared before, and from the log of jobs."""
        for number, first_use, months, *shown in self.raw.execute(
            "SELECT number, first_use, interval_months, last_verified, last_outcome, cycles, due FROM tools"
        ):
            try:
                follows = standing_of(self.raw, number, first_use, months)
            except (ValueError, TypeError, OverflowError) as error:
                self.find("form", 0, number, f"a date of this tool or of its runs cannot be read: {error}")
                continue
            wanted = [follows.last_verified, follows.last_outcome, follows.cycles, follows.due]
            for name, value, right in zip(
                ("last_verified", "last_outcome", "cycles", "due"), shown, wanted, strict=True
            ):
                if value != right:
                    self.find("column", 0, number, f"{name} shows {value!r}, by its runs and jobs it is {right!r}")

    def against(self, head: str) -> None:
        sequence_text, _, digest = head.strip().rpartition(":")
        digest = digest.lower()
        if (
            len(digest) != 64
            or set(digest) - set("0123456789abcdef")
            or (sequence_text and not sequence_text.isdigit())
        ):
            raise ValueError(f"{head!r} is no head; one looks like 12:{'0' * 8}… with 64 hex digits")
        if not sequence_text:
            if digest not in self.digests.values():
                self.find(
                    "head", 0, "", f"no entry has the digest {digest}: the chain was cut or built anew, or is another"
                )
            return
        sequence = int(sequence_text)
        found = self.digests.get(sequence)
        if found is None:
            self.find(
                "head",
                sequence,
                "",
                f"the head kept elsewhere is entry {sequence}, the chain ends at "
                f"{max(self.digests, default=0)}: cut, or these are other records",
            )
        elif found != digest:
            self.find(
                "head",
                sequence,
                "",
                f"entry {sequence} is {found}, kept elsewhere was {digest}: built anew, or other records",
            )


def check(raw: sqlite3.Connection, *, against: str = "", progress: Callable[[int], None] | None = None) -> CheckResult:
    """Walk the chain, the traces, and every column that is shown of something sealed.

    Args:
        raw: A connection that reads; the caller has begun a transaction, so that all is seen at one moment.
        against: Head kept elsewhere, ``sequence:digest`` or the digest alone; "" for none.
        progress: Called with the number of entries walked, every 256.

    Raises:
        ValueError: `against` is no head.
        sqlite3.DatabaseError: The file itself is damaged.
    """
    walk = _Walk(raw, progress)
    for (answer,) in itertools.islice(raw.execute("PRAGMA integrity_check(5)"), 5):
        if answer != "ok":
            walk.find("form", 0, "", f"the database file: {one_line(str(answer))}")
    walk.walk()
    walk.rest()
    if against:
        walk.against(against)
    newest = max(walk.digests, default=0)
    return CheckResult(
        n_entries=walk.n_entries,
        n_traces=walk.n_traces,
        n_bytes=walk.n_bytes,
        head=f"{newest}:{walk.digests[newest]}" if newest else "",
        findings=tuple(walk.findings),
        explained=tuple(walk.explained),
    )


def known_columns(names: Iterable[str]) -> Iterator[str]:
    """Names that may stand in a statement: only those of our columns."""
    for name in names:
        if name not in _OUR_COLUMNS:
            raise KeyError(f"{name} is no column of this program's tables")
        yield name


@lru_cache(maxsize=16)
def _run_query(names: tuple[str, ...]) -> str:
    return f"SELECT key, seal, sequence, {', '.join(known_columns(names))} FROM runs WHERE run_id = ?"


@lru_cache(maxsize=16)
def _pulls_query(names: tuple[str, ...]) -> str:
    return f"SELECT number, {', '.join(known_columns(names))} FROM pulls WHERE run_key = ? ORDER BY number"


def _compared_part(body: bytes) -> Any:
    """A run's entry without what no table shows (the run itself, most of the bytes); None: it has another form.

    Only for bytes that `canonical` wrote: what is looked for holds quotes, which inside a text have a backslash before
    them, and a cut at the wrong place leaves no JSON.
    """
    shown_run = body.find(b'],"run":{')
    columns_end = body.find(b'}},"', shown_run) + 2
    traces_begin = body.rfind(b',"traces":{')
    if not body.startswith(_COLUMNS_BEGIN) or not 2 < shown_run < columns_end <= traces_begin:
        return None
    try:
        columns = parse_written(body[len(_COLUMNS_BEGIN) : columns_end])
        data = parse_written(b'{"content":{' + body[traces_begin + 1 :])
        data["content"]["columns"] = columns
    except (CanonicalError, KeyError, TypeError):
        return None
    return data
