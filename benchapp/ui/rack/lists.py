"""Lists of tools that people keep already: read from CSV or XLSX, columns matched, every bad row named. No Qt.

Nothing is guessed about a number: a row whose number can be read in two ways is refused with its reason.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchapp.records.model import ToolRecord
from benchapp.torque.text import parse_number, parse_torque, parse_unit
from benchapp.torque.units import NM
from benchapp.ui.format import DateTextError, parse_date
from benchapp.ui.rack.model import Answers, ToolEntryError, changed, converted, tool_of

MOST_ROWS: Final = 100_000

FIELDS: Final[Mapping[str, str]] = {
    "number": "Number",
    "kind": "What it is",
    "lowest": "Lowest value",
    "highest": "Highest value",
    "range": "Range (lowest to highest)",
    "unit": "Unit",
    "resolution": "One division",
    "maker": "Maker",
    "model": "Model",
    "serial": "Serial number",
    "drive": "Drive",
    "place": "Where it hangs",
    "keeper": "Keeper",
    "months": "Interval, months",
    "first_use": "First used",
    "remark": "Remark",
}
"""What a column can hold, and what it is called."""

_NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    "number": (
        "number",
        "no",
        "nr",
        "id",
        "tool",
        "tool number",
        "tool no",
        "asset",
        "inventory number",
        "asset number",
    ),
    "kind": ("kind", "type", "what it is", "description", "tool type"),
    "lowest": ("lowest", "min", "minimum", "from", "lowest value", "lower"),
    "highest": ("highest", "max", "maximum", "to", "highest value", "upper", "capacity"),
    "range": ("range", "torque range", "measuring range"),
    "unit": ("unit", "units"),
    "resolution": ("resolution", "division", "one division", "increment", "scale"),
    "maker": ("maker", "manufacturer", "brand", "make"),
    "model": ("model", "type designation"),
    "serial": ("serial", "serial number", "serial no", "sn", "s n"),
    "drive": ("drive", "square", "drive size"),
    "place": ("place", "location", "where it hangs", "site"),
    "keeper": ("keeper", "owner", "responsible", "person", "user"),
    "months": ("interval", "interval months", "months", "interval (months)"),
    "first_use": ("first used", "first use", "in service since", "commissioned"),
    "remark": ("remark", "remarks", "note", "notes", "comment"),
}

_SCREWDRIVER: Final = re.compile(r"screw\s*driver|schraub", re.IGNORECASE)
_SHOWS: Final = re.compile(r"dial|display|electronic|digital|beam|indicat|shows|pointer|type i\b", re.IGNORECASE)
_FIXED: Final = re.compile(r"fixed|single value|one value|preset only", re.IGNORECASE)
_BETWEEN: Final = re.compile(r"\s*(?:\bto\b|…|\.\.\.?|–|—|(?<=[\d\w])\s*-\s*(?=\d))\s*", re.IGNORECASE)


class ListFileError(ValueError):
    """A file that is no list we can read; the message says what, where and what to do."""


@dataclass(frozen=True, slots=True)
class Table:
    """A list as it stands in the file: header, rows of the same length, and what had to be assumed."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()
    first_line: int = 2


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that cannot be imported: its line in the file and why."""

    line: int
    number: str
    why: str


def read_table(path: Path) -> Table:
    """Read a CSV or XLSX file into texts.

    Raises:
        ListFileError: Not readable, empty, or no table.
    """
    if path.suffix.lower() in (".xlsx", ".xlsm"):
        return _read_xlsx(path)
    try:
        data = path.read_bytes()
    except OSError as problem:
        raise ListFileError(f"{path}: {problem.strerror or problem}. Choose another file.") from problem
    return table_of_csv(data, path.name)


def table_of_csv(data: bytes, name: str = "list") -> Table:
    """Read CSV bytes: UTF-8 (or UTF-16 with mark, else Western European, which is noted); `,` `;` or tab between.

    Raises:
        ListFileError: Empty, binary, or a single column only.
    """
    notes: list[str] = []
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = data.decode("utf-16", errors="replace")
    else:
        if b"\x00" in data:
            raise ListFileError(f"{name} holds no text. Save the list as CSV or XLSX, then import that file.")
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as problem:
            text = data.decode("cp1252", errors="replace")
            notes.append(f"Not UTF-8 (byte {problem.start}); read as Western European. Look at letters with accents.")
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines:
        raise ListFileError(f"{name} is empty. The first line must name the columns.")
    mark = max(";\t,", key=lambda candidate: _columns_in(lines[0], candidate))
    if _columns_in(lines[0], mark) == 1:
        raise ListFileError(f"{name} has one column only. Columns are told apart by commas, semicolons or tabs.")
    try:
        cells = [row for row in csv.reader(io.StringIO(text), delimiter=mark) if any(cell.strip() for cell in row)]
    except csv.Error as problem:
        raise ListFileError(f"{name}: {problem}. Save the list again as CSV.") from problem
    return _table(cells, name, notes)


def _columns_in(line: str, mark: str) -> int:
    return len(next(csv.reader([line], delimiter=mark), []))


def _read_xlsx(path: Path) -> Table:
    import openpyxl

    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    except Exception as problem:
        raise ListFileError(f"{path.name} cannot be opened as XLSX ({problem}). Save it again, or as CSV.") from problem
    try:
        sheet = book.worksheets[0]
        cells = []
        for row in sheet.iter_rows(values_only=True):
            texts = [_cell_text(cell) for cell in row]
            if any(texts):
                cells.append(texts)
            if len(cells) > MOST_ROWS + 1:
                break
        notes = [f"The sheet “{sheet.title}” was read; the workbook has {len(book.worksheets)} sheets."]
        return _table(cells, path.name, notes if len(book.worksheets) > 1 else [])
    finally:
        book.close()


def _cell_text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, float):
        return repr(int(cell)) if cell == int(cell) else repr(cell)
    date = getattr(cell, "date", None)
    if callable(date):
        return str(date().isoformat())
    return str(cell).strip()


def _table(cells: Sequence[Sequence[str]], name: str, notes: Sequence[str]) -> Table:
    if len(cells) < 2:
        raise ListFileError(f"{name} has no rows. The first line names the columns, each further line is a tool.")
    if len(cells) > MOST_ROWS + 1:
        raise ListFileError(f"{name} has more than {MOST_ROWS} rows; a rack takes at most that many at once. Split it.")
    header = tuple(cell.strip() for cell in cells[0])
    width = len(header)
    rows = tuple(tuple(cell.strip() for cell in (*row, *[""] * width)[:width]) for row in cells[1:])
    return Table(header, rows, tuple(notes))


def match_columns(header: Sequence[str]) -> dict[str, int]:
    """Return which column most likely holds what: field key -> column index. A person can change it."""
    found: dict[str, int] = {}
    plain = [re.sub(r"[^a-z0-9() ]+", " ", name.casefold()).strip() for name in header]
    for exact in (True, False):
        for key, names in _NAMES.items():
            if key in found:
                continue
            for index, name in enumerate(plain):
                if index in found.values():
                    continue
                if (
                    name in names
                    if exact
                    else any(re.search(rf"\b{re.escape(n)}\b", name) for n in names if len(n) > 3)
                ):
                    found[key] = index
                    break
    return found


def records_of(
    table: Table, columns: Mapping[str, int], known: set[str], default_unit: str = NM
) -> tuple[list[ToolRecord], list[BadRow]]:
    """Return (tools that can be imported, rows that cannot), without storing anything.

    Args:
        table: Of `read_table`.
        columns: Field key -> column; "number" and "highest" or "range" are needed.
        known: Numbers that stand in the rack already.
        default_unit: Where a row names none.
    """
    good: list[ToolRecord] = []
    bad: list[BadRow] = []
    taken = set(known)
    for offset, row in enumerate(table.rows):
        line = table.first_line + offset
        told = {key: row[index] for key, index in columns.items() if 0 <= index < len(row)}
        number = told.get("number", "")
        try:
            record = _record(told, default_unit)
        except (ValueError, ToolEntryError) as problem:
            bad.append(BadRow(line, number, str(problem)))
            continue
        if record.number in taken:
            where = "in the rack" if record.number in known else "further up in this list"
            bad.append(BadRow(line, number, f"{number} stands {where} already."))
            continue
        taken.add(record.number)
        good.append(record)
    return good, bad


def _record(told: Mapping[str, str], default_unit: str) -> ToolRecord:
    unit = parse_unit(told["unit"]) if told.get("unit") else default_unit
    lowest: float | None = None
    if told.get("highest"):
        highest, unit = parse_torque(told["highest"], unit)
        if told.get("lowest"):
            low, low_unit = parse_torque(told["lowest"], unit)
            lowest = converted(low, low_unit, unit)
    elif told.get("range"):
        parts = _BETWEEN.split(told["range"])
        if len(parts) > 2:
            raise ValueError(f"Range is “{told['range']}”; accepted is lowest to highest, like 20 to 100.")
        highest, unit = parse_torque(parts[-1], unit)
        if len(parts) == 2:
            low, low_unit = parse_torque(parts[0], unit)
            lowest = converted(low, low_unit, unit)
    else:
        raise ValueError("Highest value is missing; accepted is a torque above 0.")
    kind = told.get("kind", "")
    screwdriver = bool(_SCREWDRIVER.search(kind))
    shows = bool(_SHOWS.search(kind))
    fixed = not shows and (bool(_FIXED.search(kind)) or (lowest is not None and lowest == highest))
    how = "fixed" if fixed else "display" if re.search("display|electronic|digital", kind, re.IGNORECASE) else ""
    tool = tool_of(
        Answers(
            told.get("number", ""),
            not shows,
            highest,
            unit,
            None if fixed else lowest,
            screwdriver,
            how,
            parse_number(told["resolution"]) if told.get("resolution") else None,
            maker=told.get("maker", ""),
            model=told.get("model", ""),
            serial=told.get("serial", ""),
            drive=told.get("drive", ""),
        )
    )
    months = None
    if told.get("months"):
        months = round(parse_number(told["months"]))
        if not 1 <= months <= 120:
            raise ValueError(f"Interval is {told['months']} months; accepted is 1 to 120.")
    first_use = None
    if told.get("first_use"):
        try:
            first_use = parse_date(told["first_use"])
        except DateTextError as problem:
            raise ValueError(f"First used: {problem}") from None
    return changed(
        None,
        tool,
        place=told.get("place", ""),
        keeper=told.get("keeper", ""),
        interval_months=months,
        first_use=first_use,
        remark=told.get("remark", ""),
    )
