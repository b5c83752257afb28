"""What a chamber's leak means for its batches: how far it lifts the base, and how many bubbles it looks like.

Pure; reads no clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from lastbubble.physics.vacuum import bubble_gas_pa_m3, pressure_lift_pa

__all__ = ["BUBBLE_M", "BUBBLE_PA", "LeakMeaning", "meaning_of"]

#: A bubble as one sees them near the end: 2 mm across, at a few centimetres of resin over the chamber's pressure (ours,
#: common practice, no published source).
BUBBLE_M: Final = 2e-3
BUBBLE_PA: Final = 500.0


@dataclass(frozen=True, slots=True)
class LeakMeaning:
    """base_lift_pa : by how much the pumped chamber stands higher for it, None without the pump's speed     [Pa]
    bubbles_per_s : so many bubbles a second bring as much gas, and so many hide behind a doubt of its own size
    in_isolation_pa : what it adds to an isolation of three minutes                                          [Pa]
    """

    base_lift_pa: float | None
    bubbles_per_s: float
    in_isolation_pa: float

    @property
    def text(self) -> str:
        """The meaning in plain sentences."""
        parts = []
        if self.base_lift_pa is not None:
            parts.append(f"On the running pump it lifts the base by {self.base_lift_pa:.2g} Pa.")
        parts.append(f"It brings as much gas as {self.bubbles_per_s:.2g} bubbles of 2 mm a second.")
        parts.append(f"It adds {self.in_isolation_pa:.2g} Pa to an isolation of three minutes.")
        return " ".join(parts)


def meaning_of(rate_pa_m3_s: float, volume_m3: float, speed_m3_s: float | None = None) -> LeakMeaning:
    """rate_pa_m3_s : of the leak;  volume_m3 : of the empty chamber;  speed_m3_s : of the pump, at the chamber.

    Raises ValueError for a negative rate, and for a volume or speed not above 0.
    """
    if not rate_pa_m3_s >= 0:
        raise ValueError(f"rate_pa_m3_s is {rate_pa_m3_s}; it must be 0 or more")
    if not volume_m3 > 0:
        raise ValueError(f"volume_m3 is {volume_m3}; it must be above 0")
    lift = None if speed_m3_s is None else pressure_lift_pa(rate_pa_m3_s, speed_m3_s)
    return LeakMeaning(lift, rate_pa_m3_s / bubble_gas_pa_m3(BUBBLE_M, BUBBLE_PA), 180.0 * rate_pa_m3_s / volume_m3)
