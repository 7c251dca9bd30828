"""The main window: pages, the foot bar with what holds everywhere, keys and scanned codes, and an orderly end."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from PySide6.QtCore import QEvent, Qt, QTimer
from PySide6.QtGui import (
    QCloseEvent,
    QIcon,
    QKeySequence,
    QResizeEvent,
    QShortcut,
    QShowEvent,
)
from PySide6.QtWidgets import (
    QApplication,
    QMainWindow,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from benchapp.torque.units import SHOWN_UNITS
from benchapp.ui import theme, words
from benchapp.ui.awake import KeepAwake
from benchapp.ui.bench.page import BenchPage
from benchapp.ui.capture import PortCapture
from benchapp.ui.elsewhere import Elsewhere
from benchapp.ui.footbar import FootBar, InFull, SourceMark
from benchapp.ui.footmenus import FootMenus
from benchapp.ui.lock import Custody
from benchapp.ui.overlays import KeyTeacher, Question
from benchapp.ui.replay import ReplayBar
from benchapp.ui.settings import Settings
from benchapp.ui.sounds import Sounds, assets_folder
from benchapp.ui.theme import Sizes, font_of_cap
from benchapp.ui.windowkeys import WindowKeys
from drivers.samples import Source

if TYPE_CHECKING:
    from benchapp.ui.context import AppContext

log = logging.getLogger(__name__)

QUIET_MS: Final = 100  # how often the bench is looked at while another page is shown
MESSAGE_MS: Final = 9000
SEAL_MS: Final = 200
SEAL_LOOKS: Final = 50
LEAST_SIZE: Final = (680, 380)  # 1366 x 768 at 200 %


@dataclass(frozen=True, slots=True)
class PageSpec:
    """A page that can be shown.

    Attributes:
        name: "rack", "references", "logbook", "practice", …
        build: Makes it when it is first wanted. A page may offer `open(key)`, `restyle()` and `stop()`, and, to have
            the two keys while it is shown, `takes_keys` and `act("go" | "aside" | "leave")`.
        title: In the foot bar; "" takes the usual one.
        has_tab: False: it is reached from the "more" menu only.
    """

    name: str
    build: Callable[[AppContext], QWidget]
    title: str = ""
    has_tab: bool = True


class MainWindow(QMainWindow):
    """The window.

    Args:
        context: Shared by all pages.
        pages: What can be shown beside the Bench, in order; each is built when it is first wanted.
        settings_path: JSON file with what the window remembers; None: nothing is kept.
        start_panel: Makes what the Bench shows without a run; None: nothing.
        hand: Makes the simulated hand's buttons for the strip on top (`kilter --simulated`); None: none. Its widget may
            offer `key(down)`, `restyle()` and `stop()`.
        on_close: Called once when the window has closed, after the pages were stopped.
        captures: Folder for recordings of the port's bytes; None: `captures` in the working folder.

    Attributes:
        more_actions: (words, what to do): lines that the composition adds to the "more" menu.
    """

    def __init__(
        self,
        context: AppContext,
        pages: Sequence[PageSpec] = (),
        *,
        settings_path: Path | None = None,
        start_panel: Callable[[AppContext, Settings, QWidget], QWidget] | None = None,
        hand: Callable[[AppContext], QWidget] | None = None,
        on_close: Callable[[], None] | None = None,
        captures: Path | None = None,
    ) -> None:
        super().__init__()
        self.context = context
        self.settings = Settings(settings_path)
        self.sounds = Sounds(self)
        self.sounds.muted = bool(self.settings.get("muted"))
        self.awake = KeepAwake()
        self._on_close = on_close
        self._closing = False
        self._warned_awake = False
        self._under_way = ""
        self._seal_looks = 0
        self.more_actions: list[tuple[str, Callable[[], object]]] = []
        self._waiting: list[tuple[str, str, Sequence[tuple[str, str]], Callable[[str], object]]] = []
        self._asking: tuple[str, str, Sequence[tuple[str, str]], Callable[[str], object]] | None = None
        self._specs = {spec.name: spec for spec in pages}
        self._built: dict[str, QWidget] = {}
        self.setWindowTitle("Kilter")
        self.setMinimumSize(*LEAST_SIZE)
        context.operator = str(self.settings.get("operator"))
        if self.settings.get("unit") in SHOWN_UNITS:
            context.show_unit(self.settings.get("unit"))
        self._dress(str(self.settings.get("theme")) or ("dark" if theme.system_prefers_dark() else "light"))

        middle = QWidget(self)
        column = QVBoxLayout(middle)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        self.mark = SourceMark(middle)
        self.stack = QStackedWidget(middle)
        self.foot = FootBar(middle)
        self.in_full = InFull(middle)
        self.foot.message.changed.connect(self._tell_in_full)
        self.foot.message.pressed.connect(lambda: self._tell_in_full(again=True))
        self.hand = hand(context) if hand is not None else None
        self.replay: ReplayBar | None = None
        if self.hand is not None:
            self.mark.take_hand(self.hand)
        column.addWidget(self.mark)
        column.addWidget(self.stack, 1)
        column.addWidget(self.foot)
        self.setCentralWidget(middle)
        self.custody = Custody(context, self, self.foot.custodian)
        self.question = Question(middle)
        self.teacher = KeyTeacher(middle)

        self.bench = BenchPage(context, self.settings, self.sounds, self.stack, start_panel=start_panel)
        self.stack.addWidget(self.bench)
        self._built["bench"] = self.bench
        self.foot.add_tab("bench", words.PAGES["bench"], 1)
        for i, spec in enumerate(spec for spec in pages if spec.has_tab):
            self.foot.add_tab(spec.name, spec.title or words.PAGES.get(spec.name, spec.name.capitalize()), i + 2)
        self.page = "bench"

        self.elsewhere = Elsewhere(context, lambda: not self.bench.is_running, self)
        self.capture = PortCapture(context, captures or Path.cwd() / "captures", self.foot.recording, self)
        self.keys = WindowKeys(self)
        self.menus = FootMenus(self)
        self._quiet_timer = QTimer(self)
        self._quiet_timer.setInterval(QUIET_MS)
        self._quiet_timer.timeout.connect(self._look_at_bench)
        self._message_timer = QTimer(self)
        self._message_timer.setSingleShot(True)
        self._message_timer.timeout.connect(self._clear_message)
        self._connect()
        self._show_source()
        self._label_foot()
        self.restyle()
        self._place_window()
        self.keys.start()

    # ------------------------------------------------------------------------------------------------------- building

    def _connect(self) -> None:
        context = self.context
        self.foot.page_chosen.connect(self._page_chosen)
        self.foot.sound.clicked.connect(self.toggle_sound)
        self.foot.light.clicked.connect(self.toggle_light)
        context.page_wanted.connect(self._page_wanted)
        context.tool_wanted.connect(self._tool_wanted)
        context.unit_changed.connect(self._unit_changed)
        context.message.connect(self.show_message)
        context.store_ready.connect(self._count_work)
        context.store_changed.connect(self._count_work)
        self._seal_timer = QTimer(self)
        self._seal_timer.setInterval(SEAL_MS)
        self._seal_timer.timeout.connect(self._look_for_seal)
        self.bench.run_changed.connect(self._run_changed)
        self.bench.source_changed.connect(self._show_source)
        self.question.answered.connect(self._question_answered)
        for i, name in enumerate(self.foot.tabs):
            self._shortcut(f"Ctrl+{i + 1}", partial(self._page_chosen, name))
        self._shortcut("F11", self.toggle_full_screen)
        self._shortcut("Ctrl+L", self.toggle_light)
        self._shortcut("Ctrl+M", self.toggle_sound)
        self._shortcut("Ctrl+U", self.next_unit)
        self._shortcut("Ctrl+Q", self.close)

    def _shortcut(self, keys: str, do: Callable[[], object]) -> None:
        shortcut = QShortcut(QKeySequence(keys), self)
        shortcut.setContext(Qt.ShortcutContext.WindowShortcut)
        shortcut.activated.connect(do)

    def _place_window(self) -> None:
        kept = self.settings.get("window")
        screen = QApplication.primaryScreen()
        room = screen.availableGeometry()
        if isinstance(kept, list) and len(kept) == 4 and all(isinstance(v, int) for v in kept):
            self.resize(kept[2], kept[3])
            if room.contains(kept[0] + 40, kept[1] + 40):
                self.move(kept[0], kept[1])
        else:
            self.resize(min(1366, room.width()), min(768, room.height()))

    def after_first_paint(self) -> None:
        """What the first paint did not have to wait for: icon and sounds."""
        self.setWindowIcon(QIcon(str(assets_folder() / "icons" / "kilter.svg")))
        self.sounds.load()
        self._label_foot()
        if self.settings.problem:
            self.show_message("problem", self.settings.problem)

    # ---------------------------------------------------------------------------------------------------------- pages

    def show_page(self, name: str, key: str = "") -> None:
        """Show a page, building it if need be; `key` is what to open there."""
        if name not in self._built:
            spec = self._specs.get(name)
            if spec is None:
                return
            try:
                page = spec.build(self.context)
            except Exception:  # a page that cannot be built must not take the bench with it
                log.exception("page %s could not be built", name)
                self.show_message("problem", f"The page {spec.title or name} could not be opened; the log says why.")
                self.foot.show_page(self.page)
                return
            self._built[name] = page
            self.stack.addWidget(page)
        page = self._built[name]
        self.page = name
        self.stack.setCurrentWidget(page)
        self.foot.show_page(name)
        if name == "bench":
            self._quiet_timer.stop()
        else:
            self._quiet_timer.start()
        opener = getattr(page, "open", None)
        if key and callable(opener):
            opener(key)
        self._give_keyboard(page)

    def _page_chosen(self, name: str) -> None:
        self.elsewhere.look()
        self.show_page(name)

    def _give_keyboard(self, page: QWidget) -> None:
        """Let the page have the keyboard, by what it shows now: a field on another of its views would swallow scans."""
        page.setFocus()
        focus = QApplication.focusWidget()
        if focus is not None and not focus.isVisible():
            views = getattr(page, "views", None)
            if views is not None:
                views.currentWidget().setFocus()
            focus = QApplication.focusWidget()
            if focus is not None and not focus.isVisible():
                focus.clearFocus()

    def _page_wanted(self, name: str, key: str) -> None:
        self.show_page(name, key)

    def _tool_wanted(self, _number: str) -> None:
        self.show_page("bench")

    def _look_at_bench(self) -> None:
        """While another page is shown: overload, sounds, the end of a run."""
        self.bench.watch()
        self._show_source()

    # ------------------------------------------------------------------------------------------------------ the whole

    def _dress(self, name: str) -> None:
        app = QApplication.instance()
        theme.use(name if name in theme.PALETTES else "light", app if isinstance(app, QApplication) else None)

    def toggle_light(self) -> None:
        """Light to dark and back."""
        name = "dark" if theme.palette().name == "light" else "light"
        self.settings.put("theme", name)
        self._dress(name)
        self._label_foot()
        self.restyle()
        self.context.theme_changed.emit()

    def toggle_sound(self) -> None:
        """Sounds on or off. The overload notice stays on the screen either way."""
        self.sounds.muted = not self.sounds.muted
        self.settings.put("muted", self.sounds.muted)
        self._label_foot()

    def toggle_full_screen(self) -> None:
        """Full screen or window."""
        self.showNormal() if self.isFullScreen() else self.showFullScreen()

    def next_unit(self) -> None:
        """The next of the units."""
        self.context.show_unit(SHOWN_UNITS[(SHOWN_UNITS.index(self.context.unit) + 1) % len(SHOWN_UNITS)])

    def _unit_changed(self, unit: str) -> None:
        self.settings.put("unit", unit)
        self._label_foot()

    def set_operator(self, name: str) -> None:
        """Who pulls from now on."""
        name = name.strip()
        self.context.operator = name
        self.settings.put("operator", name)
        known = [n for n in self.settings.get("operators") if n != name]
        if name:
            self.settings.put("operators", [name, *known][:12])
        self._label_foot()
        changed = getattr(self.bench.start, "operator_changed", None)
        if callable(changed):
            changed(name)
        self.context.operator_changed.emit(name)

    def _label_foot(self) -> None:
        foot = self.foot
        foot.operator.setText(self.context.operator or "who pulls?")
        foot.unit.setText(f"{self.context.unit} ▾")
        silent = self.sounds.problem and not self.sounds.muted  # who counts on the sound of the click must know
        foot.sound.setText("no sound" if silent else "sound off" if self.sounds.muted else "sound on")
        foot.sound.setToolTip(words.sound_problem(self.sounds.problem) if silent else words.SOUND_TIP)
        foot.light.setText("dark" if theme.palette().name == "dark" else "light")
        foot.more.setText("more ▾")

    def show_curves(self) -> None:
        """Look at the pulls of the run under way, laid over each other."""
        run, store = self.context.bench.view().run, self.context.store
        if run is None or store is None or not run.pulls:
            return
        from benchapp.ui.curves.benchcurves import BenchCurves

        dialog = BenchCurves(self.context, run, store, self)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.resize(self.size() * 0.92)
        dialog.open()

    def show_message(self, kind: str, text: str) -> None:
        """Show one sentence in the foot bar for a while; problems stay until the next one, or until they are over."""
        if kind == "over":
            if self.foot.message.text() == text:
                self._clear_message()
            return
        self.foot.message.setText(text)
        self.foot.message.setToolTip(text)
        self.foot.message.setProperty("kind", "problem" if kind == "problem" else "soft")
        self.foot.message.style().unpolish(self.foot.message)
        self.foot.message.style().polish(self.foot.message)
        self._tell_in_full()
        if kind == "problem":
            self._message_timer.stop()
        else:
            self._message_timer.start(MESSAGE_MS)

    def _clear_message(self) -> None:
        self.foot.message.clear()
        self._tell_in_full()

    def _tell_in_full(self, *, again: bool = False) -> None:
        """What the foot has no room for stands above it for a while: its end says what to do."""
        self.in_full.place(self.foot.message, self.foot, self.width(), again=again)

    def _show_source(self) -> None:
        source = self.context.bench.view().source
        if self.context.bench.view().replay is not None:
            source = Source.REPLAYED
        elif self.context.is_demo and source in (None, Source.LIVE):
            source = Source.SIMULATED
        self.mark.say(words.SIMULATED_MARK.get(source, "") if source is not None else "")
        replay = self.context.bench.view().replay
        if replay is not None and self.replay is None:
            self.replay = ReplayBar(self.context, self.mark)
            self.replay.run_wanted.connect(self.bench.want_start)
            self.mark.take_bar(self.replay)
        if self.replay is not None:
            self.replay.show_replay(replay)
            if self.hand is not None:
                self.hand.setVisible(replay is None)

    def restyle(self) -> None:
        """The palette or the window's height has changed."""
        base = font_of_cap(Sizes.of(self.height()).small * 1.02)
        app = QApplication.instance()
        if isinstance(app, QApplication) and app.font() != base:
            app.setFont(base)
        for part in (self.mark, self.foot, self.question, self.teacher, self.capture):
            part.restyle()
        self.bench.restyle()
        for name, page in self._built.items():
            again = getattr(page, "restyle", None)
            if name != "bench" and callable(again):
                again()
        self._place_over()

    def _place_over(self) -> None:
        middle = self.centralWidget()
        if middle is None:
            return
        s = Sizes.of(self.height())
        height = round(s.instruction * 1.3 + s.lead * 9 + s.pad * 3)
        width = round(min(middle.width() * 0.78, s.lead * 62))
        left = (middle.width() - width) // 2
        top = middle.height() - height - self.foot.height() - round(s.gap * 2)
        for part in (self.question, self.teacher):
            part.setGeometry(left, top, width, height)

    # ---------------------------------------------------------------------------------------------------------- codes

    def take_code(self, code: str) -> None:
        """A code was scanned: on the Bench its tool is put up, elsewhere the Rack opens it; a badge says who pulls.

        A page that takes scans itself (`take_scan(code) -> bool`) is asked first.
        """
        if self.bench.is_running:
            self.show_message("problem", f"{code} was scanned during a run: scan it again when the run is over.")
            self.sounds.play("wrong")
            return
        take = getattr(self.stack.currentWidget(), "take_scan", None)
        if callable(take) and take(code):
            return
        from benchapp.records.labels import ScanError, number_of_scan  # not before the first paint

        try:
            number = number_of_scan(code)
        except ScanError as problem:
            self.show_message("problem", str(problem))
            self.sounds.play("wrong")
            return
        store = self.context.store
        person = store.person(number) if store is not None else None
        if person is not None and person.active and store is not None and store.tool(number) is None:
            self.set_operator(person.name)
            self.show_message("note", f"{person.name} pulls from now on.")
        elif store is not None and store.tool(number) is None and store.reference(number) is not None:
            self.context.page_wanted.emit("references", number)
        elif self.page == "bench":
            self.context.tool_wanted.emit(number)
        else:
            self.context.page_wanted.emit("rack", number)

    def keyed(self) -> BenchPage | None:
        """What the two keys act on now: an overload first, else the page shown if it wants them."""
        if self.bench.is_alarmed:
            return self.bench
        page: Any = self._built.get(self.page)
        return page if getattr(page, "takes_keys", False) else None

    # ------------------------------------------------------------------------------------------------------- run, end

    def _run_changed(self, running: bool) -> None:
        if running:
            if not self.awake.hold("A torque tool is being verified") and not self._warned_awake:
                self._warned_awake = True
                self.show_message("note", words.AWAKE_PROBLEM)
            run = self.bench.view.run
            self._under_way = run.run_id if run is not None else ""
        else:
            self.awake.release()
            self._ask_next()
            self._seal_looks = 0
            self._seal_timer.start()
        self._label_foot()
        self._show_source()

    def _look_for_seal(self) -> None:
        """The keeper seals a run a moment after its end: then every page that shows runs or tools reads again."""
        store = self.context.store
        self._seal_looks += 1
        summary = store.summary(self._under_way) if store is not None and self._under_way else None
        if (summary is None or not summary.seal) and self._seal_looks < SEAL_LOOKS:
            return
        self._seal_timer.stop()
        if store is not None:
            for what in ("runs", "tools"):
                self.context.store_changed.emit(what)

    def _count_work(self, *_: object) -> None:
        """Say on the Rack's tab how many items of the work list are open."""
        if self.context.store is not None:
            n = self.context.store.n_open_tasks()
            self.foot.show_count("rack", n, f"{n} item{'' if n == 1 else 's'} open on the work list")

    def ask(self, head: str, detail: str, answers: Sequence[tuple[str, str]], then: Callable[[str], object]) -> None:
        """Ask inside the window, once no run is under way and no other question stands; `then` gets the answer's key.

        Args:
            head: The question, one line.
            detail: What there is to know, one or two lines.
            answers: (key, words); the first one is the default and Escape's.
            then: Called with the key.
        """
        self._waiting.append((head, detail, answers, then))
        self._ask_next()

    def _ask_next(self) -> None:
        if self._waiting and self.question.isHidden() and not self.bench.is_running:
            self._asking = self._waiting.pop(0)
            self.question.ask(*self._asking[:3])

    def _question_answered(self, answer: str) -> None:
        asked, self._asking = self._asking, None
        if asked is not None:
            self._give_keyboard(self._built[self.page])
            asked[3](answer)
            self._ask_next()
            return
        if answer == "close":
            self.close_unasked()
        elif answer == "leave":
            self.show_page("bench")
            self.bench.act("leave")
        else:
            self.bench.setFocus()

    def changeEvent(self, event: QEvent) -> None:
        """Notice when the keyboard goes to another window."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.ActivationChange and hasattr(self, "elsewhere"):
            is_here = self.isActiveWindow() or QApplication.activePopupWidget() is not None
            self.bench.set_keyboard_here(is_here)
            self.elsewhere.set_here(here=is_here)

    def showEvent(self, event: QShowEvent) -> None:
        """Sounds and icon come after the first paint."""
        super().showEvent(event)
        self.show_page(self.page)
        QTimer.singleShot(0, self, self.after_first_paint)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Type grows with the window."""
        super().resizeEvent(event)
        if event.size().height() != event.oldSize().height():
            self.restyle()
        self._place_over()

    def close_unasked(self) -> None:
        """Close, also during a run: it goes on at its pull when Kilter is opened again."""
        self._closing = True
        self.close()

    def closeEvent(self, event: QCloseEvent) -> None:
        """Ask during a run; else stop everything, in order."""
        view = self.context.bench.view()
        unstored = words.unstored(view) if view.n_unstored else ""
        if (self.bench.is_running or unstored) and not self._closing:
            event.ignore()
            if self._asking is not None:
                self._waiting.insert(0, self._asking)
                self._asking = None
            if unstored:
                self.question.ask(
                    words.CLOSE_LOSES_QUESTION,
                    f"{unstored} {words.CLOSE_LOSES_DETAIL}",
                    [("stay", "Stay"), ("close", "Close, and lose it")],
                )
                return
            self.question.ask(
                words.CLOSE_QUESTION,
                words.CLOSE_DETAIL,
                [("stay", "Stay"), ("close", "Close, go on later"), ("leave", "Leave the run …")],
            )
            return
        if not self.isFullScreen():
            box = self.geometry()
            self.settings.put("window", [box.x(), box.y(), box.width(), box.height()])
        self.stop()
        super().closeEvent(event)

    def stop(self) -> None:
        """Stop timers, pages, sounds and the inhibition of sleep; may be called again."""
        self.keys.stop()
        self.custody.stop()
        self.elsewhere.stop()
        for timer in (self._quiet_timer, self._message_timer, self._seal_timer):
            timer.stop()
        for page in (*self._built.values(), self.hand):
            stop = getattr(page, "stop", None)
            if callable(stop):
                stop()
        self.sounds.stop()
        self.awake.release()
        done, self._on_close = self._on_close, None
        if done is not None:
            done()
