"""20,000 frames of the Bench through every phase of a pull: nothing leaks, frames do not slow down.

Run:  python -m pytest tests/soak/test_redraw.py -s
"""

from __future__ import annotations

import resource
import statistics
import sys
import time
from pathlib import Path

import pytest
from PySide6.QtCore import QEvent, QObject

from benchapp.ui.bench.page import BenchPage
from benchapp.ui.context import AppContext
from benchapp.ui.settings import Settings
from benchapp.ui.sounds import Sounds

FRAMES = 20_000
BLOCK = 1_000


class Paints(QObject):
    """Counts what was really painted."""

    n = 0

    def eventFilter(self, watched, event) -> bool:
        self.n += event.type() == QEvent.Type.Paint
        return False


def resident_mb() -> float:
    """Resident memory now (Linux), else the greatest so far."""
    status = Path("/proc/self/statm")
    if status.exists():
        return int(status.read_text().split()[1]) * resource.getpagesize() / 1e6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_twenty_thousand_frames(qtbot, stand):
    scenes = stand.scenes()
    views = [scenes[name][0] for name in ("rising", "click", "closed", "flagged", "high", "set-tool", "warn")]
    port = stand.StandIn()
    page = BenchPage(AppContext(port, is_demo=True), Settings(None), Sounds())
    page.sounds.muted = True
    qtbot.addWidget(page)
    page.resize(1366, 768)
    with qtbot.waitExposed(page):
        page.show()
    page.timer.stop()
    paints = Paints()
    page.plot.installEventFilter(paints)
    t, v = stand.curve("click", rate=10_000.0)
    costs, nones, memory = [], [], []
    for i in range(FRAMES):
        n = 5_000 + (i * 160) % 55_000
        if n < 5_160:
            page.plot.columns.clear()
            page._next_index = 0
        port.t, port.v = t[:n], v[:n]
        if i % 40 == 0:
            port.show(views[i // 40 % len(views)])
        if i % BLOCK == 0:
            started = time.process_time()
            nones.append(sys.getrefcount(None))
            memory.append(resident_mb())
        page.tick()
        page.plot.repaint()
        page.live.repaint()
        if i % BLOCK == BLOCK - 1:
            costs.append((time.process_time() - started) / BLOCK * 1e3)
    page.plot.removeEventFilter(paints)
    page.stop()
    median = statistics.median(costs)
    print(f"\n{FRAMES} frames, {paints.n} paints of the plot")
    print(f"{median:.2f} ms CPU a frame (first block {costs[0]:.2f}, last {costs[-1]:.2f})")
    print(f"memory {memory[2]:.1f} MB after {2 * BLOCK} frames, {memory[-1]:.1f} MB at the end")
    print(f"references to None: {nones[1]} .. {nones[-1]}")
    assert paints.n >= FRAMES
    assert memory[-1] - memory[2] < 4.0
    assert costs[-1] < 2 * costs[1]
    if sys.version_info < (3, 12):
        assert abs(nones[-1] - nones[1]) < 2_000
