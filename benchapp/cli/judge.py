"""`kilter judge`: deviations, uncertainty and verdict for readings from elsewhere."""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from benchapp.cli.errors import CommandError
from benchapp.metrology.budget import Coverage, GivenBy
from benchapp.metrology.deviation import Convention
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.judgement import (
    Ambient,
    CheckpointInput,
    Dynamic,
    Geometric,
    JudgeInput,
    ReadingInput,
    Verdict,
    judge,
)
from benchapp.metrology.risk import SHORTEST_HISTORY, Prior, prior_from_history
from benchapp.metrology.rounding import rounded_pair
from benchapp.metrology.rules import Rule, RuleKind
from benchapp.metrology.suitability import ReferenceUse
from benchapp.metrology.tool import Tool, ToolType
from benchapp.runs.judging import coverage_of, judgement_to_data, rule_of
from benchapp.torque.direction import Direction
from benchapp.torque.text import NotANumberError, parse_torque, parse_unit
from benchapp.torque.units import UnknownUnitError, to_nm


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser("judge", help="deviations, uncertainty and verdict for readings from elsewhere")
    parser.add_argument("file", nargs="?", metavar="RUN.json", help="readings to judge; '-' reads standard input")
    parser.add_argument("--json", action="store_true", help="print the whole judgement as one JSON object")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of RUN.json and stop")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Judge one file: 0 in service or doubtful, 1 out, 2 not to be judged."""
    if args.schema:
        print(json.dumps(SCHEMA, ensure_ascii=False, indent=2))
        return 0
    if not args.file:
        raise CommandError("judge: no file was given; give RUN.json, or --schema to see what it must hold")
    try:
        text = sys.stdin.read() if args.file == "-" else Path(args.file).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise CommandError(f"{args.file}: cannot be read ({error}); give a UTF-8 JSON file") from error
    try:
        data = json.loads(text, parse_constant=_refuse_constant, object_pairs_hook=_unique)
        run_input, unit = input_from_data(data)
        judgement = judge(run_input)
    except (RefusedError, ValueError, RecursionError) as error:
        raise CommandError(f"{args.file}: {str(error).splitlines()[0]}") from error
    told = judgement_to_data(judgement, unit, run_input)
    print(json.dumps(told, ensure_ascii=False, allow_nan=False) if args.json else _sentences(told))
    return 1 if judgement.verdict is Verdict.OUT else 0


def _refuse_constant(name: str) -> None:
    raise RefusedError("number", name, "finite", "a finite number")


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise RefusedError(key, value, "once in an object", "one of the two")
        found[key] = value
    return found


_NUMBER: Final = {"type": "number"}
_POSITIVE: Final = {"type": "number", "exclusiveMinimum": 0}
_NOT_NEGATIVE: Final = {"type": "number", "minimum": 0}
_TEXT: Final = {"type": "string"}
_TORQUE: Final = {
    "anyOf": [_POSITIVE, {"type": "string", "minLength": 1}],
    "description": 'a number in `unit`, or text with a unit of its own, e.g. "12.5 lbf·in"',
}
_SYMBOLS: Final = ("w_rep", "w_od", "w_int", "w_l")


def _object(required: tuple[str, ...], **properties: Any) -> dict[str, Any]:
    return {"type": "object", "additionalProperties": False, "required": list(required), "properties": properties}


_REFERENCE: Final = _object(
    ("expanded_percent",),
    number=_TEXT,
    expanded_percent={**_POSITIVE, "description": "expanded uncertainty W_md, percent of reading"},
    k={"type": "number", "minimum": 1, "description": "its coverage factor; 2 when absent"},
    error_percent={**_NUMBER, "description": "known error that is not corrected, b_ep"},
    drift_percent={**_NUMBER, "description": "change between the last two calibrations"},
    residual_percent={**_NOT_NEGATIVE, "description": "worst residual of the correction curve"},
)
_READING: Final = {
    "anyOf": [
        *_TORQUE["anyOf"],
        _object(
            ("reading",),
            reading=_TORQUE,
            indication={**_TORQUE, "description": "what the tool showed; the target when absent"},
            set_aside={**_TEXT, "minLength": 1, "description": "why it does not count"},
            flags={"type": "array", "items": _TEXT},
        ),
    ]
}
_GEOMETRIC: Final = _object(
    ("spread",),
    spread={"anyOf": [_NOT_NEGATIVE, _TEXT], "description": "b: how far the means lie apart"},
    given_by={"enum": ["measured", "model", "typed", "not-applicable"]},
    reason=_TEXT,
    at={**_TORQUE, "description": "mean reading at which it was found; the checkpoint's own when absent"},
)
SCHEMA: Final[dict[str, Any]] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "Readings that `kilter judge` takes",
    **_object(
        ("checkpoints",),
        unit={**_TEXT, "description": "of all torques given as numbers; N·m when absent"},
        procedure={**_TEXT, "description": "key of a shipped procedure: gives limits, convention, counts, rule"},
        tool=_object(
            ("type", "class", "highest"),
            number=_TEXT,
            **{"type": {"enum": ["I", "II"]}, "class": {"enum": list("ABCDEFG")}},
            lowest=_TORQUE,
            highest=_TORQUE,
            resolution=_TORQUE,
            declared_percent=_POSITIVE,
        ),
        resolution={**_TORQUE, "description": "of the tool; without a `tool`"},
        limit_percent={**_POSITIVE, "description": "permissible deviation; wins over the procedure's"},
        convention={"enum": [c.value for c in Convention]},
        reference=_REFERENCE,
        geometric={**_object((), **dict.fromkeys(_SYMBOLS, _GEOMETRIC))},
        rule=_object(("kind",), kind={"enum": [k.value for k in RuleKind]}, r=_NOT_NEGATIVE),
        coverage={
            "anyOf": [
                _object(("k",), k={"type": "number", "minimum": 1}),
                _object(
                    ("probability",),
                    probability={"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1},
                    truncate={"type": "boolean"},
                ),
            ]
        },
        ambient=_object((), start_c=_NUMBER, end_c=_NUMBER, humidity_percent=_NOT_NEGATIVE),
        history={"type": "array", "items": _NUMBER, "description": "mean deviations of such tools, percent"},
        checkpoints={
            "type": "array",
            "minItems": 1,
            "items": _object(
                ("target", "readings"),
                target=_TORQUE,
                direction={"enum": [d.value for d in Direction]},
                limit_percent=_POSITIVE,
                n_required={"type": "integer", "minimum": 1},
                reference=_REFERENCE,
                readings={"type": "array", "minItems": 1, "items": _READING},
                dynamic=_object(
                    (),
                    rate_percent_per_s=_NOT_NEGATIVE,
                    interval_s=_POSITIVE,
                    filter_hz=_NOT_NEGATIVE,
                    zero_drift={"type": "number", "description": "in `unit`"},
                    temperature_percent_per_k=_NUMBER,
                    temperature_difference_k=_NUMBER,
                ),
            ),
        },
        remarks=_TEXT,
    ),
}
"""What RUN.json may hold (JSON Schema, draft 2020-12)."""


def _check(value: Any, schema: Mapping[str, Any], at: str) -> None:
    """Check a value against the part of JSON Schema that `SCHEMA` uses.

    Raises:
        RefusedError: Names the place, what was given and what is accepted.
    """
    accepted = str(schema.get("description", "what --schema describes"))
    if "anyOf" in schema:
        _check_any(value, schema["anyOf"], at, accepted)
        return
    if "enum" in schema:
        if value not in schema["enum"]:
            raise RefusedError(at, value, "a known word", " or ".join(map(str, schema["enum"])))
        return
    kind = schema.get("type")
    if kind is not None and not _is(value, kind):
        raise RefusedError(at, value, f"{kind}", accepted)
    if kind in ("number", "integer"):
        if not math.isfinite(value):
            raise RefusedError(at, value, "finite", "a finite number")
        tests: tuple[tuple[str, Callable[[Any], bool], str], ...] = (
            ("minimum", lambda low: value < low, ">="),
            ("exclusiveMinimum", lambda low: value <= low, ">"),
            ("exclusiveMaximum", lambda high: value >= high, "<"),
        )
        for key, broken, sign in tests:
            if key in schema and broken(schema[key]):
                raise RefusedError(at, value, f"{sign} {schema[key]}", accepted)
    elif kind == "string" and len(value) < schema.get("minLength", 0):
        raise RefusedError(at, value, "text that is not empty", accepted)
    elif kind == "array":
        if len(value) < schema.get("minItems", 0):
            raise RefusedError(at, value, f"at least {schema['minItems']} entries", "more entries")
        for i, item in enumerate(value):
            _check(item, schema["items"], f"{at}[{i}]")
    elif kind == "object":
        properties = schema["properties"]
        for key in schema["required"]:
            if key not in value:
                raise RefusedError(f"{at}.{key}".lstrip("."), None, "present", accepted)
        for key, item in value.items():
            if key not in properties:
                raise RefusedError(f"{at}.{key}".lstrip("."), item, "a known key", ", ".join(properties))
            _check(item, properties[key], f"{at}.{key}".lstrip("."))


def _check_any(value: Any, choices: list[Mapping[str, Any]], at: str, accepted: str) -> None:
    refusals: list[RefusedError] = []
    for choice in choices:
        try:
            _check(value, choice, at)
        except RefusedError as error:
            refusals.append(error)
        else:
            return
    kinds = [choice.get("type") for choice in choices]
    fitting = [e for e, kind in zip(refusals, kinds, strict=True) if kind is not None and _is(value, str(kind))]
    raise fitting[0] if fitting else RefusedError(at, value, " or ".join(map(str, kinds)), accepted)


def _is(value: Any, kind: str) -> bool:
    if isinstance(value, bool):
        return kind == "boolean"
    wanted: dict[str, Any] = {
        "number": (int, float),
        "integer": int,
        "string": str,
        "boolean": bool,
        "array": list,
        "object": dict,
    }
    return isinstance(value, wanted[kind])


def input_from_data(data: Any) -> tuple[JudgeInput, str]:
    """Return (what is to be judged, the unit it was written in).

    Raises:
        RefusedError: The data does not follow `SCHEMA`, or names a unit or procedure that is not known.
    """
    _check(data, SCHEMA, "")
    try:
        unit = parse_unit(data.get("unit", "N·m"))
    except UnknownUnitError as error:
        raise RefusedError("unit", data["unit"], "a known unit of torque", "N·m, lbf·ft, …") from error
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
            prior=_prior(data.get("history")),
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
            raise RefusedError(at, value, "a torque", "a number, or text such as 12.5 N·m") from error
        return to_nm(number, unit)


class _Figures:
    """Limits, convention, counts, rule and surroundings: from the file, else from the procedure it names."""

    def __init__(self, data: Mapping[str, Any], tool: Tool | None) -> None:
        from benchapp.runs.procedure import shipped_procedures  # read only when a procedure is asked for

        self._data, self._tool = data, tool
        key = data.get("procedure")
        known = {} if key is None else {p.key: p for p in shipped_procedures()}
        if key is not None and key not in known:
            raise RefusedError("procedure", key, "a shipped procedure", ", ".join(known))
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
    lowest = reader.torque(data["lowest"], "tool.lowest") if "lowest" in data else highest
    if lowest > highest:
        raise RefusedError("tool.lowest", data["lowest"], "<= highest", "the lowest marked value")
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
    dynamic = dict(data.get("dynamic", {}))
    if "zero_drift" in dynamic:
        dynamic["zero_drift_nm"] = to_nm(float(dynamic.pop("zero_drift")), reader.unit)
    return CheckpointInput(
        reader.torque(data["target"], f"{at}.target"),
        figures.limit(data, direction, at),
        tuple(_reading(r, reader, f"{at}.readings[{i}]") for i, r in enumerate(data["readings"])),
        direction,
        figures.n_required(data),
        _reference(data.get("reference", whole.get("reference"))),
        Dynamic(**dynamic),
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
        None,
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


def _prior(history: list[float] | None) -> Prior | None:
    if history is None:
        return None
    if len(history) < SHORTEST_HISTORY:
        raise RefusedError(
            "history", len(history), f"at least {SHORTEST_HISTORY} verifications", "more, or none at all"
        )
    return prior_from_history(history)


_WORDS: Final = {
    "in-service": "In service.",
    "out": "Out: quarantine the tool and send it to a calibration laboratory.",
    "doubtful": "Doubtful: see what would settle it.",
}
_SETTLE: Final = {
    "more-readings": "{:.0f} readings in all",
    "better-reference": "a reference known to {:.2g} % (k = 2)",
    "budget": "an expanded uncertainty of at most {:.2g} %",
    "repeat": "pulling again: readings set aside without a flag were outside",
}


def _chance(probability: float) -> str:
    """Return a probability that never claims certainty."""
    return "> 0.999" if probability > 0.999 else "< 0.001" if probability < 0.001 else f"{probability:.3f}"


def _sentences(told: Mapping[str, Any]) -> str:
    lines = [_WORDS[told["verdict"]]]
    for c in told["checkpoints"]:
        deviation, expanded = c["mean_deviation_percent"], c["budget"]["expanded"]
        if expanded > 0:
            mean_text, expanded_text = rounded_pair(deviation, expanded)
            said = f"{mean_text} % ± {expanded_text} %"
        else:
            said = f"{deviation:.2f} %"
        lines.append(
            f"{c['target']:g} {told['unit']} {c['direction']}: mean deviation {said}, "
            f"limit ±{c['limit_percent']:g} %, W' {c['interval_percent']:.2g} %, {c['outcome']}, "
            f"within limits with probability {_chance(c['probability'])}"
        )
        outside = [r for r in c["readings"] if r["counts"] and not r["within"]]
        lines += [f"  outside: {r['reading']:g} {told['unit']} ({r['deviation_percent']:+.2f} %)" for r in outside]
        if c["tur"] is not None:
            lines.append(f"  test uncertainty ratio (limit / U with k = 2): {c['tur']:.2g}")
        if c["risk"] is not None:
            risk = c["risk"]
            lines.append(
                f"  global risk by the history given: false accept {_chance(risk['false_accept'])}, "
                f"false reject {_chance(risk['false_reject'])}"
            )
        if c["budget"]["missing"]:
            lines.append(f"  not in the uncertainty: {', '.join(c['budget']['missing'])}")
        lines += [f"  would settle it: {_SETTLE[s['key']].format(s['value'])}" for s in c["settle"]]
    return "\n".join(lines)
