"""The service: one sample a pass, the lease only for a fresh one, and a restart that is a replay."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from lastbubble.context import Context, context_from_header
from lastbubble.errors import BadInput
from lastbubble.guard.protocol import GuardStatus, ProbeStatus, TripStatus
from lastbubble.ledger.store import Ledger
from lastbubble.pipeline.isolation_schedule import ScheduleSettings
from lastbubble.records import Event, Quality, Reading, record_line
from lastbubble.replay import replay
from lastbubble.sensing.isolation_valve import IsolationValve
from lastbubble.service import HELD_S, Service, ServiceSettings
from lastbubble.valve_keeper import ValveKeeper


class HandClock:
    """Bench time that the test moves."""

    def __init__(self) -> None:
        self.time_s = 1000.0

    def now(self) -> float:
        return self.time_s

    def utc(self) -> datetime:
        return datetime(2026, 3, 1, 12, tzinfo=UTC) + timedelta(seconds=self.time_s)

    def sleep_until(self, wake_s: float) -> None:
        self.time_s = max(self.time_s, wake_s)

    def sleep(self, duration_s: float) -> None:
        self.time_s += duration_s


class Guard:
    """What the guard would tell; counts what it is asked."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.oven_c: float | None = 21.0
        self.state: Any = "permitted"
        self.trip: TripStatus | None = None
        self.alive = True
        self.renewed = 0
        self.cuts: list[str] = []

    def poll(self) -> GuardStatus | None:
        if not self.alive:
            return None
        now_s = self.clock.now()
        quality, cause = ("good", "") if self.oven_c is not None else ("bad", "open")
        probe = ProbeStatus("oven", now_s, self.oven_c, 24.0 if self.oven_c is not None else None, quality, cause)
        return GuardStatus(now_s, self.state, self.state == "permitted", trip=self.trip, probes=(probe,))

    def renew_lease(self) -> None:
        self.renewed += 1

    def cut(self, reason: str) -> None:
        self.cuts.append(reason)
        self.state = "withheld"

    def close(self) -> None:
        """Nothing to let go."""


class Gauge:
    def __init__(self) -> None:
        self.pressure_pa: float | None = 99_000.0

    def read(self, now_s: float) -> Reading | None:
        if self.pressure_pa is None:
            return Reading(None, now_s, Quality.BAD, "chamber", "silent", "it says nothing")
        return Reading(self.pressure_pa, now_s, Quality.GOOD, "chamber")

    def close(self) -> None:
        """Nothing to let go."""


class Bench:
    def __init__(self, path: Path) -> None:
        self.path = path
        self.clock = HandClock()
        self.guard = Guard(self.clock)
        self.gauge = Gauge()
        self.ledger = Ledger.open(path)
        self.service = self.fresh()

    def fresh(self, base: Context | None = None, valve: ValveKeeper | None = None) -> Service:
        service = Service(
            ServiceSettings(),
            base or Context(station="bench"),
            self.clock,
            self.ledger,
            self.gauge,
            self.guard,
            valve=valve,
        )
        service.start()
        return service

    def passes(self, count: int) -> list[Any]:
        said: list[Any] = []
        for _ in range(count):
            self.clock.sleep(1.0)
            said += self.service.one_pass()
        return said


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "ledger.db")
    yield made
    made.ledger.close()


def test_a_valve_isolates_now_and_then_and_the_log_tells_it(bench: Bench) -> None:
    """Opened by the mark alone; the column of each sample says what the pin did; the next service goes on with it."""
    factory = MockFactory()
    pin = factory.pin(6)
    bench.service = bench.fresh(valve=ValveKeeper(ScheduleSettings(), IsolationValve(6, factory)))
    bench.passes(5)
    assert not pin.state
    bench.service.mark("pump_on")
    bench.passes(1)
    assert pin.state
    for t in range(1500):
        bench.gauge.pressure_pa = 99_000.0 * math.exp(-t / 15.0) + 30.0 + 30.0 / math.sqrt(1 + t / 60.0)
        bench.passes(1)
    batch = bench.service.batch_id
    column = [sample.isolated for sample in bench.ledger.samples(batch)]
    assert set(column[:5]) == {None}
    assert column[5] is False
    shut = [i for i, one in enumerate(column) if one]
    assert shut
    assert shut == list(range(shut[0], shut[0] + len(shut)))
    assert len(shut) in (120, 240)
    again = MockFactory()
    bench.service = bench.fresh(valve=ValveKeeper(ScheduleSettings(), IsolationValve(6, again)))
    bench.passes(1)
    assert again.pin(6).state
    bench.service.mark("pump_off")
    bench.passes(1)
    assert not again.pin(6).state


def test_the_lease_is_renewed_only_with_a_fresh_reading_of_the_oven(bench: Bench) -> None:
    bench.passes(5)
    assert bench.guard.renewed == 5
    bench.guard.oven_c = None
    bench.passes(5)
    assert bench.guard.renewed == 5
    bench.guard.oven_c = 21.0
    bench.guard.alive = False
    bench.passes(5)
    assert bench.guard.renewed <= 6
    bench.guard.alive, bench.guard.state = True, "withheld"
    bench.passes(2)
    assert bench.guard.renewed <= 6


def test_what_does_not_read_is_named_in_the_sample(bench: Bench) -> None:
    bench.guard.oven_c = None
    bench.gauge.pressure_pa = None
    bench.passes(1)
    sample = list(bench.ledger.samples(bench.service.batch_id))[-1]
    assert sample.faults == ("chamber:silent", "oven:open")
    assert (sample.oven_c, sample.chamber_pa, sample.junction_c) == (None, None, None)
    assert bench.service.snapshot()["faults"] == {"chamber": "silent", "oven": "open"}


def run_an_oven(bench: Bench, seconds: int) -> list[Any]:
    said: list[Any] = []
    for i in range(seconds):
        bench.gauge.pressure_pa = None
        warm = 21.0 + 99.0 * -math.expm1(-i / 600)
        bench.guard.oven_c = round(warm + (i % 7) * 0.05, 3) if bench.guard.state == "permitted" else 60.0
        said += bench.passes(1)
    return said


def test_the_heat_is_taken_away_when_the_cure_is_complete_and_the_log_tells_it_again(bench: Bench) -> None:
    bench.service.mark("oven_loaded")
    said = run_an_oven(bench, 12_000)
    complete = [record for record in said if isinstance(record, Event) and record.name == "cure_complete"]
    assert len(complete) == 1
    assert bench.guard.cuts == ["the cure is complete"]
    row = bench.ledger.batch(bench.service.batch_id)
    again = list(replay(context_from_header(row.header), bench.ledger.samples(row.id)))
    assert [record_line(record) for record in again] == [record_line(record) for record in said]


def test_a_restart_goes_on_where_it_was(bench: Bench) -> None:
    bench.service.mark("pump_on")
    before = run_an_oven(bench, 300)
    number = bench.service.batch_id
    bench.service = bench.fresh(Context(station="other", hold_min=5.0))
    after = run_an_oven(bench, 50)
    assert bench.service.batch_id == number
    stored = [row.line for row in bench.ledger.records(number)]
    assert stored == [record_line(record) for record in (*before, *after)]
    times = [sample.time_s for sample in bench.ledger.samples(number)]
    assert times == sorted(set(times))
    assert len(times) == 350


def test_a_standing_trip_is_told_once_also_over_a_restart(bench: Bench) -> None:
    bench.guard.trip = TripStatus("over_temperature", 5.0, "2026-03-01T12:00:00Z")
    assert [record.kind for record in bench.passes(3)].count("trip") == 1
    assert bench.ledger.flush()
    bench.service = bench.fresh()
    assert [record.kind for record in bench.passes(3)].count("trip") == 0


def test_a_held_mark_can_be_taken_back_and_is_then_no_part_of_the_log(bench: Bench) -> None:
    bench.service.mark("vented", held=True)
    assert "vented" in bench.service.snapshot()["held_mark"]
    bench.service.undo_mark()
    bench.service.mark("rocked", held=True)
    bench.passes(int(HELD_S) + 2)
    marks = [mark for sample in bench.ledger.samples(bench.service.batch_id) for mark in sample.marks]
    assert marks == ["rocked"]
    with pytest.raises(BadInput, match="nothing can be taken back"):
        bench.service.undo_mark()


def test_without_a_guard_a_cut_says_what_to_do(tmp_path: Path) -> None:
    ledger = Ledger.open(tmp_path / "other.db")
    service = Service(ServiceSettings(), Context(), HandClock(), ledger, None, None)
    service.start()
    with pytest.raises(BadInput, match="plug"):
        service.cut("now")
    ledger.close()
