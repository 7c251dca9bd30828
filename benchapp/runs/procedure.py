"""Procedures: which pulls a tool gets and by which figures it is judged. Data files, read and checked here.

A procedure is a flat set of named figures, each with its value, unit, source, clause and how sure we are of it. A
custodian who owns the standard corrects one line of a file, and a record keeps the figures that were in force.

Marks of confidence:
    C   seen in the standard's own text, its publisher's page, a government manual or an open-access paper
    C2  seen second-hand only (summary, trade article, laboratory note)
    R   recomputed here from stated inputs
    M   from memory, unconfirmed
    P   common practice, no source
    D   derived here from physics or statistics
"""

from __future__ import annotations

import dataclasses
import functools
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from benchapp.metrology.figures import MARKS as MARKS
from benchapp.metrology.figures import Figure as Figure
from benchapp.metrology.suitability import Demand, Quantity
from benchapp.metrology.tool import Tool
from benchapp.torque.direction import Direction

LOWEST: Final = "lowest"
"""Stands in `points.at` for the lowest marked (or maker-stated lowest) value."""


class ProcedureError(ValueError):
    """A procedure file that cannot be used; `file`, `key` and `reason` say what and where."""

    def __init__(self, file: str, key: str, reason: str) -> None:
        super().__init__(f"{file}: {key}: {reason}" if key else f"{file}: {reason}")
        self.file, self.key, self.reason = file, key, reason


@dataclass(frozen=True, slots=True)
class FigureKind:
    """What a figure of a name may be.

    Attributes:
        problem: Returns why a value cannot be, "" for one that can.
        wanted: What is taken, in words.
        example: A value that is taken, of the type that all of them have.
        unit: Of the number; "" without.
    """

    problem: Callable[[Any], str]
    wanted: str
    example: Any
    unit: str = ""


def _number(low: float, high: float, example: float, unit: str = "") -> FigureKind:
    def check(value: Any) -> str:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return f"a number was expected, not {value!r}"
        return "" if low <= value <= high else f"{value:g} is not between {low:g} and {high:g}"

    return FigureKind(check, f"a number from {low:g} to {high:g}", example, unit)


def _count(low: int, high: int, example: int, unit: str = "") -> FigureKind:
    def check(value: Any) -> str:
        if isinstance(value, bool) or not isinstance(value, int):
            return f"a whole number was expected, not {value!r}"
        return "" if low <= value <= high else f"{value} is not between {low} and {high}"

    return FigureKind(check, f"a whole number from {low} to {high}", example, unit)


def _one_of(*allowed: str) -> FigureKind:
    def check(value: Any) -> str:
        return "" if value in allowed else f"{value!r} is none of {', '.join(allowed)}"

    return FigureKind(check, " or ".join(allowed), allowed[0])


def _truth(value: Any) -> str:
    return "" if isinstance(value, bool) else f"true or false was expected, not {value!r}"


def _points(value: Any) -> str:
    if not isinstance(value, list):
        return f"a list of percentages was expected, not {value!r}"
    for point in value:
        if point != LOWEST and (isinstance(point, bool) or not isinstance(point, (int, float)) or not 0 < point <= 100):
            return f'{point!r} is neither a percentage above 0 and up to 100 nor "{LOWEST}"'
    numbers = [point for point in value if point != LOWEST]
    return "" if numbers == sorted(set(numbers)) else "percentages must rise"


def _steps(value: Any) -> str:
    def is_step(step: Any) -> bool:
        return (
            isinstance(step, list)
            and len(step) == 2
            and all(isinstance(x, (int, float)) and not isinstance(x, bool) and x >= 0 for x in step)
        )

    if not isinstance(value, list) or not value or not all(map(is_step, value)):
        return "a list of [from N·m, seconds] was expected"
    return "" if [step[0] for step in value] == sorted({step[0] for step in value}) else "the ranges must rise"


KINDS: Final = ("I", "II", *(f"I-{c}" for c in "ABCDE"), *(f"II-{c}" for c in "ABCDEFG"))
"""Types and classes that a figure can be for."""
_PERCENT: Final = _number(0.01, 100, 1.0, "%")
_LIMIT: Final = _number(0.01, 50, 4.0, "%")
_READINGS: Final = _count(1, 50, 5)

_REQUIRED: Final[dict[str, FigureKind]] = {
    "points.at": FigureKind(
        _points,
        f'percentages above 0 and up to 100 that rise, before them "{LOWEST}" if wanted; none: typed at the start',
        [20.0, 60.0, 100.0],
        "% of maximum",
    ),
    "points.order": _one_of("rising"),
    "readings.I": _READINGS,
    "readings.II": _READINGS,
    "preload.I.n": _count(0, 50, 1),
    "preload.II.n": _count(0, 50, 5),
    "preload.at": _one_of("maximum", "target"),
    "preload.after_direction_change": FigureKind(_truth, "yes or no", True),
    "permissible.boundary": _number(0, 1e6, 10.0, "N·m"),
    "deviation.convention": _one_of("ISO", "PRESET"),
    "decision.rule": _one_of("simple", "guard-band", "four-way"),
    "conduct.set_aside_unflagged": _one_of("operator", "custodian", "nobody"),
    "conduct.max_repeats": _count(0, 50, 3),
    "conduct.pause_limit": _number(0, 24 * 60, 30.0, "min"),
}
_OPTIONAL: Final[dict[str, FigureKind]] = {
    **{f"readings.{kind}": _READINGS for kind in KINDS},
    **{f"permissible.up_to.{kind}": _LIMIT for kind in KINDS},
    **{f"permissible.above.{kind}": _LIMIT for kind in KINDS},
    "permissible.other_direction": _LIMIT,
    **{f"rate.{kind}.shortest": _number(0, 60, 0.5, "s") for kind in KINDS},
    **{f"rate.{kind}.longest": _number(0, 60, 4.0, "s") for kind in KINDS},
    **{
        f"rate.{kind}.shortest_by_range": FigureKind(
            _steps, "from N·m: seconds, rising, as in 0: 0.5; 10: 1", [[0.0, 0.5], [10.0, 1.0]], "[from N·m, s]"
        )
        for kind in KINDS
    },
    "ambient.lowest": _number(-40, 60, 18.0, "°C"),
    "ambient.highest": _number(-40, 60, 28.0, "°C"),
    "ambient.change": _number(0, 40, 1.0, "°C"),
    "ambient.humidity": _PERCENT,
    "reference.share_of_limit": _number(0.01, 1, 0.25),
    "reference.uncertainty": _number(0.01, 100, 1.0, "% of reading, k = 2"),
    "reference.quantity": _one_of("interval", "uncertainty", "accuracy"),
    "reference.unknown": _one_of("refused", "told"),
    "decision.r": _number(0.01, 3, 1.0),
    "coverage.factor": _number(1, 4, 2.0),
    "coverage.probability": _number(0.5, 0.9999, 0.95),
    "interval.months": _count(1, 240, 12, "months"),
    "interval.operations": _count(1, 10_000_000, 5000, "operations"),
}
FIGURES: Final[Mapping[str, FigureKind]] = MappingProxyType({**_OPTIONAL, **_REQUIRED})
"""Every figure a procedure can have, by dotted name."""
_HEAD: Final = ("key", "name", "edition", "version", "about")
_WITHDRAWN: Final = "withdrawn"
_FIGURE_KEYS: Final = ("value", "unit", "source", "clause", "mark")


@dataclass(frozen=True, slots=True)
class Procedure:
    """One procedure.

    Attributes:
        key: Short name for files and commands, e.g. "iso-6789-2003".
        name: Name for people.
        edition: Of the standard; "" for a workshop's own.
        version: Counts changes of this file, from 1.
        about: One sentence: what it is for.
        figures: By dotted name, e.g. "readings.II".
        withdrawn: Why it is no longer offered for runs; "" it is.
    """

    key: str
    name: str
    edition: str
    version: int
    about: str
    figures: Mapping[str, Figure]
    withdrawn: str = ""

    def value(self, name: str, default: Any = None) -> Any:
        """Return the value of a figure, `default` when the procedure has none of that name."""
        figure = self.figures.get(name)
        return default if figure is None else figure.value

    @property
    def is_spot_check(self) -> bool:
        """The target is typed instead of taken from the tool's range."""
        return not self.value("points.at")

    def figure_for(self, group: str, tool: Tool) -> Figure | None:
        """Return the figure of `group` for the tool: its class first, else its type; None when there is neither.

        Args:
            group: E.g. "readings" or "permissible.above".
            tool: Its type and class are looked at.
        """
        own = self.figures.get(f"{group}.{tool.tool_type.value}-{tool.tool_class}")
        return own or self.figures.get(f"{group}.{tool.tool_type.value}")

    def n_readings(self, tool: Tool) -> int:
        """Return how many readings count at a checkpoint."""
        figure = self.figure_for("readings", tool)
        return 1 if figure is None else int(figure.value)

    def n_preloads(self, tool: Tool) -> int:
        """Return how many pulls come before the readings, per direction."""
        return int(self.value(f"preload.{tool.tool_type.value}.n", 0))

    def limit_percent(self, tool: Tool, direction: Direction) -> float | None:
        """Return the permissible deviation, ± percent; None when the procedure has none for this tool.

        The boundary is judged on the tool's maximum, not on the checkpoint. A tighter value that the maker declared is
        the limit instead. The direction listed first for the tool is the one it is made for.
        """
        boundary = Fraction(str(self.value("permissible.boundary")))
        above = Fraction(tool.highest_nm).limit_denominator(10**9) > boundary
        figure = self.figure_for("permissible.above" if above else "permissible.up_to", tool)
        if figure is None:
            return tool.declared_percent
        limit = float(figure.value)
        other = self.value("permissible.other_direction")
        if other is not None and tool.directions and direction is not tool.directions[0]:
            limit = max(limit, float(other))
        return limit if tool.declared_percent is None else min(limit, tool.declared_percent)

    def time_window_s(self, tool: Tool) -> tuple[float, float] | None:
        """Return (shortest, longest) time from 80 % to 100 % of the load, seconds; None when nothing is asked."""
        shortest = self.figure_for_rate(tool, "shortest")
        longest = self.figure_for_rate(tool, "longest")
        steps = self.figure_for_rate(tool, "shortest_by_range")
        low = 0.0 if shortest is None else float(shortest.value)
        if steps is not None:
            for from_nm, seconds in steps.value:
                if tool.highest_nm >= from_nm:
                    low = float(seconds)
        if longest is None and low == 0.0:
            return None
        return low, float("inf") if longest is None else float(longest.value)

    def figure_for_rate(self, tool: Tool, name: str) -> Figure | None:
        """Return rate figure `name` for the tool's class, else its type."""
        own = self.figures.get(f"rate.{tool.tool_type.value}-{tool.tool_class}.{name}")
        return own or self.figures.get(f"rate.{tool.tool_type.value}.{name}")

    def demand_percent(self, limit_percent: float) -> float | None:
        """Return the greatest uncertainty of the reference, percent of reading, for a tool limit; None: no demand."""
        share = self.value("reference.share_of_limit")
        if share is not None:
            return float(share) * limit_percent
        fixed = self.value("reference.uncertainty")
        return None if fixed is None else float(fixed)

    @property
    def demand(self) -> Demand | None:
        """Return what is demanded of the reference, by the edition's own quantity; None: nothing."""
        share, fixed = self.value("reference.share_of_limit"), self.value("reference.uncertainty")
        if share is not None:
            return Demand(Quantity(self.value("reference.quantity", "interval")), share_of_limit=float(share))
        if fixed is not None:
            return Demand(Quantity(self.value("reference.quantity", "uncertainty")), percent=float(fixed))
        return None

    @property
    def refuses_unknown(self) -> bool:
        """A reference of unknown uncertainty fails the demand; False: there is none, or that is only told."""
        return self.demand is not None and self.value("reference.unknown", "refused") == "refused"

    @property
    def pause_limit_s(self) -> float:
        """After a longer pause the preload is void, seconds."""
        return float(self.value("conduct.pause_limit")) * 60

    @property
    def max_repeats(self) -> int:
        """How often one reading may be taken again."""
        return int(self.value("conduct.max_repeats"))

    @property
    def set_aside_unflagged(self) -> str:
        """Who may set aside a reading without a flag: "operator", "custodian" or "nobody"."""
        return str(self.value("conduct.set_aside_unflagged"))


def procedure_from_data(data: Mapping[str, Any], file: str = "procedure") -> Procedure:
    """Return the procedure in `data` (as TOML gives it, or as `procedure_to_data` wrote it).

    Args:
        data: Nested tables; a table with a `value` is a figure.
        file: Name for messages.

    Raises:
        ProcedureError: Key missing, unknown or with a value that cannot be; figures without source or mark.
    """
    for key in _HEAD:
        if key not in data:
            raise ProcedureError(file, key, "is missing")
        kind = int if key == "version" else str
        if not isinstance(data[key], kind) or isinstance(data[key], bool):
            raise ProcedureError(file, key, f"{'a whole number' if kind is int else 'text'} was expected")
    if not data["key"] or not data["name"]:
        raise ProcedureError(file, "key" if not data["key"] else "name", "is empty")
    if data["version"] < 1:
        raise ProcedureError(file, "version", f"{data['version']} is less than 1")
    withdrawn = data.get(_WITHDRAWN, "")
    if not isinstance(withdrawn, str):
        raise ProcedureError(file, _WITHDRAWN, "text was expected")
    figures: dict[str, Figure] = {}
    for key, value in data.items():
        if key not in (*_HEAD, _WITHDRAWN):
            _collect(key, value, file, figures)
    for key in _REQUIRED:
        if key not in figures:
            raise ProcedureError(file, key, "is missing")
    procedure = Procedure(
        data["key"], data["name"], data["edition"], data["version"], data["about"], MappingProxyType(figures), withdrawn
    )
    _check_together(procedure, file)
    return procedure


def _collect(path: str, value: Any, file: str, figures: dict[str, Figure]) -> None:
    if not isinstance(value, Mapping):
        raise ProcedureError(file, path, "a figure needs value, source and mark: { value = …, source = …, mark = … }")
    if "value" not in value:
        for key, inner in value.items():
            _collect(f"{path}.{key}", inner, file, figures)
        return
    kind = FIGURES.get(path)
    if kind is None:
        raise ProcedureError(file, path, "is no figure of a procedure")
    for key in value:
        if key not in _FIGURE_KEYS:
            raise ProcedureError(file, f"{path}.{key}", f"is none of {', '.join(_FIGURE_KEYS)}")
    for key in ("source", "mark"):
        if not value.get(key):
            raise ProcedureError(file, f"{path}.{key}", "is missing: every figure says where it comes from")
    if value["mark"] not in MARKS:
        raise ProcedureError(file, f"{path}.mark", f"{value['mark']!r} is none of {', '.join(MARKS)}")
    for key in ("unit", "source", "clause"):
        if not isinstance(value.get(key, ""), str):
            raise ProcedureError(file, f"{path}.{key}", "text was expected")
    problem = kind.problem(value["value"])
    if problem:
        raise ProcedureError(file, path, problem)
    figures[path] = Figure(
        value["value"], value.get("unit", ""), value["source"], value.get("clause", ""), value["mark"]
    )


def _check_together(procedure: Procedure, file: str) -> None:
    if not any(name.startswith("permissible.up_to.") for name in procedure.figures) or not any(
        name.startswith("permissible.above.") for name in procedure.figures
    ):
        raise ProcedureError(file, "permissible", "limits up to and above the boundary are missing")
    low, high = procedure.value("ambient.lowest"), procedure.value("ambient.highest")
    if low is not None and high is not None and low >= high:
        raise ProcedureError(file, "ambient.lowest", f"{low:g} is not below ambient.highest {high:g}")
    if procedure.value("coverage.factor") is not None and procedure.value("coverage.probability") is not None:
        raise ProcedureError(file, "coverage", "has both factor and probability; k is fixed, or follows from t")
    if procedure.value("reference.share_of_limit") is not None and procedure.value("reference.uncertainty") is not None:
        raise ProcedureError(
            file, "reference", "has both share_of_limit and uncertainty; the demand is one of them, take the other away"
        )
    for kind in KINDS:
        _check_window(procedure, kind, file)


def _check_window(procedure: Procedure, kind: str, file: str) -> None:
    """A class has its own times where it has them, else its type's."""

    def figure(name: str) -> tuple[str, Any]:
        own = f"rate.{kind}.{name}"
        of_type = f"rate.{kind.partition('-')[0]}.{name}"
        return (own, procedure.value(own)) if own in procedure.figures else (of_type, procedure.value(of_type))

    (at, shortest), (_, longest), (steps_at, steps) = figure("shortest"), figure("longest"), figure("shortest_by_range")
    if shortest is not None and longest is not None and shortest >= longest:
        raise ProcedureError(file, at, f"{shortest:g} is not below longest {longest:g}")
    slowest = max((seconds for _, seconds in steps or ()), default=0.0)
    if longest is not None and slowest >= longest:
        raise ProcedureError(file, steps_at, f"{slowest:g} is not below longest {longest:g}")


def procedure_to_data(procedure: Procedure) -> dict[str, object]:
    """Return the whole procedure as nested JSON-able data, each figure with its source; for records and for files."""
    data: dict[str, Any] = {key: getattr(procedure, key) for key in _head_of(procedure)}
    for name, figure in procedure.figures.items():
        *path, last = name.split(".")
        table = data
        for part in path:
            table = table.setdefault(part, {})
        table[last] = dataclasses.asdict(figure)
    return data


def _head_of(procedure: Procedure) -> tuple[str, ...]:
    return (*_HEAD, _WITHDRAWN) if procedure.withdrawn else _HEAD


def procedure_to_toml(procedure: Procedure) -> str:
    """Return the procedure as the text of a TOML file that `load_procedure` reads back equal."""
    lines = [f"{key} = {_toml(getattr(procedure, key))}" for key in _head_of(procedure)] + [""]
    for name, figure in procedure.figures.items():
        inner = ", ".join(
            f"{key} = {_toml(getattr(figure, key))}" for key in _FIGURE_KEYS if getattr(figure, key) != ""
        )
        lines.append(f"{name} = {{ {inner} }}")
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\t")
        return f'"{escaped}"'
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return repr(value)


def load_procedure(path: Path) -> Procedure:
    """Read one procedure file.

    Raises:
        ProcedureError: Not readable, no TOML, or `procedure_from_data` refuses it.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ProcedureError(path.name, "", f"cannot be read ({error})") from error
    return procedure_from_text(text, path.name)


def procedure_from_text(text: str, file: str = "procedure") -> Procedure:
    """Return the procedure written in TOML `text`; raises `ProcedureError`."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProcedureError(file, "", f"is no TOML ({error})") from error
    return procedure_from_data(data, file)


@functools.cache
def shipped_procedures() -> tuple[Procedure, ...]:
    """Return the procedures that come with the program, workshop ones first; read once."""
    folder = resources.files("benchapp.runs") / "procedures"
    files = sorted((item for item in folder.iterdir() if item.name.endswith(".toml")), key=lambda item: item.name)
    return tuple(procedure_from_text(item.read_text(encoding="utf-8"), item.name) for item in files)


def shipped_procedure(key: str) -> Procedure:
    """Return the shipped procedure named `key`.

    Raises:
        KeyError: There is none; the text names those there are.
    """
    found = {procedure.key: procedure for procedure in shipped_procedures()}
    if key not in found:
        raise KeyError(f"no procedure {key!r}; there are {', '.join(found)}")
    return found[key]


def copied(procedure: Procedure, key: str, name: str) -> Procedure:
    """Return a copy under a key and name of the workshop's own, version 1."""
    return dataclasses.replace(procedure, key=key, name=name, version=1)


def edited(procedure: Procedure, name: str, value: Any, *, source: str, mark: str, clause: str = "") -> Procedure:
    """Return the procedure with one figure changed or added and the version counted up. A change names its source.

    Raises:
        ProcedureError: The figure or its new value cannot be.
    """
    old, kind = procedure.figures.get(name), FIGURES.get(name)
    figures = dict(procedure.figures)
    figures[name] = Figure(value, old.unit if old else kind.unit if kind else "", source, clause, mark)
    return _with_figures(procedure, figures)


def without(procedure: Procedure, name: str) -> Procedure:
    """Return the procedure without one figure and the version counted up.

    Raises:
        ProcedureError: It has none of that name, or cannot do without it.
    """
    if name not in procedure.figures:
        raise ProcedureError(procedure.name, name, "is not in it")
    if name in _REQUIRED:
        raise ProcedureError(procedure.name, name, "no procedure can do without it; it can be changed")
    return _with_figures(procedure, {each: figure for each, figure in procedure.figures.items() if each != name})


def _with_figures(procedure: Procedure, figures: dict[str, Figure]) -> Procedure:
    changed = dataclasses.replace(procedure, figures=MappingProxyType(figures), version=procedure.version + 1)
    return procedure_from_data(procedure_to_data(changed), procedure.name)


def addable(procedure: Procedure) -> tuple[str, ...]:
    """Return the names of the figures that it could have and has not."""
    return tuple(name for name in FIGURES if name not in procedure.figures)


def withdrawn(procedure: Procedure, why: str) -> Procedure:
    """Return its next version, which is not offered for runs any more; `why` "" offers it again."""
    return dataclasses.replace(procedure, withdrawn=why, version=procedure.version + 1)


def tool_kind(tool: Tool) -> str:
    """Return type and class in one word as the figures name them.

    >>> from benchapp.metrology.tool import ToolType
    >>> tool_kind(Tool("OCF-014", ToolType.SETTING, "A", "N·m", 8, 40))
    'II-A'
    """
    return f"{tool.tool_type.value}-{tool.tool_class}"
