"""The page of procedures: every figure stands there, a copy is changed under the lock, values read back."""

from __future__ import annotations

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from benchapp.records import Person, Store
from benchapp.records.procedures import own_procedures, versions
from benchapp.runs.procedure import shipped_procedures
from benchapp.ui.context import AppContext
from benchapp.ui.fields import FieldError
from benchapp.ui.procedures import ProceduresPage, figure_title, read_value, value_text

SHIPPED = shipped_procedures()
FIGURES = [(p.key, name, figure.value) for p in SHIPPED for name, figure in p.figures.items()]


class OpenLock:
    """The custodian has given the passphrase."""

    def custodian(self) -> str:
        return "custodian"


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "r.sqlite", demo=True) as opened:
        opened.save_person(Person("custodian", is_custodian=True))
        yield opened


@pytest.fixture
def page(qtbot, store):
    context = AppContext(None, is_demo=True)
    context.give_store(store)
    context.lock = OpenLock()
    made = ProceduresPage(context)
    qtbot.addWidget(made)
    made.resize(1366, 720)
    made.show()
    return made


def copy(page: ProceduresPage, name: str = "Ferry tools", of: str = "workshop-full") -> None:
    page.open(of)
    QTest.mouseClick(page.copy, Qt.MouseButton.LeftButton)
    page.naming_form.fields["name"].put(name)
    page.naming_form.fields["why"].put("our own order of work")
    QTest.mouseClick(page.keep_name, Qt.MouseButton.LeftButton)


def choose(page: ProceduresPage, name: str) -> None:
    page.figures.selectRow([row.name for row in page.figures.rows].index(name))


def change(page: ProceduresPage, name: str, value: str, **reasons: str) -> None:
    choose(page, name)
    page.form.fields["value"].put(value)
    given = {"why": "read in the standard itself"} | reasons
    for key, text in given.items():
        page.reasons.fields[key].put(text)
    QTest.mouseClick(page.keep, Qt.MouseButton.LeftButton)


@pytest.mark.parametrize("procedure", SHIPPED, ids=lambda p: p.key)
def test_every_figure_of_every_procedure_stands_there_with_source_and_mark(page, procedure):
    page.open(procedure.key)
    shown = {row.name: row.figure for row in page.figures.rows}
    assert shown == dict(procedure.figures)
    assert not page.change.isVisible()
    assert page.shipped_note.isVisible()
    assert all(figure_title(name) for name in shown)
    titles = [figure_title(name) for name in shown]
    assert len(set(titles)) == len(titles)  # no two figures bear the same name


@pytest.mark.parametrize(("key", "name", "value"), FIGURES)
def test_a_value_is_read_back_as_it_is_shown(key, name, value):
    again = read_value(value_text(value), value)
    assert again == value
    assert type(again) is type(value)


@pytest.mark.parametrize(
    ("text", "like", "said"),
    [
        ("perhaps", True, "yes or no"),
        ("2.5", 3, "no whole number"),
        ("1.000,5", 3.0, "Value"),
        ("three", 3, "Value"),
        ("20; x", [20.0], "Value"),
        ("0; 10", [[0, 0.5]], "steps"),
    ],
)
def test_a_value_that_cannot_be_is_refused_in_words(text, like, said):
    with pytest.raises(FieldError, match=said):
        read_value(text, like)


def test_a_copy_is_changed_figure_by_figure_and_every_version_can_be_looked_at(page, store):
    copy(page)
    (own,) = own_procedures(store)
    assert (own.name, own.key, own.version, own.edition) == ("Ferry tools", "own-ferry-tools", 1, "")
    assert own.about.startswith("Own procedure, after Workshop full run.")
    assert page.change.isVisible()
    change(page, "readings.II", "5", source="ISO 6789-1:2017", clause="6.2")
    change(page, "points.at", "lowest; 60; 100")
    (own,) = own_procedures(store)
    assert (own.version, own.value("readings.II"), own.value("points.at")) == (3, 5, ["lowest", 60.0, 100.0])
    assert (own.figures["readings.II"].source, own.figures["readings.II"].clause) == ("ISO 6789-1:2017", "6.2")
    assert page.which.count() == 3
    page.which.setCurrentIndex(2)
    assert {row.name: row.figure.value for row in page.figures.rows}["readings.II"] == 3
    assert not page.change.isVisible()  # what was is not changed
    assert [(v.who, v.procedure.version) for v in versions(store, own.key)] == [("custodian", n) for n in (1, 2, 3)]
    assert store.check().holds


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("readings.II", "0", "between 1 and 50"),
        ("decision.rule", "as it fits", "none of"),
        ("points.at", "60; 20", "rise"),
    ],
)
def test_a_figure_that_cannot_stand_is_refused_beside_the_field(page, store, name, value, said):
    copy(page)
    change(page, name, value)
    assert said in page.form.fields["value"].problem
    assert own_procedures(store)[0].version == 1


def test_nothing_is_kept_without_a_source_a_reason_or_a_change(page, store):
    copy(page)
    change(page, "readings.II", "5", source="")
    change(page, "readings.II", "5", why="")
    change(page, "readings.II", "3", source="workshop practice")
    assert page.problem.text() == "Nothing is changed yet."
    assert own_procedures(store)[0].version == 1


def test_an_own_one_is_renamed_and_a_name_belongs_to_one(page, store):
    copy(page)
    copy(page, "Chain tools")
    page.open("own-ferry-tools")
    QTest.mouseClick(page.rename, Qt.MouseButton.LeftButton)
    page.naming_form.fields["name"].put("chain TOOLS")
    page.naming_form.fields["why"].put("clearer")
    QTest.mouseClick(page.keep_name, Qt.MouseButton.LeftButton)
    assert "name of its own" in page.naming_problem.text()
    page.naming_form.fields["name"].put("Ferry tools at the pier")
    QTest.mouseClick(page.keep_name, Qt.MouseButton.LeftButton)
    assert [(p.name, p.version) for p in own_procedures(store)] == [("Chain tools", 1), ("Ferry tools at the pier", 2)]


def test_only_under_the_lock(page, store):
    asked = []
    page.context.lock = None
    page.context.custodian_wanted.connect(lambda what_for, do: asked.append((what_for, do)))
    copy(page)
    assert own_procedures(store) == []
    ((what_for, do),) = asked
    assert what_for == "to keep the procedure Ferry tools"
    do("custodian")
    assert [p.name for p in own_procedures(store)] == ["Ferry tools"]
