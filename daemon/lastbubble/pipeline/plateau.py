"""The oven leaves its plateau upward: a dial turned without a mark, or a thermostat that no longer switches off.

Once a thermostat has switched a few times, its cycles have a highest point. Air that stays well above it does not do so
by itself. Which of the two it is cannot be told from the air at first; a new plateau means the dial, none means the
thermostat, and until then the person is told both. The guard's own limit does not wait for any of this.

Pure; reads no clock.
"""

from __future__ import annotations

from typing import Final

from lastbubble.pipeline.oven import Level

__all__ = ["Plateau"]

#: Air this far above the highest of its cycles, for so long, has left them. Cycles differ by a kelvin or two and the
#: resin's heat reaches the air hardly at all (our judgement, no published source).
_ABOVE_K: Final = 6.0
_FOR_S: Final = 120.0
#: After that was said, a new plateau is looked for only when the old cycles are surely over.
_AFTER_S: Final = 2700.0
#: A mean that is known no better than this is none of cycles: the way up from cold makes one of its own [K].
_KNOWN_K: Final = 5.0


class Plateau:
    """Feed it every step; it says once by how much the air has left its plateau upward [K], else None."""

    def __init__(self) -> None:
        self.top_c: float | None = None
        self.level_c = 0.0
        self._since_s: float | None = None
        self._wait_s = 0.0

    def restart(self) -> None:
        """The dial was marked: what was is over."""
        self.top_c = self._since_s = None

    def feed(self, end_s: float, mean_c: float, level: Level | None) -> float | None:
        """end_s : end of the step [s];  mean_c : air in it [degC];  level : what `AirLevel` makes of it"""
        top = self.top_c
        if top is None or mean_c <= top + _ABOVE_K:
            self._since_s = None
            if end_s >= self._wait_s and level is not None and level.period_s is not None and level.spread_k < _KNOWN_K:
                self.level_c = level.level_c
                # An old top is forgotten slowly: one weak cycle does not make the next usual one a departure.
                new = level.level_c + max(level.swing_k, 1.0)
                self.top_c = new if top is None else max(new, top - 0.05)
            return None
        if self._since_s is None:
            self._since_s = end_s
        if end_s - self._since_s < _FOR_S:
            return None
        self.restart()
        self._wait_s = end_s + _AFTER_S
        return mean_c - self.level_c
