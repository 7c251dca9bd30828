"""Practice in the store: by person, deletable for good, and never near a verification record."""

from __future__ import annotations

import dataclasses
import datetime as dt

import pytest

from benchapp.practice.marks import PullMarks
from benchapp.practice.progress import HiddenWeek, PracticedPull, Week, group_weeks, line_of, weeks
from benchapp.pulls.pull import Flag
from benchapp.records import StoreError, WrongStoreError, demo_practice, practice
from drivers.samples import Source

from .conftest import sealed_run


def pull(person: str = "fitter 2", **more: object) -> PracticedPull:
    marks = PullMarks(40.01, 40.01, 46.2, 40.0, follow_percent=15.4713, rise_s=0.9, n_dips=1, flags=(Flag.JERKY,))
    values = {
        "person": person,
        "at": "2026-11-25T10:00:00+00:00",
        "drill": "stop",
        "level": 2,
        "tool": "OCF-005",
        "source": Source.SIMULATED,
        "marks": marks,
        "aims": (("follow_percent", "most", 15.0),),
    }
    return PracticedPull(**{**values, **more})


@pytest.fixture
def demo_store(open_store, tmp_path):
    return open_store(tmp_path / "demo.sqlite", demo=True)


def test_a_pull_reads_back_as_it_was(demo_store) -> None:
    kept = practice.add_pull(demo_store, pull(is_good=True, passed=True))
    assert kept.key > 0
    assert practice.pulls_of(demo_store, "fitter 2") == [kept]
    assert practice.pulls_of(demo_store, "fitter 1") == []
    assert practice.pulls_of(demo_store, "fitter 2", drill="even") == []
    assert practice.pulls_of(demo_store, "fitter 2", drill="stop", since="2026-11-25") == [kept]
    assert practice.pulls_of(demo_store, "fitter 2", since="2026-11-26") == []


@pytest.mark.parametrize("source", list(Source))
def test_each_source_goes_to_its_own_store(store, demo_store, source: Source) -> None:
    right, wrong = (store, demo_store) if source in (Source.LIVE, Source.IMPORTED) else (demo_store, store)
    practice.add_pull(right, pull(source=source))
    with pytest.raises(WrongStoreError):
        practice.add_pull(wrong, pull(source=source))
    assert practice.count_of(right, "fitter 2") == 1
    assert practice.count_of(wrong, "fitter 2") == 0


def test_nobody_cannot_practise(demo_store) -> None:
    with pytest.raises(ValueError, match="needs a person"):
        practice.add_pull(demo_store, pull("  "))


def test_a_pull_set_aside_passes_no_level(demo_store) -> None:
    kept = practice.add_pull(demo_store, pull(passed=True))
    with pytest.raises(ValueError, match="passes no level"):
        practice.change(demo_store, dataclasses.replace(kept, set_aside=True))
    aside = dataclasses.replace(kept, set_aside=True, passed=False)
    practice.change(demo_store, aside)
    assert practice.pulls_of(demo_store, "fitter 2") == [aside]
    practice.delete_person(demo_store, "fitter 2")
    with pytest.raises(StoreError, match="deleted meanwhile"):
        practice.change(demo_store, kept)


def test_deleting_takes_one_persons_practice_out_of_the_file_and_nothing_else(store) -> None:
    run = sealed_run(store)
    before, runs = store.check(), store.runs()
    for _ in range(3):
        practice.add_pull(store, pull("a name to be forgotten", source=Source.LIVE))
    practice.add_pull(store, pull("fitter 1", source=Source.LIVE))
    assert practice.people(store) == ["a name to be forgotten", "fitter 1"]
    assert practice.delete_person(store, "a name to be forgotten") == 3
    assert practice.people(store) == ["fitter 1"]
    assert len(practice.pulls_of_all(store)) == 1
    after = store.check()
    assert after.holds
    assert (after.head, after.n_entries) == (before.head, before.n_entries)
    assert store.runs() == runs
    assert store.run(run.run_id) == run
    path = store.path
    store.close()
    for file in path.parent.glob(f"{path.name}*"):
        if file.is_file():
            assert b"a name to be forgotten" not in file.read_bytes(), file


def test_practice_adds_nothing_to_the_chain(demo_store) -> None:
    before = demo_store.check()
    practice.add_pull(demo_store, pull())
    assert demo_store.check() == before
    assert demo_store.runs() == []


def test_the_demonstration_has_weeks_of_a_person_and_of_a_group_with_nobody_to_be_seen(demo_store) -> None:
    n = demo_practice.make(demo_store, today=dt.date(2026, 11, 25))
    assert len(practice.pulls_of_all(demo_store)) == n
    own = weeks(practice.pulls_of(demo_store, "fitter 1", drill="stop"))
    assert own[-1].values["follow_percent"] < own[0].values["follow_percent"]
    group = group_weeks(practice.pulls_of_all(demo_store, drill="stop"))
    assert any(isinstance(week, HiddenWeek) for week in group)
    assert any(isinstance(week, Week) for week in group)
    assert demo_store.check().n_entries == 0


def test_lines_say_of_each_pull_what_the_pull_itself_says(demo_store) -> None:
    kept = practice.add_pulls(
        demo_store,
        [
            pull(passed=True),
            pull(set_aside=True),
            pull(marks=PullMarks(None, None, 20.0, flags=(Flag.NO_CLICK, Flag.GAP))),
            pull(marks=PullMarks(None, None, 20.0, flags=(Flag.NO_CLICK,)), drill="even"),
        ],
    )
    assert practice.lines_of(demo_store, "fitter 2") == [line_of(one) for one in kept]
    assert [line.counts for line in practice.lines_of(demo_store, "fitter 2")] == [True, False, False, True]
