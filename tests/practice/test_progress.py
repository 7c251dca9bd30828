"""Progress of a person in their own numbers, of a group without anybody to be seen in it."""

from __future__ import annotations

import datetime as dt

import pytest

from benchapp.practice.drills import shipped_drills
from benchapp.practice.marks import PullMarks
from benchapp.practice.progress import (
    LEAST_GROUP,
    SPREAD,
    HiddenWeek,
    PracticedPull,
    Week,
    group_weeks,
    line_of,
    monday_of,
    reached,
    weeks,
)
from benchapp.pulls.pull import Flag
from drivers.samples import Source


def one(person: str, at: str, follow: float, **more) -> PracticedPull:
    marks = PullMarks(40.0, 40.0, 40.0 * (1 + follow / 100), 40.0, follow_percent=follow, flags=more.pop("flags", ()))
    return PracticedPull(
        person, at, more.pop("drill", "stop"), more.pop("level", 1), "OCF-005", Source.LIVE, marks, **more
    )


def test_a_week_begins_on_monday_where_the_bench_stands() -> None:
    assert monday_of("2026-11-22T23:30:00-03:00") == dt.date(2026, 11, 16)  # a Sunday there
    assert monday_of("2026-11-23T00:10:00+01:00") == dt.date(2026, 11, 23)


def test_a_week_is_told_by_its_median() -> None:
    pulls = [one("fitter 2", f"2026-11-0{d}T10:00:00+00:00", f) for d, f in ((2, 30.0), (3, 10.0), (3, 12.0))]
    pulls.append(one("fitter 2", "2026-11-10T10:00:00+00:00", 4.0))
    first, second = weeks(pulls)
    assert (first.monday, first.n_pulls, first.n_days) == (dt.date(2026, 11, 2), 3, 2)
    assert first.values["follow_percent"] == 12.0
    assert second.values["follow_percent"] == 4.0


def test_what_was_set_aside_or_spoilt_does_not_count() -> None:
    pulls = [
        one("fitter 2", "2026-11-02T10:00:00+00:00", 10.0),
        one("fitter 2", "2026-11-02T10:01:00+00:00", 90.0, set_aside=True),
        one("fitter 2", "2026-11-02T10:02:00+00:00", 90.0, flags=(Flag.GAP,)),
    ]
    (week,) = weeks(pulls)
    assert week.n_pulls == 1
    assert week.values["follow_percent"] == 10.0


def test_the_spread_of_a_week_is_over_the_last_ten_at_one_target() -> None:
    pulls = [one("fitter 2", "2026-11-02T10:00:00+00:00", f) for f in (500.0, *[0.0, 10.0] * 5)]
    (week,) = weeks(pulls)
    assert week.values[SPREAD] == pytest.approx(100 * 2.0 * (10 / 9) ** 0.5 / 42.0)


def test_a_group_smaller_than_five_is_never_shown() -> None:
    few = [one(f"fitter {i}", "2026-11-02T10:00:00+00:00", 10.0) for i in range(LEAST_GROUP - 1) for _ in range(50)]
    assert group_weeks(few) == [HiddenWeek(dt.date(2026, 11, 2))]
    (week,) = group_weeks([*few, one("fitter 9", "2026-11-03T10:00:00+00:00", 10.0)])
    assert isinstance(week, Week)
    assert week.n_people == LEAST_GROUP == 5
    with pytest.raises(ValueError, match="is a person"):
        group_weeks(few, 1)


def test_in_a_group_everybody_counts_once_however_much_they_pulled() -> None:
    pulls = [one("keen", "2026-11-02T10:00:00+00:00", 100.0) for _ in range(100)]
    pulls += [one(f"p{i}", "2026-11-02T10:00:00+00:00", 10.0 + i) for i in range(4)]
    (week,) = group_weeks(pulls)
    assert isinstance(week, Week)
    assert week.values["follow_percent"] == 12.0  # the median of 10, 11, 12, 13 and 100
    assert "keen" not in repr(week)


def test_a_mark_that_too_few_have_is_not_shown_even_when_the_week_is() -> None:
    pulls = [one(f"p{i}", "2026-11-02T10:00:00+00:00", 10.0) for i in range(5)]
    lone = PullMarks(40.0, 40.0, 41.0, 40.0, follow_percent=2.5, tremor_percent=0.7)
    pulls.append(PracticedPull("p0", "2026-11-03T10:00:00+00:00", "stop", 1, "OCF-005", Source.LIVE, lone))
    (week,) = group_weeks(pulls)
    assert isinstance(week, Week)
    assert "follow_percent" in week.values
    assert "tremor_percent" not in week.values


def test_the_highest_level_passed_is_reached() -> None:
    pulls = [
        one("fitter 2", "2026-11-02T10:00:00+00:00", 10.0, passed=True),
        one("fitter 2", "2026-11-03T10:00:00+00:00", 10.0, level=2, passed=True),
        one("fitter 2", "2026-11-04T10:00:00+00:00", 10.0, level=3),
    ]
    first, *rest = reached(shipped_drills(), map(line_of, pulls))
    assert (first.drill, first.level, first.at, first.n_pulls) == ("stop", 2, "2026-11-03T10:00:00+00:00", 3)
    assert all(other.level == 0 for other in rest)
