"""The pores: many sources, each with its own life, that release gas as discrete bubbles.

Laws (what a source's expected release does with the time it has been under vacuum):
    front      t^-1/2 until the resin fronts meet, then nothing
    throat     a decaying flow that stops when it is too weak to open the throat
    mixture    exponentials of many time constants
    tail       a power of time near t^-1, cut off late
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import Literal

__all__ = ["Law", "PoreParts", "Pores", "stop_of"]

Law = Literal["front", "throat", "mixture", "tail"]


@dataclass(frozen=True, slots=True)
class PoreParts:
    """law;  gas_pa_m3 : in all pores at one atmosphere;  bubble_pa_m3 : the middling bubble
    span_s : scale of the whole;  spread : of the sources' lives about it;  trapped : share that only rocking frees;  opens_pa : no release above
    """

    law: Law = "front"
    gas_pa_m3: float = 12.0
    bubble_pa_m3: float = 2.4e-5
    span_s: float = 3900.0
    spread: float = 0.06
    sources: int = 8
    trapped: float = 0.002
    opens_pa: float = 20_000.0


class Pores:
    """`step(dt_s, pressure_pa)` gives the gas released [Pa m3]; `bubbles` counts; `times` holds (second, count)."""

    def __init__(self, parts: PoreParts, rng: random.Random) -> None:
        self.parts = parts
        self._rng = rng
        self._under_s = 0.0
        self._clock_s = 0.0
        self._lives = [parts.span_s * max(0.2, rng.gauss(1 - parts.spread, parts.spread)) for _ in range(parts.sources)]
        weights = [rng.uniform(0.5, 1.5) for _ in self._lives]
        self._weights = [weight / sum(weights) for weight in weights]
        self._scales = [self._normal(life) for life in self._lives]
        self._trapped = parts.trapped * parts.gas_pa_m3
        self._rocked = 0.0
        self.released_pa_m3 = 0.0
        self.bubbles = 0
        self.times: list[tuple[float, int]] = []

    def rock(self) -> None:
        """Half of what is trapped comes loose."""
        freed = 0.5 * self._trapped
        self._trapped -= freed
        self._rocked += freed

    def step(self, dt_s: float, pressure_pa: float) -> float:
        """The gas that this step brings [Pa m3]."""
        self._clock_s += dt_s
        if pressure_pa > self.parts.opens_pa:
            return 0.0
        self._under_s += dt_s
        t = self._under_s
        flow = sum(
            weight * scale * self._shape(t, life)
            for weight, scale, life in zip(self._weights, self._scales, self._lives, strict=True)
        )
        # Each source ends by itself; together they cannot give more than is there.
        own = min(flow * dt_s * self.parts.gas_pa_m3, max(0.0, self.parts.gas_pa_m3 - self.released_pa_m3))
        self._count(self._bubbles(own), own=True)
        gas = own
        if self._rocked > 1e-12:
            burst = self._rocked * -math.expm1(-dt_s / 90.0)
            if self._rocked < 3 * self.parts.bubble_pa_m3:
                burst = self._rocked
            self._rocked -= burst
            self._count(self._bubbles(burst), own=False)
            gas += burst
        return gas

    def _bubbles(self, gas_pa_m3: float) -> int:
        mean = gas_pa_m3 / self.parts.bubble_pa_m3
        if mean > 50:
            return max(0, round(self._rng.gauss(mean, math.sqrt(mean))))
        count, rest = 0, self._rng.expovariate(1.0)
        while rest < mean:
            count += 1
            rest += self._rng.expovariate(1.0)
        return count

    def _count(self, count: int, *, own: bool) -> None:
        if count == 0:
            return
        self.bubbles += count
        if own:
            self.released_pa_m3 += count * self.parts.bubble_pa_m3
            self.times.append((self._clock_s, count))

    def _shape(self, t: float, life: float) -> float:
        law = self.parts.law
        if law == "front":
            return 1 / math.sqrt(t + 60.0) if t < life else 0.0
        if law == "throat":
            tau = life / 2.2
            return max(0.0, math.exp(-t / tau) - math.exp(-life / tau))
        if law == "mixture":
            return math.exp(-t / (life / 9)) / (life / 9)
        return (1 + t / (life / 25)) ** -1.4 * math.exp(-t / (life / 3))

    def _normal(self, life: float) -> float:
        """So that each source's whole release is one: the integral by the midpoint rule."""
        n, end = 400, 3 * life
        whole = sum(self._shape((i + 0.5) * end / n, life) for i in range(n)) * end / n
        return 1 / whole


def stop_of(times: list[tuple[float, int]], window_s: float = 900.0) -> float | None:
    """Start of the first quarter of an hour with at most one bubble after which the rate never recovers [s]."""
    for place in range(len(times) - 1, -1, -1):
        at_s, count = times[place]
        if count >= 2 or (place + 1 < len(times) and times[place + 1][0] - at_s <= window_s):
            return at_s
    return None
