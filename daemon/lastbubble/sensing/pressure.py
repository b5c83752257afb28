"""What every source of chamber pressure offers, and the thread that keeps a stuck port out of the caller's way.

Protocol. `read(now_s)` is called once or ten times a second of bench time, with bench time that never falls:

- a Reading of source "chamber": news. GOOD and SUSPECT carry a value in Pa absolute; BAD has a cause and a sentence
  with the mend, and is said again at every call for as long as it stands;
- None: nothing new since the last call, and no reason yet to call that a fault. What was read last stands; who uses it
  looks at its age.

A known fault is said at once, one unusable answer is dropped, and silence is a fault after some seconds of bench time.
`close()` may be called twice; after it every read says "closed". Nothing raises.

Why not a free-running thread with a "latest value": bench time may run hundreds of times faster than real time, and
stands still only while somebody works who takes part in it. So all listening is done within the call: it takes whatever
has come up to now, and the same bench gives the same readings at any speed. A port can still hang where no time-out
reaches it, so the work is done in a thread of the source's own, and the call waits for it a quarter of a second of real
time at most; what takes longer is handed over at the next call, with the time at which it was asked for.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import replace
from typing import Final, Protocol

from lastbubble.clock import RealClock
from lastbubble.records import Quality, Reading
from lastbubble.sensing.gauge import SOURCE

__all__ = ["PATIENCE_S", "Polled", "PressureSource", "Unhurried"]

log = logging.getLogger("lastbubble.sensing")

#: Longest wait of a caller [s of real time].
PATIENCE_S: Final = 0.25
#: A port that has not come back after so long does not; no poll of ours may take half of it [s of real time].
HANGS_S: Final = 30.0


class PressureSource(Protocol):
    """See above."""

    def read(self, now_s: float) -> Reading | None: ...
    def close(self) -> None: ...


class Polled(Protocol):
    """A source that may take its time: `poll` is called in one thread only, `close` after the last one."""

    def poll(self, now_s: float) -> Reading | None: ...
    def close(self) -> None: ...


class Unhurried:
    """A PressureSource out of a Polled one.

    patience_s : longest wait of the caller                                                    [s of real time]
    hangs_s : a poll that has not come back after so long is a fault                           [s of real time]
    """

    def __init__(self, inner: Polled, patience_s: float = PATIENCE_S, hangs_s: float = HANGS_S) -> None:
        self._inner = inner
        self._hangs_s = hangs_s
        self._patience_s = patience_s
        self._changed = threading.Condition()
        self._real = RealClock()
        self._asked_s: float | None = None
        self._asked_real_s = 0.0
        self._standing: Reading | None = None
        self._taken = False
        self._done = False
        self._answer: Reading | None = None
        self._closing = False
        self._thread: threading.Thread | None = None

    def read(self, now_s: float) -> Reading | None:
        """See PressureSource. For one thread."""
        with self._changed:
            if self._closing:
                return _bad(now_s, "closed", "the gauge's port has been closed; the service is stopping")
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="gauge", daemon=True)
                self._thread.start()
            if self._asked_s is None:
                self._asked_s = now_s
                self._asked_real_s = self._real.now()
                self._taken = self._done = False
                self._changed.notify_all()
            if self._changed.wait_for(lambda: self._done or self._closing, self._patience_s):
                answer, self._answer = self._answer, None
                self._asked_s = None
                self._standing = answer if answer is not None and answer.quality is Quality.BAD else None
                return answer
            if self._real.now() - self._asked_real_s >= self._hangs_s:
                return _bad(now_s, "hangs", "the gauge's port does not come back from a read; unplug its adapter")
            # A fault stands until something better is heard.
            return None if self._standing is None else replace(self._standing, time_s=now_s)

    def close(self) -> None:
        """Stop, and wait a second at most for the port to come back."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
            thread = self._thread
        if thread is None:
            self._inner.close()
        elif thread is not threading.current_thread():
            thread.join(1.0)

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closing or (self._asked_s is not None and not self._taken))
                if self._closing:
                    break
                now_s = self._asked_s
                assert now_s is not None
                self._taken = True
            try:
                answer = self._inner.poll(now_s)
            except (
                Exception
            ) as exc:  # an error we did not foresee must become a bad reading: nobody watches this thread
                log.exception("event=gauge_error")
                answer = _bad(now_s, "io", f"reading the gauge failed ({type(exc).__name__}: {exc})")
            with self._changed:
                self._answer = answer
                self._done = True
                self._changed.notify_all()
        self._inner.close()


def _bad(now_s: float, cause: str, detail: str) -> Reading:
    return Reading(None, now_s, Quality.BAD, SOURCE, cause, detail)
