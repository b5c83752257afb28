"""The plant as the wires see it: the physics of `tools.plant.station`, stepped to the bench's time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from tools.plant.scenario import SCENARIOS, Scenario
from tools.plant.station import Station
from tools.plant.wire.person import Batch

__all__ = ["SCENES", "World", "make"]

_DEMO: Final = SCENARIOS["demo"]
#: The plant's scenarios, and one of a day that is soon over: a quarter of an hour of soak, and an oven of bare sheet
#: metal, which 700 W bring to 250 degC at most and which cools within the hour.
SCENES: Final[Mapping[str, Scenario]] = {
    **SCENARIOS,
    "short_day": replace(
        _DEMO, name="short_day", oven=replace(_DEMO.oven, wall_j_k=4500.0, wall_room_w_k=2.6), soak_s=900.0
    ),
}


class World:
    """See `bench_process.World`. `now_s` is bench time; the station counts from its own zero."""

    def __init__(self, station: Station, now_s: float) -> None:
        self._station = station
        self._zero_s = now_s
        scenario = station.scenario
        piece = scenario.pieces[0]
        self.batch = Batch(
            f"{scenario.material} slabs",
            (
                "--material", scenario.material, "--thickness", f"{piece.thickness_m * 1e3:g} mm",
                "--shape", piece.shape, "--soak", f"{scenario.soak_s / 60:g} min",
                "--target-core", f"{scenario.target_c:g} degC", "--hold", f"{scenario.hold_s / 60:g} min",
            ),
            f"dial={scenario.dial_f:g}F",
            (scenario.dial_f - 32) / 1.8,
            scenario.vent_s,
        )  # fmt: skip

    def __getattr__(self, name: str) -> Any:
        # Doings and the readings that need no conversion.
        return getattr(self._station, name)

    @property
    def pump_on(self) -> bool:
        return self._station.pump_on

    @pump_on.setter
    def pump_on(self, on: bool) -> None:
        self._station.pump_on = on

    @property
    def vent_open(self) -> float:
        return self._station.vent_open

    @vent_open.setter
    def vent_open(self, opening: float) -> None:
        self._station.vent_open = opening

    @property
    def isolated(self) -> bool:
        return self._station.isolated

    @isolated.setter
    def isolated(self, shut: bool) -> None:
        self._station.isolated = shut

    @property
    def dial_c(self) -> float:
        return self._station.dial_c

    @dial_c.setter
    def dial_c(self, dial_c: float) -> None:
        self._station.dial_c = dial_c

    @property
    def door_open(self) -> bool:
        return self._station.door_open

    @door_open.setter
    def door_open(self, is_open: bool) -> None:
        self._station.door_open = is_open

    def step(self, now_s: float, heat: bool) -> None:
        self._station.heat = heat
        self._station.step(now_s - self._zero_s - self._station.time_s)

    def gauge_pa(self) -> float:
        return self._station.gauge_pa()

    def probe_c(self, name: str) -> float:
        return self._station.witness_c if name == "witness" else self._station.oven_tc_c

    def junction_c(self) -> float:
        return self._station.junction_c

    def bubbles_seen(self) -> int:
        """All bubbles so far: what somebody who looks would count on from."""
        return int(self._station.bubbles)

    def chamber_pa(self) -> float:
        return self._station.chamber_pa

    def room_pa(self) -> float:
        return self._station.room_pa

    def truth(self) -> dict[str, Any]:
        """Dates in bench time."""
        told = self._station.truth()
        return {k: v + self._zero_s if k.endswith("_s") and v is not None else v for k, v in told.items()}


def make(seed: int, scenario: str, now_s: float) -> World:
    """Raises KeyError, naming the scenarios, for a name that is none."""
    if scenario not in SCENES:
        raise KeyError(f"{scenario!r} is no scenario; allowed: {', '.join(SCENES)}")
    return World(Station(SCENES[scenario], seed), now_s)
