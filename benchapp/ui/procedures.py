"""The page of procedures: every figure with value, clause, source and mark; copies that the custodian changes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QWidget

from benchapp.metrology.figures import stated
from benchapp.records import procedures as acts
from benchapp.records.errors import StoreError
from benchapp.runs.procedure import (
    MARKS,
    Figure,
    Procedure,
    ProcedureError,
    copied,
    edited,
    shipped_procedures,
    withdrawn,
    without,
)
from benchapp.ui.controls import Choices, Panel, in_row, label, main_button, plain_button
from benchapp.ui.fields import TextField
from benchapp.ui.figureform import FigureForm
from benchapp.ui.figures import figure_title, refusal_text, value_text
from benchapp.ui.form import Form
from benchapp.ui.listing import Column, Listing
from benchapp.ui.page import Page, beside

if TYPE_CHECKING:
    from benchapp.ui.context import AppContext


BESIDE: Final = Procedure(
    key="beside-the-procedures",
    name="Beside the procedures",
    edition="",
    version=1,
    about="What belongs to no procedure: guided series, the shop's history, intervals, the check standard, studies.",
    figures=stated(),
)
"""Figures that no procedure holds, listed like one; not offered for runs and not copied."""
SHIPPED_NOTE: Final = (
    "This one comes with the program and stays as it is. Whoever owns the standard corrects a figure in a copy; the "
    "mark beside each figure says how sure it is."
)
BESIDE_NOTE: Final = (
    "These come with the program and hold for every run. Whoever owns the source corrects them in the file "
    "benchapp/metrology/figures.toml of this installation; the mark beside each says how sure it is."
)


@dataclass(frozen=True, slots=True)
class Row:
    """One figure in the list."""

    name: str
    figure: Figure


@dataclass(frozen=True, slots=True)
class Listed:
    """One procedure in the list; `is_own`: made here."""

    procedure: Procedure
    is_own: bool


def _shown_value(row: Row) -> str:
    if row.figure.value == []:
        return "typed at the start"
    return f"{value_text(row.figure.value).replace(';', ',')} {row.figure.unit}".strip()


class ProceduresPage(Page):
    """Procedures on the left, the figures of the chosen one on the right, below them what can be changed.

    Args:
        context: Shared by all pages.
    """

    concerns = ("procedures",)

    def __init__(self, context: AppContext) -> None:
        super().__init__(context, "Procedures")
        self.main, row = beside()
        left = Panel(margin=0)
        left.body.setContentsMargins(0, 8, 0, 2)
        self.list = Listing(
            [
                Column("Procedure", lambda p: p.procedure.name, second=_second_line, strong=True),
            ],
            sortable=False,
            name="procedures",
        )
        left.body.addWidget(self.list, 1)
        row.addWidget(left, 5)
        self.card = Panel(margin=16)
        row.addWidget(self.card, 19)
        self._build_card()
        self.naming = self._build_naming()
        self.standing = self._build_standing()
        for view in (self.main, self.naming, self.standing):
            self.views.addWidget(view)
        self.copy = plain_button("Copy as your own …")
        self.rename = plain_button("Rename …")
        self.withdraw = plain_button("Withdraw …")
        self.action_row.addWidget(self.withdraw)
        self.action_row.addWidget(self.rename)
        self.action_row.addWidget(self.copy)
        self.copy.clicked.connect(lambda: self.ask_name(is_new=True))
        self.rename.clicked.connect(lambda: self.ask_name(is_new=False))
        self.withdraw.clicked.connect(self.ask_standing)
        self.list.chosen.connect(self._show)
        self.on_keys("Escape", self._back)
        self.setFocusProxy(self.list)
        self.refresh()

    def _build_card(self) -> None:
        body = self.card.body
        head = QHBoxLayout()
        self.name = label("", "figure")
        self.which = Choices()
        self.which.setAccessibleName("version shown")
        head.addWidget(self.name, 1)
        head.addWidget(self.which)
        body.addLayout(head)
        self.about = label("", "soft", wrap=True)
        body.addWidget(self.about)
        self.figures = Listing(
            [
                Column("Figure", lambda r: figure_title(r.name), width=1.6),
                Column("Value", _shown_value, width=1.0, strong=True),
                Column("Source", lambda r: r.figure.source, second=lambda r: r.figure.clause, width=1.3),
                Column("Mark", lambda r: r.figure.mark, second=lambda r: MARKS[r.figure.mark], width=1.4),
            ],
            sortable=False,
            name="figures",
        )
        body.addWidget(self.figures, 1)
        self.shipped_note = label(SHIPPED_NOTE, "soft", wrap=True)
        self.change = FigureForm()
        self.withdrawn_note = label("", "problem", wrap=True)
        body.addWidget(self.withdrawn_note)
        body.addWidget(self.shipped_note)
        body.addWidget(self.change)
        self.figures.chosen.connect(self._take_figure)
        self.which.currentIndexChanged.connect(self._show_version)
        self.change.kept.connect(self._keep_figure)
        self.change.taken_away.connect(self._take_away_figure)
        self.change.adding_ended.connect(lambda: self._take_figure(self.figures.current()))

    def _hide_acts(self) -> None:
        for button in (self.copy, self.rename, self.withdraw):
            button.hide()

    def _build_standing(self) -> QWidget:
        panel = Panel(margin=22)
        self.standing_text = label("", wrap=True)
        self.standing_form = Form()
        self.standing_form.add("why", TextField("Why", width=860, placeholder="the standard has a new edition"))
        self.standing_problem = label("", "problem", wrap=True)
        for widget in (self.standing_text, self.standing_form, self.standing_problem):
            panel.body.addWidget(widget)
        back, self.keep_standing = plain_button("Back"), main_button("Withdraw it")
        panel.body.addLayout(in_row(self.keep_standing, back))
        panel.body.addStretch(1)
        back.clicked.connect(self._back)
        self.keep_standing.clicked.connect(self._keep_standing)
        self.standing_form.submitted.connect(self._keep_standing)
        return panel

    def _build_naming(self) -> QWidget:
        panel = Panel(margin=22)
        self.naming_form = Form()
        self.naming_form.add("name", TextField("Name", width=380, placeholder="Ferry tools, five readings"))
        self.naming_form.add("about", TextField("What it is for", required=False, width=1150))
        self.naming_form.add("why", TextField("Why", width=1150))
        self.naming_problem = label("", "problem", wrap=True)
        panel.body.addWidget(self.naming_form)
        panel.body.addWidget(self.naming_problem)
        back, self.keep_name = plain_button("Back"), main_button("Keep")
        panel.body.addLayout(in_row(self.keep_name, back))
        panel.body.addStretch(1)
        back.clicked.connect(self._back)
        self.keep_name.clicked.connect(self._keep_name)
        self.naming_form.submitted.connect(self._keep_name)
        self._is_new = True
        return panel

    # --- reading

    def refresh(self) -> None:
        """Read the procedures again."""
        here = self.list.current()
        found = [Listed(procedure, False) for procedure in shipped_procedures()]
        store = self.context.store
        if store is not None:
            try:
                found += [Listed(procedure, True) for procedure in acts.own_procedures(store)]
            except (StoreError, ProcedureError) as problem:
                self.say(str(problem), problem=True)
        self.list.show_rows([*found, Listed(BESIDE, False)])
        n_own = sum(each.is_own for each in found)
        self.heading("Procedures", f"{len(found) - n_own} come with the program  ·  {n_own or 'none'} of your own")
        if here is None or not self._select(here.procedure.key):
            self.list.selectRow(0)
        self._show(self.list.current())

    def open(self, key: str) -> None:
        """Show the procedure with this key."""
        self._back()
        if not self._select(key):
            self.say(f"There is no procedure {key}.", problem=True)

    def _select(self, key: str) -> bool:
        for index, listed in enumerate(self.list.rows):
            if listed.procedure.key == key:
                self.list.selectRow(index)
                return True
        return False

    def _show(self, listed: Listed | None) -> None:
        if listed is None:
            return
        self.rename.setVisible(listed.is_own and not listed.procedure.withdrawn)
        self.withdraw.setVisible(listed.is_own)
        self.withdraw.setText("Offer again …" if listed.procedure.withdrawn else "Withdraw …")
        self.copy.setVisible(self.context.store is not None and listed.procedure is not BESIDE)
        self.shipped_note.setText(BESIDE_NOTE if listed.procedure is BESIDE else SHIPPED_NOTE)
        self.which.blockSignals(True)
        self.which.clear()
        store = self.context.store
        if listed.is_own and store is not None:
            for version in reversed(acts.versions(store, listed.procedure.key)):
                number = version.procedure.version
                words_ = f"version {number}, {version.at[:10]}, {version.who}: {version.why}"
                self.which.addItem(words_ if len(words_) < 60 else f"{words_[:59]}…", version)
        self.which.blockSignals(False)
        self.which.setVisible(listed.is_own)
        self._show_version()

    def _shown(self) -> Procedure | None:
        listed: Listed | None = self.list.current()
        version = self.which.currentData()
        if version is not None and listed is not None and listed.is_own:
            procedure: Procedure = version.procedure
            return procedure
        return listed.procedure if listed is not None else None

    def _show_version(self) -> None:
        listed: Listed | None = self.list.current()
        procedure = self._shown()
        if procedure is None or listed is None:
            return
        self.name.setText(procedure.name)
        edition = f"Edition {procedure.edition}. " if procedure.edition else ""
        self.about.setText(f"{edition}{procedure.about}")
        here = self.figures.current()
        self.figures.show_rows([Row(name, figure) for name, figure in procedure.figures.items()])
        is_newest = listed.is_own and self.which.currentIndex() <= 0
        self.change.setVisible(is_newest and not procedure.withdrawn)
        self.withdrawn_note.setVisible(bool(procedure.withdrawn))
        self.withdrawn_note.setText(f"Withdrawn, not offered for runs: {procedure.withdrawn}")
        self.shipped_note.setVisible(not listed.is_own)
        names = [row.name for row in self.figures.rows]
        self.figures.selectRow(names.index(here.name) if here is not None and here.name in names else 0)
        self._take_figure(self.figures.current())

    def _take_figure(self, row: Row | None) -> None:
        """Put the chosen figure into the form below."""
        procedure = self._shown()
        if row is not None and procedure is not None and procedure is not BESIDE:
            self.change.show_figure(row.name, row.figure, procedure)

    # --- changing

    def _keep_figure(self, name: str, value: Any, given: dict[str, str]) -> None:
        procedure = self._shown()
        if procedure is None:
            return
        try:
            changed = edited(procedure, name, value, source=given["source"], mark=given["mark"], clause=given["clause"])
        except ProcedureError as problem:
            self.change.refuse(problem)
            return
        if changed.figures[name] == procedure.figures.get(name):
            self.change.problem.setText("Nothing is changed yet.")
            return
        self._put(changed, given["why"], f"to change {procedure.name}", self.change.problem.setText, name)

    def _take_away_figure(self, name: str, why: str) -> None:
        procedure = self._shown()
        if procedure is None:
            return
        try:
            changed = without(procedure, name)
        except ProcedureError as problem:
            self.change.problem.setText(refusal_text(problem))
            return
        self._put(changed, why, f"to take a figure out of {procedure.name}", self.change.problem.setText)

    def ask_standing(self) -> None:
        """Ask why the shown procedure is withdrawn, or offered again."""
        procedure = self._shown()
        if procedure is None:
            return
        back = bool(procedure.withdrawn)
        self.heading(f"Offer {procedure.name} again" if back else f"Withdraw {procedure.name}", "")
        self._hide_acts()
        self.standing_text.setText(
            "It stands in the list at the start of a run again. Why it was withdrawn stays in the records."
            if back
            else "It is not offered for runs any more. Its versions and every run made with it stay as they are, and "
            "it can be offered again."
        )
        self.standing_form.fields["why"].put("")
        self.standing_form.fields["why"].accept()
        self.standing_problem.setText("")
        self.keep_standing.setText("Offer it again" if back else "Withdraw it")
        self.views.setCurrentWidget(self.standing)
        self.standing_form.fields["why"].setFocus(Qt.FocusReason.OtherFocusReason)

    def _keep_standing(self) -> None:
        entered, procedure = self.standing_form.values(), self._shown()
        if entered is None or procedure is None:
            return
        why = entered["why"]
        changed = withdrawn(procedure, "" if procedure.withdrawn else why)
        what_for = f"to offer {procedure.name} again" if procedure.withdrawn else f"to withdraw {procedure.name}"
        self._put(changed, why, what_for, self.standing_problem.setText)

    def ask_name(self, *, is_new: bool) -> None:
        """Ask for the name of a copy, or another name for an own procedure."""
        procedure = self._shown()
        if procedure is None:
            return
        self._is_new = is_new
        self.heading(f"A copy of {procedure.name}" if is_new else f"Rename {procedure.name}", "")
        self._hide_acts()
        self.naming_form.fields["name"].put("" if is_new else procedure.name)
        self.naming_form.fields["about"].put(_about_copy(procedure) if is_new else procedure.about)
        self.naming_form.fields["why"].put("")
        self.naming_problem.setText("")
        self.keep_name.setText("Keep as your own" if is_new else f"Keep as version {procedure.version + 1}")
        for field in self.naming_form.fields.values():
            field.accept()
        self.views.setCurrentWidget(self.naming)
        self.naming_form.fields["name"].setFocus(Qt.FocusReason.OtherFocusReason)

    def _keep_name(self) -> None:
        entered = self.naming_form.values()
        procedure, store = self._shown(), self.context.store
        if entered is None or procedure is None or store is None:
            return
        name, about = entered["name"], entered["about"]
        if self._is_new:
            own = replace(copied(procedure, acts.own_key(store, name), name), edition="", about=about)
        else:
            own = replace(procedure, name=name, about=about, version=procedure.version + 1)
        self._put(own, entered["why"], f"to keep the procedure {name}", self.naming_problem.setText)

    def _put(self, procedure: Procedure, why: str, what_for: str, refuse: Any, figure: str = "") -> None:
        def do(who: str) -> None:
            store = self.context.store
            if store is None:
                return
            try:
                acts.keep_procedure(store, procedure, who=who, why=why)
            except (StoreError, ProcedureError) as problem:
                refuse(str(problem))
                return
            self._back()
            self.context.store_changed.emit("procedures")
            self._select(procedure.key)
            names = [row.name for row in self.figures.rows]
            if figure in names:
                self.figures.selectRow(names.index(figure))
            self.say(f"Kept: {procedure.name}, version {procedure.version}.")

        self.context.as_custodian(what_for, do)

    def _back(self) -> None:
        self.views.setCurrentWidget(self.main)
        self.refresh()


def _second_line(listed: Listed) -> str:
    procedure = listed.procedure
    if procedure is BESIDE:
        return "figures of no procedure"
    if procedure.withdrawn:
        return f"withdrawn, version {procedure.version}"
    if listed.is_own:
        return f"your own, version {procedure.version}"
    return f"edition {procedure.edition}" if procedure.edition else "workshop practice"


def _about_copy(procedure: Procedure) -> str:
    after = (
        procedure.name
        if not procedure.edition or procedure.edition in procedure.name
        else (f"{procedure.name}, edition {procedure.edition}")
    )
    return f"Own procedure, after {after}. {procedure.about}"
