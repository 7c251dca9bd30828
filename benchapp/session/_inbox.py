"""What the link's thread has for the engine, in the order in which it came."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

from drivers.samples import SampleBlock, joined

GATHER_S: Final = 0.016
"""While samples stream in, the engine looks for them so often: a wake-up for each line would cost more than reading it,
and what is announced 120 ms after it happened at the most can spare that much."""

Item = SampleBlock | Callable[[], None]


class Inbox:
    """One thread puts in, another takes out. While there is something each time, nobody has to be woken.

    Args:
        wake: Lets the engine look at once; called when something comes after a pause, from the thread that puts it in.
    """

    def __init__(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        self._items: deque[Item] = deque()
        self._is_looking = False

    @property
    def is_looking(self) -> bool:
        """True: nobody is woken for the next item, so the engine has to look again within `GATHER_S`."""
        return self._is_looking

    def put(self, item: Item) -> None:
        """Add a block, or what is to be done in its turn."""
        self._items.append(item)
        if not self._is_looking:
            self._is_looking = True
            self._wake()

    def take(self) -> list[Item]:
        """Everything there is; blocks that follow each other are joined."""
        items = self._drained()
        if not items:
            self._is_looking = False
            items = self._drained()  # what was put in before that could be seen
            self._is_looking |= bool(items)
        taken: list[Item] = []
        blocks: list[SampleBlock] = []
        for item in items:
            if isinstance(item, SampleBlock):
                blocks.append(item)
            else:
                taken += joined(blocks)
                taken.append(item)
                blocks = []
        taken += joined(blocks)
        return taken

    def clear(self) -> None:
        """Forget what is there."""
        self._items.clear()

    def _drained(self) -> list[Item]:
        items: list[Item] = []
        while self._items:
            items.append(self._items.popleft())
        return items
