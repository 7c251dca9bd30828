"""A session with the real reader, and a link and a store that the test holds in its hands; time is an argument."""

import datetime as dt
import threading
import time

import numpy as np
import pytest

from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls import Mode, PullReader
from benchapp.runs.planning import plan_run
from benchapp.runs.procedure import shipped_procedure
from benchapp.session.session import BenchSession
from benchapp.torque.trace_codec import decode
from drivers.samples import SampleBlock, Source
from drivers.status import LinkState, LinkStatus

RATE = 1000


def pull_reader(capacity_nm):
    return PullReader(mode=Mode.FIRST_PEAK, capacity=capacity_nm)


class HandStore:
    """Keeps everything in memory; can fail or be slow."""

    def __init__(self):
        self.trouble = None
        self.runs, self.pulls, self.seals, self.calls = {}, {}, [], []
        self.judgements = []
        self.found = None
        self.lock = threading.Lock()

    def _write(self, name):
        with self.lock:
            if self.trouble is not None:
                raise self.trouble
            self.calls.append(name)

    def begin_run(self, run):
        self._write("begin")
        self.runs[run.run_id] = run

    def save_run(self, run):
        self._write("save")
        self.runs[run.run_id] = run

    def store_pull(self, run, pull, trace):
        self._write("pull")
        self.runs[run.run_id] = run
        self.pulls[run.run_id, pull.number] = (pull, decode(trace.blob))

    def seal(self, run, *, outcome=None, judgement=None, selftest=None):
        self._write("seal")
        self.runs[run.run_id] = run
        self.seals.append(run)
        self.judgements.append((judgement, outcome))

    def open_run(self):
        self._write("open")
        return self.found


class HandLink:
    def __init__(self, url, profile, on_block, on_status):
        self.url, self.on_block, self.on_status, self.stopped = url, on_block, on_status, False

    def start(self):
        pass

    def stop(self, timeout_s=2.0):
        self.stopped = True

    def status(self):
        return LinkStatus(LinkState.STREAMING)

    def send(self, command):
        return False

    def start_capture(self, path):
        pass

    def stop_capture(self):
        pass


class Bench:
    """Drives a session as link, hand and person do."""

    def __init__(self, store, **options):
        self.store = store
        self.wall = dt.datetime(2026, 3, 4, 9, 12, tzinfo=dt.UTC)
        self.session = BenchSession(self._open, pull_reader, store, now=lambda: self.wall, retry_s=0.02, **options)
        self.rng = np.random.default_rng(20260304)
        self.t = 0.0
        self.n = 0
        self.sent = {}  # time -> digits, as the device wrote them
        self.unit, self.decimals, self.sign = "N·m", 3, 1
        self.identity = ""
        self.session.open_link("hand://", "plain")
        self.until(lambda v: v.link.state == "opening")
        self.status(LinkState.STREAMING)

    def _open(self, url, profile, on_block, on_status):
        self.link = HandLink(url, profile, on_block, on_status)
        return self.link

    def status(self, state, **changes):
        given = {"rate_hz": float(RATE), "n_lines": 1, "source": Source.SIMULATED, "identity": self.identity}
        self.link.on_status(LinkStatus(state, url="hand://", **(given | changes)))
        self.until(lambda v: v.link.state == state.value)

    def send(self, torque_nm, *, overload=0, cut=100):
        """Send torque as the device would write it, `cut` samples a block."""
        torque_nm = np.atleast_1d(np.asarray(torque_nm, dtype=float))
        digits = np.rint(self.sign * torque_nm * 10**self.decimals).astype(np.int64)
        for first in range(0, len(digits), cut):
            part = digits[first : first + cut]
            t_s = self.t + np.arange(1, len(part) + 1) / RATE
            self.t = float(t_s[-1])
            self.link.on_block(
                SampleBlock(self.n, t_s, part.copy(), self.decimals, self.unit, Source.SIMULATED,
                            overload_t_s=np.full(overload, self.t))
            )  # fmt: skip
            self.sent.update(zip(t_s.tolist(), part.tolist(), strict=True))
            self.n += len(part)
        self.settle()

    def settle(self):
        """Wait until the engine has taken everything that was sent."""
        done = threading.Event()
        self.session._queue.put(done.set)
        assert done.wait(60)

    def rest(self, seconds=0.8, level=0.0):
        self.send(np.full(int(seconds * RATE), level))

    def pull(self, reading, *, click=True, sign=1):
        """Pull in 1.2 s, the last fifth in 0.8 s; the tool lets go, the hand eases back; noise of a good transducer."""
        rise = np.concatenate([np.linspace(0, 0.8 * reading, 400), np.linspace(0.8 * reading, reading, 800)])
        top = np.linspace(reading, 0.6 * reading, 8) if click else np.full(100, reading)
        back = np.linspace(top[-1], 0, 250)
        torque = sign * np.concatenate([np.zeros(400), rise, top, back, np.zeros(400)])
        self.send(torque + 0.004 * self.rng.standard_normal(len(torque)))

    def until(self, holds, limit_s=60.0):
        end = time.monotonic() + limit_s
        while not holds(self.session.view()):
            if time.monotonic() > end:
                raise AssertionError(f"waited {limit_s} s; the view is {self.session.view()}")
            threading.Event().wait(0.002)
        return self.session.view()

    @property
    def view(self):
        self.settle()
        return self.session.view()

    def go(self, *, wait=None):
        self.session.go_on()
        self.settle()
        return self.session.view()

    def natural(self, share=1.0):
        """Do the one thing that the view asks for."""
        view = self.view
        state = view.state.value
        if state in ("zero", "final-zero"):
            self.go()
            self.rest()
        elif state in ("preload", "pull"):
            self.pull(view.target_nm * share, sign=view.direction.sign)
        else:
            self.go()

    def walk(self, *states, limit=100):
        for _ in range(limit):
            if self.view.state.value in states:
                return self.view
            self.natural()
        raise AssertionError(f"stuck in {self.view.state}")


@pytest.fixture
def tool():
    return Tool("OCF-014", ToolType.SETTING, "A", "N·m", 8.0, 40.0, resolution=0.5)


@pytest.fixture
def reference():
    points = tuple(CalibrationPoint(x, x, 0.2) for x in (2.0, 50.0, 100.0))
    calibration = Calibration("C-1", "laboratory 1", dt.date(2026, 1, 5), dt.date(2027, 1, 5), 2.0, 100.0, 2.0, points)
    return Reference("REF-1", 100.0, calibrations=(calibration,))


@pytest.fixture
def plan_of(tool, reference):
    def plan_of(the_tool=tool, the_reference=reference, procedure="workshop-full", **options):
        return plan_run(the_tool, the_reference, shipped_procedure(procedure), "fitter 2", Source.SIMULATED, **options)

    return plan_of


@pytest.fixture
def store():
    return HandStore()


@pytest.fixture
def bench(store):
    bench = Bench(store)
    yield bench
    bench.session.close()


@pytest.fixture
def another_bench():
    made = []

    def make(store, **options):
        made.append(Bench(store, **options))
        return made[-1]

    yield make
    for bench in made:
        bench.session.close()
