"""Curves of the run under way: the last checkpoint first, its pulls over each other, its corridor; out of the menu."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchapp.records import Store
from benchapp.runs.model import PullKind
from benchapp.ui.context import AppContext
from benchapp.ui.curves.benchcurves import PRELOAD, BenchCurves


class Port:
    """A bench that shows one view and is asked nothing."""


@pytest.fixture(scope="module")
def shop(demo_of, tmp_path_factory):
    path = tmp_path_factory.mktemp("shop") / "demo.sqlite"
    path.write_bytes(demo_of(1).read_bytes())
    with Store.open(path, demo=True) as store:
        yield store


def test_the_checkpoint_under_way_stands_first_with_all_its_pulls(qtbot, shop):
    run = next(run for summary in shop.runs(limit=50) if (run := shop.run(summary.run_id)) is not None and run.pulls)
    context = AppContext(Port(), is_demo=True)
    dialog = BenchCurves(context, run, shop)
    qtbot.addWidget(dialog)
    dialog.show()
    last = run.pulls[-1]
    mine = [p.number for p in run.pulls if p.kind is last.kind and p.checkpoint_index == last.checkpoint_index]
    stored = [number for number in mine if shop.trace(run.run_id, number) is not None]
    assert stored
    assert [curve.number for curve in dialog.panel.picture.curves] == stored
    assert dialog.panel.picture.corridor.target_nm == run.plan.checkpoints[last.checkpoint_index].target_nm
    for row in range(dialog.which.count()):
        dialog.which.setCurrentIndex(row)
        kind_is_preload = dialog.which.itemData(row) == PRELOAD
        numbers = {curve.number for curve in dialog.panel.picture.curves}
        kinds = {p.kind is PullKind.PRELOAD for p in run.pulls if p.number in numbers}
        assert kinds <= {kind_is_preload}


def test_a_pull_set_aside_is_shown_as_not_counting(qtbot, shop):
    run = next(run for summary in shop.runs(limit=50) if (run := shop.run(summary.run_id)) is not None and run.pulls)
    changed = replace(run, pulls=(*run.pulls[:-1], replace(run.pulls[-1], set_aside="operator")))
    dialog = BenchCurves(AppContext(Port(), is_demo=True), changed, shop)
    qtbot.addWidget(dialog)
    shown = {curve.number: curve for curve in dialog.panel.picture.curves}
    assert not shown[run.pulls[-1].number].counts
    assert shown[run.pulls[-1].number].remark.startswith("set aside: ")
