"""The chamber: one gas volume, what flows in, and a pump behind a hose. An ODE, stepped exactly over each short step.

    V dp/dt = leak + vent + vapour + dissolved gas + moisture + bubbles - S_eff(p) (p - p_base)

Not the estimator's inverse: the pump's speed falls off by itself, the base wanders as oil warms, the hose is viscous
and molecular at once. Conductances: 135 d^4 p/L and 12.1 d^3/L (L/s, cm, mbar; air, 20 degC; handbook of vacuum
technology, see shared/reference/tube_conductance.csv). All SI.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

__all__ = ["Chamber", "ChamberParts"]


@dataclass(frozen=True, slots=True)
class ChamberParts:
    """volume_m3 : gas;  pump_m3_s, ultimate_pa : of the pump;  hose_d_m, hose_l_m
    leak_pa_m3_s : at one atmosphere across it;  vapour_pa, vapour_m3_s : the resin's light ends and how fast they come
    dissolved_pa_m3 : gas in the resin itself;  moisture_pa_m3 : leaves by a t^-1/2 law;  room_pa
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
    moisture_pa_m3: float = 0.15
    suck_back_m3_s: float = 2e-5
    vent_m3_s: float = 1.8e-4
    room_pa: float = 99_000.0


class Chamber:
    """`step(dt_s, gas_pa_m3)` with what the pores gave in that step. `pressure_pa` is the true absolute pressure."""

    def __init__(self, parts: ChamberParts, rng: random.Random) -> None:
        self.parts = parts
        self.pressure_pa = parts.room_pa
        self.pump_on = False
        self.vent_open = 1.0
        self.isolated = False
        self.lid_m3_s = 0.0  # conductance of a lid that is not tight
        self._rng = rng
        self._dissolved = parts.dissolved_pa_m3
        self._low_s = 0.0
        self._pump_s = 0.0
        self._walk = 0.0

    def step(self, dt_s: float, gas_pa_m3: float) -> None:
        """Go on by dt_s (at most a second or so)."""
        parts, p = self.parts, self.pressure_pa
        room = parts.room_pa
        inward = parts.leak_pa_m3_s * max(0.0, 1 - p / room) + gas_pa_m3 / dt_s
        open_m3_s = self.lid_m3_s + parts.vent_m3_s * self.vent_open**2 * 25
        outward = open_m3_s
        inward += open_m3_s * room
        if p < 0.5 * room:
            self._low_s += dt_s
            given = self._dissolved * -math.expm1(-dt_s / 240.0) * max(0.0, 1 - p / (0.5 * room))
            self._dissolved -= given
            inward += given / dt_s + 0.5 * parts.moisture_pa_m3 / math.sqrt(3600.0 * (self._low_s + 60.0))
        inward += parts.vapour_m3_s * parts.vapour_pa
        outward += parts.vapour_m3_s
        if self.pump_on:
            self._pump_s += dt_s
            if not self.isolated:
                speed = self._speed(p)
                base = parts.ultimate_pa * (1 + 0.25 * -math.expm1(-self._pump_s / 1800.0)) + self._walk
                inward += speed * base
                outward += speed
        elif not self.isolated:
            inward += parts.suck_back_m3_s * (room - p)
        self._walk += -self._walk * dt_s / 1500.0 + self._rng.gauss(0.0, 0.012) * math.sqrt(dt_s)
        if outward > 0:
            goal, rate = inward / outward, outward / parts.volume_m3
            self.pressure_pa = p + (goal - p) * -math.expm1(-rate * dt_s)
        else:
            self.pressure_pa = p + inward * dt_s / parts.volume_m3

    def _speed(self, p_pa: float) -> float:
        """The pump's speed at the chamber, through the hose [m3/s]."""
        parts = self.parts
        mean_pa = 0.5 * (p_pa + parts.ultimate_pa)
        hose = (1.35e3 * parts.hose_d_m**4 * mean_pa + 121.0 * parts.hose_d_m**3) / parts.hose_l_m
        pump = parts.pump_m3_s / (1 + (2 * parts.ultimate_pa / max(p_pa, 0.1)) ** 2 * 0.05)
        return pump * hose / (pump + hose)
