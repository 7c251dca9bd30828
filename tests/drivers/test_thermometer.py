"""A thermometer on a real pty: values, nonsense, a pulled plug, degrees Fahrenheit, no value older than it may be."""

from __future__ import annotations

import os
import socket
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers.errors import ProfileError, UrlError
from drivers.status import LinkState
from drivers.thermometer import (
    STALE_S,
    Air,
    Thermometer,
    ThermometerProfile,
    ThermometerProfiles,
    celsius_of,
    parse,
    read_line,
)

PROFILES = ThermometerProfiles()
PLAIN = PROFILES.get("temperature, unit")
HUMID = PROFILES.get("temperature, humidity, comma-separated")


def wait_for(condition: Callable[[], object], limit_s: float = 60.0) -> None:
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.005)


class Pty:
    """The device's end; can be pulled out and plugged in again under the same name."""

    def __init__(self, folder: Path) -> None:
        self.name = str(folder / "ttyOCF1")
        self.master = -1
        self.plug()

    def plug(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        os.symlink(os.ttyname(slave), self.name)
        os.close(slave)

    def pull(self) -> None:
        os.unlink(self.name)
        os.close(self.master)
        self.master = -1

    def write(self, data: bytes) -> None:
        assert os.write(self.master, data) == len(data)


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    pty = Pty(tmp_path)
    yield pty
    if pty.master >= 0:
        os.close(pty.master)


class Clock:
    """Time that the test turns on."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def opened() -> Iterator[Callable[..., Thermometer]]:
    made: list[Thermometer] = []

    def open_it(url: str, profile: ThermometerProfile = PLAIN, **more: object) -> Thermometer:
        made.append(Thermometer(url, profile, **more))  # type: ignore[arg-type]
        made[-1].start()
        return made[-1]

    yield open_it
    for each in made:
        each.stop()
        assert not each._thread.is_alive()


def listening(thermometer: Thermometer) -> None:
    wait_for(lambda: thermometer._transport is not None)


def test_values_come_from_the_line_and_the_first_that_may_be_cut_is_not_one(pty: Pty, opened) -> None:
    thermometer = opened(pty.name)
    assert thermometer.air() is None
    listening(thermometer)
    pty.write(b"1.5 C\r\n")  # the rest of "21.5 C"
    pty.write(b"21.6 C\r\n21.")
    wait_for(thermometer.air)
    assert thermometer.air() == Air(21.6, None)
    pty.write(b"7 C\r\n")
    wait_for(lambda: thermometer.air() == Air(21.7))
    status = thermometer.status()
    assert (status.state, status.n_lines, status.n_refused) == (LinkState.STREAMING, 2, 0)
    assert status.age_s < 8.0


def test_humidity_comes_where_the_device_sends_it(pty: Pty, opened) -> None:
    thermometer = opened(pty.name, HUMID)
    listening(thermometer)
    pty.write(b"x\r\n21.5,48.2\r\n")
    wait_for(thermometer.air)
    assert thermometer.air() == Air(21.5, 48.2)


def test_nonsense_is_counted_and_is_never_a_value(pty: Pty, opened) -> None:
    thermometer = opened(pty.name, HUMID)
    listening(thermometer)
    pty.write(b"x\r\n\xff\x00\xfe\r\n21.5\r\n999.9,50.0\r\n21.5,140\r\n21.5;48\r\n" + b"7" * 6000 + b"\r\nERR\r\n")
    wait_for(lambda: thermometer.status().n_refused == 6)
    assert thermometer.air() is None
    assert thermometer.status().air is None
    pty.write(b"-3.5,12\r\n")
    wait_for(thermometer.air)
    assert thermometer.air() == Air(-3.5, 12.0)


def test_it_comes_back_after_the_plug_was_pulled(pty: Pty, opened) -> None:
    thermometer = opened(pty.name)
    listening(thermometer)
    pty.write(b"x\r\n20.0 C\r\n")
    wait_for(thermometer.air)
    pty.pull()
    wait_for(lambda: thermometer.status().state is LinkState.LOST)
    assert "comes back by itself" in thermometer.status().reason or "no such port" in thermometer.status().reason
    pty.plug()
    wait_for(lambda: thermometer.status().n_reconnects == 1)
    listening(thermometer)
    pty.write(b"1.0 C\r\n23.0 C\r\n")
    wait_for(lambda: thermometer.air() == Air(23.0))
    assert thermometer.status().state is LinkState.STREAMING


def test_a_stale_value_is_shown_with_its_age_and_not_used(pty: Pty, opened) -> None:
    clock = Clock()
    thermometer = opened(pty.name, clock=clock)
    listening(thermometer)
    pty.write(b"x\r\n20.0 C\r\n")
    wait_for(thermometer.air)
    clock.now_s += STALE_S - 0.1
    assert thermometer.air() == Air(20.0)
    clock.now_s += 0.2
    assert thermometer.air() is None
    status = thermometer.status()
    assert (status.state, status.air) == (LinkState.SILENT, Air(20.0))
    assert status.age_s == pytest.approx(STALE_S + 0.1)
    assert "no line came for 30 s" in status.reason
    pty.write(b"20.5 C\r\n")
    wait_for(lambda: thermometer.air() == Air(20.5))
    assert thermometer.status().state is LinkState.STREAMING


def test_a_port_that_is_not_there_is_told_and_taken_up_when_it_comes(tmp_path: Path, opened) -> None:
    thermometer = opened(str(tmp_path / "ttyOCF1"))
    wait_for(lambda: thermometer.status().state is LinkState.REFUSED)
    assert "there is no such port" in thermometer.status().reason
    pty = Pty(tmp_path)
    listening(thermometer)
    pty.write(b"x\r\n20.0 C\r\n")
    wait_for(thermometer.air)
    os.close(pty.master)


def test_a_socket_will_do_and_a_recording_will_not(opened) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        thermometer = opened(f"socket://127.0.0.1:{server.getsockname()[1]}", HUMID)
        other, _ = server.accept()
        with other:
            other.sendall(b"x\r\n19.0, 40 %\r\n")
            wait_for(thermometer.air)
            assert thermometer.air() == Air(19.0, 40.0)
    with pytest.raises(UrlError, match="not from a recording"):
        Thermometer("replay:air.csv", PLAIN)


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"),
    # NIST SP 811 (2008), B.8: t/°C = (t/°F − 32)/1.8. The points are water's: it freezes at 32 °F and boils at 212 °F
    # by the scale's making; −40 is where both scales meet; 68 °F = 20 °C is the reference temperature of ISO 1.
    [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (68.0, 20.0), (98.6, 37.0)],
)
def test_degrees_fahrenheit_are_converted_as_nist_sp_811_says(fahrenheit: float, celsius: float) -> None:
    assert celsius_of(fahrenheit, "°F") == pytest.approx(celsius, abs=1e-12)
    assert celsius_of(celsius, "°C") == celsius


@pytest.mark.parametrize(
    "line", [b"68.0 F", b"68 \xb0F", "68.0 °F".encode(), b"68degF", b" 68.0f ", b"20 C", "20.0°C".encode(), b"20.0"]
)
def test_the_unit_in_the_line_wins(line: bytes) -> None:
    air = read_line(PLAIN, line)
    assert air is not None
    assert air.celsius == pytest.approx(20.0, abs=1e-12)


def test_without_a_unit_in_the_line_the_profiles_counts_and_so_does_its_decimal_sign() -> None:
    text = 'name = "x"\n[line]\nterminator = "\\n"\npattern = "T=(?P<temperature>.*)"\ndecimal = ","\nunit = "°F"'
    profile = parse(text)
    assert read_line(profile, b"T=68,0\r") == Air(20.0)
    assert read_line(profile, b"T=68.0") is None
    assert read_line(profile, b"T=nan") is None
    assert read_line(profile, b"T=6_8") is None


@pytest.mark.parametrize(
    ("text", "key", "reason"),
    [
        ("name = ", "", "is not TOML"),
        ('[line]\npattern = "(?P<temperature>.*)"', "name", "is missing"),
        ('name = "x"\n[line]\n', "line.pattern", "is missing"),
        ('name = "x"\n[line]\npattern = "("', "line.pattern", "no regular expression"),
        ('name = "x"\n[line]\npattern = "(?P<torque>.*)"', "line.pattern", "has a group 'torque'"),
        ('name = "x"\n[line]\npattern = "(?P<humidity>.*)"', "line.pattern", "has no group"),
        ('name = "x"\n[line]\npattern = "(?P<temperature>.*)"\nunit = "K"', "line.unit", 'must be "°C" or "°F"'),
        ('name = "x"\n[line]\npattern = "(?P<temperature>.*)"\ndecimal = ";"', "line.decimal", "must be"),
        ('name = "x"\n[line]\npattern = "(?P<temperature>.*)"\nterminator = ""', "line.terminator", "is empty"),
        ('name = "x"\n[line]\npattern = "(?P<temperature>.*)"\nrate = 1', "line.rate", "is no key"),
        ('name = "x"\n[serial]\nbaud = 0\n[line]\npattern = "(?P<temperature>.*)"', "serial.baud", "at least 1"),
    ],
)
def test_a_faulty_profile_is_refused_with_file_key_and_reason(text: str, key: str, reason: str) -> None:
    with pytest.raises(ProfileError) as raised:
        parse(text, "air.toml")
    assert (raised.value.file, raised.value.key) == ("air.toml", key)
    assert reason in raised.value.reason


def test_the_users_own_take_their_place_and_faulty_ones_are_told(tmp_path: Path) -> None:
    good = 'name = "{}"\n[line]\npattern = "(?P<temperature>.*)"\nunit = "°F"'
    (tmp_path / "a.toml").write_text(good.format("temperature, unit"), encoding="utf-8")
    (tmp_path / "b.toml").write_text("name = 1", encoding="utf-8")
    (tmp_path / "c.toml").write_text(good.format("temperature, unit"), encoding="utf-8")
    profiles = ThermometerProfiles(tmp_path)
    assert profiles.get("temperature, unit").unit == "°F"
    assert [(Path(p.file).name, p.key) for p in profiles.problems] == [("b.toml", "name"), ("c.toml", "name")]
    assert set(profiles.names) == {PLAIN.name, HUMID.name}
    with pytest.raises(ProfileError, match="no thermometer has this name"):
        profiles.get("what")
