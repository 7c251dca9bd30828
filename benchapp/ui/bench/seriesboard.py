"""The board of a guided series: zero, then at each position pulls that count by themselves; a flagged one again."""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable
from functools import partial
from typing import Any, Final

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QHideEvent, QResizeEvent, QShowEvent
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QWidget

from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool
from benchapp.pulls.pull import Flag
from benchapp.runs.influences import COUNTS_DESPITE, InfluenceError, Series
from benchapp.runs.planning import mode_for
from benchapp.session.view import BenchView, Phase, PracticeAim
from benchapp.ui import keys, words
from benchapp.ui.bench.panels import LiveFigure
from benchapp.ui.bench.seriespanels import LastPull, SeriesTable
from benchapp.ui.bench.zero import ZeroTaker
from benchapp.ui.context import AppContext
from benchapp.ui.controls import main_button, plain_button
from benchapp.ui.format import plural
from benchapp.ui.settings import Settings
from benchapp.ui.theme import Sizes

log = logging.getLogger(__name__)

FRAME_MS: Final = 16
FIGURE_EVERY_S: Final = 0.08
ZERO, CHANGE, PULL, DONE = "zero", "change", "pull", "done"


def why_words(why: str) -> str:
    """Return in words why a pull does not count."""
    if why in {flag.value for flag in Flag}:
        return words.FLAG_NAMES[Flag(why)]
    return {"no-reading": "no reading", "wrong-direction": "the other way round", "knock": "only a knock"}.get(why, why)


class SeriesBoard(QWidget):
    """A series under way.

    Attributes:
        series: As it stands; None: none is under way.
        stage: `ZERO`, `CHANGE` (to the next position), `PULL` or `DONE`.

    Args:
        context: Shared by all pages.
        settings: Names of the two keys.
        finish: Keeps what a whole series found; raises InfluenceError where it cannot be kept.
    """

    said = Signal(str, str)  # the instruction and the quieter line beneath
    left = Signal(str)  # the series is over or was left; why, "" when nothing is wrong

    def __init__(self, context: AppContext, settings: Settings, finish: Callable[[Series], None]) -> None:
        super().__init__()
        self.context = context
        self.settings = settings
        self._finish = finish
        self._clock = time.monotonic
        self.series: Series | None = None
        self.stage = ZERO
        self._tool: Tool | None = None
        self._reference: Reference | None = None
        self._time_window_s: tuple[float, float] | None = None
        self._zero = ZeroTaker(context.bench)
        self._figure_s = -1.0
        self._why = ""
        self._failed = ""
        grid = self._grid = QGridLayout(self)
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
        self.timer = QTimer(self)
        self.timer.setInterval(FRAME_MS)
        self.timer.timeout.connect(self.tick)

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        s = Sizes.of(self.window().height())
        for panel in (self.table, self.live, self.last):
            panel.restyle()
        self.live.setFixedHeight(round(LiveFigure.height_for(s)))
        self._grid.setSpacing(round(s.gap))

    # ------------------------------------------------------------------------------------------------------ begin, end

    def begin(
        self, series: Series, tool: Tool, reference: Reference | None, time_window_s: tuple[float, float] | None
    ) -> None:
        """Go on with a series at its position; raises ValueError while a run is under way."""
        self._tool, self._reference, self._time_window_s = tool, reference, time_window_s
        self.series = series
        try:
            self._aim()
        except ValueError:
            self.series = None
            raise
        self.stage, self._why = ZERO, ""
        self._zero.reset()
        self.context.bench.take_practice_pulls()
        self.timer.start()
        self.tick()

    def _aim(self) -> None:
        series, tool = self.series, self._tool
        assert series is not None
        assert tool is not None
        self.context.bench.start_practice(
            PracticeAim(self._reference, mode_for(tool), series.direction, series.target_nm, self._time_window_s)
        )

    def end(self) -> None:
        """Give the bench back; may be called again."""
        self.timer.stop()
        if self.series is not None:
            self.series = None
            self.context.bench.stop_practice()

    # ------------------------------------------------------------------------------------------------------------ keys

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

    def act(self, action: str, *_: Any) -> None:
        """Do what a key means now: "go", "aside" or "leave"."""
        series = self.series
        if series is None:
            return
        if action == "leave":
            self.left.emit("")
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
                self._finish(series)
            except InfluenceError as refused:
                self._why = str(refused)
                return
            self.left.emit("")

    # ---------------------------------------------------------------------------------------------------------- frames

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
        self.said.emit(*self.instruction(view))
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
        number = self._reference.number if self._reference is not None else "the reference"
        warning = words.overload_warning(view.overload_percent, number) if view.overload_percent >= 95 else ""
        widest = words.number(max(series.target_nm * 1.5, step), series.unit, step)
        self.live.show_torque(text, series.unit, "".join("8" if c.isdigit() else c for c in widest), warning)

    # -------------------------------------------------------------------------------------------------------------- Qt

    def showEvent(self, event: QShowEvent) -> None:
        """Back on the Bench: a series that was under way goes on, from its zero."""
        super().showEvent(event)
        if self.series is not None:
            try:
                self._aim()
            except ValueError as refused:
                self.left.emit(str(refused))
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
