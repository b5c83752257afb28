"""Bench time without a governor: the machine's own clock, for runs at speed 1 with the real one in the processes."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from tools.plant.wire.governor import Step, Work

__all__ = ["RealPace"]

_LOOK_S = 0.01


class RealPace:
    """Calls steps when they are due; the same calls as `Governor`, bench time is CLOCK_MONOTONIC."""

    def __init__(self) -> None:
        self._steps: list[tuple[float, Step, Work | None]] = []
        self._stopping = False
        self.held = False

    @property
    def now_s(self) -> float:
        """Bench time [s]."""
        return time.monotonic()

    @property
    def names(self) -> list[str]:
        """Nobody joins a real clock."""
        return []

    def add_step(self, first_s: float, step: Step, work: Work | None = None) -> None:
        """Call `step(now)` at `first_s` and then whenever it asked for, `work` with that time in between."""
        self._steps.append((first_s, step, work))

    def set_speed(self, speed: float) -> None:
        """A real clock has one speed."""

    def stop(self) -> None:
        """Let `run` return."""
        self._stopping = True

    def close(self) -> None:
        """Nothing is held."""

    def run(self, until_s: float = math.inf, idle: Callable[[], None] | None = None) -> None:
        """Until `until_s` or `stop`; time that was missed is not made up in many small steps."""
        while not self._stopping and self.now_s < until_s:
            if idle is not None:
                idle()
            next_s = math.inf
            for index, (at_s, step, work) in enumerate(self._steps):
                if at_s <= self.now_s:
                    at_s = max(step(self.now_s), self.now_s)
                    self._steps[index] = (at_s, step, work)
                    if work is not None:
                        work(at_s)
                next_s = min(next_s, at_s)
            time.sleep(min(_LOOK_S, max(0.0, next_s - self.now_s)))
