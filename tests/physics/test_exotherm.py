"""The bound on the resin's own heat."""

from __future__ import annotations

import pytest

from lastbubble.physics.exotherm import adiabatic_rise_k, resin_mass_share


def test_no_resin_no_heat_and_more_resin_more() -> None:
    assert adiabatic_rise_k(0.0, 900.0) == 0.0
    assert adiabatic_rise_k(0.2, 900.0) > adiabatic_rise_k(0.1, 900.0)
    assert resin_mass_share(0.0, 1.0, 2700.0) == 0.0
    assert resin_mass_share(1.0, 1.0, 2700.0) == 1.0


def test_out_of_range_is_refused() -> None:
    with pytest.raises(ValueError, match="resin share"):
        adiabatic_rise_k(1.1, 900.0)
    with pytest.raises(ValueError, match="heat capacity"):
        adiabatic_rise_k(0.1, 0.0)
    with pytest.raises(ValueError, match="shares"):
        resin_mass_share(-0.1, 1.0, 2700.0)
