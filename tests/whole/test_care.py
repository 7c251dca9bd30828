"""The records looked after from the first paint on: opened beside the window, copied, checked, put back from a copy."""

from __future__ import annotations

import datetime as dt
import errno
import importlib.util
import json
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.cli.care import Care
from benchapp.cli.window import Application
from benchapp.records import Person, Store, backup
from benchapp.ui.keeping import KeepingDialog


def _samples() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "records_samples", Path(__file__).parents[1] / "records" / "conftest.py"
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["records_samples"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Records with two sealed runs and one copy made after the first."""
    samples = _samples()
    path = tmp_path / "Prüfungen 2026" / "records.sqlite"
    clock = samples.Clock()
    with Store.open(path, demo=False, clock=clock) as store:
        samples.furnish(store)
        samples.sealed_run(store, "run-0")
        backup.make(path, now=clock(), target=backup.folder_of(path) / "by-hand-first.sqlite")
        samples.sealed_run(store, "run-1")
    return path


@pytest.fixture
def start(qapp: QApplication, file: Path, tmp_path: Path) -> Iterator[Callable[[], Application]]:
    """Open a window without port on these records."""
    opened = []

    def one() -> Application:
        kilter = Application(simulated=False, settings_path=tmp_path / "settings.json", store_file=file)
        opened.append(kilter)
        kilter.window.resize(1366, 768)
        kilter.window.show()
        QTest.qWaitForWindowExposed(kilter.window)
        kilter.after_first_paint()
        return kilter

    yield one
    for kilter in opened:
        kilter.window.close()
        kilter.close()
        kilter.window.deleteLater()
    QTest.qWait(20)


def wait(true: Callable[[], object], what: str, limit_s: float = 90.0) -> None:
    deadline = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < deadline, f"waited {limit_s} s for {what}"
        QTest.qWait(10)


def asked(kilter: Application) -> str:
    question = kilter.window.question
    return "" if question.isHidden() else f"{question.head} | {question.detail}"


def answer(kilter: Application, key: str) -> None:
    (button,) = [each for each in kilter.window.question.buttons if each.objectName() == key]
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)


def said(kilter: Application) -> str:
    return kilter.window.foot.message.text()


def records_dialog(kilter: Application) -> KeepingDialog:
    """Open it from the menu, as a person does."""
    ((_, show),) = [each for each in kilter.window.more_actions if each[0].startswith("The records")]
    show()
    dialog = kilter.window.findChild(KeepingDialog)
    assert dialog is not None
    return dialog


def no_children(monkeypatch: pytest.MonkeyPatch, **answers: object) -> None:
    """Answer the commands from here; those that are not named find nothing to say."""

    def ask(self: Care, *arguments: str) -> tuple[int, str, str] | None:
        for word in ("selftest", "backup", "check"):
            if word in arguments and word in answers:
                return answers[word]  # type: ignore[return-value]
        return None

    monkeypatch.setattr(Care, "_ask", ask)


def test_good_records_are_opened_tested_copied_and_checked_without_holding_up_the_window(start, file: Path) -> None:
    kilter = start()
    assert kilter.store is None  # the window did not wait for it
    wait(lambda: kilter.store is not None, "the store")
    wait(lambda: "are as they were sealed" in said(kilter), "the check")
    n_entries = int(kilter.store.head().partition(":")[0])
    assert f"{n_entries} entries and 20 curves" in said(kilter)
    assert not asked(kilter)
    told = kilter.session._keeper._selftest
    assert told is not None
    assert told["passed"] is True
    assert told["n_examples"] > 5
    assert len(str(told["seal"])) == 64
    made = [copy.path.name for copy in backup.copies(file)]
    assert sum(name.startswith("auto-") for name in made) == 1


def test_damaged_records_are_noticed_and_the_copy_put_in_place_keeps_them(start, file: Path, monkeypatch) -> None:
    no_children(monkeypatch)
    raw = bytearray(file.read_bytes())
    raw[4096:8192] = b"\x5a" * 4096
    file.write_bytes(raw)
    kilter = start()
    wait(lambda: asked(kilter), "the question")
    assert asked(kilter).startswith("The records are damaged | Found: ")
    (copy,) = backup.copies(file)
    assert f"with {copy.n_entries} entries" in asked(kilter)
    assert kilter.store is None
    answer(kilter, "restore")
    wait(lambda: kilter.store is not None, "the copy in place")
    assert [run.run_id for run in kilter.store.runs()] == ["run-0"]
    (kept,) = [
        each for each in file.parent.glob("records.sqlite.replaced-*") if not each.name.endswith(("-wal", "-shm"))
    ]
    assert kept.read_bytes() == raw
    assert kilter.store.check().holds
    newest = kilter.store.head()
    assert newest.startswith(f"{copy.n_entries + 1}:")  # that a copy was put in place is on record
    assert kept.name in said(kilter)


def test_damaged_records_that_are_left_stay_untouched_and_the_window_says_that_nothing_is_stored(
    start, file: Path, monkeypatch
) -> None:
    no_children(monkeypatch)
    file.write_bytes(b"not a database at all" * 1000)
    before = file.read_bytes()
    kilter = start()
    wait(lambda: asked(kilter), "the question")
    QTest.keyClick(kilter.window.question, Qt.Key.Key_Escape)
    wait(lambda: "nothing can be stored" in said(kilter), "what it means")
    assert said(kilter) == "The records are damaged. The records are not open; nothing can be stored."
    assert file.read_bytes() == before
    assert kilter.store is None


@pytest.mark.parametrize(("key", "runs"), [("restore", ["run-0"]), ("anew", [])])
def test_records_that_are_gone_are_not_begun_anew_without_a_word(
    start, file: Path, monkeypatch, key: str, runs: list[str]
) -> None:
    no_children(monkeypatch)
    for each in file.parent.glob("records.sqlite*"):
        if each.is_file():
            each.unlink()
    kilter = start()
    wait(lambda: asked(kilter), "the question")
    assert asked(kilter).startswith("The records are gone | ")
    assert not file.exists()
    answer(kilter, key)
    wait(lambda: kilter.store is not None, "the store")
    assert [run.run_id for run in kilter.store.runs()] == runs


def test_records_that_another_program_locks_are_opened_once_they_are_free(start, file: Path, monkeypatch) -> None:
    no_children(monkeypatch)
    monkeypatch.setattr("benchapp.records._database.WAIT_S", 0.05)
    other = sqlite3.connect(file, isolation_level=None)
    other.execute("PRAGMA locking_mode = EXCLUSIVE")
    other.execute("BEGIN EXCLUSIVE")
    kilter = start()
    wait(lambda: asked(kilter), "the question")
    assert asked(kilter).startswith("The records could not be opened | Records at ")
    assert "are locked by another program" in asked(kilter)
    assert "nothing can be stored" in said(kilter)
    answer(kilter, "again")
    wait(lambda: asked(kilter), "the question again")  # still locked
    other.execute("ROLLBACK")
    other.close()
    answer(kilter, "again")
    wait(lambda: kilter.store is not None, "the store")
    assert len(kilter.store.runs()) == 2
    assert not asked(kilter)


def test_records_of_a_newer_program_are_left_alone(start, file: Path, monkeypatch) -> None:
    no_children(monkeypatch)
    raw = sqlite3.connect(file)
    raw.execute("PRAGMA user_version = 99")
    raw.close()
    before = file.read_bytes()
    kilter = start()
    wait(lambda: asked(kilter), "the question")
    assert "are version 99, this program knows up to" in asked(kilter)
    answer(kilter, "later")
    assert file.read_bytes() == before


def test_a_clock_that_was_set_back_is_told_before_anything_is_sealed_with_it(start, file: Path, monkeypatch) -> None:
    no_children(monkeypatch)
    back = dt.datetime(2025, 3, 1, 7, 30, tzinfo=dt.UTC)
    monkeypatch.setattr("benchapp.records._base._wall", lambda: back)
    kilter = start()
    wait(lambda: asked(kilter), "the question")
    assert asked(kilter).startswith(
        "The clock of this computer is behind | It says 1 Mar 2025, 07:30, but the newest record was sealed 4 Mar 2026"
    )
    answer(kilter, "seen")
    assert said(kilter).startswith("The clock of this computer is behind. It says ")  # stays at the foot
    assert kilter.store is not None


def test_the_custodian_says_why_the_clock_went_back_and_the_records_hold_again(start, file: Path) -> None:
    with Store.open(file, demo=False) as store:
        store.save_person(Person("custodian", is_custodian=True))
        newest = store.entries("run-1")[0].seal.sealed
    behind = dt.datetime.fromisoformat(newest) - dt.timedelta(days=300)
    with Store.open(file, demo=False, clock=lambda: behind) as store:
        store.add_remark("run-0", "sealed by a clock that was wrong", who="fitter 1")
        store.add_remark("run-1", "and another", who="fitter 1")
    kilter = start()
    wait(lambda: asked(kilter), "the question")
    assert "The clock of this computer had gone back" in asked(kilter)
    assert "have the custodian say under “The records” why it went back" in asked(kilter)
    assert "sealed while it was ahead is to be made void" in asked(kilter)
    answer(kilter, "seen")
    wanted = []
    kilter.context.custodian_wanted.connect(lambda what_for, do: wanted.append((what_for, do)))
    dialog = records_dialog(kilter)
    assert dialog.explain.isVisible()
    QTest.mouseClick(dialog.explain, Qt.MouseButton.LeftButton)
    assert [what_for for what_for, _ in wanted] == ["to say why the clock went back"]
    kilter.explain_clock("the battery of the clock was empty", "custodian")
    wait(lambda: "The clock went back once; it is on record why." in dialog.checked.text(), "the check")
    assert not dialog.explain.isVisible()
    assert dialog.shown_head.text() == kilter.store.head()
    assert "is on record" not in said(kilter)  # the foot has no room for it
    dialog.reject()
    (entry,) = [each for each in kilter.store.entries("") if each.kind.value == "clock"]
    assert json.loads(entry.body)["content"]["why"] == "the battery of the clock was empty"
    assert kilter.store.check().holds


def test_what_does_not_hold_is_named_in_plain_words(start, file: Path) -> None:
    raw = sqlite3.connect(file)
    raw.executescript("DROP TRIGGER IF EXISTS runs_sealed_stay;")
    for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {name}")
    raw.execute("UPDATE pulls SET reading_nm = reading_nm + 0.25 WHERE run_key = 2 AND number = 3")
    raw.commit()
    raw.close()
    kilter = start()
    wait(lambda: asked(kilter), "the question")
    assert asked(kilter).startswith(
        "The records do not hold | What is shown of run-1 is not what was sealed. (pull 3: "
    )
    assert "tell the custodian" in asked(kilter)
    answer(kilter, "seen")
    assert said(kilter).startswith("The records do not hold: ")  # stays at the foot


def test_a_self_test_that_fails_is_told_loudly_and_goes_into_the_records(start, monkeypatch) -> None:
    result = {
        "passed": False,
        "program": "kilter 1",
        "seal": "cd" * 32,
        "seal_faults": [],
        "examples": [{"name": "weak-click", "passed": False}, {"name": "judge", "passed": True}],
    }
    no_children(monkeypatch, selftest=(1, json.dumps(result), ""))
    kilter = start()
    wait(lambda: asked(kilter), "the question")
    assert asked(kilter).startswith("This installation gives wrong answers | ")
    assert "weak-click" in asked(kilter)
    told = kilter.session._keeper._selftest
    assert told is not None
    assert (told["passed"], told["wrong"], told["n_examples"]) == (False, ["weak-click"], 2)


def test_a_self_test_that_cannot_be_run_counts_as_failed(start, monkeypatch) -> None:
    no_children(monkeypatch, selftest=(1, "", "Traceback …\nModuleNotFoundError: no module named numpy\n"))
    kilter = start()
    wait(lambda: asked(kilter), "the question")
    assert "no module named numpy" in asked(kilter)


def test_a_copy_that_cannot_be_made_is_told(start, monkeypatch) -> None:
    no_children(monkeypatch, backup=(2, "", "kilter: No space left for the records at /r (3 kB free).\n"))
    kilter = start()
    wait(lambda: said(kilter), "the sentence")
    assert said(kilter) == "No copy of the records was made: No space left for the records at /r (3 kB free)."


def test_what_becomes_of_a_copy_is_told_where_it_was_asked_for(start, monkeypatch) -> None:
    no_children(monkeypatch)
    kilter = start()
    wait(lambda: kilter.store is not None, "the store")
    dialog = records_dialog(kilter)
    before = said(kilter)
    no_children(monkeypatch, backup=(2, "", "kilter: No space left for the records at /r (3 kB free).\n"))
    QTest.mouseClick(dialog.copy, Qt.MouseButton.LeftButton)
    assert dialog.intro.text() == "The records are being copied, and the copy tried …"
    assert not dialog.copy.isEnabled()
    wait(lambda: dialog.copy.isEnabled(), "the answer")
    assert dialog.intro.text() == "No copy of the records was made: No space left for the records at /r (3 kB free)."
    assert dialog.intro.property("kind") == "problem"
    assert said(kilter) == before  # not behind the dialog, where its end is cut
    dialog.reject()


def test_a_seal_kept_before_is_not_lost_to_a_full_disk(start, file: Path, tmp_path: Path, monkeypatch) -> None:
    no_children(monkeypatch)
    kilter = start()
    wait(lambda: kilter.store is not None, "the store")
    dialog = records_dialog(kilter)
    elsewhere = tmp_path / "head.txt"
    elsewhere.write_text("2:kept before\n")

    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    dialog.keep_head(elsewhere)
    monkeypatch.undo()
    assert elsewhere.read_text() == "2:kept before\n"
    assert dialog.kept.text().startswith("head.txt could not be written: the disk is full.")
    assert dialog.kept.property("kind") == "problem"
    dialog.compare_with(tmp_path / "none.txt")
    assert "could not be read: No such file or directory. Choose the file that holds the seal." in dialog.kept.text()
    dialog.reject()


def test_the_custodian_puts_a_copy_in_place_from_the_menu(start, file: Path, monkeypatch) -> None:
    no_children(monkeypatch)
    kilter = start()
    wait(lambda: kilter.store is not None, "the store")
    kilter.store.save_person(Person("custodian", is_custodian=True))
    wanted = []
    kilter.context.custodian_wanted.connect(lambda what_for, do: wanted.append((what_for, do)))
    dialog = records_dialog(kilter)
    assert dialog.list.count() == 1
    assert f"{backup.copies(file)[0].n_entries} entries" in dialog.list.item(0).text()
    assert not dialog.take.isEnabled()
    dialog.list.setCurrentRow(0)
    QTest.mouseClick(dialog.take, Qt.MouseButton.LeftButton)
    ((what_for, do),) = wanted
    assert what_for == "to put a copy of the records in place"
    first = kilter.store
    do("custodian")
    wait(lambda: kilter.store is not None and kilter.store is not first, "the copy in place")
    assert kilter.context.store is kilter.store
    assert [run.run_id for run in kilter.store.runs()] == ["run-0"]
    (entry,) = [each for each in kilter.store.entries("") if each.who == "custodian"]
    assert json.loads(entry.body)["content"]["act"] == "records put back from a copy"


def test_the_newest_seal_is_shown_kept_in_a_file_and_compared_with(start, file: Path, tmp_path: Path) -> None:
    kilter = start()
    wait(lambda: "are as they were sealed" in said(kilter), "the check at the start")
    dialog = records_dialog(kilter)
    assert dialog.shown_head.text() == kilter.store.head()
    assert "are as they were sealed" in dialog.checked.text()
    elsewhere = tmp_path / "head.txt"
    dialog.keep_head(elsewhere)
    assert elsewhere.read_text() == f"{kilter.store.head()}\n"
    assert "Kept in head.txt" in dialog.kept.text()

    dialog.compare_with(elsewhere)
    assert not dialog.check.isEnabled()  # one at a time
    wait(lambda: "the seal kept elsewhere is among them" in dialog.checked.text(), "the comparison")
    elsewhere.write_text("9" + kilter.store.head()[1:])
    dialog.compare_with(elsewhere)
    wait(lambda: "cut off or built anew" in dialog.checked.text(), "the comparison with a cut chain")
    assert not asked(kilter)  # it is told where it was asked
    elsewhere.write_text("no seal at all")
    dialog.compare_with(elsewhere)
    wait(lambda: "is no head" in dialog.checked.text(), "the refusal")

    n = dialog.list.count()
    QTest.mouseClick(dialog.copy, Qt.MouseButton.LeftButton)
    wait(lambda: dialog.list.count() == n + 1, "the copy")
    dialog.reject()


def test_records_go_out_and_come_in_again_with_the_same_seals(start, file: Path, tmp_path: Path, monkeypatch) -> None:
    really = Care._ask
    monkeypatch.setattr(
        Care, "_ask", lambda self, *rest: really(self, *rest) if {"export", "import"} & {*rest} else None
    )
    kilter = start()
    wait(lambda: kilter.store is not None, "the store")
    head = kilter.store.head()
    dialog = records_dialog(kilter)
    assert not dialog.take_in.isEnabled()  # only new records take an import
    folder = tmp_path / "out"
    folder.mkdir()
    for form, path in (
        ("json", tmp_path / "records.json"),
        ("xlsx", tmp_path / "records.xlsx"),
        ("csv", folder),
        ("traces", folder),
    ):
        dialog.export(form, path)
        assert not dialog.exports[form].isEnabled()
        wait(lambda path=path: dialog.exported.text() == f"Written: {path}", f"the {form}")
    assert {each.name for each in folder.glob("*.csv")} == {
        "runs.csv",
        "readings.csv",
        "tools.csv",
        "due.csv",
        "tasks.csv",
    }
    assert len(list(folder.glob("run-*/*.csv"))) == 20
    dialog.export("xlsx", tmp_path / "nowhere" / "records.xlsx")
    wait(lambda: "cannot be written: No such file or directory; name" in dialog.exported.text(), "the refusal")
    dialog.reject()
    kilter.window.close()

    for each in (*file.parent.glob("records.sqlite"), *backup.folder_of(file).glob("*")):
        each.unlink()
    kilter = start()
    wait(lambda: kilter.store is not None, "new records")
    changed: list[str] = []
    kilter.context.store_changed.connect(changed.append)
    dialog = records_dialog(kilter)
    assert not dialog.exports["json"].isEnabled()
    dialog.import_from(tmp_path / "records.xlsx")
    wait(lambda: "nothing was imported" in dialog.exported.text(), "the refusal")
    dialog.import_from(tmp_path / "records.json")
    wait(lambda: dialog.exported.text().startswith("Read in"), "the import")
    assert kilter.store.head() == head
    assert {"tools", "runs"} <= set(changed)
    assert dialog.exports["json"].isEnabled()
    dialog.reject()


def test_two_windows_on_the_same_records_see_to_them_side_by_side(start, file: Path) -> None:
    first, second = start(), start()
    for kilter in (first, second):
        wait(lambda kilter=kilter: "are as they were sealed" in said(kilter), "the check")
    assert first.store is not second.store
    assert [run.run_id for run in second.store.runs()] == ["run-1", "run-0"]
    first.store.add_remark("run-1", "seen in the other window", who="fitter 2")
    assert second.store.head() == first.store.head()
    copies = [copy.path for copy in backup.copies(file) if copy.path.name.startswith("auto-")]
    assert 1 <= len(copies) <= 2  # both may have begun before the other had finished; each is whole
    assert all(backup.problem_of(copy) == "" for copy in copies)
    assert not list(backup.folder_of(file).glob("*.part*"))
    first.window.close()
    assert len(second.store.runs()) == 2  # the other one goes on


def test_a_window_closed_at_once_leaves_no_thread_no_process_and_a_whole_store(start, file: Path) -> None:
    for wait_ms in (0, 30, 150, 400):
        kilter = start()
        QTest.qWait(wait_ms)
        kilter.window.close()
        child = kilter.care._child
        assert child is None or child.poll() is not None
        assert not kilter.care._thread.is_alive()
    assert backup.problem_of(file) == ""
