"""Every sentence that the Bench and the window say, in one place. Pure: no Qt, so it can be read and tested as text.

An order to the hand is never the word for the tool's event: the tool *lets go*, the hand *eases back to zero*. What a
result says is what the tool delivered; the standard's deviation stands beneath it, smaller, with its name.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from benchapp.metrology.judgement import Verdict as Standing
from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls.pull import Flag, Mode, Noticed, Pull
from benchapp.runs.model import Band, Hold, PullKind, Run, RunState
from benchapp.runs.outcome import is_not_in_service, zero_moved
from benchapp.session.view import BenchView, Card, CheckpointResult, LinkView, Phase
from benchapp.torque.direction import Direction
from benchapp.torque.text import format_torque
from benchapp.torque.units import from_nm
from benchapp.ui import verdict as told
from benchapp.ui.format import MINUS as MINUS  # the plots take it from here with the other words
from benchapp.ui.format import percent, wall_text
from drivers.samples import Source

MOST_DIGITS_MORE: Final = 4
"""So many digits more a value is given that would be told as the limit that it misses."""

PAGES: Final[Mapping[str, str]] = {
    "bench": "Bench",
    "rack": "Rack",
    "references": "References",
    "logbook": "Logbook",
    "practice": "Practice",
}


def cautions(tool: Tool, limits: str) -> list[tuple[str, str, str]]:
    """Return (picture, what to do, why or how) for a tool; `limits` are those of the tool and the reference.

    Common practice of the trade and of published maintenance manuals.
    """
    verb = "Turn" if tool.is_screwdriver else "Pull"
    shows = tool.tool_type is ToolType.INDICATING
    return [
        ("drive", "Seat the drive fully", "Right size, pushed home, adapters short and straight, nothing worn."),
        ("grip", "Keep it in line with the drive", "Whole hand round the handle. No tilting, no lever on it.")
        if tool.is_screwdriver
        else ("grip", "Hold the middle of the grip", "Or the marked line. No tube on the handle; pull, do not push."),
        ("smooth", f"{verb} smoothly up to the target", "No jerk. Look straight at what it shows. Stand firm.")
        if shows
        else ("smooth", f"{verb} smoothly and stop at the click", "No jerk, no second click. Stand firm."),
        ("capacity", "Stay below the capacity", f"Neither tool nor reference past its end: {limits}."),
        ("eyes", "Wear eye protection", "A socket or drive that slips comes off fast."),
    ]


CAUTIONS_FOOT: Final = (
    "Kilter verifies; it does not adjust, and it does not replace an accredited calibration. "
    "Local rules and the tool maker's instructions come first."
)

SIMULATED_MARK: Final[Mapping[Source, str]] = {
    Source.SIMULATED: "SIMULATED BENCH  ·  nothing here is about a real tool",
    Source.REPLAYED: "REPLAYED RECORDING  ·  nothing here happens now",
    Source.IMPORTED: "IMPORTED RECORDING  ·  nothing here was measured on this bench",
}

REPLAY_INSTRUCTION: Final = "A recording is replayed"
REPLAY_DETAIL: Final = "nothing here happens now  ·  the strip on top holds it still, steps it, leaves it"


def recording(view: BenchView) -> tuple[str, str]:
    """Return title and text of what is replayed: its name, and that no reading is taken of it here."""
    name = view.link.url.removeprefix("replay:").partition("?")[0].replace("\\", "/").rpartition("/")[2]
    return "recording", f"{name}. Its curve is shown; “take a run” in the strip on top makes readings of it."


FAR_PERCENT: Final = 20.0
"""Off by so much a tool is set wrong rather than out: more than three times the widest limit; our own choice."""
CHANGED_ELSEWHERE: Final = (
    "{} was entered or changed in another window meanwhile. "
    "What stands here now is what the records say: look, then Start."
)
WRONG_RECORDS: Final = {
    Source.REPLAYED: (
        "A recording is replayed: a run made of it belongs to the demonstration records. "
        "“take a run …” in the strip on top opens it there; here its curve is shown."
    ),
    Source.SIMULATED: (
        "The samples are simulated: a run made of them belongs to the demonstration records. "
        "Start kilter --simulated, or open the port of the transducer."
    ),
    Source.LIVE: (
        "The samples come from a transducer: their run belongs to the shop's own records. "
        "Start kilter without --simulated."
    ),
    Source.IMPORTED: "Imported samples make no run. Open the port of the transducer.",
}

CHOICES: Final[Mapping[str, str]] = {
    "repeat": "Pull it again",
    "keep": "Keep this reading",
    "set-aside": "Set it aside",
    "count": "Let it count",
    "go-on": "Go on",
    "back": "Back, change nothing",
    "cancel": "Back, change nothing",
    "leave": "Leave the run",
    "poor-pull": "My pull was poor",
    "drive-slipped": "The drive slipped",
    "wrong-setting": "The tool was set wrong",
    "disturbed": "I was disturbed",
    "knock": "The bench was knocked",
    "reference": "Reference not steady",
    "other": "Another reason",
    "no-reading": "No reading",
    "waiting": "Pulled while the run waited",
    "wrong-direction": "Pulled the other way",
    "not-asked": "Pulled when none was asked for",
}
"""What a choice at DECIDE or REASON is called on the screen."""

QUESTIONS: Final[Mapping[str, str]] = {
    "repeat": "Pull it again?",
    "keep": "Keep this reading?",
    "set-aside": "Set it aside?",
    "count": "Let it count?",
}
"""The proposed choice, asked in the instruction line."""

FLAG_NAMES: Final[Mapping[Flag, str]] = {
    Flag.JERKY: "jerky",
    Flag.TOO_FAST: "pulled too fast",
    Flag.TOO_SLOW: "pulled too slowly",
    Flag.PAST_CLICK: "carried past the click",
    Flag.NO_CLICK: "no click",
    Flag.UNCLEAR: "can't tell",
    Flag.DOUBLE: "pulled twice",
    Flag.SHORT: "too short",
    Flag.ZERO_OFF: "not at zero",
    Flag.OVERLOAD: "overload",
    Flag.TOOL_OVERLOAD: "tool overloaded",
    Flag.GAP: "samples missing",
    Flag.SPIKE: "wrong samples",
    Flag.CUT: "cut off",
}

NOT_HELD: Final = "not held still"
"""What a pull is called that has no reading because it was never held: it need not have been short."""

MARK_NAMES: Final[Mapping[str, str]] = {
    "click": "let go here",
    "reading": "read here",
    "peak": "peak",
    "dip": "dip",
    "past-click": "carried on",
    "spike": "wrong sample",
    "gap": "missing",
    "hold": "held",
}

LINK_STATES: Final[Mapping[str, str]] = {
    "closed": "not connected",
    "opening": "opening …",
    "streaming": "streaming",
    "silent": "silent",
    "lost": "connection lost",
    "refused": "refused",
}


# ------------------------------------------------------------------------------------------------------------ numbers


def seconds(value: float) -> str:
    """Return a short time as text.

    >>> seconds(0.5), seconds(4.0), seconds(0.31)
    ('0.5 s', '4 s', '0.31 s')
    """
    return f"{value:.2f}".rstrip("0").rstrip(".") + " s"


def other_run(number: str, who: str, started: str) -> str:
    """Return what is to be known of a tool that another run has not done with; `started` is ISO 8601."""
    return (
        f"A run of {number} by {who}, begun {wall_text(started)}, is not over: it stands in another window, or was "
        "broken off and is taken up when Kilter starts anew. No tool is on two benches."
    )


def steps_of(capacity_nm: float | None) -> tuple[float, float]:
    """Return the (live, reading) resolution in N·m that the screen shows for a reference of `capacity_nm`.

    The live figure moves, so it shows 1/2000 of capacity; a reading stands still and shows 1/20 000 (decade below).

    >>> steps_of(200.0)
    (0.1, 0.01)
    """
    capacity = capacity_nm if capacity_nm and capacity_nm > 0 else 100.0
    decade = math.floor(math.log10(capacity / 2000) + 1e-9)
    return 10.0**decade, 10.0 ** (decade - 1)


def number(torque_nm: float, unit: str, resolution_nm: float) -> str:
    """Return a torque as a number in `unit`, without the unit."""
    return format_torque(torque_nm, unit, resolution_nm)


def as_float(text: str) -> float:
    """Return the value of a number that we wrote ourselves; NaN for anything else."""
    try:
        return float(text.replace(MINUS, "-"))
    except ValueError:
        return math.nan


def plain(value: float) -> str:
    """Return a number that a person typed or that stands on a tool, as short as it is.

    >>> plain(30.0), plain(2.5), plain(0.04)
    ('30', '2.5', '0.04')
    """
    return f"{value:.6g}"


def target_text(view: BenchView, shown_unit: str = "") -> str:
    """Return the target in the tool's own unit, as it is marked on the tool, or "" without one.

    Beside an axis in another unit, `shown_unit`, it is told in that one too.
    """
    if view.target is None or view.run is None:
        return ""
    unit = view.run.plan.tool.unit
    own = f"{plain(view.target)} {unit}"
    if not shown_unit or shown_unit == unit or view.target_nm is None:
        return own
    return f"{own} = {plain(float(f'{from_nm(abs(view.target_nm), shown_unit):.4g}'))} {shown_unit}"


def preload_word(view: BenchView) -> str:
    """Return what the line of a preload's target is called: a spot check's lies below the tool's maximum."""
    tool = view.run.plan.tool if view.run is not None else None
    return "preload" if tool is not None and view.target is not None and view.target < tool.highest else "maximum"


# -------------------------------------------------------------------------------------------------------- instruction


def tool_word(tool: Tool) -> str:
    """Return "wrench" or "screwdriver"."""
    return "screwdriver" if tool.is_screwdriver else "wrench"


def _pull_words(view: BenchView, rest: str) -> str:
    if view.phase is Phase.RELEASED or view.phase is Phase.HELD:
        return "Ease back to zero"
    if view.phase is Phase.RISING:
        if view.mode is Mode.FIRST_PEAK:
            return "Pull until it clicks"
        return f"Bring it to {plain(view.target)}, hold" if view.target is not None else "Pull, then hold"
    return rest


def instruction(view: BenchView) -> str:
    """Return the one thing to do now, short enough for the largest line."""
    if Hold.OVERLOAD in view.holds:
        return "Ease off now"
    if Hold.IDENTITY in view.holds:
        return "Check the reference"
    if Hold.LINK in view.holds:
        return "Wait: no data"
    state, run = view.state, view.run
    if state is None or run is None:
        return "Choose a tool to verify"
    tool = run.plan.tool
    if view.is_zeroing:
        return "Hands off: measuring"
    turn = "↺ " if view.direction is Direction.ANTICLOCKWISE else ""  # as on the ladder: the other way round
    if state is RunState.DECIDE or state is RunState.REASON:
        proposed = run.choices[run.choice_index].key if run.choices else ""
        if state is RunState.REASON:
            return "Why set it aside?"
        return QUESTIONS.get(proposed, f"{choice(proposed)}?" if proposed else "Decide about it")
    if state is RunState.PRELOAD:
        where = "" if tool.fixed or tool.tool_type is ToolType.INDICATING else f"Set to {target_text(view)}, "
        rest = (
            f"{where}pull {view.pull_index} of {view.n_pulls}"
            if where
            else f"Preload {view.pull_index} of {view.n_pulls}"
        )
        return _pull_words(view, turn + rest)
    if state is RunState.PULL:
        rest = f"Pull {view.pull_index} of {view.n_pulls}"
        if tool.tool_type is ToolType.INDICATING:  # nothing was set before: this is the only place that says how far
            rest = f"Pull to {target_text(view)}, {view.pull_index} of {view.n_pulls}"
        return _pull_words(view, turn + rest)
    if state is RunState.VERDICT or state is RunState.SEALED:
        return verdict_headline(view)
    return {
        RunState.CAUTIONS: "Before you pull",
        RunState.REFERENCE: f"Is {run.plan.reference.number} mounted?",
        RunState.ZERO: "Tool off, hands off",
        RunState.SET_TOOL: f"Set the {tool_word(tool)} to {target_text(view)}",
        RunState.INDICATION: "What does the tool show?",
        RunState.FINAL_ZERO: "Tool off, hands off",
        RunState.RESET_TOOL: f"Turn it back to {plain(tool.lowest)} {tool.unit}",
        RunState.LEFT: "The run was left",
    }[state]


def detail(view: BenchView, keys: tuple[str, str], shown_unit: str = "") -> str:
    """Return the line under the instruction: where the run stands, or what the go-on key does.

    Args:
        view: What the Bench shows.
        keys: Names of the go-on and the set-aside key.
        shown_unit: Of the axis; "" that of the tool.
    """
    go, aside = keys
    state, run = view.state, view.run
    if Hold.OVERLOAD in view.holds:
        return f"Seen and off load: {go}"
    if Hold.IDENTITY in view.holds:
        problem = view.identity_problem or "Another transducer may have come back."
        return f"{problem} Mount {run.plan.reference.number if run is not None else 'it'}, or it is the one: {go}"
    if Hold.LINK in view.holds:
        return f"{view.link.reason or 'The link brings no samples.'} The run goes on by itself when they come."
    if state is None or run is None:
        return "or scan its code"
    tool = run.plan.tool
    if state is RunState.CAUTIONS:
        return f"Read them once; then {go}"
    if state is RunState.REFERENCE:
        says = f"It says it is {view.link.identity}" if view.link.identity else "It does not say who it is"
        return f"{_after_break(run)}{says}. Look at its number; if it is the one: {go}"
    if state is RunState.ZERO:
        return f"{_after_break(run)}{go} takes zero as soon as it is still"
    if state is RunState.FINAL_ZERO:
        return f"Zero is looked at once more: {go}"
    if state is RunState.SET_TOOL:
        come = "from below" if not tool.is_screwdriver else "and lock it"
        return f"{tool.number}  ·  turn to the mark {come}, then {go}"
    if state is RunState.RESET_TOOL:
        return f"Its lowest mark, not below: the spring rests there. Done: {go}"
    if state is RunState.INDICATION:
        return f"Type what its pointer or memory shows, then Enter. Exactly {target_text(view)}: {go}"
    if state is RunState.DECIDE:
        return f"{go}: yes  ·  {aside}: the next choice"
    if state is RunState.REASON:
        return in_a_list(keys)
    if state is RunState.VERDICT:
        return f"{verdict_action(view)}  ·  seal the run: {go}"
    if state is RunState.SEALED:
        return f"{verdict_action(view)}  ·  sealed and stored; next tool: {go}"
    if state is RunState.LEFT:
        why = run.left_reason or "no reason given"
        return f"{why[:1].upper()}{why[1:]}. What was captured stays in the tool's history. Next tool: {go}"
    return place(view, shown_unit)


def _after_break(run: Run) -> str:
    """Return why it is asked again, before what is to be done, or ""."""
    again = [name for name in ("zero", "preload") if name in run.resume]
    return f"After the break {' and '.join(again)} again.  ·  " if again and run.zeros else ""


def in_a_list(keys: tuple[str, str]) -> str:
    """Return what the two keys do where the question above is not the proposed choice: no “yes” to be misread."""
    go, aside = keys
    return f"{go}: what is marked  ·  {aside}: the next one"


def place(view: BenchView, shown_unit: str = "") -> str:
    """Return where in the run we are: tool, setting, checkpoint, pull, direction."""
    run = view.run
    if run is None:
        return ""
    tool = run.plan.tool
    is_other_way = view.direction is Direction.ANTICLOCKWISE
    parts = [view.direction.value] if is_other_way else []  # what is not as usual comes first
    if tool.tool_type is ToolType.SETTING:
        parts.append(f"{tool.number} set to {target_text(view, shown_unit)}")
    else:
        parts.append(f"{tool.number} to {target_text(view, shown_unit)}")
    if view.state is RunState.PRELOAD:
        again = "again after the break, " if "preload" in run.resume else ""
        parts.append(f"{again}preload {view.pull_index} of {view.n_pulls}, not counted")
    else:
        n = len(run.plan.checkpoints)
        parts.append(f"checkpoint {min(run.checkpoint_index + 1, n)} of {n}")
        parts.append(f"pull {view.pull_index} of {view.n_pulls}")
    parts += [] if is_other_way else [view.direction.value]
    return "  ·  ".join(parts)


# --------------------------------------------------------------------------------------------------------------- link


def link_line(view: BenchView) -> str:
    """Return the link in a few words, for the corner of the Bench."""
    if view.replay is not None and view.replay.is_over:
        return "The recording is over"
    name = view.run.plan.reference.number if view.run is not None else "Link"
    parts = [f"{name} {LINK_STATES.get(view.link.state, view.link.state)}"]
    if view.link.state == "streaming" and view.link.rate_hz > 0:
        # told from arrivals, it moves by some thousandths: three digits stand still
        parts.append(f"{float(f'{view.link.rate_hz:.3g}'):.0f} Hz")
    if view.zero_wall:
        parts.append(f"zero {view.zero_wall}")
    return "  ·  ".join(parts)


def link_counts(link: LinkView) -> str:
    """Return the counters of the link as one line."""
    parts = [f"{link.n_lines:,} lines".replace(",", "\u202f")]
    parts.append(f"{link.n_refused} skipped")
    parts.append(f"{link.n_gaps} gap" + ("" if link.n_gaps == 1 else "s"))
    return "  ·  ".join(parts)


# --------------------------------------------------------------------------------------------------------------- card


def card_title(card: Card, mode: Mode, tool_type: ToolType | None) -> str:
    """Return what the figure on the capture card is."""
    what = "preload" if card.kind is PullKind.PRELOAD else "pull"
    event = "let go at" if mode is Mode.FIRST_PEAK and tool_type is not ToolType.INDICATING else "read"
    if card.torque_nm is None:
        event = "has no reading"
    elif card.pull is not None and card.pull.reading is None:
        event = "reached"  # a preload: no letting-go is claimed that nobody heard
    return f"{what} {card.pull_number} {event}"


def card_state(card: Card, mode: Mode = Mode.FIRST_PEAK) -> str:
    """Return the state word: LOW, IN, HIGH, or what stands in its place; only a tool that lets go is heard."""
    if card.set_aside is not None:
        return "ASIDE"
    if card.band is not None:
        return card.band.value
    if card.kind is PullKind.PRELOAD:
        return "PRELOAD"
    if card.provisional:
        return "HEARD" if mode is Mode.FIRST_PEAK else "TAKEN"
    return "NO READING" if card.torque_nm is None else "READ"


def delivered(card: Card, tool_type: ToolType | None) -> tuple[str, str]:
    """Return in two short lines what the tool delivered against its setting."""
    if card.set_aside is not None:
        return "does not count", "stays in the record"
    if card.kind is PullKind.PRELOAD:
        return "warms the", "mechanism up"
    if card.provisional and card.delivered_percent is None:
        return "judged when", "back at rest"
    if card.delivered_percent is None:
        return "", ""
    against = "what it shows" if tool_type is ToolType.INDICATING else "its setting"
    size = percent(abs(card.delivered_percent), signed=False)
    if float(size.split()[0]) == 0:
        return "exactly at", against
    return f"{size} {'above' if card.delivered_percent > 0 else 'below'}", against


def tool_sentence(band: Band | None, tool_type: ToolType | None, tool: str = "tool") -> str:
    """Return what a reading outside the corridor means for the joints, or ""."""
    if band is None or band is Band.IN:
        return ""
    if tool_type is ToolType.INDICATING:
        return (
            f"The {tool} shows too little: joints get more than it says."
            if band is Band.HIGH
            else f"The {tool} shows too much: joints get less than it says."
        )
    return (
        f"The {tool} lets go late: joints get more than it says."
        if band is Band.HIGH
        else f"The {tool} lets go early: joints get less than it says."
    )


def _value_and_limit(noticed: Noticed, unit: str) -> tuple[str | None, str | None]:
    """Return both as texts, each None where there is none; a value never looks like the limit that it misses."""

    def text(number: float | None, more: int) -> str | None:
        if number is None:
            return None
        if noticed.unit == "s":
            return f"{number:.{2 + more}f}".rstrip("0").rstrip(".") + " s"
        if noticed.unit == "%":
            return percent(number, signed=False, decimals=1 + more)
        if noticed.unit == "":
            return f"{from_nm(number, unit):.{3 + more}g} {unit}"
        return f"{number:.{3 + more}g} {noticed.unit}"

    value, limit = text(noticed.value, 0), text(noticed.limit, 0)
    more = 0
    while value == limit and value is not None and noticed.value != noticed.limit and more < MOST_DIGITS_MORE:
        more += 1
        value = text(noticed.value, more)
    return value, limit


def told_of(pull: Pull) -> tuple[Noticed, ...]:
    """Return what is said of a pull: one without a reading is not called too short where something else says why."""
    if pull.reading is None and {Flag.NO_CLICK, Flag.UNCLEAR, Flag.GAP} & set(pull.flags):
        return tuple(noticed for noticed in pull.noticed if noticed.flag is not Flag.SHORT)
    return pull.noticed


def flag_name(noticed: Noticed) -> str:
    """Return the name of what was noticed."""
    return NOT_HELD if noticed.flag is Flag.SHORT and noticed.value == 0 else FLAG_NAMES[noticed.flag]


def flag_sentence(noticed: Noticed, unit: str = "N·m") -> str:
    """Return one plain sentence for what was noticed, with its numbers.

    Args:
        noticed: Flag with measured value and limit; torques in N·m.
        unit: Unit in which torques are said.
    """
    value, limit = _value_and_limit(noticed, unit)
    match noticed.flag:
        case Flag.JERKY:
            return (
                f"Jerky: torque fell back by {value} on the way up."
                if value
                else "Jerky: torque fell back on the way up."
            )
        case Flag.TOO_FAST:
            return f"Pulled too fast: last fifth in {value}, wanted {limit} or more."
        case Flag.TOO_SLOW:
            return f"Pulled too slowly: last fifth in {value}, wanted {limit} or less."
        case Flag.PAST_CLICK:
            if noticed.unit == "s":
                return f"Carried past the click for {value}: stop when it lets go."
            return "Carried far past the click: stop when it lets go."
        case Flag.NO_CLICK:
            return "No click: the tool never let go."
        case Flag.UNCLEAR:
            return "Can't tell its click from a dip of the arm."
        case Flag.DOUBLE:
            return "Pulled twice without a rest between."
        case Flag.SHORT if noticed.value == 0:
            return "No reading: it was not held still at the target."
        case Flag.SHORT:
            return (
                f"Too short: {value} of the {limit} that were wanted."
                if value and limit
                else "Too short: ended below the target."
            )
        case Flag.ZERO_OFF:
            return f"Rest was {value} off zero; {limit} is allowed." if value and limit else "It did not rest at zero."
        case Flag.OVERLOAD:
            return "Above the reference's capacity."
        case Flag.TOOL_OVERLOAD:
            return "Above 125 % of the tool's maximum: the tool needs a look."
        case Flag.GAP:
            return "Samples are missing in the upper half of this pull."
        case Flag.SPIKE:
            return "Single wrong samples were left out."
        case Flag.CUT:
            return "The recording was cut inside this pull."


def follow_through_s(pull: Pull) -> float | None:
    """Return how long the hand went on after the click, from the pull's marks; None when they do not tell."""
    click = next((m.time_s for m in pull.marks if m.name == "click"), None)
    last = next((m.time_s for m in reversed(pull.marks) if m.name in ("peak", "past-click", "follow-end")), None)
    if click is None or last is None or last <= click:
        return None
    return last - click


def card_sentence(card: Card, tool_type: ToolType | None, tool: str = "tool", unit: str = "N·m") -> str:
    """Return the plain sentence of the capture card: what was wrong with the pull first, then what the tool does."""
    if card.provisional or card.pull is None:
        return "It is captured: ease back to zero." if card.provisional else ""
    if card.set_aside is not None:
        return f"Set aside: {lower_first(reason(card.set_aside))}."
    noticed = told_of(card.pull)
    if noticed:
        first = flag_sentence(noticed[0], unit)
        first = f"Kept all the same. {first}" if card.kept else first
        return first + (f" And {', '.join(map(flag_name, noticed[1:]))}." if len(noticed) > 1 else "")
    if card.kind is PullKind.PRELOAD:
        return "Steady pull."
    follow = follow_through_s(card.pull)
    steady = "Steady pull."
    if follow is not None and follow >= 0.15 and card.band in (None, Band.IN):
        return f"Steady pull; you pulled on for {seconds(round(follow, 1))} after the click."
    if card.delivered_percent is not None and abs(card.delivered_percent) >= FAR_PERCENT:
        setting = tool_type is not ToolType.INDICATING
        asked = "look at what it is set to" if setting else "was it brought to the target"
        return f"Far off: {asked}{'.' if setting else '?'} If {'that is wrong' if setting else 'not'}, set this aside."
    return f"{steady} {tool_sentence(card.band, tool_type, tool)}".strip()


def deviation_line(card: Card) -> str:
    """Return the standard's deviation with its name and limit, or ""."""
    if card.deviation_percent is None:
        return ""
    limit = "" if card.limit_percent is None else f"   limit ±{plain(card.limit_percent)} %"
    name = f"deviation, {card.formula}:" if card.formula else "deviation:"
    return f"{name} {percent(card.deviation_percent)}{limit}"


def stored_line(card: Card, mode: Mode = Mode.FIRST_PEAK) -> str:
    """Return whether the reading is safe on disk yet."""
    if card.provisional:
        return "click heard" if mode is Mode.FIRST_PEAK else "held"
    return "stored" if card.stored else "storing …"


# ------------------------------------------------------------------------------------------------------------ choices


def lower_first(text: str) -> str:
    """Return `text` with its first letter small, unless it is a word of one letter."""
    return text if text[:2] in ("I ", "A ") else text[:1].lower() + text[1:]


def choice(key: str) -> str:
    """Return the words of a choice; an unknown key is shown as readable text rather than not at all."""
    return CHOICES.get(key) or key.replace("-", " ").replace("_", " ").capitalize()


def reason(key: str) -> str:
    """Return the words of a reason: a known key's, or the text as it was typed."""
    if key in CHOICES:
        return CHOICES[key]
    flag = next((flag for flag in Flag if flag.value == key), None)
    return FLAG_NAMES[flag].capitalize() if flag is not None else key


NOTICES: Final[Mapping[str, str]] = {
    "knock": "That was a knock, not a pull: nothing was captured.",
    "pull-lost": "The pull under way was lost with the connection: it is made again.",
    "preload-too-low": "This preload stayed too low to count: pull to the maximum.",
    "waiting": "Pulled while the run waited: kept in the record, not counted.",
    "wrong-direction": "That was the other way round: kept in the record, not counted.",
    "not-asked": "No pull was asked for yet: kept in the record, not counted.",
    "nothing-to-set-aside": "There is no reading to set aside yet.",
    "never-set-aside": "By this procedure a reading without a flag is never set aside.",
    "custodian-only": "By this procedure only the custodian sets aside a reading without a flag.",
    "repeats-used": "This reading has been repeated as often as the procedure allows.",
    "not-offered": "That is not offered here.",
}
"""What is told in passing: one sentence a key of `BenchView.notice`."""


def notice(view: BenchView) -> str:
    """Return what is told in passing, or ""."""
    return NOTICES.get(view.notice, view.notice.replace("-", " ").capitalize()) if view.notice else ""


def unstored(view: BenchView) -> str:
    """Return why nothing can be stored and how much waits for it, or ""."""
    if view.n_unstored < 2 or not view.store_problem:
        return view.store_problem
    return f"{view.store_problem} {view.n_unstored} steps wait in memory."


# ------------------------------------------------------------------------------------------------------------ verdict


def verdict_standing(view: BenchView) -> Standing:
    """Return where the tool stands: within, out, or in doubt by the decision rule."""
    verdict = view.verdict
    return told.standing(verdict is not None and verdict.within, verdict.judgement if verdict is not None else None)


def verdict_headline(view: BenchView) -> str:
    """Return the verdict as one short line for the tool."""
    if view.run is None or view.verdict is None:
        return "The run is finished"
    return told.HEADLINES[verdict_standing(view)].format(view.run.plan.tool.number)


def verdict_word(view: BenchView) -> str:
    """Return the big word."""
    return told.WORDS[verdict_standing(view)]


def verdict_action(view: BenchView) -> str:
    """Return what to do with the tool now, without a full stop."""
    if view.verdict is None:
        return ""
    stays_out = view.run is not None and is_not_in_service(view.run.plan)
    return told.action(verdict_standing(view), view.source, stays_out=stays_out).removesuffix(".")


def verdict_settle(view: BenchView) -> str:
    """Return what would settle a doubt, with figures; "" without one."""
    verdict, run = view.verdict, view.run
    if verdict is None or run is None or verdict.judgement is None or not verdict.within:
        return ""
    titles = [checkpoint_sentence(result, run.plan.tool) for result in verdict.checkpoints]
    return told.settle_sentence(list(zip(titles, verdict.judgement.checkpoints, strict=True)))


def zero_sentence(view: BenchView) -> str:
    """Return that zero had moved when the run ended, by more than a pull's rest may be off; "" where it had not."""
    moved = None if view.run is None else zero_moved(view.run)
    if moved is None or view.run is None:
        return ""
    moved_nm, share = moved
    unit = view.run.plan.tool.unit
    amount = format_torque(abs(moved_nm), unit, steps_of(view.capacity_nm)[1])
    return (
        f"Zero moved by {amount} {unit}, {percent(share, signed=False)} of the lowest target: find out why, run again."
    )


def verdict_conditions(view: BenchView) -> str:
    """Return what is to be said of zero, temperature and humidity, and why no uncertainty is stated; "" nothing."""
    verdict = view.verdict
    if verdict is None:
        return ""
    moved = zero_sentence(view)
    if verdict.judgement is None:
        return " ".join(part for part in (moved, verdict.judgement_problem) if part)
    said = [
        moved,
        *told.ambient_sentences(verdict.judgement.ambient_notes, {} if view.run is None else view.run.ambient),
    ]
    if view.run is not None:
        said.append(told.ambient_origin(view.run))
    return " ".join(part for part in said if part)


def verdict_aside(view: BenchView) -> str:
    """Return what setting readings aside has changed, or ""."""
    verdict = view.verdict
    if verdict is None:
        return ""
    within_with = verdict.within_with_set_aside
    return told.aside_sentence(verdict.n_set_aside, verdict.n_noticed, within=verdict.within, within_with=within_with)


WHERE_FROM_KEY: Final = "F1"
WHERE_FROM: Final = f"Where do these come from?  [{WHERE_FROM_KEY}]"
WHERE_FROM_TIP: Final = "Each figure with its formula or clause, its source, and how sure that is"
WHERE_FROM_PLAN: Final = f"Where from?  [{WHERE_FROM_KEY}]"
ORIGINS_HEAD: Final = "Where figures come from"
ORIGINS_DETAIL: Final = "where each number comes from  ·  back: {}  ·  the other half: {}"
VERDICT_FOOT: Final = "not a calibration certificate"


def checkpoint_sentence(result: CheckpointResult, tool: Tool) -> str:
    """Return the heading of a checkpoint on the verdict."""
    arrow = "" if result.checkpoint.direction is Direction.CLOCKWISE else "  anticlockwise"
    return f"{plain(result.checkpoint.target)} {tool.unit}{arrow}"


# ------------------------------------------------------------------------------------------------------------- others

KEYBOARD_LOST: Final = "The keyboard is elsewhere"
KEYBOARD_LOST_DETAIL: Final = "Keys and pedal go to another window. Click here to have them back."

OVERLOAD_WORD: Final = "OVERLOAD"
REFERENCE_STOPPED: Final = "{} is stopped"
"""After a daily check that is out of its limits."""


def overload_warning(percent_of_capacity: float, reference: str) -> str:
    """Return the warning that stands at the live figure from 95 % on; infinite: the transducer told it."""
    if math.isinf(percent_of_capacity):
        return f"{reference} says overload"
    return f"{percent_of_capacity:.0f} % of {reference}'s capacity"


LEAVE_QUESTION: Final = "Leave this run?"
LEAVE_DETAIL: Final = "The pulls stay in the record. Why?"
LEAVE_REASONS: Final = (
    "interrupted, comes back later",
    "wrong tool or procedure",
    "tool cannot be verified",
    "trying things out",
)
CLOSE_QUESTION: Final = "A run is under way"
CLOSE_DETAIL: Final = "Close, and it goes on at this pull when Kilter is opened again. Or leave it for good."
CLOSE_LOSES_QUESTION: Final = "Not everything is stored"
CLOSE_LOSES_DETAIL: Final = "What waits in memory is lost when the window is closed now."

AWAKE_PROBLEM: Final = "This desktop could not be asked to stay awake: switch screen lock and sleep off for the run."
SOUND_TIP: Final = "Sounds on or off (Ctrl+M)"


def sound_problem(why: str) -> str:
    """Return what a person is told when no sound can be played; `why` as the player says it."""
    return f"No sound ({why}): captures are told on the screen only. With a loudspeaker, open Kilter again."
