"""What is told from the extremes of pieces, against looking at every sample."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from benchapp.pulls._extremes import PIECE, Extremes, grouped
from benchapp.pulls._faults import above, again
from benchapp.pulls._levels import Fit, last_below, quantile, slope
from benchapp.pulls._means import Means
from benchapp.pulls._recent import nothing_recent
from benchapp.pulls._release import releases
from benchapp.pulls._resting import Resting
from benchapp.pulls._still import Stillness, lasting, stillness
from benchapp.pulls._times import gaps
from benchapp.pulls.settings import Settings

# steps of a coarse converter: many samples are equal, which is where first and last are easily confused
SAMPLES = hnp.arrays(np.float64, st.integers(1, 5 * PIECE), elements=st.integers(-40, 40).map(float))
WAVES = st.builds(
    lambda n, seed, slow: np.round(np.random.default_rng(seed).normal(size=n).cumsum() * slow, 1),
    st.integers(2 * PIECE, 12 * PIECE),
    st.integers(0, 1000),
    st.sampled_from([0.1, 1.0]),
)


@pytest.mark.parametrize("n", [1, PIECE - 1, PIECE, PIECE + 1, 256 * PIECE, 256 * PIECE + 1])
def test_extremes_are_those_of_the_pieces(n):
    values = np.random.default_rng(n).normal(size=n)
    extremes = Extremes.of(values)
    pieces = [values[k : k + PIECE] for k in range(0, n, PIECE)]
    assert extremes.top.tolist() == [piece.max() for piece in pieces]
    assert extremes.least.tolist() == [piece.min() for piece in pieces]
    assert len(Extremes.of(values[:0]).top) == 0


@settings(deadline=None)
@given(WAVES, st.data())
def test_of_a_part_they_bound_it_and_turned_round_as_well(values, data):
    begin = data.draw(st.integers(0, len(values) - 2))
    end = data.draw(st.integers(begin + 1, len(values)))
    for sign in (1, -1):
        part = Extremes.of(values).part(begin, end, sign)
        torque = sign * values[begin:end]
        for k, value in enumerate(torque.tolist()):
            assert part.least[part.piece(k)] <= value <= part.top[part.piece(k)]
        assert [part.piece(part.begin(k)) for k in range(len(part.top))] == list(range(len(part.top)))


@settings(deadline=None)
@given(WAVES, st.sampled_from([1, 7, 10, 100, 300]), st.data())
def test_the_greatest_mean_is_the_first_greatest(values, per_block, data):
    begin = data.draw(st.integers(0, len(values) // 2))
    torque = values[begin:]
    means = Means(torque, per_block, Extremes.of(values).part(begin, len(values), 1))
    plain = np.einsum("ij->i", torque[: means.n * per_block].reshape(means.n, per_block)) / per_block
    if means.n < 2:
        return
    low = data.draw(st.integers(0, means.n - 1))
    high = data.draw(st.integers(low + 1, means.n))
    assert means.greatest(low, high) == (plain[low:high].max(), low + int(plain[low:high].argmax()))
    assert means(low, high).tolist() == plain[low:high].tolist()


@settings(deadline=None)
@given(SAMPLES, st.integers(-45, 45))
def test_last_below_and_above_look_at_every_sample_that_counts(values, level):
    extremes = Extremes.of(values)
    t = np.cumsum(1.0 + np.arange(len(values)) % 3)  # seconds; rates change
    for end in {0, 1, len(values) // 2, len(values)}:
        below = np.flatnonzero(values[:end] < level)
        assert last_below(values, extremes, end, level) == (below[-1] if len(below) else -1)
    for begin in {0, len(values) // 2, len(values)}:
        high = np.flatnonzero(values[begin:] > level)
        seconds, last = above(t, values, extremes, begin, level)
        both = values[begin:] > level
        assert seconds == pytest.approx(0.5 * float(((both[:-1] * 1.0 + both[1:]) * np.diff(t[begin:])).sum()))
        assert last == (begin + high[-1] if len(high) else begin)


@settings(deadline=None)
@given(WAVES, st.floats(1.0, 30.0), st.data())
def test_a_second_rise_is_found_where_every_sample_says_so(values, scale, data):
    until = data.draw(st.integers(0, len(values) - 1))
    t = np.arange(len(values)) / 1000.0
    limits = Settings(double_s=0.05)
    after = values[until:]
    low = np.flatnonzero(after < limits.double_low * scale)
    expected = None
    if len(low):
        late = t[until + low[0] :] - t[until] > limits.double_s
        rise = np.flatnonzero((after[low[0] :] > limits.double_high * scale) & late)
        expected = (until + low[0], until + low[0] + rise[0]) if len(rise) else None
    assert again(t, values, Extremes.of(values), until, scale, limits) == expected


@given(
    st.lists(st.sampled_from([0.0001, 0.0002, 0.004, 0.0052, 0.03]), min_size=1, max_size=400),
    st.sampled_from([100.0, 1000.0, 10_000.0]),
)
def test_no_gap_is_stepped_over(steps, rate):
    t = np.cumsum([0.0, *steps])
    limits = Settings()
    least = max(limits.gap_samples / rate, limits.gap_s) + 0.5 / rate
    assert gaps(t, rate, limits) == [(int(k), int(k) + 1) for k in np.flatnonzero(np.diff(t) > least)]


@given(st.lists(st.booleans(), min_size=1, max_size=80), st.integers(1, 12))
def test_lasting_is_where_the_first_long_stay_begins(true, n):
    begins = [k for k in range(len(true)) if all(true[k : k + n]) and k + n <= len(true)]
    assert lasting(np.array(true), n, lambda value: value) == (begins[0] if begins else None)


@given(st.lists(st.booleans(), max_size=60), st.integers(1, 8))
def test_groups_hold_every_marked_piece_and_lie_apart(marked, apart):
    groups = grouped(np.array(marked, dtype=np.bool_), apart)
    inside = {k for first, last in groups for k in range(first, last + 1)}
    assert {k for k, one in enumerate(marked) if one} <= inside
    assert all(marked[first] and marked[last] for first, last in groups)
    assert all(after[0] - before[1] > apart for before, after in itertools.pairwise(groups))


@pytest.mark.parametrize("n", [9, 30, 75, 250, 2500])
def test_stretches_at_rest_say_the_same_alone_and_together(n):
    rows = np.random.default_rng(n).normal(3.0, 0.01, (11, n)) + np.linspace(0.0, 0.02, n)
    together = stillness(rows)
    assert together == [stillness(row[None, :])[0] for row in rows]
    assert together[3:7] == stillness(rows[3:7])
    for row, still in zip(rows, together, strict=True):
        at = np.arange(n)
        left = row - np.polyval(np.polyfit(at, row, 1), at)
        assert still.level == pytest.approx(row.mean(), rel=1e-14)
        assert still.moved == pytest.approx(row[-(n // 3) :].mean() - row[: n // 3].mean(), abs=1e-13)
        assert still.noise == pytest.approx(np.sqrt((left @ left) / (n - 2)), rel=1e-9)


@pytest.mark.parametrize("degree", [1, 2])
def test_a_fit_is_the_one_of_a_general_library(degree):
    random = np.random.default_rng(degree)
    t = 100.0 + np.arange(60) / 10_000.0
    v = 30.0 + 4.0 * (t - 100.0) - 800.0 * (t - 100.0) ** 2 + random.normal(0.0, 0.01, 60)
    fit = Fit(t, v, 59, 10_000.0 / 60, degree)
    at = (t - t[59]) * 10_000.0 / 60
    theirs = np.polynomial.Polynomial.fit(at, v, degree).convert()
    assert fit(0.004) == pytest.approx(theirs(0.004), rel=1e-13)
    assert fit.left() == pytest.approx(((v - theirs(at)) ** 2).sum(), rel=1e-9)
    assert slope(t, v) == pytest.approx(np.polyfit(t - 100.0, v, 1)[0], rel=1e-9)


@given(st.lists(st.floats(-10, 10), min_size=1, max_size=40), st.floats(0.0, 1.0))
def test_a_quantile_is_that_of_numpy(values, share):
    ordered = np.sort(values)
    assert quantile(ordered, share) == pytest.approx(np.quantile(ordered, share), abs=1e-12)


RISE = st.builds(
    lambda seed, slope, tremor, noise: (
        (20.0 + slope * np.arange(7000) / 10_000.0)
        * (1.0 + tremor * np.sin(2 * np.pi * 9.0 * np.arange(7000) / 10_000.0 + seed))
        + np.random.default_rng(seed).normal(0.0, noise, 7000)
    ),
    st.integers(0, 1000),
    st.sampled_from([-5.0, 0.0, 10.0, 60.0]),
    st.sampled_from([0.0, 0.01, 0.04, 0.1]),
    st.sampled_from([0.0, 0.01, 0.1]),
)


@settings(deadline=None)
@given(
    RISE, st.integers(5500, 6990), st.sampled_from([0.01, 0.02, 0.05, 0.2]), st.sampled_from([0.003, 0.01, 0.025, 0.1])
)
def test_where_nothing_is_said_to_be_recent_nothing_could_be_told(torque, at, share, seconds):
    """A fall by a share of the torque within some time, late in what a stream looks at."""
    torque = torque - torque[at] * share * np.clip((np.arange(7000) - at) / (seconds * 10_000.0), 0.0, 1.0)
    if nothing_recent(torque, 10_000.0, 0.01, Settings()):
        told = releases(torque, Extremes.of(torque), 10_000.0, 0.01, Settings(), finished=False)
        assert not [one for one in told if one.clear and one.index > 7000 - 660]


def test_a_rise_needs_no_looking_for_a_release_and_a_click_does():
    rise = 20.0 + 10.0 * np.arange(7000) / 10_000.0 + np.random.default_rng(1).normal(0.0, 0.01, 7000)
    assert nothing_recent(rise, 10_000.0, 0.01, Settings())
    for at in range(5700, 6650, 50):
        clicked = rise.copy()
        clicked[at:] -= np.interp(np.arange(7000 - at), [0, 100], [0.0, 0.6])  # 3 % within 10 ms
        assert not nothing_recent(clicked, 10_000.0, 0.01, Settings())


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 5.0), min_size=1, max_size=20), st.floats(0.001, 0.3), st.integers(0, 1000))
def test_stretches_at_rest_are_followed_at_once_as_one_by_one(levels, noise, seed):
    random = np.random.default_rng(seed)
    stills = [
        Stillness(level, float(random.normal(0.0, 0.03)), noise * float(random.uniform(0.2, 1.0))) for level in levels
    ]
    for highest in (0.5, 4.0):
        at_once, one_by_one = Resting(5.0, 1.0), Resting(5.0, 1.0)
        for resting in (at_once, one_by_one):
            resting.level = levels[0]
            resting.learn_noise(noise)
        if at_once.follow_all(stills, highest, -highest):
            for still in stills:
                assert highest - one_by_one.level <= one_by_one.threshold
                assert one_by_one.level + highest <= one_by_one.threshold
                one_by_one.follow(still)
            assert vars(at_once) == vars(one_by_one)
        else:
            assert at_once.level == levels[0]
            assert at_once.noise == noise
