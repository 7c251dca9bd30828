"""Practice in a real window with simulated pulls: a drill, a level, progress, a deletion, and no record touched."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.practice.progress import counted
from benchapp.pulls.pull import Flag
from benchapp.records import Store, practice
from benchapp.runs.model import RunState
from benchapp.session.view import Phase
from benchapp.ui.bench.start import StartPanel
from benchapp.ui.practice.drillboard import PULLS
from drivers.samples import Source


@pytest.fixture(scope="session")
def workshop(workshop_of: Callable[[int], Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workshop whose tools have been verified, in place of the one without history."""
    path = tmp_path_factory.mktemp("verified") / "demo.sqlite"
    path.write_bytes(workshop_of(1).read_bytes())
    with Store.open(path, demo=True) as store:
        practice.delete_person(store, "fitter 2")
    return path


class Trainee:
    """A person at the Practice page, with a simulated arm."""

    def __init__(self, technician: Any) -> None:
        self.kilter = technician.kilter
        self.window = self.kilter.window
        self.hand = technician.hand
        self.n_pulls = 0
        self.wait(lambda: self.kilter.context.store is not None, "the store")
        self.window.hand.timer.stop()  # it sets the drill's tool; here the test does, and one must be last
        self.window.set_operator("fitter 2")
        self.window.show_page("practice")

    @property
    def page(self) -> Any:
        return self.window._built["practice"]

    @property
    def board(self) -> Any:
        return self.page._built["drills"].board

    @property
    def chooser(self) -> Any:
        return self.page._built["drills"].chooser

    def wait(self, true: Callable[[], bool], what: str, limit_s: float = 90.0) -> None:
        deadline = time.monotonic() + limit_s
        while not true():
            assert time.monotonic() < deadline, f"waited {limit_s} s for {what}"
            QTest.qWait(10)

    def key(self, key: Qt.Key = Qt.Key.Key_Space) -> None:
        QTest.keyClick(QApplication.focusWidget() or self.window, key)

    def begin(self, drill: str, tool: str) -> None:
        self.chooser.pick_drill(drill)
        assert self.chooser.pick_tool(tool)
        self.chooser.level.setCurrentIndex(0)
        self.wait(self.chooser.go.isEnabled, f"a choice: {self.chooser.says.text()}")
        QTest.mouseClick(self.chooser.go, Qt.MouseButton.LeftButton)
        while self.board.state != PULLS:
            state = self.board.state
            self.key()
            self.wait(lambda s=state: self.board.state != s, f"the way on from {state}")
        choice = self.board.sitting.choice
        kind = "click-wrench" if drill != "eye" else "dial-wrench"
        tool = {"do": "tool", "kind": kind, "max": choice.tool.highest_nm}
        self.wait(lambda: self.hand.try_(**tool), "the hand to be at rest")
        self.hand.ask(do="set", torque=choice.target_nm)

    def pull(self, manner: str) -> Any:
        """One pull, until it has been told; another one when this machine did not get to sending all samples of it."""
        more = {"rate": 32} if manner == "steady" else {}
        for _ in range(20):
            n = len(self.board.sitting.pulls)
            self.wait(lambda: self.hand.try_(do="pull", manner=manner, delay_s=0.05, **more), "the hand to be at rest")
            self.wait(lambda n=n: len(self.board.sitting.pulls) > n, f"a {manner} pull")
            self.wait(lambda: self.kilter.session.view().phase is Phase.REST, "rest")
            self.n_pulls += 1
            if Flag.GAP not in self.board.sitting.told.pull.marks.flags:
                return self.board.sitting.told
        raise AssertionError(f"twenty {manner} pulls had gaps")


@pytest.fixture
def trainee(open_kilter: Callable[[], Any]) -> Trainee:
    return Trainee(open_kilter())


def test_a_drill_from_the_first_caution_to_a_level_passed_progress_and_deletion(trainee: Trainee) -> None:
    store = trainee.kilter.store
    assert store is not None
    before, runs = store.check(), store.runs()
    trainee.begin("stop", "OCF-005")

    # a pull carried far past the click: both peaks are told apart, one thing is said
    # the simulated hand goes on by 25 % and more, now and then beyond what the tool carries: then that is what is said
    for _ in range(10):
        told = trainee.pull("past-click")
        if Flag.TOOL_OVERLOAD not in told.pull.marks.flags:
            break
        assert told.advice.of == "tool-overload"
    marks = told.pull.marks
    assert marks.first_peak_nm == pytest.approx(60.0, rel=0.05)
    assert marks.peak_nm > 1.25 * marks.first_peak_nm
    assert Flag.PAST_CLICK in marks.flags
    assert told.advice.of == "follow_percent"
    # the pull is told when it is closed, the words come with the next frame
    trainee.wait(lambda: trainee.board.sentence.sentence.startswith("Stop sooner: "), "the sentence after the pull")
    assert trainee.board.pair.titles == ("the wrench let go at", "your hand went to")
    shown = [float(figure) for figure in trainee.board.pair.figures]
    assert shown == [pytest.approx(marks.first_peak_nm, abs=0.01), pytest.approx(marks.peak_nm, abs=0.01)]

    # steady ones: four good of five pass level 1
    for _ in range(20):
        told = trainee.pull("steady")
        assert abs(told.pull.marks.first_peak_nm / marks.first_peak_nm - 1) < 0.03
        if told.is_passed_now:
            break
    assert told.is_passed_now
    assert told.standing.n_good >= 4
    # the pull is told when it is closed, the words come with the next frame
    trainee.wait(lambda: trainee.board.sentence.sentence.startswith("Level 1 passed."), "the sentence after the pull")
    trainee.key()
    trainee.wait(lambda: trainee.board.sitting.choice.level == 2, "level 2")
    trainee.key(Qt.Key.Key_Escape)
    trainee.wait(lambda: not trainee.board.is_under_way, "the end of the drill")

    # stored by person with its source, shown as progress
    kept = practice.pulls_of(store, "fitter 2", drill="stop")
    assert len(kept) >= 5
    assert {pull.source for pull in kept} == {Source.SIMULATED}
    assert [pull.passed for pull in kept].count(True) == 1
    assert trainee.chooser.list.current().stands.startswith("level 1 of 3 passed")
    trainee.page.show_view("progress")
    view = trainee.page.view
    view.who.setCurrentIndex(view.who.findData("fitter 2"))
    assert view.chart.weeks[-1].n_pulls == len(counted(kept))
    assert view.list.rows[0][1].startswith("level 1 of 3")

    # deleted by the person; the records are as they were, by chain head and by run
    QTest.mouseClick(view.delete, Qt.MouseButton.LeftButton)
    QTest.mouseClick(view.really, Qt.MouseButton.LeftButton)
    assert practice.count_of(store, "fitter 2") == 0
    after = store.check()
    assert after.findings == before.findings == ()
    assert (after.head, after.n_entries, after.n_traces) == (before.head, before.n_entries, before.n_traces)
    assert store.runs() == runs


def test_manners_by_eye_and_a_run_that_comes_first(trainee: Trainee) -> None:
    # blind pulls: each manner gets the sentence it deserves
    trainee.begin("blind", "OCF-005")
    assert trainee.pull("jerky").advice.of == "dip_percent"
    assert trainee.pull("snatched").advice.of == "rise_s"
    assert trainee.pull("short").advice.of == "no-click"
    trainee.key(Qt.Key.Key_Escape)
    trainee.wait(lambda: not trainee.board.is_under_way, "the end of the drill")

    # by eye with a dial: the screen hides the torque until the pull is over
    trainee.begin("eye", "OCF-020")
    target = trainee.board.sitting.choice.target_nm
    # held long enough to be seen also on a machine that draws rarely
    trainee.hand.ask(do="pull", manner="reach", delay_s=0.05, hold_s=4.0)
    trainee.wait(lambda: trainee.kilter.session.live()[1] > 0.5 * target, "torque")
    trainee.wait(trainee.board.curtain.isVisible, "the curtain")
    assert not trainee.board.plot.isVisible()
    assert not any(c.isdigit() for c in trainee.board.live.text)
    trainee.wait(lambda: trainee.board.sitting.told is not None, "the pull to be told")
    assert trainee.board.sitting.told.pull.marks.reading_nm == pytest.approx(target, rel=0.1)
    trainee.wait(trainee.board.plot.isVisible, "the curve")
    n = practice.count_of(trainee.kilter.context.store, "fitter 2")
    assert n == trainee.n_pulls + 1

    # a run takes the bench: practice ends and keeps what it had
    trainee.window.show_page("bench")
    (panel,) = trainee.window.findChildren(StartPanel)
    panel.tool_card.number.setText("OCF-005")
    QTest.keyClick(panel.tool_card.number, Qt.Key.Key_Return)  # who pulls is known: Enter starts
    trainee.wait(lambda: trainee.kilter.session.view().state is RunState.CAUTIONS, "the run")
    trainee.window.show_page("practice")
    trainee.wait(lambda: not trainee.board.is_under_way, "practice to end")
    assert "run is under way" in trainee.window.foot.message.text()
    assert practice.count_of(trainee.kilter.context.store, "fitter 2") == n
