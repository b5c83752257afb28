"""The oven's air: what the thermocouple saw, on an even grid, and what it means: level, cycles, dips, gaps.

`AirGrid` takes samples as they come (0.1 to 60 s apart, jittered, with holes) and gives means over even steps, spikes
of a single sample left out. `AirLevel` finds by itself when the air is steady: the mean over whole thermostat cycles,
or a flat stretch. `Dips` finds door openings: falls far quicker than any oven cools with its door shut.

Times here count from the side's first sample, so that a shifted log gives the same numbers. Reads no clock.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Final, NamedTuple

__all__ = ["AirGrid", "AirLevel", "Dip", "Dips", "Level", "Step"]


class Step(NamedTuple):
    """One even step: its end [s], the mean of the air in it [degC], and whether it was bridged over a hole."""

    end_s: float
    mean_c: float
    bridged: bool


#: A jump of more than this between samples at most SPIKE_S apart needs a second sample to be believed: air in an oven
#: cannot do it, and the thermocouple's electronics can (measured: up to 1000 K for single samples).
SPIKE_K: Final = 15.0
SPIKE_S: Final = 10.0
#: The same for slow logs, where air may truly move further between two samples.
SLOW_SPIKE_K: Final = 30.0
SLOW_SPIKE_S: Final = 90.0
#: A hole longer than this is a gap: what happened inside is not known.
GAP_S: Final = 150.0
LONGEST_BRIDGE_S: Final = 12 * 3600.0
#: Air that is so much colder after a gap stood in an oven without power: it falls to its walls within minutes and then
#: goes on with them. That it stood lower for most of the time errs late, the safe side.
FELL_K: Final = 5.0
_FALL_PACE: Final = 4.0
_FALL_PARTS: Final = 8


_NO_STEPS: Final[list[Step]] = []


class AirGrid:
    """Even steps out of uneven samples. `feed` returns the steps that this sample completes."""

    def __init__(self, step_s: float) -> None:
        self.step_s = step_s
        self.last_s: float | None = None
        self.last_c = 0.0
        self._waiting: tuple[float, float] | None = None
        self._edge_s = 0.0
        self._sum = 0.0

    def feed(self, time_s: float, air_c: float) -> list[Step]:
        last = self.last_s
        if last is not None and time_s < self._edge_s + self.step_s and abs(air_c - self.last_c) <= SPIKE_K:
            # The common case, quickly: still inside the step.
            self._sum += (time_s - last) * (self.last_c + air_c) / 2
            self.last_s, self.last_c, self._waiting = time_s, air_c, None
            return _NO_STEPS
        if last is None:
            self.last_s, self.last_c = time_s, air_c
            self._edge_s = (time_s // self.step_s) * self.step_s
            self._sum = air_c * (time_s - self._edge_s)
            return []
        jump = abs(air_c - self.last_c)
        if (jump > SPIKE_K and time_s - last <= SPIKE_S) or (jump > SLOW_SPIKE_K and time_s - last <= SLOW_SPIKE_S):
            waiting = self._waiting
            if waiting is None or abs(air_c - waiting[1]) > SPIKE_K / 2:
                self._waiting = (time_s, air_c)
                return []
            steps = self._to(*waiting)
            self._waiting = None
            return steps + self._to(time_s, air_c)
        self._waiting = None
        if time_s - last > GAP_S and self.last_c - air_c > FELL_K:
            return self._fall(time_s, air_c)
        return self._to(time_s, air_c)

    def _fall(self, time_s: float, air_c: float) -> list[Step]:
        """Bridge a gap in which the power was off: quickly down at first, then ever slower."""
        start_s, start_c = self.last_s or 0.0, self.last_c
        out: list[Step] = []
        last = math.exp(-_FALL_PACE)
        for part in range(1, _FALL_PARTS + 1):
            left = (math.exp(-_FALL_PACE * part / _FALL_PARTS) - last) / (1 - last)
            when = time_s if part == _FALL_PARTS else start_s + (time_s - start_s) * part / _FALL_PARTS
            out += self._to(when, air_c + left * (start_c - air_c), hole=True)
        return out

    def _to(self, time_s: float, air_c: float, *, hole: bool = False) -> list[Step]:
        start_s, start_c = self.last_s or 0.0, self.last_c
        out: list[Step] = []
        if time_s - start_s > LONGEST_BRIDGE_S:
            # Of a hole of days only the end is bridged: what was before has been forgotten by any oven.
            part = 1 - LONGEST_BRIDGE_S / (time_s - start_s)
            start_s, start_c = time_s - LONGEST_BRIDGE_S, start_c + part * (air_c - start_c)
            self._edge_s = (start_s // self.step_s) * self.step_s
            self._sum = start_c * (start_s - self._edge_s)
        next_edge = self._edge_s + self.step_s
        if time_s < next_edge:
            self._sum += (time_s - start_s) * (start_c + air_c) / 2
        else:
            bridged = hole or time_s - start_s > GAP_S
            slope = (air_c - start_c) / (time_s - start_s)
            here_s, here_c = start_s, start_c
            while next_edge <= time_s:
                edge_c = start_c + slope * (next_edge - start_s)
                self._sum += (next_edge - here_s) * (here_c + edge_c) / 2
                out.append(Step(next_edge, self._sum / self.step_s, bridged))
                here_s, here_c = next_edge, edge_c
                self._sum = 0.0
                self._edge_s = next_edge
                next_edge = self._edge_s + self.step_s
            self._sum = (time_s - here_s) * (here_c + air_c) / 2
        self.last_s, self.last_c = time_s, air_c
        return out


class Level(NamedTuple):
    """What the air does: its level [degC], how far that may be off [K], steady or not, and its slope [K/s]."""

    level_c: float
    spread_k: float
    steady: bool
    slope_k_s: float
    #: Half the peak-to-peak swing within the cycles [K].
    swing_k: float = 0.0
    period_s: float | None = None


class AirLevel:
    """Mean over whole thermostat cycles, found by turning points; a flat stretch where nothing turns."""

    def __init__(self, step_s: float, turn_k: float = 1.0) -> None:
        self._step_s = step_s
        self._turn_k = turn_k
        self._window: deque[float] = deque(maxlen=max(3, round(1200 / step_s)))
        self.restart()

    def restart(self) -> None:
        """Forget the cycles: the door was opened, the dial turned, the power was off."""
        self._time_s = 0.0
        self._area = 0.0
        self._extreme: tuple[float, float, float] | None = None
        self._rising = True
        self._peaks: deque[tuple[float, float, float]] = deque(maxlen=6)
        self._troughs: deque[tuple[float, float, float]] = deque(maxlen=6)
        self._window.clear()

    def feed(self, mean_c: float) -> None:
        self._time_s += self._step_s
        self._area += mean_c * self._step_s
        self._window.append(mean_c)
        here = (self._time_s, mean_c, self._area)
        best = self._extreme
        if best is None or ((mean_c >= best[1]) if self._rising else (mean_c <= best[1])):
            self._extreme = here
        elif abs(mean_c - best[1]) > self._turn_k:
            (self._peaks if self._rising else self._troughs).append(best)
            self._rising = not self._rising
            self._extreme = here
            self._check_cycles()

    def _check_cycles(self) -> None:
        """A change of level (another dial setting) makes the older cycles tell of something that is over."""
        for turns in (self._peaks, self._troughs):
            while len(turns) >= 3 and abs(turns[0][1] - turns[-1][1]) > 4.0 + 2 * self._turn_k:
                turns.popleft()

    @property
    def trough_c(self) -> float | None:
        """The lowest turning point of the cycles, once there are two [degC]."""
        return min(turn[1] for turn in self._troughs) if len(self._troughs) >= 2 else None

    @property
    def level(self) -> Level | None:
        """None until there are a few minutes of air."""
        window = self._window
        if len(window) * self._step_s < 120:
            return None
        values = list(window)
        short = values[-max(2, round(180 / self._step_s)) :]
        slope = (short[-1] - short[0]) / ((len(short) - 1) * self._step_s)
        turns = self._troughs if len(self._troughs) >= len(self._peaks) else self._peaks
        if len(turns) >= 2:
            first, last = turns[0], turns[-1]
            mean = (last[2] - first[2]) / (last[0] - first[0])
            cycles = len(turns) - 1
            period = (last[0] - first[0]) / cycles
            swing = max(0.0, (self._peaks[-1][1] - self._troughs[-1][1]) / 2) if self._peaks and self._troughs else 0.0
            if self._time_s - last[0] < 2.5 * period:
                trend = abs(turns[-1][1] - turns[0][1]) / cycles
                return Level(mean, 0.6 + trend + 0.2 * swing / cycles, True, slope, swing, period)
        # Flat: both halves of the last 20 minutes (at least 12) agree.
        if len(values) * self._step_s >= 720:
            half = len(values) // 2
            early, late = sum(values[:half]) / half, sum(values[half:]) / (len(values) - half)
            if abs(late - early) < 1.2:
                swing = (max(values) - min(values)) / 2
                return Level((early + late) / 2 + (late - early) / 2, 0.8 + abs(late - early), True, slope, swing)
        return Level(sum(short) / len(short), 3.0, False, slope)


@dataclass(frozen=True, slots=True)
class Dip:
    """A door opening: the air before it, its start and lowest value, and when the air had turned upward again."""

    start_s: float
    before_c: float
    lowest_c: float
    end_s: float


class Dips:
    """Finds falls of the air that no shut oven makes. `feed` returns a dip once the air rises again."""

    #: Share of (air - room) that has to be lost within a minute, and the least fall [K]. A thermostat's own cycles can
    #: lose as much where the air is light and the band wide: a dip has to go below the troughs seen before, and while
    #: there are none yet it has to be so deep that only an open door makes it.
    SHARE: Final = 0.13
    SHARE_AT_FIRST: Final = 0.22
    LEAST_K: Final = 7.0
    BELOW_K: Final = 4.0

    def __init__(self, step_s: float) -> None:
        self._steps = max(2, round(60 / step_s) + 1)
        self._recent: deque[tuple[float, float]] = deque(maxlen=self._steps)
        self._open: tuple[float, float] | None = None
        self._lowest = 0.0
        self._lowest_s = 0.0

    @property
    def open_since_s(self) -> float | None:
        """Start of a dip that is going on, or None."""
        return None if self._open is None else self._open[0]

    def feed(self, step: Step, room_c: float, trough_c: float | None) -> Dip | None:
        """trough_c : lowest turning point of the cycles so far, None where there was none [degC]"""
        if step.bridged:
            self._recent.clear()
            self._open = None
            return None
        self._recent.append((step.end_s, step.mean_c))
        if self._open is None:
            top_s, top = max(self._recent, key=lambda item: (item[1], item[0]))
            fall = top - step.mean_c
            deep = trough_c is None or step.mean_c < trough_c - self.BELOW_K
            share = self.SHARE_AT_FIRST if trough_c is None else self.SHARE
            if deep and top > room_c + 25 and fall > max(self.LEAST_K, share * (top - room_c)):
                self._open = (top_s, top)
                self._lowest, self._lowest_s = step.mean_c, step.end_s
            return None
        if step.mean_c < self._lowest:
            self._lowest, self._lowest_s = step.mean_c, step.end_s
        risen = step.mean_c - self._lowest
        if risen > max(2.0, 0.1 * (self._open[1] - self._lowest)):
            dip = Dip(self._open[0], self._open[1], self._lowest, step.end_s)
            self._open = None
            self._recent.clear()
            return dip
        if step.end_s - self._open[0] > 3600:
            # It never came back: the oven is off, that was no visit.
            self._open = None
            self._recent.clear()
        return None
