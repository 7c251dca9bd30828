"""How a reference changes with temperature: entered from its data sheet, shown, and part of a run's budget."""

from __future__ import annotations

import datetime as dt

import pytest

from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.ui.references.editor import CalibrationEditor
from benchapp.ui.references.model import cells_of, temperature_words


@pytest.fixture
def editor(qtbot):
    made = CalibrationEditor()
    qtbot.addWidget(made)
    made.ask(Reference("REF-1", 200.0), "N·m")
    for key, text in {"certificate": "C-1", "laboratory": "laboratory 1", "calibrated": "2026-01-05"}.items():
        made.form.fields[key].edit.setText(text)
    made.table.put([cells_of(CalibrationPoint(x, x, 0.3), "N·m") for x in (20.0, 100.0, 200.0)])
    return made


def test_the_change_with_temperature_goes_into_the_calibration(editor, qtbot) -> None:
    editor.form.fields["temperature"].edit.setText("20")
    editor.form.fields["coefficient"].edit.setText("−0,02")
    with qtbot.waitSignal(editor.saved, timeout=60_000) as saved:
        editor.submit()
    calibration = saved.args[0]
    assert (calibration.temperature_c, calibration.temperature_percent_per_k) == (20.0, -0.02)
    assert temperature_words(calibration) == "20 °C, changes by −0.02 % per K"


def test_without_the_temperature_of_its_calibration_the_change_says_nothing(editor, qtbot) -> None:
    editor.form.fields["coefficient"].edit.setText("0.02")
    with qtbot.assertNotEmitted(editor.saved):
        editor.submit()
    assert "temperature of the calibration" in editor.form.fields["temperature"].problem


def test_a_change_that_no_transducer_has_is_refused_with_what_is_accepted(editor, qtbot) -> None:
    editor.form.fields["temperature"].edit.setText("20")
    editor.form.fields["coefficient"].edit.setText("20")
    with qtbot.assertNotEmitted(editor.saved):
        editor.submit()
    assert "from −1 to 1" in editor.form.fields["coefficient"].problem


def test_freezing_is_a_temperature_too() -> None:
    day = dt.date(2026, 1, 5)
    cold = Calibration("C-1", "", day, day, 1.0, 2.0, 2.0, (), temperature_c=0.0)
    assert temperature_words(cold) == "0 °C"
    assert temperature_words(Calibration("C-1", "", day, day, 1.0, 2.0, 2.0, ())) == ""
