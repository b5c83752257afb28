"""A small stand-in for the plant: enough of an oven and a chamber to move the wires in tests of the wire level."""

from __future__ import annotations

import math
from typing import Any

from tools.plant.wire.person import Batch

ROOM_C = 22.0
ROOM_PA = 99_000.0


class StandIn:
    """An oven of first order (heats to the dial within minutes) and a chamber that empties and fills exponentially."""

    def __init__(self, seed: int, scenario: str, now_s: float) -> None:
        self.batch = Batch("slabs", ("--thickness", "20 mm"), "dial=260F", 110.0)
        self.pump_on = False
        self.vent_open = 0.0
        self.dial_c = 110.0
        self.door_open = False
        self.air_c = ROOM_C
        self.piece_c = ROOM_C
        self.pressure_pa = ROOM_PA
        self.done: list[str] = []
        self._now_s = now_s
        self._named = (seed, scenario)

    def step(self, now_s: float, heat: bool) -> None:
        dt_s = now_s - self._now_s
        self._now_s = now_s
        goal_c = self.dial_c if heat else ROOM_C
        self.air_c += (goal_c - self.air_c) * -math.expm1(-dt_s / 900.0)
        self.piece_c += (self.air_c - self.piece_c) * -math.expm1(-dt_s / 1800.0)
        if self.pump_on:
            self.pressure_pa += (600.0 - self.pressure_pa) * -math.expm1(-dt_s / 30.0)
        if self.vent_open:
            self.pressure_pa += (ROOM_PA - self.pressure_pa) * -math.expm1(-dt_s * self.vent_open / 60.0)

    def gauge_pa(self) -> float:
        return self.pressure_pa

    def probe_c(self, name: str) -> float:
        return self.piece_c if name == "witness" else self.air_c

    def junction_c(self) -> float:
        return ROOM_C + 4

    def chamber_pa(self) -> float:
        return self.pressure_pa

    def room_pa(self) -> float:
        return ROOM_PA

    def load_oven(self) -> None:
        self.done.append("load")

    def unload_oven(self) -> None:
        self.done.append("unload")

    def rock(self) -> None:
        self.done.append("rock")

    def drain(self) -> None:
        self.done.append("drain")

    def truth(self) -> dict[str, Any]:
        return {"air_c": self.air_c, "pressure_pa": self.pressure_pa, "done": self.done, "named": list(self._named)}


def make(seed: int, scenario: str, now_s: float) -> StandIn:
    return StandIn(seed, scenario, now_s)
