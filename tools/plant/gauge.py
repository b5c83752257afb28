"""A pressure transducer: zero and span error, drift, white and slow noise, resolution, lag, and what it is relative to.

Slow noise is near 1/f: three wanderers a decade apart, of equal size.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from tools.plant.chance import Chance

__all__ = ["CLASSES", "Gauge", "GaugeParts"]

_WANDERERS_S: Final = (12.0, 120.0, 1200.0)


@dataclass(frozen=True, slots=True)
class GaugeParts:
    """step_pa : resolution;  noise_pa : white;  slow_pa : wander over minutes;  zero_pa;  drift_pa_h : per hour
    relative : reads against the room, whose pressure is then taken as `assumed_pa`;  gain : span error;  lag_s
    top_pa : reads no higher;  glitch : share of wild readings;  missing : share that does not come;  jitter_s : of the
    moment of a reading
    """

    step_pa: float = 1.0
    noise_pa: float = 0.8
    slow_pa: float = 0.15
    zero_pa: float = 2.0
    drift_pa_h: float = 0.2
    relative: bool = False
    assumed_pa: float = 101_325.0
    gain: float = 1.0
    lag_s: float = 0.0
    top_pa: float = math.inf
    glitch: float = 0.0
    missing: float = 0.0
    jitter_s: float = 0.0


#: Gauges of the bench (common practice, no published source).
CLASSES = {
    "fine": GaugeParts(),
    "medium": GaugeParts(step_pa=8.0, noise_pa=5.0, slow_pa=1.0, zero_pa=-30.0, drift_pa_h=2.0),
    "coarse": GaugeParts(step_pa=200.0, noise_pa=60.0, slow_pa=15.0, zero_pa=150.0, drift_pa_h=20.0),
    "relative": GaugeParts(step_pa=12.0, noise_pa=8.0, slow_pa=3.0, zero_pa=40.0, drift_pa_h=5.0, relative=True),
    "narrow": GaugeParts(step_pa=0.5, noise_pa=0.4, slow_pa=0.1, zero_pa=1.0, drift_pa_h=0.1, top_pa=10_300.0),
}


class Gauge:
    """`read(pressure_pa, room_pa, now_s)` gives what it shows, as absolute pressure [Pa]."""

    def __init__(self, parts: GaugeParts, chance: Chance) -> None:
        self.parts = parts
        self._chance = chance
        self._slow = [chance.normal() for _ in _WANDERERS_S]
        self._last_s = 0.0
        self._felt_pa: float | None = None

    def read(self, pressure_pa: float, room_pa: float, now_s: float) -> float:
        """One reading."""
        parts, normal = self.parts, self._chance.normal
        dt_s = max(0.0, now_s - self._last_s)
        self._last_s = now_s
        slow = 0.0
        for i, constant_s in enumerate(_WANDERERS_S):
            keep = math.exp(-dt_s / constant_s)
            self._slow[i] = self._slow[i] * keep + normal() * math.sqrt(1 - keep * keep)
            slow += self._slow[i]
        if parts.lag_s > 0 and self._felt_pa is not None:
            pressure_pa = self._felt_pa + (pressure_pa - self._felt_pa) * -math.expm1(-dt_s / parts.lag_s)
        self._felt_pa = pressure_pa
        if parts.glitch and self._chance.happens(parts.glitch):
            return self._wild(pressure_pa)
        shown = pressure_pa - room_pa if parts.relative else pressure_pa
        shown = parts.gain * shown + (parts.assumed_pa if parts.relative else 0.0)
        shown += parts.zero_pa + parts.drift_pa_h * now_s / 3600
        shown += parts.slow_pa * slow / math.sqrt(len(_WANDERERS_S)) + parts.noise_pa * normal()
        return min(round(shown / parts.step_pa) * parts.step_pa, parts.top_pa)

    def comes(self) -> bool:
        """Whether the next reading comes at all."""
        return not (self.parts.missing and self._chance.happens(self.parts.missing))

    def _wild(self, pressure_pa: float) -> float:
        """What a spike on the line or a lost digit makes of a reading."""
        kind = int(self._chance.uniform(0, 4))
        return (0.0, 65_535.0, round(10 * pressure_pa, 1), round(pressure_pa + self._chance.uniform(500, 5000), 1))[
            kind
        ]
