"""How fast this oven warms from cold: what the guard may expect of it, learnt from its logs.

The guard warns of an oven that warms unlike before, and trips on heat without effect; both are sharper when it knows
the usual rate. It reads nothing but its own settings, so what the logs say is a suggestion that a person puts there
(`guard.expected_rate`). Counted as the guard counts: the rise over the first five minutes with the relay closed, from
an oven that stood near the room.

Pure; reads no clock.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from lastbubble.records import Sample

__all__ = ["Warming", "usual_rate", "warming_k_min"]

#: The guard's own span of heat for this (`guard.heat_judges`) [s], and a hole that spoils it [s].
_SPAN_S: Final = 300.0
_HOLE_S: Final = 30.0
#: A cold oven reads below this; above it the rate would be another [degC].
_COLD_C: Final = 40.0
#: A rise below this is no heat-up: the dial stood at nothing, or the plug was out [K/min].
_LEAST_K_MIN: Final = 0.5


@dataclass(frozen=True, slots=True)
class Warming:
    """What the sessions say together.

    rate_k_min : median of the sessions;  low_k_min, high_k_min : their extremes;  sessions : how many
    """

    rate_k_min: float
    low_k_min: float
    high_k_min: float
    sessions: int

    @property
    def even(self) -> bool:
        """All of them inside what the guard takes for usual (1/1.5 to 1/0.7 of the setting)."""
        return self.rate_k_min / 1.5 <= self.low_k_min and self.high_k_min <= self.rate_k_min / 0.7

    def in_words(self) -> list[str]:
        """For the person: the rate, and where it goes."""
        lines = [
            f"from cold this oven warms by {self.rate_k_min:.1f} K a minute ({self.sessions} "
            f"{'session' if self.sessions == 1 else 'sessions'}, {self.low_k_min:.1f} to {self.high_k_min:.1f})"
        ]
        if self.sessions >= 2 and self.even:
            lines.append(f'for the guard\'s settings: expected_rate: "{self.rate_k_min:.1f} K/min"')
        elif self.sessions >= 2:
            lines.append("the sessions differ too much for the guard's expected_rate; leave it at 0")
        return lines


def warming_k_min(samples: Iterable[Sample]) -> float | None:
    """The rise over the first five minutes of heat from cold [K/min]; None where the log has no such minutes.

    samples : of one session, with `heat` (the relay) and `oven_c`
    """
    start_c: float | None = None
    heated_s = 0.0
    last_s: float | None = None
    on = False
    for sample in samples:
        if sample.oven_c is None or sample.heat is None:
            continue
        passed = 0.0 if last_s is None else sample.time_s - last_s
        last_s = sample.time_s
        if passed > _HOLE_S or (on and not sample.heat):
            # A hole or a relay that opened: what was counted is no unbroken heat.
            start_c, heated_s, on = None, 0.0, False
        if not sample.heat:
            continue
        if not on:
            if sample.oven_c >= _COLD_C:
                continue
            start_c, heated_s, on = sample.oven_c, 0.0, True
            continue
        heated_s += passed
        if start_c is not None and heated_s >= _SPAN_S:
            rate = (sample.oven_c - start_c) / (heated_s / 60)
            if rate >= _LEAST_K_MIN:
                return rate
            # Permitted, but the oven itself was still off; it may begin later.
            start_c, heated_s, on = None, 0.0, False
    return None


def usual_rate(rates_k_min: Sequence[float]) -> Warming | None:
    """What the sessions' rates say together; None without any."""
    if not rates_k_min:
        return None
    return Warming(statistics.median(rates_k_min), min(rates_k_min), max(rates_k_min), len(rates_k_min))
