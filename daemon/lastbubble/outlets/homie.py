"""The station as a device of the Homie convention, version 5: topics, description and payloads. Pure; `mqtt` sends.

Rules: `shared/reference/homie5_rules.csv` (Homie convention 5.0, CC BY 4.0). Values are SI; the unit stands in the
description. Nothing here can ask for heat: the only settable property is `oven/cut`. A missing reading is never written
as a number: its topic is cleared, and an alert says why.

`batch/record` carries the record stream: `{"seq":12,"batch":3,"record":{...}}`, where `record` is the line of the
stream as it was said. It is retained, so a subscriber that comes later sees the last one (marked as retained), and
whoever is there receives every one, in order; `seq` tells repeats after an outage from news.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal

from lastbubble.ledger.rows import StoredRecord
from lastbubble.records import EVENT_NAMES, STAGES, Caution, Outlook, Sample

__all__ = [
    "CUT",
    "CUT_WORD",
    "EMPTY",
    "HEAT_STATES",
    "NODES",
    "Device",
    "HeatView",
    "Property",
    "View",
    "alerts",
    "boolean_text",
    "datetime_text",
    "float_text",
    "integer_text",
    "record_payload",
    "slug",
    "string_bytes",
    "values",
]

Datatype = Literal["integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"]

HEAT_STATES: Final = ("withheld", "permitted", "tripped")
#: The one command: topic below the device, and the one word it takes.
CUT: Final = "oven/cut"
CUT_WORD: Final = "cut"
#: An empty string is sent as one zero byte; no bytes at all delete a retained topic.
EMPTY: Final = b"\0"
_ID: Final = re.compile(r"[a-z0-9-]+", re.ASCII)


@dataclass(frozen=True, slots=True)
class Property:
    """One property of a node, as the convention describes it."""

    name: str
    datatype: Datatype
    unit: str = ""
    format: str = ""
    settable: bool = False
    retained: bool = True

    def description(self) -> dict[str, Any]:
        told: dict[str, Any] = {"name": self.name, "datatype": self.datatype}
        if self.format:
            told["format"] = self.format
        if self.unit:
            told["unit"] = self.unit
        if self.settable:
            told["settable"] = True
        if not self.retained:
            told["retained"] = False
        return told


def _forecasts() -> dict[str, Property]:
    out: dict[str, Property] = {}
    for target in EVENT_NAMES:
        words = target.replace("_", " ")
        for end, meaning in (
            ("early", "one in ten earlier"),
            ("median", "as likely as not"),
            ("late", "one in ten later"),
        ):
            out[f"{slug(target)}-{end}"] = Property(f"{words}: {meaning}", "datetime")
    return out


def slug(text: str) -> str:
    """An id of the convention made of any text: small letters, digits, hyphens; "" where nothing is left."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


_RECORD_SCHEMA: Final = json.dumps(
    {
        "type": "object",
        "required": ["seq", "batch", "record"],
        "properties": {"seq": {"type": "integer"}, "batch": {"type": "integer"}, "record": {"type": "object"}},
    },
    separators=(",", ":"),
)

#: Every node with its name and properties.
NODES: Final[Mapping[str, tuple[str, Mapping[str, Property]]]] = {
    "batch": (
        "Batch",
        {
            "number": Property("number of the batch", "integer"),
            "name": Property("name of the batch", "string"),
            "began": Property("began", "datetime"),
            "stage": Property("stage", "enum", format=",".join(STAGES)),
            "stage-since": Property("in this stage since", "datetime"),
            "next-action": Property("what the person does next", "string"),
            "next-at": Property("when", "datetime"),
            "record": Property("record stream", "json", format=_RECORD_SCHEMA),
        },
    ),
    "chamber": (
        "Chamber",
        {
            "pressure": Property("absolute pressure", "float", "Pa"),
            "flow": Property("gas load over volume", "float", "Pa/s"),
            "isolated": Property("shut off from the pump", "boolean"),
        },
    ),
    "oven": (
        "Oven",
        {
            "air": Property("air", "float", "°C"),
            "air-2": Property("air, second probe", "float", "°C"),
            "junction": Property("cold junction", "float", "°C"),
            "heat": Property("relay closed", "boolean", format="open,closed"),
            "heat-state": Property("heat", "enum", format=",".join(HEAT_STATES)),
            "trip": Property("cause of the trip", "string"),
            "cut": Property("cut the heat", "enum", format=CUT_WORD, settable=True, retained=False),
        },
    ),
    "core": (
        "Core of the slowest piece",
        {
            "median": Property("core, median", "float", "°C"),
            "low": Property("core, low end of an 80 % band", "float", "°C"),
            "high": Property("core, high end of an 80 % band", "float", "°C"),
            "witness": Property("inside the witness piece", "float", "°C"),
            "held": Property("time at cure temperature", "float", "s"),
            "hold": Property("time at cure temperature wanted", "float", "s"),
        },
    ),
    "event": ("When it happened", {slug(name): Property(name.replace("_", " "), "datetime") for name in EVENT_NAMES}),
    "forecast": ("When it will happen", _forecasts()),
    "station": (
        "Station",
        {
            "last-sample": Property("time of the last sample", "datetime"),
            "ledger": Property("state of the ledger", "string"),
        },
    ),
}


@dataclass(frozen=True, slots=True)
class Device:
    """One station.

    domain, device : one topic level each, of the convention's alphabet;  name : for people
    Raises ValueError for a level that the convention does not allow.
    """

    device: str
    name: str
    domain: str = "homie"

    def __post_init__(self) -> None:
        for level in (self.device, self.domain):
            if not _ID.fullmatch(level):
                raise ValueError(f"{level!r} is no id of the convention; small letters, digits and hyphens are allowed")

    @property
    def root(self) -> str:
        return f"{self.domain}/5/{self.device}"

    def topic(self, below: str) -> str:
        """Topic of an attribute, property or alert, as "$state" or "oven/air"."""
        return f"{self.root}/{below}"

    def description(self, version: int) -> str:
        """The description document; `version` must grow with every change of it."""
        nodes = {
            node: {"name": name, "properties": {id_: prop.description() for id_, prop in properties.items()}}
            for node, (name, properties) in NODES.items()
        }
        told = {"homie": "5.0", "version": version, "name": self.name, "nodes": nodes}
        return json.dumps(told, ensure_ascii=False, separators=(",", ":"))


# -- payloads -----------------------------------------------------------------------------------------------------


def float_text(value: float) -> str:
    """A float of the convention. Raises ValueError for what is none (NaN, infinity)."""
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be sent")
    return repr(float(value)).replace("e+", "e")


def integer_text(value: int) -> str:
    """An integer of the convention. Raises ValueError beyond 64 bits."""
    if not -(2**63) <= value < 2**63:
        raise ValueError(f"{value} has more than 64 bits")
    return str(int(value))


def boolean_text(value: bool) -> str:
    return "true" if value else "false"


def datetime_text(value: datetime) -> str:
    """ISO 8601, UTC, to the millisecond. Raises ValueError for a time without a zone."""
    if value.tzinfo is None:
        raise ValueError(f"{value} has no time zone")
    return value.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def string_bytes(value: str) -> bytes:
    """UTF-8 without a mark; the empty string as one zero byte."""
    return value.lstrip("\ufeff").replace("\0", "").encode("utf-8", "replace") or EMPTY


def record_payload(stored: StoredRecord) -> bytes:
    """The payload of `batch/record`; the record is the stream's line, byte for byte."""
    return f'{{"seq":{stored.seq},"batch":{stored.batch},"record":{stored.line}}}'.encode()


# -- values -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HeatView:
    """What the guard last told: `state` one of HEAT_STATES, `trip` its cause ("" = none)."""

    state: str
    trip: str = ""


@dataclass(frozen=True, slots=True)
class View:
    """Everything that values and alerts are made of.

    began : UTC of the batch's zero;  last_utc : of its last sample;  events : name -> batch time [s]
    """

    batch: int
    name: str
    began: datetime
    sample: Sample
    outlook: Outlook | None = None
    heat: HeatView | None = None
    events: Mapping[str, float] = field(default_factory=dict)
    ledger: str = ""
    alerts: Iterable[Caution] = ()


def values(view: View) -> dict[str, bytes]:
    """Payload of every property below the device; no bytes where there is nothing to say (that clears the topic)."""
    sample, outlook = view.sample, view.outlook
    out = {f"{node}/{name}": b"" for node, (_, properties) in NODES.items() for name in properties}
    del out["batch/record"], out[CUT]

    def put(topic: str, text: str | None) -> None:
        assert topic in out
        if text is not None:
            out[topic] = text.encode()

    def moment(time_s: float | None) -> str | None:
        if time_s is None or not abs(time_s) < 1e9:
            return None
        return datetime_text(view.began + timedelta(seconds=time_s))

    put("batch/number", integer_text(view.batch))
    out["batch/name"] = string_bytes(view.name)
    put("batch/began", datetime_text(view.began))
    put("chamber/pressure", _rounded(sample.chamber_pa, 3))
    put("chamber/isolated", None if sample.isolated is None else boolean_text(sample.isolated))
    put("oven/air", _rounded(sample.oven_c, 2))
    put("oven/air-2", _rounded(sample.oven2_c, 2))
    put("oven/junction", _rounded(sample.junction_c, 2))
    put("oven/heat", None if sample.heat is None else boolean_text(sample.heat))
    put("core/witness", _rounded(sample.witness_c, 2))
    put("station/last-sample", moment(sample.time_s))
    out["station/ledger"] = string_bytes(view.ledger)
    if view.heat is not None:
        put("oven/heat-state", view.heat.state if view.heat.state in HEAT_STATES else None)
        out["oven/trip"] = string_bytes(view.heat.trip)
    for name, time_s in view.events.items():
        if name in EVENT_NAMES:
            put(f"event/{slug(name)}", moment(time_s))
    if outlook is not None:
        put("batch/stage", outlook.stage)
        put("batch/stage-since", moment(outlook.stage_since_s))
        out["batch/next-action"] = string_bytes(outlook.next_action)
        put("batch/next-at", moment(outlook.next_at_s))
        put("chamber/flow", _rounded(outlook.flow_pa_s, 4))
        put("core/median", _rounded(outlook.core_c, 2))
        put("core/low", _rounded(outlook.core_low_c, 2))
        put("core/high", _rounded(outlook.core_high_c, 2))
        put("core/held", _rounded(outlook.held_s, 1))
        put("core/hold", _rounded(outlook.hold_s, 1))
        for forecast in outlook.forecasts:
            if forecast.target in EVENT_NAMES:
                base = f"forecast/{slug(forecast.target)}"
                put(f"{base}-early", moment(forecast.p10))
                put(f"{base}-median", moment(forecast.p50))
                put(f"{base}-late", moment(forecast.p90))
    return out


def _rounded(value: float | None, digits: int) -> str | None:
    return None if value is None or not math.isfinite(value) else float_text(round(value, digits))


def alerts(view: View) -> dict[str, str]:
    """Alert id -> what the person is told, for everything that stands now."""
    out = {slug(caution.cause): caution.text or caution.cause.replace("_", " ") for caution in view.alerts}
    if view.heat is not None and view.heat.state == "tripped":
        cause = view.heat.trip.replace("_", " ") or "cause not told"
        out["trip"] = f"The guard has cut the oven's heat ({cause}). It is reset at the bench only."
    if view.ledger:
        out["ledger"] = view.ledger
    return out
