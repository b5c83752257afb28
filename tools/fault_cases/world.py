"""The oven as the fault cases need it: the plant's oven, with everything that a workshop can do to it and its probes.

Named to the bench as `tools.fault_cases.world:make`; the scenario is a scene: "cold", or "hot" (at its plateau). The
chamber stands open at the day's air; the fault cases are about heat.

Handles: `relay` ("well", "welded", "dead"), `oven_at`, `oven2_at`, `witness_at` (a `Place`), `dial_c`, `door_open`,
`mains`, `fire_w`, `board_k`, `board_k_min`.
"""

from __future__ import annotations

import math
from typing import Any, Final

from tools.plant.oven import Oven, OvenParts
from tools.plant.wire.person import Batch

__all__ = ["DIAL_C", "PLATEAU_C", "FaultWorld", "make"]

#: Where the oven stands in the scene "hot", and the dial that holds it there [degC].
PLATEAU_C: Final = 93.0
#: Bare sheet metal, as in the try-out's short day: 700 W take it to 250 degC at most.
_PARTS: Final = OvenParts(wall_j_k=4500.0, wall_room_w_k=2.6)
DIAL_C: Final = (PLATEAU_C - _PARTS.dial_offset_k) / _PARTS.dial_gain
_ROOM_PA: Final = 99_000.0
#: Time constants of a probe: in the air, in a piece, half out in its hole [s].
_LAG_S: Final = {"piece": 1500.0, "half_out": 120.0}
#: Where a probe or its wire can be, and what its converter then gets: see `_shown`.
PLACES: Final = (
    "air",
    "piece",
    "out",
    "half_out",
    "touching_leads",
    "reversed",
    "copper",
    "wrong_type",
    "on_element",
)


class FaultWorld:
    """See `bench_process.World`."""

    batch = Batch("fault case", ("--thickness", "20 mm"), "dial=220F", DIAL_C)

    def __init__(self, scene: str, now_s: float) -> None:
        if scene not in ("cold", "hot"):
            raise KeyError(f"{scene!r} is no scene; allowed: cold, hot")
        self._oven = oven = Oven(_PARTS)
        self._now_s = now_s
        self.dial_c = oven.dial_c = DIAL_C
        if scene == "hot":
            oven.air_c = oven.element_c = oven.bulb_c = oven.couple_c = PLATEAU_C
            share = (_PARTS.air_wall_w_k + _PARTS.element_wall_w_k) / (
                _PARTS.air_wall_w_k + _PARTS.element_wall_w_k + _PARTS.wall_room_w_k
            )
            oven.wall_c = _PARTS.room_c + share * (PLATEAU_C - _PARTS.room_c)
        self.door_open = False
        self.relay = "well"
        self.mains = True
        self.fire_w = 0.0
        self.board_k = 0.0
        self.board_k_min = 0.0
        self.oven_at = "air"
        self.oven2_at = "air"
        self.witness_at = "piece"
        self.pump_on = False
        self.vent_open = 1.0
        self._slow_c = dict.fromkeys(_LAG_S, oven.couple_c)
        self._out_c: dict[str, float] = {}
        self._peak_c = oven.air_c

    # -- time ------------------------------------------------------------------------------------------------------

    def step(self, now_s: float, heat: bool) -> None:
        left_s, self._now_s = now_s - self._now_s, now_s
        oven = self._oven
        oven.dial_c, oven.door_open, oven.mains = self.dial_c, self.door_open, self.mains
        powered = {"welded": True, "dead": False}.get(self.relay, heat)
        while left_s > 1e-9:
            dt = min(left_s, 1.0)
            left_s -= dt
            oven.step(dt, powered, from_air_j=-self.fire_w * dt)
            self.board_k += self.board_k_min * dt / 60
            slides = "half_out" in (self.oven_at, self.oven2_at, self.witness_at)
            goals_c = {"piece": oven.air_c, "half_out": oven.air_c - 0.4 * slides * (oven.air_c - _PARTS.room_c)}
            for place, lag_s in _LAG_S.items():
                self._slow_c[place] += (goals_c[place] - self._slow_c[place]) * -math.expm1(-dt / lag_s)
            for name in self._out_c:
                self._out_c[name] += (_PARTS.room_c - self._out_c[name]) * -math.expm1(-dt / 8.0)
        self._peak_c = max(self._peak_c, oven.air_c)

    # -- what the wires see ----------------------------------------------------------------------------------------

    def gauge_pa(self) -> float:
        return _ROOM_PA

    def probe_c(self, name: str) -> float:
        place = getattr(self, f"{name}_at")
        if place != "out":
            self._out_c.pop(name, None)
        return self._shown(name, place)

    def _shown(self, name: str, place: str) -> float:
        oven, board_c = self._oven, self.junction_c()
        true_c = oven.couple_c
        match place:
            case "air":
                return true_c
            case "piece":
                return self._slow_c["piece"]
            case "out":  # beside the oven, cooling from what it last was
                return self._out_c.setdefault(name, true_c)
            case "half_out":  # a third of the way back to the room, and slow
                return self._slow_c["half_out"]
            case "touching_leads":  # a new junction where they touch, in the cable outside
                return board_c + 2.0
            case "reversed":
                return 2 * board_c - true_c
            case "copper":  # the splice, warm beside the oven, has become a junction of its own
                return true_c - 0.25 * (oven.wall_c - board_c)
            case "wrong_type":  # type T wires on a type K converter read high, K on J low; this is K on J
                return board_c + 0.76 * (true_c - board_c)
            case "on_element":
                return 0.5 * true_c + 0.5 * oven.element_c
        raise ValueError(f"{place!r} is no place for a probe; allowed: {', '.join(PLACES)}")

    def junction_c(self) -> float:
        return _PARTS.room_c + 4.0 + 0.03 * (self._oven.wall_c - _PARTS.room_c) + self.board_k

    def truth(self) -> dict[str, Any]:
        oven = self._oven
        return {
            "oven_c": oven.air_c,
            "element_c": oven.element_c,
            "peak_c": self._peak_c,
            "junction_c": self.junction_c(),
        }

    # -- what a person has a hand on: none of it happens here -----------------------------------------------------

    def load_oven(self) -> None: ...
    def unload_oven(self) -> None: ...
    def rock(self) -> None: ...
    def drain(self) -> None: ...

    def bubbles_seen(self) -> int:
        return 0

    def chamber_pa(self) -> float:
        return _ROOM_PA

    def room_pa(self) -> float:
        return _ROOM_PA


def make(seed: int, scenario: str, now_s: float) -> FaultWorld:  # noqa: ARG001  # nothing here is by chance
    """Raises KeyError, naming the scenes, for one that is none."""
    return FaultWorld(scenario, now_s)
