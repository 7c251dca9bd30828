"""Mean and s against NIST StRD univariate sets (certified values); bars: log relative error (LRE)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchapp.metrology.errors import RefusedError
from benchapp.metrology.statistics import mean, standard_deviation

MAVRO = """
2.00180 2.00170 2.00180 2.00190 2.00180 2.00170 2.00150 2.00140 2.00150 2.00150 2.00170 2.00180 2.00180
2.00190 2.00190 2.00210 2.00200 2.00160 2.00140 2.00130 2.00130 2.00150 2.00150 2.00160 2.00150 2.00140 2.00130
2.00140 2.00150
2.00140 2.00150 2.00160 2.00150 2.00160 2.00190 2.00200 2.00200 2.00210 2.00220 2.00230 2.00240 2.00250 2.00270 2.00260
2.00260 2.00260 2.00270 2.00260 2.00250 2.00240"""
MICHELSO = """
299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88 300.00 299.98 299.93 299.65 299.76 299.81
300.00 300.00 299.96 299.96 299.96 299.94 299.96 299.94 299.88 299.80 299.85 299.88 299.90 299.84 299.83 299.79 299.81
299.88 299.88 299.83 299.80 299.79 299.76 299.80 299.88 299.88 299.88 299.86 299.72 299.72 299.62 299.86 299.97 299.95
299.88 299.91 299.85 299.87 299.84 299.84 299.85 299.84 299.84 299.84 299.89 299.81 299.81 299.82 299.80 299.77 299.76
299.74 299.75 299.76 299.91 299.92 299.89 299.86 299.88 299.72 299.84 299.85 299.85 299.78 299.89 299.84 299.78 299.81
299.76 299.81 299.79 299.81 299.82 299.85 299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80 299.81 299.87"""


def _numacc(base):
    return [base + 0.2] + [base + 0.1, base + 0.3] * 500


def _lre(found, certified):
    return 16.0 if found == certified else -math.log10(abs(found - certified) / abs(certified))


SETS = [
    ("Mavro", [float(x) for x in MAVRO.split()], 2.001856, 0.000429123454003053, 12),
    ("Michelso", [float(x) for x in MICHELSO.split()], 299.8524, 0.0790105478190518, 12),
    ("NumAcc1", [10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 15),
    ("NumAcc2", _numacc(1), 1.2, 0.1, 14),
    ("NumAcc3", _numacc(1_000_000), 1_000_000.2, 0.1, 9),
    ("NumAcc4", _numacc(10_000_000), 10_000_000.2, 0.1, 8),
]


@pytest.mark.parametrize(("name", "values", "certified_mean", "certified_s", "bar"), SETS, ids=[s[0] for s in SETS])
def test_nist_strd_univariate(name, values, certified_mean, certified_s, bar):
    assert _lre(mean(values), certified_mean) >= 14
    assert _lre(standard_deviation(values), certified_s) >= bar


def test_arithmetic_series_has_its_closed_form():
    """Cox and Harris: µ ± j·h, j = 0…N, has s = h·√((N + ½)(N + 1)/3) exactly."""
    n, h, centre = 1000, 0.1, 3.172 + 1.5**10
    values = [centre + j * h for j in range(-n, n + 1)]
    assert _lre(standard_deviation(values), h * math.sqrt((n + 0.5) * (n + 1) / 3)) >= 13


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=20), st.randoms())
def test_order_does_not_matter(values, random):
    shuffled = list(values)
    random.shuffle(shuffled)
    assert mean(shuffled) == mean(values)
    assert standard_deviation(shuffled) == standard_deviation(values)


def test_too_few_values_are_refused():
    with pytest.raises(RefusedError, match="at least 1"):
        mean([])
    with pytest.raises(RefusedError, match="at least 2"):
        standard_deviation([1.0])
