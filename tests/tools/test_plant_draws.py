"""Draws: what physics allows is what is drawn, overrides leave the rest alone, tuning and reporting never meet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tools.plant.chamber import Chamber
from tools.plant.chance import Chance
from tools.plant.draws import (
    CHAMBER_FAULTS,
    DRAWS,
    GAUGES,
    HIGH_BASE,
    OVEN_FAULTS,
    REPORTED_FROM,
    draw_batch,
    draw_degassing,
    draw_oven,
    draw_sessions,
    split_of,
)
from tools.plant.oven import Oven, steady_mean_c
from tools.plant.release import ENDS, LAWS, Pores
from tools.plant.scenario import Scenario

MANY = [draw_degassing(number) for number in range(150)]


def low_speed_m3_s(scenario: Scenario) -> float:
    """Speed at the chamber a little above the pump's base."""
    return Chamber(scenario.chamber, Chance(1, "x")).low_speed_m3_s


def test_a_number_always_draws_the_same_and_belongs_to_one_side() -> None:
    for name, draw in DRAWS.items():
        assert draw(11) == draw(11), name
        assert draw(11) != draw(12), name
        assert (draw(11).split, draw(REPORTED_FROM + 1).split) == ("tune", "report")
    assert (split_of(REPORTED_FROM - 1), split_of(REPORTED_FROM)) == ("tune", "report")


def test_one_bubble_lifts_the_pressure_by_its_published_few_millipascals() -> None:
    lifts = [1e3 * scenario.pores.bubble_pa_m3 / scenario.chamber.volume_m3 for scenario in MANY]
    assert min(lifts) >= 0.02
    assert max(lifts) <= 4
    assert np.median(lifts) == pytest.approx(0.28, rel=0.6)


def test_isolation_shows_the_flow_two_to_thirty_times_larger() -> None:
    gains = [
        scenario.habits.isolate_s * low_speed_m3_s(scenario) / scenario.chamber.volume_m3
        for scenario in MANY
        if scenario.habits.isolate_every_s
    ]
    low, middle, high = np.percentile(gains, [8, 50, 95])
    assert low > 1.5
    assert 4 < middle < 12
    assert high < 40


def test_a_pascal_on_the_pump_is_some_tens_to_hundreds_of_bubbles_a_second() -> None:
    per_pascal = [low_speed_m3_s(scenario) / scenario.pores.bubble_pa_m3 for scenario in MANY]
    assert 30 < np.median(per_pascal) < 400


def test_what_ends_can_be_seen_to_its_end_and_what_fades_only_for_its_first_third() -> None:
    seen: dict[bool, list[float]] = {True: [], False: []}
    for number, scenario in enumerate(MANY[:80]):
        pores, speed = scenario.pores, low_speed_m3_s(scenario)
        done = np.array(Pores(pores, Chance(number, "pores"))._done)
        lift_pa = np.diff(done) * pores.gas_pa_m3 / 4.0 / speed
        quarters = np.diff(done[::225]) * pores.gas_pa_m3 / pores.bubble_pa_m3
        stop_s = 900 * (np.nonzero(quarters > 2)[0][-1] + 1)
        visible = np.nonzero(lift_pa > 1.0)[0]
        seen[pores.law in ENDS].append(4 * (visible[-1] if len(visible) else 0) / stop_s)
    assert np.median(seen[True]) > 0.7
    assert np.median(seen[False]) < 0.35


def test_every_law_gauge_and_fault_is_drawn() -> None:
    assert {scenario.pores.law for scenario in MANY} == set(LAWS)
    assert {scenario.gauge_class for scenario in MANY} == set(GAUGES)
    assert {scenario.fault for scenario in MANY} == {"", *CHAMBER_FAULTS}
    assert {draw_oven(number).fault for number in range(60)} == {"", *OVEN_FAULTS}
    share = np.mean([bool(scenario.habits.isolate_every_s) for scenario in MANY])
    assert 0.3 < share < 0.7


def test_asking_for_a_gauge_or_isolation_leaves_the_bench_as_it_is() -> None:
    plain = draw_degassing(7)
    for gauge in GAUGES:
        other = draw_degassing(7, gauge=gauge, isolation=True)
        assert (other.chamber, other.pores, other.happenings) == (plain.chamber, plain.pores, plain.happenings)
        assert other.gauge_class == gauge
        assert other.habits.isolate_every_s > 0
    assert draw_degassing(7, isolation=False).habits.isolate_every_s == 0
    assert draw_oven(7, witness=False).pieces == draw_oven(7, witness=True).pieces
    for wrong in ({"gauge": "finest"}, {"fault": "fire"}):
        with pytest.raises(ValueError, match="allowed"):
            draw_degassing(7, **wrong)
    with pytest.raises(ValueError, match="allowed"):
        draw_oven(7, fault="fire")


def test_a_high_base_is_an_order_above_what_the_pump_can_do() -> None:
    for fault in HIGH_BASE:
        for number in range(6):
            scenario = draw_degassing(number, fault=fault)
            chamber = Chamber(scenario.chamber, Chance(1, "x"))
            chamber.vent_open, chamber.pump_on = 0.0, True
            chamber.ballast_pa = sum(item.size for item in scenario.happenings)
            for _ in range(1800):
                chamber.step(1.0, 0.0)
            assert 1000 < chamber.pressure_pa < 8000, (fault, number)
            assert chamber.pressure_pa > 8 * scenario.chamber.ultimate_pa


def test_ovens_hold_what_their_dial_was_set_for_and_bodies_are_in_published_ranges() -> None:
    for number in range(8):
        scenario = draw_oven(number, fault="")
        mean = steady_mean_c(scenario.oven, scenario.dial_c, hours=1.5, over_s=2400)
        assert 93 < mean < 125
        assert scenario.context().piece_thickness_mm == pytest.approx(1e3 * scenario.pieces[0].thickness_m, abs=0.1)
    for number in range(60):
        for piece in draw_oven(number).pieces:
            diffusivity = piece.k_w_mk / piece.heat_j_m3k
            assert 0.7e-7 < diffusivity < 2.2e-6  # wood across the grain to dense rock, materials_thermal.csv
            assert 4 < piece.h_w_m2k < 26
            assert piece.thickness_m <= draw_oven(number).pieces[0].thickness_m


def test_sessions_are_days_of_one_oven_that_drifts() -> None:
    days = draw_sessions(3, 8)
    assert len(days) == 8
    offsets = [day.oven.dial_offset_k for day in days]
    assert 0.1 < np.std(offsets) < 6
    assert {replace(day.oven, dial_offset_k=0.0, room_c=0.0) for day in days} == {
        replace(draw_oven(3, fault="").oven, dial_offset_k=0.0, room_c=0.0)
    }
    assert len({day.dial_f for day in days}) > 3
    assert len({day.dial_unit for day in days}) == 1
    assert any(not day.pieces for day in days)
    assert any(day.pieces for day in days)
    assert Oven(days[0].oven).room_c == days[0].oven.room_c


def test_a_batch_is_both() -> None:
    one, two, both = draw_degassing(9), draw_oven(9), draw_batch(9)
    assert (both.chamber, both.pores, both.oven, both.pieces) == (one.chamber, one.pores, two.oven, two.pieces)
    assert both.habits.part == "batch"
    assert set(both.happenings) == {*one.happenings, *two.happenings}
