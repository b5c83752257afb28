"""The oven: energy is conserved, and it does what such ovens do."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tools.plant.oven import Oven, OvenParts, drifted, steady_dial_c, steady_mean_c

PARTS = OvenParts(tray_j_k=300.0, bulb_element=0.01)


def heated(parts: OvenParts, seconds: int, dial_c: float = 120.0) -> Oven:
    oven = Oven(parts)
    oven.dial_c = dial_c
    for _ in range(seconds):
        oven.step(1.0, True)
    return oven


def stored_j(oven: Oven) -> float:
    parts = oven.parts
    lumps = (
        (parts.element_j_k, oven.element_c), (parts.air_j_k, oven.air_c), (parts.wall_j_k, oven.wall_c),
        (parts.tray_j_k, oven.tray_c),
    )  # fmt: skip
    return sum(size * (value - parts.room_c) for size, value in lumps)


def test_energy_is_conserved_with_a_load_and_an_open_door() -> None:
    oven = Oven(PARTS)
    oven.dial_c = 130.0
    taken = 0.0
    for second in range(4000):
        oven.door_open = 2000 <= second < 2060
        oven.step(1.0, True, 20.0, 12.0, 3.0)
        taken += 35.0
    assert oven.given_j > 4e5
    assert oven.given_j == pytest.approx(oven.lost_j + stored_j(oven) + taken, rel=1e-9)


def test_the_thermostat_cycles_in_a_band_and_overshoots_at_first() -> None:
    oven = heated(PARTS, 1)
    air = []
    for _ in range(9000):
        oven.step(1.0, True)
        air.append(oven.air_c)
    late = air[-3000:]
    goal = oven.goal_c
    assert max(air) > goal + PARTS.half_band_k
    assert 2 * PARTS.half_band_k < max(late) - min(late) < 25
    assert abs(sum(late) / len(late) - goal) < 6


def test_walls_are_cooler_than_the_air_and_the_tray_between() -> None:
    oven = heated(PARTS, 7200)
    assert 4 < oven.air_c - oven.wall_c < 30
    assert oven.wall_c < oven.tray_c < oven.air_c


def test_relay_mains_and_door_each_cool_it() -> None:
    for what in ("relay", "mains", "door"):
        oven = heated(PARTS, 5000)
        before = oven.air_c
        oven.mains, oven.door_open = what != "mains", what == "door"
        for _ in range(240):
            oven.step(1.0, what != "relay")
        assert oven.air_c < before - 5, what


def test_a_welded_thermostat_runs_away_until_the_relay_opens() -> None:
    oven = heated(PARTS, 3000)
    oven.stuck_on = True
    for _ in range(1200):
        oven.step(1.0, True)
    assert oven.air_c > oven.goal_c + 40
    hot = oven.air_c
    for _ in range(600):
        oven.step(1.0, False)
    assert oven.air_c < hot - 40


def test_the_dial_is_off_by_gain_offset_and_bend() -> None:
    oven = Oven(replace(PARTS, dial_gain=0.9, dial_offset_k=5.0, dial_bend_k=3.0))
    oven.dial_c = 150.0
    assert oven.goal_c == pytest.approx(0.9 * 150 + 5 + 3)
    assert drifted(PARTS, 2.0).dial_offset_k == pytest.approx(PARTS.dial_offset_k + 2)


def test_the_true_dial_setting_gives_the_mean_that_was_asked_for() -> None:
    parts = replace(PARTS, half_band_k=1.5)
    dial = steady_dial_c(parts, 100.0)
    oven = heated(parts, 4 * 3600, dial)
    seen = []
    for _ in range(3600):
        oven.step(1.0, True)
        seen.append(oven.couple_c)
    assert sum(seen) / len(seen) == pytest.approx(100.0, abs=0.4)
    assert steady_mean_c(parts, dial + 10) == pytest.approx(100 + 10 * parts.dial_gain, abs=1.5)


def test_the_thermocouple_lags_and_is_off() -> None:
    oven = heated(replace(PARTS, couple_s=60.0, couple_k=3.0), 120)
    assert oven.couple_c < oven.air_c - 5
    settled = Oven(replace(PARTS, couple_k=3.0))
    for _ in range(600):
        settled.step(1.0, False)
    assert settled.couple_c == pytest.approx(settled.air_c + 3.0, abs=0.05)
