"""A tool's whole life and a period's runs on paper: every run with its verdict and the beginning of its seal."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final

from benchapp.records import Store
from benchapp.records import history as life
from benchapp.records.intervals import decisions as decisions_on
from benchapp.records.model import RunSummary, ToolRecord, ToolState
from benchapp.torque.direction import Direction
from benchapp.torque.units import from_nm
from benchapp.ui.driftwords import last_day, leaving_text
from benchapp.ui.format import moment_text, percent, plural, range_text, short, significant, torque_text, wall_text
from benchapp.ui.logbook.model import SOURCE_WORDS, counted_text, outcome_text
from benchapp.ui.paper.pictures import Dot, over_years
from benchapp.ui.paper.sheet import Col, PaperError, Sheet
from drivers.samples import Source

LIMITS: Final = "Verifications in the workshop; not a calibration certificate."
CAUTION: Final = (
    "Drawn up from the records as they stood when this was made; each run's own record has its readings, curves and "
    "figures. A run marked simulated or replayed says nothing of a real tool. A void run stands here, uncounted."
)
ATTACHED: Final = "records.json"
ATTACHED_SAYS: Final = (
    f"Inside this PDF lies {ATTACHED}: every sealed entry of what is listed here, a list with one entry a line in the "
    "order of the chain. The SHA-256 of a line without the comma at its end is the seal of its entry."
)
PAGE: Final = 500
MOST_SPOTS: Final = 120
"""Spot checks drawn, the newest: judging one takes about 2 ms, and a check standard has one a morning."""
STATE_WORDS: Final = {
    ToolState.IN_SERVICE: "in service",
    ToolState.DUE_SOON: "due soon",
    ToolState.OVERDUE: "overdue",
    ToolState.QUARANTINED: "quarantined",
    ToolState.AT_LABORATORY: "at a laboratory",
    ToolState.RETIRED: "retired",
}


def _runs(store: Store, tool: str = "") -> list[RunSummary]:
    """Every run, newest first, page by page."""
    found: list[RunSummary] = []
    before: int | None = None
    while True:
        page = store.runs(tool=tool, before=before, limit=PAGE)
        found += page
        if len(page) < PAGE:
            return found
        before = page[-1].key


def _sheet(store: Store, paper: str, title: str, runs: list[RunSummary]) -> Sheet:
    unreal = store.is_demo or any(line.source is not Source.LIVE for line in runs)
    stamp = ("SIMULATED" if store.is_demo else "NOT ALL LIVE") if unreal else ""
    return Sheet(paper, title, running=title, foot=f"newest of the chain {store.head()}", limits=LIMITS, stamp=stamp)


def sealed_entries(store: Store, subjects: Iterable[str]) -> bytes:
    """Return every entry about these runs and tools as JSON: a list in the order of the chain, an entry a line.

    Canonical JSON (RFC 8785) has no line breaks, so that each line, without its comma, is what was sealed.
    """
    found = {entry.seal.sequence: entry.body for subject in subjects for entry in store.entries(subject)}
    return b"[" + b",".join(b"\n" + found[sequence] for sequence in sorted(found)) + b"\n]\n"


def _with_entries(sheet: Sheet, store: Store, subjects: Iterable[str]) -> bytes:
    """Return the document with the sealed entries of what it lists inside."""
    sheet.space(6)
    made = moment_text(store.now().isoformat(timespec="minutes"))
    sheet.text(f"Made {made}. {CAUTION}", 7)
    sheet.text(ATTACHED_SAYS, 7)
    return sheet.pdf([(ATTACHED, sealed_entries(store, subjects), "application/json")])


def _stamp(sheet: Sheet) -> None:
    """Say on the first page too, and large, that these are not all real pulls."""
    if sheet.stamp:
        sheet.text(sheet.stamp, 20, bold=True)
        sheet.space(4)


def _table(sheet: Sheet, runs: list[RunSummary], note: str = "", *, with_tool: bool) -> None:
    zones = Counter(moment_text(line.started).removeprefix(wall_text(line.started)) for line in runs)
    usual = zones.most_common(1)[0][0]  # told once: there is no room for it in every row
    told = f"begun at wall time,{usual}{' where no other is told' if len(zones) > 1 else ''}" if usual else ""
    sheet.heading("Runs, newest first", "; ".join(part for part in (note, told) if part))
    columns = [
        Col("Begun", 1.6),
        Col("Verdict", 1.25, bold=True),
        Col("Farthest", 0.85, align="right"),
        Col("Readings", 1.15),
        Col("Procedure", 1.9),
        Col("Against", 0.8),
        Col("Pulled by", 0.9),
        Col("Released by", 1.0),
        Col("Source", 0.95),
        Col("Seal begins", 1.15),
    ]
    if with_tool:
        columns.insert(1, Col("Tool", 0.95, bold=True))
    rows = []
    for line in runs:
        row = [
            moment_text(line.started).removesuffix(usual),
            "void" if line.voided else outcome_text(line),
            "" if line.worst_percent is None else percent(line.worst_percent, 2),
            counted_text(line),
            line.procedure,
            line.reference,
            line.operator,
            line.released_by or "nobody",
            SOURCE_WORDS[line.source] or "live",
            line.seal[:10] if line.seal else "not sealed",
        ]
        if with_tool:
            row.insert(1, line.tool)
        rows.append(row)
    sheet.table(columns, rows, points=6.6)
    for line in runs:
        if line.voided:
            sheet.text(f"Void: {line.tool}, {moment_text(line.started)}: {line.voided}", 7)


def tool_life_pdf(store: Store, number: str, paper: str = "A4") -> bytes:
    """Return everything the records hold of one tool as PDF: identity, runs, readings, changes of state.

    Inside it lies `ATTACHED` with the sealed entries about the tool and its runs (see `sealed_entries`).

    Raises:
        PaperError: No such tool.
        StoreError: The store cannot be read.
    """
    record = store.tool(number)
    if record is None:
        raise PaperError(f"No tool in the rack has the number {number}.")
    tool, runs = record.tool, _runs(store, number)
    runs = [line for line in runs if line.tool == number]
    sheet = _sheet(store, paper, f"The life of {number}", runs)
    _stamp(sheet)
    sheet.text(f"The life of {number}", 17, bold=True)
    made = ", ".join(t for t in (tool.maker, tool.model, tool.serial) if t)
    for text in (
        f"Type {tool.tool_type.value} class {tool.tool_class}, {range_text(tool)}" + (f", {made}" if made else ""),
        f"Place: {record.place or 'not noted'}. Keeper: {record.keeper or 'not noted'}.",
        f"State: {STATE_WORDS[record.state]}. Last verified: {record.last_verified or 'never'}. "
        f"Due: {record.due or 'no date known'}. Cycles since: {record.cycles}.",
        f"First use: {record.first_use or 'not noted'}.",
    ):
        sheet.text(text)
    if runs:
        _table(sheet, runs, f"{len(runs)}", with_tool=False)
    else:
        sheet.heading("Runs")
        sheet.text("This tool was never verified here.")
    _over_the_years(sheet, store, record)
    readings = store.history(number, limit=10**9)
    unit = tool.unit
    if readings:
        sheet.heading("Readings, as found and as left", f"{len(readings)}")
        sheet.table(
            [
                Col("Begun", 1.75),
                Col("Pull", 0.4, align="right"),
                Col("Direction", 0.9),
                Col(f"Target {unit}", 0.8, align="right"),
                Col(f"Reading {unit}", 0.9, align="right"),
                Col("Deviation", 0.8, align="right", bold=True),
                Col("", 0.5),
                Col("Set aside, noticed", 2.6),
            ],
            [
                [
                    moment_text(each.started),
                    str(each.number),
                    each.direction,
                    "" if each.target_nm is None else short(float(f"{from_nm(each.target_nm, unit):.4g}")),
                    "none" if each.reading_nm is None else significant(from_nm(each.reading_nm, unit)),
                    "" if each.deviation_percent is None else percent(each.deviation_percent, 2),
                    each.band,
                    noticed_text(each.set_aside, each.flags),
                ]
                for each in readings
                if each.kind == "reading"
            ],
            points=6.9,
        )
    _intervals(sheet, store, number)
    changes = store.state_changes(number)
    if changes:
        sheet.heading("Changes of state")
        sheet.table(
            [Col("When", 1.75), Col("From", 1), Col("To", 1, bold=True), Col("Who", 1), Col("Why", 3)],
            [[moment_text(c.at), STATE_WORDS[c.old], STATE_WORDS[c.new], c.who, c.why] for c in changes],
        )
    return _with_entries(sheet, store, [number, *(line.run_id for line in runs)])


def noticed_text(set_aside: str | None, flags: Sequence[str]) -> str:
    """Return why a reading was set aside and what else was noticed about its pull, each once.

    >>> noticed_text("jerky", ["jerky", "too-fast"]), noticed_text("", ["short"])
    ('set aside: jerky; too-fast', 'short')
    """
    told = [f"set aside: {set_aside}"] if set_aside else []
    return "; ".join([*told, *(flag for flag in flags if flag != set_aside)])


def _intervals(sheet: Sheet, store: Store, number: str) -> None:
    """Say what the custodian decided on the interval, and why."""
    decisions = decisions_on(store, number)
    if not decisions:
        return
    sheet.heading("Decisions on its interval")
    sheet.table(
        [
            Col("When", 1.75),
            Col("Suggested", 1),
            Col("Decided", 1, bold=True),
            Col("Who", 1),
            Col("Why", 3),
        ],
        [
            [
                moment_text(each.at),
                plural(each.months, "month"),
                "taken" if each.accepted else f"kept at {plural(each.before, 'month')}",
                each.who,
                f"{each.why} ({each.reason})",
            ]
            for each in decisions
        ],
    )


def _over_the_years(sheet: Sheet, store: Store, record: ToolRecord) -> None:
    """Draw each checkpoint's mean deviation over time, and say where it drifts to where that can be told."""
    runs = [run for run in life.tool_history(store, record.number, most_spots=MOST_SPOTS) if run.points]
    keys: list[tuple[float, Direction]] = []
    for run in runs:
        for point in run.points:
            if not any(_is_at(point, key) for key in keys):
                keys.append((point.target_nm, point.direction))
    if not keys:
        return
    tool = record.tool
    sheet.heading(
        "Deviation over the years",
        "bars: expanded uncertainty; full: as found; open: out of service, as left, spot check",
    )
    drifts = life.drifts(runs)
    for key in sorted(keys, key=lambda each: (each[1].value, each[0])):
        dots, days = [], []
        for run in runs:
            found = next((p for p in run.points if _is_at(p, key)), None)
            if found is None:
                continue
            day = dt.datetime.fromisoformat(run.finished)
            full = run.stage is life.Stage.AS_FOUND
            seconds = day.timestamp()
            dots.append(Dot(seconds / 86400, found.mean_percent, found.expanded_percent, found.limit_percent, full))
            days.append(run.finished[:10])
        title = f"{torque_text(key[0], tool.unit)}, {key[1].value}"
        drift = next((d for d in drifts if _is_at(d, key)), None)
        if drift is not None:
            title += f":  {percent(12 * drift.percent_per_month, 2)} a year from {plural(drift.n, 'interval')}, "
            title += leaving_text(drift, last_day(runs))
        ends = (days[0], days[-1] if days[-1] != days[0] else "")
        sheet.add(over_years(dots, sheet.width, ends, title))
    sheet.space(4)


def _is_at(point: life.PointResult | life.DriftAt, key: tuple[float, Direction]) -> bool:
    return point.direction is key[1] and math.isclose(point.target_nm, key[0], rel_tol=1e-3)


def period_pdf(store: Store, first: dt.date, last: dt.date, paper: str = "A4") -> bytes:
    """Return the runs begun from `first` to `last`, both included, as PDF, with `ATTACHED` inside.

    Raises:
        PaperError: `last` lies before `first`.
        StoreError: The store cannot be read.
    """
    if last < first:
        raise PaperError(f"The period ends on {last.isoformat()}, before it begins on {first.isoformat()}.")
    runs = [line for line in _runs(store) if first.isoformat() <= line.started[:10] <= last.isoformat()]
    sheet = _sheet(store, paper, f"Runs from {first.isoformat()} to {last.isoformat()}", runs)
    _stamp(sheet)
    sheet.text(f"Runs from {first.isoformat()} to {last.isoformat()}", 17, bold=True)
    counts: dict[str, int] = {}
    for line in runs:
        word = "void" if line.voided else outcome_text(line)
        counts[word] = counts.get(word, 0) + 1
    n_tools = plural(len({line.tool for line in runs}), "tool")
    said = ", ".join(f"{n} {word}" for word, n in sorted(counts.items(), key=lambda item: -item[1]))
    sheet.text(f"{plural(len(runs), 'run')} on {n_tools}: {said}." if runs else "No run was begun in this time.")
    if runs:
        _table(sheet, runs, with_tool=True)
    return _with_entries(sheet, store, [line.run_id for line in runs])
