"""Curves with what is said about them: the picture, the pulls beside it, alignment, zoom, export."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QListWidget, QListWidgetItem, QMenu, QVBoxLayout, QWidget

from benchapp.pulls.pull import Pull
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import write_trace
from benchapp.torque.units import factor_nm
from benchapp.ui import words
from benchapp.ui.choices import ChoiceField
from benchapp.ui.controls import Panel, label, plain_button
from benchapp.ui.curves.drawing import Corridor, rate_words
from benchapp.ui.curves.origin import Origin
from benchapp.ui.curves.overlay import Align, Curve
from benchapp.ui.curves.picture import CurvePicture
from benchapp.ui.files import ask_save
from benchapp.ui.format import significant
from benchapp.ui.words import seconds

MEETS: Final = {
    Align.CLICK: "from the click (where none is told: from the reading, else the greatest torque)",
    Align.EIGHTY: "from 80 % of the reading",
    Align.START: "from the start of the pull",
}


def pull_line(curve: Curve, unit: str) -> str:
    """Return what stands for a pull in the list: number, reading, and whether it counts."""
    pull = curve.pull
    if pull is None or pull.reading is None:
        reading = "no reading"
    else:
        reading = f"{significant(pull.reading / factor_nm(unit), 4)} {unit}"
    return f"{curve.number}   {reading}" + (f"   {curve.remark}" if curve.remark else "")


def explain(pull: Pull | None, unit: str) -> list[str]:
    """Return what is to be said about a pull, a sentence a line: times, rate, peak, every flag with its numbers."""
    if pull is None:
        return ["Nothing was read from this recording."]
    factor = factor_nm(unit)
    said = []
    if pull.reading is None:
        said.append("There is no reading.")
    elif pull.first_peak is not None:
        said.append(f"Let go at {significant(pull.reading / factor, 5)} {unit}.")
    else:
        said.append(f"Read {significant(pull.reading / factor, 5)} {unit}.")
    if pull.time_80_to_100_s is not None and pull.loading_rate_per_s is not None:
        said.append(
            f"Last fifth in {seconds(pull.time_80_to_100_s)}, "
            f"{significant(pull.loading_rate_per_s / factor, 3)} {unit} per second."
        )
    if pull.first_peak is not None and pull.peak > pull.first_peak:
        past = (pull.peak / pull.first_peak - 1) * 100
        said.append(f"The hand went on to {significant(pull.peak / factor, 4)} {unit}, {past:.0f} % past the click.")
    if pull.sampling_hides_percent is not None and pull.sampling_hides_percent >= 0.05:
        said.append(f"Between two samples up to {pull.sampling_hides_percent:.2f}\u00a0% of it may be hidden.")
    said += [words.flag_sentence(noticed, unit) for noticed in words.told_of(pull)]
    if not pull.noticed:
        said.append("Nothing was wrong with this pull.")
    return said


def overlaid_csv(curves: Sequence[Curve], align: Align, unit: str, origin: Origin) -> str:
    """Return the samples of all curves as CSV under lines that say where they are from, like those of a trace file.

    Columns: pull, seconds from where the curves meet, torque and rate (unit in the names), whether the pull counts.
    Torque is positive in the direction of the pull, decimal sign a point.
    """
    factor = factor_nm(unit)
    lines = [f"# {key}: {value}" for key, value in origin.facts()]
    lines += [f"# source: {origin.source.value}", f"# unit: {unit}", f"# time_s: {MEETS[align]}"]
    lines += [f"# rate of pull {curve.number}: slope of a straight line {rate_words(curve)}" for curve in curves]
    lines += [f"# pull {curve.number}: {curve.remark}" for curve in curves if curve.remark]
    lines.append(f"pull,time_s,torque_{unit},rate_{unit}_per_s,counts")
    for curve in curves:
        shift, counts = curve.shift_s(align), "yes" if curve.counts else "no"
        rows = zip(curve.t_s - shift, curve.torque_nm / factor, curve.rate_nm_s / factor, strict=True)
        lines.extend(f"{curve.number},{t:.6f},{y:.9g},{rate:.6g},{counts}" for t, y, rate in rows)
    return "\r\n".join(lines) + "\r\n"


class CurvePanel(QWidget):
    """The picture with its pulls.

    `data_wanted` is called with the number of the chosen pull and returns its trace for export; None: no data to save.
    `origin` says where the shown curves are from; whatever is saved bears it.
    """

    chosen = Signal(int)
    saved = Signal(str)
    failed = Signal(str)

    def __init__(
        self,
        origin: Callable[[], Origin],
        *,
        data_wanted: Callable[[int], Trace | None] | None = None,
        with_list: bool = True,
    ) -> None:
        super().__init__()
        self._data_wanted = data_wanted
        self._origin = origin
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.setSpacing(8)
        tools = self.tools = QHBoxLayout()
        tools.setSpacing(8)
        self.align = ChoiceField(
            "Laid over each other at",
            [(Align.CLICK, "At the click"), (Align.EIGHTY, "At 80 %"), (Align.START, "At the start")],
            on_change=lambda key: self.picture.set_align(Align(key)),
        )
        tools.addWidget(self.align)
        self.near = plain_button("Click from near")
        self.near.setToolTip("60 ms around the click, each sample a dot (C)")
        self.all = plain_button("Everything")
        self.all.setToolTip("All pulls from start to end (0)")
        self.rate = plain_button("Rate of change")
        self.rate.setCheckable(True)
        self.rate.setChecked(True)
        for button in (self.near, self.all, self.rate):
            tools.addWidget(button)
        tools.addStretch(1)
        self.save = plain_button("Save …")
        menu = QMenu(self.save)
        menu.addAction("Picture as PNG …", lambda: self._ask("png"))
        menu.addAction("Picture as SVG …", lambda: self._ask("svg"))
        if data_wanted is not None:
            menu.addAction("This pull's samples as a trace file …", lambda: self._ask("csv"))
        menu.addAction("All pulls' samples as they lie over each other …", lambda: self._ask("all"))
        self.save.setMenu(menu)
        tools.addWidget(self.save)
        outer.addLayout(tools)
        body = QHBoxLayout()
        body.setSpacing(10)
        frame = Panel(margin=8)
        self.picture = CurvePicture()
        frame.body.addWidget(self.picture)
        body.addWidget(frame, 38)
        side = Panel("Pulls")
        side.setMaximumWidth(340)
        self.list = QListWidget()
        self.list.setFrameShape(QListWidget.Shape.NoFrame)
        self.list.setStyleSheet("QListWidget { border: none; } QListWidget::item { padding: 5px 6px; }")
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setWordWrap(True)
        side.body.addWidget(self.list, 3)
        self.said = label("", wrap=True)
        self.said.setAlignment(Qt.AlignmentFlag.AlignTop)
        side.body.addWidget(self.said, 2)
        self.keys = label("Wheel zooms, Shift only torque. Drag moves. Arrows walk the cursor.", "soft", wrap=True)
        side.body.addWidget(self.keys)
        side.setVisible(with_list)
        body.addWidget(side, 10)
        outer.addLayout(body, 1)
        self.near.clicked.connect(self.picture.show_click)
        self.all.clicked.connect(self.picture.show_all)
        self.rate.toggled.connect(self.picture.set_rate_shown)
        self.picture.picked.connect(self._picked)
        self.list.currentRowChanged.connect(self._row)

    def show_curves(self, curves: Sequence[Curve], *, corridor: Corridor | None = None, unit: str = "N·m") -> None:
        """Lay `curves` over each other and list them."""
        self.picture.set_unit(unit)
        self.picture.show_curves(curves, corridor=corridor)
        self.list.blockSignals(True)
        self.list.clear()
        for curve in curves:
            item = QListWidgetItem(pull_line(curve, unit))
            item.setData(Qt.ItemDataRole.UserRole, curve.number)
            if not curve.counts:
                font = item.font()
                font.setItalic(True)
                item.setFont(font)
            self.list.addItem(item)
        self.list.blockSignals(False)
        self._picked(self.picture.chosen)
        self.near.setEnabled(any(c.pull is not None and c.pull.reading_time_s is not None for c in curves))

    def _picked(self, number: int) -> None:
        for row in range(self.list.count()):
            if self.list.item(row).data(Qt.ItemDataRole.UserRole) == number:
                self.list.blockSignals(True)
                self.list.setCurrentRow(row)
                self.list.blockSignals(False)
        curve = self.picture.chosen_curve()
        unit = self.picture.unit
        said = [] if curve is None else explain(curve.pull, unit)
        if curve is not None and curve.remark:
            said.append(curve.remark[:1].upper() + curve.remark[1:] + ("" if curve.remark.endswith(".") else "."))
        self.said.setText("\n".join(said))
        self.chosen.emit(number)

    def _row(self, row: int) -> None:
        item = self.list.item(row)
        if item is not None:
            self.picture.choose(int(item.data(Qt.ItemDataRole.UserRole)))

    def _ask(self, kind: str) -> None:
        filters = {
            "png": "Picture (*.png)",
            "svg": "Drawing (*.svg)",
            "csv": "Trace file (*.csv)",
            "all": "CSV (*.csv)",
        }
        what = {"csv": f" pull {self.picture.chosen}", "all": " samples"}.get(kind, " curves")
        ending = "csv" if kind == "all" else kind
        path = ask_save(self, "Save", f"{self._origin().file_name()}{what}.{ending}", filters[kind])
        if path is not None:
            self.save_as(str(path), kind)

    def save_as(self, path: str, kind: str) -> bool:
        """Write the picture ("png", "svg"), the chosen pull's samples ("csv") or those of all pulls ("all").

        Says so, or says why not.
        """
        try:
            self._write(path, kind)
        except (OSError, ValueError) as problem:
            self.failed.emit(
                f"{path}: {getattr(problem, 'strerror', None) or problem}. Nothing was saved; choose another place."
            )
            return False
        self.saved.emit(f"Saved as {path}")
        return True

    def _write(self, path: str, kind: str) -> None:
        origin = self._origin()
        if kind == "png":
            if not self.picture.image(heading=origin.heading()).save(path):
                raise OSError("the picture could not be written")
        elif kind == "svg":
            self.picture.save_svg(path, origin.heading())
        elif kind == "all":
            if not self.picture.curves:
                raise OSError("there are no pulls")
            text = overlaid_csv(self.picture.curves, self.picture.align, self.picture.unit, origin)
            Path(path).write_text(text, encoding="utf-8", newline="")
        else:
            trace = self._data_wanted(self.picture.chosen) if self._data_wanted else None
            if trace is None:
                raise OSError("this pull has no recorded samples")
            told = {**dict(origin.facts()), "pull": str(self.picture.chosen)}
            write_trace(Path(path), replace(trace, extra=MappingProxyType({**trace.extra, **told})))
