"""What a rise of the pressure is, told by its shape.

A chamber on a running pump answers an opening of constant size by an exponential of the pump's own time constant V/S
towards a new plateau: it levels off within seconds. Without the pump the same inflow gives a straight line (gas of
the pores, a leak, air back through a pump that stands), which bends only towards the atmosphere, with V over the
opening's conductance, and that is minutes. A vent that a hand opens bit by bit steepens. A hose that slips off, or a
lid, lets the whole atmosphere in within seconds.

    levels_off   an opening, and the pump runs: a lid that lifts
    straight     no pump draws: stopped, or shut off
    steepens     somebody opens the vent
    jump         the atmosphere at once: hose or lid
    unclear      too early, or too little of it

`Kink` finds the small ones: a straight rise out of a level that was flat, below what a single block can show.

Pure; reads no clock.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from lastbubble.pipeline.blocks import Block

__all__ = ["SHAPE_S", "Kink", "Rising", "Shape", "line_through", "shape_of"]

Shape = Literal["unclear", "levels_off", "straight", "steepens", "jump"]

#: So long a rise is looked at before its shape is told: two steps of a vent that is opened within six minutes, and
#: three time constants of most bench chambers (V/S of 3 to 35 s).
SHAPE_S: Final = 48.0
#: From a tenth to four fifths of the way to the atmosphere within this time: no hand opens a valve so fast on purpose.
_JUMP_S: Final = 15.0


def shape_of(rise: Sequence[Block], level_pa: float, noise_pa: float, atmosphere_pa: float) -> Shape:
    """The shape of a rise. rise : its blocks, the first still of the level;  noise_pa : of a block's mean."""
    if len(rise) < 2:
        return "unclear"
    way = atmosphere_pa - level_pa
    lifts = [block.mean_pa - level_pa for block in rise]
    low = max((i for i, lift in enumerate(lifts) if lift < 0.1 * way), default=0)
    high = next((i for i, lift in enumerate(lifts) if lift > 0.8 * way), None)
    if high is not None and (high == low + 1 or rise[high].start_s - rise[low].end_s <= _JUMP_S):
        return "jump"
    begin_s, now_s = rise[1].start_s, rise[-1].end_s
    if now_s - begin_s < SHAPE_S or len(rise) < 4:
        return "unclear"
    last = lifts[-1]
    half = max(_between(rise, lifts, 0.5 * (begin_s + now_s)), 1e-9)
    paces = [(lifts[i + 1] - lifts[i]) / max(rise[i + 1].mid_s - rise[i].mid_s, 1e-9) for i in range(len(rise) - 1)]
    mean_pace = last / (now_s - begin_s)
    if last < 8 * noise_pa or mean_pace <= 0:
        return "unclear"
    grown = last / half
    if paces[-1] < 0.35 * max(paces) and grown < 1.5:
        return "levels_off"
    if grown > 3.2 or (paces[-1] > 1.5 * mean_pace and grown > 2.2):
        return "steepens"
    return "straight"


def _between(rise: Sequence[Block], lifts: Sequence[float], at_s: float) -> float:
    """Lift at that time, between the blocks' middles."""
    for i in range(1, len(rise)):
        if rise[i].mid_s >= at_s:
            gap = max(rise[i].mid_s - rise[i - 1].mid_s, 1e-9)
            share = min(max((at_s - rise[i - 1].mid_s) / gap, 0.0), 1.0)
            return lifts[i - 1] + share * (lifts[i] - lifts[i - 1])
    return lifts[-1]


@dataclass(frozen=True, slots=True)
class Rising:
    """A straight rise that goes on. since_s : where it leaves the level before it;  pace_pa_s, lift_pa : so far"""

    since_s: float
    pace_pa_s: float
    lift_pa: float


#: What is fitted as the rise [s]; the level before it that it is held against is twice as long.
_WINDOW_S: Final = 150.0
#: Climbs that this level has shown by itself (bubbles in trains, the base's wander) count for so long [s], and a rise
#: has to be so many times higher than the highest of them.
_MEMORY_S: Final = 2700.0
_CLIMBS: Final = 2.5


class Kink:
    """Feed it the blocks of the pumped level, risen or not, in their order; `rising` after each."""

    def __init__(self) -> None:
        self._blocks: deque[Block] = deque(maxlen=64)
        self._climbs: deque[tuple[float, float]] = deque(maxlen=400)

    def clear(self) -> None:
        """The level has changed on purpose: begin anew, but keep what this chamber does by itself."""
        self._blocks.clear()

    def forget(self) -> None:
        """Another pump-down."""
        self._blocks.clear()
        self._climbs.clear()

    def add(self, block: Block, noise_pa: float) -> Rising | None:
        """The straight rise that the level is in now, if it is. noise_pa : of a block's mean."""
        blocks = self._blocks
        blocks.append(block)
        now_s = block.end_s
        spacing = (now_s - blocks[0].end_s) / max(len(blocks) - 1, 1)
        window = max(_WINDOW_S, 4.2 * spacing)
        new = [b for b in blocks if now_s - b.end_s < window]
        before = [b for b in blocks if window <= now_s - b.end_s < 3 * window]
        if len(new) < 4 or len(before) < 3:
            return None
        middle_s, mean_pa, pace = _line(new)
        spread = noise_pa * math.sqrt(12 / len(new)) / window
        climb = pace * window
        while self._climbs and now_s - self._climbs[0][0] > _MEMORY_S:
            self._climbs.popleft()
        usual = max((size for at_s, size in self._climbs if now_s - at_s > window), default=0.0)
        self._climbs.append((now_s, climb))
        if climb < max(6 * spread * window, _CLIMBS * usual, 1.5):
            return None
        # Straight from one end of the window to the other: no step, no burst, nothing that bends over.
        first, second = new[: len(new) // 2 + 1], new[len(new) // 2 :]
        doubt = 3 * noise_pa * math.sqrt(12 / len(first)) / (0.5 * window)
        if min(_line(first)[2], _line(second)[2]) < 0.45 * pace - doubt or _line(second)[2] > 1.8 * pace + doubt:
            return None
        level = sum(b.mean_pa for b in before[-10:]) / len(before[-10:])
        # Out of a level that was falling the line points too far back: it was still down in its lowest block.
        lowest = min((*before, *new), key=lambda b: b.mean_pa)
        since_s = max(middle_s - max(mean_pa - level, 0.0) / pace, lowest.end_s)
        top = mean_pa + 0.5 * climb
        return Rising(since_s, pace, top - level)


def line_through(xs: Sequence[float], ys: Sequence[float]) -> tuple[float, float, float]:
    """Middle of the xs, mean of the ys, and slope, by least squares. xs, ys : (n,), n >= 1; slope 0 for one place."""
    middle, mean = sum(xs) / len(xs), sum(ys) / len(ys)
    below = sum((x - middle) ** 2 for x in xs)
    above = sum((x - middle) * (y - mean) for x, y in zip(xs, ys, strict=True))
    return middle, mean, above / below if below > 0 else 0.0


def _line(blocks: Sequence[Block]) -> tuple[float, float, float]:
    """Middle time, mean and slope of the blocks."""
    return line_through([b.mid_s for b in blocks], [b.mean_pa for b in blocks])
