"""A registry of units in which torque is a dimension of its own.

pint's own registry takes N·m for J, "Nm" for a textile unit and a pound for a mass (all three silently); ours holds
nothing but what torque needs, with exact factors, so that none of it can happen. pint is imported on the first call:
it costs 0.2 s, which a window that opens has no use for. Text never comes from pint, neither in nor out:
`benchapp.torque.text` reads and writes the units that people see.
"""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Final

from benchapp.torque.units import FACTORS, UnknownUnitError

if TYPE_CHECKING:
    import pint

NAMES: Final[dict[str, str]] = {
    "N·m": "newton_metre",
    "cN·m": "centinewton_metre",
    "mN·m": "millinewton_metre",
    "kN·m": "kilonewton_metre",
    "lbf·ft": "pound_force_foot",
    "lbf·in": "pound_force_inch",
    "ozf·in": "ounce_force_inch",
    "kgf·m": "kilogram_force_metre",
    "kgf·cm": "kilogram_force_centimetre",
    "gf·cm": "gram_force_centimetre",
    "dyn·cm": "dyne_centimetre",
}
"""Our name of each unit → its name in the registry, where a dot would mean a product."""


@cache
def registry() -> pint.UnitRegistry[Fraction]:
    """Return the registry, the same one every time; numbers in it are Fractions.

    Dimensions: ``[torque]``, ``[energy]``, ``[angle]``, ``[time]``. A torque times an angle is not an energy here:
    whoever wants one has to say so, through the radian.

    >>> torque = registry().Quantity(1, NAMES["lbf·ft"])
    >>> torque.to(NAMES["lbf·in"]).magnitude
    Fraction(12, 1)
    """
    import pint

    ours: pint.UnitRegistry[Fraction] = pint.UnitRegistry(None, non_int_type=Fraction)
    ours.define("newton_metre = [torque]")
    ours.define("joule = [energy]")
    ours.define("radian = [angle]")
    ours.define("second = [time]")
    ours.define("minute = 60 * second")
    for unit, name in NAMES.items():
        if unit == "N·m":
            continue
        factor = FACTORS[unit]
        ours.define(f"{name} = {factor.numerator} / {factor.denominator} * newton_metre")
    return ours


def quantity(torque: float | Fraction, unit: str) -> pint.Quantity[Fraction]:
    """Return a torque as a quantity of the registry, exact.

    Args:
        torque: In `unit`, finite.
        unit: A key of `FACTORS`.

    Raises:
        UnknownUnitError: `unit` is none.
    """
    if unit not in NAMES:
        raise UnknownUnitError(unit)
    made: pint.Quantity[Fraction] = registry().Quantity(Fraction(torque), NAMES[unit])
    return made
