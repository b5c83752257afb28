"""The whole bench as physics: chamber, pores, gauge, oven and pieces, stepped together; no wire, no clock of its own.

    station = Station(SCENARIOS["demo"], seed=1)
    station.vent_open, station.pump_on = 0.0, True
    station.step(0.25)                          # any step; within, none is longer than a second
    station.gauge_pa(), station.oven_tc_c, station.truth()

Handles are attributes (`heat`, `pump_on`, `vent_open`, `isolated`, `dial_c`, `door_open`) and doings (`load_oven`,
`unload_oven`, `rock`, `drain`). What the scenario lets happen (`Happening`) happens by itself. `truth()` dates what
really happened, by the words of the log format's page; `stages()` tells the true stage from when on.
"""

from __future__ import annotations

import math
from typing import Any

from tools.plant.chamber import Chamber
from tools.plant.chance import Chance
from tools.plant.gauge import Gauge
from tools.plant.oven import Oven
from tools.plant.pieces import Piece
from tools.plant.release import Pores, safe_of, stop_of
from tools.plant.scenario import OF_CHAMBER, Happening, Scenario

__all__ = ["Station"]

_STEP_S = 1.0
_QUARTER_S = 900.0
#: Back at atmosphere, with a pump that still runs against the open vent (ours, no published source).
_BACK = 0.98
#: A piece can be handled below this [degC] (common practice, no published source).
_HANDLED_C = 45.0


class Station:
    """One bench and one batch. `time_s` counts from its making; everything by chance comes from `seed`."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self._chamber = Chamber(scenario.chamber, Chance(seed, "chamber"))
        self._pores = Pores(scenario.pores, Chance(seed, "pores"))
        self._gauge = Gauge(scenario.gauge, Chance(seed, "gauge"))
        self._oven = Oven(scenario.oven)
        self._pieces: list[Piece] = []
        self.time_s = 0.0
        self.heat = False
        self.pump_on = False
        self.isolated = False
        self.dial_c = 20.0
        self.door_open = False
        self.stuck_on = False
        self.witness_in = True
        self.lid_m3_s = 0.0
        self._witness_c = scenario.oven.room_c
        self._witness_broken = False
        self._switched_off = False
        self._held_s = 0.0
        self.dates: dict[str, float] = {}
        self._stages: list[tuple[float, str]] = [(0.0, "idle")]
        self._pending = list(scenario.happenings)
        self._running: list[Happening] = []
        self._pumped = False

    # -- handles -----------------------------------------------------------------------------------------------

    @property
    def vent_open(self) -> float:
        return self._chamber.vent_open

    @vent_open.setter
    def vent_open(self, opening: float) -> None:
        self._chamber.vent_open = opening

    def rock(self) -> None:
        self._pores.rock()
        self.dates["rocked_s"] = self.time_s

    def drain(self) -> None:
        self.dates.setdefault("drained_s", self.time_s)

    def refill(self) -> None:
        """Fresh resin on top, with gas dissolved in it."""
        self._chamber.refill()

    def load_oven(self) -> None:
        self._pieces = [Piece(parts, self.scenario.oven.room_c) for parts in self.scenario.pieces]
        self.dates["oven_loaded_s"] = self.time_s
        self._stage("heating")

    def unload_oven(self) -> None:
        self._pieces = []
        self.dates["oven_unloaded_s"] = self.time_s

    # -- readings ----------------------------------------------------------------------------------------------

    @property
    def chamber_pa(self) -> float:
        return self._chamber.pressure_pa

    @property
    def room_pa(self) -> float:
        return self._chamber.room_pa

    @property
    def oven_air_c(self) -> float:
        return self._oven.air_c

    @property
    def oven_wall_c(self) -> float:
        return self._oven.wall_c

    @property
    def oven_tc_c(self) -> float:
        return self._oven.couple_c

    @property
    def pump_runs(self) -> bool:
        """Whether it truly turns: switched on, and neither failed nor stopped by a vacuum switch."""
        return self._chamber.pump_on

    @property
    def pieces_in_oven(self) -> bool:
        return bool(self._pieces)

    @property
    def junction_c(self) -> float:
        """The converter's board: a little above the room, a little warmer beside a hot oven."""
        return self.scenario.oven.room_c + 4.0 + 0.03 * (self._oven.wall_c - self.scenario.oven.room_c)

    @property
    def core_c(self) -> float | None:
        """True core of the slowest piece; None while none is in the oven."""
        return min(piece.core_c for piece in self._pieces) if self._pieces else None

    @property
    def witness_c(self) -> float | None:
        """What a probe in a piece has; the room's temperature while that piece is not in the oven; None: broken."""
        return None if self._witness_broken else self._witness_c

    @property
    def low_speed_m3_s(self) -> float:
        """The pump's speed at the chamber, a little above its base [m3/s]."""
        return self._chamber.low_speed_m3_s

    @property
    def bubbles(self) -> int:
        return self._pores.bubbles

    @property
    def bubbles_per_s(self) -> float:
        """Expected, at this moment."""
        return self._pores.rate_per_s

    @property
    def pore_gas_left(self) -> float:
        """Share of the pores' gas that would still come by itself."""
        return self._pores.left

    @property
    def bubbles_to_come(self) -> float:
        """About how many would still come by themselves."""
        return self._pores.left * self.scenario.pores.gas_pa_m3 / self.scenario.pores.bubble_pa_m3

    def gauge_pa(self) -> float:
        """One reading of the gauge."""
        return self._gauge.read(self._chamber.pressure_pa, self.room_pa, self.time_s)

    def gauge_answers(self) -> bool:
        """Whether the next reading comes at all."""
        return self._gauge.comes()

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
        chamber.isolated = self.isolated
        chamber.pump_on = self.pump_on and self._switch()
        chamber.lid_m3_s = self.lid_m3_s
        oven.dial_c, oven.door_open, oven.stuck_on = self.dial_c, self.door_open, self.stuck_on
        if self._pending or self._running:
            self._happen()
        chamber.step(dt, self._pores.step(dt, chamber.pressure_pa))
        air_j = wall_j = tray_j = 0.0
        tray_c = oven.tray_c if self.scenario.oven.tray_j_k > 0 else None
        for piece in self._pieces:
            from_air, from_walls = piece.step(dt, oven.air_c, oven.wall_c, tray_c)
            air_j += from_air
            wall_j += from_walls
            tray_j += piece.from_tray_j
        oven.step(dt, self.heat, air_j, wall_j, tray_j)
        self.time_s += dt
        self._feel(dt)
        self._date(dt)

    def _switch(self) -> bool:
        """A vacuum switch's contact."""
        parts, p = self.scenario.chamber, self._chamber.pressure_pa
        if parts.switch_on_pa <= 0:
            return True
        if p < parts.switch_off_pa:
            self._switched_off = True
        elif p > parts.switch_on_pa:
            self._switched_off = False
        return not self._switched_off

    def _happen(self) -> None:
        """Lets begin, last and end what the scenario has in store."""
        now, dates = self.time_s, self.dates
        pumped, loaded = dates.get("pump_on_s"), dates.get("oven_loaded_s")
        if pumped is None and self.pump_on:
            pumped = now
        for item in list(self._pending):
            zero = pumped if item.kind in OF_CHAMBER else loaded
            if zero is not None and now >= zero + item.at_s:
                self._pending.remove(item)
                self._running.append(item)
                dates.setdefault(f"{item.kind}_s", now)
        chamber, oven = self._chamber, self._oven
        chamber.hose_off, chamber.ballast_pa, oven.mains = False, 0.0, True
        for item in list(self._running):
            zero = pumped if item.kind in OF_CHAMBER else loaded
            if zero is None or now >= zero + item.until_s:
                self._running.remove(item)
                if item.kind == "witness_falls":
                    self.witness_in = True
                continue
            self._apply(item)

    def _apply(self, item: Happening) -> None:
        chamber, oven, kind = self._chamber, self._oven, item.kind
        if kind == "pump_stops":
            chamber.pump_on = False
        elif kind in ("lid_lifts", "lid_late"):
            chamber.lid_m3_s = item.size
        elif kind == "hose_off":
            chamber.hose_off = True
        elif kind == "ballast_open":
            chamber.ballast_pa = item.size
        elif kind == "power_cut":
            oven.mains = False
        elif kind == "stuck_on":
            oven.stuck_on = True
        elif kind == "look":
            oven.door_open = True
        elif kind == "dial_turned":
            self.dial_c = oven.dial_c = item.size
        elif kind == "witness_falls":
            self.witness_in = False
        elif kind == "witness_breaks":
            self._witness_broken = True

    def _feel(self, dt: float) -> None:
        """The witness probe follows what it is in."""
        witness = self.scenario.witness
        oven = self._oven
        if not self._pieces:
            around, lag_s = self.scenario.oven.room_c, 8.0
        elif not self.witness_in:
            around, lag_s = oven.air_c, 15.0
        else:
            piece = self._pieces[min(witness.piece, len(self._pieces) - 1) if witness else 0]
            around = _inside(piece, witness.off if witness else 0.0)
            lag_s = witness.lag_s if witness else 8.0
            if any(item.kind == "witness_on_tray" for item in self._running):
                metal = oven.tray_c if self.scenario.oven.tray_j_k > 0 else oven.wall_c
                around = 0.4 * around + 0.6 * metal
        self._witness_c += (around + (witness.error_k if witness else 0.0) - self._witness_c) * -math.expm1(-dt / lag_s)

    # -- truth -------------------------------------------------------------------------------------------------

    def _stage(self, name: str) -> None:
        if self._stages[-1][1] != name:
            self._stages.append((self.time_s, name))

    def _date(self, dt: float) -> None:
        self._date_chamber()
        core = self.core_c
        if core is None:
            return
        dates, now, target = self.dates, self.time_s, self.scenario.target_c
        if core >= target and "cure_temperature_reached_s" not in dates:
            dates["cure_temperature_reached_s"] = now
            self._stage("curing")
        if "cure_temperature_reached_s" in dates and "cure_complete_s" not in dates and core >= target - 2:
            self._held_s += dt
            if self._held_s >= self.scenario.hold_s:
                dates["cure_complete_s"] = now
                self._stage("cooling")
        if (
            "cure_complete_s" in dates
            and "finished_s" not in dates
            and max(p.core_c for p in self._pieces) < _HANDLED_C
        ):
            dates["finished_s"] = now
            self._stage("finished")

    def _date_chamber(self) -> None:
        dates, now, chamber = self.dates, self.time_s, self._chamber
        p, room, stage = chamber.pressure_pa, chamber.room_pa, self._stages[-1][1]
        if self.pump_on and chamber.vent_open == 0 and stage in ("idle", "soaking") and not self._pieces:
            # The first for good; a second pump-down begins where the first had ended.
            dates.setdefault("pump_on_s", now)
            self._stage("pump_down")
            for name in ("vented_s", "soak_complete_s"):
                dates.pop(name, None)
            self._pumped = False
        elif stage == "pump_down" and p < 0.5 * room and chamber.pump_on and not chamber.isolated:
            self._pumped = True
            if chamber.falling_pa_m3_s <= 0.5 * chamber.pumped_now_pa_m3_s:
                dates["degassing_s"] = now
                self._stage("degassing")
        elif stage == "pump_down" and self._switched_off:
            dates["degassing_s"] = now
            self._stage("degassing")
        elif stage == "degassing" and p > 0.5 * room and chamber.vent_open == 0 and self.pump_on:
            # The vacuum was lost; what follows is a second pump-down.
            self._stage("pump_down")
        if self._pumped and "vented_s" not in dates:
            if chamber.vent_open > 0 and p < _BACK * room:
                self._stage("venting")
            elif p >= _BACK * room and chamber.vent_open > 0:
                dates["vented_s"] = now
                self._stage("soaking")
            elif p < 0.3 * room and self.pump_on and not chamber.pump_on and not self._switched_off:
                dates.setdefault("pump_stopped_s", now)
            elif p < 0.3 * room and not self.pump_on:
                dates.setdefault("pump_off_under_vacuum_s", now)
            # A lid that seals late never held: nothing is lost by it.
            lifted = any(item.kind == "lid_lifts" for item in self._running)
            if chamber.hose_off or (lifted and stage == "degassing"):
                dates.setdefault("vacuum_lost_s", now)
        if "vented_s" in dates and now >= dates["vented_s"] + self.scenario.soak_s:
            dates.setdefault("soak_complete_s", dates["vented_s"] + self.scenario.soak_s)

    def bubbles_stopped_s(self) -> float | None:
        """When they truly had stopped; None until a quarter of an hour has shown it, and while more are to come."""
        stop = stop_of(self._pores.times) if self.bubbles_to_come < 3 else None
        return stop if stop is not None and self.time_s - stop > _QUARTER_S else None

    def lift_pa(self, since_s: float, until_s: float) -> float:
        """By how much the bubbles of that time lifted the pressure on the running pump, in the mean [Pa]."""
        count = sum(count for at_s, count in self._pores.times if since_s <= at_s < until_s)
        flow_pa_m3_s = count * self.scenario.pores.bubble_pa_m3 / max(1.0, until_s - since_s)
        return flow_pa_m3_s / self._chamber.low_speed_m3_s

    def safe_s(self) -> float | None:
        """From when on a call is not early; None where that was never reached."""
        parts = self.scenario.pores
        if self.bubbles_to_come > 30 or self.pore_gas_left > 0.01:
            return None
        return safe_of(self._pores.times, parts.gas_pa_m3 / parts.bubble_pa_m3)

    def stages(self) -> list[tuple[float, str]]:
        """(since, stage), rising; `still` where the bubbles had stopped."""
        out = list(self._stages)
        stop = self.bubbles_stopped_s()
        if stop is not None:
            place = max(i for i, (since, _) in enumerate(out) if since <= stop)
            if out[place][1] == "degassing":
                out.insert(place + 1, (stop, "still"))
        return out

    def truth(self) -> dict[str, Any]:
        """What is so now, and the dates of what has truly happened, in seconds of `time_s`."""
        out: dict[str, Any] = {
            "chamber_pa": self._chamber.pressure_pa,
            "oven_c": self._oven.air_c,
            "core_c": self.core_c,
            "bubbles": self._pores.bubbles,
            "pore_gas_left": self.pore_gas_left,
            **self.dates,
        }
        stop = self.bubbles_stopped_s()
        if stop is not None:
            out["bubbles_stopped_s"] = stop
        return out


def _inside(piece: Piece, off: float) -> float:
    """Temperature between the middle (0) and the face (1) [degC]."""
    cells = piece.cells_c
    place = off * (len(cells) - 1)
    i = min(int(place), len(cells) - 2)
    return cells[i] + (cells[i + 1] - cells[i]) * (place - i)
