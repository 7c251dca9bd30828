"""The faults of the records, as often as one likes: twenty in the checks, more in tests/soak."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

from benchapp.records import Store, backup

HERE = Path(__file__).parent

WRITER = """
import dataclasses, os, sys
sys.path.insert(0, {tests!r})
from conftest import *
store = Store.open({path!r}, demo=False)
index = len(store.runs(limit=10**6))
run = store.open_run()
while True:
    if run is None:
        run = make_run(f"run-{{index}}")
        index += 1
        store.begin_run(run)
    while len(run.pulls) < 10:
        number = len(run.pulls) + 1
        pull = make_pull(number, None if number == 1 else (number - 2) // 3, 8.0)
        run = dataclasses.replace(run, pulls=(*run.pulls, pull))
        store.store_pull(run, pull, make_trace(150, seed=number))
        os.write(1, f"{{run.run_id}} {{number}}\\n".encode())
    run = dataclasses.replace(run, state=RunState.VERDICT)
    seal = store.seal(run)
    os.write(1, f"{{run.run_id}} sealed {{seal.head}}\\n".encode())
    run = None
"""


def kill_at_random_moments(path: Path, n: int, seed: int) -> int:
    """Kill a writing process n times; fail when anything acknowledged is gone or half a record stands.

    Returns:
        How many acknowledgements were checked.
    """
    rng = random.Random(seed)
    acknowledged: list[str] = []
    said = path.with_name("writer-said.txt")
    code = WRITER.format(tests=str(HERE), path=str(path))
    for moment in range(n):
        wanted = rng.randrange(1, 12)
        with said.open("wb") as stderr:
            child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=stderr)
        assert child.stdout is not None
        lines: list[str] = []
        while len(lines) < wanted and (line := child.stdout.readline()):
            lines.append(line.decode())
        time.sleep(rng.random() * 0.004)  # not a wait for something: the random moment itself
        child.kill()
        lines += [line.decode() for line in child.stdout if line.endswith(b"\n")]
        child.stdout.close()
        child.wait()
        assert lines, f"seed {seed}, moment {moment}: the writer did not start: {said.read_text(errors='replace')}"
        acknowledged += [line.strip() for line in lines]
        _all_there(path, acknowledged[-60:], f"seed {seed}, moment {moment}")
    _all_there(path, acknowledged, f"seed {seed}, at the end")
    assert backup.problem_of(path) == ""
    return len(acknowledged)


def _all_there(path: Path, acknowledged: list[str], where: str) -> None:
    with Store.open(path, demo=False) as store:
        result = store.check()
        assert result.holds, f"{where}: {result.findings}"
        runs = {run_id: store.run(run_id) for run_id in {line.split()[0] for line in acknowledged}}
        for line in acknowledged:
            run_id, what, *rest = line.split()
            if what == "sealed":
                assert store.check(against=rest[0]).holds, f"{where}: {line} is gone"
            else:
                numbers = [pull.number for pull in runs[run_id].pulls]
                assert int(what) in numbers, f"{where}: pull {what} of {run_id} is gone"
                assert store.trace(run_id, int(what)) is not None, f"{where}: its trace is gone"
        under_way = store.open_run()
        if under_way is not None:
            numbers = [pull.number for pull in under_way.pulls]
            assert numbers == list(range(1, len(numbers) + 1)), f"{where}: {numbers}"
            assert all(store.trace(under_way.run_id, number) is not None for number in numbers), where


def small_disk(folder: Path, size_kb: int) -> bool:
    """Mount a small tmpfs on `folder`; False where that is not permitted."""
    if os.name != "posix" or os.geteuid() != 0 or shutil.which("mount") is None:
        return False
    command = ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "tmpfs", str(folder)]
    return subprocess.run(command, check=False, capture_output=True).returncode == 0


def unmount(folder: Path) -> None:
    """Take it off again."""
    subprocess.run(["umount", str(folder)], check=True)
