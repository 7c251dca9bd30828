"""Read pulls out of a stream of samples; a whole trace is walked along by the same steps, with the same result.

The stream is cut into stretches of a fixed number of samples counted from its first sample; every decision hangs on
sample numbers, never on how the samples arrived. So any cut of the stream gives the same pulls.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchapp.pulls._analysis import Expectation, Segment, analyse, hold_begin, is_held
from benchapp.pulls._extremes import PIECE, Extremes, grouped
from benchapp.pulls._faults import gaps_in_fall
from benchapp.pulls._levels import middle, quantile
from benchapp.pulls._recent import RECENT_S, nothing_recent
from benchapp.pulls._release import releases
from benchapp.pulls._resting import Resting
from benchapp.pulls._still import lasting, stillness
from benchapp.pulls._times import Times, gaps
from benchapp.pulls._wrong import jumps, mend, single_jump, widest
from benchapp.pulls.events import ClickHeard, HoldSteady, PullClosed, PullStarted, ReaderEvent
from benchapp.pulls.pull import Mode
from benchapp.pulls.settings import Settings
from benchapp.torque.direction import Direction
from drivers.samples import FloatArray, Gap

_N_RATE = 33  # samples that tell the rate
_TOLD_S = 0.06  # a click that can only be told later than this is not announced: the pull tells it when it closes
_ARM_S = 0.7  # that are looked at for a click while the pull goes on
_COARSE = 25  # fine steps in a coarse one
_OVER = 64  # coarse steps looked at together
_REST_PIECES = 360  # pieces of rest looked at together: 5 s at 10 kHz
_N_QUIET = 5  # least samples of rest at the beginning of a stream that tell it begins there
_STILL_S = 1.0  # a level that stays this still near zero is a rest level: a tool was hung on the drive
_HANGING_SHARE = 0.03  # of the capacity: more than a tool weighs there, less than any checkpoint of a full run


class PullReader:
    """Feed it samples; it tells what happened. Not thread-safe: one thread feeds.

    Torque in any one unit, clockwise positive; `capacity`, `target`, `tool_max` in the same unit, > 0 or None.

    >>> import numpy as np
    >>> t = np.arange(3000) / 1000.0
    >>> v = np.interp(t, [0.0, 0.5, 2.0, 2.01, 2.2, 2.3, 3.0], [0.0, 0.0, 30.0, 20.0, 24.0, 0.0, 0.0])
    >>> reader = PullReader(mode=Mode.FIRST_PEAK, capacity=100.0)
    >>> [type(event).__name__ for event in reader.feed(t, v)]
    ['PullStarted', 'ClickHeard', 'PullClosed']
    """

    def __init__(
        self,
        *,
        mode: Mode,
        capacity: float | None = None,
        target: float | None = None,
        tool_max: float | None = None,
        greatest: float | None = None,
        settings: Settings | None = None,
        announce: bool = True,
    ) -> None:
        """Begin at rest.

        Args:
            mode: Which torque counts as the reading.
            capacity: Of the reference.
            target: Only adds flags that need one.
            tool_max: The tool's maximum.
            greatest: Greatest torque of the trace, where it is known and the capacity is not.
            settings: Limits; the defaults without.
            announce: Tell clicks and holds while the pull goes on; a whole trace needs none.
        """
        for name, value in (("capacity", capacity), ("target", target), ("tool_max", tool_max)):
            if value is not None and not value > 0:
                raise ValueError(f"{name} is {value}; it must be greater than 0")
        self.settings = settings or Settings()
        self._expected = Expectation(mode, capacity, target, tool_max)
        self._greatest = greatest
        self._announce = announce
        self.reset()

    def reset(self) -> None:
        """Forget everything that was fed."""
        self._n = 0
        self._all_t: FloatArray = np.empty(0)
        self._all_v: FloatArray = np.empty(0)
        self._all_wrong = np.empty(0, dtype=np.bool_)
        self._make_room(1024)
        self._jump = self._small = np.inf  # no step of this size, none into a single wrong sample
        self._overloads: list[float] = []
        self._n_mended = 0  # of the buffer: wrong samples looked for and drawn across
        self._any_wrong = False
        self._at = 0  # of the buffer: everything before is decided
        self._rate = 0.0
        self._resting = Resting(*self._limits())
        self._active = False
        self._begin = 0
        self._sign = 1
        self._cut = False
        self._grid = 0
        self._clicked = False
        self._held = False
        self._finished = False
        self._extremes: Extremes | None = None  # of a whole trace: all samples are here
        self._times: Times | None = None

    @property
    def noise(self) -> float:
        """Standard deviation at rest; 0 before the first rest."""
        return self._resting.noise

    @property
    def rest(self) -> float:
        """Rest level in force."""
        return self._resting.level or 0.0

    @property
    def is_pulling(self) -> bool:
        """True while inside a pull."""
        return self._active

    @property
    def rate_hz(self) -> float:
        """Rate by which the stream is read; 0 before it is known."""
        return self._rate

    @property
    def samples_kept(self) -> int:
        """Samples held in memory: two and a half seconds at rest, and a pull under way."""
        return self._n

    def expect(
        self, target: float | None, tool_max: float | None, mode: Mode, settings: Settings | None = None
    ) -> None:
        """Set what the next pull (or the one under way) is judged against; without `settings` those in force stay."""
        self._expected = replace(self._expected, target=target, tool_max=tool_max, mode=mode)
        self.settings = settings or self.settings
        self._resting.set_limits(*self._limits())
        self._count_samples()

    def feed(
        self,
        t_s: FloatArray,
        torque: FloatArray,
        gaps: Sequence[Gap] = (),
        overload_t_s: FloatArray | None = None,
    ) -> list[ReaderEvent]:
        """Take samples, oldest first; return what they told.

        Args:
            t_s: Shape (n,), seconds, strictly rising, later than all before.
            torque: Shape (n,), finite.
            gaps: Not needed: a gap shows in the times.
            overload_t_s: Moments at which the device said overload instead of a number.
        """
        if len(t_s) != len(torque):
            raise ValueError(f"{len(t_s)} times for {len(torque)} samples")
        if overload_t_s is not None:
            self._overloads.extend(float(moment) for moment in overload_t_s)
        n = self._n + len(t_s)
        if n > len(self._all_t):
            self._make_room(2 * n)
        self._all_t[self._n : n] = t_s
        self._all_v[self._n : n] = torque
        self._all_wrong[self._n : n] = False
        self._n = n
        self._show()
        return self._advance()

    def _make_room(self, n: int) -> None:
        """Arrays twice as long as needed: a long pull in small blocks is not copied at each block."""
        for name, kind in (("_all_t", np.float64), ("_all_v", np.float64), ("_all_wrong", np.bool_)):
            room = np.empty(n, dtype=kind)
            room[: self._n] = getattr(self, name)[: self._n]
            setattr(self, name, room)
        self._show()

    def _show(self) -> None:
        n = self._n
        self._t, self._v, self._wrong = self._all_t[:n], self._all_v[:n], self._all_wrong[:n]

    def finish(self) -> list[ReaderEvent]:
        """Tell that nothing more comes: a pull under way is closed, cut."""
        self._finished = True
        events = self._advance()
        if self._active and len(self._t) > self._begin + 1:
            self._cut = True
            self._close(len(self._t) - 1, None, events)
        return events

    def read_whole(self, t_s: FloatArray, torque: FloatArray, extremes: Extremes) -> list[ReaderEvent]:
        """Read a whole trace: the same as feeding it and finishing, but nothing is copied. Call it on a new reader."""
        self._n = len(t_s)
        self._t, self._v = t_s, torque
        self._extremes = extremes
        return self.finish()

    def take_hold(self) -> list[ReaderEvent]:
        """Mode hold: a foot switch takes what is held now; the mean of the last half second is announced."""
        if not (self._active and self._expected.mode is Mode.HOLD):
            return []
        if self._at <= self._begin:
            return []
        since = self._t[self._at - 1] - self.settings.hold_s + 0.5 / self._rate
        begin = max(int(np.searchsorted(self._t[: self._at], since)), self._begin)
        self._held = True
        mean = float(self._v[begin : self._at].mean())
        return [HoldSteady(float(self._t[begin]), mean * self._sign, self._direction())]

    # ---- the walk along the stream

    def _advance(self) -> list[ReaderEvent]:
        events: list[ReaderEvent] = []
        if not self._rate:
            if len(self._t) < _N_RATE and not (self._finished and len(self._t) > 2):
                return events
            self._rate = 1.0 / middle(np.diff(self._t[:_N_RATE]))
            self._bootstrap_n = max(round(0.1 * self._rate), 5)
            self._count_samples()
        if self._resting.level is None:
            if len(self._t) < self._bootstrap_n + self._ahead and not self._finished:
                return events
            self._look_at_start()
        self._mend()
        known = len(self._t) if self._finished else self._n_mended
        while True:
            moved = self._pull_on(known, events) if self._active else self._rest_on(known, events)
            if not moved:
                break
        if self._extremes is None:
            self._forget()
        return events

    def _count_samples(self) -> None:
        """How many samples the times of the settings are at the rate of the stream."""
        self._fine = max(round(0.01 * self._rate), 1)
        self._step = _COARSE * self._fine
        self._ahead = widest(self._rate)
        self._n_start = max(round(self.settings.start_s * self._rate), 1)
        self._n_rest = max(round(self.settings.rest_s * self._rate), 2)

    def _limits(self) -> tuple[float, float]:
        """A pull begins further from the rest level than so many times the noise, and than so much torque."""
        least = 1e-12
        if self._expected.capacity is not None:
            least = max(self.settings.start_capacity * self._expected.capacity, least)
        elif self._greatest is not None:
            least = max(self.settings.start_greatest * self._greatest, least)
        return self.settings.start_noise, least

    def _look_at_start(self) -> None:
        """Is the stream at rest when it begins? If not, a pull was cut; zero is taken for the rest level."""
        first = self._v[: self._bootstrap_n].copy()
        ordered = np.sort(first)
        level = middle(ordered)
        steps = np.diff(first)
        rough = middle(np.abs(steps - middle(steps))) * 1.4826 / math.sqrt(2.0)
        scale = self._expected.capacity or self._greatest or 0.0
        # from the first look only: the same however the stream is cut
        self._jump = max(10.0 * rough, 0.04 * scale) or np.inf
        self._small = single_jump(self._rate, self._jump, 10.0 * rough, scale)
        spread = quantile(ordered, 0.95) - quantile(ordered, 0.05)
        moving = spread > max(8.0 * rough, 0.01 * scale)
        begun = abs(level) > 0.1 * scale > 0 or (moving and abs(level) > 0.01 * scale)
        if begun and len(first) >= 2 * _N_QUIET:
            # who snatches at once has pulled through most of it: the beginning alone may be rest
            quiet = first[: max(len(first) // 4, _N_QUIET)]
            middle_of_it, still = middle(np.sort(quiet)), stillness(quiet[None, :])[0]
            held = max(8.0 * still.noise, 0.001 * scale)
            if abs(middle_of_it) <= 0.01 * scale and float(quiet.max() - quiet.min()) <= held:
                begun, first, level = False, quiet, middle_of_it
        if begun:
            self._resting.level, self._active, self._cut = 0.0, True, True
            self._resting.learn_noise(rough)
            self._begin, self._grid = 0, 0
            self._sign = 1 if level > 0 else -1
            return
        self._resting.level = level
        self._resting.learn_noise(stillness(first[None, :])[0].noise if len(first) > 2 else 0.0)

    def _mend(self) -> None:
        """Find wrong samples in what is new and draw across them, as far as the samples after them are known."""
        end = len(self._v) if self._finished else max(len(self._v) - self._ahead, 0)
        if end <= self._n_mended:
            return
        if self._extremes is not None:
            self._mend_whole(self._extremes)
        elif jumps(self._v, self._n_mended, end, self._small):
            mend(self._t, self._v, self._wrong, self._n_mended, end, self._jump, self._small, self._rate)
            self._any_wrong = True
        self._n_mended = end

    def _mend_whole(self, extremes: Extremes) -> None:
        """The same where a piece, or the step into it, leaves room for a jump."""
        may = extremes.top - extremes.least > self._small
        may[1:] |= np.abs(self._v[PIECE::PIECE] - self._v[PIECE - 1 : -1 : PIECE]) > self._small
        for first, last in grouped(may, 1):
            low, high = first * PIECE, min((last + 1) * PIECE, len(self._v))
            if not jumps(self._v, low, high, self._small):
                continue
            if not self._any_wrong:
                self._v = self._v.copy()  # it is somebody else's
                self._wrong = np.zeros(len(self._v), dtype=np.bool_)
                self._any_wrong = True
            mend(self._t, self._v, self._wrong, low, high, self._jump, self._small, self._rate)
            extremes.renew(self._v, first, last + 1)

    def _rest_on(self, known: int, events: list[ReaderEvent]) -> bool:
        """Go on at rest; True when there is more to look at."""
        if self._extremes is not None:
            self._rest_over(self._extremes, known)
        end = self._at + self._step
        n_start = self._n_start
        full = known >= end + n_start or self._finished
        stop = min(end, known) if full else known
        stretch = self._v[self._at : stop]
        threshold, rest = self._resting.threshold, self.rest
        up, down = (float(stretch.max()) - rest, rest - float(stretch.min())) if len(stretch) else (0.0, 0.0)
        signs = [sign for sign, furthest in ((1, up), (-1, down)) if furthest > threshold]
        if signs:
            begun = self._first_start(known, n_start, stop, signs)
            if begun is not None:
                self._start(begun, events)
                return True
        if not full or stop <= self._at:
            return False
        if signs:
            stretch = stretch[np.abs(stretch - rest) <= threshold]
        if len(stretch) >= max(9, 0.8 * (stop - self._at)):
            self._resting.follow(stillness(stretch[None, :])[0])
        self._at = stop
        return self._at < known

    def _rest_over(self, extremes: Extremes, known: int) -> None:
        """Go on over whole steps of rest that the extremes say nobody pulled in, all at once: 2 us each, not 20."""
        if known - self._at <= self._step or self._step < 9:
            return
        first = self._at // PIECE
        top, least = (
            extremes.top[first : first + _REST_PIECES].copy(),
            extremes.least[first : first + _REST_PIECES].copy(),
        )
        begun = self._v[self._at : (first + 1) * PIECE]  # the end of a pull may lie in the same piece
        top[0], least[0] = begun.max(), begun.min()
        threshold, rest = self._resting.threshold, self.rest
        loud = ((top > rest + threshold) | (least < rest - threshold)).nonzero()[0]
        quiet = int(loud[0]) if len(loud) else len(top)
        n_steps = (min((first + quiet) * PIECE, known - 1) - self._at) // self._step
        if n_steps < 1:
            return
        end = self._at + n_steps * self._step
        highest, lowest = float(top[:quiet].max()), float(least[:quiet].min())
        stretches = stillness(self._v[self._at : end].reshape(n_steps, self._step))
        if self._resting.follow_all(stretches, highest, lowest):
            self._at = end
            return
        for still in stretches:
            threshold, rest = self._resting.threshold, self.rest
            if highest - rest > threshold or rest - lowest > threshold:
                return  # the level or the noise changed meanwhile: step by step
            self._resting.follow(still)
            self._at += self._step

    def _first_start(self, known: int, n_start: int, stop: int, signs: list[int]) -> int | None:
        """Index of the first sample outside of which the `n_start` from it on all lie outside on one of the sides."""
        rest, threshold = self.rest, self._resting.threshold
        off = self._v[self._at : min(known, stop + n_start)] - rest
        begun = []
        for sign in signs:
            begin = lasting(off, n_start, (lambda off: off > threshold) if sign > 0 else (lambda off: off < -threshold))
            if begin is not None and self._at + begin < stop:
                begun.append((self._at + begin, sign))
        if not begun:
            return None
        index, self._sign = min(begun)
        return index

    def _start(self, index: int, events: list[ReaderEvent]) -> None:
        self._active, self._cut = True, False
        self._begin = max(index - 1, 0)
        self._at = index
        self._grid = index
        self._clicked = self._held = False
        events.append(PullStarted(float(self._t[self._begin]), self._direction()))

    def _direction(self) -> Direction:
        return Direction.CLOCKWISE if self._sign > 0 else Direction.ANTICLOCKWISE

    def _pull_on(self, known: int, events: list[ReaderEvent]) -> bool:
        """Go on inside a pull; True when there is more to look at."""
        n_rest = self._n_rest
        inside_from = self._step_over(known, n_rest) if self._extremes is not None else None
        # a whole trace takes coarse steps only; what is decided at fine ones does not hang on their length
        step = self._fine if self._announce else self._step
        stop = self._at + step
        if stop > known:
            if not self._finished or self._at >= known:
                return False
            stop = known
        if inside_from is None:
            inside_from = self._back_at_rest(max(stop - n_rest - step, self._begin + 1), stop, n_rest)
        if inside_from is not None:
            # the last third of the stay: the hand may still lean on the tool in the first
            after = self._rest_after(inside_from + 2 * n_rest // 3, inside_from + n_rest)
            if self._announce:
                self._tell(inside_from, stop, events)
            self._close(inside_from, after, events)
            return True
        coarse = (stop - self._grid) % self._step == 0 or (self._finished and stop == known)
        level = self._still_level(stop) if coarse else None
        if level is not None:
            self._settle(level, stop, events)
            return True
        self._at = stop
        if self._announce:
            self._tell(stop, stop, events)
        return True

    def _step_over(self, known: int, n_rest: int) -> int | None:
        """Go on over the steps at whose end there is neither rest nor a still level; tell a stay in the next one."""
        step = self._step
        n_steps = min((known - self._at) // step - 1, _OVER)
        if n_steps < 1:
            return None
        low, end = max(self._at - n_rest, self._begin + 1), self._at + n_steps * step
        inside_from = self._back_at_rest(low, end, n_rest)
        over = n_steps if inside_from is None else (inside_from + n_rest - 1 - self._at) // step
        scale = self._expected.capacity or self._greatest
        if scale is not None:
            near = _HANGING_SHARE * scale
            ends = self._v[self._at + step - 1 : end : step][:over].tolist()
            for k in [k for k, value in enumerate(ends) if -near <= value <= near]:
                if self._still_level(self._at + (k + 1) * step) is not None:
                    over, inside_from = k, None
                    break
        self._at += step * over
        return inside_from

    def _back_at_rest(self, low: int, high: int, n_rest: int) -> int | None:
        rest, threshold = self.rest, self._resting.threshold
        middle_one = low + n_rest - 1
        if high < low + 2 * n_rest and (middle_one >= high or abs(float(self._v[middle_one]) - rest) > threshold):
            return None  # every stay holds this sample
        begin = lasting(self._v[low:high], n_rest, lambda values: np.abs(values - rest) <= threshold)
        return None if begin is None else low + begin

    def _pulled(self, low: int, high: int) -> FloatArray:
        """Torque of samples, rising positive."""
        return self._v[low:high] if self._sign > 0 else -self._v[low:high]

    def _rest_after(self, low: int, high: int) -> float | None:
        """Level of samples `low` to `high`; None when the torque is still on its way back."""
        after = self._v[low:high]
        half = len(after) // 2
        if half:
            first, last = (
                float(np.add.reduce(after[:half])) / half,
                float(np.add.reduce(after[half:])) / (len(after) - half),
            )
            if abs(first - last) > max(self.noise, 1e-4 * self._resting.threshold):
                return None
        return middle(after)

    def _still_level(self, stop: int) -> float | None:
        """Level of a second of stillness near zero: a tool was hung on the drive, or taken off."""
        n = round(_STILL_S * self._rate)
        scale = self._expected.capacity or self._greatest
        if scale is None or n < 1 or stop - self._begin < n:
            return None
        last = self._v[stop - n : stop]
        if max(abs(float(last[0])), abs(float(last[-1]))) > _HANGING_SHARE * scale:
            return None
        level = float(last.mean())
        if float(last.max() - last.min()) > 9.0 * self.noise + 1e-4 * scale:
            return None
        return level

    def _settle(self, level: float, stop: int, events: list[ReaderEvent]) -> None:
        """Take a still level for the rest level; what came before it was a pull only if it rose well above it."""
        n = round(_STILL_S * self._rate)
        highest = float(self._pulled(self._begin, stop).max())
        end = stop - n
        if highest > 2.5 * abs(level) + 5 * self._resting.threshold and end > self._begin + 2:
            self._close(end, level, events)
        else:
            self._active = False
        self._resting.level = level
        self._at = stop

    def _tell(self, stop: int, now: int, events: list[ReaderEvent]) -> None:
        """Announce a click or a hold, looked for at fixed samples up to `stop`, told when `now` are decided about."""
        expected = self._expected
        if not self._clicked and expected.mode is not Mode.HOLD and self._may_tell(stop):
            low = max(self._begin, stop - round(_ARM_S * self._rate))
            pulled = self._pulled(low, stop)
            for release in releases(pulled, Extremes.of(pulled), self._rate, self.noise, self.settings, finished=False):
                newest = min(now + self._ahead, len(self._t)) - 1
                if self._t[newest] - self._t[low + release.index] > _TOLD_S + 1e-6:
                    continue
                # announced early, so more is asked of it than of the reading: half the target at least
                if release.clear and pulled[release.index] > 0.5 * (expected.target or 0.0):
                    missing = gaps(self._t[low:stop], self._rate, self.settings)
                    if gaps_in_fall(pulled, release, missing, self._rate):
                        continue
                    self._clicked = True
                    k = low + release.index
                    events.append(ClickHeard(float(self._t[k]), float(pulled[release.index]), self._direction()))
                    break
        if not self._held and expected.mode is Mode.HOLD:
            begin = hold_begin(self._t, stop, self._rate, self.settings.hold_s)
            if begin is not None and begin > self._begin:
                last = self._pulled(begin, stop)
                so_far = float(self._pulled(self._begin, stop).max())
                mean = float(last.mean())
                wanted = expected.target is None or mean > 0.9 * expected.target
                if wanted and mean > 0.5 * so_far and is_held(last, self.noise):
                    self._held = True
                    events.append(HoldSteady(float(self._t[begin]), mean, self._direction()))

    def _may_tell(self, stop: int) -> bool:
        """False when there is nothing to announce: torque below half the target, no fall that could be a letting-go.

        What is told is younger than `_TOLD_S`, so the last 0.15 s tell whether there may be anything: that spares most
        steps the looking at 0.7 s.
        """
        target = self._expected.target
        if target is not None:
            recent = self._pulled(max(self._begin, stop - round(RECENT_S * self._rate)), stop)
            if not len(recent) or float(recent.max()) <= 0.5 * target:
                return False
        pulled = self._pulled(max(self._begin, stop - round(_ARM_S * self._rate)), stop)
        if len(pulled) <= 5 or nothing_recent(pulled, self._rate, self.noise, self.settings):
            return False
        highest = float(pulled.max())
        return highest - float(pulled[-max(len(pulled) // 8, 1) :].min()) > 0.01 * highest

    def _close(self, end: int, rest_after: float | None, events: list[ReaderEvent]) -> None:
        """Read the pull; what never loaded the tool, as a hanging one that is lifted, was none."""
        begin = self._begin
        overloads = [moment for moment in self._overloads if moment >= self._t[begin]]
        overloaded = any(moment <= self._t[end] for moment in overloads)
        self._overloads = [moment for moment in overloads if moment > self._t[end]]
        t, torque = self._t[begin : end + 1], self._pulled(begin, end + 1)
        if self._extremes is None:
            extremes, times, at = Extremes.of(torque), Times(t, self._rate, self.settings), 0
        else:
            if self._times is None:
                self._times = Times(self._t, self._rate, self.settings)
            extremes, times, at = self._extremes.part(begin, end + 1, self._sign), self._times, begin
        pull = analyse(
            Segment(
                t,
                torque,
                extremes,
                times.gaps(at, at + len(t)),
                times.longest_piece_s(at, at + len(t)),
                self._wrong[begin : end + 1] if self._any_wrong else None,
                self._rate,
                self.noise,
                self._sign * self.rest,
                None if rest_after is None else self._sign * rest_after,
                self._direction(),
                self._cut,
                overloaded,
            ),
            self._expected,
            self.settings,
        )
        self._active = False
        self._cut = False
        self._at = end
        if rest_after is not None:
            self._resting.level = rest_after
        if pull.peak > 0:
            events.append(PullClosed(pull))

    def _forget(self) -> None:
        """Keep a second and a half before what is looked at; a pull is kept whole."""
        keep_from = (self._begin if self._active else self._at) - round(1.5 * self._rate)
        if keep_from < self._rate:  # not worth a copy yet
            return
        left = self._n - keep_from
        for array in (self._all_t, self._all_v, self._all_wrong):
            array[:left] = array[keep_from : self._n].copy()
        self._n = left
        if len(self._all_t) > 8 * left + 1024:
            self._make_room(2 * left)
        self._show()
        self._overloads = [moment for moment in self._overloads if moment >= self._t[0]]
        self._at -= keep_from
        self._begin -= keep_from
        self._grid -= keep_from
        self._n_mended -= keep_from
