"""What the Logbook says about runs: lines, verdict in plain sentences, figures with their sources. No Qt."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from benchapp.metrology.deviation import Convention
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import CheckpointJudgement, ambient_notes
from benchapp.metrology.judgement import Verdict as Standing
from benchapp.metrology.rules import Outcome as RuleOutcome
from benchapp.metrology.tool import Tool, ToolType
from benchapp.records.model import Entry, EntryKind, Outcome, RunSummary
from benchapp.runs.judging import judge_checkpoint, judge_input
from benchapp.runs.model import CapturedPull, PullKind, Run, RunState
from benchapp.runs.outcome import is_not_in_service, outcome
from benchapp.runs.procedure import MARKS, ProcedureError
from benchapp.runs.standing import convention_of, procedure_of
from benchapp.torque.units import from_nm
from benchapp.ui import verdict as told
from benchapp.ui import words
from benchapp.ui.format import in_unit, moment_text, percent, plural, short, significant, wall_text
from benchapp.ui.references.model import certified_words
from benchapp.ui.verdict import delivered_percent
from drivers.samples import Source


class Verdict(StrEnum):
    """Filter of the list."""

    ALL = "all"
    WITHIN = "within"
    OUT = "out"
    LEFT = "left"
    OPEN = "open"


VERDICT_WORDS: Final = {
    Verdict.ALL: "All runs",
    Verdict.WITHIN: "Within limits",
    Verdict.OUT: "Out of limits",
    Verdict.LEFT: "Left",
    Verdict.OPEN: "Not finished",
}

VERDICT_OUTCOMES: Final[dict[Verdict, tuple[Outcome, ...]]] = {
    Verdict.ALL: (),
    Verdict.WITHIN: (Outcome.WITHIN,),
    Verdict.OUT: (Outcome.OUT, Outcome.UNDECIDED),
    Verdict.LEFT: (Outcome.LEFT,),
    Verdict.OPEN: (Outcome.OPEN,),
}
"""How the runs ended that a filter lists; () all."""

OUTCOME_WORDS: Final = {
    Outcome.WITHIN: "within limits",
    Outcome.OUT: "out of limits",
    Outcome.LEFT: "left",
    Outcome.UNDECIDED: "undecided",
    Outcome.OPEN: "not finished",
}

OUTCOME_MARKS: Final = {
    Outcome.WITHIN: "full",
    Outcome.OUT: "up",
    Outcome.LEFT: "dash",
    Outcome.UNDECIDED: "half",
    Outcome.OPEN: "ring",
}

SOURCE_WORDS: Final = {
    Source.LIVE: "",
    Source.SIMULATED: "simulated",
    Source.REPLAYED: "replayed",
    Source.IMPORTED: "imported",
}


COUNTS_FOR_NOTHING: Final = "It stays in the records and counts for nothing."


def outcome_text(line: RunSummary) -> str:
    """Return a run's end in words; a void one says so first."""
    return f"void: {line.voided}" if line.voided else OUTCOME_WORDS[line.outcome]


def outcome_mark(line: RunSummary) -> str:
    """Return the shape of a run's end; a run out on the low side points down."""
    if line.voided:
        return "dash"
    if line.outcome is Outcome.OUT and line.worst_percent is not None and line.worst_percent > 0:
        return "down"  # deviation above zero: it let go below what it says
    return OUTCOME_MARKS[line.outcome]


def counted_text(line: RunSummary) -> str:
    """Return how many readings count, and how many were set aside."""
    text = f"{line.n_readings} reading{'' if line.n_readings == 1 else 's'}"
    return f"{text}, {line.n_set_aside} set aside" if line.n_set_aside else text


# ---------------------------------------------------------------------------------------------------------------- pulls


@dataclass(frozen=True, slots=True)
class PullLine:
    """One pull as the run's table shows it; `where_in` is its checkpoint in another unit than the tool's own."""

    captured: CapturedPull
    where: str
    where_in: str
    reading: str
    deviation: str
    band: str
    said: str
    more: str
    counts: bool

    @property
    def number(self) -> int:
        """Of the pull in the run."""
        return self.captured.number


def pull_lines(run: Run, unit: str) -> list[PullLine]:
    """Return every pull of a run, oldest first, preloads and those set aside included."""
    lines = []
    tool = run.plan.tool
    for captured in run.pulls:
        pull = captured.pull
        said = [words.flag_sentence(noticed, unit) for noticed in words.told_of(pull)]
        if captured.set_aside is not None:
            who = f" ({captured.set_aside_names})" if captured.set_aside_names else ""
            said.insert(0, f"Set aside{who}: {words.lower_first(words.reason(captured.set_aside))}.")
        elif captured.kept_despite:
            said.insert(0, "Kept in spite of what was noticed.")
        where_in = ""
        if captured.kind is PullKind.PRELOAD:
            where = "preload"
        elif captured.checkpoint_index is None:
            where = ""
        else:
            checkpoint = run.plan.checkpoints[captured.checkpoint_index]
            where = f"{short(checkpoint.target)} {tool.unit}"
            if unit != tool.unit:  # beside a reading in another unit nobody could compare it
                where_in = f"{in_unit(checkpoint.target, tool.unit, unit)} {unit}"
            if len(tool.directions) > 1:
                where += f" {checkpoint.direction.value}"
        lines.append(
            PullLine(
                captured,
                where,
                where_in,
                "none" if pull.reading is None else f"{reading_text(pull.reading, unit, run)}",
                "" if captured.deviation_percent is None else percent(captured.deviation_percent, 2),
                captured.band.value if captured.band and captured.kind is PullKind.READING else "",
                said[0] if said else "nothing",
                " ".join(said[1:]),
                captured.kind is PullKind.READING and captured.set_aside is None,
            )
        )
    return lines


def reading_text(torque_nm: float, unit: str, run: Run) -> str:
    """Return a reading with the decimals that the reference's capacity deserves."""
    _, step = words.steps_of(run.plan.reference.capacity_nm)
    return f"{words.number(torque_nm, unit, step)} {unit}"


# -------------------------------------------------------------------------------------------------------------- verdict


@dataclass(frozen=True, slots=True)
class CheckpointLine:
    """One checkpoint of the verdict, for picture and words.

    Attributes:
        title: Target in the tool's own unit.
        limit_percent: Permissible deviation.
        counted: Deviations that count, percent.
        aside: Deviations of readings that were set aside by a person, percent.
        wanted: How many readings the procedure asks for.
        judgement: With uncertainty; None when it could not be judged.
        refused: Why not, one sentence; "" if judged.
        convention: Of the deviations; the picture shows what the tool delivered.
    """

    title: str
    limit_percent: float
    counted: tuple[float, ...]
    aside: tuple[float, ...]
    wanted: int
    judgement: CheckpointJudgement | None
    refused: str
    convention: Convention = Convention.ISO

    def delivered(self, deviation: float) -> float:
        """Return what the tool delivered against what it says, percent, for one of these deviations."""
        return delivered_percent(deviation, self.convention)


def checkpoint_lines(run: Run) -> list[CheckpointLine]:
    """Return the checkpoints of a run with their readings and, where there are enough of them, their judgement."""
    lines = []
    tool = run.plan.tool
    for index, checkpoint in enumerate(run.plan.checkpoints):
        pulls = [p for p in run.pulls if p.checkpoint_index == index and p.deviation_percent is not None]
        judged = judge_checkpoint(run, index)
        title = f"{short(checkpoint.target)} {tool.unit}"
        if len(tool.directions) > 1:
            title += f" {checkpoint.direction.value}"
        counted = tuple(p.deviation_percent for p in pulls if p.set_aside is None and p.deviation_percent is not None)
        lines.append(
            CheckpointLine(
                title,
                checkpoint.limit_percent,
                counted,
                tuple(
                    p.deviation_percent for p in pulls if p.set_aside is not None and p.deviation_percent is not None
                ),
                checkpoint.n_readings,
                None if isinstance(judged, RefusedError) else judged,
                refusal_text(judged, len(counted), checkpoint.n_readings) if isinstance(judged, RefusedError) else "",
                convention_of(run),
            )
        )
    return lines


def refusal_text(refused: RefusedError, n: int, wanted_n: int) -> str:
    """Return why a checkpoint is not judged."""
    if "readings" in refused.field:
        return f"{n} of {wanted_n} readings: not judged."
    if "reference" in refused.field:
        return "The rule needs the reference's uncertainty, which is not stated: not judged."
    return f"Not judged: {refused}."


def standing_of(run: Run, lines: Sequence[CheckpointLine]) -> Standing:
    """Return where the tool stands: the worse of the plain limits and the decision rule."""
    judged = [line.judgement for line in lines if line.judgement is not None]
    if not outcome(run).within:
        return Standing.OUT
    if any(not j.all_within for j in judged):
        return Standing.OUT
    doubt = any(j.outcome is not RuleOutcome.PASS or j.settle for j in judged)
    return Standing.DOUBTFUL if doubt else Standing.IN_SERVICE


def headline(run: Run, lines: Sequence[CheckpointLine] = ()) -> str:
    """Return the verdict on the tool as one line."""
    number = run.plan.tool.number
    if run.state is RunState.LEFT:
        return f"{number}: the run was left"
    if run.state not in (RunState.VERDICT, RunState.SEALED):
        return f"{number}: the run is not finished"
    return told.HEADLINES[standing_of(run, lines)].format(number)


def advice(run: Run, lines: Sequence[CheckpointLine]) -> str:
    """Return what the result means for the joints and what to do with the tool, in plain sentences."""
    if run.state is RunState.LEFT:
        return f"Reason: {run.left_reason or 'none given'}. What was captured stays in the tool's history."
    if run.state not in (RunState.VERDICT, RunState.SEALED):
        return "It can be gone on with on the Bench, at the pull where it stopped."
    result = outcome(run)
    stands = standing_of(run, lines)
    said = [told.action(stands, run.plan.source, stays_out=is_not_in_service(run.plan))]
    if stands is Standing.OUT:
        said.insert(0, meaning(run, lines))
    elif stands is Standing.DOUBTFUL:
        said.append(told.settle_sentence([(line.title, line.judgement) for line in lines if line.judgement]))
    within, within_with = result.within, result.within_with_set_aside
    said.append(told.aside_sentence(result.n_set_aside, result.n_noticed, within=within, within_with=within_with))
    if run.state is RunState.SEALED or run.state is RunState.VERDICT:
        said += told.ambient_sentences(ambient_notes(judge_input(run).ambient), run.ambient)
    return " ".join(part for part in said if part)


def meaning(run: Run, lines: Sequence[CheckpointLine]) -> str:
    """Return what the worst reading means: what the tool delivered, and what joints get."""
    tool = run.plan.tool
    outside = [
        (abs(d) - line.limit_percent, d, line) for line in lines for d in line.counted if abs(d) > line.limit_percent
    ]
    if not outside:
        return ""
    _, deviation, line = max(outside, key=lambda found: found[0])
    iso = convention_of(run) is Convention.ISO
    low = deviation > 0 if iso else deviation < 0
    setting = tool.tool_type is ToolType.SETTING
    how = ("lets go early" if low else "lets go late") if setting else ("shows too much" if low else "shows too little")
    return f"At {line.title} it {how} ({percent(deviation)}): joints get {'less' if low else 'more'} than it says."


def convention_sentence(run: Run) -> str:
    """Return how the picture and the deviation's sign read, in two short sentences."""
    setting = run.plan.tool.tool_type is ToolType.SETTING
    right = "let go above its setting" if setting else "delivered more than it showed"
    if convention_of(run) is Convention.ISO:
        return (
            f"Right of the middle: {right}. The standard's deviation, (indication − reading) / reading, has the other "
            "sign: plus means that joints get less than the tool says."
        )
    return (
        f"Right of the middle: {right}. The procedure's deviation, (applied − preset) / preset, has the same sign: "
        "plus means that joints get more than the tool says."
    )


# -------------------------------------------------------------------------------------------------------------- figures


@dataclass(frozen=True, slots=True)
class FigureLine:
    """One figure of a procedure with where it comes from."""

    name: str
    value: str
    source: str
    mark: str


FIGURE_NAMES: Final[Mapping[str, str]] = {
    "points.at": "checkpoints",
    "points.order": "order of the checkpoints",
    "readings": "readings per checkpoint",
    "preload": "preload pulls",
    "preload.at": "preload at",
    "preload.after_direction_change": "preload again after a change of direction",
    "permissible.boundary": "limit between small and large tools",
    "permissible.up_to": "permissible deviation, small tools",
    "permissible.above": "permissible deviation, large tools",
    "permissible.other_direction": "permissible deviation, other direction",
    "rate": "time for the last fifth",
    "ambient.lowest": "lowest temperature",
    "ambient.highest": "highest temperature",
    "ambient.change": "change of temperature",
    "ambient.humidity": "highest humidity",
    "reference.share_of_limit": "reference: share of the limit",
    "reference.uncertainty": "reference: greatest uncertainty",
    "reference.quantity": "reference: what is compared with it",
    "reference.unknown": "reference: when that is not known",
    "deviation.convention": "deviation",
    "decision.rule": "decision rule",
    "conduct.set_aside_unflagged": "who may set aside an unflagged reading",
    "conduct.max_repeats": "how often a pull may be repeated",
    "conduct.pause_limit": "pause after which preload is void",
    "interval.months": "interval, months",
    "interval.operations": "interval, operations",
}


def figure_lines(procedure: Mapping[str, Any], tool: Tool | None) -> list[FigureLine]:
    """Return every figure of the procedure as the run kept it; those for other kinds of tools are left out.

    Args:
        procedure: `RunPlan.procedure`.
        tool: Of the run; None: figures for every kind.
    """
    own = [] if tool is None else [f"{tool.tool_type.value}-{tool.tool_class}", tool.tool_type.value]
    found: list[FigureLine] = []

    def walk(table: Mapping[str, Any], path: tuple[str, ...]) -> None:
        if "value" in table and "source" in table:
            name = ".".join(path)
            kinds = [part for part in path if part[:1] == "I" and part.rstrip("ABCDEFG-") in ("I", "II")]
            if kinds and own and kinds[0] not in own:
                return
            base = ".".join(part for part in path if part not in kinds)
            title = FIGURE_NAMES.get(name) or FIGURE_NAMES.get(base) or FIGURE_NAMES.get(path[0]) or name
            if kinds:
                title += f" ({kinds[0]})"
            if path[0] in ("rate", "preload") and path[-1] not in ("at", "n", "after_direction_change"):
                title += f", {path[-1].replace('_', ' ')}"
            clause = f", {table['clause']}" if table.get("clause") else ""
            found.append(
                FigureLine(
                    title,
                    f"{_value(table['value'])} {table.get('unit') or ''}".strip(),
                    f"{table['source']}{clause}",
                    f"{table['mark']}: {MARKS.get(str(table['mark']), '')}",
                )
            )
            return
        for key, inner in table.items():
            if isinstance(inner, Mapping):
                walk(inner, (*path, key))

    walk(procedure, ())
    order = list(FIGURE_NAMES.values())
    found.sort(key=lambda line: next((i for i, name in enumerate(order) if line.name.startswith(name)), len(order)))
    return found


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float | int):
        return short(float(value))
    if isinstance(value, list | tuple):
        return ", ".join(_value(each) if not isinstance(each, list | tuple) else f"{_value(each)};" for each in value)
    return str(value)


# ---------------------------------------------------------------------------------------------------------------- facts


def procedure_text(run: Run) -> str:
    """Return the procedure as a record has to name it: with its edition, where it has one, and its version."""
    told = run.plan.procedure
    numbers = [f"{name} {told[name]}" for name in ("edition", "version") if told.get(name)]
    return ", ".join([run.plan.procedure_name, *numbers])


def typed_text(run: Run) -> str:
    """Return what was typed for this run in place of what its procedure says; "" nothing."""
    try:
        procedure = procedure_of(run)
    except ProcedureError:
        return ""
    tool, said = run.plan.tool, []
    for point in run.plan.checkpoints:
        limit, n = procedure.limit_percent(tool, point.direction), procedure.n_readings(tool)
        if limit != point.limit_percent:
            its = "none" if limit is None else f"±{short(limit)} %"
            said.append(f"limit ±{short(point.limit_percent)} % instead of {its}")
        if n != point.n_readings:
            said.append(f"{plural(point.n_readings, 'reading')} at each checkpoint instead of {n}")
    return "; ".join(dict.fromkeys(said))


def run_facts(run: Run, unit: str) -> list[tuple[str, str]]:
    """Return what stands in the record about a run, as (name, value)."""
    plan = run.plan
    reference, calibration = plan.reference, plan.reference.calibration
    ambient = run.ambient
    temperatures = [f"{short(ambient[key])} °C" for key in ("start_c", "end_c") if key in ambient]
    humidity = f"{short(ambient['humidity_percent'])} % humidity" if "humidity_percent" in ambient else ""
    zeros = [
        f"{significant(from_nm(zero.zero_nm, unit), 3)} {unit} at {wall_text(zero.wall)[11:]}" for zero in run.zeros
    ]
    return [
        ("tool", f"{plan.tool.number}, type {plan.tool.tool_type.value} class {plan.tool.tool_class}"),
        ("procedure", procedure_text(run)),
        ("typed for it", typed_text(run)),
        ("pulled by", plan.operator),
        ("begun", moment_text(run.started)),
        ("finished", moment_text(run.finished) if run.finished else ""),
        ("source", SOURCE_WORDS[plan.source] or "live"),
        ("reference", reference.number + (f", {run.reference_confirmed}" if run.reference_confirmed else "")),
        (
            "certificate",
            f"{calibration.certificate} of {calibration.calibrated.isoformat()}, due {calibration.due.isoformat()}, "
            f"{certified_words(calibration)}"
            if calibration
            else "none: readings are taken as they came",
        ),
        ("conditions", ", ".join([*temperatures, *([humidity] if humidity else [])]) or "not noted"),
        ("conditions from", told.ambient_origin(run)),
        ("zero", "; ".join(zeros)),
        ("read by", plan.detector),
        ("accepted before", " ".join(plan.warnings)),
        ("daily check", plan.reference_check),
        ("remarks", " ".join(f"{moment_text(at)}: {text}" for at, text in run.remarks)),
    ]


ENTRY_WORDS: Final = {
    EntryKind.RUN: "sealed",
    EntryKind.RELEASE: "reviewed and released",
    EntryKind.REMARK: "remark",
    EntryKind.VOID: "made void",
    EntryKind.REREAD: "read again",
}


def entry_text(entry: Entry) -> str:
    """Return what an entry of the chain tells, in words: who did what, and the text that came with it."""
    said = ENTRY_WORDS.get(entry.kind, entry.kind.value) + (f" by {entry.who}" if entry.who else "")
    if entry.kind in (EntryKind.REMARK, EntryKind.RELEASE, EntryKind.VOID):
        data = json.loads(entry.body)
        content = data.get("content", data)
        text = next((str(content[k]) for k in ("text", "reason", "remark") if content.get(k)), "")
        said += f": {text}" if text else ""
    return said
