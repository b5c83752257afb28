"""The signal levels of a current loop by NAMUR NE 43: what is a reading, and what is a broken wire."""

from __future__ import annotations

import pytest

from lastbubble.sensing.adc_gauge import HOLD_S, AdcDecoder, AdcGaugeSettings
from lastbubble.sensing.gauge import Fault
from tests.published.reference import rows

BANDS = rows("namur_ne43")
SHUNT_OHM = 150.0
SETTINGS = AdcGaugeSettings(0.0, 100e3, signal="4-20 mA", shunt_ohm=SHUNT_OHM, chip="MCP3208")
STEP_MA = 3.3 / 4096 / SHUNT_OHM * 1e3


def shown(milliampere: float) -> tuple[float | Fault | None, float | Fault | None]:
    """What is said at once, and what after it has lasted."""
    decoder = AdcDecoder(SETTINGS)
    counts = [round(milliampere / STEP_MA)]
    first, _ = decoder.decode(counts, (), 0.0)
    then, _ = decoder.decode(counts, (), HOLD_S)
    return first, then


@pytest.mark.parametrize("row", BANDS, ids=[row["meaning"] for row in BANDS])
def test_every_band(row: dict[str, str]) -> None:
    low = float(row["low_ma"] or 0.0)
    high = float(row["high_ma"] or 21.9)  # the converter's end: 3.3 V over 150 ohm is 22 mA
    for part in (0.1, 0.5, 0.9):
        milliampere = low + part * (high - low)
        first, then = shown(milliampere)
        if row["meaning"].startswith("valid"):
            expected = (milliampere - 4) / 16 * 100e3
            assert first == pytest.approx(expected, abs=STEP_MA / 16 * 100e3)
            assert then == first
        else:
            assert first is None, "no reading, and not at once a fault"
            assert isinstance(then, Fault)
            assert then.cause == "wire"
