"""Does the heat have an effect on this probe? Kept per probe, judged by the rules.

The guard commands no temperature: the oven's own dial does. So what is known of a healthy oven is this: from cold, heat
makes the reading rise; once it has risen it stays near the level it reached, or moves there again. `heated_s` counts
seconds with the relay closed since either was last true.
"""

from __future__ import annotations

from typing import Final

__all__ = ["EFFECT_K", "FALLEN_K", "HOT_K", "EffectTracker"]

#: A rise by this much is an effect of the heat [K].
EFFECT_K: Final = 3.0
#: A reading this far below the level it had reached has fallen [K].
FALLEN_K: Final = 8.0
#: A permit that begins with the reading this far above the cold junction begins with a hot oven [K].
HOT_K: Final = 25.0


class EffectTracker:
    """start_c : reading when heat began;  low_c : lowest since the last effect;  level_c : highest with effect, or None
    from cold;  heated_s : heat without effect so far;  near_s : the part of it spent at the junction's temperature;
    cold_s : heat since the reading was last clear of the junction's temperature, whatever rise there was;
    total_s : heat since the permit.
    """

    __slots__ = ("cold_s", "heated_s", "level_c", "low_c", "near_s", "start_c", "total_s")

    def __init__(self) -> None:
        self.begin()

    def begin(self) -> None:
        """A new permit: nothing of the last one counts."""
        self.start_c: float | None = None
        self.low_c = 0.0
        self.level_c: float | None = None
        self.heated_s = 0.0
        self.near_s = 0.0
        self.cold_s = 0.0
        self.total_s = 0.0

    def take(self, value_c: float, junction_c: float | None, heated_s: float, near_k: float) -> None:
        """One good reading, and how long the relay was closed since the last one."""
        if self.start_c is None:
            if heated_s <= 0:
                return
            self.start_c = self.low_c = value_c
            if junction_c is not None and value_c > junction_c + HOT_K:
                self.level_c = value_c
            return
        self.heated_s += heated_s
        self.total_s += heated_s
        near = junction_c is not None and value_c < junction_c + near_k
        self.cold_s = self.cold_s + heated_s if near else 0.0
        if value_c < self.low_c:
            self.low_c = value_c
        if value_c >= self.low_c + EFFECT_K:
            self.low_c = value_c
            self._effect()
            if self.level_c is None or value_c > self.level_c:
                self.level_c = value_c
        elif self.level_c is not None and value_c >= self.level_c - FALLEN_K:
            self._effect()
        elif near:
            self.near_s += heated_s
        else:
            self.near_s = 0.0

    def _effect(self) -> None:
        self.heated_s = 0.0
        self.near_s = 0.0
