"""The whole bench: the same every time, dated by the words of the log format, and what is allowed to happen happens."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from tools.plant.scenario import SCENARIOS, Happening, Scenario, WitnessParts
from tools.plant.station import Station

DEMO = SCENARIOS["demo"]
#: A batch whose bubbles stop within twenty minutes, for what does not need more.
QUICK = replace(DEMO, pores=replace(DEMO.pores, span_s=1100.0, gas_pa_m3=4.0, trapped=0.02))


def pumped(scenario: Scenario, seconds: float, seed: int = 1, dt_s: float = 1.0) -> Station:
    station = Station(scenario, seed)
    station.vent_open, station.pump_on = 0.0, True
    run(station, seconds, dt_s)
    return station


def run(station: Station, seconds: float, dt_s: float = 1.0) -> None:
    for _ in range(round(seconds / dt_s)):
        station.step(dt_s)


def baked(scenario: Scenario, seconds: float, dt_s: float = 1.0) -> Station:
    station = Station(scenario, 1)
    station.load_oven()
    station.heat, station.dial_c = True, scenario.dial_c
    run(station, seconds, dt_s)
    return station


def test_the_same_number_gives_the_same_bench_and_another_does_not() -> None:
    one, two, other = (pumped(QUICK, 600, seed) for seed in (3, 3, 4))
    assert one.truth() == two.truth()
    assert [one.gauge_pa() for _ in range(5)] == [two.gauge_pa() for _ in range(5)]
    assert one.bubbles != other.bubbles


def test_reading_the_gauge_changes_nothing() -> None:
    read, unread = Station(QUICK, 1), Station(QUICK, 1)
    for station in (read, unread):
        station.vent_open, station.pump_on = 0.0, True
    for _ in range(400):
        read.step(1.0)
        read.gauge_pa()
        unread.step(1.0)
    assert read.truth() == unread.truth()


def test_the_step_does_not_decide_the_answer() -> None:
    coarse, fine = pumped(QUICK, 2400), pumped(QUICK, 2400, dt_s=0.25)
    assert coarse.bubbles == pytest.approx(fine.bubbles, rel=0.01)
    assert coarse.truth()["bubbles_stopped_s"] == pytest.approx(fine.truth()["bubbles_stopped_s"], abs=60)
    coarse, fine = baked(DEMO, 3000), baked(DEMO, 3000, dt_s=0.25)
    assert coarse.core_c == pytest.approx(fine.core_c, abs=0.3)
    assert coarse.truth()["cure_temperature_reached_s"] == pytest.approx(
        fine.truth()["cure_temperature_reached_s"], abs=20
    )


def test_degassing_is_dated_from_the_knee_to_the_stop() -> None:
    station = pumped(QUICK, 2400)
    names = [name for _, name in station.stages()]
    assert names == ["idle", "pump_down", "degassing", "still"]
    since = {name: at_s for at_s, name in station.stages()}
    assert 20 < since["degassing"] < 200
    assert since["still"] == station.truth()["bubbles_stopped_s"] == station.bubbles_stopped_s()
    assert station.pore_gas_left < 0.001
    assert station.safe_s() <= since["still"]


def test_a_stop_is_not_told_before_a_quarter_of_an_hour_has_shown_it() -> None:
    station = pumped(QUICK, 1500)
    assert station.bubbles_to_come < 3
    assert "bubbles_stopped_s" not in station.truth()


def test_rocking_brings_more_but_does_not_move_the_stop() -> None:
    station = pumped(QUICK, 2400)
    stop, before = station.bubbles_stopped_s(), station.bubbles
    station.rock()
    run(station, 600)
    assert station.bubbles > before + 100
    assert station.bubbles_stopped_s() == stop


def test_venting_and_soaking_are_dated() -> None:
    station = pumped(QUICK, 300)
    station.vent_open = 0.6
    run(station, 60)
    station.pump_on = False
    run(station, 100)
    truth = station.truth()
    assert 300 < truth["vented_s"] < 440
    assert "soak_complete_s" not in truth
    run(station, QUICK.soak_s)
    assert station.truth()["soak_complete_s"] == pytest.approx(truth["vented_s"] + QUICK.soak_s)
    assert [name for _, name in station.stages()][-2:] == ["venting", "soaking"]
    station.vent_open, station.pump_on = 0.0, True
    run(station, 5)
    assert "vented_s" not in station.truth()
    assert station.stages()[-1][1] == "pump_down"


def test_the_cure_is_dated_at_the_slowest_piece_and_its_clock_stands_below_target() -> None:
    station = Station(DEMO, 1)
    station.load_oven()
    station.heat, station.dial_c = True, DEMO.dial_c
    held = 0.0
    while "cure_complete_s" not in station.dates:
        station.step(1.0)
        reached = station.dates.get("cure_temperature_reached_s")
        if reached is not None and station.core_c >= DEMO.target_c - 2:
            held += 1
        if reached is not None and station.time_s > reached + 60:
            station.heat = station.time_s > reached + 3000  # a dip that lasts
            station.door_open = not station.heat
    reached = station.dates["cure_temperature_reached_s"]
    assert held == pytest.approx(DEMO.hold_s, abs=1)
    assert station.dates["cure_complete_s"] > reached + DEMO.hold_s + 600
    station.door_open, station.heat = True, False
    run(station, 4000)
    assert [name for _, name in station.stages()] == ["idle", "heating", "curing", "cooling", "finished"]


def test_an_end_shows_on_a_fine_gauge_within_minutes_and_not_on_a_coarse_one() -> None:
    for gauge, shows in (("fine", True), ("coarse", False)):
        scenario = replace(DEMO, gauge=SCENARIOS[gauge if gauge == "coarse" else "demo"].gauge)
        station = pumped(scenario, 3500)
        values = []
        for _ in range(2000):
            station.step(1.0)
            values.append(station.gauge_pa())
        stop = station.bubbles_stopped_s()
        assert stop is not None
        at = int(stop - 3500)
        before, after = np.array(values[at - 600 : at - 300]), np.array(values[at + 120 : at + 420])
        noise = np.sqrt(before.var() / 40 + after.var() / 40)  # neighbours share their slow noise
        assert bool(before.mean() - after.mean() > 6 * noise) is shows


def test_chamber_happenings_happen_and_end() -> None:
    def last(happening: Happening) -> tuple[Station, list[float]]:
        station = pumped(replace(DEMO, happenings=(happening,)), 590)
        seen = []
        for _ in range(900):
            station.step(1.0)
            seen.append(station.chamber_pa)
        return station, seen

    station, seen = last(Happening("lid_lifts", 600.0, 900.0, 3e-4))
    assert max(seen) > 5000 > 500 > seen[-1]
    assert station.dates["vacuum_lost_s"] == pytest.approx(600, abs=3)
    station, seen = last(Happening("hose_off", 600.0, 900.0))
    assert max(seen) > 90_000
    assert [name for _, name in station.stages()].count("pump_down") == 2
    station, seen = last(Happening("pump_stops", 600.0, 1000.0))
    assert station.dates["pump_stopped_s"] == pytest.approx(600, abs=3)
    assert max(seen) > 5000
    _, seen = last(Happening("ballast_open", 600.0, size=2000.0))
    assert 1500 < seen[-1] < 2600
    assert pumped(replace(DEMO, happenings=(Happening("lid_late", 0.0, 90.0, 2e-3),)), 60).chamber_pa > 50_000


def test_a_vacuum_switch_cycles_the_pump() -> None:
    station = pumped(SCENARIOS["vacuum_switch"], 300)
    runs = []
    for _ in range(1500):
        station.step(1.0)
        runs.append(station.pump_runs)
        assert 1800 < station.chamber_pa < 2500
    cycles = sum(b and not a for a, b in itertools.pairwise(runs))
    assert cycles >= 2
    assert runs.count(False) > 10 * runs.count(True)
    assert "pump_stopped_s" not in station.dates


def test_oven_happenings_happen() -> None:
    light = replace(DEMO, pieces=DEMO.pieces[1:2])
    plain = baked(light, 3600)
    assert baked(replace(light, happenings=(Happening("power_cut", 2000.0),)), 3600).oven_air_c < plain.oven_air_c - 25
    assert baked(replace(light, happenings=(Happening("stuck_on", 2000.0),)), 3600).oven_air_c > plain.oven_air_c + 25
    turned = baked(replace(light, happenings=(Happening("dial_turned", 1800.0, size=90.0),)), 3600)
    assert turned.oven_air_c < plain.oven_air_c - 10
    looked = baked(replace(light, happenings=(Happening("look", 3570.0, 3700.0),)), 3600)
    assert looked.oven_air_c < plain.oven_air_c - 10


def test_a_witness_follows_its_piece_until_it_falls_out_or_breaks() -> None:
    scenario = replace(DEMO, witness=WitnessParts(off=0.0, lag_s=5.0))
    good = baked(scenario, 1500)
    assert good.witness_c == pytest.approx(good.core_c, abs=0.5)
    other = baked(replace(scenario, witness=WitnessParts(piece=1, lag_s=5.0)), 1500)
    assert other.witness_c > good.witness_c + 2
    fallen = baked(replace(scenario, happenings=(Happening("witness_falls", 1200.0),)), 1500)
    assert fallen.witness_c > good.witness_c + 8
    assert fallen.core_c == good.core_c
    touching = baked(replace(scenario, happenings=(Happening("witness_on_tray", 1200.0),)), 1500)
    assert good.witness_c + 1 < touching.witness_c < fallen.witness_c
    assert baked(replace(scenario, happenings=(Happening("witness_breaks", 1200.0),)), 1500).witness_c is None


def test_the_slowest_piece_counts_and_the_walls_are_cooler() -> None:
    station = baked(DEMO, 1800)
    thin_alone = baked(replace(DEMO, pieces=DEMO.pieces[1:]), 1800)
    assert station.core_c < thin_alone.core_c
    assert station.oven_wall_c < station.oven_air_c - 4
    assert 26 < station.junction_c < 40
