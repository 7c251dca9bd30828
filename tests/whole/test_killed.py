"""Killed with no warning at any moment, no pull that was told as stored is lost, and the run goes on where it stood.

A nursery process, started once, loads everything and forks one bench after another: session, reader, run and the real
store, fed with whole pulls as fast as they are taken. Each bench tells every pull that its view shows as stored, and is
killed with SIGKILL at a moment drawn from a seed. What the store then holds is compared with what was told.

What this cannot show: loss of power. A kill leaves to the operating system what was written; see the store's own tests
for what is synced to the disk.
"""

from __future__ import annotations

import datetime as dt
import os
import random
import select
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

KILLS = 20
LATEST_S = 0.45
"""A bench lives at most this long after its store is open; by then it has made some ten pulls."""

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="benches are forked and killed as POSIX has it")


# ------------------------------------------------------------------------------------------- the bench that is killed


class WholePulls:
    """A link that hands over whole pulls at once, sampled at 1 kHz, as a device would write them."""

    def __init__(self, url: str, profile: str, on_block: Any, on_status: Any) -> None:
        import numpy as np

        self.on_block, self.on_status = on_block, on_status
        self.random = np.random.default_rng()
        self.n = 0

    def start(self) -> None:
        self.tell("streaming")

    def stop(self, timeout_s: float = 2.0) -> None: ...

    def tell(self, state: str) -> None:
        from drivers.samples import Source
        from drivers.status import LinkState, LinkStatus

        self.on_status(LinkStatus(LinkState(state), rate_hz=1000.0, n_lines=1, source=Source.SIMULATED))

    def send(self, torque_nm: Any) -> int:
        """Send torque in blocks of a tenth of a second; returns the greatest number written, in mN·m."""
        import numpy as np

        from drivers.samples import SampleBlock, Source

        noisy = torque_nm + 0.004 * self.random.standard_normal(len(torque_nm))
        digits = np.rint(noisy * 1000).astype(np.int64)
        for first in range(0, len(digits), 100):
            part = digits[first : first + 100]
            t_s = (self.n + np.arange(len(part))) / 1000.0
            self.on_block(SampleBlock(self.n, t_s, part, 3, "N·m", Source.SIMULATED))
            self.n += len(part)
        return int(digits.max())

    def rest(self) -> None:
        import numpy as np

        self.send(np.zeros(800))

    def pull(self, reading_nm: float) -> int:
        import numpy as np

        rise = np.concatenate([np.linspace(0, 0.8, 400), np.linspace(0.8, 1, 800)])
        fall = np.concatenate([np.linspace(1, 0.6, 8), np.linspace(0.6, 0, 250)])
        return self.send(reading_nm * np.concatenate([np.zeros(400), rise, fall, np.zeros(400)]))


def tell(*words: object) -> None:
    """One line, one write: a kill never leaves half of it."""
    os.write(1, (" ".join(map(str, words)) + "\n").encode())


def bench(path: str, *, is_left: bool) -> None:
    """Take up the run that `is_left` in the store, else begin; do what it asks for; tell what is stored; be killed."""
    from benchapp.cli.window import make_reader
    from benchapp.records import Store
    from benchapp.runs.model import RunState
    from benchapp.session.session import BenchSession

    links = []

    def open_link(*given: Any) -> WholePulls:
        links.append(WholePulls(*given))
        return links[-1]

    store = Store.open(path, demo=True)
    session = BenchSession(open_link, make_reader)
    session.give_store(store)
    session.take_up()
    session.open_link("whole://", "pulls")
    told: set[tuple[str, int]] = set()
    greatest: dict[tuple[str, int], int] = {}
    last: object = None
    tell("up")

    def settle() -> None:
        done = threading.Event()
        session._queue.put(done.set)
        done.wait()

    def look() -> Any:
        nonlocal last
        settle()
        view = session.view()
        if view.run is not None:
            here = (view.run.run_id, view.state.value, view.run.checkpoint_index, len(view.run.pulls))
            if here != last:
                last = here
                tell("at", *here)
            card = view.card  # of the newest pull; its own number counts within the checkpoint
            if card is not None and card.stored and (key := (view.run.run_id, len(view.run.pulls))) not in told:
                told.add(key)
                if key in greatest:  # made by this bench
                    tell("stored", *key, greatest[key], repr(card.torque_nm))
        return view

    def begin() -> None:
        from benchapp.runs.planning import plan_run
        from benchapp.runs.procedure import shipped_procedure
        from drivers.samples import Source

        tool, reference = store.tool("OCF-005"), store.reference("REF-1")
        session.start_run(plan_run(tool.tool, reference, shipped_procedure("workshop-full"), "f", Source.SIMULATED))

    while is_left and look().run is None:
        time.sleep(0.001)
    while True:
        view = look()
        if view.holds or view.store_problem:
            time.sleep(0.001)
        elif view.state is None:
            begin()
        elif view.state is RunState.SEALED:
            session.dismiss()
        elif view.state in (RunState.PRELOAD, RunState.PULL):
            top = links[-1].pull(view.target_nm)
            settle()
            run = session.view().run
            if len(run.pulls) > len(view.run.pulls):
                key = (run.run_id, run.pulls[-1].number)
                greatest[key] = top
                while key not in told:
                    look()
        else:
            session.go_on()
            if view.state in (RunState.ZERO, RunState.FINAL_ZERO):
                settle()
                links[-1].rest()


def nursery() -> None:
    """Load everything, then fork a bench for every path that is read; tell when it has ended."""
    import benchapp.cli.window
    import benchapp.records.store
    import benchapp.runs.planning
    import benchapp.session.session  # noqa: F401  (all of it once, not once a bench)

    tell("ready")
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            try:
                tell("pid", os.getpid())
                is_left, store = line.split(maxsplit=1)
                bench(store.strip(), is_left=is_left == "1")
            except BaseException:
                traceback.print_exc()
                raise
            finally:
                os._exit(3)
        _, status = os.waitpid(pid, 0)
        tell("ended", os.WTERMSIG(status) if os.WIFSIGNALED(status) else f"by itself {status}")


# ------------------------------------------------------------------------------------------------------ the test of it


class Nursery:
    """The other end of `nursery`."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0
        )
        self._rest = b""

    def line(self, until: float) -> list[str] | None:
        """Return the next line in words; None when the moment `until` came first."""
        assert self.process.stdout is not None
        while b"\n" not in self._rest:
            wait = until - time.monotonic()
            if wait <= 0 or not select.select([self.process.stdout], [], [], wait)[0]:
                return None
            more = os.read(self.process.stdout.fileno(), 1 << 16)
            assert more, "the nursery ended; its complaint stands above"
            self._rest += more
        line, self._rest = self._rest.split(b"\n", 1)
        return line.decode().split()

    def must(self, first: str) -> list[str]:
        words = self.line(time.monotonic() + 90)
        assert words is not None, f"nothing came, {first!r} was waited for"
        assert words[0] == first, words
        return words

    def live_and_die(self, path: Path, life_s: float, *, is_left: bool, after_a_pull: bool) -> list[list[str]]:
        """Start a bench, kill it `life_s` after it is up (or after its first stored pull), return what it told."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{int(is_left)} {path}\n".encode())
        pid = int(self.must("pid")[1])
        told = []
        up = self.line(time.monotonic() + 90)
        assert up == ["up"], up
        if after_a_pull:  # however slow the machine is
            while not told or told[-1][0] != "stored":
                words = self.line(time.monotonic() + 90)
                assert words is not None, told
                assert words[0] != "ended", (words, told[-3:])
                told.append(words)
        until = time.monotonic() + life_s
        while (words := self.line(until)) is not None:
            assert words[0] != "ended", f"the bench ended {words}, {told[-3:]}"
            told.append(words)
        os.kill(pid, signal.SIGKILL)
        while (words := self.line(time.monotonic() + 90)) is not None:
            if words[0] == "ended":
                assert words[1] == str(int(signal.SIGKILL)), words
                return told
            told.append(words)
        raise AssertionError("a killed bench did not end")


@contextmanager
def a_nursery() -> Iterator[Nursery]:
    nursery = Nursery()
    try:
        nursery.must("ready")
        yield nursery
    finally:
        for stream in (nursery.process.stdin, nursery.process.stdout):
            assert stream is not None
            stream.close()
        try:
            nursery.process.wait(10)
        except subprocess.TimeoutExpired:
            nursery.process.kill()
            nursery.process.wait(10)


def kill_again_and_again(path: Path, kills: int, seed: int) -> dict[str, int]:
    """Kill `kills` benches on one store; after each, hold what the store has against what was told."""
    from benchapp.records import Store, demo
    from benchapp.runs.model import RunState
    from benchapp.runs.standing import n_counted

    demo.make(path, today=dt.date(2026, 11, 25), years=0)
    chance = random.Random(seed)
    acknowledged: dict[tuple[str, int], tuple[int, float]] = {}
    left: Any = None  # the run as the last kill left it
    found: dict[str, int] = {"kills": 0, "acknowledged": 0, "taken up": 0, "at a pull": 0, "more than told": 0}
    states: set[str] = set()
    read: set[tuple[str, int]] = set()
    with a_nursery() as nursery:
        for number in range(kills):
            told = nursery.live_and_die(
                path, chance.uniform(0.0, LATEST_S), is_left=left is not None, after_a_pull=number % 2 == 1
            )
            found["kills"] += 1
            walked = [words[1:] for words in told if words[0] == "at"]
            if left is not None and walked:
                # -- taken up: the same run, at the same pull, after reference and zero
                assert walked[0][0] == left.run_id
                found["taken up"] += 1
                if left.state in (RunState.PRELOAD, RunState.SET_TOOL, RunState.PULL):
                    mine = [words for words in walked if words[0] == left.run_id]
                    order = [words[1] for words in mine]
                    assert order[0] == "reference", order
                    first_pull = next((i for i, s in enumerate(order) if s in ("preload", "set-tool", "pull")), None)
                    if first_pull is not None:
                        assert order[:first_pull] == ["reference", "zero"], order
                        assert int(mine[first_pull][2]) == left.checkpoint_index
                        assert int(mine[first_pull][3]) == len(left.pulls)
                        found["at a pull"] += 1
            for words in told:
                if words[0] == "stored":
                    acknowledged[words[1], int(words[2])] = (int(words[3]), float(words[4]))
            states.add(walked[-1][1] if walked else "not yet taken up")
            with Store.open(path, demo=True) as store:
                runs = {run_id: store.run(run_id) for run_id in {key[0] for key in acknowledged}}
                for (run_id, pull_number), (greatest, reading) in acknowledged.items():
                    run = runs[run_id]
                    assert run is not None, f"kill {number}: run {run_id} is lost"
                    assert pull_number <= len(run.pulls), f"kill {number}: pull {pull_number} of {run_id} is lost"
                    assert run.pulls[pull_number - 1].pull.reading == reading
                    if (run_id, pull_number) in read and number < kills - 1:  # all of them again after the last kill
                        continue
                    read.add((run_id, pull_number))
                    trace = store.trace(run_id, pull_number)
                    assert trace is not None, f"kill {number}: trace {pull_number} of {run_id} is lost"
                    assert trace.digits is not None
                    assert int(trace.digits.max()) == greatest
                    assert len(trace) > 1500
                left = store.open_run()
                if left is not None:
                    index = left.checkpoint_index
                    if left.state is RunState.PULL:
                        assert n_counted(left, index) < left.plan.checkpoints[index].n_readings
                    known = sum(key[0] == left.run_id for key in acknowledged)
                    found["more than told"] += len(left.pulls) > known
        with Store.open(path, demo=True) as store:
            assert store.check().findings == ()
            found["sealed runs"] = len(store.runs(limit=1000)) - (left is not None)
    found["acknowledged"] = len(acknowledged)
    found["states killed in"] = len(states)
    return found


@pytest.mark.timeout(600)
def test_killed_at_any_moment_no_pull_told_as_stored_is_lost(tmp_path: Path) -> None:
    found = kill_again_and_again(tmp_path / "demo.sqlite", KILLS, seed=20261125)
    print(found)
    assert found["kills"] == KILLS
    assert found["acknowledged"] >= KILLS // 2  # every second bench is given the time for one
    assert found["taken up"] >= KILLS // 4


if __name__ == "__main__":
    nursery()
