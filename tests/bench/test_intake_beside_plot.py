"""From a line written to its sample in the session while the Bench's plot runs at 60 Hz.

The real window with its real session on a pseudo-terminal; a writer of its own process puts the time into the lines, as
thousandths of N·m that change a thousand times a second: a hand at rest, so the engine has nothing to read. How late a
line comes then is how long a frame keeps the interpreter. The goal is absolute, so a reader without a window, in a
process of its own on the same lines, tells how quiet the machine is: where that one's p99 is above a third of a
millisecond, only what was measured is printed.
Run:  python -m pytest tests/bench/test_intake_beside_plot.py -s
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
import tty

import numpy as np
import pytest
from PySide6.QtCore import QEventLoop, QTimer

from benchapp.cli.window import Application
from drivers.samples import SampleBlock

SECONDS, GOAL_MS, QUIET_MS = 4.0, 1.0, 0.33
ROUNDS = 2

WRITER = """
import os, sys, time
handle, seconds = int(sys.argv[1]), float(sys.argv[2])
os.write(handle, b"\\r\\n")
begin = time.monotonic()
sent = 0
while time.monotonic() - begin < seconds:
    time.sleep(max(0.0, begin + (sent + 1) / 1000 - time.monotonic()))
    os.write(handle, b"%+012.9f Nm\\r\\n" % (time.monotonic() % 1 / 1000))
    sent += 1
print(sent)
"""
READER = """
import os, select, sys, time
port = os.open(sys.argv[1], os.O_RDONLY | os.O_NOCTTY)
late = []
until = time.monotonic() + float(sys.argv[2])
while time.monotonic() < until:
    if select.select([port], [], [], 0.2)[0]:
        lines = os.read(port, 4096).split(b"\\r\\n")
        now = time.monotonic() % 1
        late += [(now - 1000 * float(line[:12])) % 1 for line in lines if len(line) == 15]
late.sort()
print(late[int(0.5 * len(late))], late[int(0.99 * len(late))])
"""


def _written(master: int, seconds: float) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(master), str(seconds)], pass_fds=[master], stdout=subprocess.PIPE, text=True
    )


def _alone() -> tuple[float, float]:
    """p50 and p99 in ms of a reader in a process of its own, without a window."""
    master, slave = os.openpty()
    tty.setraw(slave)
    writer = _written(master, 3.0)
    told = subprocess.run(
        [sys.executable, "-c", READER, os.ttyname(slave), "3.0"], capture_output=True, text=True, check=True
    ).stdout.split()
    writer.communicate()
    os.close(master)
    os.close(slave)
    return 1000 * float(told[0]), 1000 * float(told[1])


@pytest.mark.skipif(sys.platform == "win32", reason="there is no pseudo-terminal")
@pytest.mark.timeout(180)
def test_a_line_is_known_within_a_millisecond_beside_the_plot(on_a_port: tuple[Application, int]) -> None:
    kilter, port = on_a_port
    late_ms: list[float] = []
    n_lines = 0
    shown = kilter.session._shown
    put = shown.put

    def timed(block: SampleBlock) -> None:  # the link's thread, where the sample reaches the session
        nonlocal n_lines
        put(block)
        now_s = time.monotonic() % 1
        n_lines += len(block)
        scale = 10.0**block.decimals
        late_ms.extend(1000 * ((now_s - 1000 * digits / scale) % 1) for digits in block.digits.tolist())

    shown.put = timed  # type: ignore[method-assign]
    page = kilter.window.bench
    loop = QEventLoop()
    QTimer.singleShot(2000, loop.quit)
    loop.exec()
    rounds: list[tuple[float, float, float, float]] = []
    for _ in range(ROUNDS):
        quiet = _alone()
        late_ms.clear()
        n_lines, frames = 0, page.n_frames
        writer = _written(port, SECONDS)
        watch = QTimer()
        watch.setInterval(200)
        watch.timeout.connect(lambda w=writer: loop.quit() if w.poll() is not None else None)
        begin_s = time.monotonic()
        watch.start()
        loop.exec()
        watch.stop()
        frames_hz = (page.n_frames - frames) / (time.monotonic() - begin_s)
        n_written = int(writer.communicate()[0])
        assert n_written - 5 <= n_lines <= n_written
        assert frames_hz > 30
        p50, p99 = np.percentile(late_ms[1000:], [50, 99])
        rounds.append((float(p50), float(p99), quiet[1], frames_hz))
        print(
            f"\nbeside the plot, {frames_hz:.1f} frames/s: ms from written to sample p50 {p50:.3f}, "
            f"p99 {p99:.3f}; a reader alone {quiet[0]:.3f}, {quiet[1]:.3f}; load {os.getloadavg()[0]:.1f}"
        )
    calm = [p99 for _, p99, alone, _ in rounds if alone <= QUIET_MS]
    if not calm:
        pytest.skip(f"the machine is too busy to tell: a reader alone is late by {rounds[-1][2]:.1f} ms at p99")
    assert min(calm) <= GOAL_MS
