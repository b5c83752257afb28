"""The rise of the air under full power, from cold to the thermostat's first switching: what it tells of the walls.

While the element gives all it has, the air passes that power on: to walls (and pieces) that are cooler than it is, and
to itself as long as it rises. So

    (air - walls) + load (air - faces of the pieces) + keeps d(air)/dt

does not change from the moment the element is hot until the thermostat cuts it off. Walls that were thought to follow
too slowly make that sum rise, walls too quick make it fall: the shape of a rise that anybody's log has tells the walls'
lag, which no thermocouple in the air sees and on which the radiation to the piece depends. `core.py` holds the rise
against each of its bodies. It holds also where the element heats part of the walls itself: that share is constant too.

An energy balance; no published source. Pure; reads no clock.
"""

from __future__ import annotations

from typing import Final, NamedTuple

__all__ = ["ELEMENT_S", "SETTLE_S", "HeatUp", "HeatUpWatch"]

#: The first minutes belong to the element, which warms with about this lag, and to the air's first jump [s]. Common
#: practice for tubular and quartz elements: one to two minutes, no published source.
ELEMENT_S: Final = 90.0
SETTLE_S: Final = 240.0
#: A rise that counts [K]; shorter ones than this tell nothing [s].
_RISE_K: Final = 30.0
_LEAST_S: Final = SETTLE_S + 180.0
#: The thermostat has cut the element off when the air is so much below its highest [K].
_TURN_K: Final = 0.8


class HeatUp(NamedTuple):
    """One rise under full power: from its beginning to its end [s, end of the grid's step]."""

    from_s: float
    to_s: float


class HeatUpWatch:
    """Feed it every step's mean of the air; it gives a `HeatUp` when the first switching has been seen."""

    def __init__(self) -> None:
        self._low: tuple[float, float] | None = None
        self._high: tuple[float, float] | None = None

    def feed(self, end_s: float, mean_c: float, *, disturbed: bool) -> HeatUp | None:
        """end_s : end of the step [s];  mean_c [degC];  disturbed : door open, relay open, hole in the log"""
        low, high = self._low, self._high
        if disturbed or low is None or high is None or (mean_c <= low[1] + 1.0 and high[1] - low[1] < 3.0):
            self._low = self._high = (end_s, mean_c)
            return None
        if mean_c >= high[1]:
            self._high = (end_s, mean_c)
            return None
        if mean_c > high[1] - _TURN_K:
            return None
        # It has turned: the next rise begins here.
        self._low = self._high = (end_s, mean_c)
        if high[1] - low[1] < _RISE_K or high[0] - low[0] < _LEAST_S:
            return None
        return HeatUp(low[0], high[0] - 40.0)
