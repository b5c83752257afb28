"""Standard atmosphere against ISO 2533 values and two independent packages."""

from __future__ import annotations

import pytest
from ambiance import Atmosphere
from fluids.atmosphere import ATMOSPHERE_1976

from lastbubble.physics.atmosphere import standard_altitude_m, standard_pressure_pa
from lastbubble.units import INHG_PA
from tests.published.reference import rows

TABLE = rows("standard_atmosphere")


@pytest.mark.parametrize("row", TABLE, ids=[f"{row['altitude_m']} m" for row in TABLE])
def test_pressure_of_the_table(row: dict[str, str]) -> None:
    altitude_m = float(row["altitude_m"])
    pressure_pa = standard_pressure_pa(altitude_m)
    assert pressure_pa == pytest.approx(float(row["pressure_pa"]), abs=0.06 + 2e-6 * pressure_pa)  # its last digit
    assert pressure_pa / INHG_PA == pytest.approx(float(row["inhg"]), abs=6e-4)
    assert standard_altitude_m(pressure_pa) == pytest.approx(altitude_m, abs=1e-6)


@pytest.mark.parametrize("altitude_m", [-500.0, 0.0, 120.0, 381.0, 1500.0, 2743.2, 4500.0, 6000.0])
def test_independent_packages_agree(altitude_m: float) -> None:
    """fluids (US Standard Atmosphere 1976) and ambiance (ICAO 1993), both by others."""
    ours = standard_pressure_pa(altitude_m)
    assert ours == pytest.approx(ATMOSPHERE_1976(altitude_m).P, rel=3e-6)
    assert ours == pytest.approx(float(Atmosphere(altitude_m).pressure[0]), rel=3e-6)


def test_a_perfect_vacuum_at_1500_m_is_less_deep_than_at_the_sea() -> None:
    """24.97 inHg instead of 29.92 (ISO 2533, exact factor for the column at 0 degC)."""
    assert standard_pressure_pa(1500.0) / INHG_PA == pytest.approx(24.97, abs=0.005)
    assert standard_pressure_pa(0.0) / INHG_PA == pytest.approx(29.92, abs=0.005)
