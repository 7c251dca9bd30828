"""A recording from elsewhere: matched, previewed, read like any other, and replayed on the Bench if wanted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtWidgets import (
    QHBoxLayout,
    QHeaderView,
    QProgressBar,
    QStackedWidget,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from benchapp.pulls import Mode
from benchapp.torque.trace import Trace
from benchapp.torque.units import FACTORS
from benchapp.ui.choices import ChoiceField, PickField
from benchapp.ui.controls import Choices, Panel, in_row, label, main_button, plain_button
from benchapp.ui.curves.foreign import (
    CLOCK,
    COUNTED,
    TIME_UNITS,
    Matching,
    Sheet,
    outlook,
    rate_text,
    replay_file,
    trace_of,
    unit_of,
    without_notes,
)
from benchapp.ui.curves.origin import Origin
from benchapp.ui.curves.panel import CurvePanel
from benchapp.ui.curves.recording import Recording, opened, recording_of
from benchapp.ui.errand import Errand
from benchapp.ui.fields import FieldError, NumberField
from benchapp.ui.form import Form
from benchapp.ui.format import plural, wall_text
from drivers.samples import Source

PREVIEW_ROWS = 12
PATIENCE_MS = 150
"""What takes longer is said to be under way."""
MATCHING, CURVES, BUSY = range(3)
TIME_WORDS = {COUNTED: "samples: it only counts them", CLOCK: "time of day"}
SPEEDS = (("0.1", "1/10"), ("0.5", "1/2"), ("1", "as it was"), ("2", "2 times"), ("5", "5 times"), ("20", "20 times"))


class RecordingView(QWidget):
    """Shows a file; `replay_wanted` carries a `replay:` URL, `failed` a sentence.

    Whatever grows with the file is done in a thread. `shown` says that there is something of the file asked for to
    show, be it that it is still being read; `left` that the person wants it no more, or that it could not be read.
    """

    shown = Signal()
    replay_wanted = Signal(str)
    failed = Signal(str)
    saved = Signal(str)
    left = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.path = Path()
        self.sheet: Sheet | None = None
        self.trace: Trace | None = None
        self._shown: Recording | None = None
        self.unit = "N·m"
        self._offering = False
        self.errand = Errand(self)
        self._patience = QTimer(self)
        self._patience.setSingleShot(True)
        self._patience.setInterval(PATIENCE_MS)
        self._patience.timeout.connect(self._say_busy)
        self._before: int | None = None
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        self.stack = QStackedWidget()
        outer.addWidget(self.stack)
        self._build_matching()
        self._build_curves()
        self._build_busy()

    def _build_matching(self) -> None:
        inside = QWidget()
        row = QHBoxLayout(inside)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(12)
        side = Panel("Which column is what", margin=20)
        self.form = Form(narrow=True)
        self.time = self.form.add("time", PickField("Time", [("-1", "no time in it")]))
        self.time_unit = self.form.add(
            "time_unit", PickField("Time is in", [(key, TIME_WORDS.get(key, key)) for key in TIME_UNITS])
        )
        self.rate = self.form.add("rate", NumberField("Samples per second", above=0, highest=1e6))
        self.torque = self.form.add("torque", PickField("Torque", []))
        self.torque_unit = self.form.add("unit", PickField("Torque is in", [(unit, unit) for unit in FACTORS]))
        self.sign = self.form.add("sign", ChoiceField("Positive is", [("cw", "clockwise"), ("ccw", "anticlockwise")]))
        self.capacity = self.form.add(
            "capacity", NumberField("Capacity of the reference", required=False, above=0, hint="Empty: not known.")
        )
        side.body.addWidget(self.form)
        self.matching_problem = label("", "problem", wrap=True)
        side.body.addWidget(self.matching_problem)
        side.body.addStretch(1)
        self.take = main_button("Read it")
        self.cancel = plain_button("Back")
        side.body.addLayout(in_row(self.take, self.cancel))
        row.addWidget(side, 2)
        right = Panel("As it stands in the file", margin=14)
        self.preview = QTableWidget()
        self.preview.verticalHeader().hide()
        self.preview.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.preview.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        self.notes = label("", "soft", wrap=True)
        self.outlook = label("", wrap=True)
        right.body.addWidget(self.preview, 1)
        right.body.addWidget(self.outlook)
        right.body.addWidget(self.notes)
        row.addWidget(right, 3)
        self.stack.addWidget(inside)
        self.take.clicked.connect(self.read_matched)
        self.cancel.clicked.connect(self.left)
        for field in (self.time, self.time_unit, self.rate, self.torque, self.torque_unit, self.sign):
            field.changed.connect(self._follow)

    def _build_curves(self) -> None:
        inside = QWidget()
        box = QVBoxLayout(inside)
        box.setContentsMargins(0, 0, 0, 0)
        head = QHBoxLayout()
        self.mode = ChoiceField(
            "The reading is",
            [
                (Mode.FIRST_PEAK.value, "where it let go"),
                (Mode.PEAK.value, "the greatest torque"),
                (Mode.HOLD.value, "what was held"),
            ],
            on_change=lambda _key: self._read(),
        )
        self.said = label("", "soft", wrap=True)
        self.speed = Choices()
        self.speed.setAccessibleName("speed of the replay")
        for key, words in SPEEDS:
            self.speed.addItem(words, key)
        self.speed.setCurrentIndex(2)
        self.replay = plain_button("Replay it on the Bench")
        self.columns = plain_button("Columns …")
        self.columns.setToolTip("Back to which column is what")
        self.columns.clicked.connect(lambda: self.stack.setCurrentIndex(MATCHING))
        head.addWidget(self.columns)
        head.addWidget(self.mode)
        head.addWidget(self.said, 1)
        head.addWidget(self.speed)
        head.addWidget(self.replay)
        box.addLayout(head)
        self.curves = CurvePanel(self._origin, data_wanted=lambda _number: self.trace)
        box.addWidget(self.curves, 1)
        self.stack.addWidget(inside)
        self.replay.clicked.connect(self._replay)
        self.curves.saved.connect(self.saved)
        self.curves.failed.connect(self.failed)

    def _build_busy(self) -> None:
        inside = QWidget()
        box = QVBoxLayout(inside)
        panel = Panel(margin=28)
        panel.setFixedWidth(560)  # words that wrap have their height only where the width is fixed
        self.busy = label("", "title", wrap=True)
        moving = QProgressBar()
        moving.setRange(0, 0)
        moving.setTextVisible(False)
        moving.setAccessibleName("under way")
        self.stop_reading = plain_button("Stop")
        for widget in (self.busy, moving):
            panel.body.addWidget(widget)
        panel.body.addLayout(in_row(self.stop_reading))
        box.addStretch(1)
        box.addWidget(panel, 0, Qt.AlignmentFlag.AlignHCenter)
        box.addStretch(2)
        self.stack.addWidget(inside)
        self.stop_reading.clicked.connect(self._stop_reading)

    # -------------------------------------------------------------------------------------------------- in the meantime

    def _begin(self, said: str, before: int | None) -> None:
        """Something is about to be done; where it lasts, `said` stands there; `before`: what a stop goes back to."""
        self.busy.setText(said)
        self._before = before
        self._patience.start()

    def _say_busy(self) -> None:
        self.stack.setCurrentIndex(BUSY)
        self.stop_reading.setFocus(Qt.FocusReason.OtherFocusReason)
        self.shown.emit()

    def _end(self, index: int | None) -> None:
        """It is done or over: show a part of the page, or nothing of it."""
        self._patience.stop()
        if index is None:
            self.left.emit()
            return
        self.stack.setCurrentIndex(index)
        self.shown.emit()

    def _stop_reading(self) -> None:
        self.errand.call_off()
        if self._shown is not None and self._before == CURVES:
            self.mode.put(self._shown.mode.value)  # it is what the curves that stay were read as
        self._end(self._before)

    def stop(self) -> None:
        """Want nothing more of what is under way."""
        self.errand.call_off()
        self._patience.stop()

    # ------------------------------------------------------------------------------------------------------- opening

    def open_file(self, path: str, unit: str) -> None:
        """Read a trace file or a foreign CSV and show it; `failed` says when it is neither."""
        self.path, self.unit = Path(path), unit
        mode = Mode(self.mode.value())
        self._begin(f"Reading {self.path.name} …", None)
        self.errand.run(lambda is_called_off: opened(Path(path), mode, is_called_off), self._opened)

    def _opened(self, found: Any, problem: Exception | None) -> None:
        if problem is not None:
            self._end(None)
            why = f"{self.path}: {problem.strerror}. Choose another file." if isinstance(problem, OSError) else problem
            self.failed.emit(str(why))
            return
        if isinstance(found, Recording):
            self.sheet = None
            self._show(found)
            return
        self.trace = None
        self.sheet, matching = found
        self._offer(self.sheet, matching)
        self._end(MATCHING)

    def _offer(self, sheet: Sheet, matching: Matching) -> None:
        self._offering = True
        for box, none in ((self.time.box, True), (self.torque.box, False)):
            box.blockSignals(True)
            box.clear()
            if none:
                box.addItem("no time in it", "-1")
            for index, name in enumerate(sheet.header):
                box.addItem(name, str(index))
            box.blockSignals(False)
        self.time.put("-1" if matching.time is None else str(matching.time))
        self.time_unit.put(matching.time_unit)
        self.torque.put(str(matching.torque))
        self.torque_unit.put(matching.unit)
        self.rate.put(matching.rate_hz)
        self.matching_problem.setText("")
        self.preview.setColumnCount(len(sheet.header))
        self.preview.setHorizontalHeaderLabels(list(sheet.header))
        self.preview.setRowCount(min(PREVIEW_ROWS, len(sheet.rows)))
        for row, cells in enumerate(sheet.rows[:PREVIEW_ROWS]):
            for column, text in enumerate(cells):
                self.preview.setItem(row, column, QTableWidgetItem(text))
        comma = "decimal comma" if sheet.decimal == "," else "decimal point"
        self.notes.setText(" ".join((f"{plural(len(sheet.rows), 'row')}, {comma}.", *sheet.notes)))
        self._offering = False
        self._follow()

    def _follow(self, *_: object) -> None:
        """Ask what the time column leaves open, and say what comes of it as it stands."""
        if self.sheet is None or self._offering:
            return
        timed = self.time.value() != "-1"
        self.form.show_field("time_unit", shown=timed)
        self.form.show_field("rate", shown=not timed or self.time_unit.value() == COUNTED)
        self.matching_problem.setText("")
        told = unit_of(self.sheet, int(self.torque.value()))
        unsaid = "" if told else f" The file does not say the unit of torque: is it {self.torque_unit.value()}?"
        sheet, matching = self.sheet, self._matching()
        self.outlook.setText("…")

        def say(text: str | None, problem: Exception | None) -> None:
            self.outlook.setText(f"{text if problem is None else problem}{unsaid}")

        self.errand.run(lambda is_called_off: outlook(sheet, matching, is_called_off), say)

    def _matching(self) -> Matching:
        """The matching as it stands; a rate that cannot be read is none."""
        column, unit = self.time.value(), self.time_unit.value()
        try:
            rate = self.rate.value()
        except FieldError:
            rate = None
        return Matching(
            None if column == "-1" else int(column),
            int(self.torque.value()),
            unit,
            self.torque_unit.value(),
            rate,
            self.sign.value() == "cw",
        )

    def read_matched(self) -> None:
        """Make a trace of the matching and read its pulls."""
        entered = self.form.values()
        if entered is None or self.sheet is None:
            return
        sheet, matching = self.sheet, replace(self._matching(), capacity=entered["capacity"])
        mode = Mode(self.mode.value())

        def work(is_called_off: Callable[[], bool]) -> Recording:
            return recording_of(trace_of(sheet, matching, is_called_off), mode, is_called_off)

        self._begin(f"Reading the pulls of {self.path.name} …", MATCHING)
        self.errand.run(work, self._read_or_not)

    def _read(self) -> None:
        """Read the pulls once more, in the mode that is chosen."""
        trace, mode = self.trace, Mode(self.mode.value())
        if trace is None:
            return
        self._begin(f"Reading the pulls of {self.path.name} …", CURVES)
        self.errand.run(lambda is_called_off: recording_of(trace, mode, is_called_off), self._read_or_not)

    def _read_or_not(self, recording: Recording | None, problem: Exception | None) -> None:
        if recording is not None:
            self._show(recording)
            return
        self._end(MATCHING if self.sheet is not None else None)
        self.matching_problem.setText(str(problem))
        if self.sheet is None:
            self.failed.emit(f"{self.path}: {problem}")

    def _show(self, recording: Recording) -> None:
        trace = self.trace = recording.trace
        self.columns.setVisible(self.sheet is not None)
        self.said.setText(
            f"{plural(len(trace), 'sample')} at {rate_text(recording.rate_hz)} Hz, "
            f"{plural(recording.n_pulls, 'pull')}. " + " ".join(trace.notes)
        )
        self.curves.show_curves(recording.curves, unit=self.unit)
        self._shown = recording
        self._end(CURVES)

    def _origin(self) -> Origin:
        """What the file says of itself: traces saved here name their tool and run."""
        trace = self.trace
        if trace is None:
            return Origin(Source.IMPORTED, file=self.path.name)
        told = trace.extra
        return Origin(
            trace.source,
            told.get("tool", ""),
            told.get("run", ""),
            told.get("date", "") or wall_text(trace.recorded or ""),
            told.get("checkpoint", ""),
            told.get("reference", ""),
            self.path.name,
            told.get("void", ""),
        )

    def show_unit(self, unit: str) -> None:
        """Show torque in another unit."""
        self.unit = unit
        if self._shown is not None and self.stack.currentIndex() == CURVES:
            self.curves.show_curves(self._shown.curves, unit=unit)

    def _replay(self) -> None:
        """Write a trace file into the cache if this is none yet, and ask for its replay."""
        trace, path, speed = self.trace, self.path.absolute(), self.speed.currentData()
        if trace is None:
            return
        if self.sheet is None and "?" not in str(path):  # what stands behind one is taken for the address's own
            self.replay_wanted.emit(f"replay:{path}?speed={speed}")
            return

        def written(file: Path | None, problem: Exception | None) -> None:
            self._end(CURVES)
            if file is None:
                self.failed.emit(f"{path}: {problem}. To be replayed the recording must be written as a trace file.")
                return
            self.replay_wanted.emit(f"replay:{file}?speed={speed}")

        self._begin(f"Writing {path.name} as a trace file, to be replayed …", CURVES)
        self.errand.run(lambda _is_called_off: replay_file(without_notes(trace), path.stem), written)
