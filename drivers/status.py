"""How a link is doing, as data. Pure, like `drivers.samples`: the layers above may import it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from drivers.samples import Source


class LinkState(StrEnum):
    """States of a link."""

    CLOSED = "closed"
    OPENING = "opening"
    STREAMING = "streaming"
    SILENT = "silent"  # open, but no line understood for a while
    LOST = "lost"  # was open and went away; tried again by itself
    REFUSED = "refused"  # could not be opened, or what comes cannot be understood


@dataclass(frozen=True, slots=True)
class CaptureStatus:
    """A recording of the bytes of a port.

    Attributes:
        path: Of the file.
        n_bytes: So many lie in it.
        limit_bytes: At so many it ends by itself.
        ended: Why it ended without having been asked to; "" while it runs.
    """

    path: str
    n_bytes: int
    limit_bytes: int
    ended: str = ""


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """One moment of a link.

    Attributes:
        state: See `LinkState`.
        url: As opened.
        profile: Name of the profile in use.
        reason: One sentence, what happened and what to do; empty while streaming.
        rate_hz: Samples per second measured over the last seconds; 0 unknown.
        n_lines: Lines understood since the link was first opened.
        n_refused: Lines skipped (no match, checksum, too long).
        n_gaps: Gaps seen.
        n_overloads: Overload tokens seen.
        n_reconnects: How often it came back.
        identity: The device's answer to `identify`, else the USB serial number; empty when it cannot tell.
        identity_from: "reply", "usb", or "".
        source: Where its samples come from.
        capacity: Of the reference by the profile, in `capacity_unit`; None unknown.
        capacity_unit: A key of `FACTORS`.
        clockwise_positive: What positive means, by the profile.
        filter_hz: The device's own low-pass by the profile; 0 unknown.
        has_zero_command: The profile has the device's own zero.
        capture: The recording of its bytes that runs, or has ended by itself; None: none.
    """

    state: LinkState
    url: str = ""
    profile: str = ""
    reason: str = ""
    rate_hz: float = 0.0
    n_lines: int = 0
    n_refused: int = 0
    n_gaps: int = 0
    n_overloads: int = 0
    n_reconnects: int = 0
    identity: str = ""
    identity_from: str = ""
    source: Source = Source.LIVE
    capacity: float | None = None
    capacity_unit: str = "N·m"
    clockwise_positive: bool = True
    filter_hz: float = 0.0
    has_zero_command: bool = False
    capture: CaptureStatus | None = None
