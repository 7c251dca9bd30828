"""RFC 8785: the vectors printed in it, and a second implementation as oracle."""

from __future__ import annotations

import hashlib
import struct

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.records.canonical import CanonicalError, canonical, number, parse, parse_sealed, parse_written

# RFC 8785, Appendix B: IEEE 754 bits -> JSON. (The two rows of NaN and infinity are the errors below.)
APPENDIX_B = {
    "0000000000000000": "0",
    "8000000000000000": "0",
    "0000000000000001": "5e-324",
    "8000000000000001": "-5e-324",
    "7fefffffffffffff": "1.7976931348623157e+308",
    "ffefffffffffffff": "-1.7976931348623157e+308",
    "4340000000000000": "9007199254740992",
    "c340000000000000": "-9007199254740992",
    "4430000000000000": "295147905179352830000",
    "44b52d02c7e14af5": "9.999999999999997e+22",
    "44b52d02c7e14af6": "1e+23",
    "44b52d02c7e14af7": "1.0000000000000001e+23",
    "444b1ae4d6e2ef4e": "999999999999999700000",
    "444b1ae4d6e2ef4f": "999999999999999900000",
    "444b1ae4d6e2ef50": "1e+21",
    "3eb0c6f7a0b5ed8c": "9.999999999999997e-7",
    "3eb0c6f7a0b5ed8d": "0.000001",
    "41b3de4355555553": "333333333.3333332",
    "41b3de4355555554": "333333333.33333325",
    "41b3de4355555555": "333333333.3333333",
    "41b3de4355555556": "333333333.3333334",
    "41b3de4355555557": "333333333.33333343",
    "becbf647612f3696": "-0.0000033333333333333333",
    "43143ff3c1cb0959": "1424953923781206.2",
}


@pytest.mark.parametrize(("bits", "text"), APPENDIX_B.items())
def test_numbers_are_written_as_appendix_b_prints_them(bits, text):
    assert number(struct.unpack(">d", bytes.fromhex(bits))[0]) == text


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000"])
def test_nan_and_infinity_are_refused_as_appendix_b_says(bits):
    with pytest.raises(CanonicalError):
        number(struct.unpack(">d", bytes.fromhex(bits))[0])


def test_the_example_of_section_3_2_2_and_its_order_of_3_2_3():
    # RFC 8785 3.2.2 (input) and 3.2.3 / 3.2.4 (result).
    value = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/",
        "literals": [None, True, False],
    }
    assert canonical(value).decode() == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )


def test_keys_are_sorted_by_utf16_code_units_as_section_3_2_3_prints_them():
    value = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    assert list(parse(canonical(value)).values()) == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


@pytest.mark.parametrize("value", [2**53, -(2**53), "\ud800", {1: 2}, b"x", {"a": object()}])
def test_what_has_no_canonical_form_is_refused(value):
    with pytest.raises(CanonicalError):
        canonical(value)


@pytest.mark.parametrize("text", [b'{"a":1,"a":2}', b"[NaN]", b"{", b"\xff"])
def test_bytes_that_say_two_things_or_nothing_are_refused(text):
    with pytest.raises(CanonicalError):
        parse(text)


@pytest.mark.parametrize("data", [b"[NaN]", b"[Infinity]", b"{", b"\xff", b""])
def test_sealed_bytes_that_are_no_json_are_refused(data):
    with pytest.raises(CanonicalError):
        parse_written(data)


@pytest.mark.parametrize("written", list(APPENDIX_B.values()))
def test_numbers_of_sealed_bytes_are_read_to_the_last_bit(written):
    assert float(parse_written(f"[{written}]".encode())[0]).hex() == float(written).hex()


TEXT = st.text(st.characters(exclude_categories=("Cs",)))


def json_values(numbers):
    leaves = st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | numbers | TEXT
    return st.recursive(leaves, lambda inner: st.lists(inner) | st.dictionaries(TEXT, inner), max_leaves=20)


@settings(max_examples=300, deadline=None)
@given(json_values(st.floats(allow_nan=False, allow_infinity=False)))
def test_a_second_implementation_writes_the_same_bytes_and_they_read_back_equal(value):
    data = canonical(value)
    assert data == rfc8785.dumps(value)
    assert parse(data) == value
    assert canonical(parse(data)) == data


@settings(max_examples=300, deadline=None)
@given(json_values(st.floats(-(2.0**53) + 1, 2.0**53 - 1)))
def test_sealed_bytes_read_back_equal_the_quick_way_too(value):
    # no torque, time or count comes near 2^53; beyond it a whole double is written as digits that only `parse` minds
    assert parse_written(canonical(value)) == value


def test_sealed_bytes_that_are_no_longer_what_was_sealed_are_read_with_care():
    data = b'{"limit":4,"limit":6}'
    digest = hashlib.sha256(data).hexdigest()
    assert parse_sealed(data, digest) == {"limit": 6}  # nobody but `canonical` writes what has a seal
    with pytest.raises(CanonicalError, match="twice"):
        parse_sealed(data, hashlib.sha256(b"as it was sealed").hexdigest())
