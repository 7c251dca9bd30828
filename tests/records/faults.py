"""The faults of the records, as often as one likes: twenty in the checks, more in tests/soak."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

from benchapp.records import Store, backup

HERE = Path(__file__).parent

WRITERS = """
import dataclasses, os, sys
sys.path.insert(0, {tests!r})
from conftest import *

def write(path):
    store = Store.open(path, demo=False)
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

for pipe in sys.stdin:  # a writer for each line, a process of its own that only had its modules loaded before
    child = os.fork()
    if child == 0:
        os.dup2(os.open(pipe.rstrip("\\n"), os.O_WRONLY), 1)
        write({path!r})
    os.write(1, f"{{child}}\\n".encode())
    os.waitpid(child, 0)
    os.write(1, b"gone\\n")
"""


def kill_at_random_moments(path: Path, n: int, seed: int) -> int:
    """Kill a writing process n times; fail when anything acknowledged is gone or half a record stands.

    Returns:
        How many acknowledgements were checked.
    """
    rng = random.Random(seed)
    acknowledged: list[str] = []
    said, pipe = path.with_name("writer-said.txt"), path.with_name("writer")
    os.mkfifo(pipe)
    code = WRITERS.format(tests=str(HERE), path=str(path))
    with (
        said.open("wb") as stderr,
        subprocess.Popen(
            [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=stderr
        ) as writers,
    ):
        assert writers.stdin is not None
        assert writers.stdout is not None
        for moment in range(n):
            wanted = rng.randrange(1, 12)
            where = f"seed {seed}, moment {moment}"
            writers.stdin.write(f"{pipe}\n".encode())
            writers.stdin.flush()
            child = writers.stdout.readline()
            assert child, f"{where}: no writer: {said.read_text(errors='replace')}"
            lines: list[str] = []
            with pipe.open("rb") as written:
                try:
                    while len(lines) < wanted and (line := written.readline()):
                        lines.append(line.decode())
                    time.sleep(rng.random() * 0.004)  # not a wait for something: the random moment itself
                finally:
                    with contextlib.suppress(ProcessLookupError):  # it ended by itself: its lines tell
                        os.kill(int(child), signal.SIGKILL)
                lines += [line.decode() for line in written if line.endswith(b"\n")]
            assert writers.stdout.readline() == b"gone\n"
            assert lines, f"{where}: the writer did not write: {said.read_text(errors='replace')}"
            acknowledged += [line.strip() for line in lines]
            _all_there(path, acknowledged[-60:], where)
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
