"""What the window says of the records as a whole: copies, the check, the self-test, a copy put back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from benchapp.ui.format import grouped

KEEPING: Final = "The records"
KEEPING_MENU: Final = "The records: check, newest seal, copies …"
PROCEDURES_MENU: Final = "Procedures …"
PEOPLE_MENU: Final = "People …"
CHECK_NOW: Final = "Check now"
CHECKING: Final = "The chain, the curves and every column that is shown are being checked …"
NOT_CHECKED: Final = "Not checked yet since this window was opened."
EXPLAIN_CLOCK: Final = "Say why the clock went back …"
EXPLAIN_FOR: Final = "to say why the clock went back"
EXPLAIN_TITLE: Final = "Why the clock went back"
EXPLAIN_ASKED: Final = "What happened, and which of the times in the records are wrong"
EXPLAIN_KEEP: Final = "Put it on record"
HEAD: Final = "Newest seal"
NO_HEAD: Final = "Nothing is sealed yet."
HEAD_WHY: Final = (
    "Each seal fixes every record before it. Someone who can write the file could cut the newest ones off, or seal all "
    "of them anew; only a seal that is kept elsewhere shows that. Keep it on paper, or in a file on another computer, "
    "and compare from time to time."
)
KEEP_HEAD: Final = "Keep it in a file …"
COMPARE_HEAD: Final = "Compare with one kept …"
HEAD_FILTER: Final = "Text (*.txt);;All files (*)"
TAKE_OUT: Final = "Out and in"
TAKE_OUT_WHY: Final = (
    "All of it as JSON can come in again: in new records it gives the same seals. Tables and curves are for reading "
    "elsewhere."
)
EXPORTS: Final = (
    ("json", "All as JSON …", "records.json", "JSON (*.json)"),
    ("xlsx", "Tables as XLSX …", "records.xlsx", "Workbooks (*.xlsx)"),
    ("csv", "Tables as CSV …", "", ""),
    ("traces", "Curves …", "", ""),
)
"""(format, words, name that is proposed, filter); without a name a folder is asked for."""
IMPORT: Final = "Import …"
IMPORT_FILTER: Final = "JSON (*.json);;All files (*)"
IMPORTED: Final = "Read in: every seal is the one it had."
WRITING: Final = "Being written …"
READING_IN: Final = "Being read in; every seal is computed anew …"
COPIES: Final = "Copies"
COPY_NOW: Final = "Copy the records now"
COPYING: Final = "The records are being copied, and the copy tried …"
COPY_BACK_FOR: Final = "to put a copy of the records in place"
MAKING_DEMO: Final = "Making the demonstration workshop, once; its tools come in a moment."
TRYING_COPY: Final = "Trying the copy …"
DEMONSTRATION: Final = "The recording opens in the demonstration, in a window of its own; this one stays as it is."
NO_DEMONSTRATION: Final = (
    "The demonstration could not be started; kilter --simulated --replay FILE on its own shows why."
)
NOT_OPEN: Final = "The records are not open; nothing can be stored."
RUN_ON_THE_BENCH: Final = "A run is on the Bench. Finish it or put it away, then put the copy in place."
OPENING: Final = "The records are being opened …"
REFUSED: Final = "The records could not be opened"
TRY_AGAIN: Final = (("again", "Try again"), ("later", "Leave it"))
SEEN: Final = (("seen", "I have seen it"),)
COPIES_INTRO: Final = (
    "One is made each day, and whenever you ask for one. A copy is tried before it replaces anything, and the records "
    "of now are kept beside it."
)
NO_COPIES: Final = "There is no copy yet. The first one is made today, in the background."
PUT_IN_PLACE: Final = "Put this copy in place"
CLOSE: Final = "Close"

_FINDINGS: Final = {
    "hash": "{about} was changed after it was sealed.",
    "link": "The chain is broken at {about}.",
    "order": "Something was put in or taken out at {about}.",
    "missing": "Something that was sealed is gone, or is there unsealed: {about}.",
    "trace": "A recorded curve of {about} was changed or is missing.",
    "column": "What is shown of {about} is not what was sealed.",
    "clock": "The clock of this computer had gone back when {about} was sealed.",
    "form": "{about} cannot be read any more.",
    "head": "The chain was cut off or built anew.",
}


def when(text: str) -> str:
    """A moment as people say it: "25 Nov 2026, 07:12"; "" for none.

    >>> when("2026-11-25T07:12:31+01:00")
    '25 Nov 2026, 07:12'
    """
    if not text:
        return ""
    moment = dt.datetime.fromisoformat(text)
    return f"{moment.day} {moment:%b %Y, %H:%M}"


def count(n: int, one: str, many: str) -> str:
    """A number with its noun: "1 entry", "12 480 entries"."""
    return f"{grouped(n)} {one if n == 1 else many}"


def doubt(problem: str, is_gone: bool, made: str, n_entries: int) -> tuple[str, str, Sequence[tuple[str, str]]]:
    """(question, what there is to know, answers) when the records are damaged or gone; `made` "": no copy."""
    head = "The records are gone" if is_gone else "The records are damaged"
    why = "" if is_gone else f"Found: {problem}. "
    if not made:
        return (
            f"{head}, and there is no good copy",
            f"{why}The file was left as it is: keep it. Until it is seen to, nothing can be stored.",
            SEEN,
        )
    detail = (
        f"{why}The newest good copy is of {when(made)}, with {count(n_entries, 'entry', 'entries')}. It can take their "
        f"place; it is tried first."
    )
    if is_gone:
        answers = (
            ("later", "Leave it"),
            ("restore", "Put the copy in place"),
            ("anew", "Begin new records"),
        )
        return head, detail, answers
    detail += " The damaged file is kept: what came after the copy is only in there."
    return head, detail, (("later", "Leave it"), ("restore", "Put the copy in place"))


def head_kept(path: Path) -> str:
    """The newest seal is in a file."""
    return f"Kept in {path.name}: now put it where this computer's records are not."


def head_not_read(path: Path, why: str) -> str:
    """The file with a kept seal could not be read."""
    return f"{path} could not be read: {why}. Choose the file that holds the seal."


def exported(path: Path) -> str:
    """An export is there."""
    return f"Written: {path}"


def copied(copy: Path) -> str:
    """A copy asked for is there."""
    return f"Copied and tried: {copy}"


def copy_failed(problem: str) -> str:
    """No copy could be made."""
    return f"No copy of the records was made: {problem}"


def put_back(copy: Path, kept: Path | None) -> str:
    """The copy is in place."""
    after = f" What was there before is kept: {kept.name}" if kept is not None else ""
    return f"{copy.name} is in place.{after}"


def clock_behind(now: dt.datetime, newest: dt.datetime) -> tuple[str, str, Sequence[tuple[str, str]]]:
    """(headline, detail, answers) when the newest record is later than the computer's clock."""
    return (
        "The clock of this computer is behind",
        f"It says {when(now.isoformat())}, but the newest record was sealed {when(newest.isoformat())}: it went back, "
        "or was ahead then. Set it right before a run is sealed; due dates and certificates are judged by it too.",
        SEEN,
    )


def selftest_failed(wrong: Sequence[str]) -> tuple[str, str, Sequence[tuple[str, str]]]:
    """(headline, detail, answers) when the installation gives wrong answers."""
    which = f"{wrong[0]} and {len(wrong) - 1} more" if len(wrong) > 1 else wrong[0] if wrong else "no example was there"
    return (
        "This installation gives wrong answers",
        f"The self-test does not come out as it must: {which}. Do not verify with it; install Kilter anew. Every "
        "record made meanwhile says so.",
        SEEN,
    )


def check_failed(problem: str) -> str:
    """The check itself could not be made."""
    return f"The records could not be checked: {problem}"


def records_hold(n_entries: int, n_traces: int, *, against: bool = False, n_explained: int = 0) -> str:
    """The quiet note after a check that found nothing.

    `against`: the seal kept elsewhere is among them; `n_explained`: how often the clock went back and it was said why.
    """
    if not n_entries:
        return NO_HEAD
    found = f"{count(n_entries, 'entry', 'entries')} and {count(n_traces, 'curve', 'curves')} are as they were sealed"
    found += ", and the seal kept elsewhere is among them" if against else ""
    steps = f" The clock went back {'once' if n_explained == 1 else f'{n_explained} times'}; it is on record why."
    return f"Records checked: {found}." + (steps if n_explained else "")


def finding(what: str, subject: str) -> str:
    """What was found, in plain words.

    >>> finding("trace", "run-7")
    'A recorded curve of run-7 was changed or is missing.'
    """
    text = _FINDINGS.get(what, "{about} does not hold.").format(about=subject or "the file")
    return text[0].upper() + text[1:]


def records_do_not_hold(what: str, subject: str, detail: str, n_findings: int) -> tuple[str, str]:
    """(headline, detail): the first thing that does not hold, in plain words and then to the letter."""
    more = f" And {n_findings - 1} more: 'kilter records check --json' lists them." if n_findings > 1 else ""
    advice = (
        "Set the clock right, then have the custodian say under “The records” why it went back. A run that was sealed "
        "while it was ahead is to be made void: its tool's due date follows from it."
        if what == "clock"
        else "Keep the file as it is and tell the custodian."
    )
    return "The records do not hold", f"{finding(what, subject)} ({detail}){more} {advice}"
