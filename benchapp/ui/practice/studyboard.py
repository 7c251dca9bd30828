"""A study under way: says who takes which tool, and shows no value before the end; it goes on at the same pull."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from typing import Final

from PySide6.QtCore import QRectF, Signal
from PySide6.QtGui import QColor, QPainter, QPen, QShowEvent
from PySide6.QtWidgets import QWidget

from benchapp.metrology.reference import Reference
from benchapp.practice.study import MOST_TRIES, OTHER_SETTING, Step, StudyPull, is_knock, next_step, take, why_again
from benchapp.pulls.pull import Flag, Mode
from benchapp.records.studies import StoredStudy
from benchapp.session.view import BenchView, Phase, PracticeAim, PracticePull
from benchapp.ui import theme, words
from benchapp.ui.context import AppContext
from benchapp.ui.painted import CENTRE, Painted
from benchapp.ui.practice.board import BigSentence
from benchapp.ui.practice.pullboard import CAUTIONS, ZERO, PullBoard, clock_text
from benchapp.ui.theme import Sizes, draw_fitted, font_of_cap

HANDOVER, PULL, BREAK, DONE = "handover", "pull", "break", "done"

AGAIN: Final[dict[str, str]] = {
    OTHER_SETTING: "it let go far from its setting (right tool, set right?)",
    Flag.NO_CLICK: "it never let go",
    Flag.UNCLEAR: "a click and a dip can't be told apart",
    Flag.DOUBLE: "pulled twice",
    Flag.SHORT: "too short",
    Flag.ZERO_OFF: "rest was not at zero",
    Flag.OVERLOAD: "beyond the reference's capacity",
    Flag.TOOL_OVERLOAD: "far beyond the tool's maximum",
    Flag.GAP: "samples were missing",
    Flag.CUT: "the recording broke off",
    Flag.JERKY: "jerky",
    Flag.TOO_FAST: "too fast",
    Flag.TOO_SLOW: "too slow",
    Flag.PAST_CLICK: "carried past the click",
}
"""Why a pull is made again, without a number: the study is blind."""


class Blind(Painted):
    """Stands where a curve would be: how far the study is, and why nothing else is shown."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.who = self.with_what = self.note = ""
        self.n_done, self.n_all, self.per_round = 0, 1, 1

    def show_step(self, who: str, with_what: str, note: str, n_done: int, n_all: int, per_round: int) -> None:
        """Show who and what, and how far it is."""
        new = (who, with_what, note, n_done, n_all, per_round)
        if new != (self.who, self.with_what, self.note, self.n_done, self.n_all, self.per_round):
            self.who, self.with_what, self.note, self.n_done, self.n_all, self.per_round = new
            self.setAccessibleName(f"{who}, {with_what}, {n_done} of {n_all} pulls")
            self.update()

    def draw(self, painter: QPainter, box: QRectF) -> None:
        """Who and which tool in large letters; below a mark for each pull, a gap between rounds."""
        s, c = self.sizes, theme.palette()
        theme.draw_panel(painter, box, s.radius, fill=c.panel_soft)
        inner = box.adjusted(s.pad * 2, s.pad * 1.5, -s.pad * 2, -s.pad)
        marks_h = s.body * 7
        tall = QRectF(inner.left(), inner.top(), inner.width(), inner.height() - marks_h)
        half = tall.height() / 2
        painter.setPen(QColor(c.ink))
        top = QRectF(tall.left(), tall.top(), tall.width(), half)
        below = QRectF(tall.left(), tall.top() + half, tall.width(), half)
        cap = min(s.figure, half * 0.55)
        draw_fitted(painter, top, self.who, font_of_cap(cap, bold=True), align=CENTRE)
        draw_fitted(painter, below, self.with_what, font_of_cap(cap), align=CENTRE)
        rounds = max(1, math.ceil(self.n_all / self.per_round))
        gap = s.small
        pitch = min(s.body * 2, (inner.width() - gap * (rounds - 1)) / self.n_all)
        side = min(pitch * 0.72, s.body * 1.4)
        x = inner.center().x() - (pitch * self.n_all + gap * (rounds - 1)) / 2
        y = inner.bottom() - marks_h * 0.72
        for k in range(self.n_all):
            if k and k % self.per_round == 0:
                x += gap
            painter.setPen(QPen(QColor(c.ink if k == self.n_done else c.rail), 1.6))
            painter.setBrush(QColor(c.ink if k < self.n_done else c.panel))
            painter.drawRect(QRectF(x + (pitch - side) / 2, y, side, side))
            x += pitch
        painter.setPen(QColor(c.soft))
        row = QRectF(inner.left(), y + side + s.small, inner.width(), s.body * 2)
        draw_fitted(painter, row, self.note, font_of_cap(s.body), align=CENTRE)


class StudyBoard(PullBoard):
    """Instruction, blind panel, keys.

    Args:
        context: Shared by all pages.
        now: Wall time with its offset; a test puts its own.
        parent: The view.
    """

    finished = Signal(object)  # StoredStudy
    what = "the study"
    frame_ms = 33

    def __init__(self, context: AppContext, now: Callable[[], dt.datetime], parent: QWidget | None = None) -> None:
        super().__init__(context, parent)
        self.now = now
        self.study: StoredStudy | None = None
        self.pulls: list[StudyPull] = []
        self.step: Step | None = None
        self.again = ""
        self.problem = ""
        self._rested_at = 0
        self._break_until: dt.datetime | None = None
        self.blind = Blind(self)
        self.panels += (self.blind,)

    # ------------------------------------------------------------------------------------------------------ begin, end

    def begin(self, study: StoredStudy, pulls: list[StudyPull], reference: Reference | None) -> None:
        """Go on with a study at its next pull; raises ValueError while a run is under way."""
        self.study, self.pulls, self.reference = study, list(pulls), reference
        self.step = next_step(study.plan, self.pulls, rested_at=len(self.pulls))
        self._rested_at = len(self.pulls)
        self.again = self.problem = ""
        self.state = DONE if self.step.is_done else CAUTIONS
        highest = max(study.plan.tools, key=lambda one: one.tool.highest_nm).tool
        capacity = f" and {words.plain(reference.capacity_nm)} N·m" if reference is not None else ""
        alike = all(one.tool.highest_nm == highest.highest_nm for one in study.plan.tools)
        ends = f"{words.plain(highest.highest)} {highest.unit}" if alike else "each tool's own maximum"
        self._caution(highest, f"{ends}{capacity}")
        try:
            self._aim()
        except ValueError:
            self.study = None
            raise

    @property
    def is_under_way(self) -> bool:
        """A study is shown: the two keys are its own."""
        return self.study is not None

    def _aim(self) -> None:
        """Have the bench read for the tool of this step."""
        if self.step is None or self.study is None or self.step.tool is None:
            return
        one = self.step.tool
        aim = PracticeAim(self.reference, Mode.FIRST_PEAK, self.study.plan.direction, one.target_nm)
        self._lend(one.tool, aim, one.target_nm)

    def _put_down(self) -> None:
        self.study = None

    # ------------------------------------------------------------------------------------------------------------ keys

    def _go(self) -> None:
        if self.state == HANDOVER:
            self.context.bench.take_practice_pulls()  # pulls made before "ready" belong to nobody
            self.state = PULL
        elif self.state == BREAK:
            self._rested_at = len(self.pulls)
            self._break_until = None
            self.state = ZERO  # rest levels drift while nobody looks
        elif self.state == DONE:
            self._end()

    @property
    def _last_counts(self) -> bool:
        return self.state not in (CAUTIONS, ZERO) and bool(self.pulls) and self.pulls[-1].counts

    def _aside(self) -> None:
        """Have the last pull made again: somebody else pulled, or with another setting. Nobody has seen its value."""
        study, store = self.study, self.context.store
        if study is None or store is None or not self._last_counts:
            return
        from benchapp.records import StoreError, studies

        last = self.pulls[-1]
        try:
            self.pulls[-1] = studies.set_aside(store, study.key, last)
        except StoreError as error:
            self.problem = str(error)
            return
        self.problem = ""
        self.again = f"The last pull is set aside: {last.person} pulls {last.tool} again."
        self.step = next_step(study.plan, self.pulls, rested_at=self._rested_at)
        self._break_until = None
        self._aim()
        self.state = HANDOVER

    def _zeroed(self) -> None:
        self.context.bench.take_practice_pulls()
        self.state = HANDOVER

    @property
    def _counts_on_zero(self) -> bool:
        return self.state in (HANDOVER, PULL)

    def _end(self) -> None:
        study, store = self.study, self.context.store
        if study is None:
            return
        self.stop()
        self.study = None
        if store is not None and study.is_open:
            from benchapp.records import StoreError, studies

            try:
                studies.finish(store, study.key, self.now().isoformat(timespec="seconds"))
                study = studies.study(store, study.key) or study
            except StoreError as error:  # all pulls are kept; it can be ended the next time
                self.context.message.emit("problem", str(error))
        self.finished.emit(study)

    # ---------------------------------------------------------------------------------------------------------- frames

    def _follow(self, view: BenchView) -> None:
        for closed in self.context.bench.take_practice_pulls():
            if self.state == PULL:
                self._take(closed)
        self._show(view)

    def _take(self, closed: PracticePull) -> None:
        """Keep a pull, then see what comes next."""
        study, step, store = self.study, self.step, self.context.store
        assert study is not None
        assert step is not None
        if step.is_done:
            return
        if is_knock(study.plan, step, closed.pull):
            self.again = "That was too little, or the other way round: not captured."
            return
        pull = take(study.plan, self.pulls, step, closed.pull, at=closed.wall, source=closed.source)
        assert pull is not None
        if store is None or not self._keep(study.key, pull):
            return
        self.pulls.append(pull)
        why = why_again(study.plan, closed.pull, pull.target_nm)
        self.again = "" if why is None else f"Once more: {AGAIN.get(why, why)}."
        self.step = following = next_step(study.plan, self.pulls, rested_at=self._rested_at)
        if following.is_done:
            self.state = DONE
            return
        self._aim()
        if following.break_due and why is None:
            self.state = BREAK
            self._break_until = self.now() + dt.timedelta(seconds=study.plan.break_s)
        elif following.changes_person or following.changes_tool:
            self.state = HANDOVER

    def _keep(self, key: int, pull: StudyPull) -> bool:
        from benchapp.records import StoreError, studies

        assert self.context.store is not None
        try:
            studies.add_pull(self.context.store, key, pull)
        except StoreError as error:
            self.problem = f"Not stored, pull again: {error}"
            return False
        self.problem = ""
        return True

    # ------------------------------------------------------------------------------------------------------------ view

    def _show(self, view: BenchView) -> None:
        if self.state != self._placed_for:
            self._place()
        study, step = self.study, self.step
        assert study is not None
        assert step is not None
        sentence, detail = self._words(view, step)
        self._say(view, sentence, detail)
        self.cautions.setVisible(self.state == CAUTIONS)
        self.blind.setVisible(self.state != CAUTIONS)
        tool = step.tool
        with_what = f"{tool.tool.number}, set to {words.plain(tool.target)} {tool.tool.unit}" if tool else ""
        if self.state == BREAK:
            who, with_what = "Break", f"then {step.person}, {tool.tool.number if tool else ''}"
        else:
            who = step.person or "All pulls are made"
        note = (
            f"{step.n_done} of {step.n_steps} pulls. Blind: curve and values are shown when the study is over."
            if not step.is_done
            else f"{step.n_steps} pulls."
        )
        self.blind.show_step(who, with_what, note, step.n_done, step.n_steps, study.plan.n_cells)
        go = {
            CAUTIONS: "Read",
            ZERO: "Take zero" if self._can_zero(view) else "",
            HANDOVER: "Ready",
            PULL: "",
            BREAK: "Break is over",
            DONE: "Show the result",
        }[self.state]
        actions = [("go", go, self.key_names[0])] if go else []
        if self._last_counts and view.phase is Phase.REST:
            actions.append(("aside", "Last one again", self.key_names[1]))
        actions.append(("leave", "Go on later", "Esc"))
        self.key_bar.show_actions(actions)

    def _words(self, view: BenchView, step: Step) -> tuple[str, str]:
        """Return the big sentence and the line beneath."""
        go, trouble = self.key_names[0], self.problem or self.again
        if self.state == DONE:
            return "All pulls are made. Thank you.", f"{go} shows the result"
        if view.overload_percent >= 95:
            return words.overload_warning(view.overload_percent, self._reference_name("the reference")), "Ease off"
        waiting = self._before_pulls(view)
        if waiting is not None:
            return waiting
        if self.state == BREAK:
            left = 0
            if self._break_until is not None:
                left = max(0, math.ceil((self._break_until - self.now()).total_seconds()))
            if left:
                return "Rest your arms", f"{clock_text(left)} left; {go} when you want to go on"
            return "Rested", f"{go} goes on"
        tool = step.tool
        assert tool is not None
        setting = f"{words.plain(tool.target)} {tool.tool.unit}"
        if self.state == HANDOVER:
            told = f"{step.person}: take {tool.tool.number}, set it to {setting}"
            return told, trouble or f"{go} when {step.person} stands ready with {tool.tool.number}"
        if view.phase is Phase.RISING:
            return "Go on, evenly", ""
        if view.phase is not Phase.REST:
            return "Ease back to zero", ""
        if step.tries >= MOST_TRIES:
            told = f"{step.tries} pulls of this step were damaged"
            return f"{told}. Look for the cause.", trouble
        return f"{step.person}: pull {tool.tool.number} until it lets go", trouble or "It is captured by itself"

    # -------------------------------------------------------------------------------------------------------------- Qt

    def _place(self) -> None:
        self._placed_for = self.state
        s = Sizes.of(self.window().height())
        w, h, gap = self.width(), self.height(), s.gap
        head_h = BigSentence.height_for(s, 1 if self.state == CAUTIONS else 2)
        head = QRectF(gap * 1.2, gap * 0.2, w - 2.4 * gap, head_h)
        bar_h = s.small * 3.4
        bar_w = max(w * 0.42, self.window().height() * 0.6)
        bar = QRectF(w - gap - bar_w, h - gap - bar_h, bar_w, bar_h)
        top = head.bottom() + gap * 0.4
        middle = QRectF(gap, top, w - 2 * gap, bar.top() - gap * 0.7 - top)
        for widget, box in (
            (self.sentence, head),
            (self.blind, middle),
            (self.cautions, middle),
            (self.key_bar, bar),
        ):
            widget.setGeometry(box.toRect())

    def showEvent(self, event: QShowEvent) -> None:
        """Take the bench up again."""
        if self.state == PULL:  # who stands there now is not known
            self.state = HANDOVER
        super().showEvent(event)
