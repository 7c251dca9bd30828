"""Telling keys apart: the pedal's single key, and a code that a scanner types. Pure: time comes in as an argument.

A foot switch or presenter sends ordinary keys; a code scanner types a whole text within hundredths of a second and
ends it with Enter. A single printable key is therefore held back for `HOLD_S` before it acts; when another follows at
once both belong to a code, and none of its characters acts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

HOLD_S: Final = 0.045  # a fast typist's keys are 80 ms apart or more; scanners send one every 1 to 30 ms
REPEAT_S: Final = 0.03  # nothing on earth lets a key go and presses it again so soon: it repeats, or its switch bounces
LEAST_CODE: Final = 3  # characters; a shorter burst is two fingers, not a scanner

GO_KEYS: Final = ("Space", "Return", "Enter", "PgDown")
ASIDE_KEYS: Final = ("D", "PgUp")


@dataclass(frozen=True, slots=True)
class KeyPressed:
    """A single key, by the name that Qt's portable key text gives it."""

    name: str


@dataclass(frozen=True, slots=True)
class CodeScanned:
    """A whole code; the Enter that ended it is consumed."""

    text: str


KeyEvent = KeyPressed | CodeScanned


class KeySorter:
    """Sort key presses into single keys and scanned codes."""

    def __init__(self) -> None:
        self._held: list[tuple[str, str]] = []  # (name, character)
        self._last_s = -1e9

    @property
    def is_waiting(self) -> bool:
        """True while a key is held back; `due` must be called."""
        return bool(self._held)

    def press(self, name: str, text: str, now_s: float) -> list[KeyEvent]:
        """Take in a key press.

        Args:
            name: E.g. "Space", "D", "PgDown".
            text: The character it types; "" for none.
            now_s: Seconds on any steady clock.

        Returns:
            What is certain by now, in order.
        """
        events: list[KeyEvent] = []
        follows = now_s - self._last_s <= HOLD_S
        self._last_s = now_s
        if not follows:
            events += self._let_go()
        if name in ("Return", "Enter") or text in ("\r", "\n"):
            code = "".join(character for _, character in self._held)
            if follows and len(code) >= LEAST_CODE:
                self._held.clear()
                return [*events, CodeScanned(code)]
            events += self._let_go()
            return [*events, KeyPressed(name)]
        if len(text) == 1 and text.isprintable():
            self._held.append((name, text))
            return events
        events += self._let_go()
        return [*events, KeyPressed(name)]

    def due(self, now_s: float) -> list[KeyEvent]:
        """Return the key that was held back long enough to be a single one."""
        return self._let_go() if self._held and now_s - self._last_s > HOLD_S else []

    def _let_go(self) -> list[KeyEvent]:
        """A single held key acts, once; several in a row without Enter were a code cut short and do nothing."""
        held, self._held = self._held, []
        if len(held) >= LEAST_CODE:
            return []
        return [KeyPressed(name) for name in dict.fromkeys(name for name, _ in held)]


class Repeats:
    """Which presses a key sends by itself while it is kept down, or a switch by bouncing.

    Qt marks those of a key kept down, but under X11 only where release and press reach it together: of a foot on the
    pedal three in four came apart, and each would have answered the next question.
    """

    def __init__(self) -> None:
        self._released_s: dict[str, float] = {}

    def press(self, name: str, now_s: float) -> bool:
        """Return whether this press comes too soon after the same key came up to be a person's."""
        released_s = self._released_s.pop(name, None)
        return released_s is not None and 0 <= now_s - released_s < REPEAT_S

    def release(self, name: str, now_s: float) -> None:
        """Take in that a key came up."""
        self._released_s[name] = now_s


def shown(name: str) -> str:
    """Return a key's name as it is printed on most keyboards.

    >>> shown("PgDown"), shown("D")
    ('Page ↓', 'D')
    """
    return {"PgDown": "Page ↓", "PgUp": "Page ↑", "Return": "Enter", "Backspace": "Back"}.get(name, name)
