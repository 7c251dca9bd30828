"""The Practice page: drills, progress, and the study of person or tool, on one switch."""

from __future__ import annotations

import importlib
import importlib.util
from typing import Any

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QWidget

from benchapp.ui import words
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.page import EmptyNote, Page
from benchapp.ui.practice import texts
from benchapp.ui.practice.drillview import DrillView
from benchapp.ui.practice.progress import ProgressView

STUDY_MODULE = "benchapp.ui.practice.studyview"


class PracticePage(Page):
    """One switch; the views are made when first wanted, the study by `StudyView(context)`.

    Keys it opens: "drills", "drills:TOOL NUMBER", "progress", "study" and "study:KEY". A view may offer `refresh()`,
    `restyle()`, `stop()`, `open(key)`, and, to have the two keys, `takes_keys` and `act(action)`; one that takes the
    whole page while something is under way emits `under_way(bool)`.
    """

    concerns = ("tools", "runs", "people", "references", "practice", "studies")

    def __init__(self, context: AppContext) -> None:
        super().__init__(context, words.PAGES["practice"])
        offered = [row for row in texts.SWITCH if row[0] != "study" or importlib.util.find_spec(STUDY_MODULE)]
        self.switch = ChoiceField("View", offered, on_change=lambda name: self.show_view(name))
        self.action_row.addWidget(self.switch)
        self._built: dict[str, QWidget] = {}
        self.waiting = EmptyNote("", "The records are being opened …")
        self.views.addWidget(self.waiting)
        self.show_view("drills")

    def show_view(self, name: str, key: str = "") -> None:
        """Show one of the views."""
        if name not in self._built:
            view: Any
            if name == "drills":
                view = DrillView(self.context)
            elif name == "progress":
                view = ProgressView(self.context)
            else:
                view = importlib.import_module(STUDY_MODULE).StudyView(self.context)
            self._built[name] = view
            self.views.addWidget(view)
            told = getattr(view, "under_way", None)
            if told is not None:
                told.connect(self._under_way)
        view = self._built[name]
        self.switch.put(name)
        self.views.setCurrentWidget(view)
        self._call(view, "restyle")
        self.refresh()
        opener = getattr(view, "open", None)
        if key and callable(opener):
            opener(key)
        view.setFocus(Qt.FocusReason.OtherFocusReason)

    @property
    def view(self) -> QWidget:
        """The view shown."""
        return self._built[self.switch.value()]

    def _under_way(self, yes: bool) -> None:
        """While something is under way it has the whole page: nothing beside it is to be clicked."""
        for part in (self.title, self.subtitle, self.switch):
            part.setVisible(not yes)
        self.keep_margins(yes=not yes)
        self.keep_room(yes=not yes)

    @property
    def takes_keys(self) -> bool:
        """The view shown wants the two keys."""
        return bool(getattr(self.view, "takes_keys", False))

    def act(self, action: str) -> None:
        """Do what a key means now: "go", "aside" or "leave"."""
        handler = getattr(self.view, "act", None)
        if callable(handler):
            handler(action)

    def refresh(self) -> None:
        """Read the store again; until it is open, say so."""
        if not getattr(self, "_built", None):
            return
        if self.context.store is None:
            self.views.setCurrentWidget(self.waiting)
            return
        self.views.setCurrentWidget(self.view)
        self._call(self.view, "refresh")

    def open(self, key: str) -> None:
        """Show a view, and in it what the key names."""
        name, _, rest = key.partition(":")
        if any(name == each for each, _ in texts.SWITCH):
            self.show_view(name, rest)

    def restyle(self) -> None:
        """Take the palette and the size in force, in the views too."""
        super().restyle()
        for view in getattr(self, "_built", {}).values():
            self._call(view, "restyle")

    def stop(self) -> None:
        """End what the views have going on."""
        for view in self._built.values():
            self._call(view, "stop")

    @staticmethod
    def _call(view: QWidget, name: str) -> None:
        method = getattr(view, name, None)
        if callable(method):
            method()
