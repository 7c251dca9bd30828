"""Procedures say where every figure comes from, and a faulty file is refused with file, key and reason."""

import json

import pytest

from benchapp.metrology.tool import ToolType
from benchapp.runs import procedure as p
from benchapp.torque.direction import Direction

SHIPPED = {procedure.key: procedure for procedure in p.shipped_procedures()}


def test_the_five_that_ship_each_with_a_key_of_its_own():
    assert [each.key for each in p.shipped_procedures()] == [
        "workshop-spot",
        "workshop-full",
        "iso-6789-2003",
        "iso-6789-1-2017",
        "asme-b107-300",
    ]


@pytest.mark.parametrize("key", SHIPPED)
def test_every_figure_has_a_source_and_a_mark(key):
    for name, figure in SHIPPED[key].figures.items():
        assert figure.source, name
        assert figure.mark in p.MARKS, name


# Table of contents of ISO 6789-1:2017 (seen); clauses of ASME B107.300-2021 that were seen: 6.2, 6.3.
CLAUSES = {
    "ISO 6789-1:2017": {"5.1.5", "6.1", "6.2", "6.3", "6.4", "6.5", "6.5.2", "6.5.3", "7.1"},
    "ASME B107.300-2021": {"6.3(a)", "6.3(b)", "6.3(c)", "figure 6.3-1"},
}


@pytest.mark.parametrize("key", SHIPPED)
def test_a_figure_of_a_standard_names_its_clause_or_says_that_it_is_not_known(key):
    for name, figure in SHIPPED[key].figures.items():
        is_standard = figure.source.startswith(("ISO", "ASME", "SAE"))
        assert bool(figure.clause) is is_standard, name
        known = CLAUSES.get(figure.source)
        if known is not None and figure.clause != "clause not known":
            assert figure.clause.removesuffix(" (by its title)") in known, name


@pytest.mark.parametrize("key", SHIPPED)
def test_a_procedure_reads_back_equal_from_toml_and_from_json(key):
    assert p.procedure_from_text(p.procedure_to_toml(SHIPPED[key])) == SHIPPED[key]
    assert p.procedure_from_data(json.loads(json.dumps(p.procedure_to_data(SHIPPED[key])))) == SHIPPED[key]


# Classes, the pair ±4/±6 and the split at 10 N·m of the tool's maximum: ISO 6789:2003, for release-type wrenches
# ±4/±6 in Acta IMEKO 4(2) 2015, introduction; the rest of the table is from memory, as the files say.
LIMITS = [
    *[("I", c, 10.0, 6.0) for c in "ABCDE"],
    *[("I", c, 10.5, {"A": 6.0, "D": 6.0}.get(c, 4.0)) for c in "ABCDE"],
    *[("II", c, 10.0, 6.0) for c in "ABCDEFG"],
    *[("II", c, 10.5, 4.0 if c in "ABC" else 6.0) for c in "ABCDEFG"],
]


@pytest.mark.parametrize("key", ["workshop-spot", "workshop-full", "iso-6789-2003", "iso-6789-1-2017"])
@pytest.mark.parametrize(("kind", "letter", "highest", "limit"), LIMITS)
def test_the_limit_is_that_of_type_class_and_range(make, key, kind, letter, highest, limit):
    tool = make.tool(tool_type=ToolType(kind), tool_class=letter, lowest=1.0, highest=highest)
    assert SHIPPED[key].limit_percent(tool, Direction.CLOCKWISE) == limit


def test_the_boundary_is_judged_on_the_maximum_in_newton_metres_whatever_the_tools_unit(make):
    # 10 N·m are 88.50746 lbf·in (NIST SP 811 factors)
    at = make.tool(unit="cN·m", lowest=100, highest=1000)
    above = make.tool(unit="lbf·in", lowest=10, highest=88.6)
    assert SHIPPED["iso-6789-2003"].limit_percent(at, Direction.CLOCKWISE) == 6.0
    assert SHIPPED["iso-6789-2003"].limit_percent(above, Direction.CLOCKWISE) == 4.0


def test_a_tighter_declared_value_is_the_limit_and_a_wider_one_is_not(make):
    iso = SHIPPED["iso-6789-2003"]
    assert iso.limit_percent(make.tool(declared_percent=3.0), Direction.CLOCKWISE) == 3.0
    assert iso.limit_percent(make.tool(declared_percent=5.0), Direction.CLOCKWISE) == 4.0


def test_the_direction_a_tool_is_not_made_for_has_the_wider_limit_where_the_document_says_so(make):
    both = make.tool(directions=(Direction.ANTICLOCKWISE, Direction.CLOCKWISE))
    asme = SHIPPED["asme-b107-300"]
    assert asme.limit_percent(both, Direction.ANTICLOCKWISE) == 4.0
    assert asme.limit_percent(both, Direction.CLOCKWISE) == 6.0


def test_readings_preloads_and_window_follow_type_and_class(make):
    iso = SHIPPED["iso-6789-2003"]
    setting, plain = make.tool(), make.tool(tool_class="C")
    indicating = make.tool(tool_type=ToolType.INDICATING, tool_class="B")
    assert [iso.n_readings(t) for t in (setting, plain, indicating)] == [5, 10, 5]
    assert [iso.n_preloads(t) for t in (setting, indicating)] == [5, 1]
    assert (iso.time_window_s(setting), iso.time_window_s(indicating)) == ((0.5, 4.0), None)
    later = SHIPPED["iso-6789-1-2017"]
    found = [later.time_window_s(make.tool(lowest=1, highest=h))[0] for h in (9.9, 10, 99, 100, 1000)]
    assert found == [0.5, 1.0, 1.0, 1.5, 2.0]


def test_the_demand_on_the_reference_is_that_of_the_edition():
    assert SHIPPED["iso-6789-2003"].demand_percent(4.0) == 1.0
    assert SHIPPED["iso-6789-1-2017"].demand_percent(4.0) == 1.0
    assert SHIPPED["iso-6789-1-2017"].demand_percent(6.0) == 1.5


def test_a_copy_of_ones_own_is_named_and_counted_up_with_every_edit():
    own = p.copied(SHIPPED["workshop-full"], "ferry-full", "Ferry, full run")
    assert (own.key, own.version) == ("ferry-full", 1)
    changed = p.edited(own, "readings.II", 4, source="custodian, 2026-03-04", mark="P")
    assert (changed.value("readings.II"), changed.version, own.value("readings.II")) == (4, 2, 3)
    with pytest.raises(p.ProcedureError, match=r"readings\.II: 0 is not between 1 and 50"):
        p.edited(own, "readings.II", 0, source="x", mark="P")


GOOD = p.procedure_to_toml(SHIPPED["workshop-full"])


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('key = "workshop-full"\n', "", "key"),
        ("version = 2\n", "version = 0\n", "version"),
        ("version = 2\n", 'version = "1"\n', "version"),
        ("points.at = ", "points.where = ", "points.where"),
        ("readings.II = { value = 3", "readings.II = { value = 0", "readings.II"),
        ("readings.II = { value = 3", "readings.II = { value = true", "readings.II"),
        ("readings.I = { value = 3", 'readings.I = { colour = "red", value = 3', "readings.I.colour"),
        ("[20.0, 60.0, 100.0]", "[60.0, 20.0]", "points.at"),
        ("[20.0, 60.0, 100.0]", "[20.0, 160.0]", "points.at"),
        ('value = "ISO"', 'value = "BOTH"', "deviation.convention"),
        ("ambient.lowest = { value = 18.0", "ambient.lowest = { value = 30.0", "ambient.lowest"),
        ("rate.II.shortest = { value = 0.5", "rate.II.shortest = { value = 5.0", "rate.II.shortest"),
        ("conduct.max_repeats = ", "conduct.max_repeat = ", "conduct.max_repeat"),
    ],
)
def test_a_faulty_file_is_refused_with_file_key_and_reason(tmp_path, old, new, key):
    assert old in GOOD
    path = tmp_path / "own.toml"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(p.ProcedureError) as caught:
        p.load_procedure(path)
    assert (caught.value.file, caught.value.key) == ("own.toml", key)
    assert caught.value.reason


@pytest.mark.parametrize("field", ["source", "mark"])
def test_a_figure_without_source_or_mark_is_refused(field):
    data = p.procedure_to_data(SHIPPED["workshop-full"])
    del data["readings"]["II"][field]
    with pytest.raises(p.ProcedureError, match=rf"readings\.II\.{field}"):
        p.procedure_from_data(data)


def test_what_is_no_toml_or_not_there_is_refused(tmp_path):
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe")
    (tmp_path / "text.toml").write_text("hello")
    for name in ("bad.toml", "text.toml", "none.toml"):
        with pytest.raises(p.ProcedureError, match=name):
            p.load_procedure(tmp_path / name)


# ------------------------------------------------------------------------- figures added, taken away; withdrawn


@pytest.mark.parametrize("name", sorted(p.FIGURES))
def test_every_figure_there_can_be_has_an_example_that_is_taken_and_words_for_what_is(name):
    kind = p.FIGURES[name]
    assert kind.problem(kind.example) == ""
    assert kind.wanted
    assert kind.problem("perhaps")


@pytest.mark.parametrize("key", SHIPPED)
def test_a_procedure_can_be_given_every_figure_it_lacks_and_do_without_every_one_it_need_not_have(key):
    before = SHIPPED[key]
    conflicts = {"reference.share_of_limit", "reference.uncertainty", "coverage.factor", "coverage.probability"}
    missing = [name for name in p.addable(before) if name not in conflicts and not name.startswith("rate.")]
    assert missing
    after = before
    for name in missing:
        after = p.edited(after, name, p.FIGURES[name].example, source="workshop practice", mark="P")
        assert after.figures[name].unit == p.FIGURES[name].unit
    assert set(after.figures) == {*before.figures, *missing}
    for name in missing:
        after = p.without(after, name)
    assert after.figures == before.figures
    assert after.version == before.version + 2 * len(missing)
    assert p.procedure_from_text(p.procedure_to_toml(after)) == after


def test_what_no_procedure_can_do_without_stays():
    full = SHIPPED["workshop-full"]
    for name in ("points.at", "readings.II", "conduct.max_repeats"):
        with pytest.raises(p.ProcedureError, match="no procedure can do without it"):
            p.without(full, name)
    with pytest.raises(p.ProcedureError, match="is not in it"):
        p.without(full, "coverage.factor")
    small = [name for name in full.figures if name.startswith("permissible.up_to.")]
    bare = full
    for name in small[:-1]:
        bare = p.without(bare, name)
    with pytest.raises(p.ProcedureError, match="limits up to and above the boundary are missing"):
        p.without(bare, small[-1])


@pytest.mark.parametrize(
    ("key", "name", "value", "said"),
    [
        ("workshop-full", "reference.uncertainty", 1.0, "both share_of_limit and uncertainty"),
        ("workshop-full", "rate.II-A.shortest", 4.5, r"rate.II-A.shortest: 4.5 is not below longest 4"),
        ("workshop-full", "rate.II-C.longest", 0.25, r"rate.II.shortest: 0.5 is not below longest 0.25"),
        ("iso-6789-1-2017", "rate.II.longest", 1.5, r"shortest_by_range: 2 is not below longest 1.5"),
    ],
)
def test_figures_that_contradict_each_other_are_refused(key, name, value, said):
    with pytest.raises(p.ProcedureError, match=said):
        p.edited(SHIPPED[key], name, value, source="workshop practice", mark="P")


def test_a_withdrawn_one_says_why_and_one_that_is_not_looks_as_it_always_did():
    own = p.copied(SHIPPED["workshop-full"], "ferry-full", "Ferry, full run")
    assert "withdrawn" not in p.procedure_to_toml(own)
    assert "withdrawn" not in p.procedure_to_data(own)
    gone = p.withdrawn(own, "the standard has a new edition")
    assert (gone.version, gone.figures) == (2, own.figures)
    assert p.procedure_from_text(p.procedure_to_toml(gone)) == gone
    assert p.procedure_from_data(json.loads(json.dumps(p.procedure_to_data(gone)))) == gone
    back = p.withdrawn(gone, "")
    assert (back.withdrawn, back.version) == ("", 3)
