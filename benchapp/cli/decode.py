"""`kilter decode`: bytes of a raw capture → trace."""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import numpy as np

from benchapp.cli._profiles import chosen_profile, user_profiles
from benchapp.cli.errors import CommandError, unwritten
from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from benchapp.torque.units import FACTORS
from drivers.errors import RecordingError
from drivers.profile import Profile, Profiles
from drivers.recording import decode, read_capture
from drivers.samples import FloatArray, SampleBlock, Source

_ASSUMED_HZ: Final = 100.0


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser("decode", help="bytes of a raw capture to a trace")
    parser.add_argument("files", nargs="+", metavar="FILE.raw", help="raw captures (FILE.raw.toml beside them is read)")
    parser.add_argument("--profile", metavar="NAME-OR-PATH", help="wins over the one the capture names")
    parser.add_argument("-o", "--output", metavar="TRACE.csv", help="write the trace there (one capture only)")
    parser.add_argument("--json", action="store_true", help="print one JSON object a file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Decode each file; 2 when one of them was bad."""
    profiles = user_profiles()
    profile = chosen_profile(profiles, args.profile) if args.profile else None
    if args.output is not None:
        _check_output(args.output, args.files)
    status = 0
    for file in args.files:
        try:
            decoded = decode_capture(file, profiles, profile)
            if args.output is not None:
                _write(decoded, args.output)
        except (RecordingError, CommandError) as error:
            status = 2
            print(f"kilter: {error}", file=sys.stderr)
            if args.json:
                print(json.dumps({"file": file, "error": str(error)}, ensure_ascii=False))
            continue
        print(json.dumps(decoded.told, ensure_ascii=False) if args.json else _sentence(decoded.told))
    return status


def _check_output(output: str, files: list[str]) -> None:
    """Refuse a place for the trace that would cost a capture."""
    if len(files) > 1:
        raise CommandError("-o takes the trace of one capture; give one file, or leave -o away")
    if not output:
        raise CommandError("-o names no file; give it a name, e.g. trace.csv")
    capture = Path(files[0])
    for kept in (capture, capture.with_name(f"{capture.name}.toml")):
        if kept.exists() and Path(output).exists() and kept.samefile(output):
            raise CommandError(f"-o {output}: is the capture itself, and would be lost; name another file")


@dataclass(frozen=True, slots=True)
class Decoded:
    """A capture decoded: what `--json` says, and the trace."""

    told: dict[str, Any]
    trace: Trace


def decode_capture(file: str, profiles: Profiles, profile: Profile | None = None) -> Decoded:
    """Decode one capture; `profile` wins over what the file beside it says.

    Raises:
        RecordingError: The file cannot be read, or there is no profile for it.
    """
    recording = read_capture(Path(file), profiles, profile)
    used = recording.profile
    assumed = []
    if not (used.rate_hz or used.has("time_s") or recording.has_arrivals):
        used = replace(used, rate_hz=_ASSUMED_HZ)
        recording = replace(recording, profile=used)
        assumed.append(f"neither a rate nor times of arrival are known; {_ASSUMED_HZ:g} lines a second were assumed")
    decoder, blocks = decode(recording)
    t_s = np.concatenate([block.t_s for block in blocks]) if blocks else np.empty(0)
    if used.has("time_s") and used.rate_hz == 0 and len(t_s) > 2:
        # the interval is known only now, and gaps are told by it
        interval_s = float(np.median(np.diff(t_s)))
        recording = replace(recording, profile=replace(used, rate_hz=1 / interval_s))
        decoder, blocks = decode(recording)
        t_s = np.concatenate([block.t_s for block in blocks])
    begin_s = float(t_s[0]) if len(t_s) else 0.0  # an overload may have come before the first sample
    t_s = t_s - begin_s
    unit, torque, digits, decimals, notes = _in_one_unit(blocks, used.unit)
    notes = assumed + notes
    counts = decoder.counts
    for kind, n in decoder.clock_notes.items():
        if kind == "rate":
            continue
        notes.append(
            f"the device's {kind} went back {'once' if n == 1 else f'{n} times'}; time went on by one interval"
        )
    if not len(t_s):
        notes.append("no line gave a torque")
    arrived_hz = counts.n_lines / recording.duration_s if recording.has_arrivals and recording.duration_s > 1 else 0.0
    if arrived_hz and used.rate_hz and not 0.9 < arrived_hz / used.rate_hz < 1.1 and not used.has("time_s"):
        notes.append(
            f"{arrived_hz:.4g} lines a second came, the profile says {used.rate_hz:g}: times go by the profile"
        )
    gaps = [replace(gap, start_s=gap.start_s - begin_s) for block in blocks for gap in block.gaps]
    rate_hz = _rate(used, t_s, len(blocks[0]) if blocks else 0)
    told = {
        "file": file,
        "profile": used.name,
        "unit": unit,
        "rate_hz": rate_hz,
        "lines": counts.n_lines,
        "samples": counts.n_samples,
        "refused": {"no-match": counts.n_no_match, "checksum": counts.n_checksum, "too-long": counts.n_too_long},
        "overload": counts.n_overloads,
        "unit_changes": counts.n_unit_changes,
        "unterminated": counts.n_unterminated,
        "gaps": [{"time_s": round(gap.start_s, 9), "missing": gap.missing} for gap in gaps],
        "notes": notes,
    }
    capacity = None
    if used.capacity is not None:
        capacity = used.capacity if unit == used.unit else used.capacity * float(FACTORS[used.unit] / FACTORS[unit])
    trace = Trace(
        t_s=t_s,
        torque=torque,
        unit=unit,
        source=recording.source or Source.IMPORTED,
        digits=digits,
        decimals=decimals,
        capacity=capacity,
        polarity=Direction.CLOCKWISE if used.clockwise_positive else Direction.ANTICLOCKWISE,
        nominal_rate_hz=used.rate_hz or None,
        gaps=tuple(gaps),
        notes=tuple(notes),
    )
    return Decoded(told, trace)


def _in_one_unit(
    blocks: list[SampleBlock], unit: str
) -> tuple[str, FloatArray, np.ndarray[Any, np.dtype[np.int64]] | None, int, list[str]]:
    """The torque of all blocks in the unit of the first sample: (unit, torque, digits or None, decimals, notes)."""
    blocks = [block for block in blocks if len(block)]
    if not blocks:
        return unit, np.empty(0), None, 0, []
    unit = blocks[0].unit
    others: Counter[str] = Counter()
    parts = []
    for block in blocks:
        if block.unit == unit:
            parts.append(block.torque)
        else:
            others[block.unit] += len(block)
            parts.append(_scaled(block, FACTORS[block.unit] / FACTORS[unit]))
    notes = [
        f"{n} {'sample' if n == 1 else 'samples'} came in {other} and {'was' if n == 1 else 'were'} converted to {unit}"
        for other, n in others.items()
    ]
    decimals = max(block.decimals for block in blocks)
    most = max(int(np.abs(block.digits).max()) * 10 ** (decimals - block.decimals) for block in blocks)
    digits = None
    if not others and most < 10**15:
        digits = np.concatenate([block.digits * 10 ** (decimals - block.decimals) for block in blocks])
    return unit, np.concatenate(parts), digits, decimals, notes


def _scaled(block: SampleBlock, factor: Fraction) -> FloatArray:
    """The torque times `factor`, correctly rounded where that only moves the decimal point: 1.1 cN·m are 0.011 N·m."""
    step = factor / 10**block.decimals
    digits = block.digits.astype(np.float64)
    scaled: FloatArray = digits / float(1 / step) if step.numerator == 1 else digits * float(step)
    return scaled


def _rate(profile: Profile, t_s: FloatArray, n_first: int) -> float:
    """Samples per second: nominal, or by the device's clock, or as many as came after the first lump of `n_first`."""
    if len(t_s) < 2 or (profile.rate_hz and not profile.has("time_s")):
        return profile.rate_hz
    steps = np.diff(t_s)
    if not profile.has("time_s"):
        steps = steps[min(max(n_first, 1), len(steps)) - 1 :]  # nobody knows how long the first lump took
        return float(f"{1 / steps.mean():.6g}")
    return float(f"{1 / np.median(steps):.6g}")


def _write(decoded: Decoded, output: str) -> None:
    from benchapp.torque.trace_files import write_trace

    if not len(decoded.trace):
        raise CommandError(
            f"{decoded.told['file']}: no line gave a torque, so there is no trace to write; look at --profile"
        )
    try:
        write_trace(output, decoded.trace)
    except OSError as error:
        raise CommandError(f"{output}: {unwritten(error)}") from error


def _sentence(told: dict[str, Any]) -> str:
    refused = told["refused"]
    parts = [
        f"{told['samples']} samples in {told['unit']} at {told['rate_hz']:g} Hz from {told['lines']} lines",
        f"refused {sum(refused.values())} ({', '.join(f'{name} {n}' for name, n in refused.items())})",
        f"overload {told['overload']}, unit changes {told['unit_changes']}, gaps {len(told['gaps'])}",
    ]
    return f"{told['file']}: {'; '.join(parts)}" + "".join(f"\n  {note}" for note in told["notes"])
