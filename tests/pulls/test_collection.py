"""A small part of the labelled collection, every family; the whole runs in tests/soak/test_collection.py."""

import importlib.util
import sys
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location(
    "collection_table", Path(__file__).parents[1] / "soak" / "collection_table.py"
)
table = importlib.util.module_from_spec(_spec)
sys.modules[_spec.name] = table  # dataclasses look their module up
_spec.loader.exec_module(table)


@pytest.fixture(scope="module")
def tallies():
    return table.measure(240, 1)


def test_the_part_is_what_it_says(tallies):
    assert sum(tally.pulls for tally in tallies.values()) == 225  # fifteen of each family, "nothing" has none
    assert len(tallies) == 16


def test_unambiguous_pulls_are_read_right(tallies):
    judged = sum(tally.pulls - tally.unclear for tally in tallies.values())
    assert sum(tally.right for tally in tallies.values()) >= 0.99 * judged
    assert sum(tally.missed for tally in tallies.values()) == 0
    assert sum(tally.unclear for tally in tallies.values()) <= 0.02 * 225


def test_nothing_is_read_out_of_nothing(tallies):
    assert sum(tally.extra for tally in tallies.values()) == 0


def test_named_faults_are_named_and_clean_pulls_are_not_blamed(tallies):
    assert sum(t.named for t in tallies.values()) >= 0.97 * sum(t.to_name for t in tallies.values())
    assert tallies["clean"].false <= 0.01 * tallies["clean"].clean
