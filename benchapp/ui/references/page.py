"""The References page: transducers, how they stand, their calibrations as entered and what the correction leaves."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from benchapp.metrology.reference import Calibration, Reference
from benchapp.records.errors import StoreError
from benchapp.records.references import keep_reference
from benchapp.torque.units import NM
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.controls import Choices, Panel, in_row, label, main_button, plain_button
from benchapp.ui.format import due_words, natural_key, short, torque_text
from benchapp.ui.listing import Column, Listing
from benchapp.ui.meanwhile import reference_merged, told
from benchapp.ui.page import EmptyNote, Facts, Page, beside, scrolled, today
from benchapp.ui.references.checks import CheckView
from benchapp.ui.references.editor import CalibrationEditor, ReferenceEditor
from benchapp.ui.references.model import DEGREE_WORDS, certified_words, limits_of_use, state_of, temperature_words
from benchapp.ui.references.picture import CalibrationPicture
from benchapp.ui.references.years import YearsView


class ReferencesPage(Page):
    """List on the left; on the right how the chosen reference stands.

    Args:
        context: Shared by all pages.
        profiles: (name, words) of the serial profiles that can be chosen; empty: the built-in ones.
    """

    concerns = ("references", "runs", "checks")

    def __init__(self, context: AppContext, profiles: Sequence[tuple[str, str]] = ()) -> None:
        super().__init__(context, "References")
        self._stops: dict[str, str] = {}  # why no run may start with it, by its check standard; "" it may
        self.empty = EmptyNote(
            "No reference yet",
            "Add the transducer that tools are pulled against: its number and its capacity are enough to begin. "
            "Its calibration can be entered from the certificate afterwards.",
            "Add the first reference",
        )
        self.waiting = EmptyNote("", "The records are being opened …")
        self._build_main()
        self.editor = ReferenceEditor(profiles or _built_in_profiles())
        self.calibrating = CalibrationEditor()
        for view in (self.waiting, self.empty, self.main, self.editor, self.calibrating):
            self.views.addWidget(view)
        self.add = plain_button("Add a reference")
        self.action_row.addWidget(self.add)
        self.add.clicked.connect(lambda: self.edit_reference(None))
        self.empty.wanted.connect(lambda: self.edit_reference(None))
        self.editor.saved.connect(self._keep)
        self.editor.left.connect(self.show_list)
        self.calibrating.saved.connect(self._enter)
        self.calibrating.left.connect(self.show_list)
        for keys, action in (("Ctrl+N", lambda: self.edit_reference(None)), ("Escape", self.show_list)):
            self.on_keys(keys, action)
        self.setFocusProxy(self.list)
        self.refresh()

    def _build_main(self) -> None:
        self.main, row = beside()
        row.addWidget(self._list_panel(), 9)
        row.addWidget(self._card(), 11)

    def _list_panel(self) -> Panel:
        left = Panel(margin=0)
        left.body.setContentsMargins(0, 8, 0, 2)
        self.list = Listing(
            [
                Column(
                    "Number",
                    lambda r: r.number,
                    second=lambda r: r.serial and f"serial {r.serial}",
                    strong=True,
                    mark=lambda r: "bar" if self._stops.get(r.number) else state_of(r, today()).mark,
                    sort=lambda r: natural_key(r.number),
                    width=1.1,
                ),
                Column("Capacity", lambda r: self._torque(r.capacity_nm), width=0.9, sort=lambda r: r.capacity_nm),
                Column(
                    "Calibration",
                    lambda r: state_of(r, today()).word,
                    second=self._second_line,
                    width=1.3,
                ),
            ],
            name="references",
        )
        left.body.addWidget(self.list, 1)
        self.list.chosen.connect(self._show)
        self.list.opened.connect(self.edit_reference)
        return left

    def _card(self) -> Panel:
        card = Panel(margin=18)
        self.number = label("", "figure")
        self.state = label("", wrap=True)
        self.sentence = label("", "problem", wrap=True)
        self.enter = main_button("Enter a calibration")
        self.edit = plain_button("Change")
        card.body.addLayout(in_row(self.number, right=(self.edit, self.enter)))
        card.body.addWidget(self.state)
        card.body.addWidget(self.sentence)
        self.section = ChoiceField(
            "Shown",
            [("calibration", "Calibration"), ("years", "Over the years"), ("check", "Daily check")],
            on_change=lambda _key: self._show_section(),
        )
        card.body.addWidget(self.section)
        self.sections = QStackedWidget()
        self.sections.setObjectName("clear")
        card.body.addWidget(self.sections, 1)
        self.years = YearsView()
        self.check = CheckView(self.context)
        for section in (self._calibration_section(), self.years, self.check):
            self.sections.addWidget(section)
        self.years.impact.clicked.connect(self._show_impact)
        self.check.changed.connect(lambda: self.context.store_changed.emit("checks"))
        self.edit.clicked.connect(lambda: self.edit_reference(self.list.current()))
        self.enter.clicked.connect(self.ask_calibration)
        return card

    def _calibration_section(self) -> QWidget:
        calibration = QWidget()
        column = QVBoxLayout(calibration)
        column.setContentsMargins(0, 0, 0, 0)
        which = QHBoxLayout()
        self.which = Choices()
        self.which.setAccessibleName("calibration shown")
        self.which_label = label("calibration", "soft")
        which.addWidget(self.which_label)
        which.addWidget(self.which)
        which.addStretch(1)
        column.addLayout(which)
        self.facts = Facts(columns=2)
        inside = QWidget()
        box = QVBoxLayout(inside)
        box.setContentsMargins(0, 4, 4, 0)
        box.addWidget(self.facts)
        box.addStretch(1)
        column.addWidget(scrolled(inside, as_high=True))
        self.picture = CalibrationPicture()
        column.addWidget(self.picture, 5)
        self.which.currentIndexChanged.connect(self._show_calibration)
        return calibration

    def _second_line(self, reference: Reference) -> str:
        if self._stops.get(reference.number):
            return "stopped by its daily check"
        return due_words(reference.calibration.due, today()) if reference.calibration else ""

    def _show_section(self) -> None:
        names = ("calibration", "years", "check")
        self.sections.setCurrentIndex(names.index(self.section.value()))
        reference: Reference | None = self.list.current()
        if self.section.value() == "years":
            self.years.show_reference(reference, self.context.unit)
        elif self.section.value() == "check":
            self.check.show_reference(reference)

    def _show_impact(self) -> None:
        reference: Reference | None = self.list.current()
        if reference is not None:
            self.context.page_wanted.emit("rack", f"view:impact:reference:{reference.number}")

    def _torque(self, torque_nm: float) -> str:
        return torque_text(torque_nm, self.context.unit)

    # ---------------------------------------------------------------------------------------------------------- reading

    def refresh(self) -> None:
        """Read the references again."""
        store = self.context.store
        if store is None:
            self.views.setCurrentWidget(self.waiting)
            return
        try:
            found = sorted(store.references(), key=lambda r: natural_key(r.number))
            standings = {reference.number: store.check_standing(reference.number) for reference in found}
        except StoreError as problem:
            self.say(str(problem), problem=True)
            return
        self._stops = {number: standing.refusal() for number, standing in standings.items() if standing is not None}
        here = self.list.current()
        self.list.show_rows(found)
        if here is not None:
            self._select(here.number)
        if self.views.currentWidget() not in (self.editor, self.calibrating):
            self.show_list()
        self._show(self.list.current())

    def show_list(self) -> None:
        """Back to the list, or to what the page says without a reference."""
        if self.context.store is None:
            return
        n = len(self.list.rows)
        waits = sum(state_of(r, today()).mark in ("bar", "ring") for r in self.list.rows)
        parts = [f"{n} reference{'' if n == 1 else 's'}"] if n else []
        if waits:
            parts.append(f"{waits} without a calibration in force")
        stopped = sum(bool(stop) for stop in self._stops.values())
        if stopped:
            parts.append(f"{stopped} stopped by the daily check")
        self.heading("References", "  ·  ".join(parts))
        self.add.setVisible(n > 0)
        self.views.setCurrentWidget(self.main if n else self.empty)
        if self.isVisible():  # read again behind the Bench it would take the keyboard out of a run
            (self.list if n else self.empty.button).setFocus(Qt.FocusReason.OtherFocusReason)

    def open(self, key: str) -> None:
        """Show the reference with this number; ``NUMBER:check`` and ``NUMBER:years`` open that part of it."""
        number, _, section = key.partition(":")
        self.show_list()
        if not self._select(number):
            self.say(f"There is no reference {number}.", problem=True)
        elif section in ("check", "years"):
            self.section.choose(section)

    def _select(self, number: str) -> bool:
        for index, reference in enumerate(self.list.rows):
            if reference.number == number:
                self.list.selectRow(index)
                return True
        return False

    def _show(self, reference: Reference | None) -> None:
        if reference is None:
            return
        state = state_of(reference, today())
        self.number.setText(reference.number)
        self.state.setText(f"{state.word}  ·  capacity {self._torque(reference.capacity_nm)}")
        stopped = self._stops.get(reference.number)
        said = "No run starts with it: its daily check is out of limits." if stopped else state.sentence
        self.sentence.setText(said)
        self.sentence.setVisible(bool(said))
        self.which.blockSignals(True)
        self.which.clear()
        for index in range(len(reference.calibrations) - 1, -1, -1):
            calibration = reference.calibrations[index]
            words = "in force" if index == len(reference.calibrations) - 1 else "before"
            self.which.addItem(f"{calibration.certificate}, {calibration.calibrated.isoformat()}, {words}", index)
        self.which.blockSignals(False)
        self.which.setVisible(bool(reference.calibrations))
        self.which_label.setVisible(bool(reference.calibrations))
        self._show_calibration()
        self._show_section()

    def _shown_calibration(self) -> Calibration | None:
        reference: Reference | None = self.list.current()
        index = self.which.currentData()
        if reference is None or index is None or index >= len(reference.calibrations):
            return None
        return reference.calibrations[index]

    def _show_calibration(self) -> None:
        reference: Reference | None = self.list.current()
        if reference is None:
            return
        calibration = self._shown_calibration()
        facts = [
            ("talks like", reference.profile or "not known yet"),
            ("answers with", reference.identity or "cannot tell; a person confirms it"),
            ("maker, model", " ".join(part for part in (reference.maker, reference.model) if part)),
            ("serial number", reference.serial),
        ]
        if calibration is not None:
            low, high = self._torque(calibration.usable_from_nm), self._torque(calibration.usable_to_nm)
            facts = [
                ("laboratory", calibration.laboratory),
                ("calibrated", f"{calibration.calibrated.isoformat()}, {due_words(calibration.due, today())}"),
                ("usable range", f"{low.removesuffix(f' {self.context.unit}')} to {high}"),
                ("uncertainty", certified_words(calibration)),
                ("correction", f"{DEGREE_WORDS[calibration.degree]}, from {len(calibration.points)} points"),
                ("class", calibration.reference_class),
                ("W' stated", f"{short(calibration.interval_percent)} %" if calibration.interval_percent else ""),
                ("temperature", temperature_words(calibration)),
                *facts,
            ]
            if calibration is reference.calibration:
                # first: in a small window the end of the facts has to be scrolled to
                facts.insert(0, ("in use", " ".join(limits_of_use(reference, self.context.unit))))
        self.facts.show_facts(facts)
        self.picture.show_calibration(calibration, self.context.unit)
        self.picture.setVisible(calibration is not None)

    # --------------------------------------------------------------------------------------------------------- changing

    def edit_reference(self, reference: Reference | None) -> None:
        """Ask about a new reference, or change one."""
        if self.context.store is None:
            return
        self.heading(f"Change {reference.number}" if reference else "A new reference", "")
        self.add.setVisible(False)
        self.views.setCurrentWidget(self.editor)
        self.editor.ask(reference, self.context.unit if reference is None else NM)

    def _keep(self, reference: Reference) -> None:
        store = self.context.store
        if store is None:
            return
        try:
            if self.editor.reference is None and store.reference(reference.number) is not None:
                self.editor.form.refuse("number", f"{reference.number} is there already; every number stands once.")
                return
        except StoreError as problem:
            self.editor.problem.setText(str(problem))
            return
        # A first reference can be entered by anybody; once it has a certificate, it is the custodian's.
        if self.editor.reference is not None and self.editor.reference.calibrations:
            self.context.as_custodian(f"to change {reference.number}", lambda who: self._put(reference, who))
        else:
            self._put(reference, self.context.operator)

    def _put(self, reference: Reference, who: str) -> None:
        store = self.context.store
        if store is None:
            return
        try:
            opened, now = self.editor.reference, store.reference(reference.number)
            if opened is not None and now is not None:
                reference, self.editor.reference, both = reference_merged(opened, reference, now)
                if both:
                    self.editor.problem.setText(told(reference.number, both))
                    return
            keep_reference(store, reference, who=who)
        except (StoreError, ValueError) as problem:
            self.editor.problem.setText(str(problem))
            return
        self.views.setCurrentWidget(self.main)
        self.context.store_changed.emit("references")
        self._select(reference.number)
        self.say(
            f"{reference.number} is kept." + ("" if reference.calibrations else " Its certificate can be entered now.")
        )
        self.enter.setFocus(Qt.FocusReason.OtherFocusReason)

    def ask_calibration(self) -> None:
        """Ask for a certificate of the chosen reference."""
        reference: Reference | None = self.list.current()
        if reference is None:
            return
        self.heading(f"A calibration of {reference.number}", f"capacity {self._torque(reference.capacity_nm)}")
        self.add.setVisible(False)
        self.views.setCurrentWidget(self.calibrating)
        self.calibrating.ask(reference, self.context.unit)

    def _enter(self, calibration: Calibration) -> None:
        reference = self.calibrating.reference
        if reference is not None:
            what_for = f"to enter certificate {calibration.certificate} of {reference.number}"
            self.context.as_custodian(what_for, lambda who: self._put_calibration(reference, calibration, who))

    def _put_calibration(self, reference: Reference, calibration: Calibration, who: str) -> None:
        store = self.context.store
        if store is None:
            return
        try:
            store.add_calibration(reference.number, calibration, who=who)
        except (StoreError, ValueError) as problem:
            self.calibrating.table_problem.setText(str(problem))
            return
        self.views.setCurrentWidget(self.main)
        self.context.store_changed.emit("references")
        self._select(reference.number)
        self.say(f"{calibration.certificate} is in force for {reference.number}.")


def _built_in_profiles() -> list[tuple[str, str]]:
    from drivers.profile import Profiles  # read from files, and only when the page is first wanted

    return [(name, name) for name in Profiles().names]
