"""What handling adds to a tool's uncertainty: measured by guided series, of the model, or typed with its reason.

Shown over the start panel. A series goes like any pulls: one instruction, one key, pulls that count by themselves; a
flagged one is pulled again. What is not known stays missing and is named in the budget.
"""

from __future__ import annotations

import datetime as dt
import logging
import math
from collections.abc import Callable
from functools import partial
from typing import Any, Final

from PySide6.QtCore import QRectF, Qt, QTimer, Signal
from PySide6.QtGui import QColor, QHideEvent, QPainter, QPen, QResizeEvent, QShowEvent
from PySide6.QtWidgets import (
    QComboBox,
    QGridLayout,
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
from benchapp.pulls.pull import Flag
from benchapp.runs.influences import (
    COUNTS_DESPITE,
    KINDS,
    Influence,
    InfluenceError,
    Kind,
    Series,
    begin_series,
    contribution_percent,
    entered,
    kinds_of,
    measured,
    model_value,
    of_model,
)
from benchapp.runs.planning import mode_for
from benchapp.runs.procedure import MARKS
from benchapp.session.view import BenchView, Phase, PracticeAim
from benchapp.torque.units import from_nm, to_nm
from benchapp.ui import keys, theme, words
from benchapp.ui.bench.panels import LiveFigure, Panel
from benchapp.ui.bench.zero import ZeroTaker
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Panel as Frame
from benchapp.ui.controls import label, main_button, plain_button
from benchapp.ui.fields import TextField, Torque, TorqueField
from benchapp.ui.form import Form
from benchapp.ui.format import plural, significant
from benchapp.ui.settings import Settings
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap

log = logging.getLogger(__name__)

FRAME_MS: Final = 16
FIGURE_EVERY_S: Final = 0.08
ZERO, CHANGE, PULL, DONE = "zero", "change", "pull", "done"
NOT_IN_RACK: Final = "{} is not in the Rack yet: enter it there, or start a run with it."
GIVEN: Final = {GivenBy.MEASURED: "measured", GivenBy.MODEL: "of the model", GivenBy.TYPED: "typed"}


def wall_now() -> str:
    """Return the time on this machine's clock with its offset, ISO 8601."""
    return dt.datetime.now().astimezone().isoformat(timespec="seconds")


def why_words(why: str) -> str:
    """Return in words why a pull does not count."""
    if why in {flag.value for flag in Flag}:
        return words.FLAG_NAMES[Flag(why)]
    return {"no-reading": "no reading", "wrong-direction": "the other way round", "knock": "only a knock"}.get(why, why)


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


class SeriesTable(Panel):
    """A row for each position: its name, a dot for each pull that counts, the mean."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.series: Series | None = None
        self.capacity_nm: float | None = None

    def show_series(self, series: Series, capacity_nm: float | None) -> None:
        """Show it as it stands, to the digits that a reference of this capacity resolves."""
        self.series, self.capacity_nm = series, capacity_nm
        done = [f"{name}, {len(series.readings(i))} of {series.kind.n_readings}" for i, name in self._rows(series)]
        self.setAccessibleName("; ".join(done))
        self.update()

    @staticmethod
    def _rows(series: Series) -> list[tuple[int, str]]:
        return list(enumerate(series.kind.positions))

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Rows of equal height; the one under way has a bar at its left."""
        s, colours, series = self.sizes, theme.palette(), self.series
        theme.draw_panel(painter, box, s.radius)
        if series is None:
            return
        inner = box.adjusted(s.pad, s.pad * 0.6, -s.pad, -s.pad * 0.6)
        foot_h = s.lead * 3.4
        row_h = min((inner.height() - foot_h) / len(series.kind.positions), s.lead * 6.5)
        for i, name in self._rows(series):
            self._row(painter, QRectF(inner.left(), inner.top() + i * row_h, inner.width(), row_h), series, i, name)
        foot = QRectF(inner.left(), inner.bottom() - foot_h, inner.width(), foot_h)
        painter.setPen(QPen(QColor(colours.line), 1))
        painter.drawLine(foot.topLeft(), foot.topRight())
        painter.setPen(QColor(colours.ink))
        draw_fitted(painter, foot, self.foot(series), font_of_cap(s.lead), least=0.6)

    def foot(self, series: Series) -> str:
        """What the positions say so far."""
        means = series.means()
        if len(means) < 2:
            return "How far the means lie apart shows after the second position."
        spread, at = series.spread_nm, math.fsum(means) / len(means)
        percent = contribution_percent(series.symbol, spread, at)
        apart = f"{self.text(spread, is_mean=True)} {series.unit}"
        so_far = "" if series.is_done else " so far"
        return f"The means lie {apart} apart: {series.symbol} = {significant(percent, 2)} %{so_far}"

    def text(self, torque_nm: float, *, is_mean: bool = False) -> str:
        """Return a reading as the reference resolves it; a mean or a spread of means gets a digit more."""
        assert self.series is not None
        step = words.steps_of(self.capacity_nm)[1]
        return words.number(torque_nm, self.series.unit, step / 10 if is_mean else step)

    def _row(self, painter: QPainter, box: QRectF, series: Series, index: int, name: str) -> None:
        s, colours = self.sizes, theme.palette()
        here = index == series.position
        if here:
            bar = QRectF(box.left() - s.pad * 0.6, box.top() + box.height() * 0.18, 4, box.height() * 0.64)
            painter.fillRect(bar, QColor(colours.accent))
        readings = series.readings(index)
        name_w, mean_w = box.width() * 0.30, box.width() * 0.26
        painter.setPen(QColor(colours.ink if here or readings else colours.soft))
        title = QRectF(box.left(), box.top(), name_w, box.height())
        draw_fitted(painter, title, name, font_of_cap(s.lead, bold=here), least=0.6)
        n = series.kind.n_readings
        room = box.width() - name_w - mean_w - s.pad * 2
        pitch = min(room / n, s.lead * 2.6)
        radius = min(s.lead * 0.62, pitch * 0.36)
        for i in range(n):
            x = box.left() + name_w + s.pad + (i + 0.5) * pitch
            painter.setPen(QPen(QColor(colours.ink if i < len(readings) else colours.soft), 1.6))
            painter.setBrush(QColor(colours.ink) if i < len(readings) else Qt.BrushStyle.NoBrush)
            painter.drawEllipse(QRectF(x - radius, box.center().y() - radius, 2 * radius, 2 * radius))
        if readings:
            full = len(readings) >= n
            mean = self.text(math.fsum(readings) / len(readings), is_mean=True)
            painter.setPen(QColor(colours.ink if full else colours.soft))
            place = QRectF(box.right() - mean_w, box.top(), mean_w, box.height())
            text = f"{mean} {series.unit}"
            draw_fitted(painter, place, text, font_of_cap(s.lead, bold=full), align=Qt.AlignmentFlag.AlignRight)


class LastPull(Panel):
    """The last pull: its reading in large figures, whether it counts, and why not."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.figure = "–"
        self.state = ""
        self.sentence = ""

    def show_pull(self, figure: str, unit: str, state: str, sentence: str) -> None:
        """Show these from now on."""
        new = (figure, unit, state, sentence)
        if new != (self.figure, self.unit, self.state, self.sentence):
            self.figure, self.unit, self.state, self.sentence = new
            self.setAccessibleName(f"last pull {figure} {unit}, {state}. {sentence}")
            self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Label, figure, state, sentence, from the top."""
        s, colours = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius)
        inner = box.adjusted(s.pad, s.pad * 0.5, -s.pad, -s.pad * 0.5)
        painter.setPen(QColor(colours.soft))
        head = QRectF(inner.left(), inner.top(), inner.width(), s.body * 2.4)
        draw_fitted(painter, head, self.unit, font_of_cap(s.lead), align=Qt.AlignmentFlag.AlignRight)
        draw_fitted(painter, head.adjusted(0, 0, -s.lead * 6, 0), "last pull", font_of_cap(s.body))
        painter.setPen(QColor(colours.ink))
        figure = QRectF(inner.left(), head.bottom(), inner.width(), min(s.figure * 1.2, inner.height() * 0.45))
        font = font_of_cap(min(s.figure, figure.height() * 0.86), bold=True)
        draw_fitted(
            painter, figure, self.figure, font, align=Qt.AlignmentFlag.AlignRight, template="888.88", least=0.45
        )
        row = QRectF(inner.left(), figure.bottom(), inner.width(), s.lead * 2.6)
        draw_fitted(painter, row, self.state, font_of_cap(s.lead * 1.1, bold=True), least=0.6)
        painter.setPen(QColor(colours.soft))
        draw_fitted(painter, row.translated(0, row.height()), self.sentence, font_of_cap(s.body), least=0.55)


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
        from time import monotonic

        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.context = context
        self.settings = settings
        self.wall = wall
        self._clock = monotonic
        self.tool: Tool | None = None
        self.reference: Reference | None = None
        self.who = ""
        self.time_window_s: tuple[float, float] | None = None
        self.known: dict[str, Influence] = {}
        self.series: Series | None = None
        self.stage = ZERO
        self._zero = ZeroTaker(context.bench)
        self._figure_s = -1.0
        self._why = ""
        self._said: tuple[str, str] = ("", "")
        self._entering: tuple[str, GivenBy] = ("", GivenBy.TYPED)
        self._failed = ""
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        self.views = QStackedWidget(self)
        outer.addWidget(self.views)
        self._build_overview()
        self._build_form()
        self._build_board()
        self.timer = QTimer(self)
        self.timer.setInterval(FRAME_MS)
        self.timer.timeout.connect(self.tick)

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
        self.form = Form()
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

    def _build_board(self) -> None:
        self.board = QWidget()
        grid = self.board_grid = QGridLayout(self.board)
        grid.setContentsMargins(0, 0, 0, 0)
        self.table = SeriesTable()
        self.live = LiveFigure()
        self.last = LastPull()
        grid.addWidget(self.table, 0, 0, 2, 1)
        grid.addWidget(self.live, 0, 1)
        grid.addWidget(self.last, 1, 1)
        grid.setColumnStretch(0, 6)
        grid.setColumnStretch(1, 4)
        grid.setRowStretch(1, 1)
        row = QHBoxLayout()
        self.go_button = main_button("")
        self.aside_button = plain_button("")
        self.leave_button = plain_button("")
        for button, action in ((self.go_button, "go"), (self.aside_button, "aside"), (self.leave_button, "leave")):
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.clicked.connect(partial(self.act, action))
            row.addWidget(button)
        row.addStretch(1)
        grid.addLayout(row, 2, 0, 1, 2)
        self.views.addWidget(self.board)

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        s = Sizes.of(self.window().height())
        for panel in (self.table, self.live, self.last):
            panel.restyle()
        self.live.setFixedHeight(round(LiveFigure.height_for(s)))
        self.board_grid.setSpacing(round(s.gap))
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
        self._end_series()
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

    def _refuse(self, sentence: str) -> None:
        self.problem.setText(sentence)

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
    def takes_keys(self) -> bool:
        """A series is under way: the two keys belong to it."""
        return self.series is not None and self.isVisible()

    @property
    def key_names(self) -> tuple[str, str]:
        """The go-on and the set-aside key, as printed on the keyboard."""
        go = self.settings.get("go_keys") or list(keys.GO_KEYS)
        aside = self.settings.get("aside_keys") or list(keys.ASIDE_KEYS)
        return keys.shown(go[0]), keys.shown(aside[0])

    def begin(self, symbol: str) -> None:
        """Begin a series, or go on with one that was broken off at its last full position."""
        try:
            self.series = self._series_for(symbol)
            self._aim()
        except ValueError as refused:  # of the series, or of a bench with a run on it
            self.series = None
            self._refuse(str(refused))
            return
        self.stage, self._why = ZERO, ""
        self._zero.reset()
        self.context.bench.take_practice_pulls()
        self.views.setCurrentWidget(self.board)
        self.timer.start()
        self.restyle()
        self.setFocus()
        self.tick()

    def _series_for(self, symbol: str) -> Series:
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
        return before if before is not None and is_same else series

    def _aim(self) -> None:
        series, tool = self.series, self.tool
        assert series is not None
        assert tool is not None
        self.context.bench.start_practice(
            PracticeAim(self.reference, mode_for(tool), series.direction, series.target_nm, self.time_window_s)
        )

    def _end_series(self) -> None:
        self.timer.stop()
        if self.series is not None:
            self.series = None
            self.context.bench.stop_practice()

    def act(self, action: str, *_: Any) -> None:
        """Do what a key means now: "go", "aside" or "leave"."""
        series = self.series
        if series is None:
            return
        if action == "leave":
            self.show_overview()
            return
        if action == "go":
            self._go(series)
        elif action == "aside":
            self.series = series.turn_last()
            if self.series is not series:
                self._why = "set aside" if not self.series.pulls[-1].counts else ""
                self.stage = CHANGE if self.series.is_at_a_start and self.stage == DONE else self.stage
                if not self.series.is_done and self.stage == DONE:
                    self.stage = PULL
        self.tick()

    def _go(self, series: Series) -> None:
        if self.stage == ZERO:
            self._zero.take()
        elif self.stage == CHANGE:
            self.context.bench.take_practice_pulls()  # what was pulled while it was changed does not count
            self.stage, self._why = PULL, ""
        elif self.stage == DONE:
            try:
                self._keep(measured(series, self.wall()))
            except InfluenceError as refused:
                self._why = str(refused)
                return
            self.show_overview()

    def tick(self) -> None:
        """One frame; a failing one is logged once and the next one is tried."""
        try:
            self._frame()
        except Exception as error:  # showing must not stop a series
            if str(error) != self._failed:
                self._failed = str(error)
                log.exception("a frame of the series failed")

    def _frame(self) -> None:
        bench, series = self.context.bench, self.series
        if series is None:
            return
        view = bench.view()
        if self.stage == ZERO and self._zero.is_taken(view):
            self.stage = DONE if series.is_done else CHANGE
        for closed in bench.take_practice_pulls():
            if self.stage == PULL and self.series is not None:
                self._take(closed.pull)
        if self.series is None:
            return
        self._show(view)
        now = self._clock()
        if now - self._figure_s >= FIGURE_EVERY_S:
            self._figure_s = now
            self._show_figure(view)

    def _take(self, pull: Any) -> None:
        before = self.series
        assert before is not None
        series, why = before.take(pull)
        if why == "knock":
            return
        self.series, self._why = series, why_words(why) if why else ""
        if series.position != before.position:
            self._keep_position(series)
            self.stage = DONE if series.is_done else CHANGE

    def _keep_position(self, series: Series) -> None:
        store = self.context.store
        if store is None:
            return
        from benchapp.records import StoreError, influences

        try:
            influences.keep_series(store, series)
        except StoreError as error:  # the pulls stay here; the end keeps them all
            self.context.message.emit("problem", str(error))

    # ----------------------------------------------------------------------------------------------------------- words

    def headline(self) -> tuple[str, str]:
        """The one instruction and the quieter line beneath it, for the top of the Bench."""
        return self._said

    def _say(self, instruction: str, detail: str) -> None:
        new = (instruction, detail.strip())
        if new != self._said:
            self._said = new
            self.headline_changed.emit()

    def instruction(self, view: BenchView) -> tuple[str, str]:
        """What to do now in the series."""
        series = self.series
        assert series is not None
        go, aside = self.key_names
        target = f"{words.plain(series.target)} {series.unit}"
        kind = series.kind
        if view.link.state != "streaming":
            return "Waiting for the transducer", "No samples come in. The series goes on when they do."
        if self.stage == ZERO:
            if view.is_zeroing:
                return "Hands off: zero is taken", "It takes a second."
            return "Tool off, hands off", view.zero_problem or f"{go} takes zero. Nobody stands behind the lever."
        if self.stage == DONE:
            return "Every pull is there", f"{go} keeps the result for {series.tool}"
        if self.stage == CHANGE:
            first = series.position == 0
            before = f"Pull it five times to its maximum first, then set it to {target}. " if first else f"{target}. "
            return kind.change[series.position], f"{before}{go} when it is ready; then pull {kind.n_readings} times."
        if view.phase in (Phase.RELEASED, Phase.HELD):
            return "Ease back to zero", self._count(series)
        n = min(len(series.readings(series.position)) + 1, kind.n_readings)
        again = f"Not counted: {self._why}. Pull again; {aside} counts it all the same. " if self._why else ""
        return f"Pull {n} of {kind.n_readings}, {target}", again or self._count(series)

    @staticmethod
    def _count(series: Series) -> str:
        kind = series.kind
        where = min(series.position, len(kind.positions) - 1)
        done = sum(len(series.readings(i)) for i in range(len(kind.positions)))
        return f"{kind.name}: {kind.positions[where]}; {done} of {plural(kind.n_pulls, 'pull')}"

    def _show(self, view: BenchView) -> None:
        series = self.series
        assert series is not None
        self._say(*self.instruction(view))
        self.table.show_series(series, view.capacity_nm)
        go, aside = self.key_names
        does = {ZERO: "Take zero", CHANGE: "It is ready", DONE: "Keep the result"}.get(self.stage, "")
        self.go_button.setVisible(bool(does))
        self.go_button.setText(f"{does}   {go}")
        last = series.pulls[-1] if series.pulls else None
        can = last is not None and (last.counts or last.reading_nm is not None)
        self.aside_button.setVisible(can)
        counts = last is not None and last.counts
        self.aside_button.setText(f"{'Set the last one aside' if counts else 'Count the last one'}   {aside}")
        self.leave_button.setText("Leave   Esc")
        if last is None:
            self.last.show_pull("–", series.unit, "none yet", f"{plural(series.kind.n_pulls, 'pull')} in all")
            return
        figure = "–" if last.reading_nm is None else self.table.text(last.reading_nm)
        despite = {flag.value for flag in COUNTS_DESPITE}
        noticed = ", ".join(why_words(flag) for flag in last.flags if flag not in despite or not last.counts)
        state = "counted" if last.counts else "not counted"
        self.last.show_pull(figure, series.unit, state, noticed or (self._why if not last.counts else ""))

    def _show_figure(self, view: BenchView) -> None:
        series = self.series
        assert series is not None
        _, live_nm = self.context.bench.live()
        step = words.steps_of(view.capacity_nm)[0]
        text = "–" if math.isnan(live_nm) else words.number(live_nm * series.direction.sign, series.unit, step)
        if words.as_float(text) == 0:
            text = text.lstrip(words.MINUS)
        number = self.reference.number if self.reference is not None else "the reference"
        warning = words.overload_warning(view.overload_percent, number) if view.overload_percent >= 95 else ""
        widest = words.number(max(series.target_nm * 1.5, step), series.unit, step)
        self.live.show_torque(text, series.unit, "".join("8" if c.isdigit() else c for c in widest), warning)

    # ------------------------------------------------------------------------------------------------------- the window

    def showEvent(self, event: QShowEvent) -> None:
        """Back on the Bench: a series that was under way goes on, from its zero."""
        super().showEvent(event)
        if self.series is not None:
            try:
                self._aim()
            except ValueError as refused:
                self.show_overview()
                self._refuse(str(refused))
                return
            self.stage = ZERO
            self._zero.reset()
            self.timer.start()

    def hideEvent(self, event: QHideEvent) -> None:
        """Another page is shown: pulls made there are not for this series."""
        super().hideEvent(event)
        self.timer.stop()
        if self.series is not None:
            self.context.bench.stop_practice()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """New sizes."""
        super().resizeEvent(event)
        self.restyle()
