"""Steam points against IAPWS tables, thermocouple classes against IEC 60584-1."""

from __future__ import annotations

import re

import pytest

from lastbubble.physics.fixed_points import steam_point_at_altitude_c, steam_point_c, tolerance_k
from tests.published.reference import rows


def test_steam_points() -> None:
    """shared/reference/fixed_points.csv: IAPWS-95 through a registry library; and 1500 m in the standard atmosphere."""
    count = 0
    for row in rows("fixed_points"):
        if not row["point"].startswith("steam"):
            continue
        assert steam_point_c(float(row["pressure_pa"])) == pytest.approx(float(row["t_c"]), abs=2e-3), row
        count += 1
    assert count > 10
    assert steam_point_at_altitude_c(1500.0) == pytest.approx(94.984, abs=5e-3)


def test_saturation_line() -> None:
    """shared/reference/water_saturation.csv: IAPWS-IF97 pressures, inverted."""
    count = 0
    for row in rows("water_saturation"):
        pressure = float(row["psat_pa_if97"])
        if 20e3 <= pressure <= 200e3:
            assert steam_point_c(pressure) == pytest.approx(float(row["t_c"]), abs=2e-3)
            count += 1
    assert count >= 6


def test_classes() -> None:
    """shared/reference/type_k_tolerance.csv, IEC 60584-1 classes 1 and 2 at 95 and 260 degC."""
    for row in rows("type_k_tolerance"):
        if row["standard"] == "IEC 60584-1" and re.fullmatch("[12]", row["class"]):
            grade = 1 if row["class"] == "1" else 2
            assert tolerance_k(95.0, grade) == pytest.approx(float(row["tolerance_at_95c"]))  # type: ignore[arg-type]
            assert tolerance_k(260.0, grade) == pytest.approx(float(row["tolerance_at_260c"]))  # type: ignore[arg-type]
