"""Deviation of an indication from a reading, and the corridor of readings within limits."""

from __future__ import annotations

from enum import StrEnum

from benchapp.metrology.errors import positive


class Convention(StrEnum):
    """Which difference is divided by what. It belongs to the procedure.

    ISO: (indication − reading) / reading. ISO 6789:2003 and ISO 6789-1:2017, 7.1 (denominator seen second-hand).
    PRESET: (applied − preset) / preset. An SAE aerospace standard for feel-impulse wrenches. Opposite sign *and*
        other denominator: a tool that lets go early is positive under ISO and negative under PRESET.
    """

    ISO = "ISO"
    PRESET = "PRESET"


def deviation_percent(indication: float, reading: float, convention: Convention = Convention.ISO) -> float:
    """Return the deviation in percent. Both torques in one unit.

    Args:
        indication: X_a, what the tool says, > 0.
        reading: X_r, what the reference says, > 0.
        convention: Of the procedure.

    Raises:
        RefusedError: A torque that is not finite and above zero.

    Source:
        ISO 6789-1:2017, 7.1 (second-hand); SAE convention see `Convention`.

    >>> round(deviation_percent(100, 98), 4), round(deviation_percent(100, 104, Convention.PRESET), 4)
    (2.0408, 4.0)
    """
    positive("indication", indication)
    positive("reading", reading)
    if convention is Convention.ISO:
        return (indication - reading) / reading * 100
    return (reading - indication) / indication * 100


def without_error(deviation: float, error_percent: float, convention: Convention = Convention.ISO) -> float:
    """Return the deviation (percent) as it would be, had the reference no known error.

    Args:
        deviation: As found.
        error_percent: Of the reference, (shown − applied) / applied, percent, > −100.
        convention: Of the procedure.

    Source:
        A known error is taken out of the best estimate: JCGM 100:2008, 3.2.4 (from memory); derived from the formulas.

    >>> round(without_error(1.0, 0.5), 6), round(without_error(-1.0, 0.5, Convention.PRESET), 6)
    (1.505, -1.492537)
    """
    shown, error = 1 + deviation / 100, 1 + error_percent / 100
    positive("1 + error_percent / 100", error)
    return (shown * error - 1) * 100 if convention is Convention.ISO else (shown / error - 1) * 100


def corridor(indication: float, limit_percent: float, convention: Convention = Convention.ISO) -> tuple[float, float]:
    """Return the (smallest, greatest) reading within ± `limit_percent`, both ends inclusive.

    Args:
        indication: > 0; the corridor is in its unit.
        limit_percent: Permissible deviation, > 0 and < 100.
        convention: Of the procedure.

    Raises:
        RefusedError: An argument outside these limits.

    >>> low, high = corridor(100.0, 4.0)
    >>> round(low, 5), round(high, 5)
    (96.15385, 104.16667)
    """
    positive("indication", indication)
    positive("limit_percent", limit_percent)
    share = limit_percent / 100
    if convention is Convention.PRESET:
        return indication * (1 - share), indication * (1 + share)
    return indication / (1 + share), indication / (1 - share)


def under_torques(deviation: float, convention: Convention) -> bool:
    """Return True when joints get less than the tool says (a setting tool lets go early)."""
    return deviation > 0 if convention is Convention.ISO else deviation < 0
