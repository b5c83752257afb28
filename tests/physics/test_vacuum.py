"""What vacuum relations refuse, and how they hang together."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.physics import vacuum

sizes = st.floats(1e-3, 0.1)


def test_refusals_name_the_value() -> None:
    with pytest.raises(ValueError, match=r"to_pa is 50; allowed above the base 100"):
        vacuum.pump_down_s(0.02, 1e-3, 1e5, 50, 100)
    with pytest.raises(ValueError, match="volume_m3 is 0"):
        vacuum.time_constant_s(0, 1e-3)
    with pytest.raises(ValueError, match="mean_pa is nan"):
        vacuum.tube_conductance_m3_s(0.01, 1.0, float("nan"))
    with pytest.raises(ValueError, match="chamber_pa is 200000"):
        vacuum.fill_share(2e5, 1e5)
    with pytest.raises(ValueError, match=r"allowed 0\.01 to"):
        vacuum.water_saturation_pa(-5)
    with pytest.raises(ValueError, match="nothing"):
        vacuum.series_m3_s()


@given(sizes, st.floats(0.1, 3), st.floats(0.01, 1e5))
def test_a_tube_gives_at_least_its_molecular_share_and_grows_with_pressure(d: float, length: float, p: float) -> None:
    whole = vacuum.tube_conductance_m3_s(d, length, p)
    assert whole > 0.75 * vacuum.molecular_conductance_m3_s(d, length)
    assert vacuum.tube_conductance_m3_s(d, length, 2 * p) > 0.95 * whole


@given(st.floats(1e-4, 1e-2), st.floats(1e-4, 1e-2))
def test_series_is_below_its_smallest_part(one: float, other: float) -> None:
    assert vacuum.series_m3_s(one, other) < min(one, other)


@given(st.floats(1e-3, 0.1), st.floats(1e-4, 1e-2), st.floats(1.0, 5e4))
def test_pumping_in_two_steps_takes_as_long_as_in_one(volume: float, speed: float, half: float) -> None:
    whole = vacuum.pump_down_s(volume, speed, 1e5, 0.9, 0.5)
    parts = vacuum.pump_down_s(volume, speed, 1e5, half, 0.5) + vacuum.pump_down_s(volume, speed, half, 0.9, 0.5)
    assert parts == pytest.approx(whole)
