"""The due list as an iCalendar file (RFC 5545), for any calendar."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Final

from benchapp.records.due_needs import DueNeeds
from benchapp.records.model import DueItem

_LONGEST: Final = 75  # octets in a line without its end (RFC 5545 3.1)


def due_calendar(items: Iterable[DueItem], *, now: dt.datetime, needs: Mapping[str, DueNeeds] | None = None) -> str:
    """Return the file's text: one all-day event a tool, on its due date; one that has none is due today.

    Args:
        items: Of `Store.due_list`.
        now: Aware wall time, which becomes DTSTAMP.
        needs: What a full run of each tool asks for, by its number.

    Source:
        RFC 5545: 3.1 (lines, folding), 3.3.11 (text escapes), 3.6.1 (VEVENT), 3.8.2.4 (DTSTART as DATE).
    """
    stamp = now.astimezone(dt.UTC).strftime("%Y%m%dT%H%M%SZ")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Kilter//Due list 1//EN", "METHOD:PUBLISH"]
    for item in items:
        day = item.due or now.date()
        where = f", {item.place}" if item.place else ""
        lines += [
            "BEGIN:VEVENT",
            f"UID:{_text(item.number)}-due@kilter.invalid",
            f"DTSTAMP:{stamp}",
            f"DTSTART;VALUE=DATE:{day:%Y%m%d}",
            f"DTEND;VALUE=DATE:{day + dt.timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_text(f'Verify {item.number}{where}')}",
            f"DESCRIPTION:{_text(_needed(item, (needs or {}).get(item.number)))}",
            f"LOCATION:{_text(item.place)}",
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(f"{_fold(line)}\r\n" for line in lines)


def _needed(item: DueItem, needs: DueNeeds | None) -> str:
    """Return what to bring, in words."""
    low, high = item.needs_nm
    said = f"Needs a reference for {low:g} to {high:g} N·m."
    if needs is not None and needs.checkpoints:
        points = ", ".join(f"{target:g}" for target in needs.checkpoints)
        which = f"Reference {' or '.join(needs.references)}." if needs.references else "None of our references will do."
        said = f"{needs.readings} readings at {points} {needs.unit}. {which}"
    keeper = f" Keeper: {item.keeper}." if item.keeper else ""
    return f"{said}{keeper} {item.cycles} cycles since it was verified."


def _text(text: str) -> str:
    for plain, escaped in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\r\n", "\\n"), ("\n", "\\n"), ("\r", "\\n")):
        text = text.replace(plain, escaped)
    return "".join(c for c in text if c >= " " or c == "\t")


def _fold(line: str) -> str:
    """Break a line after at most 75 octets, never inside a character."""
    parts, part, size = [], "", 0
    for character in line:
        width = len(character.encode())
        if size + width > _LONGEST:
            parts.append(part)
            part, size = " ", 1
        part += character
        size += width
    return "\r\n".join([*parts, part])
