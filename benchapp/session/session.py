"""The live bench: samples come in, pulls are read, the run is stepped, records are kept, a view of it all goes out.

Two threads of its own. The *engine* takes what the link has for it, a handful at a time, and the window's wishes, in
the order in which they came, and is the only one that changes anything. The *keeper* writes records, so that a disk
that takes its time never delays a click. The link's thread only puts blocks and statuses in, the window's only takes
finished views.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import logging
import math
import queue
import threading
import time
import uuid
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any, Final
from urllib.parse import parse_qs

import numpy as np

from benchapp.metrology.judgement import Judgement
from benchapp.pulls.events import ClickHeard, HoldSteady, PullStarted, ReaderEvent
from benchapp.pulls.pull import Mode, Pull
from benchapp.pulls.settings import Settings
from benchapp.runs import events as e
from benchapp.runs import machine
from benchapp.runs.judging import judge_run
from benchapp.runs.model import CapturedPull, Hold, Run, RunPlan, RunState, ZeroTaken
from benchapp.runs.standing import expected, reader_settings, settings_for
from benchapp.session import _views as views
from benchapp.session._cutout import Cutout
from benchapp.session._inbox import GATHER_S, Inbox
from benchapp.session._keeper import Job, Keeper, RunStore
from benchapp.session._memory import share
from benchapp.session._shown import Shown
from benchapp.session._torque import TorqueChain
from benchapp.session._zeroing import Level, Zeroing, ZeroRefused
from benchapp.session.link import AmbientReading, LinkOpener, LinkPort
from benchapp.session.port import ReplayAct
from benchapp.session.reader import ReaderPort
from benchapp.session.view import (
    Asked,
    BenchView,
    Card,
    LinkView,
    Phase,
    PracticeAim,
    PracticePull,
    ReplayView,
    asked_of,
)
from benchapp.torque.direction import Direction
from benchapp.torque.units import to_nm
from drivers.samples import FloatArray, SampleBlock, Source
from drivers.status import LinkState, LinkStatus

log = logging.getLogger(__name__)

WARN_PERCENT: Final = 95.0
RATE_OFF: Final = 1.6
"""The reader's rate and the link's lie plainly apart by this factor; both tell it to a few percent (practice)."""
RATE_LOOKS: Final = 2
RATE_LOOKS_IN_A_PULL: Final = 40  # ten seconds: what goes on so long by a wrong rate is no pull
MOST_NEW_RATES: Final = 3
"""From here on the live figure warns; from 100 % on it is an overload."""
_NO_DATA: Final = (LinkState.CLOSED, LinkState.SILENT, LinkState.LOST, LinkState.REFUSED)
_TICK_S: Final = 0.5
CLOCK_OFF_S: Final = 5.0
"""So far a clock may be put right without anybody having set it back."""

Expecting = tuple[float | None, float | None, Mode, Settings]
"""(target, tool's maximum, mode, limits) that the next pull is judged against."""


def _look() -> None:
    """Nothing to do but to look into the inbox."""


def local_now() -> dt.datetime:
    """Return the wall time with its offset."""
    return dt.datetime.now().astimezone()


class BenchSession:
    """Implements `benchapp.session.port.BenchPort`.

    Args:
        open_link: Opens a link, not started.
        make_reader: Makes a pull reader for a capacity in N·m (None: unknown).
        store: Where records go; None: handed in later with `give_store`, steps wait until then.
        judge: Judges a run that is at its verdict; None: the verdict by the limits is all.
        ambient: What a thermometer says of the air now, None while it says nothing; asked at a run's beginning and at
            its verdict, from the session's own thread. None: temperatures are typed only.
        now: Wall time.
        retry_s: How long the keeper waits before it tries a failed write again.
    """

    def __init__(
        self,
        open_link: LinkOpener,
        make_reader: Callable[[float | None], ReaderPort],
        store: RunStore | None = None,
        *,
        judge: Callable[[Run], Judgement] | None = judge_run,
        ambient: Callable[[], AmbientReading | None] | None = None,
        now: Callable[[], dt.datetime] = local_now,
        retry_s: float = 1.0,
    ) -> None:
        self._open_link = open_link
        self._make_reader = make_reader
        self._judge = judge
        self._ambient = ambient
        self._now = now
        # Not a SimpleQueue: its `get` may wait for ever where the timeout has passed before the wait begins (seen on
        # CPython 3.11 and a busy machine); nobody would look at the samples again.
        self._queue: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._inbox = Inbox(lambda: self._queue.put(_look))
        self._engine = threading.Thread(target=self._work, name="bench engine", daemon=True)
        self._keeper = Keeper(self._kept, self._keeping_failed, retry_s=retry_s)
        self._started = self._closed = False
        self._lifecycle = threading.Lock()
        # read by the window's thread; each is replaced as a whole
        self._view = BenchView(serial=0, source=None, link=LinkView("closed"))
        self._chain = TorqueChain()
        self._shown = Shown(self._chain)
        self._sounds: deque[str] = deque(maxlen=32)
        self._under_way = False
        self._practised: deque[PracticePull] = deque(maxlen=256)
        # the engine's own
        self._link: LinkPort | None = None
        self._link_serial = 0
        self._opened = ("", "")  # URL and profile, as asked for last
        self._before_replay = ("", "")
        self._replay: ReplayView | None = None
        self._status = LinkStatus(LinkState.CLOSED)
        self._lost_at: dt.datetime | None = None
        self._lost_n_reconnects = 0
        self._reader = make_reader(None)
        self._expecting: Expecting | None = None
        self._run_settings = Settings()
        self._cutout = Cutout()
        self._zeroing: Zeroing | None = None
        self._run: Run | None = None
        self._practice: PracticeAim | None = None
        self._pause_limit_s = math.inf
        self._window_s: tuple[float, float] | None = None
        self._card: Card | None = None
        self._card_number = 0
        self._stored: set[int] = set()
        self._phase = Phase.REST
        self._pull_start_s: float | None = None
        self._read_to_s = math.nan
        self._eighty_s: float | None = None
        self._taken: tuple[float, float] | None = None
        self._zero_wall = ""
        self._zero_problem = ""
        self._store_problem = ""
        self._notice = ""
        self._overload_percent = 0.0
        self._n_over = 0
        self._n_rate_off = 0  # looks in a row
        self._n_new_rates = 0  # starts in a row
        self._overload_seen = True
        if store is not None:
            self.give_store(store)

    # ------------------------------------------------------------------------------------------- from other threads

    def start(self) -> None:
        """Start the threads; may be called again."""
        with self._lifecycle:
            if self._started or self._closed:
                return
            self._started = True
            share()
            self._keeper.start()
            self._engine.start()

    def close(self) -> None:
        """Write what waits, stop the threads and close the link; may be called again."""
        with self._lifecycle:
            if self._closed:
                return
            self._closed = True
            started = self._started
        if started:
            self._queue.put(None)
            self._engine.join(5.0)
            self._keeper.stop()

    def give_store(self, store: RunStore) -> None:
        """Hand in the store, when it was not there yet."""
        self._keeper.give_store(store)

    def give_selftest(self, result: Mapping[str, object]) -> None:
        """Result of the installation's self-test, kept in every record that is sealed from now on; any thread."""
        self._keeper.give_selftest(result)

    def take_up(self) -> None:
        """Look for an unfinished run in the store and go on with it: same pull, after what the break made void."""
        self._keeper.add(Job("open"))

    def view(self) -> BenchView:
        """The newest view."""
        return self._view

    def live(self) -> tuple[float, float]:
        """(time of the newest sample, torque in N·m)."""
        return self._shown.newest()

    def samples_since(self, index: int) -> tuple[int, FloatArray, FloatArray]:
        """(index to ask for next, t_s, torque_nm)."""
        return self._shown.since(index)

    def take_sounds(self) -> list[str]:
        """Sounds that came up since the last call."""
        sounds = []
        while self._sounds:
            sounds.append(self._sounds.popleft())
        return sounds

    def open_link(self, url: str, profile: str, *, unless_open: bool = False) -> None:
        """Open (or change) the link; `unless_open` is told by the engine, which alone knows what was asked before."""

        def open_it() -> None:
            if not unless_open or (self._link is None and self._status.state is LinkState.CLOSED):
                self._open(url, profile)

        self._ask(open_it)

    def close_link(self) -> None:
        """Close it."""
        self._ask(self._shut)

    def steer_replay(self, act: ReplayAct, speed: float = 1.0) -> None:
        """Steer the recording that is replayed."""
        self._ask(lambda: self._steer(act, speed))

    def start_run(self, plan: RunPlan) -> None:
        """Begin a run; ValueError while another is under way."""
        if self._under_way:
            raise ValueError("another run is under way; finish or leave it first")
        self._under_way = True
        self._ask(lambda: self._begin(plan))

    def go_on(self, *, seen: Asked | None = None) -> None:
        """The key that goes on."""
        self._answer(seen, self._go_on)

    def set_aside(self, *, custodian: str = "", seen: Asked | None = None) -> None:
        """The other key."""
        self._answer(seen, lambda: self._take(e.SetAside(custodian)), any_choice=True)

    def choose(self, key: str, *, seen: Asked | None = None) -> None:
        """Take a choice directly."""
        self._answer(seen, lambda: self._take(e.Chosen(key)), any_choice=True)

    def enter_indication(self, indication_nm: float, *, seen: Asked | None = None) -> None:
        """The value the tool shows, N·m."""
        self._answer(seen, lambda: self._take(e.IndicationTyped(indication_nm)))

    def set_ambient(self, key: str, value: float) -> None:
        """Temperature or humidity."""
        self._ask(lambda: self._take(e.AmbientTyped(key, value)))

    def leave_run(self, reason: str) -> None:
        """Leave the run."""
        self._ask(lambda: self._take(e.Left(reason)))

    def dismiss(self) -> None:
        """Put a sealed or left run off the Bench."""
        self._ask(self._dismiss)

    def zero(self) -> None:
        """Take zero outside a run, or as the run asks for it."""
        self._ask(self._zero)

    def start_capture(self, path: str) -> None:
        """Write raw bytes to `path`."""
        self._ask(lambda: self._link.start_capture(path) if self._link else None)

    def stop_capture(self) -> None:
        """End it."""
        self._ask(lambda: self._link.stop_capture() if self._link else None)

    def start_practice(self, aim: PracticeAim) -> None:
        """Read pulls for `aim` from now on; ValueError while a run is under way."""
        if self._under_way:
            raise ValueError("A run is under way on the Bench: it comes first. Practice when it is over.")
        self._practised.clear()
        self._ask(lambda: self._begin_practice(aim))

    def stop_practice(self) -> None:
        """Back to the Bench; the pull under way is forgotten."""
        self._ask(self._end_practice)

    def take_practice_pulls(self) -> list[PracticePull]:
        """Pulls closed since the last call, oldest first."""
        taken = []
        while self._practised:
            taken.append(self._practised.popleft())
        return taken

    def _answer(self, seen: Asked | None, wish: Callable[[], object], *, any_choice: bool = False) -> None:
        """Ask for what answers `seen`; dropped on the engine's thread when the run asks something else by then."""

        def if_still_asked() -> None:
            asks = asked_of(self._run, any_choice=any_choice)
            if seen is None or asks == (replace(seen, choice="") if any_choice else seen):
                wish()
            else:
                log.info("an answer to %s is let go: the run asks %s", seen, asks)

        self._ask(if_still_asked)

    def _ask(self, wish: Callable[[], object]) -> None:
        if self._closed:
            return
        self.start()
        self._queue.put(lambda: self._and_publish(wish))

    # --------------------------------------------------------------------------------------------------- the engine

    def _work(self) -> None:
        due_s = time.monotonic() + _TICK_S
        job: Callable[[], None] | None
        while True:
            try:
                job = self._queue.get(timeout=GATHER_S if self._inbox.is_looking else _TICK_S)
            except queue.Empty:
                job = _look
            for item in self._inbox.take():
                self._attempt(partial(self._block, item) if isinstance(item, SampleBlock) else item)
            self._shown.settle(when_many=True)
            if job is None:  # the program ends: that is no loss of the link, the run keeps its state
                if self._link is not None:
                    self._link.stop()
                return
            self._attempt(job)
            if time.monotonic() >= due_s:  # by the clock: while samples stream in, the queue is never empty for long
                due_s = time.monotonic() + _TICK_S
                self._attempt(self._tick)

    def _attempt(self, job: Callable[[], None]) -> None:
        try:
            job()
        except Exception:  # one bad step must not end the bench: it is logged, the next sample is taken
            log.exception("a step of the bench failed")

    def _and_publish(self, wish: Callable[[], object]) -> None:
        try:
            wish()
        finally:
            self._publish()

    def _tick(self) -> None:
        run = self._run
        if run is None or run.state not in machine.UNDER_WAY or not run.last_step or self._phase is not Phase.REST:
            return
        self._look_for_air(run)
        pause_s = max(0.0, self._pause_s(run.last_step))
        limit_s = self._pause_limit_s
        if pause_s > limit_s > 0 and run.zeros and not run.resume:
            self._and_publish(lambda: self._take(e.Waited(pause_s)))

    def _pause_s(self, since: str) -> float:
        """Return the seconds since a wall time; below zero after the clock was set back, infinite where it is none."""
        try:
            return (self._now() - dt.datetime.fromisoformat(since)).total_seconds()
        except (ValueError, TypeError):
            return math.inf

    def _wall(self) -> str:
        return self._now().isoformat(timespec="milliseconds")

    # ----------------------------------------------------------------------------------------------------- the link

    def _open(self, url: str, profile: str) -> None:
        self._shut()
        self._link_serial += 1
        serial = self._link_serial
        self._status = LinkStatus(LinkState.OPENING, url=url, profile=profile)

        def on_block(block: SampleBlock) -> None:
            if serial == self._link_serial:
                self._shown.put(block)
                self._inbox.put(block)

        def on_status(status: LinkStatus) -> None:
            if serial == self._link_serial:
                self._chain.set_polarity(clockwise_positive=status.clockwise_positive)
                self._inbox.put(lambda: self._new_status(status))

        try:
            if url.partition("?")[0] != self._opened[0].partition("?")[0]:
                self._chain.zero_nm, self._zero_wall = 0.0, ""  # the zero of another transducer, or of no recording
            self._note_replay(url, profile)
            self._link = self._open_link(url, profile, on_block, on_status)
            self._link.start()
        except (ValueError, OSError) as error:
            self._link = None
            self._new_status(LinkStatus(LinkState.REFUSED, url=url, profile=profile, reason=str(error)))

    def _note_replay(self, url: str, profile: str) -> None:
        """Remember what a recording is replayed in place of."""
        before, self._opened = self._opened, (url, profile)
        if not url.startswith("replay:"):
            self._replay, self._before_replay = None, ("", "")
            return
        if before[0] and not before[0].startswith("replay:"):
            self._before_replay = before
        asked = parse_qs(url.partition("?")[2]).get("speed", ["1"])[0]
        with contextlib.suppress(ValueError):  # a speed that is none is refused by the link, with its sentence
            self._replay = ReplayView(speed=float(asked), back_to=self._before_replay[0])

    def _steer(self, act: ReplayAct, speed: float) -> None:
        link, replay = self._link, self._replay
        if replay is None:
            return
        if act is ReplayAct.BACK:
            if self._before_replay[0]:
                self._open(*self._before_replay)
            else:
                self._shut()
                self._replay = None
        elif act is ReplayAct.AGAIN or replay.is_over:
            url, profile = self._opened
            self._open(f"{url.partition('?')[0]}?speed={replay.speed:g}", profile)
        elif link is None:
            return
        elif act is ReplayAct.PAUSE:
            link.pause()
            self._replay = replace(replay, is_paused=True)
        elif act is ReplayAct.GO:
            link.resume()
            self._replay = replace(replay, is_paused=False)
        elif act is ReplayAct.STEP:
            link.pause()
            link.step()
            self._replay = replace(replay, is_paused=True)
        else:
            link.set_speed(speed)
            self._replay = replace(replay, speed=speed)

    def _shut(self) -> None:
        link, self._link = self._link, None
        self._link_serial += 1
        if link is not None:
            link.stop()
            self._inbox.clear()
            self._new_status(replace(self._status, state=LinkState.CLOSED, reason=""))

    def _new_status(self, status: LinkStatus) -> None:
        before, self._status = self._status, status
        had_data = before.state is LinkState.STREAMING
        if self._replay is not None:
            over = status.state in (LinkState.CLOSED, LinkState.REFUSED)
            self._replay = replace(self._replay, is_over=over)
        self._chain.set_polarity(clockwise_positive=status.clockwise_positive)
        if status.state in _NO_DATA and (had_data or self._lost_at is None):
            self._lost(status)
        if status.state is LinkState.STREAMING:
            if self._lost_at is not None:
                self._back(status)
            elif status.identity != before.identity:
                self._take(e.ReferenceSeen(status.identity))
            self._watch_rate(status.rate_hz)
        self._publish()

    def _watch_rate(self, rate_hz: float) -> None:
        """Let the reader learn its rate anew where the link's is plainly another.

        It learns it from its first samples, and those that were late when the link was opened, or the run begun, on a
        busy machine lie closer together than they were taken: by ten times the rate no click is ever told.
        """
        known_hz = self._reader.rate_hz
        is_off = rate_hz > 0 and known_hz > 0 and not 1 / RATE_OFF < known_hz / rate_hz < RATE_OFF
        self._n_rate_off = self._n_rate_off + 1 if is_off else 0
        if not is_off:
            self._n_new_rates = 0
        if self._n_new_rates == MOST_NEW_RATES:  # a device whose samples come in twos and threes: it is as it is
            return
        if self._n_rate_off >= (RATE_LOOKS if self._pull_start_s is None else RATE_LOOKS_IN_A_PULL):
            log.warning(
                "the reader goes by %.0f samples a second, the link brings %.0f: it starts anew", known_hz, rate_hz
            )
            self._n_rate_off = 0
            self._n_new_rates += 1
            self._forget_pull()

    def _lost(self, status: LinkStatus) -> None:
        """The pull under way is void, the run waits where it is."""
        self._lost_at = self._now()
        self._lost_n_reconnects = status.n_reconnects
        was_pulling = self._pull_start_s is not None
        self._forget_pull()
        self._zeroing = None
        self._take(e.LinkLost(status.reason, was_pulling))

    def _back(self, status: LinkStatus) -> None:
        lost_at, self._lost_at = self._lost_at, None
        pause_s = 0.0 if lost_at is None else max(0.0, (self._now() - lost_at).total_seconds())
        reopened = status.n_reconnects != self._lost_n_reconnects
        if self._run is not None and Hold.LINK in self._run.holds:
            self._take(e.LinkBack(pause_s, reopened=reopened))
        self._take(e.ReferenceSeen(status.identity))

    def _forget_pull(self) -> None:
        self._reader.reset()
        self._expecting = None
        self._phase = Phase.REST
        self._pull_start_s = self._eighty_s = self._taken = None
        if self._card is not None and self._card.provisional:
            self._card = None

    # -------------------------------------------------------------------------------------------------- the samples

    def _block(self, block: SampleBlock) -> None:
        if self._status.state is not LinkState.STREAMING:  # samples are their own proof
            self._new_status(replace(self._status, state=LinkState.STREAMING, reason="", source=block.source))
        changed = self._status.source is not block.source
        if changed:
            self._status = replace(self._status, source=block.source)
        indicated_nm = self._chain.indicated_nm(block)
        changed |= self._watch_overload(indicated_nm, len(block.overload_t_s))
        if len(block):
            torque_nm = self._chain.true_nm(indicated_nm)
            self._read_to_s = float(block.t_s[-1])
            self._cutout.feed(block, self._pull_start_s)
            if self._zeroing is not None:
                changed |= self._feed_zeroing(block.t_s, indicated_nm)
            self._expect()
            for event in self._reader.feed(block.t_s, torque_nm, block.gaps):
                self._read(event)
                changed = True
            if self._pull_start_s is not None and not self._reader.is_pulling:
                # the weight of a tool on the drive: what began was no pull, and there is none to close
                self._phase, self._pull_start_s, self._eighty_s, self._taken = Phase.REST, None, None, None
                changed = True
            changed |= self._watch_eighty(block.t_s, torque_nm)
        if changed:
            self._publish()

    def _watch_overload(self, indicated_nm: FloatArray, n_tokens: int) -> bool:
        capacity_nm = self._capacity_nm()
        greatest = float(np.abs(indicated_nm).max()) if len(indicated_nm) else 0.0
        before = self._overload_percent
        percent = measured = 100 * greatest / capacity_nm if capacity_nm else 0.0
        if n_tokens and measured < 100:
            percent = math.inf
        if capacity_nm and percent >= 100:
            # a single wrong sample is no load: at a fast rate three in a row are needed
            n = int((np.abs(indicated_nm) >= capacity_nm).sum())
            self._n_over += n
        else:
            self._n_over = 0
        needed = 3 if self._status.rate_hz >= 500 else 1
        if n_tokens or self._n_over >= needed:
            self._overloaded(measured if measured >= 100 else None)
        elif percent >= 100:
            percent = before
        shown = percent if math.isinf(percent) else float(math.floor(percent)) if percent >= WARN_PERCENT else 0.0
        if not self._overload_seen:
            shown = max(shown, before)
        self._overload_percent = shown
        return shown != before

    def _overloaded(self, percent: float | None) -> None:
        if self._overload_seen:
            self._overload_seen = False
            log.warning("overload: %s", "told by the transducer" if percent is None else f"{percent:.1f} %")
            if self._run is not None and machine.accepts(self._run, e.Overloaded):
                self._take(e.Overloaded(percent))  # brings its own sound
            else:
                self._sounds.append("overload")

    def _wanted(self) -> tuple[Direction, float] | None:
        """Direction and target of the pull that is asked for; None without."""
        if self._run is not None:
            return expected(self._run)
        if self._practice is not None and self._practice.target_nm is not None:
            return self._practice.direction, self._practice.target_nm
        return None

    def _watch_eighty(self, t_s: FloatArray, torque_nm: FloatArray) -> bool:
        """Follow where the pull under way last rose through 80 % of its target."""
        wanted = self._wanted()
        if self._phase is not Phase.RISING or wanted is None:
            return False
        direction, target_nm = wanted
        above = direction.sign * torque_nm >= 0.8 * target_nm
        if self._eighty_s is not None and above.all():
            return False
        before = self._eighty_s
        below = np.flatnonzero(~above)
        if len(below) and below[-1] == len(above) - 1:
            self._eighty_s = None
        else:
            first = 0 if len(below) == 0 else int(below[-1]) + 1
            self._eighty_s = float(t_s[first])
        return before != self._eighty_s

    def _capacity_nm(self) -> float | None:
        if self._run is not None:
            return self._run.plan.reference.capacity_nm
        if self._practice is not None and self._practice.reference is not None:
            return self._practice.reference.capacity_nm
        if self._status.capacity is None:
            return None
        return to_nm(self._status.capacity, self._status.capacity_unit)

    # --------------------------------------------------------------------------------------------------------- zero

    def _zero(self) -> None:
        run = self._run
        if run is not None and run.state in (RunState.ZERO, RunState.FINAL_ZERO):
            self._go_on()
        elif run is None or run.state not in machine.UNDER_WAY:
            self._measure_zero(look_only=False)

    def _measure_zero(self, *, look_only: bool) -> None:
        self._zero_problem = ""
        if self._status.state is not LinkState.STREAMING:
            self._zero_problem = ZeroRefused("no-data").sentence()
            return
        if self._zeroing is None:  # an impatient second press does not begin again
            self._zeroing = Zeroing(self._capacity_nm(), anywhere=look_only)

    def _feed_zeroing(self, t_s: FloatArray, indicated_nm: FloatArray) -> bool:
        outcome = self._zeroing.feed(t_s, indicated_nm) if self._zeroing is not None else None
        if outcome is None:
            return False
        self._zeroing = None
        if isinstance(outcome, ZeroRefused):
            self._zero_problem = outcome.sentence()
            self._sounds.append("wrong")
            return True
        self._zero_taken(outcome)
        return True

    def _zero_taken(self, level: Level) -> None:
        wall = self._wall()
        zero = ZeroTaken(level.mean_nm, level.noise_nm, level.drift_nm, level.t_s, wall)
        run = self._run
        if run is None or run.state is not RunState.FINAL_ZERO:
            self._shown.settle()
            self._chain.zero_nm = level.mean_nm
            self._zero_wall = wall[11:16]
            self._forget_pull()  # the reader's rest level was against the old zero
        self._take(e.ZeroMeasured(zero))

    # --------------------------------------------------------------------------------------------------- the reader

    def _expect(self) -> None:
        """Tell the reader what the next pull is judged against, when that has changed and nobody pulls."""
        if self._pull_start_s is not None:
            return
        run, aim = self._run, self._practice
        if run is not None:
            wanted = expected(run)
            now: Expecting = (
                None if wanted is None else wanted[1],
                run.plan.tool.highest_nm,
                run.plan.mode,
                self._run_settings,
            )
        elif aim is not None:
            now = (aim.target_nm, None, aim.mode, settings_for(aim.mode, aim.time_window_s))
        else:
            now = (None, None, Mode.FIRST_PEAK, Settings())
        if now != self._expecting:
            self._expecting = now
            self._reader.expect(*now)

    def _read(self, event: ReaderEvent) -> None:
        if isinstance(event, PullStarted):
            self._phase, self._pull_start_s = Phase.RISING, event.start_s
            self._eighty_s, self._taken, self._notice = None, None, ""
        elif isinstance(event, ClickHeard):
            self._known(event.torque, event.direction, Phase.RELEASED, event.time_s)
        elif isinstance(event, HoldSteady):
            self._known(event.torque, event.direction, Phase.HELD, event.start_s)
        else:
            self._close_pull(event.pull)

    def _known(self, torque_nm: float, direction: Direction, phase: Phase, heard_s: float) -> None:
        """The reading is known before the pull is over: say so at once."""
        run = self._run
        if run is None and self._practice is not None:
            is_click = self._practice.mode is Mode.FIRST_PEAK
            if self._phase is Phase.RISING and (phase is Phase.RELEASED) is is_click:
                self._phase = phase
                self._sounds.append("click")
            return
        wanted = None if run is None else expected(run)
        if run is None or wanted is None or direction is not wanted[0] or self._phase is not Phase.RISING:
            return
        if (phase is Phase.RELEASED) is not (run.plan.mode is Mode.FIRST_PEAK):
            return
        self._phase = phase
        self._sounds.append("click")
        self._card = views.provisional_card(run, abs(torque_nm), heard_s)
        self._card_number = 0

    def _close_pull(self, pull: Pull) -> None:
        taken, self._taken = self._taken, None
        if taken is not None:
            pull = views.taken_by_switch(pull, *taken, None if self._expecting is None else self._expecting[0])
        self._phase, self._pull_start_s = Phase.REST, None
        self._eighty_s = None
        if self._card is not None and self._card.provisional:
            self._card = None
        if self._run is None and self._practice is not None:
            self._practise(pull)
        elif self._run is not None and machine.accepts(self._run, e.PullRead):
            self._take(e.PullRead(pull))

    # ----------------------------------------------------------------------------------------------------- practice

    def _begin_practice(self, aim: PracticeAim) -> None:
        if self._under_way:  # it began meanwhile
            return
        self._dismiss()
        if aim.reference is not None:
            self._shown.settle()
            self._chain.set_reference(aim.reference)
        self._practice = aim
        self._reader = self._make_reader(self._capacity_nm())
        self._forget_pull()
        self._zero_problem = self._notice = ""

    def _end_practice(self) -> None:
        if self._practice is None:
            return
        self._practice = None
        self._reader = self._make_reader(self._capacity_nm())
        self._forget_pull()

    def _practise(self, pull: Pull) -> None:
        """Hand on a closed pull with its stretch of the curve, from a second before."""
        _, t_s, torque_nm = self._shown.since(0)
        begin, end = np.searchsorted(t_s, (pull.start_s - 1.0, pull.end_s), side="left")
        stretch = slice(int(begin), int(end) + 1)
        self._practised.append(
            PracticePull(pull, t_s[stretch].copy(), torque_nm[stretch].copy(), self._status.source, self._wall())
        )

    # ------------------------------------------------------------------------------------------------------ the run

    def _begin(self, plan: RunPlan) -> None:
        run = machine.begin(str(uuid.uuid4()), plan, self._wall())
        self._put_on(run)
        self._keeper.add(Job("begin", run))
        if self._status.identity:
            self._take(e.ReferenceSeen(self._status.identity))
        if self._lost_at is not None or self._status.state in _NO_DATA:
            self._lost_at = self._lost_at or self._now()
            self._take(e.LinkLost(self._status.reason))
        self._note_air("start_c")

    def _look_for_air(self, run: Run) -> None:
        """A thermometer that was silent when the run began or ended, or while the program was away, may speak now."""
        key = "end_c" if run.state is RunState.VERDICT else "start_c"
        if self._ambient is not None and key not in run.ambient and self._ambient() is not None:
            is_late = bool(run.pulls)
            self._and_publish(lambda: self._note_air(key, is_late=is_late))

    def _note_air(self, key: str, *, is_late: bool = False) -> None:
        """Put down what the thermometer says; of the humidity, whose limit is a highest, the greater of the two."""
        air = self._ambient() if self._ambient is not None else None
        if air is None:
            return
        source = f"thermometer: {air.name}"
        self._take(e.AmbientTyped(key, air.celsius, source, is_late=is_late))
        before = self._run.ambient.get("humidity_percent") if self._run is not None else None
        if air.humidity_percent is not None and (before is None or air.humidity_percent > before):
            self._take(e.AmbientTyped("humidity_percent", air.humidity_percent, source))

    def _put_on(self, run: Run) -> None:
        self._practice = None  # a run comes first
        self._run, self._card, self._card_number = run, None, 0
        self._stored = {pull.number for pull in run.pulls}
        self._under_way = run.state in machine.UNDER_WAY
        self._pause_limit_s, self._window_s = views.figures_of(run)
        self._run_settings = reader_settings(run.plan)
        self._shown.settle()
        self._chain.set_reference(run.plan.reference)
        self._reader = self._make_reader(run.plan.reference.capacity_nm)
        self._expecting, self._phase, self._pull_start_s, self._eighty_s = None, Phase.REST, None, None
        self._zero_problem = self._notice = ""
        self._overload_seen = True

    def _found(self, run: Run | None) -> None:
        """An unfinished run was in the store (or none)."""
        if run is None or self._run is not None or run.state not in machine.UNDER_WAY:
            return
        if (run.plan.source is Source.REPLAYED) is not self._opened[0].startswith("replay:"):
            return  # a run goes on with samples of its own kind only: it waits until Kilter is opened with them
        self._put_on(run)
        if run.pulls:
            self._card_number = run.pulls[-1].number
        self._overload_seen = Hold.OVERLOAD not in run.holds
        pause_s = self._pause_s(run.last_step or run.started)
        # by a clock that was set back nobody can say how long the break was
        self._take(e.Resumed(pause_s if pause_s >= -CLOCK_OFF_S else math.inf))
        if self._status.identity:
            self._take(e.ReferenceSeen(self._status.identity))
        if self._status.state is not LinkState.STREAMING:
            self._lost_at = self._lost_at or self._now()
            self._take(e.LinkLost(self._status.reason))

    def _go_on(self) -> None:
        self._keeper.retry_now()
        run = self._run
        if not self._overload_seen:
            self._overload_seen = True
            reached, self._overload_percent = self._overload_percent, 0.0
            if run is None or Hold.OVERLOAD not in run.holds:
                return
            if 101 <= reached < math.inf:  # the record tells when it began, and how far it went
                self._take(e.Overloaded(reached))
        self._take(e.GoOn())

    def _take(self, event: e.Event) -> None:
        """Step the run, if there is one that can take the event, and do what the step wants done."""
        run = self._run
        if run is None or not machine.accepts(run, type(event)):
            return
        self._notice = ""
        if isinstance(event, e.PullRead):
            run = replace(run, stream=views.worst_stream(run, self._status))
        before = run.state
        run, effects = machine.step(run, event, self._wall())
        self._run = run
        self._under_way = run.state in machine.UNDER_WAY
        if run.state is not before:
            log.info("run %s: %s -> %s (%s)", run.run_id, before, run.state, type(event).__name__)
            if before in (RunState.ZERO, RunState.FINAL_ZERO):
                self._zeroing = None
                self._zero_problem = ""
        for effect in effects:
            self._do(run, effect)
        if run.state is RunState.VERDICT and before is not RunState.VERDICT:
            self._note_air("end_c")

    def _do(self, run: Run, effect: e.Effect) -> None:
        if isinstance(effect, e.Save):
            self._keeper.add(Job("save", run))
        elif isinstance(effect, e.StorePull):
            self._store_pull(run, run.pulls[effect.number - 1])
        elif isinstance(effect, e.Seal):
            self._keeper.add(Job("save", run))
            judgement, outcome = views.sealed_judgement(run, self._judge)
            self._keeper.add(Job("seal", run, judgement=judgement, outcome=outcome))
        elif isinstance(effect, e.TakeZero):
            self._measure_zero(look_only=effect.look_only)
        elif isinstance(effect, e.TakeHold):
            for event in self._reader.take_hold():
                self._read(event)
                if isinstance(event, HoldSteady) and self._phase is Phase.HELD:
                    self._taken = (self._read_to_s, abs(event.torque))
        elif isinstance(effect, e.Sound):
            self._sounds.append(effect.name)
        else:
            self._notice = effect.key

    def _store_pull(self, run: Run, pull: CapturedPull) -> None:
        chain = self._chain
        trace = self._cutout.cut(
            pull.pull.start_s,
            pull.pull.end_s,
            clockwise_positive=self._status.clockwise_positive,
            capacity_nm=run.plan.reference.capacity_nm,
            rate_hz=self._status.rate_hz,
            recorded=self._wall(),
            extra={"zero_nm": repr(chain.zero_nm), "correction": chain.description},
        )
        self._card_number = pull.number
        self._keeper.add(Job("pull", run, pull, trace))

    def _dismiss(self) -> None:
        if self._run is not None and self._run.state not in machine.UNDER_WAY:
            self._run, self._card, self._card_number = None, None, 0
            self._under_way = False
            self._expecting = None
            self._notice = ""

    # --------------------------------------------------------------------------------------------------- the keeper

    def _kept(self, job: Job, found: Run | None) -> None:
        if job.kind == "open":
            self._queue.put(lambda: self._and_publish(lambda: self._found(found)))
        elif job.kind == "pull" and job.run is not None and job.pull is not None:
            run_id, number = job.run.run_id, job.pull.number
            self._queue.put(lambda: self._and_publish(lambda: self._is_stored(run_id, number)))

    def _is_stored(self, run_id: str, number: int) -> None:
        if self._run is not None and self._run.run_id == run_id:
            self._stored.add(number)

    def _keeping_failed(self, sentence: str) -> None:
        def tell() -> None:
            self._store_problem = sentence

        self._queue.put(lambda: self._and_publish(tell))

    # ----------------------------------------------------------------------------------------------------- the view

    def _publish(self) -> None:
        run = self._run
        card = self._card
        number = self._card_number if run is None else run.asked_about or self._card_number
        if card is None and run is not None and 0 < number <= len(run.pulls):
            captured = run.pulls[number - 1]
            card = views.card_of(run, captured, stored=captured.number in self._stored)
        has_samples = self._status.n_lines > 0 or self._status.state is LinkState.STREAMING
        fields: dict[str, Any] = {
            "source": self._status.source if has_samples else None,
            "link": views.link_view(self._status),
            "phase": self._phase,
            "card": card,
            "capacity_nm": self._capacity_nm(),
            "eighty_s": self._eighty_s,
            "zero_wall": self._zero_wall,
            "zero_problem": self._zero_problem,
            "overload_percent": self._overload_percent,
            "store_problem": self._store_problem,
            "n_unstored": self._keeper.n_waiting if self._store_problem else 0,
            "notice": self._notice,
            "zero_nm": self._chain.zero_nm,
            "is_zeroing": self._zeroing is not None,
            "replay": self._replay,
        }
        if run is not None:
            fields.update(views.run_fields(run, self._window_s))
            if run.state in (RunState.VERDICT, RunState.SEALED):
                known = self._view.verdict if self._view.run == run else None
                fields["verdict"] = known or views.verdict_view(run, self._judge)
            if Hold.IDENTITY in run.holds:
                fields["identity_problem"] = (
                    f"{self._status.identity or 'A transducer'} answered; "
                    f"{run.plan.reference.number} is {run.plan.reference.identity}."
                )
        elif self._practice is not None:
            fields["mode"], fields["direction"] = self._practice.mode, self._practice.direction
            fields["time_window_s"] = self._practice.time_window_s
        if run is None and not self._overload_seen:
            fields["holds"] = frozenset({Hold.OVERLOAD})
        view = BenchView(serial=self._view.serial, **fields)
        if view != self._view:
            self._view = replace(view, serial=self._view.serial + 1)
