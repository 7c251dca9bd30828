"""Lists of tools that a shop keeps already, from CSV or XLSX: columns matched, every bad row named, then taken over.

Reading and looking store nothing; `import_tools` does, all or none. No number is guessed at: a row whose number can
be read in two ways stays out with its reason.
"""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import itertools
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from benchapp.metrology.classes import ToolKind, after
from benchapp.metrology.tool import Tool, ToolType
from benchapp.records._followed import TOOLS_IMPORTED
from benchapp.records._held import hold_rows, tell_tools
from benchapp.records._tools import tool_values
from benchapp.records.dates import add_months
from benchapp.records.errors import ChangedMeanwhileError, NotAllowedError
from benchapp.records.model import DEFAULT_INTERVAL_MONTHS, ToolRecord, ToolState
from benchapp.records.schema import tools
from benchapp.records.store import Store
from benchapp.torque.text import parse_number, parse_torque, parse_unit
from benchapp.torque.units import NM, from_nm, to_nm

MOST_ROWS: Final = 100_000
HEAD_ROWS: Final = 10
"""Within so many rows the names of the columns are looked for (our own choice)."""
LOWEST_SHARE: Final = 0.2
"""Lowest mark where a list names none: 20 % of the highest, the lowest checkpoint of ISO 6789 (common practice)."""

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
    "cycles": "Interval, cycles",
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
        "asset number",
        "inventory number",
    ),
    "cycles": ("cycles", "interval cycles", "interval (cycles)"),
    "months": ("interval", "months", "interval months", "interval (months)"),
    "kind": ("kind", "type", "what it is", "description", "tool type"),
    "lowest": ("lowest", "min", "minimum", "from", "lower", "lowest value"),
    "highest": ("highest", "max", "maximum", "to", "upper", "capacity", "highest value"),
    "range": ("range", "torque range", "measuring range"),
    "unit": ("unit", "units"),
    "resolution": ("resolution", "division", "one division", "increment"),
    "maker": ("maker", "manufacturer", "make"),
    "model": ("model", "type designation"),
    "serial": ("serial", "serial number", "serial no", "sn"),
    "drive": ("drive", "square", "drive size"),
    "place": ("place", "location", "where it hangs", "site"),
    "keeper": ("keeper", "owner", "responsible", "user"),
    "first_use": ("first used", "first use", "in service since"),
    "remark": ("remark", "remarks", "note", "notes", "comment"),
}

_SCREWDRIVER: Final = re.compile(r"screw\s*driver", re.IGNORECASE)
_SHOWS: Final = re.compile(r"dial|display|electronic|digital|beam|indicat|shows|pointer|\btype i\b", re.IGNORECASE)
_DISPLAY: Final = re.compile(r"display|electronic|digital", re.IGNORECASE)
_FIXED: Final = re.compile(r"fixed|single value|one value", re.IGNORECASE)
_BETWEEN: Final = re.compile(r"\s*(?:\bto\b|…|\.\.\.?|–|—|(?<=\w)\s*-\s*(?=\d))\s*", re.IGNORECASE)
_ISO_DAY: Final = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})")
_DOTTED_DAY: Final = re.compile(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4})")


class ListFileError(ValueError):
    """A file that is no list we can read; the message says what, where and what to do."""


@dataclass(frozen=True, slots=True)
class Table:
    """A list as it stands in the file.

    Attributes:
        header: Names of the columns.
        rows: Texts, each as long as the header.
        notes: What had to be assumed, as sentences.
        lines: Line (CSV) or row (XLSX) of the file in which each row begins; empty: from `first_line` on.
        first_line: Of the first row.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()
    lines: tuple[int, ...] = ()
    first_line: int = 2

    def line_of(self, index: int) -> int:
        """Where row `index` stands in the file."""
        return self.lines[index] if self.lines else self.first_line + index


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that cannot be imported: its line in the file, its number as written, and why."""

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
    """Read CSV bytes: UTF-8, UTF-16 with its mark, else Western European, which is noted; `,` `;` or tab between.

    Raises:
        ListFileError: Empty, no text, or a single column only.
    """
    text, notes = _decoded(data, name)
    if not text.strip():
        raise ListFileError(f"{name} is empty. The first line must name the columns.")
    mark = max(";\t,", key=lambda each: _alike(text, each))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
    cells, lines, begins = [], [], 1
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                cells.append(row)
                lines.append(begins)
            begins = reader.line_num + 1
    except csv.Error as problem:
        raise ListFileError(f"{name}, line {begins}: {problem}. Save the list again as CSV.") from problem
    if 2 * _alike(text, mark)[0] < len(cells[: 2 * HEAD_ROWS]):
        raise ListFileError(f"{name} has one column only. Columns are told apart by commas, semicolons or tabs.")
    return _table(cells, lines, name, notes)


def _alike(text: str, mark: str) -> tuple[int, int]:
    """Return (rows, columns): so many of the first rows are cut into the same number of columns by `mark`.

    A title above the list has another number, and so has a decimal comma taken for a mark.
    """
    widths: Counter[int] = Counter()
    with contextlib.suppress(csv.Error):  # told when the list is read
        rows = (row for row in csv.reader(io.StringIO(text, newline=""), delimiter=mark) if any(map(str.strip, row)))
        for row in itertools.islice(rows, 2 * HEAD_ROWS):
            if len(row) > 1:
                widths[len(row)] += 1
    return max(((n, width) for width, n in widths.items()), default=(0, 0))


def _decoded(data: bytes, name: str) -> tuple[str, list[str]]:
    no_text = f"{name} holds no text that can be read. Save the list as CSV in UTF-8, or as XLSX."
    try:
        if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            return data.decode("utf-16"), []
        if b"\x00" in data:
            raise ListFileError(no_text)
        try:
            return data.decode("utf-8-sig"), []
        except UnicodeDecodeError as problem:
            note = f"Not UTF-8 (byte {problem.start}); read as Western European. Look at letters with accents."
            return data.decode("cp1252"), [note]
    except UnicodeDecodeError as problem:
        raise ListFileError(no_text) from problem


def _read_xlsx(path: Path) -> Table:
    import openpyxl

    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    except Exception as problem:  # the library raises whatever a broken archive makes it stumble over
        raise ListFileError(f"{path.name} cannot be opened as XLSX ({problem}). Save it again, or as CSV.") from problem
    try:
        sheet = book.worksheets[0]
        cells, lines = [], []
        for line, row in enumerate(sheet.iter_rows(values_only=True), start=1):
            texts = [_cell_text(cell) for cell in row]
            if any(texts):
                cells.append(texts)
                lines.append(line)
            if len(cells) > MOST_ROWS + 1:
                break
        several = len(book.worksheets) > 1
        notes = [f"The sheet “{sheet.title}” was read; the workbook has {len(book.worksheets)} sheets."]
        return _table(cells, lines, path.name, notes if several else [])
    finally:
        book.close()


def _cell_text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() else repr(cell)
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat()
    return str(cell).strip()


def _table(cells: Sequence[Sequence[str]], lines: Sequence[int], name: str, notes: Sequence[str]) -> Table:
    if len(cells) < 2:
        raise ListFileError(f"{name} has no rows. The first line names the columns, the rows follow.")
    if len(cells) > MOST_ROWS + 1:
        raise ListFileError(f"{name} has more than {MOST_ROWS} rows, the most that come in at once. Split it.")
    top = _head_at(cells)
    if top:
        notes = [*notes, f"Line {lines[top]} names the columns; what stands above it was left out."]
    header = tuple(cell.strip() for cell in cells[top])
    width = len(header)
    padding = [""] * width
    rows = tuple(tuple(cell.strip() for cell in (*row, *padding)[:width]) for row in cells[top + 1 :])
    return Table(header, rows, tuple(notes), tuple(lines[top + 1 :]))


def _head_at(cells: Sequence[Sequence[str]]) -> int:
    """Return which row names the columns: not a title or cells merged over several columns that stand above it.

    The one with most names that are known here; where they are in another language, the first that is half full.
    """
    named = [len(match_columns(row)) for row in cells[:HEAD_ROWS]]
    if max(named) > 1:
        return named.index(max(named))
    filled = [sum(bool(cell.strip()) for cell in row) for row in cells[:HEAD_ROWS]]
    return next(index for index, n in enumerate(filled) if 2 * n >= max(filled))


def match_columns(header: Sequence[str], names: Mapping[str, tuple[str, ...]] = _NAMES) -> dict[str, int]:
    """Return which column most likely holds what: field key -> column index. A person can change it.

    Args:
        header: Names of the columns in the file.
        names: Field key -> what such a column is called, in small letters; the fields of a tool.
    """
    found: dict[str, int] = {}
    plain = [re.sub(r"[^a-z0-9() ]+", " ", name.casefold()).strip() for name in header]
    for exact in (True, False):
        for key, called in names.items():
            if key in found:
                continue
            for index, name in enumerate(plain):
                if index not in found.values() and _is_named(name, called, exact=exact):
                    found[key] = index
                    break
    return found


def _is_named(name: str, names: Sequence[str], *, exact: bool) -> bool:
    if exact:
        return name in names
    return any(re.search(rf"\b{re.escape(each)}\b", name) for each in names if len(each) > 3)


def missing_columns(columns: Mapping[str, int]) -> list[str]:
    """What no row can do without and no column holds, as people call it; [] when nothing is missing."""
    missing = [] if "number" in columns else [FIELDS["number"]]
    if "highest" not in columns and "range" not in columns:
        missing.append(f"{FIELDS['highest']} or {FIELDS['range']}")
    return missing


def records_of(
    table: Table, columns: Mapping[str, int], known: Iterable[str], default_unit: str = NM
) -> tuple[list[ToolRecord], list[BadRow]]:
    """Return (tools that can be imported, rows that cannot), without storing anything.

    Args:
        table: Of `read_table`.
        columns: Field key -> column; "number" and "highest" or "range" are needed, else every row is bad.
        known: Numbers that stand in the rack already.
        default_unit: Where a row names none.
    """
    good: list[ToolRecord] = []
    bad: list[BadRow] = []
    in_rack = frozenset(known)
    first_at: dict[str, int] = {}
    missing = missing_columns(columns)
    for index, row in enumerate(table.rows):
        line = table.line_of(index)
        told = {key: row[column] for key, column in columns.items() if 0 <= column < len(row)}
        number = told.get("number", "").strip()
        try:
            record = _new_record(told, default_unit, missing, in_rack, first_at)
        except ValueError as problem:
            bad.append(BadRow(line, number, str(problem)))
            continue
        first_at[record.number] = line
        good.append(record)
    return good, bad


def import_tools(store: Store, records: Sequence[ToolRecord], *, who: str, origin: str = "") -> int:
    """Add new tools in one transaction, all or none; the chain tells of it and has a mark of each.

    Args:
        store: Where to.
        records: Of `records_of`; they come in as in service.
        who: Who says so.
        origin: Name of the file.

    Returns:
        How many were added.

    Raises:
        NotAllowedError: Nobody named, or a record that is not in service.
        ChangedMeanwhileError: One of the numbers came into the rack since the list was looked at.
    """
    if not who.strip():
        raise NotAllowedError(store.path, "An import needs who says so. Nothing was imported.")
    if any(record.state is not ToolState.IN_SERVICE for record in records):
        raise NotAllowedError(
            store.path, "Tools are imported as in service and moved afterwards. Nothing was imported."
        )
    if not records:
        return 0
    with store._db.writing() as connection:
        hold_rows(store)
        known = set(connection.execute(sa.select(tools.c.number)).scalars())
        taken = next((record.number for record in records if record.number in known), None)
        if taken is not None:
            raise ChangedMeanwhileError(store.path, f"The rack (tool {taken})")
        rows = [_values(record) for record in records]
        connection.execute(sa.insert(tools), rows)
        raw = store._db.raw
        used = {row[0] for row in raw.execute("SELECT tool FROM runs UNION SELECT tool FROM jobs")}
        for record in records:
            if record.number in used:
                store._refresh_tool(record.number)
        store.note_act_within(
            raw,
            TOOLS_IMPORTED,
            who=who,
            details={"tools": len(records), "origin": origin, "first": records[0].number},
        )
        tell_tools(store, [record.number for record in records], who=who)
    return len(records)


def _values(record: ToolRecord) -> dict[str, Any]:
    months = DEFAULT_INTERVAL_MONTHS if record.interval_months is None else record.interval_months
    due = add_months(record.first_use, months).isoformat() if record.first_use else None
    return {**tool_values(record), "due": due}


# --- one row


def _new_record(
    told: Mapping[str, str],
    default_unit: str,
    missing: Sequence[str],
    in_rack: frozenset[str],
    first_at: Mapping[str, int],
) -> ToolRecord:
    if missing:
        raise ValueError(f"No column holds {' and '.join(missing)}; say which one does.")
    record = _record(told, default_unit)
    if record.number in in_rack:
        raise ValueError(f"{record.number} stands in the rack already.")
    if record.number in first_at:
        raise ValueError(f"{record.number} stands in line {first_at[record.number]} of this list already.")
    return record


@lru_cache(maxsize=256)
def _unit_of(text: str) -> str:
    return parse_unit(text)


@lru_cache(maxsize=64)
def _class_of(*answers: str) -> str:
    kind = after(answers)
    if isinstance(kind, ToolKind):
        return kind.tool_class
    raise ValueError(f"“{' '.join(answers)}” does not fully say what it is.")


def _record(told: Mapping[str, str], default_unit: str) -> ToolRecord:
    number = told.get("number", "").strip()
    if not number:
        raise ValueError("Number is missing; every tool needs one, like OCF-014.")
    if len(number) > 60 or any(ord(letter) < 32 for letter in number):
        raise ValueError("A number has at most 60 letters and figures, on one line.")
    if "\ufffd" in "".join(told.values()):
        raise ValueError("It holds characters that were lost when the list was saved. Save it as UTF-8.")
    lowest, highest, unit = _range(told, default_unit)
    first_use = _day(told["first_use"]) if told.get("first_use") else None
    return ToolRecord(
        _tool(number, told, lowest, highest, unit),
        place=told.get("place", ""),
        keeper=told.get("keeper", ""),
        interval_months=_whole(told, "months", 120),
        interval_cycles=_whole(told, "cycles", 10_000_000),
        first_use=first_use,
        remark=told.get("remark", ""),
    )


def _tool(number: str, told: Mapping[str, str], lowest: float | None, highest: float, unit: str) -> Tool:
    kind = told.get("kind", "")
    form = "screwdriver" if _SCREWDRIVER.search(kind) else "wrench"
    shows = bool(_SHOWS.search(kind))
    fixed = not shows and (bool(_FIXED.search(kind)) or lowest == highest)
    if shows:
        how = "electronic" if _DISPLAY.search(kind) else "beam" if "beam" in kind.casefold() else "dial"
        answers = ["shows", form, "dial" if form == "screwdriver" and how == "beam" else how]
    else:
        answers = ["lets-go", form, "fixed" if fixed else "scale"]
        if not fixed and form == "wrench":
            answers.append("no")
    if fixed:
        lowest = highest
    elif lowest is None:
        lowest = float(f"{highest * LOWEST_SHARE:.6g}")
    if not 0 < lowest <= highest:
        raise ValueError(
            f"Lowest value is {lowest:g} {unit}; accepted is above 0, up to the highest, {highest:g} {unit}."
        )
    if lowest == highest and not fixed:
        raise ValueError("Lowest and highest value are the same; accepted is a range.")
    resolution = _number(told, "resolution") if told.get("resolution") else None
    if resolution is not None and not 0 < resolution <= (highest if fixed else highest - lowest):
        raise ValueError(f"One division is {resolution:g} {unit}; accepted is above 0, up to the length of its scale.")
    return Tool(
        number=number,
        tool_type=ToolType.INDICATING if shows else ToolType.SETTING,
        tool_class=_class_of(*answers),
        unit=unit,
        lowest=lowest,
        highest=highest,
        is_screwdriver=form == "screwdriver",
        resolution=resolution,
        fixed=fixed,
        maker=told.get("maker", ""),
        model=told.get("model", ""),
        serial=told.get("serial", ""),
        drive=told.get("drive", ""),
    )


def _range(told: Mapping[str, str], default_unit: str) -> tuple[float | None, float, str]:
    """Lowest (None: not said) and highest value, in the unit of the highest."""
    try:
        unit = _unit_of(told["unit"]) if told.get("unit") else default_unit
    except ValueError as problem:
        raise ValueError(f"{FIELDS['unit']}: {problem}") from problem
    if told.get("highest"):
        low_text, high_text = told.get("lowest", ""), told["highest"]
    elif told.get("range"):
        parts = _BETWEEN.split(told["range"])
        if len(parts) > 2:
            raise ValueError(f"Range is “{told['range']}”; accepted is lowest to highest, like 20 to 100.")
        low_text, high_text = parts[0] if len(parts) == 2 else "", parts[-1]
    else:
        raise ValueError("Highest value is missing; accepted is a torque above 0.")
    highest, unit = _torque("highest", high_text, unit)
    if not highest > 0:
        raise ValueError(f"Highest value is {highest:g} {unit}; accepted is a torque above 0.")
    if not low_text:
        return None, highest, unit
    lowest, low_unit = _torque("lowest", low_text, unit)
    return (lowest if low_unit == unit else from_nm(to_nm(lowest, low_unit), unit)), highest, unit


def _torque(field: str, text: str, unit: str) -> tuple[float, str]:
    try:
        return parse_torque(text, unit)
    except ValueError as problem:
        raise ValueError(f"{FIELDS[field]}: {problem}") from problem


def _number(told: Mapping[str, str], field: str) -> float:
    try:
        return parse_number(told[field])
    except ValueError as problem:
        raise ValueError(f"{FIELDS[field]}: {problem}") from problem


def _whole(told: Mapping[str, str], field: str, most: int) -> int | None:
    if not told.get(field):
        return None
    value = _number(told, field)
    if not (1 <= value <= most and value.is_integer()):
        raise ValueError(f"{FIELDS[field]} is {told[field]}; accepted is a whole number from 1 to {most}.")
    return int(value)


def _day(text: str) -> dt.date:
    name = FIELDS["first_use"]
    if found := _ISO_DAY.fullmatch(text):
        year, month, day = map(int, found.groups())
    elif found := _DOTTED_DAY.fullmatch(text):
        day, month, year = map(int, found.groups())
    else:
        raise ValueError(f"{name} is “{text}”; accepted is year-month-day, like 2026-03-04 (slashes mean two days).")
    try:
        return dt.date(year, month, day)
    except ValueError:
        raise ValueError(f"{name} is “{text}”, which is no day of the calendar.") from None
