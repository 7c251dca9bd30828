"""The simulated hand against a control channel that a test holds: what it asks, and that it follows the run."""

from __future__ import annotations

import datetime as dt
import itertools
import json
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtNetwork import QHostAddress, QTcpServer
from PySide6.QtTest import QTest

from benchapp.metrology.reference import Calibration, CalibrationPoint
from benchapp.metrology.tool import ToolType
from benchapp.runs.model import RunState
from benchapp.torque.direction import Direction
from benchapp.ui.context import AppContext
from benchapp.ui.shell import MainWindow
from benchapp.ui.simulation.control import ControlChannel
from benchapp.ui.simulation.panel import FAULTS, MANNERS, HandPanel, kind_of

from . import bench_standin as stand


class Simulator(QTcpServer):
    """The other end: keeps what was asked, says what a test gives it."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: list[dict] = []
        self.client = None
        assert self.listen(QHostAddress(QHostAddress.SpecialAddress.LocalHost), 0)
        self.newConnection.connect(self._came)

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.serverPort()}"

    def _came(self) -> None:
        self.client = self.nextPendingConnection()
        self.client.readyRead.connect(self._read)

    def _read(self) -> None:
        while self.client.canReadLine():
            self.asked.append(json.loads(self.client.readLine().data()))

    def say(self, text: bytes) -> None:
        self.client.write(text)
        self.client.flush()


@pytest.fixture
def table(qtbot):
    simulator = Simulator()
    port = stand.StandIn()
    context = AppContext(port, is_demo=True)
    panel = HandPanel(context, simulator.address)
    qtbot.addWidget(panel)
    qtbot.waitUntil(lambda: panel.channel.is_connected and simulator.client is not None, timeout=60_000)
    panel.timer.stop()
    yield panel, simulator, port
    panel.stop()
    simulator.close()
    if simulator.client is not None:
        simulator.client.abort()


@pytest.fixture
def window_with_hand(qtbot):
    simulator = Simulator()
    port = stand.StandIn()
    window = MainWindow(AppContext(port, is_demo=True), hand=lambda context: HandPanel(context, simulator.address))
    window.show()
    window.bench.timer.stop()
    qtbot.waitUntil(lambda: window.hand.channel.is_connected, timeout=60_000)
    window.bench.setFocus()
    yield window, simulator
    window.close()
    simulator.close()
    simulator.client.abort()


def asked(simulator, qtbot, n: int) -> list[dict]:
    qtbot.waitUntil(lambda: len(simulator.asked) >= n, timeout=60_000)
    return [{key: value for key, value in each.items() if key != "id"} for each in simulator.asked]


def test_holding_the_button_pulls_and_letting_go_eases_off(table, qtbot):
    panel, simulator, _ = table
    QTest.mousePress(panel.hold, Qt.MouseButton.LeftButton)
    QTest.mouseRelease(panel.hold, Qt.MouseButton.LeftButton)
    assert asked(simulator, qtbot, 2) == [{"do": "key", "down": True}, {"do": "key", "down": False}]


def test_manner_fault_and_true_error_are_asked_for(table, qtbot):
    panel, simulator, _ = table
    panel.pull_in("jerky")
    QTest.mouseClick(panel.more, Qt.MouseButton.LeftButton)
    QTest.mouseClick(panel.more, Qt.MouseButton.LeftButton)
    assert asked(simulator, qtbot, 3) == [
        {"do": "pull", "manner": "jerky"},
        {"do": "error", "percent": 0.5},
        {"do": "error", "percent": 1.0},
    ]
    assert panel.error.text() == "true error +1.0 %"


def test_the_other_hand_sets_the_tool_as_the_run_asks(table, qtbot):
    panel, simulator, port = table
    port.show(stand.view(RunState.ZERO))
    panel.follow()
    panel.follow()  # nothing has changed: nothing is asked twice
    first = asked(simulator, qtbot, 4)
    assert first == [
        {"do": "tool", "kind": "click-wrench", "max": 150.0},
        {"do": "direction", "direction": "clockwise"},
        {"do": "set", "torque": 30.0},
        {"do": "mount", "on": False},
    ]
    port.show(stand.view(RunState.SET_TOOL, target_nm=90.0, direction=Direction.ANTICLOCKWISE))
    panel.follow()
    assert asked(simulator, qtbot, 6)[4:] == [
        {"do": "direction", "direction": "anticlockwise"},
        {"do": "set", "torque": 90.0},
    ]


def test_what_was_refused_under_a_pull_is_asked_for_again_when_it_is_over(table, qtbot):
    panel, simulator, port = table
    port.show(stand.view(RunState.SET_TOOL))
    panel.follow()
    asked(simulator, qtbot, 3)
    port.show(stand.view(RunState.SET_TOOL, direction=Direction.ANTICLOCKWISE))
    panel.follow()
    wanted = {"do": "direction", "direction": "anticlockwise"}
    assert asked(simulator, qtbot, 4)[3:] == [wanted]
    simulator.say(
        b'{"ok": false, "error": "direction: a pull is under way; release first"}\n{"state": {"phase": "pulling"}}\n'
    )
    qtbot.waitUntil(lambda: panel.state.get("phase") == "pulling", timeout=60_000)
    panel.follow()  # not now
    simulator.say(b'{"state": {"phase": "rest"}}\n')
    qtbot.waitUntil(lambda: panel.state["phase"] == "rest", timeout=60_000)
    panel.follow()
    assert asked(simulator, qtbot, 5)[3:] == [wanted, wanted]


def test_a_refusal_is_told_and_nonsense_is_skipped(table, qtbot):
    panel, simulator, _ = table
    told = []
    panel.context.message.connect(lambda kind, text: told.append((kind, text)))
    simulator.say(
        b'not json\n[1]\n{"ok": false, "error": "manner: no such"}\n{"state": {"tool": {"error_percent": 3.0}}}\n'
    )
    qtbot.waitUntil(lambda: panel.error_percent == 3.0, timeout=60_000)
    assert told == [("problem", "The simulator refused: manner: no such")]
    simulator.say(b'{"ok": true}\n{"ok": true}\n{"state": {"tool": {"error_percent": 2.0}}}\n')
    qtbot.waitUntil(lambda: panel.error_percent == 2.0, timeout=60_000)
    assert told[1:] == [("over", told[0][1])]


def test_easing_off_takes_no_refusal_away(table, qtbot):
    panel, simulator, _ = table
    told = []
    panel.context.message.connect(lambda kind, text: told.append((kind, text)))
    panel.key(True)
    asked(simulator, qtbot, 1)
    down = simulator.asked[-1]["id"]
    simulator.say(b'{"id": %d, "ok": false, "error": "key: the transducer is unplugged"}\n' % down)
    qtbot.waitUntil(lambda: bool(told), timeout=60_000)
    panel.key(False)
    qtbot.waitUntil(lambda: simulator.asked[-1].get("down") is False, timeout=60_000)
    simulator.say(b'{"id": %d, "ok": true}\n{"state": {"tool": {"error_percent": 2.0}}}\n' % simulator.asked[-1]["id"])
    qtbot.waitUntil(lambda: panel.error_percent == 2.0, timeout=60_000)
    assert len(told) == 1
    panel.pull_in("steady")
    qtbot.waitUntil(lambda: simulator.asked[-1]["do"] == "pull", timeout=60_000)
    simulator.say(b'{"id": %d, "ok": true}\n{"state": {"tool": {"error_percent": 3.0}}}\n' % simulator.asked[-1]["id"])
    qtbot.waitUntil(lambda: panel.error_percent == 3.0, timeout=60_000)
    assert told[1:] == [("over", told[0][1])]


def test_it_comes_back_by_itself_when_the_simulator_does(table, qtbot):
    panel, simulator, _ = table
    panel.channel._again.setInterval(20)
    seen = []
    panel.channel.connected_changed.connect(lambda up: seen.append((up, panel.hold.isEnabled())))
    simulator.client.abort()
    qtbot.waitUntil(lambda: len(seen) == 2, timeout=60_000)
    assert seen == [(False, False), (True, True)]


@pytest.mark.parametrize("address", ["", "host", "host:port", ":", "127.0.0.1:"])
def test_an_address_that_is_none_is_refused(address):
    with pytest.raises(ValueError, match="HOST:PORT"):
        ControlChannel(address)


def test_every_kind_of_tool_has_its_simulated_one():
    dial = replace(stand.TOOL, tool_type=ToolType.INDICATING, tool_class="B")
    assert kind_of(stand.TOOL) == "click-wrench"
    assert kind_of(replace(stand.TOOL, is_screwdriver=True)) == "click-screwdriver"
    assert kind_of(dial) == "dial-wrench"
    assert kind_of(replace(dial, tool_class="C")) == "electronic-wrench"


def test_the_simulated_transducer_shows_what_the_certificate_of_the_mounted_one_says(table, qtbot):
    """Or a tool whose true error is 0 would be read wrong by what the correction takes off."""
    panel, simulator, port = table
    points = tuple(CalibrationPoint(x, x * 1.014, 0.2) for x in (10.0, 100.0, 200.0))
    calibration = Calibration(
        "C-1", "laboratory 1", dt.date(2026, 1, 5), dt.date(2099, 1, 5), 10.0, 200.0, 2.0, points, degree=1
    )
    run = stand.run(RunState.SET_TOOL)
    reference = replace(run.plan.reference, calibrations=(calibration,))
    port.show(stand.view(RunState.SET_TOOL, run=replace(run, plan=replace(run.plan, reference=reference))))
    panel.follow()
    panel.follow()
    panel.pull_in("steady")  # asked last
    does = asked(simulator, qtbot, 5)
    assert [each for each in does if each["do"] == "transducer"] == [{"do": "transducer", "percent": 1.4}]


def test_key_p_held_in_the_window_pulls(window_with_hand, qtbot):
    window, simulator = window_with_hand
    QTest.keyPress(window.bench, Qt.Key.Key_P)
    for _ in range(20):  # as X11 tells of a key that is kept down
        QTest.keyRelease(window.bench, Qt.Key.Key_P)
        QTest.keyPress(window.bench, Qt.Key.Key_P)
        QTest.qWait(5)
    QTest.keyRelease(window.bench, Qt.Key.Key_P)
    assert asked(simulator, qtbot, 2) == [{"do": "key", "down": True}, {"do": "key", "down": False}]


def test_a_p_in_the_middle_of_a_scanned_code_pulls_nothing(window_with_hand, qtbot):
    window, simulator = window_with_hand
    codes = []
    window.take_code = codes.append
    stamps = itertools.count(100.0, 0.01)
    window.keys._stamp = lambda event: next(stamps)
    QTest.keyClicks(window.bench, "BP-12")
    QTest.keyClick(window.bench, Qt.Key.Key_Return)
    assert codes == ["BP-12"]
    window.hand.pull_in("steady")
    assert [each["do"] for each in asked(simulator, qtbot, 1)] == ["pull"]


def test_every_manner_and_fault_is_one_that_the_simulator_documents():
    text = (Path(__file__).parents[2] / "simulator" / "control.py").read_text(encoding="utf-8")
    for name in (*MANNERS, *FAULTS):
        assert f"`{name}`" in text, name
