"""The due list as an iCalendar file (RFC 5545), for any calendar."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Final

from benchapp.records.due_needs import DueNeeds
from benchapp.records.due_references import DueReference
from benchapp.records.model import DueItem

_LONGEST: Final = 75  # octets in a line without its end (RFC 5545 3.1)


def due_calendar(
    items: Iterable[DueItem],
    *,
    now: dt.datetime,
    needs: Mapping[str, DueNeeds] | None = None,
    references: Iterable[DueReference] = (),
) -> str:
    """Return the file's text: one all-day event a tool and reference, on its due date; without one it is due today.

    Args:
        items: Of `Store.due_list`.
        now: Aware wall time, which becomes DTSTAMP.
        needs: What a full run of each tool asks for, by its number.
        references: Those to be calibrated.

    Source:
        RFC 5545: 3.1 (lines, folding), 3.3.11 (text escapes), 3.6.1 (VEVENT), 3.8.2.4 (DTSTART as DATE).
    """
    stamp = now.astimezone(dt.UTC).strftime("%Y%m%dT%H%M%SZ")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Kilter//Due list 1//EN", "METHOD:PUBLISH"]
    for reference in references:
        uid = f"{_text(reference.number)}-due@reference.kilter.invalid"
        summary = f"Calibrate reference {reference.number}"
        lines += _event(uid, stamp, reference.due or now.date(), summary, _ends(reference), "")
    for item in items:
        uid = f"{_text(item.number)}-due@kilter.invalid"
        summary = f"Verify {item.number}{f', {item.place}' if item.place else ''}"
        needed = _needed(item, (needs or {}).get(item.number))
        lines += _event(uid, stamp, item.due or now.date(), summary, needed, item.place)
    lines.append("END:VCALENDAR")
    return "".join(f"{_fold(line)}\r\n" for line in lines)


def _event(uid: str, stamp: str, day: dt.date, summary: str, description: str, place: str) -> list[str]:
    return [
        "BEGIN:VEVENT",
        f"UID:{uid}",
        f"DTSTAMP:{stamp}",
        f"DTSTART;VALUE=DATE:{day:%Y%m%d}",
        f"DTEND;VALUE=DATE:{day + dt.timedelta(days=1):%Y%m%d}",
        f"SUMMARY:{_text(summary)}",
        f"DESCRIPTION:{_text(description)}",
        f"LOCATION:{_text(place)}",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    ]


def _ends(reference: DueReference) -> str:
    """Return which calibration ends, in words."""
    if reference.usable_nm is None:
        return "It has no calibration. Have it calibrated by a laboratory, and enter the certificate under References."
    low, high = reference.usable_nm
    return (
        f"Calibration {reference.certificate} of {reference.calibrated}, good for {low:g} to {high:g} N·m, ends. "
        "Send it to the laboratory in time: the tools it verifies wait for it."
    )


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
