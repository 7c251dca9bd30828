"""The custodian's lock in a real window: named, set, right, wrong, too soon, lost, open to be seen, closed again."""

from __future__ import annotations

import datetime as dt
import time
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLabel

from benchapp.cli.window import Application
from benchapp.pulls.pull import Flag
from benchapp.records import Person, Store, custodian
from benchapp.records._rows import HELD
from benchapp.records.canonical import parse
from benchapp.runs.model import CapturedPull, PullKind, RunState
from benchapp.ui import lockwords as words
from benchapp.ui.context import AppContext
from benchapp.ui.lockdialog import LockDialog
from benchapp.ui.people import PeoplePage
from benchapp.ui.shell import MainWindow, PageSpec

from . import bench_standin as stand

RIGHT = "chain over the river"


class Clock:
    def __init__(self) -> None:
        self.now = dt.datetime(2026, 11, 2, 8, 0, tzinfo=dt.UTC)

    def __call__(self) -> dt.datetime:
        self.now += dt.timedelta(milliseconds=1)
        return self.now


class Shop:
    """A window with a store, and what was done as custodian."""

    def __init__(self, path: Path) -> None:
        self.clock = Clock()
        self.store = Store.open(path, demo=False, clock=self.clock)
        self.port = stand.StandIn()
        self.context = AppContext(self.port, is_demo=False)
        self.done: list[str] = []
        self.told: list[str] = []
        self.context.custodian_changed.connect(self.told.append)
        self.window = MainWindow(self.context, [PageSpec("people", PeoplePage, has_tab=False)])
        self.window.sounds.muted = True
        self.window.resize(1366, 768)
        self.window.show()
        self.window.bench.timer.stop()
        self.window.bench.look.least_s = 0.0  # no frame comes by itself here
        self.context.give_store(self.store)

    def want(self, what_for: str = "to void run run-3") -> None:
        self.context.as_custodian(what_for, self.done.append)

    @property
    def dialog(self) -> LockDialog:
        dialog = self.window.custody.dialog
        assert dialog is not None
        assert dialog.isVisible()
        return dialog

    @property
    def button(self):
        return self.window.foot.custodian

    def fill(self, **entered: str) -> None:
        for key, text in entered.items():
            field = self.dialog.form.fields[key]
            if hasattr(field, "edit"):
                field.edit.clear()
                QTest.keyClicks(field.edit, text)
            else:
                field.put(text)

    def enter(self, **entered: str) -> None:
        """Fill in and press Enter, then wait until it was looked at."""
        self.fill(**entered)
        dialog = self.dialog
        last = [field for field in dialog.form.fields.values() if hasattr(field, "edit")][-1]
        QTest.keyClick(last.edit, Qt.Key.Key_Return)
        wait(lambda: not self.window.custody.worker.is_busy, "the passphrase to be looked at")

    def acts(self) -> list[str]:
        raw = self.store._db.raw.execute("SELECT body FROM entries WHERE kind = 'act' ORDER BY sequence")
        return [parse(body)["content"]["act"] for (body,) in raw]


def wait(true, what: str) -> None:
    deadline = time.monotonic() + 60.0
    while not true():
        assert time.monotonic() < deadline, f"waited for {what}"
        QTest.qWait(5)


def shown(dialog: LockDialog) -> str:
    return " | ".join(part.text() for part in dialog.findChildren(QLabel) if part.isVisible())


@pytest.fixture
def shop(qtbot, tmp_path, monkeypatch):
    monkeypatch.setattr(custodian, "N", 2**10)
    made = Shop(tmp_path / "r.sqlite")
    yield made
    if made.window.custody.dialog is not None:
        made.window.custody.dialog.reject()
    made.port.show(stand.view(None))
    made.window.bench.tick()
    made.window.close()
    made.window.deleteLater()
    QTest.qWait(1)
    made.store.close()


@pytest.fixture
def kept(shop):
    """With a custodian, two others, and a passphrase."""
    for person in (Person("custodian", is_custodian=True), Person("fitter 2", code="P2"), Person("fitter 3")):
        shop.store.save_person(person)
    custodian.set_passphrase(shop.store, RIGHT, who="custodian")
    return shop


def test_the_right_passphrase_does_it_and_the_next_thing_is_done_without_asking(kept):
    kept.want()
    assert "to void run run-3" in shown(kept.dialog)
    wait(kept.dialog.form.fields["old"].edit.hasFocus, "the keyboard to be in the field")
    kept.enter(old=RIGHT)
    assert kept.done == kept.told == ["custodian"]
    assert kept.window.custody.dialog is None
    assert kept.button.isVisible()
    assert kept.button.text() == "unlocked"
    assert "by custodian. Click to lock" in kept.button.toolTip()
    kept.want("to do another thing")
    assert kept.done == ["custodian", "custodian"]
    assert kept.window.custody.dialog is None


def test_a_click_in_the_foot_bar_locks_at_once(kept):
    kept.want()
    kept.enter(old=RIGHT)
    QTest.mouseClick(kept.button, Qt.MouseButton.LeftButton)
    assert kept.context.lock.custodian() == ""
    assert not kept.button.isVisible()
    assert kept.told == ["custodian", ""]
    kept.want()
    assert kept.dialog.mode == "unlock"
    assert kept.done == ["custodian"]


def test_it_locks_by_itself_without_use_and_says_so(kept):
    kept.want()
    kept.enter(old=RIGHT)
    kept.clock.now += dt.timedelta(seconds=custodian.IDLE_S + 1)
    wait(lambda: kept.told == ["custodian", ""], "the lock to close by itself")
    assert not kept.button.isVisible()
    assert kept.window.foot.message.text() == words.LOCKED_IDLE


def test_a_wrong_one_says_so_and_after_some_the_seconds_are_counted_down(kept):
    kept.want()
    for _ in range(3):
        kept.enter(old="something else")
        assert kept.dialog.problem.text() == words.WRONG
        assert kept.dialog.form.fields["old"].text() == ""
    for _ in range(4):
        kept.clock.now += dt.timedelta(seconds=20)
        kept.enter(old="something else")
    kept.enter(old=RIGHT)  # too soon: not even looked at
    assert kept.dialog.problem.text() == "Too many wrong passphrases. The next attempt is taken in 16 s."
    assert not kept.dialog.main.isEnabled()
    assert kept.done == []
    kept.dialog._wait_until = time.monotonic() + 0.05
    wait(kept.dialog.main.isEnabled, "the next attempt")
    kept.clock.now += dt.timedelta(seconds=20)
    kept.enter(old=RIGHT)
    assert kept.done == ["custodian"]


def test_turning_away_does_nothing(kept):
    kept.want()
    QTest.keyClick(kept.dialog, Qt.Key.Key_Escape)
    assert kept.window.custody.dialog is None
    assert kept.done == kept.told == []


def test_the_first_custodian_is_named_in_an_empty_shop_and_the_chain_tells(shop):
    shop.want("to enter a calibration of REF-1")
    assert shop.dialog.mode == "name"
    assert "no custodian yet" in shown(shop.dialog)
    shop.enter(who="custodian", code="C1", new=RIGHT, again=RIGHT + "!")
    assert shop.dialog.form.fields["new"].problem == words.NOT_THE_SAME
    shop.enter(new="short", again="short")
    assert "At least 8" in shop.dialog.form.fields["new"].problem
    assert shop.store.people() == []
    shop.enter(new=RIGHT, again=RIGHT)
    assert shop.done == ["custodian"]
    assert shop.store.people() == [Person("custodian", code="C1", is_custodian=True)]
    assert shop.acts() == [HELD, "person added", "made custodian", "passphrase set"]
    assert shop.store.check().holds


def test_a_custodian_without_a_passphrase_sets_one_first(shop):
    shop.store.save_person(Person("custodian", is_custodian=True))
    shop.want()
    assert shop.dialog.mode == "first"
    shop.enter(new=RIGHT, again=RIGHT)
    assert shop.done == ["custodian"]
    assert custodian.check(shop.store, RIGHT)


@pytest.mark.parametrize("alone", [False, True])
def test_a_lost_passphrase_is_replaced_before_a_second_person_with_a_reason(shop, alone):
    people = [Person("custodian", is_custodian=True), *([] if alone else [Person("fitter 2"), Person("fitter 3")])]
    for person in people:
        shop.store.save_person(person)
    custodian.set_passphrase(shop.store, RIGHT, who="custodian")
    shop.want()
    QTest.mouseClick(shop.dialog.other, Qt.MouseButton.LeftButton)
    assert shop.dialog.mode == "lost"
    fresh = "another one for the chain"
    if not alone:
        shop.enter(why="nobody wrote it down", new=fresh, again=fresh)
        assert shop.dialog.form.fields["witness"].problem  # nobody is preset as the one who was there
        shop.fill(why="")
    shop.enter(witness="fitter 3", new=fresh, again=fresh)
    assert shop.dialog.form.fields["why"].problem
    shop.enter(why="nobody wrote it down", new=fresh, again=fresh)
    assert shop.done == ["custodian"]
    assert shop.acts()[-1] == "lost passphrase replaced"
    content = parse(shop.store.entries("")[-1].body)["content"]
    assert (content["details"]["witness"], content["details"]["why"]) == ("fitter 3", "nobody wrote it down")
    page = page_of(shop)
    for name in ("custodian", "fitter 3"):
        page._select(name)
        told = " ".join(part.text() for part in page.told.findChildren(QLabel) if not part.isHidden())
        assert "lost passphrase replaced by custodian before fitter 3: nobody wrote it down" in told, name
        assert ("passphrase set by custodian" in told) is (name == "custodian")

    shop.context.lock.close()
    shop.want()
    shop.enter(old=RIGHT)
    assert "replaced as a lost one" in shop.dialog.problem.text()
    assert "by custodian before fitter 3: nobody wrote it down." in shop.dialog.problem.text()
    assert shop.acts().count("person added") == (2 if alone else 3)  # alone, the second person was entered there
    assert custodian.check(shop.store, fresh)
    assert shop.store.check().holds


def test_the_window_goes_on_while_the_passphrase_is_hashed(shop, monkeypatch):
    monkeypatch.setattr(custodian, "N", 2**15)  # as delivered
    shop.store.save_person(Person("custodian", is_custodian=True))
    custodian.set_passphrase(shop.store, RIGHT, who="custodian")
    shop.want()
    shop.fill(old=RIGHT)
    begun = time.thread_time()
    shop.dialog.submit()
    assert time.thread_time() - begun < 0.05  # of this thread: how long others held the machine is not its doing
    assert shop.dialog.problem.text() == words.CHECKING
    shop.dialog.reject()  # not in the middle of it
    assert shop.dialog.isVisible()
    wait(lambda: shop.done == ["custodian"], "the lock to open")


@pytest.mark.parametrize(("rule", "flags"), [("custodian", ()), ("custodian", (Flag.TOO_FAST,)), ("operator", ())])
def test_what_a_procedure_leaves_to_the_custodian_is_set_aside_under_the_lock(kept, rule, flags):
    captured = CapturedPull(1, PullKind.READING, 0, replace(stand.card(29.0).pull, flags=flags))
    plan = replace(stand.plan(), procedure={"conduct": {"set_aside_unflagged": {"value": rule}}})
    asked = []
    kept.port.set_aside = lambda *, seen, **how: asked.append(how)
    run = stand.run(RunState.PULL, plan=plan, pulls=(captured,))
    kept.port.show(stand.view(RunState.PULL, run=run))
    kept.window.bench.tick()
    kept.window.bench.act("aside")
    if rule == "operator" or flags:
        assert asked == [{}]
        return
    assert asked == []
    assert "to set aside a reading without a flag" in shown(kept.dialog)
    kept.enter(old=RIGHT)
    assert asked == [{"custodian": "custodian"}]
    (entry,) = kept.store.entries(run.run_id)
    content = parse(entry.body)["content"]
    assert (content["act"], content["details"]) == ("a reading without a flag may be set aside", {"reading": 1})


# --- people


def page_of(shop) -> PeoplePage:
    shop.context.page_wanted.emit("people", "")
    page = shop.window._built["people"]
    assert page.isVisible()
    return page


def test_people_are_added_with_a_scanned_badge_and_a_scan_says_who_pulls(kept):
    page = page_of(kept)
    page.ask_new()
    page.form.fields["name"].put("fitter 4")
    kept.window.take_code("P4")
    assert page.form.fields["code"].text() == "P4"
    QTest.mouseClick(page.keep, Qt.MouseButton.LeftButton)
    assert "to add fitter 4" in shown(kept.dialog)
    kept.enter(old=RIGHT)
    assert kept.store.person("P4") == Person("fitter 4", code="P4")
    assert kept.acts()[-1] == "person added"
    kept.window.show_page("bench")
    kept.window.take_code("P4")
    assert kept.context.operator == "fitter 4"
    assert kept.store.check().holds


def test_custodians_are_made_and_people_deactivated_each_with_an_entry(kept):
    page = page_of(kept)
    kept.want()
    kept.enter(old=RIGHT)
    page.open("fitter 2")
    QTest.mouseClick(page.custodian, Qt.MouseButton.LeftButton)
    assert kept.store.person("fitter 2").is_custodian
    page.open("fitter 3")
    QTest.mouseClick(page.active, Qt.MouseButton.LeftButton)
    assert not kept.store.person("fitter 3").active
    assert "fitter 3" not in kept.window.menus.operators()
    assert kept.acts()[-2:] == ["made custodian", "person changed"]
    page.open("fitter 2")
    assert "made custodian by custodian" in " ".join(part.text() for part in page.told.findChildren(QLabel))
    assert kept.store.check().holds


def test_the_only_custodian_stays_and_a_badge_belongs_to_one(kept):
    page = page_of(kept)
    kept.want()
    kept.enter(old=RIGHT)
    page.open("custodian")
    for button in (page.custodian, page.active):
        QTest.mouseClick(button, Qt.MouseButton.LeftButton)
        assert "only custodian" in page.problem.text()
    page.open("fitter 3")
    page.form.fields["code"].put("P2")
    QTest.mouseClick(page.keep, Qt.MouseButton.LeftButton)
    assert "badge of fitter 2" in page.problem.text()
    assert kept.store.person("custodian").is_custodian
    assert kept.store.person("fitter 3").code == ""


def test_a_forged_badge_is_found(kept):
    page = page_of(kept)
    kept.want()
    kept.enter(old=RIGHT)
    page.open("fitter 3")
    page.form.fields["code"].put("P3")
    QTest.mouseClick(page.keep, Qt.MouseButton.LeftButton)
    kept.store._db.raw.execute("UPDATE people SET code = 'X' WHERE name = 'fitter 3'")
    (finding,) = kept.store.check().findings
    assert finding.subject == "fitter 3"
    kept.store._db.raw.execute("UPDATE people SET code = 'P3' WHERE name = 'fitter 3'")
    assert kept.store.check().holds


def test_the_passphrase_is_changed_with_the_old_one(kept):
    page = page_of(kept)
    QTest.mouseClick(page.change, Qt.MouseButton.LeftButton)
    fresh = "another one for the chain"
    kept.enter(old="not it", new=fresh, again=fresh)
    assert "wrong" in kept.dialog.problem.text()
    kept.enter(old=RIGHT, new=fresh, again=fresh)
    assert custodian.check(kept.store, fresh)


def test_the_program_reaches_both_pages_from_its_menu_without_a_tab(qtbot, tmp_path, no_port_of_this_machine):
    kilter = Application(simulated=False, settings_path=None, store_file=tmp_path / "r.sqlite")
    try:
        assert not {"people", "procedures"} & set(kilter.window.foot.tabs)
        for text, name in (("People …", "people"), ("Procedures …", "procedures")):
            dict(kilter.window.more_actions)[text]()
            assert kilter.window.page == name
            assert not any(tab.isChecked() for tab in kilter.window.foot.tabs.values())
    finally:
        kilter.window.close()
        kilter.close()
        kilter.window.deleteLater()
