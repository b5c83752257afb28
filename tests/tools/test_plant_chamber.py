"""The chamber against published worked examples, its balance of mass, and what it must be able to show."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest

from tests.published.reference import rows
from tools.plant.chamber import Chamber, ChamberParts, pump_inlet_pa
from tools.plant.chance import Chance

#: A constant pump on a wide hose, dry and tight, at a room that stands still.
IDEAL = ChamberParts(
    ultimate_pa=0.0, hose_d_m=0.2, hose_l_m=0.1, leak_pa_m3_s=0.0, vapour_pa=0.0, vapour_m3_s=0.0, dissolved_pa_m3=0.0,
    moisture_pa_m3=0.0, suck_back_m3_s=0.0, room_pa=101_325.0, room_walk_pa=0.0, oil_rise=0.0, base_walk_pa=0.0,
)  # fmt: skip


def make(parts: ChamberParts, *, pump: bool = True, seed: int = 1) -> Chamber:
    chamber = Chamber(parts, Chance(seed, "chamber"))
    chamber.vent_open = 0.0
    chamber.pump_on = pump
    return chamber


def run(chamber: Chamber, seconds: float, gas_pa_m3_s: float = 0.0, dt_s: float = 1.0) -> None:
    for _ in range(round(seconds / dt_s)):
        chamber.step(dt_s, gas_pa_m3_s * dt_s)


@pytest.mark.parametrize("row", rows("pump_down"), ids=lambda row: f"{row['volume_l']}l-{row['p1_mbar']}mbar")
def test_pump_down_takes_the_published_time(row: dict[str, str]) -> None:
    parts = replace(
        IDEAL,
        volume_m3=float(row["volume_l"]) * 1e-3,
        pump_m3_s=float(row["speed_l_s"]) * 1e-3,
        ultimate_pa=100 * float(row["base_mbar"]),
        room_pa=100 * float(row["p0_mbar"]),
    )
    chamber = make(parts)
    seconds = 0.0
    while chamber.pressure_pa > 100 * float(row["p1_mbar"]):
        chamber.step(0.1, 0.0)
        seconds += 0.1
    assert seconds == pytest.approx(float(row["time_s"]), rel=0.01)


@pytest.mark.parametrize("row", rows("tube_conductance"), ids=lambda row: f"{row['d_mm']}mm-{row['p_mean_mbar']}mbar")
def test_hose_conducts_what_the_handbook_says(row: dict[str, str]) -> None:
    conductance = float(row["sum_l_s"]) * 1e-3
    # A pump as fast as the hose holds its inlet at half the chamber's pressure, so the mean is three quarters of it.
    p = 100 * float(row["p_mean_mbar"]) / 0.75
    inlet = pump_inlet_pa(p, 0.0, conductance, float(row["d_mm"]) * 1e-3, float(row["length_m"]))
    assert conductance * inlet / (p - inlet) == pytest.approx(conductance, rel=2e-3)


@pytest.mark.parametrize("row", rows("effective_speed"), ids=lambda row: f"{row['pump_l_s']}-{row['conductance_l_s']}")
def test_pump_behind_a_hose_has_the_effective_speed(row: dict[str, str]) -> None:
    pump, conductance = float(row["pump_l_s"]) * 1e-3, float(row["conductance_l_s"]) * 1e-3
    d = (conductance / 121.0) ** (1 / 3)  # molecular: 12.1 d^3/L (L/s, cm), a metre long
    p = 1e-7
    assert pump * pump_inlet_pa(p, 0.0, pump, d, 1.0) / p == pytest.approx(float(row["effective_l_s"]) * 1e-3, rel=1e-3)


@pytest.mark.parametrize(
    "row", rows("bubble_gas"), ids=lambda row: f"{row['diameter_mm']}mm-{row['local_pressure_mbar']}"
)
def test_a_bubble_a_second_lifts_the_chamber_as_published(row: dict[str, str]) -> None:
    chamber = make(replace(IDEAL, volume_m3=5e-3, pump_m3_s=0.8333e-3))
    chamber.pressure_pa = 0.0
    run(chamber, 120, gas_pa_m3_s=0.1 * float(row["gas_mbar_l"]))
    assert chamber.pressure_pa == pytest.approx(100 * float(row["pressure_lift_mbar_at_1_per_s"]), rel=1e-3)


def test_a_leak_raises_the_pressure_as_in_the_published_example() -> None:
    # leak_units.csv: 1.54321e-4 Pa m3/s into 4 l is 1000 hPa in 30 days.
    chamber = make(replace(IDEAL, volume_m3=4e-3, leak_pa_m3_s=1.54321e-4), pump=False)
    chamber.pressure_pa = 0.0
    run(chamber, 6 * 3600)
    assert chamber.pressure_pa == pytest.approx(1e5 / 30 / 4, rel=2e-3)


def test_mass_is_conserved_through_a_whole_batch() -> None:
    chamber = make(ChamberParts(leak_pa_m3_s=2e-3, base_walk_pa=0.5, room_walk_pa=30.0))
    start = chamber.pressure_pa
    run(chamber, 900, gas_pa_m3_s=2e-3)
    chamber.isolated = True
    run(chamber, 200, gas_pa_m3_s=2e-3)
    chamber.isolated, chamber.pump_on = False, False
    run(chamber, 300)
    chamber.vent_open = 0.3
    run(chamber, 120)
    kept = chamber.parts.volume_m3 * (chamber.pressure_pa - start)
    assert chamber.entered_pa_m3 - chamber.pumped_pa_m3 == pytest.approx(kept, abs=1e-6 * chamber.entered_pa_m3)
    assert chamber.sucked_pa_m3 > 0.1


def test_the_step_does_not_decide_the_answer() -> None:
    quiet = replace(ChamberParts(), base_walk_pa=0.0, room_walk_pa=0.0)
    coarse, fine = make(quiet), make(quiet)
    for seconds in (20, 60, 300, 1200):
        run(coarse, seconds, 1e-3)
        run(fine, seconds, 1e-3, dt_s=0.02 if seconds < 100 else 0.1)
        assert coarse.pressure_pa == pytest.approx(fine.pressure_pa, rel=0.03)


def test_a_pump_down_is_no_single_exponential() -> None:
    chamber = make(replace(ChamberParts(), base_walk_pa=0.0, dissolved_pa_m3=0.0, hose_d_m=0.007))
    constants = []
    for _ in range(600):
        before = chamber.pressure_pa
        chamber.step(1.0, 0.0)
        over = before - chamber.base_pa
        constants.append(over / max(1e-9, before - chamber.pressure_pa))
    assert max(constants[100:]) > 8 * constants[2]


def test_shut_off_a_flow_shows_time_times_speed_over_volume_larger() -> None:
    parts = replace(ChamberParts(), base_walk_pa=0.0, dissolved_pa_m3=0.0, moisture_pa_m3=0.0, vapour_m3_s=0.0)
    flow = 4e-4
    still, with_flow = make(parts), make(parts)
    run(still, 3600)
    run(with_flow, 3600, flow)
    lift = with_flow.pressure_pa - still.pressure_pa
    still.isolated = with_flow.isolated = True
    before = with_flow.pressure_pa - still.pressure_pa
    run(still, 180)
    run(with_flow, 180, flow)
    rise = with_flow.pressure_pa - still.pressure_pa - before
    assert rise == pytest.approx(flow * 180 / parts.volume_m3, rel=1e-3)
    assert 2 < rise / lift < 30
    assert rise / lift == pytest.approx(180 * (flow / lift) / parts.volume_m3, rel=1e-3)


def test_shut_off_vapour_saturates_and_a_leak_goes_straight_on() -> None:
    parts = replace(IDEAL, vapour_pa=40.0, vapour_m3_s=1e-4, leak_pa_m3_s=1e-3)
    chamber = make(parts)
    run(chamber, 1200)
    chamber.isolated = True
    readings = []
    for _ in range(6):
        readings.append(chamber.pressure_pa)
        run(chamber, 300)
    steps = [b - a for a, b in itertools.pairwise(readings)]
    straight = 1e-3 * 300 / parts.volume_m3
    assert steps[0] > straight + 20
    assert steps[-1] == pytest.approx(straight, abs=0.3)
    assert chamber.vapour_pa == pytest.approx(40.0, abs=0.5)


def test_resin_that_boils_holds_the_pressure_at_its_vapour_pressure() -> None:
    chamber = make(replace(ChamberParts(), vapour_pa=3000.0, vapour_m3_s=20e-3))
    run(chamber, 900)
    assert 2500 < chamber.pressure_pa < 3000


def test_oil_is_drawn_back_only_where_the_pump_stands_on_an_open_line() -> None:
    def stopped(parts: ChamberParts, *, shut: bool) -> Chamber:
        chamber = make(parts)
        run(chamber, 300)
        chamber.pump_on, chamber.isolated = False, shut
        run(chamber, 300)
        return chamber

    assert stopped(ChamberParts(), shut=False).pressure_pa > 10_000
    assert stopped(ChamberParts(), shut=True).sucked_pa_m3 == 0
    assert stopped(replace(ChamberParts(), suck_back_m3_s=0.0), shut=False).sucked_pa_m3 == 0


def test_air_is_choked_below_half_an_atmosphere_and_slows_above() -> None:
    chamber = make(IDEAL, pump=False)
    chamber.pressure_pa, chamber.vent_open = 100.0, 0.2
    rises = []
    while chamber.pressure_pa < 0.999 * chamber.room_pa:
        before = chamber.pressure_pa
        chamber.step(0.5, 0.0)
        rises.append((before, chamber.pressure_pa - before))
    choked = [rise for before, rise in rises if before < 0.4 * chamber.room_pa]
    assert max(choked) == pytest.approx(min(choked), rel=0.08)
    assert rises[-2][1] < 0.5 * choked[0]
    assert chamber.pressure_pa <= chamber.room_pa


def test_the_plateau_moves_by_itself() -> None:
    parts = replace(ChamberParts(), oil_rise=0.4, warm_k_h=1.0, base_walk_pa=0.0, dissolved_pa_m3=0.0)
    chamber = make(parts)
    run(chamber, 1200)
    early = chamber.pressure_pa
    run(chamber, 7200)
    assert chamber.pressure_pa - early > 1.0
    walks = []
    for seed in range(6):
        wanderer = make(replace(ChamberParts(), base_walk_pa=1.0), seed=seed)
        run(wanderer, 3600)
        walks.append(wanderer.pressure_pa)
    assert 0.2 < max(walks) - min(walks) < 8


def test_moisture_leaves_by_the_inverse_root_of_time() -> None:
    parts = replace(IDEAL, moisture_pa_m3=1.0)
    chamber = make(parts)
    run(chamber, 100)
    loads = []
    for seconds in (400, 1600, 6400):
        run(chamber, seconds - round(chamber._clock_s))
        loads.append(chamber.pressure_pa * parts.pump_m3_s)
    assert loads[0] / loads[1] == pytest.approx(math.sqrt(1660 / 460), rel=0.05)
    assert loads[1] / loads[2] == pytest.approx(math.sqrt(6460 / 1660), rel=0.05)
