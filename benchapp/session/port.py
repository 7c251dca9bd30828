"""What the window may ask of the live bench: the one object that `ui` talks to on the Bench page.

`BenchSession` (session.py) implements it; tests of the window use a stand-in that plays views.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Protocol

from benchapp.runs.model import RunPlan
from benchapp.session.view import Asked, BenchView, PracticeAim, PracticePull
from drivers.samples import FloatArray


class ReplayAct(StrEnum):
    """What can be done with a recording that is replayed."""

    PAUSE = "pause"
    GO = "go"
    STEP = "step"
    SPEED = "speed"
    AGAIN = "again"
    BACK = "back"


class BenchPort(Protocol):
    """All methods may be called from the window's thread and return at once; what they do shows in a later view.

    `seen` is what the run asked on the screen when the person answered (`asked_of`). When the run has moved on
    meanwhile the answer was not meant for what it asks now, and is let go; None: it is meant for whatever is asked.
    """

    def view(self) -> BenchView:
        """The newest view."""
        ...

    def live(self) -> tuple[float, float]:
        """(time of the newest sample on the link's axis, torque in N·m); (nan, nan) before the first."""
        ...

    def samples_since(self, index: int) -> tuple[int, FloatArray, FloatArray]:
        """(index to ask for next, t_s, torque_nm) of the samples from running number `index` on that are still held.

        Start with 0. The arrays are copies. At most the last 60 s at 10 kHz are held.
        """
        ...

    def take_sounds(self) -> list[str]:
        """Sounds to play that came up since the last call: "click", "closed", "flagged", "overload", "wrong"."""
        ...

    def open_link(self, url: str, profile: str, *, unless_open: bool = False) -> None:
        """Open (or change) the link. A refusal shows in `BenchView.link`.

        Args:
            url: As in `LinkView.url`.
            profile: Name of the profile.
            unless_open: Only when no link is open and none has been asked for; the newest view may not know of it yet.
        """
        ...

    def close_link(self) -> None:
        """Close it."""
        ...

    def steer_replay(self, act: ReplayAct, speed: float = 1.0) -> None:
        """Pause, go on, step, change speed, begin again, or go back to the port before. Nothing without a replay."""
        ...

    def start_run(self, plan: RunPlan) -> None:
        """Begin a run; refused with ValueError while another is under way."""
        ...

    def go_on(self, *, seen: Asked | None = None) -> None:
        """The one key that goes on: confirms, takes the proposed choice, starts zeroing, acknowledges an overload."""
        ...

    def set_aside(self, *, custodian: str = "", seen: Asked | None = None) -> None:
        """The other key: proposes to set the last reading aside; in a choice, moves to the next one.

        Args:
            custodian: Who allows, under the lock, what the procedure leaves to the custodian; "" nobody was asked.
            seen: As for all; which choice was proposed does not matter.
        """
        ...

    def choose(self, key: str, *, seen: Asked | None = None) -> None:
        """Take a choice directly (mouse); which one was proposed does not matter."""
        ...

    def enter_indication(self, indication_nm: float, *, seen: Asked | None = None) -> None:
        """The value the tool shows."""
        ...

    def set_ambient(self, key: str, value: float) -> None:
        """Temperature or humidity: "start_c", "end_c", "humidity_percent"."""
        ...

    def leave_run(self, reason: str) -> None:
        """Leave the run; what was captured stays in the tool's history."""
        ...

    def dismiss(self) -> None:
        """Put a sealed or left run off the Bench."""
        ...

    def zero(self) -> None:
        """Take zero outside a run."""
        ...

    def start_capture(self, path: str) -> None:
        """Write the raw bytes of the port to `path` (.raw with its .raw.toml) for a fault report."""
        ...

    def stop_capture(self) -> None:
        """End it."""
        ...

    def start_practice(self, aim: PracticeAim) -> None:
        """Read pulls for practice or a study; refused with ValueError while a run is under way. May be called again."""
        ...

    def stop_practice(self) -> None:
        """Back to the Bench; the pull under way is forgotten."""
        ...

    def take_practice_pulls(self) -> list[PracticePull]:
        """Pulls closed since the last call, oldest first."""
        ...

    def close(self) -> None:
        """Stop threads and close the link; may be called again."""
        ...
