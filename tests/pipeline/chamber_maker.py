"""A small chamber for the tests of the chamber's side: an ODE, discrete bubbles near the end, and a gauge.

Deliberately plain, and not the model's inverse: pores are many sources, each with its own life; the pump is a curve;
the base wanders for reasons of its own. `make(number)` draws everything from one number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from lastbubble.context import Context
from lastbubble.records import Sample


@dataclass
class Truth:
    """What really happened, in seconds of the log."""

    stop_s: float
    safe_s: float
    law: str
    pump_s: float
    vent_s: float
    knee_s: float = 0.0
    flow_pa_s: np.ndarray = field(default_factory=lambda: np.zeros(0))


@dataclass
class Case:
    context: Context
    samples: list[Sample]
    truth: Truth


def make(
    number: int,
    *,
    step_pa: float = 1.0,
    noise_pa: float = 1.0,
    zero_pa: float = 0.0,
    isolate: bool = False,
    law: str = "",
    period_s: float = 1.0,
    vent: bool = True,
    leak_pa_s: float | None = None,
    marks: bool = True,
    hours: float | None = None,
    pump_stop: tuple[float, float] | None = None,
    lid: tuple[float, float] | None = None,
    late_seal_s: float = 0.0,
    switch_pa: tuple[float, float] | None = None,
    rock_s: float | None = None,
    glitches: float = 0.0,
    empty: float = 0.0,
    jitter: float = 0.0,
    tell_isolation: bool = True,
    vent_s: float = 60.0,
    begin_s: float = 0.0,
) -> Case:
    """One batch from pump-down to venting."""
    rng = np.random.default_rng(number)
    volume_m3 = rng.uniform(5, 25) * 1e-3
    speed = rng.uniform(0.5, 1.8) * 1e-3
    ultimate = math.exp(rng.uniform(math.log(3), math.log(120)))
    hose_d, hose_l = rng.uniform(5, 10), rng.uniform(0.6, 1.5)
    leak = rng.uniform(0, 0.15) if leak_pa_s is None else leak_pa_s
    kind = law or str(rng.choice(["front", "threshold", "pieces", "mixture", "power", "single"]))
    gas = math.exp(rng.uniform(math.log(300), math.log(5000))) * volume_m3
    bubble = math.exp(rng.uniform(math.log(2e-5), math.log(4e-3))) * volume_m3
    span = math.exp(rng.uniform(math.log(0.8), math.log(4.0))) * 3600
    grid = np.arange(0.0, 16 * 3600.0, 5.0)
    if kind == "front":
        rate = np.zeros_like(grid)
        for end in rng.uniform(0.8, 1.0, 6) * span:
            rate += np.where(grid < end, 1 / np.sqrt(grid + 60), 0)
    elif kind == "threshold":
        rate = np.zeros_like(grid)
        for end in rng.uniform(0.6, 1.0, 6) * span:
            tau = end / rng.uniform(1.0, 3.0)
            rate += np.maximum(np.exp(-grid / tau) - math.exp(-end / tau), 0)
    elif kind == "pieces":
        rate = np.zeros_like(grid)
        for end in rng.uniform(0.3, 1.0, 10) * span:
            rate += np.maximum(1 - grid / end, 0) ** rng.uniform(0.3, 1.5)
    elif kind == "mixture":
        rate = np.zeros_like(grid)
        for tau in np.exp(rng.normal(math.log(span / 11), 0.45, 25)):
            rate += np.exp(-grid / tau) / tau
    elif kind == "power":
        tau = span / 25
        rate = (1 + grid / tau) ** -rng.uniform(1.2, 2.2) * np.exp(-grid / (span / 9))
    else:
        rate = np.exp(-grid / (span / 12))
    rate *= gas / (rate.sum() * 5.0)
    expected = rate * 5.0 / bubble
    counts = np.where(expected > 50, np.round(expected), rng.poisson(np.minimum(expected, 50)))
    window = 180  # 15 minutes
    ahead = np.concatenate([np.cumsum(counts), np.full(window, counts.sum())])
    before = np.concatenate([[0.0], ahead])
    per_window = before[window : window + len(grid)] - before[: len(grid)]
    left = counts.sum() - before[: len(grid)]
    busy = np.nonzero(per_window > 1)[0]
    stop = float(grid[busy[-1]] + 5.0) if len(busy) else 0.0
    unsafe = np.nonzero((per_window > 30) | (left > 0.01 * counts.sum()))[0]
    safe = float(grid[unsafe[-1]] + 5.0) if len(unsafe) else 0.0
    released = counts * bubble / 5.0
    atmosphere = rng.uniform(97e3, 103e3)
    pump_at = float(rng.uniform(30, 240))
    length = (
        hours * 3600 if hours else min(pump_at + stop * rng.uniform(1.1, 1.3) + rng.uniform(2400, 5400), 15 * 3600.0)
    )
    vent_at = length if vent else math.inf
    end_at = length + (900 if vent else 0)
    wander, oil, moist = 0.0, rng.normal(0, 0.04 * ultimate + 0.5), abs(rng.normal(0, 1.0)) * 1e-3
    oil_tau = rng.uniform(1200, 4000)
    wander_size = (0.1 + 0.004 * ultimate) * math.exp(rng.normal(0, 0.6))
    pressure = atmosphere
    samples: list[Sample] = []
    isolated = False
    next_isolation = pump_at + 1500.0
    until = 0.0
    gauge_walk, drift = 0.0, rng.normal(0, 0.15 * noise_pa)
    knee = 0.0
    flows = []
    color = 0.0
    t, dt = 0.0, min(period_s, 1.0)
    emit = 0.0
    shut_pa = 0.0
    switched_off = False
    while t < end_at:
        mark: list[str] = []
        since = t - pump_at
        pumping = since >= 0
        if isolate and pumping and t < vent_at - 600:
            if not isolated and t >= next_isolation:
                isolated, until, shut_pa = True, t + 180.0, pressure
                mark.append("isolated")
            elif isolated and (t >= until or pressure > shut_pa + 1000):
                isolated = False
                next_isolation = t + 900.0 - 180.0
                mark.append("rejoined")
        if pump_stop and pump_stop[0] <= since < pump_stop[1]:
            pumping = False
        if t > vent_at + 180:
            pumping = False
        if switch_pa:
            switched_off = pressure < switch_pa[0] or (switched_off and pressure < switch_pa[1])
            pumping = pumping and not switched_off
        flow = 0.0
        if since >= 0:
            index = min(int(since / 5.0), len(grid) - 1)
            shut_down = 1.0 if pressure < 20e3 else max(0.0, 1 - pressure / atmosphere)
            flow = released[index] * shut_down + moist * math.sqrt(1800 / (since + 300))
        flow += leak * volume_m3 * (1 if pressure < 50e3 else 0)
        if rock_s is not None and rock_s <= since < rock_s + 240:
            flow += 0.02 * gas / 80 * math.exp(-(since - rock_s) / 80)
        if lid and lid[0] <= since:
            flow += lid[1] * volume_m3
        if since >= 0 and since < late_seal_s:
            flow += speed * 0.93 * atmosphere
        pull = 0.0
        if pumping and not isolated:
            wander += rng.normal(0, wander_size * math.sqrt(dt / 3600))
            base = ultimate + wander + oil * (1 - math.exp(-since / oil_tau))
            mean_mbar = max(pressure, 1.0) / 100 * 0.6
            conduct = (135 * (hose_d / 10) ** 4 * mean_mbar + 12.1 * (hose_d / 10) ** 3) / (hose_l * 100) * 1e-3
            conduct *= 10  # the rule is for a metre in centimetres: litres a second
            effective = 1 / (1 / speed + 1 / conduct)
            pull = effective * (pressure - base)
            rate_s = effective / volume_m3
            target = base + flow / effective
            pressure = target + (pressure - target) * math.exp(-rate_s * dt)
        else:
            pressure = min(pressure + flow / volume_m3 * dt, atmosphere)
        if t >= vent_at:
            pressure += (atmosphere - pressure) * (1 - math.exp(-dt / vent_s))
        if pumping and not knee and pull > 0 and flow > 0.5 * pull:
            knee = t
        if t >= emit - 1e-9:
            emit += period_s
            gauge_walk += rng.normal(0, 0.004 * noise_pa * math.sqrt(period_s))
            gauge_walk *= 1 - period_s / 3600
            color = 0.3 * color + rng.normal(0, noise_pa * 0.954)
            value = pressure + zero_pa + color + gauge_walk + drift * t / 3600
            value = round(value / step_pa) * step_pa if step_pa else value
            if glitches and rng.random() < glitches:
                value = float(rng.choice([0.0, 65535.0, value * 10, value + 3000]))
            seen: float | None = None if empty and rng.random() < empty else value
            if marks and abs(t - pump_at) < 0.5 * period_s:
                mark.append("pump_on")
            if marks and abs(t - vent_at) < 0.5 * period_s:
                mark.append("vent_open")
            samples.append(
                Sample(
                    round(begin_s + t + (jitter * period_s * (rng.random() - 0.5)), 3),
                    chamber_pa=seen,
                    isolated=isolated if isolate and tell_isolation else None,
                    marks=tuple(m for m in mark if tell_isolation or m not in ("isolated", "rejoined")),
                )
            )
            flows.append(flow / volume_m3)
        t += dt
    truth = Truth(
        begin_s + pump_at + stop,
        begin_s + pump_at + safe,
        kind,
        begin_s + pump_at,
        begin_s + vent_at,
        begin_s + knee,
        np.asarray(flows),
    )
    return Case(Context(barometer_pa=atmosphere), samples, truth)
