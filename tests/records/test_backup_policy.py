"""One automatic copy a day, so many are kept, and at start the newest good one is offered."""

from __future__ import annotations

import datetime as dt

import pytest

from benchapp.records import StoreError, backup

from .conftest import START


def days_of(path):
    return sorted(copy.name[5:13] for copy in backup.folder_of(path).glob("auto-*.sqlite"))


def test_one_copy_a_day_and_so_many_are_kept(store, path):
    for day in range(6):
        now = START + dt.timedelta(days=day)
        assert backup.make_daily(path, now=now, keep=4) is not None
        assert backup.make_daily(path, now=now + dt.timedelta(hours=2), keep=4) is None
    assert days_of(path) == ["20260306", "20260307", "20260308", "20260309"]


def test_a_copy_that_is_no_longer_good_does_not_count_as_the_days(store, path):
    backup.make_daily(path, now=START).write_bytes(b"damaged")
    fresh = backup.make_daily(path, now=START + dt.timedelta(hours=1))
    assert fresh is not None
    assert backup.newest_good(path) == fresh


def test_a_clock_that_ran_ahead_does_not_cost_the_new_copies(store, path):
    for day in range(3):
        backup.make_daily(path, now=START.replace(year=2036) + dt.timedelta(days=day), keep=3)
    fresh = backup.make_daily(path, now=START, keep=3)  # set right again
    assert fresh.exists()
    assert len(days_of(path)) == 3


def test_a_damaged_store_makes_no_copy_and_costs_none(store, path):
    good = backup.make_daily(path, now=START, keep=1)
    store.close()
    data = bytearray(path.read_bytes())
    data[4096 : 4096 * 3] = b"\x5a" * 8192
    path.write_bytes(data)
    with pytest.raises(StoreError):
        backup.make_daily(path, now=START + dt.timedelta(days=1), keep=1)
    assert good.exists()
    assert backup.problem_of(path)
    assert backup.newest_good(path) == good


def test_of_a_store_that_is_not_there_yet_no_copy_is_made_and_none_offered(tmp_path):
    assert backup.make_daily(tmp_path / "new.sqlite", now=START) is None
    assert backup.newest_good(tmp_path / "new.sqlite") is None
