"""The verification record of one run as PDF: everything that was sealed, for someone who was not there."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QPen, QPolygonF

from benchapp.records.chain import digest_of
from benchapp.records.model import Entry, EntryKind, RunSummary
from benchapp.records.store import Store
from benchapp.runs.model import CapturedPull, PullKind, Run
from benchapp.torque.trace import Trace
from benchapp.torque.units import from_nm, to_nm
from benchapp.ui import words
from benchapp.ui.format import percent, short, significant, wall_text
from benchapp.ui.logbook.model import (
    CheckpointLine,
    advice,
    checkpoint_lines,
    convention_sentence,
    entry_text,
    figure_lines,
    headline,
    pull_lines,
    run_facts,
)
from benchapp.ui.paper.document import HAIR, INK, LEFT, MM, SOFT, TINT, Paper, Running, Sheet, TableColumn, document
from benchapp.ui.verdict import OUTCOME_WORDS, budget_sentence, probability_text
from drivers.samples import Source

CAUTION: Final = (
    "A verification in the workshop; not a calibration certificate. It states how this tool stood against the named "
    "reference, at these checkpoints, on this day and with the procedure printed here. It says nothing of other "
    "torques, of joints tightened before or after, or of a tool that was dropped, adjusted or overloaded since. "
    "Figures marked M or P are to be checked against the standard before anyone relies on them. Local rules and the "
    "tool maker's instructions come first."
)
CHAIN_CAUTION: Final = (
    "The seal is the SHA-256 of the canonical JSON (RFC 8785) attached to this document as record.json; each seal "
    "takes in the one before. A chain alone does not stop someone who can write the file: compare the newest value "
    "with one that was kept elsewhere."
)
SOURCE_MARKS: Final = {Source.LIVE: "", Source.SIMULATED: "SIMULATED", Source.REPLAYED: "REPLAYED"}
ACROSS, BOX_HEIGHT, GAP = 4, 27.0, 2.0
MOST_COLUMNS = 500
"""Above twice so many samples a small curve keeps the lowest and highest of each of so many stretches."""


class NotSealedError(ValueError):
    """A run that is not sealed has nothing to be printed as a record."""


def verification_record(store: Store, run_id: str, paper: Paper, unit: str) -> bytes:
    """Return the record of a sealed run as PDF; the bytes that were sealed are attached as ``record.json``.

    Raises:
        NotSealedError: Unknown or not sealed yet.
        StoreError: The store cannot be read.
    """
    run, summary = store.run(run_id), store.summary(run_id)
    entries = store.entries(run_id)
    sealed = next((e for e in entries if e.kind is EntryKind.RUN), None)
    if run is None or summary is None or sealed is None:
        raise NotSealedError("This run is not sealed yet. Finish it on the Bench first.")
    head = store.head()
    lines = checkpoint_lines(run)
    marks = [m for m in ("VOID" if summary.voided else "", SOURCE_MARKS.get(run.plan.source, "IMPORTED")) if m]
    digest = digest_of(sealed.body)
    running = Running(
        "Verification record",
        f"{run.plan.tool.number}  ·  {wall_text(run.started)}",
        f"seal {digest}",
        "  ·  ".join(marks),
        (("record.json", sealed.body, "application/json"),),
    )

    def traces(number: int) -> Trace | None:
        return store.trace(run_id, number)

    curves = {p.number: curve for p in run.pulls if (curve := small_curve(traces(p.number), p)) is not None}

    def draw(sheet: Sheet) -> None:
        _head(sheet, run, summary, lines, sealed, digest)
        _subject(sheet, run, unit)
        _results(sheet, lines)
        _verdict_picture(sheet, lines)
        _readings(sheet, run, unit)
        _pulls(sheet, run, unit, curves)
        _uncertainty(sheet, run, lines)
        _procedure(sheet, run)
        _afterwards(sheet, run, entries, head, digest)

    return document(draw, running, paper)


def _head(
    sheet: Sheet, run: Run, summary: RunSummary, lines: Sequence[CheckpointLine], sealed: Entry, digest: str
) -> None:
    side, top = 33.0, sheet.y
    sheet.qr(LEFT + sheet.width - side, top, side, f"KILTER-SEAL:{sealed.seal.sequence}:{digest}")
    w = sheet.width - side - 4
    y = top + sheet.text(LEFT, top, w, headline(run, lines), 17, bold=True) + 1.5
    if summary.voided:
        y += sheet.text(LEFT, y, w, f"Void: {summary.voided}", 10, bold=True) + 1
    if run.plan.source is not Source.LIVE:
        said = "No tool was verified: the samples were not taken live from a transducer."
        y += sheet.text(LEFT, y, w, said, 9, bold=True) + 1
    y += sheet.text(LEFT, y, w, advice(run, lines), 9) + 1.5
    released = (
        f"Reviewed and released by {summary.released_by}" if summary.released_by else "Not released by a second person"
    )
    y += sheet.text(LEFT, y, w, f"Pulled by {run.plan.operator}. {released}.", 9) + 1.5
    y += sheet.text(LEFT, y, w, CAUTION, 7, colour=SOFT)
    sheet.y = max(y, top + side) + 1


def _subject(sheet: Sheet, run: Run, unit: str) -> None:
    tool, reference = run.plan.tool, run.plan.reference
    calibration = reference.calibration
    known = dict(run_facts(run, unit))
    sheet.heading("Tool")
    declared = f"± {significant(tool.declared_percent, 3)} % declared by the maker" if tool.declared_percent else ""
    sheet.facts(
        [
            ("number", tool.number),
            ("maker, model, serial", ", ".join(t for t in (tool.maker, tool.model, tool.serial) if t) or "not stated"),
            (
                "kind",
                f"{'screwdriver' if tool.is_screwdriver else 'wrench'}, type {tool.tool_type.value} "
                f"class {tool.tool_class}",
            ),
            ("range", f"{short(tool.lowest)} to {short(tool.highest)} {tool.unit}"),
            ("resolution", f"{short(tool.resolution)} {tool.unit}" if tool.resolution else "no scale"),
            ("drive", tool.drive),
            ("directions", ", ".join(d.value for d in tool.directions)),
            ("permissible deviation", declared),
        ]
    )
    sheet.heading("Reference and conditions")
    points = ""
    if calibration is not None:
        points = (
            f"{calibration.certificate} of {calibration.laboratory}, {calibration.calibrated.isoformat()}, due "
            f"{calibration.due.isoformat()}; usable {significant(from_nm(calibration.usable_from_nm, unit))} to "
            f"{significant(from_nm(calibration.usable_to_nm, unit))} {unit}, "
            f"k = {significant(calibration.coverage_factor, 3)}"
            + (f", class {calibration.reference_class}" if calibration.reference_class else "")
        )
    sheet.facts(
        [
            ("reference", known["reference"]),
            ("", ""),
            ("maker, model, serial", ", ".join(t for t in (reference.maker, reference.model, reference.serial) if t)),
            ("certificate", points or known["certificate"]),
            ("daily check", known["daily check"]),
            ("conditions", known["conditions"]),
            ("zero", known["zero"]),
            ("begun, finished", f"{known['begun']}, {known['finished'] or 'not finished'}"),
            ("source of the samples", known["source"]),
            ("read by", known["read by"]),
            ("accepted before", known["accepted before"]),
            ("remarks", known["remarks"]),
        ]
    )


def _results(sheet: Sheet, lines: Sequence[CheckpointLine]) -> None:
    sheet.heading("Deviation, uncertainty and verdict", keep=24)
    rows = []
    for line in lines:
        j = line.judgement
        if j is None:
            rows.append(
                [
                    line.title,
                    str(len(line.counted)),
                    "",
                    f"± {significant(line.limit_percent, 3)} %",
                    "",
                    "",
                    "",
                    line.refused,
                ]
            )
            continue
        rows.append(
            [
                line.title,
                str(len(line.counted)),
                percent(j.mean_deviation_percent, 2),
                f"± {significant(line.limit_percent, 3)} %",
                f"{significant(j.budget.expanded, 2)} % (k {significant(j.budget.factor, 3)})",
                f"{significant(j.interval_percent, 2)} %",
                probability_text(j.probability),
                OUTCOME_WORDS[j.outcome],
            ]
        )
    sheet.table(
        [
            TableColumn("Checkpoint", 2.2, bold=True),
            TableColumn("Readings", 0.8, right=True),
            TableColumn("Mean deviation", 0.9, right=True),
            TableColumn("Permissible", 0.9, right=True),
            TableColumn("Expanded W", 1.5, right=True),
            TableColumn("Interval W'", 0.9, right=True),
            TableColumn("Within limits with", 0.9, right=True),
            TableColumn("Decision rule", 1.7),
        ],
        rows,
    )


def _verdict_picture(sheet: Sheet, lines: Sequence[CheckpointLine]) -> None:
    """Every reading against its limits, by what the tool delivered: filled counts, cross was set aside."""
    shown = [line for line in lines if line.counted or line.aside]
    if not shown:
        return
    pitch = 8.5
    sheet.space(2)
    sheet.need(pitch * len(shown) + 9)
    reach = max(
        max([line.limit_percent * 1.35, *(abs(line.delivered(v)) * 1.08 for v in (*line.counted, *line.aside))])
        for line in shown
    )
    x0, w = LEFT + 34, sheet.width - 36
    middle = x0 + w / 2

    def place(value: float) -> float:
        return middle + value / reach * w / 2

    for i, line in enumerate(reversed(shown)):
        y = sheet.y + i * pitch
        low, high = sorted(line.delivered(s * line.limit_percent) for s in (-1, 1))
        sheet.box(place(low), y, place(high) - place(low), pitch - 1.5, fill=TINT)
        for edge in (low, high):
            sheet.line(place(edge), y, place(edge), y + pitch - 1.5, 0.35)
        sheet.line(middle, y, middle, y + pitch - 1.5, 0.1, SOFT)
        sheet.text(LEFT, y + 1.2, 32, line.title, 8.5, bold=True, right=True)
        cy = y + (pitch - 1.5) / 2
        p = sheet.painter
        for value in line.counted:
            p.setPen(QPen(INK, 0.15 * MM))
            p.setBrush(INK)
            p.drawEllipse(QPointF(place(line.delivered(value)) * MM, cy * MM), 0.9 * MM, 0.9 * MM)
        p.setBrush(Qt.BrushStyle.NoBrush)
        for value in line.aside:
            x = place(line.delivered(value))
            sheet.line(x - 1, cy - 1, x + 1, cy + 1, 0.3)
            sheet.line(x - 1, cy + 1, x + 1, cy - 1, 0.3)
    sheet.y += pitch * len(shown)
    text = (
        f"delivered against what it says, {percent(-reach)} to {percent(reach)}   ● counts   × set aside   "
        "grey: within limits"
    )
    sheet.text(x0, sheet.y, w, text, 7, centre=True, colour=SOFT)
    sheet.y += 4.5


def _readings(sheet: Sheet, run: Run, unit: str) -> None:
    sheet.heading("Every pull, and what was set aside and why")
    rows = []
    for line in pull_lines(run, unit):
        verdict = line.band if line.counts else "does not count" if line.where != "preload" else ""
        indication = line.captured.indication_nm
        said = " ".join(t for t in (line.said if line.said != "nothing" else "", line.more) if t)
        rows.append(
            [
                str(line.number),
                line.where,
                "" if indication is None else f"{significant(from_nm(indication, unit), 5)} {unit}",
                line.reading,
                line.deviation,
                verdict,
                said,
            ]
        )
    sheet.table(
        [
            TableColumn("Pull", 0.45, right=True),
            TableColumn("Checkpoint", 1.75),
            TableColumn("Indication", 1.0, right=True),
            TableColumn("Reading", 1.0, right=True, bold=True),
            TableColumn("Deviation", 0.8, right=True),
            TableColumn("", 0.9),
            TableColumn("What was noticed", 3.0),
        ],
        rows,
    )
    sheet.paragraph(convention_sentence(run), 7.5, colour=SOFT)


Points = tuple["np.ndarray", "np.ndarray"]


def small_curve(trace: Trace | None, captured: CapturedPull) -> Points | None:
    """Return (time in s, torque in N·m, positive in the pull's direction) of a pull's surroundings.

    With many samples the lowest and the highest of each stretch are kept in their order, so no peak is lost.
    """
    if trace is None or not len(trace):
        return None
    pull = captured.pull
    t = trace.t_s
    torque = to_nm(trace.torque, trace.unit) * trace.polarity.sign * pull.direction.sign
    inside = (t >= pull.start_s - 0.3) & (t <= pull.end_s + 0.3)
    if inside.any():
        t, torque = t[inside], torque[inside]
    n = len(t)
    if n > 2 * MOST_COLUMNS:
        edges = np.linspace(0, n, MOST_COLUMNS + 1).astype(int)
        kept: list[int] = []
        for a, b in pairwise(edges):
            part = torque[a:b]
            kept += sorted({a + int(part.argmin()), a + int(part.argmax())})
        t, torque = t[kept], torque[kept]
    return t, torque


def _pulls(sheet: Sheet, run: Run, unit: str, curves: dict[int, Points]) -> None:
    shown = [p for p in run.pulls if p.number in curves]
    if not shown:
        return
    sheet.heading("The pulls as they were recorded", keep=BOX_HEIGHT + 6)
    width = (sheet.width - (ACROSS - 1) * GAP) / ACROSS
    for start in range(0, len(shown), ACROSS):
        sheet.need(BOX_HEIGHT + GAP)
        for i, captured in enumerate(shown[start : start + ACROSS]):
            _pull(sheet, LEFT + i * (width + GAP), sheet.y, width, run, captured, unit, curves[captured.number])
        sheet.y += BOX_HEIGHT + GAP
    sheet.paragraph(
        "Torque over time, drawn from the stored samples. Grey: the corridor. Ring: the reading. Each curve has "
        "its own scale.",
        7,
        colour=SOFT,
    )


def _pull(
    sheet: Sheet, x: float, y: float, w: float, run: Run, captured: CapturedPull, unit: str, points: Points
) -> None:
    t, torque = points
    pull = captured.pull
    title = f"{captured.number}"
    if captured.kind is PullKind.PRELOAD:
        title += "  preload"
    elif captured.set_aside is not None:
        title += "  set aside"
    reading = "" if pull.reading is None else f"{significant(from_nm(pull.reading, unit), 4)} {unit}"
    sheet.text(x + 1, y + 0.5, w * 0.5, title, 7, bold=True)
    sheet.text(x + w * 0.35, y + 0.5, w * 0.65 - 1, reading, 7, right=True)
    top, bottom = y + 4.5, y + BOX_HEIGHT - 4
    low = min(0.0, float(torque.min()))
    high = max(float(torque.max()), 1e-9) * 1.06
    checkpoint = (
        run.plan.checkpoints[captured.checkpoint_index]
        if captured.checkpoint_index is not None and captured.checkpoint_index < len(run.plan.checkpoints)
        else None
    )
    if checkpoint is not None:
        high = max(high, checkpoint.high_nm * 1.06)
    t0, span = float(t[0]), max(float(t[-1] - t[0]), 1e-6)

    def px(value: float) -> float:
        return x + 1 + (value - t0) / span * (w - 2)

    def py(value: float) -> float:
        return bottom - (value - low) / (high - low) * (bottom - top)

    if checkpoint is not None:
        a, b = py(checkpoint.high_nm), py(checkpoint.low_nm)
        sheet.box(x, a, w, b - a, fill=TINT)
        sheet.line(x, a, x + w, a, 0.1, SOFT)
        sheet.line(x, b, x + w, b, 0.1, SOFT)
    sheet.line(x, py(0), x + w, py(0), 0.1, HAIR)
    p = sheet.painter
    p.save()
    p.setClipRect(QRectF(x * MM, y * MM, w * MM, BOX_HEIGHT * MM))
    p.setPen(QPen(INK, 0.18 * MM, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin))
    p.drawPolyline(QPolygonF([QPointF(px(float(a)) * MM, py(float(b)) * MM) for a, b in zip(t, torque, strict=True)]))
    if pull.reading is not None and pull.reading_time_s is not None:
        p.setPen(QPen(INK, 0.3 * MM))
        p.drawEllipse(QPointF(px(pull.reading_time_s) * MM, py(pull.reading) * MM), 0.9 * MM, 0.9 * MM)
    p.restore()
    said = words.lower_first(words.reason(captured.set_aside)) if captured.set_aside is not None else f"{span:.1f} s"
    font, metrics = sheet.font(6.5)
    p.setFont(font)
    p.setPen(SOFT)
    p.drawText(
        QPointF((x + 1) * MM, (y + BOX_HEIGHT - 1) * MM),
        metrics.elidedText(said, Qt.TextElideMode.ElideRight, (w - 2) * MM),
    )
    sheet.box(x, y, w, BOX_HEIGHT, width=0.12)


def _uncertainty(sheet: Sheet, run: Run, lines: Sequence[CheckpointLine]) -> None:
    judged = [(line.title, line.judgement) for line in lines if line.judgement is not None]
    if not judged:
        return
    sheet.heading("Uncertainty")
    for title, j in judged:
        sheet.paragraph(f"{title}: {budget_sentence(j)}")


def _procedure(sheet: Sheet, run: Run) -> None:
    sheet.heading("Procedure")
    sheet.paragraph(f"{run.plan.procedure_name}, as it stood when the run began.")
    sheet.table(
        [
            TableColumn("Figure", 2.0),
            TableColumn("Value", 1.2, bold=True),
            TableColumn("Where it comes from", 2.2),
            TableColumn("How sure that is", 1.8),
        ],
        [[f.name, f.value, f.source, f.mark] for f in figure_lines(run.plan.procedure, run.plan.tool)],
        7.5,
    )


def _afterwards(sheet: Sheet, run: Run, entries: Sequence[Entry], head: str, digest: str) -> None:
    sheet.heading("Seal, and what came after it", keep=30)
    sheet.table(
        [
            TableColumn("When", 1.2),
            TableColumn("No.", 0.4, right=True),
            TableColumn("What", 2.6),
            TableColumn("Seal", 3.6),
        ],
        [[wall_text(e.seal.sealed), str(e.seal.sequence), entry_text(e), e.seal.digest] for e in entries],
        7.5,
    )
    sheet.facts([("run", run.run_id), ("seal", digest), ("newest of the chain", head)])
    sheet.paragraph(CHAIN_CAUTION, 7.5, colour=SOFT)
