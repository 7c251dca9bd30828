"""Entry fields: nothing is misread or clipped; what cannot be taken is refused with a sentence beside the field."""

from __future__ import annotations

import datetime as dt

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.ui import theme
from benchapp.ui.choices import ChoiceField
from benchapp.ui.controls import Choices
from benchapp.ui.fields import DateField, FieldError, NumberField, ScanField, TextField, Torque, TorqueField
from benchapp.ui.form import Form
from benchapp.ui.format import DateTextError, add_months, parse_date


@pytest.fixture
def form(qtbot):
    made = Form()
    qtbot.addWidget(made)
    return made


def typed(field, text):
    field.edit.setText(text)
    return field.value()


@pytest.mark.parametrize(("text", "value"), [("12,5", 12.5), ("12.5", 12.5), (" 7 ", 7.0), ("1234.5", 1234.5)])
def test_decimal_comma_and_point_are_both_understood(qtbot, text, value):
    field = NumberField("Lever")
    qtbot.addWidget(field)
    assert typed(field, text) == value


@pytest.mark.parametrize("text", ["1.234,5", "1,234.5", "1 234", "1'234", "1,234", "12 Nm", "NaN", "inf", "--3"])
def test_what_could_be_misread_is_refused_with_the_name_of_the_field(qtbot, text):
    field = NumberField("Lever")
    qtbot.addWidget(field)
    field.edit.setText(text)
    assert not field.check()
    assert field.note.text().startswith("Lever: ")
    assert field.edit.text() == text, "what was typed stays as it was typed"


def test_a_number_outside_its_limits_is_refused_with_value_and_limits_not_clipped(qtbot):
    field = NumberField("k", lowest=1, highest=5)
    qtbot.addWidget(field)
    with pytest.raises(FieldError, match=r"k is 0,5; accepted is a number from 1 to 5\."):
        typed(field, "0,5")
    assert typed(field, "5") == 5.0


def test_an_optional_empty_number_is_none_and_a_required_one_says_what_is_wanted(qtbot):
    free, needed = NumberField("Division", required=False), NumberField("Division", above=0)
    qtbot.addWidget(free)
    qtbot.addWidget(needed)
    assert free.value() is None
    with pytest.raises(FieldError, match="Division is wanted: a number above 0"):
        needed.value()


def test_a_unit_typed_behind_the_number_is_taken_over(qtbot):
    field = TorqueField("Highest", unit="N·m")
    qtbot.addWidget(field)
    field.show()
    field.edit.setFocus()
    QTest.keyClicks(field.edit, "75 ft-lb")
    field.edit.editingFinished.emit()
    assert (field.edit.text(), field.unit) == ("75", "lbf·ft")
    assert field.value() == Torque(75.0, "lbf·ft")


@pytest.mark.parametrize("text", ["0", "-4", "5 J", "five"])
def test_a_torque_that_is_none_is_refused(qtbot, text):
    field = TorqueField("Highest", unit="N·m")
    qtbot.addWidget(field)
    field.edit.setText(text)
    assert not field.check()
    assert "Highest" in field.problem


def test_dates_are_read_in_two_ways_and_slashes_are_refused():
    assert parse_date("2026-03-04") == parse_date("4.3.2026") == dt.date(2026, 3, 4)
    for wrong in ("03/04/2026", "2026-02-30", "soon", ""):
        with pytest.raises(DateTextError):
            parse_date(wrong)


def test_a_month_after_the_last_of_january_is_the_last_of_february():
    assert add_months(dt.date(2027, 1, 31), 1) == dt.date(2027, 2, 28)
    assert add_months(dt.date(2024, 2, 29), 12) == dt.date(2025, 2, 28)


def test_a_date_field_writes_the_date_in_one_way(qtbot):
    field = DateField("Due")
    qtbot.addWidget(field)
    QTest.keyClicks(field.edit, "4.3.2026")
    field.edit.editingFinished.emit()
    assert field.edit.text() == "2026-03-04"


def test_arrow_keys_walk_a_row_of_choices_and_tab_stops_once(qtbot, form):
    before = form.add("a", TextField("A"))
    row = form.add("b", ChoiceField("B", [("one", "One"), ("two", "Two"), ("three", "Three")]))
    after = form.add("c", TextField("C"))
    form.show()
    form.activateWindow()
    qtbot.waitUntil(form.isActiveWindow, timeout=60_000)
    before.edit.setFocus()
    QTest.keyClick(before.edit, Qt.Key.Key_Tab)
    assert QApplication.focusWidget() is row._buttons["one"]
    QTest.keyClick(QApplication.focusWidget(), Qt.Key.Key_Right)
    assert row.value() == "two"
    QTest.keyClick(QApplication.focusWidget(), Qt.Key.Key_Tab)
    assert QApplication.focusWidget() is after.edit


def test_a_form_shows_every_sentence_and_goes_to_the_first_wrong_field(qtbot, form):
    one = form.add("one", NumberField("One"))
    two = form.add("two", NumberField("Two", required=False))
    three = form.add("three", NumberField("Three"))
    form.show()
    form.activateWindow()
    qtbot.waitUntil(form.isActiveWindow, timeout=60_000)
    two.edit.setText("2")
    assert form.values() is None
    assert one.problem
    assert three.problem
    assert not two.problem
    assert one.edit.hasFocus()
    one.edit.setText("1")
    three.edit.setText("3")
    assert form.values() == {"one": 1.0, "two": 2.0, "three": 3.0}


def test_a_hidden_field_is_neither_asked_nor_checked(qtbot, form):
    form.add("one", NumberField("One"))
    form.show_field("one", shown=False)
    assert form.values() == {}


@pytest.mark.parametrize("n_rows", [2, 5])
def test_every_row_of_an_open_list_is_seen(qtbot, n_rows):
    theme.use("light")
    box = Choices([f"row {n}" for n in range(n_rows)])
    qtbot.addWidget(box)
    box.show()
    box.showPopup()
    view = box.view()
    assert view.viewport().height() >= sum(view.sizeHintForRow(row) for row in range(n_rows))
    assert view.verticalScrollBar().maximum() == 0
    box.hidePopup()


def test_the_enter_that_ends_a_scanned_code_goes_on_and_saves_nothing(qtbot):
    form = Form()
    qtbot.addWidget(form)
    code = form.add("code", ScanField("Its barcode says", required=False))
    place = form.add("place", TextField("Where it hangs", required=False))
    saved = []
    form.submitted.connect(lambda: saved.append(1))
    form.show()
    code.edit.setFocus()
    QTest.keyClicks(code.edit, "9912345")
    QTest.keyClick(code.edit, Qt.Key.Key_Return)
    assert (saved, code.text(), form.focusWidget()) == ([], "9912345", place.edit)
    QTest.keyClick(place.edit, Qt.Key.Key_Return)
    assert saved == [1]
