"""The reader against the labelled collection, beside two plain ways to read a click.

    .venv/bin/python tests/soak/collection_table.py [N] [SEED] [-v]

Prints, by family: pulls, right, missed, extra, median and 99th percentile of the error, faults named, false alarms;
beside it how often the first local maximum with a prominence of 2 % of the target and the plain maximum are right, and
the median and 99th percentile of their error where there was a reading and they gave one.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import find_peaks

from benchapp.pulls import Mode, read_pulls
from simulator.collection import LabelledStretch, TruePull, collection

WAYS = ("first maximum", "plain maximum")


@dataclass
class Way:
    """How a plain way to read a click fared: how often it was right, and its errors where both have a reading, %."""

    right: int = 0
    errors: list[float] = field(default_factory=list)


@dataclass
class Tally:
    pulls: int = 0
    right: int = 0
    unclear: int = 0
    missed: int = 0
    extra: int = 0
    errors: list[float] = field(default_factory=list)
    named: int = 0
    to_name: int = 0
    false: int = 0
    clean: int = 0
    worst: list[tuple[float, int, str]] = field(default_factory=list)
    ways: dict[str, Way] = field(default_factory=lambda: {name: Way() for name in WAYS})
    ways_judged: int = 0


def allowed(item: LabelledStretch, true: TruePull, value: float) -> float:
    share = 0.0125 if item.rate_hz < 300 else 0.0025
    rate = true.local_rate_nm_per_s or true.loading_rate_nm_per_s or 0.0
    if not np.isfinite(rate):
        rate = true.loading_rate_nm_per_s if np.isfinite(true.loading_rate_nm_per_s or 0) else 0.0
    return share * abs(value) + 2 * item.noise + 0.5 * max(rate, 0.0) / item.rate_hz


def first_maximum(item: LabelledStretch, torque: np.ndarray) -> float | None:
    """First local maximum with a prominence of 2 % of the target, by SciPy."""
    places, _ = find_peaks(torque, prominence=0.02 * item.target)
    return float(torque[places[0]]) if len(places) else None


def plainly(item: LabelledStretch, tally: Tally) -> None:
    """Count where two plain ways are right; each is given the very span of the pull, which ours has to find."""
    for true in item.pulls:
        if item.mode == "hold" or not true.unambiguous:
            continue
        sign = 1.0 if true.direction == "clockwise" else -1.0
        inside = sign * item.torque[(item.t_s >= true.start_s) & (item.t_s <= true.end_s)]
        wanted = true.first_peak if item.mode == "first-peak" else true.peak
        tally.ways_judged += 1
        for name, got in (
            ("first maximum", first_maximum(item, inside)),
            ("plain maximum", float(inside.max()) if len(inside) else None),
        ):
            right = wanted is got
            if wanted is not None and got is not None:
                right = abs(got - wanted) <= allowed(item, true, wanted)
                tally.ways[name].errors.append((got - wanted) / wanted * 100)
            tally.ways[name].right += right


def measure(n: int | None, seed: int, *, plain: bool = False) -> dict[str, Tally]:
    tallies: dict[str, Tally] = defaultdict(Tally)
    for item in collection(n, seed):
        tally = tallies[item.family]
        if plain:
            plainly(item, tally)
        got = read_pulls(
            item.t_s,
            item.torque,
            mode=Mode(item.mode),
            capacity=item.capacity,
            target=item.target,
            tool_max=item.tool_max,
        ).pulls
        tally.pulls += len(item.pulls)
        if len(got) > len(item.pulls):
            tally.extra += len(got) - len(item.pulls)
            tally.worst.append((99.0, item.number, f"{len(got)} for {len(item.pulls)}"))
        for true in item.pulls:
            match = [p for p in got if p.start_s < true.end_s and p.end_s > true.start_s]
            if not match:
                tally.missed += 1
                tally.worst.append((98.0, item.number, "missed"))
                continue
            pull = max(match, key=lambda p: p.end_s - p.start_s)
            if not true.unambiguous:
                tally.unclear += 1
                continue
            wanted = {"first-peak": true.first_peak, "peak": true.peak, "hold": true.hold}[item.mode]
            ok = len(match) == 1
            if wanted is None or pull.reading is None:
                ok = ok and wanted is None and pull.reading is None
                if not ok:
                    tally.worst.append(
                        (
                            97.0,
                            item.number,
                            f"reading {pull.reading} for {wanted} {true.clicks if hasattr(true, 'clicks') else ''}",
                        )
                    )
            else:
                low, high = wanted, wanted
                if item.mode == "hold" and true.hold_low is not None and true.hold_high is not None:
                    low, high = true.hold_low, true.hold_high
                error = pull.reading - min(max(pull.reading, low), high)
                tally.errors.append(error / wanted * 100)
                good = abs(error) <= allowed(item, true, wanted)
                if not good:
                    tally.worst.append(
                        (
                            abs(error) / wanted * 100,
                            item.number,
                            f"{error / wanted * 100:+.2f} % at {item.rate_hz:g} Hz",
                        )
                    )
                ok = ok and good
            tally.right += ok
            flags = {flag.value for flag in pull.flags}
            tally.to_name += len(true.must)
            tally.named += len(true.must & flags)
            for flag in true.must - flags:
                tally.worst.append((0.0, item.number, f"not named {flag}"))
            tally.clean += 1
            wrong = flags & true.must_not
            tally.false += bool(wrong)
            if wrong:
                tally.worst.append((0.1, item.number, f"false {sorted(wrong)}"))
    return dict(tallies)


def way_columns(way: Way, judged: int) -> str:
    errors = np.abs(way.errors) if way.errors else np.zeros(1)
    return f"  | {100 * way.right / judged:22.1f}{np.median(errors):9.3f}{np.percentile(errors, 99):9.2f}"


def table(tallies: dict[str, Tally], seed: int) -> str:
    lines = [
        f"seed {seed}",
        f"{'family':14}{'pulls':>6}{'right %':>9}{'unclear':>8}{'missed':>7}{'extra':>6}{'med %':>9}{'p99 %':>8}"
        f"{'named %':>9}{'false %':>8}" + "".join(f"  | {name}: right %    med %    p99 %" for name in WAYS),
    ]
    for family, tally in tallies.items():
        judged = tally.pulls - tally.unclear
        errors = np.abs(tally.errors) if tally.errors else np.zeros(1)
        ways = max(tally.ways_judged, 1)
        lines.append(
            f"{family:14}{tally.pulls:6}{100 * tally.right / max(judged, 1):9.2f}{tally.unclear:8}{tally.missed:7}"
            f"{tally.extra:6}{np.median(errors):9.4f}{np.percentile(errors, 99):8.3f}"
            f"{100 * tally.named / max(tally.to_name, 1):9.2f}{100 * tally.false / max(tally.clean, 1):8.2f}"
            + "".join(way_columns(tally.ways[name], ways) for name in WAYS)
        )
    every = tallies.values()
    judged = sum(t.pulls - t.unclear for t in every)
    ways = max(sum(t.ways_judged for t in every), 1)
    lines.append(
        f"all: right {100 * sum(t.right for t in every) / max(judged, 1):.2f} % of {judged}; "
        f"unclear {sum(t.unclear for t in every)}; "
        f"named {100 * sum(t.named for t in every) / max(sum(t.to_name for t in every), 1):.2f} %; "
        f"extra {sum(t.extra for t in every)}; "
        + ", ".join(f"{name} {100 * sum(t.ways[name].right for t in every) / ways:.1f} %" for name in WAYS)
        + f" of {ways}"
    )
    return "\n".join(lines)


def main() -> None:
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    n = numbers[0] if numbers else None
    seed = numbers[1] if len(numbers) > 1 else 1
    tallies = measure(n, seed, plain=True)
    print(table(tallies, seed))
    if "-v" in sys.argv:
        for family, tally in tallies.items():
            for _, number, what in sorted(tally.worst, reverse=True)[:12]:
                print(family, number, what)


if __name__ == "__main__":
    main()
