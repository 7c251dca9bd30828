"""At which torque a spot check is pulled, and what to set the wrench to where an extension is used."""

from __future__ import annotations

from typing import Final

from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from benchapp.metrology.tool import Tool
from benchapp.torque.text import LENGTHS_MM, parse_length, parse_torque
from benchapp.torque.units import from_nm, to_nm
from benchapp.ui import words
from benchapp.ui.bench.start.card import Card

PROPOSED_SHARE: Final = 0.6  # of the tool's maximum: the middle checkpoint of a full run
EXTENSION_ASKED: Final = "Then how long the wrench is, drive to grip, and how much longer with it: 400 mm, 100 mm."


def lengths_of(lever: str, extra: str) -> tuple[float, float]:
    """Return both lengths in one unit, whatever each was typed in.

    Raises:
        ValueError: One is missing, or is no length.
    """
    if not lever.strip():
        raise ValueError("Type the length of the wrench from its drive to the middle of the grip, such as 400 mm.")
    if not extra.strip():
        raise ValueError("Type by how much the extension makes it longer, such as 100 mm; minus where it shortens it.")
    (long, of_long), (more, of_more) = parse_length(lever), parse_length(extra)
    of_long, of_more = of_long or of_more, of_more or of_long  # a unit typed once is that of both
    return (long * LENGTHS_MM[of_long], more * LENGTHS_MM[of_more]) if of_long else (long, more)


class TargetBox(QWidget):
    """The torque, and two lengths when an extension is used.

    Args:
        card: On which it stands.
    """

    def __init__(self, card: Card) -> None:
        super().__init__(card)
        self.torque = card.line("Target")
        self.with_extension = card.quiet("with an extension …")
        self.with_extension.setCheckable(True)
        self.with_extension.toggled.connect(self._extension_toggled)
        self.with_extension.toggled.connect(card.changed)
        self.lengths = QWidget(self)
        self.lever = card.line("Length of the wrench from drive to middle of the grip", "wrench")
        self.extra = card.line("Length of the extension, minus when it shortens", "extension")
        self.extra.setToolTip("In line with the wrench; minus where it shortens. A unit typed once is that of both.")
        self.says = card.note()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        head, row, lengths = QHBoxLayout(), QHBoxLayout(), QHBoxLayout(self.lengths)
        head.addWidget(card.note("At which torque"), 1)
        head.addWidget(self.with_extension)
        row.addWidget(self.torque, 1)
        row.addWidget(self.lengths, 2)
        row.setSpacing(6)
        lengths.addWidget(self.lever)
        lengths.addWidget(self.extra)
        lengths.setContentsMargins(0, 0, 0, 0)
        lengths.setSpacing(6)
        column.addLayout(head)
        column.addLayout(row)
        column.addWidget(self.says)
        self._extension_toggled(False)

    def _extension_toggled(self, on: bool) -> None:
        self.lengths.setVisible(on)
        self.says.setText(EXTENSION_ASKED)
        self.says.setVisible(on)

    def keep_unit(self, tool: Tool) -> None:
        """Write the unit of `tool` behind a torque that has none: what stays for the next tool means the same there."""
        text = self.torque.text().strip()
        if text and len({parse_torque(text, unit)[1] for unit in ("N·m", "lbf·ft")}) > 1:
            self.torque.setText(f"{text} {tool.unit}")

    @property
    def is_proposed(self) -> bool:
        """A torque stands there although none was typed."""
        return bool(self.torque.placeholderText())

    def target(self, tool: Tool, *, proposes: bool) -> float | None:
        """Return the target in the tool's unit; with an extension what the tool is to be set to.

        Args:
            tool: Which is pulled.
            proposes: Nobody chose a spot check: a torque in mid-range stands there until one is typed.

        Raises:
            ValueError: What is typed is no torque or no length.
        """
        if not self.torque.text().strip():
            return self._propose(tool if proposes and not self.with_extension.isChecked() else None)
        value, unit = parse_torque(self.torque.text(), tool.unit)
        target = value if unit == tool.unit else from_nm(to_nm(value, unit), tool.unit)
        if not self.with_extension.isChecked():
            return target
        from benchapp.metrology.extension import setting_with_extension

        setting = setting_with_extension(target, *lengths_of(self.lever.text(), self.extra.text()))
        self.says.setText(f"For that set the wrench to {setting:.4g} {tool.unit}; verified without it.")
        return float(f"{setting:.4g}")

    def _propose(self, tool: Tool | None) -> float | None:
        if tool is None:
            self.torque.setPlaceholderText("")
            return None
        from benchapp.runs.planning import on_mark

        at = on_mark(tool, float(f"{tool.highest * PROPOSED_SHARE:.4g}"))
        self.torque.setPlaceholderText(f"{words.plain(at)} {tool.unit}, or type another")
        return at
