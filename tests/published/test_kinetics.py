"""Initiators against published rates; sources in the first lines of each table."""

from __future__ import annotations

import pytest

from lastbubble.physics.exotherm import adiabatic_rise_k, resin_mass_share
from lastbubble.physics.kinetics import INITIATORS
from tests.published.reference import rows

#: The sheet's own scatter about one line: the azo formula is from another paper, the peroxide's points differ by
#: solvent.
WITHIN = {"AIBN": 0.25, "benzoyl peroxide": 0.45, "lauroyl peroxide": 0.25}


def test_rates_of_the_sheet() -> None:
    """shared/reference/initiators.csv: Polymer Handbook data reprinted in a supplier's technical sheet."""
    count = 0
    for row in rows("initiators"):
        kind = INITIATORS[row["initiator"]]
        got, want = kind.rate_1_s(float(row["t_c"])), float(row["kd_1_s"])
        assert got == pytest.approx(want, rel=WITHIN.get(kind.name, 0.15)), row
        count += 1
    assert count == 12


def test_half_lives_of_the_table() -> None:
    """shared/reference/initiator_half_life.csv (Van Hook & Tobolsky 1958; 60 degC point with 31.0 kcal/mol)."""
    count = 0
    for row in rows("initiator_half_life"):
        kind = INITIATORS[row["initiator"].split(" (")[0]]
        assert kind.half_life_s(float(row["t_c"])) / 3600 == pytest.approx(float(row["half_life_h"]), rel=2e-3), row
        assert 1 - kind.left(float(row["t_c"]), 3600.0) == pytest.approx(float(row["fraction_gone_in_1h"]), abs=1e-4)
        count += 1
    assert count > 15


def test_ten_hour_temperatures() -> None:
    """Published 10-hour half-life temperatures: AIBN 65 degC (toluene), the carbonitrile 88 degC (toluene)."""
    assert INITIATORS["AIBN"].half_life_s(65.0) / 3600 == pytest.approx(10, rel=0.1)
    ten = min(
        range(60, 110), key=lambda t: abs(INITIATORS["1,1-azobis(cyclohexanecarbonitrile)"].half_life_s(t) - 36000)
    )
    assert ten == pytest.approx(88, abs=2)


def test_adiabatic_rise() -> None:
    """shared/reference/exotherm.csv: neat monomer, and rock with 10 and 25 % pores (energy balance)."""
    assert adiabatic_rise_k(1.0, 1900.0) == pytest.approx(304, abs=1)
    assert adiabatic_rise_k(1.0, 1900.0, 522.4e3) == pytest.approx(275, abs=1)
    for pores, share, rise in ((0.10, 0.0379, 24.6), (0.25, 0.1057, 63.5)):
        found = resin_mass_share(pores, 1.0, 2650.0)
        assert found == pytest.approx(share, abs=1e-4)
        assert adiabatic_rise_k(found, found * 1900 + (1 - found) * 850) == pytest.approx(rise, rel=0.005)
