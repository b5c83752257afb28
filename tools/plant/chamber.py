"""The chamber: one gas volume, what flows in, and a pump behind a hose.

Two gases share the volume, air and the resin's vapour:

    V d(air)/dt    = bubbles + leak + vent + lid + dissolved gas + moisture - the pump's share
    V d(vapour)/dt = k (p_sat - vapour) - the pump's share

The pump's own law is S (p_inlet - p_base): its speed falls off towards its base pressure by itself, and the base rises
as the oil warms and wanders. The hose carries (a (p + p_inlet)/2 + b)(p - p_inlet), viscous and molecular flow side by
side; both laws together are a quadratic in p_inlet, so a pump-down is no single exponential. Each step is the exact
answer of the linear equation with that step's coefficients; mass is conserved to rounding (`entered_pa_m3`,
`pumped_pa_m3`).

Sources: conductances 135 d^4 p/L and 12.1 d^3/L (L/s, cm, mbar; air, 20 degC; handbook of vacuum technology, see
shared/reference/tube_conductance.csv). Desorbing moisture ~ t^-1/2 from a porous body, oil, resin's light ends: sizes
are ours, of common practice, no published source. Left out: cooling of the gas while it expands (recovers within
seconds at these sizes), turbulent flow in the hose above some 10 kPa (the pump limits there, not the hose).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tools.plant.chance import Chance

__all__ = ["Chamber", "ChamberParts", "pump_inlet_pa"]

#: Air streams through an opening at the speed of sound below this ratio of pressures (0.528 for air, gas dynamics).
_CHOKED = 0.528


@dataclass(frozen=True, slots=True)
class ChamberParts:
    """volume_m3 : gas, resin and pieces taken off;  pump_m3_s, ultimate_pa : of the pump, cold;  hose_d_m, hose_l_m
    leak_pa_m3_s : with one atmosphere across it;  vapour_pa, vapour_m3_s : the resin's light ends, how fast they come
    dissolved_pa_m3, dissolved_s : gas in the resin itself, and its pace;  moisture_pa_m3 : of the first hour, by t^-1/2
    suck_back_m3_s : back through a pump that stands;  vent_m3_s : room air through the vent, wide open, choked
    room_pa, room_drift_pa_h, room_walk_pa : barometer, its trend and its wander over hours
    oil_rise, oil_s : share by which the base rises as the oil warms, and how slowly (negative: it clears)
    base_walk_pa, base_walk_s : wander of the base;  warm_k_h : warming of resin and room
    switch_off_pa, switch_on_pa : a vacuum switch that cycles the pump (0: none)
    """

    volume_m3: float = 8e-3
    pump_m3_s: float = 0.8e-3
    ultimate_pa: float = 12.0
    hose_d_m: float = 0.008
    hose_l_m: float = 1.0
    leak_pa_m3_s: float = 2e-4
    vapour_pa: float = 18.0
    vapour_m3_s: float = 1e-4
    dissolved_pa_m3: float = 4.0
    dissolved_s: float = 240.0
    moisture_pa_m3: float = 0.15
    suck_back_m3_s: float = 2e-5
    vent_m3_s: float = 4.5e-3
    room_pa: float = 99_000.0
    room_drift_pa_h: float = 0.0
    room_walk_pa: float = 25.0
    oil_rise: float = 0.25
    oil_s: float = 1800.0
    base_walk_pa: float = 0.33
    base_walk_s: float = 1500.0
    warm_k_h: float = 0.0
    switch_off_pa: float = 0.0
    switch_on_pa: float = 0.0


def pump_inlet_pa(p_pa: float, base_pa: float, pump_m3_s: float, hose_d_m: float, hose_l_m: float) -> float:
    """Pressure at the pump where hose and pump carry the same flow [Pa]."""
    half_a = 0.5 * 1350.0 * hose_d_m**4 / hose_l_m
    b = 121.0 * hose_d_m**3 / hose_l_m
    linear = b + pump_m3_s
    rest = half_a * p_pa * p_pa + b * p_pa + pump_m3_s * base_pa
    return 2 * rest / (linear + math.sqrt(linear * linear + 4 * half_a * rest))


class Chamber:
    """`step(dt_s, gas_pa_m3)` with what the pores gave in that step. `pressure_pa` is the true absolute pressure.

    pump_on : it runs;  vent_open : 0..1;  isolated : shut off from the pump;  lid_m3_s : conductance of a lid that is
    not tight;  hose_off : the hose has slipped off, at the chamber's nipple;  ballast_pa : added to the base by an open
    ballast valve or bad oil
    """

    def __init__(self, parts: ChamberParts, chance: Chance) -> None:
        self.parts = parts
        self.pressure_pa = parts.room_pa
        self.vapour_pa = 0.0
        self.room_pa = parts.room_pa
        self.pump_on = False
        self.vent_open = 1.0
        self.isolated = False
        self.lid_m3_s = 0.0
        self.hose_off = False
        self.ballast_pa = 0.0
        self.entered_pa_m3 = 0.0
        self.pumped_pa_m3 = 0.0
        self.sucked_pa_m3 = 0.0
        self.pumped_now_pa_m3_s = 0.0
        self.falling_pa_m3_s = 0.0
        self._chance = chance
        self._dissolved = parts.dissolved_pa_m3
        self._clock_s = 0.0
        self._low_s = 0.0
        self._oil = 0.0
        self._walk = 0.0
        self._room_walk = 0.0

    def refill(self) -> None:
        """Fresh resin: gas is dissolved in it again."""
        self._dissolved = self.parts.dissolved_pa_m3

    @property
    def base_pa(self) -> float:
        """What the pump would come down to with nothing to do, now [Pa]."""
        return max(0.0, self.parts.ultimate_pa * (1 + self.parts.oil_rise * self._oil) + self._walk + self.ballast_pa)

    @property
    def low_speed_m3_s(self) -> float:
        """The pump's speed at the chamber, through the hose, a little above its base [m3/s]."""
        base = self.parts.ultimate_pa
        return self._speed(base + 5.0, base)

    def step(self, dt_s: float, gas_pa_m3: float) -> None:
        """Go on by dt_s (at most a second or so)."""
        parts, p = self.parts, self.pressure_pa
        volume = parts.volume_m3
        self._wander(dt_s)
        room = self.room_pa
        inward = gas_pa_m3 / dt_s + self._from_resin(dt_s, p, room)
        if p < room:
            inward += parts.leak_pa_m3_s * (1 - (p / room) ** 2)
        open_m3_s = self.lid_m3_s + self._vent(p, room)
        speed = sucking = base = 0.0
        if not self.isolated:
            if self.hose_off:
                open_m3_s += 80.0 * parts.hose_d_m**2
            elif self.pump_on:
                base = self.base_pa
                speed = self._speed(p, base)
            else:
                sucking = parts.suck_back_m3_s
        taken = speed * (p - base) / max(p, 1e-3)
        # The vapour pressure of a liquid near the room's temperature rises by some 6.5 % a kelvin (Clausius-Clapeyron
        # with 45 kJ/mol).
        saturated = parts.vapour_pa * math.exp(0.065 * parts.warm_k_h * self._clock_s / 3600)
        k = parts.vapour_m3_s
        vapour = (self.vapour_pa + dt_s / volume * k * saturated) / (1 + dt_s / volume * (k + max(0.0, taken)))
        inward += k * (saturated - vapour)
        loose = open_m3_s + sucking
        outward = speed + loose
        steady = inward + speed * base + loose * room
        if outward > 1e-12:
            goal, rate = steady / outward, outward / volume
            settled = -math.expm1(-rate * dt_s)
            self.pressure_pa = p + (goal - p) * settled
            area = goal * dt_s + (p - goal) * settled / rate
        else:
            self.pressure_pa = p + steady * dt_s / volume
            area = 0.5 * (p + self.pressure_pa) * dt_s
        pumped = speed * (area - base * dt_s)
        self.pumped_pa_m3 += pumped
        self.entered_pa_m3 += inward * dt_s + loose * (room * dt_s - area)
        self.sucked_pa_m3 += sucking * (room * dt_s - area)
        self.pumped_now_pa_m3_s = pumped / dt_s
        self.falling_pa_m3_s = volume * (p - self.pressure_pa) / dt_s
        self.vapour_pa = min(vapour, self.pressure_pa)
        self._clock_s += dt_s

    def _wander(self, dt_s: float) -> None:
        """Base, barometer and oil go their own way."""
        parts, normal = self.parts, self._chance.normal
        pull = dt_s / parts.base_walk_s
        self._walk += -self._walk * pull + normal() * parts.base_walk_pa * math.sqrt(2 * pull)
        pull = dt_s / 7200.0
        self._room_walk += -self._room_walk * pull + normal() * parts.room_walk_pa * math.sqrt(2 * pull)
        self.room_pa = parts.room_pa + self._room_walk + parts.room_drift_pa_h * self._clock_s / 3600
        self._oil += ((1.0 if self.pump_on else 0.0) - self._oil) * dt_s / parts.oil_s

    def _from_resin(self, dt_s: float, p_pa: float, room_pa: float) -> float:
        """Dissolved gas and desorbing moisture, which come only under vacuum [Pa m3/s]."""
        parts = self.parts
        depth = 1 - 2 * p_pa / room_pa
        if depth <= 0:
            return 0.0
        self._low_s += dt_s
        given = self._dissolved * -math.expm1(-dt_s / parts.dissolved_s) * depth
        self._dissolved -= given
        return given / dt_s + 0.5 * parts.moisture_pa_m3 / math.sqrt(3600.0 * (self._low_s + 60.0))

    def _vent(self, p_pa: float, room_pa: float) -> float:
        """Conductance of the vent towards the room: choked at first, and a needle valve's area [m3/s]."""
        opening = self.vent_open
        if opening <= 0:
            return 0.0
        ratio = min(p_pa / room_pa, 1 - 1e-6)
        flow = 1.0 if ratio <= _CHOKED else math.sqrt(1 - ((ratio - _CHOKED) / (1 - _CHOKED)) ** 2)
        return self.parts.vent_m3_s * opening * opening * flow / (1 - ratio)

    def _speed(self, p_pa: float, base_pa: float) -> float:
        """The pump's flow over (p - base), at the chamber [m3/s]."""
        parts = self.parts
        over = p_pa - base_pa
        if abs(over) < 1e-6:
            over = 1e-6
            p_pa = base_pa + over
        inlet = pump_inlet_pa(p_pa, base_pa, parts.pump_m3_s, parts.hose_d_m, parts.hose_l_m)
        return parts.pump_m3_s * (inlet - base_pa) / over
