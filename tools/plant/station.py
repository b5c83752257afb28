"""The whole bench as physics: chamber, pores, gauge, oven and pieces, stepped together; no wire, no clock of its own.

Handles are attributes (`heat`, `pump_on`, `vent_open`, `isolated`, `dial_c`, `door_open`) and doings (`load_oven`,
`unload_oven`, `rock`, `drain`). `truth()` dates what really happened, by the words of the log format's page.
"""

from __future__ import annotations

import random
from typing import Any

from tools.plant.chamber import Chamber
from tools.plant.gauge import Gauge
from tools.plant.oven import Oven
from tools.plant.pieces import Piece
from tools.plant.release import Pores, stop_of
from tools.plant.scenario import Scenario

__all__ = ["Station"]

_STEP_S = 0.5
#: A piece can be handled below this [degC] (common practice, no published source).
_HANDLED_C = 45.0


class Station:
    """One bench and one batch. `time_s` counts from its making; everything by chance comes from `seed`."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        # Streams of their own: a gauge read more often must not change the bubbles.
        self._chamber = Chamber(scenario.chamber, random.Random(f"chamber {seed}"))
        self._pores = Pores(scenario.pores, random.Random(f"pores {seed}"))
        self._gauge = Gauge(scenario.gauge, random.Random(f"gauge {seed}"))
        self._oven = Oven(scenario.oven)
        self._pieces: list[Piece] = []
        self.time_s = 0.0
        self.heat = False
        self.dial_c = 20.0
        self.door_open = False
        self.stuck_on = False
        self.witness_in = True
        self.heat_j = 0.0
        self._held_s = 0.0
        self._dates: dict[str, float] = {}
        self._pumped = False

    # -- handles -----------------------------------------------------------------------------------------------

    @property
    def pump_on(self) -> bool:
        return self._chamber.pump_on

    @pump_on.setter
    def pump_on(self, on: bool) -> None:
        self._chamber.pump_on = on

    @property
    def vent_open(self) -> float:
        return self._chamber.vent_open

    @vent_open.setter
    def vent_open(self, opening: float) -> None:
        self._chamber.vent_open = opening

    @property
    def isolated(self) -> bool:
        return self._chamber.isolated

    @isolated.setter
    def isolated(self, shut: bool) -> None:
        self._chamber.isolated = shut

    @property
    def lid_m3_s(self) -> float:
        return self._chamber.lid_m3_s

    @lid_m3_s.setter
    def lid_m3_s(self, conductance: float) -> None:
        self._chamber.lid_m3_s = conductance

    def rock(self) -> None:
        self._pores.rock()

    def drain(self) -> None:
        self._dates.setdefault("drained_s", self.time_s)

    def load_oven(self) -> None:
        self._pieces = [Piece(parts, self.scenario.oven.room_c) for parts in self.scenario.pieces]
        self._dates["oven_loaded_s"] = self.time_s

    def unload_oven(self) -> None:
        self._pieces = []
        self._dates["oven_unloaded_s"] = self.time_s

    # -- readings ----------------------------------------------------------------------------------------------

    @property
    def chamber_pa(self) -> float:
        return self._chamber.pressure_pa

    @property
    def room_pa(self) -> float:
        return self.scenario.chamber.room_pa

    @property
    def oven_air_c(self) -> float:
        return self._oven.air_c

    @property
    def oven_tc_c(self) -> float:
        return self._oven.couple_c

    @property
    def junction_c(self) -> float:
        """The converter's board: a little above the room, a little warmer beside a hot oven."""
        return self.scenario.oven.room_c + 4.0 + 0.03 * (self._oven.wall_c - self.scenario.oven.room_c)

    @property
    def core_c(self) -> float | None:
        """True core of the slowest piece; None while none is in the oven."""
        return min(piece.core_c for piece in self._pieces) if self._pieces else None

    @property
    def witness_c(self) -> float:
        """What a probe in the first (slowest) piece has; the room's temperature while that piece is not in the oven."""
        if not self._pieces:
            return self.scenario.oven.room_c
        return self._pieces[0].core_c if self.witness_in else self._oven.air_c

    @property
    def bubbles(self) -> int:
        return self._pores.bubbles

    @property
    def pore_gas_left(self) -> float:
        """Share of the pores' gas that is left."""
        return max(0.0, 1 - self._pores.released_pa_m3 / self.scenario.pores.gas_pa_m3)

    def gauge_pa(self) -> float:
        """One reading of the gauge."""
        return self._gauge.read(self._chamber.pressure_pa, self.room_pa, self.time_s)

    # -- time --------------------------------------------------------------------------------------------------

    def step(self, dt_s: float) -> None:
        """Go on by dt_s [s]."""
        left = dt_s
        while left > 1e-9:
            dt = min(left, _STEP_S)
            left -= dt
            self._one(dt)

    def _one(self, dt: float) -> None:
        chamber, oven = self._chamber, self._oven
        chamber.step(dt, self._pores.step(dt, chamber.pressure_pa))
        oven.dial_c, oven.door_open, oven.stuck_on = self.dial_c, self.door_open, self.stuck_on
        air_j = wall_j = 0.0
        for piece in self._pieces:
            taken = piece.step(dt, oven.air_c, oven.wall_c)
            air_j += taken[0]
            wall_j += taken[1]
        oven.step(dt, self.heat, air_j, wall_j)
        self.time_s += dt
        self._date(dt)

    def _date(self, dt: float) -> None:
        dates, now = self._dates, self.time_s
        pressure, room = self._chamber.pressure_pa, self.room_pa
        if not self._pumped and pressure < 0.5 * room:
            self._pumped = True
        if self._pumped and "vented_s" not in dates and pressure > room - 1000.0:
            dates["vented_s"] = now
        if "vented_s" in dates and now >= dates["vented_s"] + self.scenario.soak_s:
            dates.setdefault("soak_complete_s", dates["vented_s"] + self.scenario.soak_s)
        core = self.core_c
        if core is None:
            return
        target = self.scenario.target_c
        if core >= target:
            dates.setdefault("cure_temperature_reached_s", now)
        if "cure_temperature_reached_s" in dates and "cure_complete_s" not in dates and core >= target - 2:
            self._held_s += dt
            if self._held_s >= self.scenario.hold_s:
                dates["cure_complete_s"] = now

    def truth(self) -> dict[str, Any]:
        """What is so now, and the dates of what has truly happened, in seconds of `time_s`."""
        out: dict[str, Any] = {
            "chamber_pa": self._chamber.pressure_pa,
            "oven_c": self._oven.air_c,
            "core_c": self.core_c,
            "bubbles": self._pores.bubbles,
            "pore_gas_left": self.pore_gas_left,
            **self._dates,
        }
        times = self._pores.times
        if times and self._pores._clock_s - times[-1][0] > 900:
            out["bubbles_stopped_s"] = stop_of(times)
        return out
