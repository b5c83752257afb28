"""The witness probe: is it still inside a piece, and what does it say now.

A thermocouple in a drilled piece of the batch is the best there is, as long as it is where it is believed to be.
Inside a body nothing changes faster than the body lets it: a probe that fell out, touches the tray or hangs in the
air follows the air within a minute, and is no longer believed. A reading that jumps for one sample is left out, and
so is the first one after a hole (measured: still 4 K wrong).

Reads no clock; times count from the side's first sample.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final, Literal

__all__ = ["Witness", "WitnessFault"]

WitnessFault = Literal["", "fell_out"]

#: No piece of a batch answers faster than this to its surroundings: 10 mm of wood with h = 30 W/(m2 K), read near its
#: face, has a lag of about 250 s (rho cp L / h); half of it is taken.
_FASTEST_S: Final = 120.0
#: A single jump of more than this is dropped unless the next sample confirms it.
_SPIKE_K: Final = 5.0
#: A probe that is silent for this long, or for six of its own periods where it is a slow one, says nothing any more.
_LOST_S: Final = 120.0
_LOST_MOST_S: Final = 1200.0
#: From here on the resin's own heat may show [degC].
_SETS_FROM_C: Final = 60.0
#: A probe that is put back is believed again after it has agreed with the model for so long.
_BACK_S: Final = 900.0


class Witness:
    """Feed it readings; `value_c` is the smoothed present reading while it is believed, else None.

    fault : "" or why it is not believed;  seen : there has been a probe in this log
    last_value_c, last_value_s : the last reading that was believed, and when
    """

    def __init__(self) -> None:
        self.fault: WitnessFault = ""
        self.seen = False
        #: Smoothing shares for a sample so long after the last one: (time, noise, level, slope).
        self._shares = (math.nan, 0.0, 0.0, 0.0)
        self.value_c: float | None = None
        self.slope_k_s = 0.0
        self.noise_k = 0.1
        self.last_value_c: float | None = None
        self.last_value_s = 0.0
        self._last_s: float | None = None
        self._pace_s = 1.0
        self._raw_c = 0.0
        self._waiting: float | None = None
        self._minute: deque[tuple[float, float]] = deque()
        self._agrees_since_s: float | None = None
        self._quick_since_s: float | None = None

    def feed(self, time_s: float, read_c: float | None, air_c: float | None) -> WitnessFault:
        """Take one sample's reading; returns the fault that begins here, or ""."""
        if read_c is None:
            if self._last_s is not None and time_s - self._last_s > self._lost_s:
                self.value_c = None
            return ""
        self.seen = True
        last = self._last_s
        if last is None or time_s - last > self._lost_s:
            # The first reading after a hole waits for the second.
            self._begin(time_s, read_c)
            return ""
        if abs(read_c - self._raw_c) > _SPIKE_K + 0.5 * (time_s - last) and self._waiting is None:
            self._waiting = read_c
            return ""
        self._waiting = None
        self._follow(time_s, read_c, time_s - last)
        if self.fault == "" and self._too_quick(time_s, read_c, air_c):
            self.fault = "fell_out"
            self.value_c = None
            return "fell_out"
        return ""

    @property
    def _lost_s(self) -> float:
        return min(max(_LOST_S, 6 * self._pace_s), _LOST_MOST_S)

    def _begin(self, time_s: float, read_c: float) -> None:
        self._last_s, self._raw_c = time_s, read_c
        self._waiting = None
        self._minute.clear()
        self._minute.append((time_s, read_c))
        self.value_c = None
        self.slope_k_s = 0.0
        self._level = read_c

    def _follow(self, time_s: float, read_c: float, dt_s: float) -> None:
        """Level and slope by exponential smoothing with the slope fed forward, so that a steady rise has no lag."""
        if dt_s != self._shares[0]:
            level = 1 - math.exp(-dt_s / 30)
            self._shares = (dt_s, min(0.02, dt_s / 600), level, level * (1 - math.exp(-dt_s / 240)) / dt_s)
        _, noise, level, slope = self._shares
        self._pace_s += 0.1 * (dt_s - self._pace_s)
        self.noise_k += noise * (abs(read_c - self._raw_c) - self.noise_k)
        forward = self._level + self.slope_k_s * dt_s
        off = read_c - forward
        self._level = forward + level * off
        self.slope_k_s += slope * off
        self._last_s, self._raw_c = time_s, read_c
        if self.fault == "":
            self.value_c = self.last_value_c = self._level
            self.last_value_s = time_s
        self._minute.append((time_s, read_c))
        while len(self._minute) > 2 and time_s - self._minute[1][0] >= 60:
            self._minute.popleft()
        if len(self._minute) > 128:
            # Bounded memory at 10 Hz and faster: every other one is enough to see a minute's change.
            self._minute = deque(list(self._minute)[::2])

    def _too_quick(self, time_s: float, read_c: float, air_c: float | None) -> bool:
        first_s, first_c = self._minute[0]
        span = time_s - first_s
        if span < 20 or air_c is None:
            return False
        rate = (read_c - first_c) / span
        bound = abs(air_c - (read_c + first_c) / 2) / _FASTEST_S + 0.04
        if rate > 0 and read_c > _SETS_FROM_C:
            # The resin's own heat can lift a body quicker than the air does.
            bound += 0.10
        quick = abs(rate) > bound
        if not quick:
            self._quick_since_s = None
            return False
        if self._quick_since_s is None:
            self._quick_since_s = time_s
        return time_s - self._quick_since_s >= 15 or abs(rate) * span > 15

    def check_back(self, time_s: float, low_c: float, high_c: float) -> None:
        """The model's wide band at this time: a probe that agrees with it for long is believed again."""
        if self.fault == "" or self._last_s is None or time_s - self._last_s > 60:
            self._agrees_since_s = None
            return
        slow = abs(self.slope_k_s) < 0.02
        if not (low_c <= self._raw_c <= high_c and slow):
            self._agrees_since_s = None
        elif self._agrees_since_s is None:
            self._agrees_since_s = time_s
        elif time_s - self._agrees_since_s >= _BACK_S:
            self.fault = ""
            self.value_c = self._level
            self._agrees_since_s = None
