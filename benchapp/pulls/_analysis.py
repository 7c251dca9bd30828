"""From the samples of one pull to the `Pull`: reading, flags, marks. One definition for files and streams."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchapp.pulls._signal import PIECE, SLOW_HZ, BoolArray, crest, last_below, level_before, longest_run_s, releases
from benchapp.pulls.pull import Flag, Mark, Mode, Noticed, Pull
from benchapp.pulls.settings import Settings
from benchapp.torque.direction import Direction
from drivers.samples import FloatArray


@dataclass(frozen=True, slots=True)
class Segment:
    """The samples of one pull, rising torque positive; index 0 is the last sample at rest before it."""

    t_s: FloatArray
    torque: FloatArray
    wrong: BoolArray
    rate_hz: float
    noise: float
    rest: float
    rest_after: float | None
    direction: Direction
    cut: bool
    overload_told: bool = False


@dataclass(frozen=True, slots=True)
class Expectation:
    """What the pull is judged against; None: not known."""

    mode: Mode
    capacity: float | None
    target: float | None
    tool_max: float | None


def steadiest(
    t_s: FloatArray, torque: FloatArray, rate_hz: float, above: float, seconds: float
) -> tuple[float, int, int] | None:
    """Find the steadiest stretch of `seconds` that stays above `above`: (mean, first, last index); None without one."""
    n = max(2, round(seconds * rate_hz))
    if len(torque) < n:
        return None
    offset = float(torque.mean())
    total = np.concatenate([[0.0], np.cumsum(torque - offset)])
    square = np.concatenate([[0.0], np.cumsum((torque - offset) ** 2)])
    low = np.concatenate([[0], np.cumsum(torque <= above)])
    begins = np.flatnonzero((low[n:] - low[:-n] == 0) & (t_s[n - 1 :] - t_s[: len(t_s) - n + 1] < 1.2 * seconds))
    if not len(begins):
        return None
    mean = (total[begins + n] - total[begins]) / n
    spread = (square[begins + n] - square[begins]) / n - mean * mean
    k = int(np.argmin(spread))
    return float(mean[k]) + offset, int(begins[k]), int(begins[k]) + n - 1


def analyse(segment: Segment, expected: Expectation, settings: Settings) -> Pull:
    """Read one pull."""
    t, v, noise, rate = segment.t_s, segment.torque, segment.noise, segment.rate_hz
    found = releases(v, rate, noise, settings)
    release = next((r for r in found if r.clear), None)
    unclear = release is None and bool(found)
    if release is None and found:
        # below 300 Hz a bounce off the stop is as long as a fall, and higher up: the share tells more there
        release = max(found, key=lambda r: r.fall / v[r.index] if rate < SLOW_HZ else r.fall)
    tops = np.maximum.reduceat(v, np.arange(0, len(v), PIECE))
    peak, peak_index = crest(t, v, rate, 0.02 if release is None else 0.002, tops)
    first_peak: float | None = None
    click: int | None = None
    gaps = _gaps(t, rate, settings)
    gap_at_release = False
    if release is not None:
        click = release.index
        first_peak = level_before(t, v, click, rate, noise)
        peak = max(peak, first_peak)
        gap_at_release = any(a <= click + 1 and b >= click for a, b in gaps)
        if gap_at_release:
            first_peak, click = None, None
    reading, index, hold_span = _reading(segment, expected.mode, settings, peak, peak_index, first_peak, click)
    time_80, slope, at_80 = _last_fifth(t, v, reading, index)
    scale = reading if reading is not None else peak
    until = index if index is not None else peak_index
    noticed: list[Noticed] = []

    def notice(
        flag: Flag, value: float | None, limit: float | None, unit: str, a: int | None = None, b: int | None = None
    ) -> None:
        noticed.append(
            Noticed(flag, value, limit, unit, None if a is None else float(t[a]), None if b is None else float(t[b]))
        )

    dip = _longest_dip(t[: until + 1], v[: until + 1], tops, scale, noise, settings)
    if dip is not None and dip.seconds > settings.jerky_s and expected.mode is not Mode.HOLD:
        notice(Flag.JERKY, dip.percent, settings.jerky_share * 100, "%", dip.begin, dip.end)
    if time_80 is not None and index is not None and expected.mode is Mode.FIRST_PEAK:
        if time_80 < settings.fast_s:
            notice(Flag.TOO_FAST, time_80, settings.fast_s, "s", at_80, index)
        elif time_80 > settings.slow_s:
            notice(Flag.TOO_SLOW, time_80, settings.slow_s, "s", at_80, index)
    if first_peak is not None and click is not None:
        above = v[click + 1 :] > first_peak
        total = float(above.sum()) / rate
        if total > settings.past_s:
            last = click + 1 + int(np.flatnonzero(above)[-1])
            notice(Flag.PAST_CLICK, total, settings.past_s, "s", click, last)
        elif peak > settings.past_share * first_peak:
            notice(
                Flag.PAST_CLICK, (peak / first_peak - 1) * 100, (settings.past_share - 1) * 100, "%", click, peak_index
            )
    if first_peak is None and expected.mode is Mode.FIRST_PEAK and not gap_at_release:
        notice(Flag.NO_CLICK, peak, None, "", peak_index, peak_index)
    if unclear and release is not None:
        notice(Flag.UNCLEAR, release.fall / max(peak, 1e-300) * 100, None, "%", release.index, release.end_index)
    again = _again(t, v, until, scale, settings)
    if again is not None:
        notice(Flag.DOUBLE, float(t[again[1]] - t[until]), settings.double_s, "s", again[0], again[1])
    if expected.target is not None and (reading is None or reading < settings.short_share * expected.target):
        notice(Flag.SHORT, 0.0 if reading is None else reading / expected.target * 100, settings.short_share * 100, "%")
    zero_limit = settings.zero_share * scale + settings.zero_noise * noise
    off = max(abs(segment.rest), abs(segment.rest_after or 0.0))
    if off > zero_limit:
        notice(Flag.ZERO_OFF, off, zero_limit, "")
    if expected.capacity is not None and (peak > expected.capacity or segment.overload_told):
        notice(Flag.OVERLOAD, peak, expected.capacity, "", peak_index, peak_index)
    if expected.tool_max is not None and peak > settings.tool_share * expected.tool_max:
        notice(Flag.TOOL_OVERLOAD, peak, settings.tool_share * expected.tool_max, "", peak_index, peak_index)
    inside = []
    if gaps:
        first_that_counts = max(last_below(v[: until + 1], 0.5 * scale), 0)
        last_that_counts = _fall_end(release.end_index if release is not None else until, until)
        inside = [(a, b) for a, b in gaps if b > first_that_counts and a <= last_that_counts]
    if inside:
        a, b = max(inside, key=lambda gap: float(t[gap[1]] - t[gap[0]]))
        notice(Flag.GAP, float(t[b] - t[a]), max(settings.gap_samples / rate, settings.gap_s), "s", a, b)
    n_wrong = int(np.count_nonzero(segment.wrong))
    if n_wrong:
        places = np.flatnonzero(segment.wrong)
        notice(Flag.SPIKE, float(n_wrong), 0.0, "samples", int(places[0]), int(places[-1]))
    if segment.cut:
        notice(Flag.CUT, None, None, "")
    order = list(Flag)
    noticed.sort(key=lambda one: order.index(one.flag))
    marks = [Mark("start", float(t[0]), float(v[0]))]
    if at_80 is not None:
        marks.append(Mark("80", float(t[at_80]), float(v[at_80])))
    if hold_span is not None:
        marks += [
            Mark(name, float(t[k]), float(v[k])) for name, k in zip(("hold-start", "hold-end"), hold_span, strict=True)
        ]
    if click is not None and first_peak is not None and release is not None:
        marks += [
            Mark("click", float(t[click]), first_peak),
            Mark("fall-end", float(t[release.end_index]), float(v[release.end_index])),
        ]
    marks += [Mark("peak", float(t[peak_index]), peak), Mark("end", float(t[-1]), float(v[-1]))]
    marks.sort(key=lambda mark: mark.time_s)
    hides = abs(slope) / rate / reading * 100 if slope is not None and reading else None
    return Pull(
        start_s=float(t[0]),
        end_s=float(t[-1]),
        direction=segment.direction,
        mode=expected.mode,
        reading=reading,
        reading_time_s=None if index is None else float(t[index]),
        peak=peak,
        first_peak=first_peak,
        rest=segment.rest,
        rest_after=segment.rest_after,
        time_80_to_100_s=time_80,
        loading_rate_per_s=slope,
        flags=tuple(one.flag for one in noticed),
        noticed=tuple(noticed),
        marks=tuple(marks),
        sampling_hides_percent=hides,
    )


@dataclass(frozen=True, slots=True)
class _Dip:
    """The longest stay below what had been reached: how long, its samples, how deep at the worst."""

    seconds: float
    begin: int
    end: int
    percent: float


_TOGETHER = 1 << 15  # intervals looked at together: they stay in a near cache


def _longest_dip(
    t: FloatArray, v: FloatArray, tops: FloatArray, scale: float, noise: float, settings: Settings
) -> _Dip | None:
    """The dip of the flag jerky; None without one. `tops`: greatest of each `PIECE` samples of the whole pull."""
    at = np.arange(0, len(v), PIECE)
    reached = np.maximum.accumulate(tops[: len(at)])
    # a dip's sample is the least of its piece or above it; what had been reached by then is no more than by its end
    fell = reached - np.minimum.reduceat(v, at)
    may = np.flatnonzero(
        (reached > settings.jerky_from * scale)
        & (fell > settings.jerky_share * reached)
        & (fell > settings.jerky_noise * noise)
    )
    if not len(may):
        return None
    first, last = int(may[0]), int(may[-1])
    begin = first * PIECE
    before = float(reached[first - 1]) if first else -np.inf
    v, t = v[: (last + 1) * PIECE + 1], t[: (last + 1) * PIECE + 1]
    rest = v[begin:]
    running = np.maximum(np.maximum.accumulate(rest), before)
    fallen = running - rest
    dips = (
        (running > settings.jerky_from * scale)
        & (fallen > settings.jerky_share * running)
        & (fallen > settings.jerky_noise * noise)
    )
    seconds, a, b = longest_run_s(t[begin:], dips)
    if not seconds:
        return None
    worst = a + int(np.argmax(fallen[a : b + 1]))
    return _Dip(seconds, begin + a, begin + b, float(fallen[worst] / running[worst] * 100))


def _reading(
    segment: Segment,
    mode: Mode,
    settings: Settings,
    peak: float,
    peak_index: int,
    first_peak: float | None,
    click: int | None,
) -> tuple[float | None, int | None, tuple[int, int] | None]:
    if mode is Mode.FIRST_PEAK:
        return first_peak, click, None
    if mode is Mode.PEAK:
        return peak, peak_index, None
    held = steadiest(segment.t_s, segment.torque, segment.rate_hz, 0.5 * peak, settings.hold_s)
    if held is None:
        return None, None, None
    mean, a, b = held
    return mean, (a + b) // 2, (a, b)


def _last_fifth(
    t: FloatArray, v: FloatArray, reading: float | None, index: int | None
) -> tuple[float | None, float | None, int | None]:
    """(time from 80 to 100 %, slope of the line over it, index where it begins)."""
    if reading is None or index is None:
        return None, None, None
    begin = min(last_below(v[: index + 1], 0.8 * reading) + 1, index)
    slope = None
    if index - begin >= 1:
        slope = _slope(t[begin : index + 1], v[begin : index + 1])
    elif index >= 1:
        slope = float((v[index] - v[index - 1]) / (t[index] - t[index - 1]))
    return float(t[index] - t[begin]), slope, begin


def _slope(t: FloatArray, v: FloatArray) -> float:
    """Slope of the straight line through samples, in pieces that stay in a near cache, by one thread."""
    n = len(t)
    t0, v0 = 0.5 * float(t[0] + t[-1]), 0.5 * float(v[0] + v[-1])
    sums = np.zeros(4)
    for low in range(0, n, _TOGETHER):
        at, off = t[low : low + _TOGETHER] - t0, v[low : low + _TOGETHER] - v0
        sums += at.sum(), off.sum(), np.einsum("i,i", at, at), np.einsum("i,i", at, off)
    return float((sums[3] - sums[0] * sums[1] / n) / (sums[2] - sums[0] * sums[0] / n))


def _gaps(t: FloatArray, rate: float, settings: Settings) -> list[tuple[int, int]]:
    least = max(settings.gap_samples / rate, settings.gap_s) + 0.5 / rate
    found: list[tuple[int, int]] = []
    for low in range(0, len(t) - 1, _TOGETHER):
        step = np.diff(t[low : low + _TOGETHER + 1])
        if step.max() > least:
            found += [(low + int(k), low + int(k) + 1) for k in np.flatnonzero(step > least)]
    return found


def _fall_end(end_index: int, until: int) -> int:
    return max(end_index, until)


def _again(t: FloatArray, v: FloatArray, until: int, scale: float, settings: Settings) -> tuple[int, int] | None:
    """(index of the low, index of the rise) of a second application before rest."""
    after = v[until:]
    low = np.flatnonzero(after < settings.double_low * scale)
    if not len(low):
        return None
    rise = np.flatnonzero(
        (after[low[0] :] > settings.double_high * scale) & (t[until + low[0] :] - t[until] > settings.double_s)
    )
    return (until + int(low[0]), until + int(low[0]) + int(rise[0])) if len(rise) else None
