"""Lists, rows of buttons and pages where there is little room: nothing is cut needlessly, nothing is out of reach."""

from __future__ import annotations

import pytest
from PySide6.QtCore import QEvent, QPoint, Qt
from PySide6.QtGui import QFontMetrics, QHelpEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QHBoxLayout, QToolTip, QWidget

from benchapp.ui import theme
from benchapp.ui.choices import ChoiceField
from benchapp.ui.context import AppContext
from benchapp.ui.fields import TextField
from benchapp.ui.listing import Column, Listing, cell_fonts, fitted_lines, mark_width
from benchapp.ui.page import LEAST_PX, LEAST_VIEW, Facts, Page
from benchapp.ui.procedures import ProceduresPage
from benchapp.ui.rack import page as rack_page

from .conftest import TODAY

DEMO_YEARS = 1
LONG = "preload again after a change of direction, and once more when the pause was long"


def cut(listing: Listing) -> list[str]:
    """The texts of the rows that are painted which do not stand there whole."""
    found = []
    for at, column in enumerate(listing._model.columns):
        first, second = (QFontMetrics(font) for font in cell_fonts(listing.font(), column))
        for row in listing.rows[: listing.viewport().height() // listing.rowHeight(0) + 1]:
            width = listing.columnWidth(at) - 24 - mark_width(listing.fontMetrics(), column, row)
            below = column.second(row) if column.second is not None else ""
            lines = fitted_lines(column.text(row), first, width, most=1 if below else 2)
            if " ".join(lines) != column.text(row):
                found.append(column.text(row))
            if below and fitted_lines(below, second, width, most=1) != [below]:
                found.append(below)
    return found


@pytest.fixture
def listing(qtbot):
    made = Listing(
        [
            Column("Number", lambda r: r[0], strong=True, width=1),
            Column("Said", lambda r: r[1], width=1),
            Column("Torque", lambda r: r[2], width=1, right=True),
        ]
    )
    qtbot.addWidget(made)
    made.setStyleSheet("QTableView { font-size: 12px; }")  # a page says how large; this one stands alone
    made.resize(600, 300)
    made.show()
    return made


def test_no_line_begins_with_the_unit_of_the_number_before(listing):
    metrics = listing.fontMetrics()
    text = "ferry south, anchor winch, foot, 90 N·m: error +3.5 % to +3.7 %, near checkpoints within limits"
    for width in range(metrics.horizontalAdvance("anchor winch, foot, 90 N·m:"), metrics.horizontalAdvance(text)):
        lines = fitted_lines(text, metrics, width, most=4)
        assert not any(line.startswith(("N·m", "%")) for line in lines), (width, lines)
    assert fitted_lines("see % and N·mm", metrics, metrics.horizontalAdvance("see % and"), most=2)[1] == "N·mm"


def test_a_long_text_takes_the_room_that_others_can_spare_then_a_second_line(listing):
    listing.show_rows([("OCF-014", LONG, "5 N·m"), ("OCF-015", "short", "6 N·m")])
    metrics = listing.fontMetrics()
    assert listing.columnWidth(1) > 250  # of 600 between three: the others had more than they need
    assert metrics.horizontalAdvance(LONG) > listing.columnWidth(1) - 24
    assert not cut(listing)  # it stands on two lines
    assert sum(listing.columnWidth(n) for n in range(3)) == listing.viewport().width()


def test_filtering_does_not_move_the_columns(listing):
    listing.show_rows([("OCF-014", LONG, "5 N·m"), ("OCF-015", "short", "6 N·m")])
    before = [listing.columnWidth(n) for n in range(3)]
    listing.show_rows([("OCF-015", "short", "6 N·m")])
    assert [listing.columnWidth(n) for n in range(3)] == before


def test_in_a_narrow_list_the_number_stays_whole_and_the_pointer_shows_the_rest(listing, monkeypatch):
    listing.resize(330, 300)
    listing.show_rows([("OCF-0145-LEFT", LONG, "a torque in words")])
    assert "OCF-0145-LEFT" not in cut(listing)
    assert LONG in cut(listing)
    told = []
    monkeypatch.setattr(QToolTip, "showText", lambda _at, text, _view: told.append(text))
    for column in (0, 1):
        index = listing.model().index(0, column)
        place = listing.visualRect(index).center()
        help_event = QHelpEvent(QEvent.Type.ToolTip, place, listing.viewport().mapToGlobal(place))
        QApplication.sendEvent(listing.viewport(), help_event)
    assert told == ["", LONG]


def test_a_row_of_buttons_folds_to_a_list_where_it_has_no_room(qtbot):
    told = []
    field = ChoiceField("Show", [("all", "All in use"), ("due", "Due or overdue"), ("out", "Out of service")])
    field.changed.connect(lambda: told.append(field.value()))
    window = QWidget()
    room = QHBoxLayout(window)
    room.setContentsMargins(0, 0, 0, 0)
    room.setSizeConstraint(QHBoxLayout.SizeConstraint.SetNoConstraint)
    room.addWidget(field)
    qtbot.addWidget(window)
    window.resize(field.sizeHint().width() + 40, 40)
    window.show()
    assert field._list.isHidden()
    QTest.mouseClick(field._buttons["due"], Qt.MouseButton.LeftButton)
    window.resize(field.minimumSizeHint().width(), 40)
    assert field._strip.isHidden()
    assert field._list.currentText() == "Due or overdue"
    assert field.focusProxy() is field._list
    QTest.qWait(20)
    text = field._list.fontMetrics().horizontalAdvance("Out of service")
    assert field._list.width() > text + 20
    QTest.keyClick(field._list, Qt.Key.Key_Down)
    assert field.value() == "out"
    field.choose("all")
    assert field._list.currentText() == "All in use"
    window.resize(field.sizeHint().width(), 40)
    assert field._list.isHidden()
    assert field._buttons["all"].isChecked()
    assert told[0] == "due"
    assert told[-1] == "all"


def test_a_field_gives_way_before_it_is_cut_off(qtbot):
    field = TextField("Why", width=860)
    qtbot.addWidget(field)
    field.resize(1000, 40)
    field.show()
    assert field.edit.width() == 860
    field.resize(500, 40)
    assert field.edit.geometry().right() < 500


def test_names_of_facts_fit_the_font_they_get_later(qtbot):
    facts = Facts()
    qtbot.addWidget(facts)
    facts.setStyleSheet("QWidget { font-size: 12px; }")
    facts.show()
    facts.show_facts([("2022-01-20 08:00", "added by custodian")])
    facts.setStyleSheet("QWidget { font-size: 18px; }")
    name = facts._rows[0][0]
    assert name.width() > QFontMetrics(name.font()).horizontalAdvance(name.text())


@pytest.mark.parametrize("size", [(911, 400), (700, 380)])
def test_a_page_in_a_small_window_is_scrolled_never_squeezed(qtbot, size):
    page = Page(AppContext(None, is_demo=True), "A page")
    qtbot.addWidget(page)
    page.resize(*size)
    page.show()
    assert page.font_px() == LEAST_PX
    assert (page.views.width(), page.views.height()) >= LEAST_VIEW
    page._room.verticalScrollBar().setValue(10_000)
    page._room.horizontalScrollBar().setValue(10_000)
    corner = page.views.mapTo(page, QPoint(page.views.width() - 1, page.views.height() - 1))
    assert page.rect().contains(corner)  # every corner can be reached
    page.resize(1366, 680)
    assert page.views.size() == page._room.viewport().size()
    page.keep_room(yes=False)
    page.resize(*size)
    assert page.views.size() == page._room.viewport().size()


@pytest.mark.parametrize("size", [(1366, 680), (1280, 632), (1920, 992)])
def test_no_tool_nothing_due_and_no_figure_of_a_procedure_is_cut(qtbot, qapp, store, monkeypatch, size):
    """The invented workshop at 1366 x 768, 1920 x 1080 and the latter at 150 % (less the window's strip and foot)."""
    monkeypatch.setattr(rack_page, "today", lambda: TODAY)
    theme.use("light", qapp)
    context = AppContext(None, is_demo=True)
    context.give_store(store)
    rack = rack_page.RackPage(context)
    procedures = ProceduresPage(context)
    for page in (rack, procedures):
        qtbot.addWidget(page)
        page.resize(*size)
        page.show()
    assert not cut(rack.list)
    for name in ("due", "work", "jobs"):
        rack.show_view(name)
        QTest.qWait(20)
        assert not cut(rack._built[name].list), name
    for at in range(len(procedures.list.rows)):
        procedures.list.selectRow(at)
        QTest.qWait(10)
        names = {row.name for row in procedures.figures.rows}
        assert names
        assert not cut(procedures.figures), procedures.name.text()
    rack.stop()


def test_numbers_of_different_fineness_stand_with_their_points_under_one_another(qtbot):
    rows = ["0.8 N·m", "64 N·m", "unknown", "78.45 N·m", "−120.5 N·m"]
    made = Listing([Column("Torque", lambda r: r, point=True), Column("Tool", lambda r: r)], sortable=False)
    qtbot.addWidget(made)
    made.resize(500, 300)
    made.show_rows(rows)
    made.show()
    kind = made.types[0]
    widest = kind.to_point("−120.5 N·m")
    assert [kind.indent(text) + kind.to_point(text) for text in rows if text != "unknown"] == [widest] * 4
    assert kind.indent("unknown") == 0
    needed = max(made.fontMetrics().horizontalAdvance(text) + kind.indent(text) for text in rows)
    assert made.columnWidth(0) >= needed + 2 * 12
