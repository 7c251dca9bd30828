"""The plan for one tool: checkpoints on marks it has, preload, corridor, and whether the reference can tell.

A plan is refused with numbers and with the references that would do, as data; `Refusal.sentence()` says it in one line.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import floor, isfinite

from benchapp.metrology.correction import Correction, expanded_percent_at
from benchapp.metrology.deviation import Convention, corridor
from benchapp.metrology.judgement import Geometric
from benchapp.metrology.reference import Reference
from benchapp.metrology.suitability import Demand, Failing, Need, Quantity, failings
from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls.pull import Mode
from benchapp.runs.model import Checkpoint, RunPlan
from benchapp.runs.procedure import LOWEST, Procedure, procedure_to_data, tool_kind
from benchapp.torque.direction import Direction
from benchapp.torque.units import factor_nm, to_nm
from drivers.samples import Source


@dataclass(frozen=True, slots=True)
class Covering:
    """A reference that would do: its number and usable range, N·m."""

    number: str
    from_nm: float
    to_nm: float


@dataclass(frozen=True, slots=True)
class Override:
    """The custodian's word that a run may start with a reference that is not suitable; it stands in the record."""

    custodian: str
    reason: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why there is no plan. Torques in the tool's `unit`.

    Attributes:
        key: "range-not-positive", "range-reversed", "no-direction", "target-missing", "target-not-positive",
            "target-outside-tool", "no-limit", "below-reference", "above-reference", "count", "limit",
            "unsuitable" (the custodian may override it), "override" (of which custodian or reason is missing).
        tool: The tool's number.
        unit: The tool's unit.
        target: The torque in question; None when it is not about one.
        percent: Which percentage of the tool's maximum it is; None for a typed target.
        low: Lower end of what is possible (of the tool or the reference), in `unit`.
        high: Upper end.
        reference: The reference's number; "" when it is not about one.
        would_do: References that cover every checkpoint; of "unsuitable": that are suitable.
        reasons: Of "unsuitable": one sentence each, with its numbers.
    """

    key: str
    tool: str
    unit: str
    target: float | None = None
    percent: float | None = None
    low: float | None = None
    high: float | None = None
    reference: str = ""
    would_do: tuple[Covering, ...] = ()
    reasons: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Return what is wrong, with numbers, and what would work."""
        u = self.unit
        tool_range = f"{_n(self.low)} to {_n(self.high)} {u}"
        what = f"{_n(self.target)} {u}"
        if self.percent is not None:
            what = f"{_n(self.percent)} % of {self.tool} is {_n(self.target)} {u}"
        match self.key:
            case "range-not-positive":
                return f"{self.tool}: its range {tool_range} is not above zero; correct it in the Rack."
            case "range-reversed":
                return f"{self.tool}: its range {tool_range} runs downwards; correct it in the Rack."
            case "no-direction":
                return f"{self.tool}: no direction is entered in which it works; add one in the Rack."
            case "target-missing":
                return f"{self.tool}: a spot check needs a target; type one from {tool_range}."
            case "target-not-positive":
                return f"{what} is no target; type a torque between {_n(self.low)} and {_n(self.high)} {u}."
            case "target-outside-tool":
                return f"{what} is outside {self.tool}, which goes from {_n(self.low)} to {_n(self.high)} {u}."
            case "count":
                return f"{_n(self.target)} readings cannot be taken; choose 1 to 50."
            case "unsuitable":
                return " ".join((*self.reasons, "The custodian may override this with a reason."))
            case "override":
                return "An override names the custodian and the reason; both stand in the record."
            case "limit":
                return f"±{_n(self.target)} % is no limit for a deviation; type one above 0 and below 100 %."
            case "no-limit":
                return f"{self.tool}: the procedure has no limit for its kind; type the limit for the tool in the Rack."
        end = (
            f"below {self.reference}, which starts at {_n(self.low)} {u}"
            if self.key == "below-reference"
            else f"above {self.reference}, which ends at {_n(self.high)} {u}"
        )
        return f"{what}{' is' if self.percent is None else ','} {end}. {self._who_would()}"

    def _who_would(self) -> str:
        if not self.would_do:
            return "No other reference covers the whole run."
        factor = factor_nm(self.unit)
        names = [f"{c.number} ({_n(c.from_nm / factor)} to {_n(c.to_nm / factor)} {self.unit})" for c in self.would_do]
        return f"{' and '.join(names)} {'covers' if len(names) == 1 else 'cover'} it."


def _n(value: float | None) -> str:
    return "?" if value is None else f"{value:.6g}"


def usable_range_nm(reference: Reference) -> tuple[float, float]:
    """Return what the reference can be used for, N·m: by its calibration; without one, from 0 to capacity."""
    calibration = reference.calibration
    if calibration is None:
        return 0.0, reference.capacity_nm
    return calibration.usable_from_nm, min(calibration.usable_to_nm, reference.capacity_nm)


def mode_for(tool: Tool) -> Mode:
    """Return how readings are taken: a setting tool at its first peak, one with a memory at the peak, else a hold."""
    if tool.tool_type is ToolType.SETTING:
        return Mode.FIRST_PEAK
    return Mode.PEAK if tool.has_memory else Mode.HOLD


def on_mark(tool: Tool, target: float) -> float:
    """Return the mark of the tool at `target` or the next below, at least its lowest; `target` where it has no marks.

    Marks are counted from the lowest one in steps of the resolution; the maximum is always one.

    >>> on_mark(Tool("OCF-014", ToolType.SETTING, "A", "N·m", 10, 60, resolution=5), 12.0)
    10.0
    """
    if target >= tool.highest:
        return float(tool.highest)
    if target <= tool.lowest:
        return float(tool.lowest)
    if not tool.resolution:
        return float(target)
    low, step, wanted = _exact(tool.lowest), _exact(tool.resolution), _exact(target)
    return float(low + floor((wanted - low) / step) * step)


def _exact(value: float) -> Fraction:
    return Fraction(repr(float(value)))  # the decimal text a person typed, not its nearest binary number


def targets_for(tool: Tool, procedure: Procedure) -> tuple[tuple[float, float | None], ...]:
    """Return (target in the tool's unit, percent asked for) of a full run, rising, each once."""
    if tool.fixed:
        return ((float(tool.highest), None),)
    found: dict[float, float | None] = {}
    for point in procedure.value("points.at"):
        if point == LOWEST:
            found.setdefault(float(tool.lowest), None)
        else:
            target = float(_exact(tool.highest) * _exact(point) / 100)
            found.setdefault(on_mark(tool, target), float(point))
    return tuple(sorted(found.items()))


def plan_run(
    tool: Tool,
    reference: Reference,
    procedure: Procedure,
    operator: str,
    source: Source,
    others: Sequence[Reference] = (),
    *,
    target: float | None = None,
    n_readings: int | None = None,
    limit_percent: float | None = None,
    mode: Mode | None = None,
    today: dt.date | None = None,
    detector: str = "",
    geometric: Mapping[str, Geometric] | None = None,
    must_be_suitable: bool = False,
    override: Override | None = None,
) -> RunPlan | Refusal:
    """Return the plan, or why there is none.

    Args:
        tool: As in the rack.
        reference: The one that is mounted.
        procedure: A full run, or a spot check with `target`.
        operator: Who pulls.
        source: Where samples come from.
        others: References among which those that would do are looked for.
        target: Of a spot check, in the tool's unit. With a full run: None.
        n_readings: Another count than the procedure's, 1 to 50.
        limit_percent: Typed for this tool, ± percent, > 0; instead of the procedure's.
        mode: Another way of reading than the tool's own.
        today: For the calibration's due date; None: it is not looked at.
        detector: Name and version of the reader.
        geometric: Geometric influences by symbol, measured before, of the model or typed; what is not given is missing.
        must_be_suitable: Refuse a reference that falls short of the procedure's demand, is overdue or was not
            calibrated in a direction of the run, unless overridden; for a live run also one of which no uncertainty
            is known, where the procedure demands one. False: the plan's warnings tell it.
        override: Start all the same.
    """
    refusal = _refuse_tool(tool, procedure, target, n_readings, limit_percent)
    if refusal is not None:
        return refusal
    targets = ((float(target), None),) if target is not None else targets_for(tool, procedure)
    checkpoints = _checkpoints(tool, procedure, targets, n_readings, limit_percent)
    if isinstance(checkpoints, Refusal):
        return checkpoints
    preloads = _preloads(tool, procedure, max(value for value, _ in targets))
    uncovered = _uncovered(reference, checkpoints, preloads)
    if uncovered is not None:
        return _refuse_reference(tool, reference, uncovered, checkpoints, preloads, others)
    asks = source is Source.LIVE and procedure.refuses_unknown
    against = _against(reference, procedure, checkpoints, preloads, others, today, tool.unit, asks_unknown=asks)
    if override is not None and not (override.custodian.strip() and override.reason.strip()):
        return Refusal("override", tool.number, tool.unit, reference=reference.number)
    if against.sentences and must_be_suitable and override is None:
        return Refusal(
            "unsuitable",
            tool.number,
            tool.unit,
            reference=reference.number,
            would_do=against.would_do,
            reasons=against.sentences,
        )
    said = [*_warnings(tool, reference, procedure, checkpoints, targets), *against.sentences]
    if against.sentences and override is not None:
        said.append(f"Overridden by {override.custodian.strip()}: {override.reason.strip()}")
    return RunPlan(
        tool=tool,
        reference=reference,
        procedure=procedure_to_data(procedure),
        procedure_name=procedure.name,
        mode=mode or mode_for(tool),
        checkpoints=tuple(checkpoints),
        preloads=preloads,
        operator=operator,
        source=source,
        warnings=tuple(said),
        detector=detector,
        geometric=dict(geometric or {}),
    )


@dataclass(frozen=True, slots=True)
class Needs:
    """What a full run of a tool asks for.

    Attributes:
        checkpoints: In the order in which they are pulled.
        would_do: References that cover the run and fulfil the procedure's demand.
        why_not: (number, one sentence) of every other reference.
    """

    checkpoints: tuple[Checkpoint, ...]
    would_do: tuple[Covering, ...]
    why_not: tuple[tuple[str, str], ...]


def needs_of(tool: Tool, procedure: Procedure, references: Sequence[Reference], today: dt.date) -> Needs | Refusal:
    """Return the checkpoints of a full run of `tool` and which of the references suit it, or why it cannot be planned.

    A reference suits by the rule that names the ones that would do when another is refused: calibrated and not
    overdue on `today`, its uncertainty stated at each checkpoint, the procedure's demand fulfilled, room for a
    reading at the upper limit.
    """
    refusal = _refuse_tool(tool, procedure, None, None, None)
    if refusal is not None:
        return refusal
    targets = targets_for(tool, procedure)
    checkpoints = _checkpoints(tool, procedure, targets, None, None)
    if isinstance(checkpoints, Refusal):
        return checkpoints
    preloads = _preloads(tool, procedure, max(value for value, _ in targets))
    suits = _suitable("", procedure, checkpoints, preloads, references, today)
    numbers = {covering.number for covering in suits}
    why_not = tuple(
        (reference.number, _why_not(tool, reference, procedure, checkpoints, preloads, today))
        for reference in references
        if reference.number not in numbers
    )
    return Needs(tuple(checkpoints), suits, why_not)


def _why_not(
    tool: Tool,
    reference: Reference,
    procedure: Procedure,
    checkpoints: Sequence[Checkpoint],
    preloads: Sequence[tuple[Direction, int, float]],
    today: dt.date,
) -> str:
    if reference.calibration is None:
        return f"{reference.number} has no calibration."
    factor = factor_nm(tool.unit)
    low, high = (_n(end / factor) for end in usable_range_nm(reference))
    if _uncovered(reference, checkpoints, preloads) is not None:
        return f"{reference.number} goes from {low} to {high} {tool.unit} only."
    said = _against(reference, procedure, checkpoints, preloads, (), today, tool.unit, asks_unknown=False).sentences
    if said:
        return " ".join(said)
    unstated = _unstated(reference, checkpoints)
    if unstated:
        return f"{reference.number} has no stated uncertainty at {_n(unstated[0].target)} {tool.unit}."
    return f"{reference.number} ends at {high} {tool.unit}; a reading at the upper limit has no room."


def _checkpoints(
    tool: Tool,
    procedure: Procedure,
    targets: Sequence[tuple[float, float | None]],
    n_readings: int | None,
    limit_percent: float | None,
) -> list[Checkpoint] | Refusal:
    convention = Convention[procedure.value("deviation.convention")]
    checkpoints = []
    for direction in tool.directions:
        limit = limit_percent if limit_percent is not None else procedure.limit_percent(tool, direction)
        if limit is None:
            return Refusal("no-limit", tool.number, tool.unit)
        for value, percent in targets:
            target_nm = to_nm(value, tool.unit)
            low_nm, high_nm = corridor(target_nm, limit, convention)
            n = n_readings or procedure.n_readings(tool)
            checkpoints.append(Checkpoint(value, target_nm, direction, n, limit, percent, low_nm, high_nm))
    return checkpoints


def _refuse_tool(
    tool: Tool, procedure: Procedure, target: float | None, n_readings: int | None, limit_percent: float | None
) -> Refusal | None:
    def refuse(key: str, value: float | None = None) -> Refusal:
        return Refusal(key, tool.number, tool.unit, target=value, low=tool.lowest, high=tool.highest)

    if not (isfinite(tool.lowest) and isfinite(tool.highest)) or tool.highest <= 0 or tool.lowest <= 0:
        return refuse("range-not-positive")
    if tool.lowest > tool.highest:
        return refuse("range-reversed")
    if not tool.directions:
        return refuse("no-direction")
    if limit_percent is not None and not 0 < limit_percent < 100:
        return refuse("limit", limit_percent)
    if n_readings is not None and not 1 <= n_readings <= 50:
        return refuse("count", n_readings)
    if target is None:
        return refuse("target-missing") if procedure.is_spot_check and not tool.fixed else None
    if not isfinite(target) or target <= 0:
        return refuse("target-not-positive", target)
    return None if tool.lowest <= target <= tool.highest else refuse("target-outside-tool", target)


def _preloads(tool: Tool, procedure: Procedure, highest_target: float) -> tuple[tuple[Direction, int, float], ...]:
    n = procedure.n_preloads(tool)
    if n == 0:
        return ()
    at = tool.highest if procedure.value("preload.at") == "maximum" else highest_target
    again = procedure.value("preload.after_direction_change")
    directions = tool.directions if again else tool.directions[:1]
    return tuple((direction, n, to_nm(float(at), tool.unit)) for direction in directions)


def _uncovered(
    reference: Reference, checkpoints: Sequence[Checkpoint], preloads: Sequence[tuple[Direction, int, float]]
) -> tuple[str, float, float | None] | None:
    """Return (key, N·m, percent) of the first torque outside the reference; None when it covers all."""
    low, high = usable_range_nm(reference)
    slack = 1 + 1e-9  # 73.756 lbf·ft is 100 N·m to everybody but a computer
    for checkpoint in checkpoints:
        if checkpoint.target_nm * slack < low:
            return "below-reference", checkpoint.target_nm, checkpoint.percent_of_highest
        if checkpoint.target_nm > high * slack:
            return "above-reference", checkpoint.target_nm, checkpoint.percent_of_highest
    for _, _, target_nm in preloads:
        if target_nm > reference.capacity_nm * slack:
            return "above-reference", target_nm, 100.0
    return None


def _refuse_reference(
    tool: Tool,
    reference: Reference,
    uncovered: tuple[str, float, float | None],
    checkpoints: Sequence[Checkpoint],
    preloads: Sequence[tuple[Direction, int, float]],
    others: Sequence[Reference],
) -> Refusal:
    key, target_nm, percent = uncovered
    factor = factor_nm(tool.unit)
    low, high = usable_range_nm(reference)
    cover = [
        other
        for other in others
        if other.number != reference.number
        and _uncovered(other, checkpoints, preloads) is None
        and _room_missing(other, checkpoints) is None
    ]
    # one without calibration covers all up to its capacity: it is named only where no other does
    known = [other for other in cover if other.calibration is not None]
    would_do = tuple(Covering(other.number, *usable_range_nm(other)) for other in known or cover)
    return Refusal(
        key,
        tool.number,
        tool.unit,
        target_nm / factor,
        percent,
        low / factor,
        high / factor,
        reference.number,
        would_do,
    )


def _room_missing(reference: Reference, checkpoints: Sequence[Checkpoint]) -> Checkpoint | None:
    high = usable_range_nm(reference)[1] * (1 + 1e-9)
    return next((c for c in checkpoints if c.high_nm > high), None)


@dataclass(frozen=True, slots=True)
class _Against:
    sentences: tuple[str, ...]
    would_do: tuple[Covering, ...]


def _against(
    reference: Reference,
    procedure: Procedure,
    checkpoints: Sequence[Checkpoint],
    preloads: Sequence[tuple[Direction, int, float]],
    others: Sequence[Reference],
    today: dt.date | None,
    unit: str,
    *,
    asks_unknown: bool,
) -> _Against:
    """Return what makes the reference unsuitable, and which others are suitable.

    With `asks_unknown` a demand is not met by an uncertainty that nobody knows; without, that is a warning only.
    """
    demand = procedure.demand
    found = _failings(reference, checkpoints, demand, today)
    said = []
    if asks_unknown and demand is not None and not _broken(reference):
        said.extend(_unknown(reference, checkpoints, demand, unit))
    if not found and not said:
        return _Against((), ())
    by_key: dict[tuple[str, float | None], list[Failing]] = {}
    for failing in found:
        by_key.setdefault((failing.key, failing.limit), []).append(failing)
    calibration = reference.calibration
    for (key, limit), group in by_key.items():
        if key == "unusable":
            said.append(
                f"{reference.number}: its calibration cannot correct readings ({_broken(reference)}); "
                "they stay as shown."
            )
        elif key == "overdue" and calibration is not None:
            said.append(f"{reference.number}: its calibration was due on {calibration.due.isoformat()}.")
        elif key == "not-yet-calibrated" and calibration is not None:
            said.append(f"{reference.number}: its calibration is dated {calibration.calibrated.isoformat()}, to come.")
        elif key == "direction":
            words = sorted({f.need.direction.value for f in group if f.need is not None})
            said.append(f"{reference.number} was not calibrated {' and '.join(words)}: the other direction's are used.")
        else:
            places = ", ".join(
                f"{_n(f.value)} % at {_n(f.need.target_nm / factor_nm(unit))} {unit}" for f in group if f.need
            )
            limits = sorted({f.need.limit_percent for f in group if f.need is not None})
            said.append(
                f"{reference.number} is known to {places} ({_QUANTITIES[key]}); for a limit of "
                f"±{' and ±'.join(map(_n, limits))} % the procedure wants {_n(limit)} % or better."
            )
    would_do = _suitable(reference.number, procedure, checkpoints, preloads, others, today)
    if would_do:
        said[-1] += f" {' and '.join(other.number for other in would_do)} would do."
    elif others:
        said[-1] += " No other reference would do."
    return _Against(tuple(said), would_do)


def _unknown(reference: Reference, checkpoints: Sequence[Checkpoint], demand: Demand, unit: str) -> list[str]:
    """Return the sentence for a demand that cannot be looked at, because the uncertainty is not known."""
    unstated = _unstated(reference, checkpoints)
    if not unstated:
        return []
    limits = sorted({c.limit_percent for c in unstated})
    greatest = sorted({demand.greatest(limit) for limit in limits})
    wants = (
        f"for a limit of ±{' and ±'.join(map(_n, limits))} % the procedure wants "
        f"{' and '.join(map(_n, greatest))} % or better ({_QUANTITIES[demand.quantity.value]})."
    )
    if reference.calibration is None:
        return [f"{reference.number} has no calibration entered; {wants} Enter it in References."]
    places = ", ".join(dict.fromkeys(f"{_n(c.target)} {unit}" for c in unstated))
    return [f"{reference.number}: its certificate states no uncertainty at {places}; {wants}"]


def _suitable(
    but: str,
    procedure: Procedure,
    checkpoints: Sequence[Checkpoint],
    preloads: Sequence[tuple[Direction, int, float]],
    others: Sequence[Reference],
    today: dt.date | None,
) -> tuple[Covering, ...]:
    """Return the references that would do, but the one of number `but`."""
    return tuple(
        Covering(other.number, *usable_range_nm(other))
        for other in others
        if other.number != but
        and other.calibration is not None
        and _uncovered(other, checkpoints, preloads) is None
        and _room_missing(other, checkpoints) is None
        and not _failings(other, checkpoints, procedure.demand, today)
        and not _unstated(other, checkpoints)
    )


_QUANTITIES = {
    Quantity.INTERVAL.value: "interval W'",
    Quantity.UNCERTAINTY.value: "U, k = 2",
    Quantity.ACCURACY.value: "error and U, k = 2",
}
_TOLD_ELSEWHERE = ("no-calibration", "no-uncertainty", "below-range", "above-range")


def _failings(
    reference: Reference, checkpoints: Sequence[Checkpoint], demand: Demand | None, today: dt.date | None
) -> tuple[Failing, ...]:
    """Return what an override is needed for. A calibration that cannot be computed with is "unusable"."""
    calibration = reference.calibration
    if calibration is None:
        return ()
    if _broken(reference):
        found: tuple[Failing, ...] = (Failing("unusable"),)
        if today is not None and calibration.due < today:
            found += (Failing("overdue"),)
        return found
    needs = [Need(c.target_nm, c.direction, c.limit_percent) for c in checkpoints]
    day = calibration.calibrated if today is None else today
    return tuple(f for f in failings(reference, needs, demand, day) if f.key not in _TOLD_ELSEWHERE)


def _broken(reference: Reference) -> str:
    """Return why the reference's calibrations cannot be computed with; "" when they can."""
    used = reference.calibrations[-2:]  # the older one for the drift
    if len(used) == 1 and used[0].degree == 0:
        return ""
    try:
        for calibration in used:
            for direction in Direction:
                Correction.from_calibration(calibration, direction)
    except ValueError as error:
        return str(error)
    return ""


def _unstated(reference: Reference, checkpoints: Sequence[Checkpoint]) -> list[Checkpoint]:
    calibration = reference.calibration
    if calibration is None:
        return list(checkpoints)
    return [c for c in checkpoints if expanded_percent_at(calibration, c.direction, c.target_nm) is None]


def _warnings(
    tool: Tool,
    reference: Reference,
    procedure: Procedure,
    checkpoints: Sequence[Checkpoint],
    targets: Sequence[tuple[float, float | None]],
) -> list[str]:
    factor, u = factor_nm(tool.unit), tool.unit
    said: list[str] = []
    tight = _room_missing(reference, checkpoints)
    if tight is not None:
        said.append(
            f"{reference.number} ends at {_n(usable_range_nm(reference)[1] / factor)} {u}: no room above "
            f"{_n(tight.target)} {u} for a reading up to its limit, {_n(tight.high_nm / factor)} {u}."
        )
    calibration = reference.calibration
    if calibration is None:
        said.append(
            f"{reference.number} has no calibration entered: its readings are taken as they come. "
            "Its part is missing in every uncertainty; no guard band and no probability can be stated."
        )
    elif unstated := _unstated(reference, checkpoints):
        places = ", ".join(f"{_n(c.target)} {u}" for c in unstated)
        said.append(
            f"{reference.number}: its certificate states no uncertainty at {places}. "
            "Its part is missing there; no guard band and no probability can be stated."
        )
    for value, percent in targets:
        if percent is not None and tool.resolution and abs(value - tool.highest * percent / 100) > 1e-9 * tool.highest:
            said.append(
                f"{_n(percent)} % of {tool.number} is {_n(tool.highest * percent / 100)} {u}, which is not marked: "
                f"{_n(value)} {u} is taken."
            )
        if percent is None and not tool.fixed and tool.resolution and on_mark(tool, value) != value:
            said.append(
                f"{_n(value)} {u} is not marked on {tool.number}; its marks are {_n(tool.resolution)} {u} apart."
            )
    if procedure.figure_for("readings", tool) is None:
        said.append(f"The procedure says nothing about tools of kind {tool_kind(tool)}: one reading is taken.")
    return said
