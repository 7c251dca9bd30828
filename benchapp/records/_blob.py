"""A trace as the bytes that are stored and hashed, and back without loss.

New traces are written by `benchapp.torque.trace_codec`. The form before it (length of the head, JSON head, zlib body)
stays readable: its bytes are sealed and never written again.
"""

from __future__ import annotations

import json
import zlib

import numpy as np

from benchapp.torque import trace_codec
from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from drivers.samples import Gap, Source


def encode(trace: Trace) -> bytes:
    """Return the bytes of a trace."""
    return trace_codec.encode(trace)


def decode(blob: bytes) -> Trace:
    """Return the trace of `encode`, or of the form before it; raises ValueError for bytes that are neither."""
    if trace_codec.is_encoded(blob):
        return trace_codec.decode(blob)
    try:
        return _decode_old(blob)
    except (zlib.error, KeyError, TypeError, IndexError) as error:
        raise ValueError(f"these bytes are no trace: {error}") from error


def _decode_old(blob: bytes) -> Trace:
    size = int.from_bytes(blob[:4], "little")
    head = json.loads(blob[4 : 4 + size])
    body = zlib.decompress(blob[4 + size :])
    n = head["n"]
    t_s = np.frombuffer(body, dtype=np.float64, count=n)
    digits = None
    if head["decimals"] is None:
        torque = np.frombuffer(body, dtype=np.float64, count=n, offset=8 * n)
    else:
        digits = np.cumsum(np.frombuffer(body, dtype=np.int64, count=n, offset=8 * n))
        torque = digits / 10.0 ** head["decimals"]
    return Trace(
        t_s=t_s.copy(),
        torque=torque.copy(),
        unit=head["unit"],
        source=Source(head["source"]),
        digits=digits,
        decimals=head["decimals"] or 0,
        capacity=head["capacity"],
        polarity=Direction(head["polarity"]),
        nominal_rate_hz=head["nominal_rate_hz"],
        recorded=head["recorded"],
        gaps=tuple(Gap(*gap) for gap in head["gaps"]),
        notes=tuple(head["notes"]),
        extra=head["extra"],
        columns={name: tuple(values) for name, values in head["columns"].items()},
    )
