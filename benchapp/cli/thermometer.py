"""The thermometer of the window: opened from the settings, asked by the session, chosen in a dialog."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from benchapp.session.link import AmbientReading
from benchapp.ui import thermometerwords as words

if TYPE_CHECKING:
    from drivers.thermometer import Thermometer, ThermometerProfiles

log = logging.getLogger(__name__)

DIGITS = 2
"""Decimals of °C and % that are kept: thermometers of a workshop resolve 0.1, and °F leaves endless fractions."""


class AirSource:
    """At most one thermometer at a time. `reading` is for any thread, the rest for the window's.

    Args:
        profiles: Reads the profiles when first asked for.
    """

    def __init__(self, profiles: Callable[[], ThermometerProfiles]) -> None:
        self._load = profiles
        self._profiles: ThermometerProfiles | None = None
        self._open: tuple[Thermometer, str] | None = None  # and what the record calls it
        self.url = ""
        self.problem = ""

    def profiles(self) -> ThermometerProfiles:
        """Built-in profiles and the user's own, read once."""
        if self._profiles is None:
            self._profiles = self._load()
        return self._profiles

    def profile_names(self) -> Sequence[str]:
        """Names of all profiles."""
        return self.profiles().names

    def open(self, url: str, profile: str, number: str = "") -> None:
        """Read the thermometer at `url` from now on; "" none. What is wrong stands in `problem`.

        Args:
            url: Port name or ``socket://HOST:PORT``.
            profile: Name of its profile.
            number: What the workshop calls it; "" the profile's name stands in the record.
        """
        self.close()
        self.problem = ""
        if not url:
            return
        from drivers.thermometer import Thermometer

        try:
            made = Thermometer(url, self.profiles().get(profile))
        except ValueError as error:  # a profile or URL that is none
            self.problem = str(error)
            log.warning("thermometer: %s", error)
            return
        made.start()
        self.url = url
        self._open = (made, number or profile)

    def close(self) -> None:
        """Let go of the port; may be called again."""
        was, self._open, self.url = self._open, None, ""
        if was is not None:
            was[0].stop(0.5)

    def reading(self) -> AmbientReading | None:
        """What a run may use now; None without a fresh value."""
        now = self._open
        air = now[0].air() if now is not None else None
        if now is None or air is None:
            return None
        humidity = None if air.humidity_percent is None else round(air.humidity_percent, DIGITS)
        return AmbientReading(round(air.celsius, DIGITS), humidity, now[1])

    def said(self) -> str:
        """How it is doing, in a sentence."""
        if self._open is None:
            return self.problem or words.NONE_READ
        status = self._open[0].status()
        air = status.air
        value = "" if air is None else words.value(air.celsius, air.humidity_percent, status.age_s)
        return " ".join(part for part in (value, status.reason) if part) or words.WAITING
