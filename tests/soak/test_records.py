"""The faults of the records in full: 200 kills, 500 turned bytes, 50 full disks.

Run: `pytest tests/soak/test_records.py -s`.
"""

from __future__ import annotations

import importlib.util
import os
import random
import sys
import time
from pathlib import Path

import pytest

RECORDS = Path(__file__).parents[1] / "records"


def _load(name: str):
    """A module of tests/records as part of that package, whichever way this file was collected."""
    if "records_tests" not in sys.modules:
        spec = importlib.util.spec_from_file_location(
            "records_tests", RECORDS / "__init__.py", submodule_search_locations=[str(RECORDS)]
        )
        package = importlib.util.module_from_spec(spec)
        sys.modules["records_tests"] = package
        spec.loader.exec_module(package)
    return importlib.import_module(f"records_tests.{name}")


SEED = int(os.environ.get("SEED", time.time_ns() % 2**32))


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_two_hundred_kills(tmp_path):
    n = _load("faults").kill_at_random_moments(tmp_path / "records.sqlite", 200, SEED)
    print(f"\nseed {SEED}: 200 kills, {n} acknowledgements, none lost")


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_five_hundred_turned_bytes(tmp_path):
    samples, chain = _load("conftest"), _load("test_chain")
    path = tmp_path / "records.sqlite"
    with samples.Store.open(path, demo=False, clock=samples.Clock()) as store:
        samples.furnish(store)
        for index in range(3):
            samples.sealed_run(store, f"run-{index}", off_percent=6.0 if index == 1 else 1.0)
        store.release("run-0", who="fitter 3")
        store.void("run-2", "wrong tool", who="custodian")
    chain.check_flips(path, tmp_path, 250, SEED)
    shop = tmp_path / "shop.sqlite"  # with uses, lists, a passphrase, a work list and daily checks besides
    _load("test_followed").make_shop(shop)
    chain.check_flips(shop, tmp_path, 250, SEED + 1)
    print(f"\nseed {SEED}: 500 turned bytes, every one found")


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_fifty_full_disks(tmp_path):
    samples, faults, full = _load("conftest"), _load("faults"), _load("test_faults")
    rng, n_pulls = random.Random(SEED), 0
    for index in range(50):
        disk = tmp_path / f"disk-{index}"
        disk.mkdir()
        if not faults.small_disk(disk, rng.randrange(2400, 3600)):
            pytest.skip("no leave to mount a small tmpfs")
        try:
            (disk / "ballast").write_bytes(b"x" * full.ROOM_TO_SEAL_BYTES)
            with samples.Store.open(disk / "records.sqlite", demo=False, clock=samples.Clock()) as store:
                samples.furnish(store)
                run, number = full.fill(store)
                (disk / "ballast").unlink()
                full.go_on(store, run, number)
            with samples.Store.open(disk / "records.sqlite", demo=False) as store:
                assert store.check().holds, f"seed {SEED}, disk {index}"
            n_pulls += number
        finally:
            faults.unmount(disk)
    print(f"\nseed {SEED}: 50 full disks, {n_pulls} pulls, none lost, each told and gone on")
