"""Make the sealed examples of `kilter selftest` anew.

    .venv/bin/python tests/cli/make_selftest.py

The traces come from the simulator, whose labels know the truth. An example is only taken when what the reader says of
it agrees with its label (first peak within 0.25 % and the noise, every flag that must be raised, none that must not),
so that the sealed answers are right and not merely today's. Run it when the reader's definition changed on purpose.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np

from benchapp.cli.selftest import EXAMPLES, SEAL, answer
from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from benchapp.torque.trace_files import write_trace
from benchapp.torque.units import from_nm
from drivers.samples import Source
from simulator.collection import LabelledStretch, stretch

HERE = Path(__file__).parent
FOLDER = HERE.parents[1] / "benchapp" / "cli" / "selftest_data"
SEED = 11
CHOSEN = (
    ("clean", 48, "N·m", Direction.CLOCKWISE, "a clean click"),
    ("jerky", 50, "N·m", Direction.CLOCKWISE, "a jerky pull, anticlockwise"),
    ("past-click", 10, "lbf·ft", Direction.CLOCKWISE, "pulled on past the click, mains hum, in lbf·ft"),
    ("short", 22, "N·m", Direction.CLOCKWISE, "let down before the tool let go"),
    ("hold", 47, "N·m", Direction.CLOCKWISE, "an indicating tool, held"),
    ("peak", 63, "N·m", Direction.ANTICLOCKWISE, "an indicating tool, greatest torque, transducer turned round"),
    ("wrong-samples", 24, "N·m", Direction.CLOCKWISE, "samples that no tool can give"),
    ("missing", 9, "N·m", Direction.CLOCKWISE, "samples that went missing"),
    ("too-fast", 36, "N·m", Direction.CLOCKWISE, "snatched, anticlockwise"),
)


def check(item: LabelledStretch, told: dict, scale: float) -> None:
    assert len(told["pulls"]) == len(item.pulls), (item.number, told)
    for true, pull in zip(item.pulls, told["pulls"], strict=True):
        assert true.direction == pull["direction"], item.number
        flags = set(pull["flags"])
        assert true.must <= flags, (item.number, true.must, flags)
        assert not flags & true.must_not, (item.number, true.must_not, flags)
        truth = {"first-peak": true.first_peak, "peak": true.peak, "hold": true.hold}[item.mode]
        if truth is None:
            assert pull["reading"] is None, item.number
            continue
        slope = max(true.local_rate_nm_per_s or 0.0, true.loading_rate_nm_per_s or 0.0)
        allowed = 0.0025 * truth + 2 * item.noise + 0.5 * (slope if item.mode == "first-peak" else 0.0) / item.rate_hz
        assert abs(pull["reading"] * scale - truth) <= allowed, (item.number, pull["reading"] * scale, truth, allowed)


def main() -> None:
    for old in FOLDER.glob("*.csv"):
        old.unlink()
    examples = []
    for name, number, unit, polarity, about in CHOSEN:
        item = stretch(number, SEED)
        decimals = max(0, round(-np.log10(item.resolution)) + (unit != "N·m"))
        torque = from_nm(item.torque * polarity.sign, unit)
        digits = np.rint(torque * 10**decimals).astype(np.int64)
        trace = Trace(
            t_s=np.round(item.t_s, 6),
            torque=digits / 10.0**decimals,
            unit=unit,
            source=Source.SIMULATED,
            digits=digits,
            decimals=decimals,
            capacity=float(f"{from_nm(item.capacity, unit):.6g}"),
            polarity=polarity,
            nominal_rate_hz=item.rate_hz,
        )
        write_trace(FOLDER / f"{name}.csv", trace)
        example = {
            "kind": "read",
            "name": name,
            "about": about,
            "file": f"{name}.csv",
            "mode": item.mode,
            "target": float(f"{from_nm(item.target, unit):.6g}"),
            "tool_max": float(f"{from_nm(item.tool_max, unit):.6g}"),
        }
        example["expected"] = answer(FOLDER, example)
        scale = 1.0 / float(from_nm(1.0, unit))
        check(item, example["expected"], scale)
        examples.append(example)
    for path, about in ((HERE.parent / "data" / "judge-example.json", "a whole run with its budget"),):
        example = {"kind": "judge", "name": "judge", "about": about, "run": json.loads(path.read_text("utf-8"))}
        example["expected"] = answer(FOLDER, example)
        examples.append(example)
        late = json.loads(path.read_text("utf-8"))
        late["checkpoints"][2]["readings"] = [92.0, 92.4, 91.8, 92.2, 92.1]
        example = {"kind": "judge", "name": "judge-out", "about": "a run that is out of limits", "run": late}
        example["expected"] = answer(FOLDER, example)
        assert example["expected"]["verdict"] == "out", example["expected"]["verdict"]
        examples.append(example)
    text = json.dumps(examples, ensure_ascii=False, indent=1) + "\n"
    (FOLDER / EXAMPLES).write_text(text, encoding="utf-8", newline="\n")
    names = sorted(path.name for path in FOLDER.iterdir() if path.suffix in (".csv", ".json") and path.name != SEAL)
    seal = {name: hashlib.sha256((FOLDER / name).read_bytes()).hexdigest() for name in names}
    (FOLDER / SEAL).write_text(json.dumps(seal, indent=1) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
