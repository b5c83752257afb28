"""Behaviour of the standard atmosphere; its published values are in tests/published."""

from __future__ import annotations

import math

import pytest

from lastbubble.physics.atmosphere import ALTITUDE_RANGE_M, standard_altitude_m, standard_pressure_pa


def test_it_falls_with_height_and_both_ways_agree() -> None:
    low, high = ALTITUDE_RANGE_M
    heights = [low + (high - low) * step / 200 for step in range(201)]
    pressures = [standard_pressure_pa(height) for height in heights]
    assert pressures == sorted(pressures, reverse=True)
    for height, pressure in zip(heights, pressures, strict=True):
        assert standard_altitude_m(pressure) == pytest.approx(height, abs=1e-6)


@pytest.mark.parametrize("altitude_m", [-501.0, 6001.0, 11000.0, math.nan, math.inf])
def test_no_bench_is_there(altitude_m: float) -> None:
    with pytest.raises(ValueError, match="allowed -500 to 6000 m"):
        standard_pressure_pa(altitude_m)


@pytest.mark.parametrize("pressure_pa", [0.0, 40e3, 120e3, math.nan])
def test_no_air_has_that_pressure(pressure_pa: float) -> None:
    with pytest.raises(ValueError, match="pressure of the air"):
        standard_altitude_m(pressure_pa)
