"""Has the release of gas ended, and if not, when will it? First form: the level's fall against its own noise.

Reads no clock. Times are seconds from the log's first sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["EndJudge", "Verdict"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is made of everything seen so far.

    sure : probability that the bubbles have stopped;  since_s : when, if so
    p10_s, p50_s, p90_s : when they stop (seconds from the log's first sample)
    flow_pa_s ... : gas load over chamber volume with an 80 % band
    """

    sure: float
    since_s: float
    p10_s: float
    p50_s: float
    p90_s: float
    flow_pa_s: float
    flow_low_pa_s: float
    flow_high_pa_s: float
    basis: str


class EndJudge:
    """Observations in, a verdict out; begun anew with every pump-down."""

    def __init__(self, start_s: float, time_constant_s: float) -> None:
        self._start_s = start_s
        self._time_constant_s = time_constant_s
        self._levels: list[tuple[float, float, float]] = []

    def level(self, time_s: float, pa: float, variance: float) -> None:
        """The pressure stood at `pa` (mean over about two minutes, with its variance)."""
        self._levels.append((time_s, pa, variance))

    def verdict(self, now_s: float) -> Verdict | None:
        """None while too little is known."""
        levels = self._levels
        if len(levels) < 12:
            return None
        span = min(20, len(levels) // 3)
        late = levels[-span:]
        before = levels[-2 * span : -span]
        mean_late = sum(pa for _, pa, _ in late) / span
        mean_before = sum(pa for _, pa, _ in before) / span
        noise = math.sqrt(sum(v for _, _, v in late) / span / span * 2)
        fall = levels[0][1] - mean_late
        gap = sum(t for t, _, _ in late) / span - sum(t for t, _, _ in before) / span
        drop = mean_before - mean_late
        pace = max(drop / max(fall, 1e-9), 1e-3)
        constant = min(max(gap / pace, 300.0), 6 * 3600.0)
        left = constant * 3
        sure = 0.97 if span >= 10 and fall > 8 * noise and drop < max(3 * noise, 0.01 * fall) else 0.0
        threshold = mean_late + max(3 * noise, 0.02 * fall)
        since = levels[0][0]
        for time_s, pa, _ in levels:
            if pa > threshold:
                since = time_s
        flow = max(fall, 0.0) * 0.02 / self._time_constant_s
        middle = now_s if sure > 0.5 else now_s + left
        return Verdict(
            sure, since, now_s + left * 0.3, max(middle, now_s + 1), now_s + left * 3, flow, 0.0, 5 * flow, "flow"
        )
