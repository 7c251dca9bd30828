"""What the store gives and takes, as data. Pure: no SQL here."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple

from benchapp.metrology.tool import Tool
from drivers.samples import Source

DEFAULT_INTERVAL_MONTHS: Final = 12
DEFAULT_INTERVAL_CYCLES: Final = 5000
"""Where nothing is set: 12 months or 5000 cycles, counted from first use (ISO 6789-1:2017, as commonly cited)."""
DUE_SOON_DAYS: Final = 28
"""From how many days before its due date a tool counts as due soon (our own choice)."""

MOST_PHOTO_BYTES: Final = 1_000_000
"""A tool's photo takes at most so much of the file (our own choice)."""


class ToolState(StrEnum):
    """Where a tool stands. `DUE_SOON` and `OVERDUE` follow from its dates and are never stored."""

    IN_SERVICE = "in-service"
    DUE_SOON = "due-soon"
    OVERDUE = "overdue"
    QUARANTINED = "quarantined"
    AT_LABORATORY = "at-laboratory"
    RETIRED = "retired"


class Outcome(StrEnum):
    """How a run ended."""

    OPEN = ""  # not finished
    WITHIN = "within"  # every counted reading within limits
    OUT = "out"
    LEFT = "left"  # left with a reason
    UNDECIDED = "undecided"  # the decision rule says neither, or a reading is missing


@dataclass(frozen=True, slots=True)
class ToolRecord:
    """A tool with everything the shop keeps about it.

    Attributes:
        tool: As metrology sees it.
        place: Where it hangs.
        keeper: Who answers for it.
        interval_months: Months between verifications; None: the default of 12.
        interval_cycles: Cycles between verifications; None: the default of 5000.
        state: Stored state; never `DUE_SOON` or `OVERDUE` (see `shown_state`).
        first_use: Date from which the first interval counts; None unknown.
        cycles: Cycles logged since the last verification.
        last_verified: Date of the last finished run that counts (live, within or out, not void); None never.
        last_outcome: Its outcome.
        due: Date by which the next verification is due; None: never verified and no first use known (due at once).
        photo: JPEG or PNG bytes; None without. Lists leave it out; `Store.tool` has it.
        code: What its barcode or QR says, where that is not the number.
        remark: Free text.
    """

    tool: Tool
    place: str = ""
    keeper: str = ""
    interval_months: int | None = None
    interval_cycles: int | None = None
    state: ToolState = ToolState.IN_SERVICE
    first_use: dt.date | None = None
    cycles: int = 0
    last_verified: dt.date | None = None
    last_outcome: Outcome = Outcome.OPEN
    due: dt.date | None = None
    photo: bytes | None = None
    code: str = ""
    remark: str = ""

    @property
    def number(self) -> str:
        """The shop's number."""
        return self.tool.number

    def shown_state(self, today: dt.date) -> ToolState:
        """State as people see it on `today`: an in-service tool may be due soon or overdue, by date or by cycles."""
        if self.state is not ToolState.IN_SERVICE:
            return self.state
        days_left = (self.due - today).days if self.due is not None else None
        return state_in_service(days_left, self.cycles, self.interval_cycles)


def state_in_service(days_left: int | None, cycles: int, interval_cycles: int | None) -> ToolState:
    """State that people see of a tool in service, by its date or by its cycles.

    Args:
        days_left: Days to its due date, below 0 once that has passed; None: it has none, so it is overdue.
        cycles: Since its last verification.
        interval_cycles: How many it may make; None: the usual number.
    """
    limit = interval_cycles if interval_cycles is not None else DEFAULT_INTERVAL_CYCLES
    if days_left is None or days_left < 0 or cycles >= limit:
        return ToolState.OVERDUE
    if days_left <= DUE_SOON_DAYS or cycles >= 0.9 * limit:
        return ToolState.DUE_SOON
    return ToolState.IN_SERVICE


@dataclass(frozen=True, slots=True)
class StateChange:
    """A tool went from one state to another."""

    tool: str
    old: ToolState
    new: ToolState
    who: str
    at: str
    why: str


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody at the bench; people are told apart by `name`.

    Attributes:
        name: What is shown, unique, e.g. "fitter 2".
        code: What their badge says when scanned; "" none.
        is_custodian: May do what is under the lock, once the passphrase is given.
        active: False: kept for the history, no longer offered.
    """

    name: str
    code: str = ""
    is_custodian: bool = False
    active: bool = True


class RunSummary(NamedTuple):
    """One line of the logbook; every field but the last three is a column compared with the sealed bytes.

    Attributes:
        key: Paging key; larger is newer.
        run_id: Unique text.
        tool: Number.
        reference: Number.
        operator: Who pulled.
        source: Live, simulated or replayed.
        procedure: Name.
        started: ISO 8601.
        finished: ISO 8601; "" while open.
        outcome: How it ended.
        n_readings: Readings that count.
        n_set_aside: Pulls that were set aside.
        worst_percent: Deviation farthest from zero of the counted readings; None without any.
        seal: Hex digest; "" while open.
        released_by: Who reviewed and released it; "" nobody yet.
        voided: Reason why it is void; "" if it is not.
    """

    key: int
    run_id: str
    tool: str
    reference: str
    operator: str
    source: Source
    procedure: str
    started: str
    finished: str
    outcome: Outcome
    n_readings: int
    n_set_aside: int
    worst_percent: float | None
    seal: str = ""
    released_by: str = ""
    voided: str = ""


class ReadingRow(NamedTuple):
    """One pull as the history of a tool shows it; a tuple, since there are hundreds of them on a page.

    Attributes:
        run_id: Of which run.
        number: In that run, from 1.
        kind: "reading" or "preload".
        started: When the run was started, ISO 8601.
        direction: "clockwise" or "anticlockwise".
        target_nm: Of the checkpoint; None for a preload.
        reading_nm: X_r; None without.
        deviation_percent: By the procedure's formula.
        band: "LOW", "IN", "HIGH" or "".
        set_aside: Reason; "" if it counts.
        flags: What was noticed.
    """

    run_id: str
    number: int
    kind: str
    started: str
    direction: str
    target_nm: float | None
    reading_nm: float | None
    deviation_percent: float | None
    band: str
    set_aside: str
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Seal:
    """The seal on one entry of the chain.

    Attributes:
        sequence: Place in the chain, from 1.
        digest: SHA-256 of the entry's canonical bytes, 64 hex digits.
        sealed: ISO 8601 wall time.
        previous: Digest of the entry before; 64 zeros for the first.
    """

    sequence: int
    digest: str
    sealed: str
    previous: str

    @property
    def head(self) -> str:
        """What is written down elsewhere: ``sequence:digest``."""
        return f"{self.sequence}:{self.digest}"


class EntryKind(StrEnum):
    """What an entry of the chain tells."""

    RUN = "run"
    RELEASE = "release"
    REMARK = "remark"
    VOID = "void"
    REREAD = "reread"
    CALIBRATION = "calibration"
    STATE = "tool-state"
    ACT = "act"  # done under the custodian's lock, or a lost passphrase replaced
    CLOCK = "clock"  # why the clock went backwards


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the chain.

    Attributes:
        seal: Its seal.
        kind: What it tells.
        subject: Run id, tool or reference number it is about.
        who: Who did it.
        body: Canonical JSON (RFC 8785), the bytes that were hashed.
    """

    seal: Seal
    kind: EntryKind
    subject: str
    who: str
    body: bytes


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that does not hold.

    Attributes:
        what: "hash", "link", "order", "clock", "column", "trace", "missing", "head", "form".
        sequence: Entry of the chain; 0 when it is about none.
        subject: Run id or number.
        detail: One sentence with both values.
    """

    what: str
    sequence: int
    subject: str
    detail: str


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check of the chain came to.

    Attributes:
        n_entries: Entries walked.
        n_traces: Traces hashed.
        n_bytes: Bytes hashed.
        head: Newest ``sequence:digest``; "" for an empty chain.
        findings: In the order of the chain; empty if everything holds.
        explained: Clock steps backwards that the custodian explained in the chain.
    """

    n_entries: int
    n_traces: int
    n_bytes: int
    head: str
    findings: tuple[Finding, ...]
    explained: tuple[Finding, ...] = ()

    @property
    def holds(self) -> bool:
        """True when nothing was found."""
        return not self.findings


@dataclass(frozen=True, slots=True)
class JobEntry:
    """One use of a tool on a job.

    Attributes:
        tool: Number.
        job: What it was used on, e.g. "ferry 2, chain wheel, bolts 1 to 12".
        person: Who.
        at: ISO 8601.
        cycles: How many times it was pulled; 0 unknown.
        torque_nm: Torque it was used at; None unknown.
        key: Row key; 0 before it is stored.
    """

    tool: str
    job: str
    person: str
    at: str
    cycles: int = 0
    torque_nm: float | None = None
    key: int = 0


@dataclass(frozen=True, slots=True)
class DueItem:
    """One line of the due list."""

    number: str
    place: str
    keeper: str
    state: ToolState
    due: dt.date | None
    days_left: int | None
    cycles: int
    needs_nm: tuple[float, float]
    """Lowest and highest torque the reference must cover, N·m."""


@dataclass(frozen=True, slots=True)
class RereadDifference:
    """A reading that comes out differently when its trace is read again.

    Attributes:
        run_id: Which run.
        number: Which pull.
        stored_nm: As recorded; None for no reading.
        reread_nm: As read now.
        stored_flags: As recorded.
        reread_flags: As read now.
        detector: With what it is read now.
    """

    run_id: str
    number: int
    stored_nm: float | None
    reread_nm: float | None
    stored_flags: tuple[str, ...]
    reread_flags: tuple[str, ...]
    detector: str
