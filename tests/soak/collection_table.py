"""The reader against the labelled collection, beside two plain ways to read a click.

    .venv/bin/python tests/soak/collection_table.py [N] [SEED]

Prints, by family: pulls, right, missed, extra, median and 99th percentile of the error, faults named, false alarms.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from benchapp.pulls import Mode, read_pulls
from simulator.collection import LabelledStretch, TruePull, collection


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


def allowed(item: LabelledStretch, true: TruePull, value: float) -> float:
    share = 0.0125 if item.rate_hz < 300 else 0.0025
    rate = true.local_rate_nm_per_s or true.loading_rate_nm_per_s or 0.0
    if not np.isfinite(rate):
        rate = true.loading_rate_nm_per_s if np.isfinite(true.loading_rate_nm_per_s or 0) else 0.0
    return share * abs(value) + 2 * item.noise + 0.5 * max(rate, 0.0) / item.rate_hz


def measure(n: int | None, seed: int) -> dict[str, Tally]:
    tallies: dict[str, Tally] = defaultdict(Tally)
    for item in collection(n, seed):
        tally = tallies[item.family]
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


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else None
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    tallies = measure(n, seed)
    print(f"seed {seed}")
    print(
        f"{'family':14}{'pulls':>6}{'right %':>9}{'unclear':>8}{'missed':>7}{'extra':>6}{'med %':>9}{'p99 %':>8}{'named %':>9}{'false %':>8}"
    )
    for family, tally in tallies.items():
        judged = tally.pulls - tally.unclear
        errors = np.abs(tally.errors) if tally.errors else np.zeros(1)
        print(
            f"{family:14}{tally.pulls:6}{100 * tally.right / max(judged, 1):9.2f}{tally.unclear:8}{tally.missed:7}{tally.extra:6}"
            f"{np.median(errors):9.4f}{np.percentile(errors, 99):8.3f}"
            f"{100 * tally.named / max(tally.to_name, 1):9.2f}{100 * tally.false / max(tally.clean, 1):8.2f}"
        )
    pulls = sum(t.pulls - t.unclear for t in tallies.values())
    print(
        f"all: right {100 * sum(t.right for t in tallies.values()) / max(pulls, 1):.2f} % of {pulls}; "
        f"named {100 * sum(t.named for t in tallies.values()) / max(sum(t.to_name for t in tallies.values()), 1):.2f} %; "
        f"extra {sum(t.extra for t in tallies.values())}"
    )
    if "-v" in sys.argv:
        for family, tally in tallies.items():
            for _, number, what in sorted(tally.worst, reverse=True)[:12]:
                print(family, number, what)


if __name__ == "__main__":
    main()
