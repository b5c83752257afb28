"""Leaving the plateau upward, seen once and not before the thermostat has switched; and what the side says of it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from lastbubble.pipeline.oven import AirLevel
from lastbubble.pipeline.plateau import Plateau
from lastbubble.records import Caution, Sample
from tests.pipeline.test_cure import LOADED, SLAB, made, run


def watched(values: list[float]) -> list[tuple[int, float]]:
    level, plateau = AirLevel(20.0), Plateau()
    found = []
    for place, value in enumerate(values):
        level.feed(value)
        above = plateau.feed(20.0 * (place + 1), value, level.level)
        if above is not None:
            found.append((place, above))
    return found


def cycles(minutes: int, mean_c: float, swing_k: float = 4.0) -> list[float]:
    return [mean_c + swing_k * math.sin(k / 4) for k in range(3 * minutes)]


RISE = [22.0 + 1.5 * k for k in range(54)]


def test_a_thermostat_that_never_switches_off_again_is_seen_once() -> None:
    before = RISE + cycles(60, 104.0)
    values = before + [108 + 0.8 * k for k in range(60)]
    (seen,) = watched(values)
    assert len(before) < seen[0] < len(before) + 25
    assert seen[1] > 8


def test_the_way_up_cycles_and_a_cooler_dial_are_none() -> None:
    assert watched(RISE + cycles(120, 104.0)) == []
    assert watched(RISE + cycles(60, 104.0) + [104 - 0.3 * k for k in range(40)] + cycles(60, 92.0)) == []


def hotter(extra_k: float, mark: str = "") -> list[Sample]:
    """An oven in its cycles at 100 degC whose air climbs away at two hours."""
    log = made(marks=LOADED, plateau_c=100.0, hours=3.0)
    out = []
    for sample in log.samples:
        more = min(extra_k, max(0.0, sample.time_s - 7200.0) / 60)
        marks = (mark,) if mark and 7200 <= sample.time_s < 7205 else ()
        out.append(replace(sample, oven_c=(sample.oven_c or 0.0) + more, marks=(*sample.marks, *marks)))
    return out


def test_the_side_tells_of_an_oven_that_runs_hotter() -> None:
    said, _ = run(hotter(25.0))
    found = [r for r in said if isinstance(r, Caution) and r.cause == "oven_runs_hotter"]
    assert len(found) == 1
    assert 7200 < found[0].t < 7200 + 1500
    assert "thermostat" in found[0].text


def test_a_marked_dial_is_no_surprise() -> None:
    said, _ = run(hotter(25.0, "dial=280F"))
    assert "oven_runs_hotter" not in [r.cause for r in said if isinstance(r, Caution)]


@pytest.mark.parametrize(("heat_k", "told"), [(0.0, 0), (14.0, 1)])
def test_the_resins_own_heat_is_reported_with_its_bound(heat_k: float, told: int) -> None:
    """The core rises above the settled air for half an hour, as a setting resin does."""
    log = made(marks=LOADED, probe=True)
    assert log.reached_s is not None
    samples = []
    for sample in log.samples:
        age = (sample.time_s - log.reached_s) / 1800
        extra = heat_k * math.sin(math.pi * age) if 0 < age < 1 else 0.0
        rise = 12.0 * min(1.0, max(0.0, age)) if heat_k else 0.0
        samples.append(replace(sample, witness_c=(sample.witness_c or 0.0) + extra + rise))
    said, _ = run(samples, replace(SLAB, witness="slowest"))
    found = [r for r in said if isinstance(r, Caution) and r.cause == "core_above_air"]
    assert len(found) == told
    if told:
        assert "at most" in found[0].text
