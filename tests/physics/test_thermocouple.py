"""Behaviour of the type K functions; their published values are in tests/published."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.physics.thermocouple import (
    EMF_RANGE_MV,
    INVERSE_RANGE_C,
    emf_mv,
    seebeck_mv_per_k,
    straight_line_to_true_c,
    temperature_c,
    true_to_straight_line_c,
)


@given(st.floats(*INVERSE_RANGE_C))
def test_both_ways_agree(t_c: float) -> None:
    assert temperature_c(emf_mv(t_c)) == pytest.approx(t_c, abs=1e-6)


@given(st.floats(*EMF_RANGE_MV))
def test_every_force_in_range_has_a_temperature(emf: float) -> None:
    assert INVERSE_RANGE_C[0] - 0.1 <= temperature_c(emf) <= INVERSE_RANGE_C[1] + 0.1


@given(st.floats(-199.0, 1371.0))
def test_the_slope_is_the_slope(t_c: float) -> None:
    step = 0.01
    chord = (emf_mv(t_c + step) - emf_mv(t_c - step)) / (2 * step)
    assert seebeck_mv_per_k(t_c) == pytest.approx(chord, rel=2e-5)


def test_it_always_rises_and_has_no_jump_at_its_seam() -> None:
    values = [emf_mv(tenth / 10) for tenth in range(-2700, 13721)]
    assert values == sorted(values)
    assert emf_mv(0.0) == 0.0
    assert emf_mv(1e-9) - emf_mv(-1e-9) < 1e-8


@given(st.floats(-20.0, 300.0), st.floats(5.0, 60.0))
def test_the_straight_line_is_undone(hot_c: float, junction_c: float) -> None:
    assert straight_line_to_true_c(true_to_straight_line_c(hot_c, junction_c), junction_c) == pytest.approx(
        hot_c, abs=1e-6
    )


@given(st.floats(5.0, 60.0))
def test_a_couple_as_warm_as_the_chip_needs_no_correction(junction_c: float) -> None:
    assert straight_line_to_true_c(junction_c, junction_c) == pytest.approx(junction_c, abs=1e-6)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, -1e9, 1e9])
def test_nothing_is_clamped(value: float) -> None:
    for function in (emf_mv, seebeck_mv_per_k, temperature_c):
        with pytest.raises(ValueError, match="allowed"):
            function(value)
    with pytest.raises(ValueError, match="allowed"):
        straight_line_to_true_c(value, 25.0)
    with pytest.raises(ValueError, match="allowed"):
        straight_line_to_true_c(95.0, value)
