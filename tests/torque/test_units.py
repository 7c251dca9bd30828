"""Units against the published factors, exactly; text that names a unit is understood or refused, never misread."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchapp.torque.text import parse_unit
from benchapp.torque.units import FACTORS, UnknownUnitError, factor_nm, from_nm, to_nm


@pytest.mark.parametrize(
    ("unit", "printed", "digits"),
    [
        ("lbf·ft", "1.355818", 7),
        ("lbf·in", "0.1129848", 7),
        ("ozf·in", "0.007061552", 7),
        ("kgf·m", "9.80665", 6),
        ("dyn·cm", "1e-7", 1),
    ],
)
def test_factors_are_those_that_are_printed(unit, printed, digits):
    """NIST SP 811 (2008), appendix B.8, "Moment of force or torque", as printed to seven digits."""
    assert float(f"{factor_nm(unit):.{digits - 1}e}") == float(printed)


def test_factors_are_exact():
    """From the definitions: 1 lb = 0.453 592 37 kg and 1 in = 25.4 mm (agreed in 1959), g_n = 9.806 65 m/s²."""
    pound, inch, g = Fraction(45359237, 10**8), Fraction(254, 10**4), Fraction(980665, 10**5)
    assert FACTORS["lbf·in"] == pound * g * inch
    assert FACTORS["lbf·ft"] == pound * g * inch * 12
    assert FACTORS["ozf·in"] == pound * g * inch / 16
    assert FACTORS["kgf·cm"] == g / 100
    assert FACTORS["gf·cm"] == g / 100_000


@pytest.mark.parametrize(
    ("torque", "unit", "into", "expected"),
    [
        (100.0, "lbf·ft", "N·m", 135.58179483314),
        (100.0, "N·m", "lbf·ft", 73.756214927727),
        (100.0, "N·m", "lbf·in", 885.07457913272),
        (5.0, "N·m", "kgf·cm", 50.985810648896),
    ],
)
def test_torques_are_converted_to_the_last_digit_printed(torque, unit, into, expected):
    """Recomputed from the definitions above with 14 digits."""
    assert from_nm(to_nm(torque, unit), into) == pytest.approx(expected, rel=1e-13)


@given(st.floats(1e-6, 1e6), st.sampled_from(list(FACTORS)))
def test_there_and_back_loses_no_more_than_the_last_bits(torque, unit):
    assert from_nm(to_nm(torque, unit), unit) == pytest.approx(torque, rel=1e-15)


@pytest.mark.parametrize(
    ("unit", "spellings"),
    [
        ("N·m", ["Nm", "N-m", "N.m", "N m", "N*m", "nm", "NM", "N⋅m", "newton metre", "newton-meters", " N·m "]),
        ("cN·m", ["cNm", "cN-m", "CNM", "cN.m", "Ncm", "N·cm", "NCM", "N-cm", "newton centimetre"]),
        ("mN·m", ["mNm", "mN·m", "mN-m"]),
        ("kN·m", ["kNm", "kN.m", "KNM"]),
        ("lbf·ft", ["ft-lb", "ft·lbf", "ft lbs", "lb-ft", "LBFT", "FTLB", "ft.lb", "foot-pounds", "lbf ft", "lb'"]),
        ("lbf·in", ["in-lb", "in·lbf", "inlb", "INLBS", "lbf.in", "pound-inch"]),
        ("ozf·in", ["ozf·in", "in-oz", "oz-in", "inoz", "ozf in"]),
        ("kgf·cm", ["kgf·cm", "kgf.cm", "kgcm", "kg-cm", "kp·cm"]),
        ("kgf·m", ["kgf·m", "kgm", "kg-m", "kpm"]),
        ("gf·cm", ["gf·cm", "gfcm", "g-cm"]),
        ("dyn·cm", ["dyn·cm", "dyne-cm"]),
    ],
)
def test_what_people_and_devices_write(unit, spellings):
    assert {text: parse_unit(text) for text in spellings} == dict.fromkeys(spellings, unit)


@pytest.mark.parametrize(
    "text",
    ["", " ", "J", "joule", "Wh", "N", "m", "mN", "MNm", "Mn·m", "MN-m", "lb", "ft", "kg", "N/m", "Nmm", "N·m²",
     "lbf·ft·ft", "Pa", "deg", "m·m", "N·N", "5", "ft·in", "µN·m", "Nm/s"],
)  # fmt: skip
def test_what_is_no_torque_unit_or_could_be_two_is_refused(text):
    with pytest.raises(UnknownUnitError):
        parse_unit(text)


def test_an_unknown_name_inside_the_program_is_refused():
    with pytest.raises(UnknownUnitError):
        factor_nm("Nm")
