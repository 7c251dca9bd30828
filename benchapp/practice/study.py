"""Person or tool: a guided study of several people, several tools and repeated pulls, in random order and blind.

Readings of different tools are compared as deviations in percent of what each tool is set to. The order goes by
rounds: in each round everybody pulls every tool once, in an order of its own, so that what drifts with time (arms,
temperature, the tool's grease) falls on all alike, and a study that is broken off after some rounds is still balanced
and can be evaluated. Nobody sees a value before the study is over.

A pull is repeated when its reading cannot be trusted. How a person pulls (jerky, too fast, far past the click) is what
the study is about: such pulls count, unless the study was set up to repeat them too.

Nothing here becomes a verification record.
"""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from benchapp.metrology.anova import POOL_ABOVE, Study
from benchapp.metrology.anova import study as analyse
from benchapp.metrology.distributions import chi2_quantile
from benchapp.metrology.tool import Tool
from benchapp.practice.drills import SETTING_OFF_PERCENT
from benchapp.practice.finding import SOME_MORE, SOURCES, WHO, WITHIN, sentence
from benchapp.pulls.pull import Flag, Pull
from benchapp.torque.direction import Direction
from benchapp.torque.units import from_nm, to_nm
from drivers.samples import FloatArray, Source

LEAST: Final = 2
"""Least people, tools and repeats: with one of them there is no spread to tell."""
ADVISED: Final = (3, 5, 3)
"""People, tools, repeats from which on the result is worth the time (common practice in such studies is 3, 10, 3)."""
MOST_PULLS: Final = 400
"""More pulls than anybody makes on one day (our own choice)."""
BREAK_EVERY: Final = 20
"""Pulls of one person after which a break is proposed (our own choice: an arm tires)."""
BREAK_S: Final = 120.0
"""Its length (our own choice)."""
MOST_TRIES: Final = 5
"""After so many damaged pulls of one step in a row the person is told to look for the cause."""
KNOCK: Final = 0.2
"""What stays below this share of the target was a knock or a try of the seat, not a pull."""
WIDE_PERCENT: Final = 50.0
"""An interval of a share that is wider than this is said to be too wide to lean on."""

DAMAGED: Final = (
    Flag.NO_CLICK,
    Flag.UNCLEAR,
    Flag.DOUBLE,
    Flag.SHORT,
    Flag.ZERO_OFF,
    Flag.OVERLOAD,
    Flag.TOOL_OVERLOAD,
    Flag.GAP,
    Flag.CUT,
)
"""A pull with one of these is repeated: its reading cannot be trusted."""
OTHER_SETTING: Final = "other-setting"
"""It let go so far from its setting that it was another tool, or set to something else: repeated, too."""
MANNER: Final = (Flag.JERKY, Flag.TOO_FAST, Flag.TOO_SLOW, Flag.PAST_CLICK)
"""How a person pulls: part of what is studied; repeated only when the study says so."""


class Quantity(StrEnum):
    """Which torque of a pull is evaluated."""

    READING = "reading"  # where the tool let go: the wrench's number
    PEAK = "peak"  # where the hand went: what a bolt would have got


class StudyRefusedError(ValueError):
    """A study that cannot be made or evaluated; the message is a sentence with numbers and what would do."""


@dataclass(frozen=True, slots=True)
class StudyTool:
    """A tool of the study with what it is set to.

    Attributes:
        tool: Setting tool.
        target: In the tool's unit.
    """

    tool: Tool
    target: float

    @property
    def target_nm(self) -> float:
        """Target in N·m."""
        return to_nm(self.target, self.tool.unit)


@dataclass(frozen=True, slots=True)
class StudyPlan:
    """What is to be pulled, frozen when the study begins.

    Attributes:
        people: Who, >= 2, each once.
        tools: With what, >= 2, each once.
        n_repeats: Rounds, >= 2.
        seed: Of the order; the same seed gives the same order.
        order: (index of person, index of tool) of each pull.
        reference: Number of the reference; "" none.
        direction: Of all pulls.
        repeats_manner: Pulls flagged for the person's manner are repeated too.
        break_every: Pulls of one person after which a break is proposed; 0 never.
        break_s: Its length, seconds.
        gone: Who left before the end: pulls no more, and is not evaluated.
    """

    people: tuple[str, ...]
    tools: tuple[StudyTool, ...]
    n_repeats: int
    seed: int
    order: tuple[tuple[int, int], ...]
    reference: str = ""
    direction: Direction = Direction.CLOCKWISE
    repeats_manner: bool = False
    break_every: int = BREAK_EVERY
    break_s: float = BREAK_S
    gone: tuple[str, ...] = ()

    @property
    def staying(self) -> tuple[str, ...]:
        """Who is still in the study."""
        return tuple(name for name in self.people if name not in self.gone)

    @property
    def n_cells(self) -> int:
        """Pulls of one round, of those who stay."""
        return len(self.staying) * len(self.tools)

    @property
    def steps(self) -> tuple[int, ...]:
        """Indices into `order` of the pulls of those who stay."""
        return tuple(k for k, (i, _) in enumerate(self.order) if self.people[i] not in self.gone)

    def round_of(self, step: int) -> int:
        """Return the round of a step, from 1."""
        return step // (len(self.people) * len(self.tools)) + 1


@dataclass(frozen=True, slots=True)
class StudyPull:
    """A pull of a study as taken.

    Attributes:
        number: From 1, in the order in which they were made, repeated ones included.
        step: Index into `StudyPlan.order` that it was made for.
        person: Who.
        tool: Number of the tool.
        target_nm: What it was set to.
        reading_nm: First peak; None without.
        peak_nm: Greatest torque.
        flags: As noticed.
        counts: It is evaluated; else the step was pulled again.
        at: ISO 8601.
        source: Where the samples came from.
    """

    number: int
    step: int
    person: str
    tool: str
    target_nm: float
    reading_nm: float | None
    peak_nm: float
    flags: tuple[Flag, ...]
    counts: bool
    at: str
    source: Source

    def deviation_percent(self, quantity: Quantity) -> float | None:
        """Return (torque − target)/target in percent; None without a reading."""
        value = self.reading_nm if quantity is Quantity.READING else self.peak_nm
        return None if value is None else 100 * (value - self.target_nm) / self.target_nm


@dataclass(frozen=True, slots=True)
class Step:
    """What comes next.

    Attributes:
        index: Into `StudyPlan.order`; the length of the order when all is done.
        n_steps: Pulls that must count, of those who stay.
        n_done: Of them, those that are made.
        person: Who pulls; "" when all is done.
        tool: With what; None when all is done.
        round: From 1.
        tries: Damaged pulls of this step so far.
        changes_person: Somebody else than at the pull before.
        changes_tool: Another tool than at the pull before.
        break_due: A break comes first.
    """

    index: int
    n_steps: int
    n_done: int
    person: str = ""
    tool: StudyTool | None = None
    round: int = 0
    tries: int = 0
    changes_person: bool = False
    changes_tool: bool = False
    break_due: bool = False

    @property
    def is_done(self) -> bool:
        """All pulls are made."""
        return self.tool is None


def plan_study(
    people: Sequence[str],
    tools: Sequence[StudyTool],
    n_repeats: int,
    *,
    seed: int,
    reference: str = "",
    direction: Direction = Direction.CLOCKWISE,
    repeats_manner: bool = False,
    break_every: int = BREAK_EVERY,
    break_s: float = BREAK_S,
) -> StudyPlan:
    """Plan a study; the order follows from `seed` (>= 0) alone.

    Raises:
        StudyRefusedError: Too few or too many; somebody or something twice; a target that is not on a tool's scale.
    """
    names = tuple(name.strip() for name in people)
    for what, n in (("People", len(names)), ("Tools", len(tools)), ("Rounds", n_repeats)):
        if n < LEAST:
            raise StudyRefusedError(
                f"{what}: {n}; at least {LEAST} are needed, with fewer nothing can be told apart; "
                f"{ADVISED[0]} people, {ADVISED[1]} tools and {ADVISED[2]} rounds are a good study."
            )
    for what, keys in (("person", names), ("tool", tuple(one.tool.number for one in tools))):
        twice = [key for key, n in Counter(keys).items() if n > 1 or not key]
        if twice:
            raise StudyRefusedError(f"The {what} “{twice[0]}” stands twice or has no name; each is named once.")
    n = len(names) * len(tools) * n_repeats
    if n > MOST_PULLS:
        raise StudyRefusedError(
            f"{len(names)} people × {len(tools)} tools × {n_repeats} rounds are {n} pulls; at most {MOST_PULLS}. "
            "Take fewer rounds or tools."
        )
    for one in tools:
        tool = one.tool
        if not (math.isfinite(one.target) and tool.lowest * (1 - 1e-9) <= one.target <= tool.highest * (1 + 1e-9)):
            raise StudyRefusedError(
                f"{one.target:g} {tool.unit} is not on the scale of {tool.number}: {tool.lowest:g} to "
                f"{tool.highest:g} {tool.unit}."
            )
        if direction not in tool.directions:
            raise StudyRefusedError(f"{tool.number} does not work {direction.value}.")
    shuffler = np.random.default_rng(seed)
    cells = [(i, j) for i in range(len(names)) for j in range(len(tools))]
    order: list[tuple[int, int]] = []
    for _ in range(n_repeats):
        order.extend(cells[k] for k in shuffler.permutation(len(cells)))
    return StudyPlan(
        names, tuple(tools), n_repeats, seed, tuple(order), reference, direction, repeats_manner, break_every, break_s
    )


def outlook(n_people: int, n_tools: int, n_repeats: int, probability: float = 0.95) -> str:
    """Return what a study of this size can tell, with numbers; "" for one that cannot be made.

    A standard deviation that was found from ν degrees of freedom lies between √(ν/χ²) of itself; with two people
    there is one degree of freedom.
    """
    if min(n_people, n_tools, n_repeats) < LEAST:
        return ""
    short = [
        f"{n} {what} (better {good} or more)"
        for n, good, what in zip((n_people, n_tools, n_repeats), ADVISED, ("people", "tools", "rounds"), strict=True)
        if n < good
    ]
    tail = (1 - probability) / 2
    low, high = (math.sqrt((n_people - 1) / chi2_quantile(q, n_people - 1)) for q in (1 - tail, tail))
    few = f"Few: {', '.join(short)}. " if short else ""
    return (
        f"{few}The difference found between {n_people} people can be {low:.2f} to {high:.1f} times as much "
        f"({100 * probability:.0f} % interval); more people narrow it."
    )


def next_step(plan: StudyPlan, pulls: Sequence[StudyPull], *, rested_at: int = 0) -> Step:
    """Return what comes next.

    Args:
        plan: The study.
        pulls: All pulls so far, oldest first.
        rested_at: How many pulls there were when the last break was over; pulls after it count towards the next.
    """
    made = {pull.step for pull in pulls if pull.counts}
    steps = plan.steps
    ahead = [k for k in steps if k not in made]
    n_done = len(steps) - len(ahead)
    if not ahead:
        return Step(len(plan.order), len(steps), n_done)
    index = ahead[0]
    i, j = plan.order[index]
    person, tool = plan.people[i], plan.tools[j]
    tries = sum(1 for pull in pulls if pull.step == index and not pull.counts)
    before = pulls[-1] if pulls else None
    n_since = sum(1 for pull in pulls[rested_at:] if pull.person == person)
    return Step(
        index,
        len(steps),
        n_done,
        person,
        tool,
        round=plan.round_of(index),
        tries=tries,
        changes_person=before is None or before.person != person,
        changes_tool=before is None or before.tool != tool.tool.number,
        break_due=plan.break_every > 0 and n_since >= plan.break_every,
    )


def without(plan: StudyPlan, person: str) -> StudyPlan:
    """Return the plan after somebody has left: the others go on in the same order.

    Raises:
        StudyRefusedError: Nobody of that name is in it, or too few would be left.
    """
    if person not in plan.staying:
        raise StudyRefusedError(f"{person} is not in this study: {', '.join(plan.staying)}.")
    n = len(plan.staying) - 1
    if n < LEAST:
        raise StudyRefusedError(
            f"{n} of {len(plan.people)} people would be left without {person}; at least {LEAST} are needed. Go on "
            "another day, or begin a new study with others."
        )
    return replace(plan, gone=(*plan.gone, person))


def is_knock(plan: StudyPlan, step: Step, pull: Pull) -> bool:
    """True for what is no pull of this step: a knock, or the other way round."""
    assert step.tool is not None
    return pull.direction is not plan.direction or pull.peak < KNOCK * step.tool.target_nm


def why_again(plan: StudyPlan, pull: Pull, target_nm: float) -> str | None:
    """Return the flag for which a pull is repeated, or `OTHER_SETTING`; None when it counts."""
    if pull.reading is not None and abs(pull.reading / target_nm - 1.0) * 100.0 > SETTING_OFF_PERCENT:
        return OTHER_SETTING
    refused = (*DAMAGED, *MANNER) if plan.repeats_manner else DAMAGED
    found = next((flag for flag in pull.flags if flag in refused), None)
    if found is None and pull.reading is None:
        return Flag.NO_CLICK
    return found


def take(
    plan: StudyPlan, pulls: Sequence[StudyPull], step: Step, pull: Pull, *, at: str, source: Source
) -> StudyPull | None:
    """Return a closed pull as one of the study; None when it is no pull of this step (see `is_knock`)."""
    if step.tool is None or is_knock(plan, step, pull):
        return None
    return StudyPull(
        number=len(pulls) + 1,
        step=step.index,
        person=step.person,
        tool=step.tool.tool.number,
        target_nm=step.tool.target_nm,
        reading_nm=pull.reading,
        peak_nm=pull.peak,
        flags=pull.flags,
        counts=why_again(plan, pull, step.tool.target_nm) is None,
        at=at,
        source=source,
    )


# -------------------------------------------------------------------------------------------------------------- result


@dataclass(frozen=True, slots=True)
class Result:
    """What a study found, for one quantity.

    Attributes:
        plan: The study.
        quantity: Which torque.
        values: Deviations in percent of the target; shape (people who stayed, tools, whole rounds).
        analysis: By analysis of variance with interaction.
        n_counted: Pulls evaluated.
        n_repeated: Damaged pulls that were pulled again.
        n_left_out: Pulls of a round that was not finished.
        sentence: What it says, plainly.
        remarks: What must be known with it: pooling, negative components, wide intervals, too few.
    """

    plan: StudyPlan
    quantity: Quantity
    values: FloatArray
    analysis: Study
    n_counted: int
    n_repeated: int
    n_left_out: int
    sentence: str
    remarks: tuple[str, ...]


def evaluate(
    plan: StudyPlan, pulls: Sequence[StudyPull], quantity: Quantity = Quantity.READING, probability: float = 0.95
) -> Result:
    """Evaluate the whole rounds of a study.

    Raises:
        StudyRefusedError: Fewer than two whole rounds, or no spread at all.
    """
    counted = sorted((p for p in pulls if p.counts and p.person not in plan.gone), key=lambda pull: pull.step)
    n_rounds = len(counted) // plan.n_cells
    if n_rounds < LEAST:
        wanted = LEAST * plan.n_cells
        raise StudyRefusedError(
            f"Two whole rounds are {wanted} pulls; so far {len(counted)} count. Go on: {wanted - len(counted)} to go."
        )
    rows = {name: i for i, name in enumerate(plan.staying)}
    columns = {one.tool.number: j for j, one in enumerate(plan.tools)}
    values = np.full((len(rows), len(columns), n_rounds), np.nan)
    used = counted[: n_rounds * plan.n_cells]
    for pull in used:
        value = pull.deviation_percent(quantity)
        if value is not None:
            values[rows[pull.person], columns[pull.tool], plan.round_of(pull.step) - 1] = value
    if not np.all(np.isfinite(values)):
        raise StudyRefusedError("A pull of the study is missing in its records: it cannot be evaluated.")
    if not np.ptp(values) > 0:
        raise StudyRefusedError(
            f"All {values.size} values are {values.flat[0]:.4g} %: there is no spread to share out. "
            "Is the reference's resolution too coarse?"
        )
    analysis = analyse(values, probability)
    return Result(
        plan=plan,
        quantity=quantity,
        values=values,
        analysis=analysis,
        n_counted=len(used),
        n_repeated=sum(not pull.counts and pull.person not in plan.gone for pull in pulls),
        n_left_out=len(counted) - len(used),
        sentence=sentence(analysis),
        remarks=remarks(plan, analysis, n_rounds, n_left_out=len(counted) - len(used)),
    )


def remarks(plan: StudyPlan, analysis: Study, n_rounds: int, *, n_left_out: int = 0) -> tuple[str, ...]:
    """Return what must be known with a result, a sentence each."""
    said = []
    p = analysis.interaction.p
    differ = f"That people differ {SOME_MORE} than with others"
    if analysis.pooled:
        said.append(f"{differ}: p = {p:.2f}, above {POOL_ABOVE:g}, so it is counted {WITHIN}.")
    elif not math.isnan(p):
        said.append(f"{differ}: p = {p:.3f}, at most {POOL_ABOVE:g}, so it is kept apart and counted to {WHO}.")
    said.extend(
        f"The estimate for “{SOURCES[name]}” came out below zero (−{-variance:.3g}\u00a0%²): it is taken as zero."
        for name, variance in analysis.negative
        if not (analysis.pooled and name == "interaction")  # that one is counted elsewhere, not taken as zero
    )
    wide = analysis.shares.reproducibility
    if wide.high - wide.low > WIDE_PERCENT:
        said.append(
            f"The interval for {WHO} spans {wide.high - wide.low:.0f} points, too wide to lean on: more people "
            f"narrow it ({len(plan.staying)} pulled)."
        )
    if plan.gone:
        said.append(f"{', '.join(plan.gone)} left before the end: not evaluated; what was pulled stands in the export.")
    if n_left_out:
        said.append(f"{n_left_out} pulls of a round that was not finished are left out.")
    if n_rounds < plan.n_repeats:
        said.append(f"{n_rounds} of {plan.n_repeats} rounds were pulled.")
    said.append(outlook(len(plan.staying), len(plan.tools), n_rounds, analysis.probability))
    return tuple(said)


def csv_text(plan: StudyPlan, pulls: Sequence[StudyPull]) -> str:
    """Return all pulls, damaged ones included, as CSV (RFC 4180, UTF-8 text, point as decimal sign).

    Torques in N·m and in the tool's unit; deviations are (torque − target)/target in percent. The order's seed stands
    in each line.
    """
    units = {one.tool.number: one.tool.unit for one in plan.tools}
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(
        (
            *("number", "at", "round", "person", "tool", "unit", "target", "let_go_at", "peak", "target_nm"),
            *("let_go_at_nm", "peak_nm", "reading_deviation_percent", "peak_deviation_percent", "flags", "counts"),
            *("source", "seed"),
        )
    )

    def text(value: float | None) -> str:
        return "" if value is None else f"{value:.9g}"

    for pull in pulls:
        unit = units[pull.tool]

        def shown(torque_nm: float | None, unit: str = unit) -> str:
            return "" if torque_nm is None else f"{from_nm(torque_nm, unit):.9g}"

        writer.writerow(
            (
                *(pull.number, pull.at, plan.round_of(pull.step), pull.person, pull.tool, unit),
                *(shown(v) for v in (pull.target_nm, pull.reading_nm, pull.peak_nm)),
                *(text(v) for v in (pull.target_nm, pull.reading_nm, pull.peak_nm)),
                *(text(pull.deviation_percent(q)) for q in (Quantity.READING, Quantity.PEAK)),
                *(" ".join(pull.flags), "yes" if pull.counts else "no", pull.source.value, plan.seed),
            )
        )
    return out.getvalue()
