"""What the log itself tells of its gauge: step, noise, and so the smallest change of pressure it can show.

The step is read from the differences of successive readings (their smallest common size), the noise from second
differences, which a steady fall does not enter. Both are kept as coarse histograms and short lists: O(1) in time and
memory. Reads no clock.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final

from lastbubble.pipeline.blocks import Block

__all__ = ["COARSE_PA", "GaugeSense"]

#: From this step or noise on, the last hours of bubbling lie below what the gauge shows while pumping: bubbling near
#: its end lifts a bench chamber by 0.1 to some pascals (one pump of 50 L/min, bubbles of 0.5 to 3 mm: shared/reference/
#: bubble_gas.csv), and 12 bits over an atmosphere step by 24 to 31 Pa.
COARSE_PA: Final = 22.0

_BINS: Final = 96
_PER_OCTAVE: Final = 3
_SMALLEST: Final = 1e-5
#: Mean absolute second difference of white noise of unit width: sqrt(6) * sqrt(2/pi).
_ROUGH_OF_NOISE: Final = 1.954


class GaugeSense:
    """Feed it every reading (`reading`) and every block (`block`).

    step_pa : smallest step between readings, 0 while unknown;  noise_pa : of one reading;  known : enough was seen
    """

    def __init__(self) -> None:
        self.step_pa = 0.0
        self.noise_pa = 0.0
        self._bins = [0] * _BINS
        self._sizes = [0.0] * _BINS
        self._moves = 0
        self._readings = 0
        self._last: float | None = None
        self._rough: deque[float] = deque(maxlen=61)
        self._means: deque[float] = deque(maxlen=3)

    @property
    def known(self) -> bool:
        """Enough readings and moves to speak of this gauge."""
        return self._readings >= 20 and (self._moves >= 8 or self._readings >= 300)

    @property
    def resolution_pa(self) -> float:
        """The larger of step and noise: what one reading can tell [Pa]."""
        return max(self.step_pa, self.noise_pa)

    def reading(self, pa: float) -> None:
        """Take one reading; cheap, called for every sample."""
        last = self._last
        self._last = pa
        self._readings += 1
        if last is None:
            return
        move = pa - last if pa > last else last - pa
        if move < _SMALLEST:
            return
        self._moves += 1
        index = int(math.log2(move / _SMALLEST) * _PER_OCTAVE)
        if index >= _BINS:
            return
        self._bins[index] += 1
        self._sizes[index] = move

    def block(self, block: Block) -> None:
        """Take one block: noise from its roughness, and the step as the moves tell it by now."""
        rough = block.rough_pa
        if rough is not None:
            self._rough.append(rough)
        if len(self._rough) >= 3:
            ordered = sorted(self._rough)
            # Lower quartile: stretches where the pressure itself moves must not count as noise.
            self.noise_pa = ordered[len(ordered) // 4] / _ROUGH_OF_NOISE
        if self._moves >= 8:
            need = max(2, self._moves // 20)
            for index in range(_BINS):
                if self._bins[index] >= need:
                    self.step_pa = self._sizes[index]
                    break

    def mean_variance(self, count: int) -> float:
        """Variance of the mean of `count` readings [Pa^2].

        Neighbouring readings are taken to be alike to some degree (noise of real gauges is not white). A step averages
        out as far as noise dithers it: what is left of it is its variance times exp(-(2 pi noise / step)^2), which
        bounds the sum over the harmonics of a quantiser under Gaussian noise (Widrow and Kollar 2008, Quantization
        Noise, from memory).
        """
        noise = self.noise_pa
        step = self.step_pa
        white = noise * noise * (1 + 0.4 * min(count - 1, 3)) / max(count, 1)
        if step <= 0:
            return white + 1e-10
        undithered = math.exp(-((2 * math.pi * noise / step) ** 2))
        return white + step * step / 12 * (undithered + (1 - undithered) / max(count, 1)) + 1e-10
