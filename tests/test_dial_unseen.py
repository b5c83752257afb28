"""Dials that nobody has seen, on the simulated bench's oven: far off, bent, in degF and degC, with a heavy oven behind.

The truth is the bench's own: what its thermocouple would average under the answered setting.
"""

from __future__ import annotations

import pytest

from lastbubble.dial import Stretch, learn, stretches
from lastbubble.records import Sample
from tests.pipeline.plant_log import Bench, batch
from tools.plant.oven import OvenParts, steady_mean_c
from tools.plant.pieces import PieceParts

TARGET_C = 105.0
UNSEEN: dict[str, tuple[OvenParts, str, tuple[float, ...]]] = {
    "35 K too cold, in degF": (OvenParts(dial_gain=0.8, dial_offset_k=-12.0), "F", (270.0, 300.0, 290.0, 310.0)),
    "20 K too hot, in degC": (OvenParts(dial_gain=1.0, dial_offset_k=20.0), "C", (80.0, 95.0, 85.0, 90.0)),
    "a bent scale": (OvenParts(dial_gain=1.0, dial_bend_k=-10.0), "F", (210.0, 230.0, 260.0, 250.0)),
    "a bulb beside the element": (OvenParts(bulb_element=0.08), "F", (250.0, 265.0, 240.0, 270.0)),
    "a heavy oven that is not steady in an hour": (OvenParts(wall_j_k=16000.0), "F", (240.0, 250.0, 230.0, 260.0)),
    "wide cycles": (OvenParts(half_band_k=7.0), "C", (115.0, 125.0, 120.0, 110.0)),
    "a cold shed": (OvenParts(room_c=3.0), "C", (115.0, 125.0, 120.0, 110.0)),
}  # fmt: skip


def session(parts: OvenParts, setting: float, unit: str, minutes: float) -> list[Sample]:
    def set_dial(bench: Bench) -> None:
        bench.dial(setting, unit)

    piece = PieceParts(thickness_m=0.02)
    return batch([piece], parts=parts, deeds=[(0.0, set_dial)], hours=minutes / 60, period_s=10.0).samples


@pytest.mark.parametrize("name", UNSEEN)
def test_four_sessions_teach_the_dial(name: str) -> None:
    """The aim is 4.5 K for nine in ten ovens after four logs, as the thermocouple reads it."""
    parts, unit, settings = UNSEEN[name]
    found: list[Stretch] = []
    for number, setting in enumerate(settings):
        found += stretches(session(parts, setting, unit, 60 + 20 * number), f"session {number}")
    answer = learn(found).answer(TARGET_C)
    assert answer.unit == unit

    def mean_c(dial: float) -> float:
        return steady_mean_c(parts, (dial - 32) / 1.8 if unit == "F" else dial, hours=2.0)

    assert mean_c(answer.dial) == pytest.approx(TARGET_C, abs=4.5)
    assert answer.low < answer.dial < answer.high
    assert mean_c(answer.low) - 1.5 <= TARGET_C <= mean_c(answer.high) + 1.5
