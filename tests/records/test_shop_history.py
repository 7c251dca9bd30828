"""How tools like this one came out before: who counts as alike, how long a history must be, and that it is frozen."""

from __future__ import annotations

import pytest

from benchapp.metrology.risk import FEWEST_TOOLS, SHORTEST_HISTORY, prior_from_history
from benchapp.records import ToolRecord, ToolState
from benchapp.records.history import as_found_as_left, point_results
from benchapp.records.shop_history import shop_history

from .conftest import make_tool
from .test_impact import verified


def test_a_short_history_says_how_long_and_gives_no_prior(store):
    verified(store, "first", "2025-03-04")
    verified(store, "second", "2026-03-04")
    history = shop_history(store, make_tool())
    assert (history.n, history.n_tools, history.prior) == (2, 1, None)
    assert (history.since, history.until) == ("2025-03-04", "2026-03-04")


def test_a_long_history_of_tools_alike_gives_a_prior_and_others_do_not_count(store):
    tools = [make_tool(f"OCF-3{n:02}") for n in range(SHORTEST_HISTORY)]
    other = make_tool("OCF-400", tool_class="B", fixed=False)
    for number, tool in enumerate((*tools, other)):
        store.save_tool(ToolRecord(tool))
        off = 50.0 if tool is other else 0.2 * (number - 9.5)
        verified(store, f"run-{number}", f"2026-03-{number % 28 + 1:02}", off_percent=off, tool=tool)
    history = shop_history(store, make_tool())
    assert (history.n, history.n_tools) == (SHORTEST_HISTORY, SHORTEST_HISTORY)
    means = [
        p.mean_percent for n in range(SHORTEST_HISTORY) for p in point_results(store.run(f"run-{n}"))
    ]  # read again by the other way
    bare = prior_from_history(means)
    assert history.prior is not None
    assert history.prior.centre == pytest.approx(bare.centre)
    assert 0 < history.prior.spread < bare.spread  # the measurement's own variance is taken off
    assert history.prior.n == SHORTEST_HISTORY
    early = shop_history(store, make_tool(), before="2026-03-05")
    assert early.n == 4
    assert early.prior is None


def test_a_tool_verified_often_stands_for_itself_and_not_for_all(store):
    """One tool 3 % off with many runs, four good ones with one each: the centre is a fifth of the 3 %."""
    often = make_tool("OCF-500")
    store.save_tool(ToolRecord(often))
    for n in range(SHORTEST_HISTORY - FEWEST_TOOLS + 1):
        verified(store, f"often-{n}", f"2026-02-{n + 1:02}", off_percent=3.0, tool=often)
    for n in range(FEWEST_TOOLS - 2):
        tool = make_tool(f"OCF-51{n}")
        store.save_tool(ToolRecord(tool))
        verified(store, f"once-{n}", f"2026-03-{n + 1:02}", off_percent=0.0, tool=tool)
    verified(store, "more", "2026-03-20", off_percent=3.0, tool=often)
    few = shop_history(store, make_tool("OCF-600"))
    assert (few.n, few.n_tools) == (SHORTEST_HISTORY, FEWEST_TOOLS - 1)
    assert few.prior is None  # runs enough, tools too few
    fifth = make_tool("OCF-519")
    store.save_tool(ToolRecord(fifth))
    verified(store, "fifth", "2026-03-25", off_percent=0.0, tool=fifth)
    history = shop_history(store, make_tool("OCF-600"))
    assert (history.n, history.n_tools) == (SHORTEST_HISTORY + 1, FEWEST_TOOLS)
    means = {
        number: [p.mean_percent for p in point_results(store.run(run_id))]
        for number, run_id in (("OCF-500", "often-0"), ("OCF-510", "once-0"))
    }
    each = [sum(values) / len(values) for values in means.values()]
    assert history.prior.centre == pytest.approx((each[0] + 4 * each[1]) / 5)


def test_as_found_and_as_left_of_one_repair_are_a_pair(store):
    verified(store, "first", "2025-03-04")
    verified(store, "found-out", "2026-03-04", off_percent=8.0)
    assert as_found_as_left(store, "OCF-014", "found-out") is None
    verified(store, "still-out", "2026-03-05", off_percent=6.0)
    verified(store, "repaired", "2026-03-06", off_percent=0.2)
    store.change_state("OCF-014", ToolState.IN_SERVICE, who="custodian", why="repaired")
    verified(store, "next", "2026-09-06")
    for either in ("found-out", "repaired"):
        assert as_found_as_left(store, "OCF-014", either) == ("found-out", "repaired")
    for neither in ("first", "still-out", "next"):
        assert as_found_as_left(store, "OCF-014", neither) is None
