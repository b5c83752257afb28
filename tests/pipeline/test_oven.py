"""The oven's air: even steps, spikes left out, whole cycles, dips that no shut oven makes."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from lastbubble.pipeline.oven import AirGrid, AirLevel, Dip, Dips, Step


def steps_of(rows: list[tuple[float, float]], step_s: float = 20.0) -> list[Step]:
    grid = AirGrid(step_s)
    return [step for time, air in rows for step in grid.feed(time, air)]


@pytest.mark.parametrize("period", [0.1, 1.0, 7.0, 20.0, 60.0])
def test_a_ramp_has_the_same_means_at_any_rhythm(period: float) -> None:
    rows = [(k * period, 20 + 0.05 * k * period) for k in range(int(400 / period))]
    steps = steps_of(rows)
    assert len(steps) >= 15
    for one, two in pairwise(steps):
        assert two.end_s - one.end_s == pytest.approx(20.0)
    for step in steps[1:]:
        assert step.mean_c == pytest.approx(20 + 0.05 * (step.end_s - 10), abs=1e-6)


def test_one_impossible_sample_is_left_out_and_a_true_jump_is_not() -> None:
    rows = [(float(k), 90.0) for k in range(100)]
    rows[50] = (50.0, 449.0)
    assert max(step.mean_c for step in steps_of(rows)) == pytest.approx(90.0)
    jump = [(float(k), 90.0 if k < 50 else 60.0) for k in range(120)]
    assert steps_of(jump)[-1].mean_c == pytest.approx(60.0)


def test_a_slow_log_keeps_its_door_openings_and_loses_its_spikes() -> None:
    rows = [(30.0 * k, 100.0) for k in range(60)]
    rows[20] = (600.0, 180.0)
    assert max(step.mean_c for step in steps_of(rows)) == pytest.approx(100.0)
    opened = [(30.0 * k, 100.0 if k < 20 or k > 26 else 55.0) for k in range(60)]
    assert min(step.mean_c for step in steps_of(opened)) < 60


def test_a_hole_is_bridged_and_says_so() -> None:
    steps = steps_of([(0.0, 60.0), (20.0, 60.0), (1220.0, 100.0), (1240.0, 100.0)])
    assert [step.bridged for step in steps] == [False] + [True] * 60 + [False]
    assert steps[30].mean_c == pytest.approx(60 + 40 * (steps[30].end_s - 30) / 1200)


def test_air_that_fell_in_a_hole_fell_at_first() -> None:
    """Below the straight line all the way: an oven without power falls to its walls in minutes, then goes with them."""
    steps = steps_of([(0.0, 100.0), (20.0, 100.0), (1220.0, 60.0), (1240.0, 60.0)])
    assert [step.bridged for step in steps] == [False] + [True] * 60 + [False]
    inside = steps[2:59]
    assert all(one.mean_c > two.mean_c for one, two in pairwise(inside))
    assert all(step.mean_c < 100 - 40 * (step.end_s - 30) / 1200 for step in inside)
    assert steps[30].mean_c == pytest.approx(60 + 40 * 0.119, abs=1.5)
    assert steps[-1].mean_c == pytest.approx(60, abs=0.5)


def cycling(minutes: float, mean: float, swing: float, period: float = 480.0) -> list[float]:
    """A saw-tooth whose rise is quicker than its fall, so that its middle is not its mean of extremes in time."""
    out = []
    for k in range(int(minutes * 3)):
        phase = (k * 20.0 % period) / period
        out.append(mean + swing * ((phase / 0.3) * 2 - 1 if phase < 0.3 else 1 - 2 * (phase - 0.3) / 0.7))
    return out


def test_the_level_is_the_mean_of_whole_cycles() -> None:
    level = AirLevel(20.0)
    for value in cycling(60, 104.0, 5.0):
        level.feed(value)
    found = level.level
    assert found is not None
    assert found.steady
    assert found.level_c == pytest.approx(104.0, abs=0.3)
    assert found.swing_k == pytest.approx(5.0, abs=0.5)
    assert found.period_s == pytest.approx(480.0, rel=0.05)


def test_a_rising_oven_is_not_steady_and_a_flat_one_is() -> None:
    level = AirLevel(20.0)
    for k in range(60):
        level.feed(30 + k)
    assert level.level is not None
    assert not level.level.steady
    assert level.level.slope_k_s == pytest.approx(1 / 20)
    flat = AirLevel(20.0)
    assert flat.level is None
    for k in range(60):
        flat.feed(95 + 0.2 * math.sin(k))
    assert flat.level is not None
    assert flat.level.steady
    assert flat.level.level_c == pytest.approx(95, abs=0.2)


def test_a_turned_dial_leaves_the_old_cycles_behind() -> None:
    level = AirLevel(20.0)
    for value in cycling(60, 90.0, 3.0) + [90.0 + k for k in range(15)] + cycling(60, 105.0, 3.0):
        level.feed(value)
    assert level.level is not None
    assert level.level.level_c == pytest.approx(105.0, abs=1.0)


def dips_in(values: list[float], trough: float | None = None) -> list[Dip]:
    dips = Dips(20.0)
    found = (dips.feed(Step(20.0 * (k + 1), value, False), 21.0, trough) for k, value in enumerate(values))
    return [dip for dip in found if dip is not None]


def test_an_opened_door_is_a_dip() -> None:
    values = [105.0] * 30 + [90.0, 70.0, 62.0, 66.0, 75.0, 84.0, 92.0, 98.0, 103.0] + [105.0] * 20
    (dip,) = dips_in(values)
    assert dip.start_s == pytest.approx(600.0)
    assert dip.before_c == 105.0
    assert dip.lowest_c == 62.0


def test_thermostat_cycles_and_slow_cooling_are_none() -> None:
    assert dips_in(cycling(120, 105.0, 6.0)) == []
    assert dips_in([105 * math.exp(-k / 200) + 21 for k in range(300)]) == []


def test_light_air_whose_own_cycles_are_quick_needs_a_deeper_fall() -> None:
    quick = [110.0, 97.0, 98.0, 106.0] * 20
    assert dips_in(quick, trough=97.0) == []
    assert len(dips_in(quick + [110.0, 80.0, 70.0, 85.0, 100.0], trough=97.0)) == 1
