"""The dialog that asks for the custodian's passphrase, sets the first one, and replaces a lost one before a witness."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QColor, QKeyEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QDialog, QLineEdit, QVBoxLayout, QWidget

from benchapp.records import people
from benchapp.records.custodian import (
    SHORTEST,
    TooSoonError,
    has_passphrase,
    replace_lost,
    replaced,
    set_passphrase,
)
from benchapp.records.model import Person
from benchapp.ui import lockwords as words
from benchapp.ui import theme
from benchapp.ui.choices import PickField
from benchapp.ui.controls import in_row, label, main_button, plain_button, quiet_button
from benchapp.ui.fields import TextField
from benchapp.ui.form import Form
from benchapp.ui.format import wall_text
from benchapp.ui.theme import Sizes, font_of_cap

if TYPE_CHECKING:
    from PySide6.QtWidgets import QLabel, QPushButton

    from benchapp.records import Store
    from benchapp.records.custodian import Lock
    from benchapp.ui.lock import Worker


def secret(caption: str, *, hint: str = "") -> TextField:
    """Return a field that does not show what is typed."""
    field = TextField(caption, hint=hint, width=330)
    field.edit.setEchoMode(QLineEdit.EchoMode.Password)
    return field


class LockDialog(QDialog):
    """Asks, has it checked in a thread, and tells who unlocked.

    Args:
        store: The records.
        lock: What is opened.
        worker: Does the slow hashing.
        what_for: Said in the dialog: "to void run …".
        parent: The window.
        mode: "change" asks for another passphrase; "" finds out what is to be asked.

    Attributes:
        mode: "name" the first custodian, set the "first" passphrase, "unlock", replace a "lost" one, or "change" it.
    """

    unlocked = Signal(str)  # who

    def __init__(
        self, store: Store, lock: Lock, worker: Worker, what_for: str, parent: QWidget, *, mode: str = ""
    ) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.store, self.lock, self.worker, self.what_for = store, lock, worker, what_for
        self.mode = ""
        self._wait_until = 0.0
        self._sizes = Sizes.of(parent.height())
        s = self._sizes
        column = QVBoxLayout(self)
        column.setContentsMargins(*(round(s.pad * 1.2),) * 4)
        column.setSpacing(round(s.gap * 0.9))
        self.head = self._text("", bold=True, share=1.5)
        self.about = self._text("", kind="soft")
        self.problem = self._text("", kind="problem")
        self.place = QVBoxLayout()
        self.form = Form(narrow=True)
        self.place.addWidget(self.form)
        column.addWidget(self.head)
        column.addWidget(self.about)
        column.addLayout(self.place)
        column.addWidget(self.problem)
        column.addStretch(1)
        self.other = self._button(quiet_button(words.FORGOTTEN))
        self.cancel = self._button(plain_button(words.CANCEL))
        self.main = self._button(main_button(""))
        column.addLayout(in_row(self.other, right=(self.cancel, self.main)))
        self.other.clicked.connect(self._other_way)
        self.cancel.clicked.connect(self.reject)
        self.main.clicked.connect(self.submit)
        self._waiting = QTimer(self)
        self._waiting.setInterval(200)
        self._waiting.timeout.connect(self._count_down)
        self.setMinimumWidth(round(min(parent.width() * 0.9, s.small * 62)))
        self.ask(mode or self._what_is_to_be_asked())

    def _text(self, text: str, *, kind: str = "", bold: bool = False, share: float = 1.0) -> QLabel:
        made = label(text, kind, wrap=True)
        made.setFont(font_of_cap(self._sizes.small * share, bold=bold))
        return made

    def _button(self, button: QPushButton) -> QPushButton:
        button.setFont(font_of_cap(self._sizes.small))
        return button

    def _custodians(self) -> list[Person]:
        return [person for person in self.store.people() if person.is_custodian]

    def _what_is_to_be_asked(self) -> str:
        if not self._custodians():
            return "name"
        return "unlock" if has_passphrase(self.store) else "first"

    # --- what is asked

    def ask(self, mode: str) -> None:
        """Ask for what `mode` needs."""
        self.mode = mode
        self.setWindowTitle(words.TITLES[mode])
        self.head.setText(words.TITLES[mode])
        minutes = round(self.lock.idle_s / 60)
        self.about.setText(words.ABOUT[mode].format(what_for=self.what_for, minutes=minutes))
        self.main.setText(words.MAIN[mode])
        self.other.setText(words.BACK if mode == "lost" else words.FORGOTTEN)
        self.other.setVisible(mode in ("unlock", "lost"))
        self._say("")
        old = self.form
        self.form = Form(narrow=True)
        self._fill(mode)
        self.form.submitted.connect(self.submit)
        for field in self.form.fields.values():
            for part in (field.caption, field.note):
                part.setFont(font_of_cap(self._sizes.small))
            if isinstance(field, TextField):
                field.edit.setFont(font_of_cap(self._sizes.small))
            if isinstance(field, PickField):
                field.box.setFont(font_of_cap(self._sizes.small))
        self.place.replaceWidget(old, self.form)
        old.hide()
        old.deleteLater()
        self.form.show()
        self._first_field().setFocus(Qt.FocusReason.OtherFocusReason)
        self.adjustSize()

    def _fill(self, mode: str) -> None:
        form = self.form
        if mode == "name":
            self._add_first(form)
            return
        custodians = [person.name for person in self._custodians()]
        form.add("who", PickField(words.CUSTODIAN, [(name, name) for name in custodians]))
        if mode in ("unlock", "change"):
            form.add("old", secret(words.PASSPHRASE if mode == "unlock" else words.OLD))
        if mode == "lost":
            others = [person.name for person in self.store.people()]
            if len(others) > 1:
                # never preset: who was there is said, not clicked past
                form.add("witness", PickField(words.WITNESS, [("", words.PICK), *((name, name) for name in others)]))
            else:
                form.add("witness", TextField(words.WITNESS, hint=words.NEW_WITNESS))
            form.add("why", TextField(words.WHY, width=420))
        if mode != "unlock":
            self._add_new(form)

    def _add_first(self, form: Form) -> None:
        form.add("who", TextField(words.FIRST_NAME, placeholder="custodian"))
        form.add("code", TextField(words.CODE, required=False, hint=words.CODE_HINT))
        if has_passphrase(self.store):  # of a custodian who is none any more
            form.add("old", secret(words.OLD))
        self._add_new(form)

    @staticmethod
    def _add_new(form: Form) -> None:
        form.add("new", secret(words.NEW, hint=words.HOW_LONG.format(shortest=SHORTEST)))
        form.add("again", secret(words.AGAIN))

    def _first_field(self) -> QWidget:
        return next(
            (field for key, field in self.form.fields.items() if not (key == "who" and isinstance(field, PickField))),
            self.form,
        )

    def _other_way(self) -> None:
        self.ask("unlock" if self.mode == "lost" else "lost")

    # --- what comes of it

    def submit(self) -> None:
        """Have what was typed looked at."""
        if self.worker.is_busy or not self.main.isEnabled():
            return
        entered = self.form.values()
        if entered is None:
            return
        if entered.get("witness") == "":
            self.form.refuse("witness", words.PICK_WITNESS)
            return
        if "new" in entered:
            if len(entered["new"]) < SHORTEST:
                self.form.refuse("new", words.HOW_LONG.format(shortest=SHORTEST))
                return
            if entered["new"] != entered["again"]:
                for key in ("again", "new"):
                    self.form.fields[key].put("")
                self.form.refuse("new", words.NOT_THE_SAME)
                return
        self._busy(busy=True)
        self._say(words.CHECKING, kind="soft")
        self.worker.run(lambda: self._act(self.mode, entered), lambda ok, why: self._came(entered["who"], ok, why))

    def _act(self, mode: str, entered: dict[str, Any]) -> bool:
        """In the thread: True when the lock is open now, False for a wrong passphrase."""
        store, who = self.store, entered["who"]
        if mode == "unlock":
            return self.lock.open(entered["old"], who=who)
        if mode == "name":
            people.name_first(store, Person(who, code=entered["code"], is_custodian=True))
        if mode == "lost":
            if store.person(entered["witness"]) is None:
                people.keep_witness(store, entered["witness"], who=who)
            replace_lost(store, entered["new"], who=who, witness=entered["witness"], why=entered["why"])
        else:
            set_passphrase(store, entered["new"], who=who, old=entered.get("old", ""))
        return self.lock.open(entered["new"], who=who)

    def _came(self, who: str, is_open: bool | None, why: Exception | None) -> None:
        self._busy(busy=False)
        if isinstance(why, TooSoonError):
            self._wait_until = time.monotonic() + why.wait_s
            self._waiting.start()
            self._count_down()
            return
        if why is not None or not is_open:
            self._say(self._wrong() if why is None else str(why))
            if self.mode == "name" and self._custodians():  # named, but the passphrase was refused
                self.ask("unlock" if has_passphrase(self.store) else "first")
                self._say(words.WRONG if why is None else str(why))
            if "old" in self.form.fields:
                self.form.fields["old"].put("")
                self.form.fields["old"].setFocus(Qt.FocusReason.OtherFocusReason)
            return
        self.accept()
        self.unlocked.emit(who)

    def _wrong(self) -> str:
        """That it is wrong; whose passphrase was replaced behind their back learns it here."""
        found = replaced(self.store)
        if found is None:
            return words.WRONG
        told = {"at": wall_text(found.at), "who": found.who, "witness": found.witness, "why": found.why.rstrip(".")}
        return words.WRONG + words.REPLACED.format(**told)

    def _count_down(self) -> None:
        left_s = self._wait_until - time.monotonic()
        if left_s <= 0:
            self._waiting.stop()
            self._say("")
            self.main.setEnabled(True)
            return
        self.main.setEnabled(False)
        self._say(words.wait(left_s))

    def _busy(self, *, busy: bool) -> None:
        for part in (self.main, self.cancel, self.other, self.form):
            part.setEnabled(not busy)
        if not busy:
            self._first_field().setFocus(Qt.FocusReason.OtherFocusReason)

    def _say(self, text: str, *, kind: str = "problem") -> None:
        colours = theme.palette()
        self.problem.setStyleSheet(f"color: {colours.high if kind == 'problem' else colours.soft};")
        self.problem.setText(text)
        self.problem.setAccessibleName(text)

    def paintEvent(self, event: QPaintEvent) -> None:
        """A thin frame of its own: not every desktop draws one."""
        super().paintEvent(event)
        painter = QPainter(self)
        painter.setPen(QPen(QColor(theme.palette().accent), 1))
        painter.drawRect(self.rect().adjusted(0, 0, -1, -1))
        painter.end()

    def reject(self) -> None:
        """Turn away, unless something is being checked just now."""
        if not self.worker.is_busy:
            self._waiting.stop()
            super().reject()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter asks, Escape turns away."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.submit()
            return
        super().keyPressEvent(event)
