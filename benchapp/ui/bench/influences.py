"""What handling adds to a tool's uncertainty: measured by guided series, of the model, or typed with its reason.

Shown over the start panel. A series goes like any pulls: one instruction, one key, pulls that count by themselves; a
flagged one is pulled again. What is not known stays missing and is named in the budget.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from functools import partial
from typing import Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from benchapp.metrology.budget import GivenBy
from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool
from benchapp.runs.influences import (
    KINDS,
    Influence,
    InfluenceError,
    Kind,
    Series,
    begin_series,
    entered,
    kinds_of,
    measured,
    model_value,
    of_model,
)
from benchapp.runs.procedure import MARKS
from benchapp.torque.units import from_nm, to_nm
from benchapp.ui import words
from benchapp.ui.bench.seriesboard import SeriesBoard
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Panel as Frame
from benchapp.ui.controls import label, main_button, plain_button
from benchapp.ui.fields import TextField, Torque, TorqueField
from benchapp.ui.form import Form
from benchapp.ui.format import significant
from benchapp.ui.settings import Settings
from benchapp.ui.theme import Sizes, font_of_cap

NOT_IN_RACK: Final = "{} is not in the Rack yet: enter it there, or start a run with it."
GIVEN: Final = {GivenBy.MEASURED: "measured", GivenBy.MODEL: "of the model", GivenBy.TYPED: "typed"}


def wall_now() -> str:
    """Return the time on this machine's clock with its offset, ISO 8601."""
    return dt.datetime.now().astimezone().isoformat(timespec="seconds")


def known_words(kind: Kind, known: Influence | None, unit: str) -> str:
    """Return what is known of an influence, one line."""
    if known is None:
        return "Not known: it is named as missing in every budget of this tool."
    spread = words.plain(float(f"{from_nm(known.spread_nm, unit):.3g}"))
    at = words.plain(float(f"{from_nm(known.at_nm, unit):.4g}"))
    said = f"b = {spread} {unit} at {at} {unit}, {kind.symbol} = {significant(known.percent, 2)} %"
    if known.series is not None:
        how = f"measured {known.at[:10]} by {known.who} against {known.series.reference}"
    else:
        how = f"{GIVEN.get(known.given_by, known.given_by.value)} {known.at[:10]} by {known.who}: {known.reason}"
    return f"{said}; {how}"


class InfluenceRow(Frame):
    """One influence in the overview."""

    def __init__(self, kind: Kind) -> None:
        super().__init__(margin=14)
        self.kind = kind
        row = QHBoxLayout()
        column = QVBoxLayout()
        column.setSpacing(4)
        self.title = label(f"{kind.name[0].upper()}{kind.name[1:]}, {kind.symbol}")
        self.stands = label("", "soft", wrap=True)
        column.addWidget(self.title)
        column.addWidget(self.stands)
        row.addLayout(column, 1)
        self.measure = plain_button("Measure")
        self.model = plain_button("Model value …")
        self.type = plain_button("Type a value …")
        source = f"{kind.source} ({kind.mark}: {MARKS[kind.mark]})"
        self.measure.setToolTip(f"{len(kind.positions)} × {kind.n_readings} pulls at the lowest value, {source}")
        self.model.setToolTip("From ten or more tools of this model: of your own, or as the maker states it")
        self.type.setToolTip("A value that you know from elsewhere, with the reason")
        for button in (self.measure, self.model, self.type):
            row.addWidget(button)
        self.body.addLayout(row)


class InfluencePanel(QWidget):
    """The influences of one tool, over the start panel."""

    left = Signal()
    known_changed = Signal(str)  # number of the tool
    headline_changed = Signal()

    def __init__(
        self,
        context: AppContext,
        settings: Settings,
        parent: QWidget | None = None,
        *,
        wall: Callable[[], str] = wall_now,
    ) -> None:
        super().__init__(parent)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.context = context
        self.wall = wall
        self.tool: Tool | None = None
        self.reference: Reference | None = None
        self.who = ""
        self.time_window_s: tuple[float, float] | None = None
        self.known: dict[str, Influence] = {}
        self._said: tuple[str, str] = ("", "")
        self._entering: tuple[str, GivenBy] = ("", GivenBy.TYPED)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        self.views = QStackedWidget(self)
        outer.addWidget(self.views)
        self._build_overview()
        self._build_form()
        self.board = SeriesBoard(context, settings, self._finish)
        self.board.said.connect(self._say)
        self.board.left.connect(self._series_left)
        self.views.addWidget(self.board)

    # ------------------------------------------------------------------------------------------------------- building

    def _build_overview(self) -> None:
        self.overview = QWidget()
        column = QVBoxLayout(self.overview)
        column.setContentsMargins(0, 0, 0, 0)
        self.rows = {symbol: InfluenceRow(kind) for symbol, kind in KINDS.items()}
        for symbol, row in self.rows.items():
            row.measure.clicked.connect(partial(self.begin, symbol))
            row.model.clicked.connect(partial(self.enter, symbol, GivenBy.MODEL))
            row.type.clicked.connect(partial(self.enter, symbol, GivenBy.TYPED))
            column.addWidget(row)
        column.addStretch(1)
        foot = QHBoxLayout()
        self.back = plain_button("Back to the start of a run")
        self.back.clicked.connect(self.left)
        self.problem = label("", "problem", wrap=True)
        foot.addWidget(self.back)
        foot.addWidget(self.problem, 1)
        column.addLayout(foot)
        self.views.addWidget(self.overview)

    def _build_form(self) -> None:
        self.asking = Frame(margin=22)
        self.form = Form(narrow=True)  # beside a wide field a refusal had room for one word a line
        self.spread = self.form.add("spread", TorqueField("Means lie apart by", unit="N·m", above=None))
        self.reason = self.form.add("reason", TextField("Why this value", width=560))
        self.asking.body.setSpacing(16)
        self.asking.body.addWidget(self.form)
        self.form_note = label("", "soft", wrap=True)
        self.asking.body.addWidget(self.form_note)
        self.asking.body.addStretch(1)
        row = QHBoxLayout()
        self.keep_button = main_button("Keep this value")
        cancel = plain_button("Back, change nothing")
        self.form_problem = label("", "problem", wrap=True)
        row.addWidget(self.keep_button)
        row.addWidget(cancel)
        row.addWidget(self.form_problem, 1)
        self.asking.body.addLayout(row)
        self.keep_button.clicked.connect(self.keep_entered)
        self.form.submitted.connect(self.keep_entered)
        cancel.clicked.connect(self.show_overview)
        self.views.addWidget(self.asking)

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        s = Sizes.of(self.window().height())
        self.board.restyle()
        for row in self.rows.values():
            row.title.setFont(font_of_cap(s.lead, bold=True))
            row.stands.setFont(font_of_cap(s.small * 1.05))
        for button in self.findChildren(QPushButton):
            button.setFont(font_of_cap(s.body, bold=button.property("kind") == "main"))
            button.setMinimumHeight(round(s.body * 3.2))
        for field in self.form.findChildren(QLineEdit):
            field.setFont(font_of_cap(s.body))
            field.setMinimumHeight(round(s.body * 2.9))
        for box in self.form.findChildren(QComboBox):
            box.setFont(font_of_cap(s.body))
            box.setMinimumHeight(round(s.body * 2.9))
        for each_label in (self.problem, self.form_note, self.form_problem):
            each_label.setFont(font_of_cap(s.body))
        for text in self.form.findChildren(QLabel):
            text.setFont(font_of_cap(s.body))

    # ------------------------------------------------------------------------------------------------------- overview

    def open(
        self, tool: Tool, reference: Reference | None, who: str, time_window_s: tuple[float, float] | None = None
    ) -> None:
        """Show what is known of a tool.

        Args:
            tool: As chosen.
            reference: The one that is mounted; None: not chosen yet.
            who: Who pulls or enters.
            time_window_s: (shortest, longest) time for the last fifth by the procedure chosen; None: it has none.
        """
        self.tool, self.reference, self.who, self.time_window_s = tool, reference, who, time_window_s
        self.show_overview()

    def show_overview(self) -> None:
        """Read the store again and show it."""
        self.board.end()
        tool, store = self.tool, self.context.store
        if tool is None:
            return
        self.known, begun = {}, {}
        if store is not None:
            from benchapp.records import influences

            self.known, begun = influences.known(store, tool.number), influences.under_way(store, tool.number)
        offered = {kind.symbol for kind in kinds_of(tool)}
        for symbol, row in self.rows.items():
            row.setVisible(symbol in offered)
            row.stands.setText(known_words(row.kind, self.known.get(symbol), tool.unit))
            series = begun.get(symbol)
            row.measure.setText(
                f"Measure, {row.kind.n_pulls} pulls"
                if series is None
                else f"Go on, {series.position} of {len(row.kind.positions)} positions done"
            )
        self.problem.setText("")
        self.views.setCurrentWidget(self.overview)
        missing = [row.kind.symbol for symbol, row in self.rows.items() if symbol in offered - self.known.keys()]
        lowest = f"{words.plain(tool.highest if tool.fixed else tool.lowest)} {tool.unit}"
        rest = f"missing: {', '.join(missing)}" if missing else "all of them are known"
        self._say(f"What handling adds to {tool.number}", f"Measured at its lowest value, {lowest}; {rest}.")
        self.restyle()

    def go_back(self) -> None:
        """One step back: from the value that is asked for to what is known, from there to the start of a run."""
        if self.views.currentWidget() is self.asking:
            self.show_overview()
        elif self.views.currentWidget() is self.overview:
            self.left.emit()

    # -------------------------------------------------------------------------------------------------- entered values

    def enter(self, symbol: str, given_by: GivenBy) -> None:
        """Ask for a value; a model value of the shop's own tools is put in where there are enough."""
        tool, store = self.tool, self.context.store
        if tool is None:
            return
        self._entering = (symbol, given_by)
        self.spread.set_unit(tool.unit)
        self.spread.put(None)
        self.reason.put("")
        note = (
            f"{tool.number}, {KINDS[symbol].name}: largest mean less smallest, at its lowest value. It is used as a "
            "percentage of that value. The reason stands in every record that uses it."
        )
        if given_by is GivenBy.MODEL:
            self.reason.caption.setText("Where it is from")
            value = None
            if store is not None:
                from benchapp.records import influences

                value = model_value(influences.of_model(store, tool, symbol), tool)
            if value is not None:
                proposed = of_model(tool, symbol, value, self.who or "?", self.wall())
                spread = float(f"{from_nm(proposed.spread_nm, tool.unit):.4g}")
                self.spread.put(Torque(spread, tool.unit))
                self.reason.put(proposed.reason)
            else:
                note += (
                    " Fewer than ten tools of this model are measured here: take the value that the maker states for "
                    "the model."
                )
        else:
            self.reason.caption.setText("Why this value")
        self.form_note.setText(note)
        self.form_problem.setText("")
        for field in self.form.fields.values():
            field.accept()
        self.views.setCurrentWidget(self.asking)
        self._say("A value of the model" if given_by is GivenBy.MODEL else "A typed value", KINDS[symbol].name)
        self.spread.setFocus(Qt.FocusReason.OtherFocusReason)

    def keep_entered(self) -> None:
        """Keep the value, or say what cannot stand."""
        told = self.form.values()
        if told is None or self.tool is None:
            return
        symbol, given_by = self._entering
        tool, torque = self.tool, told["spread"]
        spread = torque.value if torque.unit == tool.unit else from_nm(to_nm(torque.value, torque.unit), tool.unit)
        try:
            self._keep(entered(tool, symbol, spread, given_by, told["reason"], self.who, self.wall()))
        except InfluenceError as refused:
            self.form_problem.setText(str(refused))
            return
        self.show_overview()

    def _keep(self, influence: Influence) -> None:
        store = self.context.store
        if store is None:
            raise InfluenceError("The records are not open yet: nothing can be kept.")
        from benchapp.records import StoreError, influences

        try:
            if store.tool(influence.tool) is None:
                raise InfluenceError(
                    f"{influence.tool} is not in the Rack yet: enter it there, or start a run with it."
                )
            influences.keep(store, influence)
        except StoreError as error:
            raise InfluenceError(str(error)) from error
        self.known_changed.emit(influence.tool)

    # ------------------------------------------------------------------------------------------------------ the series

    @property
    def series(self) -> Series | None:
        """The series under way."""
        return self.board.series

    @property
    def stage(self) -> str:
        """Where it stands."""
        return self.board.stage

    @property
    def takes_keys(self) -> bool:
        """A series is under way: the two keys belong to it."""
        return self.board.takes_keys

    def act(self, action: str) -> None:
        """Hand a key's meaning on to the series."""
        self.board.act(action)

    def begin(self, symbol: str) -> None:
        """Begin a series, or go on with one that was broken off at its last full position."""
        try:
            series, tool = self._series_for(symbol)
            self.views.setCurrentWidget(self.board)
            self.board.begin(series, tool, self.reference, self.time_window_s)
        except ValueError as refused:  # of the series, or of a bench with a run on it
            self.views.setCurrentWidget(self.overview)
            self.problem.setText(str(refused))
            return
        self.restyle()
        self.setFocus()

    def _series_for(self, symbol: str) -> tuple[Series, Tool]:
        tool, store = self.tool, self.context.store
        if tool is None or store is None:
            raise InfluenceError("The records are not open yet: nothing can be kept.")
        if self.reference is None:
            raise InfluenceError("Choose the reference that is mounted first (at the start of a run).")
        if store.tool(tool.number) is None:
            raise InfluenceError(NOT_IN_RACK.format(tool.number))
        from benchapp.records import influences

        series = begin_series(tool, symbol, self.reference, self.who)
        before = influences.under_way(store, tool.number).get(symbol)
        is_same = before is not None and (before.reference, before.certificate, before.target) == (
            series.reference,
            series.certificate,
            series.target,
        )
        return (before if before is not None and is_same else series), tool

    def _finish(self, series: Series) -> None:
        self._keep(measured(series, self.wall()))

    def _series_left(self, why: str) -> None:
        self.show_overview()
        self.problem.setText(why)

    # ----------------------------------------------------------------------------------------------------------- words

    def headline(self) -> tuple[str, str]:
        """The one instruction and the quieter line beneath it, for the top of the Bench."""
        return self._said

    def _say(self, instruction: str, detail: str) -> None:
        new = (instruction, detail.strip())
        if new != self._said:
            self._said = new
            self.headline_changed.emit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """New sizes."""
        super().resizeEvent(event)
        self.restyle()
