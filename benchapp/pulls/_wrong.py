"""Single samples that no mechanics can give: found, and drawn across."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drivers.samples import FloatArray

BoolArray = npt.NDArray[np.bool_]


def jumps(torque: FloatArray, begin: int, end: int, jump: float) -> bool:
    """True when two neighbours, the second of them in `begin` to `end`, differ by more than `jump`."""
    near = torque[max(begin - 1, 0) : end]
    if not len(near) or float(near.max()) - float(near.min()) <= jump:
        return False  # no two of them do, neighbours or not
    step = near[1:] - near[:-1]
    return bool(step.max() > jump or step.min() < -jump)


def mend(
    t_s: FloatArray, torque: FloatArray, wrong: BoolArray, begin: int, end: int, jump: float, rate_hz: float
) -> None:
    """Find single wrong samples and draw straight across them, both in place.

    A wrong sample rises and falls (or falls and rises) by more than `jump` within two samples. What is decided about
    sample k hangs on the mended sample before it and the two after it only, so a stretch may be done in pieces.
    Below 1 kHz only single samples count, since there the trough of a click may last two.

    Args:
        t_s: Shape (n,), seconds.
        torque: Shape (n,); wrong samples before `begin` are drawn across already.
        wrong: Shape (n,); set where a sample was wrong.
        begin: First sample to decide about; the first two and last two of a stream are never wrong.
        end: One past the last.
        jump: See above.
        rate_hz: Of the samples.
    """
    begin, end = max(begin, 2), min(end, len(torque) - 2)
    if end <= begin:
        return
    step = np.diff(torque[begin - 1 : end])
    widths = (1, 2) if rate_hz >= 1000.0 else (1,)
    for place in np.flatnonzero(np.abs(step) > jump) + begin:
        k = int(place)
        while k < end and not wrong[k]:  # after a wrong sample the next one is looked at from the mended level
            width = next((w for w in widths if _sticks_out(torque, k, w, jump)), 0)
            if not width:
                break
            last = k + width
            wrong[k:last] = True
            torque[k:last] = np.interp(t_s[k:last], t_s[[k - 1, last]], torque[[k - 1, last]])
            k = last


def _sticks_out(torque: FloatArray, k: int, width: int, jump: float) -> bool:
    before, after, inside = torque[k - 1], torque[k + width], torque[k : k + width]
    up, down = float(inside.min() - max(before, after)), float(min(before, after) - inside.max())
    # downwards more is asked: the trough of a click at a low rate must not pass for a wrong sample
    return max(up, down) > jump and abs(float(after - before)) < max(0.6 * up, 0.35 * down)
