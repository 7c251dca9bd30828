"""`kilter read`: trace files → pulls."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from benchapp.cli.errors import CommandError
from benchapp.metrology.deviation import Convention, corridor, deviation_percent
from benchapp.pulls import Mode, Pull, Report, read_pulls
from benchapp.torque.text import NotANumberError, parse_number, parse_torque, parse_unit
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import TraceFileError, read_trace
from benchapp.torque.units import FACTORS, UnknownUnitError

_SLOW_HZ: Final = 300.0  # below it the sampling hides enough of a reading to be said


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed; torques as (value, unit), unit None: the file's."""

    mode: Mode
    target: tuple[float, str | None] | None
    capacity: tuple[float, str | None] | None
    tool_max: tuple[float, str | None] | None
    limit_percent: float | None
    explain: bool


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser("read", help="read pulls out of trace files")
    parser.add_argument("files", nargs="+", metavar="FILE", help="trace files")
    parser.add_argument("--mode", required=True, choices=[mode.value for mode in Mode], help="what counts as reading")
    parser.add_argument("--target", metavar="X", help="torque that was to be reached; adds flags, finds nothing")
    parser.add_argument("--limit", metavar="PERCENT", help="permissible deviation, for --explain")
    parser.add_argument("--capacity", metavar="X", help="of the reference; wins over the file's")
    parser.add_argument("--tool-max", metavar="X", help="the tool's maximum")
    parser.add_argument("--unit", metavar="U", help="unit of the numbers typed; without it they are in the file's")
    parser.add_argument("--explain", action="store_true", help="say where on the curve and why each flag was raised")
    parser.add_argument("--json", action="store_true", help="print one JSON object a file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read each file; 2 when one of them was bad."""
    asked = _asked(args)
    status = 0
    for file in args.files:
        try:
            told = read_file(file, asked)
        except (TraceFileError, CommandError, OSError) as error:
            status = 2
            text = f"{file}: {error.strerror or error}" if isinstance(error, OSError) else str(error)
            print(f"kilter: {text}", file=sys.stderr)
            if args.json:
                print(json.dumps({"file": file, "error": text}, ensure_ascii=False))
            continue
        print(json.dumps(told, ensure_ascii=False, allow_nan=False) if args.json else _sentences(told))
    return status


def read_file(file: str, asked: Asked) -> dict[str, Any]:
    """Read one trace file; all torques in its unit, times on its axis.

    Raises:
        TraceFileError: It is no trace file.
        OSError: It cannot be opened.
    """
    trace = read_trace(file)
    given = {name: _in_unit(getattr(asked, name), trace.unit) for name in ("target", "capacity", "tool_max")}
    capacity = given["capacity"] if given["capacity"] is not None else trace.capacity
    report = read_pulls(
        trace.t_s,
        trace.torque * trace.polarity.sign,
        mode=asked.mode,
        capacity=capacity,
        target=given["target"],
        tool_max=given["tool_max"],
    )
    return _told(file, trace, report, asked, given["target"])


def _told(file: str, trace: Trace, report: Report, asked: Asked, target: float | None) -> dict[str, Any]:
    slow = 0 < report.rate_hz < _SLOW_HZ
    notes = list(trace.notes)
    if slow:
        notes.append(
            f"at {report.rate_hz:.4g} Hz the sampling hides up to sampling_hides_percent of a reading"
            if report.pulls
            else f"{report.rate_hz:.4g} Hz is slow for reading a letting-go"
        )
    told: dict[str, Any] = {
        "file": file,
        "unit": trace.unit,
        "rate_hz": _tidy(report.rate_hz),
        "samples": len(trace),
        "noise": _tidy(report.noise),
        "source": trace.source.value,
        "notes": notes,
        "pulls": [_pull(pull, slow) for pull in report.pulls],
    }
    if asked.explain:
        told["detector"] = report.detector
        told["settings"] = asdict(report.settings)
        for pull, shown in zip(report.pulls, told["pulls"], strict=True):
            shown["explain"] = _explained(pull, target, asked.limit_percent)
    return told


def _pull(pull: Pull, slow: bool) -> dict[str, Any]:
    shown: dict[str, Any] = {
        "start_s": _tidy(pull.start_s),
        "end_s": _tidy(pull.end_s),
        "direction": pull.direction.value,
        "mode": pull.mode.value,
        "reading": _tidy(pull.reading),
        "reading_time_s": _tidy(pull.reading_time_s),
        "peak": _tidy(pull.peak),
        "first_peak": _tidy(pull.first_peak),
        "rest": _tidy(pull.rest),
        "time_80_to_100_s": _tidy(pull.time_80_to_100_s),
        "loading_rate_per_s": _tidy(pull.loading_rate_per_s),
        "flags": [flag.value for flag in pull.flags],
    }
    if slow:
        shown["sampling_hides_percent"] = _tidy(pull.sampling_hides_percent)
    return shown


def _explained(pull: Pull, target: float | None, limit_percent: float | None) -> dict[str, Any]:
    explained: dict[str, Any] = {
        "rest_after": _tidy(pull.rest_after),
        "sampling_hides_percent": _tidy(pull.sampling_hides_percent),
        "marks": [
            {"name": mark.name, "time_s": _tidy(mark.time_s), "torque": _tidy(mark.torque)} for mark in pull.marks
        ],
        "flags": [
            {
                "flag": one.flag.value,
                "value": _tidy(one.value),
                "limit": _tidy(one.limit),
                "unit": one.unit,
                "start_s": _tidy(one.start_s),
                "end_s": _tidy(one.end_s),
            }
            for one in pull.noticed
        ],
    }
    if target is not None and pull.reading is not None:
        explained["deviation_percent"] = _tidy(deviation_percent(target, pull.reading, Convention.ISO))
        if limit_percent is not None:
            low, high = corridor(target, limit_percent, Convention.ISO)
            explained["within"] = {"low": _tidy(low), "high": _tidy(high)}
    return explained


def _asked(args: argparse.Namespace) -> Asked:
    unit = None
    if args.unit is not None:
        try:
            unit = parse_unit(args.unit)
        except UnknownUnitError as error:
            raise CommandError(f"--unit: {error}") from None
    limit = None
    if args.limit is not None:
        limit = _typed("--limit", lambda: parse_number(args.limit.strip().removesuffix("%")))
        if not 0 < limit < 100:
            raise CommandError(f"--limit: {args.limit} is no permissible deviation; type percent between 0 and 100")
    return Asked(
        Mode(args.mode),
        _torque("--target", args.target, unit),
        _torque("--capacity", args.capacity, unit),
        _torque("--tool-max", args.tool_max, unit),
        limit,
        args.explain,
    )


def _torque(option: str, text: str | None, unit: str | None) -> tuple[float, str | None] | None:
    if text is None:
        return None
    value, named = _typed(option, lambda: parse_torque(text, unit or ""))
    if not value > 0:
        raise CommandError(f"{option}: {text} must be greater than 0")
    return value, named or None


def _typed(option: str, read: Any) -> Any:
    try:
        return read()
    except (NotANumberError, UnknownUnitError) as error:
        raise CommandError(f"{option}: {error}") from None


def _in_unit(torque: tuple[float, str | None] | None, unit: str) -> float | None:
    if torque is None:
        return None
    value, typed = torque
    return value if typed is None or typed == unit else value * float(FACTORS[typed] / FACTORS[unit])


def _tidy(value: float | None) -> float | None:
    """The number without the last bits' noise: ten digits are beyond any transducer and clock."""
    return None if value is None or not np.isfinite(value) else float(f"{value:.10g}")


def _sentences(told: dict[str, Any]) -> str:
    unit = told["unit"]
    lines = [f"{told['file']}: {told['samples']} samples at {told['rate_hz']:g} Hz, {len(told['pulls'])} pulls"]
    for pull in told["pulls"]:
        reading = "no reading" if pull["reading"] is None else f"{pull['reading']:.6g} {unit}"
        flags = f" ({', '.join(pull['flags'])})" if pull["flags"] else ""
        lines.append(f"  {pull['start_s']:.3f} s {pull['direction']}: {reading}, peak {pull['peak']:.6g} {unit}{flags}")
    lines += [f"  {note}" for note in told["notes"]]
    return "\n".join(lines)
