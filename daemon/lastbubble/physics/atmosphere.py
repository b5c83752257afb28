"""Standard atmosphere: the pressure of the air at a bench whose altitude is known and whose barometer is not.

Source: ISO 2533:1975, troposphere (the same numbers as the US Standard Atmosphere 1976). Weather moves the true
pressure by about 3 kPa either way (common knowledge, no source read), and a weather report is reduced to sea level:
neither is in here.
"""

from __future__ import annotations

from typing import Final

__all__ = ["ALTITUDE_RANGE_M", "STANDARD_PRESSURE_PA", "standard_altitude_m", "standard_pressure_pa"]

#: At mean sea level [Pa].
STANDARD_PRESSURE_PA: Final = 101325.0
#: Altitudes of benches; the formula itself holds up to 11 km [m].
ALTITUDE_RANGE_M: Final = (-500.0, 6000.0)

_EARTH_RADIUS_M: Final = 6356766.0
_SEA_LEVEL_K: Final = 288.15
_LAPSE_K_PER_M: Final = 0.0065
#: g0 / (R L) with g0 = 9.80665 m/s2, R = 287.05287 J/(kg K), L = 0.0065 K/m.
_EXPONENT: Final = 9.80665 / (287.05287 * _LAPSE_K_PER_M)


def standard_pressure_pa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere [Pa] at a geometric altitude above mean sea level [m].

    Raises ValueError outside ALTITUDE_RANGE_M and for NaN.
    """
    low, high = ALTITUDE_RANGE_M
    if not low <= altitude_m <= high:
        raise ValueError(f"altitude is {altitude_m:g} m; allowed {low:g} to {high:g} m")
    geopotential_m = _EARTH_RADIUS_M * altitude_m / (_EARTH_RADIUS_M + altitude_m)
    return float(STANDARD_PRESSURE_PA * (1 - _LAPSE_K_PER_M * geopotential_m / _SEA_LEVEL_K) ** _EXPONENT)


def standard_altitude_m(pressure_pa: float) -> float:
    """Geometric altitude [m] at which the standard atmosphere has `pressure_pa`: the inverse of `standard_pressure_pa`.

    Raises ValueError where that altitude lies outside ALTITUDE_RANGE_M.
    """
    low, high = (standard_pressure_pa(end) for end in reversed(ALTITUDE_RANGE_M))
    if not low <= pressure_pa <= high:
        raise ValueError(f"pressure of the air is {pressure_pa:g} Pa; allowed {low:.0f} to {high:.0f} Pa")
    geopotential_m = float(
        (1 - (pressure_pa / STANDARD_PRESSURE_PA) ** (1 / _EXPONENT)) * _SEA_LEVEL_K / _LAPSE_K_PER_M
    )
    return _EARTH_RADIUS_M * geopotential_m / (_EARTH_RADIUS_M - geopotential_m)
