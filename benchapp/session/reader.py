"""What the session needs of a pull reader; `benchapp.pulls.PullReader` has this shape."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from benchapp.pulls.events import ReaderEvent
from benchapp.pulls.pull import Mode
from benchapp.pulls.settings import Settings
from drivers.samples import FloatArray, Gap


class ReaderPort(Protocol):
    """Turns samples into pulls. Torque in N·m, clockwise positive, zeroed."""

    @property
    def is_pulling(self) -> bool:
        """True while inside a pull; what begins as one may turn out to be none, and is not closed then."""
        ...

    @property
    def rate_hz(self) -> float:
        """Samples a second by which it reads, told from its first samples; 0 not known yet."""
        ...

    def expect(
        self, target: float | None, tool_max: float | None, mode: Mode, settings: Settings | None = None
    ) -> None:
        """Set what the next pull is judged against; without `settings` those in force stay."""
        ...

    def feed(self, t_s: FloatArray, torque: FloatArray, gaps: Sequence[Gap] = ()) -> list[ReaderEvent]:
        """Take samples; return what they told, oldest first."""
        ...

    def take_hold(self) -> list[ReaderEvent]:
        """Take what is held right now as the reading (mode hold)."""
        ...

    def reset(self) -> None:
        """Forget a pull under way."""
        ...
