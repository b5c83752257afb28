"""Scenarios of the simulated bench, by name. All invented: a two-person workshop, chalk turquoise and spalted maple."""

from __future__ import annotations

from dataclasses import dataclass, field

from tools.plant.chamber import ChamberParts
from tools.plant.gauge import CLASSES, GaugeParts
from tools.plant.oven import OvenParts
from tools.plant.pieces import PieceParts
from tools.plant.release import PoreParts

__all__ = ["SCENARIOS", "Scenario"]


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything of one bench and one batch.

    pieces : the slowest first;  target_c, hold_s, soak_s : what the person wants of the batch
    dial : label and number as it is marked, in its own scale
    """

    name: str
    material: str
    chamber: ChamberParts = field(default_factory=ChamberParts)
    pores: PoreParts = field(default_factory=PoreParts)
    gauge: GaugeParts = field(default_factory=GaugeParts)
    oven: OvenParts = field(default_factory=OvenParts)
    pieces: tuple[PieceParts, ...] = (PieceParts(), PieceParts(thickness_m=0.009))
    target_c: float = 93.0
    hold_s: float = 1800.0
    soak_s: float = 1500.0
    dial_f: float = 250.0
    vent_s: float = 240.0


SCENARIOS: dict[str, Scenario] = {
    "demo": Scenario("demo", "chalk turquoise"),
    "maple": Scenario(
        "maple",
        "spalted maple",
        pores=PoreParts(law="throat", gas_pa_m3=25.0, span_s=5400.0, spread=0.1),
        gauge=CLASSES["medium"],
        pieces=(PieceParts(thickness_m=0.022, k_w_mk=0.17, heat_j_m3k=1.4e6, resin_j_m3=6e7),),
    ),
    "fades": Scenario("fades", "chalk turquoise", pores=PoreParts(law="tail", span_s=9000.0)),
    "coarse": Scenario("coarse", "chalk turquoise", gauge=CLASSES["coarse"]),
}
