"""A study on a bench that is not there: what is asked of it, what is said and what is not, what the keys do."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QMessageBox

from benchapp.pulls.pull import Flag, Mode, Pull
from benchapp.records import Store, StoreError, studies
from benchapp.session.view import PracticePull
from benchapp.torque.direction import Direction
from benchapp.ui.context import AppContext
from benchapp.ui.practice.studyview import StudyView
from drivers.samples import Source

from . import bench_standin as stand

WALL = "2026-11-25T09:00:00+00:00"


class Group:
    """People at a study."""

    def __init__(self, path: Path) -> None:
        self.port = stand.PracticeStandIn()
        self.now = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)
        self.context = AppContext(self.port, is_demo=True)
        self.said: list[str] = []
        self.context.message.connect(lambda _, sentence: self.said.append(sentence))
        self.kinds: list[str] = []
        self.context.message.connect(lambda kind, _: self.kinds.append(kind))
        self.store = Store.open(path, demo=True)
        self.context.give_store(self.store)
        self.view = StudyView(self.context, clock=lambda: self.now)
        self.view.resize(1366, 700)
        self.view.show()
        self.view.refresh()

    @property
    def board(self):
        return self.view.board

    @property
    def setup(self):
        return self.view.setup

    def tick(self, people, tools) -> None:
        for name in people:
            assert self.setup.tick(self.setup.people, name)
        for number in tools:
            assert self.setup.tick(self.setup.tools, number)

    def begin(self) -> None:
        self.tick(("fitter 1", "fitter 2"), ("OCF-004", "OCF-005"))
        self.setup.rounds.choose("2")
        QTest.mouseClick(self.setup.go, Qt.MouseButton.LeftButton)
        self.board.timer.stop()

    def to_the_pull(self) -> None:
        while self.board.state != "pull":
            self.board.act("go")
            if self.port.shown.is_zeroing:
                self.board.tick()
                self.port.show(replace(self.port.shown, is_zeroing=False))
                self.board.tick()

    def pull(self, percent: float = 0.0, flags: tuple[Flag, ...] = (), peak: float = 1.1) -> None:
        target = self.board.step.tool.target_nm
        torque = target * (1 + percent / 100)
        made = Pull(
            *(0.0, 2.0, Direction.CLOCKWISE, Mode.FIRST_PEAK, torque, 1.0, torque * peak, torque, 0.0, 0.0, 0.9, 9.0),
            flags=flags,
        )
        nothing = self.port.samples_since(0)
        self.port.closed.append(PracticePull(made, nothing[1], nothing[2], Source.SIMULATED, WALL))
        self.board.tick()

    def walk(self) -> None:
        while not self.board.step.is_done:
            self.to_the_pull()
            k = self.board.step.index
            who = 2.0 if self.board.step.person == "fitter 1" else -2.0
            self.pull(who + 0.1 * (k % 3))

    def close(self) -> None:
        self.view.close()
        self.view.deleteLater()
        self.store.close()
        QTest.qWait(10)


@pytest.fixture(scope="module")
def verified(demo_of: Callable[[int], Path]) -> Path:
    return demo_of(1)


@pytest.fixture
def group(qapp: QApplication, tmp_path: Path, verified: Path) -> Iterator[Group]:
    path = tmp_path / "demo.sqlite"
    path.write_bytes(verified.read_bytes())
    made = Group(path)
    yield made
    made.close()


def test_too_few_cannot_begin_and_are_told_how_many(group: Group) -> None:
    assert not group.setup.go.isEnabled()
    assert "3 people, 5 tools and 3 rounds" in group.setup.says.text()
    group.tick(("fitter 1",), ("OCF-004", "OCF-005"))
    assert not group.setup.go.isEnabled()
    assert "People: 1; at least 2" in group.setup.says.text()
    group.tick(("fitter 2",), ())
    assert group.setup.go.isEnabled()
    assert "0.45 to 31.9 times" in group.setup.says.text()


def test_tools_without_a_good_result_cannot_be_taken(group: Group) -> None:
    assert not group.setup.tick(group.setup.tools, "OCF-040")  # not verified yet
    assert not group.setup.tick(group.setup.tools, "OCF-009")  # out of service


def test_tools_that_no_one_reference_covers_are_refused_with_the_range(group: Group) -> None:
    group.tick(("fitter 1", "fitter 2"), ("OCF-001", "OCF-015"))
    assert not group.setup.go.isEnabled()
    assert "6 to 265.2\u00a0N·m" in group.setup.says.text()


def test_one_torque_for_all_must_lie_on_every_scale(group: Group) -> None:
    group.tick(("fitter 1", "fitter 2"), ("OCF-004", "OCF-014"))
    group.setup.target.setText("25 N·m")
    group.setup._replan()
    assert "not on the scale of OCF-014: 30 to 150\u00a0N·m" in group.setup.says.text()


def test_the_bench_reads_for_the_tool_that_is_told(group: Group) -> None:
    group.begin()
    assert group.board.state == "cautions"
    assert len(group.board.cautions.rows()) == 5
    assert "stop at the click" in group.board.cautions.accessibleDescription()
    group.to_the_pull()
    step = group.board.step
    assert group.port.aims[-1].target_nm == step.tool.target_nm
    assert group.context.practising[0].number == step.tool.tool.number
    group.board.act("leave")
    assert not group.port.is_practising
    assert group.context.practising is None


def test_no_value_is_shown_before_the_study_is_over(group: Group) -> None:
    group.begin()
    group.to_the_pull()
    group.pull(3.217)
    board = group.board
    torque = f"{board.pulls[-1].reading_nm:.4g}"
    for text in (board.sentence.sentence, board.sentence.detail, board.blind.note, board.blind.with_what):
        assert torque not in text
        assert "3.2" not in text
    assert board.sentence.link.startswith("REF-1")


def test_a_pull_before_ready_belongs_to_nobody(group: Group) -> None:
    group.begin()
    group.to_the_pull()
    group.pull()
    n = len(group.board.pulls)
    assert group.board.state == "handover"
    group.pull()
    assert len(group.board.pulls) == n
    group.board.act("go")
    assert len(group.board.pulls) == n


def test_a_damaged_pull_is_made_again_and_why_is_said_without_a_number(group: Group) -> None:
    group.begin()
    group.to_the_pull()
    step = group.board.step
    group.pull(flags=(Flag.GAP,))
    assert group.board.step.index == step.index
    assert group.board.sentence.detail == "Once more: samples were missing."
    group.pull(flags=(Flag.JERKY,))
    assert group.board.step.index == step.index + 1


def test_a_pull_that_cannot_be_stored_is_told_and_does_not_count(group: Group, monkeypatch) -> None:
    group.begin()
    group.to_the_pull()

    def full(*_: object) -> None:
        raise StoreError(group.store.path, "The disk is full.")

    monkeypatch.setattr(studies, "add_pull", full)
    group.pull()
    assert group.board.pulls == []
    assert "Not stored, pull again" in group.board.sentence.detail


def test_a_break_comes_when_an_arm_has_pulled_enough(group: Group) -> None:
    group.begin()
    board = group.board
    board.study = replace(board.study, plan=replace(board.study.plan, break_every=1))
    group.to_the_pull()
    for _ in range(8):
        if board.state == "break":
            break
        group.to_the_pull()
        group.pull()
    assert board.state == "break"
    assert board.sentence.sentence == "Rest your arms"
    assert board.sentence.detail.startswith("2:00 left")
    group.now += dt.timedelta(seconds=121)
    board.tick()
    assert board.sentence.sentence == "Rested"
    board.act("go")
    assert board.state == "zero"  # the rest level is taken anew


def test_the_study_gives_way_to_a_run_and_goes_on_later(group: Group) -> None:
    group.begin()
    group.to_the_pull()
    group.pull()
    group.port.show(stand.view(stand.RunState.PULL))
    group.board.tick()
    assert not group.board.is_under_way
    assert any("A run is under way" in sentence for sentence in group.said)
    (kept,) = studies.all_studies(group.store)
    assert kept.is_open
    assert kept.n_counted == 1
    group.port.show(stand.view(None))
    group.view.open_study(kept)
    assert group.board.step.index == 1


def test_the_result_comes_after_the_last_pull_with_picture_and_sentence(group: Group) -> None:
    group.begin()
    group.walk()
    assert group.board.state == "done"
    group.board.act("go")
    result = group.view.result
    assert result.isVisible()
    assert result.sentence.text().startswith("Almost all of the spread is who pulls")
    assert "who pulls" in result.shares.accessibleName()
    assert result.dots.accessibleName() == "8 pulls by person and tool"
    result.quantity.choose("peak")
    assert result.result.values.mean() == pytest.approx(10.1, abs=0.5)
    (kept,) = studies.all_studies(group.store)
    assert not kept.is_open


def test_an_unfinished_study_is_ended_only_with_two_whole_rounds(group: Group) -> None:
    group.begin()
    group.to_the_pull()
    group.pull()
    group.board.act("leave")
    assert group.setup.end_button.isVisible()
    QTest.mouseClick(group.setup.end_button, Qt.MouseButton.LeftButton)
    assert "Two whole rounds are 8 pulls; so far 1 count. Go on: 7 to go." in group.said[-1]
    too_few = group.said[-1]
    group.setup.open_button.click()
    assert group.said[-1] == too_few, "over: it stood in the foot to the end of the study"
    assert group.kinds[-1] == "over"
    group.board.act("leave")
    assert studies.all_studies(group.store)[0].is_open


def test_somebody_who_leaves_is_asked_for_once_and_the_others_go_on(group: Group, monkeypatch) -> None:
    group.tick(("fitter 3",), ())
    group.begin()
    assert "3 people" in group.board.study.name
    group.to_the_pull()
    group.pull()
    group.board.act("leave")
    assert group.setup.drop_button.isVisible()
    asked: list[str] = []
    monkeypatch.setattr(
        QMessageBox, "question", lambda _s, _t, says, *_: asked.append(says) or QMessageBox.StandardButton.Yes
    )
    group.setup._ask_drop(group.setup.list.current(), "fitter 3")
    assert "fitter 3 pulls no more" in asked[0]
    (kept,) = studies.all_studies(group.store)
    assert kept.plan.gone == ("fitter 3",)
    assert not group.setup.drop_button.isVisible()  # two are the least
    assert "fitter 3 left" in group.setup._stands(kept)
    group.view.open_study(kept)
    people = set()
    while not group.board.step.is_done:
        group.to_the_pull()
        people.add(group.board.step.person)
        group.pull(2.0 if group.board.step.person == "fitter 1" else -2.0 + 0.1 * group.board.step.index)
    assert people <= {"fitter 1", "fitter 2"}
    group.board.act("go")
    assert "2 people (fitter 3 left)" in group.view.result.about.text()
    assert group.view.result.result.values.shape == (2, 2, 2)


def test_a_study_that_nobody_goes_on_with_can_be_deleted(group: Group, monkeypatch) -> None:
    group.begin()
    group.to_the_pull()
    group.pull()
    group.board.act("leave")
    head = group.store.head()
    answers = iter((QMessageBox.StandardButton.No, QMessageBox.StandardButton.Yes))
    monkeypatch.setattr(QMessageBox, "question", lambda *_: next(answers))
    for n_left in (1, 0):
        QTest.mouseClick(group.setup.delete_button, Qt.MouseButton.LeftButton)
        assert len(studies.all_studies(group.store)) == n_left
    assert not group.setup.delete_button.isVisible()
    assert group.setup.none_yet.isVisible()
    assert group.store.head() == head


def test_the_last_pull_is_made_again_when_somebody_else_made_it(group: Group) -> None:
    group.begin()
    board = group.board
    group.to_the_pull()
    board.act("aside")  # nothing to set aside yet
    first = board.step
    group.pull(5.0)
    assert board.step.index == first.index + 1
    board.act("aside")
    assert (board.step.index, board.step.person, board.step.tool) == (first.index, first.person, first.tool)
    assert board.state == "handover"
    assert "The last pull is set aside" in board.sentence.detail
    board.act("aside")  # only the last one, and only once
    assert len(board.pulls) == 1
    (kept,) = studies.all_studies(group.store)
    assert kept.n_counted == 0
    group.walk()
    board.act("aside")  # also the very last one
    assert not board.step.is_done
    group.walk()
    board.act("go")
    found = group.view.result.result
    assert (found.n_counted, found.n_repeated) == (8, 2)
    assert abs(found.values).max() < 4  # the five percent of the other one are not in it


def test_after_the_link_was_lost_a_study_takes_zero_anew_and_goes_on_at_the_same_pull(group: Group) -> None:
    group.begin()
    board, port = group.board, group.port
    group.to_the_pull()
    at = board.step.index
    streaming = port.shown.link
    port.show(replace(port.shown, link=replace(streaming, state="lost", reason="x went away.")))
    board.tick()
    port.show(replace(port.shown, link=streaming))
    board.tick()
    assert board.state == "zero"
    assert "The link was broken off" in board.sentence.detail
    group.to_the_pull()
    assert (board.state, board.step.index) == ("pull", at)
