"""Torque units: exact factors, and what people and devices write.

Inside the program torque is float64 in N·m. This module is the only place that converts.

Source of the factors: NIST SP 811 appendix B; exact values from 1 lb = 0.453 592 37 kg, 1 in = 0.0254 m and
g_n = 9.806 65 m/s² (all three exact by definition).
"""

from __future__ import annotations

from fractions import Fraction
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

NM: Final = "N·m"

_POUND_KG: Final = Fraction("0.45359237")
_INCH_M: Final = Fraction("0.0254")
_G_N: Final = Fraction("9.80665")
_POUND_FORCE_N: Final = _POUND_KG * _G_N

FACTORS: Final[dict[str, Fraction]] = {
    "N·m": Fraction(1),
    "cN·m": Fraction(1, 100),
    "mN·m": Fraction(1, 1000),
    "kN·m": Fraction(1000),
    "lbf·ft": _POUND_FORCE_N * 12 * _INCH_M,
    "lbf·in": _POUND_FORCE_N * _INCH_M,
    "ozf·in": _POUND_FORCE_N / 16 * _INCH_M,
    "kgf·m": _G_N,
    "kgf·cm": _G_N / 100,
    "gf·cm": _G_N / 100_000,
    "dyn·cm": Fraction(1, 10_000_000),
}
"""N·m in one of each unit, exact. The keys are the only unit names used inside the program."""
_FACTORS_NM: Final = {unit: float(factor) for unit, factor in FACTORS.items()}

SHOWN_UNITS: Final = ("N·m", "cN·m", "lbf·ft", "lbf·in", "ozf·in", "kgf·m", "kgf·cm")
"""The units a person can switch to anywhere."""

TorqueT = TypeVar("TorqueT", float, npt.NDArray[np.float64])


class UnknownUnitError(ValueError):
    """A text that names no torque unit we know; `text` holds it."""

    def __init__(self, text: str) -> None:
        shown = text if len(text) <= 40 else f"{text[:37]}..."  # a file without line ends is one long unit
        super().__init__(f"{shown!r} is no torque unit known here; known are {', '.join(FACTORS)}")
        self.text = text


def factor_nm(unit: str) -> float:
    """Return N·m in one `unit` (one of `FACTORS`), correctly rounded.

    Raises:
        UnknownUnitError: `unit` is not a key of `FACTORS`; text typed by people goes through `parse_unit` first.
    """
    try:
        return _FACTORS_NM[unit]
    except KeyError:
        raise UnknownUnitError(unit) from None


def to_nm(torque: TorqueT, unit: str) -> TorqueT:
    """Convert `torque` from `unit` to N·m.

    >>> round(to_nm(100.0, "lbf·ft"), 12)
    135.58179483314
    """
    return torque * factor_nm(unit)


def from_nm(torque_nm: TorqueT, unit: str) -> TorqueT:
    """Convert `torque_nm` from N·m to `unit`.

    >>> round(from_nm(5.0, "kgf·cm"), 12)
    50.985810648896
    """
    return torque_nm / factor_nm(unit)
