"""What the whole bench takes of a core at 10,000 lines a second, against the least that shows such a curve at all.

The goal is 15 % of a core, set on a machine on which the plain chain (`os.read` every 5 ms, NumPy, a ring, a pair of
lowest and highest a pixel column, one `PlotCurveItem`: no detector, no run, no store, no checks of a line) took 6.3 %.
Both run here in turn, each in a process of its own at a pseudo-terminal of its own: seconds depend on the machine and
swing by half within minutes, their ratio by a tenth.

Run:  xvfb-run -a -s "-screen 0 1600x900x24" python -m pytest tests/bench/test_whole_cpu.py -s
"""

from __future__ import annotations

import json
import os
import runpy
import select
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

RATE = 10_000
SECONDS = float(os.environ.get("KILTER_BENCH_SECONDS", "12"))
SETTLE_S = 6.0
GOAL = 15.0 / 6.3
HOURS = Path(__file__).parents[1] / "soak" / "test_hours.py"
pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="there is no pseudo-terminal"),
    pytest.mark.timeout(600),
]


def test_the_whole_bench_takes_little_more_than_a_curve_alone() -> None:
    taken: dict[str, list[dict[str, float]]] = {"plain": [], "whole": []}
    for _ in range(2):
        for chain, rounds in taken.items():
            ended = subprocess.run([sys.executable, __file__, chain], capture_output=True, text=True, check=True)
            rounds.append(json.loads(ended.stdout.splitlines()[-1]))
    print()
    for chain, rounds in taken.items():
        for one in rounds:
            told = ", ".join(f"{name} {value:.4g}" for name, value in one.items())
            print(f"{chain}: {told}")
            # the same pulls to 60 N·m, all of them (a pipe's fill and the writer's own lateness apart)
            assert one["lines_per_s"] == pytest.approx(RATE, rel=0.02)
            assert one["greatest_nm"] == pytest.approx(60.0, abs=0.1)
            assert one["frames_per_s"] > 55
    plain, whole = (min(one["cpu_percent"] for one in rounds) for rounds in taken.values())
    print(f"whole / plain {whole / plain:.2f} (goal {GOAL:.2f}); {whole:.1f} % of a core here (goal 15 there)")
    assert whole <= GOAL * plain


# ------------------------------------------------------------------------------------- in processes of their own


def _port(seconds: float, shared: dict[str, Any]) -> tuple[int, str, subprocess.Popen[str]]:
    master, slave = os.openpty()
    tty.setraw(slave)
    writer = subprocess.Popen(
        [sys.executable, "-c", shared["WRITER"], str(master), str(RATE), str(seconds)],
        pass_fds=[master],
        stdout=subprocess.PIPE,
        text=True,
    )
    return master, os.ttyname(slave), writer


def _measured(wait: Callable[[float], None], n_lines: Callable[[], int], n_frames: Callable[[], int]) -> dict[str, Any]:
    wait(SETTLE_S)
    cpu_s, wall_s, lines, frames = time.process_time(), time.monotonic(), n_lines(), n_frames()
    wait(SECONDS)
    took_s = time.monotonic() - wall_s
    return {
        "cpu_percent": 100 * (time.process_time() - cpu_s) / took_s,
        "lines_per_s": (n_lines() - lines) / took_s,
        "frames_per_s": (n_frames() - frames) / took_s,
    }


def _waiting() -> Callable[[float], None]:
    from PySide6.QtCore import QEventLoop, QTimer

    loop = QEventLoop()

    def wait(seconds: float) -> None:
        QTimer.singleShot(int(1000 * seconds), loop.quit)
        loop.exec()

    return wait


def plain(shared: dict[str, Any]) -> dict[str, Any]:
    """The least: bytes to numbers to pixel columns to a curve."""
    import pyqtgraph as pg
    from PySide6.QtCore import QTimer
    from PySide6.QtWidgets import QApplication

    _app = QApplication([])
    _, name, writer = _port(SETTLE_S + SECONDS + 5, shared)
    n_held, n_columns = 10 * RATE, 1100
    per_column = n_held // n_columns
    ring, n_taken, n_drawn, frames = np.zeros(n_held), [0], [0], [0]
    over = threading.Event()

    def read() -> None:
        port, rest = os.open(name, os.O_RDWR | os.O_NOCTTY), b""
        while not over.is_set():
            select.select([port], [], [], 0.1)
            time.sleep(0.005)
            data = rest + os.read(port, 65536)
            end = data.rfind(b"\n") + 1
            values, rest = np.array(data[:end].split()[::2], float), data[end:]
            ring[np.arange(n_taken[0], n_taken[0] + len(values)) % n_held] = values
            n_taken[0] += len(values)

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    plot = pg.PlotWidget()
    plot.resize(1200, 600)
    plot.setXRange(0, n_columns, padding=0)
    plot.setYRange(-5, 90, padding=0)
    plot.disableAutoRange()
    curve = pg.PlotCurveItem(pen=pg.mkPen("w", width=1))
    plot.addItem(curve)
    low, high = np.zeros(n_columns), np.zeros(n_columns)
    x, y = np.repeat(np.arange(n_columns), 2).astype(float), np.empty(2 * n_columns)

    def frame() -> None:
        n = n_taken[0]
        first, last = max(n_drawn[0] // per_column, n // per_column - n_columns + 1), n // per_column
        if n > n_drawn[0]:
            new = ring[np.arange(first * per_column, n) % n_held]
            begins = np.arange(0, len(new), per_column)
            place = (first + np.arange(len(begins))) % n_columns
            low[place], high[place] = np.minimum.reduceat(new, begins), np.maximum.reduceat(new, begins)
            n_drawn[0] = n
        oldest = (last + 1) % n_columns
        y[::2], y[1::2] = np.roll(low, -oldest), np.roll(high, -oldest)
        curve.setData(x, y, skipFiniteCheck=True)
        frames[0] += 1

    plot.show()
    timer = QTimer()
    timer.setInterval(16)
    timer.timeout.connect(frame)
    timer.start()
    told = _measured(_waiting(), lambda: n_taken[0], lambda: frames[0])
    over.set()
    thread.join()
    writer.kill()
    return told | {"greatest_nm": float(high.max())}


def whole(shared: dict[str, Any]) -> dict[str, Any]:
    """The bench as it is: link, decoder, reader, a run under way that is stored, the Bench page at 1366 × 768."""
    from PySide6.QtCore import QTimer
    from PySide6.QtWidgets import QApplication

    import drivers.ports
    from benchapp.cli.window import SIMULATED_PROFILE, Application

    _app = QApplication([])
    drivers.ports.list_ports = lambda: []  # type: ignore[assignment]  # not the ports of this machine
    _, name, writer = _port(SETTLE_S + SECONDS + 8, shared)
    wait = _waiting()
    store_file = Path(tempfile.mkdtemp()) / "records.sqlite"
    kilter = Application(
        simulated=False, settings_path=None, store_file=store_file, url=name, profile=SIMULATED_PROFILE
    )
    kilter.window.resize(1366, 768)
    kilter.window.show()
    kilter.after_first_paint()
    while kilter.store is None:
        wait(0.1)
    session, page = kilter.session, kilter.window.bench
    page.sounds.muted = True
    tool = shared["Tool"]("OCF-016", shared["ToolType"].SETTING, "B", "N·m", 60, 60, fixed=True)
    plan = shared["plan_run"](
        *(tool, shared["Reference"]("REF-1", 250.0), shared["shipped_procedure"]("workshop-spot"), "fitter 2"),
        shared["Source"].LIVE,
        target=60.0,
        n_readings=20,
    )
    states, greatest, asked = shared["RunState"], [0.0], []

    def go_on() -> None:
        view = session.view()
        if view.state is None:
            if view.link.state == "streaming" and not asked:
                asked.append(True)  # the run shows in a later view
                session.start_run(plan)
        elif view.state not in (states.PRELOAD, states.PULL) and not view.is_zeroing:
            session.go_on()
        if view.card is not None and view.card.pull is not None:
            greatest[0] = max(greatest[0], view.card.pull.peak)

    timer = QTimer()
    timer.setInterval(100)
    timer.timeout.connect(go_on)
    timer.start()
    told = _measured(wait, lambda: page._next_index, lambda: page.n_frames)
    told |= {"greatest_nm": greatest[0], "gaps": float(session.view().link.n_gaps)}
    timer.stop()
    writer.kill()
    kilter.window.close()
    kilter.close()
    return told


if __name__ == "__main__":
    print(json.dumps({"plain": plain, "whole": whole}[sys.argv[1]](runpy.run_path(str(HOURS)))), flush=True)
    os._exit(0)
