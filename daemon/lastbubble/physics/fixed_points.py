"""The two temperatures that anybody can make at a bench, and how far a thermocouple may be off.

Ice point: crushed ice in water, stirred, 0 degC. Steam point: the boiling point of water at the pressure of the day,
which moves by 0.28 K per kPa, so a barometer or the altitude belongs to it. `two_points` checks a pair of readings
against them and gives the correction as the settings want it.

Sources: saturation line of IAPWS-IF97, region 4, backward equation (coefficients from memory; checked in
tests/published against shared/reference/fixed_points.csv and water_saturation.csv); thermocouple classes of IEC
60584-1:2013 by shared/reference/type_k_tolerance.csv.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from lastbubble.physics.atmosphere import standard_pressure_pa

__all__ = [
    "CHECK_DUE_DAYS",
    "ICE_POINT_C",
    "Grade",
    "PointCheck",
    "reading_limit_k",
    "reading_spread_k",
    "steam_point_at_altitude_c",
    "steam_point_c",
    "tolerance_k",
    "two_points",
]

#: How far a probe may be off: checked at two points, or by the class of its wire.
Grade = Literal["checked", "class_1", "class_2"]
ICE_POINT_C: Final = 0.0
#: Common practice, no published source: twice a year, and after any work on the probe.
CHECK_DUE_DAYS: Final = 180
_N: Final = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
)  # fmt: skip


def steam_point_c(pressure_pa: float) -> float:
    """Boiling point of water at this absolute pressure [degC].

    pressure_pa : 20e3..200e3   station pressure, not reduced to sea level [Pa]

    >>> round(steam_point_c(101325.0), 2)
    99.97

    Raises ValueError out of range.
    """
    if not 20e3 <= pressure_pa <= 200e3:
        raise ValueError(f"pressure {pressure_pa} Pa is out of range 20e3 to 200e3; give the bench's own barometer")
    n = (0.0, *_N)
    beta = (pressure_pa / 1e6) ** 0.25
    e = beta**2 + n[3] * beta + n[6]
    f = n[1] * beta**2 + n[4] * beta + n[7]
    g = n[2] * beta**2 + n[5] * beta + n[8]
    d = 2 * g / (-f - math.sqrt(f * f - 4 * e * g))
    return float(n[10] + d - math.sqrt((n[10] + d) ** 2 - 4 * (n[9] + n[10] * d))) / 2 - 273.15


def steam_point_at_altitude_c(altitude_m: float) -> float:
    """Boiling point at an altitude in the standard atmosphere; the weather adds +-0.6 K [degC]."""
    return steam_point_c(standard_pressure_pa(altitude_m))


def tolerance_k(temperature_c: float, grade: Literal[1, 2] = 1) -> float:
    """What a new type K couple may be off by, IEC 60584-1 class 1 (1.5 K or 0.4 %) or 2 (2.5 K or 0.75 %) [K].

    temperature_c : -40..1000 [degC]. Raises ValueError out of range.
    """
    if not -40 <= temperature_c <= 1000:
        raise ValueError(f"temperature {temperature_c} degC is out of range -40 to 1000")
    least, part = (1.5, 0.004) if grade == 1 else (2.5, 0.0075)
    return max(least, part * abs(temperature_c))


def reading_spread_k(temperature_c: float, *, checked: bool, grade: Literal[1, 2] = 2) -> float:
    """Standard deviation of one reading: class over root 3 unchecked; 0.5 K once checked at two points; chip 0.25 K
    [K].

    The 0.5 K of a checked probe (ice and steam made at a bench, the chip's own step) is our judgement.
    """
    couple = 0.5 if checked else tolerance_k(temperature_c, grade) / math.sqrt(3)
    return math.hypot(couple, 0.25 / math.sqrt(3))


def reading_limit_k(temperature_c: float, grade: Grade) -> float:
    """What stands beside a reading as its +-: the class's own limit, or twice the standard deviation once checked [K].

    temperature_c : held inside -40..1000, where the classes are defined [degC]

    >>> reading_limit_k(95.0, "class_1"), reading_limit_k(95.0, "class_2"), round(reading_limit_k(95.0, "checked"), 1)
    (1.5, 2.5, 1.0)
    """
    held = min(max(temperature_c, -40.0), 1000.0)
    if grade == "checked":
        return 2 * reading_spread_k(held, checked=True)
    return tolerance_k(held, 2 if grade == "class_2" else 1)


@dataclass(frozen=True, slots=True)
class PointCheck:
    """A probe at the two points.

    points : ((shown, actual), (shown, actual)) for the settings' `calibration` [degC]
    worst_k : largest correction [K];  within_class : 1, 2 or None by IEC 60584-1
    good : False where a correction would only hide a fault;  text : for the person
    """

    points: tuple[tuple[float, float], tuple[float, float]]
    worst_k: float
    within_class: Literal[1, 2] | None
    good: bool
    text: str


def two_points(shown_ice_c: float, shown_steam_c: float, pressure_pa: float) -> PointCheck:
    """Judge the readings of a probe in ice water and in the steam over boiling water.

    Raises ValueError for a pressure out of range or a reading that is not finite.
    """
    if not (math.isfinite(shown_ice_c) and math.isfinite(shown_steam_c)):
        raise ValueError(f"readings must be finite, got {shown_ice_c} and {shown_steam_c}")
    steam = steam_point_c(pressure_pa)
    off = (ICE_POINT_C - shown_ice_c, steam - shown_steam_c)
    worst = max(abs(off[0]), abs(off[1]))
    grade: Literal[1, 2] | None = 1 if worst <= 1.5 else 2 if worst <= 2.5 else None
    points = ((shown_ice_c, ICE_POINT_C), (shown_steam_c, round(steam, 2)))
    slope = (steam - ICE_POINT_C) / (shown_steam_c - shown_ice_c) if shown_steam_c > shown_ice_c else 0.0
    if not 0.93 <= slope <= 1.07:
        text = (
            f"Between ice and steam the probe moves by {shown_steam_c - shown_ice_c:.1f} K; {steam:.1f} K is right: "
            "wrong type of couple, reversed, or spliced with copper. Mend it; no correction would hold."
        )
        return PointCheck(points, worst, None, False, text)
    if worst > 5:
        text = (
            f"The probe is {worst:.1f} K off at both ends alike: check the points (stirred ice, steam not water) again."
        )
        return PointCheck(points, worst, None, False, text)
    text = f"Off by {-off[0]:+.1f} K in ice and {-off[1]:+.1f} K in steam ({steam:.1f} degC today); " + (
        f"within IEC 60584-1 class {grade}." if grade else "outside IEC 60584-1 class 2, corrected by the two points."
    )
    return PointCheck(points, worst, grade, True, text)
