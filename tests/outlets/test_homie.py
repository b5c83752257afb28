"""The station's topics and payloads; the convention's own rules are in tests/published/test_homie_rules.py."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta, timezone

import pytest

from lastbubble.ledger.rows import StoredRecord
from lastbubble.outlets.homie import (
    CUT,
    NODES,
    Device,
    HeatView,
    View,
    alerts,
    datetime_text,
    float_text,
    integer_text,
    record_payload,
    slug,
    string_bytes,
    values,
)
from lastbubble.records import Caution, Event, Forecast, Outlook, Sample, record_from, record_line

BEGAN = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)


def view(**more: object) -> View:
    told: dict[str, object] = {"batch": 3, "name": "maple", "began": BEGAN, "sample": Sample(60.0), **more}
    return View(**told)  # type: ignore[arg-type]


def test_every_property_is_told_or_cleared() -> None:
    told = values(view())
    described = {f"{node}/{name}" for node, (_, properties) in NODES.items() for name in properties}
    assert set(told) == described - {"batch/record", CUT}
    said = {topic: payload for topic, payload in told.items() if payload}
    assert said == {
        "batch/number": b"3",
        "batch/name": b"maple",
        "batch/began": b"2026-03-01T08:00:00.000Z",
        "station/last-sample": b"2026-03-01T08:01:00.000Z",
        "station/ledger": b"\0",
    }


def test_a_whole_view_is_told() -> None:
    told = values(
        view(
            sample=Sample(90.5, 2345.67891, 99.999, 25.0625, 60.126, 98.004, heat=True, isolated=False),
            outlook=Outlook(
                time_s=90.5,
                stage="pump_down",
                stage_since_s=30.0,
                flow_pa_s=1.23456,
                core_c=55.555,
                core_low_c=50.0,
                core_high_c=61.0,
                held_s=12.34,
                hold_s=1800.0,
                forecasts=(Forecast(90.5, "bubbles_stopped", 3600.0, 7200.0, 10800.0),),
                next_action="Rock the chamber.",
                next_at_s=7200.0,
            ),
            heat=HeatView("tripped", "over_temperature"),
            events={"vented": 10.0},
            ledger="the card is full",
        )
    )
    expected = {
        "chamber/pressure": b"2345.679",
        "chamber/flow": b"1.2346",
        "chamber/isolated": b"false",
        "oven/air": b"100.0",
        "oven/air-2": b"98.0",
        "oven/junction": b"25.06",
        "oven/heat": b"true",
        "oven/heat-state": b"tripped",
        "oven/trip": b"over_temperature",
        "core/median": b"55.55",
        "core/witness": b"60.13",
        "core/held": b"12.3",
        "batch/stage": b"pump_down",
        "batch/stage-since": b"2026-03-01T08:00:30.000Z",
        "batch/next-action": b"Rock the chamber.",
        "batch/next-at": b"2026-03-01T10:00:00.000Z",
        "forecast/bubbles-stopped-early": b"2026-03-01T09:00:00.000Z",
        "forecast/bubbles-stopped-median": b"2026-03-01T10:00:00.000Z",
        "forecast/bubbles-stopped-late": b"2026-03-01T11:00:00.000Z",
        "event/vented": b"2026-03-01T08:00:10.000Z",
        "station/ledger": b"the card is full",
    }
    assert {topic: told[topic] for topic in expected} == expected


def test_alerts_are_what_stands() -> None:
    caution = Caution(1.0, "sensor_oven_open", "The oven sensor: no contact.")
    assert alerts(view()) == {}
    assert alerts(
        view(alerts=(caution, Caution(2.0, "vacuum_lost")), heat=HeatView("tripped", "stale"), ledger="full")
    ) == {
        "sensor-oven-open": "The oven sensor: no contact.",
        "vacuum-lost": "vacuum lost",
        "trip": "The guard has cut the oven's heat (stale). It is reset at the bench only.",
        "ledger": "full",
    }
    assert "trip" not in alerts(view(heat=HeatView("permitted", "")))


def test_a_record_travels_as_its_own_line() -> None:
    line = record_line(Event(12.125, "vented", since=10.1, sure=0.1 + 0.2, basis="größer"))
    payload = record_payload(StoredRecord(7, 3, line)).decode()
    assert f'"record":{line}}}' in payload
    told = json.loads(payload)
    assert (told["seq"], told["batch"]) == (7, 3)
    assert record_line(record_from(told["record"])) == line


@pytest.mark.parametrize(
    ("text", "made"),
    [("Bench 1", "bench-1"), ("chalk & maple!", "chalk-maple"), ("ÄÖ", ""), ("--a__b--", "a-b"), ("a-b", "a-b")],
)
def test_an_id_is_made_of_any_name(text: str, made: str) -> None:
    assert slug(text) == made


@pytest.mark.parametrize("level", ["", "Bench", "a/b", "a b", "a_b", "+", "#", "$a", "ä"])
def test_a_level_that_is_none_is_refused(level: str) -> None:
    with pytest.raises(ValueError, match="no id of the convention"):
        Device(level, "x")
    with pytest.raises(ValueError, match="no id of the convention"):
        Device("x", "x", level)


@pytest.mark.parametrize(
    ("value", "text"), [(1.0, "1.0"), (1e22, "1e22"), (1e-7, "1e-07"), (-0.25, "-0.25"), (3, "3.0")]
)
def test_floats(value: float, text: str) -> None:
    assert float_text(value) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_never_sent(value: float) -> None:
    with pytest.raises(ValueError, match="cannot be sent"):
        float_text(value)
    told = values(view(sample=Sample(1.0, chamber_pa=value), outlook=Outlook(core_c=value, next_at_s=value)))
    assert told["chamber/pressure"] == told["core/median"] == told["batch/next-at"] == b""


def test_integers_have_64_bits() -> None:
    assert integer_text(-(2**63)) == "-9223372036854775808"
    with pytest.raises(ValueError, match="64 bits"):
        integer_text(2**63)


def test_times_are_in_utc_whatever_their_zone() -> None:
    assert datetime_text(datetime(2026, 3, 1, 1, tzinfo=timezone(timedelta(hours=-7)))) == "2026-03-01T08:00:00.000Z"
    with pytest.raises(ValueError, match="no time zone"):
        datetime_text(datetime(2026, 3, 1))


def test_strings_have_no_mark_and_are_never_empty() -> None:
    assert string_bytes("") == b"\0"
    assert string_bytes("\ufeffä\0") == "ä".encode()
    assert string_bytes("\ud800") == b"?"
