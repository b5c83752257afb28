"""Relations of rough-vacuum practice: pumping down, tubes, leaks, vapours, bubbles.

Plain functions in SI: pressures Pa absolute, volumes m3, speeds and conductances m3/s, gas loads Pa m3/s (pV per time,
at room temperature), lengths m, times s, temperatures degC. Each raises ValueError for what cannot be. Rough vacuum
only: isothermal, ideal gas, air near 20 degC unless said otherwise.
"""

from __future__ import annotations

import math
from typing import Final

__all__ = [
    "bubble_gas_pa_m3",
    "fill_share",
    "laminar_conductance_m3_s",
    "leak_rate_pa_m3_s",
    "mbar_l_s",
    "methyl_methacrylate_pa",
    "molecular_conductance_m3_s",
    "pressure_lift_pa",
    "pump_down_s",
    "series_m3_s",
    "time_constant_s",
    "tube_conductance_m3_s",
    "water_saturation_pa",
]

#: Viscosity of air at 20 degC [Pa s] and mean thermal speed of its molecules [m/s].
AIR_VISCOSITY_PA_S: Final = 18.2e-6
AIR_SPEED_M_S: Final = 463.0


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise ValueError(f"{name} is {value}; it must be above 0")


def pump_down_s(volume_m3: float, speed_m3_s: float, from_pa: float, to_pa: float, base_pa: float = 0.0) -> float:
    """Time to pump a tight, dry chamber from one pressure to another at constant speed.

    t = (V/S) ln((p0 - pb)/(p1 - pb)), the textbook formula; pb is the pressure it would end at. Real pump-downs slow
    towards the base, where hose and pump give less (`tube_conductance_m3_s`). Raises ValueError when `to_pa` is never
    reached.
    """
    _positive(volume_m3=volume_m3, speed_m3_s=speed_m3_s, from_pa=from_pa)
    if not base_pa < to_pa <= from_pa:
        raise ValueError(f"to_pa is {to_pa}; allowed above the base {base_pa} and up to {from_pa}")
    return volume_m3 / speed_m3_s * math.log((from_pa - base_pa) / (to_pa - base_pa))


def time_constant_s(volume_m3: float, speed_m3_s: float) -> float:
    """V/S [s]."""
    _positive(volume_m3=volume_m3, speed_m3_s=speed_m3_s)
    return volume_m3 / speed_m3_s


def laminar_conductance_m3_s(diameter_m: float, length_m: float, mean_pa: float) -> float:
    """Conductance of a long round tube for air, viscous laminar flow (Hagen-Poiseuille).

    C = pi d^4 p / (128 eta L). At high pressure and in short tubes the flow is turbulent or choked and less than this.
    """
    _positive(diameter_m=diameter_m, length_m=length_m, mean_pa=mean_pa)
    return math.pi * diameter_m**4 * mean_pa / (128 * AIR_VISCOSITY_PA_S * length_m)


def molecular_conductance_m3_s(diameter_m: float, length_m: float) -> float:
    """Conductance of a long round tube for air, molecular flow (Knudsen): C = pi v d^3 / (12 L)."""
    _positive(diameter_m=diameter_m, length_m=length_m)
    return math.pi * AIR_SPEED_M_S * diameter_m**3 / (12 * length_m)


def tube_conductance_m3_s(diameter_m: float, length_m: float, mean_pa: float) -> float:
    """Conductance over the whole range: laminar plus molecular part with Knudsen's factor between them.

    (1 + 192 d p)/(1 + 237 d p) with d in cm, p in mbar (handbook form of Knudsen's interpolation).
    """
    product = diameter_m * 100 * mean_pa / 100
    factor = (1 + 192 * product) / (1 + 237 * product)
    laminar = laminar_conductance_m3_s(diameter_m, length_m, mean_pa)
    return laminar + molecular_conductance_m3_s(diameter_m, length_m) * factor


def series_m3_s(*parts_m3_s: float) -> float:
    """Pump and tubes one behind the other: 1/S = sum 1/C."""
    if not parts_m3_s:
        raise ValueError("nothing to put in series")
    for part in parts_m3_s:
        _positive(part=part)
    return 1 / sum(1 / part for part in parts_m3_s)


def leak_rate_pa_m3_s(volume_m3: float, rise_pa_s: float) -> float:
    """Pressure-rise method: Q = V dp/dt [Pa m3/s] (EN 1779, technique of pressure change)."""
    _positive(volume_m3=volume_m3)
    return volume_m3 * rise_pa_s


def mbar_l_s(rate_pa_m3_s: float) -> float:
    """The same gas load in mbar l/s (1 Pa m3/s = 10 mbar l/s, exact)."""
    return 10 * rate_pa_m3_s


def bubble_gas_pa_m3(diameter_m: float, inside_pa: float) -> float:
    """Gas in one bubble, p V [Pa m3]. `inside_pa`: pressure in it as it leaves the resin."""
    _positive(diameter_m=diameter_m, inside_pa=inside_pa)
    return inside_pa * math.pi * diameter_m**3 / 6


def pressure_lift_pa(gas_load_pa_m3_s: float, speed_m3_s: float) -> float:
    """How far a gas load lifts a pumped chamber over its base: Q/S [Pa]."""
    _positive(speed_m3_s=speed_m3_s)
    return gas_load_pa_m3_s / speed_m3_s


def fill_share(chamber_pa: float, atmosphere_pa: float) -> float:
    """Share of a pore that resin fills when air is let back on: 1 - p/p_atm (Boyle; no capillarity, no vapour)."""
    _positive(atmosphere_pa=atmosphere_pa)
    if not 0 <= chamber_pa <= atmosphere_pa:
        raise ValueError(f"chamber_pa is {chamber_pa}; allowed 0 to {atmosphere_pa}")
    return 1 - chamber_pa / atmosphere_pa


def water_saturation_pa(temperature_c: float) -> float:
    """Saturation pressure of water, 0.01 to 373 degC (Wagner and Pruss 1993, IAPWS SR1-86).

    Wet pieces hold the chamber here until they are dry.
    """
    if not 0.01 <= temperature_c <= 373.9:
        raise ValueError(f"temperature_c is {temperature_c}; allowed 0.01 to 373.9")
    kelvin = temperature_c + 273.15
    theta = 1 - kelvin / 647.096
    series = (
        -7.85951783 * theta
        + 1.84408259 * theta**1.5
        - 11.7866497 * theta**3
        + 22.6807411 * theta**3.5
        - 15.9618719 * theta**4
        + 1.80122502 * theta**7.5
    )
    return 22.064e6 * math.exp(647.096 / kelvin * series)


def methyl_methacrylate_pa(temperature_c: float) -> float:
    """Vapour pressure of methyl methacrylate, 0 to 100 degC (Antoine, NIST WebBook: Brockhaus and Jenckel 1956).

    Fitted between 39 and 89 degC, extrapolated outside. Below this pressure the monomer itself boils and bubbling
    does not stop; the heavier methacrylates of stabilising resins stand at some pascals.
    """
    if not 0 <= temperature_c <= 101:
        raise ValueError(f"temperature_c is {temperature_c}; allowed 0 to 101")
    return 101325.0 * 10 ** (5.37214 - 1945.56 / (temperature_c + 273.15 - 7.569))
