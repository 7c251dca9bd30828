"""The whole labelled collection, held to its goals (some 2 minutes):

.venv/bin/python -m pytest tests/soak/test_collection.py -s
"""

import importlib.util
import sys
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("collection_table", Path(__file__).with_name("collection_table.py"))
table = importlib.util.module_from_spec(_spec)
sys.modules[_spec.name] = table  # dataclasses look their module up
_spec.loader.exec_module(table)


@pytest.mark.timeout(1200)
@pytest.mark.parametrize("seed", [1])
def test_the_collection_is_read_right(seed):
    tallies = table.measure(None, seed, plain=True)
    print()
    print(table.table(tallies, seed))
    every = tallies.values()
    pulls = sum(t.pulls for t in every)
    judged = sum(t.pulls - t.unclear for t in every)
    assert pulls >= 3000
    assert len(tallies) == 16
    assert sum(t.right for t in every) >= 0.995 * judged
    assert judged >= 0.98 * pulls
    assert sum(t.extra for t in every) == 0
    assert sum(t.named for t in every) >= 0.97 * sum(t.to_name for t in every)
    assert tallies["clean"].false <= 0.01 * tallies["clean"].clean
