"""Pressure samples of any rhythm, made into blocks on an even grid; single glitches never reach a block.

A block is what the slower models work on: mean, middle time, first and last value, roughness. The work per sample is
O(1) in plain floats. A block is given out as soon as no further sample can be expected in its cell, so that a log with
one sample a minute is not a minute late.

A value far from its predecessor is held back until the next value confirms it (a real change goes on, a glitch does
not). Reads no clock; the grid counts from the time of the first sample, which the caller subtracts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["Block", "BlockMaker"]

#: A jump beyond this share of the last value, and beyond `_JUMP_PA`, has to be confirmed by the next sample.
_JUMP_SHARE: Final = 0.4
_JUMP_PA: Final = 60.0
_JUMP_NOISES: Final = 10.0


@dataclass(slots=True)
class Block:
    """Samples of one grid cell. Times [s] from the log's first sample, pressures [Pa].

    mid_s : mean time of the samples;  count : how many;  rough_pa : mean absolute second difference, None under 3
    """

    start_s: float
    end_s: float
    mid_s: float
    mean_pa: float
    count: int
    first_pa: float
    last_pa: float
    low_pa: float
    high_pa: float
    rough_pa: float | None
    fastest_pa_s: float


class BlockMaker:
    """`add(time_s, pa)` gives the blocks that are complete with this sample (none, one or two)."""

    def __init__(self, width_s: float) -> None:
        self.width_s = width_s
        #: Noise of one sample, told by the gauge's model [Pa].
        self.noise_pa = 0.0
        self.glitches = 0
        self._cell = -1
        self._count = 0
        self._sum = self._sum_t = self._first = self._last = self._low = self._high = 0.0
        self._first_s = self._last_s = 0.0
        self._rough_sum = 0.0
        self._rough_count = 0
        self._before: tuple[float, float] | None = None
        self._previous: tuple[float, float] | None = None
        self._held: tuple[float, float] | None = None
        self._sample_s: float | None = None
        self._period_s = 0.0
        self._fastest = 0.0

    def add(self, time_s: float, pa: float) -> list[Block]:
        """Take one reading; the blocks that are complete now."""
        if self._sample_s is not None:
            self._period_s = time_s - self._sample_s
        self._sample_s = time_s
        previous = self._previous
        if previous is None:
            return self._put(time_s, pa)
        last = previous[1]
        limit = max(_JUMP_SHARE * abs(last), _JUMP_PA, _JUMP_NOISES * self.noise_pa)
        step = pa - last
        if -limit <= step <= limit:
            if self._held is not None:
                self._held = None
                self.glitches += 1
            return self._put(time_s, pa)
        held = self._held
        if held is None:
            self._held = (time_s, pa)
            return []
        away = held[1] - last
        if away * step > 0 and abs(step) > 0.3 * abs(away):
            # The second value stands on the same side: something has really changed.
            self._held = None
            return self._put(*held) + self._put(time_s, pa)
        self._held = (time_s, pa)
        self.glitches += 1
        return []

    def _put(self, time_s: float, pa: float) -> list[Block]:
        done: list[Block] = []
        cell = int(time_s // self.width_s)
        if cell != self._cell:
            if self._count:
                done.append(self._close())
            self._cell = cell
        previous = self._previous
        if previous is not None:
            gap = time_s - previous[0]
            if gap > 0:
                speed = (pa - previous[1]) / gap
                if abs(speed) > abs(self._fastest):
                    self._fastest = speed
            before = self._before
            if before is not None and gap < 3 * self.width_s:
                self._rough_sum += abs(pa - 2 * previous[1] + before[1])
                self._rough_count += 1
        self._before = previous
        self._previous = (time_s, pa)
        if self._count == 0:
            self._first = self._low = self._high = pa
            self._first_s = time_s
        self._count += 1
        self._sum += pa
        self._sum_t += time_s
        self._last = pa
        self._last_s = time_s
        if pa < self._low:
            self._low = pa
        elif pa > self._high:
            self._high = pa
        # Nothing more can be expected in this cell when the next sample at this pace falls beyond it.
        if time_s + 0.999 * self._period_s >= (cell + 1) * self.width_s:
            done.append(self._close())
        return done

    def _close(self) -> Block:
        count = self._count
        block = Block(
            start_s=self._first_s,
            end_s=self._last_s,
            mid_s=self._sum_t / count,
            mean_pa=self._sum / count,
            count=count,
            first_pa=self._first,
            last_pa=self._last,
            low_pa=self._low,
            high_pa=self._high,
            rough_pa=self._rough_sum / self._rough_count if self._rough_count else None,
            fastest_pa_s=self._fastest,
        )
        self._count = 0
        self._sum = self._sum_t = self._rough_sum = self._fastest = 0.0
        self._rough_count = 0
        return block
