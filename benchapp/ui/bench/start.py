"""What the Bench shows without a run: tool, reference, procedure, who pulls; then one key starts.

From an empty program the way to the first pull is short: number and range of the tool, capacity of the reference, a
name, Start. All else has a sensible value that can be changed here; more can be entered in Rack and References.
"""

from __future__ import annotations

import datetime as dt
import logging
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from PySide6.QtCore import QRect, QStringListModel, Qt, QTimer, Signal
from PySide6.QtGui import QFontMetrics, QKeyEvent, QResizeEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QButtonGroup,
    QComboBox,
    QCompleter,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.runs.model import RunPlan
from benchapp.torque.direction import Direction
from benchapp.torque.text import parse_number, parse_torque
from benchapp.torque.units import from_nm, to_nm
from benchapp.ui import words
from benchapp.ui.context import AppContext
from benchapp.ui.fields import Choices
from benchapp.ui.settings import Settings
from benchapp.ui.theme import Sizes, font_of_cap
from drivers.samples import Source

if TYPE_CHECKING:
    from benchapp.metrology.judgement import Geometric
    from benchapp.runs.planning import Override, Refusal
    from benchapp.runs.procedure import Procedure
    from benchapp.ui.bench.influences import InfluencePanel
    from benchapp.ui.bench.origins import OriginsSheet

log = logging.getLogger(__name__)

RANGE_BETWEEN: Final = re.compile(r"\s*(?:\bto\b|…|\.\.\.|–|—|(?<=\d)\s*-\s*(?=\d))\s*")
MOST_TOOLS: Final = 200
FULL_RUN: Final = "workshop-full"
SPOT_CHECK: Final = "workshop-spot"
PROPOSED_SHARE: Final = 0.6  # of the tool's maximum: the middle checkpoint of a full run
LONG_SENTENCE: Final = 110
SMALLER: Final = (0.78, 0.66, 0.56)  # of the cap height of what stands in the foot
EXTENSION_ASKED: Final = "Then the length of the wrench, drive to grip, and of the extension."
REPLAN_MS: Final = 60
LINK_MS: Final = 400


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


def wide_choices(parent: QWidget) -> Choices:
    """Return a list to pick from that is as wide as its card."""
    box = Choices(parent=parent)
    box.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
    return box


class Card(QFrame):
    """A numbered panel with a heading."""

    def __init__(self, number: int, heading: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("kind", "panel")
        self.column = QVBoxLayout(self)
        self.head = QLabel(f"{number}   {heading}", self)
        self.column.addWidget(self.head)
        self.labels: list[QLabel] = []
        self.captions: list[QLabel] = []

    def caption(self, text: str) -> QLabel:
        """Add the question of the field that follows; a little apart from what stands above it."""
        label = self.label(text)
        self.captions.append(label)
        return label

    def label(self, text: str, kind: str = "soft") -> QLabel:
        """Add a label of its own line."""
        label = QLabel(text, self)
        label.setProperty("kind", kind)
        label.setWordWrap(True)
        self.column.addWidget(label)
        self.labels.append(label)
        return label

    def restyle(self, s: Sizes) -> None:
        """Type and margins."""
        pad = round(s.pad)
        self.column.setContentsMargins(pad, round(pad * 0.7), pad, round(pad * 0.7))
        self.column.setSpacing(round(s.gap * 0.45))
        self.head.setFont(font_of_cap(s.lead * 1.12, bold=True))
        for label in self.labels:
            label.setFont(font_of_cap(s.small))
        for label in self.captions:
            label.setContentsMargins(0, round(s.gap * 0.4), 0, 0)


class StartPanel(QWidget):
    """Choose, see at once what comes of it, start.

    Args:
        context: Shared by all pages.
        settings: Remembers reference, procedure and port.
        parent: The Bench.
        list_ports: Gives (url, words) of the ports found; None: the link is opened by the composition.
        list_profiles: Gives (name, words) of the profiles known.
        today: Gives the date; a test puts its own.
    """

    headline_changed = Signal()

    def __init__(
        self,
        context: AppContext,
        settings: Settings,
        parent: QWidget | None = None,
        *,
        list_ports: Callable[[], Sequence[tuple[str, str]]] | None = None,
        list_profiles: Callable[[], Sequence[tuple[str, str]]] | None = None,
        today: Callable[[], dt.date] = dt.date.today,
    ) -> None:
        super().__init__(parent)
        self.context = context
        self.settings = settings
        self.list_ports = list_ports
        self.list_profiles = list_profiles
        self.today = today
        self.tools: dict[str, Tool] = {}
        self.references: dict[str, Reference] = {}
        self.procedures: dict[str, Procedure] = {}
        self._shipped: tuple[Procedure, ...] = ()
        self._proposed = ""  # by the panel, while nobody chose
        self._chosen_procedure = ""  # by a person, before the records with the shop's own were there
        self.plan: RunPlan | None = None
        self._problem = ""
        self.influences: InfluencePanel | None = None
        self.origins: OriginsSheet | None = None
        self._planned: RunPlan | None = None  # also while something that is no figure of it is missing
        self._geometric: dict[str, dict[str, Geometric]] = {}
        self._stopped = False
        self._build()
        self.replan_timer = QTimer(self)
        self.replan_timer.setSingleShot(True)
        self.replan_timer.setInterval(REPLAN_MS)
        self.replan_timer.timeout.connect(self.replan)
        self.link_timer = QTimer(self)
        self.link_timer.setInterval(LINK_MS)
        self.link_timer.timeout.connect(self._show_link)
        context.store_ready.connect(self.fill)
        context.store_changed.connect(self._store_changed)
        context.tool_wanted.connect(self.want_tool)
        context.unit_changed.connect(self._replan_soon)
        self.restyle()
        QTimer.singleShot(0, self, self.fill)

    # --------------------------------------------------------------------------------------------------------- building

    def _build(self) -> None:
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        self.grid = grid
        self.tool_card = Card(1, "The tool", self)
        self.reference_card = Card(2, "The reference", self)
        self.run_card = Card(3, "The run", self)
        self.foot = QFrame(self)
        self.foot.setProperty("kind", "panel")
        grid.addWidget(self.tool_card, 0, 0)
        grid.addWidget(self.reference_card, 0, 1)
        grid.addWidget(self.run_card, 0, 2)
        grid.addWidget(self.foot, 1, 0, 1, 3)
        for column in range(3):
            grid.setColumnStretch(column, 1)
        grid.setRowStretch(0, 1)
        self._build_tool()
        self._build_reference()
        self._build_run()
        self._build_foot()

    def _field(self, card: Card, label: str, hint: str) -> QLineEdit:
        caption = card.caption(label)
        field = QLineEdit(card)
        field.setPlaceholderText(hint)
        field.setAccessibleName(label)
        caption.setBuddy(field)
        field.textEdited.connect(self._replan_soon)
        field.returnPressed.connect(self._entered)
        card.column.addWidget(field)
        return field

    def _build_tool(self) -> None:
        card = self.tool_card
        self.number = self._field(card, "Number, typed or scanned", "OCF-014")
        self.number.textEdited.connect(self._number_edited)
        self.list = QListWidget(card)
        self.list.setAccessibleName("Tools in the rack")
        self.list.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.itemClicked.connect(self._picked)
        self.list.itemActivated.connect(self._picked)
        card.column.addWidget(self.list, 1)
        self.new_tool = QWidget(card)
        column = QVBoxLayout(self.new_tool)
        column.setContentsMargins(0, 0, 0, 0)
        self.range_label = QLabel("It is new: lowest to highest mark, with the unit", self.new_tool)
        self.range_label.setProperty("kind", "soft")
        self.range_label.setWordWrap(True)
        self.range = QLineEdit(self.new_tool)
        self.range.setPlaceholderText("20 to 100 N·m")
        self.range.setAccessibleName("Range of the new tool")
        self.range.textEdited.connect(self._replan_soon)
        self.range.returnPressed.connect(self._entered)
        column.addWidget(self.range_label)
        column.addWidget(self.range)
        self.kind_of = self._row(column, ("lets go", "It clicks or slips"), ("shows", "Dial, beam or display"))
        self.shape_of = self._row(column, ("wrench", ""), ("screwdriver", ""))
        card.column.addWidget(self.new_tool)
        card.column.addStretch(0)
        self.tool_line = card.label("")

    def _row(self, column: QVBoxLayout, *choices: tuple[str, str]) -> QButtonGroup:
        row = QHBoxLayout()
        row.setSpacing(6)
        group = QButtonGroup(self)
        group.setExclusive(True)
        for i, (text, tip) in enumerate(choices):
            button = QPushButton(text, self)
            button.setCheckable(True)
            button.setToolTip(tip)
            button.setChecked(i == 0)
            group.addButton(button, i)
            row.addWidget(button)
        row.addStretch(1)
        group.idClicked.connect(self._replan_soon)
        column.addLayout(row)
        return group

    def _build_reference(self) -> None:
        card = self.reference_card
        self.link_line = card.label("")
        self.now_line = card.label("")
        self.ports = wide_choices(card)
        self.ports.setAccessibleName("Port of the transducer")
        self.profiles = wide_choices(card)
        self.profiles.setAccessibleName("How the transducer talks")
        self.ports.activated.connect(self._open_port)
        self.profiles.activated.connect(self._open_port)
        card.column.addWidget(self.ports)
        card.column.addWidget(self.profiles)
        card.caption("Which one is mounted")
        self.reference = wide_choices(card)
        self.reference.setAccessibleName("Reference")
        self.reference.activated.connect(self._reference_picked)
        card.column.addWidget(self.reference)
        self.new_reference = QWidget(card)
        column = QVBoxLayout(self.new_reference)
        column.setContentsMargins(0, 0, 0, 0)
        self.reference_label = QLabel("It is new: its number", self.new_reference)
        self.reference_label.setProperty("kind", "soft")
        self.reference_number = QLineEdit("REF-1", self.new_reference)
        self.reference_number.setAccessibleName("Number of the new reference")
        self.reference_number.textEdited.connect(self._replan_soon)
        self.capacity_label = QLabel("… and its capacity", self.new_reference)
        self.capacity_label.setProperty("kind", "soft")
        self.capacity = QLineEdit(self.new_reference)
        self.capacity.setPlaceholderText("200 N·m")
        self.capacity.setAccessibleName("Capacity of the new reference")
        self.capacity.textEdited.connect(self._replan_soon)
        self.capacity.returnPressed.connect(self._entered)
        for widget in (self.reference_label, self.reference_number, self.capacity_label, self.capacity):
            column.addWidget(widget)
        card.column.addWidget(self.new_reference)
        self.override_box = QWidget(card)
        column = QVBoxLayout(self.override_box)
        column.setContentsMargins(0, 0, 0, 0)
        self.override_label = QLabel("Use it all the same: why, and the custodian's word", self.override_box)
        self.override_label.setProperty("kind", "soft")
        self.custodian = ""  # who decided it, under the lock
        self.override = QPushButton("The custodian decides …", self.override_box)
        self.override.setToolTip("Asks for the custodian's passphrase; name and reason stand in the record")
        self.override.clicked.connect(self._ask_override)
        self.override_reason = QLineEdit(self.override_box)
        self.override_reason.setPlaceholderText("REF-2 is at the laboratory")
        self.override_reason.setAccessibleName("Why this reference is used")
        column.addWidget(self.override_label)
        self.override_reason.textEdited.connect(self._reason_edited)
        self.override_reason.returnPressed.connect(self._ask_override)
        column.addWidget(self.override_reason)
        column.addWidget(self.override)
        self.override_box.hide()
        card.column.addWidget(self.override_box)
        card.column.addStretch(1)
        self.reference_line = card.label("")

    def _build_run(self) -> None:
        card = self.run_card
        card.caption("Procedure")
        self.procedure = wide_choices(card)
        self.procedure.setAccessibleName("Procedure")
        self.procedure.activated.connect(self._procedure_picked)
        card.column.addWidget(self.procedure)
        self.about = card.label("")
        self.target_box = QWidget(card)
        column = QVBoxLayout(self.target_box)
        column.setContentsMargins(0, 0, 0, 0)
        self.target_label = QLabel("At which torque", self.target_box)
        self.target_label.setProperty("kind", "soft")
        self.target = QLineEdit(self.target_box)
        self.target.setAccessibleName("Target")
        self.target.textEdited.connect(self._replan_soon)
        self.target.returnPressed.connect(self._entered)
        self.with_extension = QPushButton("with an extension …", self.target_box)
        self.with_extension.setCheckable(True)
        self.with_extension.setProperty("kind", "quiet")
        self.with_extension.toggled.connect(self._extension_toggled)
        self.lever_row = QWidget(self.target_box)
        levers = QHBoxLayout(self.lever_row)
        levers.setContentsMargins(0, 0, 0, 0)
        self.lever = QLineEdit(self.lever_row)
        self.lever.setPlaceholderText("wrench")
        self.lever.setAccessibleName("Length of the wrench from drive to middle of the grip")
        self.extra = QLineEdit(self.lever_row)
        self.extra.setPlaceholderText("extension")
        self.extra.setAccessibleName("Length of the extension, minus when it shortens")
        self.extra.setToolTip("Both lengths in the same unit, in line with the wrench; minus where it shortens")
        for field in (self.lever, self.extra):
            field.textEdited.connect(self._replan_soon)
            levers.addWidget(field)
        self.extension_line = QLabel("", self.target_box)
        self.extension_line.setProperty("kind", "soft")
        self.extension_line.setWordWrap(True)
        head, target_row = QHBoxLayout(), QHBoxLayout()
        head.addWidget(self.target_label, 1)
        head.addWidget(self.with_extension)
        target_row.addWidget(self.target, 1)
        target_row.addWidget(self.lever_row, 2)
        target_row.setSpacing(6)
        levers.setSpacing(6)
        column.addLayout(head)
        column.addLayout(target_row)
        column.addWidget(self.extension_line)
        self.lever_row.hide()
        self.extension_line.hide()
        card.column.addWidget(self.target_box)
        self.operator = QLineEdit(self.context.operator, card)
        self.operator.setPlaceholderText("fitter 2")
        self.operator.setAccessibleName("Who pulls")
        self.names = QStringListModel(list(self.settings.get("operators")), self)
        completer = QCompleter(self.names, self)
        completer.setCaseSensitivity(Qt.CaseSensitivity.CaseInsensitive)
        completer.setCompletionMode(QCompleter.CompletionMode.InlineCompletion)
        self.operator.setCompleter(completer)
        self.operator.textEdited.connect(self._replan_soon)
        self.operator.returnPressed.connect(self._entered)
        who = QGridLayout()  # one row of fields: at 768 pixels the card has no room for two
        who.addWidget(card.caption("Who pulls"), 0, 0)
        who.addWidget(card.caption("°C, humidity, if known"), 0, 1, 1, 2)
        who.addWidget(self.operator, 1, 0)
        self.air: dict[str, QLineEdit] = {}
        for column_index, (key, hint) in enumerate((("start_c", "21.5 °C"), ("humidity_percent", "45 %")), 1):
            field = QLineEdit(card)
            field.setPlaceholderText(hint)
            field.setAccessibleName("Temperature at the start" if key == "start_c" else "Relative humidity")
            field.textEdited.connect(self._replan_soon)
            field.returnPressed.connect(self._entered)
            who.addWidget(field, 1, column_index)
            self.air[key] = field
        for column_index, share in enumerate((4, 3, 3)):
            who.setColumnStretch(column_index, share)
        who.setHorizontalSpacing(6)
        self.who = who
        card.column.addLayout(who)
        self.to_influences = QPushButton("What handling adds …", card)
        self.to_influences.setProperty("kind", "quiet")
        self.to_influences.setToolTip("Contributions to the uncertainty: measure them, take model values, or type them")
        self.to_influences.clicked.connect(self.show_influences)
        self.to_influences.hide()
        card.column.addStretch(1)
        self.limit_line = card.label("")
        self.where_from = QPushButton(words.WHERE_FROM_PLAN, card)
        self.where_from.setProperty("kind", "quiet")
        self.where_from.setToolTip(words.WHERE_FROM_TIP)
        self.where_from.clicked.connect(self.toggle_origins)
        quiet = QHBoxLayout()
        quiet.addWidget(self.where_from)
        quiet.addStretch(1)
        quiet.addWidget(self.to_influences)
        card.column.addLayout(quiet)

    # ---------------------------------------------------------------------------------------------------------- origins

    @property
    def shows_origins(self) -> bool:
        """The sheet that says where each number comes from lies over the panel."""
        return self.origins is not None and not self.origins.isHidden()

    def toggle_origins(self) -> None:
        """Put the figures that the run is going to be judged by over the panel, or take them away."""
        if self.origins is not None and self.shows_origins:
            self.origins.hide()
            self._show_cards(True)
            self.where_from.setFocus()
            return
        procedure = self.procedures.get(str(self.procedure.currentData()))
        if procedure is None or (self.influences is not None and not self.influences.isHidden()):
            return
        if self.origins is None:
            from benchapp.ui.bench.origins import OriginsSheet

            self.origins = OriginsSheet(self)
            self.grid.addWidget(self.origins, 0, 0, 2, 3)
            self.origins.left.connect(self.toggle_origins)
        self.replan()
        try:
            tool: Tool | None = self._tool()
        except ValueError:
            tool = None
        self.origins.show_plan(self._planned, procedure, tool)
        self.origins.figures.setFocus()
        self._show_cards(False)

    def _show_cards(self, shown: bool) -> None:
        for widget in (self.tool_card, self.reference_card, self.run_card, self.foot):
            widget.setVisible(shown)
        self.headline_changed.emit()

    # ------------------------------------------------------------------------------------------------------- influences

    @property
    def takes_keys(self) -> bool:
        """A guided series is under way: the two keys belong to it."""
        return self.influences is not None and self.influences.takes_keys

    @property
    def asking(self) -> object:
        """What the series waits for: changes with every question it puts."""
        return (self.influences.stage, self.influences.series) if self.influences is not None else None

    def act(self, action: str) -> None:
        """Hand a key's meaning on to the series."""
        if self.influences is not None:
            self.influences.act(action)

    def headline(self) -> tuple[str, str] | None:
        """Instruction and detail for the top of the Bench; None: the Bench's own."""
        if self.shows_origins:
            return words.ORIGINS_HEAD, ""
        shown = self.influences is not None and not self.influences.isHidden()
        return self.influences.headline() if shown and self.influences is not None else None

    def show_influences(self) -> None:
        """Put the tool's geometric influences over the panel."""
        try:
            tool = self._tool()
        except ValueError as problem:
            self._say(str(problem), problem=True)
            return
        try:
            reference: Reference | None = self._reference()
        except ValueError:
            reference = None
        if self.influences is None:
            from benchapp.ui.bench.influences import InfluencePanel

            self.influences = InfluencePanel(self.context, self.settings, self)
            self.grid.addWidget(self.influences, 0, 0, 2, 3)
            self.influences.left.connect(self.hide_influences)
            self.influences.known_changed.connect(self._influences_changed)
            self.influences.headline_changed.connect(self.headline_changed)
        self._show_cards(False)
        self.influences.show()
        procedure = self.procedures.get(str(self.procedure.currentData()))
        window = None if procedure is None else procedure.time_window_s(tool)
        self.influences.open(tool, reference, self.operator.text().strip(), window)
        self.headline_changed.emit()

    def hide_influences(self) -> None:
        """Back to tool, reference and run."""
        if self.influences is not None:
            self.influences.hide()
        self._show_cards(True)
        self._replan_soon()

    def _influences_changed(self, number: str) -> None:
        self._geometric.pop(number, None)
        self._replan_soon()

    def _known_influences(self, tool: Tool) -> dict[str, Geometric]:
        """What is known of the tool's geometric influences, read once; the button says how many."""
        from benchapp.runs.influences import geometric_of, kinds_of

        store = self.context.store
        if store is None:
            return {}
        if tool.number not in self._geometric:
            from benchapp.records import influences

            try:
                self._geometric[tool.number] = geometric_of(influences.known(store, tool.number), tool)
            except Exception as error:  # the budget names what it lacks; a run does not wait for them
                log.exception("the influences of %s could not be read", tool.number)
                self.context.message.emit("problem", f"What handling adds could not be read: {error}")
                return {}
        found = self._geometric[tool.number]
        n = len(kinds_of(tool))
        self.to_influences.setText(f"Handling: {len(found) or 'none'} of {n} known …")
        self.to_influences.show()
        return found

    def _build_foot(self) -> None:
        row = self.foot_row = QHBoxLayout(self.foot)
        self.says = QLabel("", self.foot)
        self.says.setWordWrap(True)
        self.says.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.to_check = QPushButton("Daily check", self.foot)
        self.to_check.setToolTip("To the reference's check standard: pull it, or have the custodian look")
        self.to_check.clicked.connect(self._go_to_check)
        self.to_check.hide()
        self.go = QPushButton("Start", self.foot)
        self.go.setProperty("kind", "main")
        self.go.setEnabled(False)
        self.go.setToolTip("Enter starts too, from any field")
        self.go.clicked.connect(self.begin)
        row.addWidget(self.says, 1)
        row.addWidget(self.to_check)
        row.addWidget(self.go)

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        s = Sizes.of(self.window().height())
        self.grid.setSpacing(round(s.gap))
        for card in (self.tool_card, self.reference_card, self.run_card):
            card.restyle(s)
        for field in self.findChildren(QLineEdit):
            field.setFont(font_of_cap(s.body * 1.1))
        for box in self.findChildren(QComboBox):
            box.setFont(font_of_cap(s.body))
        for label in (
            self.range_label,
            self.reference_label,
            self.capacity_label,
            self.target_label,
            self.extension_line,
            self.override_label,
        ):
            label.setFont(font_of_cap(s.small))
        for button in self.findChildren(QPushButton):
            button.setFont(font_of_cap(s.small))
        for quiet in (self.where_from, self.to_influences, self.with_extension):
            quiet.setStyleSheet("QPushButton { padding: 2px 0; text-align: left; }")
        self.list.setFont(font_of_cap(s.body))
        self.list.setStyleSheet(f"QListWidget::item {{ padding: {round(s.body * 0.5)}px {round(s.body * 0.6)}px; }}")
        if self.origins is not None:
            self.origins.restyle()
        self.go.setFont(font_of_cap(s.lead * 1.35, bold=True))
        self.go.setMinimumSize(round(s.lead * 13), round(s.lead * 4.2))
        self.foot_row.setContentsMargins(*(round(s.pad * 0.8),) * 4)
        self.foot_row.setSpacing(round(s.pad))
        self.who.setVerticalSpacing(round(s.gap * 0.45))
        self.foot.setFixedHeight(round(s.lead * 4.2 + s.pad * 1.8))
        self._fit_says()

    # ------------------------------------------------------------------------------------------------------------- fill

    def fill(self) -> None:
        """Read tools, references, people and procedures; again whenever the store says that they changed."""
        self._fill_procedures()
        self._fill_ports()
        self._geometric.clear()
        store = self.context.store
        if store is not None:
            try:
                self.tools = {record.tool.number: record.tool for record in store.tools(limit=MOST_TOOLS)}
                self.references = {reference.number: reference for reference in store.references()}
                names = [person.name for person in store.people()]
            except Exception as error:  # noqa: BLE001 (whatever the store says, the bench goes on)
                self.context.message.emit("problem", f"The records could not be read: {error}")
                names = []
            known = [*self.settings.get("operators"), *names]
            self.names.setStringList(list(dict.fromkeys(known)))
        chosen = self.reference.currentData() or self.settings.get("reference")
        self.reference.clear()
        for number, reference in self.references.items():
            capacity = words.plain(float(f"{from_nm(reference.capacity_nm, self.context.unit):.4g}"))
            self.reference.addItem(f"{number}   to {capacity} {self.context.unit}", number)
        self.reference.addItem("another one, new here …", "")
        index = self.reference.findData(chosen) if chosen else 0
        self.reference.setCurrentIndex(max(0, index))
        self._propose_procedure()
        self._reference_picked()
        self._number_edited()
        self._show_link()
        if self.isVisible() and not self.isAncestorOf(self.focusWidget() or self):
            self.number.setFocus()

    def _fill_procedures(self) -> None:
        """Those that come with the program once, the shop's own again each time."""
        from benchapp.runs.procedure import ProcedureError, shipped_procedures

        store = self.context.store
        try:
            if not self._shipped:
                self._shipped = shipped_procedures()
            own = store.own_procedures() if store is not None else []
        except ProcedureError as error:
            self.context.message.emit("problem", str(error))
            own = []
        found = {procedure.key: procedure for procedure in (*self._shipped, *own)}
        if found == self.procedures:
            return
        chosen = self._chosen_procedure or self.settings.get("procedure") or FULL_RUN
        self.procedures = found
        self.procedure.clear()
        for key, procedure in found.items():
            version = f"   version {procedure.version}" if procedure in own else ""
            self.procedure.addItem(f"{procedure.name}{version}", key)
        self.procedure.setCurrentIndex(max(0, self.procedure.findData(chosen)))
        self._show_procedure()

    def _propose_procedure(self) -> None:
        """Until a reference is calibrated a full run would be refused: a spot check is proposed while nobody chose.

        In the demonstration, and before the records are open, a full run is.
        """
        if self._chosen_procedure or self.settings.get("procedure"):
            return
        ready = any(reference.calibration is not None for reference in self.references.values())
        self._proposed = FULL_RUN if ready or self.context.is_demo or self.context.store is None else SPOT_CHECK
        index = self.procedure.findData(self._proposed)
        if index >= 0 and index != self.procedure.currentIndex():
            self.procedure.setCurrentIndex(index)
            self._show_procedure()

    def _proposed_target(self, tool: Tool, procedure: Procedure) -> float | None:
        """Return a torque in mid-range for a spot check that nobody chose; it stands there until one is typed."""
        at = None
        if procedure.key == self._proposed and not self._chosen_procedure and not self.with_extension.isChecked():
            from benchapp.runs.planning import on_mark

            at = on_mark(tool, float(f"{tool.highest * PROPOSED_SHARE:.4g}"))
        self.target.setPlaceholderText("" if at is None else f"{words.plain(at)} {tool.unit}, or type another")
        return at

    def _fill_ports(self) -> None:
        offered = self.list_ports is not None
        self.ports.setVisible(offered)
        self.profiles.setVisible(self.list_profiles is not None)
        if self.list_profiles is not None and self.profiles.count() == 0:
            for name, text in self.list_profiles():
                self.profiles.addItem(text, name)
            self.profiles.setCurrentIndex(max(0, self.profiles.findData(self.settings.get("link_profile"))))
        if self.list_ports is None:
            return
        chosen = self.ports.currentData() or self.settings.get("link_url")
        found = list(self.list_ports())
        self.ports.clear()
        for url, text in found:
            self.ports.addItem(text, url)
        if not found:
            self.ports.addItem("no port found: plug the transducer in", "")
        self.ports.setCurrentIndex(max(0, self.ports.findData(chosen)))
        # the port of last time is opened by the composition; a link may have been asked for that no view knows of yet
        if len(found) == 1 and not self.settings.get("link_url") and self.context.bench.view().link.state == "closed":
            self._open_port(unless_open=True)

    def _open_port(self, _index: int = 0, *, unless_open: bool = False) -> None:
        url = self.ports.currentData()
        profile = self.profiles.currentData() or self.settings.get("link_profile")
        if not url:
            self._fill_ports()
            return
        self.settings.put("link_url", url)
        self.settings.put("link_profile", profile)
        self.context.bench.open_link(url, profile, unless_open=unless_open)

    def _store_changed(self, what: str) -> None:
        if what in ("tools", "references", "people", "procedures"):
            self.fill()

    def _show_link(self) -> None:
        view = self.context.bench.view()
        link = view.link
        text = f"Link: {words.LINK_STATES.get(link.state, link.state)}"
        if link.state == "streaming" and link.rate_hz > 0:
            text += f", {link.rate_hz:.0f} samples a second"
        elif link.reason:
            text += f". {link.reason}"
        if text != self.link_line.text():
            self.link_line.setText(text)
        _, live_nm = self.context.bench.live()
        unit = self.context.unit
        now = ""
        if link.state == "streaming" and math.isfinite(live_nm):
            step = words.steps_of(view.capacity_nm or self._capacity_nm())[0]
            now = f"It says {words.number(live_nm, unit, step)} {unit} now: press on it and see."
        self.now_line.setText(now)
        if view.capacity_nm and not self.capacity.isModified() and not self.capacity.text():
            amount = words.plain(float(f"{from_nm(view.capacity_nm, self.context.unit):.4g}"))
            self.capacity.setText(f"{amount} {self.context.unit}")
            self._replan_soon()

    def _capacity_nm(self) -> float | None:
        known = self.references.get(str(self.reference.currentData() or ""))
        return known.capacity_nm if known is not None else None

    def _describe_reference(self) -> str:
        known = self.references.get(str(self.reference.currentData() or ""))
        if known is None:
            return ""
        calibration = known.calibration
        if calibration is None:
            return "No calibration is entered: its readings are taken as they come. Enter it in References."
        unit = self.context.unit
        low, high = (
            words.plain(float(f"{from_nm(x, unit):.4g}"))
            for x in (calibration.usable_from_nm, calibration.usable_to_nm)
        )
        late = " It is overdue." if calibration.due < self.today() else ""
        return (
            f"{low} to {high} {unit}, certificate {calibration.certificate}, due {calibration.due.isoformat()}.{late}"
        )

    def operator_changed(self, name: str) -> None:
        """The name was chosen elsewhere in the window."""
        self.operator.setText(name)
        self._replan_soon()

    # ---------------------------------------------------------------------------------------------------------- choices

    def want_tool(self, number: str) -> None:
        """A tool was scanned or chosen for verification: take it up."""
        if self.shows_origins:
            self.toggle_origins()
        if self.influences is not None and not self.takes_keys:
            self.hide_influences()
        store = self.context.store
        if store is not None and number not in self.tools:
            record = store.tool(number)
            if record is not None:
                number = record.tool.number
                self.tools[number] = record.tool
        self.number.setText(number)
        self._number_edited()
        self.replan()
        self.go.setFocus() if self.plan is not None else self.number.setFocus()

    def _number_edited(self) -> None:
        wanted = self.number.text().strip()
        self.list.clear()
        for number, tool in self.tools.items():
            if wanted.lower() in number.lower():
                text = f"{number}   {words.plain(tool.lowest)} to {words.plain(tool.highest)} {tool.unit}"
                item = QListWidgetItem(text)
                item.setData(Qt.ItemDataRole.UserRole, number)
                self.list.addItem(item)
                if number == wanted:
                    self.list.setCurrentItem(item)
        known = self._known_tool() is not None
        empty = not self.tools
        self.new_tool.setVisible(not known and ((bool(wanted) and self.list.count() == 0) or empty))
        self.list.setVisible(self.list.count() > 0)
        self._replan_soon()

    def _picked(self, item: QListWidgetItem) -> None:
        self.number.setText(str(item.data(Qt.ItemDataRole.UserRole)))
        self._number_edited()
        self.replan()
        self.operator.setFocus() if not self.operator.text().strip() else self.go.setFocus()

    def _override(self) -> Override | None:
        """Return what the custodian decided; None while nothing is decided."""
        from benchapp.runs.planning import Override

        return Override(self.custodian, self.override_reason.text().strip()) if self.custodian else None

    def _ask_override(self) -> None:
        """Have the custodian's word, under the lock, that this reference is used for this reason."""
        if not self.override_reason.text().strip():
            self._say("The custodian's word needs a reason; it stands in the record.", problem=True)
            self.override_reason.setFocus()
            return
        number = str(self.reference.currentData() or self.reference_number.text())

        def decided(who: str) -> None:
            if number == str(self.reference.currentData() or self.reference_number.text()):
                self.custodian = who
                self.replan()
                if self.plan is not None:
                    self.go.setFocus()

        self.context.as_custodian(f"to use {number} all the same", decided)

    def _reason_edited(self) -> None:
        """The custodian's word was for the reason as it stood."""
        self.custodian = ""
        self._replan_soon()

    def _offer_override(self, planned: RunPlan | Refusal) -> None:
        """Show the custodian's fields where an override is what is missing; what was typed is for this reference."""
        if isinstance(planned, RunPlan):
            needed = any(warning.startswith("Overridden by ") for warning in planned.warnings)
        else:
            needed = planned.key in ("unsuitable", "override")
        self.override_box.setVisible(needed)
        if not needed:
            self._forget_override()

    def _forget_override(self) -> None:
        self.custodian = ""
        self.override_reason.clear()

    def _reference_picked(self) -> None:
        self._forget_override()
        self.new_reference.setVisible(not self.reference.currentData())
        self.reference_line.setText(self._describe_reference())
        self.reference.setVisible(bool(self.references))
        self._replan_soon()

    def _procedure_picked(self) -> None:
        self._chosen_procedure = str(self.procedure.currentData() or "")
        self._show_procedure()

    def _show_procedure(self) -> None:
        procedure = self.procedures.get(str(self.procedure.currentData()))
        self.about.setText(procedure.about if procedure is not None else "")
        self.target_box.setVisible(procedure is not None and procedure.is_spot_check)
        self._replan_soon()

    def _extension_toggled(self, on: bool) -> None:
        self.about.setVisible(not on)
        self.lever_row.setVisible(on)
        self.extension_line.setText(EXTENSION_ASKED)
        self.extension_line.setVisible(on)
        self._replan_soon()

    def _known_tool(self) -> Tool | None:
        wanted = self.number.text().strip().lower()
        return next((tool for number, tool in self.tools.items() if number.lower() == wanted), None)

    # ------------------------------------------------------------------------------------------------------------- plan

    def _replan_soon(self, *_: Any) -> None:
        self.replan_timer.start()

    def _tool(self) -> Tool:
        known = self._known_tool()
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

    def _reference(self) -> Reference:
        known = self.references.get(str(self.reference.currentData() or ""))
        if known is not None:
            return known
        number = self.reference_number.text().strip()
        if not number:
            raise ValueError("Type the number of the reference, as it is marked.")
        if not self.capacity.text().strip():
            raise ValueError("Type the reference's capacity with its unit, for instance 200 N·m.")
        capacity, unit = parse_torque(self.capacity.text(), self.context.unit)
        if not capacity > 0:
            raise ValueError("The reference's capacity must be above zero.")
        profile = str(self.profiles.currentData() or self.settings.get("link_profile") or "")
        return Reference(number=number, capacity_nm=to_nm(capacity, unit), profile=profile)

    def _target(self, tool: Tool, procedure: Procedure) -> float | None:
        """Target in the tool's unit; with an extension what the tool is to be set to."""
        if not procedure.is_spot_check or tool.fixed:
            return None
        if not self.target.text().strip():
            return self._proposed_target(tool, procedure)
        value, unit = parse_torque(self.target.text(), tool.unit)
        target = value if unit == tool.unit else from_nm(to_nm(value, unit), tool.unit)
        if not self.with_extension.isChecked():
            return target
        from benchapp.metrology.extension import setting_with_extension

        lever, extra = parse_number(self.lever.text()), parse_number(self.extra.text())
        setting = setting_with_extension(target, lever, extra)
        self.extension_line.setText(f"For that set the wrench to {setting:.4g} {tool.unit}; verified without it.")
        return float(f"{setting:.4g}")

    def stop(self) -> None:
        """The window closes: no plan is worked out any more; may be called again."""
        self._stopped = True
        self.replan_timer.stop()
        self.link_timer.stop()

    def replan(self) -> None:
        """Work out the plan from what stands in the fields, and say what comes of it."""
        self.replan_timer.stop()
        if self._stopped:
            return
        self.plan = self._planned = None
        self.to_check.hide()
        self.to_influences.hide()
        self.tool_line.setText("")
        self.limit_line.setText("")
        try:
            tool = self._tool()
            self.tool_line.setText(self._describe(tool))
            reference = self._reference()
            procedure = self.procedures.get(str(self.procedure.currentData()))
            if procedure is not None:
                self._judge(tool, reference, procedure, self._target(tool, procedure))
        except ValueError as error:
            self._say(str(error), problem=self._is_worth_marking())
        self.go.setEnabled(self.plan is not None)

    def _air_values(self) -> dict[str, float]:
        """Temperature and humidity as typed; what is left empty is left out."""
        found = {}
        for key, (low, high, unit) in {"start_c": (-20.0, 60.0, "°C"), "humidity_percent": (0.0, 100.0, "%")}.items():
            text = self.air[key].text().strip().removesuffix(unit).strip()
            if not text:
                continue
            value = parse_number(text)
            if not low <= value <= high:
                raise ValueError(f"{words.plain(value)} {unit} cannot be: {low:g} to {high:g} {unit} is taken.")
            found[key] = value
        return found

    def _is_worth_marking(self) -> bool:
        """An empty panel asks; it does not complain."""
        return bool(self.number.text().strip() and (self.range.text().strip() or self._known_tool()))

    def _judge(self, tool: Tool, reference: Reference, procedure: Procedure, target: float | None) -> None:
        from benchapp.runs.planning import plan_run

        source = self.context.bench.view().source
        if source is None:
            source = Source.SIMULATED if self.context.is_demo else Source.LIVE
        if (source in (Source.SIMULATED, Source.REPLAYED)) is not self.context.is_demo:
            raise ValueError(words.WRONG_RECORDS[source])
        operator = self.operator.text().strip()
        planned = plan_run(
            tool,
            reference,
            procedure,
            operator,
            source,
            tuple(self.references.values()),
            target=target,
            today=self.today(),
            geometric=self._known_influences(tool),
            must_be_suitable=True,
            override=self._override(),
        )
        self._offer_override(planned)
        if not isinstance(planned, RunPlan):
            raise ValueError(planned.sentence())  # noqa: TRY004 (a refusal, not a wrong type)
        self._planned = planned
        first = planned.checkpoints[0]
        boundary = float(procedure.value("permissible.boundary"))
        group = "permissible.up_to" if tool.highest_nm <= boundary else "permissible.above"
        figure = procedure.figure_for(group, tool) if tool.declared_percent is None else None
        limit = f"±{words.plain(first.limit_percent)} % of each reading"
        self.limit_line.setText(f"{limit}, from {figure.source} ({figure.mark})" if figure is not None else limit)
        if not operator:
            raise ValueError("Who pulls? A name or a role.")
        self._air_values()
        planned, said = self._checked(planned)
        self.plan = planned
        self._say(" ".join((self._summary(planned), *said)), problem=False)

    def _checked(self, planned: RunPlan) -> tuple[RunPlan, tuple[str, ...]]:
        """Return (the plan with how its reference stands by its check standard, what is to be said of it).

        Raises ValueError when its check standard has stopped the reference.
        """
        store = self.context.store
        if store is None:
            return planned, ()
        reference, tool = planned.reference.number, planned.tool.number
        standing = store.check_standing(reference)
        if standing is None:
            return planned, ()
        is_late = standing.last_on(self.today()) is None and tool != standing.setup.standard
        stopped = standing.refusal() if tool != standing.setup.standard else ""
        self.to_check.setVisible(is_late or bool(stopped))
        if stopped:
            raise ValueError(stopped)
        planned = replace(planned, reference_check=standing.sentence(self.today()))
        return planned, (f"{reference} was not checked today (References, Daily check).",) if is_late else ()

    def _go_to_check(self) -> None:
        self.context.page_wanted.emit("references", f"{self.reference.currentData()}:check")

    def _describe(self, tool: Tool) -> str:
        kind = "shows torque (Type I)" if tool.tool_type is ToolType.INDICATING else "lets go (Type II)"
        return f"{words.tool_word(tool).capitalize()} that {kind}, class {tool.tool_class}"

    @staticmethod
    def _summary(plan: RunPlan) -> str:
        points: dict[str, None] = {}
        for each in plan.checkpoints:
            points[words.plain(each.target)] = None
        n = sum(each.n_readings for each in plan.checkpoints)
        preloads = sum(count for _, count, _ in plan.preloads)
        both = ", both directions" if len({c.direction for c in plan.checkpoints}) > 1 else ""
        many = "s" if preloads != 1 else ""
        said = f"{preloads} preload{many}, then {n} pulls at {', '.join(points)} {plan.tool.unit}{both}."
        return " ".join((said, *plan.warnings))

    def _fit_says(self) -> None:
        """Everything that is said stands in the foot: in smaller type where it is long, never cut."""
        lead, text, room = Sizes.of(self.window().height()).lead, self.says.text(), self._room_for_says()
        sizes = (1.0, *SMALLER) if len(text) <= LONG_SENTENCE else SMALLER
        for share in sizes:
            font = font_of_cap(lead * share)
            wanted = QFontMetrics(font).boundingRect(room, Qt.TextFlag.TextWordWrap, text)
            if share == sizes[-1] or (wanted.height() <= room.height() and wanted.width() <= room.width()):
                self.says.setFont(font)
                return

    def _room_for_says(self) -> QRect:
        """What the foot leaves beside its buttons, as the layout will share it out."""
        inner = self.foot.contentsRect().marginsRemoved(self.foot_row.contentsMargins())
        for button in (self.to_check, self.go):
            if not button.isHidden():
                inner.setWidth(inner.width() - button.sizeHint().expandedTo(button.minimumSize()).width())
                inner.setWidth(inner.width() - self.foot_row.spacing())
        return QRect(0, 0, max(1, inner.width()), max(1, inner.height()))

    def resizeEvent(self, event: QResizeEvent) -> None:
        """The foot has another width: what it says may need another size."""
        super().resizeEvent(event)
        self._fit_says()

    def _say(self, text: str, *, problem: bool) -> None:
        self._problem = text if problem else ""
        self.says.setText(text)
        self.says.setProperty("kind", "problem" if problem else "")
        self.says.style().unpolish(self.says)
        self.says.style().polish(self.says)
        self._fit_says()

    # ------------------------------------------------------------------------------------------------------------ start

    def _entered(self) -> None:
        """Enter in a field: start when all is there, else go to what is missing."""
        if self.sender() is self.number:
            self._take_label()
        only = self.list.count() == 1 and self._known_tool() is None
        if self.sender() is self.number and only:
            self._picked(self.list.item(0))
            return
        self.replan()
        if self.plan is not None:
            self.begin()
            return
        for field in (self.number, self.range, self.reference_number, self.capacity, self.target, self.operator):
            proposed = field is self.target and bool(field.placeholderText())
            if field.isVisible() and not field.text().strip() and not proposed:
                field.setFocus()
                return

    def _take_label(self) -> None:
        """What stands in the number's field may be a scanned label, or a barcode that says something else."""
        from benchapp.records.labels import ScanError, number_of_scan

        store, text = self.context.store, self.number.text().strip()
        if store is None or not text or self._known_tool() is not None:
            return
        try:
            record = store.tool(number_of_scan(text))
        except ScanError as problem:
            self._say(str(problem), problem=True)
            return
        if record is not None:
            self.want_tool(record.tool.number)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter starts from anywhere on the panel."""
        reads = self.shows_origins
        if reads and event.key() == Qt.Key.Key_Escape:
            self.toggle_origins()
            return
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.plan is not None and not reads:
            self.begin()
            return
        super().keyPressEvent(event)

    def begin(self) -> None:
        """Keep what is new, remember the choices, begin the run."""
        self.replan()
        plan = self.plan
        if plan is None:
            return
        store = self.context.store
        try:
            if store is not None:
                self._keep(store, plan)
                plan = self._with_history(store, plan)
            self.context.bench.start_run(plan)
            for key, value in self._air_values().items():
                self.context.bench.set_ambient(key, value)
        except Exception as error:  # noqa: BLE001 (a store or session that refuses says why; the panel stays)
            self._say(str(error), problem=True)
            return
        self.settings.put("reference", plan.reference.number)
        if self.procedure.currentData() != self._proposed:
            self.settings.put("procedure", str(self.procedure.currentData()))
        self.context.operator = plan.operator
        self.settings.put("operator", plan.operator)
        known = [name for name in self.settings.get("operators") if name != plan.operator]
        self.settings.put("operators", [plan.operator, *known][:12])
        self.number.clear()
        self.range.clear()
        self._forget_override()
        self.override_box.hide()
        self.plan = None
        self.go.setEnabled(False)

    def _with_history(self, store: Any, plan: RunPlan) -> RunPlan:
        """The plan with how such tools came out before: fixed now, so that the record keeps what the risks rest on."""
        from benchapp.records.shop_history import shop_history

        try:
            return replace(plan, history=shop_history(store, plan.tool))
        except Exception:  # the global risks are an extra; a run does not wait for them
            log.exception("the history of tools like %s could not be read", plan.tool.number)
            return plan

    def _keep(self, store: Any, plan: RunPlan) -> None:
        if plan.tool.number not in self.tools and store.tool(plan.tool.number) is None:
            from benchapp.records.model import ToolRecord

            store.save_tool(ToolRecord(tool=plan.tool), who=plan.operator)
            self.tools[plan.tool.number] = plan.tool
            self.context.store_changed.emit("tools")
        if plan.reference.number not in self.references and store.reference(plan.reference.number) is None:
            from benchapp.records.references import keep_reference

            keep_reference(store, plan.reference, who=plan.operator)
            self.references[plan.reference.number] = replace(plan.reference)
            self.context.store_changed.emit("references")

    def showEvent(self, event: Any) -> None:
        """Look at the link while the panel is shown."""
        super().showEvent(event)
        self.link_timer.start()
        self._number_edited()

    def hideEvent(self, event: Any) -> None:
        """And only then."""
        super().hideEvent(event)
        self.link_timer.stop()
        self.replan_timer.stop()
