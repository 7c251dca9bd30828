"""Other tools and other hands: simulator on a real pseudo-terminal, driver, session, reader, run and store, no window.

Every bench has its own simulator process and walks its own run; they run side by side, because a pull takes as long as
a pull takes. What was read is held against what the simulator says the tool really did.
"""

from __future__ import annotations

import json
import select
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from benchapp.cli.window import SIMULATED_PROFILE, link_opener, make_reader
from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls.pull import Flag, Mode
from benchapp.records import Store
from benchapp.runs.model import PullKind, Run, RunPlan, RunState
from benchapp.runs.planning import plan_run
from benchapp.runs.procedure import shipped_procedure
from benchapp.session.session import BenchSession
from benchapp.session.view import Phase
from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from drivers import Profiles
from drivers.samples import Source

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there is no pseudo-terminal")


@dataclass
class Case:
    """A tool, what is in the simulated hand, and how it pulls."""

    tool: Tool
    kind: str
    capacity_nm: float
    target: float
    mode: Mode
    unit: str = "N·m"
    n_readings: int = 1
    manners: tuple[str, ...] = ()


@dataclass
class Outcome:
    """What came of it."""

    run: Run
    traces: list[Trace]
    truths: list[dict[str, Any]] = field(default_factory=list)
    """The simulator's state after each pull."""
    holding: list[list[float]] = field(default_factory=list)
    """Torque that the simulator told while the hand held, for each pull, N·m."""
    findings: tuple[object, ...] = ()


BOTH = (Direction.CLOCKWISE, Direction.ANTICLOCKWISE)
CASES = {
    "dial in peak mode": Case(
        Tool("OCF-020", ToolType.INDICATING, "B", "N·m", 20, 100, resolution=1, has_memory=True),
        *("dial-wrench", 250.0, 60.0, Mode.PEAK),
    ),
    "electronic in hold mode": Case(
        Tool("OCF-021", ToolType.INDICATING, "C", "N·m", 10, 200, resolution=0.1),
        *("electronic-wrench", 250.0, 80.0, Mode.HOLD),
    ),
    "slipping screwdriver": Case(
        Tool("OCF-031", ToolType.SETTING, "D", "cN·m", 40, 200, True, 2),
        *("slipping-screwdriver", 5.0, 120.0, Mode.FIRST_PEAK, "cN·m", 2),
    ),
    "click screwdriver anticlockwise": Case(
        Tool("OCF-030", ToolType.SETTING, "D", "cN·m", 100, 500, True, 5, directions=(Direction.ANTICLOCKWISE,)),
        *("click-screwdriver", 10.0, 300.0, Mode.FIRST_PEAK, "cN·m", 2),
    ),
    "jerky, then steady": Case(
        Tool("OCF-005", ToolType.SETTING, "A", "N·m", 20, 100, resolution=1),
        *("click-wrench", 250.0, 60.0, Mode.FIRST_PEAK, "N·m", 1, ("jerky",)),
    ),
}


class Simulator:
    """`kilter simulate --pty` and its control channel."""

    def __init__(self, case: Case, seed: int) -> None:
        maximum = str(case.tool.highest_nm)
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "benchapp", "simulate", "--pty", "--until-stdin-ends", "--seed", str(seed)),
                *("--capacity", str(case.capacity_nm), "--tool", case.kind, "--tool-max", maximum, "--unit", case.unit),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        told = json.loads(self.process.stdout.readline())
        self.url = f"{told['data']}?source=simulated"
        host, port = told["control"].rsplit(":", 1)
        self._socket = socket.create_connection((host, int(port)), timeout=60.0)
        self._buffer = b""
        self._number = 0
        self.state: dict[str, Any] = {}
        self.held: list[float] = []

    def listen(self, wait_s: float = 0.0) -> list[dict[str, Any]]:
        """Take what was told meanwhile; returns the answers among it."""
        answers = []
        if select.select([self._socket], [], [], wait_s)[0]:
            self._buffer += self._socket.recv(1 << 16)
            *lines, self._buffer = self._buffer.split(b"\n")
            for message in map(json.loads, lines):
                if "id" in message:
                    answers.append(message)
                if "state" in message:
                    self.state = message["state"]
                    if self.state["phase"] == "holding":
                        self.held.append(self.state["torque"])
        return answers

    def ask(self, **request: Any) -> None:
        self._number += 1
        self._socket.sendall(json.dumps({"id": self._number, **request}).encode() + b"\n")
        deadline = time.monotonic() + 90
        while time.monotonic() < deadline:
            for answer in self.listen(0.2):
                if answer["id"] == self._number:
                    assert answer["ok"], (request, answer)
                    return
        raise AssertionError(f"no answer to {request}")

    def close(self) -> None:
        self._socket.close()
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(10)
        self.process.stdout.close()


def walk(case: Case, folder: Path, seed: int) -> Outcome:
    """Walk one run from its cautions to its seal with what the case has in the hand."""
    profiles = Profiles()
    store = Store.open(folder / "demo.sqlite", demo=True)
    simulator = Simulator(case, seed)
    session = BenchSession(link_opener(lambda: profiles), make_reader, store)
    truths: list[dict[str, Any]] = []
    holding: list[list[float]] = []

    def until(true: Callable[[], object], what: str, limit_s: float = 90.0) -> None:
        deadline = time.monotonic() + limit_s
        while not true():
            view = session.view()
            assert time.monotonic() < deadline, f"{case.kind}: waited for {what}; {view.state}, {view.phase}, {view}"
            simulator.listen(0.01)

    def pull(manner: str) -> None:
        view = session.view()
        assert view.run is not None
        assert view.direction is not None
        before, simulator.held = len(view.run.pulls), []
        simulator.ask(do="direction", direction=view.direction.value)
        aim = {"target": view.target_nm, "hold_s": 4.0} if manner == "reach" else {}  # told ten times a second, at best
        simulator.ask(do="pull", manner=manner, **aim)
        n_pulls = simulator.state["pulls"]

        def over() -> bool:
            view = session.view()
            return view.run is not None and len(view.run.pulls) > before and view.phase is Phase.REST

        until(over, f"a {manner} pull")
        until(lambda: (card := session.view().card) is None or card.stored, "the pull to be stored")
        until(lambda: simulator.state["phase"] == "rest" and simulator.state["pulls"] >= n_pulls, "the hand to rest")
        truths.append(simulator.state)
        holding.append(simulator.held)

    try:
        session.open_link(simulator.url, SIMULATED_PROFILE)
        until(lambda: session.view().link.state == "streaming", "samples")
        plan = plan_run(
            *(case.tool, Reference("REF-1", case.capacity_nm), shipped_procedure("workshop-spot")),
            *("fitter 2", Source.SIMULATED),
            target=case.target,
            n_readings=case.n_readings,
            mode=case.mode,
        )
        assert isinstance(plan, RunPlan), plan
        session.start_run(plan)
        until(lambda: session.view().state is not None, "the run")
        manners = iter(case.manners)
        while (state := session.view().state) is not RunState.SEALED:
            view = session.view()
            if state in (RunState.PRELOAD, RunState.PULL):
                usual = "reach" if "dial" in case.kind or "electronic" in case.kind else "steady"
                pull(usual if state is RunState.PRELOAD else next(manners, usual))
                continue
            if state is RunState.SET_TOOL:
                simulator.ask(do="set", torque=view.target_nm)
            if state is RunState.INDICATION:
                session.enter_indication(round(simulator.state["shown_peak"] or 0.0, 1))
            else:
                session.go_on()
            until(lambda n=view.serial, s=state: session.view().serial != n and session.view().state is not s, "a step")
        run = session.view().run
        assert run is not None
        assert session.view().store_problem == ""
        session.close()
        kept = store.run(run.run_id)
        assert kept is not None
        assert kept.pulls == run.pulls
        traces = [store.trace(run.run_id, pull.number) for pull in kept.pulls]
        findings = store.check().findings
        return Outcome(kept, [t for t in traces if t is not None], truths, holding, findings)
    finally:
        session.close()
        simulator.close()
        store.close()


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Outcome]]:
    with ThreadPoolExecutor(len(CASES)) as pool:
        futures = {
            name: pool.submit(walk, case, tmp_path_factory.mktemp("bench"), seed)
            for seed, (name, case) in enumerate(CASES.items(), 1)
        }
        yield {name: future.result() for name, future in futures.items()}


def counted(outcome: Outcome) -> list[tuple[int, float]]:
    """(index, reading) of every reading that counts."""
    return [
        (i, p.pull.reading)
        for i, p in enumerate(outcome.run.pulls)
        if p.kind is PullKind.READING and p.set_aside is None and p.pull.reading is not None
    ]


@pytest.mark.parametrize("name", CASES)
def test_every_tool_comes_to_its_seal_with_every_pull_kept(outcomes: dict[str, Outcome], name: str) -> None:
    outcome, case = outcomes[name], CASES[name]
    assert outcome.findings == ()
    assert len(outcome.traces) == len(outcome.run.pulls) == len(outcome.truths)
    assert {(t.source, t.unit) for t in outcome.traces} == {(Source.SIMULATED, case.unit)}
    assert len(counted(outcome)) == case.n_readings
    assert {p.pull.mode for p in outcome.run.pulls} == {case.mode}


@pytest.mark.parametrize("name", ["slipping screwdriver", "click screwdriver anticlockwise", "jerky, then steady"])
def test_first_peak_is_where_the_tool_let_go(outcomes: dict[str, Outcome], name: str) -> None:
    outcome = outcomes[name]
    for i, reading in counted(outcome):
        truth = outcome.truths[i]["last_pull"]["first_peak"]
        assert abs(reading) == pytest.approx(abs(truth), rel=0.005)  # 0.5 %: noise, resolution and what 1 kHz hides


def test_a_dial_is_read_at_its_peak_and_asks_what_it_showed(outcomes: dict[str, Outcome]) -> None:
    outcome = outcomes["dial in peak mode"]
    ((i, reading),) = counted(outcome)
    assert reading == pytest.approx(outcome.truths[i]["last_pull"]["peak"], rel=0.005)
    indication = outcome.run.pulls[i].indication_nm
    assert indication == pytest.approx(outcome.truths[i]["shown_peak"], abs=0.051)
    deviation = outcome.run.pulls[i].deviation_percent
    assert deviation == pytest.approx(100 * (indication - reading) / reading, abs=1e-9)  # (Xa − Xr) / Xr


def test_a_hold_is_read_while_the_hand_held(outcomes: dict[str, Outcome]) -> None:
    outcome = outcomes["electronic in hold mode"]
    ((i, reading),) = counted(outcome)
    held = outcome.holding[i]
    assert len(held) >= 5
    assert 0.995 * min(held) <= reading <= 1.005 * max(held)


def test_anticlockwise_is_negative_on_the_line_and_a_reading_all_the_same(outcomes: dict[str, Outcome]) -> None:
    outcome = outcomes["click screwdriver anticlockwise"]
    for trace, captured in zip(outcome.traces, outcome.run.pulls, strict=True):
        assert captured.pull.direction is Direction.ANTICLOCKWISE
        assert trace.digits is not None
        assert abs(int(trace.digits.min())) > 10 * int(trace.digits.max())


def test_a_jerky_pull_is_said_set_aside_by_the_key_and_pulled_again(outcomes: dict[str, Outcome]) -> None:
    readings = [p for p in outcomes["jerky, then steady"].run.pulls if p.kind is PullKind.READING]
    first, *others = readings
    assert Flag.JERKY in first.pull.flags
    assert first.set_aside
    *again, last = others
    flags = [[flag.value for flag in p.pull.flags] for p in readings]
    # a machine that does not get to sending all samples makes gaps, or a reader that starts anew within a pull, which
    # is cut then: such a pull is pulled again too
    assert all(p.set_aside and {Flag.GAP, Flag.CUT} & set(p.pull.flags) for p in again), flags
    assert last.set_aside is None, flags
