"""`kilter selftest`: does this installation give the right answers?

The examples lie in `selftest_data`: simulated traces with what the reader has to say of them, and runs with what they
have to be judged. Their bytes are sealed by SHA-256, so a changed example is told from a changed answer. Answers are
compared to the last digit that is told: nine significant digits of a reading, twelve of a judgement (beyond them
numerical libraries differ from machine to machine).
"""

from __future__ import annotations

import argparse
import datetime as dt
import hashlib
import json
import platform
from collections.abc import Iterator
from importlib.resources import as_file, files
from importlib.resources.abc import Traversable
from typing import Any, Final

import numpy as np

from benchapp import __version__
from benchapp.cli._judge_input import input_from_data
from benchapp.cli.read import Asked, read_file
from benchapp.metrology.judgement import judge
from benchapp.pulls import DETECTOR, Mode
from benchapp.runs.judging import judgement_to_data

EXAMPLES: Final = "examples.json"
SEAL: Final = "seal.json"
_TOLD: Final = ("passed", "program", "detector", "python", "numpy", "machine", "seal")


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "selftest", help="read and judge the sealed examples: does this installation give the right answers?"
    )
    parser.add_argument("--json", action="store_true", help="print the result as one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """0 when every example comes out as it must, else 1."""
    result = selftest()
    if args.json:
        print(json.dumps(result, ensure_ascii=False))
    else:
        for example in result["examples"]:
            print(f"{'right' if example['passed'] else 'WRONG'}  {example['name']}: {example['about']}")
            for difference in example["differences"]:
                print(f"       {difference}")
        for fault in result["seal_faults"]:
            print(f"WRONG  {fault}")
        answer = "gives the right answers" if result["passed"] else "does NOT give the right answers: do not use it"
        print(f"This installation {answer} ({len(result['examples'])} examples, seal {result['seal'][:16]}).")
    return 0 if result["passed"] else 1


def selftest(folder: Traversable | None = None) -> dict[str, Any]:
    """Read and judge the sealed examples; return the result, JSON-able, as records keep it.

    Args:
        folder: Where the examples lie; None: those that ship with the program.
    """
    folder = files("benchapp.cli.selftest_data") if folder is None else folder
    seal, faults = _seal_faults(folder)
    examples = []
    if not faults:
        examples = [_outcome(folder, example) for example in json.loads((folder / EXAMPLES).read_text("utf-8"))]
    return {
        "passed": bool(examples) and not faults and all(example["passed"] for example in examples),
        "program": f"kilter {__version__}",
        "detector": DETECTOR,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "machine": f"{platform.system()} {platform.machine()}",
        "seal": seal,
        "seal_faults": faults,
        "examples": examples,
    }


def for_record(result: dict[str, Any], at: dt.datetime) -> dict[str, Any]:
    """What of a result goes into the records made after it: the answer, what gave it, and what came out wrong.

    Args:
        result: As `selftest` returns it; of one that could not be run the answers are missing.
        at: When it was run.
    """
    told: dict[str, Any] = {name: result[name] for name in _TOLD if name in result}
    wrong = [example["name"] for example in result["examples"] if not example["passed"]]
    return {
        **told,
        "at": at.isoformat(timespec="seconds"),
        "n_examples": len(result["examples"]),
        "wrong": [*wrong, *result["seal_faults"]],
    }


def _seal_faults(folder: Traversable) -> tuple[str, list[str]]:
    """(SHA-256 of the seal, what does not hold)."""
    try:
        raw = (folder / SEAL).read_bytes()
        sealed: dict[str, str] = json.loads(raw)
    except (OSError, ValueError) as error:
        return "", [f"{SEAL}: the seal of the examples cannot be read ({error}); install the program again"]
    faults = []
    for name, digest in sealed.items():
        try:
            found = hashlib.sha256((folder / name).read_bytes()).hexdigest()
        except OSError:
            faults.append(f"{name}: the example is missing; install the program again")
            continue
        if found != digest:
            faults.append(f"{name}: the example is not the one that was sealed; install the program again")
    if EXAMPLES not in sealed:
        faults.append(f"{EXAMPLES} is not sealed; install the program again")
    return hashlib.sha256(raw).hexdigest(), faults


def _outcome(folder: Traversable, example: dict[str, Any]) -> dict[str, Any]:
    try:
        differences = list(_differences("", example["expected"], answer(folder, example)))
    except (ValueError, OSError, ArithmeticError, LookupError) as error:
        differences = [f"{type(error).__name__}: {error}"]
    return {
        "name": example["name"],
        "about": example["about"],
        "passed": not differences,
        "differences": differences,
    }


def answer(folder: Traversable, example: dict[str, Any]) -> Any:
    """Return what this installation says of an example."""
    if example["kind"] == "judge":
        run_input, unit = input_from_data(example["run"])
        return _shortened(judgement_to_data(judge(run_input), unit, run_input), 12)
    asked = Asked(
        mode=Mode(example["mode"]),
        target=(example["target"], None),
        capacity=None,
        tool_max=(example["tool_max"], None),
        limit_percent=None,
        explain=False,
    )
    with as_file(folder / example["file"]) as path:
        told = read_file(str(path), asked)
    told["file"] = example["file"]
    return _shortened(told, 9)


def _shortened(value: Any, n_digits: int) -> Any:
    if isinstance(value, float):
        return float(f"{value:.{n_digits}g}")
    if isinstance(value, dict):
        return {key: _shortened(each, n_digits) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_shortened(each, n_digits) for each in value]
    return value


def _differences(where: str, expected: Any, got: Any) -> Iterator[str]:
    if isinstance(expected, dict) and isinstance(got, dict):
        for key in (*expected, *(key for key in got if key not in expected)):
            if key not in got or key not in expected:
                yield f"{where}{key}: {'missing' if key not in got else 'not expected'}"
            else:
                yield from _differences(f"{where}{key}.", expected[key], got[key])
    elif isinstance(expected, list) and isinstance(got, list) and len(expected) == len(got):
        for number, (one, other) in enumerate(zip(expected, got, strict=True), start=1):
            yield from _differences(f"{where}{number}.", one, other)
    elif expected != got:
        yield f"{where.rstrip('.')}: {got!r} instead of {expected!r}"
