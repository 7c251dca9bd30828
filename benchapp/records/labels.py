"""What the QR code on a tool's label says, and what a scan means. Text only; the picture is made in the window.

``KILTER1/OCF-014/WITHIN/20260304/20270304/1A2B3C4D``: number, outcome, dates of the last and the next verification
(ISO 8601 basic form), and the first eight digits of the SHA-256 of what stands before the last slash. Only letters
that a QR code packs most tightly (ISO/IEC 18004, alphanumeric mode, from memory) are used where the number has only
such. The check value finds a scan that was cut off or typed with another keyboard layout; it is no proof of origin.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from dataclasses import dataclass
from typing import Final
from urllib.parse import quote, unquote

from benchapp.records.model import Outcome

_PREFIX: Final = "KILTER"
_VERSION: Final = "1"
_NEVER: Final = "-"
_DAY: Final = re.compile(r"\d{8}")


class ScanError(ValueError):
    """A label of ours that was not read whole; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Label:
    """What stands on a label.

    Attributes:
        number: Of the tool.
        outcome: Of its last full verification; `OPEN` never verified.
        verified: Its date; None never.
        due: Date of the next; None unknown.
    """

    number: str
    outcome: Outcome = Outcome.OPEN
    verified: dt.date | None = None
    due: dt.date | None = None


def label_text(label: Label) -> str:
    """Return what its QR code says; the number is percent-encoded (RFC 3986) where it has letters of its own."""
    if not label.number:
        raise ValueError("a label needs a number")
    parts = (
        _PREFIX + _VERSION,
        quote(label.number, safe=" $*+.:"),
        label.outcome.value.upper() or _NEVER,
        _day_text(label.verified),
        _day_text(label.due),
    )
    text = "/".join(parts)
    return f"{text}/{_check(text)}"


def read_scan(text: str) -> Label | None:
    """Return what a scanned label says; None when it is none of ours, so that it may be a tool's own barcode.

    Raises:
        ScanError: One of ours, but not whole, or of a newer program.
    """
    stripped = text.strip()
    if not stripped.startswith(_PREFIX):
        return None
    found = re.fullmatch(r"KILTER(\d+)/(.*)", stripped)
    if found is None:
        return None
    if found[1] != _VERSION:
        raise ScanError(
            f"This label is of kind {found[1]}, this program reads kind {_VERSION}. Type the tool's number."
        )
    body, _, check = stripped.rpartition("/")
    parts = body.split("/")
    if len(parts) != 5 or check.upper() != _check(body):
        raise ScanError("The label was not read whole. Scan it again, or type the tool's number.")
    _, number, outcome, verified, due = parts
    try:
        return Label(
            unquote(number), Outcome("" if outcome == _NEVER else outcome.lower()), _day_of(verified), _day_of(due)
        )
    except ValueError as problem:
        raise ScanError(f"The label says something that cannot be ({problem}). Type the tool's number.") from problem


def number_of_scan(text: str) -> str:
    """Return the number or code by which `Store.tool` finds what was scanned; as `read_scan` otherwise."""
    label = read_scan(text)
    return text.strip() if label is None else label.number


def _check(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:8].upper()


def _day_text(day: dt.date | None) -> str:
    return _NEVER if day is None else f"{day:%Y%m%d}"


def _day_of(text: str) -> dt.date | None:
    if text == _NEVER:
        return None
    if not _DAY.fullmatch(text):
        raise ValueError(f"{text} is no date")
    return dt.date(int(text[:4]), int(text[4:6]), int(text[6:]))
