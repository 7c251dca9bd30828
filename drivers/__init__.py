"""Transducers: links by URL, framing, profiles, decoding to sample blocks, link states, clock.

`Link`, `Profiles`, `find_profile` and `list_ports` are what the composition needs; they are loaded when first asked
for, because the pure modules `drivers.samples` and `drivers.status` must not bring a serial port along.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from drivers.link import Link
    from drivers.ports import find_profile, list_ports
    from drivers.profile import Profile, Profiles

__all__ = ["Link", "Profile", "Profiles", "find_profile", "list_ports"]

_HOMES: Final = {
    "Link": "drivers.link",
    "Profile": "drivers.profile",
    "Profiles": "drivers.profile",
    "find_profile": "drivers.ports",
    "list_ports": "drivers.ports",
}


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'drivers' has no attribute {name!r}")
    return getattr(importlib.import_module(home), name)
