"""From the samples of one pull to the `Pull`: reading, flags, marks. One definition for files and streams."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from benchapp.pulls._extremes import Extremes
from benchapp.pulls._faults import above, again, gaps_in_fall, longest_dip, may_hide_click
from benchapp.pulls._lengths import SLOW_HZ
from benchapp.pulls._levels import crest, last_below, level_before, slope
from benchapp.pulls._release import Release, between, releases
from benchapp.pulls._wrong import BoolArray
from benchapp.pulls.pull import Flag, Mark, Mode, Noticed, Pull
from benchapp.pulls.settings import Settings
from benchapp.torque.direction import Direction
from drivers.samples import FloatArray

_ORDER = {flag: place for place, flag in enumerate(Flag)}
_HELD_SHARE: Final = 0.012
"""Standard deviation of what is held, share of its mean: a hand that aims by eye stays within 1 %; a slow ramp …"""
_HELD_NOISE: Final = 3.0  # … does not, but noise alone is always steady
_HELD_KNOWN: Final = 0.8  # of the samples of a hold: with fewer nobody knows what was held
_CORNER_S: Final = 0.004  # the greatest torque lies so near to the click: it is where the tool let go


class Segment(NamedTuple):
    """The samples of one pull, rising torque positive; index 0 is the last sample at rest before it.

    `missing` are neighbours with a gap between them; no piece of `extremes` lasts longer than `piece_s`; `wrong` is
    None when no sample was.
    """

    t_s: FloatArray
    torque: FloatArray
    extremes: Extremes
    missing: list[tuple[int, int]]
    piece_s: float
    wrong: BoolArray | None
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


def is_held(torque: FloatArray, noise: float) -> bool:
    """True when samples of the time of a hold are steady enough for one; `torque` rising positive."""
    return bool(torque.std() < max(_HELD_SHARE * float(torque.mean()), _HELD_NOISE * noise))


def hold_begin(t_s: FloatArray, stop: int, rate_hz: float, seconds: float) -> int | None:
    """Where the `seconds` of a hold begin that end before sample `stop`; None where too little of them was recorded."""
    begin = int(np.searchsorted(t_s[:stop], t_s[stop - 1] - seconds + 0.5 / rate_hz))
    return begin if stop - begin >= _HELD_KNOWN * round(seconds * rate_hz) else None


def steadiest(
    t_s: FloatArray, torque: FloatArray, rate_hz: float, above: float, seconds: float
) -> tuple[float, int, int] | None:
    """Find the steadiest stretch of `seconds` that stays above `above`: (mean, first, last index); None without one.

    It is a stretch of time: where samples are missing it holds fewer, and too few are none.
    """
    n = max(2, round(seconds * rate_hz))
    if len(torque) < n:
        return None
    spans = t_s[n - 1 :] - t_s[: len(t_s) - n + 1]
    begins = np.arange(len(spans))
    if max(float(spans.max()) - seconds, float(spans.max() - spans.min())) < 0.5 / rate_hz:
        ends = begins + n
    else:
        begins = np.arange(int(np.searchsorted(t_s, t_s[-1] - seconds + 1.5 / rate_hz)))
        ends = np.searchsorted(t_s, t_s[begins] + (seconds - 0.5 / rate_hz))
    offset = float(torque.mean())
    total = np.concatenate([[0.0], np.cumsum(torque - offset)])
    square = np.concatenate([[0.0], np.cumsum((torque - offset) ** 2)])
    low = np.concatenate([[0], np.cumsum(torque <= above)])
    may = (low[ends] == low[begins]) & (ends - begins >= _HELD_KNOWN * n)
    if not may.any():
        return None
    begins, ends = begins[may], ends[may]
    counts = ends - begins
    mean = (total[ends] - total[begins]) / counts
    spread = (square[ends] - square[begins]) / counts - mean * mean
    k = int(np.argmin(spread))
    return float(mean[k]) + offset, int(begins[k]), int(ends[k]) - 1


def _is_its_last_sample(release: Release, v: FloatArray) -> bool:
    """The fall lies between the last two samples, more than half of it."""
    return release.end_index == len(v) - 1 and bool(v[-2] > (v[release.index] + v[-1]) / 2)


def analyse(segment: Segment, expected: Expectation, settings: Settings) -> Pull:
    """Read one pull."""
    t, v, extremes, noise, rate = segment.t_s, segment.torque, segment.extremes, segment.noise, segment.rate_hz
    missing = segment.missing
    found = releases(v, extremes, rate, noise, settings, beyond_crest=bool(missing))
    release, hiding = _letting_go(segment, found, missing, settings)
    # of a fall that is one sample long when the recording ends nobody knows whether it went on
    unclear = release is not None and (not release.clear or (segment.cut and _is_its_last_sample(release, v)))
    peak, peak_index = crest(t, v, extremes, rate, 0.02 if release is None else 0.002, missing)
    first_peak: float | None = None
    click: int | None = None
    if release is not None and not hiding:
        click = release.index
        first_peak = level_before(t, v, click, rate, noise)
        if abs(peak_index - click) <= round(_CORNER_S * rate):
            # no parabola goes round a corner: at 10 kHz it overshot a clean one by 0.6 %
            peak, peak_index = first_peak, click
        peak = max(peak, first_peak)
    reading, index, hold_span = _reading(segment, expected.mode, settings, peak, peak_index, first_peak, click)
    time_80, rate_of_loading, at_80 = _last_fifth(t, v, extremes, reading, index)
    scale = reading if reading is not None else peak
    until = index if index is not None else peak_index
    noticed: list[Noticed] = []

    def notice(
        flag: Flag, value: float | None, limit: float | None, unit: str, a: int | None = None, b: int | None = None
    ) -> None:
        noticed.append(
            Noticed(flag, value, limit, unit, None if a is None else float(t[a]), None if b is None else float(t[b]))
        )

    # the time of a held reading is open, and coming back to the mark from above is no jerk: the rise ends at the crest
    rise_end = min(until, peak_index) if expected.mode is Mode.HOLD else until
    dip = longest_dip(t, v, extremes, segment.piece_s, rise_end, scale, noise, settings)
    if dip is not None:
        notice(Flag.JERKY, dip.percent, settings.jerky_share * 100, "%", dip.begin, dip.end)
    if time_80 is not None and index is not None:
        if time_80 < settings.fast_s:
            notice(Flag.TOO_FAST, time_80, settings.fast_s, "s", at_80, index)
        elif time_80 > settings.slow_s:
            notice(Flag.TOO_SLOW, time_80, settings.slow_s, "s", at_80, index)
    if first_peak is not None and click is not None:
        total, last = above(t, v, extremes, click + 1, first_peak)
        if total > settings.past_s:
            notice(Flag.PAST_CLICK, total, settings.past_s, "s", click, last)
        elif peak > settings.past_share * first_peak:
            notice(
                Flag.PAST_CLICK, (peak / first_peak - 1) * 100, (settings.past_share - 1) * 100, "%", click, peak_index
            )
    inside = _gaps_that_count(segment, expected.mode, missing, hiding, release, until, scale)
    unknown = hiding or any(may_hide_click(t, v, gap, settings) for gap in inside)
    if first_peak is None and expected.mode is Mode.FIRST_PEAK and not unknown:
        slow = between(v, extremes, rate, noise, settings) if release is None else None
        if slow is None:
            notice(Flag.NO_CLICK, peak, None, "", peak_index, peak_index)
        else:
            notice(Flag.UNCLEAR, float(t[slow[1]] - t[slow[0]]), settings.arm_s, "s", *slow)
    if unclear and release is not None:
        notice(Flag.UNCLEAR, release.fall / max(peak, 1e-300) * 100, None, "%", release.index, release.end_index)
    second = again(t, v, extremes, until, scale, settings)
    if second is not None:
        notice(Flag.DOUBLE, float(t[second[1]] - t[until]), settings.double_s, "s", second[0], second[1])
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
    if inside:
        a, b = max(inside, key=lambda gap: float(t[gap[1]] - t[gap[0]]))
        notice(Flag.GAP, float(t[b] - t[a]), max(settings.gap_samples / rate, settings.gap_s), "s", a, b)
    places = segment.wrong.nonzero()[0].tolist() if segment.wrong is not None else []
    if places:
        notice(Flag.SPIKE, float(len(places)), 0.0, "samples", places[0], places[-1])
    if segment.cut:
        notice(Flag.CUT, None, None, "")
    noticed.sort(key=lambda one: _ORDER[one.flag])
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
    hides = abs(rate_of_loading) / rate / reading * 100 if rate_of_loading is not None and reading else None
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
        loading_rate_per_s=rate_of_loading,
        flags=tuple(one.flag for one in noticed),
        noticed=tuple(noticed),
        marks=tuple(marks),
        sampling_hides_percent=hides,
    )


def _letting_go(
    segment: Segment, found: list[Release], missing: list[tuple[int, int]], settings: Settings
) -> tuple[Release | None, list[tuple[int, int]]]:
    """(where the tool let go or likeliest did, gaps that hide it); no gap can hide a fall that was not found."""
    v, rate = segment.torque, segment.rate_hz
    clear = [one for one in found if one.clear]
    if not found:
        return None, []
    if not clear:
        # below 300 Hz a bounce off the stop is as long as a fall, and higher up: the share tells more there
        likeliest = max(found, key=lambda one: one.fall / v[one.index] if rate < SLOW_HZ else one.fall)
        return likeliest, gaps_in_fall(v, likeliest, missing, rate)
    hiding = gaps_in_fall(v, clear[0], missing, rate)
    if hiding:
        # an arm's dip with a gap in it looks like a fall; the click comes further up than a hand is carried past one
        higher = settings.past_share * float(v[clear[0].index])
        for one in clear[1:]:
            if v[one.index] > higher and not gaps_in_fall(v, one, missing, rate):
                return one, []
    return clear[0], hiding


def _gaps_that_count(
    segment: Segment,
    mode: Mode,
    missing: list[tuple[int, int]],
    hiding: list[tuple[int, int]],
    release: Release | None,
    until: int,
    scale: float,
) -> list[tuple[int, int]]:
    """Gaps of the flag: from half of the rise to the end of the fall; in mode hold as long as it is above half."""
    if not missing:
        return []
    first = max(last_below(segment.torque, segment.extremes, until + 1, 0.5 * scale), 0)
    last = max(release.end_index if release is not None else until, until)
    if mode is Mode.HOLD:
        last = max(last, above(segment.t_s, segment.torque, segment.extremes, until, 0.5 * scale)[1])
    return [(a, b) for a, b in missing if (b > first and a <= last) or (a, b) in hiding]


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
    if not is_held(segment.torque[a : b + 1], segment.noise):
        return None, None, None
    return mean, (a + b) // 2, (a, b)


def _last_fifth(
    t: FloatArray, v: FloatArray, extremes: Extremes, reading: float | None, index: int | None
) -> tuple[float | None, float | None, int | None]:
    """(time from 80 to 100 %, slope of the line over it, index where it begins)."""
    if reading is None or index is None:
        return None, None, None
    before = last_below(v, extremes, index + 1, 0.8 * reading)
    if before < 0:
        return None, None, None  # the recording begins later: nobody knows how long it took
    begin = min(before + 1, index)
    rate = None
    if index - begin >= 1:
        rate = slope(t[begin : index + 1], v[begin : index + 1])
    elif index >= 1:
        rate = float((v[index] - v[index - 1]) / (t[index] - t[index - 1]))
    return float(t[index] - t[begin]), rate, begin
