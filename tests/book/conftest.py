"""A ledger with an invented batch in it, for the book's tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from lastbubble.book.keeper import Keeper
from lastbubble.context import Context
from lastbubble.ledger.store import Ledger, LedgerSettings
from lastbubble.records import Caution, Event, Forecast, Outlook, Record, Sample, Stage

UTC_0 = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
SMALL = LedgerSettings(low_room_b=0, least_room_b=0, ballast_b=0, estimate_every_s=60.0)

#: Batch time of what is said, and what.
STORY: tuple[Record, ...] = (
    Stage(60.0, "pump_down", since=45.25),
    Stage(600.0, "degassing"),
    Forecast(1800.0, "bubbles_stopped", 6000.0, 8000.0, 11000.0),
    Caution(2400.0, "base_pressure_high", "The pump does not reach its base: look at the lid's seal."),
    Event(7500.0, "bubbles_stopped", since=7080.5, sure=0.93, basis="flow"),
    Stage(7500.0, "still", since=7080.5),
    Stage(8100.0, "venting"),
    Event(8400.0, "vented", since=8400.0),
    Stage(8400.0, "soaking"),
    Event(10200.0, "soak_complete", since=10200.0),
    Stage(11100.0, "heating", since=11040.0),
    Event(14700.0, "cure_temperature_reached", since=14400.0, sure=0.9, basis="witness"),
    Stage(14700.0, "curing", since=14400.0),
    Event(16500.0, "cure_complete", since=16200.0),
    Stage(16500.0, "cooling"),
)
MARKS = {60.0: "pump_on", 3000.0: "bubbling", 7200.0: "quiet", 8100.0: "vent_open", 10800.0: "drained",
         11040.0: "oven_loaded"}  # fmt: skip
PIECES = [
    {"label": "1", "material": "spalted maple", "shape": "slab", "thickness": "22 mm", "length": "120 mm",
     "width": "80 mm", "dry": "95.2 g", "wet": "215.1 g", "cured": "208.8 g"},
    {"label": "2", "material": "spalted maple", "shape": "slab", "thickness": "18 mm", "length": "120 mm",
     "width": "80 mm", "dry": "80.1 g", "wet": "171.9 g"},
]  # fmt: skip


def fill(ledger: Ledger, *, opened: datetime = UTC_0, name: str = "maple blanks", pieces: Any = PIECES,
         scale: float = 1.0, book: dict[str, Any] | None = None, close: bool = True) -> int:  # fmt: skip
    """One whole invented batch, its times stretched by `scale`, a sample a minute."""
    context = Context(
        material="spalted maple", piece_thickness_mm=22.0, piece_shape="slab", hold_min=30.0, soak_min=30.0
    )
    number = ledger.open_batch(context, opened_utc=opened, name=name, pieces=pieces, book=book or {}, notes="first try")
    said = sorted(STORY, key=lambda record: record.t)
    for minute in range(290):
        time_s = minute * 60.0
        stretched = time_s * scale
        records = [_stretch(record, scale) for record in said if time_s - 60 < record.t <= time_s]
        mark = MARKS.get(time_s)
        vacuum = 60 <= time_s < 8100
        sample = Sample(
            stretched,
            chamber_pa=max(60.0, 101325.0 * 0.5 ** (time_s / 120)) if vacuum else 101325.0,
            oven_c=min(98.5, 22.0 + (time_s - 11040) / 40) if time_s > 11040 else 22.0 + 1 / 3,
            junction_c=23.5,
            heat=time_s > 11040,
            marks=(mark,) if mark else (),
            faults=("witness:open",) if minute == 30 else (),
        )
        core = max(22.0, sample.oven_c - 15) if sample.oven_c is not None else None
        outlook = Outlook(
            stretched,
            flow_pa_s=0.01,
            core_c=core,
            core_low_c=core and core - 2,
            core_high_c=core and core + 2,
            held_s=max(0.0, min(1800.0, time_s - 14400)),
            dose_s=max(0.0, time_s - 14000) * 1.1,
        )
        ledger.append(number, sample, records, outlook, utc=opened + timedelta(seconds=stretched))
    if close:
        ledger.close_batch(number, opened + timedelta(seconds=290 * 60 * scale))
    assert ledger.flush()
    return number


def _stretch(record: Record, scale: float) -> Record:
    from dataclasses import replace

    changes = {
        name: getattr(record, name) * scale
        for name in ("t", "since", "p10", "p50", "p90")
        if getattr(record, name, None) is not None
    }
    return replace(record, **changes)


@pytest.fixture
def opener(tmp_path: Path) -> Iterator[Callable[..., Ledger]]:
    opened: list[Ledger] = []

    def open_ledger(name: str = "ledger.db") -> Ledger:
        opened.append(Ledger.open(tmp_path / name, SMALL))
        return opened[-1]

    yield open_ledger
    for ledger in opened:
        ledger.close()


@pytest.fixture
def ledger(opener: Callable[..., Ledger]) -> Ledger:
    return opener()


class Wall:
    """A wall clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = UTC_0 + timedelta(days=1)

    def utc(self) -> datetime:
        return self.now


@pytest.fixture
def wall() -> Wall:
    return Wall()


@pytest.fixture
def keeper(ledger: Ledger, wall: Wall) -> Keeper:
    def open_batch() -> int:
        return max(row.id for row in ledger.batches())

    return Keeper(ledger, wall.utc, open_batch, settings={"station": "shed-bench"})
