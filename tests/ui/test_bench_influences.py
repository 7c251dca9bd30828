"""What handling adds, at the Bench: a series guided like any pulls, typed and model values, what is missing by name."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from benchapp.metrology.budget import GivenBy
from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.pulls.pull import Mode
from benchapp.pulls.reader import read_pulls
from benchapp.records import Store, influences
from benchapp.records.model import ToolRecord
from benchapp.runs.influences import Influence
from benchapp.session.view import PracticePull
from benchapp.torque.direction import Direction
from benchapp.ui.bench.start import StartPanel
from benchapp.ui.context import AppContext
from benchapp.ui.shell import MainWindow
from drivers.samples import Source

from . import bench_standin as stand
from .desk import press, settle

TOOL = Tool("OCF-014", ToolType.SETTING, "A", "N·m", 20.0, 100.0, resolution=1.0, maker="workshop", model="long")
POINTS = tuple(CalibrationPoint(x, x, 0.2) for x in (10.0, 100.0, 200.0))
DAY = dt.date.today()
CALIBRATION = Calibration("C-1", "laboratory 1", DAY, DAY + dt.timedelta(days=365), 10.0, 200.0, 2.0, POINTS)


def drawn(torque: float, rise_s: float = 5.0) -> PracticePull:
    t = np.arange(0.0, 9.0, 0.001)
    up = 1.0 + rise_s
    v = np.interp(t, [1.0, up, up + 0.01, up + 0.15, up + 0.5], [0.0, torque, 0.75 * torque, torque * 1.02, 0.0])
    (pull,) = read_pulls(t, v, mode=Mode.FIRST_PEAK, capacity=200.0, target=20.0).pulls
    return PracticePull(pull, t, v, Source.LIVE, "2026-03-04T09:10:00+00:00")


class Desk:
    def __init__(self, qtbot, path: Path) -> None:
        self.port = stand.PracticeStandIn(stand.view(None, source=Source.LIVE))
        self.context = AppContext(self.port, is_demo=False)
        self.window = MainWindow(self.context, settings_path=path / "s.json", start_panel=StartPanel)
        settle(self.window)
        self.store = Store.open(path / "kilter.sqlite", demo=False)
        self.store.save_tool(ToolRecord(TOOL))
        self.store.save_reference(Reference("REF-1", 200.0, calibrations=(CALIBRATION,)))
        self.context.give_store(self.store)
        self.window.bench.tick()
        self.start = self.window.bench.start
        self.start.fill()
        self.start.tool_card.number.setText("OCF-014")
        self.start.run_card.operator.setText("fitter 2")
        self.start.replan()

    def open(self):
        self.start.run_card.to_influences.click()
        self.panel = self.start.influences
        self.panel.board.timer.stop()
        self.window.bench.tick()
        return self.panel

    def key(self, key) -> None:
        press(self.window.focusWidget() or self.window, key)
        self.panel.board.timer.stop()

    def pull(self, torque: float, **more) -> None:
        self.port.closed.append(drawn(torque, **more))
        self.panel.board.tick()
        self.window.bench.tick()

    def zero(self) -> None:
        self.key(Qt.Key.Key_PageDown)
        self.panel.board.tick()
        self.port.show(replace(self.port.shown, is_zeroing=False))
        self.panel.board.tick()

    @property
    def instruction(self) -> str:
        self.window.bench.tick()
        return self.window.bench.headline.instruction


@pytest.fixture
def desk(qtbot, tmp_path):
    made = Desk(qtbot, tmp_path)
    yield made
    made.window.close()
    made.store.close()
    made.window.deleteLater()


def test_a_series_goes_by_one_key_and_its_result_is_used_by_the_next_run(desk) -> None:
    assert desk.start.plan is not None
    assert desk.start.plan.geometric == {}
    panel = desk.open()
    assert desk.instruction == "What handling adds to OCF-014"
    assert "w_rep, w_od, w_int, w_l" in desk.window.bench.headline.detail
    panel.rows["w_rep"].measure.click()
    panel.board.timer.stop()
    assert desk.port.aim.target_nm == 20.0
    assert desk.port.aim.time_window_s == (0.5, 4.0)  # of the procedure chosen: ISO 6789:2003, second-hand
    assert desk.instruction == "Tool off, hands off"
    desk.zero()
    for position, torque in enumerate((20.0, 20.1, 20.4, 20.2)):
        told = "Put it on" if position == 0 else "Take it off, put it back on"
        assert desk.instruction == told
        desk.pull(25.0)  # while it is changed: does not count
        desk.key(Qt.Key.Key_PageDown)
        for i in range(5):
            assert desk.instruction == f"Pull {i + 1} of 5, 20 N·m"
            desk.pull(torque)
    assert desk.instruction == "Every pull is there"
    desk.key(Qt.Key.Key_PageDown)
    known = influences.known(desk.store, "OCF-014")["w_rep"]
    assert known.spread_nm == pytest.approx(0.4, abs=0.02)
    assert len(known.series.pulls) == 20
    assert "measured" in panel.rows["w_rep"].stands.text()
    assert "missing" in panel.rows["w_od"].stands.text()
    panel.back.click()
    desk.start.replan()
    assert desk.start.run_card.to_influences.text() == "Handling: 1 of 4 known …"
    assert set(desk.start.plan.geometric) == {"w_rep"}
    assert desk.start.plan.geometric["w_rep"].given_by is GivenBy.MEASURED
    assert desk.port.aim is None


def test_a_flagged_pull_is_pulled_again_or_counted_by_the_other_key(desk) -> None:
    panel = desk.open()
    panel.rows["w_l"].measure.click()
    desk.zero()
    assert desk.instruction == "Hand 10 mm outwards from the mark"
    desk.key(Qt.Key.Key_PageDown)
    desk.pull(20.0, rise_s=0.3)
    assert "Not counted: pulled too fast" in desk.window.bench.headline.detail
    assert desk.instruction == "Pull 1 of 10, 20 N·m"
    desk.key(Qt.Key.Key_PageUp)
    assert desk.instruction == "Pull 2 of 10, 20 N·m"
    desk.key(Qt.Key.Key_PageUp)
    assert desk.instruction == "Pull 1 of 10, 20 N·m"


def test_a_broken_series_goes_on_at_its_last_full_position(desk) -> None:
    panel = desk.open()
    panel.rows["w_rep"].measure.click()
    desk.zero()
    desk.key(Qt.Key.Key_PageDown)
    for _ in range(5):
        desk.pull(20.0)
    desk.key(Qt.Key.Key_Escape)
    assert panel.series is None
    assert desk.port.aim is None
    assert panel.rows["w_rep"].measure.text() == "Go on, 1 of 4 positions done"
    panel.rows["w_rep"].measure.click()
    desk.zero()
    assert panel.series.position == 1
    assert desk.instruction == "Take it off, put it back on"


def test_a_typed_value_wants_a_reason_and_stands_as_typed(desk) -> None:
    panel = desk.open()
    panel.rows["w_int"].type.click()
    panel.spread.edit.setText("0")
    panel.keep_button.click()
    assert influences.known(desk.store, "OCF-014") == {}
    panel.reason.edit.setText("no adapter is used")
    panel.keep_button.click()
    known = influences.known(desk.store, "OCF-014")["w_int"]
    assert (known.given_by, known.reason, known.who) == (GivenBy.TYPED, "no adapter is used", "fitter 2")
    assert "typed" in panel.rows["w_int"].stands.text()
    panel.rows["w_od"].type.click()
    panel.spread.edit.setText("9")
    panel.reason.edit.setText("from its data sheet")
    panel.keep_button.click()
    assert "45 % of the lowest value 20 N·m; accepted is up to 20 %" in panel.form_problem.text()


def test_a_model_value_is_proposed_from_ten_measured_tools(desk) -> None:
    for i in range(10):
        number = f"OCF-{100 + i}"
        desk.store.save_tool(ToolRecord(replace(TOOL, number=number)))
        value = Influence(number, "w_od", 0.02 * (i + 1), 20.0, GivenBy.MEASURED, "", "fitter 1", "2026-03-04")
        influences.keep(desk.store, value)
    panel = desk.open()
    panel.rows["w_od"].model.click()
    assert panel.spread.edit.text() == "0.2"
    assert "greatest of 10 measured tools" in panel.reason.edit.text()
    panel.keep_button.click()
    assert influences.known(desk.store, "OCF-014")["w_od"].given_by is GivenBy.MODEL


def test_what_stands_against_a_series_is_said(desk) -> None:
    panel = desk.open()
    desk.port.refuses = "a run is under way"
    panel.rows["w_rep"].measure.click()
    assert "a run is under way" in panel.problem.text()
    assert panel.series is None
    panel.who = ""
    panel.rows["w_rep"].measure.click()
    assert "Who pulls" in panel.problem.text()


def test_another_page_ends_the_pulls_and_coming_back_begins_at_zero(desk) -> None:
    panel = desk.open()
    panel.rows["w_rep"].measure.click()
    desk.zero()
    desk.window.bench.hide()
    assert desk.port.aim is None
    desk.window.bench.show()
    panel.board.timer.stop()
    assert desk.port.aim is not None
    panel.board.tick()
    assert desk.instruction == "Tool off, hands off"


def test_a_screwdriver_is_not_asked_about_its_loading_point(desk) -> None:
    driver = Tool("OCF-201", ToolType.SETTING, "D", "N·m", 20.0, 100.0, is_screwdriver=True, resolution=1.0)
    desk.store.save_tool(ToolRecord(driver))
    desk.start.fill()
    desk.start.tool_card.number.setText("OCF-201")
    desk.start.replan()
    panel = desk.open()
    assert panel.rows["w_l"].isHidden()
    assert not panel.rows["w_od"].isHidden()
    assert Direction.CLOCKWISE in driver.directions


def test_escape_goes_one_step_back_and_a_refusal_moves_no_button(desk):
    panel = desk.open()
    panel.rows["w_rep"].type.click()
    desk.window.bench.tick()
    cancel = panel.keep_button.parentWidget().layout().itemAt(3).layout().itemAt(1).widget()
    desk.window.resize(683, 384)  # 1366 × 768 at 200 %
    QTest.qWait(50)
    before = cancel.mapTo(panel, cancel.rect().topLeft())
    assert not panel.spread.check()
    QTest.qWait(50)
    assert cancel.mapTo(panel, cancel.rect().topLeft()) == before
    assert panel.spread.note.width() > 200
    press(panel.spread, Qt.Key.Key_Escape)
    assert panel.views.currentWidget() is panel.overview
    press(panel, Qt.Key.Key_Escape)
    assert desk.start._pages.currentWidget() is desk.start.form
