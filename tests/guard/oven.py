"""A small oven for the guard's tests: element, air, walls, the dial's own thermostat, a door. Not the bench's plant."""

from __future__ import annotations

from tests.guard.bench import Rig

ROOM_C = 20.0


class Oven:
    """Temperatures in degC, powers in W, heat capacities in J/K; explicit steps of the guard's cycle (0.1 s).

    dial_c, hysteresis_k : the thermostat;  welded, bypassed : heats whatever the relay does;  dead : never heats
    """

    def __init__(self, start_c: float = ROOM_C, dial_c: float = 95.0) -> None:
        self.element_c = self.air_c = self.wall_c = start_c
        self.dial_c = dial_c
        self.hysteresis_k = 6.0
        self.door_open = False
        self.welded = False
        self.dead = False
        self.calls = True
        self.air_j_k = 900.0

    def advance(self, relay_closed: bool, dt_s: float = 0.1) -> None:
        if self.air_c > self.dial_c + self.hysteresis_k / 2:
            self.calls = False
        elif self.air_c < self.dial_c - self.hysteresis_k / 2:
            self.calls = True
        power = 900.0 if (relay_closed or self.welded) and self.calls and not self.dead else 0.0
        to_air = 5.0 * (self.element_c - self.air_c)
        to_wall = 4.0 * (self.air_c - self.wall_c)
        lost_air = (25.0 if self.door_open else 0.3) * (self.air_c - ROOM_C)
        lost_wall = 1.2 * (self.wall_c - ROOM_C)
        self.element_c += (power - to_air) / 600.0 * dt_s
        self.air_c += (to_air - to_wall - lost_air) / self.air_j_k * dt_s
        self.wall_c += (to_wall - lost_wall) / 2500.0 * dt_s


def follow(rig: Rig, oven: Oven, seconds: float, probe_c: object = None) -> None:
    """Let rig and oven run together; `probe_c` (a function of the oven) replaces what the probe of the air reads."""
    for _ in range(round(seconds / 0.1)):
        oven.advance(rig.closed)
        rig.temperatures["oven"] = probe_c(oven) if callable(probe_c) else oven.air_c
        if "oven2" in rig.temperatures:
            rig.temperatures["oven2"] = oven.air_c
        rig.step()
