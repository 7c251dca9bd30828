"""A thermometer chosen in the window: from the menu to the session, kept for the next start; what the record says."""

from __future__ import annotations

import dataclasses
import os
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.cli.window import Application
from benchapp.session.link import AmbientReading
from benchapp.ui import thermometerwords as words
from benchapp.ui.thermometer import ThermometerDialog
from benchapp.ui.verdict import ambient_origin


def wait(true: Callable[[], object], what: str, limit_s: float = 90.0) -> None:
    deadline = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < deadline, f"waited {limit_s} s for {what}"
        QTest.qWait(10)


@pytest.fixture
def device() -> Iterator[tuple[int, str]]:
    """A thermometer's end of a pty, and the name of the other."""
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(master)
    os.close(slave)


@pytest.fixture
def start(qapp: QApplication, tmp_path: Path) -> Iterator[Callable[[], Application]]:
    opened: list[Application] = []

    def one() -> Application:
        kilter = Application(
            simulated=False, settings_path=tmp_path / "settings.json", store_file=tmp_path / "records.sqlite"
        )
        opened.append(kilter)
        kilter.window.resize(1366, 768)
        kilter.window.show()
        return kilter

    yield one
    for kilter in opened:
        kilter.window.close()
        kilter.close()
        kilter.window.deleteLater()
    QTest.qWait(20)


def dialog_of(kilter: Application) -> ThermometerDialog:
    ((_, show),) = [each for each in kilter.window.more_actions if each[0] == words.MENU]
    show()
    dialog = kilter.window.findChild(ThermometerDialog)
    assert dialog is not None
    return dialog


def test_a_thermometer_is_chosen_read_kept_and_let_go_again(start, device: tuple[int, str]) -> None:
    master, name = device
    kilter = start()
    assert kilter.air.reading() is None
    dialog = dialog_of(kilter)
    assert dialog.state.text() == words.NONE_READ
    QTest.keyClicks(dialog.other.edit, name)
    dialog.profile.put("temperature, humidity, comma-separated")
    QTest.keyClicks(dialog.number.edit, "OCF-T1")
    QTest.mouseClick(dialog.go, Qt.MouseButton.LeftButton)
    assert dialog.state.text() == words.WAITING
    wait(lambda: kilter.air._open[0]._transport is not None, "the port")
    os.write(master, b"1,2\r\n21.5,48.0\r\n")
    wait(lambda: "21.5 °C, 48 % humidity" in dialog.state.text(), "the value in the dialog")
    assert kilter.session._ambient is not None
    assert kilter.session._ambient() == AmbientReading(21.5, 48.0, "OCF-T1")
    dialog.reject()
    kilter.window.close()
    kilter.close()

    again = start()
    again.after_first_paint()
    wait(lambda: again.air.url == name, "the thermometer of last time")
    wait(lambda: again.air._open[0]._transport is not None, "the port")
    os.write(master, b"1,2\r\n20.0,50.0\r\n")
    wait(again.air.reading, "a value")
    dialog = dialog_of(again)
    assert (dialog.other.value(), dialog.number.value()) == (name, "OCF-T1")
    dialog.other.put("")
    QTest.mouseClick(dialog.go, Qt.MouseButton.LeftButton)
    assert again.air.reading() is None
    assert again.window.settings.get("thermometer_url") == ""
    assert dialog.state.text() == words.NONE_READ


def test_the_transducers_port_is_refused(qapp: QApplication, start) -> None:
    kilter = start()
    chosen: list[str] = []
    dialog = ThermometerDialog(
        [("/dev/ttyOCF0", "transducer")],
        ["x"],
        ("", "", ""),
        lambda: "",
        "/dev/ttyOCF0?source=simulated",
        kilter.window,
    )
    dialog.chosen.connect(lambda url, *_: chosen.append(url))
    assert dialog.port.box.findData("/dev/ttyOCF0") < 0
    dialog.other.put("/dev/ttyOCF0")
    dialog.read()
    assert dialog.other.problem == words.TAKEN
    assert chosen == []
    dialog.reject()


def test_a_profile_that_is_gone_is_told(start) -> None:
    kilter = start()
    kilter.air.open("/dev/ttyOCF1", "gone")
    assert "no thermometer has this name" in kilter.air.said()
    assert kilter.air.reading() is None


@dataclasses.dataclass
class Noted:
    """As much of a run as counts here."""

    ambient: dict[str, float]
    ambient_from: dict[str, str]


def test_it_is_said_where_the_conditions_come_from() -> None:
    ours = "thermometer: OCF-T1"
    both = Noted({"start_c": 21.0, "end_c": 22.0}, {"start_c": ours, "end_c": ours})
    assert ambient_origin(both) == "Temperature at the start, temperature at the end from thermometer OCF-T1."  # type: ignore[arg-type]
    mixed = Noted({"start_c": 21.0, "end_c": 22.0}, {"end_c": ours})
    assert ambient_origin(mixed) == "Temperature at the start typed; temperature at the end from thermometer OCF-T1."  # type: ignore[arg-type]
    assert ambient_origin(Noted({"start_c": 21.0}, {"start_c": "typed"})) == ""  # type: ignore[arg-type]
