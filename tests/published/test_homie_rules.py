"""The station's device against the rules of the Homie convention, version 5.

Source: `shared/reference/homie5_rules.csv`: Homie convention, branch develop, commit 063301d (2024-10-17), CC BY 4.0.
Each test names the rule's area; `test_the_rules_are_those_that_are_checked` holds the list of areas against the file.
"""

from __future__ import annotations

import json
import math
import re
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.outlets.homie import (
    CUT,
    NODES,
    Device,
    HeatView,
    View,
    boolean_text,
    datetime_text,
    float_text,
    integer_text,
    string_bytes,
    values,
)
from lastbubble.records import EVENT_NAMES, STAGES, Forecast, Outlook, Sample
from tests.published.reference import rows

ID = re.compile(r"[a-z0-9-]+")
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
DEVICE = Device("bench-1", "Bench 1")
TOLD: dict[str, Any] = json.loads(DEVICE.description(4))
PROPERTIES = {
    f"{node}/{name}": told for node, row in TOLD["nodes"].items() for name, told in row.get("properties", {}).items()
}
#: The areas checked here, and those that only a connection can show (tests/outlets/test_mqtt.py).
HERE = {"topic", "root", "device", "description", "node", "property", "format", "payload", "unit", "forward"}
ON_THE_WIRE = {"state", "will", "mqtt", "alert", "property", "discovery"}
#: Not used by this device: it has no targets, logs, children or broadcasts, and is never removed by itself.
UNUSED = {"target", "log", "broadcast", "remove", "children"}


def test_the_rules_are_those_that_are_checked() -> None:
    assert {row["area"] for row in rows("homie5_rules")} == HERE | ON_THE_WIRE | UNUSED


def test_topic_root_and_device() -> None:
    assert DEVICE.root == "homie/5/bench-1"
    for below in (*PROPERTIES, f"{CUT}/set"):
        assert all(ID.fullmatch(level) for level in DEVICE.topic(below).split("/"))


def test_description() -> None:
    assert re.fullmatch(r"5\.\d+", TOLD["homie"])
    assert TOLD["version"] == 4
    assert set(TOLD) <= {"homie", "version", "name", "nodes", "type", "children", "extensions"}, (
        "no root: it is the root"
    )
    assert DEVICE.description(4) == DEVICE.description(4)
    assert json.loads(DEVICE.description(5))["version"] == 5


def test_nodes_and_properties() -> None:
    for id_, node in TOLD["nodes"].items():
        assert ID.fullmatch(id_)
        assert set(node) <= {"name", "type", "properties"}
    for topic, told in PROPERTIES.items():
        assert told["datatype"] in DATATYPES, topic
        assert set(told) <= {"name", "datatype", "format", "settable", "retained", "unit"}


def test_the_only_settable_property_makes_things_safer() -> None:
    assert [topic for topic, told in PROPERTIES.items() if told.get("settable")] == [CUT]
    assert [topic for topic, told in PROPERTIES.items() if told.get("retained") is False] == [CUT]


def test_formats() -> None:
    for topic, told in PROPERTIES.items():
        form = told.get("format", "")
        match told["datatype"]:
            case "enum":
                words = form.split(",")
                assert all(words), topic
                assert len(set(words)) == len(words)
                assert '"' not in form
            case "boolean":
                assert form == "" or len(form.split(",")) == 2
            case "json":
                assert json.loads(form)["type"] == "object"
            case "color":
                pytest.fail("no colours here")
            case _:
                assert form == ""


def test_units_are_the_conventions_where_it_has_one() -> None:
    known = {"°C", "°F", "%", "m", "V", "W", "A", "Hz", "Pa", "psi", "s", "min", "h", "K", "#"}
    others = {told["unit"] for told in PROPERTIES.values() if "unit" in told} - known
    assert others == {"Pa/s"}, "what the convention has no unit for (others are allowed)"


VALID = {
    "integer": lambda text, _: re.fullmatch(r"-?\d+", text) and -(2**63) <= int(text) < 2**63,
    "float": lambda text, _: re.fullmatch(r"-?\d+(\.\d+)?([eE]-?\d+)?", text) and math.isfinite(float(text)),
    "boolean": lambda text, _: text in ("true", "false"),
    "string": lambda text, _: not text.startswith("\ufeff") and text != "",
    "enum": lambda text, form: text in form.split(","),
    "datetime": lambda text, _: datetime.fromisoformat(text).tzinfo is not None,
}
number = st.none() | st.floats(allow_nan=True, allow_infinity=True)


@given(
    sample=st.builds(
        Sample,
        time_s=st.floats(0, 1e12),
        chamber_pa=number,
        oven_c=number,
        junction_c=number,
        witness_c=number,
        oven2_c=number,
        heat=st.none() | st.booleans(),
        isolated=st.none() | st.booleans(),
    ),
    outlook=st.none()
    | st.builds(
        Outlook,
        stage=st.sampled_from(STAGES),
        stage_since_s=st.floats(-1e12, 1e12),
        flow_pa_s=number,
        core_c=number,
        held_s=st.floats(0, 1e9),
        next_action=st.text(),
        next_at_s=number,
        forecasts=st.lists(
            st.builds(
                Forecast,
                t=st.just(0.0),
                target=st.sampled_from(EVENT_NAMES),
                p10=st.floats(),
                p50=st.floats(),
                p90=st.floats(),
            ),
            max_size=3,
        ).map(tuple),
    ),
    name=st.text(),
    heat=st.none() | st.builds(HeatView, st.sampled_from(("withheld", "permitted", "tripped", "?")), st.text()),
)
def test_every_payload_is_valid_for_its_datatype(
    sample: Sample, outlook: Outlook | None, name: str, heat: HeatView | None
) -> None:
    view = View(
        batch=1, name=name, began=datetime(2026, 3, 1, tzinfo=UTC), sample=sample, outlook=outlook, heat=heat,
        events={"vented": sample.time_s, "no_event": 1.0},
    )  # fmt: skip
    for topic, payload in values(view).items():
        if payload == b"":
            continue  # clears the topic: there is no value
        told = PROPERTIES[topic]
        assert VALID[told["datatype"]](payload.decode("utf-8"), told.get("format", "")), (topic, payload)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_payload_float(value: float) -> None:
    text = float_text(value)
    assert VALID["float"](text, "")
    assert float(text) == value


def test_payload_others() -> None:
    assert (boolean_text(True), boolean_text(False)) == ("true", "false")
    assert integer_text(-7) == "-7"
    assert datetime_text(datetime(2026, 11, 25, 14, 39, 32, tzinfo=UTC)) == "2026-11-25T14:39:32.000Z"
    assert string_bytes("") == b"\x00"


def test_ids_of_events_and_forecasts_are_complete() -> None:
    assert set(NODES["event"][1]) == {name.replace("_", "-") for name in EVENT_NAMES}
    assert len(NODES["forecast"][1]) == 3 * len(EVENT_NAMES)
