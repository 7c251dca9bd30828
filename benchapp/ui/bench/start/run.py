"""The card of the run: by which procedure, at which torque, who pulls, in what air."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from PySide6.QtCore import QStringListModel, Qt
from PySide6.QtWidgets import QCompleter, QGridLayout, QLineEdit, QWidget

from benchapp.metrology.tool import Tool
from benchapp.runs.model import RunPlan
from benchapp.torque.text import parse_number
from benchapp.ui import words
from benchapp.ui.bench.start.card import Card, first_empty
from benchapp.ui.bench.start.target import TargetBox
from benchapp.ui.context import AppContext
from benchapp.ui.controls import in_row
from benchapp.ui.settings import Settings
from benchapp.ui.theme import Sizes

if TYPE_CHECKING:
    from benchapp.runs.procedure import Procedure

FULL_RUN: Final = "workshop-full"
SPOT_CHECK: Final = "workshop-spot"
MOST_NAMES: Final = 12
AIR: Final = {
    "start_c": ("Temperature at the start", "21.5", -20.0, 60.0, "°C"),
    "humidity_percent": ("Relative humidity", "45 %", 0.0, 100.0, "%"),
}
"""What of the air can be typed: (name, example, lowest, highest, unit)."""


class RunCard(Card):
    """What is run, and by whom.

    Attributes:
        procedures: Those known, by key.
    """

    def __init__(self, context: AppContext, settings: Settings, parent: QWidget) -> None:
        super().__init__(3, "The run", parent)
        self.context, self.settings = context, settings
        self.procedures: dict[str, Procedure] = {}
        self._shipped: tuple[Procedure, ...] = ()
        self._proposed = ""  # by the card, while nobody chose
        self._chosen = ""  # by a person, before the records with the shop's own were there
        self.procedure = self.choices("Procedure")
        self.procedure.activated.connect(self._picked)
        self.about = self.note()
        self.target_box = TargetBox(self)
        self.target_box.with_extension.toggled.connect(self.about.setHidden)
        self.operator = self.line("Who pulls", "fitter 2")
        self.operator.setText(context.operator)
        self._names = QStringListModel(list(settings.get("operators")), self)
        completer = QCompleter(self._names, self)
        completer.setCaseSensitivity(Qt.CaseSensitivity.CaseInsensitive)
        completer.setCompletionMode(QCompleter.CompletionMode.InlineCompletion)
        self.operator.setCompleter(completer)
        self.air = {key: self.line(name, hint) for key, (name, hint, *_) in AIR.items()}
        self.limit_line = self.note()
        self.to_influences = self.quiet(
            "What handling adds …", "Contributions to the uncertainty: measure them, take model values, or type them"
        )
        self.to_influences.hide()
        self.where_from = self.quiet(words.WHERE_FROM_PLAN, words.WHERE_FROM_TIP)
        self._lay_out()

    def _lay_out(self) -> None:
        for widget in (self.caption("Procedure"), self.procedure, self.about, self.target_box):
            self.column.addWidget(widget)
        who = self._who = QGridLayout()  # one row of fields: at 768 pixels the card has no room for two
        who.addWidget(self.caption("Who pulls"), 0, 0)
        who.addWidget(self.caption("°C, humidity, if known"), 0, 1, 1, 2)
        for column, (field, share) in enumerate(zip((self.operator, *self.air.values()), (4, 3, 3), strict=True)):
            who.addWidget(field, 1, column)
            who.setColumnStretch(column, share)
        who.setHorizontalSpacing(6)
        self.column.addLayout(who)
        self.column.addStretch(1)
        self.column.addWidget(self.limit_line)
        self.column.addLayout(in_row(self.where_from, right=(self.to_influences,)))

    def restyle(self, s: Sizes) -> None:
        """Type and margins."""
        super().restyle(s)
        self._who.setVerticalSpacing(round(s.gap * 0.45))

    # ------------------------------------------------------------------------------------------------------- procedures

    def fill(self, *, is_calibrated: bool) -> None:
        """Offer the procedures; until a reference is calibrated a full run would be refused.

        While nobody chose a spot check is proposed then. In the demonstration, and before the records are open, a full
        run is.
        """
        self._fill_procedures()
        if self._chosen or self.settings.get("procedure"):
            return
        full = is_calibrated or self.context.is_demo or self.context.store is None
        self._proposed = FULL_RUN if full else SPOT_CHECK
        index = self.procedure.findData(self._proposed)
        if index >= 0 and index != self.procedure.currentIndex():
            self.procedure.setCurrentIndex(index)
            self._show_procedure()

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
        chosen = self._chosen or self.settings.get("procedure") or FULL_RUN
        self.procedures = found
        self.procedure.clear()
        for key, procedure in found.items():
            version = f"   version {procedure.version}" if procedure in own else ""
            self.procedure.addItem(f"{procedure.name}{version}", key)
        self.procedure.setCurrentIndex(max(0, self.procedure.findData(chosen)))
        self._show_procedure()

    def _picked(self) -> None:
        self._chosen = str(self.procedure.currentData() or "")
        self._show_procedure()

    def _show_procedure(self) -> None:
        procedure = self.chosen()
        self.about.setText(procedure.about if procedure is not None else "")
        self.target_box.setVisible(procedure is not None and procedure.is_spot_check)
        self.changed.emit()

    def chosen(self) -> Procedure | None:
        """Return the procedure; None before any is known."""
        return self.procedures.get(str(self.procedure.currentData()))

    # ----------------------------------------------------------------------------------------------------------- answer

    def offer_names(self, names: Sequence[str]) -> None:
        """Complete these while a name is typed, those who pulled here last first."""
        self._names.setStringList(list(dict.fromkeys([*self.settings.get("operators"), *names])))

    @property
    def who(self) -> str:
        """Who pulls; "" not said yet."""
        return self.operator.text().strip()

    def target(self, tool: Tool, procedure: Procedure) -> float | None:
        """Return the target in the tool's unit, None where the procedure has its own; ValueError when it is none."""
        if not procedure.is_spot_check or tool.fixed:
            return None
        return self.target_box.target(tool, proposes=procedure.key == self._proposed and not self._chosen)

    def air_values(self) -> dict[str, float]:
        """Return temperature and humidity as typed, what is left empty left out; ValueError for what cannot be."""
        found = {}
        for key, (_, _, low, high, unit) in AIR.items():
            text = self.air[key].text().strip().removesuffix(unit).strip()
            if not text:
                continue
            value = parse_number(text)
            if not low <= value <= high:
                raise ValueError(f"{words.plain(value)} {unit} cannot be: {low:g} to {high:g} {unit} is taken.")
            found[key] = value
        return found

    def missing(self) -> QLineEdit | None:
        """Return the field that is still to be filled."""
        target = () if self.target_box.is_proposed else (self.target_box.torque,)
        return first_empty(*target, self.operator)

    def remember(self, plan: RunPlan) -> None:
        """Offer the same procedure and the same name the next time."""
        if self.procedure.currentData() != self._proposed:
            self.settings.put("procedure", str(self.procedure.currentData()))
        if not plan.tool.fixed:
            self.target_box.keep_unit(plan.tool)
        self.context.operator = plan.operator
        self.settings.put("operator", plan.operator)
        others = [name for name in self.settings.get("operators") if name != plan.operator]
        self.settings.put("operators", [plan.operator, *others][:MOST_NAMES])

    # ----------------------------------------------------------------------------------------------------- what is said

    def describe(self, plan: RunPlan | None, procedure: Procedure | None = None) -> None:
        """Say which limit the readings will have, and where it comes from; nothing without a plan."""
        if plan is None or procedure is None:
            self.limit_line.setText("")
            return
        tool = plan.tool
        boundary = float(procedure.value("permissible.boundary"))
        group = "permissible.up_to" if tool.highest_nm <= boundary else "permissible.above"
        figure = procedure.figure_for(group, tool) if tool.declared_percent is None else None
        limit = f"±{words.plain(plan.checkpoints[0].limit_percent)} % of each reading"
        self.limit_line.setText(f"{limit}, from {figure.source} ({figure.mark})" if figure is not None else limit)

    def show_known_influences(self, n_known: int, n_all: int) -> None:
        """Say how many of the tool's geometric influences are known; the button leads to them."""
        self.to_influences.setText(f"Handling: {n_known or 'none'} of {n_all} known …")
        self.to_influences.show()
