"""The card of the tool: typed, scanned or picked; of one that is new its range is asked."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QAbstractItemView,
    QButtonGroup,
    QHBoxLayout,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from benchapp.metrology.tool import Tool, ToolType
from benchapp.torque.direction import Direction
from benchapp.torque.text import parse_torque
from benchapp.torque.units import from_nm, to_nm
from benchapp.ui import words
from benchapp.ui.bench.start.card import Card, first_empty
from benchapp.ui.context import AppContext
from benchapp.ui.theme import Sizes, font_of_cap

RANGE_BETWEEN: Final = re.compile(r"\s*(?:\bto\b|…|\.\.\.|–|—|(?<=\d)\s*-\s*(?=\d))\s*")


def parse_range(text: str, default_unit: str) -> tuple[float, float, str]:
    """Return (lowest, highest, unit) of a tool's range as people type it.

    Raises:
        ValueError: With a sentence that says what would be understood.
    """
    parts = RANGE_BETWEEN.split(text.strip())
    if len(parts) != 2 or not all(parts):
        raise ValueError("Type the range as lowest to highest with the unit: 20 to 100 N·m")
    highest, unit = parse_torque(parts[1], default_unit)
    lowest, lower_unit = parse_torque(parts[0], unit)
    lowest = from_nm(to_nm(lowest, lower_unit), unit) if lower_unit != unit else lowest
    if not 0 < lowest <= highest:
        raise ValueError(f"{words.plain(lowest)} to {words.plain(highest)} {unit} is no range: above zero, and rising")
    return lowest, highest, unit


class ToolCard(Card):
    """Which tool is verified.

    Attributes:
        tools: Those of the rack, by number.
    """

    picked = Signal()  # one of the list was taken

    def __init__(self, context: AppContext, parent: QWidget) -> None:
        super().__init__(1, "The tool", parent)
        self.context = context
        self.tools: dict[str, Tool] = {}
        caption = self.caption("Number, typed or scanned")
        self.number = self.line(caption.text(), "OCF-014", entered=self._number_entered)
        self.number.textEdited.connect(self.look)
        caption.setBuddy(self.number)
        self.list = QListWidget(self)
        self.list.setAccessibleName("Tools in the rack")
        self.list.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.itemClicked.connect(self._pick)
        self.list.itemActivated.connect(self._pick)
        self.column.addWidget(caption)
        self.column.addWidget(self.number)
        self.column.addWidget(self.list, 1)
        self.new_tool, column = self.group()
        self.range = self.line("Range of the new tool", "20 to 100 N·m")
        column.addWidget(self.note("It is new: lowest to highest mark, with the unit"))
        column.addWidget(self.range)
        self.kind_of = self._one_of(column, ("lets go", "It clicks or slips"), ("shows", "Dial, beam or display"))
        self.shape_of = self._one_of(column, ("wrench", ""), ("screwdriver", ""))
        self.column.addStretch(0)
        self.says = self.note()
        self.column.addWidget(self.says)

    def _one_of(self, column: QVBoxLayout, *choices: tuple[str, str]) -> QButtonGroup:
        row = QHBoxLayout()
        row.setSpacing(6)
        group = QButtonGroup(self)
        for i, (text, tip) in enumerate(choices):
            button = QPushButton(text, self)
            button.setCheckable(True)
            button.setToolTip(tip)
            button.setChecked(i == 0)
            group.addButton(button, i)
            row.addWidget(button)
        row.addStretch(1)
        group.idClicked.connect(self.changed)
        column.addLayout(row)
        return group

    def restyle(self, s: Sizes) -> None:
        """Type and margins."""
        super().restyle(s)
        self.list.setStyleSheet(f"QListWidget::item {{ padding: {round(s.body * 0.5)}px {round(s.body * 0.6)}px; }}")
        self.list.setFont(font_of_cap(s.body))

    # ---------------------------------------------------------------------------------------------------------- choices

    def offer(self, tools: Mapping[str, Tool]) -> None:
        """Offer these, by number."""
        self.tools = dict(tools)
        self.look()

    def take(self, number: str) -> None:
        """Take a tool up by its number or its code."""
        store = self.context.store
        if store is not None and number not in self.tools:
            record = store.tool(number)
            if record is not None:
                number = record.tool.number
                self.tools[number] = record.tool
        self.number.setText(number)
        self.look()

    def look(self) -> None:
        """List the tools that fit what stands in the number's field; ask the range where there is none."""
        wanted = self.number.text().strip()
        self.list.clear()
        for number, tool in self.tools.items():
            if wanted.lower() in number.lower():
                lowest = "" if tool.fixed else f"{words.plain(tool.lowest)} to "
                text = f"{number}   {lowest}{words.plain(tool.highest)} {tool.unit}"
                item = QListWidgetItem(text)
                item.setData(Qt.ItemDataRole.UserRole, number)
                self.list.addItem(item)
                if number == wanted:
                    self.list.setCurrentItem(item)
        fits = self.list.count() > 0
        # asked at once of an empty rack, once that is known; not taken away under the hand of who describes a tool
        is_empty = self.context.store is not None and not self.tools
        is_new = (bool(wanted) and not fits) or is_empty or self.range.hasFocus() or bool(self.range.text())
        self.new_tool.setVisible(self.known() is None and is_new)
        self.list.setVisible(fits)
        self.changed.emit()

    def _pick(self, item: QListWidgetItem) -> None:
        self.number.setText(str(item.data(Qt.ItemDataRole.UserRole)))
        self.look()
        self.picked.emit()

    def _number_entered(self) -> None:
        """Enter takes the only tool that fits, or goes on as in any other field."""
        if not self._read_label():
            return
        if self.known() is None and self.list.count() == 1:
            self._pick(self.list.item(0))
        else:
            self.entered.emit()

    def _read_label(self) -> bool:
        """What stands in the number's field may be a scanned label, or a barcode that says something else.

        False: a label that could not be read, which has been said.
        """
        from benchapp.records.labels import ScanError, number_of_scan

        store, text = self.context.store, self.number.text().strip()
        if store is None or not text or self.known() is not None:
            return True
        try:
            number = number_of_scan(text)
        except ScanError as problem:
            self.problem.emit(str(problem))
            return False
        if store.tool(number) is not None:
            self.take(number)
        return True

    # ----------------------------------------------------------------------------------------------------------- answer

    @property
    def is_begun(self) -> bool:
        """Enough was answered to complain of the rest: an empty panel asks, it does not complain."""
        return bool(self.number.text().strip() and (self.range.text().strip() or self.known()))

    def known(self) -> Tool | None:
        """Return the tool of the rack whose number was typed."""
        wanted = self.number.text().strip().lower()
        return next((tool for number, tool in self.tools.items() if number.lower() == wanted), None)

    def tool(self) -> Tool:
        """Return the tool, out of the rack or new; ValueError says what is missing."""
        known = self.known()
        if known is not None:
            return known
        number = self.number.text().strip()
        if not number:
            raise ValueError(
                "Type or scan the number of the tool." if not self.tools else "Choose a tool, or scan its code."
            )
        if not self.new_tool.isVisibleTo(self):
            raise ValueError(f"{number} is not in the rack yet; go on typing, or pick one of the list.")
        lowest, highest, unit = parse_range(self.range.text(), self.context.unit)
        shows = self.kind_of.checkedId() == 1
        driver = self.shape_of.checkedId() == 1
        return Tool(
            number=number,
            tool_type=ToolType.INDICATING if shows else ToolType.SETTING,
            tool_class="D" if driver else ("B" if shows else "A"),
            unit=unit,
            lowest=lowest,
            highest=highest,
            is_screwdriver=driver,
            directions=(Direction.CLOCKWISE,),
        )

    def missing(self) -> QLineEdit | None:
        """Return the field that is still to be filled."""
        return first_empty(self.number, self.range)

    def describe(self, tool: Tool | None) -> None:
        """Say at the foot of the card what kind of tool it is."""
        if tool is None:
            self.says.setText("")
            return
        kind = "shows torque (Type I)" if tool.tool_type is ToolType.INDICATING else "lets go (Type II)"
        self.says.setText(f"{words.tool_word(tool).capitalize()} that {kind}, class {tool.tool_class}")

    def clear(self) -> None:
        """Forget what was typed: the next run is of another tool."""
        self.number.clear()
        self.range.clear()
