"""One stable tool pulled each morning: charted, and when it is out nothing else is pulled until somebody looked."""

from __future__ import annotations

import dataclasses
import datetime as dt
import io

import numpy as np
import pytest

from benchapp.records import NotAllowedError, Outcome
from benchapp.records import check_standard as cs
from benchapp.records.exchange import from_json, to_json
from benchapp.runs.model import Run, RunState
from benchapp.torque.direction import Direction

from .conftest import make_run, make_tool, pull_all

WAY = Direction.CLOCKWISE
SETUP = cs.Setup("REF-1", "OCF-090", 24.0, "N·m", WAY, "2026-01-01T00:00:00+00:00", "custodian", "stable")

# NIST/SEMATECH e-Handbook 6.3.2.2 (individuals, its ten values) and 6.3.2.4 (EWMA, its twenty), as printed there
INDIVIDUALS = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def values(*numbers: float, looked: tuple[int, ...] = ()) -> list[cs.Value]:
    return [
        cs.Value(i + 1, f"2026-01-{i + 1:02d}T07:00:00+00:00", x, "fitter 1", f"run-{i}", "custodian" * (i in looked))
        for i, x in enumerate(numbers)
    ]


def checked(store, run_id: str, off_percent: float, at: str, number: str = "OCF-090") -> Run:
    run = make_run(run_id, tool=make_tool(number), started=at)
    run = pull_all(store, run, off_percent=off_percent, n_samples=20)
    store.seal(dataclasses.replace(run, finished=at))
    return run


@pytest.fixture
def shop(store, clock):
    """A store whose REF-1 is checked with OCF-090 at 24 N·m, ten mornings long."""
    store.save_tool(dataclasses.replace(store.tool("OCF-014"), tool=make_tool("OCF-090")))
    clock.now = dt.datetime(2026, 5, 1, tzinfo=dt.UTC)
    cs.set_standard(store, "REF-1", "OCF-090", 24.0, WAY, who="custodian", why="kept in a box, never used")
    rng = np.random.default_rng(1)
    for day in range(cs.LEAST):
        clock.now = dt.datetime(2026, 5, 2 + day, 7, tzinfo=dt.UTC)
        checked(store, f"check-{day}", float(rng.normal(0.3, 0.1)), clock.now.isoformat())
    return store


def test_limits_are_those_of_the_handbook():
    standing = cs.charted(SETUP, values(*INDIVIDUALS))
    # e-Handbook 6.3.2.2 prints 55.8041 and 45.8159 around 50.81
    assert standing.limits == pytest.approx((45.8159, 55.8041), abs=5e-5)
    assert standing.centre_percent == pytest.approx(50.81)
    # 6.3.2.4: reach 3 · s · √(0.3 / 1.7); the handbook's s of 2.0539 gives 52.5884 − 50
    s = (standing.limits[1] - standing.centre_percent) / 3
    reach = standing.average_limits[1] - standing.centre_percent
    assert reach / s * 2.0539 == pytest.approx(2.5884, abs=5e-5)


def test_the_moving_average_is_that_of_the_handbook():
    # 6.3.2.4 begins at the centre 50 with 52.0 and 47.0: z = 50.6, 49.52
    start = [50.0 + side for side in (1.0, -1.0) * (cs.BASELINE // 2)]
    standing = cs.charted(SETUP, values(*start, 52.0, 47.0))
    first, second = standing.points[-2:]
    assert (first.average_limits[0] + first.average_limits[1]) / 2 == pytest.approx(50.0)
    before = standing.points[-3].average_percent
    assert first.average_percent == pytest.approx(0.3 * 52.0 + 0.7 * before)
    assert second.average_percent == pytest.approx(0.3 * 47.0 + 0.7 * first.average_percent)


def test_a_value_is_judged_by_the_ones_before_it_and_never_moves_its_own_limits():
    steady = [0.0, 0.1] * (cs.LEAST // 2)
    out = cs.charted(SETUP, values(*steady, 5.0, 0.05))
    assert out.points[cs.LEAST - 1].limits is None
    assert out.points[cs.LEAST].is_out
    assert out.points[cs.LEAST + 1].limits == out.points[cs.LEAST].limits  # what is out makes no limits
    assert out.stopped_by is out.points[cs.LEAST]


def test_limits_stay_after_the_first_twenty():
    rng = np.random.default_rng(3)
    first = rng.normal(0.0, 0.1, cs.BASELINE)
    calm = cs.charted(SETUP, values(*first))
    more = cs.charted(SETUP, values(*first, *rng.normal(0.0, 0.05, 5)))
    assert more.limits == calm.limits
    assert more.n_baseline == cs.BASELINE


def test_values_that_do_not_differ_make_no_limits():
    assert cs.charted(SETUP, values(*[0.2] * 15)).limits is None


def test_a_slow_creep_shows_in_the_average_before_a_single_value_is_out():
    rng = np.random.default_rng(5)
    calm = list(rng.normal(0.0, 0.1, cs.BASELINE))
    standing = cs.charted(SETUP, values(*calm, *(0.2 for _ in range(12))))
    assert not any(point.is_out for point in standing.points)
    assert standing.stopped_by is not None
    assert standing.stopped_by.average_is_out
    assert "moving average" in standing.refusal()


def test_after_a_custodian_looked_the_average_begins_anew():
    steady = [0.0, 0.1] * (cs.BASELINE // 2)
    seen = cs.charted(SETUP, values(*steady, 5.0, 0.05, looked=(cs.BASELINE,)))
    assert seen.stopped_by is None
    assert seen.points[-1].average_percent == pytest.approx(0.05)
    unseen = cs.charted(SETUP, values(*steady, 5.0, 0.05))
    assert unseen.points[-1].average_is_out


def test_a_sealed_check_becomes_a_value_by_itself(shop):
    found = cs.standing(shop, "REF-1")
    assert len(found.points) == cs.LEAST
    run = shop.run("check-0")
    deviations = [p.deviation_percent for p in run.pulls if p.checkpoint_index == 1]
    assert found.points[0].value.value_percent == pytest.approx(np.mean(deviations))
    assert found.points[0].value.run_id == "check-0"
    assert found.limits[0] < -0.3 < found.limits[1]  # a tool that delivers 0.3 % more deviates by −0.3 %


def test_out_of_limits_stops_every_other_tool_with_that_reference_until_a_custodian_looked(shop, clock):
    clock.now = dt.datetime(2026, 6, 1, 7, tzinfo=dt.UTC)
    checked(shop, "moved", 2.5, clock.now.isoformat())
    said = cs.refusal(shop, "REF-1", "OCF-014")
    assert "REF-1 is stopped" in said
    assert "−2.44 %" in said  # 24 N·m against 24.6
    assert "custodian" in said
    with pytest.raises(NotAllowedError, match="stopped"):
        shop.begin_run(make_run("refused"))
    assert shop.summary("refused") is None
    assert cs.refusal(shop, "REF-2", "OCF-014") == ""
    assert cs.refusal(shop, "REF-1", "OCF-090") == ""  # it may be pulled again
    stopping = cs.standing(shop, "REF-1").stopped_by
    with pytest.raises(NotAllowedError, match="custodian"):
        cs.look_at(shop, stopping.value.key, who="fitter 2", why="looks fine")
    with pytest.raises(NotAllowedError):
        cs.look_at(shop, stopping.value.key, who="custodian", why=" ")
    cs.look_at(shop, stopping.value.key, who="custodian", why="the drive was not seated; seated and pulled again")
    assert cs.refusal(shop, "REF-1", "OCF-014") == ""
    shop.begin_run(make_run("allowed"))
    with pytest.raises(NotAllowedError, match="before"):
        cs.look_at(shop, stopping.value.key, who="custodian", why="again")
    told = [entry for entry in shop.entries("check-standard:REF-1") if b"looked at" in entry.body]
    assert [entry.who for entry in told] == ["custodian"]
    assert shop.check().holds


def test_what_a_record_says_of_the_check(shop):
    found = cs.standing(shop, "REF-1")
    assert "within" in found.sentence(dt.date(2026, 5, 11)) or "number 10" in found.sentence(dt.date(2026, 5, 11))
    assert "not pulled on this day" in found.sentence(dt.date(2026, 5, 12))


def test_the_check_pulled_again_after_one_that_is_out_says_who_looked_or_that_nobody_did():
    steady = [0.0, 0.1] * (cs.LEAST // 2)
    day = dt.date(2026, 1, cs.LEAST + 1)
    nobody = cs.charted(SETUP, values(*steady, 5.0)).sentence(day)
    assert nobody.endswith("+5.00 % on 2026-01-11 07:00, out of limits; not looked at yet.")
    seen = cs.charted(SETUP, values(*steady, 5.0, looked=(cs.LEAST,))).sentence(day)
    assert "out of limits; custodian looked at it: " in seen


def test_a_void_check_and_one_at_another_torque_do_not_count(shop, clock):
    clock.now = dt.datetime(2026, 6, 1, 7, tzinfo=dt.UTC)
    checked(shop, "moved", 2.5, clock.now.isoformat())
    shop.void("moved", "another tool was on the drive", who="custodian")
    assert cs.refusal(shop, "REF-1", "OCF-014") == ""
    cs.set_standard(shop, "REF-1", "OCF-090", 20.0, WAY, who="custodian", why="another torque")
    checked(shop, "elsewhere", 0.3, "2026-06-02T07:00:00+00:00")
    assert cs.standing(shop, "REF-1").points == ()


def test_left_runs_and_other_tools_give_no_value(shop, clock):
    clock.now = dt.datetime(2026, 6, 1, 7, tzinfo=dt.UTC)
    checked(shop, "other tool", 0.3, clock.now.isoformat(), "OCF-014")
    run = pull_all(shop, make_run("left", tool=make_tool("OCF-090")), n_samples=20)
    shop.seal(dataclasses.replace(run, state=RunState.LEFT), outcome=Outcome.LEFT)
    assert len(cs.standing(shop, "REF-1").points) == cs.LEAST


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"who": "fitter 2"}, "custodian"),
        ({"why": ""}, "reason"),
        ({"standard": "OCF-999"}, "no tool OCF-999"),
        ({"reference": "REF-9"}, "no reference REF-9"),
        ({"target": 60.0}, "outside"),
        ({"direction": Direction.ANTICLOCKWISE}, "does not work"),
    ],
)
def test_what_cannot_be_agreed_on_is_refused_with_numbers(shop, fields, said):
    asked = {
        "reference": "REF-1",
        "standard": "OCF-090",
        "target": 24.0,
        "direction": WAY,
        "who": "custodian",
        "why": "stable",
    }
    with pytest.raises(NotAllowedError, match=said):
        cs.set_standard(shop, **{**asked, **fields})


def test_without_a_check_standard_nothing_is_stopped(store):
    assert cs.standing(store, "REF-1") is None
    assert cs.refusal(store, "REF-1", "OCF-014") == ""
    store.begin_run(make_run("free"))


def test_an_import_brings_the_checks_back(shop, clock, open_store, tmp_path):
    clock.now = dt.datetime(2026, 6, 1, 7, tzinfo=dt.UTC)
    checked(shop, "moved", 2.5, clock.now.isoformat())
    cs.look_at(shop, cs.standing(shop, "REF-1").stopped_by.value.key, who="custodian", why="not seated")
    out = io.StringIO()
    to_json(shop, out)
    other = open_store(tmp_path / "other.sqlite")
    from_json(other, out.getvalue().encode())
    assert cs.standing(other, "REF-1") == cs.standing(shop, "REF-1")


def test_an_ended_check_standard_stops_nothing(shop):
    cs.end_standard(shop, "REF-1", who="custodian", why="the tool broke")
    assert cs.setup_of(shop, "REF-1") is None
    assert cs.setups(shop) == []
