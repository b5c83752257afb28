"""Measured pressures of others (shared/open/pressure, MIT): what is said of them has to be true of them.

None holds a bath of resin, so in none have bubbles stopped. Figures in the comments were read off the files themselves.
"""

from __future__ import annotations

import csv

import pytest

from lastbubble.context import Context
from lastbubble.data import data_path
from lastbubble.pipeline.degassing import ChamberModel
from lastbubble.pipeline.gauge import GaugeSense
from lastbubble.pipeline.leak_test import judge_leak
from lastbubble.records import Caution, Event, Record, Sample


def column(name: str, column: str = "chamber_pa") -> list[tuple[float, float]]:
    with data_path("shared", f"open/pressure/{name}.csv").open(encoding="utf-8") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return [(float(row["time_s"]), float(row[column])) for row in rows if row[column]]


def between(data: list[tuple[float, float]], low: float, high: float) -> tuple[list[float], list[float]]:
    kept = [(t, p) for t, p in data if low <= t <= high]
    return [t for t, _ in kept], [p for _, p in kept]


def told(name: str) -> tuple[list[Record], list[tuple[str, float]]]:
    model = ChamberModel(Context())
    said: list[Record] = []
    phases: list[tuple[str, float]] = []
    for time, pressure in column(name):
        said += model.feed(Sample(time, pressure))
        if not phases or phases[-1][0] != model.phase:
            phases.append((model.phase, model.phase_since_s))
    return said, phases


@pytest.mark.parametrize("name", ["closed_volume_rise_0p5s", "isolation_and_backfill_0p1s"])
def test_closed_volumes_that_nobody_pumps_are_nothing_to_speak_of(name: str) -> None:
    # A permeation rig: zero error, a rise behind a hot wall, a filling. No pump-down, so no phase and no fault.
    said, phases = told(name)
    assert said == []
    assert [phase for phase, _ in phases] == ["idle"]


@pytest.mark.parametrize("name", ["outgassing_sample_5s", "outgassing_empty_5s"])
def test_high_vacuum_is_no_bath_of_resin(name: str) -> None:
    # 20 h of a tail that falls as 1/t from 0.08 Pa: no stop is called and none is foretold.
    said, phases = told(name)
    assert [record for record in said if record.kind == "forecast"] == []
    events = [record for record in said if isinstance(record, Event)]
    if name == "outgassing_empty_5s":
        assert events == []
        assert [phase for phase, _ in phases] == ["idle", "pump_down", "degassing"]
    else:
        # Vented between 71 893 and 71 898 s, in one sample: nobody told it, and no hand does that to a bath.
        assert events == []
        lost = [record.t for record in said if isinstance(record, Caution)]
        assert lost == [pytest.approx(71898, abs=60)]
        assert phases[-1][0] == "pump_down"


def test_freeze_dryer() -> None:
    said, phases = told("freeze_dryer_60s")
    assert not [record for record in said if record.kind == "forecast"]
    assert "bubbles_stopped" not in [record.name for record in said if isinstance(record, Event)]
    began = [since for phase, since in phases if phase == "pump_down"]
    # Evacuated between 3 362 and 3 482 s and between 30 908 and 30 968 s; after the loss between the two the chamber
    # waits for its pump, until it has plainly been given up.
    assert began == [pytest.approx(3362, abs=61), pytest.approx(7382, abs=61), pytest.approx(30908, abs=61)]
    lost = [record.t for record in said if isinstance(record, Caution) and record.cause == "vacuum_lost"]
    # Aired between 7 262 and 7 322 s; vacuum broken between 120 688 and 120 748 s.
    assert lost == [pytest.approx(7382, abs=121), pytest.approx(120808, abs=121)]
    assert next(record.cause for record in said if isinstance(record, Caution)) == "gauge_too_coarse"


def test_leak_like_rise() -> None:
    # 132 000 s to the end: straight, 2.585e-3 Pa/s.
    verdict = judge_leak(*between(column("freeze_dryer_60s"), 132000, 174220))
    assert verdict.kind == "straight"
    assert verdict.rise_pa_s == pytest.approx(2.585e-3, rel=0.01)
    assert "at most" in verdict.text


def test_saturating_rise() -> None:
    # 3 482 to 4 562 s: a saturating exponential with a time constant of 285 s, not a leak.
    verdict = judge_leak(*between(column("freeze_dryer_60s"), 3482, 4562))
    assert verdict.kind == "bends over"
    assert 160 <= verdict.vapour_s <= 640
    assert abs(verdict.rise_pa_s) < 0.3
    # Begun too early it falls: -0.084 Pa/s over 121 000 to 122 000 s.
    early = judge_leak(*between(column("freeze_dryer_60s"), 121000, 122000))
    assert early.kind == "falls"
    assert early.rise_pa_s == pytest.approx(-0.084, rel=0.05)


def test_permeation_is_not_called_a_leak() -> None:
    data = column("closed_volume_rise_0p5s")
    # Nothing for minutes, first rise at 613 s, then straight: the delay tells permeation.
    verdict = judge_leak(*between(data, 60, 9566))
    assert verdict.kind == "comes late"
    assert "seal or a wall" in verdict.text
    assert judge_leak(*between(data, 60, 500)).kind == "tight"
    straight = judge_leak(*between(data, 2500, 9566))
    assert straight.rise_pa_s == pytest.approx(1.018e-2, rel=0.005)


def test_a_rise_that_steepens_is_no_leak() -> None:
    # A pump runs down: doubling every 194 s.
    assert judge_leak(*between(column("outgassing_sample_5s"), 70000, 71500)).kind == "steepens"


def test_gauge_noise_is_learnt() -> None:
    # 4 804 samples of pure noise: 0.0111 Pa, neighbours anticorrelated by 0.33, so second differences are wider than
    # white noise's. Supply side before the filling: 11.1 Pa, nearly white.
    from lastbubble.pipeline.blocks import BlockMaker

    for name, low, high in (("downstream_capacitance_pa", 0.009, 0.017), ("chamber_pa", 9.0, 12.5)):
        blocks, gauge = BlockMaker(10.0), GaugeSense()
        for time, pressure in column("isolation_and_backfill_0p1s", name):
            if time > 190:
                break
            gauge.reading(pressure)
            for block in blocks.add(time, pressure):
                gauge.block(block)
        assert low < gauge.noise_pa < high
        assert gauge.known
