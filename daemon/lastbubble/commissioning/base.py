"""Base pressure of the empty, dry chamber: the level that a pump-down comes to, from live readings or from a log."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from lastbubble.commissioning.bench import Bench, Found
from lastbubble.commissioning.person import Later
from lastbubble.errors import BadInput
from lastbubble.progress import progress

__all__ = ["Base", "judge_base", "measure_base", "said"]

EVERY_S: Final = 5.0
LEAST_S: Final = 900.0
#: The level counts as reached when the last quarter of an hour has fallen by less than that share of it. Our judgement.
SHARE: Final = 0.05
#: A pump-down that never came below this was none, or leaks [Pa].
VACUUM_PA: Final = 20e3


@dataclass(frozen=True, slots=True)
class Base:
    """base_pa : median of the last five minutes;  falling_pa_h : how fast it still falls;  reached : it stands"""

    base_pa: float
    falling_pa_h: float
    reached: bool


def judge_base(times_s: Sequence[float], pressures_pa: Sequence[float]) -> Base:
    """The level of a pump-down's end.

    times_s, pressures_pa (n,) : rising times. Raises BadInput for less than a quarter of an hour, or no vacuum at all.
    """
    if len(times_s) != len(pressures_pa):
        raise ValueError(f"{len(times_s)} times and {len(pressures_pa)} pressures")
    kept = [(t, p) for t, p in zip(times_s, pressures_pa, strict=True) if math.isfinite(p)]
    if len(kept) < 20 or kept[-1][0] - kept[0][0] < LEAST_S:
        span = (kept[-1][0] - kept[0][0]) / 60 if kept else 0.0
        raise BadInput(f"{span:.0f} min of pumping with {len(kept)} readings; {LEAST_S / 60:.0f} min and 20 are wanted")
    end = kept[-1][0]
    late = [p for t, p in kept if t >= end - 300]
    early = [p for t, p in kept if end - LEAST_S <= t < end - LEAST_S + 300]
    level, before = median(late), median(early)
    if level > VACUUM_PA:
        raise BadInput(
            f"the chamber came to {level:.0f} Pa only; less than {VACUUM_PA:.0f} Pa is a vacuum: "
            "vent shut? lid's seal? pump warm, its oil fresh?"
        )
    falling = (before - level) / (LEAST_S - 300) * 3600
    return Base(level, falling, abs(before - level) <= SHARE * level)


def measure_base(bench: Bench, minutes: float) -> Found:
    """Watch a pump-down of the empty, dry chamber until it stands, for `minutes` at most.

    Raises BadInput when the gauge does not answer or no vacuum came.
    """
    try:
        if not bench.person.yes("Is the chamber empty, clean and dry, its vent shut, and does the pump run?"):
            return Found("begun", "the chamber was not ready yet")
    except Later:
        return Found("begun", "not begun at the bench yet")
    times: list[float] = []
    pressures: list[float] = []
    began = bench.clock.now()
    found: Base | None = None
    with progress(minutes * 60, "pumping") as show:
        while (gone := bench.clock.now() - began) < minutes * 60:
            value = bench.chamber_pa()
            times.append(gone)
            pressures.append(value)
            show(gone, bench.display.pressure_text(value))
            if gone > LEAST_S + 300 and len(times) % 12 == 0:
                found = judge_base(times, pressures)
                if found.reached:
                    break
            bench.clock.sleep(EVERY_S)
    return said(judge_base(times, pressures), bench.display.pressure_text, times[-1] - times[0])


def said(found: Base, text: Callable[[float], str], span_s: float) -> Found:
    """The record of a base. text : how the station shows a pressure"""
    values = {
        "base_pa": round(found.base_pa, 3),
        "falling_pa_h": round(found.falling_pa_h, 3),
        "minutes": round(span_s / 60, 1),
    }
    level = text(found.base_pa)
    if not found.reached:
        return Found(
            "begun",
            f"{level} after {span_s / 60:.0f} min and still falling; pump for longer (--minutes), then again",
            values,
        )
    return Found("done", f"base {level} after {span_s / 60:.0f} min; let air in before the pump is stopped", values)
