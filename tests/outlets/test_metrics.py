"""The metrics endpoint: its text is OpenMetrics, what is unknown is absent, nothing can be changed from there."""

from __future__ import annotations

import http.client
import math
import socket
from collections.abc import Iterator
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from lastbubble.data import data_path
from lastbubble.outlets.metrics import MetricsServer, MetricsSettings
from lastbubble.records import STAGES
from lastbubble.settings import load_text

TOLD: dict[str, Any] = {
    "station": "shed-bench", "stage": "curing", "stage_since_s": 7200.0, "batch": 3, "time_s": 9000.5,
    "chamber_pa": None, "oven_c": 101.25, "oven2_c": math.nan, "core_c": 92.5, "core_low_c": 91.0, "core_high_c": 94.0,
    "held_s": 60.0, "hold_s": 1800.0, "heat_state": "permitted", "relay_closed": True, "lease_left_s": 55.0,
    "forecasts": [{"target": "cure_complete", "p10": 10000.0, "p50": 11000.0, "p90": math.inf}],
    "events": {"vented": 4000.0},
    "alarms": [], "cautions": [{}], "faults": {"oven2": "open"}, "health": ["broker: away"],
    "passes": 9000, "late_passes": 2,
}  # fmt: skip
OPEN = "application/openmetrics-text; version=1.0.0; charset=utf-8"


@pytest.fixture
def server() -> Iterator[MetricsServer]:
    made = MetricsServer(MetricsSettings(port=0), lambda: TOLD)
    made.start()
    yield made
    made.close()
    made.close()


def ask(server: MetricsServer, method: str = "GET", path: str = "/metrics") -> tuple[int, str, str]:
    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
    try:
        link.request(method, path, headers={"Accept": OPEN})
        answer = link.getresponse()
        return answer.status, answer.headers.get("Content-Type", ""), answer.read().decode()
    finally:
        link.close()


def samples(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (one.name, tuple(sorted(one.labels.items()))): one.value
        for family in text_string_to_metric_families(text)
        for one in family.samples
    }


def test_the_text_is_openmetrics_and_tells_the_snapshot(server: MetricsServer) -> None:
    status, kind, text = ask(server)
    assert status == 200
    assert kind.startswith("application/openmetrics-text")
    assert text.endswith("# EOF\n")
    found = samples(text)
    assert found["lastbubble_oven_air_celsius", ()] == 101.25
    assert found["lastbubble_core_low_celsius", ()] == 91.0
    assert found["lastbubble_passes_total", ()] == 9000
    assert found["lastbubble_event_seconds", (("event", "vented"),)] == 4000.0
    assert found["lastbubble_forecast_seconds", (("band", "median"), ("event", "cure_complete"))] == 11000.0
    states = {labels[0][1]: value for (name, labels), value in found.items() if name == "lastbubble_stage"}
    assert states == {name: float(name == "curing") for name in STAGES}


def test_what_is_not_known_is_absent(server: MetricsServer) -> None:
    names = {name for name, _ in samples(ask(server)[2])}
    assert "lastbubble_chamber_pressure_pascals" not in names
    assert "lastbubble_oven_air_second_celsius" not in names
    late = ("lastbubble_forecast_seconds", (("band", "late"), ("event", "cure_complete")))
    assert late not in samples(ask(server)[2])


def test_nothing_is_changed_from_there(server: MetricsServer) -> None:
    before = ask(server)[2]
    for method in ("POST", "PUT", "DELETE"):
        status, _, text = ask(server, method)
        assert status in (405, 501) or text == before
    with socket.create_connection(("127.0.0.1", server.port), 5) as rude:
        rude.sendall(b"\x00\xff junk\r\n\r\n")
        assert ask(server)[0] == 200, "others are served meanwhile"


def test_it_is_off_and_local_unless_told() -> None:
    text = data_path("config", "oven-only.yaml").read_text(encoding="utf-8")
    assert load_text(text, "s").settings.to_metrics() is None
    told = load_text(f"{text}\nmetrics: {{port: 9999}}\n", "s").settings.to_metrics()
    assert told == MetricsSettings(host="127.0.0.1", port=9999)


def test_a_port_in_use_is_told(server: MetricsServer) -> None:
    other = MetricsServer(MetricsSettings(port=server.port), lambda: TOLD)
    with pytest.raises(OSError, match="in use"):
        other.start()
