"""A labelled collection of pulls: traces as a link would deliver them, with the truth about each.

Whoever reads pulls is measured against it. It shares no code with any reader: the truth comes from the noise-free
curve behind the transducer's filter and from what was put in, and faults are told from that curve by their written
definitions. Where a definition is a limit, a pull close to the limit neither must nor must not be flagged.

The same seed gives the same collection; item `k` does not depend on how many are asked for.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from simulator import hand
from simulator.bench import Bench, WholePull, whole_pull
from simulator.hand import Intention
from simulator.signals import FloatArray
from simulator.tools import Kind, ToolSettings, draw_mechanism
from simulator.transducer import TransducerSettings

FAMILIES: Final = (
    "clean",
    "weak",
    "jerky",
    "tremor",
    "snatched",
    "past-click",
    "short",
    "slips",
    "wrong-samples",
    "missing",
    "hum",
    "offset",
    "anticlockwise",
    "nothing",
    "double",
    "indicating",
)
RATES_HZ: Final = (100.0, 200.0, 250.0, 500.0, 1000.0, 1000.0, 2000.0, 5000.0, 10_000.0)
WHOLE: Final = 16 * 216  # 3,240 stretches with a pull and 216 with nothing
INNER_HZ: Final = 20_000.0

ALL_FLAGS: Final = (
    "jerky",
    "too-fast",
    "too-slow",
    "past-click",
    "no-click",
    "unclear",
    "double",
    "short",
    "zero-off",
    "overload",
    "tool-overload",
    "gap",
    "spike",
    "cut",
)


@dataclass(frozen=True, slots=True)
class TruePull:
    """One pull that was made. Torques are magnitudes in N·m, times on the stretch's axis.

    Attributes:
        start_s: Torque leaves the rest level by more than the threshold of a pull.
        end_s: It is back.
        direction: "clockwise" or "anticlockwise".
        first_peak: What the filter passes at the letting-go, zero error included, noise and hum not; None without.
        first_peak_s: When.
        peak: Greatest of the same curve over the whole pull; wrong samples do not count.
        hold: Mean of the steadiest half second above half the peak; None when the mode is another.
        hold_low: Least mean of any half second nearly as steady: noise may make that one the steadiest.
        hold_high: Greatest such mean.
        click_s: Times at which the mechanism let go, oldest first; more than one for slips and doubles.
        unambiguous: False where the fall drowns in tremor, noise, filter or sampling, or a gap covers the release.
        why: What it drowns in; "" when unambiguous.
        loading_rate_nm_per_s: Slope of the line over the last fifth; None without a reading.
        local_rate_nm_per_s: Greatest slope of the curve over the sampling interval before the first peak (tremor makes
            this larger than the rate of loading); None without one.
        fall_share: Depth of the fall within 30 ms, share of the first peak; None without one.
        must: Flags that by their definitions have to be raised.
        must_not: Flags that must not.
    """

    start_s: float
    end_s: float
    direction: str
    first_peak: float | None
    first_peak_s: float | None
    peak: float
    hold: float | None
    hold_low: float | None
    hold_high: float | None
    click_s: tuple[float, ...]
    unambiguous: bool
    why: str
    loading_rate_nm_per_s: float | None
    local_rate_nm_per_s: float | None
    fall_share: float | None
    must: frozenset[str]
    must_not: frozenset[str]


@dataclass(frozen=True, slots=True)
class LabelledStretch:
    """One recorded stretch and the truth about it.

    Attributes:
        number: Running number in its collection.
        family: One of `FAMILIES`.
        t_s: Shape (n,), seconds, strictly rising; samples that went missing are not there.
        torque: Shape (n,), N·m, as the transducer sent it, quantised.
        rate_hz: Nominal.
        unit: "N·m".
        capacity: Of the reference.
        resolution: Step of the numbers.
        noise: Standard deviation at rest, hum included.
        target: What was to be reached.
        mode: "first-peak", "peak" or "hold".
        tool_max: The tool's maximum.
        tool: Its kind.
        filter_hz: The transducer's low-pass.
        pulls: What was done, oldest first; empty for nothing.
    """

    number: int
    family: str
    t_s: FloatArray
    torque: FloatArray
    rate_hz: float
    unit: str
    capacity: float
    resolution: float
    noise: float
    target: float
    mode: str
    tool_max: float
    tool: str
    filter_hz: float
    pulls: tuple[TruePull, ...]


def collection(n: int | None = None, seed: int = 1) -> Iterator[LabelledStretch]:
    """Yield `n` labelled stretches, families in turn; None: all `WHOLE` of them.

    >>> [item.family for item in collection(3, seed=4)]
    ['clean', 'weak', 'jerky']
    """
    for number in range(WHOLE if n is None else n):
        yield stretch(number, seed)


def stretch(number: int, seed: int = 1) -> LabelledStretch:
    """Return item `number` of the collection of `seed`."""
    family = FAMILIES[number % len(FAMILIES)]
    item = _make(number, family, np.random.default_rng((seed, number)), seed)
    if family == "clean":
        # clean means that by the definitions nothing is to be noticed; one in ten of the steady pulls is not
        for attempt in range(1, 20):
            if not any(pull.must for pull in item.pulls):
                break
            item = _make(number, family, np.random.default_rng((seed, number, attempt)), seed)
    return item


def _log_uniform(random: np.random.Generator, low: float, high: float) -> float:
    return math.exp(random.uniform(math.log(low), math.log(high)))


def _make(number: int, family: str, random: np.random.Generator, seed: int) -> LabelledStretch:
    driver = family == "slips" or (family not in ("indicating", "nothing") and random.random() < 0.25)
    target = _log_uniform(random, 2.0, 12.0) if driver else _log_uniform(random, 2.0, 1000.0)
    if family == "slips":
        kind = Kind.SLIPPING_SCREWDRIVER
    elif family == "indicating":
        kind = Kind.DIAL_WRENCH if random.random() < 0.5 else Kind.ELECTRONIC_WRENCH
    else:
        kind = Kind.CLICK_SCREWDRIVER if driver else Kind.CLICK_WRENCH
    rate = float(RATES_HZ[int(random.integers(len(RATES_HZ)))])
    capacity = target * _log_uniform(random, 1.1, 3.5 if family == "double" else 5.0)
    noise = _log_uniform(random, 2e-5, 5e-4)
    settings = TransducerSettings(
        capacity_nm=capacity,
        rate_hz=rate,
        filter_hz=min(rate * random.uniform(0.2, 0.45), 2000.0),
        filter_order=1 if random.random() < 0.6 else 2,
        noise=noise,
        resolution_nm=10.0 ** math.floor(math.log10(capacity * random.uniform(2e-5, 2e-4))),
    )
    if family == "hum":
        settings.hum = 0.004 * random.uniform(0.7, 1.0) * target / capacity
        settings.hum_hz = random.choice((49.98, 50.01, 59.97, 60.02))
    if family == "offset":
        settings.offset_nm = random.choice((-1.0, 1.0)) * target * _log_uniform(random, 0.0008, 0.02)
        settings.drift_nm_per_s = random.choice((-1.0, 1.0)) * target * _log_uniform(random, 2e-5, 4e-4)
    tool = ToolSettings(
        kind,
        maximum_nm=target / random.choice((0.2, 0.4, 0.6, 0.8, 1.0, 1.0)),
        setting_nm=target,
        error_percent=random.normal(0.0, 2.5),
        spread_percent=0.4,
        weak=family == "weak",
    )
    arm = hand.draw_arm(random, shaky=family == "tremor")
    bench = Bench(
        arm,
        tool,
        draw_mechanism(kind, tool.maximum_nm, tool.weak, random),
        settings,
        np.random.SeedSequence((seed, number, 7)),
        INNER_HZ,
    )
    anticlockwise = family == "anticlockwise" or (family != "clean" and random.random() < 0.15)
    bench.sign = -1.0 if anticlockwise else 1.0
    mode = "first-peak"
    if family == "indicating":
        mode = "peak" if random.random() < 0.5 else "hold"
    first_offset, first_drift = settings.offset_nm, settings.drift_nm_per_s
    if family == "nothing":
        whole = _nothing(bench, random)
    else:
        whole = whole_pull(
            bench,
            _intention(family, target, random),
            before_s=random.uniform(0.5, 2.0),
            after_s=random.uniform(0.5, 1.2),
        )
    true = bench.sign * (whole.true_nm + first_offset + first_drift * (whole.true_t_s + 1.0 / rate))
    torque, t_s = whole.torque_nm, whole.t_s
    noise_nm = math.sqrt((noise * capacity) ** 2 + (settings.hum * capacity) ** 2 / 2 + settings.resolution_nm**2 / 12)
    pulls: tuple[TruePull, ...] = ()
    if family != "nothing":
        truth = _Truth(
            whole, true, noise_nm, capacity, target, tool.maximum_nm, mode, rate, arm.tremor * arm.tremor_hz, arm.tremor
        )
        label = truth.label("anticlockwise" if anticlockwise else "clockwise")
        if family == "wrong-samples":
            torque, inside = _wrong_samples(torque, t_s, label, target, bench.sign, random, settings.resolution_nm)
            label = _with(label, "spike", inside)
        if family == "missing":
            keep, gap = _missing(t_s, label, rate, random)
            label = truth.with_gap(label, t_s, keep, gap)
            t_s, torque = t_s[keep], torque[keep]
        pulls = (label,)
    return LabelledStretch(
        number,
        family,
        t_s,
        torque,
        rate,
        "N·m",
        capacity,
        settings.resolution_nm,
        noise_nm,
        target,
        mode,
        tool.maximum_nm,
        kind.value,
        settings.filter_hz,
        pulls,
    )


def _intention(family: str, target: float, random: np.random.Generator) -> Intention:
    if family == "jerky":
        return hand.jerky(target, random)
    if family == "snatched":
        return hand.snatched(target, random)
    if family == "past-click":
        return hand.past_click(target, random)
    if family == "short":
        return hand.short(target, random)
    if family == "double":
        return hand.twice(target, random)
    if family == "indicating":
        return hand.reach(target, random, hold_s=random.uniform(0.8, 3.0), overshoot=random.uniform(-0.04, 0.05))
    plan = hand.steady(target, random)
    if family == "slips":
        plan = replace(plan, reaction_s=random.uniform(0.2, 1.2))
    return plan


def _nothing(bench: Bench, random: np.random.Generator) -> WholePull:
    """Rest, with what a bench does at rest: a drifting zero, a knock now and then, no pull."""
    settings = bench.transducer.settings
    seconds = random.uniform(60.0, 180.0) if settings.rate_hz <= 1000.0 else random.uniform(10.0, 40.0)
    settings.drift_nm_per_s = random.normal(0.0, 0.002) * settings.capacity_nm / seconds
    n = int(seconds * settings.rate_hz)
    # at rest the inner clock has nothing to resolve but knocks
    passed = np.zeros(n)
    for at in random.integers(0, max(n - 1, 1), int(random.integers(0, 4))):
        t = np.arange(int(0.05 * settings.rate_hz)) / settings.rate_hz
        blow = random.uniform(0.005, 0.04) * settings.capacity_nm * np.exp(-t / 0.006)
        blow *= np.cos(2 * np.pi * min(90.0, 0.3 * settings.rate_hz) * t)
        passed[at : at + len(t)] += blow[: n - at]
    t_s: FloatArray = np.arange(n, dtype=np.float64) / settings.rate_hz
    torque = bench.transducer.rounded(bench.transducer.sample(np.repeat(passed, bench.every)))
    return WholePull(t_s, torque, t_s, passed, passed, ())


def _with(label: TruePull, flag: str, raised: bool) -> TruePull:
    """`label` with `flag` demanded, or left open (it is among those that must not by default)."""
    if not label.unambiguous:
        return label
    must = label.must | {flag} if raised else label.must
    return replace(label, must=must, must_not=label.must_not - {flag} if raised else label.must_not)


def _wrong_samples(
    torque: FloatArray,
    t_s: FloatArray,
    label: TruePull,
    target: float,
    sign: float,
    random: np.random.Generator,
    resolution: float,
) -> tuple[FloatArray, bool]:
    """One to four isolated samples that lie, up to 2.5 × target, a third of the target off the curve at least."""
    torque = torque.copy()
    inside = np.flatnonzero((t_s > label.start_s + 0.05) & (t_s < label.end_s - 0.05))
    keep_off = 4
    if label.first_peak_s is not None:  # one on the release itself nobody could tell
        k = int(np.searchsorted(t_s, label.first_peak_s))
        inside = inside[(inside < k - keep_off) | (inside > k + max(keep_off, 0.03 / (t_s[1] - t_s[0])))]
    chosen: list[int] = []
    for count in range(int(random.integers(1, 5))):
        places = inside if count == 0 or random.random() < 0.6 else np.arange(keep_off, len(torque) - keep_off)
        place = int(random.choice(places))
        if any(abs(place - other) < 6 for other in chosen) or (
            label.first_peak_s is not None and abs(t_s[place] - label.first_peak_s) < 5 * (t_s[1] - t_s[0])
        ):
            continue
        here = sign * torque[place]
        options = [
            v for v in (random.uniform(-0.5, 2.5, 12) * target).tolist() if abs(v - here) > 0.34 * target
        ]  # 12 draws: at least 3 of 10 always lie far enough
        wrong = options[0] if options else 2.5 * target
        torque[place] = sign * round(wrong / resolution) * resolution
        chosen.append(place)
    return torque, any(label.start_s < t_s[k] < label.end_s for k in chosen)


def _missing(
    t_s: FloatArray, label: TruePull, rate: float, random: np.random.Generator
) -> tuple[np.ndarray[tuple[int], np.dtype[np.bool_]], tuple[float, float]]:
    """Take 30 to 120 ms away: mostly on the rise, at times elsewhere in the pull, rarely over the release."""
    width = random.uniform(0.03, 0.12)
    where = random.random()
    release = label.first_peak_s if label.first_peak_s is not None else label.end_s
    if where < 0.6:
        latest = release - width - max(0.02, 3.0 / rate)
        begin = random.uniform(label.start_s + 0.35 * (release - label.start_s), max(latest, label.start_s))
    elif where < 0.92:
        before = random.random() < 0.5
        begin = (
            random.uniform(label.start_s, label.start_s + 0.2 * (release - label.start_s))
            if before
            else random.uniform(min(release + 0.2, label.end_s), label.end_s)
        )
    else:
        begin = release - random.uniform(0.1, 0.9) * width
    keep = ~((t_s >= begin) & (t_s < begin + width))
    return keep, (begin, begin + width)


class _Truth:
    """What the noise-free curve says by the definitions of pull, reading and faults."""

    def __init__(
        self,
        whole: WholePull,
        true: FloatArray,
        noise: float,
        capacity: float,
        target: float,
        tool_max: float,
        mode: str,
        rate: float,
        tremor_slope: float,
        tremor: float,
    ) -> None:
        self.t, self.v = whole.true_t_s, true
        self.dt = float(self.t[1] - self.t[0])
        self.noise, self.capacity, self.target, self.tool_max = noise, capacity, target, tool_max
        self.mode, self.rate = mode, rate
        self.tremor, self.tremor_slope = tremor, tremor_slope
        self.clicks = whole.click_s
        self.rest_before, self.rest_after = float(self.v[0]), float(self.v[-1])
        self.fall_end_s = math.inf

    def label(self, direction: str) -> TruePull:
        """The label of the one pull of the stretch."""
        v, t = self.v, self.t
        threshold = max(5.0 * self.noise, 0.01 * self.capacity)
        drift = np.linspace(self.rest_before, self.rest_after, len(v))
        up = np.flatnonzero(v - drift > threshold)
        start, end = int(up[0]), int(up[-1])
        top = int(np.argmax(v))
        peak = float(v[top])
        first, why, fall = None, "", None
        if self.clicks:
            first, why, fall = self._first_peak(round((self.clicks[0] - t[0]) / self.dt), end)
        hold = self._hold(peak, start, end) if self.mode == "hold" else (None, None, None)
        reading_at: int | None = first if self.mode == "first-peak" else top
        rise_s, slope = self._last_fifth(reading_at) if reading_at is not None else (None, None)
        must, must_not = self._flags(start, end, top, first, reading_at, rise_s, hold[0])
        local = None
        if first is not None:
            one = max(round(1.0 / (self.rate * self.dt)), 1)
            # over the last few sampling intervals, whichever rises most
            local = max(float(v[first - k * one] - v[first - (k + 1) * one]) for k in range(3)) / (one * self.dt)
        if why:
            must, must_not = set(), set()
        return TruePull(
            float(t[start]),
            float(t[end]),
            direction,
            None if first is None else float(v[first]),
            None if first is None else float(t[first]),
            peak,
            *hold,
            self.clicks,
            not why,
            why,
            slope,
            local,
            fall,
            frozenset(must),
            frozenset(must_not),
        )

    def _first_peak(self, click: int, end: int) -> tuple[int | None, str, float | None]:
        """Index of the first peak behind the filter, why it can't be told (or ""), depth of the fall within 30 ms."""
        v = self.v
        falling = np.flatnonzero(np.diff(v[click : min(click + int(0.1 / self.dt), end)]) < 0.0)
        if not len(falling):
            return click, "the filter passes no fall", 0.0
        first = click + int(falling[0])
        top = float(v[first])
        again = np.flatnonzero(v[first + 1 : end + 1] >= top)
        back = first + 1 + int(again[0]) if len(again) else end
        near = v[first : min(back, first + int(0.03 / self.dt)) + 1]
        depth = top - float(near.min())
        fallen = int(np.argmax(near <= top - 0.9 * depth))
        self.fall_end_s = float(self.t[first + int(np.argmin(near))])
        speed = depth / max(fallen * self.dt, self.dt)
        swing = math.sqrt(2.0) * 2.0 * math.pi * self.tremor_slope * top  # steepest of an average tremor
        every = 1.0 / (self.rate * self.dt)
        low = np.flatnonzero(v[first : back + 1] < top - 0.5 * depth) + first
        n_low = int(low[-1] / every) - int((low[0] - 1) / every) if len(low) else 0
        why = ""
        if depth < max(0.01 * top, 6.0 * self.noise):
            why = "the fall is no deeper than noise or filter leave it"
        elif depth < 4.0 * self.tremor * top and speed < 2.0 * swing:
            why = "the fall drowns in tremor"
        elif n_low < 2:
            why = "the fall lies between samples"
        return first, why, depth / top

    def _last_fifth(self, at: int) -> tuple[float, float]:
        below = np.flatnonzero(self.v[: at + 1] < 0.8 * self.v[at])
        begin = int(below[-1]) + 1 if len(below) else 0
        if at - begin < 2:
            return (at - begin) * self.dt, math.inf
        t, v = self.t[begin : at + 1], self.v[begin : at + 1]
        centred = t - t.mean()
        return float(t[-1] - t[0]), float(centred @ v / (centred @ centred))

    def _hold(self, peak: float, start: int, end: int) -> tuple[float | None, float | None, float | None]:
        n = round(0.5 / self.dt)
        total = np.concatenate([[0.0], np.cumsum(self.v - peak)])
        square = np.concatenate([[0.0], np.cumsum((self.v - peak) ** 2)])
        begins = np.arange(start, max(end - n, start) + 1, 20)
        high = np.concatenate([[0], np.cumsum(self.v > 0.5 * peak)])
        begins = begins[(begins + n < len(total)) & (high[np.minimum(begins + n, len(high) - 1)] - high[begins] == n)]
        if not len(begins):
            return None, None, None
        mean = (total[begins + n] - total[begins]) / n
        spread = np.sqrt(np.maximum((square[begins + n] - square[begins]) / n - mean**2, 0.0))
        close = spread <= 1.3 * spread.min() + self.noise * 0.3
        means = mean + peak
        return float(means[np.argmin(spread)]), float(means[close].min()), float(means[close].max())

    def _longest(self, dips: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> float:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], dips.astype(np.int8), [0]])))
        return float((edges[1::2] - edges[::2]).max()) * self.dt if len(edges) else 0.0

    def _flags(
        self,
        start: int,
        end: int,
        top: int,
        first: int | None,
        reading_at: int | None,
        rise_s: float | None,
        hold: float | None,
    ) -> tuple[set[str], set[str]]:
        v = self.v
        peak = float(v[top])
        reading = hold if self.mode == "hold" else (None if reading_at is None else float(v[reading_at]))
        scale = peak if reading is None else reading
        must: set[str] = set()
        must_not: set[str] = {"cut", "gap", "unclear"}
        if self.rate >= 300.0 or first is None:  # below that a bounce off the stop may be as short as a wrong sample
            must_not.add("spike")

        def decide(flag: str, yes: bool, no: bool) -> None:
            if yes:
                must.add(flag)
            elif no:
                must_not.add(flag)

        # jerky: up to the reading; in mode hold the definition leaves its time open: only a curve without any says no
        until = reading_at if reading_at is not None else top
        rising = v[start : until + 1]
        running = np.maximum.accumulate(rising)
        fell = running - rising
        counts = running > 0.1 * scale
        surely = self._longest(counts & (fell > np.maximum(0.035 * running, 9.5 * self.noise))) > 0.036
        hardly = self._longest(counts & (fell > np.maximum(0.024 * running, 6.5 * self.noise))) < 0.024
        decide("jerky", surely and self.mode != "hold", hardly)
        if rise_s is not None and self.mode != "hold":
            decide("too-fast", rise_s < 0.45, rise_s > 0.56)
            decide("too-slow", rise_s > 4.4, rise_s < 3.6)
        if reading is None:
            must_not.update(("too-fast", "too-slow"))
        if first is None:
            must_not.add("past-click")
        else:
            above = float((v[first + 1 : end + 1] > 1.001 * v[first]).sum()) * self.dt
            above_noisy = float((v[first + 1 : end + 1] > v[first] * 0.997 - 2 * self.noise).sum()) * self.dt
            high = peak / float(v[first])
            decide(
                "past-click",
                (above > 0.28 and self._clear_above(first, end)) or high > 1.27,
                above_noisy < 0.22 and high < 1.23,
            )
        decide("no-click", self.mode == "first-peak" and first is None, self.mode != "first-peak" or first is not None)
        after = v[until : end + 1]
        late = self.t[until : end + 1] - self.t[until] > 0.5
        fallen = np.maximum.accumulate(after < 0.28 * scale)
        maybe = np.maximum.accumulate(after < 0.32 * scale)
        decide(
            "double",
            bool((fallen & late & (after > 0.63 * scale)).any()),
            not bool((maybe & (after > 0.57 * scale)).any()),
        )
        decide(
            "short",
            reading is None or reading < 0.79 * self.target,
            reading is not None and reading > 0.81 * self.target,
        )
        worst = max(abs(self.rest_before), abs(self.rest_after))
        limit = 0.005 * scale + 3.0 * self.noise
        decide("zero-off", worst > 1.15 * limit + 0.3 * self.noise, worst < 0.85 * limit - 0.3 * self.noise)
        decide("overload", peak > 1.012 * self.capacity, peak < 0.988 * self.capacity - 5.0 * self.noise)
        decide("tool-overload", peak > 1.265 * self.tool_max, peak < 1.235 * self.tool_max)
        return must, must_not

    def _clear_above(self, first: int, end: int) -> bool:
        """True when the time above the first peak does not hang on the last 0.3 % or on noise."""
        limit = self.v[first] * 1.004 + 2.0 * self.noise
        return float((self.v[first + 1 : end + 1] > limit).sum()) * self.dt > 0.27

    def with_gap(
        self,
        label: TruePull,
        t_s: FloatArray,
        keep: np.ndarray[tuple[int], np.dtype[np.bool_]],
        gap: tuple[float, float],
    ) -> TruePull:
        """The label after the samples of `gap` were taken away."""
        gone = int((~keep).sum())
        begin, stop = gap
        if label.first_peak_s is not None:
            margin = max(0.005, 2.0 / self.rate)
            if begin < min(self.fall_end_s, label.first_peak_s + 0.03) + margin and stop > label.first_peak_s - margin:
                return replace(
                    label,
                    unambiguous=False,
                    why="a gap covers the release",
                    must=frozenset(),
                    must_not=frozenset(),
                )
        reading = label.first_peak if label.first_peak is not None else label.peak
        reading_s = label.first_peak_s if label.first_peak_s is not None else float(self.t[int(np.argmax(self.v))])
        k = int(np.searchsorted(self.t, reading_s))
        below = np.flatnonzero(self.v[:k] < 0.5 * reading)
        half_s = float(self.t[below[-1]]) if len(below) else label.start_s
        least = max(3.0, 0.005 * self.rate)
        inside = begin > half_s + 0.02 and stop < reading_s
        outside = stop < half_s - 0.02 or begin > min(self.fall_end_s, reading_s + 0.03) + 0.02
        must, must_not = set(label.must), set(label.must_not)
        must_not.discard("gap")
        if inside and gone >= least:
            must.add("gap")
        elif outside:
            must_not.add("gap")
        # what went missing may have held a dip, the time above the first peak or the peak itself
        for flag in ("jerky", "past-click", "double", "overload", "tool-overload", "too-fast", "too-slow"):
            touched = np.flatnonzero((self.t >= begin) & (self.t < stop))
            if flag in must and len(touched):
                must.discard(flag)
        return replace(label, must=frozenset(must), must_not=frozenset(must_not))
