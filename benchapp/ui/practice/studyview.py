"""Person or tool: set a study up, go on with one, see what it found."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Callable
from typing import Any, Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QMenu,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import ToolType
from benchapp.practice.study import (
    ADVISED,
    LEAST,
    StudyPlan,
    StudyRefusedError,
    StudyTool,
    evaluate,
    outlook,
    plan_study,
    without,
)
from benchapp.records.model import ToolRecord
from benchapp.torque.direction import Direction
from benchapp.torque.text import parse_torque
from benchapp.torque.units import from_nm, to_nm
from benchapp.ui import theme, words
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Choices, Panel, label, main_button, plain_button, quiet_button
from benchapp.ui.format import glued, plural, range_text, wall_text
from benchapp.ui.listing import Column, Listing
from benchapp.ui.practice.boardview import BoardView, wall_now
from benchapp.ui.practice.sitting import HEADROOM, fitting, usual_target, why_not
from benchapp.ui.practice.studyboard import StudyBoard
from benchapp.ui.practice.studyresult import StudyResult, confirmed

MOST_TOOLS: Final = 1_000_000
DATA: Final = Qt.ItemDataRole.UserRole


class Setup(QWidget):
    """Who, with what, how often; earlier studies beside it."""

    begun = Signal(object, str)  # StudyPlan, name
    opened = Signal(object)  # StoredStudy
    ended = Signal(object)  # StoredStudy
    dropped = Signal(object, str)  # StoredStudy, who left
    deleted = Signal(object)  # StoredStudy

    def __init__(self, context: AppContext, now: Callable[[], dt.datetime]) -> None:
        super().__init__()
        self.context, self.now = context, now
        self.plan: StudyPlan | None = None
        self._references: list[Reference] = []
        self._filling = False
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.setSpacing(10)
        row = QHBoxLayout()
        row.setSpacing(12)
        outer.addLayout(row, 1)
        row.addWidget(self._who_panel(), 3)
        row.addWidget(self._tools_panel(), 5)
        row.addWidget(self._how_panel(), 5)
        row.addWidget(self._earlier_panel(), 4)
        outer.addWidget(self._foot_panel())
        self.setFocusProxy(self.people)

    def _who_panel(self) -> Panel:
        who = Panel("1   Who pulls")
        self.people = QListWidget()
        self.people.setAccessibleName("People of the study")
        self.people.itemChanged.connect(self._changed)
        who.body.addWidget(self.people, 1)
        self.name = QLineEdit()
        self.name.setPlaceholderText("another name, Enter")
        self.name.setAccessibleName("Name of somebody else")
        self.name.returnPressed.connect(self._add_person)
        who.body.addWidget(self.name)
        return who

    def _tools_panel(self) -> Panel:
        what = Panel("2   With which tools")
        self.tools = QListWidget()
        self.tools.setAccessibleName("Tools of the study")
        self.tools.itemChanged.connect(self._changed)
        what.body.addWidget(self.tools, 1)
        what.body.addWidget(
            label("Setting tools in service whose last verification was within limits can be taken.", "soft", wrap=True)
        )
        return what

    def _how_panel(self) -> Panel:
        how = Panel("3   How")
        how.body.addWidget(label("Rounds: in each, everybody pulls every tool once", "soft", wrap=True))
        self.rounds = ChoiceField(
            "Rounds", [(str(n), str(n)) for n in (2, 3, 4, 5, 6)], value="3", on_change=lambda _: self._replan()
        )
        how.body.addWidget(self.rounds)
        how.body.addWidget(label("Set to (empty: each tool to 60 % of its maximum)", "soft", wrap=True))
        self.target = QLineEdit()
        self.target.setAccessibleName("Torque all tools are set to")
        self.target.setPlaceholderText("each its own")
        self.target.textEdited.connect(self._replan)
        how.body.addWidget(self.target)
        how.body.addWidget(label("Reference mounted", "soft"))
        self.reference = Choices()
        self.reference.setAccessibleName("Reference mounted")
        self.reference.setPlaceholderText("tick tools first")
        self.reference.activated.connect(self._replan)
        how.body.addWidget(self.reference)
        how.body.addWidget(label("Pull again when", "soft"))
        self.manner = ChoiceField(
            "Pull again when",
            [("damaged", "damaged"), ("manner", "damaged or badly pulled")],
            on_change=lambda _: self._replan(),
        )
        how.body.addWidget(self.manner)
        how.body.addWidget(
            label(
                "How a person pulls is what the study is about: usually only pulls whose reading cannot be trusted are "
                "made again. Pulls come in random order and blind; values are compared in percent of each target.",
                "soft",
                wrap=True,
            )
        )
        how.body.addStretch(1)
        return how

    def _earlier_panel(self) -> Panel:
        earlier = Panel("Studies so far")
        self.list = Listing(
            [
                Column(
                    "",
                    lambda r: wall_text(r.started),
                    second=self._stands,
                    strong=True,
                    mark=lambda r: "half" if r.is_open else "full",
                )
            ],
            sortable=False,
            name="Studies",
        )
        self.list.horizontalHeader().hide()
        self.list.opened.connect(self.opened)
        self.none_yet = label("None yet. A half-filled mark will show one that can be gone on with.", "soft", wrap=True)
        earlier.body.addWidget(self.none_yet)
        earlier.body.addWidget(self.list, 1)
        self.list.chosen.connect(self._at)
        self.open_button = plain_button("Open")
        self.open_button.clicked.connect(self._open)
        self.end_button = plain_button("End it here")
        self.end_button.setToolTip("No more pulls; what was pulled in whole rounds is evaluated.")
        self.end_button.clicked.connect(self._end)
        self.drop_button = plain_button("Somebody left …")
        self.drop_button.setToolTip("Who leaves pulls no more and is not evaluated; the others go on.")
        self.drop_button.clicked.connect(self._drop)
        earlier.body.addWidget(self.open_button)
        earlier.body.addWidget(self.drop_button)
        self.delete_button = quiet_button("Delete …")
        self.delete_button.clicked.connect(self._delete)
        earlier.body.addWidget(self.end_button)
        earlier.body.addWidget(self.delete_button)
        return earlier

    def _foot_panel(self) -> Panel:
        foot = Panel()
        bottom = QHBoxLayout()
        self.says = label("", wrap=True)
        self.says.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.go = main_button("Begin")
        self.go.clicked.connect(self._begin)
        bottom.addWidget(self.says, 1)
        bottom.addWidget(self.go)
        foot.body.addLayout(bottom)
        return foot

    def restyle(self) -> None:
        """Boxes that show in both palettes: empty with a frame, full when ticked."""
        c = theme.palette()
        self.setStyleSheet(
            "QListWidget::item { padding: 4px 2px; }"
            f"QListWidget::item:selected {{ background: {c.panel_soft}; color: {c.ink}; }}"  # ticks stay in sight
            "QListWidget::indicator { width: 14px; height: 14px; border-radius: 3px; }"
            f"QListWidget::indicator:unchecked {{ border: 1px solid {c.soft}; background: {c.panel}; }}"
            f"QListWidget::indicator:checked {{ border: 1px solid {c.accent}; background: {c.accent}; }}"
            f"QListWidget::indicator:disabled {{ border: 1px solid {c.line}; background: {c.panel_soft}; }}"
        )

    # ------------------------------------------------------------------------------------------------------------ fill

    def refresh(self) -> None:
        """Read the store again; what was chosen stays chosen."""
        store = self.context.store
        if store is None:
            return
        from benchapp.records import studies

        self._references = store.references()
        self._filling = True
        here = {self.people.item(k).text() for k in range(self.people.count())}
        for person in store.people():
            if person.name not in here:
                self._row(self.people, person.name, person.name)
        chosen = set(self.chosen(self.tools))
        self.tools.clear()
        records = [one for one in store.tools(limit=MOST_TOOLS) if one.tool.tool_type is ToolType.SETTING]
        for record in sorted(records, key=lambda one: bool(why_not(one))):
            reason = why_not(record)
            text = f"{record.number}   {range_text(record.tool)}"
            item = self._row(self.tools, text, record, checked=record.number in chosen)
            if reason:
                item.setFlags(Qt.ItemFlag.ItemIsSelectable)
                item.setText(
                    f"{record.number}   {reason.removeprefix(f'{record.number} ').split(':')[0].split('.')[0]}"
                )
                item.setToolTip(reason)
        self._filling = False
        rows = studies.all_studies(store)
        self.list.show_rows(rows)
        self.none_yet.setVisible(not rows)
        self.open_button.setVisible(bool(rows))
        self.delete_button.setVisible(bool(rows))
        self._at(self.list.current())
        self._replan()

    def _row(self, into: QListWidget, text: str, data: object, *, checked: bool = False) -> QListWidgetItem:
        item = QListWidgetItem(text, into)
        item.setData(DATA, data)
        item.setFlags(Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable | Qt.ItemFlag.ItemIsUserCheckable)
        item.setCheckState(Qt.CheckState.Checked if checked else Qt.CheckState.Unchecked)
        return item

    def chosen(self, of: QListWidget) -> list[str]:
        """Return what is ticked: names of people or numbers of tools."""
        rows = (of.item(k) for k in range(of.count()))
        data = [row.data(DATA) for row in rows if row.checkState() is Qt.CheckState.Checked]
        return [one.number if isinstance(one, ToolRecord) else str(one) for one in data]

    def tick(self, of: QListWidget, key: str) -> bool:
        """Tick a person or a tool; False when it is not offered."""
        for k in range(of.count()):
            item, data = of.item(k), of.item(k).data(DATA)
            if (data.number if isinstance(data, ToolRecord) else data) == key and item.flags() & _USABLE == _USABLE:
                item.setCheckState(Qt.CheckState.Checked)
                return True
        return False

    def _add_person(self) -> None:
        name = self.name.text().strip()
        if name and not self.tick(self.people, name):
            self._row(self.people, name, name, checked=True)
        self.name.clear()

    def _stands(self, row: Any) -> str:
        n = len(row.plan.order)
        size = f"{len(row.plan.staying)} people, {len(row.plan.tools)} tools"
        if row.plan.gone:
            return f"{size}, {', '.join(row.plan.gone)} left: {plural(row.n_counted, 'pull')}"
        return f"{size}: {row.n_counted} of {n} pulls" if row.is_open else f"{size}, {plural(row.n_counted, 'pull')}"

    # ------------------------------------------------------------------------------------------------------------ plan

    def _changed(self, _item: QListWidgetItem) -> None:
        if not self._filling:
            self._replan()

    def _targets(self) -> list[StudyTool]:
        """Return the tools with their targets; raises StudyRefusedError."""
        rows = (self.tools.item(k) for k in range(self.tools.count()))
        records = [row.data(DATA) for row in rows if row.checkState() is Qt.CheckState.Checked]
        text = self.target.text().strip()
        if not text:
            return [StudyTool(one.tool, usual_target(one.tool)) for one in records]
        try:
            value, unit = parse_torque(text, self.context.unit)
        except ValueError as error:
            raise StudyRefusedError(f"Set to: {error}") from error
        value_nm = to_nm(value, unit)
        return [
            StudyTool(one.tool, value if unit == one.tool.unit else float(f"{from_nm(value_nm, one.tool.unit):.6g}"))
            for one in records
        ]

    def _replan(self) -> None:
        self.plan = None
        try:
            text = self._plan()
        except StudyRefusedError as refused:
            text = str(refused)
        self.says.setText(glued(text))
        self.go.setEnabled(self.plan is not None)

    def _plan(self) -> str:
        people, n = self.chosen(self.people), int(self.rounds.value())
        tools = self._targets()
        usable = any(self.tools.item(k).flags() & _USABLE == _USABLE for k in range(self.tools.count()))
        if not usable:
            if not self.tools.count():
                return "There is no tool that lets go in the Rack: enter some there and verify them on the Bench."
            return "No tool can be taken yet: verify setting tools on the Bench first, the list says what each lacks."
        if not people and not tools:
            return (
                f"Tick the people and the tools: {ADVISED[0]} people, {ADVISED[1]} tools and {ADVISED[2]} rounds are "
                "the least that is worth the time; more people narrow what is found most."
            )
        reference = self._fill_references(tools)
        if len(people) >= 2 and len(tools) >= 2 and reference is None:
            return self._no_reference(tools)
        self.plan = plan_study(
            people,
            tools,
            n,
            seed=secrets.randbelow(2**31),
            reference=reference or "",
            repeats_manner=self.manner.value() == "manner",
        )
        n_all = len(self.plan.order)
        few = outlook(len(people), len(tools), n)
        return f"{n_all} pulls, about {max(1, round(n_all * 25 / 60))} minutes. {few}".strip()

    def _fill_references(self, tools: list[StudyTool]) -> str | None:
        fit = self._references if tools else []
        for one in tools:
            direction = Direction.CLOCKWISE
            numbers = {each.number for each in fitting(fit, one.target_nm, direction)}
            fit = [each for each in fit if each.number in numbers]
        fit = sorted(fit, key=lambda each: each.capacity_nm)
        wanted = [each.number for each in fit]
        if wanted != [self.reference.itemData(k) for k in range(self.reference.count())]:
            before = self.reference.currentData()
            self.reference.clear()
            for each in fit:
                self.reference.addItem(f"{each.number}, {words.plain(each.capacity_nm)} N·m", each.number)
            # a field with a placeholder takes none of them by itself
            self.reference.setCurrentIndex(wanted.index(before) if before in wanted else 0 if wanted else -1)
        return str(self.reference.currentData()) if fit else None

    def _no_reference(self, tools: list[StudyTool]) -> str:
        low, high = (f(one.target_nm for one in tools) for f in (min, max))
        return (
            f"No one reference covers all of it: {words.plain(float(f'{low:.4g}'))} to "
            f"{words.plain(float(f'{HEADROOM * high:.4g}'))} N·m (a hand may go {100 * (HEADROOM - 1):.0f} % past the "
            "click). Take tools of a like size, or set all to one torque."
        )

    def _begin(self) -> None:
        self._replan()  # an order of its own, also for the same people and tools a second time
        if self.plan is not None:
            names = f"{len(self.plan.people)} people, {len(self.plan.tools)} tools"
            self.begun.emit(self.plan, names)

    def _at(self, row: Any) -> None:
        is_open = row is not None and row.is_open
        self.open_button.setText("Go on" if is_open else "Show the result")
        self.end_button.setVisible(is_open)
        self.drop_button.setVisible(is_open and len(row.plan.staying) > LEAST)

    def _end(self) -> None:
        if self.list.current() is not None:
            self.ended.emit(self.list.current())

    def _drop(self) -> None:
        study = self.list.current()
        if study is None:
            return
        menu = QMenu(self)
        for name in study.plan.staying:
            menu.addAction(name).setData(name)
        menu.triggered.connect(lambda action: self._ask_drop(study, str(action.data())))
        menu.popup(self.drop_button.mapToGlobal(self.drop_button.rect().bottomLeft()))

    def _ask_drop(self, study: Any, name: str) -> None:
        says = (
            f"{name} pulls no more in this study and is not evaluated; what was pulled so far stays in the export. The "
            "others go on. This cannot be taken back."
        )
        if confirmed(self, f"{name} left", says):
            self.dropped.emit(study, name)

    def _delete(self) -> None:
        """Also one that nobody goes on with: it has no result to be deleted from."""
        study = self.list.current()
        if study is None:
            return
        says = (
            f"The study of {wall_text(study.started)} will be deleted for good. Verification records are not touched."
        )
        if confirmed(self, "Delete this study", says):
            self.deleted.emit(study)

    def _open(self) -> None:
        if self.list.current() is not None:
            self.opened.emit(self.list.current())


_USABLE: Final = Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsUserCheckable


class StudyView(BoardView):
    """Set-up, the board while a study is under way, and the result.

    Args:
        context: Shared by all pages.
        clock: Wall time with its offset; a test puts its own.
    """

    board: StudyBoard

    def __init__(self, context: AppContext, *, clock: Callable[[], dt.datetime] = wall_now) -> None:
        setup, result = Setup(context, clock), StudyResult(context)
        super().__init__(setup, StudyBoard(context, clock), result)
        self.context, self.clock = context, clock
        self._too_few = ""  # why a study could not be ended yet; over once it goes on
        self.setup, self.result = setup, result
        self.setup.begun.connect(self.begin)
        self.setup.opened.connect(self.open_study)
        self.setup.ended.connect(self.end)
        self.setup.dropped.connect(self.drop)
        self.setup.deleted.connect(self.delete)
        self.board.left.connect(self._left)
        self.board.finished.connect(self._finished)
        self.result.back.connect(self._back)
        self.result.go_on.connect(self.go_on)

    def begin(self, plan: StudyPlan, name: str) -> None:
        """Store a new study and go on with it."""
        store = self.context.store
        if store is None:
            self.context.message.emit("problem", "The records are not open: a study needs them.")
            return
        from benchapp.records import StoreError, studies

        try:
            study = studies.begin(store, plan, name=name, started=self.clock().isoformat(timespec="seconds"))
        except StoreError as error:
            self.context.message.emit("problem", str(error))
            return
        self.go_on(study)

    def go_on(self, study: Any) -> None:
        """Go on with a study at its next pull."""
        store = self.context.store
        if store is None:
            return
        from benchapp.records import studies

        plan = study.plan
        reference = next((one for one in store.references() if one.number == plan.reference), None)
        if plan.reference and reference is None:
            self.context.message.emit("problem", f"{plan.reference} is no longer there: the study cannot go on.")
            return
        try:
            self.board.begin(study, studies.pulls(store, study.key), reference)
        except ValueError as refused:
            self.context.message.emit("problem", f"{refused}")
            return
        self.context.message.emit("over", self._too_few)
        self._begun()

    def end(self, study: Any) -> None:
        """End an unfinished study with the whole rounds it has; one that has too few is told so and stays open."""
        store = self.context.store
        if store is None:
            return
        from benchapp.records import StoreError, studies

        try:
            evaluate(study.plan, studies.pulls(store, study.key))
            studies.finish(store, study.key, self.clock().isoformat(timespec="seconds"))
        except (StudyRefusedError, StoreError) as refused:
            self._too_few = str(refused)
            self.context.message.emit("problem", self._too_few)
            return
        self._finished(studies.study(store, study.key))

    def drop(self, study: Any, person: str) -> None:
        """Go on without somebody."""
        store = self.context.store
        if store is None:
            return
        from benchapp.records import StoreError, studies

        try:
            studies.change_plan(store, study.key, without(study.plan, person))
        except (StudyRefusedError, StoreError) as refused:
            self.context.message.emit("problem", str(refused))
        self.setup.refresh()

    def delete(self, study: Any) -> None:
        """Delete a study with its pulls."""
        store = self.context.store
        if store is None:
            return
        from benchapp.records import StoreError, studies

        try:
            studies.delete(store, study.key)
        except StoreError as error:
            self.context.message.emit("problem", str(error))
        self.setup.refresh()

    def open_study(self, study: Any) -> None:
        """Show what a study found, or go on with one that is not finished."""
        if study.is_open:
            self.go_on(study)
        else:
            self._show_result(study)

    def _show_result(self, study: Any) -> None:
        store = self.context.store
        if store is None:
            return
        from benchapp.records import studies

        self.result.show_study(study, studies.pulls(store, study.key))
        self._show(self.result)
        self.result.restyle()

    def _left(self, why: str) -> None:
        self.under_way.emit(False)
        self._back()
        if why:
            self.context.message.emit("problem", why)

    def _finished(self, study: Any) -> None:
        self.under_way.emit(False)
        self._show_result(study)
        self.context.store_changed.emit("studies")

    def _back(self) -> None:
        self._show(self.setup)
        self.setup.refresh()

    def open(self, key: str) -> None:
        """Open a study by its row key."""
        store = self.context.store
        if store is None or self.board.is_under_way or not key.isdigit():
            return
        from benchapp.records import studies

        study = studies.study(store, int(key))
        if study is not None:
            self.open_study(study)

    def refresh(self) -> None:
        """Read the store again."""
        if self.stack.currentWidget() is self.setup:
            self.setup.refresh()

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        self.setup.restyle()
        self.board.restyle()
        self.result.restyle()
