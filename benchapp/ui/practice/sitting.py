"""A sitting: one person, one tool, one drill, pull after pull. Plain Python, no Qt: the page mirrors it.

A sitting takes closed pulls, measures them, stores them, and says the one thing to change. Verification records are
not within its reach: it writes practice pulls only.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from benchapp.metrology.reference import Reference
from benchapp.metrology.suitability import use_at
from benchapp.metrology.tool import Tool, ToolType
from benchapp.practice.drills import (
    Advice,
    Drill,
    Drills,
    Level,
    Measured,
    Rest,
    Standing,
    advise,
    is_good,
    is_readable,
    measure,
    rest_due,
    spreads,
    standing,
)
from benchapp.practice.marks import PullMarks, marks_of
from benchapp.practice.progress import PracticedPull
from benchapp.records.model import Outcome, ReadingRow, ToolRecord, ToolState
from benchapp.records.store import Store
from benchapp.session.view import PracticeAim, PracticePull
from benchapp.torque.direction import Direction
from benchapp.torque.units import from_nm, to_nm

HEADROOM = 1.3
"""A reference must carry so many times the set torque: a beginner's hand goes on past the click."""
LEAST_PEAK = 0.2
"""What stays below this share of the set torque was a knock or a try of the seat, not a pull."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What is practised.

    Attributes:
        person: Who.
        tool: With which tool.
        drill: What.
        level: Which level, from 1.
        target_nm: Set on the tool, or aimed at.
        reference: Pulled against.
        direction: Of the pulls that count.
        tool_deviation_percent: Of an indicating tool near the target, from its last verification.
    """

    person: str
    tool: Tool
    drill: Drill
    level: int
    target_nm: float
    reference: Reference | None
    direction: Direction = Direction.CLOCKWISE
    tool_deviation_percent: float = 0.0

    @property
    def the_level(self) -> Level:
        """Its aims."""
        return self.drill.level(self.level)

    @property
    def target(self) -> float:
        """The target in the tool's own unit."""
        return from_nm(self.target_nm, self.tool.unit)

    def aim(self) -> PracticeAim:
        """What the bench shall read."""
        least = next((a.figure.value for a in self.the_level.aims if a.of == "rise_s" and a.kind == "least"), None)
        most = next((a.figure.value for a in self.the_level.aims if a.of == "rise_s" and a.kind == "most"), None)
        window = (least, most) if least is not None and most is not None else None
        return PracticeAim(self.reference, self.drill.mode, self.direction, self.target_nm, window)


@dataclass(frozen=True, slots=True)
class Told:
    """What is said after a pull.

    Attributes:
        pull: As stored.
        advice: The one thing.
        measured: Every aim of the level with what came of it.
        standing: Where the person stands now.
        is_passed_now: The level was passed with this very pull.
        peak_spread_percent: Of the last ten peaks (the person's); None with fewer than three.
        first_peak_spread_percent: Of the last ten first peaks (the wrench's).
    """

    pull: PracticedPull
    advice: Advice
    measured: tuple[Measured, ...]
    standing: Standing
    is_passed_now: bool = False
    peak_spread_percent: float | None = None
    first_peak_spread_percent: float | None = None


@dataclass(slots=True)
class Sitting:
    """The pulls of one choice.

    Attributes:
        store: Where pulls are kept; None keeps none (and says so in `problem`).
        drills: For the rules of rest.
        choice: What is practised.
        clock: Gives the wall time with its offset.
        pulls: Of this sitting, oldest first, set aside ones included.
        before: All earlier pulls of the person, for the rules of rest.
        told: What was said last.
        problem: Why the last pull could not be stored; "" if it was.
        notice: Something told in passing, e.g. that a pull went the other way; "".
        rest: Time to rest; None while there is nothing against another pull.
    """

    store: Store | None
    drills: Drills
    choice: Choice
    clock: Callable[[], dt.datetime]
    pulls: list[PracticedPull] = field(default_factory=list)
    before: list[PracticedPull] = field(default_factory=list)
    told: Told | None = None
    problem: str = ""
    notice: str = ""
    rest: Rest | None = None

    def begin(self) -> None:
        """Read what the person did before."""
        if self.store is not None:
            from benchapp.records import practice

            since = (self.clock() - dt.timedelta(days=1)).date().isoformat()
            self.before = practice.pulls_of(self.store, self.choice.person, since=since)
        self.rest = self._rest()  # an arm does not rest by beginning anew

    @property
    def counted(self) -> list[PullMarks]:
        """Marks of the pulls that count at this level, oldest first."""
        return [pull.marks for pull in self.pulls if not pull.set_aside and pull.level == self.choice.level]

    @property
    def standing(self) -> Standing:
        """Where the person stands."""
        return standing(self.choice.the_level, self._placed)

    @property
    def _placed(self) -> list[PullMarks | None]:
        """Marks of the pulls at this level, oldest first; None for a readable one that was set aside."""
        own = [pull for pull in self.pulls if pull.level == self.choice.level]
        return [None if pull.set_aside else pull.marks for pull in own if not pull.set_aside or is_readable(pull.marks)]

    @property
    def is_passed(self) -> bool:
        """The level was passed in this sitting; pulls after it take that from nobody."""
        return any(pull.passed and pull.level == self.choice.level for pull in self.pulls)

    def take(self, closed: PracticePull) -> Told | None:
        """Take a closed pull in; None when it does not count at all (a knock, or the other way round)."""
        choice, level = self.choice, self.choice.the_level
        self.notice = ""
        if closed.pull.peak < LEAST_PEAK * choice.target_nm:
            self.notice = "knock"
            return None
        if closed.pull.direction is not choice.direction:
            self.notice = "wrong-direction"
            return None
        marks = marks_of(
            closed.pull,
            closed.t_s,
            closed.torque_nm,
            target_nm=choice.target_nm,
            tool_deviation_percent=choice.tool_deviation_percent,
        )
        was_passed = self.standing.is_passed
        now = standing(level, [*self._placed, marks])
        aims = tuple((aim.of, aim.kind, aim.figure.value) for aim in (*level.aims, *level.spreads))
        pull = PracticedPull(
            person=choice.person,
            at=closed.wall,
            drill=choice.drill.key,
            level=choice.level,
            tool=choice.tool.number,
            source=closed.source,
            marks=marks,
            aims=aims,
            is_good=is_good(level, marks),
            passed=now.is_passed and not was_passed,
        )
        self.pulls.append(self._keep(pull))
        self.told = self._tell()
        return self.told

    def set_aside(self) -> bool:
        """Set the last pull aside, or let it count again; False when there is none."""
        if not self.pulls or self.told is None:
            return False
        last = self.pulls[-1]
        changed = replace(last, set_aside=not last.set_aside, passed=False)
        del self.pulls[-1]
        if last.set_aside:
            now = standing(self.choice.the_level, [*self._placed, changed.marks])
            changed = replace(changed, passed=now.is_passed and not self.standing.is_passed)
        self.pulls.append(changed)
        if self.store is not None and changed.key:
            from benchapp.records import StoreError, practice

            try:
                practice.change(self.store, changed)
            except StoreError as error:
                self.problem = str(error)
        self.told = self._tell()
        return True

    def go_to(self, level: int) -> None:
        """Practise another level from now on, from its first pull."""
        self.choice = replace(self.choice, level=min(max(level, 1), len(self.choice.drill.levels)))
        self.told = None

    @property
    def has_next_level(self) -> bool:
        """There is a level above this one."""
        return self.choice.level < len(self.choice.drill.levels)

    def _keep(self, pull: PracticedPull) -> PracticedPull:
        from benchapp.records import StoreError, practice

        self.problem = ""
        if self.store is None:
            self.problem = "There is no store: this pull is not kept."
            return pull
        try:
            return practice.add_pull(self.store, pull)
        except StoreError as error:  # practice goes on; what could not be kept is said
            self.problem = str(error)
            return pull

    def _rest(self) -> Rest | None:
        marked = [(pull.at, pull.marks) for pull in (*self.before, *self.pulls)]
        return rest_due(self.drills.rest, marked, self.clock())

    def _tell(self) -> Told:
        last, level = self.pulls[-1], self.choice.the_level
        counted = self.counted
        if last.set_aside:
            place = "it stands as one that missed" if is_readable(last.marks) else "it does not count"
            said = Advice("aside", f"Set aside: {place}. Pull again.", False)
        else:
            said = advise(self.choice.drill, level, counted)
        self.rest = self._rest()
        own, wrench = _both_spreads(counted)
        return Told(
            pull=last,
            advice=said,
            measured=(*measure(level, last.marks), *spreads(level, counted)),
            standing=self.standing,
            is_passed_now=last.passed,
            peak_spread_percent=own,
            first_peak_spread_percent=wrench,
        )


def _both_spreads(pulls: Sequence[PullMarks]) -> tuple[float | None, float | None]:
    from benchapp.practice.marks import spread_percent

    read = [marks for marks in pulls if marks.first_peak_nm is not None and is_readable(marks)]
    if len(read) < 3:
        return None, None
    firsts = [marks.first_peak_nm for marks in read if marks.first_peak_nm is not None]
    return spread_percent([marks.peak_nm for marks in read]), spread_percent(firsts)


# ----------------------------------------------------------------------------------------- what may be practised with


def why_not(record: ToolRecord) -> str:
    """Return why nobody shall practise with this tool, and what to do; "" when its last result is good."""
    number = record.number
    if record.state is ToolState.QUARANTINED:
        return f"{number} is out of service. Take a tool that is in service."
    if record.state is ToolState.AT_LABORATORY:
        return f"{number} is at the laboratory. Take a tool that is in service."
    if record.state is not ToolState.IN_SERVICE:
        return f"{number} is {record.state.value}. Take a tool that is in service."
    if record.last_verified is None:
        return f"{number} has not been verified yet: a full run on the Bench comes first."
    if record.last_outcome is Outcome.OUT:
        return (
            f"{number} was out of its limits on {record.last_verified.isoformat()}: it would teach the wrong pull. "
            "Take another, or verify it again."
        )
    if record.last_outcome is not Outcome.WITHIN:
        return f"{number} has no good result since {record.last_verified.isoformat()}: verify it again on the Bench."
    return ""


def usual_target(tool: Tool) -> float:
    """Return what to set when nothing else is wished: the one value, or 60 % of the maximum on its scale."""
    if tool.fixed or tool.lowest == tool.highest:
        return tool.highest
    wished = max(tool.lowest, 0.6 * tool.highest)
    if tool.resolution:
        wished = round(wished / tool.resolution) * tool.resolution
    return float(f"{wished:.6g}")


def fitting(references: Sequence[Reference], target_nm: float, direction: Direction) -> list[Reference]:
    """Return the references that cover a practice at this torque, the smallest first."""
    fit = [
        reference
        for reference in references
        if reference.capacity_nm >= HEADROOM * target_nm and use_at(reference, direction, target_nm) is not None
    ]
    return sorted(fit, key=lambda reference: reference.capacity_nm)


def deviation_near(history: Sequence[ReadingRow], target_nm: float, direction: Direction) -> float:
    """Return the mean deviation of the tool's newest readings at the checkpoint nearest to the target, percent.

    Args:
        history: Pulls of the tool, any order.
        target_nm: Aimed at.
        direction: Of the pulls.

    Returns:
        0 when no checkpoint lies within a quarter of the target.
    """
    rows = [
        row
        for row in history
        if row.kind == "reading"
        and not row.set_aside
        and row.deviation_percent is not None
        and row.target_nm is not None
        and row.direction == direction.value
        and abs(row.target_nm - target_nm) <= 0.25 * target_nm
    ]
    if not rows:
        return 0.0
    newest = max(rows, key=lambda row: row.started).run_id
    rows = [row for row in rows if row.run_id == newest]
    nearest = min(abs((row.target_nm or 0.0) - target_nm) for row in rows)
    values = [
        row.deviation_percent
        for row in rows
        if row.deviation_percent is not None and abs((row.target_nm or 0.0) - target_nm) <= nearest + 1e-9
    ]
    return sum(values) / len(values)


def checked_target(tool: Tool, value: float, unit: str) -> tuple[float, str]:
    """Return (target in N·m, "") or (0, why not, with numbers)."""
    target_nm = to_nm(value, unit)
    low, high = tool.lowest_nm, tool.highest_nm
    if not low * (1 - 1e-9) <= target_nm <= high * (1 + 1e-9):
        shown = from_nm(target_nm, tool.unit)
        return 0.0, f"{tool.number} goes from {tool.lowest:g} to {tool.highest:g} {tool.unit}, not to {shown:.4g}."
    return target_nm, ""


def tool_word(tool: Tool) -> str:
    """Return "wrench" or "screwdriver" or, for one that shows torque, "tool"."""
    if tool.tool_type is ToolType.INDICATING:
        return "tool"
    return "screwdriver" if tool.is_screwdriver else "wrench"
