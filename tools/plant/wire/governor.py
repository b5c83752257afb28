"""The governor of bench time: the other end of `lastbubble.clock.BenchClock`.

Bench time goes on to the earliest wake time that anybody asked for, and only when everybody who takes part is asleep.
So a slow machine slows the bench and nothing on it is ever late; a fast one is held to `speed` times real time.
Whoever stays awake for longer than `grace_s` of real time (stopped, hung) is passed over and reported, and counts again
as soon as it asks for its next sleep. A closed connection takes no part any more.

Whoever has `slack` may take that much bench time over its work, as a busy process does in real life: time goes on
beside it, and waits once the slack is used up. It keeps both processors of a small machine busy; without it nobody ever
takes any time at all.

The simulated bench itself runs in here, called directly, without a message: a step asks for its next time and no more.

Order at one moment: the step that is due first, then the sleepers. So everybody who wakes at t sees the bench of t.

The loop costs one receive and one send a sleep and nothing else: all who are awake have to speak before time can go
on, so it may wait for each in turn. Newcomers are looked for between two advances, at least every few milliseconds.
"""

from __future__ import annotations

import math
import mmap
import socket
import struct
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Final

from lastbubble.clock import MAGIC

__all__ = ["Governor", "Sleeper"]

_CLOCK: Final = struct.Struct("<8sddd")
_TIME: Final = struct.Struct("<d")
#: A blocking receive gives up after this, so that newcomers and the grace are looked after [s].
_TICK_S: Final = 0.02
#: Real time between two looks for newcomers while time goes on [s].
_LOOK_S: Final = 0.005
#: Bench time may run ahead of `speed` by this much real time: a sleep costs more than it [s].
_SLACK_S: Final = 0.002
#: A bench that fell behind does not run faster than `speed` later for more than this [s].
_CREDIT_S: Final = 0.1

#: Called at its time; returns the time of its next call.
Step = Callable[[float], float]
Work = Callable[[float], None]


class Sleeper:
    """One connection: a thread of some process.

    name : what it called itself, "" until it has;  wake_s : when it wants to wake
    since_s, woke_s : real and bench time of its last waking;  passed : true while time goes on without it
    slack_s : bench time that its work may take
    """

    __slots__ = ("awake", "link", "name", "passed", "since_s", "slack_s", "sleeps", "wake_s", "woke_s")

    def __init__(self, link: socket.socket, since_s: float, woke_s: float) -> None:
        self.link = link
        self.name = ""
        self.wake_s = math.inf
        self.since_s = since_s
        self.woke_s = woke_s
        self.slack_s = 0.0
        self.awake = True
        self.passed = False
        self.sleeps = 0


class Governor:
    """Bench time, its file and its socket.

    path : the mapped file; `<path>.sock` is the listener
    utc_s : wall time at bench time 0, seconds since 1970;  start_s : bench time at the start                  [s]
    speed : at most this many bench seconds a real second; math.inf: as fast as the machine can
    grace_s : real time after which somebody who is still awake is passed over                            [s]
    grain_s : wake together whoever is due within so much: late by less than that, never early. 0: each at its own
        moment. With it, processes that wake one after the other work side by side                        [s]
    slack_s : name -> bench time that its work may take                                                   [s]
    report : called with a sentence when somebody is passed over, comes back, or speaks nonsense
    """

    def __init__(
        self,
        path: Path,
        utc_s: float,
        *,
        start_s: float = 0.0,
        speed: float = math.inf,
        grace_s: float = 5.0,
        grain_s: float = 0.0,
        slack_s: Mapping[str, float] = MappingProxyType({}),
        report: Callable[[str], None] = print,
    ) -> None:
        self.path = path
        self._speed = speed
        self._grace_s = grace_s
        self._grain_s = grain_s
        self._slack_s = dict(slack_s)
        self._report = report
        with path.open("wb") as file:
            file.write(_CLOCK.pack(MAGIC, start_s, utc_s, 0.0))
        with path.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), _CLOCK.size)
        self._socket_path = Path(f"{path}.sock")
        self._socket_path.unlink(missing_ok=True)
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._listener.bind(str(self._socket_path))
        self._listener.listen(32)
        self._listener.setblocking(False)
        self._sleepers: list[Sleeper] = []
        self._steps: list[tuple[float, Step, Work | None]] = []
        self._now_s = start_s
        self._anchor_real_s = time.monotonic()
        self._anchor_bench_s = start_s
        self._looked_s = 0.0
        self._stopping = False
        self.held = False
        self.sleeps = 0
        self.advances = 0
        #: Real time spent waiting for each name to fall asleep again [s].
        self.waited_s: dict[str, float] = {}
        #: Real time held back so as not to run faster than `speed` [s].
        self.idle_s = 0.0

    # -- what a bench asks of it -----------------------------------------------------------------------------------

    @property
    def now_s(self) -> float:
        """Bench time [s]."""
        return self._now_s

    @property
    def names(self) -> list[str]:
        """Who takes part, in the order of joining."""
        return [sleeper.name for sleeper in self._sleepers]

    @property
    def passed_over(self) -> list[str]:
        """Who is awake for too long: time goes on without them."""
        return [sleeper.name for sleeper in self._sleepers if sleeper.passed]

    def add_step(self, first_s: float, step: Step, work: Work | None = None) -> None:
        """Call `step(now)` at `first_s` and then whenever it asked for; math.inf takes it off.

        work : called with the time of the next step once everybody who is due now has been woken: what can be reckoned
            ahead is done on this processor while they work on the others
        """
        self._steps.append((first_s, step, work))

    def set_speed(self, speed: float) -> None:
        """Bench seconds a real second from now on."""
        if speed != self._speed:
            self._speed = speed
            self._anchor()

    def stop(self) -> None:
        """Let `run` return; from a step, another thread or a signal handler."""
        self._stopping = True

    def close(self) -> None:
        """Close every connection (whoever sleeps gets ClockGone) and remove the socket."""
        for sleeper in self._sleepers:
            sleeper.link.close()
        self._sleepers.clear()
        self._listener.close()
        self._socket_path.unlink(missing_ok=True)
        self._map.close()

    def run(self, until_s: float = math.inf, idle: Callable[[], None] | None = None) -> None:
        """Let time pass until `until_s`, or until `stop`.

        idle : called now and then while nobody is due (held, or nobody takes part), and every few real milliseconds
        """
        self._anchor()
        while not self._stopping:
            real_s = time.monotonic()
            if real_s - self._looked_s > _LOOK_S:
                self._look(real_s)
                if idle is not None:
                    idle()
            if not self._wait_for_the_awake():
                continue
            if self.held:
                time.sleep(_LOOK_S)
                self._anchor()
                continue
            next_s = min(self._next_step_s(), self._next_wake_s())
            if not self._wait_for_the_slack(next_s):
                continue
            if next_s > until_s or next_s == math.inf:
                if until_s > self._now_s and until_s != math.inf:
                    self._set_now(until_s)
                if until_s != math.inf:
                    return
                time.sleep(_LOOK_S)
                self._anchor()
                continue
            if self._grain_s:
                next_s = max(next_s, math.ceil(next_s / self._grain_s) * self._grain_s)
            if not self._hold_back(next_s):
                continue
            self._advance(next_s)

    # -- the loop's parts ------------------------------------------------------------------------------------------

    def _anchor(self) -> None:
        self._anchor_real_s = time.monotonic()
        self._anchor_bench_s = self._now_s

    def _next_step_s(self) -> float:
        return min((at_s for at_s, _, _ in self._steps), default=math.inf)

    def _next_wake_s(self) -> float:
        next_s = math.inf
        for sleeper in self._sleepers:
            if not sleeper.awake and sleeper.wake_s < next_s:
                next_s = sleeper.wake_s
        return next_s

    def _set_now(self, now_s: float) -> None:
        self._now_s = now_s
        _TIME.pack_into(self._map, 8, now_s)

    def _hold_back(self, next_s: float) -> bool:
        """True when `next_s` may come now; else has waited a little."""
        if self._speed == math.inf:
            return True
        real_s = time.monotonic()
        ahead_s = (next_s - self._anchor_bench_s) / self._speed - (real_s - self._anchor_real_s)
        if ahead_s > _SLACK_S:
            # Short waits only, so that newcomers and `stop` are not kept waiting.
            pause_s = min(ahead_s, _TICK_S)
            time.sleep(pause_s)
            self.idle_s += pause_s
            return ahead_s <= _TICK_S
        if ahead_s < -_CREDIT_S:
            self._anchor_real_s = real_s - _CREDIT_S
            self._anchor_bench_s = max(next_s, self._now_s)
        return True

    def _advance(self, now_s: float) -> None:
        self.advances += 1
        if now_s > self._now_s:
            self._set_now(now_s)
        due_s = self._now_s
        ahead: list[tuple[Work, float]] = []
        for index, (at_s, step, work) in enumerate(self._steps):
            if at_s <= due_s:
                next_s = step(self._now_s)
                self._steps[index] = (next_s, step, work)
                if work is not None:
                    ahead.append((work, next_s))
        reply = _TIME.pack(self._now_s)
        real_s = time.monotonic()
        for sleeper in list(self._sleepers):
            if not sleeper.awake and sleeper.wake_s <= due_s:
                sleeper.awake = True
                sleeper.since_s = real_s
                sleeper.woke_s = self._now_s
                self.sleeps += 1
                sleeper.sleeps += 1
                try:
                    sleeper.link.send(reply)
                except OSError:
                    self._drop(sleeper)
        for work, next_s in ahead:
            work(next_s)

    def _wait_for_the_awake(self) -> bool:
        """True when everybody who counts and has no slack is asleep."""
        for sleeper in list(self._sleepers):
            if not sleeper.awake or sleeper.passed or sleeper.slack_s:
                continue
            if not self._hear(sleeper):
                return False
        return True

    def _wait_for_the_slack(self, next_s: float) -> bool:
        """True when time may go on to `next_s`; False when somebody was waited for and it has to be looked at anew."""
        for sleeper in self._sleepers:
            if sleeper.slack_s and sleeper.awake and not sleeper.passed and next_s > sleeper.woke_s + sleeper.slack_s:
                self._hear(sleeper)
                return False
        return True

    def _hear(self, sleeper: Sleeper) -> bool:
        """Wait a little for an awake one to speak; True when it sleeps or is gone or is passed over."""
        try:
            message = sleeper.link.recv(64)
        except BlockingIOError:
            awake_s = time.monotonic() - sleeper.since_s
            if awake_s > self._grace_s:
                sleeper.passed = True
                self._report(
                    f"{sleeper.name or 'somebody'} has been awake for {awake_s:.1f} s: time goes on without it"
                )
                return True
            return False
        except OSError:
            message = b""
        return self._take(sleeper, message)

    def _take(self, sleeper: Sleeper, message: bytes) -> bool:
        if len(message) == 9 and message[0] == 0x53:
            (wake_s,) = _TIME.unpack_from(message, 1)
            if not math.isnan(wake_s):
                real_s = time.monotonic()
                if sleeper.passed:
                    sleeper.passed = False
                    self._report(f"{sleeper.name} takes part again")
                self.waited_s[sleeper.name] = self.waited_s.get(sleeper.name, 0.0) + real_s - sleeper.since_s
                sleeper.wake_s = wake_s
                sleeper.awake = False
                return True
        if message[:1] == b"J":
            sleeper.name = message[1:].decode(errors="replace")
            sleeper.slack_s = self._slack_s.get(sleeper.name, 0.0)
            return False
        if message:
            self._report(f"{sleeper.name or 'somebody'} said {message!r}: not a request for sleep; dropped")
        self._drop(sleeper)
        return True

    def _drop(self, sleeper: Sleeper) -> None:
        sleeper.link.close()
        self._sleepers.remove(sleeper)

    def _look(self, real_s: float) -> None:
        """Newcomers, those who left in their sleep, and those passed over who speak again."""
        self._looked_s = real_s
        while True:
            try:
                link, _ = self._listener.accept()
            except BlockingIOError:
                break
            link.setblocking(True)
            link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("ll", 0, int(_TICK_S * 1e6)))
            self._sleepers.append(Sleeper(link, real_s, self._now_s))
        for sleeper in list(self._sleepers):
            if sleeper.awake and not sleeper.passed:
                continue
            try:
                message = sleeper.link.recv(64, socket.MSG_DONTWAIT)
            except BlockingIOError:
                continue
            except OSError:
                message = b""
            self._take(sleeper, message)
