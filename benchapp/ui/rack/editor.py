"""A tool by plain questions: three answers are enough, more can be said; nobody is asked for a class letter."""

from __future__ import annotations

from typing import Any, Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from benchapp.records.model import DEFAULT_INTERVAL_CYCLES, DEFAULT_INTERVAL_MONTHS, ToolRecord
from benchapp.torque.direction import Direction
from benchapp.torque.units import NM
from benchapp.ui.choices import ChoiceField
from benchapp.ui.controls import Panel, label, main_button, plain_button, quiet_button
from benchapp.ui.fields import DateField, FieldError, NumberField, ScanField, TextField, TorqueField, read_torque
from benchapp.ui.form import Form
from benchapp.ui.format import short
from benchapp.ui.page import scrolled
from benchapp.ui.rack.model import (
    Answers,
    ToolEntryError,
    answers_of,
    changed,
    converted,
    default_lowest,
    kind_of,
    tool_of,
)

HOW_SETTING = [
    ("scale", "On its own scale"),
    ("plain", "No scale, set on a tester"),
    ("fixed", "One value only"),
]
BAR = [("no", "Rigid body"), ("yes", "A bar bends while pulled")]
HOW_SHOWING = [("dial", "Dial or scale"), ("display", "Figures on a display"), ("beam", "Bending bar")]
DIRECTIONS: Final = {
    "one": (Direction.CLOCKWISE,),
    "both": (Direction.CLOCKWISE, Direction.ANTICLOCKWISE),
    "other": (Direction.ANTICLOCKWISE,),
}
MORE = (
    "lowest",
    "resolution",
    "directions",
    "bar",
    "memory",
    "declared",
    "maker",
    "model",
    "serial",
    "drive",
    "code",
    "place",
    "keeper",
    "months",
    "cycles",
    "first_use",
    "remark",
)


class ToolEditor(QWidget):
    """Asks about one tool; `saved` carries the record, `left` says that nothing is to be changed."""

    saved = Signal(object)
    left = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.record: ToolRecord | None = None
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(0, 0, 10, 0)
        panel = Panel(margin=22)
        column.addWidget(panel)
        column.addStretch(1)
        outer.addWidget(scrolled(inside), 1)
        form = self.form = Form()
        panel.body.addWidget(form)
        self._add_needed(form)
        self._add_more(form)
        foot = QHBoxLayout()
        self.save = main_button("Keep this tool")
        self.cancel = plain_button("Back, change nothing")
        self.more = quiet_button("Say more about it")
        self.more.setCheckable(True)
        self.letter = label("", "soft")
        self.problem = label("", "problem", wrap=True)
        foot.addWidget(self.save)
        foot.addWidget(self.cancel)
        foot.addWidget(self.more)
        foot.addWidget(self.problem, 1)
        foot.addWidget(self.letter, 0, Qt.AlignmentFlag.AlignRight)
        outer.addLayout(foot)
        self.save.clicked.connect(self.submit)
        self.cancel.clicked.connect(self.left)
        self.more.toggled.connect(self._follow)
        form.submitted.connect(self.submit)
        for field in form.fields.values():
            field.changed.connect(self._follow)
        self._follow()

    def _add_needed(self, form: Form) -> None:
        self.number = form.add(
            "number", TextField("Its number", hint="As it is written on the tool.", placeholder="OCF-014", width=220)
        )
        self.act = form.add(
            "act",
            ChoiceField(
                "At its torque",
                [("lets-go", "It lets go"), ("shows", "It shows it")],
                hint="Clicks, slips or breaks away; or shows the torque on a dial or display.",
            ),
        )
        self.highest = form.add("highest", TorqueField("Its highest value", unit=NM))
        self.body = form.add("body", ChoiceField("It is a", [("wrench", "Wrench"), ("screwdriver", "Screwdriver")]))
        self.how = form.add("how", ChoiceField("It is set", HOW_SETTING))
        self.shown = form.add("shown", ChoiceField("It shows torque on a", HOW_SHOWING))

    def _add_more(self, form: Form) -> None:
        self.lowest = form.add("lowest", TextField("Lowest marked value", required=False, width=120))
        form.add("resolution", TextField("One division or digit", required=False, width=120))
        form.add(
            "directions",
            ChoiceField("It works", [("one", "Clockwise"), ("both", "Both directions"), ("other", "Anticlockwise")]),
        )
        form.add("bar", ChoiceField("Inside", BAR))
        form.add(
            "memory",
            ChoiceField(
                "After the pull",
                [("no", "It falls back"), ("yes", "It keeps the value")],
                hint="Follower pointer or memory.",
            ),
        )
        form.add(
            "declared",
            NumberField(
                "Limit from its maker",
                unit="± %",
                required=False,
                above=0,
                highest=20,
                hint="Only if tighter than the standard's; empty: the procedure's limit.",
            ),
        )
        form.add("maker", TextField("Maker", required=False))
        form.add("model", TextField("Model", required=False))
        form.add("serial", TextField("Serial number", required=False))
        form.add("drive", TextField("Drive", required=False, placeholder="1/2 in", width=120))
        form.add(
            "code",
            ScanField(
                "Its barcode says", required=False, hint="Scan it here if it says something else than the number."
            ),
        )
        form.add("place", TextField("Where it hangs", required=False))
        form.add("keeper", TextField("Who answers for it", required=False))
        form.add(
            "months",
            NumberField(
                "Months between verifications",
                required=False,
                lowest=1,
                highest=120,
                whole=True,
                hint=f"Empty: {DEFAULT_INTERVAL_MONTHS}.",
            ),
        )
        form.add(
            "cycles",
            NumberField(
                "Cycles between verifications",
                required=False,
                lowest=1,
                highest=1e7,
                whole=True,
                hint=f"Empty: {DEFAULT_INTERVAL_CYCLES}.",
            ),
        )
        form.add("first_use", DateField("First used", required=False, hint="The first interval counts from here."))
        form.add("remark", TextField("Remark", required=False, width=420))

    # ------------------------------------------------------------------------------------------------------------- flow

    def ask(self, record: ToolRecord | None, unit: str = NM) -> None:
        """Ask about a new tool (None) or show one to be changed; `unit` is offered for a new tool."""
        self.record = record
        fields = self.form.fields
        for field in fields.values():
            field.accept()
        self.problem.setText("")
        answers = answers_of(record.tool) if record else Answers("", lets_go=True, highest=0.0, unit=unit)
        self.number.put(answers.number)
        self.number.edit.setReadOnly(record is not None)
        self.number.set_hint(
            "The number stays: its history hangs on it." if record else "As it is written on the tool."
        )
        self.act.put("lets-go" if answers.lets_go else "shows")
        self.highest.set_unit(answers.unit)
        self.highest.edit.setText(short(answers.highest) if record else "")
        self.body.put("screwdriver" if answers.screwdriver else "wrench")
        self.how.put({"bending": "scale"}.get(answers.how, answers.how) if answers.lets_go and answers.how else "scale")
        fields["bar"].put("yes" if answers.how == "bending" else "no")
        self.shown.put(answers.how if not answers.lets_go and answers.how else "dial")
        fields["lowest"].put("" if answers.lowest is None else short(answers.lowest))
        fields["resolution"].put("" if answers.resolution is None else short(answers.resolution))
        fields["directions"].put(next(key for key, ways in DIRECTIONS.items() if {*ways} == {*answers.directions}))
        fields["memory"].put("yes" if answers.has_memory else "no")
        fields["declared"].put(answers.declared_percent)
        for key in ("maker", "model", "serial", "drive"):
            fields[key].put(getattr(answers, key))
        for key in ("code", "place", "keeper", "remark"):
            fields[key].put(getattr(record, key) if record else "")
        fields["months"].put(record.interval_months if record else None)
        fields["cycles"].put(record.interval_cycles if record else None)
        fields["first_use"].put(record.first_use if record else None)
        self.more.setChecked(record is not None)
        self._follow()
        (self.highest if record else self.number).setFocus(Qt.FocusReason.OtherFocusReason)

    def _follow(self, *_: object) -> None:
        """Ask only what the answers so far leave open, and say what an empty field means."""
        setting = self.act.value() == "lets-go"
        more = self.more.isChecked()
        self.form.show_field("how", shown=setting)
        self.form.show_field("shown", shown=not setting)
        fixed = setting and self.how.value() == "fixed"
        wrench_scale = setting and self.how.value() == "scale" and self.body.value() == "wrench"
        for key in MORE:
            shown = more
            if key == "lowest":
                shown = more and not fixed
            elif key == "memory":
                shown = more and not setting
            elif key == "bar":
                shown = more and wrench_scale
            self.form.show_field(key, shown=shown)
        self.more.setText("Less" if more else "Say more about it")
        self.highest.caption.setText("Its one value" if fixed else "Its highest value")
        self._say_lowest(fixed)
        try:
            kind = kind_of(self._answers({}))
            self.letter.setText(f"ISO 6789 type {kind.tool_type.value}, class {kind.tool_class}")
        except (ToolEntryError, FieldError, ValueError):
            self.letter.setText("")

    def _say_lowest(self, fixed: bool) -> None:
        try:
            entered = self.highest.value()
        except FieldError:
            entered = None
        if fixed or entered is None:
            self.highest.set_hint("" if fixed else "The end of its scale.")
            self.form.fields["lowest"].set_hint("Empty: 20 % of the highest.")
            return
        said = f"{short(default_lowest(entered.value))} {entered.unit}"
        self.form.fields["lowest"].set_hint(f"In {entered.unit}. Empty: 20 % of the highest, {said}.")
        self.form.fields["resolution"].set_hint(f"In {entered.unit}.")
        typed = self.lowest.text() if self.more.isChecked() else ""
        self.highest.set_hint("" if typed else f"Its lowest mark is taken as {said}.")

    def _answers(self, entered: dict[str, Any]) -> Answers:
        setting = self.act.value() == "lets-go"
        highest = entered.get("highest")
        unit = highest.unit if highest else self.highest.unit
        how = self.how.value() if setting else self.shown.value()
        if setting and how == "scale" and self.form.fields["bar"].value() == "yes" and self.body.value() == "wrench":
            how = "bending"
        return Answers(
            number=entered.get("number", "x"),
            lets_go=setting,
            highest=highest.value if highest else 1.0,
            unit=unit,
            lowest=self._torque(entered, "lowest", "Lowest marked value", unit),
            screwdriver=self.body.value() == "screwdriver",
            how=how,
            resolution=self._torque(entered, "resolution", "One division", unit),
            directions=DIRECTIONS[str(self.form.fields["directions"].value())],
            has_memory=self.form.fields["memory"].value() == "yes",
            declared_percent=entered.get("declared"),
            maker=entered.get("maker", ""),
            model=entered.get("model", ""),
            serial=entered.get("serial", ""),
            drive=entered.get("drive", ""),
        )

    def _torque(self, entered: dict[str, Any], key: str, name: str, unit: str) -> float | None:
        text = entered.get(key, "")
        if not text:
            return None
        try:
            value, typed = read_torque(name, text, unit)
        except FieldError as problem:
            raise ToolEntryError(key, str(problem)) from None
        return converted(value, typed, unit)

    def submit(self) -> None:
        """Keep what was entered, or say beside the field why it cannot stand."""
        self.problem.setText("")
        was_folded = not self.more.isChecked()
        entered = self.form.values()
        if entered is None:
            return
        if was_folded and self.record is None:
            entered = {key: value for key, value in entered.items() if key not in MORE}
        try:
            tool = tool_of(self._answers(entered))
        except ToolEntryError as problem:
            if not self.form.is_asked(problem.field):
                self.more.setChecked(True)
            self.form.refuse(problem.field, str(problem))
            return
        kept: dict[str, Any] = {}
        if "place" in entered:
            kept = {
                "code": entered["code"],
                "place": entered["place"],
                "keeper": entered["keeper"],
                "remark": entered["remark"],
                "first_use": entered["first_use"],
                "interval_months": _whole(entered["months"]),
                "interval_cycles": _whole(entered["cycles"]),
            }
        self.saved.emit(changed(self.record, tool, **kept))


def _whole(value: float | None) -> int | None:
    return None if value is None else int(value)
