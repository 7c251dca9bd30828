"""Drills as data: what is practised, when a level is passed, what to change next, when to rest. Pure: no clock.

A level is passed by the numbers of `drills.toml` and by nothing else: so many of the last pulls meet every aim, and a
spread over the last pulls is met. There is no score behind it; `standing` returns all that is looked at.
"""

from __future__ import annotations

import datetime as dt
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from importlib import resources
from types import MappingProxyType
from typing import Any, Final

from benchapp.metrology.tool import Tool, ToolType
from benchapp.practice.marks import LAST, PullMarks, spread_percent
from benchapp.pulls.pull import Flag, Mode
from benchapp.runs.procedure import MARKS

SPREADS: Final[Mapping[str, str]] = MappingProxyType(
    {"spread_peak_percent": "peak_nm", "spread_first_peak_percent": "first_peak_nm"}
)
"""Aim over several pulls -> the mark whose spread it is."""

NAMES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "follow_percent": "past the click",
        "follow_s": "pulled on for",
        "rise_s": "last fifth of the load",
        "dip_percent": "deepest dip",
        "uneven_percent": "off a straight rise",
        "tremor_percent": "trembling",
        "rest_s": "back at rest after",
        "spread_peak_percent": "spread of your peaks",
        "spread_first_peak_percent": "spread of the wrench",
        "error_percent": "from the mark",
        "overshoot_percent": "past what was held",
    }
)
"""Mark -> what it is called on the screen."""

DEFINITIONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "follow_percent": "peak over first peak, minus one",
        "follow_s": "time above the first peak after the click",
        "rise_s": "time from 80 % of the reading to the reading",
        "dip_percent": "how far the torque stayed below what had been reached, for 30 ms and more",
        "uneven_percent": "greatest distance from a straight line over the last fifth, in percent of the reading",
        "tremor_percent": "median distance from the mean over 0.25 s, from half the reading on, in percent of it",
        "rest_s": "time from the reading back to rest; of an indicating tool from the end of the hold",
        "spread_peak_percent": "standard deviation of the peaks in percent of their mean",
        "spread_first_peak_percent": "standard deviation of the first peaks in percent of their mean",
        "error_percent": "steadiest half second against the mark, the tool's own deviation taken out",
        "overshoot_percent": "peak over the steadiest half second, minus one",
    }
)
"""Mark -> its definition in one line; in full at the functions of `marks.py`."""

UNITS: Final[Mapping[str, str]] = MappingProxyType({name: "s" if name.endswith("_s") else "%" for name in NAMES})
"""Mark -> its unit."""

TOLD: Final[Mapping[Mode, tuple[str, ...]]] = MappingProxyType(
    {
        Mode.FIRST_PEAK: ("follow_percent", "rise_s", "uneven_percent", "tremor_percent", "dip_percent", "rest_s"),
        Mode.HOLD: ("error_percent", "overshoot_percent", "rise_s", "tremor_percent", "rest_s"),
    }
)
"""Marks that are told of every pull, whatever the level asks."""

_OF_ONE_PULL: Final = frozenset(f.name for f in fields(PullMarks)) & frozenset(NAMES)
_KINDS: Final = ("most", "least", "within")
SETTING_OFF_PERCENT: Final = 20.0
"""A wrench that lets go further from its setting than this was set to something else, or is another one: no tool within
its limits is so far off (below it the flag `short` says the same; common practice)."""
UNREADABLE: Final = (Flag.GAP, Flag.CUT, Flag.UNCLEAR)
"""A pull with one of these was spoilt by its recording and counts neither way."""


class DrillError(ValueError):
    """A drill file that cannot be used; the message says where and why."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with where it comes from; `mark` is a key of `benchapp.runs.procedure.MARKS`."""

    value: float
    unit: str
    source: str
    mark: str


@dataclass(frozen=True, slots=True)
class Aim:
    """One number that a pull, or the spread over several, is held against.

    Attributes:
        of: Which mark (`NAMES`).
        kind: "most", "least" or "within" (plus or minus).
        figure: The limit.
    """

    of: str
    kind: str
    figure: Figure

    def is_met(self, value: float | None) -> bool:
        """True when `value` is on the right side of the limit; a value that is missing is not."""
        if value is None:
            return False
        if self.kind == "least":
            return value >= self.figure.value
        return (abs(value) if self.kind == "within" else value) <= self.figure.value


@dataclass(frozen=True, slots=True)
class Level:
    """What has to be reached.

    Attributes:
        number: From 1.
        good: So many …
        last: … of so many pulls must meet every aim of a single pull; spreads are over so many.
        aims: Of a single pull, the first to be mended first.
        spreads: Over the last pulls.
    """

    number: int
    good: Figure
    last: Figure
    aims: tuple[Aim, ...]
    spreads: tuple[Aim, ...]

    @property
    def n_good(self) -> int:
        """As a count."""
        return int(self.good.value)

    @property
    def n_last(self) -> int:
        """As a count."""
        return int(self.last.value)


@dataclass(frozen=True, slots=True)
class Drawing:
    """How it should look and how not: [(seconds, share of the set torque), …], and one sentence."""

    good: tuple[tuple[float, float], ...]
    poor: tuple[tuple[float, float], ...]
    says: str


@dataclass(frozen=True, slots=True)
class Drill:
    """One thing to practise.

    Attributes:
        key: Short name, kept with every pull.
        name: On the screen.
        about: Why, in a sentence or two.
        tool_type: For which tools.
        hidden: The curve and the figure stay hidden until the pull is over.
        levels: In order.
        drawing: How it should look.
        advice: Mark -> way of missing it ("most", "least", "above", "below", "good") -> sentence with {value}, {limit}.
    """

    key: str
    name: str
    about: str
    tool_type: ToolType
    hidden: bool
    levels: tuple[Level, ...]
    drawing: Drawing
    advice: Mapping[str, Mapping[str, str]]

    @property
    def mode(self) -> Mode:
        """How the reading is taken."""
        return Mode.FIRST_PEAK if self.tool_type is ToolType.SETTING else Mode.HOLD

    def level(self, number: int) -> Level:
        """Return level `number`, the nearest one there is."""
        return self.levels[min(max(number, 1), len(self.levels)) - 1]

    def suits(self, tool: Tool) -> bool:
        """True when the drill is for tools of this type."""
        return tool.tool_type is self.tool_type


@dataclass(frozen=True, slots=True)
class RestRules:
    """When to rest.

    Attributes:
        every_pulls: After so many pulls without a pause.
        pause_min: How long a pause is, minutes.
        most_a_day: After so many pulls it is enough for a day.
        tremor_grown: The last three pulls tremble so many times as much as the first five of the sitting …
        tremor_least: … and by at least so many percent.
    """

    every_pulls: Figure
    pause_min: Figure
    most_a_day: Figure
    tremor_grown: Figure
    tremor_least: Figure


@dataclass(frozen=True, slots=True)
class Drills:
    """All drills, in order, and the rules of rest."""

    all: tuple[Drill, ...]
    rest: RestRules

    def get(self, key: str) -> Drill | None:
        """Return the drill of that key; None when there is none."""
        return next((drill for drill in self.all if drill.key == key), None)


@dataclass(frozen=True, slots=True)
class Measured:
    """An aim with what was measured; None when the pulls do not tell."""

    aim: Aim
    value: float | None

    @property
    def is_met(self) -> bool:
        """On the right side of the limit."""
        return self.aim.is_met(self.value)


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a person stands on a level: everything that decides.

    Attributes:
        n_pulls: Pulls that count, those set aside among them, at most the level's last so many.
        n_good: Of them, those that meet every aim of a single pull.
        spreads: Each aim over the last pulls.
        is_passed: Enough pulls, enough good ones, every spread met.
    """

    n_pulls: int
    n_good: int
    spreads: tuple[Measured, ...]
    is_passed: bool


@dataclass(frozen=True, slots=True)
class Advice:
    """The one thing to change, or to keep.

    Attributes:
        of: Mark or flag it is about.
        sentence: For the person, with numbers.
        is_good: The pull met every aim.
    """

    of: str
    sentence: str
    is_good: bool


@dataclass(frozen=True, slots=True)
class Rest:
    """Why to rest and for how long.

    Attributes:
        sentence: For the person.
        until: ISO 8601 time until which the pause lasts; "" when it is enough for today.
    """

    sentence: str
    until: str


def measure(level: Level, marks: PullMarks) -> tuple[Measured, ...]:
    """Return every aim of a single pull with its value, in the level's order."""
    return tuple(Measured(aim, getattr(marks, aim.of)) for aim in level.aims)


def setting_off_percent(marks: PullMarks) -> float | None:
    """Return how far from what was to be set a setting tool let go, percent; None without a click or a target."""
    if marks.follow_percent is None or marks.first_peak_nm is None or not marks.target_nm:
        return None
    return 100.0 * (marks.first_peak_nm / marks.target_nm - 1.0)


def is_set_wrong(marks: PullMarks) -> bool:
    """True for a pull with another setting, or another tool, than was asked for."""
    return abs(setting_off_percent(marks) or 0.0) > SETTING_OFF_PERCENT


def is_readable(marks: PullMarks) -> bool:
    """False for a pull that counts neither way.

    It was spoilt by its recording (samples missing, cut, click or dip?), or made with another setting or tool.
    """
    return not any(flag in marks.flags for flag in UNREADABLE) and not is_set_wrong(marks)


def is_whole(marks: PullMarks) -> bool:
    """True when the pull has a reading and nothing makes it useless (pulled twice, too much for tool or reference)."""
    return marks.reading_nm is not None and not any(flag in marks.flags for flag in _FIRST)


def is_good(level: Level, marks: PullMarks) -> bool:
    """True when the pull meets every aim of a single pull (also when there is none: the spread decides)."""
    return is_whole(marks) and all(one.is_met for one in measure(level, marks))


def spreads(level: Level, pulls: Sequence[PullMarks]) -> tuple[Measured, ...]:
    """Return the aims over the last pulls with their values; a pull without a reading is left out.

    Args:
        level: Whose aims.
        pulls: Marks of the pulls that count, oldest first.
    """
    kept = [marks for marks in pulls if is_readable(marks) and marks.reading_nm is not None][-level.n_last :]
    found = []
    for aim in level.spreads:
        values = [value for marks in kept if (value := getattr(marks, SPREADS[aim.of])) is not None]
        found.append(Measured(aim, spread_percent(values, level.n_last)))
    return tuple(found)


def standing(level: Level, pulls: Sequence[PullMarks | None]) -> Standing:
    """Return where a person stands after `pulls`.

    Args:
        level: Which level.
        pulls: Marks of the person's pulls at this drill and level, oldest first; None for one that was set aside: it
            keeps its place among the last so many and is not good, so that nobody passes by choosing.
    """
    last = [marks for marks in pulls if marks is None or is_readable(marks)][-level.n_last :]
    kept = [marks for marks in last if marks is not None]
    n_good = sum(is_good(level, marks) for marks in kept)
    over = spreads(level, kept)
    if level.spreads:  # as many pulls as the spread is over, every one of them whole, none set aside
        enough = len(kept) >= level.n_last and all(is_whole(marks) for marks in kept)
    else:
        enough = len(kept) >= level.n_good
    passed = enough and n_good >= level.n_good and all(one.is_met for one in over)
    return Standing(len(last), n_good, over, passed)


def advise(drill: Drill, level: Level, pulls: Sequence[PullMarks]) -> Advice:
    """Return the one thing to change after the last pull.

    What makes a pull useless comes first (overload, no click, pulled twice, not readable, not the tool or the setting
    that was asked for), then the aims in the level's order, then the spread; the first that is missed is named and
    nothing else. When all are met, what the reader noticed about the manner and the level does not ask for is told: no
    jerk is to be pulled “the same again”.
    Else the aim nearest to its limit is told.

    Args:
        drill: Which drill.
        level: At which level.
        pulls: Marks of the pulls that count, the last one included, oldest first; not empty.
    """
    last = pulls[-1]
    for flag, sentence in _FIRST.items():
        if flag in last.flags:
            return Advice(flag.value, sentence, False)
    off = setting_off_percent(last)
    if off is not None and is_set_wrong(last):
        way = "above" if off > 0 else "below"
        return Advice("setting", f"It let go {abs(off):.0f} % {way} its setting. Right tool, set right?", False)
    if last.reading_nm is None:
        return Advice("reading", "Hold it still for a second at the mark, then ease off.", False)
    single = measure(level, last)
    over = spreads(level, pulls)
    for one in (*single, *over):
        if not one.is_met and one.value is not None:
            return Advice(one.aim.of, _sentence(drill, one), False)
    for flag, (of, sentence) in _BESIDES.items():
        value = getattr(last, of)
        if flag in last.flags and value is not None and not any(aim.of in _AS_MUCH[flag] for aim in level.aims):
            return Advice(flag.value, sentence.format(value=mark_text(of, value)), True)
    told = [one for one in (*over, *single) if one.value is not None]
    # of what is met, the one that is nearest to being missed
    told.sort(key=_nearness, reverse=True)
    if not told:
        left = level.n_last - standing(level, pulls).n_pulls
        return Advice("more", f"Captured. {left} more to tell." if left > 0 else "Captured. The same again.", True)
    return Advice(told[0].aim.of, _sentence(drill, told[0], good=True), True)


_FIRST: Final[Mapping[Flag, str]] = MappingProxyType(
    {
        Flag.OVERLOAD: "Too much: above the reference's capacity. Pull less hard.",
        Flag.TOOL_OVERLOAD: "Too much for the tool: stop at the click. Have it looked at.",
        Flag.NO_CLICK: "No click: pull on, evenly, until the tool lets go.",
        Flag.DOUBLE: "One pull only: ease all the way back before the next.",
        Flag.CUT: "That one could not be read. Pull once more.",
        Flag.GAP: "Samples are missing in that one. Pull once more.",
        Flag.UNCLEAR: "Its click drowned in the arm's dips. Pull once more, evenly.",
    }
)


_BESIDES: Final[Mapping[Flag, tuple[str, str]]] = MappingProxyType(
    {
        Flag.JERKY: ("dip_percent", "Aim met. Next, keep it rising: it fell back by {value}."),
        Flag.TOO_FAST: ("rise_s", "Aim met. Next, slower at the end: the last fifth took {value}."),
        Flag.TOO_SLOW: ("rise_s", "Aim met. Next, quicker at the end: the last fifth took {value}."),
        Flag.PAST_CLICK: ("follow_percent", "Aim met. Next, stop sooner: {value} past the click."),
    }
)
_AS_MUCH: Final[Mapping[Flag, tuple[str, ...]]] = MappingProxyType(
    {
        Flag.JERKY: ("dip_percent",),
        Flag.TOO_FAST: ("rise_s",),
        Flag.TOO_SLOW: ("rise_s",),
        Flag.PAST_CLICK: ("follow_percent", "follow_s"),
    }
)
"""Aims that say of a pull what a flag says: where one is set, its limit is the one that counts."""


def mark_text(of: str, value: float) -> str:
    """Return a mark that is held against nothing, to two figures.

    >>> mark_text("rise_s", 0.6432), mark_text("follow_percent", 116.4), mark_text("dip_percent", 0.0)
    ('0.64 s', '116 %', '0 %')
    """
    size = abs(value)
    decimals = 0 if size >= 9.95 or size < 0.005 else 1 if size >= 0.995 else 2
    return f"{value:.{decimals}f} {UNITS[of]}"


def _nearness(one: Measured) -> float:
    """How near to its limit a met aim is: 1 at the limit, 0 far from it."""
    value, limit = abs(one.value or 0.0), one.aim.figure.value
    return limit / value if one.aim.kind == "least" and value else value / limit


def _sentence(drill: Drill, one: Measured, *, good: bool = False) -> str:
    said = drill.advice[one.aim.of]
    value = one.value or 0.0
    kind = "good" if good else one.aim.kind
    if kind == "within":
        kind = "above" if value > 0 else "below"
    return said[kind].format(value=quantity(abs(value), one.aim), limit=quantity(one.aim.figure.value, one.aim))


def quantity(value: float, aim: Aim) -> str:
    """Return a value with the decimals that its limit deserves, never so short that it looks met when it is not.

    >>> aim = Aim("follow_percent", "most", Figure(6.0, "%", "", "P"))
    >>> quantity(6.04, aim), quantity(12.3, aim), quantity(6.0, aim)
    ('6.04 %', '12 %', '6 %')
    """
    limit = aim.figure.value
    text = f"{value:.3f}"
    for decimals in range(4):
        text = f"{value:.{decimals}f}"
        near = abs(float(text) - value) <= 0.05 * max(abs(value), 1e-12) + 1e-9
        if near and (float(text) <= limit) == (value <= limit) and (float(text) >= limit) == (value >= limit):
            break
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{text} {aim.figure.unit}"


def rest_due(rules: RestRules, pulls: Sequence[tuple[str, PullMarks]], now: dt.datetime) -> Rest | None:
    """Return whether it is time to rest.

    Args:
        rules: From the drills' file.
        pulls: (ISO 8601 time, marks) of the person's pulls at any drill, oldest first.
        now: Aware of its offset.

    Returns:
        None while there is nothing against another pull.
    """
    pause = dt.timedelta(minutes=rules.pause_min.value)
    when = [dt.datetime.fromisoformat(at) for at, _ in pulls]
    today = [at for at in when if at.astimezone(now.tzinfo).date() == now.date()]
    if len(today) >= rules.most_a_day.value:
        return Rest(f"{len(today)} pulls today: enough. Go on tomorrow.", "")
    if not when or now - when[-1] >= pause:
        return None
    first = len(when) - 1
    while first > 0 and when[first] - when[first - 1] < pause:
        first -= 1
    until = when[-1] + pause
    sitting = pulls[first:]
    # the first five are compared with the last three only when these are later ones
    trembles = [marks.tremor_percent for _, marks in sitting if marks.tremor_percent is not None]
    if len(trembles) >= 8:
        before, lately = sorted(trembles[:5])[2], sorted(trembles[-3:])[1]
        if lately >= rules.tremor_least.value and lately > rules.tremor_grown.value * before:
            return Rest(
                f"Your arm tires: trembling {before:.1f} to {lately:.1f} %. Rest {rules.pause_min.value:g} minutes.",
                until.isoformat(),
            )
    if len(sitting) % int(rules.every_pulls.value) == 0:
        return Rest(f"{len(sitting)} pulls: rest your arm for {rules.pause_min.value:g} minutes.", until.isoformat())
    return None


# ------------------------------------------------------------------------------------------------------------- reading


@lru_cache(maxsize=1)
def shipped_drills() -> Drills:
    """Return the drills that come with the program."""
    text = resources.files("benchapp.practice").joinpath("drills.toml").read_text(encoding="utf-8")
    return read_drills(text, "drills.toml")


def read_drills(text: str, name: str) -> Drills:
    """Return the drills of a TOML text.

    Raises:
        DrillError: With file, place and reason.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DrillError(f"{name}: {error}") from error
    rest = RestRules(
        **{f.name: _figure(data.get("rest", {}).get(f.name), f"{name}: rest.{f.name}") for f in fields(RestRules)}
    )
    advice = data.get("advice", {})
    drills = tuple(_drill(one, advice, name) for one in data.get("drill", []))
    if not drills or len({drill.key for drill in drills}) != len(drills):
        raise DrillError(f"{name}: drills are missing or share a key")
    return Drills(drills, rest)


def _figure(data: Any, place: str, *, count: bool = False) -> Figure:
    if not isinstance(data, dict):
        raise DrillError(f"{place}: a figure with value, source and mark is missing")
    value = data.get("value")
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value) or value <= 0:
        raise DrillError(f"{place}: a number above zero was expected, not {value!r}")
    if count and value != int(value):
        raise DrillError(f"{place}: a whole number was expected, not {value!r}")
    if not str(data.get("source", "")).strip():
        raise DrillError(f"{place}: where it comes from is missing")
    if data.get("mark") not in MARKS:
        raise DrillError(f"{place}: mark {data.get('mark')!r} is none of {', '.join(MARKS)}")
    return Figure(float(value), str(data.get("unit", "")), str(data["source"]), str(data["mark"]))


def _drill(data: Mapping[str, Any], advice: Mapping[str, Any], name: str) -> Drill:
    key = str(data.get("key", ""))
    place = f"{name}: drill {key or '?'}"
    for field in ("key", "name", "about", "tool", "hidden", "picture", "level"):
        if field not in data:
            raise DrillError(f"{place}: {field} is missing")
    if data["tool"] not in ("setting", "indicating"):
        raise DrillError(f"{place}: tool {data['tool']!r} is neither setting nor indicating")
    levels = tuple(_level(one, i + 1, f"{place}, level {i + 1}") for i, one in enumerate(data["level"]))
    if not levels:
        raise DrillError(f"{place}: no level")
    for level in levels:
        for aim in (*level.aims, *level.spreads):
            ways = ("above", "below") if aim.kind == "within" else (aim.kind,)
            for way in (*ways, "good"):
                if way not in advice.get(aim.of, {}):
                    raise DrillError(f"{place}: there is no sentence for {aim.of}, {way}")
    picture = data["picture"]
    return Drill(
        key=key,
        name=str(data["name"]),
        about=str(data["about"]),
        tool_type=ToolType.SETTING if data["tool"] == "setting" else ToolType.INDICATING,
        hidden=bool(data["hidden"]),
        levels=levels,
        drawing=Drawing(_points(picture, "good", place), _points(picture, "poor", place), str(picture["says"])),
        advice=MappingProxyType({of: MappingProxyType(dict(said)) for of, said in advice.items()}),
    )


def _points(picture: Mapping[str, Any], which: str, place: str) -> tuple[tuple[float, float], ...]:
    points = tuple((float(x), float(y)) for x, y in picture.get(which, ()))
    if len(points) < 2 or list(points) != sorted(points):
        raise DrillError(f"{place}: picture.{which} needs two or more points that go on in time")
    return points


def _level(data: Mapping[str, Any], number: int, place: str) -> Level:
    last = _figure(data.get("last"), f"{place}, last", count=True)
    aims: list[Aim] = []
    over: list[Aim] = []
    for one in data.get("aims", []):
        of, kind = str(one.get("of", "")), str(one.get("is", ""))
        if kind not in _KINDS or of not in (*_OF_ONE_PULL, *SPREADS):
            raise DrillError(f"{place}: {of!r} is {kind!r} says nothing")
        (over if of in SPREADS else aims).append(Aim(of, kind, _figure(one, f"{place}, {of}")))
    if not aims and not over:
        raise DrillError(f"{place}: no aim")
    if aims:
        good = _figure(data.get("good"), f"{place}, good", count=True)
    else:
        good = Figure(0.0, "", "only the spread counts", "D")
    if good.value > last.value:
        raise DrillError(f"{place}: {good.value:g} good ones of {last.value:g} cannot be")
    if over and last.value > LAST:
        raise DrillError(f"{place}: a spread is over at most {LAST} pulls")
    return Level(number, good, last, tuple(aims), tuple(over))
