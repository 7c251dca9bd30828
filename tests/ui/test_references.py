"""References: certificates entered as tables of points; what is entered is never changed; what is missing is said."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from benchapp.metrology.errors import RefusedError
from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.records import Store
from benchapp.records.canonical import parse
from benchapp.torque.direction import Direction
from benchapp.ui import page as pages
from benchapp.ui.context import AppContext
from benchapp.ui.references import page as references_page
from benchapp.ui.references.model import (
    PointError,
    cells_of,
    checked,
    error_curves,
    point_of,
    refusal_of,
    rows_of_text,
    state_of,
    worst_expanded,
)
from benchapp.ui.references.picture import percent_marks

TODAY = dt.date(2026, 3, 4)


def calibration(due: dt.date = dt.date(2027, 1, 1), **more) -> Calibration:
    given = {
        "certificate": "RA-1",
        "laboratory": "laboratory",
        "calibrated": dt.date(2025, 1, 1),
        "due": due,
        "usable_from_nm": 20.0,
        "usable_to_nm": 100.0,
        "coverage_factor": 2.0,
        "points": tuple(CalibrationPoint(a, a * 1.002, 0.2) for a in (20.0, 50.0, 100.0)),
    }
    given.update(more)
    return Calibration(**given)


class OpenLock:
    """The custodian has given the passphrase."""

    def custodian(self) -> str:
        return "custodian"


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "r.kilter", demo=True) as opened:
        yield opened


@pytest.fixture
def page(qtbot, store, monkeypatch):
    monkeypatch.setattr(references_page, "today", lambda: TODAY)
    monkeypatch.setattr(pages, "today", lambda: TODAY)
    context = AppContext(None, is_demo=True)
    context.operator = "fitter 2"
    context.give_store(store)
    context.lock = OpenLock()
    made = references_page.ReferencesPage(context)
    qtbot.addWidget(made)
    made.resize(1366, 720)
    made.show()
    return made


def test_a_row_of_texts_becomes_a_point_and_back():
    point = point_of(["10", "10,02", "0,2 %", "anticlockwise", "falling"], 0, "N·m")
    assert point == CalibrationPoint(10.0, 10.02, 0.2, Direction.ANTICLOCKWISE, True)
    assert point_of(cells_of(point, "N·m"), 0, "N·m") == point
    assert point_of(["", "", "", "clockwise", ""], 3, "N·m") is None
    assert point_of(["10", "10"], 0, "lbf·in").applied_nm == pytest.approx(1.1298483, rel=1e-7)


@pytest.mark.parametrize(
    ("cells", "column", "said"),
    [
        (["10", "", ""], 1, "Indicated is missing in row 3"),
        (["1.000,0", "10", ""], 0, "Applied, row 3"),
        (["10", "-10", ""], 1, "above 0"),
        (["10", "10", "none"], 2, "U, row 3"),
    ],
)
def test_a_cell_that_cannot_be_read_is_named_by_row_and_column(cells, column, said):
    with pytest.raises(PointError, match=said) as refused:
        point_of(cells, 2, "N·m")
    assert (refused.value.row, refused.value.column) == (2, column)


def test_rows_are_taken_from_a_spreadsheet_and_from_plain_text():
    assert rows_of_text("10\t10,02\r\n20\t20,05") == rows_of_text("10 10,02\n\n20 20,05\n")
    assert rows_of_text("10;10.02;0.2") == [["10", "10.02", "0.2"]]


def test_state_says_calibrated_due_soon_overdue_and_never():
    words = [
        state_of(Reference("R", 100.0, calibrations=given), TODAY).word
        for given in (
            (),
            (calibration(due=dt.date(2026, 3, 3)),),
            (calibration(due=TODAY),),
            (calibration(due=dt.date(2027, 1, 1)),),
        )
    ]
    assert words == ["not calibrated", "overdue", "due soon", "calibrated"]
    overdue = state_of(Reference("R", 100.0, calibrations=(calibration(due=dt.date(2026, 3, 3)),)), TODAY).sentence
    assert "only on the custodian's word" in overdue  # what the Bench does (runs/planning.py: must_be_suitable)


def test_a_calibration_of_a_day_to_come_says_that_the_clock_or_the_date_is_wrong():
    later = replace(calibration(), calibrated=TODAY + dt.timedelta(days=1), due=TODAY + dt.timedelta(days=700))
    state = state_of(Reference("R", 100.0, calibrations=(later,)), TODAY)
    assert state.word == "not calibrated yet"
    assert state.mark == "bar"
    assert later.calibrated.isoformat() in state.sentence
    assert TODAY.isoformat() in state.sentence
    assert "no uncertainty" in state_of(Reference("R", 100.0), TODAY).sentence.replace("there is ", "")


def test_the_newest_calibration_decides_the_state():
    old, new = calibration(due=dt.date(2026, 1, 1)), calibration(due=dt.date(2028, 1, 1), certificate="RA-2")
    assert state_of(Reference("R", 100.0, calibrations=(old, new)), TODAY).word == "calibrated"


def test_the_picture_shows_the_error_and_what_a_straight_correction_leaves():
    (curve,) = error_curves(calibration())
    assert [error for _, error, _ in curve.points] == pytest.approx([0.2, 0.2, 0.2])
    assert [rest for _, rest in curve.residuals] == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    (uncorrected,) = error_curves(calibration(degree=0))
    assert [rest for _, rest in uncorrected.residuals] == pytest.approx([0.2, 0.2, 0.2])


def test_the_largest_uncertainty_is_unknown_while_one_point_states_none():
    assert worst_expanded(calibration()) == 0.2
    points = (CalibrationPoint(20.0, 20.0, 0.2), CalibrationPoint(100.0, 100.0, None))
    assert worst_expanded(calibration(points=points)) is None


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"due": dt.date(2024, 1, 1)}, "due"),
        ({"coverage_factor": 0.5}, "k"),
        ({"usable_to_nm": 150.0}, "to"),
        ({"usable_from_nm": 1.0}, "from"),
        ({"degree": 3, "points": (CalibrationPoint(20.0, 20.0, 0.1), CalibrationPoint(100.0, 100.0, 0.1))}, "points"),
        ({"points": (CalibrationPoint(20.0, 50.0, 0.1), CalibrationPoint(100.0, 40.0, 0.1))}, "points"),
    ],
)
def test_what_metrology_refuses_is_said_at_the_field_it_belongs_to(more, field):
    with pytest.raises(RefusedError) as refused:
        checked(calibration(**more))
    key, sentence = refusal_of(refused.value, "N·m")
    assert key == field
    assert sentence.endswith(".")


def test_number_and_capacity_are_enough_for_a_reference(page, store):
    assert page.views.currentWidget() is page.empty
    page.empty.button.click()
    page.editor.number.edit.setText("REF-1")
    page.editor.capacity.edit.setText("200")
    page.editor.submit()
    assert store.reference("REF-1") == Reference("REF-1", 200.0)
    assert "no" in page.sentence.text()
    assert page.sentence.isVisible()


def test_a_capacity_of_nothing_is_refused_beside_the_field(page, store):
    page.edit_reference(None)
    page.editor.number.edit.setText("REF-1")
    page.editor.capacity.edit.setText("0")
    page.editor.submit()
    assert "above 0" in page.editor.capacity.problem
    assert store.references() == []


def enter(page, rows, **fields):
    page.ask_calibration()
    form = page.calibrating.form
    given = {"certificate": "RA-2", "laboratory": "laboratory", "calibrated": "2025-03-03"} | fields
    for key, text in given.items():
        form.fields[key].edit.setText(text)
    page.calibrating.table.put(rows)
    page.calibrating.submit()


ROWS = [["20", "20,04", "0,2"], ["50", "50,1", "0,2"], ["100", "100,2", "0,2"]]


def test_a_certificate_goes_in_with_its_points_and_sensible_defaults(page, store):
    store.save_reference(Reference("REF-1", 200.0))
    page.refresh()
    enter(page, ROWS)
    (entered,) = store.reference("REF-1").calibrations
    assert (entered.certificate, entered.due, entered.coverage_factor) == ("RA-2", dt.date(2027, 3, 3), 2.0)
    assert (entered.usable_from_nm, entered.usable_to_nm) == (20.0, 100.0)
    assert [p.indicated_nm for p in entered.points] == [20.04, 50.1, 100.2]
    assert page.views.currentWidget() is page.main
    assert [entry.who for entry in store.entries("REF-1")] == ["", "custodian"]  # entered above; its calibration


def test_a_certificate_and_a_reference_that_has_one_are_the_custodians(page, store):
    store.save_reference(Reference("REF-1", 200.0))
    page.refresh()
    asked = []
    page.context.lock = None
    page.context.custodian_wanted.connect(lambda what_for, do: asked.append((what_for, do)))
    enter(page, ROWS)
    assert store.reference("REF-1").calibrations == ()
    assert asked[0][0] == "to enter certificate RA-2 of REF-1"
    asked[0][1]("custodian")
    assert [c.certificate for c in store.reference("REF-1").calibrations] == ["RA-2"]
    page.edit_reference(store.reference("REF-1"))
    page.editor.submit()
    assert asked[1][0] == "to change REF-1"
    acts = [parse(entry.body)["content"].get("act") for entry in store.entries("REF-1")]
    assert acts == ["reference entered", None]  # as it was made above; the calibration
    asked[1][1]("custodian")
    assert parse(store.entries("REF-1")[-1].body)["content"]["act"] == "reference changed"


def test_a_new_certificate_is_added_and_the_one_before_stays(page, store):
    store.save_reference(Reference("REF-1", 200.0, calibrations=(calibration(),)))
    page.refresh()
    enter(page, ROWS)
    assert [c.certificate for c in store.reference("REF-1").calibrations] == ["RA-1", "RA-2"]
    assert [page.which.itemData(i) for i in range(page.which.count())] == [1, 0]
    enter(page, ROWS)
    assert "before" in page.calibrating.table_problem.text()
    assert len(store.reference("REF-1").calibrations) == 2


@pytest.mark.parametrize(
    ("rows", "fields", "where"),
    [
        ([], {}, "points"),
        ([["20", "x"]], {}, "points"),
        ([["20", "20"], ["50", "10"]], {}, "points"),
        (ROWS, {"due": "2024-01-01"}, "due"),
        (ROWS, {"calibrated": (TODAY + dt.timedelta(days=1)).isoformat()}, "calibrated"),
        (ROWS, {"k": "0,5"}, "k"),
        (ROWS, {"to": "150"}, "to"),
        ([*ROWS, ["400", "400"]], {}, "to"),
        (ROWS, {"certificate": ""}, "certificate"),
    ],
)
def test_a_certificate_that_cannot_stand_is_refused_and_nothing_is_stored(page, store, rows, fields, where):
    store.save_reference(Reference("REF-1", 200.0))
    page.refresh()
    enter(page, rows, **fields)
    assert store.reference("REF-1").calibrations == ()
    problem = (
        page.calibrating.table_problem.text() if where == "points" else page.calibrating.form.fields[where].problem
    )
    assert problem


def test_an_older_certificate_takes_the_place_of_a_newer_one_only_when_it_is_entered_once_more(page, store):
    newest = calibration()
    store.save_reference(Reference("REF-1", 200.0, calibrations=(newest,)))
    page.refresh()
    enter(page, ROWS, certificate="RA-0", calibrated="2023-02-01")
    problem = page.calibrating.form.fields["calibrated"].problem
    assert newest.certificate in problem
    assert newest.calibrated.isoformat() in problem
    assert store.reference("REF-1").calibrations == (newest,)
    page.calibrating.form.fields["calibrated"].edit.setText("2023-02-02")  # another day: another question
    page.calibrating.submit()
    assert store.reference("REF-1").calibrations == (newest,)
    page.calibrating.submit()
    assert [each.certificate for each in store.reference("REF-1").calibrations] == ["RA-1", "RA-0"]


def test_labels_of_a_calibration_picture_never_touch_and_both_sides_have_one():
    for reach in np.geomspace(0.005, 30, 500):
        for n_lines in np.arange(3.0, 20.0, 0.7):
            marks = [mark for mark, _ in percent_marks(reach, n_lines)]
            assert marks[0] < 0 < marks[-1]
            assert min(abs(mark) for mark in marks) < 1e-9
            assert min(np.diff(marks)) / (2 * reach) * n_lines > 0.9  # lines of text from one to the next


def test_what_another_window_entered_of_a_reference_meanwhile_stays(page, store):
    store.save_reference(Reference("REF-1", 200.0))
    page.refresh()
    page.edit_reference(store.reference("REF-1"))
    store.save_reference(Reference("REF-1", 200.0, identity="SN 7", calibrations=(calibration(),)))
    page.editor.form.fields["maker"].put("a maker")
    page.editor.submit()
    kept = store.reference("REF-1")
    assert (kept.maker, kept.identity, len(kept.calibrations)) == ("a maker", "SN 7", 1)
