"""Minutes on end at 10,000 lines a second through port, driver, session, reader, run, store and window: nothing lost.

KILTER_SOAK_MINUTES says how long (12: ten minutes after the ring of samples is full). A writer process paces the lines,
a pull every three seconds; sample k was due at begin + k / 10,000 on the clock that both processes share, so the age
of the newest sample that the window has taken holds the writer's own lateness too. A port opened in the middle of a
line cannot know that, so the link drops what comes before the first end of line: the writer sends one of those first.

Run:  KILTER_SOAK_MINUTES=3 python -m pytest tests/soak/test_hours.py -s
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QEventLoop, QTimer
from PySide6.QtTest import QTest

from benchapp.cli.window import Application
from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.runs.model import RunPlan, RunState
from benchapp.runs.planning import plan_run
from benchapp.runs.procedure import shipped_procedure
from drivers.samples import Source

MINUTES = float(os.environ.get("KILTER_SOAK_MINUTES", "12"))
RATE = 10_000
SETTLED_S = 120  # the ring of samples is full after 105 s, every buffer and every thread's stack has been used by then
GROWTH_MB = 1.0  # in the ten minutes after that
WRITER = """
import os, sys, time
import numpy as np
handle, rate, seconds = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
rise = np.concatenate([np.linspace(0, 0.8, rate // 2), np.linspace(0.8, 1, rate)])
fall = np.concatenate([np.linspace(1, 0.7, rate // 200), np.linspace(0.7, 0, rate // 4)])
pull = 60 * np.concatenate([rise, fall])
cycle = np.concatenate([np.zeros(3 * rate - len(pull)), pull])
cycle = cycle + 0.01 * np.random.default_rng(3).standard_normal(len(cycle))
lines = [b"%+08.2f Nm\\r\\n" % value for value in cycle]
begin = time.monotonic()
print(begin, flush=True)
os.write(handle, b"\\r\\n")
sent, late = 0, 0.0
while time.monotonic() - begin < seconds:
    time.sleep(0.001)
    due = int((time.monotonic() - begin) * rate)
    late = max(late, (due - sent) / rate)
    data = b"".join(lines[k % len(lines)] for k in range(sent, due))
    sent = due
    while data:
        data = data[os.write(handle, data):]
print(sent, late, flush=True)
"""


def memory_mb() -> tuple[float, float]:
    """(resident, written by this process alone) memory now, MB (Linux); elsewhere the greatest resident so far, twice.

    Pages that nobody wrote to are left out of the second: those of libraries count as shared or as one's own as other
    programs come and go (3.1 MB in the minute when another Python ended).
    """
    rollup = Path("/proc/self/smaps_rollup")
    if not rollup.exists():
        greatest = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        return greatest, greatest
    fields = dict(line.split(":", 1) for line in rollup.read_text().splitlines()[1:])
    kb = {name: int(fields[name].split()[0]) for name in ("Rss", "Private_Dirty")}
    return kb["Rss"] / 1024, kb["Private_Dirty"] / 1024


class Series:
    """Figures in an array that is there, and touched, from the beginning: the test itself must not grow."""

    def __init__(self, most: int, width: int = 1) -> None:
        self._all = np.full((most, width), np.nan)
        self.n = 0

    def add(self, *values: float) -> None:
        if self.n < len(self._all):
            self._all[self.n] = values
            self.n += 1

    @property
    def values(self) -> np.ndarray:
        return self._all[: self.n]


@pytest.mark.soak
@pytest.mark.timeout(60 * MINUTES + 120)
def test_nothing_is_lost_in_hours_at_ten_thousand_lines_a_second(on_a_port: tuple[Application, int]) -> None:
    kilter, port = on_a_port
    session, page = kilter.session, kilter.window.bench
    QTest.qWait(500)
    tool = Tool("OCF-016", ToolType.SETTING, "B", "N·m", 60, 60, fixed=True)
    plan = plan_run(
        *(tool, Reference("REF-1", 250.0), shipped_procedure("workshop-spot"), "fitter 2", Source.LIVE),
        target=60.0,
        n_readings=20,
    )
    assert isinstance(plan, RunPlan), plan
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(port), str(RATE), str(60 * MINUTES)],
        pass_fds=[port],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert writer.stdout is not None
    begin = float(writer.stdout.readline())
    ages = Series(round(60 * MINUTES * 70) + 1000)
    memory = Series(round(60 * MINUTES) + 100, width=3)  # (seconds, resident, private)
    sealed: set[str] = set()
    n_pulls = 0
    asked_to_start = False

    frame = page._frame

    def framed() -> None:  # what a frame that is painted has to show, looked at as it is handed to the painter
        frame()
        if page._next_index:
            ages.add(time.monotonic() - begin - page._next_index / RATE)

    page._frame = framed

    def go_on() -> None:
        nonlocal n_pulls, asked_to_start
        view = session.view()
        if view.state is None:
            # the run shows in a later view: asked for once, not again before it has come and gone
            if view.link.state == "streaming" and not asked_to_start:
                asked_to_start = True
                session.start_run(plan)
        elif view.state is RunState.SEALED:
            asked_to_start = False
            if view.run is not None and view.run.run_id not in sealed:
                sealed.add(view.run.run_id)
                n_pulls += len(view.run.pulls)
            session.dismiss()
        elif view.state not in (RunState.PRELOAD, RunState.PULL) and not view.is_zeroing:
            session.go_on()

    timers: list[QTimer] = []
    timer = QTimer()
    timer.setInterval(100)
    timer.timeout.connect(go_on)
    timer.start()
    timers.append(timer)
    frames, cpu_s, wall_s = page.n_frames, time.process_time(), time.monotonic()
    # The event loop of the program itself: QTest.qWait sleeps 10 ms at a time and keeps the interpreter meanwhile,
    # so that no other thread gets on.
    loop = QEventLoop()

    def over() -> None:
        memory.add(time.monotonic() - begin, *memory_mb())
        if writer.poll() is not None:
            loop.quit()

    watch = QTimer()
    watch.setInterval(1000)
    watch.timeout.connect(over)
    watch.start()
    timers.append(watch)
    loop.exec()
    frames, cpu_s, wall_s = page.n_frames - frames, time.process_time() - cpu_s, time.monotonic() - wall_s
    for timer in timers:
        timer.stop()
    words = writer.stdout.readline().split()
    n_written, writer_late_s = int(words[0]), float(words[1])
    writer.stdout.close()
    deadline = time.monotonic() + 10
    while session._status.n_lines < n_written and time.monotonic() < deadline:
        QTest.qWait(50)
    status, problem, last = session._status, session.view().store_problem, session.view()
    print(f"at the end: {last.state}, {len(last.run.pulls) if last.run else 0} pulls in a run under way")
    told = 1000 * ages.values[50:, 0]
    late = np.percentile(told, [50, 99, 100])
    slow = [f"{k / 62.5:.1f} s: {age:.0f}" for k, age in enumerate(told) if age > 20]
    print(f"{len(slow)} of {len(told)} frames later than 20 ms; the first of them, ms: {', '.join(slow[:40])}")
    print(
        f"\n{wall_s / 60:.1f} min, {n_written} lines written, {n_written - status.n_lines} lost, load {os.getloadavg()}"
    )
    print(f"writer itself late by {1000 * writer_late_s:.0f} ms at most")
    print(f"refused {status.n_refused}, gaps {status.n_gaps}, reconnects {status.n_reconnects}")
    print(f"{len(sealed)} runs sealed, {n_pulls} pulls in them, trouble of the store: {problem or 'none'}")
    print(f"{frames / wall_s:.1f} frames/s, CPU {100 * cpu_s / wall_s:.0f} % of one core")
    print(f"age of the newest sample: p50 {late[0]:.0f} ms, p99 {late[1]:.0f} ms, greatest {late[2]:.0f} ms")
    at_s, resident, private = memory.values.T
    print("resident each minute, MB:", " ".join(f"{value:.2f}" for value in resident[::60]))
    print("private each minute, MB: ", " ".join(f"{value:.2f}" for value in private[::60]))
    # A pull comes every three seconds, a run ends every minute: medians of a whole one.
    settled, last = (at_s >= SETTLED_S) & (at_s < SETTLED_S + 66), at_s >= at_s[-1] - 66
    growth_mb = np.nan
    if settled.any():
        growth_mb = float(np.median(private[last]) - np.median(private[settled]))
        resident_mb = float(np.median(resident[last]) - np.median(resident[settled]))
        print(
            f"growth from {SETTLED_S} s (the ring is full) to {at_s[-1]:.0f} s, medians of 66 s: "
            f"private {growth_mb:+.2f} MB, resident {resident_mb:+.2f} MB (goal: at most {GROWTH_MB} MB in 10 min)"
        )
    assert n_written == status.n_lines
    assert status.n_refused == status.n_reconnects == 0
    if writer_late_s < 0.1:  # lines without a number of their own: a writer held up by the machine looks like a gap
        assert status.n_gaps == 0
    assert problem == ""
    assert n_pulls > 0 or MINUTES < 2
    if MINUTES >= 10:
        assert growth_mb <= GROWTH_MB
