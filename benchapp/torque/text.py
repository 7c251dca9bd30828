"""Torque as text: what people type and devices write, and how a torque is shown."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_EVEN, Decimal, InvalidOperation
from typing import Final

from benchapp.torque.units import FACTORS, UnknownUnitError, factor_nm

MINUS: Final = "\u2212"

_DOTS: Final = re.compile(r"[\s·⋅∙•.*×_\-\u2010-\u2015\u2212]+")
_NUMBER: Final = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?")
_NUMBER_AND_UNIT: Final = re.compile(
    r"\s*([+\-\u2212]?\s*[\d.,' \u00a0\u202f\u2009]*\d[.,]?(?:[eE][+-]?\d+)?)\s*(.*)", re.DOTALL
)

_PREFIXES: Final = {"": "", "c": "c", "m": "m", "k": "k"}
_IMPERIAL: Final = {
    ("lb", "ft"): "lbf·ft",
    ("lb", "in"): "lbf·in",
    ("oz", "in"): "ozf·in",
    ("kg", "m"): "kgf·m",
    ("kg", "cm"): "kgf·cm",
    ("g", "cm"): "gf·cm",
    ("dyn", "cm"): "dyn·cm",
}
_FORCES: Final = {
    "lb": "lb", "lbs": "lb", "lbf": "lb", "pound": "lb", "pounds": "lb", "poundforce": "lb", "#": "lb",
    "oz": "oz", "ozf": "oz", "ozs": "oz", "ounce": "oz", "ounces": "oz",
    "kg": "kg", "kgf": "kg", "kp": "kg",
    "g": "g", "gf": "g", "p": "g",
    "dyn": "dyn", "dyne": "dyn",
}  # fmt: skip
_LENGTHS: Final = {
    "ft": "ft", "foot": "ft", "feet": "ft", "'": "ft",
    "in": "in", "inch": "in", "inches": "in", '"': "in",
    "m": "m", "cm": "cm",
}  # fmt: skip


class NotANumberError(ValueError):
    """A text that is no number, or one that could be read in two ways; `reason` says what to type instead."""

    def __init__(self, text: str, reason: str) -> None:
        super().__init__(f"{text!r}: {reason}")
        self.text = text
        self.reason = reason


def parse_number(text: str) -> float:
    """Read a number typed by a person: decimal point or comma, no thousands separator.

    Raises:
        NotANumberError: No number, not finite, or a separator that could be a thousands separator: it is refused,
            never guessed at.

    >>> parse_number("12,5"), parse_number(" 12.5 "), parse_number("−3")
    (12.5, 12.5, -3.0)
    >>> parse_number("1.234,5")
    Traceback (most recent call last):
    ...
    benchapp.torque.text.NotANumberError: '1.234,5': more than one separator; ...
    """
    trimmed = text.strip().replace(MINUS, "-")
    if not trimmed:
        raise NotANumberError(text, "nothing was typed")
    if trimmed[0] in "+-":
        trimmed = trimmed[0] + trimmed[1:].lstrip()
    if trimmed.count(",") + trimmed.count(".") > 1:
        raise NotANumberError(text, "more than one separator; type it without thousands separators, e.g. 1234.5")
    if re.search(r"\d[\s'\u00a0\u202f\u2009]+\d", trimmed):
        raise NotANumberError(text, "a gap between digits; type it without thousands separators, e.g. 1234.5")
    if not _NUMBER.fullmatch(trimmed):
        raise NotANumberError(text, "not a number")
    if re.fullmatch(r"[+-]?[1-9]\d{0,2}[,.]\d{3}", trimmed) and "," in trimmed:
        raise NotANumberError(
            text, f"could mean {trimmed.replace(',', '')} or {trimmed.replace(',', '.')}; type one of these"
        )
    number = float(trimmed.replace(",", "."))
    if number in (float("inf"), float("-inf")):
        raise NotANumberError(text, "too large")
    return number


def parse_unit(text: str) -> str:
    """Return our name (a key of `FACTORS`) of a torque unit as people and devices write it.

    Order of force and length, and what stands between them (nothing, a dot, a hyphen, a space), do not matter; a
    pound, an ounce or a kilogram beside a length is a force. N·cm, as screwdrivers bear it, is cN·m. Capitals do not
    matter except where they tell milli from mega: MN·m and Mn·m are refused, not read as mN·m.

    Raises:
        UnknownUnitError: Anything else; energy (J, Wh) and "mN" alone among it.

    >>> [parse_unit(text) for text in ("Nm", "N-m", "ft-lb", "ft·lbf", "in-lb", "cNm", "Ncm", "kgf.cm", "ozf·in")]
    ['N·m', 'N·m', 'lbf·ft', 'lbf·ft', 'lbf·in', 'cN·m', 'cN·m', 'kgf·cm', 'ozf·in']
    """
    trimmed = text.strip()
    if trimmed in FACTORS:
        return trimmed
    bare = _DOTS.sub("·", trimmed).strip("·")
    newton = _newton_metre(bare)
    if newton is not None:
        return newton
    parts = [part for part in bare.lower().split("·") if part]
    if len(parts) == 3 and parts[1] in ("f", "force"):
        parts = [parts[0], parts[2]]
    if len(parts) == 3 and parts[2] in ("f", "force"):
        parts = parts[:2]
    pairs = [(parts[0], parts[1])] if len(parts) == 2 else []
    if len(parts) == 1:
        word = parts[0]
        pairs = [(word[:cut], word[cut:]) for cut in range(1, len(word))]
    found = set()
    for first, second in pairs:
        for force, length in ((first, second), (second, first)):
            key = (_FORCES.get(force, ""), _LENGTHS.get(length, ""))
            if key in _IMPERIAL:
                found.add(_IMPERIAL[key])
    if len(found) != 1:
        raise UnknownUnitError(text)
    return found.pop()


def _newton_metre(bare: str) -> str | None:
    """Newton metres with their prefixes; the case of the prefix counts, that of N and m does not."""
    matched = re.fullmatch(r"(?i:([cmk]?)(?:n|newton)s?·?(?:m|metre|meter)s?)", bare)
    if matched is None:
        matched = re.fullmatch(r"(?i:(?:n|newton)s?·?(c)(?:enti)?(?:m|metre|meter)s?)", bare)  # N·cm is cN·m, exactly
    if matched is None:
        return None
    prefix = matched.group(1)
    if prefix == "M":
        return None  # mega or milli: a factor of a thousand million is nothing to guess at
    return f"{prefix.lower()}N·m"


def parse_torque(text: str, default_unit: str) -> tuple[float, str]:
    """Read a torque with or without its unit; return (value, unit), the value as typed.

    Args:
        text: E.g. "30", "30,5 Nm", "22 lbf·ft".
        default_unit: A key of `FACTORS`; taken when the text names no unit.

    Raises:
        NotANumberError: The number part.
        UnknownUnitError: The unit part.

    >>> parse_torque("22,5 ft-lb", "N·m")
    (22.5, 'lbf·ft')
    """
    matched = _NUMBER_AND_UNIT.fullmatch(text)
    if matched is None:
        raise NotANumberError(text, "not a torque; type a number, with a unit if it is not the one shown")
    number, unit = matched.groups()
    return parse_number(number), parse_unit(unit) if unit.strip() else default_unit


LENGTHS_MM: Final = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, '"': 25.4, "ft": 304.8}
"""Millimetres in one of each unit of length that is understood (1 in = 25.4 mm, exact by definition)."""


def parse_length(text: str) -> tuple[float, str]:
    """Read a length with or without its unit; return (value, unit or "").

    Raises:
        NotANumberError: It is none, or its unit is not one of `LENGTHS_MM`.

    >>> parse_length("40,5 cm"), parse_length("-12")
    ((40.5, 'cm'), (-12.0, ''))
    """
    matched = _NUMBER_AND_UNIT.fullmatch(text)
    unit = matched[2].strip().lower().rstrip(".") if matched is not None else ""
    if matched is None or (unit and unit not in LENGTHS_MM):
        raise NotANumberError(text, f"not a length; type a number with {', '.join(LENGTHS_MM)}, or both without")
    return parse_number(matched[1]), unit


def decimals_for(resolution: float) -> int:
    """Return the decimal places that show steps of `resolution` (> 0) and no more, 0 to 6.

    >>> [decimals_for(step) for step in (5.0, 0.5, 0.25, 0.01, 0.0136)]
    [0, 1, 2, 2, 2]
    """
    if not resolution > 0:
        raise ValueError(f"resolution is {resolution}; it must be greater than 0")
    try:
        step = Decimal(repr(float(resolution)))
    except InvalidOperation as error:  # pragma: no cover - float always has a decimal text
        raise ValueError(f"resolution {resolution} is no number") from error
    exponent = step.adjusted()
    digits = step.normalize().as_tuple().digits
    if digits in ((2, 5), (7, 5), (1, 2, 5)):  # quarter and eighth steps need their last digit to be told apart
        exponent = int(step.normalize().as_tuple().exponent)
    return max(0, min(6, -exponent))


def format_number(value: float, decimals: int) -> str:
    """Return `value` with `decimals` places, half even on its decimal text, with a true minus sign.

    >>> format_number(2.675, 2), format_number(-0.0004, 2)
    ('2.68', '0.00')
    """
    rounded = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)
    if rounded == 0:
        rounded = abs(rounded)
    return str(f"{rounded:f}").replace("-", MINUS)


def format_torque(torque_nm: float, unit: str, resolution_nm: float) -> str:
    """Return a torque in `unit` without the unit's name, with the decimals that its resolution deserves.

    Args:
        torque_nm: N·m.
        unit: A key of `FACTORS`.
        resolution_nm: Smallest step worth showing, N·m, > 0.

    >>> format_torque(30.0, "lbf·ft", 0.01)
    '22.127'
    >>> format_torque(-30.0, "N·m", 0.1)
    '−30.0'
    """
    factor = factor_nm(unit)
    # 10 digits are far beyond any transducer and take away the last bit's noise of the division
    return format_number(float(f"{torque_nm / factor:.10g}"), decimals_for(float(f"{resolution_nm / factor:.4g}")))
