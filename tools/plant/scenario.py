"""What a bench is and what happens on it: scenarios by name. All invented: a two-person workshop that stabilises chalk
turquoise slabs and spalted maple blanks. Scenarios by draw are in `tools.plant.draws`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from lastbubble.context import Context
from tools.plant.chamber import ChamberParts
from tools.plant.gauge import CLASSES, GaugeParts
from tools.plant.oven import OvenParts
from tools.plant.pieces import PieceParts
from tools.plant.release import PoreParts

__all__ = ["OF_CHAMBER", "SCENARIOS", "Habits", "Happening", "Kind", "Part", "Scenario", "WitnessParts"]

#: Since the pump first ran: pump_stops .. ballast_open. Since the oven was loaded: the others.
Kind = Literal[
    "pump_stops", "lid_lifts", "lid_late", "hose_off", "ballast_open",
    "power_cut", "stuck_on", "look", "dial_turned", "witness_falls", "witness_on_tray", "witness_breaks",
]  # fmt: skip
OF_CHAMBER: Final[tuple[Kind, ...]] = ("pump_stops", "lid_lifts", "lid_late", "hose_off", "ballast_open")
Part = Literal["batch", "degassing", "oven"]


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that nobody planned, from `at_s` until `until_s`, counted as `Kind` says.

    size : lid_lifts, lid_late: conductance [m3/s];  ballast_open: added to the pump's base [Pa];  dial_turned: the
    new setting [degC]
    """

    kind: Kind
    at_s: float
    until_s: float = math.inf
    size: float = 0.0


@dataclass(frozen=True, slots=True)
class WitnessParts:
    """piece : its number in the scenario (0: the slowest);  off : from its middle to its face, 0..1
    lag_s, error_k : of the probe
    """

    piece: int = 0
    off: float = 0.0
    lag_s: float = 8.0
    error_k: float = 0.0


@dataclass(frozen=True, slots=True)
class Habits:
    """What the person does, for logs without wire (`tools.plant.person`). Times since the pump first ran, if not said.

    part : of the day;  idle_s : before the pump;  rocks_s : when the chamber is rocked
    isolate_every_s (0: never), isolate_from_s, isolate_s : isolation by schedule, ended at isolate_rise_pa;
    isolation_told : as column, as marks, as both, or not at all
    glance_every_s (0: never), glance_error : looks for bubbles, and how often wrongly
    vent_after_s : after the last bubble but one or two;  vent_at_s : at this time whatever it does
    pump_off_first : stops the pump under vacuum and vents later (oil is drawn back);  again_at_s : vents to
    atmosphere, tops up the resin, pumps down again
    mark_missing, mark_late_s : share of marks never made, and how late the others are
    preheat_s (0: into the cold oven), cool_after_s : how long after its cure the batch stays, with heat
    longest_s : gives up waiting;  tail_s : the log goes on so long after the end
    """

    part: Part = "batch"
    idle_s: float = 120.0
    rocks_s: tuple[float, ...] = ()
    isolate_every_s: float = 0.0
    isolate_from_s: float = 1500.0
    isolate_s: float = 180.0
    isolate_rise_pa: float = 1000.0
    isolation_told: Literal["column", "marks", "both", "untold"] = "both"
    glance_every_s: float = 0.0
    glance_error: float = 0.1
    vent_after_s: float = 2700.0
    vent_at_s: float = math.inf
    pump_off_first: bool = False
    again_at_s: float = 0.0
    mark_missing: float = 0.0
    mark_late_s: float = 0.0
    preheat_s: float = 0.0
    cool_after_s: float = 300.0
    longest_s: float = 16 * 3600.0
    tail_s: float = 600.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything of one bench and one batch.

    pieces : the slowest first;  target_c, hold_s, soak_s : what the person wants of the batch
    dial_f : the mark that the dial is set to, in degF;  dial_unit : of the scale that the person reads
    told : fields of `Context` that the log's head tells (of those that the bench could tell)
    period_s : between samples;  fault : one word for what is wrong, "" = nothing
    split : "tune" or "report", never both (see `tools.plant.draws`)
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
    dial_unit: Literal["F", "C"] = "F"
    vent_s: float = 240.0
    gauge_class: str = "fine"
    witness: WitnessParts | None = None
    habits: Habits = field(default_factory=Habits)
    happenings: tuple[Happening, ...] = ()
    told: tuple[str, ...] = (
        "barometer_pa", "piece_thickness_mm", "piece_shape", "material", "target_core_c", "hold_min", "soak_min",
        "gauge_kind", "witness",
    )  # fmt: skip
    period_s: float = 1.0
    fault: str = ""
    split: str = "tune"

    @property
    def dial_c(self) -> float:
        """The dial's setting by its scale [degC]."""
        return (self.dial_f - 32) / 1.8

    @property
    def dial_mark(self) -> str:
        """As a person marks it."""
        return f"dial={self.dial_f:g}F" if self.dial_unit == "F" else f"dial={self.dial_c:.0f}C"

    def context(self) -> Context:
        """What the log's head tells of all this."""
        chamber = self.chamber
        known: dict[str, float | str] = {
            "barometer_pa": round(chamber.room_pa, -2),
            "material": self.material,
            "target_core_c": self.target_c,
            "hold_min": round(self.hold_s / 60, 2),
            "soak_min": round(self.soak_s / 60, 2),
            "chamber_volume_l": round(1e3 * chamber.volume_m3, 1),
            "pump_l_min": round(6e4 * chamber.pump_m3_s, 1),
            "leak_pa_s": float(f"{chamber.leak_pa_m3_s / chamber.volume_m3:.3g}"),
            "base_pa": float(f"{chamber.ultimate_pa:.3g}"),
            "gauge_kind": "gauge" if self.gauge.relative else "absolute",
        }
        if self.pieces:
            known["piece_thickness_mm"] = round(1e3 * self.pieces[0].thickness_m, 1)
            known["piece_shape"] = self.pieces[0].shape
        if self.witness is not None:
            known["witness"] = "other" if self.witness.piece else "slowest"
        return Context(station="bench", **{name: known[name] for name in self.told if name in known})  # type: ignore[arg-type]  # fields of Context by their names


_SLAB = PieceParts(thickness_m=0.012, tray_share=0.3)
_DEMO = Scenario(
    "demo",
    "chalk turquoise",
    # A short pump-down, seventy minutes until the resin's fronts meet, and an oven that is up within half an hour.
    pores=PoreParts(law="front", span_s=4300.0, trapped=0.0008, unrest=0.1),
    oven=OvenParts(tray_j_k=350.0),
    pieces=(_SLAB, replace(_SLAB, thickness_m=0.009), replace(_SLAB, thickness_m=0.010)),
    soak_s=1800.0,
    witness=WitnessParts(),
    habits=Habits(rocks_s=(1800.0,), glance_every_s=1200.0),
)

SCENARIOS: dict[str, Scenario] = {
    "demo": _DEMO,
    "maple": Scenario(
        "maple",
        "spalted maple",
        pores=PoreParts(law="throat", gas_pa_m3=25.0, span_s=5400.0, spread=0.1),
        gauge=CLASSES["medium"],
        gauge_class="medium",
        pieces=(PieceParts(thickness_m=0.022, k_w_mk=0.17, heat_j_m3k=1.4e6, resin_j_m3=6e7),),
    ),
    "fades": replace(_DEMO, name="fades", pores=PoreParts(law="tail", span_s=9000.0)),
    "coarse": replace(_DEMO, name="coarse", gauge=CLASSES["coarse"], gauge_class="coarse"),
    "narrow": replace(_DEMO, name="narrow", gauge=CLASSES["narrow"], gauge_class="narrow"),
    "isolated": replace(
        _DEMO,
        name="isolated",
        gauge=CLASSES["medium"],
        gauge_class="medium",
        habits=replace(_DEMO.habits, isolate_every_s=900.0, isolate_s=240.0),
    ),
    "rocked": replace(
        _DEMO,
        name="rocked",
        pores=replace(_DEMO.pores, trapped=0.02),
        habits=replace(_DEMO.habits, rocks_s=(1800.0, 4800.0), vent_after_s=4200.0),
    ),
    "suck_back": replace(_DEMO, name="suck_back", habits=replace(_DEMO.habits, pump_off_first=True)),
    "lid_lifts": replace(_DEMO, name="lid_lifts", happenings=(Happening("lid_lifts", 2400.0, 2700.0, 3e-4),)),
    "pump_stops": replace(_DEMO, name="pump_stops", happenings=(Happening("pump_stops", 2400.0, 3300.0),)),
    "lid_late": replace(_DEMO, name="lid_late", happenings=(Happening("lid_late", 0.0, 90.0, 2e-3),)),
    "ballast": replace(_DEMO, name="ballast", happenings=(Happening("ballast_open", 0.0, size=1500.0),)),
    "vacuum_switch": replace(
        _DEMO,
        name="vacuum_switch",
        chamber=ChamberParts(switch_off_pa=2000.0, switch_on_pa=2300.0, suck_back_m3_s=0.0),
        pores=replace(_DEMO.pores, opens_pa=40_000.0),
    ),
    "power_cut": replace(_DEMO, name="power_cut", happenings=(Happening("power_cut", 2000.0, 3200.0),)),
    "thermostat_stuck": replace(_DEMO, name="thermostat_stuck", happenings=(Happening("stuck_on", 1800.0),)),
    "dial_turned": replace(_DEMO, name="dial_turned", happenings=(Happening("dial_turned", 2400.0, size=105.0),)),
    "too_cold": replace(_DEMO, name="too_cold", dial_f=215.0, habits=replace(_DEMO.habits, longest_s=5 * 3600.0)),
    "damp": replace(_DEMO, name="damp", pieces=(replace(_SLAB, water_kg_m3=30.0), _SLAB)),
    "witness_falls": replace(_DEMO, name="witness_falls", happenings=(Happening("witness_falls", 1500.0),)),
}
