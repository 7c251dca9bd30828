"""A recording as it is looked at: its trace, what was read from it, a curve for each pull. No Qt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchapp.pulls import Mode, read_pulls
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import TraceFileError, read_trace
from benchapp.torque.units import to_nm
from benchapp.ui.calloff import CalledOff, never
from benchapp.ui.curves.foreign import ForeignFileError, Matching, Sheet, guess, read_sheet
from benchapp.ui.curves.overlay import Curve, curve_of, whole_pull


@dataclass(frozen=True, eq=False)
class Recording:
    """A trace with the pulls that were read from it.

    Attributes:
        trace: All of its samples.
        mode: What a reading is.
        rate_hz: Samples per second, as the reader found it.
        n_pulls: How many pulls there are.
        curves: One of each pull; where there is none, one of the whole trace.
    """

    trace: Trace
    mode: Mode
    rate_hz: float
    n_pulls: int
    curves: tuple[Curve, ...]


def opened(path: Path, mode: Mode, is_called_off: Callable[[], bool] = never) -> Recording | tuple[Sheet, Matching]:
    """Read a file: a trace file at once, of any other its columns with the likeliest matching.

    Raises:
        OSError: It cannot be read.
        ForeignFileError: It is neither, or no file: a pipe or a device need never end.
        CalledOff: `is_called_off` returned True.
    """
    if path.exists() and not path.is_file():
        what = "a folder" if path.is_dir() else "a pipe or a device"
        raise ForeignFileError(f"{path} is {what}, not a file. Choose the recording's file.")
    try:
        trace = read_trace(path)
    except TraceFileError:
        sheet = read_sheet(path, is_called_off)
        return sheet, guess(sheet)
    return recording_of(trace, mode, is_called_off)


def recording_of(trace: Trace, mode: Mode, is_called_off: Callable[[], bool] = never) -> Recording:
    """Read the pulls of a trace. Raises CalledOff."""
    if is_called_off():
        raise CalledOff
    t_s, torque_nm = trace.t_s, to_nm(trace.torque, trace.unit) * trace.polarity.sign
    capacity = None if trace.capacity is None else to_nm(trace.capacity, trace.unit)
    report = read_pulls(t_s, torque_nm, mode=mode, capacity=capacity)
    pulls = report.pulls
    ends = np.searchsorted(t_s, [pull.end_s for pull in pulls])
    begins = np.searchsorted(t_s, [pull.start_s for pull in pulls])
    curves = []
    for number, pull in enumerate(pulls, start=1):
        if is_called_off():
            raise CalledOff
        first = int(ends[number - 2]) if number > 1 else 0  # what lies between this pull and its neighbours
        last = int(begins[number]) if number < len(pulls) else len(t_s)
        near_t_s, near_nm = t_s[first:last], torque_nm[first:last]
        begin, end = np.searchsorted(near_t_s, whole_pull(near_t_s, near_nm * pull.direction.sign, pull))
        curves.append(curve_of(number, near_t_s[begin : end + 1], near_nm[begin : end + 1], pull))
    if not curves:
        curves = [curve_of(1, t_s, torque_nm, None, remark="no pull was found")]
    return Recording(trace, mode, report.rate_hz, len(pulls), tuple(curves))
