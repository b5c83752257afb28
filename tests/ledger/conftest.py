"""Batches and samples for the ledger's tests; the demo workshop's names are invented."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from lastbubble.ledger.store import Health, Ledger, LedgerSettings
from lastbubble.records import Event, Forecast, Record, Sample, Stage

UTC_0 = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
#: A machine that tests may run on can be nearly full; only tests about room look at it.
SMALL = LedgerSettings(low_room_b=0, least_room_b=0, ballast_b=0)


def sample(second: int, **more: object) -> Sample:
    return Sample(
        second + 0.125, chamber_pa=3000.1 - second / 7, oven_c=20.0 + second / 3, heat=second % 2 == 0, **more
    )  # type: ignore[arg-type]


def said(second: int) -> list[Record]:
    if second % 50 == 10:
        return [Stage(second + 0.125, "degassing", since=float(second))]
    if second % 50 == 20:
        return [Event(second + 0.125, "bubbles_stopped", since=second - 3.1, sure=0.9, basis="flow")]
    return [Forecast(second + 0.125, "cure_complete", 1.0, 2.0, 3.0)] if second % 50 == 30 else []


Opener = Callable[..., Ledger]


@pytest.fixture
def opener(tmp_path: Path) -> Iterator[Opener]:
    """Opens ledgers in the test's folder, and closes whatever is left open."""
    opened: list[Ledger] = []

    def open_ledger(
        name: str = "ledger.db", settings: LedgerSettings = SMALL, heard: list[Health] | None = None
    ) -> Ledger:
        ledger = Ledger.open(tmp_path / name, settings, None if heard is None else heard.append)
        opened.append(ledger)
        return ledger

    yield open_ledger
    for ledger in opened:
        ledger.close()
