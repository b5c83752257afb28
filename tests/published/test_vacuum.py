"""Vacuum relations against published figures; each file under shared/reference names its sources in its head."""

from __future__ import annotations

import csv
from collections.abc import Iterator

import pytest

from lastbubble.data import data_path
from lastbubble.physics.vacuum import (
    bubble_gas_pa_m3,
    fill_share,
    laminar_conductance_m3_s,
    leak_rate_pa_m3_s,
    mbar_l_s,
    methyl_methacrylate_pa,
    molecular_conductance_m3_s,
    pressure_lift_pa,
    pump_down_s,
    series_m3_s,
    tube_conductance_m3_s,
    water_saturation_pa,
)


def rows(name: str) -> Iterator[dict[str, str]]:
    with data_path("shared", f"reference/{name}.csv").open(encoding="utf-8") as file:
        yield from csv.DictReader(line for line in file if not line.startswith("#"))


def test_pump_down_times() -> None:
    # Textbook formula at constant speed: shared/reference/pump_down.csv.
    cases = list(rows("pump_down"))
    assert len(cases) == 18
    for row in cases:
        time = pump_down_s(
            float(row["volume_l"]) / 1e3,
            float(row["speed_l_s"]) / 1e3,
            float(row["p0_mbar"]) * 100,
            float(row["p1_mbar"]) * 100,
            float(row["base_mbar"]) * 100,
        )
        assert time == pytest.approx(float(row["time_s"]), abs=0.006)


def test_tube_conductances() -> None:
    # Maker's rule C = 135 d^4 p/L and 12.1 d^3/L (cm, mbar, L/s), Knudsen's interpolation:
    # shared/reference/tube_conductance.csv. Ours comes from viscosity and thermal speed, so it may differ by 1 %.
    for row in rows("tube_conductance"):
        diameter, length, mean = float(row["d_mm"]) / 1e3, float(row["length_m"]), float(row["p_mean_mbar"]) * 100
        assert laminar_conductance_m3_s(diameter, length, mean) * 1e3 == pytest.approx(
            float(row["laminar_l_s"]), rel=0.01
        )
        assert molecular_conductance_m3_s(diameter, length) * 1e3 == pytest.approx(
            float(row["molecular_l_s"]), rel=0.01
        )
        assert tube_conductance_m3_s(diameter, length, mean) * 1e3 == pytest.approx(
            float(row["knudsen_formula_l_s"]), rel=0.01
        )


def test_effective_speed() -> None:
    # Vacuum maker's handbook: S = 2.9722e-2 m3/s behind C = 0.017123 m3/s gives 1.0864e-2 m3/s; and the table.
    assert series_m3_s(2.9722e-2, 0.017123) == pytest.approx(1.0864e-2, rel=1e-4)
    for row in rows("effective_speed"):
        assert series_m3_s(float(row["pump_l_s"]), float(row["conductance_l_s"])) == pytest.approx(
            float(row["effective_l_s"]), rel=2e-4
        )


def test_leak_units_and_the_tyre() -> None:
    for row in rows("leak_units"):
        assert mbar_l_s(float(row["pa_m3_s"])) == pytest.approx(float(row["mbar_l_s"]), rel=1e-5)
    # Leak-testing pages: a 4 L tyre losing 1000 hPa in 30 days leaks 1.5e-4 Pa m3/s.
    assert leak_rate_pa_m3_s(4e-3, 1000e2 / (30 * 86400)) == pytest.approx(1.54321e-4, rel=1e-5)


def test_water_saturation_is_iapws() -> None:
    # IAPWS-95 column of shared/reference/water_saturation.csv.
    for row in rows("water_saturation"):
        assert water_saturation_pa(float(row["t_c"])) == pytest.approx(float(row["psat_pa_iapws95"]), rel=2e-4)


def test_methyl_methacrylate() -> None:
    # NIST WebBook Antoine rows of shared/reference/monomer_vapour_pressure.csv.
    found = 0
    for row in rows("monomer_vapour_pressure"):
        if row["substance"] == "methyl methacrylate" and row["origin"].startswith("NIST") and float(row["t_c"]) <= 101:
            assert methyl_methacrylate_pa(float(row["t_c"])) == pytest.approx(float(row["psat_pa"]), rel=1.5e-3)
            found += 1
    assert found >= 10


def test_bubbles() -> None:
    # shared/reference/bubble_gas.csv; lift at S = 0.8333 L/s.
    for row in rows("bubble_gas"):
        gas = bubble_gas_pa_m3(float(row["diameter_mm"]) / 1e3, float(row["local_pressure_mbar"]) * 100)
        assert mbar_l_s(gas) == pytest.approx(float(row["gas_mbar_l"]), rel=1e-4)
        lift = pressure_lift_pa(gas, 0.8333e-3)
        assert lift / 100 == pytest.approx(float(row["pressure_lift_mbar_at_1_per_s"]), rel=2e-4)


def test_air_left() -> None:
    # Boyle: shared/reference/air_left.csv.
    for row in rows("air_left"):
        pressure = float(row["absolute_pa"])
        assert fill_share(pressure, 101325.0) == pytest.approx(float(row["fill_fraction_at_101325"]), abs=6e-6)
        assert fill_share(pressure, 84560.0) == pytest.approx(float(row["fill_fraction_at_84560_1500m"]), abs=2e-5)
