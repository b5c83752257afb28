"""Forty minutes of one quantity in ten-second bins: what the slow rules look back on, cheap to ask every cycle.

The maxima a rule compares with are worked out when a bin closes, not when they are asked for.
"""

from __future__ import annotations

from collections import deque
from typing import Final

__all__ = ["BIN_S", "SPAN_S", "BinnedHistory"]

BIN_S: Final = 10.0
SPAN_S: Final = 2400.0


class BinnedHistory:
    """Values in bins of BIN_S, the largest of each kept, for SPAN_S.

    `max_before(age_s)` is exact to one bin; ages asked for are named at construction.
    """

    __slots__ = ("_ages_s", "_bins", "_end_s", "_max", "_maxima", "_rate_span_s", "rate_per_s")

    def __init__(self, ages_s: tuple[float, ...] = (), rate_span_s: float = 0.0) -> None:
        self._ages_s = ages_s
        self._rate_span_s = rate_span_s
        self._bins: deque[tuple[float, float]] = deque()
        self._end_s: float | None = None
        self._max = 0.0
        self._maxima: dict[float, float | None] = dict.fromkeys(ages_s)
        #: Mean slope over the last `rate_span_s`, or None before half of it has passed [unit/s].
        self.rate_per_s: float | None = None

    def add(self, time_s: float, value: float) -> None:
        """Take one value; times must not fall."""
        if self._end_s is None:
            self._end_s, self._max = time_s + BIN_S, value
            return
        if time_s < self._end_s:
            if value > self._max:
                self._max = value
            return
        self._bins.append((self._end_s, self._max))
        self._end_s, self._max = time_s + BIN_S, value
        self._work_out(time_s)

    def max_before(self, age_s: float) -> float | None:
        """The largest value older than `age_s` (and younger than SPAN_S), None when there is none yet."""
        return self._maxima[age_s]

    def _work_out(self, now_s: float) -> None:
        while self._bins and self._bins[0][0] < now_s - SPAN_S:
            self._bins.popleft()
        for age_s in self._ages_s:
            newest_s = now_s - age_s
            self._maxima[age_s] = max((value for end_s, value in self._bins if end_s <= newest_s), default=None)
        if not self._bins:
            # Nothing came for longer than is remembered: what lies before the gap says nothing about a rate.
            self.rate_per_s = None
        elif self._rate_span_s:
            last_s, last = self._bins[-1]
            then_s, then = next(
                (entry for entry in self._bins if entry[0] >= now_s - self._rate_span_s), self._bins[-1]
            )
            span_s = last_s - then_s
            self.rate_per_s = (last - then) / span_s if span_s >= self._rate_span_s / 2 else None
