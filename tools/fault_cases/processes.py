"""Processes that die, freeze, starve or are flooded. Where the reaction is real time, so is the clock."""

from __future__ import annotations

import mmap
import multiprocessing
import os
import signal
import socket
import struct
import threading
import time
from collections.abc import Callable
from typing import Any, Final

from lastbubble.guard.protocol import BENCH_SOCKET, FRAMES_SOCKET, GUARD_SOCKET
from tools.fault_cases.judge import goes, opens
from tools.fault_cases.plan import Act, Case, Goes, Opens, Outcome, Setup
from tools.fault_cases.rig import Rig
from tools.fault_cases.supervisor import unit_seconds

__all__ = ["CASES", "GOOD"]

_REAL: Final = Setup(clock="real", warm_s=2.0)
_PULLED: Final = "the kernel gives a dead owner's line back (`dtparam=strict_gpiod`), the pull-down opens the relay"
_RESTART: Final = "the unit's `Restart=always`: every start claims the line low"
_WATCHDOG: Final = (
    "the unit's watchdog (`WatchdogSec`, `TimeoutAbortSec`) ends a frozen guard; then as for a killed one"
)
_DAY_S: Final = 86_400.0
#: Two bytes of luck: starting Python on a busy machine takes its time [s].
_PYTHON_S: Final = 30.0


def _send(name: str, signum: signal.Signals) -> Act:
    return lambda rig: rig.signal(name, signum)


def _kill(name: str) -> Act:
    return _send(name, signal.SIGKILL)


def _stop_for(name: str, seconds: float) -> Act:
    def act(rig: Rig) -> None:
        rig.signal(name, signal.SIGSTOP)
        timer = threading.Timer(seconds, rig.signal, (name, signal.SIGCONT))
        timer.start()
        rig.undo(timer.cancel)

    return act


def _busy(rig: Rig) -> None:
    """Two endless loops a core."""
    for _ in range(2 * (os.cpu_count() or 1)):
        worker = multiprocessing.get_context("spawn").Process(target=_spin, args=(os.getpid(),), daemon=True)
        worker.start()
        rig.undo(worker.kill)


def _spin(parent: int) -> None:
    while os.getppid() == parent:
        for _ in range(100_000):
            pass


def _busy_then_hot(rig: Rig) -> None:
    _busy(rig)
    rig.later(5.0)


def _flood_frames(rig: Rig) -> None:
    """Junk datagrams at the frames' door, as fast as they go."""
    link = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    link.setblocking(False)
    link.connect(os.fspath(rig.folder / "run" / FRAMES_SOCKET))

    def send() -> None:
        link.send(os.urandom(64))

    _endless(rig, send, link)


def _flood_requests(name: str) -> Act:
    """Requests and nonsense on a stream socket, nothing ever read back, from eight connections at once."""

    def act(rig: Rig) -> None:
        links = rig.links(name, 8)
        words = b'{"ask":"listen","every_s":0.05}\n' + b'{"ask":"permit"}\n{"ask":"reset"}\n\xff\xfe{[\n' * 200

        def send() -> None:
            for link in links:
                try:
                    link.send(words)
                except BlockingIOError:
                    pass
                except OSError:
                    links[:] = rig.links(name, 8)
                    return

        _endless(rig, send)

    return act


def _endless(rig: Rig, deed: Any, link: socket.socket | None = None) -> None:
    ended = threading.Event()

    def run() -> None:
        while not ended.is_set():
            try:
                deed()
            except OSError:
                time.sleep(0.001)
            time.sleep(0.0005)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()

    def end() -> None:
        ended.set()
        thread.join(5)
        if link is not None:
            link.close()

    rig.undo(end)


def _stalled_listeners(rig: Rig) -> None:
    """As many listeners as there are seats, and more, each asking for twenty lines a second and reading none."""
    for name in (GUARD_SOCKET, BENCH_SOCKET):
        for link in rig.links(name, 12):
            link.send(b'{"ask":"listen","every_s":0.05}\n')


def _wall_clock(jump_s: float) -> Act:
    """Move the bench's wall clock: the label in the governor's file, from which nothing may be reckoned."""

    def act(rig: Rig) -> None:
        with (rig.folder / "clock").open("r+b") as file, mmap.mmap(file.fileno(), 0) as clock:
            (utc_s,) = struct.unpack_from("<d", clock, 16)
            struct.pack_into("<d", clock, 16, utc_s + jump_s)

    return act


def _jumped(then: Opens) -> Callable[[Rig], Outcome]:
    def expect(rig: Rig) -> Outcome:
        first = goes(rig, Goes(60.0))
        rig.strike(lambda rig: rig.probe_fault("zeros"))
        second = opens(rig, then)
        second.safe = first.safe and second.safe
        second.reaction = f"heat goes on; a dead bus then: {second.reaction}"
        second.finding = "; ".join(text for text in (first.finding, second.finding) if text)
        return second

    return expect


def _busy_trip(rig: Rig) -> Outcome:
    """Starved, heat goes on or is taken away; with a reading over the limit it must go, and soon."""
    rig.strike(lambda rig: rig.probe_fault("zeros"))
    return opens(
        rig,
        Opens(
            4.0, ("no_usable_reading", "faults_in_a_row", "faults_too_often", "frames_missing", "guard_stood_still"), ""
        ),
    )


def _restarted(name: str, after_s: float, still_s: float) -> Callable[[Rig], Outcome]:
    """The process is started again a little later, as its unit does; heat goes on meanwhile and after."""

    def expect(rig: Rig) -> Outcome:
        rig.later(after_s)
        rig.start_again(name)
        return goes(rig, Goes(still_s))

    return expect


def _killed_keeping(rig: Rig) -> Outcome:
    """A board that keeps a dead owner's level: the line stays high until the guard is started again."""
    begun_s = time.monotonic()
    assert rig.supervisor is not None
    after_s = rig.wait_open(_PYTHON_S)
    took_s = time.monotonic() - begun_s
    if after_s is None:
        return Outcome(False, "nobody", "none", finding=f"the line is high after {took_s:.0f} s")
    rig.later(3.0)
    status = rig.status_or_none()
    again = rig.line() or status is None or status.state == "permitted"
    return Outcome(
        not again,
        "nobody",
        "line falls when the guard starts again, withheld",
        after_s,
        told=("bench",),
        finding="heat came back by itself" if again else "; ".join(rig.supervisor.deeds),
    )


def _frozen_guard(rig: Rig) -> Outcome:
    assert rig.supervisor is not None
    bound_s = unit_seconds("WatchdogSec") + unit_seconds("TimeoutAbortSec") + 1.0
    after_s = rig.wait_open(bound_s)
    deeds = "; ".join(rig.supervisor.deeds)
    if after_s is None:
        return Outcome(False, "nobody", "none", finding=f"the line is high after {bound_s:g} s: {deeds}")
    rig.until(lambda: "started again" in rig.supervisor.deeds, "the guard was not started again")  # type: ignore[union-attr]
    rig.until(lambda: rig.status_or_none() is not None, "the guard has not come back")
    rig.later(2.0)
    status = rig.status()
    again = rig.line() or status.state == "permitted"
    return Outcome(
        not again,
        "watchdog",
        "killed and started again, withheld",
        after_s,
        told=("bench",),
        finding="heat came back by itself" if again else deeds,
    )


CASES = (
    Case(
        "guard_killed",
        ("F-41", "F-84", "F-82"),
        "guard: SIGKILL, as by the kernel out of memory",
        _kill("guard"),
        Opens(1.0, ("",), ""),
        _REAL,
        covered=_PULLED,
        quick=True,
    ),
    Case(
        "guard_killed_level_kept",
        ("F-41", "F-83"),
        "the same where the kernel keeps a dead owner's level",
        _kill("guard"),
        _killed_keeping,
        Setup(clock="real", strict=False, watched=True, warm_s=2.0),
        covered=f"such a machine gets no permit unless `drive: pulsed`; {_RESTART}",
    ),
    Case(
        "guard_killed_pulsed",
        ("F-41",),
        "the same with the pulsed drive, whose driver wants edges",
        _kill("guard"),
        Opens(1.5, ("",), ""),
        Setup(clock="real", strict=False, warm_s=2.0, guard={"drive": "pulsed"}),
        covered="a charge-pump or watchdog driver between pin and relay (reckoned with a hold of 0.5 s)",
    ),
    Case(
        "guard_stopped",
        ("F-79", "F-42"),
        "guard: SIGSTOP for good",
        _send("guard", signal.SIGSTOP),
        _frozen_guard,
        Setup(clock="real", watched=True, warm_s=2.0),
        covered=_WATCHDOG,
    ),
    Case(
        "guard_stopped_pulsed",
        ("F-79",),
        "the same with the pulsed drive",
        _send("guard", signal.SIGSTOP),
        Opens(1.5, ("",), ""),
        Setup(clock="real", warm_s=2.0, guard={"drive": "pulsed"}),
        covered="a charge-pump or watchdog driver between pin and relay (reckoned with a hold of 0.5 s)",
    ),
    Case(
        "guard_stopped_a_while",
        ("F-79", "F-122"),
        "guard: SIGSTOP for 1.5 s",
        _stop_for("guard", 1.5),
        Opens(3.0, ("guard_stood_still", "frames_missing", "no_usable_reading"), ""),
        _REAL,
        covered=_WATCHDOG,
    ),
    *(
        Case(
            f"guard_{signum.name.lower()}",
            ("F-43", "F-42", "F-44"),
            f"guard: {signum.name}",
            _send("guard", signum),
            Opens(1.0, ("",), ""),
            _REAL,
        )
        for signum in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    ),
    Case(
        "guard_aborted",
        ("F-82", "F-41"),
        "guard: SIGABRT, as by its watchdog",
        _send("guard", signal.SIGABRT),
        Opens(1.0, ("",), ""),
        _REAL,
        covered=_PULLED,
    ),
    Case(
        "guard_clock_gone",
        ("F-44", "F-120"),
        "an error nobody foresaw in the guard's loop: its clock ends",
        lambda rig: rig.undo(lambda: None),
        lambda rig: _clock_gone(rig),
    ),
    Case(
        "thermometer_killed",
        ("F-24", "F-120"),
        "thermometer: SIGKILL",
        _kill("thermometer"),
        Opens(1.6, ("frames_missing", "no_usable_reading")),
        quick=True,
    ),
    Case(
        "thermometer_stopped",
        ("F-24", "F-119"),
        "thermometer: SIGSTOP",
        _send("thermometer", signal.SIGSTOP),
        Opens(1.6, ("frames_missing", "no_usable_reading")),
    ),
    Case(
        "service_killed",
        ("F-124", "F-84"),
        "service: SIGKILL",
        _kill("service"),
        Opens(63.0, ("lease_expired",), "withheld"),
    ),
    Case(
        "service_stopped",
        ("F-124", "F-119"),
        "service: SIGSTOP",
        _send("service", signal.SIGSTOP),
        Opens(63.0, ("lease_expired",), "withheld"),
    ),
    Case(
        "all_killed",
        ("F-41", "F-84"),
        "all three: SIGKILL",
        lambda rig: [rig.signal(name, signal.SIGKILL) for name in ("service", "thermometer", "guard")],
        Opens(1.0, ("",), ""),
        _REAL,
        covered=_PULLED,
    ),
    Case(
        "cpu_starved_trip",
        ("F-122", "F-79"),
        "two endless loops a core, then a dead bus",
        _busy_then_hot,
        _busy_trip,
        _REAL,
    ),
    *(
        Case(
            f"wall_clock_{word}",
            ("F-87", "F-86"),
            f"the wall clock jumps a day {way}, then a dead bus",
            _wall_clock(sign * _DAY_S),
            _jumped(Opens(1.6, ("no_usable_reading", "faults_in_a_row"))),
        )
        for word, way, sign in (("forward", "ahead", 1), ("back", "back", -1))
    ),
    Case(
        "frames_door_flooded",
        ("F-122",),
        "junk datagrams at the frames' door, as fast as they go",
        _flood_frames,
        lambda rig: _flooded_door(rig),
        _REAL,
    ),
    Case(
        "flooded_then_dead_bus",
        ("F-122", "F-98"),
        "requests and nonsense on the guard's stream sockets, then a dead bus",
        lambda rig: (
            _flood_requests(GUARD_SOCKET)(rig),
            _flood_requests(BENCH_SOCKET)(rig),
            rig.later(3.0),
        ),
        _busy_trip,
        _REAL,
    ),
)

GOOD = (
    Case(
        "good_flood_requests",
        ("F-122",),
        "requests and nonsense on the service's and the bench's sockets, never read",
        lambda rig: (_flood_requests(GUARD_SOCKET)(rig), _flood_requests(BENCH_SOCKET)(rig)),
        lambda rig: _flooded(rig),
        _REAL,
        kind="good",
    ),
    Case(
        "good_stalled_listeners",
        ("F-118", "F-80"),
        "listeners that never read",
        _stalled_listeners,
        lambda rig: _flooded(rig),
        _REAL,
        kind="good",
    ),
    Case(
        "good_service_restarts",
        ("F-124",),
        "service killed and started again within its lease",
        _kill("service"),
        _restarted("service", 20.0, 120.0),
        kind="good",
    ),
    Case(
        "good_service_sigterm",
        ("F-124",),
        "service ended in order and started again within its lease",
        _send("service", signal.SIGTERM),
        _restarted("service", 20.0, 120.0),
        kind="good",
    ),
)


def _flooded_door(rig: Rig) -> Outcome:
    """Whoever may write there may crowd the thermometer out: then frames are missing and the heat goes off."""
    after_s = rig.wait_open(10.0)
    if after_s is None:
        return goes(rig, Goes(1.0))
    return opens(rig, Opens(10.0, ("frames_missing", "no_usable_reading")))


def _flooded(rig: Rig) -> Outcome:
    """Heat goes on, looked at by the line and the latch alone: the seats at the guard's doors may all be taken."""
    rig.later(10.0, rig.line)
    wrong = [] if rig.line() else ["heat went off"]
    if rig.latched():
        wrong.append(f"tripped: {rig.latched()}")
    return Outcome(not wrong, "", "heat goes on", finding="; ".join(wrong))


def _clock_gone(rig: Rig) -> Outcome:
    """The governor's process ends: every sleep in the guard raises, and the loop's way out opens the relay first."""
    guard = rig.guard
    rig.bench.child.process.send_signal(signal.SIGKILL)
    begun_s = time.monotonic()
    code = guard.process.wait(10)
    took_s = time.monotonic() - begun_s
    high = rig.pins.level(17)
    return Outcome(
        not high and code != 0,
        "the loop's way out",
        "relay opened, exit code not 0",
        took_s,
        recorded=("log",),
        finding="the line is high" if high else ("" if code else "it claims to have ended well"),
    )
