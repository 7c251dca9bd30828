"""Two windows on one store: each finishes its own run, neither takes the other's, one chain comes of it."""

from __future__ import annotations

import dataclasses
import datetime as dt
import os
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from benchapp.records import ChangedMeanwhileError, RunTakenError, Store, ToolState, backup
from benchapp.records import _claims as claims_module
from benchapp.records._claims import Claims
from benchapp.runs.model import RunState

from .conftest import make_pull, make_run, make_tool, make_trace, pull_all


def test_one_number_has_one_holder_whichever_threads_ask(tmp_path, monkeypatch):
    opened = []
    really = os.open

    def counted(path, *rest):
        opened.append(path)
        return really(path, *rest)

    monkeypatch.setattr(claims_module.os, "open", counted)
    windows = [Claims(tmp_path / "claims") for _ in range(2)]
    together = threading.Barrier(8)

    def ask(index: int) -> list[bool]:
        together.wait()
        return [windows[index % 2].take(number) for number in range(1, 200)]

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(ask, range(8)))
    for number in range(199):
        first = {answers[index][number] for index in range(0, 8, 2)}
        second = {answers[index][number] for index in range(1, 8, 2)}
        assert (first, second) in (({True}, {False}), ({False}, {True})), number + 1
    assert len(opened) == 2  # one handle a window: a second one would never be closed
    windows[0].close()
    assert all(windows[1].take(number) for number in range(1, 200))
    windows[1].close()


OTHER = """
import dataclasses, sys
sys.path.insert(0, {tests!r})
from conftest import *
with Store.open({path!r}, demo=False, clock=Clock(START + dt.timedelta(hours=1))) as store:
    assert store.open_run() is None, "took up a run that another window works on"
    for index in range({n}):
        run = pull_all(store, make_run(f"other-{{index}}", tool=make_tool("OCF-020")), n_samples=120)
        store.seal(run)
        store.add_remark(f"other-{{index}}", "from the other window", who="fitter 3")
print("done")
"""


def test_two_processes_work_side_by_side_and_one_chain_comes_of_it(store: Store, path: Path, tmp_path: Path, clock):
    under_way = make_run("mine")
    store.begin_run(under_way)
    code = OTHER.format(tests=str(Path(__file__).parent), path=str(path), n=6)
    other = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    n_pulls = n_copies = 0
    try:
        while other.poll() is None and n_pulls < 3000:
            n_pulls += 1
            pull = make_pull(n_pulls, 0, 8.0)
            under_way = dataclasses.replace(under_way, pulls=(*under_way.pulls, pull)[-12:])
            store.store_pull(under_way, pull, make_trace(200, seed=n_pulls))
            if n_copies < 2:
                backup.make(path, now=store.now(), target=tmp_path / f"copy-{n_copies}.sqlite")
                n_copies += 1
        out, err = other.communicate(timeout=60)
    finally:
        other.kill()
        other.wait()
    assert (out.strip(), err) == ("done", "")
    kept = store.run("mine")
    assert kept is not None
    clock.now += dt.timedelta(hours=2)
    assert [pull.number for pull in kept.pulls] == list(range(1, n_pulls + 1))  # none lost, also those not named again
    store.seal(dataclasses.replace(kept, state=RunState.LEFT, left_reason="end of the test"))
    result = store.check()
    assert result.findings == ()
    assert result.n_entries >= 13
    assert {line.run_id for line in store.runs()} == {"mine", *(f"other-{index}" for index in range(6))}
    assert all(backup.problem_of(tmp_path / f"copy-{index}.sqlite") == "" for index in range(n_copies))


def test_what_one_window_seals_or_quarantines_the_other_sees_and_does_not_undo(store, open_store):
    other = open_store()
    record = other.tool("OCF-014")
    run = pull_all(store, make_run("run-1"), off_percent=6.0)
    with pytest.raises(RunTakenError, match="in another window"):
        other.save_run(run)
    store.seal(run)
    assert other.tool("OCF-014").state is ToolState.QUARANTINED
    assert record.state is ToolState.IN_SERVICE  # what it read before is what it read before
    with pytest.raises(ChangedMeanwhileError):
        other.save_tool(record)
    assert store.tool("OCF-014").state is ToolState.QUARANTINED
    assert other.head() == store.head()
    assert other.check(against=store.head()).holds


def test_both_windows_change_different_tools_at_once(store, open_store):
    other = open_store()

    def save(index: int) -> None:
        mine = (store, other)[index % 2]
        mine.save_tool(dataclasses.replace(record, tool=make_tool(f"OCF-{100 + index}")))

    record = store.tool("OCF-014")
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(save, range(24)))
    assert len(store.tools(limit=100)) == 25
    assert store.check().holds
