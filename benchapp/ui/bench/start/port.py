"""How the link to the transducer stands, and, where they are to be chosen, its port and how it talks."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

from PySide6.QtCore import QObject

from benchapp.session.view import BenchView
from benchapp.ui import words
from benchapp.ui.bench.start.card import Card
from benchapp.ui.bench.start.listening import Finder, Listening
from benchapp.ui.context import AppContext
from benchapp.ui.settings import Settings

Offered = Callable[[], Sequence[tuple[str, str]]]
"""Gives (key, words) of what can be chosen."""
OTHER: Final = "another address"
"""Key of the row behind which an address is typed."""


class PortChoice(QObject):
    """Adds to a card two lines on the link, the ports found, the profiles known.

    Args:
        context: Shared by all pages.
        settings: Remembers port and profile.
        card: To which they are added.
        ports: Gives the ports found by URL; None: the link is opened by the composition.
        profiles: Gives the profiles known by name; None: there is nothing to choose.
        finder: Listens to a port and finds the profile that fits; None: it cannot be found.
    """

    def __init__(
        self,
        context: AppContext,
        settings: Settings,
        card: Card,
        ports: Offered | None,
        profiles: Offered | None,
        finder: Finder | None,
    ) -> None:
        super().__init__(card)
        self.context = context
        self.settings = settings
        self._list_ports, self._list_profiles = ports, profiles
        self.link_line = card.note()
        self.now_line = card.note()
        self.ports = card.choices("Port of the transducer")
        self.other = card.line("Address of the port", "port name or socket://HOST:PORT", entered=self._other_entered)
        self.profiles = card.choices("How the transducer talks")
        self.listen = card.quiet("find out by listening …", "Two seconds of what it sends tell which profile fits")
        self.ports.setVisible(ports is not None)
        self.other.hide()
        self.profiles.setVisible(profiles is not None)
        self.listen.setVisible(finder is not None)
        for widget in (self.link_line, self.now_line, self.ports, self.other, self.profiles, self.listen):
            card.column.addWidget(widget)
        self.ports.activated.connect(self._port_chosen)
        self.profiles.activated.connect(self._profile_chosen)
        self.listening = Listening(context.bench, finder, self) if finder is not None else None
        if self.listening is not None:
            self.listen.clicked.connect(self._listen)
            self.listening.found.connect(self._found)
            self.listening.failed.connect(self._not_found)

    @property
    def url(self) -> str:
        """The port chosen or typed; "" none."""
        chosen = self.ports.currentData()
        return self.other.text().strip() if chosen == OTHER else str(chosen or "")

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
        remembered, link = self.settings.get("link_url"), self.context.bench.view().link
        in_use = link.url if link.state != "closed" and not link.url.startswith("replay:") else remembered
        chosen = OTHER if self.ports.currentData() == OTHER and not self.url else self.url or in_use
        found = list(self._list_ports())
        offered = [(url, url) for url in (chosen, in_use) if url and url != OTHER and url not in dict(found)]
        self.ports.clear()
        for url, text in (
            *dict(offered).items(),
            *(found if found or offered else [("", "no port found: plug the transducer in")]),
            (OTHER, "another address …"),
        ):
            self.ports.addItem(text, url)
        self.ports.setCurrentIndex(max(0, self.ports.findData(chosen)))
        self.other.setVisible(self.ports.currentData() == OTHER)
        # the port of last time is opened by the composition; a link may have been asked for that no view knows of yet
        if len(found) == 1 and not remembered and link.state == "closed" and not self._is_listening:
            self._open(found[0][0], unless_open=True)

    def _port_chosen(self) -> None:
        is_other = self.ports.currentData() == OTHER
        self.other.setVisible(is_other)
        if is_other:
            self.other.setFocus()
        elif self.url:
            self._open(self.url)
        else:
            self.fill()

    def _profile_chosen(self) -> None:
        if self.url:
            self._open(self.url)

    def _other_entered(self) -> None:
        if self.url:
            self._open(self.url)
            self.fill()  # from now on it stands in the list

    def _open(self, url: str, *, unless_open: bool = False) -> None:
        profile = self.profile
        self.settings.put("link_url", url)
        self.settings.put("link_profile", profile)
        self.context.bench.open_link(url, profile, unless_open=unless_open)

    # -------------------------------------------------------------------------------------------------------- listening

    @property
    def _is_listening(self) -> bool:
        return not self.listen.isEnabled()

    def _listen(self) -> None:
        if self.listening is None:
            return
        if not self.url:
            self.context.message.emit("problem", "Choose a port first; then it is listened to.")
            return
        self.listen.setEnabled(False)
        self.listening.start(self.url)

    def _found(self, url: str, profile: str) -> None:
        self.listen.setEnabled(True)
        self.profiles.setCurrentIndex(max(0, self.profiles.findData(profile)))
        self.context.message.emit("note", f"{url}: what comes fits the profile {profile!r}.")
        self._open(url)

    def _not_found(self, url: str, why: str) -> None:
        self.listen.setEnabled(True)
        self.context.message.emit("problem", why)
        self._open(url)

    def stop(self) -> None:
        """The window closes; may be called again."""
        if self.listening is not None:
            self.listening.stop()

    # ------------------------------------------------------------------------------------------------------------- link

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
        if self._is_listening:
            text = f"Link: listening to {self.url} for two seconds"
        self.link_line.setText(text)
        _, live_nm = self.context.bench.live()
        now = ""
        if link.state == "streaming" and math.isfinite(live_nm):
            figure = words.number(live_nm, unit, words.steps_of(capacity_nm)[0])
            now = f"It says {figure} {unit} now: press on it and see."
        self.now_line.setText(now)
        self.now_line.setVisible(bool(now) or not link.reason)  # the lines that say why need its room
