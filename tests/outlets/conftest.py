"""A ledger with a batch, and outlets that begin again quickly."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from lastbubble.clock import RealClock
from lastbubble.context import Context
from lastbubble.ledger.store import Ledger
from lastbubble.outlets import mqtt
from lastbubble.outlets.homie import HeatView
from lastbubble.outlets.mqtt import MqttHealth, MqttOutlet, MqttSettings
from lastbubble.records import Outlook
from tests.ledger.conftest import SMALL, UTC_0, said, sample

ROOT = "homie/5/bench-1/"


class Station:
    """A ledger that is fed by hand, and an outlet on it."""

    def __init__(self, path: Path) -> None:
        self.ledger = Ledger.open(path, SMALL)
        row = self.ledger.open_batch_row()
        self.batch = row.id if row else self.ledger.open_batch(Context(), opened_utc=UTC_0, name="maple blanks")
        self.second = 0
        self.cuts: list[str] = []
        self.healths: list[MqttHealth] = []
        self.heat = HeatView("permitted")
        self.outlet: MqttOutlet | None = None

    def feed(self, seconds: int, **outlook: Any) -> None:
        for _ in range(seconds):
            now_s = self.second + 0.125
            told = Outlook(time_s=now_s, **{"stage": "still", **outlook})
            self.ledger.append(self.batch, sample(self.second), said(self.second), told)
            self.second += 1

    def connect(self, port: int, **more: Any) -> MqttOutlet:
        settings = MqttSettings(**{"host": "127.0.0.1", "port": port, "station": "Bench 1", **more})
        self.outlet = MqttOutlet(
            settings,
            self.ledger,
            RealClock(),
            cut=self.cuts.append,
            heat=lambda: self.heat,
            on_health=self.healths.append,
        )
        self.outlet.start()
        return self.outlet

    def lines(self) -> list[str]:
        return [stored.line for stored in self.ledger.records(self.batch)]

    def causes(self) -> list[str]:
        return [health.cause for health in self.healths]

    def close(self) -> None:
        if self.outlet is not None:
            self.outlet.close()
        self.ledger.close()


Maker = Callable[..., Station]


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Maker]:
    made: list[Station] = []

    def one(name: str = "ledger.db") -> Station:
        made.append(Station(tmp_path / name))
        return made[-1]

    yield one
    for station in made:
        station.close()


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Outlets that come back at once."""
    monkeypatch.setattr(mqtt, "_BACK_OFF_S", (0.05, 0.2))
    monkeypatch.setattr(mqtt, "_LOOP_S", 0.05)
