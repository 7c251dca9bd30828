"""Samples that no mechanics can give, one or a few in a row: found, and drawn across."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from drivers.samples import FloatArray

BoolArray = npt.NDArray[np.bool_]

_WRONG_S: Final = 0.002  # what is wrong for so long, or for two samples, may have flanks; …
_SQUARE_S: Final = 0.006  # … for so long only when it jumps there and back (our own choice); longer is told like torque
_WIDEST: Final = 192  # samples; 6 ms at 32 kHz
_SURE_HZ: Final = 1000.0
"""From this rate on the trough of a click lasts longer than two samples; below, more is asked of two."""
_EDGE: Final = 1.0 / 3.0
"""Of its height, the first and the last step of a wrong stretch: electronics jump, a blow has flanks; …"""
_EDGE_SLOW: Final = 0.7  # … below 1 kHz the flank of a blow is a sample or two, …
_EDGE_SQUARE: Final = 0.5  # … and what lasts longer has hardly any
_APART: Final = 4.0
"""Times the step before it: the tip of a snatch goes on as the rise went."""

_SINGLE_FROM_HZ: Final = 20.0
"""From this rate on a single sample needs no whole jump, or the hand has no time to move between two."""
_SINGLE_OF_SCALE: Final = (0.006, 0.01)
"""Least step into such a sample, share of the capacity, below 1 kHz and from there on: what is coarsely rounded steps
as well, and what a fast stream moves by within milliseconds should not have to be looked at."""
_SINGLE_SHARE: Final = 0.01  # off the line through its neighbours, share of the torque there, …
_ALONG: Final = 0.2  # … on which they lie within this share of that, …
_CALM: Final = 0.3  # … and the torque before it bent no more sharply than this: what rings or trembles stands out, too


def widest(rate_hz: float) -> int:
    """Most samples in a row that may be wrong: 2, or what fits into 6 ms; so many must be known after one."""
    return _fitting(_SQUARE_S, rate_hz)


def _fitting(seconds: float, rate_hz: float) -> int:
    # a rate estimated from times is a little off
    return min(max(2, int(seconds * rate_hz + 0.01)), _WIDEST)


def single_jump(rate_hz: float, jump: float, rough: float, scale: float) -> float:
    """Least step into a single wrong sample, `jump` at the most.

    `rough` is ten standard deviations of the noise, `scale` the capacity, or the greatest torque.
    """
    if rate_hz < _SINGLE_FROM_HZ:
        return jump
    return min(max(rough, _SINGLE_OF_SCALE[rate_hz >= 0.99 * _SURE_HZ] * scale) or np.inf, jump)


def jumps(torque: FloatArray, begin: int, end: int, jump: float) -> bool:
    """True when two neighbours, the second of them in `begin` to `end`, differ by more than `jump`."""
    near = torque[max(begin - 1, 0) : end]
    if not len(near) or float(near.max()) - float(near.min()) <= jump:
        return False  # no two of them do, neighbours or not
    step = near[1:] - near[:-1]
    return bool(step.max() > jump or step.min() < -jump)


def mend(
    t_s: FloatArray,
    torque: FloatArray,
    wrong: BoolArray,
    begin: int,
    end: int,
    jump: float,
    small: float,
    rate_hz: float,
) -> None:
    """Find wrong samples and draw straight across them, both in place.

    They rise and fall (or fall and rise) by more than `jump` within two samples or 2 ms, or jump and jump back within
    6 ms; a single one counts from `small` on where the samples around it go straight on. What is decided about sample k
    hangs on the four mended samples before it and the `widest` after it only, so a stretch may be done in pieces. Below
    1 kHz two and more in a row only count away from zero, since there the trough of a click may last two.

    Args:
        t_s: Shape (n,), seconds.
        torque: Shape (n,); wrong samples before `begin` are drawn across already.
        wrong: Shape (n,); set where a sample was wrong.
        begin: First sample to decide about; the first two and last two of a stream are never wrong.
        end: One past the last.
        jump: See above.
        small: See above; at most `jump`.
        rate_hz: Of the samples.
    """
    begin, end = max(begin, 2), min(end, len(torque) - 2)
    if end <= begin:
        return
    step = np.diff(torque[begin - 1 : end])
    widths, most = range(1, _fitting(_WRONG_S, rate_hz) + 1), widest(rate_hz)
    sure = 2 if rate_hz >= 0.99 * _SURE_HZ else 1
    for place in np.flatnonzero(np.abs(step) > small) + begin:
        k = int(place)
        while k < end and not wrong[k]:  # after a wrong sample the next one is looked at from the mended level
            width = next((w for w in widths if _sticks_out(torque, k, w, jump, w <= sure)), 0)
            if not width:
                width = _square(torque, k, most, jump, inwards=sure > 1)
            if not width and small < jump and not wrong[max(k - 4, 0) : k].any() and _is_alone(torque, k, small):
                width = 1
            if not width:
                break
            last = k + width
            wrong[k:last] = True
            torque[k:last] = np.interp(t_s[k:last], t_s[[k - 1, last]], torque[[k - 1, last]])
            k = last


def _square(torque: FloatArray, k: int, most: int, jump: float, *, inwards: bool) -> int:
    """How many samples from `k` on lie together off those around them, with an edge at either end; 0: no such."""
    before = float(torque[k - 1])
    off = torque[k : k + most + 1] - before
    height = float(off[0])
    back = np.abs(off) < 0.5 * abs(height)
    width = int(back.argmax())
    if width < 2 or not back[width]:
        return 0
    inside, after = torque[k : k + width], float(torque[k + width])
    least, whole = (float(reach(np.abs(inside - before))) for reach in (np.min, np.max))
    outwards = abs(float(inside[0])) > abs(before) or float(inside[0]) * before < 0
    if not (outwards or inwards) or not least > jump or not abs(after - before) < (0.6 if outwards else 0.35) * least:
        return 0
    edges = min(abs(height), abs(after - float(inside[-1])))
    far = (_EDGE_SQUARE if inwards else _EDGE_SLOW) * whole
    return width if edges > max(far, _APART * abs(before - float(torque[k - 2]))) else 0


def _is_alone(torque: FloatArray, k: int, small: float) -> bool:
    """True when one sample lies off a straight line through the two before and the two after it, and they on it."""
    if k < 4 or k + 2 >= len(torque):
        return False
    a, b, c, d, here, f, g = torque[k - 4 : k + 3].tolist()
    level, slope = 0.25 * (c + d + f + g), 0.1 * (2.0 * (g - c) + f - d)
    height = abs(here - level)
    if not height > max(small, _SINGLE_SHARE * abs(level)):
        return False
    ahead, behind = (c - level + 2.0 * slope, d - level + slope), (f - level - slope, g - level - 2.0 * slope)
    bends = (a - 2.0 * b + c, b - 2.0 * c + d)
    along = all(abs(off) < _ALONG * height for off in (*ahead, *behind))
    return along and all(abs(bend) < _CALM * height for bend in bends)


def _sticks_out(torque: FloatArray, k: int, width: int, jump: float, sure: bool) -> bool:
    if k + width >= len(torque):
        return False
    inside = torque[k : k + width]
    before, after, lowest, highest = float(torque[k - 1]), float(torque[k + width]), inside.min(), inside.max()
    top, bottom = max(before, after), min(before, after)
    height = float(max(lowest - top, bottom - highest))
    if not height > jump:
        return False
    # towards zero more is asked: the trough of a click at a low rate must not pass for wrong samples
    outwards = lowest > max(top, -bottom) or -highest > max(top, -bottom)
    if not abs(after - before) < (0.6 if outwards else 0.35) * height:
        return False
    if sure:
        return True
    if width == 2 and not outwards:
        return False
    steps = min(abs(float(inside[0]) - before), abs(float(inside[-1]) - after))
    whole = float(max(highest - top, bottom - lowest))
    return steps > max((_EDGE if width > 2 else _EDGE_SLOW) * whole, _APART * abs(before - float(torque[k - 2])))
