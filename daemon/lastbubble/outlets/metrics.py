"""The station's numbers for a metrics collector, as OpenMetrics text at /metrics. Off unless it is set, loopback only
unless told otherwise; it takes nothing, and whoever reaches the port can read and no more.

Values are made at the moment of asking from what the station shows its page. What has no reading has no sample: a
number that is not known is never written. Base units and their names follow the OpenMetrics specification (celsius,
pascals, seconds).
"""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from prometheus_client import CollectorRegistry, start_http_server
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.registry import Collector

from lastbubble import __version__
from lastbubble.records import STAGES

if TYPE_CHECKING:
    from wsgiref.simple_server import WSGIServer

__all__ = ["MetricsServer", "MetricsSettings", "metrics"]

log = logging.getLogger("lastbubble.metrics")

#: A client that says nothing for that long is let go, in real time [s].
_CLIENT_S: Final = 10.0
_HEAT: Final = ("withheld", "permitted", "tripped")

#: Name after the prefix, unit, help, key of the snapshot.
_GAUGES: Final = (
    ("chamber_pressure", "pascals", "absolute pressure in the chamber", "chamber_pa"),
    ("gas_load", "", "gas load over the chamber's volume, pascal a second", "flow_pa_s"),
    ("oven_air", "celsius", "air in the oven", "oven_c"),
    ("oven_air_second", "celsius", "air in the oven, second probe", "oven2_c"),
    ("witness", "celsius", "inside the witness piece", "witness_c"),
    ("junction", "celsius", "cold junction of the oven's converter", "junction_c"),
    ("core", "celsius", "core of the slowest piece, median", "core_c"),
    ("core_low", "celsius", "core of the slowest piece, low end of an 80 % band", "core_low_c"),
    ("core_high", "celsius", "core of the slowest piece, high end of an 80 % band", "core_high_c"),
    ("held", "seconds", "time at cure temperature so far", "held_s"),
    ("hold", "seconds", "time at cure temperature wanted", "hold_s"),
    ("batch_time", "seconds", "time since the batch was opened", "time_s"),
    ("stage_since", "seconds", "when this stage began, in the batch's time", "stage_since_s"),
    ("lease_left", "seconds", "what is left of the heat's lease", "lease_left_s"),
    ("batch_number", "", "number of the open batch", "batch"),
)


@dataclass(frozen=True, slots=True)
class MetricsSettings:
    """host, port : where to listen; port 0 takes any"""

    host: str = "127.0.0.1"
    port: int = 9187


def _known(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def metrics(told: Mapping[str, Any]) -> Iterator[Metric]:
    """Every family that the snapshot has something for; `told` is `Station.snapshot`."""
    yield InfoMetricFamily(
        "lastbubble", "this program", value={"version": __version__, "station": str(told.get("station", ""))}
    )
    for name, unit, about, key in _GAUGES:
        value = _known(told.get(key))
        if value is not None:
            yield _gauge(name, about, unit, value)
    stage = told.get("stage")
    if stage in STAGES:
        yield StateSetMetricFamily("lastbubble_stage", "stage of the batch", {name: name == stage for name in STAGES})
    heat = told.get("heat_state")
    if heat in _HEAT:
        yield StateSetMetricFamily("lastbubble_heat", "state of the guard", {name: name == heat for name in _HEAT})
    if isinstance(told.get("relay_closed"), bool):
        yield _gauge("relay_closed", "1 while the oven's relay is closed", "", float(told["relay_closed"]))
    yield _gauge("alarms", "alarms that sound now", "", float(len(told.get("alarms", ()))))
    yield _gauge("cautions", "cautions that stand now", "", float(len(told.get("cautions", ()))))
    yield _gauge("faults", "sensors without a usable reading now", "", float(len(told.get("faults", ()))))
    yield _gauge(
        "ailing_outlets", "ledger, broker and phone: how many do not work now", "", float(len(told.get("health", ())))
    )
    for name, about in (("passes", "passes of the service"), ("late_passes", "passes that came late")):
        value = _known(told.get(name))
        if value is not None:
            yield CounterMetricFamily(f"lastbubble_{name}", about, value=value)
    yield from _times(told)


def _gauge(name: str, about: str, unit: str, value: float) -> GaugeMetricFamily:
    full = f"lastbubble_{name}_{unit}" if unit else f"lastbubble_{name}"
    return GaugeMetricFamily(full, about, value=value, unit=unit)


def _times(told: Mapping[str, Any]) -> Iterator[Metric]:
    forecast = GaugeMetricFamily(
        "lastbubble_forecast_seconds",
        "when it will happen, in the batch's time",
        labels=["event", "band"],
        unit="seconds",
    )
    for one in told.get("forecasts", ()):
        for band, key in (("early", "p10"), ("median", "p50"), ("late", "p90")):
            value = _known(one.get(key)) if isinstance(one, Mapping) else None
            if value is not None:
                forecast.add_metric([str(one.get("target", "")), band], value)
    happened = GaugeMetricFamily(
        "lastbubble_event_seconds", "when it happened, in the batch's time", labels=["event"], unit="seconds"
    )
    for name, at in dict(told.get("events", {})).items():
        value = _known(at)
        if value is not None:
            happened.add_metric([str(name)], value)
    yield from (one for one in (forecast, happened) if one.samples)


class _Snapshot(Collector):
    def __init__(self, snapshot: Callable[[], Mapping[str, Any]]) -> None:
        self._snapshot = snapshot

    def collect(self) -> Iterator[Metric]:
        return metrics(self._snapshot())


class MetricsServer:
    """`start()`, and `close()` at the end. `port` is the one that was taken.

    Raises OSError from `start` when host and port cannot be had.
    """

    def __init__(self, settings: MetricsSettings, snapshot: Callable[[], Mapping[str, Any]]) -> None:
        self._settings = settings
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(_Snapshot(snapshot))
        self._server: WSGIServer | None = None
        self._thread: threading.Thread | None = None

    @property
    def port(self) -> int:
        return self._settings.port if self._server is None else int(self._server.server_port)

    def start(self) -> None:
        self._server, self._thread = start_http_server(self._settings.port, self._settings.host, self._registry)
        self._server.RequestHandlerClass.timeout = _CLIENT_S  # type: ignore[attr-defined]  # of socketserver's handlers
        self._server.daemon_threads = True  # type: ignore[attr-defined]  # of the threading server that it is
        log.info("event=metrics_open host=%s port=%d", self._settings.host, self.port)

    def close(self) -> None:
        """Stop listening; closing twice is fine."""
        if self._server is not None and self._thread is not None:
            self._server.shutdown()
            self._thread.join(5)
            self._server.server_close()
        self._server = self._thread = None
