"""The rise under full power: when one is seen, and what it tells of the walls."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lastbubble.context import Context
from lastbubble.pipeline.core import BODIES, STEP_S, Bodies, standard_scores, weighted_quantiles
from lastbubble.pipeline.heatup import HeatUp, HeatUpWatch


def rising(lag_s: float, jump_k: float = 45.0, room_c: float = 21.0, top_c: float = 105.0) -> list[float]:
    """Air over walls of this lag, heated by a constant power: the textbook two-lump oven, by its own small steps."""
    air = walls = room_c
    keeps = 90.0
    out: list[float] = []
    while air < top_c and len(out) < 400:
        total = 0.0
        for _ in range(int(STEP_S)):
            air += (jump_k - (air - walls)) / keeps
            walls += ((air - walls) - 0.06 * (walls - room_c)) / lag_s
            total += air
        out.append(total / STEP_S)
    return out


def watched(values: list[float], disturbed: int = -1) -> list[HeatUp]:
    watch = HeatUpWatch()
    found = (watch.feed(STEP_S * (k + 1), value, disturbed=k == disturbed) for k, value in enumerate(values))
    return [rise for rise in found if rise is not None]


def test_a_rise_is_seen_at_the_first_switching() -> None:
    values = [21.0] * 10 + rising(900.0)
    end = STEP_S * len(values)
    (rise,) = watched([*values, values[-1] - 0.3, values[-1] - 1.5, *([values[-1]] * 5)])
    assert rise.from_s == pytest.approx(STEP_S * 10, abs=2 * STEP_S)
    assert rise.to_s == pytest.approx(end - 40, abs=STEP_S)


def test_a_short_a_low_and_a_disturbed_rise_are_none() -> None:
    values = rising(900.0)
    assert watched([*values[:15], values[14] - 2]) == []
    assert watched([21.0, *(21 + 0.5 * k for k in range(50)), 44.0]) == []
    assert watched([*values, values[-1] - 2], disturbed=len(values) - 10) == []


@pytest.mark.parametrize("lag_s", [450.0, 900.0, 1800.0])
def test_the_rise_tells_the_walls_lag(lag_s: float) -> None:
    values = rising(lag_s)
    bodies = Bodies(Context(), standard_scores(BODIES), 21.0)
    before = weighted_quantiles(np.log(bodies.draws.wall_lag_s), bodies.weight, (0.1, 0.5, 0.9))
    for place, value in enumerate(values):
        bodies.warm_walls(value, STEP_S * (place + 1))
    bodies.hear(HeatUp(0.0, STEP_S * (len(values) - 2)))
    after = weighted_quantiles(np.log(bodies.draws.wall_lag_s), bodies.weight, (0.1, 0.5, 0.9))
    assert bodies.weight.sum() == pytest.approx(1.0)
    assert abs(after[1] - math.log(lag_s)) < abs(before[1] - math.log(lag_s)) + 0.1
    assert after[0] < math.log(lag_s) < after[2]
    assert after[2] - after[0] < 0.9 * (before[2] - before[0])


def test_a_rise_that_was_not_followed_changes_nothing() -> None:
    bodies = Bodies(Context(), standard_scores(BODIES), 21.0)
    bodies.hear(HeatUp(0.0, 900.0))
    assert bodies.weight == pytest.approx(1 / BODIES)
