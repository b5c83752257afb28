"""The only reader of time in the house.

Two scales, never mixed: *bench time* (`now`, monotonic seconds; everything physical and every limit lives on it)
and *wall time* (`utc`, a label for people, which may jump by weeks on a board without a battery clock and from which
no duration is ever computed).

`RealClock` is a Pi's. `BenchClock` follows the governor of a simulated bench: bench time stands still while any
process that takes part in it is still at work, so a slow machine slows the bench and trips nothing. Its protocol, for
the other end: a file of 32 bytes (magic, float64 now, float64 utc seconds at now = 0, one float64 spare), mapped by
everybody; beside it `<file>.sock`, a SOCK_SEQPACKET listener. A process that wants to sleep connects, sends
`J<name>` once, then `S<float64 wake>` and gets `<float64 now>` back when bench time has reached it. A closed
connection takes no part any more.
"""

from __future__ import annotations

import mmap
import os
import socket
import struct
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Protocol

from lastbubble.errors import LastbubbleError

__all__ = ["BENCH_CLOCK_VARIABLE", "BenchClock", "Clock", "ClockGone", "RealClock", "clock_from_environment"]

#: Set only by a simulated bench; names the mapped file of its governor.
BENCH_CLOCK_VARIABLE: Final = "LASTBUBBLE_BENCH_CLOCK"
MAGIC: Final = b"LBCLOCK1"


class ClockGone(LastbubbleError):
    """The bench's governor is gone: nothing can be timed any more, so the process must end (relay open first)."""


class Clock(Protocol):
    """What every part that needs time is given."""

    def now(self) -> float:
        """Bench time, monotonic [s]; comparable between the processes of one machine."""
        ...

    def utc(self) -> datetime:
        """Wall time, aware, UTC: a label, never to be subtracted."""
        ...

    def sleep_until(self, wake_s: float) -> None:
        """Return when bench time has reached `wake_s` (at once if it has already)."""
        ...

    def sleep(self, duration_s: float) -> None:
        """Return after `duration_s` of bench time."""
        ...


class RealClock:
    """CLOCK_MONOTONIC and the system's wall clock."""

    def now(self) -> float:
        return time.monotonic()

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def sleep_until(self, wake_s: float) -> None:
        delay = wake_s - time.monotonic()
        if delay > 0:
            time.sleep(delay)

    def sleep(self, duration_s: float) -> None:
        time.sleep(max(0.0, duration_s))


class BenchClock:
    """Bench time as a simulated bench's governor lets it pass.

    Every thread that sleeps takes part on its own connection; a thread that never sleeps does not hold time up.

    Raises ClockGone when the governor's socket closes, ValueError when the file is not a governor's.
    """

    def __init__(self, path: Path, name: str) -> None:
        self._path = path
        self._name = name
        with path.open("rb") as file:
            self._map = mmap.mmap(file.fileno(), 32, access=mmap.ACCESS_READ)
        if self._map[:8] != MAGIC:
            raise ValueError(f"{path}: not a bench clock (starts with {self._map[:8]!r})")
        self._local = threading.local()

    def now(self) -> float:
        return float(struct.unpack_from("<d", self._map, 8)[0])

    def utc(self) -> datetime:
        return datetime.fromtimestamp(struct.unpack_from("<d", self._map, 16)[0] + self.now(), UTC)

    def sleep_until(self, wake_s: float) -> None:
        if wake_s <= self.now():
            return
        link: socket.socket | None = getattr(self._local, "link", None)
        try:
            if link is None:
                link = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
                link.connect(f"{self._path}.sock")
                link.send(b"J" + self._name.encode())
                self._local.link = link
            link.send(b"S" + struct.pack("<d", wake_s))
            if not link.recv(64):
                raise ClockGone("the bench clock's governor has closed its socket")
        except OSError as exc:
            if link is not None:
                link.close()
            self._local.link = None
            raise ClockGone(f"the bench clock's governor is gone ({exc})") from exc

    def sleep(self, duration_s: float) -> None:
        self.sleep_until(self.now() + duration_s)

    def leave(self) -> None:
        """Take no part any more from this thread (before waiting for something that is not bench time)."""
        link: socket.socket | None = getattr(self._local, "link", None)
        if link is not None:
            link.close()
            self._local.link = None


def clock_from_environment(name: str) -> RealClock | BenchClock:
    """The machine's clock, or the governor's where a simulated bench has set `LASTBUBBLE_BENCH_CLOCK`."""
    path = os.environ.get(BENCH_CLOCK_VARIABLE)
    return BenchClock(Path(path), name) if path else RealClock()
