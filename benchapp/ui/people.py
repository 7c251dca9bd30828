"""The page of people: who pulls here, what their badges say, who is custodian. Every change is the custodian's."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QVBoxLayout, QWidget

from benchapp.records import people as acts
from benchapp.records.canonical import parse
from benchapp.records.errors import StoreError
from benchapp.records.model import Person
from benchapp.ui import lockwords as words
from benchapp.ui.controls import Panel, in_row, label, main_button, plain_button
from benchapp.ui.fields import TextField
from benchapp.ui.form import Form
from benchapp.ui.format import wall_text
from benchapp.ui.listing import Column, Listing
from benchapp.ui.page import EmptyNote, Facts, Page, beside, scrolled

if TYPE_CHECKING:
    from benchapp.ui.context import AppContext

MOST_ACTS = 12


def role(person: Person) -> str:
    """Return what a person may do here, in words."""
    if not person.active:
        return "deactivated"
    return "custodian" if person.is_custodian else "pulls and reviews"


class PeoplePage(Page):
    """List on the left; on the right the chosen person, what the chain tells of them, and what the custodian may do.

    Args:
        context: Shared by all pages.
    """

    concerns = ("people",)

    def __init__(self, context: AppContext) -> None:
        super().__init__(context, words.PEOPLE)
        self.waiting = EmptyNote("", "The records are being opened …")
        self.empty = EmptyNote(words.NOBODY, words.NOBODY_WHY, words.NAME)
        self.main, row = beside()
        left = Panel(margin=0)
        left.body.setContentsMargins(0, 8, 0, 2)
        self.list = Listing(
            [
                Column(
                    "Name",
                    lambda p: p.name,
                    strong=True,
                    mark=lambda p: "dash" if not p.active else ("full" if p.is_custodian else "ring"),
                ),
                Column("Badge", lambda p: p.code or "none"),
                Column("May", role),
            ],
            name="people",
        )
        left.body.addWidget(self.list, 1)
        row.addWidget(left, 9)
        card = Panel(margin=18)
        row.addWidget(card, 11)
        self.name = label("", "figure")
        self.may = label("", "soft", wrap=True)
        card.body.addWidget(self.name)
        card.body.addWidget(self.may)
        self.form = Form(narrow=True)
        self.form.add("name", TextField(words.FIRST_NAME, placeholder="fitter 4"))
        self.form.add("code", TextField(words.CODE, required=False, hint=words.CODE_HINT))
        card.body.addWidget(self.form)
        self.problem = label("", "problem", wrap=True)
        card.body.addWidget(self.problem)
        self.keep = main_button(words.KEEP)
        self.custodian = plain_button(words.MAKE)
        self.active = plain_button(words.DEACTIVATE)
        card.body.addLayout(in_row(self.keep, self.custodian, self.active))
        self.told_head = label("What the records tell", "heading")
        card.body.addWidget(self.told_head)
        self.told = Facts()
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(0, 0, 4, 0)
        column.addWidget(self.told)
        column.addStretch(1)
        card.body.addWidget(scrolled(inside), 1)
        for view in (self.waiting, self.empty, self.main):
            self.views.addWidget(view)
        self.add = plain_button(words.ADD)
        self.change = plain_button(words.CHANGE)
        self.action_row.addWidget(self.change)
        self.action_row.addWidget(self.add)
        self.person: Person | None = None
        self.list.chosen.connect(self._show)
        self.form.submitted.connect(self._keep)
        self.keep.clicked.connect(self._keep)
        self.custodian.clicked.connect(self._turn_custodian)
        self.active.clicked.connect(self._turn_active)
        self.add.clicked.connect(self.ask_new)
        self.change.clicked.connect(self._change_passphrase)
        self.empty.wanted.connect(lambda: self.context.as_custodian(words.FOR_PEOPLE, lambda _who: self.refresh()))
        self.on_keys("Ctrl+N", self.ask_new)
        self.setFocusProxy(self.list)
        self.refresh()

    def refresh(self) -> None:
        """Read the people again."""
        store = self.context.store
        self.add.setVisible(False)
        self.change.setVisible(False)
        if store is None:
            self.views.setCurrentWidget(self.waiting)
            return
        try:
            found = store.people(include_inactive=True)
        except StoreError as problem:
            self.say(str(problem), problem=True)
            return
        n = sum(person.active for person in found)
        custodians = [person.name for person in found if person.is_custodian and person.active]
        custody = f"custodian: {', '.join(custodians)}" if custodians else words.NO_CUSTODIAN
        self.heading(words.PEOPLE, f"{n} {'person' if n == 1 else 'people'}  ·  {custody}" if found else "")
        self.views.setCurrentWidget(self.main if found else self.empty)
        self.add.setVisible(bool(found))
        self.change.setVisible(bool(custodians))
        here = self.list.current()
        self.list.show_rows(found)
        if here is not None:
            self._select(here.name)
        self._show(self.list.current())

    def open(self, key: str) -> None:
        """Show the person of this name."""
        self._select(key)

    def take_scan(self, code: str) -> bool:
        """While somebody is entered or changed, a scan is the code of the badge."""
        if self.views.currentWidget() is not self.main or not self.form.isVisible():
            return False
        self.form.fields["code"].put(code)
        self.form.fields["code"].setFocus(Qt.FocusReason.OtherFocusReason)
        return True

    def _select(self, name: str) -> None:
        for index, person in enumerate(self.list.rows):
            if person.name == name:
                self.list.selectRow(index)
                self._show(person)

    def _show(self, person: Person | None) -> None:
        if person is None:
            return
        self.person = person
        self.problem.setText("")
        self.name.setText(person.name)
        self.may.setText(role(person))
        self.form.show_field("name", shown=False)
        self.form.fields["name"].put(person.name)
        self.form.fields["code"].put(person.code)
        self.custodian.setText(words.UNMAKE if person.is_custodian else words.MAKE)
        self.custodian.setVisible(person.active)
        self.active.setText(words.DEACTIVATE if person.active else words.TAKE_BACK)
        self.active.setVisible(True)
        self.told_head.setVisible(True)
        self._show_told(person)

    def _show_told(self, person: Person) -> None:
        store = self.context.store
        lines: list[tuple[str, str]] = []
        before: dict[str, object] = {}
        known = [*store.entries(person.name), *store.entries("")] if store is not None else []
        for entry in sorted(known, key=lambda each: each.seal.sequence):
            content = parse(entry.body)["content"]
            act, details = str(content.get("act", "")), content.get("details") or {}
            if act in words.ACT_WORDS:
                lines.append((wall_text(entry.seal.sealed), words.person_act(act, entry.who, before, details)))
                before = {**before, **details}
            elif act in words.PASSPHRASE_WORDS and person.name in (entry.who, details.get("witness")):
                said = words.PASSPHRASE_WORDS[act].format(who=entry.who, **details)
                lines.append((wall_text(entry.seal.sealed), said))
        self.told.show_facts(lines[-MOST_ACTS:] or [("", "Entered before this was recorded.")])

    def ask_new(self) -> None:
        """Ask for a new person."""
        if self.views.currentWidget() is not self.main:
            return
        self.person = None
        self.list.clearSelection()
        self.name.setText("A new person")
        self.may.setText("pulls and reviews; the custodian can make them custodian afterwards")
        self.problem.setText("")
        for key in ("name", "code"):
            self.form.show_field(key, shown=True)
            self.form.fields[key].put("")
            self.form.fields[key].accept()
        for part in (self.custodian, self.active, self.told_head):
            part.setVisible(False)
        self.told.show_facts([])
        self.form.fields["name"].setFocus(Qt.FocusReason.OtherFocusReason)

    def _keep(self) -> None:
        entered = self.form.values()
        if entered is None:
            return
        if self.person is None:
            store = self.context.store
            known = store.person(entered["name"]) if store is not None else None
            if known is not None and known.name == entered["name"]:
                self.form.refuse("name", f"{known.name} is there already.")
                return
            self._put(Person(entered["name"], code=entered["code"]), f"to add {entered['name']}")
        else:
            self._put(replace(self.person, code=entered["code"]), f"to change {self.person.name}")

    def _turn_custodian(self) -> None:
        if self.person is not None:
            turned = replace(self.person, is_custodian=not self.person.is_custodian)
            what = "make {} custodian" if turned.is_custodian else "have {} no custodian any more"
            self._put(turned, f"to {what.format(turned.name)}")

    def _turn_active(self) -> None:
        if self.person is not None:
            turned = replace(self.person, active=not self.person.active)
            self._put(turned, f"to {'take back' if turned.active else 'deactivate'} {turned.name}")

    def _put(self, person: Person, what_for: str) -> None:
        def do(who: str) -> None:
            store = self.context.store
            if store is None:
                return
            try:
                acts.keep_person(store, person, who=who)
            except (StoreError, ValueError) as problem:
                self.problem.setText(str(problem))
                return
            self.context.store_changed.emit("people")
            self._select(person.name)
            self.say(f"{person.name} is kept: {role(person)}.")

        self.context.as_custodian(what_for, do)

    def _change_passphrase(self) -> None:
        self.context.passphrase_wanted.emit()
