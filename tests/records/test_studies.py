"""Studies in the store: durable pull by pull, taken up after the program was closed, apart from the records."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from benchapp.metrology.tool import Tool, ToolType
from benchapp.practice.study import StudyPull, StudyTool, next_step, plan_study
from benchapp.pulls.pull import Flag
from benchapp.records import Store, StoreError, WrongStoreError, studies
from drivers.samples import Source

TOOLS = tuple(StudyTool(Tool(n, ToolType.SETTING, "A", "N·m", 20.0, 100.0), 60.0) for n in ("OCF-005", "OCF-014"))
PLAN = plan_study(("fitter 1", "fitter 2"), TOOLS, 2, seed=4, reference="REF-1")


def pull(number: int, step: int, **changes: object) -> StudyPull:
    i, j = PLAN.order[step]
    made = StudyPull(
        *(number, step, PLAN.people[i], PLAN.tools[j].tool.number, 60.0, 60.2 + number / 10, 66.0, ()),
        *(True, f"2026-03-04T09:0{number}:00+01:00", Source.SIMULATED),
    )
    return replace(made, **changes)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "demo.sqlite"


def test_a_study_goes_on_after_the_program_was_closed(path):
    with Store.open(path, demo=True) as store:
        kept = studies.begin(store, PLAN, name="spring", started="2026-03-04T09:00:00+01:00")
        taken = [pull(1, 0), pull(2, 1, counts=False, flags=(Flag.GAP,), reading_nm=None), pull(3, 1)]
        for one in taken:
            studies.add_pull(store, kept.key, one)
    with Store.open(path, demo=True) as store:
        (found,) = studies.all_studies(store)
        assert found == replace(kept, n_counted=2)
        assert found.is_open
        assert studies.pulls(store, found.key) == taken
        step = next_step(found.plan, studies.pulls(store, found.key))
        assert step.index == 2
        assert step.person == PLAN.people[PLAN.order[2][0]]


def test_a_finished_study_takes_no_more_pulls(path):
    with Store.open(path, demo=True) as store:
        key = studies.begin(store, PLAN, name="", started="2026-03-04").key
        studies.finish(store, key, "2026-03-05")
        with pytest.raises(StoreError, match="ended or deleted"):
            studies.add_pull(store, key, pull(1, 0))
        assert studies.study(store, key).finished == "2026-03-05"


def test_two_windows_cannot_store_the_same_pull(path):
    with Store.open(path, demo=True) as one, Store.open(path, demo=True) as two:
        key = studies.begin(one, PLAN, name="", started="2026-03-04").key
        studies.add_pull(one, key, pull(1, 0))
        with pytest.raises(StoreError, match="another window"):
            studies.add_pull(two, key, pull(1, 0))


def test_live_pulls_stay_out_of_the_demo_store_and_the_other_way_round(path, tmp_path):
    with Store.open(path, demo=True) as store:
        key = studies.begin(store, PLAN, name="", started="2026-03-04").key
        with pytest.raises(WrongStoreError):
            studies.add_pull(store, key, pull(1, 0, source=Source.LIVE))
    with Store.open(tmp_path / "live.sqlite", demo=False) as store:
        key = studies.begin(store, PLAN, name="", started="2026-03-04").key
        with pytest.raises(WrongStoreError):
            studies.add_pull(store, key, pull(1, 0))


def test_a_study_and_its_deletion_leave_the_chain_as_it_was(path):
    with Store.open(path, demo=True) as store:
        store.note_act("test", who="custodian")
        head = store.head()
        key = studies.begin(store, PLAN, name="", started="2026-03-04").key
        studies.add_pull(store, key, pull(1, 0))
        assert studies.delete(store, key)
        assert not studies.delete(store, key)
        assert studies.all_studies(store) == []
        assert studies.pulls(store, key) == []
        assert store.head() == head
        assert store.runs() == []


def test_a_deleted_name_is_gone_from_the_file(path):
    plan = replace(PLAN, people=("somebody-unmistakable", "fitter 2"))
    with Store.open(path, demo=True) as store:
        key = studies.begin(store, plan, name="", started="2026-03-04").key
        studies.delete(store, key)
    assert b"somebody-unmistakable" not in path.read_bytes()
