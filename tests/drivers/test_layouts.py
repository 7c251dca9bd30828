"""The fast ways read what the slow definition reads, line by line, whatever comes."""

from __future__ import annotations

import re
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.layouts import LineReader, digits_are_alike
from drivers.lines import Kind, Line, LineDefinition
from drivers.profile import Profile, Profiles, parse

BUILT_IN = Profiles()


def _assert_same(profile: Profile, bodies: list[bytes]) -> None:
    reader, definition = LineReader(profile), LineDefinition(profile)
    for body in bodies:
        lines = [definition.read(raw) for raw in body.split(profile.terminator)[:-1]]
        _assert_plain(reader, body, lines)
        columns = reader.read(body)
        assert len(columns) == len(lines)
        for row, line in enumerate(lines):
            code = int(columns.code[row])
            assert min(code, 0) == line.kind, (row, line)
            if line.kind is Kind.SAMPLE:
                assert reader.formats[code] == (line.unit, line.torque.decimals)
                assert columns.digits[row] == line.torque.digits
            if line.kind in (Kind.SAMPLE, Kind.OVERLOAD):
                if columns.ticks is not None:
                    assert np.array_equal([columns.ticks[row]], [line.ticks], equal_nan=True)
                if columns.sequence is not None:
                    assert columns.sequence[row] == line.sequence


def _assert_plain(reader: LineReader, body: bytes, lines: list[Line]) -> int:
    """The shortest way says what the definition says, or nothing; return how many lines it took."""
    digits = reader.read_plain(body)
    if digits is None:
        return 0
    assert digits.dtype == np.int64
    assert digits.tolist() == [line.torque.digits for line in lines]
    assert {line.kind for line in lines} == {Kind.SAMPLE}
    assert {(line.unit, line.torque.decimals) for line in lines} == {reader.formats[reader.plain_code]}
    return len(digits)


ODD = parse(
    r"""
name = "odd"
[line]
terminator = ";"
pattern = '(?P<torque>[+-]?\s*\d+(?:,\d*)?)(?: (?P<unit>\S+))?'
decimal = ","
[units]
"N2" = "N·m"
"N3" = "lbf·ft"
[status]
overload = ["OL"]
"""
)
PICKY = parse(r"""
name = "tells digits apart"
[line]
terminator = "\n"
pattern = '(?P<torque>[+-]\s*[0-4]+\.\d+)'
""")
CROWDED = parse(r"""
name = "comma decimals between commas"
[line]
terminator = ";"
pattern = '(?P<sequence>\d+)=(?P<torque>[+-]?\s*\d+(?:,\d+)?)(?:,(?P<time_s>\d+))?'
decimal = ","
""")
PROFILES = [*(BUILT_IN.get(name) for name in BUILT_IN.names), ODD, PICKY, CROWDED]

_number = st.builds(
    lambda sign, blank, whole, fraction, point: sign + blank + whole + (point + fraction if fraction else ""),
    st.sampled_from(["+", "-", ""]),
    st.sampled_from(["", " ", "  "]),
    st.text("0123456789", min_size=1, max_size=9),
    st.text("0123456789", max_size=10),
    st.sampled_from([".", ","]),
)
_line = st.one_of(
    st.builds(
        lambda n, gap, unit: f"{n}{gap}{unit}",
        _number,
        st.sampled_from([" ", ""]),
        st.sampled_from(["Nm", "lbft", "N2", "N3", "N4"]),
    ),
    _number,
    st.builds(lambda t, s, n: f"{t:.3f},{s:05d},{n},Nm", st.floats(0, 99), st.integers(0, 65535), _number),
    st.builds(lambda s, n, t: f"{s}={n},{t}", st.integers(0, 99), _number, st.integers(0, 999)),
    st.builds(lambda n: _summed(f"OK,{n},Nm,"), _number),
    st.builds(lambda t, n: f"{t:.4f},{n}", st.floats(-9, 9), _number),
    st.sampled_from(
        ["OL", "", " ", "junk", "1.234,00012,OL,Nm", "0.1,1,OL,Nm", "OL,+1.5,Nm,00", "ID,REF-1", "ID REF-1"]
    ),
    st.text(max_size=12),
)


def _summed(text: str) -> str:
    total = 0
    for byte in text.encode("latin-1"):
        total ^= byte
    return f"{text}{total:02X}"


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(PROFILES),
    st.lists(st.tuples(_line, st.integers(1, 400)), min_size=1, max_size=12),
    st.integers(0, 2**32),
)
def test_fast_reading_is_the_slow_definition(profile: Profile, parts: list[tuple[str, int]], seed: int) -> None:
    random = Random(seed)
    terminator = profile.terminator
    lines: list[bytes] = []
    for text, n in parts:
        raw = text.encode("latin-1", "replace")
        for _ in range(n):  # neighbours of one shape: other digits, now and then a damaged byte
            varied = bytearray(random.choice(b"0123456789") if byte in b"0123456789" else byte for byte in raw)
            if varied and random.random() < 0.02:
                varied[random.randrange(len(varied))] = random.randrange(256)
            lines.append(bytes(varied).replace(terminator, b""))
    if random.random() < 0.5:
        random.shuffle(lines)
    body = terminator.join([*lines, b""])
    few = terminator.join([*lines[:20], b""])
    _assert_same(profile, [few, body, few])


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(PROFILES), st.binary(max_size=6000))
def test_noise_is_read_like_the_slow_definition(profile: Profile, noise: bytes) -> None:
    _assert_same(profile, [noise + profile.terminator])


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from([BUILT_IN.get("signed value, unit"), BUILT_IN.get("bare value"), ODD, CROWDED]),
    st.sampled_from(["+0123.45 Nm", "- 12,5 N2", "12.50", "+1 lbft", "3=+1,5", "5", "0.", "-.5 Nm", "+1.2 N.m"]),
    st.integers(1, 80),
    st.integers(0, 2**32),
)
def test_a_few_plain_lines_with_a_damaged_byte_are_never_misread(
    profile: Profile, text: str, n: int, seed: int
) -> None:
    random = Random(seed)
    line, definition = text.encode() + profile.terminator, LineDefinition(profile)
    reader = LineReader(profile)
    reader.read(line)
    for damage in (0, 0, 1, 1, 2):
        body = bytearray(bytes(random.choice(b"0123456789") if byte in b"0123456789" else byte for byte in line * n))
        for _ in range(damage):
            at = random.randrange(len(body) - len(profile.terminator))
            body[at] = random.choice([random.randrange(256), *b"+-0 .,_\r\n;"])
        raw = bytes(body)
        _assert_plain(reader, raw, [definition.read(part) for part in raw.split(profile.terminator)[:-1]])


@pytest.mark.parametrize("raw", [b"+0123.45 Nm\r\n", b"-1.5 lbft\r\n", b"- 12345678.901234567 Nm\r\n"])
def test_every_byte_in_every_place_of_many_lines_is_looked_at(raw: bytes) -> None:
    """Many lines are read eight bytes at a time: a byte that is wrong must not hide behind its neighbours."""
    changed = [raw[:at] + bytes([byte]) + raw[at + 1 :] for at in range(len(raw) - 2) for byte in range(256)]
    _assert_same(BUILT_IN.get("signed value, unit"), [raw * 400 + b"".join(changed)])


@pytest.mark.parametrize("raw", [b"+1.5\r\n", b"+0123.45\r\n"])
def test_many_lines_are_not_read_one_by_one(raw: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """Short ones too: what follows within their only word, damage for one, is not theirs."""
    profile = BUILT_IN.get("bare value")
    asked: list[bytes] = []
    read = LineDefinition.read
    monkeypatch.setattr(LineDefinition, "read", lambda self, line: (asked.append(line), read(self, line))[1])
    columns = LineReader(profile).read((raw * 30 + b"\xff\xff\xff\r\n") * 60)
    assert len(columns) == 1860
    assert sum(line == raw[:-2] for line in asked) <= 2


def test_the_line_of_the_profile_that_is_used_most_goes_the_shortest_way() -> None:
    reader = LineReader(BUILT_IN.get("signed value, unit"))
    for n in (1, 2, 7, 64, 65, 300):
        body = b"".join(b"%+08.2f Nm\r\n" % (i - 3.25) for i in range(n))
        reader.read(b"+0000.00 Nm\r\n")
        digits = reader.read_plain(body)
        assert digits is not None
        assert digits.tolist() == [100 * i - 325 for i in range(n)]
    assert reader.read_plain(b"+0000.00 cNm\r\n") is None
    reader.read(b"+0000.00 cNm\r\n")  # what came last is expected next
    assert reader.read_plain(b"-0000.07 cNm\r\n") == [-7]
    assert reader.formats[reader.plain_code] == ("cN·m", 2)


@pytest.mark.parametrize(
    ("pattern", "alike"),
    [
        (r"[+-]?\s*\d+\.\d+", True),
        (r"(?P<a>[0-9A-F]{2}),\S+", True),
        (r"(?:a|b)*[^,]+\w\W.", True),
        (r"[^\s,]+", True),
        (r"[0-4]\d", False),
        (r"\d7", False),
        (r"[^3]", False),
        (r"(\d)\1", False),
        (r"(?=.*5)\d+", False),
        (r"\+?\d+", False),
        (r"[+]\d", False),
        (r"[5-9a-f]", False),
    ],
)
def test_a_pattern_that_tells_digits_apart_is_known(pattern: str, alike: bool) -> None:
    assert digits_are_alike(re.compile(pattern)) is alike


def test_a_token_with_digits_keeps_its_meaning() -> None:
    profile = parse(r"""
name = "digits as overload"
[line]
terminator = "\n"
pattern = '(?P<torque>[+-]\d+\.\d+)'
[status]
overload = ["+999.99"]
""")
    _assert_same(profile, [b"+123.45\n+999.99\n" * 5, b"+123.45\n" * 3000 + b"+999.99\n" * 3])


def test_the_first_refused_lines_are_kept_for_the_log() -> None:
    reader = LineReader(BUILT_IN.get("bare value"))
    reader.read(b"1.0\r\nx\xff\r\n" * 20)
    assert reader.refused == [(Kind.NO_MATCH, b"x\xff\r\n")] * 5


def test_noise_does_not_fill_the_memory() -> None:
    reader = LineReader(BUILT_IN.get("signed value, unit"))
    units = [bytes([65 + i % 26, 65 + i // 26 % 26]) for i in range(600)]
    reader.read(b"".join(b"+1.0 %s\r\n" % unit for unit in units))
    assert sum(len(layouts) for layouts in reader._layouts.values()) <= 24
