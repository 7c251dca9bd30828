"""The Logbook: runs newest first and by key, one opened with its verdict, pulls, curves, figures and record."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchapp.metrology.judgement import CheckpointJudgement
from benchapp.records import Store
from benchapp.records.model import Outcome
from benchapp.runs.judging import judge_checkpoint, judge_run
from benchapp.runs.model import RunState
from benchapp.ui.context import AppContext
from benchapp.ui.logbook import page as logbook_page
from benchapp.ui.logbook.model import (
    advice,
    checkpoint_lines,
    figure_lines,
    headline,
    pull_lines,
)
from benchapp.ui.verdict import probability_text

DEMO_YEARS = 2  # of the demonstration workshop (see conftest)


@pytest.fixture
def page(qtbot, store):
    context = AppContext(None, is_demo=True)
    context.give_store(store)
    shown = logbook_page.LogbookPage(context)
    qtbot.addWidget(shown)
    shown.resize(1366, 720)
    shown.show()
    yield shown
    shown.stop()


def a_run(store, **like):
    for line in store.runs(limit=500):
        if all(getattr(line, key) == value for key, value in like.items()):
            return store.run(line.run_id)
    raise AssertionError(f"the demonstration has no run with {like}")


def with_aside(store):
    return next(store.run(line.run_id) for line in store.runs(limit=500) if line.n_set_aside)


# -------------------------------------------------------------------------------------------------------------- judging


def test_a_stored_run_is_judged_with_the_uncertainty_of_its_reference(store):
    run = a_run(store, tool="OCF-004")
    judgement = judge_run(run)
    assert len(judgement.checkpoints) == len(run.plan.checkpoints)
    for judged, checkpoint in zip(judgement.checkpoints, run.plan.checkpoints, strict=True):
        counted = [
            p.deviation_percent
            for p in run.pulls
            if p.set_aside is None and run.plan.checkpoints[p.checkpoint_index] is checkpoint
        ]
        assert judged.mean_deviation_percent == pytest.approx(sum(counted) / len(counted))
        assert {c.symbol for c in judged.budget.contributions} >= {"w_md", "w_r", "w_re"}
        assert "w_rep" in judged.budget.missing, "what nobody measured is named, not zero"


def test_a_checkpoint_with_too_few_readings_is_refused_with_both_numbers(store):
    run = a_run(store, tool="OCF-004")
    first = replace(run, pulls=tuple(p for p in run.pulls if p.set_aside is None)[:1], state=RunState.PULL)
    lines = checkpoint_lines(first)
    assert lines[0].judgement is None
    assert lines[0].refused == "1 of 3 readings: not judged."
    assert isinstance(judge_checkpoint(run, 0), CheckpointJudgement)


# -------------------------------------------------------------------------------------------------------------- wording


def test_setting_errors_are_told_by_what_joints_get(store):
    run = a_run(store, tool="OCF-004")

    def shifted(deviation):
        return replace(run, pulls=tuple(replace(p, deviation_percent=deviation) for p in run.pulls))

    early = shifted(9.0)
    assert "lets go early" in advice(_out(early), checkpoint_lines(early))
    assert "joints get less" in advice(_out(early), checkpoint_lines(early))
    late = shifted(-9.0)
    assert "lets go late" in advice(_out(late), checkpoint_lines(late))
    assert "calibration laboratory" in advice(_out(late), checkpoint_lines(late))


def _out(run):
    from benchapp.runs.model import Band

    return replace(run, pulls=tuple(replace(p, band=Band.HIGH) for p in run.pulls))


def test_a_run_that_was_left_says_why_and_is_no_verdict(store):
    run = replace(a_run(store, tool="OCF-004"), state=RunState.LEFT, left_reason="interrupted")
    assert headline(run) == "OCF-004: the run was left"
    assert "interrupted" in advice(run, checkpoint_lines(run))


def test_a_probability_never_claims_certainty():
    assert [probability_text(p) for p in (1.0, 0.9991, 0.5, 0.0)] == ["> 99.9 %", "> 99.9 %", "50.0 %", "< 0.1 %"]


def test_what_was_set_aside_stands_among_the_pulls_with_its_reason(store):
    run = with_aside(store)
    aside = [line for line in pull_lines(run, "N·m") if not line.counts]
    assert aside
    assert all(line.said.startswith("Set aside (fitter") for line in aside)
    assert len(pull_lines(run, "N·m")) == len(run.pulls)


def test_a_checkpoint_stands_beside_its_reading_in_the_unit_that_is_shown(store):
    run = a_run(store, tool="OCF-004")
    assert all(line.where_in == "" for line in pull_lines(run, "N·m"))
    shown = {line.where: line.where_in for line in pull_lines(run, "lbf·ft") if line.where != "preload"}
    # 1 lbf·ft = 0.3048 m × 0.45359237 kg × 9.80665 m/s², exact by definition
    assert shown == {"20 N·m": "14.75 lbf·ft", "60 N·m": "44.25 lbf·ft", "100 N·m": "73.76 lbf·ft"}


def test_every_figure_has_value_source_and_mark_and_none_is_for_another_kind_of_tool(store):
    run = a_run(store, tool="OCF-004")
    lines = figure_lines(run.plan.procedure, run.plan.tool)
    assert all(line.value and line.source and line.mark[:1] in "CRMPD" for line in lines)
    assert not any("(I-" in line.name or "(I)" in line.name for line in lines)
    assert any(line.name.startswith("permissible deviation") and line.value == "4 %" for line in lines)


# ----------------------------------------------------------------------------------------------------------------- page


def test_runs_stand_newest_first_and_more_come_on_scrolling(page, store, monkeypatch):
    monkeypatch.setattr(logbook_page, "PAGE", 10)
    page.refresh()
    assert len(page.list.rows) == 10
    total = len(store.runs(limit=500))
    while not page._at_end:
        page._read_more()
    assert [line.run_id for line in page.list.rows] == [line.run_id for line in store.runs(limit=500)]
    assert len(page.list.rows) == total


def test_the_filters_list_only_what_they_say(page, store):
    page.verdict.choose("out")
    assert page.list.rows
    assert all(line.outcome in (Outcome.OUT, Outcome.UNDECIDED) for line in page.list.rows)
    page.verdict.choose("left")
    assert page.list.rows == []
    assert page.none_found.isVisible()
    page.verdict.choose("all")
    page.open("tool:OCF-004")
    assert {line.tool for line in page.list.rows} == {"OCF-004"}
    page.source.choose("replayed")
    assert page.list.rows == []
    page.source.choose("simulated")
    assert {line.tool for line in page.list.rows} == {"OCF-004"}


def test_a_filter_finds_what_lies_behind_any_number_of_other_runs(page, store, monkeypatch):
    monkeypatch.setattr(logbook_page, "PAGE", 2)  # it looked at 20 pages and said that no run is like that
    lines = store.runs(limit=500)
    depth = next(index for index, line in enumerate(lines) if line.outcome is Outcome.OUT)
    page.verdict.choose("out")
    assert depth > 40
    assert [line.run_id for line in page.list.rows][:1] == [lines[depth].run_id]
    while not page._at_end:
        page._read_more()
    assert [line.run_id for line in page.list.rows] == [
        line.run_id for line in lines if line.outcome in (Outcome.OUT, Outcome.UNDECIDED)
    ]


def test_a_run_opens_on_every_section_and_curves_lie_over_each_other(page, store):
    run = with_aside(store)
    page.open(run.run_id)
    view = page.run_view
    for key in ("result", "pulls", "curves", "figures", "record"):
        view.sections.choose(key)
        page.grab()
    view.show_pull(next(p.number for p in run.pulls if p.set_aside))
    shown = view.curves.picture
    index = next(p.checkpoint_index for p in run.pulls if p.set_aside)
    assert [c.number for c in shown.curves] == [p.number for p in run.pulls if p.checkpoint_index == index]
    assert shown.corridor.target_nm == run.plan.checkpoints[index].target_nm
    assert "Set aside" in view.curves.said.text()
    assert store.summary(run.run_id).seal in view.seal.text()


def test_curves_and_readings_belong_together(page, store):
    run = a_run(store, tool="OCF-020")
    page.open(run.run_id)
    page.run_view.sections.choose("curves")
    for curve in page.run_view.curves.picture.curves:
        at = curve.at(curve.pull.reading_time_s)
        assert at[1] == pytest.approx(curve.pull.reading, rel=0.01)


def test_what_is_saved_of_curves_names_the_run_and_that_nobody_pulled(page, store, tmp_path):
    run = a_run(store, tool="OCF-004")
    page.open_run(run.run_id)
    view = page.run_view
    view.sections.choose("curves")
    assert view.curves.save_as(str(tmp_path / "a.svg"), "svg")
    assert view.curves.save_as(str(tmp_path / "a.csv"), "all")
    for text in ((tmp_path / "a.svg").read_text("utf-8"), (tmp_path / "a.csv").read_text("utf-8")):
        for wanted_text in ("OCF-004", run.run_id, run.started[:10], run.plan.reference.number, "no tool was pulled"):
            assert wanted_text in text
        assert f"{view.which.currentText()} clockwise" in text


def test_unit_shown_changes_the_words_not_the_record(page, store):
    run = a_run(store, tool="OCF-004")
    page.open(run.run_id)
    page.context.show_unit("lbf·ft")
    assert "lbf·ft" in page.run_view.pulls.rows[0].reading
    assert store.run(run.run_id) == run


def test_an_unknown_run_is_said_and_the_page_stays(page):
    said = []
    page.context.message.connect(lambda kind, text: said.append((kind, text)))
    page.open("no-such-run")
    assert said[0][0] == "problem"


def test_an_empty_logbook_says_what_belongs_here(qtbot, tmp_path):
    with Store.open(tmp_path / "e.kilter", demo=True) as store:
        context = AppContext(None, is_demo=True)
        context.give_store(store)
        page = logbook_page.LogbookPage(context)
        qtbot.addWidget(page)
        went = []
        context.page_wanted.connect(lambda name, key: went.append(name))
        assert page.views.currentWidget() is page.empty
        page.empty.button.click()
        assert went == ["bench"]
        page.stop()
