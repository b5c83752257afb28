"""A small oven: element, air and walls as lumps, a dial thermostat with a slow bulb, the relay in series with it.

The walls are cooler than the air and lose heat to the room; the dial is off by an offset and a factor. A door open
mixes the air with the room's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Oven", "OvenParts"]


@dataclass(frozen=True, slots=True)
class OvenParts:
    """power_w, and heat capacities [J/K] and conductances [W/K] of element, air, walls;  dial_gain, dial_offset_k :
    what the thermostat makes of the dial;  half_band_k : of its switching;  bulb_s : its lag;  room_c
    couple_s, couple_k : lag and error of the thermocouple;  place_k : air there against the mean, at full temperature
    """

    power_w: float = 700.0
    element_j_k: float = 220.0
    air_j_k: float = 250.0
    wall_j_k: float = 7000.0
    element_air_w_k: float = 4.0
    element_wall_w_k: float = 0.6
    air_wall_w_k: float = 7.0
    wall_room_w_k: float = 1.1
    air_room_w_k: float = 0.35
    door_w_k: float = 40.0
    dial_gain: float = 0.95
    dial_offset_k: float = -6.0
    half_band_k: float = 2.0
    bulb_s: float = 12.0
    room_c: float = 22.0
    couple_s: float = 12.0
    couple_k: float = 0.4
    place_k: float = -0.8


class Oven:
    """`step(dt_s, heat, from_air_j, from_walls_j)`; `couple_c` is what the thermocouple has, before the converter."""

    def __init__(self, parts: OvenParts) -> None:
        self.parts = parts
        self.dial_c = 0.0
        self.door_open = False
        self.mains = True
        self.stuck_on = False
        self.element_c = self.air_c = self.wall_c = self.bulb_c = self.couple_c = parts.room_c
        self._calls = False

    @property
    def element_on(self) -> bool:
        """Whether the thermostat calls (the relay is in series)."""
        return self._calls

    def step(self, dt_s: float, heat: bool, from_air_j: float = 0.0, from_walls_j: float = 0.0) -> None:
        """Go on by dt_s [s]; `heat`: the relay is closed."""
        parts = self.parts
        count = max(1, math.ceil(dt_s / 0.5))
        dt = dt_s / count
        for _ in range(count):
            goal = parts.dial_gain * self.dial_c + parts.dial_offset_k
            if self.bulb_c < goal - parts.half_band_k:
                self._calls = True
            elif self.bulb_c > goal + parts.half_band_k:
                self._calls = False
            on = self.mains and heat and (self._calls or self.stuck_on)
            to_air = parts.element_air_w_k * (self.element_c - self.air_c)
            to_wall = parts.element_wall_w_k * (self.element_c - self.wall_c)
            air_wall = parts.air_wall_w_k * (self.air_c - self.wall_c)
            lost = (parts.air_room_w_k + (parts.door_w_k if self.door_open else 0.0)) * (self.air_c - parts.room_c)
            wall_lost = parts.wall_room_w_k * (self.wall_c - parts.room_c)
            self.element_c += ((parts.power_w if on else 0.0) - to_air - to_wall) * dt / parts.element_j_k
            self.air_c += ((to_air - air_wall - lost) * dt - from_air_j / count) / parts.air_j_k
            self.wall_c += ((to_wall + air_wall - wall_lost) * dt - from_walls_j / count) / parts.wall_j_k
            self.bulb_c += (self.air_c - self.bulb_c) * dt / parts.bulb_s
            seen = self.air_c + parts.couple_k + parts.place_k * (self.air_c - parts.room_c) / 90.0
            self.couple_c += (seen - self.couple_c) * -math.expm1(-dt / parts.couple_s)
