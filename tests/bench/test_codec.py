"""Goal: a trace ≥ 2.4 × smaller than zlib 6 of its float32, encoded ≥ 5 × faster, lossless in the device's own steps.

Both sides are made in one run from the same 5,000 samples; ours holds times, unit and all else as well, theirs holds
the torque alone. CPU time, medians.

    .venv/bin/python -m pytest tests/bench/test_codec.py -s
"""

import statistics
import time
import zlib

import numpy as np
import pytest

from benchapp.torque.trace import Trace
from benchapp.torque.trace_codec import decode, encode
from drivers.samples import Source

N = 5000


def cpu_us(work, rounds=7, calls=40):
    taken = []
    for _ in range(rounds):
        start = time.process_time()
        for _ in range(calls):
            work()
        taken.append((time.process_time() - start) / calls * 1e6)
    return statistics.median(taken)


def entropy_limit(digits):
    """Ratio to float32 that a perfect coder of first differences would reach."""
    _, counts = np.unique(np.diff(digits), return_counts=True)
    share = counts / counts.sum()
    return 32 / float(-(share * np.log2(share)).sum())


@pytest.mark.parametrize("sigma_nm", [0.2, 0.02])
def test_smaller_and_faster_than_zlib_of_float32(sigma_nm):
    rng = np.random.default_rng(5)
    t_s = np.arange(3217, 3217 + N) / 1000.0  # as a link dates them: lines counted, over the rate
    digits = np.rint((np.linspace(0.0, 100.0, N) + rng.normal(0.0, sigma_nm, N)) * 100).astype(np.int64)
    trace = Trace(
        t_s, digits / 100.0, "N·m", Source.LIVE, digits=digits, decimals=2, capacity=200.0, nominal_rate_hz=1000.0,
        recorded="2026-03-04T09:12:31+01:00", extra={"zero_nm": "0.0131", "correction": "C-1"},
    )  # fmt: skip

    def plain():
        return zlib.compress(trace.torque.astype(np.float32).tobytes(), 6)

    blob = encode(trace)
    back = decode(blob)
    assert back.t_s.tobytes() == t_s.tobytes()
    assert back.digits.tobytes() == digits.tobytes()
    theirs = np.frombuffer(zlib.decompress(plain()), dtype=np.float32)
    assert np.abs(theirs - back.torque).max() < 1e-5  # the same values on both sides, theirs no longer exact
    smaller = len(plain()) / len(blob)
    ours_us, plain_us, decode_us = cpu_us(lambda: encode(trace)), cpu_us(plain), cpu_us(lambda: decode(blob))
    print(
        f"\nsigma {sigma_nm}: {len(blob)} bytes, {smaller:.2f} x smaller (goal 2.4), {plain_us / ours_us:.1f} x faster "
        f"(goal 5; {ours_us:.0f} against {plain_us:.0f} us), decode {decode_us:.0f} us, "
        f"{4 * N / len(blob) / entropy_limit(digits):.2f} of the entropy limit (goal 0.9)"
    )
    assert smaller >= 2.4
    assert plain_us / ours_us >= 5
