"""The Rack: find a tool, see how it stands, verify it, change it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from PySide6.QtCore import QEvent, QObject, QSignalBlocker, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QLineEdit, QMenu, QWidget

from benchapp.records.errors import StoreError
from benchapp.records.labels import ScanError, number_of_scan
from benchapp.records.model import Outcome, ToolRecord, ToolState
from benchapp.records.toollist import import_tools
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import WHO_FIRST, AppContext
from benchapp.ui.controls import Choices, plain_button, quiet_button
from benchapp.ui.files import ask_open, ask_save
from benchapp.ui.format import kind_text, natural_key, range_in, range_text, torque_text, wall_text
from benchapp.ui.listing import Column, Listing, ListPanel
from benchapp.ui.meanwhile import told, tool_merged
from benchapp.ui.page import EmptyNote, Page, beside, today
from benchapp.ui.rack.card import NEXT_STATES, StateView, ToolCard, tool_facts
from benchapp.ui.rack.editor import ToolEditor
from benchapp.ui.rack.importing import ImportView
from benchapp.ui.rack.model import (
    SHOW_WORDS,
    STATE_MARKS,
    STATE_WORDS,
    URGENCY,
    Row,
    Show,
    count_line,
    dots_of,
    due_line,
    find,
    rows_of,
)
from benchapp.ui.rack.photo import PhotoError, PhotoView, shrunk
from benchapp.ui.rack.switch import TOOLS, VIEW_WORDS, build_view, is_view, offered

MOST_TOOLS = 1_000_000  # all there are; the search looks through what is listed
ANY_PLACE = "any place"


class RackPage(Page):
    """List on the left, the tool under the cursor on the right; editor, state and import take the whole page.

    Keys it opens: a tool's number or code, ``view:NAME`` and ``view:NAME:KEY`` for the views of the switch.
    """

    concerns = ("tools", "runs", "jobs", "tasks")

    def __init__(self, context: AppContext) -> None:
        super().__init__(context, "Rack")
        self._rows: list[Row] = []
        self._limits: dict[str, float | None] = {}
        self._on_card: Row | None = None
        self.empty = EmptyNote(
            "The rack is empty",
            "Add the first tool: its number, whether it lets go or shows torque, and its highest value are enough. "
            "Or import a list that you keep already, as CSV or XLSX.",
            "Add the first tool",
            "Import a list …",
        )
        self.waiting = EmptyNote("", "The records are being opened …")
        self._build_list()
        self.editor = ToolEditor()
        self.stating = StateView()
        self.importing = ImportView()
        self.photo = PhotoView()
        for view in (self.waiting, self.empty, self.main, self.editor, self.stating, self.importing, self.photo):
            self.views.addWidget(view)
        self.add = plain_button("Add a tool")
        self.add.setToolTip("Ctrl+N")
        self.more = quiet_button("More")
        menu = QMenu(self.more)
        menu.addAction("Labels of the tools listed …", self.want_labels)
        menu.addSeparator()
        menu.addAction("Tools listed as a workbook (XLSX) …", lambda: self.ask_export("xlsx"))
        menu.addAction("Tools listed as text (CSV) …", lambda: self.ask_export("csv"))
        menu.addAction("Import a list (CSV or XLSX) …", self.ask_import)
        self.more.setMenu(menu)
        self.switch = ChoiceField("View", offered(), on_change=lambda name: self.show_view(name))
        self._built: dict[str, QWidget] = {}
        self._wished = ""  # what was to be opened before the store was there
        self.action_row.addWidget(self.add)
        self.action_row.addWidget(self.more)
        self.action_row.addWidget(self.switch)  # last: it keeps its place when the others come and go
        self.add.clicked.connect(lambda: self.edit_tool(None))
        self.empty.wanted.connect(lambda: self.edit_tool(None))
        self.empty.other_wanted.connect(self.ask_import)
        self.editor.saved.connect(self._keep)
        self.editor.left.connect(self.show_list)
        self.stating.cancel.clicked.connect(self.show_list)
        self.stating.save.clicked.connect(lambda: self._change_state())
        self.stating.override.clicked.connect(self._override_state)
        self.stating.form.submitted.connect(self._change_state)
        self.importing.left.connect(self.show_list)
        self.importing.accepted.connect(self._import)
        self.photo.left.connect(self.show_list)
        self.photo.another.connect(self.ask_photo)
        self.photo.removed.connect(lambda: self._keep_photo(None))
        for keys, action in (
            ("Ctrl+N", lambda: self.edit_tool(None)),
            ("Ctrl+F", self.search.setFocus),
            ("Ctrl+Return", self.verify),
            ("Escape", self.show_list),
        ):
            self.on_keys(keys, action)
        self.setFocusProxy(self.search)
        self.refresh()

    def _build_list(self) -> None:
        self.main, row = beside()
        left = ListPanel()
        self.search = QLineEdit()
        self.search.setPlaceholderText("Search …")
        self.search.setMinimumWidth(120)  # before the row beside it is unfolded
        self.search.setToolTip("Words of number, place, keeper, maker, kind, state or remark (Ctrl+F)")
        self.search.setClearButtonEnabled(True)
        self.search.setAccessibleName("search the rack")
        self.search.installEventFilter(self)
        self.show_which = ChoiceField("Show", list(SHOW_WORDS.items()), on_change=lambda _key: self._filter())
        self.place = Choices([ANY_PLACE])
        self.place.setAccessibleName("place")
        self.place.narrow(11)
        self.place.currentIndexChanged.connect(self._filter)
        left.head.addWidget(self.search, 1)
        left.head.addWidget(self.place)
        left.head.addWidget(self.show_which)
        self.list = Listing(
            [
                Column(
                    "Number",
                    lambda r: r.number,
                    second=lambda r: r.record.place,
                    width=1.35,
                    strong=True,
                    mark=lambda r: STATE_MARKS[r.state],
                    sort=lambda r: natural_key(r.number),
                ),
                Column("What it is", lambda r: kind_text(r.record.tool), second=_made_by, width=1.7),
                Column(
                    "Range",
                    lambda r: range_text(r.record.tool),
                    second=lambda r: range_in(r.record.tool, self.context.unit),
                    width=1.35,
                    sort=lambda r: r.record.tool.highest_nm,
                ),
                Column(
                    "State",
                    lambda r: STATE_WORDS[r.state],
                    second=lambda r: due_line(r.record, today()),
                    width=1.3,
                    sort=lambda r: (URGENCY[r.state], r.record.due.toordinal() if r.record.due else 0),
                ),
            ],
            name="tools",
        )
        left.hold(self.list)
        self.none_found = left.nothing
        self.card = ToolCard()
        row.addWidget(left, 13)
        row.addWidget(self.card, 7)
        self.search.textChanged.connect(self._filter)
        self.list.chosen.connect(self._show_card)
        self.list.opened.connect(lambda _row: self.verify())
        self.card.verify.clicked.connect(self.verify)
        self.card.edit.clicked.connect(lambda: self.edit_tool(self._current()))
        self.card.to_state.clicked.connect(self.ask_state)
        self.card.runs.clicked.connect(self._show_runs)
        self.card.years.clicked.connect(self._show_years)
        self.card.jobs.clicked.connect(self._show_jobs)
        self.card.label.clicked.connect(self._show_label)
        self.card.doubt.clicked.connect(self._show_doubt)
        self.card.add_photo.clicked.connect(self.ask_photo)
        self.card.photo.clicked.connect(self._show_photo)
        self.card.history.run_wanted.connect(lambda run_id: self.context.page_wanted.emit("logbook", run_id))

    # ---------------------------------------------------------------------------------------------------------- reading

    def refresh(self) -> None:
        """Read the store again."""
        store = self.context.store
        if store is None:
            self.views.setCurrentWidget(self.waiting)
            return
        n_open = store.n_open_tasks()
        self.switch.reword("work", f"{VIEW_WORDS['work']} · {n_open}" if n_open else VIEW_WORDS["work"])
        try:
            records = store.tools(limit=MOST_TOOLS, include_retired=True)
        except StoreError as problem:
            self.say(str(problem), problem=True)
            return
        self._rows = rows_of(records, today())
        self._on_card = None
        self._limits.clear()
        self._fill_places()
        busy = self.views.currentWidget() in (self.editor, self.stating, self.importing, self.photo)
        self._filter()
        wished, self._wished = self._wished, ""
        if wished:
            self.open(wished)
        elif self._shown_view():
            self._refresh_view()
        elif not busy:
            self.show_list()

    def _fill_places(self) -> None:
        places = sorted({row.record.place for row in self._rows if row.record.place}, key=str.casefold)
        if [self.place.itemText(i) for i in range(1, self.place.count())] == places:
            return
        self.place.offer([ANY_PLACE, *places])
        self.place.setVisible(len(places) > 1)

    # ------------------------------------------------------------------------------------------------------------ views

    def show_view(self, name: str, key: str = "") -> None:
        """Show one of the views of the switch (or one that is opened from something, with its key)."""
        if self.context.store is None:
            return
        if name == TOOLS:
            self.show_list()
            return
        if name not in self._built:
            view = build_view(name, self.context)
            self._built[name] = view
            self.views.addWidget(view)
            for signal, slot in (("heading_changed", self._head_view), ("left", self.leave_view)):
                told = getattr(view, signal, None)
                if told is not None:
                    told.connect(slot)
        if name in VIEW_WORDS:
            self.switch.put(name)
        self.add.setVisible(False)
        self.more.setVisible(False)
        self.views.setCurrentWidget(self._built[name])
        opens = getattr(self._built[name], "open", None)
        if key and callable(opens):
            opens(key)
            self._head_view()
        else:
            self._refresh_view()
        self._built[name].setFocus(Qt.FocusReason.OtherFocusReason)

    def leave_view(self) -> None:
        """Back from a view that has no button to the one that the switch names."""
        self.show_view(self.switch.value())

    def _shown_view(self) -> str:
        current = self.views.currentWidget()
        return next((name for name, view in self._built.items() if view is current), "")

    def _refresh_view(self) -> None:
        again = getattr(self._built[self._shown_view()], "refresh", None)
        if callable(again):
            again()
        self._head_view()

    def _head_view(self) -> None:
        name = self._shown_view()
        if name:
            heading = getattr(self._built[name], "heading", None)
            self.heading(*(heading() if callable(heading) else (VIEW_WORDS.get(name, "Rack"), "")))

    def restyle(self) -> None:
        """Take the palette and the size in force, in the views too."""
        super().restyle()
        for view in getattr(self, "_built", {}).values():
            again = getattr(view, "restyle", None)
            if callable(again):
                again()

    def stop(self) -> None:
        """End what the views have going on."""
        for view in self._built.values():
            end = getattr(view, "stop", None)
            if callable(end):
                end()

    def show_list(self) -> None:
        """Back to the list (or to what the empty rack says)."""
        if self.context.store is None:
            return
        self.heading("Rack", count_line(self._rows, len(self.list.rows)) if self._rows else "")
        self.switch.put(TOOLS)
        self.add.setVisible(True)
        self.more.setVisible(True)
        self.views.setCurrentWidget(self.main if self._rows else self.empty)
        if self.isVisible():  # read again behind the Bench it would take the keyboard out of a run
            (self.search if self._rows else self.empty.button).setFocus(Qt.FocusReason.OtherFocusReason)

    def _filter(self, *_: Any) -> None:
        here = self.list.current()
        found = find(self._rows, self.search.text(), Show(self.show_which.value()))
        if self.place.currentIndex() > 0:
            found = [row for row in found if row.record.place == self.place.currentText()]
        blocker = QSignalBlocker(self.list)  # the card is shown once, of the tool that the cursor comes to stand on
        self.list.show_rows(found)
        if here is not None:
            self._select(here.number)
        blocker.unblock()
        self.none_found.setVisible(not found)
        if not found:
            text = self.search.text().strip()
            self.none_found.setText(
                f"No tool has “{text}” in it. Fewer letters find more." if text else "No tool is like that."
            )
        if self.views.currentWidget() is self.main:
            self.subtitle.setText(count_line(self._rows, len(found)))
        self._show_card(self.list.current())

    def _select(self, number: str) -> bool:
        for index, row in enumerate(self.list.rows):
            if row.number == number:
                self.list.selectRow(index)
                return True
        return False

    def _current(self) -> ToolRecord | None:
        row = self.list.current()
        store = self.context.store
        if row is None or store is None:
            return None
        return store.tool(row.number) or row.record

    def _show_card(self, row: Row | None) -> None:
        card = self.card
        card.setVisible(row is not None)
        if row is None or self.context.store is None or row is self._on_card:
            return
        self._on_card = row
        record, tool = row.record, row.record.tool
        card.number.setText(tool.number)
        card.kind.setText(
            "  ·  ".join(
                part for part in (kind_text(tool), f"type {tool.tool_type.value} class {tool.tool_class}") if part
            )
        )
        due = due_line(record, today())
        card.state.setText("  ·  ".join(part for part in (STATE_WORDS[row.state], due) if part))
        card.verify.setEnabled(row.state is not ToolState.RETIRED)
        card.facts.show_facts([*tool_facts(record, self.context.unit), *self._state_facts(tool.number, row.state)])
        stored = self.context.store.tool(tool.number)
        photo = stored.photo if stored is not None else None
        card.photo.show_photo(photo)
        card.photo.setVisible(card.photo.has_photo)
        card.add_photo.setVisible(not card.photo.has_photo)
        card.doubt.setVisible(bool(self._found_out(tool.number)))
        history = self.context.store.history(tool.number, limit=600)
        dots, targets = dots_of(history)
        names = [torque_text(target, tool.unit) for target in targets]
        card.history.show_dots(dots, names, self._limit_of(history[0].run_id) if dots else None)
        card.runs.setVisible(bool(history))
        card.years.setVisible(bool(history))

    def _state_facts(self, number: str, state: ToolState) -> list[tuple[str, str]]:
        store = self.context.store
        if store is None or state in (ToolState.IN_SERVICE, ToolState.DUE_SOON, ToolState.OVERDUE):
            return []
        changes = store.state_changes(number)
        if not changes:
            return []
        last = changes[-1]
        return [("since", f"{wall_text(last.at)}, {last.who}: {last.why}")]

    def _limit_of(self, run_id: str) -> float | None:
        if run_id not in self._limits and self.context.store is not None:
            run = self.context.store.run(run_id)
            self._limits[run_id] = run.plan.checkpoints[0].limit_percent if run and run.plan.checkpoints else None
        return self._limits.get(run_id)

    def _show_runs(self) -> None:
        row = self.list.current()
        if row is not None:
            self.context.page_wanted.emit("logbook", f"tool:{row.number}")

    def _show_years(self) -> None:
        row = self.list.current()
        if row is not None:
            self.show_view("life", row.number)

    def _show_jobs(self) -> None:
        row = self.list.current()
        if row is not None:
            self.show_view("jobs", row.number)

    def _show_label(self) -> None:
        row = self.list.current()
        if row is not None:
            self.show_view("labels", row.number)

    def want_labels(self) -> None:
        """Labels of the tools that the list shows, in its order."""
        numbers = [row.number for row in self.list.rows]
        if numbers:
            self.show_view("labels", "\n".join(numbers))
        else:
            self.say("The list shows no tool to print a label for.", problem=True)

    def _found_out(self, number: str) -> str:
        """Return the newest full run of the tool, if that found it out and nothing since set it right."""
        store = self.context.store
        if store is None:
            return ""
        for line in store.runs(tool=number, limit=10):
            if line.seal and not line.voided and line.outcome in (Outcome.WITHIN, Outcome.OUT):
                return line.run_id if line.outcome is Outcome.OUT else ""
        return ""

    def _show_doubt(self) -> None:
        row = self.list.current()
        run_id = self._found_out(row.number) if row is not None else ""
        if run_id:
            self.show_view("impact", f"run:{run_id}")

    # ------------------------------------------------------------------------------------------------------------ photo

    def _show_photo(self) -> None:
        record = self._current()
        if record is None or record.photo is None:
            return
        self.heading(record.number, "its photo")
        self.photo.picture.show_photo(record.photo)
        self.views.setCurrentWidget(self.photo)
        self.photo.back.setFocus(Qt.FocusReason.OtherFocusReason)

    def ask_photo(self) -> None:
        """Ask for a picture file and keep it as the tool's photo."""
        path = ask_open(self, "A photo", "Pictures (*.jpg *.jpeg *.png);;All files (*)")
        if path is not None:
            self.take_photo(str(path))

    def take_photo(self, path: str) -> None:
        """Keep a picture file, made smaller, as the photo of the tool under the cursor."""
        try:
            self._keep_photo(shrunk(path))
        except PhotoError as problem:
            self.say(str(problem), problem=True)

    def _keep_photo(self, photo: bytes | None) -> None:
        record, store = self._current(), self.context.store
        if record is None or store is None or not (who := self.context.named()):
            return
        try:
            store.save_tool(replace(record, photo=photo), who=who)
        except (StoreError, ValueError) as problem:
            self.say(str(problem), problem=True)
            return
        self.views.setCurrentWidget(self.main)
        self.context.store_changed.emit("tools")
        self.say(f"{record.number} has {'its photo' if photo else 'no photo any more'}.")

    # --------------------------------------------------------------------------------------------------------- changing

    def open(self, key: str) -> None:
        """Show the tool with this number (or barcode), or a view."""
        store = self.context.store
        if store is None:
            self._wished = key
            return
        if key.startswith("view:"):
            name, _, rest = key.removeprefix("view:").partition(":")
            if is_view(name) or name == TOOLS:
                self.show_view(name, rest)
            return
        record = store.tool(key)
        self.show_list()
        if record is None:
            self.say(f"No tool in the rack has the number or code {key}.", problem=True)
            return
        self.search.clear()
        self.place.setCurrentIndex(0)
        self.show_which.choose(Show.RETIRED if record.state is ToolState.RETIRED else Show.ALL)
        self._select(record.number)

    def take_scan(self, code: str) -> bool:
        """Take a scan while jobs are logged; anything else is left to the window."""
        jobs = self._built.get("jobs")
        if jobs is None or self.views.currentWidget() is not jobs:
            return False
        return bool(getattr(jobs, "take_scan")(code))  # noqa: B009 (views are known by what they offer)

    def _open_typed(self) -> None:
        """A whole number, barcode or label in the search field is one tool: show it and nothing else."""
        store, text = self.context.store, self.search.text().strip()
        if store is None or not text:
            return
        try:
            record = store.tool(number_of_scan(text))
        except ScanError as problem:
            self.say(str(problem), problem=True)
            return
        if record is not None and (text != record.number or len(self.list.rows) != 1):
            self.open(record.number)

    def verify(self) -> None:
        """Put the tool under the cursor up on the Bench."""
        row = self.list.current()
        if row is None or self.views.currentWidget() is not self.main:
            return
        if row.state is ToolState.RETIRED:
            self.say(f"{row.number} is retired. Take it up again first (State …).", problem=True)
            return
        self.context.tool_wanted.emit(row.number)

    def edit_tool(self, record: ToolRecord | None) -> None:
        """Ask about a new tool, or about one in the rack."""
        if self.context.store is None:
            return
        self.heading(f"Change {record.number}" if record else "A new tool", "")
        self.add.setVisible(False)
        self.more.setVisible(False)
        self.views.setCurrentWidget(self.editor)
        self.editor.ask(record, self.context.unit)

    def _keep(self, record: ToolRecord) -> None:
        store = self.context.store
        if store is None:
            return
        if not (who := self.context.named()):
            self.editor.problem.setText(WHO_FIRST)
            return
        if self.editor.record is None and store.tool(record.number) is not None:
            self.editor.form.refuse("number", f"{record.number} is in the rack already; every number stands once.")
            return
        try:
            opened, now = self.editor.record, store.tool(record.number)
            if opened is not None and now is not None:
                record, self.editor.record, both = tool_merged(opened, record, now)
                if both:
                    self.editor.problem.setText(told(record.number, both))
                    return
            store.save_tool(record, who=who)
        except (StoreError, ValueError) as problem:
            self.editor.problem.setText(str(problem))
            return
        self.views.setCurrentWidget(self.main)
        self.context.store_changed.emit("tools")
        self.search.clear()
        self.show_list()
        self._select(record.number)
        self.card.verify.setFocus(Qt.FocusReason.OtherFocusReason)
        self.say(f"{record.number} is in the rack.")

    def ask_state(self) -> None:
        """Ask for a change of state of the tool under the cursor."""
        record = self._current()
        if record is None:
            return
        box = self.stating.state.box
        box.clear()
        for state, text in NEXT_STATES[record.state]:
            box.addItem(text, state.value)
        self.stating.who.put(self.context.operator)
        self.stating.why.put("")
        self.stating.problem.setText("")
        self.stating.override.hide()
        for field in self.stating.form.fields.values():
            field.accept()
        self.heading(f"{record.number} is {STATE_WORDS[record.shown_state(today())]}", "")
        self.views.setCurrentWidget(self.stating)
        box.setFocus(Qt.FocusReason.OtherFocusReason)

    def _change_state(self, custodian: str = "") -> None:
        record, store = self._current(), self.context.store
        entered = self.stating.form.values()
        if record is None or store is None or entered is None:
            return
        state = ToolState(entered["state"])
        try:
            change = store.change_state(
                record.number,
                state,
                who=custodian or entered["who"],
                why=entered["why"],
                override=bool(custodian),
            )
        except StoreError as problem:
            self.stating.problem.setText(str(problem))
            self.stating.override.setVisible(state is ToolState.IN_SERVICE and not custodian)
            return
        self.views.setCurrentWidget(self.main)
        self.context.store_changed.emit("tools")
        self.say(f"{record.number}: {STATE_WORDS[change.new]}.")

    def _override_state(self) -> None:
        """Back to service without a full run within limits: the custodian's word, and the record says so."""
        record = self._current()
        if record is not None and self.stating.form.values() is not None:
            self.context.as_custodian(f"to put {record.number} back in service", self._change_state)

    # ------------------------------------------------------------------------------------------------ export and import

    def ask_export(self, ending: str) -> None:
        """Ask where the tools that are listed go as a table."""
        kinds = {"xlsx": "Workbooks (*.xlsx)", "csv": "Text tables (*.csv)"}[ending]
        name = f"tools-{today().isoformat()}.{ending}"
        path = ask_save(self, "The tools that are listed", name, kinds)
        if path is not None:
            self.export_tools(path)

    def export_tools(self, path: Path) -> None:
        """Write the tools that are listed as XLSX or, by the file's ending, CSV."""
        from benchapp.records import exchange

        header, rows = exchange.tool_table(row.record for row in self.list.rows)
        try:
            if path.suffix.casefold() == ".csv":
                path.write_text(exchange.to_csv(header, rows), encoding="utf-8", newline="")
            else:
                exchange.to_xlsx(path, {"tools": (header, rows)})
        except OSError as problem:
            self.say(f"Nothing was written: {problem}", problem=True)
            return
        self.say(f"{len(rows)} tool{'' if len(rows) == 1 else 's'} written to {path.name}.")

    def ask_import(self) -> None:
        """Ask for a list and show what would be imported."""
        path = ask_open(self, "A list of tools", "Lists (*.csv *.xlsx);;All files (*)")
        if path is not None:
            self.preview_import(str(path))

    def preview_import(self, path: str) -> None:
        """Show what a list holds; nothing is imported yet."""
        if self.context.store is None:
            return
        self.heading("Import a list", path)
        problem = self.importing.read(path, {row.number for row in self._rows}, self.context.unit)
        if problem:
            self.show_list()
            self.say(problem, problem=True)
            return
        self.add.setVisible(False)
        self.more.setVisible(False)
        self.views.setCurrentWidget(self.importing)

    def _import(self, records: list[ToolRecord]) -> None:
        store = self.context.store
        if store is None or not (who := self.context.named()):
            return
        try:
            import_tools(store, records, who=who, origin=self.subtitle.text().rsplit("/", 1)[-1])
        except (StoreError, ValueError) as problem:
            self.say(f"{problem} Nothing was imported.", problem=True)
            return
        self.views.setCurrentWidget(self.main)
        self.context.store_changed.emit("tools")
        self.say(f"{len(records)} tools were added to the rack.")

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Arrow keys and Enter in the search field walk the list without leaving the field."""
        if watched is self.search and event.type() == QEvent.Type.KeyPress and isinstance(event, QKeyEvent):
            if event.key() in (Qt.Key.Key_Down, Qt.Key.Key_Up):
                step = 1 if event.key() == Qt.Key.Key_Down else -1
                row = self.list.currentIndex().row() + step
                if 0 <= row < len(self.list.rows):
                    self.list.selectRow(row)
                return True
            if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
                self._open_typed()
                self.card.verify.setFocus(Qt.FocusReason.OtherFocusReason)
                return True
        return super().eventFilter(watched, event)


def _made_by(row: Row) -> str:
    tool = row.record.tool
    return "  ".join(part for part in (tool.maker, tool.model, tool.drive) if part)
