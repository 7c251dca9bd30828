"""What happens to a run, and what a step of it wants done."""

from __future__ import annotations

from dataclasses import dataclass

from benchapp.pulls.pull import Pull
from benchapp.runs.model import ZeroTaken


@dataclass(frozen=True, slots=True)
class GoOn:
    """The person goes on: confirms, takes the proposed choice, acknowledges."""


@dataclass(frozen=True, slots=True)
class SetAside:
    """The other key: proposes to set the last reading aside; in a choice, moves to the next one.

    Attributes:
        custodian: Who allows what the procedure leaves to the custodian, under the lock; "": nobody was asked.
    """

    custodian: str = ""


@dataclass(frozen=True, slots=True)
class Chosen:
    """A choice taken directly."""

    key: str


@dataclass(frozen=True, slots=True)
class PullRead:
    """A pull was read, from rest back to rest."""

    pull: Pull


@dataclass(frozen=True, slots=True)
class IndicationTyped:
    """The value that the tool shows, N·m, > 0."""

    indication_nm: float


@dataclass(frozen=True, slots=True)
class ZeroMeasured:
    """Zero was still enough and has been taken (or, at the end, looked at)."""

    zero: ZeroTaken


@dataclass(frozen=True, slots=True)
class ReferenceSeen:
    """The transducer has said who it is; "" when it cannot tell."""

    identity: str


@dataclass(frozen=True, slots=True)
class LinkLost:
    """No data any more.

    Attributes:
        reason: What the link says.
        was_pulling: A pull was under way; nothing of it counts.
    """

    reason: str = ""
    was_pulling: bool = False


@dataclass(frozen=True, slots=True)
class LinkBack:
    """Data again after `pause_s` seconds.

    Attributes:
        pause_s: How long there were none.
        reopened: The port was opened again, so the transducer may have been off, or be another one.
    """

    pause_s: float
    reopened: bool = True


@dataclass(frozen=True, slots=True)
class Resumed:
    """The program was ended and started again; `pause_s` seconds since the last saved step, infinite if unknown."""

    pause_s: float


@dataclass(frozen=True, slots=True)
class Waited:
    """Nothing happened for `pause_s` seconds, longer than the procedure's limit."""

    pause_s: float


@dataclass(frozen=True, slots=True)
class Overloaded:
    """The reference was loaded to `percent` of its capacity, 100 or more; None: it said so itself, without a number."""

    percent: float | None


@dataclass(frozen=True, slots=True)
class AmbientTyped:
    """Temperature or humidity: `key` is one of "start_c", "end_c", "humidity_percent".

    `source` is "typed", or "thermometer: NAME" for what a device said, which never takes the place of what was typed.
    `is_late`: the thermometer was silent at the moment it belongs to; the record says so.
    """

    key: str
    value: float
    source: str = "typed"
    is_late: bool = False


@dataclass(frozen=True, slots=True)
class Left:
    """The person leaves the run for good."""

    reason: str


Event = (
    GoOn
    | SetAside
    | Chosen
    | PullRead
    | IndicationTyped
    | ZeroMeasured
    | ReferenceSeen
    | LinkLost
    | LinkBack
    | Resumed
    | Waited
    | Overloaded
    | AmbientTyped
    | Left
)


@dataclass(frozen=True, slots=True)
class Save:
    """Save the run as it stands now."""


@dataclass(frozen=True, slots=True)
class StorePull:
    """Store this new pull with its trace and the run, durably."""

    number: int


@dataclass(frozen=True, slots=True)
class TakeZero:
    """Measure the rest level as soon as it is still; `look_only`: do not subtract it."""

    look_only: bool = False


@dataclass(frozen=True, slots=True)
class TakeHold:
    """Take the torque that is held right now as the reading."""


@dataclass(frozen=True, slots=True)
class Seal:
    """Close the run: from now on its record can be added to, never changed."""


@dataclass(frozen=True, slots=True)
class Sound:
    """Let a sound be heard: "closed", "flagged", "overload", "wrong"."""

    name: str


@dataclass(frozen=True, slots=True)
class Tell:
    """Something to tell that changes nothing; a key, the sentence is written in `ui`.

    Keys: "knock", "wrong-direction", "preload-too-low", "nothing-to-set-aside", "custodian-only", "never-set-aside",
    "repeats-used", "not-offered", "waiting", "not-asked".
    """

    key: str


Effect = Save | StorePull | TakeZero | TakeHold | Seal | Sound | Tell
