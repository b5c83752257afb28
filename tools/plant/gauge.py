"""A pressure transducer: zero error, drift, white and slow noise, resolution, and what it is relative to."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

__all__ = ["CLASSES", "Gauge", "GaugeParts"]


@dataclass(frozen=True, slots=True)
class GaugeParts:
    """step_pa : resolution;  noise_pa : white;  slow_pa : wander over minutes;  zero_pa;  drift_pa_h : per hour
    relative : reads against the room, whose pressure is then taken as `assumed_pa`;  glitch : share of wild readings
    """

    step_pa: float = 1.0
    noise_pa: float = 0.8
    slow_pa: float = 0.15
    zero_pa: float = 2.0
    drift_pa_h: float = 0.2
    relative: bool = False
    assumed_pa: float = 101_325.0
    glitch: float = 0.0


#: Gauges of the bench (common practice, no published source).
CLASSES = {
    "fine": GaugeParts(),
    "medium": GaugeParts(step_pa=8.0, noise_pa=5.0, slow_pa=1.0, zero_pa=-30.0, drift_pa_h=2.0),
    "coarse": GaugeParts(step_pa=200.0, noise_pa=60.0, slow_pa=15.0, zero_pa=150.0, drift_pa_h=20.0),
    "relative": GaugeParts(step_pa=12.0, noise_pa=8.0, slow_pa=3.0, zero_pa=40.0, drift_pa_h=5.0, relative=True),
}


class Gauge:
    """`read(pressure_pa, room_pa, now_s)` gives what it shows, as absolute pressure [Pa]."""

    def __init__(self, parts: GaugeParts, rng: random.Random) -> None:
        self.parts = parts
        self._rng = rng
        self._slow = 0.0
        self._last_s = 0.0

    def read(self, pressure_pa: float, room_pa: float, now_s: float) -> float:
        """One reading."""
        parts, rng = self.parts, self._rng
        dt_s = max(0.0, now_s - self._last_s)
        self._last_s = now_s
        keep = math.exp(-dt_s / 200.0)
        self._slow = self._slow * keep + rng.gauss(0.0, parts.slow_pa) * math.sqrt(max(0.0, 1 - keep * keep))
        if parts.glitch and rng.random() < parts.glitch:
            return round(rng.uniform(0, 2e5), 1)
        shown = pressure_pa + (parts.assumed_pa - room_pa if parts.relative else 0.0)
        shown += parts.zero_pa + parts.drift_pa_h * now_s / 3600 + self._slow + rng.gauss(0.0, parts.noise_pa)
        return round(shown / parts.step_pa) * parts.step_pa
