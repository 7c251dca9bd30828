"""Bench and window as the tests of the window want them: silent, of one size, their frames when the test says so."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QWidget

from benchapp.ui.bench.page import BenchPage
from benchapp.ui.context import AppContext
from benchapp.ui.keys import REPEAT_S
from benchapp.ui.settings import Settings
from benchapp.ui.shell import MainWindow
from benchapp.ui.sounds import Sounds

from . import bench_standin as stand


class Clock:
    """Seconds that pass when the test says so, or by `step_s` whenever they are asked for."""

    def __init__(self, step_s: float = 0.0) -> None:
        self.now = 100.0
        self.step_s = step_s

    def __call__(self) -> float:
        self.now += self.step_s
        return self.now


class Desk:
    """A Bench without a window around it, whose frames come when the test says so."""

    def __init__(self, clock: Clock) -> None:
        self.port, self.clock = stand.StandIn(), clock
        self.page = BenchPage(AppContext(self.port, is_demo=True), Settings(None), Sounds(), clock=clock)
        self.page.sounds.muted = True
        self.page.resize(1366, 768)
        self.page.show()
        self.page.timer.stop()


def settle(window: MainWindow) -> None:
    """Show a window as the tests want it: silent, of the smallest size, its frames only when the test says so."""
    window.sounds.muted = True
    window.awake.hold = lambda reason: True
    window.resize(1366, 768)
    window.show()
    window.bench.timer.stop()
    window.bench.look.least_s = 0.0  # a test's hand is as quick as that


def put_away(window: MainWindow, port: stand.StandIn) -> None:
    """Close a window, whatever run was shown in it."""
    port.show(stand.view(None))
    window.bench.tick()
    window.close()
    window.deleteLater()


def press(widget: QWidget, key: Qt.Key) -> None:
    """Press a key as a person does: it has been up for longer than a key that is kept down, or bounces, comes up."""
    QTest.keyClick(widget, key, Qt.KeyboardModifier.NoModifier, round(2000 * REPEAT_S))
