"""The window around the pages: keys and scanned codes, pages built late, settings, an orderly end."""

from __future__ import annotations

import datetime as dt
import importlib.util
import itertools
import json
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
import zxingcpp
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLineEdit, QPushButton, QStackedWidget, QWidget

from benchapp.records import Store, ToolRecord
from benchapp.records.labels import Label, label_text
from benchapp.runs.model import RunState
from benchapp.ui import theme, words
from benchapp.ui.awake import KeepAwake
from benchapp.ui.context import AppContext
from benchapp.ui.elsewhere import KINDS
from benchapp.ui.keys import HOLD_S, CodeScanned, KeyPressed, KeySorter, Repeats
from benchapp.ui.paper.labels import Face, Standing, label_sizes, write_labels
from benchapp.ui.settings import Settings
from benchapp.ui.shell import MainWindow, PageSpec
from benchapp.ui.sounds import NAMES, Sounds, assets_folder
from drivers.status import CaptureStatus

from . import bench_standin as stand
from .desk import settle
from .rendered import pages_of


class Shop:
    """A window with two pages, and what happened in it."""

    def __init__(self, tmp_path: Path, **more) -> None:
        self.port = stand.StandIn()
        self.context = AppContext(self.port, is_demo=more.pop("is_demo", False))
        self.built: list[str] = []
        self.wanted: list[str] = []
        self.closed = 0
        self.settings = tmp_path / "settings.json"
        self.context.tool_wanted.connect(self.wanted.append)
        self.window = MainWindow(
            self.context,
            [PageSpec("rack", self._rack), PageSpec("logbook", self._broken)],
            settings_path=self.settings,
            on_close=self._closed,
            captures=tmp_path / "data" / "captures",
            **more,
        )
        self.scanned_s = 0.0
        settle(self.window)

    def _rack(self, context):
        self.built.append("rack")
        page = QWidget()
        page.field = QLineEdit(page)
        return page

    def _broken(self, context):
        raise RuntimeError("this page is broken")

    def _closed(self) -> None:
        self.closed += 1

    def run(self, state: RunState = RunState.SET_TOOL) -> None:
        self.port.show(stand.view(state))
        self.window.bench.tick()


@pytest.fixture
def shop(qtbot, tmp_path):
    made = Shop(tmp_path)
    yield made
    made.port.show(stand.view(None))
    made.window.bench.tick()
    made.window.close()
    made.window.deleteLater()


def press(shop, key, modifiers=Qt.KeyboardModifier.NoModifier) -> None:
    focus = shop.window.focusWidget() or shop.window.bench
    QTest.keyClick(focus, key, modifiers)


def scan(shop, widget, code: str) -> None:
    """Type as a scanner does, a hundredth of a second apart by the keys' own stamps, however busy this machine is.

    A second after the last scan at least: hands are no faster.
    """
    stamps = itertools.count(max(time.monotonic(), shop.scanned_s + 1.0), 0.01)

    def stamp(_event: object) -> float:
        shop.scanned_s = next(stamps)
        return shop.scanned_s

    shop.window.keys._stamp = stamp
    QTest.keyClicks(widget, code)
    press(shop, Qt.Key.Key_Return)
    del shop.window.keys._stamp


# ------------------------------------------------------------------------------------------------------ keys as such


def test_a_single_key_acts_after_a_moment_and_a_burst_with_enter_is_a_code():
    sorter = KeySorter()
    assert sorter.press("D", "d", 0.0) == []
    assert sorter.due(0.02) == []
    assert sorter.due(0.06) == [KeyPressed("D")]
    code = "OCF-014 D"
    for i, character in enumerate(code):
        assert sorter.press(character.upper(), character, 1.0 + 0.012 * i) == []
    assert sorter.press("Return", "\r", 1.0 + 0.012 * len(code)) == [CodeScanned(code)]
    assert sorter.due(9.0) == []


def test_keys_without_a_character_act_at_once():
    assert KeySorter().press("PgDown", "", 0.0) == [KeyPressed("PgDown")]
    assert KeySorter().press("Return", "\r", 0.0) == [KeyPressed("Return")]


def test_typing_by_hand_is_no_code_and_a_code_cut_short_does_nothing():
    sorter = KeySorter()
    events = []
    for i, character in enumerate("OCF"):
        events += sorter.press(character, character, i * (HOLD_S + 0.03))
    events += sorter.press("Return", "\r", 1.0)
    assert events == [KeyPressed("O"), KeyPressed("C"), KeyPressed("F"), KeyPressed("Return")]
    for i, character in enumerate("DDDD"):
        assert sorter.press(character, character, 5.0 + 0.005 * i) == []
    assert sorter.due(6.0) == []


def test_two_presses_of_one_key_closer_than_a_finger_can_are_one():
    sorter = KeySorter()
    assert sorter.press("D", "d", 0.0) == sorter.press("D", "d", 0.012) == []
    assert sorter.due(0.1) == [KeyPressed("D")]


def test_a_press_is_a_persons_unless_it_follows_its_own_release_at_once():
    repeats = Repeats()
    assert not repeats.press("PgDown", 0.0)
    for n in range(5):
        repeats.release("PgDown", 0.66 + 0.04 * n)
        assert repeats.press("PgDown", 0.66 + 0.04 * n)
    repeats.release("PgDown", 0.9)
    assert not repeats.press("D", 0.9)
    assert not repeats.press("PgDown", 0.99)


# --------------------------------------------------------------------------------------------------- keys in the window


def test_pedal_goes_on_and_other_key_sets_aside(shop, qtbot):
    shop.run()
    press(shop, Qt.Key.Key_PageDown)
    assert shop.port.asked == [("go_on",)]
    press(shop, Qt.Key.Key_D)
    qtbot.waitUntil(lambda: len(shop.port.asked) == 2, timeout=60_000)
    assert shop.port.asked[-1] == ("set_aside",)
    press(shop, Qt.Key.Key_Space)
    qtbot.waitUntil(lambda: len(shop.port.asked) == 3, timeout=60_000)
    assert shop.port.asked[-1] == ("go_on",)


def test_a_scanned_code_puts_its_tool_up_on_the_bench_and_opens_it_in_the_rack_from_any_other_page(shop):
    # On another page a scan asks for the tool, not for a run: it was sent to the Bench from everywhere before.
    opened = []
    shop.window.context.page_wanted.connect(lambda page, key: opened.append((page, key)))
    scan(shop, shop.window.bench, "OCF-014")
    assert shop.wanted == ["OCF-014"]
    assert shop.window.page == "bench"
    shop.window.show_page("rack")
    shop.window.stack.currentWidget().setFocus()
    scan(shop, shop.window.stack.currentWidget(), "OCF-015")
    assert opened == [("rack", "OCF-015")]
    assert shop.wanted == ["OCF-014"]
    assert shop.port.asked == []


def test_a_field_on_a_view_that_is_not_shown_swallows_no_scan(shop):
    # A run was open in the Logbook, whose list with its search lay behind: coming back, scans were typed into it.
    shop.window.show_page("rack")
    page = shop.window.stack.currentWidget()
    page.views = QStackedWidget(page)
    page.views.addWidget(QLineEdit())
    page.views.addWidget(QPushButton("Back to the list"))
    page.setFocusProxy(page.views.widget(0))
    page.views.show()
    page.views.setCurrentIndex(1)
    shop.window.show_page("bench")
    shop.window.show_page("rack")
    assert shop.window.focusWidget() is page.views.widget(1)
    opened = []
    shop.window.context.page_wanted.connect(lambda page, key: opened.append((page, key)))
    page.views.widget(0).setFocus()  # even so
    scan(shop, shop.window.focusWidget(), "OCF-015")
    assert opened == [("rack", "OCF-015")]
    assert page.views.widget(0).text() == ""


def test_a_scanner_may_type_the_same_character_twice_in_a_moment(shop):
    scan(shop, shop.window.bench, "OCF-0011")
    assert shop.wanted[-1] == "OCF-0011"


def test_a_scanned_label_is_its_tool_and_one_that_was_cut_off_is_refused(shop):
    text = label_text(Label("OCF-014"))
    shop.window.take_code(text)
    assert shop.wanted == ["OCF-014"]
    shop.window.take_code(text[:-3])
    assert shop.wanted == ["OCF-014"]
    assert "not read whole" in shop.window.foot.message.text()


def test_a_printed_label_scanned_finds_its_tool(shop, tmp_path):
    # What the printer gets is read by a general barcode reader and typed as a scanner types it.
    write_labels(tmp_path / "l.pdf", [Face("OCF-014", Standing.OUT, dt.date(2026, 3, 4))], label_sizes()[0])
    (code,) = zxingcpp.read_barcodes(pages_of(tmp_path / "l.pdf")[0])
    scan(shop, shop.window.bench, code.text)
    assert shop.wanted == ["OCF-014"]
    opened = []
    shop.window.context.page_wanted.connect(lambda page, key: opened.append((page, key)))
    shop.window.show_page("rack")
    shop.window.stack.currentWidget().setFocus()
    scan(shop, shop.window.stack.currentWidget(), code.text)
    assert opened == [("rack", "OCF-014")]


def test_a_page_that_takes_scans_is_asked_first(shop):
    shop.window.show_page("rack")
    taken = []
    shop.window.stack.currentWidget().take_scan = lambda code: taken.append(code) or True
    shop.window.take_code("job 12")
    assert taken == ["job 12"]
    assert shop.wanted == []


def test_code_scanned_into_a_field_stays_there(shop):
    shop.window.show_page("rack")
    field = shop.window.stack.currentWidget().field
    field.show()
    field.setFocus()
    QTest.keyClicks(field, "SN-77")
    QTest.keyClick(field, Qt.Key.Key_Return)
    assert field.text() == "SN-77"
    assert shop.wanted == []


def test_code_scanned_during_a_run_changes_nothing_and_says_so(shop, qtbot):
    shop.run(RunState.PULL)
    scan(shop, shop.window.bench, "OCF-D14")
    QTest.qWait(90)
    assert shop.wanted == []
    assert shop.port.asked == []
    assert "OCF-D14" in shop.window.foot.message.text()
    assert "scan it again" in shop.window.foot.message.text()  # it is not kept


def test_keys_of_a_pedal_are_learned_and_kept(shop, qtbot, tmp_path):
    shop.window.teacher.learn("go")
    press(shop, Qt.Key.Key_F9)
    assert shop.window.settings.get("go_keys")[0] == "F9"
    assert "F9" in shop.window.bench.key_names[0]
    shop.run()
    press(shop, Qt.Key.Key_F9)
    assert shop.port.asked == [("go_on",)]
    assert json.loads(shop.settings.read_text(encoding="utf-8"))["go_keys"][0] == "F9"
    shop.window.teacher.learn("aside")  # the same key for the other meaning takes it away from the first
    press(shop, Qt.Key.Key_F9)
    press(shop, Qt.Key.Key_F9)
    assert shop.port.asked[-1] == ("set_aside",)


def test_the_last_key_of_a_meaning_is_not_taken_away(shop):
    shop.window.teacher.learn("go")
    press(shop, Qt.Key.Key_D)
    shop.window.teacher.learn("go")
    press(shop, Qt.Key.Key_PageUp)
    assert "last key that proposes to set aside" in shop.window.foot.message.text()
    assert "PgUp" not in shop.window.settings.get("go_keys")
    assert shop.window.bench.key_names == ("D", "Page ↑")
    shop.run()
    press(shop, Qt.Key.Key_PageUp)
    assert shop.port.asked == [("set_aside",)]


def test_overload_is_acknowledged_from_any_page(shop):
    shop.window.show_page("rack")
    shop.port.show(stand.view(None, overload_percent=108.0))
    shop.window._look_at_bench()
    assert shop.window.bench.alarm.isVisible()
    press(shop, Qt.Key.Key_Return)
    assert shop.port.asked == [("go_on",)]
    shop.port.show(stand.view(None))
    shop.window._look_at_bench()
    assert not shop.window.bench.alarm.isVisible()


# --------------------------------------------------------------------------------------------------------------- pages


def test_pages_are_built_when_first_wanted_and_only_those_there_are_get_a_tab(shop):
    assert list(shop.window.foot.tabs) == ["bench", "rack", "logbook"]
    assert shop.built == []
    shop.window.show_page("rack")
    shop.window.show_page("bench")
    shop.window.show_page("rack")
    assert shop.built == ["rack"]
    shop.window.show_page("practice")
    assert shop.window.page == "rack"


def test_a_page_that_cannot_be_built_leaves_the_bench_alone(shop, caplog):
    shop.window.show_page("logbook")
    assert shop.window.page == "bench"
    assert "Logbook" in shop.window.foot.message.text() or "logbook" in shop.window.foot.message.text()
    assert "this page is broken" in caplog.text


def test_a_page_is_opened_by_name_and_key_from_elsewhere(shop):
    opened = []
    page = shop._rack(shop.context)
    page.open = opened.append
    shop.window._built["rack"] = page
    shop.window.stack.addWidget(page)
    shop.context.page_wanted.emit("rack", "OCF-014")
    assert opened == ["OCF-014"]


def test_frames_stop_while_another_page_is_shown_but_the_bench_is_watched(shop):
    shop.window.bench.timer.start()
    shop.window.show_page("rack")
    assert not shop.window.bench.timer.isActive()
    assert shop.window._quiet_timer.isActive()
    shop.window.show_page("bench")
    assert shop.window.bench.timer.isActive()
    assert not shop.window._quiet_timer.isActive()
    shop.window.bench.timer.stop()


def test_simulated_data_are_marked_on_every_page(qtbot, tmp_path):
    shop = Shop(tmp_path, is_demo=True)
    for page in ("bench", "rack"):
        shop.window.show_page(page)
        assert shop.window.mark.isVisible()
        assert "SIMULATED" in shop.window.mark.text
    shop.port.show(stand.view(None))
    shop.window.close()


def test_live_data_carry_no_mark_and_replayed_ones_their_own(shop):
    from drivers.samples import Source

    assert not shop.window.mark.isVisible()
    shop.port.show(stand.view(None, source=Source.REPLAYED))
    shop.window._show_source()
    assert "REPLAYED" in shop.window.mark.text
    shop.port.show(stand.view(None, source=Source.LIVE))
    shop.window._show_source()
    assert not shop.window.mark.isVisible()


# ------------------------------------------------------------------------------------------------------------ settings


def test_light_unit_sound_and_operator_are_kept(shop):
    window = shop.window
    first = theme.palette().name
    window.toggle_light()
    window.next_unit()
    window.toggle_sound()
    window.set_operator("fitter 2")
    kept = json.loads(shop.settings.read_text(encoding="utf-8"))
    assert kept["theme"] != first
    assert kept["unit"] == "cN·m"
    assert kept["operator"] == "fitter 2"
    assert kept["muted"] is False  # the fixture had muted it
    assert shop.context.operator == "fitter 2"
    window.toggle_light()


def test_unreadable_settings_are_put_aside_and_said(tmp_path):
    path = tmp_path / "settings.json"
    path.write_text('{"theme": ', encoding="utf-8")
    settings = Settings(path)
    assert settings.get("unit") == "N·m"
    assert "could not be read" in settings.problem
    assert path.with_suffix(".unreadable").read_text(encoding="utf-8") == '{"theme": '


def test_a_setting_of_the_wrong_kind_is_not_taken(tmp_path):
    path = tmp_path / "settings.json"
    path.write_text('{"go_keys": "Space", "operator": "fitter 2"}', encoding="utf-8")
    settings = Settings(path)
    assert settings.get("go_keys") == []
    assert settings.get("operator") == "fitter 2"


def test_settings_that_cannot_be_written_stop_nothing(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    settings = Settings(tmp_path / "file" / "settings.json")
    settings.put("unit", "cN·m")
    assert settings.get("unit") == "cN·m"
    assert "could not be written" in settings.problem


def begin(shop) -> None:
    shop.port.show(stand.view(None))
    shop.window.capture.toggle()


def recorded(shop, n_bytes: int, ended: str = "") -> str:
    """The link has so many bytes in the file it was told to write; returns what the foot bar's button says."""
    capture = CaptureStatus(shop.port.asked[0][1], n_bytes, 100_000_000, ended)
    view = stand.view(None)
    shop.port.show(replace(view, link=replace(view.link, capture=capture)))
    shop.window.capture.look()
    return "" if shop.window.foot.recording.isHidden() else shop.window.foot.recording.text()


def test_the_bytes_of_the_port_are_recorded_among_the_data_and_the_window_says_so(shop, tmp_path):
    capture, foot = shop.window.capture, shop.window.foot
    assert foot.recording.isHidden()
    begin(shop)
    ((name, path),) = shop.port.asked
    assert name == "start_capture"
    assert Path(path).parent == tmp_path / "data" / "captures"
    assert Path(path).parent.is_dir()
    assert recorded(shop, 1_234_567) == "●  recording  1.2 of 100 MB"
    shop.window.show_page("rack")
    assert recorded(shop, 2_345_678) == "●  recording  2.3 of 100 MB"
    foot.recording.click()
    assert shop.port.asked[-1] == ("stop_capture",)
    assert foot.recording.isHidden()
    assert not capture.is_running
    assert foot.message.text() == f"Recorded in {path}. Send it with the file beside it that ends in .raw.toml."


@pytest.mark.parametrize("why", ["The limit of 100 MB is reached.", "No space left on device."])
def test_a_recording_that_ends_by_itself_is_told(shop, why):
    begin(shop)
    assert recorded(shop, 99_000_000)
    assert recorded(shop, 100_000_000, why) == ""
    assert shop.window.foot.message.text().startswith(f"The recording has ended: {why} Recorded in ")
    assert not shop.window.capture.is_running


def test_a_recording_ends_with_its_port(shop):
    begin(shop)
    assert recorded(shop, 5_000)
    shop.port.show(stand.view(None))  # another port was opened
    shop.window.capture.look()
    assert shop.window.foot.message.text().startswith("The recording has ended with its port.")
    assert shop.window.foot.recording.isHidden()


def test_without_a_port_nothing_is_recorded(shop):
    view = stand.view(None)
    shop.port.show(replace(view, link=replace(view.link, state="closed")))
    shop.window.capture.toggle()
    assert shop.port.asked == []
    assert shop.window.foot.message.text().startswith("No port is open")


def test_a_recording_that_cannot_lie_there_is_refused(shop, tmp_path):
    (tmp_path / "data").write_text("a file where the folder should be")
    begin(shop)
    assert shop.port.asked == []
    assert "nothing can be recorded there" in shop.window.foot.message.text()


# ---------------------------------------------------------------------------------------------------------- two windows


def test_what_another_window_changes_is_seen_here_but_never_during_a_run(shop, tmp_path):
    told = []
    with Store.open(tmp_path / "r.sqlite", demo=False) as here, Store.open(tmp_path / "r.sqlite", demo=False) as there:
        shop.context.give_store(here)
        shop.context.store_changed.connect(told.append)
        shop.window._page_chosen("rack")
        assert told == []
        record = ToolRecord(stand.TOOL)
        there.save_tool(record, who="fitter 3")
        shop.window._page_chosen("bench")
        assert told == list(KINDS)
        told.clear()
        here.save_tool(replace(record, place="boat shed"), who="fitter 1")  # one's own is told by who does it
        shop.context.store_changed.emit("tools")
        shop.window._page_chosen("rack")
        assert told == ["tools"]
        told.clear()
        shop.window.elsewhere.set_here(here=False)
        there.save_tool(replace(record, place="ferry north"), who="fitter 3")
        shop.run(RunState.PULL)
        shop.window.elsewhere.set_here(here=True)
        assert told == []
        shop.run(RunState.SEALED)
        shop.window._seal_timer.stop()  # no such run is in these records
        shop.window._page_chosen("rack")
        assert told == list(KINDS)


# ----------------------------------------------------------------------------------------------------- long sentences


@pytest.mark.parametrize("height", [720, 768, 900, 1080, 1440])
def test_the_foot_has_room_for_three_lines(shop, height):
    shop.window.resize(round(height * 16 / 9), height)
    settle(shop.window)
    metrics = shop.window.foot.message.fontMetrics()
    assert shop.window.foot.message.height() >= 3 * metrics.lineSpacing()


def test_what_the_foot_has_no_room_for_stands_above_it_whole(shop):
    card, message = shop.window.in_full, shop.window.foot.message
    shop.window.show_message("problem", "The port is gone.")
    assert card.isHidden()
    long = "No copy was made: no space left at /srv/records.sqlite-backups/by-hand.sqlite. " * 3 + "Make room there."
    shop.window.show_message("problem", long)
    settle(shop.window)
    assert not card.isHidden()
    assert card.text() == message.text() == long
    assert card.heightForWidth(card.width()) <= card.height()  # nothing of it is cut
    assert card.geometry().bottom() < shop.window.foot.y()
    QTest.mouseClick(card, Qt.MouseButton.LeftButton)
    assert card.isHidden()
    shop.window.resize(shop.window.width() + 10, shop.window.height())  # seen is seen
    settle(shop.window)
    assert card.isHidden()
    QTest.mouseClick(message, Qt.MouseButton.LeftButton)
    assert not card.isHidden()
    shop.window.show_message("over", long)
    assert card.isHidden()


# ------------------------------------------------------------------------------------------------------------- the end


def test_closing_during_a_run_asks_and_staying_stays(shop):
    shop.run(RunState.PULL)
    assert not shop.window.close()
    assert shop.window.question.isVisible()
    assert shop.closed == 0
    QTest.keyClick(shop.window.question, Qt.Key.Key_Escape)
    assert not shop.window.question.isVisible()
    assert shop.window.isVisible()
    shop.window.close()
    shop.window._question_answered("close")
    assert shop.closed == 1
    assert not shop.window.isVisible()


def test_the_end_of_the_session_asks_nothing_during_a_run(shop):
    """Asked, the window stayed until it was killed: nobody is there to answer, and the records stay claimed by it."""
    shop.run(RunState.PULL)
    shop.window.close_unasked()
    assert shop.closed == 1
    assert not shop.window.isVisible()
    assert not shop.window.question.isVisible()


def test_a_problem_that_is_over_goes_and_takes_no_other_with_it(shop):
    shop.window.show_message("problem", "The simulator refused: a pull is under way")
    shop.window.show_message("over", "The simulator refused: a pull is under way")
    assert shop.window.foot.message.text() == ""
    shop.window.show_message("problem", "The records are full")
    shop.window.show_message("over", "The simulator refused: a pull is under way")
    assert shop.window.foot.message.text() == "The records are full"


def test_closing_never_promises_to_go_on_with_what_could_not_be_stored(shop):
    problem = "No space left for the records at /r.sqlite (0 kB free). Make space there, then go on."
    for state in (RunState.SET_TOOL, RunState.SEALED):  # also when the run is over and its seal waits
        shop.port.show(replace(stand.view(state), store_problem=problem, n_unstored=3))
        shop.window.bench.tick()
        assert shop.window.bench.headline.detail == f"{problem} 3 steps wait in memory."
        assert shop.window.bench.headline.is_trouble
        assert not shop.window.close()
        assert shop.closed == 0
        question = shop.window.question
        assert question.head == "Not everything is stored"
        assert question.detail.startswith(problem)
        assert "lost" in question.detail
        assert [button.objectName() for button in question.buttons] == ["stay", "close"]
        QTest.keyClick(question, Qt.Key.Key_Escape)
    shop.run(RunState.SEALED)
    assert not shop.window.bench.headline.is_trouble
    assert shop.window.close()


def test_the_closing_question_is_walked_with_the_two_keys(shop):
    shop.run(RunState.PULL)
    shop.window.close()
    press(shop, Qt.Key.Key_PageUp)
    press(shop, Qt.Key.Key_PageDown)
    assert shop.closed == 1
    assert shop.port.asked == []


def test_closing_stops_every_timer_and_calls_back_once(shop):
    shop.window.bench.timer.start()
    shop.window.close()
    shop.window.stop()
    from PySide6.QtCore import QTimer

    assert shop.closed == 1
    assert not [timer for timer in shop.window.findChildren(QTimer) if timer.isActive()]


def test_keyboard_that_went_to_another_window_is_noticed_during_a_run(shop, qtbot):
    shop.run(RunState.PULL)
    other = QWidget()
    qtbot.addWidget(other)
    shop.window.bench.set_keyboard_here(False)
    assert shop.window.bench.keyboard_notice.isVisible()
    assert words.KEYBOARD_LOST in shop.window.bench.keyboard_notice.head
    QTest.mouseClick(shop.window.bench.keyboard_notice, Qt.MouseButton.LeftButton, pos=QPoint(20, 20))
    shop.window.bench.set_keyboard_here(True)
    assert not shop.window.bench.keyboard_notice.isVisible()


def test_sleep_is_held_off_during_a_run_and_let_go_after(shop):
    calls = []
    shop.window.awake.hold = lambda reason: calls.append("hold") or False
    shop.window.awake.release = lambda: calls.append("release")
    shop.run(RunState.PULL)
    assert calls == ["hold"]
    assert shop.window.foot.message.text() == words.AWAKE_PROBLEM
    shop.port.show(stand.view(None))
    shop.window.bench.tick()
    assert calls == ["hold", "release"]


def test_without_a_desktop_to_ask_nothing_breaks(monkeypatch):
    monkeypatch.setenv("DBUS_SESSION_BUS_ADDRESS", "unix:path=/nonexistent")
    awake = KeepAwake()
    assert awake.hold("a run") is False
    awake.release()


# -------------------------------------------------------------------------------------------------------------- sounds


def test_every_sound_is_there_and_the_script_makes_the_same_bytes(tmp_path, monkeypatch):
    folder = assets_folder() / "sounds"
    spec = importlib.util.spec_from_file_location("make_sounds", folder / "make.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "HERE", tmp_path)
    module.main()
    for name in NAMES:
        assert (tmp_path / f"{name}.wav").read_bytes() == (folder / f"{name}.wav").read_bytes()


def test_without_a_sound_device_or_file_nothing_breaks(qtbot, tmp_path):
    sounds = Sounds(folder=tmp_path)
    sounds.play("click")
    sounds.play("no such sound")
    sounds.stop()
    sounds.play("click")
    assert sounds.played[-1] == "click"


class Records:
    """As much of a store as the window itself asks."""

    def check_standing(self, reference):
        return None

    def __init__(self) -> None:
        self.n_open = 0
        self.sealed = False

    def n_open_tasks(self) -> int:
        return self.n_open

    def summary(self, run_id):
        return SimpleNamespace(seal="ab" if self.sealed else "")

    def head(self):
        return "1:ab"


def test_once_a_run_is_sealed_the_pages_read_again_and_not_before(shop, qtbot):
    records = Records()
    shop.run(RunState.PULL)
    shop.window.context.give_store(records)
    told = []
    shop.window.context.store_changed.connect(told.append)
    shop.run(RunState.SEALED)
    qtbot.waitUntil(lambda: shop.window._seal_looks > 1, timeout=60_000)
    assert told == []
    records.sealed = True
    qtbot.waitUntil(lambda: told == ["runs", "tools"], timeout=60_000)
    assert not shop.window._seal_timer.isActive()


def test_open_items_of_the_work_list_are_counted_on_the_tab_of_the_rack(shop):
    records = Records()
    records.n_open = 7
    shop.window.context.give_store(records)
    tab = shop.window.foot.tabs["rack"]
    assert tab.text().endswith("· 7")
    assert "7 items open" in tab.toolTip()
    records.n_open = 0
    shop.window.context.store_changed.emit("tasks")
    assert "·" not in tab.text()


def test_from_a_sealed_verdict_the_other_key_leads_to_the_label_or_to_what_was_done_with_a_tool_found_out(shop):
    # The key did nothing after a verdict within limits until labels were there to be offered.
    opened = []
    shop.window.context.page_wanted.connect(lambda page, key: opened.append((page, key)))
    bench = shop.window.bench
    shop.port.show(stand.view(RunState.SEALED, verdict=stand.verdict((1.01, 1.0, 1.0))))
    bench.tick()
    assert "label" in bench.key_bar.buttons["aside"].text()
    bench.act("aside")
    assert opened.pop() == ("rack", "view:labels:OCF-014")
    shop.port.show(stand.view(RunState.SEALED, verdict=stand.verdict((1.01, 1.044, 1.061))))
    bench.tick()
    assert "done with it" in bench.key_bar.buttons["aside"].text()
    bench.act("aside")
    run = bench.view.run
    assert run is not None
    assert opened == [("rack", f"view:impact:run:{run.run_id}")]


@pytest.mark.parametrize(("problem", "text"), [("no sound device", "no sound"), ("", "sound on")])
def test_the_foot_says_when_nobody_will_hear_the_click(shop, monkeypatch, problem, text):
    sounds, foot = shop.window.sounds, shop.window.foot
    monkeypatch.setattr(sounds, "load", lambda: setattr(sounds, "problem", problem))
    monkeypatch.setattr(sounds, "muted", False)
    shop.window.after_first_paint()
    assert foot.sound.text() == text
    assert ("told on the screen only" in foot.sound.toolTip()) is bool(problem)
    shop.window.toggle_sound()
    assert (foot.sound.text(), foot.sound.toolTip()) == ("sound off", words.SOUND_TIP)
