"""The Bench page: mirrors one `BenchView` after another and turns two keys into commands.

The page has two modes: without a run the start panel; with a run the board (ladder, plot, live figure, card) or, where
there is no curve to look at, a sheet (cautions, verdict). A frame timer runs only while the page is shown.
"""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from PySide6.QtCore import QRect, QRectF, Qt, QTimer, Signal
from PySide6.QtGui import (
    QFocusEvent,
    QHideEvent,
    QKeySequence,
    QPainter,
    QPaintEvent,
    QResizeEvent,
    QShortcut,
    QShowEvent,
)
from PySide6.QtWidgets import QWidget

from benchapp.pulls.pull import Flag, Mode
from benchapp.runs.model import CapturedPull, Hold, Run, RunState
from benchapp.runs.outcome import is_not_in_service
from benchapp.runs.standing import counts
from benchapp.session.view import BenchView, Card, Phase, asked_of
from benchapp.ui import keys, theme, words
from benchapp.ui.bench.entry import IndicationEntry
from benchapp.ui.bench.keybar import FittedButton, KeyBar
from benchapp.ui.bench.look import Look
from benchapp.ui.bench.panels import CaptureCard, ChoicePanel, Headline, Ladder, LiveFigure
from benchapp.ui.bench.plot import HEADROOM, CurveMark, PullPlot, Scene
from benchapp.ui.bench.sheets import CautionsSheet, Notice, VerdictSheet
from benchapp.ui.context import AppContext
from benchapp.ui.settings import Settings
from benchapp.ui.sounds import Sounds
from benchapp.ui.theme import Sizes

if TYPE_CHECKING:
    from benchapp.ui.bench.origins import OriginsSheet

log = logging.getLogger(__name__)

FRAME_MS: Final = 16
FIGURE_EVERY_S: Final = 0.08  # an eye cannot read digits that change faster
ALARM_EVERY_S: Final = 1.1
ASIDE_STATES: Final = (
    RunState.SET_TOOL,
    RunState.PULL,
    RunState.INDICATION,
    RunState.FINAL_ZERO,
    RunState.RESET_TOOL,
)
"""In these the other key proposes to set the last reading aside."""
CURVE_FLAGS: Final = {
    Flag.JERKY: "dip",
    Flag.PAST_CLICK: "carried on",
    Flag.DOUBLE: "second pull",
    Flag.GAP: "missing",
    Flag.SPIKE: "wrong sample",
    Flag.TOO_FAST: "too fast",
    Flag.TOO_SLOW: "too slow",
    Flag.UNCLEAR: "click or dip?",
}


class BenchPage(QWidget):
    """Everything between the first look at a tool and its verdict."""

    source_changed = Signal()  # where the samples come from, or how a recording is replayed
    run_changed = Signal(bool)  # a run is under way (True) or not
    alarm_changed = Signal(bool)

    def __init__(
        self,
        context: AppContext,
        settings: Settings,
        sounds: Sounds,
        parent: QWidget | None = None,
        *,
        start_panel: Callable[[AppContext, Settings, QWidget], QWidget] | None = None,
        clock: Callable[[], float] | None = None,
    ) -> None:
        super().__init__(parent)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.context = context
        self.settings = settings
        self.sounds = sounds
        self._clock = clock or time.monotonic
        self.view: BenchView = context.bench.view()
        self._shown_serial = -1
        self._next_index = 0
        self._figure_s = -1.0
        self._alarm_s = -1.0
        self._running = False
        self._wants_start = self._looks = False
        self._marked: tuple[object, object] = (None, None)
        self._leaving = False
        self._leave_index = 0
        self._keyboard_here = True
        self._failed_serial = -1
        self._stopped = ("", "")  # the run that stopped its reference, and the sentence that says so
        self.n_frames = 0
        self.look = Look()

        self.headline = Headline(self)
        self.ladder = Ladder(self)
        self.plot = PullPlot(self)
        self.live = LiveFigure(self)
        self.card = CaptureCard(self)
        self.cautions = CautionsSheet(self)
        self.verdict = VerdictSheet(self)
        self.choices = ChoicePanel(self)
        self.entry = IndicationEntry(self)
        self.key_bar = KeyBar(self)
        self.where_from = FittedButton(words.WHERE_FROM, self)
        self.where_from.setProperty("kind", "quiet")
        self.where_from.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.where_from.setToolTip(words.WHERE_FROM_TIP)
        self.where_from.clicked.connect(self.toggle_origins)
        self.where_from.hide()
        self.origins: OriginsSheet | None = None
        self.keyboard_notice = Notice(self)
        self.start: QWidget | None = None
        self._start_factory = start_panel
        self.alarm: Notice | None = None

        self.choices.chosen.connect(self._chosen)
        self.key_bar.pressed.connect(self.act)
        self.entry.entered.connect(self._entered)
        self.verdict.ambient_entered.connect(self.context.bench.set_ambient)
        self.keyboard_notice.clicked.connect(self._want_keyboard)
        shortcut = QShortcut(QKeySequence(words.WHERE_FROM_KEY), self)
        shortcut.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        shortcut.activated.connect(self.toggle_origins)
        context.unit_changed.connect(self._redraw_all)
        context.store_changed.connect(self._look_at_check_standard)
        context.theme_changed.connect(self.restyle)
        self.timer = QTimer(self)
        self.timer.setTimerType(Qt.TimerType.PreciseTimer)
        self.timer.setInterval(FRAME_MS)
        self.timer.timeout.connect(self.tick)

    # ---------------------------------------------------------------------------------------------------------- state

    @property
    def is_running(self) -> bool:
        """A run is under way: keys belong to it, leaving asks."""
        return self.view.run is not None and self.view.state not in (RunState.SEALED, RunState.LEFT, None)

    @property
    def takes_keys(self) -> bool:
        """Single keys act on the Bench (a run or its end is shown, or an alarm)."""
        return self.view.run is not None or self.is_alarmed or bool(getattr(self.start, "takes_keys", False))

    @property
    def key_names(self) -> tuple[str, str]:
        """The go-on and the set-aside key, as printed on the keyboard."""
        go = self.settings.get("go_keys") or list(keys.GO_KEYS)
        aside = self.settings.get("aside_keys") or list(keys.ASIDE_KEYS)
        return keys.shown(go[0]), keys.shown(aside[0])

    def set_keyboard_here(self, here: bool) -> None:
        """The window has got or lost the keyboard."""
        self._keyboard_here = here
        self._show_keyboard_notice()

    def _show_keyboard_notice(self) -> None:
        if self.is_running and not self._keyboard_here and not self.is_alarmed:
            self.keyboard_notice.say(words.KEYBOARD_LOST, words.KEYBOARD_LOST_DETAIL)
        else:
            self.keyboard_notice.hide()

    def _want_keyboard(self) -> None:
        self.window().raise_()
        self.window().activateWindow()
        self.setFocus()

    # ----------------------------------------------------------------------------------------------------------- keys

    def act(self, action: str) -> None:
        """Do what a key means now: "go", "aside" or "leave". What has only just come up is not answered by it."""
        start: Any = self.start
        if self.shows_origins and not self.is_alarmed:  # the key that would seal only puts the sheet away
            self._act_on_origins(action)
        elif action in ("go", "aside") and not self.look.is_enough:
            pass
        elif self.view.run is None and not self.is_alarmed and getattr(start, "takes_keys", False):
            start.act(action)
        elif action == "go":
            self._go_on()
        elif action == "aside":
            self._turn_aside()
        elif action == "leave" and (self.is_running or self._leaving):
            self._leaving = not self._leaving
            self._leave_index = 0
            self._show_leaving()
        self.tick()

    def _go_on(self) -> None:
        bench, view = self.context.bench, self.view
        seen = asked_of(view.run)
        if self.is_alarmed:
            bench.go_on(seen=seen)
        elif self._leaving:
            self._take_leave()
        elif view.state is RunState.INDICATION and self.entry.has_text:
            self.entry.submit()
        elif view.state in (RunState.SEALED, RunState.LEFT):
            bench.dismiss()
        elif view.run is not None:
            bench.go_on(seen=seen)

    def _turn_aside(self) -> None:
        """Do what the other key offers: what is in doubt, a label, the next reason, or set a reading aside."""
        run = self.view.run
        if self._is_found_out:
            self.context.page_wanted.emit("rack", f"view:impact:run:{run.run_id if run is not None else ''}")
        elif self._is_labelled:
            self.context.page_wanted.emit("rack", f"view:labels:{run.plan.tool.number if run is not None else ''}")
        elif self._leaving:
            self._leave_index = (self._leave_index + 1) % (len(words.LEAVE_REASONS) + 1)
            self._show_leaving()
        elif run is not None and not self.is_alarmed:
            self._set_aside(run)

    @property
    def shows_origins(self) -> bool:
        """The sheet that says where each number comes from lies over the verdict."""
        return self.origins is not None and not self.origins.isHidden()

    def toggle_origins(self) -> None:
        """Say where each number comes from, or put that away; before a run the start panel says it."""
        run, verdict, start = self.view.run, self.view.verdict, self.start
        if run is None:
            toggle = getattr(start, "toggle_origins", None)
            if callable(toggle) and start is not None and start.isVisible():
                toggle()
        elif self.shows_origins:
            self.hide_origins()
        elif verdict is not None and self._sheet() is self.verdict and not self._leaving and not self.is_alarmed:
            if self.origins is None:
                from benchapp.ui.bench.origins import OriginsSheet

                self.origins = OriginsSheet(self)
                self.origins.left.connect(self.hide_origins)
            self.origins.setGeometry(self.verdict.geometry())
            self.origins.show_verdict(run, verdict, self.key_names)
            self.setFocus()
            self._redraw_all()

    def hide_origins(self) -> None:
        """Back to the verdict."""
        if self.origins is not None:
            self.origins.hide()
            self.setFocus()
            self._redraw_all()

    def _act_on_origins(self, action: str) -> None:
        if action == "aside" and self.origins is not None:
            self.origins.turn()
        else:
            self.hide_origins()

    @property
    def _is_found_out(self) -> bool:
        """A sealed run stands there that found its tool out of limits."""
        verdict = self.view.verdict
        return self.view.state is RunState.SEALED and verdict is not None and not verdict.within

    @property
    def _is_labelled(self) -> bool:
        """A sealed run stands there after which the tool gets another label: not one that stays out of service."""
        run = self.view.run
        stays_out = run is not None and is_not_in_service(run.plan)
        return self.view.state is RunState.SEALED and run is not None and not self._is_found_out and not stays_out

    def _set_aside(self, run: Run) -> None:
        """The other key. What the procedure leaves to the custodian is done under the lock, and the records tell."""
        seen = asked_of(run)
        last = next((pull for pull in reversed(run.pulls) if counts(pull)), None)
        conduct: Any = run.plan.procedure.get("conduct", {})
        rule = conduct.get("set_aside_unflagged", {}).get("value")
        if last is None or last.pull.flags or rule != "custodian" or run.state not in ASIDE_STATES:
            self.context.bench.set_aside(seen=seen)
            return

        def do(who: str) -> None:
            store = self.context.store
            if store is not None:
                store.note_act(
                    "a reading without a flag may be set aside",
                    who=who,
                    subject=run.run_id,
                    details={"reading": last.number},
                )
            self.context.bench.set_aside(custodian=who, seen=seen)
            self.tick()

        self.context.as_custodian("to set aside a reading without a flag", do)

    def _take_leave(self) -> None:
        self._leaving = False
        if self._leave_index > 0:
            self.context.bench.leave_run(words.LEAVE_REASONS[self._leave_index - 1])
        self._shown_serial = -1

    def _show_leaving(self) -> None:
        if self._leaving:
            rows = [("back", "No, stay in the run"), *((reason, reason.capitalize()) for reason in words.LEAVE_REASONS)]
            self.choices.show_list(words.LEAVE_DETAIL, rows, self._leave_index)
        self._shown_serial = -1

    def _chosen(self, key: str) -> None:
        if not self.look.is_enough:  # a double click goes on to the next question
            pass
        elif self._leaving:
            self._leave_index = words.LEAVE_REASONS.index(key) + 1 if key in words.LEAVE_REASONS else 0
            self._take_leave()
        else:
            self.context.bench.choose(key, seen=asked_of(self.view.run))
        self.tick()

    def _entered(self, torque_nm: float) -> None:
        self.context.bench.enter_indication(torque_nm, seen=asked_of(self.view.run))
        self.setFocus()
        self.tick()

    # --------------------------------------------------------------------------------------------------------- frames

    def tick(self) -> None:
        """Take what is new from the bench and show it: the frame. A failing one is logged; the next one is tried."""
        self.n_frames += 1
        try:
            self._frame()
        except Exception:  # showing must not stop a run; each view's failure is logged once
            if self._failed_serial != self.view.serial:
                self._failed_serial = self.view.serial
                log.exception("a frame of the Bench failed")

    def _frame(self) -> None:
        bench = self.context.bench
        now = self._clock()
        self.watch(now)
        if self.plot.needs_samples:
            self.plot.needs_samples = False
            self._next_index = 0
        self._next_index, t_s, torque_nm = bench.samples_since(self._next_index)
        self.plot.feed(t_s, torque_nm)
        live_s, live_nm = bench.live()
        if self.view.serial != self._shown_serial:
            self._show_view()
        self._move_plot(live_s)
        self.plot.advance(live_s, live_nm)
        if now - self._figure_s >= FIGURE_EVERY_S or self.view.overload_percent:
            self._figure_s = now
            self._show_figure(live_nm)

    def watch(self, now: float | None = None) -> None:
        """The part of a frame that must go on while another page is shown: view, sounds, overload."""
        now = self._clock() if now is None else now
        self.view = self.context.bench.view()
        if (self.view.source, self.view.replay) != self._marked:
            self._marked = (self.view.source, self.view.replay)
            self.source_changed.emit()
        for name in self.context.bench.take_sounds():
            self.sounds.play(name)
            self._alarm_s = now if name == "overload" else self._alarm_s
        alarmed = self.is_alarmed
        if alarmed and now - self._alarm_s >= ALARM_EVERY_S:
            self._alarm_s = now
            self.sounds.play("overload")
        self._show_alarm(alarmed)
        stage = getattr(self.start, "asking", None) if self.view.run is None else None
        self.look.frame((asked_of(self.view.run, any_choice=True), alarmed, self._leaving, stage), now)
        if self.is_running != self._running:
            self._running = self.is_running
            self._leaving = self._leaving and self._running
            self.run_changed.emit(self._running)
            self._show_keyboard_notice()

    @property
    def is_alarmed(self) -> bool:
        """An overload has not been seen to yet: the bench keeps saying 100 % or more until it is acknowledged."""
        return self.view.overload_percent >= 100 or Hold.OVERLOAD in self.view.holds

    def _show_alarm(self, alarmed: bool) -> None:
        if not alarmed:
            if self.alarm is not None and self.alarm.isVisible():
                self.alarm.hide()
                self.alarm_changed.emit(False)
                self._show_keyboard_notice()
            return
        if self.alarm is None:
            self.alarm = Notice(self.window())
            self.alarm.clicked.connect(self._acknowledge)
        reached = max(self.view.overload_percent, 100.0)
        run = self.view.run
        who = run.plan.reference.number if run is not None else "the reference"
        go, _ = self.key_names
        lines = (f"Ease off now: {words.overload_warning(reached, who)}", f"It is recorded. Seen: {go}")
        self.alarm.sizes = Sizes.of(self.window().height())
        self.alarm.setGeometry(self.window().rect())
        if not self.alarm.isVisible() or self.alarm.lines != lines:
            self.alarm.say(words.OVERLOAD_WORD, *lines, alarm=True)
            self.alarm_changed.emit(True)

    def _acknowledge(self) -> None:
        self.act("go")

    def _sign(self) -> int:
        return self.view.direction.sign if self.view.run is not None else 1

    def _show_figure(self, live_nm: float) -> None:
        view, unit = self.view, self.context.unit
        step = words.steps_of(view.capacity_nm)[0]
        is_live = view.link.state == "streaming" and not math.isnan(
            live_nm
        )  # the last value before a break is no torque
        text = words.number(live_nm * self._sign(), unit, step) if is_live else "–"
        if words.as_float(text) == 0:
            text = text.lstrip(words.MINUS)
        who = view.run.plan.reference.number if view.run is not None else "the reference"
        warning = words.overload_warning(view.overload_percent, who) if view.overload_percent >= 95 else ""
        self.live.show_torque(text, unit, self._template(step), warning)

    def _template(self, step_nm: float) -> str:
        """The widest figure that can come: decides the shape of the figure for the whole run."""
        capacity = self.view.capacity_nm or 100.0
        if self.view.target_nm is not None:
            capacity = min(capacity, abs(self.view.target_nm) * 1.5)
        text = words.number(capacity, self.context.unit, step_nm)
        return "".join("8" if c.isdigit() else c for c in text)

    def _move_plot(self, live_s: float) -> None:
        """Hold the last pull still while nobody pulls; run on as soon as somebody does."""
        view = self.view
        pull = view.card.pull if view.card is not None else None
        plot = self.plot
        if view.state is RunState.PULL and self._pulled_elsewhere() is not None:
            pull = None  # its curve would stand in another checkpoint's corridor
        waits = view.phase is Phase.REST and view.state in (
            RunState.PRELOAD,
            RunState.SET_TOOL,
            RunState.PULL,
            RunState.DECIDE,
            RunState.REASON,
            RunState.INDICATION,
        )
        if pull is None or not waits or Hold.LINK in view.holds or math.isnan(live_s):
            plot.hold(None)
            return
        asks = view.state in (RunState.DECIDE, RunState.REASON)
        right_s = plot.past_s + plot.ahead_s
        if asks:
            right_s *= (self.choices.room.left() - plot.x() - plot.area.left()) / plot.area.width()
        if plot.held_from is not None and plot.held_from <= pull.end_s <= plot.held_from + right_s:
            return
        if asks or live_s - pull.end_s > 0.8 or pull.start_s - 0.4 < live_s - plot.past_s:
            # where the choices come up, the pull's end and what is marked there stand to the left of them
            plot.hold(max(pull.start_s - 0.5, pull.end_s - (right_s if asks else plot.past_s - 0.3)))

    def _pulled_elsewhere(self) -> CapturedPull | None:
        """The pull on the card, when it was no pull at the checkpoint whose turn it is."""
        run, card = self.view.run, self.view.card
        if run is None or card is None or card.pull is None:
            return None
        captured = next((p for p in reversed(run.pulls) if p.pull is card.pull), None)
        if captured is None or captured.checkpoint_index == run.checkpoint_index:
            return None
        return captured

    def _scene_of(self, run: Run, captured: CapturedPull) -> Scene:
        """The scene in which a pull was made: at its checkpoint, or as a preload."""
        index = captured.checkpoint_index
        made_at = None if index is None else run.plan.checkpoints[index]
        target_nm = run.plan.preloads[run.preload_index][2] if made_at is None else made_at.target_nm
        return Scene(
            top_nm=target_nm * (1.3 if made_at is None else HEADROOM),
            unit=self.context.unit,
            sign=captured.pull.direction.sign,
            target_nm=target_nm,
            low_nm=None if made_at is None else made_at.low_nm,
            high_nm=None if made_at is None else made_at.high_nm,
            capacity_nm=self.view.capacity_nm,
            reference=run.plan.reference.number,
            line_word="preload",
        )

    # ----------------------------------------------------------------------------------------------------------- view

    def want_start(self) -> None:
        """Make a run of the recording that is replayed: the start panel in place of its curve."""
        self._wants_start = True
        self._redraw_all()

    def _look_at_check_standard(self, what: str) -> None:
        """A daily check that is out stops its reference: whoever pulled it reads that before the tool's own verdict."""
        run, store = self.view.run, self.context.store
        if what != "runs" or run is None or store is None or self.view.state is not RunState.SEALED:
            return
        standing = store.check_standing(run.plan.reference.number)
        stopped_by = standing.stopped_by if standing is not None else None
        if standing is not None and stopped_by is not None and stopped_by.value.run_id == run.run_id:
            self._stopped = (run.run_id, standing.refusal())
            self._redraw_all()

    def _redraw_all(self) -> None:
        self._shown_serial = -1
        self._figure_s = -1.0
        if self.isVisible():
            self.tick()

    def _show_view(self) -> None:
        self._shown_serial = self.view.serial
        keys_named = self.key_names
        sheet = self._sheet()
        self._show_headline(keys_named)
        self._make_start()
        # a recording is looked at first; a run can be made of it when that is asked for
        looks = self.view.run is None and self.view.replay is not None and not self._wants_start
        if self.view.replay is None:
            self._wants_start = False
        self._show_start(wanted=self.view.run is None and not looks)
        self._show_board(wanted=(self.view.run is not None or looks) and sheet is None, looks=looks)
        self._show_sheet(sheet)
        self._show_answers()
        self._show_readings()
        self._show_scene()
        self._show_keys(keys_named)

    def _show_headline(self, keys_named: tuple[str, str]) -> None:
        view = self.view
        instruction, detail = self._said(keys_named)
        trouble = (
            words.unstored(view)
            or words.notice(view)
            or (view.zero_problem if view.state in (RunState.ZERO, RunState.FINAL_ZERO) else "")
        )
        self.headline.show_words(
            instruction,
            trouble or detail,
            words.link_line(view),
            words.link_counts(view.link) if view.link.state != "closed" else "",
            fine=view.link.state == "streaming" or (view.replay is not None and view.replay.is_over),
            trouble=bool(view.store_problem),
        )

    def _said(self, keys_named: tuple[str, str]) -> tuple[str, str]:
        """Return the instruction and its detail."""
        view = self.view
        if view.state is RunState.SEALED and view.run is not None and self._stopped[0] == view.run.run_id:
            return words.REFERENCE_STOPPED.format(view.run.plan.reference.number), self._stopped[1]
        if self._leaving:
            return words.LEAVE_QUESTION, words.in_a_list(keys_named)
        if view.run is None and view.replay is not None and not self._wants_start:
            return words.REPLAY_INSTRUCTION, words.REPLAY_DETAIL
        instruction, detail = words.instruction(view), words.detail(view, keys_named, self.context.unit)
        told = getattr(self.start, "headline", None)
        instruction, detail = (told() if told is not None and view.run is None else None) or (instruction, detail)
        return instruction, words.ORIGINS_DETAIL.format(*keys_named) if self.shows_origins else detail

    def _make_start(self) -> None:
        if self.view.run is None and self.start is None and self._start_factory is not None:
            self.start = self._start_factory(self.context, self.settings, self)
            if hasattr(self.start, "headline_changed"):
                self.start.headline_changed.connect(self._redraw_all)
            self._place()

    def _show_start(self, *, wanted: bool) -> None:
        if self.start is None or wanted == self.start.isVisible():
            return
        holder = self.window().focusWidget()
        had_keyboard = holder is None or holder is self or not holder.isVisible()
        self.start.setVisible(wanted)
        if not wanted:
            self.setFocus()
        elif had_keyboard:
            self._hand_keyboard_on()

    def _show_board(self, *, wanted: bool, looks: bool) -> None:
        for widget in (self.plot, self.live, self.card):
            widget.setVisible(wanted)
        self.ladder.setVisible(wanted and not looks)
        if looks is not self._looks:  # without a ladder the curve takes its room
            self._looks = looks
            self._place()

    def _show_sheet(self, sheet: QWidget | None) -> None:
        self.cautions.setVisible(sheet is self.cautions)
        self.verdict.setVisible(sheet is self.verdict)
        self.where_from.setVisible(sheet is self.verdict)
        if sheet is not self.verdict and self.origins is not None:
            self.origins.hide()
        if sheet is self.cautions:
            self.cautions.show_for(self.view)
        elif sheet is self.verdict:
            self.verdict.show_verdict(self.view, self.context.unit)

    def _show_answers(self) -> None:
        """Show what is answered beside the keys: a choice, or what the tool shows."""
        run = self.view.run
        if self._leaving:
            self._show_leaving_list()
        else:
            self.choices.show_choices(self.view)
        typing = self.view.state is RunState.INDICATION and not self._leaving
        self.entry.setVisible(typing)
        if typing and run is not None:
            self.entry.ask(run.plan.tool.unit, (run.run_id, run.asked_about))

    def _show_readings(self) -> None:
        view = self.view
        at_maximum = view.state is RunState.PRELOAD  # no checkpoint's turn yet: none stands out
        rungs = tuple(replace(r, is_current=False) for r in view.rungs) if at_maximum else view.rungs
        self.ladder.show_rungs(rungs, view.run.plan.tool.unit if view.run is not None else "")
        template = self._template(words.steps_of(view.capacity_nm)[1])
        self.card.show_card(view, self.context.unit, template, self._note())

    def _show_leaving_list(self) -> None:
        self.choices.setVisible(True)
        self.choices.raise_()

    def _sheet(self) -> QWidget | None:
        if self.view.state is RunState.CAUTIONS:
            return self.cautions
        if self.view.state in (RunState.VERDICT, RunState.SEALED) and self.view.verdict is not None:
            return self.verdict
        return None

    def _note(self) -> tuple[str, str]:
        """What stands on the card before the first reading, or in its place."""
        view = self.view
        if view.state in (RunState.ZERO, RunState.FINAL_ZERO):
            return "zero", view.zero_problem or "It is taken with the tool off the drive and nobody touching it."
        if view.run is None and view.replay is not None:
            return words.recording(view)
        if view.run is None:
            return "", ""
        return "no reading yet", "Every pull is captured by itself: nothing to press."

    def _show_scene(self) -> None:
        view, unit = self.view, self.context.unit
        plot = self.plot
        checkpoint = view.checkpoint
        counts = checkpoint is not None and view.state is not RunState.PRELOAD
        turning = view.state is RunState.SET_TOOL and view.phase is Phase.REST
        elsewhere = self._pulled_elsewhere() if turning else None
        if elsewhere is not None and view.run is not None:
            scene = self._scene_of(view.run, elsewhere)  # while the tool is set the last pull stands where it was made
        elif view.target_nm is not None and view.state not in (RunState.ZERO, RunState.FINAL_ZERO, RunState.REFERENCE):
            target = abs(view.target_nm)
            scene = Scene(
                top_nm=target * (HEADROOM if counts else 1.3),
                unit=unit,
                sign=view.direction.sign,
                target_nm=target,
                low_nm=abs(checkpoint.low_nm) if checkpoint is not None and counts else None,
                high_nm=abs(checkpoint.high_nm) if checkpoint is not None and counts else None,
                capacity_nm=view.capacity_nm,
                reference=view.run.plan.reference.number if view.run is not None else "",
                target_name=words.target_text(view, unit),
                line_word=words.preload_word(view),
            )
        else:
            capacity = view.capacity_nm or 100.0
            reference = view.run.plan.reference.number if view.run is not None else ""
            scene = Scene(
                top_nm=capacity * 1.06, unit=unit, sign=self._sign(), capacity_nm=view.capacity_nm, reference=reference
            )
        rising = view.phase is Phase.RISING
        if rising and not plot.is_rising:
            plot.rest_scale()
        plot.is_rising = rising
        plot.rate_hz = view.link.rate_hz
        plot.show_scene(scene)
        plot.window_from = None
        if view.time_window_s is not None and view.eighty_s is not None and view.mode is Mode.FIRST_PEAK:
            plot.window_from = (view.eighty_s, *view.time_window_s)
        # what was pulled elsewhere says nothing here, and its height would press this corridor to the foot of the plot
        stray = view.state is RunState.PULL and self._pulled_elsewhere() is not None
        plot.marks = () if stray else self._marks(view.card)

    def _marks(self, card: Card | None) -> tuple[CurveMark, ...]:
        if card is None or (card.torque_nm is None and card.pull is None):
            return ()
        sign = self._sign()
        marks: list[CurveMark] = []
        word = words.MARK_NAMES["click" if self.view.mode is Mode.FIRST_PEAK else "reading"]
        if card.pull is None:
            if card.torque_nm is not None and card.heard_s is not None:
                marks.append(CurveMark(card.heard_s, abs(card.torque_nm), word, is_click=True))
            return tuple(marks)
        pull = card.pull
        peak_s = pull.reading_time_s if pull.reading_time_s is not None else pull.end_s
        if self.plot.columns.high_between(pull.start_s, max(peak_s, pull.end_s), sign) < 0.5 * pull.peak:
            return ()  # its curve is not there: the program was started again, or the link has another clock
        for noticed in pull.noticed:
            text = CURVE_FLAGS.get(noticed.flag)
            if text is None or noticed.start_s is None:
                continue
            level = self.plot.columns.low_between(noticed.start_s, noticed.end_s or noticed.start_s, sign)
            marks.append(CurveMark(noticed.start_s, level, text, end_s=noticed.end_s))
        if pull.reading is not None and pull.reading_time_s is not None:
            marks.append(CurveMark(pull.reading_time_s, pull.reading, word, is_click=True))
        return tuple(marks)

    def _show_keys(self, named: tuple[str, str]) -> None:
        go, aside = named
        state = self.view.state
        self.key_bar.setVisible(self.view.run is not None and not self.shows_origins)
        asks = state in (RunState.DECIDE, RunState.REASON) or self._leaving
        go_word = {
            RunState.CAUTIONS: "Read",
            RunState.REFERENCE: "Mounted",
            RunState.ZERO: "Take zero",
            RunState.FINAL_ZERO: "Look again",
            RunState.SET_TOOL: "It is set",
            RunState.RESET_TOOL: "Done",
            RunState.VERDICT: "Seal it",
            RunState.SEALED: "Next tool",
            RunState.LEFT: "Next tool",
            RunState.INDICATION: "Take it",
        }.get(state or RunState.PULL, "Go on")
        if asks or self.view.mode is Mode.HOLD:
            go_word = "Take it" if asks or state in (RunState.PULL, RunState.PRELOAD) else go_word
        # only a hold can be taken by a key
        captured_alone = state in (RunState.PULL, RunState.PRELOAD) and self.view.mode is not Mode.HOLD and not asks
        to_see = self.view.holds & {Hold.OVERLOAD, Hold.IDENTITY} and not self._leaving
        silent = captured_alone or Hold.LINK in self.view.holds
        if to_see:  # the overload is seen first
            go_word = "Seen" if Hold.OVERLOAD in self.view.holds else "It is the one"
        actions = [] if silent and not to_see else [("go", go_word, go)]
        if asks:
            actions.append(("aside", "Next", aside))
        elif self._is_found_out:
            actions.append(("aside", "What was done with it", aside))
        elif self._is_labelled:
            actions.append(("aside", "Its label", aside))
        elif self.view.card is not None and state in (RunState.PRELOAD, *ASIDE_STATES):
            actions.append(("aside", "Set aside", aside))
        if self.is_running:
            actions.append(("leave", "Stay" if self._leaving else "Leave", "Esc"))
        self.key_bar.show_actions(actions)

    # ------------------------------------------------------------------------------------------------------- geometry

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        for panel in (
            self.headline,
            self.ladder,
            self.live,
            self.card,
            self.cautions,
            self.verdict,
            self.choices,
            self.keyboard_notice,
        ):
            panel.restyle()
        self.plot.restyle()
        self.key_bar.restyle()
        self.where_from.setFont(theme.font_of_cap(Sizes.of(self.window().height()).small))
        self.entry.restyle()
        if self.start is not None and hasattr(self.start, "restyle"):
            self.start.restyle()
        self._place()
        self._redraw_all()

    def _place(self) -> None:
        """Give every part its rectangle; it depends on the window's size and nothing else."""
        s = Sizes.of(self.window().height())
        w, h, gap = self.width(), self.height(), s.gap
        head = QRectF(gap * 1.2, gap * 0.4, w - 2.4 * gap, Headline.height_for(s))
        top = head.bottom() + gap * 0.3
        board = QRectF(gap, top, w - 2 * gap, h - top - gap)
        ladder_w = self.window().height() / 6.0
        right_w = max(w * 0.30, self.window().height() * 0.545)
        live_h = LiveFigure.height_for(s)
        ladder = QRectF(board.left(), board.top(), ladder_w, board.height())
        right = QRectF(board.right() - right_w, board.top(), right_w, board.height())
        live = QRectF(right.left(), right.top(), right_w, live_h)
        card = QRectF(right.left(), live.bottom() + gap, right_w, right.bottom() - live.bottom() - gap)
        plot_left = board.left() if self._looks else ladder.right() + gap
        plot = QRectF(plot_left, board.top(), right.left() - plot_left - gap, board.height())
        bar_h = s.small * 3.6
        bar = QRectF(right.left() + s.pad * 0.6, right.bottom() - bar_h - s.pad * 0.5, right_w - s.pad * 1.2, bar_h)
        self.card.key_height = bar_h + s.pad * 0.4
        self.verdict.key_room = bar_h + s.pad * 0.9
        ask_w = max(plot.width() * 0.46, s.lead * 18)
        ask = QRectF(plot.right() - ask_w - s.pad * 0.4, plot.top() + s.pad * 0.4, ask_w, plot.height() - s.pad * 0.8)
        entry_h = s.instruction * 3.4
        entry_x = s.pad * 0.4  # as the choices stand: over the axis, not half over it
        entry = QRectF(plot.left() + entry_x, plot.bottom() - entry_h - entry_x, plot.width() - 2 * entry_x, entry_h)
        notice_h = s.instruction * 3.3
        notice = QRectF(board.left(), board.bottom() - notice_h, plot.right() - board.left(), notice_h)
        for widget, box in (
            (self.headline, head),
            (self.ladder, ladder),
            (self.plot, plot),
            (self.live, live),
            (self.card, card),
            (self.cautions, board),
            (self.verdict, board),
            (self.key_bar, bar),
            (self.entry, entry),
            (self.keyboard_notice, notice),
        ):
            widget.setGeometry(box.toRect())
        self.where_from.setGeometry(self.verdict.room_for_origin().translated(self.verdict.pos()))
        if self.origins is not None:
            self.origins.setGeometry(board.toRect())
            self.origins.restyle()
        self.choices.room = ask.toRect()
        self.choices.settle()
        if self.start is not None:
            self.start.setGeometry(board.toRect())
        self.where_from.raise_()
        self.key_bar.raise_()
        if self.origins is not None:
            self.origins.raise_()
        self.choices.raise_()
        self.entry.raise_()
        self.keyboard_notice.raise_()
        if self.alarm is not None:
            self.alarm.setGeometry(QRect(self.window().rect()))
            self.alarm.raise_()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """New sizes for everything."""
        super().resizeEvent(event)
        self.restyle()

    def paintEvent(self, event: QPaintEvent) -> None:
        """The ground behind the panels."""
        painter = QPainter(self)
        painter.fillRect(event.rect(), theme.palette().ground)
        painter.end()

    def showEvent(self, event: QShowEvent) -> None:
        """Frames run while the page is seen."""
        super().showEvent(event)
        self.timer.start()
        self.look.begin()
        self._shown_serial = -1
        self.tick()

    def focusInEvent(self, event: QFocusEvent) -> None:
        """The page has nothing to type into; the start panel has."""
        super().focusInEvent(event)
        self._hand_keyboard_on(beside=event.reason() is Qt.FocusReason.MouseFocusReason)

    def _hand_keyboard_on(self, *, beside: bool = False) -> None:
        take_focus = getattr(self.start, "take_focus", None)
        if callable(take_focus) and self.start is not None and self.start.isVisible():
            take_focus(beside=beside)

    def hideEvent(self, event: QHideEvent) -> None:
        """And only then."""
        super().hideEvent(event)
        self.timer.stop()

    def stop(self) -> None:
        """End the timers; may be called again."""
        self.timer.stop()
        stop = getattr(self.start, "stop", None)
        if callable(stop):
            stop()
