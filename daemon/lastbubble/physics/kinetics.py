"""How fast an initiator works at a temperature: the dose view of a cure.

The resin sets because an initiator falls apart; how fast it does follows Arrhenius, k_d = A exp(-E / R T). A minute
at a higher core temperature counts for more, one below for less: `equivalent_rate` says by how much. Shown beside the
simple hold, it decides nothing by default: which initiator is in a bottle is seldom told, and the resin's inhibitor
and its glass point set limits that no dose knows.

Constants: Polymer Handbook data reprinted in a supplier's technical sheet (shared/reference/initiators.csv, good to
+-30 %); the azo line by Van Hook & Tobolsky 1958 (formula from memory, agrees with the sheet's three points within
20 %); benzoyl peroxide from its 60 degC point and E = 31.0 kcal/mol (1942, abstract read).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

__all__ = ["GAS_CONSTANT_J_MOLK", "INITIATORS", "Initiator", "equivalent_rate", "initiator"]

GAS_CONSTANT_J_MOLK: Final = 8.314462618  # exact in the SI
_CAL_J: Final = 4.184  # thermochemical calorie, exact by definition


@dataclass(frozen=True, slots=True)
class Initiator:
    """One initiator's first-order decay.

    anchor_1_s at anchor_c : a published rate [1/s], [degC];  activation_j_mol : > 0 [J/mol];  basis : where from
    """

    name: str
    anchor_1_s: float
    anchor_c: float
    activation_j_mol: float
    basis: str

    def rate_1_s(self, temperature_c: float) -> float:
        """Share that decomposes per second at this temperature [1/s]. ValueError outside -50..200 degC."""
        if not -50 <= temperature_c <= 200:
            raise ValueError(f"temperature {temperature_c} degC is out of range -50 to 200")
        inverse = 1 / (temperature_c + 273.15) - 1 / (self.anchor_c + 273.15)
        return self.anchor_1_s * math.exp(-self.activation_j_mol / GAS_CONSTANT_J_MOLK * inverse)

    def half_life_s(self, temperature_c: float) -> float:
        """Time in which half of it is gone [s]."""
        return math.log(2) / self.rate_1_s(temperature_c)

    def left(self, temperature_c: float, time_s: float) -> float:
        """Share left after this time at this temperature [-]."""
        return math.exp(-self.rate_1_s(temperature_c) * time_s)


def _azo() -> Initiator:
    energy = 30.8e3 * _CAL_J
    at_70 = 1.58e15 * math.exp(-energy / (GAS_CONSTANT_J_MOLK * 343.15))
    return Initiator("AIBN", at_70, 70.0, energy, "Van Hook & Tobolsky 1958 (from memory, agrees with the sheet)")


INITIATORS: Final[dict[str, Initiator]] = {
    item.name: item
    for item in (
        _azo(),
        Initiator("benzoyl peroxide", 2.0e-6, 60.0, 31.0e3 * _CAL_J, "sheet's 60 degC point; E abstract 1942"),
        Initiator(
            "1,1-azobis(cyclohexanecarbonitrile)", 5.4e-5, 95.0, 149e3, "sheet's 95 degC point; E fitted to its three"
        ),
        Initiator("lauroyl peroxide", 9.2e-6, 60.0, 138e3, "sheet's 60 degC point; E fitted to its three"),
    )
}


def initiator(name: str) -> Initiator:
    """The initiator of this name (any case), the azo compound where none is told.

    Raises ValueError naming the known ones.
    """
    if not name:
        return INITIATORS["AIBN"]
    for known, item in INITIATORS.items():
        if known.lower() == name.strip().lower():
            return item
    raise ValueError(f"initiator {name!r} is unknown; known: {', '.join(INITIATORS)}")


def equivalent_rate(temperature_c: float, target_c: float, kind: Initiator) -> float:
    """Seconds at the target that one second at this temperature is worth for the initiator [-].

    >>> round(equivalent_rate(93.0, 93.0, initiator("")), 3), round(equivalent_rate(83.0, 93.0, initiator("")), 2)
    (1.0, 0.3)
    """
    inverse = 1 / (temperature_c + 273.15) - 1 / (target_c + 273.15)
    return math.exp(-kind.activation_j_mol / GAS_CONSTANT_J_MOLK * inverse)
