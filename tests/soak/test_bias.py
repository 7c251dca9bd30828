"""How far the reading lies from the true first peak on average, by noise: < 0.03 % of the reading + 0.1 × noise.

Clean pulls of the labelled collection inside the time window, at 1 kHz and above (some 40 s):

    .venv/bin/python -m pytest tests/soak/test_bias.py -s
"""

import itertools

import numpy as np
import pytest

from benchapp.pulls import Mode, read_pulls
from simulator.collection import stretch

SEEDS = range(1, 7)
NUMBERS = range(0, 16 * 216, 16)  # "clean"
EDGES = (0.0, 5e-5, 1e-4, 2e-4, 4e-4, 8e-4, 3e-3)  # standard deviation at rest over the reading


@pytest.mark.timeout(1200)
def test_the_reading_is_an_estimate_without_bias():
    noises, errors = [], []
    for seed in SEEDS:
        for number in NUMBERS:
            item = stretch(number, seed)
            (true,) = item.pulls
            if item.rate_hz < 1000 or not true.unambiguous or true.first_peak is None:
                continue
            (pull,) = read_pulls(item.t_s, item.torque, mode=Mode.FIRST_PEAK, capacity=item.capacity).pulls
            if pull.reading is None or not 0.5 <= pull.time_80_to_100_s <= 4.0:
                continue
            noises.append(item.noise / true.first_peak)
            errors.append(pull.reading / true.first_peak - 1)
    noise, error = np.array(noises), np.array(errors)
    print(f"\n{len(error)} clean pulls at 1 kHz and above; all in % of the reading")
    print(f"{'noise':>17}{'pulls':>7}{'bias':>10}{'± (k = 2)':>11}{'spread':>9}{'allowed':>9}")
    failed = []
    for low, high in itertools.pairwise(EDGES):
        here = (noise >= low) & (noise < high)
        n = int(here.sum())
        if n < 5:
            continue
        bias, spread = float(error[here].mean()), float(error[here].std(ddof=1))
        allowed = 3e-4 + 0.1 * float(noise[here].mean())
        print(
            f"{low * 100:7.3f} … {high * 100:5.3f}{n:7}{bias * 100:10.4f}{200 * spread / np.sqrt(n):11.4f}"
            f"{spread * 100:9.4f}{allowed * 100:9.4f}"
        )
        if abs(bias) > allowed:
            failed.append((low, high, bias))
    assert not failed
