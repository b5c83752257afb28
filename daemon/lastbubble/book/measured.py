"""A quantity as a person wrote it down, with how well it is known.

A number's last digit tells how far to trust it: half its width either way for the rounding and as much for the scale
(our judgement), spread evenly, so the standard uncertainty is one digit over the square root of three (JCGM 100:2008,
4.3.7). "+-" after the number says it outright. Uncertainties are carried on to first order (JCGM 100:2008, 5.1.2).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from lastbubble.units import UNITS, Kind, parse

__all__ = ["Measured", "density", "lognormal_band", "quantity", "share"]

_Z80: Final = 1.2815515655446004  # a normal's 90 % point
_SPLIT: Final = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_NUMBER: Final = re.compile(r"\s*([+-]?\d*\.?\d+(?:[eE][+-]?\d+)?)\s*(.*?)\s*", re.ASCII)
_DENSITIES: Final[Mapping[str, float]] = {
    "kg/m3": 1.0,
    "g/ml": 1e3,
    "g/mL": 1e3,
    "g/cm3": 1e3,
    "g/cc": 1e3,
    "kg/L": 1e3,
}


@dataclass(frozen=True, slots=True)
class Measured:
    """value : best estimate;  sd : its standard uncertainty, >= 0, in the same unit"""

    value: float
    sd: float = 0.0

    def plus(self, other: Measured) -> Measured:
        return Measured(self.value + other.value, math.hypot(self.sd, other.sd))

    def minus(self, other: Measured) -> Measured:
        return Measured(self.value - other.value, math.hypot(self.sd, other.sd))

    def times(self, other: Measured) -> Measured:
        return Measured(self.value * other.value, math.hypot(self.sd * other.value, other.sd * self.value))

    def over(self, other: Measured) -> Measured:
        """ZeroDivisionError for nothing below the line."""
        ratio = self.value / other.value
        return Measured(ratio, math.hypot(self.sd / other.value, ratio * other.sd / other.value))

    def scaled(self, factor: float) -> Measured:
        return Measured(self.value * factor, self.sd * abs(factor))

    def to_power(self, power: float) -> Measured:
        """Of a value above 0."""
        value = self.value**power
        return Measured(value, abs(power) * value * self.sd / self.value)


def lognormal_band(middle: Measured) -> tuple[float, float]:
    """80 % band of a quantity that cannot be negative: the same first-order spread, on the logarithm."""
    if middle.value <= 0:
        return 0.0, max(0.0, middle.value + _Z80 * middle.sd)
    width = _Z80 * middle.sd / middle.value
    return middle.value * math.exp(-width), middle.value * math.exp(width)


def _read(text: str, convert: Callable[[str], float]) -> Measured:
    """`convert` is linear through zero: what the digits and the "+-" stand for goes through it too."""
    main, *more = _SPLIT.split(text.strip())
    if len(more) > 1:
        raise ValueError(f"{text!r} has more than one +-")
    found = _NUMBER.fullmatch(main)
    if found is None:
        raise ValueError(f"{text!r} is not a number with a unit")
    number, unit = found[1], found[2]
    if more:
        spread = _NUMBER.fullmatch(more[0])
        if spread is None:
            raise ValueError(f"{text!r}: after +- a number is wanted")
        # "12.1 +- 0.2 mm" has its unit at the end only.
        unit = unit or spread[2]
        return Measured(convert(f"{number} {unit}"), abs(convert(f"{spread[1]} {spread[2] or unit}")))
    mantissa, _, exponent = number.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    digit = f"1e{int(exponent or 0) - decimals}"
    return Measured(convert(f"{number} {unit}"), abs(convert(f"{digit} {unit}")) / math.sqrt(3))


def quantity(text: str, kind: Kind) -> Measured:
    """A mass, length or volume as it was written, in SI.

    >>> found = quantity("412.3 g", "mass"); round(found.value, 6), round(found.sd, 8)
    (0.4123, 5.774e-05)
    >>> quantity("12.1 +- 0.2 mm", "length").sd
    0.0002

    Raises ValueError saying what is allowed; for nothing or less too.
    """

    def convert(part: str) -> float:
        if part.endswith(" "):
            raise ValueError(f"{text!r} has no unit; allowed units: {', '.join(UNITS[kind])}")
        return parse(part, kind)

    found = _read(text, convert)
    if found.value <= 0:
        raise ValueError(f"{text!r} is not above zero")
    return found


def density(text: str) -> Measured:
    """A density, as "1.07 g/ml", in kg/m3. Raises ValueError saying which units are allowed."""

    def convert(part: str) -> float:
        number, _, unit = part.partition(" ")
        if unit not in _DENSITIES:
            raise ValueError(f"{text!r}: {unit!r} is no unit of density; allowed: {', '.join(_DENSITIES)}")
        return float(number) * _DENSITIES[unit]

    found = _read(text, convert)
    if not 100 <= found.value <= 10000:
        raise ValueError(f"{text!r} is out of range 100 to 10000 kg/m3")
    return found


def share(text: str) -> Measured:
    """A share of a whole, as "22 %", "0.22" or "22 +- 3 %". Raises ValueError outside 0 to 1."""

    def convert(part: str) -> float:
        number, _, unit = part.partition(" ")
        if unit not in ("", "%"):
            raise ValueError(f"{text!r}: {unit!r} is no share; write such as '22 %' or '0.22'")
        return float(number) / (100 if unit else 1)

    found = _read(text, convert)
    if not 0 <= found.value <= 1:
        raise ValueError(f"{text!r} is out of range 0 to 100 %")
    return found
