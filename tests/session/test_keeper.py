"""The keeper's queue: what waits there, and what becomes of a job that cannot be written."""

import threading

import numpy as np
import pytest

from benchapp.pulls.pull import Mode, Pull
from benchapp.records.packing import PackedPull
from benchapp.runs.model import CapturedPull, PullKind, Run, RunState
from benchapp.session._keeper import Job, Keeper
from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from benchapp.torque.trace_codec import decode
from drivers.samples import Source


class SlowStore:
    """Holds every pull until it is let go."""

    def __init__(self):
        self.let_go = threading.Semaphore(0)
        self.stored = []

    def store_pull(self, run, pull, trace):
        assert self.let_go.acquire(timeout=60)
        self.stored.append((pull, trace))


def make_trace(**fields):
    digits = np.arange(3000) % 700
    return Trace(
        np.arange(3000) / 1000.0, digits / 100.0, "N·m", Source.LIVE, digits=digits, decimals=2,
        nominal_rate_hz=1000.0, **fields,
    )  # fmt: skip


def make_pull(number):
    read = Pull(
        start_s=0.4, end_s=2.9, direction=Direction.CLOCKWISE, mode=Mode.FIRST_PEAK, reading=6.1, reading_time_s=2.5,
        peak=6.9, first_peak=6.1, rest=0.0, rest_after=0.0, time_80_to_100_s=0.9, loading_rate_per_s=2.0,
    )  # fmt: skip
    return CapturedPull(number, PullKind.PRELOAD, None, read)


@pytest.fixture
def run(plan_of):
    return Run("run-1", plan_of(), RunState.PRELOAD, "2026-03-04T09:00:00+01:00")


@pytest.fixture
def kept():
    """(keeper, its store, jobs done, sentences told)."""
    done, told = [], []
    keeper = Keeper(lambda job, _: done.append(job), told.append, retry_s=0.01)
    store = SlowStore()
    keeper.give_store(store)
    keeper.start()
    yield keeper, store, done, told
    for _ in range(100):
        store.let_go.release()
    assert keeper.stop()


def test_a_pull_is_packed_before_its_turn_to_be_written(kept, run):
    keeper, store, done, _ = kept
    trace = make_trace()
    pulls = [make_pull(number) for number in (1, 2, 3)]
    for pull in pulls:
        keeper.add(Job("pull", run, pull, trace))
    assert not done  # the disk still takes its time for the first
    assert all(isinstance(job.trace, PackedPull) for job in keeper._jobs)
    for _ in range(3):
        store.let_go.release()
    assert keeper.stop()
    assert [pull for pull, _ in store.stored] == pulls
    back = decode(store.stored[2][1].blob)
    assert back.torque.tobytes() == trace.torque.tobytes()
    assert back.t_s.tobytes() == trace.t_s.tobytes()


def test_a_pull_that_cannot_be_packed_is_told_and_kept(kept, run):
    keeper, _store, done, told = kept
    heard = threading.Event()
    keeper._on_problem = lambda sentence: (told.append(sentence), heard.set())
    keeper.add(Job("pull", run, make_pull(1), make_trace(extra={"key": object()})))  # brings no error to who adds it
    assert heard.wait(60)
    assert "object" in told[0]
    assert keeper.n_waiting == 1
    assert not done
    keeper._jobs.clear()
