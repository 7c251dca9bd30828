"""The store against bare sqlite3 and a raw fdatasync, in one run. `pytest tests/bench/test_store.py -s`.

N_RUNS sets the size (50,000 runs with 20 readings each, as the goal says, is the default; it takes some minutes).
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import importlib.util
import os
import sqlite3
import statistics
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from benchapp.records import Store, ToolRecord, chain, schema
from benchapp.records.canonical import canonical
from benchapp.runs.codec import run_to_data
from benchapp.runs.model import RunPlan, RunState
from benchapp.runs.planning import plan_run
from benchapp.runs.procedure import shipped_procedure
from drivers.samples import Source

SPEC = importlib.util.spec_from_file_location("records_samples", Path(__file__).parents[1] / "records" / "conftest.py")
samples = importlib.util.module_from_spec(SPEC)
sys.modules["records_samples"] = samples
SPEC.loader.exec_module(samples)

N_RUNS = int(os.environ.get("N_RUNS", "50000"))
N_TOOLS = min(2000, N_RUNS)
pytestmark = pytest.mark.timeout(3600)


def cpu_and_wall(work, n: int) -> tuple[float, float]:
    """(CPU ms, wall ms) of one call, mean of n."""
    cpu, wall = time.process_time(), time.perf_counter()
    for index in range(n):
        work(index)
    return (time.process_time() - cpu) / n * 1e3, (time.perf_counter() - wall) / n * 1e3


def best_of(work, rounds: int = 15) -> float:
    """Median CPU ms of one call after a warm-up."""
    work()
    times = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        times.append((time.process_time() - start) * 1e3)
    return statistics.median(times)


def raw_sync_rate(path: Path, n: int = 300) -> float:
    handle = os.open(path, os.O_RDWR | os.O_CREAT)
    block = os.urandom(4096)
    os.pwrite(handle, block, 0)
    os.fdatasync(handle)
    start = time.perf_counter()
    for _ in range(n):
        os.pwrite(handle, block, 0)
        os.fdatasync(handle)
    rate = n / (time.perf_counter() - start)
    os.close(handle)
    return rate


def test_own_work_and_rate_of_a_durable_pull(tmp_path):
    """Goal 15. A run of twenty pulls of 2.5 s at 1 kHz, again and again.

    The ratio says how much of the time is the disk's: it depends on how long one sync takes, so what we add to the bare
    sync is told as well, and the ratio that it gives with the 0.2 ms of the disk on which the goal was set.
    """
    ratios, cpus, bare_ratios, delete_ratios, added = [], [], [], [], []
    trace = dataclasses.replace(samples.make_trace(2500), t_s=np.arange(3217, 5717) / 1000.0)  # as a link dates them
    blob = chain_blob(trace)
    with Store.open(tmp_path / "records.sqlite", demo=False, clock=samples.Clock()) as store:
        bare = sqlite3.connect(tmp_path / "bare.sqlite", isolation_level=None)
        bare.execute("PRAGMA journal_mode = WAL")
        bare.execute("PRAGMA synchronous = FULL")
        bare.execute("CREATE TABLE p (id INTEGER PRIMARY KEY, a, b, c, blob)")
        bare.execute("CREATE INDEX pa ON p (a)")
        delete = sqlite3.connect(tmp_path / "delete.sqlite", isolation_level=None)
        delete.execute("PRAGMA synchronous = FULL")
        delete.execute("CREATE TABLE p (id INTEGER PRIMARY KEY, a, b, c, blob)")
        delete.execute("CREATE INDEX pa ON p (a)")
        for round_index in range(9):
            raw = raw_sync_rate(tmp_path / "raw.bin")
            n, cpu, wall = 0, 0.0, 0.0
            for index in range(10):
                run = samples.make_run(f"run-{round_index}-{index}")
                store.begin_run(run)
                for number in range(1, 21):
                    pull = samples.make_pull(number, 0, 8.0)
                    run = dataclasses.replace(run, pulls=(*run.pulls, pull))
                    c, w = time.process_time(), time.perf_counter()
                    store.store_pull(run, pull, trace)
                    cpu += time.process_time() - c
                    wall += time.perf_counter() - w
                    n += 1
            start = time.perf_counter()
            for index in range(n):
                bare.execute("INSERT INTO p (a, b, c, blob) VALUES (?,?,?,?)", (f"run-{index}", 1.0, 2.0, blob))
            bare_rate = n / (time.perf_counter() - start)
            start = time.perf_counter()
            for index in range(40):
                delete.execute("INSERT INTO p (a, b, c, blob) VALUES (?,?,?,?)", (f"run-{index}", 1.0, 2.0, blob))
            delete_ratios.append(n / wall / (40 / (time.perf_counter() - start)))
            raw = (raw + raw_sync_rate(tmp_path / "raw.bin")) / 2
            ratios.append(n / wall / raw)
            bare_ratios.append(bare_rate / raw)
            cpus.append(cpu / n * 1e3)
            added.append(wall / n * 1e3 - 1e3 / raw)
        assert len(store.run("run-0-0").pulls) == 20
        bare.close()
        delete.close()
    ratio, cpu, bare_ratio, delete_ratio, more = map(
        statistics.median, (ratios, cpus, bare_ratios, delete_ratios, added)
    )
    print(
        f"\npull stored: {cpu:.3f} ms CPU (goal <= 1); {ratio:.2f} x raw fdatasync rate (goal >= 0.6; "
        f"{min(ratios):.2f} to {max(ratios):.2f}); {delete_ratio:.1f} x one bare row in DELETE/FULL (goal >= 2.5); one "
        f"bare row with the same blob {bare_ratio:.2f}; {more:.3f} ms on top of a sync, which with one of 0.2 ms would "
        f"be {0.2 / (0.2 + more):.2f}"
    )
    assert cpu <= 1.0


def chain_blob(trace) -> bytes:
    from benchapp.records import _blob

    return _blob.encode(trace)


@pytest.fixture(scope="module")
def large(tmp_path_factory) -> Path:
    """2,000 tools, 50,000 sealed runs, 1,000,000 readings with traces, built with the store's own parts."""
    path = tmp_path_factory.mktemp("large") / "records.sqlite"
    start = time.perf_counter()
    with Store.open(path, demo=False, clock=samples.Clock()) as store:
        store.save_tools(
            ToolRecord(
                samples.make_tool(f"OCF-{n:04}", maker=f"maker {n % 17}"),
                place=f"place {n % 9}",
                first_use=dt.date(2025, 3, 1) + dt.timedelta(days=n % 400),
            )
            for n in range(N_TOOLS)
        )
        blobs = [chain_blob(samples.make_trace(1000, seed=seed)) for seed in range(20)]
        digests = [chain.digest_of(blob) for blob in blobs]
        from benchapp.records import shown

        model = samples.make_run()
        plan = plan_run(
            *(model.plan.tool, model.plan.reference, shipped_procedure("workshop-full"), "fitter 2", Source.LIVE)
        )
        assert isinstance(plan, RunPlan), plan
        model = dataclasses.replace(
            model,
            plan=plan,
            pulls=tuple(samples.make_pull(n, (n - 1) // 7, 8.0) for n in range(1, 21)),
            state=RunState.SEALED,
            finished="2026-03-04T09:20:00+01:00",
        )
        data = run_to_data(model)
        pulls = [shown.pull_columns(model, pull) for pull in model.pulls]
        columns = shown.run_columns(model)
        names = list(pulls[0])
        previous = chain.NOTHING_BEFORE
        with store._db.writing_raw() as raw:
            raw.execute("PRAGMA foreign_keys")
            for index in range(N_RUNS):
                run_id, tool = f"run-{index:06}", f"OCF-{index % N_TOOLS:04}"
                shown_run = {**columns, "tool": tool}
                data["run_id"] = run_id
                data["plan"]["tool"]["number"] = tool
                content = {
                    "run": data,
                    "columns": {"run": shown_run, "pulls": pulls},
                    "traces": {str(n + 1): {"sha256": digests[n], "samples": 1000} for n in range(20)},
                }
                if index == 0:
                    body = chain.body_of(
                        kind=samples_kind(),
                        subject=run_id,
                        who="fitter 2",
                        content=content,
                        sequence=1,
                        previous=previous,
                        sealed="2026-03-04T09:21:00.000+01:00",
                    )
                    template = body.decode()
                    assert canonical(data) in body
                else:
                    body = (
                        template.replace('"run-000000"', f'"{run_id}"')
                        .replace('"OCF-0000"', f'"{tool}"')
                        .replace('"sequence":1,', f'"sequence":{index + 1},')
                        .replace(f'"previous":"{chain.NOTHING_BEFORE}"', f'"previous":"{previous}"')
                        .encode()
                    )
                digest = chain.digest_of(body)
                seal = samples_seal(index + 1, digest, previous)
                chain.insert(raw, "run", run_id, "fitter 2", seal, body)
                previous = digest
                key = raw.execute(
                    f"INSERT INTO runs (run_id, {', '.join(shown_run)}) VALUES (?{', ?' * len(shown_run)})",
                    [run_id, *shown_run.values()],
                ).lastrowid
                raw.executemany(
                    f"INSERT INTO pulls (run_key, {', '.join(names)}) VALUES (?{', ?' * len(names)})",
                    [[key, *pull.values()] for pull in pulls],
                )
                raw.executemany(
                    "INSERT INTO traces VALUES (?,?,?,?,?)",
                    [(key, n + 1, 1000, digests[n], blobs[n]) for n in range(20)],
                )
                raw.execute("UPDATE runs SET seal = ?, sequence = ? WHERE key = ?", (digest, index + 1, key))
        store.refresh_tools()
    size = path.stat().st_size / 1e6
    print(
        f"\nstore: {N_TOOLS} tools, {N_RUNS} runs, {N_RUNS * 20} readings, {size:.0f} MB, "
        f"built in {time.perf_counter() - start:.0f} s; schema {schema.VERSION}"
    )
    return path


def samples_kind():
    from benchapp.records import EntryKind

    return EntryKind.RUN


def samples_seal(sequence: int, digest: str, previous: str):
    from benchapp.records import Seal

    return Seal(sequence, digest, "2026-03-04T09:21:00.000+01:00", previous)


def test_looking_things_up_in_a_large_store(large):
    """Goal 17, and the issue's limits: <= 3 ms a look-up, <= 3 x the bare SQL (CPU), same values."""
    bare = sqlite3.connect(large)
    today = dt.date(2027, 2, 20)  # every tool is due
    tool = f"OCF-{N_TOOLS // 2:04}"
    with Store.open(large, demo=False) as store:
        deep = N_RUNS // 2
        page = (
            "SELECT key, run_id, tool, reference, operator, source, procedure, started, finished, outcome, "
            "n_readings, n_set_aside, worst_percent, seal, released_by, voided FROM runs"
        )
        cases = {
            "history of one tool": (
                lambda: store.history(tool),
                "SELECT run_id, number, kind, started, direction, target_nm, reading_nm, deviation_percent, band, "
                "set_aside, flags FROM runs JOIN pulls ON run_key = key WHERE tool = ? AND voided = '' "
                "ORDER BY key DESC, number LIMIT 1000",
                (tool,),
                3.0,
            ),
            "newest page": (lambda: store.runs(), f"{page} ORDER BY key DESC LIMIT 50", (), 3.0),
            "page by key": (
                lambda: store.runs(before=deep),
                f"{page} WHERE key < ? ORDER BY key DESC LIMIT 50",
                (deep,),
                3.0,
            ),
            "search as you type": (
                lambda: store.tools("maker 3 place"),
                "SELECT * FROM tools WHERE instr(search, 'maker') AND instr(search, '3') AND instr(search, 'place') "
                "AND state <> 'retired' ORDER BY number LIMIT 200",
                (),
                50.0,
            ),
            "due list": (
                lambda: store.due_list(today),
                "SELECT * FROM tools WHERE state = 'in-service' AND (due IS NULL OR due <= '2027-03-23' OR "
                "cycles >= 0.9 * coalesce(interval_cycles, 5000)) ORDER BY due IS NOT NULL, due, number",
                (),
                100.0,
            ),
        }
        print()
        for name, (ours, sql, values, limit) in cases.items():
            rows = bare.execute(sql, values).fetchall()
            got = ours()
            assert len(got) == len(rows), name
            first = [getattr(got[0], "run_id", None) or got[0].number] if got else []
            assert all(any(str(value) == str(cell) for cell in rows[0]) for value in first), name
            cold = time.process_time()
            ours()
            cold = (time.process_time() - cold) * 1e3
            own, plain = best_of(ours), best_of(lambda sql=sql, values=values: bare.execute(sql, values).fetchall())
            print(
                f"{name}: {own:.2f} ms, {len(got)} rows (limit {limit:.0f}), bare {plain:.2f} ms, {own / plain:.1f} x"
            )
            assert own <= limit, name
    bare.close()


def test_checking_the_chain(large):
    """>= 100 MB/s over bodies and traces, every column compared."""
    with Store.open(large, demo=False) as store:
        cpu, wall = time.process_time(), time.perf_counter()
        result = store.check()
        cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    assert result.findings == ()
    assert result.n_entries == N_RUNS
    assert result.n_traces == N_RUNS * 20
    mb = result.n_bytes / 1e6
    print(f"\nchain check: {mb:.0f} MB in {cpu:.1f} s CPU, {wall:.1f} s wall: {mb / cpu:.0f} MB/s (goal >= 100)")
    assert mb / cpu >= 100
