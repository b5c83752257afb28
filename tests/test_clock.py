"""The only reader of time."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from lastbubble.clock import BENCH_CLOCK_VARIABLE, BenchClock, ClockGone, RealClock, clock_from_environment
from tools.plant.wire.governor import Governor


def test_the_real_clock_is_monotonic_and_its_wall_time_aware() -> None:
    clock = RealClock()
    before_s = time.monotonic()
    assert before_s <= clock.now() <= time.monotonic()
    assert abs(clock.utc() - datetime.now(UTC)) < timedelta(seconds=60)
    clock.sleep_until(clock.now() - 5)
    clock.sleep(-1)
    due_s = clock.now() + 0.01
    clock.sleep_until(due_s)
    assert clock.now() >= due_s


def test_the_environment_chooses(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv(BENCH_CLOCK_VARIABLE, raising=False)
    assert isinstance(clock_from_environment("x"), RealClock)
    governor = Governor(tmp_path / "clock", 1_700_000_000.0, start_s=12.5)
    monkeypatch.setenv(BENCH_CLOCK_VARIABLE, str(governor.path))
    clock = clock_from_environment("x")
    assert isinstance(clock, BenchClock)
    assert clock.now() == 12.5
    assert clock.utc() == datetime.fromtimestamp(1_700_000_012.5, UTC)
    governor.close()


def test_a_file_of_something_else_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "clock"
    path.write_bytes(b"something else, and long enough for a clock")
    with pytest.raises(ValueError, match="not a bench clock"):
        BenchClock(path, "x")


def test_no_governor_is_said_so(tmp_path: Path) -> None:
    governor = Governor(tmp_path / "clock", 0.0)
    clock = BenchClock(governor.path, "x")
    governor.close()
    clock.sleep_until(-1.0)  # nothing to wait for
    with pytest.raises(ClockGone, match="governor"):
        clock.sleep(1.0)


def test_each_thread_takes_part_by_itself_and_may_leave(tmp_path: Path) -> None:
    governor = Governor(tmp_path / "clock", 0.0)
    clock = BenchClock(governor.path, "p")
    woken: list[float] = []

    def sleep_twice(period_s: float) -> None:
        clock.sleep(period_s)
        woken.append(clock.now())
        clock.sleep(period_s)
        woken.append(clock.now())
        clock.leave()
        clock.leave()

    threads = [threading.Thread(target=sleep_twice, args=(period_s,)) for period_s in (1.0, 1.5)]
    governor.held = True
    runner = threading.Thread(target=governor.run)
    runner.start()
    for thread in threads:
        thread.start()
    end_s = time.monotonic() + 20
    while governor.names != ["p", "p"] and time.monotonic() < end_s:
        time.sleep(0.002)
    governor.held = False
    for thread in threads:
        thread.join(20)
    assert woken == [1.0, 1.5, 2.0, 3.0]
    governor.stop()
    runner.join(20)
    governor.close()
