"""The settings of a simulated bench, as the YAML file that the real processes read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import yaml

__all__ = ["BenchWiring", "write_settings"]

RELAY_PIN: Final = 17
SELECT_PINS: Final = {"oven": 5, "witness": 6, "oven2": 13}


@dataclass(frozen=True, slots=True)
class BenchWiring:
    """What hangs on the bench.

    gauge : "serial", "asked" (serial with a query), "modbus" or "" for none;  probes : names, `oven` first
    phone : addresses of the notification library;  broker : host and port, or None;  page : port, or None
    limit_c : the guard's
    """

    gauge: str = "serial"
    probes: tuple[str, ...] = ("oven", "witness")
    phone: tuple[str, ...] = ()
    broker: tuple[str, int] | None = None
    mqtt_version: str = "3.1.1"
    page: int | None = None
    limit_c: float = 125.0
    extra: Mapping[str, Any] = field(default_factory=dict)


def _gauge(kind: str, port: Path) -> dict[str, Any]:
    if kind == "modbus":
        return {
            "kind": "modbus", "port": str(port), "device": 12, "function": 4, "address": 2, "type": "f32",
            "unit": "Pa", "reads": "absolute",
        }  # fmt: skip
    gauge = {
        "kind": "serial",
        "port": str(port),
        "baud": 9600,
        "reads": "absolute",
        "unit": "mbar",
        "pattern": r"P=\s*(?P<value>[-+]?\d+\.\d+) (?P<unit>mbar)",
    }
    return gauge | ({"query": "PR1"} if kind == "asked" else {})


def write_settings(
    path: Path,
    folder: Path,
    wiring: BenchWiring,
    station: Mapping[str, Any],
) -> Path:
    """Write the settings; returns `path`.

    folder : where sockets, latch and ledger of this bench lie
    station : what a person would write of chamber, oven and cure; merged over what the wiring says
    """
    content: dict[str, Any] = {
        "station": "demo-workshop",
        "simulated": True,
        "runtime_dir": str(folder / "run"),
        "ledger": {"path": str(folder / "ledger.db")},
        "oven": {"probes": [{"name": name, "select_pin": SELECT_PINS[name]} for name in wiring.probes]},
        "guard": {
            "limit": f"{wiring.limit_c:g} degC",
            "relay_pin": RELAY_PIN,
            "state_dir": str(folder / "guard"),
            "pin_factory": "tools.plant.wire.pins:BenchFactory",
        },
        "thermometer": {"bus": "tools.plant.wire.spi:bench_bus"},
    }
    if wiring.gauge:
        content["chamber"] = {"gauge": _gauge(wiring.gauge, folder / "gauge")}
    if wiring.broker is not None:
        content["mqtt"] = {"host": wiring.broker[0], "port": wiring.broker[1], "version": wiring.mqtt_version}
    if wiring.phone:
        content["phone"] = {"urls": list(wiring.phone)}
    if wiring.page is not None:
        content["page"] = {"host": "localhost", "port": wiring.page}
    _merge(content, station)
    _merge(content, wiring.extra)
    path.write_text(
        "# A simulated bench's; written by the bench, below its own folder.\n"
        + yaml.safe_dump(content, sort_keys=False),
        encoding="utf-8",
    )
    return path


def _merge(into: dict[str, Any], more: Mapping[str, Any]) -> None:
    for key, value in more.items():
        if isinstance(value, Mapping) and isinstance(into.get(key), dict):
            _merge(into[key], value)
        else:
            into[key] = dict(value) if isinstance(value, Mapping) else value
