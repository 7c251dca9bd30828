"""References as data: what stands in the list, a calibration from what was typed, what a reference cannot do. No Qt."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchapp.metrology.correction import Correction, check_calibration, points_of
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.torque.direction import Direction
from benchapp.torque.text import parse_number
from benchapp.torque.units import from_nm, to_nm
from benchapp.ui.format import due_words, short, significant

DUE_SOON_DAYS: Final = 60
"""From how many days before its due date a reference counts as due soon: a laboratory needs weeks (our own choice)."""

DEGREE_WORDS: Final = {0: "no correction", 1: "straight line", 2: "curve of degree 2", 3: "curve of degree 3"}

_CELLS: Final = re.compile(r"[\t;]")


@dataclass(frozen=True, slots=True)
class State:
    """How a reference stands: the word, the shape in front of it, and the sentence."""

    word: str
    mark: str
    sentence: str


def state_of(reference: Reference, today: dt.date) -> State:
    """Return how a reference stands on `today`, and what that means for work with it."""
    calibration = reference.calibration
    if calibration is None:
        return State(
            "not calibrated",
            "ring",
            "Without a calibration its readings are taken as they come: nothing is corrected, there is no uncertainty, "
            "and a decision rule that needs one cannot be used. Enter its certificate.",
        )
    days = (calibration.due - today).days
    if days < 0:
        return State(
            "overdue",
            "bar",
            f"Its calibration is {due_words(calibration.due, today)}. A live run begins with it only on the "
            "custodian's word, with a reason that stands in the record; send it to a laboratory.",
        )
    if calibration.calibrated > today:
        return State(
            "not calibrated yet",
            "bar",
            f"Its calibration is of {calibration.calibrated.isoformat()}, and today is {today.isoformat()} by this "
            "computer's clock: set the clock right. If the clock is right, the date was entered wrong.",
        )
    if days <= DUE_SOON_DAYS:
        return State(
            "due soon", "half", f"Its calibration is {due_words(calibration.due, today)}: book the laboratory now."
        )
    return State("calibrated", "full", "")


def limits_of_use(reference: Reference, unit: str) -> list[str]:
    """Return what the reference in force cannot do, one sentence each; empty when nothing is to be said."""
    calibration = reference.calibration
    if calibration is None:
        return []
    said = []
    low, high = from_nm(calibration.usable_from_nm, unit), from_nm(calibration.usable_to_nm, unit)
    said.append(f"Readings count from {short(float(f'{low:.3g}'))} to {short(float(f'{high:.4g}'))} {unit}.")
    for direction in Direction:
        if not points_of(calibration, direction):
            said.append(f"It was not calibrated {direction.value}: no readings that way.")
    if any(point.expanded_percent is None for point in calibration.points):
        said.append("Some points state no uncertainty: a rule that needs one refuses there.")
    if calibration.degree == 0:
        said.append("Its known error is not corrected; it goes into the uncertainty.")
    return said


def worst_expanded(calibration: Calibration) -> float | None:
    """Return the largest expanded uncertainty over the usable range, percent; None when a point states none."""
    stated = [
        point.expanded_percent
        for point in calibration.points
        if calibration.usable_from_nm * 0.999 <= point.applied_nm <= calibration.usable_to_nm * 1.001
    ]
    known = [value for value in stated if value is not None]
    return max(known) if known and len(known) == len(stated) else None


def certified_words(calibration: Calibration) -> str:
    """Return what the certificate states of its own uncertainty over the usable range."""
    worst = worst_expanded(calibration)
    if worst is None:
        return "U not stated at every point"
    return f"at most U = {significant(worst, 2)} % (k = {short(calibration.coverage_factor)})"


# --------------------------------------------------------------------------------------------------------- calibration


class PointError(ValueError):
    """A row of the table that cannot stand: `row` from 0, `column` from 0; the message is a sentence."""

    def __init__(self, row: int, column: int, sentence: str) -> None:
        super().__init__(sentence)
        self.row = row
        self.column = column


def point_of(cells: Sequence[str], row: int, unit: str) -> CalibrationPoint | None:
    """Return the point that a row of texts holds: applied, indicated, U in percent, direction, rising or falling.

    An empty row is None. Anything that starts with "a" or "c" is a direction, "f" is falling.

    Raises:
        PointError: A cell that cannot be read.
    """
    texts = [*(cell.strip() for cell in cells), "", "", "", "", ""][:5]
    if not any(texts[:3]):
        return None
    names = ("Applied", "Indicated", "U")
    numbers: list[float | None] = []
    for column in range(3):
        text = texts[column].removesuffix("%").strip()
        if not text:
            if column < 2:
                raise PointError(row, column, f"{names[column]} is missing in row {row + 1}.")
            numbers.append(None)
            continue
        try:
            value = parse_number(text)
        except ValueError as problem:
            raise PointError(row, column, f"{names[column]}, row {row + 1}: {problem}.") from None
        if not value > 0:
            raise PointError(
                row,
                column,
                f"{names[column]} is {text} in row {row + 1}; accepted is above 0 (the direction has a column).",
            )
        numbers.append(value)
    applied, indicated, expanded = numbers
    if applied is None or indicated is None:  # pragma: no cover (refused above)
        raise PointError(row, 0, f"Row {row + 1} is not full.")
    direction = Direction.ANTICLOCKWISE if texts[3].casefold().startswith(("a", "ccw", "left")) else Direction.CLOCKWISE
    return CalibrationPoint(
        to_nm(applied, unit), to_nm(indicated, unit), expanded, direction, texts[4].casefold().startswith("f")
    )


def cells_of(point: CalibrationPoint, unit: str) -> tuple[str, str, str, str, str]:
    """Return the row of texts that shows a point."""
    return (
        short(float(f"{from_nm(point.applied_nm, unit):.8g}")),
        short(float(f"{from_nm(point.indicated_nm, unit):.8g}")),
        "" if point.expanded_percent is None else short(point.expanded_percent),
        point.direction.value,
        "falling" if point.falling else "rising",
    )


def rows_of_text(text: str) -> list[list[str]]:
    r"""Split what was copied from a spreadsheet or a list into rows of cells (tabs or semicolons between).

    >>> rows_of_text("10\t10,02\n20\t20,05\n")
    [['10', '10,02'], ['20', '20,05']]
    """
    lines = [line for line in text.replace("\r", "\n").split("\n") if line.strip()]
    return [[cell.strip() for cell in (_CELLS.split(line) if _CELLS.search(line) else line.split())] for line in lines]


REFUSED_FIELDS: Final = {
    "due": "due",
    "coverage_factor": "k",
    "usable_from_nm": "from",
    "usable_to_nm": "to",
    "degree": "degree",
    "interval_percent": "interval",
}
"""Field of `RefusedError` -> field of the form."""


def refusal_of(problem: RefusedError, unit: str) -> tuple[str, str]:
    """Return (form's field, sentence) for a refused calibration; field "points" for the table."""
    field = str(problem.field)
    key = REFUSED_FIELDS.get(field, "points")
    names = {
        "due": "Due date",
        "k": "k",
        "from": "Lower end of the range",
        "to": "Upper end of the range",
        "degree": "The correction",
        "interval": "W'",
    }
    where = names.get(key, "The points")
    found = re.match(r"points\[(\d+)\]\.(\w+)", field)
    if found:
        column = {"applied_nm": "applied", "indicated_nm": "indicated", "expanded_percent": "U"}.get(found[2], found[2])
        where = f"Point {int(found[1]) + 1} (counted from the lowest), {column}"
    value = problem.value
    if isinstance(value, float) and key in ("from", "to"):
        said = f"{significant(from_nm(value, unit), 4)} {unit}"
        return key, f"{where} is {said}; accepted is {problem.limit} N·m."
    if value is None:
        return key, f"{where}: {problem.accepted} wanted."
    return key, f"{where}: {value} does not fit ({problem.limit}); accepted: {problem.accepted}."


def temperature_words(calibration: Calibration) -> str:
    """Return at which temperature it was calibrated and how its span changes with it; "" when neither is known."""
    said = [] if calibration.temperature_c is None else [f"{short(calibration.temperature_c)} °C"]
    if calibration.temperature_percent_per_k is not None:
        said.append(f"changes by {short(calibration.temperature_percent_per_k)} % per K")
    return ", ".join(said)


def checked(calibration: Calibration) -> Calibration:
    """Return the calibration if it may be entered; raises `RefusedError` with field, value, limit, what is accepted."""
    check_calibration(calibration)
    return calibration


# ---------------------------------------------------------------------------------------------------------- its picture


@dataclass(frozen=True, slots=True)
class ErrorCurve:
    """What a calibration says in one direction, for a picture; torques in N·m, the rest in percent.

    Attributes:
        direction: Which.
        points: (applied, (indicated − applied) / applied, U or None), rising.
        falling: The same for falling points.
        fitted: (applied, error that the correction takes away), a dense line over the points.
        residuals: (applied, what is left after the correction).
    """

    direction: Direction
    points: tuple[tuple[float, float, float | None], ...]
    falling: tuple[tuple[float, float, float | None], ...]
    fitted: tuple[tuple[float, float], ...]
    residuals: tuple[tuple[float, float], ...]


def error_curves(calibration: Calibration) -> list[ErrorCurve]:
    """Return the calibration's errors, correction and residuals, a direction each; no fit where none is possible."""
    found = []
    for direction in Direction:
        rising = points_of(calibration, direction)
        if not rising:
            continue
        falling = points_of(calibration, direction, falling=True)
        fitted: tuple[tuple[float, float], ...] = ()
        residuals: tuple[tuple[float, float], ...] = ()
        try:
            correction = Correction.from_calibration(calibration, direction)
        except RefusedError:
            pass
        else:
            x = np.linspace(rising[0].indicated_nm, rising[-1].indicated_nm, 80)
            y = correction.true_torque(x)
            fitted = tuple(zip(y.tolist(), ((x - y) / y * 100).tolist(), strict=True))
            at = np.array([point.indicated_nm for point in rising])
            left = correction.true_torque(at)
            residuals = tuple(
                (point.applied_nm, float((value - point.applied_nm) / point.applied_nm * 100))
                for point, value in zip(rising, left, strict=True)
            )
        found.append(ErrorCurve(direction, _errors(rising), _errors(falling), fitted, residuals))
    return found


def _errors(points: Sequence[CalibrationPoint]) -> tuple[tuple[float, float, float | None], ...]:
    return tuple(
        (p.applied_nm, (p.indicated_nm - p.applied_nm) / p.applied_nm * 100, p.expanded_percent) for p in points
    )
