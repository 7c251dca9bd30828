"""Plug pulled, disk full: nothing that was acknowledged is lost, nothing half stands, and work goes on."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from benchapp.records import Store, StoreFullError
from benchapp.runs.model import RunState

from .conftest import Clock, furnish, make_pull, make_run, make_trace
from .faults import kill_at_random_moments, small_disk, unmount

ROOM_TO_SEAL_BYTES = 1_400_000
"""What is made free on a full disk: sealing takes a run's traces over, so it needs about as much as its pulls did."""


def test_kill_at_twenty_random_moments_loses_nothing(tmp_path):
    n = kill_at_random_moments(tmp_path / "records.sqlite", 20, seed=20260304)
    assert n > 40


def fill(store: Store) -> tuple[object, int]:
    """Pull until the disk is full; returns the run as acknowledged and the number of pulls tried."""
    run = make_run()
    store.begin_run(run)
    for number in range(1, 2000):
        pull = make_pull(number, 0, 8.0)
        after = dataclasses.replace(run, pulls=(*run.pulls, pull))
        try:
            store.store_pull(after, pull, make_trace(2000, seed=number))
        except StoreFullError as full:
            error = full
            break
        run = after
    else:
        pytest.fail("the disk never filled up")
    assert "No space left" in str(error)
    assert error.path == store.path
    return run, number


def go_on(store: Store, run, number: int) -> None:
    assert store.run("run-1") == run  # what was acknowledged, and nothing of the pull that failed
    pull = make_pull(number, 0, 8.0)
    run = dataclasses.replace(run, pulls=(*run.pulls, pull))
    store.store_pull(run, pull, make_trace(2000, seed=number))
    store.seal(dataclasses.replace(run, state=RunState.LEFT, left_reason="end of the test"))
    assert store.check().holds
    assert len(store.run("run-1").pulls) == number


def test_a_full_disk_is_told_loses_nothing_and_work_goes_on_when_there_is_space(tmp_path):
    disk = tmp_path / "disk"
    disk.mkdir()
    if not small_disk(disk, 3000):
        pytest.skip("no leave to mount a small tmpfs; the limit on pages below stands in for it")
    try:
        ballast = disk / "ballast"
        ballast.write_bytes(b"x" * ROOM_TO_SEAL_BYTES)
        with Store.open(disk / "records.sqlite", demo=False, clock=Clock()) as store:
            furnish(store)
            run, number = fill(store)
            assert number > 10
            ballast.unlink()
            go_on(store, run, number)
        with Store.open(disk / "records.sqlite", demo=False) as store:
            assert store.check().holds
    finally:
        unmount(disk)


def test_a_file_that_may_not_grow_is_told_loses_nothing_and_work_goes_on(tmp_path: Path):
    with Store.open(tmp_path / "records.sqlite", demo=False, clock=Clock()) as store:
        furnish(store)
        store._db.raw.execute("PRAGMA max_page_count = 200")
        run, number = fill(store)
        store._db.raw.execute("PRAGMA max_page_count = 100000")
        go_on(store, run, number)
