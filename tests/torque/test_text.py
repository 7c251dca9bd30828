"""What people type and devices write: read as meant, or refused; never guessed."""

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.torque.text import (
    NotANumberError,
    decimals_for,
    format_number,
    format_torque,
    parse_number,
    parse_torque,
    parse_unit,
)
from benchapp.torque.units import FACTORS, UnknownUnitError
from drivers.profile import UNIT_NAMES

WRITTEN = {
    "N·m": [
        "Nm",
        "NM",
        "nm",
        "N-m",
        "N.m",
        "N*m",
        "N m",
        "N⋅m",
        "N∙m",
        "N•m",
        "Nm.",
        " N·m ",
        "newton metre",
        "Newton-Meters",
    ],
    "cN·m": ["cNm", "cN.m", "CNM", "cN-m"],
    "mN·m": ["mNm", "mN·m", "mN.m", "mNM"],
    "kN·m": ["kNm", "KNm", "kN-m"],
    "lbf·ft": [
        "ft-lb",
        "ft.lb",
        "ft lb",
        "ftlb",
        "FT-LB",
        "FTLB",
        "ft·lbf",
        "lbf·ft",
        "lbf-ft",
        "lb-ft",
        "lb.ft",
        "lbft",
        "ft-lbs",
        "lbf ft",
        "pound-foot",
        "foot-pounds",
        "ft. lb.",
    ],
    "lbf·in": ["in-lb", "in.lb", "inlb", "IN-LB", "lb-in", "lbf·in", "in·lbf", "inch pounds", "in. lbs."],
    "ozf·in": ["ozf·in", "oz-in", "in-oz", "in.oz", "IN-OZ", "ozf-in", "inch-ounces"],
    "kgf·m": ["kgf·m", "kgf-m", "kgm", "kg-m", "kg·m", "KGF.M", "kp·m", "m·kp"],
    "kgf·cm": ["kgf·cm", "kgf-cm", "kgcm", "kg-cm", "KGF.CM", "kp·cm"],
    "gf·cm": ["gf·cm", "gf-cm", "g-cm", "gcm"],
    "dyn·cm": ["dyn·cm", "dyne-cm", "DYN.CM"],
}
# what pint's default registry misreads (Nm as a textile unit, a hyphen as a minus, pounds as masses) is among them


@pytest.mark.parametrize(("meant", "written"), [(unit, text) for unit, texts in WRITTEN.items() for text in texts])
def test_units_are_read_as_people_and_devices_write_them(meant, written):
    assert parse_unit(written) == meant


@pytest.mark.parametrize("unit", sorted(FACTORS))
def test_our_own_names_are_read_as_themselves(unit):
    assert parse_unit(unit) == unit


def test_the_drivers_know_the_same_units():
    assert frozenset(FACTORS) == UNIT_NAMES


@pytest.mark.parametrize("text", ["MNm", "MN·m", "MN.m", "MN-m"])
def test_mega_is_refused_and_never_taken_for_milli(text):
    with pytest.raises(UnknownUnitError):
        parse_unit(text)
    assert parse_unit("m" + text[1:]) == "mN·m"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "J",
        "joule",
        "Wh",
        "kWh",
        "N",
        "mN",
        "m",
        "lb",
        "ft",
        "lbf",
        "kg",
        "Pa",
        "N/m",
        "Nm/s",
        "N·m²",
        "Nmm",
        "ft·ft",
        "lb·lb",
        "%",
        "12",
    ],
)
def test_energy_forces_and_anything_else_are_refused(text):
    with pytest.raises(UnknownUnitError) as refused:
        parse_unit(text)
    assert refused.value.text == text


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("12.5", 12.5),
        ("12,5", 12.5),
        (" 12 ", 12.0),
        ("+3", 3.0),
        ("-3", -3.0),
        ("−3", -3.0),
        ("- 3", -3.0),
        (".5", 0.5),
        (",5", 0.5),
        ("5.", 5.0),
        ("1e-3", 0.001),
        ("1,5e2", 150.0),
        ("0,125", 0.125),
        ("0.125", 0.125),
        ("1234", 1234.0),
        ("1.234", 1.234),
        ("1234,567", 1234.567),
        ("0", 0.0),
    ],
)
def test_numbers_with_point_or_comma(text, number):
    assert parse_number(text) == number


@pytest.mark.parametrize(
    "text", ["1.234,5", "1,234.5", "1 234", "1\u202f234", "1'234", "1,234", "12,345", "1.2.3", "1,2,3"]
)
def test_thousands_separators_are_refused_never_misread(text):
    with pytest.raises(NotANumberError):
        parse_number(text)


@pytest.mark.parametrize(
    "text",
    ["", "  ", "abc", "nan", "inf", "-inf", "1e999", "1_000", "0x10", "--3", "+-3", "1e", "e5", ".", ",", "3³"],
)
def test_what_is_no_number_is_refused(text):
    with pytest.raises(NotANumberError) as refused:
        parse_number(text)
    assert refused.value.reason


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("30", (30.0, "N·m")),
        ("30 Nm", (30.0, "N·m")),
        ("30Nm", (30.0, "N·m")),
        ("22,5 ft-lb", (22.5, "lbf·ft")),
        ("22.5ft·lbf", (22.5, "lbf·ft")),
        ("-5 in-lb", (-5.0, "lbf·in")),
        ("−5 cNm", (-5.0, "cN·m")),
        ("1e3 mN·m", (1000.0, "mN·m")),
    ],
)
def test_torques_with_and_without_their_unit(text, read):
    assert parse_torque(text, "N·m") == read


@pytest.mark.parametrize("text", ["", "Nm", "30 J", "30 N", "30 Nm 5", "1,234 Nm", "1 234 Nm", "30 MN·m", "five Nm"])
def test_torques_that_cannot_be_told_are_refused(text):
    with pytest.raises((NotANumberError, UnknownUnitError)):
        parse_torque(text, "N·m")


@settings(max_examples=100, deadline=None)
@given(st.decimals(-9999, 9999, places=3), st.sampled_from(".,"), st.sampled_from(sorted(FACTORS)))
def test_a_typed_torque_comes_back(value, sign, unit):
    text = f"{value:f}"
    if sign == "," and len(text.partition(".")[0].lstrip("-")) <= 3 and not text.lstrip("-").startswith("0"):
        with pytest.raises(NotANumberError):  # three places after a comma could be thousands
            parse_torque(f"{text.replace('.', sign)} {unit}", "N·m")
        return
    assert parse_torque(f"{text.replace('.', sign)} {unit}", "N·m") == (float(value), unit)


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=12))
def test_any_text_is_read_or_refused_in_words(text):
    for read in (parse_number, parse_unit, lambda each: parse_torque(each, "N·m")):
        with contextlib.suppress(NotANumberError, UnknownUnitError):
            read(text)


@pytest.mark.parametrize(
    ("torque_nm", "unit", "resolution_nm", "shown"),
    [
        (30.0, "N·m", 0.1, "30.0"),
        (30.0, "N·m", 1.0, "30"),
        (-30.0, "N·m", 0.1, "\u221230.0"),
        (0.25, "N·m", 0.1, "0.2"),
        (0.35, "N·m", 0.1, "0.4"),
        (0.025, "N·m", 0.01, "0.02"),
        (-0.001, "N·m", 0.01, "0.00"),
        (1.35581794833140, "lbf·ft", 0.01, "1.000"),
        (100.0, "lbf·ft", 0.1, "73.76"),
        (0.0113, "cN·m", 0.0001, "1.13"),
        (30.0, "N·m", 0.25, "30.00"),
        (1e6, "N·m", 10.0, "1000000"),
    ],
)
def test_shown_with_the_decimals_the_resolution_deserves(torque_nm, unit, resolution_nm, shown):
    assert format_torque(torque_nm, unit, resolution_nm) == shown


def test_half_even_on_the_decimal_text_not_on_the_binary():
    # 2.675 is 2.67499999999999982236431605997495353221893310546875 in binary; on its text it is a half, and 8 is even
    assert format_number(2.675, 2) == "2.68"
    assert format_number(2.665, 2) == "2.66"


def test_a_resolution_must_be_greater_than_nothing():
    for resolution in (0.0, -1.0, float("nan")):
        with pytest.raises(ValueError, match="resolution"):
            decimals_for(resolution)
