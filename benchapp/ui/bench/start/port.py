"""How the link to the transducer stands, and, where they are to be chosen, its port and how it talks."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from PySide6.QtCore import QObject

from benchapp.session.view import BenchView
from benchapp.ui import words
from benchapp.ui.bench.start.card import Card
from benchapp.ui.context import AppContext
from benchapp.ui.settings import Settings

Offered = Callable[[], Sequence[tuple[str, str]]]
"""Gives (key, words) of what can be chosen."""


class PortChoice(QObject):
    """Adds to a card two lines on the link, the ports found, the profiles known.

    Args:
        context: Shared by all pages.
        settings: Remembers port and profile.
        card: To which they are added.
        ports: Gives the ports found by URL; None: the link is opened by the composition.
        profiles: Gives the profiles known by name; None: there is nothing to choose.
    """

    def __init__(
        self, context: AppContext, settings: Settings, card: Card, ports: Offered | None, profiles: Offered | None
    ) -> None:
        super().__init__(card)
        self.context = context
        self.settings = settings
        self._list_ports, self._list_profiles = ports, profiles
        self.link_line = card.note()
        self.now_line = card.note()
        self.ports = card.choices("Port of the transducer")
        self.profiles = card.choices("How the transducer talks")
        self.ports.setVisible(ports is not None)
        self.profiles.setVisible(profiles is not None)
        for widget in (self.link_line, self.now_line, self.ports, self.profiles):
            card.column.addWidget(widget)
        for box in (self.ports, self.profiles):
            box.activated.connect(self._chosen)

    @property
    def profile(self) -> str:
        """The profile chosen, or the last one."""
        return str(self.profiles.currentData() or self.settings.get("link_profile") or "")

    def fill(self) -> None:
        """Look for ports again; the only one there is, is opened by itself."""
        if self._list_profiles is not None and self.profiles.count() == 0:
            for name, text in self._list_profiles():
                self.profiles.addItem(text, name)
            self.profiles.setCurrentIndex(max(0, self.profiles.findData(self.settings.get("link_profile"))))
        if self._list_ports is None:
            return
        remembered = self.settings.get("link_url")
        chosen = self.ports.currentData() or remembered
        found = list(self._list_ports())
        self.ports.clear()
        for url, text in found or [("", "no port found: plug the transducer in")]:
            self.ports.addItem(text, url)
        self.ports.setCurrentIndex(max(0, self.ports.findData(chosen)))
        # the port of last time is opened by the composition; a link may have been asked for that no view knows of yet
        if len(found) == 1 and not remembered and self.context.bench.view().link.state == "closed":
            self._open(found[0][0], unless_open=True)

    def _chosen(self) -> None:
        url = self.ports.currentData()
        if url:
            self._open(url)
        else:
            self.fill()

    def _open(self, url: str, *, unless_open: bool = False) -> None:
        profile = self.profile
        self.settings.put("link_url", url)
        self.settings.put("link_profile", profile)
        self.context.bench.open_link(url, profile, unless_open=unless_open)

    def show_link(self, view: BenchView, capacity_nm: float | None) -> None:
        """Say how the link stands and what the transducer says now.

        Args:
            view: Of the bench.
            capacity_nm: Of the reference, for the digits worth showing; None: unknown.
        """
        link, unit = view.link, self.context.unit
        text = f"Link: {words.LINK_STATES.get(link.state, link.state)}"
        if link.state == "streaming" and link.rate_hz > 0:
            text += f", {link.rate_hz:.0f} samples a second"
        elif link.reason:
            text += f". {link.reason}"
        self.link_line.setText(text)
        _, live_nm = self.context.bench.live()
        now = ""
        if link.state == "streaming" and math.isfinite(live_nm):
            figure = words.number(live_nm, unit, words.steps_of(capacity_nm)[0])
            now = f"It says {figure} {unit} now: press on it and see."
        self.now_line.setText(now)
