"""Looks after the records beside the window: opens them, tests the installation, copies and checks, puts a copy back.

One thread of its own works the jobs off, in order. What takes long runs in processes of their own at low priority
(`kilter selftest`, `kilter records backup`, `kilter records check`): a chain of gigabytes then takes no moment from the
thread that hears clicks, and the installation that is tested is the one that is there, begun anew. What comes of it
arrives as signals on the window's thread. `close` ends the process under way and waits for the thread.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import logging
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from PySide6.QtCore import QObject, QTimer, Signal

if TYPE_CHECKING:
    from benchapp.records import Store

log = logging.getLogger(__name__)

LOOK_AGAIN_MS: Final = 10 * 60 * 1000
"""How often it is asked whether a new day has begun that needs its copy."""
JOIN_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class Doubt:
    """The records are damaged or gone.

    Attributes:
        problem: What is wrong, one sentence.
        is_gone: There is no file.
        offer: Newest copy that holds together; None: there is none.
        made: When that copy was written, ISO 8601.
        n_entries: Entries of the chain in it.
    """

    problem: str
    is_gone: bool
    offer: Path | None
    made: str = ""
    n_entries: int = 0


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check of the chain came to.

    Attributes:
        holds: Nothing was found.
        n_entries: Entries walked.
        n_traces: Traces read.
        n_findings: How many things do not hold.
        clock_steps: Entries before which the clock went back and nobody said why.
        n_explained: How many such steps were explained.
        what: Kind of the first one (`benchapp.records.model.Finding.what`).
        subject: What it is about.
        detail: It in full.
        problem: The check itself could not be made: why; "" when it was.
        is_damaged: The file itself is damaged.
        against: The seal kept elsewhere that it was compared with; "" none.
        asked_for: A person asked for this check.
    """

    holds: bool = False
    n_entries: int = 0
    n_traces: int = 0
    n_findings: int = 0
    clock_steps: tuple[int, ...] = ()
    n_explained: int = 0
    what: str = ""
    subject: str = ""
    detail: str = ""
    problem: str = ""
    is_damaged: bool = False
    against: str = ""
    asked_for: bool = False


class Care(QObject):
    """Lives on the window's thread; every method is called there and returns at once.

    Args:
        path: The records.
        demo: The demo store, which is filled with the invented workshop when it is new.
    """

    opened = Signal(object)  # Store
    refused = Signal(str)  # why the records could not be opened
    in_doubt = Signal(object)  # Doubt: nothing is open, somebody has to decide
    making_demo = Signal()
    tested = Signal(object, object)  # (what goes into records, the whole result) as dicts
    copied = Signal(object, str, bool)  # (path or None, problem, asked for by a person)
    checked = Signal(object)  # Checked
    prepared = Signal(object, str)  # (file laid ready or None, problem)
    exported = Signal(object, str)  # (Path, problem or "")
    imported = Signal(str)  # problem or ""
    _told = Signal(str, object)  # from the thread to the window's: (which of the above, its arguments)

    def __init__(self, path: Path, *, demo: bool, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.path = path
        self.demo = demo
        self._jobs: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._closing = False
        self._child: subprocess.Popen[str] | None = None
        self._untaken: Store | None = None
        self._day = ""
        self._thread = threading.Thread(target=self._work, name="records care", daemon=True)
        self._told.connect(self._deliver)
        self._daily = QTimer(self)
        self._daily.setInterval(LOOK_AGAIN_MS)
        self._daily.timeout.connect(self.copy_daily)

    # --- asked for by the window

    def open(self, *, begin_anew: bool = False) -> None:
        """Open the records; `begin_anew`: also when they are gone and copies are there."""
        self._add(lambda: self._open(begin_anew))

    def take(self) -> Store | None:
        """The store that `opened` told of: from now on the caller closes it."""
        with self._lock:
            store, self._untaken = self._untaken, None
        return store

    def look_after(self) -> None:
        """Once the records are open: test the installation, make the day's copy, check the chain."""
        self._add(self._selftest)
        self.copy_daily()
        self._add(self._check)
        self._daily.start()

    def copy_daily(self) -> None:
        """Make the day's copy unless this window has seen to it already."""
        today = dt.date.today().isoformat()
        if today != self._day:
            self._day = today
            self._add(lambda: self._copy("--daily"))

    def copy_now(self) -> None:
        """Make a copy because somebody asks for one."""
        self._add(self._copy)

    def check_now(self, against: str = "") -> None:
        """Check the chain because somebody asks for it, and compare with a seal kept elsewhere."""
        self._add(lambda: self._check(against, asked_for=True))

    def export(self, form: str, path: Path) -> None:
        """Write the records to a file, or (csv, traces) into a folder."""
        self._add(lambda: self._export(form, path))

    def take_in(self, path: Path) -> None:
        """Import a JSON export into these records, which must be empty."""
        self._add(lambda: self._import(path))

    def prepare(self, copy: Path) -> None:
        """Try a copy and lay it ready beside the records."""
        self._add(lambda: self._prepare(copy))

    def close(self) -> None:
        """End what is under way and the thread; may be called again."""
        self._daily.stop()
        with self._lock:
            self._closing = True
            child = self._child
        if child is not None:
            with contextlib.suppress(OSError):
                child.kill()
        self._jobs.put(None)
        if self._thread.is_alive():
            self._thread.join(JOIN_S)
            if self._thread.is_alive():
                log.error("the care of the records did not end within %.0f s", JOIN_S)
        store = self.take()
        if store is not None:
            store.close()

    # --- the thread

    def _add(self, job: Callable[[], None]) -> None:
        with self._lock:
            if self._closing:
                return
            if self._thread.ident is None:
                self._thread.start()
        self._jobs.put(job)

    def _tell(self, name: str, *arguments: object) -> None:
        self._told.emit(name, arguments)

    def _deliver(self, name: str, arguments: tuple[object, ...]) -> None:
        """On the window's thread, this object's own: what the other thread told."""
        if not self._closing:
            getattr(self, name).emit(*arguments)

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            if self._closing:
                continue
            try:
                job()
            except Exception:  # one job that fails must not end the care of the records
                log.exception("looking after the records")

    def _open(self, begin_anew: bool) -> None:
        from benchapp.records import Store, StoreDamagedError, StoreError, backup

        try:
            if not self.path.exists() and not begin_anew and (offer := backup.newest_good(self.path)) is not None:
                self._tell("in_doubt", _doubt("the file is gone", offer, is_gone=True))
                return
            if self.demo and not self.path.exists() and not self._make_demo():
                return
            store = Store.open(self.path, demo=self.demo)
        except StoreDamagedError as error:
            log.exception("the store is damaged")
            self._tell("in_doubt", _doubt(error.reason, error.newest_backup, is_gone=False))
        except StoreError as error:
            log.exception("the store could not be opened")
            self._tell("refused", str(error))
        else:
            with self._lock:
                self._untaken = store
            self._tell("opened", store)

    def _make_demo(self) -> bool:
        """In a process of its own: beside a window that paints, a thread would take ten times as long."""
        self._tell("making_demo")
        told = self._ask("records", "--store", str(self.path), "demo")
        if told is not None and told[0]:
            self._tell("refused", _last_line(told[2]))
        return told is not None and told[0] == 0

    def _selftest(self) -> None:
        from benchapp.cli.selftest import for_record

        told = self._ask("selftest", "--json")
        if told is None:
            return
        status, out, err = told
        try:
            result: dict[str, Any] = json.loads(out)
        except ValueError:
            why = (err.strip().splitlines() or [f"it ended with status {status}"])[-1]
            result = {"passed": False, "examples": [], "seal_faults": [f"the self-test could not be run: {why}"]}
        self._tell("tested", for_record(result, dt.datetime.now().astimezone()), result)

    def _copy(self, *flags: str) -> None:
        told = self._ask("records", *self._which(), "backup", *flags, "--json")
        if told is None:
            return
        status, out, err = told
        copy = json.loads(out)["copy"] if status == 0 else None
        if status:
            self._day = ""  # tried again at the next look
        self._tell(
            "copied", Path(copy) if copy else None, "" if status == 0 else _last_line(err), "--daily" not in flags
        )

    def _check(self, against: str = "", *, asked_for: bool = False) -> None:
        compare = (f"--against={against}",) if against else ()
        told = self._ask("records", *self._which(), "check", "--json", *compare)
        if told is None:
            return
        status, out, err = told
        if status not in (0, 1):
            problem = _last_line(err)
            damaged = "are damaged" in problem
            self._tell("checked", Checked(problem=problem, is_damaged=damaged, against=against, asked_for=asked_for))
            return
        result = json.loads(out)
        first = result["findings"][0] if result["findings"] else {"what": "", "subject": "", "detail": ""}
        self._tell(
            "checked",
            Checked(
                holds=result["holds"],
                n_entries=result["entries"],
                n_traces=result["traces"],
                n_findings=len(result["findings"]),
                clock_steps=tuple(each["sequence"] for each in result["findings"] if each["what"] == "clock"),
                n_explained=len(result["explained"]),
                what=first["what"],
                subject=first["subject"],
                detail=first["detail"],
                is_damaged=first["detail"].startswith("the database file"),
                against=against,
                asked_for=asked_for,
            ),
        )

    def _export(self, form: str, path: Path) -> None:
        from benchapp.records.exchange import TABLES

        if form == "csv":
            orders: list[tuple[str, ...]] = [("--table", table, "-o", str(path / f"{table}.csv")) for table in TABLES]
        else:
            orders = [("-o", str(path))]
        for order in orders:
            told = self._ask("records", *self._which(), "export", "--format", form, *order)
            if told is None:
                return
            if told[0]:
                self._tell("exported", path, _last_line(told[2]))
                return
        self._tell("exported", path, "")

    def _import(self, path: Path) -> None:
        told = self._ask("records", *self._which(), "import", str(path))
        if told is not None:
            self._tell("imported", _last_line(told[2]) if told[0] else "")

    def _prepare(self, copy: Path) -> None:
        from benchapp.records import StoreError, backup

        try:
            self._tell("prepared", backup.prepare(copy, self.path, kind="demo" if self.demo else "live"), "")
        except StoreError as error:
            self._tell("prepared", None, str(error))

    def _which(self) -> Sequence[str]:
        return ("--store", str(self.path), *(("--demo",) if self.demo else ()))

    def _ask(self, *arguments: str) -> tuple[int, str, str] | None:
        """(status, stdout, stderr) of one of our own commands at low priority; None when the window closes."""
        command = [sys.executable, "-m", "benchapp", *arguments]
        # Windows: lower priority, and no console that flashes up
        flags = getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0) | getattr(subprocess, "CREATE_NO_WINDOW", 0)
        with self._lock:
            if self._closing:
                return None
            child = self._child = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                encoding="utf-8",
                creationflags=flags,
                env={**os.environ, "PYTHONIOENCODING": "utf-8", "OPENBLAS_NUM_THREADS": "1"},
            )
        if hasattr(os, "setpriority"):
            with contextlib.suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, child.pid, 10)
        out, err = child.communicate()
        with self._lock:
            self._child = None
            return None if self._closing else (child.returncode, out, err)


def _doubt(problem: str, offer: Path | None, *, is_gone: bool) -> Doubt:
    from benchapp.records import backup

    if offer is None:
        return Doubt(problem, is_gone, None)
    copy = backup.look_into(offer)
    return Doubt(problem, is_gone, offer, copy.made, copy.n_entries or 0)


def _last_line(text: str) -> str:
    line = (text.strip().splitlines() or ["it ended without a word"])[-1]
    return line.removeprefix("kilter: ")
