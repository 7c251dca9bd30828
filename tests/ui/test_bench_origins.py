"""“Where does this number come from?” on the Bench: one key or click away, and never in the way of the two keys."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.runs.model import RunPlan
from benchapp.runs.planning import plan_run
from benchapp.runs.procedure import shipped_procedure
from benchapp.torque.direction import Direction
from benchapp.ui.bench.origins import plan_lines, verdict_lines
from benchapp.ui.bench.start import StartPanel
from benchapp.ui.context import AppContext
from benchapp.ui.logbook.judged import SharesPicture
from benchapp.ui.shell import MainWindow
from benchapp.ui.verdict import origin_lines
from drivers.samples import Source

from . import bench_standin as stand
from .desk import put_away, settle

SCENES = stand.scenes()
WRENCH = Tool("OCF-014", ToolType.SETTING, "A", "N·m", 8.0, 40.0, resolution=0.5)
REFERENCE = Reference("REF-1", 100.0)


def plan(tool: Tool = WRENCH, procedure: str = "iso-6789-2003", **options) -> RunPlan:
    made = plan_run(tool, REFERENCE, shipped_procedure(procedure), "fitter 2", Source.SIMULATED, **options)
    assert isinstance(made, RunPlan), made
    return made


@pytest.fixture
def window(qtbot, tmp_path):
    port = stand.StandIn(stand.view(None))
    made = MainWindow(AppContext(port, is_demo=True), settings_path=tmp_path / "s.json", start_panel=StartPanel)
    settle(made)
    made.bench.tick()
    QTest.qWaitForWindowExposed(made)
    yield made
    put_away(made, port)


def at_verdict(window, scene: str = "verdict-doubt"):
    port = window.context.bench
    port.show(SCENES[scene][0])
    window.bench.tick()
    window.bench.setFocus()
    port.asked.clear()
    return port


def press(window, key) -> None:
    QTest.keyClick(window.bench, key)
    while window.keys.is_waiting:  # a letter may be the first of a scanned code: it is held back for a moment
        QTest.qWait(5)


# ------------------------------------------------------------------------------------------------------- the verdict


@pytest.mark.parametrize("way", ["key", "click"])
def test_at_the_verdict_every_figure_is_one_key_or_click_away(window, way):
    at_verdict(window)
    bench = window.bench
    assert bench.where_from.isVisible()
    if way == "key":
        press(window, Qt.Key.Key_F1)
    else:
        QTest.mouseClick(bench.where_from, Qt.MouseButton.LeftButton)
    assert bench.shows_origins
    assert bench.origins.judged.table.isVisible()
    view = bench.view
    shown = bench.origins.judged.table.rows
    widest = max(view.verdict.judgement.checkpoints, key=lambda c: c.budget.expanded)
    assert shown == origin_lines(widest, verdict_lines(view.run, view.verdict)[0].convention)
    assert any("JCGM" in line.source for line in shown)


def test_the_key_that_seals_only_puts_the_sheet_away_and_the_other_turns_it(window):
    port = at_verdict(window)
    bench = window.bench
    press(window, Qt.Key.Key_F1)
    press(window, Qt.Key.Key_D)
    assert bench.origins.figures.isVisible()
    names = [line.name for line in bench.origins.figures.rows]
    assert names[0] == "checkpoints of this run"
    assert "decision rule" in names
    press(window, Qt.Key.Key_Space)
    assert not bench.shows_origins
    assert port.asked == []
    press(window, Qt.Key.Key_F1)
    press(window, Qt.Key.Key_Escape)
    assert not bench.shows_origins
    assert not bench._leaving
    press(window, Qt.Key.Key_Space)
    assert [asked[0] for asked in port.asked] == ["go_on"]


@pytest.mark.parametrize(("size", "scrolls"), [((683, 384), True), ((1366, 768), False)])
def test_on_a_low_screen_the_parts_are_scrolled_and_none_is_cut(window, size, scrolls):
    """683 × 384 is 1366 × 768 at 200 %."""
    window.resize(*size)
    at_verdict(window)
    press(window, Qt.Key.Key_F1)
    QTest.qWait(50)
    panel = window.bench.origins.judged
    bar = window.bench.origins.stack.currentWidget().verticalScrollBar()
    assert bool(bar.maximum()) is scrolls
    for text in (panel.sentence, panel.history):
        assert text.height() >= text.heightForWidth(text.width())
    assert panel.table.height() >= 150


def test_it_goes_with_the_verdict_and_is_not_there_while_pulling(window):
    port = at_verdict(window)
    press(window, Qt.Key.Key_F1)
    for scene in ("closed", "flagged"):
        port.show(SCENES[scene][0])
        window.bench.tick()
        assert not window.bench.shows_origins
        assert not window.bench.where_from.isVisible()
        press(window, Qt.Key.Key_F1)
        assert not window.bench.shows_origins


def test_a_verdict_without_uncertainty_says_why_there_is_none(window):
    view = SCENES["verdict-in"][0]
    problem = "The rule needs the reference's uncertainty."
    window.context.bench.show(replace(view, verdict=replace(view.verdict, judgement=None, judgement_problem=problem)))
    window.bench.tick()
    press(window, Qt.Key.Key_F1)
    assert window.bench.origins.judged.sentence.text() == problem


def test_an_overload_comes_before_it(window):
    port = at_verdict(window)
    press(window, Qt.Key.Key_F1)
    port.show(replace(port.shown, overload_percent=104.0))
    window.bench.tick()
    press(window, Qt.Key.Key_Space)
    assert [asked[0] for asked in port.asked] == ["go_on"]
    assert window.bench.shows_origins


# --------------------------------------------------------------------------------------------------- before the run


def panel_of(window) -> StartPanel:
    (panel,) = window.findChildren(StartPanel)
    panel.fill()
    return panel


def test_before_a_run_its_figures_stand_there_and_enter_does_not_start(window):
    panel = panel_of(window)
    panel.want_tool("OCF-014")
    for field, text in (
        (panel.tool_card.range, "8 to 40 N·m"),
        (panel.reference_card.capacity, "100 N·m"),
        (panel.run_card.operator, "fitter 2"),
    ):
        field.setText(text)
    panel.replan()
    QTest.keyClick(panel.run_card.operator, Qt.Key.Key_F1)
    assert panel.shows_origins
    assert not panel.foot.isVisible()
    rows = {line.name: line for line in panel.origins.figures.rows}
    assert rows["checkpoints of this run"].value == "8, 24, 40 N·m"
    assert rows["limit of each reading"].value == "±4 %"
    assert "permissible deviation, large tools (II-A)" in rows
    assert not [name for name in rows if "(I-" in name or "(II-B)" in name]
    QTest.keyClick(panel.origins.figures, Qt.Key.Key_Return)
    assert not [asked for asked in window.context.bench.asked if asked[0] == "start_run"]
    QTest.keyClick(panel.origins.figures, Qt.Key.Key_Escape)
    assert not panel.shows_origins
    assert panel.foot.go.isVisible()
    assert panel.foot.go.isEnabled()


def test_without_a_tool_the_whole_procedure_stands_there_and_a_scan_puts_it_away(window):
    panel = panel_of(window)
    QTest.mouseClick(panel.run_card.where_from, Qt.MouseButton.LeftButton)
    names = [line.name for line in panel.origins.figures.rows]
    assert "permissible deviation, large tools (I-A)" in names
    assert "permissible deviation, large tools (II-G)" in names
    panel.want_tool("OCF-014")
    assert not panel.shows_origins


# ------------------------------------------------------------------------------------------------- what the plan says


def test_each_figure_of_the_plan_names_where_it_is_from():
    said = {line.name: line for line in plan_lines(plan())}

    def origin(*names: str) -> str:
        """Of the first that there is: a class has its own figure or that of its type."""
        figures = shipped_procedure("iso-6789-2003").figures
        figure = next(figures[name] for name in names if name in figures)
        assert figure.source.startswith("ISO 6789:2003")
        return f"{figure.source}, {figure.clause}" if figure.clause else figure.source

    assert said["checkpoints of this run"].source == f"20, 60, 100 % of 40, {origin('points.at')}"
    assert said["readings at each"].value == "5"
    assert said["readings at each"].source == origin("readings.II-A", "readings.II")
    limit = said["limit of each reading"]
    assert (limit.value, limit.source) == ("±4 %", origin("permissible.above.II-A"))
    assert limit.mark == "C2: seen second-hand"
    assert said["uncertainty the reference may have"].value == "1 %"


def test_what_was_typed_or_declared_says_so():
    said = {line.name: line for line in plan_lines(plan(n_readings=4))}
    assert (said["readings at each"].value, said["readings at each"].source) == ("4", "typed for this run")
    declared = {line.name: line for line in plan_lines(plan(replace(WRENCH, declared_percent=3.0)))}
    assert declared["limit of each reading"].source == "declared for this tool, from the rack"
    spot = {line.name: line for line in plan_lines(plan(procedure="workshop-spot", target=24.0))}
    assert (spot["checkpoints of this run"].value, spot["checkpoints of this run"].source) == (
        "24 N·m",
        "typed for this run",
    )
    fixed = replace(WRENCH, lowest=24.0, highest=24.0, fixed=True, tool_class="B")
    assert plan_lines(plan(fixed))[0].source == "the one value of this tool, from the rack"


def test_each_direction_has_its_own_limit_where_the_document_has():
    both = replace(WRENCH, directions=(Direction.CLOCKWISE, Direction.ANTICLOCKWISE))
    said = {line.name: line for line in plan_lines(plan(both, "asme-b107-300", today=dt.date(2026, 3, 4)))}
    assert said["limit of each reading, clockwise"].value == "±4 %"
    other = said["limit of each reading, anticlockwise"]
    assert other.value == "±6 %"
    assert other.source.startswith(shipped_procedure("asme-b107-300").figures["permissible.other_direction"].source)


def test_the_longest_name_is_not_cut_where_it_is_the_first_and_bold(qtbot, monkeypatch):
    picture = SharesPicture()
    qtbot.addWidget(picture)
    monkeypatch.setattr(picture, "bars", lambda: [("repeatability of the mean", "> 99 %", 1.0)])
    picture.resize(600, 40)
    image = picture.grab().toImage()
    left = [image.pixelColor(x, y).name() for x in (0, 1, 2) for y in range(image.height())]
    assert len(set(left)) == 1  # no letter reaches the edge
