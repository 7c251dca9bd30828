"""What one line means, by the contract of profiles."""

from __future__ import annotations

import math

import pytest

from drivers.checksums import CHECKSUMS
from drivers.lines import Kind, Line, LineDefinition, Number, read_number
from drivers.profile import Profile, parse

# Check values of "123456789": CRC-16/IBM-3740 and CRC-16/MODBUS of the catalogue of parametrised CRC algorithms
# (reveng), from memory; the sum of the codes 49…57 is 477 = 0x1DD, their exclusive or 0x31, by hand.
CHECK_VALUES = {"xor8": 0x31, "sum8": 0xDD, "crc16-ccitt": 0x29B1, "crc16-modbus": 0x4B37}


@pytest.mark.parametrize(("name", "value"), CHECK_VALUES.items())
def test_checksums_give_the_published_check_value(name: str, value: int) -> None:
    assert CHECKSUMS[name](b"123456789") == value
    assert set(CHECKSUMS) == set(CHECK_VALUES)


@pytest.mark.parametrize(
    ("text", "decimal", "number"),
    [
        ("+0123.45", ".", Number(12345, 2)),
        ("-  7.0", ".", Number(-70, 1)),
        ("-0,5", ",", Number(-5, 1)),
        ("12", ",", Number(12, 0)),
        (".5", ".", Number(5, 1)),
        ("5.", ".", Number(5, 0)),
        ("1e-3", ".", Number(1, 3)),
        ("1.5e2", ".", Number(150, 0)),
        ("-0.00", ".", Number(0, 2)),
        ("999999999999999999", ".", Number(10**18 - 1, 0)),
        ("1000000000000000000", ".", None),
        ("1,234.5", ".", None),
        ("1.234,5", ",", None),
        ("1.5", ",", None),
        ("1,5", ".", None),
        ("", ".", None),
        ("+", ".", None),
        (".", ".", None),
        ("nan", ".", None),
        ("inf", ".", None),
        ("1e999", ".", None),
        ("1 2", ".", None),
    ],
)
def test_numbers_are_read_to_the_digit_or_refused(text: str, decimal: str, number: Number | None) -> None:
    assert read_number(text, decimal) == number


def _profile(line: str, more: str = "") -> Profile:
    return parse(f"name = 'test'\n[line]\n{line}\n{more}")


def _meaning(profile: Profile, raw: bytes) -> tuple[Kind, Number, str]:
    line = LineDefinition(profile).read(raw)
    return line.kind, line.torque, line.unit


SIGNED = _profile(
    r"pattern = '(?P<status>[A-Z]{2})?\s*(?P<torque>[+-]?\s*[0-9.,]+|OVER)\s*(?P<unit>\S+)?|ID (?P<identity>.+)'",
    '[units]\nFTLB = "lbf·ft"\n[status]\nok = ["OK"]\noverload = ["OL", "OVER"]',
)


@pytest.mark.parametrize(
    ("raw", "meaning"),
    [
        (b"OK +1.50 N\xb7m", (Kind.SAMPLE, Number(150, 2), "N·m")),
        (b" \t OK - 1.50 FTLB\r\n", (Kind.SAMPLE, Number(-150, 2), "lbf·ft")),
        (b"OK 1.50 Nm", (Kind.NO_MATCH, Number(0, 0), "")),  # a unit that nobody named
        (b"OL 1.50 FTLB", (Kind.OVERLOAD, Number(0, 0), "")),
        (b"OK OVER FTLB", (Kind.OVERLOAD, Number(0, 0), "")),
        (b"OL", (Kind.OVERLOAD, Number(0, 0), "")),
        (b"OVER\r\n", (Kind.OVERLOAD, Number(0, 0), "")),
        (b"ER 1.50 FTLB", (Kind.NO_MATCH, Number(0, 0), "")),  # a status that is neither
        (b"OK 1.5.0 FTLB", (Kind.NO_MATCH, Number(0, 0), "")),
        (b"OK 1,5 FTLB", (Kind.NO_MATCH, Number(0, 0), "")),
        (b"", (Kind.EMPTY, Number(0, 0), "")),
        (b" \r", (Kind.EMPTY, Number(0, 0), "")),
        (b"\xff\xfe\x00", (Kind.NO_MATCH, Number(0, 0), "")),
    ],
)
def test_a_line_means_what_the_profile_says(raw: bytes, meaning: tuple[Kind, Number, str]) -> None:
    assert _meaning(SIGNED, raw) == meaning


def test_a_line_without_a_unit_has_the_profiles() -> None:
    profile = _profile("pattern = '(?P<torque>.+)'\nunit = 'kgf·cm'\ndecimal = ','")
    assert _meaning(profile, b"12,5") == (Kind.SAMPLE, Number(125, 1), "kgf·cm")


def test_an_identity_is_no_sample() -> None:
    line = LineDefinition(SIGNED).read(b"ID REF-1 200 N\xb7m")
    assert (line.kind, line.identity) == (Kind.IDENTITY, "REF-1 200 N·m")


def test_time_and_sequence_are_read() -> None:
    profile = _profile(r"pattern = '(?P<time_s>\S+) (?P<sequence>\S+) (?P<torque>\S+)'")
    definition = LineDefinition(profile)
    line = definition.read(b"1.250 17 +3.5")
    assert (line.ticks, line.sequence, line.torque) == (1.25, 17, Number(35, 1))
    for raw in (b"x 17 +3.5", b"1.25 1.7 +3.5", b"1.25 -1 +3.5"):
        assert definition.read(raw) == Line(Kind.NO_MATCH)
    assert math.isnan(definition.read(b"x").ticks)


@pytest.mark.parametrize("name", CHECKSUMS)
def test_a_wrong_checksum_is_told_apart_from_a_wrong_line(name: str) -> None:
    profile = _profile(rf"pattern = '(?P<torque>[+-]\d+\.\d+),(?P<checksum>.*)'{chr(10)}checksum = '{name}'")
    good = b"+12.50,"
    total = CHECKSUMS[name](good)
    width = 4 if name.startswith("crc16") else 2
    definition = LineDefinition(profile)
    assert definition.read(good + b"%0*X\r\n" % (width, total)).torque == Number(1250, 2)
    assert definition.read(b"  " + good + b"%0*x" % (width, total)).kind is Kind.SAMPLE
    assert definition.read(good + b"%0*X" % (width, total ^ 1)).kind is Kind.CHECKSUM
    assert definition.read(good + b"zz").kind is Kind.CHECKSUM
    assert definition.read(b"+12.5").kind is Kind.NO_MATCH
