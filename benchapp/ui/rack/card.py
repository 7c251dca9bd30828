"""Beside the list of tools: what is known of the one under the cursor, and the change of its state."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from benchapp.records.model import Outcome, ToolRecord, ToolState
from benchapp.ui.choices import PickField
from benchapp.ui.controls import Panel, in_row, label, main_button, plain_button, quiet_button
from benchapp.ui.fields import TextField
from benchapp.ui.form import Form
from benchapp.ui.format import direction_text, range_in, range_text, short
from benchapp.ui.page import Facts, keep_place, scrolled
from benchapp.ui.rack.history import HistoryPicture
from benchapp.ui.rack.model import interval_line
from benchapp.ui.rack.photo import Picture

NEXT_STATES: dict[ToolState, tuple[tuple[ToolState, str], ...]] = {
    ToolState.IN_SERVICE: (
        (ToolState.QUARANTINED, "Take it out of service"),
        (ToolState.AT_LABORATORY, "Send it to a laboratory"),
        (ToolState.RETIRED, "Retire it"),
    ),
    ToolState.QUARANTINED: (
        (ToolState.IN_SERVICE, "Put it back in service"),
        (ToolState.AT_LABORATORY, "Send it to a laboratory"),
        (ToolState.RETIRED, "Retire it"),
    ),
    ToolState.AT_LABORATORY: (
        (ToolState.IN_SERVICE, "Put it back in service"),
        (ToolState.QUARANTINED, "It is back, keep it aside"),
        (ToolState.RETIRED, "Retire it"),
    ),
    ToolState.RETIRED: ((ToolState.QUARANTINED, "Take it up again, kept aside"),),
}
"""What a person may do with a tool in a state; the store has the last word."""

OUTCOME_WORDS = {
    Outcome.WITHIN: "within limits",
    Outcome.OUT: "out of limits",
    Outcome.LEFT: "left",
    Outcome.UNDECIDED: "undecided",
    Outcome.OPEN: "",
}


def tool_facts(record: ToolRecord, unit: str) -> list[tuple[str, str]]:
    """Return what is known of a tool as (name, value), its range in `unit` too where that is another one."""
    tool = record.tool
    in_other = range_in(tool, unit)
    last = (
        f"{record.last_verified.isoformat()}, {OUTCOME_WORDS[record.last_outcome]}" if record.last_verified else "never"
    )
    return [
        ("range", range_text(tool) + (f"  ({in_other})" if in_other else "")),
        ("one division", f"{short(tool.resolution)} {tool.unit}" if tool.resolution else ""),
        ("works", direction_text(tool.directions)),
        ("maker's limit", f"±{short(tool.declared_percent)} %" if tool.declared_percent else ""),
        ("drive", tool.drive),
        ("maker, model", " ".join(part for part in (tool.maker, tool.model) if part)),
        ("serial number", tool.serial),
        ("hangs", record.place),
        ("keeper", record.keeper),
        ("verified", interval_line(record)),
        ("last time", last),
        ("cycles since", str(record.cycles) if record.cycles else ""),
        ("remark", record.remark),
    ]


class StateView(QWidget):
    """Asks for a change of state: to what, who, why."""

    def __init__(self) -> None:
        super().__init__()
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        panel = Panel(margin=22)
        self.form = Form()
        self.state = self.form.add("state", PickField("What happens to it", []))
        self.who = self.form.add("who", TextField("Who decides", placeholder="custodian"))
        self.why = self.form.add("why", TextField("Why", width=460, hint="One sentence; it stays with the tool."))
        panel.body.addWidget(self.form)
        self.problem = label("", "problem", wrap=True)
        panel.body.addWidget(self.problem)
        self.save = main_button("Record it")
        self.override = plain_button("The custodian decides otherwise")
        self.cancel = plain_button("Back, change nothing")
        panel.body.addLayout(in_row(self.save, self.override, self.cancel))
        outer.addWidget(panel)
        outer.addStretch(1)


class ToolCard(QWidget):
    """What is known of the tool under the cursor, and what can be done with it."""

    def __init__(self) -> None:
        super().__init__()
        self.setMinimumWidth(355)
        self.setMaximumWidth(760)
        keep_place(self)  # a search that finds nothing for a moment moves no column
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        panel = Panel(margin=18)
        outer.addWidget(panel)
        self.number = label("", "figure")
        self.kind = label("", "soft", wrap=True)
        self.state = label("", wrap=True)
        self.verify = main_button("Verify")
        self.verify.setToolTip("Put it up on the Bench (Ctrl+Enter)")
        self.edit = plain_button("Change")
        self.to_state = plain_button("State …")
        self.runs = quiet_button("Its runs")
        self.years = quiet_button("Over the years")
        self.jobs = quiet_button("Its jobs")
        self.label = plain_button("Label …")
        self.label.setToolTip("Its label as PDF: number, verdict, dates and a code to scan")
        self.doubt = plain_button("What was done with it")
        self.doubt.setToolTip("It was found out: the jobs since it was last known good")
        self.photo = Picture()
        self.photo.setFixedSize(112, 84)
        self.photo.setCursor(Qt.CursorShape.PointingHandCursor)
        self.photo.setToolTip("Show the photo")
        self.add_photo = quiet_button("Add a photo")
        self.facts = Facts()
        self.history = HistoryPicture()
        body = panel.body
        top = QHBoxLayout()
        names = QVBoxLayout()
        for widget in (self.number, self.kind, self.state):
            names.addWidget(widget)
        top.addLayout(names, 1)
        top.addWidget(self.photo, 0, Qt.AlignmentFlag.AlignTop)
        top.addWidget(self.add_photo, 0, Qt.AlignmentFlag.AlignTop)
        body.addLayout(top)
        row = QHBoxLayout()
        row.setSpacing(6)
        row.addWidget(self.verify, 1)
        row.addWidget(self.edit)
        row.addWidget(self.to_state)
        row.addWidget(self.label)
        body.addSpacing(4)
        body.addLayout(row)
        body.addWidget(self.doubt)
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(0, 6, 4, 0)
        column.addWidget(self.facts)
        column.addStretch(1)
        body.addWidget(scrolled(inside), 3)
        body.addLayout(in_row(label("Deviation", "section"), right=(self.years, self.jobs, self.runs)))
        body.addWidget(self.history, 3)
