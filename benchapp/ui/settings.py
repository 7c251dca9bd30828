"""What the window remembers between two starts: one JSON file, written whole or not at all."""

from __future__ import annotations

import contextlib
import json
import logging
import os
from pathlib import Path
from typing import Any, Final

log = logging.getLogger(__name__)

DEFAULTS: Final[dict[str, Any]] = {
    "theme": "",  # "light", "dark"; "" as the desktop
    "unit": "N·m",
    "operator": "",
    "operators": [],
    "muted": False,
    "go_keys": [],  # learned; empty: the built-in ones
    "aside_keys": [],
    "link_url": "",
    "link_profile": "",
    "thermometer_url": "",
    "thermometer_profile": "",
    "thermometer_number": "",
    "reference": "",
    "procedure": "",
    "window": [],  # x, y, width, height
    "full_screen": False,
    "leave_reasons": [],
}


class Settings:
    """Named values with defaults. An unreadable file is kept beside as `.unreadable` and the defaults are used.

    Args:
        path: The JSON file; None keeps everything in memory.
    """

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.problem = ""
        self._values: dict[str, Any] = dict(DEFAULTS)
        if path is not None and path.exists():
            try:
                read = json.loads(path.read_text(encoding="utf-8"))
                for key, value in dict(read).items():
                    default = DEFAULTS.get(key)
                    if default is None or isinstance(value, type(default)):
                        self._values[key] = value
            except (OSError, ValueError, TypeError) as error:
                self.problem = f"{path}: the settings could not be read ({error}); starting with the built-in ones."
                log.warning("%s", self.problem)
                with contextlib.suppress(OSError):
                    path.replace(path.with_suffix(".unreadable"))

    def get(self, key: str) -> Any:
        """Return the value of `key`; a KeyError for a name that is none of ours."""
        return self._values[key] if key in self._values else DEFAULTS[key]

    def put(self, key: str, value: Any) -> None:
        """Change `key` and write the file when that changes anything."""
        if self._values.get(key) == value:
            return
        self._values[key] = value
        self.save()

    def save(self) -> None:
        """Write the file; a failure is logged and told in `problem`, never raised: settings are not worth a run."""
        if self.path is None:
            return
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            draft = self.path.with_name(self.path.name + ".new")
            draft.write_text(json.dumps(self._values, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
            os.replace(draft, self.path)
        except OSError as error:
            self.problem = f"{self.path}: the settings could not be written ({error.strerror or error})."
            log.warning("%s", self.problem)
