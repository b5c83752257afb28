"""Streams of random numbers. Each part of the bench has its own, by name, so that a gauge read more often, or one
more fault, does not change the bubbles.

Single numbers out of a numpy Generator are dear; they are drawn in blocks here.
"""

from __future__ import annotations

import math
import zlib
from typing import TypeVar

import numpy as np

__all__ = ["Chance"]

_BLOCK = 1024
T = TypeVar("T")


class Chance:
    """The stream called `name` of the bench numbered `seed`; `generator` is the numpy Generator behind it."""

    def __init__(self, seed: int, name: str) -> None:
        self.generator = np.random.default_rng([seed, zlib.crc32(name.encode())])
        self._normals: list[float] = []
        self._uniforms: list[float] = []

    def normal(self) -> float:
        """Mean 0, standard deviation 1."""
        if not self._normals:
            self._normals = self.generator.standard_normal(_BLOCK).tolist()
        return self._normals.pop()

    def uniform(self, low: float = 0.0, high: float = 1.0) -> float:
        """Evenly from low to high."""
        if not self._uniforms:
            self._uniforms = self.generator.random(_BLOCK).tolist()
        return low + (high - low) * self._uniforms.pop()

    def log_uniform(self, low: float, high: float) -> float:
        """Evenly in the logarithm."""
        return low * math.exp(math.log(high / low) * self.uniform())

    def poisson(self, mean: float) -> int:
        """A count."""
        return int(self.generator.poisson(mean)) if mean > 0 else 0

    def happens(self, share: float) -> bool:
        """True with that probability."""
        return self.uniform() < share

    def one_of(self, *choices: T) -> T:
        """One of them, all alike."""
        return choices[min(int(self.uniform() * len(choices)), len(choices) - 1)]
