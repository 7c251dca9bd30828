"""A running Kilter in a real window, with the simulated bench behind a real socket, driven by keys only."""

from __future__ import annotations

import datetime as dt
import json
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.cli.window import Application
from benchapp.records import Store, demo
from benchapp.runs.model import RunState
from benchapp.session.view import BenchView, Phase, asked_of
from benchapp.ui.bench.start import StartPanel


class Hand:
    """Asks the simulated hand for pulls over the control channel."""

    def __init__(self, address: str) -> None:
        host, port = address.rsplit(":", 1)
        self._socket = socket.create_connection((host, int(port)), timeout=60.0)
        self._lines = self._socket.makefile("r", encoding="utf-8")
        self._number = 0

    def answer(self, **request: Any) -> Any:
        """What is answered to a request."""
        self._number += 1
        self._socket.sendall((json.dumps({"id": self._number, **request}) + "\n").encode())
        while (answer := json.loads(self._lines.readline())).get("id") != self._number:
            pass  # states that were told meanwhile
        return answer

    def try_(self, **request: Any) -> bool:
        """Ask, and say whether it was done: nobody can pull or take another tool while he pulls."""
        answer = self.answer(**request)
        assert answer["ok"] or "a pull is under way" in answer["error"], answer
        return bool(answer["ok"])

    def ask(self, **request: Any) -> None:
        """Ask for what can be done at any time."""
        assert self.try_(**request), request

    def is_at_rest(self) -> bool:
        """Nobody pulls."""
        return bool(self.answer(do="state")["state"]["phase"] == "rest")

    def close(self) -> None:
        self._lines.close()
        self._socket.close()


class Technician:
    """Two keys and a wrench."""

    def __init__(self, kilter: Application) -> None:
        self.kilter = kilter
        assert kilter.simulator is not None
        self.hand = Hand(kilter.simulator.control)
        self.walked: list[RunState] = []

    @property
    def view(self) -> BenchView:
        return self.kilter.session.view()

    def wait(self, true: Callable[[], bool], what: str, limit_s: float = 90.0) -> None:
        deadline = time.monotonic() + limit_s
        while not true():
            assert time.monotonic() < deadline, f"waited {limit_s} s for {what}; {self.view.state}, {self.view.phase}"
            QTest.qWait(10)

    def see(self) -> None:
        """Look at the screen until it has asked for long enough what the run asks now."""
        page = self.kilter.window.bench
        self.wait(
            lambda: asked_of(page.view.run) == asked_of(self.view.run) and page.look.is_enough,
            "the screen to ask what the run asks",
        )

    def key(self, key: Qt.Key = Qt.Key.Key_Space) -> None:
        """Press a key as a person does who has read what the screen asks."""
        self.see()
        QTest.keyClick(QApplication.focusWidget() or self.kilter.window, key)

    def start(self, tool: str, procedure: str = "", target: str = "") -> None:
        (panel,) = self.kilter.window.findChildren(StartPanel)
        self.wait(lambda: bool(panel.run_card.procedures), "the start panel")
        panel.tool_card.number.setText(tool)
        QTest.keyClick(panel.tool_card.number, Qt.Key.Key_Return)
        if procedure:
            panel.run_card.procedure.setCurrentIndex(
                panel.run_card.procedure.findText(procedure, Qt.MatchFlag.MatchContains)
            )
        if target:
            QTest.keyClicks(panel.run_card.target_box.torque, target)
        QTest.keyClicks(panel.run_card.operator, "fitter 2")
        self.wait(panel.foot.go.isEnabled, f"a plan for {tool}: {panel.foot}")
        QTest.mouseClick(panel.foot.go, Qt.MouseButton.LeftButton)
        self.wait(lambda: self.view.state is not None, "the run to begin")

    def go_home(self) -> None:
        """Close the window, a run under way or not: one that has not yet seen the run's end would only ask."""
        window = self.kilter.window
        window._closing = True  # the answer to its question
        window.close()
        self.kilter.close()

    def good_pull(self) -> None:
        """A steady pull that counts: the simulated arm carries one in ten past the click, which is pulled again."""
        for _ in range(4):
            self.pull()
            if self.view.state is not RunState.DECIDE:
                return
            self.key()
            self.wait(lambda: self.view.state is not RunState.DECIDE, "the pull again")
        raise AssertionError("four steady pulls were flagged")

    def pull(self, manner: str = "steady") -> None:
        """One pull, from rest until it is told what became of it."""
        run = self.view.run
        assert run is not None
        before = len(run.pulls)
        if self.view.target_nm:  # the window's hand sets the tool too, but on a busy machine it may come late
            self.hand.ask(do="set", torque=self.view.target_nm)
        self.wait(lambda: self.hand.try_(do="pull", manner=manner), "the hand to be at rest")
        self.wait(
            lambda: (
                self.view.run is not None
                and len(self.view.run.pulls) > before
                and self.view.phase is Phase.REST
                and (self.view.card is None or self.view.card.stored)
            ),
            f"a {manner} pull to be captured",
        )

    def walk_on(self, until: RunState, manners: dict[int, str] | None = None, limit: int = 60) -> None:
        """Do what the Bench asks for until it asks for `until`; `manners`: the n-th pull in another manner."""
        n_pulls = 0
        for _ in range(limit):
            state = self.view.state
            assert state is not None
            if not self.walked or self.walked[-1] is not state:
                self.walked.append(state)
            if state is until:
                return
            if state in (RunState.PRELOAD, RunState.PULL):
                n_pulls += 1
                self.pull((manners or {}).get(n_pulls, "steady"))
            else:
                asked = asked_of(self.view.run)
                self.key()
                self.wait(lambda before=asked: asked_of(self.view.run) != before, f"the key to count in {state}")
        raise AssertionError(f"not at {until} after {limit} steps; at {self.view.state}")


@pytest.fixture(autouse=True)
def found_ports(no_port_of_this_machine: None) -> None:
    """A live window finds none."""


@pytest.fixture(scope="session")
def workshop_of(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Callable[[int], Path]:
    """Return what gives the file of a demonstration workshop with so many years of history."""
    today = dt.date.today()  # a fixed one would be overdue one day
    return lambda years: made_once(
        f"workshop-{today}-{years}.sqlite", lambda path: demo.make(path, today=today, years=years)
    )


@pytest.fixture(scope="session")
def workshop(workshop_of: Callable[[int], Path]) -> Path:
    """A demo store with tools and references and no history."""
    return workshop_of(0)


@pytest.fixture
def open_kilter(qapp: QApplication, tmp_path: Path, workshop: Path) -> Iterator[Callable[[], Technician]]:
    """Open a window on a copy of the workshop; opened twice, the second goes on with the first one's store."""
    store_file = tmp_path / "demo.sqlite"
    store_file.write_bytes(workshop.read_bytes())
    opened: list[Technician] = []

    def open_one() -> Technician:
        kilter = Application(simulated=True, settings_path=tmp_path / "settings.json", store_file=store_file)
        kilter.window.resize(1366, 768)
        kilter.window.show()
        QTest.qWaitForWindowExposed(kilter.window)
        kilter.after_first_paint()
        technician = Technician(kilter)
        opened.append(technician)
        technician.wait(lambda: technician.view.link.state == "streaming", "samples")
        technician.wait(lambda: kilter.store is not None, "the records to be opened")
        return technician

    yield open_one
    for technician in opened:
        technician.hand.close()
        technician.go_home()
        technician.kilter.window.deleteLater()
    QTest.qWait(20)


@pytest.fixture
def stored(tmp_path: Path) -> Callable[[], Store]:
    """Open the store that the window used, after it was closed."""

    def open_store() -> Store:
        return Store.open(tmp_path / "demo.sqlite", demo=True)

    return open_store
