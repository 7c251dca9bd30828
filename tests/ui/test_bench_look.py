"""A key answers what the screen asked, and only what has stood there long enough to be seen."""

from __future__ import annotations

from dataclasses import replace

import pytest
from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.runs.model import Hold, RunState
from benchapp.session.view import asked_of
from benchapp.ui.bench.look import LEAST_S, MOST_FRAME_S, Look
from benchapp.ui.context import AppContext
from benchapp.ui.shell import MainWindow

from . import bench_standin as stand
from .desk import Clock, Desk, put_away, settle

SCENES = stand.scenes()


class Watched(Desk):
    """A Bench at which somebody looks for so many seconds of frames."""

    def show(self, scene: str, **more) -> None:
        self.port.show(replace(SCENES[scene][0], **more))
        self.page.tick()

    def frames(self, seconds: float, frame_s: float = 0.016) -> None:
        for _ in range(round(seconds / frame_s)):
            self.clock.now += frame_s
            self.page.tick()


@pytest.fixture
def desk(qtbot):
    made = Watched(Clock())
    qtbot.addWidget(made.page)
    yield made
    made.page.stop()


def test_only_time_with_frames_in_it_counts_and_only_the_same_question():
    look = Look()
    look.frame("a", 1.0)
    assert not look.is_enough
    look.frame("a", 60.0)  # the window hung: whatever was pressed meanwhile comes before the next frame
    assert not look.is_enough
    for n in range(1, round(LEAST_S / MOST_FRAME_S)):
        assert not look.is_enough
        look.frame("a", 60.0 + n)
    assert look.is_enough
    look.frame("b", 70.0)
    assert not look.is_enough
    for n in range(30):
        look.frame("b", 70.0 + 0.01 * n)
    assert look.is_enough
    look.begin()
    look.frame("b", 71.0)
    assert not look.is_enough


@pytest.mark.parametrize("scene", ["reset-tool", "set-tool", "flagged", "cautions", "overload"])
def test_a_second_press_does_not_answer_what_has_only_just_come_up(desk, scene):
    desk.show(scene)
    desk.frames(1.0)
    asked = asked_of(desk.port.shown.run)
    desk.page.act("go")
    assert desk.port.asked == [("go_on",)]
    assert desk.port.seen == asked
    desk.show("verdict-doubt")
    desk.frames(LEAST_S - 0.05)
    desk.page.act("go")
    desk.page.act("aside")
    assert desk.port.asked == [("go_on",)]
    desk.frames(0.1)
    desk.page.act("go")
    assert desk.port.asked == [("go_on",), ("go_on",)]
    assert desk.port.seen.state is RunState.VERDICT


def test_presses_that_waited_while_the_window_was_busy_do_not_count(desk):
    desk.show("reset-tool")
    desk.frames(1.0)
    desk.page.act("go")
    desk.show("verdict-in")
    desk.clock.now += 5.0  # it drew the verdict, then did not come round for five seconds
    desk.page.act("go")
    desk.page.act("go")
    assert desk.port.asked == [("go_on",)]


def test_the_next_choices_are_walked_as_fast_as_somebody_likes(desk):
    desk.show("flagged")
    desk.frames(1.0)
    for index in (1, 2, 0, 1):
        desk.page.act("aside")
        run = replace(desk.port.shown.run, choice_index=index)
        desk.show("flagged", run=run)
    desk.page.act("go")
    assert [each[0] for each in desk.port.asked] == ["set_aside"] * 4 + ["go_on"]
    assert desk.port.seen.choice == "keep"


def test_a_double_click_on_a_choice_does_not_choose_a_reason_too(desk):
    desk.show("flagged")
    desk.frames(1.0)
    desk.page.choices.chosen.emit("set-aside")
    desk.show("reason")
    desk.page.choices.chosen.emit("poor-pull")
    assert desk.port.asked == [("choose", "set-aside")]


def test_an_overload_that_comes_up_under_the_foot_is_not_acknowledged_by_it(desk):
    desk.show("set-tool")
    desk.frames(1.0)
    run = replace(desk.port.shown.run, holds=frozenset({Hold.OVERLOAD}))
    desk.show("set-tool", run=run, holds=run.holds, overload_percent=104.0)
    desk.page.act("go")
    assert desk.port.asked == []
    desk.frames(1.0)
    desk.page.act("go")
    assert desk.port.asked == [("go_on",)]


@pytest.mark.parametrize("is_marked", [True, False], ids=["marked", "apart"])
@pytest.mark.parametrize("key", [Qt.Key.Key_PageDown, Qt.Key.Key_Space])
@pytest.mark.parametrize("scene", ["set-tool", "indication"])
def test_a_key_that_is_held_acts_once(qtbot, tmp_path, scene, key, is_marked):
    """Under X11 a repeat whose release and press came apart is not marked (seen: three of four of them)."""
    port = stand.StandIn()
    window = MainWindow(AppContext(port, is_demo=False), settings_path=tmp_path / "s.json")
    settle(window)
    port.show(SCENES[scene][0])
    window.bench.tick()
    if scene == "indication":  # in an empty field the key takes what is proposed
        window.bench.entry.field.setFocus()
    text = " " if key == Qt.Key.Key_Space else ""
    at_ms = 5_000_000

    def send(kind, *, repeats=False):
        event = QKeyEvent(kind, key, Qt.KeyboardModifier.NoModifier, text, autorep=repeats, count=1)
        event.setTimestamp(at_ms)
        QApplication.sendEvent(QApplication.focusWidget() or window, event)

    send(QEvent.Type.KeyPress)
    qtbot.waitUntil(lambda: len(port.asked) == 1, timeout=60_000)  # a character may be the first of a code
    at_ms += 660
    for n in range(40):
        repeats = is_marked or n % 4 == 3
        send(QEvent.Type.KeyRelease, repeats=repeats)
        send(QEvent.Type.KeyPress, repeats=repeats)
        at_ms += 40
        window.bench.tick()
    send(QEvent.Type.KeyRelease)
    QTest.qWait(100)
    assert port.asked == [("go_on",)]
    put_away(window, port)
    window.deleteLater()
