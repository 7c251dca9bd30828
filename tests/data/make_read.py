"""Make the example trace files of `kilter read` and their expected answers: tests/data/read.

    .venv/bin/python tests/data/make_read.py

Every trace is straight lines between corners with a little white noise, so the answers follow from the corners by the
definitions of the command, and are written here by hand: nothing of the program makes them. The files are small (500
samples a second, thousandths).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

FOLDER = Path(__file__).with_name("read")
NOISE = 0.01
RISE = 6 / 0.9  # N·m/s over the last fifth of a plain pull
SEEN = 100.0 * 0.01  # a pull leaves the rest level by 1 % of capacity


def plain(
    begin: float = 0.5, first: float = 30.0, fifth_s: float = 0.9, rest: float = 0.0
) -> list[tuple[float, float]]:
    """Corners up to the letting-go: to 80 % in 1.2 s, the last fifth in `fifth_s`, then the fall of 8 ms."""
    top = begin + 1.2 + fifth_s
    return [(0.0, rest), (begin, rest), (begin + 1.2, 0.8 * first), (top, first), (top + 0.008, 0.73 * first)]


def off(corners: list[tuple[float, float]], rest: float = 0.0, push: float = 0.85) -> list[tuple[float, float]]:
    """The hand goes on for 0.15 s, eases back to rest in 0.2 s, and half a second of rest."""
    at, last = corners[-1]
    first = last / 0.73
    return [*corners, (at + 0.15, push * first), (at + 0.35, rest), (at + 0.85, rest)]


class Examples:
    """The files made so far, and what has to be said of each."""

    def __init__(self) -> None:
        self.expected: list[dict[str, Any]] = []

    def add(
        self,
        name: str,
        about: str,
        args: str,
        corners: list[tuple[float, float]],
        pulls: list[dict[str, Any]],
        *,
        rate_hz: float = 500.0,
        head: str = "# unit: N·m\n# capacity: 100\n# source: simulated\n",
        missing: tuple[float, float] | None = None,
        wrong: dict[float, float] | None = None,
        sign: float = 1.0,
        factor: float = 1.0,
        ripple: Any = None,
        begin_s: float = 0.0,
        **told: Any,
    ) -> None:
        t = np.arange(round(corners[0][0] * rate_hz), round(corners[-1][0] * rate_hz) + 1) / rate_hz
        v = np.interp(t, *zip(*corners, strict=True))
        if ripple is not None:
            v = v * ripple(t)
        v = sign * (v + np.random.default_rng(len(self.expected)).normal(0.0, NOISE, len(t))) * factor
        for at, value in (wrong or {}).items():
            v[round(at * rate_hz)] = value
        keep = np.ones(len(t), dtype=bool) if missing is None else (t <= missing[0]) | (t >= missing[1])
        rows = "".join(f"{a + begin_s:.4f},{b:.3f}\n" for a, b in zip(t[keep], v[keep], strict=True))
        (FOLDER / f"{name}.csv").write_text(f"{head}time_s,torque\n{rows}", encoding="utf-8")
        self.expected.append(
            {"file": f"{name}.csv", "about": about, "args": args.split(), "pulls": pulls, "samples": int(keep.sum())}
            | told
        )


def near(value: float, tolerance: float) -> list[float]:
    """A number and how far from it an answer may lie."""
    return [round(value, 6), round(tolerance, 6)]


def reading(first: float, rate: float = RISE) -> list[float]:
    """0.25 % + 2 × noise + half a sample's rise."""
    return near(first, 0.0025 * first + 2 * NOISE + 0.5 * rate / 500.0)


def click(first: float = 30.0, fifth_s: float = 0.9, begin: float = 0.5, flags: tuple[str, ...] = ()) -> dict[str, Any]:
    """What is said of a plain pull."""
    top = begin + 1.2 + fifth_s
    return {
        "start_s": near(begin + SEEN / (0.8 * first / 1.2), 0.01),
        "direction": "clockwise",
        "mode": "first-peak",
        "reading": reading(first, 0.2 * first / fifth_s),
        "first_peak": reading(first, 0.2 * first / fifth_s),
        "reading_time_s": near(top, 0.005),
        "time_80_to_100_s": near(fifth_s, 0.01 + 4 * NOISE / (0.2 * first / fifth_s)),
        "loading_rate_per_s": near(0.2 * first / fifth_s, 0.02 * first / fifth_s * 0.2 + 0.05),
        "rest": near(0.0, 0.01),
        "flags": list(flags),
    }


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for old in FOLDER.glob("*.csv"):
        old.unlink()
    made = Examples()
    mode = "--mode first-peak"
    whole = plain()
    made.add(
        "clean",
        "a clean click: no flag",
        f"{mode} --target 30 --tool-max 40",
        off(whole),
        [click() | {"peak": reading(30.0), "end_s": near(2.6 + 0.008 + 0.15 + 0.2 * (1 - SEEN / 25.5), 0.01)}],
        noise=near(NOISE, 0.003),
        rate_hz_told=near(500.0, 0.01),
        unit="N·m",
        source="simulated",
        notes=0,
    )
    made.add(
        "clean-peak",
        "mode peak: the greatest torque, first peak beside it",
        "--mode peak",
        off(plain(), push=1.2),
        [{"reading": near(36.0, 0.3), "peak": near(36.0, 0.3), "first_peak": reading(30.0), "mode": "peak"}],
    )
    made.add(
        "weak",
        "a weak click of 4 %",
        mode,
        [*plain()[:-1], (2.608, 28.8), (2.75, 30.5), (2.95, 0), (3.5, 0)],
        [{"reading": reading(30.0), "reading_time_s": near(2.6, 0.005), "flags": []}],
    )
    jerky = [(0, 0), (0.5, 0), (1.4, 20), (1.5, 16), (1.6, 20), (2.1, 24), (3.0, 30), (3.008, 21.9)]
    made.add(
        "jerky",
        "a dip of 20 % for a tenth of a second before the click",
        mode,
        off(jerky),
        [{"reading": reading(30.0), "reading_time_s": near(3.0, 0.005), "flags": ["jerky"]}],
    )
    made.add(
        "too-fast", "the last fifth in 0.3 s", mode, off(plain(fifth_s=0.3)), [click(fifth_s=0.3, flags=("too-fast",))]
    )
    made.add(
        "too-slow", "the last fifth in 4.4 s", mode, off(plain(fifth_s=4.4)), [click(fifth_s=4.4, flags=("too-slow",))]
    )
    made.add(
        "past-by-torque",
        "carried 40 % past the click",
        mode,
        off(plain(), push=1.4),
        [click(flags=("past-click",)) | {"peak": near(42.0, 0.4)}],
    )
    at = plain()[-1][0]
    made.add(
        "past-by-time",
        "held 5 % above the click for 0.4 s",
        mode,
        [*plain(), (at + 0.1, 31.5), (at + 0.5, 31.5), (at + 0.7, 0), (at + 1.2, 0)],
        [click(flags=("past-click",)) | {"peak": near(31.5, 0.1)}],
    )
    let_down = [(0, 0), (0.5, 0), (2.0, 20), (2.3, 20), (2.9, 0), (3.4, 0)]
    made.add(
        "no-click",
        "let down before the tool lets go",
        mode,
        let_down,
        [
            {
                "reading": None,
                "reading_time_s": None,
                "first_peak": None,
                "peak": near(20.0, 0.1),
                "time_80_to_100_s": None,
                "loading_rate_per_s": None,
                "flags": ["no-click"],
            }
        ],
    )
    made.add(
        "short-no-click",
        "the same with a target",
        f"{mode} --target 30",
        let_down,
        [{"reading": None, "flags": ["no-click", "short"]}],
    )
    made.add(
        "short",
        "a reading below 80 % of the target",
        f"{mode} --target 30",
        off(plain(first=20.0)),
        [click(first=20.0, flags=("short",))],
    )
    again = [*plain(), (2.8, 5), (3.0, 5), (3.8, 25), (4.0, 0), (4.5, 0)]
    made.add("double", "a second application before rest", mode, again, [click(flags=("double",))])
    made.add(
        "zero-off",
        "0.6 N·m stand on the display before and after",
        mode,
        off(plain(rest=0.6), rest=0.6),
        [{"reading": reading(30.0), "rest": near(0.6, 0.01), "flags": ["zero-off"]}],
    )
    made.add(
        "offset",
        "0.1 N·m at rest is told and not subtracted",
        mode,
        off(plain(rest=0.1), rest=0.1),
        [{"reading": reading(30.0), "rest": near(0.1, 0.01), "flags": []}],
    )
    made.add(
        "overload",
        "beyond the reference's capacity",
        mode,
        off(whole),
        [{"reading": reading(30.0), "flags": ["overload"]}],
        head="# unit: N·m\n# capacity: 28\n",
    )
    made.add(
        "capacity-typed",
        "a typed capacity wins over the file's",
        f"{mode} --capacity 100",
        off(whole),
        [click()],
        head="# unit: N·m\n# capacity: 28\n",
    )
    made.add(
        "tool-overload",
        "beyond 125 % of the tool's maximum",
        f"{mode} --tool-max 20",
        off(whole),
        [{"reading": reading(30.0), "flags": ["tool-overload"]}],
    )
    made.add(
        "gap",
        "60 ms missing in the rise above 50 %",
        mode,
        off(whole),
        [{"reading": reading(30.0), "flags": ["gap"]}],
        missing=(1.9, 1.96),
    )
    made.add("gap-low", "60 ms missing below 50 %: no matter", mode, off(whole), [click()], missing=(0.9, 0.96))
    made.add(
        "gap-release",
        "the release lies in a gap: no reading, and no word of no click",
        mode,
        off(whole),
        [{"reading": None, "first_peak": None, "flags": ["gap"]}],
        missing=(2.57, 2.63),
    )
    made.add(
        "spike",
        "single wrong samples inside the pull and at rest",
        mode,
        off(whole),
        [click(flags=("spike",)) | {"peak": reading(30.0)}],
        wrong={0.2: 60.0, 1.8: 70.0, 2.2: -10.0},
    )
    made.add(
        "spike-rest",
        "single wrong samples at rest are no pulls",
        mode,
        [(0, 0), (3, 0)],
        [],
        wrong={0.5: 60.0, 1.0: -60.0, 2.0: 30.0},
    )
    made.add(
        "cut-end",
        "the file ends inside the pull",
        mode,
        [*whole, (2.7, 25)],
        [{"reading": reading(30.0), "flags": ["cut"]}],
    )
    made.add(
        "cut-begin",
        "the file begins inside the pull",
        mode,
        [(1.0, 10), (1.7, 24), *off(whole)[3:]],
        [{"reading": reading(30.0), "flags": ["cut"]}],
    )
    trembling = [(0, 0), (0.5, 0), (3.5, 30), (3.51, 28.2), (3.61, 31), (3.76, 0), (4.3, 0)]
    made.add(
        "unclear",
        "a fall of 6 % among a tremor of 5 % is likely the click, not surely",
        mode,
        trembling,
        [{"reading_time_s": [3.5, 0.01], "flags_with": ["unclear"]}],
        ripple=lambda t: 1 + 0.05 * np.sin(2 * np.pi * 11.0 * t + 3.0),
    )
    made.add(
        "anticlockwise",
        "negative torque is anticlockwise; magnitudes are positive",
        mode,
        off(whole),
        [click() | {"direction": "anticlockwise"}],
        sign=-1.0,
    )
    made.add(
        "polarity",
        "a transducer that calls anticlockwise positive",
        mode,
        off(whole),
        [click() | {"direction": "anticlockwise"}],
        head="# unit: N·m\n# capacity: 100\n# polarity: anticlockwise\n",
    )
    pound = 1.3558179483314004
    made.add(
        "pounds",
        "all in the file's unit; what is typed is in --unit",
        f"{mode} --target 40 --tool-max 28 --unit Nm",
        off(whole),
        [{"reading": near(30.0 / pound, 0.08), "loading_rate_per_s": near(RISE / pound, 0.1), "flags": ["short"]}],
        head="# unit: ft-lb\n# capacity: 73.756\n",
        factor=1 / pound,
        unit="lbf·ft",
    )
    made.add(
        "no-unit",
        "no unit and no capacity: N·m is taken and a note says so",
        mode,
        off(whole),
        [click() | {"start_s": near(0.53, 0.01)}],
        head="",
        unit="N·m",
        source="imported",
        notes=1,
    )
    held = [(0, 0), (0.5, 0), (1.5, 22), (1.7, 20), (2.6, 20), (3.0, 0), (3.5, 0)]
    made.add(
        "hold",
        "mode hold: the mean of the steadiest half second",
        "--mode hold",
        held,
        [{"reading": near(20.0, 0.02), "peak": near(22.0, 0.25), "mode": "hold", "flags": []}],
    )
    made.add(
        "hold-none",
        "nothing was held",
        "--mode hold",
        [(0, 0), (0.5, 0), (0.7, 22), (0.9, 0), (1.6, 0)],
        [{"reading": None, "reading_time_s": None, "time_80_to_100_s": None, "loading_rate_per_s": None}],
    )
    blip = [(0, 0), (1, 0), (1.01, 5), (1.03, 5), (1.04, 0), (2.0, 0)]
    made.add("blip", "40 ms are no pull", "--mode peak", blip, [])
    made.add(
        "bump",
        "70 ms are one",
        "--mode peak",
        [(0, 0), (1, 0), (1.01, 5), (1.07, 5), (1.08, 0), (2.0, 0)],
        [{"peak": near(5.0, 0.05), "start_s": near(1.002, 0.004), "end_s": near(1.078, 0.004)}],
    )
    second = [(t + 3.3, v) for t, v in off(plain(first=40.0, begin=0.3))]
    made.add(
        "two",
        "two pulls with rest between, on an axis that does not begin at 0",
        mode,
        [*off(whole), *second[1:]],
        [
            {"reading": reading(30.0), "start_s": near(100.5 + 0.05, 0.01)},
            {"reading": reading(40.0, 40 * 0.2 / 0.9), "reading_time_s": near(100 + 3.6 + 2.1, 0.005)},
        ],
        begin_s=100.0,
    )
    made.add(
        "bounce",
        "100 ms back at rest do not end a pull",
        mode,
        [*plain(), (2.75, 20), (2.8, 0), (2.9, 0), (3.4, 20), (3.6, 0), (4.1, 0)],
        [{"reading": reading(30.0), "end_s": near(3.59, 0.02), "flags": ["double"]}],
    )
    made.add(
        "slow-rate",
        "at 100 Hz a reading says how much the sampling may hide",
        mode,
        off(whole),
        [
            {
                "reading": near(30.0, 0.0125 * 30 + 2 * NOISE + 0.5 * RISE / 100),
                "sampling_hides_percent": near(RISE / 100 / 30 * 100, 0.05),
                "flags": [],
            }
        ],
        rate_hz=100.0,
        rate_hz_told=near(100.0, 0.01),
        notes=1,
    )
    made.add("nothing", "two seconds of rest", mode, [(0, 0), (2, 0)], [], noise=near(NOISE, 0.003))
    quick = [(0, 0), (0.5, 0), (2.1, 16), (2.4, 20), (2.6, 20), (3.2, 0), (3.7, 0)]
    made.add(
        "too-fast-peak",
        "mode peak: the last fifth in 0.3 s",
        "--mode peak",
        quick,
        [{"peak": near(20.0, 0.1), "time_80_to_100_s": near(0.3, 0.15), "flags": ["too-fast"]}],
    )
    lines = ",\n".join(f" {json.dumps(each, ensure_ascii=False)}" for each in made.expected)
    (FOLDER / "expected.json").write_text(f"[\n{lines}\n]\n", encoding="utf-8")
    print(f"{len(made.expected)} examples")


if __name__ == "__main__":
    main()
