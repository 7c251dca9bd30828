"""Conversions against exact fractions and the digits of NIST SP 811; a registry in which torque is not energy."""

import subprocess
import sys
from fractions import Fraction

import numpy as np
import pytest

from benchapp.torque.registry import NAMES, quantity, registry
from benchapp.torque.units import FACTORS, SHOWN_UNITS, UnknownUnitError, factor_nm, from_nm, to_nm

# NIST SP 811 (2008), appendix B.8: seven published digits, seen in a table taken from it; kgf and dyn are exact there
NIST_SP_811 = {
    "lbf·ft": "1.355818",
    "lbf·in": "0.1129848",
    "ozf·in": "0.007061552",
    "kgf·m": "9.80665",
    "dyn·cm": "1e-7",
}


@pytest.mark.parametrize(("unit", "digits"), NIST_SP_811.items())
def test_factors_give_the_published_digits(unit, digits):
    published = Fraction(digits)
    last_digit = Fraction(1, 10 ** len(digits.partition(".")[2])) if "e" not in digits else 0
    assert abs(FACTORS[unit] - published) <= last_digit / 2


def test_factors_follow_from_the_three_exact_definitions():
    pound, inch, g_n = Fraction("0.45359237"), Fraction("0.0254"), Fraction("9.80665")
    assert FACTORS["lbf·ft"] == pound * g_n * 12 * inch
    assert FACTORS["lbf·ft"] == 12 * FACTORS["lbf·in"] == 192 * FACTORS["ozf·in"]
    assert FACTORS["kgf·m"] == 100 * FACTORS["kgf·cm"] == 100_000 * FACTORS["gf·cm"] == g_n
    assert FACTORS["kN·m"] == 1000 * FACTORS["N·m"] == 100_000 * FACTORS["cN·m"] == 1_000_000 * FACTORS["mN·m"]
    assert FACTORS["dyn·cm"] == Fraction(1, 10**7)


# recomputed from the exact definitions, thirteen and more digits
@pytest.mark.parametrize(
    ("value", "unit", "other", "expected"),
    [
        (100, "lbf·ft", "N·m", "135.58179483314"),
        (100, "N·m", "lbf·ft", "73.756214927727"),
        (100, "N·m", "lbf·in", "885.07457913272"),
        (5, "N·m", "kgf·cm", "50.985810648896"),
    ],
)
def test_worked_conversions(value, unit, other, expected):
    places = len(expected.partition(".")[2])
    converted = from_nm(to_nm(float(value), unit), other)
    assert f"{converted:.{places}f}" == expected
    assert f"{float(quantity(value, unit).to(NAMES[other]).magnitude):.{places}f}" == expected


@pytest.mark.parametrize("unit", sorted(FACTORS))
def test_there_and_back_and_arrays_alike(unit):
    torque = np.array([0.0, 1.0, -3.25, 1e-9, 987654.321])
    assert np.allclose(from_nm(to_nm(torque, unit), unit), torque, rtol=4e-16, atol=0)
    assert to_nm(torque, unit).tolist() == [to_nm(float(each), unit) for each in torque]
    assert factor_nm(unit) == float(FACTORS[unit])  # correctly rounded: within half a last bit of the exact one


def test_only_our_names_convert():
    for text in ("Nm", "J", ""):
        with pytest.raises(UnknownUnitError):
            to_nm(1.0, text)
        with pytest.raises(UnknownUnitError):
            quantity(1, text)
    assert set(SHOWN_UNITS) <= set(FACTORS)


# ---- the registry


@pytest.mark.parametrize("unit", sorted(FACTORS))
def test_the_registry_converts_exactly(unit):
    for other in FACTORS:
        assert (
            quantity(Fraction(7, 3), unit).to(NAMES[other]).magnitude == Fraction(7, 3) * FACTORS[unit] / FACTORS[other]
        )


def test_a_newton_metre_is_no_joule():
    import pint

    ours = registry()
    torque = quantity(1, "N·m")
    assert torque != ours.Quantity(1, "joule")
    assert torque.check("[torque]")
    assert not torque.check("[energy]")
    with pytest.raises(pint.DimensionalityError):
        torque.to("joule")
    with pytest.raises(pint.DimensionalityError):
        torque + ours.Quantity(1, "joule")
    # what the default registry does, and why there is one of our own
    theirs = pint.UnitRegistry()
    assert theirs.Quantity(1, "N*m") == theirs.Quantity(1, "joule")


def test_what_the_default_registry_misreads_does_not_exist_here():
    import pint

    for text in ("Nm", "cNm", "ft*lb", "degree", "number_meter", "pound"):
        with pytest.raises(pint.UndefinedUnitError):
            registry().Quantity(1, text)


def test_a_rate_of_loading_keeps_its_dimension():
    rate = quantity(30, "lbf·ft") / registry().Quantity(1, "second")
    assert rate.to("newton_metre / second").magnitude == 30 * FACTORS["lbf·ft"]


def test_pint_waits_for_the_first_call():
    code = (
        "import sys, benchapp.torque.units, benchapp.torque.text, benchapp.torque.registry as r\n"
        "assert 'pint' not in sys.modules\n"
        "assert r.registry() is r.registry()\n"
        "assert 'pint' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
