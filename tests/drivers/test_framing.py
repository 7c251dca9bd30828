"""Lines come out of bytes however these are cut, and nothing grows."""

from __future__ import annotations

import tracemalloc
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.framing import LONGEST_LINE, LineFramer


def _slow(data: bytes, terminator: bytes) -> list[bytes | None]:
    """The obvious way: split; a too long line is None."""
    lines: list[bytes | None] = [line if len(line) <= LONGEST_LINE else None for line in data.split(terminator)[:-1]]
    rest = data.split(terminator)[-1]
    if len(rest) >= LONGEST_LINE + len(terminator):
        lines.append(None)
    return lines


def _framed(chunks: list[bytes], terminator: bytes) -> list[bytes | None]:
    framer = LineFramer(terminator)
    lines: list[bytes | None] = []
    for chunk in chunks:
        for number, stretch in enumerate(framer.feed(chunk)):
            lines += [None] * bool(number)
            assert not stretch or stretch.endswith(terminator)
            lines += stretch.split(terminator)[:-1]
    return lines


_PIECES = st.sampled_from(
    [
        b"",
        b"\r\n",
        b"\n",
        b"\r",
        b"+1.5 Nm\r\n",
        b"x" * 700,
        b"y" * LONGEST_LINE,
        b"z" * (LONGEST_LINE + 1),
        b"\xff\x00",
    ]
)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(_PIECES, max_size=12).map(b"".join),
    st.sampled_from([b"\r\n", b"\n", b"\r", b"END"]),
    st.lists(st.integers(0, 40000), max_size=8),
)
def test_any_cut_gives_the_same_lines(data: bytes, terminator: bytes, cuts: list[int]) -> None:
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    chunks = [data[begin:end] for begin, end in pairwise(edges)]
    assert _framed(chunks, terminator) == _slow(data, terminator)


def test_byte_by_byte_is_the_same() -> None:
    data = b"a\r\nb\r\r\n" + b"x" * (LONGEST_LINE + 5) + b"\r\nc\r\n" + b"y" * LONGEST_LINE + b"\r\nd"
    assert _framed([data[i : i + 1] for i in range(len(data))], b"\r\n") == _slow(data, b"\r\n")


def test_a_megabyte_without_an_end_is_one_too_long_line_and_never_held() -> None:
    framer = LineFramer(b"\r\n")
    n_too_long = 0
    tracemalloc.start()
    try:
        for _ in range(1000):
            n_too_long += len(framer.feed(b"7" * 1049)) - 1
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert n_too_long == 1
    assert peak < 4 * LONGEST_LINE
    assert framer.feed(b"tail\r\n+1.0 Nm\r\n") == [b"+1.0 Nm\r\n"]


def test_an_unfinished_last_line_is_counted_once() -> None:
    framer = LineFramer(b"\n")
    framer.feed(b"a\nb")
    assert framer.finish() == 1
    assert framer.finish() == 0
    framer.feed(b"a\n \r")
    assert framer.finish() == 0
