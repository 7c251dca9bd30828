"""Deviation and corridor. Rows D1–D5 are constructed from the formula (ISO 6789-1:2017, 7.1) and recomputed exactly."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchapp.metrology.deviation import Convention, corridor, deviation_percent, under_torques
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.extension import setting_with_extension

torques = st.floats(1e-4, 1e5)


@pytest.mark.parametrize(
    ("indication", "reading", "iso", "preset"),
    [(100, 98, 2.0408, -2.0), (100, 104, -3.8462, 4.0), (50, 51.2, -2.3438, 2.4), (20, 19.1, 4.7120, -4.5)],
)
def test_deviation_rows_d1_to_d4(indication, reading, iso, preset):
    assert round(deviation_percent(indication, reading), 4) == iso
    assert deviation_percent(indication, reading, Convention.PRESET) == pytest.approx(preset, abs=5e-5)


def test_corridor_row_d5():
    assert corridor(100, 4) == pytest.approx((96.15385, 104.16667), abs=5e-6)
    assert corridor(100, 4, Convention.PRESET) == pytest.approx((96, 104))


@given(torques, torques, st.floats(1e-3, 1e3), st.sampled_from(Convention))
def test_scaling_all_torques_changes_nothing_in_percent(indication, reading, scale, convention):
    one = deviation_percent(indication, reading, convention)
    assert deviation_percent(indication * scale, reading * scale, convention) == pytest.approx(one, rel=1e-9, abs=1e-9)


@given(torques, st.floats(0.1, 20), st.sampled_from(Convention))
def test_corridor_ends_deviate_by_the_limit(indication, limit, convention):
    for end in corridor(indication, limit, convention):
        exact = Fraction(indication) - Fraction(end)
        below = Fraction(end) if convention is Convention.ISO else Fraction(indication)
        assert float(abs(exact / below) * 100) == pytest.approx(limit, rel=1e-9)


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_torque_that_cannot_be_is_refused(bad):
    for arguments in ((bad, 1.0), (1.0, bad)):
        with pytest.raises(RefusedError) as refusal:
            deviation_percent(*arguments)
        assert refusal.value.limit == "> 0 and finite"


def test_early_letting_go_means_too_little_torque_under_both_conventions():
    for convention in Convention:
        assert under_torques(deviation_percent(100, 95, convention), convention)
        assert not under_torques(deviation_percent(100, 105, convention), convention)


@pytest.mark.parametrize(
    ("torque", "lever", "extension", "setting"),
    [
        (300, 10, 4, 214.286),  # X1: Army TM 1-1500-204-23-9, figure 8-16
        (100, 12, 6, 66.667),  # X2: US Navy aviation training manual (prints 66.7)
        (40, 12, 4, 30),  # X3: Army TM 9-2350-277-40&P
        (135, 10, 1.5, 117.391),  # X4: an aircraft maintenance manual, seen second-hand
        (135, 10, -1.5, 158.824),
    ],
)
def test_extension_rows_x1_to_x4(torque, lever, extension, setting):
    assert setting_with_extension(torque, lever, extension) == pytest.approx(setting, abs=5e-4)


def test_extension_that_takes_the_whole_lever_is_refused():
    with pytest.raises(RefusedError, match="extension"):
        setting_with_extension(10, 10, -10)
