"""Real ptys and TCP sockets: a link survives what lines do, and says in a sentence how it is doing."""

from __future__ import annotations

import os
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import serial

from drivers import Link, Profiles
from drivers import link as link_module
from drivers.errors import RecordingError, UrlError
from drivers.profile import Profile, parse
from drivers.recording import read_recording
from drivers.samples import SampleBlock, Source
from drivers.status import CaptureStatus, LinkState, LinkStatus
from drivers.transport import PlainSerialTransport, why_not

PROFILES = Profiles()
SIGNED = PROFILES.get("signed value, unit")
COUNTED = PROFILES.get("time, sequence, value, unit")


def wait_for(condition: Callable[[], object], limit_s: float = 60.0) -> None:
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.005)


class Heard:
    """Collects what a link says."""

    def __init__(self) -> None:
        self.blocks: list[SampleBlock] = []
        self.statuses: list[LinkStatus] = []
        self.threads: set[str] = set()
        self.order: list[int | str] = []  # how often it was reconnected, and samples

    def block(self, block: SampleBlock) -> None:
        self.blocks.append(block)
        self.order += [str(value) for value in block.torque.tolist()]
        self.threads.add(threading.current_thread().name)

    def status(self, status: LinkStatus) -> None:
        self.statuses.append(status)
        self.order.append(status.n_reconnects)

    @property
    def torque(self) -> list[float]:
        return [value for block in self.blocks for value in block.torque.tolist()]

    @property
    def t_s(self) -> list[float]:
        return [value for block in self.blocks for value in block.t_s.tolist()]

    def states(self) -> list[LinkState]:
        states: list[LinkState] = []
        for status in self.statuses:
            if not states or states[-1] is not status.state:
                states.append(status.state)
        return states


class Pty:
    """The device's end of a pseudo terminal, which can be pulled out and, under a name of its own, plugged in again."""

    def __init__(self, folder: Path) -> None:
        self.name = str(folder / "ttyOCF0")
        self.master = -1
        self.plug()

    def plug(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        target = os.ttyname(slave)
        os.close(slave)
        with suppress(FileNotFoundError):
            os.unlink(self.name)
        os.symlink(target, self.name)

    def pull(self) -> None:
        os.unlink(self.name)
        os.close(self.master)
        self.master = -1

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data) :]

    def close(self) -> None:
        if self.master >= 0:
            os.close(self.master)


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    pty = Pty(tmp_path)
    yield pty
    pty.close()


@pytest.fixture
def heard() -> Heard:
    return Heard()


@pytest.fixture
def opened(heard: Heard) -> Iterator[Callable[..., Link]]:
    links: list[Link] = []

    def open_link(url: str, profile: Profile | None = SIGNED, **more: object) -> Link:
        link = Link(url, profile, heard.block, heard.status, **more)
        links.append(link)
        link.start()
        return link

    yield open_link
    for link in links:
        link.stop()


def _streaming(link: Link, pty: Pty) -> None:
    wait_for(lambda: link.status().state is not LinkState.CLOSED and link._transport is not None)
    pty.write(b"cut\r\n+0000.00 Nm\r\n")
    wait_for(lambda: link.status().state is LinkState.STREAMING)


# --- the good way -----------------------------------------------------------------------------------------------------


def test_lines_become_samples_and_the_first_is_not_trusted(pty: Pty, heard: Heard, opened) -> None:
    link = opened(pty.name)
    wait_for(lambda: link._transport)
    pty.write(b"9.99 Nm\r\n+0001.50 Nm\r\n- 002.25 Nm\r\n+0003.0 lbft\r\nOL\r\n")
    wait_for(lambda: link.status().n_overloads)
    assert heard.torque == [1.5, -2.25, 3.0]
    assert [(block.unit, block.decimals) for block in heard.blocks if len(block)] == [("N·m", 2), ("lbf·ft", 1)]
    assert sum(len(block.overload_t_s) for block in heard.blocks) == 1
    status = link.status()
    assert (status.state, status.source, status.profile) == (LinkState.STREAMING, Source.LIVE, SIGNED.name)
    assert (status.n_lines, status.n_refused, status.reason) == (4, 0, "")
    assert status.has_zero_command
    assert len(heard.threads) == 1
    assert abs(heard.blocks[-1].arrival_s - time.monotonic()) < 5
    link.stop()
    link.stop()
    assert heard.states() == [LinkState.OPENING, LinkState.STREAMING, LinkState.CLOSED]


def test_a_thousand_lines_arrive_whole_with_running_numbers(pty: Pty, heard: Heard, opened) -> None:
    link = opened(pty.name, COUNTED)
    wait_for(lambda: link._transport)
    lines = [b"%.3f,%05d,%+07.2f,Nm\r\n" % (i / 1000, (65000 + i) % 65536, i / 8) for i in range(3001)]
    data = b"".join(lines)
    for at in range(0, len(data), 777):
        pty.write(data[at : at + 777])
    wait_for(lambda: len(heard.torque) >= 3000)
    assert heard.torque == [float(b"%.2f" % (i / 8)) for i in range(1, 3001)]
    assert np.allclose(heard.t_s, np.arange(3000) / 1000)
    indices = [block.first_index for block in heard.blocks]
    assert indices == np.cumsum([0, *(len(block) for block in heard.blocks[:-1])]).tolist()
    wait_for(lambda: link.status().rate_hz)
    assert link.status().rate_hz == pytest.approx(1000, rel=0.01)


def test_the_device_is_asked_who_it_is_and_commands_reach_it(pty: Pty, heard: Heard, opened) -> None:
    link = opened(pty.name)
    assert not link.send("none such")
    wait_for(lambda: link._transport)
    assert os.read(pty.master, 100) == b"ID?\r\n"
    pty.write(b"cut\r\nID REF-1\r\n+0001.00 Nm\r\n")
    wait_for(lambda: link.status().identity)
    assert (link.status().identity, link.status().identity_from) == ("REF-1", "reply")
    assert link.send("zero")
    assert os.read(pty.master, 100) == b"Z\r\n"


def test_a_device_whose_first_answer_was_not_trusted_is_asked_again_until_it_answers(
    pty: Pty, opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drivers.link._ASK_S", (0.0, 0.2, 0.4, 0.6))
    link = opened(pty.name)
    wait_for(lambda: link._transport)
    asked = b""
    answers = iter((b"ID REF-1\r\n+0001.00 Nm\r\n", b"ID REF-1\r\n"))
    deadline = time.monotonic() + 60
    while not link.status().identity:
        assert time.monotonic() < deadline
        if select.select([pty.master], [], [], 0.05)[0]:
            asked += os.read(pty.master, 100)
            pty.write(next(answers))
    assert (link.status().identity, asked) == ("REF-1", b"ID?\r\n" * 2)
    deadline = time.monotonic() + 1.0
    while time.monotonic() < deadline:  # once it has answered it is left alone
        pty.write(b"+0001.00 Nm\r\n")
        assert not select.select([pty.master], [], [], 0.05)[0]


def test_a_source_is_told_by_the_url_or_the_composition(pty: Pty, heard: Heard, opened) -> None:
    link = opened(pty.name + "?source=simulated")
    _streaming(link, pty)
    assert heard.blocks[0].source is Source.SIMULATED
    assert link.status().source is Source.SIMULATED
    assert Link("socket://h:1", SIGNED, print, print, source=Source.SIMULATED).status().source is Source.SIMULATED


# --- the line goes away -----------------------------------------------------------------------------------------------


def test_unplugged_and_plugged_again_it_comes_back_by_itself(pty: Pty, heard: Heard, opened) -> None:
    link = opened(pty.name)
    _streaming(link, pty)
    pty.write(b"+0001.00 Nm\r\n+0002")
    wait_for(lambda: 1.0 in heard.torque)
    pty.pull()
    wait_for(lambda: link.status().state is LinkState.LOST)
    assert "connection was lost" in link.status().reason
    before_s = heard.t_s[-1]
    time.sleep(0.3)
    pty.plug()
    wait_for(lambda: link._transport is not None)
    assert os.read(pty.master, 100) == b"ID?\r\n"
    pty.write(b".50 Nm\r\nID REF-2\r\n+0005.00 Nm\r\n+0006.00 Nm\r\n")
    wait_for(lambda: 6.0 in heard.torque)
    wait_for(lambda: link.status().state is LinkState.STREAMING)
    assert heard.torque == [0.0, 1.0, 5.0, 6.0]
    assert (np.diff(heard.t_s) > 0).all()
    gaps = [gap for block in heard.blocks for gap in block.gaps]  # a starved machine may make one before that is true
    assert [gap.start_s >= before_s - 1e-9 for gap in gaps].count(True) == 1
    assert gaps[-1].start_s == pytest.approx(before_s)
    assert 0.3 < gaps[-1].duration_s < 60
    status = link.status()
    assert (status.n_reconnects, status.n_gaps, status.identity) == (1, len(gaps), "REF-2")
    # that it is another connection is told before the first sample that comes over it
    assert heard.order.index(1) < heard.order.index("5.0")


def test_a_missing_port_is_named_and_taken_when_it_comes(pty: Pty, heard: Heard, opened) -> None:
    pty.pull()
    link = opened(pty.name)
    wait_for(lambda: link.status().state is LinkState.REFUSED)
    assert "there is no such port" in link.status().reason
    pty.plug()
    _streaming(link, pty)
    assert link.status().n_reconnects == 0


def test_a_tcp_server_that_goes_and_comes(heard: Heard, opened) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        link = opened(f"socket://127.0.0.1:{port}")
        with server.accept()[0] as first:
            first.sendall(b"cut\r\n+0001.00 Nm\r\n")
            wait_for(lambda: heard.torque == [1.0])
        wait_for(lambda: link.status().state is LinkState.LOST)
        with server.accept()[0] as second:
            second.sendall(b"cut\r\n+0002.00 Nm\r\n")
            wait_for(lambda: heard.torque == [1.0, 2.0])
            wait_for(lambda: link.status().state is LinkState.STREAMING)
    wait_for(lambda: link.status().state is LinkState.LOST)
    wait_for(lambda: "no connection" in link.status().reason)


# --- what cannot be opened --------------------------------------------------------------------------------------------


def test_a_port_is_opened_exclusively(pty: Pty, heard: Heard, opened) -> None:
    first = opened(pty.name)
    _streaming(first, pty)
    second = Link(pty.name, SIGNED, lambda block: None, lambda status: None)
    second.start()
    wait_for(lambda: second.status().state is LinkState.REFUSED)
    assert "another program has the port open" in second.status().reason
    assert first.status().state is LinkState.STREAMING
    first.stop()
    wait_for(lambda: second._transport)
    second.stop()


def test_another_program_cannot_take_the_port(pty: Pty, heard: Heard, opened) -> None:
    _streaming(opened(pty.name), pty)
    with pytest.raises(OSError, match=r"lock|busy"):  # root passes the exclusive mode and meets the lock only
        serial.Serial(pty.name, exclusive=True)


def test_a_file_is_no_port(tmp_path: Path, heard: Heard, opened) -> None:
    (tmp_path / "file").write_text("+1.0 Nm\r\n")
    link = opened(str(tmp_path / "file"))
    wait_for(lambda: link.status().state is LinkState.REFUSED)
    assert "not a serial port" in link.status().reason


def test_no_permission_names_the_group_to_join(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch(mode=0o660)
    device.chmod(0o660)
    import grp

    group = grp.getgrgid(device.stat().st_gid).gr_name
    reason = why_not(str(device), PermissionError(13, "Permission denied"))
    if "another program" in reason:
        pytest.fail(reason)
    assert f"Join the group '{group}'" in reason
    device.chmod(0o600)
    assert "Ask whoever" in why_not(str(device), PermissionError(13, "Permission denied"))


@pytest.mark.parametrize(
    ("url", "part"),
    [
        ("socket://host", "socket://HOST:PORT"),
        ("socket://:5000", "socket://HOST:PORT"),
        ("socket://h:99999", "socket://HOST:PORT"),
        ("tcp://h:1", "port name"),
        ("", "no port"),
        ("replay:", "no file"),
        ("COM5?speed=fast", "0.1 to 20"),
        ("replay:x.csv?speed=50", "0.1 to 20"),
        ("COM5?source=imported", "live, simulated"),
        ("COM5?sped=2", "'sped'"),
    ],
)
def test_a_url_that_makes_no_sense_is_refused(url: str, part: str) -> None:
    with pytest.raises(UrlError, match=part):
        Link(url, SIGNED, print, print)


def test_a_port_needs_a_profile() -> None:
    with pytest.raises(ValueError, match="needs a profile"):
        Link("COM5", None, print, print)


# --- what comes makes no sense ----------------------------------------------------------------------------------------


def test_silence_is_told_and_ends(pty: Pty, heard: Heard, opened) -> None:
    link = opened(pty.name)
    wait_for(lambda: link.status().state is LinkState.SILENT)
    assert "no line yet" in link.status().reason
    _streaming(link, pty)
    wait_for(lambda: link.status().state is LinkState.SILENT)
    assert "no more lines" in link.status().reason


def _flood(pty: Pty, link: Link, data: bytes) -> None:
    wait_for(lambda: link._transport)
    deadline = time.monotonic() + 60
    while link.status().state is not LinkState.REFUSED and time.monotonic() < deadline:
        pty.write(data)
        time.sleep(0.02)


def test_garbage_points_to_the_baud_rate(pty: Pty, heard: Heard, opened) -> None:
    link = opened(pty.name)
    _flood(pty, link, bytes(np.random.default_rng(5).integers(128, 256, 200, dtype=np.uint8)))
    assert link.status().state is LinkState.REFUSED
    assert "wrong baud rate (now 115200)" in link.status().reason
    pty.write(b"\r\n")
    _streaming(link, pty)


def test_other_lines_point_to_the_profile(pty: Pty, heard: Heard, opened) -> None:
    link = opened(pty.name)
    _flood(pty, link, b"TQ=12.5;\r\n" * 5)
    assert "does not describe, such as 'TQ=12.5;'" in link.status().reason
    assert link.status().n_refused > 5


def test_the_reason_follows_what_comes(pty: Pty, opened, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drivers.link._NONSENSE_S", 0.3)
    link = opened(pty.name)
    wait_for(lambda: link._transport)
    for data, part in ((bytes(range(128, 256)), "no text, as with a wrong baud rate"), (b"TQ=12.5;\r\n", "'TQ=12.5;'")):
        deadline = time.monotonic() + 60
        while part not in link.status().reason:
            assert time.monotonic() < deadline, link.status()
            pty.write(data)
            time.sleep(0.05)


def test_lines_with_another_end_point_to_the_profile(pty: Pty, heard: Heard, opened) -> None:
    link = opened(pty.name)
    _flood(pty, link, b"+12.5 Nm\r" * 5)
    assert "no line ends as the profile" in link.status().reason


def test_a_megabyte_without_an_end_and_noise_do_no_harm(pty: Pty, heard: Heard, opened) -> None:
    link = opened(pty.name)
    _streaming(link, pty)
    pty.write(b"5" * 1_000_000)
    pty.write(b"\r\n" + os.urandom(20_000).replace(b"\r\n", b"") + b"\r\n+0042.00 Nm\r\n")
    wait_for(lambda: 42.0 in heard.torque)
    wait_for(lambda: link.status().state is LinkState.STREAMING)
    wait_for(lambda: link.status().n_refused >= 1)


def test_a_listener_that_fails_does_not_stop_the_link(pty: Pty, heard: Heard) -> None:
    def fails(block: SampleBlock) -> None:
        heard.block(block)
        raise RuntimeError("a view fell over")

    link = Link(pty.name, SIGNED, fails, heard.status)
    link.start()
    try:
        _streaming(link, pty)
        pty.write(b"+0001.00 Nm\r\n")
        wait_for(lambda: 1.0 in heard.torque)
        pty.write(b"+0002.00 Nm\r\n")
        wait_for(lambda: 2.0 in heard.torque)
    finally:
        link.stop()


# --- captures and replays ---------------------------------------------------------------------------------------------


def test_a_capture_is_replayed_as_it_came(pty: Pty, heard: Heard, opened, tmp_path: Path) -> None:
    link = opened(pty.name)
    _streaming(link, pty)
    link.start_capture(str(tmp_path / "fault"))
    sent = b"".join(b"%+08.2f Nm\r\n" % (i / 4) for i in range(400))
    for at in range(0, len(sent), 300):
        pty.write(sent[at : at + 300])
        time.sleep(0.001)
    wait_for(lambda: len(heard.torque) >= 401)
    link.stop_capture()
    link.stop()
    raw = (tmp_path / "fault.raw").read_bytes()
    assert raw == sent
    replayed = Heard()
    again = Link(f"replay:{tmp_path / 'fault.raw'}?speed=20", None, replayed.block, replayed.status)
    again.start()
    wait_for(lambda: again.status().state is LinkState.CLOSED and again.status().n_lines)
    again.stop()
    assert replayed.torque == heard.torque[2:]  # a capture begins in mid-stream
    assert {block.source for block in replayed.blocks} == {Source.REPLAYED}
    assert "come to its end" in again.status().reason


def test_a_capture_says_how_large_it_is_and_ends_at_its_limit(
    pty: Pty, heard: Heard, opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_module, "CAPTURE_BYTES", 2_000_000)
    link = opened(pty.name)
    _streaming(link, pty)
    path = tmp_path / "fault.raw"
    link.start_capture(str(path))
    line = b"+0001.00 Nm\r\n"
    pty.write(10 * line)
    wait_for(lambda: (now := link.status().capture) is not None and now.n_bytes == 10 * len(line))
    assert link.status().capture == CaptureStatus(str(path), 10 * len(line), 2_000_000)
    monkeypatch.setattr(link_module, "CAPTURE_BYTES", 11 * len(line))
    pty.write(2 * line)
    wait_for(lambda: (now := link.status().capture) is not None and bool(now.ended))
    assert path.read_bytes() == 12 * line  # what came at once is kept whole
    n = len(heard.torque)
    pty.write(line)
    wait_for(lambda: len(heard.torque) > n)  # the link goes on
    assert path.read_bytes() == 12 * line
    link.stop_capture()
    pty.write(line)
    wait_for(lambda: link.status().capture is None)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is full")
def test_a_capture_on_a_full_disk_ends_and_the_link_goes_on(pty: Pty, heard: Heard, opened, tmp_path: Path) -> None:
    link = opened(pty.name)
    _streaming(link, pty)
    (tmp_path / "full.raw").symlink_to("/dev/full")
    link.start_capture(str(tmp_path / "full"))
    line = b"+0001.00 Nm\r\n"
    for _ in range(100):  # more than the file's buffer holds
        pty.write(20 * line)
        time.sleep(0.001)
    wait_for(lambda: (now := link.status().capture) is not None and now.ended == "No space left on device.")
    wait_for(lambda: len(heard.torque) >= 2000)
    link.start_capture(str(tmp_path / "none" / "fault"))
    pty.write(line)
    wait_for(lambda: (now := link.status().capture) is not None and now.ended == "No such file or directory.")


TRACE = (
    "﻿# unit: lbf·ft\r\n# capacity: 150\n# polarity: anticlockwise\n# source: live\n\ntime_s,torque,angle\n"
    + "".join(f"{5 + i / 100:.3f},{i / 8:.3f},{i}\n" for i in range(100))
)


def test_a_trace_file_is_replayed_with_pause_step_and_speed(heard: Heard, opened, tmp_path: Path) -> None:
    path = tmp_path / "pull.csv"
    path.write_text(TRACE, encoding="utf-8")
    link = Link(f"replay:{path}", None, heard.block, heard.status)
    link.pause()
    link.start()
    wait_for(lambda: link.status().state is LinkState.STREAMING)
    for n in (1, 2, 3):
        assert link.step()
        wait_for(lambda n=n: len(heard.torque) == n)
    link.set_speed(20)
    with pytest.raises(ValueError, match="20"):
        link.set_speed(21)
    link.resume()
    wait_for(lambda: link.status().state is LinkState.CLOSED)
    link.stop()
    assert heard.torque == [i / 8 for i in range(100)]
    assert np.allclose(heard.t_s, np.arange(100) / 100)
    status = link.status()
    assert (status.capacity, status.capacity_unit, status.clockwise_positive) == (150.0, "lbf·ft", False)
    assert {block.source for block in heard.blocks} == {Source.REPLAYED}
    assert not link.send("zero")


def test_a_replay_keeps_the_pace_it_is_given(heard: Heard, opened, tmp_path: Path) -> None:
    path = tmp_path / "pull.csv"
    path.write_text(TRACE, encoding="utf-8")
    begin_s = time.monotonic()
    link = opened(f"replay:{path}?speed=4", None)
    wait_for(lambda: link.status().state is LinkState.CLOSED and len(heard.torque) == 100)
    assert time.monotonic() - begin_s > 0.2  # a second of samples, four times as fast; a busy machine is later


@pytest.mark.parametrize(
    ("change", "part"),
    [
        (("5.030,0.375,3", "5.030,text,3"), "line 10: '5.030,text,3' is not a row of numbers"),
        (("5.030,0.375,3", "5.030,NaN,3"), "line 10"),
        (("5.030,", "5.019,"), "line 10: the time does not rise"),
        (("time_s,torque,angle", "time_s"), "line 6: the header"),
        (("lbf·ft", "ell"), "'ell' is no torque unit"),
        (("150", "big"), "capacity: 'big'"),
        (("anticlockwise", "left"), "polarity"),
        ((TRACE[TRACE.index("5.000") :], ""), "no rows"),
    ],
)
def test_a_faulty_trace_file_is_refused_with_file_line_and_reason(
    tmp_path: Path, change: tuple[str, str], part: str
) -> None:
    path = tmp_path / "bad.csv"
    assert change[0] in TRACE
    path.write_text(TRACE.replace(*change), encoding="utf-8")
    with pytest.raises(RecordingError, match=r"bad\.csv") as caught:
        Link(f"replay:{path}", None, print, print)
    assert part in str(caught.value)


def test_columns_in_another_order_are_understood(tmp_path: Path, heard: Heard, opened) -> None:
    path = tmp_path / "other.csv"
    path.write_text("angle,torque,note,time_s\n1,2.5,a,0.0\n2,3.5,b,0.1\n", encoding="utf-8")
    link = opened(f"replay:{path}?speed=20", None)
    wait_for(lambda: link.status().state is LinkState.CLOSED and heard.torque == [2.5, 3.5])


def test_a_recording_without_profile_says_what_to_give(tmp_path: Path) -> None:
    (tmp_path / "x.raw").write_bytes(b"+1.0 Nm\r\n")
    with pytest.raises(RecordingError, match="--profile"):
        Link(f"replay:{tmp_path / 'x.raw'}", None, print, print)
    with pytest.raises(RecordingError, match="cannot be read"):
        Link(f"replay:{tmp_path / 'none.raw'}", SIGNED, print, print)


def test_handshake_lines_are_set_as_the_profile_says(monkeypatch: pytest.MonkeyPatch, pty: Pty) -> None:
    from drivers.transport import open_serial

    profile = parse(
        "name='x'\n[serial]\nbaud=9600\nbytesize=7\nparity='even'\nstopbits=2\ndtr=false\nrts=true\n"
        "handshake='xon/xoff'\n[line]\npattern='(?P<torque>.*)'"
    )
    port = open_serial(pty.name, profile)
    try:
        assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (9600, 7, "E", 2)
        assert (port.dtr, port.rts, port.xonxoff, port.rtscts) == (False, True, True, False)
    finally:
        port.close()


def test_a_trace_file_whose_times_are_a_programs_binary_fractions_is_replayed_too(tmp_path):
    path = tmp_path / "long.csv"
    times = [0.1 + i * 0.001 - 0.1 for i in range(50)]
    assert max(len(repr(t)) for t in times) > 20  # such as 0.0010000000000000009
    path.write_text("time_s,torque\n" + "".join(f"{t!r},{0.1 * i!r}\n" for i, t in enumerate(times)))
    recording = read_recording(str(path), Profiles(), None)
    rows = b"".join(data for _, data in recording.chunks).decode().split()
    assert [float(row.split(",")[0]) for row in rows] == pytest.approx(times, abs=1e-12)
    assert [float(row.split(",")[1]) for row in rows] == pytest.approx([0.1 * i for i in range(50)], abs=1e-12)


# --- when it reads ----------------------------------------------------------------------------------------------------


class Script:
    """A transport that gives out (bytes, time of arrival) as they stand there, then waits until it is woken."""

    usb_serial = ""

    def __init__(self, reads: list[tuple[bytes, float]]) -> None:
        self.reads = reads
        self.n_read = 0
        self._woken = threading.Event()

    def read(self, timeout_s: float) -> tuple[bytes, float]:
        if self.n_read == len(self.reads):
            self._woken.wait(timeout_s)
            return b"", self.reads[-1][1]
        self.n_read += 1
        return self.reads[self.n_read - 1]

    def write(self, data: bytes) -> None: ...

    def wake(self) -> None:
        self._woken.set()

    def close(self) -> None: ...


def scripted(monkeypatch: pytest.MonkeyPatch, reads: list[tuple[bytes, float]]) -> Script:
    script = Script(reads)
    monkeypatch.setattr("drivers.link.open_transport", lambda url, profile: script)
    return script


@pytest.mark.parametrize("pace_s", [0.0005, 0.004])
def test_lines_that_come_singly_and_fast_are_read_at_a_pace(
    opened: Callable[..., Link], heard: Heard, monkeypatch: pytest.MonkeyPatch, pace_s: float
) -> None:
    class Always(Script):
        def read(self, timeout_s: float) -> tuple[bytes, float]:
            self.n_read += 1
            return 5 * b"+0001.00 Nm\r\n", time.monotonic()

    script = Always([])
    monkeypatch.setattr("drivers.link.open_transport", lambda url, profile: script)
    link = opened("anywhere", pace_s=pace_s)
    wait_for(lambda: script.n_read > 100 and 0 < link._decoder.interval_s < 0.0004)  # the rate is known
    time.sleep(0.1)
    begin, begin_s = script.n_read, time.monotonic()
    time.sleep(0.3)
    n, elapsed_s = script.n_read - begin, time.monotonic() - begin_s
    link.stop()
    assert n <= elapsed_s / pace_s + 10


def test_what_was_held_up_and_comes_in_pieces_is_judged_as_a_whole(
    opened: Callable[..., Link], heard: Heard, monkeypatch: pytest.MonkeyPatch
) -> None:
    line, at_s = b"+0001.00 Nm\r\n", 1000.0
    reads = [(line, at_s + i / 1000) for i in range(1500)]
    last_s = reads[-1][1]
    # 5 of the 100 alone would look like a loss of 95; the sender is as busy as we are and does not write at once
    reads += [(5 * line, last_s + 0.1), (b"", last_s + 0.1), (10 * line, last_s + 0.1), (85 * line, last_s + 0.101)]
    reads += [(line, last_s + 0.1 + i / 1000) for i in range(1, 50)]
    script = scripted(monkeypatch, reads)
    opened("anywhere")
    wait_for(lambda: script.n_read == len(reads) and len(heard.torque) == 1648)  # the first one may have been cut
    assert [gap for block in heard.blocks for gap in block.gaps] == []
    assert np.allclose(np.diff(heard.t_s), 0.001, atol=0.0002)


def test_after_a_loss_little_is_waited_for(
    opened: Callable[..., Link], heard: Heard, monkeypatch: pytest.MonkeyPatch
) -> None:
    line, at_s = b"+0001.00 Nm\r\n", 1000.0
    times = [at_s + i / 1000 for i in range(1500)] + [at_s + 1.8 + i / 1000 for i in range(100)]
    script = scripted(monkeypatch, [(line, time_s) for time_s in times])
    opened("anywhere")
    wait_for(lambda: script.n_read == len(times) and len(heard.torque) == 1599)
    (gap,) = [gap for block in heard.blocks for gap in block.gaps]
    assert gap.missing == pytest.approx(300, abs=12)


def test_a_port_that_cannot_be_waited_for_is_read_as_well(
    pty: Pty, opened: Callable[..., Link], heard: Heard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drivers.link.open_transport", lambda url, profile: PlainSerialTransport(url.place, profile))
    link = opened(pty.name)
    wait_for(lambda: link.status().state is not LinkState.CLOSED)
    time.sleep(0.1)
    pty.write(b"\r\n")
    pty.write(b"".join(b"%+.2f Nm\r\n" % i for i in range(300)))
    wait_for(lambda: len(heard.torque) == 300)
    assert heard.torque == list(range(300))
    assert len(heard.blocks) < 100  # by the lump, not by the byte
