"""A study of person or tool in a real window with simulated pulls: begun, closed, taken up, finished, exported."""

from __future__ import annotations

import csv
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.metrology.reference import Reference
from benchapp.practice.study import Quantity, Step, next_step, take
from benchapp.pulls.pull import Mode, Pull
from benchapp.records import Store, studies
from benchapp.torque.direction import Direction
from benchapp.ui.practice.studyboard import DONE, PULL
from drivers.samples import Source


@pytest.fixture(scope="session")
def workshop(workshop_of: Callable[[int], Path]) -> Path:
    """A workshop whose tools have been verified, in place of the one without history."""
    return workshop_of(1)


class Group:
    """People at the Practice page, with one simulated arm."""

    def __init__(self, technician: Any) -> None:
        self.kilter, self.hand = technician.kilter, technician.hand
        self.window = self.kilter.window
        self.window.hand.timer.stop()  # it sets the tool for the step; here the test does, and one of them must be last
        self.window.show_page("practice")
        self.page = self.window._built["practice"]
        self.page.show_view("study")
        self.view = self.page.view

    @property
    def board(self) -> Any:
        return self.view.board

    def wait(self, true: Callable[[], bool], what: str, limit_s: float = 90.0) -> None:
        deadline = time.monotonic() + limit_s
        while not true():
            told = (self.board.state, self.view.setup.says.text(), self.window.foot.message.text())
            assert time.monotonic() < deadline, f"waited {limit_s} s for {what}; {told}"
            QTest.qWait(10)

    def key(self, key: Qt.Key = Qt.Key.Key_Space) -> None:
        state = self.board.state
        QTest.keyClick(QApplication.focusWidget() or self.window, key)
        self.wait(lambda: self.board.state != state or not self.board.is_under_way, f"the way on from {state}")

    def begin(self, people: list[str], tools: list[str], rounds: str, target: str) -> None:
        setup = self.view.setup
        for name in people:
            if not setup.tick(setup.people, name):
                QTest.keyClicks(setup.name, name)
                QTest.keyClick(setup.name, Qt.Key.Key_Return)
        for number in tools:
            assert setup.tick(setup.tools, number)
        setup.rounds.put(rounds)
        QTest.keyClicks(setup.target, target)
        self.wait(setup.go.isEnabled, f"a plan: {setup.says.text()}")
        QTest.mouseClick(setup.go, Qt.MouseButton.LeftButton)
        self.wait(lambda: self.board.is_under_way, "the study to begin")

    def to_the_pull(self) -> None:
        while self.board.state != PULL:
            self.key()

    def pull(self, manner: str = "steady") -> None:
        """One pull of the step, until it is kept; people let the tool go at different torques."""
        self.to_the_pull()
        step, n = self.board.step, len(self.board.pulls)
        tool = {"do": "tool", "kind": "click-wrench", "max": step.tool.tool.highest_nm}
        self.wait(lambda: self.hand.try_(**tool), "the hand to be at rest")
        self.hand.ask(do="set", torque=shown_by(self.board.reference, step.tool.target_nm))
        self.hand.ask(do="error", percent=made_percent(step), spread=0.0)
        more = {"rate": 60} if manner == "steady" else {}
        self.hand.ask(do="pull", manner=manner, delay_s=0.05, **more)
        self.wait(lambda: len(self.board.pulls) > n, f"a {manner} pull")

    def good_pull(self) -> None:
        """A pull that counts; on a machine that did not get to sending all samples of one it is pulled again."""
        n = self.board.step.index
        for _ in range(20):
            self.pull()
            if self.board.step.index > n:
                return
        raise AssertionError(f"twenty pulls were damaged: {[pull.flags for pull in self.board.pulls]}")


def made_percent(step: Step) -> float:
    """Where a tool lets go in this study: three percent between the people, some from round to round, no more."""
    return (1.5 if step.person == "fitter 1" else -1.5) + (0.3 if step.round == 1 else -0.3)


def shown_by(reference: Reference, torque_nm: float) -> float:
    """What the reference shows at a torque: the program takes its error away again, and the simulated one has none."""
    points = [p for p in reference.calibration.points if p.direction is Direction.CLOCKWISE and not p.falling]
    return float(np.interp(torque_nm, [p.applied_nm for p in points], [p.indicated_nm for p in points]))


def pull_the_middle(store: Store, n_left: int) -> None:
    """What other people pull meanwhile at another bench on the same store, all but the last `n_left`."""
    (kept,) = studies.all_studies(store)
    while True:
        pulls = studies.pulls(store, kept.key)
        step = next_step(kept.plan, pulls)
        if step.index >= step.n_steps - n_left:
            return
        nm = step.tool.target_nm * (1 + made_percent(step) / 100)
        read = Pull(0.0, 2.0, Direction.CLOCKWISE, Mode.FIRST_PEAK, nm, 1.0, nm, nm, 0.0, 0.0, 0.9, 9.0)
        at = "2026-11-25T09:00:00+00:00"
        studies.add_pull(store, kept.key, take(kept.plan, pulls, step, read, at=at, source=Source.SIMULATED))


def test_a_study_from_its_set_up_over_a_closed_program_to_its_result(
    open_kilter: Callable[[], Any], stored: Callable[[], Store], tmp_path: Path
) -> None:
    group = Group(open_kilter())
    store = group.kilter.store
    assert store is not None
    head, runs = store.head(), store.runs()
    group.begin(["fitter 1", "fitter 2"], ["OCF-005", "OCF-004"], "2", "40 N·m")
    group.to_the_pull()
    board = group.board
    step = board.step
    assert board.sentence.sentence == f"{step.person}: pull {step.tool.tool.number} until it lets go"

    group.pull("short")  # damaged: the same step again
    assert board.again == "Once more: it never let go."
    assert board.step.index == 0
    group.good_pull()
    assert board.step.index == 1
    shown = " ".join((board.sentence.sentence, board.sentence.detail, board.blind.note, board.blind.with_what))
    assert f"{board.pulls[-1].reading_nm:.1f}" not in shown  # blind
    QTest.keyClick(QApplication.focusWidget() or group.window, Qt.Key.Key_Escape)
    group.wait(lambda: not group.board.is_under_way, "the study to be put down")
    group.window.close()
    group.kilter.close()
    with stored() as closed:
        (kept,) = studies.all_studies(closed)
        assert kept.is_open
        assert kept.n_counted == 1
        pull_the_middle(closed, n_left=2)

    group = Group(open_kilter())
    store = group.kilter.store
    group.view.setup.list.selectRow(0)
    QTest.mouseClick(group.view.setup.open_button, Qt.MouseButton.LeftButton)
    group.wait(lambda: group.board.is_under_way, "the study to be taken up")
    while group.board.state != DONE:
        group.good_pull()
    assert group.board.state == DONE
    QTest.keyClick(QApplication.focusWidget() or group.window, Qt.Key.Key_Space)
    result = group.view.result
    group.wait(result.isVisible, "the result")
    steps = [next_step(kept.plan, result.pulls[:n]) for n in range(len(result.pulls))]
    made = [made_percent(step) for step, pull in zip(steps, result.pulls, strict=True) if pull.counts]
    read = [pull.deviation_percent(Quantity.READING) for pull in result.pulls if pull.counts]
    assert read == pytest.approx(made, abs=0.4)  # a small hand's tremor on the last tenth of a second
    assert "of the spread is who pulls" in result.sentence.text()
    found = result.result.analysis
    assert found.shares.reproducibility.percent > 50  # three percent between two arms, made so
    assert studies.study(store, kept.key).finished

    path = tmp_path / "study.csv"
    result.save(path)
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert sum(row["counts"] == "yes" for row in rows) == 8
    assert rows[0]["counts"] == "no"
    assert {row["source"] for row in rows} == {Source.SIMULATED.value}
    assert store.head() == head  # no record was touched
    assert [run.run_id for run in store.runs()] == [run.run_id for run in runs]
