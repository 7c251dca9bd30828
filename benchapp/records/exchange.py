"""What goes out of the store and can come in again.

The JSON export (format ``kilter-records/1``, `SCHEMA`) holds the entries of the chain as they were sealed, each run's
traces as the stored bytes (base64), and tools, references, people and jobs. Everything needed to recompute a seal is
in it: canonical JSON (RFC 8785) of ``entries[i].body``, SHA-256 over that. Imported into an empty store of the same
kind it gives the same seals. Photos and the custodian's passphrase do not go out; after an import the lock opens by the
way back for a lost one. CSV, XLSX and trace files are for reading elsewhere; they do not come back as sealed runs.
"""

from __future__ import annotations

import base64
import csv
import dataclasses
import datetime as dt
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, TextIO

from benchapp.metrology.tool import Tool
from benchapp.records import chain, check_standard, custodian, model, procedures, shown, worklist
from benchapp.records._base import as_json
from benchapp.records._followed import PASSPHRASES
from benchapp.records._tools import all_tools, tool_values
from benchapp.records.canonical import CanonicalError, canonical, parse
from benchapp.records.dates import seconds
from benchapp.records.due_needs import DueNeeds, due_needs
from benchapp.records.due_references import DueReference, due_references
from benchapp.records.errors import StoreError
from benchapp.records.store import Store
from benchapp.runs.codec import CodecError, from_data, run_from_data, to_data
from benchapp.torque.trace import Trace
from benchapp.torque.units import NM

FORMAT: Final = "kilter-records/1"

SCHEMA: Final[dict[str, Any]] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "Kilter records, version 1",
    "type": "object",
    "required": ["format", "kind", "head", "entries", "traces", "tools", "references", "people", "jobs"],
    "properties": {
        "format": {"const": FORMAT},
        "kind": {"enum": ["live", "demo"]},
        "head": {"type": "string", "description": "sequence:digest of the newest entry; empty for an empty chain"},
        "entries": {
            "type": "array",
            "description": "The chain, oldest first. SHA-256 of the RFC 8785 form of body is digest.",
            "items": {
                "type": "object",
                "required": ["digest", "body"],
                "properties": {
                    "digest": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
                    "body": {
                        "type": "object",
                        "required": [
                            "format",
                            "kind",
                            "subject",
                            "who",
                            "content",
                            "sequence",
                            "previous",
                            "sealed",
                            "program",
                        ],
                    },
                },
                "additionalProperties": False,
            },
        },
        "traces": {
            "type": "object",
            "description": "run id -> pull number -> base64 of the stored bytes, whose SHA-256 is in the run's entry",
            "additionalProperties": {"type": "object", "additionalProperties": {"type": "string"}},
        },
        "tools": {"type": "array", "items": {"type": "object", "required": ["tool"]}},
        "references": {"type": "array", "items": {"type": "object", "required": ["number"]}},
        "people": {"type": "array", "items": {"type": "object", "required": ["name"]}},
        "jobs": {"type": "array", "items": {"type": "object", "required": ["tool", "job", "person", "at"]}},
    },
    "additionalProperties": False,
}
"""JSON Schema of the export. A change that old readers would trip over gets a new number in `FORMAT`."""

RUN_COLUMNS: Final = model.RunSummary._fields
READING_COLUMNS: Final = (*model.ReadingRow._fields, "tool", "source", "void")
"""Void runs are in the table, and say why they are: what goes out leaves nothing away without a word."""
TOOL_COLUMNS: Final = (
    *(field.name for field in dataclasses.fields(Tool)),
    *(field.name for field in dataclasses.fields(model.ToolRecord) if field.name not in ("tool", "photo")),
)
DUE_COLUMNS: Final = (
    *(field.name for field in dataclasses.fields(model.DueItem)),
    *(field.name for field in dataclasses.fields(DueNeeds)),
    "kind",
)
TASK_COLUMNS: Final = ("cause", "tool", "subject", "text", "weighs", "created", "closed", "closed_by", "reason")
TABLES: Final = ("runs", "readings", "tools", "due", "tasks")


class ImportRefusedError(ValueError):
    """An export that does not hold together, or a store that is not empty; nothing was imported."""


# --- JSON


def to_json(store: Store, out: TextIO) -> str:
    """Write the whole store as JSON; returns the head of what was written. Runs under way stay out: unsealed."""
    with store._db.reading() as connection:
        driver = connection.connection.driver_connection
        out.write('{"format":' + json.dumps(FORMAT) + ',"kind":' + json.dumps("demo" if store.is_demo else "live"))
        out.write(',"entries":[')
        head = ""
        run_ids = []
        for index, (sequence, kind, subject, digest, body) in enumerate(
            driver.execute("SELECT sequence, kind, subject, digest, body FROM entries ORDER BY sequence")  # type: ignore[union-attr]
        ):
            out.write(("," if index else "") + f'\n{{"digest":"{digest}","body":{bytes(body).decode()}}}')
            head = f"{sequence}:{digest}"
            if kind == model.EntryKind.RUN:
                run_ids.append(subject)
        out.write(f'],\n"head":"{head}","traces":{{')
        for index, run_id in enumerate(run_ids):
            rows = driver.execute(  # type: ignore[union-attr]
                "SELECT number, blob FROM traces JOIN runs ON runs.key = run_key WHERE run_id = ? ORDER BY number",
                (run_id,),
            )
            blobs = {str(number): base64.b64encode(blob).decode() for number, blob in rows}
            out.write(("," if index else "") + f"\n{json.dumps(run_id)}:{json.dumps(blobs, separators=(',', ':'))}")
        out.write("}")
        rows = _rows(driver)  # seen at the same moment as the chain, which holds them
    for name, items in rows.items():
        out.write(f',\n"{name}":{json.dumps(items, ensure_ascii=False)}')
    out.write("}\n")
    return head


def _rows(raw: Any) -> dict[str, list[Any]]:
    """What goes out of the tables beside the chain, as it stands there."""
    jobs = [field.name for field in dataclasses.fields(model.JobEntry)]
    people = [field.name for field in dataclasses.fields(model.Person)]
    return {
        "tools": [_tool_data(record, stored) for stored, record in all_tools(raw)],
        "references": [json.loads(data) for (data,) in raw.execute("SELECT data FROM refs ORDER BY number")],
        "people": [
            to_data(model.Person(name, code, bool(is_custodian), bool(active)))
            for name, code, is_custodian, active in raw.execute(f"SELECT {', '.join(people)} FROM people ORDER BY name")
        ],
        "jobs": [
            dict(zip(jobs, row, strict=True))
            for row in raw.execute(f"SELECT {', '.join(jobs)} FROM jobs ORDER BY at_s, key")
        ],
    }


def _tool_data(record: model.ToolRecord, stored: str) -> dict[str, Any]:
    data: dict[str, Any] = to_data(record)
    data.pop("photo")  # pictures are no evidence and stay where they are
    return {**data, "tool": json.loads(stored)}


def from_json(store: Store, data: bytes) -> str:
    """Import an export into an empty store; returns the head, which is the one of the store it came from.

    All or nothing: every seal is recomputed and every trace hashed before anything is kept.

    Raises:
        ImportRefusedError: The store is not empty, the export is for the other kind of store, or does not hold.
    """
    try:
        whole = parse(data)
    except CanonicalError as error:
        raise ImportRefusedError(f"the file is no JSON export: {error}") from None
    kind = "demo" if store.is_demo else "live"
    if not isinstance(whole, dict) or whole.get("format") != FORMAT:
        raise ImportRefusedError(f"the file is no export of format {FORMAT}")
    if whole.get("kind") != kind:
        raise ImportRefusedError(f"the export comes from a {whole.get('kind')} store, this one is {kind}")
    if store.head() or store.runs(limit=1) or store.tools(limit=1, include_retired=True):
        raise ImportRefusedError(f"records at {store.path} are not empty; import into a new store")
    try:
        with store._db.writing_raw() as raw:
            for number, data_of_reference in [(each["number"], each) for each in whole["references"]]:
                reference = {k: [] if k == "calibrations" else v for k, v in data_of_reference.items()}
                text = as_json(reference)
                raw.execute("INSERT INTO refs VALUES (?, ?)", (number, text))
            for each in whole["people"]:
                person = from_data(model.Person, each)
                raw.execute(
                    "INSERT INTO people (name, code, is_custodian, active) VALUES (?,?,?,?)",
                    (person.name, person.code, person.is_custodian, person.active),
                )
            states = _import_entries(raw, whole["entries"], whole["traces"])
            if any(each["body"]["content"].get("act") in PASSPHRASES for each in whole["entries"]):
                custodian.leave_out(raw)
            for each in whole["tools"]:
                values = tool_values(from_data(model.ToolRecord, each))
                values["data"] = as_json(each["tool"])  # as it went out: marks are of these letters
                values["state"] = states.get(values["number"], "in-service")
                marks = ", ".join("?" * len(values))
                raw.execute(f"INSERT INTO tools ({', '.join(values)}) VALUES ({marks})", list(values.values()))
            for each in whole["jobs"]:
                job = from_data(model.JobEntry, each)
                raw.execute(  # under the key it had: the work list names it by that
                    "INSERT INTO jobs (tool, job, person, at, cycles, torque_nm, key, at_s) VALUES (?,?,?,?,?,?,?,?)",
                    (*dataclasses.astuple(job)[:6], job.key or None, seconds(job.at)),
                )
            for each in whole["tools"]:
                store._refresh_tool(each["tool"]["number"])
            try:
                result = chain.check(raw, against=whole["head"])
            except ValueError as error:
                raise ImportRefusedError(f"the export's own head cannot be compared with: {error}") from None
            if not result.holds:
                finding = result.findings[0]
                if any(each.what != "clock" for each in result.findings):
                    at = f"entry {finding.sequence}" if finding.sequence else finding.subject or "the export"
                    raise ImportRefusedError(f"{at} does not hold: {finding.detail}")
    except KeyError as error:
        raise ImportRefusedError(f"the export cannot be read: {error.args[0]!r} is missing in it") from error
    except (TypeError, AttributeError, CodecError, StoreError) as error:
        raise ImportRefusedError(f"the export cannot be read: {error}") from error
    return store.head()


def _import_entries(raw: Any, exported: list[dict[str, Any]], traces: dict[str, dict[str, str]]) -> dict[str, str]:
    """Write the chain and what its entries say into the tables; returns the state of every tool."""
    states: dict[str, str] = {}
    for each in exported:
        data = each["body"]
        body = canonical(data)
        if chain.digest_of(body) != each["digest"]:
            raise ImportRefusedError(f"entry {data['sequence']} does not hash to its seal")
        seal = model.Seal(data["sequence"], each["digest"], data["sealed"], data["previous"])
        kind, subject, content = data["kind"], data["subject"], data["content"]
        chain.insert(raw, kind, subject, data["who"], seal, body)
        if kind == model.EntryKind.RUN:
            _import_run(raw, subject, seal, content, traces.get(subject, {}))
        elif kind == model.EntryKind.RELEASE:
            raw.execute("UPDATE runs SET released_by = ? WHERE run_id = ?", (content["by"], subject))
        elif kind == model.EntryKind.VOID:
            raw.execute("UPDATE runs SET voided = ? WHERE run_id = ?", (content["reason"], subject))
        elif kind == model.EntryKind.STATE:
            states[subject] = content["new"]
        elif kind == model.EntryKind.ACT:
            check_standard.take_act(raw, subject, data["who"], content)
            worklist.take_act(raw, data["who"], data["sealed"], content)
            procedures.take_act(raw, data["who"], data["sequence"], content)
        elif kind == model.EntryKind.CALIBRATION:
            sealed = content["calibration"]
            raw.execute(
                "INSERT INTO calibrations (reference, certificate, calibrated, due, data, sequence) "
                "VALUES (?,?,?,?,?,?)",
                (
                    content["reference"],
                    sealed["certificate"],
                    sealed["calibrated"],
                    sealed["due"],
                    canonical(sealed).decode(),
                    seal.sequence,
                ),
            )
    return states


def _import_run(raw: Any, run_id: str, seal: model.Seal, content: dict[str, Any], blobs: dict[str, str]) -> None:
    columns = content["columns"]["run"]
    names = list(chain.known_columns(list(columns)))
    cursor = raw.execute(
        f"INSERT INTO runs (run_id, {', '.join(names)}) VALUES (?{', ?' * len(names)})", [run_id, *columns.values()]
    )
    key = cursor.lastrowid
    for pull in content["columns"]["pulls"]:
        names = list(chain.known_columns(list(pull)))
        raw.execute(
            f"INSERT INTO pulls (run_key, {', '.join(names)}) VALUES (?{', ?' * len(names)})", [key, *pull.values()]
        )
    for number, text in blobs.items():
        blob = base64.b64decode(text, validate=True)
        sealed = content["traces"].get(number, {"samples": 0})
        raw.execute(
            "INSERT INTO traces (run_key, number, n_samples, sha256, blob) VALUES (?,?,?,?,?)",
            (key, int(number), sealed["samples"], chain.digest_of(blob), blob),
        )
    raw.execute("UPDATE runs SET seal = ?, sequence = ? WHERE key = ?", (seal.digest, seal.sequence, key))
    run = run_from_data(content["run"])  # a run this program cannot read is refused now, not when it is opened
    if run.run_id != run_id or shown.run_columns(run)["tool"] != columns["tool"]:
        raise ImportRefusedError(f"entry {seal.sequence} is about {run_id} but holds {run.run_id}")
    check_standard.take_value(raw, run)


# --- tables


def table(store: Store, name: str, today: dt.date) -> tuple[Sequence[str], list[list[object]]]:
    """Header and rows of "runs", "readings", "tools", "due" or "tasks" (the work list), every page of them.

    Raises:
        ValueError: No such table.
    """
    if name == "runs":
        return RUN_COLUMNS, [_plain(line, RUN_COLUMNS) for line in _all_runs(store)]
    if name == "readings":
        lines = {line.run_id: line for line in _all_runs(store)}
        rows = []
        for tool in sorted({line.tool for line in lines.values()}):
            for row in store.history(tool, limit=10**9, include_void=True):
                line = lines[row.run_id]
                whose: list[object] = [tool, line.source.value, line.voided]
                rows.append(_plain(row, model.ReadingRow._fields) + whose)
        return READING_COLUMNS, rows
    if name == "tools":
        return tool_table(_all_tools(store))
    if name == "due":
        items = store.due_list(today)
        return due_table(items, due_needs(store, items, today), due_references(store.references(), today))
    if name == "tasks":
        return task_table(worklist.tasks(store))
    raise ValueError(f"{name!r} is none of {', '.join(TABLES)}")


def tool_table(records: Iterable[model.ToolRecord]) -> tuple[Sequence[str], list[list[object]]]:
    """Header and rows of these tools."""
    return TOOL_COLUMNS, [
        [_cell(getattr(record.tool if hasattr(record.tool, column) else record, column)) for column in TOOL_COLUMNS]
        for record in records
    ]


def due_table(
    items: Iterable[model.DueItem], needs: Mapping[str, DueNeeds], references: Iterable[DueReference] = ()
) -> tuple[Sequence[str], list[list[object]]]:
    """Header and rows of these lines of a due list, with what each tool needs by its number (of `due_needs`).

    The references to be calibrated come last, as `kind` says: of them `needs_nm` is what their calibration covers, and
    what only a tool has stays empty.
    """
    nothing = DueNeeds((), "", 0, ())
    rows = []
    for item in items:
        told = {name: getattr(item, name) for name in _of(model.DueItem)}
        of_need = needs.get(item.number, nothing)
        rows.append({**told, **{name: getattr(of_need, name) for name in _of(DueNeeds)}, "kind": "tool"})
    for each in references:
        told = {"number": each.number, "state": each.state, "due": each.due, "days_left": each.days_left}
        rows.append({**told, "needs_nm": each.usable_nm, "unit": NM, "kind": "reference"})
    return DUE_COLUMNS, [[_cell(row.get(column)) for column in DUE_COLUMNS] for row in rows]


def _of(kind: type) -> list[str]:
    return [field.name for field in dataclasses.fields(kind)]


def task_table(tasks: Iterable[worklist.Task]) -> tuple[Sequence[str], list[list[object]]]:
    """Header and rows of these items of the work list; `weighs` is false where nothing changes by what was found."""
    return TASK_COLUMNS, [_plain(task, TASK_COLUMNS) for task in tasks]


def run_table(lines: Iterable[model.RunSummary]) -> tuple[Sequence[str], list[list[object]]]:
    """Header and rows of these runs."""
    return RUN_COLUMNS, [_plain(line, RUN_COLUMNS) for line in lines]


def to_csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return RFC 4180 text. A cell a spreadsheet would run as a formula is led by an apostrophe."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_harmless(cell) for cell in row])
    return out.getvalue()


def to_xlsx(path: Path, sheets: dict[str, tuple[Sequence[str], list[list[object]]]]) -> None:
    """Write one sheet a table; numbers as numbers, text as text (never as a formula or a link). Raises OSError."""
    import xlsxwriter  # heavy, and only wanted here

    packed = io.BytesIO()  # a ZIP file on a full disk fails a second time when it is collected, on standard error
    book = xlsxwriter.Workbook(packed, {"strings_to_formulas": False, "strings_to_urls": False})
    bold = book.add_format({"bold": True})
    for name, (header, rows) in sheets.items():
        sheet = book.add_worksheet(name)
        sheet.write_row(0, 0, list(header), bold)
        for index, row in enumerate(rows, start=1):
            for column, cell in enumerate(row):
                if isinstance(cell, bool):
                    sheet.write_boolean(index, column, cell)
                elif isinstance(cell, (int, float)):
                    sheet.write_number(index, column, cell)
                elif cell is not None:
                    sheet.write_string(index, column, str(cell))
        sheet.freeze_panes(1, 0)
        sheet.autofilter(0, 0, max(len(rows), 1), len(header) - 1)
    book.close()
    path.write_bytes(packed.getbuffer())


def to_trace_file(trace: Trace, *, run_id: str = "", number: int = 0) -> str:
    """Return a trace as a trace file: the device's own digits, the times to the last bit."""
    lines = [f"# unit: {trace.unit}", f"# source: {trace.source.value}", f"# polarity: {trace.polarity.value}"]
    if trace.nominal_rate_hz is not None:
        lines.append(f"# nominal_rate_hz: {trace.nominal_rate_hz!r}")
    if trace.capacity is not None:
        lines.append(f"# capacity: {trace.capacity!r}")
    if trace.recorded:
        lines.append(f"# recorded: {trace.recorded}")
    if run_id:
        lines += [f"# run: {run_id}", f"# pull: {number}"]
    lines += [f"# {key}: {value}" for key, value in trace.extra.items() if key not in ("run", "pull")]
    names = list(trace.columns)
    lines.append(",".join(["time_s", "torque", *names]))
    for index, (time_s, torque) in enumerate(zip(trace.t_s.tolist(), _torque_texts(trace), strict=True)):
        lines.append(",".join([repr(time_s), torque, *(trace.columns[name][index] for name in names)]))
    return "\n".join(lines) + "\n"


def traces_to(store: Store, folder: Path, run_ids: Sequence[str] = ()) -> int:
    """Write traces as trace files, one folder a run; returns how many.

    Raises:
        ValueError: One of `run_ids` is no run.
        OSError: The folder cannot be written.
    """
    n_written = 0
    for run_id in run_ids or [line.run_id for line in _all_runs(store)]:
        run = store.run(run_id)
        if run is None:
            raise ValueError(f"there is no run {run_id}")
        safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in run_id)
        for pull in run.pulls:
            trace = store.trace(run_id, pull.number)
            if trace is not None:
                (folder / safe).mkdir(parents=True, exist_ok=True)
                text = to_trace_file(trace, run_id=run_id, number=pull.number)
                (folder / safe / f"pull-{pull.number:03}.csv").write_text(text, encoding="utf-8", newline="\n")
                n_written += 1
    return n_written


def _torque_texts(trace: Trace) -> list[str]:
    if trace.digits is None:
        return [repr(value) for value in trace.torque.tolist()]
    if not trace.decimals:
        return [str(digit) for digit in trace.digits.tolist()]
    texts = []
    for digit in trace.digits.tolist():
        text = str(abs(digit)).rjust(trace.decimals + 1, "0")
        texts.append(f"{'-' if digit < 0 else ''}{text[: -trace.decimals]}.{text[-trace.decimals :]}")
    return texts


def _all_runs(store: Store) -> list[model.RunSummary]:
    lines: list[model.RunSummary] = []
    while page := store.runs(limit=1000, before=lines[-1].key if lines else None):
        lines += page
    return lines


def _all_tools(store: Store) -> list[model.ToolRecord]:
    records: list[model.ToolRecord] = []
    while page := store.tools(after=records[-1].number if records else "", limit=1000, include_retired=True):
        records += page
    return records


def _plain(item: object, columns: Sequence[str]) -> list[object]:
    return [_cell(getattr(item, column)) for column in columns]


def _cell(value: object) -> object:
    if isinstance(value, (tuple, frozenset)):
        return ";".join(str(each) for each in value)
    if isinstance(value, dt.date):
        return value.isoformat()
    return str(value) if isinstance(value, str) else value


def _harmless(cell: object) -> object:
    if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return f"'{cell}"
    return "" if cell is None else cell
