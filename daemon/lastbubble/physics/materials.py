"""What a piece is made of: thermal properties with honest spreads, from `shared/materials.csv`.

A person writes "spalted maple" or "chalk turquoise, dyed"; the library knows groups. `material(name)` finds the group
by the longest known word in the name, and gives the group "unknown" with wide spreads rather than guess finely.
Conductivity and heat capacity per volume are lognormal priors.

Also the relations the library was made with: wood by density and moisture, and mixing of a porous solid with resin.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from functools import cache

from lastbubble.data import data_path

__all__ = ["Material", "filled", "library", "material", "wood"]


@dataclass(frozen=True, slots=True)
class Material:
    """Properties of a piece as it goes into the oven.

    density_kg_m3, k_w_mk, cp_j_kgk : medians                             [kg/m3], [W/(m K)], [J/(kg K)]
    k_spread, rc_spread : standard deviation of ln k and of ln (density cp)                         [-]
    """

    name: str
    words: tuple[str, ...]
    density_kg_m3: float
    k_w_mk: float
    cp_j_kgk: float
    k_spread: float
    rc_spread: float
    source: str

    @property
    def heat_capacity_j_m3k(self) -> float:
        return self.density_kg_m3 * self.cp_j_kgk

    @property
    def diffusivity_m2_s(self) -> float:
        return self.k_w_mk / self.heat_capacity_j_m3k


@cache
def library() -> dict[str, Material]:
    """Every group of `shared/materials.csv` by name. Raises FileNotFoundError when the package's data are missing."""
    with open(data_path("shared", "materials.csv"), encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        out: dict[str, Material] = {}
        for row in rows:
            words = tuple(word for word in row["words"].split(";") if word)
            out[row["name"]] = Material(
                row["name"],
                words,
                float(row["density_kg_m3"]),
                float(row["k_w_mk"]),
                float(row["cp_j_kgk"]),
                float(row["k_spread"]),
                float(row["rc_spread"]),
                row["source"],
            )
    return out


def material(name: str) -> Material:
    """The library's group for a material as a person wrote it; "unknown" where no word is known.

    >>> material("Spalted maple blanks").name
    'punky wood'
    >>> material("").name
    'unknown'
    """
    text = " ".join(re.findall(r"[a-z]+", name.lower()))
    best, length = library()["unknown"], 0
    for group in library().values():
        for word in (group.name, *group.words):
            if len(word) > length and re.search(rf"\b{re.escape(word)}(s|es|en)?\b", text):
                best, length = group, len(word)
    return best


def wood(gravity: float, moisture_percent: float, temperature_c: float = 25.0) -> tuple[float, float, float]:
    """Conductivity across the grain [W/(m K)], heat capacity [J/(kg K)] and density [kg/m3] of wood.

    gravity : 0.3..0.9   oven-dry mass over volume at this moisture, over 1000 kg/m3 [-]
    moisture_percent : 0..25   mass of water over oven-dry mass [%]
    temperature_c : 7..147   the heat capacity's range (280..420 K); the conductivity is for 24 degC [degC]

    >>> [round(x, 3) for x in wood(0.55, 12, 20.0)]
    [0.152, 1620.168, 616.0]

    Raises ValueError out of range. Good to +-20 % (the source). Source: USDA Wood Handbook, FPL-GTR-190, chapter 4,
    equations 4-15 to 4-18; values in shared/reference/wood_thermal.csv.
    """
    if not 0.3 <= gravity <= 0.9:
        raise ValueError(f"gravity {gravity} is out of range 0.3 to 0.9")
    if not 0 <= moisture_percent <= 25:
        raise ValueError(f"moisture {moisture_percent} % is out of range 0 to 25")
    if not 6.85 <= temperature_c <= 146.85:
        raise ValueError(f"temperature {temperature_c} degC is out of range 7 to 147")
    x, t_k = moisture_percent, temperature_c + 273.15
    k_w_mk = gravity * (0.1941 + 0.004064 * x) + 0.01864
    dry = 0.1031 + 0.003867 * t_k
    extra = x * (-0.06191 + 2.36e-4 * t_k - 1.33e-4 * x)
    cp_kj_kgk = (dry + 4.18 * x / 100) / (1 + x / 100) + (extra if x > 0 else 0.0)
    return k_w_mk, cp_kj_kgk * 1000, 1000 * gravity * (1 + x / 100)


def filled(
    solid: tuple[float, float, float],
    resin: tuple[float, float, float],
    *,
    pores: float,
    full: float = 1.0,
) -> tuple[float, float, float]:
    """Conductivity, heat capacity and density of a porous piece whose pores hold resin.

    solid, resin : (conductivity [W/(m K)], heat capacity [J/(kg K)], density [kg/m3]); the solid without its pores
    pores : 0..1, share of the volume;  full : 0..1, share of the pores that holds resin, the rest air (0.026 W/(m K))

    Conductivity is the geometric mean by volume, usual for rock (Sass et al. 1971, from memory); the rest is exact.

    >>> k, cp, rho = filled((2.5, 850, 2700), (0.19, 1500, 1070), pores=0.25)
    >>> round(k, 2), round(cp), round(rho)
    (1.31, 926, 2292)

    Raises ValueError for a share out of range.
    """
    if not (0 <= pores <= 1 and 0 <= full <= 1):
        raise ValueError(f"shares must be 0 to 1, got pores={pores}, full={full}")
    with_resin, with_air = pores * full, pores * (1 - full)
    k_w_mk = solid[0] ** (1 - pores) * resin[0] ** with_resin * 0.026**with_air
    density = solid[2] * (1 - pores) + resin[2] * with_resin
    heat = solid[1] * solid[2] * (1 - pores) + resin[1] * resin[2] * with_resin
    return k_w_mk, heat / density, density
