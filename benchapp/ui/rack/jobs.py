"""What each tool was used on: taken scan after scan, or imported from a list; cycles count into the tool."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtWidgets import QHBoxLayout, QLineEdit, QStackedWidget, QVBoxLayout, QWidget

from benchapp.records.errors import StoreError
from benchapp.records.joblist import JobScanError, Scanned, import_jobs, newest_jobs, remove_job, take_scan
from benchapp.records.labels import ScanError, number_of_scan
from benchapp.records.model import JobEntry, ToolState
from benchapp.torque.units import to_nm
from benchapp.ui import page as pages
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Panel, in_row, label, plain_button, quiet_button
from benchapp.ui.fields import NumberField, TextField, TorqueField
from benchapp.ui.files import ask_open
from benchapp.ui.form import Form
from benchapp.ui.format import grouped, plural, torque_text, wall_text
from benchapp.ui.listing import Column, Listing
from benchapp.ui.page import EmptyNote, Facts, beside
from benchapp.ui.rack.importing import JobImportView
from benchapp.ui.rack.model import STATE_WORDS, due_line

MOST_SHOWN: Final = 300
MOST_TOOLS: Final = 1_000_000
TYPING_MS: Final = 90
WANTED: Final = {
    "person": "Scan or type who works",
    "job": "Scan or type the job",
    "tool": "Scan the tools, one after another",
}

EMPTY: Final = (
    "Scan a badge, a job card, then each tool that is taken for it: when a tool is found out one day, this says what "
    "was built with it. A list that is kept elsewhere can be imported, as CSV or XLSX."
)


class JobsView(QWidget):
    """Scanning on the left, the log on the right."""

    heading_changed = Signal()

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self.scanned = Scanned()
        self._tools: dict[str, str] = {}
        self._people: dict[str, str] = {}
        self._last: JobEntry | None = None
        self.views = QStackedWidget()
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(self.views)
        self._build_main()
        self.importing = JobImportView()
        self.views.addWidget(self.main)
        self.views.addWidget(self.importing)
        self.importing.left.connect(self._show_main)
        self.importing.accepted.connect(self._import)
        self._typing = QTimer(self)
        self._typing.setSingleShot(True)
        self._typing.setInterval(TYPING_MS)
        self._typing.timeout.connect(self._read)
        self.setFocusProxy(self.scan)

    def _build_main(self) -> None:
        self.main, row = beside()
        row.addWidget(self._scanning_panel(), 10)
        row.addWidget(self._log_panel(), 20)

    def _scanning_panel(self) -> Panel:
        left = Panel(margin=20)
        left.setMaximumWidth(430)
        self.wanted = label("", "figure", wrap=True)
        self.scan = QLineEdit()
        self.scan.setAccessibleName("scan")
        self.scan.setPlaceholderText("badge, job card, tool")
        self.scan.setClearButtonEnabled(True)
        self.facts = Facts()
        self.problem = label("", "problem", wrap=True)
        self.done = label("", wrap=True)
        form = self.form = Form(narrow=True)
        self.torque = form.add(
            "torque", TorqueField("At which torque", unit=self.context.unit, required=False, hint="Empty: unknown.")
        )
        self.cycles = form.add(
            "cycles",
            NumberField(
                "Pulled how often", required=False, lowest=0, highest=1_000_000, whole=True, hint="Empty: unknown."
            ),
        )
        self.again = quiet_button("Begin again")
        self.again.setToolTip("With another person and another job")
        self.take_back = plain_button("Take the last back …")
        self.why = TextField("Why", width=260)
        self.why_row = QWidget()
        why_row = QHBoxLayout(self.why_row)
        why_row.setContentsMargins(0, 0, 0, 0)
        self.take_out = plain_button("Take it out")
        why_row.addWidget(self.why)
        why_row.addWidget(self.take_out)
        self.why.edit.setPlaceholderText("why, e.g. wrong tool scanned")
        body = left.body
        for widget in (self.wanted, self.scan, self.problem, self.done, self.facts):
            body.addWidget(widget)
        body.addSpacing(6)
        body.addWidget(form)
        body.addStretch(1)
        body.addWidget(self.why_row)
        body.addLayout(in_row(self.take_back, self.again))
        self.scan.returnPressed.connect(self.take)
        self.again.clicked.connect(self.begin_again)
        self.take_back.clicked.connect(self._ask_why)
        self.take_out.clicked.connect(self._take_out)
        self.why.edit.returnPressed.connect(self._take_out)
        self.why_row.hide()
        self.take_back.hide()
        return left

    def _log_panel(self) -> Panel:
        right = Panel(margin=0)
        head = QHBoxLayout()
        head.setContentsMargins(12, 12, 12, 6)
        head.setSpacing(12)
        self.search = QLineEdit()
        self.search.setPlaceholderText("Search: tool, job, person …")
        self.search.setClearButtonEnabled(True)
        self.search.setAccessibleName("search the log of jobs")
        self.from_list = plain_button("Import a list …")
        head.addWidget(self.search, 1)
        head.addWidget(self.from_list)
        right.body.setSpacing(0)
        right.body.addLayout(head)
        self.list = Listing(
            [
                Column("When", lambda job: wall_text(job.at), width=1.0),
                Column("Tool", lambda job: job.tool, strong=True, width=0.7),
                Column("Job", lambda job: job.job, second=lambda job: job.person, width=1.9),
                Column("Torque", self._torque, width=0.7, point=True, sort=lambda job: job.torque_nm or 0.0),
                Column(
                    "Cycles",
                    lambda job: grouped(job.cycles) if job.cycles else "",
                    width=0.55,
                    right=True,
                    sort=lambda job: job.cycles,
                ),
            ],
            name="uses of tools, newest first",
        )
        self.empty = EmptyNote(
            "No use logged yet",
            EMPTY,
            "Import a list …",
        )
        right.body.addWidget(self.list, 1)
        right.body.addWidget(self.empty, 1)
        self.search.textChanged.connect(lambda _text: self._typing.start())
        self.from_list.clicked.connect(self.ask_import)
        self.empty.wanted.connect(self.ask_import)
        self.list.opened.connect(lambda job: self.context.page_wanted.emit("rack", job.tool))
        return right

    def _torque(self, job: JobEntry) -> str:
        return "" if job.torque_nm is None else torque_text(job.torque_nm, self.context.unit)

    # ---------------------------------------------------------------------------------------------------------- reading

    def heading(self) -> tuple[str, str]:
        """Return what stands above the view."""
        n = len(self.list.rows)
        if self.views.currentWidget() is self.importing:
            return "Import a list of jobs", ""
        return "Jobs", "" if not n else f"the last {plural(n, 'use')}" if n >= MOST_SHOWN else plural(n, "use")

    def open(self, tool: str) -> None:
        """Show the uses of one tool."""
        self.search.setText(tool)
        self.refresh()

    def refresh(self) -> None:
        """Read the store again."""
        store = self.context.store
        if store is None:
            return
        try:
            records = store.tools(limit=MOST_TOOLS, include_retired=True)
            people = store.people()
        except StoreError as problem:
            self._say(str(problem))
            return
        self._tools = {record.code: record.number for record in records if record.code}
        self._tools |= {record.number: record.number for record in records}
        self._people = {person.code: person.name for person in people if person.code}
        self._people |= {person.name: person.name for person in people}
        if not self.scanned.person and self.context.operator:
            self.scanned = Scanned(self.scanned.job, self.context.operator, self.scanned.tool)
        self._read()
        self._show_scanned()

    def _read(self) -> None:
        store = self.context.store
        if store is None:
            return
        search = self.search.text()
        try:
            found = newest_jobs(store, MOST_SHOWN, search=search)
        except StoreError as problem:
            self._say(str(problem))
            return
        self.list.show_rows(found)
        self.empty.tell("No use logged yet", EMPTY if self._tools else f"Add the tools to the Rack first. {EMPTY}")
        nothing = not found and not search.strip()
        self.empty.setVisible(nothing)
        self.list.setVisible(not nothing)
        self.search.setVisible(not nothing)
        self.from_list.setVisible(not nothing)
        self.heading_changed.emit()

    def _show_scanned(self) -> None:
        known = self.scanned
        waiting = f"{known.tool}, waits for {known.wants}" if known.tool else ""
        self.wanted.setText(WANTED[known.wants])
        self.facts.show_facts([("person", known.person), ("job", known.job), ("tool", waiting)])
        self.again.setVisible(bool(known.person or known.job))

    # --------------------------------------------------------------------------------------------------------- scanning

    def take(self) -> None:
        """Take what stands in the field as a scan."""
        text = self.scan.text().strip()
        self.scan.clear()
        self._take(text)

    def take_scan(self, code: str) -> bool:
        """Take a code that was scanned while no field had the keyboard."""
        if self.views.currentWidget() is not self.main:
            return False
        self._take(code)
        return True

    def _take(self, text: str) -> None:
        store = self.context.store
        if not text or store is None:
            return
        self._say("")
        if not self._tools:
            self._say("The Rack holds no tool yet. Add the tools there first.")
            return
        try:
            text = number_of_scan(text)
        except ScanError as problem:
            self._say(str(problem))
            return
        before = self.scanned
        try:
            self.scanned, tool = take_scan(before, text, self._tools, self._people)
        except JobScanError as problem:
            self.done.setText("")
            self._say(str(problem))
            return
        self._show_scanned()
        if self.scanned.job != before.job:
            self.done.setText(f"The job is {self.scanned.job} from now on." if before.job else "")
        if not tool:
            return
        entered = self.form.values()
        if entered is None:
            self._say(f"{tool} was not logged: correct the field below, then scan it again.")
            return
        torque = entered["torque"]
        entry = JobEntry(
            tool,
            self.scanned.job,
            self.scanned.person,
            store.now().isoformat(timespec="seconds"),
            int(entered["cycles"] or 0),
            None if torque is None else to_nm(torque.value, torque.unit),
        )
        try:
            self._last = store.log_job(entry)
        except StoreError as problem:
            self._say(str(problem))
            return
        self.done.setText(f"{tool} is logged on {entry.job}.")
        self._warn_of(tool)
        self.why_row.hide()
        self.take_back.show()
        self.context.store_changed.emit("jobs")
        self.scan.setFocus(Qt.FocusReason.OtherFocusReason)

    def _warn_of(self, tool: str) -> None:
        """Say that a tool should not be used; what was done with it is logged all the same."""
        record = self.context.store.tool(tool) if self.context.store is not None else None
        if record is None:
            return
        day = pages.today()
        state = record.shown_state(day)
        if state not in (ToolState.IN_SERVICE, ToolState.DUE_SOON):
            how = due_line(record, day) if state is ToolState.OVERDUE else STATE_WORDS[state]
            self._say(f"Do not use {tool}: it is {how or STATE_WORDS[state]}.")

    def begin_again(self) -> None:
        """Forget person and job."""
        self.scanned = Scanned()
        self.done.setText("")
        self._say("")
        self._show_scanned()
        self.scan.setFocus(Qt.FocusReason.OtherFocusReason)

    def _ask_why(self) -> None:
        self.why.put("")
        self.why_row.show()
        self.why.setFocus(Qt.FocusReason.OtherFocusReason)

    def _take_out(self) -> None:
        store, last = self.context.store, self._last
        if store is None or last is None:
            return
        try:
            remove_job(store, last.key, self.why.text(), who=self.context.operator or last.person)
        except StoreError as problem:
            self._say(str(problem))
            return
        self._last = None
        self.why_row.hide()
        self.take_back.hide()
        self._say("")
        self.done.setText(f"{last.tool} on {last.job} is taken out of the log; the record says why.")
        self.context.store_changed.emit("jobs")
        self.scan.setFocus(Qt.FocusReason.OtherFocusReason)

    def _say(self, sentence: str) -> None:
        self.problem.setText(sentence)
        self.problem.setVisible(bool(sentence))

    # ----------------------------------------------------------------------------------------------------------- import

    def ask_import(self) -> None:
        """Ask for a list and show what would come in."""
        path = ask_open(self, "A list of jobs", "Lists (*.csv *.xlsx);;All files (*)")
        if path is not None:
            self.preview_import(str(path))

    def preview_import(self, path: str) -> None:
        """Show what a list holds; nothing is imported yet."""
        store = self.context.store
        if store is None:
            return
        problem = self.importing.read(path, self._tools, store.all_jobs(), store.now(), self.context.unit)
        if problem:
            self._say(problem)
            return
        self._path = path
        self.views.setCurrentWidget(self.importing)
        self.heading_changed.emit()

    def _show_main(self) -> None:
        self.views.setCurrentWidget(self.main)
        self.heading_changed.emit()
        self.scan.setFocus(Qt.FocusReason.OtherFocusReason)

    def _import(self, entries: list[JobEntry]) -> None:
        store = self.context.store
        if store is None or not (who := self.context.named()):
            return
        try:
            n = import_jobs(store, entries, who=who, origin=self._path.rsplit("/", 1)[-1])
        except StoreError as problem:
            self.context.message.emit("problem", f"{problem} Nothing was imported.")
            return
        self.views.setCurrentWidget(self.main)
        self.context.store_changed.emit("jobs")
        self.context.message.emit("note", f"{plural(n, 'use')} came into the log.")

    def stop(self) -> None:
        """Stop the timer."""
        self._typing.stop()
