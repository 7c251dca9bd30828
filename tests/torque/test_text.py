"""Numbers as people type them: understood or refused, never misread; torque shown with the decimals it deserves."""

from decimal import ROUND_HALF_EVEN, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchapp.torque.text import (
    MINUS,
    NotANumberError,
    decimals_for,
    format_number,
    format_torque,
    parse_number,
    parse_torque,
)
from benchapp.torque.units import UnknownUnitError


@pytest.mark.parametrize(
    ("text", "number"),
    [("12.5", 12.5), ("12,5", 12.5), (" 12 ", 12.0), ("−3,2", -3.2), ("- 3.2", -3.2), ("+4", 4.0), ("1e-3", 1e-3),
     (".5", 0.5), (",5", 0.5), ("5.", 5.0), ("0,125", 0.125), ("1.234", 1.234), ("1234,5", 1234.5), ("0", 0.0)],
)  # fmt: skip
def test_numbers_with_point_or_comma(text, number):
    assert parse_number(text) == number


@pytest.mark.parametrize(
    "text",
    ["", "  ", "1.234,5", "1,234.5", "1,234,567", "1 234", "1'234", "1\u00a0234", "1,234", "12,345", "nan", "inf",
     "-inf", "0x10", "1_000", "1e999", "ten", "--1", "1-2", "5 Nm", "½"],
)  # fmt: skip
def test_what_is_no_number_or_could_be_two_is_refused(text):
    with pytest.raises(NotANumberError) as caught:
        parse_number(text)
    assert caught.value.reason


@given(st.decimals(-99999, 99999, places=4, allow_nan=False))
def test_any_decimal_is_read_the_same_with_point_and_comma_or_refused(number):
    text = f"{number:f}"
    assert parse_number(text) == float(text)
    assert parse_number(text.replace(".", ",")) == float(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("30", (30.0, "N·m")), ("30,5 Nm", (30.5, "N·m")), ("22 lbf·ft", (22.0, "lbf·ft")),
     ("22,5ft-lb", (22.5, "lbf·ft")),     ("1e2cNm", (100.0, "cN·m")), ("−5 in-lb", (-5.0, "lbf·in"))],
)  # fmt: skip
def test_torque_with_and_without_its_unit(text, expected):
    assert parse_torque(text, "N·m") == expected


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("", NotANumberError),
        ("Nm", NotANumberError),
        ("30 J", UnknownUnitError),
        ("30 MNm", UnknownUnitError),
        ("1,234 Nm", NotANumberError),
    ],
)
def test_torque_that_cannot_be_read_is_refused(text, error):
    with pytest.raises(error):
        parse_torque(text, "N·m")


@given(st.floats(-1e6, 1e6), st.integers(0, 6))
def test_rounding_is_half_even_on_the_decimal_text(value, decimals):
    exact = Decimal(repr(value)).quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)
    shown = format_number(value, decimals)
    assert Decimal(shown.replace(MINUS, "-")) == exact
    assert "-" not in shown
    assert shown.strip(MINUS + "0.") or MINUS not in shown  # no negative zero


@pytest.mark.parametrize(
    ("step", "decimals"),
    [(5.0, 0), (1.0, 0), (0.5, 1), (0.25, 2), (0.2, 1), (0.1, 1), (0.05, 2), (0.01, 2), (0.0005, 4)],
)
def test_decimals_follow_the_resolution(step, decimals):
    assert decimals_for(step) == decimals


@pytest.mark.parametrize("step", [0.0, -1.0, float("nan")])
def test_a_resolution_that_is_none_is_refused(step):
    with pytest.raises(ValueError, match="resolution"):
        decimals_for(step)


def test_a_torque_is_shown_with_the_decimals_that_its_resolution_has_in_the_unit_shown():
    assert format_torque(30.0, "N·m", 0.1) == "30.0"
    assert format_torque(30.0, "lbf·ft", 0.01) == "22.127"  # 30 / 1.3558179483314004
    assert format_torque(-30.0, "lbf·in", 0.1) == f"{MINUS}265.5"  # one step is 0.885 lbf·in: tenths tell steps apart
