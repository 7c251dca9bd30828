"""Whose fall it was: what tells a mechanism that lets go from an arm that dips, trembles or eases off.

All of means `x` over the lengths of `_lengths`; a fall by `fell` begins at mean `top`, at torque `level`.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from benchapp.pulls._lengths import Lengths
from benchapp.pulls._means import Means
from drivers.samples import FloatArray

_KNOWN_S: Final = 0.25  # with less of the arm before a fall there is little to compare it with

_SUDDEN_SHARE: Final = 0.35
"""What falls within 8 ms is no arm's when it is this share of what falls within `arm_s`: straight on it would be 0.27,
begun as an arm begins 0.1; …"""
_SUDDEN_TIMES: Final = 5.0  # … and so many times faster than the arm moved before

_SLOW_TIMES: Final = 3.0
"""A fall that is through within `arm_s` only, over what the arm fell in such a time in the 0.6 s before …"""
_SLOW_RISES: Final = 2.0
"""… and over what it rose: who snatches may let off as fast as he pulled."""

_FEW_SAMPLES_S: Final = 0.02
"""Three samples that take longer than this are as long as half a tremor: more is asked of a fall told from them, …"""
_LIKE_ARM: Final = 0.6  # … how much it is like an arm's, see `is_like_arm`: nearly all clicks less, arms more …
_NO_ARM_SHARE: Final = 0.2  # … unless it is this share of the torque

_KNOCK_S: Final = 0.006
"""What fell within the fall's first part, and rose as steeply within this time before, is a blow on the tool; …"""
_KNOCK_SHARE: Final = 0.5  # … by this share of the fall: 0.26 was the most of 1,800 clicks; and no click …
_BACK_S: Final = 0.008  # … was back above half of its fall in less than 10 ms


def stands_out(x: Means, lengths: Lengths, top: int, after: list[float], fell: float) -> bool:
    """True when a fall is deeper than what the same arm did in the 0.6 s before it, within the same time.

    `after` are the means from `top` on.
    """
    level = after[0]
    begin, end = lengths.before(top, lengths.fall_n)
    # with little to compare with, only a fall beyond any tremor is clear
    known = (end - begin) * lengths.every_s > _KNOWN_S
    if not known and not fell > 0.08 * level:
        return False
    if end <= begin or fell > (1.6 if known else 2.5) * float(x.falls(begin, end, lengths.fall_n).max()):
        return True
    # a dip of the arm is deeper in the time that the quickest of falls leaves over
    quick = max(next(k for k, value in enumerate(after) if value <= level - 0.9 * fell), 2)
    return known and 2 * quick <= lengths.fall_n and fell > 2.5 * float(x.falls(begin, end, quick).max())


def is_like_arm(x: Means, lengths: Lengths, top: int, fell: float) -> bool:
    """True when a fall told from three slow samples is as smooth as an arm moves.

    An arm rises to the crest much as it falls from it (or had come down from a higher one), falls on, bends as sharply
    elsewhere, and no step of its fall is far steeper than the others: shares of the fall, weighed on a few hundred
    pulls each that did and did not click.
    """
    n = lengths.fall_n
    if n * lengths.every_s <= _FEW_SAMPLES_S:
        return False
    begin, _ = lengths.before(top, 0)
    values = x(begin, top + 2 * n + 1).tolist()
    k = top - begin
    level, fall = values[k], values[k + 1 : k + n + 1]
    if fell > _NO_ARM_SHARE * level or k < n or len(fall) < 2:
        return False
    lowest = fall.index(min(fall))
    rose = abs(level - values[k - n])
    falls_on = fall[lowest] - min(values[k + 1 + lowest : k + 2 + lowest + n])
    steepest = max(level - fall[0], fall[0] - fall[1])
    low = next((j for j in range(k - 1, -1, -1) if values[j] < 0.3 * level), -1) + 1
    bends = (abs(values[j] - 2.0 * values[j + 1] + values[j + 2]) for j in range(low, k - 2))
    like = rose + 2.0 * falls_on + 2.0 * max(bends, default=0.0) - steepest
    return bool(like > _LIKE_ARM * fell)


def is_knock(x: Means, lengths: Lengths, top: int, fell: float) -> bool:
    """True when the torque had risen to a fall, or rises from it, as fast as it falls: no mechanism does that."""
    n, wide = round(_KNOCK_S / lengths.every_s), round(_BACK_S / lengths.every_s)
    if n < 3:
        return False  # sampled too seldom to see
    begin = max(top - n, 0)
    values = x(begin, top + 3 * wide + 1).tolist()
    k = top - begin
    level = values[k]
    if level - values[0] > _KNOCK_SHARE * fell:
        return True
    half = level - 0.5 * fell
    below = next((j for j in range(k, len(values)) if values[j] < half), len(values))
    return bool(max(values[below : below + wide], default=half) > half)


def is_sudden(x: Means, lengths: Lengths, top: int, fell: float, falls_on: float) -> bool:
    """True when the fall of the first few milliseconds can't be the arm's, whatever the arm does after it."""
    begin, end = lengths.before(top, lengths.sudden_n)
    if not lengths.is_sudden_seen or (end - begin) * lengths.every_s <= _KNOWN_S:
        return False  # sampled too seldom, or too little to compare with
    if fell < _SUDDEN_SHARE * falls_on:
        return False
    return fell > _SUDDEN_TIMES * max(swings(x, begin, end, lengths.sudden_n))


def is_no_arm(x: Means, lengths: Lengths, top: int, fell: float, level: float, n: int) -> bool:
    """True when a fall within `n` means is many times any that the arm did before, from the highest so far."""
    begin, end = lengths.before(top, n)
    if (end - begin) * lengths.every_s <= _KNOWN_S or level <= 0.9 * x.greatest(0, top + 1)[0]:
        return False
    return outdoes(fell, *swings(x, begin, end, n))


def outdoes(fell: float, fall: float, rise: float) -> bool:
    """True when what fell within `arm_s` is no arm's that fell and rose in such a time no more than this."""
    return fell > max(_SLOW_TIMES * fall, _SLOW_RISES * rise)


def swings(x: Means, begin: int, end: int, n: int) -> tuple[float, float]:
    """The deepest fall and the greatest rise within `n` means from `begin` to `end`."""
    near = x(begin, end + n)
    return float(x.falls(begin, end, n).max()), float((near[n:] - near[:-n]).max())


def goes_on(x: Means, lengths: Lengths, top: int, fell: float, level: float, n: int) -> bool:
    """True for a hand that trembles and goes on trembling: what it does higher up, before it eases off, is as deep."""
    begin = top + lengths.arm_n
    highest, highest_index = x.highest
    if highest <= 1.02 * level:
        return False
    higher = np.flatnonzero(x(begin, highest_index + 1) > 1.02 * level)
    if not len(higher):
        return False
    later = x.falls(begin + int(higher[0]), max(highest_index - n, 0), n)
    # falls that come again and again are the hand's; one or two may be further lettings-go
    return not fell > 1.1 * _third_event(later, round(0.04 / lengths.every_s))


def _third_event(fall: FloatArray, apart: int) -> float:
    """The third greatest of `fall`, maxima `apart` samples or more from each other; 0 without a third."""
    left = fall.copy()
    for _ in range(2):
        if not len(left):
            return 0.0
        k = int(np.argmax(left))
        left[max(k - apart, 0) : k + apart + 1] = 0.0
    return float(left.max()) if len(left) else 0.0
