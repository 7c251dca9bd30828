"""What `kilter judge` takes: its JSON Schema, and a check of the part of JSON Schema that it uses."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from typing import Any, Final

from benchapp.metrology.deviation import Convention
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.rules import RuleKind
from benchapp.torque.direction import Direction

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
    interval_percent={**_POSITIVE, "description": "W'_md where the certificate states it"},
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
        history_u_percent={**_NOT_NEGATIVE, "description": "standard uncertainty in the history; taken off its spread"},
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


def check(value: Any, schema: Mapping[str, Any], at: str) -> None:
    """Check a value against the part of JSON Schema that `SCHEMA` uses.

    Raises:
        RefusedError: Names the place, what was given and what is accepted.
    """
    if "anyOf" in schema:
        _check_any(value, schema, at)
        return
    if "enum" in schema:
        if value not in schema["enum"]:
            raise RefusedError(at, shown(value), "a known word", " or ".join(map(str, schema["enum"])))
        return
    kind = schema["type"]
    if not _is(value, kind):
        raise RefusedError(at or "the file", shown(value), _KINDS[kind], _accepted(schema))
    if kind in ("number", "integer"):
        _check_number(value, schema, at)
    elif kind == "string" and len(value) < schema.get("minLength", 0):
        raise RefusedError(at, value, "text that is not empty", _accepted(schema))
    elif kind == "array":
        if schema.get("minItems") and not value:
            raise RefusedError(at, Words("empty"), "at least one", _accepted(schema["items"]))
        for i, item in enumerate(value):
            check(item, schema["items"], f"{at}[{i}]")
    elif kind == "object":
        _check_object(value, schema, at)


_KINDS: Final = {
    "number": "a number",
    "integer": "a whole number",
    "string": "text",
    "boolean": "true or false",
    "array": "a list",
    "object": "an object",
}
_LIMITS: Final[tuple[tuple[str, Callable[[Any, Any], bool], str], ...]] = (
    ("minimum", lambda value, low: value < low, ">="),
    ("exclusiveMinimum", lambda value, low: value <= low, ">"),
    ("exclusiveMaximum", lambda value, high: value >= high, "<"),
)


def _check_number(value: float, schema: Mapping[str, Any], at: str) -> None:
    if not math.isfinite(value):
        raise RefusedError(at, value, "finite", _accepted(schema))
    for key, broken, sign in _LIMITS:
        if key in schema and broken(value, schema[key]):
            raise RefusedError(at, value, f"{sign} {schema[key]}", _accepted(schema))


def _check_object(value: Mapping[str, Any], schema: Mapping[str, Any], at: str) -> None:
    properties = schema["properties"]
    for key in schema["required"]:
        if key not in value:
            raise RefusedError(f"{at}.{key}".lstrip("."), None, "present", _accepted(properties[key]))
    for key, item in value.items():
        place = f"{at}.{key}".lstrip(".")
        if key not in properties:
            raise RefusedError(place, shown(item), "a known key", ", ".join(properties))
        check(item, properties[key], place)


def _check_any(value: Any, schema: Mapping[str, Any], at: str) -> None:
    """Raise the refusal of the choice that comes nearest: the kind that was given, then the keys that it has."""
    refusals: list[tuple[int, RefusedError]] = []
    for choice in schema["anyOf"]:
        try:
            check(value, choice, at)
        except RefusedError as error:
            if _is(value, choice["type"]):
                shared = len(choice.get("properties", {}).keys() & value.keys()) if isinstance(value, dict) else 0
                refusals.append((shared, error))
        else:
            return
    if not refusals:
        kinds = " or ".join(_KINDS[choice["type"]] for choice in schema["anyOf"])
        raise RefusedError(at, shown(value), kinds, _accepted(schema))
    raise max(refusals, key=lambda refusal: refusal[0])[1]


def _accepted(schema: Mapping[str, Any]) -> str:
    """Return what would be accepted, in words."""
    if "description" in schema:
        return str(schema["description"])
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(_accepted(choice) for choice in schema["anyOf"]))
    if "enum" in schema:
        return " or ".join(map(str, schema["enum"]))
    kind = schema["type"]
    if kind == "object":
        return f"an object with {', '.join(schema['required'] or schema['properties'])}"
    words = [_KINDS[kind]]
    for key, _, sign in _LIMITS:
        if key in schema:
            words.append(f"{sign} {schema[key]}")
    return " ".join(words)


_LONGEST: Final = 60  # characters of a text that a message shows


class Words(str):
    """Text that a message shows as it is, without quotation marks."""

    __repr__ = str.__str__


def shown(value: Any) -> Any:
    """Return a value as a message can show it: null, lists and objects by their kind."""
    if isinstance(value, bool) or value is None:
        return Words(json.dumps(value))
    if isinstance(value, str):
        return value if len(value) <= _LONGEST else value[: _LONGEST - 3] + "..."
    if isinstance(value, int | float):
        return value
    return Words("a list" if isinstance(value, list) else "an object")


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
