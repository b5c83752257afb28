"""One suite over every outlet that tells others: broker and phone, each with a real far side.

Whatever is out there: the batch is never held up, what happened is told in order once it can be, a restart neither
forgets nor doubles, a card that refuses does not silence it, what is wrong is told with its mend and without secrets,
and an outlet can always be closed.
"""

from __future__ import annotations

import json
import logging
import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from lastbubble.clock import RealClock
from lastbubble.context import Context
from lastbubble.ledger.store import Ledger
from lastbubble.outlets import mqtt as mqtt_module
from lastbubble.outlets import phone as phone_module
from lastbubble.outlets.mqtt import MqttOutlet, MqttSettings
from lastbubble.outlets.phone import Phone, PhoneSettings
from lastbubble.records import Event, Sample
from tests.ledger.conftest import SMALL
from tests.outlets.brokers import MOSQUITTO, Amqtt, Ear, Mosquitto, wait_for
from tests.outlets.test_sender import Hook

SECRET = "a-secret-word"
NAMES = ("bubbles_stopped", "soak_complete", "cure_temperature_reached", "cure_complete")


class Far(ABC):
    """An outlet and its far side."""

    outlet: MqttOutlet | Phone

    @abstractmethod
    def up(self) -> None: ...

    @abstractmethod
    def down(self) -> None: ...

    @abstractmethod
    def make(self, ledger: Ledger, on_health: Callable[[Any], None]) -> MqttOutlet | Phone: ...

    @abstractmethod
    def heard(self) -> list[str]:
        """The names of the events that arrived, in order."""

    @abstractmethod
    def close(self) -> None: ...


class FarBroker(Far):
    def __init__(self, server: Mosquitto | Amqtt, version: str) -> None:
        self.server = server
        self.version = version
        self.ear: Ear | None = None
        self.before: list[str] = []

    def up(self) -> None:
        self.server.start()
        self.ear = Ear(self.server.port)

    def down(self) -> None:
        if self.ear is not None:
            self.before = self.heard()
            self.ear.close()
            self.ear = None
        self.server.stop()

    def make(self, ledger: Ledger, on_health: Callable[[Any], None]) -> MqttOutlet:
        settings = MqttSettings(
            host="127.0.0.1", port=self.server.port, username="bench", password=SECRET, version=self.version
        )  # type: ignore[arg-type]  # the parameter is one of the two
        return MqttOutlet(settings, ledger, RealClock(), cut=lambda _: None, on_health=on_health)

    def heard(self) -> list[str]:
        new = []
        for topic, payload, retained in list(self.ear.messages) if self.ear is not None else []:
            if topic.endswith("/batch/record") and not retained:
                new.append(json.loads(payload)["record"]["name"])
        return self.before + new

    def close(self) -> None:
        self.down()


class FarPhone(Far):
    def __init__(self) -> None:
        self.hook = Hook(status=503)

    def up(self) -> None:
        self.hook.got.clear() if self.hook.status == 503 else None
        self.hook.status = 200

    def down(self) -> None:
        self.hook.status = 503

    def make(self, ledger: Ledger, on_health: Callable[[Any], None]) -> Phone:
        url = self.hook.url.replace("json://", f"json://bench:{SECRET}@")
        return Phone(PhoneSettings(urls=(url,), zone=UTC), ledger, RealClock(), on_health=on_health)

    def heard(self) -> list[str]:
        words = {
            "Bubbles have stopped": "bubbles_stopped",
            "The soak is over": "soak_complete",
            "The core is hot enough": "cure_temperature_reached",
            "The cure is complete": "cure_complete",
        }
        return [words[got["title"]] for got in list(self.hook.got) if self.hook.status == 200]

    def close(self) -> None:
        self.hook.close()


@pytest.fixture(params=["mosquitto", "amqtt", "phone"])
def far(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Far]:
    monkeypatch.setattr(mqtt_module, "_BACK_OFF_S", (0.05, 0.2))
    monkeypatch.setattr(mqtt_module, "_LOOP_S", 0.05)
    monkeypatch.setattr(phone_module, "_NOTICE_WAITS_S", (0.05, 0.1))
    if request.param == "mosquitto" and MOSQUITTO is None:
        pytest.skip("mosquitto is not installed (apt install mosquitto)")
    made: Far
    match request.param:
        case "mosquitto":
            made = FarBroker(Mosquitto(tmp_path / "broker"), "5")
        case "amqtt":
            made = FarBroker(Amqtt(), "3.1.1")
        case _:
            made = FarPhone()
    yield made
    made.close()


class Desk:
    """A ledger that is fed by hand."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.ledger = Ledger.open(path, SMALL)
        row = self.ledger.open_batch_row()
        self.batch = row.id if row else self.ledger.open_batch(Context(), opened_utc=datetime.now(UTC))
        self.time_s = row.last_time_s or 0.0 if row else 0.0

    def say(self, *names: str) -> None:
        for name in names:
            self.time_s += 1.0
            self.ledger.append(self.batch, Sample(self.time_s), [Event(self.time_s, name, since=self.time_s)])


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(tmp_path / "ledger.db")
    yield made
    made.ledger.close()


def test_what_happens_is_told_in_order(far: Far, desk: Desk) -> None:
    far.up()
    outlet = far.make(desk.ledger, lambda _: None)
    outlet.start()
    try:
        desk.say(*NAMES)
        wait_for(lambda: far.heard() == list(NAMES), "all told")
    finally:
        outlet.close()


def test_a_far_side_that_is_away_holds_up_nobody_and_is_told_later(
    far: Far, desk: Desk, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    healths: list[Any] = []
    outlet = far.make(desk.ledger, healths.append)
    outlet.start()
    try:
        desk.say(*NAMES[:3])
        wait_for(lambda: any(not health.well for health in healths), "the loss is told")
        ill = next(health for health in healths if not health.well)
        assert "goes on" in ill.text or "tried again" in ill.text
        far.up()
        wait_for(lambda: outlet.health.well, "well again")
        desk.say(NAMES[3])
        wait_for(lambda: far.heard()[-1:] == [NAMES[3]], "news")
        assert far.heard() == list(NAMES) or isinstance(far, FarBroker), "the phone tells all of it"
    finally:
        outlet.close()
    assert SECRET not in caplog.text
    assert not any(SECRET in health.text for health in healths)


def test_a_restart_neither_forgets_nor_doubles(far: Far, desk: Desk) -> None:
    far.up()
    outlet = far.make(desk.ledger, lambda _: None)
    outlet.start()
    desk.say(*NAMES[:2])
    wait_for(lambda: far.heard() == list(NAMES[:2]), "before")
    outlet.close()
    desk.say(NAMES[2])  # while nobody tells
    desk.ledger.close()
    again = Desk(desk.path)
    outlet = far.make(again.ledger, lambda _: None)
    outlet.start()
    try:
        again.say(NAMES[3])
        wait_for(lambda: len(far.heard()) >= 4, "after")
        assert far.heard() == list(NAMES)
    finally:
        outlet.close()
        again.ledger.close()


def test_a_card_that_refuses_does_not_silence_it(far: Far, desk: Desk) -> None:
    far.up()
    assert desk.ledger.flush()
    link = desk.ledger._writer._link
    assert link is not None
    link.execute("PRAGMA busy_timeout=10")
    holder = sqlite3.connect(desk.path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    outlet = far.make(desk.ledger, lambda _: None)
    outlet.start()
    try:
        desk.say(*NAMES)
        wait_for(lambda: far.heard() == list(NAMES), "told from memory", timeout_s=60)
        assert desk.ledger.health.cause == "busy"
    finally:
        holder.execute("ROLLBACK")
        holder.close()
        outlet.close()


def test_a_listener_that_fails_silences_nobody(far: Far, desk: Desk) -> None:
    def broken(_: Any) -> None:
        raise RuntimeError("listener")

    outlet = far.make(desk.ledger, broken)
    outlet.start()
    try:
        desk.say(NAMES[0])
        wait_for(lambda: not outlet.health.well, "the loss is noticed")
        far.up()
        wait_for(lambda: outlet.health.well, "back")
        desk.say(NAMES[1])
        wait_for(lambda: far.heard()[-1:] == [NAMES[1]], "told")
    finally:
        outlet.close()


def test_it_can_always_be_closed(far: Far, desk: Desk) -> None:
    never_started = far.make(desk.ledger, lambda _: None)
    never_started.close()
    never_started.close()
    away = far.make(desk.ledger, lambda _: None)
    away.start()
    desk.say(NAMES[0])
    away.close()
    away.close()
    assert not away._thread.is_alive()
