"""A profile is read as written, or refused with file, key and reason."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchapp.torque.units import FACTORS
from drivers.checksums import CHECKSUMS
from drivers.decoding import Decoder
from drivers.errors import ProfileError
from drivers.layouts import LineReader
from drivers.profile import UNIT_NAMES, Profiles, load, parse
from drivers.samples import Source

FULL = r"""
name = "status, value, unit, checksum of REF-1"
capacity = 200.0
polarity = "anticlockwise"
filter_hz = 500
[serial]
baud = 57600
bytesize = 7
parity = "even"
stopbits = 2
handshake = "rts/cts"
dtr = false
rts = false
[line]
terminator = "\r\n"
pattern = '(?P<status>[A-Z]{2}),(?P<torque>[+-]\s*\d+[.,]\d+),(?P<unit>\S+),(?P<checksum>[0-9A-F]{2})'
decimal = ","
unit = "N·m"
rate_hz = 1000
sequence_modulus = 256
time_scale = 0.001
time_modulus = 65536
checksum = "crc16-modbus"
[units]
"Nm" = "N·m"
"FTLB" = "lbf·ft"
[status]
ok = ["OK"]
overload = ["OL"]
[commands]
identify = "ID?\r\n"
zero = "Z\r\n"
"""


def test_every_key_arrives() -> None:
    profile = parse(FULL)
    assert (profile.capacity, profile.clockwise_positive, profile.filter_hz) == (200.0, False, 500.0)
    serial = profile.serial
    assert (serial.baud, serial.bytesize, serial.parity, serial.stopbits) == (57600, 7, "E", 2)
    assert (serial.handshake, serial.dtr, serial.rts) == ("rts/cts", False, False)
    assert (profile.terminator, profile.decimal, profile.rate_hz) == (b"\r\n", ",", 1000.0)
    assert (profile.sequence_modulus, profile.time_scale, profile.time_modulus) == (256, 0.001, 65536.0)
    assert profile.checksum == "crc16-modbus"
    assert dict(profile.units) == {"Nm": "N·m", "FTLB": "lbf·ft"}
    assert (profile.ok, profile.overload) == ({"OK"}, {"OL"})
    assert dict(profile.commands) == {"identify": b"ID?\r\n", "zero": b"Z\r\n"}


def test_defaults_when_only_the_needful_is_said() -> None:
    profile = parse("name = 'x'\n[line]\npattern = '(?P<torque>.+)'")
    assert (profile.capacity, profile.clockwise_positive, profile.decimal, profile.unit) == (None, True, ".", "N·m")
    assert (profile.serial.dtr, profile.serial.rts, profile.checksum) == (True, True, "none")


@pytest.mark.parametrize(
    ("change", "key", "reason"),
    [
        (("name = ", "nmae = "), "name", "missing"),
        (("capacity = 200.0", "capacity = 0"), "capacity", "greater than 0"),
        (("capacity = 200.0", "capacity = nan"), "capacity", "number"),
        (("capacity = 200.0", "capacity = true"), "capacity", "number"),
        (('"anticlockwise"', '"left"'), "polarity", '"clockwise" or "anticlockwise", not "left"'),
        (("baud = 57600", 'baud = "fast"'), "serial.baud", "whole number"),
        (("baud = 57600", "baud = 0"), "serial.baud", "at least 1"),
        (("bytesize = 7", "bytesize = 9"), "serial.bytesize", "5 to 8"),
        (('"even"', '"evne"'), "serial.parity", "evne"),
        (("stopbits = 2", "stopbits = 3"), "serial.stopbits", "3"),
        (("dtr = false", "dtr = 0"), "serial.dtr", "true or false"),
        (("dtr = false", "dtw = false"), "serial.dtw", "no key"),
        ((r'"\r\n"', '""'), "line.terminator", "empty"),
        ((r'"\r\n"', r'"\n\n"'), "line.terminator", "overlaps itself"),
        ((r'"\r\n"', '"€"'), "line.terminator", "Latin-1"),
        (("(?P<torque>", "(?P<torqe>"), "line.pattern", "torqe"),
        (("(?P<torque>", "("), "line.pattern", "no group (?P<torque>"),
        (("(?P<torque>", "(?P<torque>("), "line.pattern", "no regular expression"),
        (('decimal = ","', 'decimal = ";"'), "line.decimal", '"." or ","'),
        (('unit = "N·m"', 'unit = "Nm"'), "line.unit", "Nm"),
        (("rate_hz = 1000", "rate_hz = -1"), "line.rate_hz", "negative"),
        (('"crc16-modbus"', '"crc17"'), "line.checksum", "crc17"),
        (('checksum = "crc16-modbus"\n', ""), "line.checksum", "missing"),
        (('"FTLB" = "lbf·ft"', '"FTLB" = "ft"'), "units.FTLB", "ft"),
        (('overload = ["OL"]', 'overload = ["OK"]'), "status.overload", "also in status.ok"),
        (('ok = ["OK"]', 'ok = "OK"'), "status.ok", "list"),
        (("[commands]", "[command]"), "command", "no key"),
        ((r'"Z\r\n"', "5"), "commands.zero", "text"),
    ],
)
def test_a_faulty_profile_is_refused_with_file_key_and_reason(
    tmp_path: Path, change: tuple[str, str], key: str, reason: str
) -> None:
    assert change[0] in FULL
    path = tmp_path / "mine.toml"
    path.write_text(FULL.replace(*change, 1), encoding="utf-8")
    with pytest.raises(ProfileError) as caught:
        load(path)
    assert caught.value.file == str(path)
    assert caught.value.key == key
    assert reason in caught.value.reason
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("content", [b"name = ", b"\xff\xfe", b"[line\n"])
def test_a_file_that_is_no_toml_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "x.toml").write_bytes(content)
    with pytest.raises(ProfileError, match=r"x\.toml"):
        load(tmp_path / "x.toml")


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="cannot be read"):
        load(tmp_path / "none.toml")


def test_at_least_four_profiles_are_built_in_and_sound() -> None:
    profiles = Profiles()
    assert profiles.problems == ()
    assert {"signed value, unit", "bare value", "time, sequence, value, unit", "status, value, unit, checksum"} <= set(
        profiles.names
    )


def test_a_users_profile_wins_and_a_faulty_one_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text("name = 'bare value'\n[line]\npattern = '=(?P<torque>.+)'", encoding="utf-8")
    (tmp_path / "b.toml").write_text("name = 'bare value'\n[line]\npattern = '#(?P<torque>.+)'", encoding="utf-8")
    (tmp_path / "c.toml").write_text("name = 'c'", encoding="utf-8")
    profiles = Profiles(tmp_path)
    assert profiles.get("bare value").pattern.pattern == "=(?P<torque>.+)"
    assert profiles.names[0] == "bare value"
    assert [(Path(error.file).name, error.key) for error in profiles.problems] == [
        ("b.toml", "name"),
        ("c.toml", "line.pattern"),
    ]
    assert profiles.get(str(tmp_path / "b.toml")).pattern.pattern == "#(?P<torque>.+)"


def test_a_profile_is_also_found_by_the_name_of_its_file() -> None:
    assert Profiles().get("bare-value").name == "bare value"


def test_an_unknown_name_tells_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match='"bare value"'):
        Profiles(tmp_path / "missing").get("none such")


def test_the_unit_names_are_those_of_the_program() -> None:
    assert set(FACTORS) == UNIT_NAMES


def test_a_checksum_that_the_profile_says_not_to_compare_is_not_compared(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(FULL.replace('"crc16-modbus"', '"none"', 1).replace('decimal = ","', 'decimal = "."'), "utf-8")
    decoder = LineReader(load(path))
    columns = decoder.read("".join(f"OK,+{k}.50{k % 10},Nm,{k:02X}\r\n" for k in range(100)).encode())
    assert len(columns) == 100
    assert decoder.refused == []


def test_a_refused_profile_that_is_asked_for_says_why_it_was_refused(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('name = "ours"\n[line]\npattern = "(?P<torque>.*)"\nbauds = 3\n', "utf-8")
    profiles = Profiles(tmp_path)
    with pytest.raises(ProfileError, match=r"mine\.toml: line\.bauds: is no key"):
        profiles.get("mine")
    with pytest.raises(ProfileError, match=r"no profile has this name; .*; refused, so not among them: mine\.toml"):
        profiles.get("ours")


def test_an_unknown_key_is_told_all_that_are_known() -> None:
    with pytest.raises(
        ProfileError, match="known: capacity, commands, filter_hz, line, name, polarity, serial, status, un"
    ):
        parse('name = "x"\nbauds = 3\n[line]\npattern = "(?P<torque>.*)"')


def test_the_profile_that_the_readme_shows_reads_what_it_says_and_every_key_is_explained() -> None:
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    section = text.partition("### A profile of your own")[2].partition("\n## ")[0]
    profile = parse(re.search(r"```toml\n(.*?)```", section, re.DOTALL)[1])
    (sent,) = re.findall(r"that sends `(.+?)`", section)
    decoder = Decoder(profile, Source.LIVE, drop_first=False)
    (block,) = decoder.feed(f"{sent}\r".encode(), 0.0)
    assert (block.torque.tolist(), block.unit, decoder.counts.n_refused) == ([12.5], "N·m", 0)
    for table, missing in (("", "name"), ("line", ""), ("serial", ""), ("status", "")):
        known = _known(table)
        assert all(f"`{key}`" in section or f"[{key}]" in section for key in known - {missing}), known
    assert all(f"`{kind}`" in section for kind in ("none", *CHECKSUMS))


def _known(table: str) -> set[str]:
    """The keys that a table may have, as the refusal of one it may not have lists them."""
    text = 'name = "x"\n' + ("" if table else "zzz = 1\n") + '[line]\npattern = "(?P<torque>.*)"\n'
    text += "zzz = 1\n" if table == "line" else f"[{table}]\nzzz = 1\n" if table else ""
    with pytest.raises(ProfileError) as caught:
        parse(text)
    return set(caught.value.reason.partition("known: ")[2].split(", "))
