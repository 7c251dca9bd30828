"""`kilter read`: pulls out of trace files."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict, dataclass
from fractions import Fraction
from typing import Any, Final

import numpy as np

from benchapp.cli.errors import CommandError
from benchapp.pulls import Mode, Pull, Report, read_pulls
from benchapp.torque.direction import Direction
from benchapp.torque.text import NotANumberError, parse_number, parse_torque, parse_unit
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import TraceFileError, read_trace
from benchapp.torque.units import FACTORS, UnknownUnitError

_GREATEST: Final = 1e15  # a file may hold more, but squares and sums of it would run over
_SLOW_HZ: Final = 300.0
"""Below this rate a reading says how much of it the sampling may hide."""

Typed = tuple[float, str | None]
"""A torque as typed: value, and its unit; None: that of the file."""


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser("read", help="read pulls out of trace files")
    parser.add_argument("files", nargs="+", metavar="FILE", help="trace files")
    parser.add_argument("--mode", choices=[mode.value for mode in Mode], required=True, help="what the reading is")
    parser.add_argument("--target", metavar="X", help="what the tool should give; only adds flags that need it")
    parser.add_argument(
        "--limit",
        metavar="PERCENT",
        help="permissible deviation from the target, (target − reading) / reading; exit status 1 when a reading "
        "lies outside",
    )
    parser.add_argument("--capacity", metavar="X", help="of the reference; wins over what the file says")
    parser.add_argument("--tool-max", metavar="X", help="the tool's maximum")
    parser.add_argument("--unit", metavar="U", help="unit of the numbers typed here; without it each file's own")
    parser.add_argument("--explain", action="store_true", help="say for each pull what was seen on its curve")
    parser.add_argument("--json", action="store_true", help="print one JSON object a file")
    parser.set_defaults(run=run)


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed; a torque is a value and its unit, None: that of the file."""

    mode: Mode
    target: Typed | None
    capacity: Typed | None
    tool_max: Typed | None
    limit_percent: float | None
    explain: bool


def read_file(file: str, asked: Asked) -> dict[str, Any]:
    """Read one trace file and return what `--json` says of it, in its unit and on its time axis.

    Raises:
        TraceFileError: It cannot be read, or is no trace file.
    """
    return _told(file, read_trace(file), asked)[0]


def run(args: argparse.Namespace) -> int:
    """Read each file: 0 done, 1 a reading lies outside `--limit`, 2 a file was bad."""
    request = _request(args)
    if request.limit_percent is not None and request.target is None:
        print("kilter: --limit was given without --target, so no reading was judged; give both", file=sys.stderr)
    bad = outside = False
    for file in args.files:
        try:
            trace = read_trace(file)
            told, out = _told(file, trace, request)
        except TraceFileError as error:
            bad = True
            print(f"kilter: {error}", file=sys.stderr)
            if args.json:
                print(json.dumps({"file": file, "error": str(error)}, ensure_ascii=False))
            continue
        outside |= out
        print(json.dumps(told, ensure_ascii=False, allow_nan=False) if args.json else _table(told))
    return 2 if bad else int(outside)


def _request(args: argparse.Namespace) -> Asked:
    unit = None
    if args.unit is not None:
        try:
            unit = parse_unit(args.unit)
        except UnknownUnitError as error:
            raise CommandError(f"--unit: {error}") from None
    limit = None
    if args.limit is not None:
        try:
            limit = parse_number(args.limit.strip().removesuffix("%"))
        except NotANumberError as error:
            raise CommandError(f"--limit: {error}; give percent, e.g. 4") from None
        if not limit > 0:
            raise CommandError(f"--limit: {args.limit!r} is not greater than 0; give percent, e.g. 4")
    return Asked(
        Mode(args.mode),
        _typed("--target", args.target, unit),
        _typed("--capacity", args.capacity, unit),
        _typed("--tool-max", args.tool_max, unit),
        limit,
        args.explain,
    )


def _typed(flag: str, text: str | None, unit: str | None) -> Typed | None:
    if text is None:
        return None
    try:
        value, named = parse_torque(text, unit or "")
    except (NotANumberError, UnknownUnitError) as error:
        raise CommandError(f"{flag}: {error}") from None
    if not value > 0:
        raise CommandError(f"{flag}: {text!r} is not greater than 0; give a torque above it, e.g. 12.5")
    return value, named or None


def _in(unit: str, typed: Typed | None) -> float | None:
    """The typed torque in `unit`, correctly rounded."""
    if typed is None:
        return None
    value, named = typed
    if named is None or named == unit:
        return value
    return float(Fraction(value) * FACTORS[named] / FACTORS[unit])


def read_report(
    trace: Trace,
    mode: Mode,
    *,
    capacity: float | None = None,
    target: float | None = None,
    tool_max: float | None = None,
) -> Report:
    """Read a trace's pulls in its own unit, turned so that clockwise is positive.

    Args:
        trace: Any trace.
        mode: Which torque counts as the reading.
        capacity: Of the reference, in the trace's unit; None: what the trace says.
        target: In the trace's unit.
        tool_max: In the trace's unit.
    """
    turned = trace.torque if trace.polarity is Direction.CLOCKWISE else -trace.torque
    return read_pulls(
        trace.t_s, turned, mode=mode, capacity=capacity or trace.capacity, target=target, tool_max=tool_max
    )


def _told(file: str, trace: Trace, request: Asked) -> tuple[dict[str, Any], bool]:
    """What `--json` says of one file, and whether a reading lies outside the limit."""
    greatest = int(np.abs(trace.torque).argmax())
    if abs(trace.torque[greatest]) > _GREATEST:
        raise TraceFileError(
            file, None, f"torque is {trace.torque[greatest]:g} at {trace.t_s[greatest]:g} s, more than any; correct it"
        )
    target, capacity = _in(trace.unit, request.target), _in(trace.unit, request.capacity)
    report = read_report(
        trace, request.mode, capacity=capacity, target=target, tool_max=_in(trace.unit, request.tool_max)
    )
    notes = list(trace.notes)
    if capacity is not None and trace.capacity is not None and _rounded(capacity) != _rounded(trace.capacity):
        notes.append(f"capacity {capacity:g} {trace.unit} as typed; the file says {trace.capacity:g}")
    if report.pulls and 0 < report.rate_hz < _SLOW_HZ:
        notes.append(f"at {report.rate_hz:.4g} Hz the sampling hides up to sampling_hides_percent of a reading")
    told = {"file": file, **report_to_data(trace, report, notes)}
    if request.explain:
        from benchapp.pulls.explain import explain

        told |= {"detector": report.detector, "settings": asdict(report.settings)}
        for pull, data in zip(report.pulls, told["pulls"], strict=True):
            data |= {"explained": explain(pull, trace.unit), **_seen(pull)}
    limit = request.limit_percent
    out = limit is not None and target is not None and any(_outside(pull, target, limit) for pull in report.pulls)
    return told, out


def _outside(pull: Pull, target: float, limit_percent: float) -> bool:
    # ISO 6789-1:2017: (indicated − reference) / reference; the target is what the tool indicates
    return pull.reading is not None and abs(target - pull.reading) > limit_percent / 100.0 * pull.reading


def report_to_data(trace: Trace, report: Report, notes: list[str]) -> dict[str, Any]:
    """Return what is told of a trace, JSON-able, in the order in which it is told."""
    return {
        "unit": trace.unit,
        "rate_hz": _rounded(report.rate_hz),
        "samples": len(trace),
        "noise": _rounded(report.noise),
        "source": trace.source.value,
        "notes": notes,
        "pulls": [_pull(pull, slow=0 < report.rate_hz < _SLOW_HZ) for pull in report.pulls],
    }


def _pull(pull: Pull, *, slow: bool) -> dict[str, Any]:
    data = {
        "start_s": pull.start_s,
        "end_s": pull.end_s,
        "direction": pull.direction.value,
        "mode": pull.mode.value,
        "reading": _rounded(pull.reading),
        "reading_time_s": pull.reading_time_s,
        "peak": _rounded(pull.peak),
        "first_peak": _rounded(pull.first_peak),
        "rest": _rounded(pull.rest),
        "time_80_to_100_s": _rounded(pull.time_80_to_100_s),
        "loading_rate_per_s": _rounded(pull.loading_rate_per_s),
        "flags": [flag.value for flag in pull.flags],
    }
    if slow:  # then it is more than a reading can leave unsaid
        data["sampling_hides_percent"] = _rounded(pull.sampling_hides_percent)
    return data


def _seen(pull: Pull) -> dict[str, Any]:
    """The marks on the curve, oldest first, and what was measured for each flag."""
    return {
        "rest_after": _rounded(pull.rest_after),
        "sampling_hides_percent": _rounded(pull.sampling_hides_percent),
        "marks": [{"name": mark.name, "time_s": mark.time_s, "torque": _rounded(mark.torque)} for mark in pull.marks],
        "noticed": [
            {
                "flag": each.flag.value,
                "value": _rounded(each.value),
                "limit": _rounded(each.limit),
                "unit": each.unit,
                "start_s": each.start_s,
                "end_s": each.end_s,
            }
            for each in pull.noticed
        ],
    }


def _rounded(value: float | None) -> float | None:
    """Nine significant digits: more than any transducer has, and the same on every machine."""
    return None if value is None else float(f"{value:.9g}")


def _table(told: dict[str, Any]) -> str:
    pulls = told["pulls"]
    lines = [
        f"{told['file']}: {told['samples']} samples at {told['rate_hz']:g} Hz in {told['unit']}, {told['source']}; "
        f"noise {told['noise']:.2g}; {len(pulls)} {'pull' if len(pulls) == 1 else 'pulls'}"
    ]
    lines += [f"  {note}" for note in told["notes"]]
    if pulls:
        lines.append(f"  {'start s':>9} {'end s':>9}  {'direction':<13} {'reading':>10} {'peak':>10}  flags")
    for pull in pulls:
        reading = "none" if pull["reading"] is None else f"{pull['reading']:.5g}"
        lines.append(
            f"  {pull['start_s']:>9.3f} {pull['end_s']:>9.3f}  {pull['direction']:<13} {reading:>10} "
            f"{pull['peak']:>10.5g}  {', '.join(pull['flags'])}".rstrip()
        )
        lines += [f"    {sentence}" for sentence in pull.get("explained", ())]
    return "\n".join(lines)
