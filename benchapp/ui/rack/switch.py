"""The views of the Rack beside its list of tools, and the row of buttons that goes from one to the other."""

from __future__ import annotations

import importlib
from typing import Final

from PySide6.QtWidgets import QWidget

from benchapp.ui.context import AppContext

TOOLS: Final = "tools"
VIEW_WORDS: Final = {TOOLS: "Tools", "due": "Due", "jobs": "Jobs", "work": "Work list", "fleet": "Fleet"}
"""Key of each view and its word on the switch. Others have no button: they are opened from something."""

_VIEWS: Final = {
    "due": ("benchapp.ui.rack.due", "DueView"),
    "jobs": ("benchapp.ui.rack.jobs", "JobsView"),
    "work": ("benchapp.ui.rack.work", "WorkView"),
    "fleet": ("benchapp.ui.rack.fleet", "FleetView"),
    "life": ("benchapp.ui.rack.life", "LifeView"),
    "impact": ("benchapp.ui.rack.impact", "ImpactView"),
    "labels": ("benchapp.ui.rack.labelview", "LabelView"),
}
"""Where each is made: module and class, called with the context. It may offer `refresh()`, `open(key)`,
`heading() -> (title, line under it)`, `stop()`, and the signals `heading_changed` and `left`."""


def build_view(name: str, context: AppContext) -> QWidget:
    """Make a view when it is first wanted."""
    module, made = _VIEWS[name]
    widget: QWidget = getattr(importlib.import_module(module), made)(context)
    return widget


def offered() -> list[tuple[str, str]]:
    """Return (key, word) of the views of the switch."""
    return list(VIEW_WORDS.items())


def is_view(name: str) -> bool:
    """Return True for the key of a view beside the tools."""
    return name in _VIEWS
