"""The Practice page on a bench that is not there: what is asked of it, what is said, what the keys do."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.pulls.pull import Flag, Mode
from benchapp.pulls.reader import read_pulls
from benchapp.records import Store, practice
from benchapp.runs.model import RunState
from benchapp.session.view import Phase, PracticePull
from benchapp.ui.context import AppContext
from benchapp.ui.practice.page import PracticePage
from benchapp.ui.practice.progress import GROUP
from benchapp.ui.shell import MainWindow, PageSpec
from benchapp.ui.theme import FIGURE_SHARE, INSTRUCTION_SHARE, Sizes, font_of_cap
from drivers.samples import Source

from . import bench_standin as stand
from .desk import settle


def drawn(first: float, peak: float, start: float, mode: Mode = Mode.FIRST_PEAK) -> PracticePull:
    t = np.arange(0.0, 6.0, 0.001)
    if mode is Mode.FIRST_PEAK:
        v = np.interp(t, [0.5, 3.5, 3.51, 3.65, 4.0], [0.0, first, 0.75 * first, max(peak, 0.8 * first), 0.0])
    else:
        v = np.interp(t, [1.0, 2.0, 2.2, 4.2, 4.5], [0.0, peak, first, first, 0.0])
    (pull,) = read_pulls(t, v, mode=mode, capacity=200.0, target=60.0).pulls
    wall = dt.datetime.now().astimezone().isoformat()
    shifted = replace(pull, start_s=pull.start_s + start, end_s=pull.end_s + start)
    return PracticePull(pull if not start else shifted, t, v, Source.SIMULATED, wall)


class Trainee:
    """A person at the page."""

    def __init__(self, path: Path) -> None:
        self.port = stand.PracticeStandIn()
        self.context = AppContext(self.port, is_demo=True)
        self.window = MainWindow(self.context, [PageSpec("practice", PracticePage)])
        self.store = Store.open(path, demo=True)
        settle(self.window)
        self.window.set_operator("fitter 2")
        self.window.show_page("practice")
        self.context.give_store(self.store)

    @property
    def page(self) -> PracticePage:
        return self.window._built["practice"]

    @property
    def drills(self):
        return self.page._built["drills"]

    @property
    def board(self):
        return self.drills.board

    def choose(self, drill: str, tool: str = "") -> None:
        self.drills.chooser.pick_drill(drill)
        if tool:
            assert self.drills.chooser.pick_tool(tool)

    def begin(self, drill: str = "stop", tool: str = "OCF-005") -> None:
        self.choose(drill, tool)
        QTest.mouseClick(self.drills.chooser.go, Qt.MouseButton.LeftButton)
        self.board.timer.stop()
        while self.board.state != "pulls":
            self.board.act("go")
            self.board.tick()
            if self.port.shown.is_zeroing:
                self.board.tick()
                self.port.show(replace(self.port.shown, is_zeroing=False))
                self.board.tick()

    def key(self, key: Qt.Key = Qt.Key.Key_Space) -> None:
        QTest.keyClick(QApplication.focusWidget() or self.window, key)
        self.later(self.window.keys.due)

    def later(self, do: Callable[[], object]) -> None:
        from benchapp.ui.keys import HOLD_S

        QTest.qWait(round(HOLD_S * 1000) + 20)
        do()

    def pull(self, peak: float, first: float = 60.0, mode: Mode = Mode.FIRST_PEAK) -> None:
        self.port.closed.append(drawn(first, peak, 0.0, mode))
        self.board.tick()

    def close(self) -> None:
        self.window.close()
        self.window.deleteLater()
        self.store.close()
        QTest.qWait(10)


@pytest.fixture(scope="module")
def verified(demo_of: Callable[[int], Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("verified") / "demo.sqlite"
    path.write_bytes(demo_of(1).read_bytes())
    with Store.open(path, demo=True) as store:
        practice.delete_person(store, "fitter 2")
    return path


@pytest.fixture
def trainee(qapp: QApplication, tmp_path: Path, verified: Path) -> Iterator[Trainee]:
    path = tmp_path / "demo.sqlite"
    path.write_bytes(verified.read_bytes())
    made = Trainee(path)
    yield made
    made.close()


def test_a_tool_without_a_good_result_is_refused_with_what_to_do(trainee: Trainee) -> None:
    trainee.choose("stop", "OCF-040")
    chooser = trainee.drills.chooser
    assert not chooser.go.isEnabled()
    assert "OCF-040 has not been verified yet: a full run on the Bench comes first." in chooser.says.text()
    assert chooser.verify.isVisible()
    wanted: list[str] = []
    trainee.context.tool_wanted.connect(wanted.append)
    QTest.mouseClick(chooser.verify, Qt.MouseButton.LeftButton)
    assert wanted == ["OCF-040"]
    assert trainee.window.page == "bench"


def test_a_tool_out_of_service_is_no_tool_to_practise_with(trainee: Trainee) -> None:
    trainee.choose("stop", "OCF-009")
    assert not trainee.drills.chooser.go.isEnabled()
    assert "out of service" in trainee.drills.chooser.says.text()


def test_nobody_begins_without_a_name(trainee: Trainee) -> None:
    trainee.choose("stop", "OCF-005")
    chooser = trainee.drills.chooser
    assert chooser.go.isEnabled()
    chooser.who.setEditText("")
    assert not chooser.go.isEnabled()
    assert "Who practises" in chooser.says.text()


def test_the_torque_must_lie_on_the_tools_scale(trainee: Trainee) -> None:
    trainee.choose("stop", "OCF-005")
    chooser = trainee.drills.chooser
    chooser.target.setText("150 N·m")
    chooser._replan()
    assert not chooser.go.isEnabled()
    assert "20 to 100" in chooser.says.text()


def test_cautions_come_once_then_zero_then_the_drill(trainee: Trainee) -> None:
    trainee.choose("stop", "OCF-005")
    QTest.mouseClick(trainee.drills.chooser.go, Qt.MouseButton.LeftButton)
    assert trainee.board.state == "cautions"
    assert trainee.board.cautions.isVisible()
    assert trainee.board.sentence.sentence == "Before you pull"
    trainee.key()
    assert trainee.board.state == "zero"
    trainee.key(Qt.Key.Key_Escape)
    assert not trainee.board.is_under_way
    QTest.mouseClick(trainee.drills.chooser.go, Qt.MouseButton.LeftButton)
    assert trainee.board.state == "zero"


def test_zero_that_could_not_be_taken_is_said_and_asked_for_again(trainee: Trainee) -> None:
    trainee.choose("stop", "OCF-005")
    QTest.mouseClick(trainee.drills.chooser.go, Qt.MouseButton.LeftButton)
    trainee.board.timer.stop()
    trainee.key()
    trainee.key()
    trainee.board.tick()
    trainee.port.show(replace(trainee.port.shown, is_zeroing=False, zero_problem="Not still: hands off, then again."))
    trainee.board.tick()
    trainee.board.tick()
    assert trainee.board.state == "zero"
    assert trainee.board.sentence.detail == "Not still: hands off, then again."


def test_both_peaks_one_sentence_and_the_aims_after_each_pull(trainee: Trainee) -> None:
    trainee.begin()
    assert trainee.port.aim.target_nm == 60.0
    assert trainee.port.aim.mode is Mode.FIRST_PEAK
    assert trainee.board.looks.isVisible()
    trainee.pull(90.0)
    board = trainee.board
    assert board.sentence.sentence == "Stop sooner: 50 % past the click. Aim below 25 %."
    assert board.pair.titles == ("the wrench let go at", "your hand went to")
    assert [float(text) for text in board.pair.figures] == [
        pytest.approx(60.0, rel=3e-3),
        pytest.approx(90.0, rel=5e-3),
    ]
    assert board.pair.note == "50.0 % past the click"
    assert board.aims.rows[0][3] == "not yet"
    assert board.aims.dots == ("poor",)
    assert not board.looks.isVisible()
    trainee.pull(63.0)
    assert board.aims.dots == ("poor", "good")
    assert board.aims.rows[0][3] == "met"
    assert board.sentence.sentence == "5 % past the click. The same again."


def test_the_dots_are_those_that_are_counted_beside_them(trainee: Trainee) -> None:
    """Pulls that the recording spoilt stood among the dots: “4 of 5 good” beside two discs and three dashes."""
    trainee.begin()

    def spoilt() -> None:
        made = drawn(60.0, 62.0, 0.0)
        trainee.port.closed.append(replace(made, pull=replace(made.pull, flags=(Flag.GAP,))))
        trainee.board.tick()

    aims = trainee.board.aims
    for peak in (90.0, 62.0, 62.0):
        trainee.pull(peak)
    for _ in range(4):
        spoilt()
    assert aims.dots == ("poor", "good", "good", "spoilt")
    assert aims.n_dots == 5
    trainee.pull(62.0)
    trainee.pull(62.0)
    assert aims.dots == ("poor", "good", "good", "good", "good")
    assert aims.standing == "4 of 5 good; 4 of 5 needed"
    spoilt()
    assert aims.dots == ("poor", "good", "good", "good", "good", "spoilt")
    assert aims.n_dots == 6


def test_the_picture_reaches_as_far_as_the_hand_went_between_two_frames(trainee: Trainee) -> None:
    trainee.begin()
    trainee.pull(104.0)
    trainee.board.tick()
    assert trainee.board.plot.top_nm >= 104.0


def test_a_level_passed_is_told_and_the_key_goes_to_the_next(trainee: Trainee) -> None:
    trainee.begin()
    for _ in range(4):
        trainee.pull(62.0)
    assert trainee.board.sentence.sentence.startswith("Level 1 passed.")
    assert "4 of 4 good; 4 of 5 needed" in trainee.board.sentence.detail
    trainee.key()
    assert trainee.board.sitting.choice.level == 2
    assert trainee.board.aims.n_dots == 10
    assert trainee.board.aims.dots == ()
    trainee.key(Qt.Key.Key_Escape)
    row = trainee.drills.chooser.list.current()
    assert row.stands.startswith("level 1 of 3 passed")
    assert trainee.drills.chooser.level.currentData() == 2


def test_the_next_level_stays_offered_after_another_pull_but_not_during_one(trainee: Trainee) -> None:
    trainee.begin()
    for _ in range(5):
        trainee.pull(62.0)
    board = trainee.board
    assert not board.sentence.sentence.startswith("Level 1 passed.")
    assert board.sentence.detail.startswith("Level 1 is passed, Space: level 2")
    trainee.port.show(replace(trainee.port.shown, phase=Phase.RISING))
    trainee.key()  # it would take the pull under way for another level's
    assert board.sitting.choice.level == 1
    trainee.port.show(replace(trainee.port.shown, phase=Phase.REST))
    trainee.key()
    assert board.sitting.choice.level == 2
    assert "is passed" not in board.sentence.detail


def test_a_long_pull_is_shown_from_its_start(trainee: Trainee) -> None:
    trainee.begin()
    t = np.arange(0.0, 9.6, 0.001)
    v = np.interp(t, [0.5, 7.5, 7.51, 7.65, 8.0], [0.0, 60.0, 45.0, 62.0, 0.0])
    (pull,) = read_pulls(t, v, mode=Mode.FIRST_PEAK, capacity=200.0, target=60.0).pulls
    trainee.port.bring(t, v)
    wall = dt.datetime.now().astimezone().isoformat()
    trainee.port.closed.append(PracticePull(pull, t, v, Source.SIMULATED, wall))
    trainee.board.tick()
    plot = trainee.board.plot
    assert plot.held_from is not None
    assert plot.held_from <= pull.start_s
    assert pull.end_s <= plot.held_from + plot.past_s + plot.ahead_s


def test_the_other_key_sets_the_last_pull_aside_and_lets_it_count_again(trainee: Trainee) -> None:
    trainee.begin()
    trainee.pull(90.0)
    trainee.key(Qt.Key.Key_D)
    assert trainee.board.sitting.pulls[-1].set_aside
    assert trainee.board.aims.dots == ("aside",)
    assert practice.pulls_of(trainee.store, "fitter 2")[-1].set_aside
    trainee.key(Qt.Key.Key_D)
    assert not practice.pulls_of(trainee.store, "fitter 2")[-1].set_aside


def test_a_blind_pull_hides_curve_and_figure_until_it_is_over(trainee: Trainee) -> None:
    trainee.begin("blind")
    board = trainee.board
    trainee.port.bring(np.array([1.0, 1.1]), np.array([20.0, 21.0]))
    board._figure_s = -1.0
    board.tick()  # begun while another page was shown: no pull to the reader
    assert "2" not in board.live.text
    trainee.port.show(replace(trainee.port.shown, phase=Phase.RISING))
    board._figure_s = -1.0
    board.tick()
    assert board.curtain.isVisible()
    assert not board.plot.isVisible()
    assert "2" not in board.live.text
    assert board.sentence.sentence == "Pull until it clicks"
    trainee.port.show(replace(trainee.port.shown, phase=Phase.RELEASED))
    board.tick()
    assert board.curtain.isVisible()
    assert board.sentence.sentence == "Ease back to zero"
    trainee.port.show(replace(trainee.port.shown, phase=Phase.REST))
    trainee.pull(62.0)
    assert not board.curtain.isVisible()
    assert board.plot.isVisible()


def test_by_eye_the_miss_is_told_without_the_tools_own_deviation(trainee: Trainee) -> None:
    trainee.begin("eye", "OCF-020")
    choice = trainee.board.sitting.choice
    assert choice.tool_deviation_percent != 0.0
    assert trainee.port.aim.mode is Mode.HOLD
    right = choice.target_nm / (1 + choice.tool_deviation_percent / 100)
    trainee.pull(right * 1.001, first=right, mode=Mode.HOLD)
    assert trainee.board.pair.titles == ("you held", "at the most it was")
    assert trainee.board.sitting.told.pull.marks.error_percent == pytest.approx(0.0, abs=0.1)
    trainee.pull(right * 1.1, first=right * 1.08, mode=Mode.HOLD)
    assert trainee.board.sentence.sentence == "You held 8 % above the mark. Look at it straight on."


def test_the_bench_is_given_back_when_the_page_is_left_and_taken_again(trainee: Trainee) -> None:
    trainee.begin()
    assert trainee.context.practising is not None
    trainee.window.show_page("bench")
    assert trainee.port.aim is None
    assert trainee.context.practising is None
    trainee.window.show_page("practice")
    assert trainee.port.aim is not None
    assert trainee.board.is_under_way
    trainee.key(Qt.Key.Key_Escape)
    assert trainee.port.aim is None


def test_a_run_that_begins_ends_the_practice_and_a_run_under_way_refuses_it(trainee: Trainee) -> None:
    trainee.begin()
    trainee.port.show(stand.view(RunState.PULL))
    trainee.board.tick()
    assert not trainee.board.is_under_way
    assert trainee.port.aim is None
    assert "A run is under way" in trainee.window.foot.message.text()
    trainee.port.show(stand.view(None))
    trainee.port.refuses = "a run is under way; practice waits until it is over"
    QTest.mouseClick(trainee.drills.chooser.go, Qt.MouseButton.LeftButton)
    assert not trainee.board.is_under_way
    assert "practice waits" in trainee.window.foot.message.text()


def test_without_data_it_says_so_instead_of_an_order(trainee: Trainee) -> None:
    trainee.begin()
    trainee.port.show(replace(trainee.port.shown, link=stand.LinkView("lost", "x", "x went away.", 0.0, 1, 0, 0)))
    trainee.board.tick()
    assert trainee.board.sentence.sentence == "Wait: no data"
    assert "x went away." in trainee.board.sentence.detail


def test_after_ten_pulls_the_rest_is_the_big_sentence(trainee: Trainee) -> None:
    trainee.begin()
    for _ in range(10):
        trainee.pull(80.0)
    assert trainee.board.sentence.sentence == "10 pulls: rest your arm for 2 minutes."
    assert " left" in trainee.board.sentence.detail


@pytest.mark.parametrize(("width", "height"), [(1366, 768), (1920, 1080)])
def test_sentence_and_figures_are_as_high_as_an_eye_needs_from_afar(trainee: Trainee, width: int, height: int) -> None:
    trainee.window.resize(width, height)
    trainee.begin()
    trainee.pull(90.0)
    board, s = trainee.board, Sizes.of(trainee.window.height())
    assert s.instruction >= trainee.window.height() * INSTRUCTION_SHARE
    assert font_of_cap(s.instruction, bold=True).pixelSize() * 2 < board.sentence.height()
    each = (board.pair.height() - s.pad * 0.6 - s.lead * 2.2) / 2
    assert (each - min(s.body * 2.0, each * 0.3)) * 0.95 >= trainee.window.height() * FIGURE_SHARE * 0.99
    for panel in (board.sentence, board.pair, board.aims, board.plot, board.live):
        assert board.rect().contains(panel.geometry())
    shown = [p.geometry() for p in (board.sentence, board.pair, board.aims, board.plot, board.live, board.key_bar)]
    for i, one in enumerate(shown):
        assert not any(one.intersects(other) for other in shown[i + 1 :])


def test_progress_shows_a_persons_weeks_and_only_they_may_delete(trainee: Trainee) -> None:
    trainee.page.show_view("progress")
    view = trainee.page.view
    view.who.setCurrentIndex(view.who.findData("fitter 1"))
    assert len(view.chart.weeks) == 10
    assert not view.delete.isVisible()
    assert "fitter 1 may delete them" in view.says.text()
    before = trainee.store.check().head
    view.who.setCurrentIndex(view.who.findData("fitter 3"))
    trainee.window.set_operator("fitter 1")
    assert view.who.currentData() == "fitter 1"
    n = practice.count_of(trainee.store, "fitter 1")
    assert n > 0
    QTest.mouseClick(view.delete, Qt.MouseButton.LeftButton)
    assert practice.count_of(trainee.store, "fitter 1") == n  # asked first
    assert "for good" in view.says.text()
    QTest.mouseClick(view.really, Qt.MouseButton.LeftButton)
    assert practice.count_of(trainee.store, "fitter 1") == 0
    assert "fitter 1" not in practice.people(trainee.store)
    assert view.who.currentData() == GROUP  # not somebody else's
    assert trainee.store.check().head == before


def test_the_cautions_fit_the_tool_and_are_there(trainee: Trainee) -> None:
    for drill, smooth in (("stop", "stop at the click"), ("eye", "up to the target")):
        trainee.choose(drill)
        QTest.mouseClick(trainee.drills.chooser.go, Qt.MouseButton.LeftButton)
        sheet = trainee.board.cautions
        assert sheet.isVisible()
        assert len(sheet.rows()) == 5
        assert smooth in sheet.accessibleDescription()
        assert sheet.limits in sheet.accessibleDescription()
        trainee.board.act("leave")


def test_every_mark_of_a_pull_is_told_with_its_unit_whatever_the_level_asks(trainee: Trainee) -> None:
    trainee.begin()
    assert {value for _, value in trainee.board.aims.besides} == {"–"}
    trainee.pull(63.0)
    told = dict(trainee.board.aims.besides)
    assert set(told) == {
        "last fifth of the load",
        "off a straight rise",
        "trembling",
        "deepest dip",
        "back at rest after",
    }
    assert told["last fifth of the load"] == "0.60 s"
    assert all(value.endswith((" s", " %")) for value in told.values())
    assert "back at rest after" in trainee.board.aims.accessibleName()
    defined = trainee.drills.chooser.sources.text()
    for name in told:
        assert f"{name.capitalize()}: " in defined


def test_a_rest_is_said_with_a_passed_level_and_stays_on_the_next(trainee: Trainee) -> None:
    trainee.begin("stop")
    for peak in (*(90.0,) * 6, *(61.0,) * 4):
        trainee.pull(peak)
    board = trainee.board
    assert board.sentence.sentence.startswith("Level 1 passed")
    assert "10 pulls: rest your arm for 2 minutes." in board.sentence.detail
    board.act("go")
    board.tick()
    assert board.sitting.choice.level == 2
    assert board.sentence.sentence == "10 pulls: rest your arm for 2 minutes."
    assert " left  ·  " in board.sentence.detail


def test_after_the_link_was_lost_zero_is_taken_anew_and_no_old_figure_stands(trainee: Trainee) -> None:
    """What is plugged in again may be another transducer; its last torque stood there as “torque now”."""
    trainee.begin()
    trainee.pull(62.0)
    board, port = trainee.board, trainee.port
    streaming = port.shown.link
    port.t, port.v = np.array([0.0, 0.1]), np.array([0.0, 111.2])
    port.show(replace(port.shown, link=stand.LinkView("lost", "x", "x went away.", 0.0, 1, 0, 0)))
    board._figure_s = -1.0
    board.tick()
    assert board.sentence.sentence == "Wait: no data"
    assert board.live.text == "–"
    assert "zero" not in board.key_bar.buttons["go"].text().casefold(), "it cannot be taken now"
    port.show(replace(port.shown, link=streaming))
    board.tick()
    assert board.state == "zero"
    assert board.sentence.detail.startswith("The link was broken off, and with it the pull under way.")
    board.act("go")
    board.tick()
    port.show(replace(port.shown, is_zeroing=False))
    board.tick()
    assert board.state == "pulls"
    assert len(board.sitting.pulls) == 1


def test_too_much_for_the_tool_comes_before_a_rest(trainee: Trainee) -> None:
    trainee.begin()
    for _ in range(9):
        trainee.pull(61.0)
    made = drawn(60.0, 61.0, 0.0)
    spoilt = replace(made, pull=replace(made.pull, flags=(Flag.TOOL_OVERLOAD,)))
    trainee.port.closed.append(spoilt)
    trainee.board.tick()
    assert trainee.board.sentence.sentence.startswith("Too much for the tool")
    assert "10 pulls: rest" in trainee.board.sentence.detail
    assert trainee.board.aims.dots[-1] == "poor"


def test_the_group_has_no_names_hides_small_weeks_and_can_be_saved(trainee: Trainee, tmp_path: Path) -> None:
    trainee.page.show_view("progress")
    view = trainee.page.view
    of_fitter_1 = practice.pulls_of(trainee.store, "fitter 1")
    view.who.setCurrentIndex(view.who.findData(GROUP))
    # without fitter 2 only four people are left: every week is hidden
    assert "fitter" not in view.chart.spoken()
    assert "fewer than 5 people" in view.chart.spoken()
    assert "%" not in view.chart.spoken()
    assert not view.delete.isVisible()
    assert not view.levels.isVisible()
    assert "5 people" in view.rule.text()
    assert not view.save.isVisible()  # a board of nothing is not for the notice board
    assert not view.save_picture(tmp_path / "board.png")
    assert "No week yet in which 5 people" in view.chart.empty
    practice.add_pulls(trainee.store, [replace(pull, person="apprentice 9", key=0) for pull in of_fitter_1])
    view.refresh()
    assert view.save.isVisible()
    assert "%" in view.chart.spoken()
    assert "apprentice" not in view.chart.spoken()
    assert view.save_picture(tmp_path / "board.png")
    assert (tmp_path / "board.png").stat().st_size > 1000
    assert view.rule.text().startswith("SIMULATED")  # stands in the picture, which leaves the strip on top behind
    view.who.setCurrentIndex(view.who.findData("fitter 1"))
    assert not view.save_picture(tmp_path / "person.png")


def test_every_tool_of_a_large_workshop_can_be_practised_with(
    trainee: Trainee, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = next(one for one in trainee.store.tools() if one.number == "OCF-005")
    many = [replace(record, tool=replace(record.tool, number=f"OCF-{i:04d}")) for i in range(1200)]
    monkeypatch.setattr(Store, "tools", lambda _self, limit=200, **_more: many[:limit])
    trainee.drills.refresh()
    assert trainee.drills.chooser.pick_tool("OCF-1199")
    trainee.page.show_view("study")
    setup = trainee.page.view.setup
    assert setup.tick(setup.tools, "OCF-1199")


def test_an_empty_workshop_says_what_to_do(qapp: QApplication, tmp_path: Path) -> None:
    made = Trainee(tmp_path / "empty.sqlite")
    try:
        chooser = made.drills.chooser
        assert not chooser.go.isEnabled()
        assert "enter one there and verify it" in chooser.says.text()
        made.page.show_view("progress")
        assert "Nobody has practised" in made.page.view.chart.spoken()
    finally:
        made.close()


def test_the_name_chosen_at_the_foot_practises(trainee: Trainee) -> None:
    trainee.window.set_operator("fitter 3")
    assert trainee.drills.chooser.who.currentText() == "fitter 3"
    trainee.begin()
    assert trainee.board.sitting.choice.person == "fitter 3"


def test_the_page_opens_at_a_tool_with_a_drill_that_suits_it(trainee: Trainee) -> None:
    trainee.context.page_wanted.emit("practice", "drills:OCF-020")
    chooser = trainee.drills.chooser
    assert chooser.list.current().drill.key == "eye"
    assert chooser.tools.current().record.number == "OCF-020"
    trainee.context.page_wanted.emit("practice", "drills:OCF-007")
    assert chooser.list.current().drill.suits(chooser.tools.current().record.tool)
    assert chooser.tools.current().record.number == "OCF-007"
    trainee.context.page_wanted.emit("practice", "progress")
    assert trainee.page.view is trainee.page._built["progress"]


def test_until_the_records_are_open_the_page_says_so(qapp: QApplication) -> None:
    """While the demonstration was made there were three empty cards, and a button to begin."""
    page = PracticePage(AppContext(stand.PracticeStandIn(), is_demo=True))
    page.refresh()
    assert page.views.currentWidget() is page.waiting
    assert not page.view.isVisible()
    page.stop()
    page.deleteLater()
