"""The keys of the window: two that act on the page shown, codes that are scanned, one that pulls the simulated tool."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from PySide6.QtCore import QEvent, QObject, Qt, QTimer
from PySide6.QtGui import QKeyEvent, QKeySequence
from PySide6.QtWidgets import (
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QLineEdit,
    QPlainTextEdit,
    QTextEdit,
    QWidget,
)

from benchapp.ui.keys import ASIDE_KEYS, GO_KEYS, CodeScanned, KeyEvent, KeyPressed, KeySorter, Repeats, shown

if TYPE_CHECKING:
    from benchapp.ui.shell import MainWindow

HELD_MS: Final = 12  # how often a key is looked at that may be the first of a code
TEXT_FIELDS: Final = (QLineEdit, QTextEdit, QPlainTextEdit, QAbstractSpinBox, QComboBox)


class WindowKeys(QObject):
    """Looks at every key of a window before Qt does.

    Args:
        window: Whose keys; it says what they act on (`keyed`) and takes codes (`take_code`).
    """

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self.window = window
        self._sorter = KeySorter()
        self._repeats = Repeats()
        self._stamp_offset = 1e9
        self._timer = QTimer(self)
        self._timer.setInterval(HELD_MS)
        self._timer.timeout.connect(self.due)
        window.teacher.learned.connect(self._learned)

    def start(self) -> None:
        """Look at keys from now on."""
        app = QApplication.instance()
        if app is not None:
            app.installEventFilter(self)

    def stop(self) -> None:
        """Look no more; may be called again."""
        app = QApplication.instance()
        if app is not None:
            app.removeEventFilter(self)
        self._timer.stop()

    @property
    def is_waiting(self) -> bool:
        """A key is held back: it may be the first of a code."""
        return self._sorter.is_waiting

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Every key press of this window goes through here first."""
        # most events are of other classes, and asking one for its type makes a Python object
        if not isinstance(event, QKeyEvent) or event.type() not in (QEvent.Type.KeyPress, QEvent.Type.KeyRelease):
            return False
        if not isinstance(watched, QWidget) or watched.window() is not self.window or QApplication.activePopupWidget():
            return False
        focus = QApplication.focusWidget()
        if watched is not (focus or self.window):
            return False  # Qt offers an unused key to the parents too: once is enough
        name = QKeySequence(event.key()).toString(QKeySequence.SequenceFormat.PortableText)
        now = self._stamp(event)
        repeats = event.isAutoRepeat()
        if event.type() == QEvent.Type.KeyRelease:
            self._repeats.release(name, now)
        elif self._repeats.press(name, now):
            repeats |= not self._sorter.is_waiting  # a scanner types the same character twice as fast as that
        if self._hand_key(event):
            return True
        return event.type() == QEvent.Type.KeyPress and self._key(event, name, now, repeats=repeats)

    def _hand_key(self, event: QKeyEvent) -> bool:
        """Key P, held, pulls the simulated tool."""
        press = getattr(self.window.hand, "key", None)
        if event.key() != Qt.Key.Key_P or not callable(press) or event.modifiers() & ~Qt.KeyboardModifier.ShiftModifier:
            return False
        if isinstance(QApplication.focusWidget(), TEXT_FIELDS) or self.window.teacher.isVisible():
            return False
        if self._sorter.is_waiting and event.type() == QEvent.Type.KeyPress:
            return False  # in the middle of a code
        if not event.isAutoRepeat():
            press(event.type() == QEvent.Type.KeyPress)
        return True

    def _key(self, event: QKeyEvent, name: str, now: float, *, repeats: bool) -> bool:
        """Return True when the key was ours."""
        key = event.key()
        if key in (Qt.Key.Key_Control, Qt.Key.Key_Shift, Qt.Key.Key_Alt, Qt.Key.Key_Meta, Qt.Key.Key_AltGr):
            return False
        if event.modifiers() & (Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.AltModifier):
            return False
        if self.window.teacher.isVisible():
            self.window.teacher.take(name)
            return True
        if self.window.question.isVisible():
            return repeats or self.window.question.walk(go=name in self._go_keys(), aside=name in self._aside_keys())
        focus = QApplication.focusWidget()
        if isinstance(focus, TEXT_FIELDS) and focus.isVisible():
            # The field keeps what is typed or scanned; on the Bench a pedal that types nothing still acts.
            empty = focus is self.window.bench.entry.field and not self.window.bench.entry.has_text
            if self._takes_keys() and (empty or not event.text()) and name in self._bound():
                return repeats or self._handle([KeyPressed(name)])
            return key == Qt.Key.Key_Escape and self._takes_keys() and self._handle([KeyPressed("Esc")])
        if repeats:
            return self._takes_keys()
        events = self._sorter.press(name, event.text(), now)
        if self._sorter.is_waiting:
            self._timer.start()
        if self._takes_keys():
            self._handle(events)
            # Arrows, Tab and function keys that nobody bound stay with Qt.
            is_typed = bool(event.text()) and event.text().isprintable()
            return is_typed or name in self._bound() or name == "Esc"
        consumed = False
        for each in events:
            if isinstance(each, CodeScanned):
                self.window.take_code(each.text)
                consumed = True
        return consumed

    def _takes_keys(self) -> bool:
        return self.window.keyed() is not None

    def _go_keys(self) -> list[str]:
        return list(self.window.settings.get("go_keys") or GO_KEYS)

    def _aside_keys(self) -> list[str]:
        return list(self.window.settings.get("aside_keys") or ASIDE_KEYS)

    def _bound(self) -> set[str]:
        return {*self._go_keys(), *self._aside_keys()}

    def _stamp(self, event: QKeyEvent) -> float:
        """Seconds at which the key was pressed: the system's own stamp, since ours is late when the window was busy."""
        now = time.monotonic()
        if event.timestamp() == 0:
            return now
        stamp = event.timestamp() / 1000.0
        self._stamp_offset = (
            min(self._stamp_offset, now - stamp) if abs(now - stamp - self._stamp_offset) < 5 else now - stamp
        )
        return stamp + self._stamp_offset

    def due(self) -> None:
        """A key that was held back, because it might have been the first of a code, acts now."""
        events = self._sorter.due(time.monotonic())
        if not self._sorter.is_waiting:
            self._timer.stop()
        if self._takes_keys():
            self._handle(events)

    def _handle(self, events: Sequence[KeyEvent]) -> bool:
        go, aside = self._go_keys(), self._aside_keys()
        for each in events:
            page = self.window.keyed()
            if isinstance(each, CodeScanned):
                self.window.take_code(each.text)
            elif page is None:
                continue
            elif each.name in go:
                page.act("go")
            elif each.name in aside:
                page.act("aside")
            elif each.name == "Esc":
                page.act("leave")
        return bool(events)

    # ----------------------------------------------------------------------------------------------------- the two keys

    def forget(self) -> None:
        """The keys as delivered."""
        self.window.settings.put("go_keys", [])
        self.window.settings.put("aside_keys", [])
        self.window.bench.restyle()

    def _learned(self, which: str, name: str) -> None:
        builtin = GO_KEYS if which == "go" else ASIDE_KEYS
        other = "aside_keys" if which == "go" else "go_keys"
        rest = [k for k in (self.window.settings.get(other) or (ASIDE_KEYS if which == "go" else GO_KEYS)) if k != name]
        if not rest:  # what is left would be the keys as delivered, and this one with both meanings
            what = "proposes to set aside" if which == "go" else "goes on"
            self.window.show_message(
                "problem", f"{shown(name)} is the last key that {what}: teach another one that first."
            )
            return
        mine = [name, *(k for k in (self.window.settings.get(f"{which}_keys") or builtin) if k != name)]
        self.window.settings.put(f"{which}_keys", mine)
        self.window.settings.put(other, rest)
        self.window.bench.restyle()
        what = "goes on" if which == "go" else "proposes to set aside"
        self.window.show_message("note", f"{shown(name)} {what} from now on.")
