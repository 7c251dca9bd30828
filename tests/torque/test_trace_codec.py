"""A trace comes back from its bytes to the last bit, whatever it holds; damaged bytes are refused."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from benchapp.torque.trace_codec import MAGIC, TraceCodecError, decode, encode, is_encoded
from benchapp.torque.units import FACTORS
from drivers.samples import Gap, Source
from simulator.collection import stretch


def same(one, other):
    for name in ("t_s", "torque"):
        a, b = getattr(one, name), getattr(other, name)
        assert a.dtype == b.dtype == np.float64
        assert a.tobytes() == b.tobytes(), name  # bits: NaN and −0.0 too
    assert (one.digits is None) == (other.digits is None)
    if one.digits is not None:
        assert other.digits.dtype == np.int64
        assert one.digits.tobytes() == other.digits.tobytes()
        assert one.decimals == other.decimals
    for name in ("unit", "source", "capacity", "polarity", "nominal_rate_hz", "recorded", "gaps", "notes"):
        assert getattr(one, name) == getattr(other, name), name
    assert dict(one.extra) == dict(other.extra)
    assert dict(one.columns) == dict(other.columns)


texts = st.text(max_size=12)
finite = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def traces(draw):
    n = draw(st.integers(0, 60))
    way = draw(st.sampled_from(["digits", "broken digits", "decimals", "floats"]))
    int64s = hnp.arrays(np.int64, n, elements=st.integers(-(2**63), 2**63 - 1))
    digits, decimals = None, 0
    if "digits" in way:
        small = hnp.arrays(np.int64, n, elements=st.integers(-40_000, 40_000))
        digits, decimals = draw(st.one_of(small, int64s)), draw(st.integers(0, 9))
        torque = digits / 10.0**decimals
        if way == "broken digits":
            torque = torque + draw(finite)
    elif way == "decimals":
        torque = draw(hnp.arrays(np.int64, n, elements=st.integers(-(10**9), 10**9))) / 10.0 ** draw(st.integers(0, 6))
    else:
        torque = draw(hnp.arrays(np.float64, n, elements=st.floats()))
    rate = draw(st.one_of(st.none(), st.floats(0.1, 1e5)))
    clock = draw(st.sampled_from(["decimal", "rate", "ticks", "floats"]))
    counts = np.cumsum(draw(hnp.arrays(np.int64, n, elements=st.integers(1, 5))))
    if clock == "decimal":
        t_s = counts / 1000.0
    elif clock == "rate":
        t_s = counts / (rate or 600.0)
    elif clock == "ticks":
        t_s = counts * 1e-6
    else:
        t_s = np.sort(draw(hnp.arrays(np.float64, n, elements=finite)))
    return Trace(
        t_s=t_s.astype(np.float64),
        torque=np.asarray(torque, dtype=np.float64),
        unit=draw(st.sampled_from(list(FACTORS))),
        source=draw(st.sampled_from(list(Source))),
        digits=digits,
        decimals=decimals,
        capacity=draw(st.one_of(st.none(), st.floats(0.1, 1e6))),
        polarity=draw(st.sampled_from(list(Direction))),
        nominal_rate_hz=rate,
        recorded=draw(st.one_of(st.none(), texts)),
        gaps=tuple(draw(st.lists(st.builds(Gap, finite, finite, st.integers(0, 99)), max_size=3))),
        notes=tuple(draw(st.lists(texts, max_size=3))),
        extra=draw(st.dictionaries(texts, texts, max_size=3)),
        columns=draw(st.dictionaries(texts, st.lists(texts, min_size=n, max_size=n).map(tuple), max_size=1)),
    )


@settings(max_examples=150, deadline=None)
@given(traces())
def test_every_trace_comes_back_to_the_last_bit(trace):
    same(decode(encode(trace)), trace)


@pytest.mark.parametrize("number", range(16))
def test_simulated_pulls_come_back_to_the_last_bit(number):
    item = stretch(number, 7)
    decimals = max(0, round(-math.log10(item.resolution)))
    digits = np.rint(item.torque * 10**decimals).astype(np.int64)
    trace = Trace(item.t_s.copy(), digits / 10.0**decimals, "N·m", Source.SIMULATED, digits=digits, decimals=decimals)
    same(decode(encode(trace)), trace)


def noisy(n=5000):
    rng = np.random.default_rng(3)
    return np.rint(np.linspace(0, 10_000, n) + rng.normal(0, 20, n)).astype(np.int64)


@pytest.mark.parametrize(
    "t_s",
    [
        np.arange(5000) / 1000.0,
        17.125 + np.arange(5000) / 1000.0,
        np.arange(5000) / 600.0,
        np.arange(5000) * 1e-3,
        np.delete(np.arange(5100) / 1000.0, slice(2000, 2100)),
    ],
    ids=["from zero", "later", "600 Hz", "ticks", "with a gap"],
)
def test_regular_times_cost_next_to_nothing(t_s):
    digits = noisy()
    whole = encode(Trace(t_s, digits / 100.0, "N·m", Source.LIVE, digits=digits, decimals=2, nominal_rate_hz=600.0))
    still = encode(
        Trace(
            t_s,
            np.zeros(5000),
            "N·m",
            Source.LIVE,
            digits=np.zeros(5000, dtype=np.int64),
            decimals=2,
            nominal_rate_hz=600.0,
        )
    )
    assert len(still) < 420  # bytes for 5,000 times, no torque, and all that is told beside them
    assert len(whole) > 3000


@pytest.mark.parametrize("seed", range(3))
def test_any_byte_that_changed_is_refused(seed):
    blob = encode(Trace(np.arange(300) / 1e3, noisy(300) / 1e2, "N·m", Source.LIVE, digits=noisy(300), decimals=2))
    pick = random.Random(seed)
    for _ in range(150):
        at, bit = pick.randrange(len(blob)), 1 << pick.randrange(8)
        damaged = blob[:at] + bytes([blob[at] ^ bit]) + blob[at + 1 :]
        with pytest.raises(TraceCodecError):
            decode(damaged)


def test_cut_off_lengthened_or_foreign_bytes_are_refused():
    blob = encode(Trace(np.arange(300) / 1e3, noisy(300) / 1e2, "N·m", Source.LIVE, digits=noisy(300), decimals=2))
    for cut in range(0, len(blob), 7):
        with pytest.raises(TraceCodecError):
            decode(blob[:cut])
    for other in (blob + b"\0", b"", b"KTR", MAGIC + bytes(20), b"hello" * 20):
        with pytest.raises(TraceCodecError):
            decode(other)
    newer = blob[:3] + bytes([2]) + blob[4:]
    with pytest.raises(TraceCodecError, match="version 2"):
        decode(newer)


def test_the_same_trace_gives_the_same_bytes():
    make = [
        Trace(np.arange(300) / 1e3, noisy(300) / 1e2, "N·m", Source.LIVE, digits=noisy(300), decimals=2) for _ in "ab"
    ]
    assert encode(make[0]) == encode(make[1])
    assert is_encoded(encode(make[0]))
