"""Lines and commands, against the written format of profiles."""

from functools import reduce
from operator import xor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.lines import NEWTON_METRES, SHAPES, Commands, Format, encode, xor8


@given(st.binary(max_size=60))
def test_folded_exclusive_or_is_the_bytewise_one(data):
    assert xor8(data) == reduce(xor, data, 0)


@pytest.mark.parametrize(
    ("unit", "published"),
    [("lbf·ft", 1.355818), ("lbf·in", 0.1129848), ("ozf·in", 7.061552e-3), ("kgf·m", 9.80665), ("kgf·cm", 9.80665e-2)],
)
def test_units_are_those_of_nist_sp_811(unit, published):
    # NIST SP 811, appendix B; seven published digits
    assert NEWTON_METRES[unit] == pytest.approx(published, rel=5e-7)  # half of the last digit


@pytest.mark.parametrize("shape", list(SHAPES))
def test_a_line_carries_the_value_and_the_unit(shape):
    for unit, factor in NEWTON_METRES.items():
        form = Format(unit=unit, decimals=3)
        for line, torque in zip(encode(shape, np.array([0.0, 1.5, -2.25]), 5, form), (0.0, 1.5, -2.25), strict=True):
            assert line.endswith(b"\r\n")
            fields = line.decode("latin-1").replace(" ", ",").strip().split(",")
            value = {"signed-value-unit": 0, "bare-value": 0, "time-sequence-value": 2}.get(shape, 1)
            assert float(fields[value]) == pytest.approx(torque / factor, abs=0.000501)


def test_checksum_is_the_exclusive_or_of_everything_before_it():
    for line in encode("status-value-unit-checksum", np.array([1.0, -99.9]), 0, Format()):
        text = line.strip()
        assert int(text[-2:], 16) == reduce(xor, text[:-2], 0)


def test_counter_wraps_and_the_clock_does_not():
    lines = encode("time-sequence-value", np.zeros(3), 65_535, Format(rate_hz=500.0))
    assert [line.split(b",")[:2] for line in lines] == [
        [b"131.070000", b"65535"],
        [b"131.072000", b"00000"],
        [b"131.074000", b"00001"],
    ]


@pytest.mark.parametrize("shape", list(SHAPES))
def test_beyond_its_range_a_line_says_overload(shape):
    low, high, negative = encode(shape, np.array([1.0, 300.0, -300.0]), 0, Format(overload_nm=299.0))
    assert b"OL" not in low
    assert b"OL" in high
    assert b"OL" in negative


def test_no_minus_before_a_zero():
    assert encode("bare-value", np.array([-0.001]), 0, Format(decimals=2)) == [b"0.00\r\n"]


@given(st.lists(st.integers(1, 12), max_size=6))
def test_commands_are_answered_however_they_are_cut(sizes):
    zeroed = []
    commands = Commands("signed-value-unit", "SIM-1", lambda: zeroed.append(True))
    data = b"ID?\r\nfoo\r\nZ\r\nID?\n"
    answers = []
    for size in [*sizes, len(data)]:
        answers += commands.feed(data[:size])
        data = data[size:]
    assert answers == [b"ID SIM-1\r\n", b"ID SIM-1\r\n"]
    assert zeroed == [True]


def test_rubbish_in_place_of_commands_neither_answers_nor_grows():
    commands = Commands("bare-value", "SIM-1", lambda: None)
    assert not list(commands.feed(bytes(range(256)) * 400))
    assert len(commands._held) <= 256
