"""Canonical JSON after RFC 8785 (JCS): one sequence of bytes for one value, whoever writes it.

Keys are sorted by their UTF-16 code units, nothing is written between tokens, text is UTF-8 with only the escapes
that JSON demands, numbers are written as ECMAScript writes a double.

Source: RFC 8785, sections 3.2.2 (literals, strings, numbers) and 3.2.3 (sorting).
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from json.encoder import encode_basestring
from typing import Any, Final

import orjson

GREATEST_INTEGER: Final = 2**53 - 1
"""Beyond it a whole number would not survive in a double (RFC 8785 3.2.2.3, RFC 7493 2.2)."""


class CanonicalError(ValueError):
    """A value that has no canonical form; the text says which and why."""


def canonical(value: object) -> bytes:
    """Return the canonical bytes of a JSON value.

    Args:
        value: None, bool, int within ±(2⁵³ − 1), finite float, text, and lists and mappings (with text keys) of these.

    Raises:
        CanonicalError: Anything else: NaN, infinity, a larger whole number, a lone surrogate, a key that is no text.

    Source:
        RFC 8785.

    >>> canonical({"b": [1.0, 1e-7, True, None], "a": "€"}).decode()
    '{"a":"€","b":[1,1e-7,true,null]}'
    """
    parts: list[str] = []
    _write(value, parts.append)
    try:
        return "".join(parts).encode()
    except UnicodeEncodeError as error:
        raise CanonicalError(f"a text holds a lone surrogate (U+{ord(error.object[error.start]):04X})") from None


def number(value: float) -> str:
    """Return a double as ECMAScript's ``Number.prototype.toString`` writes it.

    Raises:
        CanonicalError: NaN or infinity.

    Source:
        RFC 8785 3.2.2.3; ECMA-262, Number::toString. Python's `repr` gives the same shortest digits.

    >>> [number(x) for x in (333333333.33333329, 1e30, 4.50, 2e-3, 1e-27, -0.0)]
    ['333333333.3333333', '1e+30', '4.5', '0.002', '1e-27', '0']
    """
    if not math.isfinite(value):
        raise CanonicalError(f"{value} has no place in JSON")
    if value == 0.0:
        return "0"
    text = repr(value)
    if "e" not in text and value.is_integer() is False and (value >= 1e-4 or value <= -1e-4):
        return text  # between 1e-4 and 1e16 both write the same
    sign = "-" if value < 0 else ""
    mantissa, _, exponent = text.lstrip("-").partition("e")
    whole, _, fraction = mantissa.partition(".")
    digits = (whole + ("" if fraction == "0" else fraction)).lstrip("0")
    point = len(whole) + int(exponent or 0)  # value = 0.digits × 10**point
    if whole == "0":
        point -= len(fraction) - len(fraction.lstrip("0")) + 1
    digits = digits.rstrip("0") or "0"
    n_digits = len(digits)
    if n_digits <= point <= 21:
        return sign + digits + "0" * (point - n_digits)
    if 0 < point <= 21:
        return f"{sign}{digits[:point]}.{digits[point:]}"
    if -6 < point <= 0:
        return f"{sign}0.{'0' * -point}{digits}"
    tail = f".{digits[1:]}" if n_digits > 1 else ""
    return f"{sign}{digits[0]}{tail}e{'+' if point > 0 else '-'}{abs(point - 1)}"


def parse(data: bytes) -> Any:
    """Return the value of JSON bytes; a key that stands twice or a NaN is refused.

    Raises:
        CanonicalError: The bytes are no JSON, or such a JSON.
    """
    try:
        return json.loads(data, object_pairs_hook=_no_twins, parse_constant=_no_constant, parse_int=_whole)
    except ValueError as error:
        raise CanonicalError(str(error)) from None


def parse_written(data: bytes) -> Any:
    """Return the value of bytes that `canonical` wrote, as their hash says; five times as fast as `parse`.

    Nothing is looked for that `canonical` never writes: a key that stands twice, a whole number beyond ±(2^53 - 1).

    Raises:
        CanonicalError: The bytes are no JSON.
    """
    try:
        return orjson.loads(data)
    except ValueError as error:
        raise CanonicalError(str(error)) from None


def parse_sealed(data: bytes, digest: str) -> Any:
    """Return the value of sealed bytes: quickly where they still are what was sealed, carefully where they are not.

    Args:
        data: As stored.
        digest: SHA-256 that was sealed, as hexadecimal text.

    Raises:
        CanonicalError: As `parse`.
    """
    return parse_written(data) if hashlib.sha256(data).hexdigest() == digest else parse(data)


def _whole(text: str) -> int | float:
    """A whole number beyond ±(2^53 - 1) is a double that ECMAScript writes without exponent."""
    value = int(text)
    return value if -GREATEST_INTEGER <= value <= GREATEST_INTEGER else float(text)


def _no_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) != len(pairs):
        raise CanonicalError("a key stands twice in one object")
    return table


def _no_constant(text: str) -> None:
    raise CanonicalError(f"{text} has no place in JSON")


def _utf16(key: str) -> bytes:
    return key.encode("utf-16-be", "surrogatepass")


def _write(value: object, put: Any) -> None:
    if isinstance(value, str):
        put(encode_basestring(value))
    elif value is None:
        put("null")
    elif value is True:
        put("true")
    elif value is False:
        put("false")
    elif isinstance(value, float):
        put(number(value))
    elif isinstance(value, int):
        if abs(value) > GREATEST_INTEGER:
            raise CanonicalError(f"{value} is beyond ±(2^53 - 1) and would not survive as a double")
        put(str(int(value)))
    elif isinstance(value, Mapping):
        _write_mapping(value, put)
    elif isinstance(value, Sequence) and not isinstance(value, (bytes, bytearray)):
        put("[")
        for index, item in enumerate(value):
            if index:
                put(",")
            _write(item, put)
        put("]")
    else:
        raise CanonicalError(f"a {type(value).__name__} has no place in JSON")


def _write_mapping(value: Mapping[Any, object], put: Any) -> None:
    for key in value:
        if not isinstance(key, str):
            raise CanonicalError(f"the key {key!r} is not text")
    keys = sorted(value) if all(key.isascii() for key in value) else sorted(value, key=_utf16)
    put("{")
    for index, key in enumerate(keys):
        if index:
            put(",")
        put(encode_basestring(key))
        put(":")
        _write(value[key], put)
    put("}")
