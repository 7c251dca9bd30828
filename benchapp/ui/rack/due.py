"""The due list: what is to be verified when, where it hangs, what it needs; on paper, in a calendar, in a table."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from PySide6.QtCore import QLocale, Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QMenu, QStackedWidget, QVBoxLayout, QWidget

from benchapp.records.due_references import DueReference, due_references
from benchapp.records.errors import StoreError
from benchapp.records.model import DEFAULT_INTERVAL_CYCLES, ToolRecord
from benchapp.torque.units import from_nm
from benchapp.ui import page as pages
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Choices, Panel, label, main_button, plain_button, quiet_button
from benchapp.ui.files import ask_save
from benchapp.ui.format import (
    direction_text,
    grouped,
    kind_text,
    natural_key,
    plural,
    range_in,
    range_text,
    short,
    torque_text,
)
from benchapp.ui.listing import Column, Listing, ListPanel
from benchapp.ui.page import EmptyNote, Facts, beside, keep_place, scrolled
from benchapp.ui.paper.duelist import DueLine, DueSection, write_due_list
from benchapp.ui.rack.duerows import (
    RANK,
    WHEN_MARKS,
    WHEN_WORDS,
    DueRow,
    ReferenceRow,
    When,
    checkpoints_text,
    date_key,
    due_text,
    needs_nm,
    readings_text,
    references_text,
    when_of,
)

if TYPE_CHECKING:
    from benchapp.metrology.reference import Reference
    from benchapp.metrology.tool import Tool
    from benchapp.records.due_needs import DueNeeds
    from benchapp.runs.planning import Needs, Refusal
    from benchapp.runs.procedure import Procedure

ANY_PLACE: Final = "any place"
REFERENCES: Final = "references"
"""Beside the times: those to be calibrated, whenever that is."""
FAR_DAYS: Final = 366 * 100  # every tool in service that has a due date at all


class DueView(QWidget):
    """The list on the left, what the tool under the cursor needs on the right."""

    heading_changed = Signal()

    def __init__(self, context: AppContext) -> None:
        super().__init__()
        self.context = context
        self._rows: list[DueRow] = []
        self._due_references: list[ReferenceRow] = []
        self._references: list[Reference] = []
        self._procedure: Procedure | None = None
        self._records: dict[str, ToolRecord | None] = {}
        self._needs: dict[str, Needs | Refusal | None] = {}
        self._needs_of_kind: dict[Tool, Needs | Refusal] = {}
        self._day = pages.today()
        self.views = QStackedWidget()
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(self.views)
        self.empty = EmptyNote(
            "Nothing can be due yet",
            "A tool in service is due when its months or its cycles are over. Add the shop's tools to the Rack, and "
            "this list says what is to be verified this week, where it hangs and which reference it needs.",
            "Go to the tools",
        )
        self._build_main()
        self.views.addWidget(self.empty)
        self.views.addWidget(self.main)
        self.empty.wanted.connect(lambda: context.page_wanted.emit("rack", "view:tools"))
        self.setFocusProxy(self.list)

    def _build_main(self) -> None:
        self.main, row = beside()
        row.addWidget(self._list_panel(), 12)
        self._build_card()
        row.addWidget(self.card, 5)
        self.list.chosen.connect(self._show)
        self.list.opened.connect(lambda _row: self.verify())

    def _list_panel(self) -> ListPanel:
        left = ListPanel()
        self.which = ChoiceField(
            "When",
            [("", "All"), *((w.value, text) for w, text in WHEN_WORDS.items()), (REFERENCES, "References")],
            on_change=self._filter,
        )
        self.order = ChoiceField("Order", [("date", "By date"), ("place", "By place")], on_change=self._filter)
        self.place = Choices([ANY_PLACE])
        self.place.setAccessibleName("place")
        self.place.narrow(11)
        self.place.currentIndexChanged.connect(self._filter)
        left.head.addWidget(self.which)
        left.head.addWidget(self.place)
        left.head.addWidget(self.order)
        left.head.addStretch(1)
        self.list = Listing(
            [
                Column(
                    "Due",
                    lambda r: WHEN_WORDS[r.when],
                    second=lambda r: due_text(r.item, self._day),
                    width=1.25,
                    mark=lambda r: WHEN_MARKS[r.when],
                    sort=lambda r: (RANK[r.when], r.item.due.toordinal() if r.item.due else 0),
                ),
                Column(
                    "Tool",
                    lambda r: r.number,
                    second=self._kind_of,
                    width=1.25,
                    strong=True,
                    sort=lambda r: natural_key(r.number),
                ),
                Column(
                    "Hangs",
                    lambda r: getattr(r.item, "place", ""),
                    second=lambda r: getattr(r.item, "keeper", ""),
                    width=1.0,
                    sort=lambda r: (getattr(r.item, "place", "").casefold(), natural_key(r.number)),
                ),
                Column(
                    "Checkpoints",
                    self._checkpoints_of,
                    second=self._readings_of,
                    width=1.5,
                    sort=needs_nm,
                ),
                Column("Reference", self._reference_of, width=1.0, sort=lambda r: needs_nm(r)[1]),
            ],
            name="tools and references that are due",
        )
        left.hold(self.list)
        self.none_found = left.nothing
        left.body.addLayout(self._foot())
        return left

    def _foot(self) -> QHBoxLayout:
        foot = QHBoxLayout()
        foot.setContentsMargins(12, 8, 12, 12)
        foot.setSpacing(8)
        self.print_it = plain_button("Print (PDF) …")
        self.calendar = plain_button("Calendar file …")
        self.calendar.setToolTip("iCalendar (RFC 5545): one day a tool or reference, for any calendar")
        self.labels = plain_button("Labels …")
        self.table = quiet_button("As a table")
        menu = QMenu(self.table)
        menu.addAction("Workbook (XLSX) …", lambda: self._ask("xlsx", "Workbooks (*.xlsx)", self.save_table))
        menu.addAction("Text (CSV) …", lambda: self._ask("csv", "Text tables (*.csv)", self.save_table))
        self.table.setMenu(menu)
        for button in (self.print_it, self.calendar, self.labels, self.table):
            foot.addWidget(button)
        foot.addStretch(1)
        self.said = label("", "soft")
        foot.addWidget(self.said)
        self.print_it.clicked.connect(lambda: self._ask("pdf", "PDF (*.pdf)", self.save_pdf))
        self.calendar.clicked.connect(lambda: self._ask("ics", "Calendar files (*.ics)", self.save_calendar))
        self.labels.clicked.connect(self._want_labels)
        return foot

    def _build_card(self) -> None:
        self.card = Panel(margin=18)
        self.card.setMinimumWidth(260)
        self.card.setMaximumWidth(560)
        keep_place(self.card)
        self.number = label("", "figure")
        self.kind = label("", "soft", wrap=True)
        self.due = label("", wrap=True)
        self.verify_it = main_button("Verify now")
        self.verify_it.setToolTip("Put it up on the Bench")
        self.to_rack = plain_button("Show in the Rack")
        self.to_reference = main_button("Open the reference")
        self.facts = Facts()
        body = self.card.body
        for widget in (self.number, self.kind, self.due):
            body.addWidget(widget)
        buttons = QHBoxLayout()
        buttons.setSpacing(6)
        buttons.addWidget(self.verify_it, 1)
        buttons.addWidget(self.to_rack)
        buttons.addWidget(self.to_reference, 1)
        body.addSpacing(4)
        body.addLayout(buttons)
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(0, 8, 4, 0)
        column.addWidget(self.facts)
        column.addStretch(1)
        body.addWidget(scrolled(inside), 1)
        self.verify_it.clicked.connect(self.verify)
        self.to_rack.clicked.connect(self._show_in_rack)
        self.to_reference.clicked.connect(self.verify)

    # ---------------------------------------------------------------------------------------------------------- reading

    def heading(self) -> tuple[str, str]:
        """Return what stands above the view."""
        if not self._rows and not self._due_references:
            return "Due", ""
        whens = [row.when for row in self._rows]
        parts = [f"{grouped(n)} {words.lower()}" for when, words in WHEN_WORDS.items() if (n := whens.count(when))]
        soon = sum(row.when in (When.OVERDUE, When.WEEK, When.MONTH) for row in self._due_references)
        return "Due", "  ·  ".join([*parts, *([f"{plural(soon, 'reference')} to calibrate"] if soon else [])])

    def refresh(self) -> None:
        """Read the store again."""
        store = self.context.store
        if store is None:
            return
        self._day = pages.today()
        try:
            items = store.due_list(self._day, within_days=FAR_DAYS)
            self._references = store.references()
        except StoreError as problem:
            self.context.message.emit("problem", str(problem))
            return
        self._records.clear()
        self._needs.clear()
        self._needs_of_kind.clear()
        self._rows = sorted((DueRow(item, when_of(item, self._day)) for item in items), key=date_key)
        to_calibrate = due_references(self._references, self._day, within_days=FAR_DAYS)
        self._due_references = sorted(
            (ReferenceRow(item, when_of(item, self._day)) for item in to_calibrate), key=date_key
        )
        places = sorted({item.place for item in items if item.place}, key=str.casefold)
        self.place.offer([ANY_PLACE, *places])
        self.place.setVisible(len(places) > 1)
        self.views.setCurrentWidget(self.main if self._rows or self._due_references else self.empty)
        self.setFocusProxy(self.list if self._rows or self._due_references else self.empty.button)
        self._filter()

    def open(self, key: str) -> None:
        """Show what is due when: a value of `When`, or `REFERENCES`."""
        self.refresh()
        if key in (*When, REFERENCES):
            self.which.choose(key)

    def _filter(self, *_: object) -> None:
        when, place = self.which.value(), self.place.currentText()
        anywhere = self.place.currentIndex() <= 0
        tools = [row for row in self._rows if when in ("", row.when.value) and (anywhere or row.item.place == place)]
        if self.order.value() == "place":
            tools.sort(key=lambda row: row.item.place.casefold())  # those of a place stay in the order of their dates
        references = [row for row in self._due_references if when in ("", row.when.value, REFERENCES) and anywhere]
        shown: list[DueRow | ReferenceRow] = [*references, *tools]
        if self.order.value() != "place":
            shown.sort(key=lambda row: RANK[row.when])  # first in each time, since the tools wait for them
        self.list.horizontalHeader().setSortIndicator(-1, Qt.SortOrder.AscendingOrder)
        self.list.show_rows(shown)
        self.none_found.setVisible(not shown)
        self.none_found.setText("" if shown else "Nothing is due then. “All” shows what comes next.")
        self.card.setVisible(bool(shown))
        for button in (self.print_it, self.calendar, self.table):
            button.setEnabled(bool(shown))
        self.labels.setEnabled(bool(tools))
        self.said.setText(f"{_counted(len(tools), len(references))} listed" if shown else "")
        self._show(self.list.current())
        self.heading_changed.emit()

    # ------------------------------------------------------------------------------------------------ what a tool needs

    def _record(self, number: str) -> ToolRecord | None:
        """Read a tool when it is first looked at: a long list is painted before all its tools are read."""
        if number not in self._records:
            store = self.context.store
            self._records[number] = store.tool(number) if store is not None else None
        return self._records[number]

    def needs(self, number: str) -> Needs | Refusal | None:
        """Return checkpoints and suitable references of a full run of the tool."""
        if number not in self._needs:
            from benchapp.records.due_needs import PROCEDURE
            from benchapp.runs.planning import Refusal, needs_of
            from benchapp.runs.procedure import shipped_procedure

            if self._procedure is None:
                self._procedure = shipped_procedure(PROCEDURE)
            record = self._record(number)
            if record is None:
                self._needs[number] = None
                return None
            kind = replace(record.tool, number="", maker="", model="", serial="", drive="")
            if kind not in self._needs_of_kind:  # a shop has few kinds, of each many
                self._needs_of_kind[kind] = needs_of(kind, self._procedure, self._references, self._day)
            found = self._needs_of_kind[kind]
            self._needs[number] = replace(found, tool=number) if isinstance(found, Refusal) else found
        return self._needs[number]

    def _tools(self) -> list[DueRow]:
        return [row for row in self.list.rows if isinstance(row, DueRow)]

    def _to_calibrate(self) -> list[ReferenceRow]:
        return [row for row in self.list.rows if isinstance(row, ReferenceRow)]

    def _kind_of(self, row: DueRow | ReferenceRow) -> str:
        if isinstance(row, ReferenceRow):
            return f"reference, {torque_text(row.item.capacity_nm, self.context.unit)}"
        record = self._record(row.number)
        return kind_text(record.tool) if record is not None else ""

    def _covers(self, item: DueReference) -> str:
        if item.usable_nm is None:
            return ""
        low, high = (short(float(f"{from_nm(end, self.context.unit):.4g}")) for end in item.usable_nm)
        return f"{low} to {high} {self.context.unit}"

    def _checkpoints_of(self, row: DueRow | ReferenceRow) -> str:
        if isinstance(row, ReferenceRow):
            return f"calibration {row.item.certificate}" if row.item.certificate else "no calibration yet"
        record = self._record(row.number)
        return checkpoints_text(self.needs(row.number), record.tool.unit if record is not None else "")

    def _readings_of(self, row: DueRow | ReferenceRow) -> str:
        if isinstance(row, ReferenceRow):
            return f"of {row.item.calibrated}, {self._covers(row.item)}" if row.item.calibrated else ""
        return readings_text(self.needs(row.number))

    def _reference_of(self, row: DueRow | ReferenceRow) -> str:
        return "laboratory" if isinstance(row, ReferenceRow) else references_text(self.needs(row.number))

    def _show_reference(self, row: ReferenceRow) -> None:
        item = row.item
        self.number.setText(item.number)
        self.kind.setText(self._kind_of(row))
        self.due.setText(due_text(item, self._day).capitalize())
        self.facts.show_facts(
            [
                ("calibration", item.certificate or "none entered"),
                ("of", item.calibrated.isoformat() if item.calibrated else ""),
                ("covers", self._covers(item)),
                ("", _SEND if item.certificate else _NEVER_CALIBRATED),
            ]
        )

    def _show(self, row: DueRow | ReferenceRow | None) -> None:
        is_reference = isinstance(row, ReferenceRow)
        for button in (self.verify_it, self.to_rack):
            button.setVisible(not is_reference)
        self.to_reference.setVisible(is_reference)
        if isinstance(row, ReferenceRow):
            self._show_reference(row)
            return
        record = self._record(row.number) if row is not None else None
        if row is None or record is None:
            return
        item, tool, needs = row.item, record.tool, self.needs(row.number)
        self.number.setText(item.number)
        self.kind.setText(kind_text(tool))
        self.due.setText(due_text(item, self._day).capitalize())
        in_other = range_in(tool, self.context.unit)
        limit = record.interval_cycles if record.interval_cycles is not None else DEFAULT_INTERVAL_CYCLES
        facts = [
            ("hangs", item.place),
            ("keeper", item.keeper),
            ("range", range_text(tool) + (f"  ({in_other})" if in_other else "")),
            ("works", direction_text(tool.directions)),
            ("last verified", record.last_verified.isoformat() if record.last_verified else "never"),
            ("cycles", f"{item.cycles} of {limit}" if item.cycles else ""),
            ("checkpoints", checkpoints_text(needs, tool.unit)),
            ("pulls", readings_text(needs)),
            ("reference", references_text(needs)),
        ]
        facts += [("", sentence) for _, sentence in getattr(needs, "why_not", ())]
        sentence = getattr(needs, "sentence", None)
        if callable(sentence):
            facts.append(("", str(sentence())))
        self.facts.show_facts(facts)

    # ----------------------------------------------------------------------------------------------------------- acting

    def verify(self) -> None:
        """Put the tool under the cursor up on the Bench; a reference is opened on its own page."""
        row = self.list.current()
        if isinstance(row, ReferenceRow):
            self.context.page_wanted.emit("references", row.number)
        elif row is not None:
            self.context.tool_wanted.emit(row.number)

    def _show_in_rack(self) -> None:
        row = self.list.current()
        if row is not None:
            self.context.page_wanted.emit("rack", row.number)

    def _want_labels(self) -> None:
        numbers = [row.number for row in self._tools()]
        self.context.page_wanted.emit("rack", "view:labels:" + "\n".join(numbers))

    def _ask(self, ending: str, kinds: str, then: Any) -> None:
        name = f"due-{self._day.isoformat()}.{ending}"
        path = ask_save(self, "The due list as it is shown", name, kinds)
        if path is not None:
            then(path)

    def save_pdf(self, path: Path) -> None:
        """Write the list as it is shown as PDF."""
        rows, to_calibrate = self._tools(), self._to_calibrate()
        by_place = self.order.value() == "place"
        sections: dict[str, list[DueLine]] = {}
        if to_calibrate:
            sections["References to calibrate"] = [self._line_of_reference(row) for row in to_calibrate]
        for row in sorted(rows, key=lambda r: (r.item.place.casefold() if by_place else "", date_key(r))):
            title = (row.item.place or "without a place") if by_place else WHEN_WORDS[row.when]
            sections.setdefault(title, []).append(self._line(row))
        when = self.which.value()
        listed = [WHEN_WORDS[When(when)].lower()] if when in list(When) else ["all in service"] if not when else []
        if self.place.currentIndex() > 0:
            listed.append(self.place.currentText())
        procedure = self._procedure.name if self._procedure is not None else ""
        subtitle = "  ·  ".join(part for part in (*listed, _counted(len(rows), len(to_calibrate)), procedure) if part)

        def write() -> str:
            n = write_due_list(
                path,
                [DueSection(title, tuple(lines)) for title, lines in sections.items()],
                day=self._day,
                subtitle=subtitle,
                is_demo=self.context.is_demo,
                letter=QLocale().measurementSystem() is QLocale.MeasurementSystem.ImperialUSSystem,
            )
            many = _counted(len(rows), len(to_calibrate))
            return f"The due list of {many} is in {path.name}, {plural(n, 'page')}."

        self._do(write)

    def _line(self, row: DueRow) -> DueLine:
        record, needs, item = self._record(row.number), self.needs(row.number), row.item
        what = f"{kind_text(record.tool)}\n{range_text(record.tool)}" if record is not None else ""
        unit = record.tool.unit if record is not None else ""
        return DueLine(
            f"{item.number}\n{what}",
            f"{item.place}\n{item.keeper}",
            f"{item.due.isoformat() if item.due else 'at once'}\n{due_text(item, self._day, dated=False)}",
            f"{checkpoints_text(needs, unit)}\n{readings_text(needs)}",
            references_text(needs),
        )

    def _line_of_reference(self, row: ReferenceRow) -> DueLine:
        item = row.item
        return DueLine(
            f"{item.number}\n{self._kind_of(row)}",
            "",
            f"{item.due.isoformat() if item.due else 'at once'}\n{due_text(item, self._day, dated=False)}",
            f"{self._checkpoints_of(row)}\n{self._readings_of(row)}",
            self._reference_of(row),
        )

    def save_calendar(self, path: Path) -> None:
        """Write an iCalendar file of the tools and references that are shown."""
        from benchapp.records.due_calendar import due_calendar

        items, references = [row.item for row in self._tools()], [row.item for row in self._to_calibrate()]

        def write() -> str:
            store = self.context.store
            now = store.now() if store is not None else dt.datetime.now(dt.UTC)
            text = due_calendar(items, now=now, needs=self._in_short(), references=references)
            path.write_text(text, encoding="utf-8", newline="")
            n, many = len(items) + len(references), _counted(len(items), len(references))
            return f"{plural(n, 'day')} for {many} {'is' if n == 1 else 'are'} in {path.name}."

        self._do(write)

    def save_table(self, path: Path) -> None:
        """Write the tools and references that are shown as XLSX or, by the file's ending, CSV."""
        from benchapp.records import exchange

        references = [row.item for row in self._to_calibrate()]
        header, rows = exchange.due_table([row.item for row in self._tools()], self._in_short(), references)

        def write() -> str:
            if path.suffix.casefold() == ".csv":
                path.write_text(exchange.to_csv(header, rows), encoding="utf-8", newline="")
            else:
                exchange.to_xlsx(path, {"due": (header, rows)})
            return f"{plural(len(rows), 'line')} of the due list {'is' if len(rows) == 1 else 'are'} in {path.name}."

        self._do(write)

    def _in_short(self) -> dict[str, DueNeeds]:
        """Return what each tool that is shown needs, for files that leave the program."""
        from benchapp.records.due_needs import in_short

        found = {}
        for row in self._tools():
            record, needs = self._record(row.number), self.needs(row.number)
            if record is not None and needs is not None:
                found[row.number] = in_short(record.tool, needs)
        return found

    def _do(self, write: Any) -> None:
        try:
            self.context.message.emit("note", write())
        except (OSError, StoreError) as problem:
            self.context.message.emit("problem", f"Nothing was written: {problem}")


_SEND: Final = "Send it to the laboratory in time: the tools it verifies wait for it."
_NEVER_CALIBRATED: Final = "Have it calibrated by a laboratory, and enter the certificate under References."


def _counted(n_tools: int, n_references: int) -> str:
    """Return how many of each, without those there are none of."""
    counts = ((n_tools, "tool"), (n_references, "reference"))
    return " and ".join(plural(n, noun) for n, noun in counts if n) or "no tool"
