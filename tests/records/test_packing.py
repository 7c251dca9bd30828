"""What is written with every pull: made ready elsewhere, and only what changed."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import random
import sqlite3

import pytest

from benchapp.records import SealedError
from benchapp.records._under_way import UnderWay
from benchapp.records.packing import packed, text_of
from benchapp.runs.codec import CodecError, run_to_data, to_data
from benchapp.runs.model import Hold, RunState
from benchapp.torque import trace_codec

from .conftest import make_pull, make_run, make_trace


def test_a_text_is_what_the_codec_makes_of_it():
    run = dataclasses.replace(
        make_run(),
        pulls=(make_pull(1, None, 40.0), make_pull(2, 0, 8.0)),
        holds=frozenset({Hold.OVERLOAD, Hold.LINK}),
        ambient={"start_c": 21.5},
    )
    for value in (run, run.plan, *run.pulls, run.zeros, run.holds, run.ambient, "Fähre \u2028", None, 1, 0.1 + 0.2):
        written = json.dumps(to_data(value), ensure_ascii=False, separators=(",", ":"))
        assert text_of(value) == written


@pytest.mark.parametrize("wrong", [float("nan"), float("inf")])
def test_a_number_that_is_none_is_refused_with_its_place(wrong):
    pull = make_pull(1, 0, 8.0)
    pull = dataclasses.replace(pull, pull=dataclasses.replace(pull.pull, peak=wrong))
    with pytest.raises(CodecError, match=r"CapturedPull\.pull\.peak"):
        packed(make_run(), pull, make_trace(50))


def test_a_packed_pull_holds_where_the_run_stands_and_the_bytes_that_are_hashed():
    run, pull, trace = make_run(), make_pull(3, 1, 24.0), make_trace(300)
    ready = packed(run, pull, trace)
    assert ready.run is run
    assert json.loads(ready.state) | {"plan": to_data(run.plan), "pulls": []} == run_to_data(run)
    assert json.loads(ready.data) == to_data(pull)
    assert ready.blob == trace_codec.encode(trace)
    assert ready.sha256 == hashlib.sha256(ready.blob).hexdigest()
    assert (ready.n_samples, ready.source) == (300, trace.source)


def test_packed_or_not_the_same_is_stored(store):
    run = make_run()
    store.begin_run(run)
    for number, is_packed in enumerate((True, False), start=1):
        pull, trace = make_pull(number, 0, 8.0), make_trace(200)
        run = dataclasses.replace(run, pulls=(*run.pulls, pull))
        store.store_pull(run, pull, packed(run, pull, trace) if is_packed else trace)
    assert store.run("run-1") == run
    assert store.trace_bytes("run-1", 1) == store.trace_bytes("run-1", 2)
    # what a pull became since it was packed is what is stored
    later = dataclasses.replace(run.pulls[0], set_aside="slipped", set_aside_by="fitter 2")
    again = dataclasses.replace(run, pulls=(later, run.pulls[1]))
    store.store_pull(again, run.pulls[0], packed(run, run.pulls[0], make_trace(200)))
    assert store.run("run-1") == again


def test_a_value_changed_in_place_is_written_too(store):
    run = dataclasses.replace(make_run(), ambient={"start_c": 21.5})
    store.begin_run(run)
    run.ambient["end_c"] = 22.0
    store.save_run(run)
    assert store.run("run-1").ambient == {"start_c": 21.5, "end_c": 22.0}


def test_what_was_undone_is_written_again(store, monkeypatch):
    """The transaction fails at its very end: nothing of it counts as written."""
    run, pull, trace = make_run(), make_pull(1, None, 40.0), make_trace(100)
    store.begin_run(run)
    after = dataclasses.replace(run, pulls=(pull,), state=RunState.PULL, last_step="2026-03-04T09:14:00+01:00")

    def fail(*_: object) -> None:
        raise sqlite3.OperationalError("the disk went away")

    monkeypatch.setattr(UnderWay, "_put_trace", fail)
    with pytest.raises(Exception, match="the disk went away"):
        store.store_pull(dataclasses.replace(after, finished="2026-03-04T09:15:00+01:00"), pull, trace)
    assert store.run("run-1") == run
    monkeypatch.undo()
    store.store_pull(after, pull, trace)
    assert store.run("run-1") == after
    assert store._db.raw.execute("SELECT finished FROM runs").fetchone() == ("",)


def statements_of(store, work) -> list[str]:
    """What SQLite is told while `work` runs."""
    told: list[str] = []
    store._db.raw.set_trace_callback(told.append)
    try:
        work()
    finally:
        store._db.raw.set_trace_callback(None)
    return told


def test_a_pull_of_a_run_that_goes_on_is_one_statement(store):
    run = make_run()
    store.begin_run(run)
    for number in range(1, 6):
        pull, trace = make_pull(number, 0, 8.0), make_trace(100, seed=number)
        state = RunState.SET_TOOL if number % 2 else RunState.PULL  # goes to and fro, as in a run
        run = dataclasses.replace(run, pulls=(*run.pulls, pull), state=state)
        (told,) = statements_of(store, lambda run=run, pull=pull, trace=trace: store.store_pull(run, pull, trace))
        assert told.startswith("INSERT INTO captured ")
        assert store.run("run-1") == run
        assert store.trace_bytes("run-1", number) == trace_codec.encode(trace)


@pytest.mark.parametrize("seed", range(12))
def test_in_whatever_order_it_is_stored_a_run_comes_back_as_it_stands(store, open_store, seed):
    """Pulls, saves and pulls set aside afterwards, by this window or the next: read back, sealed, and checked."""
    rng = random.Random(seed)
    run = make_run()
    store.begin_run(run)
    mine = store
    traces = {}
    for step in range(25):
        run = dataclasses.replace(run, last_step=f"2026-03-04T09:{step:02}:00+01:00", choice_index=step)
        kind = rng.choice(("pull", "pull", "save", "aside", "again", "window"))
        if kind == "pull":
            number = len(run.pulls) + 1
            pull, traces[number] = make_pull(number, 0, 8.0), make_trace(60, seed=number)
            run = dataclasses.replace(run, pulls=(*run.pulls, pull))
            mine.store_pull(run, pull, traces[number])
        elif kind == "aside" and run.pulls:
            at = rng.randrange(len(run.pulls))
            aside = dataclasses.replace(run.pulls[at], set_aside=f"slipped {step}", set_aside_by="fitter 2")
            run = dataclasses.replace(run, pulls=(*run.pulls[:at], aside, *run.pulls[at + 1 :]))
            mine.save_run(run)
        elif kind == "again" and run.pulls:  # as after an answer that never came
            pull = rng.choice(run.pulls)
            mine.store_pull(run, pull, traces[pull.number])
        elif kind == "window":
            mine.close()
            mine = open_store()
            assert mine.open_run() is not None
            mine.save_run(run)
        else:
            mine.save_run(run)
        assert mine.run("run-1") == run
        told = mine.history(run.plan.tool.number)
        assert [(row.number, row.set_aside) for row in told] == [(p.number, p.set_aside or "") for p in run.pulls]
        assert {n: mine.trace_bytes("run-1", n) for n in traces} == {
            n: trace_codec.encode(t) for n, t in traces.items()
        }
    left = dataclasses.replace(
        run, state=RunState.LEFT, left_reason="the drive was worn", finished="2026-03-04T10:00:00Z"
    )
    mine.seal(left)
    assert mine.run("run-1") == left
    assert mine.history(run.plan.tool.number) == told
    assert {n: mine.trace_bytes("run-1", n) for n in traces} == {n: trace_codec.encode(t) for n, t in traces.items()}
    assert mine.check().findings == ()
    for table in ("captured", "run_states", "run_plans"):
        assert mine._db.raw.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,)


def test_a_run_sealed_by_another_window_meanwhile_is_not_written(store, open_store):
    run = make_run()
    store.begin_run(run)
    store._claims.drop(store._known["run-1"].key)  # as if this window had hung until the other took over
    other = open_store()
    taken = other.open_run()
    other.seal(dataclasses.replace(taken, state=RunState.LEFT, left_reason="taken over"))
    pull = make_pull(1, None, 40.0)
    with pytest.raises(SealedError):
        store.store_pull(dataclasses.replace(run, pulls=(pull,)), pull, make_trace(100))
