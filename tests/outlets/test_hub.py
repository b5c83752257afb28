"""The announcement for home hubs: it is made of the station's own topics, can only cut, and goes when switched off."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lastbubble.outlets.homie import CUT, NODES, Device
from lastbubble.outlets.hub import announcements
from tests.outlets.brokers import MOSQUITTO, Amqtt, Mosquitto, ear, wait_for
from tests.outlets.conftest import Maker

DEVICE = Device("bench-1", "Bench 1")
TOLD: dict[str, dict[str, Any]] = {
    topic: json.loads(payload) for topic, payload in announcements(DEVICE, "hub").items()
}
#: What the form knows; fields and classes as public libraries for it list them.
KINDS = {"sensor", "binary_sensor", "button"}
FIELDS = {
    "name", "unique_id", "object_id", "state_topic", "value_template", "unit_of_measurement", "state_class",
    "device_class", "options", "payload_on", "payload_off", "command_topic", "payload_press", "retain", "qos",
    "availability", "device", "origin", "enabled_by_default",
}  # fmt: skip
UNITS = {"temperature": {"°C"}, "pressure": {"Pa"}, "duration": {"s"}, "timestamp": {None}, "enum": {None}}


def test_every_topic_has_the_forms_levels_and_every_id_is_once() -> None:
    for topic in TOLD:
        prefix, kind, node, id_, last = topic.split("/")
        assert (prefix, node, last) == ("hub", "bench-1", "config")
        assert kind in KINDS
        assert re.fullmatch(r"[a-zA-Z0-9_-]+", id_)
    ids = [told["unique_id"] for told in TOLD.values()]
    assert len(set(ids)) == len(ids) == len(TOLD)


def test_fields_classes_and_units_belong_together() -> None:
    for topic, told in TOLD.items():
        assert set(told) <= FIELDS, topic
        if "device_class" in told:
            assert told.get("unit_of_measurement") in UNITS[told["device_class"]], topic
            assert told["device_class"] not in ("timestamp", "enum") or "state_class" not in told
        assert ("options" in told) == (told.get("device_class") == "enum")


def test_it_announces_every_value_of_the_convention_and_nothing_else() -> None:
    states = {told["state_topic"] for told in TOLD.values() if "state_topic" in told}
    shown = {f"{node}/{id_}" for node, (_, rows) in NODES.items() for id_ in rows} - {"batch/record", CUT}
    assert states == {DEVICE.topic(below) for below in shown}


def test_the_only_command_is_the_cut() -> None:
    commands = [(told["command_topic"], told["payload_press"]) for told in TOLD.values() if "command_topic" in told]
    assert commands == [(DEVICE.topic("oven/cut/set"), "cut")]
    button = next(told for told in TOLD.values() if "command_topic" in told)
    assert button["retain"] is False


def test_one_device_with_one_availability() -> None:
    assert {json.dumps(told["device"], sort_keys=True) for told in TOLD.values()} == {
        json.dumps(TOLD[next(iter(TOLD))]["device"], sort_keys=True)
    }
    assert all(told["availability"][0]["topic"] == DEVICE.topic("$state") for told in TOLD.values())


@pytest.fixture
def port(tmp_path: Path) -> Iterator[int]:
    server = Amqtt() if MOSQUITTO is None else Mosquitto(tmp_path / "broker")
    server.start()
    yield server.port
    server.stop()


@pytest.mark.usefixtures("quick")
def test_it_is_off_comes_retained_moves_and_goes_cleanly(port: int, make: Maker) -> None:
    station = make()
    station.feed(3)
    mine = set(announcements(DEVICE, "hub"))

    def once(prefix: str) -> set[str]:
        """The announcements that stand at the broker after the station was there with this prefix."""
        outlet = station.connect(port, version="3.1.1", hub_prefix=prefix)
        wait_for(lambda: outlet.health.well, "connected")
        outlet.close()
        with ear(port) as heard:
            heard.say("mark/end", b"here")
            wait_for(lambda: "mark/end" in heard.latest, "everything that is kept")
            return {topic for topic, payload, _ in heard.messages if topic.endswith("/config") and payload}

    assert once("") == set()
    assert once("hub") == mine
    assert once("hub") == mine
    assert once("other/hub") == {topic.replace("hub/", "other/hub/", 1) for topic in mine}
    assert once("") == set()
    assert station.ledger.fact("hub_topics") == ""
