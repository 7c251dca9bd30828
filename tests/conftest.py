"""What every test is given and held to: no thread, no timer, no port left behind; settings in tmp_path."""

from __future__ import annotations

import importlib.util
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from benchapp.cli.window import Application

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# how long an example takes says what else the machine is doing: no figure of ours
settings.register_profile("kilter", settings(), deadline=None)
settings.load_profile("kilter")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What waits for a simulated hand comes first: other files fill its waiting, and none of it is left for the end."""
    items.sort(key=lambda item: "whole" not in item.path.parts)


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Callable[[Path], object]], Path]:
    """Return what gives a file that all workers of a run read: the first that wants it makes it, others wait."""
    base = tmp_path_factory.getbasetemp()
    shared = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "made-once"
    shared.mkdir(exist_ok=True)

    def made(name: str, make: Callable[[Path], object]) -> Path:
        path, being_made, half = shared / name, shared / f"making {name}", shared / f"half {name}"
        deadline = time.monotonic() + 240.0
        while not path.exists():
            try:
                being_made.mkdir()
            except FileExistsError:
                assert time.monotonic() < deadline, f"no other worker came to an end with {name}"
                time.sleep(0.05)
                continue
            try:
                if not path.exists():
                    half.unlink(missing_ok=True)
                    make(half)
                    half.rename(path)
            finally:
                being_made.rmdir()
        return path

    return made


def _open_devices() -> set[str]:
    """Serial ports, ptys and sockets this process holds open."""
    held = set()
    folder = Path("/proc/self/fd")
    if not folder.exists():
        return held
    for entry in folder.iterdir():
        try:
            target = os.readlink(entry)
        except OSError:
            continue
        if target.startswith(("/dev/pts/", "/dev/ptmx", "/dev/tty", "socket:")):
            held.add(f"{entry.name} -> {target}")
    return held


@pytest.fixture(autouse=True)
def nothing_left_behind(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a test that leaves a thread or a port behind; they get twenty seconds to end."""
    threads = set(threading.enumerate())
    devices = _open_devices()
    yield
    deadline = time.monotonic() + 20.0
    while True:
        left = [t for t in threading.enumerate() if t not in threads and t.is_alive() and not _is_qt(t)]
        held = _open_devices() - devices
        if not (left or held) or time.monotonic() > deadline:
            break
        time.sleep(0.01)
    assert not left, f"threads left behind: {[t.name for t in left]}"
    assert not held, f"ports or sockets left open: {sorted(held)}"


def _is_qt(thread: threading.Thread) -> bool:
    """Qt's own threads show up as dummies once Python code has run in them."""
    return isinstance(thread, threading._DummyThread)


@pytest.fixture(autouse=True)
def children_are_not_put_last(monkeypatch: pytest.MonkeyPatch) -> None:
    """The program's helpers run at low priority; beside other tests one of them would wait for all of those."""
    monkeypatch.setattr(os, "setpriority", lambda which, who, priority: None, raising=False)


@pytest.fixture(autouse=True)
def own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home of the test's own, so that no setting of this machine leaks in and none is written."""
    home = tmp_path_factory.mktemp("home")
    for name in ("HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        monkeypatch.setenv(name, str(home))
    return home


@pytest.fixture
def no_port_of_this_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """No port is found: the window opens the only one of a machine by itself, now and then in the middle of a test."""
    monkeypatch.setattr("drivers.ports.list_ports", list)


@pytest.fixture(scope="session")
def stand() -> ModuleType:
    """The bench that is not there, of the tests of the window, for those in other folders."""
    file = Path(__file__).parent / "ui" / "bench_standin.py"
    spec = importlib.util.spec_from_file_location("bench_standin", file)
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules["bench_standin"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def on_a_port(
    request: pytest.FixtureRequest, tmp_path: Path, no_port_of_this_machine: None
) -> Iterator[tuple[Application, int]]:
    """The whole program on a pseudo-terminal, its window shown and its records open: (it, where lines are written)."""
    import tty

    request.getfixturevalue("qapp")
    from PySide6.QtTest import QTest

    from benchapp.cli.window import SIMULATED_PROFILE, Application

    master, slave = os.openpty()
    tty.setraw(slave)
    file, url = tmp_path / "records.sqlite", os.ttyname(slave)
    kilter = Application(simulated=False, settings_path=None, store_file=file, url=url, profile=SIMULATED_PROFILE)
    kilter.window.bench.sounds.muted = True
    kilter.window.resize(1366, 768)
    kilter.window.show()
    QTest.qWaitForWindowExposed(kilter.window)
    kilter.after_first_paint()
    deadline = time.monotonic() + 60
    while kilter.store is None:
        assert time.monotonic() < deadline, "the records were not opened"
        QTest.qWait(50)
    yield kilter, master
    kilter.window.close()
    kilter.close()
    kilter.window.deleteLater()
    QTest.qWait(20)
    os.close(master)
    os.close(slave)
