"""Rises of one batch beside each other: the same vapour in all of them, seen through windows that differ."""

from __future__ import annotations

import math
import random

import pytest

from lastbubble.pipeline.isolation import Rise, fit_rise, short_rise
from lastbubble.pipeline.rise_series import comparable

NOISE_PA = 0.3


def rises(
    paces: list[float], bend_pa: float, tau_s: float, offsets_s: list[float], lengths_s: list[float]
) -> list[Rise]:
    """Blocks of ten seconds whose grid lies elsewhere in each rise: the first may hold the level as well."""
    rng = random.Random(5)
    out = []
    for pace, offset_s, length_s in zip(paces, offsets_s, lengths_s, strict=True):
        times, values = [], []
        begin_s = -10.0 + offset_s
        while begin_s + 10.0 <= length_s:
            inside = [max(begin_s + s + 0.5, 0.0) for s in range(10)]
            values.append(
                sum(40 + pace * x - bend_pa * math.expm1(-x / tau_s) for x in inside) / 10 + rng.gauss(0, NOISE_PA)
            )
            times.append(begin_s + 5.0)
            begin_s += 10.0
        rise = fit_rise(times, values, NOISE_PA, 40.0)
        assert rise is not None
        out.append(rise)
    return out


def test_the_same_rise_through_other_windows_has_the_same_pace() -> None:
    """By its own mean pace it differs by more than a fifth, only by where blocks begin and when it is opened."""
    some = rises([0.02] * 6, 50.0, 80.0, [0.0, 2.0, 4.0, 6.0, 8.0, 5.0], [120.0, 120.0, 120.0, 120.0, 150.0, 90.0])
    paces = [pace for pace, _ in comparable(some, NOISE_PA)]
    own = [rise.mean_pa_s for rise in some]
    assert max(own) - min(own) > 0.2 * min(own)
    assert max(paces) - min(paces) < 0.08 * min(paces)


def test_what_differs_is_gas() -> None:
    some = rises([0.30, 0.20, 0.10, 0.02], 50.0, 80.0, [0.0, 7.0, 3.0, 5.0], [120.0] * 4)
    compared = comparable(some, NOISE_PA)
    for (steep, _), (flat, variance), difference in zip(compared, compared[1:], (0.1, 0.1, 0.08), strict=False):
        assert steep - flat == pytest.approx(difference, abs=5 * math.sqrt(2 * variance) + 0.01)


def test_straight_rises_and_one_alone_keep_their_mean_pace() -> None:
    straight = rises([0.3, 0.1], 0.0, 80.0, [0.0, 5.0], [120.0, 120.0])
    for rise, (pace, variance) in zip(straight, comparable(straight, NOISE_PA), strict=True):
        assert pace == pytest.approx(rise.mean_pa_s)
        assert variance == pytest.approx(rise.mean_variance, rel=0.5)
    alone = rises([0.1], 50.0, 80.0, [3.0], [120.0])
    assert comparable(alone, NOISE_PA)[0][0] == pytest.approx(alone[0].mean_pa_s, rel=0.03)


def test_a_rise_of_two_readings_says_what_it_said() -> None:
    short = short_rise(100.0, 106.0, 30.0, 930.0)
    some = [short, *rises([0.1], 50.0, 80.0, [3.0], [120.0])]
    assert comparable(some, NOISE_PA)[0] == (short.mean_pa_s, short.mean_variance)
    assert comparable([short], NOISE_PA) == [(short.mean_pa_s, short.mean_variance)]
    assert comparable([], NOISE_PA) == []
