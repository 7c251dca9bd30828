"""From RUN.json to what metrology judges."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from benchapp.cli._judge_schema import SCHEMA, Words, check, shown
from benchapp.metrology.budget import Coverage, GivenBy
from benchapp.metrology.classes import kinds
from benchapp.metrology.deviation import Convention
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import Ambient, CheckpointInput, Dynamic, Geometric, JudgeInput, ReadingInput
from benchapp.metrology.risk import SHORTEST_HISTORY, Prior, prior_from_history
from benchapp.metrology.rules import Rule, RuleKind
from benchapp.metrology.suitability import ReferenceUse, quantity_of
from benchapp.metrology.tool import Tool, ToolType
from benchapp.runs.judging import coverage_of, rule_of
from benchapp.runs.procedure import Procedure, shipped_procedures
from benchapp.torque.direction import Direction
from benchapp.torque.text import NotANumberError, parse_torque, parse_unit
from benchapp.torque.units import FACTORS, UnknownUnitError, to_nm

_UNITS = ", ".join(FACTORS)


def input_from_data(data: Any) -> tuple[JudgeInput, str]:
    """Return (what is to be judged, the unit it was written in).

    Raises:
        RefusedError: The data does not follow `SCHEMA`, or names a unit or procedure that is not known.
    """
    check(data, SCHEMA, "")
    try:
        unit = parse_unit(data.get("unit", "N·m"))
    except UnknownUnitError as error:
        raise RefusedError("unit", shown(data["unit"]), "a known unit of torque", _UNITS) from error
    reader = _Reader(unit)
    tool = _tool(data.get("tool"), reader)
    figures = _Figures(data, tool)
    checkpoints = tuple(
        _checkpoint(c, data, reader, figures, f"checkpoints[{i}]") for i, c in enumerate(data["checkpoints"])
    )
    resolution = data.get("resolution", (data.get("tool") or {}).get("resolution"))
    return (
        JudgeInput(
            checkpoints,
            convention=figures.convention,
            resolution_nm=None if resolution is None else reader.torque(resolution, "resolution"),
            geometric={s: _geometric(g, reader, f"geometric.{s}") for s, g in data.get("geometric", {}).items()},
            rule=figures.rule,
            coverage=figures.coverage,
            ambient=figures.ambient(data.get("ambient", {})),
            prior=_prior(data.get("history"), data.get("history_u_percent", 0.0)),
        ),
        unit,
    )


@dataclasses.dataclass(frozen=True)
class _Reader:
    unit: str

    def torque(self, value: Any, at: str) -> float:
        if not isinstance(value, str):
            return to_nm(float(value), self.unit)
        try:
            number, unit = parse_torque(value, self.unit)
        except (NotANumberError, UnknownUnitError) as error:
            accepted = f"text such as 12.5 N·m, with one of {_UNITS}"
            if isinstance(error, NotANumberError):
                given = Words(f"{shown(value)!r}, {error.reason}")
                raise RefusedError(at, given, "a torque", accepted) from error
            raise RefusedError(at, shown(value), "a known unit of torque", accepted) from error
        return to_nm(number, unit)


class _Figures:
    """Limits, convention, counts, rule and surroundings: from the file, else from the procedure it names."""

    def __init__(self, data: Mapping[str, Any], tool: Tool | None) -> None:
        self._data, self._tool = data, tool
        key = data.get("procedure")
        known = {} if key is None else _procedures()
        if key is not None and key not in known:
            raise RefusedError("procedure", shown(key), "a shipped procedure", ", ".join(known))
        if key is not None and tool is None:
            raise RefusedError("tool", None, "given with a procedure: its limits depend on it", "type, class, highest")
        self._procedure = known.get(key) if key is not None else None

    def limit(self, checkpoint: Mapping[str, Any], direction: Direction, at: str) -> float:
        given = checkpoint.get("limit_percent", self._data.get("limit_percent"))
        if given is None and self._procedure is not None and self._tool is not None:
            given = self._procedure.limit_percent(self._tool, direction)
        if given is None and self._tool is not None:
            given = self._tool.declared_percent
        if given is None:
            raise RefusedError(f"{at}.limit_percent", None, "present", "limit_percent, or a procedure with a tool")
        return float(given)

    def check_target(self, target_nm: float, given: Any, at: str) -> None:
        """Refuse a target that the tool does not have."""
        tool = self._tool
        if tool is None or tool.lowest_nm * (1 - 1e-9) <= target_nm <= tool.highest_nm * (1 + 1e-9):
            return
        data = self._data["tool"]
        span = f"at most tool.highest ({data['highest']})"
        if "lowest" in data:
            span = f"from tool.lowest ({data['lowest']}) to tool.highest ({data['highest']})"
        raise RefusedError(at, given, span, "a torque that the tool has")

    def n_required(self, checkpoint: Mapping[str, Any]) -> int:
        if "n_required" in checkpoint or self._procedure is None or self._tool is None:
            return int(checkpoint.get("n_required", 1))
        return self._procedure.n_readings(self._tool)

    @property
    def convention(self) -> Convention:
        default = "ISO" if self._procedure is None else self._procedure.value("deviation.convention")
        return Convention(self._data.get("convention", default))

    @property
    def rule(self) -> Rule:
        given = self._data.get("rule")
        if given is None:
            return Rule() if self._procedure is None else rule_of(self._procedure)
        return Rule(RuleKind(given["kind"]), float(given.get("r", 1.0)))

    @property
    def coverage(self) -> Coverage:
        given = self._data.get("coverage")
        if given is None and self._procedure is not None:
            return coverage_of(self._procedure)
        return _coverage(given)

    def ambient(self, given: Mapping[str, float]) -> Ambient:
        p = self._procedure
        names = ("ambient.lowest", "ambient.highest", "ambient.change", "ambient.humidity")
        limits = [None if p is None else p.value(name) for name in names]
        return Ambient(given.get("start_c"), given.get("end_c"), given.get("humidity_percent"), *limits)


def _tool(data: Mapping[str, Any] | None, reader: _Reader) -> Tool | None:
    if data is None:
        return None
    highest = reader.torque(data["highest"], "tool.highest")
    lowest = reader.torque(data["lowest"], "tool.lowest") if "lowest" in data else 0.0
    if lowest > highest:
        raise RefusedError("tool.lowest", data["lowest"], "<= highest", "the lowest marked value")
    letters = sorted({kind.tool_class for kind in kinds() if kind.tool_type.value == data["type"]})
    if data["class"] not in letters:
        raise RefusedError("tool.class", data["class"], f"a class of type {data['type']}", " or ".join(letters))
    return Tool(
        data.get("number", ""),
        ToolType(data["type"]),
        data["class"],
        "N·m",
        lowest,
        highest,
        directions=(Direction.CLOCKWISE,),
        declared_percent=data.get("declared_percent"),
    )


def _checkpoint(
    data: Mapping[str, Any], whole: Mapping[str, Any], reader: _Reader, figures: _Figures, at: str
) -> CheckpointInput:
    direction = Direction(data.get("direction", Direction.CLOCKWISE.value))
    target = reader.torque(data["target"], f"{at}.target")
    figures.check_target(target, data["target"], f"{at}.target")
    dynamic = dict(data.get("dynamic", {}))
    if "zero_drift" in dynamic:
        dynamic["zero_drift_nm"] = to_nm(float(dynamic.pop("zero_drift")), reader.unit)
    return CheckpointInput(
        target,
        figures.limit(data, direction, at),
        tuple(_reading(r, reader, f"{at}.readings[{i}]") for i, r in enumerate(data["readings"])),
        direction,
        figures.n_required(data),
        _reference(data.get("reference", whole.get("reference"))),
        Dynamic(**dynamic) if "dynamic" in data else None,
    )


def _reading(data: Any, reader: _Reader, at: str) -> ReadingInput:
    if not isinstance(data, dict):
        return ReadingInput(reader.torque(data, at))
    return ReadingInput(
        reader.torque(data["reading"], at),
        reader.torque(data["indication"], f"{at}.indication") if "indication" in data else None,
        data.get("set_aside"),
        tuple(data.get("flags", ())),
    )


def _reference(data: Mapping[str, Any] | None) -> ReferenceUse | None:
    if data is None:
        return None
    return ReferenceUse(
        float(data["expanded_percent"]),
        float(data.get("k", 2.0)),
        float(data.get("error_percent", 0.0)),
        data.get("interval_percent"),
        data.get("drift_percent"),
        float(data.get("residual_percent", 0.0)),
    )


def _geometric(data: Mapping[str, Any], reader: _Reader, at: str) -> Geometric:
    return Geometric(
        reader.torque(data["spread"], f"{at}.spread"),
        GivenBy(data.get("given_by", "measured")),
        data.get("reason", ""),
        reader.torque(data["at"], f"{at}.at") if "at" in data else None,
    )


def _coverage(data: Mapping[str, Any] | None) -> Coverage:
    if data is None:
        return Coverage()
    if "k" in data:
        return Coverage(float(data["k"]))
    return Coverage(None, float(data["probability"]), bool(data.get("truncate", True)))


def _prior(history: list[float] | None, measurement_u: float) -> Prior | None:
    if history is None:
        return None
    if len(history) < SHORTEST_HISTORY:
        raise RefusedError(
            "history",
            Words(f"{len(history)} long"),
            f"at least {SHORTEST_HISTORY} verifications",
            "more, or none at all",
        )
    return prior_from_history(history, measurement_u)


def demand_on_reference(data: Mapping[str, Any], run: JudgeInput) -> list[dict[str, Any] | None]:
    """Return for each checkpoint what the procedure demands of the reference and what it has, percent of reading.

    None where no procedure, or no reference, is named. What a demand is compared with is its edition's own quantity.
    """
    demand = None if "procedure" not in data else _procedures()[data["procedure"]].demand
    found: list[dict[str, Any] | None] = []
    for checkpoint in run.checkpoints:
        if demand is None or checkpoint.reference is None:
            found.append(None)
            continue
        value, greatest = quantity_of(checkpoint.reference, demand.quantity), demand.greatest(checkpoint.limit_percent)
        found.append(
            {
                "quantity": demand.quantity.value,
                "value_percent": value,
                "greatest_percent": greatest,
                "met": value <= greatest * (1 + 1e-12),
            }
        )
    return found


def _procedures() -> dict[str, Procedure]:
    return {p.key: p for p in shipped_procedures()}
