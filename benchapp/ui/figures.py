"""Figures of a procedure as text: their names, their values shown and typed, what they can be for."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from benchapp.runs.procedure import FIGURES, KINDS, MARKS, ProcedureError
from benchapp.ui import words
from benchapp.ui.fields import FieldError, read_number
from benchapp.ui.logbook.model import FIGURE_NAMES

EVERY: Final = "{}"
"""Stands for the type or class in the name of a figure that there can be one of for each."""
KIND_WORDS: Final = {
    "I": "all that show torque (I)",
    "II": "all that let go (II)",
    "I-A": "shows, a bar that bends (I-A)",
    "I-B": "shows, dial or scale (I-B)",
    "I-C": "shows, electronic (I-C)",
    "I-D": "screwdriver, dial or scale (I-D)",
    "I-E": "screwdriver, electronic (I-E)",
    "II-A": "lets go, with a scale (II-A)",
    "II-B": "lets go, one value (II-B)",
    "II-C": "lets go, without a scale (II-C)",
    "II-D": "screwdriver, lets go, scale (II-D)",
    "II-E": "screwdriver, lets go, one value (II-E)",
    "II-F": "screwdriver, lets go, no scale (II-F)",
    "II-G": "lets go, a bar that bends (II-G)",
}


def figure_title(name: str) -> str:
    """Return a figure's name in words.

    >>> figure_title("permissible.above.II-A"), figure_title("rate.II.shortest")
    ('permissible deviation, large tools (II-A)', 'time for the last fifth, shortest (II)')
    """
    path = name.split(".")
    kinds = [part for part in path if part[:1] == "I" and part.rstrip("ABCDEFG-") in ("I", "II")]
    base = ".".join(part for part in path if part not in kinds)
    title = FIGURE_NAMES.get(name) or FIGURE_NAMES.get(base) or FIGURE_NAMES.get(path[0]) or name
    if name == "preload.at":
        title = FIGURE_NAMES["preload.at"]
    if path[0] == "rate":
        title += f", {path[-1].replace('_', ' ')}"
    if base not in FIGURE_NAMES and path[0] not in ("rate", "readings", "preload", "permissible"):
        title = name.replace(".", ": ").replace("_", " ")
    return f"{title} ({kinds[0]})" if kinds else title


def value_text(value: Any) -> str:
    """Return a figure's value as it is shown and typed.

    >>> value_text(["lowest", 60.0, 100.0]), value_text([[0, 0.5], [10, 1.0]]), value_text(True)
    ('lowest; 60; 100', '0: 0.5; 10: 1', 'yes')
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return words.plain(value)
    if isinstance(value, list):
        return "; ".join(
            ": ".join(map(value_text, each)) if isinstance(each, list) else value_text(each) for each in value
        )
    return str(value)


def read_value(text: str, like: Any) -> Any:
    """Return the value that was typed, of the kind that `like` is.

    Raises:
        FieldError: With the sentence to show.
    """
    text = text.strip()
    if isinstance(like, bool):
        if text.lower() not in ("yes", "no"):
            raise FieldError("Value: yes or no.")
        return text.lower() == "yes"
    if isinstance(like, int):
        number = read_number("Value", text)
        if number != int(number):
            raise FieldError(f"Value: {text} is no whole number.")
        return int(number)
    if isinstance(like, float):
        return float(read_number("Value", text))
    if isinstance(like, list):
        parts = [part.strip() for part in text.split(";") if part.strip()]
        if like and isinstance(like[0], list):
            steps = [part.split(":") for part in parts]
            if any(len(step) != 2 for step in steps):
                raise FieldError("Value: steps like 0: 0.5; 10: 1 (from N·m: seconds).")
            return [[read_number("Value", each) for each in step] for step in steps]
        return [part if part == "lowest" else read_number("Value", part) for part in parts]
    return text


def mark_words(mark: str) -> str:
    """Return a mark with what it says."""
    return f"{mark}: {MARKS[mark]}"


def pattern_of(name: str) -> tuple[str, str]:
    """Return (name with `EVERY` in place of the type or class, which one it was; "" none).

    >>> pattern_of("permissible.above.II-A"), pattern_of("ambient.change")
    (('permissible.above.{}', 'II-A'), ('ambient.change', ''))
    """
    kind = next((part for part in name.split(".") if part in KINDS), "")
    return (".".join(EVERY if part == kind else part for part in name.split(".")) if kind else name), kind


def patterns(names: Iterable[str]) -> dict[str, list[str]]:
    """Return pattern -> the types and classes it is still free for, in the order in which figures are shown."""
    found: dict[str, list[str]] = {}
    for name in names:
        pattern, kind = pattern_of(name)
        found.setdefault(pattern, []).append(kind)
    for kinds in found.values():
        kinds.sort(key=lambda kind: KINDS.index(kind) if kind else -1)
    order = list(FIGURE_NAMES)
    return dict(sorted(found.items(), key=lambda each: _place(each[0], order)))


def _place(pattern: str, order: list[str]) -> int:
    base = pattern.replace(f".{EVERY}", "")
    return next((i for i, name in enumerate(order) if base == name or base.startswith(f"{name}.")), len(order))


def pattern_title(pattern: str) -> str:
    """Return a pattern's name in words, without type or class.

    >>> pattern_title("rate.{}.shortest_by_range")
    'time for the last fifth, shortest by range'
    """
    return figure_title(pattern.replace(f".{EVERY}", ""))


def wanted_text(name: str) -> str:
    """Return what a figure takes, as one sentence.

    >>> wanted_text("readings.II"), wanted_text("ambient.change")
    ('Taken: a whole number from 1 to 50.', 'Taken: a number from 0 to 40, in °C.')
    """
    kind = FIGURES[name]
    unit = f", in {kind.unit}" if kind.unit and isinstance(kind.example, int | float) else ""
    return f"Taken: {kind.wanted}{unit}."


def refusal_text(problem: ProcedureError) -> str:
    """Return why a figure was refused: its name, what was wrong, and what would be taken."""
    name = problem.key
    if name not in FIGURES:  # about several of them together, or about the whole
        said = f"{figure_title(name)}: {problem.reason}." if name else f"{problem.reason}."
    else:
        said = f"{figure_title(name)}: {problem.reason}. {wanted_text(name)}"
    return f"{said[:1].upper()}{said[1:]}"
