"""Type K by ITS-90 against NIST SRD 60, ASTM E230 table 9, and an independent package."""

from __future__ import annotations

import pytest
import thermocouple_its90

from lastbubble.physics.thermocouple import (
    _ABOVE,
    _BELOW,
    _BUMP,
    _INVERSE,
    EMF_TEMPERATURE_RANGE_C,
    emf_mv,
    seebeck_mv_per_k,
    temperature_c,
)
from tests.published.reference import rows

EMF = rows("type_k_emf")
COEFFICIENTS = rows("type_k_coefficients")
#: NIST states these bands for its inverse polynomials (SRD 60): ours starts from them and must end far inside.
NIST_INVERSE_BAND_K = 0.06


def _column(direction: str, low: str) -> list[float]:
    return [float(row["value"]) for row in COEFFICIENTS if row["direction"] == direction and row["t_lo_c"] == low]


def test_every_coefficient_is_the_tables() -> None:
    assert list(_BELOW) == pytest.approx(_column("forward", "-270.0"), rel=1e-11, abs=0)
    assert list(_ABOVE) == pytest.approx(_column("forward", "0.0"), rel=1e-11, abs=0)
    assert list(_BUMP) == pytest.approx(_column("forward_exponential", "0.0"), rel=1e-11, abs=0)
    for (_, ours), low in zip(_INVERSE, ("-200.0", "0.0", "500.0"), strict=True):
        assert list(ours) == pytest.approx(_column("inverse", low), rel=1e-11, abs=0)


@pytest.mark.parametrize("row", EMF, ids=[row["t_c"] for row in EMF])
def test_emf_is_the_printed_table_and_back(row: dict[str, str]) -> None:
    t_c = float(row["t_c"])
    assert emf_mv(t_c) == pytest.approx(float(row["emf_mv"]), abs=6e-7)  # the column's last digit
    assert round(emf_mv(t_c), 3) == float(row["emf_table_mv"])  # as printed by NIST and ASTM, three decimals
    assert seebeck_mv_per_k(t_c) * 1e3 == pytest.approx(float(row["seebeck_uv_per_k"]), abs=6e-4)
    assert temperature_c(emf_mv(t_c)) == pytest.approx(t_c, abs=1e-6)


def test_the_inverse_leaves_the_nist_polynomials_only_within_their_band() -> None:
    checked = 0
    for row in EMF:
        if row["inverse_c"]:
            checked += 1
            assert abs(temperature_c(emf_mv(float(row["t_c"]))) - float(row["inverse_c"])) <= NIST_INVERSE_BAND_K
    assert checked > 40


def test_an_independent_package_agrees_at_every_degree() -> None:
    """thermocouple-its90: written by others from the same NIST functions."""
    couple = thermocouple_its90.get("K")
    low, high = (int(end) for end in EMF_TEMPERATURE_RANGE_C)
    for t_c in range(low, high + 1):
        assert emf_mv(t_c) == pytest.approx(couple.emf(float(t_c)), abs=1e-9)
    for t_c in range(-199, 1372):
        assert temperature_c(couple.emf(float(t_c))) == pytest.approx(t_c, abs=1e-6)
