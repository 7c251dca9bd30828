"""What handling adds, in a real window with simulated pulls: a series goes by one key and leaves no record of a run."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from benchapp.records import influences
from benchapp.session.view import Phase
from benchapp.ui.bench.influences import InfluencePanel
from benchapp.ui.bench.seriesboard import CHANGE, DONE, PULL, ZERO
from benchapp.ui.bench.start import StartPanel

TOOL = "OCF-005"
IS_LONG = bool(os.environ.get("KILTER_LONG"))  # the whole series, two minutes; else its first pull


@pytest.mark.timeout(450)
def test_a_series_is_pulled_by_one_key(open_kilter: Callable[[], Any]) -> None:
    technician = open_kilter()
    kilter, wait = technician.kilter, technician.wait
    store = kilter.store
    (start,) = kilter.window.findChildren(StartPanel)
    wait(lambda: bool(start.run_card.procedures), "the start panel")
    start.want_tool(TOOL)
    start.run_card.operator.setText("fitter 2")
    start.replan()
    assert start.plan is not None, start.foot.says.text()
    tool = start.plan.tool
    QTest.mouseClick(start.run_card.to_influences, Qt.MouseButton.LeftButton)
    panel: InfluencePanel = start.influences
    QTest.mouseClick(panel.rows["w_rep"].measure, Qt.MouseButton.LeftButton)
    assert panel.stage == ZERO, panel.problem.text()
    technician.key()
    wait(lambda: panel.stage == CHANGE, "zero")
    target_nm = panel.series.target_nm
    technician.hand.ask(do="tool", kind="click-wrench", max=tool.highest_nm)
    technician.hand.ask(do="set", torque=target_nm)
    headline = kilter.window.bench.headline
    for position in range(4 if IS_LONG else 1):
        assert headline.instruction == panel.series.kind.change[position]
        technician.key()
        wait(lambda: panel.stage == PULL, "the pulls")
        while panel.series.position == position and (IS_LONG or not panel.series.readings(0)):
            n = len(panel.series.pulls)
            assert n < 40, [pull.flags for pull in panel.series.pulls]
            pull = {"do": "pull", "manner": "steady", "delay_s": 0.05, "rate": target_nm * 0.35}
            wait(lambda pull=pull: technician.hand.try_(**pull), "the hand to be at rest")
            wait(lambda n=n: len(panel.series.pulls) > n, "a pull of the series")
            wait(lambda: technician.view.phase is Phase.REST, "rest")
    readings = panel.series.readings(0)
    assert len(readings) == (5 if IS_LONG else 1)
    assert readings == pytest.approx([target_nm] * len(readings), rel=0.06)
    if IS_LONG:
        assert panel.stage == DONE
        technician.key()
        wait(lambda: panel.series is None, "the result to be kept")
        known = influences.known(store, TOOL)["w_rep"]
        assert 0 < known.percent < 2
        print(len(known.series.pulls), [pull.flags for pull in known.series.pulls if not pull.counts])
        print(f"b = {known.spread_nm:.4g} N·m at {known.at_nm:.4g} N·m, w_rep = {known.percent:.3g} %")
    else:
        technician.key(Qt.Key.Key_Escape)
        wait(lambda: panel.series is None, "the series to be left")
        assert kilter.session.take_practice_pulls() == []
        assert influences.known(store, TOOL) == {}  # half a position says nothing
    assert not store.runs()
    assert store.check().holds
