"""A stand-in for the plant in tests of the wire level and the try-out: a whole small bench, coarse and quick.

Chamber: pump with an ultimate pressure, leak, pores that let go of single bubbles at a dying rate. Oven: dial
thermostat
with hysteresis, air, walls, one slab with conduction. The numbers are ours, chosen for plausible times.
"""

from __future__ import annotations

import math
import random
from typing import Any

from tools.plant.wire.person import Batch

ROOM_C = 22.0
ROOM_PA = 99_000.0
TARGET_C = 93.0
HOLD_S = 1800.0

_VOLUME_M3 = 9e-3
_PUMP_M3_S = 6e-4
_BASE_PA = 210.0
_LEAK_PA_S = 0.5
_BUBBLE_PA = 2.2
_RATE_PER_S = 0.5
_RATE_FALL_S = 900.0
_FEW = 1
_QUIET_S = 900.0

_HEATER_W = 900.0
_AIR_J_K, _WALL_J_K = 1500.0, 9000.0
_AIR_WALL_W_K, _WALL_ROOM_W_K = 14.0, 4.0
_NODES = 6
_HALF_M = 0.01
_AREA_M2 = 0.04
_K_W_MK, _RHO_C = 1.1, 2.1e6
_FILM_W_M2K = 16.0


class StandIn:
    """See `bench_process.World`."""

    def __init__(self, seed: int, scenario: str, now_s: float) -> None:
        self.batch = Batch(
            "slabs",
            (
                "--thickness",
                "20 mm",
                "--shape",
                "slab",
                "--soak",
                "20 min",
                "--target-core",
                "93 degC",
                "--hold",
                "30 min",
            ),
            "dial=230F",
            104.0,
        )
        self.pump_on = False
        self.vent_open = 0.0
        self.dial_c = 104.0
        self.door_open = False
        self.loaded = False
        self.done: list[str] = []
        self.pressure_pa = ROOM_PA
        self.air_c = self.wall_c = ROOM_C
        self.slab_c = [ROOM_C] * _NODES
        self._element = False
        self._held_s = 0.0
        self._under_s = 0.0
        self._bubbles: list[float] = []
        self._truth: dict[str, Any] = {}
        self._now_s = now_s
        self._random = random.Random(seed)
        self._named = (seed, scenario)

    # -- time ------------------------------------------------------------------------------------------------------

    def step(self, now_s: float, heat: bool) -> None:
        dt_s, self._now_s = now_s - self._now_s, now_s
        if dt_s <= 0:
            return
        self._chamber(dt_s)
        self._oven(dt_s, heat)

    def _chamber(self, dt_s: float) -> None:
        pressure_pa = self.pressure_pa
        if self.pump_on:
            goal_pa = _BASE_PA + _LEAK_PA_S * _VOLUME_M3 / _PUMP_M3_S
            pressure_pa = goal_pa + (pressure_pa - goal_pa) * math.exp(-dt_s * _PUMP_M3_S / _VOLUME_M3)
        else:
            pressure_pa = min(ROOM_PA, pressure_pa + _LEAK_PA_S * dt_s)
        if self.vent_open:
            pressure_pa += (ROOM_PA - pressure_pa) * -math.expm1(-dt_s * self.vent_open / 20.0)
        if pressure_pa < 5_000:
            rate_per_s = _RATE_PER_S * math.exp(-self._under_s / _RATE_FALL_S)
            self._under_s += dt_s
            if self._random.random() < rate_per_s * dt_s:
                self._bubbles.append(self._now_s)
                pressure_pa += _BUBBLE_PA * self._random.uniform(0.5, 1.5)
            if "bubbles_stopped_s" not in self._truth and self._under_s > _QUIET_S:
                since_s = self._now_s - _QUIET_S
                if sum(1 for at_s in self._bubbles[-9:] if at_s > since_s) <= _FEW:
                    self._truth["bubbles_stopped_s"] = since_s
        if pressure_pa > ROOM_PA - 1000 and self._under_s and "vented_s" not in self._truth:
            self._truth["vented_s"] = self._now_s
        self.pressure_pa = pressure_pa

    def _oven(self, dt_s: float, heat: bool) -> None:
        if self.air_c > self.dial_c + 3:
            self._element = False
        elif self.air_c < self.dial_c - 3:
            self._element = True
        heater_w = _HEATER_W if heat and self._element else 0.0
        room_w_k = _WALL_ROOM_W_K * (6.0 if self.door_open else 1.0)
        film_w_k = _FILM_W_M2K * _AREA_M2 if self.loaded else 0.0
        to_slab_w = film_w_k * (self.air_c - self.slab_c[0])
        to_wall_w = _AIR_WALL_W_K * (self.air_c - self.wall_c)
        self.air_c += dt_s * (heater_w - to_wall_w - to_slab_w) / _AIR_J_K
        self.wall_c += dt_s * (to_wall_w - room_w_k * (self.wall_c - ROOM_C)) / _WALL_J_K
        dx_m = _HALF_M / _NODES
        flux = [to_slab_w / _AREA_M2]
        flux += [_K_W_MK * (a - b) / dx_m for a, b in zip(self.slab_c, self.slab_c[1:], strict=False)]
        flux.append(0.0)
        for node in range(_NODES):
            self.slab_c[node] += dt_s * (flux[node] - flux[node + 1]) / (_RHO_C * dx_m)
        if self.loaded and self.slab_c[-1] >= TARGET_C:
            self._truth.setdefault("cure_temperature_reached_s", self._now_s)
        if "cure_temperature_reached_s" in self._truth and self.slab_c[-1] >= TARGET_C - 2:
            self._held_s += dt_s
            if self._held_s >= HOLD_S:
                self._truth.setdefault("cure_complete_s", self._now_s)

    # -- what the wires see ----------------------------------------------------------------------------------------

    def gauge_pa(self) -> float:
        return self.pressure_pa + self._random.gauss(0.0, 0.6)

    def probe_c(self, name: str) -> float:
        return self.slab_c[-1] if name == "witness" else self.air_c

    def junction_c(self) -> float:
        return ROOM_C + 4

    def truth(self) -> dict[str, Any]:
        return {
            "chamber_pa": self.pressure_pa, "oven_c": self.air_c, "core_c": self.slab_c[-1],
            "bubbles": len(self._bubbles), "done": self.done, "named": list(self._named), **self._truth,
        }  # fmt: skip

    # -- what a person has a hand on -------------------------------------------------------------------------------

    def bubbles_seen(self) -> int:
        return len(self._bubbles)

    def chamber_pa(self) -> float:
        return self.pressure_pa

    def room_pa(self) -> float:
        return ROOM_PA

    def load_oven(self) -> None:
        self.loaded = True
        self.slab_c = [ROOM_C] * _NODES
        self.done.append("load")

    def unload_oven(self) -> None:
        self.loaded = False
        self.done.append("unload")

    def rock(self) -> None:
        self.done.append("rock")

    def drain(self) -> None:
        self.done.append("drain")


def make(seed: int, scenario: str, now_s: float) -> StandIn:
    return StandIn(seed, scenario, now_s)
