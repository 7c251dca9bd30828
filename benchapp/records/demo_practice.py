"""Practice of the demonstration workshop: ten weeks in which five people learn to stop at the click.

The marks are made up, marked as simulated, and go to a demo store only; they are there to be looked at.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Final

import numpy as np

from benchapp.practice.drills import is_good, shipped_drills, standing
from benchapp.practice.marks import PullMarks
from benchapp.practice.progress import PracticedPull
from benchapp.records import practice
from benchapp.records.store import Store
from drivers.samples import Source

N_WEEKS: Final = 10
TARGET_NM: Final = 60.0

_LEARNERS: Final[Sequence[tuple[str, float, float, tuple[int, ...]]]] = (
    # name, follow-through in the first week and in the last in percent, weeks in which they practised
    ("custodian", 16.0, 5.0, (0, 2, 4, 5, 7, 9)),
    ("fitter 1", 32.0, 9.0, (0, 1, 2, 3, 4, 5, 6, 7, 8, 9)),
    ("fitter 2", 45.0, 11.0, (0, 1, 2, 4, 5, 6, 7, 9)),
    ("fitter 3", 28.0, 18.0, (0, 2, 4, 5, 7, 8, 9)),
    ("deck hand", 55.0, 30.0, (2, 4, 5, 7, 9)),
)


def make(store: Store, *, today: dt.date, seed: int = 11) -> int:
    """Write the practice of the demonstration; returns how many pulls.

    Args:
        store: A demo store.
        today: The last week is the one before.
        seed: Same seed, same pulls.
    """
    rng = np.random.default_rng(seed)
    monday = today - dt.timedelta(days=today.weekday() + 7 * N_WEEKS)
    pulls: list[PracticedPull] = []
    for name, first, last, practised in _LEARNERS:
        for drill in ("stop", "even"):
            pulls += _learn(rng, name, drill, first, last, practised, monday)
    pulls.sort(key=lambda pull: pull.at)
    practice.add_pulls(store, pulls)
    return len(pulls)


def _learn(
    rng: np.random.Generator,
    name: str,
    key: str,
    first: float,
    last: float,
    practised: Sequence[int],
    monday: dt.date,
) -> list[PracticedPull]:
    drill = shipped_drills().get(key)
    assert drill is not None
    pulls: list[PracticedPull] = []
    number = 1
    for week in practised:
        day = dt.datetime.combine(monday + dt.timedelta(days=7 * week + int(rng.integers(0, 4))), dt.time(7), dt.UTC)
        usual = last + (first - last) * (1 - week / (N_WEEKS - 1)) ** 1.6
        here: list[PracticedPull] = []
        for i in range(8):
            follow = float(max(0.0, usual * rng.lognormal(0.0, 0.35)))
            shaky = usual / 60.0
            reading = TARGET_NM * float(1 + rng.normal(0.0, 0.003))
            marks = PullMarks(
                reading_nm=reading,
                first_peak_nm=reading,
                peak_nm=reading * (1 + follow / 100),
                target_nm=TARGET_NM,
                follow_percent=follow,
                follow_s=0.05 + follow / 100,
                rise_s=float(max(0.2, rng.normal(1.6 - 1.2 * shaky, 0.3))),
                uneven_percent=float(rng.uniform(0.5, 1.0 + 3 * shaky)),
                tremor_percent=float(rng.uniform(0.2, 0.4 + shaky)),
                dip_percent=float(rng.exponential(0.3 + 3 * shaky)),
                rest_s=float(rng.uniform(0.3, 0.7)),
            )
            level = drill.level(number)
            at = (day + dt.timedelta(minutes=i)).isoformat()
            before = [pull.marks for pull in here if pull.level == number]
            passed = standing(level, [*before, marks]).is_passed and not standing(level, before).is_passed
            here.append(
                PracticedPull(
                    person=name,
                    at=at,
                    drill=key,
                    level=number,
                    tool="OCF-005",
                    source=Source.SIMULATED,
                    marks=marks,
                    aims=tuple((aim.of, aim.kind, aim.figure.value) for aim in level.aims),
                    is_good=is_good(level, marks),
                    passed=passed,
                )
            )
            if passed:
                number = min(number + 1, len(drill.levels))
        pulls += here
    return pulls
