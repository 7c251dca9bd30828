"""From the bytes of a click in the port to the sound that tells it: the whole way at 1 kHz, with run and store.

One thread writes the lines into a real pseudo-terminal, a line a millisecond, and asks the session for sounds after
each; driver, session, reader and store run behind it as they do in the program. The time counts from the write of the
last line before the torque falls, so the fall itself, which the reader has to see, is in it. Not in it: the window's
frame that fetches the sound (up to 16 ms) and the sound card.
Goal: 120 ms at p99. The reader by itself needs 35 to 45 ms of the fall; on two cores under a load of 6 p50 was 42 and
p99 162 ms, which misses the goal, and p99 50 ms under a load of 5 (30 clicks): what a machine does beside counts,
so its load is printed with the figures.
Run:  python -m pytest tests/bench/test_whole.py -s
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchapp.cli.window import SIMULATED_PROFILE, link_opener, make_reader
from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.records import Store
from benchapp.runs.model import RunPlan, RunState
from benchapp.runs.planning import plan_run
from benchapp.runs.procedure import shipped_procedure
from benchapp.session.session import BenchSession
from drivers import Profiles
from drivers.samples import Source

CLICKS = int(os.environ.get("KILTER_BENCH_CLICKS", "60"))
GOAL_MS = 120.0
RATE = 1000
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there is no pseudo-terminal")


class Transducer:
    """Writes torque as lines, one a millisecond, and looks for sounds in between."""

    def __init__(self, master: int, session: BenchSession) -> None:
        self.master, self.session = master, session
        self.random = np.random.default_rng(7)
        self.begin, self.n = time.monotonic(), 0

    def write(self, torque_nm: np.ndarray, crest: int = -1) -> tuple[float, float]:
        """Return (when the line `crest` was written, when "click" was heard after it; NaN: not)."""
        noisy = torque_nm + 0.01 * self.random.standard_normal(len(torque_nm))
        lines = [b"%+08.2f Nm\r\n" % value for value in noisy]
        written, heard, done = np.nan, np.nan, 0
        while done < len(lines):
            wait = self.begin + (self.n + 1) / RATE - time.monotonic()
            if wait > 0:
                time.sleep(wait)
            due = min(int((time.monotonic() - self.begin) * RATE) - self.n, len(lines) - done)
            if due > 0:
                os.write(self.master, b"".join(lines[done : done + due]))
                if done <= crest < done + due:
                    written = time.monotonic()
                done += due
                self.n += due
            if "click" in self.session.take_sounds() and np.isnan(heard):
                heard = time.monotonic()
        return written, heard

    def rest_until(self, true: Callable[[], object], what: str) -> None:
        deadline = time.monotonic() + 10
        while not true():
            assert time.monotonic() < deadline, (what, self.session.view())
            self.write(np.zeros(20))

    def pull(self, target_nm: float) -> tuple[float, float]:
        rise = np.concatenate([np.linspace(0, 0.8, 250), np.linspace(0.8, 1, 600)])
        fall = np.concatenate([np.linspace(1, 0.7, 6), np.linspace(0.7, 0, 250)])
        return self.write(target_nm * np.concatenate([rise, fall]), crest=len(rise) - 1)


@pytest.mark.timeout(300)
def test_a_click_is_told_within_120_ms(tmp_path: Path) -> None:
    import tty

    profiles = Profiles()
    tool = Tool("OCF-005", ToolType.SETTING, "A", "N·m", 20, 100, resolution=1)
    plan = plan_run(
        *(tool, Reference("REF-1", 250.0), shipped_procedure("workshop-full"), "fitter 2", Source.SIMULATED),
        n_readings=CLICKS // 3,
    )
    assert isinstance(plan, RunPlan)
    master, slave = os.openpty()
    tty.setraw(slave)
    store = Store.open(tmp_path / "demo.sqlite", demo=True)
    session = BenchSession(link_opener(lambda: profiles), make_reader, store)
    late_ms, n_pulls = [], 0
    try:
        session.open_link(f"{os.ttyname(slave)}?source=simulated", SIMULATED_PROFILE)
        transducer = Transducer(master, session)
        transducer.rest_until(lambda: session.view().link.state == "streaming", "samples")
        session.start_run(plan)
        transducer.rest_until(lambda: session.view().state is not None, "the run")
        while len(late_ms) < CLICKS and session.view().state is not RunState.FINAL_ZERO:
            view = session.view()
            if view.state in (RunState.PRELOAD, RunState.PULL):
                transducer.write(np.zeros(300))
                assert view.target_nm is not None
                written, heard = transducer.pull(view.target_nm)
                n_pulls += 1
                late_ms.append(1000 * (heard - written))
                transducer.rest_until(
                    lambda v=view: session.view().run is not None and len(session.view().run.pulls) > len(v.run.pulls),
                    "the pull to be captured",
                )
            else:
                session.go_on()
                transducer.rest_until(lambda v=view: session.view().state is not v.state, "a step")
    finally:
        session.close()
        store.close()
        os.close(master)
        os.close(slave)
    late = np.array(late_ms)
    p50, p99 = np.percentile(late, [50, 99])
    load = os.getloadavg()[0]
    print(f"\n{len(late)} clicks: p50 {p50:.1f}, p99 {p99:.1f}, greatest {late.max():.1f} ms; load {load:.1f}")
    assert len(late) == CLICKS
    assert not np.isnan(late).any(), "a click was not heard"
    assert late.min() > 0
    assert p99 <= GOAL_MS
