"""The broker's outlet against two real brokers: all arrives, in order, through outages, and only a cut comes in."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from lastbubble.outlets import homie
from lastbubble.outlets.homie import HeatView
from lastbubble.records import Caution, record_from, record_line
from tests.outlets.brokers import MOSQUITTO, Amqtt, Ear, Mosquitto, ear, free_port, wait_for
from tests.outlets.conftest import ROOT, Maker, Station

pytestmark = pytest.mark.usefixtures("quick")


@dataclass
class Broker:
    server: Mosquitto | Amqtt
    version: str

    @property
    def port(self) -> int:
        return self.server.port


@pytest.fixture(params=["mosquitto, MQTT 5", "mosquitto, MQTT 3.1.1", "amqtt, MQTT 3.1.1"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Broker]:
    name, _, version = request.param.partition(", MQTT ")
    if name == "mosquitto" and MOSQUITTO is None:
        pytest.skip("mosquitto is not installed (apt install mosquitto)")
    made = Broker(Mosquitto(tmp_path / "broker") if name == "mosquitto" else Amqtt(), version)
    made.server.start()
    yield made
    made.server.stop()


def connect(station: Station, broker: Broker, **more: Any) -> None:
    station.connect(broker.port, version=broker.version, **more)


def heard_lines(heard: Ear) -> list[str]:
    """The stream as an independent subscriber has it: retained ones left out, the record re-made from its JSON."""
    out = []
    for topic, payload, retained in list(heard.messages):
        if topic == ROOT + "batch/record" and not retained:
            out.append(record_line(record_from(json.loads(payload)["record"])))
    return out


def test_it_introduces_itself_in_the_conventions_order(broker: Broker, make: Maker) -> None:
    station = make()
    station.feed(3)
    with ear(broker.port) as heard:
        connect(station, broker)
        wait_for(lambda: heard.latest.get(ROOT + "$state") == b"ready", "ready")
        topics = [topic.removeprefix(ROOT) for topic, _, _ in heard.messages]
        assert heard.of(ROOT + "$state") == [b"init", b"ready"]
        assert topics[:2] == ["$state", "$description"]
        ready = max(place for place, topic in enumerate(topics) if topic == "$state")
        assert topics.index("oven/air") < ready
        assert json.loads(heard.latest[ROOT + "$description"])["homie"] == "5.0"
        assert heard.latest[ROOT + "batch/name"] == b"maple blanks"
        assert heard.latest[ROOT + "oven/heat-state"] == b"permitted"
        station.close()
        wait_for(lambda: heard.latest[ROOT + "$state"] == b"disconnected", "leave")
    with ear(broker.port) as late:
        wait_for(lambda: ROOT + "oven/air" in late.latest, "retained values")
        assert all(retained for _, _, retained in late.messages)


def test_every_record_arrives_as_it_was_said(broker: Broker, make: Maker) -> None:
    station = make()
    station.feed(100)
    with ear(broker.port) as heard:
        connect(station, broker)
        station.feed(2000)
        wait_for(lambda: len(heard_lines(heard)) >= len(station.lines()), "all records")
        assert heard_lines(heard) == station.lines()
        payload = heard.latest[ROOT + "batch/record"].decode()
        assert payload.endswith(f'"record":{station.lines()[-1]}}}'), "byte for byte"


def test_a_broker_that_comes_and_goes_costs_nothing(broker: Broker, make: Maker) -> None:
    station = make()
    broker.server.stop()
    connect(station, broker)
    station.feed(200)
    wait_for(lambda: station.causes() == ["offline"], "offline is told")
    assert "the batch goes on" in station.healths[0].text
    for _ in range(2):
        broker.server.start()
        with ear(broker.port) as heard:
            wait_for(lambda: station.outlet is not None and station.outlet.health.well, "back")
            station.feed(300, core_c=float(station.second))
            wait_for(lambda: heard_lines(heard)[-1:] == station.lines()[-1:], "records")
            mine = heard_lines(heard)
            assert mine == station.lines()[-len(mine) :], "no hole, no change of order"
            wait_for(lambda heard=heard: heard.latest.get(ROOT + "$state") == b"ready", "ready again")  # type: ignore[misc]
            wait_for(lambda heard=heard: heard.latest.get(ROOT + "batch/stage") == b"still", "values again")  # type: ignore[misc]
        broker.server.stop()
        station.feed(100)
        wait_for(lambda: station.outlet is not None and not station.outlet.health.well, "gone")
    numbers = station.ledger.cursor("mqtt")
    assert 0 < numbers <= station.ledger.last_seq()


def test_a_restarted_service_goes_on_where_it_was(broker: Broker, make: Maker) -> None:
    with ear(broker.port) as heard:
        first = make()
        connect(first, broker)
        first.feed(500)
        wait_for(lambda: heard_lines(heard) == first.lines(), "before")
        first.close()
        second = make()
        second.second = 500
        second.feed(300)
        connect(second, broker)
        wait_for(lambda: len(heard_lines(heard)) >= len(second.lines()), "after")
        assert heard_lines(heard) == second.lines(), "each record once"


def test_only_a_cut_comes_in(broker: Broker, make: Maker) -> None:
    station = make()
    station.feed(3)
    with ear(broker.port) as heard:
        heard.say(ROOT + "oven/cut/set", b"cut", retain=True)
        connect(station, broker)
        wait_for(lambda: station.outlet is not None and station.outlet.health.well, "connected")
        for topic in (
            "oven/cut/set",
            "oven/cut",
            "oven/heat/set",
            "oven/heat-state/set",
            "batch/stage/set",
            "$state/set",
        ):
            for payload in (b"permit", b"1", b"true", b"CUT", b"cut ", b"", b"\xff\x00", b"x" * 70000):
                heard.say(ROOT + topic, payload)
        for topic in ("oven/cut", "oven/heat/set", "oven/air/set"):
            heard.say(ROOT + topic, b"cut")
        assert station.cuts == [], "retained, misspelt, elsewhere: nothing"
        heard.say(ROOT + "oven/cut/set", b"cut")
        wait_for(lambda: station.cuts == ["asked through the broker"], "cut")
        wait_for(lambda: (ROOT + "oven/cut", b"cut", False) in heard.messages[-3:], "answered")
        assert station.causes() == [""]


def test_a_cut_that_fails_is_no_end(broker: Broker, make: Maker, caplog: pytest.LogCaptureFixture) -> None:
    station = make()
    station.feed(3)
    connect(station, broker)
    assert station.outlet is not None

    def broken(reason: str) -> None:
        station.cuts.append(reason)
        raise RuntimeError("the guard is away")

    station.outlet._cut = broken
    with ear(broker.port) as heard:
        wait_for(lambda: station.outlet is not None and station.outlet.health.well, "connected")
        for _ in range(2):
            heard.say(ROOT + "oven/cut/set", b"cut")
        wait_for(lambda: len(station.cuts) == 2, "asked twice")
        station.feed(60)
        wait_for(lambda: heard_lines(heard)[-1:] == station.lines()[-1:], "still telling")
    assert caplog.text.count("event=mqtt_cut_failed") == 2
    assert station.causes() == [""]


def test_any_fault_inside_ends_in_a_new_connection(
    broker: Broker, make: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault in a callback kills the client library's own thread without a sign; here it costs a connection."""
    station = make()
    faults = iter([ValueError("first"), KeyError("second"), OSError("third")])
    real = homie.values

    def sometimes(view: Any) -> Any:
        for fault in faults:
            raise fault
        return real(view)

    monkeypatch.setattr(homie, "values", sometimes)
    station.feed(60)
    with ear(broker.port) as heard:
        connect(station, broker)
        wait_for(lambda: station.outlet is not None and station.outlet.health.well, "well in the end")
        wait_for(lambda: heard_lines(heard) == station.lines(), "all records")
    assert station.causes() == ["error", ""]


def test_values_come_at_most_every_five_seconds_of_bench_time(broker: Broker, make: Maker) -> None:
    station = make()
    with ear(broker.port) as heard:
        connect(station, broker)
        wait_for(lambda: station.outlet is not None and station.outlet.health.well, "connected")
        for _ in range(30):
            station.feed(1)
            seen = len(heard.messages)
            wait_for(lambda seen=seen: len(heard.messages) >= seen, "")  # type: ignore[misc]
        station.feed(1)
        wait_for(lambda: heard.latest.get(ROOT + "batch/stage") == b"still", "values")
        station.close()
        wait_for(lambda: heard.latest.get(ROOT + "$state") == b"disconnected", "left")
        assert len(heard.of(ROOT + "station/last-sample")) <= 31 / 5 + 4, (
            "one round in 5 s, one a record, one at the end"
        )
        assert heard.latest[ROOT + "station/last-sample"] == b"2026-03-01T08:00:30.125Z"


def test_a_reading_that_is_gone_is_cleared(broker: Broker, make: Maker) -> None:
    station = make()
    station.feed(1, core_c=55.0)
    with ear(broker.port) as heard:
        connect(station, broker)
        wait_for(lambda: heard.latest.get(ROOT + "core/median") == b"55.0", "told")
        station.feed(6, core_c=None)
        wait_for(lambda: heard.latest.get(ROOT + "core/median") == b"", "cleared")
    with ear(broker.port) as late:
        wait_for(lambda: ROOT + "oven/air" in late.latest, "retained values")
        assert ROOT + "core/median" not in late.latest


def test_alerts_stand_while_their_cause_does(broker: Broker, make: Maker) -> None:
    station = make()
    topic = ROOT + "$alert/vacuum-lost"
    with ear(broker.port) as heard:
        heard.say(ROOT + "$alert/of-an-earlier-life", b"old", retain=True)
        station.feed(1, cautions=(Caution(1.0, "vacuum_lost", "Look at the lid."),))
        connect(station, broker)
        wait_for(lambda: heard.latest.get(topic) == b"Look at the lid.", "raised")
        station.feed(6)
        wait_for(lambda: heard.latest.get(topic) == b"", "cleared")
        wait_for(lambda: heard.latest.get(ROOT + "$alert/of-an-earlier-life") == b"", "swept")
        station.heat = HeatView("tripped", "over_temperature")
        wait_for(
            lambda: b"over temperature" in heard.latest.get(ROOT + "$alert/trip", b""), "trip, without a new sample"
        )
        wait_for(lambda: heard.latest.get(ROOT + "oven/heat-state") == b"tripped", "heat state")


def test_the_description_grows_in_version_only_when_it_changes(
    broker: Broker, make: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    versions = []
    for change in (False, False, True, True):
        if change:
            monkeypatch.setitem(homie.NODES, "more", ("More", {}))  # type: ignore[arg-type]
        station = make()
        station.feed(0)
        with ear(broker.port) as heard:
            connect(station, broker)
            wait_for(lambda heard=heard: heard.latest.get(ROOT + "$state") == b"ready", "ready")  # type: ignore[misc]
            versions.append(json.loads(heard.latest[ROOT + "$description"])["version"])
        station.close()
    assert versions == [1, 1, 2, 2]


def test_a_station_that_is_new_to_the_broker_begins_with_the_open_batch(broker: Broker, make: Maker) -> None:
    station = make()
    station.feed(100)
    station.ledger.close_batch(station.batch, station.ledger.batch(station.batch).opened_utc)
    old = station.lines()
    station.batch = station.ledger.open_batch(
        homie_context(), opened_utc=station.ledger.batch(station.batch).opened_utc, name="second"
    )
    station.feed(100)
    with ear(broker.port) as heard:
        connect(station, broker)
        wait_for(lambda: heard_lines(heard) == station.lines(), "the open batch")
        assert old[0] not in heard_lines(heard)
        assert heard.latest[ROOT + "batch/name"] == b"second"


def test_a_batch_that_ends_before_the_broker_comes_is_told_whole(
    broker: Broker, make: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[int] = []
    real = homie.record_payload

    def noted(stored: Any) -> bytes:
        sent.append(stored.seq)
        return real(stored)

    monkeypatch.setattr(homie, "record_payload", noted)
    station = make()
    broker.server.stop()
    connect(station, broker)
    station.feed(100)
    station.ledger.close_batch(station.batch, station.ledger.batch(station.batch).opened_utc)
    station.batch = station.ledger.open_batch(homie_context(), opened_utc=station.ledger.batch(1).opened_utc)
    station.feed(100)
    broker.server.start()
    wait_for(lambda: station.ledger.cursor("mqtt") == station.ledger.last_seq(), "all acknowledged")
    assert list(dict.fromkeys(sent)) == list(range(1, station.ledger.last_seq() + 1))


def homie_context() -> Any:
    from lastbubble.context import Context

    return Context()


def test_a_port_where_nobody_listens_or_speaks_mqtt(make: Maker) -> None:
    station = make()
    station.connect(free_port())
    wait_for(lambda: station.causes() == ["offline"], "offline")
    assert "refused" in station.healths[0].text
