"""Moments of a batch as the service tells them, for the page's tests; the workshop and its times are invented."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from lastbubble.errors import BadInput

__all__ = ["MOMENTS", "Told"]

_BASE: Final[dict[str, Any]] = {
    "station": "demo-workshop",
    "utc": "2026-03-14T10:00:00Z",
    "batch": 7,
    "batch_name": "chalk turquoise slabs",
    "faults": {},
    "forecasts": [],
    "cautions": [],
    "heat_state": "withheld",
    "relay_closed": False,
    "health": [],
    "alarms": [],
}


def _forecast(target: str, p10: float, p50: float, p90: float) -> dict[str, Any]:
    return {"t": 0.0, "target": target, "p10": p10, "p50": p50, "p90": p90}


MOMENTS: Final[Mapping[str, dict[str, Any]]] = {
    "bubbling": {
        **_BASE,
        "stage": "degassing",
        "time_s": 7200.0,
        "stage_since_s": 300.0,
        "chamber_pa": 412.0,
        "oven_c": 21.5,
        "next_action": "Wait: the bubbles have not stopped. Rock the chamber now and then.",
        "next_at_s": 12600.0,
        "forecasts": [_forecast("bubbles_stopped", 10200.0, 12600.0, 17400.0)],
        "cautions": [{"cause": "base_pressure_high", "text": "The chamber stands at 412 Pa. Look at the lid's seal."}],
    },
    "curing": {
        **_BASE,
        "stage": "curing",
        "time_s": 30000.0,
        "stage_since_s": 29100.0,
        "chamber_pa": 99000.0,
        "oven_c": 104.2,
        "witness_c": 95.1,
        "grades": {
            "oven": {"grade": "class_2", "limit_k": 2.5},
            "witness": {"grade": "checked", "limit_k": 1.04},
        },
        "air_mean_c": 103.1,
        "dose_s": 1020.0,
        "core_c": 94.4,
        "core_low_c": 92.6,
        "core_high_c": 96.3,
        "held_s": 900.0,
        "hold_s": 1800.0,
        "heat_state": "permitted",
        "relay_closed": True,
        "next_action": "Leave the oven shut until the cure is complete.",
        "next_at_s": 30900.0,
        "forecasts": [_forecast("cure_complete", 30600.0, 30900.0, 32100.0)],
    },
    "tripped": {
        **_BASE,
        "stage": "heating",
        "time_s": 27000.0,
        "stage_since_s": 25000.0,
        "chamber_pa": 99000.0,
        "faults": {"oven": "open"},
        "core_c": 61.0,
        "core_low_c": 55.0,
        "core_high_c": 67.0,
        "hold_s": 1800.0,
        "heat_state": "tripped",
        "trip_cause": "oven_fault",
        "next_action": "Look at the oven: its probe does not read.",
        "alarms": [
            {"notice": 12, "title": "The oven's heat was cut", "text": "The guard cut the oven's heat (oven fault) at "
             "02:14, two minutes ago. Look at the oven; it is reset at the bench only."}
        ],
        "health": ["broker: localhost cannot be reached; it is tried again"],
        "held_mark": "Noted: oven loaded",
    },
    "still closed": {
        **_BASE,
        "stage": "heating",
        "time_s": 27000.0,
        "stage_since_s": 25000.0,
        "oven_c": 131.0,
        "heat_state": "tripped",
        "relay_closed": True,
        "trip_cause": "relay_pin",
        "sample_age_s": 44.0,
    },
    "no guard": {**_BASE, "stage": "idle", "time_s": 10.0, "heat_state": "none", "chamber_pa": 99000.0},
}  # fmt: skip


class Told:
    """Stands where the service does: tells one moment, and two batches with curves and a story each."""

    def __init__(self, moment: str = "bubbling") -> None:
        self.state: dict[str, Any] = dict(MOMENTS[moment])
        self.asked: list[dict[str, Any]] = []

    def snapshot(self) -> dict[str, Any]:
        return dict(self.state)

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        self.asked.append(dict(request))
        return {"ok": True}

    def series(self, batch: int | None, points: int) -> dict[str, list[tuple[float, float | None]]]:
        late = 600.0 * (batch or 0)
        chamber = [(late + 60.0 * n, max(300.0, 99000.0 * 0.95**n)) for n in range(points // 2)]
        oven = [(late + 60.0 * n, 20.0 + min(80.0, 0.5 * n)) for n in range(points // 2)]
        core = [(late + 60.0 * n, 20.0 + min(75.0, 0.3 * n)) for n in range(points // 2)]
        low, high = ([(t, v + off) for t, v in core] for off in (-2.0, 2.0))
        return {"chamber_pa": chamber, "oven_c": oven, "core_c": core, "core_low_c": low, "core_high_c": high}

    def pump_down_s(self, batch: int) -> float:
        return 600.0 * batch

    def batches(self) -> list[dict[str, Any]]:
        return [
            {"id": 7, "name": "chalk turquoise slabs", "opened_utc": "2026-03-14T08:00:00Z", "closed_utc": "",
             "material": "chalk turquoise"},
            {"id": 6, "name": "spalted maple blanks", "opened_utc": "2026-03-10T08:00:00Z",
             "closed_utc": "2026-03-11T08:00:00Z", "material": "spalted maple"},
        ]  # fmt: skip

    def batch(self, number: int) -> dict[str, Any]:
        rows = {row["id"]: row for row in self.batches()}
        if number not in rows:
            raise BadInput(f"there is no batch {number}")
        begin_s = 600.0 * number
        return {
            **rows[number],
            "notes": "Second try with thinner slabs.",
            "header": {"material": rows[number]["material"], "piece_thickness_mm": "18", "hold_min": "30"},
            "pieces": [{"name": "A", "thickness_mm": 18, "dry_g": 41.2, "wet_g": 55.0}],
            "marks": [(begin_s - 5, "pump_on"), (begin_s + 4000, "dial=230F")],
            "story": [
                {"t": 0.0, "kind": "stage", "stage": "idle"},
                {"t": begin_s + 20, "kind": "stage", "stage": "pump_down", "since": begin_s},
                {"t": begin_s + 300, "kind": "stage", "stage": "degassing"},
                {"t": begin_s + 9000 + 100 * number, "kind": "event", "name": "bubbles_stopped",
                 "since": begin_s + 8000 + 100 * number},
                {"t": begin_s + 9500, "kind": "warning", "cause": "base_pressure_high",
                 "text": "The chamber stands at 900 Pa. Look at the lid."},
            ],
        }  # fmt: skip
