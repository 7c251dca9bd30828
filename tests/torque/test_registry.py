"""A registry in which torque is a dimension of its own, exact, and loaded only when it is called."""

import subprocess
import sys
from fractions import Fraction

import pytest

from benchapp.torque.registry import NAMES, quantity, registry
from benchapp.torque.units import FACTORS, UnknownUnitError


# recomputed from the exact definitions (NIST SP 811 appendix B gives the pound, the inch and g_n), 13 and more digits
@pytest.mark.parametrize(
    ("value", "unit", "other", "expected"),
    [
        (100, "lbf·ft", "N·m", "135.58179483314"),
        (100, "N·m", "lbf·ft", "73.756214927727"),
        (100, "N·m", "lbf·in", "885.07457913272"),
        (5, "N·m", "kgf·cm", "50.985810648896"),
    ],
)
def test_the_registry_converts_as_the_worked_examples(value, unit, other, expected):
    places = len(expected.partition(".")[2])
    assert f"{float(quantity(value, unit).to(NAMES[other]).magnitude):.{places}f}" == expected


def test_only_our_names_make_a_quantity():
    for text in ("Nm", "J", ""):
        with pytest.raises(UnknownUnitError):
            quantity(1, text)
    assert set(NAMES) == set(FACTORS)


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
