"""Every unit at the edge against published factors and against `pint`, which was written by others."""

from __future__ import annotations

import pint
import pytest

from lastbubble.units import UNITS, Display, Kind, pa_from, parse
from tests.published.reference import rows

PRESSURE = rows("pressure_units")
TEMPERATURE = rows("temperature_units")
REGISTRY: pint.UnitRegistry = pint.UnitRegistry()

#: Names in the table, and ours.
OURS = {"micron (um Hg)": "micron"}
#: Our unit -> pint's. `micron` is a thousandth of a Torr (as vacuum gauges mean it) or a um Hg: 1.4e-7 apart.
PINT: dict[Kind, dict[str, str]] = {
    "pressure": {
        "Pa": "pascal", "hPa": "hectopascal", "kPa": "kilopascal", "MPa": "megapascal", "mbar": "millibar",
        "bar": "bar", "Torr": "torr", "mTorr": "millitorr", "mmHg": "mmHg", "inHg": "inHg", "psi": "psi",
        "atm": "atm", "inH2O": "inH2O",
    },
    "temperature_difference": {"K": "kelvin", "degC": "delta_degC", "degF": "delta_degF"},
    "temperature_rate": {
        "K/s": "kelvin/second", "K/min": "kelvin/minute", "degC/min": "delta_degC/minute",
        "degF/min": "delta_degF/minute", "K/h": "kelvin/hour",
    },
    "length": {"m": "meter", "cm": "centimeter", "mm": "millimeter", "in": "inch", "ft": "foot"},
    "duration": {"s": "second", "ms": "millisecond", "min": "minute", "h": "hour", "d": "day"},
    "volume": {
        "m3": "meter**3", "L": "liter", "l": "liter", "mL": "milliliter", "ml": "milliliter", "gal": "gallon",
        "qt": "quart",
    },
    "volume_flow": {
        "m3/s": "meter**3/second", "m3/h": "meter**3/hour", "L/s": "liter/second", "L/min": "liter/minute",
        "l/min": "liter/minute", "cfm": "foot**3/minute",
    },
    "mass": {"kg": "kilogram", "g": "gram", "mg": "milligram", "oz": "ounce", "lb": "pound"},
    "voltage": {"V": "volt", "mV": "millivolt"},
    "current": {"A": "ampere", "mA": "milliampere"},
    "resistance": {"ohm": "ohm", "kohm": "kiloohm"},
    "frequency": {"Hz": "hertz", "kHz": "kilohertz", "MHz": "megahertz"},
}  # fmt: skip
SI: dict[Kind, str] = {
    "pressure": "pascal",
    "temperature_difference": "kelvin",
    "temperature_rate": "kelvin/second",
    "length": "meter",
    "duration": "second",
    "volume": "meter**3",
    "volume_flow": "meter**3/second",
    "mass": "kilogram",
    "voltage": "volt",
    "current": "ampere",
    "resistance": "ohm",
    "frequency": "hertz",
}


@pytest.mark.parametrize("row", PRESSURE, ids=[row["unit"] for row in PRESSURE])
def test_pressure_factors_of_the_table(row: dict[str, str]) -> None:
    name = OURS.get(row["unit"], row["unit"])
    factor = float(row["factor_pa"])
    if name not in UNITS["pressure"]:
        # Units that no bench gauge of ours shows; a settings file that names one is refused, not guessed.
        assert name in ("inHg at 60 degF", "cmH2O", "kgf/cm2")
        with pytest.raises(ValueError, match="no unit of pressure"):
            pa_from(1.0, name)
        return
    # Conventional columns of mercury are given with 6 to 12 digits; the coarsest here is 3386.389 for 3386.38864.
    assert pa_from(1.0, name) == pytest.approx(factor, rel=2e-7)


@pytest.mark.parametrize("row", TEMPERATURE, ids=[row["celsius"] for row in TEMPERATURE])
def test_temperatures_of_the_table(row: dict[str, str]) -> None:
    celsius, fahrenheit, kelvin = (float(row[name]) for name in ("celsius", "fahrenheit", "kelvin"))
    assert parse(f"{fahrenheit} degF", "temperature") == pytest.approx(celsius, abs=6e-5)
    assert parse(f"{kelvin} K", "temperature") == pytest.approx(celsius, abs=6e-5)
    assert Display(temperature="degF").temperature_value(celsius) == pytest.approx(fahrenheit, abs=1e-4)


@pytest.mark.parametrize(
    ("kind", "unit"), [(kind, unit) for kind, units in PINT.items() for unit in units], ids=lambda value: str(value)
)
def test_factors_agree_with_pint(kind: Kind, unit: str) -> None:
    theirs = REGISTRY.Quantity(1.0, PINT[kind][unit]).to(SI[kind]).magnitude
    assert UNITS[kind][unit](1.0) == pytest.approx(theirs, rel=2e-7)
    assert UNITS[kind][unit](0.0) == 0.0


@pytest.mark.parametrize("value", [-40.0, 0.0, 20.0, 93.3, 212.0, 451.0])
@pytest.mark.parametrize(("unit", "theirs"), [("degC", "degC"), ("degF", "degF"), ("K", "kelvin")])
def test_temperature_scales_agree_with_pint(unit: str, theirs: str, value: float) -> None:
    assert UNITS["temperature"][unit](value) == pytest.approx(REGISTRY.Quantity(value, theirs).to("degC").magnitude)


def test_every_unit_is_checked_against_somebody() -> None:
    checked = {kind: set(units) for kind, units in PINT.items()}
    checked["pressure"] |= {"micron"}
    checked["temperature"] = {"degC", "degF", "K"}
    assert checked == {kind: set(units) for kind, units in UNITS.items()}
