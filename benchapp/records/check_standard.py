"""A check standard: one stable tool pulled each morning, so that a reference that has moved shows before it is used.

The check is an ordinary sealed run of that tool against that reference; sealing it writes its mean deviation at the
agreed torque beside the others. Those are charted as individuals and as a moving average. A value outside stops every
further run with the reference until a custodian has looked at it and said why. What was agreed, and what the custodian
said, are entries of the chain; the values follow from sealed runs.
"""

from __future__ import annotations

import datetime as dt
import math
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from benchapp.metrology import figures
from benchapp.metrology.charts import D2, Chart, ewma, individuals
from benchapp.records.canonical import parse
from benchapp.records.dates import seconds
from benchapp.records.errors import NotAllowedError
from benchapp.records.model import EntryKind, Seal
from benchapp.records.shown import counted
from benchapp.runs.model import Run, RunState
from benchapp.torque.direction import Direction
from benchapp.torque.units import to_nm

if TYPE_CHECKING:
    from benchapp.records.store import Store

LEAST: Final = figures.count("check.fewest_values")
"""From so many values on there are limits."""
BASELINE: Final = figures.count("check.baseline")
"""The first so many values make the limits and then no longer move them."""
WEIGHT: Final = figures.number("check.weight")
"""λ of the moving average."""
WIDTH: Final = figures.number("check.width")
"""Limits in standard deviations, both charts."""
SAME_TORQUE: Final = 1e-3
"""A checkpoint is the agreed one when its target is the same to this share: what a change of unit rounds away."""
SOURCE: Final = (
    f"Individuals: mean ± 3 · (mean moving range) / {D2}. Moving average: λ = {WEIGHT}, mean ± {WIDTH:g} · s · "
    f"√(λ / (2 − λ)), s = (mean moving range) / {D2}. NIST/SEMATECH e-Handbook 6.3.2.2 and 6.3.2.4. Limits from the "
    f"first {LEAST} to {BASELINE} values, then fixed (common practice)."
)
"""How the limits come about, as it stands on the screen."""

_SET: Final = "check standard set"
_END: Final = "check standard ended"
AGREED: Final = (_SET, _END)
"""Acts of the entries that agree on a check standard or end it."""
LOOKED: Final = "check standard looked at"
"""Act of the entry in which a custodian says why the work goes on."""


@dataclass(frozen=True, slots=True)
class Setup:
    """What was agreed for a reference.

    Attributes:
        reference: Number of the reference.
        standard: Number of the tool that is pulled each morning.
        target: What it is set to, in the tool's unit.
        unit: That unit.
        direction: Direction of its pulls.
        since: ISO 8601; values from here on make the chart.
        who: Custodian who said so.
        why: Reason.
    """

    reference: str
    standard: str
    target: float
    unit: str
    direction: Direction
    since: str
    who: str
    why: str

    @property
    def target_nm(self) -> float:
        """The target in N·m."""
        return to_nm(self.target, self.unit)


@dataclass(frozen=True, slots=True)
class Value:
    """One morning's check.

    Attributes:
        key: Row key.
        at: ISO 8601, when its run was finished.
        value_percent: Mean deviation of the readings that count, percent.
        who: Who pulled.
        run_id: The sealed run.
        looked_at_by: Custodian who looked at it; "" nobody.
        looked_at_why: What the custodian said.
    """

    key: int
    at: str
    value_percent: float
    who: str
    run_id: str
    looked_at_by: str = ""
    looked_at_why: str = ""


@dataclass(frozen=True, slots=True)
class Point:
    """A value as the charts show it.

    Attributes:
        value: The value.
        average_percent: Moving average up to here; None before there are limits.
        limits: (lower, upper) for the value, from the values before it; None while they are too few.
        average_limits: The same for the moving average.
        is_out: The value lies outside its limits.
        average_is_out: The moving average does.
    """

    value: Value
    average_percent: float | None = None
    limits: tuple[float, float] | None = None
    average_limits: tuple[float, float] | None = None
    is_out: bool = False
    average_is_out: bool = False

    @property
    def stops(self) -> bool:
        """Outside, and no custodian has looked at it."""
        return (self.is_out or self.average_is_out) and not self.value.looked_at_by


@dataclass(frozen=True, slots=True)
class Standing:
    """How a reference stands by its check standard.

    Attributes:
        setup: What was agreed.
        points: Every value since then, oldest first.
        n_baseline: Values that make the limits in force.
        centre_percent: Mean of those; None while there are no limits.
        limits: Limits of the next value; None while there are none.
        average_limits: Of the moving average.
    """

    setup: Setup
    points: tuple[Point, ...]
    n_baseline: int
    centre_percent: float | None
    limits: tuple[float, float] | None
    average_limits: tuple[float, float] | None

    @property
    def stopped_by(self) -> Point | None:
        """The oldest value that nobody has looked at and that stops the work; None: the work may go on."""
        return next((point for point in self.points if point.stops), None)

    def last_on(self, day: dt.date) -> Point | None:
        """The newest value of that day; None: it was not checked."""
        last = self.points[-1] if self.points else None
        return last if last is not None and last.value.at[:10] == day.isoformat() else None

    def sentence(self, day: dt.date) -> str:
        """Return how the reference stands on `day`, as it goes into the record of a run."""
        setup, last = self.setup, self.points[-1] if self.points else None
        name = f"Check standard {setup.standard} against {setup.reference}"
        if last is None:
            return f"{name}: not pulled yet."
        said = f"{_percent(last.value.value_percent)} on {last.value.at[:16].replace('T', ' ')}"
        if last.value.at[:10] != day.isoformat():
            return f"{name}: not pulled on this day; last {said}."
        if last.limits is None:
            return f"{name}: {said}; limits come with {LEAST} values, this is number {len(self.points)}."
        if last.is_out or last.average_is_out:
            by, why = last.value.looked_at_by, last.value.looked_at_why
            return f"{name}: {said}, out of limits; " + (f"{by} looked at it: {why}" if by else "not looked at yet.")
        return f"{name}: {said}, within {_span(last.limits)}."

    def refusal(self) -> str:
        """Return why no run may start with the reference, with numbers and what to do; "" when it may."""
        point, setup = self.stopped_by, self.setup
        if point is None:
            return ""
        if point.is_out and point.limits is not None:
            found = f"read {_percent(point.value.value_percent)}, outside {_span(point.limits)}"
        else:
            average = point.average_percent or 0.0
            found = (
                f"reads {_percent(average)} in its moving average, outside {_span(point.average_limits or (0.0, 0.0))}"
            )
        return (
            f"{setup.reference} is stopped: its check standard {setup.standard} {found} on "
            f"{point.value.at[:16].replace('T', ' ')}. Have the custodian look at it (References, Daily check), "
            "or take another reference."
        )


def _span(limits: tuple[float, float]) -> str:
    return f"{_percent(limits[0])} to {_percent(limits[1])}"


def _percent(value: float) -> str:
    return f"{value:+.2f} %".replace("-", "\u2212")


def charted(setup: Setup, values: Sequence[Value]) -> Standing:
    """Judge each value by the ones before it, oldest first.

    The first `LEAST` make the first limits, the first `BASELINE` the ones that stay. A value that is out makes no
    limits. After one that a custodian has looked at, the moving average begins anew at the centre: its cause is known.
    While the values do not differ at all there are no limits.

    Source:
        NIST/SEMATECH e-Handbook 6.3.2.2 and 6.3.2.4; numbers of values by common practice.
    """
    base: list[float] = []
    points: list[Point] = []
    chart: Chart | None = None
    spread, average = 0.0, math.nan
    for value in values:
        x = value.value_percent
        point = Point(value)
        if chart is not None:
            before = chart.centre if math.isnan(average) else average
            average = ewma([x], before, spread, WEIGHT).values[0]
            low, high = _ends(chart, spread)
            is_out, average_is_out = not chart.lower <= x <= chart.upper, not low <= average <= high
            point = Point(value, average, (chart.lower, chart.upper), (low, high), is_out, average_is_out)
        points.append(point)
        if point.is_out or point.average_is_out:
            if value.looked_at_by:
                average = math.nan
        elif len(base) < BASELINE:
            base.append(x)
            chart, spread = _limits(base)
    if chart is None:
        return Standing(setup, tuple(points), len(base), None, None, None)
    return Standing(setup, tuple(points), len(base), chart.centre, (chart.lower, chart.upper), _ends(chart, spread))


def _limits(base: Sequence[float]) -> tuple[Chart | None, float]:
    if len(base) < LEAST:
        return None, 0.0
    chart = individuals(base)
    spread = (chart.upper - chart.centre) / 3
    return (chart, spread) if spread > 0 else (None, 0.0)


def _ends(chart: Chart, spread: float) -> tuple[float, float]:
    ends = ewma([chart.centre], chart.centre, spread, WEIGHT, WIDTH)
    return ends.lower, ends.upper


# --- the store


def set_standard(
    store: Store, reference: str, standard: str, target: float, direction: Direction, *, who: str, why: str
) -> Setup:
    """Agree on the tool that is pulled each morning against a reference; a new agreement begins a new chart.

    Args:
        store: Where it goes, as an entry of the chain.
        reference: Number of the reference.
        standard: Number of the tool.
        target: What it is set to, in its own unit.
        direction: Direction of the pulls.
        who: Custodian.
        why: Reason.

    Raises:
        NotAllowedError: No custodian, no reason, no such tool or reference, or a target that one of them has not.
    """
    _must_be_custodian(store, who, why, "A check standard is agreed on by a custodian, with a reason.")
    record, known = store.tool(standard), store.reference(reference)
    if record is None or known is None:
        missing = f"tool {standard}" if record is None else f"reference {reference}"
        raise NotAllowedError(store.path, f"There is no {missing}. Nothing was changed.")
    tool = record.tool
    if not tool.lowest <= target <= tool.highest:
        raise NotAllowedError(
            store.path,
            f"{standard} goes from {tool.lowest:g} to {tool.highest:g} {tool.unit}; {target:g} {tool.unit} is outside.",
        )
    if direction not in tool.directions:
        raise NotAllowedError(store.path, f"{standard} does not work {direction.value}.")
    calibration = known.calibration
    top = known.capacity_nm if calibration is None else min(calibration.usable_to_nm, known.capacity_nm)
    bottom = 0.0 if calibration is None else calibration.usable_from_nm
    if not bottom <= to_nm(target, tool.unit) <= top * (1 + 1e-9):
        raise NotAllowedError(
            store.path,
            f"{reference} counts from {bottom:g} to {top:g} N·m; {target:g} {tool.unit} is "
            f"{to_nm(target, tool.unit):.4g} N·m.",
        )
    details = {
        "standard": tool.number,
        "target": target,
        "unit": tool.unit,
        "direction": direction.value,
        "why": why,
    }
    seal = store.note_act(_SET, who=who, subject=subject_of(reference), details=details)
    return Setup(reference, tool.number, target, tool.unit, direction, seal.sealed, who, why)


def end_standard(store: Store, reference: str, *, who: str, why: str) -> Seal:
    """Do without a check standard from now on; what was pulled stays. Raises NotAllowedError."""
    _must_be_custodian(store, who, why, "A check standard is ended by a custodian, with a reason.")
    return store.note_act(_END, who=who, subject=subject_of(reference), details={"why": why})


def setup_of(store: Store, reference: str) -> Setup | None:
    """What is agreed on for a reference now; None: it has no check standard."""
    with store._db.reading_raw() as raw:
        return _setup(raw, reference)


def setups(store: Store) -> list[Setup]:
    """What is agreed on now, for every reference that has a check standard."""
    with store._db.reading_raw() as raw:
        numbers = [row[0] for row in raw.execute("SELECT number FROM refs ORDER BY number").fetchall()]
        found = [_setup(raw, number) for number in numbers]
    return [setup for setup in found if setup is not None]


def standing(store: Store, reference: str) -> Standing | None:
    """How a reference stands by its check standard; None: it has none."""
    with store._db.reading_raw() as raw:
        return _standing(raw, reference)


def refusal(store: Store, reference: str, tool: str) -> str:
    """Why no run of `tool` may start with `reference`: a sentence; "" when it may. The standard itself always may."""
    with store._db.reading_raw() as raw:
        return refusal_of(raw, reference, tool)


def look_at(store: Store, key: int, *, who: str, why: str) -> None:
    """The custodian looked at a value that is out and says why the work goes on; it becomes an entry of the chain.

    Raises:
        NotAllowedError: No custodian, no reason, no such value, or one that somebody looked at before.
    """
    _must_be_custodian(store, who, why, "A custodian looks at it, and says why the work goes on.")
    with store._db.writing_raw() as raw:
        row = raw.execute(
            "SELECT reference, value_percent, run_id, looked_at_by, looked_at_why FROM check_standard WHERE key = ?",
            (key,),
        ).fetchone()
        if row is None:
            raise NotAllowedError(store.path, f"There is no value {key} of a check standard.")
        if row[3]:
            raise NotAllowedError(store.path, f"{row[3]} looked at this value before: {row[4]}")
        content = {"act": LOOKED, "details": {"run": row[2], "value_percent": row[1], "why": why}}
        store._append(EntryKind.ACT, subject_of(row[0]), who, content)
        raw.execute("UPDATE check_standard SET looked_at_by = ?, looked_at_why = ? WHERE key = ?", (who, why, key))


def refusal_of(raw: sqlite3.Connection, reference: str, tool: str) -> str:
    """The same as `refusal` on a connection, for the store itself."""
    found = _standing(raw, reference)
    return "" if found is None or found.setup.standard == tool else found.refusal()


def take_value(raw: sqlite3.Connection, run: Run) -> None:
    """Put the value of a run that is being sealed beside the others, if it is a check; the store's transaction."""
    setup = _setup(raw, run.plan.reference.number)
    row = row_of(setup, run) if setup is not None else None
    if row is not None:
        raw.execute(
            "INSERT INTO check_standard (reference, standard, at, value_percent, who, run_id) VALUES (?,?,?,?,?,?)",
            (*row, run.run_id),
        )


def row_of(setup: Setup, run: Run) -> tuple[str, str, str, float, str] | None:
    """(reference, standard, at, value, who) that a sealed run gives; None: it is no check by this agreement."""
    if run.state is not RunState.SEALED or run.plan.tool.number != setup.standard:
        return None
    value = value_of(setup, run)
    return None if value is None else (setup.reference, setup.standard, run.finished, value, run.plan.operator)


def take_act(raw: sqlite3.Connection, subject: str, who: str, content: dict[str, Any]) -> None:
    """Put what an imported entry says of a custodian's look beside the value it is about."""
    if subject.startswith(subject_of("")) and content.get("act") == LOOKED:
        told = content["details"]
        raw.execute(
            "UPDATE check_standard SET looked_at_by = ?, looked_at_why = ? WHERE run_id = ?",
            (who, told["why"], told["run"]),
        )


def value_of(setup: Setup, run: Run) -> float | None:
    """Mean deviation, percent, of the readings that count at the agreed torque; None without any."""
    wanted = {
        index
        for index, point in enumerate(run.plan.checkpoints)
        if point.direction is setup.direction and math.isclose(point.target_nm, setup.target_nm, rel_tol=SAME_TORQUE)
    }
    deviations = [
        pull.deviation_percent
        for pull in counted(run)
        if pull.checkpoint_index in wanted and pull.deviation_percent is not None
    ]
    return math.fsum(deviations) / len(deviations) if deviations else None


def subject_of(reference: str) -> str:
    """Subject of the entries about a reference's check standard."""
    return f"check-standard:{reference}"


def setup_from(reference: str, who: str, sealed: str, content: Mapping[str, Any]) -> Setup | None:
    """What an entry agrees on; None where it ends the check standard. Only for entries that do one or the other."""
    if content["act"] == _END:
        return None
    told = content["details"]
    way = Direction(told["direction"])
    return Setup(reference, told["standard"], told["target"], told["unit"], way, sealed, who, told["why"])


def _setup(raw: sqlite3.Connection, reference: str) -> Setup | None:
    for who, sealed, body in raw.execute(
        "SELECT who, sealed, body FROM entries WHERE subject = ? AND kind = 'act' ORDER BY sequence DESC",
        (subject_of(reference),),
    ):
        content: dict[str, Any] = parse(body)["content"]
        if content["act"] in AGREED:
            return setup_from(reference, who, sealed, content)
    return None


def _standing(raw: sqlite3.Connection, reference: str) -> Standing | None:
    setup = _setup(raw, reference)
    if setup is None:
        return None
    since = seconds(setup.since)
    rows = raw.execute(
        "SELECT c.key, c.at, c.value_percent, c.who, c.run_id, c.looked_at_by, c.looked_at_why "
        "FROM check_standard AS c LEFT JOIN runs ON runs.run_id = c.run_id WHERE c.reference = ? AND c.standard = ? "
        "AND coalesce(runs.voided, '') = '' ORDER BY c.key",
        (reference, setup.standard),
    ).fetchall()
    return charted(setup, [Value(*row) for row in rows if seconds(row[1]) >= since])


def _must_be_custodian(store: Store, who: str, why: str, sentence: str) -> None:
    person = store.person(who)
    if not why.strip() or person is None or person.name != who or not person.is_custodian or not person.active:
        raise NotAllowedError(store.path, f"{sentence} Nothing was changed.")
