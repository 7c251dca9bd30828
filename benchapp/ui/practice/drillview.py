"""Drills: choose what to practise and with what, see how it should look, begin; then the board of the drill."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QLineEdit, QSizePolicy, QVBoxLayout, QWidget

from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import ToolType
from benchapp.practice.drills import Drill, Drills, shipped_drills
from benchapp.practice.progress import Reached, reached
from benchapp.records.model import ToolRecord, ToolState
from benchapp.torque.direction import Direction
from benchapp.torque.text import parse_torque
from benchapp.ui import words
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Choices, Panel, in_row, label, main_button, plain_button
from benchapp.ui.format import glued, percent, plural, range_text
from benchapp.ui.listing import Column, Listing, row_height
from benchapp.ui.page import scrolled, today
from benchapp.ui.practice import texts
from benchapp.ui.practice.board import HowItLooks
from benchapp.ui.practice.boardview import BoardView, wall_now
from benchapp.ui.practice.drillboard import DrillBoard
from benchapp.ui.practice.sitting import (
    Choice,
    Sitting,
    checked_target,
    deviation_near,
    fitting,
    usual_target,
    why_not,
)

MOST_TOOLS = 1_000_000  # all there are


@dataclass(frozen=True, slots=True)
class DrillRow:
    """A drill with how far the person is."""

    drill: Drill
    reached: Reached | None

    @property
    def stands(self) -> str:
        """In words."""
        if self.reached is None or not self.reached.n_pulls:
            return "not tried yet"
        n = plural(self.reached.n_pulls, "pull")
        if not self.reached.level:
            return f"no level yet, {n}"
        return f"level {self.reached.level} of {len(self.drill.levels)} passed {self.reached.at[:10]}, {n}"


@dataclass(frozen=True, slots=True)
class ToolRow:
    """A tool with why it may not be practised with ("" when it may)."""

    record: ToolRecord
    why_not: str

    @property
    def says(self) -> str:
        """The second line."""
        if self.why_not:
            return self.why_not.removeprefix(f"{self.record.number} ")
        day = self.record.last_verified
        late = ", overdue" if self.record.shown_state(today()) is ToolState.OVERDUE else ""
        return f"{range_text(self.record.tool)}, within limits on {day.isoformat()}{late}" if day else ""


class Chooser(QWidget):
    """What, how it should look, with what; one button."""

    begun = Signal(object)  # Choice

    def __init__(self, context: AppContext, drills: Drills) -> None:
        super().__init__()
        self.context = context
        self.drills = drills
        self.choice: Choice | None = None
        self._references: list[Reference] = []
        self._levels: dict[str, int] = {}
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.setSpacing(10)
        row = QHBoxLayout()
        row.setSpacing(12)
        outer.addLayout(row, 1)
        row.addWidget(self._what_panel(), 4)
        row.addWidget(self._how_panel(), 6)
        row.addWidget(self._who_panel(), 5)
        outer.addWidget(self._foot_panel())
        self.setFocusProxy(self.list)
        context.operator_changed.connect(self._operator_changed)

    def _what_panel(self) -> Panel:
        what = Panel("1   What to practise")
        self.list = Listing(
            [Column("", lambda r: r.drill.name, second=lambda r: r.stands, strong=True)],
            sortable=False,
            name="Drills",
        )
        self.list.horizontalHeader().hide()
        self.list.chosen.connect(self._drill_chosen)
        what.body.addWidget(self.list)
        self.rest = label(texts.rest_text(self.drills.rest), "soft", wrap=True)
        self.sources = label("", "soft", wrap=True)
        what.body.addWidget(label("When to rest", "section"))
        what.body.addWidget(self.rest)
        what.body.addWidget(label("How it is measured, and from where", "section"))
        holder = QWidget()
        inside = QVBoxLayout(holder)
        inside.setContentsMargins(0, 0, 0, 0)
        inside.addWidget(self.sources)
        inside.addStretch(1)
        what.body.addWidget(scrolled(holder), 1)
        return what

    def _how_panel(self) -> Panel:
        how = Panel("2   How it should look")
        self.about = label("", wrap=True)
        self.looks = HowItLooks()
        self.looks.setMinimumHeight(120)
        self.level_label = label("Level", "soft")
        self.level = Choices()
        self.level.setAccessibleName("Level")
        self.level.currentIndexChanged.connect(self._level_chosen)
        self.aims = label("", wrap=True)
        self.passes = label("", "soft", wrap=True)
        how.body.addWidget(self.about)
        how.body.addWidget(self.looks, 1)
        how.body.addLayout(in_row(self.level_label, self.level))
        for widget in (self.aims, self.passes):
            how.body.addWidget(widget)
        return how

    def _who_panel(self) -> Panel:
        using = Panel("3   Who, and with what")
        self.who = Choices()
        self.who.setEditable(True)
        self.who.setInsertPolicy(Choices.InsertPolicy.NoInsert)
        self.who.setAccessibleName("Who practises")
        self.who.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)  # names are long
        self.who.editTextChanged.connect(self._who_changed)
        using.body.addWidget(label("Who practises", "soft"))
        using.body.addWidget(self.who)
        using.body.addWidget(label("Tool, verified and within its limits", "soft"))
        self.tools = Listing(
            [
                Column(
                    "",
                    lambda r: r.record.number,
                    second=lambda r: r.says,
                    strong=True,
                    mark=lambda r: "bar" if r.why_not else "full",
                )
            ],
            sortable=False,
            name="Tools",
        )
        self.tools.horizontalHeader().hide()
        self.tools.chosen.connect(self._tool_chosen)
        using.body.addWidget(self.tools, 1)
        line = QHBoxLayout()
        self.target_label = label("Set to", "soft")
        self.target = QLineEdit()
        self.target.setAccessibleName("Torque")
        self.target.textEdited.connect(self._replan)
        self.target.returnPressed.connect(self._begin)
        self.reference = Choices()
        self.reference.setAccessibleName("Reference mounted")
        self.reference.activated.connect(self._replan)
        line.addWidget(self.target_label)
        line.addWidget(self.target, 2)
        line.addWidget(label("on", "soft"))
        line.addWidget(self.reference, 3)
        using.body.addLayout(line)
        return using

    def _foot_panel(self) -> Panel:
        foot = Panel()
        bottom = QHBoxLayout()
        self.says = label("", wrap=True)
        self.says.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.verify = plain_button("Verify it on the Bench")
        self.verify.clicked.connect(self._verify)
        self.go = main_button("Begin")
        self.go.clicked.connect(self._begin)
        bottom.addWidget(self.says, 1)
        bottom.addWidget(self.verify)
        bottom.addWidget(self.go)
        foot.body.addLayout(bottom)
        return foot

    # ------------------------------------------------------------------------------------------------------------ fill

    def refresh(self) -> None:
        """Read the store again."""
        store = self.context.store
        if store is None:
            return
        self._references = store.references()
        names = [person.name for person in store.people()]
        now = self.who.currentText() or self.context.operator
        self.who.blockSignals(True)
        self.who.clear()
        for name in dict.fromkeys([*([now] if now else []), *names]):
            self.who.addItem(name)
        self.who.setEditText(now)
        self.who.blockSignals(False)
        self._fill_drills()
        self._fill_tools()
        self._replan()

    def _fill_drills(self) -> None:
        store, person = self.context.store, self.who.currentText().strip()
        lines: dict[str, Reached] = {}
        if store is not None and person:
            from benchapp.records import practice

            lines = {one.drill: one for one in reached(self.drills, practice.lines_of(store, person))}
        self.list.show_rows([DrillRow(drill, lines.get(drill.key)) for drill in self.drills.all])
        row = self.list.current()
        if row is not None:
            self._show_drill(row)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """The list of drills is as high as its rows: what is beneath it has the rest."""
        super().resizeEvent(event)
        self.list.setFixedHeight(row_height(self.list.fontMetrics()) * len(self.drills.all) + 8)

    def _fill_tools(self) -> None:
        store, row = self.context.store, self.list.current()
        if store is None or row is None:
            return
        before = self.tools.current()
        found = [
            ToolRow(record, why_not(record)) for record in store.tools(limit=MOST_TOOLS) if row.drill.suits(record.tool)
        ]
        found.sort(key=lambda one: bool(one.why_not))
        self.tools.show_rows(found)
        if before is not None:
            self.pick_tool(before.record.number)
        chosen = self.tools.current()
        if chosen is not None and (before is None or before.record.number != chosen.record.number):
            self._tool_chosen(chosen)

    def pick_tool(self, number: str) -> bool:
        """Put the cursor on a tool; False when it is not offered."""
        for index, one in enumerate(self.tools.rows):
            if one.record.number == number:
                self.tools.selectRow(index)
                return True
        return False

    def pick_drill(self, key: str) -> None:
        """Put the cursor on a drill."""
        for index, row in enumerate(self.list.rows):
            if row.drill.key == key:
                self.list.selectRow(index)

    # ---------------------------------------------------------------------------------------------------------- chosen

    def _drill_chosen(self, row: Any) -> None:
        self._show_drill(row)
        self._fill_tools()
        self._replan()

    def _show_drill(self, row: DrillRow) -> None:
        drill = row.drill
        self.about.setText(drill.about)
        self.looks.show_drawing(drill.drawing)
        number = self._levels.get(drill.key) or min((row.reached.level if row.reached else 0) + 1, len(drill.levels))
        self.level.blockSignals(True)
        self.level.clear()
        for level in drill.levels:
            self.level.addItem(f"{level.number} of {len(drill.levels)}", level.number)
        self.level.setCurrentIndex(number - 1)
        self.level.blockSignals(False)
        self.target_label.setText("Set to" if drill.tool_type is ToolType.SETTING else "To")
        self._show_level(drill)

    def _level_chosen(self, _index: int) -> None:
        row = self.list.current()
        if row is not None and self.level.currentData():
            self._levels[row.drill.key] = int(self.level.currentData())
            self._show_level(row.drill)
            self._replan()

    def _show_level(self, drill: Drill) -> None:
        level = drill.level(int(self.level.currentData() or 1))
        aims = (*level.aims, *level.spreads)
        self.aims.setText(glued("\n".join(line.capitalize() for line in texts.aims_text(aims))))
        self.passes.setText(texts.passes_text(level))
        self.sources.setText(glued(texts.measured_text(drill, aims)))

    def forget_level(self, key: str) -> None:
        """Offer the level after the highest passed one again."""
        self._levels.pop(key, None)

    def _tool_chosen(self, row: Any) -> None:
        tool = row.record.tool
        self.target.setText(f"{words.plain(usual_target(tool))} {tool.unit}")
        self._replan()

    def _operator_changed(self, name: str) -> None:
        if name and name != self.who.currentText():
            self.who.setEditText(name)

    def _who_changed(self, _text: str) -> None:
        self._fill_drills()
        self._replan()

    # ------------------------------------------------------------------------------------------------------------ plan

    def _replan(self, *_: object) -> None:
        self.choice = None
        problem, verify = self._plan()
        self.says.setText(glued(problem or self._ready()))
        self.says.setProperty("kind", "" if self.choice is not None else "soft")
        self.says.style().unpolish(self.says)
        self.says.style().polish(self.says)
        self.go.setEnabled(self.choice is not None)
        self.verify.setVisible(verify)

    def _ready(self) -> str:
        choice = self.choice
        assert choice is not None
        text = "Every pull is captured by itself: nothing to press. "
        if choice.tool_deviation_percent:
            text += f"The tool's own deviation of {percent(choice.tool_deviation_percent)} is taken out. "
        return text + texts.NOT_EVIDENCE

    def _plan(self) -> tuple[str, bool]:
        """Return (what is missing or "", whether verifying the tool would help) and put the choice together."""
        drill_row, tool_row = self.list.current(), self.tools.current()
        if self.context.store is None or drill_row is None:
            return "The store is being opened.", False
        if tool_row is None:
            kind = "that lets go" if drill_row.drill.tool_type is ToolType.SETTING else "that shows torque"
            return f"There is no tool {kind} in the Rack: enter one there and verify it on the Bench.", False
        tool = tool_row.record.tool
        if tool_row.why_not:
            self._fill_references(0.0, tool.directions[0])
            return tool_row.why_not, tool_row.record.last_verified is None or "verify" in tool_row.why_not
        try:
            value, unit = parse_torque(self.target.text(), tool.unit)
        except ValueError as error:
            return str(error), False
        target_nm, why = checked_target(tool, value, unit)
        if why:
            return why, False
        direction = tool.directions[0]
        fit = self._fill_references(target_nm, direction)
        if not fit:
            return self._no_reference(target_nm), False
        person = self.who.currentText().strip()
        if not person:
            return "Who practises? Choose or type a name.", False
        reference = next((one for one in fit if one.number == self.reference.currentData()), fit[0])
        drill = drill_row.drill
        deviation = 0.0
        if drill.tool_type is ToolType.INDICATING:
            deviation = deviation_near(self.context.store.history(tool.number, limit=200), target_nm, direction)
        level = int(self.level.currentData() or 1)
        self.choice = Choice(person, tool, drill, level, target_nm, reference, direction, deviation)
        return "", False

    def _fill_references(self, target_nm: float, direction: Direction) -> list[Reference]:
        fit = fitting(self._references, target_nm, direction) if target_nm else []
        wanted = [one.number for one in fit]
        here = [self.reference.itemData(i) for i in range(self.reference.count())]
        if wanted != here:
            settings = getattr(self.window(), "settings", None)
            chosen = self.reference.currentData() or (settings.get("reference") if settings is not None else "")
            self.reference.blockSignals(True)
            self.reference.clear()
            for one in fit:
                self.reference.addItem(f"{one.number}, {words.plain(one.capacity_nm)} N·m", one.number)
            if chosen in wanted:
                self.reference.setCurrentIndex(wanted.index(chosen))
            self.reference.blockSignals(False)
        return fit

    def _no_reference(self, target_nm: float) -> str:
        from benchapp.ui.practice.sitting import HEADROOM

        greatest = max((one.capacity_nm for one in self._references if one.calibration is not None), default=0.0)
        if not greatest:
            return "There is no calibrated reference: enter one under References."
        return (
            f"A hand may go {100 * (HEADROOM - 1):.0f} % past the click: {words.plain(float(f'{target_nm:.4g}'))} N·m "
            f"needs a calibrated reference of {words.plain(float(f'{HEADROOM * target_nm:.4g}'))} N·m or more that "
            f"covers it; the largest here has {words.plain(greatest)} N·m. Set the tool to another torque."
        )

    def _verify(self) -> None:
        row = self.tools.current()
        if row is not None:
            self.context.tool_wanted.emit(row.record.number)

    def _begin(self) -> None:
        if self.choice is None:
            return
        set_operator = getattr(self.window(), "set_operator", None)
        if callable(set_operator):
            set_operator(self.choice.person)
        self.begun.emit(self.choice)


class DrillView(BoardView):
    """The chooser, and the board while a drill is under way."""

    board: DrillBoard

    def __init__(self, context: AppContext, *, clock: Callable[[], dt.datetime] = wall_now) -> None:
        drills = shipped_drills()
        chooser = Chooser(context, drills)
        super().__init__(chooser, DrillBoard(context))
        self.context, self.clock = context, clock
        self.drills, self.chooser = drills, chooser
        self.chooser.begun.connect(self.begin)
        self.board.left.connect(self._left)

    def begin(self, choice: Choice) -> None:
        """Begin a drill."""
        sitting = Sitting(self.context.store, self.drills, choice, self.clock)
        try:
            self.board.begin(sitting)
        except ValueError as refused:
            self.board.sitting = None
            self.context.message.emit("problem", f"{refused}")
            return
        self._begun()

    def _left(self, why: str) -> None:
        self.stack.setCurrentWidget(self.chooser)
        row = self.chooser.list.current()
        if row is not None:
            self.chooser.forget_level(row.drill.key)
        self.under_way.emit(False)
        self.chooser.refresh()
        if why:
            self.context.message.emit("problem", why)
        self.context.store_changed.emit("practice")
        self.chooser.list.setFocus(Qt.FocusReason.OtherFocusReason)

    def open(self, key: str) -> None:
        """Put the cursor on a tool, and on a drill that suits it."""
        store = self.context.store
        record = store.tool(key) if store is not None else None
        if record is None or self.board.is_under_way:
            return
        row = self.chooser.list.current()
        if row is None or not row.drill.suits(record.tool):
            self.chooser.pick_drill(next(drill.key for drill in self.drills.all if drill.suits(record.tool)))
        self.chooser.pick_tool(record.number)

    def refresh(self) -> None:
        """Read the store again."""
        if not self.board.is_under_way:
            self.chooser.refresh()

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        self.chooser.looks.restyle()
        self.board.restyle()
