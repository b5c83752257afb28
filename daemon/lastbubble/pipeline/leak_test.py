"""A leak test from a log: the chamber empty and dry, pumped down, shut off from the pump, left alone.

Pressure-rise principle (EN 1779, technique of pressure change): Q = V dp/dt. What a straight rise is cannot be read
from its straightness: a leak, gas from wet or warm surfaces that has settled, permeation through seals and resin left
behind all rise straight. So the verdict is an upper bound for the leak and says what else it may be; a rise that bends
over is gas giving off, a rise that comes only after a delay is permeation, a rise that steepens is none of them.

Pure; reads no clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from lastbubble.errors import BadInput
from lastbubble.physics.vacuum import leak_rate_pa_m3_s, mbar_l_s
from lastbubble.pipeline.isolation import fit_rise
from lastbubble.records import Sample

__all__ = ["LeakVerdict", "judge_leak", "leak_of_log"]

Kind = Literal["tight", "straight", "bends over", "steepens", "comes late", "falls"]
LEAST_S: Final = 120.0
#: More than this share of what a bench pump draws, and the base is lifted by as much: 5 Pa behind 50 L/min.
GOOD_PA_M3_S: Final = 1e-4
POOR_PA_M3_S: Final = 4e-3


@dataclass(frozen=True, slots=True)
class LeakVerdict:
    """What a closed chamber's rise says.

    kind : tight (no rise above the noise), straight, bends over, steepens, comes late, falls
    rise_pa_s, low_pa_s, high_pa_s : straight part with an 80 % band                                    [Pa/s]
    rate_pa_m3_s, rate_mbar_l_s : with the chamber's volume, None without
    vapour_pa, vapour_s : height and time constant of a part that bends over, 0 without
    text : plain sentences: verdict, meaning, where to look
    """

    kind: Kind
    rise_pa_s: float
    low_pa_s: float
    high_pa_s: float
    rate_pa_m3_s: float | None
    rate_mbar_l_s: float | None
    vapour_pa: float
    vapour_s: float
    text: str


def judge_leak(times_s: Sequence[float], pressures_pa: Sequence[float], volume_l: float | None = None) -> LeakVerdict:
    """Judge one closed hold: times_s, pressures_pa (n,), from shutting to opening; volume_l : of the empty chamber.

    Raises BadInput when the hold is shorter than two minutes or has fewer than 8 readings.
    """
    count = len(times_s)
    if count < 8 or times_s[-1] - times_s[0] < LEAST_S:
        span = times_s[-1] - times_s[0] if count else 0.0
        raise BadInput(
            f"a closed hold of {span:.0f} s with {count} readings; "
            f"a leak test takes {LEAST_S:.0f} s and 8 readings at least, ten minutes are better"
        )
    times, means = _thinned(times_s, pressures_pa, 240)
    noise = _noise(means)
    fit = fit_rise(times, means, noise)
    if fit is None:
        raise BadInput("the hold has too few readings after its first seconds; record more often, or longer")
    # Readings of a slow gauge are not independent: the band is twice the fit's own.
    half = 2 * 1.2816 * math.sqrt(fit.variance)
    kind = _kind(times, means, noise, fit.slope_pa_s, half, fit.vapour_pa)
    if abs(fit.slope_pa_s) * (times_s[-1] - times_s[0]) < _noise(pressures_pa):
        # The whole rise is less than one reading scatters: nothing to build on.
        kind = "tight"
    rate = None if volume_l is None else leak_rate_pa_m3_s(volume_l / 1e3, fit.slope_pa_s)
    return LeakVerdict(
        kind=kind,
        rise_pa_s=fit.slope_pa_s,
        low_pa_s=fit.slope_pa_s - half,
        high_pa_s=fit.slope_pa_s + half,
        rate_pa_m3_s=rate,
        rate_mbar_l_s=None if rate is None else mbar_l_s(rate),
        vapour_pa=fit.vapour_pa,
        vapour_s=fit.vapour_s,
        text=_text(kind, fit.slope_pa_s, half, rate),
    )


def leak_of_log(samples: Iterable[Sample], volume_l: float | None = None) -> list[LeakVerdict]:
    """The verdict of every hold that the log tells of (column `isolated`, or marks `isolated` .. `rejoined`).

    Raises BadInput when it tells of none that is long enough.
    """
    holds: list[tuple[list[float], list[float]]] = []
    shut = told = False
    for sample in samples:
        for mark in sample.marks:
            if mark in ("isolated", "rejoined"):
                told = mark == "isolated"
        now = bool(sample.isolated) or told
        if now and not shut:
            holds.append(([], []))
        shut = now
        if shut and sample.chamber_pa is not None:
            holds[-1][0].append(sample.time_s)
            holds[-1][1].append(sample.chamber_pa)
    long_enough = [hold for hold in holds if len(hold[0]) >= 8 and hold[0][-1] - hold[0][0] >= LEAST_S]
    if not long_enough:
        raise BadInput(
            f"the log tells of {len(holds)} isolations, none of {LEAST_S:.0f} s and 8 readings; "
            "mark 'isolated' when the pump valve is shut and 'rejoined' when it is opened again"
        )
    return [judge_leak(times, pressures, volume_l) for times, pressures in long_enough]


def _thinned(times: Sequence[float], values: Sequence[float], most: int) -> tuple[list[float], list[float]]:
    size = max(1, math.ceil(len(times) / most))
    cells = [(times[i : i + size], values[i : i + size]) for i in range(0, len(times), size)]
    return [sum(t) / len(t) for t, _ in cells], [sum(v) / len(v) for _, v in cells]


def _noise(values: Sequence[float]) -> float:
    rough = sorted(abs(a - 2 * b + c) for a, b, c in zip(values, values[1:], values[2:], strict=False))
    # Median of |second difference| of white noise: 0.6745 sqrt(6).
    return max(rough[len(rough) // 2] / 1.652, 1e-9) if rough else 1e-9


def _part(times: Sequence[float], values: Sequence[float], low: float, high: float) -> float:
    span = times[-1] - times[0]
    kept = [(t, v) for t, v in zip(times, values, strict=True) if low <= (t - times[0]) / span <= high]
    middle_t = sum(t for t, _ in kept) / len(kept)
    middle_v = sum(v for _, v in kept) / len(kept)
    below = sum((t - middle_t) ** 2 for t, _ in kept)
    return sum((t - middle_t) * (v - middle_v) for t, v in kept) / below if below else 0.0


def _kind(
    times: Sequence[float], values: Sequence[float], noise: float, slope: float, half: float, vapour: float
) -> Kind:
    third = (times[-1] - times[0]) / 3
    doubt = 3.5 * noise / (third * math.sqrt(len(times) / 3 / 12))
    first, middle, last = (_part(times, values, a, b) for a, b in ((0, 0.34), (0.33, 0.67), (0.66, 1)))
    if max(abs(first), abs(middle), abs(last)) < doubt and abs(slope) < max(half, doubt):
        return "tight"
    if values[-1] < values[0] - 4 * noise and slope < 0:
        return "falls"
    if last > 1.3 * middle + doubt and middle > 1.3 * first + doubt:
        return "steepens"
    opening = _part(times, values, 0, 0.06) if len(times) >= 60 else first
    if (abs(first) < 0.1 * abs(last) or abs(opening) < 0.1 * abs(last)) and last > 3 * doubt:
        return "comes late"
    if vapour > 0 or last < 0.75 * first - doubt:
        return "bends over"
    return "straight"


def _text(kind: Kind, slope: float, half: float, rate: float | None) -> str:
    size = f"{slope:.3g} Pa/s"
    if rate is not None:
        size += f", {rate:.2g} Pa m3/s ({mbar_l_s(rate):.2g} mbar l/s)"
    if kind == "tight":
        return f"No rise that this gauge can show in this time: below {abs(slope) + half:.2g} Pa/s."
    if kind == "falls":
        return "The pressure fell while shut: something cools or condenses. Wait until it stands, then test again."
    if kind == "steepens":
        return f"The rise steepens ({size} on the whole): no leak does that. A pump or valve is not shut, or it warms."
    if kind == "comes late":
        return (
            f"Nothing at first, then a rise ({size}): gas that has to come through something first, a seal or a wall."
        )
    if kind == "bends over":
        return (
            f"The rise bends over; what is left of it is {size}. Surfaces or moisture give off gas: "
            "pump for longer, dry, test again. Any leak is no larger than what is left."
        )
    judged = ""
    if rate is not None:
        if rate < GOOD_PA_M3_S:
            judged = " That is good for a bench chamber."
        elif rate > POOR_PA_M3_S:
            judged = " That is too much. Look at the lid's seal, the hose's ends, the vent valve, the gauge's fitting."
        else:
            judged = " That can be worked with; a wiped lid seal and fresh grease may halve it."
    return (
        f"A straight rise of {size}: at most this leaks. A straight rise may also be surfaces that give off gas; "
        f"the same rise again after an hour of pumping is a leak.{judged}"
    )
