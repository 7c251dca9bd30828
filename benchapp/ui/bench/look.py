"""Whether a person can have seen what is asked before a key answers it. Pure: time comes in as an argument.

A foot switch bounces, and an impatient foot presses again while a slow machine has not drawn yet: the second press
reaches a question that nobody has looked at. It is therefore taken only once the same thing has stood on the screen
for a while. Only time in which frames came counts: keys that wait while the window is busy are handed on before the
next frame, so none of them gets past.
"""

from __future__ import annotations

from typing import Final

LEAST_S: Final = 0.25
"""An eye and a hand need about this long for the simplest answer (our own choice; from memory 0.2 to 0.25 s)."""
MOST_FRAME_S: Final = 0.05
"""A frame that was longer in coming counts this much: what came in meanwhile was pressed before it."""


class Look:
    """How long the same has been asked.

    Attributes:
        least_s: How long it has to stand there.
    """

    def __init__(self, least_s: float = LEAST_S) -> None:
        self.least_s = least_s
        self._asked: object = None
        self._seen_s = self._last_s = 0.0

    def begin(self) -> None:
        """Look anew: it was not on the screen until now."""
        self._asked = self

    def frame(self, asked: object, now_s: float) -> None:
        """A frame shows `asked`, anything that can be compared, at `now_s` on any steady clock."""
        if asked == self._asked:
            self._seen_s += min(max(now_s - self._last_s, 0.0), MOST_FRAME_S)  # one frame may begin within another
        else:
            self._asked, self._seen_s = asked, 0.0
        self._last_s = now_s

    @property
    def is_enough(self) -> bool:
        """What is asked has stood there long enough to be seen."""
        return self._seen_s >= self.least_s
