"""Who used which tool on what: taken by scanning, or from a list (CSV, XLSX) that is looked at before it comes in.

Looking stores nothing. A row whose tool is unknown, whose time can be read in two ways or that stands in the log
already stays out with its reason.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from benchapp.records._held import hold_rows, tell_jobs
from benchapp.records._rows import JOB_TAKEN_OUT
from benchapp.records.dates import seconds
from benchapp.records.errors import NotAllowedError
from benchapp.records.model import JobEntry
from benchapp.records.store import Store
from benchapp.records.toollist import BadRow, Table, match_columns
from benchapp.torque.text import parse_number, parse_torque
from benchapp.torque.units import NM, to_nm

FIELDS: Final[Mapping[str, str]] = {
    "tool": "Tool",
    "job": "Job",
    "person": "Person",
    "at": "When (date and time)",
    "date": "Date, if it stands alone",
    "time": "Time of day",
    "cycles": "Cycles",
    "torque": "Torque",
    "unit": "Unit of torque",
}
"""What a column can hold, and what it is called."""

_NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    "tool": ("tool", "tool number", "tool no", "number", "asset"),
    "job": ("job", "order", "work order", "task", "used on", "order number"),
    "person": ("person", "who", "operator", "name", "fitter", "user"),
    "at": ("at", "when", "date and time", "timestamp", "datetime"),
    "date": ("date", "day"),
    "time": ("time", "hour", "time of day"),
    "cycles": ("cycles", "pulls", "bolts", "count"),
    "torque": ("torque", "setting", "value"),
    "unit": ("unit", "units", "torque unit"),
}
MOST_CYCLES: Final = 1_000_000
EARLIEST: Final = 1970
_DAY: Final = re.compile(r"(?:(\d{4})-(\d{1,2})-(\d{1,2})|(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4}))")
_TIME: Final = re.compile(r"(\d{1,2})[:.h](\d{2})(?::(\d{2}))?")
_OFFSET: Final = re.compile(r"(Z|[+-]\d{2}:?\d{2})$")
_NOON: Final = dt.time(12)


@dataclass(frozen=True, slots=True)
class Looked:
    """What a list of jobs holds.

    Attributes:
        good: What would come in.
        bad: Rows that stay out, with their line and reason.
        n_noon: Rows without a time of day; noon is taken for them.
    """

    good: tuple[JobEntry, ...]
    bad: tuple[BadRow, ...]
    n_noon: int = 0


def match(header: Sequence[str]) -> dict[str, int]:
    """Return which column most likely holds what: field key -> column index. A person can change it."""
    found = match_columns(header, _NAMES)
    if "at" in found:
        found.pop("date", None)
        found.pop("time", None)
    return found


def missing_columns(columns: Mapping[str, int]) -> list[str]:
    """What no row can do without and no column holds, as people call it; [] when nothing is missing."""
    missing = [FIELDS[key] for key in ("tool", "job", "person") if key not in columns]
    return missing if "at" in columns or "date" in columns else [*missing, FIELDS["at"]]


def jobs_of(
    table: Table,
    columns: Mapping[str, int],
    tools: Mapping[str, str],
    logged: Iterable[JobEntry],
    *,
    now: dt.datetime,
    default_unit: str = NM,
) -> Looked:
    """Return what can be imported and what cannot, without storing anything.

    Args:
        table: As read.
        columns: Field key -> column.
        tools: Number or code of each tool in the rack -> its number.
        logged: Jobs that are in the log.
        now: With offset; times without one are taken to be of this one's zone, and none may lie after it.
        default_unit: Of torques without unit.
    """
    missing = missing_columns(columns)
    known = {(job.tool, job.job, job.person, seconds(job.at)) for job in logged}
    first_at: dict[tuple[str, str, str, float], int] = {}
    good: list[JobEntry] = []
    bad: list[BadRow] = []
    n_noon = 0
    for index, row in enumerate(table.rows):
        line = table.line_of(index)
        told = {key: row[column] for key, column in columns.items() if 0 <= column < len(row)}
        why = f"No column holds {' and '.join(missing)}; say which one does." if missing else ""
        if not why:
            try:
                entry, is_noon = _entry(told, tools, now, default_unit)
            except ValueError as problem:
                why = str(problem)
            else:
                same = (entry.tool, entry.job, entry.person, seconds(entry.at))
                if same in known:
                    why = "This use stands in the log already."
                elif same in first_at:
                    why = f"The same use stands in line {first_at[same]} of this list already."
        if why:
            bad.append(BadRow(line, told.get("tool", ""), why))
            continue
        first_at[same] = line
        n_noon += is_noon
        good.append(entry)
    return Looked(tuple(good), tuple(bad), n_noon)


def _entry(
    told: Mapping[str, str], tools: Mapping[str, str], now: dt.datetime, default_unit: str
) -> tuple[JobEntry, bool]:
    if "\ufffd" in "".join(told.values()):
        raise ValueError("It holds characters that were lost when the list was saved. Save it as UTF-8.")
    for key in ("tool", "job", "person"):
        if not told.get(key, "").strip():
            raise ValueError(f"{FIELDS[key]} is missing.")
    number = tools.get(told["tool"])
    if number is None:
        raise ValueError(f"There is no tool {told['tool']} in the rack; add it first or correct the number.")
    at, is_noon = read_moment(told.get("at", "") or told.get("date", ""), told.get("time", ""), now)
    cycles = 0
    if told.get("cycles"):
        value = _number("cycles", told["cycles"])
        if not 0 <= value <= MOST_CYCLES or value != int(value):
            raise ValueError(f"{FIELDS['cycles']} is {told['cycles']}; accepted is a whole number up to {MOST_CYCLES}.")
        cycles = int(value)
    torque_nm = None
    if told.get("torque"):
        try:
            value, unit = parse_torque(told["torque"], told.get("unit", "") or default_unit)
            torque_nm = to_nm(value, unit)
        except (ValueError, KeyError) as problem:
            raise ValueError(f"{FIELDS['torque']}: {problem}") from problem
        if not torque_nm > 0:
            raise ValueError(f"{FIELDS['torque']} is {told['torque']}; accepted is a torque above 0.")
    moment = at.isoformat(timespec="seconds")
    return JobEntry(number, told["job"].strip(), told["person"].strip(), moment, cycles, torque_nm), is_noon


def _number(field: str, text: str) -> float:
    try:
        return parse_number(text)
    except ValueError as problem:
        raise ValueError(f"{FIELDS[field]}: {problem}") from problem


def read_moment(day: str, time: str, now: dt.datetime) -> tuple[dt.datetime, bool]:
    """Return (moment with offset, True when noon was taken because no time of day is given).

    Args:
        day: ``2026-03-04``, ``4.3.2026``, either followed by a time, or ISO 8601 with offset.
        time: ``9:12`` or ``09:12:31``; "" when it stands with the day or nowhere.
        now: With offset: the zone of what has none, and the latest that is taken.

    Raises:
        ValueError: With a sentence.
    """
    accepted = "accepted is year-month-day and a time, like 2026-03-04 09:12 (slashes mean two days)"
    text = day.strip()
    found = _DAY.match(text)
    if not found:
        raise ValueError(f"{FIELDS['at']} is {f'“{text}”' if text else 'missing'}; {accepted}.")
    rest = text[found.end() :].strip(" T,") or time.strip()
    offset = _OFFSET.search(rest)
    zone = now.tzinfo
    if offset:
        rest = rest[: offset.start()].strip()
    hours = _TIME.fullmatch(rest.split(".")[0] if rest.count(":") == 2 else rest) if rest else None
    if rest and not hours:
        raise ValueError(f"Time of day is “{rest}”; accepted is hours and minutes, like 09:12.")
    year, month, date = (int(part) for part in (found.group(1, 2, 3) if found[1] else found.group(6, 5, 4)))
    try:
        if offset:
            zone = dt.datetime.fromisoformat(f"2000-01-01T00:00:00{offset[0].replace('Z', '+00:00')}").tzinfo
        clock = dt.time(int(hours[1]), int(hours[2]), int(hours[3] or 0)) if hours else _NOON
        moment = dt.datetime.combine(dt.date(year, month, date), clock, zone)
    except ValueError:
        said = " ".join(part for part in (text, time.strip()) if part)
        raise ValueError(f"{FIELDS['at']} is “{said}”, which is no moment of the calendar.") from None
    if moment.year < EARLIEST:
        raise ValueError(f"{FIELDS['at']} is {moment:%Y-%m-%d}; accepted is {EARLIEST} and later.")
    if moment > now + dt.timedelta(days=1):
        raise ValueError(f"{FIELDS['at']} is {moment:%Y-%m-%d %H:%M}, which is still to come.")
    return moment, not rest


def import_jobs(store: Store, entries: Sequence[JobEntry], *, who: str, origin: str = "") -> int:
    """Add jobs in one transaction, all or none, count their cycles, and tell of each in the chain; returns how many.

    Raises:
        NotAllowedError: Nobody named.
    """
    if not who.strip():
        raise NotAllowedError(store.path, "An import needs who says so. Nothing was imported.")
    if not entries:
        return 0
    with store._db.writing_raw() as raw:
        hold_rows(store)
        (newest,) = raw.execute("SELECT coalesce(max(key), 0) FROM jobs").fetchone()
        raw.executemany(
            "INSERT INTO jobs (tool, job, person, at, at_s, cycles, torque_nm) VALUES (?,?,?,?,?,?,?)",
            [(e.tool, e.job, e.person, e.at, seconds(e.at), e.cycles, e.torque_nm) for e in entries],
        )
        for number in sorted({entry.tool for entry in entries}):
            store._refresh_tool(number)
        store.note_act_within(raw, "jobs imported", who=who, details={"jobs": len(entries), "origin": origin})
        tell_jobs(store, newest, who=who)
    return len(entries)


def remove_job(store: Store, key: int, why: str, *, who: str) -> JobEntry:
    """Take a use out of the log that was scanned by mistake; what it said becomes an entry of the chain.

    Raises:
        NotAllowedError: Nobody or no reason named, no such use, or one that somebody has on the work list.
    """
    if not who.strip() or not why.strip():
        raise NotAllowedError(store.path, "Taking a use out of the log needs who and why. Nothing was changed.")
    with store._db.writing_raw() as raw:
        row = raw.execute(
            "SELECT tool, job, person, at, cycles, torque_nm, key FROM jobs WHERE key = ?", (key,)
        ).fetchone()
        if row is None:
            raise NotAllowedError(store.path, f"There is no use {key} in the log.")
        if raw.execute("SELECT 1 FROM tasks WHERE subject = ?", (f"job:{key}",)).fetchone():
            raise NotAllowedError(store.path, "This use stands on the work list; it is closed there, not taken out.")
        hold_rows(store)
        raw.execute("DELETE FROM jobs WHERE key = ?", (key,))
        store._refresh_tool(row[0])
        told = {"tool": row[0], "job": row[1], "person": row[2], "at": row[3], "cycles": row[4], "torque_nm": row[5]}
        details = {**told, "key": key, "why": why}
        store.note_act_within(raw, JOB_TAKEN_OUT, who=who, subject=f"job:{key}", details=details)
    return JobEntry(*row)


def newest_jobs(store: Store, limit: int = 200, *, search: str = "") -> list[JobEntry]:
    """The last uses, newest first, of every tool; `search` is looked for in tool, job and person."""
    words = search.split()
    where = " AND ".join("(tool LIKE ? ESCAPE '!' OR job LIKE ? ESCAPE '!' OR person LIKE ? ESCAPE '!')" for _ in words)
    wanted = []
    for word in words:
        for mark in "!%_":
            word = word.replace(mark, f"!{mark}")
        wanted += [f"%{word}%"] * 3
    with store._db.reading_raw() as raw:
        rows = raw.execute(
            "SELECT tool, job, person, at, cycles, torque_nm, key FROM jobs "
            f"{'WHERE ' + where if where else ''} ORDER BY at_s DESC, key DESC LIMIT ?",
            (*wanted, limit),
        ).fetchall()
    return [JobEntry(*row) for row in rows]


# --- scanning


@dataclass(frozen=True, slots=True)
class Scanned:
    """What has been scanned so far; job and person stay for the tools that follow.

    Attributes:
        job: "" not yet.
        person: "" not yet.
        tool: Waits for what is missing; "" none waits.
    """

    job: str = ""
    person: str = ""
    tool: str = ""

    @property
    def wants(self) -> str:
        """What is to be scanned next: "person", "job" or "tool"."""
        return "tool" if self.person and self.job else "job" if self.person else "person"


class JobScanError(ValueError):
    """A scan that cannot be taken; the message is a sentence for people."""


def take_scan(so_far: Scanned, text: str, tools: Mapping[str, str], people: Mapping[str, str]) -> tuple[Scanned, str]:
    """Return (what is known now, number of the tool whose use is to be logged or "").

    A tool's number or code is a tool, a person's name or code is a person; in any order. Anything else is a job, unless
    it is wanted as a name because nobody is entered here, or has the shape of this shop's tool numbers or badges.

    Args:
        so_far: What was scanned before.
        text: The scan; small and capital letters are the same.
        tools: Number or code -> number.
        people: Name or code -> name.

    Raises:
        JobScanError: It would be taken for a job, and is none as far as can be told. Nothing changes.

    >>> scanned, done = take_scan(Scanned(), "p-11", {"OCF-1": "OCF-1"}, {"P-11": "fitter 1"})
    >>> scanned, done = take_scan(scanned, "chain wheel, bolts 1 to 12", {"OCF-1": "OCF-1"}, {})
    >>> take_scan(scanned, "OCF-1", {"OCF-1": "OCF-1"}, {})[1]
    'OCF-1'
    >>> take_scan(scanned, "OCF-2", {"OCF-1": "OCF-1"}, {})
    Traceback (most recent call last):
    ...
    benchapp.records.joblist.JobScanError: No tool in the Rack is OCF-2. Add it there, or scan the right one.
    """
    text = text.strip()
    tool, person = _found(text, tools), _found(text, people)
    if tool:
        now = replace(so_far, tool=tool)
    elif person:
        now = replace(so_far, person=person)
    elif _shape(text) in _shapes(tools):
        raise JobScanError(f"No tool in the Rack is {text}. Add it there, or scan the right one.")
    elif _shape(text) in _shapes(people):
        raise JobScanError(f"Nobody here is {text}, by name or badge. The custodian enters people under more, People.")
    elif not so_far.person and not people:
        now = replace(so_far, person=text)
    elif not so_far.person and so_far.job:
        raise JobScanError(
            f"Nobody here is {text}, by name or badge, and the job is {so_far.job}. Scan who works, or begin again."
        )
    else:
        now = replace(so_far, job=text)
    if now.tool and now.job and now.person:
        return replace(now, tool=""), now.tool
    return now, ""


def _found(text: str, known: Mapping[str, str]) -> str:
    if text in known:
        return known[text]
    folded = text.casefold()
    return next((name for key, name in known.items() if key.casefold() == folded), "")


def _shape(text: str) -> str:
    """Return what numbers of one kind have in common, as "ocf-000" of OCF-014."""
    return re.sub(r"\d", "0", text.casefold())


def _shapes(known: Iterable[str]) -> set[str]:
    """Return the shapes that tell a kind: of letters and digits."""
    return {shape for shape in map(_shape, known) if "0" in shape and any(map(str.isalpha, shape))}
