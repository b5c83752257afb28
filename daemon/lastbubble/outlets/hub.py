"""The announcement that many home hubs read: one retained message a property, below the prefix that the hub watches.

It announces the station's topics as they are (`homie`), so nothing is told twice; what a hub shows comes from the same
values. Off unless a prefix is set. What was announced once is remembered by the outlet and cleared when it is switched
off or the prefix changes. Fields as public libraries for this form describe them (sensor, binary_sensor, button).

The hub gets no more than the convention gives: the one command is `oven/cut`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any, Final

from lastbubble import __version__
from lastbubble.outlets.homie import CUT, CUT_WORD, NODES, Device, Property

__all__ = ["announcements"]

#: Classes by unit; a unit without one is shown as it is.
_CLASSES: Final[Mapping[str, str]] = {"°C": "temperature", "Pa": "pressure", "s": "duration"}
#: Topics that are no values: a stream, and the command.
_NOT_SHOWN: Final = frozenset({"batch/record", CUT})
#: A cleared topic is "no reading": the hub's word for unknown is None. An empty text is one zero byte.
_NUMBER: Final = "{{ value if value else 'None' }}"
_TEXT: Final = "{{ value | replace('\\x00', '') }}"
#: What few people want among their first rooms; there, and off until asked for.
_DETAIL: Final = re.compile(r"forecast/.*-(early|late)|core/(low|high|hold)|oven/junction|batch/number|station/.*")


def announcements(device: Device, prefix: str) -> dict[str, bytes]:
    """Topic -> payload of every announcement; all of them are retained.

    prefix : topic levels without a slash at either end
    """
    out: dict[str, bytes] = {}
    for node, (name, properties) in NODES.items():
        for id_, told in properties.items():
            below = f"{node}/{id_}"
            if below in _NOT_SHOWN:
                continue
            kind, fields = _entity(device.topic(below), told)
            out[_topic(prefix, kind, device, below)] = _payload(device, below, f"{name}: {told.name}", fields)
    button = {"command_topic": device.topic(f"{CUT}/set"), "payload_press": CUT_WORD, "retain": False, "qos": 1}
    out[_topic(prefix, "button", device, CUT)] = _payload(device, CUT, "Oven: cut the heat", button)
    return out


def _topic(prefix: str, kind: str, device: Device, below: str) -> str:
    return f"{prefix}/{kind}/{device.device}/{below.replace('/', '-')}/config"


def _payload(device: Device, below: str, name: str, fields: Mapping[str, Any]) -> bytes:
    id_ = f"lastbubble-{device.device}-{below.replace('/', '-')}"
    told: dict[str, Any] = {
        "name": name,
        "unique_id": id_,
        "object_id": id_.replace("-", "_"),
        **fields,
        "availability": [
            {
                "topic": device.topic("$state"),
                "value_template": "{{ 'online' if value == 'ready' else 'offline' }}",
            }
        ],
        "device": {"identifiers": [f"lastbubble-{device.device}"], "name": device.name, "sw_version": __version__},
        "origin": {"name": "lastbubble", "sw_version": __version__},
    }
    if _DETAIL.fullmatch(below):
        told["enabled_by_default"] = False
    return json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode()


def _entity(topic: str, told: Property) -> tuple[str, dict[str, Any]]:
    """Its kind, and the fields that say how the topic is read."""
    fields: dict[str, Any] = {"state_topic": topic}
    match told.datatype:
        case "boolean":
            fields |= {"payload_on": "true", "payload_off": "false", "value_template": _NUMBER}
            return "binary_sensor", fields
        case "float" | "integer":
            fields["value_template"] = _NUMBER
            if told.unit:
                fields["unit_of_measurement"] = told.unit
            if told.datatype == "float":
                fields["state_class"] = "measurement"
            if told.unit in _CLASSES:
                fields["device_class"] = _CLASSES[told.unit]
        case "datetime":
            fields |= {"value_template": _NUMBER, "device_class": "timestamp"}
        case "enum":
            fields |= {"value_template": _NUMBER, "device_class": "enum", "options": told.format.split(",")}
        case _:
            fields["value_template"] = _TEXT
    return "sensor", fields
