"""Traces cut out of the stream: digit for digit, however the stream came, and in memory that does not grow."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.session._cutout import KEPT_S, MARGIN_S, Cutout
from drivers.samples import Gap, SampleBlock, Source

FORMATS = ((2, "N·m"), (3, "N·m"), (1, "lbf·ft"))


def block(first: int, t_s: np.ndarray, digits: np.ndarray, form: int = 0, gaps: tuple[Gap, ...] = ()) -> SampleBlock:
    decimals, unit = FORMATS[form]
    return SampleBlock(first, t_s, digits, decimals, unit, Source.LIVE, gaps)


def cut(cutout: Cutout, start_s: float, end_s: float):
    return cutout.cut(
        start_s, end_s, clockwise_positive=True, capacity_nm=100.0, rate_hz=1000.0, recorded="", extra={"zero_nm": "0"}
    )


def fed(cuts: list[int], open_since_s: float | None, n: int = 12_000, forms: dict[int, int] | None = None) -> Cutout:
    """A stream at 1 kHz whose digits are its running numbers, cut at `cuts`; `forms` begin at their key."""
    cutout = Cutout()
    forms = forms or {}
    edges = sorted({0, n, *(c for c in cuts if c < n), *forms})
    form = 0
    for a, b in itertools.pairwise(edges):
        form = forms.get(a, form)
        cutout.feed(block(a, np.arange(a, b) / 1000.0, np.arange(a, b), form), open_since_s)
    return cutout


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 11_999), max_size=60))
def test_a_trace_does_not_hang_on_how_the_stream_was_cut(cuts):
    trace = cut(fed(cuts, 6.0), 6.0, 9.0)
    expected = np.arange(5500, 9501)
    assert np.array_equal(trace.digits, expected)
    assert np.array_equal(trace.t_s, expected / 1000.0)
    assert trace.decimals == 2
    assert np.array_equal(trace.torque, expected / 100.0)


def test_more_decimals_in_mid_pull_keep_every_digit():
    trace = cut(fed([100, 5000], 6.0, forms={7000: 1}), 6.0, 9.0)
    numbers = np.arange(5500, 9501)
    assert trace.decimals == 3
    assert np.array_equal(trace.digits, np.where(numbers < 7000, numbers * 10, numbers))


def test_another_unit_in_mid_pull_is_converted_and_said():
    trace = cut(fed([100, 5000], 6.0, forms={7000: 2}), 6.0, 9.0)
    numbers = np.arange(5500, 9501)
    assert trace.digits is None
    assert trace.notes == ("the device changed its unit: lbf·ft was converted to N·m",)
    lbf_ft_nm = 1.355_817_948  # NIST SP 811, B.8
    assert np.allclose(trace.torque, np.where(numbers < 7000, numbers / 100, numbers / 10 * lbf_ft_nm), rtol=1e-9)


def test_a_format_that_is_over_before_the_pull_is_no_part_of_it():
    trace = cut(fed([], 6.0, forms={5000: 1}), 6.0, 9.0)
    assert trace.decimals == 3
    assert np.array_equal(trace.digits, np.arange(5500, 9501))


def test_gaps_inside_the_trace_go_with_it():
    cutout = Cutout()
    early, inside, late = Gap(0.5, 0.1, 99), Gap(3.0, 0.2, 199), Gap(7.0, 0.1, 99)
    cutout.feed(block(0, np.arange(0, 500) / 1000, np.arange(500)), 2.6)
    for gap, end_s in ((early, 3.0), (inside, 7.0), (late, 8.0)):
        t_s = np.arange(round((gap.start_s + gap.duration_s) * 1000), round(end_s * 1000)) / 1000
        cutout.feed(block(0, t_s, np.zeros(len(t_s), dtype=np.int64), 0, (gap,)), 2.6)
    assert cut(cutout, 2.6, 5.0).gaps == (inside,)


def test_what_no_pull_can_need_is_forgotten():
    cutout = fed(list(range(0, 12_000, 50)), None)
    with pytest.raises(ValueError, match=r"no samples are held between 2[.]500 s and 4[.]500 s"):
        cut(cutout, 3.0, 4.0)
    assert cut(cutout, 11.0, 11.9).t_s[0] == 11.0 - MARGIN_S


def test_a_pull_without_an_end_loses_its_beginning():
    cutout = Cutout()
    for second in range(int(KEPT_S) + 100):
        t_s = second + np.arange(10) / 10
        cutout.feed(block(0, t_s, np.arange(10)), 1.0)
    assert cut(cutout, 1.0, 1000.0).t_s[0] == pytest.approx(99.9, abs=0.11)


def test_another_link_with_a_clock_of_its_own_begins_anew():
    cutout = fed([3000], None)
    for second in range(5):
        cutout.feed(block(0, second + np.arange(1000) / 1000, np.arange(1000) + 1000 * second), None)
    trace = cut(cutout, 4.0, 4.9)
    assert np.array_equal(trace.digits, np.arange(3500, 5000))


def test_memory_stays_after_hours_and_after_a_long_pull():
    cutout = Cutout()
    rooms = []
    for k in range(20_000):
        open_since_s = 100.0 if 2_000 < k < 10_000 else None
        cutout.feed(block(0, (50 * k + np.arange(50)) / 1000, np.arange(50)), open_since_s)
        rooms.append(len(cutout._t_s))
    assert max(rooms[:2_000]) < 20_000
    assert max(rooms) > 100_000
    assert max(rooms[-8_000:]) < 20_000
    trace = cut(cutout, 999.0, 999.5)
    assert np.array_equal(trace.digits, (np.arange(len(trace.t_s)) + 998_500) % 50)
