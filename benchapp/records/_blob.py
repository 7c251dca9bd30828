"""A trace as the bytes that are stored and hashed, and back without loss."""

from __future__ import annotations

import json
import zlib

import numpy as np

from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from drivers.samples import Gap, Source


def encode(trace: Trace) -> bytes:
    """Return the bytes of a trace."""
    head = json.dumps(
        {
            "n": len(trace),
            "unit": trace.unit,
            "source": trace.source.value,
            "decimals": trace.decimals if trace.digits is not None else None,
            "capacity": trace.capacity,
            "polarity": trace.polarity.value,
            "nominal_rate_hz": trace.nominal_rate_hz,
            "recorded": trace.recorded,
            "gaps": [[gap.start_s, gap.duration_s, gap.missing] for gap in trace.gaps],
            "notes": list(trace.notes),
            "extra": dict(trace.extra),
            "columns": {name: list(values) for name, values in trace.columns.items()},
        },
        ensure_ascii=False,
        separators=(",", ":"),
    ).encode()
    values = trace.torque if trace.digits is None else np.diff(trace.digits, prepend=np.int64(0))
    body = np.ascontiguousarray(trace.t_s).tobytes() + np.ascontiguousarray(values).tobytes()
    return len(head).to_bytes(4, "little") + head + zlib.compress(body, 1)


def decode(blob: bytes) -> Trace:
    """Return the trace of `encode`; raises ValueError for bytes that are none of ours."""
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
