"""A figure with where it comes from, and those that decide something beside the procedures (`figures.toml`)."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

MARKS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "C": "seen in the source itself",
        "C2": "seen second-hand",
        "R": "recomputed",
        "M": "from memory, unconfirmed",
        "P": "common practice, no source",
        "D": "derived here",
    }
)
"""Mark -> what it says about a figure."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure with where it comes from.

    Attributes:
        value: Number, text, truth value or list of them.
        unit: Of the number; "" without.
        source: Standard, manual or paper, or "workshop practice".
        clause: Place in it; "clause not known" where it has clauses and nobody here saw which; "" where it has none.
        mark: A key of `MARKS`.
    """

    value: Any
    unit: str
    source: str
    clause: str
    mark: str


def read_figures(text: str) -> Mapping[str, Figure]:
    """Return the figures of a TOML text by dotted name.

    Raises:
        ValueError: One without value, source or a known mark; the text names it.
    """
    found = {}
    for group, figures in tomllib.loads(text).items():
        for name, given in figures.items():
            where = f"{group}.{name}"
            for key in ("value", "source", "mark"):
                if key not in given:
                    raise ValueError(f"{where}: {key} is missing: every figure says where it comes from")
            if given["mark"] not in MARKS:
                raise ValueError(f"{where}: {given['mark']!r} is none of {', '.join(MARKS)}")
            found[where] = Figure(
                given["value"], given.get("unit", ""), given["source"], given.get("clause", ""), given["mark"]
            )
    return MappingProxyType(found)


@lru_cache(maxsize=1)
def stated() -> Mapping[str, Figure]:
    """Return the figures that come with the program, by dotted name."""
    return read_figures(Path(__file__).with_name("figures.toml").read_text(encoding="utf-8"))


def number(name: str) -> float:
    """Return the value of a figure that is a number.

    >>> number("interval.in_tolerance")
    0.95
    """
    return float(stated()[name].value)


def count(name: str) -> int:
    """Return the value of a figure that is a whole number.

    >>> count("series.w_rep")
    5
    """
    return int(stated()[name].value)
