"""As found is told from as left, drift gives dates with their interval, and only the custodian sets an interval."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math

import pytest
from scipy import stats

from benchapp.records import ChangedMeanwhileError, JobEntry, NotAllowedError, Outcome, ToolRecord, ToolState, intervals
from benchapp.records import fleet as fl
from benchapp.records import history as hi
from benchapp.torque.direction import Direction

from .conftest import make_tool
from .test_impact import verified


def point(value: float, expanded: float = 0.0) -> hi.PointResult:
    return hi.PointResult(40.0, Direction.CLOCKWISE, 4.0, value, 3, expanded, expanded / 2)


def result(day: str, value: float, stage: hi.Stage = hi.Stage.AS_FOUND, expanded: float = 0.0) -> hi.RunResult:
    return hi.RunResult(day, f"{day}T09:00:00+00:00", Outcome.WITHIN, stage, (point(value, expanded),))


def test_as_found_and_as_left_follow_from_the_chain(store):
    verified(store, "first", "2025-03-04")
    verified(store, "found-out", "2026-03-04", off_percent=8.0)  # quarantines
    verified(store, "still-out", "2026-03-05", off_percent=6.0)
    verified(store, "repaired", "2026-03-06", off_percent=0.2)
    store.change_state("OCF-014", ToolState.IN_SERVICE, who="custodian", why="repaired")
    verified(store, "next", "2026-09-06")
    history = hi.tool_history(store, "OCF-014")
    assert [(run.run_id, run.stage) for run in history] == [
        ("first", hi.Stage.AS_FOUND),
        ("found-out", hi.Stage.AS_FOUND),
        ("still-out", hi.Stage.BETWEEN),
        ("repaired", hi.Stage.AS_LEFT),
        ("next", hi.Stage.AS_FOUND),
    ]
    # deviation of the ISO formula: (indicated - reading) / reading
    assert history[1].points[0].mean_percent == pytest.approx((1 / 1.08 - 1) * 100)
    assert all(p.expanded_percent > 0 and p.limit_percent == 4.0 for p in history[0].points)
    assert len(history[0].points) == 3
    (share,) = fl.fleet(store, fl.GroupBy.PLACE)
    assert (share.group, share.n, share.n_within) == ("ferry 1", 3, 2)  # as found only


def test_the_share_has_the_interval_of_clopper_and_pearson(store):
    for n, off in enumerate((1.0, 1.0, 8.0)):
        number = f"OCF-30{n}"
        store.save_tool(ToolRecord(make_tool(number), place=f"ferry {n // 2}", first_use=dt.date(2025, 9, 1)))
        verified(store, f"run-{n}", "2026-03-04", off_percent=off, tool=make_tool(number))
    worst, best = fl.fleet(store, fl.GroupBy.PLACE)
    assert (worst.group, worst.share, best.share) == ("ferry 1", 0.0, 1.0)
    exact = stats.binomtest(2, 2).proportion_ci(0.95, "exact")  # SciPy
    assert (best.low, best.high) == pytest.approx((exact.low, exact.high), abs=1e-9)
    (age,) = fl.fleet(store, fl.GroupBy.AGE)
    assert (age.group, age.n, age.n_within) == ("under 1 year", 3, 2)
    assert [each.group for each in fl.fleet(store, fl.GroupBy.TYPE)] == ["II A"]
    assert fl.fleet(store, fl.GroupBy.KEEPER, since="2027-01-01") == []


def test_a_tool_found_out_again_and_again_is_named(store):
    for n, off in enumerate((1.0, 8.0, 8.0)):
        verified(store, f"run-{n}", f"2026-0{n + 1}-04", off_percent=off)
        if off > 4:
            store.change_state("OCF-014", ToolState.IN_SERVICE, who="custodian", why="adjusted", override=True)
    assert fl.to_replace(store) == [fl.Replace("OCF-014", (True, False, False))]
    assert fl.to_replace(store, n_out=3) == []


def test_drift_through_zero_and_the_date_with_its_interval():
    # 0.1 % a month with a little scatter; the adjustment in between is no drift
    days = ["2020-01-01", "2021-01-01", "2022-01-01", "2022-01-15", "2023-01-15", "2024-01-15"]
    values = [0.0, 1.2, 2.5, 0.0, 1.1, 2.3]
    stages = [hi.Stage.AS_FOUND] * 3 + [hi.Stage.AS_LEFT] + [hi.Stage.AS_FOUND] * 2
    history = [result(d, v, s, 0.4) for d, v, s in zip(days, values, stages, strict=True)]
    (at,) = hi.drifts(history)
    months = [366 / hi.DAYS_PER_MONTH, *[365 / hi.DAYS_PER_MONTH] * 3]
    moved = [1.2, 1.3, 1.1, 1.2]
    # by hand: least squares through zero, its variance, Welch-Satterthwaite (JCGM 100, G.4.1), Student's t of SciPy
    square = math.fsum(t * t for t in months)
    slope = math.fsum(t * y for t, y in zip(months, moved, strict=True)) / square
    s2 = math.fsum((y - slope * t) ** 2 for t, y in zip(months, moved, strict=True)) / 3

    def reach(t: float) -> float:
        fitted = s2 + t * t * s2 / square
        dof = min(math.floor((0.2**2 + fitted) ** 2 / (fitted**2 / 3)), 200)
        return float(stats.t.ppf(0.975, dof)) * math.sqrt(0.2**2 + fitted)

    assert (at.n, at.percent_per_month) == (4, pytest.approx(slope))
    assert at.leaves_months == pytest.approx((4.0 - 2.3) / slope, rel=1e-6)
    early, late = at.earliest_months, at.latest_months
    assert 2.3 + slope * early + reach(early) == pytest.approx(4.0, abs=1e-6)
    assert 2.3 + slope * late - reach(late) == pytest.approx(4.0, abs=0.02)  # looked for in tenths of a month
    assert early < at.leaves_months < late


def few(values, expanded, unit="N·m", spread_days=365):
    start = dt.date(2020, 1, 1)
    days = [(start + dt.timedelta(days=spread_days * n)).isoformat() for n in range(len(values))]
    history = [result(day, value, expanded=expanded) for day, value in zip(days, values, strict=True)]
    return intervals._by_drift(make_tool(unit=unit), 12, hi.drifts(history))


def test_a_stable_tool_that_is_known_well_enough_is_not_called_due():
    """u0 has no few degrees of freedom: with the fit's t for all, 1.3 % would have reached 4 % at once."""
    made = few([-0.6, -0.7, -0.65, -0.7], expanded=2.4)
    assert made.months == 24
    assert "may reach" not in made.reason or "after 0.0" not in made.reason


def test_where_the_uncertainty_alone_reaches_the_limit_the_drift_tells_nothing_and_suggests_nothing():
    made = few([-0.6, -0.7, -0.65, -0.7], expanded=4.0)
    assert made.months is None
    for part in ("can tell nothing", "at 40 N·m it stood at −0.70 %", "±3.9 % only (95 %)", "its limit of 4 %"):
        assert part in made.reason
    out = few([0.0, 1.5, 3.1, 4.6], expanded=0.4)
    assert out.months is None
    assert "outside its limit of 4 % at 40 N·m (+4.60 %)" in out.reason


def test_the_drift_speaks_in_the_tools_unit():
    made = few([0.0, 1.0, 2.0, 2.95], expanded=0.4, unit="lbf·ft")
    assert "at 29.5025 lbf·ft it moves" in made.reason  # 40 N·m, NIST SP 811


def test_the_uncertainty_of_a_run_counts_without_its_k(store):
    """k of the procedure is not 2 everywhere."""
    verified(store, "first", "2025-03-04")
    (found,) = hi.tool_history(store, "OCF-014")
    for each in found.points:
        assert each.standard_percent == pytest.approx(each.expanded_percent / 2)
        assert each.dof > 1
    days = ("2020-01-01", "2021-01-01", "2022-01-01", "2023-01-01")
    two = [result(day, 0.9 * n, expanded=0.4) for n, day in enumerate(days)]
    three = [
        dataclasses.replace(run, points=(dataclasses.replace(run.points[0], expanded_percent=0.6),)) for run in two
    ]
    assert hi.drifts(three) == hi.drifts(two)


def test_too_little_history_gives_no_drift():
    assert hi.drifts([]) == []
    assert hi.drifts([result("2020-01-01", 0.0), result("2021-01-01", 1.0)]) == []
    still = [result(f"20{20 + n}-01-01", 0.0) for n in range(4)]
    assert hi.drifts(still)[0].leaves_months is None


def test_an_interval_is_suggested_with_reasons_and_the_custodian_decides(store):
    assert intervals.suggest(store, "OCF-014") == []
    for year, off in ((2022, 0.2), (2023, 1.0), (2024, 1.9), (2025, 2.6)):
        verified(store, f"run-{year}", f"{year}-03-04", off_percent=off)
    made = {each.method: each for each in intervals.suggest(store, "OCF-014")}
    assert set(made) == {"a3", "staircase", "drift"}
    assert "4 of 4" in made["a3"].reason
    assert (made["staircase"].months, made["staircase"].now_months) == (13, 12)  # 12 longer by a tenth, rounded down
    assert 1 <= made["drift"].months <= 24
    assert "from −" in made["drift"].reason or "from -" in made["drift"].reason
    nothing = dataclasses.replace(made["drift"], months=None)
    with pytest.raises(NotAllowedError, match="suggests no interval"):
        intervals.decide_interval(store, nothing, accepted=True, who="custodian", why="because")
    chosen = made["staircase"]
    with pytest.raises(NotAllowedError, match="custodian"):
        intervals.decide_interval(store, chosen, accepted=True, who="fitter 2", why="saves time")
    with pytest.raises(NotAllowedError, match="reason"):
        intervals.decide_interval(store, chosen, accepted=True, who="custodian", why=" ")
    intervals.decide_interval(store, made["drift"], accepted=False, who="custodian", why="one more year first")
    assert store.tool("OCF-014").interval_months is None
    intervals.decide_interval(store, chosen, accepted=True, who="custodian", why="always found good")
    record = store.tool("OCF-014")
    assert record.interval_months == 13
    assert record.due == dt.date(2026, 4, 4)
    with pytest.raises(ChangedMeanwhileError):
        intervals.decide_interval(store, chosen, accepted=True, who="custodian", why="again")
    # what was taken is no new result: no method goes on from it until the next run
    again = {each.method: each for each in intervals.suggest(store, "OCF-014")}
    assert {method: each.months for method, each in again.items()} == {m: each.months for m, each in made.items()}
    assert {each.now_months for each in again.values()} == {13}
    decided = intervals.decisions(store, "OCF-014")
    told = [(each.accepted, each.method, each.months, each.before, each.why) for each in decided]
    assert told == [
        (False, "drift", made["drift"].months, 12, "one more year first"),
        (True, "staircase", 13, 12, "always found good"),
    ]
    bodies = b"".join(entry.body for entry in store.entries("OCF-014"))
    assert b"interval accepted" in bodies
    assert b"interval not accepted" in bodies
    verified(store, "run-2026", "2026-04-04", off_percent=2.6)
    after = next(each for each in intervals.suggest(store, "OCF-014") if each.method == "staircase")
    assert (after.months, after.now_months) == (14, 13)
    assert store.check().holds
    with pytest.raises(NotAllowedError, match="no tool"):
        intervals.suggest(store, "none")
    with pytest.raises(NotAllowedError, match="no tool"):
        intervals.decide_interval(
            store, dataclasses.replace(chosen, tool="none"), accepted=True, who="custodian", why="because"
        )


def test_an_interval_that_was_taken_holds_against_the_chain_and_one_stretched_behind_it_does_not(store):
    # The check called every tool of the Rack whose suggestion had been taken damaged.
    store.save_tool(store.tool("OCF-014"), who="custodian")
    changed = dataclasses.replace(store.tool("OCF-014"), interval_months=12)
    store.save_tool(changed, who="custodian")
    verified(store, "run-1", "2026-03-04")
    chosen = next(each for each in intervals.suggest(store, "OCF-014") if each.method == "staircase")
    intervals.decide_interval(store, chosen, accepted=True, who="custodian", why="always found good")
    assert store.tool("OCF-014").interval_months == 13
    assert store.check().holds
    chosen = next(each for each in intervals.suggest(store, "OCF-014") if each.method == "a3")
    intervals.decide_interval(store, chosen, accepted=False, who="custodian", why="it hangs outside")
    assert store.check().holds
    with store._db.writing_raw() as raw:
        raw.execute("UPDATE tools SET interval_months = 24 WHERE number = 'OCF-014'")
    found = store.check()
    assert not found.holds
    assert "interval_months" in str(found)


def test_the_share_by_user_goes_by_the_log_of_jobs(store):
    verified(store, "one", "2026-01-10")
    store.log_job(JobEntry("OCF-014", "gear", "fitter 3", "2026-02-01T10:00:00+01:00", 4))
    verified(store, "two", "2026-03-10", off_percent=8.0)
    shares = {share.group: (share.n, share.n_within) for share in fl.fleet(store, fl.GroupBy.USER)}
    assert shares == {"": (1, 1), "fitter 3": (1, 0)}


def test_the_user_of_a_tool_is_who_had_it_most_often_since_the_run_before():
    uses = [(1.0, "fitter 1"), (2.0, "fitter 2"), (3.0, "fitter 2"), (4.0, "fitter 1"), (9.0, "fitter 3")]
    assert fl._user_of(uses, 1.0, 4.0) == "fitter 2"
    assert fl._user_of(uses, -math.inf, 2.0) == "fitter 1"  # as often as the other, first by name
    assert fl._user_of(uses, 4.0, 8.0) == ""
