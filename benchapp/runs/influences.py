"""Geometric influences of a tool: guided series at its lowest value, model values, typed values with a reason. Pure.

A series changes one thing between groups of pulls: the tool is taken off and put back, its square or the adapter is
turned by quarters, the hand moves 10 mm along the grip. How far the groups' means lie apart is b, and b becomes one
contribution of the budget (`benchapp.metrology.budget`). What nobody measured or typed stays missing, never zero.

Series, counts of readings and the lowest value as the place: `benchapp/metrology/figures.toml`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from benchapp.metrology import budget, figures
from benchapp.metrology.budget import GivenBy
from benchapp.metrology.judgement import Geometric
from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool
from benchapp.pulls.pull import Flag, Pull
from benchapp.runs.planning import usable_range_nm
from benchapp.torque.direction import Direction
from benchapp.torque.units import from_nm, to_nm

KNOCK: Final = 0.2
"""What stays below this share of the target was a knock or a try of the seat, not a pull (our own choice)."""
COUNTS_DESPITE: Final = (Flag.PAST_CLICK,)
"""Torque after the click does not change the reading; every other flagged pull is pulled again."""
LEAST_TOOLS: Final = figures.count("model.fewest_tools")
"""A model value rests on this many tools of the model at least."""
MOST_PERCENT: Final = 20.0
"""A wider spread than this, percent of the lowest value, is no property of a tool but a mistake (our own choice)."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One influence and the series that measures it.

    Attributes:
        symbol: Of the contribution, e.g. "w_rep".
        name: For people.
        positions: Short name of each position.
        change: What to do before the first and before every later position.
    """

    symbol: str
    name: str
    positions: tuple[str, ...]
    change: tuple[str, ...]

    @property
    def n_readings(self) -> int:
        """Pulls at each position."""
        return figures.count(f"series.{self.symbol}")

    @property
    def source(self) -> str:
        """Where series and counts are from."""
        figure = figures.stated()[f"series.{self.symbol}"]
        return f"{figure.source}, {figure.clause}"

    @property
    def mark(self) -> str:
        """How sure we are of it (`benchapp.metrology.figures.MARKS`)."""
        return figures.stated()[f"series.{self.symbol}"].mark

    @property
    def n_pulls(self) -> int:
        """Pulls that must count."""
        return len(self.positions) * self.n_readings


_QUARTERS: Final = ("first quarter", "second quarter", "third quarter", "fourth quarter")

KINDS: Final[Mapping[str, Kind]] = {
    kind.symbol: kind
    for kind in (
        Kind(
            "w_rep",
            "taken off and put back",
            ("first seat", "second seat", "third seat", "fourth seat"),
            ("Put it on", *("Take it off, put it back on",) * 3),
        ),
        Kind(
            "w_od",
            "its square turned by quarters",
            _QUARTERS,
            ("Put it on and mark its square", *("Turn its square by a quarter",) * 3),
        ),
        Kind(
            "w_int",
            "the adapter turned by quarters",
            _QUARTERS,
            ("Put it on and mark the adapter", *("Turn the adapter by a quarter",) * 3),
        ),
        Kind(
            "w_l",
            "the hand 10 mm along the grip",
            ("10 mm outwards", "10 mm inwards"),
            ("Hand 10 mm outwards from the mark", "Hand 10 mm inwards from the mark"),
        ),
    )
}
"""Symbol -> influence, in the order of the standard."""


class InfluenceError(ValueError):
    """A value or series that cannot be; the message is a sentence with numbers."""


def kinds_of(tool: Tool) -> tuple[Kind, ...]:
    """Return the influences that the tool has; a screwdriver has no loading point."""
    return tuple(kind for kind in KINDS.values() if kind.symbol != "w_l" or not tool.is_screwdriver)


@dataclass(frozen=True, slots=True)
class SeriesPull:
    """A pull of a series.

    Attributes:
        position: Index into `Kind.positions`.
        reading_nm: As read; None without.
        flags: What was noticed.
        counts: Its reading is part of the mean.
    """

    position: int
    reading_nm: float | None
    flags: tuple[str, ...] = ()
    counts: bool = True


@dataclass(frozen=True, slots=True)
class Series:
    """One guided series, finished or under way.

    Attributes:
        tool: Number of the tool.
        symbol: Which influence.
        unit: Of the tool.
        target: Its lowest value, in `unit`.
        direction: Of the pulls.
        reference: Number of the reference.
        certificate: Its calibration in force; "" none.
        who: Who pulls.
        pulls: Every pull, oldest first.
    """

    tool: str
    symbol: str
    unit: str
    target: float
    direction: Direction
    reference: str
    certificate: str
    who: str
    pulls: tuple[SeriesPull, ...] = ()

    @property
    def kind(self) -> Kind:
        """What is measured, and how."""
        return KINDS[self.symbol]

    @property
    def target_nm(self) -> float:
        """Target in N·m."""
        return to_nm(self.target, self.unit)

    def readings(self, position: int) -> tuple[float, ...]:
        """Return the readings that count at a position, N·m."""
        return tuple(
            p.reading_nm for p in self.pulls if p.counts and p.position == position and p.reading_nm is not None
        )

    @property
    def position(self) -> int:
        """Where the next pull belongs; the number of positions when all are done."""
        full = (len(self.readings(i)) >= self.kind.n_readings for i in range(len(self.kind.positions)))
        return next((i for i, done in enumerate(full) if not done), len(self.kind.positions))

    @property
    def is_done(self) -> bool:
        """Every position has its readings."""
        return self.position == len(self.kind.positions)

    @property
    def is_at_a_start(self) -> bool:
        """Something is to be changed before the next pull: no reading counts at its position yet."""
        return not self.is_done and not self.readings(self.position)

    def means(self) -> tuple[float, ...]:
        """Return the mean of every position that is full, N·m."""
        return tuple(_mean(self.readings(i)) for i in range(self.position))

    @property
    def spread_nm(self) -> float:
        """B, N·m: greatest mean less smallest; of the full positions so far."""
        means = self.means()
        return max(means) - min(means) if means else 0.0

    def take(self, pull: Pull) -> tuple[Series, str]:
        """Return (the series with the pull, "" or why it does not count: "knock", "wrong-direction", a flag, …)."""
        if self.is_done or pull.peak < KNOCK * self.target_nm:
            return self, "knock"
        if pull.direction is not self.direction:
            return self, "wrong-direction"
        against = [flag.value for flag in pull.flags if flag not in COUNTS_DESPITE]
        reading = pull.reading if pull.reading is not None and pull.reading > 0 else None
        why = against[0] if against else ("" if reading is not None else "no-reading")
        taken = SeriesPull(self.position, reading, tuple(flag.value for flag in pull.flags), not why)
        return replace(self, pulls=(*self.pulls, taken)), why

    def turn_last(self) -> Series:
        """Return the series with its last pull set aside, or counted again (where it has a reading and room)."""
        if not self.pulls:
            return self
        last = self.pulls[-1]
        counts = not last.counts and last.reading_nm is not None
        if counts and len(self.readings(last.position)) >= self.kind.n_readings:
            return self
        return replace(self, pulls=(*self.pulls[:-1], replace(last, counts=counts)))


@dataclass(frozen=True, slots=True)
class Influence:
    """What is known of one influence of one tool; kept, and used in the budgets of its runs.

    Attributes:
        tool: Number of the tool.
        symbol: Which.
        spread_nm: B, N·m.
        at_nm: Mean reading, or lowest value, at which it holds, N·m; runs use it as a percentage of this.
        given_by: Measured, model or typed.
        reason: Where a model value is from, why a value was typed; "" measured.
        who: Who measured or entered it.
        at: ISO 8601.
        series: The pulls behind it; None of a value that was entered.
    """

    tool: str
    symbol: str
    spread_nm: float
    at_nm: float
    given_by: GivenBy
    reason: str
    who: str
    at: str
    series: Series | None = None

    def geometric(self) -> Geometric:
        """Return what a plan carries."""
        reason = self.reason
        if self.series is not None:
            n = self.series.kind.n_pulls
            reason = f"measured {self.at[:10]} by {self.who} against {self.series.reference}, {n} pulls"
        return Geometric(self.spread_nm, self.given_by, reason, self.at_nm)

    @property
    def percent(self) -> float:
        """Standard uncertainty, percent of the reading."""
        return contribution_percent(self.symbol, self.spread_nm, self.at_nm)


_FUNCTIONS: Final = {"w_rep": budget.w_rep, "w_od": budget.w_od, "w_int": budget.w_int, "w_l": budget.w_l}


def contribution_percent(symbol: str, spread_nm: float, at_nm: float) -> float:
    """Return the contribution of a spread, percent, by the budget's own formula."""
    return _FUNCTIONS[symbol](spread_nm, at_nm)


def begin_series(tool: Tool, symbol: str, reference: Reference, who: str) -> Series:
    """Return a series at the tool's lowest value, not begun.

    Raises:
        InfluenceError: The tool has no such influence, nobody pulls, or the reference does not reach down there.
    """
    if symbol not in {kind.symbol for kind in kinds_of(tool)}:
        raise InfluenceError(f"{tool.number} is a screwdriver: it has no loading point.")
    if not who.strip():
        raise InfluenceError("Who pulls? A name or a role.")
    target = tool.highest if tool.fixed else tool.lowest
    target_nm = to_nm(target, tool.unit)
    low_nm, high_nm = usable_range_nm(reference)
    if not low_nm * (1 - 1e-9) <= target_nm <= high_nm * (1 + 1e-9):
        low, high = (f"{from_nm(end, tool.unit):.6g}" for end in (low_nm, high_nm))
        raise InfluenceError(
            f"It is measured at the lowest value, {target:.6g} {tool.unit}; {reference.number} goes from {low} to "
            f"{high} {tool.unit}. Take a reference that reaches it."
        )
    calibration = reference.calibration
    certificate = "" if calibration is None else calibration.certificate
    return Series(tool.number, symbol, tool.unit, target, tool.directions[0], reference.number, certificate, who)


def measured(series: Series, at: str) -> Influence:
    """Return what a finished series says.

    Raises:
        InfluenceError: Pulls are still wanted.
    """
    if not series.is_done:
        n = series.kind.n_pulls - sum(len(series.readings(i)) for i in range(len(series.kind.positions)))
        raise InfluenceError(f"{n} of {series.kind.n_pulls} pulls are still wanted.")
    return Influence(
        series.tool,
        series.symbol,
        series.spread_nm,
        _mean(series.means()),
        GivenBy.MEASURED,
        "",
        series.who,
        at,
        series,
    )


def entered(tool: Tool, symbol: str, spread: float, given_by: GivenBy, reason: str, who: str, at: str) -> Influence:
    """Return a value that a person enters: of the model, or typed with a reason.

    Args:
        tool: The tool.
        symbol: Which influence.
        spread: B at the tool's lowest value, in the tool's unit, >= 0.
        given_by: `MODEL` or `TYPED`.
        reason: Of a model value where it is from; of a typed one why it holds.
        who: Who enters it.
        at: ISO 8601.

    Raises:
        InfluenceError: A negative or impossible value, or no reason.
    """
    lowest = tool.highest if tool.fixed else tool.lowest
    if not (math.isfinite(spread) and spread >= 0):
        raise InfluenceError(f"The spread is {spread:g}; accepted is 0 {tool.unit} or more.")
    if spread > lowest * MOST_PERCENT / 100:
        raise InfluenceError(
            f"{spread:g} {tool.unit} is {100 * spread / lowest:.3g} % of the lowest value {lowest:g} {tool.unit}; "
            f"accepted is up to {MOST_PERCENT:g} %, more is a fault of tool or fixture."
        )
    if len(reason.strip()) < 3:
        raise InfluenceError(
            "Where is it from? A sentence for the record."
            if given_by is GivenBy.MODEL
            else "Why does this value hold? A sentence for the record."
        )
    if not who.strip():
        raise InfluenceError("Who enters it? A name or a role.")
    return Influence(
        tool.number,
        symbol,
        to_nm(spread, tool.unit),
        to_nm(lowest, tool.unit),
        given_by,
        reason.strip(),
        who.strip(),
        at,
    )


@dataclass(frozen=True, slots=True)
class ModelValue:
    """What the measured tools of one model say.

    Attributes:
        relative: Greatest b of them, as a share of the value at which it was measured.
        tools: Their numbers.
    """

    relative: float
    tools: tuple[str, ...]


def model_value(found: Sequence[Influence], tool: Tool) -> ModelValue | None:
    """Return the model value of an influence; None with fewer than ten measured tools of the model.

    The greatest of the tools is taken, so that it is too large for most of them rather than too small (our own
    choice; the standard's rule could not be read).

    Args:
        found: The same influence of tools of the model, at most one each.
        tool: For which it is wanted; its own is left out.
    """
    used = [each for each in found if each.given_by is GivenBy.MEASURED and each.tool != tool.number]
    if len({each.tool for each in used}) < LEAST_TOOLS:
        return None
    return ModelValue(max(each.spread_nm / each.at_nm for each in used), tuple(sorted({each.tool for each in used})))


def of_model(tool: Tool, symbol: str, value: ModelValue, who: str, at: str) -> Influence:
    """Return the model value as this tool's influence."""
    lowest = tool.highest if tool.fixed else tool.lowest
    reason = f"greatest of {len(value.tools)} measured tools of this model: {', '.join(value.tools)}"
    return entered(tool, symbol, value.relative * lowest, GivenBy.MODEL, reason, who, at)


def geometric_of(known: Mapping[str, Influence], tool: Tool) -> dict[str, Geometric]:
    """Return what a plan carries of everything known; what is not known stays out and is named by the budget."""
    return {kind.symbol: known[kind.symbol].geometric() for kind in kinds_of(tool) if kind.symbol in known}


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)
