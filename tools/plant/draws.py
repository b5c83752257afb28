"""Benches by draw: everything that the log does not tell is drawn afresh for each number.

    draw_degassing(seed)     pump-down to venting: gauges, leaks, pumps, loads, laws of release, isolation, every fault
    draw_oven(seed)          an oven, its dial, several pieces, a probe or none, every fault
    draw_batch(seed)         both, a whole day
    draw_sessions(seed)      many days of one oven, which drifts between them: for learning its dial

Numbers below `REPORTED_FROM` are for tuning, those from it on are only ever reported (`Scenario.split`). Streams are
apart: asking for another gauge or for isolation leaves chamber, pores and faults of that number as they are.

Ranges: pumps, hoses, leaks and gauges of small benches, common practice, no published source; bubbles lift the
pressure by 0.02 to 4 mPa; thermal properties after shared/reference/materials_thermal.csv and wood_thermal.csv, filled
with resin; surface coefficients after heat_transfer_coefficients.csv; heat of polymerisation after exotherm.csv.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

from tools.plant.chamber import ChamberParts
from tools.plant.chance import Chance
from tools.plant.gauge import GaugeParts
from tools.plant.oven import OvenParts, drifted
from tools.plant.pieces import PieceParts
from tools.plant.release import Law, PoreParts
from tools.plant.scenario import Habits, Happening, Scenario, WitnessParts

__all__ = [
    "CHAMBER_FAULTS", "DRAWS", "GAUGES", "HIGH_BASE", "OVEN_FAULTS", "REPORTED_FROM", "draw_batch", "draw_degassing",
    "draw_oven", "draw_sessions", "split_of",
]  # fmt: skip

REPORTED_FROM: Final = 5000
GAUGES: Final = ("fine", "medium", "coarse", "relative")
CHAMBER_FAULTS: Final = (
    "pump_stops", "lid_lifts", "hose_off", "lid_late", "leaks", "ballast_open", "warm_resin", "vacuum_switch",
    "again", "pump_off_first", "vented_early",
)  # fmt: skip
#: After these the plateau is an order of magnitude above what the pump can do.
HIGH_BASE: Final = ("leaks", "ballast_open", "warm_resin")
OVEN_FAULTS: Final = ("power_cut", "stuck_on", "look", "dial_turned", "too_cold")

#: Name -> conductivity [W/(m K)], heat capacity [J/(m3 K)], heat of polymerisation [J/m3], of the filled body; about
#: what the draws scatter. From the tables named above, pores filled with resin.
_STUFF: Final[Mapping[str, tuple[float, float, float]]] = {
    "chalk turquoise": (1.0, 2.05e6, 6e7),
    "sandstone": (2.0, 2.0e6, 5e7),
    "limestone": (1.6, 2.0e6, 5e7),
    "spalted maple": (0.17, 1.40e6, 1.6e8),
    "maple": (0.19, 1.45e6, 1.4e8),
    "bone": (0.45, 2.1e6, 7e7),
}
_ALWAYS: Final = (
    "piece_thickness_mm",
    "piece_shape",
    "material",
    "target_core_c",
    "hold_min",
    "soak_min",
    "gauge_kind",
)


def split_of(seed: int) -> str:
    """Which of the two this number belongs to."""
    return "report" if seed >= REPORTED_FROM else "tune"


def draw_degassing(
    seed: int, *, gauge: str | None = None, isolation: bool | None = None, fault: str | None = None
) -> Scenario:
    """A batch up to its venting. gauge, isolation, fault : instead of what the number would draw ("" = no fault).

    Raises ValueError for a gauge or a fault that there is none of.
    """
    if gauge is not None and gauge not in GAUGES:
        raise ValueError(f"{gauge!r} is no class of gauges; allowed: {', '.join(GAUGES)}")
    if fault and fault not in CHAMBER_FAULTS:
        raise ValueError(f"{fault!r} is no fault of the chamber; allowed: {', '.join(CHAMBER_FAULTS)}")
    faults = Chance(seed, "draw faults")
    drawn = faults.one_of(*CHAMBER_FAULTS) if faults.happens(0.4) else ""
    fault = drawn if fault is None else fault
    chamber = _chamber(Chance(seed, "draw chamber"))
    pores = _pores(Chance(seed, "draw pores"), chamber.volume_m3)
    gauges = Chance(seed, "draw gauge")
    drawn_class = GAUGES[_weighted(gauges, (0.35, 0.30, 0.15, 0.20))]
    gauge_class = gauge or drawn_class
    gauge_parts = _gauge(Chance(seed, f"draw gauge {gauge_class}"), gauge_class, chamber.room_pa)
    habits = _habits(Chance(seed, "draw habits"), gauge_class, pores.span_s, isolation)
    chamber, pores, habits, happenings = _with_fault(fault, chamber, pores, habits, Chance(seed, f"draw {fault}"))
    tells = Chance(seed, "draw telling")
    told = _ALWAYS + (("barometer_pa",) if tells.happens(0.8) or gauge_parts.relative else ())
    told += ("chamber_volume_l", "pump_l_min") if tells.happens(0.5) else ()
    told += ("leak_pa_s", "base_pa") if tells.happens(0.4) else ()
    return Scenario(
        name=f"degassing {seed}",
        material=tells.one_of("chalk turquoise", "spalted maple", "sandstone", "bone"),
        chamber=chamber,
        pores=pores,
        gauge=gauge_parts,
        gauge_class=gauge_class,
        habits=habits,
        happenings=happenings,
        told=told,
        vent_s=tells.uniform(90, 400),
        period_s=tells.one_of(1.0, 1.0, 1.0, 2.0, 5.0),
        fault=fault,
        split=split_of(seed),
    )


def _weighted(chance: Chance, weights: tuple[float, ...]) -> int:
    at = chance.uniform() * sum(weights)
    for place, weight in enumerate(weights):
        at -= weight
        if at < 0:
            return place
    return len(weights) - 1


def _chamber(c: Chance) -> ChamberParts:
    volume = c.log_uniform(3, 18) * 1e-3
    ultimate = c.log_uniform(3, 120)
    room = c.uniform(84e3, 103e3)
    return ChamberParts(
        volume_m3=volume,
        pump_m3_s=c.uniform(0.5, 1.8) * 1e-3,
        ultimate_pa=ultimate,
        hose_d_m=c.uniform(0.007, 0.011),
        hose_l_m=c.uniform(0.4, 1.2),
        leak_pa_m3_s=volume * (c.log_uniform(0.15, 1.0) if c.happens(0.15) else c.uniform(0, 0.15)),
        vapour_pa=c.log_uniform(3, 60),
        vapour_m3_s=c.log_uniform(3e-5, 3e-4),
        dissolved_pa_m3=volume / 8e-3 * c.uniform(0.5, 6),
        dissolved_s=c.uniform(120, 500),
        moisture_pa_m3=c.log_uniform(0.02, 0.6),
        suck_back_m3_s=0.0 if c.happens(0.5) else c.log_uniform(1e-5, 1e-4),
        room_pa=room,
        room_drift_pa_h=80 * c.normal(),
        room_walk_pa=c.uniform(10, 60),
        oil_rise=0.03 + 0.06 * c.normal(),
        oil_s=c.uniform(900, 4000),
        base_walk_pa=0.1 + c.uniform(0.005, 0.02) * ultimate,
        base_walk_s=c.uniform(600, 3000),
        warm_k_h=0.5 * c.normal(),
    )


def _pores(c: Chance, volume_m3: float) -> PoreParts:
    laws: tuple[Law, ...] = ("front", "throat", "shells", "mixture", "single", "tail")
    return PoreParts(
        law=laws[_weighted(c, (0.2, 0.2, 0.2, 0.15, 0.1, 0.15))],
        gas_pa_m3=volume_m3 * c.log_uniform(300, 5000),
        bubble_pa_m3=volume_m3 * c.log_uniform(2e-5, 4e-3),
        bubble_spread=c.uniform(0.3, 0.9),
        span_s=3600 * c.log_uniform(0.8, 4.0),
        spread=c.uniform(0.02, 0.25),
        sources=int(c.uniform(3, 14)),
        trapped=c.log_uniform(2e-4, 1e-2),
        opens_pa=c.log_uniform(6e3, 6e4),
        unrest=c.uniform(0.05, 0.35),
        unrest_s=c.log_uniform(60, 600),
    )


def _gauge(c: Chance, kind: str, room_pa: float) -> GaugeParts:
    step = {"fine": c.uniform(1, 2), "medium": c.log_uniform(4, 20), "coarse": c.log_uniform(100, 400)}.get(
        kind, c.log_uniform(4, 25)
    )
    noise = step * (c.uniform(0.1, 0.6) if kind == "coarse" else c.uniform(0.4, 1.0))
    return GaugeParts(
        step_pa=step,
        noise_pa=noise,
        slow_pa=noise * c.uniform(0.05, 0.4),
        zero_pa=step * 8 * c.normal(),
        drift_pa_h=0.25 * step * c.normal(),
        relative=kind == "relative",
        assumed_pa=round(room_pa + 500 * c.normal(), -2),
        gain=1 + 0.003 * c.normal(),
        lag_s=c.uniform(0, 2),
        jitter_s=c.uniform(0, 0.4) if c.happens(0.25) else 0.0,
        missing=c.log_uniform(0.002, 0.05) if c.happens(0.2) else 0.0,
        glitch=c.log_uniform(1e-4, 3e-3) if c.happens(0.15) else 0.0,
    )


def _habits(c: Chance, gauge_class: str, span_s: float, isolation: bool | None) -> Habits:
    rocks = tuple(sorted(c.uniform(0.2, 1.1) * span_s for _ in range(1 + int(c.happens(0.4)))))
    rocks = rocks if c.happens(0.35) else ()
    isolates = c.happens(0.5)
    if isolation is not None:
        isolates = isolation
    told = ("both", "column", "marks", "untold")[_weighted(c, (0.5, 0.2, 0.2, 0.1))]
    return Habits(
        part="degassing",
        idle_s=c.uniform(30, 300),
        rocks_s=rocks,
        isolate_every_s=c.uniform(800, 1000) if isolates else 0.0,
        isolate_from_s=c.uniform(900, 1800),
        isolate_s=c.uniform(100, 140) if gauge_class == "fine" else c.uniform(200, 280),
        isolation_told=told,  # type: ignore[arg-type]  # one of the four above
        glance_every_s=c.uniform(600, 1800) if c.happens(0.4) else 0.0,
        glance_error=c.uniform(0.03, 0.2),
        vent_after_s=c.uniform(2400, 5400),
        mark_missing=c.uniform(0.1, 0.8) if c.happens(0.4) else 0.0,
        mark_late_s=c.uniform(10, 180) if c.happens(0.5) else 0.0,
        longest_s=14 * 3600.0,
    )


def _with_fault(
    fault: str, chamber: ChamberParts, pores: PoreParts, habits: Habits, c: Chance
) -> tuple[ChamberParts, PoreParts, Habits, tuple[Happening, ...]]:
    """Chamber, pores, habits and happenings with that fault."""
    at = c.uniform(0.25, 0.9) * pores.span_s
    # What a plateau of some kPa takes; the pores must still open above it.
    plateau = c.log_uniform(1500, 5000)
    lasting = replace(pores, opens_pa=max(pores.opens_pa, 5 * plateau))
    if fault == "pump_stops":
        return chamber, pores, habits, (Happening("pump_stops", at, at + c.log_uniform(240, 3000)),)
    if fault == "lid_lifts":
        size = chamber.pump_m3_s * c.log_uniform(0.05, 1.0)
        return chamber, pores, habits, (Happening("lid_lifts", at, at + c.uniform(180, 1200), size),)
    if fault == "hose_off":
        return chamber, pores, habits, (Happening("hose_off", at, at + c.uniform(120, 900)),)
    if fault == "lid_late":
        size = chamber.pump_m3_s * c.log_uniform(0.3, 5.0)
        return chamber, pores, habits, (Happening("lid_late", 0.0, c.uniform(20, 240), size),)
    if fault == "leaks":
        return replace(chamber, leak_pa_m3_s=0.8 * chamber.pump_m3_s * plateau), lasting, habits, ()
    if fault == "ballast_open":
        return chamber, lasting, habits, (Happening("ballast_open", 0.0, size=plateau),)
    if fault == "warm_resin":
        return replace(chamber, vapour_pa=1.6 * plateau, vapour_m3_s=1.5 * chamber.pump_m3_s), lasting, habits, ()
    if fault == "vacuum_switch":
        off = c.uniform(1500, 3500)
        switched = replace(
            chamber,
            ultimate_pa=min(chamber.ultimate_pa, 60.0),
            switch_off_pa=off,
            switch_on_pa=off + c.log_uniform(150, 1500),
            suck_back_m3_s=0.0,
        )
        return (
            switched,
            replace(pores, opens_pa=max(pores.opens_pa, 20_000.0)),
            replace(habits, isolate_every_s=0.0),
            (),
        )
    if fault == "again":
        return chamber, pores, replace(habits, again_at_s=c.uniform(0.15, 0.5) * pores.span_s), ()
    if fault == "pump_off_first":
        return (
            replace(chamber, suck_back_m3_s=c.log_uniform(2e-5, 2e-4)),
            pores,
            replace(habits, pump_off_first=True),
            (),
        )
    if fault == "vented_early":
        return chamber, pores, replace(habits, vent_at_s=c.uniform(0.35, 0.75) * pores.span_s), ()
    return chamber, pores, habits, ()


def draw_oven(seed: int, *, witness: bool | None = None, fault: str | None = None) -> Scenario:
    """A batch in the oven. witness, fault : instead of what the number would draw ("" = no fault).

    Raises ValueError for a fault that there is none of.
    """
    if fault and fault not in OVEN_FAULTS:
        raise ValueError(f"{fault!r} is no fault of the oven; allowed: {', '.join(OVEN_FAULTS)}")
    faults = Chance(seed, "draw oven faults")
    drawn = faults.one_of(*OVEN_FAULTS) if faults.happens(0.4) else ""
    fault = drawn if fault is None else fault
    material, pieces = _pieces(Chance(seed, "draw pieces"))
    oven = _oven(Chance(seed, "draw oven"))
    c = Chance(seed, f"draw {fault} oven")
    target = 93.0
    plateau = target + (c.uniform(-9, 0.5) if fault == "too_cold" else c.uniform(5, 20))
    habits, probe, happenings = _oven_day(Chance(seed, "draw oven day"), witness)
    at = c.uniform(900, 5000)
    if fault == "power_cut":
        happenings += (Happening("power_cut", at, at + c.log_uniform(300, 3600)),)
    elif fault == "stuck_on":
        happenings += (Happening("stuck_on", at),)
    elif fault == "look":
        happenings += (Happening("look", at, at + c.uniform(8, 45)),)
    dial_f, unit = _dial(oven, plateau, c)
    if fault == "dial_turned":
        turned = (dial_f + c.one_of(-1, 1) * c.uniform(8, 25) - 32) / 1.8
        happenings += (Happening("dial_turned", at, size=turned),)
    told = (*_ALWAYS, "witness") if c.happens(0.9) else ("target_core_c", "hold_min", "witness")
    return Scenario(
        name=f"oven {seed}",
        material=material,
        oven=oven,
        pieces=pieces,
        target_c=target,
        hold_s=60 * c.one_of(20.0, 30.0, 30.0, 45.0, 60.0),
        dial_f=dial_f,
        dial_unit=unit,  # type: ignore[arg-type]  # F or C
        witness=probe,
        habits=habits,
        happenings=happenings,
        told=told,
        period_s=c.one_of(1.0, 1.0, 2.0, 5.0, 10.0),
        fault=fault,
        split=split_of(seed),
    )


def _oven(c: Chance) -> OvenParts:
    walls = c.uniform(5, 9)
    power = c.uniform(350, 1000)
    element = c.uniform(80, 260)
    return OvenParts(
        power_w=power,
        element_j_k=element,
        # Air and what is as light as air: racks, linings.
        air_j_k=c.uniform(300, 900),
        wall_j_k=walls * c.uniform(400, 1800),
        # An element glows at some 250 K above the air at full power.
        element_air_w_k=power / c.uniform(150, 300),
        element_wall_w_k=c.uniform(0.2, 0.9),
        air_wall_w_k=walls,
        wall_room_w_k=walls * c.uniform(0.05, 0.16),
        air_room_w_k=c.uniform(0.1, 0.5),
        door_w_k=c.uniform(20, 60),
        dial_gain=c.uniform(0.84, 1.1),
        dial_offset_k=8 * c.normal(),
        dial_bend_k=2 * c.normal() if c.happens(0.4) else 0.0,
        half_band_k=c.log_uniform(1, 6),
        bulb_s=c.uniform(8, 35),
        bulb_element=c.uniform(0, 0.04),
        room_c=c.uniform(16, 27),
        couple_s=c.uniform(5, 40),
        couple_k=0.8 * c.normal(),
        place_k=1.2 * c.normal(),
        couple_wall=c.uniform(0, 0.15),
        tray_j_k=c.uniform(150, 600),
    )


def _pieces(c: Chance) -> tuple[str, tuple[PieceParts, ...]]:
    """One batch: one material, the thickest first, which is the slowest."""
    material = c.one_of(*_STUFF)
    k, heat, resin = _STUFF[material]
    shape = c.one_of("slab", "slab", "slab", "cylinder", "sphere")
    thickest = c.uniform(0.008, 0.040)
    h = c.uniform(12, 25) if c.happens(0.2) else c.uniform(4.5, 9)
    emissivity = c.uniform(0.45, 0.9)
    share = c.uniform(0.1, 0.45) if shape == "slab" else c.uniform(0, 0.1)
    damp = c.uniform(8, 40) if c.happens(0.15) else 0.0
    first = PieceParts(
        thickness_m=thickest,
        shape=shape,
        k_w_mk=k * math.exp(0.2 * c.normal()),
        heat_j_m3k=heat * math.exp(0.07 * c.normal()),
        h_w_m2k=h,
        emissivity=emissivity,
        area_m2=c.uniform(0.004, 0.02),
        water_kg_m3=damp,
        resin_j_m3=resin * c.uniform(0.1, 0.6),
        tray_share=share,
        tray_w_m2k=c.log_uniform(10, 60),
    )
    others = tuple(
        replace(first, thickness_m=thickest * c.uniform(0.5, 0.95), area_m2=c.uniform(0.004, 0.02))
        for _ in range(int(c.uniform(0, 4)))
    )
    return material, (first, *others)


def _oven_day(c: Chance, witness: bool | None) -> tuple[Habits, WitnessParts | None, tuple[Happening, ...]]:
    habits = Habits(
        part="oven",
        idle_s=0.0,
        preheat_s=c.uniform(1500, 4200) if c.happens(0.45) else 0.0,
        cool_after_s=c.uniform(60, 1500),
        mark_missing=1.0 if c.happens(0.2) else 0.0,
        mark_late_s=c.uniform(10, 300) if c.happens(0.4) else 0.0,
        longest_s=7 * 3600.0,
    )
    with_probe = c.happens(0.5)
    if witness is not None:
        with_probe = witness
    probe = WitnessParts(
        piece=0 if c.happens(0.75) else 1,
        off=c.uniform(0, 0.25),
        lag_s=c.uniform(4, 20),
        error_k=0.5 * c.normal(),
    )
    at = c.uniform(300, 4000)
    wrong = c.one_of("witness_falls", "witness_on_tray", "witness_breaks") if c.happens(0.2) else ""
    if not with_probe:
        return habits, None, ()
    return habits, probe, (Happening(wrong, at),) if wrong else ()  # type: ignore[arg-type]  # one of the three


def _dial(oven: OvenParts, plateau_c: float, c: Chance) -> tuple[float, str]:
    """The mark that holds the air at about `plateau_c`, as a person would set it: degF, and the scale's unit."""
    setting = (plateau_c - oven.dial_offset_k) / oven.dial_gain
    for _ in range(4):
        bend = oven.dial_bend_k * ((setting - 110.0) / 40.0) ** 2
        setting = (plateau_c - oven.dial_offset_k - bend) / oven.dial_gain
    if c.happens(0.6):
        return 5.0 * round((1.8 * setting + 32) / 5), "F"
    return 1.8 * round(setting) + 32, "C"


def draw_batch(seed: int, *, gauge: str | None = None, witness: bool | None = None) -> Scenario:
    """A whole day: pump-down to cooling, with the faults of both."""
    one, two = draw_degassing(seed, gauge=gauge), draw_oven(seed, witness=witness)
    c = Chance(seed, "draw batch")
    day = two.habits
    return replace(
        two,
        name=f"batch {seed}",
        chamber=one.chamber,
        pores=one.pores,
        gauge=one.gauge,
        gauge_class=one.gauge_class,
        habits=replace(one.habits, part="batch", preheat_s=day.preheat_s, cool_after_s=day.cool_after_s),
        happenings=one.happenings + two.happenings,
        told=tuple(dict.fromkeys(one.told + two.told)),
        soak_s=60 * c.log_uniform(15, 240),
        vent_s=one.vent_s,
        period_s=1.0,
        fault=" ".join(word for word in (one.fault, two.fault) if word),
    )


def draw_sessions(seed: int, count: int = 8) -> tuple[Scenario, ...]:
    """So many days of one oven: other dial settings, with pieces and without, some too short to settle.

    Its thermostat drifts from day to day about `OvenParts.dial_offset_k` of `draw_oven(seed).oven`, to which
    `oven.steady_dial_c` gives the true setting.
    """
    c = Chance(seed, "draw sessions")
    whole = draw_oven(seed, fault="")
    spread = c.uniform(0.3, 2.5)
    days = []
    for number in range(count):
        empty = c.happens(0.4)
        dial_f, _ = _dial(whole.oven, c.uniform(80, 125), Chance(seed, "scale"))
        short = c.happens(0.3)
        days.append(
            replace(
                whole,
                name=f"sessions {seed} day {number + 1}",
                oven=replace(drifted(whole.oven, spread * c.normal()), room_c=whole.oven.room_c + 2 * c.normal()),
                pieces=() if empty else whole.pieces,
                witness=None if empty else whole.witness,
                dial_f=dial_f,
                dial_unit=_dial(whole.oven, 100.0, Chance(seed, "scale"))[1],  # type: ignore[arg-type]  # F or C
                habits=replace(
                    whole.habits,
                    preheat_s=0.0,
                    mark_missing=0.0,
                    longest_s=c.uniform(1500, 3000) if short else c.uniform(6000, 14000),
                ),
                period_s=5.0,
            )
        )
    return tuple(days)


DRAWS: Final[Mapping[str, Callable[[int], Scenario]]] = {
    "degassing": draw_degassing,
    "oven": draw_oven,
    "batch": draw_batch,
}
