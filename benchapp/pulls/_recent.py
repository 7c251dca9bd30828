"""Whether a letting-go may just have begun, asked at every step of a pull under way: nearly always it has not."""

from __future__ import annotations

from typing import Final

import numpy as np

from benchapp.pulls._arm import outdoes, swings
from benchapp.pulls._extremes import Extremes
from benchapp.pulls._lengths import lengths_at
from benchapp.pulls._means import Means, falls_within
from benchapp.pulls._release import ended_falls
from benchapp.pulls.settings import Settings
from drivers.samples import FloatArray

RECENT_S: Final = 0.15  # what is told while the pull goes on is younger than 0.06 s, and a fall takes 0.03 s
_NO_EXTREMES: Final = Extremes(np.empty(0), np.empty(0))


def nothing_recent(torque: FloatArray, rate_hz: float, noise: float, settings: Settings) -> bool:
    """True when surely none of the `releases` of a pull under way began in the last 0.1 s; False: look at all of it.

    On the same means, what the falls of these begin with: torque that fell at all, from a corner or to an end. A
    steady arm does not fall, a trembling one has neither most of the time.
    """
    lengths = lengths_at(rate_hz, settings, finished=False)
    per_block, corner_n, n = lengths.per_block, lengths.corner_n, lengths.slow_n
    n_means, recent_n = len(torque) // per_block, round(RECENT_S / lengths.every_s)
    if min(n_means, 2 * recent_n) < 8 * n:
        return False
    recent_n = min(n_means, recent_n)
    x = Means(torque[(n_means - recent_n) * per_block :], per_block, _NO_EXTREMES, at_once=True)
    near = x(0, x.n)
    # a corner's fall is as deep as this within `fall_n`, and so is one half of a slow one
    falls = falls_within(near, lengths.fall_n)
    if (
        n <= 2 * lengths.fall_n <= lengths.ended_n
        and not (falls >= 0.999 * settings.fall_share * near[: len(falls)]).any()
    ):
        return True
    if float(near.min()) <= 0.06 * float(torque.max()):
        return False  # near what is too low for a letting-go
    least_fall = settings.fall_noise * lengths.noise(noise)
    here = near[corner_n:-corner_n]
    bend = 2 * here - near[: -2 * corner_n] - near[2 * corner_n :]
    if (bend > np.maximum(0.7 * settings.fall_share * here, least_fall)).any():
        return False
    if lengths.ended_n <= n:
        return True
    for top, _, fell, _ in ended_falls(x, lengths, settings, least_fall, x.n - 3 * n, x.n - lengths.ended_n, 0.0):
        # than the arm's of a short time; releases() compares it with more
        before_n = min(n_means, 2 * recent_n) - recent_n
        before = Means(torque[(n_means - recent_n - before_n) * per_block :], per_block, _NO_EXTREMES, at_once=True)
        if outdoes(fell, *swings(before, 0, before_n + top - n - 1, n)):
            return False
    return True
