"""Blocks reach the engine in their order, in handfuls, none lost; the window sees them whoever looks first."""

from __future__ import annotations

import threading
import time
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.session._inbox import Inbox
from benchapp.session._shown import Shown
from benchapp.session._torque import TorqueChain
from drivers.samples import Gap, SampleBlock, Source, joined


def block(first: int, n: int, **more: object) -> SampleBlock:
    index = np.arange(first, first + n)
    fields = {"decimals": 1, "unit": "N·m", "source": Source.LIVE, "arrival_s": float(first), **more}
    return SampleBlock(first, index / 1000, index * 10, **fields)  # type: ignore[arg-type]


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 4),
            st.sampled_from(["N·m", "N·m", "N·m", "lbf·ft"]),
            st.sampled_from([1, 1, 1, 2]),
            st.booleans(),
            st.booleans(),
        ),
        max_size=12,
    )
)
def test_joined_blocks_say_what_the_single_ones_said(parts: list[tuple[int, str, int, bool, bool]]) -> None:
    blocks, n_before = [], 0
    for n, unit, decimals, has_gap, is_over in parts:
        gaps = (Gap(n_before / 1000, 0.5, n_before),) if has_gap else ()
        over = np.array([n_before / 1000]) if is_over else np.empty(0)
        blocks.append(block(n_before, n, unit=unit, decimals=decimals, gaps=gaps, overload_t_s=over))
        n_before += n

    def told(some: list[SampleBlock]) -> tuple[object, ...]:
        rows = [
            (index, *row, b.unit, b.decimals, b.source)
            for b in some
            for index, row in enumerate(zip(b.t_s.tolist(), b.digits.tolist(), strict=True), b.first_index)
        ]
        return rows, [gap for b in some for gap in b.gaps], [t for b in some for t in b.overload_t_s.tolist()]

    result = joined(blocks)
    assert told(result) == told(blocks)
    changes = sum((a.unit, a.decimals) != (b.unit, b.decimals) for a, b in pairwise(blocks))
    assert len(result) == (changes + 1 if blocks else 0)
    assert [b.arrival_s for b in result[-1:]] == [b.arrival_s for b in blocks[-1:]]


def test_what_stands_between_blocks_is_done_between_them() -> None:
    woken: list[int] = []
    inbox = Inbox(lambda: woken.append(1))

    def lost() -> None: ...

    for item in (block(0, 2), block(2, 1), lost, block(3, 1)):
        inbox.put(item)
    assert len(woken) == 1  # once for all that comes while nobody has looked
    first, between, last = inbox.take()
    assert isinstance(first, SampleBlock)
    assert isinstance(last, SampleBlock)
    assert (first.first_index, len(first), last.first_index, len(last)) == (0, 3, 3, 1)
    assert between is lost
    inbox.put(block(4, 1))
    assert len(woken) == 1  # whoever found something looks again by itself
    assert len(inbox.take()) == 1
    assert inbox.is_looking
    assert inbox.take() == []
    assert not inbox.is_looking
    inbox.put(block(5, 1))
    assert len(woken) == 2


def test_nothing_is_lost_between_two_threads() -> None:
    wake = threading.Semaphore(0)
    inbox, n = Inbox(wake.release), 20_000

    def write() -> None:
        for first in range(n):
            inbox.put(block(first, 1))
            if first % 500 == 0:
                time.sleep(0.001)  # so that the other one goes to sleep now and then

    thread = threading.Thread(target=write)
    thread.start()
    seen: list[int] = []
    deadline = time.monotonic() + 60
    while len(seen) < n and time.monotonic() < deadline:
        if not inbox.is_looking:
            assert wake.acquire(timeout=30), "nobody was woken for what lies there"
        for item in inbox.take():
            assert isinstance(item, SampleBlock)
            seen += (item.digits // 10).tolist()
    thread.join()
    assert seen == list(range(n))


def test_a_block_is_shown_by_the_zero_in_force_when_it_came() -> None:
    chain = TorqueChain()
    shown = Shown(chain)
    assert np.isnan(shown.newest()).all()
    shown.put(block(0, 3))
    shown.settle()
    chain.zero_nm = 1.0
    shown.put(block(3, 2))
    n, t_s, torque_nm = shown.since(0)
    assert (n, t_s.tolist()) == (5, [0, 0.001, 0.002, 0.003, 0.004])
    assert torque_nm.tolist() == [0, 1, 2, 2, 3]
    assert shown.newest() == (0.004, 3.0)


def test_when_nobody_looks_the_engine_makes_room() -> None:
    shown = Shown(TorqueChain())
    for first in range(200):
        shown.put(block(first, 1))
        shown.settle(when_many=True)
    assert len(shown._waiting) < 64
    assert shown.since(0)[0] == 200
