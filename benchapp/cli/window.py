"""`kilter` without a command: build the objects and open the window.

Qt, the shell and the Bench come first; pages, drivers' port list and the store are loaded after the first paint.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import logging
import subprocess
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchapp.cli.errors import CommandError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from PySide6.QtWidgets import QWidget

    from benchapp.records import Store
    from benchapp.session.link import LinkOpener, LinkPort
    from benchapp.session.reader import ReaderPort
    from benchapp.ui.context import AppContext
    from benchapp.ui.shell import MainWindow, PageSpec
    from drivers.profile import Profiles
    from drivers.samples import SampleBlock
    from drivers.status import LinkStatus

log = logging.getLogger(__name__)

SIMULATED_PROFILE = "signed value, unit"
SIMULATED_CAPACITY_NM = 250.0


class SimulatedBench:
    """The simulator as a process of its own, ended with the window.

    Attributes:
        data_url: Where its samples come from, marked as simulated.
        control: Address of its control channel.
    """

    def __init__(self, start_timeout_s: float = 10.0) -> None:
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "benchapp", "simulate", "--tcp", "0", "--until-stdin-ends"),
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
        return Link(url, known.get(profile) if profile else None, on_block, on_status, profiles=known)

    return open_link


def make_reader(capacity_nm: float | None) -> ReaderPort:
    """Return a pull reader for a reference of that capacity."""
    from benchapp.pulls.pull import Mode
    from benchapp.pulls.reader import PullReader

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
    ) -> None:
        """Build the window; show it with `window.show()`, then `after_first_paint()`.

        Args:
            simulated: Start the simulated bench and use the demo store.
            settings_path: JSON file of the window's settings; None keeps them in memory.
            store_file: Where the records lie.
            url: Port to open at once; "" takes the last used one.
            profile: Its profile.
        """
        from benchapp.cli._profiles import user_profiles
        from benchapp.session.session import BenchSession
        from benchapp.ui.bench.start import StartPanel
        from benchapp.ui.context import AppContext
        from benchapp.ui.shell import MainWindow

        self.store_file = store_file
        self.simulator = SimulatedBench() if simulated else None
        self._profiles: Profiles | None = None
        self._load_profiles = user_profiles
        self.store: Store | None = None
        self.session = BenchSession(link_opener(self.profiles), make_reader)
        self.context = AppContext(self.session, is_demo=simulated)
        hand: Callable[[AppContext], QWidget] | None = None
        if self.simulator is not None:
            control = self.simulator.control

            def hand(context: AppContext) -> QWidget:
                from benchapp.ui.simulation.panel import HandPanel

                return HandPanel(context, control)

        ports = None if simulated else self._ports
        names = None if simulated else self._profile_names
        self.window: MainWindow = MainWindow(
            self.context,
            page_specs(),
            settings_path=settings_path,
            start_panel=partial(StartPanel, list_ports=ports, list_profiles=names),
            hand=hand,
            on_close=self.close,
        )
        self._url, self._profile = url, profile

    def profiles(self) -> Profiles:
        """Built-in profiles and the user's own, read once."""
        if self._profiles is None:
            self._profiles = self._load_profiles()
            for problem in self._profiles.problems:
                self.context.message.emit("problem", str(problem))
        return self._profiles

    def _profile_names(self) -> Sequence[tuple[str, str]]:
        return [(name, name) for name in self.profiles().names if name != "trace rows"]

    def _ports(self) -> Sequence[tuple[str, str]]:
        from drivers.ports import list_ports

        return [(port.url, f"{port.url}  {port.description}".strip()) for port in list_ports()]

    def after_first_paint(self) -> None:
        """Open the store (SQLAlchemy is slow to import) and the link, and take up a run that was broken off."""
        from benchapp.records import Store, StoreError

        try:
            if self.context.is_demo and not self.store_file.exists():
                self._make_demo()
            self.store = Store.open(self.store_file, demo=self.context.is_demo)
        except StoreError as error:
            log.exception("the store could not be opened")
            self.context.message.emit("problem", str(error))
        else:
            self.session.give_store(self.store)
            self.context.give_store(self.store)
            self.session.take_up()
        url, profile = self._url, self._profile
        if self.simulator is not None:
            url, profile = self.simulator.data_url, SIMULATED_PROFILE
        elif not url:
            url = str(self.window.settings.get("link_url") or "")
            profile = str(self.window.settings.get("link_profile") or "")
        if url:
            self.session.open_link(url, profile)

    def _make_demo(self) -> None:
        """Fill a new demo store with the invented workshop and its history (about two seconds, once)."""
        import datetime as dt

        from benchapp.records import demo

        self.context.message.emit("note", "Making the demonstration workshop, once.")
        demo.make(self.store_file, today=dt.date.today())
        self.context.message.emit("note", "")

    def close(self) -> None:
        """Stop threads, close link, store and simulator; may be called again."""
        self.session.close()
        if self.store is not None:
            self.store.close()
            self.store = None
        if self.simulator is not None:
            self.simulator.close()


def run(args: argparse.Namespace) -> int:
    """Open the window; returns Qt's exit status."""
    import platformdirs
    from PySide6.QtCore import QTimer
    from PySide6.QtWidgets import QApplication

    from benchapp.records.place import store_path

    application = QApplication.instance() or QApplication(sys.argv[:1])
    application.setApplicationName("Kilter")
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
    )
    kilter.window.show()
    _after_paint(kilter.window, kilter.after_first_paint, QTimer)
    try:
        return int(application.exec())
    finally:
        kilter.close()


def _after_paint(window: Any, then: Callable[[], None], timer: Any) -> None:
    """Run `then` once the window has been painted: two turns of the event loop later."""
    timer.singleShot(0, lambda: timer.singleShot(30, then))
