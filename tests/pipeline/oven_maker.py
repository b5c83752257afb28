"""Logs of a small simulated oven with one slab in it, for the tests of the oven's side: air, walls, thermostat, core.

Finite volumes and explicit Euler, nothing shared with the model under test. Noise is a fixed sequence, so a test
that passes passes always.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from lastbubble.records import Sample

SIGMA = 5.670374419e-8


@dataclass(frozen=True)
class Oven:
    """What is simulated. Times in s, temperatures in degC, lengths in m, SI else."""

    plateau_c: float = 108.0
    band_k: float = 3.0
    room_c: float = 21.0
    on_s: float = 300.0
    off_s: float = math.inf
    load_s: float = 0.0  # when the pieces go in; 0 = from the start
    door_s: float = 35.0
    looks_s: tuple[float, ...] = ()
    cut_s: tuple[float, float] = (math.inf, math.inf)
    silent_s: tuple[float, float] = (math.inf, math.inf)
    thickness_m: float = 0.025
    k_w_mk: float = 1.1
    heat_j_m3k: float = 2.0e6
    h_w_m2k: float = 9.0
    emissivity: float = 0.7
    wall_loss: float = 0.05
    wall_lag_s: float = 700.0
    water_kg_m3: float = 0.0  # evaporates above 70 degC and takes most of the heat that comes
    target_c: float = 93.0
    hold_s: float = 1800.0
    period_s: float = 5.0
    hours: float = 4.0
    probe: bool = False
    probe_out_s: float = math.inf
    marks: dict[float, str] = field(default_factory=dict)
    start_s: float = 0.0


@dataclass(frozen=True)
class Made:
    samples: list[Sample]
    core_c: list[float]  # true core at each sample
    reached_s: float | None
    complete_s: float | None


def make(oven: Oven) -> Made:
    """Simulate and sample."""
    cells = 6 if oven.thickness_m > 0.012 else 3
    width = oven.thickness_m / 2 / cells
    dt = min(2.0, 0.4 * width**2 * oven.heat_j_m3k / oven.k_w_mk)
    piece = [oven.room_c] * cells
    air = walls = element = reading = probe = oven.room_c
    heat = False
    samples: list[Sample] = []
    cores: list[float] = []
    reached = complete = None
    held = 0.0
    water = [oven.water_kg_m3] * cells
    waiting = sorted(oven.marks.items())
    next_s, time = 0.0, 0.0
    noise = 0.37
    while time < oven.hours * 3600:
        loaded = time >= oven.load_s
        if air > oven.plateau_c + oven.band_k:
            heat = False
        elif air < oven.plateau_c - oven.band_k:
            heat = True
        powered = oven.on_s <= time < oven.off_s and not oven.cut_s[0] <= time < oven.cut_s[1]
        element += dt * ((260.0 if heat and powered else 0.0) / 400 - (element - air) / 120)
        opened = 0 < oven.load_s <= time < oven.load_s + oven.door_s or any(s <= time < s + 12 for s in oven.looks_s)
        face = piece[0]
        taken = (face - air) / 900 if loaded else 0.0
        air += dt * ((element - air) / 150 + (walls - air) / 90 + taken + ((oven.room_c - air) / 25 if opened else 0.0))
        loss = oven.wall_loss / (1 - oven.wall_loss)
        walls += dt * ((air - walls) - loss * (walls - oven.room_c)) / oven.wall_lag_s
        reading += dt * (air - reading) / 15
        if loaded:
            h_r = SIGMA * oven.emissivity * ((walls + 273.15) ** 4 - (face + 273.15) ** 4)
            flux = oven.h_w_m2k * (air - face) + h_r
            flow = [flux] + [oven.k_w_mk * (piece[i] - piece[i + 1]) / width for i in range(cells - 1)] + [0.0]
            for i in range(cells):
                gain = dt * (flow[i] - flow[i + 1]) / width  # J/m3
                if water[i] > 0 and piece[i] > 70 and gain > 0:
                    taken = min(0.85 * gain, water[i] * 2.3e6)
                    water[i] -= taken / 2.3e6
                    gain -= taken
                piece[i] += gain / oven.heat_j_m3k
        core = piece[-1]
        probe += dt * ((core if time < oven.probe_out_s else air) - probe) / 12
        if loaded and reached is None and core >= oven.target_c:
            reached = time
        if reached is not None and core >= oven.target_c - 2:
            held += dt
            if complete is None and held >= oven.hold_s:
                complete = time
        if time >= next_s:
            next_s += oven.period_s
            marks = []
            while waiting and waiting[0][0] <= time:
                marks.append(waiting.pop(0)[1])
            noise = (noise * 997.0 + 0.123) % 1.0
            if not oven.silent_s[0] <= time < oven.silent_s[1]:
                read = round((reading + 0.3 * (noise - 0.5)) * 4) / 4
                seen = round((probe + 0.2 * (noise - 0.5)) * 4) / 4 if oven.probe else None
                stamp = oven.start_s + time
                samples.append(Sample(stamp, oven_c=read, witness_c=seen, heat=powered, marks=tuple(marks)))
                cores.append(core if loaded else oven.room_c)
        time += dt

    def shifted(when: float | None) -> float | None:
        return None if when is None else when + oven.start_s

    return Made(samples, cores, shifted(reached), shifted(complete))
