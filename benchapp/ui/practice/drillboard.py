"""A drill under way: mirrors the bench and one `Sitting`, and turns the two keys into what comes next."""

from __future__ import annotations

import datetime as dt
import math
import time
from collections.abc import Callable
from typing import Final

from PySide6.QtCore import QRectF
from PySide6.QtWidgets import QWidget

from benchapp.practice.drills import Measured, is_readable
from benchapp.pulls.pull import Flag, Mode, Pull
from benchapp.session.view import BenchView, Phase
from benchapp.torque.units import from_nm
from benchapp.ui import words
from benchapp.ui.bench.panels import LiveFigure
from benchapp.ui.bench.plot import CurveMark, PullPlot, Scene
from benchapp.ui.context import AppContext
from benchapp.ui.practice import texts
from benchapp.ui.practice.board import Aims, BigSentence, Curtain, HowItLooks, Pair
from benchapp.ui.practice.pullboard import CAUTIONS, ZERO, PullBoard, clock_text
from benchapp.ui.practice.sitting import LEAST_PEAK, Sitting, Told, tool_word
from benchapp.ui.theme import Sizes

FIGURE_EVERY_S: Final = 0.08
TOP: Final = 1.6
"""Height of the plot over the set torque: a hand that goes far past the click still stays in sight."""

PULLS: Final = "pulls"
_MARKED: Final = {Flag.JERKY: "dip", Flag.DOUBLE: "second pull", Flag.TOO_FAST: "too fast", Flag.TOO_SLOW: "too slow"}


class DrillBoard(PullBoard):
    """Sentence, plot, the pair of figures, aims.

    Args:
        context: Shared by all pages.
        parent: The view.
        clock: Monotonic seconds; a test puts its own.
    """

    what = "practice"
    frame_ms = 16

    def __init__(
        self, context: AppContext, parent: QWidget | None = None, *, clock: Callable[[], float] | None = None
    ) -> None:
        super().__init__(context, parent)
        self.sitting: Sitting | None = None
        self._clock = clock or time.monotonic
        self._next_index = 0
        self._figure_s = -1.0
        self._last: Pull | None = None
        self._pulled_before = False
        self._cautioned: set[tuple[str, str]] = set()

        self.plot = PullPlot(self)
        self.curtain = Curtain(self)
        self.looks = HowItLooks(self)
        self.live = LiveFigure(self)
        self.pair = Pair(self)
        self.aims = Aims(self)
        self.panels += (self.curtain, self.looks, self.live, self.pair, self.aims)
        context.unit_changed.connect(self._redraw)

    # ------------------------------------------------------------------------------------------------------ begin, end

    def begin(self, sitting: Sitting) -> None:
        """Practise from now on; raises ValueError while a run is under way."""
        sitting.begin()
        self.sitting = sitting
        self._last = None
        self._pulled_before = False
        choice = sitting.choice
        self.reference = choice.reference
        known = (choice.person, choice.tool.number)
        self.state = ZERO if known in self._cautioned else CAUTIONS
        capacity = choice.reference.capacity_nm if choice.reference is not None else choice.target_nm * TOP
        shown = words.plain(float(f"{from_nm(capacity, self.context.unit):.4g}"))
        self._caution(
            choice.tool, f"{words.plain(choice.tool.highest)} {choice.tool.unit} and {shown} {self.context.unit}"
        )
        self._aim()
        self.plot.columns.clear()
        self._next_index = 0
        self.plot.hold(None)
        self._show_scene()
        self.looks.show_drawing(choice.drill.drawing, f"{choice.drill.name}: how it should look")

    @property
    def is_under_way(self) -> bool:
        """A drill is shown: the two keys are its own."""
        return self.sitting is not None

    def _aim(self) -> None:
        if self.sitting is not None:
            choice = self.sitting.choice
            self._lend(choice.tool, choice.aim(), choice.target_nm)

    def _put_down(self) -> None:
        self.sitting = None

    # ------------------------------------------------------------------------------------------------------------ keys

    def _go(self) -> None:
        sitting = self.sitting
        assert sitting is not None
        # a pull that is under way belongs to the level it was begun at
        if self._offers_next and self.context.bench.view().phase is Phase.REST:
            sitting.go_to(sitting.choice.level + 1)
            self._aim()  # the window of the last fifth may be another one
            self._show_scene()

    @property
    def _offers_next(self) -> bool:
        """The level is passed and there is one above it, also after more pulls."""
        sitting = self.sitting
        return sitting is not None and self.state == PULLS and sitting.is_passed and sitting.has_next_level

    def _aside(self) -> None:
        if self.sitting is not None and self.state == PULLS:
            self.sitting.set_aside()

    def _cautions_read(self) -> None:
        if self.sitting is not None:
            self._cautioned.add((self.sitting.choice.person, self.sitting.choice.tool.number))

    def _zeroed(self) -> None:
        self.state = PULLS

    @property
    def _counts_on_zero(self) -> bool:
        return self.state == PULLS

    # ---------------------------------------------------------------------------------------------------------- frames

    def _follow(self, view: BenchView) -> None:
        sitting, bench = self.sitting, self.context.bench
        assert sitting is not None
        if self.plot.needs_samples:
            self.plot.needs_samples = False
            self._next_index = 0
        self._next_index, t_s, torque_nm = bench.samples_since(self._next_index)
        self.plot.feed(t_s, torque_nm)
        for closed in bench.take_practice_pulls():
            if self.state == PULLS and sitting.take(closed) is not None:
                self._last = closed.pull
                self._pulled_before = True
        live_s, live_nm = bench.live()
        self._show(view)
        self._move_plot(view, live_s)
        self.plot.advance(live_s, live_nm)
        now = self._clock()
        if now - self._figure_s >= FIGURE_EVERY_S:
            self._figure_s = now
            self._show_figure(view, live_nm)

    def _redraw(self) -> None:
        if self.sitting is not None:
            self._show_scene()
            self._figure_s = -1.0

    # ------------------------------------------------------------------------------------------------------------ view

    def _show(self, view: BenchView) -> None:
        sitting = self.sitting
        assert sitting is not None
        told = sitting.told
        go, aside = self.key_names
        sentence, detail = self._words(view, told, go)
        if self.state != self._placed_for:
            self._place()
        self._say(view, sentence, detail, *([f"{view.link.rate_hz:.0f} Hz"] if view.link.rate_hz > 0 else []))
        pulls = self.state == PULLS
        resting = view.phase is Phase.REST
        hidden = sitting.choice.drill.hidden
        first = not self._pulled_before
        self.cautions.setVisible(self.state == CAUTIONS)
        covered = pulls and hidden and not resting
        self.looks.setVisible(self.state != CAUTIONS and first and resting)
        self.curtain.setVisible(covered)
        self.plot.setVisible(self.state != CAUTIONS and not covered and not self.looks.isVisible())
        for panel in (self.live, self.pair, self.aims):
            panel.setVisible(self.state != CAUTIONS)
        if covered:
            self.curtain.say("Hidden until the pull is over.")
        self._show_result(told)
        self._show_plot(view)
        actions = []
        if self.state == CAUTIONS:
            actions.append(("go", "Read", go))
        elif self.state == ZERO and self._can_zero(view):
            actions.append(("go", "Take zero", go))
        elif resting and self._offers_next:
            actions.append(("go", "Next level", go))
        if pulls and told is not None:
            actions.append(("aside", "Let it count" if told.pull.set_aside else "Set aside", aside))
        actions.append(("leave", "Leave", "Esc"))
        self.key_bar.show_actions(actions)

    def _words(self, view: BenchView, told: Told | None, go: str) -> tuple[str, str]:
        """Return the big sentence and the line beneath."""
        sitting = self.sitting
        assert sitting is not None
        choice = sitting.choice
        where = texts.place(choice, told, len(sitting.pulls))
        if self._offers_next:
            where = f"Level {choice.level} is passed, {go}: level {choice.level + 1}  ·  {where}"
        waiting = self._before_pulls(view, where)
        if waiting is not None:
            return waiting
        order = texts.while_pulling(choice, view)
        if order:
            return order, where
        trouble = sitting.problem or texts.NOTICES.get(sitting.notice, "")
        rest = sitting.rest
        left = self._left_of(rest.until) if rest is not None else 0
        tired = rest.sentence if rest is not None and (left > 0 or not rest.until) else ""
        counting = f"{clock_text(left)} left  ·  " if left > 0 else ""
        if told is None:
            return (tired, trouble or f"{counting}{where}") if tired else (texts.before_pull(choice), trouble or where)
        if told.is_passed_now:
            n = choice.level
            more = f"{go}: level {n + 1}" if sitting.has_next_level else "That was the last one."
            counted = texts.standing_text(choice.the_level, told.standing)
            return f"Level {n} passed. {more}", trouble or f"{counted}  ·  {tired or told.advice.sentence}"
        if tired and told.advice.of not in (Flag.OVERLOAD, Flag.TOOL_OVERLOAD):
            return tired, trouble or f"{counting}{told.advice.sentence}"
        if rest is not None and not tired:
            return f"Rested. {texts.before_pull(choice)}", trouble or where
        return told.advice.sentence, trouble or tired or where

    def _left_of(self, until: str) -> int:
        assert self.sitting is not None
        if not until:
            return 0
        return max(0, math.ceil((dt.datetime.fromisoformat(until) - self.sitting.clock()).total_seconds()))

    def _step(self) -> tuple[float, float]:
        """Return the (live, reading) resolution: what the reference deserves, and no more digits than an arm does."""
        assert self.sitting is not None
        reference, target_nm = self.reference, self.sitting.choice.target_nm
        live, reading = words.steps_of(reference.capacity_nm if reference is not None else None)
        return live, max(reading, words.steps_of(target_nm)[0])

    def _template(self, step_nm: float) -> str:
        assert self.sitting is not None
        text = words.number(self.sitting.choice.target_nm * TOP, self.context.unit, step_nm)
        return "".join("8" if c.isdigit() else c for c in text)

    def _show_figure(self, view: BenchView, live_nm: float) -> None:
        sitting = self.sitting
        if sitting is None:
            return
        step = self._step()[0]
        # a pull that was begun while another page was shown is none to the reader: only the torque tells of it
        pulled = view.phase is not Phase.REST or abs(live_nm) >= LEAST_PEAK * sitting.choice.target_nm
        hidden = self.state == PULLS and sitting.choice.drill.hidden and pulled
        if hidden or math.isnan(live_nm) or view.link.state != "streaming":
            text = "· · ·" if hidden else "–"
        else:
            text = words.number(live_nm * sitting.choice.direction.sign, self.context.unit, step)
            if words.as_float(text) == 0:
                text = text.lstrip(words.MINUS)
        warning = ""
        if view.overload_percent >= 95:
            warning = words.overload_warning(view.overload_percent, self._reference_name("Link"))
        self.live.show_torque(text, self.context.unit, self._template(step), warning)

    def _show_result(self, told: Told | None) -> None:
        sitting = self.sitting
        assert sitting is not None
        choice, level, unit = sitting.choice, sitting.choice.the_level, self.context.unit
        step = self._step()[1]

        def figure(torque_nm: float | None) -> str:
            return "–" if torque_nm is None else words.number(torque_nm, unit, step)

        figures = ("–", "–")
        if told is not None:
            marks = told.pull.marks
            first = marks.first_peak_nm if choice.drill.mode is Mode.FIRST_PEAK else marks.reading_nm
            figures = (figure(first), figure(marks.peak_nm))
        titles = texts.pair_titles(choice.drill)
        titles = (titles[0].replace("wrench", tool_word(choice.tool)), titles[1])
        self.pair.show_pair(titles, figures, unit, texts.pair_note(told, choice.drill), self._template(step))
        measured = (
            told.measured if told is not None else tuple(Measured(a, None) for a in (*level.aims, *level.spreads))
        )
        dots: list[str] = []  # those that have a place; after them the last pull where it was spoilt and has none
        spoilt = False
        for pull in sitting.pulls:
            if pull.level == choice.level:
                spoilt = not is_readable(pull.marks)
                dots += [] if spoilt else ["aside" if pull.set_aside else "good" if pull.is_good else "poor"]
        dots = dots[-level.n_last :] + (["spoilt"] if spoilt else [])
        standing = f"{texts.standing_text(level, sitting.standing)}"
        besides = texts.besides(choice.drill, level, told)
        self.aims.show_aims(measured, dots, max(level.n_last, len(dots)), standing, texts.spread_note(told), besides)

    def _show_scene(self) -> None:
        sitting = self.sitting
        if sitting is None:
            return
        choice = sitting.choice
        reference = choice.reference
        self.plot.show_scene(
            Scene(
                top_nm=choice.target_nm * TOP,
                unit=self.context.unit,
                sign=choice.direction.sign,
                target_nm=choice.target_nm,
                capacity_nm=reference.capacity_nm if reference is not None else None,
                reference=reference.number if reference is not None else "",
                target_name=texts.target_text(choice),
                line_word="set" if choice.drill.mode is Mode.FIRST_PEAK else "the mark",
            )
        )

    def _show_plot(self, view: BenchView) -> None:
        plot = self.plot
        rising = view.phase is Phase.RISING
        if rising and not plot.is_rising:
            plot.rest_scale()
        plot.is_rising = rising
        plot.rate_hz = view.link.rate_hz
        plot.window_from = None
        if view.time_window_s is not None and view.eighty_s is not None:
            plot.window_from = (view.eighty_s, *view.time_window_s)
        plot.marks = () if view.phase is not Phase.REST else self._marks()

    def _marks(self) -> tuple[CurveMark, ...]:
        pull = self._last
        if pull is None:
            return ()
        marks = []
        for noticed in pull.noticed:
            text = _MARKED.get(noticed.flag)
            if text is not None and noticed.start_s is not None:
                sign = pull.direction.sign
                level = self.plot.columns.low_between(noticed.start_s, noticed.end_s or noticed.start_s, sign)
                marks.append(CurveMark(noticed.start_s, level, text, end_s=noticed.end_s))
        peak = next((mark for mark in pull.marks if mark.name == "peak"), None)
        if peak is not None and pull.mode is Mode.FIRST_PEAK and pull.first_peak is not None:
            far = pull.peak > 1.3 * pull.first_peak  # nearer, the words would hide the curve
            marks.append(CurveMark(peak.time_s, peak.torque, "your hand went here" if far else ""))
        if pull.reading is not None and pull.reading_time_s is not None:
            word = words.MARK_NAMES["click" if pull.mode is Mode.FIRST_PEAK else "hold"]
            marks.append(CurveMark(pull.reading_time_s, pull.reading, word, is_click=True))
        return tuple(marks)

    def _move_plot(self, view: BenchView, live_s: float) -> None:
        """Hold the last pull still while nobody pulls."""
        pull, plot = self._last, self.plot
        if pull is None or view.phase is not Phase.REST or self.state != PULLS or math.isnan(live_s):
            plot.hold(None)
            return
        if plot.held_from is None or not plot.held_from <= pull.end_s <= plot.held_from + plot.past_s + plot.ahead_s:
            # a short pull stands away from the edge, so that its words have room; a long one has the whole width
            width_s = plot.past_s + plot.ahead_s
            spare = width_s - (pull.end_s - pull.start_s)
            plot.hold(max(pull.start_s - max(0.5, spare / 4), pull.end_s + 0.3 - width_s))

    # -------------------------------------------------------------------------------------------------------------- Qt

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        super().restyle()
        self.plot.restyle()
        self._redraw()

    def _place(self) -> None:
        self._placed_for = self.state
        s = Sizes.of(self.window().height())
        w, h, gap = self.width(), self.height(), s.gap
        head = QRectF(gap * 1.2, gap * 0.2, w - 2.4 * gap, BigSentence.height_for(s))
        top = head.bottom() + gap * 0.4
        board = QRectF(gap, top, w - 2 * gap, h - top - gap)
        right_w = max(w * 0.30, self.window().height() * 0.5)
        bar_h = s.small * 3.4
        right = QRectF(board.right() - right_w, board.top(), right_w, board.height() - bar_h - gap * 0.6)
        live_h = min(LiveFigure.height_for(s), right.height() * 0.34)
        live = QRectF(right.left(), right.top(), right_w, live_h)
        pair = QRectF(right.left(), live.bottom() + gap * 0.7, right_w, right.bottom() - live.bottom() - gap * 0.7)
        bar = QRectF(right.left(), board.bottom() - bar_h, right_w, bar_h)
        aims_h = s.body * 2.5 + s.lead * 5.6
        left_w = right.left() - board.left() - gap
        aims = QRectF(board.left(), board.bottom() - aims_h, left_w, aims_h)
        plot = QRectF(board.left(), board.top(), left_w, aims.top() - gap * 0.7 - board.top())
        if self.state == CAUTIONS:  # a short sentence, and all the room for what is to be read
            head.setHeight(BigSentence.height_for(s, 1))
        under = head.bottom() + gap * 0.4
        sheet = QRectF(board.left(), under, board.width(), board.bottom() - under - bar_h - gap * 0.6)
        for widget, box in (
            (self.sentence, head),
            (self.plot, plot),
            (self.curtain, plot),
            (self.looks, plot),
            (self.live, live),
            (self.pair, pair),
            (self.aims, aims),
            (self.cautions, sheet),
            (self.key_bar, bar),
        ):
            widget.setGeometry(box.toRect())
        self.key_bar.raise_()
