"""What can be done with a sealed run: save its record, release it, add a remark, make it void."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from PySide6.QtCore import QEvent, QObject
from PySide6.QtGui import QKeyEvent, QKeySequence
from PySide6.QtWidgets import QDialog, QHBoxLayout, QMenu, QVBoxLayout, QWidget

from benchapp.records.errors import StoreError
from benchapp.records.model import EntryKind, Person, RunSummary
from benchapp.records.store import Store
from benchapp.runs.model import Run
from benchapp.ui import theme
from benchapp.ui.choices import PickField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import in_row, label, main_button, plain_button
from benchapp.ui.fields import FieldError, TextField
from benchapp.ui.files import ask_folder, ask_save
from benchapp.ui.keys import CodeScanned, KeySorter
from benchapp.ui.logbook.model import procedure_text
from benchapp.ui.page import page_style
from benchapp.ui.paper.sheet import PaperError, unwritable, usual_paper, write_file


def _life(store: Store, number: str, paper: str) -> bytes:
    from benchapp.ui.paper.overviews import tool_life_pdf

    return tool_life_pdf(store, number, paper)


def _period(store: Store, first: dt.date, last: dt.date, paper: str) -> bytes:
    from benchapp.ui.paper.overviews import period_pdf

    return period_pdf(store, first, last, paper)


def periods(today: dt.date) -> list[tuple[str, dt.date, dt.date]]:
    """Return (words, first, last day) of the periods that are offered."""
    month = today.replace(day=1)
    before = month - dt.timedelta(days=1)
    year = dt.date(today.year - 1, 1, 1)
    return [
        ("Runs of this month …", month, today),
        ("Runs of last month …", before.replace(day=1), before),
        ("Runs of this year …", dt.date(today.year, 1, 1), today),
        ("Runs of last year …", year, dt.date(today.year - 1, 12, 31)),
    ]


READING_COLUMNS: Final = (
    "run_id",
    "tool",
    "started",
    "operator",
    "source",
    "reference",
    "certificate",
    "procedure",
    "void",
    "pull",
    "kind",
    "target_nm",
    "direction",
    "indication_nm",
    "reading_nm",
    "deviation_percent",
    "limit_percent",
    "band",
    "set_aside",
    "set_aside_by",
    "flags",
    "seconds_80_to_100",
)


def reading_rows(run: Run, voided: str = "") -> list[list[object]]:
    """Return every pull of a run as a row of `READING_COLUMNS`, torque in N·m to the last digit.

    Each says whose it is: a table goes from hand to hand without the record. `voided` says why the run does not count.
    """
    plan, calibration = run.plan, run.plan.reference.calibration
    whose = [
        run.run_id,
        plan.tool.number,
        run.started,
        plan.operator,
        plan.source.value,
        plan.reference.number,
        "" if calibration is None else calibration.certificate,
        procedure_text(run),
        voided,
    ]
    rows: list[list[object]] = []
    for captured in run.pulls:
        index = captured.checkpoint_index
        checkpoint = None if index is None else run.plan.checkpoints[index]
        rows.append(
            [
                *whose,
                captured.number,
                captured.kind.value,
                None if checkpoint is None else checkpoint.target_nm,
                captured.pull.direction.value,
                captured.indication_nm,
                captured.pull.reading,
                captured.deviation_percent,
                None if checkpoint is None else checkpoint.limit_percent,
                captured.band.value if captured.band is not None else "",
                captured.set_aside or "",
                captured.set_aside_names,
                ";".join(flag.value for flag in captured.pull.flags),
                captured.pull.time_80_to_100_s,
            ]
        )
    return rows


class SayDialog(QDialog):
    """Asks for one sentence, and who says it when `people` are given: picked or, by the badge, scanned; never preset.

    Args:
        title: What is done.
        what: Is asked for.
        action: Words of the button.
        parent: The window.
        people: (name, code of the badge) of those who may say it; empty: nobody is asked who.
        required: Something has to be said.
    """

    def __init__(
        self,
        title: str,
        what: str,
        action: str,
        parent: QWidget,
        *,
        people: Sequence[tuple[str, str]] = (),
        required: bool = True,
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setStyleSheet(page_style(theme.palette(), 15))
        self._codes = {code: name for name, code in people if code}
        rows = [("", "pick a name, or scan a badge"), *((name, name) for name, _ in people)]
        self.people = PickField("Who", rows) if people else None
        self.said = TextField(what, required=required, width=420)
        box = QVBoxLayout(self)
        box.setContentsMargins(20, 16, 20, 18)
        box.addWidget(label(title, "title", wrap=True))
        for field in (self.people, self.said):
            if field is not None:
                box.addWidget(field.caption)
                box.addWidget(field)
        self.problem = label("", "problem", wrap=True)
        box.addWidget(self.problem)
        turn_away, self.do = plain_button("Not now"), main_button(action)
        self.do.setDefault(True)
        box.addLayout(in_row(right=(turn_away, self.do)))
        turn_away.clicked.connect(self.reject)
        self.do.clicked.connect(self._done)
        self._scans = KeySorter()
        if self.people is not None:
            self.people.box.installEventFilter(self)
        (self.people or self.said).setFocus()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """A scanned badge says who; its Enter answers nothing."""
        if event.type() != QEvent.Type.KeyPress or not isinstance(event, QKeyEvent):
            return False
        name = QKeySequence(event.key()).toString(QKeySequence.SequenceFormat.PortableText)
        for each in self._scans.press(name, event.text(), time.monotonic()):
            if isinstance(each, CodeScanned):
                self.take_code(each.text)
                return True
        return False

    def take_code(self, code: str) -> None:
        """Take who wears the badge `code`."""
        who = self._codes.get(code)
        if self.people is not None and who is not None:
            self.people.put(who)
            self.problem.setText("")
            self.said.setFocus()
        else:
            self.problem.setText(f"Nobody who may do this wears the badge {code}.")

    def _done(self) -> None:
        try:
            self.said.value()
        except FieldError as problem:
            self.problem.setText(str(problem))
            return
        if self.people is not None and not self.people.value():
            self.problem.setText("Who? Pick a name, or scan a badge.")
            return
        self.accept()

    def answer(self) -> tuple[str, str]:
        """Return (who, sentence)."""
        return (self.people.value() if self.people is not None else ""), str(self.said.value()).strip()


class RunActions(QWidget):
    """Two buttons: the record as a document, and what may be added to a sealed run."""

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self.run: Run | None = None
        self.summary: RunSummary | None = None
        self.save = plain_button("Save record …")
        self.save.setToolTip("The verification record as PDF, with the sealed bytes attached")
        self.add = plain_button("Add to the record")
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.add)
        row.addWidget(self.save)
        papers, menu = QMenu(self), QMenu(self)
        for name in ("Letter", "A4") if usual_paper() == "Letter" else ("A4", "Letter"):
            papers.addAction(f"On {name} …").triggered.connect(self._saver(name))
        papers.addSeparator()
        papers.addAction("The tool's whole life …").triggered.connect(lambda: self.ask_life())
        papers.addSeparator()
        papers.addAction("Its readings as a workbook (XLSX) …").triggered.connect(lambda: self.ask_readings("xlsx"))
        papers.addAction("Its readings as text (CSV) …").triggered.connect(lambda: self.ask_readings("csv"))
        papers.addAction("The sealed bytes (JSON) …").triggered.connect(lambda: self.ask_sealed())
        papers.addAction("Its curves (trace files) …").triggered.connect(lambda: self.ask_curves())
        self.save.setMenu(papers)
        self.release_action = menu.addAction("Release after review …")
        menu.addAction("Add a remark …").triggered.connect(lambda: self.ask_remark())
        menu.addSeparator()
        self.void_action = menu.addAction("Make void …")
        self.release_action.triggered.connect(lambda: self.ask_release())
        self.void_action.triggered.connect(lambda: self.ask_void())
        self.add.setMenu(menu)

    def _saver(self, name: str) -> Callable[[], None]:
        return lambda: self.ask_save(name)

    def period_menu(self, today: dt.date) -> QMenu:
        """Return the menu of reports over a period, for the list of runs."""
        menu = QMenu(self)
        for words, first, last in periods(today):
            menu.addAction(words).triggered.connect(self._period_asker(first, last))
        return menu

    def _period_asker(self, first: dt.date, last: dt.date) -> Callable[[], None]:
        def ask() -> None:
            name = f"runs-{first.isoformat()}-{last.isoformat()}"
            self._ask_report(name, lambda store, paper: _period(store, first, last, paper))

        return ask

    def show_run(self, run: Run, summary: RunSummary) -> None:
        """Offer what may be done with this run; nothing before it is sealed."""
        self.run, self.summary = run, summary
        self.setVisible(bool(summary.seal))
        self.release_action.setEnabled(not summary.voided and not summary.released_by)
        self.void_action.setEnabled(not summary.voided)

    def _say(self, sentence: str, *, problem: bool = False) -> None:
        self.context.message.emit("problem" if problem else "note", sentence)

    def ask_save(self, paper: str) -> None:
        """Ask where to, and save the record."""
        if self.run is None:
            return
        name = f"{self.run.plan.tool.number}-{self.run.started[:10]}.pdf".replace("/", "-")
        path = ask_save(self, "Save the verification record", name, "PDF (*.pdf)")
        if path is not None:
            self.save_record(path, paper)

    def save_record(self, path: Path, paper: str) -> bool:
        """Write the record to `path` on "A4" or "Letter"; False after a problem was told."""
        from benchapp.ui.paper.record import record_pdf  # not before it is asked for

        store = self.context.store
        if self.run is None or store is None:
            return False
        try:
            write_file(path, record_pdf(store, self.run.run_id, paper))
        except (PaperError, StoreError) as error:
            self._say(str(error), problem=True)
            return False
        self._say(f"The verification record is in {path}.")
        return True

    def ask_life(self) -> None:
        """Ask where to, and save the report of the tool's whole life."""
        if self.run is not None:
            number = self.run.plan.tool.number
            self._ask_report(f"{number}-life".replace("/", "-"), lambda store, paper: _life(store, number, paper))

    def _ask_report(self, name: str, make: Callable[[Store, str], bytes]) -> None:
        path = ask_save(self, "Save the report", f"{name}.pdf", "PDF (*.pdf)")
        if path is not None:
            self.save_report(path, make)

    def save_report(self, path: Path, make: Callable[[Store, str], bytes]) -> bool:
        """Write what `make` returns, on the paper of the country; False after a problem was told."""
        store = self.context.store
        if store is None:
            return False
        try:
            write_file(path, make(store, usual_paper()))
        except (PaperError, StoreError) as error:
            self._say(str(error), problem=True)
            return False
        self._say(f"The report is in {path}.")
        return True

    def ask_sealed(self) -> None:
        """Ask where to, and save the bytes that were sealed."""
        if self.run is not None:
            name = f"{self.run.plan.tool.number}-{self.run.started[:10]}.json".replace("/", "-")
            path = ask_save(self, "Save the sealed bytes", name, "JSON (*.json)")
            if path is not None:
                self.save_sealed(path)

    def save_sealed(self, path: Path) -> None:
        """Write the bytes whose SHA-256 is the seal."""
        store = self.context.store
        if store is None or self.run is None:
            return
        try:
            write_file(path, next(e.body for e in store.entries(self.run.run_id) if e.kind is EntryKind.RUN))
        except (PaperError, StoreError) as error:
            self._say(str(error), problem=True)
            return
        self._say(f"The sealed bytes are in {path}; their SHA-256 is the seal.")

    def ask_readings(self, ending: str) -> None:
        """Ask where to, and save every pull of the run as a table, "csv" or "xlsx"."""
        if self.run is None:
            return
        name = f"{self.run.plan.tool.number}-{self.run.started[:10]}.{ending}".replace("/", "-")
        kinds = {"csv": "Text tables (*.csv)", "xlsx": "Workbooks (*.xlsx)"}[ending]
        path = ask_save(self, "Save the readings", name, kinds)
        if path is not None:
            self.save_readings(path)

    def save_readings(self, path: Path) -> bool:
        """Write every pull, also what was set aside, as XLSX or by its ending CSV; False after a problem was told."""
        from benchapp.records import exchange

        if self.run is None:
            return False
        rows = reading_rows(self.run, self.summary.voided if self.summary is not None else "")
        try:
            if path.suffix.casefold() == ".csv":
                path.write_text(exchange.to_csv(READING_COLUMNS, rows), encoding="utf-8", newline="")
            else:
                exchange.to_xlsx(path, {"readings": (READING_COLUMNS, rows)})
        except OSError as error:
            self._say(unwritable(path, error), problem=True)
            return False
        self._say(f"{len(rows)} pulls are in {path}.")
        return True

    def ask_curves(self) -> None:
        """Ask for a folder, and write the run's traces there."""
        folder = ask_folder(self, "Where the curves go")
        if folder is not None:
            self.save_curves(folder)

    def save_curves(self, folder: Path) -> None:
        """Write every pull of the run as a trace file below `folder`."""
        from benchapp.records.exchange import traces_to

        store = self.context.store
        if store is None or self.run is None:
            return
        try:
            n = traces_to(store, folder, [self.run.run_id])
        except OSError as error:
            self._say(f"{folder}: {error.strerror}. Not all curves were written.", problem=True)
            return
        except StoreError as error:  # a stored curve is damaged
            self._say(f"{error} Not all curves were written.", problem=True)
            return
        self._say(f"{n} curves are in {folder}.")

    def _ask(
        self, title: str, what: str, action: str, *, people: Sequence[Person] = (), required: bool = True
    ) -> tuple[str, str] | None:
        known = [(person.name, person.code) for person in people]
        dialog = SayDialog(title, what, action, self.window(), people=known, required=required)
        return dialog.answer() if dialog.exec() == QDialog.DialogCode.Accepted else None

    def others(self) -> list[Person]:
        """Return who may release the run: everybody but the one who pulled it."""
        store = self.context.store
        if store is None or self.run is None:
            return []
        return [person for person in store.people() if person.name != self.run.plan.operator]

    def _as(self, who: str, what_for: str, do: Callable[[str], object]) -> None:
        """Run `do(name)`; in the custodian's name only who has the passphrase does anything."""
        store = self.context.store
        person = store.person(who) if store is not None else None
        if person is not None and person.is_custodian:
            self.context.as_custodian(what_for, do)
        else:
            do(who)

    def ask_release(self) -> None:
        """Ask who reviewed the run."""
        people = self.others()
        if not people:
            self._say("Somebody other than who pulled has to release it. Add them on the page People.", problem=True)
            return
        answer = self._ask("Release after review", "Remark (may stay empty)", "Release", people=people, required=False)
        if answer is not None and self.run is not None:
            who, remark = answer
            self._as(who, f"to release the run of {self.run.plan.tool.number}", lambda name: self.release(name, remark))

    def release(self, who: str, remark: str = "") -> None:
        """Release the run as `who`."""
        self._do(lambda store, run_id: store.release(run_id, who=who, remark=remark), f"Released by {who}.")

    def ask_remark(self) -> None:
        """Ask for a remark."""
        store = self.context.store
        if store is None:
            return
        people = store.people()
        if not people:
            self._say("A remark needs a name. Add people on the page People.", problem=True)
            return
        answer = self._ask("A remark on this run", "Remark", "Add", people=people)
        if answer is not None and self.run is not None:
            who, text = answer
            self._as(who, f"to add a remark on {self.run.plan.tool.number}", lambda name: self.remark(name, text))

    def remark(self, who: str, text: str) -> None:
        """Add a remark to the run."""
        self._do(lambda store, run_id: store.add_remark(run_id, text, who=who), "The remark is in the record.")

    def ask_void(self) -> None:
        """Have the custodian unlock, then ask for the reason."""
        if self.run is not None:
            self.context.as_custodian(f"to make the run of {self.run.plan.tool.number} void", self._void_as)

    def _void_as(self, who: str) -> None:
        answer = self._ask("Make this run void", "Reason", "Make void")
        if answer is not None:
            self.void(who, answer[1])

    def void(self, who: str, reason: str) -> None:
        """Make the run void as the custodian `who`."""
        self._do(
            lambda store, run_id: store.void(run_id, reason, who=who),
            "The run is void. It stays in the records and no longer counts.",
        )

    def _do(self, change: Callable[..., object], done: str) -> None:
        store = self.context.store
        if store is None or self.run is None:
            return
        try:
            change(store, self.run.run_id)
        except StoreError as problem:
            self._say(str(problem), problem=True)
            return
        self._say(done)
        self.context.store_changed.emit("runs")
