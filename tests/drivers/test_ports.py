"""The profile is found by listening; ports are listed with what is known of them."""

from __future__ import annotations

import os
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from drivers import Profiles, find_profile, list_ports
from drivers.ports import _has_baud, why_none_fits
from drivers.transport import OpenError

PROFILES = Profiles()


def _summed(line: bytes) -> bytes:
    total = 0
    for byte in line:
        total ^= byte
    return line + b"%02X" % total


TALKERS: dict[str, Callable[[int], bytes]] = {
    "signed value, unit": lambda i: b"%+08.2f Nm" % (i / 7),
    "bare value": lambda i: b"%.2f" % (i / 7),
    "time, sequence, value, unit": lambda i: b"%.3f,%05d,%+.2f,Nm" % (i / 500, i, i / 7),
    "status, value, unit, checksum": lambda i: _summed(b"OK,%+08.3f,Nm," % (i / 7)),
}


@pytest.fixture
def _any_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pty is taken for what many USB ports are: set to a rate that means nothing."""
    monkeypatch.setattr("drivers.ports._has_baud", lambda kind, place: True)


@pytest.mark.usefixtures("_any_rate")
@pytest.mark.parametrize("name", TALKERS)
def test_a_port_that_is_the_same_at_every_rate_is_found_at_the_profiles_own(name: str) -> None:
    listened(name)


@pytest.mark.parametrize("name", TALKERS)
def test_the_profile_is_found_by_listening(name: str) -> None:
    listened(name)


def test_a_link_to_a_pseudo_terminal_has_no_rate_either(tmp_path: Path) -> None:
    master, slave = os.openpty()
    (tmp_path / "port").symlink_to(os.ttyname(slave))
    assert not _has_baud("port", str(tmp_path / "port"))
    assert _has_baud("port", "/dev/ttyUSB0")
    os.close(master)
    os.close(slave)


def listened(name: str) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    quiet = threading.Event()

    def talk() -> None:
        i = 0
        while not quiet.wait(0.002):
            i += 1
            os.write(master, TALKERS[name](i) + b"\r\n")

    talker = threading.Thread(target=talk)
    talker.start()
    try:
        begin_s = time.monotonic()
        found = find_profile(os.ttyname(slave), PROFILES, 60.0)
        assert found[0].profile.name == name
        assert found[0].profile.serial == PROFILES.get(name).serial
        assert found[0].score > 0.9
        assert time.monotonic() - begin_s < 50  # enough lines end it early, also on a machine that hardly gets to it
    finally:
        quiet.set()
        talker.join()
        os.close(master)
        os.close(slave)


@pytest.mark.parametrize(
    ("sent", "why"),
    [
        (b"", "Nothing came. Switch the transducer on"),
        (b"hello 12\r\n" * 20, "Lines came that no profile describes, such as 'hello 12'. Write a profile"),
        (bytes(range(128, 256)) * 4, "What came is no text, as with a baud rate that no profile has."),
        (b"0123456789" * 40, "Text came, but no line of it ended; it begins with '0123456789"),
    ],
)
def test_what_does_not_fit_is_told_for_what_it_is(sent: bytes, why: str) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    quiet = threading.Event()

    def talk() -> None:
        while not quiet.wait(0.02):
            os.write(master, sent)

    talker = threading.Thread(target=talk)
    if sent:
        talker.start()
    heard: list[bytes] = []
    try:
        assert find_profile(os.ttyname(slave), PROFILES, 0.5, heard=heard) == []
    finally:
        quiet.set()
        if sent:
            talker.join()
        os.close(master)
        os.close(slave)
    assert why_none_fits(heard).startswith(why)


def test_a_port_that_cannot_be_opened_says_why() -> None:
    with pytest.raises(OpenError, match="no such port"):
        find_profile("/dev/ttyOCF9", PROFILES, 0.1)


def test_ports_are_told_with_what_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    def port(device: str, **known: object) -> SimpleNamespace:
        facts = {"description": "n/a", "vid": None, "pid": None, "serial_number": None, "location": None}
        return SimpleNamespace(device=device, **(facts | known))

    monkeypatch.setattr("drivers.ports._has_hardware", lambda device: device != "/dev/ttyS1")
    monkeypatch.setattr("drivers.ports._ports_in_use", lambda: {"/dev/ttyUSB0"})
    monkeypatch.setattr(
        "serial.tools.list_ports.comports",
        lambda: [
            port("/dev/ttyS0"),
            port("/dev/ttyS1"),
            port("/dev/ttyUSB0", description="REF-1", vid=0x1209, pid=1, serial_number="A1", location="1-2"),
        ],
    )
    ports = list_ports()
    assert [known.url for known in ports] == ["/dev/ttyUSB0", "/dev/ttyS0"]
    assert (ports[0].usb_vendor, ports[0].serial_number, ports[0].busy) == (0x1209, "A1", True)
    assert (ports[1].description, ports[1].busy) == ("", False)
