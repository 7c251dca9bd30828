"""What is to be looked at because a tool or a reference was found out: a list that is worked off, item by item."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QMenu, QStackedWidget, QVBoxLayout, QWidget

from benchapp.records import worklist
from benchapp.records.errors import StoreError
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Choices, Panel, in_row, label, main_button, plain_button, quiet_button
from benchapp.ui.fields import TextField
from benchapp.ui.files import ask_save
from benchapp.ui.form import Form
from benchapp.ui.format import glued, natural_key, plural, wall_text
from benchapp.ui.listing import Column, Listing, ListPanel
from benchapp.ui.page import EmptyNote, Facts, beside, today

if TYPE_CHECKING:
    from benchapp.records import Store

ALL: Final = ""
OPEN, CHANGES, EVERY = "open", "changes", "all"
SAYS_WHICH: Final = {OPEN: "those that are open", CHANGES: "open ones by which something changes", EVERY: ""}


class WorkView(QWidget):
    """Open items on the left, the chosen one with its reason on the right."""

    heading_changed = Signal()

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self._causes: dict[str, str] = {}
        self._tasks: list[worklist.Task] = []
        self.views = QStackedWidget()
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(self.views)
        self.empty = EmptyNote(
            "Nothing to look at",
            "When a run finds a tool out, or a new calibration shows that a reference had moved, open that run in the "
            "Logbook or the reference, and see what it puts in doubt: each job and each run becomes an item here, to "
            "be closed with a reason.",
            "Go to the Logbook",
        )
        self._build_main()
        self.views.addWidget(self.empty)
        self.views.addWidget(self.main)
        self.empty.wanted.connect(lambda: context.page_wanted.emit("logbook", ""))
        self.setFocusProxy(self.list)

    def _build_main(self) -> None:
        self.main, row = beside()
        row.addWidget(self._list_panel(), 13)
        self.right = self._item_panel()
        row.addWidget(self.right, 8)
        self.list.chosen.connect(self._show)

    def _list_panel(self) -> ListPanel:
        left = ListPanel()
        self.which = ChoiceField(
            "Show",
            [(OPEN, "Open"), (CHANGES, "What changes"), (EVERY, "All")],
            on_change=lambda _key: self._filter(),
        )
        self.cause = Choices()
        self.cause.setAccessibleName("because of what")
        self.cause.currentIndexChanged.connect(self._filter)
        left.head.addWidget(self.which)
        left.head.addWidget(self.cause, 1)
        self.list = Listing(
            [
                Column(
                    "Tool",
                    lambda task: task.tool,
                    width=0.9,
                    strong=True,
                    mark=lambda task: "full" if task.closed else "ring",
                    sort=lambda task: natural_key(task.tool),
                ),
                Column("What", lambda task: task.text, width=3.0),
                Column("Because of", lambda task: self._causes.get(task.cause, task.cause), width=1.2),
                Column(
                    "State",
                    lambda task: "closed" if task.closed else "open",
                    second=lambda task: f"{wall_text(task.closed)[:10]}, {task.closed_by}" if task.closed else "",
                    width=1.0,
                    sort=lambda task: task.closed,
                ),
            ],
            name="items to be looked at",
        )
        left.hold(self.list)
        self.none_left = left.nothing
        left.body.addLayout(self._foot())
        return left

    def _foot(self) -> QHBoxLayout:
        foot = QHBoxLayout()
        foot.setContentsMargins(12, 8, 12, 12)
        foot.setSpacing(8)
        self.print_it = plain_button("Print (PDF) …")
        self.table = quiet_button("As a table")
        menu = QMenu(self.table)
        menu.addAction("Workbook (XLSX) …", lambda: self._ask("xlsx", "Workbooks (*.xlsx)", self.save_table))
        menu.addAction("Text (CSV) …", lambda: self._ask("csv", "Text tables (*.csv)", self.save_table))
        self.table.setMenu(menu)
        self.said = label("", "soft")
        foot.addWidget(self.print_it)
        foot.addWidget(self.table)
        foot.addStretch(1)
        foot.addWidget(self.said)
        self.print_it.clicked.connect(lambda: self._ask("pdf", "PDF (*.pdf)", self.save_pdf))
        return foot

    def _item_panel(self) -> Panel:
        right = Panel(margin=18)
        right.setMinimumWidth(280)
        right.setMaximumWidth(560)
        self.what = label("", wrap=True)
        self.what.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.facts = Facts()
        self.form = Form(narrow=True)
        self.who = self.form.add("who", TextField("Who looked", width=220))
        self.reason = self.form.add(
            "reason", TextField("What came of it", width=250, hint="One sentence; it closes the item for good.")
        )
        self.close_it = main_button("Close this item")
        self.close_same = plain_button("")
        self.close_same.setToolTip("Every open item of this tool and cause that is listed; each gets this reason")
        self.see = plain_button("See the whole of it")
        self.open_run = plain_button("Open the run")
        self.problem = label("", "problem", wrap=True)
        body = right.body
        body.addWidget(self.what)
        body.addWidget(self.facts)
        body.addSpacing(8)
        body.addWidget(self.form)
        body.addWidget(self.problem)
        body.addWidget(self.close_it)
        body.addWidget(self.close_same)
        body.addStretch(1)
        body.addLayout(in_row(self.see, self.open_run))
        self.close_it.clicked.connect(self.close_item)
        self.close_same.clicked.connect(self.close_all_of_tool)
        self.form.submitted.connect(self.close_item)
        self.see.clicked.connect(self._see)
        self.open_run.clicked.connect(self._open_run)
        return right

    # ---------------------------------------------------------------------------------------------------------- reading

    def heading(self) -> tuple[str, str]:
        """Return what stands above the view."""
        n_open = sum(not task.closed for task in self._tasks)
        if not self._tasks:
            return "Work list", ""
        return "Work list", f"{n_open} open  ·  {plural(len(self._tasks) - n_open, 'item')} closed"

    def refresh(self) -> None:
        """Read the store again."""
        store = self.context.store
        if store is None:
            return
        try:
            self._tasks = worklist.tasks(store)
            self._causes = {cause: cause_words(store, cause) for cause in dict.fromkeys(t.cause for t in self._tasks)}
        except StoreError as problem:
            self.context.message.emit("problem", str(problem))
            return
        chosen = self.cause.currentData() or ALL
        self.cause.blockSignals(True)
        self.cause.clear()
        self.cause.addItem("whatever it comes from", ALL)
        for cause, words in self._causes.items():
            self.cause.addItem(words, cause)
        self.cause.setCurrentIndex(max(0, self.cause.findData(chosen)))
        self.cause.blockSignals(False)
        self.cause.setVisible(len(self._causes) > 1)
        self.views.setCurrentWidget(self.main if self._tasks else self.empty)
        self.setFocusProxy(self.list if self._tasks else self.empty.button)
        self._filter()

    def open(self, key: str) -> None:
        """Show the items of one cause."""
        self.refresh()
        self.cause.setCurrentIndex(max(0, self.cause.findData(key)))

    def _filter(self, *_: object) -> None:
        cause, which = self.cause.currentData() or ALL, self.which.value()
        shown = [task for task in self._tasks if _is_shown(task, which) and cause in (ALL, task.cause)]
        self.list.show_rows(shown)
        is_rest = which == CHANGES and any(_is_shown(task, OPEN) and cause in (ALL, task.cause) for task in self._tasks)
        nothing = "Everything here is closed. “All” shows what came of it."
        self.none_left.setText("" if shown else "By what is open nothing changes." if is_rest else nothing)
        n_tools = len({task.tool for task in shown if task.tool})
        self.said.setText(f"{plural(len(shown), 'item')}, {plural(n_tools, 'tool')}" if shown else "")
        for button in (self.print_it, self.table):
            button.setEnabled(bool(shown))
        self.none_left.setVisible(not shown)
        self.right.setVisible(bool(shown))
        self._show(self.list.current())
        self.heading_changed.emit()

    def _show(self, task: worklist.Task | None) -> None:
        if task is None:
            return
        self.what.setText(glued(task.text))
        self.facts.show_facts(
            [
                ("because of", self._causes.get(task.cause, task.cause)),
                ("listed", wall_text(task.created)),
                ("closed", f"{wall_text(task.closed)}, {task.closed_by}" if task.closed else ""),
                ("what came of it", task.reason),
            ]
        )
        self.problem.setText("")
        is_open = not task.closed
        self.form.setVisible(is_open)
        self.close_it.setVisible(is_open)
        if is_open:
            if not self.who.text():
                self.who.put(self.context.operator)
            self.reason.put("")
            for field in (self.who, self.reason):
                field.accept()
        same = self._same_tool(task)
        self.close_same.setText(f"Close all {len(same)} of {task.tool}")
        self.close_same.setVisible(is_open and len(same) > 1)
        self.open_run.setVisible(not task.subject.startswith("job:"))

    # ----------------------------------------------------------------------------------------------------------- acting

    def close_item(self) -> None:
        """Close the chosen item with its reason; the next one is chosen."""
        task: worklist.Task | None = self.list.current()
        if task is not None and not task.closed:
            self._close([task])

    def close_all_of_tool(self) -> None:
        """Close every open item of the chosen one's tool that is listed, with the same reason."""
        task: worklist.Task | None = self.list.current()
        if task is not None:
            self._close(self._same_tool(task))

    def _same_tool(self, task: worklist.Task) -> list[worklist.Task]:
        same = (task.cause, task.tool)
        return [each for each in self.list.rows if task.tool and (each.cause, each.tool) == same and not each.closed]

    def _close(self, tasks: list[worklist.Task]) -> None:
        store, entered = self.context.store, self.form.values()
        if store is None or entered is None:
            return
        try:
            worklist.close_tasks(store, [task.key for task in tasks], entered["reason"], who=entered["who"])
        except StoreError as problem:
            self.problem.setText(str(problem))
            return
        self.context.store_changed.emit("tasks")
        if self.list.rows:
            self.reason.setFocus(Qt.FocusReason.OtherFocusReason)

    def _ask(self, ending: str, kinds: str, then: Callable[[Path], None]) -> None:
        path = ask_save(self, "The work list as it is shown", f"work-list-{today().isoformat()}.{ending}", kinds)
        if path is not None:
            then(path)

    def save_pdf(self, path: Path) -> None:
        """Write the items that are shown as PDF, on the paper of the country."""
        from benchapp.ui.paper.sheet import PaperError, usual_paper, write_file  # not before it is asked for
        from benchapp.ui.paper.worklist import work_list_pdf

        store, tasks = self.context.store, self.list.rows
        if store is None:
            return
        which = SAYS_WHICH[self.which.value()]
        try:
            write_file(path, work_list_pdf(store, tasks, self._causes, usual_paper(), day=today(), which=which))
        except (PaperError, StoreError) as problem:
            self.context.message.emit("problem", str(problem))
            return
        self.context.message.emit("note", f"{plural(len(tasks), 'item')} of the work list in {path.name}.")

    def save_table(self, path: Path) -> None:
        """Write the items that are shown as XLSX or, by the file's ending, CSV."""
        from benchapp.records import exchange

        header, rows = exchange.task_table(self.list.rows)
        try:
            if path.suffix.casefold() == ".csv":
                path.write_text(exchange.to_csv(header, rows), encoding="utf-8", newline="")
            else:
                exchange.to_xlsx(path, {"tasks": (header, rows)})
        except OSError as problem:
            self.context.message.emit("problem", f"Nothing was written: {problem}")
            return
        self.context.message.emit("note", f"{plural(len(rows), 'item')} of the work list in {path.name}.")

    def _see(self) -> None:
        task: worklist.Task | None = self.list.current()
        if task is not None:
            key = task.cause if task.cause.startswith("reference:") else f"run:{task.cause}"
            self.context.page_wanted.emit("rack", f"view:impact:{key}")

    def _open_run(self) -> None:
        task: worklist.Task | None = self.list.current()
        if task is not None:
            self.context.page_wanted.emit("logbook", task.subject)


def _is_shown(task: worklist.Task, which: str) -> bool:
    return which == EVERY or not (task.closed or (which == CHANGES and not task.weighs))


def cause_words(store: Store, cause: str) -> str:
    """Return what was found out, in words."""
    if cause.startswith("reference:"):
        _, number, certificate = (*cause.split(":", 2), "")[:3]
        return f"{number}, calibration {certificate}"
    summary = store.summary(cause)
    return f"{summary.tool}, found out {summary.finished[:10]}" if summary is not None else cause
