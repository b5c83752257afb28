"""What a person does at the bench in the course of a day and what they say of it, for logs without any wire.

    person = Person(station, chance)
    ... station.step(1.0); marks = person.tick() ...          until person.finished

A day is a generator: it yields a condition and goes on once that holds. Unlike the person at the wire
(`tools.plant.wire.person`), who lives by what the station says, this one lives by the scenario's habits: logs are
wanted that go on well past the true stop, that end too early, or that never see an isolation. Marks may be missing or
minutes late; no mark ever comes early.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator

from tools.plant.chance import Chance
from tools.plant.station import Station

__all__ = ["Person"]

Condition = Callable[[], bool]
Doing = Generator[Condition, None, None]

#: Bubbles that a person at the glass sees in a glance of some ten seconds, at this many a second.
_SEEN_PER_S = 0.1


class Person:
    """`tick()` after each step of the station: does what is due and returns the marks made since the last time."""

    def __init__(self, station: Station, chance: Chance) -> None:
        self.station = station
        self.habits = station.scenario.habits
        self.finished = False
        #: True while the person holds the chamber shut off from the pump.
        self.isolating = False
        self._chance = chance
        self._late: list[tuple[float, str]] = []
        self._pump_s = 0.0
        self._asides: list[tuple[Condition | None, Doing]] = []
        self._day = self._live()
        self._condition: Condition | None = next(self._day, None)

    def tick(self) -> tuple[str, ...]:
        """Go on with the day as far as it goes now."""
        while self._condition is not None and self._condition():
            self._condition = next(self._day, None)
        self._aside()
        if self._condition is None:
            self.finished = True
        if not self._late:
            return ()
        now = self.station.time_s
        due = tuple(mark for at_s, mark in self._late if at_s <= now)
        if due:
            self._late = [item for item in self._late if item[0] > now]
        return due

    # -- saying ------------------------------------------------------------------------------------------------

    def _say(self, mark: str) -> None:
        habits, chance = self.habits, self._chance
        if chance.happens(habits.mark_missing):
            return
        late_s = -habits.mark_late_s * math.log(1 - chance.uniform()) if habits.mark_late_s else 0.0
        self._late.append((self.station.time_s + late_s, mark))
        self._late.sort(key=lambda item: item[0])

    # -- waiting -----------------------------------------------------------------------------------------------

    def _wait(self, seconds: float) -> Doing:
        end_s = self.station.time_s + seconds
        yield lambda: self.station.time_s >= end_s

    def _aside(self) -> None:
        """What goes on beside the day: glances, rocking, isolations."""
        if not self._asides:
            return
        kept: list[tuple[Condition | None, Doing]] = []
        for waiting, doing in self._asides:
            condition = waiting
            while condition is not None and condition():
                condition = next(doing, None)
            if condition is not None:
                kept.append((condition, doing))
        self._asides = kept

    def _begin(self, doing: Doing) -> None:
        self._asides.append((next(doing, None), doing))

    # -- the day -----------------------------------------------------------------------------------------------

    def _live(self) -> Doing:
        habits = self.habits
        if habits.part != "oven":
            yield from self._chamber()
        if habits.part == "batch":
            yield from self._soak()
        if habits.part != "degassing":
            yield from self._oven()
        yield from self._wait(habits.tail_s)

    def _chamber(self) -> Doing:
        station, habits = self.station, self.habits
        yield from self._wait(habits.idle_s)
        self._pump_down()
        self._pump_s = station.time_s
        for at_s in habits.rocks_s:
            self._begin(self._rock(at_s))
        if habits.isolate_every_s:
            self._begin(self._isolate())
        if habits.glance_every_s:
            self._begin(self._glance())
        if habits.again_at_s:
            yield from self._wait(habits.again_at_s)
            yield from self._vent()
            yield from self._wait(60)
            station.refill()
            self._pump_down()
        end_s = self._pump_s + min(habits.vent_at_s, habits.longest_s)
        yield lambda: station.time_s >= end_s or station.bubbles_stopped_s() is not None
        stop = station.bubbles_stopped_s()
        if stop is not None and math.isinf(habits.vent_at_s):
            yield lambda: station.time_s >= stop + habits.vent_after_s
        else:
            yield lambda: station.time_s >= end_s
        self._asides = []
        if self.isolating:
            self._rejoin()
        yield from self._vent()

    def _pump_down(self) -> None:
        self.station.vent_open = 0.0
        self._say("vent_shut")
        self.station.pump_on = True
        self._say("pump_on")

    def _vent(self) -> Doing:
        """Slowly, the pump still running, then the pump off; or the wrong way round."""
        station = self.station
        if self.habits.pump_off_first:
            station.pump_on = False
            self._say("pump_off")
            yield from self._wait(300)
        self._say("vent_open")
        steps = 12
        for step in range(1, steps + 1):
            station.vent_open = step / steps
            yield from self._wait(station.scenario.vent_s / steps)
        if station.pump_on:
            station.pump_on = False
            self._say("pump_off")
        end_s = station.time_s + 900
        yield lambda: station.chamber_pa > station.room_pa - 500 or station.time_s >= end_s
        self._say("vented")

    def _soak(self) -> Doing:
        station = self.station
        yield from self._wait(station.scenario.soak_s + self._chance.uniform(30, 300))
        station.drain()
        self._say("drained")
        yield from self._wait(self._chance.uniform(120, 400))

    def _oven(self) -> Doing:
        station, habits, scenario = self.station, self.habits, self.station.scenario
        station.dial_c = scenario.dial_c
        self._say(scenario.dial_mark)
        if habits.preheat_s:
            station.heat = True
            yield from self._wait(habits.preheat_s)
        if scenario.pieces:
            station.door_open = True
            yield from self._wait(self._chance.uniform(20, 50))
            station.load_oven()
            station.door_open = False
            self._say("oven_loaded")
            if not habits.preheat_s:
                yield from self._wait(self._chance.uniform(5, 90))
        station.heat = True
        end_s = station.time_s + habits.longest_s
        yield lambda: station.time_s >= end_s or "cure_complete_s" in station.dates
        yield from self._wait(habits.cool_after_s)
        station.heat = False
        if "cure_complete_s" in station.dates:
            station.door_open = True
            yield lambda: "finished_s" in station.dates or station.time_s >= end_s + 4 * 3600
            station.unload_oven()
            self._say("oven_unloaded")
            station.door_open = False

    # -- beside it ---------------------------------------------------------------------------------------------

    def _rock(self, at_s: float) -> Doing:
        yield lambda: self.station.time_s >= self._pump_s + at_s
        self.station.rock()
        self._say("rocked")

    def _isolate(self) -> Doing:
        station, habits = self.station, self.habits
        yield from self._wait(habits.isolate_from_s)
        while True:
            begin_s, begin_pa = station.time_s, station.chamber_pa
            station.isolated = self.isolating = True
            if habits.isolation_told in ("marks", "both"):
                self._say("isolated")
            yield self._risen(begin_s + habits.isolate_s, begin_pa + habits.isolate_rise_pa)
            self._rejoin()
            yield from self._wait(begin_s + habits.isolate_every_s - station.time_s)

    def _risen(self, end_s: float, limit_pa: float) -> Condition:
        return lambda: self.station.time_s >= end_s or self.station.chamber_pa > limit_pa

    def _rejoin(self) -> None:
        self.station.isolated = self.isolating = False
        if self.habits.isolation_told in ("marks", "both"):
            self._say("rejoined")

    def _glance(self) -> Doing:
        habits, station = self.habits, self.station
        while True:
            yield from self._wait(habits.glance_every_s * self._chance.uniform(0.6, 1.4))
            seen = station.bubbles_per_s > _SEEN_PER_S
            if self._chance.happens(habits.glance_error):
                seen = not seen
            self._say("bubbling" if seen else "quiet")
