"""The page of procedures: every figure stands there, a copy is changed under the lock, values read back."""

from __future__ import annotations

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from benchapp.metrology.figures import stated
from benchapp.records import Person, Store
from benchapp.records.procedures import own_procedures, versions
from benchapp.runs.procedure import shipped_procedures
from benchapp.ui.context import AppContext
from benchapp.ui.fields import FieldError
from benchapp.ui.figures import figure_title, read_value, value_text
from benchapp.ui.procedures import ProceduresPage

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
    page.change.form.fields["value"].put(value)
    given = {"why": "read in the standard itself"} | reasons
    for key, text in given.items():
        page.change.reasons.fields[key].put(text)
    QTest.mouseClick(page.change.keep, Qt.MouseButton.LeftButton)


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


def test_what_belongs_to_no_procedure_stands_there_too_and_is_not_copied(page):
    page.open("beside-the-procedures")
    shown = {row.name: row.figure for row in page.figures.rows}
    assert shown == dict(stated())
    assert len({figure_title(name) for name in shown}) == len(shown)
    assert not page.copy.isVisible()
    assert not page.change.isVisible()
    assert "figures.toml" in page.shipped_note.text()
    assert page.list.rows[-1].procedure.key == "beside-the-procedures"
    page.open("workshop-full")
    assert page.copy.isVisible()
    assert "corrects a figure in a copy" in page.shipped_note.text()


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
    assert said in page.change.form.fields["value"].problem
    assert own_procedures(store)[0].version == 1


def test_nothing_is_kept_without_a_source_a_reason_or_a_change(page, store):
    copy(page)
    change(page, "readings.II", "5", source="")
    change(page, "readings.II", "5", why="")
    change(page, "readings.II", "3", source="workshop practice")
    assert page.change.problem.text() == "Nothing is changed yet."
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


# ----------------------------------------------------------------------------------------- figures added and taken away


def pick(page: ProceduresPage, pattern: str, kind: str = "") -> None:
    QTest.mouseClick(page.change.add, Qt.MouseButton.LeftButton)
    page.change.pattern.setCurrentIndex(page.change.pattern.findData(pattern))
    if kind:
        page.change.kind.setCurrentIndex(page.change.kind.findData(kind))


def give(page: ProceduresPage, value: str, **reasons: str) -> None:
    page.change.form.fields["value"].put(value)
    for key, text in ({"why": "our joints ask for it"} | reasons).items():
        page.change.reasons.fields[key].put(text)
    QTest.mouseClick(page.change.keep, Qt.MouseButton.LeftButton)


@pytest.mark.parametrize(
    ("pattern", "kind", "text", "name", "value"),
    [
        ("readings.{}", "II-C", "10", "readings.II-C", 10),
        ("permissible.up_to.{}", "II-C", "5", "permissible.up_to.II-C", 5.0),
        ("permissible.other_direction", "", "6", "permissible.other_direction", 6.0),
        ("rate.{}.shortest", "I", "0,5", "rate.I.shortest", 0.5),
        (
            "rate.{}.shortest_by_range",
            "I-B",
            "0: 0.5; 100: 1",
            "rate.I-B.shortest_by_range",
            [[0.0, 0.5], [100.0, 1.0]],
        ),
        ("coverage.factor", "", "2", "coverage.factor", 2.0),
        ("decision.r", "", "0.8", "decision.r", 0.8),
    ],
)
def test_a_figure_is_added_for_the_tools_it_is_for(page, store, pattern, kind, text, name, value):
    copy(page)
    pick(page, pattern, kind)
    assert page.change.kind.isVisible() is bool(kind)
    assert page.change.form.fields["value"].hint.startswith("Taken: ")
    give(page, text, source="ISO 6789:2003", clause="6")
    (own,) = own_procedures(store)
    assert own.version == 2
    assert own.figures[name].value == value
    assert (own.figures[name].source, own.figures[name].mark) == ("ISO 6789:2003", "P")
    assert page.figures.current().name == name
    assert versions(store, own.key)[-1].why == "our joints ask for it"
    assert store.check().holds


def test_what_the_procedure_has_is_not_offered_again(page):
    copy(page)
    QTest.mouseClick(page.change.add, Qt.MouseButton.LeftButton)
    offered = [page.change.pattern.itemData(i) for i in range(page.change.pattern.count())]
    assert "ambient.lowest" not in offered
    assert "readings.{}" in offered
    page.change.pattern.setCurrentIndex(offered.index("readings.{}"))
    kinds = [page.change.kind.itemData(i) for i in range(page.change.kind.count())]
    assert "II" not in kinds
    assert "II-C" in kinds
    QTest.mouseClick(page.change.add, Qt.MouseButton.LeftButton)  # back to the figure of the list
    assert page.change.title.text().startswith("Change: ")


def test_a_figure_is_taken_away_with_a_reason_and_what_is_needed_stays(page, store):
    copy(page)
    choose(page, "ambient.change")
    QTest.mouseClick(page.change.take_away, Qt.MouseButton.LeftButton)
    assert page.change.reasons.fields["why"].problem == "Why is wanted."
    page.change.reasons.fields["why"].put("no such limit in our hall")
    QTest.mouseClick(page.change.take_away, Qt.MouseButton.LeftButton)
    (own,) = own_procedures(store)
    assert (own.version, "ambient.change" in own.figures) == (2, False)
    assert versions(store, own.key)[0].procedure.value("ambient.change") == 1.0  # the version before keeps it
    choose(page, "conduct.max_repeats")
    page.change.reasons.fields["why"].put("as often as you like")
    QTest.mouseClick(page.change.take_away, Qt.MouseButton.LeftButton)
    assert page.change.problem.text() == (
        "How often a pull may be repeated: no procedure can do without it; it can be changed. "
        "Taken: a whole number from 0 to 50."
    )
    assert own_procedures(store)[0].version == 2


@pytest.mark.parametrize(
    ("pattern", "kind", "text", "said"),
    [
        (
            "readings.{}",
            "II-C",
            "0",
            "Readings per checkpoint (II-C): 0 is not between 1 and 50. Taken: a whole number",
        ),
        ("readings.{}", "II-C", "many", "Taken: a whole number from 1 to 50."),
        ("permissible.above.{}", "I", "60", "60 is not between 0.01 and 50. Taken: a number from 0.01 to 50, in %."),
        ("rate.{}.shortest_by_range", "I", "10; 20", "Taken: from N·m: seconds, rising, as in 0: 0.5; 10: 1."),
    ],
)
def test_an_added_figure_that_cannot_be_is_refused_with_what_would_do(page, store, pattern, kind, text, said):
    copy(page)
    pick(page, pattern, kind)
    give(page, text)
    assert said in page.change.form.fields["value"].problem
    assert own_procedures(store)[0].version == 1


def test_what_contradicts_another_figure_is_said_beneath(page, store):
    copy(page)
    pick(page, "reference.uncertainty")
    give(page, "1")
    assert "the demand is one of them" in page.change.problem.text()
    pick_again = page.change
    assert pick_again.is_adding
    assert own_procedures(store)[0].version == 1


def test_checkpoints_are_added_and_taken_away_one_by_one(page, store):
    copy(page)
    choose(page, "points.at")
    row = page.change.points
    assert [button.text().split("   ")[0] for button in row.buttons] == ["20 %", "60 %", "100 %"]
    QTest.mouseClick(row.buttons[0], Qt.MouseButton.LeftButton)
    for text in ("80 %", "lowest", "40"):
        row.another.setText(text)
        QTest.keyClick(row.another, Qt.Key.Key_Return)
    assert page.change.form.fields["value"].text() == "lowest; 40; 60; 80; 100"
    assert own_procedures(store)[0].version == 1  # nothing is kept before it is kept
    page.change.reasons.fields["why"].put("our joints lie there")
    QTest.mouseClick(page.change.keep, Qt.MouseButton.LeftButton)
    assert own_procedures(store)[0].value("points.at") == ["lowest", 40.0, 60.0, 80.0, 100.0]
    row.another.setText("120")
    QTest.mouseClick(row.add, Qt.MouseButton.LeftButton)
    page.change.reasons.fields["why"].put("more")
    QTest.mouseClick(page.change.keep, Qt.MouseButton.LeftButton)
    assert "120.0 is neither a percentage above 0 and up to 100" in page.change.form.fields["value"].problem
    for _ in range(6):
        QTest.mouseClick(row.buttons[0], Qt.MouseButton.LeftButton)
    QTest.mouseClick(page.change.keep, Qt.MouseButton.LeftButton)
    assert own_procedures(store)[0].is_spot_check  # none: the target is typed at the start


# ------------------------------------------------------------------------- withdrawn


def withdraw(page: ProceduresPage, why: str) -> None:
    QTest.mouseClick(page.withdraw, Qt.MouseButton.LeftButton)
    page.standing_form.fields["why"].put(why)
    QTest.mouseClick(page.keep_standing, Qt.MouseButton.LeftButton)


def test_an_own_one_is_withdrawn_with_a_reason_stays_visible_and_is_offered_again(page, store):
    page.open("workshop-full")
    assert not page.withdraw.isVisible()  # what comes with the program stays
    copy(page)
    assert [each.key for each in store.own_procedures()] == ["own-ferry-tools"]
    withdraw(page, "")
    assert page.standing_form.fields["why"].problem == "Why is wanted."
    withdraw(page, "the standard has a new edition")
    assert store.own_procedures() == []  # not offered at the start of a run
    (own,) = own_procedures(store)
    assert (own.version, own.withdrawn) == (2, "the standard has a new edition")
    page.open("own-ferry-tools")
    assert page.withdrawn_note.text() == "Withdrawn, not offered for runs: the standard has a new edition"
    assert page.withdrawn_note.isVisible()
    assert not page.change.isVisible()
    assert not page.rename.isVisible()
    page.which.setCurrentIndex(1)  # the version before it was not
    assert not page.withdrawn_note.isVisible()
    page.which.setCurrentIndex(0)
    withdraw(page, "we still have such tools")
    assert [each.version for each in store.own_procedures()] == [3]
    assert page.change.isVisible()
    assert [v.why for v in versions(store, own.key)][1:] == [
        "the standard has a new edition",
        "we still have such tools",
    ]
    assert [entry.who for entry in store.entries(f"procedure:{own.key}")] == ["custodian"] * 3
    assert store.check().holds


def test_withdrawing_asks_for_the_custodian(page, store):
    copy(page)
    asked = []
    page.context.lock = None
    page.context.custodian_wanted.connect(lambda what_for, do: asked.append(what_for))
    withdraw(page, "the standard has a new edition")
    assert asked == ["to withdraw Ferry tools"]
    assert store.own_procedures()
