"""What the session needs of a link. `drivers.Link` has this shape; the composition hands in a way to open one."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple, Protocol

from drivers.samples import SampleBlock
from drivers.status import LinkStatus


class LinkPort(Protocol):
    """An open link. Its callbacks come from the link's own thread."""

    def start(self) -> None:
        """Start the thread; may be called once."""
        ...

    def stop(self, timeout_s: float = 2.0) -> None:
        """Stop and join; may be called again."""
        ...

    def status(self) -> LinkStatus:
        """Newest status; any thread."""
        ...

    def send(self, command: str) -> bool:
        """Send the profile's command of that name ("zero", "identify"); False when the profile has none."""
        ...

    def pause(self) -> bool:
        """Hold a replay still; False when this is none. So do the next three."""
        ...

    def resume(self) -> bool:
        """Let it go on."""
        ...

    def step(self) -> bool:
        """Give out one more piece of it."""
        ...

    def set_speed(self, speed: float) -> bool:
        """Replay at `speed`, 0.1 to 20. Raises ValueError."""
        ...

    def start_capture(self, path: str) -> None:
        """Write raw bytes to `path` from now on; the status tells how it goes, nothing is raised."""
        ...

    def stop_capture(self) -> None:
        """End it and write the sidecar."""
        ...


class AmbientReading(NamedTuple):
    """What a thermometer says of the air now.

    Attributes:
        celsius: Temperature, °C.
        humidity_percent: Relative humidity, %; None where it measures none.
        name: Of the thermometer, as the record shall say it.
    """

    celsius: float
    humidity_percent: float | None
    name: str


LinkOpener = Callable[[str, str, Callable[[SampleBlock], None], Callable[[LinkStatus], None]], LinkPort]
"""(url, profile name, on_block, on_status) -> link, not started. Raises ValueError for a URL or profile unknown."""
