"""The heat that the resin gives when it sets: how far it could lift a piece above the oven's air.

An upper bound only (full conversion, nothing lost): Delta T = w H / cp with w the resin's share of the mass. What
really happens is less, and later than pure conduction says or earlier, so the pipeline uses this as a bound on what
is believable and as the height that a limit must leave room for. Values in shared/reference/exotherm.csv.
"""

from __future__ import annotations

from typing import Final

__all__ = ["METHACRYLATE_J_KG", "adiabatic_rise_k", "most_rise_k", "resin_mass_share"]

#: Heat of polymerisation of methyl methacrylate: 57.8 kJ/mol over 100.12 g/mol (Polymer Handbook, from memory; 52.3
#: kJ/mol by DSC 1974, read). Longer methacrylates give less per kilogram, so this bounds them.
METHACRYLATE_J_KG: Final = 57.8e3 / 0.10012


def adiabatic_rise_k(resin_share: float, cp_j_kgk: float, heat_j_kg: float = METHACRYLATE_J_KG) -> float:
    """Rise of a piece that keeps all the heat of its resin [K].

    resin_share : 0..1, mass of resin over mass of the piece [-];  cp_j_kgk : of the piece, > 0 [J/(kg K)]

    >>> round(adiabatic_rise_k(1.0, 1900.0))
    304

    Raises ValueError out of range. Source: an energy balance; heat see METHACRYLATE_J_KG.
    """
    if not 0 <= resin_share <= 1:
        raise ValueError(f"resin share {resin_share} is out of range 0 to 1")
    if not cp_j_kgk > 0:
        raise ValueError(f"heat capacity {cp_j_kgk} must be above 0")
    return resin_share * heat_j_kg / cp_j_kgk


def resin_mass_share(pores: float, full: float, solid_kg_m3: float, resin_kg_m3: float = 940.0) -> float:
    """Mass share of resin in a piece: `pores` of its volume, `full` of those filled, the solid's own density [-]."""
    if not (0 <= pores <= 1 and 0 <= full <= 1):
        raise ValueError(f"shares must be 0 to 1, got pores={pores}, full={full}")
    resin = pores * full * resin_kg_m3
    return resin / (resin + (1 - pores) * solid_kg_m3)


def most_rise_k(density_kg_m3: float, cp_j_kgk: float, *, wood: bool) -> float:
    """The most that the resin could lift a filled piece of this kind by, none of its heat lost [K].

    density_kg_m3, cp_j_kgk : of the filled piece, > 0. Pores at most 35 % of a stone and 70 % of punky wood, full of
    resin of 1070 kg/m3 (`shared/reference/porous_media.csv`; upper ends). Raises ValueError out of range.
    """
    if not density_kg_m3 > 0:
        raise ValueError(f"density {density_kg_m3} must be above 0")
    share = (0.70 if wood else 0.35) * 1070.0 / density_kg_m3
    return adiabatic_rise_k(min(share, 1.0), cp_j_kgk)
