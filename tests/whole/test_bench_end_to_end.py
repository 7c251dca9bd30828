"""A run in a real window: simulated pulls and a foot switch's key, from the first caution to the sealed verdict."""

from __future__ import annotations

import time

from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.pulls.pull import Flag
from benchapp.runs.model import Hold, PullKind, RunState
from benchapp.session.view import Phase, asked_of
from benchapp.ui.keys import REPEAT_S


def test_full_run_by_one_key_and_pulls_alone_ends_sealed(open_kilter, stored) -> None:
    technician = open_kilter()
    technician.start("OCF-005", "Workshop full run")
    technician.walk_on(RunState.VERDICT)
    assert technician.view.verdict is not None
    assert technician.view.verdict.within
    technician.key()
    technician.wait(lambda: technician.view.state is RunState.SEALED, "the seal")
    run = technician.view.run
    assert run is not None
    technician.go_home()
    with stored() as store:
        kept = store.run(run.run_id)
        # an arm may pull on past the click now and then: such a pull is repeated and kept, set aside
        assert [p.kind for p in kept.pulls if p.set_aside is None].count(PullKind.READING) == 9
        assert [p.kind for p in kept.pulls].count(PullKind.PRELOAD) >= 1
        for pull in kept.pulls:
            trace = store.trace(run.run_id, pull.number)
            assert trace.source.value == "simulated"
            assert len(trace) > 100
        assert store.check().findings == ()


def test_a_foot_switch_that_bounces_or_is_held_seals_no_verdict_that_nobody_looked_at(open_kilter) -> None:
    technician = open_kilter()
    technician.start("OCF-005", "Workshop spot check", target="60")  # its end is that of a full run, and comes sooner
    technician.walk_on(RunState.RESET_TOOL)
    technician.see()
    window = technician.kilter.window
    for _ in range(4):
        QTest.keyClick(QApplication.focusWidget() or window, Qt.Key.Key_PageDown)
    technician.wait(lambda: technician.view.state is RunState.VERDICT, "the verdict")
    end = time.monotonic() + 0.1
    while time.monotonic() < end:
        QTest.keyClick(QApplication.focusWidget() or window, Qt.Key.Key_PageDown)
    technician.see()
    for _ in range(60):  # held: the keyboard repeats it by itself
        again = QKeyEvent(
            QEvent.Type.KeyPress, Qt.Key.Key_PageDown, Qt.KeyboardModifier.NoModifier, "", autorep=True, count=1
        )
        QApplication.sendEvent(QApplication.focusWidget() or window, again)
    QTest.qWait(50)
    assert technician.view.state is RunState.VERDICT
    technician.key(Qt.Key.Key_PageDown)
    technician.wait(lambda: technician.view.state is RunState.SEALED, "the seal")


def test_a_short_pull_is_offered_again_and_stays_in_the_record(open_kilter) -> None:
    technician = open_kilter()
    technician.start("OCF-005", "Workshop full run")
    technician.walk_on(RunState.PULL)
    technician.pull("short")
    assert technician.view.state is RunState.DECIDE
    technician.key()  # what is proposed: pull again
    technician.wait(lambda: technician.view.state is RunState.PULL, "the pull again")
    technician.good_pull()
    run = technician.view.run
    assert run is not None
    readings = [p for p in run.pulls if p.kind is PullKind.READING]
    assert Flag.SHORT in readings[0].pull.flags
    assert readings[0].set_aside
    assert [p.set_aside for p in readings].count(None) == 1


def test_unplugged_in_the_middle_of_a_pull_the_run_waits_and_goes_on_at_the_same_pull(open_kilter) -> None:
    technician = open_kilter()
    technician.start("OCF-005", "Workshop full run")
    technician.walk_on(RunState.PULL)
    technician.good_pull()
    before = technician.view.run
    assert before is not None
    pull = {"do": "pull", "manner": "steady", "rate": 5}  # slow, so that it is seen to rise on any machine
    technician.wait(lambda: technician.hand.try_(**pull), "the hand to be at rest")
    technician.wait(lambda: technician.view.phase.value == "rising", "torque to rise")
    technician.hand.ask(do="fault", fault="unplug", seconds=3.0)
    technician.wait(lambda: bool(technician.view.holds), "the run to notice")
    technician.wait(lambda: technician.kilter.window.bench.live.text == "–", "the figure to say that it knows none")
    technician.wait(lambda: technician.view.link.state == "streaming", "the link to come back")
    technician.wait(technician.hand.is_at_rest, "the pull that nobody saw to be over")
    technician.walk_on(RunState.PULL)
    after = technician.view.run
    assert after is not None
    counted = [p for p in after.pulls if p.kind is PullKind.READING and p.set_aside is None]
    assert counted == [p for p in before.pulls if p.kind is PullKind.READING and p.set_aside is None]
    assert after.checkpoint_index == before.checkpoint_index
    # a transducer can be changed within a second: who it is and its zero are seen to again
    told = [sentence for _, sentence in after.remarks[len(before.remarks) :]]
    assert any("lost in the middle of a pull" in text for text in told), told
    assert any(text.startswith(f"reference {after.plan.reference.number} ") for text in told), told
    assert len(after.zeros) == len(before.zeros) + 1


def test_closed_in_the_middle_a_run_goes_on_at_the_same_pull(open_kilter) -> None:
    first = open_kilter()
    first.start("OCF-005", "Workshop full run")
    first.walk_on(RunState.PULL)
    first.good_pull()
    run = first.view.run
    assert run is not None
    first.kilter.close()
    first.hand.close()
    second = open_kilter()
    second.wait(lambda: second.view.run is not None, "the run to be taken up")
    assert second.view.run is not None
    assert second.view.run.run_id == run.run_id
    second.walk_on(RunState.PULL)
    again = second.view.run
    assert [p.number for p in again.pulls if p.kind is PullKind.READING] == [
        p.number for p in run.pulls if p.kind is PullKind.READING
    ]
    assert again.checkpoint_index == run.checkpoint_index


def test_two_keys_of_a_presenter_walk_keep_a_reason_an_overload_and_the_seal(open_kilter) -> None:
    """Page down goes on, page up is the other one; nothing else is pressed once the run has begun."""
    technician = open_kilter()
    technician.start("OCF-005", "Workshop spot check", target="60")
    go, other = Qt.Key.Key_PageDown, Qt.Key.Key_PageUp

    def press(*keys: Qt.Key) -> None:
        for key in keys:
            before = asked_of(technician.view.run)
            QTest.qWait(round(2000 * REPEAT_S))  # sooner after the last press a switch bounces
            technician.key(key)
            technician.wait(lambda asked=before: asked_of(technician.view.run) != asked, f"{key} to count")

    def flagged() -> None:
        """A jerky pull that has a reading: one can be kept."""
        while True:
            technician.pull("jerky")
            if technician.view.state is RunState.DECIDE:
                if len(technician.view.run.choices) == 3:
                    return
                press(go)

    while technician.view.state is not RunState.PULL:
        if technician.view.state is RunState.PRELOAD:
            technician.pull()
        else:
            press(go)
    flagged()
    kept = technician.view.run.asked_about
    press(other, go)
    assert technician.view.run.pulls[kept - 1].kept_despite
    flagged()
    aside = technician.view.run.asked_about
    press(other, other, go)
    assert technician.view.state is RunState.REASON
    press(other, go)
    assert technician.view.run.pulls[aside - 1].set_aside == "drive-slipped"

    technician.hand.ask(do="offset", torque=210.0)
    technician.wait(lambda: technician.view.overload_percent >= 100, "the overload")
    technician.hand.ask(do="offset", torque=0.0)
    technician.wait(lambda: technician.view.phase is Phase.REST, "rest")
    technician.wait(lambda: technician.kilter.window.bench.is_alarmed, "the alarm")

    def is_acknowledged() -> bool:  # a key in the first moment of a question is let go, on purpose
        if Hold.OVERLOAD in technician.view.holds:
            press(go)
        return Hold.OVERLOAD not in technician.view.holds

    technician.wait(is_acknowledged, "the overload to be acknowledged")
    while technician.view.state is not RunState.SEALED:
        if technician.view.state in (RunState.PRELOAD, RunState.PULL):
            technician.pull()
        else:
            press(go)
    run = technician.view.run
    told = [sentence for _, sentence in run.remarks]
    assert "overload seen by fitter 2" in told
    assert any(sentence.startswith("overload of REF-1") for sentence in told)
