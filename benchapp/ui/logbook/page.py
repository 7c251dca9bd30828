"""The Logbook: runs, newest first, found by tool, verdict and source; one run opened with all its evidence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from PySide6.QtCore import QEvent, QObject, Qt, QTimer
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QHBoxLayout, QLineEdit, QMenu

from benchapp.records.errors import StoreError
from benchapp.records.model import Outcome, RunSummary
from benchapp.runs.model import RunState
from benchapp.torque.trace import Trace, joined
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Panel, label, plain_button, quiet_button
from benchapp.ui.curves.foreign import replay_file
from benchapp.ui.curves.foreignview import RecordingView
from benchapp.ui.files import ask_open, ask_save
from benchapp.ui.format import percent, plural, wall_text
from benchapp.ui.listing import Column, Listing
from benchapp.ui.logbook.actions import RunActions
from benchapp.ui.logbook.model import (
    SOURCE_WORDS,
    VERDICT_OUTCOMES,
    VERDICT_WORDS,
    Verdict,
    counted_text,
    outcome_mark,
    outcome_text,
)
from benchapp.ui.logbook.runview import RunView
from benchapp.ui.page import EmptyNote, Page, today
from drivers.samples import Source

PAGE = 60
EXPORT_PAGE = 5000
TYPING_MS = 90


class LogbookPage(Page):
    """List of runs and the one that is opened. Keys it opens: a run id, or ``tool:NUMBER``."""

    concerns = ("runs",)

    def __init__(self, context: AppContext) -> None:
        super().__init__(context, "Logbook")
        self._tool = ""
        self._before: int | None = None
        self._at_end = False
        self.waiting = EmptyNote("", "The records are being opened …")
        self.empty = EmptyNote(
            "No run yet",
            "Every run stands here from its first pull on, finished or not, with its curves, its verdict and its seal. "
            "Put a tool up on the Bench to begin the first one.",
            "Go to the Bench",
        )
        self._build_list()
        self.run_view = RunView()
        self.recording = RecordingView()
        for view in (self.waiting, self.empty, self.main, self.run_view, self.recording):
            self.views.addWidget(view)
        self.back = plain_button("Back")
        self.back.setToolTip("Escape")
        self.verify = plain_button("Verify again")
        self.doubt = plain_button("What was done with it")
        self.doubt.setToolTip("The run found the tool out: the jobs since it was last known good")
        self.open_file = plain_button("Open a recording …")
        self.open_file.setToolTip("A trace file, or a CSV from elsewhere")
        self.actions_of_run = RunActions(context)
        self.as_table = quiet_button("As a table")
        menu = QMenu(self.as_table)
        menu.addAction("Runs listed as a workbook (XLSX) …", lambda: self.ask_table("xlsx"))
        menu.addAction("Runs listed as text (CSV) …", lambda: self.ask_table("csv"))
        self.as_table.setMenu(menu)
        self.action_row.addWidget(self.as_table)
        self.report = plain_button("Report …")
        self.report.setToolTip("The runs of a period as PDF")
        self.report.setMenu(self.actions_of_run.period_menu(today()))
        self.action_row.addWidget(self.report)
        self.action_row.addWidget(self.open_file)
        self.action_row.addWidget(self.actions_of_run)
        self.action_row.addWidget(self.doubt)
        self.action_row.addWidget(self.verify)
        self.action_row.addWidget(self.back)
        self._typing = QTimer(self)
        self._typing.setSingleShot(True)
        self._typing.setInterval(TYPING_MS)
        self._typing.timeout.connect(self._read)
        self.back.clicked.connect(self.show_list)
        self.verify.clicked.connect(self._verify)
        self.doubt.clicked.connect(self._show_doubt)
        self.empty.wanted.connect(lambda: context.page_wanted.emit("bench", ""))
        self.run_view.message.connect(context.message)
        self.open_file.clicked.connect(self.ask_recording)
        self.recording.shown.connect(self._show_recording)
        self.recording.left.connect(self.show_list)
        self._not_opened = ""  # what was wrong with a recording; over once another one is asked for
        self.recording.failed.connect(self._recording_failed)
        self.recording.saved.connect(self.say)
        self.recording.replay_wanted.connect(self._replay)
        self.run_view.replay_wanted.connect(self._replay_pulls)
        self.on_keys("Escape", self.show_list)
        self.on_keys("Ctrl+F", self.search.setFocus)
        self.setFocusProxy(self.search)
        self.refresh()

    def _build_list(self) -> None:
        self.main = Panel(margin=0)
        row = QHBoxLayout()
        row.setContentsMargins(12, 12, 12, 6)
        row.setSpacing(12)
        self.search = QLineEdit()
        self.search.setPlaceholderText("Search: tool, who pulled, reference, procedure …")
        self.search.setClearButtonEnabled(True)
        self.search.setAccessibleName("search the logbook")
        self.search.installEventFilter(self)
        self.verdict = ChoiceField("Verdict", list(VERDICT_WORDS.items()), on_change=lambda _key: self._read())
        self.source = ChoiceField(
            "Source",
            [("", "Any source"), ("simulated", "Simulated"), ("replayed", "Replayed")],
            on_change=lambda _key: self._read(),
        )
        self.source.setVisible(self.context.is_demo)
        row.addWidget(self.search, 1)
        row.addWidget(self.source)
        row.addWidget(self.verdict)
        self.main.body.setSpacing(0)
        self.main.body.addLayout(row)
        self.list = Listing(
            [
                Column("Begun", lambda r: wall_text(r.started), second=lambda r: r.operator, width=1.1),
                Column("Tool", lambda r: r.tool, second=lambda r: SOURCE_WORDS[r.source], width=0.9, strong=True),
                Column("Verdict", outcome_text, mark=outcome_mark, second=_released, width=1.3),
                Column(
                    "Farthest reading",
                    lambda r: percent(r.worst_percent) if r.worst_percent is not None else "",
                    width=0.9,
                    right=True,
                ),
                Column("Readings", counted_text, width=1.4),
                Column("Procedure", lambda r: r.procedure, second=lambda r: f"against {r.reference}", width=1.7),
            ],
            sortable=False,
            name="runs, newest first",
        )
        self.main.body.addWidget(self.list, 1)
        self.none_found = label("", "soft", wrap=True)
        self.none_found.setContentsMargins(16, 10, 16, 14)
        self.main.body.addWidget(self.none_found)
        self.search.textChanged.connect(lambda _text: self._typing.start())
        self.list.opened.connect(lambda line: self.open_run(line.run_id))
        self.list.end_near.connect(self._read_more)

    # ---------------------------------------------------------------------------------------------------------- reading

    def refresh(self) -> None:
        """Read the newest runs again."""
        store = self.context.store
        if store is None:
            self._chrome(opened=False)
            self.views.setCurrentWidget(self.waiting)
            return
        if self.views.currentWidget() is self.recording:
            self.recording.show_unit(self.context.unit)
            return
        opened = self.run_view.run if self.views.currentWidget() is self.run_view else None
        self._read()
        if opened is not None:
            self.open_run(opened.run_id)
        else:
            self.show_list()

    def show_list(self) -> None:
        """Back to the list, or to what the page says without a run."""
        self.recording.stop()
        if self.context.store is None:
            return
        nothing = not self.list.rows and not self._filtered()
        self._chrome(opened=False)
        for part in (self.report, self.as_table):
            part.setVisible(not nothing)
        self.heading("Logbook", self._count_line())
        self.views.setCurrentWidget(self.empty if nothing else self.main)
        (self.empty.button if nothing else self.list).setFocus(Qt.FocusReason.OtherFocusReason)

    def _chrome(self, *, opened: bool, recording: bool = False) -> None:
        self.back.setVisible(opened or recording)
        self.doubt.setVisible(False)
        self.actions_of_run.setVisible(False)
        self.verify.setVisible(opened)
        self.open_file.setVisible(not opened and not recording)
        self.report.setVisible(not opened and not recording)
        self.as_table.setVisible(not opened and not recording)

    def _filtered(self) -> bool:
        return bool(self.search.text().strip() or self._tool or self.verdict.value() != "all" or self.source.value())

    def _count_line(self) -> str:
        n = len(self.list.rows)
        if not n:
            return ""
        more = "" if self._at_end else " shown, more on scrolling"
        return f"{plural(n, 'run')}{more}" + (f"  ·  {self._tool}" if self._tool else "")

    def _read(self) -> None:
        if self.search.text().strip() != self._tool:
            self._tool = ""
        self._before, self._at_end = None, False
        self.list.show_rows(self._next_page())
        found = bool(self.list.rows)
        self.none_found.setVisible(not found)
        self.none_found.setText("" if found else "No run is like that. Fewer words or another verdict find more.")
        if self.views.currentWidget() is self.main:
            self.subtitle.setText(self._count_line())

    def _read_more(self) -> None:
        if not self._at_end and self.list.rows:
            self.list.add_rows(self._next_page())
            self.subtitle.setText(self._count_line())

    def _next_page(self) -> list[RunSummary]:
        """Return the next runs that the filter lists, page by page by key."""
        store = self.context.store
        if store is None:
            return []
        try:
            page = store.runs(before=self._before, limit=PAGE, **self._filter())
        except StoreError as problem:
            self.say(str(problem), problem=True)
            self._at_end = True
            return []
        self._at_end = len(page) < PAGE
        if page:
            self._before = page[-1].key
        return page

    def _filter(self) -> dict[str, Any]:
        """Return what is listed, as `Store.runs` is asked for it."""
        source = self.source.value()
        return {
            "tool": self._tool,
            "search": "" if self._tool else self.search.text(),
            "outcomes": VERDICT_OUTCOMES[Verdict(self.verdict.value())],
            "source": Source(source) if source else None,
        }

    # ------------------------------------------------------------------------------------------------------- as a table

    def ask_table(self, ending: str) -> None:
        """Ask where the runs that the filter lists go as a table."""
        kinds = {"xlsx": "Workbooks (*.xlsx)", "csv": "Text tables (*.csv)"}[ending]
        path = ask_save(self, "The runs that are listed", f"runs.{ending}", kinds)
        if path is not None:
            self.export_runs(path)

    def export_runs(self, path: Path) -> None:
        """Write every run that the filter lists, also those not scrolled to yet, as XLSX or by its ending CSV."""
        from benchapp.records import exchange

        store = self.context.store
        if store is None:
            return
        lines: list[RunSummary] = []
        before: int | None = None
        try:
            while page := store.runs(before=before, limit=EXPORT_PAGE, **self._filter()):
                lines += page
                before = page[-1].key
            header, rows = exchange.run_table(lines)
            if path.suffix.casefold() == ".csv":
                path.write_text(exchange.to_csv(header, rows), encoding="utf-8", newline="")
            else:
                exchange.to_xlsx(path, {"runs": (header, rows)})
        except (OSError, StoreError) as problem:
            self.say(f"Nothing was written: {problem}", problem=True)
            return
        self.say(f"{len(rows)} run{'' if len(rows) == 1 else 's'} written to {path.name}.")

    # ---------------------------------------------------------------------------------------------------------- opening

    def open(self, key: str) -> None:
        """Open a run by its id, or list the runs of a tool with ``tool:NUMBER``."""
        if key.startswith("tool:"):
            self._tool = key.removeprefix("tool:")
            self.verdict.put("all")
            self.search.blockSignals(True)
            self.search.setText(self._tool)
            self.search.blockSignals(False)
            self._read()
            self.show_list()
            return
        self.open_run(key)

    def open_run(self, run_id: str) -> None:
        """Show one run with all its evidence."""
        self.recording.stop()
        store = self.context.store
        if store is None:
            return
        try:
            run, summary = store.run(run_id), store.summary(run_id)
        except StoreError as problem:
            self.say(str(problem), problem=True)
            return
        if run is None or summary is None:
            self.say("That run is not in these records.", problem=True)
            return
        plan = run.plan
        self.heading(
            plan.tool.number,
            "  ·  ".join(
                (wall_text(run.started), plan.procedure_name, plan.operator, f"against {plan.reference.number}")
            ),
        )
        self._chrome(opened=True)
        found_out = bool(summary.seal) and not summary.voided and summary.outcome is Outcome.OUT
        self.doubt.setVisible(found_out)
        self.actions_of_run.show_run(run, summary)
        self.run_view.show_run(store, run, summary, self.context.unit)
        self.views.setCurrentWidget(self.run_view)
        self.run_view.setFocus(Qt.FocusReason.OtherFocusReason)

    def ask_recording(self) -> None:
        """Ask for a recording and show it."""
        path = ask_open(self, "A recording", "Recordings (*.csv *.txt);;All files (*)")
        if path is not None:
            self.open_recording(str(path))

    def open_recording(self, path: str) -> None:
        """Show a trace file, or a CSV from elsewhere after its columns are matched."""
        self.context.message.emit("over", self._not_opened)
        self.recording.open_file(path, self.context.unit)

    def _recording_failed(self, text: str) -> None:
        self._not_opened = text
        self.say(text, problem=True)

    def _show_recording(self) -> None:
        self.heading("A recording", str(self.recording.path))
        self._chrome(opened=False, recording=True)
        self.views.setCurrentWidget(self.recording)

    def _replay_pulls(self, traces: list[Trace], name: str) -> None:
        """Write stored pulls as one trace file and replay it."""
        try:
            path = replay_file(joined(traces), name)
        except OSError as error:
            self.say(
                f"{error.filename}: {error.strerror}. To be replayed the pulls must be written there.", problem=True
            )
            return
        self._replay(f"replay:{path}")

    def _replay(self, url: str) -> None:
        view = self.context.bench.view()
        if view.run is not None and view.state not in (RunState.SEALED, RunState.LEFT, None):
            # its pulls would be taken for the run's, and live records refuse them for ever
            self.say(
                f"A run of {view.run.plan.tool.number} is under way on the Bench, with its own port: "
                "replay the recording when it is over.",
                problem=True,
            )
            return
        self.context.bench.open_link(url, "")
        self.context.page_wanted.emit("bench", "")

    def _show_doubt(self) -> None:
        if self.run_view.run is not None:
            self.context.page_wanted.emit("rack", f"view:impact:run:{self.run_view.run.run_id}")

    def _verify(self) -> None:
        if self.run_view.run is not None:
            self.context.tool_wanted.emit(self.run_view.run.plan.tool.number)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Arrow keys and Enter in the search field walk the list."""
        if watched is self.search and event.type() == QEvent.Type.KeyPress and isinstance(event, QKeyEvent):
            if event.key() in (Qt.Key.Key_Down, Qt.Key.Key_Up):
                row = self.list.currentIndex().row() + (1 if event.key() == Qt.Key.Key_Down else -1)
                if 0 <= row < len(self.list.rows):
                    self.list.selectRow(row)
                return True
            if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
                if self._typing.isActive():
                    self._typing.stop()
                    self._read()
                line: Any = self.list.current()
                if line is not None:
                    self.open_run(line.run_id)
                return True
        return super().eventFilter(watched, event)

    def stop(self) -> None:
        """Stop the timer, and what is being read."""
        self._typing.stop()
        self.recording.stop()


def _released(line: RunSummary) -> str:
    return f"released by {line.released_by}" if line.released_by else ""
