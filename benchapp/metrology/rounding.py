"""Rounding for display, on the decimal text. Stored values are never rounded."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal

from benchapp.metrology.errors import finite, positive


def decimal_of(value: float) -> Decimal:
    """Return the number as its shortest text says it: 0.95 is 0.95, not 0.9499999 and so on."""
    return Decimal(repr(float(value)))


def two_digits_exponent(expanded: float) -> int:
    """Return the power of ten of the second significant digit of U.

    Source:
        At most two significant digits: JCGM 100:2008, 7.2.6.

    >>> two_digits_exponent(0.898939), two_digits_exponent(12.0), two_digits_exponent(0.0996)
    (-2, 0, -3)
    """
    positive("expanded", expanded)
    return decimal_of(expanded).adjusted() - 1


def rounded(value: float, exponent: int) -> Decimal:
    """Return the value rounded half-even to the power of ten `exponent`, on the decimal text."""
    finite("value", value)
    return decimal_of(value).quantize(Decimal(1).scaleb(exponent), rounding=ROUND_HALF_EVEN)


def rounded_pair(value: float, expanded: float) -> tuple[str, str]:
    """Return (value, U) as text: U with two significant digits, the value with the same last place.

    >>> rounded_pair(0.908580, 0.898939)
    ('0.91', '0.90')
    >>> rounded_pair(-0.0004, 0.0996)
    ('0.000', '0.100')
    """
    exponent = two_digits_exponent(expanded)
    value_text, expanded_text = (f"{rounded(x, exponent):f}" for x in (value, expanded))
    if not any(digit in value_text for digit in "123456789"):
        value_text = value_text.lstrip("-")
    return value_text, expanded_text


TIE_DIGITS = 10
"""Decimal places (of a percentage) to which a decision looks: far below any measurement, above binary noise."""


def for_decision(percent: float) -> Decimal:
    """Return a percentage as decisions compare it: decimal text, so that 4.0 − 0.8 is 3.2 and an edge is an edge."""
    return rounded(percent, -TIE_DIGITS)
