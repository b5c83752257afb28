"""Sensors held against each other while everything stands cold and open. The judges are pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from statistics import fmean, stdev
from typing import Final

from lastbubble.commissioning.bench import Bench, Found
from lastbubble.commissioning.person import Later
from lastbubble.progress import progress

__all__ = ["check_sensors", "judge_gauge", "judge_probes"]

#: Everything has stood in one room for hours: what is further apart is no tolerance (IEC 60584-1 class 2: 2.5 K; the
#: converter's cold junction 2 K, of its data sheet; the box's own warmth a few kelvin: common practice).
JUNCTION_K: Final = 8.0
APART_K: Final = 5.0
ROOM_C: Final = (-5.0, 45.0)
NOISE_K: Final = 1.0
#: A day's weather moves the barometer by up to 3 kPa (common practice); class 1 gauges of 100 kPa add 1 kPa.
GAUGE_PA: Final = 4000.0
READINGS: Final = 15


def judge_probes(values_c: Mapping[str, Sequence[float]], junctions_c: Mapping[str, Sequence[float]]) -> list[str]:
    """What is implausible of probes that have lain in one room, cold: one sentence each, none when all is well.

    values_c, junctions_c : probe -> its good readings, hot and cold junction [degC]
    """
    wrong = []
    means: dict[str, float] = {}
    for name, values in values_c.items():
        if len(values) < READINGS // 2:
            wrong.append(f"{name} gave {len(values)} good readings of {READINGS}: see lastbubble guard status")
            continue
        means[name] = fmean(values)
        if not ROOM_C[0] <= means[name] <= ROOM_C[1]:
            wrong.append(f"{name} reads {means[name]:.1f} degC in a room: another type of couple, or not cold yet")
        noise = stdev(values) if len(values) > 1 else 0.0
        if noise > NOISE_K:
            wrong.append(f"{name} scatters by {noise:.1f} K: a loose screw, or 10 nF across its inputs is missing")
        cold = junctions_c.get(name, ())
        if cold and abs(means[name] - fmean(cold)) > JUNCTION_K:
            wrong.append(
                f"{name} reads {means[name]:.1f} degC and its converter {fmean(cold):.1f}: the oven is not cold, or "
                "the couple is not type K"
            )
    names = sorted(means)
    for one, other in pairwise(names):
        if abs(means[one] - means[other]) > APART_K:
            wrong.append(f"{one} and {other} are {abs(means[one] - means[other]):.1f} K apart in one room")
    return wrong


def judge_gauge(pressures_pa: Sequence[float], barometer_pa: float, known: bool) -> list[str]:
    """What is implausible of the gauge with the chamber open. known : the barometer was told, not assumed."""
    if len(pressures_pa) < READINGS // 2:
        return [f"the gauge gave {len(pressures_pa)} readings of {READINGS}: lastbubble doctor says why"]
    mean = fmean(pressures_pa)
    if not known:
        if not 50e3 <= mean <= 110e3:
            return [f"the open chamber reads {mean / 100:.0f} hPa: unit or `reads` of the gauge is wrong"]
        return []
    off = mean - barometer_pa
    if not math.isfinite(off) or abs(off) > GAUGE_PA:
        return [
            f"the open chamber reads {mean / 100:.0f} hPa and the barometer is {barometer_pa / 100:.0f}: "
            "unit, `reads` or `zero` of the gauge, or the barometer is wrong"
        ]
    return []


def check_sensors(bench: Bench) -> Found:
    """Read everything for a quarter of a minute and judge it. Raises GuardGone, BadInput when nobody answers."""
    settings = bench.settings
    try:
        ready = "Is everything cold and at rest for two hours: oven unplugged, its door open, chamber open, pump off?"
        if not bench.person.yes(ready):
            return Found("begun", "the bench was not cold and open yet")
    except Later:
        return Found("begun", "not begun at the bench yet")
    hot: dict[str, list[float]] = {}
    cold: dict[str, list[float]] = {}
    pressures: list[float] = []
    with progress(READINGS, "reading") as show:
        for number in range(READINGS):
            if settings.guard is not None:
                for probe in bench.guard().probes:
                    hot.setdefault(probe.name, [])
                    if probe.quality == "good" and probe.value_c is not None:
                        hot[probe.name].append(probe.value_c)
                        if probe.junction_c is not None:
                            cold.setdefault(probe.name, []).append(probe.junction_c)
            if settings.chamber is not None:
                value = bench.ask({"ask": "status"}).get("chamber_pa")
                if isinstance(value, int | float):
                    pressures.append(float(value))
            show(number + 1, "")
            bench.clock.sleep(1.0)
    wrong = judge_probes(hot, cold) if settings.guard is not None else []
    told: dict[str, object] = {f"{name}_c": round(fmean(values), 2) for name, values in hot.items() if values}
    told |= {f"{name}_junction_c": round(fmean(values), 2) for name, values in cold.items() if values}
    parts = [f"{name} {bench.display.temperature_text(fmean(values))}" for name, values in hot.items() if values]
    if settings.chamber is not None:
        known = settings.barometer is not None or settings.altitude is not None
        wrong += judge_gauge(pressures, settings.barometer_pa, known)
        if pressures:
            told["open_chamber_pa"] = round(fmean(pressures), 1)
            parts.append(f"open chamber {bench.display.pressure_text(fmean(pressures))}")
    if wrong:
        return Found("failed", "; ".join(wrong), told)
    return Found("done", "plausible: " + ", ".join(parts), told)
