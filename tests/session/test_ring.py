"""The ring gives every sample once, in order, as far as it still holds it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.session._ring import SampleRing


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.booleans()), max_size=20))
def test_what_is_taken_is_what_was_written_up_to_what_is_held(steps):
    ring, written, taken, index = SampleRing(16), 0, [], 0
    for n, takes in steps:
        ring.append(np.arange(written, written + n, dtype=float), -np.arange(written, written + n, dtype=float))
        written += n
        if takes:
            before = index
            index, t_s, torque = ring.since(index)
            assert index == written
            assert np.array_equal(torque, -t_s)
            assert t_s.tolist() == list(range(max(before, written - 16), written))
            taken += t_s.tolist()
    assert taken == sorted(set(taken))


def test_a_size_that_is_no_power_of_two_is_refused():
    with pytest.raises(ValueError, match="power of two"):
        SampleRing(1000)
