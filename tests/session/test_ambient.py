"""A run gets its temperatures from a thermometer, says so, and what was typed stands."""

import pytest

from benchapp.runs.codec import run_from_data, run_to_data
from benchapp.session.link import AmbientReading

OURS = "thermometer: OCF-T1"


class Thermometer:
    """Says what the test puts in."""

    def __init__(self):
        self.air = None

    def __call__(self):
        return self.air


@pytest.fixture
def thermometer():
    return Thermometer()


@pytest.fixture
def bench(store, another_bench, thermometer):
    return another_bench(store, ambient=thermometer)


def test_a_run_gets_start_and_end_from_the_thermometer_and_the_record_says_so(bench, store, plan_of, thermometer):
    thermometer.air = AmbientReading(21.4, 48.0, "OCF-T1")
    bench.session.start_run(plan_of())
    run = bench.until(lambda v: v.run is not None).run
    assert run.ambient == {"start_c": 21.4, "humidity_percent": 48.0}
    thermometer.air = AmbientReading(22.1, 47.0, "OCF-T1")
    run = bench.walk("verdict").run
    assert run.ambient == {"start_c": 21.4, "end_c": 22.1, "humidity_percent": 48.0}  # the greater humidity
    assert run.ambient_from == dict.fromkeys(run.ambient, OURS)
    assert bench.view.verdict.judgement.ambient_notes == ()
    bench.go()
    bench.until(lambda v: store.seals)
    assert store.seals[-1].ambient_from == run.ambient_from
    assert run_from_data(run_to_data(run)) == run


def test_what_was_typed_stands(bench, plan_of, thermometer):
    thermometer.air = AmbientReading(21.4, 48.0, "OCF-T1")
    bench.session.start_run(plan_of())
    bench.session.set_ambient("start_c", 20.5)
    bench.session.set_ambient("end_c", 20.75)
    run = bench.walk("verdict").run
    assert run.ambient == {"start_c": 20.5, "end_c": 20.75, "humidity_percent": 48.0}
    assert run.ambient_from == {"start_c": "typed", "end_c": "typed", "humidity_percent": OURS}
    bench.session.set_ambient("humidity_percent", 51.0)
    assert bench.view.run.ambient_from["humidity_percent"] == "typed"


def test_a_thermometer_that_says_nothing_leaves_the_fields_empty(bench, plan_of):
    bench.session.start_run(plan_of())
    run = bench.walk("verdict").run
    assert (run.ambient, run.ambient_from) == ({}, {})
    assert "temperature-missing" in [note.key for note in bench.view.verdict.judgement.ambient_notes]


def test_a_thermometer_that_speaks_later_is_taken_when_it_does_and_the_record_says_so(bench, plan_of, thermometer):
    bench.session.start_run(plan_of())
    bench.walk("pull")
    thermometer.air = AmbientReading(21.4, None, "OCF-T1")
    bench.until(lambda v: "start_c" in v.run.ambient)  # by itself, whoever does something or not
    thermometer.air = None
    run = bench.walk("verdict").run
    assert (run.ambient, run.ambient_from) == ({"start_c": 21.4}, {"start_c": OURS})
    assert [said for _, said in run.remarks if "late" in said] == [
        "temperature at the start noted late: no thermometer spoke before"
    ]
    thermometer.air = AmbientReading(21.9, 44.0, "OCF-T1")
    run = bench.until(lambda v: "end_c" in v.run.ambient).run
    assert run.ambient == {"start_c": 21.4, "end_c": 21.9, "humidity_percent": 44.0}
    assert run.remarks[-1][1] == "temperature at the end noted late: no thermometer spoke before"


def test_before_anybody_has_pulled_it_is_not_late(bench, plan_of, thermometer):
    bench.session.start_run(plan_of())
    thermometer.air = AmbientReading(21.4, None, "OCF-T1")
    run = bench.until(lambda v: v.run is not None and "start_c" in v.run.ambient).run
    assert not [said for _, said in run.remarks if "late" in said]


def test_at_the_verdict_no_start_temperature_is_made_up(bench, plan_of, thermometer):
    bench.session.start_run(plan_of())
    bench.walk("verdict")
    thermometer.air = AmbientReading(21.4, None, "OCF-T1")
    assert bench.until(lambda v: "end_c" in v.run.ambient).run.ambient == {"end_c": 21.4}
    assert "temperature-missing" in [note.key for note in bench.view.verdict.judgement.ambient_notes]


def test_a_run_taken_up_again_at_its_verdict_gets_its_end_temperature(store, another_bench, plan_of, thermometer):
    first = another_bench(store)
    first.session.start_run(plan_of())
    store.found = first.walk("verdict").run
    first.session.close()
    thermometer.air = AmbientReading(21.4, 48.0, "OCF-T1")
    second = another_bench(store, ambient=thermometer)
    second.session.take_up()
    run = second.until(lambda v: v.run is not None and "end_c" in v.run.ambient).run
    assert run.ambient == {"end_c": 21.4, "humidity_percent": 48.0}
    assert second.until(lambda v: v.verdict is not None).verdict.judgement is not None


def test_a_run_of_before_there_were_thermometers_reads_as_typed(bench, plan_of):
    bench.session.start_run(plan_of())
    data = run_to_data(bench.until(lambda v: v.run is not None).run)
    del data["ambient_from"]
    assert run_from_data(data).ambient_from == {}
