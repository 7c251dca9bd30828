"""The last minute of torque as the window draws it: blocks go in as they come, torque is made when somebody looks."""

from __future__ import annotations

import math
import threading
from collections import deque
from typing import Final

from benchapp.session._ring import SampleRing
from benchapp.session._torque import TorqueChain
from drivers.samples import FloatArray, SampleBlock, joined

_MOST_WAITING: Final = 64


class Shown:
    """The link's thread puts blocks in, which costs it next to nothing; the curve never waits for the engine.

    Zero and correction are those in force when a block is settled: `settle` comes before they change.
    """

    def __init__(self, chain: TorqueChain) -> None:
        self._chain = chain
        self._ring = SampleRing()
        self._waiting: deque[SampleBlock] = deque()
        self._settling = threading.Lock()
        self._newest = (math.nan, math.nan)

    def put(self, block: SampleBlock) -> None:
        """Add a block; the link's thread."""
        self._waiting.append(block)

    def settle(self, *, when_many: bool = False) -> None:
        """Make torque of what waits; any thread. `when_many`: only if nobody has looked for some time."""
        if not self._waiting or (when_many and len(self._waiting) < _MOST_WAITING):
            return
        with self._settling:
            blocks: list[SampleBlock] = []
            while self._waiting:
                blocks.append(self._waiting.popleft())
            for block in joined(blocks):
                if len(block):
                    torque_nm = self._chain.true_nm(self._chain.indicated_nm(block))
                    self._ring.append(block.t_s, torque_nm)
                    self._newest = (float(block.t_s[-1]), float(torque_nm[-1]))

    def newest(self) -> tuple[float, float]:
        """(time on the link's axis, torque in N·m) of the newest sample; (nan, nan) before the first."""
        self.settle()
        return self._newest

    def since(self, index: int) -> tuple[int, FloatArray, FloatArray]:
        """See `SampleRing.since`."""
        self.settle()
        return self._ring.since(index)
