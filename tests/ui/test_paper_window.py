"""From the Logbook in a real window: a run opened, its record saved on both papers, released, remarked, made void."""

from __future__ import annotations

import csv
import hashlib
import shutil
import time
from pathlib import Path

import openpyxl
import pypdf
import pytest
from PySide6.QtCore import Qt, QTimer
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QFileDialog

from benchapp.records import Person, Store, custodian
from benchapp.records.model import EntryKind
from benchapp.ui.context import AppContext
from benchapp.ui.logbook.actions import SayDialog
from benchapp.ui.logbook.page import LogbookPage
from benchapp.ui.rack.life import LifeView
from benchapp.ui.shell import MainWindow, PageSpec

from . import bench_standin as stand

DEMO_YEARS = 1  # of the demonstration workshop (see conftest)
PASSPHRASE = "chain over the river"


def wait(true, what: str) -> None:
    deadline = time.monotonic() + 60.0
    while not true():
        assert time.monotonic() < deadline, f"waited for {what}"
        QTest.qWait(5)


class Room:
    """A window on the demonstration records, the Logbook in front."""

    def __init__(self, path: Path, folder: Path) -> None:
        self.folder = folder
        self.store = Store.open(path, demo=True)
        for name in ("fitter 8", "fitter 9"):
            self.store.save_person(Person(name))
        custodian.set_passphrase(self.store, PASSPHRASE, who="custodian")
        self.port = stand.StandIn()
        self.context = AppContext(self.port, is_demo=True)
        self.said: list[tuple[str, str]] = []
        self.context.message.connect(lambda kind, text: self.said.append((kind, text)))
        self.window = MainWindow(self.context, [PageSpec("logbook", LogbookPage)])
        self.window.sounds.muted = True
        self.window.resize(1366, 768)
        self.window.show()
        self.window.bench.timer.stop()
        self.context.give_store(self.store)
        line = next(r for r in self.store.runs(limit=200) if r.seal and r.n_readings >= 9)
        self.run_id = line.run_id
        self.context.page_wanted.emit("logbook", line.run_id)
        (self.page,) = self.window.findChildren(LogbookPage)
        self.actions = self.page.actions_of_run
        wait(lambda: self.page.run_view.run is not None, "the run")

    def choose(self, button, words: str) -> None:
        """Click a button, then the line of its menu that begins so."""
        menu = button.menu()
        action = next(a for a in menu.actions() if a.text().startswith(words))
        QTimer.singleShot(0, lambda: QTest.mouseClick(menu, Qt.MouseButton.LeftButton, pos=place(menu, action)))
        QTest.mouseClick(button, Qt.MouseButton.LeftButton)
        wait(lambda: not menu.isVisible(), "the menu to close")

    def answer(self, text: str, who: str = "") -> None:
        """Have the next dialog filled in and its main button clicked."""

        def fill() -> None:
            dialog = QApplication.activeModalWidget()
            if not isinstance(dialog, SayDialog):
                QTimer.singleShot(10, fill)
                return
            if who:
                dialog.people.put(who)
            QTest.keyClicks(dialog.said.edit, text)
            QTest.mouseClick(dialog.do, Qt.MouseButton.LeftButton)

        QTimer.singleShot(10, fill)


def place(menu, action):
    return menu.actionGeometry(action).center()


@pytest.fixture
def room(qtbot, made, tmp_path, monkeypatch):
    monkeypatch.setattr(custodian, "N", 2**10)
    path = tmp_path / "demo.kilter"
    shutil.copy(made, path)
    folder = tmp_path / "out"
    folder.mkdir()
    opened = Room(path, folder)
    yield opened
    opened.port.show(stand.view(None))
    opened.window.bench.tick()
    opened.window.close()
    opened.window.deleteLater()
    QTest.qWait(1)
    opened.store.close()


def save_to(monkeypatch, path: Path) -> None:
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_a, **_k: (str(path), ""))


def test_a_record_is_saved_released_remarked_and_made_void_by_clicking(room, monkeypatch):
    for paper in ("A4", "Letter"):
        path = room.folder / f"{paper}.pdf"
        save_to(monkeypatch, path)
        room.choose(room.actions.save, f"On {paper}")
        reader = pypdf.PdfReader(path)
        digest = hashlib.sha256(reader.attachments["record.json"][0]).hexdigest()
        assert digest == room.store.summary(room.run_id).seal
        assert str(path) in room.said[-1][1]

    room.answer("curves looked at", "fitter 9")
    room.choose(room.actions.add, "Release")
    assert room.store.summary(room.run_id).released_by == "fitter 9"
    room.answer("the light was poor", "fitter 8")
    room.choose(room.actions.add, "Add a remark")
    assert [e.kind for e in room.store.entries(room.run_id)] == [EntryKind.RUN, EntryKind.RELEASE, EntryKind.REMARK]

    room.choose(room.actions.add, "Make void")
    dialog = room.window.custody.dialog
    assert dialog is not None, "the custodian is asked first"
    assert not room.store.summary(room.run_id).voided
    field = dialog.form.fields["old"].edit
    QTest.keyClicks(field, PASSPHRASE)
    room.answer("the wrong square drive was used")
    QTest.keyClick(field, Qt.Key.Key_Return)
    wait(lambda: bool(room.store.summary(room.run_id).voided), "the run to be void")
    last = room.store.entries(room.run_id)[-1]
    assert (last.kind, last.who) == (EntryKind.VOID, "custodian")

    room.page.run_view.sections.choose("record")
    wait(lambda: "the wrong square drive was used" in room.page.run_view.entries.text(), "the entries")
    shown = room.page.run_view.entries.text()
    for words in ("fitter 9", "the light was poor", "the wrong square drive was used"):
        assert words in shown
    assert room.store.head() in room.page.run_view.seal.text()
    assert room.store.check().holds


def test_nobody_releases_in_the_custodians_name_without_the_passphrase(room):
    room.answer("", "custodian")
    room.choose(room.actions.add, "Release")
    wait(lambda: room.window.custody.dialog is not None, "the passphrase to be asked for")
    assert room.store.summary(room.run_id).released_by == ""
    field = room.window.custody.dialog.form.fields["old"].edit
    QTest.keyClicks(field, PASSPHRASE)
    QTest.keyClick(field, Qt.Key.Key_Return)
    wait(lambda: room.store.summary(room.run_id).released_by == "custodian", "the run to be released")


def test_who_says_something_is_never_preset_and_a_badge_says_it(qtbot):
    dialog = SayDialog("A remark", "Remark", "Add", None, people=[("fitter 8", "B-08"), ("fitter 9", "B-09")])
    qtbot.addWidget(dialog)
    dialog.show()
    QTest.keyClicks(dialog.said.edit, "seen")
    dialog.do.click()
    assert "Who?" in dialog.problem.text()
    dialog.people.box.setFocus()
    for code, name in (("B-09", "fitter 9"), ("B-77", "fitter 9")):
        QTest.keyClicks(dialog.people.box, code)
        QTest.keyClick(dialog.people.box, Qt.Key.Key_Return)
        assert dialog.people.value() == name or "B-77" in dialog.problem.text()
    assert "badge B-77" in dialog.problem.text()
    assert dialog.result() == 0
    dialog.take_code("B-09")
    QTest.keyClick(dialog.said.edit, Qt.Key.Key_Return)  # in the sentence it does what the button says
    assert (dialog.result(), dialog.answer()) == (1, ("fitter 9", "seen"))


def test_the_readings_leave_as_a_table_and_come_to_the_same_numbers(room, monkeypatch):
    run = room.store.run(room.run_id)
    wanted = [(p.number, p.pull.reading, p.deviation_percent) for p in run.pulls]
    save_to(monkeypatch, room.folder / "r.csv")
    room.choose(room.actions.save, "Its readings as text")
    with (room.folder / "r.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    # a cell that begins with a minus sign is led by an apostrophe, so that no spreadsheet runs it
    found = [(int(r["pull"]), float(r["reading_nm"]), float(r["deviation_percent"].lstrip("'"))) for r in rows]
    assert found == wanted
    save_to(monkeypatch, room.folder / "r.xlsx")
    room.choose(room.actions.save, "Its readings as a workbook")
    sheet = openpyxl.load_workbook(room.folder / "r.xlsx").active
    head, *lines = sheet.iter_rows(values_only=True)
    columns = [head.index(name) for name in ("pull", "reading_nm", "deviation_percent")]
    read = [tuple(line[i] for i in columns) for line in lines]
    for (n, reading, deviation), (m, there, off) in zip(wanted, read, strict=True):
        assert n == m
        assert there == pytest.approx(reading, rel=1e-14)
        assert off == pytest.approx(deviation, rel=1e-12)


def test_a_place_that_cannot_be_written_is_told_in_the_window(room, monkeypatch):
    for words, name in (
        ("On A4", "a.pdf"),
        ("Its readings as text", "a.csv"),
        ("Its readings as a workbook", "a.xlsx"),
    ):
        save_to(monkeypatch, room.folder / "gone" / name)
        room.choose(room.actions.save, words)
        kind, text = room.said[-1]
        assert kind == "problem"
        assert f"{name} could not be written" in text


def test_a_tools_whole_life_is_saved_where_it_is_looked_at(room, monkeypatch, qtbot):
    view = LifeView(room.context)
    qtbot.addWidget(view)
    view.resize(1366, 700)
    view.open("OCF-014")
    view.show()
    save_to(monkeypatch, room.folder / "life.pdf")
    QTest.mouseClick(view.save, Qt.MouseButton.LeftButton)
    text = " ".join(" ".join(page.extract_text().split()) for page in pypdf.PdfReader(room.folder / "life.pdf").pages)
    assert "OCF-014" in text
    for line in room.store.runs(tool="OCF-014"):
        assert line.seal[:10] in text
    assert "Deviation over the years" in text
