"""Progress over weeks: of one person with their own numbers, of a group without names. Pure: no clock.

A practice pull is never evidence: it touches no run, no tool and no entry of the chain, and its person may delete it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from benchapp.practice.drills import TOLD, Drills, is_readable
from benchapp.practice.marks import LAST, PullMarks, spread_percent
from drivers.samples import Source

LEAST_GROUP: Final = 5
"""A week is shown for a group only when at least so many people practised in it, so that nobody can be told from it
(five is a usual least cell of published tables; common practice)."""

SHOWN: Final = tuple(dict.fromkeys(of for told in TOLD.values() for of in told))
"""Marks whose progress is shown, as the median of a week; `error_percent` without its sign."""

SPREAD: Final = "spread_peak_percent"
"""Progress of the spread: over the last ten pulls of the week at one target."""


@dataclass(frozen=True, slots=True)
class PracticedPull:
    """One stored practice pull.

    Attributes:
        person: Who pulled.
        at: When it closed, ISO 8601 with offset.
        drill: Key of the drill.
        level: Level practised.
        tool: Number of the tool.
        source: Where the samples came from.
        marks: What was measured.
        aims: (mark, kind, limit) of the level as it was then.
        is_good: It met every aim of a single pull.
        passed: With this pull the level was passed.
        set_aside: The person said that it does not count.
        key: Row key; 0 before it is stored.
    """

    person: str
    at: str
    drill: str
    level: int
    tool: str
    source: Source
    marks: PullMarks
    aims: tuple[tuple[str, str, float], ...] = ()
    is_good: bool = False
    passed: bool = False
    set_aside: bool = False
    key: int = 0


@dataclass(frozen=True, slots=True)
class Week:
    """One week of a person or a group.

    Attributes:
        monday: Its first day.
        n_pulls: Pulls that count.
        n_days: Days on which there were any.
        n_people: People who pulled.
        values: Mark -> median of the week (of a group: the median of its people's medians).
    """

    monday: dt.date
    n_pulls: int
    n_days: int
    n_people: int
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class HiddenWeek:
    """A week of a group that is not shown because too few people practised; how many is not told either."""

    monday: dt.date


@dataclass(frozen=True, slots=True)
class Reached:
    """How far a person is with one drill.

    Attributes:
        drill: Key.
        level: Highest level passed; 0 none.
        at: When, ISO 8601; "" never.
        n_pulls: Pulls that count.
    """

    drill: str
    level: int
    at: str
    n_pulls: int


def monday_of(at: str) -> dt.date:
    """Return the Monday of the week (ISO 8601) in which `at` lies, in the offset it was written with."""
    day = dt.datetime.fromisoformat(at).date()
    return day - dt.timedelta(days=day.weekday())


def counted(pulls: Iterable[PracticedPull]) -> list[PracticedPull]:
    """Return the pulls that count: not set aside, not spoilt by the recording."""
    return [pull for pull in pulls if not pull.set_aside and is_readable(pull.marks)]


def weeks(pulls: Iterable[PracticedPull]) -> list[Week]:
    """Return the weeks of one person, oldest first; weeks without a pull are left out.

    Args:
        pulls: Of one person (of one drill or several), oldest first.
    """
    found = []
    for monday, kept in sorted(_by_week(counted(pulls)).items()):
        days = {pull.at[:10] for pull in kept}
        people = {pull.person for pull in kept}
        found.append(Week(monday, len(kept), len(days), len(people), _values(kept)))
    return found


def group_weeks(pulls: Iterable[PracticedPull], least: int = LEAST_GROUP) -> list[Week | HiddenWeek]:
    """Return the weeks of a group without names, oldest first.

    Every person counts once a week, with the median of their own pulls, however many they made: nobody stands out by
    pulling a lot. A mark is shown only when at least `least` people have it in that week.

    Args:
        pulls: Of any people, of one drill.
        least: People below which a week is hidden, 2 or more.

    Raises:
        ValueError: A group of one would be a person.
    """
    if least < 2:
        raise ValueError(f"a group of {least} is a person")
    found: list[Week | HiddenWeek] = []
    for monday, kept in sorted(_by_week(counted(pulls)).items()):
        people: dict[str, list[PracticedPull]] = {}
        for pull in kept:
            people.setdefault(pull.person, []).append(pull)
        if len(people) < least:
            found.append(HiddenWeek(monday))
            continue
        each = [_values(own) for own in people.values()]
        values = {}
        for name in (*SHOWN, SPREAD):
            having = [one[name] for one in each if name in one]
            if len(having) >= least:
                values[name] = float(median(having))
        found.append(Week(monday, len(kept), len({pull.at[:10] for pull in kept}), len(people), values))
    return found


@dataclass(frozen=True, slots=True)
class Line:
    """As much of a pull as tells how far a person is.

    Attributes:
        drill: Key.
        level: Practised.
        at: ISO 8601.
        passed: With this pull the level was passed.
        counts: Not set aside, not spoilt by the recording.
    """

    drill: str
    level: int
    at: str
    passed: bool
    counts: bool


def line_of(pull: PracticedPull) -> Line:
    """Return a pull's line."""
    return Line(pull.drill, pull.level, pull.at, pull.passed, not pull.set_aside and is_readable(pull.marks))


def reached(drills: Drills, lines: Iterable[Line]) -> list[Reached]:
    """Return how far a person is, a line a drill, in the drills' order.

    Args:
        drills: All there are.
        lines: Of one person's pulls, oldest first.
    """
    by_drill: dict[str, list[Line]] = {}
    for line in lines:
        by_drill.setdefault(line.drill, []).append(line)
    found = []
    for drill in drills.all:
        own = by_drill.get(drill.key, [])
        best = max((line for line in own if line.passed), key=lambda line: line.level, default=None)
        n = sum(line.counts for line in own)
        found.append(Reached(drill.key, best.level if best else 0, best.at if best else "", n))
    return found


def _by_week(pulls: Iterable[PracticedPull]) -> dict[dt.date, list[PracticedPull]]:
    by_week: dict[dt.date, list[PracticedPull]] = {}
    for pull in pulls:
        by_week.setdefault(monday_of(pull.at), []).append(pull)
    return by_week


def _values(pulls: Sequence[PracticedPull]) -> dict[str, float]:
    values: dict[str, float] = {}
    for name in SHOWN:
        having = [abs(value) for pull in pulls if (value := getattr(pull.marks, name)) is not None]
        if having:
            values[name] = float(median(having))
    # peaks at different targets are no spread: the target pulled at last
    target = pulls[-1].marks.target_nm
    peaks = [p.marks.peak_nm for p in pulls if p.marks.target_nm == target and p.marks.reading_nm is not None]
    spread = spread_percent(peaks, LAST)
    if spread is not None and len(peaks) >= LAST // 2:
        values[SPREAD] = spread
    return values
