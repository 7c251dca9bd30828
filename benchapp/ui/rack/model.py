"""The rack as data: search, filters, and a tool from the answers to plain questions. No Qt."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from benchapp.metrology.classes import ToolKind, after
from benchapp.metrology.tool import Tool, ToolType
from benchapp.records.model import (
    DEFAULT_INTERVAL_MONTHS,
    ReadingRow,
    ToolRecord,
    ToolState,
)
from benchapp.torque.direction import Direction
from benchapp.torque.units import from_nm, to_nm
from benchapp.ui.format import due_words, grouped, kind_text, natural_key, plural, range_text, short

DEFAULT_LOWEST_SHARE: Final = 0.2
"""Lowest mark that is assumed while nobody has said it: 20 % of the highest (lowest checkpoint of ISO 6789)."""

STATE_WORDS: Final[dict[ToolState, str]] = {
    ToolState.IN_SERVICE: "in service",
    ToolState.DUE_SOON: "due soon",
    ToolState.OVERDUE: "overdue",
    ToolState.QUARANTINED: "quarantined",
    ToolState.AT_LABORATORY: "at laboratory",
    ToolState.RETIRED: "retired",
}

STATE_MARKS: Final[dict[ToolState, str]] = {
    ToolState.IN_SERVICE: "full",
    ToolState.DUE_SOON: "half",
    ToolState.OVERDUE: "ring",
    ToolState.QUARANTINED: "bar",
    ToolState.AT_LABORATORY: "dash",
    ToolState.RETIRED: "",
}


class Show(StrEnum):
    """Which tools the rack lists."""

    ALL = "all"
    DUE = "due"
    STOPPED = "stopped"
    RETIRED = "retired"


SHOW_WORDS: Final = {
    Show.ALL: "All in use",
    Show.DUE: "Due or overdue",
    Show.STOPPED: "Out of service",
    Show.RETIRED: "Retired",
}

SHOW_STATES: Final = {
    Show.ALL: tuple(state for state in ToolState if state is not ToolState.RETIRED),
    Show.DUE: (ToolState.DUE_SOON, ToolState.OVERDUE),
    Show.STOPPED: (ToolState.QUARANTINED, ToolState.AT_LABORATORY),
    Show.RETIRED: (ToolState.RETIRED,),
}

URGENCY: Final[dict[ToolState, int]] = {
    ToolState.OVERDUE: 0,
    ToolState.DUE_SOON: 1,
    ToolState.QUARANTINED: 2,
    ToolState.AT_LABORATORY: 3,
    ToolState.IN_SERVICE: 4,
    ToolState.RETIRED: 5,
}


@dataclass(frozen=True, slots=True)
class Row:
    """A tool as the list shows it; `haystack` is what search looks in."""

    record: ToolRecord
    state: ToolState
    haystack: str

    @property
    def number(self) -> str:
        """The shop's number."""
        return self.record.tool.number


def rows_of(records: Iterable[ToolRecord], today: dt.date) -> list[Row]:
    """Return rows for `records`, in natural order of their numbers (OCF-9 before OCF-10)."""
    rows = []
    for record in records:
        tool = record.tool
        state = record.shown_state(today)
        hay = " ".join(
            (
                tool.number,
                record.code,
                tool.maker,
                tool.model,
                tool.serial,
                record.place,
                record.keeper,
                kind_text(tool),
                range_text(tool),
                tool.drive,
                STATE_WORDS[state],
                record.remark,
            )
        ).casefold()
        rows.append(Row(record, state, hay))
    return sorted(rows, key=lambda row: natural_key(row.number))


def find(rows: Sequence[Row], search: str, show: Show = Show.ALL) -> list[Row]:
    """Return the rows that hold every word of `search`, of those that `show` lists; numbers that hold it first.

    A search also finds retired tools, after the others, so that nothing seems lost.
    """
    wanted, states = search.casefold().split(), SHOW_STATES[show]
    hits = list(rows)
    for word in wanted:
        hits = [row for row in hits if word in row.haystack]
    if wanted:
        hits.sort(key=lambda row: not all(word in row.number.casefold() for word in wanted))
    first = [row for row in hits if row.state in states]
    if not wanted or show is not Show.ALL:
        return first
    return first + [row for row in hits if row.state is ToolState.RETIRED]


def count_line(rows: Sequence[Row], shown: int) -> str:
    """Return the line under the page's title: how many tools, and what is due."""
    states = [row.state for row in rows]
    kept = len(rows) - states.count(ToolState.RETIRED)
    overdue, soon = states.count(ToolState.OVERDUE), states.count(ToolState.DUE_SOON)
    parts = [plural(kept, "tool")]
    if overdue:
        parts.append(f"{grouped(overdue)} overdue")
    if soon:
        parts.append(f"{grouped(soon)} due soon")
    if shown != kept:
        parts.append(f"{grouped(shown)} shown")
    return "  ·  ".join(parts)


def due_line(record: ToolRecord, today: dt.date) -> str:
    """Return when the tool's next verification is due, in words."""
    if record.state in (ToolState.RETIRED, ToolState.QUARANTINED, ToolState.AT_LABORATORY):
        return ""
    return "never verified" if record.due is None else due_words(record.due, today)


# --------------------------------------------------------------------------------------------------- from the questions


class ToolEntryError(ValueError):
    """An answer that cannot stand; `field` is the key of the question, the message is its sentence."""

    def __init__(self, field: str, sentence: str) -> None:
        super().__init__(sentence)
        self.field = field


@dataclass(frozen=True, slots=True)
class Answers:
    """What a person said about a tool, to plain questions; torques in `unit` as typed.

    Attributes:
        number: The shop's number.
        lets_go: True: it lets go (click, slip, preset); False: it shows torque.
        highest: Its highest value.
        unit: Of its scale.
        lowest: Lowest marked value; None: not said.
        screwdriver: A screwdriver rather than a wrench.
        how: Setting tools: "scale", "bending" (a scale, and a bar bends while pulled), "plain" (set on a tester,
            no scale) or "fixed"; indicating tools: "dial", "display", "beam".
        resolution: One division or digit; None without.
        directions: In which it works.
        has_memory: Indicating tools: a follower pointer or memory keeps the value.
        declared_percent: Tighter limit declared by the maker; None.
    """

    number: str
    lets_go: bool
    highest: float
    unit: str
    lowest: float | None = None
    screwdriver: bool = False
    how: str = ""
    resolution: float | None = None
    directions: tuple[Direction, ...] = (Direction.CLOCKWISE,)
    has_memory: bool = False
    declared_percent: float | None = None
    maker: str = ""
    model: str = ""
    serial: str = ""
    drive: str = ""


def kind_of(answers: Answers) -> ToolKind:
    """Return type and class of the tool that the answers describe; nobody is asked for the letter."""
    form = "screwdriver" if answers.screwdriver else "wrench"
    if not answers.lets_go:
        shown = {"display": "electronic", "beam": "beam"}.get(answers.how, "dial")
        given = ["shows", form, "dial" if answers.screwdriver and shown == "beam" else shown]
    else:
        how = {"fixed": "fixed", "plain": "no-scale"}.get(answers.how, "scale")
        given = ["lets-go", form, how]
        if how == "scale" and not answers.screwdriver:
            given.append("yes" if answers.how == "bending" else "no")
    kind = after(given)
    if not isinstance(kind, ToolKind):  # pragma: no cover (a test walks every combination)
        raise ToolEntryError("how", "This is not said fully yet; answer how it is set.")
    return kind


def tool_of(answers: Answers) -> Tool:
    """Return the tool that the answers describe.

    Raises:
        ToolEntryError: Naming the question, the value, the limit and what is accepted.
    """
    number = answers.number.strip()
    if not number:
        raise ToolEntryError("number", "Every tool needs a number, as it is written on it, like OCF-014.")
    if len(number) > 60 or any(ord(letter) < 32 for letter in number):
        raise ToolEntryError("number", "A number has at most 60 letters and figures, on one line.")
    unit = answers.unit
    if not answers.highest > 0:
        raise ToolEntryError(
            "highest", f"Its highest value is {short(answers.highest)} {unit}; accepted is a torque above 0."
        )
    fixed = answers.lets_go and answers.how == "fixed"
    lowest = answers.highest if fixed else answers.lowest
    if lowest is None:
        lowest = default_lowest(answers.highest)
    if not lowest > 0:
        raise ToolEntryError(
            "lowest", f"Its lowest mark is {short(lowest)} {unit}; accepted is above 0, up to {short(answers.highest)}."
        )
    if lowest > answers.highest:
        raise ToolEntryError(
            "lowest",
            f"Its lowest mark, {short(lowest)} {unit}, lies above its highest value, {short(answers.highest)} {unit}. "
            "Are the two exchanged?",
        )
    if not fixed and lowest == answers.highest:
        raise ToolEntryError(
            "lowest", "Lowest and highest are the same. If it has one value only, say so at “how it is set”."
        )
    if answers.resolution is not None and not 0 < answers.resolution <= answers.highest - (0 if fixed else lowest):
        raise ToolEntryError(
            "resolution",
            f"One division is {short(answers.resolution)} {unit}; accepted is above 0, up to the length of its scale.",
        )
    if answers.declared_percent is not None and not 0 < answers.declared_percent <= 20:
        raise ToolEntryError("declared", f"The limit is {short(answers.declared_percent)} %; accepted is 0.1 to 20 %.")
    return Tool(
        number=number,
        tool_type=ToolType.SETTING if answers.lets_go else ToolType.INDICATING,
        tool_class=kind_of(answers).tool_class,
        unit=unit,
        lowest=lowest,
        highest=answers.highest,
        is_screwdriver=answers.screwdriver,
        resolution=answers.resolution,
        fixed=fixed,
        directions=answers.directions,
        declared_percent=answers.declared_percent,
        has_memory=answers.has_memory and not answers.lets_go,
        maker=answers.maker,
        model=answers.model,
        serial=answers.serial,
        drive=answers.drive,
    )


def default_lowest(highest: float) -> float:
    """Return the lowest mark that is assumed for a tool up to `highest`."""
    return float(f"{highest * DEFAULT_LOWEST_SHARE:.6g}")


def answers_of(tool: Tool) -> Answers:
    """Return the answers that describe a stored tool: what the form shows when it is edited."""
    setting = tool.tool_type is ToolType.SETTING
    if setting:
        how = "fixed" if tool.fixed else {"C": "plain", "F": "plain", "G": "bending"}.get(tool.tool_class, "scale")
    elif tool.is_screwdriver:
        how = "display" if tool.tool_class == "E" else "dial"
    else:
        how = {"A": "beam", "C": "display"}.get(tool.tool_class, "dial")
    return Answers(
        tool.number,
        setting,
        tool.highest,
        tool.unit,
        None if tool.fixed else tool.lowest,
        tool.is_screwdriver,
        how,
        tool.resolution,
        tool.directions,
        tool.has_memory,
        tool.declared_percent,
        tool.maker,
        tool.model,
        tool.serial,
        tool.drive,
    )


def changed(record: ToolRecord | None, tool: Tool, **kept: object) -> ToolRecord:
    """Return the record with its tool replaced, or a new one; `kept` are further fields of `ToolRecord`."""
    base = ToolRecord(tool) if record is None else replace(record, tool=tool)
    return replace(base, **kept)  # type: ignore[arg-type]


def interval_line(record: ToolRecord) -> str:
    """Return the interval in words, and whether somebody set it."""
    months = record.interval_months if record.interval_months is not None else DEFAULT_INTERVAL_MONTHS
    said = f"every {months} months"
    return said if record.interval_months is not None else f"{said} (nothing else was set)"


# -------------------------------------------------------------------------------------------------------------- history


@dataclass(frozen=True, slots=True)
class Dot:
    """One reading of a tool's history.

    Attributes:
        when: Wall time of its run, seconds since 1970.
        deviation_percent: By the run's formula.
        checkpoint: Which of the checkpoints, 0 for the lowest target.
        counts: False: set aside.
        run_id: Its run.
    """

    when: float
    deviation_percent: float
    checkpoint: int
    counts: bool
    run_id: str


def dots_of(history: Sequence[ReadingRow]) -> tuple[list[Dot], list[float]]:
    """Return (dots oldest first, checkpoint targets in N·m lowest first) of a tool's pulls; preloads are left out."""
    targets: list[float] = []
    pulled_at = list(dict.fromkeys(row.target_nm for row in history if row.target_nm is not None))
    for target in pulled_at:
        if not any(abs(target - t) < 0.02 * max(t, 1e-9) for t in targets):
            targets.append(target)
    targets.sort()
    nearest = {nm: min(range(len(targets)), key=lambda index: abs(targets[index] - nm)) for nm in pulled_at}
    moments = {started: _moment(started) for started in dict.fromkeys(row.started for row in history)}
    dots = []
    for row in history:
        when = moments[row.started]
        if (
            row.kind == "reading"
            and row.deviation_percent is not None
            and row.target_nm is not None
            and when is not None
        ):
            dots.append(Dot(when, row.deviation_percent, nearest[row.target_nm], not row.set_aside, row.run_id))
    return sorted(dots, key=lambda dot: dot.when), targets


def _moment(text: str) -> float | None:
    try:
        return dt.datetime.fromisoformat(text).timestamp()
    except ValueError:
        return None


def converted(value: float, unit: str, to_unit: str) -> float:
    """Return a torque in another unit."""
    return value if unit == to_unit else from_nm(to_nm(value, unit), to_unit)
