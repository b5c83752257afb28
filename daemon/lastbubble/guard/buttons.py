"""A button held on purpose, told from a spike on a long wire: sampled in the loop, no edges, no interrupts."""

from __future__ import annotations

from typing import Final

__all__ = ["HELD_SAMPLES", "QUIET_S", "HeldButton"]

#: Pressed in that many samples in a row, released before: at 10 Hz one and a half seconds.
HELD_SAMPLES: Final = 15
#: Samples this close to an edge of the relay are not believed [s].
QUIET_S: Final = 1.0


class HeldButton:
    """`sample` is True exactly once for each hold. A button that was never seen released is stuck and says nothing."""

    def __init__(self) -> None:
        self._run = 0
        self._armed = False

    def sample(self, pressed: bool, since_edge_s: float) -> bool:
        if since_edge_s < QUIET_S:
            self._run = 0
            return False
        if not pressed:
            self._armed, self._run = True, 0
            return False
        if not self._armed:
            return False
        self._run += 1
        if self._run < HELD_SAMPLES:
            return False
        self._armed, self._run = False, 0
        return True
