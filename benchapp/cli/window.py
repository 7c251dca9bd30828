"""`kilter` without a command: build the objects and open the window.

Qt, the shell and the Bench come first; pages, drivers' port list and the store are loaded after the first paint.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import json
import logging
import os
import signal
import subprocess
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchapp.cli.errors import CommandError
from benchapp.ui import carewords as words
from benchapp.ui import thermometerwords

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from PySide6.QtWidgets import QWidget

    from benchapp.cli.care import Checked, Doubt
    from benchapp.records import Store
    from benchapp.session.link import LinkOpener, LinkPort
    from benchapp.session.reader import ReaderPort
    from benchapp.ui.context import AppContext
    from benchapp.ui.keeping import KeepingDialog
    from benchapp.ui.shell import MainWindow, PageSpec
    from drivers.profile import Profiles
    from drivers.samples import SampleBlock
    from drivers.status import LinkStatus

log = logging.getLogger(__name__)

SIMULATED_PROFILE = "signed value, unit"
SIMULATED_CAPACITY_NM = 250.0
PACE_S = 0.008
"""Between two reads of a link behind the window: half a frame. A wake-up for each line costs more than it."""
AGAIN_MS = 5000
OPENING_MS = 1500
"""How long the records may take to open before the window says that it is at it."""


class SimulatedBench:
    """The simulator as a process of its own, ended with the window.

    Attributes:
        data_url: Where its samples come from, marked as simulated.
        control: Address of its control channel.
    """

    def __init__(self) -> None:
        # a real serial line to the program; TCP stands in for it where there is no pseudo-terminal
        where = ["--pty"] if hasattr(os, "openpty") else ["--tcp", "0"]
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "benchapp", "simulate", *where, "--until-stdin-ends"),
                *("--capacity", str(SIMULATED_CAPACITY_NM), "--rate", "1000"),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        try:
            told = json.loads(line)
            self.data_url = f"{told['data']}?source=simulated"
            self.control = str(told["control"])
        except (ValueError, KeyError, TypeError) as error:
            self.close()
            raise CommandError(
                "the simulated transducer did not start; 'kilter simulate --tcp 0' on its own shows why"
            ) from error

    def close(self) -> None:
        """End the process; may be called again."""
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(3.0)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(3.0)


def link_opener(profiles: Callable[[], Profiles]) -> LinkOpener:
    """Return what opens links for the session; drivers are imported with the first link."""

    def open_link(
        url: str, profile: str, on_block: Callable[[SampleBlock], None], on_status: Callable[[LinkStatus], None]
    ) -> LinkPort:
        from drivers.link import Link

        known = profiles()
        return Link(url, known.get(profile) if profile else None, on_block, on_status, profiles=known, pace_s=PACE_S)

    return open_link


def make_reader(capacity_nm: float | None) -> ReaderPort:
    """Return a pull reader for a reference of that capacity."""
    from benchapp.pulls import Mode, PullReader

    return PullReader(mode=Mode.FIRST_PEAK, capacity=capacity_nm)


def page_specs() -> list[PageSpec]:
    """The pages beside the Bench, built when first wanted."""
    import importlib

    from benchapp.ui.shell import PageSpec

    def build(module: str, name: str, context: AppContext) -> QWidget:
        widget: QWidget = getattr(importlib.import_module(module), name)(context)
        return widget

    return [
        PageSpec("rack", partial(build, "benchapp.ui.rack.page", "RackPage")),
        PageSpec("references", partial(build, "benchapp.ui.references.page", "ReferencesPage")),
        PageSpec("logbook", partial(build, "benchapp.ui.logbook.page", "LogbookPage")),
        PageSpec("practice", partial(build, "benchapp.ui.practice.page", "PracticePage")),
        PageSpec("people", partial(build, "benchapp.ui.people", "PeoplePage"), has_tab=False),
        PageSpec("procedures", partial(build, "benchapp.ui.procedures", "ProceduresPage"), has_tab=False),
    ]


class Application:
    """Everything that makes up a running Kilter, for the command and for tests that drive the real window."""

    def __init__(
        self,
        *,
        simulated: bool,
        settings_path: Path | None,
        store_file: Path,
        url: str = "",
        profile: str = "",
        replay: str = "",
    ) -> None:
        """Build the window; show it with `window.show()`, then `after_first_paint()`.

        Args:
            simulated: Start the simulated bench and use the demo store.
            settings_path: JSON file of the window's settings; None keeps them in memory.
            store_file: Where the records lie.
            url: Port to open at once; "" takes the last used one.
            profile: Its profile.
            replay: Recording to put on the simulated bench at once; "" none.
        """
        from benchapp.cli._profiles import user_profiles, user_thermometers
        from benchapp.cli.care import Care
        from benchapp.cli.thermometer import AirSource
        from benchapp.session.session import BenchSession
        from benchapp.ui.bench.start import StartPanel
        from benchapp.ui.context import AppContext
        from benchapp.ui.shell import MainWindow

        self.store_file = store_file
        self.simulator = SimulatedBench() if simulated else None
        self._profiles: Profiles | None = None
        self._load_profiles = user_profiles
        self.store: Store | None = None
        self._keeping: KeepingDialog | None = None
        self._last_check = (words.NOT_CHECKED, False)
        self._clock_steps: tuple[int, ...] = ()
        self._putting_back: tuple[Path, str] = (Path(), "")
        self._replaced: tuple[Path, str, Path | None] | None = None
        self.air = AirSource(user_thermometers)
        self.session = BenchSession(link_opener(self.profiles), make_reader, ambient=self.air.reading)
        self.context = AppContext(self.session, is_demo=simulated)
        hand: Callable[[AppContext], QWidget] | None = None
        if self.simulator is not None:
            control = self.simulator.control

            def hand(context: AppContext) -> QWidget:
                from benchapp.ui.simulation.panel import HandPanel

                return HandPanel(context, control)

        offers: dict[str, Any] = {}
        if not simulated:
            offers = {
                "list_ports": self._ports,
                "list_profiles": self._profile_names,
                "find_profile": self._find_profile,
            }
        self.window: MainWindow = MainWindow(
            self.context,
            page_specs(),
            settings_path=settings_path,
            start_panel=partial(StartPanel, **offers),
            hand=hand,
            on_close=self.close,
            captures=store_file.parent / "captures",
        )
        self._url, self._profile, self._replay = url, profile, replay
        self.context.demonstration_wanted.connect(self._open_demonstration)
        self.care = Care(store_file, demo=simulated, parent=self.window)
        self._connect_care()

    def profiles(self) -> Profiles:
        """Built-in profiles and the user's own, read once."""
        if self._profiles is None:
            self._profiles = self._load_profiles()
            if self._profiles.problems:
                self.context.message.emit("problem", "  ".join(str(problem) for problem in self._profiles.problems))
        return self._profiles

    def _profile_names(self) -> Sequence[tuple[str, str]]:
        return [(name, name) for name in self.profiles().names if name != "trace rows"]

    def _ports(self) -> Sequence[tuple[str, str]]:
        from drivers.ports import list_ports

        # the thermometer's is not offered to the transducer, which takes the only port there is by itself
        found = (port for port in list_ports() if port.url != self.air.url)
        return [(port.url, f"{port.url}  {port.description}".strip()) for port in found]

    def _find_profile(self, url: str) -> str:
        """Listen to a port; the name of the profile that fits. Any thread; ValueError or OSError with a sentence."""
        from drivers.ports import find_profile, why_none_fits

        profiles = self.profiles()
        heard: list[bytes] = []
        scores = find_profile(url, profiles, heard=heard)
        if not scores:
            raise ValueError(f"{url}: no profile fits. {why_none_fits(heard)}")
        for score in scores:
            if score.profile.serial == profiles.get(score.profile.name).serial:
                return score.profile.name
        best, own = scores[0].profile, profiles.get(scores[0].profile.name)
        raise ValueError(
            f"{url}: what comes fits {best.name!r}, but at {best.serial.baud} baud, and that profile says "
            f"{own.serial.baud}. Set the transducer to {own.serial.baud}, or write a profile of your own."
        )

    def after_first_paint(self) -> None:
        """Have the store opened (SQLAlchemy is slow to import), open the link, take up a run that was broken off."""
        from PySide6.QtCore import QTimer

        self.care.open()
        QTimer.singleShot(OPENING_MS, self.window, self._still_opening)
        url, profile = self._url, self._profile
        if self.simulator is not None:
            url, profile = self.simulator.data_url, SIMULATED_PROFILE
        elif not url:
            url = str(self.window.settings.get("link_url") or "")
            profile = str(self.window.settings.get("link_profile") or "")
        if url:
            self.session.open_link(url, profile)
        if self._replay:
            self.session.open_link(f"replay:{self._replay}", "")
        if self.window.settings.get("thermometer_url"):
            self._read_thermometer(*self._thermometer_kept())

    def _open_demonstration(self, url: str) -> None:
        """A run of a recording belongs to the demonstration records: a Kilter of its own, which outlives this one."""
        from PySide6.QtCore import QProcess

        file = url.removeprefix("replay:").partition("?")[0]
        started, _ = QProcess.startDetached(sys.executable, ["-m", "benchapp", "--simulated", "--replay", file])
        self.context.message.emit(*(("note", words.DEMONSTRATION) if started else ("problem", words.NO_DEMONSTRATION)))

    # --- the thermometer

    def _thermometer_kept(self) -> tuple[str, str, str]:
        url, profile, number = (
            str(self.window.settings.get(f"thermometer_{key}") or "") for key in ("url", "profile", "number")
        )
        return url, profile, number

    def _read_thermometer(self, url: str, profile: str, number: str) -> None:
        self.air.open(url, profile, number)
        if self.air.problem:
            self.context.message.emit("problem", self.air.problem)

    def show_thermometer(self) -> None:
        """Show the dialog for the thermometer's port and profile, with what it says now."""
        from benchapp.ui.thermometer import ThermometerDialog
        from drivers.ports import list_ports

        for problem in self.air.profiles().problems:
            self.context.message.emit("problem", str(problem))
        ports = [(port.url, f"{port.url}  {port.description}".strip()) for port in list_ports()]
        taken = self.session.view().link.url
        dialog = ThermometerDialog(
            ports, self.air.profile_names(), self._thermometer_kept(), self.air.said, taken, self.window
        )
        dialog.chosen.connect(self._thermometer_chosen)
        dialog.finished.connect(dialog.deleteLater)
        dialog.open()

    def _thermometer_chosen(self, url: str, profile: str, number: str) -> None:
        for key, value in (("url", url), ("profile", profile), ("number", number)):
            self.window.settings.put(f"thermometer_{key}", value)
        self._read_thermometer(url, profile, number)

    # --- the records, as `care` tells of them

    def _connect_care(self) -> None:
        care = self.care
        care.opened.connect(self._opened)
        care.refused.connect(self._refused)
        care.in_doubt.connect(self._in_doubt)
        care.making_demo.connect(self._making_demo)
        care.tested.connect(self._tested)
        care.copied.connect(self._copied)
        care.checked.connect(self._checked)
        care.prepared.connect(self._prepared)
        care.exported.connect(self._exported)
        care.imported.connect(self._imported)
        self.window.more_actions += [
            (words.KEEPING_MENU, self.show_keeping),
            (words.PROCEDURES_MENU, lambda: self.context.page_wanted.emit("procedures", "")),
            (words.PEOPLE_MENU, lambda: self.context.page_wanted.emit("people", "")),
            (thermometerwords.MENU, self.show_thermometer),
        ]

    def _opened(self, _store: object) -> None:
        store = self.care.take()
        if store is None:
            return
        self.store = store
        if self.window.foot.message.text() in (words.MAKING_DEMO, words.OPENING):
            self.context.message.emit("note", "")
        if self._replaced:
            self._note_put_back(store)
        self._look_at_clock(store)
        self.session.give_store(store)
        self.context.give_store(store)
        self.session.take_up()
        self.care.look_after()

    def _look_at_clock(self, store: Store) -> None:
        newest = store.sealed_after_now()
        if newest is not None:
            head, detail, answers = words.clock_behind(store.now(), newest)
            log.warning("%s: %s", head, detail)
            self.context.message.emit("problem", f"{head}. {detail}")
            self.window.ask(head, detail, answers, self._seen)

    def _still_opening(self) -> None:
        """After an unexpected end the whole file is looked through first, which takes a while for a large one."""
        if self.store is None and not self.window.foot.message.text() and self.window.question.isHidden():
            self.context.message.emit("note", words.OPENING)

    def _refused(self, why: str) -> None:
        self.context.message.emit("problem", words.NOT_OPEN)

        def then(answer: str) -> None:
            if answer == "again":
                self.context.message.emit("note", "")
                self.care.open()

        self.window.ask(words.REFUSED, why, words.TRY_AGAIN, then)

    def _in_doubt(self, doubt: Doubt) -> None:
        head, detail, answers = words.doubt(doubt.problem, doubt.is_gone, doubt.made, doubt.n_entries)
        if not doubt.made:
            self.context.message.emit("problem", f"{head} {detail}")

        def then(answer: str) -> None:
            if answer == "restore" and doubt.offer is not None:
                self._restore(doubt.offer, self.context.operator)
            elif answer == "anew":
                self.care.open(begin_anew=True)
            else:
                self.context.message.emit("problem", f"{head}. {words.NOT_OPEN}")

        self.window.ask(head, detail, answers, then)

    def _making_demo(self) -> None:
        """A new demo store is filled with the invented workshop and its history: seconds, or a minute, once."""
        from PySide6.QtCore import QTimer

        if self.store is None and self.window.isVisible() and self.window.question.isHidden():
            self.context.message.emit("note", words.MAKING_DEMO)
            QTimer.singleShot(AGAIN_MS, self.window, self._making_demo)  # a note goes after a while, this one must not

    def _tested(self, told: dict[str, Any], _result: dict[str, Any]) -> None:
        self.session.give_selftest(told)
        if told.get("passed"):
            log.info("self-test: %d examples came out right", told["n_examples"])
            return
        log.error("self-test: %s", told["wrong"])
        head, detail, answers = words.selftest_failed(told["wrong"])
        self.context.message.emit("problem", f"{head}. Do not verify with it.")
        self.window.ask(head, detail, answers, self._seen)

    def _seen(self, _answer: str) -> None:
        """Nothing is to be done but to have seen it."""

    def _copied(self, copy: Path | None, problem: str, asked_for: bool) -> None:
        text = words.copy_failed(problem) if problem else words.copied(copy) if asked_for and copy is not None else ""
        if self._keeping is not None:
            self._show_copies(self._keeping)
            if text:
                self._keeping.show_copied(text, problem=bool(problem))
        elif text:
            self.context.message.emit("problem" if problem else "note", text)

    def _checked(self, checked: Checked) -> None:
        text, is_problem = words.NOT_CHECKED, True
        if checked.problem and not checked.is_damaged:
            text = words.check_failed(checked.problem)
            if not checked.asked_for:
                self.context.message.emit("problem", text)
        elif checked.holds:
            text = words.records_hold(
                checked.n_entries,
                checked.n_traces,
                against=bool(checked.against),
                n_explained=checked.n_explained,
            )
            is_problem = False
            if not self.window.foot.message.text():  # never over something that matters, and short enough for the foot
                self.context.message.emit("note", words.records_hold(checked.n_entries, checked.n_traces))
        else:
            head, text = words.records_do_not_hold(
                checked.what, checked.subject, checked.detail or checked.problem, checked.n_findings
            )
            log.error("check of the records: %s", checked)
            self.context.message.emit("problem", f"{head}: {words.finding(checked.what, checked.subject)}")
            if not checked.asked_for:
                self.window.ask(head, text, words.SEEN, self._seen)
        self._last_check, self._clock_steps = (text, is_problem), checked.clock_steps
        if self._keeping is not None:
            self._keeping.show_checked(text, problem=is_problem, clock=bool(checked.clock_steps))

    def show_keeping(self) -> None:
        """Show the records as a whole: do they hold, the newest seal, the copies."""
        from benchapp.records import StoreError
        from benchapp.ui.keeping import KeepingDialog

        try:
            head = self.store.head() if self.store is not None else ""
        except StoreError as error:
            self.context.message.emit("problem", str(error))
            return
        dialog = KeepingDialog(self.store_file, head, self.window)
        self._keeping = dialog
        text, is_problem = self._last_check
        dialog.show_checked(text, problem=is_problem, clock=bool(self._clock_steps))
        dialog.explain_wanted.connect(lambda: self.context.as_custodian(words.EXPLAIN_FOR, self._ask_about_clock))
        dialog.check.setEnabled(self.store is not None)
        dialog.copy.setEnabled(self.store is not None)
        dialog.check_wanted.connect(self.care.check_now)
        dialog.copy_wanted.connect(self.care.copy_now)
        dialog.restore_wanted.connect(self._restore_chosen)
        dialog.export_wanted.connect(self.care.export)
        dialog.import_wanted.connect(self.care.take_in)
        dialog.show_moved(words.TAKE_OUT_WHY, busy=self.store is None)
        dialog.finished.connect(self._keeping_closed)
        self._show_copies(dialog)
        dialog.open()

    def _ask_about_clock(self, who: str) -> None:
        from benchapp.ui.logbook.actions import SayDialog

        asked = SayDialog(words.EXPLAIN_TITLE, words.EXPLAIN_ASKED, words.EXPLAIN_KEEP, self.window)
        if asked.exec():
            self.explain_clock(asked.answer()[1], who)

    def explain_clock(self, why: str, who: str) -> None:
        """Put on record why the clock went back, for each time that nobody did yet, and check anew."""
        from benchapp.records import StoreError

        if self.store is None:
            return
        try:
            for sequence in self._clock_steps:
                self.store.explain_clock(sequence, why, who=who)
        except StoreError as error:
            self.context.message.emit("problem", str(error))
            return
        self._clock_steps = ()
        self.context.message.emit("note", "")
        if self._keeping is not None:
            self._keeping.show_head(self.store.head())
        self.care.check_now()

    def _exported(self, path: Path, problem: str) -> None:
        self._moved(problem or words.exported(path), is_problem=bool(problem))

    def _imported(self, problem: str) -> None:
        self._moved(problem or words.IMPORTED, is_problem=bool(problem))
        if self.store is not None and not problem:
            for what in ("people", "tools", "references", "runs"):
                self.context.store_changed.emit(what)

    def _moved(self, text: str, *, is_problem: bool) -> None:
        if self._keeping is not None:
            self._keeping.show_head(self.store.head() if self.store is not None else "")
            self._keeping.show_moved(text, problem=is_problem)
        else:
            self.context.message.emit("problem" if is_problem else "note", text)

    def _keeping_closed(self, _result: int) -> None:
        self._keeping = None

    def _show_copies(self, dialog: KeepingDialog) -> None:
        from benchapp.records import backup

        dialog.show_copies(backup.copies(self.store_file))

    def _restore_chosen(self, copy: Path) -> None:
        """The custodian may put a copy in place; without records there is no lock to ask."""
        if self.store is None:
            self._restore(copy, self.context.operator)
        else:
            self.context.as_custodian(words.COPY_BACK_FOR, lambda who: self._restore(copy, who))

    def _restore(self, copy: Path, who: str) -> None:
        """Have the copy tried and laid ready; `_prepared` goes on."""
        if self.session.view().run is not None:
            self.context.message.emit("problem", words.RUN_ON_THE_BENCH)
            return
        self._putting_back = (copy, who)
        self.context.message.emit("note", words.TRYING_COPY)
        self.care.prepare(copy)

    def _prepared(self, fresh: Path | None, problem: str) -> None:
        from benchapp.records import StoreError, backup

        if fresh is None:
            self.context.message.emit("problem", problem)
            return
        if self.session.view().run is not None:
            self.context.message.emit("problem", words.RUN_ON_THE_BENCH)
            return
        if self.store is not None:
            self.store.close()
            self.store = None
        try:
            kept = backup.put_in_place(fresh, self.store_file, now=dt.datetime.now())
        except StoreError as error:
            self.context.message.emit("problem", str(error))
        else:
            self._replaced = (*self._putting_back, kept)
            self.context.message.emit("note", words.put_back(self._putting_back[0], kept))
        self.care.open()

    def _note_put_back(self, store: Store) -> None:
        """That a copy was put in place is an entry of the chain: what was sealed after it lies in the file kept."""
        from benchapp.records import StoreError

        assert self._replaced is not None
        (copy, who, kept), self._replaced = self._replaced, None
        try:
            details = {"copy": copy.name, "kept": kept.name if kept is not None else ""}
            store.note_act("records put back from a copy", who=who, details=details)
        except StoreError as error:
            self.context.message.emit("problem", str(error))

    def close(self) -> None:
        """Stop threads, close link, store and simulator; may be called again."""
        self.care.close()
        self.session.close()
        self.air.close()
        if self.store is not None:
            self.store.close()
            self.store = None
        if self.simulator is not None:
            self.simulator.close()


def run(args: argparse.Namespace) -> int:
    """Open the window; returns Qt's exit status."""
    import platformdirs
    from PySide6.QtCore import QLoggingCategory, QTimer
    from PySide6.QtWidgets import QApplication

    from benchapp.records.place import store_path

    if args.replay:
        if not args.simulated:
            raise CommandError("--replay needs --simulated: runs of a recording belong to the demonstration records")
        if not os.access(args.replay, os.R_OK) or not Path(args.replay).is_file():
            raise CommandError(f"{args.replay}: no file that can be read; give a trace file or a raw capture")
    application = QApplication.instance() or QApplication(sys.argv[:1])
    application.setApplicationName("Kilter")
    # a dozen lines in the terminal about libraries for films; whether there is sound, the foot of the window says
    QLoggingCategory.setFilterRules("qt.multimedia.*=false")
    config = platformdirs.user_config_path("kilter", appauthor=False)
    store_file = store_path(demo=args.simulated)
    try:
        store_file.parent.mkdir(parents=True, exist_ok=True)
        config.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(
            f"{error.filename}: {error.strerror}; Kilter keeps records and settings there, make it writable"
        ) from error
    kilter = Application(
        simulated=args.simulated,
        settings_path=config / ("settings-simulated.json" if args.simulated else "settings.json"),
        store_file=store_file,
        replay=str(Path(args.replay).resolve()) if args.replay else "",
    )

    def end() -> None:
        kilter.window.close_unasked()  # Qt asks its windows before it quits, and one with a run would ask a person
        application.quit()

    for name in (signal.SIGINT, signal.SIGTERM):  # Ctrl-C in its terminal, the end of the session: nothing is asked
        # in its turn: before the event loop runs, quitting does nothing
        signal.signal(name, lambda _number, _frame: QTimer.singleShot(0, end))
    kilter.window.show()
    _after_paint(kilter.window, kilter.after_first_paint, QTimer)
    try:
        return int(application.exec())
    finally:
        kilter.close()


def _after_paint(window: Any, then: Callable[[], None], timer: Any) -> None:
    """Run `then` once the window has been painted: two turns of the event loop later."""
    timer.singleShot(0, lambda: timer.singleShot(30, then))
