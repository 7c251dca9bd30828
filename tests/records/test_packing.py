"""What is written with every pull: made ready elsewhere, and only what changed."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import sqlite3

import pytest

from benchapp.records import SealedError, shown
from benchapp.records._under_way import UnderWay
from benchapp.records.packing import packed, text_of
from benchapp.runs.codec import CodecError, to_data
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


def test_a_packed_pull_holds_what_is_shown_and_the_bytes_that_are_hashed():
    run, pull, trace = make_run(), make_pull(3, 1, 24.0), make_trace(300)
    ready = packed(run, pull, trace)
    assert tuple(shown.pull_columns(run, pull)) == shown.PULL_COLUMNS
    assert ready.row == (*shown.pull_columns(run, pull).values(), text_of(pull))
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

    monkeypatch.setattr(UnderWay, "write_trace", fail)
    with pytest.raises(Exception, match="the disk went away"):
        store.store_pull(after, pull, trace)
    assert store.run("run-1") == run
    monkeypatch.undo()
    store.store_pull(after, pull, trace)
    assert store.run("run-1") == after
    assert store._db.raw.execute("SELECT state FROM runs").fetchone() == (RunState.PULL.value,)


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
