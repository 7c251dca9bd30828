"""The dialog in which a thermometer's port and profile are chosen, with what it says just now."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import QTimer, Signal
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QDialog, QHBoxLayout, QVBoxLayout, QWidget

from benchapp.ui import thermometerwords as words
from benchapp.ui.choices import PickField
from benchapp.ui.controls import label, main_button, plain_button
from benchapp.ui.fields import TextField
from benchapp.ui.form import Form
from benchapp.ui.theme import Sizes, font_of_cap


class ThermometerDialog(QDialog):
    """Chooses; whoever listens to `chosen` opens it.

    Args:
        ports: (URL, words) of the ports that there are.
        profiles: Names of the profiles.
        now: (URL, profile, number) as kept in the settings.
        said: Says how the open thermometer is doing.
        taken: URL of the transducer, which cannot be the thermometer's; "" none.
        parent: The window.
    """

    chosen = Signal(str, str, str)  # URL ("" for none), profile, number

    def __init__(
        self,
        ports: Sequence[tuple[str, str]],
        profiles: Sequence[str],
        now: tuple[str, str, str],
        said: Callable[[], str],
        taken: str,
        parent: QWidget,
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle(words.TITLE)
        self._said, self._taken = said, taken.partition("?")[0]
        sizes = Sizes.of(parent.height())
        column = QVBoxLayout(self)
        column.setContentsMargins(*(round(sizes.pad * 1.2),) * 4)
        column.setSpacing(round(sizes.gap * 0.9))
        title = label(words.TITLE)
        title.setFont(font_of_cap(sizes.small * 1.5, bold=True))
        column.addWidget(title)
        column.addWidget(label(words.WHY, "soft", wrap=True))
        self.form = Form(self, narrow=True)
        options = [("", words.NO_PORT), *((url, text) for url, text in ports if url != self._taken)]
        listed = any(url == now[0] for url, _ in options)
        self.port: PickField = self.form.add("port", PickField(words.PORT, options, value=now[0] if listed else ""))
        self.other: TextField = self.form.add(
            "other", TextField(words.OTHER_PORT, hint=words.OTHER_PORT_HINT, required=False, width=330)
        )
        self.other.put("" if listed else now[0])
        self.profile: PickField = self.form.add(
            "profile", PickField(words.PROFILE, [(name, name) for name in profiles], value=now[1] or None)
        )
        self.number: TextField = self.form.add(
            "number", TextField(words.NUMBER, hint=words.NUMBER_HINT, required=False, width=330)
        )
        self.number.put(now[2])
        self.form.submitted.connect(self.read)
        column.addWidget(self.form)
        self.state = label(said(), wrap=True)
        self.state.setMinimumHeight(round(sizes.small * 5))
        column.addWidget(self.state)
        row = QHBoxLayout()
        row.addStretch(1)
        self.go, self.leave = main_button(words.READ), plain_button(words.CLOSE)
        for button in (self.leave, self.go):
            button.setFont(font_of_cap(sizes.small))
            row.addWidget(button)
        self.go.clicked.connect(self.read)
        self.leave.clicked.connect(self.reject)
        column.addLayout(row)
        self.setMinimumWidth(round(min(parent.width() * 0.7, sizes.small * 60)))
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.show_state)
        self._timer.start(500)

    def showEvent(self, event: QShowEvent) -> None:
        """As high as its wrapped lines need: a layout leaves them out when it proposes a size, and fields were cut."""
        super().showEvent(event)
        layout = self.layout()
        if layout is not None:
            self.resize(self.width(), max(self.height(), layout.totalHeightForWidth(self.width())))

    def read(self) -> None:
        """Hand over the choice and go on showing what comes."""
        entered = self.form.values()
        if entered is None:
            return
        url = str(entered["other"] or "").strip() or str(entered["port"])
        if url and url == self._taken:
            self.form.refuse("other", words.TAKEN)
            return
        self.chosen.emit(url, str(entered["profile"]), str(entered["number"] or "").strip())
        self.show_state()

    def show_state(self) -> None:
        """Show how it is doing now."""
        self.state.setText(self._said())
