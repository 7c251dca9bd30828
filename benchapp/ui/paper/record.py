"""The verification record on paper: one sealed run with everything it rests on, its sealed bytes inside the file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen

from benchapp.metrology.budget import FORMULAS
from benchapp.metrology.deviation import Convention
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import Judgement, ambient_notes
from benchapp.metrology.rules import Outcome as RuleOutcome
from benchapp.records import Store
from benchapp.records.canonical import parse
from benchapp.records.model import Entry, EntryKind
from benchapp.runs.judging import judge_checkpoint, judge_input, run_judgement_to_data
from benchapp.runs.model import PullKind, Run
from benchapp.runs.procedure import MARKS
from benchapp.runs.standing import convention_of
from benchapp.torque.units import NM, factor_nm, from_nm
from benchapp.ui import words
from benchapp.ui.format import (
    direction_text,
    moment_text,
    percent,
    plural,
    range_text,
    short,
    significant,
    wall_text,
)
from benchapp.ui.logbook.model import (
    COUNTS_FOR_NOTHING,
    ENTRY_WORDS,
    advice,
    checkpoint_lines,
    figure_lines,
    headline,
    procedure_text,
    pull_lines,
    reading_text,
    standing_of,
    typed_text,
)
from benchapp.ui.paper.pictures import Lane, SmallPull, lanes, pull_rows, window_of
from benchapp.ui.paper.sheet import (
    BLACK,
    PT,
    SOFT,
    Col,
    PaperError,
    Piece,
    Sheet,
    draw_code,
    draw_lines,
    face,
    lines_of,
)
from benchapp.ui.references.model import certified_words
from benchapp.ui.verdict import (
    GIVEN_BY_WORDS,
    OUTCOME_WORDS,
    ambient_origin,
    ambient_sentences,
    figure_with,
    probability_text,
)
from drivers.samples import Source

LIMITS: Final = "A verification in the workshop; not a calibration certificate."
STAMPS: Final = {
    Source.SIMULATED: "SIMULATED",
    Source.REPLAYED: "REPLAYED",
    Source.IMPORTED: "IMPORTED",
}
STAMP_SENTENCES: Final = {
    Source.SIMULATED: "No real tool was pulled: every torque in this document comes from a simulation.",
    Source.REPLAYED: "No tool was pulled for this document: an earlier recording was played back.",
    Source.IMPORTED: "The pulls were not taken here: they came in as a file from elsewhere.",
}
RULES: Final = {
    "simple": "Simple acceptance: a checkpoint is accepted when its mean deviation lies within the limits.",
    "guard-band": "Guard band: a checkpoint is accepted when its mean deviation lies inside the limits by at least "
    "w = {r} · U.",
    "four-way": "Four answers: as with a guard band of w = {r} · U, and within w of a limit the answer is conditional.",
}


@dataclass(frozen=True, slots=True)
class _Sealed:
    """A sealed run as its bytes tell it, and what was added since."""

    run: Run
    entry: Entry
    body: Mapping[str, Any]
    added: tuple[Entry, ...]
    head: str
    made: str

    @property
    def voided(self) -> str:
        return next((str(_told(e)["reason"]) for e in self.added if e.kind is EntryKind.VOID), "")

    @property
    def released(self) -> str:
        return next((f"{e.who}, {moment_text(e.seal.sealed)}" for e in self.added if e.kind is EntryKind.RELEASE), "")


def _told(entry: Entry) -> Mapping[str, Any]:
    return parse(entry.body)["content"]


def record_pdf(store: Store, run_id: str, paper: str = "A4") -> bytes:
    """Return the verification record of a sealed run as PDF.

    Inside it lie ``record.json``, the canonical bytes (RFC 8785) whose SHA-256 is the printed seal, and one file for
    each entry about the run that came later.

    Args:
        store: Where the run is.
        run_id: Which.
        paper: "A4" or "Letter".

    Raises:
        PaperError: No such run, or it is not sealed.
        StoreError: The store cannot be read, or a stored curve is damaged.
    """
    sealed = _read(store, run_id)
    run, plan = sealed.run, sealed.run.plan
    seal = sealed.entry.seal
    stamp = STAMPS.get(plan.source, "")
    sheet = Sheet(
        paper,
        f"Verification record {plan.tool.number}, {wall_text(run.started)}",
        running=f"Verification record  ·  {plan.tool.number}  ·  {wall_text(run.started)}",
        foot=f"seal {seal.head}",
        limits=f"{LIMITS}  Run {run.run_id}",
        stamp="VOID" if sealed.voided else stamp,
    )
    judged = _judgement(sealed)
    _head(sheet, sealed)
    _verdict(sheet, sealed, judged)
    _results(sheet, sealed, judged)
    _what_was_used(sheet, sealed)
    _readings(sheet, sealed)
    _curves(sheet, store, sealed)
    _uncertainty(sheet, judged)
    _procedure(sheet, run)
    sheet.closing = len(sheet.pieces)  # seal, limits and names stand together: no last page holds but a few lines
    _record(sheet, sealed)
    _limits(sheet, sealed)
    files = [("record.json", sealed.entry.body, "application/json")]
    files += [(f"entry-{e.seal.sequence}-{e.kind.value}.json", e.body, "application/json") for e in sealed.added]
    return sheet.pdf(files)


def _read(store: Store, run_id: str) -> _Sealed:
    run, entries = store.run(run_id), store.entries(run_id)
    if run is None:
        raise PaperError("That run is not in these records.")
    sealed = next((entry for entry in entries if entry.kind is EntryKind.RUN), None)
    if sealed is None:
        raise PaperError("The run is not sealed yet; its report is made when it is finished.")
    added = tuple(entry for entry in entries if entry.seal.sequence > sealed.seal.sequence)
    made = store.now().isoformat(timespec="minutes")
    return _Sealed(run, sealed, parse(sealed.body), added, store.head(), made)


# ------------------------------------------------------------------------------------------------------- the judgement


@dataclass(frozen=True, slots=True)
class _Judged:
    """The judgement as data: what lies in the record, or what was worked out for this document."""

    verdict: str
    rule: Mapping[str, Any]
    points: tuple[Mapping[str, Any] | None, ...]
    refused: str
    from_record: bool


def _judgement(sealed: _Sealed) -> _Judged:
    run = sealed.run
    kept = sealed.body["content"].get("judgement")
    if kept and "checkpoints" in kept:
        return _Judged(kept["verdict"], kept["rule"], tuple(kept["checkpoints"]), "", from_record=True)
    refused = str(kept["refused"]) if kept and "refused" in kept else ""
    found: list[Mapping[str, Any] | None] = []
    given = judge_input(run)
    lines = checkpoint_lines(run)
    for index in range(len(run.plan.checkpoints)):
        one = judge_checkpoint(run, index)
        if isinstance(one, RefusedError):
            found.append(None)
            refused = refused or lines[index].refused
            continue
        whole = Judgement(standing_of(run, lines), (one,), ())
        found.append(run_judgement_to_data(run, whole)["checkpoints"][0])
    rule = {"kind": given.rule.kind.value, "r": given.rule.r}
    return _Judged(standing_of(run, lines).value, rule, tuple(found), refused, from_record=False)


def verdict_word(sealed_outcome: str, verdict: str) -> str:
    """Return the verdict in capitals from the sealed outcome and the judgement's verdict.

    >>> verdict_word("within", "in-service"), verdict_word("within", "doubtful"), verdict_word("left", "out")
    ('WITHIN LIMITS', 'IN DOUBT', 'NOT FINISHED')
    """
    if sealed_outcome == "left":
        return "NOT FINISHED"
    if sealed_outcome == "out" or verdict == "out":
        return "OUT OF LIMITS"
    return "IN DOUBT" if sealed_outcome == "undecided" or verdict == "doubtful" else "WITHIN LIMITS"


# ------------------------------------------------------------------------------------------------------------ sections


def _head(sheet: Sheet, sealed: _Sealed) -> None:
    run, tool = sealed.run, sealed.run.plan.tool
    code = f"{run.run_id} {sealed.entry.seal.head}"
    wide = sheet.width - 84 * PT
    number_lines = lines_of(tool.number, face(23, bold=True), wide)
    what = " ".join(part for part in (tool.maker, tool.model) if part)
    under = "  ·  ".join(
        part for part in (what, f"serial {tool.serial}" if tool.serial else "", range_text(tool)) if part
    )
    under_lines = lines_of(under, face(9.4), wide)
    when_lines = lines_of(f"{moment_text(run.started)}  ·  pulled by {run.plan.operator}", face(9.4), wide)
    small = len(under_lines) + len(when_lines)
    height = max(84 * PT, (24 + 29 * len(number_lines) + 12.4 * small + 4) * PT)

    def draw(painter: QPainter, x: float, y: float) -> None:
        draw_lines(painter, ["Verification record"], face(11.5), QRectF(x, y, wide, 0), ink=SOFT)
        draw_lines(painter, number_lines, face(23, bold=True), QRectF(x, y + 15 * PT, wide, 0))
        low = y + (18 + 29 * len(number_lines)) * PT
        draw_lines(painter, under_lines, face(9.4), QRectF(x, low, wide, 0))
        draw_lines(painter, when_lines, face(9.4), QRectF(x, low + 12.4 * len(under_lines) * PT, wide, 0))
        draw_code(painter, code, x + sheet.width, y + 2 * PT, 72 * PT)

    sheet.add(Piece(height, draw))
    if sealed.voided:
        _band(
            sheet,
            "VOID",
            f"{sealed.voided.rstrip('. ')}. This record counts for nothing; it is kept as it was.",
            filled=True,
        )
    source = run.plan.source
    if source in STAMPS:
        _band(sheet, STAMPS[source], STAMP_SENTENCES[source], filled=False)


def _band(sheet: Sheet, word: str, sentence: str, *, filled: bool) -> None:
    big, font = face(22, bold=True), face(8.6)
    left = QFontMetricsF(big).horizontalAdvance(word) + 24 * PT
    lines = lines_of(sentence, font, sheet.width - left - 12 * PT)
    height = max(34 * PT, (len(lines) * 11.2 + 12) * PT)

    def draw(painter: QPainter, x: float, y: float) -> None:
        box = QRectF(x, y, sheet.width, height)
        ink = BLACK
        if filled:
            painter.fillRect(box, BLACK)
            ink = QColor(255, 255, 255)
        else:
            painter.setPen(QPen(BLACK, 1.6 * PT))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(box.adjusted(0.8 * PT, 0.8 * PT, -0.8 * PT, -0.8 * PT))
        draw_lines(painter, [word], big, QRectF(x + 12 * PT, box.center().y() - 13 * PT, left, 0), ink=ink)
        top = box.center().y() - len(lines) * 11.2 * PT / 2
        draw_lines(painter, lines, font, QRectF(x + left, top, sheet.width, 0), ink=ink)

    sheet.add(Piece(height, draw))
    sheet.space(7)


def _verdict(sheet: Sheet, sealed: _Sealed, judged: _Judged) -> None:
    run = sealed.run
    outcome = str(sealed.body["content"]["columns"]["run"]["outcome"])
    word = verdict_word(outcome, judged.verdict)
    lines = checkpoint_lines(run)
    said = COUNTS_FOR_NOTHING if sealed.voided else advice(run, lines)
    font, big = face(9), face(17, bold=True)
    text = lines_of(said, font, sheet.width - 22 * PT)
    height = (34 + 11.8 * len(text) + 8) * PT
    out = word == "OUT OF LIMITS"

    def draw(painter: QPainter, x: float, y: float) -> None:
        painter.setPen(QPen(BLACK, 0.8 * PT))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(QRectF(x, y, sheet.width, height))
        if out:  # a thick edge, so that a glance at a stack of papers finds it
            painter.fillRect(QRectF(x, y, 6 * PT, height), BLACK)
        shown = f"VOID: {word}" if sealed.voided else word
        draw_lines(painter, [shown], big, QRectF(x + 13 * PT, y + 7 * PT, sheet.width, 0))
        draw_lines(painter, text, font, QRectF(x + 13 * PT, y + 33 * PT, sheet.width, 0))

    sheet.add(Piece(height, draw))
    sheet.space(6)
    rule = RULES.get(str(judged.rule["kind"]), "{r}").format(r=short(float(judged.rule["r"])))
    sheet.text(
        f"Decision rule, fixed before the first pull. {rule} Every reading that counts must lie within the limits too.",
        8.2,
    )
    now = verdict_word(outcome, standing_of(run, lines).value)
    if judged.from_record and now != word:
        sheet.text(f"Worked out anew by the program that made this document, the verdict would be: {now.lower()}.", 8.2)


def _results(sheet: Sheet, sealed: _Sealed, judged: _Judged) -> None:
    run = sealed.run
    lines = checkpoint_lines(run)
    note = "as sealed in the record" if judged.from_record else "worked out for this document from the sealed readings"
    sheet.heading("Deviation and uncertainty", note)
    rows, drawn = [], []
    for line, point in zip(lines, judged.points, strict=True):
        if point is None:
            rows.append(
                [line.title, f"±{short(line.limit_percent)} %", str(len(line.counted)), *[""] * 7, line.refused]
            )
            drawn.append(Lane(line.title, line.limit_percent, line.counted, line.aside))
            continue
        budget = point["budget"]
        rows.append(
            [
                line.title,
                f"±{short(float(point['limit_percent']))} %",
                str(point["n"]),
                figure_with(float(point["mean_deviation_percent"]), float(budget["expanded"]), signed=True),
                "" if point["s_percent"] is None else f"{significant(float(point['s_percent']), 2)} %",
                f"{significant(float(budget['expanded']), 2)} %",
                significant(float(budget["factor"]), 3),
                figure_with(float(point["interval_percent"]), float(budget["expanded"])),
                f"{significant(float(point['guard_band_percent']), 2)} %" if point["guard_band_percent"] else "none",
                probability_text(point["probability"]),
                OUTCOME_WORDS[RuleOutcome(point["outcome"])],
            ]
        )
        drawn.append(
            Lane(
                line.title,
                float(point["limit_percent"]),
                line.counted,
                line.aside,
                float(point["mean_deviation_percent"]),
                float(budget["expanded"]),
            )
        )
    sheet.table(
        [
            Col("Checkpoint", 2.35, bold=True, whole=True),
            Col("Limit", 0.8, "right"),
            Col("n", 0.5, "right"),
            Col("Mean deviation", 1.0, "right", bold=True),
            Col("Spread s", 0.85, "right"),
            Col("Expanded uncertainty W", 1.15, "right"),
            Col("k", 0.62, "right"),
            Col("Interval W'", 0.85, "right"),
            Col("Guard band", 0.8, "right"),
            Col("Probability within", 1.0, "right"),
            Col("Rule's answer", 1.3),
        ],
        rows,
    )
    if any(line.counted or line.aside for line in lines):
        sheet.add(lanes(drawn, sheet.width))
        sheet.space(4)
    iso = convention_of(run) is Convention.ISO
    sheet.text(
        (
            "Deviation = (indication − reading) / reading: plus means that joints get less than the tool says. "
            if iso
            else "Deviation = (applied − preset) / preset: plus means that joints get more than the tool says. "
        )
        + "Dots: readings that count; open rings: set aside; the bar under them: the mean with its expanded "
        "uncertainty.",
        7.4,
        ink=SOFT,
    )
    if judged.refused:
        sheet.text(judged.refused, 8.2)


def _what_was_used(sheet: Sheet, sealed: _Sealed) -> None:
    run, plan = sealed.run, sealed.run.plan
    tool, reference, calibration = plan.tool, plan.reference, plan.reference.calibration
    sheet.heading("Tool")
    told = f"type {tool.tool_type.value} class {tool.tool_class}, {words.tool_word(tool)}"
    sheet.facts(
        [
            ("number", tool.number),
            ("maker, model", " ".join(part for part in (tool.maker, tool.model) if part) or "not noted"),
            ("serial", tool.serial or "not noted"),
            ("kind", told),
            ("range", range_text(tool)),
            ("resolution", "" if tool.resolution is None else f"{short(tool.resolution)} {tool.unit}"),
            ("drive", tool.drive),
            ("directions", direction_text(tool.directions)),
            ("declared", "" if tool.declared_percent is None else f"±{short(tool.declared_percent)} % by its maker"),
            ("unit", "" if tool.unit == NM else f"1 {tool.unit} = {factor_nm(tool.unit):.6g} N·m"),
        ]
    )
    sheet.heading("Reference")
    kept = (
        []
        if calibration is None
        else [
            ("certificate", f"{calibration.certificate} of {calibration.calibrated.isoformat()}"),
            ("laboratory", calibration.laboratory),
            ("due", calibration.due.isoformat() + (" (past)" if _past(calibration.due, run.started) else "")),
            ("usable", f"{short(calibration.usable_from_nm)} to {short(calibration.usable_to_nm)} N·m"),
            ("class", calibration.reference_class),
            (
                "correction",
                f"polynomial of degree {calibration.degree} from {plural(len(calibration.points), 'point')}"
                if calibration.degree
                else "none applied",
            ),
            ("uncertainty", certified_words(calibration)),
        ]
    )
    sheet.facts(
        [
            ("number", reference.number),
            (
                "maker, model",
                " ".join(part for part in (reference.maker, reference.model) if part),
            ),
            ("serial", reference.serial),
            ("capacity", f"{short(reference.capacity_nm)} N·m"),
            *(kept or [("certificate", "none: readings are taken as they came")]),
            ("recognised", run.reference_confirmed),
            ("daily check", plan.reference_check or "none: it has no check standard"),
        ]
    )
    sheet.heading("Conduct and conditions")
    ambient = run.ambient
    notes = " ".join(ambient_sentences(ambient_notes(judge_input(run).ambient), ambient))
    sheet.facts(
        [
            ("procedure", procedure_text(run)),
            ("typed for it", typed_text(run)),
            ("pulled by", plan.operator),
            ("released by", sealed.released or "nobody yet"),
            ("begun", moment_text(run.started)),
            ("finished", moment_text(run.finished) if run.finished else ""),
            ("source", STAMPS.get(plan.source, "live").lower()),
            ("left", run.left_reason),
            ("temperature", _temperature(ambient)),
            ("humidity", f"{short(ambient['humidity_percent'])} %" if "humidity_percent" in ambient else "not noted"),
            ("conditions", " ".join(part for part in (notes, ambient_origin(run)) if part)),
            (
                "zero",
                "; ".join(f"{significant(from_nm(z.zero_nm, tool.unit), 3)} {tool.unit}" for z in run.zeros),
            ),
            ("pulls read by", plan.detector),
            ("accepted before", " ".join(plan.warnings)),
            ("remarks", " ".join(f"{moment_text(at)}: {text}" for at, text in run.remarks)),
        ]
    )


def _past(due: dt.date, started: str) -> bool:
    try:
        return due < dt.datetime.fromisoformat(started).date()
    except ValueError:
        return False


def _temperature(ambient: Mapping[str, float]) -> str:
    start, end = ambient.get("start_c"), ambient.get("end_c")
    parts = [
        f"{short(value)} °C at the {when}" for value, when in ((start, "start"), (end, "end")) if value is not None
    ]
    return ", ".join(parts) or "not noted"


def _readings(sheet: Sheet, sealed: _Sealed) -> None:
    run = sealed.run
    unit = run.plan.tool.unit
    lines = pull_lines(run, unit)
    sheet.heading("Every pull", f"{plural(len(lines), 'pull')}, in the order they were pulled; torque in {unit}")
    if not lines:
        sheet.text("Nothing was pulled.")
        return

    def bare(text: str) -> str:  # the unit stands once, in the head
        return text.removesuffix(f" {unit}")

    rows = []
    for line in lines:
        captured = line.captured
        rise = captured.pull.time_80_to_100_s
        if captured.kind is PullKind.PRELOAD:
            counts = "preload"
        elif captured.set_aside is not None:
            counts = "set aside"
        else:
            counts = {"IN": "within", "LOW": "LOW", "HIGH": "HIGH"}.get(line.band, "none")
        said = " ".join(part for part in (line.said, line.more) if part)
        rows.append(
            [
                str(line.number),
                line.where,
                "" if captured.indication_nm is None else bare(reading_text(captured.indication_nm, unit, run)),
                bare(line.reading),
                line.deviation,
                "" if rise is None else f"{rise:.2f} s",
                counts,
                said[:1].upper() + said[1:] if said != "nothing" else "",
            ]
        )
    sheet.table(
        [
            Col("Pull", 0.45, "right"),
            Col("Checkpoint", 2.1, whole=True),
            Col(f"Tool says, {unit}", 1.0, "right"),
            Col(f"Reading, {unit}", 1.0, "right", bold=True),
            Col("Deviation", 0.9, "right"),
            Col("Last fifth", 0.75, "right"),
            Col("Counts as", 0.95),
            Col("What was noticed", 3.2),
        ],
        rows,
    )
    aside = [line for line in lines if line.captured.set_aside is not None]
    if aside:
        text = "; ".join(
            f"pull {line.number} ({words.lower_first(words.reason(str(line.captured.set_aside)))}"
            + (f", by {line.captured.set_aside_names}" if line.captured.set_aside_names else "")
            + ")"
            for line in aside
        )
        sheet.text(f"Set aside: {text}. What was read is printed above, the curve is drawn below.", 8.2)
    else:
        sheet.text("Nothing was set aside.", 8.2)


def _curves(sheet: Sheet, store: Store, sealed: _Sealed) -> None:
    run = sealed.run
    unit = run.plan.tool.unit
    if not run.pulls:
        return
    sheet.heading(
        "The pulls as they were recorded", "drawn from the stored samples: each column from least to greatest"
    )
    groups: list[tuple[str, int | None, tuple[float, float] | None]] = []
    for index, checkpoint in enumerate(run.plan.checkpoints):
        title = f"{short(checkpoint.target)} {unit}, {checkpoint.direction.value}"
        groups.append((title, index, (checkpoint.low_nm, checkpoint.high_nm)))
    groups.append(("Preload", None, None))
    for title, wanted, corridor in groups:
        pulls = [
            p for p in run.pulls if (p.kind is PullKind.PRELOAD if wanted is None else p.checkpoint_index == wanted)
        ]
        if not pulls:
            continue
        small = []
        for captured in pulls:
            pull, trace = captured.pull, store.trace(run.run_id, captured.number)
            t = v = np.empty(0)
            if trace is not None and len(trace):
                t, v = window_of(trace, pull.direction.sign, pull.start_s, pull.end_s)
            place = None
            if pull.reading is not None and pull.reading_time_s is not None:
                place = (pull.reading_time_s - pull.start_s, pull.reading)
            said = "no reading" if pull.reading is None else reading_text(pull.reading, unit, run)
            second = (
                "set aside"
                if captured.set_aside is not None
                else ("" if captured.deviation_percent is None else percent(captured.deviation_percent, 2))
            )
            small.append(SmallPull(f"{captured.number}   {said}", second, t, v, place, captured.set_aside is None))
        spans = [float(p.t_s[-1] - p.t_s[0]) for p in small if len(p.t_s)]
        scale = f"a picture is {significant(max(spans), 2)} s wide" if spans else ""
        edges = ""
        if corridor is not None:
            low, high = (reading_text(edge, unit, run) for edge in corridor)
            edges = f"; dashed: the limits, {low} and {high}"
        sheet.text(f"{title}   ({scale}{edges})" if scale else title, 7.8, keep=True)
        sheet.add(*pull_rows(small, sheet.width, corridor))
        sheet.space(3)


def _uncertainty(sheet: Sheet, judged: _Judged) -> None:
    points = [point for point in judged.points if point is not None]
    if not points:
        return
    sheet.heading("Where the uncertainty comes from", "standard contributions in percent of the reading")
    known: dict[str, dict[int, Mapping[str, Any]]] = {}
    for index, point in enumerate(points):
        for line in point["budget"]["contributions"]:
            known.setdefault(str(line["symbol"]), {})[index] = line
    missing = [symbol for symbol in FORMULAS if any(symbol in point["budget"]["missing"] for point in points)]
    order = sorted(known, key=lambda s: -max(float(line["percent"]) for line in known[s].values()))
    rows = []
    for symbol in order:
        formula = FORMULAS[symbol]
        given = next(iter(known[symbol].values()))
        how = next((w for g, w in GIVEN_BY_WORDS.items() if g.value == given["given_by"]), str(given["given_by"]))
        values = [
            f"{significant(float(known[symbol][i]['percent']), 2)}" if i in known[symbol] else ""
            for i in range(len(points))
        ]
        where = f"{formula.source}, {formula.clause}" if formula.clause else formula.source
        reason = f": {given['reason']}" if given["reason"] else ""
        rows.append([formula.about, *values, f"{symbol} = {formula.text}; {how}{reason}", f"{where}; {formula.mark}"])
    names = [short(float(format(float(p["target"]), ".4g"))) for p in points]
    ways = {str(p["direction"]) for p in points}
    if len(ways) > 1:
        names = [f"{n} {'cw' if p['direction'] == 'clockwise' else 'acw'}" for n, p in zip(names, points, strict=True)]
    sheet.table(
        [
            Col("Contribution", 1.9),
            *(Col(name, 0.75, "right") for name in names),
            Col("How it was found", 3.3),
            Col("Source; mark", 1.6),
        ],
        rows,
        points=7.2,
    )
    if missing:
        sheet.text(f"Not known, so not in W: {'; '.join(FORMULAS[symbol].about for symbol in missing)}.", 7.8)


def _procedure(sheet: Sheet, run: Run) -> None:
    sheet.heading("Procedure", f"{run.plan.procedure_name}, as it stood when the run began")
    marks = "  ".join(f"{mark}: {text}." for mark, text in MARKS.items())
    sheet.table(
        [Col("Figure", 2.2), Col("Value", 1.6, bold=True), Col("Where it comes from", 3.4), Col("Mark", 0.4)],
        [
            [line.name, line.value, line.source, line.mark.split(":")[0]]
            for line in figure_lines(run.plan.procedure, run.plan.tool)
        ],
        points=7.2,
    )
    sheet.text(f"Marks: {marks}", 7.2, ink=SOFT)


def _record(sheet: Sheet, sealed: _Sealed) -> None:
    sheet.heading("Seal and what was added since")
    rows = []
    for entry in (sealed.entry, *sealed.added):
        content = _told(entry)
        what = ENTRY_WORDS.get(entry.kind, entry.kind.value)
        said = str(content.get("text") or content.get("reason") or content.get("remark") or "")
        if entry.kind is EntryKind.REREAD:
            said = f"{plural(len(content.get('readings', ())), 'reading')} beside the first; see the attached file"
        rows.append(
            [str(entry.seal.sequence), moment_text(entry.seal.sealed), what, entry.who, said, entry.seal.digest]
        )
    sheet.table(
        [
            Col("Entry", 0.5, "right"),
            Col("When", 1.75),
            Col("What", 1.0, bold=True),
            Col("Who", 0.9),
            Col("Said", 2.0),
            Col("SHA-256", 2.6),
        ],
        rows,
        points=7.2,
    )
    program = sealed.body["program"]
    selftest = sealed.body["content"].get("selftest")
    told = "not in the record"
    if isinstance(selftest, Mapping):
        told = "it gave the right answers" if selftest.get("passed") is True else "NOT passed"
        kept = ("detector", "python", "numpy", "machine")
        where = ", ".join(str(selftest[key]) for key in kept if selftest.get(key))
        told += f" ({where})" if where else ""
    sheet.facts(
        [
            ("seal", sealed.entry.seal.head),
            ("entry before", sealed.entry.seal.previous),
            ("chain head", f"{sealed.head} when this document was made, {moment_text(sealed.made)}"),
            ("program", f"Kilter {program['kilter']}, records of form {program['schema']}; self-test: {told}"),
        ],
        n_columns=1,
    )
    sheet.text(
        "To check the seal: the file record.json lies inside this PDF, as an attachment. Its SHA-256 is the number "
        "after the colon of the seal; in it stand the whole run, the SHA-256 of each stored curve, and the seal of the "
        "entry before. A seal shows that nothing was changed since. That the records as a whole were not made anew is "
        "shown only by a chain head kept elsewhere, such as the one printed here. The code on the first page holds run "
        "and seal.",
        7.8,
    )


def _limits(sheet: Sheet, sealed: _Sealed) -> None:
    first = len(sheet.pieces)
    sheet.heading("Limits of this document")
    plan = sealed.run.plan
    said = [
        LIMITS + " It states how this tool came out on that day, against that reference, in those hands.",
        "It says nothing of torques between or beyond the checkpoints, nor of how the tool was used before or after.",
        "Contributions named as unknown are not in the uncertainty; figures marked M or P are to be checked against "
        "the standard before anyone relies on them.",
        "Local rules, the joint's own drawing and the tool maker's instructions come first. A tool that was dropped, "
        "overloaded or repaired is verified again before it is used.",
    ]
    if plan.source is not Source.LIVE:
        said.insert(0, STAMP_SENTENCES[plan.source])
    if plan.reference.calibration is None:
        said.append("The reference has no calibration on record: the readings are not traceable to anything.")
    for sentence in said:
        sheet.text(f"–  {sentence}", 8.0)
    width = sheet.width

    def draw(painter: QPainter, x: float, y: float) -> None:
        painter.setPen(QPen(BLACK, 0.4 * PT))
        for index, name in enumerate(("pulled", "reviewed", "date")):
            left = x + index * width / 3
            painter.drawLine(QPointF(left, y + 30 * PT), QPointF(left + width / 3 - 16 * PT, y + 30 * PT))
            draw_lines(painter, [name], face(7.2), QRectF(left, y + 31 * PT, width / 3, 0), ink=SOFT)

    sheet.pieces[first:] = [replace(piece, keep=True) for piece in sheet.pieces[first:]]  # on one page, with the names
    sheet.add(Piece(44 * PT, draw))


__all__ = ["LIMITS", "headline", "record_pdf", "verdict_word"]
