"""How long work learns that nobody wants it any more. No Qt."""

from __future__ import annotations


class CalledOff(Exception):  # noqa: N818 (nothing went wrong)
    """Somebody does not want it any more."""


def never() -> bool:
    """Nobody calls it off."""
    return False
