"""The work list on paper: what is to be looked at because something was found out, and what came of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Final

from benchapp.records import Store
from benchapp.records.worklist import Task
from benchapp.ui.format import moment_text, plural
from benchapp.ui.paper.sheet import Col, Sheet

LIMITS: Final = "What somebody has to look at; not a finding about any joint or tool."
CAUTION: Final = (
    "Nothing here says that a job is bad: it says which ones somebody has to look at. Who answers for the work decides "
    "what is to be done. An item is closed in the program, with who looked and what came of it; what is written on "
    "this paper closes none."
)
OPEN: Final = "open"


def work_list_pdf(
    store: Store, tasks: Sequence[Task], causes: Mapping[str, str], paper: str = "A4", *, day: dt.date, which: str = ""
) -> bytes:
    """Return these items as PDF: a section for each cause, those that weigh before the others, tool by tool.

    Args:
        store: Where they are from.
        tasks: In the order of the list.
        causes: What each cause is, in words.
        paper: "A4" or "Letter".
        day: Of the list.
        which: Which items they are, one line.
    """
    stamp = "SIMULATED" if store.is_demo else ""
    title = f"Work list of {day.isoformat()}"
    sheet = Sheet(paper, title, running=title, foot=f"newest of the chain {store.head()}", limits=LIMITS, stamp=stamp)
    if stamp:
        sheet.text(stamp, 20, bold=True)
        sheet.space(4)
    sheet.text(title, 17, bold=True)
    n_open = sum(not task.closed for task in tasks)
    said = f"{plural(len(tasks), 'item')}, {n_open} open, {len(tasks) - n_open} closed"
    sheet.text(f"{said}; {which}." if which else f"{said}.")
    for cause in dict.fromkeys(task.cause for task in tasks):
        mine = [task for task in tasks if task.cause == cause]
        for weighs, title in ((True, "what changes"), (False, "what stays as it was")):
            some = sorted((task for task in mine if task.weighs is weighs), key=lambda task: task.tool)
            if some:
                sheet.heading(f"{causes.get(cause, cause)}: {title}", f"{len(some)}")
                sheet.table(_COLUMNS, [_row(task) for task in some], points=7.2)
    sheet.space(6)
    sheet.text(CAUTION, 7)
    return sheet.pdf()


_COLUMNS: Final = (
    Col("Tool", 0.8, bold=True),
    Col("What", 3.0),
    Col("Looked at by", 1.2),
    Col("What came of it", 2.2),
)


def _row(task: Task) -> tuple[str, str, str, str]:
    if not task.closed:
        return task.tool, task.text, OPEN, ""
    return task.tool, task.text, f"{task.closed_by}, {moment_text(task.closed)}", task.reason
