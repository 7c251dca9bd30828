"""What the Practice page says. Pure: no Qt."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from benchapp.practice.drills import (
    DEFINITIONS,
    NAMES,
    SETTING_OFF_PERCENT,
    TOLD,
    Aim,
    Drill,
    Level,
    Measured,
    RestRules,
    Standing,
    mark_text,
    quantity,
)
from benchapp.practice.progress import LEAST_GROUP
from benchapp.pulls.pull import Flag, Mode
from benchapp.runs.procedure import MARKS
from benchapp.session.view import BenchView, Phase
from benchapp.ui import words
from benchapp.ui.format import percent
from benchapp.ui.practice.sitting import Choice, Told

SWITCH: Final[tuple[tuple[str, str], ...]] = (
    ("drills", "Drills"),
    ("progress", "Progress"),
    ("study", "Person or tool"),
)
"""(key, words) of the page's views."""

NOTICES: Final = {
    "knock": "That was too little for a pull: not captured.",
    "wrong-direction": "That was the other way round: not captured.",
}

NOT_EVIDENCE: Final = "Practice is no evidence: it never touches a verification record, and who pulled may delete it."

GROUP_RULE: Final = (
    f"Without names. A week is shown once {LEAST_GROUP} people have practised in it; below that a person could be told "
    "from it (a ring on the foot line). Everybody counts once a week, with the middle of their own pulls."
)

ASIDE_SAYS: Final = "One that is set aside keeps its place, as one that missed."

SIMULATED: Final = "SIMULATED: nobody made these pulls."

DELETE_SAYS: Final = (
    "{n} of {person} will be deleted for good. Verification records are not touched. Copies of the store made before "
    "keep what they hold."
)


def aim_text(aim: Aim) -> str:
    """Return an aim as a person reads it: "past the click: at most 15 %"."""
    limit = quantity(aim.figure.value, aim)
    how = {"most": f"at most {limit}", "least": f"at least {limit}", "within": f"±{limit}"}[aim.kind]
    return f"{NAMES[aim.of]}: {how}"


def limit_text(aim: Aim) -> str:
    """Return the limit alone: "at most 15 %"."""
    return aim_text(aim).split(": ", 1)[1]


def value_text(one: Measured) -> str:
    """Return what was measured, with its sign where it has one."""
    if one.value is None:
        return "–"
    text = quantity(abs(one.value), one.aim)
    if one.aim.kind == "within":
        return f"{'+' if one.value > 0 else words.MINUS}{text}"
    return text


def rows(measured: Sequence[Measured]) -> list[tuple[str, str, str, str]]:
    """Return (name, value, limit, "met", "not yet" or "") a mark; a least and a most of one mark share a line."""
    found: dict[str, list[Measured]] = {}
    for one in measured:
        found.setdefault(one.aim.of, []).append(one)
    lines = []
    for of, ones in found.items():
        first = ones[0]
        word = "" if first.value is None else "met" if all(one.is_met for one in ones) else "not yet"
        # the value is written so that it never looks met when it is not: by the limit that is missed
        shown = next((one for one in ones if not one.is_met), first)
        lines.append((NAMES[of], value_text(shown), limits_text([one.aim for one in ones]), word))
    return lines


def besides(drill: Drill, level: Level, told: Told | None) -> list[tuple[str, str]]:
    """Return (name, value) of the last pull's marks that no aim of the level asks for; "–" before there is one."""
    asked = {aim.of for aim in level.aims}
    found = []
    for of in TOLD[drill.mode]:
        if of not in asked:
            value = getattr(told.pull.marks, of) if told is not None else None
            found.append((NAMES[of], "–" if value is None else mark_text(of, value)))
    return found


def limits_text(aims: Sequence[Aim]) -> str:
    """Return the limits of one mark: "at most 15 %", "0.5 to 4 s"."""
    least = next((aim for aim in aims if aim.kind == "least"), None)
    most = next((aim for aim in aims if aim.kind == "most"), None)
    if least is not None and most is not None:
        return f"{quantity(least.figure.value, least).split()[0]} to {quantity(most.figure.value, most)}"
    return limit_text(aims[0])


def aims_text(aims: Sequence[Aim]) -> list[str]:
    """Return a line a mark: "past the click: at most 15 %"."""
    by_mark: dict[str, list[Aim]] = {}
    for aim in aims:
        by_mark.setdefault(aim.of, []).append(aim)
    return [f"{NAMES[of]}: {limits_text(ones)}" for of, ones in by_mark.items()]


def passes_text(level: Level) -> str:
    """Return by which count a level is passed."""
    n, last = level.n_good, level.n_last
    whole = "each with a reading, none pulled twice, none an overload, none set aside"
    if not level.aims:
        return f"Passed when the spread over the last {last} pulls is met, {whole}."
    text = f"Passed when {n} of the last {last} pulls meet {'every aim' if len(level.aims) > 1 else 'the aim'}"
    return f"{text}, and the spread over all {last} is met, {whole}." if level.spreads else f"{text}. {ASIDE_SAYS}"


def source_text(aim: Aim) -> str:
    """Return where a limit comes from, and how sure that is."""
    return f"{limit_text(aim).capitalize()}: {aim.figure.source} ({MARKS[aim.figure.mark]})."


def measured_text(drill: Drill, aims: Sequence[Aim]) -> str:
    """Return how each mark is measured and where its limits come from, a line each; then those that are only told."""
    lines = []
    for of in dict.fromkeys(aim.of for aim in aims):
        lines.append(f"{NAMES[of].capitalize()}: {DEFINITIONS[of]}.")
        lines += dict.fromkeys(source_text(aim) for aim in aims if aim.of == of)
    if drill.mode is Mode.FIRST_PEAK:
        lines += [
            "",
            f"A wrench that lets go over {SETTING_OFF_PERCENT:g} % from its setting: the pull does not count.",
        ]
    others = [of for of in TOLD[drill.mode] if all(aim.of != of for aim in aims)]
    if others:
        lines += ["", "Told beside it, asked by no aim of this level:"]
        lines += [f"{NAMES[of].capitalize()}: {DEFINITIONS[of]}." for of in others]
    return "\n".join(lines)


def rest_text(rules: RestRules) -> str:
    """Return when to rest and when to stop."""
    return (
        f"{rules.pause_min.value:g} minutes after {rules.every_pulls.value:g} pulls, and as soon as your arm trembles "
        f"{rules.tremor_grown.value:g} times as much as at first. {rules.most_a_day.value:g} pulls a day are enough. "
        "Stop at once when something hurts."
    )


def standing_text(level: Level, now: Standing) -> str:
    """Return where the person stands in numbers."""
    if not level.aims:
        return f"{now.n_pulls} of {level.n_last} pulls"
    if not now.n_pulls:
        return f"{level.n_good} good ones of {level.n_last} are needed"
    return f"{now.n_good} of {now.n_pulls} good; {level.n_good} of {level.n_last} needed"


def target_text(choice: Choice) -> str:
    """Return the target in the tool's own unit."""
    return f"{words.plain(float(f'{choice.target:.6g}'))} {choice.tool.unit}"


def place(choice: Choice, told: Told | None, n_pulls: int) -> str:
    """Return the line under the big sentence: where we are."""
    drill = choice.drill
    setting = "set to" if drill.mode is Mode.FIRST_PEAK else "to"
    parts = [f"{drill.name}, level {choice.level}", f"{choice.tool.number} {setting} {target_text(choice)}"]
    parts.append(f"pull {n_pulls + 1} is next" if n_pulls else "no pull yet")
    return "  ·  ".join(parts)


def before_pull(choice: Choice) -> str:
    """Return what to do before the first pull of a level."""
    if choice.drill.mode is Mode.FIRST_PEAK:
        how = "not looking here" if choice.drill.hidden else "evenly"
        return f"Set {target_text(choice)}. Pull until it clicks, {how}."
    return f"Bring your tool to {target_text(choice)}, looking at the tool. Hold a second."


def while_pulling(choice: Choice, view: BenchView) -> str:
    """Return the order to the hand during a pull; "" at rest."""
    if view.phase in (Phase.RELEASED, Phase.HELD):
        return "Ease back to zero"
    if view.phase is not Phase.RISING:
        return ""
    if choice.drill.mode is Mode.FIRST_PEAK:
        return "Pull until it clicks"
    return f"To {target_text(choice)}, then hold"


def pair_titles(drill: Drill) -> tuple[str, str]:
    """Return what the two figures are: the tool's, and the person's."""
    if drill.mode is Mode.FIRST_PEAK:
        return "the wrench let go at", "your hand went to"
    return "you held", "at the most it was"


def pair_note(told: Told | None, drill: Drill) -> str:
    """Return the line under the two figures: what the one made of the other."""
    if told is None:
        return ""
    marks = told.pull.marks
    if drill.mode is Mode.FIRST_PEAK:
        if Flag.NO_CLICK in marks.flags:
            return "no click: the wrench has no figure"
        if marks.follow_percent is None:
            return "where it let go cannot be read"
        return f"{marks.follow_percent:.1f} % past the click"
    if marks.error_percent is None:
        return "nothing was held"
    return f"{percent(marks.error_percent)} from the mark"


def spread_note(told: Told | None) -> str:
    """Return both spreads of the last pulls: the wrench's and the person's; "" before there are three."""
    if told is None or told.peak_spread_percent is None or told.first_peak_spread_percent is None:
        return ""
    return f"spread: wrench {told.first_peak_spread_percent:.1f} %, you {told.peak_spread_percent:.1f} %"
