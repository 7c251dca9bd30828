"""Where the records lie."""

from __future__ import annotations

from pathlib import Path


def store_path(*, demo: bool) -> Path:
    """The live or the demo store of this account, in the platform's folder for data."""
    import platformdirs  # kept off the start-up path of commands that need no place

    return Path(platformdirs.user_data_dir("kilter", appauthor=False)) / ("demo.sqlite" if demo else "records.sqlite")
