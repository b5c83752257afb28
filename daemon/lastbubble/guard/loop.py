"""The guard's loop: ten times a second take what came, judge, drive the line, read it back, tell, pet.

The relay is claimed open before anything else is looked at, and opened before every way out: a signal, an exception, a
clock that is gone. What no program can do for itself (SIGKILL, a frozen kernel) is the unit's, the kernel's and the
wiring's: docs/safety.md says which covers which.
"""

from __future__ import annotations

import contextlib
import logging
import signal
import threading
from collections.abc import Sequence
from pathlib import Path
from types import FrameType
from typing import Any, Final

from lastbubble.clock import Clock
from lastbubble.guard.claim import claim_folder, note_claim
from lastbubble.guard.config import GuardSettings
from lastbubble.guard.core import FrameJudging, Guard
from lastbubble.guard.doors import Doors, People, installed
from lastbubble.guard.keeper import Keeper
from lastbubble.guard.latch import load_latch
from lastbubble.guard.memory import load_memory
from lastbubble.guard.notify import Notifier
from lastbubble.guard.protocol import GuardStatus
from lastbubble.guard.realtime import take_precedence
from lastbubble.guard.relay import Panel, RelayLine, chip_of, pin_factory
from lastbubble.guard.startup import look_around
from lastbubble.sensing.thermocouple import Calibration, FrameJudge

__all__ = ["GuardLoop"]

log = logging.getLogger("lastbubble.guard.loop")

_LAST_WRITE_S: Final = 2.0
#: Helper threads write a line or a small file: the default stack of 8 MB each would be most of the guard.
_THREAD_STACK_BYTES: Final = 256 * 1024


class _Told(Exception):  # no error: a signal that ends the sleep
    """A signal came while the loop slept."""


class GuardLoop:
    """Claims the line (open) when constructed; `run` until a signal or `stop()`; `close` opens and lets go.

    Raises PinsUnusable, BadInput or OSError at construction, the relay then never having been closed.
    """

    def __init__(
        self,
        settings: GuardSettings,
        clock: Clock,
        notifier: Notifier | None = None,
        factory: Any = None,
        judges: Sequence[FrameJudging] | None = None,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._notifier = notifier or Notifier({})
        runtime, state = Path(settings.runtime_dir), Path(settings.state_dir)
        runtime.mkdir(parents=True, exist_ok=True)
        factory = pin_factory(settings) if factory is None else factory
        self.relay = RelayLine(settings, factory)
        self._panel = Panel(settings, factory)
        threading.stack_size(_THREAD_STACK_BYTES)
        found = look_around(settings, self._notifier)
        unmet, notes = list(found.unmet), list(found.notes)
        if settings.pin_factory == "lgpio":
            fault = note_claim(claim_folder(settings.runtime_dir), *chip_of(factory), settings.relay_pin)
            if fault:
                unmet.append(fault)
        try:
            state.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            unmet.append(f"{state} cannot be made ({exc.strerror}): a trip could not be latched")
        memory, broken = load_memory(state)
        if broken:
            notes.append(broken)
        if not settings.simulated:
            notes += take_precedence()
        self._keeper = Keeper(state)
        self._doors = Doors(
            runtime,
            People.of(settings.frame_users or installed("lastbubble-thermometer")),
            People.of(settings.service_users or installed("lastbubble")),
            People.of(settings.bench_users or installed("@lastbubble-bench")),
            settings.socket_group,
        )
        self.guard = Guard(
            settings,
            judges or [FrameJudge(probe.name, Calibration(tuple(probe.calibration))) for probe in settings.probes],
            clock.now(),
            latched=load_latch(state),
            memory=memory,
            unmet=unmet,
            notes=notes,
        )
        for text in (*unmet, *notes):
            log.warning("event=found_at_start text=%r", text)
        self._told = 0
        self._sleeping = False
        self._ready = False

    def one_cycle(self) -> None:
        """A whole cycle; the pet at its end is reached only when all of it went well."""
        guard, doors, keeper = self.guard, self._doors, self._keeper
        now_s = self._clock.now()
        guard.begin_cycle(now_s, self._clock.utc())
        for message in doors.frames():
            guard.take_frame(message)
        doors.serve(guard.ask)
        guard.note_latch(keeper.latch_stored)
        closed = guard.cycle(self._panel.read())
        heat, agrees = self.relay.drive(closed)
        guard.read_back(heat, self.relay.arm(guard.state != "tripped") and agrees)
        # From here on the pin is as it has to be: what is written and told comes after.
        if guard.latch_order:
            keeper.latch(guard.latch_order.pop())
        if guard.memory_order:
            keeper.remember(guard.memory_order.pop())
        self._notifier.pet()
        guard.watchdog = self._notifier.petted
        self._panel.show(guard.evidence.heat_closed, guard.state == "tripped", guard.counters["cycles"])
        doors.tell(now_s, guard.revision, self._status)
        if not self._ready:
            self._ready = True
            self._notifier.ready(guard.state)
            log.info("event=ready state=%s simulated=%s", guard.state, self._settings.simulated)

    def _status(self) -> GuardStatus:
        self.guard.counters.update(
            {name: count - self.guard.counters[name] for name, count in self._doors.counters.items()}
        )
        return self.guard.status()

    def run(self) -> int:
        """Cycle until told to stop. Exit code 0 when told, 1 when something broke; the relay is open either way."""
        code = 0
        try:
            next_s = self._clock.now()
            while not self._told:
                self.one_cycle()
                next_s += self._settings.period_s
                now_s = self._clock.now()
                if now_s > next_s:
                    self.guard.counters["overruns"] += 1
                    next_s = now_s
                    continue
                self._sleeping = True
                try:
                    self._clock.sleep_until(next_s)
                finally:
                    self._sleeping = False
        except _Told:
            pass
        except Exception as exc:  # whatever it is, the relay opens first and systemd starts a fresh guard
            self.relay.lock()
            log.critical("event=guard_broken text=%r", f"{type(exc).__name__}: {exc}", exc_info=exc)
            code = 1
        finally:
            self.close()
        return code

    def stop(self, signum: int = signal.SIGTERM, _frame: FrameType | None = None) -> None:
        """End the loop; the relay is open when this returns. A signal's handler."""
        self._told = signum
        self.relay.lock()
        if self._sleeping:
            raise _Told

    def handle_signals(self) -> None:
        """SIGTERM, SIGINT and SIGHUP open the relay and end the loop; a closed stdout is an error like any other."""
        for signum in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(signum, self.stop)
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)

    def close(self) -> None:
        """Open the relay, keep it claimed and low, tell, write what is left, hang up. Never raises."""
        opened = self.relay.lock()
        self._notifier.stopping()
        # The relay is open: nothing that fails from here on may keep the process from ending.
        with contextlib.suppress(Exception):
            self.guard.read_back(not opened, opened)
            self._doors.tell(float("inf"), -1, self._status)
        with contextlib.suppress(Exception):
            self._doors.close()
        if not self._keeper.finish(_LAST_WRITE_S):
            log.error("event=not_written text=%r", self._keeper.fault or "the card is too slow")
        log.info("event=ended relay_open=%s signal=%d", opened, self._told)
