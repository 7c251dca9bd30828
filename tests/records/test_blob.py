"""Stored traces come back; those stored in the form before the codec too."""

from __future__ import annotations

import json
import zlib

import numpy as np
import pytest

from benchapp.records import _blob
from benchapp.torque.trace import Trace

from .conftest import make_trace


def old_form(trace: Trace) -> bytes:
    """As stores before version 1 of the codec hold them."""
    head = {
        "n": len(trace), "unit": trace.unit, "source": trace.source.value,
        "decimals": trace.decimals if trace.digits is not None else None, "capacity": trace.capacity,
        "polarity": trace.polarity.value, "nominal_rate_hz": trace.nominal_rate_hz, "recorded": trace.recorded,
        "gaps": [[gap.start_s, gap.duration_s, gap.missing] for gap in trace.gaps], "notes": list(trace.notes),
        "extra": dict(trace.extra), "columns": {},
    }  # fmt: skip
    raw = json.dumps(head, ensure_ascii=False, separators=(",", ":")).encode()
    values = trace.torque if trace.digits is None else np.diff(trace.digits, prepend=np.int64(0))
    return len(raw).to_bytes(4, "little") + raw + zlib.compress(trace.t_s.tobytes() + values.tobytes(), 1)


def same(one: Trace, other: Trace) -> bool:
    return (
        one.t_s.tobytes() == other.t_s.tobytes()
        and one.torque.tobytes() == other.torque.tobytes()
        and (one.digits is None) == (other.digits is None)
        and (one.unit, one.source, one.capacity, one.polarity, one.gaps, one.recorded, dict(one.extra))
        == (other.unit, other.source, other.capacity, other.polarity, other.gaps, other.recorded, dict(other.extra))
    )


@pytest.mark.parametrize("with_digits", [True, False])
def test_both_forms_are_read(with_digits):
    trace = make_trace(3000)
    if not with_digits:
        trace = Trace(trace.t_s, trace.torque * 1.3558, "N·m", trace.source, capacity=100.0)
    assert same(_blob.decode(old_form(trace)), trace)
    assert same(_blob.decode(_blob.encode(trace)), trace)
    assert len(_blob.encode(trace)) < len(old_form(trace))


@pytest.mark.parametrize("blob", [b"", b"\0\0\0\0", b"x" * 50, b"\5\0\0\0{}   zz"])
def test_other_bytes_are_refused(blob):
    with pytest.raises(ValueError):  # noqa: PT011 - any reason will do
        _blob.decode(blob)
