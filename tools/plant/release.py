"""The pores: many sources, each with its own life, that release gas as discrete bubbles.

Laws (what a source's flow does with the time it has been under vacuum):
    front      t^-1/2 until the resin fronts meet, then nothing
    throat     decays towards the pressure that holds the throat, and stops when it is too weak to open it
    shells     each piece's gas comes from a shrinking core: (1 - t/life)^m, done at the end of its life
    mixture    exponentials of many time constants
    single     one exponential
    tail       a power of time near t^-1, cut off late
The first three end truly, the others fade until the last bubble.

The sources share one inner clock, which stands at `opens_pa` and above and runs the faster the deeper the vacuum is: an
isolation slows release as far as it lifts the pressure, and venting stops it. It also runs unevenly (`unrest`): bubbles
come in trains. Every step draws a number of bubbles about what the law expects, each with a size of its own.

Sources: Poisson counts and gas = pressure x volume of a bubble, see shared/reference/bubble_gas.csv. The laws are the
textbook ones (imbibition front ~ t^-1/2, Darcy flow against a capillary threshold, shrinking core, stretched decay);
sizes and spreads are ours, no published source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from tools.plant.chance import Chance

__all__ = ["ENDS", "LAWS", "Law", "PoreParts", "Pores", "safe_of", "stop_of"]

Law = Literal["front", "throat", "shells", "mixture", "single", "tail"]
LAWS: Final[tuple[Law, ...]] = ("front", "throat", "shells", "mixture", "single", "tail")
#: Those whose release ends truly.
ENDS: Final[tuple[Law, ...]] = ("front", "throat", "shells")

_GRID_S: Final = 4.0
_HORIZON_S: Final = 24 * 3600.0
_QUARTER_S: Final = 900.0


@dataclass(frozen=True, slots=True)
class PoreParts:
    """law;  gas_pa_m3 : in all pores;  bubble_pa_m3, bubble_spread : mean and relative spread of a bubble's gas
    span_s : about when it has stopped;  spread : of the sources' lives;  sources : how many
    trapped : share on top that only rocking frees;  opens_pa : no release above
    unrest, unrest_s : relative unevenness of the release, and over how long
    """

    law: Law = "front"
    gas_pa_m3: float = 12.0
    bubble_pa_m3: float = 2.4e-5
    bubble_spread: float = 0.6
    span_s: float = 3900.0
    spread: float = 0.06
    sources: int = 8
    trapped: float = 0.002
    opens_pa: float = 20_000.0
    unrest: float = 0.15
    unrest_s: float = 240.0


class Pores:
    """`step(dt_s, pressure_pa)` gives the gas released [Pa m3]; `bubbles` counts; `times` holds (second, count) of what
    came by itself; `rate_per_s` is what can be expected now, rocked loose or not.
    """

    def __init__(self, parts: PoreParts, chance: Chance) -> None:
        self.parts = parts
        self._chance = chance
        self._done = _released_share(parts, chance.generator)
        self._inner_s = 0.0
        self._share = 0.0
        self._clock_s = 0.0
        self._unrest = 0.0
        self._trapped = parts.trapped * parts.gas_pa_m3
        self._rocked = 0.0
        self.released_pa_m3 = 0.0
        self.bubbles = 0
        self.rate_per_s = 0.0
        self.times: list[tuple[float, int]] = []

    @property
    def left(self) -> float:
        """Share of the gas that would still come by itself."""
        return max(0.0, 1 - self._share)

    @property
    def trapped_pa_m3(self) -> float:
        """What only rocking frees."""
        return self._trapped

    def rock(self) -> None:
        """Half of what is trapped comes loose."""
        freed = 0.5 * self._trapped
        self._trapped -= freed
        self._rocked += freed

    def step(self, dt_s: float, pressure_pa: float) -> float:
        """The gas that this step brings [Pa m3]."""
        parts = self.parts
        self._clock_s += dt_s
        drive = 1 - pressure_pa / parts.opens_pa
        self.rate_per_s = 0.0
        if drive <= 0:
            return 0.0
        gas = 0.0
        if self._share < 1:
            pull = dt_s / parts.unrest_s
            self._unrest += -self._unrest * pull + self._chance.normal() * math.sqrt(2 * pull)
            self._inner_s += dt_s * drive * math.exp(parts.unrest * self._unrest - 0.5 * parts.unrest**2)
            share = self._share_at(self._inner_s)
            self.rate_per_s = (share - self._share) * parts.gas_pa_m3 / (parts.bubble_pa_m3 * dt_s)
            self._share = share
            count = self._chance.poisson(self.rate_per_s * dt_s)
            if count:
                gas = self._sizes(count)
                self.bubbles += count
                self.released_pa_m3 += gas
                second = math.floor(self._clock_s)
                if self.times and self.times[-1][0] == second:
                    self.times[-1] = (second, self.times[-1][1] + count)
                else:
                    self.times.append((second, count))
        return gas + self._from_rocking(dt_s)

    def _from_rocking(self, dt_s: float) -> float:
        """What was rocked loose, over some minutes; not in `times`, for it did not come by itself."""
        if self._rocked <= 0:
            return 0.0
        bubble = self.parts.bubble_pa_m3
        burst = self._rocked * -math.expm1(-dt_s / 90.0)
        count = self._chance.poisson(burst / bubble)
        self.rate_per_s += burst / (bubble * dt_s)
        self._rocked -= burst
        if self._rocked < bubble:
            self._rocked = 0.0
        self.bubbles += count
        return self._sizes(count) if count else 0.0

    def _sizes(self, count: int) -> float:
        """Gas of so many bubbles."""
        parts = self.parts
        if count > 12:
            return parts.bubble_pa_m3 * max(0.0, count + parts.bubble_spread * math.sqrt(count) * self._chance.normal())
        width = math.sqrt(math.log1p(parts.bubble_spread**2))
        return sum(
            parts.bubble_pa_m3 * math.exp(width * self._chance.normal() - 0.5 * width * width) for _ in range(count)
        )

    def _share_at(self, inner_s: float) -> float:
        place = inner_s / _GRID_S
        i = int(place)
        if i >= len(self._done) - 1:
            return 1.0
        low = self._done[i]
        return low + (self._done[i + 1] - low) * (place - i)


def _released_share(parts: PoreParts, rng: np.random.Generator) -> list[float]:
    """Share of the gas that has come by each multiple of the grid on the inner clock."""
    t = np.arange(0.5 * _GRID_S, _HORIZON_S, _GRID_S)
    rate = np.zeros_like(t)
    weights = rng.uniform(0.5, 1.5, parts.sources)
    lives = parts.span_s * np.clip(1 - parts.spread * np.abs(rng.standard_normal(parts.sources)), 0.15, 1.0)
    for weight, life in zip(weights, lives, strict=True):
        one = _flow(parts, t, float(life), rng)
        rate += weight * one / one.sum()
    done = np.concatenate([[0.0], np.cumsum(rate)])
    done /= done[-1]
    whole: list[float] = done.tolist()
    return whole


def _flow(
    parts: PoreParts, t: npt.NDArray[np.float64], life: float, rng: np.random.Generator
) -> npt.NDArray[np.float64]:
    """Flow of one source at the times t, to any scale."""
    law = parts.law
    # Where release fades, so many time constants pass until less than two bubbles come in a quarter of an hour.
    bubbles = parts.gas_pa_m3 / parts.bubble_pa_m3
    if law == "front":
        return np.where(t < life, 1 / np.sqrt(t + 60.0), 0.0)
    if law == "throat":
        floor = math.exp(rng.uniform(math.log(0.005), math.log(0.1)))
        return np.where(t < life, np.exp(t / life * math.log(floor)), 0.0)
    if law == "shells":
        return np.maximum(1 - t / life, 0.0) ** rng.uniform(0.3, 1.6)
    if law == "tail":
        power = rng.uniform(1.05, 1.6)
        return (1 + t / (life / 40)) ** -power * np.exp(-t / (life / max(3.0, 0.55 * math.log(bubbles))))
    constants = max(4.0, math.log(bubbles * _QUARTER_S / life))
    tau = life / constants
    if law == "mixture":
        taus = tau * np.exp(rng.normal(-0.2, 0.35, 12))
        mixed: npt.NDArray[np.float64] = np.exp(-t[:, None] / taus) @ (rng.uniform(0.5, 1.5, 12) / taus)
        return mixed
    return np.exp(-t / (parts.span_s / constants))


def stop_of(times: list[tuple[float, int]], window_s: float = _QUARTER_S) -> float | None:
    """Start of the first quarter of an hour with at most one bubble after which the rate never recovers [s].

    times : (second, bubbles in it), rising. None where there was never more than one in a quarter of an hour.
    """
    for place in range(len(times) - 1, -1, -1):
        at_s, count = times[place]
        if count >= 2 or (place + 1 < len(times) and times[place + 1][0] - at_s < window_s):
            return at_s + 1.0
    return None


def safe_of(times: list[tuple[float, int]], whole: float, window_s: float = _QUARTER_S, few: int = 30) -> float:
    """From when on a call is not early: no quarter of an hour to come has more than `few` bubbles, and at most 1 % of
    `whole` bubbles is left [s]. 0 where that was always so.
    """
    left = 0
    safe_s = 0.0
    inside = 0
    end = len(times)
    for place in range(len(times) - 1, -1, -1):
        at_s, count = times[place]
        inside += count
        left += count
        while times[end - 1][0] - at_s >= window_s:
            end -= 1
            inside -= times[end][1]
        if inside > few or left > 0.01 * whole:
            safe_s = at_s + 1.0
            break
    return safe_s
