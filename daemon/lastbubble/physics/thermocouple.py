"""Type K thermocouple by ITS-90: electromotive force from temperature and back, and what a straight-line chip meant.

Standard library only: the guard imports this.

Source: NIST Standard Reference Database 60 (NIST Monograph 175, the same functions as IEC 60584-1 and ASTM E230); the
digits lie in `shared/reference/type_k_coefficients.csv`, and a test holds the constants here against that table. NIST
gives its inverse polynomials within -0.05..+0.06 K of the reference function; here they are only the start of two
Newton steps on the reference function itself, so that both ways agree within 1e-7 K (the two pieces of the function
miss each other by 2e-9 mV at 0 degC).
"""

from __future__ import annotations

from math import exp
from typing import Final

__all__ = [
    "EMF_RANGE_MV",
    "EMF_TEMPERATURE_RANGE_C",
    "INVERSE_RANGE_C",
    "MAX31855_MV_PER_K",
    "emf_mv",
    "seebeck_mv_per_k",
    "straight_line_to_true_c",
    "temperature_c",
    "true_to_straight_line_c",
]

#: Where the reference function is defined, and where its inverse is [degC], [mV].
EMF_TEMPERATURE_RANGE_C: Final = (-270.0, 1372.0)
INVERSE_RANGE_C: Final = (-200.0, 1372.0)
#: Electromotive force at the ends of INVERSE_RANGE_C, outwards by the table's last digit [mV].
EMF_RANGE_MV: Final = (-5.892, 54.887)

#: Slope of the straight line that the MAX31855 assumes for type K [mV/K] (its datasheet, thermocouple table).
MAX31855_MV_PER_K: Final = 0.041276

_BELOW: Final = (
    0.0,
    0.394501280250e-01,
    0.236223735980e-04,
    -0.328589067840e-06,
    -0.499048287770e-08,
    -0.675090591730e-10,
    -0.574103274280e-12,
    -0.310888728940e-14,
    -0.104516093650e-16,
    -0.198892668780e-19,
    -0.163226974860e-22,
)
_ABOVE: Final = (
    -0.176004136860e-01,
    0.389212049750e-01,
    0.185587700320e-04,
    -0.994575928740e-07,
    0.318409457190e-09,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)
#: The bump that the magnetic transition of the nickel leg makes: a0 exp(a1 (t - a2)^2).
_BUMP: Final = (0.118597600000e00, -0.118343200000e-03, 0.126968600000e03)

#: (upper end [mV], coefficients) of the three inverse polynomials.
_INVERSE: Final = (
    (
        0.0,
        (
            0.0,
            2.5173462e01,
            -1.1662878e00,
            -1.0833638e00,
            -8.9773540e-01,
            -3.7342377e-01,
            -8.6632643e-02,
            -1.0450598e-02,
            -5.1920577e-04,
        ),
    ),
    (
        20.644,
        (
            0.0,
            2.508355e01,
            7.860106e-02,
            -2.503131e-01,
            8.315270e-02,
            -1.228034e-02,
            9.804036e-04,
            -4.413030e-05,
            1.057734e-06,
            -1.052755e-08,
        ),
    ),
    (
        EMF_RANGE_MV[1],
        (
            -1.318058e02,
            4.830222e01,
            -1.646031e00,
            5.464731e-02,
            -9.650715e-04,
            8.802193e-06,
            -3.110810e-08,
        ),
    ),
)


def _emf_and_slope(t: float) -> tuple[float, float]:
    """E [mV] and dE/dt [mV/K] at t [degC], without a look at the range."""
    value = slope = 0.0
    for coefficient in reversed(_BELOW if t <= 0 else _ABOVE):
        slope = slope * t + value
        value = value * t + coefficient
    if t > 0:
        height, width, centre = _BUMP
        bump = height * exp(width * (t - centre) * (t - centre))
        value += bump
        slope += 2 * width * (t - centre) * bump
    return value, slope


def _within(value: float, allowed: tuple[float, float], what: str) -> None:
    # Written so that a NaN fails it.
    if not allowed[0] <= value <= allowed[1]:
        raise ValueError(f"type K: {what} is {value:g}; allowed {allowed[0]:g} to {allowed[1]:g}")


def emf_mv(hot_c: float) -> float:
    """Electromotive force of a type K couple, hot end at `hot_c` [degC], reference junction at 0 degC [mV].

    Raises ValueError outside EMF_TEMPERATURE_RANGE_C and for NaN.
    """
    _within(hot_c, EMF_TEMPERATURE_RANGE_C, "temperature in degC")
    return _emf_and_slope(hot_c)[0]


def seebeck_mv_per_k(hot_c: float) -> float:
    """Slope of `emf_mv` [mV/K] at `hot_c` [degC]; same errors."""
    _within(hot_c, EMF_TEMPERATURE_RANGE_C, "temperature in degC")
    return _emf_and_slope(hot_c)[1]


def temperature_c(emf: float) -> float:
    """Hot end's temperature [degC] at `emf` [mV], reference junction at 0 degC: the inverse of `emf_mv`.

    Raises ValueError outside EMF_RANGE_MV and for NaN.
    """
    _within(emf, EMF_RANGE_MV, "electromotive force in mV")
    t = 0.0
    for top, coefficients in _INVERSE:
        if emf <= top:
            for coefficient in reversed(coefficients):
                t = t * emf + coefficient
            break
    for _ in range(2):
        value, slope = _emf_and_slope(t)
        t -= (value - emf) / slope
    return t


def straight_line_to_true_c(shown_c: float, junction_c: float) -> float:
    """True hot-end temperature [degC] behind what a MAX31855 shows.

    The chip takes the couple for a straight line of MAX31855_MV_PER_K and adds its own temperature; both are undone:
    E(T) = slope (shown - junction) + E(junction).

    shown_c : the chip's thermocouple word [degC];  junction_c : its cold-junction word [degC]
    Raises ValueError where that electromotive force belongs to no type K temperature.
    """
    return temperature_c(MAX31855_MV_PER_K * (shown_c - junction_c) + emf_mv(junction_c))


def true_to_straight_line_c(hot_c: float, junction_c: float) -> float:
    """What a MAX31855 at `junction_c` shows for a couple at `hot_c` [degC], before it rounds to 0.25 K."""
    return junction_c + (emf_mv(hot_c) - emf_mv(junction_c)) / MAX31855_MV_PER_K
