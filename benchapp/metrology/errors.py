"""The refusal that metrology gives to input it cannot work with."""

from __future__ import annotations

import math


class RefusedError(ValueError):
    """Input that nothing honest can be computed from. Nothing was computed.

    Attributes:
        field: Which input, as a path, e.g. "checkpoints[0].readings[2]".
        value: What was given; None when it is missing.
        limit: What it broke, e.g. "> 0".
        accepted: What would be accepted instead, as a short phrase.
    """

    def __init__(self, field: str, value: object, limit: str, accepted: str) -> None:
        given = "is missing" if value is None else f"is {value!r}"
        super().__init__(f"{field} {given}; required: {limit}; give {accepted}")
        self.field, self.value, self.limit, self.accepted = field, value, limit, accepted


def positive(field: str, value: float, accepted: str = "a number above zero") -> float:
    """Return `value` if it is finite and > 0.

    Raises:
        RefusedError: It is not.
    """
    if not (math.isfinite(value) and value > 0):
        raise RefusedError(field, value, "> 0 and finite", accepted)
    return value


def not_negative(field: str, value: float, accepted: str = "zero or a number above it") -> float:
    """Return `value` if it is finite and >= 0.

    Raises:
        RefusedError: It is not.
    """
    if not (math.isfinite(value) and value >= 0):
        raise RefusedError(field, value, ">= 0 and finite", accepted)
    return value


def finite(field: str, value: float) -> float:
    """Return `value` if it is finite.

    Raises:
        RefusedError: NaN or infinity.
    """
    if not math.isfinite(value):
        raise RefusedError(field, value, "finite", "a finite number")
    return value
