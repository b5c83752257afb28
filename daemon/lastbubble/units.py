"""Units at the edge: text a person writes -> SI, SI -> text in the station's units.

Inside the house temperatures are degC, temperature differences K, pressures Pa absolute, lengths m, times s.
Factors are exact by definition where one exists (25.4e-3, 101325/760); the others name their source in
`shared/reference/pressure_units.csv`. A number without a unit is refused: 200 may be degF or degC.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

__all__ = [
    "PRESSURE_DISPLAYS",
    "TEMPERATURE_DISPLAYS",
    "UNITS",
    "Display",
    "Kind",
    "PressureDisplay",
    "TemperatureDisplay",
    "pa_from",
    "parse",
]

Kind = Literal[
    "temperature",
    "temperature_difference",
    "temperature_rate",
    "pressure",
    "length",
    "duration",
    "volume",
    "volume_flow",
    "mass",
    "voltage",
    "current",
    "resistance",
    "frequency",
]

Convert = Callable[[float], float]


def _times(factor: float) -> Convert:
    return lambda value: value * factor


INCH_M: Final = 25.4e-3
TORR_PA: Final = 101325 / 760
INHG_PA: Final = 3386.389  # 0 degC column, NIST SP 811 (shared/reference/pressure_units.csv)
MMHG_PA: Final = 133.322387
PSI_PA: Final = 6894.757293168

_PRESSURE: Final[Mapping[str, float]] = {
    "Pa": 1.0,
    "hPa": 100.0,
    "kPa": 1e3,
    "MPa": 1e6,
    "mbar": 100.0,
    "bar": 1e5,
    "Torr": TORR_PA,
    "mTorr": TORR_PA / 1000,
    "micron": TORR_PA / 1000,
    "mmHg": MMHG_PA,
    "inHg": INHG_PA,
    "psi": PSI_PA,
    "atm": 101325.0,
    "inH2O": 249.08891,
}

UNITS: Final[Mapping[Kind, Mapping[str, Convert]]] = {
    "temperature": {
        "degC": _times(1.0),
        "degF": lambda value: (value - 32) / 1.8,
        "K": lambda value: value - 273.15,
    },
    "temperature_difference": {"K": _times(1.0), "degC": _times(1.0), "degF": _times(1 / 1.8)},
    "temperature_rate": {
        "K/s": _times(1.0),
        "K/min": _times(1 / 60),
        "degC/min": _times(1 / 60),
        "degF/min": _times(1 / 108),
        "K/h": _times(1 / 3600),
    },
    "pressure": {name: _times(factor) for name, factor in _PRESSURE.items()},
    "length": {"m": _times(1.0), "cm": _times(1e-2), "mm": _times(1e-3), "in": _times(INCH_M), "ft": _times(0.3048)},
    "duration": {
        "s": _times(1.0),
        "ms": _times(1e-3),
        "min": _times(60.0),
        "h": _times(3600.0),
        "d": _times(86400.0),
    },
    "volume": {
        "m3": _times(1.0),
        "L": _times(1e-3),
        "l": _times(1e-3),
        "mL": _times(1e-6),
        "ml": _times(1e-6),
        "gal": _times(3.785411784e-3),
        "qt": _times(9.46352946e-4),
    },
    "volume_flow": {
        "m3/s": _times(1.0),
        "m3/h": _times(1 / 3600),
        "L/s": _times(1e-3),
        "L/min": _times(1e-3 / 60),
        "l/min": _times(1e-3 / 60),
        "cfm": _times(4.719474432e-4),
    },
    "mass": {
        "kg": _times(1.0),
        "g": _times(1e-3),
        "mg": _times(1e-6),
        "oz": _times(0.028349523125),
        "lb": _times(0.45359237),
    },
    "voltage": {"V": _times(1.0), "mV": _times(1e-3)},
    "current": {"A": _times(1.0), "mA": _times(1e-3)},
    "resistance": {"ohm": _times(1.0), "kohm": _times(1e3)},
    "frequency": {"Hz": _times(1.0), "kHz": _times(1e3), "MHz": _times(1e6)},
}

_SYNONYMS: Final[Mapping[str, str]] = {
    "°C": "degC", "C": "degC", "°F": "degF", "F": "degF", "torr": "Torr", "microns": "micron", "sec": "s",
    "minutes": "min", "minute": "min", "hours": "h", "hour": "h", "hr": "h", "days": "d", "day": "d", "seconds": "s",
    "inch": "in", "inches": "in", '"': "in", "Ω": "ohm", "liter": "L", "litre": "L", "liters": "L", "litres": "L",
    "in Hg": "inHg", "inches Hg": "inHg", "mm Hg": "mmHg", "°C/min": "degC/min", "°F/min": "degF/min",
}  # fmt: skip

_NUMBER: Final = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_BARE: Final = re.compile(rf"\s*{_NUMBER}\s*", re.ASCII)
_QUANTITY: Final = re.compile(rf"\s*({_NUMBER})\s*(\S(?:.*\S)?)\s*", re.ASCII)


def parse(text: str, kind: Kind) -> float:
    """The SI value of a quantity as a person writes it.

    >>> round(parse("200 degF", "temperature"), 3)
    93.333
    >>> round(parse("1.5 in", "length"), 6)
    0.0381

    Raises
    ------
    ValueError    no number, no unit, or a unit of another kind; the text names the units that are allowed.
    """
    allowed = ", ".join(UNITS[kind])
    if _BARE.fullmatch(text):
        # Told first: a unit would otherwise be looked for in the number's own last digits.
        raise ValueError(f"{text!r} has no unit; allowed units: {allowed}")
    found = _QUANTITY.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is not a number with a unit; allowed units: {allowed}")
    number, unit = float(found[1]), found[2]
    convert = UNITS[kind].get(unit) or UNITS[kind].get(_SYNONYMS.get(unit, ""))
    if convert is None:
        raise ValueError(f"{text!r}: {unit!r} is no unit of {kind.replace('_', ' ')}; allowed: {allowed}")
    value = convert(number)
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not finite")
    return value


TemperatureDisplay = Literal["degC", "degF"]
PressureDisplay = Literal["inHg vacuum", "Torr", "mbar", "kPa", "Pa"]
TEMPERATURE_DISPLAYS: Final[tuple[TemperatureDisplay, ...]] = ("degC", "degF")
PRESSURE_DISPLAYS: Final[tuple[PressureDisplay, ...]] = ("inHg vacuum", "Torr", "mbar", "kPa", "Pa")


def pa_from(value: float, unit: str) -> float:
    """`value` of a plain pressure unit (see UNITS["pressure"]) in Pa. ValueError for an unknown unit."""
    return UNITS["pressure"][_checked(unit)](value)


def _checked(unit: str) -> str:
    unit = _SYNONYMS.get(unit, unit)
    if unit not in UNITS["pressure"]:
        raise ValueError(f"{unit!r} is no unit of pressure; allowed: {', '.join(UNITS['pressure'])}")
    return unit


@dataclass(frozen=True, slots=True)
class Display:
    """How one station wants to read its numbers.

    temperature : "degC" | "degF"
    pressure : one of PRESSURE_DISPLAYS; "inHg vacuum" is the depth below the barometer
    barometer_pa : float > 0    for "inHg vacuum" only                                                     [Pa]
    """

    temperature: TemperatureDisplay = "degC"
    pressure: PressureDisplay = "mbar"
    barometer_pa: float = 101325.0

    def temperature_value(self, celsius: float) -> float:
        return celsius if self.temperature == "degC" else celsius * 1.8 + 32

    def difference_value(self, kelvin: float) -> float:
        return kelvin if self.temperature == "degC" else kelvin * 1.8

    def pressure_value(self, pascal: float) -> float:
        match self.pressure:
            case "inHg vacuum":
                return (self.barometer_pa - pascal) / INHG_PA
            case "Torr":
                return pascal / TORR_PA
            case "mbar":
                return pascal / 100
            case "kPa":
                return pascal / 1000
            case "Pa":
                return pascal

    def temperature_text(self, celsius: float | None, digits: int = 1) -> str:
        if celsius is None:
            return "no reading"
        return f"{_fixed(self.temperature_value(celsius), digits)} {'°C' if self.temperature == 'degC' else '°F'}"

    def pressure_text(self, pascal: float | None) -> str:
        if pascal is None:
            return "no reading"
        value = self.pressure_value(pascal)
        if self.pressure == "inHg vacuum":
            return f"{_fixed(value, 2)} inHg vacuum"
        # Three digits that mean something; of the rounded value, since 0.9996 is shown as 1.00.
        size = abs(float(f"{value:.2e}"))
        digits = max(0, 2 - math.floor(math.log10(size))) if size else 2
        return f"{_fixed(value, min(digits, 4))} {self.pressure}"


def _fixed(value: float, digits: int) -> str:
    # Adding 0.0 takes the sign off a zero.
    return f"{round(value, digits) + 0.0:.{digits}f}"
