"""The page of procedures: every figure with value, clause, source and mark; copies that the custodian changes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

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
)
from benchapp.ui import words
from benchapp.ui.fields import (
    Choices,
    FieldError,
    Form,
    Panel,
    PickField,
    TextField,
    label,
    main_button,
    plain_button,
    read_number,
)
from benchapp.ui.logbook.model import FIGURE_NAMES
from benchapp.ui.page import Column, Listing, Page

if TYPE_CHECKING:
    from benchapp.ui.context import AppContext


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


def figure_title(name: str) -> str:
    """Return a figure's name in words.

    >>> figure_title("permissible.above.II-A"), figure_title("rate.II.shortest")
    ('II-A: permissible deviation, large tools', 'II: time for the last fifth, shortest')
    """
    path = name.split(".")
    kinds = [part for part in path if part[:1] == "I" and part.rstrip("ABCDEFG-") in ("I", "II")]
    base = ".".join(part for part in path if part not in kinds)
    title = FIGURE_NAMES.get(name) or FIGURE_NAMES.get(base) or FIGURE_NAMES.get(path[0]) or name
    if name == "preload.at":
        title = FIGURE_NAMES["preload.at"]
    if path[0] == "rate":
        title += f", {path[-1].replace('_', ' ')}"
    if base not in FIGURE_NAMES and path[0] not in ("rate", "readings", "preload", "permissible"):
        title = name.replace(".", ": ").replace("_", " ")
    return f"{kinds[0]}: {title}" if kinds else title


def value_text(value: Any) -> str:
    """Return a figure's value as it is shown and typed.

    >>> value_text(["lowest", 60.0, 100.0]), value_text([[0, 0.5], [10, 1.0]]), value_text(True)
    ('lowest; 60; 100', '0: 0.5; 10: 1', 'yes')
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return words.plain(value)
    if isinstance(value, list):
        return "; ".join(
            ": ".join(map(value_text, each)) if isinstance(each, list) else value_text(each) for each in value
        )
    return str(value)


def read_value(text: str, like: Any) -> Any:
    """Return the value that was typed, of the kind that `like` is.

    Raises:
        FieldError: With the sentence to show.
    """
    text = text.strip()
    if isinstance(like, bool):
        if text.lower() not in ("yes", "no"):
            raise FieldError("Value: yes or no.")
        return text.lower() == "yes"
    if isinstance(like, int):
        number = read_number("Value", text)
        if number != int(number):
            raise FieldError(f"Value: {text} is no whole number.")
        return int(number)
    if isinstance(like, float):
        return float(read_number("Value", text))
    if isinstance(like, list):
        parts = [part.strip() for part in text.split(";") if part.strip()]
        if like and isinstance(like[0], list):
            steps = [part.split(":") for part in parts]
            if any(len(step) != 2 for step in steps):
                raise FieldError("Value: steps like 0: 0.5; 10: 1 (from N·m: seconds).")
            return [[read_number("Value", each) for each in step] for step in steps]
        return [part if part == "lowest" else read_number("Value", part) for part in parts]
    return text


def _shown_value(row: Row) -> str:
    if row.figure.value == []:
        return "typed at the start"
    return f"{value_text(row.figure.value)} {row.figure.unit}".strip()


def mark_words(mark: str) -> str:
    """Return a mark with what it says."""
    return f"{mark}: {MARKS[mark]}"


class ProceduresPage(Page):
    """Procedures on the left, the figures of the chosen one on the right, below them what can be changed.

    Args:
        context: Shared by all pages.
    """

    concerns = ("procedures",)

    def __init__(self, context: AppContext) -> None:
        super().__init__(context, "Procedures")
        self.main = QWidget()
        row = QHBoxLayout(self.main)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(12)
        left = Panel(margin=0)
        self.list = Listing(
            [
                Column("Procedure", lambda p: p.procedure.name, second=_second_line, strong=True),
            ],
            sortable=False,
            name="procedures",
        )
        left.body.addWidget(self.list, 1)
        row.addWidget(left, 7)
        self.card = Panel(margin=16)
        row.addWidget(self.card, 17)
        self._build_card()
        self.naming = self._build_naming()
        for view in (self.main, self.naming):
            self.views.addWidget(view)
        self.copy = plain_button("Copy as your own …")
        self.rename = plain_button("Rename …")
        self.action_row.addWidget(self.rename)
        self.action_row.addWidget(self.copy)
        self.copy.clicked.connect(lambda: self.ask_name(is_new=True))
        self.rename.clicked.connect(lambda: self.ask_name(is_new=False))
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
                Column("Figure", lambda r: figure_title(r.name), second=lambda r: r.name, width=1.6),
                Column("Value", _shown_value, width=1.0, strong=True),
                Column("Source", lambda r: r.figure.source, second=lambda r: r.figure.clause, width=1.3),
                Column("Mark", lambda r: r.figure.mark, second=lambda r: MARKS[r.figure.mark], width=1.2),
            ],
            sortable=False,
            name="figures",
        )
        body.addWidget(self.figures, 1)
        self.shipped_note = label(
            "This one comes with the program and stays as it is. Whoever owns the standard corrects a figure in a "
            "copy; the mark beside each figure says how sure it is.",
            "soft",
            wrap=True,
        )
        change = self.change = QWidget()
        column = QVBoxLayout(change)
        column.setContentsMargins(0, 4, 0, 0)
        column.setSpacing(6)
        self.changing = label("", "heading")
        column.addWidget(self.changing)
        forms = QHBoxLayout()
        forms.setSpacing(18)
        self.form, self.reasons = Form(narrow=True), Form(narrow=True)
        self.form.add("value", TextField("Value", width=190))
        mark = self.form.add("mark", PickField("Mark", [(mark, mark_words(mark)) for mark in MARKS]))
        mark.box.setMinimumWidth(290)
        self.reasons.add("source", TextField("Source", width=240))
        self.reasons.add("clause", TextField("Clause", required=False, width=240))
        self.reasons.add("why", TextField("Why", width=240, placeholder="read in the standard itself"))
        forms.addWidget(self.form, 1, Qt.AlignmentFlag.AlignTop)
        forms.addWidget(self.reasons, 0, Qt.AlignmentFlag.AlignTop)
        column.addLayout(forms)
        row = QHBoxLayout()
        self.problem = label("", "problem", wrap=True)
        self.keep = main_button("Keep")
        row.addWidget(self.problem, 1)
        row.addWidget(self.keep)
        column.addLayout(row)
        body.addWidget(self.shipped_note)
        body.addWidget(change)
        self.figures.chosen.connect(self._take_figure)
        self.which.currentIndexChanged.connect(self._show_version)
        self.keep.clicked.connect(self._keep_figure)
        for form in (self.form, self.reasons):
            form.submitted.connect(self._keep_figure)

    def _build_naming(self) -> QWidget:
        panel = Panel(margin=22)
        self.naming_form = Form()
        self.naming_form.add("name", TextField("Name", width=380, placeholder="Ferry tools, five readings"))
        self.naming_form.add("about", TextField("What it is for", required=False, width=860))
        self.naming_form.add("why", TextField("Why", width=860))
        self.naming_problem = label("", "problem", wrap=True)
        panel.body.addWidget(self.naming_form)
        panel.body.addWidget(self.naming_problem)
        row = QHBoxLayout()
        back, self.keep_name = plain_button("Back"), main_button("Keep")
        row.addWidget(self.keep_name)
        row.addWidget(back)
        row.addStretch(1)
        panel.body.addLayout(row)
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
        self.list.show_rows(found)
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
        self.rename.setVisible(listed.is_own)
        self.copy.setVisible(self.context.store is not None)
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
        self.change.setVisible(is_newest)
        self.shipped_note.setVisible(not listed.is_own)
        self.keep.setText(f"Keep as version {procedure.version + 1}")
        names = [row.name for row in self.figures.rows]
        self.figures.selectRow(names.index(here.name) if here is not None and here.name in names else 0)
        self._take_figure(self.figures.current())

    def _take_figure(self, row: Row | None) -> None:
        """Put the chosen figure into the form below."""
        if row is None:
            return
        unit = f", {row.figure.unit}" if row.figure.unit else ""
        self.changing.setText(f"Change: {figure_title(row.name)}{unit}")
        self.form.fields["value"].put(value_text(row.figure.value))
        self.form.fields["mark"].put(row.figure.mark)
        self.reasons.fields["source"].put(row.figure.source)
        self.reasons.fields["clause"].put(row.figure.clause)
        self.reasons.fields["why"].put("")
        for field in (*self.form.fields.values(), *self.reasons.fields.values()):
            field.accept()
        self.problem.setText("")

    # --- changing

    def _keep_figure(self) -> None:
        row: Row | None = self.figures.current()
        procedure = self._shown()
        entered, reasons = self.form.values(), self.reasons.values()
        if row is None or procedure is None or entered is None or reasons is None:
            return
        try:
            value = read_value(entered["value"], row.figure.value)
            changed = edited(
                procedure,
                row.name,
                value,
                source=reasons["source"],
                mark=entered["mark"],
                clause=reasons["clause"],
            )
        except FieldError as problem:
            self.form.refuse("value", str(problem))
            return
        except ProcedureError as problem:
            self.form.refuse("value", f"{problem.reason}."[:1].upper() + f"{problem.reason}."[1:])
            return
        if changed.figures[row.name] == row.figure:
            self.problem.setText("Nothing is changed yet.")
            return
        self._put(changed, reasons["why"], f"to change {procedure.name}", self.problem.setText)

    def ask_name(self, *, is_new: bool) -> None:
        """Ask for the name of a copy, or another name for an own procedure."""
        procedure = self._shown()
        if procedure is None:
            return
        self._is_new = is_new
        self.heading(f"A copy of {procedure.name}" if is_new else f"Rename {procedure.name}", "")
        self.copy.hide()
        self.rename.hide()
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

    def _put(self, procedure: Procedure, why: str, what_for: str, refuse: Any) -> None:
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
            self.say(f"Kept: {procedure.name}, version {procedure.version}.")

        self.context.as_custodian(what_for, do)

    def _back(self) -> None:
        self.views.setCurrentWidget(self.main)
        self.refresh()


def _second_line(listed: Listed) -> str:
    procedure = listed.procedure
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
