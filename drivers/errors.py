"""Errors that leave this folder. A link does not raise while it runs: it tells its state (`drivers.status`)."""

from __future__ import annotations


class ProfileError(ValueError):
    """A profile that breaks the rules of `drivers.profile`.

    Attributes:
        file: Path or name of the file.
        key: Dotted key, e.g. ``line.pattern``; empty when the file as a whole is meant.
        reason: One sentence without the other two.
    """

    def __init__(self, file: str, key: str, reason: str) -> None:
        super().__init__(f"{file}: {key}: {reason}" if key else f"{file}: {reason}")
        self.file = file
        self.key = key
        self.reason = reason


class UrlError(ValueError):
    """A link URL that cannot be understood; the text says which part and what would work."""


class RecordingError(ValueError):
    """A recorded file that cannot be replayed or decoded; the text names file, place and reason."""
