"""The thread that writes the guard's files, so that the loop never waits for a card.

The loop hands over what shall be true on the card; only the newest wish of each kind counts. A write that failed is
tried again every few seconds for as long as it takes.
"""

from __future__ import annotations

import logging
import threading
from pathlib import Path
from typing import Final

from lastbubble.guard.latch import store_latch
from lastbubble.guard.memory import Memory, store_memory
from lastbubble.guard.protocol import TripStatus

__all__ = ["Keeper"]

log = logging.getLogger("lastbubble.guard.keeper")

_RETRY_S: Final = 5.0


class Keeper:
    """`latch(trip)` and `remember(memory)` return at once; `latch_stored` and `fault` tell how the card took it."""

    def __init__(self, folder: Path, retry_s: float = _RETRY_S) -> None:
        self._folder = folder
        self._retry_s = retry_s
        self._wake = threading.Condition()
        self._latch_wish: list[TripStatus | None] = []
        self._memory_wish: Memory | None = None
        self._ended = False
        #: True when what the card holds is what was last asked for.
        self.latch_stored = True
        #: The last error of the card, "" once all is written.
        self.fault = ""
        self._thread = threading.Thread(target=self._work, name="keeper", daemon=True)
        self._thread.start()

    def latch(self, trip: TripStatus | None) -> None:
        with self._wake:
            self._latch_wish = [trip]
            self.latch_stored = False
            self._wake.notify()

    def remember(self, memory: Memory) -> None:
        with self._wake:
            self._memory_wish = memory
            self._wake.notify()

    def finish(self, timeout_s: float) -> bool:
        """Write what is left, wait at most `timeout_s` real seconds; True when all is on the card."""
        with self._wake:
            self._ended = True
            self._wake.notify()
        self._thread.join(timeout_s)
        return not self._latch_wish and self._memory_wish is None

    def _work(self) -> None:
        while True:
            with self._wake:
                while not (self._latch_wish or self._memory_wish or self._ended):
                    self._wake.wait()
                latch, memory = list(self._latch_wish), self._memory_wish
                if self._ended and not latch and memory is None:
                    return
            try:
                if latch:
                    store_latch(self._folder, latch[0])
                    with self._wake:
                        if self._latch_wish and self._latch_wish[0] is latch[0]:
                            self._latch_wish = []
                            self.latch_stored = True
                if memory is not None:
                    store_memory(self._folder, memory)
                    with self._wake:
                        if self._memory_wish is memory:
                            self._memory_wish = None
                if self.fault:
                    log.info("event=card_well folder=%s", self._folder)
                self.fault = ""
            except OSError as exc:
                if not self.fault:
                    log.error("event=card_fault folder=%s text=%r", self._folder, str(exc))
                self.fault = str(exc)
                with self._wake:
                    if self._ended:
                        return
                    self._wake.wait(self._retry_s)
