"""The governor of bench time, with real clocks on the other end."""

from __future__ import annotations

import math
import os
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from lastbubble.clock import BenchClock, ClockGone
from tools.plant.wire.governor import Governor

#: No wait in these tests is ever longer [s of real time].
BOUND_S = 20.0


def wait_for(condition: Callable[[], bool]) -> None:
    end_s = time.monotonic() + BOUND_S
    while not condition():
        assert time.monotonic() < end_s, "the condition never came true"
        time.sleep(0.002)


class Running:
    """A governor in a thread."""

    def __init__(self, path: Path, **kwargs: Any) -> None:
        self.said: list[str] = []
        self.governor = Governor(path, 1_700_000_000.0, report=self.said.append, **kwargs)
        self.governor.held = True
        self._thread = threading.Thread(target=self.governor.run)
        self._thread.start()

    def stop(self) -> None:
        self.governor.stop()
        self._thread.join(BOUND_S)
        assert not self._thread.is_alive()
        self.governor.close()


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Running]]:
    made: list[Running] = []

    def make(**kwargs: Any) -> Running:
        made.append(Running(tmp_path / "clock", **kwargs))
        return made[-1]

    yield make
    for running in made:
        running.stop()


class Participant:
    """A thread that sleeps `period_s` again and again and keeps what it saw."""

    def __init__(self, path: Path, name: str, period_s: float, work: Callable[[float], object] = float):
        self.seen: list[tuple[float, float]] = []
        self.gone = False
        self._clock = BenchClock(path, name)
        self._period_s = period_s
        self._work = work
        self._leave = False
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        wake_s = self._clock.now()
        try:
            while not self._leave:
                wake_s += self._period_s
                self._clock.sleep_until(wake_s)
                now_s = self._clock.now()
                self.seen.append((wake_s, now_s))
                self._work(now_s)
        except ClockGone:
            self.gone = True
        self._clock.leave()

    def leave(self) -> None:
        self._leave = True


def test_everybody_wakes_exactly_when_asked_and_time_never_goes_back(start: Callable[..., Running]) -> None:
    governor = start().governor
    order: list[float] = []
    parts = [
        Participant(governor.path, name, period_s, order.append)
        for name, period_s in (("guard", 0.1), ("thermometer", 1 / 4.5), ("service", 1.0))
    ]
    wait_for(lambda: len(governor.names) == 3)
    governor.held = False
    wait_for(lambda: governor.now_s > 50)
    governor.held = True
    for part in parts:
        assert len(part.seen) > 40
        assert all(now_s == wake_s for wake_s, now_s in part.seen), "woken early, or passed while asleep"
    assert order == sorted(order)


def test_time_stands_still_while_anybody_works(start: Callable[..., Running]) -> None:
    governor = start().governor
    work = threading.Event()
    busy = threading.Event()

    def toil(now_s: float) -> None:
        if now_s >= 3 and not work.is_set():
            busy.set()
            work.wait(BOUND_S)

    slow = Participant(governor.path, "slow", 1.0, toil)
    fast = Participant(governor.path, "fast", 0.1)
    wait_for(lambda: len(governor.names) == 2)
    governor.held = False
    assert busy.wait(BOUND_S)
    for _ in range(10):
        time.sleep(0.01)  # real time passes, bench time must not
        assert governor.now_s == 3.0
    assert fast.seen[-1][1] <= 3.0
    work.set()
    wait_for(lambda: governor.now_s > 5)
    assert slow.seen[-1][1] >= 4.0


def test_slack_lets_time_go_on_beside_the_work_and_no_further(start: Callable[..., Running]) -> None:
    governor = start(slack_s={"slow": 0.75}).governor
    work = threading.Event()
    busy = threading.Event()

    def toil(now_s: float) -> None:
        if now_s >= 3 and not work.is_set():
            busy.set()
            work.wait(BOUND_S)

    slow = Participant(governor.path, "slow", 1.0, toil)
    fast = Participant(governor.path, "fast", 0.125)
    wait_for(lambda: sorted(governor.names) == ["fast", "slow"])
    governor.held = False
    assert busy.wait(BOUND_S)
    wait_for(lambda: governor.now_s == 3.75)
    for _ in range(5):
        time.sleep(0.01)
        assert governor.now_s == 3.75
    work.set()
    wait_for(lambda: len(slow.seen) > 10)
    governor.held = True
    assert all(now_s == wake_s for wake_s, now_s in fast.seen)
    assert all(wake_s <= now_s <= wake_s + 0.75 for wake_s, now_s in slow.seen)


def test_a_step_comes_before_the_sleepers_of_its_moment(start: Callable[..., Running]) -> None:
    running = start()
    governor = running.governor
    stepped: list[float] = []

    def step(now_s: float) -> float:
        stepped.append(now_s)
        return now_s + 0.25

    governor.add_step(0.25, step)
    missing: list[float] = []
    Participant(governor.path, "p", 0.25, lambda now_s: missing.append(now_s) if stepped[-1] != now_s else None)
    wait_for(lambda: governor.names == ["p"])
    governor.held = False
    wait_for(lambda: governor.now_s > 20)
    assert missing == []
    assert stepped[:4] == [0.25, 0.5, 0.75, 1.0]


def test_speed_is_an_upper_bound(start: Callable[..., Running]) -> None:
    governor = start(speed=50.0).governor
    Participant(governor.path, "p", 0.1)
    wait_for(lambda: governor.names == ["p"])
    governor.held = False
    begun_s, bench_s = time.monotonic(), governor.now_s
    wait_for(lambda: governor.now_s >= bench_s + 10)
    # 10 s of bench at 50 times take at least 0.2 s; a hundredth of a second of slack is allowed.
    assert time.monotonic() - begun_s > 0.18


def test_one_who_leaves_holds_nobody_up(start: Callable[..., Running]) -> None:
    governor = start().governor
    stay = Participant(governor.path, "stay", 0.1)
    go = Participant(governor.path, "go", 0.3)
    wait_for(lambda: len(governor.names) == 2)
    governor.held = False
    wait_for(lambda: governor.now_s > 3)
    go.leave()
    wait_for(lambda: governor.names == ["stay"])
    seen = len(stay.seen)
    wait_for(lambda: len(stay.seen) > seen + 10)


def test_nobody_awake_at_the_end_and_everybody_is_told(start: Callable[..., Running]) -> None:
    running = start()
    part = Participant(running.governor.path, "p", 0.1)
    wait_for(lambda: running.governor.names == ["p"])
    running.governor.held = False
    wait_for(lambda: running.governor.now_s > 1)
    running.stop()
    wait_for(lambda: part.gone)


CHILD = """
import sys
from pathlib import Path
from typing import Any
from lastbubble.clock import BenchClock, ClockGone
clock = BenchClock(Path(sys.argv[1]), "child")
wake_s = clock.now()
try:
    while True:
        wake_s += 0.1
        clock.sleep_until(wake_s)
except ClockGone:
    sys.exit(7)
"""


@pytest.fixture
def child() -> Iterator[Callable[[Path], subprocess.Popen[bytes]]]:
    made: list[subprocess.Popen[bytes]] = []

    def make(path: Path) -> subprocess.Popen[bytes]:
        daemon = Path(__file__).resolve().parents[2] / "daemon"
        made.append(subprocess.Popen([sys.executable, "-c", CHILD, str(path)], env={"PYTHONPATH": str(daemon)}))
        return made[-1]

    yield make
    for process in made:
        process.kill()
        process.wait()


def test_a_killed_process_leaves(
    start: Callable[..., Running], child: Callable[[Path], subprocess.Popen[bytes]]
) -> None:
    governor = start().governor
    process = child(governor.path)
    other = Participant(governor.path, "other", 0.1)
    wait_for(lambda: len(governor.names) == 2)
    governor.held = False
    wait_for(lambda: governor.now_s > 2)
    process.kill()
    wait_for(lambda: governor.names == ["other"])
    seen = len(other.seen)
    wait_for(lambda: len(other.seen) > seen + 10)


def test_a_stopped_process_is_passed_over_reported_and_taken_back(
    start: Callable[..., Running], child: Callable[[Path], subprocess.Popen[bytes]]
) -> None:
    running = start(grace_s=0.3)
    governor = running.governor
    process = child(governor.path)
    other = Participant(governor.path, "other", 0.1)
    wait_for(lambda: len(governor.names) == 2)
    governor.held = False
    os.kill(process.pid, signal.SIGSTOP)
    wait_for(lambda: governor.passed_over == ["child"])
    seen = len(other.seen)
    wait_for(lambda: len(other.seen) > seen + 10)
    assert any("child has been awake" in text for text in running.said)
    os.kill(process.pid, signal.SIGCONT)
    wait_for(lambda: governor.passed_over == [] and any("child takes part again" in text for text in running.said))


def test_the_governor_gone_ends_a_child(
    start: Callable[..., Running], child: Callable[[Path], subprocess.Popen[bytes]]
) -> None:
    running = start()
    process = child(running.governor.path)
    wait_for(lambda: running.governor.names == ["child"])
    running.governor.held = False
    wait_for(lambda: running.governor.now_s > 1)
    running.stop()
    assert process.wait(BOUND_S) == 7


@pytest.mark.parametrize("message", [b"X", b"S", b"S123", b"S" + struct.pack("<d", math.nan), b"S" + b"x" * 40])
def test_nonsense_is_dropped_and_holds_nobody_up(start: Callable[..., Running], message: bytes) -> None:
    running = start()
    governor = running.governor
    other = Participant(governor.path, "other", 0.1)
    link = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    link.connect(f"{governor.path}.sock")
    link.send(b"Jfool")
    wait_for(lambda: sorted(governor.names) == ["fool", "other"])
    governor.held = False
    link.send(message)
    wait_for(lambda: governor.names == ["other"])
    assert any(text.startswith("fool said") for text in running.said)
    link.close()
    seen = len(other.seen)
    wait_for(lambda: len(other.seen) > seen + 10)


def test_a_wake_in_the_past_returns_at_once_and_time_stays(start: Callable[..., Running]) -> None:
    running = start(start_s=100.0)
    governor = running.governor
    link = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    link.settimeout(BOUND_S)
    link.connect(f"{governor.path}.sock")
    governor.held = False
    link.send(b"S" + struct.pack("<d", 3.0))
    assert struct.unpack("<d", link.recv(64)) == (100.0,)
    assert governor.now_s == 100.0
    link.close()


def test_run_until_stops_there(tmp_path: Path) -> None:
    governor = Governor(tmp_path / "clock", 0.0)
    governor.add_step(0.4, lambda now_s: now_s + 0.4)
    governor.run(until_s=10.1)
    assert governor.now_s == 10.1
    assert governor.advances == 25
    governor.close()
