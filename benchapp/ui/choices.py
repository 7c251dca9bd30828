"""Fields for one of several: a row of buttons, or a list to pick from."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from PySide6.QtCore import QEvent, QObject, QSize, Qt
from PySide6.QtGui import QKeyEvent, QResizeEvent
from PySide6.QtWidgets import QButtonGroup, QHBoxLayout, QPushButton, QSizePolicy, QWidget

from benchapp.ui.controls import Choices
from benchapp.ui.fields import Field

LIST_EDGES: Final = 62  # what a list to pick from needs beside its text, pixels


class ChoiceField(Field):
    """A row of buttons of which one is down; arrow keys move, Tab leaves the row.

    Where there is no room for the row, a list to pick from stands in its place.

    Args:
        options: (key, words) in order; the first is chosen unless `value` says otherwise.
    """

    def __init__(
        self,
        label: str,
        options: Sequence[tuple[str, str]],
        *,
        value: str | None = None,
        hint: str = "",
        on_change: Callable[[str], None] | None = None,
    ) -> None:
        super().__init__(label, hint=hint)
        self._buttons: dict[str, QPushButton] = {}
        self._group = QButtonGroup(self)
        self._group.setExclusive(True)
        self.row.setSpacing(0)
        self._strip = QWidget()
        strip = QHBoxLayout(self._strip)
        strip.setContentsMargins(0, 0, 0, 0)
        strip.setSpacing(0)
        self._list = Choices()
        self._list.setAccessibleName(label)
        self._list.hide()
        for index, (key, words) in enumerate(options):
            button = QPushButton(words)
            button.setCheckable(True)
            button.setProperty("kind", "choice")
            place = "only" if len(options) == 1 else {0: "first", len(options) - 1: "last"}.get(index, "middle")
            button.setProperty("place", place)
            button.setSizePolicy(QSizePolicy.Policy.Maximum, QSizePolicy.Policy.Fixed)
            button.setAutoDefault(False)
            button.installEventFilter(self)
            self._group.addButton(button)
            self._buttons[key] = button
            strip.addWidget(button)
        self.row.addWidget(self._strip)
        self.row.addWidget(self._list)
        self.row.addStretch(1)
        self.put(options[0][0] if value is None else value)
        self._group.buttonClicked.connect(self._clicked)
        self._list.activated.connect(lambda _index: self.choose(str(self._list.currentData())))
        if on_change is not None:
            self.changed.connect(lambda: on_change(self.value()))

    def value(self) -> str:
        """Return what was entered; `FieldError` when it cannot be taken."""
        return next(key for key, button in self._buttons.items() if button.isChecked())

    def put(self, value: Any) -> None:
        """Show `value`."""
        self._buttons[value].setChecked(True)
        self._one_tab_stop()

    def choose(self, key: str) -> None:
        """Take `key` as if it had been clicked."""
        if key != self.value():
            had_keyboard = any(button.hasFocus() for button in self._buttons.values())
            self.put(key)
            if had_keyboard:
                self._buttons[key].setFocus(Qt.FocusReason.OtherFocusReason)
            self._edited()

    def reword(self, key: str, words: str) -> None:
        """Let the button of `key` say something else."""
        if self._buttons[key].text() != words:
            self._buttons[key].setText(words)
            self._fill_list()
            self.updateGeometry()

    def _clicked(self) -> None:
        self._one_tab_stop()
        self._edited()

    def sizeHint(self) -> QSize:
        """All the buttons beside one another."""
        for button in self._buttons.values():
            button.ensurePolished()
        return self._strip.sizeHint()

    def minimumSizeHint(self) -> QSize:
        """Room for the list that stands in for the buttons."""
        whole = self.sizeHint()
        widest = max(self.fontMetrics().horizontalAdvance(button.text()) for button in self._buttons.values())
        return QSize(min(whole.width(), widest + LIST_EDGES), whole.height())

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Show the buttons, or the list where they have no room."""
        super().resizeEvent(event)
        folded = self.width() < self.sizeHint().width()
        if folded == self._list.isHidden():
            self._list.setVisible(folded)
            self._strip.setVisible(not folded)
            self._one_tab_stop()

    def _fill_list(self) -> None:
        self._list.clear()
        for key, button in self._buttons.items():
            if not button.isHidden() or button.isChecked():
                self._list.addItem(button.text(), key)
        self._list.setCurrentIndex(self._list.findData(self.value()))

    def _one_tab_stop(self) -> None:
        self._fill_list()
        if not self._list.isHidden():
            self.setFocusProxy(self._list)
            return
        for button in self._buttons.values():
            chosen = button.isChecked()
            button.setFocusPolicy(Qt.FocusPolicy.StrongFocus if chosen else Qt.FocusPolicy.ClickFocus)
            if chosen:
                self.setFocusProxy(button)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Walk the row with the arrow keys."""
        if event.type() == QEvent.Type.KeyPress and isinstance(event, QKeyEvent):
            keys = list(self._buttons)
            here = keys.index(self.value())
            step = {Qt.Key.Key_Left: -1, Qt.Key.Key_Up: -1, Qt.Key.Key_Right: 1, Qt.Key.Key_Down: 1}.get(
                Qt.Key(event.key())
            )
            if step is not None:
                key = keys[(here + step) % len(keys)]
                self.choose(key)
                self._buttons[key].setFocus(Qt.FocusReason.TabFocusReason)
                return True
        return super().eventFilter(watched, event)


class PickField(Field):
    """One of a list that may be long; `options` are (key, words)."""

    def __init__(
        self, label: str, options: Sequence[tuple[str, str]], *, value: str | None = None, hint: str = ""
    ) -> None:
        super().__init__(label, hint=hint)
        self.box = Choices()
        self.box.setMinimumWidth(160)
        for key, words in options:
            self.box.addItem(words, key)
        self.caption.setBuddy(self.box)
        self.setFocusProxy(self.box)
        self.row.addWidget(self.box)
        self.row.addStretch(1)
        if value is not None:
            self.put(value)
        self.box.currentIndexChanged.connect(self._edited)

    def value(self) -> str:
        """Return what was entered; `FieldError` when it cannot be taken."""
        return str(self.box.currentData() or "")

    def put(self, value: Any) -> None:
        """Show `value`."""
        index = self.box.findData(value)
        if index < 0 and value:
            self.box.addItem(str(value), value)
            index = self.box.count() - 1
        self.box.setCurrentIndex(max(0, index))
