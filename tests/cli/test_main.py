"""The command line itself."""

import errno
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchapp.cli.main import main


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems have a screen")
@pytest.mark.parametrize("arguments", [[], ["--simulated"]])
def test_without_a_screen_the_window_is_refused_in_one_line(monkeypatch, capsys, arguments):
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    assert main(arguments) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert out.err.count("\n") == 1
    assert "there is no screen" in out.err


def test_a_fault_of_the_program_is_one_line_too_and_says_where_when_asked(monkeypatch, capsys):
    def broken(_args):
        raise ZeroDivisionError("as a test\nhas it")

    monkeypatch.setattr("benchapp.cli.read.run", broken)
    assert main(["read", "a.csv", "--mode", "peak"]) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert (
        out.err
        == "kilter: a fault of the program (ZeroDivisionError: as a test); with KILTER_TRACEBACK=1 it says where\n"
    )
    monkeypatch.setenv("KILTER_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        main(["read", "a.csv", "--mode", "peak"])


@pytest.fixture
def pulls(tmp_path):
    path = tmp_path / "pulls.csv"
    rows = "".join(f"{k / 1000:.3f},{min(k, 4000 - k) / 100:.2f}\n" for k in range(4001))
    path.write_text(f"# unit: N·m\ntime_s,torque\n{rows}", encoding="utf-8")
    return path


KILTER = (sys.executable, "-m", "benchapp")


def kilter(*arguments, **how):
    """The program as a process of its own; what it prints is held until the end, as it is without a terminal."""
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONUNBUFFERED"}
    environment |= how.pop("environment", {})
    # what `nohup … &` started ignores Ctrl-C, and so would all that it starts
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        return subprocess.Popen([*KILTER, *map(str, arguments)], env=environment, stderr=subprocess.PIPE, **how)
    finally:
        signal.signal(signal.SIGINT, before)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is full")
@pytest.mark.parametrize("flags", [[], ["--json"]])
def test_a_full_disk_behind_standard_output_is_told_in_one_line(pulls, flags):
    with open("/dev/full", "wb") as full, kilter("read", pulls, "--mode", "peak", *flags, stdout=full) as process:
        err = process.stderr.read().decode()
    assert process.returncode == 2
    assert err == "kilter: standard output: No space left on device; make room, or send it elsewhere\n"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no signals there as here")
def test_whoever_reads_no_further_is_told_nothing(pulls):
    with kilter("read", *[pulls] * 200, "--mode", "peak", "--json", stdout=subprocess.PIPE) as process:
        process.stdout.readline()
        process.stdout.close()
        err = process.stderr.read()
    assert (process.returncode, err) == (2, b"")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names")
def test_ctrl_c_ends_a_command_in_one_line(tmp_path):
    pipe = tmp_path / "endless.csv"
    os.mkfifo(pipe)
    with kilter("read", pipe, "--mode", "peak", stdout=subprocess.PIPE) as process:
        with open(pipe, "wb", buffering=0) as stream:  # open only once the command reads
            stream.write(b"time_s,torque\n0,1\n")
            process.send_signal(signal.SIGINT)
            err = process.stderr.read().decode()
        out = process.stdout.read()
    assert (process.returncode, out) == (130, b"")
    assert err == "kilter: stopped before it was done; give the command again\n"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="signals, and where data lie")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_ctrl_c_in_its_terminal_closes_the_window(tmp_path, monkeypatch, name):
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    for folder in ("DATA", "CONFIG"):
        monkeypatch.setenv(f"XDG_{folder}_HOME", str(tmp_path))
    with kilter("--simulated") as process:
        deadline = time.monotonic() + 200
        while not list(tmp_path.glob("kilter/demo.sqlite*")):  # the window has been painted, the records are opened
            if time.monotonic() > deadline:
                process.kill()
            assert process.poll() is None
            time.sleep(0.05)
        process.send_signal(getattr(signal, name))
        err = process.stderr.read().decode()
    assert process.returncode == 0, err
    assert "Traceback" not in err


STOPPED_EARLY = """
import os, signal, sys
from benchapp.cli import window
from benchapp.cli.main import main

def stopped(*given, after_paint=window._after_paint):
    os.kill(os.getpid(), signal.SIGINT)
    after_paint(*given)

window._after_paint = stopped
sys.exit(main(["--simulated"]))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="signals, and where data lie")
def test_ctrl_c_while_the_window_is_being_made_closes_it(tmp_path, monkeypatch):
    """Before its event loop ran, Qt did not hear that it should end: on a slow machine the window stayed for ever."""
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    for folder in ("DATA", "CONFIG"):
        monkeypatch.setenv(f"XDG_{folder}_HOME", str(tmp_path))
    ended = subprocess.run([sys.executable, "-c", STOPPED_EARLY], capture_output=True, timeout=100)
    assert ended.returncode == 0, ended.stderr.decode()


def test_what_the_system_refuses_is_no_fault_of_the_program(monkeypatch, capsys):
    def refused(_args):
        raise PermissionError(errno.EACCES, "Permission denied", "records.sqlite")  # as root nothing is refused

    monkeypatch.setattr("benchapp.cli.read.run", refused)
    assert main(["read", "a.csv", "--mode", "peak"]) == 2
    said = "records.sqlite: Permission denied; look whether it is there and this account may use it"
    assert capsys.readouterr().err == f"kilter: {said}\n"


ASCII = {"PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": "ascii:strict"}


def test_words_come_out_whatever_the_locale_can_show(pulls):
    with kilter("read", pulls, "--mode", "peak", stdout=subprocess.PIPE, environment=ASCII) as process:
        out, err = process.communicate()
    assert (process.returncode, err) == (0, b"")
    assert rb" Hz in N\xb7m, imported" in out


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="names of files are bytes there")
@pytest.mark.parametrize("environment", [ASCII, ASCII | {"PYTHONIOENCODING": "utf-8:strict"}])
def test_json_is_utf_8_whatever_the_locale_and_the_name_of_the_file(pulls, environment):
    odd = pulls.with_name(os.fsdecode(b"n\xff\xc3\xa4.csv"))
    pulls.rename(odd)
    with kilter("read", odd, "--mode", "peak", "--json", stdout=subprocess.PIPE, environment=environment) as process:
        out, err = process.communicate()
    assert (process.returncode, err) == (0, b"")
    told = json.loads(out.decode("utf-8"))
    assert os.fsencode(told["file"]) == os.fsencode(odd)
    assert told["unit"] == "N·m"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="what a shell's <&- does")
def test_a_closed_standard_input_is_told_in_one_line():
    closed = ["sh", "-c", 'exec "$@" <&-', "sh", *KILTER, "judge", "-"]
    process = subprocess.run(closed, capture_output=True, check=False)
    err = process.stderr.decode()
    assert process.returncode == 2
    assert err == "kilter: standard input is closed; send it the readings, or give RUN.json\n"
