"""From nothing to the first pull in few inputs; refusals with numbers; an extension where a target is typed."""

from __future__ import annotations

import datetime as dt
import threading
from dataclasses import dataclass, field, replace
from functools import partial
from types import SimpleNamespace

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QComboBox, QLabel, QLineEdit

from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.records import check_standard
from benchapp.records.model import Outcome, Person, ToolState
from benchapp.runs.model import RunPlan, RunState
from benchapp.runs.outcome import is_not_in_service
from benchapp.runs.procedure import Procedure, copied, edited, shipped_procedure
from benchapp.session.session import BenchSession
from benchapp.session.view import Asked, LinkView, Phase
from benchapp.torque.direction import Direction
from benchapp.ui import words
from benchapp.ui.bench.start import StartPanel
from benchapp.ui.bench.start.panel import REPLAN_MS
from benchapp.ui.bench.start.port import OTHER
from benchapp.ui.bench.start.target import lengths_of
from benchapp.ui.bench.start.tool import parse_range
from benchapp.ui.context import AppContext
from benchapp.ui.settings import Settings
from benchapp.ui.shell import MainWindow, PageSpec
from drivers.samples import Source

from . import bench_standin as stand
from .desk import press, put_away, settle

DEMO_YEARS = 1


@dataclass
class Record:
    tool: Tool
    state: ToolState = ToolState.IN_SERVICE


@dataclass
class Shelf:
    """As much of a store as the panel asks."""

    kept: dict[str, Tool] = field(default_factory=dict)
    held: dict[str, Reference] = field(default_factory=dict)

    def tools(self, search="", *, after="", limit=200, include_retired=False):
        return [Record(tool) for tool in self.kept.values()]

    def tool(self, number):
        return Record(self.kept[number]) if number in self.kept else None

    def save_tool(self, record, *, who=""):
        self.kept[record.tool.number] = record.tool
        self.acts.append(("tool entered", record.tool.number, who, ""))

    def references(self):
        return list(self.held.values())

    def reference(self, number):
        return self.held.get(number)

    def save_reference(self, reference, *, who="", details=None):
        self.held[reference.number] = reference
        if details is not None:
            self.acts.append(("reference entered", reference.number, who, details.get("custodian", "")))

    def head(self):
        return None  # nobody else writes

    def n_open_tasks(self):
        return 0

    unfinished: list[SimpleNamespace] = field(default_factory=list)

    def runs(self, *, tool="", outcomes=(), limit=50):
        assert outcomes == (Outcome.OPEN,)
        return [run for run in self.unfinished if run.tool == tool][:limit]

    def summary(self, run_id):
        return None

    def entries(self, subject):
        return []

    standings: dict[str, object] = field(default_factory=dict)

    def check_standing(self, reference):
        return self.standings.get(reference)

    acts: list[tuple] = field(default_factory=list)

    own: list[Procedure] = field(default_factory=list)

    def own_procedures(self):
        return self.own

    members: list[Person] = field(default_factory=list)

    def people(self, *, include_inactive=False):
        return self.members


class Bench(stand.StandIn):
    """A stand-in that takes the start, so that the way from nothing to the first pull can be walked."""

    def start_run(self, plan: RunPlan) -> None:
        self.asked.append(("start_run", plan))
        self.stage = [RunState.CAUTIONS, RunState.REFERENCE, RunState.ZERO, RunState.PRELOAD]
        self.plan = plan
        self._next()

    def go_on(self, *, seen: Asked | None = None) -> None:
        self.asked.append(("go_on",))
        self._next()

    def _next(self) -> None:
        state = self.stage.pop(0)
        run = replace(stand.run(state), plan=self.plan)
        self.show(stand.view(state, run=run, target_nm=100.0, target=100.0, checkpoint=None, pull_index=1, n_pulls=3))


@pytest.fixture
def desk(qtbot, tmp_path):
    port = Bench(stand.view(None, capacity_nm=None, source=Source.LIVE))
    context = AppContext(port, is_demo=False)
    window = MainWindow(context, settings_path=tmp_path / "s.json", start_panel=StartPanel)
    settle(window)
    shelf = Shelf()
    context.give_store(shelf)
    window.bench.tick()
    yield window, port, shelf
    put_away(window, port)


def known(percent=0.2, to_nm=250.0) -> Calibration:
    points = tuple(CalibrationPoint(x, x, percent) for x in (2.0, 100.0, to_nm))
    return Calibration("C-1", "laboratory 1", dt.date(2026, 1, 5), dt.date(2099, 1, 5), 2.0, to_nm, 2.0, points)


class Inputs:
    """Counts what a person does: a field filled, a key pressed, a click."""

    def __init__(self) -> None:
        self.n = 0

    def fill(self, widget, text: str) -> None:
        self.n += 1
        widget.setFocus()
        QTest.keyClicks(widget, text)

    def press(self, widget, key) -> None:
        self.n += 1
        press(widget, key)


def test_after_a_run_whoever_types_types_the_number_of_the_next_tool(desk):
    window, port, _ = desk
    port.show(stand.view(RunState.LEFT))
    window.bench.tick()
    assert window.bench.hasFocus()
    port.show(stand.view(None))
    window.bench.tick()
    assert window.bench.start.tool_card.number.hasFocus()


def test_from_the_empty_program_to_the_first_pull_in_at_most_eight_inputs(desk, qtbot):
    window, port, shelf = desk
    panel, person = window.bench.start, Inputs()
    assert panel.isVisible()
    assert window.bench.headline.instruction == "Choose a tool to verify"
    person.fill(panel.tool_card.number, "OCF-014")
    person.fill(panel.tool_card.range, "20 to 100 N·m")
    person.fill(panel.reference_card.capacity, "200 N·m")
    person.fill(panel.run_card.operator, "fitter 2")
    person.press(panel.run_card.operator, Qt.Key.Key_Return)
    assert port.asked[0][0] == "start_run"
    window.bench.tick()
    person.press(window.bench, Qt.Key.Key_PageDown)  # cautions
    person.press(window.bench, Qt.Key.Key_PageDown)  # it is the reference
    person.press(window.bench, Qt.Key.Key_PageDown)  # zero
    assert port.shown.state is RunState.PRELOAD
    port.show(replace(port.shown, phase=Phase.RISING))
    port.show(replace(port.shown, phase=Phase.REST, card=stand.card(99.0, 1, 100.0)))
    window.bench.tick()
    assert window.bench.card.card is not None  # captured by itself
    assert person.n <= 8
    plan = port.asked[0][1]
    # a full run demands a calibrated reference, which an empty program has not: a spot check in mid-range is proposed
    assert plan.procedure["key"] == "workshop-spot"
    assert [c.target for c in plan.checkpoints] == [60.0]
    assert "REF-1 has no calibration entered: its readings are taken as they come." in plan.warnings[0]
    assert plan.operator == "fitter 2"
    assert plan.source is Source.LIVE
    assert list(shelf.kept) == ["OCF-014"]
    assert shelf.held["REF-1"].capacity_nm == 200.0
    # before anybody is custodian, and the records say so
    assert shelf.acts == [
        ("tool entered", "OCF-014", "fitter 2", ""),
        ("reference entered", "REF-1", "fitter 2", "none named yet"),
    ]


def test_a_spot_check_is_proposed_only_while_no_reference_is_calibrated_and_nobody_chose(desk):
    window, _, shelf = desk
    panel = window.bench.start
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=90.0, resolution=5.0)
    shelf.held["REF-1"] = replace(stand.REFERENCE, calibrations=())
    window.set_operator("fitter 2")
    panel.fill()
    assert panel.run_card.procedure.currentData() == "workshop-spot"
    window.context.tool_wanted.emit("OCF-014")
    panel.replan()
    assert [c.target for c in panel.plan.checkpoints] == [50.0]  # 54 is not marked
    assert panel.run_card.target_box.torque.placeholderText() == "50 N·m, or type another"
    QTest.keyClicks(panel.run_card.target_box.torque, "70")
    panel.replan()
    assert [c.target for c in panel.plan.checkpoints] == [70.0]
    panel.run_card.target_box.torque.clear()
    shelf.held["REF-1"] = replace(stand.REFERENCE, calibrations=(known(),))
    window.context.store_changed.emit("references")
    assert panel.run_card.procedure.currentData() == "workshop-full"
    panel.run_card.procedure.setCurrentIndex(panel.run_card.procedure.findData("workshop-spot"))
    panel.run_card.procedure.activated.emit(panel.run_card.procedure.currentIndex())
    panel.replan()
    assert panel.plan is None
    assert "a spot check needs a target" in panel.foot.says.text()  # who chooses one says where
    assert panel.run_card.target_box.torque.placeholderText() == ""


def test_a_full_run_with_a_reference_of_which_nothing_is_known_needs_the_custodian(desk):
    window, _, shelf = desk
    panel = window.bench.start
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=100.0)
    shelf.held["REF-1"] = Reference("REF-1", 250.0)
    shelf.held["REF-2"] = replace(stand.REFERENCE, number="REF-2", calibrations=(known(),))
    window.settings.put("reference", "REF-1")
    window.set_operator("fitter 2")
    panel.fill()
    assert panel.run_card.procedure.currentData() == "workshop-full"
    window.context.tool_wanted.emit("OCF-014")
    panel.replan()
    assert panel.plan is None
    assert panel.reference_card.override.isVisible()
    for part in ("REF-1 has no calibration entered", "wants 1 % or better", "REF-2 would do", "custodian may override"):
        assert part in panel.foot.says.text()


def is_whole(label: QLabel) -> bool:
    """The text fits into the label, wrapped as it is shown."""
    room = label.contentsRect()
    wanted = label.fontMetrics().boundingRect(room, Qt.TextFlag.TextWordWrap, label.text())
    return wanted.height() <= room.height() and wanted.width() <= room.width()


@pytest.mark.parametrize("size", [(1366, 768), (1920, 1080)])
def test_every_warning_of_a_plan_stands_in_the_foot_and_nothing_is_cut(desk, qtbot, size):
    window, port, shelf = desk
    window.resize(*size)
    panel = window.bench.start
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=22.5, highest=247.5, resolution=2.5)
    shelf.held["REF-1"] = Reference("REF-1", 250.0)
    window.set_operator("fitter 2")
    port.show(stand.view(None, capacity_nm=None, source=Source.LIVE))
    panel.fill()
    panel.run_card.procedure.setCurrentIndex(panel.run_card.procedure.findData("workshop-spot"))
    panel.run_card.procedure.activated.emit(panel.run_card.procedure.currentIndex())
    window.context.tool_wanted.emit("OCF-014")
    QTest.keyClicks(panel.run_card.target_box.torque, "246.3")
    panel.replan()
    qtbot.waitUntil(lambda: panel.foot.width() > 1000)
    assert len(panel.plan.warnings) == 3  # no room, no calibration, not marked
    for warning in panel.plan.warnings:
        assert warning in panel.foot.says.text()
    assert is_whole(panel.foot.says)


def test_own_procedures_are_offered_and_the_run_keeps_their_figures(desk):
    window, _, shelf = desk
    panel = window.bench.start
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=100.0)
    shelf.held["REF-1"] = replace(stand.REFERENCE, calibrations=(known(),))
    window.set_operator("fitter 2")
    panel.fill()
    own = copied(shipped_procedure("workshop-full"), "own-ferry-tools", "Ferry tools")
    shelf.own = [edited(own, "readings.II", 5, source="workshop practice", mark="P")]
    window.context.store_changed.emit("procedures")
    index = panel.run_card.procedure.findData("own-ferry-tools")
    assert "version 2" in panel.run_card.procedure.itemText(index)
    assert panel.run_card.procedure.currentData() == "workshop-full"  # another one is only offered
    panel.run_card.procedure.setCurrentIndex(index)
    panel.run_card.procedure.activated.emit(index)
    window.context.tool_wanted.emit("OCF-014")
    panel.replan()
    assert {c.n_readings for c in panel.plan.checkpoints} == {5}
    assert panel.plan.procedure["version"] == 2
    window.context.store_changed.emit("procedures")
    assert panel.run_card.procedure.currentData() == "own-ferry-tools"


def test_the_next_time_a_scan_and_enter_are_enough(desk):
    window, port, shelf = desk
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=100.0)
    shelf.held["REF-1"] = stand.REFERENCE
    window.set_operator("fitter 2")
    window.context.store_changed.emit("tools")
    window.context.tool_wanted.emit("OCF-014")
    panel = window.bench.start
    assert panel.plan is not None
    assert panel.foot.go.isEnabled()
    QTest.keyClick(panel.foot.go, Qt.Key.Key_Return)
    assert [each[0] for each in port.asked] == ["start_run"]


def test_a_reference_that_is_too_small_is_refused_with_numbers_and_with_what_would_do(desk):
    window, _, shelf = desk
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=100.0)
    shelf.held["REF-1"] = Reference("REF-1", 50.0)
    shelf.held["REF-2"] = Reference("REF-2", 250.0)
    window.settings.put("reference", "REF-1")
    window.set_operator("fitter 2")
    panel = window.bench.start
    panel.fill()
    window.context.tool_wanted.emit("OCF-014")
    panel.replan()
    assert panel.plan is None
    assert not panel.foot.go.isEnabled()
    for part in ("60 N·m", "REF-1, which ends at 50 N·m", "REF-2"):
        assert part in panel.foot.says.text()


def test_a_reference_that_is_overdue_starts_only_by_the_custodians_word_and_it_stands_in_the_plan(desk):
    window, port, shelf = desk
    day = dt.date(2026, 1, 5)
    points = tuple(CalibrationPoint(x, x, 0.2) for x in (2.0, 100.0, 250.0))
    overdue = Calibration("C-1", "laboratory 1", day, day.replace(year=2027), 2.0, 250.0, 2.0, points)
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=100.0)
    shelf.held["REF-1"] = Reference("REF-1", 250.0, calibrations=(overdue,))
    shelf.members = [Person("custodian", is_custodian=True), Person("fitter 2")]
    window.set_operator("fitter 2")
    panel = window.bench.start
    panel.today = lambda: dt.date(2027, 3, 4)
    panel.fill()
    window.context.tool_wanted.emit("OCF-014")
    panel.replan()
    assert panel.plan is None
    assert "was due on 2027-01-05" in panel.foot.says.text()
    assert panel.reference_card.override.isVisible()
    asked = []
    window.context.custodian_wanted.disconnect()
    window.context.custodian_wanted.connect(lambda what_for, do: asked.append((what_for, do)))
    QTest.mouseClick(panel.reference_card.override.decide, Qt.MouseButton.LeftButton)
    assert asked == []
    assert "needs a reason" in panel.foot.says.text()
    QTest.keyClicks(panel.reference_card.override.reason, "the other one is at the laboratory")
    panel.replan()
    assert panel.plan is None  # a reason alone is nobody's word
    QTest.mouseClick(panel.reference_card.override.decide, Qt.MouseButton.LeftButton)
    ((what_for, do),) = asked
    assert what_for == "to use REF-1 all the same"
    do("custodian")
    assert panel.plan.warnings[-1] == "Overridden by custodian: the other one is at the laboratory"
    QTest.keyClicks(panel.reference_card.override.reason, " again")
    panel.replan()
    assert panel.plan is None  # the word was for the reason as it stood
    do("custodian")
    assert panel.plan.warnings[-1] == "Overridden by custodian: the other one is at the laboratory again"
    panel.begin()
    assert port.asked[0][0] == "start_run"
    assert panel.reference_card.override.custodian == panel.reference_card.override.reason.text() == ""
    panel.today = lambda: dt.date(2026, 3, 4)
    window.context.tool_wanted.emit("OCF-014")
    panel.replan()
    assert panel.reference_card.override.isHidden()


@pytest.mark.parametrize("state", [ToolState.QUARANTINED, ToolState.AT_LABORATORY, ToolState.RETIRED])
def test_of_a_tool_that_is_not_in_service_it_is_said_that_no_verdict_puts_it_back(desk, monkeypatch, state):
    window, _port, shelf = desk
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=100.0)
    shelf.held["REF-1"] = Reference("REF-1", 250.0, calibrations=(known(),))
    window.set_operator("fitter 2")
    panel = window.bench.start
    panel.fill()
    window.context.tool_wanted.emit("OCF-014")
    panel.replan()
    assert panel.plan is not None
    assert not is_not_in_service(panel.plan)
    kept = window.context.store.tool
    monkeypatch.setattr(window.context.store, "tool", lambda number: replace(kept(number), state=state))
    panel.replan()
    said = f"OCF-014 is {state.value.replace('-', ' ')}: a verdict within limits leaves it out of service"
    assert said in panel.foot.says.text()
    assert is_not_in_service(panel.plan)
    run = stand.run(RunState.VERDICT, plan=panel.plan)
    view = replace(stand.scenes()["verdict-in"][0], run=run, source=Source.LIVE)
    assert words.verdict_action(view) == "It stays out of service until it is put back in the Rack"
    put_back = replace(run, plan=replace(panel.plan, warnings=()))
    assert words.verdict_action(replace(view, run=put_back)).startswith("In service")


def test_a_click_beside_a_field_leaves_the_keyboard_where_it_was(desk, qtbot):
    window, _port, shelf = desk
    panel = window.bench.start
    shelf.kept["OCF-014"] = stand.TOOL
    panel.fill()
    panel.run_card.operator.setFocus()
    assert panel.run_card.operator.hasFocus()
    foot = panel.foot.says  # words: nothing to type into
    QTest.mouseClick(window.bench, Qt.MouseButton.LeftButton, pos=foot.mapTo(window.bench, foot.rect().center()))
    assert panel.run_card.operator.hasFocus()
    window.bench.setFocus()
    assert panel.tool_card.number.hasFocus()


def test_a_number_that_is_known_is_not_entered_as_a_new_reference(desk):
    window, _port, shelf = desk
    panel = window.bench.start
    shelf.held["REF-1"] = replace(stand.REFERENCE, number="REF-1")
    panel.fill()
    card = panel.reference_card
    card.override.show()
    card.override.reason.setText("the other one is at")
    panel.fill()  # something else was entered meanwhile
    assert (card.override.isHidden(), card.override.reason.text()) == (False, "the other one is at")
    card.reference.setCurrentIndex(card.reference.findData(""))  # another one, new here
    card.reference.activated.emit(0)
    assert card.override.isHidden()
    assert card.number.text() == ""
    card.number.setText("REF-1")
    card.capacity.setText("50 N·m")
    with pytest.raises(ValueError, match="REF-1 is known already: choose it in the list"):
        card.mounted()
    card.number.setText("REF-9")
    assert card.mounted().number == "REF-9"


def test_while_the_records_are_being_opened_nothing_is_taken_for_new(qtbot, tmp_path):
    """The forms for a new tool and a new reference stood there for a moment at every start."""
    port = Bench(stand.view(None, capacity_nm=None, source=Source.LIVE))
    window = MainWindow(AppContext(port, is_demo=False), settings_path=tmp_path / "s.json", start_panel=StartPanel)
    settle(window)
    panel = window.bench.start
    assert panel.tool_card.new_tool.isHidden()
    assert panel.reference_card.new_reference.isHidden()
    window.context.give_store(Shelf())
    window.bench.tick()
    assert not panel.tool_card.new_tool.isHidden()
    assert not panel.reference_card.new_reference.isHidden()
    put_away(window, port)


@pytest.mark.parametrize("which", ["range", "capacity"])
def test_records_that_come_late_take_no_field_away_from_who_is_typing(desk, qtbot, which):
    window, _port, shelf = desk
    panel = window.bench.start
    tool, reference = panel.tool_card, panel.reference_card
    typed = tool.range if which == "range" else reference.capacity
    typed.setFocus()
    qtbot.keyClicks(typed, "20 to 1" if which == "range" else "2")
    shelf.kept["OCF-014"] = stand.TOOL
    for number in ("REF-1", "REF-2"):
        shelf.held[number] = replace(stand.REFERENCE, number=number)
    panel.fill()  # the demonstration is ready, or another window entered something
    assert typed.isVisible()
    assert typed.hasFocus()
    qtbot.keyClicks(typed, "00 N·m")
    assert typed.text() == ("20 to 100 N·m" if which == "range" else "200 N·m")
    if which == "range":
        tool.number.setText("OCF-014")
        tool.look()
        assert tool.new_tool.isHidden()
    else:
        assert reference.number.text() == ""  # the number that was proposed is taken by now
        qtbot.keyClicks(reference.number, "REF-9")
        tool.number.setText("OCF-014")
        window.set_operator("fitter 2")
        panel.run_card.procedure.setCurrentIndex(panel.run_card.procedure.findData("workshop-spot"))
        panel.run_card.procedure.activated.emit(0)
        panel.run_card.target_box.torque.setText("30")
        panel.begin()
        assert "REF-9" in shelf.held, panel.foot.says.text()
        assert reference.reference.currentData() == "REF-9"
        assert reference.new_reference.isHidden()


def test_what_is_missing_is_asked_for_and_enter_goes_there(desk):
    window, port, _ = desk
    panel = window.bench.start
    QTest.keyClicks(panel.tool_card.number, "OCF-020")
    QTest.keyClick(panel.tool_card.number, Qt.Key.Key_Return)
    assert panel.tool_card.range.hasFocus()
    QTest.keyClicks(panel.tool_card.range, "20 to 100 N·m")
    QTest.keyClicks(panel.reference_card.capacity, "200")
    QTest.keyClick(panel.reference_card.capacity, Qt.Key.Key_Return)
    assert panel.run_card.operator.hasFocus()
    assert "Who pulls" in panel.foot.says.text()
    assert port.asked == []


def test_spot_check_with_an_extension_says_what_to_set(desk):
    """X2: T = 100, L = 12, E = 6 gives 66.7 (a published aviation training manual's example)."""
    window, _, shelf = desk
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=150.0, resolution=None)
    shelf.held["REF-1"] = stand.REFERENCE
    window.set_operator("fitter 2")
    panel = window.bench.start
    panel.fill()
    window.context.tool_wanted.emit("OCF-014")
    panel.run_card.procedure.setCurrentIndex(panel.run_card.procedure.findData("workshop-spot"))
    panel.run_card.procedure.activated.emit(0)
    assert panel.run_card.target_box.isVisible()
    QTest.keyClicks(panel.run_card.target_box.torque, "100")
    QTest.mouseClick(panel.run_card.target_box.with_extension, Qt.MouseButton.LeftButton)
    QTest.keyClicks(panel.run_card.target_box.lever, "12")
    QTest.keyClicks(panel.run_card.target_box.extra, "6")
    panel.replan()
    assert "set the wrench to 66.67 N·m" in panel.run_card.target_box.says.text()
    assert panel.plan is not None
    assert panel.plan.checkpoints[0].target == pytest.approx(66.67)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("20 to 100 N·m", (20.0, 100.0, "N·m")),
        ("20-100 Nm", (20.0, 100.0, "N·m")),
        ("2,5 – 12 N·m", (2.5, 12.0, "N·m")),
        ("10 to 50 lbf·ft", (10.0, 50.0, "lbf·ft")),
        ("20 to 100", (20.0, 100.0, "N·m")),
    ],
)
def test_ranges_are_understood_as_people_type_them(text, expected):
    assert parse_range(text, "N·m") == pytest.approx(expected)


@pytest.mark.parametrize("text", ["", "100", "100 to 20 N·m", "0 to 5 N·m", "20 to", "20 to 100 to 200", "a to b"])
def test_what_is_no_range_is_refused(text):
    with pytest.raises(ValueError, match=r".{8}"):
        parse_range(text, "N·m")


@pytest.mark.parametrize(
    ("lever", "extra", "expected"),
    [
        ("400 mm", "100 mm", (400.0, 100.0)),
        ("40 cm", "-50", (400.0, -500.0)),
        ("16 in", "100 mm", (406.4, 100.0)),
        ("12", "6", (12.0, 6.0)),
        ("12", '6"', (304.8, 152.4)),
    ],
)
def test_lengths_are_understood_with_their_units(lever, extra, expected):
    assert lengths_of(lever, extra) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("lever", "extra", "part"),
    [
        ("", "6", "length of the wrench"),
        ("12", " ", "makes it longer"),
        ("12 stone", "6", "not a length; type a number"),
    ],
)
def test_what_is_no_length_is_asked_for(lever, extra, part):
    with pytest.raises(ValueError, match=part):
        lengths_of(lever, extra)


def test_ports_and_profiles_are_offered_and_a_single_port_is_opened_by_itself(qtbot):
    port = stand.StandIn()
    context = AppContext(port, is_demo=False)
    panel = StartPanel(
        context,
        Settings(None),
        list_ports=lambda: [("/dev/ttyUSB0", "ttyUSB0, USB serial")],
        list_profiles=lambda: [("signed value with unit", "signed value with unit")],
        today=lambda: dt.date(2026, 3, 4),
    )
    qtbot.addWidget(panel)
    panel.show()
    panel.fill()
    assert ("open_link", "/dev/ttyUSB0", "signed value with unit", True) in port.asked


def of_one_port(port, settings: Settings) -> StartPanel:
    return StartPanel(AppContext(port, is_demo=False), settings, list_ports=lambda: [("/dev/ttyS0", "/dev/ttyS0")])


def test_a_link_that_has_just_been_asked_for_is_not_replaced_by_the_only_port(qtbot):
    opened, may_open = [], threading.Event()

    def slowly(url, profile, on_block, on_status):
        opened.append(url)
        may_open.wait(60)
        return SimpleNamespace(start=lambda: None, stop=lambda: None)

    session = BenchSession(slowly, lambda capacity_nm: SimpleNamespace(reset=lambda: None))
    session.open_link("socket://127.0.0.1:5001", "signed value with unit")
    panel = of_one_port(session, Settings(None))
    qtbot.addWidget(panel)
    assert session.view().link.state == "closed"  # no view knows of it yet
    panel.fill()
    may_open.set()
    session.close()  # after all that was asked for
    assert opened == ["socket://127.0.0.1:5001"]


def test_the_port_of_last_time_stays_remembered_while_another_is_the_only_one(qtbot):
    port, settings = stand.StandIn(), Settings(None)
    settings.put("link_url", "socket://127.0.0.1:5001")
    panel = of_one_port(port, settings)
    qtbot.addWidget(panel)
    panel.fill()
    assert settings.get("link_url") == "socket://127.0.0.1:5001"
    assert port.asked == []


def of_ports(qtbot, port, settings=None, found=(("/dev/ttyS0", "/dev/ttyS0"),), **more) -> StartPanel:
    names = [("bare value", "bare value"), ("signed value, unit", "signed value, unit")]
    panel = StartPanel(
        AppContext(port, is_demo=False),
        settings or Settings(None),
        list_ports=lambda: found,
        list_profiles=lambda: names,
        **more,
    )
    qtbot.addWidget(panel)
    panel.show()
    panel.fill()
    port.asked.clear()
    return panel


def choose(box, data) -> None:
    box.setCurrentIndex(box.findData(data))
    box.activated.emit(box.currentIndex())


def test_the_port_in_use_stands_in_the_list_although_nothing_lists_it(qtbot):
    # another profile was opened on the first port found, and the address in use was lost
    port = stand.StandIn()
    port.show(stand.view(None, link=LinkView("refused", "/tmp/port0", "no line ends as the profile says")))
    panel = of_ports(qtbot, port)
    choice = panel.reference_card.port
    assert choice.url == "/tmp/port0"
    choose(choice.profiles, "signed value, unit")
    assert port.asked == [("open_link", "/tmp/port0", "signed value, unit", False)]
    panel.fill()
    assert choice.url == "/tmp/port0"


def test_an_address_that_nothing_lists_is_typed(qtbot):
    port, settings = stand.StandIn(), Settings(None)
    choice = of_ports(qtbot, port, settings, found=()).reference_card.port
    assert choice.ports.itemText(0).startswith("no port found")
    assert not choice.other.isVisible()
    choose(choice.ports, OTHER)
    assert choice.other.isVisible()
    QTest.keyClicks(choice.other, "socket://127.0.0.1:5001")
    QTest.keyClick(choice.other, Qt.Key.Key_Return)
    assert port.asked == [("open_link", "socket://127.0.0.1:5001", "bare value", False)]
    assert (choice.url, choice.other.isVisible()) == ("socket://127.0.0.1:5001", False)
    assert settings.get("link_url") == "socket://127.0.0.1:5001"


def test_the_profile_is_found_by_listening_with_the_link_closed_meanwhile(qtbot):
    class Gives(stand.StandIn):
        def close_link(self) -> None:
            self.asked.append(("close_link",))
            self.show(stand.view(None, link=LinkView("closed")))

    port, heard, go_on = Gives(), [], threading.Event()

    def finder(url):
        go_on.wait(60)
        heard.append((url, port.view().link.state, threading.current_thread() is threading.main_thread()))
        return "signed value, unit"

    port.show(stand.view(None, link=LinkView("refused", "/dev/ttyS0", "lines come that the profile does not describe")))
    panel = of_ports(qtbot, port, find_profile=finder)
    choice = panel.reference_card.port
    QTest.mouseClick(choice.listen, Qt.MouseButton.LeftButton)
    panel.fill()  # the only port there is, is not opened by itself meanwhile
    go_on.set()
    qtbot.waitUntil(lambda: port.asked[-1][0] == "open_link", timeout=60_000)
    assert port.asked == [("close_link",), ("open_link", "/dev/ttyS0", "signed value, unit", False)]
    assert heard == [("/dev/ttyS0", "closed", False)]
    assert choice.profiles.currentData() == "signed value, unit"
    assert choice.listen.isEnabled()
    panel.stop()


def test_when_nothing_fits_it_is_said_and_the_port_opened_as_before(qtbot):
    def finder(url):
        raise ValueError(f"{url}: no profile fits what comes.")

    port, said = stand.StandIn(), []
    port.show(stand.view(None, link=LinkView("closed")))
    panel = of_ports(qtbot, port, find_profile=finder)
    panel.context.message.connect(lambda kind, text: said.append((kind, text)))
    QTest.mouseClick(panel.reference_card.port.listen, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: port.asked[-1][0] == "open_link", timeout=60_000)
    assert said == [("problem", "/dev/ttyS0: no profile fits what comes.")]
    assert port.asked[-1] == ("open_link", "/dev/ttyS0", "bare value", False)
    panel.stop()


def test_a_lost_link_and_its_reason_stand_on_the_panel(desk):
    window, port, _ = desk
    port.show(stand.view(None, link=LinkView("refused", "COM5", "COM5 is in use by another program.")))
    window.bench.start.reference_card.look()
    assert "COM5 is in use by another program." in window.bench.start.reference_card.port.link_line.text()


def test_a_label_that_was_not_read_whole_is_said_and_stays_said(desk, qtbot):
    panel = desk[0].bench.start
    QTest.keyClicks(panel.tool_card.number, "KILTER1/OCF-0")
    QTest.keyClick(panel.tool_card.number, Qt.Key.Key_Return)
    assert "The label was not read whole" in panel.foot.says.text()
    QTest.qWait(3 * REPLAN_MS)  # what comes of the answers is not said over it
    assert "The label was not read whole" in panel.foot.says.text()


def test_the_form_is_as_before_after_something_else_stood_in_its_place_and_enter_starts_nothing_meanwhile(desk, qtbot):
    window, port, shelf = desk
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=100.0)
    shelf.held["REF-1"] = replace(stand.REFERENCE, calibrations=(known(),))
    window.set_operator("fitter 2")
    panel = window.bench.start
    panel.fill()
    window.context.tool_wanted.emit("OCF-014")
    QTest.qWait(50)
    before = [card.geometry() for card in panel.cards]
    for shown, hidden in ((panel.toggle_origins, panel.toggle_origins), (panel.show_influences, panel.hide_influences)):
        shown()
        QTest.qWait(50)
        assert not panel.form.isVisible()
        QTest.keyClick(panel, Qt.Key.Key_Return)
        hidden()
        QTest.qWait(50)
        assert [card.geometry() for card in panel.cards] == before
    assert port.asked == []


def test_a_tool_that_shows_is_planned_as_one(desk):
    window, _, _ = desk
    panel = window.bench.start
    QTest.keyClicks(panel.tool_card.number, "OCF-031")
    QTest.keyClicks(panel.tool_card.range, "20 to 100 N·m")
    panel.tool_card.kind_of.button(1).click()
    assert panel.tool_card.tool().tool_type is ToolType.INDICATING


def _check_values(*numbers: float) -> check_standard.Standing:
    setup = check_standard.Setup(
        "REF-1", "OCF-090", 60.0, "N·m", Direction.CLOCKWISE, "2026-01-01T00:00:00+00:00", "custodian", "stable"
    )
    return check_standard.charted(
        setup,
        [
            check_standard.Value(i, f"2026-03-{i + 1:02d}T07:00:00+00:00", x, "fitter 1", f"run-{i}")
            for i, x in enumerate(numbers)
        ],
    )


def test_a_reference_that_its_check_standard_has_stopped_starts_nothing_but_the_check_standard(desk):
    window, _, shelf = desk
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=100.0)
    shelf.kept["OCF-090"] = replace(stand.TOOL, number="OCF-090", lowest=20.0, highest=100.0)
    shelf.held["REF-1"] = stand.REFERENCE
    steady = [0.0, 0.1] * (check_standard.LEAST // 2)
    shelf.standings["REF-1"] = _check_values(*steady, 2.4)
    window.set_operator("fitter 2")
    panel = window.bench.start
    panel.fill()
    window.context.tool_wanted.emit("OCF-014")
    assert panel.plan is None
    assert not panel.foot.go.isEnabled()
    for part in ("REF-1 is stopped", "OCF-090", "+2.40 %", "custodian"):
        assert part in panel.foot.says.text()
    wanted = []
    window.context.page_wanted.connect(lambda page, key: wanted.append((page, key)))
    assert panel.foot.to_check.isVisible()
    panel.foot.to_check.click()
    assert wanted == [("references", "REF-1:check")]
    window.context.tool_wanted.emit("OCF-090")
    assert panel.plan is not None
    assert not panel.foot.to_check.isVisible()


def test_how_the_reference_stood_goes_into_the_plan_and_a_morning_without_check_is_said(desk):
    window, _, shelf = desk
    shelf.kept["OCF-014"] = replace(stand.TOOL, lowest=20.0, highest=100.0)
    shelf.held["REF-1"] = stand.REFERENCE
    shelf.standings["REF-1"] = _check_values(*[0.0, 0.1] * 8)
    window.set_operator("fitter 2")
    panel = window.bench.start
    panel.today = lambda: dt.date(2026, 3, 16)
    panel.fill()
    window.context.tool_wanted.emit("OCF-014")
    assert "within" in panel.plan.reference_check
    assert "not checked today" not in panel.foot.says.text()
    panel.today = lambda: dt.date(2026, 3, 17)
    panel.replan()
    assert "not pulled on this day" in panel.plan.reference_check
    assert "REF-1 was not checked today" in panel.foot.says.text()


def cut_parts(panel: StartPanel) -> list[str]:
    """Fields, lists and texts that have less height than they need, or reach out of their card."""
    found = []
    for card in panel.cards:
        for part in (*card.findChildren(QLineEdit), *card.findChildren(QComboBox), *card.findChildren(QLabel)):
            if not part.isVisible() or (isinstance(part, QLabel) and not part.text()):
                continue
            label = isinstance(part, QLabel)
            line = part.fontMetrics().height()
            needed = part.heightForWidth(part.width()) if label and part.wordWrap() else line + (0 if label else 4)
            at = part.mapTo(card, QPoint(0, 0)).y()
            if part.height() < needed - 1 or at + part.height() > card.height():
                what = part.text() if label else part.accessibleName()
                found.append(f"{what}: {part.height()} of {needed} px")
    return found


@pytest.mark.parametrize("size", [(1366, 768), (1280, 720), (1920, 1080)])
def test_nothing_is_cut_when_everything_is_asked_at_once(qtbot, tmp_path, size):
    """A target with an extension, an overdue reference for the custodian, ports and profiles, the strip of a mark."""
    port = Bench(stand.view(None, capacity_nm=None, source=Source.SIMULATED))
    made = partial(
        StartPanel,
        list_ports=lambda: [("/dev/ttyUSB0", "/dev/ttyUSB0  serial adapter"), ("/dev/ttyS0", "/dev/ttyS0")],
        list_profiles=lambda: [("signed value, unit", "signed value, unit")],
    )
    window = MainWindow(AppContext(port, is_demo=True), settings_path=tmp_path / "s.json", start_panel=made)
    window.sounds.muted = True
    window.resize(*size)
    window.show()
    window.bench.timer.stop()
    day, points = dt.date(2024, 1, 5), tuple(CalibrationPoint(x, x, 0.2) for x in (2.0, 100.0, 200.0))
    overdue = Calibration("C-1", "laboratory 1", day, day.replace(year=2025), 2.0, 200.0, 2.0, points)
    shelf = Shelf({"OCF-014": stand.TOOL}, {"REF-1": replace(stand.REFERENCE, calibrations=(overdue,))})
    window.context.give_store(shelf)
    window.bench.tick()
    panel = window.bench.start
    panel.fill()
    panel.want_tool("OCF-014")
    panel.run_card.procedure.setCurrentIndex(panel.run_card.procedure.findData("workshop-spot"))
    panel.run_card.procedure.activated.emit(0)
    panel.run_card.target_box.with_extension.setChecked(True)
    for entry, text in (
        (panel.run_card.target_box.torque, "60"),
        (panel.run_card.target_box.lever, "400"),
        (panel.run_card.target_box.extra, "100"),
        (panel.run_card.operator, "fitter 2"),
    ):
        entry.setText(text)
    try:
        panel.replan()
        QTest.qWait(50)
        assert panel.reference_card.override.isVisible()
        assert cut_parts(panel) == []
        panel.reference_card.override.reason.setText("REF-2 is at the laboratory")
        panel.reference_card.override.custodian = "custodian"
        panel.replan()
        QTest.qWait(50)
        assert panel.plan is not None
        assert panel.run_card.limit_line.text()
        assert cut_parts(panel) == []
    finally:
        window.close()
        window.deleteLater()


@pytest.mark.parametrize("name", ["rack", "references"])
def test_a_page_that_reads_the_records_again_behind_a_run_leaves_the_keyboard_to_it(qtbot, tmp_path, store, name):
    from benchapp.ui.rack.page import RackPage
    from benchapp.ui.references.page import ReferencesPage

    port = stand.StandIn()
    context = AppContext(port, is_demo=True)
    pages = [PageSpec("rack", RackPage), PageSpec("references", ReferencesPage)]
    window = MainWindow(context, pages, settings_path=tmp_path / "s.json", start_panel=StartPanel)
    settle(window)
    context.give_store(store)
    window.show_page(name)
    window.show_page("bench")
    port.show(stand.view(RunState.SEALED, verdict=stand.verdict()))
    window.bench.tick()
    for what in ("tools", "references", "runs"):  # the run's seal
        context.store_changed.emit(what)
    assert window.focusWidget() is window.bench
    window.focusWidget().clearFocus()  # and wherever it has gone, the next number is typed
    port.show(stand.view(None))
    window.bench.tick()
    assert window.focusWidget() is window.bench.start.tool_card.number
    put_away(window, port)


def test_a_tool_that_another_window_described_otherwise_meanwhile_is_looked_at_first(desk):
    window, port, shelf = desk
    panel = window.bench.start
    describe(panel)
    panel.replan()
    there = Tool("OCF-014", ToolType.SETTING, "A", "N·m", 40.0, 200.0, resolution=1.0)
    shelf.kept["OCF-014"] = there
    panel.begin()
    assert port.asked == []
    assert panel.foot.says.text().startswith("OCF-014 was entered or changed in another window meanwhile.")
    panel.begin()
    assert port.asked[0][1].tool == there


def test_a_reference_that_another_window_calibrated_meanwhile_is_looked_at_first(desk):
    window, port, shelf = desk
    panel = window.bench.start
    describe(panel)
    panel.replan()
    shelf.held["REF-1"] = Reference("REF-1", 250.0, calibrations=(known(),))
    panel.begin()
    assert port.asked == []
    assert panel.foot.says.text().startswith("REF-1 was entered or changed in another window meanwhile.")
    assert panel.reference_card.reference.findData("REF-1") >= 0


def test_a_run_of_the_same_tool_that_is_not_over_is_told_and_kept_in_the_record(desk):
    window, port, shelf = desk
    panel = window.bench.start
    describe(panel)
    shelf.unfinished = [SimpleNamespace(tool="OCF-014", operator="fitter 1", started="2026-11-30T13:19:05+00:00")]
    panel.replan()
    told = "A run of OCF-014 by fitter 1, begun 2026-11-30 13:19, is not over: it stands in another window"
    assert told in panel.foot.says.text()
    panel.begin()
    assert any(warning.startswith(told) for warning in port.asked[0][1].warnings)


def test_after_a_scan_the_pedal_starts_the_run(desk):
    window, port, _ = desk
    panel = window.bench.start
    window.bench.look.least_s = 0.0
    describe(panel)
    panel.replan()
    panel.foot.go.setFocus()
    press(panel.foot.go, Qt.Key.Key_Tab)  # no key that nobody bound is swallowed
    assert window.focusWidget() is not panel.foot.go
    panel.foot.go.setFocus()
    press(panel.foot.go, Qt.Key.Key_PageUp)
    assert port.asked == []
    press(panel.foot.go, Qt.Key.Key_PageDown)
    assert port.asked[0][0] == "start_run"
    panel.tool_card.number.setFocus()


@pytest.mark.parametrize("size", [(1366, 768), (1280, 720), (1920, 1080)])
def test_nothing_of_a_new_reference_is_cut_while_its_override_and_a_wrong_profile_are_told(qtbot, tmp_path, size):
    link = LinkView(
        "refused",
        "/dev/serial/by-id/usb-transducer",
        reason="/dev/serial/by-id/usb-transducer: lines come that the profile 'signed value, unit' does not describe, "
        "such as '6.005000,06005,+000.00,Nm'. Choose another profile, or let it be found by listening.",
    )
    port = Bench(stand.view(None, capacity_nm=None, source=Source.LIVE, link=link))
    made = partial(
        StartPanel,
        list_ports=lambda: [("/dev/ttyS0", "/dev/ttyS0")],
        list_profiles=lambda: [("signed value, unit", "signed value, unit")],
        find_profile=lambda url: "",
    )
    window = MainWindow(AppContext(port, is_demo=False), settings_path=tmp_path / "s.json", start_panel=made)
    window.resize(*size)
    settle(window)
    window.context.give_store(Shelf())
    window.bench.tick()
    panel = window.bench.start
    panel.fill()
    describe(panel)
    panel.run_card.procedure.setCurrentIndex(panel.run_card.procedure.findData("workshop-full"))
    panel.run_card.procedure.activated.emit(0)
    panel.reference_card.look()
    panel.replan()
    QTest.qWait(50)
    assert panel.reference_card.override.isVisible()
    assert cut_parts(panel) == []
    put_away(window, port)


def test_a_target_that_stays_for_the_next_tool_means_the_same_torque_there(desk):
    window, port, shelf = desk
    panel = window.bench.start
    shelf.kept["OCF-015"] = Tool("OCF-015", ToolType.SETTING, "A", "lbf·ft", 15.0, 80.0, resolution=0.5)
    describe(panel)
    panel.run_card.procedure.setCurrentIndex(panel.run_card.procedure.findData("workshop-spot"))
    panel.run_card.procedure.activated.emit(0)
    panel.run_card.target_box.torque.setText("60,5")
    panel.begin()
    assert [at.target for at in port.asked[0][1].checkpoints] == [60.5]
    assert panel.run_card.target_box.torque.text() == "60,5 N·m"
    port.show(stand.view(None, capacity_nm=None, source=Source.LIVE))  # that run is over
    window.bench.tick()
    panel.tool_card.take("OCF-015")
    panel.replan()
    (at,) = panel.plan.checkpoints
    assert at.target_nm == pytest.approx(60.5, rel=1e-3)  # 44.62 lbf·ft, not 60.5 lbf·ft


def describe(panel: StartPanel) -> None:
    panel.tool_card.number.setText("OCF-014")
    panel.tool_card.look()
    panel.tool_card.range.setText("20 to 100 N·m")
    panel.reference_card.capacity.setText("250 N·m")
    panel.run_card.operator.setText("fitter 2")
