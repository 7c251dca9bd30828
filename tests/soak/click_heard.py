"""How long after the letting-go a click is announced, in trace time, over the labelled collection.

    .venv/bin/python tests/soak/click_heard.py [N] [SEED]

The stream is fed sample by sample round the true first peak. Prints by rate: clicks that can be told, announced,
median and greatest wait from the reader's own click and from the true first peak.
"""

from __future__ import annotations

import sys
from collections import defaultdict

import numpy as np

from benchapp.pulls import Mode, PullReader
from benchapp.pulls.events import ClickHeard
from simulator.collection import collection


def main() -> None:
    n, seed = [*(int(word) for word in sys.argv[1:]), *(480, 1)[len(sys.argv) - 1 :]][:2]
    waits: dict[float, list[tuple[float, float]]] = defaultdict(list)
    clicks: dict[float, int] = defaultdict(int)
    for item in collection(n, seed):
        if item.mode != "first-peak" or not item.pulls or item.pulls[0].first_peak_s is None:
            continue
        (true,) = item.pulls
        if not true.unambiguous:
            continue
        clicks[item.rate_hz] += 1
        t, v = item.t_s, item.torque
        reader = PullReader(mode=Mode.FIRST_PEAK, capacity=item.capacity, target=item.target, tool_max=item.tool_max)
        a, b = (int(k) for k in np.searchsorted(t, [true.first_peak_s - 0.03, true.first_peak_s + 0.15]))
        reader.feed(t[:a], v[:a])
        for k in range(a, b):
            for event in reader.feed(t[k : k + 1], v[k : k + 1]):
                if isinstance(event, ClickHeard):
                    waits[item.rate_hz].append((float(t[k]) - event.time_s, float(t[k]) - true.first_peak_s))
    print(f"seed {seed}: {sum(clicks.values())} clicks; waits in ms")
    print(f"{'Hz':>7}{'clicks':>8}{'told':>6}{'median':>8}{'most':>7}{'from the true peak, most':>26}")
    for rate in sorted(clicks):
        own, true_s = np.array(waits[rate]).T * 1000 if waits[rate] else np.zeros((2, 1))
        told = len(waits[rate])
        print(f"{rate:7g}{clicks[rate]:8}{told:6}{np.median(own):8.1f}{own.max():7.1f}{true_s.max():26.1f}")


if __name__ == "__main__":
    main()
