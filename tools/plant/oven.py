"""A small oven: element, air, walls and tray as lumps, a dial thermostat with a slow bulb, the relay in series with it.

The walls are cooler than the air and lose heat to the room; pieces exchange radiation with them, which is why a core
lags more than the air says. The dial is off by an offset, a factor and a bend. The bulb may feel the element beside it,
so the mean air shifts while the walls warm. A door open mixes the air with the room's. Energy is conserved to rounding:
`given_j` = `lost_j` + what the lumps hold + what the pieces took.

Sizes are ours, of common practice for small bench ovens (0.4 to 1.5 kW, 10 to 30 l), no published source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

__all__ = ["Oven", "OvenParts", "drifted", "steady_dial_c", "steady_mean_c"]


@dataclass(frozen=True, slots=True)
class OvenParts:
    """power_w, and heat capacities [J/K] and conductances [W/K] of element, air, walls, tray;  dial_gain,
    dial_offset_k, dial_bend_k : what the thermostat makes of the dial;  half_band_k : of its switching;  bulb_s : its
    lag;  bulb_element : share of the element in what it feels;  room_c
    couple_s, couple_k : lag and error of the thermocouple;  place_k : air there against the mean, at full temperature;
    couple_wall : share of the walls in what it feels (radiation)
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
    dial_bend_k: float = 0.0
    bulb_element: float = 0.0
    couple_wall: float = 0.0
    tray_j_k: float = 0.0
    tray_air_w_k: float = 0.6
    tray_wall_w_k: float = 0.5


class Oven:
    """`step(dt_s, heat, from_air_j, from_walls_j)`; `couple_c` is what the thermocouple has, before the converter.

    dial_c : what the dial is set to;  door_open;  mains : false in a power cut;  stuck_on : the thermostat's contact
    has welded;  room_c : the room, which may drift
    """

    def __init__(self, parts: OvenParts) -> None:
        self.parts = parts
        self.dial_c = 0.0
        self.door_open = False
        self.mains = True
        self.stuck_on = False
        self.room_c = parts.room_c
        self.element_c = self.air_c = self.wall_c = self.bulb_c = self.couple_c = self.tray_c = parts.room_c
        self.given_j = 0.0
        self.lost_j = 0.0
        self._calls = False

    @property
    def element_on(self) -> bool:
        """Whether the thermostat calls (the relay is in series)."""
        return self._calls

    @property
    def goal_c(self) -> float:
        """Where the thermostat switches, by its dial [degC]."""
        parts = self.parts
        bend = parts.dial_bend_k * ((self.dial_c - 110.0) / 40.0) ** 2 if parts.dial_bend_k else 0.0
        return parts.dial_gain * self.dial_c + parts.dial_offset_k + bend

    def step(
        self, dt_s: float, heat: bool, from_air_j: float = 0.0, from_walls_j: float = 0.0, from_tray_j: float = 0.0
    ) -> None:
        """Go on by dt_s [s]; `heat`: the relay is closed; what the pieces took out of air, walls and tray [J]."""
        parts = self.parts
        count = max(1, math.ceil(dt_s / 0.5))
        dt = dt_s / count
        goal = self.goal_c
        powered = self.mains and heat
        tray = parts.tray_j_k > 0
        for _ in range(count):
            if self.bulb_c < goal - parts.half_band_k:
                self._calls = True
            elif self.bulb_c > goal + parts.half_band_k:
                self._calls = False
            on = powered and (self._calls or self.stuck_on)
            to_air = parts.element_air_w_k * (self.element_c - self.air_c)
            to_wall = parts.element_wall_w_k * (self.element_c - self.wall_c)
            air_wall = parts.air_wall_w_k * (self.air_c - self.wall_c)
            lost = (parts.air_room_w_k + (parts.door_w_k if self.door_open else 0.0)) * (self.air_c - self.room_c)
            wall_lost = parts.wall_room_w_k * (self.wall_c - self.room_c)
            air_tray = wall_tray = 0.0
            if tray:
                air_tray = parts.tray_air_w_k * (self.air_c - self.tray_c)
                wall_tray = parts.tray_wall_w_k * (self.wall_c - self.tray_c)
                self.tray_c += ((air_tray + wall_tray) * dt - from_tray_j / count) / parts.tray_j_k
            self.element_c += ((parts.power_w if on else 0.0) - to_air - to_wall) * dt / parts.element_j_k
            self.air_c += ((to_air - air_wall - lost - air_tray) * dt - from_air_j / count) / parts.air_j_k
            self.wall_c += ((to_wall + air_wall - wall_lost - wall_tray) * dt - from_walls_j / count) / parts.wall_j_k
            self.given_j += parts.power_w * dt if on else 0.0
            self.lost_j += (lost + wall_lost) * dt
            felt = self.air_c
            if parts.bulb_element:
                felt += parts.bulb_element * (self.element_c - self.air_c)
            self.bulb_c += (felt - self.bulb_c) * dt / parts.bulb_s
            seen = self.air_c + parts.couple_k + parts.place_k * (self.air_c - parts.room_c) / 90.0
            if parts.couple_wall:
                seen += parts.couple_wall * (self.wall_c - self.air_c)
            self.couple_c += (seen - self.couple_c) * -math.expm1(-dt / parts.couple_s)


def steady_mean_c(parts: OvenParts, dial_c: float, hours: float = 3.0, over_s: float = 3600.0) -> float:
    """Mean of what the thermocouple has over the last `over_s` after so many hours, empty and shut [degC]."""
    # Walls that begin warm: what is asked for is the end, not the way there.
    oven = Oven(parts)
    oven.dial_c = dial_c
    warm = max(parts.room_c, oven.goal_c)
    oven.air_c = oven.element_c = oven.bulb_c = oven.couple_c = oven.tray_c = warm
    share = (parts.air_wall_w_k + parts.element_wall_w_k) / (
        parts.air_wall_w_k + parts.element_wall_w_k + parts.wall_room_w_k
    )
    oven.wall_c = parts.room_c + share * (warm - parts.room_c)
    total = count = 0.0
    for second in range(int(hours * 3600)):
        oven.step(1.0, True)
        if second >= hours * 3600 - over_s:
            total += oven.couple_c
            count += 1
    return total / count


def steady_dial_c(parts: OvenParts, mean_c: float) -> float:
    """The dial setting at which the thermocouple's mean is `mean_c` [degC]; by secant on `steady_mean_c`."""
    one = (mean_c - parts.dial_offset_k) / parts.dial_gain
    two = one + 5.0
    at_one, at_two = steady_mean_c(parts, one), steady_mean_c(parts, two)
    for _ in range(8):
        three = two + (mean_c - at_two) * (two - one) / (at_two - at_one)
        one, at_one, two, at_two = two, at_two, three, steady_mean_c(parts, three)
        if abs(at_two - mean_c) < 0.05:
            return two
    raise ValueError(f"no dial setting found for {mean_c:g} degC (last {two:.1f} degC gives {at_two:.2f} degC)")


def drifted(parts: OvenParts, offset_k: float) -> OvenParts:
    """The same oven on another day: its thermostat is off by so much more."""
    return replace(parts, dial_offset_k=parts.dial_offset_k + offset_k)
