"""Traces made by hand: straight lines between corners, so that what is in them is known by construction."""

from __future__ import annotations

import numpy as np

CAPACITY = 100.0
NOISE = 0.01


def line(corners, rate_hz=1000.0, noise=NOISE, seed=1):
    """(t, v) of straight lines through `corners` [(s, N·m), …], white noise added."""
    end = corners[-1][0]
    t = np.arange(round(end * rate_hz) + 1) / rate_hz
    v = np.interp(t, [c[0] for c in corners], [c[1] for c in corners])
    return t, v + np.random.default_rng(seed).normal(0.0, noise, len(t))


def click_pull(first=30.0, rise_s=3.0, begin=0.5, fall=0.2, again=None, push_s=0.1, rest=0.0):
    """Corners of one pull: rise, a fall of 10 ms, pushed on to `again` for `push_s`, off within 150 ms, 1 s of rest."""
    top = begin + rise_s
    again = first * 0.9 if again is None else again
    return [
        (0.0, rest),
        (begin, rest),
        (top, first),
        (top + 0.010, first * (1 - fall)),
        (top + 0.010 + push_s, again),
        (top + 0.160 + push_s, rest),
        (top + 1.160 + push_s, rest),
    ]
