"""When each sample was taken.

Three clocks, best first: the device's own (`DeviceClock`); its sequence numbers, or else the count of lines, over the
nominal rate (`CountClock`); and one rebuilt from the times at which bytes arrived (`ArrivalClock`), for live links
whose lines carry neither. All are on the link's axis: 0 at the first sample, strictly rising, going on over a
reconnect. All but the last give the same however the bytes were cut.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import Final, NamedTuple, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from drivers.profile import Profile
from drivers.samples import FloatArray, Gap, IntArray

_LEARNED_FROM: Final = 64  # steps of the device's clock whose median is its interval
_LUMP_S: Final = 0.016  # USB bridges hand bytes over every 1 to 16 ms
STALL_S: Final = 0.060
"""No byte for so long is more than lumps and a busy machine."""
_TTY_LINES: Final = 250  # a full 4 kB tty buffer of short lines: what may still come is unknown
_WINDOW_S: Final = 0.5
_DOUBT_S: Final = 0.25
_FEW: Final = 32  # up to so many rows numpy costs more than it saves
_VERY_FEW: Final = 8  # the same for the device's own clock
_ONE_TIME: Final = np.zeros(1)
_LOOK_S: Final = 0.016  # while the rate is being learned it is looked at so often: 512 arrivals kept are 8 s

_Number = TypeVar("_Number", np.int64, np.float64)


def held_up(silence_s: float, period_s: float) -> float:
    """So many lines that come after a silence were held up, all of them; with fewer some were lost. `period_s` > 0."""
    return min(0.5 * silence_s / period_s, _TTY_LINES)


class Marks(NamedTuple):
    """What is known of the times of the rows to be dated.

    Attributes:
        line: Of n rows: running number of the line, refused ones counted, so that a refused line leaves a gap. A range
            where one follows the other, as nearly always: that spares the clocks most of their work.
        ticks: Shape (n,) of the device's clock, NaN unknown; None: it sends none.
        sequence: Shape (n,), −1 unknown; None: it sends none.
        arrival_s: Monotonic time at which the last byte was read.
    """

    line: IntArray | range
    ticks: FloatArray | None = None
    sequence: IntArray | None = None
    arrival_s: float = 0.0


RowGap = tuple[int, Gap]
"""(row at which the gap ends, gap)"""


class Clock(Protocol):
    """Dates rows in the order in which they came."""

    notes: dict[str, int]

    @property
    def interval_s(self) -> float:
        """Seconds between two samples; 0 unknown."""
        ...

    def date(self, marks: Marks) -> tuple[FloatArray, list[RowGap]]:
        """Times of the rows, strictly rising, and the gaps with the row at which each ends."""
        ...

    def go_on(self, line: int, n: int, arrival_s: float) -> FloatArray | None:
        """Times of `n` rows, lines from number `line` on that bring no mark of their own; None: ask `date` as ever.

        What it gives is what `date` would have given; it is there because a line or two are dated a thousand times a
        second.
        """
        ...

    def resume(self, away_s: float) -> None:
        """The link was away: the next row comes `away_s` after the last one, whatever the device's counters say."""
        ...


def clock_for(profile: Profile, *, live: bool) -> Clock:
    """Choose the best clock that `profile` allows; `live`: arrival times are trusted more than a count of lines."""
    if profile.has("time_s"):
        return DeviceClock(profile.time_scale, profile.time_modulus, profile.rate_hz)
    if profile.rate_hz > 0 and (profile.has("sequence") or not live):
        return CountClock(profile.rate_hz, profile.sequence_modulus)
    return ArrivalClock(profile.rate_hz, profile.sequence_modulus)


@dataclass(slots=True)
class _Counter:
    """Sequence numbers, or numbers of lines, unwrapped to a count that rises by at least 1 a row.

    So n rows follow each other, and the row before, exactly when the last count is n more than the one before.
    """

    modulus: int
    last: int | None = None
    count: int = 0
    notes: dict[str, int] = field(default_factory=dict)

    def unwrap(self, marks: Marks) -> IntArray:
        """Counts of the rows; the first row ever has 0."""
        raw = marks.sequence if marks.sequence is not None else marks.line
        if not len(raw):
            return np.empty(0, np.int64)
        if self.last is None:
            self.last, self.count = int(raw[0]) - 1, -1
        if isinstance(raw, range):
            first = self.count + raw.start - self.last
            self.last, self.count = raw.stop - 1, first + len(raw) - 1
            return np.arange(first, first + len(raw))
        steps = _steps(raw, self.last)
        if marks.sequence is not None and self.modulus:
            steps %= self.modulus
        if not (steps > 0).all() or (marks.sequence is not None and (raw < 0).any()):
            steps = self._irregular_steps(raw, marks.sequence is not None)
        else:
            self.last = int(raw[-1])
        counts: IntArray = self.count + np.cumsum(steps)
        self.count = int(counts[-1])
        return counts

    def _irregular_steps(self, raw: IntArray, is_sequence: bool) -> IntArray:
        steps = np.empty(len(raw), np.int64)
        last = self.last or 0
        for row, number in enumerate(raw.tolist()):
            if is_sequence and number < 0:
                step, last = 1, last + 1
            else:
                step, last = number - last, number
                if is_sequence and self.modulus:
                    step %= self.modulus
            if step <= 0:
                step = 1
                self.notes["sequence"] = self.notes.get("sequence", 0) + 1
            steps[row] = step
        self.last = last
        return steps


def _steps(values: npt.NDArray[_Number], before: float) -> npt.NDArray[_Number]:
    """From each value to the next, the first one from `before`: `np.diff` with `prepend`, in a third of the time."""
    steps = np.empty_like(values)
    steps[0] = values[0] - before
    np.subtract(values[1:], values[:-1], out=steps[1:])
    return steps


def _count_gaps(counts: IntArray, before: int, t_s: FloatArray, last_s: float, gaps: list[RowGap]) -> None:
    """Add the gaps that the counts tell; `before` and `last_s` are those of the row before."""
    if int(counts[-1]) - before == len(counts):
        return
    steps = _steps(counts, before)
    for row in np.flatnonzero(steps > 1).tolist():
        start_s = float(t_s[row - 1]) if row else last_s
        gaps.append((row, Gap(start_s, float(t_s[row]) - start_s, int(steps[row]) - 1)))


class CountClock:
    """Sequence numbers (or, without them, lines) over the nominal rate."""

    def __init__(self, rate_hz: float, modulus: int = 0) -> None:
        self._rate_hz = rate_hz
        self._counter = _Counter(modulus)
        self._base_s = 0.0
        self._base_count = 0
        self._last_s = -math.inf
        self._away_s = 0.0
        self.notes = self._counter.notes

    @property
    def interval_s(self) -> float:
        """Nominal."""
        return 1.0 / self._rate_hz

    def date(self, marks: Marks) -> tuple[FloatArray, list[RowGap]]:
        """See `Clock`."""
        if not len(marks.line):
            return np.empty(0), []
        before, resumed = self._counter.count, self._away_s > 0
        if resumed:
            self._counter.last = None
        first_ever = math.isinf(self._last_s)
        counts = self._counter.unwrap(marks)
        if resumed:
            self._base_s, self._base_count = self._last_s + self._away_s, int(counts[0])
        t_s = self._base_s + (counts - self._base_count) / self._rate_hz
        gaps: list[RowGap] = []
        if resumed:
            gaps.append((0, Gap(self._last_s, self._away_s, max(0, round(self._away_s * self._rate_hz) - 1))))
            self._away_s = 0.0
        if resumed or first_ever:
            before = int(counts[0]) - 1
        _count_gaps(counts, before, t_s, self._last_s, gaps)
        self._last_s = float(t_s[-1])
        return t_s, gaps

    def go_on(self, line: int, n: int, arrival_s: float) -> FloatArray | None:
        """See `Clock`."""
        return None

    def resume(self, away_s: float) -> None:
        """See `Clock`."""
        if not math.isinf(self._last_s):
            self._away_s += max(away_s, self.interval_s)


class DeviceClock:
    """The device's own clock, unwrapped.

    A step back (the device was started again, or a digit was damaged without being noticed) goes on by one interval
    and is counted in `notes`. Several samples with one tick are spread by the interval.
    """

    def __init__(self, scale_s: float, modulus: float, rate_hz: float) -> None:
        self._scale_s = scale_s
        self._modulus_s = modulus * scale_s
        self._interval_s = 1.0 / rate_hz if rate_hz > 0 else 0.0
        self._steps: list[float] = []
        self._last_tick_s = math.nan
        self._offset_s = 0.0
        self._last_s = math.nan
        self._away_s = 0.0
        self.notes: dict[str, int] = {}

    @property
    def interval_s(self) -> float:
        """Nominal until 64 steps of the device are known, then their median if that is another; 0 unknown."""
        return self._interval_s

    def date(self, marks: Marks) -> tuple[FloatArray, list[RowGap]]:
        """See `Clock`."""
        if marks.ticks is None or not len(marks.ticks):
            return np.empty(0), []
        ticks_s = marks.ticks * self._scale_s
        begin = 0
        t_s = np.empty(len(ticks_s))
        gaps: list[RowGap] = []
        # one by one where there are few, while the interval is learned, and where a step is not plainly forward
        while begin < len(ticks_s):
            is_short = len(ticks_s) - begin <= _VERY_FEW
            if is_short or len(self._steps) < _LEARNED_FROM or self._away_s > 0 or math.isnan(self._last_tick_s):
                end = begin + 1
            else:
                steps = _steps(ticks_s[begin:], self._last_tick_s)
                forward = steps > 0  # False for NaN
                forward[0] &= bool(ticks_s[begin] + self._offset_s > self._last_s)
                end = begin + (len(steps) if forward.all() else int(np.argmin(forward)))
            if end - begin > 1:
                self._forward(ticks_s[begin:end], t_s[begin:end], begin, gaps)
            else:
                end = begin + 1
                self._one(float(ticks_s[begin]), t_s, begin, gaps)
            begin = end
        return t_s, gaps

    def _forward(self, ticks_s: FloatArray, t_s: FloatArray, begin: int, gaps: list[RowGap]) -> None:
        np.add(ticks_s, self._offset_s, out=t_s)
        steps = _steps(t_s, self._last_s)
        for row in np.flatnonzero(steps > 1.5 * self._interval_s).tolist():
            self._gap(float(t_s[row - 1]) if row else self._last_s, float(t_s[row]), begin + row, gaps)
        self._last_tick_s, self._last_s = float(ticks_s[-1]), float(t_s[-1])

    def _one(self, tick_s: float, t_s: FloatArray, row: int, gaps: list[RowGap]) -> None:
        interval_s = self._interval_s or self._scale_s * 1e-3
        if math.isnan(self._last_s):
            new_s = 0.0
            self._offset_s = -tick_s
        elif self._away_s > 0:
            new_s = self._last_s + self._away_s
            self._offset_s = new_s - tick_s
        elif math.isnan(tick_s):
            new_s = self._last_s + interval_s
        elif math.isnan(self._last_tick_s):
            new_s = self._last_s + interval_s
            self._offset_s = new_s - tick_s
        else:
            new_s = self._stepped(tick_s, interval_s)
        if math.isnan(self._offset_s):
            self._offset_s = 0.0
        if self._away_s > 0 or (self._interval_s and new_s - self._last_s > 1.5 * self._interval_s):
            self._gap(self._last_s, new_s, row, gaps)
        self._away_s = 0.0
        if not math.isnan(tick_s):
            self._last_tick_s = tick_s
        t_s[row] = self._last_s = new_s

    def _stepped(self, tick_s: float, interval_s: float) -> float:
        step_s = tick_s - self._last_tick_s
        if step_s < 0 and self._modulus_s and step_s + self._modulus_s < self._modulus_s / 2:
            self._offset_s += self._modulus_s
            step_s += self._modulus_s
        if step_s < 0:
            self.notes["time"] = self.notes.get("time", 0) + 1
            self._offset_s = self._last_s + interval_s - tick_s
            return self._last_s + interval_s
        self._learn(step_s)
        if step_s == 0:
            return self._last_s + interval_s
        new_s = tick_s + self._offset_s
        if new_s <= self._last_s:  # samples without a tick of their own, or many with one, had been put beyond it
            new_s = math.nextafter(self._last_s, math.inf)
        return new_s

    def _learn(self, step_s: float) -> None:
        if len(self._steps) < _LEARNED_FROM:
            self._steps.append(step_s)
            if len(self._steps) == _LEARNED_FROM:
                median = float(np.median(self._steps))
                learned = median if median > 0 else sum(self._steps) / len(self._steps)
                if learned > 0 and not 0.8 * learned < self._interval_s < 1.25 * learned:
                    self._interval_s = learned

    def _gap(self, start_s: float, end_s: float, row: int, gaps: list[RowGap]) -> None:
        missing = max(0, round((end_s - start_s) / self._interval_s) - 1) if self._interval_s else 0
        gaps.append((row, Gap(start_s, end_s - start_s, missing)))

    def go_on(self, line: int, n: int, arrival_s: float) -> FloatArray | None:
        """See `Clock`."""
        return None

    def resume(self, away_s: float) -> None:
        """See `Clock`."""
        if not math.isnan(self._last_s):
            self._away_s += max(away_s, self._interval_s or 1e-6)


class ArrivalClock:
    """A clock rebuilt from arrival times: an even count of samples, steered by how late they are.

    Bytes arrive late, never early, and lumps make most of them late: only the least lateness within half a second says
    something about the device. A second-order loop steers phase and interval by it, so that the 16 ms steps of a USB
    bridge do not reach the curve, and a device whose quartz differs from its nominal rate is followed. The first
    second only finds the least lateness: moving the zero of the axis costs nothing there.
    """

    def __init__(self, rate_hz: float, modulus: int = 0) -> None:
        self._nominal_s = 1.0 / rate_hz if rate_hz > 0 else 0.0
        self._period_s = self._nominal_s
        self._counter = _Counter(modulus)
        self._last_s = math.nan
        self._last_count = -1
        self._last_arrival_s = 0.0
        self._offset_s = 0.0  # arrival = time on the axis + offset + lateness
        self._slew = 0.0
        self._away_s = 0.0
        self._started_s, self._started_count = 0.0, -1
        self._window_end_s = 0.0
        self._look_s = -math.inf  # when the rate is looked at next; never again once the axis is settled
        self._least_late_s = math.inf
        self._pairs: deque[tuple[float, int]] = deque(maxlen=512)
        self.notes = self._counter.notes

    @property
    def interval_s(self) -> float:
        """As followed so far; 0 unknown."""
        return self._period_s

    def date(self, marks: Marks) -> tuple[FloatArray, list[RowGap]]:
        """See `Clock`."""
        n = len(marks.line)
        if not n:
            return np.empty(0), []
        arrival_s, period_s = marks.arrival_s, self._period_s
        silence_s = arrival_s - self._last_arrival_s
        counts = self._counter.unwrap(marks)
        gaps: list[RowGap] = []
        if math.isnan(self._last_s):
            return self._first(counts, arrival_s), gaps
        steps = counts - self._last_count
        n_steps = int(steps[-1])
        if self._away_s > 0:
            start_s = self._last_s + max(self._away_s - (n_steps - 1) * period_s, period_s, 1e-6)
            self._restart(arrival_s, start_s + (n_steps - int(steps[0])) * period_s)
            t_s = start_s + (counts - counts[0]) * (period_s or 1e-6)
            self._gap(start_s, gaps)
            self._away_s = 0.0
        elif period_s == 0.0:
            t_s = self._spread(counts, arrival_s)
        elif silence_s > STALL_S and n_steps < held_up(silence_s, period_s):
            # what was sent meanwhile is not in this lump, so it is lost
            end_s = max(arrival_s - self._offset_s, self._last_s + (n_steps + 1) * period_s)
            t_s = np.asarray(end_s - (counts[-1] - counts) * period_s, np.float64)
            self._gap(float(t_s[0]), gaps)
        else:
            t_s = np.asarray(self._last_s + steps * self._step_s(n_steps, arrival_s), np.float64)
            _count_gaps(counts, self._last_count, t_s, self._last_s, gaps)
        self._last_s, self._last_count, self._last_arrival_s = float(t_s[-1]), int(counts[-1]), arrival_s
        self._steer(arrival_s)
        return t_s, gaps

    def go_on(self, line: int, n: int, arrival_s: float) -> FloatArray | None:
        """See `Clock`. Between two looks, in plain numbers: numpy costs more for so few."""
        counter, last_s = self._counter, self._last_s
        late_s = arrival_s - self._offset_s - (last_s + n * self._period_s)
        if (
            arrival_s >= self._look_s
            or arrival_s - self._last_arrival_s > STALL_S
            or late_s < -_LUMP_S
            or (late_s < 0 and arrival_s - self._started_s < 2 * _WINDOW_S)
            or line - 1 != counter.last
            or n > _FEW
            or self._period_s == 0.0
        ):
            return None
        step_s = self._period_s * (1.0 + self._slew)
        if n == 1:
            t_s = _ONE_TIME.copy()  # what `np.array` looks for takes longer
            t_s[0] = last_s = last_s + step_s
        else:
            t_s = np.array([last_s + step * step_s for step in range(1, n + 1)])
            last_s += n * step_s
        counter.last = line + n - 1
        counter.count += n
        self._last_count += n
        self._last_s, self._last_arrival_s = last_s, arrival_s
        self._steer(arrival_s)
        return t_s

    def _step_s(self, n_steps: int, arrival_s: float) -> float:
        """From one count to the next, for the `n_steps` that have come."""
        late_s = arrival_s - self._offset_s - (self._last_s + n_steps * self._period_s)
        step_s = self._period_s * (1.0 + self._slew)
        if late_s < 0 and arrival_s - self._started_s < 2 * _WINDOW_S:
            self._offset_s += late_s  # dated before the axis was settled: it is the axis that is late
        elif late_s < -_LUMP_S:
            # the axis is ahead: it waits, but samples do not fall on one another, a curve would have no slope there
            step_s = max((arrival_s - self._offset_s - self._last_s) / n_steps, 0.5 * self._period_s)
        return step_s

    def _first(self, counts: IntArray, arrival_s: float) -> FloatArray:
        t_s = np.asarray((counts - counts[0]) * (self._period_s or 1e-4), np.float64)
        self._last_s, self._last_count, self._last_arrival_s = float(t_s[-1]), int(counts[-1]), arrival_s
        self._restart(arrival_s, self._last_s)
        return t_s

    def _restart(self, arrival_s: float, last_s: float) -> None:
        self._offset_s = arrival_s - last_s
        self._started_s, self._started_count = arrival_s, self._last_count
        self._window_end_s = arrival_s + 2 * _WINDOW_S
        self._look_s = arrival_s
        self._least_late_s = math.inf
        self._slew = 0.0
        self._pairs.clear()

    def _spread(self, counts: IntArray, arrival_s: float) -> FloatArray:
        """Rate not known yet: even between two arrivals."""
        end_s = max(arrival_s - self._offset_s, self._last_s + 1e-6 * len(counts))
        steps = counts - self._last_count
        return np.asarray(self._last_s + steps * ((end_s - self._last_s) / int(steps[-1])), np.float64)

    def _steer(self, arrival_s: float) -> None:
        if arrival_s >= self._look_s:
            self._look_at_rate(arrival_s)
        if self._period_s == 0.0:
            self._window_end_s = arrival_s + _WINDOW_S
            return
        # an axis that is further ahead than lumps explain waits (`_step_s`); the device has not become slower by that
        self._least_late_s = min(self._least_late_s, max(arrival_s - self._offset_s - self._last_s, -_LUMP_S))
        if arrival_s >= self._window_end_s:
            late_s = self._least_late_s
            self._period_s *= 1.0 + 0.15 * late_s / _WINDOW_S
            self._slew = 0.5 * late_s / _WINDOW_S
            self._slew = min(0.2, max(-0.2, self._slew))
            self._window_end_s = arrival_s + _WINDOW_S
            self._least_late_s = math.inf

    def _look_at_rate(self, arrival_s: float) -> None:
        self._look_s = arrival_s + _LOOK_S
        elapsed_s = arrival_s - self._started_s
        if self._nominal_s:
            if elapsed_s > 4 * _WINDOW_S:
                self._look_s = math.inf
            self._doubt_nominal(arrival_s)
        elif self._period_s == 0.0 or elapsed_s < 8 * _WINDOW_S:
            self._pairs.append((arrival_s, self._last_count))
            (first_s, first), (last_s, last) = self._pairs[0], self._pairs[-1]
            if last_s - first_s >= 2 * _WINDOW_S and last > first:
                self._period_s = (last_s - first_s) / (last - first)
        else:
            self._look_s = math.inf

    def _doubt_nominal(self, arrival_s: float) -> None:
        """Many devices can be set to several rates: one that is plainly another than the profile says is learned."""
        elapsed_s, n = arrival_s - self._started_s, self._last_count - self._started_count
        if n < 10 or elapsed_s < _DOUBT_S or elapsed_s > 4 * _WINDOW_S:
            return
        told = elapsed_s / n / self._period_s
        tolerance = 1.3 if elapsed_s < 2 * _WINDOW_S else 1.05
        if not 1 / tolerance < told < tolerance:
            self.notes["rate"] = self.notes.get("rate", 0) + 1
            self._nominal_s, self._period_s = 0.0, elapsed_s / n
            self._restart(arrival_s, self._last_s)

    def _gap(self, end_s: float, gaps: list[RowGap]) -> None:
        duration_s = end_s - self._last_s
        missing = max(0, round(duration_s / self._period_s) - 1) if self._period_s else 0
        gaps.append((0, Gap(self._last_s, duration_s, missing)))

    def resume(self, away_s: float) -> None:
        """See `Clock`."""
        if not math.isnan(self._last_s):
            self._away_s += away_s
            self._look_s = -math.inf
