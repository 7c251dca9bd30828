"""The simulated bench on real ports, looked at with a bare socket and with pyserial."""

import argparse
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
import serial

from benchapp.cli import simulate
from benchapp.cli.errors import CommandError
from simulator.server import PtyPort, Server, TcpPort
from simulator.simulation import make_simulation

LIMIT_S = 60.0


@contextlib.contextmanager
def served(port, *, fast=False, **figures):
    server = Server(make_simulation(**{"seed": 5, **figures}), port, 0, fast=fast)
    thread = threading.Thread(target=server.run, name="simulator")
    thread.start()
    try:
        yield server
    finally:
        server.stop()
        thread.join(LIMIT_S)
        assert not thread.is_alive()


def connect(address):
    host, port = address.removeprefix("socket://").split(":")
    return socket.create_connection((host, int(port)), timeout=LIMIT_S)


def read_bytes(connection, n):
    data = b""
    while len(data) < n:
        part = connection.recv(65_536)
        assert part, "the server hung up"
        data += part
    return data


def read_until_it_fails(client):
    while True:
        client.read(1000)


class Control:
    def __init__(self, server):
        self.connection = connect(server.control.address)
        self.file = self.connection.makefile("rw", encoding="utf-8", newline="\n")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.file.close()
        self.connection.close()

    def message(self):
        return json.loads(self.file.readline())

    def ask(self, **request):
        self.file.write(json.dumps({"id": 1, **request}) + "\n")
        self.file.flush()
        while "id" not in (answer := self.message()):
            pass
        return answer

    def until(self, condition):
        deadline = time.monotonic() + LIMIT_S
        while time.monotonic() < deadline:
            state = self.ask(do="state")["state"]
            if condition(state):
                return state
        pytest.fail("condition not met in time")


def test_bytes_over_tcp_are_those_of_the_seed_from_the_first_on():
    port = TcpPort(0)
    with served(port, fast=True), connect(port.address) as client:
        data = read_bytes(client, 40_000)
    assert data[:40_000] == make_simulation(seed=5).produce(4000)[:40_000]


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_bytes_over_a_pty_are_those_of_the_seed_from_the_first_on():
    port = PtyPort()
    with served(port, fast=True), serial.Serial(port.address, 115_200, timeout=LIMIT_S, exclusive=True) as client:
        data = client.read(20_000)
    assert data == make_simulation(seed=5).produce(3000)[:20_000]
    assert not Path(port.address).exists()


def test_identify_and_zero_are_answered_over_the_line():
    port = TcpPort(0)
    with served(port) as server, connect(port.address) as client, Control(server) as control:
        control.ask(do="offset", torque=5.0)
        client.sendall(b"ID?\r\nZ\r\n")
        data = b""
        while b"ID SIM-1\r\n" not in data or b"+0005.00" in data[-60:] or len(data) < 500:
            data += client.recv(4096)
        assert b"+0000.0" in data[-60:] or b"-0000.0" in data[-60:]


def test_real_time_is_real_time():
    port = TcpPort(0)
    began = time.monotonic()  # the samples' clock begins when the port is opened
    with served(port, rate_hz=1000.0), connect(port.address) as client:
        read_bytes(client, 13 * 1000)
        assert time.monotonic() - began > 0.95  # never sooner; on a busy machine later


def test_a_pull_asked_for_shows_up_on_the_line_and_in_the_state():
    port = TcpPort(0)
    with served(port, fast=True) as server, Control(server) as control, connect(port.address) as client:
        assert control.ask(do="pull", manner="steady")["ok"]
        highest = 0.0
        rest = b""
        while highest < 110.0:
            *lines, rest = (rest + client.recv(65_536)).split(b"\r\n")
            highest = max([highest, *(float(line[:-3]) for line in lines if line)])


def test_state_is_pushed_without_being_asked_for():
    port = TcpPort(0)
    with served(port) as server, Control(server) as control, connect(port.address):
        assert control.message()["state"]["phase"] == "rest"
        control.file.write('{"do": "pull", "manner": "snatched", "delay_s": 0}\n')
        control.file.flush()
        phases = []
        while "let-go" not in phases and "easing" not in phases:
            message = control.message()
            if "state" in message:
                phases.append(message["state"]["phase"])


def test_rubbish_on_the_control_channel_is_answered_and_harms_nobody():
    port = TcpPort(0)
    with served(port) as server, Control(server) as control, Control(server) as other:
        control.message()
        for line in ("nonsense", "[1, 2]", '{"do": "' + "[" * 5000):
            control.file.write(line + "\n")
            control.file.flush()
            answer = control.message()
            while "ok" not in answer:
                answer = control.message()
            assert answer["ok"] is False
        assert other.ask(do="state")["ok"]
        with contextlib.suppress(OSError):
            control.connection.sendall(b"x" * 200_000)
        with contextlib.suppress(OSError):
            while control.connection.recv(65_536):
                pass
        assert other.ask(do="state")["ok"]


def test_unplugged_over_tcp_the_port_refuses_and_comes_back():
    port = TcpPort(0)
    with served(port) as server, Control(server) as control:
        with connect(port.address) as client:
            read_bytes(client, 1000)
            assert control.ask(do="fault", fault="unplug", seconds=0.5)["ok"]
            with contextlib.suppress(ConnectionResetError):
                while client.recv(65_536):
                    pass
        assert control.ask(do="state")["state"]["line"]["plugged"] is False
        with pytest.raises(OSError, match="refused"):
            connect(port.address)
        control.until(lambda state: state["line"]["plugged"])
        with connect(port.address) as client:
            assert b" Nm\r\n" in read_bytes(client, 1000)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_unplugged_on_a_pty_the_port_is_gone_and_comes_back_under_the_same_name():
    port = PtyPort()
    with served(port) as server, Control(server) as control:
        client = serial.Serial(port.address, timeout=LIMIT_S)
        try:
            client.read(1000)
            assert control.ask(do="fault", fault="unplug", seconds=0.5)["ok"]
            with pytest.raises(OSError, match=r"disconnected|Input/output|readiness"):
                read_until_it_fails(client)
        finally:
            client.close()
        assert not os.path.lexists(port.address)
        control.until(lambda state: state["line"]["plugged"])
        with serial.Serial(port.address, timeout=LIMIT_S) as again:
            assert b" Nm\r\n" in again.read(1000)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_something_else_at_the_link_is_not_overwritten(tmp_path):
    (tmp_path / "port").write_text("mine")
    with pytest.raises(FileExistsError):
        PtyPort(tmp_path / "port")
    assert (tmp_path / "port").read_text() == "mine"


def test_ten_thousand_lines_a_second_are_kept_up_with_and_none_is_lost():
    port = TcpPort(0)
    with served(port, rate_hz=10_000.0, shape="time-sequence-value") as server, connect(port.address) as client:
        cpu, data = time.process_time(), b""
        while data.count(b"\n") < 20_000:
            data += client.recv(65_536)
        cpu = time.process_time() - cpu
        numbers = [int(line.split(b",")[1]) for line in data.split(b"\r\n")[:-1]]
        assert numbers == list(range(len(numbers)))
        # for a second of lines; measured 0.08 s, reader included; the bound leaves room for a busy machine
        assert cpu * 10_000 / len(numbers) < 0.35
        assert server.control.line["lost"] == 0


# ---- as the window starts it ------------------------------------------------------------------------------------


@contextlib.contextmanager
def started(*arguments):
    code = (
        "import argparse, sys\n"
        "from benchapp.cli import simulate\n"
        "top = argparse.ArgumentParser()\n"
        "simulate.add(top.add_subparsers())\n"
        "args = top.parse_args()\n"
        "heavy = {'PySide6', 'sqlalchemy', 'pint', 'scipy', 'serial'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
        "sys.exit(args.run(args))\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, "simulate", *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
        text=True,
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(LIMIT_S)
        for stream in (process.stdin, process.stdout, process.stderr):
            stream.close()


def test_the_command_says_where_it_is_and_ends_with_sigterm():
    with started("--tcp", "0", "--rate", "200") as process:
        where = json.loads(process.stdout.readline())
        assert where["data"].startswith("socket://127.0.0.1:")
        with connect(where["data"]) as client:
            assert read_bytes(client, 100)
        process.send_signal(signal.SIGTERM)
        assert process.wait(LIMIT_S) == 0


def test_the_command_ends_with_its_parent():
    with started("--tcp", "0", "--until-stdin-ends") as process:
        assert process.stdout.readline()
        process.stdin.close()
        assert process.wait(LIMIT_S) == 0


def test_the_command_ends_when_asked_to_quit():
    with started("--tcp", "0") as process:
        where = json.loads(process.stdout.readline())
        with connect(where["control"]) as control:
            control.sendall(b'{"do": "quit"}\n')
            assert process.wait(LIMIT_S) == 0


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--tcp", "99999"], "TCP port 99999"),
        (["--tcp", "0", "--control", "99999"], "control port 99999"),
        (["--tcp", "0", "--profile", "no-such-shape"], "bare-value"),
        (["--tcp", "0", "--tool", "hammer"], "click-wrench"),
        (["--tcp", "0", "--rate", "0"], "rate"),
        (["--tcp", "0", "--capacity", "nan"], "capacity"),
        (["--tcp", "0", "--script", "/nowhere/script.toml"], "/nowhere/script.toml"),
        (["--tcp", "0", "--unit", "yd"], "lbf·ft"),
    ],
)
def test_a_request_that_cannot_be_is_refused_in_one_line(arguments, told):
    top = argparse.ArgumentParser()
    simulate.add(top.add_subparsers())
    args = top.parse_args(["simulate", *arguments])
    with pytest.raises(CommandError) as caught:
        args.run(args)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_step_that_cannot_be_done_is_told_and_the_others_go_on(tmp_path):
    script = tmp_path / "script.toml"
    script.write_text(
        "[[step]]\nat_s = 0\ndo = 'fault'\nfault = 'fire'\n[[step]]\nat_s = 0.1\ndo = 'quit'\n", encoding="utf-8"
    )
    with started("--tcp", "0", "--script", str(script)) as process:
        where = json.loads(process.stdout.readline())
        with connect(where["data"]):
            assert process.wait(LIMIT_S) == 0
        (told,) = process.stderr.read().splitlines()
    assert told.startswith(f"kilter: simulate: {script}: sample 0: fault: 'fire' is not one of cut-line, garbage")
    assert told.endswith("; the other steps go on")
